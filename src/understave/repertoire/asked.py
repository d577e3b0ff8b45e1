"""The index for a page: a question as plain values in, plain values, pictures and sound out.

A page names a place by the id of its piece and its bars; where the file lies is told by the index alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import duckdb

from understave.engraving import Options
from understave.errors import RepertoireError
from understave.findings.texture import TEXTURE
from understave.repertoire.difficulty import COMPONENTS
from understave.repertoire.excerpts import excerpt_of
from understave.repertoire.indexing import FOLDER_NAME
from understave.repertoire.place_names import key_of, title_of
from understave.repertoire.search import Answer, Place, Question, ask, connect, told
from understave.repertoire.sounds import sound_of
from understave.score.composers import PERIODS
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import phrasebook

LONGEST = 200
"""Characters that one condition of a question may have."""
MOST_PLACES = 50
_WITHIN = ("score", "kind", "label")
"""Fields of a place that no page needs."""


def index_in(folder: Path) -> Path:
    """Return where the index lies that belongs to a folder: in it, or the folder itself."""
    inside = folder / FOLDER_NAME
    return inside if inside.is_dir() else folder


def choices(folder: Path, language: Language = "en") -> dict[str, Any]:
    """Return what can be asked for: devices, textures, periods, sides of difficulty; and how many pieces.

    `texture_names` says in the language how each texture is called.
    """
    with connect(index_in(folder)) as db:
        names = db.execute("SELECT kind, label FROM event_names ORDER BY count DESC").fetchall()
        row = db.execute("SELECT count(*) FROM pieces WHERE error = ''").fetchone() or (0,)
    from understave.repertoire.device_names import known_devices

    there = {(str(k), str(v)) for k, v in names}
    devices = [
        name
        for name, device in known_devices().items()
        if device.chords
        or any(k == device.kind and (not device.labels or v in device.labels) for k, v in there)
    ]
    textures = [label for kind, label in names if kind == TEXTURE.name]
    book = phrasebook(language)
    return {
        "pieces": int(row[0]),
        "devices": sorted(devices),
        "textures": textures,
        "texture_names": {label: book.event_name(TEXTURE.name, label) for label in textures},
        "periods": [name for name, _ in PERIODS],
        "sides": list(COMPONENTS),
    }


def search(folder: Path, values: Mapping[str, Any], language: Language = "en") -> dict[str, Any]:
    """Return the answer to a question as plain values, in a language; see `question_of`."""
    with connect(index_in(folder)) as db:
        return answer_values(ask(db, question_of(values)), language)


def question_of(values: Mapping[str, Any]) -> Question:
    """Return the question that plain values ask, named as the fields of `Question`; empty ones are left out.

    Ranges are pairs, `components` a mapping. Raises UnderstaveError with one sentence where a value makes
    no sense.
    """
    known = {f.name for f in fields(Question)}
    asked: dict[str, Any] = {}
    for name, value in values.items():
        if name not in known:
            raise RepertoireError(f"Nothing can be asked by {name!r}.")
        if value in ("", None):
            continue
        try:
            asked[name] = _value(name, value)
        except (TypeError, ValueError, AttributeError, OverflowError):
            raise RepertoireError(f"{value!r} cannot be understood as {name.replace('_', ' ')}.") from None
    question = Question(**asked)
    return replace(question, limit=max(1, min(question.limit, MOST_PLACES)), each=max(1, question.each))


def _value(name: str, value: Any) -> Any:
    if name in ("pace", "difficulty"):
        low, high = (float(v) for v in value)
        return (low, high)
    if name == "components":
        return tuple((str(side), float(most)) for side, most in value.items())
    if name in ("limit", "each"):
        return int(value)
    if name == "inversions":
        return bool(value)
    if not isinstance(value, str) or len(value) > LONGEST:
        raise ValueError(name)
    return value.strip()


def answer_values(answer: Answer, language: Language = "en") -> dict[str, Any]:
    """Return an answer as plain values: places in order, how many there are, in how many pieces.

    What was found and in which key is said in the language.
    """
    return {
        "count": answer.count,
        "pieces": answer.pieces,
        "places": [
            {f.name: getattr(place, f.name) for f in fields(Place) if f.name not in _WITHIN}
            | {"what": title_of(place, language), "key": key_of(place, language)}
            | {"confidence": round(place.confidence, 3), "difficulty": round(place.difficulty, 1)}
            for place in answer.places
        ],
    }


def picture(
    folder: Path, piece: str, bar: int, last_bar: int, around: int = 1, language: Language = "en"
) -> str:
    """Return the excerpt of a place as SVG, its words in a language."""
    with connect(index_in(folder)) as db:
        place = place_at(db, piece, bar, last_bar)
        return excerpt_of(db, place, scores_of(db, folder), around, Options(language=language))


def sound(folder: Path, piece: str, bar: int, last_bar: int, around: int = 1) -> bytes:
    """Return how a place sounds, as MP3."""
    with connect(index_in(folder)) as db:
        place = place_at(db, piece, bar, last_bar)
        return sound_of(db, place, scores_of(db, folder), around)


def scores_of(db: duckdb.DuckDBPyConnection, folder: Path) -> Path:
    """Return the folder the scores lie in: the one given if the index lies in it, else the one indexed."""
    return folder if (folder / FOLDER_NAME).is_dir() else Path(told(db, "folder"))


def place_at(db: duckdb.DuckDBPyConnection, piece: str, bar: int, last_bar: int) -> Place:
    """Return the bars of a piece as a place; raise UnderstaveError where there are none such."""
    row = db.execute(
        "SELECT path, title, composer, difficulty, bars FROM pieces WHERE name = ? AND error = ''", [piece]
    ).fetchone()
    if row is None or not 0 <= bar <= last_bar < row[4]:
        raise RepertoireError("That place is not in the index any more; search again.")
    path, title, composer, hard, _ = row
    return Place(path, piece, title, composer, hard, "", "", bar, last_bar, "", "", 1.0, 1.0)
