"""Signs of slips at the heads of notes, each kind by shape as well as colour: `slip_signs`, `SIGNS`.

In: a `System`, the ids of notes by kind of slip. Out: SVG. Another key struck: a filled diamond behind the
head; none struck: a broken ring around it; one struck besides: a cross beside it. The hues are those of
`palette`, with at least 3 : 1 on white (WCAG 2.2, 1.4.11); `viewer/slip-signs.js` draws the same in the
browser.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lxml import etree

from understave.engraving.geometry import SVG, Box
from understave.engraving.notation import SPACE, System
from understave.engraving.palette import Function, colour_of

SIGNS: Mapping[str, str] = {
    "wrong": colour_of(Function.DOMINANT),
    "missed": colour_of(Function.TONIC),
    "extra": colour_of(Function.APPLIED),
}
"""Kinds of slips and the colour of each."""
_AROUND, _LINE, _ARM = 0.55 * SPACE, 0.2 * SPACE, 0.55 * SPACE
"""How far a sign reaches beyond the head, its line, and half of the cross (set by eye)."""


def slip_signs(system: System, notes: Mapping[str, Sequence[str]]) -> etree._Element:
    """Return the signs of a system, to go behind its notes; `notes` are ids by kind of slip."""
    group = etree.Element(f"{{{SVG}}}g", {"class": "slips"})
    kinds = {kind: set(notes.get(kind, ())) for kind in SIGNS}
    for ink in system.ink:
        if ink.kind == "notehead":
            group.extend(sign(kind, ink.box) for kind, wanted in kinds.items() if ink.id in wanted)
    return group


def sign(kind: str, head: Box) -> etree._Element:
    """Return the sign of a kind of slip at a notehead."""
    x, y = (head.x0 + head.x1) / 2, (head.y0 + head.y1) / 2
    wide, high = head.width / 2 + _AROUND, head.height / 2 + _AROUND
    look = {"class": kind, "fill": "none", "stroke": SIGNS[kind], "stroke-width": f"{_LINE:.0f}"}
    if kind == "missed":
        place = {"cx": f"{x:.0f}", "cy": f"{y:.0f}", "rx": f"{wide:.0f}", "ry": f"{high:.0f}"}
        dash = {"stroke-dasharray": f"{1.6 * _LINE:.0f} {1.4 * _LINE:.0f}"}
        return etree.Element(f"{{{SVG}}}ellipse", look | place | dash)
    if kind == "wrong":
        wide, high = 1.25 * wide, 1.25 * high
        path = (
            f"M{x:.0f} {y - high:.0f}L{x + wide:.0f} {y:.0f}L{x:.0f} {y + high:.0f}L{x - wide:.0f} {y:.0f}Z"
        )
        return etree.Element(f"{{{SVG}}}path", look | {"d": path, "fill": "#FCE3D2"})
    x, y = head.x1 + _ARM, head.y0 - 0.6 * _ARM
    path = f"M{x - _ARM:.0f} {y:.0f}h{2 * _ARM:.0f}M{x:.0f} {y - _ARM:.0f}v{2 * _ARM:.0f}"
    return etree.Element(f"{{{SVG}}}path", look | {"d": path, "stroke-width": f"{1.4 * _LINE:.0f}"})
