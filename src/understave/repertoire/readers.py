"""Score files in, pieces out as they are read, by several reader processes that may crash.

Every thread here looks after one `worker` process: hands it a path, waits for the piece, replaces the
process when it dies, hangs or holds too much memory. A file that killed its reader is tried once more in a
fresh one; when that dies too, the file is kept as a piece with an error.
"""

from __future__ import annotations

import json
import os
import pickle
import queue
import select
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from understave.errors import UnderstaveError
from understave.repertoire.tables import Piece, failed

TIME_LIMIT = 300.0
"""Seconds that one score may take."""
MEMORY_LIMIT = 380 << 20
"""Bytes after which a reader is replaced before the next score."""
ATTEMPTS = 2
COMMAND = (sys.executable, "-m", "understave.repertoire.worker")
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

    def __init__(self, time_limit: float = TIME_LIMIT, memory_limit: int = MEMORY_LIMIT) -> None:
        self._time_limit, self._memory_limit = time_limit, memory_limit
        self._process: subprocess.Popen[bytes] | None = None
        self._stopped = False

    def read(self, job: Job) -> Outcome:
        """Read one score; whatever happens to the process, there is an outcome."""
        why = ""
        for _ in range(ATTEMPTS):
            if self._stopped:
                break
            process = self._process = self._process or _started()
            try:
                piece, seconds, memory = self._asked(process, job)
            except TimeoutError:
                why = f"{job.path.name} took longer than {self._time_limit:.0f} seconds."
            except (OSError, EOFError, pickle.UnpicklingError):
                why = f"{job.path.name} made its reader stop without an answer."
            else:
                if memory > self._memory_limit:
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
        size = int.from_bytes(_exactly(process.stdout.fileno(), 8, until), "big")
        answer: tuple[Piece, float, int] = pickle.loads(_exactly(process.stdout.fileno(), size, until))
        return answer


def _started() -> subprocess.Popen[bytes]:
    package = str(Path(__file__).resolve().parents[2])
    known = os.environ.get("PYTHONPATH")
    environment = {
        **os.environ,
        **dict.fromkeys(_ONE_THREAD, "1"),
        "PYTHONPATH": package + (os.pathsep + known if known else ""),
    }
    return subprocess.Popen(
        COMMAND,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment,
        # A Ctrl-C in the terminal is for the parent; it ends its readers itself.
        start_new_session=True,
    )


def _exactly(file: int, size: int, until: float) -> bytes:
    parts: list[bytes] = []
    while size:
        left = until - time.monotonic()
        if left <= 0 or not select.select([file], [], [], left)[0]:
            raise TimeoutError
        part = os.read(file, min(size, 1 << 20))
        if not part:
            raise EOFError
        parts.append(part)
        size -= len(part)
    return b"".join(parts)


def read_all(jobs: Sequence[Job], workers: int = 0, time_limit: float = TIME_LIMIT) -> Iterator[Outcome]:
    """Yield an outcome for every job, in the order in which they are done.

    `workers` are the processes to use, 0 for one a core. Closing the iterator ends them. Raises
    UnderstaveError where no process can be started.
    """
    waiting: queue.SimpleQueue[Job] = queue.SimpleQueue()
    for job in jobs:
        waiting.put(job)
    done: queue.Queue[Outcome | BaseException] = queue.Queue(maxsize=64)
    readers = [Reader(time_limit) for _ in range(min(workers or cores(), max(1, len(jobs))))]
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
                raise UnderstaveError(f"No process could be started to read scores ({outcome}).") from outcome
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
