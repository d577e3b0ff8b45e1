"""A reading as the page shows it: values for JSON. Moments are exact texts such as ``"7/2"``."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from understave.desk import gestures
from understave.engraving.event_lane import event_name
from understave.findings.catalogue import kind_of
from understave.findings.over_held import layer
from understave.harmony.carrying import Offer
from understave.harmony.reading import Event, Reading, Span
from understave.interpretation.perform import Clock
from understave.score.model import Score, beat_text
from understave.theory.chord_symbol import chord_symbol
from understave.theory.convention_choices import current
from understave.theory.conventions import key_label, note_label, symbol_text, written
from understave.theory.key import Key, Mode
from understave.theory.names import pitch_class_name
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording import phrasebook
from understave.wording.chord_reasons import explain_span, foreign_words, over_words
from understave.wording.numerals import numeral_table
from understave.wording.sentences import can_say, say


def span_row(score: Score, span: Span, language: Language = "en") -> dict[str, Any]:
    """Return one chord of the reading; its notes are asked for with `why`.

    Where there are no keys to speak of, it is named by root and kind, in no key; what the teacher set stays.
    """
    rooted = not span.in_a_key
    symbol = symbol_text(chord_symbol(span.numeral.chord(span.key)), language)
    return {
        "start": str(span.start),
        "end": str(span.end),
        "bar": score.measure_at(span.start).index,
        "number": score.bar_name(score.measure_at(span.start)),
        "beat": beat_text(score.beat_at(span.start)),
        "key": span.key.symbol,
        "keyName": "" if rooted else key_label(span.key, language),
        "numeral": str(span.numeral),
        "parts": {"head": symbol, "figures": [], "target": ""}
        if rooted
        else numeral_parts(span.numeral, span.key.mode),
        "symbol": "" if rooted else symbol,
        "confidence": round(span.confidence, 3),
        "fixed": span.fixed,
        "check": span.to_check,
        "others": [
            {
                "key": a.key.symbol,
                "keyName": key_label(a.key, language),
                "numeral": str(a.numeral),
                "parts": numeral_parts(a.numeral, a.key.mode),
                "symbol": symbol_text(chord_symbol(a.numeral.chord(a.key)), language),
                "confidence": round(a.confidence, 3),
            }
            for a in span.alternatives
        ],
    }


def offer_rows(
    score: Score, spans: Sequence[Span], offers: Sequence[Offer], language: Language = "en"
) -> list[dict[str, Any]]:
    """Return the places to which a chord can be carried: what would stand there, and what stands there."""
    rows = []
    for offer in offers:
        key, numeral = offer.correction.key, offer.correction.numeral
        if key is None or numeral is None:
            continue
        measure, last = score.measures_over(offer.start, offer.end)
        now = [span for span in spans if span.start < offer.end and span.end > offer.start]
        rows.append(
            {
                "start": str(offer.start),
                "bar": measure.index,
                "last": last.index,
                "number": score.bar_name(measure),
                "beat": beat_text(score.beat_at(offer.start)),
                "moved": offer.fifths != 0,
                "keyName": key_label(key, language),
                "parts": numeral_parts(numeral, key.mode),
                "now": [numeral_parts(span.numeral, span.key.mode) for span in now],
            }
        )
    return rows


def numeral_parts(numeral: RomanNumeral, mode: Mode) -> dict[str, Any]:
    """Return how a numeral is set: head, figures from top to bottom, what it applies to."""
    head, figures, target = written(numeral, mode).flat
    return {"head": head, "figures": list(figures), "target": target}


def seconds(spans: Sequence[Span], time: Clock) -> list[tuple[float, float]]:
    """Return when each chord sounds."""
    return [(round(time.at(span.start), 3), round(time.at(span.end), 3)) for span in spans]


def bars(score: Score, time: Clock) -> list[dict[str, Any]]:
    """Return the bars with the moments at which a boundary may stand (beats and onsets)."""
    moments: dict[int, set[Fraction]] = {measure.index: {measure.start} for measure in score.measures}
    for note in score.notes:
        if not note.grace:
            moments[score.measure_at(note.onset).index].add(note.onset)
    rows = []
    for measure in score.measures:
        beat = measure.start + (-measure.offset) % measure.beat_length
        while beat < measure.end:
            moments[measure.index].add(beat)
            beat += measure.beat_length
        rows.append(
            {
                "id": measure.id,
                "number": score.bar_name(measure),
                "start": round(time.at(measure.start), 3),
                "end": round(time.at(measure.end), 3),
                "moments": [
                    {"at": str(t), "beat": beat_text(score.beat_at(t))}
                    for t in sorted(moments[measure.index])
                ],
            }
        )
    return rows


def _is_shown(event: Event) -> bool:
    kind = kind_of(event)
    return kind is not None and kind.lane is not None


def _is_told(event: Event) -> bool:
    kind = kind_of(event)
    return kind is not None and (kind.lane is not None or kind.told_near)


def why(score: Score, reading: Reading, span: Span, language: Language = "en") -> dict[str, Any]:
    """Return why a span reads as it does: in words, note by note, and what happens there."""
    chord = span.numeral.chord(span.key)
    members = [score.note_by_id[i] for i in span.notes]
    foreign = [score.note_by_id[i] for i in span.foreign]
    members_of = dict.fromkeys(chord.members)
    # What comes again as the same thing is one row.
    rows: dict[tuple[str, str], list[str]] = {}
    for note in foreign:
        row = str(note.pitch), foreign_words(score, span, note, language)
        rows.setdefault(row, []).extend(note.ids)
    sounding = {note.midi % 12 for note in members}
    told = [
        {**_said(say(event, score, "intermediate", language)), "start": str(event.start)}
        for event in reading.events
        if event.start < span.end and event.end > span.start and _is_told(event) and can_say(event)
    ]
    over = [
        {**_said(over_words(a, phrasebook(language), marked=True)), "start": str(a.start)}
        for a in layer(reading.events)
        if a.start < span.end and a.end > span.start
    ]
    return {
        "start": str(span.start),
        "sentence": {
            "text": explain_span(score, span, language),
            "numerals": {f"⟨{span.numeral}⟩": numeral_parts(span.numeral, span.key.mode)},
        },
        "members": [
            {"name": _note(tone, language), "sounds": tone.semitone in sounding} for tone in members_of
        ],
        "belongs": [i for note in members for i in note.ids],
        "foreign": [{"ids": ids, "name": name, "what": what} for (name, what), ids in rows.items()],
        "told": [*over, *told[:6]],
    }


def _said(text: str) -> dict[str, Any]:
    """Return a sentence and how the numerals in it are set."""
    return {"text": text, "numerals": numeral_table(text)}


def spelled(score: Score, meant: gestures.Spelled, language: Language = "en") -> dict[str, Any]:
    """Return as notes what was typed for a chord: each chord with its place, names and key."""
    return {
        "kind": meant.kind,
        "chords": [
            {
                "place": gestures.place(score, start),
                "keyName": key_label(key, language),
                "parts": numeral_parts(numeral, key.mode),
                "symbol": symbol_text(chord_symbol(numeral.chord(key)), language),
                "notes": _notes(numeral.chord(key).members, language),
            }
            for start, _, key, numeral in meant.chords
        ],
    }


def key_spelled(key: Key, language: Language = "en") -> dict[str, Any]:
    """Return as notes what was typed for a key: its name and its scale."""
    return {"kind": "key", "keyName": key_label(key, language), "notes": _notes(key.scale, language)}


def event_rows(score: Score, events: Sequence[Event], language: Language = "en") -> list[dict[str, Any]]:
    """Return the events that the lane shows, each with its sentence."""
    return [
        {
            "index": i,
            "bar": score.measure_at(event.start).index,
            "number": score.bar_name(score.measure_at(event.start)),
            "name": event_name(event, language),
            **_said(say(event, score, "intermediate", language)),
        }
        for i, event in enumerate(events)
        if _is_shown(event) and can_say(event)
    ]


def _notes(tones: Sequence[PitchClass], language: Language) -> list[str]:
    return list(dict.fromkeys(_note(tone, language) for tone in tones))


def _note(tone: PitchClass, language: Language) -> str:
    """Return a note's name in the letters in force, else as the language has it; in English ``"Bb"``."""
    if current().letters != "english":
        return note_label(tone, language)
    return tone.name if language == "en" else pitch_class_name(tone, language)
