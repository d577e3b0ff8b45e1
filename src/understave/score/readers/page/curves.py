"""Ties told from slurs: a curve from a head to the next one on the same line or space.

In: the curves of a sheet and the events of a system. Out: `Ties`, and the curves that are none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from understave.score.readers.page.events import Event, Head, is_staccato, reach
from understave.score.readers.page.layout import DOTS, Sheet, Symbol, System
from understave.score.readers.page.lyrics import sung_to

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
    """Return the ties of a system: none leads to a note that has a syllable of its own."""
    space = sheet.space
    low, high = reach(sheet, system)
    heads = [h for e in events for h in e.heads if not e.grace]
    sung = sung_to(sheet, system, events)
    syllabic = {id(h) for e in events if id(e) in sung for h in e.heads}
    out = Ties()
    right_edge = system.staves[0].x1
    first = min((h.box.x0 for h in heads), default=0.0)
    curves = [c for c in sheet.curves if low <= (c[0][1] + c[1][1]) / 2 <= high]
    pairs: list[tuple[float, int, Head, Head]] = []
    for k, (left, right, middle) in enumerate(curves):
        if abs(left[1] - right[1]) > 0.7 * space:
            continue
        ends = [h for h in heads if id(h) not in syllabic and _ends(h, right, space)]
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
    used = _join(out, [pair[1:] for pair in sorted(pairs, key=lambda pair: pair[:2])], events, sheet)
    held = set(out.before.values())
    for k, (left, right, middle) in enumerate(curves):
        if k in used:
            continue
        flat = abs(left[1] - right[1]) < 0.7 * space
        bend = 0.6 * space if middle > min(left[1], right[1]) else -0.6 * space
        starts = [h for h in heads if h not in out.goes_out and h not in held and _begins(h, left, space)]
        ends = [
            h for h in heads if h not in out.comes_in and id(h) not in out.before and _ends(h, right, space)
        ]
        into = [h for h in ends if id(h) not in syllabic]
        if flat and starts and right[0] > right_edge - 3.5 * space and not ends:
            out.goes_out.add(
                min(starts, key=lambda h: abs(left[1] - bend - h.box.y) + 0.4 * abs(left[0] - h.box.x1))
            )
        elif flat and into and left[0] < first:
            out.comes_in.add(
                min(into, key=lambda h: abs(right[1] - bend - h.box.y) + 0.4 * abs(right[0] - h.box.x0))
            )
        else:
            out.slurs.append((left, right, middle))
    return out


def _join(
    ties: Ties, pairs: Sequence[tuple[int, Head, Head]], events: Sequence[Event], sheet: Sheet
) -> set[int]:
    """Tie heads, each given with its curve, the likeliest first; return the curves that are ties."""
    chord_of = {id(head): event for event in events for head in event.heads}
    of_chords: dict[tuple[int, int], list[tuple[int, Head, Head]]] = {}
    used: set[int] = set()
    for k, a, b in pairs:
        if k not in used and a not in ties.before.values() and id(b) not in ties.before:
            ties.before[id(b)] = a
            used.add(k)
            of_chords.setdefault((id(chord_of[id(a)]), id(chord_of[id(b)])), []).append((k, a, b))
    for (k, a, b), *others in of_chords.values():
        if not others and _are_slurred(chord_of[id(a)], chord_of[id(b)], sheet.symbols, sheet.space):
            del ties.before[id(b)]
            used.remove(k)
    return used


def _are_slurred(a: Event, b: Event, symbols: Sequence[Symbol], space: float) -> bool:
    """Say whether the one curve from a chord to another is no tie, though it joins two heads in a row.

    A chord that comes again is tied at each of its heads or at none; notes that both have a dot are struck
    (common practice, no source).
    """
    before = {(head.staff, head.position) for head in a.heads}
    if sum(head.accidental is None and (head.staff, head.position) in before for head in b.heads) > 1:
        return True
    dots = [s for s in symbols if s.name in DOTS]
    return all(any(is_staccato(dot, event, space) for dot in dots) for event in (a, b))


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
