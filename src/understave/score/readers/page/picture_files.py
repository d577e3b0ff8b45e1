"""Picture files and PDFs of pictures: bytes in, the grey values of their pages out.

Pillow opens them; it comes with the extra ``understave[page]``.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

from understave.errors import ScoreError, UnderstaveError
from understave.score.pages_heard import tell_page
from understave.score.readers.page.ink import MOST_PAGES
from understave.score.remarks import Remark

Grey = npt.NDArray[np.uint8]
MOST_PIXELS = 60_000_000
"""Pixels of a page; A3 at 400 dpi has 31 million."""
MOST_DOTS, ENOUGH = 500_000_000, 12_000_000
"""Dots of a page in a PDF that is only black and white, A4 at 1200 dpi has 139 million; it is made smaller on
the way, to so many pixels: A4 at 350 dpi.
"""


def pictures_in(data: bytes, name: str, first: int = 1) -> Iterator[Grey]:
    """Yield the pages of a picture file (a TIFF may hold several), upright, from the `first` on; raise
    ScoreError.
    """
    pillow = _pillow()
    from PIL import ImageOps, ImageSequence

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of pictures that are large, which are refused below
            opened = pillow.open(io.BytesIO(data), formats=("PNG", "JPEG", "TIFF"))
            for number, frame in enumerate(islice(ImageSequence.Iterator(opened), first - 1, None), first):
                if number > MOST_PAGES:
                    raise ScoreError(
                        Remark(
                            "picture_pages",
                            "{file} has over {most} pages; give one piece at a time.",
                            file=name,
                            most=MOST_PAGES,
                        )
                    )
                _not_too_large(frame, name, number)
                tell_page(number, getattr(opened, "n_frames", 1))
                yield _grey(ImageOps.exif_transpose(frame) or frame)
    except UnderstaveError:  # ours, or of whoever hears of each page
        raise
    except Exception as error:  # a damaged file makes the library fail in any way
        raise ScoreError(
            Remark(
                "picture_damaged",
                "{file} is not a score but a damaged picture, which cannot be opened; scan the page again.",
                file=name,
            )
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
    turn = -int(page.get("/Rotate", 0) or 0) % 360
    try:
        large = _large_picture(page)
        if large is not None:
            # Indexed colours may have any two for black and white.
            plain = large.get("/BitsPerComponent") == 1 and "/Indexed" not in repr(large.get("/ColorSpace"))
            most = MOST_DOTS if plain else MOST_PIXELS
            _not_more(int(large["/Width"]) * int(large["/Height"]), most, name, number)
            return np.rot90(_fewer_dots(large), turn // 90)
        shown = [image.image for image in page.images if image.image is not None]
    except ScoreError:
        raise
    except Exception as error:  # a coding that the library lacks, or a damaged one
        raise ScoreError(
            Remark(
                "picture_closed",
                "The picture on page {page} of {file} cannot be opened; save that page as PNG and give it.",
                page=number,
                file=name,
            )
        ) from error
    if not shown:
        return None
    largest = max(shown, key=lambda image: image.size[0] * image.size[1])
    _not_too_large(largest, name, number)
    return _grey(largest.rotate(turn, expand=True) if turn else largest)


def _large_picture(page: Any) -> Any:
    """Return the picture on a page that is larger than `MOST_PIXELS`, None where none is."""
    found = page.get("/Resources", {}).get("/XObject", {})
    for held in found.values():
        picture = held.get_object()
        size = int(picture.get("/Width", 0)) * int(picture.get("/Height", 0))
        if picture.get("/Subtype") == "/Image" and size > MOST_PIXELS:
            return picture
    return None


def _fewer_dots(picture: Any) -> Grey:
    """Return a picture in black and white made smaller, a strip at a time (ISO 32000-1, 8.9.5: rows of bits
    that end with a byte; 1 is white unless ``/Decode`` turns it round).
    """
    width, height = int(picture["/Width"]), int(picture["/Height"])
    rows = np.frombuffer(picture.get_data(), np.uint8).reshape(height, -(-width // 8))
    by = int(np.ceil((width * height / ENOUGH) ** 0.5))
    out = np.empty((height // by, width // by), np.uint8)
    for y in range(len(out)):
        dots = np.unpackbits(rows[y * by : (y + 1) * by], axis=1)[:, : out.shape[1] * by]
        out[y] = dots.reshape(by, -1, by).mean(axis=(0, 2)) * 255
    turned = [float(value) for value in picture.get("/Decode", (0, 1))] == [1, 0]
    return 255 - out if turned else out


def _pillow() -> Any:
    try:
        from PIL import Image
    except ImportError as error:
        raise ScoreError(
            Remark(
                "picture_package",
                "A picture of a page needs one more package (pillow); install it with "
                "'pip install understave[page]', or export the piece as MusicXML.",
            )
        ) from error
    return Image


def _not_too_large(image: Any, name: str, number: int) -> None:
    width, height = image.size
    _not_more(width * height, MOST_PIXELS, name, number)


def _not_more(pixels: int, most: int, name: str, number: int) -> None:
    if pixels > most:
        raise ScoreError(
            Remark(
                "picture_large",
                "Page {page} of {file} has {millions} million pixels; save it at 300 dpi, which is enough.",
                page=number,
                file=name,
                millions=pixels // 1_000_000,
            )
        )


def _grey(image: Any) -> Grey:
    if "transparency" in image.info or image.mode in ("RGBA", "LA", "PA"):
        from PIL import Image

        paper = Image.new("RGBA", image.size, "white")
        paper.alpha_composite(image.convert("RGBA"))
        image = paper
    return np.asarray(image.convert("L"))
