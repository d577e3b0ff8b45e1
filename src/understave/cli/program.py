"""The command line: its parser, and what becomes of errors."""

from __future__ import annotations

import argparse
import os
import shlex
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from understave import __version__
from understave.cli import (
    completion,
    conventions_command,
    correcting,
    exporting,
    habits,
    keys,
    lessons,
    own_playing,
    plans,
    repertoire,
    results_command,
    showing,
    tools,
    upkeep,
    worksheets,
)
from understave.cli.outputs import Teller, show_what_can_be_shown
from understave.cli.sources import as_one
from understave.errors import UnderstaveError
from understave.faults import fault_sentence, keep_fault
from understave.guests import GuestWarning, left_out
from understave.jobs.collection import collect_seldom

_WITHOUT_CONVENTIONS = ("conventions", "completion", "doctor", "languages", "serve-tools")
"""Commands that write no harmony, or that mend what was chosen."""


def parser() -> argparse.ArgumentParser:
    """Return what reads the command line, with all commands."""
    reader = argparse.ArgumentParser(
        prog="understave",
        description="From a piano score to a checked harmonic reading, playing decisions and a lesson.",
        epilog="Nothing that lies in the current folder is ever executed by this command. If you start it as "
        "'python -m understave', Python itself looks there first; write 'python -P -m understave'. "
        "Exit codes: 0 done; 1 done, and what was examined is not in order (doctor); 2 the input or an "
        "option is wrong, said in one sentence; 70 a fault of ours, kept in the log; 130 stopped by you; "
        "141 nobody read on.",
    )
    reader.add_argument("--version", action="version", version=f"understave {__version__}")
    commands = reader.add_subparsers(dest="command", required=True, metavar="COMMAND")
    # The order of the help.
    for group in (
        lessons,
        showing,
        exporting,
        worksheets,
        plans,
        own_playing,
        results_command,
        correcting,
        keys,
        habits,
        conventions_command,
        repertoire,
        upkeep,
        completion,
        tools,
    ):
        group.add_commands(commands)
    return reader


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code.

    0 done; 1 done, and what was examined is not in order; 2 after one sentence on standard error when the
    input or an option is at fault; 70 (EX_SOFTWARE in sysexits.h) when we are: then the log has the details;
    130 and 141 as shells count Ctrl-C and a reader that went away (128 and SIGINT, SIGPIPE).
    """
    collect_seldom()
    # Our products of matrices are small: threads that wait busily for their share take more than they save.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    show_what_can_be_shown()
    # Titles, notes and folder names may hold square brackets and colons; they mean nothing to us.
    console = Teller(soft_wrap=True, markup=False, emoji=False)
    # What other packages add and cannot be used is said once, in a line of its own, below.
    warnings.simplefilter("ignore", GuestWarning)
    parsed = argparse.Namespace()
    try:
        parsed = parser().parse_args(arguments)
        run: Callable[[argparse.Namespace, Teller], int] = parsed.run
        with as_one(parsed), _in_the_teacher_s_conventions(parsed):
            return run(parsed, console)
    except UnderstaveError as error:
        print(f"understave: {_in_words(error, parsed)}", file=sys.stderr)
        return 2
    except BrokenPipeError:
        # What is still in the buffer would be written at the very end, and fail again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141
    except KeyboardInterrupt:
        print("understave: stopped; nothing was changed half way.", file=sys.stderr)
        return 130
    except Exception as error:
        given = list(sys.argv[1:] if arguments is None else arguments)
        log = keep_fault(error, f"understave {shlex.join(given)}")
        print(f"understave: {fault_sentence(error, log)}", file=sys.stderr)
        return 70
    finally:
        for sentence in left_out():
            print(f"Note: {sentence}", file=sys.stderr)


def _in_words(error: UnderstaveError, parsed: argparse.Namespace) -> str:
    """Return what an error says, in the language that a command was asked for."""
    language = getattr(parsed, "language", None)
    if not language:
        return str(error)
    # Imported here because most commands that end so need no words.
    from understave.wording.remark_words import in_words

    return in_words(error, language)


@contextmanager
def _in_the_teacher_s_conventions(parsed: argparse.Namespace) -> Iterator[None]:
    """Put in force what the lesson folder that a command names has chosen, or what was chosen for all."""
    if parsed.command in _WITHOUT_CONVENTIONS:
        yield
        return
    # Imported here because `understave --version` and the commands above need no room of ours for it.
    from understave.lesson.chosen_conventions import conventions_of, file_of
    from understave.theory.convention_choices import following

    named = (getattr(parsed, name, None) for name in ("lesson", "score", "folder"))
    lesson = next((p for p in named if isinstance(p, Path) and file_of(p).is_file()), None)
    with following(conventions_of(lesson)):
        yield


if __name__ == "__main__":
    sys.exit(main())
