"""What takes longer than an answer may: done in processes of its own, so that the desk stays quick.

In and out: plain values that travel between processes. A worker ends by itself when its desk is gone.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from understave.acoustics.files import RATE, audio_bytes
from understave.acoustics.piano import INSTRUMENTS
from understave.acoustics.sound import render
from understave.desk.sheet import Sheet, lay_sheet
from understave.errors import UnderstaveError
from understave.harmony.events import find_events
from understave.harmony.reading import Correction, Event, Reading, Span
from understave.interpretation.make import PlanOptions, make_plan
from understave.interpretation.perform import Clock, clock, perform
from understave.interpretation.plan import Plan
from understave.processes import spawn_context
from understave.score.model import Score


@dataclass(frozen=True)
class Played:
    """The whole piece as it sounds: MP3, its length in seconds, when each note lights up."""

    data: bytes = field(repr=False)
    length: float
    notes: tuple[tuple[str, float, float], ...] = field(repr=False)
    time: Clock = field(repr=False)


def workers() -> ProcessPoolExecutor:
    """Return one worker process with manners: it yields to the desk and does not outlive it."""
    return ProcessPoolExecutor(1, spawn_context(), initializer=_behave, initargs=(os.getpid(),))


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


def read_fully(score: Score, corrections: Sequence[Correction]) -> tuple[object, tuple[Span, ...]]:
    """Ask networks and engine anew; return a `trained.Judged` and the spans."""
    from understave.harmony.trained import judge_score, read_judged

    judged = judge_score(score, corrections)
    return judged, read_judged(score, judged).spans


def find_rest(score: Score, spans: tuple[Span, ...]) -> tuple[tuple[Event, ...], Plan]:
    """Find the events of spans and the plan for playing them."""
    events = find_events(score, spans)
    return events, make_plan(score, Reading(spans, events))


def engrave_sheet(score: Score, reading: Reading, width: float) -> Sheet:
    """Engrave the score for a width in millimetres."""
    return lay_sheet(score, reading, width)


def play(score: Score, reading: Reading, instrument: str, style: str) -> Played:
    """Let the piece sound on an instrument with a way to pedal."""
    from understave.lesson.webpage import lights

    piano = INSTRUMENTS[instrument]
    plan = make_plan(score, reading, PlanOptions(style=style, instrument=piano))  # type: ignore[arg-type]
    performance = perform(score, plan)
    samples = render(performance, piano, RATE)
    data = audio_bytes(".mp3", samples, RATE, steady=True)
    return Played(data, len(samples) / RATE, lights(score, performance), clock(score, plan))


def stops(score: Score, reading: Reading, plan: Plan, settings: Path) -> dict[str, Any]:
    """Return the lesson's stops for the page; see `builder.stop_rows`."""
    from understave.desk.builder import stop_rows

    return stop_rows(score, reading, plan, settings)


def contrast(score: Score, reading: Reading, name: str, settings: Path) -> dict[str, Any]:
    """Return both sides of a contrast, engraved and sounding, as values for the page."""
    from understave.desk.builder import heard
    from understave.export.page import plain_values
    from understave.lesson.make import asked_of

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
        told.send(("failed", f"The lesson could not be made ({type(error).__name__}: {error})."))
