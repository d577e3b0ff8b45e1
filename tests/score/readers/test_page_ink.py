"""What a page paints, from operators written by hand. Source of what they do: ISO 32000-1, annex A."""

from io import BytesIO

import pypdf
import pytest
from pypdf.generic import ArrayObject, DictionaryObject, NameObject, StreamObject

from understave.errors import ScoreError
from understave.score.readers.page.ink import read_pages

INK = ArrayObject(
    [NameObject("/Separation"), NameObject("/Black"), NameObject("/DeviceGray"), NameObject("/F")]
)


def pdf(*pages):
    """Return a PDF whose pages hold these operators; /Ink is a colour space of one ink."""
    writer = pypdf.PdfWriter()
    for content in pages:
        page = writer.add_blank_page(200, 100)
        stream = StreamObject()
        stream.set_data(content.encode())
        page[NameObject("/Contents")] = writer._add_object(stream)
        page[NameObject("/Resources")] = DictionaryObject(
            {NameObject("/ColorSpace"): DictionaryObject({NameObject("/Ink"): INK})}
        )
    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def page(content):
    return read_pages(pdf(content), "page.pdf")[0]


@pytest.mark.parametrize(("operator", "sides"), [("S", 2), ("s", 3)])
def test_a_path_is_closed_before_it_is_stroked(operator, sides):
    assert len(page(f"10 10 m 60 10 l 60 40 l {operator}").lines) == sides


@pytest.mark.parametrize("operator", ["b", "b*"])
def test_a_filled_path_may_be_closed_too(operator):
    assert len(page(f"0 1 1 0 k 1 g 0 G 10 10 m 60 10 l 60 40 l {operator}").lines) == 3


@pytest.mark.parametrize(
    ("colour", "painted"),
    [
        ("/Ink cs", True),
        ("/Ink cs 1 scn", True),
        ("/Ink cs 0 scn", False),
        ("/Ink cs 0 scn /DeviceGray cs", True),
        ("/Ink cs 0 g", True),
        ("/DeviceGray cs 1 sc", False),
        ("0 0 0 0 k", False),
        ("0 0 0 1 k", True),
        ("/Ink CS 0 SCN", True),
    ],
)
def test_no_ink_is_white_and_full_ink_is_black(colour, painted):
    assert bool(page(f"{colour} 10 10 50 1 re f").lines) == painted


def test_the_ink_of_strokes_is_their_own():
    assert page("/Ink CS 1 SCN 10 10 m 60 10 l S").lines
    assert not page("/Ink CS 0 SCN 10 10 m 60 10 l S").lines
