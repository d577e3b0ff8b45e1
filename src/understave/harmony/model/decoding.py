"""What the network says of each frame -> the best path of (key, numeral), and the belief in each.

A path pays what the network thinks of its label in every frame (all heads that the label touches),
of a chord beginning or going on, and of a key beginning or going on. The best path is found by dynamic
programming (Viterbi 1967), the beliefs by the forward and backward sums over all paths (Rabiner 1989).

What every label is worth in every frame would fill hundreds of megabytes in a long piece. So it is worked
out `AT_ONCE` frames at a time, anew on each way through them: for the path, and forth and back for beliefs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from understave.harmony.model.encoding import CENTRE, FIFTHS
from understave.harmony.model.label_indices import HIGHEST_TONIC, KEYS, LOWEST_TONIC
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.model.network import Floats, Numerals

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Worth: TypeAlias = Callable[[slice], Floats]
"""Some of the frames -> what each label is worth in each of them, (t, K, N)."""
MOST_KEYS = 12
"""Keys considered in one piece: the likeliest ones; more cost time and never changed a reading."""
LIKELY_KEY = 0.02
AT_ONCE = 256
"""Frames worked on at once."""
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
    """The best path: key and numeral index per frame (T,), over `keys` (K,); and the way to the beliefs."""

    key: Ints
    numeral: Ints
    keys: Ints
    sums: Sums

    def beliefs(self, limits: Sequence[int]) -> Floats:
        """Return the belief in every label over stretches of frames, the mean over their time, (S, K, N).

        `limits` (S + 1,) are the frames at which the stretches begin and the last one ends.
        """
        return self.sums.beliefs(np.asarray(limits))


def _place(fifths: Ints) -> Ints:
    return np.clip(fifths - 2 + CENTRE, 1, FIFTHS - 1)


def _weights(lengths: Floats, trust: Trust) -> Floats:
    weight = np.clip(lengths, 0.05, 4.0) ** trust.length_power
    return np.asarray(weight / weight.mean() * trust.scale, dtype=np.float32)


def label_scores(
    judged: dict[str, Floats], numerals: Numerals, keys: Ints, weight: Floats, trust: Trust
) -> Worth:
    """Return what the network thinks of each label; frames count by `weight` (T,)."""
    places = numerals.places
    ways = []
    for key in keys:
        tonic, mode = int(key) // 2 + LOWEST_TONIC, int(key) % 2
        local = tonic + places[:, 2]
        inside = (local >= LOWEST_TONIC) & (local <= HIGHEST_TONIC)
        inside &= np.array([t is not None for t in numerals.texts[mode]])
        local_key = np.clip(2 * (local - LOWEST_TONIC) + places[:, 5], 0, KEYS - 1)
        unseen = (trust.unseen * ~numerals.seen[mode]).astype(np.float32)
        root, bass = _place(tonic + places[:, 0]), _place(tonic + places[:, 1])
        ways.append((int(key), root, bass, local_key, unseen, ~inside))

    def worth(part: slice) -> Floats:
        here = {name: head[part] for name, head in judged.items()}
        common = (
            trust.numeral * here["numeral"]
            + trust.quality * here["quality"].take(places[:, 3], axis=1)
            + trust.inversion * here["inversion"].take(places[:, 4], axis=1)
        )
        scores = np.empty((len(common), len(keys), len(places)), dtype=np.float32)
        for j, (key, root, bass, local_key, unseen, outside) in enumerate(ways):
            own = (
                trust.key * here["key"][:, key, None]
                + trust.root * here["root"].take(root, axis=1)
                + trust.bass * here["bass"].take(bass, axis=1)
                + trust.tonicised * here["tonicised"].take(local_key, axis=1)
            )
            scores[:, j] = (common + own - unseen) * weight[part, None]
            scores[:, j, outside] = -1e4
        return scores

    return worth


def second_opinion(
    chords: Mapping[tuple[int, str, int], Floats],
    of_key: Mapping[int, Floats],
    numerals: Numerals,
    keys: Ints,
    trust: Trust,
) -> Worth:
    """Turn another reader's beliefs into what each label is worth more or less.

    `chords` holds by (root on the line of fifths, quality, inversion), and `of_key` by key index, the
    belief (T,) in each frame; what is not named there is believed `DOUBT`.
    """
    frames = len(next(iter(chords.values())))
    nothing = np.zeros(frames, dtype=np.float32)
    number = {name: i for i, name in enumerate(chords)}
    # The last column is what is not named.
    of_chord = [*chords.values(), nothing]
    in_key = [of_key.get(int(key), nothing) for key in keys]
    tonics = [int(key) // 2 + LOWEST_TONIC for key in keys]
    column = np.array(
        [
            [number.get((tonic + r.root, r.quality, r.inversion), len(number)) for r in numerals.reduced]
            for tonic in tonics
        ]
    )

    def worth(part: slice) -> Floats:
        chord = np.stack([row[part] for row in of_chord], axis=1)
        key = np.stack([row[part] for row in in_key], axis=1)
        result: Floats = (trust.rules_chord * np.log(DOUBT + chord)).take(column, axis=1)
        result += (trust.rules_key * np.log(DOUBT + key))[:, :, None]
        return result

    return worth


def kept_chords(free: tuple[Ints, Ints], where: Bools, numerals: Numerals, keys: Ints, trust: Trust) -> Worth:
    """Return what labels are worth more that name the chord found before the keys were given.

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

    def worth(part: slice) -> Floats:
        result: Floats = (chords[None] == found[part, None, None]).astype(np.float32)
        frame, row = np.nonzero(free[0][part, None] == keys[None])
        result[frame, row, free[1][part][frame]] += 1
        result *= np.where(where[part], trust.kept, 0.0).astype(np.float32)[:, None, None]
        return result

    return worth


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
    opinions: Sequence[Worth] = (),
) -> Path:
    """Find the best path and the beliefs; what is settled is kept whatever the network thinks.

    `opinions`, over the keys of `likely_keys`, are more on every label; see `second_opinion`. `lengths` (T,)
    are in quarter notes.
    """
    keys = likely_keys(judged, settled)
    weight = _weights(lengths, trust)
    network = label_scores(judged, numerals, keys, weight, trust)
    held = np.flatnonzero(~(settled.keys.all(1) & settled.numerals.all(1)))

    def worth(part: slice) -> Floats:
        scores = network(part)
        for opinion in opinions:
            scores += opinion(part) * weight[part, None, None]
        for frame in held[(held >= part.start) & (held < part.stop)]:
            here = scores[frame - part.start]
            here += np.where(settled.keys[frame, keys], 0.0, -1e6).astype(np.float32)[:, None]
            here += np.where(settled.numerals[frame], 0.0, -1e5).astype(np.float32)[None, :]
        return scores

    starts = np.clip(judged["starts"], 1e-6, 1 - 1e-6)
    starts = np.where(settled.limits[:, None], [1 - 1e-6, 0.5, 0.5], starts)
    going = trust.start * np.log(1 - starts[:, 0]) - np.where(settled.limits, 1e3, 0.0)
    steps = Steps(
        begin=(trust.start * np.log(starts[:, 0])).astype(np.float32),
        go_on=going.astype(np.float32),
        new_key=(trust.key_start * np.log(starts[:, 1]) - trust.key_change).astype(np.float32),
        same_key=(trust.key_start * np.log(1 - starts[:, 1])).astype(np.float32),
    )
    best = _best_path(worth, steps)
    return Path(keys[best[:, 0]], best[:, 1], keys, Sums(worth, steps, lengths, trust.temperature))


def _parts(frames: int) -> list[slice]:
    return [slice(begin, min(begin + AT_ONCE, frames)) for begin in range(0, frames, AT_ONCE)]


def _best_path(worth: Worth, steps: Steps) -> Ints:
    begin, go_on, new_key, same_key = steps.begin, steps.go_on, steps.new_key, steps.same_key
    back: list[tuple[Bools, Ints, Ints]] = []
    scores = (score for part in _parts(len(begin)) for score in worth(part))
    value = next(scores)
    every = np.arange(len(value))
    for t, score in enumerate(scores, start=1):
        top = value.argmax(1)
        peak = value[every, top]
        change = np.full((len(every), len(every)), -np.inf, dtype=np.float32)
        change[:] = (peak + begin[t] + new_key[t])[:, None]
        change[every, every] = peak + begin[t] + same_key[t]
        origin = change.argmax(0)
        entering = change[origin, every]
        staying = value + go_on[t] + same_key[t]
        entered = entering[:, None] > staying
        back.append((entered, origin, top))
        value = np.where(entered, entering[:, None], staying) + score
    k, n = (int(i) for i in np.unravel_index(int(value.argmax()), value.shape))
    path = [(k, n)]
    for entered, origin, top in reversed(back):
        if entered[k, n]:
            k = int(origin[k])
            n = int(top[k])
        path.append((k, n))
    return np.array(path[::-1], dtype=np.int64)


class Sums:
    """The sums over all paths that come to a frame, and over all that go on from it.

    Chances are summed as they are, not as logarithms, and brought to the same size in every frame. They
    cannot run out: any label can follow any other at a cost bounded by the clipped chances of a start.
    """

    def __init__(self, worth: Worth, steps: Steps, lengths: Floats, temperature: float) -> None:
        self.worth, self.lengths, self.temperature = worth, lengths, temperature
        self.stay = np.exp(steps.go_on + steps.same_key)
        self.same = np.exp(steps.begin + steps.same_key).astype(np.float64)
        self.new = np.exp(steps.begin + steps.new_key).astype(np.float64)

    def beliefs(self, limits: Ints) -> Floats:
        """See `Path.beliefs`."""
        lengths = self.lengths
        parts = _parts(len(lengths))
        # What comes to the last frame before each part, so that a part can be gone through again.
        before: list[Floats | None] = [None]
        for part in parts[:-1]:
            before.append(self._forth(self._likely(part), part, before[-1])[-1].copy())
        found: list[Floats | None] = [None] * (len(limits) - 1)
        onward = None
        for part, come in zip(reversed(parts), reversed(before), strict=True):
            likely = self._likely(part)
            belief = self._forth(likely, part, come)
            onward = self._back(likely, belief, part, onward)
            first = int(np.searchsorted(limits, part.start, side="right")) - 1
            for i in range(max(0, first), len(found)):
                begin, end = max(int(limits[i]), part.start), min(int(limits[i + 1]), part.stop)
                if begin >= end:
                    break
                share = lengths[begin:end] / lengths[limits[i] : limits[i + 1]].sum()
                mean = np.tensordot(share, belief[begin - part.start : end - part.start], axes=1)
                known = found[i]
                found[i] = mean if known is None else known + mean
        return np.array(found)

    def _likely(self, part: slice) -> Floats:
        """How likely each label is by its frame alone, the likeliest 1."""
        scores = self.worth(part)
        scores -= scores.max((1, 2), keepdims=True)
        scores /= self.temperature
        return np.asarray(np.exp(scores, out=scores))

    def _crossing(self, mass: Floats, t: int) -> Floats:
        by_key = mass.sum(1, dtype=np.float64)
        others = by_key.sum() - by_key
        result: Floats = (self.same[t] * by_key + self.new[t] * others).astype(np.float32)
        return result[:, None]

    def _forth(self, likely: Floats, part: slice, come: Floats | None) -> Floats:
        """What comes to each frame of a part, (t, K, N), given what came to the frame before it."""
        result = np.empty_like(likely)
        for i, t in enumerate(range(part.start, part.stop)):
            if come is None:
                result[i] = likely[i]
            else:
                here = np.multiply(come, self.stay[t], out=result[i])
                here += self._crossing(come, t)
                here *= likely[i]
                here /= here.max()
            come = result[i]
        return result

    def _back(self, likely: Floats, belief: Floats, part: slice, onward: Floats | None) -> Floats:
        """Turn what comes to each frame of a part into beliefs; return what goes on from the frame before."""
        backward = np.ones_like(likely[0]) if onward is None else onward
        for i in range(len(likely) - 1, -1, -1):
            t = part.start + i
            belief[i] *= backward
            belief[i] /= belief[i].sum()
            backward *= likely[i]
            onward = self._crossing(backward, t)
            backward *= self.stay[t]
            backward += onward
            backward /= backward.max()
        return backward
