"""A Score with its Reading: what nearly everything below is made from."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from understave.harmony.reading import Reading, Span
from understave.score.model import Score
from understave.shown import shown


@dataclass(frozen=True)
class Piece:
    """A score and the reading of it; a notebook shows its first systems with the harmony below."""

    score: Score
    reading: Reading

    def __repr__(self) -> str:
        return f"<Piece {self.score!r} {self.reading!r}>"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        return shown(self)

    def span_at(self, bar: str, beat: Fraction | int = 1) -> Span | None:
        """Return the span that holds a printed bar's beat (from 1), None where no chord stands.

        Raises KeyError if no bar is printed with that number.
        """
        return self.reading.span_at(self.score.time_of(bar, Fraction(beat)))
