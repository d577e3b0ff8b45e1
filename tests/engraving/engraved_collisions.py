"""Two independent ways of finding labels that touch something on an engraved page.

`touching` compares boxes of the SVG's shapes; `touching_ink` renders labels and notation apart with
typst and looks for pixels that both want.
"""

from __future__ import annotations

import io
from itertools import pairwise

import numpy as np
from lxml import etree
from PIL import Image

from understave.engraving.geometry import Box, Ink, affine, glyph_boxes, ink
from understave.engraving.pictures import to_png

LABELS = ("numeral", "key", "symbol")
SVG = "{http://www.w3.org/2000/svg}"


def lanes_of(root: etree._Element) -> list[etree._Element]:
    return [g for g in root.iter(f"{SVG}g") if g.get("class", "").startswith("lane ")]


def labels_of(root: etree._Element) -> list[etree._Element]:
    return [g for lane in lanes_of(root) for g in lane]


def _table(boxes: list[Box]) -> np.ndarray:
    return np.array([(b.x0, b.y0, b.x1, b.y1) for b in boxes]).reshape(-1, 4)


def _overlapped(table: np.ndarray, b: Box) -> np.ndarray:
    """Number the rows of a table that share more than an edge with a box (`Box.overlaps`)."""
    return np.flatnonzero(
        (table[:, 0] < b.x1) & (b.x0 < table[:, 2]) & (table[:, 1] < b.y1) & (b.y0 < table[:, 3])
    )


def touching(svg: str, apart: float = 0.0) -> list[str]:
    """Name every pair of shapes that come closer than `apart` hundredths of a millimetre."""
    root = etree.fromstring(svg.encode())
    boxes = glyph_boxes(root)
    found = []
    for system in [g for g in root.iter(f"{SVG}g") if g.get("class") == "system"]:
        labels = []
        for lane in lanes_of(system):
            moved = affine(lane.get("transform", ""))
            for label in lane:
                words = label.get("aria-label") or "line of a key"
                parts = [i.box.transformed(moved) for i in ink(label, boxes)]
                labels.append((words, label.get("class"), parts))
        others: list[Ink] = []
        for child in system:
            if not child.get("class", "").startswith(("lane ", "halos")):
                others += ink(child, boxes)
        table = _table([i.box for i in others])
        boxes_of_labels = _table([b for _, _, parts in labels for b in parts])
        owners = [number for number, (_, _, parts) in enumerate(labels) for _ in parts]
        for number, (words, kind, parts) in enumerate(labels):
            for b in parts:
                b = b.grown(apart, apart)
                found += [f"{words} touches {others[k].kind} {others[k].id}" for k in _overlapped(table, b)]
                hit = {owners[k] for k in _overlapped(boxes_of_labels, b)}
                for before in sorted(o for o in hit if o < number):
                    other, other_kind, _ = labels[before]
                    if kind or other_kind:
                        found.append(f"{words} touches {other}")
    return found


def between_words(svg: str) -> list[float]:
    """Return the gaps, in hundredths of a millimetre, between each sung word and the next in its system."""
    root = etree.fromstring(svg.encode())
    boxes = glyph_boxes(root)
    found = []
    for system in [g for g in root.iter(f"{SVG}g") if g.get("class") == "system"]:
        words = []
        for syllable in [g for g in system.iter(f"{SVG}g") if g.get("class") == "syl"]:
            parts = [i.box for i in ink(syllable, boxes)]
            words.append((min(b.x0 for b in parts), max(b.x1 for b in parts)))
        words.sort()
        found += [b[0] - a[1] for a, b in pairwise(words)]
    return found


def _mask(root: etree._Element, width: int) -> np.ndarray:
    png = to_png(etree.tostring(root, encoding="unicode"), width)
    return np.asarray(Image.open(io.BytesIO(png)).convert("L")) < 200


def touching_ink(svg: str, width: int = 2000) -> int:
    """Count pixels that both a label and something else has blackened, or a label within one pixel of it."""
    alone = etree.fromstring(svg.encode())
    for lane in lanes_of(alone):
        lane.getparent().remove(lane)
    lanes = etree.fromstring(svg.encode())
    body = lanes.findall(f"{SVG}g")[-1]
    for child in list(body):
        if child.get("class") != "system":
            body.remove(child)
        else:
            for part in list(child):
                if not part.get("class", "").startswith("lane "):
                    child.remove(part)
    notation, labels = _mask(alone, width), _mask(lanes, width)
    assert notation.any()
    grown = labels.copy()
    grown[1:] |= labels[:-1]
    grown[:-1] |= labels[1:]
    grown[:, 1:] |= labels[:, :-1]
    grown[:, :-1] |= labels[:, 1:]
    return int((notation & grown).sum())
