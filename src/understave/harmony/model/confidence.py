"""How sure the label of a span is, and what else it may be.

In: what the networks, the engine of hand-made features and the decoder say of the spans of a reading.
Out: a confidence (0..1) for each span, and for one span the shares of belief in every other label.

The decoder's own belief is sure of itself far too often, because it counts every frame as news. What the
networks think of the label by itself, what the engine thinks of the chord, and how sure the key is round
about tell right labels from wrong ones better; each of the three can only raise the confidence. They are
weighed by logistic regression (Cox 1958), fitted by `training.confidence` on pieces of the training split
that the judging networks had not seen, every set of music counting alike; the features were chosen by
leaving out one set after another, so that they hold for music of another kind.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from understave.harmony.model.label_indices import LOWEST_TONIC
from understave.harmony.model.network import Floats, Numerals

ROUND_ABOUT = 6
"""Spans on either side of a span whose keys count as round about it."""
LEAST_CHANCE = 0.003
LEAST_OPINION = 0.02


@dataclass(frozen=True, slots=True)
class Weighing:
    """Log odds that a label is right: `bias` and the weights of the log odds of what is told of it."""

    bias: float = -0.526
    numeral: float = 0.506
    opinion: float = 0.341
    key: float = 0.253


@dataclass(frozen=True, slots=True)
class Ordering:
    """How the other labels of a span are ordered: weights of the logarithms of the decoder's belief and of
    the networks' chance of the numeral, and what a label in the span's own key loses, of whose keys the
    decoder is too sure.
    """

    belief: float = 0.57
    numeral: float = 0.22
    same_key: float = -2.58


Label: TypeAlias = tuple[int, int, int, int]
"""A span's first frame, the frame after its last, its key and its numeral, both by index."""

WEIGHING = Weighing()
ORDERING = Ordering()


def log_odds(chance: npt.ArrayLike, least: float = LEAST_CHANCE) -> npt.NDArray[np.float64]:
    """Logarithm of p / (1 - p), chances nearer to 0 or 1 than `least` taken as that."""
    clipped = np.clip(np.asarray(chance, dtype=np.float64), least, 1 - least)
    return np.log(clipped / (1 - clipped))


def round_about(values: npt.ArrayLike, lengths: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Mean of the values (S,) of a span and its neighbours, longer spans counting more."""
    value, length = np.asarray(values, dtype=np.float64), np.asarray(lengths, dtype=np.float64)
    length = np.maximum(length, 1e-6)
    places = np.arange(len(value))
    sums = np.concatenate([[0.0], np.cumsum(value * length)])
    time = np.concatenate([[0.0], np.cumsum(length)])
    low, high = np.maximum(places - ROUND_ABOUT, 0), np.minimum(places + ROUND_ABOUT + 1, len(value))
    result: npt.NDArray[np.float64] = (sums[high] - sums[low]) / (time[high] - time[low])
    return result


@dataclass(frozen=True)
class Evidence:
    """What speaks for the labels of S spans in order, averaged over each span's time.

    `numeral` (S,) and `key` (S,): the networks' chance of it; `opinion` (S,): the engine's belief in the
    chord; `lengths` (S,) in quarter notes; `chances` (S, N): the networks' chance of every numeral.
    """

    numeral: npt.NDArray[np.float64]
    opinion: npt.NDArray[np.float64]
    key: npt.NDArray[np.float64]
    lengths: npt.NDArray[np.float64]
    chances: Floats


def evidence(
    labels: Sequence[Label],
    judged: Mapping[str, Floats],
    chords: Mapping[tuple[int, str, int], Floats],
    numerals: Numerals,
    lengths: Floats,
) -> Evidence:
    """Gather what speaks for each span's label.

    `judged` is the networks' judgement of the frames, `chords` the engine's belief (T,) by root on the line
    of fifths, quality and inversion; `lengths` (T,) of the frames in quarter notes.
    """
    time, chances, keys, opinion = [], [], [], []
    for begin, end, key, number in labels:
        part = slice(begin, end)
        time.append(lengths[part].sum())
        share = lengths[part] / time[-1]
        chances.append(share @ np.exp(judged["numeral"][part]))
        keys.append(share @ np.exp(judged["key"][part, key]))
        reduced = numerals.reduced[number]
        heard = chords.get((key // 2 + LOWEST_TONIC + reduced.root, reduced.quality, reduced.inversion))
        opinion.append(0.0 if heard is None else share @ heard[part])
    rows = np.array(chances, dtype=np.float32)
    own = rows[np.arange(len(labels)), [number for _, _, _, number in labels]]
    return Evidence(
        own.astype(np.float64),
        np.array(opinion, dtype=np.float64),
        np.array(keys, dtype=np.float64),
        np.array(time, dtype=np.float64),
        rows,
    )


def features(found: Evidence) -> npt.NDArray[np.float64]:
    """Return what the confidence is made of, (S, 3): log odds of numeral, opinion and key round about."""
    return np.stack(
        (
            log_odds(found.numeral),
            log_odds(found.opinion, LEAST_OPINION),
            round_about(log_odds(found.key), found.lengths),
        ),
        axis=1,
    )


def confidences(found: Evidence, weighing: Weighing = WEIGHING) -> npt.NDArray[np.float64]:
    """Return how sure the label of each span is, (S,)."""
    odds = weighing.bias + features(found) @ (weighing.numeral, weighing.opinion, weighing.key)
    result: npt.NDArray[np.float64] = 1 / (1 + np.exp(-odds))
    return result


def others(belief: Floats, numeral: Floats, own: tuple[int, int], ordering: Ordering = ORDERING) -> Floats:
    """Return each label's share, if the span's own is wrong: shape (K, N), summing to 1, 0 at `own`.

    `belief` (K, N) is the decoder's, by key and numeral, and `numeral` (N,) the networks' chance of each
    numeral, both averaged over the span; `own` is the row and the numeral of its label.
    """
    worth = ordering.belief * np.log(belief + 1e-9) + ordering.numeral * np.log(numeral + 1e-5)
    worth[own[0]] += ordering.same_key
    # What the decoder rules out, such as a numeral that cannot stand in a mode, stays out.
    worth[belief <= 0] = -np.inf
    worth[own] = -np.inf
    top = worth.max()
    if not np.isfinite(top):
        return np.zeros_like(belief)
    share = np.exp(worth - top)
    result: Floats = share / share.sum()
    return result
