"""PNG and PDF."""

from __future__ import annotations

import io
import re
import zlib
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from engraving_scores import crowded, quarters, reading_of
from PIL import Image

from understave.engraving import engrave, excerpt, to_pdf, to_png
from understave.errors import UnderstaveError

NUMERALS = ("I", "V65/V", "V7")


def test_png_has_the_width_asked_for() -> None:
    score = quarters()
    picture = excerpt(score, reading_of(score, Fraction(1), NUMERALS), 0, 1)
    for width in (300, 1234):
        image = Image.open(io.BytesIO(to_png(picture, width)))
        assert abs(image.width - width) <= 1
    pixels = np.asarray(image.convert("RGB"))
    assert (pixels.reshape(-1, 3) == 255).all(axis=1).mean() > 0.5
    dark = (pixels.max(axis=2) < 80).mean()
    assert 0.01 < dark < 0.4
    coloured = pixels.max(axis=2).astype(int) - pixels.min(axis=2)
    assert (coloured > 60).sum() > 200


def test_labels_are_really_drawn() -> None:
    """Ink under the staves must vanish with the lanes: text that a renderer drops would not show."""
    score = quarters()
    from understave.harmony.reading import Reading

    with_lanes = engrave(score, reading_of(score, Fraction(1), NUMERALS))[0]
    without = engrave(score, Reading(()))[0]
    inks = [
        (np.asarray(Image.open(io.BytesIO(to_png(p, 900))).convert("L")) < 200).sum()
        for p in (with_lanes, without)
    ]
    assert inks[0] > inks[1] + 300


def pages_of(pdf: bytes) -> list[bytes]:
    """Page objects of a PDF, also those in compressed object streams (ISO 32000-1, 7.5.7)."""
    text = pdf
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.S):
        try:
            text += zlib.decompress(stream)
        except zlib.error:
            continue
    return re.findall(rb"/Type\s*/Page(?![s\w])", text)


def test_pdf_binds_all_pages() -> None:
    score = crowded(40)
    pages = engrave(score, reading_of(score, Fraction(1, 2), NUMERALS))
    assert len(pages) > 1
    pdf = to_pdf(pages)
    assert pdf.startswith(b"%PDF-")
    assert len(pages_of(pdf)) == len(pages)
    assert pdf == to_pdf(pages)


def test_pages_of_different_sizes_can_be_bound() -> None:
    score = quarters()
    reading = reading_of(score, Fraction(1), NUMERALS)
    assert len(pages_of(to_pdf([*engrave(score, reading), excerpt(score, reading, 0, 0)]))) == 2


def test_bad_requests() -> None:
    with pytest.raises(UnderstaveError, match="no page"):
        to_pdf([])
    with pytest.raises(UnderstaveError, match="pixels wide"):
        to_png("<svg/>", 0)
    with pytest.raises(UnderstaveError, match="engraved by this program"):
        to_png("<svg xmlns='http://www.w3.org/2000/svg'/>", 100)


def test_a_score_as_pdf_says_that_it_is_accessible():
    """PDF/UA-1 (ISO 14289-1) is declared in the XMP packet as ``pdfuaid:part``, tags in the catalog."""
    import io

    from pypdf import PdfReader

    from understave.engraving import engrave, to_pdf
    from understave.findings import read
    from understave.score.reader import read_score

    path = Path(__file__).resolve().parents[2] / "examples" / "lock-water" / "score.musicxml"
    score = read_score(path)
    made = PdfReader(io.BytesIO(to_pdf(engrave(score, read(score)))))
    assert made.metadata.title == "Lock-Water"
    root = made.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712 - a PDF's own boolean
    packet = root["/Metadata"].get_object().get_data()
    assert b"pdfuaid:part" in packet
    assert b">1<" in packet[packet.index(b"pdfuaid:part") :][:40] or b'part="1"' in packet
