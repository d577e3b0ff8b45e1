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
from itertools import pairwise

import numpy as np
import numpy.typing as npt

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
    return int(np.clip(fifths - 2 + CENTRE, 1, FIFTHS - 1))


def frame_times(score: Score, also: Iterable[Fraction] = ()) -> list[Fraction]:
    """Return the moments at which a frame begins: every onset, every beat, every bar, and those in `also`."""
    times = {n.onset for n in score.notes if not n.grace} | set(also)
    for measure in score.measures:
        beat = measure.beat_length
        time = measure.start - measure.offset % beat if measure.offset else measure.start
        while time < measure.end:
            if time >= measure.start:
                times.add(time)
            time += beat
        times.add(measure.start)
    return sorted(t for t in times if t < score.end)


def _melodic_steps(notes: list[Note]) -> tuple[dict[str, int], dict[str, int]]:
    """Staff steps from the nearest note before and to the nearest after, in the same staff and voice.

    Codes: 0 none, 1 + STEP_LIMIT + step otherwise. In chords the note nearest in pitch counts.
    """
    arriving: dict[str, int] = {}
    leaving: dict[str, int] = {}
    voices: dict[tuple[int, str], list[list[Note]]] = {}
    for note in notes:
        groups = voices.setdefault((note.staff, note.voice), [])
        if groups and groups[-1][0].onset == note.onset:
            groups[-1].append(note)
        else:
            groups.append([note])
    for groups in voices.values():
        for before, after in pairwise(groups):
            # A rest longer than a half note breaks the line.
            if after[0].onset - max(n.end for n in before) > 2:
                continue
            for note in after:
                arriving[note.id] = _code(note, before, -1)
            for note in before:
                leaving[note.id] = _code(note, after, 1)
    return arriving, leaving


def _code(note: Note, others: list[Note], sign: int) -> int:
    nearest = min(others, key=lambda o: (abs(o.midi - note.midi), o.midi))
    step = sign * (nearest.pitch.diatonic - note.pitch.diatonic)
    return 1 + STEP_LIMIT + max(-STEP_LIMIT, min(STEP_LIMIT, step))


def _strength(offset: Fraction, beat: Fraction, bar: Fraction) -> float:
    if offset % bar == 0:
        return 1.0
    if bar / beat == 4 and offset % (2 * beat) == 0:
        return 0.75
    if offset % beat == 0:
        return 0.5
    if offset % (beat / 2) == 0 or offset % (beat / 3) == 0:
        return 0.25
    return 0.0


def encode(score: Score, also: Iterable[Fraction] = ()) -> Encoding:
    """Describe a score to the network, frames beginning at the moments of `also` too.

    Raises ValueError if nothing sounds.
    """
    notes = [n for n in score.notes if not n.grace and n.duration > 0]
    if not notes:
        raise ValueError("A score without notes cannot be read.")
    times = frame_times(score, also)
    count = len(times)
    codes = np.zeros((count, NOTES, NOTE_CODES), dtype=np.int16)
    values = np.zeros((count, NOTES, NOTE_VALUES), dtype=np.float32)
    frames = np.zeros((count, FRAME_VALUES), dtype=np.float32)
    signature = np.zeros(count, dtype=np.int16)
    arriving, leaving = _melodic_steps(notes)
    sounding: list[list[Note]] = [[] for _ in range(count)]
    for note in notes:
        index = bisect_right(times, note.onset) - 1
        while index < count and times[index] < note.end:
            sounding[index].append(note)
            index += 1
    staves = max(n.staff for n in notes)
    end = score.end
    for t, time in enumerate(times):
        following = times[t + 1] if t + 1 < count else end
        measure = score.measure_at(time)
        offset = time - measure.start + measure.offset
        beat, bar = measure.beat_length, measure.full_length
        strength = _strength(offset, beat, bar)
        signature[t] = fifths_index(measure.signature)
        here = sorted(sounding[t], key=lambda n: n.midi)
        frames[t] = (
            float(following - time),
            np.log1p(float(following - time)),
            strength,
            float(offset % bar / bar),
            float(offset % beat / beat),
            float(bar) / 4,
            float(beat),
            float(any(n.onset == time for n in here)),
            len(here) / NOTES,
            float(beat % Fraction(3, 2) == 0),
        )
        if len(here) > NOTES:
            here = here[: NOTES // 2] + here[-(NOTES - NOTES // 2) :]
        low = here[0] if here else None
        for k, note in enumerate(here):
            assert low is not None
            onset_measure = score.measures[note.measure]
            at = note.onset - onset_measure.start + onset_measure.offset
            codes[t, k] = (
                fifths_index(note.pitch.fifths),
                max(1, min(9, note.pitch.octave + 1)),
                arriving.get(note.id, 0),
                leaving.get(note.id, 0),
                max(1, min(FIFTHS - 1, note.pitch.fifths - low.pitch.fifths + CENTRE)),
            )
            values[t, k] = (
                float(note.onset == time),
                np.log1p(float(note.duration)),
                np.log1p(float(time - note.onset)),
                np.log1p(float(note.end - time)),
                float(note is low),
                float(k == len(here) - 1),
                k / max(1, len(here) - 1),
                (staves - note.staff) / max(1, staves - 1),
                _strength(at, onset_measure.beat_length, onset_measure.full_length),
                (note.midi - 60) / 24,
                float(note.staff == staves),
            )
    return Encoding((*times, end), codes, values, frames, signature)
