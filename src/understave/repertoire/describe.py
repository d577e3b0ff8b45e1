"""A score and its reading -> the rows of the index; nothing here knows files or a database."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from fractions import Fraction
from itertools import groupby

from understave.harmony.reading import Event, Reading, Span
from understave.repertoire.difficulty import difficulty_of, hands_of
from understave.repertoire.patterns import bass_text, chord_text, joined, key_text
from understave.repertoire.tables import SCHEMAS, Piece, Row
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


def describe(piece: str, score: Score, reading: Reading) -> Piece:
    """Return all rows of a piece that was read."""
    home = home_key(reading)
    hard = difficulty_of(score)
    plan = joined(text for text, _ in groupby(key_text(key, home) for key in _plan(reading)))
    pace = next((e.get("pace") for e in reading.events if e.label == "usual pace"), None)
    scheme = next((e.get("scheme") for e in reading.events if e.kind == "form"), None)
    rows: dict[str, list[tuple[object, ...]]] = {
        "pieces": [
            (
                "",
                score.title,
                score.composer,
                len(score.parts),
                len(score.measures),
                len(score.notes),
                float(score.end),
                _meter(score),
                home.symbol,
                home.mode,
                plan,
                float(pace) if isinstance(pace, int | float | Fraction) else None,
                str(scheme or ""),
                hard.total,
            )
        ],
        "spans": [_span(score, i, span) for i, span in enumerate(reading.spans)],
        "events": [_event(score, reading, i, e) for i, e in enumerate(reading.events)],
        "keys": list(_keys(score, reading)),
        "cadences": [_cadence(score, e) for e in reading.events if e.kind == "cadence"],
        "textures": [
            (str(e.get("hand")), e.label, e.get("per_beat"), *_bars(score, e.start, e.end), e.confidence)
            for e in reading.events
            if e.kind == "texture"
        ],
        "ranges": list(_ranges(score)),
        "difficulty": [(c.name, c.value, c.measured, c.hand, c.bar, c.bar_number) for c in hard.components],
    }
    return Piece(piece, {name: tuple(_row(piece, r) for r in rows[name]) for name in SCHEMAS})


def home_key(reading: Reading) -> Key:
    """Return the home key: that of the key plan, else the key of the last chord."""
    for e in reading.events:
        home = e.get("home") if e.kind == "key" else None
        if isinstance(home, Key):
            return home
    return reading.spans[-1].key


def _row(piece: str, values: tuple[object, ...]) -> Row:
    return (piece, *(v if isinstance(v, str | int | float) or v is None else str(v) for v in values))


def _meter(score: Score) -> str:
    """Return the meter in force for most of the piece."""
    time: dict[str, Fraction] = {}
    for m in score.measures:
        name = f"{m.beats}/{m.beat_type}"
        time[name] = time.get(name, Fraction(0)) + m.length
    return max(time, key=lambda name: time[name]) if time else ""


def _bars(score: Score, start: Fraction, end: Fraction) -> tuple[int, int, str, str]:
    first, last = score.measures_over(start, end)
    return first.index, last.index, first.number, last.number


def _span(score: Score, number: int, s: Span) -> tuple[object, ...]:
    measure = score.measure_at(s.start)
    return (
        number,
        float(s.start),
        float(s.end),
        measure.index,
        measure.number,
        float(score.beat_at(s.start)),
        s.key.symbol,
        s.key.mode,
        str(s.numeral),
        chord_text(s.numeral),
        bass_text(s.numeral, s.key),
        round(s.confidence, 4),
    )


def _event(score: Score, reading: Reading, number: int, e: Event) -> tuple[object, ...]:
    key = e.get("key")
    if not isinstance(key, Key):
        key = _key_at(reading, e.start)
    numeral = next((e.get(name) for name in ("chord", "numeral", "goal") if e.get(name) is not None), None)
    return (
        number,
        e.kind,
        e.label,
        float(e.start),
        float(e.end),
        *_bars(score, e.start, e.end),
        key.symbol,
        key.mode,
        str(numeral) if isinstance(numeral, RomanNumeral) else "",
        round(e.confidence, 4),
    )


def _key_at(reading: Reading, time: Fraction) -> Key:
    i = bisect_right(reading.spans, time, key=lambda s: s.start) - 1
    return reading.spans[max(0, i)].key


def _plan(reading: Reading) -> list[Key]:
    keys = [e.get("key") for e in reading.events if e.kind == "key" and e.label != "tonicization"]
    return [k for k in keys if isinstance(k, Key)] or [reading.spans[-1].key]


def _keys(score: Score, reading: Reading) -> Iterator[tuple[object, ...]]:
    home = home_key(reading)
    number = 0
    for e in reading.events:
        key = e.get("key")
        if e.kind != "key" or e.get("within") or not isinstance(key, Key):
            continue
        yield (
            number,
            key.symbol,
            key.mode,
            e.label,
            str(e.get("relation") or ""),
            key_text(key, home),
            float(e.start),
            float(e.end),
            *_bars(score, e.start, e.end),
        )
        number += 1


def _cadence(score: Score, e: Event) -> tuple[object, ...]:
    key, arrival = e.get("key"), e.get("arrival")
    time = Fraction(arrival) if isinstance(arrival, int | Fraction) else e.start
    measure = score.measure_at(time)
    shown = (key.symbol, key.mode) if isinstance(key, Key) else ("", "")
    return (
        e.label,
        *shown,
        str(e.get("goal") or ""),
        float(time),
        measure.index,
        measure.number,
        e.confidence,
    )


def _ranges(score: Score) -> Iterator[tuple[object, ...]]:
    """Yield for every hand its lowest and highest MIDI number and the widest grip in semitones."""
    for hand, notes in hands_of(score).items():
        if not notes:
            continue
        widest = 0
        for _, struck in groupby(notes, key=lambda n: n.onset):
            heights = [n.midi for n in struck]
            widest = max(widest, max(heights) - min(heights))
        heights = [n.midi for n in notes]
        yield hand, min(heights), max(heights), widest
