"""The commands ``doctor`` and ``languages``: is all that is needed here, and what does a language lack?"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``doctor`` to the commands."""
    doctor = commands.add_parser(
        "doctor", help="see whether all that is needed is here, and what to send when you ask for help"
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
    return 1 if any(f.state == "trouble" for f in found) else 0
