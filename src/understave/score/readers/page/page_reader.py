"""Engraved pages read back: a PDF made by a notation program in, a `Score` out.

`ink` and `fonts` say what is painted, `smufl` which symbols that is, `layout` sorts it into staves and
systems, `events` joins heads, stems and beams, `bars` finds clefs, keys and meters, `tuplets` and `solving`
put a bar in time, `curves` tells ties from slurs, `assembly` makes the score.
"""

from __future__ import annotations

from collections.abc import Collection

from understave.errors import ScoreError
from understave.score.model import Score
from understave.score.readers.page.assembly import assemble
from understave.score.readers.page.ink import read_pages
from understave.score.readers.page.layout import sort_page


def read_page(data: bytes, name: str = "score.pdf", *, without: Collection[str] = ()) -> Score:
    """Read a PDF whose pages a notation program has engraved.

    `without` names SMuFL fonts whose shapes are not to be known (for measuring). Raises ScoreError with one
    sentence for pages that hold no music in five-line staves, or only pictures.
    """
    pages = read_pages(data, name)
    sheets = [
        (i, sheet) for i, page in enumerate(pages, 1) if (sheet := sort_page(page, without)) is not None
    ]
    music = [(i, sheet) for i, sheet in sheets if sheet.systems]
    if not music:
        raise ScoreError(
            _why_nothing([page.pictures for page in pages], [s.other_lines for _, s in sheets], name)
        )
    return assemble(music, name)[0]


def _why_nothing(pictures: list[float], others: list[int], name: str) -> str:
    if 6 in others:
        return f"{name} holds tablature, which is not read; give the piece in staves of five lines."
    if 4 in others:
        return f"{name} holds staves of four lines, as chant has; only staves of five lines are read."
    if max(pictures, default=0.0) > 0.2:
        return (
            f"{name} holds pictures of pages (a scan or photographs), and those are not read yet; give a PDF "
            "that a notation program has made, or enter the piece there and export MusicXML."
        )
    return f"{name} has no staff lines on its pages; give a PDF that a notation program has made."
