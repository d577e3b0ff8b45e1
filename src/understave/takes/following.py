"""Which moment of the score each strike stands at: a most-likely-path search over strikes in order of time.

From one strike to the next the player stays, goes on, leaves something out, strikes late what came before,
takes or leaves a repeat, or (dearly) jumps anywhere. So wrong notes, excerpts, repeats and restarts need no
list of playing orders. Costs are about minus the logarithm of a likelihood, set by hand on performances of
`benchmarks.pianists` and not fitted; ``python -m benchmarks.takes`` measures them with slips of other
seeds.

Of the table of costs only every so many rows are kept, and the rows between are worked out again on the way
back: memory grows with the moments times the root of the strikes.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isqrt, log

import numpy as np
from numpy.typing import NDArray

from understave.takes.trills import trills
from understave.takes.written import NEAR_KEY, Written

AHEAD, BACK = 12, 2
"""Most moments left out in one step; most moments a late strike can lie behind."""
LEFT_OUT, LEAVING = 0.9, 0.3
"""Cost of each written key that is left out, and of leaving anything out."""
LATE_SOON, LATE, SOON, BROKEN_OFF = 2.0, 6.0, 0.1, 0.7
"""Cost of a strike that belongs to an earlier moment, within `SOON` seconds of the last one and later; and
seconds after which none is late, but something begins again."""
TO_BAR, TO_ANY, FAR, FAR_BARS = 12.0, 16.0, 5.0, 24.0
"""Cost of a jump to a barline or anywhere, and of its distance besides, in full from so many bars on."""
TRILL, BESIDE, IN_TURNS = 2.5, 4.5, 0.3
"""Cost of a strike beside the text, near a written key or not, and in a trill (see `trills`)."""
PAUSE, RELIEF = 1.0, 5.0
"""A silence of so many seconds makes a jump cheaper by so much."""
TOGETHER, SPREAD = 0.045, 0.012
"""Seconds between strikes at which one chord and two moments are equally likely; how sharp the turn is."""
SINGLE, HELD_OPEN = 0.5, 0.5
"""Cost of a second strike at a moment of one key; most that staying costs where strikes may come one by
one."""

Row = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """For each strike its moment (index), whether a jump led to it, and whether it is beside the text.

    `trills` are those that are heard, each the indexes of its strikes.
    """

    places: NDArray[np.intp]
    jumped: NDArray[np.bool_]
    repeated: NDArray[np.bool_]
    beside: NDArray[np.bool_]
    trills: list[list[int]]


class _Table:
    """The costs of standing at each moment, strike by strike."""

    def __init__(self, written: Written, keys: NDArray[np.intp], starts: NDArray[np.float64]) -> None:
        self.written, self.keys, self.starts = written, keys, starts
        self.count = len(written.times)
        self.trills = trills(keys, starts)
        self.in_turns = {i for turns in self.trills for i in turns[1:]}
        self.struck = np.concatenate([[0.0], np.cumsum(LEFT_OUT * written.size)]).astype(np.float32)
        self.single = np.where(written.size == 1, np.float32(SINGLE), np.float32(0.0))
        self.at_bar = np.full(self.count, TO_ANY, np.float32)
        self.at_bar[written.bars] = TO_BAR
        self.bar_of = written.bar_of.astype(np.float32)

    def first(self) -> Row:
        """Return the costs after the first strike: anywhere, rather at a barline, best at the beginning."""
        written = self.written
        total = written.cost[self.keys[0]] + np.float32(TO_ANY / 3)
        total[written.bars] -= np.float32(TO_ANY / 6)
        total[0] = written.cost[self.keys[0], 0]
        return np.asarray(total, np.float32)

    def stay_and_go(self, t: int) -> tuple[float, float, float]:
        """Return the costs of staying at the moment and of going on, and the seconds since the last
        strike.
        """
        gap = float(self.starts[t] - self.starts[t - 1])
        new = 1 / (1 + exp(-min(30.0, max(-30.0, (gap - TOGETHER) / SPREAD))))
        new = min(0.97, max(0.03, new))
        return -log(1 - new), -log(new), gap

    def late(self, gap: float) -> float:
        """Return what it costs that a strike so many seconds after the last belongs to an earlier moment."""
        return LATE_SOON if gap < SOON else LATE if gap < BROKEN_OFF else TO_BAR

    def jump(self, total: Row, go: float, gap: float) -> tuple[int, Row]:
        """Return where a jump would start, and what it costs to each moment: `go` as a new one, and more."""
        low = int(np.argmin(total))
        relief = RELIEF * min(1.0, max(0.0, gap - 0.2) / PAUSE)
        far = np.minimum(1.0, np.abs(self.bar_of - self.bar_of[low]) / FAR_BARS)
        return low, np.asarray(self.at_bar + (FAR * far + (float(total[low]) + go - relief)), np.float32)

    def following(self, total: Row, t: int) -> Row:
        """Return the costs after strike `t` from those before it."""
        written = self.written
        stay, go, gap = self.stay_and_go(t)
        after = (
            total + np.where(written.loose, np.float32(min(stay, HELD_OPEN)), np.float32(stay)) + self.single
        )
        np.minimum(after[1:], total[:-1] + np.float32(go), out=after[1:])
        if self.count > 2:
            self._ahead(total, after, np.float32(go + LEAVING))
        late = self.late(gap)
        for step in range(1, min(BACK, self.count - 1) + 1):
            np.minimum(after[:-step], total[step:] + np.float32(late + step), out=after[:-step])
        if len(written.leave):
            np.minimum.at(after, written.enter, total[written.leave] + np.float32(go) + written.price)
        np.minimum(after, self.jump(total, go, gap)[1], out=after)
        cost = written.cost[self.keys[t]]
        after += cost
        beside = np.where(cost == np.float32(NEAR_KEY), np.float32(TRILL), np.float32(BESIDE))
        if t in self.in_turns:
            beside[:] = IN_TURNS
        return np.minimum(after, total + beside, out=after)

    def beside(self, t: int, cost: float) -> float:
        """Return what it costs that strike `t` stands beside the text, where its key would cost so much."""
        if t in self.in_turns:
            return IN_TURNS
        return TRILL if cost == NEAR_KEY else BESIDE

    def _ahead(self, total: Row, after: Row, more: np.float32) -> None:
        """Let two to `AHEAD` steps be made at once: the least of a sliding window, by doubling it."""
        least = total - self.struck[1:]  # what was left at the moment, and all before it
        reach, widest = 1, min(AHEAD, self.count - 1) - 1
        window = least
        while reach < widest:
            step = min(reach, widest - reach)
            wider = window.copy()
            np.minimum(wider[step:], window[:-step], out=wider[step:])
            window, reach = wider, reach + step
        np.minimum(after[2:], window[:-2] + self.struck[2:-1] + more, out=after[2:])

    def came_from(self, total: Row, t: int, place: int) -> tuple[int, str]:
        """Return the moment before strike `t` from which `place` is reached most cheaply, and in which
        way.
        """
        written = self.written
        stay, go, gap = self.stay_and_go(t)
        cost = float(written.cost[self.keys[t], place])
        held = (min(stay, HELD_OPEN) if written.loose[place] else stay) + float(self.single[place])
        low, jumping = self.jump(total, go, gap)
        ways = [
            (float(total[place]) + held + cost, place, "stay"),
            (float(total[place]) + self.beside(t, cost), place, "beside"),
            (float(jumping[place]) + cost, low, "jump"),
        ]
        late = self.late(gap)
        for step in range(1, AHEAD + 1):
            if place >= step:
                left_out = float(self.struck[place] - self.struck[place - step + 1])
                more = left_out + LEAVING if step > 1 else 0.0
                ways.append((float(total[place - step]) + go + more + cost, place - step, "on"))
            if step <= BACK and place + step < self.count:
                ways.append((float(total[place + step]) + late + step + cost, place + step, "late"))
        for k in np.flatnonzero(written.enter == place).tolist():
            a = int(written.leave[k])
            ways.append((float(total[a]) + go + float(written.price[k]) + cost, a, "repeat"))
        _, before, way = min(ways, key=lambda one: one[0])
        return before, way


def follow(written: Written, keys: NDArray[np.intp], starts: NDArray[np.float64]) -> Path:
    """Return the most likely path of strikes (keys 0..127 and seconds, in order of time) through a score."""
    table = _Table(written, keys, starts)
    count = len(keys)
    every = max(1, isqrt(count))
    kept: dict[int, Row] = {}
    total = table.first()
    for t in range(count):
        if t:
            total = table.following(total, t)
        if t % every == 0:
            kept[t] = total
    places = np.zeros(count, np.intp)
    jumped, repeated, beside = (np.zeros(count, bool) for _ in range(3))
    places[-1] = int(np.argmin(total))
    rows: dict[int, Row] = {}
    for t in range(count - 1, 0, -1):
        if t - 1 not in rows:
            start = (t - 1) // every * every
            rows = {start: kept[start]}
            for u in range(start + 1, t):
                rows[u] = table.following(rows[u - 1], u)
        before, way = table.came_from(rows[t - 1], t, int(places[t]))
        places[t - 1] = before
        jumped[t], repeated[t], beside[t] = way in ("jump", "repeat"), way == "repeat", way == "beside"
    return Path(places, jumped, repeated, beside, table.trills)
