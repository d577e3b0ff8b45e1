"""The tables of an index: what the columns are called, what they hold, and which rows a piece has.

In and out: plain rows (tuples in the order of the columns). A
*piece* is named by its content: 32 hexadecimal digits of the SHA-256 of the file's bytes and of the
reader's version, so that the same bytes are one piece wherever they lie and whoever read them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from understave.parquet_files import Columns

Value: TypeAlias = str | int | float | bool | None
Row: TypeAlias = tuple[Value, ...]

_TEXT, _INT, _REAL, _FLAG = "VARCHAR", "INTEGER", "DOUBLE", "BOOLEAN"
_PLACE = [("bar", _INT), ("last_bar", _INT), ("bar_number", _TEXT), ("last_bar_number", _TEXT)]
"""Bars counted from 0 through the score, and as printed; the last one belongs to the stretch."""

SCHEMAS: dict[str, Columns] = {
    name: dict([("piece", _TEXT), *columns])
    for name, columns in {
        # One row for every piece read or tried; `error` is empty where reading went well.
        "pieces": [
            ("error", _TEXT),
            ("title", _TEXT),
            ("composer", _TEXT),
            ("parts", _INT),
            ("bars", _INT),
            ("notes", _INT),
            ("quarters", _REAL),
            ("meter", _TEXT),
            ("home", _TEXT),
            ("mode", _TEXT),
            ("key_plan", _TEXT),
            ("pace", _REAL),
            ("scheme", _TEXT),
            ("difficulty", _REAL),
        ],
        "spans": [
            ("number", _INT),
            ("start", _REAL),
            ("end", _REAL),
            ("bar", _INT),
            ("bar_number", _TEXT),
            ("beat", _REAL),
            ("key", _TEXT),
            ("mode", _TEXT),
            ("numeral", _TEXT),
            ("chord", _TEXT),
            ("bass", _TEXT),
            ("confidence", _REAL),
        ],
        "events": [
            ("number", _INT),
            ("kind", _TEXT),
            ("label", _TEXT),
            ("start", _REAL),
            ("end", _REAL),
            *_PLACE,
            ("key", _TEXT),
            ("mode", _TEXT),
            ("numeral", _TEXT),
            ("confidence", _REAL),
        ],
        "keys": [
            ("number", _INT),
            ("key", _TEXT),
            ("mode", _TEXT),
            ("label", _TEXT),
            ("relation", _TEXT),
            ("degree", _TEXT),
            ("start", _REAL),
            ("end", _REAL),
            *_PLACE,
        ],
        "cadences": [
            ("label", _TEXT),
            ("key", _TEXT),
            ("mode", _TEXT),
            ("goal", _TEXT),
            ("arrival", _REAL),
            ("bar", _INT),
            ("bar_number", _TEXT),
            ("confidence", _REAL),
        ],
        "textures": [
            ("hand", _TEXT),
            ("pattern", _TEXT),
            ("per_beat", _INT),
            *_PLACE,
            ("confidence", _REAL),
        ],
        "ranges": [
            ("hand", _TEXT),
            ("lowest", _INT),
            ("highest", _INT),
            ("widest", _INT),
        ],
        "difficulty": [
            ("component", _TEXT),
            ("value", _REAL),
            ("measured", _REAL),
            ("hand", _TEXT),
            ("bar", _INT),
            ("bar_number", _TEXT),
        ],
    }.items()
}


@dataclass(frozen=True, slots=True)
class Piece:
    """All rows of one piece, by table."""

    id: str
    rows: Mapping[str, tuple[Row, ...]]

    @property
    def error(self) -> str:
        """Why it could not be read; empty where it could."""
        return str(self.rows["pieces"][0][1])


def failed(piece: str, why: str) -> Piece:
    """Return what is kept of a piece that could not be read: its id and one sentence."""
    blank = [None] * (len(SCHEMAS["pieces"]) - 2)
    return Piece(piece, {name: (((piece, why, *blank),) if name == "pieces" else ()) for name in SCHEMAS})


def rows_of(name: str, pieces: Iterable[Piece]) -> list[Row]:
    """Return the rows of one table of many pieces, in the order given."""
    return [row for piece in pieces for row in piece.rows[name]]
