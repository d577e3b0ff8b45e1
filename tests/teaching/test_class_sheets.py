"""Worksheets of a class: the same exercises in other keys, right there, and the same for the same seed."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from music21 import key as m21key
from music21 import roman
from tests.once import read, read_score

from understave.errors import LessonError
from understave.teaching.class_sheets import MOST_SIGNS, Student, sheets, students_from
from understave.teaching.exercises import exercises
from understave.teaching.verification import verify

SCORE = Path(__file__).resolve().parents[2] / "examples" / "lock-water" / "score.musicxml"
CLASS = (*(Student(f"S{k}", "intermediate") for k in range(4)), Student("Z", "beginner"))


@cache
def dealt(seed: int, many: int = len(CLASS)):
    score = read_score(SCORE)
    return tuple(sheets(score, read(score), CLASS[:many], seed, "en"))


def said(sheet):
    return [(e.kind, e.prompt(sheet.score), e.answer(sheet.score)) for e in sheet.exercises]


def test_the_same_seed_gives_the_same_sheets_and_another_seed_others():
    assert [said(s) for s in dealt(7)] == [said(s) for s in dealt.__wrapped__(7)]
    assert [s.key for s in dealt(7)] != [s.key for s in dealt(8)]
    # Who comes later changes nobody's sheet.
    assert [said(s) for s in dealt(7, 3)] == [said(s) for s in dealt(7)[:3]]


def test_students_of_a_level_have_the_same_exercises_in_keys_of_their_own():
    four = dealt(7)[:4]
    assert len({s.key for s in four}) == 4
    first = [(e.kind, e.start, e.end, e.step) for e in four[0].exercises]
    assert len(first) >= 5
    for sheet in four:
        assert [(e.kind, e.start, e.end, e.step) for e in sheet.exercises] == first
        assert abs(sheet.key.signature) <= MOST_SIGNS["intermediate"]
        assert all(e.kind != "hear and choose" for e in sheet.exercises)
    assert dealt(7)[4].student.level == "beginner"
    assert {e.level for e in dealt(7)[4].exercises} == {"beginner"}


def test_every_answer_is_proved_in_its_key():
    for sheet in dealt(7):
        for e in sheet.exercises:
            assert verify(e, sheet.score, sheet.reading) == ()


def test_what_is_heard_stands_in_the_key_of_the_sheet():
    score = read_score(SCORE)
    (sheet,) = sheets(score, read(score), CLASS[:1], 7, "en", heard=True)
    assert sheet.moved
    heard = [e for e in sheet.exercises if e.kind == "hear and choose"]
    assert heard
    home = read(score).spans[0].key
    before = {e.step: e for e in exercises(score, read(score), "intermediate")}
    for e in heard:
        assert verify(e, sheet.score, sheet.reading) == ()
        if e.material is not None:
            moved = {
                (a.midi - b.midi) % 12
                for a, b in zip(e.material.notes, before[e.step].material.notes, strict=True)
            }
            assert moved == {(sheet.key.tonic.semitone - home.tonic.semitone) % 12}


def test_spelled_chords_are_those_of_another_library():
    """Roman numerals as music21 spells them in the key of the sheet."""
    checked = 0
    for sheet in dealt(7):
        for e in sheet.exercises:
            if e.kind == "spell the chord" and "/" not in str(e.details.chord):
                key = e.details.key
                where = m21key.Key(
                    key.symbol.rstrip("b#").replace("b", "b")
                    + "-" * key.symbol.count("b", 1)
                    + "#" * key.symbol.count("#")
                )
                theirs = {
                    p.name.replace("-", "b") for p in roman.RomanNumeral(str(e.details.chord), where).pitches
                }
                assert {p.name for p in e.details.members} == theirs
                checked += 1
    assert checked >= 4


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("Anna, expert\n", "Line 1"),
        ("Anna\n\n# a comment\nanna\n", "stands twice"),
        ("\n# nobody\n", "names nobody"),
        (", beginner\n", "Line 1"),
    ],
)
def test_a_wrong_list_is_one_sentence(text, message):
    with pytest.raises(LessonError, match=message):
        students_from(text, "names.txt", "intermediate")


def test_names_with_and_without_levels():
    found = students_from(
        "\ufeffAnna, beginner\nBen\nC. D.; Advanced\n\nEve\tbeginner\n", "names.txt", "intermediate"
    )
    assert found == (
        Student("Anna", "beginner"),
        Student("Ben", "intermediate"),
        Student("C. D.", "advanced"),
        Student("Eve", "beginner"),
    )
