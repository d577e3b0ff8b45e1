"""An index -> how often, in which keys, and what follows what; as tables, and as bars drawn in SVG."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

import duckdb
import numpy as np
import numpy.typing as npt

from understave.repertoire.asked_chords import standard_chords
from understave.repertoire.chord_lines import Lines, open_lines
from understave.repertoire.device_names import device
from understave.repertoire.matching import Step, locate, struck_again
from understave.repertoire.patterns import plain, progression
from understave.repertoire.search import key_and_mode, keys_in


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
        return _keys_of(open_lines(db), progression(wanted.chords), wanted.key, wanted.mode)
    return _counted(
        db,
        "SELECT key, count(*), count(DISTINCT piece) FROM events WHERE kind = ? AND (len(?) = 0 OR"
        " list_contains(?, label)) AND ? IN ('', mode) GROUP BY ALL",
        [wanted.kind, list(wanted.labels), list(wanted.labels), wanted.mode],
    )


def _keys_of(lines: Lines, steps: Sequence[Step], key: str, mode: str) -> tuple[Count, ...]:
    here = keys_in(lines, key, mode)
    met: dict[str, list[int]] = {}
    for block in lines.blocks():
        first = locate(lines.line("chord", block), steps).first
        keys, pieces = lines.columns["key"][block][first], lines.columns["piece"][block][first]
        _tally(met, lines.names["key"], keys[here[keys]], pieces[here[keys]])
    return _shares((name, *numbers) for name, numbers in met.items())


def count_next(db: duckdb.DuckDBPyConnection, chords: str, mode: str = "") -> tuple[Count, ...]:
    """Count what follows a chord or progression in its key; the last chord struck again is passed over."""
    within = key_and_mode("", mode)
    steps = progression(standard_chords(chords, *within))
    lines = open_lines(db)
    here = keys_in(lines, *within)
    met: dict[str, list[int]] = {}
    for block in lines.blocks():
        line = lines.line("chord", block)
        last = struck_again(line, steps[-1], locate(line, steps).last)
        last = last[last + 1 < line.codes.size]
        last = last[line.stretches[last] == line.stretches[last + 1]]
        last = last[here[lines.columns["key"][block][last]]]
        _tally(met, line.names, line.codes[last + 1], lines.columns["piece"][block][last])
    return _shares((plain(name), *numbers) for name, numbers in met.items())


def _tally(
    met: dict[str, list[int]], names: Sequence[str], codes: npt.NDArray[Any], pieces: npt.NDArray[Any]
) -> None:
    """Add to names how often and in how many pieces their codes stand here; blocks hold whole pieces."""
    for code in np.unique(codes):
        own = pieces[codes == code]
        so_far = met.setdefault(names[code], [0, 0])
        so_far[0] += own.size
        so_far[1] += np.unique(own).size


def count_textures(db: duckdb.DuckDBPyConnection, hand: str = "") -> tuple[Count, ...]:
    """Count the bars of every accompaniment pattern, of one hand or of all."""
    return _counted(
        db,
        "SELECT pattern, sum(last_bar - bar + 1), count(DISTINCT piece) FROM textures"
        " WHERE ? IN ('', hand) GROUP BY ALL",
        [hand],
    )


def _counted(db: duckdb.DuckDBPyConnection, query: str, values: list[object]) -> tuple[Count, ...]:
    return _shares(db.execute(query, values).fetchall())


def _shares(rows: Iterable[tuple[Any, ...]]) -> tuple[Count, ...]:
    rows = list(rows)
    whole = sum(int(row[1]) for row in rows) or 1
    found = [Count(str(name), int(count), int(pieces), int(count) / whole) for name, count, pieces in rows]
    return tuple(sorted(found, key=lambda count: (-count.count, count.name)))


_ROW, _LABEL, _BARS, _TOP = 22, 190, 360, 44


def plot(counts: tuple[Count, ...], title: str, most: int = 20) -> str:
    """Draw counts as horizontal bars: one SVG picture with the figures beside them."""
    shown = counts[:most]
    highest = max((count.count for count in shown), default=1)
    height = _TOP + _ROW * len(shown) + 12
    width = _LABEL + _BARS + 110
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" font-family="sans-serif" font-size="13" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>',
        f'<text x="12" y="26" font-size="16" font-weight="bold" fill="#1a1a1a">{escape(title)}</text>',
    ]
    for i, count in enumerate(shown):
        y = _TOP + _ROW * i
        length = max(1.0, _BARS * count.count / highest)
        name = count.name if len(count.name) <= 28 else count.name[:27] + "…"
        parts.append(
            f'<text x="{_LABEL - 8}" y="{y + 14}" text-anchor="end" fill="#1a1a1a">{escape(name)}</text>'
            f'<rect x="{_LABEL}" y="{y + 3}" width="{length:.1f}" height="{_ROW - 7}" fill="#2f5d8a"/>'
            f'<text x="{_LABEL + length + 6:.1f}" y="{y + 14}" fill="#444444">'
            f"{count.count} ({count.share:.0%})</text>"
        )
    return "\n".join([*parts, "</svg>\n"])
