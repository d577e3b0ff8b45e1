"""Score, Reading and its tension -> Bends: a rubato, and the reason of each turn.

Phrases slow at their ends and make up for it in the middle (phrase arch; Todd, "The dynamics of dynamics",
1992; from memory), a clear fall of tension is waited for a moment, and the piece slows to its end. Slowing
follows one curve, v(x) = (1 + (w^q - 1) x)^(1/q), from 1 to w over the stretch x = 0..1 of written time, with
q = 3, as runners stop (Friberg and Sundberg, "Does music performance allude to locomotion?", J. Acoust. Soc.
Am. 105, 1999; formula and q from memory). How far is our own choice, smaller than what they measured. Where
the composer prints a change of tempo, nothing is added. Under all this beats in which little is struck, and
the edges of bars, are held a little.

Two bends at one moment are a jump: the tempo before, then the tempo from there on.

Event: kind ``"timing"``. `notes` are those struck where the bend arrives. Detail: ``beats`` Fraction: felt
beats over which it goes; ``slower`` float 0..1: by how much at its slowest; ``key`` Key and ``chord``
RomanNumeral (resolution: the chord waited for).

Sentences, one per label:

- phrase end: "The phrase ends here; take a little time over its end and begin the next in time."
- resolution: "Wait a moment before V lets the tension go."; only where no other turn of time is near
- final ritard: "Slow down bit by bit to the end, as a runner comes to a stop."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise, zip_longest
from math import exp, log2
from statistics import median

from understave.findings.cadences import CADENCE
from understave.findings.form import SECTION
from understave.findings.kinds import Kind
from understave.findings.lines import Lines, lines
from understave.findings.phrases import PHRASE
from understave.findings.remembered import remembered
from understave.findings.sounding_notes import soundings
from understave.harmony.reading import Details, Event, Reading
from understave.interpretation.plan import Bend, Tension, Voice
from understave.interpretation.printed import printed_loudness
from understave.interpretation.tempo import printed_tempo
from understave.interpretation.tension import TENSION, settles
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class TimingDetails(Details):
    """How long and how far the tempo bends."""

    beats: Fraction
    slower: float
    key: Key | None = None
    chord: RomanNumeral | None = None


CURVATURE = 3.0
"""q of the curve: 3 is braking at constant power."""
FINAL = 0.62
"""Share of the tempo that is left at the last note; measured final ritards go down to between 0.3 and 0.5."""
_FINAL_BARS = 2
"""Bars of the final ritard, at most."""
_END = {
    "perfect authentic": 0.18,
    "imperfect authentic": 0.15,
    "half": 0.13,
    "phrygian half": 0.14,
    "plagal": 0.14,
}
_PLAIN_END, _SECTION_END = 0.1, 0.24
"""By how much a phrase slows at its end: with a cadence, without one, and at the end of a section. Of 22
pianists the last beat is slower by about 0.13 (`training.playing`)."""
_ARCH = 0.04
"""By how much the middle of a phrase is faster."""
_WAIT = 0.06
"""By how much the beat before a clear fall of tension is slower."""
_APART = 2
"""Bars without another turn of time that such a wait needs to either side: where all is waited for, nothing
is (set by ear)."""
_LEANT = 0.03
"""By how much a dissonance of a beat or more that is leant on is slower: 22 pianists slow by .08 where the
plan leans (`training.playing`), those of `benchmarks.timing` hardly."""
_SPARSE, _FIRST, _LAST = 0.06, 0.015, 0.01
"""By how much a beat is slower for each halving of what moves in it below the piece's median, and the first
and last beat of a bar (natural logarithm of the tempo): what moves less is held longer. 22 pianists slow by
.18, .09 and .10 in one excerpt, hardly in the two others (`training.playing`); the amounts, about a third of
that, were compared in eleven rows on the pieces of `benchmarks.timing`."""
_FEWEST, _HALVINGS = 0.125, 2.0
"""Onsets in a quarter note that count at least; halvings that count, at most (set by ear: a held chord is not
waited through)."""
_CLEAR_FALL = 0.15
"""Fall of tension from which on it is waited for."""
_STEPS = 4
"""Straight pieces that draw the curve at a phrase's end; the final ritard has one for each half beat."""
_LEAST = 0.02
"""Slowing under which an unsure phrase end is let go by."""
_SLOWEST = 0.3
"""Share of the tempo that is always left."""


@dataclass(frozen=True, slots=True)
class _Shape:
    """A change of tempo: a line through (moment, factor), 1 before and after it; it may end with a jump.

    `told` is the moment at which its reason is told, where that is not its slowest.
    """

    points: tuple[tuple[Fraction, float], ...]
    why: Event | None
    told: Fraction | None = None

    @property
    def slowest(self) -> Fraction:
        return min(self.points, key=lambda p: p[1])[0]


def timing(
    score: Score,
    reading: Reading,
    tension: Sequence[Tension],
    amount: float = 1.0,
    leant: Sequence[Voice] = (),
) -> tuple[Bend, ...]:
    """Return the bends of the tempo in order of time; none with an `amount` of 0, twice as much with 2.

    `leant` are voices, of which those that lean are dwelt on.
    """
    if amount <= 0 or not score.measures:
        return ()
    piece = _Piece(score, amount)
    final = _final(piece, reading) if _rests(piece, reading) else None
    until = final.points[0][0] if final is not None else score.end
    shapes = [shape for shape in _phrases(piece, reading, until) if shape is not None]
    shapes += _resolutions(piece, tension, [shape for shape in shapes if shape.why is not None], until)
    shapes += _dwelling(piece, leant, until)
    shapes += _held(piece, until)
    if final is not None:
        shapes.append(final)
    return _together(shapes)


def slowing(x: float, left: float, q: float = CURVATURE) -> float:
    """Return the tempo at x = 0..1 of a slowing from 1 to `left`; see the module for the formula."""
    return float((1 + (left**q - 1) * x) ** (1 / q))


class _Piece:
    """A score with what is struck when, and where its tempo is bent in print."""

    def __init__(self, score: Score, amount: float) -> None:
        self.score = score
        self.amount = amount
        self.notes = score.struck
        self.onsets = [note.at for note in self.notes]
        line = printed_tempo(score)
        self.tempi = frozenset(point.moment for point in line)
        # Floats: equal moments give equal ones, and they compare many times as fast.
        self.printed = [
            (float(a.moment), float(b.moment)) for a, b in pairwise(line) if a.per_minute != b.per_minute
        ]

    def is_bent(self, start: Fraction, end: Fraction) -> bool:
        """Whether print changes the tempo within a stretch, bit by bit or at once before its end."""
        first, last = float(start), float(end)
        return any((s < last and e > first) or first < s == e < last for s, e in self.printed)

    def takes_up(self, moment: Fraction) -> bool:
        """Whether a tempo (*a tempo*) is printed at a moment or in the bar before: there it is kept."""
        since = max(Fraction(0), moment - self.score.measure_at(moment).full_length)
        return any(since < tempo <= moment for tempo in self.tempi)

    def struck(self, moment: Fraction) -> tuple[Note, ...]:
        first = bisect_left(self.onsets, float(moment))
        return self.notes[first : bisect_right(self.onsets, float(moment))]

    def left(self, by: float) -> float:
        """Return the share of the tempo that is left when it slows by so much."""
        return max(_SLOWEST, 1 - by * self.amount)

    def event(  # noqa: PLR0913
        self,
        label: str,
        start: Fraction,
        end: Fraction,
        at: Fraction,
        slower: float,
        sure: float,
        key: Key | None = None,
        chord: RomanNumeral | None = None,
    ) -> Event:
        beat = self.score.measure_at(start).beat_length
        detail = TimingDetails(beats=(end - start) / beat, slower=round(slower, 3), key=key, chord=chord)
        return TIMING.event(label, start, end, tuple(note.id for note in self.struck(at)), sure, detail)


def _rests(piece: _Piece, reading: Reading) -> bool:
    """Whether the last bars come to an end: by a close, on a tonic, on what is held, or under a fermata.

    What breaks off in the middle, a sample of some bars say, is not slowed to its end, nor is what goes back
    from there and ends at a printed *Fine*.
    """
    fine = piece.score.fine
    if fine is not None and fine < piece.score.measures[-1].start:
        return False
    if not piece.notes or not reading.spans:
        return True
    last, final = piece.notes[-1], reading.spans[-1]
    bar = piece.score.measure_at(last.onset)
    since = piece.score.measures[max(0, bar.index - _FINAL_BARS + 1)].start
    held = max(note.end for note in piece.struck(last.onset)) - last.onset
    return (
        final.numeral.chord(final.key).root == final.key.tonic
        or any(e.label in _END and found.arrival >= since for e, found in CADENCE.all(reading.events))
        or held >= bar.full_length / 2
        or any(note.fermata for note in piece.notes if note.end > since)
    )


def _final(piece: _Piece, reading: Reading) -> _Shape | None:
    """Return the slowing to the end, down to the last onset; None where print sees to it.

    It is told where the piece is over for everyone to hear.
    """
    score = piece.score
    if not piece.notes:
        return None
    last = piece.notes[-1].onset
    bars = score.measures
    first = score.measure_at(last).index - _FINAL_BARS + 1
    start = max(
        last - _FINAL_BARS * score.measure_at(last).full_length, bars[max(0, first)].start, score.end / 2
    )
    half = score.measure_at(last).beat_length / 2
    steps = int((last - start) / half)
    if steps < 1 or piece.is_bent(start, score.end):
        return None
    left = piece.left(1 - FINAL)
    length = last - start
    points = [(start + length * k / steps, slowing(k / steps, left)) for k in range(steps + 1)]
    why = piece.event("final ritard", start, last, last, 1 - left, 1.0)
    return _Shape((*points, (score.end, left)), why if _is_over(piece, reading) else None)


def _is_over(piece: _Piece, reading: Reading) -> bool:
    """Whether the last chord is the tonic, over it, and is waited on for a beat or under a fermata."""
    if not reading.spans:
        return True
    final, last = reading.spans[-1], piece.notes[-1]
    home, bar = final.key.tonic, piece.score.measure_at(last.onset)
    sounding = [note for note in piece.notes if note.end > last.onset]
    late = [note for note in piece.notes if note.end > last.onset - bar.full_length]
    over = {min(notes, key=lambda note: note.midi).midi % 12 for notes in (sounding, late)}
    waits = piece.score.end - last.onset >= bar.beat_length or any(note.fermata for note in sounding)
    return waits and final.numeral.chord(final.key).root == home and home.semitone in over


def _phrases(piece: _Piece, reading: Reading, until: Fraction) -> list[_Shape | None]:
    cadences = {
        event.end: event.label for event, found in CADENCE.all(reading.events) if found.ends_phrase == 1
    }
    sections = {event.end for event in reading.events if event in SECTION}
    found: list[_Shape | None] = []
    for event in reading.events:
        if event not in PHRASE:
            continue
        bar = piece.score.measure_at(event.start).full_length
        slow_from = event.end - min(bar, (event.end - event.start) / 3)
        if event.end <= until and event.end < piece.score.end:
            by = _SECTION_END if event.end in sections else _END.get(cadences.get(event.end, ""), _PLAIN_END)
            found.append(_phrase_end(piece, event, slow_from, by * event.confidence))
        arch_end = min(slow_from, until)
        if arch_end - event.start >= bar and not piece.is_bent(event.start, arch_end):
            faster = 1 + _ARCH * min(piece.amount, 2.0)
            middle = (event.start + arch_end) / 2
            found.append(_Shape(((event.start, 1.0), (middle, faster), (arch_end, 1.0)), None))
    return found


def _phrase_end(piece: _Piece, phrase: Event, start: Fraction, by: float) -> _Shape | None:
    """Return the slowing at the end of a phrase; it is told with the phrase's last note.

    At the moment at which the slowing ends the next phrase begins, perhaps with an upbeat.
    """
    end, sure = phrase.end, phrase.confidence
    if by < _LEAST or piece.is_bent(start, end):
        return None
    left = piece.left(by)
    length = end - start
    points = tuple((start + length * k / _STEPS, slowing(k / _STEPS, left)) for k in range(_STEPS + 1))
    sounding = piece.notes[: bisect_left(piece.onsets, float(end))]
    own = [note.onset for note in sounding if note.id in phrase.notes] or [
        note.onset for note in sounding[-1:]
    ]
    arrival = max(start, *own) if own else start
    why = piece.event("phrase end", start, end, arrival, 1 - left, sure)
    told = _is_plain(phrase) and not _runs_on(piece, phrase, start) and not piece.takes_up(arrival)
    return _Shape(points, why if told else None, arrival)


def _grows(score: Score, start: Fraction, end: Fraction) -> bool:
    """Whether the print is louder at the end of a stretch than at its start, or a crescendo leads there."""
    loudness = printed_loudness(score)
    beat = score.measure_at(end).beat_length
    led = any(s.kind == "crescendo" and s.start < end and 2 * (end - s.end) < beat for s in loudness.swells)
    return led or loudness.at(end) > loudness.at(start)


def _runs_on(piece: _Piece, phrase: Event, start: Fraction) -> bool:
    """Whether the print grows into the end of a phrase, or its last note runs on within half a beat."""
    # What is louder from the end on is the next phrase's own; a crescendo is louder before it.
    if _grows(piece.score, start, phrase.end - Fraction(1, 64)):
        return True
    own = [piece.score.note_by_id[i] for i in phrase.notes if i in piece.score.note_by_id]
    last = max(own, key=lambda note: note.onset, default=None)
    if last is None or last.fermata:
        return False
    line, beat = lines(piece.score), piece.score.measure_at(last.onset).beat_length
    after = line.after(last)
    if after is None or after.onset != last.end:
        return False
    return 2 * last.duration < beat or (last.duration < beat and _goes_on_alike(line, phrase, last))


def _goes_on_alike(line: Lines, phrase: Event, last: Note) -> bool:
    """Whether a phrase's last note moves as the one before it, and nothing but the harmony says it ends."""
    before, found = line.before(last), PHRASE.of(phrase)
    alike = before is not None and before.end == last.onset and before.duration == last.duration
    return alike and found is not None and _STOPS.isdisjoint(found.reasons)


def _is_plain(phrase: Event) -> bool:
    """Whether it is plain to see that a phrase ends: by a sign of its own where the line stops too, and on no
    chord that goes on.
    """
    found = PHRASE.of(phrase)
    if found is None or not found.reasons:
        # A phrase that the teacher or another reader set has no signs to be weighed.
        return phrase.confidence >= _TOLD
    reasons = set(found.reasons)
    goes_on = "half close" in reasons and "harmony stands still" in reasons
    stops = bool(reasons & _SIGNS) and bool(reasons & _STOPS)
    return phrase.confidence >= _TOLD and stops and not goes_on


_TOLD = 0.35
"""Confidence from which on the end of a phrase is told (set by ear)."""
_STOPS = frozenset(
    ("rest", "silence", "fermata", "double bar", "end of a slur", "a new slur from the upbeat", "long note")
)
"""What stops a line, or begins it anew, for everyone to hear."""
_SIGNS = frozenset(
    (
        *(_STOPS - {"long note"}),
        *("authentic close", "half close", "plagal close", "phrygian close", "end of the piece"),
    )
)
"""What shows the end of a phrase to everyone; a long note or a chord that stays does not."""


def _resolutions(
    piece: _Piece, tension: Sequence[Tension], ends: Sequence[_Shape], until: Fraction
) -> list[_Shape]:
    """Return a moment's waiting before each clear fall of tension that no phrase end covers already.

    Where the print grows louder into the chord, nothing lets go.
    """
    found: list[_Shape] = []
    taken = [(shape.points[0][0], shape.points[-1][0]) for shape in ends]
    for before, span in pairwise(tension):
        beat = piece.score.measure_at(before.start).beat_length
        fall = before.value - span.value
        start, end = span.start - beat, span.start + beat
        if (
            fall < _CLEAR_FALL
            or before.end != span.start
            or span.end - before.start < 2 * beat
            or end > until
        ):
            continue
        if before.end - before.start < beat or span.end - span.start < beat or piece.is_bent(start, end):
            continue
        if _grows(piece.score, start, span.start) or piece.takes_up(span.start):
            continue
        apart = _APART * piece.score.measure_at(before.start).full_length
        if any(s < end + apart and start < e + apart for s, e in taken):
            continue
        left = piece.left(_WAIT * min(1.0, fall / (2 * _CLEAR_FALL)))
        told = TENSION.of(span.why)
        key, chord = (told.key, told.chord) if told is not None else (None, None)
        sure = span.why.confidence
        why = piece.event("resolution", start, span.start, span.start, 1 - left, sure, key, chord)
        told_so = (
            key is not None and chord is not None and settles(piece.score, (span.start, span.end), key, chord)
        )
        found.append(_Shape(((start, 1.0), (span.start, left), (end, 1.0)), why if told_so else None))
        taken.append((start, end))
    return found


def _dwelling(piece: _Piece, leant: Sequence[Voice], until: Fraction) -> list[_Shape]:
    """Return the weight in time of the dissonances that are leant on: they linger for a beat.

    The advice to lean tells it; a bend has no reason of its own to tell.
    """
    found: list[_Shape] = []
    free = Fraction(0)
    onsets = {}
    for note in (piece.score.note_by_id[v.note] for v in leant if v.lean):
        beat = piece.score.measure_at(note.onset).beat_length
        if note.duration >= beat:
            onsets[note.onset] = note.onset + beat
    for start, end in sorted(onsets.items()):
        if start >= free and end <= until and not piece.is_bent(start, end):
            found.append(_Shape(((start, piece.left(_LEANT)), (end, piece.left(_LEANT))), None))
            free = end
    return found


@dataclass(frozen=True, slots=True)
class Beat:
    """A felt beat: from when to when, how many halvings less than usual moves in it (negative: more), and
    whether it begins or ends a bar of several.
    """

    start: Fraction
    end: Fraction
    halvings: float
    first: bool
    last: bool


@remembered
def beats_of(score: Score) -> tuple[Beat, ...]:
    """Return the beats of a score with how much moves in each: onsets in a quarter note, over the whole of
    what is held, against the median beat. Beats are those of the meter, in an upbeat and a split bar too.
    """
    onsets = soundings(score).moments
    found: list[tuple[Fraction, Fraction, bool, bool]] = []
    for bar, after in zip_longest(score.measures, score.measures[1:]):
        several = bar.full_length > bar.beat_length
        begins, ends = several and bar.offset == 0, several and (after is None or after.offset == 0)
        start = bar.start
        while start < bar.end:
            end = min(start + bar.beat_length - bar.past_beat(start), bar.end)
            found.append((start, end, begins and start == bar.start, ends and end == bar.end))
            start = end
    moving = [_moving(onsets, float(start), float(end), float(score.end)) for start, end, _, _ in found]
    usual = median(moving) if moving else _FEWEST
    return tuple(
        Beat(start, end, log2(usual / much), first, last)
        for (start, end, first, last), much in zip(found, moving, strict=True)
    )


def _moving(onsets: Sequence[float], start: float, end: float, last: float) -> float:
    """Return the onsets in a quarter note between two moments, over the whole of what is held through."""
    first, after = max(0, bisect_right(onsets, start) - 1), bisect_left(onsets, end)
    then = onsets[after] if after < len(onsets) else last
    lasts = max(end - start, then - min(start, onsets[first])) if onsets else end - start
    return max(_FEWEST, (after - first) / lasts)


def _held(piece: _Piece, until: Fraction) -> list[_Shape]:
    """Return how long notes and the edges of bars are held: a beat in which less is struck than usual takes
    its time. It lies under all other bends and has no reason of its own to tell.
    """
    found: list[_Shape] = []
    for beat in beats_of(piece.score):
        by = _SPARSE * min(_HALVINGS, max(0.0, beat.halvings)) + _FIRST * beat.first + _LAST * beat.last
        left = max(_SLOWEST, exp(-by * piece.amount))
        if by and beat.end <= until and not piece.is_bent(beat.start, beat.end):
            found.append(_Shape(((beat.start, left), (beat.end, left)), None))
    return found


def _together(shapes: Sequence[_Shape]) -> tuple[Bend, ...]:
    """Multiply shapes into one line: a bend at each of their points, two at one moment where it jumps."""
    reasons = {
        shape.slowest if shape.told is None else shape.told: shape.why
        for shape in reversed(shapes)
        if shape.why is not None
    }
    moments = sorted({*reasons, *(moment for shape in shapes for moment, _ in shape.points)})
    left = dict.fromkeys(moments, 1.0)
    right = dict.fromkeys(moments, 1.0)
    for shape in shapes:
        first, last = shape.points[0][0], shape.points[-1][0]
        for moment in moments[bisect_left(moments, first) : bisect_right(moments, last)]:
            value = _value(shape.points, moment)
            left[moment] *= value if moment > first else 1.0
            right[moment] *= value if moment < last else 1.0
    bends: list[Bend] = []
    for moment in moments:
        bends.append(Bend(moment, left[moment], reasons.get(moment)))
        if abs(right[moment] - left[moment]) > 1e-9:
            bends.append(Bend(moment, right[moment]))
    return tuple(bends)


def _value(points: Sequence[tuple[Fraction, float]], moment: Fraction) -> float:
    i = bisect_right(points, moment, key=lambda p: p[0])
    if i == len(points):
        return points[-1][1]
    (a, low), (b, high) = points[i - 1], points[i]
    return low + (high - low) * float((moment - a) / (b - a))


TIMING: Kind[TimingDetails] = Kind(
    "timing",
    TimingDetails,
)
