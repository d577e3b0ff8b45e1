"""verovio's text turned into outlines, so that a page needs no fonts.

In: SVG pages as verovio writes them, whose ``<text>`` elements are replaced in place. Out: the glyph
definitions that the replacements use and their boxes. Text in a writing that no font at hand covers
stays text, in the reader's own serif font.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from lxml import etree

from understave.engraving.geometry import SVG, XLINK_HREF, Box
from understave.engraving.lettering import Face, Glyph, Run, Runs, typeset

_BOLD = {"ending", "fing", "reh", "tempo"}
_ITALIC = {"dir", "dynam", "mNum"}
_PLAIN = {"label", "labelAbbr"}
_ROMAN = Face()
# Semibold is as wide as the bold face whose widths verovio reckons with.
_HEAVY = 600


@dataclass(frozen=True)
class Outlines:
    """Definitions of the glyphs used and the boxes of their ink, by id."""

    definitions: dict[str, etree._Element]
    boxes: dict[str, Box]


@dataclass(frozen=True, slots=True)
class _Style:
    face: Face = _ROMAN
    size: float = 0.0
    anchor: str = "start"
    fill: str | None = None
    music: bool = False


_Place = tuple[float | None, float | None, float]


@dataclass(frozen=True, slots=True)
class _Segment:
    """Text in one style; `x` and `y` where a new line of it begins, `dy` a shift of the baseline."""

    words: str
    style: _Style
    x: float | None
    y: float | None
    dy: float = 0.0


def outline_text(pages: Sequence[etree._Element]) -> Outlines:
    """Replace the text of all pages by outlines; all is typeset in one go."""
    found = [
        (text, list(_segments(text, _inherited(text), None)))
        for page in pages
        for text in page.iter(f"{{{SVG}}}text")
    ]
    runs = typeset((segment.words, segment.style.face) for _, segments in found for segment in segments)
    glyphs: dict[str, Glyph] = {}
    for text, segments in found:
        parent = text.getparent()
        if parent is None:
            continue
        if all(runs[segment.words, segment.style.face].complete for segment in segments):
            parent.replace(text, _outlined(segments, runs, glyphs))
        else:
            _keep_as_text(text)
    return Outlines(
        {glyph.name: glyph_definition(glyph) for glyph in glyphs.values()},
        {
            glyph.name: Box(glyph.box.x0, -glyph.box.y1, glyph.box.x1, -glyph.box.y0)
            for glyph in glyphs.values()
        },
    )


def glyph_definition(glyph: Glyph) -> etree._Element:
    """A glyph as an SVG group with an id, to be used at 1000 units to the em."""
    group = etree.Element(f"{{{SVG}}}g", {"id": glyph.name})
    etree.SubElement(group, f"{{{SVG}}}path", {"transform": "scale(1,-1)", "d": glyph.path})
    return group


def glyph_use(glyph: Glyph, x: float, y: float, scale: float) -> etree._Element:
    """A use of a glyph with its origin at x, y; `scale` is the font size over 1000."""
    return etree.Element(
        f"{{{SVG}}}use",
        {
            XLINK_HREF: f"#{glyph.name}",
            "transform": f"translate({x:.0f},{y:.0f}) scale({scale:.4g})",
        },
    )


def draw_run(run: Run, x: float, y: float, size: float, glyphs: dict[str, Glyph]) -> list[etree._Element]:
    """The uses that draw a run with its baseline at x, y; the glyphs needed are added to `glyphs`."""
    scale = size / 1000
    uses = []
    for placed in run.glyphs:
        glyphs[placed.glyph.name] = placed.glyph
        uses.append(glyph_use(placed.glyph, x + scale * placed.x, y - scale * placed.y, scale * placed.scale))
    return uses


def _outlined(segments: list[_Segment], runs: Runs, glyphs: dict[str, Glyph]) -> etree._Element:
    group = etree.Element(f"{{{SVG}}}g", {"class": "text", "role": "img"})
    group.set("aria-label", "".join(segment.words for segment in segments).strip())
    for line in _lines(segments):
        widths = [
            segment.style.size * runs[segment.words, segment.style.face].advance / 1000 for segment in line
        ]
        x, y = line[0].x or 0.0, line[0].y or 0.0
        x -= {"middle": 0.5, "end": 1.0}.get(line[0].style.anchor, 0.0) * sum(widths)
        for segment, width in zip(line, widths, strict=True):
            y += segment.dy
            run = runs[segment.words, segment.style.face]
            uses = draw_run(run, x, y, segment.style.size, glyphs)
            for use in uses:
                if segment.style.fill:
                    use.set("fill", segment.style.fill)
            group.extend(uses)
            x += width
    return group


def _lines(segments: list[_Segment]) -> Iterator[list[_Segment]]:
    """Segments grouped by the places where a new x begins a line; a lone new y goes on at the old x."""
    line: list[_Segment] = []
    for segment in segments:
        if line and segment.x is not None:
            yield line
            line = []
        line.append(segment)
    if line:
        yield line


def _segments(element: etree._Element, style: _Style, start: _Place | None) -> Iterator[_Segment]:
    """The text under an element in order, each piece with its style."""
    style = _styled(element, style)
    x, y, dy = (_number(element.get(name)) for name in ("x", "y", "dy"))
    if start is None:
        place: _Place = (x or 0.0, y or 0.0, dy or 0.0)
    else:
        place = (start[0] if x is None else x, start[1] if y is None else y, start[2] + (dy or 0.0))
    pieces: list[tuple[str | None, list[etree._Element]]] = [(element.text, [])]
    for child in element:
        pieces += [(None, [child]), (child.tail, [])]
    for words, children in pieces:
        if words and words.strip("\n\t"):
            # A music font's space is a hair; a text font's would tear a note from its dot.
            words = words.replace(" ", "\u200a") if style.music else words.replace("\n", " ")
            yield _Segment(words, style, *place)
            place = (None, None, 0.0)
        for child in children:
            inner = list(_segments(child, style, place))
            yield from inner
            if inner:
                place = (None, None, 0.0)


def _styled(element: etree._Element, style: _Style) -> _Style:
    face = style.face
    if element.get("font-style"):
        face = replace(face, italic=element.get("font-style") in ("italic", "oblique"))
    if element.get("font-weight"):
        face = replace(
            face, weight=_HEAVY if element.get("font-weight") in ("bold", "bolder", "700") else 400
        )
    size = _number(element.get("font-size"))
    family = element.get("font-family")
    return _Style(
        face,
        size if size is not None else style.size,
        element.get("text-anchor", style.anchor),
        element.get("fill", style.fill),
        style.music if family is None else "serif" not in family and "Times" not in family,
    )


def _inherited(text: etree._Element) -> _Style:
    """What verovio's style sheet says of the text: bold tempo marks, italic directions and so on."""
    classes = {
        name
        for ancestor in text.iterancestors(f"{{{SVG}}}g")
        for name in ancestor.get("class", "").split()[:1]
    }
    if classes & _PLAIN:
        return _Style()
    return _Style(Face(bool(classes & _ITALIC), _HEAVY if classes & _BOLD else 400))


def _keep_as_text(text: etree._Element) -> None:
    text.set("font-family", "serif")
    for element in text.iter(f"{{{SVG}}}text", f"{{{SVG}}}tspan"):
        # Some renderers drop text inside an element whose own size is 0.
        if _number(element.get("font-size")) == 0:
            element.set("font-size", "1px")


def _number(text: str | None) -> float | None:
    if not text:
        return None
    try:
        return float(text.removesuffix("px"))
    except ValueError:
        return None
