"""Notation text in, what the engraver makes of it out, from a process of its own.

The engraver (verovio) is a native library that can abort the whole process on malformed input. Here
it runs in a `one_process.Worker`: a crash or an endless run there becomes one `UnderstaveError` here, and
the next request starts a fresh process. The parent never imports the library.
"""

from __future__ import annotations

import atexit
from collections.abc import Mapping, Sequence
from functools import partial
from typing import Any

from understave.errors import ScoreError, WorkerError
from understave.jobs.one_process import LostError, TooLongError, TooMuchError, Worker
from understave.jobs.serving import Manner

TIME_LIMIT = 60.0
"""Seconds that one request may take unless the caller says otherwise."""
MEMORY_LIMIT = 4 << 30
"""Bytes that the engraver may hold, where the system can limit it."""


class NotationWorker:
    """A process that answers requests one at a time; a context manager.

    It starts with the first request and is replaced after a crash or a timeout.
    """

    def __init__(self) -> None:
        self._worker = Worker(Manner(memory=MEMORY_LIMIT, ready=_load))

    def __enter__(self) -> NotationWorker:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def start(self) -> None:
        """Start the process, so that the first request need not wait for it."""
        self._worker.start()

    def ask(
        self,
        text: str,
        calls: Sequence[tuple[str, Sequence[Any]]],
        options: Mapping[str, Any],
        name: str = "the score",
        time_limit: float = TIME_LIMIT,
        *,
        select: Mapping[str, str] | None = None,
    ) -> list[Any]:
        """Load `text` with `options` and return the results of `calls` in order.

        With `select` (see the engraver's method of that name) only a part of it is laid out.

        Raises UnderstaveError, naming the file as `name`, if the engraver refuses the text, crashes on
        it or takes longer than `time_limit` seconds.
        """
        plain = [(method, list(given)) for method, given in calls]
        part = dict(select) if select else None
        try:
            reply = self._worker.ask(partial(engraved, text, plain, dict(options), part), time_limit)
        except TooLongError as error:
            raise ScoreError(
                f"{name} took more than {time_limit:g} seconds to convert; check that it is a sound file."
            ) from error
        except LostError as error:
            if error.killed:
                # Nothing in a text does this: the system did, short of memory, or a person.
                raise WorkerError(
                    f"The notation engine was ended from outside while it worked on {name}; close other "
                    "programs if memory is short, and try again."
                ) from error
            raise _malformed(name) from error
        except TooMuchError as error:
            raise _malformed(name) from error
        if isinstance(reply, str):
            raise ScoreError(f"{name} cannot be read by the notation engine: {reply}.")
        results: list[Any] = reply
        return results

    def close(self) -> None:
        """End the process, if one runs."""
        self._worker.close()


def _malformed(name: str) -> ScoreError:
    return ScoreError(f"{name} is malformed and stops the notation engine; check the file and save it again.")


_shared: NotationWorker | None = None


def shared_worker() -> NotationWorker:
    """Return the worker that this process keeps for all its requests; it ends with the process."""
    global _shared
    if _shared is None:
        _shared = NotationWorker()
        atexit.register(_shared.close)
    return _shared


# --- in the other process --------------------------------------------------------------------------------


def engraved(
    text: str,
    calls: Sequence[tuple[str, Sequence[Any]]],
    options: dict[str, Any],
    select: dict[str, str] | None = None,
) -> list[Any] | str:
    """Return what the calls return, or what the engraver says against the text."""
    import verovio

    try:
        toolkit = verovio.toolkit()
        if not toolkit.setOptions(options):
            return "an option was not understood"
        if select:
            toolkit.select(select)
        if not toolkit.loadData(text):
            return "it holds no music that can be converted"
        return [getattr(toolkit, method)(*given) for method, given in calls]
    except Exception as error:
        return " ".join(str(error).split()) or type(error).__name__


def _load() -> None:
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
