"""Habits are learnt in the background at the desk, put in force, switched off, saved and taken.

That only what cross-validation proves is learnt is shown by tests of `harmony.habit_learning`.
"""

from __future__ import annotations

import asyncio
import json
import shutil
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

import pytest
from starlette.testclient import TestClient
from tests.desk.desk_lesson import OWN, app_for, desk_in, folder_in
from tests.once import opening

from understave.desk import app, habits_panel
from understave.desk.app import Desk
from understave.desk.recent import Recent
from understave.harmony import corrections
from understave.harmony.habit_learning import LEAST_PIECES, Learnt, read_file, to_text
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.reading import Correction
from understave.lesson import own_habits
from understave.lesson.folder import create_folder, open_folder, set_habits
from understave.lesson.own_habits import OwnHabits, load, put_in_force, save, wanted_for
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

LONGER = Learnt(Habits(change=-2.0), (("change", 0.021),), LEAST_PIECES)


def corrected(place, count=LEAST_PIECES):
    """Folders side by side, each with a correction."""
    first = folder_in(place)
    keep = Correction("2", 1, "3", 1, Key.parse("Eb"), None)
    corrections.append(first.corrections, keep)
    rest = [shutil.copytree(first.path, place / f"lesson {n}") for n in range(1, count)]
    return [first.path, *rest]


class Learners:
    """Does the job at once, in place of a process."""

    def __init__(self):
        self.asked = 0

    def ask(self, job, *_):
        self.asked += 1
        done = Future()
        done.set_result(job())
        return done

    def shutdown(self, wait=True):
        pass


@pytest.fixture
def desk(tmp_path, monkeypatch):
    places = corrected(tmp_path)
    desk, lesson = desk_in(tmp_path)
    desk.patience = 0.0
    desk._learners = Learners()
    desk.lesson = None
    monkeypatch.setattr(own_habits, "learnt_from", lambda lessons: replace(LONGER, pieces=len(lessons)))
    yield desk, lesson, places
    lesson.give_up()


def learnt(desk):
    asyncio.run(habits_panel.learn(desk))
    return load(habits_panel.kept_in(desk))


def test_enough_corrected_lessons_are_learnt_from_once(desk):
    desk, _, places = desk
    own = learnt(desk)
    assert (own.learnt, own.on) == (LONGER, True)
    assert learnt(desk) == own
    assert desk._learners.asked == 1
    corrections.append(open_folder(places[3]).corrections, Correction("4", 1, "5", 1, Key.parse("Eb"), None))
    learnt(desk)
    assert desk._learners.asked == 2


def test_fewer_lessons_teach_nothing(desk):
    desk, _, places = desk
    shutil.rmtree(places[-1])
    assert learnt(desk) == OwnHabits()
    assert desk._learners.asked == 0


def test_a_lesson_without_corrections_does_not_count(desk):
    desk, _, places = desk
    open_folder(places[-1]).corrections.unlink()
    assert learnt(desk) == OwnHabits()


def test_what_fails_is_tried_again(desk, monkeypatch):
    desk, _, _ = desk

    def fails(lessons):
        raise ValueError("a fault of ours")

    monkeypatch.setattr(own_habits, "learnt_from", fails)
    monkeypatch.setattr(habits_panel, "keep_fault", lambda *_: None)
    assert learnt(desk) == OwnHabits()
    assert desk.learning is None
    monkeypatch.setattr(own_habits, "learnt_from", lambda _: LONGER)
    assert learnt(desk).learnt == LONGER


def test_switched_off_it_stays_off_when_more_is_learnt(desk):
    desk, _, _ = desk
    save(habits_panel.kept_in(desk), OwnHabits(on=False))
    own = learnt(desk)
    assert (own.learnt, own.on) == (LONGER, False)


def test_a_lesson_is_read_so_from_its_next_opening_on(desk, monkeypatch):
    desk, lesson, places = desk
    save(habits_panel.kept_in(desk), OwnHabits(LONGER))

    async def ready(folder, *_):
        lesson.folder = folder
        return lesson

    async def begun():
        return None

    monkeypatch.setattr(app, "open_lesson", ready)
    monkeypatch.setattr(lesson, "begin", begun)
    monkeypatch.setattr(desk, "pools", lambda: (ThreadPoolExecutor(1), ThreadPoolExecutor(1)))
    monkeypatch.setattr(desk, "players", lambda: ThreadPoolExecutor(1))

    async def run():
        await desk.open(open_folder(places[0]))
        assert lesson.folder.habits == LONGER.habits
        assert desk.learning is not None
        await desk.learning

    asyncio.run(run())
    assert open_folder(places[0]).habits == LONGER.habits
    assert open_folder(places[1]).habits == NO_HABITS


def client_of(desk):
    return TestClient(app_for(desk), base_url=OWN["origin"], headers=OWN)


def test_the_page_sees_switches_saves_and_takes(desk, tmp_path):
    desk, _, _ = desk
    save(habits_panel.kept_in(desk), OwnHabits(LONGER))
    client = client_of(desk)
    now = client.get("/api/habits").json()
    assert now["learnt"] == [{"habit": "change", "more": False, "gain": 2.1}]
    assert (now["on"], now["corrected"], now["needed"]) == (True, LEAST_PIECES, LEAST_PIECES)
    assert not client.post("/api/habits/change", json={"on": False}).json()["on"]
    assert not load(habits_panel.kept_in(desk)).on
    file = tmp_path / "taken.json"
    file.write_bytes(client.get("/api/habits/file").content)
    assert read_file(file) == LONGER
    other = Learnt(Habits(seventh=1.0), (("seventh", 0.01),), 9)
    taken = client.post("/api/habits/change", json={"take": to_text(other), "name": "mine.json"}).json()
    assert taken["on"]
    assert load(habits_panel.kept_in(desk)).learnt == other
    refused = client.post("/api/habits/change", json={"take": json.dumps({"a": 1}), "name": "mine.json"})
    assert refused.status_code == 422
    assert "mine.json holds no habits" in refused.json()["error"]
    assert client.post("/api/habits/change", json={"on": 1}).status_code == 400
    assert load(habits_panel.kept_in(desk)).learnt == other


def test_the_open_lesson_says_whether_it_is_read_so(desk):
    desk, lesson, places = desk
    lesson.folder = open_folder(places[0])
    desk.lesson = lesson
    save(habits_panel.kept_in(desk), OwnHabits(LONGER))
    client = client_of(desk)
    assert client.get("/api/habits").json()["here"] is False
    put_in_force(habits_panel.kept_in(desk), lesson.folder)
    now = client.get("/api/habits").json()
    assert (now["here"], now["by_hand"]) == (True, False)
    set_habits(places[0], NO_HABITS)
    assert client.get("/api/habits").json()["by_hand"] is True
    assert wanted_for(load(habits_panel.kept_in(desk)), open_folder(places[0])) == NO_HABITS


def test_a_process_of_the_desk_learns_from_real_lessons(tmp_path):
    """Eight lessons of four bars, from their files to the habits that are kept, by the desk's own worker."""
    first = create_folder(tmp_path / "lessons" / "0", opening(4), "Lock-Water", "")
    corrections.append(
        first.corrections, Correction("2", 1, "3", 1, Key.parse("Eb"), RomanNumeral.parse("V7"))
    )
    for n in range(1, LEAST_PIECES):
        shutil.copytree(first.path, first.path.with_name(str(n)))
    desk = Desk(tmp_path / "lessons", Recent(tmp_path / "state" / "recent.json"))
    desk.patience = 0.0
    try:
        own = learnt(desk)
    finally:
        desk.learners().shutdown()
    assert own.learnt.pieces == LEAST_PIECES
    assert own.lessons == own_habits.digest_of(own_habits.corrected_among(habits_panel.places(desk)))
    assert not desk.learns
