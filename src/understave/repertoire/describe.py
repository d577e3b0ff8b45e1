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
    pace = next((float(found.pace) for event, found in paces if event.label == "usual pace"), None)
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
        "events": [_event(score, reading, i, event) for i, event in enumerate(reading.events)],
        "keys": list(_keys(score, reading)),
        "cadences": [_cadence(score, event, found) for event, found in CADENCE.all(reading.events)],
        "textures": [
            (found.hand, event.label, found.per_beat, *_bars(score, event.start, event.end), event.confidence)
            for event, found in TEXTURE.all(reading.events)
        ],
        "ranges": list(_ranges(score)),
        "difficulty": [
            (
                component.name,
                component.value,
                component.measured,
                component.hand,
                component.bar,
                component.bar_number,
            )
            for component in hard.components
        ],
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
    for measure in score.measures:
        name = f"{measure.beats}/{measure.beat_type}"
        time[name] = time.get(name, Fraction(0)) + measure.length
    return max(time, key=lambda name: time[name]) if time else ""


def _bars(score: Score, start: Fraction, end: Fraction) -> tuple[int, int, str, str]:
    first, last = score.measures_over(start, end)
    return first.index, last.index, first.number, last.number


def _span(score: Score, number: int, span: Span) -> tuple[object, ...]:
    measure = score.measure_at(span.start)
    return (
        number,
        float(span.start),
        float(span.end),
        measure.index,
        measure.number,
        float(score.beat_at(span.start)),
        span.key.symbol,
        span.key.mode,
        str(span.numeral),
        chord_text(span.numeral),
        bass_text(span.numeral, span.key),
        round(span.confidence, 4),
    )


def _event(score: Score, reading: Reading, number: int, event: Event) -> tuple[object, ...]:
    key = key_of(event) or _key_at(reading, event.start)
    numeral = chord_of(event)
    return (
        number,
        event.kind,
        event.label,
        float(event.start),
        float(event.end),
        *_bars(score, event.start, event.end),
        key.symbol,
        key.mode,
        "" if numeral is None else str(numeral),
        round(event.confidence, 4),
    )


def _key_at(reading: Reading, time: Fraction) -> Key:
    i = bisect_right(reading.spans, time, key=lambda span: span.start) - 1
    return reading.spans[max(0, i)].key


def _plan(reading: Reading) -> list[Key]:
    keys = [found.key for event, found in KEY.all(reading.events) if event.label != "tonicization"]
    return keys or [reading.spans[-1].key]


def _keys(score: Score, reading: Reading) -> Iterator[tuple[object, ...]]:
    home = home_key(reading)
    number = 0
    for event, found in KEY.all(reading.events):
        if found.within:
            continue
        yield (
            number,
            found.key.symbol,
            found.key.mode,
            event.label,
            found.relation,
            key_text(found.key, home),
            float(event.start),
            float(event.end),
            *_bars(score, event.start, event.end),
        )
        number += 1


def _cadence(score: Score, event: Event, found: CadenceDetails) -> tuple[object, ...]:
    measure = score.measure_at(found.arrival)
    return (
        event.label,
        found.key.symbol,
        found.key.mode,
        str(found.goal),
        float(found.arrival),
        measure.index,
        measure.number,
        event.confidence,
    )


def _ranges(score: Score) -> Iterator[tuple[object, ...]]:
    """Yield for every hand its lowest and highest MIDI number and the widest grip in semitones."""
    for hand, notes in hands_of(score).items():
        if not notes:
            continue
        widest = 0
        for _, struck in groupby(notes, key=lambda note: note.onset):
            heights = [note.midi for note in struck]
            widest = max(widest, max(heights) - min(heights))
        heights = [note.midi for note in notes]
        yield hand, min(heights), max(heights), widest
