"""Grounds -> the best row of holds, by dynamic programming over where each begins and how deep it is.

Six things are weighed against each other: blur; resonance and bass that a release takes away; effort, which
grows with the pace of the foot; how well a change falls in with harmony, bass and metre; dryness where the
pedal is up; sounds that want to be short where it is down. The best row is exact for these costs. Since only
blur is multiplied by `Wishes.blur`, a player who minds it less never gets a plan with less of it (the lower
envelope of straight lines is concave). `interpretation.pedal` scales `half` and `marked` besides; there the
same is tested, not proved.

The costs are in units of blur (`pedal_costs`): round numbers, set by reasoning and compared by one mean over
half of the recorded pieces; `benchmarks/pedal` tells how, and what the other half says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from understave.interpretation.pedal_costs import LONGEST, REACH, Array, Grounds

UP, DOWN, HALF = 0, 1, 2
DEPTHS = (0.0, 1.0, 0.5)
"""How deep each of the three is, 0 to 1."""
HALF_DRY = 0.05
"""How dry half a pedal is beside a raised one: basses and open strings go on ringing."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What counts for how much.

    Pressing the pedal after a while without costs `begin`. A change costs `press`, `quick` times (half a
    second / time since the last)², `within` inside a chord, `off_beat` and half as much off the downbeat,
    `no_bass` where no new bass comes with it, up to `resonance` for what the chord loses, `bass` for its
    bass. Per second: `dry` for a raised pedal, `clear` for one that is down where it should be up, `half` for
    the care that half a pedal asks for. `print` is for changing where the print holds the pedal, `marked` for
    not changing where it does.
    """

    blur: float = 6.0
    press: float = 0.05
    begin: float = 0.05
    quick: float = 0.05
    within: float = 0.5
    off_beat: float = 0.3
    no_bass: float = 0.5
    resonance: float = 0.4
    bass: float = 0.5
    dry: float = 12.0
    clear: float = 1.0
    spare: float = 6.0
    half: float = 1.5
    print: float = 1.0
    marked: float = 1.0


@dataclass(frozen=True, slots=True)
class Hold:
    """One state of the pedal from an onset to before another: `depth` is UP, DOWN or HALF."""

    first: int
    last: int
    depth: int


def best_holds(grounds: Grounds, wishes: Wishes) -> tuple[Hold, ...]:
    """Return the cheapest row of holds from the first onset to the end."""
    n = len(grounds.moments)
    seconds = grounds.seconds
    lasts = np.diff(seconds)
    # Where music asks for pedal more often than not, leaving it up is dry; elsewhere leaving it down is not
    # asked.
    asked = 2 * grounds.wanted - 1
    dry, clear = _summed(grounds.dry * np.maximum(0, asked) * lasts), _summed(grounds.clear * lasts)
    spare = _summed(np.maximum(0, -asked) * lasts)
    place, half_place = _place(grounds, wishes), _place(grounds, wishes, HALF)
    best = np.full((n + 1, 3), np.inf)
    back = np.zeros((n + 1, 3, 2), dtype=np.intp)
    best[0] = (0.0, wishes.begin, np.inf)
    for k in range(1, n + 1):
        j = np.arange(max(0, k - REACH), k)
        j = j[(seconds[k] - seconds[j] <= LONGEST) | (j == k - 1)]
        m = k - j
        gap = seconds[k] - seconds[j]
        dryness = wishes.dry * (dry[k] - dry[j])
        unclear = wishes.clear * (clear[k] - clear[j]) + wishes.spare * (spare[k] - spare[j])
        cost = np.empty((j.size, 3))
        cost[:, UP] = dryness
        cost[:, DOWN] = wishes.blur * grounds.blur[j, m] + unclear
        cost[:, HALF] = (
            wishes.blur * grounds.half_blur[j, m] + 0.5 * unclear + wishes.half * gap + HALF_DRY * dryness
        )
        cost += best[j]
        if k == n:
            best[n, 0], back[n, 0] = _cheapest(cost, j)
            break
        cut = grounds.cut[j, m]
        lost = wishes.resonance * cut / (cut + grounds.fresh[k] + 1e-9)
        lost_bass = wishes.bass * grounds.bass_left[k] * (j <= grounds.bass[k])
        effort = wishes.press + wishes.quick * (0.5 / gap) ** 2
        # Half a release leaves the bass and much of the chord, and so takes less away. What wants to be clear
        # loses nothing, and is no matter of the metre.
        change = np.zeros((j.size, 3))
        for depth, kept, unwanted in ((UP, 1.0, grounds.clear[k]), (DOWN, 1.0, 0.0), (HALF, 0.4, 0.0)):
            there = half_place[k] if depth == HALF else place[k]
            change[:, UP] = 0.0 if depth == UP else wishes.begin + 0.5 * there
            change[:, DOWN] = effort + (1.0 - unwanted) * (there + kept * lost)
            change[:, HALF] = effort + (1.0 - unwanted) * (there + 0.4 * lost)
            if depth == HALF:
                # Half a pedal is for a bass that goes on under the change; without one it only muddles.
                if not grounds.bass_held[k]:
                    change[j > grounds.bass[k], DOWN] = np.inf
                change[:, UP] = change[:, HALF] = np.inf
            else:
                change[:, DOWN:] += ((1.0 - unwanted) * lost_bass)[:, None]
            best[k, depth], back[k, depth] = _cheapest(cost + change, j)
    return tuple(_holds(back, n))


def blur_of(grounds: Grounds, holds: tuple[Hold, ...]) -> float:
    """Return the blur of a row of holds, in units of blur times seconds."""
    tables = {DOWN: grounds.blur, HALF: grounds.half_blur}
    return float(
        sum(tables[hold.depth][hold.first, hold.last - hold.first] for hold in holds if hold.depth != UP)
    )


def _place(grounds: Grounds, wishes: Wishes, depth: int = DOWN) -> Array:
    """What it costs to change, fully or half, at each onset, for its place in harmony, metre and print.

    A half change is made for a bass that goes on, and half obeys a printed pedal that is held.
    """
    printed = np.where(grounds.printed > 0, wishes.marked, wishes.print) * grounds.printed
    place = np.where(grounds.arrives, 0.0, wishes.within)
    place += wishes.off_beat * np.where(grounds.on_beat, np.where(grounds.downbeat, 0.0, 0.5), 1.0)
    if depth == HALF:
        return np.asarray(place - 0.5 * printed)
    place += np.where(grounds.new_bass, 0.0, wishes.no_bass)
    return np.asarray(place - printed)


def _summed(values: Array) -> Array:
    return np.append(0.0, np.cumsum(values))


def _cheapest(cost: Array, begun: np.ndarray) -> tuple[float, tuple[int, int]]:
    row, depth = np.unravel_index(int(np.argmin(cost)), cost.shape)
    return float(cost[row, depth]), (int(begun[row]), int(depth))


def _holds(back: np.ndarray, n: int) -> list[Hold]:
    found: list[Hold] = []
    last, (first, depth) = n, back[n, 0]
    while True:
        found.append(Hold(int(first), int(last), int(depth)))
        if first == 0:
            return _joined(found[::-1])
        last, (first, depth) = first, back[first, depth]


def _joined(holds: list[Hold]) -> list[Hold]:
    """Join holds with the pedal up that follow each other."""
    joined: list[Hold] = []
    for hold in holds:
        if joined and joined[-1].depth == UP == hold.depth:
            joined[-1] = Hold(joined[-1].first, hold.last, UP)
        else:
            joined.append(hold)
    return joined
