"""Scores brought to the desk: files in, the lesson made of them and laid on the desk out.

Several pictures are the pages of one piece, in the order in which they come. While pages are read, how far
that is can be asked for, and it can be stopped: what was seen of pictures is kept for the next time.
"""

from __future__ import annotations

import asyncio
import re
import shutil
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from itertools import accumulate
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from starlette.requests import ClientDisconnect, Request

from understave.desk.sense import SenselessError, sense
from understave.disk import usable_name
from understave.errors import DeskError, UnderstaveError
from understave.lesson.folder import create_folder, titled
from understave.score.pages_heard import pages_heard
from understave.score.reader import read_score

if TYPE_CHECKING:
    from understave.desk.app import Desk


@dataclass(slots=True)
class PagesRead:
    """How far the pages of a score are read, and whether that is to stop."""

    page: int = 0
    of: int = 0
    stop: threading.Event = field(default_factory=threading.Event)

    def hear(self, page: int, of: int) -> None:
        """Note which page is read; raise _StoppedError where it is to stop."""
        self.go_on()
        self.page, self.of = page, of

    def go_on(self) -> None:
        """Raise _StoppedError where it is to stop."""
        if self.stop.is_set():
            raise _StoppedError("Reading was stopped.")


class _StoppedError(DeskError):
    """Whoever waited wants no more."""


async def bring_in(desk: Desk, request: Request) -> Any:
    """Take a dropped score file, or pictures of pages one after the other, with their names and sizes; a name
    only suggests the folder's, and says the format.
    """
    data = bytearray()
    try:
        async for chunk in request.stream():
            data += chunk
    except ClientDisconnect:
        raise DeskError("The file did not arrive whole; drop it again.") from None
    names = request.query_params.getlist("name") or ["score"]
    with sense():
        sizes = [int(size) for size in request.query_params.getlist("size")] or [len(data)]
        if len(sizes) != len(names) or min(sizes) < 0 or sum(sizes) != len(data):
            raise SenselessError("sizes")
    stem = usable_name(Path(names[0]).stem, "score")
    desk.pages_read = now = PagesRead()
    try:
        with TemporaryDirectory() as temporary, pages_heard(now.hear):
            file = await asyncio.to_thread(_put_down, Path(temporary) / stem, names, sizes, data)
            score = titled(await asyncio.to_thread(read_score, file), file.name)
            now.go_on()
            place = _fresh(desk.library, stem)
            folder = await asyncio.to_thread(create_folder, place, file, score.title, score.composer)
    except _StoppedError:
        return {"stopped": True}
    finally:
        if desk.pages_read is now:
            desk.pages_read = None
    try:
        await desk.open(folder, score)
    except UnderstaveError:
        # Made for this score alone, a moment ago: what is refused leaves nothing behind.
        await asyncio.to_thread(shutil.rmtree, folder.path, ignore_errors=True)
        raise
    return {"title": score.title}


def _put_down(place: Path, names: list[str], sizes: list[int], data: bytearray) -> Path:
    """Write what was brought to a place, with the suffix of its format; several pictures are one file."""
    suffix, whole = Path(names[0]).suffix.lower(), memoryview(data)
    if not re.fullmatch(r"\.[a-z0-9]{1,8}", suffix):
        suffix = ".musicxml"
    if len(names) > 1:
        from understave.score.readers.page.joined import SUFFIX, joined

        ends = zip(names, sizes, accumulate(sizes), strict=True)
        suffix = SUFFIX
        pages = [(Path(name).name, bytes(whole[end - size : end])) for name, size, end in ends]
        whole = memoryview(joined(pages))
    file = Path(f"{place}{suffix}")
    file.write_bytes(whole)
    return file


def _fresh(library: Path, stem: str) -> Path:
    number = 1
    while True:
        path = library / (f"{stem}-lesson" if number == 1 else f"{stem}-lesson-{number}")
        if not path.exists():
            return path
        number += 1


async def far(desk: Desk, request: Request) -> Any:
    """Tell which page is being read, and of how many; null where none is."""
    now = desk.pages_read
    return {"page": now.page, "of": now.of} if now is not None and now.of else None


async def stop(desk: Desk, request: Request) -> Any:
    """Let reading stop before the next page."""
    now = desk.pages_read
    if now is not None:
        now.stop.set()
    return {"stopped": now is not None}


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/import", bring_in, "POST"),
    ("/api/import/far", far, "GET"),
    ("/api/import/stop", stop, "POST"),
)
