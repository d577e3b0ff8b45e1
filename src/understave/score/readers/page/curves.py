"""Ties told from slurs: a curve from a head to the next one on the same line or space.

In: the curves of a sheet and the events of a system. Out: `Ties`, and the curves that are none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from understave.score.readers.page.events import Event, Head, reach
from understave.score.readers.page.layout import Sheet, System

End = tuple[float, float]


@dataclass(slots=True)
class Ties:
    """Which head is tied to which: `before` by the id of the later head; and those tied over a line break."""

    before: dict[int, Head] = field(default_factory=dict)
    goes_out: set[Head] = field(default_factory=set)
    comes_in: set[Head] = field(default_factory=set)
    slurs: list[tuple[End, End, float]] = field(default_factory=list)
    """Ends and middle height of all other curves."""


def ties_of(sheet: Sheet, system: System, events: Sequence[Event]) -> Ties:
    """Return the ties of a system."""
    space = sheet.space
    low, high = reach(sheet, system)
    heads = [h for e in events for h in e.heads if not e.grace]
    out = Ties()
    right_edge = system.staves[0].x1
    first = min((h.box.x0 for h in heads), default=0.0)
    curves = [c for c in sheet.curves if low <= (c[0][1] + c[1][1]) / 2 <= high]
    pairs: list[tuple[float, int, Head, Head]] = []
    for k, (left, right, middle) in enumerate(curves):
        if abs(left[1] - right[1]) > 0.7 * space:
            continue
        ends = [h for h in heads if _ends(h, right, space)]
        for a in heads:
            if not _begins(a, left, space):
                continue
            # A tie that bends upwards begins and ends above the middle of its heads.
            bend = 0.6 * space if middle > left[1] else -0.6 * space
            off = abs(left[1] - bend - a.box.y) + 0.4 * abs(left[0] - a.box.x1)
            pairs += [
                (off + abs(right[1] - bend - b.box.y) + 0.4 * abs(right[0] - b.box.x0), k, a, b)
                for b in ends
                if a.staff == b.staff
                and a.position == b.position
                and b.box.x0 > a.box.x1
                and not _between(a, b, heads, space)
            ]
    used: set[int] = set()
    held: set[Head] = set()
    for _, k, a, b in sorted(pairs, key=lambda pair: pair[:2]):
        if k not in used and a not in held and id(b) not in out.before:
            out.before[id(b)] = a
            used.add(k)
            held.add(a)
    for k, (left, right, middle) in enumerate(curves):
        if k in used:
            continue
        flat = abs(left[1] - right[1]) < 0.7 * space
        bend = 0.6 * space if middle > min(left[1], right[1]) else -0.6 * space
        starts = [h for h in heads if h not in out.goes_out and h not in held and _begins(h, left, space)]
        ends = [
            h for h in heads if h not in out.comes_in and id(h) not in out.before and _ends(h, right, space)
        ]
        if flat and starts and right[0] > right_edge - 3.5 * space and not ends:
            out.goes_out.add(
                min(starts, key=lambda h: abs(left[1] - bend - h.box.y) + 0.4 * abs(left[0] - h.box.x1))
            )
        elif flat and ends and left[0] < first:
            out.comes_in.add(
                min(ends, key=lambda h: abs(right[1] - bend - h.box.y) + 0.4 * abs(right[0] - h.box.x0))
            )
        else:
            out.slurs.append((left, right, middle))
    return out


def _begins(head: Head, end: End, space: float) -> bool:
    # A tie begins after the dot and the flag.
    return (
        head.box.x - 0.3 * space < end[0] < head.box.x1 + 3.4 * space
        and abs(head.box.y - end[1]) < 1.5 * space
    )


def _ends(head: Head, end: End, space: float) -> bool:
    return (
        head.box.x0 - 2.5 * space < end[0] < head.box.x + 0.3 * space
        and abs(head.box.y - end[1]) < 1.5 * space
    )


def _between(a: Head, b: Head, heads: Sequence[Head], space: float) -> bool:
    """Say whether another head stands between two on their line or space."""
    return any(
        h.staff == a.staff
        and h.position == a.position
        and a.box.x1 + 0.6 * space < h.box.x < b.box.x0 - 0.6 * space
        for h in heads
    )
