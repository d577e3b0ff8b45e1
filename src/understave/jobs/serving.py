"""A process that does jobs: this is what runs in it, as ``python -P -m understave.jobs.serving``.

On standard input come frames (eight bytes of length, then a pickle): first a `Manner`, then jobs, each with
the seconds it may take; on standard output go frames ``("told", value)`` while a job is done and then one
``("done", result)`` or ``("failed", error, trace)``, with the seconds of CPU and the bytes held behind. The
process ends as soon as standard input does, in the middle of a job too, so that it outlives nobody.
"""

from __future__ import annotations

import contextlib
import math
import os
import pickle
import queue
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from typing import IO, Any

from understave.errors import WorkerError
from understave.jobs.collection import collect_seldom
from understave.jobs.memory_bound import bound_memory, memory_held

HEAD = 8
"""Bytes that tell how long a frame is."""
GRACE = 15
"""Seconds after the end of a job's time at which its process ends itself: whoever started it would have
ended it by then, if it were still there.
"""


@dataclass(frozen=True, slots=True)
class Manner:
    """How a process works: bytes of memory it holds at most (0: all there is), how far it gives way to others
    (0..19), whether it calculates on one thread, and what it gets ready before its first job.
    """

    memory: int = 0
    gives_way: int = 0
    one_thread: bool = False
    ready: Callable[[], object] | None = None


_answers: IO[bytes] | None = None


def tell(value: Any) -> None:
    """Send a value to whoever asked for the job that is being done here; nothing where nobody did."""
    if _answers is not None:
        write_frame(_answers, pickle.dumps(("told", value), pickle.HIGHEST_PROTOCOL))


def write_frame(stream: IO[bytes], content: bytes) -> None:
    """Write one frame."""
    stream.write(len(content).to_bytes(HEAD, "big"))
    stream.write(content)
    stream.flush()


def read_frame(stream: IO[bytes]) -> bytes | None:
    """Return the next frame, None where the stream ends."""
    head = stream.read(HEAD)
    if len(head) < HEAD:
        return None
    size = int.from_bytes(head, "big")
    content = stream.read(size)
    return content if len(content) == size else None


def serve() -> None:
    """Do jobs until standard input ends."""
    global _answers
    collect_seldom()
    requests, _answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    # Libraries may print; what they say must not get between the answers.
    os.dup2(2, 1)
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    waiting: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(requests, waiting), daemon=True).start()
    manner: Manner = pickle.loads(waiting.get())
    if manner.gives_way and hasattr(os, "nice"):
        os.nice(manner.gives_way)
    if manner.ready is not None:
        manner.ready()
    if manner.memory:
        bound_memory(manner.memory)
    while True:
        write_frame(_answers, _done(waiting.get()))


def _listen(requests: IO[bytes], waiting: queue.SimpleQueue[bytes]) -> None:
    while (frame := read_frame(requests)) is not None:
        waiting.put(frame)
    os._exit(0)


def _done(request: bytes) -> bytes:
    begun = time.process_time()
    answer: tuple[Any, ...]
    try:
        job, seconds = pickle.loads(request)
        _end_after(seconds)
        answer = ("done", job())
        del job
    except BaseException as error:
        answer = ("failed", error, traceback.format_exc())
    finally:
        _end_after(0.0)
    cost = (time.process_time() - begun, memory_held())
    try:
        return pickle.dumps((*answer, *cost), pickle.HIGHEST_PROTOCOL)
    except Exception:
        what = answer[1]
        refused = WorkerError(f"What was worked out cannot be handed over: {type(what).__name__}: {what}")
        return pickle.dumps(("failed", refused, traceback.format_exc(), *cost), pickle.HIGHEST_PROTOCOL)


def _end_after(seconds: float) -> None:
    """Have the system end this process some time after these seconds (0: not at all).

    It needs no Python for it, so that a native library that never returns does not stay behind alone.
    """
    if hasattr(signal, "alarm"):
        signal.alarm(math.ceil(seconds) + GRACE if 0 < seconds < 1 << 24 else 0)


if __name__ == "__main__":
    # Under its own name, where `tell` finds the line to whoever asked.
    from understave.jobs import serving

    serving.serve()
