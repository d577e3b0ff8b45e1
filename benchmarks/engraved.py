"""Pages to read back: MusicXML in, a PDF out, as verovio or LilyPond engraves it.

verovio's SVG is turned into PDF by typst: symbols come as outlines, words as glyphs. LilyPond (Debian's
package, not needed elsewhere) reads MusicXML through its own ``musicxml2ly`` and writes glyphs with names.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

import typst
import verovio

FONTS = ("Bravura", "Gootville", "Leipzig", "Leland", "Petaluma")
"""The SMuFL fonts that verovio carries."""


def verovio_pdf(source: bytes, font: str = "Leipzig", **options: object) -> bytes:
    """Return A4 pages with staves of 7.2 mm."""
    toolkit = verovio.toolkit()
    toolkit.setOptions(
        {"font": font, "pageWidth": 2100, "pageHeight": 2970, "svgViewBox": True, "footer": "none", **options}
    )
    if not toolkit.loadData(source.decode()):
        raise ValueError("verovio does not read this score")
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        lines = ["#set page(width: 210mm, height: 297mm, margin: 0pt)"]
        for number in range(1, toolkit.getPageCount() + 1):
            (root / f"{number}.svg").write_text(toolkit.renderToSVG(number), encoding="utf-8")
            lines.append(f'#image("{number}.svg", width: 210mm)')
        (root / "pages.typ").write_text("\n".join(lines), encoding="utf-8")
        made: bytes = typst.compile(root / "pages.typ", root=root)
        return made


def lilypond() -> bool:
    """Say whether LilyPond and its reader of MusicXML are installed."""
    return bool(shutil.which("lilypond") and shutil.which("musicxml2ly"))


def lilypond_pdf(source: bytes) -> bytes:
    """Return A4 pages; raise ValueError where LilyPond does not make any."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "piece.musicxml").write_bytes(source)
        for command in (
            ["musicxml2ly", "--output=piece.ly", "piece.musicxml"],
            ["lilypond", "--silent", "--output=piece", "piece.ly"],
        ):
            done = subprocess.run(command, cwd=root, capture_output=True, check=False, timeout=600)
        made = root / "piece.pdf"
        if not made.is_file():
            raise ValueError(f"LilyPond makes no pages of this score ({done.returncode})")
        return made.read_bytes()
