"""What a spreadsheet would compute stands as text; read back with the standard library's CSV reader.

The signs are those that the Open Worldwide Application Security Project names under "CSV Injection".
"""

import csv
import io

import pytest

from understave.export.spreadsheet import csv_text
from understave.media.cards_csv import Card, cards_csv
from understave.teaching.cues import Cue, cue_sheet


def cells(text):
    return list(csv.reader(io.StringIO(text, newline="")))


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_no_cell_begins_as_a_formula(sign):
    bad = f'{sign}HYPERLINK("x")'
    assert cells(csv_text([["a", bad]])) == [["a", f"'{bad}"]]
    assert cells(cards_csv([Card(bad, bad)]))[1][:2] == [f"'{bad}"] * 2
    assert cells(cue_sheet([Cue(0, 1, "words", bad, "=title", "stop")]))[1][-1].startswith("'")


@pytest.mark.parametrize("text", ["-3", "+0.5", "-2,5", "V7", "", "a=b", "♭II"])
def test_what_is_no_formula_stays_as_it_is(text):
    assert cells(csv_text([["x", text]])) == [["x", text]]


def test_numbers_and_endings():
    assert csv_text([[-1, 2.5]], "\r\n") == "-1,2.5\r\n"
