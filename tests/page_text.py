"""The text of the pages of a PDF, read without the lines and heads that are drawn on them.

An engraved page is mostly drawn: to read each of its strokes takes pypdf twice as long as to read its words,
which no stroke moves.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from functools import cache

from pypdf import PageObject, PdfReader
from pypdf.generic import DecodedStreamObject, NameObject, StreamObject

STROKES = re.compile(rb"(?<=\s)(?:(?:-?[\d.]+ ){2,6}(?:m|l|c|v|y|re)\s|h\s(?=[-\d hfSsBnWq]))+")
"""Rows of operators that build a path (ISO 32000-2, 8.5.2)."""


def page_text(page: PageObject) -> str:
    """Return what `extract_text` returns."""
    whole = page.get_contents()
    if whole is not None:
        words = DecodedStreamObject()
        words.set_data(STROKES.sub(b"", whole.get_data()))
        page[NameObject("/Contents")] = words
        _plain(page)
    return page.extract_text()


def _plain(holder: PageObject | StreamObject) -> None:
    """Take the strokes out of the drawings that a page or a drawing holds."""
    drawings = holder.get("/Resources", {}).get("/XObject", {})
    for name in list(drawings):
        drawing = drawings[name]
        if drawing.get("/Subtype") != "/Form" or isinstance(drawing, DecodedStreamObject):
            continue
        words = DecodedStreamObject()
        words.update({k: v for k, v in drawing.items() if k not in ("/Filter", "/Length", "/DecodeParms")})
        words.set_data(STROKES.sub(b"", drawing.get_data()))
        drawings[NameObject(name)] = words
        _plain(words)


@cache
def page_texts(pdf: bytes) -> tuple[str, ...]:
    """Return the text of each page of a file, read once."""
    return tuple(_each(pdf))


def _each(pdf: bytes) -> Iterator[str]:
    for page in PdfReader(io.BytesIO(pdf)).pages:
        yield page_text(page)
