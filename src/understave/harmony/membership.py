"""Timeline -> how likely each sounding note is to belong to the chord, before any chord is chosen.

The signs are those by which non-chord tones are taught (Hutchinson, "Music Theory for the 21st-Century
Classroom", ch. 10; *Open Music Theory*, "Embellishing Tones"): reached and left by step, held over and
resolved down, short, off the beat, clashing with what sounds. They are weighed by a logistic function.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict

import numpy as np

from understave.harmony.units import HALF, SPAN, Floats, Ints, Timeline

SIGNS = (
    "one",
    "log beats",
    *(f"struck on {x}" for x in ("downbeat", "half bar", "beat", "half beat", "off beat")),
    "reached by step",
    "left by step",
    "passing",
    "neighbour",
    "repeated from",
    "repeated to",
    "reached by leap",
    "left by leap",
    "stands alone before",
    "stands alone after",
    "prepared, falls by step",
    "held, falls by step",
    "held",
    "held over a stronger beat",
    "next is stronger",
    "next is longer",
    "previous is longer",
    "bass",
    "top",
    "doubled",
    *(f"{i} over bass" for i in range(1, 12)),
    "semitone clash",
    "whole-tone clash",
    "tritone",
    "thirds and sixths",
    "fourths and fifths",
    "voices 1",
    "voices 2",
    "voices 4+",
    "share of the bar",
    "share of the beat",
    "outside the signature",
    "struck with others",
    "chromatic neighbour",
    "alone and reached by step",
    "alone and left by step",
)


def signs(line: Timeline) -> Floats:
    """Return the signs of every note-frame pair, shape (P, len(SIGNS))."""
    note, frame = line.pair_note, line.pair_frame
    moves = _moves(line)
    before, after = moves["before"][note], moves["after"][note]
    level = line.level[line.onset_frame]
    beats = _note_beats(line)
    held = frame > line.onset_frame[note]
    step_in = (np.abs(before) <= 2) & (before != 0)
    step_out = (np.abs(after) <= 2) & (after != 0)
    known_in, known_out = before < 90, after < 90
    stronger_after = moves["level after"][note] < level[note]
    falls = (after < 0) & (after >= -2)

    over_bass = np.where(line.bass[frame] >= 0, (line.midi[note] - line.midi[line.bass[frame]]) % 12, 0)
    columns = _columns_per_frame(line)
    semis = _semitone_counts(line)
    pitch = line.midi[note] % 12
    sounding = semis.sum(1)[frame]

    def at(interval: int) -> Floats:
        there: Floats = semis[frame, (pitch + interval) % 12]
        return there

    bar, beat = _shares(line, columns)
    rows = [
        np.ones(len(note)),
        np.log(np.clip(beats[note], 0.1, 8)),
        *((level[note] == k).astype(float) for k in range(5)),
        step_in,
        step_out,
        step_in & step_out & (np.sign(before) == np.sign(after)),
        step_in & step_out & (before == -after),
        known_in & (before == 0),
        known_out & (after == 0),
        known_in & (np.abs(before) > 2),
        known_out & (np.abs(after) > 2),
        ~known_in,
        ~known_out,
        known_in & (before == 0) & falls & ~stronger_after,
        held & falls,
        held,
        held & (line.level[frame] < level[note]),
        known_out & stronger_after,
        known_out & (moves["beats after"][note] > beats[note]),
        known_in & (moves["beats before"][note] > beats[note]),
        line.bass[frame] == note,
        line.top[frame] == note,
        at(0) > 1.2,
        *((over_bass == i).astype(float) for i in range(1, 12)),
        (at(1) + at(11)) > 0.5,
        (at(2) + at(10)) > 0.5,
        at(6) > 0.5,
        np.minimum(2, at(3) + at(4) + at(8) + at(9)),
        np.minimum(2, at(5) + at(7)),
        sounding < 1.5,
        (sounding >= 1.5) & (sounding < 2.5),
        sounding >= 3.5,
        np.log(bar + 0.02) + 2,
        np.log(beat + 0.05) + 1,
        _outside(line)[note],
        np.minimum(4, line.attacks[line.onset_frame[note]]) / 4,
        step_in & step_out & (np.abs(before) == 1) & (before == -after),
        (sounding < 1.5) & step_in,
        (sounding < 1.5) & step_out,
    ]
    return np.stack([np.asarray(r, dtype=float) for r in rows], axis=1)


def belonging(line: Timeline, weights: Floats) -> Floats:
    """Return the chance, 0..1, that each note-frame pair is a chord tone, shape (P,)."""
    chance: Floats = 1 / (1 + np.exp(-np.clip(signs(line) @ weights, -6, 6)))
    return chance


def _note_beats(line: Timeline) -> Floats:
    beats = np.zeros(len(line.notes))
    np.add.at(beats, line.pair_note, line.pair_fill * line.beats[line.pair_frame])
    return np.maximum(beats, 0.05)


def _columns_per_frame(line: Timeline) -> Floats:
    mass = np.zeros((len(line.beats), SPAN))
    np.add.at(mass, (line.pair_frame, line.column[line.pair_note]), line.pair_share)
    return mass


def _semitone_counts(line: Timeline) -> Floats:
    counts = np.zeros((len(line.beats), 12))
    np.add.at(counts, (line.pair_frame, line.midi[line.pair_note] % 12), line.pair_fill > 0.3)
    return counts


def _shares(line: Timeline, columns: Floats) -> tuple[Floats, Floats]:
    """Return the share of each pair's pitch class in the bar-long and beat-long stretch around it."""
    weighted = columns * line.beats[:, None]
    total = np.concatenate((np.zeros((1, SPAN)), np.cumsum(weighted, 0)))
    position = np.concatenate(([0.0], np.cumsum(line.beats)))
    middle = (position[:-1] + position[1:]) / 2
    result = []
    for reach in (2.0, 0.5):
        low = np.searchsorted(position, middle - reach).clip(0, len(line.beats))
        high = np.searchsorted(position, middle + reach).clip(0, len(line.beats))
        low, high = (
            np.minimum(low, np.arange(len(middle))),
            np.maximum(high, np.arange(1, len(middle) + 1)),
        )
        window = total[high] - total[low]
        share = window / np.maximum(window.sum(1, keepdims=True), 1e-9)
        result.append(share[line.pair_frame, line.column[line.pair_note]])
    return result[0], result[1]


def _outside(line: Timeline) -> Floats:
    """Return 1 for notes outside the printed signature's scale, shape (N,)."""
    place = line.column - HALF - line.signature[line.onset_frame]
    return ((place < -1) | (place > 5)).astype(float)


def _moves(line: Timeline) -> dict[str, Ints]:
    """Return for each note the semitones from the note before and to the note after in its voice.

    99 where there is none within two beats. Within a chord the nearest pitch counts. The line is looked
    for in the note's own voice, then, where that rests, in its staff.
    """
    groups: dict[object, dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
    for i, (note, frame) in enumerate(zip(line.notes, line.onset_frame.tolist(), strict=True)):
        groups[note.staff, note.voice][frame].append(i)
        groups[note.staff][frame].append(i)
    order = {k: sorted(g) for k, g in groups.items()}
    # Plain numbers, as taking them one by one from arrays is slow.
    position = np.concatenate(([0.0], np.cumsum(line.beats))).tolist()
    beats = _note_beats(line).tolist()
    reach = np.zeros(len(line.notes), dtype=np.int64)
    np.maximum.at(reach, line.pair_note, line.pair_frame + 1)
    onset_frame, end_frame = line.onset_frame.tolist(), reach.tolist()
    level = line.level[line.onset_frame].tolist()
    midi = line.midi.tolist()
    result = {
        "before": np.full(len(line.notes), 99),
        "after": np.full(len(line.notes), 99),
        "level after": np.full(len(line.notes), 9),
        "beats after": np.zeros(len(line.notes)),
        "beats before": np.zeros(len(line.notes)),
    }
    for i, note in enumerate(line.notes):
        start, end = onset_frame[i], end_frame[i]
        for key in ((note.staff, note.voice), note.staff):
            at = order[key]
            j = bisect_left(at, end)
            if j < len(at) and position[at[j]] - position[end] <= 1.0:
                near = min(groups[key][at[j]], key=lambda k: abs(midi[k] - midi[i]))
                result["after"][i] = midi[near] - midi[i]
                result["level after"][i] = level[near]
                result["beats after"][i] = beats[near]
                break
        for key in ((note.staff, note.voice), note.staff):
            at = order[key]
            j = bisect_left(at, start) - 1
            if j >= 0:
                near = min(groups[key][at[j]], key=lambda k: abs(midi[k] - midi[i]))
                if position[start] - position[min(end_frame[near], start)] <= 1.0:
                    result["before"][i] = midi[i] - midi[near]
                    result["beats before"][i] = beats[near]
                    break
    return result
