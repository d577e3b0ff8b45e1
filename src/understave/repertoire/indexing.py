"""A folder of scores in, an index out: what is new is read, what is known stays, what is gone goes.

A file's piece is named by its bytes and the `reader_version`, so that a renamed or copied file costs
nothing, a changed one is read again, and a better reader reads everything again. Pieces are written in
parts as they come; a run that is stopped, by the user or by a loss of power, goes on where the last part
ended.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from understave import __version__
from understave.errors import RepertoireError
from understave.guests import installed
from understave.lesson.folder import EXPORTS, SETTINGS
from understave.repertoire.reader_processes import Job, Outcome, read_all
from understave.repertoire.store import (
    Store,
    known_pieces,
    make_catalogue,
    merge_small_parts,
    open_store,
    write_files,
    write_part,
)
from understave.repertoire.tables import Piece
from understave.repertoire.worker import MOST_MEMORY
from understave.score.reader import suffixes
from understave.takes.kept import FOLDER as TAKES

FOLDER_NAME = "understave-index"
"""Where the index lies if nothing is said: a folder of this name in the folder that is indexed."""
ROWS_VERSION = 3
"""Raised whenever the rows of a piece come to hold something else."""
PIECES_AT_ONCE = 64
SECONDS_AT_ONCE = 60.0
"""A part is written after so many pieces or seconds, whichever comes first: what a crash can cost."""


@dataclass(frozen=True, slots=True)
class Done:
    """A piece that lies in a part or soon will: its error if any, seconds of CPU, bytes its reader holds."""

    error: str
    seconds: float
    memory: int


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is: pieces read and to be read, files found, failures so far, seconds left."""

    done: int
    total: int
    files: int
    failed: int
    seconds_left: float


@dataclass(frozen=True, slots=True)
class Summary:
    """What a run did: files found, pieces known before, read now, and the failures among the files.

    `closed` are the folders that could not be looked into.
    """

    index: Path
    files: int
    known: int
    read: int
    failures: tuple[tuple[str, str], ...]
    seconds: float
    cpu_seconds: float
    most_memory: int
    closed: tuple[str, ...] = ()


@lru_cache(maxsize=1)
def reader_version() -> str:
    """Return what a piece's rows depend on besides its file: our version, the rows' and the weights', and
    what other packages add.
    """
    table = files("understave.harmony.model").joinpath("labels.json").read_bytes()
    others = "\n".join(installed())
    more = f".{hashlib.sha256(others.encode()).hexdigest()[:12]}" if others else ""
    return f"{__version__}.{ROWS_VERSION}.{hashlib.sha256(table).hexdigest()[:12]}{more}"


def scores_below(folder: Path, index: Path) -> tuple[list[Path], tuple[str, ...]]:
    """Return the score files below a folder by path, and the folders that cannot be looked into.

    Hidden files and folders, the index itself, and of a lesson what was made of its score and what was played
    are left out; links to folders are not followed.
    """
    if not folder.is_dir():
        raise RepertoireError(f"{folder} is not a folder; give the folder that your scores lie in.")
    # Printed papers lie about everywhere, those of our own lessons too; a score beside its page is one piece.
    inside, readable = index.resolve(), {s for s in suffixes() if s != ".pdf"}
    found, closed = [], []

    def refused(error: OSError) -> None:
        closed.append(Path(error.filename).relative_to(folder).as_posix())

    for place, below, names in os.walk(folder, onerror=refused):
        here = Path(place)
        made = {EXPORTS, TAKES} if SETTINGS in names else set()
        below[:] = [
            b for b in below if not b.startswith(".") and b not in made and (here / b).resolve() != inside
        ]
        for name in names:
            path = here / name
            if not name.startswith(".") and path.suffix.lower() in readable and path.is_file():
                found.append(path)
    if "." in closed:
        raise RepertoireError(f"{folder} cannot be opened; see that you may read it.")
    return sorted(found), tuple(sorted(closed))


def piece_id(path: Path) -> str:
    """Return the id of a file's piece; a file that cannot be opened is named by its path."""
    digest = hashlib.sha256(reader_version().encode() + b"\0" + path.suffix.lower().encode() + b"\0")
    try:
        with path.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    except OSError:
        digest.update(b"\0unreadable\0" + str(path).encode("utf-8", "surrogateescape"))
    return digest.hexdigest()[:32]


def index_folder(  # noqa: PLR0913
    folder: Path,
    out: Path | None = None,
    workers: int = 0,
    on_progress: Callable[[Progress], None] | None = None,
    read: Callable[[Store, Sequence[Job]], Generator[Done, None, None]] | None = None,
    memory: int = MOST_MEMORY,
    again: bool = False,
) -> Summary:
    """Bring the index of a folder up to date and return what was done.

    `workers` are the processes to use, 0 for one a core; each holds at most `memory` bytes. `read` replaces
    the local processes (see `cluster`). With `again`, files that could not be read before are tried again.
    When it is interrupted, what was read so far is kept, and the catalogue stays that of the last
    finished run. Raises UnderstaveError if the folder or the index cannot be used.
    """
    begun = time.monotonic()
    store = open_store(out or folder / FOLDER_NAME, make=True)
    paths, closed = scores_below(folder, store.folder)
    pieces = {path.relative_to(folder).as_posix(): piece_id(path) for path in paths}
    known = known_pieces(store, failed=not again)
    jobs: dict[str, Job] = {}
    for name, piece in pieces.items():
        if piece not in known:
            jobs.setdefault(piece, Job(folder / name, piece))
    cpu, most, failures = 0.0, 0, 0
    # Closed at once when the run is stopped, so that what was read is written before anything else happens.
    todo = list(jobs.values())
    with closing(read(store, todo) if read else keep(store, read_all(todo, workers, memory=memory))) as kept:
        for done, outcome in enumerate(kept, start=1):
            cpu += outcome.seconds
            most = max(most, outcome.memory)
            failures += bool(outcome.error)
            if on_progress:
                each = (time.monotonic() - begun) / done
                on_progress(Progress(done, len(jobs), len(paths), failures, each * (len(jobs) - done)))
    write_files(store, pieces)
    merge_small_parts(store)
    make_catalogue(store, folder)
    return Summary(
        store.folder,
        len(paths),
        len(set(pieces.values()) & known),
        len(jobs),
        failures_in(store),
        time.monotonic() - begun,
        cpu,
        most,
        closed,
    )


def keep(store: Store, outcomes: Iterable[Outcome]) -> Generator[Done, None, None]:
    """Pass outcomes on and write their pieces in parts, the last ones also when the run is stopped."""
    waiting: list[Piece] = []
    written = time.monotonic()
    try:
        for outcome in outcomes:
            waiting.append(outcome.piece)
            if len(waiting) >= PIECES_AT_ONCE or time.monotonic() - written > SECONDS_AT_ONCE:
                write_part(store, waiting)
                waiting, written = [], time.monotonic()
            yield Done(outcome.piece.error, outcome.seconds, outcome.memory)
    finally:
        if waiting:
            write_part(store, waiting)


def failures_in(store: Store) -> tuple[tuple[str, str], ...]:
    """Return the files that could not be read, each with the sentence that says why."""
    from understave.repertoire.search import connect

    with connect(store.folder) as db:
        rows = db.execute(
            "SELECT f.path, p.error FROM files f JOIN pieces p USING (piece) WHERE p.error <> '' ORDER BY ALL"
        )
        return tuple((str(path), str(error)) for path, error in rows.fetchall())
