"""Claims on the whole of a piece: its sections, the name of its form, and how its outer voices move.

Rules of names (Hutchinson, "Music Theory for the 21st-Century Classroom", chapters on ternary and rondo form;
*Open Music Theory*, part on form; both from memory): ternary, the opening closes at home and comes back
there after something else; rondo, it does so at least twice; variations and dances are what is printed over
their parts.
"""

from __future__ import annotations

import re
from collections.abc import Hashable
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby
from typing import ClassVar

from understave.claims.claim import Claim
from understave.claims.facts import Facts
from understave.claims.stretches import ComesBack
from understave.score.model import Measure
from understave.theory.key import Key
from understave.theory.pitch import PitchClass

_BEGINNING = 4
"""Bars by which the beginnings of two sections are compared."""
_ALIKE = 0.5
"""Share of letters that agree, on the whole, where a section brings another back. Set by ear."""
_OPENING, _BACK = 2, 0.6
"""Bars of the opening that are looked for later, and share of letters that agree where it has come back
though no section begins with it. Set by ear.
"""
_PRIMES = "'"


def letter(name: str) -> str:
    """Return a section's letter without the primes of its variants, ``""`` for an introduction or a coda."""
    plain = name.rstrip(_PRIMES)
    return plain if re.fullmatch(r"[A-Z]\d*", plain) else ""


def _begins_like(facts: Facts, one: Fraction, other: Fraction) -> bool:
    """Whether a later section begins as an earlier one does: at the best of a few shifts by a bar (an
    upbeat, a bar before it) and by staff steps (another key), so many letters of any voice are the same.
    """
    bars = facts.score.measures
    first, second = facts.bar(one).index, facts.bar(other).index
    size = min(_BEGINNING, second - first, len(bars) - second)
    return any(
        sum(_alike(facts, bars[a + k], bars[b + k], steps) for k in range(size)) >= _ALIKE * size
        for a, b in ((first, second), (first + 1, second), (first, second + 1))
        for steps in range(7)
        if max(a, b) + size <= len(bars)
    )


def _alike(facts: Facts, one: Measure, other: Measure, steps: int) -> float:
    """Share of the letters of both bars that agree in time when the first are moved by so many steps."""
    moved, there = facts.letters(one, steps), facts.letters(other)
    return 2 * len(moved & there) / max(1, len(moved) + len(there))


def _is_again(facts: Facts, one: Fraction, other: Fraction) -> bool:
    """Whether a later section begins note for note as an earlier one does."""
    length = min(_BEGINNING * facts.bar(one).full_length, other - one, facts.score.end - other)
    return length > 0 and ComesBack(other, other + length, one, one + length, "literal").holds(facts)


def _opening_returns(facts: Facts, first: Fraction) -> bool:
    """Whether two bars of the second half have most of the letters, at their times, of the two with which the
    first section begins, or of those a bar later.
    """
    bars, at = facts.score.measures, facts.bar(first).index
    return any(
        sum(_alike(facts, bars[a + k], bars[b + k], 0) for k in range(_OPENING)) >= _BACK * _OPENING
        for a in (at, at + 1)
        for b in range(max(len(bars) // 2, a + _OPENING), len(bars) - _OPENING + 1)
    )


@dataclass(frozen=True, slots=True)
class Scheme(Claim):
    """The sections of a piece: each of one letter begins as the first of that letter does, and those of
    different letters do not begin note for note alike; every section begins with a bar. Where no letter comes
    back, neither does the opening in the second half of the piece; an introduction that comes back is no new
    letter.
    """

    kind: ClassVar[str] = "sections"
    parts: tuple[tuple[str, Fraction], ...]

    def holds(self, facts: Facts) -> bool:
        firsts: dict[str, Fraction] = {}
        moments = [at for _, at in self.parts]
        if moments != sorted(set(moments)) or any(facts.bar(at).start != at for at in moments):
            return False
        opening = next((at for name, at in self.parts if name == "introduction"), None)
        for name, at in self.parts:
            own = letter(name)
            if not own:
                continue
            if opening is not None and firsts and own not in firsts and _is_again(facts, opening, at):
                return False
            if own in firsts and not _begins_like(facts, firsts[own], at):
                return False
            if any(o != own and _is_again(facts, f, at) for o, f in firsts.items()):
                return False
            firsts.setdefault(own, at)
        once = len(firsts) > 1 and len(firsts) == sum(bool(letter(name)) for name, _ in self.parts)
        return bool(self.parts) and not (once and _opening_returns(facts, min(firsts.values())))

    def subject(self) -> Hashable:
        return "sections"

    def answer(self) -> Hashable:
        return self.parts


@dataclass(frozen=True, slots=True)
class FormIs(Claim):
    """The form of a whole piece has this name: ``"ternary form"``, ``"rondo"``, ``"theme and variations"``,
    ``"ground"``, ``"minuet and trio"``, ``"scherzo and trio"``, ``"strophic song"`` or ``"varied strophic
    song"`` (see the head of this module).

    A dance is named in the title or over the first bars, its trio is printed, and what came before the
    trio comes back after it, printed as da capo or written out.
    """

    kind: ClassVar[str] = "name of the form"
    name: str
    parts: tuple[tuple[str, Fraction], ...]

    def holds(self, facts: Facts) -> bool:
        if self.name == "theme and variations":
            return len(_headings(facts, r"(variation|variazione|veränderung|var\.?)\s*([ivx]+|\d+)\b")) > 1
        if self.name.endswith("and trio"):
            return self._dance(facts)
        if self.name == "ground":
            return any(_is_ground(facts, size) for size in _GROUNDS)
        if self.name.endswith("strophic song"):
            return self._strophic(facts)
        lettered = [part for part in self.parts if letter(part[0])]
        groups = [[at for _, at in g] for _, g in groupby(lettered, key=lambda part: letter(part[0]))]
        if len(groups) < 3 or len(groups) % 2 == 0 or (self.name == "ternary form") != (len(groups) == 3):
            return False
        refrain, between = groups[::2], groups[1::2]
        first = refrain[0][0]
        home, last = facts.span(first), facts.before(between[0][0])
        # An exposition leaves home: what it comes back to is a reprise.
        if home is None or last is None or last.key.tonic != home.key.tonic:
            return False
        back = all(any(self._is_back(facts, first, at, home.key) for at in g) for g in refrain[1:])
        return back and not any(_is_again(facts, first, at) for g in between for at in g)

    def _is_back(self, facts: Facts, first: Fraction, at: Fraction, home: Key) -> bool:
        """Whether a section brings back the first one at home; the last chord before may reach into it."""
        begins = facts.spans_in(at, at + _BEGINNING * facts.bar(at).full_length)
        return any(span.key.tonic == home.tonic for span in begins) and _begins_like(facts, first, at)

    def _strophic(self, facts: Facts) -> bool:
        """Whether two lines of words stand under most of what is sung and is repeated; or, for a varied song,
        whether all its parts begin as the first does.
        """
        if self.name == "varied strophic song":
            starts = [at for name, at in self.parts if letter(name)]
            return bool(facts.sung) and all(_begins_like(facts, starts[0], at) for at in starts[1:])
        ends = [bar.end for bar in facts.score.measures if bar.repeat_end]
        notes = max(facts.sung.values(), key=len, default=())
        twice = [note for note in notes if sum(bool(text.strip()) for text in note.lyrics) > 1]
        return bool(ends) and 2 * sum(note.onset < ends[-1] for note in twice) > len(notes)

    def _dance(self, facts: Facts) -> bool:
        word = r"scherzo\b" if self.name.startswith("scherzo") else r"(menuett?o?|minuett?o?|menuet)\b"
        head = facts.score.measures[0].end
        named = re.search(word, facts.score.title, re.IGNORECASE) or any(
            at < head for at in _headings(facts, rf".*\b{word}")
        )
        trios = _headings(facts, r"trio\b")
        if not named or not trios:
            return False
        again = _headings(facts, r".*(d\.\s*c\.|da capo)")
        written = any(
            _begins_like(facts, Fraction(0), measure.start)
            for measure in facts.score.measures
            if measure.start > trios[-1]
        )
        return bool(again) or written

    def subject(self) -> Hashable:
        return "name of the form"

    def answer(self) -> Hashable:
        return self.name


_GROUNDS = range(2, 11)
"""Bars of a ground."""


def _is_ground(facts: Facts, size: int) -> bool:
    """Whether half of the bars or more have the bass of the bar so many before, five turns or more, with four
    notes or more: what is lowest at the barline, in the middle of the bar and on the first beat after it.
    """
    bars = facts.score.measures
    if len(bars) < 5 * size:
        return False
    basses = [tuple(_lowest(facts, bar.start + step) for step in _steps(bar)) for bar in bars]
    pairs = list(zip(basses[size:], basses, strict=False))
    same = [sum(a == b for a, b in zip(one, other, strict=False)) >= 2 for one, other in pairs]
    return 2 * sum(same) >= len(same) and len({note for bar in basses[:size] for note in bar} - {None}) >= 4


def _steps(bar: Measure) -> tuple[Fraction, ...]:
    return (Fraction(0), bar.beat_length, bar.length / 2)


def _lowest(facts: Facts, moment: Fraction) -> int | None:
    """Return the pitch class of what is lowest at a moment, None in silence."""
    low = min((note.midi for note in facts.sounding(moment)), default=None)
    return None if low is None else low % 12


def _headings(facts: Facts, pattern: str) -> tuple[Fraction, ...]:
    """Return where different words that match a pattern from their beginning are printed."""
    found: dict[str, Fraction] = {}
    for direction in facts.score.directions:
        text = direction.text.strip()
        if direction.kind != "dynamic" and re.match(pattern, text, re.IGNORECASE):
            found.setdefault(text.casefold(), direction.onset)
    return tuple(found.values())


@dataclass(frozen=True, slots=True)
class OuterVoices(Claim):
    """From `start` to `end` the lowest and the highest note that sound go from here to there.

    ``"together"``: both up or both down; ``"apart"``: one up, one down; ``"oblique"``: one of them stays.
    """

    kind: ClassVar[str] = "outer voices"
    bass: tuple[PitchClass, PitchClass]
    top: tuple[PitchClass, PitchClass]
    motion: str

    def holds(self, facts: Facts) -> bool:
        before, after = facts.sounding(self.start), facts.sounding(self.end)
        if len(before) < 2 or len(after) < 2:
            return False
        voices = (before[0], after[0]), (before[-1], after[-1])
        for wanted, notes in zip((self.bass, self.top), voices, strict=True):
            if tuple(note.pitch.pitch_class for note in notes) != wanted:
                return False
        low, high = (b.midi - a.midi for a, b in voices)
        if low * high:
            return self.motion == ("together" if low * high > 0 else "apart")
        return self.motion == "oblique" and (low, high) != (0, 0)

    def subject(self) -> Hashable:
        return "outer voices", self.start, self.end

    def answer(self) -> Hashable:
        return self.bass, self.top, self.motion
