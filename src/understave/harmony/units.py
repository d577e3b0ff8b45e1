"""Score -> Timeline: the piece cut at every note onset, as plain arrays a harmony can be scored on.

A *frame* runs from one onset to the next. A *unit* is a run of frames between two moments at which a
chord may change; it is the grain of the reading. Everything that is compared between pieces is in
felt beats and on the line of fifths relative to the piece's own centre, so that a transposed piece
gives the same numbers.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import lcm
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from understave.harmony.ticks import ticks, ticks_per_quarter
from understave.score.model import Measure, Note, Score

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SPAN = 41
"""Spelled pitch classes kept: 20 fifths to each side of the centre; stranger spellings are folded in."""
HALF = SPAN // 2
LEVELS = ("downbeat", "half bar", "beat", "half beat", "off beat")


@dataclass(frozen=True)
class Timeline:
    """The arrays. F frames, U units, P pairs of a note and a frame it sounds in.

    `times` has the U+1 unit limits in quarter notes; `frame_times` the F+1 frame limits;
    `first_frame` (U+1) says at which frame each unit begins. `beats` (F) are frame lengths in felt
    beats; `level` (F) the metric level of each frame's start, 0 downbeat to 4 off the half beat.
    `centre` is the place on the line of fifths that column `HALF` stands for.
    `paused` (F) is 1 where a phrase may have ended just before: after a fermata, a rest in all voices, a
    repeat sign or a new signature.
    `pair_note`, `pair_frame` (P) index notes and frames; `pair_share` (P) is the part of the frame
    that the note fills, divided among the notes that sound with it.
    """

    notes: tuple[Note, ...]
    times: tuple[Fraction, ...]
    frame_times: tuple[Fraction, ...]
    first_frame: Ints
    beats: Floats
    level: Ints
    centre: int
    signature: Ints
    column: Ints
    midi: Ints
    onset_frame: Ints
    pair_note: Ints
    pair_frame: Ints
    pair_share: Floats
    pair_fill: Floats
    bass: Ints
    top: Ints
    attacks: Ints
    paused: Ints

    @property
    def unit_beats(self) -> Floats:
        """Length of every unit in felt beats, shape (U,)."""
        total = np.concatenate(([0.0], np.cumsum(self.beats)))
        return np.diff(total[self.first_frame])

    def unit_at(self, time: Fraction) -> int:
        """Return the unit limit nearest to a moment."""
        i = bisect_left(self.times, time)
        if i == 0:
            return 0
        if i == len(self.times):
            return len(self.times) - 1
        return i if self.times[i] - time <= time - self.times[i - 1] else i - 1


class _Meter(NamedTuple):
    """A measure's start, the start of its meter, its beat, its full length, and parts of a beat; in ticks."""

    start: int
    origin: int
    beat: int
    full: int
    parts: int


def _meter(measure: Measure, unit: int) -> _Meter:
    beat = measure.beat_length
    start = ticks(measure.start, unit)
    return _Meter(
        start,
        start - ticks(measure.offset, unit),
        ticks(beat, unit),
        ticks(measure.full_length, unit),
        3 if beat != Fraction(4, measure.beat_type) else 2,
    )


def metric_level(measure: Measure, time: Fraction) -> int:
    """Return 0 for a downbeat, 1 half bar (even meters), 2 beat, 3 half (or third) of a beat, 4 else."""
    own = (measure.start, measure.offset, measure.beat_length, measure.full_length)
    unit = lcm(time.denominator, *(t.denominator for t in own))
    return _level(_meter(measure, unit), ticks(time, unit))


def _level(meter: _Meter, time: int) -> int:
    at = time - meter.origin
    if at % meter.full == 0:
        return 0
    beats, over = divmod(meter.full, meter.beat)
    if over == 0 and beats % 2 == 0 and beats > 2 and 2 * at % meter.full == 0:
        return 1
    if at % meter.beat == 0:
        return 2
    return 3 if meter.parts * at % meter.beat == 0 else 4


def fold(fifths: int, centre: int) -> int:
    """Return the column of a place on the line of fifths, moved by enharmonic steps into the window."""
    column = fifths - centre + HALF
    while column < 0:
        column += 12
    while column >= SPAN:
        column -= 12
    return column


def timeline(score: Score, limits: Iterable[Fraction] = ()) -> Timeline:
    """Cut a score into frames and units; `limits` are moments that must be unit limits besides.

    Grace notes and cue notes do not count. Raises ValueError where nothing else sounds.
    """
    notes = tuple(note for note in score.notes if note.duration > 0 and not note.grace and not note.cue)
    if not notes:
        raise ValueError("The score has no sounding notes.")
    # Whole ticks are as exact as fractions and many times faster.
    forced = set(limits)
    unit = ticks_per_quarter(score, forced)
    begins = [ticks(note.onset, unit) for note in notes]
    stops = [b + ticks(note.duration, unit) for b, note in zip(begins, notes, strict=True)]
    first, last = begins[0], max(ticks(score.end, unit), *stops)
    limit_ticks = {ticks(t, unit) for t in forced}
    starts = sorted({*begins, *(t for t in limit_ticks if first < t < last)})
    ends = [*starts[1:], last]
    frame_times = (*(Fraction(t, unit) for t in starts), Fraction(last, unit))
    meters = [_meter(measure, unit) for measure in score.measures]
    barlines = [meter.start for meter in meters]
    bars = [max(0, bisect_right(barlines, t) - 1) for t in starts]
    measures = [score.measures[i] for i in bars]
    level = np.array([_level(meters[i], t) for i, t in zip(bars, starts, strict=True)])
    lengths = np.array([(b - a) / unit for a, b in zip(starts, ends, strict=True)])
    beat_length = np.array([meters[i].beat / unit for i in bars])

    index = {t: i for i, t in enumerate(starts)}
    note_onset = [index[t] for t in begins]
    note_end = [bisect_left(ends, t) + 1 for t in stops]
    counts = np.array([max(1, e - s) for s, e in zip(note_onset, note_end, strict=True)])
    onset_frame = np.array(note_onset)
    pair_note = np.repeat(np.arange(len(notes)), counts)
    steps = np.arange(len(pair_note)) - np.repeat(np.cumsum(counts) - counts, counts)
    pair_frame = onset_frame[pair_note] + steps
    frame_start = np.array([t / unit for t in (*starts, last)])
    overlap = (
        np.minimum(np.array([t / unit for t in stops])[pair_note], frame_start[pair_frame + 1])
        - frame_start[pair_frame]
    )
    fill = np.clip(overlap / lengths[pair_frame], 0.0, 1.0)

    midi = np.array([note.midi for note in notes])
    fifths = np.array([note.pitch.fifths for note in notes])
    durations = np.array([float(note.duration) for note in notes])
    centre = _centre(fifths, durations)
    column = np.array([fold(int(f), centre) for f in fifths])

    size = len(starts)
    sounding = np.zeros(size)
    np.add.at(sounding, pair_frame, fill)
    share = fill / np.maximum(1.0, sounding[pair_frame])
    bass, top = _outer(pair_note, pair_frame, fill, midi, size)
    attacks = np.zeros(size, dtype=np.int64)
    np.add.at(attacks, onset_frame, 1)

    first_frame = _unit_starts(starts, [meters[i] for i in bars], level, attacks, limit_ticks)
    times = tuple(frame_times[i] for i in (*first_frame, size))
    return Timeline(
        notes=notes,
        times=times,
        frame_times=frame_times,
        first_frame=np.array([*first_frame, size]),
        beats=lengths / beat_length,
        level=level,
        centre=centre,
        signature=np.array([measure.signature for measure in measures]) - centre,
        column=column,
        midi=midi,
        onset_frame=onset_frame,
        pair_note=pair_note,
        pair_frame=pair_frame,
        pair_share=share,
        pair_fill=fill,
        bass=bass,
        top=top,
        attacks=attacks,
        paused=_paused(score, starts, measures, unit),
    )


def _centre(fifths: Ints, durations: Floats) -> int:
    """Return the weighted median place on the line of fifths; it moves with every transposition."""
    order = np.argsort(fifths, kind="stable")
    weight = np.cumsum(durations[order])
    return int(fifths[order][np.searchsorted(weight, weight[-1] / 2)])


def _outer(pair_note: Ints, pair_frame: Ints, fill: Floats, midi: Ints, size: int) -> tuple[Ints, Ints]:
    """Return the lowest and the highest note index of every frame, -1 where nothing sounds."""
    keep = fill > 0.3
    note, frame = pair_note[keep], pair_frame[keep]
    bass = np.full(size, -1)
    top = np.full(size, -1)
    order = np.lexsort((midi[note], frame))
    note, frame = note[order], frame[order]
    bass[frame[::-1]] = note[::-1]
    top[frame] = note
    return bass, top


def _unit_starts(
    starts: list[int], meters: list[_Meter], level: Ints, attacks: Ints, forced: set[int]
) -> list[int]:
    """Choose the frames at which a chord may change.

    Half beats always; finer places only where a full chord is struck; and the first onset after a beat
    that has none of its own (syncopation, a rest on the beat).
    """
    chosen = [0]
    for i in range(1, len(starts)):
        meter, t = meters[i], starts[i]
        if level[i] <= 3 or t in forced or attacks[i] >= 3:
            chosen.append(i)
            continue
        # The last half (or third) of a beat before here, in as many times a tick as a beat has parts.
        part = (t - meter.origin) * meter.parts // meter.beat * meter.beat
        if (starts[chosen[-1]] - meter.origin) * meter.parts < part:
            chosen.append(i)
    return chosen


def _paused(score: Score, starts: list[int], measures: list[Measure], unit: int) -> Ints:
    """Return 1 for every frame before which the music pauses."""
    index = {t: i for i, t in enumerate(starts)}
    paused = np.zeros(len(starts), dtype=np.int64)
    reach = 0
    by_onset = iter(
        sorted(
            (
                (ticks(note.onset, unit), ticks(note.duration, unit), note.fermata)
                for note in score.notes
                if note.duration > 0 and not note.grace
            ),
            key=lambda n: n[0],
        )
    )
    note = next(by_onset, None)
    for i, t in enumerate(starts):
        paused[i] |= i > 0 and reach < t
        while note is not None and note[0] <= t:
            end = note[0] + note[1]
            reach = max(reach, end)
            if note[2] and end in index:
                paused[index[end]] = 1
            note = next(by_onset, None)
    for i in range(1, len(starts)):
        here, before = measures[i], measures[i - 1]
        if here.index != before.index and (
            here.repeat_start or before.repeat_end or here.signature != before.signature
        ):
            paused[i] = 1
    return paused
