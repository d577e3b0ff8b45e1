"""Claims on what is printed: words, marks, signs, rests, fermatas; and on how a phrase ends."""

from __future__ import annotations

import re
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
LOUDNESS = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff")
"""Marks of loudness, from the softest up."""
STRUCK_HARD = re.compile(r"s?f+z|r(in)?f+z?|sf+p?|fp")
"""Marks of a single stroke that is louder than what is about it."""


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
            return any(_is_sign(direction, self.sort, wanted) for direction in near)
        if wanted in LOUDNESS:
            # A letter of loudness is a word of its own, not a letter of "tempo" or "forte".
            return any(wanted in re.split(r"\W+", _plainly(direction.text)) for direction in near)
        return any(wanted in _plainly(direction.text) for direction in near)


def _is_sign(direction: Direction, sort: str, wanted: str) -> bool:
    """Whether a direction is this sign; the soft part of fp and the first word of "p dolce" are signs too."""
    text = _plainly(direction.text)
    if direction.kind == sort:
        return wanted in ("", text) or (sort == "dynamic" and text.lstrip("sfz") == wanted != "")
    return sort == "dynamic" and direction.kind == "words" and wanted in text.split()[:1]


def _plainly(text: str) -> str:
    return " ".join(text.casefold().split())


@dataclass(frozen=True, slots=True)
class Sung(Claim):
    """These words are sung, one after the other, and are under way at a moment or begin within a bar of it.

    Where the claim lasts, all of them but the first word are sung by its end.
    Syllables are printed with hyphens between (MusicXML 4.0, lyric and syllabic).
    """

    kind: ClassVar[str] = "sung words"
    words: str

    def holds(self, facts: Facts) -> bool:
        bar = facts.bar(self.start).full_length
        for sung in facts.sung.values():
            first = next((i for i, note in enumerate(sung) if note.end > self.start), None)
            if first is None:
                continue
            if sung[first].onset >= self.start + bar:
                continue
            # The word that is under way may have begun some syllables before.
            while first and sung[first - 1].lyrics[0].rstrip().endswith("-"):
                first -= 1
            second = first + 1
            while second < len(sung) and sung[second - 1].lyrics[0].rstrip().endswith("-"):
                second += 1
            until = self.end if self.end > self.start else self.start + 6 * bar
            heard = (*sung[first:second], *(note for note in sung[second:] if note.end <= until))
            text = "".join(note.lyrics[0] for note in heard)
            if _letters(text).startswith(_letters(self.words)):
                return True
        return False


def _letters(text: str) -> str:
    """Nothing but the letters of a text, small."""
    return "".join(letter for letter in text.casefold() if letter.isalpha())


@dataclass(frozen=True, slots=True)
class Extreme(Claim):
    """A printed mark is the softest or the loudest of the piece."""

    kind: ClassVar[str] = "softest or loudest mark"
    mark: str
    which: str

    def holds(self, facts: Facts) -> bool:
        levels = [LOUDNESS.index(m) for m in map(_mark, facts.score.directions) if m in LOUDNESS]
        if self.mark not in LOUDNESS or not levels:
            return False
        level = LOUDNESS.index(self.mark)
        return level == (min(levels) if self.which == "softest" else max(levels))


def level_of(direction: Direction) -> int | None:
    """Return how loud what is printed is by its place in `LOUDNESS`, None for anything but such a mark."""
    text = direction.text.strip()
    return LOUDNESS.index(text) if text in LOUDNESS else None


def _mark(direction: Direction) -> str:
    return direction.text.strip() if direction.kind == "dynamic" else ""


@dataclass(frozen=True, slots=True)
class Tempo(Claim):
    """So many quarter notes a minute are given at a moment."""

    kind: ClassVar[str] = "tempo"
    per_minute: float

    def holds(self, facts: Facts) -> bool:
        return any(
            direction.kind == "tempo"
            and direction.value is not None
            and abs(direction.value - self.per_minute) < 0.51
            for direction in facts.score.directions
            if abs(direction.onset - self.start) <= Fraction(1, 2)
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
        printed = any(
            direction.kind == "fermata" and start <= direction.onset <= self.end
            for direction in facts.score.directions
        )
        return printed or any(note.fermata for note in facts.heard(start, self.end + Fraction(1, 64)))

    def _gaps(self, facts: Facts, start: Fraction, beat: Fraction, parts: frozenset[int] | None) -> bool:
        """Whether some staff (of the parts) is silent at some moment about the end."""
        until = self.end + beat
        staves = {note.staff for note in facts.struck if parts is None or note.part in parts}
        for staff in staves:
            reach = start
            for note in facts.heard(start, until):
                if note.staff != staff:
                    continue
                if note.onset > reach:
                    return True
                reach = max(reach, note.end)
            if reach < until:
                return True
        return False

    def _rest(self, facts: Facts, start: Fraction, beat: Fraction) -> bool:
        return self._gaps(facts, start, beat, None)

    def _silence(self, facts: Facts, start: Fraction, beat: Fraction) -> bool:
        reach = start
        for note in facts.heard(start, self.end + beat):
            if note.onset > reach:
                return True
            reach = max(reach, note.end)
        return reach < self.end + beat

    def _long(self, facts: Facts, start: Fraction) -> bool:
        here = facts.heard(start - facts.bar(start).full_length if start else start, self.end)
        tops = [note for note in here if note.part in facts.singers] or list(here)
        return any(note.end > start and self._until_next(facts, note) > facts.usual_length for note in tops)

    def _until_next(self, facts: Facts, note: Note) -> Fraction:
        """How long it takes until a note's voice goes on: a long note is one after which it waits."""
        after = facts.next_in_voice(note)
        return (after[0].onset if after else facts.score.end) - note.onset

    def _double_bar(self, facts: Facts) -> bool:
        source = facts.score.source
        return (
            any(
                measure.repeat_end or measure.repeat_start
                for measure in facts.score.measures
                if abs(measure.end - self.end) < measure.full_length
                or abs(measure.start - self.end) < measure.full_length
            )
            or b"bar-style" in source
        )


_MEANT = 3
"""Bars up to which a gap between printed pedals is meant."""


@dataclass(frozen=True, slots=True)
class PedalOpen(Claim):
    """The print leaves it open whether the pedal is down at a moment: no sign or word lifts it there.

    Where pedals are printed, none is meant in a gap of up to three bars, nor before the first and after the
    last, nor beside the edges of a longer gap, as far as a bar away; a gap of half a bar belongs to how
    releases are engraved (common practice, no source).
    """

    kind: ClassVar[str] = "pedal left open"

    def holds(self, facts: Facts) -> bool:
        words = [word for word in facts.score.pedal_words if word[0] <= self.start]
        marks = facts.pedal_marks
        bar = facts.bar(self.start).full_length
        released, down = next((m for m in reversed(marks) if m[0] <= self.start), (None, False))
        pressed = next((onset for onset, pressed in marks if onset > self.start and pressed), None)
        if words and (released is None or words[-1][0] >= released):
            return words[-1][1]
        if down:
            return True
        if released is not None and pressed is not None and pressed - released <= _MEANT * bar:
            return 2 * (pressed - released) <= bar
        since = released is not None and self.start - released < bar
        return not since and (pressed is None or pressed - self.start >= bar)


@dataclass(frozen=True, slots=True)
class Times(Claim):
    """The printed pedal goes down so many times in the piece."""

    kind: ClassVar[str] = "printed pedal"
    count: int

    def holds(self, facts: Facts) -> bool:
        return sum(pressed for _, pressed in facts.pedal_marks) == self.count

    def subject(self) -> Hashable:
        return "printed pedal"

    def answer(self) -> Hashable:
        return self.count
