"""Marks of a bar as rows: what can be printed, and how beats are written.

Names of dynamics: MusicXML 4.0, ``dynamics``. How people write beats: common practice, no source.
"""

from fractions import Fraction

import pytest
from tests.once import opening

from understave.score.bar_text import BarTextError
from understave.score.marked_anew import Mark, checked, marks_of, read_beat, with_marks
from understave.score.reader import read_score


@pytest.mark.parametrize(
    ("text", "beat"),
    [("2", 2), ("2,5", Fraction(5, 2)), ("2 1/3", Fraction(7, 3)), ("x", None), ("1e9", None), ("", None)],
)
def test_beats_are_read_as_people_write_them(text, beat):
    if beat is None:
        with pytest.raises(BarTextError):
            read_beat(text)
    else:
        assert read_beat(text) == beat


@pytest.mark.parametrize(
    "text",
    ["p", "pppppp", "mf", "f", "fp", "sf", "sfp", "sfpp", "sfz", "sffz", "sfzp", "rf", "rfz", "fz", "n"],
)
def test_every_dynamic_of_musicxml_is_one(text):
    mark = Mark("dynamic", text, Fraction(0), None, 1)
    assert checked(mark, 1) == mark


def test_a_tempo_of_the_same_words_keeps_its_number_and_what_lies_beyond_the_bar_is_left_out():
    score = read_score(opening(2))
    (tempo,) = [d for d in score.directions if d.kind == "tempo"]
    assert (tempo.value, tempo.onset) == (54, 0)
    (mark,) = [mark for mark in marks_of(score, 0) if mark.kind == "tempo"]
    late = Mark("words", "late", score.measures[0].length, None, 1)
    other = with_marks(score, {0: [mark._replace(at=Fraction(1)), late]})
    assert [(d.text, d.onset, d.value) for d in other.directions if d.kind == "tempo"] == [
        (tempo.text, 1, 54)
    ]
    assert not [d for d in other.directions if d.kind in ("words", "dynamic")]
