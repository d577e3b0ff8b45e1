"""Whether a reading stands on its own ground: music that goes by functional keys.

The reader was taught music of about 1700 to 1900 and names everything in its terms. After 1900 its own doubt
tells well where they do not fit: over whole pieces its confidence is by the mean 0.55 and more on songs of
its kind, 0.3 at least on every analysed piece of the training split, and at most 0.15 on free atonal songs
(six by Webern, op. 3 and 4, three by Schoenberg, op. 15, in the open songs).

Before 1650 it does not doubt: triads are triads. What those pieces lack are sevenths, which belong to chords
there only as passing (Dahlhaus, "Untersuchungen über die Entstehung der harmonischen Tonalität", 1968, from
memory). Of 16 madrigals by Monteverdi and movements of masses by Palestrina in the music21 corpus none is
read with sevenths for more than 0.07 of the time. Of the 589 analysed pieces of the training split, that long
and not in one key throughout, two have as few: a chorale and a song in an old style.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from understave.harmony.reading import Correction, Span

LEAST = 0.22
"""Mean confidence, by time, under which keys are not spoken of: between what was seen on either side."""
LONG = 100.0
"""Quarters that a piece lasts, at least, before few sevenths tell anything: an exercise may have none."""
FEW_SEVENTHS = 0.08
"""Share of the time in chords of the seventh; between what was seen on either side."""


def mean_confidence(spans: Sequence[Span]) -> float:
    """Return the mean confidence of spans by time, without the teacher's own; 1 where there are none."""
    own = [span for span in spans if not span.fixed]
    time = sum(float(span.end - span.start) for span in own)
    return sum(span.confidence * float(span.end - span.start) for span in own) / time if time else 1.0


def before_keys(spans: Sequence[Span]) -> bool:
    """Tell whether a piece of some length in several keys has hardly a seventh, as before about 1650.

    What the teacher set says nothing of the reader's ground and is not counted.
    """
    own = [span for span in spans if not span.fixed]
    time = sum(float(span.end - span.start) for span in own)
    sevenths = sum(
        float(span.end - span.start) for span in own if 7 in span.numeral.chord(span.key).quality.factors
    )
    return time >= LONG and len({span.key for span in own}) > 1 and sevenths <= FEW_SEVENTHS * time


def functional(spans: Sequence[Span]) -> bool:
    """Tell whether a piece's keys and numerals can be spoken of."""
    return mean_confidence(spans) >= LEAST and not before_keys(spans)


def goes_by_keys(spans: Sequence[Span], corrections: Iterable[Correction] = ()) -> bool:
    """Tell whether a piece's keys can be spoken of, or its teacher says so: by a key that they set alone."""
    return functional(spans) or any(c.key is not None and c.numeral is None for c in corrections)
