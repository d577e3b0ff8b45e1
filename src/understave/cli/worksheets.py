"""The command ``worksheet``: exercises for a class, for each student in another key, with their answers."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console

from understave.cli.arguments import add_score, add_words, paper_named
from understave.cli.sources import read_source
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from understave.teaching.class_sheets import Sheet
    from understave.theory.vocabulary import Language

_MOST_STUDENTS = 200


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``worksheet`` to the commands."""
    sheet = commands.add_parser(
        "worksheet", help="exercises for a class: the same for each level, in another key for each student"
    )
    add_score(sheet)
    sheet.add_argument(
        "--students",
        type=Path,
        metavar="NAMES",
        required=True,
        help="a text file, one student a line: a name, or a name, a comma and a level",
    )
    sheet.add_argument(
        "--seed", type=int, default=1, help="a whole number; the same one gives the same sheets (default: 1)"
    )
    sheet.add_argument(
        "--out", type=Path, default=Path("worksheets"), help="the folder of the sheets (default: worksheets)"
    )
    sheet.add_argument("--paper", type=paper_named, help="A4, Letter or booklet (default: the lesson's)")
    sheet.add_argument(
        "--sounds",
        action="store_true",
        help="with exercises to listen to: a folder for each student, with its sounds in the student's key",
    )
    add_words(sheet, remembered=True)
    sheet.set_defaults(run=_worksheet)


def _worksheet(arguments: argparse.Namespace, console: Console) -> int:
    from understave.disk import write_atomically
    from understave.lesson.folder import SETTINGS
    from understave.lesson.make import asked_of
    from understave.media.class_papers import sheet_files
    from understave.teaching.class_sheets import sheets, students_from

    names: Path = arguments.students
    try:
        text = names.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise UnderstaveError(f"{names} cannot be read; give a text file with one student a line.") from None
    kept = asked_of(arguments.score / SETTINGS)
    paper, language = arguments.paper or kept.paper, arguments.language or kept.language
    students = students_from(text, names.name, arguments.level or kept.level)
    if len(students) > _MOST_STUDENTS:
        raise UnderstaveError(
            f"{names} names {len(students)} students; make sheets for {_MOST_STUDENTS} at most at a time."
        )
    out: Path = arguments.out
    if out.exists() and not out.is_dir():
        raise UnderstaveError(f"{out} is a file, not a folder; choose another place with --out.")
    score, reading = read_source(arguments.score)
    dealt = sheets(score, reading, students, arguments.seed, language, heard=arguments.sounds)
    heard = _sounding(language) if arguments.sounds else None
    for student, files in zip(students, sheet_files(dealt, paper, language, heard), strict=True):
        for path, data in files.items():
            (out / path).parent.mkdir(parents=True, exist_ok=True)
            write_atomically(out / path, data)
        console.print(f"{student.name} ({student.level}): {next(iter(files))}", highlight=False)
    console.print(
        f"The sheets lie in {out}, the answers in {out / 'answers'}. A score may be under copyright, and so "
        "may its edition: make sure that you may hand out copies.",
        highlight=False,
    )
    return 0


def _sounding(language: Language) -> Callable[[Sheet], dict[str, bytes]]:
    """Return what makes the sounds of a sheet; those of a level in one key are made once."""
    from understave.interpretation.planning import make_plan
    from understave.media.worksheet import exercise_sounds

    made: dict[tuple[str, str], dict[str, bytes]] = {}

    def heard(sheet: Sheet) -> dict[str, bytes]:
        there = sheet.student.level, sheet.key.symbol
        if there not in made:
            plan = make_plan(sheet.score, sheet.reading)
            made[there] = exercise_sounds(sheet.exercises, sheet.score, plan, language)
        return made[there]

    return heard
