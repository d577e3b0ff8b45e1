"""Where else something happens: the desk's questions to an index of many scores, which is made here too.

In: what the page asks for. Out: places with their bars, each engraved and played when the page wants it. The
folder to index is the one path that a request names: the teacher types it. What is being indexed is told to
every window as a message; it is done by one process that reads and gives way to the desk.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Awaitable, Callable, Generator, Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from understave.desk.sense import message, sense
from understave.desk.work import GIVES_WAY_MOST
from understave.disk import typed_path
from understave.errors import DeskError, RepertoireError, UnderstaveError
from understave.faults import fault_sentence, keep_fault
from understave.repertoire import asked
from understave.repertoire.indexing import Done, Progress, Summary, index_folder, keep
from understave.repertoire.reader_processes import Job, read_all
from understave.repertoire.store import Store

if TYPE_CHECKING:
    from understave.desk.app import Desk


LONGEST_PATH = 1000


@dataclass
class Indexing:
    """A folder that is being indexed: how far it is, and whether it is to stop."""

    folder: Path
    stop: threading.Event = field(default_factory=threading.Event)
    task: asyncio.Task[None] | None = None
    far: dict[str, Any] = field(default_factory=dict)


def repertoire_of(desk: Desk) -> Path:
    """Return the folder of scores to search: the one given at the start, else where the lessons lie."""
    return desk.repertoire or desk.library


async def choices(desk: Desk, request: Request) -> Any:
    """Tell what can be asked for, or why nothing can."""
    now = {"folder": str(repertoire_of(desk)), "indexing": desk.indexing.far if desk.indexing else None}
    try:
        language = await asyncio.to_thread(desk.speaks)
        return {**await asyncio.to_thread(asked.choices, repertoire_of(desk), language), **now}
    except UnderstaveError as error:
        return {"pieces": 0, "why": str(error), **now}


async def index(desk: Desk, request: Request) -> Any:
    """Begin to index a folder; its scores are searched from now on."""
    told = await message(request)
    with sense():
        name = str(told["folder"]).strip()
    folder = desk.library.resolve() / typed_path(name)
    if not name or len(name) > LONGEST_PATH or not await asyncio.to_thread(folder.is_dir):
        raise DeskError(f"There is no folder {name[:80]}; give the one your scores lie in.")
    if desk.indexing is not None:
        raise DeskError(f"{desk.indexing.folder} is being indexed; wait for it or stop it.")
    desk.repertoire = folder
    desk.indexing = Indexing(folder)
    desk.indexing.task = asyncio.create_task(_index(desk, desk.indexing))
    return {"started": True}


async def stop_indexing(desk: Desk, request: Request) -> Any:
    """Stop: what was read is kept, and indexing goes on from there another time."""
    if desk.indexing is not None:
        desk.indexing.stop.set()
    return {"stopped": desk.indexing is not None}


async def _index(desk: Desk, now: Indexing) -> None:
    loop = asyncio.get_running_loop()

    def show(progress: Progress) -> None:
        now.far = asdict(progress)
        with contextlib.suppress(RuntimeError):  # the desk has stopped meanwhile
            loop.call_soon_threadsafe(desk.tell, {"type": "index", "far": now.far})

    def read(store: Store, jobs: Sequence[Job]) -> Generator[Done, None, None]:
        yield from keep(store, read_all(jobs, 1, gives_way=GIVES_WAY_MOST, stop=now.stop))
        if now.stop.is_set():
            raise RepertoireError("Indexing was stopped; what was read is kept.")

    ended: dict[str, Any]
    try:
        done: Summary = await asyncio.to_thread(index_folder, now.folder, None, 1, show, read)
        ended = {"done": {"n": done.files, "failed": len(done.failures)}}
    except UnderstaveError as error:
        ended = {"stopped": True} if now.stop.is_set() else {"error": str(error)}
    except Exception as error:
        log = await asyncio.to_thread(keep_fault, error, "indexing a folder at the desk")
        ended = {"error": fault_sentence(error, log)}
    desk.indexing = None
    desk.tell({"type": "index", **ended})


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
    ("/api/elsewhere/index", index, "POST"),
    ("/api/elsewhere/index/stop", stop_indexing, "POST"),
    ("/api/elsewhere/picture", picture, "GET"),
    ("/api/elsewhere/sound", sound, "GET"),
)
