"""The teacher's habits at the desk: learnt in the background, shown, switched off and on, saved and taken.

In: what the page asks for. Out: what was learnt, as values that the page words. Once a lesson has lain on the
desk for a while, what the teacher corrected so far is looked through, in a process that gives way to all;
a lesson that is open is not read otherwise meanwhile: the next one is, or this one when the teacher says so.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from understave.desk.sense import SenselessError, message
from understave.errors import DeskError, LessonError, UnderstaveError
from understave.faults import keep_fault
from understave.harmony.habit_learning import LEAST_PIECES, from_text, to_text
from understave.harmony.model.leaning import HABITS
from understave.lesson import own_habits
from understave.lesson.folder import LessonFolder, open_folder

if TYPE_CHECKING:
    from understave.desk.app import Desk

PATIENCE = 60.0
"""Seconds that a lesson lies on the desk before habits are learnt: reading and sound come first."""


def kept_in(desk: Desk) -> Path:
    """Return the file of this teacher's habits, beside the list of their lessons."""
    return desk.recent.file.with_name("habits.json")


def places(desk: Desk) -> Iterator[Path]:
    """Yield the folders in which this teacher's lessons may lie: those opened lately, those beside them."""
    yield from own_habits.beside((lesson.path for lesson in desk.recent.lessons()), [desk.library.resolve()])


async def learn(desk: Desk) -> None:
    """Learn from the lessons that were corrected, once enough of them are there and something changed.

    What cannot be learnt from now is tried again with the next lesson: nobody waits for it.
    """
    await asyncio.sleep(desk.patience)
    file = kept_in(desk)
    try:
        own = await asyncio.to_thread(own_habits.load, file)
        lessons, digest = await asyncio.to_thread(own_habits.to_learn_from, own, list(places(desk)))
        if not lessons:
            return
        desk.learns = True
        desk.tell({"type": "habits"})
        job = partial(own_habits.learnt_from, lessons)
        learnt = await asyncio.wrap_future(desk.learners().ask(job))
        # Switched off or on meanwhile, it stays so.
        own = await asyncio.to_thread(own_habits.load, file)
        await asyncio.to_thread(own_habits.save, file, replace(own, learnt=learnt, lessons=digest))
    except UnderstaveError:
        return
    except Exception as error:
        await asyncio.to_thread(keep_fault, error, "learning habits at the desk")
    finally:
        desk.learning, desk.learns = None, False
        desk.tell({"type": "habits"})


def _state(desk: Desk, folder: LessonFolder | None) -> dict[str, Any]:
    own = own_habits.load(kept_in(desk))
    now = open_folder(folder.path) if folder is not None else None
    gains = dict(own.learnt.gains)
    return {
        "learnt": [
            {"habit": name, "more": value > 0, "gain": round(100 * gains[name], 1) if name in gains else None}
            for name in HABITS
            if (value := getattr(own.learnt.habits, name))
        ],
        "pieces": own.learnt.pieces,
        "corrected": len(own_habits.corrected_among(places(desk))),
        "needed": LEAST_PIECES,
        "on": own.on,
        "learning": desk.learns,
        "here": None if now is None else now.habits == own_habits.wanted_for(own, now),
        "by_hand": now is not None and now.habits_set and now.habits not in own.given,
    }


async def state(desk: Desk, request: Request) -> Any:
    """Tell what was learnt, from how many lessons, and whether it is in force."""
    folder = desk.lesson.folder if desk.lesson is not None else None
    return await asyncio.to_thread(_state, desk, folder)


async def change(desk: Desk, request: Request) -> Any:
    """Switch habits off or on, take them from a file's text, or read the open lesson as they are now."""
    asked = await message(request)
    file = kept_in(desk)
    own = await asyncio.to_thread(own_habits.load, file)
    if isinstance(asked.get("take"), str):
        try:
            learnt = from_text(asked["take"], str(asked.get("name", "The file"))[:120])
        except LessonError as error:
            raise DeskError(str(error)) from error
        own = replace(own, learnt=learnt, on=True)
    elif isinstance(asked.get("on"), bool):
        own = replace(own, on=asked["on"])
    elif asked.get("here") is not True:
        raise SenselessError
    await asyncio.to_thread(own_habits.save, file, own)
    lesson = desk.lesson
    if lesson is not None:
        wanted = own_habits.wanted_for(own, await asyncio.to_thread(open_folder, lesson.folder.path))
        if wanted != lesson.folder.habits:
            await desk.open(open_folder(lesson.folder.path), lesson.score)
    desk.tell({"type": "habits"})
    return await state(desk, request)


async def saved(desk: Desk, request: Request) -> Any:
    """Give what was learnt as a file."""
    own = await asyncio.to_thread(own_habits.load, kept_in(desk))
    headers = {"content-disposition": 'attachment; filename="habits.json"'}
    return Response(to_text(own.learnt), media_type="application/json", headers=headers)


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/habits", state, "GET"),
    ("/api/habits/file", saved, "GET"),
    ("/api/habits/change", change, "POST"),
)
