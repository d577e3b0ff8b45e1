"""Where a command writes to: a file or, with ``--out -``, standard output; and JSON for programs."""

from __future__ import annotations

import argparse
import codecs
import io
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from understave.errors import UnderstaveError

STANDARD = Path("-")
"""The name that means standard input, or standard output (POSIX Utility Syntax Guidelines, guideline 13)."""
SCORE_OR_FOLDER = "a score file, a lesson folder, or - for standard input"


_PLAIN = str.maketrans(
    {"♭": "b", "♯": "#", "♮": "n", "→": "->", "≈": "~", "−": "-", "\u2011": "-", "\u202f": " ", "\u2009": " "}
)


def _plainer(error: UnicodeError) -> tuple[str, int]:
    """Put plain signs for what a console (cp1252 on Windows, ASCII elsewhere) cannot show."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    plain = error.object[error.start : error.end].translate(_PLAIN)
    return "".join(c if c.isascii() else "?" for c in plain), error.end


def show_what_can_be_shown() -> None:
    """Let standard output and error show plain signs where their encoding lacks one."""
    codecs.register_error("understave", _plainer)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="understave")


_HELD = {0x00A0: "\ue0a0", 0x202F: "\ue0a1"}
"""Signs of private use that stand for no-break spaces while lines are broken."""
_FREED = {ord(sign): chr(space) for space, sign in _HELD.items()}


class Teller(Console):
    """A console that breaks no line at a no-break space and leaves it to `main` to end where nobody reads on
    (``understave show ... | head``).
    """

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Yield the segments of what is to be shown; rich itself breaks lines at any white space."""
        shown = options or self.options
        if isinstance(renderable, str):
            renderable = self.render_str(renderable, highlight=shown.highlight, markup=shown.markup)
        if isinstance(renderable, Text):
            renderable = renderable.copy()
            renderable.plain = renderable.plain.translate(_HELD)
        for segment in super().render(renderable, options):
            yield segment._replace(text=segment.text.translate(_FREED))

    def on_broken_pipe(self) -> None:
        """Go on with the BrokenPipeError that is being handled; rich itself would end with exit code 1."""
        raise


def add_out(command: argparse.ArgumentParser, what: str, kinds: Sequence[str]) -> None:
    """Add ``--out``, and ``--format`` where standard output leaves open what to write."""
    command.add_argument("--out", type=Path, required=True, help=f"{what}; - for standard output")
    if len(kinds) > 1:
        command.add_argument(
            "--format",
            metavar="FORMAT",
            choices=[kind.removeprefix(".") for kind in kinds],
            help=f"what goes to standard output: {', '.join(k.removeprefix('.') for k in kinds)}",
        )


def kind_asked(arguments: argparse.Namespace, kinds: Sequence[str], what: str) -> str:
    """Return the suffix of what is to be written, one of `kinds`.

    Raises UnderstaveError where the name has another ending, for a format that is none of them, and for
    standard output without a format.
    """
    out: Path = arguments.out
    named: str | None = getattr(arguments, "format", None)
    if named and f".{named}" not in kinds:
        names = ", ".join(kind.removeprefix(".") for kind in kinds)
        raise UnderstaveError(f"There is no format {named!r} here; choose one of {names}.")
    if out == STANDARD:
        if named is None and len(kinds) > 1:
            raise UnderstaveError(
                f"Standard output has no ending that tells {what}; say it with --format {kinds[0][1:]}."
            )
        return f".{named}" if named else kinds[0]
    suffix = out.suffix.lower()
    if suffix not in kinds or (named and suffix != f".{named}"):
        allowed = f".{named}" if named else f"{', '.join(kinds[:-1])} or {kinds[-1]}".removeprefix(" or ")
        raise UnderstaveError(f"{out.name} must end in {allowed}; say with --out {what} you want.")
    return suffix


def deliver(out: Path, made: bytes | str) -> None:
    """Write what was made to a file in one step, or to standard output."""
    from understave.disk import write_atomically

    if out != STANDARD:
        write_atomically(out, made)
        return
    # Bytes as they are: text would get the console's encoding and, on Windows, other line ends.
    sys.stdout.flush()
    sys.stdout.buffer.write(made.encode() if isinstance(made, str) else made)
    sys.stdout.buffer.flush()


def teller(out: Path, console: Console) -> Console:
    """Return the console that says what was done: standard error where standard output is the file."""
    if out != STANDARD:
        return console
    return Teller(stderr=True, soft_wrap=True, markup=False, emoji=False)


def say_where(out: Path, console: Console) -> None:
    """Say what was written to."""
    said = "Written to standard output." if out == STANDARD else f"{out}"
    teller(out, console).print(said, highlight=False)


def add_json(command: argparse.ArgumentParser, schema: str) -> None:
    """Add ``--json``; `schema` names what is written."""
    command.add_argument(
        "--json",
        action="store_true",
        help=f"write JSON for programs, as python -m understave.export.schemas {schema} says",
    )
