"""What stands at the left of a bar: clefs, key signatures and meters; and where bars begin and end.

In: a system with its symbols and events. Out: `BarOnPage`s, each with what is new in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from understave.score.readers.page.events import ACCIDENTALS, Event
from understave.score.readers.page.layout import Bar, Sheet, Staff, Symbol, System
from understave.score.readers.page.smufl import clef_name

CLEFS = {
    "gClef": (32, 2, 0),
    "gClef8vb": (32, 2, -7),
    "gClef8va": (32, 2, 7),
    "fClef": (24, 6, 0),
    "fClef8vb": (24, 6, -7),
    "fClef8va": (24, 6, 7),
    "cClef": (28, 4, 0),
}
"""For each clef the diatonic step that its line stands for (C0 is 0), its usual position, and its octave
shift."""
_SHARPS = (3, 0, 4, 1, 5, 2, 6)
_FLATS = (6, 2, 5, 1, 4, 0, 3)
"""Letters in the order of key signatures, counted from C."""


@dataclass(frozen=True, slots=True)
class Clef:
    """A clef from some place on: the diatonic step (C0 is 0) of the lowest line."""

    x: float
    bottom: int

    def step(self, position: int) -> int:
        """Return the diatonic step at a position, 0 for the lowest line."""
        return self.bottom + position


@dataclass(eq=False, slots=True)
class BarOnPage:
    """A bar between two bar lines, with its events and with what changes in it."""

    x0: float
    x1: float
    left: Bar | None
    right: Bar | None
    events: list[Event] = field(default_factory=list)
    signature: int | None = None
    meter: tuple[int, int, str] | None = None
    ending: tuple[int, ...] = ()
    first: bool = False
    """Whether it begins a system."""


def cut_into_bars(system: System, events: Sequence[Event], space: float) -> list[BarOnPage]:
    """Return the bars of a system; what stands right of the last bar line only where it holds events."""
    edges = list(system.bars)
    start = system.staves[0].x0
    left: Bar | None = None
    if edges and edges[0].x0 < start + 1.2 * space:
        left = edges.pop(0)
        start = left.x1
    bars = []
    for edge in edges:
        bars.append(BarOnPage(start, edge.x0, left, edge))
        start, left = edge.x1, edge
    bars.append(BarOnPage(start, system.staves[0].x1, left, None))
    for bar in bars:
        bar.events = [e for e in events if bar.x0 - 0.2 * space <= e.x < bar.x1]
    if not bars[-1].events:
        bars.pop()
    # A repeat sign at the left edge makes an empty bar of clef and key.
    bars = [bar for bar in bars if bar.events or bar.x1 - bar.x0 > 3 * space]
    while len(bars) > 1 and not bars[0].events:
        empty = bars.pop(0)
        bars[0].x0 = empty.x0
    if bars:
        bars[0].first = True
    return bars


def clefs_of(system: System, symbols: Sequence[Symbol]) -> list[list[Clef]]:
    """Return the clefs of each staff, from the left."""
    out: list[list[Clef]] = []
    for staff in system.staves:
        found = []
        for symbol in symbols:
            known = CLEFS.get(clef_name(symbol.name))
            if known is None or not staff.x0 - staff.space < symbol.x < staff.x1 + staff.space:
                continue
            if staff.distance(symbol.y) > 0.4 * staff.space:
                continue
            step, usual, shift = known
            position = 2 * round((symbol.y - staff.y0) / staff.space)
            if symbol.sure < 1 and clef_name(symbol.name) != "cClef" and abs(position - usual) <= 2:
                position = usual
            found.append(Clef(symbol.box.x1, step + shift - position))
        out.append(sorted(found, key=lambda c: c.x))
    return out


def clef_at(clefs: Sequence[Clef], x: float) -> Clef | None:
    """Return the clef that holds at a place, None where none has come yet."""
    held = [clef for clef in clefs if clef.x <= x]
    return held[-1] if held else None


def find_meters(bars: Sequence[BarOnPage], system: System, symbols: Sequence[Symbol], space: float) -> None:
    """Give each bar the meter that is printed before its first event."""
    for bar in bars:
        until = first_event(bar)
        for staff in system.staves:
            near = [
                s
                for s in symbols
                if bar.x0 - 0.5 * space <= s.x < until and staff.distance(s.box.y) < 0.6 * space
            ]
            sign = next((s for s in near if s.name in ("timeSigCommon", "timeSigCutCommon")), None)
            if sign is not None:
                bar.meter = (4, 4, "common") if sign.name == "timeSigCommon" else (2, 2, "cut")
                break
            above = _number(near, staff, staff.middle + staff.space)
            below = _number(near, staff, staff.middle - staff.space)
            if above and below and below & (below - 1) == 0:
                bar.meter = (above, below, "")
                break


def first_event(bar: BarOnPage) -> float:
    """Return where the first event of a bar begins, whole rests left out; its right edge where none does."""
    return min((_left_edge(e) for e in bar.events if not (e.is_rest and e.value >= 4)), default=bar.x1)


def _left_edge(event: Event) -> float:
    signs = [h.accidental.box.x0 for h in event.heads if h.accidental is not None]
    return min([event.box.x0, *signs])


def _number(symbols: Sequence[Symbol], staff: Staff, y: float) -> int:
    digits = [
        s
        for s in symbols
        if s.name.startswith(("timeSig", "digit"))
        and s.name[-1].isdigit()
        and abs(s.box.y - y) < 0.5 * staff.space
        and s.box.height > 1.3 * staff.space
    ]
    text = "".join(s.name[-1] for s in sorted(digits, key=lambda s: s.x))
    return int(text) if 0 < len(text) < 3 else 0


def find_signatures(
    bars: Sequence[BarOnPage], sheet: Sheet, system: System, clefs: Sequence[Sequence[Clef]], held: int
) -> int:
    """Give bars the key signature printed at their left; return the one that holds at the end of the system.

    `held` is the signature that held before. At the head of a system every staff has one; within it, a change
    counts where most staves show the same.
    """
    space = sheet.space
    for bar in bars:
        until = first_event(bar)
        owned = {id(h.accidental) for e in bar.events for h in e.heads if h.accidental is not None}
        votes: list[int | None] = []
        for index, staff in enumerate(system.staves):
            signs = [
                s
                for s in sheet.symbols
                if s.name in ACCIDENTALS
                and bar.x0 - 0.5 * space <= s.x < until
                and staff.distance(s.y) < 1.2 * space
                and id(s) not in owned
            ]
            clef = clef_at(clefs[index], until)
            votes.append(_signature(sorted(signs, key=lambda s: s.x), staff, clef) if clef else None)
        shown = [v for v in votes if v is not None]
        if bar.first:
            found = max(set(shown), key=shown.count) if shown else 0
        elif shown and 2 * len(shown) > len(votes):
            found = max(set(shown), key=shown.count)
        else:
            continue
        bar.signature = found
        held = found
    return held


def _signature(signs: Sequence[Symbol], staff: Staff, clef: Clef) -> int | None:
    """Return the signature that some accidentals are, counted in fifths; None where they are none."""
    naturals = [s for s in signs if s.name == "accidentalNatural"]
    rest = [s for s in signs if s.name != "accidentalNatural"]
    if not signs:
        return None
    if not rest:
        return 0 if naturals else None
    kind = rest[0].name
    order = {"accidentalSharp": _SHARPS, "accidentalFlat": _FLATS}.get(kind)
    if order is None:
        return None
    count = 0
    for sign, letter in zip(rest, order, strict=False):
        if sign.name != kind or clef.step(staff.position(sign.y)) % 7 != letter:
            break
        count += 1
    if not count:
        return None
    return count if kind == "accidentalSharp" else -count
