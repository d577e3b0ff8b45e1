"""What takes longer than an answer may: done in processes of its own, so that the desk stays quick.

In and out: plain values that travel between processes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from understave.acoustics.files import RATE, audio_bytes
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import GRAND, instruments
from understave.acoustics.sound import opening, render
from understave.acoustics.tags import tags_of
from understave.desk.sheet import Sheet, lay_sheet
from understave.errors import DeskError, UnderstaveError, WorkerError
from understave.faults import fault_sentence, keep_fault
from understave.findings import with_events
from understave.harmony.ground import goes_by_keys
from understave.harmony.key_length import USUAL, KeyLength, trust_for
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.reading import Correction, Event, Reading, Span
from understave.interpretation.perform import Clock, clock, perform
from understave.interpretation.plan import Plan
from understave.interpretation.planning import PlanOptions, make_plan
from understave.jobs.memory_bound import machine_memory
from understave.jobs.pool import Pool
from understave.jobs.serving import Manner, tell
from understave.score.model import Score
from understave.score.readers.page.told_signs import Frame
from understave.theory.chord import Chord
from understave.theory.convention_choices import Conventions, following, in_force
from understave.theory.key import Key, Mode
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.theory.voice_leading import KEYBOARD, Harmony, lead

GIVES_WAY, GIVES_WAY_MOST = 5, 12
"""How far what works for the desk gives way to it and to the browser (the system's niceness); and how far
what can wait longest, the sound, gives way to the rest too.
"""


OPENING = 12.0
"""Seconds of a piece that are made first, to be heard while the rest is being made."""


CHORD_SECONDS, SOFTLY = 1.6, 54.0
"""How long a chord lasts that is asked for alone, and how loud it is struck (MIDI velocity); set by ear."""


_UPPER, _TENOR = 3, 55
"""Notes above the bass of a chord that is heard alone, and the lowest place for them: G3; set by ear."""


@dataclass(frozen=True)
class Played:
    """A piece as it sounds: FLAC, its length in seconds, when each note of the whole piece lights up; and
    whether the sound goes to the end.
    """

    data: bytes = field(repr=False)
    length: float
    notes: tuple[tuple[str, float, float], ...] = field(repr=False)
    time: Clock = field(repr=False)
    whole: bool = True


class Workers(Pool):
    """Processes that work for the desk: they give way to it, and each job is done in the conventions of
    whoever asks, which no process has from another.
    """

    def __init__(
        self,
        on_replaced: Callable[[], None] = lambda: None,
        processes: int = 1,
        gives_way: int = GIVES_WAY,
        ready: Callable[[], object] | None = None,
    ) -> None:
        super().__init__(processes, Manner(machine_memory(), gives_way, ready=ready), on_replaced)

    def ask(
        self, job: Callable[[], Any], wait: int = 0, on_told: Callable[[Any], None] = lambda _: None
    ) -> Future[Any]:
        """See `Pool.ask`."""
        return super().ask(partial(_followed, in_force(), job), wait, on_told)


def _followed(manner: tuple[Conventions, Mode | None, bool], job: Callable[[], Any]) -> Any:
    with following(*manner):
        return job()


def ready_to_read() -> None:
    """Load what reading a score needs."""
    from understave.harmony import trained  # noqa: F401
    from understave.harmony.model.network import load

    load()


def ready_to_make() -> None:
    """Load what engraving needs, and start its engine."""
    from understave.desk import builder  # noqa: F401
    from understave.jobs.notation_worker import shared_worker

    shared_worker().start()


def ready_to_play() -> None:
    """Work out what every sound needs: the room, and the strings that answer."""
    chord = Performance(tuple(Strike(key, 0.0, 0.1, 60.0) for key in range(36, 84, 6)), ((0.0, 1.0),))
    render(chord, next(iter(instruments().values())), RATE)


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


def find_rest(
    score: Score, spans: tuple[Span, ...], decided: Sequence[Correction] = (), instrument: str = GRAND.name
) -> tuple[tuple[Event, ...], Plan]:
    """Find the events of spans around what a teacher has decided, and the plan for playing them on an
    instrument.
    """
    reading = with_events(score, Reading(spans), goes_by_keys(spans, decided))
    return reading.events, make_plan(score, reading, PlanOptions(instrument=instruments()[instrument]))


def engrave_sheet(score: Score, reading: Reading, width: float) -> Sheet:
    """Engrave the score for a width in millimetres."""
    return lay_sheet(score, reading, width)


def play(score: Score, reading: Reading, instrument: str, style: str) -> Played:
    """Let the piece sound on an instrument with a way to pedal."""
    return _played(score, reading, instrument, style, whole=True)


def play_opening(score: Score, reading: Reading, instrument: str, style: str) -> Played:
    """Let the first `OPENING` seconds of the piece sound as `play` does, many times sooner."""
    return _played(score, reading, instrument, style, whole=False)


def _played(score: Score, reading: Reading, instrument: str, style: str, *, whole: bool) -> Played:
    from understave.media.webpage import lights

    piano = instruments()[instrument]
    plan = make_plan(score, reading, PlanOptions(style=style, instrument=piano))  # type: ignore[arg-type]
    performance = perform(score, plan)
    if whole or performance.length <= OPENING:
        samples, gain, whole = render(performance, piano, RATE), None, True
    else:
        samples, gain = opening(performance, piano, OPENING)
    # Packed without loss: what travels no further than this machine need not be small, and MP3 takes as long
    # to make as the sound itself.
    data = audio_bytes(".flac", samples, RATE, gain=gain, tags=tags_of(score))
    return Played(data, len(samples) / RATE, lights(score, performance), clock(score, plan), whole)


def engrave_excerpt(score: Score, reading: Reading, first: int, last: int, language: Language) -> str:
    """Engrave some bars, by index, both included, as one SVG picture."""
    from understave.engraving import Options, excerpt

    return excerpt(score, reading, first, last, options=Options(language=language, legend=False))


def engrave_bar(score: Score, index: int) -> str:
    """Engrave one bar, its notes alone, as an SVG picture."""
    from understave.engraving import Options, excerpt

    plain = Options(numerals=False, keys=False, legend=False)
    return excerpt(score, Reading((), ()), index, index, options=plain)


def page_picture(file: Path, frame: Frame, seen: bool) -> bytes:
    """Return what stands in a frame of a page as PNG; `seen` says that the file was read as pictures."""
    from understave.engraving import page_picture

    return page_picture.page_picture(file.read_bytes(), frame, seen)


def play_chords(chords: Sequence[tuple[Key, RomanNumeral]], low: int) -> bytes:
    """Return chords as they sound on the first instrument, one after the other, as FLAC.

    Their voices are led; the first bass lies as near to the MIDI number `low` as the layout lets it. Raises
    DeskError where a chord cannot be laid out.
    """
    harmonies = [Harmony(key, numeral) for key, numeral in chords]
    try:
        led = lead(harmonies, KEYBOARD, (), [low, *[None] * (len(harmonies) - 1)])
    except ValueError as error:
        raise DeskError("This chord cannot be played as it is named.") from error
    # Led from chord to chord a voice may leave out a fifth; a chord that is heard alone has all its notes.
    voicings = [tuple(pitch.midi for pitch in voicing) for voicing in led]
    if len(voicings) == 1:
        voicings = [_whole(harmonies[0].chord, voicings[0][0])]
    strikes = tuple(
        Strike(midi, k * CHORD_SECONDS, (k + 0.95) * CHORD_SECONDS, SOFTLY)
        for k, voicing in enumerate(voicings)
        for midi in voicing
    )
    samples = render(Performance(strikes), next(iter(instruments().values())), RATE)
    return audio_bytes(".flac", samples, RATE)


def _whole(chord: Chord, bass: int) -> tuple[int, ...]:
    """Return a bass, as a MIDI number, and above it in close position all other notes of a chord."""
    upper = {tone.semitone for tone in chord.members if tone != chord.bass}
    if len(upper) < _UPPER:
        upper.add(chord.root.semitone)
    above = max(bass + 2, _TENOR)
    return (bass, *sorted(above + (semitone - above) % 12 for semitone in upper))


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


def export(folder: Path, choices: dict[str, Any]) -> list[str]:
    """Make everything in a lesson folder again and return what has changed in sentences; on the way it tells
    ``("step", words)`` and ``("share", 0..1)``. Raises UnderstaveError.
    """
    from understave.lesson.make import LessonOptions, make_lesson

    try:
        lesson = make_lesson(
            folder,
            folder,
            LessonOptions(**choices),
            lambda text: tell(("step", text)),
            lambda share: tell(("share", share)),
        )
    except UnderstaveError:
        raise
    except Exception as error:
        log = keep_fault(error, "making a lesson at the desk")
        raise WorkerError(f"The lesson could not be made. {fault_sentence(error, log)}") from error
    return list(lesson.changes)
