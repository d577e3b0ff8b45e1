import csv
import io
import json
from fractions import Fraction
from pathlib import Path

import pytest
from tests.once import read, read_score

from understave.export.reading_data import CSV_COLUMNS, reading_csv, reading_json
from understave.score.model import beat_text
from understave.theory.chord import Chord
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "chain-ferry" / "score.musicxml"


@pytest.fixture(scope="module")
def made():
    score = read_score(EXAMPLE)
    return score, read(score)


@pytest.mark.parametrize(
    ("beat", "text"),
    [(1, "1"), (Fraction(5, 2), "2.5"), (Fraction(5, 3), "1 2/3"), (Fraction(13, 4), "3.25")],
)
def test_beats_read_as_people_write_them(beat, text):
    assert beat_text(Fraction(beat)) == text


def test_json_says_what_the_reading_says(made):
    score, reading = made
    document = json.loads(reading_json(score, reading))
    assert document["piece"]["measures"] == len(score.measures)
    assert len(document["spans"]) == len(reading.spans)
    assert len(document["events"]) == len(reading.events)
    for row, span in zip(document["spans"], reading.spans, strict=True):
        assert Fraction(row["start"]["quarter"]) == span.start
        assert Fraction(row["end"]["quarter"]) == span.end
        key, numeral = Key.parse(row["key"]), RomanNumeral.parse(row["numeral"])
        chord: Chord = numeral.chord(key)
        assert [m.name for m in chord.members] == row["members"]
        assert chord.bass == PitchClass.parse(row["bass"])
        assert set(row["notes"]) | set(row["foreign"]) <= set(score.note_by_id)


def test_csv_has_one_row_a_span_and_opens_anywhere(made):
    score, reading = made
    rows = list(csv.reader(io.StringIO(reading_csv(score, reading))))
    assert tuple(rows[0]) == CSV_COLUMNS
    assert len(rows) == len(reading.spans) + 1
    assert {len(r) for r in rows} == {len(CSV_COLUMNS)}
    assert [r[5] for r in rows[1:]] == [str(s.numeral) for s in reading.spans]
