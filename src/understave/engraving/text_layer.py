"""An SVG page of ours in, its texts and where they stand out: for the text that a PDF lays over its outlines.

The pages are outlines, so that they look alike everywhere; what is to be found by a search or copied has to
be laid over them as text that is not seen, as on the pages of scanned books.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from lxml import etree

from understave.engraving.geometry import (
    IDENTITY,
    SVG,
    XLINK_HREF,
    Box,
    Matrix,
    affine,
    compose,
    glyph_boxes,
)

PRINTED = "data-printed"
"""What a label looks like where its words for screen readers are others: ``V7``, said as ``V 7``."""
_GROUP, _USE = f"{{{SVG}}}g", f"{{{SVG}}}use"
_UNIT_MM = 0.01
_EM = 1000.0
# Letters for signs of the music font: dynamics and notes of metronome marks (SMuFL 1.4, "Dynamics" and
# "Metronome marks"); a double flat is in no font that travels with typst.
_LETTERS = str.maketrans(
    {
        "\ue520": "p",
        "\ue521": "m",
        "\ue522": "f",
        "\ue523": "r",
        "\ue524": "s",
        "\ue525": "z",
        "\ue526": "n",
        "\ueca5": "♩",
        "\ueca7": "♪",
        "\u200a": "",
        "\u202f": " ",
        "\u00a0": " ",
        "𝄫": "♭♭",
        "𝄪": "x",
    }
)
_FINGERS = "fing"


@dataclass(frozen=True, slots=True)
class Written:
    """A text on a page: left end of its baseline, width and size in millimetres, the class of its group."""

    text: str
    x: float
    y: float
    width: float
    size: float
    role: str


def texts_of(svg: str) -> tuple[Written, ...]:
    """Return the texts of a page engraved here, from its top to its foot; fingering is left out."""
    root = etree.fromstring(svg.encode(), etree.XMLParser(huge_tree=True))
    left, top = (float(number) for number in root.get("viewBox", "0 0").split()[:2])
    boxes = glyph_boxes(root)
    found = [
        written for group, matrix in _groups(root) if (written := _written(group, matrix, boxes, left, top))
    ]
    return tuple(sorted(found, key=lambda written: (round(written.y, 1), written.x)))


def _groups(root: etree._Element) -> Iterator[tuple[etree._Element, Matrix]]:
    """The groups that have words for screen readers, with the matrix that leads from them to the page."""
    stack = [(root, IDENTITY)]
    while stack:
        element, matrix = stack.pop()
        if element.tag == f"{{{SVG}}}defs" or _FINGERS in element.get("class", "").split():
            continue
        matrix = compose(matrix, affine(element.get("transform", "")))
        if element.tag == _GROUP and element.get("aria-label"):
            yield element, matrix
        else:
            stack += [(child, matrix) for child in element if isinstance(child.tag, str)]


def _written(
    group: etree._Element, matrix: Matrix, boxes: dict[str, Box], left: float, top: float
) -> Written | None:
    """What a group of glyphs says and where; None if it draws something else or nothing that can be said."""
    glyphs = [
        (compose(matrix, affine(use.get("transform", ""))), boxes.get(use.get(XLINK_HREF, "#")[1:]))
        for use in group.iterchildren(_USE)
    ]
    words = (group.get(PRINTED) or group.get("aria-label") or "").translate(_LETTERS)
    text = " ".join("".join(c for c in words if not "\ue000" <= c <= "\uf8ff").split())
    if not glyphs or not text:
        return None
    first = glyphs[0][0]
    ink = Box.around(box.transformed(m) for m, box in glyphs if box is not None)
    if ink.empty:
        return None
    return Written(
        text,
        _UNIT_MM * (ink.x0 - left),
        _UNIT_MM * (first[5] - top),
        _UNIT_MM * ink.width,
        _UNIT_MM * _EM * max(m[3] for m, _ in glyphs),
        group.get("class", ""),
    )
