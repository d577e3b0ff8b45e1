"""What a page paints, from operators written by hand. Source of what they do: ISO 32000-1, annex A."""

import re
from io import BytesIO

import pypdf
import pytest
from pypdf.generic import ArrayObject, DictionaryObject, NameObject, StreamObject

from understave.errors import ScoreError
from understave.score.readers.page import ink
from understave.score.readers.page.ink import read_pages

INK = ArrayObject(
    [NameObject("/Separation"), NameObject("/Black"), NameObject("/DeviceGray"), NameObject("/F")]
)


def pdf(*pages):
    """Return a PDF whose pages hold these operators; /Ink is a colour space of one ink, /Letters a font."""
    writer = pypdf.PdfWriter()
    font = writer._add_object(
        DictionaryObject(
            {
                NameObject("/Type"): NameObject("/Font"),
                NameObject("/Subtype"): NameObject("/Type1"),
                NameObject("/BaseFont"): NameObject("/Helvetica"),
            }
        )
    )
    for content in pages:
        page = writer.add_blank_page(200, 100)
        stream = StreamObject()
        stream.set_data(content.encode())
        page[NameObject("/Contents")] = writer._add_object(stream)
        page[NameObject("/Resources")] = DictionaryObject(
            {
                NameObject("/ColorSpace"): DictionaryObject({NameObject("/Ink"): INK}),
                NameObject("/Font"): DictionaryObject({NameObject("/Letters"): font}),
            }
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


def test_a_font_is_opened_once_a_file(monkeypatch):
    opened = []
    real = ink.font_of
    monkeypatch.setattr(ink, "font_of", lambda found: opened.append(found) or real(found))
    words = "BT /Letters 12 Tf 10 10 Td (cresc.) Tj ET"
    pages = read_pages(pdf(words, words, words), "page.pdf")
    assert ["".join(glyph.text for glyph in page.glyphs) for page in pages] == ["cresc."] * 3
    assert len(opened) == 1


def test_a_file_protected_by_aes_ends_in_one_sentence():
    """A file locked by RC4 is made to say that AES locks it: pypdf then asks for a package that may lack."""
    from pypdf._crypt_providers import crypt_provider

    if crypt_provider[0] != "local_crypt_fallback":
        pytest.skip("a package that opens AES is installed")
    writer = pypdf.PdfWriter(clone_from=pypdf.PdfReader(BytesIO(pdf("10 10 50 1 re f"))))
    writer.encrypt("", "owner", algorithm="RC4-128")
    out = BytesIO()
    writer.write(out)
    filters = (
        b"/V 4 /CF << /StdCF << /CFM /AESV2 /AuthEvent /DocOpen /Length 16 >> >> /StmF /StdCF /StrF /StdCF"
    )
    data = re.sub(rb"/V 2\s+/R 3", filters + b" /R 4", out.getvalue())
    with pytest.raises(ScoreError) as caught:
        read_pages(data, "locked.pdf")
    assert "locked.pdf is protected by AES" in str(caught.value)
    assert "pip install cryptography" in str(caught.value)
