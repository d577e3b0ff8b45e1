"""Strikes in order of time -> trills among them, known by ear alone: two neighbour keys in quick turns.

What is written as such turns is found here too; whether it is, `following` decides.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

QUICK = 0.2
"""Most seconds from one strike of a trill to the next: slower turns are written out (common practice)."""
FEWEST = 4
"""Strikes that make a trill: fewer are a mordent, a turn, or chance."""


def trills(keys: NDArray[np.intp], starts: NDArray[np.float64]) -> list[list[int]]:
    """Return the trills among strikes, keys (strikes,) and seconds (strikes,) in order of time.

    Each is the indexes of its strikes, the first included; no strike is in two.
    """
    struck = keys.tolist()
    times = starts.tolist()
    of_key: dict[int, list[int]] = defaultdict(list)
    for i, key in enumerate(struck):
        of_key[key].append(i)
    found: list[list[int]] = []
    taken: set[int] = set()
    for i, key in enumerate(struck):
        if i in taken:
            continue
        turns = max((_turns(i, key, key + d, of_key, times) for d in (1, -1, 2, -2)), key=len)
        if len(turns) >= FEWEST and not taken.intersection(turns):
            found.append(turns)
            taken.update(turns)
    return found


def _turns(first: int, key: int, other: int, of_key: dict[int, list[int]], times: list[float]) -> list[int]:
    """Return the strikes of two keys in turns from one on, as long as each follows quickly."""
    turns = [first]
    while True:
        strikes = of_key.get(other, [])
        k = bisect_right(strikes, turns[-1])
        if k == len(strikes) or times[strikes[k]] - times[turns[-1]] > QUICK:
            return turns
        turns.append(strikes[k])
        key, other = other, key
