"""Score and Plan -> Performance: keys and pedal in seconds; and the clock that tells when each note comes.

The clock adds up printed tempo (`tempo`), the bends of the plan and the waiting at fermatas. Repeats are not
played out. Touch and ornaments are played simply (common practice, no source): staccato half its value, notes
under a slur overlapping the next a little, grace notes before the beat, broken chords upwards from the beat,
trills and other ornaments with the neighbours of the key signature, from the written note. The amounts are
set by ear, or fitted where it is said.

- `clock(score, plan, first=..., last=..., tempo=...)`: seconds for every written moment.
- `perform(score, plan, first=..., last=..., tempo=..., pedal=...)`: the performance of the bars from `first`
  to `last` (indices in `Score.measures`, both included); it begins at 0 seconds.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from understave.acoustics.performance import Performance, Strike
from understave.errors import UnderstaveError
from understave.interpretation.dynamics import level_at
from understave.interpretation.plan import Bend, PedalMove, Plan
from understave.interpretation.printed import PrintedAccent, printed_loudness
from understave.interpretation.printed_pedal import held_by_sostenuto, printed_pedal, within
from understave.interpretation.tempo import FASTEST, SLOWEST, basic_tempo, printed_tempo, tempo_at
from understave.score.model import Measure, Note, Score
from understave.stored import Stored
from understave.theory.pitch import Pitch

Floats: TypeAlias = npt.NDArray[np.float64]

_STEP = Fraction(1, 8)
"""Quarter notes between points of the clock; between them time runs evenly."""
FERMATA = 1.8
"""How many times its value the last beat of a note under a fermata lasts."""
SOFTEST, LOUDEST = 14.0, 127.0
"""Velocities between which a piano speaks."""
ACCENTS = {"accent": 8.0, "strong-accent": 14.0, "tenuto": 2.0}
"""Velocity that a printed sign adds to its note."""
_TOUCH = (
    ("staccatissimo", 0.3),
    ("spiccato", 0.4),
    ("staccato", 0.5),
    ("detached-legato", 0.75),
    ("tenuto", 1.0),
)
"""Share of its value that a note is held, by its sign; the first that applies."""
_PLAIN, _SLUR_END = 0.95, 0.85
"""The same for a note without a sign, and for the last under a slur."""
_OVERLAP = 0.03
"""Seconds that a note under a slur is held into the next."""
_LIFT = 0.04
"""Seconds between a key's going up and its being struck again."""
_GRACE, _ROLL, _TRILLED, _SHORTEST = 0.08, 0.04, 0.11, 0.03
"""Seconds of a grace note, between the notes of a broken chord, of a note in a trill, of any note."""
_RINGING_ON = 3.0
"""Seconds that a tie to nothing (laissez vibrer) goes on."""
HALF_WAY = 0.5
"""Depth to which a pedal that was deeper is only let up, and not released."""
_MELTED = 0.35
"""How much of its depth the pedal keeps at the top of a melting change; set by ear."""
_LATE = 0.22
"""Seconds after the beat at which a melting change begins, or a third of the way to the next: old and new are
heard together before the foot gives way; set by ear."""
FLUTTER = 0.48
"""Depth down to which a fluttering foot goes: just short of half, so that a MIDI file never reaches the 64
that divides off from on (MIDI 1.0 Detailed Specification), and no instrument takes it for so many changes."""
_TREMBLE = 0.2
"""Seconds of a foot's coming up and going down again as it flutters; set by ear."""
_EARLY, _UP, _CLEAR, _DOWN = 0.08, 0.12, 0.06, 0.25
"""Seconds by which a release begins before the beat, so that the dampers fall as the new harmony is struck;
for the pedal to go up, to stay up in a change, and to go down. Fitted by `training.playing`."""


@dataclass(frozen=True)
class Clock(Stored):
    """Seconds for written moments: points in order, time running evenly between them."""

    moments: tuple[Fraction, ...]
    seconds: tuple[float, ...]

    def at(self, moment: Fraction | float) -> float:
        """Return the second of a written moment; those outside are reckoned at the nearest tempo."""
        quarters, seconds = self._arrays
        return _continued(float(moment), quarters, seconds)

    def moment(self, second: float) -> float:
        """Return the written moment, in quarter notes, at a second."""
        quarters, seconds = self._arrays
        return _continued(second, seconds, quarters)

    @cached_property
    def _arrays(self) -> tuple[Floats, Floats]:
        return np.array([float(m) for m in self.moments]), np.array(self.seconds)


def _continued(x: float, xs: Floats, ys: Floats) -> float:
    if x < xs[0]:
        return float(ys[0] + (x - xs[0]) * (ys[1] - ys[0]) / (xs[1] - xs[0]))
    if x > xs[-1]:
        return float(ys[-1] + (x - xs[-1]) * (ys[-1] - ys[-2]) / (xs[-1] - xs[-2]))
    return float(np.interp(x, xs, ys))


def clock(
    score: Score,
    plan: Plan,
    *,
    first: int | None = None,
    last: int | None = None,
    tempo: float | None = None,
) -> Clock:
    """Return the clock of some bars; it starts at 0 seconds where the first of them begins.

    `tempo` sets the basic tempo in quarter notes a minute; printed changes and bends keep their proportion.
    """
    begin, finish = _stretch(score, first, last)
    printed = printed_tempo(score)
    asked = tempo if tempo is not None else plan.tempo
    if not SLOWEST <= asked <= FASTEST:
        raise UnderstaveError(
            f"A tempo of {asked:g} quarter notes a minute cannot be played; "
            f"give one from {SLOWEST:g} to {FASTEST:g}."
        )
    scale = asked / basic_tempo(score)
    waits = _fermatas(score)
    corners = {point.moment for point in printed} | {b.moment for b in plan.timing}
    corners |= {t for wait in waits for t in wait}
    moments = {begin + k * _STEP for k in range(int((finish - begin) / _STEP) + 1)}
    moments |= {t for t in corners if begin < t < finish} | {begin, finish}
    points = sorted(moments)
    seconds = [0.0]
    bent = 0
    for a, b in pairwise(points):
        middle = (a + b) / 2
        while bent < len(plan.timing) and plan.timing[bent].moment <= middle:
            bent += 1
        rate = tempo_at(printed, middle) * scale * _bend_at(plan.timing, bent, middle)
        if any(low <= middle < high for low, high in waits):
            rate /= FERMATA
        seconds.append(seconds[-1] + 60 * float(b - a) / min(FASTEST * 2, max(SLOWEST / 4, rate)))
    return Clock(tuple(points), tuple(seconds))


def _stretch(score: Score, first: int | None, last: int | None) -> tuple[Fraction, Fraction]:
    """Return where the bars from `first` to `last` begin and end."""
    if not score.measures:
        raise UnderstaveError("The score has no bars, so there is nothing to play.")
    count = len(score.measures)
    low, high = first if first is not None else 0, last if last is not None else count - 1
    if not 0 <= low <= high < count:
        raise UnderstaveError(f"Bars {low} to {high}, counted from 0, are not in a score of {count} bars.")
    begin, finish = score.measures[low].start, score.measures[high].end
    if finish <= begin:
        raise UnderstaveError("The bars asked for are empty, so there is nothing to play.")
    return begin, finish


def _fermatas(score: Score) -> tuple[tuple[Fraction, Fraction], ...]:
    """Return the stretches in which time waits: the last beat of whatever stands under a fermata."""
    held: dict[Fraction, Fraction] = {}
    for note in score.notes:
        if note.fermata and note.duration > 0:
            # What moves under a held note goes on; all wait together at the end.
            held[note.end] = max(note.onset, note.end - score.measures[note.measure].beat_length)
    found: list[tuple[Fraction, Fraction]] = []
    for end, start in sorted(held.items(), key=lambda item: item[1]):
        if not found or start >= found[-1][1]:
            found.append((start, end))
    return tuple(found)


def _bend_at(bends: Sequence[Bend], after: int, moment: Fraction) -> float:
    """Return the factor of the plan's timing at a moment after so many of its points; 1 before the first."""
    if after == 0:
        return 1.0
    if after == len(bends):
        return bends[-1].factor
    a, b = bends[after - 1], bends[after]
    return a.factor + (b.factor - a.factor) * float((moment - a.moment) / (b.moment - a.moment))


# --- the performance -------------------------------------------------------------------------------------


def perform(  # noqa: PLR0913
    score: Score,
    plan: Plan,
    *,
    first: int | None = None,
    last: int | None = None,
    tempo: float | None = None,
    pedal: Sequence[PedalMove] | None = None,
    soft: bool = False,
) -> Performance:
    """Play the bars from `first` to `last` under a plan; `pedal` takes the place of the plan's pedal.

    Notes held into the first bar are struck at its beginning. Raises UnderstaveError for bars that are not
    there and for a tempo that cannot be played.
    """
    begin, finish = _stretch(score, first, last)
    time = clock(score, plan, first=first, last=last, tempo=tempo)
    notes = [note for note in score.notes if not note.cue and _heard(note, begin, finish)]
    velocities = velocities_of(score, plan)
    graces, delays = _graces(notes, time, begin)
    rolled = _rolled(notes, time)
    legato, closing = _slurs(notes)
    tremolos = _tremolos(notes, time)
    print_ = printed_pedal(score)
    sustained = (*print_.sustained, *((s.start, s.end) for s in plan.sustained))
    caught = held_by_sostenuto(notes, sustained)
    strikes: list[Strike] = []
    for note in notes:
        velocity = velocities[note.id]
        if note.grace:
            start, end = graces[note.id]
            strikes.append(Strike(note.midi, start, end, velocity, note.id))
            continue
        onset = max(note.onset, begin)
        start = (
            time.at(onset) + delays.get((note.onset, note.staff, note.voice), 0.0) + rolled.get(note.id, 0.0)
        )
        release = time.at(min(note.onset + note.duration * _touch(note, note.id in closing), finish))
        if note.id in legato and not _sign(note) and note.end < finish:
            release = time.at(note.end) + _OVERLAP
        if "let-ring" in note.articulations:
            release += _RINGING_ON
        if note.id in caught:
            release = max(release, time.at(min(caught[note.id], finish)))
        release = max(release, start + _SHORTEST)
        if note.id in tremolos:
            played = tremolos[note.id]
        else:
            played = _ornamented(note, score.measures[note.measure], start, release, time)
        for k, (midi, s, e) in enumerate(played):
            softer = 3.0 if k and midi != note.midi else 0.0
            strikes.append(Strike(midi, s, e, max(SOFTEST, velocity - softer), note.id))
    shifted = print_.shifted
    if shifted:
        soft_notes = {note.id for note in notes if within(shifted, note.onset)}
        strikes = [replace(strike, soft=strike.note in soft_notes) for strike in strikes]
    strikes = _playable(strikes)
    moves = plan.pedal if pedal is None else tuple(pedal)
    end = max((strike.end for strike in strikes), default=0.0)
    return Performance(tuple(strikes), pedal_line(moves, time, begin, finish, end), soft)


def _heard(note: Note, begin: Fraction, finish: Fraction) -> bool:
    """Whether a note is struck or still held in a stretch."""
    return begin <= note.onset < finish or (note.onset < begin < note.end)


def velocities_of(score: Score, plan: Plan) -> dict[str, float]:
    """Return the velocity of every note: the line of loudness, its voice's amount, its printed accents."""
    amounts = {voice.note: voice.amount for voice in plan.voices}
    accents = _accents(score)
    return {
        note.id: min(
            LOUDEST,
            max(
                SOFTEST,
                level_at(plan.levels, note.onset)
                + amounts.get(note.id, 0.0)
                + accents.get(note.id, 0.0)
                + max((ACCENTS[a] for a in note.articulations if a in ACCENTS), default=0.0),
            ),
        )
        for note in score.notes
    }


def _accents(score: Score) -> dict[str, float]:
    """Return what sf and its like add to the notes they stand at: those of their staff, else all."""
    printed: dict[Fraction, list[PrintedAccent]] = defaultdict(list)
    for accent in printed_loudness(score).accents:
        printed[accent.moment].append(accent)
    found: dict[str, float] = {}
    struck: dict[Fraction, list[Note]] = defaultdict(list)
    for note in score.notes:
        if note.onset in printed and not note.grace:
            struck[note.onset].append(note)
    for moment, accents in printed.items():
        for accent in accents:
            own = [note for note in struck[moment] if note.staff == accent.staff] or struck[moment]
            for note in own:
                found[note.id] = max(found.get(note.id, 0.0), accent.amount)
    return found


# --- touch -----------------------------------------------------------------------------------------------


def _sign(note: Note) -> float | None:
    return next((share for name, share in _TOUCH if name in note.articulations), None)


def _touch(note: Note, closing: bool) -> Fraction:
    """Return the share of its value that a note is held."""
    share = _sign(note)
    if share is None:
        share = _SLUR_END if closing else _PLAIN
    elif "staccato" in note.articulations and "tenuto" in note.articulations:
        share = 0.75
    return Fraction(share).limit_denominator(100)


def _slurs(notes: Iterable[Note]) -> tuple[set[str], set[str]]:
    """Return the notes that lead on under a slur, and those that end one. Slurs never closed do not count."""
    lines: dict[tuple[int, int, str], dict[Fraction, list[Note]]] = defaultdict(lambda: defaultdict(list))
    for note in notes:
        if not note.grace:
            lines[note.part, note.staff, note.voice][note.onset].append(note)
    legato: set[str] = set()
    closing: set[str] = set()
    for line in lines.values():
        groups = [line[t] for t in sorted(line)]
        opened: list[int] = []
        closed: list[tuple[int, int]] = []
        for k, group in enumerate(groups):
            marks = [a for note in group for a in note.articulations]
            for _ in range(min(marks.count("slur-stop"), len(opened))):
                closed.append((opened.pop(), k))
                if not opened:
                    closing.update(note.id for note in group)
            opened += [k] * marks.count("slur-start")
        reached = -1
        for begun, end in sorted(closed):
            legato.update(note.id for g in groups[max(begun, reached) : end] for note in g)
            reached = max(reached, end)
    return legato, closing - legato


# --- ornaments -------------------------------------------------------------------------------------------


def _graces(
    notes: Sequence[Note], time: Clock, begin: Fraction
) -> tuple[dict[str, tuple[float, float]], dict[tuple[Fraction, int, str], float]]:
    """Place grace notes before their note; at the very beginning on the beat, and the note waits for them."""
    groups: dict[tuple[Fraction, int, str], list[Note]] = defaultdict(list)
    for note in notes:
        if note.grace:
            groups[note.onset, note.staff, note.voice].append(note)
    onsets = sorted({note.onset for note in notes if not note.grace and note.onset >= begin})
    placed: dict[str, tuple[float, float]] = {}
    delays: dict[tuple[Fraction, int, str], float] = {}
    for key, group in groups.items():
        onset = time.at(key[0])
        i = bisect_left(onsets, key[0])
        room = onset - time.at(onsets[i - 1]) if i else 0.0
        each = min(_GRACE, 0.6 * room / len(group)) if room else _GRACE
        start = onset - each * len(group)
        if not room:
            start, delays[key] = onset, each * len(group)
        for k, note in enumerate(group):
            placed[note.id] = (start + k * each, start + (k + 1) * each + _OVERLAP / 2)
    return placed, delays


def _rolled(notes: Iterable[Note], time: Clock) -> dict[str, float]:
    """Return by how many seconds the notes of broken chords come after the beat."""
    chords: dict[tuple[int, Fraction], list[Note]] = defaultdict(list)
    for note in notes:
        if note.arpeggiated and not note.grace:
            chords[note.part, note.onset].append(note)
    delays: dict[str, float] = {}
    for chord in chords.values():
        if len(chord) > 1:
            chord.sort(key=lambda note: note.midi)
            shortest = min(time.at(note.end) - time.at(note.onset) for note in chord)
            each = min(_ROLL, 0.4 * shortest / (len(chord) - 1))
            delays |= {note.id: k * each for k, note in enumerate(chord)}
    return delays


def _ornamented(
    note: Note, measure: Measure, start: float, end: float, time: Clock
) -> list[tuple[int, float, float]]:
    """Return what is struck for a note: (MIDI number, start, end) in seconds; itself if nothing adorns it."""
    main = note.midi
    upper, lower = _neighbour(note, measure, 1), _neighbour(note, measure, -1)
    length = end - start
    quick = min(_TRILLED, length / 4)
    names = set(note.ornaments)
    marks = next((o for o in note.ornaments if o.startswith("tremolo-") and o[8:].isdigit()), "")
    if marks:
        unit = Fraction(1, 2 ** min(5, int(marks[8:])))
        count = max(1, int(note.duration / unit))
        beats = [time.at(note.onset + k * unit) for k in range(count)] + [time.at(note.end)]
        return [(main, a, a + 0.9 * (b - a)) for a, b in pairwise(beats)]
    if names & {"trill", "shake"} and length > 4 * _SHORTEST:
        count = max(3, int(length / _TRILLED))
        # An odd number of notes, so that the trill ends where it began.
        count += 1 - count % 2
        each = length / count
        return [((upper if k % 2 else main), start + k * each, start + (k + 1) * each) for k in range(count)]
    if names & {"inverted-mordent", "mordent"}:
        other = upper if "inverted-mordent" in names else lower
        return [
            (main, start, start + quick),
            (other, start + quick, start + 2 * quick),
            (main, start + 2 * quick, end),
        ]
    if names & {"turn", "inverted-turn", "vertical-turn", "inverted-vertical-turn"}:
        around = (
            (upper, main, lower)
            if not any(o.startswith("inverted") for o in names)
            else (
                lower,
                main,
                upper,
            )
        )
        turn = [(m, start + k * quick, start + (k + 1) * quick) for k, m in enumerate(around)]
        return [*turn, (main, start + 3 * quick, end)]
    if names & {"delayed-turn", "delayed-inverted-turn"}:
        around = (upper, main, lower) if "delayed-turn" in names else (lower, main, upper)
        late = end - 4 * quick if length > 6 * quick else start + length / 3
        each = (end - late) / 4
        turn = [(m, late + k * each, late + (k + 1) * each) for k, m in enumerate((*around, main))]
        return [(main, start, late), *turn]
    return [(main, start, end)]


_SHARPS = "FCGDAEB"
# Semitones, by the accidental's name in MusicXML 4.0 ("accidental-mark").
_ACCIDENTALS = {
    "accidental-sharp": 1,
    "accidental-flat": -1,
    "accidental-natural": 0,
    "accidental-double-sharp": 2,
    "accidental-flat-flat": -2,
}


def _neighbour(note: Note, measure: Measure, steps: int) -> int:
    """Return the MIDI number of the next staff step in the key signature, or as an accidental says."""
    octave, index = divmod(note.pitch.diatonic + steps, 7)
    letter = "CDEFGAB"[index]
    sharps = measure.signature
    place = _SHARPS.index(letter)
    alter = int(place < sharps) - int(6 - place < -sharps)
    marked = next((_ACCIDENTALS[o] for o in note.ornaments if o in _ACCIDENTALS), None)
    if marked is not None and (steps > 0 or "mordent" in note.ornaments):
        alter = marked
    return Pitch(letter, alter, octave).midi


def _tremolos(notes: Sequence[Note], time: Clock) -> dict[str, list[tuple[int, float, float]]]:
    """Return what is struck in tremolos between two chords, by note id."""
    starts: dict[tuple[int, str, Fraction], list[Note]] = defaultdict(list)
    stops: dict[tuple[int, str, Fraction], list[Note]] = defaultdict(list)
    for note in notes:
        for o in note.ornaments:
            if o.startswith(("tremolo-start-", "tremolo-stop-")):
                (starts if "start" in o else stops)[note.part, note.voice, note.onset].append(note)
    found: dict[str, list[tuple[int, float, float]]] = {}
    for (part, voice, onset), group in starts.items():
        after = stops.get((part, voice, onset + group[0].duration))
        marks = next(o for note in group for o in note.ornaments if o.startswith("tremolo-start-"))[14:]
        if not after or not marks.isdigit():
            continue
        unit = Fraction(1, 2 ** min(5, max(1, int(marks))))
        total = group[0].duration + after[0].duration
        count = max(2, int(total / unit))
        edges = [time.at(onset + k * total / count) for k in range(count + 1)]
        for chord, parity in ((group, 0), (after, 1)):
            for note in chord:
                found[note.id] = [(note.midi, edges[k], edges[k + 1]) for k in range(parity, count, 2)]
    return found


# --- keys and pedal --------------------------------------------------------------------------------------


def _playable(strikes: list[Strike]) -> list[Strike]:
    """Let every key go up before it is struck again; two voices on one key strike it once."""
    by_key: dict[int, list[Strike]] = defaultdict(list)
    for strike in sorted(strikes, key=lambda strike: (strike.start, -strike.end)):
        line = by_key[strike.midi]
        before = line[-1] if line else None
        if before is not None and strike.start - before.start < _SHORTEST:
            line[-1] = replace(
                before, end=max(before.end, strike.end), velocity=max(before.velocity, strike.velocity)
            )
            continue
        if before is not None and before.end > strike.start - _LIFT:
            # Time for the key to come up, but never more than half of the note.
            lift = min(_LIFT, (strike.start - before.start) / 2)
            line[-1] = replace(before, end=strike.start - lift)
        line.append(strike)
    return sorted(
        (strike for line in by_key.values() for strike in line),
        key=lambda strike: (strike.start, strike.midi),
    )


def let_up_to(depth: float, move: PedalMove) -> float:
    """Return the depth to which a move lets up a pedal that is down, before it goes down again if it does."""
    if 0.0 < move.depth <= HALF_WAY < depth:
        # Down to half is half a release: the heavy bass strings ring through it.
        return move.depth
    return depth * _MELTED if move.late and move.depth else 0.0


def pedal_line(
    moves: Sequence[PedalMove], time: Clock, begin: Fraction, finish: Fraction, end: float
) -> tuple[tuple[float, float], ...]:
    """Return the pedal's way: up as the new harmony comes, down again just after; up when all is over.

    A late move begins its release after the beat, takes twice as long and does not come up all the way, so
    that the old sound melts into the new.
    """
    depth = next((move.depth for move in reversed(moves) if move.moment < begin), 0.0)
    inside = [move for move in moves if begin <= move.moment < finish]
    if inside and inside[0].moment == begin:
        depth = 0.0
    line: list[tuple[float, float]] = [(0.0, depth)] if depth else []
    for k, move in enumerate(inside):
        t = time.at(move.moment)
        then = time.at(inside[k + 1].moment) if k + 1 < len(inside) else t + 1.0
        slower = 2.0 if move.late else 1.0
        share = slower * min(1.0, max(0.0, then - t) / (slower * (_UP + _CLEAR + _DOWN)))
        if share <= 0:
            depth = move.depth if not line else depth
            continue
        since = t - line[-1][0] if line else t
        if not depth:
            start = t
        elif move.late:
            start = t + min(_LATE, max(0.0, then - t) / 3)
            share *= 1 - (start - t) / max(1e-6, then - t)
        else:
            start = t - min(_EARLY, max(0.0, since) / 2)
        line.append((start, depth))
        top = let_up_to(depth, move)
        if depth:
            line.append((start + share * _UP, top))
        if move.depth != top:
            down = start + share * (_UP + _CLEAR if depth else 0.0)
            line += [(down, top), (down + share * _DOWN, move.depth)]
        depth = move.depth
        if move.flutter:
            line += _fluttering(
                line[-1][0], (then if k + 1 < len(inside) else time.at(finish)) - _EARLY, depth
            )
    if depth:
        over = max(end, time.at(finish))
        line += [(over, depth), (over + _UP, 0.0)]
    return tuple(dict.fromkeys(line))


def _fluttering(since: float, until: float, depth: float) -> list[tuple[float, float]]:
    """Return the way of a foot that flutters from one second to another; it ends as deep as it begins."""
    times = max(0, int((until - since) / _TREMBLE))
    return [
        (since + (k + half) * _TREMBLE, depth if half == 1.0 else depth / 2)
        for k in range(times)
        for half in (0.5, 1.0)
    ]
