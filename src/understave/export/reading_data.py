"""The reading as data: JSON for programs, CSV for a spreadsheet.

In: a Score and its Reading. Out: text. Times are given twice: as printed bar and beat for people,
and as exact quarter notes (``"27/2"``) for programs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

from understave.export import records
from understave.export.spreadsheet import csv_text, decimal_mark
from understave.findings.over_held import Above, layer
from understave.harmony.reading import Alternative, Detail, Event, Reading, Span
from understave.score.model import Score, beat_text
from understave.theory.vocabulary import Language


def moment(score: Score, time: Fraction) -> records.Moment:
    """Return a moment as printed measure and beat, and in exact quarter notes from the start."""
    return records.Moment(score.measure_at(time).number, beat_text(score.beat_at(time)), str(time))


def _label(item: Span | Alternative) -> records.Label:
    chord = item.numeral.chord(item.key)
    return records.Label(
        item.key.symbol,
        str(item.numeral),
        chord.name,
        tuple(tone.name for tone in chord.members),
        chord.bass.name,
        round(item.confidence, 4),
    )


def _span(score: Score, span: Span) -> records.Span:
    return records.Span(
        moment(score, span.start),
        moment(score, span.end),
        **vars(_label(span)),
        fixed=span.fixed,
        notes=span.notes,
        foreign=span.foreign,
        alternatives=tuple(_label(a) for a in span.alternatives),
    )


def _above(score: Score, above: Above) -> records.Above:
    chord = above.numeral.chord(above.key)
    return records.Above(
        moment(score, above.start),
        moment(score, above.end),
        above.key.symbol,
        str(above.numeral),
        chord.name,
        tuple(tone.name for tone in chord.members),
        chord.bass.name,
        above.over.pitch_class.name,
    )


def detail(event: Event) -> Mapping[str, Any]:
    """Return the details of an event by name, as JSON can hold them."""
    return {name: _plain(value) for name, value in event.detail}


def _plain(value: Detail) -> Any:
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    return value if isinstance(value, str | int | float) else str(value)


def _event(score: Score, event: Event) -> records.Event:
    return records.Event(
        event.kind,
        event.label,
        moment(score, event.start),
        moment(score, event.end),
        event.notes,
        round(event.confidence, 4),
        detail(event),
    )


def reading_json(score: Score, reading: Reading, stretch: tuple[Fraction, Fraction] | None = None) -> str:
    """Return a reading as indented JSON with a stable order of keys: all, or what touches a stretch."""
    begin, end = stretch or (Fraction(0), score.end)
    file = records.ReadingFile(
        piece=records.MeasuredPiece(score.title, score.composer, len(score.measures), str(score.end)),
        imported=tuple(score.warnings),
        spans=tuple(
            _span(score, span)
            for span in reading.spans
            if not stretch or (span.start < end and span.end > begin)
        ),
        above_held=tuple(
            _above(score, a)
            for a in layer(reading.events)
            if not stretch or (a.start < end and a.end > begin)
        ),
        events=tuple(
            _event(score, event) for event in reading.events if not stretch or _touches(event, begin, end)
        ),
    )
    return records.text_of(file)


def _touches(event: Event, begin: Fraction, end: Fraction) -> bool:
    """Whether any of an event lies in a stretch; one without length lies where it begins."""
    return event.start < end and (event.end > begin or event.start == event.end >= begin)


CSV_COLUMNS = (
    "bar",
    "beat",
    "until bar",
    "until beat",
    "key",
    "numeral",
    "chord",
    "notes of the chord",
    "bass",
    "confidence",
    "set by teacher",
    "other notes",
    "next best",
)


def reading_csv(score: Score, reading: Reading, language: Language = "en") -> str:
    """Return one row a span with a header row, in the form that spreadsheets of a language open.

    Heads and names of keys are English in every language, so that programs find them.
    """
    rows: list[Sequence[object]] = [CSV_COLUMNS]
    mark = decimal_mark(language)
    for span in reading.spans:
        label = _label(span)
        foreign = [score.note_by_id[i].pitch.name for i in span.foreign]
        rows.append(
            [
                score.measure_at(span.start).number,
                _beat(score.beat_at(span.start)),
                score.measure_at(span.end).number,
                _beat(score.beat_at(span.end)),
                span.key.name,
                label.numeral,
                label.chord,
                " ".join(label.members),
                label.bass,
                Decimal(f"{span.confidence:.2f}"),
                "yes" if span.fixed else "no",
                " ".join(foreign),
                "; ".join(
                    f"{a.numeral} in {a.key.name} ({f'{a.confidence:.2f}'.replace('.', mark)})"
                    for a in span.alternatives[:3]
                ),
            ]
        )
    return csv_text(rows, language=language)


def _beat(beat: Fraction) -> object:
    """A beat as people write it; as a number where it has a decimal mark, which differs by language."""
    text = beat_text(beat)
    return Decimal(text) if "." in text else text
