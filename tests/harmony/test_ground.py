"""Whether music goes by functional keys: songs of the open data whose composers wrote so, and others."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from benchmarks.data import data_folder
from tests.harmony.small_scores import score_of

from understave.cli.program import main
from understave.harmony.ground import functional, mean_confidence
from understave.harmony.reading import Span
from understave.harmony.trained import read_trained
from understave.score.passage import passage
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral
from understave.wording import phrasebook

FERRY = Path(__file__).parents[2] / "examples" / "chain-ferry" / "score.musicxml"

SAID = phrasebook("en").phrases["hardly_keys"]


def span(start, end, sure, fixed=False):
    return Span(Fraction(start), Fraction(end), Key.parse("C"), RomanNumeral.parse("I"), sure, fixed=fixed)


def test_confidence_counts_by_time_and_without_what_the_teacher_set():
    assert mean_confidence([span(0, 3, 0.2), span(3, 4, 0.6), span(4, 9, 1.0, True)]) == pytest.approx(0.3)
    assert functional([span(0, 9, 1.0, True)])


def test_our_own_pieces_go_by_keys():
    assert functional(read_trained(read_score(FERRY)).spans)


def test_all_twelve_notes_in_a_row_do_not():
    # The row of Webern's Variations for piano op. 27, from memory, each note a quarter, four times over.
    row = ["Eb4", "B4", "Bb4", "D4", "C#4", "C4", "F#4", "E4", "G4", "F4", "A4", "G#4"]
    notes = [(Fraction(i), Fraction(1), row[i % 12]) for i in range(48)]
    notes += [(Fraction(i), Fraction(1), row[(7 * i + 5) % 12].replace("4", "2")) for i in range(48)]
    assert not functional(read_trained(score_of(notes)).spans)


def triads(quarters, sevenths, keys=("C", "G"), fixed=False):
    """Spans of whole bars, the first of them in one key, the last in the other, some with a seventh."""
    bars = quarters // 4
    return [
        Span(
            Fraction(4 * k),
            Fraction(4 * k + 4),
            Key.parse(keys[k % 2]),
            RomanNumeral.parse("V7" if k < sevenths else "V"),
            0.8,
            fixed=fixed,
        )
        for k in range(bars)
    ]


@pytest.mark.parametrize(
    ("spans", "keyed"),
    [
        (triads(100, 2), False),
        (triads(100, 3), True),
        (triads(96, 0), True),
        (triads(400, 0, ("C", "C")), True),
        # What the teacher set is theirs.
        (triads(400, 0, fixed=True), True),
    ],
)
def test_a_long_piece_without_sevenths_was_made_before_keys(spans, keyed):
    assert functional(spans) == keyed


@pytest.mark.parametrize(
    ("work", "keyed"),
    [
        ("monteverdi/madrigal.3.1", False),
        ("monteverdi/madrigal.4.12", False),
        ("palestrina/Kyrie_70_a", False),
        # Two chorales of 1700 and later, from the same corpus.
        ("bach/bwv66.6", True),
        ("bach/bwv244.46", True),
    ],
)
def test_madrigals_and_masses_do_not_go_by_keys(work, keyed):
    corpus = pytest.importorskip("music21.corpus")
    found = corpus.getWork(work)
    score = read_score(Path(str(found[0] if isinstance(found, list) else found)))
    if len(score.measures) > 60:
        score = passage(score, 0, 59)
    assert functional(read_trained(score).spans) == keyed


@pytest.mark.corpus
@pytest.mark.parametrize(
    ("begins", "keyed"),
    [
        ("webern-anton-5-lieder-aus-der-siebente-ring-op-3-3", False),
        ("webern-anton-5-lieder-nach-gedichten-von-stefan-george-op-4-2", False),
        ("schoenberg-arnold-das-buch-der-hangenden", False),
        ("reichardt-louise-6-lieder-von-novalis", True),
        ("schumann-robert-liederkreis-op-39-10-zwielicht", True),
    ],
)
def test_songs_of_both_kinds(begins, keyed):
    found = sorted((data_folder() / "songs").glob(f"{begins}*.mxl"))
    if not found:
        pytest.skip("needs the open songs beside the checkout")
    assert functional(read_trained(read_score(found[0])).spans) == keyed


@pytest.mark.corpus
def test_show_says_so_in_a_sentence_and_names_no_key(capsys):
    found = sorted((data_folder() / "songs").glob("webern-anton-5-lieder-aus-der-siebente-ring-op-3-3*.mxl"))
    if not found:
        pytest.skip("needs the open songs beside the checkout")
    assert main(["show", str(found[0])]) == 0
    said = capsys.readouterr().out
    assert " ".join(SAID.split()) in " ".join(said.split())
    assert " major" not in said.replace(SAID, "")
    assert main(["show", str(FERRY)]) == 0
    assert SAID[:30] not in capsys.readouterr().out
