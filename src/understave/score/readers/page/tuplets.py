"""Tuplets: the figures and brackets that are printed, and what a bar's values are with them.

In: the events of a bar. Out: possible values of all of them, the likeliest first, each with its price.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from understave.score.readers.page.events import Event, reach
from understave.score.readers.page.ink import Box
from understave.score.readers.page.layout import Sheet, System


@dataclass(frozen=True, slots=True)
class Scaling:
    """Values that the events of a bar may have, what that costs, and the figures that say so."""

    values: list[Fraction]
    price: float
    figures: frozenset[Box] = frozenset()
    loose: frozenset[int] = frozenset()
    """Events that may be of triplets without a figure."""


_NORMAL = {2: 3, 3: 2, 4: 3, 5: 4, 6: 4, 7: 4, 8: 6, 9: 8, 10: 8, 11: 8, 12: 8, 13: 8, 14: 8, 15: 8}
"""In the time of how many a figure's notes are played (common practice, no source)."""
_UNUSED = 1.5
"""Price of a figure that is taken for a fingering."""


def scalings(events: Sequence[Event], sheet: Sheet, system: System, known: Collection[int]) -> list[Scaling]:
    """Return the values that the events of a bar may have by the figures printed, the cheapest first.

    On staves that are `known` for it anything without a figure may be of a triplet; on others beams of three
    must show it.
    """
    printed = [event.value for event in events]
    marked, figures, sure = _marked(events, sheet, system)
    with_marks = [value * marked.get(i, Fraction(1)) for i, value in enumerate(printed)]
    # What no figure stands at may be of a triplet without one.
    in_threes = {
        b for b, count in Counter(e.beam for e in events).items() if b is not None and count % 3 == 0
    }
    staves = {*known, *(e.staff for e in events if e.beam in in_threes)}
    loose = frozenset(i for i, e in enumerate(events) if i not in marked and e.staff in staves)
    out = [Scaling(with_marks, 0.0 if sure else 0.2, figures, loose)]
    if marked and not sure:
        out.append(Scaling(printed, _UNUSED))
    return out


def _marked(
    events: Sequence[Event], sheet: Sheet, system: System
) -> tuple[dict[int, Fraction], frozenset[Box], bool]:
    """Return the factor of each event under a figure, those figures, and whether they can be nothing else."""
    space = sheet.space
    if not events:
        return {}, frozenset(), True
    low, high = reach(sheet, system)
    x0, x1 = min(e.box.x0 for e in events) - space, max(e.box.x1 for e in events) + space
    figures = [
        (figure, box, certain)
        for figure, box, certain in _figures(sheet)
        if x0 <= box.x <= x1 and low <= box.y <= high
    ]
    out: dict[int, Fraction] = {}
    used: set[Box] = set()
    sure = True
    for figure, box, certain in figures:
        # A fingering stands over a note of a beam as a figure stands over the middle one of a run.
        within = certain or figure == 3
        members = _under_bracket(box, events, sheet) or _under_beam(figure, box, events, space, within)
        members = [i for i in members if i not in out]
        if len(members) < 2 or not _unit(members, figure, events):
            continue
        for i in members:
            out[i] = Fraction(_NORMAL[figure], figure)
        used.add(box)
        sure = sure and certain
    return out, frozenset(used), sure


def _figures(sheet: Sheet) -> list[tuple[int, Box, bool]]:
    """Return the figures of a page that may be those of tuplets."""
    out = []
    for symbol in sheet.symbols:
        m = re.fullmatch(r"(tuplet|digit|timeSig)(\d)", symbol.name)
        if m and int(m[2]) in _NORMAL and symbol.box.height < 1.9 * sheet.space:
            out.append((int(m[2]), symbol.box, m[1] == "tuplet"))
    for word in sheet.words:
        if re.fullmatch(r"[2-9]|1[0-5]", word.text) and int(word.text) in _NORMAL:
            out.append((int(word.text), word.box, False))
    return out


def _under_bracket(box: Box, events: Sequence[Event], sheet: Sheet) -> list[int]:
    """Return the events under the bracket that a figure stands in."""
    space = sheet.space
    left = right = None
    for line in sheet.levels:
        if line.width > 0.3 * space or abs(line.y1 - line.y0) > 0.5 * (line.x1 - line.x0):
            continue
        if 0 < box.x0 - line.x1 < 1.6 * space and abs(line.y1 - box.y) < 0.9 * space:
            left = line.x0 if left is None else min(left, line.x0)
        if 0 < line.x0 - box.x1 < 1.6 * space and abs(line.y0 - box.y) < 0.9 * space:
            right = line.x1 if right is None else max(right, line.x1)
    if left is None or right is None or abs((left + right) / 2 - box.x) > 2 * space + 0.1 * (right - left):
        return []
    inside = [i for i, e in enumerate(events) if left - 0.9 * space <= e.x <= right + 0.9 * space]
    if not inside:
        return []
    staff = events[min(inside, key=lambda i: abs(events[i].y - box.y))].staff
    nearest = [i for i in inside if events[i].staff == staff]
    ways = {events[i].way for i in nearest if events[i].way}
    if len(ways) > 1:  # of two voices the bracket belongs to the one on its side
        middle = sum(events[i].y for i in nearest) / len(nearest)
        way = 1 if box.y > middle else -1
        nearest = [i for i in nearest if events[i].way in (way, 0)]
    return nearest


def _under_beam(figure: int, box: Box, events: Sequence[Event], space: float, within: bool) -> list[int]:
    """Return the events of the beam, or of a run `within` it, that a figure stands over the middle of."""
    best: tuple[float, list[int]] | None = None
    groups: dict[int, list[int]] = {}
    for i, event in enumerate(events):
        if event.beam is not None and event.stem is not None:
            groups.setdefault(event.beam, []).append(i)
    for members in groups.values():
        for run in _runs(members, figure, events) if within else [members]:
            ends = [(s.x0, s.y1 if events[i].way > 0 else s.y0) for i in run if (s := events[i].stem)]
            aside = abs(box.x - (ends[0][0] + ends[-1][0]) / 2)
            off = abs(box.y - sum(y for _, y in ends) / len(ends))
            if aside > (1.1 if run == members else 0.8) * space or off > 2.6 * space:
                continue
            if run != members:
                off += space + aside
            if best is None or off < best[0]:
                best = off, run
    return best[1] if best is not None else []


def _runs(members: list[int], figure: int, events: Sequence[Event]) -> Iterator[list[int]]:
    """Yield a beam's events, and those runs of them that may be a tuplet of a figure alone."""
    yield members
    for k in range(len(members) - figure + 1 if figure < len(members) else 0):
        run = members[k : k + figure]
        if _unit(run, figure, events):
            yield run


def _unit(members: Sequence[int], figure: int, events: Sequence[Event]) -> bool:
    """Say whether events are as long as a figure says of some usual value."""
    unit = sum((events[i].value for i in members), Fraction(0)) / figure
    return not (unit.numerator & (unit.numerator - 1) or unit.denominator & (unit.denominator - 1))
