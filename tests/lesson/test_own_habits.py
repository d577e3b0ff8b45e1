"""A teacher's own habits are kept in a file, put in force in lessons, and taken out of them again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from understave.harmony import corrections
from understave.harmony.habit_learning import LEAST_PIECES, Learnt
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.reading import Correction
from understave.lesson.folder import create_folder, open_folder, set_habits
from understave.lesson.own_habits import OwnHabits, digest_of, load, put_in_force, save, to_learn_from
from understave.lesson.page_corrections import Decision, add
from understave.score.readers.page.told_signs import Place
from understave.theory.key import Key

EXAMPLE = Path(__file__).parents[2] / "examples" / "lock-water" / "score.musicxml"
LONGER = Learnt(Habits(change=-2.0), (("change", 0.021),), LEAST_PIECES)


def folder_in(place):
    return create_folder(place / "lesson", EXAMPLE, "Lock-Water", "")


@pytest.mark.parametrize("mine", [NO_HABITS, Habits(seventh=1.0)])
def test_what_was_set_by_hand_stays(tmp_path, mine):
    folder, file = folder_in(tmp_path), tmp_path / "habits.json"
    save(file, OwnHabits(LONGER))
    set_habits(folder.path, mine)
    assert put_in_force(file, open_folder(folder.path)).habits == mine


def test_switched_off_a_lesson_loses_what_it_was_given(tmp_path):
    folder, file = folder_in(tmp_path), tmp_path / "habits.json"
    save(file, OwnHabits(LONGER))
    given = put_in_force(file, folder)
    assert (given.habits, given.habits_set) == (LONGER.habits, True)
    save(file, replace(load(file), on=False))
    assert put_in_force(file, given).habits == NO_HABITS
    newer = Learnt(Habits(seventh=1.0), (), 9)
    save(file, replace(load(file), on=True, learnt=newer))
    assert put_in_force(file, given).habits == newer.habits


@pytest.mark.parametrize("text", ["", "{", "[]", '{"on": 1}', '{"learnt": {}, "on": true, "given": [3]}'])
def test_a_file_that_is_none_keeps_nothing(tmp_path, text):
    file = tmp_path / "habits.json"
    file.write_text(text, encoding="utf-8")
    assert load(file) == OwnHabits()


def test_a_lesson_counts_once(tmp_path):
    folder = folder_in(tmp_path)
    corrections.append(folder.corrections, Correction("2", 1, "3", 1, Key.parse("Eb"), None))
    assert to_learn_from(OwnHabits(), [folder.path] * LEAST_PIECES)[0] == ()


def test_what_is_corrected_on_pages_is_something_new_to_learn_from(tmp_path):
    folder = folder_in(tmp_path)
    corrections.append(folder.corrections, Correction("2", 1, "3", 1, Key.parse("Eb"), None))
    before = digest_of([folder])
    add(folder.path, "0123456789abcdef", Decision(Place(1, 0.3, 0.1), "key", (), "2"))
    assert digest_of([folder]) != before
