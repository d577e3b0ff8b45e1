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
from understave.score.readers.page.solving import THIRD


@dataclass(frozen=True, slots=True)
class Scaling:
    """Values that the events of a bar may have, what that costs, and the figures that say so."""

    values: list[Fraction]
    price: float
    figures: frozenset[Box] = frozenset()
    unprinted: frozenset[int] = frozenset()
    """Events that are of triplets without a figure."""
    loose: frozenset[int] = frozenset()
    """Events that may be of triplets without a figure."""


_NORMAL = {2: 3, 3: 2, 4: 3, 5: 4, 6: 4, 7: 4, 8: 6, 9: 8, 10: 8, 11: 8, 12: 8, 13: 8, 14: 8, 15: 8}
"""In the time of how many a figure's notes are played (common practice, no source)."""
_UNPRINTED = 1.2
"""Price of a tuplet without a figure, which is usual once a figure has been printed a few times."""
_ALL_UNPRINTED = 2.2
"""Price of triplets without a figure that are more than the runs of a beam."""
_UNUSED = 1.5
"""Price of a figure that is taken for a fingering."""


def scalings(
    events: Sequence[Event],
    sheet: Sheet,
    system: System,
    beat: Fraction,
    known: Collection[int],
    going_on: Collection[int] = (),
) -> list[Scaling]:
    """Return the values that the events of a bar may have, the cheapest first.

    `beat` is the length of a beat, which beams usually fill; `going_on` are staves all of whose events were
    triplets without figures in the bar before. On staves that are `known` for it anything without a figure
    may be of a triplet; on others beams of three must show it.
    """
    printed = [event.value for event in events]
    marked, figures, sure = _marked(events, sheet, system)
    with_marks = [value * marked.get(i, Fraction(1)) for i, value in enumerate(printed)]
    in_threes = {
        b for b, count in Counter(e.beam for e in events).items() if b is not None and count % 3 == 0
    }
    staves = {*known, *(e.staff for e in events if e.beam in in_threes)}
    loose = frozenset(i for i, e in enumerate(events) if i not in marked and e.staff in staves)
    out = [Scaling(with_marks, 0.0 if sure else 0.2, figures, loose=loose)]
    if marked and not sure:
        out.append(Scaling(printed, _UNUSED))
    for chosen, price in _whole_choices(events, printed, marked, beat, going_on).items():
        if chosen:
            scaled = [v * THIRD if i in chosen else v for i, v in enumerate(with_marks)]
            out.append(Scaling(scaled, price, figures, chosen))
    return sorted(out, key=lambda choice: choice.price)


def _whole_choices(
    events: Sequence[Event],
    printed: Sequence[Fraction],
    marked: Collection[int],
    beat: Fraction,
    going_on: Collection[int],
) -> dict[frozenset[int], float]:
    """Return sets of events that may all be of triplets without a figure, each with its price."""
    groups: dict[int, list[int]] = {}
    for i, event in enumerate(events):
        if event.beam is not None and i not in marked:
            groups.setdefault(event.beam, []).append(i)
    runs = {beam: run for beam, members in groups.items() if (run := _run_of_three(members, printed))}
    odd = {
        beam: run
        for beam, run in runs.items()
        if (total := sum((printed[i] for i in groups[beam]), Fraction(0))) % beat
        and (total - sum((printed[i] for i in run), Fraction(0)) / 3) % (beat / 2) == 0
    }
    choices: dict[frozenset[int], float] = {}
    for found in (odd, runs):
        by_staff: dict[int, list[int]] = {}
        for run in found.values():
            by_staff.setdefault(events[run[0]].staff, []).extend(run)
        choices[frozenset(i for run in found.values() for i in run)] = _UNPRINTED
        for staff in by_staff:
            choices[frozenset(by_staff[staff])] = _UNPRINTED
    rested = [run for members in groups.values() if (run := _after_a_rest(members, events, printed))]
    for chosen in _of_whole_staves(events, printed, [*runs.values(), *rested], going_on):
        choices.setdefault(chosen.difference(marked), _ALL_UNPRINTED)
    return choices


def _of_whole_staves(
    events: Sequence[Event],
    printed: Sequence[Fraction],
    runs: Collection[list[int]],
    going_on: Collection[int],
) -> Iterator[frozenset[int]]:
    """Yield all events of a staff with a run that are printed like it, and then all events of the staff.

    The first head of a triplet may belong to another voice, or be printed with a flag of its own.
    """
    values = {events[run[0]].staff: printed[run[0]] for run in runs}
    like = {
        staff: frozenset(i for i, e in enumerate(events) if e.staff == staff and printed[i] == value)
        for staff, value in values.items()
    }
    whole = {
        staff: frozenset(i for i, e in enumerate(events) if e.staff == staff)
        for staff in {*values, *going_on}
    }
    for chosen in (like, whole):
        yield from chosen.values()
        yield frozenset().union(*chosen.values())


def _run_of_three(members: list[int], values: Sequence[Fraction]) -> list[int]:
    """Return the events of a beam's shortest value where they come in threes, one after the other."""
    least = min(values[i] for i in members)
    places = [k for k, i in enumerate(members) if values[i] == least]
    together = places == list(range(places[0], places[-1] + 1))
    return [members[k] for k in places] if together and len(places) % 3 == 0 else []


def _after_a_rest(members: list[int], events: Sequence[Event], values: Sequence[Fraction]) -> list[int]:
    """Return a run of threes that begins with a rest before its beam; empty where there is none."""
    first = events[members[0]]
    rest = next(
        (
            i
            for i in range(members[0] - 1, -1, -1)
            if events[i].staff == first.staff and events[i].x < first.x
        ),
        None,
    )
    return _run_of_three([rest, *members], values) if rest is not None and events[rest].is_rest else []


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
        (figure, box, certain, slanted)
        for figure, box, certain, slanted in _figures(sheet)
        if x0 <= box.x <= x1 and low <= box.y <= high
    ]
    out: dict[int, Fraction] = {}
    used: set[Box] = set()
    sure = True
    for figure, box, certain, slanted in figures:
        # A fingering stands over a note of a beam as a figure stands over the middle one of a run.
        within = certain or figure == 3
        members = _under_bracket(box, events, sheet) or _under_beam(figure, box, events, space, within)
        if len(members) < 2 and slanted:
            members = _under_beam(figure, box, events, space, within, by_heads=True)
        members = [i for i in members if i not in out]
        if len(members) < 2 or not _unit(members, figure, events):
            continue
        for i in members:
            out[i] = Fraction(_NORMAL[figure], figure)
        used.add(box)
        sure = sure and certain
    return out, frozenset(used), sure


def _figures(sheet: Sheet) -> list[tuple[int, Box, bool, bool]]:
    """Return the figures of a page that may be those of tuplets: whether they can be nothing else, and
    whether they are slanted, as those of fingers are not.
    """
    out = []
    for symbol in sheet.symbols:
        m = re.fullmatch(r"(tuplet|digit|timeSig)(\d)", symbol.name)
        if m and int(m[2]) in _NORMAL and symbol.box.height < 1.9 * sheet.space:
            out.append((int(m[2]), symbol.box, m[1] == "tuplet", m[1] == "tuplet"))
    for word in sheet.words:
        if re.fullmatch(r"[2-9]|1[0-5]", word.text) and int(word.text) in _NORMAL:
            slanted = bool(re.search(r"italic|oblique", word.font, re.IGNORECASE))
            out.append((int(word.text), word.box, False, slanted))
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


def _under_beam(
    figure: int, box: Box, events: Sequence[Event], space: float, within: bool, *, by_heads: bool = False
) -> list[int]:
    """Return the events of the beam, or of a run `within` it, that a figure stands over the middle of; beside
    the beam, or on the other side, beside its heads.
    """
    best: tuple[float, list[int]] | None = None
    groups: dict[int, list[int]] = {}
    for i, event in enumerate(events):
        if event.beam is not None and event.stem is not None:
            groups.setdefault(event.beam, []).append(i)
    for members in groups.values():
        for run in _runs(members, figure, events) if within else [members]:
            ends = [(s.x0, s.y1 if events[i].way > 0 else s.y0) for i in run if (s := events[i].stem)]
            aside = abs(box.x - (ends[0][0] + ends[-1][0]) / 2)
            middle = sum(y for _, y in ends) / len(ends)
            if by_heads:
                way = events[run[0]].way
                middle = way * min(way * head.box.y for i in run for head in events[i].heads)
            off = abs(box.y - middle)
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
