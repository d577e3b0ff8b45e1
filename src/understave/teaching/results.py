"""What students answered on the lesson page, counted by question and by what the question is about.

In: the questions of a lesson (``homework.json``) and the files that students saved. Out: `Results`. A file
that is damaged or of something else is left out with a sentence; the others count.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

from understave.errors import UnderstaveError

QUESTIONS = "understave-homework"
ANSWERS = "understave-answers"
VERSION = 1
LARGEST = 1_000_000
"""Bytes of a file of answers at most: one of ours has some thousand."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A question: its `id`, the `way` to answer, what it is about (`device`), its words."""

    id: str
    way: str
    device: str
    prompt: str


@dataclass(frozen=True, slots=True)
class Questions:
    """The questions of a page, in their order."""

    homework: str
    title: str
    asked: tuple[Asked, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a student did with a question: what they `tried`, in words; whether it was `right` in the end, or
    the answer was `shown` before; `seconds` spent on it.
    """

    question: str
    tried: tuple[str, ...]
    right: bool
    shown: bool
    seconds: float

    @property
    def at_once(self) -> bool:
        """Whether the first try was right."""
        return self.right and len(self.tried) <= 1


@dataclass(frozen=True, slots=True)
class Student:
    """One file: the name that the student gave, and the answers."""

    name: str
    answers: tuple[Answer, ...]

    def answer(self, question: str) -> Answer | None:
        """Return the answer to a question, None where there is none."""
        return next((a for a in self.answers if a.question == question), None)


@dataclass(frozen=True, slots=True)
class Count:
    """How many found something at once, later, or not; `seconds` on average of those who tried."""

    name: str
    at_once: int
    later: int
    missed: int
    seconds: float

    @property
    def answered(self) -> int:
        """How many answers there are."""
        return self.at_once + self.later + self.missed

    @property
    def hard(self) -> float:
        """How hard it was, 0..1: a later find counts half (our own judgement)."""
        return (self.missed + self.later / 2) / self.answered if self.answered else 0.0


@dataclass(frozen=True, slots=True)
class Results:
    """The answers of a class; `notes` say in sentences what was left out."""

    questions: Questions
    students: tuple[Student, ...]
    notes: tuple[str, ...] = ()

    @property
    def by_question(self) -> tuple[Count, ...]:
        """One count for each question, in their order."""
        return tuple(_count(asked.prompt, self._answers([asked])) for asked in self.questions.asked)

    @property
    def by_device(self) -> tuple[Count, ...]:
        """One count for each thing that is asked about, the hardest first; what nobody tried is left out."""
        names = dict.fromkeys(asked.device for asked in self.questions.asked)
        counts = [
            _count(n, self._answers([asked for asked in self.questions.asked if asked.device == n]))
            for n in names
        ]
        return tuple(sorted((count for count in counts if count.answered), key=lambda count: -count.hard))

    def _answers(self, asked: Iterable[Asked]) -> list[Answer]:
        found = (student.answer(q.id) for q in asked for student in self.students)
        return [a for a in found if a is not None and (a.tried or a.shown or a.right)]


def _count(name: str, answers: Sequence[Answer]) -> Count:
    at_once = sum(a.at_once for a in answers)
    right = sum(a.right for a in answers)
    seconds = sum(a.seconds for a in answers) / len(answers) if answers else 0.0
    return Count(name, at_once, right - at_once, len(answers) - right, seconds)


def read_questions(text: str, name: str) -> Questions:
    """Read ``homework.json``; raise UnderstaveError in a sentence for what is none."""
    data = _document(text, name, QUESTIONS)
    try:
        asked = tuple(
            Asked(str(q["id"]), str(q["way"]), str(q["device"]), str(q["prompt"])) for q in data["questions"]
        )
        return Questions(str(data["homework"]), str(data["title"]), asked)
    except (KeyError, TypeError):
        raise UnderstaveError(f"{name} is damaged; make the lesson again.") from None


def results(questions: Questions, names: Sequence[str], read: Callable[[str], bytes]) -> Results:
    """Return the answers of the files of these names; `read` gives their bytes, or raises OSError."""
    found: list[tuple[str, Student]] = []
    notes: list[str] = []
    for name in names:
        try:
            student, note = _student(read(name), name, questions)
        except OSError as error:
            notes.append(f"{name} cannot be read ({error.strerror or error}); it is left out.")
        except UnderstaveError as error:
            notes.append(str(error))
        else:
            found.append((name, student))
            notes += [note] if note else []
    # Two of one name may be two students: neither is dropped.
    called = [student.name for _, student in found]
    students = tuple(
        Student(
            student.name if called.count(student.name) == 1 else f"{student.name} ({name})", student.answers
        )
        for name, student in found
    )
    return Results(questions, students, tuple(notes))


def _student(data: bytes, name: str, questions: Questions) -> tuple[Student, str]:
    """Return a student and what there is to say about the file."""
    if len(data) > LARGEST:
        raise UnderstaveError(f"{name} is too large for a file of answers; it is left out.")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        raise UnderstaveError(f"{name} is not a file of answers; it is left out.") from None
    values = _document(text, name, ANSWERS)
    rows = values.get("answers")
    if not isinstance(rows, list):
        raise UnderstaveError(f"{name} is damaged: it has no answers; it is left out.")
    answers = [a for a in (_answer(row) for row in rows) if a is not None]
    known = {asked.id for asked in questions.asked}
    mine = {a.question: a for a in answers if a.question in known}
    if answers and not mine:
        title = str(values.get("title") or "another piece")
        raise UnderstaveError(f"{name} answers other questions ({title}); it is left out.")
    lost = len(rows) - len(mine)
    note = ""
    if len(answers) < len(rows):
        note = f"{name} is damaged in part; {lost} of its {len(rows)} answers are left out."
    elif lost:
        note = f"{name} is from another state of the lesson; {lost} of its {len(rows)} answers are left out."
    called = values.get("name")
    said = " ".join(called.split())[:60] if isinstance(called, str) else ""
    return Student(said or name.rsplit("/", 1)[-1].removesuffix(".json"), tuple(mine.values())), note


def _answer(row: Any) -> Answer | None:
    if not isinstance(row, Mapping):
        return None
    question, tried, seconds = row.get("question"), row.get("tries"), row.get("seconds")
    right, shown = row.get("right"), row.get("shown")
    if not isinstance(question, str) or not isinstance(tried, list):
        return None
    if not isinstance(right, bool) or not isinstance(shown, bool):
        return None
    if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not isfinite(seconds):
        return None
    return Answer(question, tuple(str(t) for t in tried), right, shown, max(0.0, float(seconds)))


def _document(text: str, name: str, wanted: str) -> Mapping[str, Any]:
    what = "a file of answers" if wanted == ANSWERS else "the questions of a lesson"
    end = "; it is left out." if wanted == ANSWERS else "; make the lesson again."
    try:
        values = json.loads(text)
    except (ValueError, RecursionError):
        raise UnderstaveError(f"{name} is not {what}, or it is damaged{end}") from None
    if not isinstance(values, dict) or values.get("format") != wanted:
        raise UnderstaveError(f"{name} is not {what}{end}")
    if values.get("version") != VERSION:
        raise UnderstaveError(f"{name} was written by another version of the lesson page{end}")
    return values
