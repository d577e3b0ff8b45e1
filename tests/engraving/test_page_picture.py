"""A place on a page as a picture: where the ink of a PDF lies is known, for the page is written by hand.

Source of what a page is: ISO 32000-1, 8.3 (y upwards) and 14.11.2 (boxes).
"""

import io

import numpy as np
import pypdf
import pytest
from PIL import Image
from pypdf.generic import NameObject, NumberObject, RectangleObject, StreamObject

from understave.engraving.page_picture import page_picture
from understave.errors import ScoreError
from understave.score.readers.page import picture_files
from understave.score.readers.page.told_signs import Frame


def page(turned=0, shown=None):
    """Return a page of 200 by 100 points with a black square of 10 points, its corner 120 right and 60 up."""
    writer = pypdf.PdfWriter()
    made = writer.add_blank_page(200, 100)
    stream = StreamObject()
    stream.set_data(b"0 g 120 60 10 10 re f")
    made[NameObject("/Contents")] = writer._add_object(stream)
    made[NameObject("/Rotate")] = NumberObject(turned)
    if shown:
        made.cropbox = RectangleObject(shown)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


@pytest.mark.parametrize("pdf", [page(), page(90), page(shown=(100, 0, 200, 100))])
def test_a_frame_shows_its_part_of_the_page(pdf):
    # From 110 to 150 points, and from 50 to 20 points below the top.
    picture = page_picture(pdf, Frame(1, 0.55, 0.2, 0.75, 0.5))
    ink = np.asarray(Image.open(io.BytesIO(picture)).convert("L")) < 128
    points = ink.shape[1] / 40
    assert ink.shape[0] == pytest.approx(30 * points, abs=1)
    rows, columns = np.nonzero(ink)
    edges = np.array([columns.min(), columns.max() + 1, rows.min(), rows.max() + 1]) / points
    assert edges == pytest.approx([10, 20, 10, 20], abs=0.5)


def test_a_page_that_cannot_be_drawn_is_said_in_a_sentence():
    with pytest.raises(ScoreError, match="Page 3 cannot be drawn"):
        page_picture(page(), Frame(3, 0, 0, 1, 1))
    with pytest.raises(ScoreError, match="Page 1 cannot be drawn"):
        page_picture(b"%PDF-1.4 no more", Frame(1, 0, 0, 1, 1))


def test_a_page_of_several_pictures_is_opened_alone(monkeypatch):
    made, opened = io.BytesIO(), []
    pages = [Image.new("L", (20, 10), shade) for shade in (10, 120, 230)]
    pages[0].save(made, "TIFF", save_all=True, append_images=pages[1:])
    grey = picture_files._grey
    monkeypatch.setattr(picture_files, "_grey", lambda image: opened.append(image) or grey(image))
    cut = Image.open(io.BytesIO(page_picture(made.getvalue(), Frame(2, 0, 0, 0.5, 1))))
    assert (cut.size, cut.getextrema()) == ((10, 10), (120, 120))
    assert len(opened) == 1
