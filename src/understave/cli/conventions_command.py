"""The command ``conventions``: how harmony is written for a teacher; shown, chosen for one lesson or all."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from understave.cli.arguments import paper_named
from understave.errors import UnderstaveError

_ASKED = {
    "six_four": "the six-four before the dominant",
    "numerals": "Roman numerals",
    "functions": "function letters (T, Sp, D7), beside numerals or instead of them",
    "letters": "letters of chord symbols: B flat and B, B and H, or fixed do (Sib and Si)",
    "keys": "keys of labels: in words (F minor), or letters with small ones for minor (f)",
    "bass_figures": "figured bass below the numerals",
}


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``conventions`` to the commands."""
    from understave.theory.convention_choices import CHOICES

    asked = commands.add_parser(
        "conventions", help="choose how harmony is written: six-fours, numerals, functions, letters, keys"
    )
    asked.add_argument("lesson", type=Path, nargs="?", help="the lesson folder that is to follow them")
    for name, words in _ASKED.items():
        asked.add_argument(f"--{name.replace('_', '-')}", choices=CHOICES[name], help=words)
    asked.add_argument("--paper", type=paper_named, help="paper of lessons: A4, Letter or booklet")
    asked.add_argument("--for-all", action="store_true", help="for all lessons that choose nothing else")
    asked.add_argument("--standard", action="store_true", help="forget first what was chosen there")
    asked.set_defaults(run=_conventions)


def _conventions(arguments: argparse.Namespace, console: Console) -> int:
    from understave.lesson.chosen_conventions import choose, conventions_of, file_of, paper_for_all
    from understave.theory.convention_choices import CHOICES

    lesson, for_all = arguments.lesson, arguments.for_all
    chosen = {name: value for name in _ASKED if (value := getattr(arguments, name))}
    if lesson is not None and for_all:
        raise UnderstaveError("Name a lesson folder or give --for-all, not both.")
    if lesson is not None:
        from understave.lesson.folder import open_folder

        open_folder(lesson)
    paper = arguments.paper
    if chosen or paper or arguments.standard:
        if lesson is None and not for_all:
            raise UnderstaveError("Say what is to follow them: name a lesson folder, or give --for-all.")
        choose(chosen, lesson, arguments.standard)
        if paper:
            _keep_paper(paper, lesson)
    table = Table("convention", "chosen", "may be")
    for name, value in asdict(conventions_of(lesson)).items():
        table.add_row(_ASKED[name], value, ", ".join(CHOICES[name]))
    console.print(table)
    if lesson is None and (kept := paper_for_all()) is not None:
        console.print(f"Paper of lessons that choose none: {kept}.", highlight=False)
    if chosen or paper or arguments.standard:
        again = f"'understave lesson {lesson}'" if lesson is not None else "'understave lesson FOLDER'"
        console.print(f"Kept in {file_of(lesson)}. {again} makes a lesson again so.", highlight=False)
    return 0


def _keep_paper(paper: str, lesson: Path | None) -> None:
    from understave.lesson import edits
    from understave.lesson.chosen_conventions import choose_paper_for_all, file_of

    if lesson is None:
        choose_paper_for_all(paper)
    else:
        edits.keep_asked(file_of(lesson), {"paper": paper})
