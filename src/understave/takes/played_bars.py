"""Which bars of a stretch were played: those of which enough was struck. `played_spans`.

A path through a score can pass over bars that nobody played: it leaves them out in a few steps, or touches
the next bar with a key that belongs to where the player jumps to. No run tells such bars. The amounts were
set on playings made of quartets (``python -m benchmarks.takes_made``).
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from understave.takes.written import Written

ENOUGH, AT_JUMP = 0.4, 0.6
"""Share of what is written in a bar that must be struck; and of the part of a bar that lies at a jump. Bars
passed over had up to 0.36; of those played with 8 % wrong and 8 % left out 99 in 100 have more than 0.4."""
TOUCHED = 3
"""Moments of a bar at a jump that must be struck, where it has so many."""
FEW, QUICKER = 3, 2.0
"""Written keys of a bar up to which all may be left out, unless it goes by so many times quicker than all."""


def played_spans(
    written: Written,
    pairs: Mapping[int, tuple[int, int]],
    at: NDArray[np.intp],
    seconds: NDArray[np.float64],
    jumps: tuple[bool, bool],
) -> list[tuple[int, int]]:
    """Return the first and last moment of each part of a stretch whose bars were played.

    In each something was struck. `pairs` are the stretch's matches, {strike: (moment, key)}, one at least;
    `at` the moments that were struck and `seconds` when, both rising; `jumps` whether it begins and ends at
    a jump.
    """
    of = written.bar_of
    low, high = min(i for i, _ in pairs.values()), max(i for i, _ in pairs.values())
    bars = range(of[low], of[high] + 1)
    edges = np.searchsorted(of, [*bars, bars.stop])
    inner = np.clip(edges, low, high + 1)
    quarters = np.append(written.quarters, written.quarters[-1] + 1.0)[inner]
    lasting, took = np.diff(quarters), np.diff(np.interp(quarters, written.quarters[at], seconds))
    usual = (seconds[-1] - seconds[0]) / (written.quarters[at[-1]] - written.quarters[at[0]])
    matched: dict[int, list[int]] = {bar: [] for bar in bars}
    for i, _ in pairs.values():
        matched[of[i]].append(i)
    played = []
    for k, bar in enumerate(bars):
        there = int(written.size[inner[k] : inner[k + 1]].sum())
        share = len(matched[bar]) / there
        if (bar == bars[0] and jumps[0]) or (bar == bars[-1] and jumps[1]):
            touched = len(set(matched[bar])) >= min(TOUCHED, edges[k + 1] - edges[k])
            played.append(share >= AT_JUMP and touched)
        else:
            in_time = took[k] * QUICKER >= lasting[k] * usual
            played.append(share >= ENOUGH or (there <= FEW and bool(in_time)))
    spans = []
    for right, group in groupby(range(len(bars)), key=lambda k: played[k]):
        ks = list(group)
        if right and any(matched[bars[k]] for k in ks):
            spans.append((int(inner[ks[0]]), int(inner[ks[-1] + 1]) - 1))
    return spans
