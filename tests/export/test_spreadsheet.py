"""What a spreadsheet would compute stands as text; read back with the standard library's CSV reader.

The signs are those that the Open Worldwide Application Security Project names under "CSV Injection".
"""

import codecs
import csv
import io
from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path

import pytest
from tests.once import read, read_score

from understave.export.reading_data import CSV_COLUMNS, reading_csv
from understave.export.spreadsheet import csv_text
from understave.harmony.reading import Reading
from understave.media.cards_csv import Card, cards_csv
from understave.teaching.cues import Cue, cue_sheet

ROOT = Path(__file__).resolve().parents[2]


@cache
def piece():
    score = read_score(ROOT / "examples" / "chain-ferry" / "score.musicxml")
    return score, read(score)


def cells(text):
    return list(csv.reader(io.StringIO(text, newline="")))


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_no_cell_begins_as_a_formula(sign):
    bad = f'{sign}HYPERLINK("x")'
    assert cells(csv_text([["a", bad]])) == [["a", f"'{bad}"]]
    assert cells(cards_csv([Card(bad, bad)]))[1][:2] == [f"'{bad}"] * 2
    told = cells(cue_sheet([Cue(0, 1, "words", bad, "=title", "stop", place=bad)]))[1]
    assert told[4] == f"'{bad}"
    assert told[-1].startswith("'")


@pytest.mark.parametrize("text", ["-3", "+0.5", "-2,5", "V7", "", "a=b", "♭II"])
def test_what_is_no_formula_stays_as_it_is(text):
    assert cells(csv_text([["x", text]])) == [["x", text]]


def test_numbers_and_endings():
    assert csv_text([[-1, 2.5]], "\r\n") == "-1,2.5\r\n"


@pytest.mark.parametrize("language", ["de", "fr"])
def test_a_spreadsheet_that_writes_commas_finds_numbers(language):
    """Read by pandas as such a spreadsheet would: semicolons, decimal commas, a byte order mark."""
    import pandas  # not by each worker of a run that collects this file

    score, reading = piece()
    data = reading_csv(score, reading, language).encode()
    assert data.startswith(codecs.BOM_UTF8)
    assert not reading_csv(score, reading).startswith("\ufeff")
    table = pandas.read_csv(io.BytesIO(data), sep=";", decimal=",", encoding="utf-8-sig")
    assert list(table.columns) == list(CSV_COLUMNS)
    assert table["confidence"].to_list() == [pytest.approx(s.confidence, abs=0.005) for s in reading.spans]
    assert table["numeral"].to_list() == [str(s.numeral) for s in reading.spans]
    # The same cells, whatever the form: a number's mark is all that differs.
    english = list(csv.reader(io.StringIO(reading_csv(score, reading), newline="")))
    other = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""), delimiter=";"))
    numbers = [CSV_COLUMNS.index(name) for name in ("beat", "until beat", "confidence", "next best")]
    for one, two in zip(english, other, strict=True):
        assert one == [cell.replace(",", ".") if k in numbers else cell for k, cell in enumerate(two)]


def test_a_beat_between_beats_is_no_date():
    score, reading = piece()
    late = Reading((replace(reading.spans[0], start=Fraction(3, 4)),))
    assert reading_csv(score, late).splitlines()[1].startswith("1,1.5,")
    assert reading_csv(score, late, "de").splitlines()[1].startswith("1;1,5;")


def test_german_cards_and_cues_are_safe_and_parted_by_semicolons():
    rows = cards_csv([Card('=A1;"b"', "Dur, moll")], "de")
    assert rows.startswith("\ufeff")
    found = list(csv.reader(io.StringIO(rows.removeprefix("\ufeff"), newline=""), delimiter=";"))
    assert found[1][:2] == ['\'=A1;"b"', "Dur, moll"]
    cues = cue_sheet([Cue(3661.25, 1, "words", "-x", "Titel", "stop")], "de").splitlines()
    assert cues[1].startswith("1:01:01,2;1:01:02,2;")
    assert (
        cue_sheet([Cue(59.96, 1, "words", "x", "t", "s")]).splitlines()[1].startswith("0:01:00.0,0:01:01.0,")
    )


def test_a_text_that_looks_like_a_number_stays_a_text():
    assert csv_text([["2.5", 2.5, -3]], language="de") == "\ufeff2.5;2,5;-3\n"
