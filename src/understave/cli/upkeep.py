"""The commands ``doctor`` and ``languages``: is all that is needed here, and what does a language lack?"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from understave.cli.sources import read_source


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``doctor`` to the commands."""
    doctor = commands.add_parser(
        "doctor", help="see whether all that is needed is here, and what to send when you ask for help"
    )
    doctor.add_argument(
        "--claims",
        type=Path,
        metavar="LESSON",
        help="test on the notes all that could be said of a lesson or a score, and list what is not so",
    )
    doctor.set_defaults(run=_doctor)

    languages = commands.add_parser("languages", help="list the languages, and what words each of them lacks")
    languages.add_argument("language", nargs="*", metavar="CODE", help="which, such as fr (default: all)")
    languages.set_defaults(run=_languages)


def _languages(arguments: argparse.Namespace, console: Console) -> int:
    from understave.wording.lacking import main

    return main(arguments.language)


def _doctor(arguments: argparse.Namespace, console: Console) -> int:
    from understave.doctor import WHAT_TO_SEND, examine

    if arguments.claims is not None:
        return _claims(arguments.claims, console)
    signs = {
        "fine": Text("fine", "green"),
        "note": Text("note", "dim"),
        "trouble": Text("TROUBLE", "bold red"),
    }
    found = examine(Path.cwd())
    for finding in found:
        line = Text.assemble(f"{finding.what:<12}", signs[finding.state], "  ", finding.words)
        console.print(line, highlight=False)
    console.print()
    console.print(Text(WHAT_TO_SEND), highlight=False)
    return 1 if any(finding.state == "trouble" for finding in found) else 0


def _claims(source: Path, console: Console) -> int:
    """Print claims by kind, then what is not told because the notes deny it, then what contradicts itself."""
    from understave.interpretation.planning import make_plan
    from understave.teaching.account import contradictions, counted_claims, failures, statements
    from understave.teaching.exercises import exercises

    score, reading = read_source(source)
    found = statements(score, reading, make_plan(score, reading), exercises=exercises(score, reading))
    table = Table("kind of claim", "made", "failed", "told", title=score.title)
    for kind, count in counted_claims(found).items():
        table.add_row(kind, str(count.claims), str(count.failed), str(count.told))
    console.print(table)
    denied = list(failures(score, found))
    console.print(
        f"{len(found)} statements, {sum(s.told for s in found)} told, {len(denied)} not told since the notes "
        f"deny them{':' if denied else '.'}",
        highlight=False,
    )
    for line in denied:
        console.print(f"  {line}", highlight=False, markup=False)
    twice = contradictions(found, reading)
    for pair in twice:
        told = f"{pair.told[0]} and {pair.told[1]} disagree: {pair.one} / {pair.other}"
        console.print(f"  {told}", highlight=False, markup=False)
    return 1 if twice else 0
