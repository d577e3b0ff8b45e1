"""Pages that are not flat: a curled or slanting page in, the same page with level and even staves out.

In: a page as the network is given it, the layer of staff lines that it saw there, and the staves found. Along
each staff it is measured how high its top line lies and how far its lines stand apart; a smooth curve
evens out the mistakes. Then every column is stretched so that all staves lie level, with lines
`SPACE` pixels apart; between staves by straight lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from understave.score.readers.page.seen_symbols import SPACE

Floats = npt.NDArray[np.float32]
Reals = npt.NDArray[np.float64]
BENT, UNEVEN = 0.6 * SPACE, 0.025
"""From how many pixels off level, and from which part too wide or narrow, a page is flattened. Set by eye."""


@dataclass(frozen=True, slots=True)
class Rows:
    """A staff in the picture: its left and right, and the height of its top line at each of `xs`."""

    x0: float
    x1: float
    xs: Reals
    top: Reals

    @property
    def level(self) -> float:
        """The usual height of its top line."""
        return float(np.median(self.top))

    def off(self, x: Reals) -> Reals:
        """Return how much lower it lies at some abscissas than usually."""
        return np.interp(x, self.xs, self.top) - self.level


_STEP = 2 * SPACE
"""Columns that are looked at together."""
_CLEAR = 3.0
"""Lines, of five, that must be seen in them."""
_TRIED: Reals = np.array(
    [
        off + wide * SPACE * np.arange(5)
        for wide in np.arange(0.90, 1.101, 0.01)
        for off in np.arange(-3, 3.1, 0.5)
    ]
)
"""Where the five lines may lie, against where the first is thought to be."""


@dataclass(frozen=True, slots=True, eq=False)
class Before:
    """Of each row of a flattened page, which row of the page before it was, at each of `xs`."""

    xs: Reals
    rows: Reals

    def row(self, x: float, y: float) -> float:
        """Return the row that a place of the flattened page had before."""
        of = self.rows[int(np.clip(round(y), 0, len(self.rows) - 1))]
        return float(np.interp(x, self.xs, of))


def flattened(
    picture: Floats, lines: npt.NDArray[np.bool_], staves: Sequence[Rows]
) -> tuple[Floats, Before] | None:
    """Return a page (height, width) flattened by its staves, and where its rows were before.

    None where it is flat enough as it is.
    """
    width = picture.shape[1]
    xs = np.arange(0, width + _STEP, _STEP, dtype=np.float64)
    measured = [_measured(lines, staff, xs) for staff in staves]
    bent = max(float(np.ptp(top)) for top, _ in measured)
    uneven = max(float(np.abs(space / SPACE - 1).max()) for _, space in measured)
    if bent < BENT and uneven < UNEVEN:
        return None
    goals: list[float] = []
    places: list[Reals] = []
    for top, space in measured:
        goal = float(np.median(top))
        if goals and goal < goals[-1] + SPACE:
            goal = goals[-1] + SPACE
        goals += [goal, goal + 4 * SPACE]
        places += [top, top + 4 * space]
    return _stretched(picture, xs, np.array(goals), np.array(places))


def _measured(lines: npt.NDArray[np.bool_], staff: Rows, xs: Reals) -> tuple[Reals, Reals]:
    """Return the height of a staff's top line and the distance of its lines at some abscissas."""
    height, width = lines.shape
    at: list[float] = []
    tops: list[float] = []
    spaces: list[float] = []
    for x in np.arange(staff.x0, staff.x1 - _STEP, _STEP):
        profile = lines[:, int(x) : int(x) + _STEP].mean(axis=1)
        about = float(np.interp(x + _STEP / 2, staff.xs, staff.top))
        rows = np.clip(np.round(about - 0.5 + _TRIED), 0, height - 1).astype(int)
        inked = profile[rows].sum(axis=1)
        if inked.max() > _CLEAR:
            first, second = _TRIED[inked > inked.max() - 0.05].mean(axis=0)[:2].tolist()
            at.append(x + _STEP / 2)
            tops.append(about + first)
            spaces.append(second - first)
    if len(at) < 6:
        return np.interp(xs, staff.xs, staff.top), np.full(len(xs), float(SPACE))
    return _evened(np.array(at), np.array(tops), xs, width, 4), _evened(
        np.array(at), np.array(spaces), xs, width, 1
    )


def _evened(at: Reals, values: Reals, xs: Reals, width: int, degree: int) -> Reals:
    """Return a smooth curve through values, those far from it left out; level beyond the staff's ends."""
    there = np.ones(len(at), dtype=np.bool_)
    for _ in range(3):
        curve = np.polynomial.Polynomial.fit(at[there], values[there], degree, domain=[0, width])
        away = np.abs(values - curve(at))
        there = away <= max(1.0, 2.5 * float(np.median(away)))
    out: Reals = curve(np.clip(xs, at[0], at[-1]))
    return out


def _stretched(picture: Floats, xs: Reals, goals: Reals, places: Reals) -> tuple[Floats, Before]:
    """Return a page whose columns are stretched so that `places` (n, len(xs)) come to lie at `goals` (n)."""
    height, width = picture.shape
    first, last = places[:1] - goals[0], places[-1:] - goals[-1]
    goals = np.concatenate([[-SPACE], goals, [height + SPACE]])
    places = np.concatenate([first - SPACE, places, last + height + SPACE])
    ys = np.arange(height, dtype=np.float64)
    # For each row of the new page the row of the old one, at some columns, then at all.
    grid = np.stack([np.interp(ys, goals, places[:, i]) for i in range(len(xs))], axis=1)
    columns = np.arange(width)
    left = np.minimum(columns // _STEP, len(xs) - 2)
    part = (columns - left * _STEP) / _STEP
    source = np.clip(grid[:, left] * (1 - part) + grid[:, left + 1] * part, 0, height - 1.001)
    above = source.astype(np.int32)
    down = (source - above).astype(np.float32)
    out: Floats = picture[above, columns] * (1 - down) + picture[above + 1, columns] * down
    return out, Before(xs, grid)
