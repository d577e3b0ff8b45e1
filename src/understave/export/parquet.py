"""The reading as Parquet tables, for those who count over many pieces.

In: a Score and its Reading. Out: Parquet bytes, one row for each span or event. Times are given as numbers
(quarter notes from the start) and as printed bar and beat; note ids are lists.
"""

from __future__ import annotations

import json
import tempfile
from fractions import Fraction
from pathlib import Path
from typing import Any

from understave.export.reading_data import detail
from understave.harmony.reading import Reading, Span
from understave.parquet_files import Columns, write_parquet
from understave.score.model import Score, beat_text

_TEXT, _REAL, _FLAG, _TEXTS = "VARCHAR", "DOUBLE", "BOOLEAN", "VARCHAR[]"
_PLACE = [
    ("start", _REAL),
    ("end", _REAL),
    ("bar", _TEXT),
    ("beat", _TEXT),
    ("until_bar", _TEXT),
    ("until_beat", _TEXT),
]
SPANS: Columns = dict(
    [
        *_PLACE,
        ("key", _TEXT),
        ("mode", _TEXT),
        ("numeral", _TEXT),
        ("chord", _TEXT),
        ("members", _TEXTS),
        ("bass", _TEXT),
        ("confidence", _REAL),
        ("fixed", _FLAG),
        ("notes", _TEXTS),
        ("foreign", _TEXTS),
    ]
)
"""Columns of a table of spans; `key` is the tonic's name, `fixed` tells that the teacher set it."""
EVENTS: Columns = dict(
    [
        *_PLACE,
        ("kind", _TEXT),
        ("label", _TEXT),
        ("confidence", _REAL),
        ("notes", _TEXTS),
        ("detail", _TEXT),
    ]
)
"""Columns of a table of events; `detail` is a JSON object."""


def spans_parquet(score: Score, reading: Reading) -> bytes:
    """Return the spans of a reading as a Parquet file with the columns of `SPANS`."""
    rows = [{**_place(score, span.start, span.end), **chord_row(span)} for span in reading.spans]
    return _bytes(rows, SPANS, score)


def chord_row(span: Span) -> dict[str, Any]:
    """Return what a row of a table says of a chord besides its place."""
    chord = span.numeral.chord(span.key)
    return {
        "key": span.key.tonic.name,
        "mode": span.key.mode,
        "numeral": str(span.numeral),
        "chord": chord.name,
        "members": [tone.name for tone in chord.members],
        "bass": chord.bass.name,
        "confidence": span.confidence,
        "fixed": span.fixed,
        "notes": list(span.notes),
        "foreign": list(span.foreign),
    }


def events_parquet(score: Score, reading: Reading) -> bytes:
    """Return the events of a reading as a Parquet file with the columns of `EVENTS`."""
    rows = [
        {
            **_place(score, event.start, event.end),
            "kind": event.kind,
            "label": event.label,
            "confidence": event.confidence,
            "notes": list(event.notes),
            "detail": json.dumps(detail(event), ensure_ascii=False),
        }
        for event in reading.events
    ]
    return _bytes(rows, EVENTS, score)


def _place(score: Score, start: Fraction, end: Fraction) -> dict[str, Any]:
    return {
        "start": float(start),
        "end": float(end),
        "bar": score.measure_at(start).number,
        "beat": beat_text(score.beat_at(start)),
        "until_bar": score.measure_at(end).number,
        "until_beat": beat_text(score.beat_at(end)),
    }


def _bytes(rows: list[dict[str, Any]], columns: Columns, score: Score) -> bytes:
    about = {"title": score.title, "composer": score.composer}
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        path = Path(folder) / "rows.parquet"
        write_parquet(path, columns, ([row[name] for name in columns] for row in rows), about)
        return path.read_bytes()
