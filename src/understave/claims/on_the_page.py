"""Claims on what is printed: words, marks, signs, rests, fermatas; and on how a phrase ends."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar, Literal

from understave.claims.claim import Claim
from understave.claims.facts import Facts
from understave.score.model import Direction, Note

Seen = Literal[
    "fermata", "rest", "silence", "long note", "double bar", "end of the piece", "the voice enters"
]
"""Reasons for the end of a phrase that are seen in the score."""
_LOUDNESS = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff")


@dataclass(frozen=True, slots=True)
class Printed(Claim):
    """These words or this mark are printed where it is said; lower and upper case are one.

    With a `sort` (``"dynamic"``, ``"pedal"``) it is a sign of that sort, a dynamic of just this loudness.
    """

    kind: ClassVar[str] = "printed"
    text: str
    sort: str = ""

    def holds(self, facts: Facts) -> bool:
        near = facts.printed_near(self.start, Fraction(1, 4))
        wanted = _plainly(self.text)
        if self.sort:
            return any(_is_sign(d, self.sort, wanted) for d in near)
        return any(wanted in _plainly(d.text) for d in near)


def _is_sign(direction: Direction, sort: str, wanted: str) -> bool:
    """Whether a direction is this sign; the soft part of fp and the first word of "p dolce" are signs too."""
    text = _plainly(direction.text)
    if direction.kind == sort:
        return wanted in ("", text) or (sort == "dynamic" and text.lstrip("sfz") == wanted != "")
    return sort == "dynamic" and direction.kind == "words" and wanted in text.split()[:1]


def _plainly(text: str) -> str:
    return " ".join(text.casefold().split())


@dataclass(frozen=True, slots=True)
class Extreme(Claim):
    """A printed mark is the softest or the loudest of the piece."""

    kind: ClassVar[str] = "softest or loudest mark"
    mark: str
    which: str

    def holds(self, facts: Facts) -> bool:
        levels = [_LOUDNESS.index(m) for m in map(_mark, facts.score.directions) if m in _LOUDNESS]
        if self.mark not in _LOUDNESS or not levels:
            return False
        level = _LOUDNESS.index(self.mark)
        return level == (min(levels) if self.which == "softest" else max(levels))


def _mark(direction: Direction) -> str:
    return direction.text.strip() if direction.kind == "dynamic" else ""


@dataclass(frozen=True, slots=True)
class Tempo(Claim):
    """So many quarter notes a minute are given at a moment."""

    kind: ClassVar[str] = "tempo"
    per_minute: float

    def holds(self, facts: Facts) -> bool:
        return any(
            d.kind == "tempo" and d.value is not None and abs(d.value - self.per_minute) < 0.51
            for d in facts.score.directions
            if abs(d.onset - self.start) <= Fraction(1, 2)
        )


@dataclass(frozen=True, slots=True)
class PhraseEnds(Claim):
    """A phrase ends at a moment for a reason that is in the score.

    A rest: some staff is silent right before or after it; a silence: all are. A long note: one that sounds
    there lasts, with the rest after it, longer than the usual. Fermata, double bar: printed there. Reasons
    that are the reading's (cadences) are claimed as such.
    """

    kind: ClassVar[str] = "phrase end"
    why: Seen

    def holds(self, facts: Facts) -> bool:
        bar = facts.bar(max(Fraction(0), self.end - Fraction(1, 64)))
        from_ = self.end - bar.full_length
        checks: dict[str, Callable[[], bool]] = {
            "fermata": lambda: self._fermata(facts, from_),
            "rest": lambda: self._rest(facts, from_, bar.beat_length),
            "silence": lambda: self._silence(facts, from_, bar.beat_length),
            "long note": lambda: self._long(facts, from_),
            "double bar": lambda: self._double_bar(facts),
            "end of the piece": lambda: self.end >= facts.score.measures[-1].start,
            "the voice enters": lambda: bool(facts.singers),
        }
        return checks[self.why]()

    def _fermata(self, facts: Facts, start: Fraction) -> bool:
        printed = any(d.kind == "fermata" and start <= d.onset <= self.end for d in facts.score.directions)
        return printed or any(n.fermata for n in facts.heard(start, self.end + Fraction(1, 64)))

    def _gaps(self, facts: Facts, start: Fraction, beat: Fraction, parts: frozenset[int] | None) -> bool:
        """Whether some staff (of the parts) is silent at some moment about the end."""
        until = self.end + beat
        staves = {n.staff for n in facts.struck if parts is None or n.part in parts}
        for staff in staves:
            reach = start
            for n in facts.heard(start, until):
                if n.staff != staff:
                    continue
                if n.onset > reach:
                    return True
                reach = max(reach, n.end)
            if reach < until:
                return True
        return False

    def _rest(self, facts: Facts, start: Fraction, beat: Fraction) -> bool:
        return self._gaps(facts, start, beat, None)

    def _silence(self, facts: Facts, start: Fraction, beat: Fraction) -> bool:
        reach = start
        for n in facts.heard(start, self.end + beat):
            if n.onset > reach:
                return True
            reach = max(reach, n.end)
        return reach < self.end + beat

    def _long(self, facts: Facts, start: Fraction) -> bool:
        here = facts.heard(start - facts.bar(start).full_length if start else start, self.end)
        tops = [n for n in here if n.part in facts.singers] or list(here)
        return any(n.end > start and self._until_next(facts, n) > facts.usual_length for n in tops)

    def _until_next(self, facts: Facts, note: Note) -> Fraction:
        """How long it takes until a note's voice goes on: a long note is one after which it waits."""
        after = facts.next_in_voice(note)
        return (after[0].onset if after else facts.score.end) - note.onset

    def _double_bar(self, facts: Facts) -> bool:
        source = facts.score.source
        return (
            any(
                m.repeat_end or m.repeat_start
                for m in facts.score.measures
                if abs(m.end - self.end) < m.full_length or abs(m.start - self.end) < m.full_length
            )
            or b"bar-style" in source
        )


@dataclass(frozen=True, slots=True)
class Times(Claim):
    """The printed pedal goes down so many times in the piece."""

    kind: ClassVar[str] = "printed pedal"
    count: int

    def holds(self, facts: Facts) -> bool:
        marks = [d for d in facts.score.directions if d.kind == "pedal" and d.text in ("start", "change")]
        return len(marks) == self.count

    def subject(self) -> Hashable:
        return "printed pedal"

    def answer(self) -> Hashable:
        return self.count
