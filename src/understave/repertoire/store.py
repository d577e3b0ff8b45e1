"""The index on the disk: Parquet files that are the truth, and a DuckDB catalogue made from them.

::

    index/
      parts/<name>/pieces.parquet, spans.parquet, ...   what was read, some hundred pieces in a part
      files.parquet                                     which file holds which piece, after the last run
      catalogue.duckdb                                  all tables in one file, to search
      lines-<name>/                                     the chords of that catalogue (see `chord_lines`)

A part comes into being by renaming a finished folder, so it is there whole or not at all. Parts are never
changed. The same piece may be in two parts (a task that was done twice, a merge that was cut off): the
catalogue takes each piece from one of them. The catalogue too is made beside the old one and renamed, so a
search never sees half of it.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb

from understave.disk import sync_folder
from understave.errors import RepertoireError
from understave.parquet_files import Columns, read_rows, write_parquet, write_query
from understave.repertoire.chord_lines import make_lines, sweep_lines
from understave.repertoire.tables import SCHEMAS, Piece, rows_of
from understave.score.composers import lives, period_of

MOST_SMALL_PARTS = 32
"""Parts below `PIECES_IN_PART` that may lie about before they are merged."""
PIECES_IN_PART = 10_000
CATALOGUE_VERSION = 2
"""Raised whenever the catalogue comes to hold something else; one of another version is made anew."""
_FILES: Columns = {"path": "VARCHAR", "piece": "VARCHAR"}


@dataclass(frozen=True, slots=True)
class Store:
    """Where an index lies."""

    folder: Path

    @property
    def parts(self) -> Path:
        """The folder of parts."""
        return self.folder / "parts"

    @property
    def catalogue(self) -> Path:
        """The database file that is searched."""
        return self.folder / "catalogue.duckdb"

    @property
    def files(self) -> Path:
        """The list of files and their pieces."""
        return self.folder / "files.parquet"


def open_store(folder: Path, make: bool = False) -> Store:
    """Return the index in a folder; raise UnderstaveError if there is none and none is to be made."""
    store = Store(folder)
    if make:
        try:
            store.parts.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise RepertoireError(
                f"{folder} cannot hold the index ({error.strerror or error}); choose another --out."
            ) from error
    elif store.parts.is_dir() and not store.catalogue.exists():
        raise RepertoireError(
            f"The index in {folder} is not finished; run the same 'understave index' again, it goes on."
        )
    elif not store.catalogue.exists():
        raise RepertoireError(f"There is no index in {folder}; make one with 'understave index FOLDER'.")
    return store


def known_pieces(store: Store, failed: bool = True) -> set[str]:
    """Return the ids of all pieces in the parts, with or without those that failed.

    Unfinished parts are swept away.
    """
    for left in store.parts.glob(".part-*"):
        shutil.rmtree(left, ignore_errors=True)
    found: set[str] = set()
    for part in parts_of(store):
        found.update(piece for piece, error in _errors(part).items() if failed or not error)
    return found


def _errors(part: Path) -> dict[str, str]:
    """Return the pieces of a part and why they could not be read; empty where they could."""
    return dict(read_rows(part / "pieces.parquet", "piece, error"))


def parts_of(store: Store) -> list[Path]:
    """Return the finished parts by name."""
    return sorted(path for path in store.parts.iterdir() if path.is_dir() and not path.name.startswith("."))


def write_part(store: Store, pieces: Sequence[Piece], name: str = "") -> Path:
    """Write pieces as one part in one step and return it; a part of that name stays as it is."""
    ordered = sorted(pieces, key=lambda piece: piece.id)

    def write(table: str, path: Path) -> None:
        write_parquet(path, SCHEMAS[table], rows_of(table, ordered))

    return _put(store, write, name or uuid.uuid4().hex)


def _put(store: Store, write: Callable[[str, Path], None], name: str) -> Path:
    """Make a part of the files that `write` makes of a table at a path."""
    target = store.parts / name
    try:
        if target.exists():
            return target
        making = Path(tempfile.mkdtemp(dir=store.parts, prefix=".part-"))
        making.chmod(0o755)
        for table in SCHEMAS:
            path = making / f"{table}.parquet"
            write(table, path)
            with open(path, "rb+") as written:
                os.fsync(written.fileno())
        try:
            making.rename(target)
        except OSError:
            # Another process wrote the same part meanwhile.
            shutil.rmtree(making, ignore_errors=True)
            if not target.exists():
                raise
        sync_folder(store.parts)
    except OSError as error:
        raise RepertoireError(
            f"{store.folder} could not be written ({error.strerror or error}); is the disk full?"
        ) from error
    return target


def write_files(store: Store, files: Mapping[str, str]) -> None:
    """Write which file (path below the folder that was indexed) holds which piece."""
    paths = sorted(files)
    making = store.folder / f".files-{uuid.uuid4().hex}"
    write_parquet(making, _FILES, ((p, files[p]) for p in paths))
    os.replace(making, store.files)


def merge_small_parts(store: Store) -> None:
    """Merge small parts into large ones once there are many; the pieces of dropped files go."""
    sizes = {path: _size(path) for path in parts_of(store)}
    small = [path for path, size in sizes.items() if size < PIECES_IN_PART]
    if len(small) <= MOST_SMALL_PARTS:
        return
    wanted = {piece for (piece,) in read_rows(store.files, "piece")}
    group: list[Path] = []
    size = 0
    for part in small:
        group.append(part)
        size += sizes[part]
        if size >= PIECES_IN_PART:
            _merge(store, group, wanted)
            group, size = [], 0
    if len(group) > 1:
        _merge(store, group, wanted)


def _size(part: Path) -> int:
    return int(read_rows(part / "pieces.parquet", "count(*)")[0][0])


def _merge(store: Store, group: Sequence[Path], wanted: set[str]) -> None:
    keep: list[tuple[str, str]] = []
    left = set(wanted)
    # A piece that failed once and was read later stays as it was read.
    errors = {part: _errors(part) for part in group}
    read = {piece for own in errors.values() for piece, error in own.items() if not error}
    for part in group:
        own = {piece for piece, error in errors[part].items() if not (error and piece in read)} & left
        left -= own
        keep += [(part.name, piece) for piece in sorted(own)]
    names = [part.name for part in group]

    def write(table: str, path: Path) -> None:
        columns = ", ".join(f'r."{c}"' for c in SCHEMAS[table])
        write_query(
            path,
            f"SELECT {columns} FROM read_parquet(?, filename = true, file_row_number = true) r"
            " JOIN (SELECT unnest(?::VARCHAR[]) AS part, unnest(?::VARCHAR[]) AS piece) k"
            " ON r.piece = k.piece AND parse_path(r.filename)[-2] = k.part"
            " ORDER BY k.part, r.file_row_number",
            [_paths(store, names, table), [part for part, _ in keep], [piece for _, piece in keep]],
        )

    _put(store, write, uuid.uuid4().hex)
    for part in group:
        shutil.rmtree(part)


def make_catalogue(store: Store, indexed: Path | None = None) -> None:
    """Make the catalogue from the parts and the list of files; one that is up to date stays.

    `indexed` is the folder the files lie in; it is kept, so that excerpts can be engraved, and a
    ``composers.toml`` in it adds to the lives that periods are told by.
    """
    state = _state(store, indexed)
    if store.catalogue.exists() and _made_from(store) == state:
        return
    name = uuid.uuid4().hex
    making, lines = store.folder / f".catalogue-{name}.duckdb", store.folder / f"lines-{name}"
    try:
        with duckdb.connect(str(making)) as db:
            fill(db, store, indexed)
            make_lines(db, lines)
            db.executemany(
                "INSERT INTO about VALUES (?, ?)",
                [("lines", lines.name), ("made from", state), ("version", str(CATALOGUE_VERSION))],
            )
        os.replace(making, store.catalogue)
    except (duckdb.Error, OSError) as error:
        shutil.rmtree(lines, ignore_errors=True)
        raise RepertoireError(
            f"The catalogue in {store.folder} could not be made ({str(error).splitlines()[0]}); "
            "see that the disk is not full, then run 'understave index' again."
        ) from error
    finally:
        making.unlink(missing_ok=True)
    sweep_lines(store.folder, lines.name)


def _state(store: Store, indexed: Path | None) -> str:
    """Return what a catalogue depends on, as one short text."""
    digest = hashlib.sha256(f"{CATALOGUE_VERSION} {indexed.resolve() if indexed else ''}\n".encode())
    for part in parts_of(store):
        digest.update(f"{part.name}\n".encode())
    if store.files.exists():
        for path, piece in read_rows(store.files, "path, piece"):
            digest.update(f"{piece} {path}\n".encode("utf-8", "surrogateescape"))
    for name, life in sorted(lives(indexed).items()):
        digest.update(f"{name} {life}\n".encode())
    return digest.hexdigest()


def _made_from(store: Store) -> str:
    try:
        with duckdb.connect(str(store.catalogue), read_only=True) as db:
            row = db.execute("SELECT value FROM about WHERE name = 'made from'").fetchone()
    except duckdb.Error:
        return ""
    return str(row[0]) if row else ""


def fill(db: duckdb.DuckDBPyConnection, store: Store, indexed: Path | None) -> None:
    """Fill an empty database with the tables of an index.

    Pieces are numbered here, in the order of their ids, since numbers are compared much faster: `piece` is
    that number in every table, and `pieces` has the id as `name`.
    """
    if not parts_of(store):
        write_part(store, [])
    parts = [path.name for path in parts_of(store)]
    # Each piece from the first part in which it could be read, and only pieces that some file still holds.
    db.execute(
        "CREATE TEMP TABLE chosen AS SELECT p.piece AS name,"
        " min((p.error <> '')::INTEGER || parse_path(p.filename)[-2])[2:] AS part,"
        " row_number() OVER (ORDER BY p.piece)::INTEGER AS piece, min(f.path) AS path"
        " FROM read_parquet(?, filename = true) p JOIN read_parquet(?) f ON p.piece = f.piece"
        " GROUP BY p.piece",
        [_paths(store, parts, "pieces"), str(store.files)],
    )
    for name, schema in SCHEMAS.items():
        columns = ", ".join(["c.piece", *(f'r."{c}"' for c in schema if c != "piece")])
        if name == "pieces":
            columns += ", c.name, c.path, dense_rank() OVER (ORDER BY r.composer)::INTEGER AS composer_number"
        # Sorted as they are asked for, so that a question reads only a few blocks of a large table.
        order = "c.piece, r.number" if "number" in schema else "c.piece"
        order = {"events": "r.kind, r.label, c.piece, r.number"}.get(name, order)
        db.execute(
            f"CREATE TABLE {name} AS SELECT {columns} FROM read_parquet(?, filename = true) r"
            " JOIN chosen c ON r.piece = c.name AND parse_path(r.filename)[-2] = c.part"
            f" ORDER BY {order}",
            [_paths(store, parts, name)],
        )
    db.execute(
        "CREATE TABLE files AS SELECT f.path, c.piece FROM read_parquet(?) f"
        " JOIN chosen c ON f.piece = c.name ORDER BY f.path",
        [str(store.files)],
    )
    db.execute("CREATE TABLE about (name VARCHAR, value VARCHAR)")
    db.execute("INSERT INTO about VALUES ('folder', ?)", [str(indexed.resolve()) if indexed else ""])
    # Few kinds of events, many events: what can be asked for is kept apart.
    db.execute("CREATE TABLE event_names AS SELECT kind, label, count(*) AS count FROM events GROUP BY ALL")
    composers = [str(c[0]) for c in db.execute("SELECT DISTINCT composer FROM pieces").fetchall() if c[0]]
    known = lives(indexed)
    rows = [(c, *period_of(c, known)) for c in composers]
    db.execute("CREATE TABLE composers (composer VARCHAR, period VARCHAR, born INTEGER, died INTEGER)")
    if rows:
        db.executemany("INSERT INTO composers VALUES (?, ?, ?, ?)", rows)


def _paths(store: Store, parts: Iterable[str], table: str) -> list[str]:
    return [str(store.parts / p / f"{table}.parquet") for p in parts]
