"""Where the ink is: boxes of the drawn shapes in an SVG page as verovio writes it.

In: SVG elements. Out: `Box`es in the coordinates of an ancestor. Covers what verovio and our own
drawing use: paths of M, L, C and their kin, uses of glyphs, rectangles, polygons, ellipses, circles
and the transforms translate, scale and matrix. Text must have been outlined first.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import ceil

from lxml import etree

Matrix = tuple[float, float, float, float, float, float]
IDENTITY: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
SVG = "http://www.w3.org/2000/svg"
XLINK_HREF = "{http://www.w3.org/1999/xlink}href"
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_PATH_TOKEN = re.compile(r"[A-Za-z]|[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_TRANSFORM = re.compile(r"(translate|scale|matrix)\s*\(([^)]*)\)")


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle; empty where x1 < x0."""

    x0: float
    y0: float
    x1: float
    y1: float

    @classmethod
    def around(cls, boxes: Iterable[Box]) -> Box:
        """The smallest box that holds all boxes; an empty box if there are none."""
        x0 = y0 = float("inf")
        x1 = y1 = float("-inf")
        for b in boxes:
            if not b.empty:
                x0, y0, x1, y1 = min(x0, b.x0), min(y0, b.y0), max(x1, b.x1), max(y1, b.y1)
        return cls(x0, y0, x1, y1)

    @property
    def empty(self) -> bool:
        """Whether nothing is inside."""
        return self.x1 < self.x0 or self.y1 < self.y0

    @property
    def width(self) -> float:
        """Horizontal extent."""
        return self.x1 - self.x0

    @property
    def height(self) -> float:
        """Vertical extent."""
        return self.y1 - self.y0

    def moved(self, dx: float, dy: float) -> Box:
        """The same box elsewhere."""
        return Box(self.x0 + dx, self.y0 + dy, self.x1 + dx, self.y1 + dy)

    def grown(self, dx: float, dy: float) -> Box:
        """The box with a margin on every side."""
        return Box(self.x0 - dx, self.y0 - dy, self.x1 + dx, self.y1 + dy)

    def overlaps(self, other: Box) -> bool:
        """Whether the two share more than an edge."""
        return self.x0 < other.x1 and other.x0 < self.x1 and self.y0 < other.y1 and other.y0 < self.y1

    def transformed(self, m: Matrix, more: float = 0.0) -> Box:
        """The upright box around the image of this box, which first grows by `more` on every side."""
        left, top, right, bottom = self.x0 - more, self.y0 - more, self.x1 + more, self.y1 + more
        if m[1] == m[2] == 0:  # nearly every shape: moved and scaled, not turned
            x0, x1 = m[0] * left + m[4], m[0] * right + m[4]
            y0, y1 = m[3] * top + m[5], m[3] * bottom + m[5]
            return Box(
                x0 if x0 < x1 else x1, y0 if y0 < y1 else y1, x1 if x0 < x1 else x0, y1 if y0 < y1 else y0
            )
        xs = [m[0] * x + m[2] * y + m[4] for x in (left, right) for y in (top, bottom)]
        ys = [m[1] * x + m[3] * y + m[5] for x in (left, right) for y in (top, bottom)]
        return Box(min(xs), min(ys), max(xs), max(ys))


@dataclass(frozen=True, slots=True)
class Ink:
    """One drawn shape: its box, the nearest ancestor's id and class that say what it is."""

    box: Box
    id: str
    kind: str


def compose(outer: Matrix, inner: Matrix) -> Matrix:
    """The matrix that applies `inner` first, then `outer`."""
    a, b, c, d, e, f = outer
    g, h, i, j, k, m = inner
    return (
        a * g + c * h,
        b * g + d * h,
        a * i + c * j,
        b * i + d * j,
        a * k + c * m + e,
        b * k + d * m + f,
    )


@lru_cache(maxsize=4096)
def affine(text: str) -> Matrix:
    """Read an SVG transform list of translate, scale and matrix."""
    matrix = IDENTITY
    for name, arguments in _TRANSFORM.findall(text):
        v = [float(x) for x in _NUMBER.findall(arguments)]
        if name == "translate":
            step: Matrix = (1.0, 0.0, 0.0, 1.0, v[0], v[1] if len(v) > 1 else 0.0)
        elif name == "scale":
            step = (v[0], 0.0, 0.0, v[1] if len(v) > 1 else v[0], 0.0, 0.0)
        else:
            step = (v[0], v[1], v[2], v[3], v[4], v[5])
        matrix = compose(matrix, step)
    return matrix


_ARITY = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "Z": 0}


def _segments(path: str) -> Iterator[list[tuple[float, float]]]:
    """Lines and curves of a path as control points, absolute; a curve's bend is in its middle points."""
    tokens = _PATH_TOKEN.findall(path)
    i, command, x, y, start, bend = 0, "M", 0.0, 0.0, (0.0, 0.0), None
    while i < len(tokens):
        if tokens[i].isalpha():
            command, i = tokens[i], i + 1
        upper = command.upper()
        count = _ARITY[upper]
        v = [float(t) for t in tokens[i : i + count]]
        i += count
        dx, dy = (x, y) if command.islower() else (0.0, 0.0)
        if upper == "Z":
            yield [(x, y), start]
            (x, y), bend = start, None
            continue
        if upper == "H":
            points = [(v[0] + dx, y)]
        elif upper == "V":
            points = [(x, v[0] + dy)]
        else:
            points = [(v[k] + dx, v[k + 1] + dy) for k in range(0, count, 2)]
        if upper in "ST":
            points.insert(0, (2 * x - bend[0], 2 * y - bend[1]) if bend else (x, y))
        if upper == "M":
            start, command = points[0], "l" if command == "m" else "L"
        else:
            yield [(x, y), *points]
        bend = points[-2] if upper in "CSQT" else None
        x, y = points[-1]


def _bezier(points: list[tuple[float, float]], t: float) -> tuple[float, float]:
    if len(points) == 2:
        (ax, ay), (bx, by) = points
        return ax + t * (bx - ax), ay + t * (by - ay)
    while len(points) > 1:
        points = [(a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])) for a, b in pairwise(points)]
    return points[0]


@lru_cache(maxsize=4096)
def path_boxes(path: str, step: float = float("inf")) -> tuple[Box, ...]:
    """Boxes along a path: one for each piece of about `step` units, so that a slur is no big block."""
    boxes = []
    for points in _segments(path):
        span = max(abs(points[-1][0] - points[0][0]), abs(points[-1][1] - points[0][1]))
        straight = len(points) == 2
        pieces = 1 if straight else max(8, min(64, ceil(span / step)))
        if straight and span and points[0][0] != points[-1][0] and points[0][1] != points[-1][1]:
            pieces = max(1, min(64, ceil(span / step)))
        places = [_bezier(points, k / pieces) for k in range(pieces + 1)]
        boxes += [
            Box(min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1]))
            for a, b in pairwise(places)
        ]
    return tuple(boxes)


@lru_cache(maxsize=4096)
def path_box(path: str) -> Box:
    """The box around a path's outline (curves sampled at eight places)."""
    return Box.around(path_boxes(path))


def glyph_boxes(root: etree._Element) -> dict[str, Box]:
    """Boxes of the glyphs, groups of paths, that `use` elements of the page may refer to, by id."""
    found = {}
    for defs in root.iter("{*}defs"):
        for child in defs:
            boxes = (
                path_box(path.get("d", "")).transformed(affine(path.get("transform", "")))
                for path in child.iter("{*}path")
            )
            found[child.get("id", "")] = Box.around(boxes)
    return found


def ink(element: etree._Element, glyphs: Mapping[str, Box], step: float = 90.0) -> list[Ink]:
    """Every drawn shape under `element`, in the coordinates that `element` itself lies in.

    Invisible placeholders are left out. Curves are cut into pieces of about `step` units.
    """
    found: list[Ink] = []
    waiting = [(element, IDENTITY, "", "")]
    while waiting:
        element, matrix, name, kind = waiting.pop()
        tag = element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""
        if not tag or tag in ("defs", "style", "desc", "title"):
            continue
        if transform := element.get("transform"):
            matrix = compose(matrix, affine(transform))
        if tag in ("g", "svg"):
            classes = element.get("class", "")
            if "placeholder" not in classes and element.get("visibility") != "hidden":
                name, kind = element.get("id", name), classes or kind
                waiting += [(child, matrix, name, kind) for child in reversed(element)]
            continue
        half = _number(element.get("stroke-width")) / 2
        for box in _shape(element, tag, glyphs, step):
            found.append(Ink(box.transformed(matrix, half), name, kind))
    return found


def _shape(element: etree._Element, tag: str, glyphs: Mapping[str, Box], step: float) -> Iterable[Box]:
    if tag == "path":
        return path_boxes(element.get("d", ""), step)
    if tag == "use":
        href = element.get(XLINK_HREF) or element.get("href") or ""
        box = glyphs.get(href[1:])
        return () if box is None or box.empty else (box.moved(*_numbers(element, "x", "y")),)
    if tag == "rect":
        x, y, width, height = _numbers(element, "x", "y", "width", "height")
        return (Box(x, y, x + width, y + height),)
    if tag in ("ellipse", "circle"):
        cx, cy, rx, ry, r = _numbers(element, "cx", "cy", "rx", "ry", "r")
        return (Box(cx - (rx or r), cy - (ry or r), cx + (rx or r), cy + (ry or r)),)
    if tag in ("polygon", "polyline"):
        numbers = [float(x) for x in _NUMBER.findall(element.get("points", ""))]
        points = list(zip(numbers[::2], numbers[1::2], strict=False))
        if tag == "polyline":
            return path_boxes("M" + " L".join(f"{x} {y}" for x, y in points), step)
        return (Box.around(Box(x, y, x, y) for x, y in points),)
    return ()


def _numbers(element: etree._Element, *names: str) -> list[float]:
    return [_number(element.get(name)) for name in names]


def _number(text: str | None) -> float:
    if not text:  # most shapes have no stroke of their own
        return 0.0
    found = _NUMBER.match(text)
    return float(found[0]) if found else 0.0
