"""Spans -> the chord at any moment, and whether a note belongs to it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction

from understave.harmony.reading import Span
from understave.score.model import Note


class Harmony:
    """Spans with quick look-up by time and their chord tones as sounding pitch classes."""

    def __init__(self, spans: Sequence[Span]) -> None:
        self.spans = spans
        self.starts = [float(span.start) for span in spans]
        self.tones = [span.numeral.chord(span.key).semitones for span in spans]

    def index(self, moment: Fraction) -> int:
        """Return the number of the span at a moment, -1 where none is."""
        i = bisect_right(self.starts, float(moment)) - 1
        return i if i >= 0 and moment < self.spans[i].end else -1

    def fits(self, note: Note, moment: Fraction) -> bool:
        """Whether a note is a chord tone at a moment; so it is where there is no chord."""
        i = self.index(moment)
        return i < 0 or note.midi % 12 in self.tones[i]

    def at(self, moment: Fraction) -> Span | None:
        """Return the span at a moment, if any."""
        i = self.index(moment)
        return self.spans[i] if i >= 0 else None
