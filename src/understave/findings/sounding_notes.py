"""Score -> what sounds from each onset to the next, lowest note first."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from fractions import Fraction

from understave.findings.remembered import remembered
from understave.score.model import Note, Score


@dataclass(frozen=True, slots=True)
class Soundings:
    """`moments` are all onsets, ascending, as floats; `chords` the notes that sound from each, lowest first.

    A chord is empty where a rest begins with no note; floats compare fast and equal moments give equal ones.
    """

    moments: tuple[float, ...]
    chords: tuple[tuple[Note, ...], ...]

    def at(self, moment: Fraction) -> tuple[Note, ...]:
        """Return the notes that sound at a moment, lowest first."""
        time = float(moment)
        i = bisect_right(self.moments, time) - 1
        return tuple(note for note in self.chords[i] if note.until > time) if i >= 0 else ()

    def between(self, start: Fraction, end: Fraction) -> tuple[tuple[Note, ...], ...]:
        """Return the chords from every onset at or after `start` and before `end`."""
        return self.chords[bisect_left(self.moments, float(start)) : bisect_left(self.moments, float(end))]

    def lowest(self, start: Fraction, end: Fraction) -> Note | None:
        """Return the lowest note that sounds between two moments, the earliest of equals."""
        sounding = [*self.at(start), *(c[0] for c in self.between(start, end) if c)]
        return min(sounding, key=lambda note: note.midi, default=None)


@remembered
def soundings(score: Score) -> Soundings:
    """Return what sounds from each onset of a score; grace and cue notes are left out."""
    notes = list(score.struck)
    moments: list[float] = []
    chords: list[tuple[Note, ...]] = []
    active: list[tuple[float, Note]] = []
    i = 0
    while i < len(notes):
        moment = notes[i].at
        active = [(end, note) for end, note in active if end > moment]
        while i < len(notes) and notes[i].at == moment:
            active.append((notes[i].until, notes[i]))
            i += 1
        moments.append(moment)
        chords.append(tuple(sorted((note for _, note in active), key=lambda note: note.midi)))
    return Soundings(tuple(moments), tuple(chords))
