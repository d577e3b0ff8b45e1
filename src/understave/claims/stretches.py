"""Claims on passages: what stays, is repeated, comes back or moves in sequence; how long, how high."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import ClassVar, Literal

from understave.claims.claim import Claim
from understave.claims.facts import Facts, voice
from understave.claims.single_notes import ROUGH, is_step
from understave.score.model import Measure, Note
from understave.theory.pitch import Interval, Pitch, PitchClass

_ON_BEAT = 2
"""`Facts.weight` of a beat, at most."""
_OCTAVE = 12
"""Semitones that a hand stretches at most (common practice, no source)."""
_ALIKE = 0.5
"""Share of the notes of a varied return that must be found again. Set by ear."""
_EXACT = 1.0
"""Share of the notes of a literal return that must be found again: what is unchanged has them all."""
_NEW = 0.35
"""Share of what is no standing figure that must be found again. Set by ear."""
_TONE = 2
"""Semitones."""
_FIGURED = 3
"""Notes at least of a figure that stands."""
_HIGH = 0.6
"""Share of a melody's notes that are no higher than one that stands high. Set by ear."""
_SHIFTED = 2
"""Bars by which one may lie off the bar that it answers, since bars may be put in or left out."""
_MOVED = 0.6
"""Share of the top line's notes that come back moved in a sequence or a return in another key. Set by ear."""


@dataclass(frozen=True, slots=True)
class Lasts(Claim):
    """A stretch is so many bars long, within a tenth or an eighth of a bar (`about`: half a bar)."""

    kind: ClassVar[str] = "length"
    bars: float
    about: bool = False

    def holds(self, facts: Facts) -> bool:
        found = float(facts.score.bars_between(self.start, self.end))
        first, last = facts.score.measures_over(self.start, self.end)
        printed = last.index - first.index + 1
        slack = 0.51 if self.about else 0.13
        return abs(found - self.bars) <= max(slack, 0.1 * self.bars) or abs(printed - self.bars) <= 0.01


@dataclass(frozen=True, slots=True)
class Stays(Claim):
    """A note stays through a stretch, held or struck again at least once a bar.

    ``"bass"``: something sounds above it, nothing below, and it is the lowest at the head of every bar.
    ``"top"``: it is the highest note on every beat it sounds. ``"inner"``: notes above and below it sound
    meanwhile, one above it from the first, and mostly the bass is another note. ``"over the bass"``:
    something lower sounds. Above the bass it sounds for three quarters of the time.
    """

    kind: ClassVar[str] = "note that stays"
    tone: Pitch
    place: str = "bass"

    def holds(self, facts: Facts) -> bool:
        here = [note for note in facts.heard(self.start, self.end) if note.midi % 12 == self.tone.midi % 12]
        if not any(note.midi == self.tone.midi for note in here):
            return False
        bar = facts.bar(self.start).full_length
        if self.place == "bass":
            # Only where it lies lowest is it the bass; another voice may have the tone besides.
            lowest = {m: facts.sounding(m)[0].midi % 12 for m in {max(n.onset, self.start) for n in here}}
            here = [n for n in here if lowest[max(n.onset, self.start)] == self.tone.midi % 12]
        reach = self.start
        for note in here:
            if note.onset - reach > bar:
                return False
            reach = max(reach, note.end)
        if self.end - reach > bar:
            return False
        others = [note for note in facts.heard(self.start, self.end) if note.midi % 12 != self.tone.midi % 12]
        if self.place == "bass":
            under = any(len({n.midi % 12 for n in facts.sounding(note.onset)}) > 1 for note in others)
            return under and all(note.midi > self.tone.midi for note in others) and self._at_heads(facts)
        if not SoundsOn(self.start, self.end, self.tone.pitch_class).holds(facts):
            return False
        if self.place == "top":
            high = max(note.midi for note in here)
            return all(note.midi <= high for note in others)
        if self.place == "over the bass":
            return any(note.midi < self.tone.midi for note in others)
        basses = [facts.sounding(moment)[:1] for moment in facts.moments(self.start, self.end)]
        doubled = sum(low[0].midi % 12 == self.tone.midi % 12 for low in basses if low)
        if 2 * doubled > len(basses):
            return False
        above = [note for note in others if note.midi > self.tone.midi]
        begins_inside = any(
            note.midi > here[0].midi and note.onset <= here[0].onset < note.end for note in others
        )
        return begins_inside and bool(above) and any(note.midi < self.tone.midi for note in others)

    def _at_heads(self, facts: Facts) -> bool:
        """Whether the lowest that sounds as a bar begins is the note, from the second bar on, and as the last
        one does no more than an octave up.
        """
        heads = [facts.sounding(bar.start) for bar in facts.bars_from(self.start, self.end)]
        lows = [here[0].midi for here in heads if here]
        near = not lows or lows[-1] - self.tone.midi <= _OCTAVE
        return near and all(low % 12 == self.tone.midi % 12 for low in lows)

    def subject(self) -> Hashable:
        return "note that stays", self.start, self.place

    def answer(self) -> Hashable:
        return self.tone.pitch_class


@dataclass(frozen=True, slots=True)
class SoundsOn(Claim):
    """A note, in any octave, is heard through a stretch: some key holds it for three quarters of the time."""

    kind: ClassVar[str] = "sounds on"
    tone: PitchClass

    def holds(self, facts: Facts) -> bool:
        reach, heard = self.start, Fraction(0)
        for note in facts.heard(self.start, self.end):
            if note.midi % 12 == self.tone.semitone:
                heard += max(Fraction(0), min(note.end, self.end) - max(reach, note.onset))
                reach = max(reach, note.end)
        return 4 * heard >= 3 * (self.end - self.start)


@dataclass(frozen=True, slots=True)
class Repeated(Claim):
    """A note is struck so many times in a stretch on one staff, with nothing else between.

    What sounds with it may change; in its own voice no other note comes between two strikings (`strict`).
    With `moved` it does change from one striking to another: over silence or one chord that stays nothing
    moves beneath it.
    """

    kind: ClassVar[str] = "repeated note"
    tone: Pitch
    count: int
    strict: bool = True
    moved: bool = False

    def holds(self, facts: Facts) -> bool:
        staves: dict[int, list[Note]] = {}
        for note in facts.struck_in(self.start, self.end):
            if note.pitch == self.tone:
                staves.setdefault(note.staff, []).append(note)
        return any(self._counts(facts, here) for here in staves.values())

    def _counts(self, facts: Facts, here: list[Note]) -> bool:
        moments = {note.onset for note in here}
        if len(moments) != self.count:
            return False
        if self.moved and not self._moves_beneath(facts, moments):
            return False
        last = max(moments)
        line = [note for note in facts.in_voice(here[0], here[0].onset, last) if note.onset not in moments]
        return not self.strict or len(line) <= max(1, self.count // 4)

    def _moves_beneath(self, facts: Facts, moments: Iterable[Fraction]) -> bool:
        lower = {frozenset(n.midi for n in facts.sounding(m) if n.midi < self.tone.midi) for m in moments}
        return len(lower - {frozenset()}) > 1

    def subject(self) -> Hashable:
        return "repeated note", self.start, self.tone

    def answer(self) -> Hashable:
        return self.count


def _melody_like(facts: Facts, start: Fraction, end: Fraction) -> list[Note]:
    """The notes that may be melody: the singers', where there are singers, else all."""
    here = facts.struck_in(start, end)
    return [note for note in here if note.part in facts.singers] if facts.singers else list(here)


@dataclass(frozen=True, slots=True)
class Peak(Claim):
    """A pitch is the highest that the melody (or with `line` the whole) reaches in a stretch.

    The singers' notes are the melody where there are singers; elsewhere the staff that has the pitch.
    """

    kind: ClassVar[str] = "highest note"
    pitch: Pitch
    line: str = ""

    def holds(self, facts: Facts) -> bool:
        here = facts.heard(self.start, self.end)
        if self.line:
            return max((note.midi for note in here), default=None) == self.pitch.midi
        if facts.singers:
            here = tuple(note for note in here if note.part in facts.singers)
        staves = {note.staff for note in here if note.pitch == self.pitch}
        return any(max(note.midi for note in here if note.staff == s) == self.pitch.midi for s in staves)

    def subject(self) -> Hashable:
        return "highest note", self.start, self.end, self.line

    def answer(self) -> Hashable:
        return self.pitch


@dataclass(frozen=True, slots=True)
class Parts(Claim):
    """A stretch does not go as the one that begins at `other`: the notes struck in it are not the same."""

    kind: ClassVar[str] = "goes another way"
    other: Fraction

    def holds(self, facts: Facts) -> bool:
        length = self.end - self.start
        one, two = (
            {(note.onset - start, note.midi) for note in facts.struck_in(start, start + length)}
            for start in (self.start, self.other)
        )
        return one != two


@dataclass(frozen=True, slots=True)
class High(Claim):
    """A pitch of a stretch stands high in the piece: so many of the melody's notes lie no higher, nor any of
    those to the end of the bar after it, where it would still be climbing, and in the bar before none lies
    more than a tone higher: what has come down is not high (common practice, no source).
    """

    kind: ClassVar[str] = "stands high"
    pitch: Pitch

    def holds(self, facts: Facts) -> bool:
        tops: dict[float, int] = {}
        for note in _melody_like(facts, Fraction(0), facts.score.end):
            tops[note.at] = max(tops.get(note.at, 0), note.midi)
        lower = sum(v <= self.pitch.midi for v in tops.values())
        peaks = [note for note in facts.heard(self.start, self.end) if note.pitch == self.pitch]
        bar = facts.bar(self.start).full_length
        before = _melody_like(facts, max(Fraction(0), self.start - bar), self.start)
        if any(note.midi > self.pitch.midi + _TONE for note in before):
            return False
        return bool(peaks) and lower >= _HIGH * len(tops) and not self._climbs(facts, peaks[-1])

    @staticmethod
    def _climbs(facts: Facts, peak: Note) -> bool:
        end = facts.bar(peak.onset).end
        later = _melody_like(facts, peak.onset, end + facts.bar(end).full_length)
        return any(note.midi > peak.midi for note in later)


@dataclass(frozen=True, slots=True)
class Range(Claim):
    """The melody lies between these pitches and reaches both: the singers' lowest and highest.

    Where nobody sings, both are struck, and the upper is the highest of its staff or of the whole.
    """

    kind: ClassVar[str] = "range"
    low: Pitch
    high: Pitch

    def holds(self, facts: Facts) -> bool:
        notes = _melody_like(facts, self.start, self.end)
        lows = [note for note in notes if note.pitch == self.low]
        highs = {note.staff for note in notes if note.pitch == self.high}
        if not lows or self.low.midi > self.high.midi:
            return False
        if facts.singers and min(note.midi for note in notes) != self.low.midi:
            return False
        return any(max(note.midi for note in notes if note.staff == s) == self.high.midi for s in highs)


_FAST = 3
"""Moments to a beat at which notes are struck, at least, where they are said to come fast (set by ear)."""


@dataclass(frozen=True, slots=True)
class Dense(Claim):
    """More notes are struck in a stretch, for its length, than in four bars of five of the piece, and at more
    moments than in the piece on the whole, three to a beat at least.
    """

    kind: ClassVar[str] = "many notes"

    def holds(self, facts: Facts) -> bool:
        end = max(self.end, self.start + facts.bar(self.start).beat_length)
        here, length = facts.struck_in(self.start, end), float(end - self.start)
        whole = float(max(facts.score.end, Fraction(1)))
        moments = {note.onset for note in facts.struck}
        rate = len({note.onset for note in here}) / length
        beat = float(facts.bar(self.start).beat_length)
        often = rate >= len(moments) / whole and rate * beat >= _FAST
        bars = [m for m in facts.score.measures if m.length]
        rates = sorted(len(facts.struck_in(m.start, m.end)) / float(m.length) for m in bars)
        return often and bool(rates) and len(here) / length >= rates[(4 * len(rates)) // 5]


@dataclass(frozen=True, slots=True)
class Fullest(Claim):
    """At a moment more notes sound than where a stretch begins, and nowhere in it more than there."""

    kind: ClassVar[str] = "fullest"
    at: Fraction

    def holds(self, facts: Facts) -> bool:
        counts = {m: len(facts.sounding(m)) for m in facts.moments(self.start, self.end)}
        there = len(facts.sounding(self.at))
        return there > counts[self.start] and there >= max(counts.values())


# --- what comes back ---------------------------------------------------------------------------------------


def _fingerprint(facts: Facts, start: Fraction, end: Fraction) -> list[tuple[Fraction, int]]:
    return [(note.onset - start, note.midi) for note in facts.struck_in(start, end)]


def _line(facts: Facts, start: Fraction, end: Fraction) -> dict[Fraction, Note]:
    """The highest note struck at each moment of a stretch, by the time since its start."""
    found: dict[Fraction, Note] = {}
    for note in facts.struck_in(start, end):
        at = note.onset - start
        if at not in found or note.midi > found[at].midi:
            found[at] = note
    return found


_CLASH = {1: 3, 2: 1, 6: 1}
"""How much semitones, tones and tritones clash, octaves aside (in that order after Huron, "Interval-class
content in equally tempered pitch-class sets", Music Perception 11, 1994; the numbers are our own).
"""


@dataclass(frozen=True, slots=True)
class Tensest(Claim):
    """What sounds on the beat of a moment clashes, and on no other beat of the stretch more.

    ``"grows"``: more than where the stretch begins; ``"falls"``: more than where it ends.
    """

    kind: ClassVar[str] = "tensest"
    at: Fraction
    how: Literal["tensest", "grows", "falls"] = "tensest"

    def holds(self, facts: Facts) -> bool:
        if self.how == "falls":
            return self._clash(facts, self.start) > self._clash(facts, self.end)
        here = max(self._clash(facts, m) for m in (self.at, *self._beats(facts, self.at, self.at)))
        if self.how == "grows":
            return here > self._clash(facts, self.start)
        return here > 0 and all(
            self._clash(facts, m) <= here for m in self._beats(facts, self.start, self.end)
        )

    @staticmethod
    def _beats(facts: Facts, start: Fraction, end: Fraction) -> tuple[Fraction, ...]:
        """The onsets on a beat, from that of `start` on to `end`."""
        bar = facts.bar(start)
        first = start - bar.past_beat(start)
        moments = facts.moments(max(Fraction(0), first), end + bar.beat_length)
        return tuple(m for m in moments if m <= end and facts.weight(m) <= _ON_BEAT)

    @staticmethod
    def _clash(facts: Facts, moment: Fraction) -> int:
        tones = sorted({note.midi % 12 for note in facts.sounding(moment)})
        return sum(_CLASH.get(min(b - a, 12 - b + a), 0) for a in tones for b in tones if a < b)

    def subject(self) -> Hashable:
        return "tensest", self.start, self.end, self.how

    def answer(self) -> Hashable:
        return self.at


@dataclass(frozen=True, slots=True)
class TakenUp(Claim):
    """What is sung first, from `start` to `end`, lay on top of the accompaniment from `from_start` on.

    Most sung syllables find their tone there, at the same distance from the start.
    """

    kind: ClassVar[str] = "taken up"
    from_start: Fraction

    def holds(self, facts: Facts) -> bool:
        sung = sorted((note for part in facts.sung.values() for note in part), key=lambda note: note.onset)
        here = [note for note in sung if self.start <= note.onset < self.end]
        if len(here) < _SYLLABLES or here[0] is not sung[0] or self.from_start >= self.start:
            return False
        before = [facts.top(note.onset - self.start + self.from_start) for note in here]
        same = sum(
            top is not None and top.pitch.pitch_class == note.pitch.pitch_class
            for note, top in zip(here, before, strict=True)
        )
        return same >= _TAKEN * len(here)

    def subject(self) -> Hashable:
        return "taken up", self.start

    def answer(self) -> Hashable:
        return self.from_start


_SYLLABLES = 6
"""Syllables from which a tune is known again (set by ear)."""
_TAKEN = 0.75
"""Share of the sung syllables whose tones must have been played before (set by ear)."""


@dataclass(frozen=True, slots=True)
class ComesBack(Claim):
    """A passage is an earlier one again: ``"literal"``, ``"varied"``, moved, or in the other mode; or
    ``"again"`` where it is not said how.

    Bars are compared from both starts; of a literal return nearly all notes are found again in their place,
    of a varied or moved one so many letters of any voice (see the constants of this module), among them some
    that are not struck in every bar alike: a figure that stands on under another tune does not return.
    """

    kind: ClassVar[str] = "comes back"
    from_start: Fraction
    from_end: Fraction
    how: str

    def holds(self, facts: Facts) -> bool:
        length = min(self.end - self.start, self.from_end - self.from_start)
        if length <= 0 or self.from_start >= self.start:
            return False
        one = _fingerprint(facts, self.from_start, self.from_start + length)
        two = _fingerprint(facts, self.start, self.start + length)
        if not one or not two:
            return False
        if self.how == "literal":
            both = set(one) & set(two)
            return len(both) >= _EXACT * max(len(set(one)), len(set(two)))
        alike = max(range(7), key=lambda s: self._moved(facts, s))
        return self._moved(facts, alike) >= _ALIKE and not self._stands_alone(facts, alike)

    def _stands_alone(self, facts: Facts, steps: int) -> bool:
        """Whether a figure stands in all bars of both passages and between them (but for one), and of what
        else there is less than one thing a bar or hardly anything comes back: the tune is another one.
        """
        bars = [facts.letters(bar) for bar in facts.bars_from(self.from_start, self.end)]
        times = Counter(letter for bar in bars for letter in bar)
        figure = {letter for letter, count in times.items() if count >= len(bars) - 1}
        if len(figure) < _FIGURED:
            return False
        moved = {(at, (letter + steps) % 7) for at, letter in figure}
        pairs = _beside(facts, self, _SHIFTED)
        common = first = second = 0
        for near, bar in pairs:
            here = facts.letters(bar) - figure
            rows = [facts.letters(b, steps) - moved for b in near]
            row = max(rows, key=lambda r: len(r & here) / max(1, min(len(r), len(here))))
            common, first, second = common + len(row & here), first + len(row), second + len(here)
        return min(first, second) < len(pairs) or common < _NEW * min(first, second)

    def _moved(self, facts: Facts, steps: int) -> float:
        """Share of the moments of either passage whose letters agree when moved by so many steps.

        Measured bar by bar at the best of a few shifts by a bar, since bars may be put in or left out.
        """
        pairs = _beside(facts, self, _SHIFTED)
        total = sum(max((_agree(facts, b, bar, steps) for b in near), default=0.0) for near, bar in pairs)
        return total / len(pairs)

    def subject(self) -> Hashable | None:
        return None if self.how == "again" else ("comes back", self.start, self.from_start)

    def answer(self) -> Hashable:
        return self.how == "literal"


@dataclass(frozen=True, slots=True)
class Moved(Claim):
    """A passage is an earlier one at another height: one and the same interval lies between most notes of
    both, so many staff steps or so many semitones, octaves aside and never none.

    It does so in the highest line and in the lowest, or in the printed voices together.
    """

    kind: ClassVar[str] = "at another height"
    from_start: Fraction
    from_end: Fraction

    def holds(self, facts: Facts) -> bool:
        one = facts.bars_from(self.from_start, self.from_end)
        two = facts.bars_from(self.start, self.end)
        # Where as many bars answer one another, each answers its own.
        pairs = _beside(facts, self, _SHIFTED if len(one) != len(two) else 0)
        found: dict[tuple[str, int], list[tuple[float, float, float]]] = defaultdict(list)
        for near, bar in pairs:
            best: dict[tuple[str, int], tuple[float, float, float]] = {}
            for other in near:
                for interval, shares in _intervals(facts, other, bar).items():
                    best[interval] = max(best.get(interval, shares), shares, key=sum)
            for interval, shares in best.items():
                found[interval].append(shares)
        return any(
            2 * sum(voices for _, _, voices in shares) > len(pairs)
            or all(2 * sum(line) > len(pairs) for line in list(zip(*shares, strict=True))[:2])
            for shares in found.values()
        )


def _beside(facts: Facts, claim: ComesBack | Moved, reach: int) -> list[tuple[tuple[Measure, ...], Measure]]:
    """The bars of a later passage, each with the earlier ones that it may answer, up to `reach` bars off."""
    length = min(claim.end - claim.start, claim.from_end - claim.from_start)
    bars = facts.bars_from(claim.from_start, claim.from_start + length)
    there = facts.bars_from(claim.start, claim.end)
    if not bars or not there:
        bars, there = (facts.bar(claim.from_start),), (facts.bar(claim.start),)
    found = []
    for k, bar in enumerate(there):
        at = round(k * max(1, len(bars) - 1) / max(1, len(there) - 1)) if len(there) > 1 else 0
        found.append((bars[max(0, at - reach) : at + reach + 1], bar))
    return found


def _intervals(facts: Facts, one: Measure, two: Measure) -> dict[tuple[str, int], tuple[float, float, float]]:
    """Which shares of the highest line, the lowest line and all voices of a bar come back in another, by the
    interval upwards: staff steps (0 to 6) or semitones (0 to 11), octaves aside.
    """
    found: dict[tuple[str, int], list[float]] = defaultdict(lambda: [0.0, 0.0, 0.0])
    for k, (line, again) in enumerate(zip(_lines(facts, one), _lines(facts, two), strict=True)):
        fewest = max(1, min(sum(map(len, line.values())), sum(map(len, again.values()))))
        moves: Counter[tuple[str, int]] = Counter()
        for place, notes in line.items():
            ways: Counter[tuple[str, int]] = Counter()
            for b in again.get(place, ()):
                for a in notes:
                    if (b.midi - a.midi) % 12:
                        ways["steps", (b.pitch.diatonic - a.pitch.diatonic) % 7] += 1
                        ways["semitones", (b.midi - a.midi) % 12] += 1
            moves += ways
        for interval, count in moves.items():
            found[interval][k] = min(1.0, count / fewest)
    return {interval: (high, low, voices) for interval, (high, low, voices) in found.items()}


_Line = dict[tuple[Fraction, object], list[Note]]


def _lines(facts: Facts, bar: Measure) -> tuple[_Line, _Line, _Line]:
    """What is struck in a bar above all that sounds, below it, and in each voice, by its place there."""
    high: _Line = {}
    low: _Line = {}
    voices: _Line = defaultdict(list)
    for note in facts.struck_in(bar.start, bar.end):
        at, here = note.onset - bar.start, facts.sounding(note.onset)
        if note.midi == here[-1].midi:
            high[at, ""] = [note]
        if note.midi == here[0].midi:
            low[at, ""] = [note]
        voices[at, voice(note)].append(note)
    return high, low, voices


def _agree(facts: Facts, one: Measure, two: Measure, steps: int) -> float:
    moved, there = facts.letters(one, steps), facts.letters(two)
    return len(moved & there) / max(1, min(len(moved), len(there)))


@dataclass(frozen=True, slots=True)
class InSequence(Claim):
    """A model is stated so many times, each time the interval away, step by step.

    Every statement has the rhythm of the top line (or of any voice, letter by letter) of the model, moved by
    as many staff steps as said each time. `start` is the model's.
    """

    kind: ClassVar[str] = "sequence"
    length: Fraction
    interval: Interval
    times: tuple[Fraction, ...]

    def holds(self, facts: Facts) -> bool:
        if len(self.times) < 2 or self.length <= 0 or self.interval.steps == 0:
            return False
        for k, moment in enumerate(self.times[1:], 1):
            if moment <= self.times[k - 1] or not self._stated(facts, moment, k * self.interval.steps):
                return False
        return True

    def _stated(self, facts: Facts, moment: Fraction, steps: int) -> bool:
        def moved(start: Fraction) -> dict[tuple[int, str], list[tuple[Fraction, int]]]:
            found: dict[tuple[int, str], list[tuple[Fraction, int]]] = {}
            for note in facts.struck_in(start, start + self.length):
                found.setdefault((note.staff, note.voice), []).append(
                    (note.onset - start, note.pitch.diatonic)
                )
            return found

        model, here = moved(self.start), moved(moment)
        best = 0.0
        for name, line in model.items():
            if len(line) < 2:
                continue
            again = set(here.get(name, ())) | set().union(*map(set, here.values())) if here else set()
            wanted = {(at, d + steps) for at, d in line}
            octaves = [{(at, d + 7 * o) for at, d in wanted} for o in (-1, 0, 1)]
            best = max(best, max(len(w & again) for w in octaves) / len(wanted))
        return best >= _MOVED


@dataclass(frozen=True, slots=True)
class SameFigure(Claim):
    """A figure of steps and rhythm stands at `start`, from this pitch on, in some one voice.

    `steps` are the moves from note to note, `rhythm` the quarters between their onsets.
    """

    kind: ClassVar[str] = "figure"
    first: Pitch
    steps: tuple[int, ...]
    rhythm: tuple[Fraction, ...]

    def holds(self, facts: Facts) -> bool:
        return any(note.pitch == self.first for note in _begun(facts, self.start, self.steps, self.rhythm))


def _begun(
    facts: Facts, start: Fraction, steps: Sequence[int], rhythm: Sequence[Fraction]
) -> tuple[Note, ...]:
    """The notes struck at a moment from which a figure of steps and rhythm stands in some one part."""

    def stands(first: Note) -> bool:
        moment, diatonic = start, first.pitch.diatonic
        for step, gap in zip(steps, rhythm, strict=False):
            moment, diatonic = moment + gap, diatonic + step
            near = facts.struck_in(moment, moment + Fraction(1, 64))
            if not any(note.pitch.diatonic == diatonic and note.part == first.part for note in near):
                return False
        return True

    return tuple(note for note in facts.struck_in(start, start + Fraction(1, 64)) if stands(note))


@dataclass(frozen=True, slots=True)
class FigureGoes(SameFigure):
    """A figure that stands at `start` goes ``"up"`` or ``"down"``.

    It sets out so, more of its moves go so than the other way, and it does not end on the other side of
    where it began.
    """

    kind: ClassVar[str] = "way of a figure"
    way: str

    def holds(self, facts: Facts) -> bool:
        ups, downs = sum(step > 0 for step in self.steps), sum(step < 0 for step in self.steps)
        first = next((step for step in self.steps if step), 0)
        goes = {
            "up": first > 0 and ups > downs and sum(self.steps) >= 0,
            "down": first < 0 and downs > ups and sum(self.steps) <= 0,
        }
        return goes[self.way] and SameFigure.holds(self, facts)


@dataclass(frozen=True, slots=True)
class FigureCount(Claim):
    """A figure comes so many times: at each of these moments, with its steps and rhythm, from some pitch."""

    kind: ClassVar[str] = "how often a figure comes"
    times: tuple[Fraction, ...]
    count: int
    steps: tuple[int, ...]
    rhythm: tuple[Fraction, ...]

    def holds(self, facts: Facts) -> bool:
        if len(self.times) != self.count or list(self.times) != sorted(self.times):
            return False
        return all(_begun(facts, moment, self.steps, self.rhythm) for moment in self.times)


# --- texture -----------------------------------------------------------------------------------------------

HANDS = {"right hand": 0, "left hand": 1}


def _hand_notes(facts: Facts, hand: str, start: Fraction, end: Fraction) -> list[Note]:
    """The notes of a hand of the keyboard part, of both, or of a part by its name."""
    notes = facts.struck_in(start, end)
    part = next((i for i, part in enumerate(facts.score.parts) if part.name == hand), None)
    if part is not None:
        return [note for note in notes if note.part == part]
    if hand not in HANDS:
        return list(notes)
    players = facts.score.keyboards
    first = players[-1][0] if players else -1
    staff = facts.score.parts[first].first_staff + HANDS[hand]
    return [note for note in notes if note.staff == staff]


@dataclass(frozen=True, slots=True)
class Pattern(Claim):
    """What a hand does in a stretch, in at least half of it (see `_share`; common practice, no source)."""

    kind: ClassVar[str] = "texture"
    hand: str
    pattern: str

    def holds(self, facts: Facts) -> bool:
        notes = _hand_notes(facts, self.hand, self.start, self.end)
        if not notes:
            return False
        chords: dict[Fraction, list[Note]] = {}
        for note in notes:
            chords.setdefault(note.onset, []).append(note)
        groups = [chords[t] for t in sorted(chords)]
        return _share(self.pattern, groups, facts, notes) >= 0.5

    def subject(self) -> Hashable:
        return "texture", self.start, self.end, self.hand

    def answer(self) -> Hashable:
        return self.pattern


@dataclass(frozen=True, slots=True)
class PatternBegins(Claim):
    """A hand begins to break its chords: in the bar before it did not do so already."""

    kind: ClassVar[str] = "texture begins"
    hand: str
    pattern: str

    def holds(self, facts: Facts) -> bool:
        before = self.start - facts.bar(self.start).full_length
        return before < 0 or not Pattern(before, self.start, self.hand, self.pattern).holds(facts)


BREAKING = ("broken chords", "rocking", "arpeggios", "Alberti-like")
"""Patterns in which a hand breaks its chords."""


def _share(pattern: str, groups: list[list[Note]], facts: Facts, notes: list[Note]) -> float:
    """Share of a hand's strikings that are as a pattern has them, 0..1."""
    single = sum(len(g) == 1 for g in groups) / len(groups)
    chordal = sum(len(g) >= 2 for g in groups) / len(groups)
    octave = sum(_is_octave(g) for g in groups) / len(groups)
    lows = [min(g, key=lambda note: note.midi) for g in groups]
    moves = list(pairwise(lows))
    leaps = sum(abs(a.midi - b.midi) > 2 for a, b in moves) / max(1, len(moves))
    again = sum({note.midi for note in a} == {note.midi for note in b} for a, b in pairwise(groups)) / max(
        1, len(moves)
    )
    if pattern in BREAKING:
        return min(1.0, leaps * 1.2) if single + 0.5 * chordal > 0.4 else 0.0
    if pattern == "block chords":
        return chordal
    if pattern == "repeated chords":
        return min(chordal, again * 1.5)
    if pattern in ("bass and chords", "waltz bass"):
        return min(1.0, 2 * chordal) if leaps >= 0.3 else 0.0
    if pattern == "octaves":
        return octave
    if pattern == "running line":
        steps = sum(is_step(a, b) for a, b in moves) / max(1, len(moves))
        return min(1.0, steps * 1.2)
    if pattern == "repeated notes":
        return again
    if pattern == "broken octaves":
        return sum(abs(a.midi - b.midi) == 12 for a, b in moves) / max(1, len(moves))
    if pattern == "held notes":
        beat = facts.bar(notes[0].onset).beat_length
        return sum(note.duration >= beat for note in notes) / len(notes)
    if pattern == "unison":
        return sum(len(g) > 1 and len({note.midi % 12 for note in g}) == 1 for g in groups) / len(groups)
    return 1.0


def _is_octave(group: list[Note]) -> bool:
    midis = {note.midi for note in group}
    return len(midis) >= 2 and any(m + 12 in midis for m in midis)


_FIRST = 8
"""Notes at most by which a tune below the top is judged to be one line."""


def _in_chord(note: Note, facts: Facts) -> bool:
    """Whether a note is struck with others of its own voice that lie within an octave of it."""
    here = facts.struck_in(note.onset, note.onset + Fraction(1, 64))
    return any(voice(n) == voice(note) and 0 < abs(n.midi - note.midi) < 12 for n in here)


def _is_tune(notes: Sequence[Note], facts: Facts) -> bool:
    """Whether notes, not empty, could be a tune below a line that moves: no chords, and mostly steps."""
    if 2 * sum(_in_chord(note, facts) for note in notes) >= len(notes):
        return False
    moves = [abs(b.midi - a.midi) for a, b in pairwise(notes) if a.midi != b.midi]
    return 2 * sum(move > 2 for move in moves) < max(1, len(moves))


@dataclass(frozen=True, slots=True)
class MelodyIn(Claim):
    """The melody lies in a place: ``"on top"``, ``"in the left hand"``, ``"in the bass"``, ``"inside"``.

    `notes` are notes said to be melody; most of them lie there, in the bass with others above, and away from
    the top their first ones move mostly by step. Where someone sings, the singer has the melody, and no other
    may be said to; with no place that alone is claimed.
    """

    kind: ClassVar[str] = "where the melody lies"
    place: str
    notes: tuple[str, ...] = ()

    def holds(self, facts: Facts) -> bool:
        found = [
            note
            for note in (facts.score.note_by_id.get(i) for i in self.notes)
            if note is not None and note.duration
        ]
        if facts.singers and found:
            sung = any(note.part in facts.singers for note in facts.sounding(found[0].onset))
            if sung and not any(note.part in facts.singers for note in found):
                return False
        if not self.place or not found:
            return True
        if self.place != "on top" and not _is_tune(found[:_FIRST], facts):
            return False
        return 2 * sum(self._fits(note, facts) for note in found) >= len(found)

    def _fits(self, note: Note, facts: Facts) -> bool:
        here = [n.midi for n in facts.sounding(note.onset)] or [note.midi]
        if self.place == "on top":
            return note.midi == max(here) or (note.part in facts.singers)
        if self.place == "in the bass":
            return note.midi == min(here) < max(here)
        if self.place == "in the left hand":
            part = facts.score.parts[note.part]
            return note.staff == part.last_staff
        return note.midi < max(here)


@dataclass(frozen=True, slots=True)
class Enters(Claim):
    """A note begins a line: for about so many bars its staff was silent while others were heard.

    An upbeat at the head of the piece is no bar.
    """

    kind: ClassVar[str] = "enters"
    note: str
    bars: int

    def holds(self, facts: Facts) -> bool:
        first = facts.score.note_by_id.get(self.note)
        if first is None or self.bars < 1:
            return False
        whole = next((m for m in facts.score.measures if m.offset == 0), facts.score.measures[0])
        waited = (first.onset - whole.start) / whole.full_length
        if abs(waited - self.bars) > Fraction(1, 2):
            return False
        before = [note for note in facts.struck if note.onset < first.onset]
        return bool(before) and all((note.part, note.staff) != (first.part, first.staff) for note in before)


# --- pedal and time ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RingsAgainst(Claim):
    """With the pedal kept at a moment a note of before would rub against one struck from then on.

    The old one sounded before and is neither held by its key nor struck anew at the moment; the two are a
    semitone, a tone or a tritone apart, octaves aside.
    """

    kind: ClassVar[str] = "would ring on"
    old: Pitch
    new: Pitch
    held: bool = False
    since: Fraction | None = None

    def holds(self, facts: Facts) -> bool:
        if (self.old.midi - self.new.midi) % 12 not in ROUGH:
            return False
        if self.held:
            tones = {
                note.pitch for note in facts.heard(self.start, max(self.end, self.start + Fraction(1, 64)))
            }
            return self.old in tones and self.new in tones
        since = (
            self.since
            if self.since is not None
            else max(Fraction(0), self.start - 2 * facts.bar(self.start).full_length)
        )
        before = [note for note in facts.heard(since, self.start) if note.pitch == self.old]
        if not before:
            return False
        if any(note.pitch == self.old for note in facts.sounding(self.start)):
            return False
        until = max(self.end, self.start + facts.bar(self.start).full_length)
        return any(note.pitch == self.new for note in facts.heard(self.start, until))


@dataclass(frozen=True, slots=True)
class Short(Claim):
    """The notes at a moment are short: marked staccato, or shorter than half the time to the next."""

    kind: ClassVar[str] = "short notes"

    def holds(self, facts: Facts) -> bool:
        here = facts.struck_in(self.start, max(self.end, self.start + Fraction(1, 64)))
        marked = [
            note for note in here if {"staccato", "staccatissimo", "spiccato"} & set(note.articulations)
        ]
        return bool(marked) or (bool(here) and all(note.duration <= Fraction(1, 2) for note in here))


@dataclass(frozen=True, slots=True)
class Rests(Claim):
    """Nothing that the hands play sounds at a moment; with `singers`, nothing in the voice."""

    kind: ClassVar[str] = "rest"
    singers: bool = False

    def holds(self, facts: Facts) -> bool:
        here = facts.sounding(self.start)
        sung = [note.part in facts.singers for note in here]
        return not any(sung) if self.singers else all(sung)

    def subject(self) -> Hashable:
        return "rest", self.start, self.singers


def _midi(note: Note) -> int:
    return note.midi


@dataclass(frozen=True, slots=True)
class StruckBass(Claim):
    """A note is struck in the bass at a moment, before it as a grace note, or an octave above the lowest.

    `again`: it was struck before within the chord read there.
    """

    kind: ClassVar[str] = "bass struck"
    pitch: Pitch
    again: bool = False

    def holds(self, facts: Facts) -> bool:
        here = sorted((*facts.sounding(self.start), *facts.graces.get(float(self.start), ())), key=_midi)
        lowest = [n for n in here if n.midi % 12 == here[0].midi % 12]
        if not any(n.pitch == self.pitch and n.onset == self.start for n in lowest):
            return False
        if not self.again:
            return True
        span = facts.span(self.start)
        return span is not None and any(
            note.pitch == self.pitch for note in facts.struck_in(span.start, self.start)
        )


@dataclass(frozen=True, slots=True)
class ChangesHere(Claim):
    """A new chord is read at a moment: another than the one before; the first of a piece is no change, nor is
    what follows one note alone, as of an upbeat.
    """

    kind: ClassVar[str] = "new chord"

    def holds(self, facts: Facts) -> bool:
        span = facts.span(self.start)
        if span is None or span.start != self.start:
            return False
        before = facts.before(self.start)
        if before is None or len({n.midi % 12 for n in facts.heard(before.start, before.end)}) < 2:
            return False
        return (before.key, before.numeral) != (span.key, span.numeral)


@dataclass(frozen=True, slots=True)
class RingsOn(Claim):
    """A low note let go by the finger is kept by the pedal: it sounded before, and no key holds it now."""

    kind: ClassVar[str] = "bass rings on"
    pitch: Pitch

    def holds(self, facts: Facts) -> bool:
        bar = facts.bar(self.start).full_length
        before = any(
            note.pitch == self.pitch
            for note in facts.heard(max(Fraction(0), self.start - 4 * bar), self.start)
        )
        return before and not any(note.pitch == self.pitch for note in facts.sounding(self.start))


@dataclass(frozen=True, slots=True)
class OutOfReach(Claim):
    """A note lasts through a stretch while its staff plays over an octave away, and others play too."""

    kind: ClassVar[str] = "out of reach"
    pitch: Pitch

    def holds(self, facts: Facts) -> bool:
        held = next((n for n in facts.struck_in(self.start, self.end) if n.pitch == self.pitch), None)
        if held is None or held.onset != self.start or held.end < self.end:
            return False
        later = [n for n in facts.struck_in(self.start, self.end) if n.onset > self.start]
        far = [n for n in later if n.staff == held.staff and abs(n.midi - held.midi) > _OCTAVE]
        return any(other.staff != held.staff for n in far for other in facts.sounding(n.onset))


@dataclass(frozen=True, slots=True)
class FirstTime(Claim):
    """A note name of a stretch is struck in it for the first time at this moment."""

    kind: ClassVar[str] = "for the first time"
    tone: PitchClass
    at: Fraction

    def holds(self, facts: Facts) -> bool:
        here = [note for note in facts.struck_in(self.start, self.end) if note.pitch.pitch_class == self.tone]
        return bool(here) and here[0].onset == self.at

    def subject(self) -> Hashable:
        return "for the first time", self.tone, self.start

    def answer(self) -> Hashable:
        return self.at


@dataclass(frozen=True, slots=True)
class AloneBefore(Claim):
    """One note alone leads over: right before a moment a single key sounds, and the next chord has it."""

    kind: ClassVar[str] = "one note in common"

    def holds(self, facts: Facts) -> bool:
        before = [note for note in facts.struck if note.onset < self.start][-1:]
        if not before:
            return False
        here = {note.midi % 12 for note in facts.sounding(before[0].onset)}
        now = {
            note.midi % 12 for note in facts.heard(self.start, self.start + facts.bar(self.start).full_length)
        }
        return len(here) == 1 and bool(here & now)
