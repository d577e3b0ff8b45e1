"""Claims on single notes: what sounds, how far apart, against what it rubs, where it comes from and goes.

All are tested on the Score alone. Consonance follows the handbooks (Hutchinson, Music Theory for the
21st-Century Classroom, chapters on intervals and on non-chord tones; *Open Music Theory*, "Embellishing
Tones"): seconds, sevenths and tritones are dissonant at any distance, a fourth only above the lowest note.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import ClassVar

from understave.claims.claim import Claim
from understave.claims.facts import Facts, voice
from understave.score.model import Note
from understave.theory.chord import carries_chord
from understave.theory.pitch import LETTERS, Interval, Pitch, PitchClass

SHARP = (1, 11)
"""Semitones, octaves taken off, that clash at any distance."""
ROUGH = (1, 2, 6, 10, 11)
"""Semitones, octaves taken off, that are dissonant between any two notes."""
_FOURTH = 5
_TONE = 2
_REACH = 4
"""Notes of a line at most between a dissonance and a late resolution."""
_DISTANCES = {
    "minor second": (1, 1, 0),
    "major seventh": (6, 11, None),
    "minor ninth": (1, 1, 1),
    "augmented unison": (0, 1, 0),
    "diminished octave": (0, 11, None),
    "augmented octave": (0, 1, 1),
}
"""Staff steps and semitones, octaves taken off, and whether it lies within an octave (0) or beyond (1)."""


def same(tone: Pitch | PitchClass, note: Note) -> bool:
    """Whether a note is the pitch that was named; a name without its octave is compared by sound."""
    if isinstance(tone, Pitch):
        return note.pitch == tone
    return note.midi % 12 == tone.semitone


def is_step(first: Note, second: Note) -> bool:
    """Whether two notes are a tone or semitone apart, or one staff step (an augmented second)."""
    size = abs(first.midi - second.midi)
    return 0 < size <= _TONE or (size == 3 and abs(first.pitch.diatonic - second.pitch.diatonic) == 1)


@dataclass(frozen=True, slots=True)
class Sounds(Claim):
    """A note sounds at some moment of a stretch; a full pitch in its spelling, a note name by sound."""

    kind: ClassVar[str] = "sounds"
    tone: Pitch | PitchClass

    def holds(self, facts: Facts) -> bool:
        return any(same(self.tone, note) for note in facts.heard(self.start, self.end))


@dataclass(frozen=True, slots=True)
class Silent(Claim):
    """A note does not sound in a stretch, in any octave."""

    kind: ClassVar[str] = "does not sound"
    tone: PitchClass

    def holds(self, facts: Facts) -> bool:
        return not any(same(self.tone, note) for note in facts.heard(self.start, self.end))


@dataclass(frozen=True, slots=True)
class Named(Claim):
    """A certain note of the score has this name and sounds in the stretch."""

    kind: ClassVar[str] = "note named"
    note: str
    pitch: Pitch

    def holds(self, facts: Facts) -> bool:
        note = facts.score.note_by_id.get(self.note)
        if note is None or note.pitch != self.pitch:
            return False
        if note.grace:
            return self.start <= note.onset <= self.end
        return note.onset < max(self.end, self.start + Fraction(1, 64)) and note.end > self.start


@dataclass(frozen=True, slots=True)
class Apart(Claim):
    """Two notes sound together at the interval named; where a printed pedal holds one, that one has ended.

    Two shades of one letter are measured as spelled; the others are told by their sound.
    """

    kind: ClassVar[str] = "interval"
    lower: str
    upper: str
    interval: str
    pedal: bool = False

    def holds(self, facts: Facts) -> bool:
        one, two = (facts.score.note_by_id.get(i) for i in (self.lower, self.upper))
        if one is None or two is None or two.midi <= one.midi:
            return False
        together = max(one.onset, two.onset) < min(one.end, two.end)
        later = max(one.onset, two.onset)
        held = self.pedal and facts.pedalled_since(later) < min(one.end, two.end)
        if not (together or (held and later <= self.end)):
            return False
        steps, semitones, beyond = _DISTANCES[self.interval]
        size, way = two.midi - one.midi, two.pitch.diatonic - one.pitch.diatonic
        if size % 12 != semitones or (beyond is not None and (size > 12) != bool(beyond)):
            return False
        return (way % 7 == steps) if steps == 0 else (way % 7 != 0)

    def subject(self) -> Hashable:
        return "interval", self.lower, self.upper

    def answer(self) -> Hashable:
        return self.interval


@dataclass(frozen=True, slots=True)
class Dissonant(Claim):
    """A note makes a second, seventh or tritone with another while it sounds, or a fourth above the lowest.

    `against`: with this note, a semitone or tone (octaves aside) or a tritone apart. Without
    `fourths` one above the lowest is not enough: what is said to rub is heard to. If it is `leant` on it is
    not the root or third of a whole plain chord that sounds then.
    """

    kind: ClassVar[str] = "dissonant"
    note: str
    against: Pitch | None = None
    fourths: bool = True
    leant: bool = False

    def holds(self, facts: Facts) -> bool:
        note = facts.score.note_by_id.get(self.note)
        if note is None:
            return False
        for moment in facts.moments(max(self.start, note.onset), min(self.end, note.end)):
            here = [n for n in facts.sounding(moment) if n is not note]
            if not any(n is note for n in facts.sounding(moment)) or self._carries(note, moment, facts):
                continue
            for n in here:
                if self.against is not None and n.pitch.pitch_class != self.against.pitch_class:
                    continue
                size = (n.midi - note.midi) % 12
                low = min(n.midi, note.midi) == min(m.midi for m in (*here, note))
                up = abs(n.midi - note.midi) % 12
                if size in ROUGH or (self.fourths and up == _FOURTH and low):
                    return True
        return False

    def _carries(self, note: Note, moment: Fraction, facts: Facts) -> bool:
        tones = [n.pitch.pitch_class for n in facts.sounding(moment)]
        return self.leant and carries_chord(note.pitch.pitch_class, tones, tones[0])


@dataclass(frozen=True, slots=True)
class Rub(Claim):
    """Two pitches sound in a stretch, in some octave together, a second, seventh or tritone apart."""

    kind: ClassVar[str] = "rubs"
    pitch: Pitch
    against: Pitch

    def holds(self, facts: Facts) -> bool:
        one, two = self.pitch.midi % 12, self.against.midi % 12
        if (one - two) % 12 not in (*ROUGH, _FOURTH, 12 - _FOURTH):
            return False
        pitches = {note.pitch for note in facts.heard(self.start, self.end)}
        if self.pitch not in pitches or self.against not in pitches:
            return False
        moments = facts.moments(self.start, self.end)
        return any({one, two} <= {note.midi % 12 for note in facts.sounding(m)} for m in moments)


@dataclass(frozen=True, slots=True)
class GoesOn(Claim):
    """A pitch that sounds in a stretch is followed in its line by this note, a step away, within a bar, and
    the line does not only touch it.
    """

    kind: ClassVar[str] = "goes on to"
    pitch: Pitch
    aim: PitchClass

    def holds(self, facts: Facts) -> bool:
        ones = [note for note in facts.heard(self.start, self.end) if note.pitch == self.pitch]
        for one in ones:
            until = one.end + facts.bar(one.onset).full_length
            for to in facts.struck_in(one.end, until):
                gone = same(self.aim, to) and is_step(one, to) and goes_on(one, to, facts, detour=True)
                if gone and not _touched(one, to, facts):
                    return True
        return False


def consonant(note: Note, moment: Fraction, facts: Facts) -> bool:
    """Whether a note is at rest among what sounds with it.

    A semitone rubs with any note, a second, seventh or tritone with the lowest; those between upper notes are
    taken as they come, as in a dominant seventh (handbook rules, see the head of this module).
    """
    here = [n for n in facts.sounding(moment) if n is not note]
    if any((n.midi - note.midi) % 12 in SHARP for n in here):
        return False
    span = facts.span(moment)
    if not here or (span is not None and note.midi % 12 == span.numeral.chord(span.key).root.semitone):
        # The root is at rest, also where a broken chord has let its bass go.
        return True
    lowest = min(here, key=lambda note: note.midi)
    if note.midi < lowest.midi:
        return not any((n.midi - note.midi) % 12 in (2, 10) for n in here)
    return (note.midi - lowest.midi) % 12 not in (2, 6, 10)


def goes_on(note: Note, to: Note, facts: Facts, detour: bool = False) -> bool:
    """Whether a line can be heard to go from one note to another.

    The second follows in the same part: in the same printed voice with nothing of that voice between (with
    `detour`, a few notes), or handed to another voice in which no note before it lies nearer.
    """
    if note.part != to.part or to.onset < note.end or note is to:
        return False
    bar = facts.bar(note.onset).full_length
    if to.onset - note.end > max(bar / 2, facts.bar(note.onset).beat_length):
        return detour and to.onset - note.end <= 2 * bar
    if voice(note) == voice(to):
        between = {n.onset for n in facts.in_voice(note, note.end, to.onset) if n.onset < to.onset}
        if len(between) > (_REACH if detour else 0):
            return False
        # Of a chord's notes the nearest goes on; a note that another one reaches by itself is not its goal.
        origins = [n for n in facts.in_voice(note, note.onset, note.end) if n.onset == note.onset]
        return all(abs(n.midi - to.midi) >= abs(note.midi - to.midi) or is_step(note, to) for n in origins)
    if abs(note.midi - to.midi) > _TONE + 1 and note.staff != to.staff:
        return False
    before = [note for note in facts.last_in_voice(to) if note.end == to.onset]
    return all(abs(n.midi - to.midi) >= abs(note.midi - to.midi) for n in before) or is_step(note, to)


def _passing(note: Note, to: Note, facts: Facts) -> bool:
    """Whether a note only goes by: come to by step, left by step, and no heavier than its goal."""
    before = [
        n
        for n in facts.last_in_voice(note)
        if n.end == note.onset and (is_step(n, note) or n.midi == to.midi)
    ]
    if not before or facts.weight(note.onset) < facts.weight(to.onset):
        return False
    return note.duration <= max(note.duration for note in before) or note.duration <= to.duration


def _broken(note: Note, facts: Facts) -> bool:
    """Whether a note is one of an even figure that leaps on both sides: a broken chord."""
    before, after = facts.last_in_voice(note), facts.next_in_voice(note)
    if len(before) != 1 or len(after) != 1:
        return False
    one, two = before[0], after[0]
    even = one.duration == note.duration == two.duration and one.end == note.onset
    if even and abs(one.midi - note.midi) > _TONE and abs(two.midi - note.midi) > _TONE:
        return True
    # A figure that climbs or sinks through more than an octave, with one step in it, is a chord all the same.
    third = facts.next_in_voice(two)
    if not even or len(third) != 1:
        return False
    line = [one.midi, note.midi, two.midi, third[0].midi]
    return abs(line[-1] - line[0]) > 12 and line in (sorted(line), sorted(line, reverse=True))


def _touched(note: Note, to: Note, facts: Facts) -> bool:
    """Whether a line only touches a note, for less than a beat and no longer than the one that it leaves, and
    goes back to that one at once: an ornament resolves nothing (common practice, no source).
    """
    if to.duration > note.duration:
        return False
    back = [n for n in facts.next_in_voice(to) if n.onset == to.end and n.midi == note.midi]
    return bool(back) and to.duration < facts.bar(to.onset).beat_length


@dataclass(frozen=True, slots=True)
class Moves(Claim):
    """A note of a line is followed in it by another, up or down as said, by a step if so said.

    With `rests` it comes to rest there, so that it does not come back at once.
    """

    kind: ClassVar[str] = "goes to"
    note: str
    to: str
    direction: str = ""
    step: bool = False
    detour: bool = False
    rests: bool = False

    def holds(self, facts: Facts) -> bool:
        note, to = (facts.score.note_by_id.get(i) for i in (self.note, self.to))
        if note is None or to is None or not goes_on(note, to, facts, self.detour):
            return False
        if self.rests and _touched(note, to, facts):
            return False
        if self.step and not is_step(note, to):
            return False
        way = "up" if to.midi > note.midi else "down" if to.midi < note.midi else ""
        return not self.direction or way == self.direction


@dataclass(frozen=True, slots=True)
class Resolved(Claim):
    """A dissonance resolves: it is dissonant, and goes by step to a note consonant with what then sounds.

    With `pedal` what it rubs against is held by the pedal alone. ``"direct"``: in the next note; ``"late"``:
    after a silence of its line; ``"ornamented"``: after a few other notes, up only if it has not stepped down
    first nor climbed through the semitone between; down only if, raised, it has not gone up to rest first.
    What only passes, turns, or belongs to a broken chord resolves nothing (Hutchinson, ch. 10; Türk,
    "Klavierschule", 1789, on appoggiaturas, from memory).
    """

    kind: ClassVar[str] = "resolves"
    note: str
    to: str
    manner: str = "direct"
    pedal: bool = False

    def holds(self, facts: Facts) -> bool:
        note, to = (facts.score.note_by_id.get(i) for i in (self.note, self.to))
        if note is None or to is None or not is_step(note, to):
            return False
        if not consonant(to, to.onset, facts) or _touched(note, to, facts):
            return False
        if not self.pedal and not Dissonant(self.start, self.end, self.note).holds(facts):
            return False
        held = note.onset < self.start
        if not held and (_passing(note, to, facts) or _broken(note, facts)):
            return False
        if not goes_on(note, to, facts, detour=self.manner == "ornamented"):
            return False
        if self.manner == "direct":
            return to.onset == note.end
        if self.manner == "ornamented" and (
            self._at_rest_before(note, facts)
            or self._led_up_before(note, to, facts)
            or (to.midi > note.midi and (self._steps_down(note, facts) or self._climbs(note, to, facts)))
        ):
            return False
        return to.onset > note.end

    @staticmethod
    def _climbs(note: Note, to: Note, facts: Facts) -> bool:
        """Whether the line goes up through the semitone between, and only passes on to its goal."""
        return any(note.midi < n.midi < to.midi for n in facts.next_in_voice(note))

    @staticmethod
    def _steps_down(note: Note, facts: Facts) -> list[Note]:
        """The very next notes, if they are a step below."""
        after = (n for n in facts.next_in_voice(note) if n.onset == note.end)
        return [n for n in after if n.midi < note.midi and is_step(note, n) and not _touched(note, n, facts)]

    def _at_rest_before(self, note: Note, facts: Facts) -> bool:
        """Whether the very next note is a step below, in the chord, and rubs with nothing by a semitone."""
        span = facts.span(note.end)
        tones = {tone.semitone for tone in span.numeral.chord(span.key).members} if span else set()
        return any(
            n.midi % 12 in tones and not any((m.midi - n.midi) % 12 in SHARP for m in facts.sounding(n.onset))
            for n in self._steps_down(note, facts)
        )

    @staticmethod
    def _led_up_before(note: Note, to: Note, facts: Facts) -> bool:
        """Whether a raised note that is said to sink is at once led up: by a semitone, to the next letter,
        which rubs with nothing so. A raised tone rises (Hutchinson, chapter on chromatic non-chord tones,
        from memory).
        """
        span = facts.span(note.onset)
        key = span.key if span is not None else None
        if key is None or to.midi > note.midi or note.pitch.pitch_class in (*key.scale, key.leading_tone):
            return False
        return any(
            n.onset == note.end
            and n.midi - note.midi == 1
            and n.pitch.diatonic - note.pitch.diatonic == 1
            and not any((m.midi - n.midi) % 12 in SHARP for m in facts.sounding(n.onset))
            for n in facts.next_in_voice(note)
        )

    def subject(self) -> Hashable:
        return "resolution", self.note, self.start

    def answer(self) -> Hashable:
        return "resolves", self.to


@dataclass(frozen=True, slots=True)
class Overshoots(Claim):
    """Between a dissonance and the note it goes to its line first goes past that note, to `past`."""

    kind: ClassVar[str] = "overshoots"
    note: str
    past: str
    to: str

    def holds(self, facts: Facts) -> bool:
        note, past, to = (facts.score.note_by_id.get(i) for i in (self.note, self.past, self.to))
        if note is None or past is None or to is None or not note.onset < past.onset < to.onset:
            return False
        if voice(past) not in (voice(note), voice(to)):
            return False
        beyond = to.midi - note.midi, past.midi - to.midi
        return beyond[0] * beyond[1] > 0 and goes_on(note, to, facts, detour=True)


@dataclass(frozen=True, slots=True)
class Bare(Claim):
    """Where two notes first sound together nothing else sounds, but for the same keys.

    Nor does anything ring on in a pedal that is printed.
    """

    kind: ClassVar[str] = "nothing else sounds"
    lower: str
    upper: str

    def holds(self, facts: Facts) -> bool:
        one, two = (facts.score.note_by_id.get(i) for i in (self.lower, self.upper))
        if one is None or two is None:
            return False
        moment = max(one.onset, two.onset)
        since = facts.pedalled_since(moment)
        return {note.midi for note in facts.heard(since, moment + Fraction(1, 64))} == {one.midi, two.midi}


@dataclass(frozen=True, slots=True)
class Unresolved(Claim):
    """A dissonance is not resolved: no next note of its voice is a step away and consonant."""

    kind: ClassVar[str] = "unresolved"
    note: str

    def holds(self, facts: Facts) -> bool:
        note = facts.score.note_by_id.get(self.note)
        if note is None:
            return False
        nearest = [n for n in facts.next_in_voice(note) if n.onset == note.end]
        return not any(
            is_step(note, n) and consonant(n, n.onset, facts) and not _passing(note, n, facts)
            for n in nearest
        )

    def subject(self) -> Hashable:
        return "resolution", self.note, self.start

    def answer(self) -> Hashable:
        return "unresolved"


@dataclass(frozen=True, slots=True)
class Between(Claim):
    """A note stands between two others of its line: it passes, turns back, returns, or leaps away.

    ``"passes"``: step and step, one way. ``"turns"``: step and step back. ``"returns"``: to the very note.
    ``"escapes"``: step, then leap. ``"leapt to"``: leap, then step, and no other line of its staff came to it
    by step. (Hutchinson, ch. 10.)
    """

    kind: ClassVar[str] = "passes, turns, leaps"
    before: str
    note: str
    after: str
    how: str

    def holds(self, facts: Facts) -> bool:
        one, note, two = (facts.score.note_by_id.get(i) for i in (self.before, self.note, self.after))
        if one is None or note is None or two is None or one.onset > note.onset:
            return False
        if not (one is note or one.grace or goes_on(one, note, facts, detour=True)):
            return False
        if not (two.grace or goes_on(note, two, facts, detour=True)):
            return False
        into, out = note.midi - one.midi, two.midi - note.midi
        if self.how in ("passes", "turns"):
            small = 0 < abs(into) <= _TONE and 0 < abs(out) <= _TONE
            return small and ((into > 0) == (out > 0)) == (self.how == "passes")
        if self.how == "returns":
            return is_step(one, note) and two.midi == one.midi
        if self.how == "escapes":
            return is_step(one, note) and not is_step(note, two) and out != 0
        return abs(into) > _TONE and is_step(note, two) and not self._stepped_to(note, facts)

    def _stepped_to(self, note: Note, facts: Facts) -> bool:
        """Whether a note a step away ended on its staff as it was struck: the ear hears a step, no leap."""
        before = facts.heard(max(Fraction(0), note.onset - Fraction(1, 64)), note.onset)
        return any(
            other.staff == note.staff and other.end == note.onset and is_step(other, note) for other in before
        )


@dataclass(frozen=True, slots=True)
class Prepared(Claim):
    """How a dissonance is come to: ``"held"`` over, ``"struck again"``, or out of ``"silence"``.

    Held: it was struck before `start` and still sounds. Struck again: the same key ended or was struck in the
    bar before. Out of silence: its voice rests before it.
    """

    kind: ClassVar[str] = "prepared"
    note: str
    how: str

    def holds(self, facts: Facts) -> bool:
        note = facts.score.note_by_id.get(self.note)
        if note is None:
            return False
        if self.how == "held":
            return note.onset < self.start < note.end
        if note.onset != self.start:
            return False
        if self.how == "struck again":
            bar = facts.bar(note.onset).full_length
            return any(
                n.midi == note.midi and n.part == note.part and n.onset < note.onset
                for n in facts.heard(max(Fraction(0), note.onset - bar), note.onset)
            )
        graces = [n for n in facts.graces.get(note.at, ()) if voice(n) == voice(note)]
        return not graces and not any(n.end >= note.onset for n in facts.last_in_voice(note))

    def subject(self) -> Hashable:
        return "preparation", self.note, self.start

    def answer(self) -> Hashable:
        return self.how


@dataclass(frozen=True, slots=True)
class Pull(Claim):
    """Where a note is said to want to go: a step, the way said.

    Textbook rule (Hutchinson, chapters on sevenths and on voice leading): a seventh falls, a leading tone
    rises; a note said to be drawn is drawn by a tone at most, to the letter beside its own.
    """

    kind: ClassVar[str] = "pulls"
    pitch: Pitch
    aim: PitchClass
    direction: str
    seventh: PitchClass | None = None
    leading: PitchClass | None = None

    def holds(self, facts: Facts) -> bool:
        up = (self.aim.semitone - self.pitch.midi) % 12
        down = (self.pitch.midi - self.aim.semitone) % 12
        letters = (LETTERS.index(self.aim.letter) - LETTERS.index(self.pitch.letter)) % 7
        if (up if self.direction == "up" else down) not in (1, 2) or letters not in (1, 6):
            return False
        tone = self.pitch.midi % 12
        if self.leading is not None and tone == self.leading.semitone:
            return self.direction == "up"
        return not (self.seventh is not None and tone == self.seventh.semitone and self.direction == "up")

    def subject(self) -> Hashable:
        return "pull", self.start, self.pitch

    def answer(self) -> Hashable:
        return self.direction, self.aim


@dataclass(frozen=True, slots=True)
class BassIs(Claim):
    """The lowest note that sounds in a stretch (in a broken chord: of its figure) is this one."""

    kind: ClassVar[str] = "bass"
    tone: Pitch | PitchClass

    def holds(self, facts: Facts) -> bool:
        low = facts.lowest(self.start, self.end)
        return low is not None and same(self.tone, low)

    def subject(self) -> Hashable:
        return "bass", self.start, self.end

    def answer(self) -> Hashable:
        tone = self.tone
        return tone.midi % 12 if isinstance(tone, Pitch) else tone.semitone


@dataclass(frozen=True, slots=True)
class BassLine(Claim):
    """The lowest notes from moment to moment are these, whatever their octaves.

    ``"semitones"``: each a semitone on, `way` up or down; ``"steps"``: each a step on; ``""``: as they are.
    No other bass note of a beat stands between, and where the lowest staff that plays in the stretch rests,
    what sounds above it is no bass (common practice, no source).
    """

    kind: ClassVar[str] = "bass line"
    basses: tuple[Pitch, ...]
    times: tuple[Fraction, ...]
    by: str = ""
    way: str = ""

    def holds(self, facts: Facts) -> bool:
        ends = (*self.times[1:], self.end)
        lowest = max((note.staff for note in facts.heard(self.start, self.end)), default=0)
        for pitch, start, end in zip(self.basses, self.times, ends, strict=False):
            until = max(end, start + Fraction(1, 64))
            low, here = facts.lowest(start, until), facts.sounding(start)
            lows = {note.midi % 12 for note in (low, *here[:1]) if note is not None}
            if pitch.midi % 12 not in lows or self._leaves(facts, pitch, start, end):
                return False
            if not any(note.staff == lowest for note in facts.heard(start, until)):
                return False
        sign = -1 if self.way == "down" else 1
        moves = [sign * (b.midi - a.midi) % 12 for a, b in zip(self.basses, self.basses[1:], strict=False)]
        most = {"semitones": 1, "steps": 3}.get(self.by)
        return most is None or all(0 < m <= most for m in moves)

    def _leaves(self, facts: Facts, pitch: Pitch, start: Fraction, end: Fraction) -> bool:
        """Whether the bass goes elsewhere for a beat, by a note struck alone (a chord is no bass)."""
        beat = facts.bar(start).beat_length
        moment = start + beat
        while moment < end:
            here = facts.sounding(moment)
            low = here[0] if here else None
            if low is not None and low.onset == moment and low.end - low.onset >= beat:
                alone = [note for note in here if note.onset == moment and note.staff == low.staff] == [low]
                if alone and low.midi % 12 != pitch.midi % 12:
                    return True
            moment += beat
        return False


@dataclass(frozen=True, slots=True)
class Lies(Claim):
    """A note is the lowest (``"bass"``), the highest (``"top"``) or neither (``"inner"``) at `start`."""

    kind: ClassVar[str] = "place in the texture"
    note: str
    place: str

    def holds(self, facts: Facts) -> bool:
        note = facts.score.note_by_id.get(self.note)
        here = [note.midi for note in facts.sounding(self.start)]
        if note is None or not here:
            return False
        where = "bass" if note.midi <= min(here) else "top" if note.midi >= max(here) else "inner"
        return where == self.place

    def subject(self) -> Hashable:
        return "place", self.note, self.start

    def answer(self) -> Hashable:
        return self.place


@dataclass(frozen=True, slots=True)
class Figures(Claim):
    """The figures of a suspension: the distance from the lowest note (or of the bass from an upper note).

    An eleventh is a fourth, and so on; a second above the bass is a ninth, one below an upper note a second.
    """

    kind: ClassVar[str] = "figures"
    note: str
    figures: str

    def holds(self, facts: Facts) -> bool:
        note = facts.score.note_by_id.get(self.note)
        here = [n for n in facts.sounding(self.start) if n is not note]
        if note is None or not here:
            return False
        first, _, second = self.figures.partition("-")
        low = here[0]
        if note.midi > low.midi:
            sizes = {(note.pitch.diatonic - low.pitch.diatonic) % 7 + 1}
        else:
            sizes = {(n.pitch.diatonic - note.pitch.diatonic) % 7 + 1 for n in here}
        return (int(first) - 1) % 7 + 1 in sizes and abs(int(first) - int(second)) == 1


@dataclass(frozen=True, slots=True)
class Accented(Claim):
    """A moment is heavier in its bar than another, falls on a beat, or brings a new chord."""

    kind: ClassVar[str] = "accented"
    than: Fraction

    def holds(self, facts: Facts) -> bool:
        span = facts.span(self.start)
        own = facts.weight(self.start)
        return own < facts.weight(self.than) or own <= 2 or (span is not None and span.start == self.start)


@dataclass(frozen=True, slots=True)
class Leap(Claim):
    """A line leaps (or steps) from one pitch to another by this interval, up or down."""

    kind: ClassVar[str] = "leap"
    first: Pitch
    second: Pitch
    interval: Interval
    direction: str

    def holds(self, facts: Facts) -> bool:
        size = self.second.midi - self.first.midi
        between = Interval.between(self.first, self.second)
        if between not in (self.interval, -self.interval) or (size > 0) != (self.direction == "up"):
            return False
        here = facts.heard(self.start, self.end + Fraction(1, 64))
        firsts = [note for note in here if note.pitch == self.first]
        return any(
            n.pitch == self.second and note.part == n.part and n.onset >= note.end and goes_on(note, n, facts)
            for note in firsts
            for n in here
        )


@dataclass(frozen=True, slots=True)
class Contradicted(Claim):
    """False relation: the same letter in another shade, in another voice, together or straight after."""

    kind: ClassVar[str] = "false relation"
    first: str
    second: str

    def holds(self, facts: Facts) -> bool:
        one, two = (facts.score.note_by_id.get(i) for i in (self.first, self.second))
        if one is None or two is None:
            return False
        differs = one.pitch.letter == two.pitch.letter and one.pitch.alter != two.pitch.alter
        bar = facts.bar(one.onset).full_length
        near = one.onset <= two.onset and two.onset - one.end <= bar
        own = one.end == two.onset and voice(one) == voice(two) and abs(one.midi - two.midi) == 1
        return differs and near and not own


def notes_of(ids: Iterable[str], facts: Facts) -> list[Note]:
    """Return the notes of some ids, those that the score does not have left out."""
    found = (facts.score.note_by_id.get(i) for i in ids)
    return [note for note in found if note is not None]
