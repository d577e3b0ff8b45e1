"""Statistics and Weights -> Grammar: what chord may follow what and where keys change, as arrays to add up.

A *token* is what a numeral is to the ear: root place above the tonic and quality, triads in second
inversion apart (the cadential six-four behaves unlike its root position). Counts of tokens and of their
successions come from published analyses (see `statistics.json` and its credit line); the logarithms of
smoothed shares are weighed by `engine_weights.Weights`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np

from understave.harmony.emission import SIGNATURES, Singles
from understave.harmony.engine_weights import Weights
from understave.harmony.line_of_fifths import (
    BASS_COLUMN,
    INVERSIONS,
    KEY_MODE,
    KEY_PLACE,
    KEYS,
    KINDS,
    LABELS,
    label_parts,
)
from understave.harmony.units import Floats, Ints

LOW, HIGH = -11, 14
"""Root places above the tonic told apart; stranger ones count as the nearest end."""
RANGE = HIGH - LOW + 1
TOKEN_KINDS = len(KINDS) + 2
TOKENS = RANGE * TOKEN_KINDS
MODES = ("major", "minor")


def _token_table() -> Ints:
    """Return the token of every label in every key, shape (LABELS, len(KEYS))."""
    place, quality, inversion = label_parts(np.arange(LABELS))
    kind = np.where((inversion == 2) & (quality < 2), len(KINDS) + quality, quality)
    above = np.clip(place[:, None] - KEY_PLACE[None, :], LOW, HIGH) - LOW
    return np.asarray(above * TOKEN_KINDS + kind[:, None])


TOKEN = _token_table()


def token_name(token: int) -> str:
    """Return a readable name such as ``"+1 dominant7"`` (root a fifth above the tonic)."""
    above, kind = divmod(token, TOKEN_KINDS)
    name = str(KINDS[kind]) if kind < len(KINDS) else f"{KINDS[kind - len(KINDS)]}64"
    return f"{above + LOW:+d} {name}"


@lru_cache(maxsize=1)
def _names() -> dict[str, int]:
    return {token_name(t): t for t in range(TOKENS)}


@dataclass(frozen=True)
class Statistics:
    """Log shares from analyses.

    `succession` (2, TOKENS, TOKENS) is log P(next | this) by mode of the next; `inversion`
    (2, TOKENS, INVERSIONS) is log P(inversion | token).
    """

    succession: Floats
    inversion: Floats


def statistics_from(tables: Mapping[str, Any], strength: float = 6.0) -> Statistics:
    """Turn counts into smoothed log shares.

    `tables` has for ``"major"`` and ``"minor"``: ``tokens`` {name: count}, ``successions``
    {name: {name: count}} and ``inversions`` {name: [counts]}. A rare succession falls back on how
    often the second token occurs at all and on how often its root lies so far from the first's.
    """
    names = _names()
    succession = np.zeros((2, TOKENS, TOKENS))
    inversion = np.zeros((2, TOKENS, INVERSIONS))
    kinds = np.arange(TOKENS) % TOKEN_KINDS
    above = np.arange(TOKENS) // TOKEN_KINDS
    shared = np.zeros((TOKEN_KINDS, INVERSIONS))
    counts = np.zeros((2, TOKENS, TOKENS))
    single = np.zeros((2, TOKENS))
    turned = np.zeros((2, TOKENS, INVERSIONS))
    for m, mode in enumerate(MODES):
        for name, n in tables[mode]["tokens"].items():
            single[m, names[name]] = n
        for name, row in tables[mode]["successions"].items():
            for after, n in row.items():
                counts[m, names[name], names[after]] = n
        for name, row in tables[mode]["inversions"].items():
            turned[m, names[name]] = row
            shared[names[name] % TOKEN_KINDS] += row
    shared += 0.3
    shared /= shared.sum(1, keepdims=True)
    both = single.sum(0)
    by_kind = np.bincount(kinds, weights=both, minlength=TOKEN_KINDS)
    floor = (by_kind[kinds] + 2) / RANGE / (both.sum() + 2 * TOKEN_KINDS)
    # Root motion: how much likelier than chance a root of this kind moves so far to one of that kind.
    motion = np.ones((TOKEN_KINDS, TOKEN_KINDS, 2 * RANGE + 1))
    base = np.ones_like(motion)
    for m in range(2):
        p = single[m] / max(1.0, single[m].sum())
        rows, columns = np.nonzero(counts[m])
        index = (kinds[rows], kinds[columns], above[columns] - above[rows] + RANGE)
        np.add.at(motion, index, counts[m][rows, columns])
        live = np.nonzero(single[m])[0]
        expected = counts[m].sum(1)[live][:, None] * p[live][None, :]
        grid = (
            np.broadcast_to(kinds[live][:, None], expected.shape),
            np.broadcast_to(kinds[live][None, :], expected.shape),
            above[live][None, :] - above[live][:, None] + RANGE,
        )
        np.add.at(base, grid, expected)
    lift = np.clip(motion / base, 0.2, 8.0)
    for m in range(2):
        p = 0.92 * single[m] / max(1.0, single[m].sum()) + 0.08 * floor
        pull = lift[kinds[:, None], kinds[None, :], above[None, :] - above[:, None] + RANGE] * p[None, :]
        pull /= pull.sum(1, keepdims=True)
        total = counts[m].sum(1, keepdims=True)
        succession[m] = np.log((counts[m] + strength * pull) / (total + strength))
        rows = turned[m] + 4 * shared[kinds]
        inversion[m] = np.log(rows / rows.sum(1, keepdims=True))
    return Statistics(succession, inversion)


@lru_cache(maxsize=1)
def shipped_counts() -> dict[str, Any]:
    """Return what was counted in published analyses, as it travels with the tool: read once, not changed."""
    text = files("understave.harmony").joinpath("statistics.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


@lru_cache(maxsize=1)
def shipped_statistics() -> Statistics:
    """Return the statistics that travel with the tool."""
    return statistics_from(shipped_counts())


@dataclass(frozen=True)
class Grammar:
    """What the decoder adds between segments, already weighed.

    `succession` (2, TOKENS, TOKENS); `inversion` (2, TOKENS, INVERSIONS); `enter`, `leave` (2, TOKENS) weigh
    numerals first in a new key, last before one; `change` (4, K, K) by place (downbeat, beat,
    off the beat, after a pause), diagonal minus infinity; `bass_motion` (4, 4, 2*MOTIONS+1);
    `continuation` is the score for going on with the same label in a new segment; `opening` (K,) depends
    on the printed signature.
    """

    succession: Singles
    inversion: Floats
    enter: Floats
    leave: Floats
    change: Floats
    bass_motion: Floats
    continuation: float
    opening: Floats


MOTIONS = 12
CHANGES = 25
"""Distances between tonics told apart, -12..12 fifths."""


def grammar(statistics: Statistics, weights: Weights, signature: int) -> Grammar:
    """Weigh the statistics; `signature` is the printed one at the start, relative to the centre."""
    half = CHANGES // 2
    apart = np.clip(KEY_PLACE[None, :] - KEY_PLACE[:, None], -half, half) + half
    change = weights.change[KEY_MODE[:, None], apart, KEY_MODE[None, :]]
    stacked = np.stack([change + s for s in weights.scale[3:7]])
    for plane in stacked:
        np.fill_diagonal(plane, -1e9)
    away = (
        np.clip(KEY_PLACE - 3 * KEY_MODE - signature, -(SIGNATURES // 2), SIGNATURES // 2) + SIGNATURES // 2
    )
    return Grammar(
        succession=(weights.scale[0] * statistics.succession).astype(np.float32),
        inversion=weights.scale[1] * statistics.inversion + weights.token[:, :, None],
        enter=weights.enter,
        leave=weights.leave,
        change=stacked,
        bass_motion=weights.bass_motion,
        continuation=float(weights.scale[2]),
        opening=weights.opening[KEY_MODE, away],
    )


def bass_step(before: Ints, after: Ints) -> Ints:
    """Return the index into `Grammar.bass_motion`'s last axis from label to label."""
    motion = BASS_COLUMN[after] - BASS_COLUMN[before]
    result: Ints = np.clip(motion, -MOTIONS, MOTIONS) + MOTIONS
    return result


__all__ = [
    "KEYS",
    "TOKEN",
    "Grammar",
    "Statistics",
    "bass_step",
    "grammar",
    "shipped_statistics",
    "statistics_from",
    "token_name",
]
