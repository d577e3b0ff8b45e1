"""The teacher's voice at the desk: recorded in the browser for a stop, heard again, taken away.

In: the id of a stop and the recording as a sound file. Out: the recording as the lesson page will play it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response

from understave.desk.sense import message, sense
from understave.errors import DeskError
from understave.lesson import voices
from understave.media.teacher_voice import voice_over

if TYPE_CHECKING:
    from understave.desk.app import Desk


async def record(desk: Desk, request: Request) -> Any:
    """Keep what was recorded for a stop."""
    lesson = await desk.current()
    with sense():
        stop = request.query_params["stop"]
    try:
        data = await request.body()
    except ClientDisconnect:
        raise DeskError("The recording did not arrive whole; record it again.") from None
    await asyncio.to_thread(voices.keep, lesson.folder.path, stop, data)
    desk.tell({"type": "stops"})
    return {"voice": True}


async def remove(desk: Desk, request: Request) -> Any:
    """Take the recording of a stop away."""
    lesson = await desk.current()
    asked = await message(request)
    with sense():
        stop = str(asked["stop"])
    await asyncio.to_thread(voices.remove, lesson.folder.path, stop)
    desk.tell({"type": "stops"})
    return {"voice": False}


async def hear(desk: Desk, request: Request) -> Any:
    """Play the recording of a stop as the page will."""
    lesson = await desk.current()
    with sense():
        stop = request.query_params["stop"]
    file = voices.voice_of(lesson.folder.path, stop)
    if file is None:
        raise DeskError("There is no recording for this stop any more.")
    return Response(await asyncio.to_thread(partial(_prepared, file)), media_type="audio/mpeg")


def _prepared(file: Path) -> bytes:
    return voice_over(file.read_bytes(), file.name).data


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/voice", record, "POST"),
    ("/api/voice", hear, "GET"),
    ("/api/voice/remove", remove, "POST"),
)
