"""Features -> Lattice: what every stretch of the piece could be, scored without looking at its neighbours.

A *segment* is a run of units. For each segment the best labels (root, quality, inversion) are kept with
their scores, and every key is scored on the same notes. All scores are sums of a weight times a feature,
so that weights can be fitted or replaced while `decode` stays as it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from understave.harmony.engine_weights import Weights
from understave.harmony.features import (
    BASS_VIEWS,
    LONGEST,
    TONE_VIEWS,
    Features,
    length_class,
    segments,
    views,
)
from understave.harmony.line_of_fifths import (
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
from understave.harmony.units import HALF, SPAN, Floats, Ints

Singles = NDArray[np.float32]

KEPT = 12
"""Labels kept per segment."""
KEY_WINDOW = 8.0
"""Felt beats over which a key must be among the likeliest somewhere to be considered at all."""
KEYS_PER_WINDOW = 5
PLACES = 31
"""Distances on the line of fifths told apart by key profiles, -15..15."""
SIGNATURES = 15
"""Distances between key and printed signature told apart, -7..7."""
BASS_SEMITONE = (BASS_COLUMN - HALF) * 7 % 12
# Bass notes are compared by sound only: the middle column of each pitch class stands for it.
MIDDLE_CLASS = TEMPLATE_CLASS[HALF + (np.arange(12) * 7 + 6) % 12 - 6]


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


def templates(weights: Weights) -> tuple[Floats, Floats]:
    """Return the tone weights (TONE_VIEWS*SPAN, CHORDS) and the bass weights (8*12, CHORDS) of every
    chord.
    """
    quality = np.arange(CHORDS) % len(KINDS)
    tones = np.concatenate([weights.tones[v][quality[None, :], TEMPLATE_CLASS] for v in range(TONE_VIEWS)])
    bass_class = np.where(MIDDLE_CLASS >= ROLES, MIDDLE_CLASS - ROLES, MIDDLE_CLASS)
    classes = np.where(MIDDLE_CLASS < 2 * ROLES, bass_class, MIDDLE_CLASS)
    bass = np.concatenate([weights.tones[v][quality[None, :], classes] for v in BASS_VIEWS])
    return tones, bass


def key_scores(features: Features, weights: Weights) -> Floats:
    """Return cumulative key scores, shape (U+1, len(KEYS))."""
    columns = np.arange(SPAN) - HALF
    distance = np.clip(columns[:, None] - KEY_PLACE[None, :], -(PLACES // 2), PLACES // 2) + PLACES // 2
    profile = weights.profile[KEY_MODE[None, :], distance]
    scores: Floats = features.keys @ profile
    own = KEY_PLACE - 3 * KEY_MODE
    away = (
        np.clip(own[None, :] - features.signature[:, None], -(SIGNATURES // 2), SIGNATURES // 2)
        + SIGNATURES // 2
    )
    per_beat = weights.signature[KEY_MODE[None, :], away] * np.diff(features.place)[:, None]
    scores[1:] += np.cumsum(per_beat, 0)
    return scores


def likely_keys(features: Features, weights: Weights) -> Ints:
    """Return the numbers of the keys that are among the likeliest over some stretch of the piece."""
    total = key_scores(features, weights)
    ahead = np.searchsorted(features.place, features.place[:-1] + KEY_WINDOW).clip(0, len(features.place) - 1)
    best = np.argsort(-(total[ahead] - total[:-1]), axis=1, kind="stable")[:, :KEYS_PER_WINDOW]
    return np.unique(best)


def lattice(features: Features, weights: Weights, longest: int = LONGEST, kept: int = KEPT) -> Lattice:
    """Score every segment and keep its best labels."""
    units = len(features.start)
    begin, end = segments(units, longest)
    tone_weights, bass_weights = (w.astype(np.float32) for w in templates(weights))
    labels = np.empty((len(begin), kept), dtype=np.int64)
    scores = np.empty((len(begin), kept))
    for low in range(0, len(begin), 2048):
        part = slice(low, low + 2048)
        tones, bass = views(features, begin[part], end[part])
        labels[part], scores[part] = _best(
            tones.reshape(len(tones), -1).astype(np.float32),
            bass.astype(np.float32),
            tone_weights,
            bass_weights,
            weights,
            kept,
        )
    scores += (
        weights.start[features.start[begin]]
        + weights.figure[features.figure[begin]]
        + weights.length[length_class(features, begin, end)]
    )[:, None]
    cumulative = key_scores(features, weights)
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
