"""Rows to Parquet files and back, through DuckDB, which searches them too.

In: rows in the order of the columns, a column's type as DuckDB names it (``VARCHAR``, ``DOUBLE``,
``VARCHAR[]``). Out: a Parquet file, compressed with zstd. Rows travel as lines of JSON: that keeps lists and
missing values, and needs no further package.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeAlias

import duckdb

Columns: TypeAlias = Mapping[str, str]
"""The type of each column by its name."""


def quoted(text: str) -> str:
    """Return a text as SQL writes it between quotation marks."""
    return "'" + text.replace("'", "''") + "'"


def write_parquet(
    path: Path, columns: Columns, rows: Iterable[Sequence[Any]], about: Mapping[str, str] | None = None
) -> None:
    """Write rows to a Parquet file; `about` goes into its key-value metadata. Raises OSError."""
    names = list(columns)
    # Beside the file itself: where that has room, this has too.
    lines = path.with_name(f".{path.name}.rows")
    try:
        with open(lines, "w", encoding="ascii") as file:
            for row in rows:
                file.write(json.dumps(dict(zip(names, row, strict=True)), allow_nan=False) + "\n")
        types = ", ".join(f"{quoted(n)}: {quoted(t)}" for n, t in columns.items())
        source = f"read_json({quoted(str(lines))}, format = 'newline_delimited', columns = {{{types}}})"
        _copy(f"SELECT * FROM {source}", [], path, about)
    finally:
        lines.unlink(missing_ok=True)


def write_query(path: Path, query: str, values: Sequence[Any]) -> None:
    """Write what a query finds to a Parquet file; raises OSError."""
    _copy(query, values, path, None)


def read_rows(path: Path | Sequence[Path], query: str = "*") -> list[tuple[Any, ...]]:
    """Return the rows of one Parquet file or several, in their order; `query` names columns.

    Raises OSError.
    """
    paths = [str(path)] if isinstance(path, Path) else [str(p) for p in path]
    try:
        with duckdb.connect() as db:
            return db.execute(f"SELECT {query} FROM read_parquet(?)", [paths]).fetchall()
    except duckdb.Error as error:
        raise OSError(str(error).splitlines()[0]) from error


def _copy(query: str, values: Sequence[Any], path: Path, about: Mapping[str, str] | None) -> None:
    options = "FORMAT parquet, COMPRESSION zstd"
    if about:
        told = ", ".join(f"{name}: {quoted(text)}" for name, text in about.items())
        options += f", KV_METADATA {{{told}}}"
    try:
        with duckdb.connect() as db:
            db.execute("SET preserve_insertion_order = true")
            db.execute(f"COPY ({query}) TO {quoted(str(path))} ({options})", values)
    except duckdb.Error as error:
        raise OSError(str(error).splitlines()[0]) from error
