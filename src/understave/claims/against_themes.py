"""Claims on a variation against its theme: what stays bar by bar, and what is another.

The bars are paired as the claim says; what stays in a pair is worked out here from what sounds and, for the
harmony, from the chords read: both sides are heard from their own tonic, by letter where the mode is another
(Hutchinson, "Music Theory for the 21st-Century Classroom", chapter on variation, from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from statistics import mean, median
from typing import ClassVar

from understave.claims.claim import Claim
from understave.claims.facts import Facts, voice
from understave.score.model import Measure, Note
from understave.theory.key import Key
from understave.theory.pitch import LETTERS

_MOST = 0.6
"""Share of a bar's beats that must agree. Set by ear."""
_HALF = 0.5
"""Share of the bars in which what stays on the whole does so."""
_QUICKER = 1.25
"""How many times as many moments are struck in a bar where notes are quicker. Set by ear."""
_FAR = 5
"""Semitones between the middles of the highest notes where the register is another. Set by ear."""


@dataclass(frozen=True, slots=True)
class _Pairs(Claim):
    """Bars of a theme and of a variation, by where they start; the keys in which they are heard."""

    pairs: tuple[tuple[Fraction, Fraction], ...]
    theme_key: Key | None
    key: Key | None

    def bars(self, facts: Facts) -> list[tuple[Measure, Measure]]:
        """Return the paired bars."""
        return [(facts.bar(old), facts.bar(new)) for old, new in self.pairs]

    def fit(self, facts: Facts) -> bool:
        """Whether every pair is of two bars, the variation's among its own and later than the theme's."""
        return bool(self.pairs) and all(
            facts.bar(old).start == old < self.start <= new < self.end and facts.bar(new).start == new
            for old, new in self.pairs
        )

    @property
    def inflected(self) -> bool:
        """Whether one is in major and the other in minor."""
        return self.theme_key is not None and self.key is not None and self.theme_key.mode != self.key.mode

    def above(self, letter: int, semitone: int, new: bool) -> int:
        """Return how far a tone lies above its tonic."""
        key = self.key if new else self.theme_key
        if key is None:
            return semitone % 12
        if self.inflected:
            return (letter - LETTERS.index(key.tonic.letter)) % 7
        return (semitone - key.tonic.semitone) % 12

    def tone(self, note: Note, new: bool) -> int:
        """Return how far a note lies above its tonic."""
        return self.above(note.pitch.diatonic % 7, note.midi % 12, new)


@dataclass(frozen=True, slots=True)
class StaysInBars(_Pairs):
    """In so many of the bars the theme's ``"harmony"``, ``"bass"`` or ``"tune"`` stays; without a number, in
    half of them at least.

    Harmony: on most of the beats the same root. Bass: the lowest note of the first half of the bar, and of
    the second where the theme's has moved. Tune: of the tones that the theme has on top on the beats, most
    are met in one voice (`on_top`: in the highest), each on its beat or second.
    """

    kind: ClassVar[str] = "what stays in a variation"
    what: str
    number: int | None = None
    on_top: bool = False

    def holds(self, facts: Facts) -> bool:
        if not self.fit(facts):
            return False
        count = self._count(facts)
        if self.number is None:
            return count >= _HALF * len(self.pairs)
        # One bar in eight may be heard otherwise.
        return abs(count - self.number) <= max(1, len(self.pairs) // 8)

    def _count(self, facts: Facts) -> int:
        if self.what == "tune":
            found: Counter[Hashable] = Counter()
            for old, new in self.bars(facts):
                found.update(set(self._lines_with_tune(facts, old, new)))
            return found["top"] if self.on_top else max(found.values(), default=0)
        test = self._harmony if self.what == "harmony" else self._bass
        return sum(test(facts, old, new) for old, new in self.bars(facts))

    def _harmony(self, facts: Facts, old: Measure, new: Measure) -> bool:
        same = []
        for beat in range(old.beats):
            at = Fraction(beat, old.beats)
            spans = [facts.span(m.start + at * m.full_length) for m in (old, new)]
            if spans[0] is not None and spans[1] is not None:
                roots = [span.numeral.chord(span.key).root for span in spans if span is not None]
                heard = [
                    self.above(LETTERS.index(root.letter), root.semitone, new=bool(k))
                    for k, root in enumerate(roots)
                ]
                same.append(heard[0] == heard[1])
        return bool(same) and mean(same) >= _MOST

    def _bass(self, facts: Facts, old: Measure, new: Measure) -> bool:
        tones = []
        for half in (0, 1):
            for late, m in enumerate((old, new)):
                start = m.start + half * m.full_length / 2
                low = facts.lowest(start, start + m.full_length / 2)
                tones.append(None if low is None else self.tone(low, bool(late)))
        first, here, second, there = tones
        return first is not None and first == here and second in (first, there)

    def _lines_with_tune(self, facts: Facts, old: Measure, new: Measure) -> Iterator[Hashable]:
        wanted = {}
        for beat in range(old.beats):
            moment = old.start + old.full_length * beat / old.beats
            top = facts.top(moment)
            if top is not None and top.onset == moment:
                wanted[beat] = self.tone(top, False)
        lines: dict[Hashable, list[Note]] = {"top": [], "bass": []}
        for note in facts.struck_in(new.start, new.end):
            lines.setdefault(voice(note), []).append(note)
            here = facts.sounding(note.onset)
            if here and note.midi == here[-1].midi:
                lines["top"].append(note)
            if here and note.midi == here[0].midi:
                lines["bass"].append(note)
        for name, notes in lines.items():
            if self._follows(wanted, notes, old.beats, new):
                yield name

    def _follows(self, wanted: dict[int, int], notes: list[Note], beats: int, new: Measure) -> bool:
        if not wanted:
            return not notes
        hits = 0
        for beat, tone in wanted.items():
            here = [
                note
                for note in notes
                if beat <= (note.onset - new.start) / new.full_length * beats < beat + 1
            ]
            first = sorted({note.onset for note in here})[:2]
            hits += any(note.onset in first and self.tone(note, True) == tone for note in here)
        return hits >= _MOST * len(wanted)


@dataclass(frozen=True, slots=True)
class Varies(_Pairs):
    """A variation has what its theme has not: the other mode (``"minor"``, ``"major"``), another ``"metre"``,
    ``"faster"`` or ``"slower"`` notes, a ``"higher"`` or ``"lower"`` register, or ``"another tune"``.
    """

    kind: ClassVar[str] = "what varies"
    how: str

    def holds(self, facts: Facts) -> bool:
        if not self.fit(facts):
            return False
        if self.how in ("minor", "major"):
            return self._mode(facts)
        if self.how == "another tune":
            kept = StaysInBars(
                self.start, self.end, self.pairs, self.theme_key, self.key, "tune", on_top=True
            )
            return kept._count(facts) < _MOST * len(self.pairs)
        bars = self.bars(facts)
        sides = tuple(zip(*bars, strict=True))
        if self.how == "metre":
            one, other = sides[0][0], sides[1][0]
            return (one.full_length, one.beat_length) != (other.full_length, other.beat_length)
        if self.how in ("faster", "slower"):
            pace = [
                mean(len({note.onset for note in facts.struck_in(m.start, m.end)}) for m in side)
                for side in sides
            ]
            slow, fast = pace if self.how == "faster" else pace[::-1]
            return fast >= _QUICKER * slow
        return self._register(facts, sides)

    def _mode(self, facts: Facts) -> bool:
        modes = [Counter[str]() for _ in range(2)]
        for pair in self.bars(facts):
            for k, measure in enumerate(pair):
                modes[k].update(span.key.mode for span in facts.spans_in(measure.start, measure.end))
        usual = [count.most_common(1)[0][0] if count else "" for count in modes]
        return usual[1] == self.how != usual[0]

    def _register(self, facts: Facts, sides: tuple[tuple[Measure, ...], ...]) -> bool:
        tops = [
            [
                top.midi
                for measure in side
                for moment in sorted({note.onset for note in facts.struck_in(measure.start, measure.end)})
                if (top := facts.top(moment)) is not None
            ]
            for side in sides
        ]
        if not all(tops):
            return False
        far = median(tops[1]) - median(tops[0])
        return far >= _FAR if self.how == "higher" else far <= -_FAR
