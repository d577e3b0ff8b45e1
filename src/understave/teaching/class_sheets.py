"""Worksheets for a class: the same exercises for every student of a level, in a key of their own.

In: a Score, its Reading, students with their levels, a seed. Out: `Sheet`s: the piece in the student's key,
and its exercises there, each proved again in that key (`verification`). The same seed and list give the same
sheets; a student added at the end changes nobody else's.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, TypeAlias

from understave.errors import LessonError, UnderstaveError
from understave.findings import with_events
from understave.findings.without_keys import tells_of_keys
from understave.harmony.reading import Detail, Reading
from understave.score.model import Score
from understave.score.transpose import interval_between, moved_key, moved_pitch, transpose
from understave.teaching.carried import carry
from understave.teaching.exercises import HEARD, Exercise, exercises
from understave.teaching.verification import verify
from understave.teaching.withheld import untold
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.vocabulary import Language
from understave.wording import LEVELS, Level

MOST_SIGNS: Mapping[Level, int] = {"beginner": 3, "intermediate": 4, "advanced": 6}
"""Sharps or flats at most of the key that the piece is moved to, by level (set by hand)."""


@dataclass(frozen=True, slots=True)
class Student:
    """A name as written, and a level."""

    name: str
    level: Level


@dataclass(frozen=True)
class Sheet:
    """What one student gets: the piece in `key`, `moved` there or not, and its exercises."""

    student: Student
    key: Key
    score: Score
    reading: Reading
    exercises: tuple[Exercise, ...]
    moved: bool = False


def students_from(text: str, name: str, level: Level) -> tuple[Student, ...]:
    """Return the students of a list: one a line, ``Anna`` or ``Anna, beginner``; else `level` is theirs.

    Empty lines and lines that begin with # are passed over. Raises UnderstaveError that names a wrong line.
    """
    found: dict[str, Student] = {}
    for number, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        written, parted, after = line.replace("\t", ",").replace(";", ",").rpartition(",")
        who, wanted = (written.strip(), after.strip()) if parted else (line.strip(), level)
        own = next((a for a in LEVELS if a == wanted.casefold()), None)
        if not who or own is None:
            raise LessonError(
                f"Line {number} of {name} names no level ({wanted!r}); write a name, or a name, a comma and "
                f"one of {', '.join(LEVELS)}."
            )
        if who.casefold() in found:
            raise LessonError(f"{who!r} stands twice in {name}; give the second one another name.")
        found[who.casefold()] = Student(who, own)
    if not found:
        raise LessonError(f"{name} names nobody; write one student a line.")
    return tuple(found.values())


def sheets(
    score: Score,
    reading: Reading,
    students: Sequence[Student],
    seed: int,
    language: Language,
    *,
    heard: bool = False,
) -> Iterator[Sheet]:
    """Give out the sheets in the order of the students; those of one level go through its keys in turn.

    Unless `heard`, nothing is to be listened to: each key needs sounds of its own.
    """
    if not reading.spans:
        raise LessonError(f"{score.title} has no harmony to ask about; make sure that it has notes.")
    made: dict[tuple[Level, Key], _Moved | None] = {}
    asked: dict[Level, tuple[Exercise, ...]] = {}
    dealt: dict[Level, int] = {}
    for student in students:
        level = student.level
        keys = _keys(reading, level, seed)
        if level not in asked:
            asked[level] = _wanted(score, reading, level, language, heard)
        wanted = asked[level]
        if not wanted:
            raise LessonError(
                f"No exercise for the level {level} can be proved on {score.title}; choose another level."
            )
        first = dealt.get(level, 0)
        for k in range(first, first + len(keys)):
            key = keys[k % len(keys)]
            if (level, key) not in made:
                made[level, key] = _moved(score, reading, key, wanted)
            there = made[level, key]
            if there is not None:
                dealt[level] = k + 1
                yield Sheet(student, key, there[0], there[1], there[2], key != reading.spans[0].key)
                break
        else:
            yield Sheet(student, reading.spans[0].key, score, reading, wanted)


def _keys(reading: Reading, level: Level, seed: int) -> tuple[Key, ...]:
    """Return the keys to move the piece to, in the order of the seed; its own is among them."""
    home = reading.spans[0].key
    near = []
    for move in range(-6, 6):
        key = Key(PitchClass.from_fifths(home.tonic.fifths + move), home.mode).simplest
        if abs(key.signature) <= max(MOST_SIGNS[level], 0) or move == 0:
            near.append(key)
    return tuple(sorted(dict.fromkeys(near), key=lambda key: _drawn(seed, level, key.symbol)))


def _drawn(*of: object) -> str:
    """A number drawn by lot, the same on every machine."""
    return hashlib.sha256("/".join(map(str, of)).encode()).hexdigest()


def _wanted(
    score: Score, reading: Reading, level: Level, language: Language, heard: bool
) -> tuple[Exercise, ...]:
    found = tuple(e for e in exercises(score, reading, level) if heard or e.kind != HEARD)
    return untold(score, found, (), language)


_Moved: TypeAlias = "tuple[Score, Reading, tuple[Exercise, ...]]"


def _moved(score: Score, reading: Reading, key: Key, wanted: Sequence[Exercise]) -> _Moved | None:
    """Return the piece in a key and the exercises there; None where one of them cannot be proved there."""
    home = reading.spans[0].key
    if key == home:
        return score, reading, tuple(wanted)
    try:
        interval = interval_between(home, key)
        moved = transpose(score, interval)
        read = with_events(moved, _carried(reading, moved, interval), tells_of_keys(reading))
        there = tuple(moved_exercise(exercise, interval) for exercise in wanted)
    except UnderstaveError:
        return None
    return None if any(verify(exercise, moved, read) for exercise in there) else (moved, read, there)


def _carried(reading: Reading, moved: Score, interval: Interval) -> Reading:
    end = max([moved.end, *(span.end for span in reading.spans)])
    return Reading(carry(reading.spans, moved, Fraction(0), end, interval))


def moved_exercise(exercise: Exercise, interval: Interval) -> Exercise:
    """Return an exercise moved by an interval: its question, its notes and its answer.

    Raises UnderstaveError where a note would lie off the piano.
    """

    def moved(value: Detail) -> Detail:
        if isinstance(value, Pitch):
            return moved_pitch(value, interval)
        if isinstance(value, PitchClass):
            return PitchClass.from_fifths(value.fifths + interval.fifths)
        if isinstance(value, Key):
            return moved_key(value, interval)
        if isinstance(value, tuple):
            return tuple(moved(v) for v in value)
        return value

    details: dict[str, Any] = {name: moved(value) for name, value in exercise.values}
    scores = [(transpose(score, interval), reading) for score, reading in exercise.solutions]
    return replace(
        exercise,
        details=replace(exercise.details, **details),
        material=None if exercise.material is None else transpose(exercise.material, interval),
        notes=tuple(moved_pitch(pitch, interval) for pitch in exercise.notes),
        solutions=tuple((score, _carried(reading, score, interval)) for score, reading in scores),
    )
