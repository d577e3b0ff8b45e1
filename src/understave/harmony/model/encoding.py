"""What the network sees of a score.

In: a Score. Out: an `Encoding` of small integer and float arrays, the same for training and use.

A frame begins at every note onset and at every beat. For each frame up to `NOTES` sounding notes are
described: spelled pitch on the line of fifths, octave, how the voice arrives and leaves, place above
the bass, and whether the note is struck now or held. Nothing else is known of the piece: no title,
no text, no chord symbols.
"""

from __future__ import annotations

from bisect import bisect_right
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
FRAME_VALUES = 10

Ints = npt.NDArray[np.int16]
Floats = npt.NDArray[np.float32]


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
    times = {ticks(n.onset, per_quarter) for n in score.notes if not n.grace}
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
    midi = [n.midi for n in notes]
    height = [n.pitch.diatonic for n in notes]
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


def encode(score: Score, also: Iterable[Fraction] = ()) -> Encoding:
    """Describe a score to the network, frames beginning at the moments of `also` too.

    Raises ValueError if nothing sounds.
    """
    notes = [n for n in score.notes if not n.grace and n.duration > 0]
    if not notes:
        raise ValueError("A score without notes cannot be read.")
    # Whole ticks are exact like fractions and many times faster; shares of ticks round as fractions do.
    unit, times = _frame_ticks(score, tuple(also))
    count = len(times)
    end = ticks(score.end, unit)
    onsets = [ticks(n.onset, unit) for n in notes]
    durations = [ticks(n.duration, unit) for n in notes]
    ends = [a + b for a, b in zip(onsets, durations, strict=True)]
    midi = [n.midi for n in notes]
    fifths = np.array([n.pitch.fifths for n in notes])
    meters = [
        (
            ticks(m.start, unit) - ticks(m.offset, unit),
            ticks(m.beat_length, unit),
            ticks(m.full_length, unit),
        )
        for m in score.measures
    ]
    starts = [ticks(m.start, unit) for m in score.measures]
    sounding: list[list[int]] = [[] for _ in range(count)]
    for i, onset in enumerate(onsets):
        index = bisect_right(times, onset) - 1
        stop = ends[i]
        while index < count and times[index] < stop:
            sounding[index].append(i)
            index += 1

    frames = np.zeros((count, FRAME_VALUES), dtype=np.float32)
    signature = np.zeros(count, dtype=np.int16)
    cells: list[tuple[int, int, int]] = []
    spread: list[tuple[int, int, int]] = []
    since: list[float] = []
    left: list[float] = []
    for t, time in enumerate(times):
        following = times[t + 1] if t + 1 < count else end
        number = max(0, bisect_right(starts, time) - 1)
        start, beat, bar = meters[number]
        offset = time - start
        signature[t] = fifths_index(score.measures[number].signature)
        here = sorted(sounding[t], key=midi.__getitem__)
        length = (following - time) / unit
        frames[t] = (
            length,
            np.log1p(length),
            _strength(offset, beat, bar),
            offset % bar / bar,
            offset % beat / beat,
            bar / unit / 4,
            beat / unit,
            any(onsets[i] == time for i in here),
            len(here) / NOTES,
            2 * beat % (3 * unit) == 0,
        )
        if len(here) > NOTES:
            here = here[: NOTES // 2] + here[-(NOTES - NOTES // 2) :]
        for k, i in enumerate(here):
            cells.append((t, k, i))
            spread.append((here[0], k == len(here) - 1, max(1, len(here) - 1)))
            since.append((time - onsets[i]) / unit)
            left.append((ends[i] - time) / unit)

    codes = np.zeros((count, NOTES, NOTE_CODES), dtype=np.int16)
    values = np.zeros((count, NOTES, NOTE_VALUES), dtype=np.float32)
    if cells:
        frame, place, note = np.array(cells).T
        low, last, steps = np.array(spread).T
        arriving, leaving = _melodic_steps(notes, onsets, ends, 2 * unit)
        staff = np.array([n.staff for n in notes])
        staves = int(staff.max())
        strength = [
            _strength(onset - start, beat, bar)
            for onset, (start, beat, bar) in zip(onsets, (meters[n.measure] for n in notes), strict=True)
        ]
        length_of = np.log1p(np.array([d / unit for d in durations]))
        octave = np.clip([n.pitch.octave + 1 for n in notes], 1, 9)
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
                np.array(since) == 0,
                length_of[note],
                np.log1p(since),
                np.log1p(left),
                place == 0,
                last,
                place / steps,
                ((staves - staff) / max(1, staves - 1))[note],
                np.array(strength)[note],
                ((np.array(midi) - 60) / 24)[note],
                (staff == staves)[note],
            ),
            axis=1,
        )
    moments = (*(Fraction(t, unit) for t in times), score.end)
    return Encoding(moments, codes, values, frames, signature)
