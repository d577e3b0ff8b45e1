"""A place that was found -> its bars engraved with their reading, from the file and what the index kept.

The chords come from the index, not from a new reading, so that a place looks as it was found, and at once.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import duckdb

from understave.engraving import Options, excerpt
from understave.errors import RepertoireError
from understave.harmony.reading import Reading, Span
from understave.repertoire.indexing import piece_id
from understave.repertoire.search import Place
from understave.score.model import Score
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

MOST_BARS = 12
"""A longer place is shown by its first bars."""
_SMALLEST = 100_000
"""Times are kept as numbers with a fraction; all denominators met in scores lie far below this."""


def excerpt_of(
    db: duckdb.DuckDBPyConnection,
    place: Place,
    folder: Path,
    around: int = 0,
    options: Options | None = None,
) -> str:
    """Return a place, and `around` bars on both sides, as one SVG picture.

    `folder` is the one that was indexed. Raises UnderstaveError if the file is gone or is another one now.
    """
    score = score_of(place, folder)
    first, last = bars_of(score, place, around)
    reading = stored_reading(db, place.piece)
    return excerpt(score, reading, first, last, options=options or Options())


def bars_of(score: Score, place: Place, around: int = 0) -> tuple[int, int]:
    """Return the first and last bar to show of a place, with some around it, `MOST_BARS` at most."""
    first = max(0, place.bar - around)
    return first, min(len(score.measures) - 1, place.last_bar + around, first + MOST_BARS - 1)


def score_of(place: Place, folder: Path) -> Score:
    """Read the score a place lies in; raise UnderstaveError if its file is gone or has changed."""
    path = folder / place.path
    if not path.is_file():
        raise RepertoireError(f"{path} is gone; run 'understave index' on the folder again.")
    if piece_id(path) != place.piece:
        raise RepertoireError(f"{path} has changed since it was indexed; run 'understave index' again.")
    return read_score(path)


def stored_reading(db: duckdb.DuckDBPyConnection, piece: str) -> Reading:
    """Return the chords of a piece as the index has them; without notes, alternatives and events."""
    rows = db.execute(
        'SELECT start, "end", key, numeral, confidence FROM spans'
        " WHERE piece = (SELECT piece FROM pieces WHERE name = ?) ORDER BY number",
        [piece],
    ).fetchall()
    return Reading(
        tuple(
            Span(_exact(start), _exact(end), Key.parse(key), RomanNumeral.parse(numeral), confidence)
            for start, end, key, numeral, confidence in rows
        )
    )


def _exact(time: float) -> Fraction:
    return Fraction(time).limit_denominator(_SMALLEST)
