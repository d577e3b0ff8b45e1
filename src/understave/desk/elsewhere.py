"""Where else something happens: the desk's questions to an index of many scores.

In: what the page asks for. Out: places with their bars, each engraved and played when the page wants it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from understave.desk.sense import message, sense
from understave.errors import UnderstaveError
from understave.repertoire import asked

if TYPE_CHECKING:
    from understave.desk.app import Desk


def repertoire_of(desk: Desk) -> Path:
    """Return the folder of scores to search: the one given at the start, else where the lessons lie."""
    return desk.repertoire or desk.library


async def choices(desk: Desk, request: Request) -> Any:
    """Tell what can be asked for, or why nothing can."""
    try:
        language = await asyncio.to_thread(desk.speaks)
        return await asyncio.to_thread(asked.choices, repertoire_of(desk), language)
    except UnderstaveError as error:
        return {"pieces": 0, "why": str(error)}


async def search(desk: Desk, request: Request) -> Any:
    """Answer a question."""
    question = await message(request)
    language = await asyncio.to_thread(desk.speaks)
    return await asyncio.to_thread(asked.search, repertoire_of(desk), question, language)


async def picture(desk: Desk, request: Request) -> Any:
    """Engrave a place."""
    language = await asyncio.to_thread(desk.speaks)
    svg = await _made(desk, request, partial(asked.picture, language=language))
    return Response(svg, media_type="image/svg+xml")


async def sound(desk: Desk, request: Request) -> Any:
    """Play a place."""
    return Response(await _made(desk, request, asked.sound), media_type="audio/mpeg")


async def _made(desk: Desk, request: Request, what: Callable[[Path, str, int, int], Any]) -> Any:
    q = request.query_params
    with sense():
        where = q["piece"], int(q["bar"]), int(q["last"])
    _, plays = desk.pools()
    return await asyncio.get_running_loop().run_in_executor(plays, what, repertoire_of(desk), *where)


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/elsewhere", choices, "GET"),
    ("/api/elsewhere/search", search, "POST"),
    ("/api/elsewhere/picture", picture, "GET"),
    ("/api/elsewhere/sound", sound, "GET"),
)
