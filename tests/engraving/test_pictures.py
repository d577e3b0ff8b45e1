"""PNG and PDF."""

from __future__ import annotations

import io
import re
import zlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engraving_scores import crowded, quarters, reading_of
from PIL import Image
from pypdf import PdfReader
from tests.once import make_plan, read, read_score

from understave.engraving import engrave, excerpt, to_pdf, to_png
from understave.engraving.standards import date_of
from understave.errors import UnderstaveError

ROOT = Path(__file__).resolve().parents[2]

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
    _, made = example_pdf("lock-water")
    assert made.metadata.title == "Lock-Water"
    root = made.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712 - a PDF's own boolean
    packet = root["/Metadata"].get_object().get_data()
    assert b"pdfuaid:part" in packet
    assert b">1<" in packet[packet.index(b"pdfuaid:part") :][:40] or b'part="1"' in packet


def test_a_score_as_pdf_may_be_kept_for_long():
    """PDF/A-2a (ISO 19005-2): part and level in the XMP packet; packet and document have one date, fonts are
    in the file, colours have a profile (clauses from memory: 6.6.4, 6.6.3, 6.2.11.4, 6.2.3)."""
    score = read_score(ROOT / "examples" / "lock-water" / "score.musicxml")
    score = replace(score, metadata={**score.metadata, "encoding-date": "2024-05-17"})
    pages = engrave(score, read(score))
    made = PdfReader(io.BytesIO(to_pdf(pages, dated=date_of(score))))
    root = made.trailer["/Root"]
    packet = root["/Metadata"].get_object().get_data()
    assert b"<pdfaid:part>2<" in packet
    assert b"<pdfaid:conformance>A<" in packet
    assert b"<xmp:CreateDate>2024-05-17T00:00:00" in packet
    assert made.metadata.creation_date == datetime(2024, 5, 17, tzinfo=UTC)
    assert root["/OutputIntents"][0]["/DestOutputProfile"].get_object().get_data()
    fonts = [font for page in made.pages for font in page["/Resources"].get("/Font", {}).values()]
    described = [font["/DescendantFonts"][0]["/FontDescriptor"] for font in fonts]
    assert described
    assert all(any(key.startswith("/FontFile") for key in found) for found in described)


@pytest.mark.parametrize("said", ["", "May 2024", "2024-13-01", "1889-01-01"])
def test_a_date_that_is_none_is_the_beginning_of_counting(said):
    assert date_of(replace(quarters(), metadata={"encoding-date": said})) == 0


@cache
def example_pdf(name: str, planned: bool = False) -> tuple[list[str], PdfReader]:
    score = read_score(ROOT / "examples" / name / "score.musicxml")
    reading = read(score)
    pages = engrave(score, reading, plan=make_plan(score, reading) if planned else None)
    return pages, PdfReader(io.BytesIO(to_pdf(pages)))


def test_words_of_a_score_can_be_searched_and_copied() -> None:
    """What a reader of PDFs that is not ours finds on the first page (ISO 32000-1, 9.10)."""
    _, pdf = example_pdf("lock-water", planned=True)
    lines = pdf.pages[0].extract_text().splitlines()
    assert lines[:3] == [
        "Lock-Water",
        "Slow study in held and broken chords, for the pedal",
        "Hanne Overdyke",
    ]
    text = "\n".join(lines)
    # From the analysis by hand beside the example: bars 1 to 8, and the key that follows.
    assert "I V43 I6 IV7 ii7 V7 vi V65/V V" in lines
    assert all(words in lines for words in ("tension", "pedal", "cantabile", "Lento (♩ = 54)"))
    assert "E♭ minor" in text


@pytest.mark.parametrize("numeral", ["N6", "V7", "V65/V", "viiø7", "Ger65", "bII6", "iv64"])
def test_a_chord_is_found_as_it_is_printed(numeral) -> None:
    score = quarters()
    pages = engrave(score, reading_of(score, Fraction(1), (numeral,)))
    text = PdfReader(io.BytesIO(to_pdf(pages))).pages[0].extract_text()
    assert numeral.replace("b", "♭") in text.split()


def test_a_pdf_says_in_which_language_its_words_are() -> None:
    score = quarters()
    pages = engrave(score, reading_of(score, Fraction(1), NUMERALS))
    for language in ("en", "de"):
        assert PdfReader(io.BytesIO(to_pdf(pages, language))).trailer["/Root"]["/Lang"] == language


def test_bookmarks_lead_to_the_keys() -> None:
    _, pdf = example_pdf("lock-water")
    title, keys = pdf.outline
    assert title.title == "Lock-Water"
    # The keys of the analysis by hand, each where it begins.
    assert [(k.title, pdf.get_destination_page_number(k)) for k in keys] == [
        ("E♭ major", 0),
        ("E♭ minor", 0),
        ("E♭ major", len(pdf.pages) - 1),
    ]
    # A heading with nothing in it is one that a screen reader stops at for nothing (WCAG 1.3.1).
    headings = [e for e in tagged(pdf.trailer["/Root"]["/StructTreeRoot"]) if e.get("/S") in ("/H1", "/H2")]
    assert [e["/S"] for e in headings] == ["/H1", "/H2", "/H2", "/H2"]
    assert all(list(tagged(e)) or e.get("/K") not in (None, []) for e in headings)


def tagged(element: Any) -> Iterator[Any]:
    """The elements below one in the tree of tags (ISO 32000-1, 14.7.2)."""
    below = element.get("/K", [])
    for child in below if isinstance(below, list) else [below]:
        found = child.get_object()
        if isinstance(found, dict) and "/S" in found:
            yield found
            yield from tagged(found)


def test_the_text_lies_over_its_outlines_and_is_not_seen() -> None:
    pages, pdf = example_pdf("lock-water")
    shown = np.asarray(Image.open(io.BytesIO(to_png(pages[0], 2100))).convert("L"))  # 10 pixels a millimetre
    page = pdf.pages[0]
    found = []

    def told(text: str, cm: list[float], tm: list[float], font: object, size: float) -> None:
        if text.strip():
            found.append((text.strip(), (tm[4] * cm[0] + cm[4], tm[5] * cm[3] + cm[5])))

    page.extract_text(visitor_text=told)
    states = page["/Resources"]["/ExtGState"].get_object().values()
    assert any(state.get_object().get("/ca") == 0 for state in states)
    points = 72 / 25.4
    inked = 0
    for text, (x, y) in found:
        across, down = round(10 * x / points), round(10 * (297 - y / points))
        # The first letter's ink begins right of the text's origin and stands on its baseline.
        near = shown[down - 14 : down + 2, max(0, across - 1) : across + 14]
        assert (near < 170).any(), text
        inked += 1
    assert inked > 40
