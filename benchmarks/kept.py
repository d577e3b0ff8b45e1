"""Results of long measurements, kept piece by piece, so that a run can be stopped and gone on with.

In: pieces, what is measured of each, and a file of results (``--state FILE`` of a benchmark). Out: the
results of all pieces that have one. The file belongs to one command and one state of the code: delete it
when either changes.
"""

from __future__ import annotations

import argparse
import pickle
import random
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, Protocol, TypeVar

from rich.console import Console
from rich.progress import track


class Named(Protocol):
    """A piece, known by its set and its name."""

    @property
    def set(self) -> str:
        """The set it belongs to."""

    @property
    def name(self) -> str:
        """Its name, once in a set."""


Piece = TypeVar("Piece", bound=Named)
Result = TypeVar("Result")


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that `measured` is given."""
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--state", type=Path, help="keep results here and go on where they end")
    parser.add_argument("--minutes", type=float, help="begin no further piece after these minutes")


def measured(
    pieces: Sequence[Piece], measure: Callable[[Piece], Result], options: argparse.Namespace
) -> list[tuple[Piece, Result]]:
    """Return what is measured of each piece, in order; with `options.minutes` only of those done by then.

    Pieces are taken in a shuffled order, the same each time, so that what is done after some minutes is a
    sample of all.
    """
    known: dict[tuple[str, ...], Result] = dict(earlier(options.state))
    begun = time.monotonic()
    open_ones = [p for p in pieces if (p.set, p.name) not in known]
    random.Random(0).shuffle(open_ones)
    with ProcessPoolExecutor(options.jobs) as pool:
        firsts = range(0, len(open_ones), options.jobs)
        for first in track(firsts, description="pieces", console=Console(stderr=True), transient=True):
            some = open_ones[first : first + options.jobs]
            if options.minutes is not None and time.monotonic() - begun > 60 * options.minutes:
                break
            for piece, result in zip(some, pool.map(measure, some), strict=True):
                known[piece.set, piece.name] = result
                keep(options.state, (piece.set, piece.name), result)
    return [(p, known[p.set, p.name]) for p in pieces if (p.set, p.name) in known]


def keep(state: Path | None, of: tuple[str, ...], result: object) -> None:
    """Keep what was found of a piece; nothing where no file was asked for."""
    if state is not None:
        with state.open("ab") as file:
            pickle.dump((of, result), file)


def earlier(state: Path | None) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield what is kept of each piece; what a run was writing when it was stopped is cut off."""
    if state is None or not state.exists():
        return
    with state.open("r+b") as file:
        while True:
            whole = file.tell()
            try:
                yield pickle.load(file)
            except (EOFError, pickle.UnpicklingError):
                file.truncate(whole)
                return
