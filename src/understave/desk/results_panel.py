"""The answers of a class at the desk: files that students saved, dropped here; who found what hard.

In: names and texts of files. Out: counts by question and by what is asked about, and a picture. Nothing of
the students is written to the disk or kept: the window that was dropped onto holds the files.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from understave.desk.sense import message, sense
from understave.errors import DeskError
from understave.lesson.folder import LessonFolder
from understave.media.homework_data import HOMEWORK, results_values
from understave.media.results_picture import results_picture, sign_of
from understave.teaching.results import read_questions, results
from understave.theory.vocabulary import Language

if TYPE_CHECKING:
    from understave.desk.app import Desk

MOST_FILES = 400
"""Files looked at together: more than any class has."""


def counted(folder: LessonFolder, files: Mapping[str, str], language: Language) -> dict[str, Any]:
    """Return what the files of a class say, as values for the page.

    Raises UnderstaveError where the lesson has no questions yet.
    """
    try:
        text = (folder.exports / HOMEWORK).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise DeskError(
            "This lesson has no questions yet; make it under “Lesson”, hand out its page, then bring in what "
            "the students saved."
        ) from None
    questions = read_questions(text, HOMEWORK)
    found = results(questions, list(files), lambda name: files[name].encode())
    signs = [
        {"name": student.name, "signs": [sign_of(student.answer(q.id)) for q in questions.asked]}
        for student in found.students
    ]
    return {**results_values(found), "signs": signs, "picture": results_picture(found, language)}


async def count(desk: Desk, request: Request) -> Any:
    """Answer with the counts of the files that the page sends."""
    lesson = await desk.current()
    asked = await message(request)
    with sense():
        files = {str(file["name"])[:120]: str(file["text"]) for file in asked["files"]}
    if len(files) > MOST_FILES:
        raise DeskError(f"{MOST_FILES} files at most are counted together; drop fewer.")
    language = await asyncio.to_thread(desk.speaks)
    return await asyncio.to_thread(counted, lesson.folder, files, language)


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/results", count, "POST"),
)
