"""The command ``results``: what students answered on the lesson page, and what was hard."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table

from understave.cli.arguments import add_language
from understave.errors import UnderstaveError

if TYPE_CHECKING:
    from understave.teaching.results import Results


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``results`` to the commands."""
    told = commands.add_parser("results", help="what students answered on the lesson page, and what was hard")
    told.add_argument("lesson", type=Path, help="the lesson folder that the page belongs to")
    told.add_argument(
        "files", type=Path, nargs="+", metavar="FILE", help="files that students saved, or folders of them"
    )
    told.add_argument("--json", action="store_true", help="print the counts as JSON")
    told.add_argument("--picture", type=Path, metavar="PICTURE", help="draw them as a picture, as .svg")
    add_language(told)
    told.set_defaults(run=_results)


def _results(arguments: argparse.Namespace, console: Console) -> int:
    from understave.disk import write_atomically
    from understave.lesson.folder import EXPORTS, is_lesson_folder
    from understave.media.homework_data import HOMEWORK, results_values
    from understave.media.results_picture import results_picture
    from understave.teaching.results import read_questions, results

    picture: Path | None = arguments.picture
    if picture is not None and picture.suffix.lower() != ".svg":
        raise UnderstaveError(f"{picture.name} must end in .svg; say with --picture where it goes.")
    if not is_lesson_folder(arguments.lesson):
        raise UnderstaveError(f"{arguments.lesson} is not a lesson folder; name it before the files.")
    asked = arguments.lesson / EXPORTS / HOMEWORK
    try:
        text = asked.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        raise UnderstaveError(
            f"{arguments.lesson} has no questions ({asked.name}); make it again with 'understave lesson'."
        ) from None
    names = [str(path) for path in _files(arguments.files)]
    found = results(read_questions(text, asked.name), names, lambda name: Path(name).read_bytes())
    if picture is not None:
        write_atomically(picture, results_picture(found, arguments.language))
    if arguments.json:
        print(json.dumps(results_values(found), ensure_ascii=False))
        return 0
    _tell(found, console, arguments.language)
    return 0


def _files(given: Sequence[Path]) -> list[Path]:
    """The files named, and the JSON files of the folders named."""
    return [f for path in given for f in (sorted(path.glob("*.json")) if path.is_dir() else [path])]


def _tell(found: Results, console: Console, language: str) -> None:
    from understave.media.results_picture import sign_of
    from understave.wording import phrasebook

    said = phrasebook(language).phrases
    counts = (said["results_at_once"], said["results_later"], said["results_missed"])
    if found.students:
        who = Table(said["results_student"], *(str(k) for k in range(1, len(found.questions.asked) + 1)))
        for student in found.students:
            who.add_row(student.name, *(sign_of(student.answer(asked.id)) for asked in found.questions.asked))
        console.print(who)
        console.print(said["results_legend"], highlight=False)
        what = Table("", said["results_question"], *counts)
        for k, count in enumerate(found.by_question, start=1):
            what.add_row(str(k), count.name, str(count.at_once), str(count.later), str(count.missed))
        console.print(what)
        hard = Table(said["results_about"], *counts)
        for count in found.by_device:
            hard.add_row(count.name, str(count.at_once), str(count.later), str(count.missed))
        console.print(said["results_hard"], highlight=False)
        console.print(hard)
    for note in found.notes:
        console.print(f"Note: {note}", highlight=False)
    if not found.students:
        console.print(said["results_nobody"], highlight=False)
