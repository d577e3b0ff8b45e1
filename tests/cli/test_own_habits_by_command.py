"""What lessons taught of a teacher's habits is offered after a command, learnt, switched off, and in force.

That only what cross-validation proves is learnt is shown by tests of `harmony.habit_learning`.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from understave.cli.habits import habits_for
from understave.cli.program import main
from understave.desk import recent
from understave.harmony import corrections
from understave.harmony.habit_learning import LEAST_PIECES, Learnt, save
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.reading import Correction
from understave.lesson import own_habits
from understave.lesson.folder import create_folder, open_folder, set_habits
from understave.lesson.own_habits import OwnHabits, load, own_file
from understave.theory.key import Key

EXAMPLE = Path(__file__).parents[2] / "examples" / "lock-water" / "score.musicxml"
LONGER = Learnt(Habits(change=-2.0), (("change", 0.021),), LEAST_PIECES)
OFFER = "'understave habits --learn "


@pytest.fixture(autouse=True)
def state(tmp_path, monkeypatch):
    monkeypatch.setattr(own_habits, "own_folder", lambda: tmp_path / "state")
    monkeypatch.setattr(recent, "own_folder", lambda: tmp_path / "state")
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")


@pytest.fixture
def lessons(tmp_path):
    """Lessons side by side, one fewer with corrections than it takes, and one without."""
    home = tmp_path / "lessons"
    first = create_folder(home / "0", EXAMPLE, "Lock-Water", "").path
    bare = shutil.copytree(first, home / "bare")
    corrections.append(open_folder(first).corrections, Correction("2", 1, "3", 1, Key.parse("Eb"), None))
    return [first, *(shutil.copytree(first, home / str(n)) for n in range(1, LEAST_PIECES - 1)), bare]


@pytest.fixture
def asked(monkeypatch):
    """The lessons that are learnt from."""
    found = []

    def learnt_from(folders):
        found.append([folder.path.name for folder in folders])
        return LONGER

    monkeypatch.setattr(own_habits, "learnt_from", learnt_from)
    return found


def run(capsys, *words):
    code = main([str(w) for w in words])
    said = capsys.readouterr()
    return code, " ".join((said.out + said.err).split())


def correct(capsys, lesson):
    return run(capsys, "correct", lesson, "--from", "4", "--to", "5", "--key", "Eb")[1]


def test_learning_is_offered_once_for_as_many_lessons(lessons, capsys, asked):
    assert OFFER not in correct(capsys, lessons[0])
    assert re.search(rf"\b{LEAST_PIECES} lessons in \S+ have corrections", correct(capsys, lessons[-1]))
    code, said = run(capsys, "habits", lessons[0], "--learn", lessons[0].parent)
    assert (code, "You stay on a chord longer" in said) == (0, True)
    assert len(asked[0]) == LEAST_PIECES
    assert OFFER in correct(capsys, lessons[0])  # learnt for one lesson only
    run(capsys, "habits", "--learn", *lessons)
    assert len(asked[1]) == LEAST_PIECES
    assert OFFER not in correct(capsys, lessons[0])
    one_more = shutil.copytree(lessons[0], lessons[0].with_name("one more"))
    assert OFFER in correct(capsys, one_more)


def test_switched_off_nothing_is_offered(lessons, capsys):
    correct(capsys, lessons[-1])
    assert OFFER in correct(capsys, lessons[-1])
    assert "Off." in run(capsys, "habits", "--off")[1]
    assert OFFER not in correct(capsys, lessons[-1])
    assert "Switched off" in run(capsys, "habits")[1]
    assert "On." in run(capsys, "habits", "--on")[1]
    assert OFFER in correct(capsys, lessons[-1])


def test_without_names_the_lessons_opened_lately_and_those_beside_them_are_learnt_from(
    lessons, capsys, asked, monkeypatch
):
    corrections.append(open_folder(lessons[-1]).corrections, Correction("2", 1, "3", 1, Key.parse("c"), None))
    monkeypatch.chdir(lessons[0].parent)
    assert "Kept" in run(capsys, "habits", "--learn")[1]
    assert sorted(asked[0]) == sorted(lesson.name for lesson in lessons)
    assert load(own_file()).learnt == LONGER
    assert "stay on a chord longer" in run(capsys, "habits")[1]


def test_habits_taken_from_a_file_hold_for_all_lessons(tmp_path, capsys):
    save(tmp_path / "mine.json", LONGER)
    assert run(capsys, "habits", "--take", tmp_path / "mine.json")[0] == 0
    assert load(own_file()) == OwnHabits(LONGER)


def test_lessons_are_read_as_was_learnt(tmp_path, lessons):
    own_habits.save(own_file(), OwnHabits(LONGER))
    assert habits_for(EXAMPLE, tmp_path / "new") == LONGER.habits
    assert load(own_file()).given == (LONGER.habits,)
    assert habits_for(lessons[0], tmp_path / "new") == NO_HABITS
    assert open_folder(lessons[0]).habits == LONGER.habits
    assert habits_for(EXAMPLE, lessons[1]) == NO_HABITS
    assert open_folder(lessons[1]).habits == LONGER.habits
    set_habits(lessons[2], Habits(seventh=1.0))
    habits_for(lessons[2], tmp_path / "new")
    assert open_folder(lessons[2]).habits == Habits(seventh=1.0)
    own_habits.save(own_file(), OwnHabits(LONGER, on=False))
    assert habits_for(EXAMPLE, tmp_path / "new") == NO_HABITS
