"""Picture files and PDFs of pictures: bytes in, the grey values of their pages out.

Pillow opens them; it comes with the extra ``understave[page]``.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from understave.errors import ScoreError, UnderstaveError
from understave.score.pages_heard import tell_page
from understave.score.readers.page.ink import MOST_PAGES

Grey = npt.NDArray[np.uint8]
MOST_PIXELS = 60_000_000
"""Pixels of a page; A3 at 400 dpi has 31 million."""


def pictures_in(data: bytes, name: str) -> Iterator[Grey]:
    """Yield the pages of a picture file (a TIFF may hold several), upright; raise ScoreError."""
    pillow = _pillow()
    from PIL import ImageOps, ImageSequence

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of pictures that are large, which are refused below
            opened = pillow.open(io.BytesIO(data), formats=("PNG", "JPEG", "TIFF"))
            for number, frame in enumerate(ImageSequence.Iterator(opened), 1):
                if number > MOST_PAGES:
                    raise ScoreError(f"{name} has over {MOST_PAGES} pages; give one piece at a time.")
                _not_too_large(frame, name, number)
                tell_page(number, getattr(opened, "n_frames", 1))
                yield _grey(ImageOps.exif_transpose(frame) or frame)
    except UnderstaveError:  # ours, or of whoever hears of each page
        raise
    except Exception as error:  # a damaged file makes the library fail in any way
        raise ScoreError(
            f"{name} is not a score but a damaged picture, which cannot be opened; scan the page again."
        ) from error


def pictures_in_pdf(data: bytes, name: str) -> Iterator[Grey | None]:
    """Yield the largest picture of each page of a PDF, turned as the page is; None for a page without one.

    Raises ScoreError.
    """
    import pypdf

    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    for number, page in enumerate(pages, 1):
        tell_page(number, len(pages))
        yield _picture_on(page, name, number)


def picture_in_pdf(data: bytes, name: str, number: int) -> Grey | None:
    """Return the picture of one page, counted from 1, as `pictures_in_pdf` yields it."""
    import pypdf

    return _picture_on(pypdf.PdfReader(io.BytesIO(data)).pages[number - 1], name, number)


def _picture_on(page: Any, name: str, number: int) -> Grey | None:
    _pillow()
    try:
        shown = [image.image for image in page.images if image.image is not None]
    except Exception as error:  # a coding that the library lacks, or a damaged one
        raise ScoreError(
            f"The picture on page {number} of {name} cannot be opened; save that page as PNG and give it."
        ) from error
    if not shown:
        return None
    largest = max(shown, key=lambda image: image.size[0] * image.size[1])
    _not_too_large(largest, name, number)
    turn = -int(page.get("/Rotate", 0) or 0) % 360
    return _grey(largest.rotate(turn, expand=True) if turn else largest)


def _pillow() -> Any:
    try:
        from PIL import Image
    except ImportError as error:
        raise ScoreError(
            "A picture of a page needs one more package (pillow); install it with "
            "'pip install understave[page]', or export the piece as MusicXML."
        ) from error
    return Image


def _not_too_large(image: Any, name: str, number: int) -> None:
    width, height = image.size
    if width * height > MOST_PIXELS:
        raise ScoreError(
            f"Page {number} of {name} has {width * height // 1_000_000} million pixels; "
            "save it at 300 dpi, which is enough."
        )


def _grey(image: Any) -> Grey:
    if "transparency" in image.info or image.mode in ("RGBA", "LA", "PA"):
        from PIL import Image

        paper = Image.new("RGBA", image.size, "white")
        paper.alpha_composite(image.convert("RGBA"))
        image = paper
    return np.asarray(image.convert("L"))
