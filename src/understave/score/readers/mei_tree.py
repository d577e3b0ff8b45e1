"""MEI elements in; their names, contents and texts out, with one reading taken of every variant."""

from __future__ import annotations

import re
from collections.abc import Iterator

from lxml import etree

XML_ID = "{http://www.w3.org/XML/1998/namespace}id"
# Editorial and grouping elements whose contents stand in their place (MEI Guidelines 4.0, ch. 11).
_TRANSPARENT = {
    "supplied", "corr", "reg", "orig", "sic", "add", "unclear", "damage", "restore", "expan", "abbr",
    "lem", "rdg", "ossia", "refrain", "syllable",
}  # fmt: skip
_LEFT_OUT = {"del", "gap", "oStaff", "oLayer", "annot", "app", "choice", "subst"}
_PREFERRED = {
    "choice": ("corr", "reg", "expan", "sic", "orig", "abbr"),
    "app": ("lem", "rdg"),
    "subst": ("add",),
}


def tag(element: etree._Element) -> str:
    """Return an element's name without its namespace; ``""`` for comments and instructions."""
    return etree.QName(element).localname if isinstance(element.tag, str) else ""


def children(element: etree._Element) -> Iterator[etree._Element]:
    """Yield child elements; of a choice the correction, of an apparatus the lemma or first reading."""
    for child in element:
        name = tag(child)
        if name in _PREFERRED:
            options = {tag(element): element for element in reversed(child) if tag(element)}
            best = next((options[p] for p in _PREFERRED[name] if p in options), None)
            if best is not None:
                yield from children(best)
        elif name in _TRANSPARENT:
            yield from children(child)
        elif name and name not in _LEFT_OUT:
            yield child


def text_of(element: etree._Element | None) -> str:
    """Return an element's text, one reading of it, with runs of white space made single spaces."""
    if element is None:
        return ""
    pieces = [element.text or ""]
    for child in element:
        name = tag(child)
        if name in _PREFERRED:
            best = next(
                (element for p in _PREFERRED[name] for element in child if tag(element) == p),
                None,
            )
            pieces.append(text_of(best))
        elif name == "lb":
            pieces.append(" ")
        elif name and name not in _LEFT_OUT:
            pieces.append(text_of(child))
        pieces.append(child.tail or "")
    return " ".join("".join(pieces).split())


def reference(text: str | None) -> str:
    """Return the id that a reference such as ``"#n1"`` points to."""
    return (text or "").strip().rpartition("#")[2]


def whole(text: str | None) -> int | None:
    """Read a whole number; None if there is none."""
    return int(text) if text and re.fullmatch(r"\s*[+-]?\d{1,9}\s*", text) else None


def number(text: str | None) -> float | None:
    """Read a decimal number; None if there is none."""
    return float(text) if text and re.fullmatch(r"\s*[+-]?(\d{1,9}(\.\d*)?|\.\d+)\s*", text) else None
