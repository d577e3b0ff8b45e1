"""One process that does jobs for this one, one at a time: started with the first, replaced when it is lost.

In: a function and what it is given, which must be picklable (functions of modules). Out: what it returns, or
the error that it raises. Whatever else happens to the process, the answer is an error in words.
"""

from __future__ import annotations

import contextlib
import pickle
import queue
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from typing import IO, Any

from understave.errors import WorkerError
from understave.jobs.memory_bound import held_with_children
from understave.jobs.processes import worker_command, worker_environment
from understave.jobs.serving import Manner, read_frame, write_frame

REPLACED = 0.8
"""Share of its memory after which a process is replaced before the next job."""
ENDED = 0.92
"""Share of its memory at which a process is ended in the middle of a job, so that it never takes all."""
WATCHED = 0.05
"""Seconds between two looks at the memory of a process that has a bound."""
STOPPED = "What was being worked out has been stopped."
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_KILLED = -getattr(signal, "SIGKILL", 9)


class LostError(WorkerError):
    """The process ended without an answer; `killed` tells whether from outside, as no job does by itself."""

    killed = False


class TooLongError(WorkerError):
    """The job took longer than it might."""


class TooMuchError(WorkerError):
    """The job needed more memory than it might."""


class Worker:
    """A process for jobs; a context manager. One thread at a time asks; any may stop it.

    `command` starts it, for tests; `on_replaced` hears that one was lost while it had nothing to do.
    """

    def __init__(
        self,
        manner: Manner = Manner(),  # noqa: B008 - a frozen value
        command: Sequence[str] | None = None,
        on_replaced: Callable[[], None] = lambda: None,
    ) -> None:
        self._manner, self._command, self._on_replaced = manner, command, on_replaced
        self._process: _Process | None = None
        self._asking = threading.Lock()
        self._stopped = False
        self.seconds = 0.0
        """Seconds of CPU that the last job took."""
        self.memory = 0
        """Bytes that the process held after it."""

    def __enter__(self) -> Worker:
        return self

    def __exit__(self, *exc: object) -> None:
        self.stop()

    @property
    def pid(self) -> int | None:
        """The process, if there is one."""
        process = self._process
        return process.popen.pid if process is not None else None

    @property
    def fresh(self) -> bool:
        """Whether the next job begins with a new process."""
        return self._process is None

    def start(self) -> None:
        """Start the process if there is none, so that the first job need not wait for it.

        Raises WorkerError where the system does not let one be started.
        """
        with self._asking:
            self._running()

    def ask(
        self,
        job: Callable[[], Any],
        seconds: float = 0.0,
        on_told: Callable[[Any], None] = lambda _: None,
    ) -> Any:
        """Have a job done and return its result; `on_told` hears what it tells on the way (`serving.tell`).

        `seconds` it may take, 0 for as long as it likes. Raises what the job raises; WorkerError where no
        process can be started, and as LostError, TooLongError or TooMuchError where no answer came back.
        """
        request = pickle.dumps((job, seconds), pickle.HIGHEST_PROTOCOL)
        with self._asking:
            process = self._running()
            try:
                answer = self._answer(process, request, seconds, on_told)
            except BaseException:
                # An interrupted exchange leaves an answer behind that must not reach the next request.
                self.close()
                raise
            *what, self.seconds, self.memory = answer
            if self._manner.memory and self.memory > REPLACED * self._manner.memory:
                self.close()
        if what[0] == "done":
            return what[1]
        _, error, trace = what
        if isinstance(error, MemoryError):
            self.close()  # what is left of it may be in pieces
            raise TooMuchError(_too_much(self._manner.memory)) from error
        if isinstance(error, LostError):  # a process of that process, not ours
            error = WorkerError(str(error))
        error.__cause__ = error.__cause__ or _ElsewhereError(trace)
        raise error

    def close(self) -> None:
        """End the process; the next job starts another."""
        process, self._process = self._process, None
        if process is not None:
            process.end()

    def stop(self) -> None:
        """End the process for good, also in the middle of a job, which is then lost."""
        self._stopped = True
        self.interrupt()

    def interrupt(self) -> None:
        """End the job that is being done, with its process; the next one starts another."""
        process = self._process
        if process is not None:
            process.end()

    def _running(self) -> _Process:
        if self._stopped:
            raise LostError(STOPPED)
        if self._process is not None and self._process.popen.poll() is not None:
            self.close()
            self._on_replaced()
        if self._process is None:
            self._process = _Process(self._manner, self._command)
            if self._is_stopped():  # meanwhile, by another thread
                self._process.end()
        return self._process

    def _is_stopped(self) -> bool:
        return self._stopped

    def _answer(
        self, process: _Process, request: bytes, seconds: float, on_told: Callable[[Any], None]
    ) -> tuple[Any, ...]:
        until = time.monotonic() + seconds if seconds else float("inf")
        process.send(request)
        while True:
            frame = self._frame(process, until)
            if frame is None:
                raise _lost(process, stopped=self._stopped)
            try:
                answer: tuple[Any, ...] = pickle.loads(frame)
            except Exception as error:
                raise LostError(f"What a process answered cannot be understood ({error}).") from error
            if answer[0] != "told":
                return answer
            on_told(answer[1])

    def _frame(self, process: _Process, until: float) -> bytes | None:
        most = ENDED * self._manner.memory
        while True:
            left = until - time.monotonic()
            if left <= 0:
                raise TooLongError("What was being worked out took too long and was ended.")
            wait = min(left, WATCHED) if most else left
            try:
                return process.frames.get(timeout=wait if wait < threading.TIMEOUT_MAX else None)
            except queue.Empty:
                if most and held_with_children(process.popen.pid) > most:
                    raise TooMuchError(_too_much(self._manner.memory)) from None


class _ElsewhereError(Exception):
    """Where in the other process an error came from."""

    def __str__(self) -> str:
        return f"\n{self.args[0]}"


class _Process:
    """A process that serves, and the thread that hears it: every system lets a thread wait for a pipe."""

    def __init__(self, manner: Manner, command: Sequence[str] | None) -> None:
        threads = dict.fromkeys(_THREADS, "1") if manner.one_thread else {}
        try:
            self.popen = subprocess.Popen(
                command or worker_command("understave.jobs.serving"),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=worker_environment(**threads),
                # A Ctrl-C in the terminal is for the parent; it ends its workers itself.
                start_new_session=True,
            )
        except OSError as error:
            raise WorkerError(f"No process could be started to work in ({error}).") from error
        self.frames: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        assert self.popen.stdout is not None
        self._hearing = threading.Thread(target=self._hear, args=(self.popen.stdout,), daemon=True)
        self._hearing.start()
        self.send(pickle.dumps(manner, pickle.HIGHEST_PROTOCOL))

    def send(self, request: bytes) -> None:
        """Send a frame; where nobody is left to read it, the missing answer tells."""
        assert self.popen.stdin is not None
        with contextlib.suppress(OSError, ValueError):
            write_frame(self.popen.stdin, request)

    def end(self) -> None:
        """Kill the process and wait until it is gone."""
        self.popen.kill()
        self.popen.wait()
        if self._hearing is not threading.current_thread():
            self._hearing.join(5)
        for stream in (self.popen.stdin, self.popen.stdout):
            if stream is not None:
                with contextlib.suppress(OSError, ValueError):
                    stream.close()

    def _hear(self, answers: IO[bytes]) -> None:
        with contextlib.suppress(OSError, ValueError):
            while (frame := read_frame(answers)) is not None:
                self.frames.put(frame)
        self.frames.put(None)


def _lost(process: _Process, *, stopped: bool) -> LostError:
    if stopped:
        return LostError(STOPPED)
    error = LostError(
        "The process that was working it out ended without an answer, perhaps because memory is short; close "
        "other programs and try again."
    )
    with contextlib.suppress(subprocess.TimeoutExpired):
        error.killed = process.popen.wait(1) == _KILLED
    return error


def _too_much(memory: int) -> str:
    most = f"than the {memory // 1_000_000} MB that it may have" if memory else "than there is"
    return (
        f"What was being worked out needs more memory {most}; close other programs, or take a shorter piece."
    )
