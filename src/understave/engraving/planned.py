"""Lanes of the playing plan under a system: the curve of tension, dynamics, and the pedal with its depth.

In: a `Plan`, a `System` and what stands above. Out: SVG groups and how far they reach. What the composer
printed is drawn in black and unbroken; what is proposed is coloured, hairpins broken and marks in
brackets, the custom of critical editions for the editor's additions.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from lxml import etree

from understave.engraving.geometry import SVG, Box
from understave.engraving.labels import ROMAN, Label, Text, Wording, typeset_label
from understave.engraving.lanes import SIDE, Drawn, Entry, draw_label, in_rows, label_box
from understave.engraving.lettering import Face, Glyph, typeset
from understave.engraving.moments import Moments, moments
from understave.engraving.notation import SPACE, System
from understave.engraving.options import Options
from understave.engraving.palette import INK, PROPOSED, PROPOSED_TINT, SOFT, TENSION, TENSION_TINT
from understave.interpretation.perform import let_up_to
from understave.interpretation.plan import Hairpin, Origin, PedalMove, Plan
from understave.interpretation.tension import curve
from understave.score.model import Score
from understave.wording.phrasebook import Phrasebook, phrasebook

_LANE_GAP = 0.95 * SPACE
_CLEAR = 0.8 * SPACE
_TENSION_HEIGHT = 3.0 * SPACE
_OPENING = 1.5 * SPACE  # of a hairpin, at its wide end
_PEDAL_HEIGHT = 1.7 * SPACE
_LINE, _THIN = 0.14 * SPACE, 0.07 * SPACE
_NOTCH = 0.42 * SPACE
_RELEASE = 0.36 * SPACE
_TREMBLE = 0.7 * SPACE
_NAME_SIZE = 1.55 * SPACE
_LEAST_HAIRPIN = 1.6 * SPACE
_DASHES = f"{0.55 * SPACE:.0f} {0.4 * SPACE:.0f}"
# Music fonts are made for a staff four spaces high to the em; marks in a lane are a little smaller.
_MARK_SIZE = 3.3 * SPACE
# Half the height of the letter m: marks and hairpins share this middle line.
_MID = 0.13 * _MARK_SIZE
_HALF_SIZE = 1.25 * SPACE
_SOSTENUTO_SIZE, _HOOK = 1.45 * SPACE, 0.7 * SPACE
_NOTHING = Box(0.0, 0.0, -1.0, -1.0)

# SMuFL 1.4, range "Dynamics".
_DYNAMICS = {"p": "\ue520", "m": "\ue521", "f": "\ue522", "r": "\ue523", "s": "\ue524", "z": "\ue525"}

_NAMED = ("tension-lane", "dynamics-lane", "pedal-lane")


@dataclass(frozen=True, slots=True)
class _Leg:
    """A hairpin in one direction: how far it is open at either end, 0 to 1."""

    start: Fraction
    end: Fraction
    opens: float
    closes: float
    hairpin: Hairpin
    index: int

    def within(self, start: Fraction, end: Fraction) -> _Leg | None:
        """The part of it between two moments, opened as far as it is there; None if there is none."""
        a, b = max(start, self.start), min(end, self.end)
        if b <= a:
            return None
        return _Leg(a, b, self._open(a), self._open(b), self.hairpin, self.index)

    def _open(self, time: Fraction) -> float:
        share = float((time - self.start) / (self.end - self.start))
        return self.opens + share * (self.closes - self.opens)


@dataclass(frozen=True)
class PlannedLanes:
    """The lanes of a plan with their words typeset."""

    score: Score
    plan: Plan
    options: Options
    names: tuple[Label, ...]
    marks: tuple[Label, ...]
    half: Label
    middle: tuple[Label, Label]

    def draw(self, system: System, above: Box, glyphs: dict[str, Glyph]) -> tuple[list[etree._Element], Box]:
        """Draw the lanes of one system below everything else; glyphs used are added to `glyphs`."""
        at = moments(system, self.score)
        floor = max((i.box.y1 for i in system.ink), default=0.0) + _CLEAR
        if not above.empty:
            floor = max(floor, above.y1 + _LANE_GAP)
        lanes: list[Drawn] = []
        for name, lane in zip(self.names, (self._tension, self._dynamics, self._pedal), strict=True):
            drawn = lane(system, at, floor, glyphs)
            if drawn.box.empty:
                continue
            named = self._name(name, system, drawn, glyphs)
            lanes.append(Drawn(drawn.group, Box.around((drawn.box, named))))
            floor = lanes[-1].box.y1 + _LANE_GAP
        return [drawn.group for drawn in lanes], Box.around(drawn.box for drawn in lanes)

    def _name(self, label: Label, system: System, lane: Drawn, glyphs: dict[str, Glyph]) -> Box:
        """Write what a lane is to the left of it, under the clef, as large as there is room for."""
        size = min(_NAME_SIZE, 1000 * (_left(system) - 0.5 * SPACE - system.x0) / label.box.x1)
        if size < 0.5 * _NAME_SIZE:
            return _NOTHING
        box = label_box(label, size)
        baseline = (lane.box.y0 + lane.box.y1 - box.y0 - box.y1) / 2
        entry = Entry(0, system.start, system.end, label)
        lane.group.append(draw_label(entry, system.x0, baseline, size, "name", glyphs))
        return box.moved(system.x0, baseline)

    # Tension ---------------------------------------------------------------------------------------

    def _tension(self, system: System, at: Moments, floor: float, glyphs: dict[str, Glyph]) -> Drawn:
        spans = self.plan.tension if self.options.tension else ()
        group = _lane("tension-lane")
        inside = _clipped(curve(spans), system.start, system.end)
        if len(inside) < 2:
            return Drawn(group, _NOTHING)
        bottom = floor + _TENSION_HEIGHT
        # The lane is as high as the piece's highest tension: what matters is where it rises and falls.
        highest = max(t.value for t in spans) or 1.0

        def height(value: float) -> float:
            return bottom - _TENSION_HEIGHT * max(0.0, value / highest)

        places = [(self._x(at, system, t), height(v)) for t, v in inside]
        line = " L".join(f"{x:.0f} {y:.0f}" for x, y in places)
        drawing = etree.SubElement(group, _tag("g"), {"class": "tension", "role": "img"})
        drawing.set("aria-label", self.names[0].words)
        around = f"M{places[0][0]:.0f} {bottom:.0f} L{line} L{places[-1][0]:.0f} {bottom:.0f} Z"
        _path(drawing, around, TENSION_TINT, None)
        _path(drawing, f"M{places[0][0]:.0f} {bottom:.0f} H{places[-1][0]:.0f}", None, TENSION, _THIN)
        _path(drawing, f"M{line}", None, TENSION, _LINE)
        for index, t in enumerate(spans):
            if t.release and system.start <= t.start < system.end:
                ring = {"cx": self._x(at, system, t.start), "cy": height(t.value), "r": _RELEASE}
                circle = etree.SubElement(drawing, _tag("circle"), {k: f"{v:.0f}" for k, v in ring.items()})
                circle.attrib.update({"class": "release", "data-index": str(index), "fill": "#FFFFFF"})
                circle.attrib.update({"stroke": TENSION, "stroke-width": f"{_LINE:.0f}"})
        reach = Box(places[0][0], floor - _RELEASE, places[-1][0], bottom + _RELEASE)
        return Drawn(group, reach)

    # Dynamics --------------------------------------------------------------------------------------

    def _dynamics(self, system: System, at: Moments, floor: float, glyphs: dict[str, Glyph]) -> Drawn:
        group = _lane("dynamics-lane")
        if not self.options.dynamics:
            return Drawn(group, _NOTHING)
        marks: list[tuple[Entry, float, Box]] = []
        for index, (mark, label) in enumerate(zip(self.plan.marks, self.marks, strict=True)):
            if system.start <= mark.moment < system.end:
                box = label_box(label, _MARK_SIZE)
                x = self._x(at, system, mark.moment) - 0.3 * SPACE
                x = max(_left(system), min(x, system.x1 - box.x1))
                entry = Entry(index, mark.moment, mark.moment, label)
                marks.append((entry, x, box.moved(x, 0)))
        rows = in_rows([m[2] for m in marks], SIDE)
        # A hairpin stands between the marks of the first row where that leaves enough of it.
        taken = [[m[2] for m, r in zip(marks, rows, strict=True) if r == row] for row in range(3)]
        whole = _legs(self.plan.hairpins)
        legs = [leg for w in whole if (leg := w.within(system.start, system.end))]
        placed: list[tuple[_Leg, float, float, int]] = []
        for leg in legs:
            x0, x1 = self._x(at, system, leg.start), self._x(at, system, leg.end)
            x1 = min(x1, system.x1) - 0.3 * SPACE
            if x1 - x0 < 0.5 * SPACE:
                continue
            row, x0, x1 = _between(x0, x1, taken)
            while len(taken) <= row:
                taken.append([])
            taken[row].append(Box(x0, 0, x1, 0))
            placed.append((leg, x0, x1, row))
        drawn: list[Box] = []
        for row in range(len(taken)):
            members = [m for m, r in zip(marks, rows, strict=True) if r == row]
            pins = [p for p in placed if p[3] == row]
            if not members and not pins:
                continue
            up = max([_OPENING / 2, *(-m[2].y0 - _MID for m in members)])
            down = max([_OPENING / 2, *(m[2].y1 + _MID for m in members)])
            middle = floor + up
            for entry, x, box in members:
                group.append(draw_label(entry, x, middle + _MID, _MARK_SIZE, "dynamic", glyphs))
                drawn.append(box.moved(0, middle + _MID))
            for leg, x0, x1, _ in pins:
                group.append(_hairpin(leg, x0, x1, middle, phrasebook(self.options.language)))
                drawn.append(Box(x0, middle - _OPENING / 2, x1, middle + _OPENING / 2))
            floor = middle + down + 0.5 * SPACE
        return Drawn(group, Box.around(drawn))

    # Pedal -----------------------------------------------------------------------------------------

    def _pedal(self, system: System, at: Moments, floor: float, glyphs: dict[str, Glyph]) -> Drawn:
        """The right pedal, and below it the middle one where it is to hold something."""
        right = self._right_pedal(system, at, floor, glyphs)
        top = floor if right.box.empty else right.box.y1 + 0.5 * SPACE
        brackets = self._brackets(right.group, system, at, top, glyphs)
        return Drawn(right.group, Box.around((right.box, *brackets)))

    def _brackets(
        self, group: etree._Element, system: System, at: Moments, top: float, glyphs: dict[str, Glyph]
    ) -> Iterator[Box]:
        """A bracket for each stretch of the sostenuto pedal, named in each system, a hook where it goes."""
        for index, held in enumerate(self.plan.sustained if self.options.pedal else ()):
            if held.start >= system.end or held.end <= system.start:
                continue
            x0 = self._x(at, system, held.start)
            x1 = system.x1 if held.end >= system.end else self._x(at, system, held.end) - 0.3 * SPACE
            label = self.middle[held.start < system.start]
            size = min(_SOSTENUTO_SIZE, 1000 * max(0.0, x1 - x0 - SPACE) / label.box.x1)
            box = label_box(label, size)
            line = top + label_box(label, _SOSTENUTO_SIZE).height
            drawing = etree.SubElement(group, _tag("g"), {"class": "sostenuto"})
            entry = Entry(index, held.start, held.end, label)
            drawing.append(draw_label(entry, x0, line - box.y1, size, "sostenuto-name", glyphs))
            hook = f" V{line - _HOOK:.0f}" if held.end <= system.end else ""
            begun = x0 + box.x1 + 0.4 * SPACE
            _path(drawing, f"M{begun:.0f} {line:.0f} H{x1:.0f}{hook}", None, PROPOSED, _LINE)
            yield Box(x0, top, x1, line + _LINE)

    def _right_pedal(self, system: System, at: Moments, floor: float, glyphs: dict[str, Glyph]) -> Drawn:
        group = _lane("pedal-lane")
        moves = self.plan.pedal if self.options.pedal else ()
        inside = [move for move in moves if system.start <= move.moment < system.end]
        before = [move for move in moves if move.moment < system.start]
        held = before[-1] if before and before[-1].depth > 0 else None
        if not inside and held is None:
            return Drawn(group, _NOTHING)
        drawing = etree.SubElement(group, _tag("g"), {"class": "pedal", "role": "img"})
        drawing.set("aria-label", self.names[2].words)
        stretches: list[tuple[float, PedalMove, bool]] = []
        if held is not None and (not inside or inside[0].moment > system.start):
            stretches.append((_left(system), held, True))
        stretches += [(self._x(at, system, move.moment), move, False) for move in inside]
        ends = [x for x, _, _ in stretches[1:]] + [system.x1]
        last = held.depth if held is not None else 0.0
        for number, ((x0, move, goes_on), x1) in enumerate(zip(stretches, ends, strict=True)):
            following = stretches[number + 1][1] if number + 1 < len(stretches) else None
            wide = min(_NOTCH, (x1 - x0) / 2.5)
            if move.depth > 0:
                y = floor + _PEDAL_HEIGHT * min(1.0, move.depth)
                top = floor + _PEDAL_HEIGHT * let_up_to(last, move)
                points = [(x0, y)] if goes_on else [(x0, top), (x0 + (wide if last > 0 else 0), y)]
                if move.flutter:
                    points += _trembling(points[-1][0], x1 - wide, y, floor + (y - floor) / 2)
                if following is None:
                    points.append((x1, y))
                elif following.depth > 0:
                    points += [(x1 - wide, y), (x1, floor + _PEDAL_HEIGHT * let_up_to(move.depth, following))]
                else:
                    points += [(x1, y), (x1, floor)]
                line = "M" + " L".join(f"{x:.0f} {y:.0f}" for x, y in points)
                colour, tint = (INK, "#EDEDED") if move.origin == "printed" else (PROPOSED, PROPOSED_TINT)
                _path(drawing, f"{line} L{points[-1][0]:.0f} {floor:.0f} L{x0:.0f} {floor:.0f} Z", tint, None)
                stroke = _path(drawing, line, None, colour, _LINE)
                stroke.attrib.update({"stroke-linejoin": "round", "stroke-linecap": "round"})
                stroke.set("data-depth", f"{move.depth:g}")
                half = label_box(self.half, _HALF_SIZE)
                if not move.flutter and 0.3 <= move.depth <= 0.7 and x1 - x0 > half.x1 + 1.2 * SPACE:
                    top = y + 0.25 * SPACE
                    entry = Entry(number, move.moment, move.moment, self.half)
                    x = x0 + 2 * wide
                    drawing.append(draw_label(entry, x, top - half.y0, _HALF_SIZE, "half", glyphs))
                    drawing[-1].set("fill", colour)
            last = move.depth
        if not len(drawing):
            return Drawn(group, _NOTHING)
        return Drawn(group, Box(_left(system), floor, system.x1, floor + _PEDAL_HEIGHT + 0.1 * SPACE))

    def _x(self, at: Moments, system: System, moment: Fraction) -> float:
        return max(_left(system), at.x(moment)) if moment > system.start else _left(system)


def plan_lanes(score: Score, plan: Plan, options: Options) -> PlannedLanes:
    """Typeset the words of a plan's lanes in one go."""
    book = phrasebook(options.language)
    names = [Wording((Text(name),), SOFT, name) for name in (book.lanes[lane] for lane in _NAMED)]
    marks = [_mark_wording(mark.mark, mark.origin, book) for mark in plan.marks]
    half = Wording((Text("½"),), PROPOSED, book.spoken["half pedal"])
    words = book.spoken["proposed"].format(label=book.spoken["sostenuto pedal"])
    # So it is printed in piano music (common practice, no source).
    middle, going_on = (
        Wording((Text(text, Face(italic=True)),), PROPOSED, words) for text in ("Sost. Ped.", "(Sost. Ped.)")
    )
    runs = typeset(t for wording in (*names, *marks, half, middle, going_on) for t in wording.texts())
    return PlannedLanes(
        score,
        plan,
        options,
        tuple(typeset_label(wording, runs) for wording in names),
        tuple(typeset_label(wording, runs) for wording in marks),
        typeset_label(half, runs),
        (typeset_label(middle, runs), typeset_label(going_on, runs)),
    )


def _mark_wording(mark: str, origin: Origin, book: Phrasebook) -> Wording:
    music = all(c in _DYNAMICS for c in mark)
    sign = Text("".join(_DYNAMICS[c] for c in mark)) if music else Text(mark, Face(italic=True), 0.5)
    if origin == "printed":
        return Wording((sign,), INK, mark)
    words = book.spoken["proposed"].format(label=mark)
    return Wording((Text("[", ROMAN, 0.6), sign, Text("]", ROMAN, 0.6)), PROPOSED, words)


def _legs(hairpins: Sequence[Hairpin]) -> Iterable[_Leg]:
    """Cut swells at their peak."""
    for index, hairpin in enumerate(hairpins):
        peak = hairpin.loudest
        if peak > hairpin.start:
            yield _Leg(hairpin.start, peak, 0.0, 1.0, hairpin, index)
        if peak < hairpin.end:
            yield _Leg(peak, hairpin.end, 1.0, 0.0, hairpin, index)


def _between(x0: float, x1: float, rows: Sequence[Sequence[Box]]) -> tuple[int, float, float]:
    """The first row in which a hairpin keeps most of its length beside what stands there, and its ends."""
    for number, row in enumerate(rows):
        a, b = x0, x1
        for box in row:
            # What begins before the hairpin pushes its start, what comes later its end.
            if box.x0 - SIDE / 2 < b and a < box.x1 + SIDE / 2:
                if (box.x0 + box.x1) / 2 < (x0 + x1) / 2:
                    a = max(a, box.x1 + SIDE / 2)
                else:
                    b = min(b, box.x0 - SIDE / 2)
        if b - a >= max(min(_LEAST_HAIRPIN, x1 - x0), 0.5 * (x1 - x0)):
            return number, a, b
    return len(rows), x0, x1


def _hairpin(leg: _Leg, x0: float, x1: float, middle: float, book: Phrasebook) -> etree._Element:
    proposed = leg.hairpin.origin == "proposed"
    rising = leg.closes > leg.opens
    group = etree.Element(_tag("g"), {"class": "hairpin", "data-index": str(leg.index), "role": "img"})
    words = book.spoken["crescendo" if rising else "diminuendo"]
    group.set("aria-label", book.spoken["proposed"].format(label=words) if proposed else words)
    a, b = leg.opens * _OPENING / 2, leg.closes * _OPENING / 2
    # The two lines start at their point, so that the dashes of both look alike.
    for side in (-1, 1):
        ends = [(x0, middle + side * a), (x1, middle + side * b)]
        ends = ends if rising else ends[::-1]
        line = "M" + " L".join(f"{x:.0f} {y:.0f}" for x, y in ends)
        path = _path(group, line, None, PROPOSED if proposed else INK, 0.12 * SPACE)
        if proposed:
            path.set("stroke-dasharray", _DASHES)
    return group


def _trembling(x0: float, x1: float, low: float, high: float) -> list[tuple[float, float]]:
    """A zigzag between two places, from `low` up to `high` and back as often as there is room."""
    times = max(1, int((x1 - x0) / _TREMBLE))
    return [
        (x0 + (k + half) * (x1 - x0) / times, low if half == 1 else high)
        for k in range(times)
        for half in (0.5, 1.0)
    ]


def _clipped(
    line: Sequence[tuple[Fraction, float]], start: Fraction, end: Fraction
) -> list[tuple[Fraction, float]]:
    """The part of a line between two moments, with points on both where it crosses them."""
    inside = [p for p in line if start <= p[0] <= end]
    for (t0, v0), (t1, v1) in pairwise(line):
        for edge in (start, end):
            if t0 < edge < t1:
                inside.append((edge, v0 + float((edge - t0) / (t1 - t0)) * (v1 - v0)))
    return sorted(inside, key=lambda p: p[0])


def _left(system: System) -> float:
    """Where lanes begin: just before the first note."""
    return system.first_note - 0.3 * SPACE


def _tag(name: str) -> str:
    return f"{{{SVG}}}{name}"


def _lane(kind: str) -> etree._Element:
    return etree.Element(_tag("g"), {"class": f"lane {kind}", "stroke": "none"})


def _path(
    parent: etree._Element, path: str, fill: str | None, stroke: str | None, width: float = 0.0
) -> etree._Element:
    element = etree.SubElement(parent, _tag("path"), {"d": path, "fill": fill or "none"})
    if stroke:
        element.attrib.update({"stroke": stroke, "stroke-width": f"{width:.0f}"})
    return element
