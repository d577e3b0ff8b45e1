"""What a person knows better of printed bars than it was read, each thing at a place on a page.

In: `Told`s and the frame of a bar. Out: all that is known of that bar.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple, TypeVar

_Known = TypeVar("_Known")


class Place(NamedTuple):
    """A place on a page, counted from 1; `x` and `y` are parts of its width and height from the top left."""

    page: int
    x: float
    y: float


class Frame(NamedTuple):
    """Where a bar stands on a page, in parts of its width and height from the top left."""

    page: int
    x0: float
    y0: float
    x1: float
    y1: float

    def holds(self, place: Place) -> bool:
        """Say whether a place lies within."""
        return place.page == self.page and self.x0 <= place.x < self.x1 and self.y0 <= place.y < self.y1

    @property
    def middle(self) -> Place:
        """The place by which the bar is known."""
        return Place(self.page, (self.x0 + self.x1) / 2, (self.y0 + self.y1) / 2)


@dataclass(frozen=True, slots=True)
class Told:
    """What is known of the bar at a place better than it was read; None is left as it was read.

    `signature` counts fifths; `clef` is a staff, from 1 at the top of the score, and the diatonic step (C0 is
    0) of its lowest line; `length` is what the bar holds in quarter notes, 0 for what its meter asks. A
    `settled` bar is sure. `joined` tells that the bar line at its right is none, `split` that one is missing,
    and where (a part of the page's width); either makes other bars, of which nothing else is known yet.
    `repeat` tells whether one begins and whether one ends here, `ending` for which times the bar is.
    """

    at: Place
    signature: int | None = None
    meter: tuple[int, int] | None = None
    clef: tuple[int, int] | None = None
    length: Fraction | None = None
    settled: bool = False
    joined: bool = False
    split: float | None = None
    repeat: tuple[bool, bool] | None = None
    ending: tuple[int, ...] | None = None

    @property
    def cuts(self) -> bool:
        """Whether it makes other bars of what was one or two."""
        return self.joined or self.split is not None


class Known(NamedTuple):
    """All that was told of one bar, the latest of each; `clefs` by staff."""

    signature: int | None = None
    meter: tuple[int, int] | None = None
    clefs: Mapping[int, int] = {}
    length: Fraction | None = None
    settled: bool = False
    repeat: tuple[bool, bool] | None = None
    ending: tuple[int, ...] | None = None


def known_of(frame: Frame, told: Sequence[Told]) -> Known:
    """Return what was told of the bar in a frame."""
    said = [one for one in told if frame.holds(one.at)]
    since = max((k for k, one in enumerate(said) if one.cuts), default=0)
    return Known(
        _latest(one.signature for one in said),
        _latest(one.meter for one in said),
        dict(one.clef for one in said if one.clef is not None),
        # What another bar held or was found to be, before its lines were told, holds no more.
        _latest(one.length for one in said[since:]),
        any(one.settled for one in said[since:]),
        _latest(one.repeat for one in said),
        _latest(one.ending for one in said),
    )


def _latest(told: Iterable[_Known | None]) -> _Known | None:
    return next((one for one in reversed(list(told)) if one is not None), None)
