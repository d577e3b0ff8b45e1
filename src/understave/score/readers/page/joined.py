"""Several pictures of pages, in order, as one file: names and bytes in, a TIFF with a page for each out.

The pages are grey and upright (photographs say in EXIF how they were held); what was compressed with loss is
compressed so again, the rest without. The same pictures give the same bytes, and nothing of where or when a
photograph was taken is kept.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from pathlib import Path

from understave.errors import ScoreError
from understave.score.formats import JPEG, PICTURE_SUFFIXES, PICTURES_BEGIN
from understave.score.pages_heard import pages_heard
from understave.score.readers.page.ink import MOST_PAGES
from understave.score.readers.page.picture_files import pictures_in
from understave.score.remarks import Remark

SUFFIX = ".tiff"
_QUALITY = 92
"""JPEG's, of pages that came as JPEG. Set by eye."""
_DOTS = 300
"""Said of every page: TIFF wants a number, nothing of ours asks for it."""


def natural(name: str) -> tuple[tuple[bool, int, str], ...]:
    """Return what names are ordered by: numbers in them count as numbers, letters in either case alike."""
    return tuple(
        (not part.isdigit(), int(part) if part.isdigit() else 0, "" if part.isdigit() else part)
        for part in re.split(r"([0-9]+)", name.casefold())
        if part
    )


def in_order(paths: Sequence[Path]) -> list[Path]:
    """Return the files in the order in which they are given, or as numbers in their names count.

    Shells list ``page10`` before ``page2``: files that come so come by number.
    """
    given = list(paths)
    return sorted(given, key=lambda path: natural(path.name)) if given == sorted(given) else given


def pages_in(folder: Path) -> list[Path]:
    """Return the picture files of a folder, in order; those whose names begin with a dot are left out."""
    found = [
        p for p in folder.iterdir() if p.suffix.lower() in PICTURE_SUFFIXES and not p.name.startswith(".")
    ]
    return in_order(sorted(p for p in found if p.is_file()))


def joined(pages: Sequence[tuple[str, bytes]]) -> bytes:
    """Return pictures, each with its file's name, as the pages of one TIFF; raise ScoreError.

    Only pictures can be joined: of anything else the sentence names the file.
    """
    for name, data in pages:
        if not data.startswith(PICTURES_BEGIN):
            raise ScoreError(
                Remark(
                    "joined_other",
                    "{file} is no picture of a page (PNG, JPEG, TIFF), and only pictures are put together as "
                    "one piece; give it alone, or leave it out.",
                    file=name,
                )
            )
    from PIL import Image, TiffImagePlugin

    made = io.BytesIO()
    count = 0
    with TiffImagePlugin.AppendingTiffWriter(made, True) as file, pages_heard(lambda page, of: None):
        for name, data in pages:
            lossy = data.startswith(JPEG)
            for grey in pictures_in(data, name):
                count += 1
                if count > MOST_PAGES:
                    raise ScoreError(
                        Remark(
                            "joined_pages",
                            "These are over {most} pages; give one piece at a time.",
                            most=MOST_PAGES,
                        )
                    )
                how = (
                    {"compression": "jpeg", "quality": _QUALITY} if lossy else {"compression": "tiff_deflate"}
                )
                Image.fromarray(grey).save(file, "TIFF", dpi=(_DOTS, _DOTS), **how)
                file.newFrame()
    return made.getvalue()
