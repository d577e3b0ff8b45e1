"""What a page of a PDF holds: straight lines, outlines and glyphs, exactly where they stand.

In: PDF bytes. Out: a `Page` for each page, in points, y upwards (ISO 32000-1, 8.3). The file's structure is
read by pypdf, its embedded fonts by fontTools; both come with the extra ``understave[page]``. The operators
of a page's content (ISO 32000-1, annex A) are followed here, for nothing else keeps paths and glyphs in one
space.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from understave.errors import ScoreError, UnderstaveError
from understave.score.pages_heard import tell_page
from understave.score.readers.page.fonts import Font, along_curve, font_of, resolved
from understave.score.remarks import Remark

Matrix = tuple[float, float, float, float, float, float]
Points = npt.NDArray[np.float64]
_SAME: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
MOST_PAGES = 200
"""Pages that are read of one file; more than any piano work in one volume movement needs."""
MOST_OPERATORS = 1_500_000
"""Operators that one page may hold; a dense page of outlines has some 30,000."""
_DEEPEST = 8
"""How far forms may stand in forms."""
_WHITE = 0.97
_BEAM = 3.5
"""Points that a beam is at most thick."""


@dataclass(frozen=True, slots=True)
class Box:
    """The extent of some ink in points."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def width(self) -> float:
        """Width in points."""
        return self.x1 - self.x0

    @property
    def height(self) -> float:
        """Height in points."""
        return self.y1 - self.y0

    @property
    def x(self) -> float:
        """Horizontal middle."""
        return (self.x0 + self.x1) / 2

    @property
    def y(self) -> float:
        """Vertical middle."""
        return (self.y0 + self.y1) / 2


@dataclass(frozen=True, slots=True)
class Line:
    """A straight bar of ink from left to right (or bottom to top) along its middle, `width` thick."""

    x0: float
    y0: float
    x1: float
    y1: float
    width: float

    def y_at(self, x: float) -> float:
        """Return the height of the middle at an abscissa."""
        if self.x1 == self.x0:
            return (self.y0 + self.y1) / 2
        return self.y0 + (self.y1 - self.y0) * (x - self.x0) / (self.x1 - self.x0)


@dataclass(frozen=True, slots=True)
class Outline:
    """A shape of ink that is no straight line: its closed contours, each an array of points (n, 2)."""

    contours: tuple[Points, ...]
    box: Box
    filled: bool


@dataclass(frozen=True, slots=True)
class Glyph:
    """A character of a font: what it means (`text`), its glyph's name, and where its origin stands.

    `size` is the height of the em in points, `advance` where the next one would stand.
    """

    text: str
    name: str
    font: str
    size: float
    x: float
    y: float
    advance: float
    outline: Outline | None


@dataclass(slots=True)
class Page:
    """All ink of one page."""

    width: float
    height: float
    lines: list[Line] = field(default_factory=list)
    outlines: list[Outline] = field(default_factory=list)
    glyphs: list[Glyph] = field(default_factory=list)
    pictures: float = 0.0
    """Area that pictures cover, as a part of the page's."""
    before: Callable[[float, float], tuple[float, float]] | None = None
    """Of a picture that was levelled: where a place lay before, both in parts of its sides, y down."""


def read_pages(data: bytes, name: str) -> list[Page]:
    """Return the pages of a PDF; raise ScoreError with one sentence where it cannot be read."""
    try:
        import pypdf
        import pypdf.errors
    except ImportError as error:
        raise ScoreError(
            Remark(
                "pdf_packages",
                "A PDF needs two more packages (pypdf and fonttools); install them with "
                "'pip install understave[page]', or export the piece as MusicXML.",
            )
        ) from error
    try:
        reader = pypdf.PdfReader(io.BytesIO(data))
        if reader.is_encrypted and not reader.decrypt(""):
            raise ScoreError(
                Remark("pdf_locked", "{file} is locked with a password; save it without one.", file=name)
            )
        count = len(reader.pages)
        if count > MOST_PAGES:
            raise ScoreError(
                Remark(
                    "pdf_pages",
                    "{file} has {count} pages; give at most {most}, one piece at a time.",
                    file=name,
                    count=count,
                    most=MOST_PAGES,
                )
            )
        fonts: _Fonts = {}
        pages = []
        for number, page in enumerate(reader.pages, 1):
            tell_page(number, count)
            pages.append(_Canvas(page, fonts).page)
        return pages
    except UnderstaveError:  # ours, or of whoever hears of each page
        raise
    except pypdf.errors.DependencyError as error:  # AES is not in pypdf itself
        raise ScoreError(
            Remark(
                "pdf_protected",
                "{file} is protected by AES, and one more package is needed to open it; install that with "
                "'pip install cryptography', or save the file without protection.",
                file=name,
            )
        ) from error
    except RecursionError as error:
        raise ScoreError(
            Remark(
                "pdf_circular",
                "{file} is a damaged PDF (its parts hold each other); export it again.",
                file=name,
            )
        ) from error
    except Exception as error:  # a damaged file makes the library fail in any way
        raise ScoreError(
            Remark(
                "pdf_damaged",
                "{file} is a PDF that cannot be read ({why}); export it again.",
                file=name,
                why=type(error).__name__,
            )
        ) from error


# The operators of a page ---------------------------------------------------------------------------------

_TOKEN = re.compile(
    rb"(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:-\d+)?)"
    rb"|(?P<name>/[^\s()<>\[\]{}/%]*)"
    rb"|(?P<string>\((?:[^()\\]|\\.|\((?:[^()\\]|\\.|\((?:[^()\\]|\\.)*\))*\))*\))"
    rb"|(?P<dict><<|>>)"
    rb"|(?P<hex><[0-9A-Fa-f\s]*>)"
    rb"|(?P<list>[\[\]])"
    rb"|(?P<comment>%[^\r\n]*)"
    rb"|(?P<operator>[A-Za-z'\"][A-Za-z0-9*]*)",
    re.DOTALL,
)
_ESCAPE = re.compile(rb"\\(?:([nrtbf()\\])|([0-7]{1,3})|(\r\n|\r|\n)|(.))", re.DOTALL)
_ESCAPED = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}


def _string(raw: bytes) -> bytes:
    def plain(m: re.Match[bytes]) -> bytes:
        if m[1]:
            return _ESCAPED.get(m[1], m[1])
        if m[2]:
            return bytes((int(m[2], 8) & 255,))
        return m[4] or b""

    return _ESCAPE.sub(plain, raw[1:-1])


def _operations(content: bytes) -> Iterator[tuple[bytes, list[Any]]]:
    """Yield each operator with its operands."""
    operands: list[Any] = []
    inside: list[Any] | None = None
    at = 0
    while m := _TOKEN.search(content, at):
        at = m.end()
        kind = m.lastgroup
        value: Any
        if kind == "operator":
            if m[0] == b"BI":  # a picture in the line; what follows ID is no text
                end = re.compile(rb"\sEI\s").search(content, at)
                at = end.end() if end else len(content)
            yield m[0], operands
            operands, inside = [], None
            continue
        if kind == "number":
            number = m[0].decode()
            value = float(number[0] + number[1:].split("-")[0])
        elif kind == "name":
            value = m[0].decode("latin-1")
        elif kind == "string":
            value = _string(m[0])
        elif kind == "hex":
            digits = re.sub(rb"\s", b"", m[0][1:-1])
            value = bytes.fromhex((digits + b"0" * (len(digits) % 2)).decode())
        elif kind == "list":
            if m[0] == b"[":
                inside = []
            elif inside is not None:
                operands.append(inside)
                inside = None
            continue
        else:
            continue
        (operands if inside is None else inside).append(value)


def _times(first: Matrix, then: Matrix) -> Matrix:
    """Return the matrix that does `first`, then `then` (ISO 32000-1, 8.3.4)."""
    a, b, c, d, e, f = first
    p, q, r, s, t, u = then
    return (
        *(a * p + b * r, a * q + b * s),
        *(c * p + d * r, c * q + d * s),
        *(e * p + f * r + t, e * q + f * s + u),
    )


def _moved(points: Points, by: Matrix) -> Points:
    a, b, c, d, e, f = by
    out = np.empty_like(points)
    out[:, 0] = points[:, 0] * a + points[:, 1] * c + e
    out[:, 1] = points[:, 0] * b + points[:, 1] * d + f
    return out


@dataclass(slots=True)
class _State:
    """The part of the graphics state that matters here."""

    matrix: Matrix = _SAME
    width: float = 1.0
    fill_white: bool = False
    stroke_white: bool = False
    fill_inks: bool = False
    stroke_inks: bool = False
    """Whether colours are tints of inks (Separation, DeviceN), of which 0 is no ink, and not light."""
    font: Font | None = None
    size: float = 1.0
    spacing: float = 0.0
    word: float = 0.0
    scale: float = 1.0
    leading: float = 0.0
    rise: float = 0.0
    hidden: bool = False

    def copy(self) -> _State:
        return _State(*(getattr(self, name) for name in self.__slots__))


_Fonts = dict[int, tuple[Any, Font]]
"""The fonts of a file by the ids of their dictionaries; these are kept, so that no id comes again."""


class _Canvas:
    """One page while its operators are followed."""

    def __init__(self, page: Any, fonts: _Fonts) -> None:
        box = page.mediabox
        left, bottom = float(box.left), float(box.bottom)
        self.page = Page(float(box.width), float(box.height))
        self.fonts = fonts
        self.state = _State(matrix=(1.0, 0.0, 0.0, 1.0, -left, -bottom))
        self.stack: list[_State] = []
        self.contours: list[tuple[list[tuple[float, float]], bool]] = []
        self.straight: list[bool] = []
        self.text = self.line = _SAME
        self.done = 0
        contents = page.get_contents()
        if contents is not None:
            self._follow(contents.get_data(), page.get("/Resources", {}), 0)

    def _follow(self, content: bytes, resources: Any, depth: int) -> None:
        resources = resolved(resources)
        for operator, given in _operations(content):
            self.done += 1
            if self.done > MOST_OPERATORS:
                raise ScoreError(
                    Remark(
                        "pdf_full", "A page of the PDF holds more than any page of music; export it again."
                    )
                )
            draw = _PATH.get(operator)
            if draw is not None:
                draw(self, given)
            elif operator in _PAINT:
                if operator in _CLOSING:
                    self.close([])
                self._paint(*_PAINT[operator])
            elif operator in _TEXT:
                _TEXT[operator](self, given)
            elif operator == b"Tf":
                self._set_font(resources, given)
            elif operator in (b"cs", b"CS"):
                self._set_space(resources, given, operator == b"cs")
            elif operator == b"Do":
                self._object(resources, given, depth)

    # -- the state

    def save(self, _: list[Any]) -> None:
        self.stack.append(self.state.copy())

    def restore(self, _: list[Any]) -> None:
        if self.stack:
            self.state = self.stack.pop()

    def concatenate(self, given: list[Any]) -> None:
        self.state.matrix = _times(tuple(given[:6]), self.state.matrix)

    def set_width(self, given: list[Any]) -> None:
        self.state.width = given[0]

    def set_fill(self, given: list[Any]) -> None:
        self.state.fill_white = _is_white(given, self.state.fill_inks)

    def set_stroke(self, given: list[Any]) -> None:
        self.state.stroke_white = _is_white(given, self.state.stroke_inks)

    def set_device_fill(self, given: list[Any]) -> None:
        self.state.fill_inks = False
        self.set_fill(given)

    def set_device_stroke(self, given: list[Any]) -> None:
        self.state.stroke_inks = False
        self.set_stroke(given)

    def _set_space(self, resources: Any, given: list[Any], fill: bool) -> None:
        """Choose a colour space; its first colour is black or full ink (ISO 32000-1, 8.6.8)."""
        space = resolved(resolved(resources.get("/ColorSpace", {})).get(given[0])) if given else None
        inks = isinstance(space, list) and resolved(space[0]) in ("/Separation", "/DeviceN")
        if fill:
            self.state.fill_inks, self.state.fill_white = inks, False
        else:
            self.state.stroke_inks, self.state.stroke_white = inks, False

    # -- paths

    def move(self, given: list[Any]) -> None:
        self.contours.append(([(given[0], given[1])], False))
        self.straight.append(True)

    def line_to(self, given: list[Any]) -> None:
        if self.contours:
            self.contours[-1][0].append((given[0], given[1]))

    def _curve(self, p: tuple[float, ...], q: tuple[float, ...], r: tuple[float, ...]) -> None:
        if not self.contours:
            return
        points = self.contours[-1][0]
        points.extend(along_curve(points[-1], p, q, r))
        self.straight[-1] = False

    def curve(self, given: list[Any]) -> None:
        self._curve(tuple(given[0:2]), tuple(given[2:4]), tuple(given[4:6]))

    def curve_from_here(self, given: list[Any]) -> None:
        if self.contours:
            self._curve(self.contours[-1][0][-1], tuple(given[0:2]), tuple(given[2:4]))

    def curve_to_there(self, given: list[Any]) -> None:
        self._curve(tuple(given[0:2]), tuple(given[2:4]), tuple(given[2:4]))

    def close(self, _: list[Any]) -> None:
        if self.contours:
            points, _closed = self.contours[-1]
            self.contours[-1] = (points, True)

    def rectangle(self, given: list[Any]) -> None:
        x, y, w, h = given[:4]
        self.contours.append(([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], True))
        self.straight.append(True)

    def _paint(self, fill: bool, stroke: bool) -> None:
        contours, straight = self.contours, self.straight
        self.contours, self.straight = [], []
        state = self.state
        fill = fill and not state.fill_white
        stroke = stroke and not state.stroke_white
        if not contours or not (fill or stroke):
            return
        a, b, c, d, *_ = state.matrix
        width = state.width * abs(a * d - b * c) ** 0.5 if stroke else 0.0
        placed = [
            (_moved(np.array(points, dtype=float), state.matrix), closed) for points, closed in contours
        ]
        if not fill:
            for (points, closed), all_straight in zip(placed, straight, strict=True):
                bar = _as_bar(points, 0.0) if all_straight and (closed or len(points) > 4) else None
                if bar is not None and bar.width < max(2 * width, _BEAM):  # the edge of what is filled, too
                    self.page.lines.append(bar)
                elif all_straight:
                    self._strokes(points, closed, width)
                elif len(points) > 1:
                    self._outline([points], filled=False)
            return
        bars = [
            _as_bar(points, width) if is_straight else None
            for (points, _), is_straight in zip(placed, straight, strict=True)
        ]
        if all(bar is not None for bar in bars):
            self.page.lines.extend(bar for bar in bars if bar is not None)
        else:
            self._outline([points for points, _ in placed], filled=True)

    def _strokes(self, points: Points, closed: bool, width: float) -> None:
        if closed:
            points = np.vstack([points, points[:1]])
        for (x0, y0), (x1, y1) in zip(points[:-1].tolist(), points[1:].tolist(), strict=True):
            if x0 == x1 and y0 == y1:
                continue
            if (x1, y1) < (x0, y0):
                x0, y0, x1, y1 = x1, y1, x0, y0
            self.page.lines.append(Line(x0, y0, x1, y1, width))

    def _outline(self, contours: list[Points], *, filled: bool) -> None:
        contours = [points for points in contours if len(points) > 1]
        if contours:
            self.page.outlines.append(Outline(tuple(contours), _box(contours), filled))

    # -- text

    def begin_text(self, _: list[Any]) -> None:
        self.text = self.line = _SAME

    def set_text_matrix(self, given: list[Any]) -> None:
        self.text = self.line = tuple(given[:6])

    def next_line(self, given: list[Any]) -> None:
        self.line = _times((1.0, 0.0, 0.0, 1.0, given[0], given[1]), self.line)
        self.text = self.line

    def next_line_leading(self, given: list[Any]) -> None:
        self.state.leading = -given[1]
        self.next_line(given)

    def new_line(self, _: list[Any]) -> None:
        self.next_line([0.0, -self.state.leading])

    def show(self, given: list[Any]) -> None:
        self._show(given[0])

    def show_line(self, given: list[Any]) -> None:
        self.new_line([])
        self._show(given[-1])

    def show_spaced(self, given: list[Any]) -> None:
        for piece in given[0]:
            if isinstance(piece, bytes):
                self._show(piece)
            else:
                self._advance(-piece / 1000 * self.state.size * self.state.scale)

    def _advance(self, by: float) -> None:
        self.text = _times((1.0, 0.0, 0.0, 1.0, by, 0.0), self.text)

    def _show(self, raw: Any) -> None:
        state = self.state
        font = state.font
        if font is None or not isinstance(raw, bytes):
            return
        for character in font.characters(raw):
            to_text = (state.size * state.scale, 0.0, 0.0, state.size, 0.0, state.rise)
            matrix = _times(_times(to_text, self.text), state.matrix)
            outline = None
            if not state.hidden and not state.fill_white:
                contours = [_moved(points, matrix) for points in font.contours(character.code)]
                outline = Outline(tuple(contours), _box(contours), True) if contours else None
            by = character.width * state.size + state.spacing
            if character.code == 32 and font.code_length == 1:
                by += state.word
            self._advance(by * state.scale)
            if not state.hidden:
                end = _times(_times(to_text, self.text), state.matrix)
                self.page.glyphs.append(
                    Glyph(
                        text=character.text,
                        name=character.name,
                        font=font.name,
                        size=float(np.hypot(matrix[2], matrix[3])),
                        x=matrix[4],
                        y=matrix[5],
                        advance=end[4] - matrix[4],
                        outline=outline,
                    )
                )

    def _set_font(self, resources: Any, given: list[Any]) -> None:
        found = resolved(resources.get("/Font", {})).get(given[0])
        self.state.size = given[1]
        if found is None:
            self.state.font = None
            return
        found = found.get_object()
        if id(found) not in self.fonts:
            self.fonts[id(found)] = found, font_of(found)
        self.state.font = self.fonts[id(found)][1]

    def _object(self, resources: Any, given: list[Any], depth: int) -> None:
        found = resolved(resources.get("/XObject", {})).get(given[0]) if given else None
        if found is None:
            return
        found = found.get_object()
        if found.get("/Subtype") == "/Image":
            a, b, c, d, *_ = self.state.matrix
            self.page.pictures += abs(a * d - b * c) / max(1.0, self.page.width * self.page.height)
        elif found.get("/Subtype") == "/Form" and depth < _DEEPEST:
            kept, stack = self.state, self.stack
            self.state, self.stack = kept.copy(), []
            if "/Matrix" in found:
                self.concatenate([float(x) for x in found["/Matrix"]])
            self._follow(found.get_data(), found.get("/Resources", resources), depth + 1)
            self.state, self.stack = kept, stack


def _set(name: str, factor: float = 1.0) -> Any:
    def store(canvas: _Canvas, given: list[Any]) -> None:
        setattr(canvas.state, name, given[0] * factor)

    return store


def _render(canvas: _Canvas, given: list[Any]) -> None:
    canvas.state.hidden = given[0] in (3, 7)


_PATH: dict[bytes, Any] = {
    b"q": _Canvas.save,
    b"Q": _Canvas.restore,
    b"cm": _Canvas.concatenate,
    b"w": _Canvas.set_width,
    b"m": _Canvas.move,
    b"l": _Canvas.line_to,
    b"c": _Canvas.curve,
    b"v": _Canvas.curve_from_here,
    b"y": _Canvas.curve_to_there,
    b"h": _Canvas.close,
    b"re": _Canvas.rectangle,
    **dict.fromkeys((b"g", b"rg", b"k"), _Canvas.set_device_fill),
    **dict.fromkeys((b"G", b"RG", b"K"), _Canvas.set_device_stroke),
    **dict.fromkeys((b"sc", b"scn"), _Canvas.set_fill),
    **dict.fromkeys((b"SC", b"SCN"), _Canvas.set_stroke),
}
_TEXT: dict[bytes, Any] = {
    b"BT": _Canvas.begin_text,
    b"Tm": _Canvas.set_text_matrix,
    b"Td": _Canvas.next_line,
    b"TD": _Canvas.next_line_leading,
    b"T*": _Canvas.new_line,
    b"Tj": _Canvas.show,
    b"'": _Canvas.show_line,
    b'"': _Canvas.show_line,
    b"TJ": _Canvas.show_spaced,
    b"Tc": _set("spacing"),
    b"Tw": _set("word"),
    b"Tz": _set("scale", 0.01),
    b"TL": _set("leading"),
    b"Ts": _set("rise"),
    b"Tr": _render,
}
_PAINT = {
    **dict.fromkeys((b"f", b"F", b"f*"), (True, False)),
    **dict.fromkeys((b"S", b"s"), (False, True)),
    **dict.fromkeys((b"B", b"B*", b"b", b"b*"), (True, True)),
    b"n": (False, False),
}
_CLOSING = (b"s", b"b", b"b*")
"""Operators that close the path before they paint it (ISO 32000-1, table 60)."""


def _is_white(given: list[Any], inks: bool) -> bool:
    numbers = [x for x in given if isinstance(x, float)]
    if numbers and (inks or len(numbers) == 4):  # cyan, magenta, yellow, black
        return max(numbers) < 1 - _WHITE
    return bool(numbers) and min(numbers) > _WHITE


def _box(contours: list[Points]) -> Box:
    points = np.vstack(contours)
    (x0, y0), (x1, y1) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    return Box(x0, y0, x1, y1)


def _as_bar(points: Points, stroke: float) -> Line | None:
    """Return a filled quadrilateral with two level or two upright sides as a line; None for other shapes.

    `stroke` is the width of the pen that goes around it.
    """
    corners = [points[0]]
    for point in points[1:]:
        if np.abs(point - corners[-1]).max() > 1e-3:
            corners.append(point)
    if len(corners) > 1 and np.abs(corners[0] - corners[-1]).max() <= 1e-3:
        corners.pop()
    if len(corners) == 2:
        (x0, y0), (x1, y1) = sorted((tuple(corners[0].tolist()), tuple(corners[1].tolist())))
        return Line(x0, y0, x1, y1, stroke)
    if len(corners) != 4:
        return None
    by_x = sorted(corners, key=lambda p: (float(p[0]), float(p[1])))
    left, right = by_x[:2], by_x[2:]
    if abs(left[0][0] - left[1][0]) > 0.3 or abs(right[0][0] - right[1][0]) > 0.3:
        return None
    heights = [abs(float(side[1][1] - side[0][1])) for side in (left, right)]
    if abs(heights[0] - heights[1]) > 0.25 * max(*heights, 0.2):
        return None
    x0, x1 = float(left[0][0]), float(right[0][0])
    y0 = float(left[0][1] + left[1][1]) / 2
    y1 = float(right[0][1] + right[1][1]) / 2
    height = sum(heights) / 2
    if abs(y1 - y0) < 1e-3 and height > x1 - x0:  # an upright bar
        return Line((x0 + x1) / 2, y0 - height / 2, (x0 + x1) / 2, y0 + height / 2, x1 - x0 + stroke)
    return Line(x0, y0, x1, y1, height + stroke)
