"""Claims on chords, keys and cadences, tested on the Reading and on the notes under it.

The reading says which chord and which key; whether what is said of them is so is worked out here: from the
spelling of keys and chords (`theory`), from the lowest notes, from who sings and from what is silent.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from fractions import Fraction
from itertools import takewhile
from typing import ClassVar

from understave.claims.claim import Claim
from understave.claims.facts import Facts
from understave.claims.repose import stops_within
from understave.claims.single_notes import same
from understave.harmony.reading import Span
from understave.score.model import Measure, Note
from understave.theory.chord import Quality
from understave.theory.key import Key
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.roman import RomanNumeral

_MINOR_SEVENTH = 10
"""Semitones."""
_STRONG, _ON_BEAT = 1, 2
"""`Facts.weight` of a strong beat and of any, at most."""
_HALTS = Fraction(3, 2)
"""Bars within which the line stops on the dominant of a half cadence. Set by ear."""
_FIGURE = 3
"""Notes at least that are a figure."""


def tones(key: Key, numeral: RomanNumeral) -> frozenset[int]:
    """Return the pitch classes of a chord, by sound."""
    return numeral.chord(key).semitones


_TRIADS = {
    frozenset((root + step) % 12 for step in (0, third, 7)): (root + 7) % 12
    for root in range(12)
    for third in (3, 4)
}
"""The major and minor triads, as semitones above C, and their fifths."""


_DOMINANTS = {
    frozenset((root + step) % 12 for step in steps)
    for root in range(12)
    for steps in ((0, 4, 10), (0, 4, 7, 10))
}
"""The dominant sevenths, with and without their fifths, as semitones above C."""


def _reads(span: Span | None, key: Key, numeral: RomanNumeral) -> bool:
    """Whether a span has this chord, named in this key or sounding the same in another name."""
    if span is None:
        return False
    if span.key == key and span.numeral == numeral:
        return True
    one, two = span.numeral.chord(span.key), numeral.chord(key)
    return one.semitones == two.semitones and one.bass.semitone == two.bass.semitone


@dataclass(frozen=True, slots=True)
class ChordIs(Claim):
    """The chord of a moment: the one read there, by sound and lowest note; root, or third and fifth, sound,
    and not one note of it among three others as it begins.

    One note alone is no chord; of a seventh chord root and seventh sound. No member is missing while its
    letter sounds in another shade: what has F flat and no F is no chord on F (handbooks name chords by their
    letters, see `theory.chord`).
    """

    kind: ClassVar[str] = "chord"
    of_chord: ClassVar[bool] = True
    key: Key
    numeral: RomanNumeral

    def holds(self, facts: Facts) -> bool:
        span = facts.span(self.start)
        if span is None or not _reads(span, self.key, self.numeral):
            return False
        chord = self.numeral.chord(self.key)
        if self.numeral.special == "Cad":
            low, local = facts.lowest(span.start, span.end), self.numeral.local_key(self.key)
            # One that only goes by within its dominant is no cadential six-four.
            if low is not None and _goes_by(facts, span.start, local, low.pitch):
                return False
        first = facts.sounding(span.start)[:1]
        begins = any(note.midi % 12 == chord.bass.semitone for note in first)
        if chord.inversion and not begins and not _lowest_is(facts, span, chord.bass):
            return False
        notes = facts.heard(span.start, span.end)
        here = {note.midi % 12 for note in notes}
        third, seventh = chord.member(3), chord.member(7)
        bare = seventh is None and third is not None and third.semitone not in here
        if bare and len(here - chord.semitones) > len(here & chord.semitones):
            # Root and fifth alone among more notes of other names are no triad.
            return False
        if len(here & chord.semitones) < 2 or self._is_outnumbered(facts, span, chord.semitones):
            return False
        if seventh is not None and not {chord.root.semitone, seventh.semitone} <= here:
            return False
        shades = {note.pitch.letter for note in notes if note.midi % 12 not in chord.semitones}
        if any(
            tone.semitone not in here and tone.letter in shades
            for tone in span.numeral.chord(span.key).members
        ):
            return False
        fifth = chord.member(5)
        if not chord.semitones <= here and self._is_another(facts, span, chord.semitones):
            return False
        return chord.root.semitone in here or (
            third is not None and fifth is not None and {third.semitone, fifth.semitone} <= here
        )

    @staticmethod
    def _is_outnumbered(facts: Facts, span: Span, own: frozenset[int]) -> bool:
        """Whether at most one note of a chord sounds as it begins, among three others, or a foreign one comes
        in two octaves and leaps on both times, as the notes of a broken chord do: another chord is heard.
        """
        first = {note.midi % 12 for note in facts.sounding(span.start)}
        if len(first & own) < 2 and len(first - own) > 2:
            return True
        octaves: dict[int, set[int]] = {}
        for note in facts.struck_in(span.start, span.end):
            after = facts.next_in_voice(note)
            if note.midi % 12 not in own and all(abs(n.midi - note.midi) > 2 for n in after):
                octaves.setdefault(note.midi % 12, set()).add(note.midi)
        return any(len(keys) > 1 for keys in octaves.values())

    @staticmethod
    def _is_another(facts: Facts, span: Span, own: frozenset[int]) -> bool:
        """Whether a foreign tone above the bass sounds all the time that the chord does: it belongs to it."""
        held = [
            {note.midi % 12 for note in facts.sounding(m)[1:]} for m in facts.moments(span.start, span.end)
        ]
        return bool(held) and bool(set.intersection(*held) - own)

    def subject(self) -> Hashable:
        return "chord", self.start

    def answer(self) -> Hashable:
        chord = self.numeral.chord(self.key)
        return chord.semitones, chord.bass.semitone


@dataclass(frozen=True, slots=True)
class ColourIs(ChordIs):
    """The chord of a moment, told for its colour: read there, and two different notes of it sound at once or
    right after one another, as in a broken chord; a line by step alone has no chord's colour (common
    practice, no source).
    """

    kind: ClassVar[str] = "colour of a chord"

    def holds(self, facts: Facts) -> bool:
        span = facts.span(self.start)
        if span is None or not ChordIs.holds(self, facts):
            return False
        own = self.numeral.chord(self.key).semitones
        row = [own & {n.midi % 12 for n in facts.sounding(m)} for m in facts.moments(span.start, span.end)]
        return any(len(a | b) > 1 for a, b in zip(row, (*row[1:], row[-1]), strict=True))


@dataclass(frozen=True, slots=True)
class Labelled(ChordIs):
    """A chord is printed under the staff where it begins, with the name and the key that the reading has."""

    kind: ClassVar[str] = "label on the page"

    def holds(self, facts: Facts) -> bool:
        span = facts.span(self.start)
        return span is not None and (span.start, span.key, span.numeral) == (
            self.start,
            self.key,
            self.numeral,
        )


@dataclass(frozen=True, slots=True)
class ChordAbout(Claim):
    """A chord read somewhere in a stretch: what leads, what follows, what passes over a held note."""

    kind: ClassVar[str] = "chord near by"
    key: Key
    numeral: RomanNumeral

    def holds(self, facts: Facts) -> bool:
        return any(
            tones(span.key, span.numeral) == tones(self.key, self.numeral)
            for span in facts.spans_in(self.start, max(self.end, self.start + Fraction(1, 64)))
        )


@dataclass(frozen=True, slots=True)
class NextChord(Claim):
    """The chord that follows the one of `start` is this, whatever its position; repeated ones count once."""

    kind: ClassVar[str] = "next chord"
    key: Key
    numeral: RomanNumeral

    def holds(self, facts: Facts) -> bool:
        wanted = self.numeral.chord(self.key)
        here = facts.span(self.start)
        for span in facts.spans_in(self.start, facts.score.end):
            if here is None or span.start == here.start:
                continue
            chord = span.numeral.chord(span.key)
            if chord.root.semitone == wanted.root.semitone:
                # A triad that takes its seventh later is the same answer.
                return len(chord.semitones & wanted.semitones) >= min(3, len(wanted.semitones))
            if chord.semitones != tones(here.key, here.numeral):
                return False
        return False


@dataclass(frozen=True, slots=True)
class Member(Claim):
    """A note belongs to the chord read at a moment, or (`belongs` False) is foreign to it, by sound.

    It is not foreign where it makes a major or minor triad with all that sounds, no six-four, or a dominant
    seventh, of which the chord read has one note at most: then the name is wrong, not the note.
    """

    kind: ClassVar[str] = "belongs to the chord"
    tone: Pitch | PitchClass
    belongs: bool = True

    def holds(self, facts: Facts) -> bool:
        span = facts.span(self.start)
        if span is None:
            return False
        tone = self.tone.midi % 12 if isinstance(self.tone, Pitch) else self.tone.semitone
        own = tones(span.key, span.numeral)
        sound = facts.sounding(self.start)
        here = frozenset(note.midi % 12 for note in sound)
        fifth = _TRIADS.get(here)
        whole = here in _DOMINANTS or fifth not in (None, sound[0].midi % 12)
        if not self.belongs and whole and len((here & own) - {tone}) < 2:
            return tone not in here and tone not in own
        return (tone in own) == self.belongs

    def subject(self) -> Hashable:
        tone = self.tone
        return "member", self.start, tone.midi % 12 if isinstance(tone, Pitch) else tone.semitone

    def answer(self) -> Hashable:
        return self.belongs


@dataclass(frozen=True, slots=True)
class Follows(Claim):
    """The chord after the one of `start` has a note, or (`has` False) has it not; it sounds if it has it."""

    kind: ClassVar[str] = "next chord has"
    tone: PitchClass
    has: bool = True

    def holds(self, facts: Facts) -> bool:
        here = facts.span(self.start)
        after = None
        for span in facts.spans_in(self.start, facts.score.end):
            if here is not None and span.start >= here.end:
                after = span
                break
        if after is None:
            return not self.has
        inside = self.tone.semitone in tones(after.key, after.numeral)
        heard = any(note.midi % 12 == self.tone.semitone for note in facts.heard(after.start, after.end))
        return (inside and heard) if self.has else not inside or not heard

    def subject(self) -> Hashable:
        return "next chord has", self.start, self.tone.semitone

    def answer(self) -> Hashable:
        return self.has


@dataclass(frozen=True, slots=True)
class KeyIs(Claim):
    """The key read at a moment."""

    kind: ClassVar[str] = "key"
    of_chord: ClassVar[bool] = True
    key: Key

    def holds(self, facts: Facts) -> bool:
        span = facts.span(self.start)
        return span is not None and span.key == self.key

    def subject(self) -> Hashable:
        return "key", self.start

    def answer(self) -> Hashable:
        return self.key


@dataclass(frozen=True, slots=True)
class KeyAbout(Claim):
    """A key read somewhere in a stretch."""

    kind: ClassVar[str] = "key near by"
    key: Key

    def holds(self, facts: Facts) -> bool:
        return any(span.key == self.key for span in facts.spans_in(self.start, self.end))


@dataclass(frozen=True, slots=True)
class OneKey(Claim):
    """Only one key is read in a stretch."""

    kind: ClassVar[str] = "only key"
    key: Key

    def holds(self, facts: Facts) -> bool:
        return all(span.key == self.key for span in facts.spans_in(self.start, self.end))


@dataclass(frozen=True, slots=True)
class OfTheKey(Claim):
    """A chord is one of a key's own: all its notes are in the scale, in minor with those that it raises."""

    kind: ClassVar[str] = "chord of the key"
    key: Key
    numeral: RomanNumeral

    def holds(self, facts: Facts) -> bool:
        own = (*self.key.scale, self.key.leading_tone)
        return all(tone in own for tone in self.numeral.chord(self.key).members)


@dataclass(frozen=True, slots=True)
class Degree(Claim):
    """A note is a degree of a key's own scale."""

    kind: ClassVar[str] = "degree"
    tone: PitchClass
    key: Key
    degree: int

    def holds(self, facts: Facts) -> bool:
        return 1 <= self.degree <= 7 and self.key.degree(self.tone)[0] == self.degree


@dataclass(frozen=True, slots=True)
class Consonant(Claim):
    """A chord at rest: the triad on the tonic or another plain triad in root position."""

    kind: ClassVar[str] = "at rest"
    key: Key
    numeral: RomanNumeral

    def holds(self, facts: Facts) -> bool:
        chord = self.numeral.chord(self.key)
        return chord.quality in (Quality.MAJOR, Quality.MINOR) and chord.bass != chord.member(5)


@dataclass(frozen=True, slots=True)
class KeyBefore(Claim):
    """The key read right before a moment."""

    kind: ClassVar[str] = "key before"
    key: Key

    def holds(self, facts: Facts) -> bool:
        before = facts.before(self.start)
        return before is not None and before.key == self.key


def _lowest_is(facts: Facts, span: Span, tone: PitchClass) -> bool:
    low = facts.lowest(span.start, span.end)
    return low is not None and low.midi % 12 == tone.semitone


def _halting(facts: Facts, moment: Fraction, end: Fraction) -> Fraction:
    """Return until when a line stops that halts on a chord: it may hold that chord's last note for longer."""
    until = moment + _HALTS * facts.bar(moment).full_length
    top = facts.top(min(end, until) - Fraction(1, 64))
    return until if top is None else max(until, top.end)


@dataclass(frozen=True, slots=True)
class CarriesBass(Claim):
    """A pitch is the bass of the chord read at `start`, and with `to` the next chord's bass is that one.

    It is the lowest that sounds in the chord, octaves aside. Where the lowest staff, heard within a bar, only
    rests for it, what the staff above it plays is no bass (common practice, no source). To a bass farther off
    than a step its voice takes no step down first.
    """

    kind: ClassVar[str] = "bass of the chord"
    pitch: Pitch
    to: Pitch | None = None

    def holds(self, facts: Facts) -> bool:
        span = facts.span(self.start)
        if span is None or not self._under(facts, span, self.pitch):
            return False
        after = facts.span(span.end)
        if self.to is None:
            return True
        return after is not None and self._under(facts, after, self.to) and not self._sinks_first(facts, span)

    def _sinks_first(self, facts: Facts, span: Span) -> bool:
        low = facts.lowest(span.start, span.end)
        if low is None or self.to is None or (low.midi - self.to.midi) % 12 in (0, 1, 2, 10, 11):
            return False
        return any(low.pitch.diatonic - to.pitch.diatonic == 1 for to in facts.next_in_voice(low))

    def _under(self, facts: Facts, span: Span, pitch: Pitch) -> bool:
        here = facts.heard(span.start, span.end)
        if not any(note.pitch == pitch for note in here):
            return False
        bar = facts.bar(span.start).full_length
        about = facts.heard(max(Fraction(0), span.start - bar), span.end + bar)
        lowest = max(note.staff for note in about)
        return _lowest_is(facts, span, pitch.pitch_class) and any(note.staff == lowest for note in here)

    def subject(self) -> Hashable:
        return "bass of the chord", self.start

    def answer(self) -> Hashable:
        return self.pitch.midi % 12


def _stands_on(facts: Facts, moment: Fraction, tone: PitchClass) -> bool:
    """Whether the lowest note that sounds at a moment is this one."""
    here = facts.sounding(moment)
    return bool(here) and here[0].midi % 12 == tone.semitone


def _is_upbeat(facts: Facts, span: Span, moment: Fraction, key: Key) -> bool:
    """Whether a span is the tonic on an upbeat of less than a beat to a moment."""
    short = moment - span.start < facts.bar(span.start).beat_length and facts.weight(span.start) > _ON_BEAT
    return short and _on_tonic(span, key)


def _is_dominant(span: Span, key: Key) -> bool:
    """Whether a span is the dominant triad or seventh (or on its leading tone) of a key."""
    chord = span.numeral.chord(span.key)
    fifth = (key.tonic.semitone + 7) % 12
    lead = key.leading_tone.semitone
    return lead in chord.semitones and chord.root.semitone in (fifth, lead)


def _goes_by(facts: Facts, moment: Fraction, key: Key, bass: Pitch) -> bool:
    """Whether the dominant stands before a six-four, on its bass and on a heavier beat: a neighbour chord."""
    before = facts.before(moment)
    return (
        before is not None
        and _is_dominant(before, key)
        and _lowest_is(facts, before, bass.pitch_class)
        and facts.weight(before.start) < facts.weight(moment)
        and facts.bar(before.start) is facts.bar(moment)
    )


def _on_tonic(span: Span, key: Key) -> bool:
    return span.numeral.chord(span.key).root.semitone == key.tonic.semitone


@dataclass(frozen=True, slots=True)
class Confirmed(Claim):
    """A key is confirmed by a cadence at a moment: its dominant, then its tonic, roots in the bass.

    Handbook rule (Hutchinson, chapter 22: a modulation is confirmed by an authentic cadence in the new key).
    """

    kind: ClassVar[str] = "key confirmed"
    key: Key
    confirmed: bool = True

    def holds(self, facts: Facts) -> bool:
        return self._found(facts) == self.confirmed

    def _found(self, facts: Facts) -> bool:
        if self.confirmed:
            return self._at(facts, self.start)
        spans = list(facts.spans_in(self.start, self.end))
        return any(self._at(facts, span.start) for span in spans[1:])

    def _at(self, facts: Facts, moment: Fraction) -> bool:
        goal = facts.span(moment)
        if goal is None or not _on_tonic(goal, self.key) or not _stands_on(facts, moment, self.key.tonic):
            return False
        before = list(facts.spans_in(moment - 2 * facts.bar(moment).full_length, moment))
        root = PitchClass.from_fifths(self.key.tonic.fifths + 1)
        for span in reversed(before[-3:]):
            if _is_dominant(span, self.key):
                # Two tones in octaves are as much of another key.
                if len({note.midi % 12 for note in facts.heard(span.start, span.end)}) < 3:
                    return False
                low = facts.sounding(max(span.start, span.end - facts.bar(span.start).beat_length))
                return any(note.midi % 12 == root.semitone for note in low[:2]) or _lowest_is(
                    facts, span, root
                )
            if not _on_tonic(span, self.key) or span.numeral.chord(span.key).bass.semitone != root.semitone:
                return False
        return False

    def subject(self) -> Hashable:
        return "key confirmed", self.start, self.key

    def answer(self) -> Hashable:
        return self.confirmed


@dataclass(frozen=True, slots=True)
class TonicHeard(Claim):
    """The tonic triad of a key sounds in a stretch or in the bar after it, by itself, its fifth not lowest.

    A key of which only leading-tone chords sound is pointed to and not reached (Hutchinson, chapter 22).
    """

    kind: ClassVar[str] = "tonic heard"
    key: Key

    def holds(self, facts: Facts) -> bool:
        tonic, third, fifth = (self.key.scale[k].semitone for k in (0, 2, 4))
        end = self.end + facts.bar(self.end).full_length
        for moment in facts.moments(self.start, end):
            # A broken chord sounds within a beat.
            beat = facts.heard(moment, moment + facts.bar(moment).beat_length)
            for here in (facts.sounding(moment), sorted(beat, key=lambda note: note.midi)):
                tones = {note.midi % 12 for note in here}
                whole = {tonic, third} <= tones <= {tonic, third, fifth}
                if whole and here[0].midi % 12 != fifth:
                    return True
        return False


@dataclass(frozen=True, slots=True)
class KeyEntered(Claim):
    """A key that is entered at the end of a stretch has its dominant before another key takes over.

    Handbook rule (Hutchinson, chapter 22: a pivot leads to a chord that only the new key has, most often its
    dominant).
    """

    kind: ClassVar[str] = "key entered"
    key: Key

    def holds(self, facts: Facts) -> bool:
        bar = facts.bar(self.end).full_length
        spans = [s for s in facts.spans_in(self.start, self.end + 16 * bar) if s.end > self.end]
        inside = takewhile(lambda span: span.key == self.key or span.start < self.end, spans)
        return any(_is_dominant(span, self.key) for span in inside if span.key == self.key)


@dataclass(frozen=True, slots=True)
class ForeignTo(Claim):
    """A note is foreign to a key, or belongs to it; in minor the leading tone is no stranger."""

    kind: ClassVar[str] = "foreign to the key"
    tone: PitchClass
    key: Key
    foreign: bool = True

    def holds(self, facts: Facts) -> bool:
        inside = self.tone in self.key.scale or (
            self.key.mode == "minor" and self.tone == self.key.leading_tone
        )
        return inside != self.foreign

    def subject(self) -> Hashable:
        return "foreign to the key", self.tone, self.key

    def answer(self) -> Hashable:
        return self.foreign


@dataclass(frozen=True, slots=True)
class Instead(Claim):
    """A note stands in place of the key's own: the same letter, one of them in the scale, the other not.

    In minor both forms of the sixth and seventh degrees are the key's own; a raised one in place of the
    other is none of its strangers, but may be said of a chord that has it.
    """

    kind: ClassVar[str] = "in place of"
    tone: PitchClass
    plain: PitchClass
    key: Key

    def holds(self, facts: Facts) -> bool:
        own = (
            *self.key.scale,
            self.key.leading_tone,
            *(self.key.melodic_minor if self.key.mode == "minor" else ()),
        )
        shift = self.tone.alter - self.plain.alter
        near = self.tone.letter == self.plain.letter and shift != 0
        return near and self.plain in own and self.tone not in self.key.scale


_RELATIONS = {
    "same": (0, False),
    "dominant": (7, False),
    "subdominant": (5, False),
    "semitone above": (1, None),
    "semitone below": (11, None),
    "tone above": (2, None),
    "tone below": (10, None),
    "tritone": (6, None),
    "dominant in the other mode": (7, True),
    "subdominant in the other mode": (5, True),
    "parallel": (0, True),
}
"""Semitones from home and whether the mode differs (None: either), of relations told by sound alone."""


@dataclass(frozen=True, slots=True)
class Related(Claim):
    """How a key lies to home: by tonic and mode (Hutchinson, chapter 22, on closely related keys)."""

    kind: ClassVar[str] = "how a key is related"
    key: Key
    home: Key
    relation: str

    def holds(self, facts: Facts) -> bool:
        key, home = self.key.simplest, self.home.simplest
        up = (key.tonic.semitone - home.tonic.semitone) % 12
        other = key.mode != home.mode

        def sounds_like(one: Key) -> bool:
            return one.tonic.semitone == key.tonic.semitone and one.mode == key.mode

        if self.relation == "relative":
            return sounds_like(home.relative)
        if self.relation in ("relative of the dominant", "relative of the subdominant"):
            at = home.signature + (1 if "subdominant" not in self.relation else -1)
            return other and sounds_like(Key.from_signature(at, home.mode).relative)
        if "mediant" in self.relation:
            return up in (3, 4, 8, 9) and not sounds_like(home.relative)
        semitones, mode = _RELATIONS[self.relation]
        return up == semitones and (mode is None or other == mode)


@dataclass(frozen=True, slots=True)
class SameChord(Claim):
    """A chord has two names in two keys: both have the same sound (a pivot: and lie in both keys).

    A pivot sounds whole, on the bass that both names have, is no six-four on the new tonic, and nothing that
    the old key has not and the new one has was struck in the bar before: the door is not open yet
    (Hutchinson, chapter on modulation).
    """

    kind: ClassVar[str] = "belongs to two keys"
    key: Key
    numeral: RomanNumeral
    new_key: Key
    new_numeral: RomanNumeral
    diatonic: bool = True

    def holds(self, facts: Facts) -> bool:
        one, two = self.numeral.chord(self.key), self.new_numeral.chord(self.new_key)
        span = facts.span(self.start)
        if one.semitones != two.semitones or span is None:
            return False
        if one.semitones != tones(span.key, span.numeral):
            return False
        if not self.diatonic:
            return True
        both = all(tone in self.key for tone in one.members) and all(
            tone in self.new_key for tone in two.members
        )
        return both and self._is_door(facts, span)

    def _is_door(self, facts: Facts, span: Span) -> bool:
        one, two = self.numeral.chord(self.key), self.new_numeral.chord(self.new_key)
        if one.bass.semitone != two.bass.semitone or not _lowest_is(facts, span, one.bass):
            return False
        if not _stands_on(facts, self.start, one.bass):
            return False
        if two.inversion == 2 and two.root == self.new_key.tonic:
            return False
        sounding = {note.midi % 12 for note in facts.heard(span.start, span.end)}
        if not one.semitones <= sounding:
            return False
        since = max(Fraction(0), self.start - facts.bar(self.start).full_length)
        before = [note.pitch.pitch_class for note in facts.struck_in(since, self.start)]
        return all(tone in self.key or tone not in self.new_key for tone in before)


@dataclass(frozen=True, slots=True)
class ChordsChange(Claim):
    """Chords change in a stretch: at least so many different ones in a row are read in it."""

    kind: ClassVar[str] = "chords change"
    least: int = 2

    def holds(self, facts: Facts) -> bool:
        return len(run(facts, self.start, self.end)) >= self.least


@dataclass(frozen=True, slots=True)
class ChordCount(Claim):
    """So many different chords in a row are read in a stretch."""

    kind: ClassVar[str] = "number of chords"
    count: int

    def holds(self, facts: Facts) -> bool:
        by_name: list[tuple[Key, RomanNumeral]] = []
        for span in facts.spans_in(self.start, self.end):
            if not by_name or by_name[-1] != (span.key, span.numeral):
                by_name.append((span.key, span.numeral))
        return self.count in (len(run(facts, self.start, self.end)), len(by_name))


def run(facts: Facts, start: Fraction, end: Fraction) -> list[frozenset[int]]:
    """Return the chords of a stretch by sound, those in a row that are alike once."""
    found: list[frozenset[int]] = []
    for span in facts.spans_in(start, end):
        here = tones(span.key, span.numeral)
        if not found or found[-1] != here:
            found.append(here)
    return found


@dataclass(frozen=True, slots=True)
class ChordRow(Claim):
    """These chords are read one after the other in a stretch, whatever their positions."""

    kind: ClassVar[str] = "chords in a row"
    key: Key
    numerals: tuple[RomanNumeral, ...]

    def holds(self, facts: Facts) -> bool:
        wanted: list[frozenset[int]] = []
        for numeral in self.numerals:
            here = tones(self.key, numeral)
            if not wanted or wanted[-1] != here:
                wanted.append(here)
        read = run(facts, self.start, max(self.end, self.start + Fraction(1, 64)))
        rest = iter(read)
        return all(any(w == r for r in rest) for w in wanted)


@dataclass(frozen=True, slots=True)
class Roots(Claim):
    """The roots of the chords, one after the other, from a moment on."""

    kind: ClassVar[str] = "roots"
    roots: tuple[PitchClass, ...]

    def holds(self, facts: Facts) -> bool:
        read: list[int] = []
        for span in facts.spans_in(self.start, max(self.end, self.start + Fraction(1, 64))):
            root = span.numeral.chord(span.key).root.semitone
            if not read or read[-1] != root:
                read.append(root)
        wanted = [tone.semitone for tone in self._moving()]
        rest = iter(read)
        return all(any(w == r for r in rest) for w in wanted)

    def subject(self) -> Hashable:
        return "roots", self.start

    def answer(self) -> Hashable:
        # One who names a root again for another position of its chord does not contradict one who does not.
        return self._moving()[:4]

    def _moving(self) -> tuple[PitchClass, ...]:
        """Return the roots without those that only stay."""
        roots = self.roots
        return tuple(tone for i, tone in enumerate(roots) if i == 0 or tone.semitone != roots[i - 1].semitone)


@dataclass(frozen=True, slots=True)
class Quick(Claim):
    """How often chords change, in changes to a bar, within a fourth or a half; `against`: and slower there,
    than from the first bar on where they quicken.

    Another position of the same chord is no change.
    """

    kind: ClassVar[str] = "harmonic rhythm"
    pace: float
    against: float | None = None

    def holds(self, facts: Facts) -> bool:
        bars = float(facts.score.bars_between(self.start, self.end))
        if bars <= 0:
            return False
        found = len(run(facts, self.start, self.end)) / bars
        if abs(found - self.pace) > max(0.5, self.pace / 4, 1 / bars):
            return False
        if self.against is None or self.pace <= self.against:
            return self.against is None or found <= self.against
        first = facts.bar(self.start)
        begun = [s for s in facts.spans_in(first.start, first.end) if s.start >= first.start]
        roots = {s.numeral.root(s.key).semitone for s in begun}
        return found > self.against and len(roots) > self.against


# --- cadences ----------------------------------------------------------------------------------------------


def _sung(facts: Facts, start: Fraction, end: Fraction) -> bool:
    return any(note.part in facts.singers for note in facts.heard(start, end))


def _ends_of_lines(facts: Facts, start: Fraction, end: Fraction) -> list[Note]:
    """The notes that may be the melody's over a goal: the singer's, else the top of every staff."""
    here = facts.heard(start, end)
    sung = [note for note in here if note.part in facts.singers]
    if facts.singers:
        return sung
    return [
        note
        for note in here
        if all(m.midi <= note.midi for m in here if m.staff == note.staff and m.onset == note.onset)
    ]


@dataclass(frozen=True, slots=True)
class MelodyNote(Claim):
    """The melody has this note over a goal: the singer sings it, or it is the highest of its staff there.

    Where a singer rests the piano's top note is no melody (then `Top` is claimed). `degree`: in `key`.
    """

    kind: ClassVar[str] = "melody note"
    pitch: Pitch
    key: Key | None = None
    degree: int = 0

    def holds(self, facts: Facts) -> bool:
        if self.key is not None and self.degree and self.key.degree(self.pitch.pitch_class)[0] != self.degree:
            return False
        return any(note.pitch == self.pitch for note in _ends_of_lines(facts, self.start, self.end))

    def subject(self) -> Hashable:
        return "melody note", self.start, self.end

    def answer(self) -> Hashable:
        return self.pitch


@dataclass(frozen=True, slots=True)
class Top(Claim):
    """The highest note of the chord that a moment brings; with `rests`, while the singer is silent.

    Where the chord comes with a note leaning over it, its own highest note is the one that counts.
    """

    kind: ClassVar[str] = "top note"
    pitch: Pitch
    rests: bool = False

    def holds(self, facts: Facts) -> bool:
        here = facts.sounding(self.start)
        if self.rests and facts.singers and any(note.part in facts.singers for note in here):
            return False
        span = facts.span(self.start)
        inside = tones(span.key, span.numeral) if span is not None else frozenset(range(12))
        for moment in facts.moments(self.start, self.start + facts.bar(self.start).full_length):
            here = facts.sounding(moment)
            if here and here[-1].midi % 12 in inside:
                return here[-1].pitch == self.pitch
        return False


@dataclass(frozen=True, slots=True)
class Cadence(Claim):
    """A cadence in a key at a moment, of a kind.

    Rules (Hutchinson, chapter on cadences; *Open Music Theory*, part IV): authentic, a chord of the key's
    dominant function before its tonic, one of them in the key itself, or the line stops, and no upbeat to a
    strong beat that has the tonic too; perfect, both roots in the bass and the melody (where it sounds; else
    the highest note) on the tonic as the chord comes; half, the dominant triad in root position is where a
    line stops, not over a tonic that stays, nor with its seventh in the bass right before or as it lasts;
    Phrygian, in minor with the bass falling a semitone to it; deceptive and evaded, a dominant, read so or
    with its seventh, before something that is not the tonic in root position; plagal, a subdominant, not over
    the tonic, before the tonic.
    """

    kind: ClassVar[str] = "cadence"
    key: Key
    label: str
    melody: Pitch | None = None

    def holds(self, facts: Facts) -> bool:
        goal = facts.span(self.start)
        if goal is None:
            return False
        bars = 4 * facts.bar(self.start).full_length
        before = [span for span in facts.spans_in(self.start - bars, self.start) if span.end <= self.start][
            ::-1
        ]
        if before and _is_upbeat(facts, before[0], self.start, self.key):
            before = before[1:]
        check = {
            "perfect authentic": self._perfect,
            "imperfect authentic": self._authentic,
            "half": self._half,
            "phrygian half": self._phrygian,
            "deceptive": self._astray,
            "evaded": self._astray,
            "plagal": self._plagal,
        }[self.label]
        return check(facts, goal, before)

    def _led(self, before: list[Span]) -> Span | None:
        """The chord before the goal, a six-four over the same bass passed over; None for none."""
        return next((span for span in before[:2] if _is_dominant(span, self.key)), None)

    def _authentic(self, facts: Facts, goal: Span, before: list[Span]) -> bool:
        return self._led_home(facts, goal, before) is not None

    def _led_home(self, facts: Facts, goal: Span, before: list[Span]) -> Span | None:
        """The dominant right before a goal that is the tonic; None for none.

        The key is that of one of the two; what only an applied dominant over its root leads to closes where
        the line stops. What is at once a dominant itself has closed nothing: it was a half cadence; nor has
        what follows a dominant that ended under a fermata.
        """
        led = self._led(before[:1])
        if led is None or not _on_tonic(goal, self.key):
            return None
        if self._is_taken_back(facts, goal) or self._passes_on(facts) or self._halted(facts):
            return None
        if self.key.tonic in (goal.key.tonic, led.key.tonic):
            return led
        chord = led.numeral.chord(led.key)
        stops = chord.bass == chord.root and stops_within(facts, self.start, max(goal.end, self.end))
        return led if stops else None

    def _halted(self, facts: Facts) -> bool:
        """Whether all waited under a fermata and were silent for a beat before: what was led ended there."""
        bar = facts.bar(max(Fraction(0), self.start - Fraction(1, 64)))
        before = facts.heard(max(Fraction(0), self.start - 2 * bar.full_length), self.start)
        last = max((note.end for note in before), default=self.start)
        return self.start - last >= bar.beat_length and any(n.fermata for n in before if n.end == last)

    def _passes_on(self, facts: Facts) -> bool:
        """Whether it is an upbeat to a strong beat that strikes the tonic over its root: it arrives there."""
        bar = facts.bar(self.start)
        beat = min(self.start - bar.past_beat(self.start) + bar.beat_length, bar.end)
        goal, struck = facts.span(beat), facts.struck_in(beat, beat + Fraction(1, 64))
        if facts.weight(self.start) <= _ON_BEAT or goal is None or facts.weight(beat) > _STRONG:
            return False
        return bool(struck) and _on_tonic(goal, self.key) and _stands_on(facts, beat, self.key.tonic)

    def _is_taken_back(self, facts: Facts, goal: Span) -> bool:
        """Whether the tonic of a key that has hardly come takes on a minor seventh within a bar."""
        bar = facts.bar(self.start).full_length
        around = facts.spans_in(max(Fraction(0), self.start - 2 * bar), self.start)
        if goal.key.tonic == self.key.tonic and all(s.key.tonic == self.key.tonic for s in around):
            return False
        root, seventh = self.key.tonic.semitone, (self.key.tonic.semitone + _MINOR_SEVENTH) % 12
        for span in facts.spans_in(self.start, self.start + bar):
            chord = span.numeral.chord(span.key)
            if chord.root.semitone != root:
                return False
            if seventh in chord.semitones:
                return True
        return False

    def _perfect(self, facts: Facts, goal: Span, before: list[Span]) -> bool:
        led = self._led_home(facts, goal, before)
        if led is None:
            return False
        fifth = PitchClass.from_fifths(self.key.tonic.fifths + 1)
        late = facts.heard(max(led.start, led.end - facts.bar(led.start).full_length), led.end)
        rooted = any(
            note.midi % 12 == fifth.semitone and note.midi == min(note.midi for note in late) for note in late
        )
        if not rooted and not _lowest_is(facts, led, fifth):
            return False
        if not _stands_on(facts, self.start, self.key.tonic):
            return False
        top = facts.heard(self.start, min(goal.end, self.start + facts.bar(self.start).full_length))
        if self.melody is not None:
            # A note that leans on the tonic first is no perfect close: the reader looks at the arrival.
            here = facts.sounding(self.start)
            first = [n for n in here if n.part in facts.singers] if facts.singers else here[-1:]
            on_it = not first or any(n.midi % 12 == self.key.tonic.semitone for n in first)
            return self.melody.pitch_class.semitone == self.key.tonic.semitone and on_it
        return any(note.midi % 12 == self.key.tonic.semitone for note in top)

    def _half(self, facts: Facts, goal: Span, before: list[Span]) -> bool:
        chord = goal.numeral.chord(goal.key)
        fifth = (self.key.tonic.semitone + 7) % 12
        if chord.root.semitone != fifth or self.key.leading_tone.semitone not in chord.semitones:
            return False
        rooted = chord.bass.semitone == fifth or _lowest_is(
            facts, goal, PitchClass.from_fifths(self.key.tonic.fifths + 1)
        )
        if not rooted or _lowest_is(facts, goal, self.key.tonic):
            return False
        near = [s for s in before[:1] if s.numeral.chord(s.key).root == chord.root]
        seventh = self.key.scale[3]
        if any(_lowest_is(facts, span, seventh) for span in (*near, goal)):
            return False
        bar = facts.bar(self.start).full_length
        after = facts.spans_in(self.start, self.start + 2 * bar)
        same = takewhile(
            lambda s: s.numeral.chord(s.key).root == chord.root and not _lowest_is(facts, s, seventh), after
        )
        until = max((span.end for span in same), default=goal.end)
        # What runs on over the dominant comes to its halt later, where it stops.
        return stops_within(facts, self.start, min(until, _halting(facts, self.start, until)))

    def _phrygian(self, facts: Facts, goal: Span, before: list[Span]) -> bool:
        if not self._half(facts, goal, before) or not before or self.key.mode != "minor":
            return False
        low = facts.lowest(before[0].start, before[0].end)
        last = [
            note
            for note in facts.heard(before[0].start, before[0].end)
            if note.until <= float(self.start) + 0.01
        ]
        sixth = (self.key.tonic.semitone + 8) % 12
        return any(note is not None and note.midi % 12 == sixth for note in (low, *last))

    def _astray(self, facts: Facts, goal: Span, before: list[Span]) -> bool:
        led = self._led(before)
        if led is None or (self.label == "deceptive" and _is_dominant(goal, self.key)):
            # What goes on from one form of the dominant to another has not been led astray.
            return False
        fourth = (self.key.tonic.semitone + 5) % 12
        if self.key.tonic not in (led.key.tonic, led.numeral.local_key(led.key).tonic) and not any(
            note.midi % 12 == fourth for note in facts.heard(led.start, led.end)
        ):
            return False
        rooted = goal.numeral.chord(goal.key).bass.semitone == self.key.tonic.semitone
        plain = goal.numeral.chord(goal.key).quality in (Quality.MAJOR, Quality.MINOR)
        return not (_on_tonic(goal, self.key) and rooted and plain)

    def _plagal(self, facts: Facts, goal: Span, before: list[Span]) -> bool:
        if not before or not _on_tonic(goal, self.key):
            return False
        chord = before[0].numeral.chord(before[0].key)
        second, fourth = (self.key.tonic.semitone + 2) % 12, (self.key.tonic.semitone + 5) % 12
        if chord.root.semitone not in (second, fourth):
            return False
        # With the tonic in the bass already it is a six-four over a held note, no cadence.
        same = takewhile(lambda span: span.numeral.chord(span.key).root == chord.root, before)
        low = facts.lowest(min(span.start for span in same), self.start)
        held = low is not None and low.midi % 12 == self.key.tonic.semitone
        return not held and self.key.leading_tone.semitone not in chord.semitones

    def subject(self) -> Hashable:
        return "cadence", self.start

    def answer(self) -> Hashable:
        return self.label, self.key


FAMILIES = {
    "authentic": ("perfect authentic", "imperfect authentic"),
    "half": ("half", "phrygian half"),
    "deceptive": ("deceptive",),
    "plagal": ("plagal",),
}
"""Cadences that an ear tells apart, and their labels."""


@dataclass(frozen=True, slots=True)
class CadenceFamily(Claim):
    """A cadence in a key at a moment is of one of the `FAMILIES`: one of its labels holds.

    An ear is asked how the chords end: where they come home the line stops, too, or it is a perfect close on
    a strong beat.
    """

    kind: ClassVar[str] = "family of cadence"
    key: Key
    family: str

    def holds(self, facts: Facts) -> bool:
        if not any(self._is(facts, label) for label in FAMILIES[self.family]):
            return False
        if self.family not in ("authentic", "plagal"):
            return True
        if facts.weight(self.start) <= _STRONG and self._is(facts, "perfect authentic"):
            return True
        goal = facts.span(self.start)
        end = goal.end if goal is not None else self.end
        return stops_within(facts, self.start, _halting(facts, self.start, end))

    def _is(self, facts: Facts, label: str) -> bool:
        return Cadence(self.start, self.end, self.key, label).holds(facts)


@dataclass(frozen=True, slots=True)
class PhraseCloses(Claim):
    """A phrase comes to its end in a stretch or in the bar after it.

    The leading line stops there, or a dominant goes to its tonic on a beat, in one key; and the figure of the
    bar that leads to the end of the stretch is not taken up at once in the next (common practice, no source).
    """

    kind: ClassVar[str] = "phrase closes"

    def holds(self, facts: Facts) -> bool:
        bar = facts.bar(max(Fraction(0), self.end - Fraction(1, 64)))
        if self._taken_up(facts, bar):
            return False
        until = self.end + bar.full_length
        return stops_within(facts, self.start, until) or any(
            Cadence(span.start, span.end, span.key, "imperfect authentic").holds(facts)
            for span in facts.spans_in(self.start, until)
            if span.start >= self.start
        )

    @staticmethod
    def _taken_up(facts: Facts, bar: Measure) -> bool:
        """Whether the highest voice of a bar has its rhythm and its steps, three notes or more, twice."""
        here = facts.struck_in(bar.start, bar.end)
        top = max(here, key=lambda note: note.midi, default=None)
        if top is None:
            return False
        figures = []
        for start, end in ((bar.start, bar.end), (bar.end, bar.end + bar.full_length)):
            line = facts.in_voice(top, start, end)
            figures.append([(n.onset - start, n.pitch.diatonic - line[0].pitch.diatonic) for n in line])
        return len(figures[0]) >= _FIGURE and figures[0] == figures[1]


@dataclass(frozen=True, slots=True)
class NotFinal(Claim):
    """Why an authentic cadence is not final. A silent melody is not an unfinished one."""

    kind: ClassVar[str] = "why not final"
    key: Key
    why: str
    melody: Pitch | None = None

    def holds(self, facts: Facts) -> bool:
        goal = facts.span(self.start)
        led, tonic = facts.before(self.start), self.key.tonic
        if led is not None and _is_upbeat(facts, led, self.start, self.key):
            led = facts.before(led.start)
        if goal is None or led is None:
            return False
        if self.why == "melody not on the tonic":
            lines = _ends_of_lines(facts, self.start, goal.end)
            known = self.melody is not None and self.melody.pitch_class.semitone != tonic.semitone
            return known and any(note.pitch == self.melody for note in lines)
        if self.why == "top not on the tonic":
            top = facts.top(self.start)
            return top is not None and top.midi % 12 != tonic.semitone
        if self.why == "dominant inverted":
            return (
                _is_dominant(led, self.key)
                and led.numeral.chord(led.key).bass.semitone != (tonic.semitone + 7) % 12
                and not self._is_under_hand(facts, led)
            )
        if self.why == "tonic inverted":
            return not _stands_on(facts, self.start, tonic) or goal.numeral.chord(goal.key).bass != tonic
        return led.numeral.chord(led.key).root.semitone == self.key.leading_tone.semitone

    def _is_under_hand(self, facts: Facts, led: Span) -> bool:
        """Whether the lower hand stands on the dominant's root, under which an upper hand only dips."""
        first = facts.sounding(led.start)[:1]
        own = [
            n
            for n in facts.heard(led.start, led.end)
            if first and n.part == first[0].part and n.staff > first[0].staff
        ]
        root = (self.key.tonic.semitone + 7) % 12
        return bool(own) and min(own, key=lambda note: note.midi).midi % 12 == root


_LEANING = Fraction(3, 4)
"""Of a cadential six-four, by when its notes have come: what comes later is an upbeat. Set by ear."""


@dataclass(frozen=True, slots=True)
class SixFour(Claim):
    """A six-four: the lowest note is `bass`, and over it sound a sixth and a fourth, by the staff.

    ``"cadential"``: the bass is the dominant of the key, sixth and fourth both sound, neither of them only
    as an upbeat to what follows, and the dominant follows. ``"passing"``: the bass comes or goes by step.
    ``"pedal"``: the bass is there before or after. ``"arpeggiated"``: the chord before or after has the same
    root (Hutchinson, section 16.3).
    """

    kind: ClassVar[str] = "six-four"
    key: Key
    label: str
    bass: Pitch

    def holds(self, facts: Facts) -> bool:
        here = facts.heard(self.start, max(self.end, self.start + Fraction(1, 64)))
        if not any(note.midi == self.bass.midi for note in here):
            return False
        low = facts.lowest(self.start, self.end)
        if low is None or low.midi % 12 != self.bass.midi % 12:
            return False
        steps = {
            (note.pitch.diatonic - self.bass.diatonic) % 7 for note in here if note.midi > self.bass.midi
        }
        if not steps & {5, 3}:
            return False
        if self.label == "cadential":
            steps = {
                (note.pitch.diatonic - self.bass.diatonic) % 7
                for note in facts.heard(self.start, self.start + (self.end - self.start) * _LEANING)
            }
            on_fifth = self.bass.midi % 12 == (self.key.tonic.semitone + 7) % 12
            leans = on_fifth and not _goes_by(facts, self.start, self.key, self.bass)
            return leans and {5, 3} <= steps and self._dominant_after(facts)
        around = self._around(facts)
        if self.label == "arpeggiated":
            own = facts.span(self.start)
            roots = {
                span.numeral.chord(span.key).root for span in (around[0], own, around[1]) if span is not None
            }
            return len(roots) < 3
        lows = [facts.lowest(span.start, span.end) for span in around if span is not None]
        moves = [abs(note.midi - self.bass.midi) % 12 for note in lows if note is not None]
        return 0 in moves if self.label == "pedal" else bool({1, 2, 10, 11} & set(moves))

    def _around(self, facts: Facts) -> tuple[Span | None, Span | None]:
        return facts.before(self.start), facts.span(self.end)

    def _dominant_after(self, facts: Facts) -> bool:
        until = self.end + facts.bar(self.start).full_length
        return any(_is_dominant(span, self.key) for span in facts.spans_in(self.start, until))

    def subject(self) -> Hashable:
        return "six-four", self.start

    def answer(self) -> Hashable:
        return self.label, self.bass.midi % 12


@dataclass(frozen=True, slots=True)
class Picardy(Claim):
    """A minor key ends on its major tonic: the major third sounds, the minor one does not, nor the minor
    seventh, with which the chord leads on as a dominant (common practice, no source).
    """

    kind: ClassVar[str] = "Picardy third"
    key: Key
    third: PitchClass
    plain: PitchClass

    def holds(self, facts: Facts) -> bool:
        tonic = self.key.tonic.semitone
        if self.key.mode != "minor" or (self.third.semitone - tonic) % 12 != 4:
            return False
        if (self.plain.semitone - tonic) % 12 != 3:
            return False
        here = [note for note in facts.heard(self.start, self.end) if note.onset >= self.start]
        return any(same(self.third, note) for note in here) and not any(
            same(self.plain, note) or (note.midi - tonic) % 12 == 10 for note in here
        )
