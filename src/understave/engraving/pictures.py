"""SVG pages in, PNG or PDF bytes out, made by typst, which travels as a wheel and needs no other program."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from html import unescape
from typing import Any, Literal

import typst

from understave.engraving.standards import declared
from understave.engraving.text_layer import Written, texts_of
from understave.errors import UnderstaveError
from understave.theory.vocabulary import Language

_SIZE = re.compile(r'<svg[^>]*? width="([\d.]+)mm" height="([\d.]+)mm"')
_FOOT_MM = 25.0
"""How high the foot of a page may reach."""
_TITLE = re.compile(r'<svg[^>]*? aria-label="(.*?)(?: ?page \d+ of \d+)?"')


def to_png(svg: str, width: int) -> bytes:
    """Render an SVG document of this package as a PNG image `width` pixels wide, on white."""
    if width < 1:
        raise UnderstaveError(f"A picture cannot be {width} pixels wide; give a width of at least 1.")
    across, _ = _size_mm(svg)
    return _compile([svg], "png", ppi=width / (across / 25.4))


def to_pdf(pages: Sequence[str], language: Language = "en", dated: int = 0) -> bytes:
    """Bind SVG documents into one PDF, each on a page of its own size, its words searchable and bookmarked.

    `language` is that of the words on the pages, for whoever has them read aloud; `dated` is the date of the
    document in seconds from 1970 on.
    """
    if not pages:
        raise UnderstaveError("There is no page to make a PDF of.")
    return _compile(pages, "pdf", language=language, dated=dated)


def _size_mm(svg: str) -> tuple[float, float]:
    found = _SIZE.search(svg)
    if not found:
        raise UnderstaveError("Only pages and excerpts engraved by this program can be turned into pictures.")
    return float(found[1]), float(found[2])


_TEMPLATE = """
#let data = json(bytes(sys.inputs.data))
#set document(title: data.title)
#set page(margin: 0pt, fill: white)
#set text(font: "Libertinus Serif", fill: rgb(0, 0, 0, 0%), lang: data.language)
// Text that is not seen, as wide as the outlines under it. What is a heading is a bookmark too; what comes
// again at the foot of each page is no part of what is read aloud.
#let laid(words, x, y, width, size, level) = place(top + left, dx: x * 1mm, dy: y * 1mm, context {
  let plain = text.with(
    size: size * 1mm, weight: "regular", top-edge: "baseline", bottom-edge: "baseline",
  )
  show heading: it => box(plain(it.body))
  let line = box(plain(words))
  let set-wide = scale.with(x: 100% * (width * 1mm / calc.max(measure(line).width, 0.01mm)), origin: left)
  if level > 0 { set-wide(heading(level: level, words)) }
  else if level < 0 { pdf.artifact(kind: "footer", set-wide(line)) }
  else { set-wide(line) }
})
#for (number, page-data) in data.pages.enumerate() {
  page(width: page-data.width * 1mm, height: page-data.height * 1mm, {
    place(top + left, image(
      bytes(sys.inputs.at("page" + str(number))),
      format: "svg", alt: data.title, width: 100%, height: 100%,
    ))
    for text in page-data.texts { laid(..text) }
  })
}
"""


def _compile(
    pages: Sequence[str],
    format: Literal["png", "pdf"],
    ppi: float | None = None,
    language: Language = "en",
    dated: int = 0,
) -> bytes:
    found = _TITLE.search(pages[0])
    title = unescape(found[1]).strip() if found else ""
    data = {
        "title": title,
        "language": language,
        "pages": _laid_out(pages, title, with_texts=format == "pdf"),
    }
    inputs = {f"page{number}": page for number, page in enumerate(pages)}

    def compiled(standards: Any) -> bytes | list[bytes]:
        return typst.compile(
            _TEMPLATE.encode(),
            format=format,
            ppi=ppi,
            # Only text that no font of ours covers is left as text; then the machine's fonts may help.
            ignore_system_fonts=not any("<text" in page for page in pages),
            sys_inputs={"data": json.dumps(data), **inputs},
            pdf_standards=standards,
            timestamp=dated,
        )

    if format == "pdf":
        return declared(compiled)
    made = compiled(None)
    return made if isinstance(made, bytes) else made[0]


def _laid_out(pages: Sequence[str], title: str, with_texts: bool) -> list[dict[str, Any]]:
    """The size of each page in millimetres and the texts to lay over it, as plain values.

    Each text comes with its place, width, size and level: 1 for the title, 2 for a key where it begins (1
    where there is no title), below 0 for what stands at the foot of each page, 0 for all else.
    """
    laid = []
    for number, page in enumerate(pages):
        width, height = _size_mm(page)
        texts = [
            (w.text, w.x, w.y, w.width, w.size, _level(w, title, number, height))
            for w in (texts_of(page) if with_texts else ())
        ]
        if with_texts and title and number == 0 and not any(text[-1] == 1 for text in texts):
            texts.insert(0, (title, 0.0, 1.0, 1.0, 1.0, 1))  # printed on several lines, or not at all
        laid.append({"width": width, "height": height, "texts": texts})
    return laid


def _level(written: Written, title: str, page: int, height: float) -> int:
    if written.role == "words" and written.text == title and page == 0:
        return 1
    if written.role == "words" and page > 0 and written.y > height - _FOOT_MM:
        return -1 if written.text == title or written.text.isdigit() else 0
    # In brackets stands a key that goes on from the system before.
    if written.role == "key" and not written.text.startswith("("):
        return 2 if title else 1
    return 0
