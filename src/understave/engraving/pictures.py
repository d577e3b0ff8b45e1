"""SVG pages in, PNG or PDF bytes out, made by typst, which travels as a wheel and needs no other program."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import unescape
from typing import Literal

import typst

from understave.errors import UnderstaveError

_SIZE = re.compile(r'<svg[^>]*? width="([\d.]+)mm" height="([\d.]+)mm"')
_TITLE = re.compile(r'<svg[^>]*? aria-label="(.*?)(?: ?page \d+ of \d+)?"')


def to_png(svg: str, width: int) -> bytes:
    """Render an SVG document of this package as a PNG image `width` pixels wide, on white."""
    if width < 1:
        raise UnderstaveError(f"A picture cannot be {width} pixels wide; give a width of at least 1.")
    across, _ = _size_mm(svg)
    return _compile([svg], "png", ppi=width / (across / 25.4))


def to_pdf(pages: Sequence[str]) -> bytes:
    """Bind SVG documents into one PDF, each on a page of its own size."""
    if not pages:
        raise UnderstaveError("There is no page to make a PDF of.")
    return _compile(pages, "pdf")


def _size_mm(svg: str) -> tuple[float, float]:
    found = _SIZE.search(svg)
    if not found:
        raise UnderstaveError("Only pages and excerpts engraved by this program can be turned into pictures.")
    return float(found[1]), float(found[2])


def _compile(pages: Sequence[str], format: Literal["png", "pdf"], ppi: float | None = None) -> bytes:
    inputs = {f"page{number}": page for number, page in enumerate(pages)}
    title = _TITLE.search(pages[0])
    # Without a date the same pages always give the same bytes.
    lines = [
        "#set document(title: sys.inputs.title, date: none)",
        "#set page(margin: 0pt, fill: white)",
        '#let full = image.with(format: "svg", alt: sys.inputs.title, width: 100%, height: 100%)',
    ]
    for name, page in inputs.items():
        width, height = _size_mm(page)
        lines.append(f"#page(width: {width}mm, height: {height}mm, full(bytes(sys.inputs.{name})))")
    titled = format == "pdf" and title is not None and bool(title[1].strip())

    def compiled(accessible: bool) -> bytes | list[bytes]:
        return typst.compile(
            "\n".join(lines).encode(),
            format=format,
            ppi=ppi,
            # Only text that no font of ours covers is left as text; then the machine's fonts may help.
            ignore_system_fonts=not any("<text" in page for page in pages),
            sys_inputs={"title": unescape(title[1]) if title else "", **inputs},
            pdf_standards=["ua-1"] if accessible else None,
        )

    try:
        # PDF/UA-1 (ISO 14289-1); it wants a title, and characters that some font has.
        made = compiled(titled)
    except typst.TypstError:
        made = compiled(False)
    return made if isinstance(made, bytes) else made[0]
