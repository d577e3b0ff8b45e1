"""The ink of a page sorted: staves, systems and bar lines, music symbols, words, and the lines that are left.

In: a `Page`. Out: a `Sheet`. Lengths are in points, y upwards; `space` is the distance of two staff lines.
"""

from __future__ import annotations

import unicodedata
from bisect import bisect_left
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median

from understave.score.readers.page.ink import Box, Glyph, Line, Page
from understave.score.readers.page.smufl import Matcher, named


@dataclass(frozen=True, slots=True)
class Symbol:
    """A music symbol: its SMuFL name, where it stands, the height of its origin, and how sure it is
    (0..1).
    """

    name: str
    box: Box
    y: float
    sure: float = 1.0

    @property
    def x(self) -> float:
        """Horizontal middle."""
        return self.box.x


@dataclass(frozen=True, slots=True)
class Word:
    """Letters that stand together on a line of text; `y` is their baseline.

    `pieces` are what spaces part, each with its left and right edge.
    """

    text: str
    box: Box
    y: float
    size: float
    font: str
    pieces: tuple[tuple[str, float, float], ...] = ()


@dataclass(slots=True)
class Staff:
    """Five lines."""

    x0: float
    x1: float
    y0: float
    y1: float

    @property
    def space(self) -> float:
        """Distance of two lines."""
        return (self.y1 - self.y0) / 4

    @property
    def middle(self) -> float:
        """Height of the middle line."""
        return (self.y0 + self.y1) / 2

    def position(self, y: float) -> int:
        """Return the step of a height, 0 for the lowest line, 1 for the space above it."""
        return round((y - self.y0) / self.space * 2)

    def distance(self, y: float) -> float:
        """Return how far outside the lines a height is, 0 within."""
        return max(0.0, self.y0 - y, y - self.y1)


@dataclass(frozen=True, slots=True)
class Bar:
    """Where a bar line stands: its left and right edge, how many lines it has, and repeat dots beside it."""

    x0: float
    x1: float
    lines: int = 1
    dots_before: bool = False
    dots_after: bool = False


@dataclass(slots=True)
class System:
    """Staves that sound together, from the top, with their bar lines from the left."""

    staves: list[Staff]
    bars: list[Bar] = field(default_factory=list)
    groups: list[tuple[int, int]] = field(default_factory=list)
    """First and last staff of each part."""


Curve = tuple[tuple[float, float], tuple[float, float], float]
"""Left and right end of a curve, and the height of its middle."""


@dataclass(slots=True)
class Sheet:
    """A page with its ink sorted."""

    page: Page
    space: float
    systems: list[System]
    symbols: list[Symbol]
    words: list[Word]
    uprights: list[Line]
    levels: list[Line]
    """Lines that are neither upright nor part of a staff: beams, ledger lines, hairpins, brackets."""
    curves: list[Curve]
    taken: set[int] = field(default_factory=set)
    """Ids of the dots that prolong notes or belong to repeat signs."""
    figures: set[Box] = field(default_factory=set)
    """Figures that were read as those of tuplets, and are no fingering."""
    other_lines: int = 0
    """Lines of staves with fewer or more than five, such as those of chant (4) and tablature (6)."""
    ways: dict[Line, int] = field(default_factory=dict)
    """Which way stems are seen to point (1 up, -1 down), where a picture of them tells it."""


_LEAST_SPACE, _MOST_SPACE = 2.2, 16.0
_STAFF_LENGTH = 30.0
"""Points that a staff is at least wide."""
_SLANT = 0.15
"""Points by which a level or upright line may lean."""


def sort_page(page: Page, without: Collection[str] = ()) -> Sheet | None:
    """Return a page's sheet; None where it has no staff. `without` names fonts whose shapes are not known."""
    staves, used, others = _staves(page.lines)
    if not staves:
        return Sheet(page, 0.0, [], [], [], [], [], [], other_lines=others) if others else None
    space = median(staff.space for staff in staves)
    matcher = Matcher(space, without)
    symbols, curves, letters = _symbols(page, matcher, space)
    uprights = _merged(
        [
            Line(a.x0, min(a.y0, a.y1), a.x1, max(a.y0, a.y1), a.width)
            for a in page.lines
            if _is_upright(a, space)
        ]
    )
    levels = _distinct(
        line for line in page.lines if line not in used and not _is_upright(line, space) and line.x1 > line.x0
    )
    systems = join(staves, uprights, symbols, page, space)
    for system in systems:
        system.bars = bar_lines(system, uprights, symbols, space)
    return Sheet(
        page,
        space,
        systems,
        symbols,
        letters,
        uprights,
        levels,
        curves,
        other_lines=others,
    )


def _is_upright(line: Line, space: float) -> bool:
    return abs(line.x1 - line.x0) <= _SLANT and abs(line.y1 - line.y0) > 0.5 * space


def _distinct(lines: Iterable[Line]) -> list[Line]:
    """Leave out lines that lie on another: what is filled and stroked comes twice."""
    out: dict[tuple[float, ...], Line] = {}
    for line in lines:
        key = tuple(round(v) for v in (line.x0, line.y0 * 2, line.x1, line.y1 * 2))
        if key not in out or out[key].width < line.width:
            out[key] = line
    return list(out.values())


def _merged(lines: list[Line]) -> list[Line]:
    """Join upright lines that stand on each other."""
    columns: list[list[Line]] = []
    for line in sorted(lines, key=lambda a: a.x0):
        if columns and line.x0 - columns[-1][-1].x0 < 0.13:
            columns[-1].append(line)
        else:
            columns.append([line])
    out: list[Line] = []
    for column in columns:
        first = len(out)
        for line in sorted(column, key=lambda a: a.y0):
            last = out[-1] if len(out) > first else None
            if last is not None and line.y0 <= last.y1 + 0.2:
                out[-1] = Line(last.x0, last.y0, last.x1, max(last.y1, line.y1), max(last.width, line.width))
            else:
                out.append(line)
    return out


# Staves ---------------------------------------------------------------------------------------------------


def _staves(lines: Sequence[Line]) -> tuple[list[Staff], set[Line], int]:
    """Find runs of five level lines at even distances; also the lines of which they are made."""
    level = [a for a in lines if abs(a.y1 - a.y0) < _SLANT and a.x1 - a.x0 > 4 and a.width < 2.5]
    rows: list[tuple[float, float, float, list[Line]]] = []  # height, left, right, made of
    for line in sorted(level, key=lambda a: (round(a.y0, 1), a.x0)):
        if rows:
            y, x0, x1, made = rows[-1]
            if abs(y - line.y0) < 0.12 and line.x0 <= x1 + 1.0:
                rows[-1] = (y, min(x0, line.x0), max(x1, line.x1), [*made, line])
                continue
        rows.append((line.y0, line.x0, line.x1, [line]))
    long = sorted((row for row in rows if row[2] - row[1] >= _STAFF_LENGTH), key=lambda row: row[0])
    heights = [row[0] for row in long]
    taken: set[int] = set()
    staves: list[Staff] = []
    used: set[Line] = set()
    others = 0
    for i, (y, x0, x1, _) in enumerate(long):
        if i in taken:
            continue
        run = _run(long, heights, i, taken)
        if len(run) == 5:
            taken.update(run)
            staves.append(Staff(x0, x1, y, long[run[-1]][0]))
            for k in run:
                # A beam may lie on a staff line.
                used.update(a for a in long[k][3] if a.width < 0.3 * staves[-1].space)
        elif len(run) in (4, 6):
            taken.update(run)
            others = len(run)
    return sorted(staves, key=lambda s: -s.y1), used, others


def _run(
    rows: list[tuple[float, float, float, list[Line]]], heights: list[float], i: int, taken: set[int]
) -> list[int]:
    """Return the longest run of up to six rows, evenly apart, that begins with row `i`."""
    best: list[int] = [i]
    y, x0, x1, _ = rows[i]
    first = bisect_left(heights, y + _LEAST_SPACE)
    for j in range(first, len(rows)):
        step = heights[j] - y
        if step > _MOST_SPACE:
            break
        run = [i]
        for k in range(1, 6):
            want = y + step * k
            near = [
                n
                for n in range(bisect_left(heights, want - 0.06 * step), len(rows))
                if heights[n] <= want + 0.06 * step
                and n not in taken
                and abs(rows[n][1] - x0) < step
                and abs(rows[n][2] - x1) < step
            ]
            if not near:
                break
            run.append(near[0])
        if len(run) > len(best):
            best = run
        if len(best) >= 5:
            break
    return best


# Symbols and words -----------------------------------------------------------------------------------------


def _symbols(page: Page, matcher: Matcher, space: float) -> tuple[list[Symbol], list[Curve], list[Word]]:
    symbols: list[Symbol] = []
    curves: list[Curve] = []
    seen: set[tuple[int, ...]] = set()
    for outline in page.outlines:
        box = outline.box
        key = tuple(round(v / space * 4) for v in (box.x0, box.y0, box.x1, box.y1))
        if key in seen:
            continue
        seen.add(key)
        found = matcher.match(outline) if outline.filled else None
        if found is not None and found.name:
            symbols.append(Symbol(found.name, box, box.y0 + found.origin * box.height, found.sure))
        elif box.width > 0.45 * space and box.height < max(4 * space, box.width):
            points = [tuple(p) for contour in outline.contours for p in contour.tolist()]
            left, right = min(points), max(points)
            mid = [y for x, y in points if abs(x - box.x) < max(0.15 * box.width, 0.3 * space)]
            middle = sum(mid) / len(mid) if mid else box.y
            curves.append(((left[0], left[1]), (right[0], right[1]), middle))
    text = []
    for glyph in page.glyphs:
        name = named(glyph)
        if not name and glyph.outline is not None and _in_private_use(glyph.text):
            found = matcher.match(glyph.outline)
            if found.name:
                box = glyph.outline.box
                symbols.append(Symbol(found.name, box, box.y0 + found.origin * box.height, found.sure))
                continue
        if name:
            box = glyph.outline.box if glyph.outline is not None else _guessed_box(glyph.x, glyph.y, space)
            symbols.append(Symbol(name, box, glyph.y))
        else:
            text.append(glyph)
    return symbols, curves, _words(text)


def _in_private_use(text: str) -> bool:
    return not text or all("\ue000" <= letter <= "\uf8ff" for letter in text)


def _guessed_box(x: float, y: float, space: float) -> Box:
    """Return a box for a glyph whose outline the file does not hold: that of a notehead."""
    return Box(x, y - space / 2, x + 1.2 * space, y + space / 2)


def _words(glyphs: Sequence[Glyph]) -> list[Word]:
    """Join letters that follow each other on a baseline; a gap of a fifth of an em parts words."""
    out: list[Word] = []
    run: list[Glyph] = []

    def close() -> None:
        pieces: list[tuple[str, float, float]] = []
        parted = True
        for i, glyph in enumerate(run):
            parted |= bool(i) and glyph.x - (run[i - 1].x + run[i - 1].advance) > 0.18 * glyph.size
            if not glyph.text.strip():
                parted = True
                continue
            before, left = ("", glyph.x) if parted else pieces.pop()[:2]
            letters = unicodedata.normalize("NFKC", glyph.text)  # parts ligatures
            pieces.append((before + letters, left, glyph.x + glyph.advance))
            parted = False
        if pieces:
            boxes = [g.outline.box for g in run if g.outline is not None]
            first, last = run[0], run[-1]
            box = Box(
                first.x,
                min((b.y0 for b in boxes), default=first.y),
                last.x + last.advance,
                max((b.y1 for b in boxes), default=first.y + 0.7 * first.size),
            )
            text = " ".join(" ".join(piece for piece, *_ in pieces).split())
            out.append(Word(text, box, first.y, first.size, first.font, tuple(pieces)))
        run.clear()

    for glyph in glyphs:
        if run:
            last = run[-1]
            gap = glyph.x - (last.x + last.advance)
            if abs(glyph.y - last.y) > 0.1 * glyph.size or not -0.5 * glyph.size < gap < 0.9 * glyph.size:
                close()
        run.append(glyph)
    close()
    return out


# Systems and bar lines -------------------------------------------------------------------------------------


def join(
    staves: list[Staff], uprights: Sequence[Line], symbols: Sequence[Symbol], page: Page, space: float
) -> list[System]:
    """Join staves that an upright line or a brace holds together."""
    joined = [False] * len(staves)  # whether a staff belongs to the one above it
    for i in range(1, len(staves)):
        above, below = staves[i - 1], staves[i]
        joined[i] = any(
            line.y1 >= above.y0 - 0.1 * space
            and line.y0 <= below.y1 + 0.1 * space
            and above.x0 - 1.5 * space <= line.x0 <= above.x1 + space
            for line in uprights
        )
    systems: list[System] = []
    for staff, goes_on in zip(staves, joined, strict=True):
        if goes_on:
            systems[-1].staves.append(staff)
        else:
            systems.append(System([staff]))
    for system in systems:
        system.groups = groups(system, symbols, page, uprights, space)
    return systems


def groups(
    system: System, symbols: Sequence[Symbol], page: Page, uprights: Sequence[Line], space: float
) -> list[tuple[int, int]]:
    """Return the parts of a system: the staves that a brace holds; any other staff is a part."""
    count = len(system.staves)
    left = system.staves[0].x0
    heights = [
        (box.y0, box.y1)
        for box in (
            *(s.box for s in symbols if s.name == "brace"),
            *(o.box for o in page.outlines),
            *(g.outline.box for g in page.glyphs if g.outline is not None),
        )
        if left - 6 * space < box.x1 <= left + 0.6 * space
        and box.height > 2.5 * space
        and box.width < 3 * space
    ]
    heights = _stacked(heights, space)
    parts: list[tuple[int, int]] = []
    i = 0
    while i < count:
        last = i
        for j in range(count - 1, i, -1):
            top, bottom = system.staves[i].y1, system.staves[j].y0
            if any(abs(y1 - top) < 1.2 * space and abs(y0 - bottom) < 1.2 * space for y0, y1 in heights):
                last = j
                break
        parts.append((i, last))
        i = last + 1
    if count == 2 and len(parts) == 2 and not heights:
        return [(0, 1)]
    return parts


def _stacked(heights: list[tuple[float, float]], space: float) -> list[tuple[float, float]]:
    """Join the two halves of which a brace may be drawn."""
    out = list(heights)
    for a0, a1 in heights:
        for b0, b1 in heights:
            if abs(a1 - b0) < 0.3 * space and a1 > a0 and b1 > b0:
                out.append((a0, b1))
    return out


def bar_lines(system: System, uprights: Sequence[Line], symbols: Sequence[Symbol], space: float) -> list[Bar]:
    """Return the bar lines of a system: uprights that stand over every staff at one place, and over no
    head.
    """
    heads = [s.box for s in symbols if s.name.startswith("notehead")]
    columns: list[list[Line]] = []
    first = system.staves[0]
    for line in sorted(uprights, key=lambda a: a.x0):
        if not first.x0 - 0.5 * space <= line.x0 <= first.x1 + space:
            continue
        if columns and line.x0 - columns[-1][-1].x0 < 0.12 * space:
            columns[-1].append(line)
        else:
            columns.append([line])
    found: list[tuple[float, float]] = []
    for column in columns:
        over = [[line for line in column if _spans(line, staff, system, space)] for staff in system.staves]
        if not all(any(not _is_stem(line, heads, space) for line in lines) for lines in over):
            continue
        x = column[0].x0
        width = max(line.width for line in column)
        found.append((x - width / 2, x + width / 2))
    bars: list[Bar] = []
    for x0, x1 in found:
        if bars and x0 - bars[-1].x1 < 0.9 * space:
            last = bars[-1]
            bars[-1] = Bar(last.x0, max(x1, last.x1), last.lines + 1)
        else:
            bars.append(Bar(x0, x1))
    return [_with_dots(bar, system, symbols, space) for bar in bars]


def _spans(line: Line, staff: Staff, system: System, space: float) -> bool:
    """Say whether a line stands over a whole staff, and not beyond the outer staves of the system."""
    return (
        line.y0 <= staff.y0 + 0.15 * space
        and line.y1 >= staff.y1 - 0.15 * space
        and line.y0 >= system.staves[-1].y0 - 0.3 * space
        and line.y1 <= system.staves[0].y1 + 0.3 * space
    )


def _is_stem(line: Line, heads: Sequence[Box], space: float) -> bool:
    """Say whether a line ends at a head: a stem may be as long as a staff is high, and on two staves such
    may stand in one place.
    """
    return any(
        min(abs(box.x0 - line.x0), abs(box.x1 - line.x0)) < 0.15 * space
        and min(abs(box.y - line.y0), abs(box.y - line.y1)) < 0.7 * space
        for box in heads
    )


DOTS = ("augmentationDot", "repeatDot", "articStaccatoAbove", "articStaccatoBelow")
"""Names under which a round dot may be found; where it stands tells what it is."""


def _with_dots(bar: Bar, system: System, symbols: Sequence[Symbol], space: float) -> Bar:
    """Look for repeat dots beside a bar line, in the two middle spaces of the first staff."""
    staff = system.staves[0]
    before = after = 0
    for symbol in symbols:
        if symbol.name == "repeatDots" and staff.distance(symbol.box.y) == 0:
            before += 2 * (0 < bar.x0 - symbol.x < 1.6 * space)
            after += 2 * (0 < symbol.x - bar.x1 < 1.6 * space)
        elif symbol.name in DOTS and abs(abs(symbol.box.y - staff.middle) - space / 2) < 0.2 * space:
            before += 0 < bar.x0 - symbol.x < 1.1 * space
            after += 0 < symbol.x - bar.x1 < 1.1 * space
    return Bar(bar.x0, bar.x1, bar.lines, before >= 2, after >= 2)


def is_repeat_dot(symbol: Symbol, system: System, space: float) -> bool:
    """Say whether a dot belongs to a repeat sign."""
    for bar in system.bars:
        near = (bar.dots_before and 0 < bar.x0 - symbol.x < 1.1 * space) or (
            bar.dots_after and 0 < symbol.x - bar.x1 < 1.1 * space
        )
        if near and any(abs(abs(symbol.box.y - s.middle) - space / 2) < 0.2 * space for s in system.staves):
            return True
    return False
