"""Text to outlines: typeset runs of text with their widths, for pages that look alike everywhere.

In: strings and faces (italic, weight). Out: `Run`s of glyph outlines in thousandths of an em, shaped
with kerning and ligatures. The letters are those of Libertinus Serif, which travels inside the typst
wheel; accidentals and other music signs are those of the music font that travels inside the verovio
wheel, since text fonts draw them too small or lack them in bold and italic. Nothing depends on the
fonts of the reader's machine.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import typst
from lxml import etree

from understave.engraving.geometry import Box, affine, compose, path_box
from understave.errors import MissingError

FAMILY = "Libertinus Serif"
MUSIC_FONT = "Bravura"

# Signs in running text that the music font draws: SMuFL 1.4 code point, size beside letters (a music
# glyph is made for a staff four spaces high), and height of its origin above the baseline.
_SIGNS = {
    "♭": ("\ue260", 1.05, 170.0),
    "♮": ("\ue261", 0.95, 320.0),
    "♯": ("\ue262", 0.95, 320.0),
    "𝄪": ("\ue263", 1.25, 320.0),
    "𝄫": ("\ue264", 1.05, 170.0),
    "♩": ("\ueca5", 1.0, 0.0),
    "♪": ("\ueca7", 1.0, 0.0),
}
_SIGN_GAP = 30.0
_MUSIC = re.compile(f"([{''.join(_SIGNS)}\ue000-\uf8ff])")
_PROBE = "\U0010fffd"


@dataclass(frozen=True, slots=True, order=True)
class Face:
    """One style of the text font; `weight` is 400 or 600."""

    italic: bool = False
    weight: int = 400


@dataclass(frozen=True, slots=True)
class Glyph:
    """An outline, y pointing up, 1000 units to the em; `name` is unique over all fonts used."""

    name: str
    path: str
    box: Box


@dataclass(frozen=True, slots=True)
class Placed:
    """A glyph in a run: its origin and its scale (1 for letters)."""

    glyph: Glyph
    x: float
    y: float = 0.0
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class Run:
    """A typeset string: glyphs on a baseline, y up, 1000 units to the em.

    `advance` is the width to the next run. `complete` is False when the font lacks a character.
    """

    glyphs: tuple[Placed, ...]
    advance: float
    complete: bool = True

    @property
    def box(self) -> Box:
        """Ink box, y up; an empty box for blank text."""
        return Box.around(
            Box(
                placed.x + placed.scale * placed.glyph.box.x0,
                placed.y + placed.scale * placed.glyph.box.y0,
                placed.x + placed.scale * placed.glyph.box.x1,
                placed.y + placed.scale * placed.glyph.box.y1,
            )
            for placed in self.glyphs
        )


Runs = Mapping[tuple[str, Face], Run]


def typeset(texts: Iterable[tuple[str, Face]]) -> dict[tuple[str, Face], Run]:
    """Typeset every text in its face, in one call to typst."""
    wanted = sorted(set(texts))
    pieces = {key: _pieces(key[0]) for key in wanted}
    letters = sorted(
        {(piece, face) for (_, face), parts in pieces.items() for piece in parts if not _MUSIC.match(piece)}
    )
    shaped = _shape_once(letters)
    missing = [key for key in letters if not shaped[key].complete]
    if missing:
        # Writing that the font lacks may be in a font of this machine; outlined, it shows everywhere.
        shaped |= _shape(missing, system_fonts=True)
    return {key: _join([_piece(p, key[1], shaped) for p in parts]) for key, parts in pieces.items()}


_known: dict[tuple[str, Face], Run] = {}
_MOST_KNOWN = 8192
"""Runs kept: the labels of a piece stand in every picture of it, and typst takes longest to start."""


def _shape_once(texts: list[tuple[str, Face]]) -> dict[tuple[str, Face], Run]:
    """Return the runs of texts, shaping only those that no picture had before."""
    found = {key: run for key in texts if (run := _known.get(key)) is not None}
    made = _shape([key for key in texts if key not in found])
    if len(_known) + len(made) > _MOST_KNOWN:
        _known.clear()
    _known.update(made)
    return {**found, **made}


def _pieces(text: str) -> list[str]:
    return [p for p in _MUSIC.split(text) if p]


def _piece(piece: str, face: Face, shaped: Runs) -> Run:
    return _music_sign(piece) if _MUSIC.match(piece) else shaped[piece, face]


def _join(runs: list[Run]) -> Run:
    glyphs, x = [], 0.0
    for run in runs:
        glyphs += [Placed(placed.glyph, placed.x + x, placed.y, placed.scale) for placed in run.glyphs]
        x += run.advance
    return Run(tuple(glyphs), x, all(run.complete for run in runs))


@cache
def _music_font() -> tuple[Path, dict[str, float]]:
    package = find_spec("verovio")
    if package is None or package.origin is None:
        raise MissingError("The package verovio is missing; install Understave again.")
    folder = Path(package.origin).parent / "data"
    table = etree.parse(str(folder / f"{MUSIC_FONT}.xml")).getroot()
    return folder / MUSIC_FONT, {g.get("c", ""): float(g.get("h-a-x", "0")) for g in table.iter("g")}


@cache
def _music_sign(sign: str) -> Run:
    point, scale, rise = _SIGNS.get(sign, (sign, 1.0, 0.0))
    gap = _SIGN_GAP if sign in _SIGNS else 0.0
    folder, advances = _music_font()
    code = f"{ord(point):04X}"
    file = folder / f"{code}.xml"
    if not file.exists():
        return Run((), 0.0, complete=False)
    path = etree.parse(str(file)).getroot().find(".//path")
    outline = path.get("d", "") if path is not None else ""
    glyph = Glyph(f"t{code}", outline, path_box(outline))
    return Run((Placed(glyph, gap, rise, scale),), scale * advances.get(code, 0.0) + 2 * gap)


_DOCUMENT = """
#set page(width: auto, height: auto, margin: 0pt)
#set text(font: "{family}", size: 1000pt, top-edge: "baseline", bottom-edge: "baseline")
#for (words, style, weight) in json(bytes(sys.inputs.runs)) {{
  box[#text(style: style, weight: weight, words)]
  box(rect(width: 1pt, height: 1pt, fill: red))
  linebreak()
}}
"""


def _shape(texts: list[tuple[str, Face]], system_fonts: bool = False) -> dict[tuple[str, Face], Run]:
    """Let typst shape the texts; a red square after each line tells its advance width."""
    if not texts:
        return {}
    faces = sorted({face for _, face in texts})
    lines = [(_PROBE, face) for face in faces] + texts
    # No-break spaces keep blanks at the ends of a run, which carry width in running text.
    rows = [
        [t.replace(" ", "\u00a0"), "italic" if face.italic else "normal", face.weight] for t, face in lines
    ]
    svg = typst.compile(
        _DOCUMENT.format(family=FAMILY).encode(),
        format="svg",
        ignore_system_fonts=not system_fonts,
        sys_inputs={"runs": json.dumps(rows)},
    )
    root = etree.fromstring(svg if isinstance(svg, bytes) else b"".join(svg))
    outlines = {element.get("id"): element for element in root.iter("{*}symbol")}
    runs: list[Run] = []
    placed: list[tuple[str, float, float]] = []
    line_start = 0.0
    for element, matrix in _leaves(root):
        if element.tag.endswith("}use"):
            href = element.get("{http://www.w3.org/1999/xlink}href") or element.get("href") or ""
            x = float(element.get("x", "0"))
            placed.append((href[1:], matrix[0] * x + matrix[4], matrix[5]))
        elif element.get("fill") == "#ff4136":
            runs.append(_run(placed, line_start, matrix[4], matrix[5], outlines))
            placed = []
    blanks = {placed.glyph.name for run in runs[: len(faces)] for placed in run.glyphs}
    return {
        key: Run(run.glyphs, run.advance, not any(placed.glyph.name in blanks for placed in run.glyphs))
        for key, run in zip(texts, runs[len(faces) :], strict=True)
    }


def _run(
    placed: list[tuple[str, float, float]],
    start: float,
    end: float,
    baseline: float,
    outlines: Mapping[str | None, etree._Element],
) -> Run:
    glyphs = []
    for name, x, _ in placed:
        path = outlines[name].find("{*}path")
        outline = re.sub(r"\s+", " ", path.get("d", "")).strip() if path is not None else ""
        outline = outline.removeprefix("M 0 0m ")
        outline = "m " + outline if outline and not outline.startswith(("M", "m")) else outline
        if outline:
            glyphs.append(Placed(Glyph(f"t{name[1:13]}", outline, path_box(outline)), x - start))
    return Run(tuple(glyphs), end - start)


def _leaves(root: etree._Element) -> Iterable[tuple[etree._Element, tuple[float, ...]]]:
    stack = [(root, (1.0, 0.0, 0.0, 1.0, 0.0, 0.0))]
    while stack:
        element, matrix = stack.pop()
        if element.tag.endswith("}defs"):
            continue
        if element.get("transform"):
            matrix = compose(matrix, affine(element.get("transform", "")))
        children = list(element)
        if children:
            stack += [(child, matrix) for child in reversed(children)]
        else:
            yield element, matrix
