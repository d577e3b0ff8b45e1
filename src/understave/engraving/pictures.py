"""SVG pages in, PNG or PDF bytes out, made by typst, which travels as a wheel and needs no other program."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from html import unescape
from typing import Any, Literal

import typst

from understave.engraving.text_layer import texts_of
from understave.errors import UnderstaveError
from understave.theory.vocabulary import Language

_SIZE = re.compile(r'<svg[^>]*? width="([\d.]+)mm" height="([\d.]+)mm"')
_TITLE = re.compile(r'<svg[^>]*? aria-label="(.*?)(?: ?page \d+ of \d+)?"')


def to_png(svg: str, width: int) -> bytes:
    """Render an SVG document of this package as a PNG image `width` pixels wide, on white."""
    if width < 1:
        raise UnderstaveError(f"A picture cannot be {width} pixels wide; give a width of at least 1.")
    across, _ = _size_mm(svg)
    return _compile([svg], "png", ppi=width / (across / 25.4))


def to_pdf(pages: Sequence[str], language: Language = "en") -> bytes:
    """Bind SVG documents into one PDF, each on a page of its own size, its words searchable and bookmarked.

    `language` is that of the words on the pages, for whoever has them read aloud.
    """
    if not pages:
        raise UnderstaveError("There is no page to make a PDF of.")
    return _compile(pages, "pdf", language=language)


def _size_mm(svg: str) -> tuple[float, float]:
    found = _SIZE.search(svg)
    if not found:
        raise UnderstaveError("Only pages and excerpts engraved by this program can be turned into pictures.")
    return float(found[1]), float(found[2])


_TEMPLATE = """
#let data = json(bytes(sys.inputs.data))
#set document(title: data.title, date: none)
#set page(margin: 0pt, fill: white)
#set text(font: "Libertinus Serif", fill: rgb(0, 0, 0, 0%), lang: data.language)
// A heading is a bookmark here; what it says is in the picture and in the layer of text.
#show heading: none
// Text that is not seen, as wide as the outlines under it.
#let laid(words, x, y, width, size) = place(top + left, dx: x * 1mm, dy: y * 1mm, context {
  let line = box(text(size: size * 1mm, top-edge: "baseline", bottom-edge: "baseline", words))
  scale(x: 100% * (width * 1mm / calc.max(measure(line).width, 0.01mm)), origin: left, line)
})
#for (number, page-data) in data.pages.enumerate() {
  page(width: page-data.width * 1mm, height: page-data.height * 1mm, {
    for (level, words, y) in page-data.bookmarks {
      place(top + left, dy: y * 1mm, heading(level: level, words))
    }
    place(top + left, image(
      bytes(sys.inputs.at("page" + str(number))),
      format: "svg", alt: data.title, width: 100%, height: 100%,
    ))
    for text in page-data.texts { laid(..text) }
  })
}
"""


def _compile(
    pages: Sequence[str], format: Literal["png", "pdf"], ppi: float | None = None, language: Language = "en"
) -> bytes:
    found = _TITLE.search(pages[0])
    title = unescape(found[1]).strip() if found else ""
    data = {
        "title": title,
        "language": language,
        "pages": _laid_out(pages, title, with_texts=format == "pdf"),
    }
    inputs = {f"page{number}": page for number, page in enumerate(pages)}

    def compiled(accessible: bool) -> bytes | list[bytes]:
        return typst.compile(
            # Without a date the same pages always give the same bytes.
            _TEMPLATE.encode(),
            format=format,
            ppi=ppi,
            # Only text that no font of ours covers is left as text; then the machine's fonts may help.
            ignore_system_fonts=not any("<text" in page for page in pages),
            sys_inputs={"data": json.dumps(data), **inputs},
            pdf_standards=["ua-1"] if accessible else None,
        )

    try:
        # PDF/UA-1 (ISO 14289-1); it wants a title, and characters that some font has.
        made = compiled(format == "pdf" and bool(title))
    except typst.TypstError:
        made = compiled(False)
    return made if isinstance(made, bytes) else made[0]


def _laid_out(pages: Sequence[str], title: str, with_texts: bool) -> list[dict[str, Any]]:
    """The size of each page in millimetres, the texts to lay over it and its bookmarks, as plain values.

    Bookmarks are the title and, under it, each key where it begins.
    """
    laid = []
    for number, page in enumerate(pages):
        width, height = _size_mm(page)
        texts = texts_of(page) if with_texts else ()
        bookmarks: list[tuple[int, str, float]] = []
        if with_texts and title and number == 0:
            bookmarks.append((1, title, 0.0))
        bookmarks += [
            (2 if title else 1, written.text, max(0.0, written.y - written.size))
            for written in texts
            # In brackets stands a key that goes on from the system before.
            if written.role == "key" and not written.text.startswith("(")
        ]
        laid.append(
            {
                "width": width,
                "height": height,
                "texts": [
                    (written.text, written.x, written.y, written.width, written.size) for written in texts
                ],
                "bookmarks": bookmarks,
            }
        )
    return laid
