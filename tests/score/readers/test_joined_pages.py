"""Several pictures as the pages of one piece: their order, their file, what is kept of pages seen."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from understave.cli import main
from understave.cli.sources import as_one, telling_pages
from understave.errors import ScoreError, UnderstaveError
from understave.score.pages_heard import pages_heard, tell_page
from understave.score.reader import read_score
from understave.score.readers.page import page_reader, seen_before, seen_page
from understave.score.readers.page.joined import in_order, joined, natural, pages_in
from understave.score.readers.page.picture_files import pictures_in


def file_of(picture, kind, **how):
    made = io.BytesIO()
    Image.fromarray(picture).save(made, kind, **how)
    return made.getvalue()


def shades(height, width):
    return np.add.outer(np.arange(height), 3 * np.arange(width)).astype(np.uint8)


def test_pictures_become_the_pages_of_one_file_upright_and_without_where_they_were_taken():
    turned = Image.Exif()
    turned[0x112] = 6  # to be turned by 90 degrees clockwise (CIPA DC-008, Exif 2.32, Orientation)
    turned.get_ifd(0x8825)[1] = "N"  # a latitude (GPSLatitudeRef)
    pages = [
        ("1.png", file_of(shades(60, 40), "PNG")),
        ("2.jpg", file_of(shades(48, 32), "JPEG", quality=95, exif=turned)),
        ("3.tif", file_of(shades(20, 30), "TIFF")),
    ]
    one = joined(pages)
    assert one == joined(pages)
    first, second, third = pictures_in(one, "pages.tiff")
    assert np.array_equal(first, shades(60, 40))
    assert np.array_equal(third, shades(20, 30))
    heard = []
    with pages_heard(lambda page, of: heard.append(page)):
        (last,) = pictures_in(one, "pages.tiff", first=3)
    assert np.array_equal(last, third)
    assert heard == [3]
    # What lay to the left stands above now.
    assert np.abs(second.astype(float) - np.rot90(shades(48, 32), -1)).mean() < 4
    for frame in range(3):
        image = Image.open(io.BytesIO(one))
        image.seek(frame)
        assert not {0x112, 0x8825} & set(dict(image.getexif()))


def test_numbers_in_names_count_as_numbers_and_an_order_of_one_s_own_is_kept(tmp_path):
    assert sorted(["P10", "p2", "p1 b", "p1", "10", "9"], key=natural) == [
        "9",
        "10",
        "p1",
        "p1 b",
        "p2",
        "P10",
    ]
    shell = [Path("a1.png"), Path("a10.png"), Path("a2.png")]
    assert [p.name for p in in_order(shell)] == ["a1.png", "a2.png", "a10.png"]
    assert in_order(shell[::-1]) == shell[::-1]
    for name in ("b10.PNG", "b9.jpg", ".b1.png", "b1.txt"):
        (tmp_path / name).write_bytes(b"")
    assert [p.name for p in pages_in(tmp_path)] == ["b9.jpg", "b10.PNG"]


def test_other_files_among_pictures_are_refused_by_name(tmp_path, capsys):
    (tmp_path / "1.png").write_bytes(file_of(shades(60, 40), "PNG"))
    (tmp_path / "2.musicxml").write_bytes(b"<score-partwise/>")
    assert main(["show", str(tmp_path / "1.png"), str(tmp_path / "2.musicxml")]) == 2
    said = capsys.readouterr().err
    assert said.startswith("understave: 2.musicxml is no picture")
    assert said.count("\n") == 1
    with pytest.raises(ScoreError, match="No page is given"):
        read_score([])


class Named:
    """A command line that names scores."""

    def __init__(self, *paths):
        self.score = list(paths)


def test_a_command_gets_one_file_and_a_folder_of_pages_gives_it_its_name(tmp_path, capsys):
    pages = tmp_path / "Lock Water"
    pages.mkdir()
    for k, name in enumerate(("page2.png", "page10.png"), 1):
        (pages / name).write_bytes(file_of(shades(10 * k, 40), "PNG"))
    for named, stem in ((Named(pages), "Lock Water"), (Named(*sorted(pages.iterdir())), "page2")):
        with as_one(named):
            assert named.score.name == f"{stem}.tiff"
            assert [p.shape for p in pictures_in(named.score.read_bytes(), "")] == [(10, 40), (20, 40)]
    assert "in the order of their numbers: page2.png, page10.png." in capsys.readouterr().err
    with as_one(alone := Named(pages / "page2.png")):
        assert alone.score == pages / "page2.png"


def test_who_stops_a_command_learns_that_pages_are_kept_and_one_page_is_not_told(capsys):
    told = []

    def read(*pages):
        for page in pages:
            tell_page(*page)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt), telling_pages(lambda *page: told.append(page)):
        read((1, 1), (1, 2), (2, 2))
    assert told == [(1, 2), (2, 2)]
    assert "already read are kept" in capsys.readouterr().err
    with pytest.raises(KeyboardInterrupt), telling_pages():
        read((1, 2))
    assert capsys.readouterr().err == ""


def test_pages_are_told_on_one_line_of_a_terminal_and_nowhere_where_there_is_none(monkeypatch):
    terminal = io.StringIO()
    terminal.isatty = lambda: True
    for place in (terminal, None):  # a program without a console has no standard error
        monkeypatch.setattr("sys.stderr", place)
        with telling_pages():
            tell_page(1, 2)
            tell_page(2, 2)
    assert terminal.getvalue().replace("\033[K", "") == "\rReading page 1 of 2 ...\rReading page 2 of 2 ...\r"


def test_reading_tells_of_each_page_is_stopped_there_and_goes_on_where_it_was(tmp_path, monkeypatch):
    """What the network sees is a matter of its own: here it sees nothing and says how often it looked."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    looked, heard = [], []
    layers = {"staff": np.eye(30, 50, dtype=np.bool_), "stem": np.ones((30, 50), dtype=np.bool_)}
    seen = seen_page.Seen(np.arange(14, dtype=np.float32).reshape(2, 7), layers)
    monkeypatch.setattr(seen_page, "look", lambda picture, weights: looked.append(picture[0, 0]) or seen)
    kept = []

    def see(picture, weights, looks):
        kept.append(looks(np.full((30, 50), picture[0, 0], np.float32), weights))

    monkeypatch.setattr(page_reader, "see", see)
    pages = joined([(f"{k}.png", file_of(np.full((60, 40), k, np.uint8), "PNG")) for k in (1, 2, 3)])

    class StoppedError(UnderstaveError):
        pass

    def stop_at_third(page, of):
        heard.append((page, of))
        if page == 3:
            raise StoppedError("stopped")

    with pytest.raises(StoppedError), pages_heard(stop_at_third):
        page_reader.read_page(pages, "pages.tiff")
    assert (looked, heard) == ([1, 2], [(1, 3), (2, 3), (3, 3)])
    with pytest.raises(ScoreError, match="No staves"):
        page_reader.read_page(pages, "pages.tiff")
    assert looked == [1, 2, 3]
    for again in kept:
        assert np.array_equal(again.symbols, seen.symbols)
        assert all(np.array_equal(again.layers[name], layers[name]) for name in layers)
    # A file that was damaged is looked at anew; those looked at longest ago give way.
    monkeypatch.setattr(seen_before, "MOST_KEPT", 2)
    for file in seen_before.kept_in().iterdir():
        file.write_bytes(b"PK")
    with pytest.raises(ScoreError, match="No staves"):
        page_reader.read_page(pages, "pages.tiff")
    assert looked == [1, 2, 3, 1, 2, 3]
    assert len(list(seen_before.kept_in().iterdir())) == 2


def test_pages_of_other_sizes_and_pages_without_music_are_named(monkeypatch):
    sizes = [(300, 200), (310, 220), (100, 200)]
    pages = joined(
        [(f"{k}.png", file_of(np.full(size, 255, np.uint8), "PNG")) for k, size in enumerate(sizes)]
    )
    sheet = type(
        "Sheet", (), {"systems": [1], "symbols": [type("Symbol", (), {"name": "noteheadBlack", "sure": 0.9})]}
    )
    monkeypatch.setattr(page_reader, "see", lambda picture, *_: None if picture.shape[0] > 300 else sheet)
    _, said = page_reader._seen_pages(pictures_in(pages, "pages.tiff"), "pages.tiff", page_reader.WEIGHTS)
    assert said[1:] == (
        "The pages differ in size (page 3 has 200 by 100 pixels, page 1 200 by 300); "
        "look whether each is a page of this piece.",
        "Pages without staves were left out: p. 2.",
    )
