"""The command ``export``: a reading as a file of another format, ours or one that a package adds."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from rich.console import Console

from understave.cli.arguments import add_score
from understave.cli.outputs import deliver, kind_asked, say_where
from understave.cli.sources import read_source


def add_commands(commands: argparse._SubParsersAction[Any]) -> None:
    """Add ``export`` to the commands."""
    export = commands.add_parser("export", help="write the reading of a score as a file of another format")
    add_score(export)
    export.add_argument(
        "--out",
        type=Path,
        required=True,
        help="the file; its ending says what to write: .json, .csv, .txt (analysis as text, RomanText), "
        ".musicxml, .mei, .ly (LilyPond), .parquet (events) or one that an installed package adds; - for "
        "standard output",
    )
    export.add_argument("--format", metavar="FORMAT", help="what goes to standard output, such as csv")
    export.set_defaults(run=_export)


def _export(arguments: argparse.Namespace, console: Console) -> int:
    from understave.export.exporters import exporters
    from understave.interpretation.written_about import writing_about
    from understave.piece import Piece

    known = exporters()
    suffix = kind_asked(arguments, tuple(known), "what to write")
    score, reading = read_source(arguments.score)
    with writing_about(reading):
        written = known[suffix].write(Piece(score, reading))
    deliver(arguments.out, written)
    say_where(arguments.out, console)
    return 0
