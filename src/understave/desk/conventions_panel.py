"""How harmony is written, chosen at the desk: for the lesson that lies there, or for all lessons.

In: choices by name. Out: what is in force and what may be chosen. What was chosen stands in ``lesson.toml``,
or in this user's file for all lessons, and every window shows the lesson so at once.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from starlette.requests import Request

from understave.desk.sense import message, sense
from understave.errors import DeskError, SymbolError
from understave.lesson.chosen_conventions import choose, chosen_in, conventions_of
from understave.theory.convention_choices import CHOICES, conventions_from

if TYPE_CHECKING:
    from pathlib import Path

    from understave.desk.app import Desk


def _state(lesson: Path) -> dict[str, Any]:
    return {
        "choices": {name: list(values) for name, values in CHOICES.items()},
        "here": asdict(conventions_of(lesson)),
        "for_all": asdict(conventions_of()),
        "own": sorted(chosen_in(lesson)),
    }


async def state(desk: Desk, request: Request) -> Any:
    """Tell which conventions the lesson follows, which hold for all, and which are this lesson's own."""
    lesson = await desk.current()
    return await asyncio.to_thread(_state, lesson.folder.path)


async def change(desk: Desk, request: Request) -> Any:
    """Choose for this lesson (``values``), for all (with ``for_all``), or as for all again (``afresh``)."""
    lesson = await desk.current()
    asked = await message(request)
    with sense():
        values = {str(name): str(value) for name, value in dict(asked.get("values", {})).items()}
        for_all, afresh = asked.get("for_all") is True, asked.get("afresh") is True
    try:
        conventions_from(values)
    except SymbolError as error:
        raise DeskError(str(error)) from error
    folder = lesson.folder.path
    await asyncio.to_thread(choose, values, None if for_all else folder, afresh)
    conventions = await asyncio.to_thread(conventions_of, folder)
    if conventions != lesson.conventions:
        await lesson.follow_conventions(conventions)
    desk.tell({"type": "conventions"})
    return await asyncio.to_thread(_state, folder)


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/conventions", state, "GET"),
    ("/api/conventions/change", change, "POST"),
)
