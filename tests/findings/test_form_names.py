"""Names of whole forms, from printed headings and from letters.

The patterns are those of handbooks (Hutchinson, "Music Theory for the 21st-Century Classroom", chapters on
ternary and rondo form, from memory).
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from benchmarks.data import data_folder
from tests.findings.build import build
from tests.wording.readings import analysed

from understave.findings.form import FORM
from understave.findings.form_names import FORM_NAMES, form_name
from understave.findings.grounds import ground_of
from understave.score.model import Direction
from understave.score.reader import read_score
from understave.teaching.narrative import narrate
from understave.wording.phrasebook import SPOKEN, phrasebook


def headed(*texts: str, title: str = ""):
    marks = tuple(Direction(f"d{i}", "words", Fraction(4 * i), None, 1, t) for i, t in enumerate(texts))
    return replace(build("C5:4 | D5:4 | E5:4", "C3:4 | G3:4 | C3:4", directions=marks), title=title)


@pytest.mark.parametrize(
    ("letters", "name"),
    [
        ("A B A", "ternary form"),
        ("A B A'", "ternary form"),
        ("A A' B A''", "ternary form"),
        ("A B A C A", "rondo"),
        ("A B A' C A'' B A", "rondo"),
        ("A", ""),
        ("A B", ""),
        ("A B C", ""),
        ("A B C A", ""),
        ("A B A C", ""),
    ],
)
def test_by_letters(letters, name):
    assert form_name(headed(), letters.split()) == name


@pytest.mark.parametrize("letters", ["A B A", "A B A C A"])
def test_what_leaves_home_before_its_middle_has_a_reprise_and_no_such_name(letters):
    assert form_name(headed(), letters.split(), closed=False) == ""


@pytest.mark.parametrize(
    ("texts", "title", "name"),
    [
        (("Thema", "Variation I", "Variation II"), "", "theme and variations"),
        (("Var. 1", "Var. 2"), "", "theme and variations"),
        (("Variation I",), "", ""),
        (("Menuetto", "Trio"), "", "minuet and trio"),
        (("Trio",), "Menuet", "minuet and trio"),
        (("Scherzo", "Trio"), "", "scherzo and trio"),
        (("Trio",), "Marsch", ""),
        (("con variazioni",), "", ""),
    ],
)
def test_printed_headings_are_believed(texts, title, name):
    assert form_name(headed(*texts, title=title), ["A", "B", "C"]) == name


def test_the_demo_is_ternary_and_says_so():
    """Theme, middle in D flat, return in bar 59 (our own description, ``examples/chain-ferry/about.md``)."""
    score, reading = analysed("chain-ferry")
    ((_, found),) = FORM.all(reading.events)
    assert found.form_name == "ternary form"
    assert "a ternary form" in narrate(score, reading, "five")[0].text


@pytest.mark.parametrize("language", SPOKEN)
def test_every_name_has_words(language):
    assert set(phrasebook(language).values["form_name"]) == set(FORM_NAMES)


TOP = "G5:2 E5:2 | F5:2 A5:2 | D5:1 E5 F5 G5 | E5:4"
GROUND = "A3:4 | G3:4 | F3:4 | E3:4"


@pytest.mark.parametrize(
    ("bass", "turns", "bars"),
    [
        (GROUND, 5, 4),
        (GROUND, 4, 0),  # four turns may be the four strophes of a song
        ("A3:2 E3:2 | A3:2 E3:2 | A3:2 E3:2 | A3:2 E3:2", 5, 0),  # two notes that rock are an accompaniment
        ("A3:4 | G3:4 | F3:4 | E3:2 D3:2", 5, 4),
    ],
)
def test_a_bass_that_comes_again_and_again_is_a_ground(bass, turns, bars):
    """A ground is a phrase of the bass that comes throughout (Hutchinson, on ground bass, from memory)."""
    score = build(" | ".join([TOP] * turns), " | ".join([bass] * turns))
    assert ground_of(score) == bars
    assert form_name(score, ["A"]) == ("ground" if bars else "")


def test_a_bass_that_goes_its_own_way_is_no_ground():
    ways = ("A3:4 | G3:4 | F3:4 | E3:4", "C3:4 | D3:4 | E3:4 | F3:4", "G3:4 | C3:4 | A3:4 | D3:4")
    score = build(" | ".join([TOP] * 6), " | ".join(ways * 2))
    assert ground_of(score) == 0


@pytest.mark.corpus
def test_a_ground_of_purcell():
    """The sonata Z 807 stands on a ground of five bars (the set of analyses calls it a ground)."""
    piece = data_folder() / "harmony/train/grounds/purcell-henry-sonata-z807/score.mxl"
    if not piece.exists():
        pytest.skip(f"the open data are not at {data_folder()}")
    assert ground_of(read_score(piece)) == 5
