"""What the network says of each frame -> the best path of (key, numeral), and the belief in each.

A path pays what the network thinks of its label in every frame (all heads that the label touches),
of a chord beginning or going on, and of a key beginning or going on. The best path is found by dynamic
programming (Viterbi 1967), the beliefs by the forward and backward sums over all paths (Rabiner 1989).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from understave.harmony.model.encoding import CENTRE, FIFTHS
from understave.harmony.model.label_indices import HIGHEST_TONIC, KEYS, LOWEST_TONIC
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.model.network import Floats, Numerals

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
MOST_KEYS = 12
"""Keys considered in one piece: the likeliest ones; more cost time and never changed a reading."""
LIKELY_KEY = 0.02
DOUBT = 0.01
"""Belief that a second opinion is taken to have in what it does not name."""


@dataclass(frozen=True, slots=True)
class Trust:
    """How much each part of the network's judgement counts; fitted on held-out training pieces.

    `kept`, of 1, 2, 4 and 30, is the lowest with which no piece of two sets that were left out of the
    training of network and teachers (126 songs, 19 variations) lost a point of the chord, given the analyst's
    keys; `further`, of -1, -3 and -5, the one with which the full label was best there.
    `habits` are the teacher's, learnt from pieces that they have corrected (`harmony.habit_learning`).
    """

    key: float = 1.0
    numeral: float = 0.5
    root: float = 0.5
    bass: float = 0.48
    quality: float = 0.3
    inversion: float = 0.3
    tonicised: float = 0.48
    unseen: float = 3.0
    start: float = 0.6
    key_start: float = 0.5
    key_change: float = 0.5
    length_power: float = 0.8
    scale: float = 0.5
    rules_chord: float = 1.0
    rules_key: float = 0.7
    kept: float = 4.0
    further: float = -5.0
    temperature: float = 1.0
    habits: Habits = NO_HABITS


TRUST = Trust()


@dataclass(frozen=True)
class Settled:
    """What the teacher has fixed, by frame: keys allowed (T, KEYS), numeral allowed (T, N), limits (T,)."""

    keys: Bools
    numerals: Bools
    limits: Bools


@dataclass(frozen=True)
class Steps:
    """What each frame (T,) costs or earns when a chord or a key begins there or goes on."""

    begin: Floats
    go_on: Floats
    new_key: Floats
    same_key: Floats


@dataclass(frozen=True)
class Path:
    """The best path: key and numeral index per frame (T,), and beliefs (T, K, N) over `keys` (K,)."""

    key: Ints
    numeral: Ints
    keys: Ints
    beliefs: Floats


def _place(fifths: Ints) -> Ints:
    return np.clip(fifths - 2 + CENTRE, 1, FIFTHS - 1)


def _weights(lengths: Floats, trust: Trust) -> Floats:
    weight = np.clip(lengths, 0.05, 4.0) ** trust.length_power
    return np.asarray(weight / weight.mean() * trust.scale, dtype=np.float32)


def label_scores(
    judged: dict[str, Floats], numerals: Numerals, keys: Ints, lengths: Floats, trust: Trust
) -> Floats:
    """Return what each label is worth in each frame, (T, K, N); `lengths` (T,) in quarter notes."""
    places = numerals.places
    weight = _weights(lengths, trust)
    common = (
        trust.numeral * judged["numeral"]
        + trust.quality * judged["quality"][:, places[:, 3]]
        + trust.inversion * judged["inversion"][:, places[:, 4]]
    )
    scores = np.empty((len(lengths), len(keys), len(places)), dtype=np.float32)
    for j, key in enumerate(keys):
        tonic, mode = int(key) // 2 + LOWEST_TONIC, int(key) % 2
        local = tonic + places[:, 2]
        inside = (local >= LOWEST_TONIC) & (local <= HIGHEST_TONIC)
        inside &= np.array([t is not None for t in numerals.texts[mode]])
        local_key = np.clip(2 * (local - LOWEST_TONIC) + places[:, 5], 0, KEYS - 1)
        own = (
            trust.key * judged["key"][:, key, None]
            + trust.root * judged["root"][:, _place(tonic + places[:, 0])]
            + trust.bass * judged["bass"][:, _place(tonic + places[:, 1])]
            + trust.tonicised * judged["tonicised"][:, local_key]
        )
        scores[:, j] = (common + own - trust.unseen * ~numerals.seen[mode]) * weight[:, None]
        scores[:, j, ~inside] = -1e4
    return scores


def second_opinion(
    chords: Mapping[tuple[int, str, int], Floats],
    of_key: Mapping[int, Floats],
    numerals: Numerals,
    keys: Ints,
    trust: Trust,
) -> Floats:
    """Turn another reader's beliefs into what each label is worth more or less, (T, K, N).

    `chords` holds by (root on the line of fifths, quality, inversion), and `of_key` by key index, the
    belief (T,) in each frame; what is not named there is believed `DOUBT`.
    """
    frames = len(next(iter(chords.values())))
    result = np.full((frames, len(keys), len(numerals.reduced)), np.log(DOUBT), dtype=np.float32)
    result *= trust.rules_chord
    worth = {name: trust.rules_chord * np.log(DOUBT + belief) for name, belief in chords.items()}
    for row, key in enumerate(keys):
        tonic = int(key) // 2 + LOWEST_TONIC
        for number, reduced in enumerate(numerals.reduced):
            own = worth.get((tonic + reduced.root, reduced.quality, reduced.inversion))
            if own is not None:
                result[:, row, number] = own
        there = of_key.get(int(key), np.zeros(frames, dtype=np.float32))
        result[:, row] += trust.rules_key * np.log(DOUBT + there)[:, None]
    return result


def kept_chords(
    free: tuple[Ints, Ints], where: Bools, numerals: Numerals, keys: Ints, trust: Trust
) -> Floats:
    """Return what labels are worth more, (T, K, N), that name the chord found before the keys were given.

    `free` holds key and numeral index (T,) of the path without the given keys, `where` (T,) is True in frames
    with a given key. A key says how a chord is called, not which it is; and where the given key is the one
    that was found anyway, the name stays as well.
    """
    names: dict[tuple[int, str, int], int] = {}

    def chord(key: int, number: int) -> int:
        reduced = numerals.reduced[number]
        return names.setdefault((key // 2 + reduced.root, reduced.quality, reduced.inversion), len(names))

    chords = np.array([[chord(int(k), n) for n in range(len(numerals.reduced))] for k in keys])
    found = np.array([chord(int(k), int(n)) for k, n in zip(*free, strict=True)])
    result: Floats = (chords[None] == found[:, None, None]).astype(np.float32)
    frame, row = np.nonzero(free[0][:, None] == keys[None])
    result[frame, row, free[1][frame]] += 1
    result *= np.where(where, trust.kept, 0.0).astype(np.float32)[:, None, None]
    return result


def widened(judged: dict[str, Floats], count: int, trust: Trust) -> dict[str, Floats]:
    """Make room for further numerals, `count` in all, which the network cannot judge as such.

    For the numeral itself they are given `Trust.further`; in all else they are judged like the others.
    """
    frames, known = judged["numeral"].shape
    if count == known:
        return judged
    chance = np.full((frames, count - known), trust.further, dtype=np.float32)
    return {**judged, "numeral": np.concatenate([judged["numeral"], chance], axis=1)}


def likely_keys(judged: dict[str, Floats], settled: Settled) -> Ints:
    """Return the keys worth considering: likely somewhere, or named by the teacher."""
    chance = np.exp(judged["key"])
    order = np.argsort(-chance.sum(0), kind="stable")[:MOST_KEYS]
    likely = [int(k) for k in order if chance[:, k].max() > LIKELY_KEY] or [int(order[0])]
    named = np.flatnonzero((settled.keys & (settled.keys.sum(1) == 1)[:, None]).any(0))
    return np.array(sorted({*likely, *(int(k) for k in named)}), dtype=np.int64)


def decode(
    judged: dict[str, Floats],
    numerals: Numerals,
    lengths: Floats,
    settled: Settled,
    trust: Trust,
    rules: Floats | None = None,
) -> Path:
    """Find the best path and the beliefs; what is settled is kept whatever the network thinks.

    `rules` (T, K, N), over the keys of `likely_keys`, is a second opinion on every label; see
    `second_opinion`.
    """
    keys = likely_keys(judged, settled)
    scores = label_scores(judged, numerals, keys, lengths, trust)
    if rules is not None:
        for here, opinion, weight in zip(scores, rules, _weights(lengths, trust), strict=True):
            here += opinion * weight
        # It is as large as the scores; where the caller keeps none, its memory is free from here on.
        del rules
    for t in np.flatnonzero(~(settled.keys.all(1) & settled.numerals.all(1))):
        scores[t] += np.where(settled.keys[t, keys], 0.0, -1e6).astype(np.float32)[:, None]
        scores[t] += np.where(settled.numerals[t], 0.0, -1e5).astype(np.float32)[None, :]
    starts = np.clip(judged["starts"], 1e-6, 1 - 1e-6)
    starts = np.where(settled.limits[:, None], [1 - 1e-6, 0.5, 0.5], starts)
    going = trust.start * np.log(1 - starts[:, 0]) - np.where(settled.limits, 1e3, 0.0)
    steps = Steps(
        begin=(trust.start * np.log(starts[:, 0])).astype(np.float32),
        go_on=going.astype(np.float32),
        new_key=(trust.key_start * np.log(starts[:, 1]) - trust.key_change).astype(np.float32),
        same_key=(trust.key_start * np.log(1 - starts[:, 1])).astype(np.float32),
    )
    best = _best_path(scores, steps)
    # The scores are not needed as they were, and make the largest array: they become chances in place.
    scores -= scores.max((1, 2), keepdims=True)
    scores /= trust.temperature
    beliefs = _beliefs(np.exp(scores, out=scores), steps)
    return Path(keys[best[:, 0]], best[:, 1], keys, beliefs)


def _best_path(scores: Floats, steps: Steps) -> Ints:
    begin, go_on, new_key, same_key = steps.begin, steps.go_on, steps.new_key, steps.same_key
    frames, count, _ = scores.shape
    every = np.arange(count)
    value = scores[0].copy()
    back: list[tuple[Bools, Ints, Ints]] = []
    for t in range(1, frames):
        top = value.argmax(1)
        peak = value[every, top]
        change = np.full((count, count), -np.inf, dtype=np.float32)
        change[:] = (peak + begin[t] + new_key[t])[:, None]
        change[every, every] = peak + begin[t] + same_key[t]
        origin = change.argmax(0)
        entering = change[origin, every]
        staying = value + go_on[t] + same_key[t]
        entered = entering[:, None] > staying
        back.append((entered, origin, top))
        value = np.where(entered, entering[:, None], staying) + scores[t]
    k, n = (int(i) for i in np.unravel_index(int(value.argmax()), value.shape))
    path = [(k, n)]
    for entered, origin, top in reversed(back):
        if entered[k, n]:
            k = int(origin[k])
            n = int(top[k])
        path.append((k, n))
    return np.array(path[::-1], dtype=np.int64)


def _beliefs(likely: Floats, steps: Steps) -> Floats:
    """Return the share of belief of every label in every frame, (T, K, N).

    `likely` (T, K, N) is how likely each is by its frame alone, the likeliest 1. Chances are summed as
    they are, not as logarithms, and brought to the same size in every frame. They cannot run out: any
    label can follow any other at a cost bounded by the clipped chances of a start.
    """
    frames = len(likely)
    stay = np.exp(steps.go_on + steps.same_key)
    same = np.exp(steps.begin + steps.same_key).astype(np.float64)
    new = np.exp(steps.begin + steps.new_key).astype(np.float64)

    def crossing(mass: Floats, t: int) -> Floats:
        by_key = mass.sum(1, dtype=np.float64)
        others = by_key.sum() - by_key
        result: Floats = (same[t] * by_key + new[t] * others).astype(np.float32)
        return result[:, None]

    beliefs = np.empty_like(likely)
    beliefs[0] = likely[0]
    for t in range(1, frames):
        here = np.multiply(beliefs[t - 1], stay[t], out=beliefs[t])
        here += crossing(beliefs[t - 1], t)
        here *= likely[t]
        here /= here.max()
    backward = np.ones_like(likely[0])
    for t in range(frames - 1, -1, -1):
        beliefs[t] *= backward
        beliefs[t] /= beliefs[t].sum()
        if t:
            backward *= likely[t]
            onward = crossing(backward, t)
            backward *= stay[t]
            backward += onward
            backward /= backward.max()
    return beliefs
