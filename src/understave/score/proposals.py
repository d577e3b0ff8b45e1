"""Marks that we proposed in a MusicXML tree: told by their ids, and taken out so that no trace is left.

In: the root of a partwise or timewise tree. Out: the same tree with what its composer printed, and no more.
Each proposed mark carries an id that begins with `PREFIX`; a processing instruction keeps which version of
MusicXML the file had called itself before marks were written into it.
"""

from __future__ import annotations

from typing import cast

from lxml import etree

PREFIX = "understave-plan-"
TARGET = "understave-plan"
_PROPOSED = etree.XPath(f"descendant-or-self::*[starts-with(@id, '{PREFIX}')]")


def take_out_proposals(root: etree._Element) -> bool:
    """Take every proposed mark out of a tree, in place; return whether there was one."""
    proposed = cast(list[etree._Element], _PROPOSED(root))
    notes = [c for c in root if isinstance(c, etree._ProcessingInstruction) and c.target == TARGET]
    for element in proposed:
        _take_out(element)
    for note in notes:
        version = note.get("version") or "none"
        if version == "none":
            root.attrib.pop("version", "")
        else:
            root.set("version", version)
        _take_out(note)
    return bool(proposed or notes)


def _take_out(element: etree._Element) -> None:
    parent = element.getparent()
    assert parent is not None
    if element.tail:
        before = element.getprevious()
        if before is None:
            parent.text = (parent.text or "") + element.tail
        else:
            before.tail = (before.tail or "") + element.tail
    parent.remove(element)
