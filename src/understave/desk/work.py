"""What takes longer than an answer may: done in processes of its own, so that the desk stays quick.

In and out: plain values that travel between processes. A worker ends by itself when its desk is gone.
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from understave.acoustics.files import RATE, audio_bytes
from understave.acoustics.piano import instruments
from understave.acoustics.sound import render
from understave.acoustics.tags import tags_of
from understave.desk.sheet import Sheet, lay_sheet
from understave.errors import UnderstaveError, WorkerError
from understave.faults import fault_sentence, keep_fault
from understave.findings import with_events
from understave.harmony.key_length import USUAL, KeyLength, trust_for
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.reading import Correction, Event, Reading, Span
from understave.interpretation.perform import Clock, clock, perform
from understave.interpretation.plan import Plan
from understave.interpretation.planning import PlanOptions, make_plan
from understave.jobs.processes import spawn_context
from understave.score.model import Score
from understave.theory.convention_choices import Conventions, current, following


@dataclass(frozen=True)
class Played:
    """The whole piece as it sounds: MP3, its length in seconds, when each note lights up."""

    data: bytes = field(repr=False)
    length: float
    notes: tuple[tuple[str, float, float], ...] = field(repr=False)
    time: Clock = field(repr=False)


ATTEMPTS = 2
"""Workers that one job may lose before it is given up: one by chance, another is by its own fault."""


class Workers(Executor):
    """One worker process with manners: it yields to the desk and does not outlive it.

    A worker that was ended from outside (by the system when memory is short, by hand) is replaced, and the
    job that it had is done again; `on_replaced` hears of it, in a thread of its own. Jobs wait here, not in
    the pool, so that only the one that was being done loses an attempt. A job that loses `ATTEMPTS` workers
    ends in an UnderstaveError.
    """

    def __init__(
        self,
        on_replaced: Callable[[], None] = lambda: None,
        start: Callable[[], ProcessPoolExecutor] | None = None,
    ) -> None:
        self._on_replaced = on_replaced
        self._start = start or _worker
        self._pool: ProcessPoolExecutor | None = None
        self._lock = threading.RLock()
        self._waiting: deque[_Job] = deque()
        self._busy = self._closed = False

    def submit(self, job: Callable[..., Any], /, *given: Any, **named: Any) -> Future[Any]:
        """Have a job done after those asked for before it, in the conventions of whoever asks."""
        one = _Job(partial(_followed, current(), partial(job, *given, **named)))
        with self._lock:
            if self._closed:
                raise RuntimeError("the workers have been sent away")
            self._waiting.append(one)
        self._next()
        return one.future

    def processes(self) -> list[BaseProcess]:
        """Return the processes that are at work."""
        with self._lock:
            return list((self._pool._processes or {}).values()) if self._pool is not None else []

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the worker; what waits or is being done is not finished."""
        with self._lock:
            self._closed = True
            waiting, self._waiting = self._waiting, deque()
            pool, processes = self._pool, self.processes()
        for one in waiting:
            if not one.future.cancel():
                one.future.set_exception(CancelledError())
        for process in processes:
            process.terminate()
        if pool is not None:
            pool.shutdown(wait=wait, cancel_futures=True)

    def _next(self) -> None:
        """Give the worker the next job that is still wanted, if it is free."""
        with self._lock:
            if self._busy or self._closed:
                return
            while self._waiting:
                one = self._waiting.popleft()
                if one.attempts or one.future.set_running_or_notify_cancel():
                    break
            else:
                return
            self._busy = True
            one.attempts += 1
            if self._pool is None:
                self._pool = self._start()
            try:
                inner = self._pool.submit(one.work)
            except BrokenProcessPool:  # it was ended while it had nothing to do; nothing was lost with it
                self._pool = self._start()
                inner = self._pool.submit(one.work)
        inner.add_done_callback(lambda done: self._done(one, done))

    def _done(self, one: _Job, done: Future[Any]) -> None:
        error = done.exception() if not done.cancelled() else CancelledError()
        lost = isinstance(error, (BrokenProcessPool, CancelledError))
        again = False
        with self._lock:
            self._busy = False
            if lost:
                self._pool = None
                again = not self._closed and one.attempts < ATTEMPTS
                if again:
                    self._waiting.appendleft(one)
        if not again:
            if lost:
                error = WorkerError(
                    "What was being worked out was ended by the system twice, perhaps because memory is "
                    "short; close other programs and try again."
                )
            if error is not None:
                one.future.set_exception(error)
            else:
                one.future.set_result(done.result())
        if lost and not self._closed:
            self._on_replaced()
        self._next()


class _Job:
    """A job that was asked for: what to do, the promise of its result, the workers it was given to."""

    def __init__(self, job: Callable[[], Any]) -> None:
        self.work = job
        self.future: Future[Any] = Future()
        self.attempts = 0


def _worker() -> ProcessPoolExecutor:
    return ProcessPoolExecutor(1, spawn_context(), initializer=_behave, initargs=(os.getpid(),))


def _followed(conventions: Conventions, job: Callable[[], Any]) -> Any:
    """Do a job in conventions, which no process has from another."""
    with following(conventions):
        return job()


def _behave(desk: int) -> None:
    if hasattr(os, "nice"):
        os.nice(10)

    def watch() -> None:
        # A desk that was killed says nothing; only its absence tells.
        while os.getppid() == desk:
            time.sleep(1.0)
        os._exit(0)

    if hasattr(os, "getppid") and os.name != "nt":
        threading.Thread(target=watch, daemon=True).start()


def read_fully(
    score: Score,
    corrections: Sequence[Correction],
    keys_last: KeyLength = USUAL,
    habits: Habits = NO_HABITS,
) -> tuple[object, tuple[Span, ...]]:
    """Ask networks and engine anew; return a `trained.Judged` and the spans."""
    from understave.harmony.trained import judge_score, read_judged

    judged = judge_score(score, corrections, trust_for(score, keys_last, habits))
    return judged, read_judged(score, judged).spans


def find_rest(score: Score, spans: tuple[Span, ...]) -> tuple[tuple[Event, ...], Plan]:
    """Find the events of spans and the plan for playing them."""
    reading = with_events(score, Reading(spans))
    return reading.events, make_plan(score, reading)


def engrave_sheet(score: Score, reading: Reading, width: float) -> Sheet:
    """Engrave the score for a width in millimetres."""
    return lay_sheet(score, reading, width)


def play(score: Score, reading: Reading, instrument: str, style: str) -> Played:
    """Let the piece sound on an instrument with a way to pedal."""
    from understave.media.webpage import lights

    piano = instruments()[instrument]
    plan = make_plan(score, reading, PlanOptions(style=style, instrument=piano))  # type: ignore[arg-type]
    performance = perform(score, plan)
    samples = render(performance, piano, RATE)
    data = audio_bytes(".mp3", samples, RATE, steady=True, tags=tags_of(score))
    return Played(data, len(samples) / RATE, lights(score, performance), clock(score, plan))


def stops(score: Score, reading: Reading, plan: Plan, settings: Path) -> dict[str, Any]:
    """Return the lesson's stops for the page; see `builder.stop_rows`."""
    from understave.desk.builder import stop_rows

    return stop_rows(score, reading, plan, settings)


def contrast(score: Score, reading: Reading, name: str, settings: Path) -> dict[str, Any]:
    """Return both sides of a contrast, engraved and sounding, as values for the page."""
    from understave.desk.builder import heard
    from understave.lesson.make import asked_of
    from understave.media.page import plain_values

    values: dict[str, Any] = plain_values(heard(score, reading, name, asked_of(settings)))
    return values


def export(folder: Path, choices: dict[str, Any], told: Connection) -> None:
    """Make everything in a lesson folder again; `told` hears ``("step", words)``, ``("share", 0..1)`` and how
    it ended. It leads a group of processes, so that it can be stopped with all its helpers.
    """
    if hasattr(os, "setsid"):
        os.setsid()
    _behave(os.getppid())
    from understave.lesson.make import LessonOptions, make_lesson

    try:
        lesson = make_lesson(
            folder,
            folder,
            LessonOptions(**choices),
            lambda text: told.send(("step", text)),
            lambda share: told.send(("share", share)),
        )
        told.send(("done", list(lesson.changes)))
    except UnderstaveError as error:
        told.send(("failed", str(error)))
    except Exception as error:
        log = keep_fault(error, "making a lesson at the desk")
        told.send(("failed", f"The lesson could not be made. {fault_sentence(error, log)}"))
