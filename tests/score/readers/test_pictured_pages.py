"""Pictures of pages: level and scale of a picture, and the sheet that comes of what a network would see."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from io import BytesIO

import numpy as np
import pypdf
import pytest
import verovio
from benchmarks import engraved
from PIL import Image, ImageDraw
from pypdf.generic import ArrayObject, DictionaryObject, NameObject, NumberObject
from training.engraved_pages import curves_on, lines_on, symbols_on

from understave.engraving.page_picture import page_picture
from understave.errors import ScoreError
from understave.score.reader import PICTURED, reader_of
from understave.score.readers.page import events, page_reader, picture_files
from understave.score.readers.page import seen_page as picture
from understave.score.readers.page.assembly import assemble
from understave.score.readers.page.ink import Box, Line, read_pages
from understave.score.readers.page.layout import Symbol, sort_page
from understave.score.readers.page.page_reader import read_bars, read_page
from understave.score.readers.page.seen_symbols import LAYERS, SPACE

ABC = """X:1
T:Page
M:3/4
L:1/4
K:D
D- D/F/ A, | c>B ^G | [DFA]2 z | B/4c/4d/4e/4 d c | f3 | D,2 C | (3ABc d2 | z F2 | G/2A/2 B ^c | [Dd]3 |]
"""
SIDE = SPACE


@pytest.fixture(scope="module")
def pdf():
    toolkit = verovio.toolkit()
    toolkit.setOptions({"inputFrom": "abc"})
    toolkit.loadData(ABC)
    return engraved.verovio_pdf(toolkit.getMEI().encode(), "Leipzig")


def test_a_page_is_levelled_and_its_staff_space_found(pdf):
    shown = engraved.pictures(pdf, 1)[0][:500, :1400]
    turned = np.asarray(Image.fromarray(shown).rotate(0.8, Image.Resampling.BICUBIC, fillcolor=255))
    ink = picture._ink(turned)
    # Staves of 7.2 mm (`engraved.verovio_pdf`) in 300 dpi.
    assert picture._staff_space(ink > 0.5)[0] == pytest.approx(7.2 / 4 / 25.4 * 300, abs=0.3)
    assert np.degrees(picture._slope(ink > 0.5)) == pytest.approx(-0.8, abs=0.05)
    level, angle = picture._levelled(ink, 21.26, ink > 0.5)
    assert abs(np.degrees(picture._slope(level > 0.5))) < 0.05
    assert level.shape[1] == pytest.approx(shown.shape[1] * SIDE / 21.26, abs=1)
    # Where a place of the levelled page lay in the picture as it was given.
    dot = Image.new("L", (1400, 500))
    dot.putpixel((1200, 100), 255)
    ys, xs = np.nonzero(np.asarray(dot.rotate(float(np.degrees(angle)))))
    before = picture._before((500, 1400), angle, None, (xs[0] + 0.5) / 1400, (ys[0] + 0.5) / 500)
    assert (before[0] * 1400, before[1] * 500) == pytest.approx((1200, 100), abs=1.5)


def seen_without_mistake(page, sheet, bend):
    """Return what a network without mistakes would see of an engraved page whose right side hangs lower."""
    scale = SIDE / sheet.space
    height, width = round(page.height * scale), round(page.width * scale)

    def at(x, y):
        return x * scale, (page.height - y) * scale + bend * x * scale

    drawn = [Image.new("1", (width, height)) for _ in LAYERS]
    for layer, a in lines_on(sheet):
        ends = [at(a.x0, a.y0), at(a.x1, a.y1)]
        ImageDraw.Draw(drawn[LAYERS.index(layer)]).line(ends, fill=1, width=max(2, round(a.width * scale)))
    for outline in curves_on(page, sheet):
        ImageDraw.Draw(drawn[LAYERS.index("curve")]).polygon([at(x, y) for x, y in outline], fill=1)
    rows = []
    for kind, x0, y1, x1, y0, y in symbols_on(sheet):
        middle = at((x0 + x1) / 2, (y0 + y1) / 2)
        rows.append((kind, 0.9, *middle, (x1 - x0) * scale, (y1 - y0) * scale, (y - (y0 + y1) / 2) * scale))
    layers = dict(zip(LAYERS, (np.asarray(layer) for layer in drawn), strict=True))
    return picture.Seen(np.array(rows, dtype=np.float32), layers)


@pytest.mark.parametrize("bend", [0.0, 0.004])
def test_what_is_seen_becomes_the_score_that_was_engraved(pdf, bend):
    page = read_pages(pdf, "page.pdf")[0]
    sheet = sort_page(page)
    there, _ = assemble([(1, sheet)], "page.pdf")
    seen = seen_without_mistake(page, sheet, bend)
    rows = picture._staff_rows(seen.layers["staff"])
    assert len(rows) == sum(len(system.staves) for system in sheet.systems)
    read, _ = assemble([(1, picture._Measured(seen, rows).sheet())], "page.png")
    assert len(there.notes) > 20
    assert [(n.midi, n.onset, n.duration, n.staff) for n in read.notes] == [
        (n.midi, n.onset, n.duration, n.staff) for n in there.notes
    ]
    assert [m.signature for m in read.measures] == [2] * len(there.measures)


def test_a_run_of_beams_is_parted_and_one_beam_is_not():
    # A beam is half a staff space thick, and beams stand a quarter apart: engravers' practice, from memory.
    assert [len(picture._beams_of(0, round(thick * SIDE))) for thick in (0.5, 1.25, 2.0)] == [1, 2, 3]


def test_what_is_no_page_of_staves_ends_in_one_sentence():
    made = BytesIO()
    Image.new("L", (400, 300), 255).save(made, "PNG")
    assert reader_of(made.getvalue(), ".png") is PICTURED
    with pytest.raises(ScoreError, match=r"No staves .* empty\.png"):
        read_page(made.getvalue(), "empty.png")
    with pytest.raises(ScoreError, match="damaged picture"):
        read_page(made.getvalue()[:60], "cut.png")


def png(picture):
    made = BytesIO()
    Image.fromarray(picture).save(made, "PNG")
    return made.getvalue()


def test_the_notes_of_a_picture_are_read_and_it_is_said_that_it_is_one(pdf):
    shown = engraved.pictures(pdf, 1)[0][:900]
    turned = np.asarray(Image.fromarray(shown).rotate(0.6, Image.Resampling.BICUBIC, fillcolor=255))
    for picture_of_it in (shown, turned):
        read, bars = read_bars(png(picture_of_it), "page.png")
        there, _ = read_bars(pdf, "page.pdf")
        notes = [
            Counter((n.measure, str(n.pitch), n.onset, n.duration) for n in s.notes) for s in (read, there)
        ]
        assert (notes[0] & notes[1]).total() >= 0.9 * notes[1].total()
        assert [m.signature for m in read.measures] == [2] * len(there.measures)
        assert "read as pictures" in read.warnings[0]
    # What stands in the frame of a bar is cut out of the picture itself.
    frame = bars[0].frame
    cut = Image.open(BytesIO(page_picture(png(turned), frame)))
    height, width = shown.shape
    left, top = round(frame.x0 * width), round(frame.y0 * height)
    assert cut.size == pytest.approx(((frame.x1 - frame.x0) * width, (frame.y1 - frame.y0) * height), abs=1)
    assert np.array_equal(np.asarray(cut), turned[top : top + cut.height, left : left + cut.width])


def test_a_scan_behind_a_page_of_words_keeps_its_number_and_lies_as_its_page_is_turned(pdf, monkeypatch):
    shown = engraved.pictures(pdf, 1)[0][:900]
    scan, made = BytesIO(), BytesIO()
    Image.fromarray(np.rot90(shown)).save(scan, "PDF")
    writer = pypdf.PdfWriter()
    writer.add_blank_page(200, 100)
    # Turned to the left in the file, and by 90 degrees clockwise when it is shown (ISO 32000-1, 7.7.3.3).
    writer.add_page(pypdf.PdfReader(scan).pages[0]).rotate(90)
    writer.write(made)
    sheet, pictures = sort_page(read_pages(pdf, "page.pdf")[0]), []
    monkeypatch.setattr(page_reader, "see", lambda picture, *_: pictures.append(picture) or sheet)
    read, bars = read_bars(made.getvalue(), "scan.pdf")
    assert {bar.frame.page for bar in bars} == {2}
    assert "Pages without staves were left out: p. 1." in read.warnings
    assert [picture.shape for picture in pictures] == [shown.shape]
    # JPEG changes a picture a little.
    assert np.abs(pictures[0] - shown.astype(float)).mean() < 2
    frame = bars[0].frame
    cut = np.asarray(Image.open(BytesIO(page_picture(made.getvalue(), frame, seen=True))))
    top, left = round(frame.y0 * shown.shape[0]), round(frame.x0 * shown.shape[1])
    assert np.array_equal(cut, pictures[0][top : top + cut.shape[0], left : left + cut.shape[1]])
    assert cut.size > 1000


def test_a_page_of_very_many_dots_is_made_smaller_on_the_way_and_other_pages_are_refused(monkeypatch):
    """ISO 32000-1, 8.9.5: rows of bits end with a byte, 1 is white; ``/Decode [1 0]`` turns that round."""
    monkeypatch.setattr(picture_files, "MOST_PIXELS", 5_000)
    monkeypatch.setattr(picture_files, "ENOUGH", 1_000)
    dots = np.zeros((90, 70), np.bool_)
    dots[30:60, :33] = True
    made = BytesIO()
    writer = pypdf.PdfWriter()
    for bits, decode in ((1, [0, 1]), (1, [1, 0]), (8, [0, 1])):
        page = writer.add_blank_page(70, 90)
        stream = pypdf.generic.StreamObject()
        stream.set_data(np.packbits(dots, axis=1).tobytes())
        stream = stream.flate_encode()
        for key, value in {"Width": 70, "Height": 90, "BitsPerComponent": bits}.items():
            stream[NameObject(f"/{key}")] = NumberObject(value)
        stream[NameObject("/Subtype")] = NameObject("/Image")
        stream[NameObject("/ColorSpace")] = NameObject("/DeviceGray")
        stream[NameObject("/Decode")] = ArrayObject(NumberObject(value) for value in decode)
        held = DictionaryObject({NameObject("/Im"): writer._add_object(stream)})
        page[NameObject("/Resources")] = DictionaryObject({NameObject("/XObject"): held})
    writer.write(made)
    plain, turned = (picture_files.picture_in_pdf(made.getvalue(), "scan.pdf", number) for number in (1, 2))
    assert plain.shape == (30, 23)
    assert np.array_equal(plain, 255 * np.pad(np.ones((10, 11), np.uint8), ((10, 10), (0, 12))))
    assert np.array_equal(turned, 255 - plain)
    with pytest.raises(ScoreError, match=r"Page 3 of scan\.pdf has 0 million pixels; save it at 300 dpi"):
        picture_files.picture_in_pdf(made.getvalue(), "scan.pdf", 3)


def test_what_is_not_seen_surely_is_refused(pdf, monkeypatch):
    sheet = sort_page(read_pages(pdf, "page.pdf")[0])

    def seen(clefs, others):
        symbols = [replace(s, sure=clefs if "Clef" in s.name else others) for s in sheet.symbols]
        symbols = [s for s in symbols if not s.name.startswith(("accidental", "rest", "dynamic"))]
        monkeypatch.setattr(page_reader, "see", lambda picture, *_: replace(sheet, symbols=symbols))
        page_reader.read_pictures([np.zeros((9, 9), np.uint8)], "hand.png")

    with pytest.raises(ScoreError, match="79 % on average, with 80 % needed"):
        seen(0.79, 0.79)
    # Heads look alike in every style: what a hand drew tells by its other signs.
    with pytest.raises(ScoreError, match="70 % on average, with 76 % needed"):
        seen(0.7, 0.95)
    seen(0.77, 0.85)


def test_a_head_joins_the_pieces_of_its_stem_but_not_those_of_two_stems():
    unit = picture._POINTS
    below, above = Line(0, 0, 0, 3 * unit, 1), Line(0, 4 * unit, 0, 7 * unit, 1)
    head = Box(0, 3 * unit, 1.2 * unit, 4 * unit)
    beam = Line(-unit, 4 * unit, 5 * unit, 4 * unit, 0.5 * unit)
    assert [(a.y0, a.y1) for a in picture._rejoined([below, above], [head], [])] == [(0, 7 * unit)]
    assert picture._rejoined([below, above], [head], [beam]) == [below, above]
    assert picture._rejoined([below, above], [], []) == [below, above]


def test_a_stem_reaches_through_the_beams_at_its_end_but_not_to_those_of_another_voice():
    # Beams lie 3/4 of a staff space apart (engravers' practice, from memory); a space is 5 points here.
    beams = [Line(0, y, 40, y, 2.5) for y in (50, 53.75, 58.75)]
    assert picture._through(Line(20, 30, 20, 48.5, 0.8), 1, beams) == Line(20, 30, 20, 53.75, 0.8)
    assert picture._through(Line(20, 61, 20, 80, 0.8), -1, beams) == Line(20, 58.75, 20, 80, 0.8)
    assert picture._through(Line(20, 30, 20, 40, 0.8), 1, beams) == Line(20, 30, 20, 40, 0.8)


def test_the_ragged_edge_of_a_stem_is_no_stem_of_its_own():
    stem, edge, other = Line(20, 30, 20, 48, 1), Line(20.5, 40, 20.5, 46, 0.4), Line(20.5, 50, 20.5, 60, 1)
    assert picture._single([edge, other, stem]) == [stem, other]


def test_staves_of_faint_lines_are_found():
    shown = np.zeros((400, 600), np.float32)
    for top in (60, 220):
        shown[top : top + 5 * 16 : 16] = shown[top + 1 : top + 1 + 5 * 16 : 16] = 0.4
    assert picture._staff_space(shown > 0.5)[0] is None
    space, black = picture._black(shown)
    assert space == pytest.approx(16, abs=0.3)
    assert black.any()
    assert picture._black(np.zeros((400, 600), np.float32)) is None


def test_a_stem_that_is_seen_to_point_down_takes_the_head_at_its_right(pdf):
    """Two voices a second apart: heads at both ends of a stem, the way tells which is its own."""
    sheet = sort_page(read_pages(pdf, "page.pdf")[0])
    space = sheet.space
    staff = sheet.systems[0].staves[0]
    stem = Line(100.0, staff.y0, 100.0, staff.y0 + 4 * space, 0.1 * space)

    def head(x0, y):
        box = Box(x0, y - space / 2, x0 + 1.2 * space, y + space / 2)
        return events.Head(Symbol("noteheadBlack", box, y), 0, 0, False)

    left, right = head(100 - 1.2 * space, staff.y0), head(100.0, staff.y0 + 4 * space)
    for way, own in ((1, left), (-1, right)):
        (chord,) = events._with_stems([left, right], [stem], {stem: way}, space)
        assert (chord.way, chord.heads) == (way, [own])
