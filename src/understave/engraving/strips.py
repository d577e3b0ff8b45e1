"""Systems one by one, each a picture of its own that knows where its notes and labels lie.

In: a Score, its Reading and a stretch of measures. Out: `Strip`s in order, all in one size of print, for
what puts systems together in its own way: films, slides.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from fractions import Fraction

from lxml import etree

from understave.engraving.geometry import SVG, Box, affine, glyph_boxes, ink
from understave.engraving.notation import STAFF_HEIGHT_MM
from understave.engraving.options import DEFAULTS, Options
from understave.engraving.pages import blocks, document, moved
from understave.harmony.reading import Reading
from understave.score.model import Score

_MM = 100.0


@dataclass(frozen=True)
class Strip:
    """One system with its lanes as an SVG document, `width` by `height` millimetres.

    `left` is where its left edge lies, in millimetres, when the ends of all systems stand in line.

    Boxes are in millimetres from the picture's top left corner: `heads` of each written note's head by its
    id, `numerals` of the labels by the index of the span at which they begin, `bars` from the top staff's
    top line to the last one's bottom line, by the index of the measure. `start` and `end` are the moments
    it spans.
    """

    svg: str = field(repr=False)
    width: float
    height: float
    left: float
    start: Fraction
    end: Fraction
    heads: dict[str, Box]
    numerals: dict[int, Box]
    bars: dict[int, Box]


def strips(
    score: Score, reading: Reading, first: int, last: int, width_mm: float, options: Options = DEFAULTS
) -> tuple[Strip, ...]:
    """Engrave measures `first` to `last` (indexes, both included) in systems at most `width_mm` wide."""
    scale = options.staff_height(max(part.last_staff for part in score.parts)) / STAFF_HEIGHT_MM
    laid = blocks(score, reading, options, (width_mm - 3) / scale, (first, last))
    made = []
    for block in laid.blocks:
        frame = block.box.transformed((scale, 0, 0, scale, 0, 0)).grown(1.5 * _MM, 1.5 * _MM)
        page = etree.Element(f"{{{SVG}}}g")
        page.append(moved(block.group, 0, 0, scale))
        a, b = (score.measures[bar.index].number for bar in (block.system.bars[0], block.system.bars[-1]))
        svg = document(page, laid.definitions, frame, f"{score.title} measures {a} to {b}".strip())
        boxes = glyph_boxes(etree.fromstring(svg))
        heads: dict[str, list[Box]] = defaultdict(list)
        for piece in ink(block.group, boxes):
            if piece.kind == "notehead":
                heads[piece.id].append(piece.box)
        matrix = affine(block.group.get("transform", ""))
        numerals = {
            int(element.get("data-index", "0")): Box.around(
                i.box.transformed(matrix) for i in ink(element, boxes)
            )
            for element in block.group.iter(f"{{{SVG}}}g")
            if element.get("class") == "numeral"
        }
        top, bottom = block.system.staves[0][0], block.system.staves[-1][1]
        bars = {b.index: Box(b.x0, top, b.x1, bottom).transformed(matrix) for b in block.system.bars}
        made.append(
            Strip(
                svg,
                frame.width / _MM,
                frame.height / _MM,
                frame.x0 / _MM,
                block.system.start,
                block.system.end,
                {i: _placed(Box.around(b), frame) for i, b in heads.items()},
                {i: _placed(b, frame) for i, b in numerals.items() if not b.empty},
                {i: _placed(b, frame) for i, b in bars.items()},
            )
        )
    return tuple(made)


def _placed(box: Box, frame: Box) -> Box:
    scale = 1 / _MM
    return box.moved(-frame.x0, -frame.y0).transformed((scale, 0, 0, scale, 0, 0))
