"""Score files in, pieces out as they are read, by several reader processes that may crash.

Every thread here looks after one `worker` process: hands it a path, waits for the piece, replaces the
process when it dies, hangs or holds too much memory. A file that killed its reader is tried once more in a
fresh one; when that dies too, the file is kept as a piece with an error. Memory is watched while a score is
read, and the system refuses what comes too suddenly for that (see `worker`).
"""

from __future__ import annotations

import json
import os
import pickle
import queue
import select
import subprocess
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from understave.errors import WorkerError
from understave.jobs.processes import worker_command, worker_environment
from understave.repertoire.tables import Piece, failed
from understave.repertoire.worker import MOST_MEMORY, memory_held, too_large

TIME_LIMIT = 300.0
"""Seconds that one score may take."""
REPLACED = 0.8
"""Share of its memory after which a reader is replaced before the next score."""
ENDED = 0.92
"""Share of its memory at which a reader is ended in the middle of a score, so that it never takes all."""
WATCHED = 0.05
"""Seconds between two looks at the memory of a reader that reads."""
ATTEMPTS = 2
COMMAND = tuple(worker_command("understave.repertoire.worker"))
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


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

    def __init__(self, time_limit: float = TIME_LIMIT, memory: int = MOST_MEMORY) -> None:
        self._time_limit, self._memory = time_limit, memory
        self._process: subprocess.Popen[bytes] | None = None
        self._stopped = False

    def read(self, job: Job) -> Outcome:
        """Read one score; whatever happens to the process, there is an outcome."""
        why = ""
        for _ in range(ATTEMPTS):
            if self._stopped:
                break
            fresh = self._process is None
            process = self._process = self._process or _started(self._memory)
            try:
                piece, seconds, memory = self._asked(process, job)
            except TimeoutError:
                why = f"{job.path.name} took longer than {self._time_limit:.0f} seconds."
            except MemoryError:
                why = too_large(job.path, self._memory)
                if fresh:
                    self.close()
                    break
            except (OSError, EOFError, pickle.UnpicklingError):
                why = f"{job.path.name} made its reader stop without an answer."
            else:
                if memory > REPLACED * self._memory:
                    self.close()
                return Outcome(job, piece, seconds, memory)
            self.close()
        return Outcome(job, failed(job.piece, why), 0.0, 0)

    def close(self) -> None:
        """End the process; the next job starts another."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout):
                if stream:
                    stream.close()

    def stop(self) -> None:
        """End the process for good, also in the middle of a score; what it was asked for is not read."""
        self._stopped = True
        self.close()

    @property
    def pid(self) -> int | None:
        """The process that reads, if there is one."""
        return self._process.pid if self._process else None

    def _asked(self, process: subprocess.Popen[bytes], job: Job) -> tuple[Piece, float, int]:
        assert process.stdin is not None
        assert process.stdout is not None
        request = json.dumps({"path": str(job.path), "piece": job.piece})
        process.stdin.write(request.encode() + b"\n")
        process.stdin.flush()
        until = time.monotonic() + self._time_limit
        size = int.from_bytes(_exactly(process, 8, until, ENDED * self._memory), "big")
        answer: tuple[Piece, float, int] = pickle.loads(_exactly(process, size, until, ENDED * self._memory))
        return answer


def _started(memory: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        (*COMMAND, str(memory)),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=worker_environment(**dict.fromkeys(_ONE_THREAD, "1")),
        # A Ctrl-C in the terminal is for the parent; it ends its readers itself.
        start_new_session=True,
    )


def _exactly(process: subprocess.Popen[bytes], size: int, until: float, most: float) -> bytes:
    assert process.stdout is not None
    file = process.stdout.fileno()
    parts: list[bytes] = []
    while size:
        if time.monotonic() >= until:
            raise TimeoutError
        if not select.select([file], [], [], WATCHED)[0]:
            if _held(process.pid) > most:
                raise MemoryError
            continue
        part = os.read(file, min(size, 1 << 20))
        if not part:
            raise EOFError
        parts.append(part)
        size -= len(part)
    return b"".join(parts)


def _held(pid: int) -> int:
    """Return the bytes that a process and its children hold; 0 where the system does not tell."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    except OSError:
        children = []
    return memory_held(pid) + sum(memory_held(child) for child in children)


def read_all(
    jobs: Sequence[Job], workers: int = 0, time_limit: float = TIME_LIMIT, memory: int = MOST_MEMORY
) -> Iterator[Outcome]:
    """Yield an outcome for every job, in the order in which they are done.

    `workers` are the processes to use, 0 for one a core; each holds at most `memory` bytes. Closing
    the iterator ends them. Raises UnderstaveError where no process can be started.
    """
    waiting: queue.SimpleQueue[Job] = queue.SimpleQueue()
    for job in jobs:
        waiting.put(job)
    done: queue.Queue[Outcome | BaseException] = queue.Queue(maxsize=64)
    readers = [Reader(time_limit, memory) for _ in range(min(workers or cores(), max(1, len(jobs))))]
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

    threads = [threading.Thread(target=look_after, args=(r,), daemon=True) for r in readers]
    for thread in threads:
        thread.start()
    try:
        for _ in jobs:
            outcome = done.get()
            if isinstance(outcome, BaseException):
                raise WorkerError(f"No process could be started to read scores ({outcome}).") from outcome
            yield outcome
    finally:
        stopped.set()
        for reader in readers:
            reader.stop()


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return max(1, len(os.sched_getaffinity(0)))
    except AttributeError:
        return os.cpu_count() or 1
