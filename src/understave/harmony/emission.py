"""Timeline -> Lattice: what every stretch of the piece could be, scored without looking at its neighbours.

A *segment* is a run of units. For each segment the best labels (root, quality, inversion) are kept with
their scores, and every key is scored on the same notes. All scores are sums of a weight times a feature,
so that weights can be fitted or replaced while `decode` stays as it is.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from understave.harmony.membership import belonging
from understave.harmony.timeline import HALF, SPAN, Floats, Ints, Timeline
from understave.harmony.vocabulary import (
    BASS_COLUMN,
    CHORDS,
    INVERSIONS,
    KEY_MODE,
    KEY_PLACE,
    KINDS,
    LABEL_EXISTS,
    ROLES,
    TEMPLATE_CLASS,
)

Singles = NDArray[np.float32]

LONGEST = 16
"""Most units in one segment; longer chords go on by continuation."""
KEPT = 12
"""Labels kept per segment."""
VIEWS = (
    "sounding, likely chord tones",
    "sounding, unlikely chord tones",
    "struck",
    "share of the segment",
    "present",
    "share of the time",
    "throughout",
    "at the end",
    "first bass",
    "lowest note",
    "share of the bass",
    "first bass over a pedal",
    "lowest note over a pedal",
    "share of the bass over a pedal",
    "lowest note above a pedal",
)
TONE_VIEWS = 8
"""The ways a segment's pitch classes are weighed against a chord; the first three grow with its length."""
BASS_VIEWS = (8, 9, 10, 11, 12, 13, 14)
NOVELTY = (0.2, 0.5, 0.8)
"""Upper limits of the classes of change in pitch content from the beat before to the beat after."""
PEDAL = 6.0
"""Felt beats for which a bass must stay to count as a possible pedal point."""
LENGTHS = (0.3, 0.6, 1.1, 1.6, 2.1, 3.1, 4.1, 6.1)
"""Upper limits, in felt beats, of the segment length classes."""
PLACES = 31
"""Distances on the line of fifths told apart by key profiles, -15..15."""
SIGNATURES = 15
"""Distances between key and printed signature told apart, -7..7."""
SEMITONE = (np.arange(SPAN) - HALF) * 7 % 12
BASS_SEMITONE = (BASS_COLUMN - HALF) * 7 % 12
# Bass notes are compared by sound only: the middle column of each pitch class stands for it.
MIDDLE_CLASS = TEMPLATE_CLASS[HALF + (np.arange(12) * 7 + 6) % 12 - 6]


@dataclass(frozen=True)
class Weights:
    """Everything `emission` and `grammar` weigh by. Arrays are named after what they index.

    membership (signs of a note); tones (view, quality, class); inversion (view of the bass);
    inversions (quality, inversion); profile (mode, fifths from tonic) per felt beat; signature (mode,
    signature distance) per felt beat; opening (mode, signature distance) once; start (metric level, new
    bass, notes struck, novelty); length (metric level of the start, class, whether a downbeat
    lies inside); token, enter, leave (mode, token): a numeral anywhere, first in a new key, last before
    one; change (mode before, fifths between tonics, mode after);
    bass_motion (inversion before, inversion after, fifths between basses); scale (numeral succession,
    inversion given numeral, continuation, key change on a downbeat, beat, off the beat,
    after a pause).
    """

    membership: Floats
    tones: Floats
    inversion: Floats
    inversions: Floats
    profile: Floats
    signature: Floats
    opening: Floats
    start: Floats
    length: Floats
    token: Floats
    enter: Floats
    leave: Floats
    change: Floats
    bass_motion: Floats
    scale: Floats

    def names(self) -> tuple[str, ...]:
        """Return the array names in order."""
        return tuple(f.name for f in fields(self))


@dataclass(frozen=True)
class Features:
    """Sums over units from which any segment's views are formed, plus what a boundary looks like.

    `tones` (U+1, 3, SPAN), `bass` (U+1, 12) and `keys` (U+1, SPAN) are cumulative.
    `first_bass` (U, 12) weighs the bass as the unit begins; `lowest` (U) codes the lowest note as
    midi * 12 + pitch class, `above` the lowest that is not a held bass's; `pedal` (U) is 1 where a bass
    stays; `start` (U) is the start kind, `level` (U) its metric level, `downbeats` (U+1) counts
    downbeats before each limit; `time` (U+1, SPAN) is cumulative sounding time, `last` (U, SPAN) shares;
    `place` (U+1) the time in felt beats.
    """

    tones: Floats
    time: Floats
    last: Floats
    bass: Floats
    keys: Floats
    first_bass: Floats
    lowest: Ints
    above: Ints
    pedal: Ints
    start: Ints
    level: Ints
    downbeats: Ints
    place: Floats
    signature: Ints


@dataclass(frozen=True)
class Lattice:
    """Scored segments, sorted by end then start.

    `begin`, `end` (S) are unit limits; `labels`, `scores` (S, KEPT) the best labels, best first;
    `keys` (S, len(KEYS)) the key scores. `by_end` (U+1 each) slices of segments ending at a limit.
    """

    begin: Ints
    end: Ints
    labels: Ints
    scores: Floats
    keys: Floats
    by_end: tuple[slice, ...]


def features(line: Timeline, membership: Floats) -> Features:
    """Add up what sounds, unit by unit."""
    chance = belonging(line, membership)
    frames = len(line.beats)
    note, frame = line.pair_note, line.pair_frame
    column = line.column[note]
    mass = line.pair_share * line.beats[frame]
    struck = line.onset_frame[note] == frame
    accent = np.array([1.0, 0.8, 0.7, 0.5, 0.35])[line.level[frame]]
    views = np.zeros((frames, 3, SPAN))
    np.add.at(views, (frame, np.full_like(frame, 0), column), mass * chance)
    np.add.at(views, (frame, np.full_like(frame, 1), column), mass * (1 - chance))
    strikes = np.sqrt(np.maximum(1, line.attacks))[frame]
    np.add.at(
        views,
        (frame, np.full_like(frame, 2), column),
        struck * chance * accent / strikes,
    )
    keys = np.zeros((frames, SPAN))
    np.add.at(keys, (frame, column), mass * (0.3 + 0.7 * chance))

    is_bass = line.bass[frame] == note
    pitch = (line.column[note] - HALF) * 7 % 12
    bass = np.zeros((frames, 12))
    np.add.at(bass, (frame[is_bass], pitch[is_bass]), (line.beats[frame] * chance)[is_bass])
    first = np.zeros((frames, 12))
    np.add.at(first, (frame[is_bass], pitch[is_bass]), 0.3 + 0.7 * chance[is_bass])
    low = np.full(frames, 10**6)
    sounding_bass = line.bass >= 0
    b = line.bass[sounding_bass]
    low[sounding_bass] = line.midi[b] * 12 + (line.column[b] - HALF) * 7 % 12

    fill = np.zeros((frames, SPAN))
    np.maximum.at(fill, (frame, column), line.pair_fill)
    cuts = line.first_frame[:-1]
    new_bass = np.zeros(frames, dtype=np.int64)
    new_bass[1:] = (low[1:] % 12) != (low[:-1] % 12)
    attacks = np.minimum(line.attacks, 4) - 1
    place = np.concatenate(([0.0], np.cumsum(line.beats)))
    novelty = np.searchsorted(np.array(NOVELTY), _novelty(views[:, :2].sum(1), place))
    kind = ((line.level * 2 + new_bass) * 4 + np.maximum(attacks, 0)) * 4 + novelty
    pedal = _pedal(low, place)
    high = np.full(frames, 10**6)
    upper = (line.pair_fill > 0.3) & (pedal[frame] > 0) & (pitch != low[frame] % 12)
    np.minimum.at(high, frame[upper], (line.midi[note] * 12 + pitch)[upper])

    def cumulative(values: Floats) -> Floats:
        total = np.concatenate((np.zeros((1, *values.shape[1:])), np.cumsum(values, 0)))
        return np.asarray(total[line.first_frame])

    return Features(
        tones=cumulative(views),
        time=cumulative(fill * line.beats[:, None]),
        last=_shares(np.add.reduceat(views[:, :2].sum(1), cuts)),
        bass=cumulative(bass),
        keys=cumulative(keys),
        first_bass=first[cuts],
        lowest=np.minimum.reduceat(low, cuts),
        above=np.minimum.reduceat(high, cuts),
        pedal=pedal[cuts],
        start=kind[cuts],
        level=line.level[cuts],
        downbeats=np.concatenate(([0], np.cumsum(line.level == 0)))[line.first_frame],
        place=place[line.first_frame],
        signature=line.signature[cuts],
    )


def _shares(mass: Floats) -> Floats:
    result: Floats = mass / np.maximum(mass.sum(-1, keepdims=True), 1e-6)
    return result


def _novelty(mass: Floats, place: Floats) -> Floats:
    """Return how much the pitch content changes from the beat before each frame to the beat after, 0..1."""
    total = np.concatenate((np.zeros((1, mass.shape[1])), np.cumsum(mass, 0)))
    at = np.arange(len(mass))
    before = np.minimum(np.searchsorted(place, place[:-1] - 1.0 - 1e-6), at)
    after = np.maximum(np.searchsorted(place, place[:-1] + 1.0 - 1e-6), at + 1).clip(0, len(mass))
    left, right = total[at] - total[before], total[after] - total[at]
    size = np.linalg.norm(left, axis=1) * np.linalg.norm(right, axis=1)
    result: Floats = 1 - (left * right).sum(1) / np.maximum(size, 1e-9)
    return result


def _pedal(low: Ints, place: Floats) -> Ints:
    """Return 1 for frames in which one bass stays the lowest sound of every beat for `PEDAL` beats."""
    frames = len(low)
    beat = np.floor(place[:-1] + 1e-6).astype(np.int64)
    lowest = np.full(int(beat[-1]) + 1, 10**6)
    np.minimum.at(lowest, beat, low)
    pitch = np.where(lowest < 10**6, lowest % 12, -1)
    held = np.zeros(len(lowest), dtype=np.int64)
    start = 0
    for i in range(1, len(lowest) + 1):
        if i == len(lowest) or (pitch[i] != pitch[start] and pitch[i] >= 0):
            if i - start >= PEDAL and pitch[start] >= 0:
                held[start:i] = 1
            start = i
    result: Ints = held[beat] if frames else beat
    return result


def segments(units: int, longest: int = LONGEST) -> tuple[Ints, Ints]:
    """Return begins and ends of every run of at most `longest` units, sorted by end, then begin."""
    end = np.repeat(np.arange(1, units + 1), longest)
    begin = end - np.tile(np.arange(longest, 0, -1), units)
    keep = begin >= 0
    return begin[keep], end[keep]


def views(f: Features, begin: Ints, end: Ints) -> tuple[Floats, Floats]:
    """Return tone views (S, TONE_VIEWS, SPAN) and bass views (S, 7, 12) of segments; see `VIEWS`."""
    sums = f.tones[end] - f.tones[begin]
    likely, unlikely = sums[:, 0], sums[:, 1]
    total = np.maximum((likely + unlikely).sum(1, keepdims=True), 1e-6)
    size = np.maximum(f.place[end] - f.place[begin], 1e-6)[:, None]
    time = (f.time[end] - f.time[begin]) / size
    tones = np.stack(
        (
            *(sums[:, v] for v in range(3)),
            likely / total,
            1 - np.exp(-likely / 0.25),
            time,
            np.clip(2 * time - 1, 0, 1),
            f.last[end - 1],
        ),
        axis=1,
    )
    rows = np.arange(len(begin))
    held = (f.pedal[begin] & f.pedal[end - 1]).astype(float)[:, None]
    lowest = np.zeros((len(begin), 12))
    lowest[rows, _lowest(f.lowest, begin, end) % 12] = 1
    above = np.zeros((len(begin), 12))
    code = _lowest(f.above, begin, end)
    found = (code < 10**6) & (held[:, 0] > 0)
    above[rows[found], code[found] % 12] = 1
    share = (f.bass[end] - f.bass[begin]) / size
    plain = (f.first_bass[begin], lowest, share)
    bass = np.stack((*(b * (1 - held) for b in plain), *(b * held for b in plain), above), axis=1)
    return tones, bass


def _lowest(lowest: Ints, begin: Ints, end: Ints) -> Ints:
    """Return the minimum of `lowest` over each run, by doubling."""
    levels = [lowest]
    while 2 ** len(levels) <= max(1, int((end - begin).max())):
        step = 2 ** (len(levels) - 1)
        last = levels[-1]
        levels.append(
            np.minimum(
                last,
                np.concatenate((last[step:], np.full(min(step, len(last)), 10**6))),
            )
        )
    size = end - begin
    power = np.floor(np.log2(size)).astype(np.int64)
    table = np.stack(levels)
    result: Ints = np.minimum(table[power, begin], table[power, end - 2**power])
    return result


def templates(weights: Weights) -> tuple[Floats, Floats]:
    """Return the tone weights (TONE_VIEWS*SPAN, CHORDS) and the bass weights (7*12, CHORDS) of every
    chord.
    """
    quality = np.arange(CHORDS) % len(KINDS)
    tones = np.concatenate([weights.tones[v][quality[None, :], TEMPLATE_CLASS] for v in range(TONE_VIEWS)])
    bass_class = np.where(MIDDLE_CLASS >= ROLES, MIDDLE_CLASS - ROLES, MIDDLE_CLASS)
    classes = np.where(MIDDLE_CLASS < 2 * ROLES, bass_class, MIDDLE_CLASS)
    bass = np.concatenate([weights.tones[v][quality[None, :], classes] for v in BASS_VIEWS])
    return tones, bass


def length_class(f: Features, begin: Ints, end: Ints) -> Ints:
    """Return the class of segments by start level, length in felt beats and a downbeat inside."""
    beats = np.searchsorted(np.array(LENGTHS), f.place[end] - f.place[begin])
    inside = f.downbeats[end] - f.downbeats[np.minimum(begin + 1, len(f.downbeats) - 1)] > 0
    result: Ints = (f.level[begin] * (len(LENGTHS) + 1) + beats) * 2 + inside
    return result


def key_scores(f: Features, weights: Weights) -> Floats:
    """Return cumulative key scores, shape (U+1, len(KEYS))."""
    columns = np.arange(SPAN) - HALF
    distance = np.clip(columns[:, None] - KEY_PLACE[None, :], -(PLACES // 2), PLACES // 2) + PLACES // 2
    profile = weights.profile[KEY_MODE[None, :], distance]
    scores: Floats = f.keys @ profile
    own = KEY_PLACE - 3 * KEY_MODE
    away = np.clip(own[None, :] - f.signature[:, None], -(SIGNATURES // 2), SIGNATURES // 2) + SIGNATURES // 2
    per_beat = weights.signature[KEY_MODE[None, :], away] * np.diff(f.place)[:, None]
    scores[1:] += np.cumsum(per_beat, 0)
    return scores


def lattice(f: Features, weights: Weights, longest: int = LONGEST, kept: int = KEPT) -> Lattice:
    """Score every segment and keep its best labels."""
    units = len(f.start)
    begin, end = segments(units, longest)
    tone_weights, bass_weights = (w.astype(np.float32) for w in templates(weights))
    labels = np.empty((len(begin), kept), dtype=np.int64)
    scores = np.empty((len(begin), kept))
    for low in range(0, len(begin), 2048):
        part = slice(low, low + 2048)
        tones, bass = views(f, begin[part], end[part])
        labels[part], scores[part] = _best(
            tones.reshape(len(tones), -1).astype(np.float32),
            bass.astype(np.float32),
            tone_weights,
            bass_weights,
            weights,
            kept,
        )
    scores += (weights.start[f.start[begin]] + weights.length[length_class(f, begin, end)])[:, None]
    cumulative = key_scores(f, weights)
    at = np.searchsorted(end, np.arange(units + 2))
    return Lattice(
        begin=begin,
        end=end,
        labels=labels,
        scores=scores,
        keys=cumulative[end] - cumulative[begin],
        by_end=tuple(slice(int(at[i]), int(at[i + 1])) for i in range(units + 1)),
    )


def _best(
    tones: Singles,
    bass: Singles,
    tone_weights: Singles,
    bass_weights: Singles,
    weights: Weights,
    kept: int,
) -> tuple[Ints, Floats]:
    chords = tones @ tone_weights + bass.reshape(len(bass), -1) @ bass_weights
    top = np.argpartition(-chords, kept, axis=1)[:, :kept]
    by_semitone = np.tensordot(bass, weights.inversion.astype(np.float32), axes=([1], [0]))
    label = (top[:, :, None] * INVERSIONS + np.arange(INVERSIONS)).reshape(len(top), -1)
    quality = top % len(KINDS)
    score = np.repeat(np.take_along_axis(chords, top, 1), INVERSIONS, axis=1)
    score = score + np.take_along_axis(by_semitone, BASS_SEMITONE[label], 1)
    score = score + weights.inversions[quality].reshape(len(top), -1)
    score = np.where(LABEL_EXISTS[label] > 0, score, -np.inf)
    order = np.argsort(-score, axis=1, kind="stable")[:, :kept]
    return np.take_along_axis(label, order, 1), np.take_along_axis(score, order, 1)
