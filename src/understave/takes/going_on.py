"""Which strikes of a path lead away from where the player goes on: `without_excursions`.

Nobody jumps away for a few bars and is back just where they would be had they gone on in time: then what was
played between is often not what is written (another edition, or faults), and another passage happens to fit
better. The same where a take begins or ends elsewhere than the score, and where a bar is passed over but made
up for by another that lasts too long. But some who leave bars out and begin others again are in time by
chance: what was struck decides, and where it fits both no bar is told. The amounts were set by reasoning, on
playings made of quartets (``python -m benchmarks.takes_made``) and of pianists (``benchmarks.takes``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from understave.takes.following import AHEAD, Path
from understave.takes.written import Written

EXCURSION = 16
"""Strikes of a stretch below which it is no run where the music before it goes on after it."""
JUMPS, AWAY = 3, 8
"""Most jumps that lead away, and bars from where the player was to where they are again."""
PACED, IN_TIME, IN_PLACE = 24, 1.3, 0.5
"""Strikes before and after that say how quickly the player goes; how many times quicker or slower is in time;
and how many bars off."""
ELSEWHERE = 0.75
"""Bars off that what leads away must be in the middle, or what is passed over."""
AGAIN = 5
"""Bars back from which practising begins again."""
MADE_UP = 4
"""Bars within which what was passed over is made up for."""
AROUND = 0.5
"""Quarter notes around the moment at which a strike would be in time, in which its key may be written."""
BARELY, WELL, POORLY = 0.45, 0.65, 0.8
"""Share of what was struck that is written where going on has it: less is chance, more says that the player
went on; and share that is written where the path has it, below which that says little."""
BETTER = 0.2
"""By how much more the path must fit for it to be no more than a doubt that a bar was made up for: bars
skipped before a slow place are in time again by chance (set on ``benchmarks.takes --seeds tuning``)."""

Keys = NDArray[np.intp]
Seconds = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Going:
    """The strikes at which stretches begin, and the end; which strikes lead away, (strikes,); and those of
    which that is in doubt, each with the moment at which the music would go on.
    """

    edges: list[int]
    away: NDArray[np.bool_]
    doubtful: tuple[tuple[range, int], ...]


class _Player:
    """Where the player stands in a path, and how quickly they go."""

    def __init__(self, written: Written, path: Path, keys: Keys, starts: Seconds) -> None:
        self.written, self.path, self.keys, self.starts = written, path, keys, starts
        self.count = len(path.places)
        self.bars = written.bar_of[path.places]
        passed = np.diff(self.bars, prepend=self.bars[0]) > 1
        self.edges = [0, *np.flatnonzero(path.jumped | passed).tolist(), self.count]

    def last(self, leave: int) -> int:
        """Return the strike that stands furthest on before `leave`, since the last jump: others are late."""
        begin = max(0, leave - PACED)
        jumps = np.flatnonzero(self.path.jumped[begin:leave])
        begin += int(jumps[-1]) if len(jumps) else 0
        return begin + int(np.argmax(self.path.places[begin:leave]))

    def on_from(self, leave: int) -> int:
        """Return the moment that comes next where the music goes on at strike `leave`."""
        return min(int(self.path.places[self.last(leave)]) + 1, len(self.written.times) - 1) if leave else 0

    def quarters(self, strike: int) -> float:
        """Return the written moment of a strike."""
        return float(self.written.quarters[self.path.places[strike]])

    def took(self, first: int, last: int) -> float:
        """Return the seconds between two strikes."""
        return float(self.starts[last] - self.starts[first])

    def paces(self, leave: int, back: int) -> Iterator[float]:
        """Yield seconds for each quarter note before and after."""
        before, after = (max(0, leave - PACED), leave - 1), (back, min(self.count, back + PACED) - 1)
        for a, b in (before, after):
            if b > a and not self.path.jumped[a + 1 : b + 1].any():
                lasting = self.quarters(b) - self.quarters(a)
                if lasting > 0 and self.starts[b] > self.starts[a]:
                    yield self.took(a, b) / lasting

    def goes_on(self, leave: int, back: int) -> float:
        """Return how far the music before strike `leave`, or the score's beginning, goes on at strike `back`,
        or to the score's end, 0..1: the share of what was struck between that is written there.
        """
        written, places = self.written, self.path.places
        last = self.last(leave) if leave else 0
        before = int(places[last]) if leave else 0
        after = int(places[back]) if back < self.count else len(written.times) - 1
        if leave and back < self.count and back - leave < EXCURSION and 0 <= after - before <= AHEAD:
            return 1.0
        away = int(written.bar_of[after] - written.bar_of[before])
        expected = float(written.quarters[after] - written.quarters[before])
        took = self.took(last, min(back, self.count - 1))
        begins_again = back == self.count and 0 <= written.bar_of[before] - self.bars[leave] <= AGAIN
        if expected <= 0 or took <= 0 or away > AWAY or begins_again:
            return 0.0
        bar = expected / max(1, away)
        there = self.evenly(leave, back, last, float(written.quarters[before]), expected / took)
        off = np.abs(written.quarters[places[leave:back]] - there)
        in_time = any(
            expected * pace / IN_TIME <= took <= expected * pace * IN_TIME
            and abs(took / pace - expected) <= IN_PLACE * bar
            for pace in self.paces(leave, back)
        )
        return self.fitting(leave, there) if in_time and np.median(off) >= ELSEWHERE * bar else 0.0

    def evenly(self, leave: int, back: int, last: int, begin: float, pace: float) -> Seconds:
        """Return the moments of the strikes from `leave` to `back` where the player goes on evenly from the
        moment `begin`, at which strike `last` stands, so many quarter notes a second.
        """
        return np.asarray(begin + pace * (self.starts[leave:back] - self.starts[last]))

    def fitting(self, first: int, there: Seconds) -> float:
        """Return the share of the strikes from `first` on that are written about the moments `there`."""
        cost, quarters = self.written.cost, self.written.quarters
        reach = zip(
            np.searchsorted(quarters, there - AROUND), np.searchsorted(quarters, there + AROUND), strict=True
        )
        right = [not cost[self.keys[first + k], a:b].all() for k, (a, b) in enumerate(reach)]
        return float(np.mean(right))

    def made_up(self, leave: int, end: int) -> tuple[int, float]:
        """Return the strike before `end` at which the player is in time again, where strike `leave` passes
        over music as if it were left out, and how far the music goes on there; 0 if they never are.
        """
        last = self.last(leave)
        for back in (leave + np.flatnonzero(np.diff(self.bars[leave:end]) > 0) + 1).tolist():
            if self.bars[back] > self.bars[leave] + MADE_UP:
                break
            expected = self.quarters(back) - self.quarters(last)
            took = self.took(last, back)
            bar = expected / max(1, int(self.bars[back] - self.bars[last]))
            for pace in self.paces(leave, back):
                passed = self.quarters(leave) - self.quarters(last) - self.took(last, leave) / pace
                off = abs(took / pace - expected)
                if passed > ELSEWHERE * bar and off < min(IN_PLACE * passed, (1 - 1 / IN_TIME) * expected):
                    there = self.evenly(leave, int(back), last, self.quarters(last), expected / took)
                    return int(back), self.fitting(leave, there)
        return end, 0.0

    def best(self, k: int) -> tuple[float, int, int]:
        """Return how far the music before edge `k` goes on, at which strike, and the edge to look at then."""
        leave, edges = self.edges[k], self.edges
        ways = [
            (self.borne_out(self.goes_on(leave, edges[j]), leave, edges[j], 1.0), edges[j], j + 1)
            for j in range(k + 1, min(k + 1 + JUMPS, len(edges)))
        ]
        if k and not self.path.repeated[leave]:
            back, share = self.made_up(leave, edges[k + 1])
            ways.append((self.borne_out(share, leave, back, BETTER), back, k + 1))
        return max(ways, key=lambda way: way[0])

    def borne_out(self, share: float, leave: int, back: int, better: float) -> float:
        """Return how far going on is borne out beside the path: 1 where the path fits poorly too, so that
        nothing speaks for it; no more than a doubt where it fits better by more than so much.
        """
        if not share:
            return 0.0
        fits = float(np.mean(self.written.cost[self.keys[leave:back], self.path.places[leave:back]] == 0))
        if fits <= POORLY:
            return 1.0
        return min(share, BARELY) if fits - share > better else share


def without_excursions(written: Written, path: Path, keys: Keys, starts: Seconds) -> Going:
    """Return the stretches of a path without what leads away from where the player goes on.

    `keys` (0..127) and `starts` (seconds, rising) are those of the strikes.
    """
    player = _Player(written, path, keys, starts)
    edges = player.edges
    kept = {0, player.count}
    away = np.zeros(player.count, bool)
    doubtful: list[tuple[range, int]] = []
    k = 0 if player.bars[0] > written.bar_of[0] + 1 else 1
    while k < len(edges) - 1:
        leave = edges[k]
        share, back, then = player.best(k)
        if share >= WELL:
            away[leave:back] = True
            k = then
            continue
        if path.jumped[leave]:
            kept.add(leave)
        if share >= BARELY:
            kept |= {leave, back}
            doubtful.append((range(leave, back), player.on_from(leave)))
        k += 1
    return Going(sorted(kept), away, tuple(doubtful))
