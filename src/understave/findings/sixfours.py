"""Score and spans -> six-four chords by kind, and sevenths in the bass with where they lead.

A triad with its fifth in the bass is unstable, and what the bass does tells why it is there (Hutchinson,
Music Theory for the 21st-Century Classroom, section 16.3 and the one on types of six-four chords; Open
Music Theory, part IV, on the cadential six-four and on six-fours that prolong):

* cadential: over the dominant's own bass, on a beat at least as strong as the dominant after it; the
  sixth and the fourth above the bass step down to fifth and third;
* pedal (or neighbour): the bass stays, the same chord before and after, two voices step up and back;
* passing: the bass steps on in one direction through it;
* arpeggiated: the bass moves through the chord's own notes, the same harmony before or after.

A cadential six-four is also found inside a chord labelled as a plain dominant, where the tonic's root and
third are held or struck over its bass and step down to leading tone and second degree.

Event: kind ``"six-four"``; `notes` are the bass notes and the notes of the six-four above them; it lasts as
long as the six-four, a cadential one up to its resolution. Detail, where it applies:

- ``key`` Key, ``chord`` RomanNumeral: as labelled. ``bass`` Pitch: its lowest note.
- ``before``, ``after`` RomanNumeral: the chords around it. ``before_bass``, ``after_bass`` Pitch.
- ``sixth``, ``fourth`` Pitch and ``sixth_to``, ``fourth_to`` Pitch: the two dissonant notes of a cadential
  six-four and where they go; absent where a voice does not step down. ``resolution`` Fraction.
- ``direction`` str: ``"up"``/``"down"``, of the passing bass.

Sentences, one per label:

- cadential: "A cadential six-four: the tonic's notes lean on the dominant's bass, then sink into it."
- passing: "A passing six-four: the bass walks through D on its way from E to C."
- pedal: "A pedal six-four: the bass stays on C while two voices step up and come back."
- arpeggiated: "An arpeggiated six-four: only the bass has moved, to another note of the same chord."

Event: kind ``"seventh in the bass"``; it lasts from the chord to the end of the chord after it. Labels:

- resolves: "The seventh lies in the bass and, as a seventh wants to, sinks a step, to E."
- held: "The seventh lies in the bass and stays there as the chord above it changes."
- leaps: "The seventh lies in the bass, but the bass leaps away; listen for who takes over its step down."
- rises: "The seventh lies in the bass and rises a step instead of falling."

Detail: ``key`` Key, ``chord`` RomanNumeral, ``seventh`` Pitch, ``to`` Pitch (the next bass note),
``after`` RomanNumeral, ``taken_over`` Pitch (another voice's note a step below the seventh's pitch class,
label leaps, where there is one).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import takewhile
from typing import TypeAlias

from understave.findings.closes import cadential, chords_of, is_root_dominant, numeral_in
from understave.findings.kinds import Kind, Stop
from understave.findings.remembered import remembered
from understave.harmony.reading import Detail, Details, Event, Span
from understave.harmony.units import metric_level
from understave.score.model import Note, Score
from understave.theory.chord import Chord
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class SixFourDetails(Details):
    """The chord, those around it, and where its dissonant notes go."""

    key: Key
    chord: RomanNumeral
    bass: Pitch
    before: RomanNumeral | None = None
    before_bass: Pitch | None = None
    after: RomanNumeral | None = None
    after_bass: Pitch | None = None
    resolution: Fraction | None = None
    sixth: Pitch | None = None
    sixth_to: Pitch | None = None
    fourth: Pitch | None = None
    fourth_to: Pitch | None = None
    direction: str | None = None

    def as_pairs(self) -> tuple[tuple[str, Detail], ...]:
        """Return what applies; of a six-four within its dominant, the resolution comes early."""
        found = Details.as_pairs(self)
        if self.before is None or self.before_bass is not None:
            return found
        return tuple(sorted(found, key=lambda p: _EARLY.index(p[0]) if p[0] in _EARLY else len(_EARLY)))


_EARLY = ("key", "chord", "bass", "resolution")


@dataclass(frozen=True, slots=True, kw_only=True)
class BassSeventhDetails(Details):
    """The seventh and where the bass goes."""

    key: Key
    chord: RomanNumeral
    seventh: Pitch
    to: Pitch
    after: RomanNumeral
    taken_over: Pitch | None = None


_UNLED = 0.35
"""What is left of the belief in a cadential six-four whose upper notes do not step down (set by ear)."""


@remembered
def find_sixfours(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return six-four chords and sevenths in the bass, in order."""
    notes = list(score.struck)
    piece = _Piece(score, spans, chords_of(spans), notes)
    found = []
    for i in range(len(spans)):
        found += [
            event for event in (piece.six_four(i), piece.hidden(i), piece.seventh(i)) if event is not None
        ]
    return tuple(found)


class _Piece:
    """Spans with the notes that sound in each, looked up while the chords are gone through."""

    def __init__(
        self, score: Score, spans: tuple[Span, ...], chords: tuple[Chord, ...], notes: Sequence[Note]
    ) -> None:
        self.score = score
        self.spans = spans
        self.chords = chords
        self.notes = notes
        self.onsets = [note.at for note in notes]
        self.longest = max((float(note.duration) for note in notes), default=0.0)

    def within(self, start: Fraction, end: Fraction) -> list[Note]:
        """Return the notes that sound between two moments, by onset and pitch."""
        begin = float(start)
        first = bisect_left(self.onsets, begin - self.longest)
        last = bisect_left(self.onsets, float(end))
        return [note for note in self.notes[first:last] if note.until > begin]

    def bass(self, i: int) -> Note | None:
        """Return the note that carries a span's bass: the lowest of the bass's pitch class in it."""
        span = self.spans[i]
        here = self.within(span.start, span.end)
        tone = self.chords[i].bass.semitone
        return min(
            (note for note in here if note.midi % 12 == tone), key=lambda note: note.midi, default=None
        )

    def is_lowest(self, i: int, bass: Note) -> bool:
        """Whether nothing lower sounds in a span, and the staff lowest about it does not just rest."""
        span = self.spans[i]
        here = self.within(span.start, span.end)
        low = min(here, key=lambda note: note.midi)
        bar = self.score.measure_at(span.start).full_length
        about = self.within(max(Fraction(0), span.start - bar), span.end + bar)
        return low.midi % 12 == bass.midi % 12 and max(note.staff for note in about) in {
            note.staff for note in here
        }

    def linked(self, i: int, j: int) -> bool:
        """Whether two spans lie next to each other."""
        return i >= 0 and j < len(self.spans) and self.spans[i].end == self.spans[j].start

    def six_four(self, i: int) -> Event | None:
        """Return the event of a span labelled as a six-four, None for any other."""
        chord, span = self.chords[i], self.spans[i]
        if chord.inversion != 2 or len(chord.quality.fifths) != 3 or not chord.quality.is_triad:
            return None
        bass = self.bass(i)
        if bass is None:
            return None
        before = self.bass(i - 1) if self.linked(i - 1, i) else None
        after = self.bass(i + 1) if self.linked(i, i + 1) else None
        kind = self.kind(i, bass, before, after)
        if kind is None:
            return None
        label, sure = kind
        detail = SixFourDetails(key=span.key, chord=span.numeral, bass=bass.pitch)
        if before is not None:
            detail = replace(detail, before=numeral_in(self.spans[i - 1], span.key), before_bass=before.pitch)
        if after is not None:
            detail = replace(detail, after=numeral_in(self.spans[i + 1], span.key), after_bass=after.pitch)
        end = span.end
        ids = [bass.id]
        upper = [note for note in self.within(span.start, span.end) if note.midi % 12 in chord.semitones]
        if label == "cadential":
            detail = replace(detail, resolution=span.end)
            detail = self.with_steps(detail, i, upper)
            if detail.sixth_to is None and detail.fourth_to is None:
                # Where neither note sinks in its own voice it hardly leans.
                sure *= _UNLED
        if label == "passing" and before is not None:
            detail = replace(detail, direction="up" if bass.midi > before.midi else "down")
        ids += [note.id for note in upper if note.id != bass.id]
        sure = round(sure * (0.3 + 0.7 * span.confidence), 3)
        return SIX_FOUR.event(label, span.start, end, tuple(ids), sure, detail)

    def kind(self, i: int, bass: Note, before: Note | None, after: Note | None) -> tuple[str, float] | None:
        """Return the kind of a six-four and how well it fits, None where it fits none."""
        chord = self.chords[i]
        is_cadential = cadential(self.spans, self.chords, i) and not self.is_over_held_bass(i, bass, before)
        if is_cadential and self.is_strong(i):
            return "cadential", 0.95
        same_before = before is not None and self.chords[i - 1].root == chord.root
        same_after = after is not None and self.chords[i + 1].root == chord.root
        here = bass.pitch.pitch_class
        if before is not None and after is not None and not same_before and not same_after:
            stays = before.pitch.pitch_class == here == after.pitch.pitch_class
            if stays and self.chords[i - 1].root == self.chords[i + 1].root:
                return "pedal", 0.9
            first, second = _step(before.pitch, bass.pitch), _step(bass.pitch, after.pitch)
            if first and first == second:
                return "passing", 0.9
        if is_cadential:
            return "cadential", 0.6
        if (same_before and before is not None and before.pitch.pitch_class != here) or (
            same_after and after is not None and after.pitch.pitch_class != here
        ):
            return "arpeggiated", 0.8
        if before is not None and after is not None:
            stays = before.pitch.pitch_class == here or here == after.pitch.pitch_class
            if stays and not same_before and not same_after:
                return "pedal", 0.5
        return None

    def is_over_held_bass(self, i: int, bass: Note, before: Note | None) -> bool:
        """Whether the bass was there already, so that the six-four only moves above it."""
        if before is None or self.spans[i].numeral.special == "Cad":
            return False
        same = before.pitch.pitch_class == bass.pitch.pitch_class
        starts = [self.spans[i - 1].start, self.spans[i].start]
        level = [metric_level(self.score.measure_at(t), t) for t in starts]
        dominant = (
            self.chords[i - 1].root == bass.pitch.pitch_class and 4 in self.chords[i - 1].quality.fifths
        )
        return same and not (dominant and level[1] < level[0])

    def is_strong(self, i: int) -> bool:
        """Whether a six-four is at least as strong in the bar as the dominant after it, or longer."""
        six, five = self.spans[i], self.spans[i + 1] if i + 1 < len(self.spans) else None
        if five is None:
            return True
        level = [metric_level(self.score.measure_at(span.start), span.start) for span in (six, five)]
        return level[0] <= level[1] or six.end - six.start >= five.end - five.start

    def with_steps(self, details: SixFourDetails, i: int, upper: Sequence[Note]) -> SixFourDetails:
        """Return details with the sixth and fourth of a cadential six-four and what they step down to."""
        if i + 1 >= len(self.spans):
            return details
        chord, after = self.chords[i], self.spans[i + 1]
        own = self.chords[i + 1].semitones
        following = self.within(after.start, after.end)
        later = [note for note in following if note.midi % 12 in own]
        line = [*self.within(self.spans[i].start, after.start), *following]
        return _with_falls(details, chord.root.semitone, chord.members[1].semitone, (upper, later, line))

    def hidden(self, i: int) -> Event | None:
        """Return a cadential six-four inside a span labelled as the dominant, None where there is none."""
        span, chord = self.spans[i], self.chords[i]
        key = span.numeral.local_key(span.key)
        if not is_root_dominant(chord, key) or (i and cadential(self.spans, self.chords, i - 1)):
            return None
        here = self.within(span.start, span.end)
        struck = [note for note in here if note.onset <= span.start]
        lowest = min(struck, key=lambda note: note.midi, default=None)
        if lowest is None or lowest.midi % 12 != chord.bass.semitone:
            return None
        tonic, third = key.tonic, key.scale[2]
        fourths = [note for note in struck if note.midi % 12 == tonic.semitone and note.end < span.end]
        sixths = [note for note in struck if note.midi % 12 == third.semitone and note.end < span.end]
        fifth = key.leading_tone.semitone
        if not fourths or not sixths or any(note.midi % 12 == fifth for note in struck):
            return None
        later = [note for note in here if note.onset > span.start]
        resolved = min(note.end for note in fourths)
        ids = (lowest.id, *(note.id for note in fourths), *(note.id for note in sixths))
        known = SixFourDetails(key=span.key, chord=span.numeral, bass=lowest.pitch, resolution=resolved)
        if self.linked(i - 1, i):
            known = replace(known, before=numeral_in(self.spans[i - 1], span.key))
        known = _with_falls(known, tonic.semitone, third.semitone, ([*fourths, *sixths], later, here))
        if known.sixth_to is None or known.fourth_to is None:
            return None
        sure = round(0.8 * (0.3 + 0.7 * span.confidence), 3)
        return SIX_FOUR.event("cadential", span.start, resolved, ids, sure, known)

    def comes_back(self, bass: Note, span: Span) -> bool:
        """Whether a bass note is struck again, alike, in a span or as it ends."""
        return any(
            note.midi == bass.midi and span.start <= note.onset <= span.end for note in self.score.notes
        )

    def steps_down(self, bass: Note) -> bool:
        """Whether the next note of a bass's printed voice lies a step below it, or the next bass within a
        bar, after chords above it as in a waltz (common practice, no source).
        """
        own = (bass.part, bass.staff, bass.voice)
        later = self.notes[bisect_left(self.onsets, bass.until) :]
        after = next((note for note in later if (note.part, note.staff, note.voice) == own), None)
        bar = bass.onset + self.score.measures[bass.measure].full_length
        below = (
            note
            for note in takewhile(lambda note: note.onset <= bar, later)
            if (note.part, note.staff) == own[:2] and note.midi <= bass.midi
        )
        return any(note is not None and _fall(bass.pitch, note.pitch) for note in (after, next(below, None)))

    def dips_under(self, i: int, bass: Note) -> bool:
        """Whether the lowest note of a chord is an upper hand's, which dips under the bass of the lower one
        (common practice, no source).
        """
        start, end = self.spans[i].start, self.spans[i].end
        return any(note.part == bass.part and note.staff > bass.staff for note in self.within(start, end))

    def is_over_root(self, i: int, bass: Note) -> bool:
        """Whether a lower bass of the same chord was struck before in the bar, as in a waltz: it is still in
        the ear, and what the hand strikes after it is no bass (common practice, no source).
        """
        begin = self.score.measure_at(self.spans[i].start).start
        before = self.bass(i - 1) if i and self.chords[i - 1].root == self.chords[i].root else None
        return before is not None and before.onset >= begin and before.midi < bass.midi

    def seventh(self, i: int) -> Event | None:
        """Return the event of a seventh chord with its seventh in the bass."""
        chord, span = self.chords[i], self.spans[i]
        if chord.inversion != 3 or not chord.quality.is_seventh or not self.linked(i, i + 1):
            return None
        bass, after = self.bass(i), self.bass(i + 1)
        if bass is None or after is None or not (self.is_lowest(i, bass) and self.is_lowest(i + 1, after)):
            return None
        if self.dips_under(i, bass) or self.is_over_root(i, bass):
            return None
        following = self.spans[i + 1]
        if self.chords[i + 1].root == chord.root and self.chords[i + 1].bass != chord.bass:
            # The same chord in another position: the seventh has not led anywhere yet.
            label = "leaps"
        elif after.pitch.pitch_class == bass.pitch.pitch_class:
            label = "held"
        elif after.pitch.diatonic == bass.pitch.diatonic:
            # Drawn a semitone on its own letter, it neither leaps nor resolves.
            return None
        elif after.midi > bass.midi and self.comes_back(bass, following):
            # What sounds above it is an upper part: the low note is struck on as a pedal point.
            return None
        else:
            label = {-1: "resolves", 1: "rises"}.get(_step(bass.pitch, after.pitch), "leaps")
        detail = BassSeventhDetails(
            key=span.key,
            chord=span.numeral,
            seventh=bass.pitch,
            to=after.pitch,
            after=numeral_in(following, span.key),
        )
        if label == "leaps" and self.steps_down(bass):
            # It sinks in its own line; only the next chord stands on another note.
            return None
        if label == "leaps":
            below = bass.pitch.diatonic - 1
            takes = [
                note
                for note in self.within(following.start, following.end)
                if (note.pitch.diatonic - below) % 7 == 0 and (bass.midi - note.midi) % 12 in (1, 2)
            ]
            if takes:
                detail = replace(detail, taken_over=takes[0].pitch)
        sure = round(0.3 + 0.65 * min(span.confidence, following.confidence), 3)
        ids = (bass.id, after.id)
        return BASS_SEVENTH.event(label, span.start, following.end, ids, sure, detail)


def _step(first: Pitch, second: Pitch) -> int:
    """Return 1 or -1 for a step up or down, octaves aside, 0 for anything else."""
    steps = Interval.between(first, second).steps % 7
    size = abs(first.midi - second.midi) % 12
    if steps == 1 and size in (1, 2, 3, 9, 10, 11):
        return 1
    if steps == 6 and size in (1, 2, 3, 9, 10, 11):
        return -1
    return 0


_Notes: TypeAlias = tuple[Sequence[Note], Sequence[Note], Sequence[Note]]
"""The notes of a six-four, those of the dominant after it, and all that sound meanwhile."""


def _with_falls(details: SixFourDetails, fourth: int, sixth: int, notes: _Notes) -> SixFourDetails:
    """Return details with the notes of two pitch classes and those that they step down to."""
    high, low = _falling(sixth, notes), _falling(fourth, notes)
    return replace(details, sixth=high[0], sixth_to=high[1], fourth=low[0], fourth_to=low[1])


def _falling(tone: int, notes: _Notes) -> tuple[Pitch | None, Pitch | None]:
    """Return the highest note of a pitch class and the one that it steps down to, where there are such.

    A voice that comes to it by a step from below does not sink to it.
    """
    upper, later, line = notes
    highest = max(
        (note for note in upper if note.midi % 12 == tone), key=lambda note: note.midi, default=None
    )
    if highest is None:
        return None, None
    # Where another voice or hand takes the note up, this one has not sunk to it.
    own = (highest.part, highest.staff, highest.voice)
    goals = (
        note
        for note in later
        if (note.part, note.staff) == own[:2]
        and note.onset >= highest.end
        and _fall(highest.pitch, note.pitch)
    )
    goal = next(goals, None)
    if goal is None:
        return highest.pitch, None
    between = (note for note in line if highest.end <= note.onset < goal.onset)
    before = [note.midi for note in between if (note.part, note.staff, note.voice) == own]
    rises = bool(before) and 0 < goal.midi - before[-1] <= 2
    return highest.pitch, None if rises else goal.pitch


def _fall(first: Pitch, second: Pitch) -> bool:
    return first.diatonic - second.diatonic == 1 and first.midi - second.midi in (1, 2)


SIX_FOUR: Kind[SixFourDetails] = Kind(
    "six-four",
    SixFourDetails,
    find=find_sixfours,
    weight=2.0,
    labels={
        "cadential": 3.0,
        "arpeggiated": 1.2,
    },
    told_near=True,
    stop=Stop("cadence"),
    searched={
        "cadential six-four": ("cadential",),
        "passing six-four": ("passing",),
        "pedal six-four": ("pedal",),
    },
)


BASS_SEVENTH: Kind[BassSeventhDetails] = Kind(
    "seventh in the bass",
    BassSeventhDetails,
    weight=2.5,
    labels={
        "held": 1.5,
    },
    told_near=True,
)
