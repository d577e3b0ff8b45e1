"""A teacher's own habits on this machine: learnt from lessons that were corrected, kept in one small file.

In: lesson folders. Out: `OwnHabits`: what was learnt, whether lessons are read so, from what it was learnt.
Learning is worth its minutes only where something new was corrected (`to_learn_from`), and is offered where
another lesson was (`worth_offering`). A lesson keeps the habits that it is read with in its own settings
(`put_in_force`, `for_a_new_lesson`), so that it reads the same elsewhere; what was set there by hand stays.
Labels that the teacher left standing count as theirs, also where habits made them. Nothing is sent
anywhere.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from understave.disk import write_atomically
from understave.errors import LessonError, UnderstaveError
from understave.faults import own_folder
from understave.harmony import corrections
from understave.harmony.habit_learning import (
    LEAST_PIECES,
    Learnt,
    from_text,
    habits_from,
    learned,
    to_text,
)
from understave.harmony.key_length import Corrected, trust_for
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.trained import judge_score, read_trained
from understave.lesson.folder import LessonFolder, is_lesson_folder, open_folder, set_habits
from understave.lesson.page_corrections import FILE as PAGES
from understave.lesson.page_corrections import lesson_score

MOST_LESSONS = 40
"""Lessons learnt from at most, the first of those named: more take longer and prove little more."""
NOTHING = Learnt(NO_HABITS, (), 0)


@dataclass(frozen=True, slots=True)
class OwnHabits:
    """What was learnt; `on` tells whether lessons are read so.

    `lessons` is a digest of the corrected lessons that it was learnt from; `given` are all habits that
    lessons were given without being asked, so that they can be told from what was set by hand.
    """

    learnt: Learnt = NOTHING
    on: bool = True
    lessons: str = ""
    given: tuple[Habits, ...] = ()


def own_file() -> Path:
    """Return where this user's habits are kept; the file need not exist."""
    return own_folder() / "habits.json"


def load(file: Path) -> OwnHabits:
    """Return what is kept in a file; a file that is missing or cannot be read keeps nothing."""
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
        given = tuple(habits_from(values) for values in kept["given"])
        learnt = from_text(json.dumps(kept["learnt"]), str(file))
        return OwnHabits(learnt, kept["on"] is True, str(kept["lessons"]), given)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError, LessonError):
        return OwnHabits()


def save(file: Path, own: OwnHabits) -> None:
    """Keep it in a file. Raises UnderstaveError where it cannot be written."""
    given = [{name: value for name, value in asdict(habits).items() if value} for habits in own.given]
    document = {
        "on": own.on,
        "lessons": own.lessons,
        "given": given,
        "learnt": json.loads(to_text(own.learnt)),
    }
    write_atomically(file, json.dumps(document, ensure_ascii=False, indent=1) + "\n")


def beside(lessons: Iterable[Path], homes: Iterable[Path] = ()) -> Iterator[Path]:
    """Yield lessons, then all folders beside one of them or in one of `homes`: others may be there."""
    named = tuple(lessons)
    yield from named
    for home in dict.fromkeys([*homes, *(path.parent for path in named)]):
        with suppress(OSError):
            yield from sorted(path for path in home.iterdir() if path.is_dir())


def corrected_among(places: Iterable[Path]) -> tuple[LessonFolder, ...]:
    """Return the lessons among folders that have corrections, each once; what cannot be read is left out."""
    found: dict[Path, LessonFolder] = {}
    for place in places:
        home = place.resolve()
        if home in found or not is_lesson_folder(home):
            continue
        try:
            folder = open_folder(home)
            if corrections.load(folder.corrections):
                found[home] = folder
        except UnderstaveError:
            continue
        if len(found) == MOST_LESSONS:
            break
    return tuple(found.values())


def digest_of(lessons: Iterable[LessonFolder]) -> str:
    """Return a digest of what lessons teach: their scores and corrections, of pages too, in no order."""
    own = sorted(
        hashlib.sha256(b"\0".join(path.read_bytes() for path in files if path.is_file())).hexdigest()
        for files in ((folder.score, folder.corrections, folder.path / PAGES) for folder in lessons)
    )
    return hashlib.sha256("".join(own).encode()).hexdigest()


def to_learn_from(own: OwnHabits, places: Iterable[Path]) -> tuple[tuple[LessonFolder, ...], str]:
    """Return the corrected lessons that are worth learning from now, and their digest; none where they are
    too few or nothing changed since.
    """
    lessons = corrected_among(places)
    if len(lessons) < LEAST_PIECES:
        return (), own.lessons
    digest = digest_of(lessons)
    return ((), digest) if digest == own.lessons else (lessons, digest)


def worth_offering(own: OwnHabits, places: Iterable[Path]) -> int:
    """Return how many corrected lessons there are among places where learning from them is to be offered.

    It is where there are enough, and more than was learnt from before; else 0. Switched off, never.
    """
    lessons = to_learn_from(own, places)[0] if own.on else ()
    return len(lessons) if len(lessons) > own.learnt.pieces else 0


def learnt_from(lessons: Sequence[LessonFolder]) -> Learnt:
    """Return what corrected lessons prove. Raises UnderstaveError where they are too few or unreadable."""
    if len(lessons) < LEAST_PIECES:
        raise LessonError(
            f"{len(lessons)} of these lessons have corrections; your habits can be told from "
            f"{LEAST_PIECES} or more."
        )
    pieces = []
    for folder in lessons:
        score, decided = lesson_score(folder), corrections.load(folder.corrections)
        trust = trust_for(score, folder.keys_last)
        found = read_trained(score, decided, trust_for(score, folder.keys_last, folder.habits)).spans
        pieces.append(Corrected(score, judge_score(score, (), trust), found))
    return learned(pieces)


def wanted_for(own: OwnHabits, folder: LessonFolder) -> Habits:
    """Return the habits to read a lesson with: what was set in it by hand, else what was learnt."""
    if folder.habits_set and folder.habits not in own.given:
        return folder.habits
    return own.learnt.habits if own.on else NO_HABITS


def for_a_new_lesson(file: Path) -> Habits:
    """Return the habits to read a new lesson with, and remember that they were given unasked."""
    own = load(file)
    wanted = own.learnt.habits if own.on else NO_HABITS
    try:
        _keep_given(file, own, wanted)
    except UnderstaveError:
        return NO_HABITS
    return wanted


def put_in_force(file: Path, folder: LessonFolder) -> LessonFolder:
    """Write into a lesson's settings what it is to be read with, where that is something else; return it.

    A lesson that may not be written to is read as it says itself.
    """
    own = load(file)
    wanted = wanted_for(own, folder)
    if wanted == folder.habits:
        return folder
    try:
        _keep_given(file, own, wanted)
        set_habits(folder.path, wanted, by_hand=False)
    except UnderstaveError:
        return folder
    return open_folder(folder.path)


def _keep_given(file: Path, own: OwnHabits, habits: Habits) -> None:
    if habits != NO_HABITS and habits not in own.given:
        save(file, replace(own, given=(*own.given, habits)))
