"""A file format that a reading is written in: what writes it, and by which ending it is asked for.

In: a `Piece` (a Score with its Reading). Out: the file's bytes or text. Other installed packages bring more,
as entry points of the group ``understave.exporters`` (`understave.guests`)::

    CHORD_SHEET = Exporter(name="chord sheet", suffix=".chords", write=chord_sheet)

``understave export`` writes all of them. Why a piece cannot be written is told as an `UnderstaveError` in one
sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any

from understave.errors import UnderstaveError
from understave.export.annotated import annotated_musicxml
from understave.export.annotated_mei import annotated_mei
from understave.export.lilypond import lilypond
from understave.export.parquet import events_parquet
from understave.export.reading_data import reading_csv, reading_json
from understave.guests import Guest, guests, in_short
from understave.harmony.romantext import write_romantext
from understave.piece import Piece


@dataclass(frozen=True, slots=True)
class Exporter:
    """A writer of one format.

    `name` is that of the format in sentences, `suffix` the ending of its files in small letters (``".csv"``),
    which tells which format is meant; `write` makes the whole file of a piece.
    """

    name: str
    suffix: str
    write: Callable[[Piece], bytes | str]


EXPORTERS = (
    Exporter("JSON", ".json", lambda piece: reading_json(piece.score, piece.reading)),
    Exporter("CSV", ".csv", lambda piece: reading_csv(piece.score, piece.reading)),
    Exporter("analysis as text", ".txt", lambda piece: write_romantext(piece.reading, piece.score)),
    Exporter("MusicXML", ".musicxml", lambda piece: annotated_musicxml(piece.score, piece.reading)),
    Exporter("MEI", ".mei", lambda piece: annotated_mei(piece.score, piece.reading)),
    Exporter("LilyPond", ".ly", lambda piece: lilypond(piece.score, piece.reading)),
    Exporter("Parquet", ".parquet", lambda piece: events_parquet(piece.score, piece.reading)),
)
"""Our own: the reading as data, as an analysis to read, and in the score itself; of Parquet, the events."""


@lru_cache(maxsize=1)
def exporters() -> Mapping[str, Exporter]:
    """Return all exporters by their ending: ours, then those that other installed packages bring."""
    found = {exporter.suffix: exporter for exporter in EXPORTERS}
    for guest in guests("understave.exporters", Exporter, [exporter.name for exporter in EXPORTERS], _wrong):
        found.setdefault(guest.value.suffix, replace(guest.value, write=partial(_written, guest)))
    return found


def _wrong(exporter: Any) -> str:
    if not callable(exporter.write):
        return "what it writes with is no function"
    suffix = exporter.suffix
    if (
        not isinstance(suffix, str)
        or len(suffix) < 2
        or not suffix.startswith(".")
        or suffix != suffix.lower()
    ):
        return "its suffix is no ending such as '.chords'"
    own = next((exporter.name for exporter in EXPORTERS if exporter.suffix == suffix), "")
    return f"its ending {suffix} is that of our {own}" if own else ""


def _written(guest: Guest[Exporter], piece: Piece) -> bytes | str:
    """Return what a guest writes; raise UnderstaveError where it fails."""
    try:
        made = guest.value.write(piece)
        if not isinstance(made, bytes | str):
            raise TypeError(f"it gives a {type(made).__name__} and neither text nor bytes")
    except UnderstaveError:
        raise
    except Exception as error:  # a stranger's function can fail in any way
        raise UnderstaveError(
            f"{guest.package} could not write {guest.value.name} ({in_short(error)}); choose another "
            "format, or tell its makers."
        ) from error
    return made
