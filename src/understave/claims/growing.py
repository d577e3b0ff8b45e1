"""Claims that the sound may grow or fall through a stretch: print leaves it open, and the line goes so.

Common practice, no source: a line that rises is played louder, and what is printed goes before all else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar, Literal

from understave.claims.claim import Claim
from understave.claims.facts import Facts
from understave.claims.on_the_page import LOUDNESS, STRUCK_HARD, level_of
from understave.score.model import Direction
from understave.theory.pitch import Pitch

Way = Literal["grows", "falls"]
_FALLING = re.compile(r"\b(dim|decresc|calando|morendo|smorz)")
_STAYS_LOUD = re.compile(r"\b(sempre|immer|toujours)( più)? f")
_LOUD = LOUDNESS.index("f")
_INSTANT = Fraction(1, 64)


@dataclass(frozen=True, slots=True)
class LoudnessOpen(Claim):
    """Nothing printed stands against sound that grows or falls through a stretch.

    Against growing: a mark no louder than what was, after its start, a printed fading within it, a printed
    growing that begins within a bar of its end and would have nothing left to do. Against falling: *f* or
    more printed from less than a bar before its start to a bar after its end, an accent (*sf*) within it, a
    printed growing within it, *sempre f* up to two bars after it.
    """

    kind: ClassVar[str] = "loudness left open"
    way: Way

    def holds(self, facts: Facts) -> bool:
        return self._may_grow(facts) if self.way == "grows" else self._may_fall(facts)

    def _may_grow(self, facts: Facts) -> bool:
        printed = facts.printed_near(self.start, self.end - self.start)
        before = [v for d in facts.printed_near(Fraction(0), self.start) if (v := level_of(d)) is not None]
        inside = [v for d in printed if d.onset > self.start and (v := level_of(d)) is not None]
        # A mark that is printed again asks for what there was.
        softer = bool(before and inside) and min(inside) <= before[-1]
        fades = any(_FALLING.search(d.text.casefold()) and self._overlaps(d) for d in facts.score.directions)
        soon = self.end + facts.bar(self.end).full_length
        return not (softer or fades or any(self.end <= d.onset < soon for d in facts.crescendos))

    def _may_fall(self, facts: Facts) -> bool:
        first = self.start - facts.bar(self.start).full_length
        bar = facts.bar(self.end).full_length
        for d in facts.score.directions:
            text = d.text.strip().casefold()
            if (level_of(d) or 0) >= _LOUD and first < d.onset <= self.end + bar:
                return False
            if d.kind == "dynamic" and STRUCK_HARD.fullmatch(text) and self.start < d.onset <= self.end:
                return False
            if _STAYS_LOUD.search(text) and self.start <= d.onset <= self.end + 2 * bar:
                return False
        return not any(self._overlaps(d) for d in facts.crescendos)

    def _overlaps(self, direction: Direction) -> bool:
        """Whether something printed begins within the stretch, or a hairpin begun before goes on in it."""
        until = direction.end if direction.end is not None and direction.kind == "wedge" else direction.onset
        return direction.onset < self.end and (self.start < until or self.start <= direction.onset)


@dataclass(frozen=True, slots=True)
class LineTurns(Claim):
    """A pitch is the height of its staff: where the sound grows to it, the first beat of the stretch is lower
    there; where it falls from it, the last one. A staff that is silent then says nothing. No note between
    others is the height of a line, nor one that its staff goes beyond within the stretch.
    """

    kind: ClassVar[str] = "line rises or falls"
    pitch: Pitch
    at: Fraction
    way: Way

    def holds(self, facts: Facts) -> bool:
        here = facts.sounding(self.at)
        if not here or self.pitch.midi not in (here[0].midi, here[-1].midi):
            return False
        staves = {note.staff for note in here if note.pitch == self.pitch}
        if self.way == "grows":
            span = self.start, min(self.start + facts.bar(self.start).beat_length, self.at)
        else:
            last = self.end - facts.bar(max(self.start, self.end - _INSTANT)).beat_length
            span = max(last, self.at + _INSTANT), self.end + _INSTANT
        there = [note for note in facts.heard(*span) if note.onset != self.at]
        whole = facts.heard(self.start, self.end)
        return any(
            all(n.midi < self.pitch.midi for n in there if n.staff == staff)
            and all(n.midi <= self.pitch.midi for n in whole if n.staff == staff)
            for staff in staves
        )
