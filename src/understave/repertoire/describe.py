"""A score and its reading -> the rows of the index; nothing here knows files or a database."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from fractions import Fraction
from itertools import groupby

from understave.findings.cadences import CADENCE, CadenceDetails
from understave.findings.catalogue import chord_of, key_of
from understave.findings.form import FORM
from understave.findings.keyplan import KEY
from understave.findings.rhythm import HARMONIC_RHYTHM
from understave.findings.texture import TEXTURE
from understave.harmony.reading import Event, Reading, Span
from understave.repertoire.difficulty import difficulty_of, hands_of
from understave.repertoire.patterns import bass_text, chord_text, joined, key_text
from understave.repertoire.tables import SCHEMAS, Piece, Row
from understave.score.model import Score
from understave.theory.key import Key


def describe(piece: str, score: Score, reading: Reading) -> Piece:
    """Return all rows of a piece that was read."""
    home = home_key(reading)
    hard = difficulty_of(score)
    plan = joined(text for text, _ in groupby(key_text(key, home) for key in _plan(reading)))
    paces = HARMONIC_RHYTHM.all(reading.events)
    pace = next((float(found.pace) for e, found in paces if e.label == "usual pace"), None)
    scheme = next((found.scheme for _, found in FORM.all(reading.events)), "")
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
                pace,
                scheme,
                hard.total,
            )
        ],
        "spans": [_span(score, i, span) for i, span in enumerate(reading.spans)],
        "events": [_event(score, reading, i, e) for i, e in enumerate(reading.events)],
        "keys": list(_keys(score, reading)),
        "cadences": [_cadence(score, e, found) for e, found in CADENCE.all(reading.events)],
        "textures": [
            (found.hand, e.label, found.per_beat, *_bars(score, e.start, e.end), e.confidence)
            for e, found in TEXTURE.all(reading.events)
        ],
        "ranges": list(_ranges(score)),
        "difficulty": [(c.name, c.value, c.measured, c.hand, c.bar, c.bar_number) for c in hard.components],
    }
    return Piece(piece, {name: tuple(_row(piece, r) for r in rows[name]) for name in SCHEMAS})


def home_key(reading: Reading) -> Key:
    """Return the home key: that of the key plan, else the key of the last chord."""
    return next((found.home for _, found in KEY.all(reading.events)), reading.spans[-1].key)


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
    key = key_of(e) or _key_at(reading, e.start)
    numeral = chord_of(e)
    return (
        number,
        e.kind,
        e.label,
        float(e.start),
        float(e.end),
        *_bars(score, e.start, e.end),
        key.symbol,
        key.mode,
        "" if numeral is None else str(numeral),
        round(e.confidence, 4),
    )


def _key_at(reading: Reading, time: Fraction) -> Key:
    i = bisect_right(reading.spans, time, key=lambda s: s.start) - 1
    return reading.spans[max(0, i)].key


def _plan(reading: Reading) -> list[Key]:
    keys = [found.key for e, found in KEY.all(reading.events) if e.label != "tonicization"]
    return keys or [reading.spans[-1].key]


def _keys(score: Score, reading: Reading) -> Iterator[tuple[object, ...]]:
    home = home_key(reading)
    number = 0
    for e, found in KEY.all(reading.events):
        if found.within:
            continue
        yield (
            number,
            found.key.symbol,
            found.key.mode,
            e.label,
            found.relation,
            key_text(found.key, home),
            float(e.start),
            float(e.end),
            *_bars(score, e.start, e.end),
        )
        number += 1


def _cadence(score: Score, e: Event, found: CadenceDetails) -> tuple[object, ...]:
    measure = score.measure_at(found.arrival)
    return (
        e.label,
        found.key.symbol,
        found.key.mode,
        str(found.goal),
        float(found.arrival),
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
