"""Labels never touch each other, notes, dynamics or pedal marks, however dense they are."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from benchmarks.data import data_folder
from engraved_collisions import SVG, between_words, lanes_of, touching, touching_ink
from engraving_scores import THREE_ROWS, crowded, held, quarters, reading_of, song
from lxml import etree

from understave.engraving import Options, engrave, excerpt
from understave.harmony.reading import Reading
from understave.score.model import Score
from understave.score.reader import read_score

EVERYTHING = Options(chord_symbols=True)
LEAST = 30.0  # hundredths of a millimetre between any two shapes


def crowded_reading(score: Score, step: Fraction = Fraction(1, 2)) -> Reading:
    return reading_of(score, step, THREE_ROWS, ("Ab", "f", "Db"), 3, 0.4, 4)


@pytest.mark.parametrize("options", [Options(), EVERYTHING], ids=["lanes", "with symbols"])
def test_chord_on_every_eighth_note(options: Options) -> None:
    score = crowded()
    pages = engrave(score, crowded_reading(score), options)
    assert sum(page.count('class="numeral"') for page in pages) == 32
    for page in pages:
        assert touching(page, LEAST) == []
        assert touching_ink(page) == 0


def test_more_labels_in_a_bar_than_a_page_is_wide() -> None:
    score = quarters(2)
    reading = crowded_reading(score, Fraction(1, 8))
    pages = engrave(score, reading, Options())
    assert sum(page.count('class="numeral"') for page in pages) == 64
    for page in pages:
        assert touching(page, 0.0) == []
        assert touching_ink(page) == 0
        width = float(etree.fromstring(page.encode()).get("viewBox").split()[2])
        boxes = [
            float(u.get("transform")[10:].split(",")[0])
            for u in etree.fromstring(page.encode()).iter(f"{SVG}use")
        ]
        assert max(boxes) < width


def test_labels_between_notes_and_in_songs() -> None:
    for score in (held(), song()):
        for page in engrave(score, crowded_reading(score, Fraction(2, 3)), EVERYTHING):
            assert touching(page, LEAST) == []
            assert touching_ink(page) == 0


@pytest.mark.parametrize("words", [("schleicht,", "weil", "sich", "der"), ("o", "schleicht,")])
@pytest.mark.parametrize("width", [96, 120, 144])
def test_words_that_are_sung_stay_apart(words: tuple[str, ...], width: int) -> None:
    score = song(*words)
    reading = crowded_reading(score, Fraction(1))
    for last in (1, 2):
        drawn = excerpt(score, reading, 0, last, options=Options(legend=False), width_mm=width)
        # Wider than the space between two words of a text.
        assert min(between_words(drawn)) > 120


def test_excerpts() -> None:
    score = crowded()
    picture = excerpt(score, crowded_reading(score), 1, 2, highlight=["m2r0", "m3l0"])
    assert touching(picture, LEAST) == []
    assert touching_ink(picture) == 0


def test_checks_see_a_collision() -> None:
    """Both checks must fail on a page whose lanes were moved into the staves, or they prove nothing."""
    score = crowded(2)
    page = etree.fromstring(engrave(score, crowded_reading(score))[0].encode())
    for lane in lanes_of(page):
        lane.set("transform", "translate(0,-700)")
    spoilt = etree.tostring(page, encoding="unicode")
    assert touching(spoilt)
    assert touching_ink(spoilt)
    shuffled = etree.fromstring(engrave(score, crowded_reading(score))[0].encode())
    numerals = next(g for g in lanes_of(shuffled) if "numerals" in g.get("class"))
    starts = [float(g[0].get("transform").split("(")[1].split(",")[0]) for g in numerals]
    numerals[1].set("transform", f"translate({starts[0] - starts[1]},0)")
    assert any("of V" in t for t in touching(etree.tostring(shuffled, encoding="unicode")))


REAL = (
    "performance/schumann-arabeske/xml_score.musicxml",
    "performance/chopin-berceuse-op-57/xml_score.musicxml",
    "songs/debussy-claude-ariettes-oubliees-1-cest-lextase-langoureuse.mxl",
    "songs/hensel-fanny-5-lieder-op-10-2-vorwurf.mxl",
)


@pytest.mark.corpus
@pytest.mark.parametrize("name", REAL)
def test_real_scores(name: str) -> None:
    path = data_folder() / name
    if not path.exists():
        pytest.skip(f"needs {name} of the open data set")
    score = read_score(path)
    pages = engrave(score, reading_of(score, Fraction(1), THREE_ROWS, ("C", "g", "Ab"), 7), EVERYTHING)
    for page in pages:
        assert touching(page) == []
        assert touching_ink(page, 1400) == 0


@pytest.mark.parametrize("name", ["schumann_clara/polonaise_op1n1.mxl", "schubert/Lindenbaum.xml"])
def test_scores_of_a_reference_corpus(name: str) -> None:
    music21 = pytest.importorskip("music21")
    score = read_score(Path(music21.__file__).parent / "corpus" / name)
    pages = engrave(score, reading_of(score, Fraction(3, 2), THREE_ROWS, ("C", "g", "Ab"), 7), EVERYTHING)
    for page in pages:
        assert touching(page) == []
    assert touching_ink(pages[0], 1400) == 0
