"""The teacher's recordings of a lesson: a sound file for each stop, in the folder ``voice`` beside the score.

In: a lesson folder, the id of a stop. Out: the file's bytes. What is recorded at the desk is kept as FLAC; a
file that somebody puts there (``voice/b12-half.mp3``) counts as well. Without the file there is no voice.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from understave.acoustics.files import RATE, audio_bytes
from understave.disk import write_atomically
from understave.errors import LessonError
from understave.lesson import memory
from understave.lesson.edits import STOP_ID
from understave.lesson.folder import EXPORTS
from understave.media.teacher_voice import Said, spoken, voice_over
from understave.score.model import Score

FOLDER = "voice"
SUFFIXES = (".flac", ".wav", ".mp3", ".ogg", ".opus")


def voice_of(lesson: Path, stop: str) -> Path | None:
    """Return the file with the teacher's voice at a stop, None without one."""
    if not STOP_ID.fullmatch(stop):
        return None
    files = (lesson / FOLDER / f"{stop}{suffix}" for suffix in SUFFIXES)
    return next((file for file in files if file.is_file()), None)


def recordings(lesson: Path) -> list[Path]:
    """Return all files with the teacher's voice in a lesson folder."""
    return sorted(file for file in (lesson / FOLDER).glob("*") if file.suffix in SUFFIXES)


def voices(lesson: Path, stops: Iterable[str]) -> tuple[tuple[str, bytes], ...]:
    """Return the recordings of those stops that have one, by id; raise LessonError for an unreadable one."""
    found = []
    for stop in stops:
        file = voice_of(lesson, stop)
        if file is not None:
            try:
                found.append((stop, file.read_bytes()))
            except OSError as error:
                raise LessonError(f"{file} cannot be read ({error.strerror}).") from None
    return tuple(found)


def said_within(lesson: Path, score: Score, first: int, last: int) -> tuple[Said, ...]:
    """Return what the teacher's recordings say at the stops of a lesson that are about some bars.

    `first` and `last` are indexes, both included; each is said before the first bar of its stop, or before
    the first of those bars. Nothing is said where the lesson was not made yet.

    Raises LessonError for a recording that cannot be read.
    """
    known = memory.recall(lesson / EXPORTS)
    begin, end = score.measures[first].start, score.measures[last].end
    stops = [stop for stop in known.stops if begin <= stop.moment < end] if known else []
    recorded = dict(voices(lesson, [stop.id for stop in stops]))
    return tuple(
        Said(
            score.measures[stop.first].start,
            voice_over(recorded[stop.id], f"The recording for {stop.id}", stop.say[stop.level].split("\n\n")),
        )
        for stop in stops
        if stop.id in recorded
    )


def keep(lesson: Path, stop: str, recording: bytes) -> None:
    """Keep a recording for a stop, in place of the one before; raise LessonError where it holds no voice."""
    if not STOP_ID.fullmatch(stop):
        raise LessonError(f"{stop!r} is no stop of a lesson.")
    sound = spoken(recording, "The recording")
    before = voice_of(lesson, stop)
    file = lesson / FOLDER / f"{stop}.flac"
    file.parent.mkdir(exist_ok=True)
    write_atomically(file, audio_bytes(".flac", sound, RATE, gain=1.0))
    if before is not None and before != file:
        before.unlink(missing_ok=True)


def remove(lesson: Path, stop: str) -> None:
    """Take the recording of a stop away, if there is one."""
    while (file := voice_of(lesson, stop)) is not None:
        file.unlink()
