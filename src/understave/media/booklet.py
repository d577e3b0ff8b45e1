"""A booklet: pages of half the size two-up on sheets, in the order in which they are folded.

In: a PDF of A5 pages. Out: a PDF of A4 pages across, to be printed on both sides (turned over the short
edge), laid together and folded once. Blank pages make their number a multiple of four.
"""

from __future__ import annotations

import re
import tempfile
from importlib.resources import files
from pathlib import Path

import typst

from understave.theory.vocabulary import Language


def sides(count: int) -> tuple[tuple[int, int], ...]:
    """Return which pages stand left and right on each side of a booklet of so many pages; 0 is a blank one.

    The sides come as they are printed: the outside of the outermost sheet, its inside, the next sheet ...
    Saddle stitching: ISO 12637-4 names it, the order is common practice.
    """
    whole = -(-count // 4) * 4

    def there(page: int) -> int:
        return page if page <= count else 0

    found = []
    for k in range(whole // 2):
        low, high = there(k + 1), there(whole - k)
        found.append((high, low) if k % 2 == 0 else (low, high))
    return tuple(found)


def folded(pdf: bytes, language: Language) -> bytes:
    """Return the pages of a PDF of ours as a booklet."""
    laid = ",".join(f"({left},{right})" for left, right in sides(page_count(pdf)))
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        root = Path(folder)
        (root / "pages.pdf").write_bytes(pdf)
        template = files("understave.media").joinpath("booklet.typ").read_text(encoding="utf-8")
        head = f"#let sides = ({laid},)\n#set text(lang: {language!r})\n".replace("'", '"')
        (root / "booklet.typ").write_text(head + template, encoding="utf-8")
        made = typst.compile(root / "booklet.typ", root=root, ignore_system_fonts=True)
    assert isinstance(made, bytes)
    return made


def page_count(pdf: bytes) -> int:
    """Return how many pages a PDF set by typst has."""
    # The root of the page tree counts all pages (ISO 32000-1, 7.7.3); typst leaves it uncompressed.
    return max(int(n) for n in re.findall(rb"/Type\s*/Pages\b[^>]*?/Count\s+(\d+)", pdf))
