"""Whether a reading stands on its own ground: music that goes by functional keys.

The reader was taught music of about 1700 to 1900 and names everything in its terms. Its own doubt tells well
where they do not fit: over whole pieces its confidence is by the mean 0.55 and more on songs of its kind, 0.3
at least on every analysed piece of the training split, and at most 0.11 on free atonal songs (six by Webern,
op. 3 and 4, in the open songs).
"""

from __future__ import annotations

from collections.abc import Sequence

from understave.harmony.reading import Span

LEAST = 0.22
"""Mean confidence, by time, under which keys are not spoken of: between what was seen on either side."""


def mean_confidence(spans: Sequence[Span]) -> float:
    """Return the mean confidence of spans by time, without the teacher's own; 1 where there are none."""
    own = [span for span in spans if not span.fixed]
    time = sum(float(span.end - span.start) for span in own)
    return sum(span.confidence * float(span.end - span.start) for span in own) / time if time else 1.0


def functional(spans: Sequence[Span]) -> bool:
    """Tell whether a piece's keys and numerals can be spoken of."""
    return mean_confidence(spans) >= LEAST
