"""An index -> how often, in which keys, and what follows what; as tables, and as bars drawn in SVG."""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import escape

import duckdb

from understave.errors import UnderstaveError
from understave.repertoire.devices import device
from understave.repertoire.patterns import progression


@dataclass(frozen=True, slots=True)
class Count:
    """A thing, how often it was met, in how many pieces, and its share of all that was counted (0..1)."""

    name: str
    count: int
    pieces: int
    share: float


def count_devices(db: duckdb.DuckDBPyConnection, kind: str = "") -> tuple[Count, ...]:
    """Count the events of every kind and label, or the labels of one kind, the most frequent first."""
    name = "label" if kind else "kind || ': ' || label"
    return _counted(
        db,
        f"SELECT {name}, count(*), count(DISTINCT piece) FROM events WHERE ? IN ('', kind) GROUP BY ALL",
        [kind],
    )


def count_keys(db: duckdb.DuckDBPyConnection, named: str = "") -> tuple[Count, ...]:
    """Count in which keys a device is met; without one, in which keys the pieces are."""
    if not named:
        return _counted(
            db, "SELECT home, count(*), count(DISTINCT piece) FROM pieces WHERE error = '' GROUP BY ALL", []
        )
    names = [(str(k), str(v)) for k, v in db.execute("SELECT kind, label FROM event_names").fetchall()]
    wanted = device(named, names)
    if wanted.chords:
        return _counted(
            db,
            "SELECT key, sum(len(regexp_extract_all(chords, $1))), count(DISTINCT piece) FROM stretches"
            " WHERE regexp_matches(chords, $1) GROUP BY ALL",
            [progression(wanted.chords)],
        )
    return _counted(
        db,
        "SELECT key, count(*), count(DISTINCT piece) FROM events WHERE kind = ? AND (len(?) = 0 OR"
        " list_contains(?, label)) AND ? IN ('', mode) GROUP BY ALL",
        [wanted.kind, list(wanted.labels), list(wanted.labels), wanted.mode],
    )


def count_next(db: duckdb.DuckDBPyConnection, chord: str, mode: str = "") -> tuple[Count, ...]:
    """Count which chords follow a chord in the same key, the same chord in another position left out."""
    pattern = progression(chord).removeprefix("(?:^| )")
    if mode not in ("", "major", "minor"):
        raise UnderstaveError(f"{mode!r} is no mode; choose major or minor.")
    return _counted(
        db,
        """
        WITH pairs AS (
            SELECT piece, key, chord, numeral, mode,
                   lead(numeral) OVER (PARTITION BY piece ORDER BY number) AS next,
                   lead(chord) OVER (PARTITION BY piece ORDER BY number) AS next_chord,
                   lead(key) OVER (PARTITION BY piece ORDER BY number) AS next_key
            FROM spans
        )
        SELECT next, count(*), count(DISTINCT piece) FROM pairs
        WHERE key = next_key AND ? IN ('', mode) AND regexp_full_match(chord || ' ', ?)
              AND NOT regexp_full_match(next_chord || ' ', ?)
        GROUP BY ALL
        """,
        [mode, pattern, pattern],
    )


def count_textures(db: duckdb.DuckDBPyConnection, hand: str = "") -> tuple[Count, ...]:
    """Count the bars of every accompaniment pattern, of one hand or of all."""
    return _counted(
        db,
        "SELECT pattern, sum(last_bar - bar + 1), count(DISTINCT piece) FROM textures"
        " WHERE ? IN ('', hand) GROUP BY ALL",
        [hand],
    )


def _counted(db: duckdb.DuckDBPyConnection, query: str, values: list[object]) -> tuple[Count, ...]:
    rows = db.execute(query, values).fetchall()
    whole = sum(int(row[1]) for row in rows) or 1
    found = [Count(str(name), int(count), int(pieces), int(count) / whole) for name, count, pieces in rows]
    return tuple(sorted(found, key=lambda c: (-c.count, c.name)))


_ROW, _LABEL, _BARS, _TOP = 22, 190, 360, 44


def plot(counts: tuple[Count, ...], title: str, most: int = 20) -> str:
    """Draw counts as horizontal bars: one SVG picture with the figures beside them."""
    shown = counts[:most]
    highest = max((c.count for c in shown), default=1)
    height = _TOP + _ROW * len(shown) + 12
    width = _LABEL + _BARS + 110
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" font-family="sans-serif" font-size="13" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        f'<text x="12" y="26" font-size="16" font-weight="bold" fill="#1a1a1a">{escape(title)}</text>',
    ]
    for i, c in enumerate(shown):
        y = _TOP + _ROW * i
        length = max(1.0, _BARS * c.count / highest)
        name = c.name if len(c.name) <= 28 else c.name[:27] + "…"
        parts.append(
            f'<text x="{_LABEL - 8}" y="{y + 14}" text-anchor="end" fill="#1a1a1a">{escape(name)}</text>'
            f'<rect x="{_LABEL}" y="{y + 3}" width="{length:.1f}" height="{_ROW - 7}" fill="#2f5d8a"/>'
            f'<text x="{_LABEL + length + 6:.1f}" y="{y + 14}" fill="#444444">'
            f"{c.count} ({c.share:.0%})</text>"
        )
    return "\n".join([*parts, "</svg>\n"])
