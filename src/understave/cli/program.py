"""The command line: its parser, and what becomes of errors."""

from __future__ import annotations

import argparse
import shlex
import sys
from collections.abc import Callable, Sequence

from rich.console import Console

from understave import __version__
from understave.cli import correcting, keys, lessons, own_playing, plans, repertoire, showing, upkeep
from understave.errors import UnderstaveError
from understave.faults import fault_sentence, keep_fault


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="understave",
        description="From a piano score to a checked harmonic reading, playing decisions and a lesson.",
        epilog="Nothing that lies in the current folder is ever executed by this command. If you start it as "
        "'python -m understave', Python itself looks there first; write 'python -P -m understave'.",
    )
    parser.add_argument("--version", action="version", version=f"understave {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    # The order of the help.
    for group in (lessons, showing, plans, own_playing, correcting, keys, repertoire, upkeep):
        group.add_commands(commands)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; return 0, or 2 after one sentence on standard error when the input is at fault, and 70
    (EX_SOFTWARE in sysexits.h) when we are: then the log has the details.
    """
    # Titles, notes and folder names may hold square brackets and colons; they mean nothing to us.
    console = Console(stderr=False, soft_wrap=True, markup=False, emoji=False)
    try:
        parsed = _parser().parse_args(arguments)
        run: Callable[[argparse.Namespace, Console], int] = parsed.run
        return run(parsed, console)
    except UnderstaveError as error:
        print(f"understave: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("understave: stopped; nothing was changed half way.", file=sys.stderr)
        return 130
    except Exception as error:
        given = list(sys.argv[1:] if arguments is None else arguments)
        log = keep_fault(error, f"understave {shlex.join(given)}")
        print(f"understave: {fault_sentence(error, log)}", file=sys.stderr)
        return 70


if __name__ == "__main__":
    sys.exit(main())
