"""Names of whole forms, from printed headings and from letters.

The patterns are those of handbooks (Hutchinson, "Music Theory for the 21st-Century Classroom", chapters on
ternary and rondo form, from memory).
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from benchmarks.data import data_folder
from tests.findings.build import build, spans_of
from tests.wording.readings import analysed

from understave.claims import facts
from understave.claims.whole_forms import FormIs
from understave.findings import with_events
from understave.findings.form import FORM
from understave.findings.form_names import FORM_NAMES, form_name
from understave.findings.grounds import ground_of
from understave.findings.sung_words import stanzas_of
from understave.harmony.reading import Reading
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


def stanzas(*lines: str, repeated: bool = True):
    """Four bars, every note of the tune sung with a syllable of each line."""
    tune = "C5:1 D5 E5 F5 | G5:1 F5 E5:2 | D5:1 E5 D5 C5 | B4:1 C5:3"
    score = build(tune, "C3:4 | C3:4 | G3:4 | C3:4")
    words = [line.split() for line in lines]
    top = [note for note in score.notes if note.midi > 60]
    sung = {n.id: tuple(line[k] if k < len(line) else "" for line in words) for k, n in enumerate(top)}
    notes = tuple(replace(note, lyrics=sung.get(note.id, ())) for note in score.notes)
    last = replace(score.measures[-1], repeat_end=repeated)
    return replace(score, notes=notes, measures=(*score.measures[:-1], last))


FIRST = "The rope is wet, the fer- ry waits, a lamp is lit, and no one comes."
SECOND = "The night is long, the fer- ry sleeps, a lamp is out, and no one knew."


@pytest.mark.parametrize(
    ("score", "begun"),
    [
        (stanzas(FIRST, SECOND), ("The rope is wet …", "The night is long …")),
        (stanzas(FIRST, SECOND, repeated=False), ()),  # the second line may be the words in another language
        (stanzas(FIRST), ()),
        (stanzas(FIRST, "Ah"), ()),
    ],
)
def test_a_song_with_stanzas_under_the_same_bars_is_strophic(score, begun):
    """Strophic: the same music for every stanza (the handbook above, on song forms, from memory)."""
    assert stanzas_of(score) == begun
    name = "strophic song"
    assert form_name(score, ["A"]) == (name if begun else "")
    claim = FormIs(Fraction(0), score.end, name, (("A", Fraction(0)),))
    assert claim.holds(facts(score, spans_of(score, "C: I:16"))) == bool(begun)


def test_parts_that_all_begin_alike_are_strophic_at_heart_where_somebody_sings():
    song, song_less = stanzas(FIRST), headed()
    assert form_name(song, ["A", "A'", "A''"]) == "varied strophic song"
    assert form_name(song, ["A", "A'"]) == form_name(song_less, ["A", "A'", "A''"]) == ""
    known = facts(song, spans_of(song, "C: I:16"))
    name, end = "varied strophic song", song.end
    assert not FormIs(Fraction(0), end, name, (("A", Fraction(0)), ("A'", Fraction(8)))).holds(known)


@pytest.mark.parametrize("language", SPOKEN)
def test_stanzas_are_told_with_the_words_they_begin_with(language):
    score = stanzas(FIRST, SECOND)
    reading = with_events(score, Reading(spans_of(score, "C: I:8 | V:4 | I:4"), ()), True)
    told = narrate(score, reading, "five", language=language)[0].text
    assert "The rope is wet …" in told
    assert "The night is long …" in told
    assert phrasebook(language).values["form_name"]["strophic song"] in told
