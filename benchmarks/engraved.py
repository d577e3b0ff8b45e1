"""Pages to read back: MusicXML in, a PDF out, as verovio or LilyPond engraves it.

verovio's SVG is turned into PDF by typst: symbols come as outlines, words as glyphs. LilyPond (Debian's
package, not needed elsewhere) reads MusicXML through its own ``musicxml2ly`` and writes glyphs with names.
"""

from __future__ import annotations

import io
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import typst
import verovio
from PIL import Image, ImageFilter

from understave.score.readers.page.picture_files import Grey, pictures_in

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
        made: bytes = typst.compile(laid_out(toolkit, root, toolkit.getPageCount()), root=root)
        return made


def laid_out(toolkit: verovio.toolkit, folder: Path, count: int) -> Path:
    """Write the first pages of what verovio has loaded into a folder; return what typst is given, on A4."""
    lines = ["#set page(width: 210mm, height: 297mm, margin: 0pt)"]
    for number in range(1, count + 1):
        (folder / f"{number}.svg").write_text(toolkit.renderToSVG(number), encoding="utf-8")
        lines.append(f'#image("{number}.svg", width: 210mm)')
    (folder / "pages.typ").write_text("\n".join(lines), encoding="utf-8")
    return folder / "pages.typ"


def lilypond() -> bool:
    """Say whether LilyPond and its reader of MusicXML are installed."""
    return bool(shutil.which("lilypond") and shutil.which("musicxml2ly"))


def lilypond_pdf(source: bytes) -> bytes:
    """Return A4 pages; raise ValueError where LilyPond does not make any, or none that show the score.

    Where what ``musicxml2ly`` made of it does not fill its bars, LilyPond shifts all that follows in a voice
    against the others and breaks lines within bars: no page of the score.
    """
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "piece.musicxml").write_bytes(source)
        for command in (
            ["musicxml2ly", "--output=piece.ly", "piece.musicxml"],
            ["lilypond", "--loglevel=WARN", "--output=piece", "piece.ly"],
        ):
            done = subprocess.run(command, cwd=root, capture_output=True, check=False, timeout=600)
        made = root / "piece.pdf"
        if not made.is_file():
            raise ValueError(f"LilyPond makes no pages of this score ({done.returncode})")
        failed = done.stderr.count(b"barcheck failed")
        if failed:
            raise ValueError(f"LilyPond fills {failed} bars otherwise")
        return made.read_bytes()


def pictures(pdf: bytes, pages: int, dpi: int = 300) -> list[Grey]:
    """Return the pages of a PDF of A4 as pictures, 255 white."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "piece.pdf").write_bytes(pdf)
        lines = ["#set page(width: 210mm, height: 297mm, margin: 0pt)"]
        lines += [f'#image("piece.pdf", page: {k}, width: 210mm)' for k in range(1, pages + 1)]
        (root / "pages.typ").write_text("\n".join(lines), encoding="utf-8")
        made: Any = typst.compile(root / "pages.typ", root=root, format="png", ppi=dpi)
    return [next(pictures_in(png, "page")) for png in ([made] if isinstance(made, bytes) else made)]


def worn(picture: Grey, seed: int) -> Grey:
    """Return a page as a worn print on a poor scanner: askew by up to a degree, with thicker or thinner ink,
    blurred, in 200 to 300 dpi, with the back shining through, a shadow at one side, and noise.
    """
    chance = np.random.default_rng(seed)
    page = Image.fromarray(picture)
    grow = chance.choice([-1, 0, 1])
    if grow:
        page = page.filter(ImageFilter.MinFilter(3) if grow > 0 else ImageFilter.MaxFilter(3))
    page = page.rotate(float(chance.uniform(-1, 1)), Image.Resampling.BICUBIC, fillcolor=255)
    scale = float(chance.uniform(0.67, 1))
    page = page.resize((round(page.width * scale), round(page.height * scale)), Image.Resampling.BILINEAR)
    page = page.filter(ImageFilter.GaussianBlur(float(chance.uniform(0.4, 1.2))))
    back = np.asarray(page.filter(ImageFilter.GaussianBlur(2)), dtype=np.float64)[:, ::-1]
    light = np.minimum(np.asarray(page, dtype=np.float64), 255 - chance.uniform(0, 0.15) * (255 - back))
    paper = 225 - chance.uniform(0, 70) * np.linspace(0, 1, light.shape[1])[:: int(chance.choice([-1, 1]))]
    light = 35 + (paper - 35) * light / 255
    light += chance.normal(0, chance.uniform(3, 12), light.shape)
    return np.clip(light, 0, 255).astype(np.uint8)


def photographed(picture: Grey, seed: int) -> Grey:
    """Return a page as a phone takes it: on a table, in perspective by 3 to 5 %, its left half curled
    as beside the spine, with the shadow of a hand, blur, noise, and JPEG's loss; some 11 million pixels.
    """
    chance = np.random.default_rng(seed)
    table = round(0.04 * len(picture))
    page = np.pad(picture, table, constant_values=110).astype(np.float32)
    tall, wide = page.shape
    ys, xs = np.mgrid[0:tall, 0:wide].astype(np.float32)
    x, y = xs / wide - 0.5, ys / tall - 0.5
    # Where each pixel of the photograph comes from: nearer and farther sides, then the curl.
    lean, tilt = chance.uniform(0.03, 0.05, 2) * chance.choice([-1, 1], 2)
    near = 1 + lean * x + tilt * y
    x, y = x / near, y / near
    curl = float(chance.uniform(0.010, 0.018))
    y = y + curl * np.where(x < 0, np.sin(np.pi * x) ** 2, 0) * (1 + 0.4 * y)
    from_y, from_x = (y + 0.5) * (tall - 1), (x + 0.5) * (wide - 1)
    light = sampled(page, from_y, from_x)
    turn = float(chance.uniform(0, 2 * np.pi))
    across = np.cos(turn) * (xs / wide - 0.5) + np.sin(turn) * (ys / tall - 0.5)
    shadow = 1 - chance.uniform(0.25, 0.45) / (1 + np.exp(-across * 14))
    light = (12 + 0.86 * light) * shadow
    shown = Image.fromarray(np.clip(light, 0, 255).astype(np.uint8))
    light = np.asarray(shown.filter(ImageFilter.GaussianBlur(float(chance.uniform(0.8, 1.4)))), np.float32)
    light = light + chance.normal(0, chance.uniform(3, 7), light.shape)
    made = io.BytesIO()
    Image.fromarray(np.clip(light, 0, 255).astype(np.uint8)).save(made, "JPEG", quality=80)
    return next(pictures_in(made.getvalue(), "photograph"))


def sampled(page: npt.NDArray[np.float32], ys: npt.NDArray[np.float32], xs: npt.NDArray[np.float32]) -> Any:
    """Return the values of a picture between its pixels, by straight lines; beyond its edge the edge's."""
    ys, xs = np.clip(ys, 0, page.shape[0] - 1.001), np.clip(xs, 0, page.shape[1] - 1.001)
    top, left = ys.astype(np.int32), xs.astype(np.int32)
    down, right = ys - top, xs - left
    above = page[top, left] * (1 - right) + page[top, left + 1] * right
    below = page[top + 1, left] * (1 - right) + page[top + 1, left + 1] * right
    return above * (1 - down) + below * down
