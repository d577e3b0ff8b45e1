"""Several processes that do jobs: those wanted first come first, and one that is lost is replaced.

In: jobs as for `one_process`, each with a number that says how long it can wait. Out: futures.
"""

from __future__ import annotations

import heapq
import threading
from collections.abc import Callable
from concurrent.futures import CancelledError, Executor, Future
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from typing import Any

from understave.errors import WorkerError
from understave.jobs.one_process import STOPPED, LostError, Worker
from understave.jobs.serving import Manner

ATTEMPTS = 2
"""Processes that one job may lose before it is given up: one by chance, another is by its own fault."""


@dataclass(order=True)
class _Job:
    """A job that was asked for; those with a lower `wait` come first, then those asked for earlier."""

    wait: int
    number: int
    work: Callable[[], Any] = field(compare=False)
    on_told: Callable[[Any], None] = field(compare=False)
    future: Future[Any] = field(compare=False, default_factory=Future)
    attempts: int = field(compare=False, default=0)
    stopped: bool = field(compare=False, default=False)


class Pool(Executor):
    """Processes that are started when there is work for them, and wait for more; shut it down when done.

    One that was ended from outside (by the system when memory is short, by hand) is replaced, and the job
    that it had is done again; `on_replaced` hears of it once, in a thread of its own. A job that loses
    `attempts` processes ends in a WorkerError. Jobs wait here, so that no other loses anything with it.
    """

    def __init__(
        self,
        processes: int = 1,
        manner: Manner = Manner(),  # noqa: B008 - a frozen value
        on_replaced: Callable[[], None] = lambda: None,
        attempts: int = ATTEMPTS,
    ) -> None:
        self._on_replaced, self._attempts = on_replaced, attempts
        self._waiting: list[_Job] = []
        self._numbers = count()
        self._change = threading.Condition()
        self._closed = False
        self._free = 0
        self._workers = [Worker(manner, on_replaced=self._say_replaced) for _ in range(processes)]
        self._threads: list[threading.Thread] = []
        self._doing: dict[Future[Any], tuple[_Job, Worker]] = {}

    def submit(self, job: Callable[..., Any], /, *given: Any, **named: Any) -> Future[Any]:
        """Have a job done after those asked for before it."""
        return self.ask(partial(job, *given, **named))

    def ask(
        self, job: Callable[[], Any], wait: int = 0, on_told: Callable[[Any], None] = lambda _: None
    ) -> Future[Any]:
        """Have a job done before those with a higher `wait`; `on_told` hears, elsewhere, what it tells.

        Raises RuntimeError once the pool has been shut down.
        """
        one = _Job(wait, next(self._numbers), job, on_told)
        with self._change:
            if self._closed:
                raise RuntimeError("the workers have been sent away")
            heapq.heappush(self._waiting, one)
            if self._free < len(self._waiting) and len(self._threads) < len(self._workers):
                self._begin()
            self._change.notify()
        return one.future

    def start(self, processes: int = 1) -> None:
        """Start so many processes now, so that the first jobs need not wait for them."""
        with self._change:
            while len(self._threads) < min(processes, len(self._workers)) and not self._closed:
                self._begin(now=True)

    def processes(self) -> list[Worker]:
        """Return the processes there are, each with its `pid`."""
        return [worker for worker in self._workers if worker.pid is not None]

    def stop(self, future: Future[Any]) -> bool:
        """Take back a job, also while it is being done; tell whether there was anything to stop.

        The future of one that was being done ends in a LostError.
        """
        if future.cancel():
            return True
        with self._change:
            one, worker = self._doing.get(future, (None, None))
            if one is None or worker is None:
                return False
            one.stopped = True
            worker.interrupt()  # while we hold the change, so that no other job is its next
        return True

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the processes; what waits or is being done is not finished."""
        with self._change:
            self._closed = True
            waiting, self._waiting = self._waiting, []
            self._change.notify_all()
        for one in waiting:
            if not one.future.cancel():
                one.future.set_exception(CancelledError())
        for worker in self._workers:
            worker.stop()
        for thread in self._threads if wait else ():
            if thread is not threading.current_thread():
                thread.join()

    # --- one thread for each process ---------------------------------------------------------------------

    def _begin(self, *, now: bool = False) -> None:
        worker = self._workers[len(self._threads)]
        thread = threading.Thread(target=self._look_after, args=(worker, now), daemon=True)
        self._threads.append(thread)
        thread.start()

    def _look_after(self, worker: Worker, now: bool) -> None:
        if now:
            with suppress(WorkerError):  # the first job says so too
                worker.start()
        while (one := self._next(worker)) is not None:
            self._do(one, worker)
        worker.stop()

    def _next(self, worker: Worker) -> _Job | None:
        """Wait for the next job that is still wanted; None once the pool is shut down."""
        with self._change:
            self._free += 1
            try:
                while not self._closed:
                    if not self._waiting:
                        self._change.wait()
                        continue
                    one = heapq.heappop(self._waiting)
                    if one.attempts or one.future.set_running_or_notify_cancel():
                        one.attempts += 1
                        self._doing[one.future] = one, worker
                        return one
            finally:
                self._free -= 1
            return None

    def _do(self, one: _Job, worker: Worker) -> None:
        error: BaseException
        try:
            result = worker.ask(one.work, on_told=one.on_told)
        except LostError as lost:
            error = lost
            if one.stopped or self._closed:
                error = LostError(STOPPED)
            else:
                self._on_replaced()
                if one.attempts < self._attempts:
                    self._again(one)
                    return
                if one.attempts > 1:
                    error = WorkerError(
                        "What was being worked out was ended by the system twice, perhaps because memory is "
                        "short; close other programs and try again."
                    )
        except BaseException as raised:
            error = raised
        else:
            self._forget(one)
            one.future.set_result(result)
            return
        self._forget(one)
        one.future.set_exception(error)

    def _again(self, one: _Job) -> None:
        """Put a job back before those that were asked for after it."""
        with self._change:
            del self._doing[one.future]
            gone = one.stopped or self._closed
            if not gone:
                heapq.heappush(self._waiting, one)
                self._change.notify()
        if gone:
            one.future.set_exception(LostError(STOPPED))

    def _forget(self, one: _Job) -> None:
        with self._change:
            self._doing.pop(one.future, None)

    def _say_replaced(self) -> None:
        if not self._closed:
            self._on_replaced()
