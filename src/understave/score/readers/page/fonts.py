"""The fonts of a PDF: a string of bytes in, its characters out, with meanings, glyph names and outlines.

In: a font dictionary (ISO 32000-1, 9.5 to 9.8). Embedded programs (Type 1, CFF, TrueType) are opened by
fontTools. What a font lacks stays empty: a character may have no name, no meaning or no outline.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

Points = npt.NDArray[np.float64]
_CURVE_STEPS = 6
"""Straight pieces that a Bézier curve becomes."""
_t = np.linspace(0, 1, _CURVE_STEPS + 1)[1:, None]
_BERNSTEIN = np.hstack([(1 - _t) ** 3, 3 * _t * (1 - _t) ** 2, 3 * _t**2 * (1 - _t), _t**3])


def along_curve(*controls: tuple[float, ...]) -> list[tuple[float, float]]:
    """Return points along a cubic Bézier curve of four control points, without the first."""
    return [(x, y) for x, y in (_BERNSTEIN @ np.array(controls)).tolist()]


def resolved(value: Any) -> Any:
    """Return what an entry of a PDF holds, where it only refers to it."""
    return value.get_object() if hasattr(value, "get_object") else value


@dataclass(frozen=True, slots=True)
class Character:
    """One character of a string: its code, its width as a part of the em, meaning and glyph name."""

    code: int
    width: float
    text: str
    name: str


@dataclass(slots=True)
class Font:
    """A font of a page."""

    name: str
    code_length: int
    widths: dict[int, float]
    default_width: float
    texts: dict[int, str]
    names: dict[int, str]
    draw: Callable[[int], list[Points]] | None
    known: dict[int, list[Points]] = field(default_factory=dict)

    def characters(self, raw: bytes) -> Iterator[Character]:
        """Yield the characters of a string."""
        step = self.code_length
        for i in range(0, len(raw) - step + 1, step):
            code = int.from_bytes(raw[i : i + step], "big")
            width = self.widths.get(code, self.default_width)
            yield Character(code, width, self.texts.get(code, ""), self.names.get(code, ""))

    def contours(self, code: int) -> list[Points]:
        """Return the contours of a character, in parts of the em; none where the file has no outline."""
        if code not in self.known:
            try:
                self.known[code] = self.draw(code) if self.draw is not None else []
            except Exception:  # a damaged outline is a missing one
                self.known[code] = []
        return self.known[code]


def font_of(found: Any) -> Font:
    """Return the font of a font dictionary."""
    kind = found.get("/Subtype")
    name = re.sub(r"^/(?:[A-Z]{6}\+)?", "", str(found.get("/BaseFont", "")))
    texts = _to_unicode(found.get("/ToUnicode"))
    if kind == "/Type0":
        return _composite(found, name, texts)
    descriptor = _of(found, "/FontDescriptor")
    first = int(found.get("/FirstChar", 0))
    scale = float(_list(found, "/FontMatrix")[0]) if kind == "/Type3" and "/FontMatrix" in found else 0.001
    widths = {first + i: float(w) * scale for i, w in enumerate(_list(found, "/Widths"))}
    default = float(descriptor.get("/MissingWidth", 0)) * scale if descriptor else 0.0
    names = _encoding(found)
    draw = None
    program, built_in, names_of = _program(descriptor)
    if program is not None:
        for code, glyph in built_in.items():
            names.setdefault(code, glyph)
        draw = _by_name(program, names, names_of)
    for code, glyph in names.items():
        texts.setdefault(code, _meaning(glyph))
    return Font(name, 1, widths, default, texts, names, draw)


def _of(found: Any, key: str) -> Any:
    return resolved(found.get(key)) if found is not None else None


def _list(found: Any, key: str) -> list[Any]:
    return list(_of(found, key) or ())


def _meaning(glyph: str) -> str:
    """Return what a glyph name stands for, by the Adobe Glyph List."""
    from fontTools import agl

    return str(agl.toUnicode(glyph))


_RANGE = re.compile(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>\s*(?:<([0-9A-Fa-f]+)>|\[([^\]]*)\])")
_PAIR = re.compile(rb"<([0-9A-Fa-f]+)>\s*<([0-9A-Fa-f]+)>")


def _to_unicode(stream: Any) -> dict[int, str]:
    """Read a ToUnicode map (ISO 32000-1, 9.10.3)."""
    if stream is None:
        return {}
    stream = stream.get_object()
    if not hasattr(stream, "get_data"):
        return {}
    data = stream.get_data()
    out: dict[int, str] = {}

    def text(digits: bytes) -> str:
        return bytes.fromhex(digits.decode()).decode("utf-16-be", "replace").replace("\0", "")

    for block in re.findall(rb"beginbfchar(.*?)endbfchar", data, re.DOTALL):
        for code, meaning in _PAIR.findall(block):
            out[int(code, 16)] = text(meaning)
    for block in re.findall(rb"beginbfrange(.*?)endbfrange", data, re.DOTALL):
        for low, high, meaning, listed in _RANGE.findall(block):
            first, last = int(low, 16), min(int(high, 16), int(low, 16) + 65535)
            if listed:
                for i, digits in enumerate(re.findall(rb"<([0-9A-Fa-f]+)>", listed)):
                    out[first + i] = text(digits)
            else:
                start = text(meaning)
                for code in range(first, last + 1):
                    out[code] = start[:-1] + chr(ord(start[-1]) + code - first) if start else ""
    return out


def _encoding(found: Any) -> dict[int, str]:
    """Return glyph names by code, of a simple font's encoding."""
    from fontTools.agl import UV2AGL
    from fontTools.encodings.StandardEncoding import StandardEncoding

    encoding = _of(found, "/Encoding")
    base = str(encoding if isinstance(encoding, str) else (encoding or {}).get("/BaseEncoding", ""))
    names: dict[int, str] = {}
    table = {"/WinAnsiEncoding": "cp1252", "/MacRomanEncoding": "mac_roman"}.get(base)
    descriptor = _of(found, "/FontDescriptor")
    if table:
        for code in range(32, 256):
            try:
                letter = ord(bytes((code,)).decode(table))
            except UnicodeDecodeError:
                continue
            if letter in UV2AGL:
                names[code] = UV2AGL[letter]
    elif descriptor is None or not any(k in descriptor for k in _PROGRAMS):
        names = {code: name for code, name in enumerate(StandardEncoding) if name != ".notdef"}
    if encoding is not None and not isinstance(encoding, str):
        code = 0
        for item in _list(encoding, "/Differences"):
            if isinstance(item, str):
                names[code] = item.removeprefix("/")
                code += 1
            else:
                code = int(item)
    return names


_PROGRAMS = ("/FontFile", "/FontFile2", "/FontFile3")


class OutlinePen:
    """Takes an outline as fontTools draws it and keeps its contours as points."""

    def __init__(self) -> None:
        self.contours: list[list[tuple[float, float]]] = []

    def moveTo(self, point: tuple[float, float]) -> None:  # noqa: D102, N802 - the names are fontTools'
        self.contours.append([point])

    def lineTo(self, point: tuple[float, float]) -> None:  # noqa: D102, N802
        self.contours[-1].append(point)

    def curveTo(self, *points: tuple[float, float]) -> None:  # noqa: D102, N802
        from fontTools.pens.basePen import decomposeSuperBezierSegment

        for p, q, r in decomposeSuperBezierSegment(points) if len(points) > 3 else [points]:
            self._cubic(p, q, r)

    def qCurveTo(self, *points: tuple[float, float] | None) -> None:  # noqa: D102, N802
        from fontTools.pens.basePen import decomposeQuadraticSegment

        if points[-1] is None:
            first = ((points[0][0] + points[-2][0]) / 2, (points[0][1] + points[-2][1]) / 2)  # type: ignore[index]
            self.contours.append([first])
            points = (*points[:-1], first)
        for control, end in decomposeQuadraticSegment(points):
            here = self.contours[-1][-1]
            first = tuple(h + 2 / 3 * (c - h) for h, c in zip(here, control, strict=True))
            second = tuple(e + 2 / 3 * (c - e) for e, c in zip(end, control, strict=True))
            self._cubic(first, second, end)

    def _cubic(self, p: Any, q: Any, r: Any) -> None:
        self.contours[-1].extend(along_curve(self.contours[-1][-1], p, q, r))

    def closePath(self) -> None:  # noqa: D102, N802
        pass

    endPath = closePath  # noqa: N815

    def addComponent(self, *_: Any) -> None:  # noqa: D102, N802
        pass

    def arrays(self, scale: float) -> list[Points]:
        """Return the contours, scaled."""
        return [np.array(points, dtype=float) * scale for points in self.contours if len(points) > 2]


def _by_name(
    program: Any, names: dict[int, str], names_of: Callable[[int], str]
) -> Callable[[int], list[Points]]:
    glyphs, scale = program

    def draw(code: int) -> list[Points]:
        name = names.get(code, "")
        if name not in glyphs:
            name = names_of(code)
        if name not in glyphs:
            return []
        pen = OutlinePen()
        glyphs[name].draw(pen)
        return pen.arrays(scale)

    return draw


def _nameless(_: int) -> str:
    return ""


def _program(descriptor: Any) -> tuple[Any, dict[int, str], Callable[[int], str]]:
    """Open an embedded simple font: its glyphs and scale, its own names by code, and names for the rest."""
    key = next((k for k in _PROGRAMS if descriptor is not None and k in descriptor), None)
    if key is None:
        return None, {}, _nameless
    stream = _of(descriptor, key)
    try:
        data = stream.get_data()
        if key == "/FontFile":
            return _type1(data)
        if key == "/FontFile3" and stream.get("/Subtype") == "/Type1C":
            top = _cff(data)
            encoding = top.Encoding
            built_in: dict[int, str] = {}
            if not isinstance(encoding, str):
                built_in = {code: name for code, name in enumerate(encoding) if name and name != ".notdef"}
            return (top.CharStrings, float(_matrix(top))), built_in, _nameless
        return _truetype(data)
    except Exception:  # a font that cannot be opened has no outlines
        return None, {}, _nameless


def _cff(data: bytes) -> Any:
    from fontTools.cffLib import CFFFontSet

    fonts = CFFFontSet()
    fonts.decompile(io.BytesIO(data), None)
    return fonts[0]


def _matrix(top: Any) -> float:
    return (getattr(top, "FontMatrix", None) or [0.001])[0] or 0.001


def _type1(data: bytes) -> tuple[Any, dict[int, str], Callable[[int], str]]:
    import tempfile
    from pathlib import Path

    from fontTools.t1Lib import T1Font

    with tempfile.TemporaryDirectory() as folder:  # fontTools opens Type 1 from files only
        path = Path(folder) / "font.pfa"
        path.write_bytes(data)
        font = T1Font(str(path), encoding="latin-1", kind="OTHER")
        font.parse()
    encoding = font.font.get("Encoding", ())
    built_in = {code: name for code, name in enumerate(encoding) if name and name != ".notdef"}
    return (font.getGlyphSet(), float(font.font["FontMatrix"][0])), built_in, _nameless


def _truetype(data: bytes) -> tuple[Any, dict[int, str], Callable[[int], str]]:
    from fontTools.ttLib import TTFont

    font = TTFont(io.BytesIO(data), lazy=True)
    maps: dict[int, str] = {}
    if "cmap" in font:
        for table in font["cmap"].tables:
            for code, name in table.cmap.items():
                maps.setdefault(code & 255 if (table.platformID, table.platEncID) == (3, 0) else code, name)
    return (font.getGlyphSet(), 1 / font["head"].unitsPerEm), {}, lambda code: maps.get(code, "")


def _composite(found: Any, name: str, texts: dict[int, str]) -> Font:
    """Return a font of two-byte codes that are glyph numbers, as notation programs and typesetters write
    them.
    """
    below = _list(found, "/DescendantFonts")[0].get_object()
    widths: dict[int, float] = {}
    listed = [resolved(item) for item in _list(below, "/W")]
    i = 0
    while i + 1 < len(listed):
        if isinstance(listed[i + 1], list):
            for k, width in enumerate(listed[i + 1]):
                widths[int(listed[i]) + k] = float(width) / 1000
            i += 2
        else:
            if i + 2 < len(listed):
                last = min(int(listed[i + 1]), int(listed[i]) + 65535)
                for code in range(int(listed[i]), last + 1):
                    widths[code] = float(listed[i + 2]) / 1000
            i += 3
    names: dict[int, str] = {}
    draw = None
    descriptor = _of(below, "/FontDescriptor")
    try:
        draw, names, meanings = _glyph_numbers(below, descriptor, found)
        for code, text in meanings.items():
            texts.setdefault(code, text)
    except Exception:  # as above: no outlines
        draw = None
    return Font(name, 2, widths, float(below.get("/DW", 1000)) / 1000, texts, names, draw)


def _glyph_numbers(
    below: Any, descriptor: Any, found: Any
) -> tuple[Callable[[int], list[Points]] | None, dict[int, str], dict[int, str]]:
    key = next((k for k in _PROGRAMS if descriptor is not None and k in descriptor), None)
    if key is None:
        return None, {}, {}
    stream = _of(descriptor, key)
    data = stream.get_data()
    meanings: dict[int, str] = {}
    if key == "/FontFile3" and stream.get("/Subtype") == "/CIDFontType0C":
        top = _cff(data)
        glyphs, scale, order = top.CharStrings, _matrix(top), list(top.charset)
        if hasattr(top, "ROS"):
            order_of = {int(n[3:]): n for n in order if re.fullmatch(r"cid\d+", n)}
            if scale == 1:  # the matrix of the parts holds the scale
                scale = _matrix(top.FDArray[0])
        else:
            order_of = dict(enumerate(order))
    else:
        from fontTools.ttLib import TTFont

        font = TTFont(io.BytesIO(data), lazy=True)
        glyphs, scale, order = font.getGlyphSet(), 1 / font["head"].unitsPerEm, font.getGlyphOrder()
        mapped = _of(below, "/CIDToGIDMap")
        if mapped is not None and hasattr(mapped, "get_data"):
            table = np.frombuffer(mapped.get_data(), dtype=">u2")
            order_of = {cid: order[g] for cid, g in enumerate(table.tolist()) if 0 < g < len(order)}
        else:
            order_of = dict(enumerate(order))
        if "cmap" in font:
            backwards = {glyph: code for code, glyph in font.getBestCmap().items()}
            meanings = {c: chr(backwards[n]) for c, n in order_of.items() if n in backwards}

    def draw(code: int) -> list[Points]:
        pen = OutlinePen()
        glyphs[order_of[code]].draw(pen)
        return pen.arrays(float(scale))

    own = {code: n for code, n in order_of.items() if not re.fullmatch(r"cid\d+|glyph\d+|gid\d+", n)}
    return draw, own, meanings
