"""Starting the desk: a socket on 127.0.0.1, a fresh token, the browser.

In: what to open and where. Out: a running server, until it is stopped.
"""

from __future__ import annotations

import secrets
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from understave.desk.app import Desk, make_app
from understave.desk.recent import Recent, own_file
from understave.errors import DeskError
from understave.lesson.folder import LessonFolder, create_folder, is_lesson_folder, open_folder, titled
from understave.score.reader import read_score
from understave.theory.vocabulary import Language

HOST = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Started:
    """Where the desk listens; the token stands behind #, which browsers never send anywhere."""

    port: int
    token: str

    @property
    def address(self) -> str:
        """The address to open in a browser."""
        return f"http://{HOST}:{self.port}/#{self.token}"


def lesson_for(source: Path) -> LessonFolder:
    """Return the lesson folder of a score file, made if need be, or the folder itself."""
    if is_lesson_folder(source):
        return open_folder(source)
    score = titled(read_score(source), source.name)
    return create_folder(Path(f"{source.stem or 'score'}-lesson"), source, score.title, score.composer)


def serve(
    folder: LessonFolder | None,
    port: int = 0,
    on_start: Callable[[Started], None] = lambda _: None,
    repertoire: Path | None = None,
    on_stop: Callable[[], None] = lambda: None,
    language: Language | None = None,
) -> None:
    """Serve the desk until it is interrupted, with a lesson on it; `port` 0 takes any free one, `repertoire`
    can be searched; it speaks `language`, or that of the lesson.

    `on_start` hears where once it answers, `on_stop` when it ends, also by a signal. Raises UnderstaveError
    where the port is taken.
    """
    library = folder.path.absolute().parent if folder is not None else Path.cwd()
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there it would let another program take the port over
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
    except (OSError, OverflowError) as error:
        raise DeskError(f"Port {port} cannot be used ({error}); choose another with --port.") from None
    with listening:
        started = Started(listening.getsockname()[1], secrets.token_urlsafe(32))
        desk = Desk(library, Recent(own_file()), folder, repertoire, language)
        app = make_app(desk, started.token, started.port)
        config = uvicorn.Config(
            app, log_level="error", access_log=False, timeout_graceful_shutdown=1, server_header=False
        )

        def stop() -> None:
            on_stop()
            desk.dismiss()

        server = _Server(config, lambda: on_start(started), stop)
        server.run([listening])


class _Server(uvicorn.Server):
    """A server that says when it listens and when it is about to stop."""

    def __init__(
        self, config: uvicorn.Config, on_start: Callable[[], None], on_stop: Callable[[], None]
    ) -> None:
        super().__init__(config)
        self._on_start, self._on_stop = on_start, on_stop

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen, then say so."""
        await super().startup(sockets)
        if self.started:
            self._on_start()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Say goodbye to the windows, whose lines would otherwise never end, then stop."""
        self._on_stop()
        await super().shutdown(sockets)
