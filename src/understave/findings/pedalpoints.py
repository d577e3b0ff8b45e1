"""Score and spans -> pedal points, drones and repeated notes.

A pedal point is a note that stays, held or struck again, while the chords around it change, most tellingly
through chords that it does not belong to (Hutchinson, "Music Theory for the 21st-Century Classroom",
ch. 10, pedal point; *Open Music Theory*, "Embellishing Tones"). In the bass it is the lowest note from first
to last: higher notes of a broken chord may come between two strikings, but nothing lower, and no new chord
that begins on another bass. Elsewhere the same key must come back within a beat.

Event: kind ``"pedal point"``; `notes` are the strikings; it lasts from the first to the end of the last, or
of the figure that the last begins. Labels: ``"tonic"``, ``"dominant"``, ``"other degree"`` (in the bass),
``"inner"``, ``"upper"``. Detail:

- ``pitch`` Pitch: the (lowest) note. ``key`` Key: the key that fills most of it. ``degree`` int: its degree
  in that key, 1 to 7. ``place`` str: ``"bass"``, ``"inner"`` or ``"top"``.
- ``manner`` str: ``"held"``, ``"re-struck"``, ``"octave tremolo"`` (sixteenths or quicker, or a printed
  tremolo), ``"broken octaves"`` (slower), ``"figured"`` (returning in a broken chord).
- ``strikes`` int; ``bars`` Fraction: how long, in bars.
- ``chords`` tuple of RomanNumeral, ``chord_times`` tuple of Fraction: what moves over (under) it, repeated
  chords told once. ``foreign`` tuple of RomanNumeral: those that do not contain it.
- ``second`` Pitch: another tone held with it, a fifth above (a double pedal).
- ``above`` tuple of RomanNumeral, ``above_times``, ``above_ends`` tuples of Fraction: over a bass, what moves
  above it by itself where it does not contain the held tone (`over_held`), inversions read above it.

Event: kind ``"drone"``: a bass tone that lies under everything. Labels: ``"open fifth"``,
``"single tone"`` (octave doublings belong to it), four bars long at least. Detail: ``pitch``, ``key``,
``degree``, ``manner``, ``strikes``, ``bars`` as above; ``fifth`` Pitch: the upper tone of the open fifth.

Event: kind ``"repeated note"``: the same key, or the same chord, struck again and again in one voice.
Labels: ``"melody note"`` (four times at least), ``"inner note"``, ``"bass note"``, ``"chord"`` (six times).
Detail: ``pitch`` Pitch (of a chord, its top), ``strikes`` int, ``bars`` Fraction, ``value`` Fraction: the
note value in quarters, where it is the same throughout; ``chords`` tuple of RomanNumeral: harmonies met.

How long is long enough is fitted on the analysed training pieces that mark pedal points.

Sentences, one per label:

- tonic: "The bass keeps to the tonic F for four bars while the chords above it change: i, iv64, i."
- dominant: "The bass waits on the dominant B flat for ten bars; everything above it wants to go home."
- other degree: "The bass keeps to A flat while the chords above it change."
- inner: "The C in the middle stays while bass and melody move round it."
- upper: "The top voice stays on G while the chords below it change."
- open fifth: "F and C drone on below, as on a bagpipe."
- single tone: "One low F sounds on under eight bars."
- melody note: "The melody knocks on F eight times; only the harmony below can change its meaning."
- inner note: "The G is repeated in the middle twelve times."
- bass note: "The low C is repeated eight times."
- chord: "The same chord is struck eight times; listen for the note that changes it."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from understave.findings.chords_at import Harmony
from understave.findings.closes import numeral_in
from understave.findings.kinds import Kind, Lane, Stop
from understave.findings.sounding_notes import Soundings, soundings
from understave.findings.texture import texture_of, unled_bars
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Measure, Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Pitch
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class PedalPointDetails(Details):
    """The tone held and the chords over or under it."""

    pitch: Pitch
    key: Key
    degree: int
    manner: str
    strikes: int
    bars: Fraction
    place: str
    chords: tuple[RomanNumeral, ...]
    chord_times: tuple[Fraction, ...]
    foreign: tuple[RomanNumeral, ...]
    second: Pitch | None = None
    above: tuple[RomanNumeral, ...] | None = None
    above_times: tuple[Fraction, ...] | None = None
    above_ends: tuple[Fraction, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DroneDetails(Details):
    """The tone, or the open fifth, under everything."""

    pitch: Pitch
    key: Key
    degree: int
    manner: str
    strikes: int
    bars: Fraction
    fifth: Pitch | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatedNoteDetails(Details):
    """What is struck again and again."""

    pitch: Pitch
    strikes: int
    bars: Fraction
    chords: tuple[RomanNumeral, ...]
    value: Fraction | None = None


_REPEATS = {"melody note": 4, "inner note": 6, "bass note": 6, "chord": 6}
_QUICK = Fraction(1, 4)
_DRONE_BARS = 4
"""Bars from which a bass that stays under everything is heard as a drone. Set by ear."""
_LEAST = 0.4
"""Belief below which a tone that stays is not told as a pedal point."""
_MOVED = 0.1
"""Share of its time below which chords that change over a bass are no more than a moment's (set by ear)."""
_HARDLY = 0.3
"""Belief in a bass that stays for less than two bars under fewer than three changes: kept, not told. Two of
three such were disputed by readers of told sentences, though analysts of chorales mark some."""


@dataclass(frozen=True, slots=True)
class Held:
    """Strikings of one tone that belong together, in order, and where they are in the texture.

    In the bass octaves are the same tone; elsewhere a tone is one key of the piano.
    """

    notes: tuple[Note, ...]
    start: Fraction
    end: Fraction
    place: str

    @property
    def tone(self) -> int:
        """Sounding pitch class, 0 to 11."""
        return self.notes[0].midi % 12

    @property
    def low(self) -> Note:
        """The lowest striking, the earliest of equals."""
        return min(self.notes, key=lambda note: note.midi)


@dataclass(frozen=True, slots=True)
class Over:
    """The chords over a held tone: each chord once, when it begins, and how much of the time is foreign."""

    chords: tuple[RomanNumeral, ...]
    times: tuple[Fraction, ...]
    foreign: tuple[RomanNumeral, ...]
    foreign_share: float
    key: Key

    @property
    def changes(self) -> int:
        """How often the chord changes."""
        return len(self.chords) - 1

    def moved(self, end: Fraction) -> float:
        """Return the share of the time up to the end, 0..1, that is not the chord's that has most of it."""
        lasting: dict[RomanNumeral, Fraction] = defaultdict(Fraction)
        for chord, (start, stop) in zip(self.chords, pairwise((*self.times, end)), strict=True):
            lasting[chord] += max(Fraction(0), stop - start)
        return float(1 - max(lasting.values()) / max(sum(lasting.values()), Fraction(1, 64)))


def find_pedalpoints(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return pedal points, drones and repeated notes, sorted by start."""
    harmony = Harmony(spans)
    sounding = soundings(score)
    basses = bass_runs(score, sounding, harmony)
    others = [held for held in other_runs(score, sounding) if 4 * bars_of(score, held) >= 3]
    fifths: dict[int, list[Held]] = defaultdict(list)
    for held in others:
        fifths[(held.tone - 7) % 12].append(held)
    events = [
        *_pedals(score, harmony, basses, others, fifths),
        *_drones(score, harmony, basses, fifths),
        *_in_the_tune(score, spans, _repeated(score, harmony, sounding)),
    ]
    return tuple(sorted(events, key=lambda event: event.start))


# ---------------------------------------------------------------- tones that stay


def bass_runs(score: Score, sounding: Soundings, harmony: Harmony) -> tuple[Held, ...]:
    """Return the stretches through which one tone (in any octave) is the bass, sorted by start."""
    struck: dict[int, list[Note]] = defaultdict(list)
    for moment, chord in zip(sounding.moments, sounding.chords, strict=True):
        low = chord[0]
        for note in chord:
            # Octaves in the bass's own voice are one tone with it; another voice may pass over the tone.
            own = note is low or (
                note.midi % 12 == low.midi % 12 and (note.staff, note.voice) == (low.staff, low.voice)
            )
            if own and note.at == moment:
                struck[low.midi % 12].append(note)
    found: list[Held] = []
    for notes in struck.values():
        run = [notes[0]]
        reach = notes[0].end
        for note in notes[1:]:
            if not _stays_bass(score, sounding, harmony, run, reach, note):
                found.append(_bass(score, sounding, harmony, _from_entry(run, sounding, harmony)))
                run, reach = [], note.end
            run.append(note)
            reach = max(reach, note.end)
        found.append(_bass(score, sounding, harmony, _from_entry(run, sounding, harmony)))
    return tuple(sorted(found, key=lambda held: held.start))


def _stays_bass(
    score: Score, sounding: Soundings, harmony: Harmony, run: Sequence[Note], reach: Fraction, note: Note
) -> bool:
    """Whether a tone is still the bass from its last striking (held until `reach`) to the next."""
    if note.onset - reach >= score.measures[run[-1].measure].full_length:
        return False
    floor = min(run[-1].midi, note.midi)
    tone = note.midi % 12
    for chord in sounding.between(run[-1].onset, note.onset):
        low = chord[0]
        if low.midi < floor and low.midi % 12 != tone and not _dips(score, harmony, run, low):
            return False
    if note.onset <= reach:
        return True
    if _is_left(score, sounding, harmony, reach, note):
        return False
    measure = score.measures[run[-1].measure]
    if run[-1].duration >= measure.full_length and note.onset - reach >= measure.beat_length:
        # A note held for bars begins no figure: it is left as soon as another is the bass.
        return not any(chord and chord[0].midi % 12 != tone for chord in sounding.between(reach, note.onset))
    first = bisect_left(harmony.starts, float(reach))
    for i in range(first, bisect_left(harmony.starts, note.at)):
        if any(note.midi % 12 != tone for note in sounding.at(harmony.spans[i].start)[:1]):
            return False
    return True


def _is_left(score: Score, sounding: Soundings, harmony: Harmony, reach: Fraction, note: Note) -> bool:
    """Whether the root of a chord without the tone is the bass for more than a beat while the tone is silent:
    then the bass has moved, however it comes back (common practice, no source).
    """
    beat = score.measure_at(reach).beat_length
    for chord in sounding.between(reach, note.onset):
        low, span = chord[0], harmony.at(chord[0].onset)
        if span is None or low.onset < reach or low.duration <= beat:
            continue
        own = span.numeral.chord(span.key)
        if low.midi % 12 == own.root.semitone and note.midi % 12 not in own.semitones:
            return True
    return False


def _from_entry(run: Sequence[Note], sounding: Soundings, harmony: Harmony) -> Sequence[Note]:
    """Return a run without the strikings in a chord that began on another bass, where more follow."""
    span = harmony.at(run[0].onset)
    first = sounding.at(span.start)[:1] if span is not None else ()
    if span is None or not first or first[0].midi % 12 == run[0].midi % 12 or first[0].end > run[0].onset:
        return run
    later = [note for note in run if note.onset >= span.end]
    return later or run


def _dips(score: Score, harmony: Harmony, run: Sequence[Note], low: Note) -> bool:
    """Whether a note below only belongs to a broken chord that began deeper, on the tone itself.

    A note of a chord without the tone, struck when the tone has ended, is the bass of that chord.
    """
    span = harmony.at(low.onset)
    if run[-1].end <= low.onset and span is not None:
        own = span.numeral.chord(span.key).semitones
        if low.midi % 12 in own and run[-1].midi % 12 not in own:
            return False
    return (
        low.midi > min(note.midi for note in run[-8:])
        and low.duration < score.measures[low.measure].beat_length
        and low.onset != score.measures[low.measure].start
        and (span is None or span.start != low.onset)
    )


def _bass(score: Score, sounding: Soundings, harmony: Harmony, run: Sequence[Note]) -> Held:
    """Return a run as a whole: it lasts through the figure that its last striking begins, up to a chord that
    begins on another bass.
    """
    end = max(note.end for note in run)
    last = score.measures[score.measure_at(run[-1].onset).index]
    tone = run[-1].midi % 12
    limit = max(end, last.end)
    for moment, chord in _onsets(sounding, end, limit):
        if chord[0].midi <= run[-1].midi and chord[0].midi % 12 != tone:
            limit = moment
            break
    first = bisect_left(harmony.starts, float(end))
    for span in harmony.spans[first : bisect_left(harmony.starts, float(limit))]:
        if any(note.midi % 12 != tone for note in sounding.at(span.start)[:1]):
            limit = span.start
            break
    return Held(tuple(run), run[0].onset, limit if end < limit and _broken(run) else end, "bass")


def _onsets(
    sounding: Soundings, start: Fraction, end: Fraction
) -> Iterator[tuple[Fraction, tuple[Note, ...]]]:
    first = bisect_left(sounding.moments, float(start))
    for i in range(first, bisect_left(sounding.moments, float(end))):
        yield Fraction(sounding.moments[i]).limit_denominator(10**6), sounding.chords[i]


def _broken(run: Sequence[Note]) -> bool:
    """Whether the tone is let go between its strikings, as in a broken chord."""
    return any(b.onset > a.end for a, b in pairwise(run))


def other_runs(score: Score, sounding: Soundings) -> tuple[Held, ...]:
    """Return the stretches through which one key above the bass is held or comes back within a beat."""
    struck: dict[int, list[Note]] = defaultdict(list)
    highest: dict[str, bool] = {}
    for moment, chord in zip(sounding.moments, sounding.chords, strict=True):
        for note in chord[1:]:
            if note.at == moment:
                struck[note.midi].append(note)
                highest[note.id] = note.midi == chord[-1].midi
    found: list[Held] = []
    for notes in struck.values():
        run = [notes[0]]
        reach = notes[0].end
        for note in notes[1:]:
            gap = note.onset - reach
            if gap > score.measures[note.measure].beat_length or (gap > 0 and _left(sounding, run[-1], note)):
                found.append(_above(run, highest))
                run, reach = [], note.end
            run.append(note)
            reach = max(reach, note.end)
        found.append(_above(run, highest))
    return tuple(sorted(found, key=lambda held: float(held.start)))


def _left(sounding: Soundings, last: Note, note: Note) -> bool:
    """Whether the line went a step away from a key before it was struck again."""
    return any(
        0 < abs(n.midi - note.midi) <= 2 and n.staff in (last.staff, note.staff) and n.onset >= last.end
        for chord in sounding.between(last.end, note.onset)
        for n in chord
    )


def _above(run: Sequence[Note], highest: dict[str, bool]) -> Held:
    top = 5 * sum(highest[note.id] for note in run) >= 4 * len(run)
    return Held(tuple(run), run[0].onset, max(note.end for note in run), "top" if top else "inner")


# ---------------------------------------------------------------- chords over them


def chords_over(harmony: Harmony, held: Held) -> Over | None:
    """Return the chords through which a tone stays; None where nothing is labelled.

    On its own root a chord that takes a seventh or changes its mode is still the same chord.
    """
    first = max(0, bisect_right(harmony.starts, float(held.start)) - 1)
    last = bisect_left(harmony.starts, float(held.end))
    tone = held.tone
    chords: list[Span] = []
    times: list[Fraction] = []
    foreign: dict[Span, None] = {}
    keys: Counter[Key] = Counter()
    outside = total = 0.0
    sounds: object = None
    for i in range(first, last):
        span = harmony.spans[i]
        start, end = max(span.start, held.start), min(span.end, held.end)
        if end <= start:
            continue
        length = float(end - start)
        keys[span.key] += length  # type: ignore[assignment]
        total += length
        chord = span.numeral.chord(span.key)
        if tone not in harmony.tones[i]:
            outside += length
            foreign[span] = None
        root = chord.root.semitone
        if span.numeral.special == "Cad":
            # The cadential six-four is the dominant, delayed: no other chord over it.
            root = (root + 7) % 12
        here = root, (frozenset() if root == tone else harmony.tones[i] | {tone})
        if here != sounds:
            chords.append(span)
            times.append(start)
            sounds = here
    if not total:
        return None
    key = keys.most_common(1)[0][0]
    above = tuple(numeral_in(span, key) for span in chords)
    against = tuple(dict.fromkeys(numeral_in(span, key) for span in foreign))
    return Over(above, tuple(times), against, outside / total, key)


def _pedals(
    score: Score,
    harmony: Harmony,
    basses: Iterable[Held],
    others: Iterable[Held],
    fifths: Mapping[int, Sequence[Held]],
) -> Iterator[Event]:
    told: list[Held] = []
    for held in (*basses, *others):
        bars = bars_of(score, held)
        over = chords_over(harmony, held) if bars >= 1 else None
        if over is None or over.changes < 1:
            continue
        belief = pedal_belief(bars, over, held)
        if belief < _LEAST:
            continue
        if held.place != "bass" and any(_doubles(held, other) for other in told):
            continue
        told.append(held)
        if held.place == "bass" and ((bars < 2 and over.changes < 3) or over.moved(held.end) < _MOVED):
            belief = min(belief, _HARDLY)
        degree = _degree(held, over.key)
        label = {"inner": "inner", "top": "upper"}.get(held.place) or {1: "tonic", 5: "dominant"}.get(
            degree, "other degree"
        )
        detail = PedalPointDetails(
            pitch=held.low.pitch,
            key=over.key,
            degree=degree,
            manner=manner_of(score, held),
            strikes=_strikes(held),
            bars=_length(score, held),
            place=held.place,
            chords=over.chords,
            chord_times=over.times,
            foreign=over.foreign,
        )
        above = fifths.get(held.tone, ()) if held.place == "bass" else ()
        second = next((o for o in above if _lasts_with(held, o)), None)
        if second is not None:
            detail = replace(detail, second=second.low.pitch)
        yield PEDAL_POINT.event(label, held.start, held.end, _ids(held), belief, detail)


def pedal_belief(bars: float, over: Over, held: Held) -> float:
    """Return how likely a teacher would call it a pedal point, 0..1, 0 where it is none by definition.

    A chord that the tone is foreign to and time speak for it; a bass needs less than an inner voice.
    """
    changes, foreign = over.changes, over.foreign_share
    if held.place != "bass":
        if bars < 2 or changes < 3 or foreign < 0.15 or covered(held) < 0.75 * float(held.end - held.start):
            return 0.0
        return round(min(0.9, 0.2 + 0.06 * bars + 0.03 * changes + 0.4 * foreign), 3)
    if bars < 1 or (changes < 2 and foreign == 0):
        return 0.0
    # Foreign to all of it is a label that leaves the bass out, not a tone that comes to fit.
    value = 0.05 + 0.08 * min(bars, 6) + 0.04 * min(changes, 6) + (0.2 if foreign else 0.0)
    value += 0.3 * min(foreign, 0.5)
    return round(min(0.97, value), 3)


def _doubles(held: Held, other: Held) -> bool:
    """Whether a tone only doubles one told before, most of the time."""
    if held.tone != other.tone:
        return False
    common = min(held.end, other.end) - max(held.start, other.start)
    return 2 * common >= held.end - held.start


def _lasts_with(low: Held, high: Held) -> bool:
    """Whether a tone sounds on through most of a bass's time."""
    common = min(low.end, high.end) - max(low.start, high.start)
    return 5 * common >= 4 * (low.end - low.start)


def bars_of(score: Score, held: Held) -> float:
    """Return how long a tone stays, in bars of the meter it begins in."""
    return float(_length(score, held))


def _degree(held: Held, key: Key) -> int:
    """Return the degree of a tone by sound: that of its spelling where both agree."""
    pitch_class = held.low.pitch.pitch_class
    for number, scale in enumerate(key.scale, start=1):
        if scale.is_enharmonic(pitch_class):
            return number
    return key.degree(pitch_class)[0]


def _strikes(held: Held) -> int:
    return len({note.onset for note in held.notes})


def _length(score: Score, held: Held) -> Fraction:
    """Return how long a tone lasts, in bars."""
    return score.bars_between(held.start, held.end)


def manner_of(score: Score, held: Held) -> str:
    """Return how a tone is kept up: held, re-struck, octave tremolo, broken octaves or figured."""
    if any(o.startswith("tremolo") for note in held.notes for o in note.ornaments):
        return "octave tremolo" if len({note.midi for note in held.notes}) > 1 else "re-struck"
    together = Counter(note.onset for note in held.notes)
    single = [note for note in held.notes if together[note.onset] == 1]
    swings = sum(1 for a, b in pairwise(single) if abs(a.midi - b.midi) == 12)
    if len(single) >= 4 and 4 * swings >= 3 * (len(single) - 1):
        return "octave tremolo" if max(note.duration for note in single) <= _QUICK else "broken octaves"
    length = held.end - held.start
    if 4 * covered(held) < 3 * length:
        return "figured"
    slow = len(together) * score.measure_at(held.start).full_length <= length
    return "held" if slow or len(together) == 1 else "re-struck"


def covered(held: Held) -> float:
    """Return how long a tone sounds as written, in quarters, strikings that overlap counted once."""
    total, until = Fraction(0), held.start
    for note in held.notes:
        total += max(Fraction(0), note.end - max(until, note.onset))
        until = max(until, note.end)
    return float(total)


def _ids(held: Held) -> tuple[str, ...]:
    return tuple(note.id for note in held.notes)


# ---------------------------------------------------------------- drones


def _drones(
    score: Score, harmony: Harmony, basses: Iterable[Held], fifths: Mapping[int, Sequence[Held]]
) -> Iterator[Event]:
    for held in basses:
        bars = bars_of(score, held)
        if bars < _DRONE_BARS:
            continue
        over, manner = chords_over(harmony, held), manner_of(score, held)
        # What is let go between its strikings is the bass of a figure and does not sound on.
        if over is None or manner == "figured":
            continue
        above = fifths.get(held.tone, ())
        fifth = next((o for o in above if _lasts_with(held, o) and _together(held, o)), None)
        detail = DroneDetails(
            pitch=held.low.pitch,
            key=over.key,
            degree=_degree(held, over.key),
            manner=manner,
            strikes=_strikes(held),
            bars=_length(score, held),
        )
        if fifth is not None:
            detail = replace(detail, fifth=fifth.low.pitch)
            notes = (*_ids(held), *(note.id for note in fifth.notes if held.start <= note.onset < held.end))
            belief = round(min(0.95, 0.5 + 0.1 * bars), 3)
            yield DRONE.event("open fifth", held.start, held.end, notes, belief, detail)
        else:
            belief = round(min(0.9, 0.3 + 0.07 * bars), 3)
            yield DRONE.event("single tone", held.start, held.end, _ids(held), belief, detail)


def _together(low: Held, high: Held) -> bool:
    """Whether both tones of a fifth are struck together most of the time, close by."""
    onsets = {note.onset for note in low.notes}
    near = [note for note in high.notes if note.onset in onsets and 0 < note.midi - low.low.midi <= 19]
    return 2 * len({note.onset for note in near}) >= len(onsets)


# ---------------------------------------------------------------- repeated notes


def _repeated(score: Score, harmony: Harmony, sounding: Soundings) -> Iterator[Event]:
    voices: dict[tuple[int, int, str], dict[Fraction, list[Note]]] = defaultdict(dict)
    for note in score.struck:
        voices[note.part, note.staff, note.voice].setdefault(note.onset, []).append(note)
    for chords in voices.values():
        run: list[list[Note]] = []
        for chord in chords.values():
            beat = score.measures[chord[0].measure].beat_length
            if run and (_keys(run[-1]) != _keys(chord) or chord[0].onset - run[-1][0].end > beat):
                yield from _repeat(score, harmony, sounding, run)
                run = []
            run.append(chord)
        yield from _repeat(score, harmony, sounding, run)


def _in_the_tune(score: Score, spans: tuple[Span, ...], events: Iterable[Event]) -> Iterator[Event]:
    """Yield events, of what is highest those only that may be the melody: a repeated top may accompany.

    It does where a melody is found elsewhere that moves meanwhile, or where the top leads nothing.
    """
    unled = unled_bars(score, spans)
    tune = texture_of(score, spans).melody
    onsets = [note.at for note in tune]
    for event in events:
        here = tune[bisect_left(onsets, float(event.start)) : bisect_left(onsets, float(event.end))]
        own = sum(note.id in event.notes for note in here)
        moving = len({note.midi for note in here}) > 2 and 2 * own < len(event.notes)
        idle = {note.measure for i in event.notes if (note := score.note_by_id.get(i))} & unled
        if event.label != "melody note" or not (moving or (own and idle)):
            yield event


def _keys(chord: Sequence[Note]) -> tuple[int, ...]:
    return tuple(sorted(note.midi for note in chord))


def _repeat(
    score: Score, harmony: Harmony, sounding: Soundings, run: Sequence[list[Note]]
) -> Iterator[Event]:
    if len(run) < min(_REPEATS.values()):
        return
    label = "chord"
    if len(run[0]) == 1:
        sides = [_side(c[0], sounding.at(c[0].onset)) for c in run]
        label = Counter(sides).most_common(1)[0][0]
    if len(run) < _REPEATS[label]:
        return
    start, end = run[0][0].onset, max(note.end for note in run[-1])
    measure: Measure = score.measure_at(start)
    # Four slow notes in as many bars are a long tone, not a repetition: one a beat is the least.
    if (end - start) > len(run) * measure.beat_length:
        return
    top = max(run[0], key=lambda note: note.midi)
    values = {c[0].duration for c in run[:-1]}
    held = Held(tuple(note for c in run for note in c), start, end, "inner")
    over = chords_over(harmony, held)
    detail = RepeatedNoteDetails(
        pitch=top.pitch,
        strikes=len(run),
        bars=score.bars_between(start, end),
        chords=over.chords if over is not None else (),
    )
    if len(values) == 1:
        detail = replace(detail, value=values.pop())
    belief = round(min(0.95, 0.4 + 0.05 * len(run)), 3)
    yield REPEATED_NOTE.event(label, start, end, _ids(held), belief, detail)


def _side(note: Note, chord: Sequence[Note]) -> str:
    if note.midi >= chord[-1].midi:
        return "melody note"
    return "bass note" if note.midi <= chord[0].midi else "inner note"


PEDAL_POINT: Kind[PedalPointDetails] = Kind(
    "pedal point",
    PedalPointDetails,
    find=find_pedalpoints,
    weight=4.5,
    lasting=True,
    lane=Lane(line=True),
    stop=Stop("pedal point", lasts=True),
    searched={
        "dominant pedal": ("dominant",),
        "tonic pedal": ("tonic",),
    },
)


DRONE: Kind[DroneDetails] = Kind(
    "drone",
    DroneDetails,
    weight=3.5,
    lasting=True,
)


REPEATED_NOTE: Kind[RepeatedNoteDetails] = Kind(
    "repeated note",
    RepeatedNoteDetails,
    weight=1.6,
)
