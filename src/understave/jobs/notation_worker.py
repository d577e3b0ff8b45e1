"""Notation text in, what the engraver makes of it out, from a process of its own.

The engraver (verovio) is a native library that can abort the whole process on malformed input. Here
it runs in a child process: a crash or an endless run there becomes one `UnderstaveError` here, and
the next request starts a fresh child. The parent never imports the library.

A request is a text, the engraver's options and a list of calls, each a method name and its
arguments; the answer is the list of what the calls returned. Both travel as one JSON line.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from typing import IO, Any

from understave.errors import ScoreError, WorkerError
from understave.jobs.processes import worker_command, worker_environment

TIME_LIMIT = 60.0
"""Seconds that one request may take unless the caller says otherwise."""
MEMORY_LIMIT = 4 << 30
"""Bytes of address space that the child may use, where the system can limit it."""


_KILLED = -getattr(signal, "SIGKILL", 9)


class NotationWorker:
    """A child process that answers requests one at a time; a context manager.

    The child starts with the first request and is replaced after a crash or a timeout.
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()

    def __enter__(self) -> NotationWorker:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def ask(
        self,
        text: str,
        calls: Sequence[tuple[str, Sequence[Any]]],
        options: Mapping[str, Any],
        name: str = "the score",
        time_limit: float = TIME_LIMIT,
    ) -> list[Any]:
        """Load `text` with `options` and return the results of `calls` in order.

        Raises UnderstaveError, naming the file as `name`, if the engraver refuses the text, crashes on
        it or takes longer than `time_limit` seconds.
        """
        request = json.dumps(
            {"text": text, "calls": [[m, list(a)] for m, a in calls], "options": dict(options)}
        )
        with self._lock:
            process = self._running()
            try:
                answer = _exchange(process, request.encode() + b"\n", time_limit)
            except TimeoutError as error:
                self._stop()
                raise ScoreError(
                    f"{name} took more than {time_limit:g} seconds to convert; check that it is a sound file."
                ) from error
            except (OSError, EOFError) as error:
                ended = self._ended()
                self._stop()
                if ended == _KILLED:
                    # Nothing in a text does this: the system did, short of memory, or a person.
                    raise WorkerError(
                        f"The notation engine was ended from outside while it worked on {name}; close other "
                        "programs if memory is short, and try again."
                    ) from error
                raise ScoreError(
                    f"{name} is malformed and stops the notation engine; check the file and save it again."
                ) from error
            except BaseException:
                # An interrupted exchange leaves an answer behind that must not reach the next request.
                self._stop()
                raise
        reply = json.loads(answer)
        if "error" in reply:
            raise ScoreError(f"{name} cannot be read by the notation engine: {reply['error']}.")
        results: list[Any] = reply["results"]
        return results

    def close(self) -> None:
        """End the child process, if one runs."""
        with self._lock:
            self._stop()

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self._process = subprocess.Popen(
                worker_command("understave.jobs.notation_worker"),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=worker_environment(),
            )
        return self._process

    def _ended(self) -> int | None:
        """Return how the child process ended, as `Popen.returncode` has it; None if it still runs."""
        if self._process is None:
            return None
        try:
            return self._process.wait(1)
        except subprocess.TimeoutExpired:
            return None

    def _stop(self) -> None:
        if self._process is None:
            return
        process, self._process = self._process, None
        process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()


_shared: NotationWorker | None = None


def shared_worker() -> NotationWorker:
    """Return the worker that this process keeps for all its requests; it ends with the process."""
    global _shared
    if _shared is None:
        _shared = NotationWorker()
        atexit.register(_shared.close)
    return _shared


def _exchange(process: subprocess.Popen[bytes], request: bytes, time_limit: float) -> bytes:
    stdin, stdout = process.stdin, process.stdout
    assert stdin is not None
    assert stdout is not None
    until = time.monotonic() + time_limit
    # The child reads the whole request before it answers, so writing first cannot deadlock.
    stdin.write(request)
    stdin.flush()
    pieces: list[bytes] = []
    while not pieces or not pieces[-1].endswith(b"\n"):
        _wait_readable(stdout, until)
        piece = os.read(stdout.fileno(), 1 << 20)
        if not piece:
            raise EOFError
        pieces.append(piece)
    return b"".join(pieces)


def _wait_readable(stream: IO[bytes], until: float) -> None:
    if os.name == "nt":  # select works on sockets only there; the child then has no time limit
        return
    if not select.select([stream], [], [], max(0.0, until - time.monotonic()))[0]:
        raise TimeoutError


def _serve() -> None:
    """Answer requests from standard input until it ends; this is what the child process runs."""
    requests, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever the library prints must not mix with the answers
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT, MEMORY_LIMIT))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    while line := requests.readline():
        request = json.loads(line)
        try:
            toolkit = verovio.toolkit()
            if not toolkit.setOptions(request["options"]):
                reply: dict[str, Any] = {"error": "an option was not understood"}
            elif not toolkit.loadData(request["text"]):
                reply = {"error": "it holds no music that can be converted"}
            else:
                reply = {"results": [getattr(toolkit, m)(*a) for m, a in request["calls"]]}
        except Exception as error:
            reply = {"error": " ".join(str(error).split()) or type(error).__name__}
        answers.write(json.dumps(reply).encode() + b"\n")
        answers.flush()


if __name__ == "__main__":
    _serve()
