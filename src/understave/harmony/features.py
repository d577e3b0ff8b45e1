"""Timeline -> Features: what every stretch of the piece sounds like and how it begins, in numbers.

A *segment* is a run of units. Its *views* are vectors over pitch classes: how long each sounds, how
often it is struck, whether it is the bass. Segment sums come from differences of running totals, so that
thousands of overlapping segments cost little more than one pass over the notes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from understave.harmony.membership import belonging
from understave.harmony.units import HALF, SPAN, Floats, Ints, Timeline

LONGEST = 16
"""Most units in one segment; longer chords go on by continuation."""
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
    "lowest note since the barline",
)
"""The ways a segment's pitch classes are weighed against a chord; the first three grow with its length,
the last eight are of the bass alone."""
TONE_VIEWS = 8
BASS_VIEWS = (8, 9, 10, 11, 12, 13, 14, 15)
NOVELTY = (0.2, 0.5, 0.8)
"""Upper limits of the classes of change in pitch content from the beat before to the beat after."""
BAR_REACH = 12
TEXTURES = (1.6, 2.6)
"""Upper limits of the mean number of notes struck together, for broken and for sparse textures."""
PEDAL = 4.0
"""Felt beats for which a bass must stay to count as a possible pedal point."""
LENGTHS = (0.3, 0.6, 1.1, 1.6, 2.1, 3.1, 4.1, 6.1)
"""Upper limits, in felt beats, of the segment length classes."""


@dataclass(frozen=True)
class Features:
    """Sums over units from which any segment's views are formed, plus what each unit's start looks like.

    Cumulative up to each limit: `tones` (U+1, 3, SPAN) the first three views, `time` (U+1, SPAN) sounding
    time, `bass` (U+1, 12), `keys` (U+1, SPAN), `downbeats` (U+1), `place` (U+1) in felt beats. Of each
    unit: `last` (U, SPAN) shares of its tones; `first_bass` (U, 12); `lowest` (U) its lowest note as
    midi * 12 + pitch class; `above` (U) the lowest that is not a held bass's; `pedal` (U) 1 where a bass
    stays. Of each unit's start: `start` and `figure` (U) classes of what happens there, `texture` and
    `level` (U), `barline` (U) the first unit of its bar, `signature` (U) relative to the centre.
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
    figure: Ints
    texture: Ints
    level: Ints
    downbeats: Ints
    barline: Ints
    place: Floats
    signature: Ints


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
    texture = _texture(line)
    place = np.concatenate(([0.0], np.cumsum(line.beats)))
    novelty = np.searchsorted(np.array(NOVELTY), _novelty(views[:, :2].sum(1), place))
    kind = ((line.level * 2 + new_bass) * 4 + np.maximum(attacks, 0)) * 4 + novelty
    figure = ((line.level * 3 + texture) * 3 + _low_point(line, low, place)) * 2 + new_bass
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
        figure=figure[cuts],
        texture=texture[cuts],
        level=line.level[cuts],
        barline=_barlines(line),
        downbeats=np.concatenate(([0], np.cumsum(line.level == 0)))[line.first_frame],
        place=place[line.first_frame],
        signature=line.signature[cuts],
    )


def part_of(whole: Features, units: slice) -> Features:
    """Return what some of the units are like; `units` has a start and a stop."""
    count = len(whole.start)
    found = {f.name: getattr(whole, f.name) for f in fields(Features)}
    cut = {n: value[units.start : units.stop + len(value) - count] for n, value in found.items()}
    return Features(**{**cut, "barline": np.maximum(cut["barline"] - units.start, 0)})


def _barlines(line: Timeline) -> Ints:
    """Return for every unit the first unit of its bar, at most `BAR_REACH` units back."""
    units = np.arange(len(line.first_frame) - 1)
    begins = line.level[line.first_frame[:-1]] == 0
    first = np.maximum.accumulate(np.where(begins, units, 0))
    result: Ints = np.maximum(first, units - BAR_REACH)
    return result


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


def _texture(line: Timeline) -> Ints:
    """Return 0 where notes come one by one within a bar's reach, 1 in pairs, 2 in chords."""
    window = 4.0
    place = np.concatenate(([0.0], np.cumsum(line.beats)))
    total = np.concatenate(([0], np.cumsum(line.attacks)))
    first = np.searchsorted(place[:-1], place[:-1] - window)
    last = np.maximum(np.searchsorted(place[:-1], place[:-1] + window), np.arange(len(line.beats)) + 1)
    result: Ints = np.searchsorted(np.array(TEXTURES), (total[last] - total[first]) / (last - first))
    return result


def _low_point(line: Timeline, low: Ints, place: Floats) -> Ints:
    """Return 2 where the bass struck is the lowest within two beats, 1 within one beat, else 0."""
    bass = line.bass
    struck = np.where(bass >= 0, line.onset_frame[bass] == np.arange(len(bass)), False)
    result = np.zeros(len(low), dtype=np.int64)
    for beats, name in ((1.0, 1), (2.0, 2)):
        first = np.searchsorted(place[:-1], place[:-1] - beats + 1e-6)
        last = np.searchsorted(place[:-1], place[:-1] + beats - 1e-6)
        last = np.maximum(last, np.arange(len(low)) + 1)
        around = np.array([low[a:b].min() for a, b in zip(first, last, strict=True)])
        result[struck & (low // 12 <= around // 12)] = name
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


def views(features: Features, begin: Ints, end: Ints) -> tuple[Floats, Floats]:
    """Return tone views (S, TONE_VIEWS, SPAN) and bass views (S, 8, 12) of segments; see `VIEWS`."""
    sums = features.tones[end] - features.tones[begin]
    likely, unlikely = sums[:, 0], sums[:, 1]
    total = np.maximum((likely + unlikely).sum(1, keepdims=True), 1e-6)
    size = np.maximum(features.place[end] - features.place[begin], 1e-6)[:, None]
    time = (features.time[end] - features.time[begin]) / size
    tones = np.stack(
        (
            *(sums[:, v] for v in range(3)),
            likely / total,
            1 - np.exp(-likely / 0.25),
            time,
            np.clip(2 * time - 1, 0, 1),
            features.last[end - 1],
        ),
        axis=1,
    )
    rows = np.arange(len(begin))
    held = (features.pedal[begin] & features.pedal[end - 1]).astype(float)[:, None]
    lowest = np.zeros((len(begin), 12))
    lowest[rows, _lowest(features.lowest, begin, end) % 12] = 1
    above = np.zeros((len(begin), 12))
    code = _lowest(features.above, begin, end)
    found = (code < 10**6) & (held[:, 0] > 0)
    above[rows[found], code[found] % 12] = 1
    share = (features.bass[end] - features.bass[begin]) / size
    plain = (features.first_bass[begin], lowest, share)
    since = np.zeros((len(begin), 12))
    since[rows, _lowest(features.lowest, features.barline[begin], end) % 12] = 1
    bass = np.stack((*(b * (1 - held) for b in plain), *(b * held for b in plain), above, since), axis=1)
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


def length_class(features: Features, begin: Ints, end: Ints) -> Ints:
    """Return the class of segments by texture, start level, length in felt beats and a downbeat inside."""
    beats = np.searchsorted(np.array(LENGTHS), features.place[end] - features.place[begin])
    inside = (
        features.downbeats[end] - features.downbeats[np.minimum(begin + 1, len(features.downbeats) - 1)] > 0
    )
    place = features.texture[begin] * 5 + features.level[begin]
    result: Ints = (place * (len(LENGTHS) + 1) + beats) * 2 + inside
    return result
