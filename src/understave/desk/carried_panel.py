"""Corrections that carry, at the desk: where the bars of a chord that was set come again, with pictures.

In: the moment of a chord that the teacher has set. Out: the places to which it can be carried, any of them
engraved. What is chosen becomes one step (`gestures.carry`), so that one undo takes all of it back.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from understave.desk.sense import sense
from understave.score.model import read_exact

if TYPE_CHECKING:
    from understave.desk.app import Desk

MOST_BARS = 4
"""Bars of a place that are shown: a chord that lasts longer is known by its first ones."""


async def offered(desk: Desk, request: Request) -> Any:
    """Tell where a chord might hold too."""
    lesson = await desk.current()
    with sense():
        start = read_exact(request.query_params["start"])
    return await asyncio.to_thread(lesson.carried, start)


async def picture(desk: Desk, request: Request) -> Any:
    """Engrave the bars of a place."""
    lesson = await desk.current()
    with sense():
        first, last = int(request.query_params["bar"]), int(request.query_params["last"])
    svg = await lesson.excerpt(first, min(last, first + MOST_BARS - 1))
    return Response(svg, media_type="image/svg+xml")


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/carried", offered, "GET"),
    ("/api/carried/picture", picture, "GET"),
)
