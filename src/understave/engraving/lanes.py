"""Lanes under (and over) a system: numerals, keys and chord symbols, placed so that nothing collides.

In: a `System` with its ink and the x of each label's moment. Out: SVG groups and how far they reach.
A lane is a straight row below everything it would touch. Labels that would still touch each other,
because no spacing could make room for them, go to a second or third row of their lane.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from lxml import etree

from understave.engraving.geometry import SVG, Box, Ink
from understave.engraving.labels import Label, mark_colour
from understave.engraving.lettering import Glyph
from understave.engraving.notation import SPACE, System
from understave.engraving.outlines import glyph_use
from understave.engraving.palette import HALO, SOFT
from understave.engraving.text_layer import PRINTED

NUMERAL_SIZE = 2.35 * SPACE
KEY_SIZE = 2.05 * SPACE
SYMBOL_SIZE = 2.1 * SPACE
FIGURE_SIZE = 3.0 * SPACE
# Least clearances: between labels side by side, to the notation, between lanes.
SIDE = 0.8 * SPACE
_CLEAR = 0.7 * SPACE
_ROW_GAP = 0.5 * SPACE
_LANE_GAP = 0.85 * SPACE
_FROM_STAFF = 2.2 * SPACE
_LINE_WIDTH = 0.11 * SPACE
_TICK = 0.5 * SPACE


@dataclass(frozen=True, slots=True)
class Entry:
    """A label from one moment to another; `index` says at which span of the reading it begins.

    `again` is what stands at the start of a system into which a key goes on.
    """

    index: int
    start: Fraction
    end: Fraction
    label: Label
    again: Label | None = None


@dataclass(frozen=True, slots=True)
class _Set:
    """A label put on a row: left end of its origin and its box, y relative to the row's baseline."""

    entry: Entry
    x: float
    box: Box


@dataclass(frozen=True)
class Drawn:
    """What was drawn for a lane and the room it takes."""

    group: etree._Element
    box: Box


def label_box(label: Label, size: float) -> Box:
    """A label's box in drawing units, y down, origin at the start of its baseline."""
    k = size / 1000
    b = label.box
    return Box(k * min(0.0, b.x0), -k * b.y1, k * b.x1, -k * b.y0)


def in_rows(boxes: Sequence[Box], gap: float) -> list[int]:
    """Give each box, in order of x, the first row in which it keeps `gap` from the one before."""
    ends: list[float] = []
    rows = []
    for box in boxes:
        row = next((r for r, end in enumerate(ends) if box.x0 >= end + gap), len(ends))
        ends[row : row + 1] = [box.x1]
        rows.append(row)
    return rows


def numeral_lane(system: System, entries: Sequence[Entry], name: str, glyphs: dict[str, Glyph]) -> Drawn:
    """Draw the labels of a system under it; `name` prefixes the ids of their places."""
    found = _found(system, entries, name, NUMERAL_SIZE)
    group = _lane("numerals")
    rows = in_rows([s.box for s in found], SIDE)
    floor = system.staves[-1][1] + _FROM_STAFF
    drawn: list[Box] = []
    for row in range(max(rows, default=-1) + 1):
        members = [s for s, r in zip(found, rows, strict=True) if r == row]
        baseline = max(_under(system.ink, s.box) - s.box.y0 for s in members)
        baseline = max(baseline, floor - min(s.box.y0 for s in members))
        for s in members:
            group.append(draw_label(s.entry, s.x, baseline, NUMERAL_SIZE, "numeral", glyphs))
            # Every row reaches as deep as one of two figures, so that lanes keep the same distance.
            drawn.append(Box.around((s.box, Box(s.x, 0, s.x, 0.22 * NUMERAL_SIZE))).moved(0, baseline))
        floor = max(b.y1 for b in drawn) + _ROW_GAP
    return Drawn(group, Box.around(drawn))


def figure_lane(
    system: System, entries: Sequence[Entry], above: Box, name: str, glyphs: dict[str, Glyph]
) -> Drawn:
    """Draw figured bass below the numerals, `above`: each stack hangs from the same line, under its bass."""
    found = _found(system, entries, name, FIGURE_SIZE)
    group = _lane("figures")
    floor = (above.y1 if not above.empty else system.staves[-1][1] + _FROM_STAFF) + _ROW_GAP
    drawn = []
    for s in found:
        baseline = max(floor, _under(system.ink, s.box)) - s.box.y0
        group.append(draw_label(s.entry, s.x, baseline, FIGURE_SIZE, "figure", glyphs))
        drawn.append(s.box.moved(0, baseline))
    return Drawn(group, Box.around(drawn))


def key_lane(
    system: System, entries: Sequence[Entry], above: Box, name: str, glyphs: dict[str, Glyph]
) -> Drawn:
    """Draw the keys of a system: a name where each begins and a line as long as it lasts.

    `above` is what the lane must stay below besides the notation. A key that goes on from the system
    before is named again where there is room.
    """
    found = _found(system, entries, name, KEY_SIZE)
    for entry in entries:
        if entry.again and name + str(entry.index) not in system.places:
            x = system.first_note
            box = label_box(entry.again, KEY_SIZE).moved(x, 0)
            label = entry.again
            if found and box.x1 + SIDE > found[0].box.x0:
                box, label = Box(x, box.y0, x, box.y1), Label((), box, 0.0, SOFT, "")
            found.insert(0, _Set(replace(entry, label=label), x, box))
    group = _lane("keys")
    rows = in_rows([s.box for s in found], SIDE)
    floor = max(
        above.y1 + _LANE_GAP if not above.empty else 0.0,
        max((i.box.y1 for i in system.ink), default=0.0) + _CLEAR,
        system.staves[-1][1] + _FROM_STAFF,
    )
    drawn = []
    for row in range(max(rows, default=-1) + 1):
        members = [k for k, r in enumerate(rows) if r == row]
        baseline = floor - min(found[k].box.y0 for k in members)
        line_y = baseline - 0.23 * KEY_SIZE
        for k in members:
            s, following = found[k], found[k + 1] if k + 1 < len(found) else None
            if s.entry.label.marks:
                group.append(draw_label(s.entry, s.x, baseline, KEY_SIZE, "key", glyphs))
                drawn.append(s.box.moved(0, baseline))
            x0 = s.box.x1 + (0.5 * SIDE if s.box.width else 0.0)
            x1 = following.x - SIDE if following else system.x1
            if x1 - x0 >= 0.6 * SPACE:
                group.append(_key_line(x0, x1, line_y, following is not None or s.entry.end <= system.end))
                drawn.append(Box(x0, line_y - _TICK, x1, line_y))
        # A key that is not named again may have no room for its line either.
        floor = max((b.y1 for b in drawn), default=floor) + _ROW_GAP
    return Drawn(group, Box.around(drawn))


def _key_line(x0: float, x1: float, y: float, closed: bool) -> etree._Element:
    path = f"M{x0:.0f} {y:.0f} H{x1:.0f}" + (f" V{y - _TICK:.0f}" if closed else "")
    return etree.Element(
        f"{{{SVG}}}path",
        {"d": path, "fill": "none", "stroke": SOFT, "stroke-width": f"{_LINE_WIDTH:.0f}"},
    )


def symbol_lane(system: System, entries: Sequence[Entry], name: str, glyphs: dict[str, Glyph]) -> Drawn:
    """Draw chord symbols over the top staff, in the row that verovio kept free for them if it is."""
    found = _found(system, entries, name, SYMBOL_SIZE)
    group = _lane("symbols")
    rows = in_rows([s.box for s in found], SIDE)
    ceiling = system.staves[0][0] - 1.2 * SPACE
    drawn = []
    for row in range(max(rows, default=-1) + 1):
        members = [s for s, r in zip(found, rows, strict=True) if r == row]
        kept = min(system.places[name + str(s.entry.index)][1] for s in members)
        kept = min(kept, ceiling - max(s.box.y1 for s in members))
        if any(s.box.moved(0, kept).grown(0, SPACE / 4).overlaps(i.box) for s in members for i in system.ink):
            kept = min(_over(system.ink, s.box) - s.box.y1 for s in members)
            kept = min(kept, ceiling - max(s.box.y1 for s in members))
        for s in members:
            group.append(draw_label(s.entry, s.x, kept, SYMBOL_SIZE, "symbol", glyphs))
            drawn.append(s.box.moved(0, kept))
        ceiling = min(b.y0 for b in drawn) - _ROW_GAP
    return Drawn(group, Box.around(drawn))


def halos(system: System, notes: Sequence[str]) -> etree._Element:
    """Coloured discs to go behind the heads of the notes that have these ids."""
    group = etree.Element(f"{{{SVG}}}g", {"class": "halos", "fill": HALO, "stroke": "none"})
    wanted = set(notes)
    for i in system.ink:
        if i.kind == "notehead" and i.id in wanted:
            b = i.box
            place = {"cx": (b.x0 + b.x1) / 2, "cy": (b.y0 + b.y1) / 2}
            place |= {"rx": b.width / 2 + 0.45 * SPACE, "ry": b.height / 2 + 0.45 * SPACE}
            etree.SubElement(group, f"{{{SVG}}}ellipse", {k: f"{v:.0f}" for k, v in place.items()})
    return group


def _found(system: System, entries: Sequence[Entry], name: str, size: float) -> list[_Set]:
    found = []
    for entry in entries:
        place = system.places.get(name + str(entry.index))
        if place:
            box = label_box(entry.label, size)
            # The last label of a very full system is drawn back from the margin.
            x = min(place[0], system.x1 + SPACE - box.x1)
            found.append(_Set(entry, x, box.moved(x, 0)))
    return sorted(found, key=lambda s: (s.x, s.entry.start))


def _under(ink: Sequence[Ink], box: Box) -> float:
    """The y under everything that a box could touch while it is moved down."""
    wide = box.grown(0.4 * SPACE, 0)
    return max((i.box.y1 for i in ink if i.box.x0 < wide.x1 and wide.x0 < i.box.x1), default=0.0) + _CLEAR


def _over(ink: Sequence[Ink], box: Box) -> float:
    wide = box.grown(0.4 * SPACE, 0)
    return min((i.box.y0 for i in ink if i.box.x0 < wide.x1 and wide.x0 < i.box.x1), default=0.0) - _CLEAR


def _lane(kind: str) -> etree._Element:
    return etree.Element(f"{{{SVG}}}g", {"class": f"lane {kind}", "stroke": "none"})


def draw_label(
    entry: Entry, x: float, baseline: float, size: float, kind: str, glyphs: dict[str, Glyph]
) -> etree._Element:
    """Draw the label of an entry as a group of class `kind`; the glyphs used are added to `glyphs`."""
    label, k = entry.label, size / 1000
    group = etree.Element(
        f"{{{SVG}}}g",
        {
            "class": kind,
            "data-index": str(entry.index),
            "role": "img",
            "aria-label": label.words,
            "fill": label.colour,
        },
    )
    if label.printed != label.words:
        group.set(PRINTED, label.printed)
    for mark in label.marks:
        placed = mark.placed
        glyphs[placed.glyph.name] = placed.glyph
        use = glyph_use(placed.glyph, x + k * placed.x, baseline - k * placed.y, k * placed.scale)
        if mark.soft:
            use.set("fill", mark_colour(label, mark))
        group.append(use)
    if label.underlined:
        y = baseline - k * (label.box.y0 + 25)
        path = f"M{x + k * label.box.x0:.0f} {y:.0f} H{x + k * label.box.x1:.0f}"
        line = etree.SubElement(group, f"{{{SVG}}}path", {"d": path, "stroke": label.colour})
        line.set("stroke-width", f"{50 * k:.0f}")
    return group
