"""Engraved pages read back: a PDF made by a notation program, or pictures of pages, in; a `Score` out.

`ink` and `fonts` say what is painted, `smufl` which symbols that is, `layout` sorts it into staves and
systems, `events` joins heads, stems and beams, `bars` finds clefs, keys and meters (`unprinted_meter` infers
the one that none shows), `tuplets` and `solving` put a bar in time, `certainty` says how sure that is,
`curves` tells ties from slurs, `lyrics` finds the words of songs and `marks` all else around the notes,
`assembly` makes the score. What a person knows better is `told_signs`, `carried_signs` carries it on. Of
pictures (`picture_files`) `seen_page` makes the same sheets.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from understave.errors import ScoreError
from understave.score.model import Score
from understave.score.readers.page import seen_before
from understave.score.readers.page.assembly import PrintedBar, assemble
from understave.score.readers.page.certainty import Signs
from understave.score.readers.page.ink import Page, read_pages
from understave.score.readers.page.layout import Sheet, Symbol, sort_page
from understave.score.readers.page.picture_files import Grey, pictures_in, pictures_in_pdf
from understave.score.readers.page.seen_page import Looks, see
from understave.score.readers.page.told_signs import Told
from understave.score.remarks import Remark


def read_page(data: bytes, name: str = "score.pdf", *, without: Collection[str] = ()) -> Score:
    """Read a PDF whose pages a notation program has engraved, or pictures of pages (PNG, JPEG, TIFF, PDF).

    `without` names SMuFL fonts whose shapes are not to be known (for measuring). Raises ScoreError with one
    sentence for pages that hold no music in five-line staves, or pictures on which too little is sure.
    """
    return read_with_signs(data, name, without=without)[0]


def read_with_signs(
    data: bytes, name: str = "score.pdf", *, without: Collection[str] = ()
) -> tuple[Score, tuple[Signs, ...]]:
    """Read a PDF as `read_page` does; also return what tells of mistakes in each bar (`certainty.Signs`)."""
    score, bars = read_bars(data, name, without=without)
    return score, tuple(bar.signs for bar in bars)


def read_bars(
    data: bytes, name: str = "score.pdf", told: Sequence[Told] = (), *, without: Collection[str] = ()
) -> tuple[Score, tuple[PrintedBar, ...]]:
    """Read a PDF as `read_page` does, with what a person has `told` of it; also return where each bar stands.

    The pages of the last file are kept as they were sorted: telling more of them takes little time.
    """
    music, left_out = _sorted_pages(data, name, tuple(sorted(without)))
    fresh = [(number, replace(sheet, taken=set(), figures=set())) for number, sheet in music]
    score, bars = assemble(fresh, name, told)
    return replace(score, warnings=(*left_out, *score.warnings)), bars


@lru_cache(maxsize=1)
def _sorted_pages(
    data: bytes, name: str, without: tuple[str, ...]
) -> tuple[tuple[tuple[int, Sheet], ...], tuple[str, ...]]:
    """Return the pages with music, each with its number, and what is said of those that were left out."""
    if b"%PDF-" not in data[:1024]:
        return _seen_pages(pictures_in(data, name), name, WEIGHTS, seen_before.look)
    pages = read_pages(data, name)
    sheets = [sort_page(page, without) for page in pages]
    music = tuple((i, sheet) for i, sheet in enumerate(sheets, 1) if sheet is not None and sheet.systems)
    if not music and any(page.pictures > _PICTURE for page in pages):
        return _seen_pages(pictures_in_pdf(data, name), name, WEIGHTS, seen_before.look)
    if not music:
        raise ScoreError(_why_nothing([s.other_lines for s in sheets if s is not None], name))
    return music, _left_out(pages, sheets)


WEIGHTS = Path(__file__).with_name("page-eyes.onnx")
"""Those of `training.page_seeing` that come with the package."""
SEEN = Remark(
    "page_seen",
    "These pages were read as pictures, which is less sure than a PDF made by a notation program: on clean "
    "test pages about nine notes in ten were right, and two bars in three; on worn ones fewer.",
)
_SURE = 0.80
"""How sure the network is of all symbols on average, from which pages are read: below all clean pieces to
build with (0.84 to 0.91), above worn ones whose staves are not found as they are (0.70 to 0.78); text,
tables, tablature and chant come to 0.60 at most."""
_SHAPED = ("accidental", "rest", "gClef", "fClef", "cClef", "dynamic")
"""Symbols that tell a hand by their shape, as heads and dots do not, which are most of all symbols."""
_SURE_OF_SHAPES = 0.76
"""Likewise of these: of pieces to build with those printed, clean, worn and photographed, come to 0.79 and
more, those in a handwritten style to 0.74 at most."""


def _too_unsure(symbols: Sequence[Symbol]) -> tuple[float, float] | None:
    """Return how sure symbols are and how sure they ought to be, where that is more."""
    shaped = [symbol for symbol in symbols if symbol.name.startswith(_SHAPED)]
    for some, least in ((symbols, _SURE), (shaped, _SURE_OF_SHAPES)):
        if some and (sure := float(np.mean([symbol.sure for symbol in some]))) < least:
            return sure, least
    return None


def read_pictures(
    pictures: Iterable[Grey], name: str, weights: Path = WEIGHTS
) -> tuple[Score, tuple[Signs, ...]]:
    """Read pictures of pages, (height, width) each, 255 white, in order; also return each bar's signs.

    Raises ScoreError where no staves of five lines are seen, or too little is sure.
    """
    music, warnings = _seen_pages(pictures, name, weights)
    score, bars = assemble(music, name)
    return replace(score, warnings=(*warnings, *score.warnings)), tuple(bar.signs for bar in bars)


def _seen_pages(
    pictures: Iterable[Grey | None], name: str, weights: Path, looks: Looks | None = None
) -> tuple[tuple[tuple[int, Sheet], ...], tuple[str, ...]]:
    """Return the pictures with music, each with its page, and what is said of them and of the others.

    A page without a picture is None.
    """
    sheets: list[Sheet | None] = []
    sizes: list[tuple[int, ...]] = []
    for picture in pictures:
        sheets.append(None if picture is None else see(picture, weights, looks))
        sizes.append(() if picture is None else picture.shape)
    music = tuple((i, sheet) for i, sheet in enumerate(sheets, 1) if sheet is not None and sheet.systems)
    symbols = [symbol for _, sheet in music for symbol in sheet.symbols]
    if not symbols:
        raise ScoreError(
            Remark(
                "page_nothing_seen",
                "No staves of five lines are seen on {file} (handwriting, tablature and chant are not read); "
                "scan it anew, level and sharp, at 300 dpi, or give MusicXML or a notation program's own "
                "PDF.",
                file=name,
            )
        )
    if unsure := _too_unsure(symbols):
        raise ScoreError(
            Remark(
                "page_unsure",
                "Too little on {file} is seen for sure: the symbols to {sure} % on average, with {least} % "
                "needed (handwritten styles are not read); scan it anew, level and sharp, at 300 dpi, or "
                "give MusicXML or a notation program's own PDF.",
                file=name,
                sure=f"{100 * unsure[0]:.0f}",
                least=f"{100 * unsure[1]:.0f}",
            )
        )
    lost = [i for i, sheet in enumerate(sheets, 1) if sheet is None or not sheet.systems]
    said = (*_other_sizes(sizes), *([_no_staves(lost)] if lost else []))
    return music, (SEEN, *said)


_OTHER_SIZE = 1.6
"""How many times as high or wide a page must be as the first to be named. Set by eye."""


def _other_sizes(sizes: Sequence[tuple[int, ...]]) -> Iterator[Remark]:
    """Say of the first page whose size is far from that of the first that it may be another picture."""
    there = [(number, size) for number, size in enumerate(sizes, 1) if size]
    (first, (high, wide)), *others = there
    for number, (height, width) in others:
        if not all(1 / _OTHER_SIZE < a / b < _OTHER_SIZE for a, b in ((height, high), (width, wide))):
            yield Remark(
                "page_sizes",
                "The pages differ in size (page {page} has {width} by {height} pixels, page {first} {wide} "
                "by {high}); look whether each is a page of this piece.",
                page=number,
                width=width,
                height=height,
                first=first,
                wide=wide,
                high=high,
            )
            return


def _no_staves(pages: Sequence[int]) -> Remark:
    return Remark("page_no_staves", "Pages without staves were left out: p. {pages}.", pages=_listed(pages))


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, numbers))


_PICTURE = 0.2
"""Part of a page from which a picture on it is that of a page. Set by eye."""


def _left_out(pages: Sequence[Page], sheets: Sequence[Sheet | None]) -> tuple[str, ...]:
    """Say which pages were not read, and why."""
    of_lines: dict[int, list[int]] = {}
    pictured: list[int] = []
    empty: list[int] = []
    for number, (page, sheet) in enumerate(zip(pages, sheets, strict=True), 1):
        others = sheet.other_lines if sheet is not None else 0
        if others:
            of_lines.setdefault(others, []).append(number)
        elif sheet is None:
            (pictured if page.pictures > _PICTURE else empty).append(number)
    said = [
        Remark(
            "page_other_lines",
            "Staves of {lines} lines were not read, only those of five: p. {pages}.",
            lines=lines,
            pages=_listed(numbers),
        )
        for lines, numbers in of_lines.items()
    ]
    if pictured:
        left = Remark(
            "page_pictures",
            "Pictures among engraved pages were left out (give them in a file of their own): p. {pages}.",
            pages=_listed(pictured),
        )
        said.append(left)
    return (*said, *([_no_staves(empty)] if empty else []))


def _why_nothing(others: list[int], name: str) -> Remark:
    if 6 in others:
        return Remark(
            "page_tablature",
            "{file} holds tablature, which is not read; give the piece in staves of five lines.",
            file=name,
        )
    if 4 in others:
        return Remark(
            "page_chant",
            "{file} holds staves of four lines, as chant has; only staves of five lines are read.",
            file=name,
        )
    return Remark(
        "page_no_lines",
        "{file} has no staff lines on its pages; give a PDF that a notation program has made.",
        file=name,
    )
