"""What a claim is: one thing said of the music, as a value that the notes can contradict.

A claim lasts from `start` to `end`, in quarter notes. It never looks at who found it or how it is worded.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

from understave.claims.facts import Facts


@dataclass(frozen=True, slots=True)
class Claim:
    """One thing said of a stretch of the music."""

    kind: ClassVar[str] = ""
    """The name under which claims of this sort are counted."""
    of_chord: ClassVar[bool] = False
    """Whether it is about the chord read at its start, whichever moment of that chord it names."""
    start: Fraction
    end: Fraction

    def holds(self, facts: Facts) -> bool:
        """Tell whether the notes (for chords and keys: the reading) bear it out."""
        raise NotImplementedError

    def subject(self) -> Hashable | None:
        """Return the question that it answers, or None where another answer would not contradict it."""
        return None

    def answer(self) -> Hashable:
        """Return its answer to the question of `subject`."""
        return None
