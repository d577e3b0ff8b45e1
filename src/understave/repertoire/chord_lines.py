"""All chords of an index one after the other, as columns on the disk, so that patterns are found quickly.

::

    lines-<name>/chord.npy, bass.npy, key.npy, stretch.npy, piece.npy, bar.npy, sure.npy

In: the tables of a new catalogue. Out: these files, and the table ``line_names`` with what the numbers in
the first three stand for. A *stretch* is a run of chords in one key. Files are mapped, not read: a question
takes from them what it needs, `AT_ONCE` chords at a time, so that memory stays bounded.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt

from understave.errors import RepertoireError
from understave.repertoire.matching import Line
from understave.repertoire.patterns import root_of

AT_ONCE = 2_000_000
"""Chords that are looked at in one go."""
_PIECES = 5_000
"""Pieces whose chords are written in one go."""
_COLUMNS = {
    "chord": np.uint16,
    "bass": np.uint16,
    "key": np.uint16,
    "stretch": np.int32,
    "piece": np.int32,
    "bar": np.int32,
    "sure": np.float32,
}
_NAMED = ("chord", "bass", "key")


@dataclass(frozen=True, slots=True)
class Lines:
    """The columns by name, and the names that their numbers stand for."""

    columns: dict[str, npt.NDArray[Any]]
    names: dict[str, tuple[str, ...]]

    @property
    def size(self) -> int:
        """How many chords there are."""
        return int(self.columns["piece"].size)

    def blocks(self) -> Iterator[slice]:
        """Yield blocks of about `AT_ONCE` chords that hold whole pieces."""
        piece = self.columns["piece"]
        begin = 0
        while begin < self.size:
            end = min(begin + AT_ONCE, self.size)
            if end < self.size:
                end = int(np.searchsorted(piece, piece[end - 1], side="right"))
            yield slice(begin, end)
            begin = end

    def line(self, what: str, block: slice) -> Line:
        """Return the ``chord`` or the ``bass`` line of a block."""
        names = self.names[what]
        roots: dict[str, int] = {}
        return Line(
            np.asarray(self.columns[what][block]),
            np.asarray(self.columns["stretch"][block]),
            np.asarray(self.columns["sure"][block]),
            names,
            np.array([roots.setdefault(root_of(name), len(roots)) for name in names], np.int32),
        )


def make_lines(db: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Write the chords of a catalogue's ``spans``; note in the catalogue what their numbers mean."""
    folder.mkdir(parents=True)
    db.execute("CREATE TABLE line_names (kind VARCHAR, code INTEGER, name VARCHAR)")
    for kind in _NAMED:
        db.execute(
            f"INSERT INTO line_names SELECT '{kind}', row_number() OVER (ORDER BY {kind}) - 1, {kind}"
            f" FROM (SELECT DISTINCT {kind} FROM spans)"
        )
    size = _size(db)
    files = {
        name: np.lib.format.open_memmap(folder / f"{name}.npy", mode="w+", dtype=kind, shape=(max(1, size),))
        for name, kind in _COLUMNS.items()
    }
    joins = "".join(f" JOIN line_names {k} ON {k}.kind = '{k}' AND {k}.name = s.{k}" for k in _NAMED)
    most = int((db.execute("SELECT coalesce(max(piece), 0) FROM spans").fetchone() or (0,))[0])
    done, stretch = 0, -1
    for piece in range(0, most + 1, _PIECES):
        own: dict[str, npt.NDArray[Any]] = dict(
            db.execute(
                "SELECT chord.code AS chord, bass.code AS bass, key.code AS key, s.piece, s.bar,"
                f" s.confidence AS sure FROM spans s{joins} WHERE s.piece >= ? AND s.piece < ?"
                " ORDER BY s.piece, s.number",
                [piece, piece + _PIECES],
            ).fetchnumpy()
        )
        place = np.stack([own["piece"], own["key"]])
        own["stretch"] = stretch + np.cumsum(np.any(np.diff(place, prepend=-1), axis=0))
        size = own["piece"].size
        for name, file in files.items():
            file[done : done + size] = own[name]
        done += size
        stretch = int(own["stretch"][-1]) if size else stretch
    for file in files.values():
        file.flush()


def open_lines(db: duckdb.DuckDBPyConnection) -> Lines:
    """Return the lines that belong to an open catalogue; raise UnderstaveError if they are gone."""
    row = db.execute("SELECT value FROM about WHERE name = 'lines'").fetchone()
    where = db.execute(
        "SELECT path FROM duckdb_databases() WHERE database_name = current_database()"
    ).fetchone()
    folder = Path(where[0] if where else "").parent / str(row[0] if row else "")
    size = _size(db)
    try:
        columns = {
            name: np.load(folder / f"{name}.npy", mmap_mode="r", allow_pickle=False)[:size]
            for name in _COLUMNS
        }
    except (OSError, ValueError) as error:
        raise RepertoireError(
            f"The index in {folder.parent} is not whole ({folder.name} cannot be read); run 'understave "
            "index' on the folder again."
        ) from error
    found: dict[str, list[str]] = {kind: [] for kind in _NAMED}
    for kind, name in db.execute("SELECT kind, name FROM line_names ORDER BY kind, code").fetchall():
        found[kind].append(name)
    return Lines(columns, {kind: tuple(names) for kind, names in found.items()})


def _size(db: duckdb.DuckDBPyConnection) -> int:
    return int((db.execute("SELECT count(*) FROM spans").fetchone() or (0,))[0])


def sweep_lines(folder: Path, keep: str) -> None:
    """Remove the lines of former catalogues from an index."""
    for old in folder.glob("lines-*"):
        if old.name != keep:
            shutil.rmtree(old, ignore_errors=True)
