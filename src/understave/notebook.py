"""Values -> what a notebook shows of them: engraved bars, a table of the reading, lanes of the plan, sound.

In: a Score, Piece, Reading, Plan or Sound. Out: content by MIME type. Loaded by `shown` when somebody looks.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import singledispatch
from html import escape
from typing import Any

from understave.engraving import Options, excerpt
from understave.errors import MissingError
from understave.export.parquet import chord_row
from understave.harmony.reading import Reading
from understave.interpretation.plan import Plan
from understave.interpretation.sounding import Sound
from understave.interpretation.tension import curve
from understave.piece import Piece
from understave.score.model import Score
from understave.theory.conventions import key_letter, numeral_text

MOST_BARS = 16
"""Bars of a score that are shown at most."""
MOST_ROWS = 40
"""Rows of a table that are shown at most."""
_WIDTH, _HEIGHT, _NAME = 720.0, 60.0, 90.0
Point = tuple[Fraction, float]


@singledispatch
def bundle(value: object) -> dict[str, str]:
    """Return content by MIME type; plain text always."""
    return {"text/plain": repr(value)}


@bundle.register
def _score(score: Score) -> dict[str, str]:
    return _engraved(score, Reading(()), Options(numerals=False, keys=False, legend=False))


@bundle.register
def _piece(piece: Piece) -> dict[str, str]:
    return _engraved(piece.score, piece.reading, Options())


def _engraved(score: Score, reading: Reading, options: Options) -> dict[str, str]:
    text = {"text/plain": repr(score)}
    if not score.measures or not score.source:
        return text
    last = min(len(score.measures), MOST_BARS) - 1
    return {**text, "image/svg+xml": excerpt(score, reading, 0, last, options=options)}


# --- the reading as a table ------------------------------------------------------------------------------


@bundle.register
def _reading(reading: Reading) -> dict[str, str]:
    rows = [
        (
            _quarters(span.start),
            _quarters(span.end),
            key_letter(span.key) or str(span.key),
            numeral_text(span.numeral, span.key.mode),
            span.numeral.chord(span.key).name,
            "yours" if span.fixed else f"{span.confidence:.0%}",
        )
        for span in reading.spans[:MOST_ROWS]
    ]
    left = len(reading.spans) - len(rows)
    more = f"<p>{left} more spans and {len(reading.events)} events.</p>" if left else ""
    return {"text/plain": repr(reading), "text/html": _table(rows) + more}


def _quarters(time: Fraction) -> str:
    whole, rest = divmod(time, 1)
    return f"{whole}" if not rest else f"{whole} {rest}" if whole else f"{rest}"


def _table(rows: Iterable[Sequence[str]]) -> str:
    names = ("from (quarters)", "to", "key", "numeral", "chord", "sure")
    head = "".join(f"<th scope='col'>{name}</th>" for name in names)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def table(value: object, *, pandas: bool = False) -> Any:
    """Return the spans of a Reading as a pyarrow Table, or a pandas DataFrame.

    Raises MissingError if the package that makes it is not installed, TypeError for another value.
    """
    if not isinstance(value, Reading):
        raise TypeError(f"a {type(value).__name__} has no table")
    try:
        import pyarrow
    except ImportError as error:
        raise MissingError("Tables need the package pyarrow: pip install understave[tables].") from error
    made = pyarrow.Table.from_pylist(
        [{"start": float(span.start), "end": float(span.end), **chord_row(span)} for span in value.spans]
    )
    if not pandas:
        return made
    try:
        return made.to_pandas()
    except ImportError as error:
        raise MissingError("Data frames need the package pandas: pip install understave[tables].") from error


# --- the plan as lanes -----------------------------------------------------------------------------------


@bundle.register
def _plan(plan: Plan) -> dict[str, str]:
    lanes: list[tuple[str, list[Point], float, float]] = [
        ("tension", list(curve(plan.tension)), 0.0, 1.0),
        ("loudness", [(level.moment, level.velocity) for level in plan.levels], 20.0, 110.0),
        ("pedal", _steps([(move.moment, move.depth) for move in plan.pedal]), 0.0, 1.0),
    ]
    end = max((points[-1][0] for _, points, _, _ in lanes if points), default=Fraction(0))
    text = {"text/plain": repr(plan)}
    return {**text, "image/svg+xml": _lanes(lanes, end)} if end else text


def _steps(points: list[Point]) -> list[Point]:
    """Hold each value until the next begins."""
    held: list[Point] = []
    for moment, value in points:
        if held:
            held.append((moment, held[-1][1]))
        held.append((moment, value))
    return held


def _lanes(lanes: Sequence[tuple[str, list[Point], float, float]], end: Fraction) -> str:
    rows = []
    for i, (name, points, low, high) in enumerate(lanes):
        floor = (i + 1) * _HEIGHT - 8
        at = " ".join(
            f"{_NAME + (_WIDTH - _NAME - 8) * float(moment / end):.1f},"
            f"{floor - (_HEIGHT - 16) * min(1.0, max(0.0, (value - low) / (high - low))):.1f}"
            for moment, value in points
        )
        rows.append(
            f"<text x='4' y='{floor - 16:.0f}' font-family='serif' font-size='15'>{name}</text>"
            f"<line x1='{_NAME:.0f}' x2='{_WIDTH - 8:.0f}' y1='{floor:.0f}' y2='{floor:.0f}' stroke='#999'/>"
            f"<polyline points='{at}' fill='none' stroke='#1d5b79' stroke-width='1.6'/>"
        )
    height = _HEIGHT * len(lanes)
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {_WIDTH:.0f} {height:.0f}' "
        f"width='{_WIDTH:.0f}' height='{height:.0f}' role='img'>"
        f"<title>tension, loudness and pedal over {_quarters(end)} quarter notes</title>{''.join(rows)}</svg>"
    )


# --- sound -----------------------------------------------------------------------------------------------


@bundle.register
def _sound(sound: Sound) -> dict[str, str]:
    data = base64.b64encode(sound.bytes_of(".mp3")).decode("ascii")
    player = f"<audio controls preload='none' src='data:audio/mpeg;base64,{data}'></audio>"
    caution = "<p><small>Begin with the volume low, above all with headphones.</small></p>"
    return {"text/plain": repr(sound), "text/html": player + caution}
