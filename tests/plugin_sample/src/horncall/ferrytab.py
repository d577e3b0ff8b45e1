"""Ferry tablature: a text format of two hands, invented for this package.

    ferrytab 1
    title: The Horn on the River
    composer: nobody
    meter: 4/4
    key: 1
    E4+C5 G4+D5 C5+E5:2 ; C3:4

After the head each line is a bar: the right hand, a semicolon, the left hand. A chord is pitches joined by
``+`` (``F#4``), ``r`` is a rest, and ``:`` gives a length in quarters (``1/2``), one where there is none.
``key`` counts sharps, flats below 0.
"""

from __future__ import annotations

from fractions import Fraction

from understave.errors import UnderstaveError
from understave.score.formats import Reader
from understave.score.model import Measure, Note, Part, Score
from understave.theory.pitch import Pitch

_HEAD = b"ferrytab 1"


def is_ferrytab(data: bytes, suffix: str) -> bool:
    """Tell whether a file is ferry tablature, by its first line."""
    return data.lstrip().startswith(_HEAD)


def read_ferrytab(data: bytes, name: str) -> Score:
    """Return the score of a file; raise UnderstaveError with the line that cannot be read."""
    head = {"title": "", "composer": "", "meter": "4/4", "key": "0"}
    bars: list[Measure] = []
    notes: list[Note] = []
    for number, line in enumerate(data.decode("utf-8").splitlines()[1:], start=2):
        field, colon, value = line.partition(":")
        try:
            if colon and field.strip() in head:
                head[field.strip()] = value.strip()
            elif line.strip():
                bars.append(_bar(bars, head))
                for hand, text in enumerate(line.split(";"), start=1):
                    notes += _notes(text, hand, bars[-1])
        except ValueError as error:
            raise UnderstaveError(
                f"{name} cannot be read in line {number} ({error}); mend it there."
            ) from error
    if not notes:
        raise UnderstaveError(f"{name} has no notes; write a bar such as 'C5:4 ; C3:4'.")
    notes.sort(key=lambda n: (n.onset, n.midi))
    return Score(head["title"], head["composer"], (Part("P1", "Piano", 1, 2),), tuple(bars), tuple(notes))


def _bar(before: list[Measure], head: dict[str, str]) -> Measure:
    beats, beat_type = (int(x) for x in head["meter"].split("/"))
    start = before[-1].end if before else Fraction(0)
    index, length = len(before), Fraction(4 * beats, beat_type)
    return Measure(f"m{index}", index, str(index + 1), start, length, beats, beat_type, int(head["key"]))


def _notes(text: str, hand: int, bar: Measure) -> list[Note]:
    found: list[Note] = []
    onset = bar.start
    for token in text.split():
        pitches, _, length = token.partition(":")
        duration = Fraction(length or 1)
        for name in [] if pitches == "r" else pitches.split("+"):
            pitch, own = Pitch.parse(name), f"h{hand}b{bar.index}n{len(found)}"
            found.append(Note(own, onset, duration, pitch, pitch, hand, str(hand), 0, bar.index, (own,)))
        onset += duration
    if onset > bar.end:
        raise ValueError(f"the hand has {onset - bar.start} quarters in a bar of {bar.length}")
    return found


FERRYTAB = Reader(name="ferry tablature", suffixes=(".ferrytab",), knows=is_ferrytab, read=read_ferrytab)
