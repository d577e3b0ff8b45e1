"""A small lesson on the desk for tests: a piece of our own, read once."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from pathlib import Path

from understave.desk.app import Desk, make_app
from understave.desk.opened import OpenLesson
from understave.desk.recent import Recent
from understave.harmony.trained import judge_score, read_judged
from understave.lesson.folder import LessonFolder, create_folder, titled
from understave.score.reader import read_score

EXAMPLE = Path(__file__).parents[2] / "examples" / "lock-water" / "score.musicxml"
PORT = 4711
TOKEN = "a-token-of-these-tests"
OWN = {"host": f"127.0.0.1:{PORT}", "origin": f"http://127.0.0.1:{PORT}", "x-understave-token": TOKEN}


@lru_cache(maxsize=1)
def read_once():
    score = titled(read_score(EXAMPLE), EXAMPLE.name)
    judged = judge_score(score)
    return score, judged, read_judged(score, judged).spans


def folder_in(place: Path) -> LessonFolder:
    score, _, _ = read_once()
    return create_folder(place / "lesson", EXAMPLE, score.title, score.composer)


def opened(folder: LessonFolder) -> OpenLesson:
    """The lesson, opened without asking the networks again."""
    score, judged, spans = read_once()
    lesson = OpenLesson(folder, score, ThreadPoolExecutor(1), ThreadPoolExecutor(1))
    held, lesson.entries = lesson.entries, ()
    lesson.history = type(lesson.history)()
    lesson.begin_with(judged, spans)
    if held:
        from understave.desk.history import history

        lesson.entries, lesson.history = held, history(held)
        lesson._follow()
    return lesson


def desk_in(place: Path) -> tuple[Desk, OpenLesson]:
    desk = Desk(place, Recent(place / "state" / "recent.json"))
    lesson = opened(folder_in(place))
    desk.lesson = lesson
    return desk, lesson


def app_for(desk: Desk):
    return make_app(desk, TOKEN, PORT)


def copy(folder: LessonFolder, place: Path) -> LessonFolder:
    shutil.copytree(folder.path, place)
    return LessonFolder(place, place / folder.score.name, folder.imported_from)
