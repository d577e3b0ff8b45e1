"""A place on a page of a PDF or a picture file as a picture: the page's own ink, not what was read of it.

In: the file and a frame. Out: PNG. typst, which sets our papers, draws pages of other PDFs too.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

import typst

from understave.errors import ScoreError
from understave.score.readers.page.picture_files import Grey, picture_in_pdf, pictures_in
from understave.score.readers.page.told_signs import Frame

DOTS = 220.0
"""Dots an inch: a staff of 7 mm is 60 high, sharp on any screen it is shown on."""


def page_picture(data: bytes, frame: Frame, seen: bool = False) -> bytes:
    """Return what stands in a frame of a PDF as PNG; raise ScoreError where the page cannot be drawn.

    Of a PDF whose pages were `seen` as pictures, a frame is that of the picture on the page.
    """
    if b"%PDF-" not in data[:1024]:
        return _cut_out(next(pictures_in(data, "picture", frame.page)), frame)
    if seen:
        picture = picture_in_pdf(data, "the PDF", frame.page)
        assert picture is not None  # a bar was read on it
        return _cut_out(picture, frame)
    import pypdf
    from pypdf.generic import NameObject, NumberObject

    try:
        page = pypdf.PdfReader(io.BytesIO(data)).pages[frame.page - 1]
        # Places are counted in the whole sheet, as it lies in the file.
        page.cropbox = page.mediabox
        page[NameObject("/Rotate")] = NumberObject(0)
        writer = pypdf.PdfWriter()
        writer.add_page(page)
        wide, high = float(page.mediabox.width), float(page.mediabox.height)
        with tempfile.TemporaryDirectory(prefix="understave-") as folder:
            root = Path(folder)
            with (root / "page.pdf").open("wb") as file:
                writer.write(file)
            (root / "frame.typ").write_text(
                f"#set page(width: {(frame.x1 - frame.x0) * wide:.3f}pt, "
                f"height: {(frame.y1 - frame.y0) * high:.3f}pt, margin: 0pt, fill: white)\n"
                f"#place(dx: {-frame.x0 * wide:.3f}pt, dy: {-frame.y0 * high:.3f}pt, "
                f'image("page.pdf", width: {wide:.3f}pt, height: {high:.3f}pt))\n',
                encoding="utf-8",
            )
            made = typst.compile(
                root / "frame.typ", root=root, format="png", ppi=DOTS, ignore_system_fonts=True
            )
    except Exception as error:  # a damaged page makes the libraries fail in any way
        raise ScoreError(
            f"Page {frame.page} cannot be drawn ({type(error).__name__}); look at it in the file itself."
        ) from error
    assert isinstance(made, bytes)
    return made


def _cut_out(grey: Grey, frame: Frame) -> bytes:
    """Return what stands in a frame of a picture."""
    from PIL import Image

    height, width = grey.shape
    box = (frame.x0 * width, frame.y0 * height, frame.x1 * width, frame.y1 * height)
    made = io.BytesIO()
    Image.fromarray(grey).crop(tuple(round(side) for side in box)).save(made, "PNG")
    return made.getvalue()
