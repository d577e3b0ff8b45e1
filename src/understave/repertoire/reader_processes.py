"""Score files in, pieces out as they are read, by several reader processes that may crash.

Every thread here looks after one process (`jobs.one_process`): hands it a path, waits for the piece. A file
that killed its reader is tried once more in a fresh one; when that dies too, the file is kept as a piece with
an error. Memory is watched while a score is read, and the system refuses what comes too suddenly for that.
"""

from __future__ import annotations

import contextlib
import os
import queue
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from understave.errors import WorkerError
from understave.jobs.one_process import LostError, TooLongError, TooMuchError, Worker
from understave.jobs.processes import worker_command
from understave.jobs.serving import Manner
from understave.repertoire import worker
from understave.repertoire.tables import Piece, failed
from understave.repertoire.worker import MOST_MEMORY

TIME_LIMIT = 300.0
"""Seconds that one score may take."""
ATTEMPTS = 2
COMMAND = tuple(worker_command("understave.jobs.serving"))


@dataclass(frozen=True, slots=True)
class Job:
    """A file to read and the id its piece gets."""

    path: Path
    piece: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """A piece that was read (or not), what it cost in seconds of CPU, and how much its reader holds."""

    job: Job
    piece: Piece
    seconds: float
    memory: int


class Reader:
    """One reader process, started with its first job and replaced after a crash; close it when done."""

    def __init__(self, time_limit: float = TIME_LIMIT, memory: int = MOST_MEMORY, gives_way: int = 0) -> None:
        self._time_limit, self._memory = time_limit, memory
        manner = Manner(memory=memory, gives_way=gives_way, one_thread=True, ready=worker.ready)
        self._worker = Worker(manner, COMMAND)
        self._stopped = False

    def read(self, job: Job) -> Outcome:
        """Read one score; whatever happens to the process, there is an outcome."""
        why = ""
        work = partial(worker.read_and_tidy, job.path, job.piece, self._memory)
        for _ in range(ATTEMPTS):
            if self._stopped:
                break
            fresh = self._worker.fresh
            try:
                piece = self._worker.ask(work, self._time_limit)
            except TooLongError:
                why = f"{job.path.name} took longer than {self._time_limit:.0f} seconds."
            except TooMuchError:
                why = worker.too_large(job.path, self._memory)
                if fresh:
                    break
            except LostError:
                why = f"{job.path.name} made its reader stop without an answer."
            else:
                return Outcome(job, piece, self._worker.seconds, self._worker.memory)
        return Outcome(job, failed(job.piece, why), 0.0, 0)

    def close(self) -> None:
        """End the process; the next job starts another."""
        self._worker.close()

    def stop(self) -> None:
        """End the process for good, also in the middle of a score; what it was asked for is not read."""
        self._stopped = True
        self._worker.stop()

    @property
    def pid(self) -> int | None:
        """The process that reads, if there is one."""
        return self._worker.pid


def read_all(
    jobs: Sequence[Job],
    workers: int = 0,
    time_limit: float = TIME_LIMIT,
    memory: int = MOST_MEMORY,
    gives_way: int = 0,
    stop: threading.Event | None = None,
) -> Iterator[Outcome]:
    """Yield an outcome for every job, in the order in which they are done.

    `workers` are the processes to use, 0 for one a core; each holds at most `memory` bytes and gives way by
    so much (the system's niceness). Closing the iterator ends them; so does `stop`, set from another thread,
    in the middle of a score too. Raises UnderstaveError where no process can be started.
    """
    waiting: queue.SimpleQueue[Job] = queue.SimpleQueue()
    for job in jobs:
        waiting.put(job)
    done: queue.Queue[Outcome | BaseException] = queue.Queue(maxsize=64)
    count = min(workers or cores(), max(1, len(jobs)))
    readers = [Reader(time_limit, memory, gives_way) for _ in range(count)]
    stopped = threading.Event()

    def look_after(reader: Reader) -> None:
        try:
            while not stopped.is_set():
                try:
                    job = waiting.get_nowait()
                except queue.Empty:
                    break
                outcome = reader.read(job)
                while not stopped.is_set():
                    try:
                        done.put(outcome, timeout=0.2)
                        break
                    except queue.Full:
                        continue
        except BaseException as error:
            done.put(error)
        finally:
            reader.close()

    threads = [threading.Thread(target=look_after, args=(reader,), daemon=True) for reader in readers]
    for thread in threads:
        thread.start()
    try:
        for _ in jobs:
            outcome = _next(done, stop or stopped)
            if outcome is None:
                return
            yield outcome
    finally:
        stopped.set()
        for reader in readers:
            reader.stop()


def _next(done: queue.Queue[Outcome | BaseException], stopped: threading.Event) -> Outcome | None:
    """Return what is done next, None once it is stopped; raise WorkerError where nothing can be read."""
    while not stopped.is_set():
        with contextlib.suppress(queue.Empty):
            outcome = done.get(timeout=0.2)
            if isinstance(outcome, BaseException):
                raise WorkerError(f"Scores cannot be read in processes of their own: {outcome}") from outcome
            return outcome
    return None


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return max(1, len(os.sched_getaffinity(0)))
    except AttributeError:
        return os.cpu_count() or 1
