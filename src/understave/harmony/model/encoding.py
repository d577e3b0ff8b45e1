"""What the network sees of a score.

In: a Score. Out: an `Encoding` of small integer and float arrays, the same for training and use.

A frame begins at every note onset and at every beat. For each frame up to `NOTES` sounding notes are
described: spelled pitch on the line of fifths, octave, how the voice arrives and leaves, place above
the bass, and whether the note is struck now or held. Nothing else is known of the piece: no title,
no text, no chord symbols.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from understave.harmony.ticks import ticks, ticks_per_quarter
from understave.score.model import Note, Score

NOTES = 14
FIFTHS = 49
"""Places on the line of fifths that the input knows, centred on D (index 24); 0 means no note."""
CENTRE = 24
STEP_LIMIT = 9
NOTE_CODES = 5
NOTE_VALUES = 11
FRAME_VALUES = 12

Ints = npt.NDArray[np.int16]
Floats = npt.NDArray[np.float32]
Counts = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Encoding:
    """A score as the network sees it; T frames.

    `times` (T + 1 moments, the last is the end), `codes` (T, NOTES, NOTE_CODES) int16: fifths index,
    octave, step in, step out, fifths above the bass; 0 in `codes[..., 0]` marks an empty place.
    `values` (T, NOTES, NOTE_VALUES) float32, `frames` (T, FRAME_VALUES) float32, `signature` (T,)
    int16 index on the line of fifths of the signature's major tonic.
    """

    times: tuple[Fraction, ...]
    codes: Ints
    values: Floats
    frames: Floats
    signature: Ints


def fifths_index(fifths: int) -> int:
    """Place of a pitch class in the input's table, clipped at its ends (1..FIFTHS-1)."""
    return max(1, min(FIFTHS - 1, fifths - 2 + CENTRE))


def frame_times(score: Score, also: Iterable[Fraction] = ()) -> list[Fraction]:
    """Return the moments at which a frame begins: every onset, every beat, every bar, and those in `also`."""
    per_quarter, times = _frame_ticks(score, tuple(also))
    return [Fraction(t, per_quarter) for t in times]


def _frame_ticks(score: Score, also: tuple[Fraction, ...]) -> tuple[int, list[int]]:
    """Return how many ticks make a quarter note, and the ticks at which a frame begins."""
    per_quarter = ticks_per_quarter(score, also)
    end = ticks(score.end, per_quarter)
    times = {ticks(note.onset, per_quarter) for note in score.notes if not note.grace}
    times.update(ticks(t, per_quarter) for t in also)
    for measure in score.measures:
        beat = ticks(measure.beat_length, per_quarter)
        start = ticks(measure.start, per_quarter)
        stop = start + ticks(measure.length, per_quarter)
        first = start + -ticks(measure.offset, per_quarter) % beat
        times.update(range(first, stop, beat))
        times.add(start)
    return per_quarter, sorted(t for t in times if t < end)


def _melodic_steps(notes: list[Note], onsets: list[int], ends: list[int], far: int) -> tuple[Ints, Ints]:
    """Staff steps from the nearest note before and to the nearest after, in the same staff and voice.

    Codes: 0 none, 1 + STEP_LIMIT + step otherwise. In chords the note nearest in pitch counts. A rest
    longer than `far` ticks breaks the line.
    """
    arriving = np.zeros(len(notes), dtype=np.int16)
    leaving = np.zeros(len(notes), dtype=np.int16)
    midi = [note.midi for note in notes]
    height = [note.pitch.diatonic for note in notes]
    voices: dict[tuple[int, str], list[list[int]]] = {}
    for i, note in enumerate(notes):
        groups = voices.setdefault((note.staff, note.voice), [])
        if groups and onsets[groups[-1][0]] == onsets[i]:
            groups[-1].append(i)
        else:
            groups.append([i])

    def code(i: int, others: list[int], sign: int) -> int:
        own = midi[i]
        nearest = others[0] if len(others) == 1 else min(others, key=lambda o: (abs(midi[o] - own), midi[o]))
        step = sign * (height[nearest] - height[i])
        return 1 + STEP_LIMIT + max(-STEP_LIMIT, min(STEP_LIMIT, step))

    for groups in voices.values():
        for before, after in pairwise(groups):
            if onsets[after[0]] - max(ends[i] for i in before) > far:
                continue
            for i in after:
                arriving[i] = code(i, before, -1)
            for i in before:
                leaving[i] = code(i, after, 1)
    return arriving, leaving


@lru_cache(maxsize=4096)
def _strength(offset: int, beat: int, bar: int) -> float:
    if offset % bar == 0:
        return 1.0
    if bar == 4 * beat and offset % (2 * beat) == 0:
        return 0.75
    if offset % beat == 0:
        return 0.5
    if 2 * offset % beat == 0 or 3 * offset % beat == 0:
        return 0.25
    return 0.0


def _sounding(begins: Counts, onset: Counts, stop: Counts, midi: Counts) -> tuple[Counts, Counts]:
    """Return frames and the notes that sound in them, frame by frame, from the lowest note up."""
    first = np.searchsorted(begins, onset, side="right") - 1
    reach = np.maximum(np.searchsorted(begins, stop) - first, 0)
    note = np.repeat(np.arange(len(onset)), reach)
    step = np.arange(len(note)) - np.repeat(np.cumsum(reach) - reach, reach)
    frame = first[note] + step
    order = np.lexsort((midi[note], frame))
    return frame[order], note[order]


def held_bass(lowest: Ints, lengths: Floats) -> Floats:
    """Return since when the lowest sounding pitch class is the same, and how long it stays so, (T, 2).

    `lowest` (T,) is its place on the line of fifths, 0 where nothing sounds, which ends it; `lengths` (T,) in
    quarter notes. Both columns are log(1 + quarters), counted from the beginning of the frame.
    """
    begins = np.flatnonzero(np.diff(lowest, prepend=-1) != 0)
    run = np.repeat(begins, np.diff(np.append(begins, len(lowest))))
    after = np.repeat(np.append(begins[1:], len(lowest)), np.diff(np.append(begins, len(lowest))))
    time = np.concatenate([[0.0], np.cumsum(lengths, dtype=np.float64)])
    now = time[:-1]
    held = np.stack((now - time[run], time[after] - now), axis=1) * (lowest > 0)[:, None]
    result: Floats = np.log1p(held).astype(np.float32)
    return result


def encode(score: Score, also: Iterable[Fraction] = ()) -> Encoding:
    """Describe a score to the network, frames beginning at the moments of `also` too.

    Raises ValueError if nothing sounds.
    """
    notes = [note for note in score.notes if not note.grace and note.duration > 0]
    if not notes:
        raise ValueError("A score without notes cannot be read.")
    # Whole ticks are exact like fractions and many times faster; shares of ticks round as fractions do.
    unit, times = _frame_ticks(score, tuple(also))
    count = len(times)
    end = ticks(score.end, unit)
    onsets = [ticks(note.onset, unit) for note in notes]
    durations = [ticks(note.duration, unit) for note in notes]
    ends = [a + b for a, b in zip(onsets, durations, strict=True)]
    midi = np.array([note.midi for note in notes])
    fifths = np.array([note.pitch.fifths for note in notes])
    meters = [
        (
            ticks(measure.start, unit) - ticks(measure.offset, unit),
            ticks(measure.beat_length, unit),
            ticks(measure.full_length, unit),
        )
        for measure in score.measures
    ]
    starts = [ticks(measure.start, unit) for measure in score.measures]
    begins = np.array(times)
    onset, stop = np.array(onsets), np.array(ends)
    frame, note = _sounding(begins, onset, stop, midi)
    size = np.bincount(frame, minlength=count)

    bars = np.maximum(0, np.searchsorted(starts, begins, side="right") - 1)
    start, beat, bar = np.array(meters)[bars].T
    offset = begins - start
    length = (np.append(begins[1:], end) - begins) / unit
    strengths = [
        _strength(o, b, f) for o, b, f in zip(offset.tolist(), beat.tolist(), bar.tolist(), strict=True)
    ]
    frames = np.stack(
        (
            length,
            np.log1p(length),
            strengths,
            offset % bar / bar,
            offset % beat / beat,
            bar / unit / 4,
            beat / unit,
            np.isin(begins, onset),
            size / NOTES,
            2 * beat % (3 * unit) == 0,
        ),
        axis=1,
    ).astype(np.float32)
    signature = np.array([fifths_index(measure.signature) for measure in score.measures], dtype=np.int16)[
        bars
    ]

    codes = np.zeros((count, NOTES, NOTE_CODES), dtype=np.int16)
    values = np.zeros((count, NOTES, NOTE_VALUES), dtype=np.float32)
    if len(note):
        first = np.searchsorted(frame, np.arange(count))
        low = note[first[frame]]
        place = np.arange(len(note)) - first[frame]
        # Of more notes than there are places the lowest and the highest are told.
        cut = np.maximum(size - NOTES, 0)[frame]
        kept = (place < NOTES // 2) | (place >= NOTES // 2 + cut)
        place = np.where(place < NOTES // 2, place, place - cut)[kept]
        frame, note, low = frame[kept], note[kept], low[kept]
        held = np.minimum(size, NOTES)[frame]
        since, left = (begins[frame] - onset[note]) / unit, (stop[note] - begins[frame]) / unit
        arriving, leaving = _melodic_steps(notes, onsets, ends, 2 * unit)
        staff = np.array([note.staff for note in notes])
        staves = int(staff.max())
        strength = [
            _strength(o - s, b, f)
            for o, (s, b, f) in zip(onsets, (meters[note.measure] for note in notes), strict=True)
        ]
        length_of = np.log1p(np.array([d / unit for d in durations]))
        octave = np.clip([note.pitch.octave + 1 for note in notes], 1, 9)
        codes[frame, place] = np.stack(
            (
                np.clip(fifths - 2 + CENTRE, 1, FIFTHS - 1)[note],
                octave[note],
                arriving[note],
                leaving[note],
                np.clip(fifths[note] - fifths[low] + CENTRE, 1, FIFTHS - 1),
            ),
            axis=1,
        )
        values[frame, place] = np.stack(
            (
                since == 0,
                length_of[note],
                np.log1p(since),
                np.log1p(left),
                place == 0,
                place == held - 1,
                place / np.maximum(1, held - 1),
                ((staves - staff) / max(1, staves - 1))[note],
                np.array(strength)[note],
                ((midi - 60) / 24)[note],
                (staff == staves)[note],
            ),
            axis=1,
        )
    frames = np.concatenate((frames, held_bass(codes[:, 0, 0], frames[:, 0])), axis=1)
    moments = (*(Fraction(t, unit) for t in times), score.end)
    return Encoding(moments, codes, values, frames, signature)
