"""What is worth telling about a reading, in a teacher's plain words.

In: a Score, its Reading and a language. Out: the plan of keys, the points to stop at and the places to
check, each tied to its span and so to its notes. Nothing here is said that the reading does not say; the
words come from `understave.wording`.
"""

from __future__ import annotations

import unicodedata
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeAlias

from understave.findings.remembered import remembered
from understave.harmony.reading import Alternative, Reading, Span
from understave.score.model import Score
from understave.theory.chord_symbol import chord_symbol
from understave.theory.convention_choices import by_roots
from understave.theory.conventions import key_label, symbol_text
from understave.theory.key import Key
from understave.theory.names import key_name, pitch_class_name
from understave.theory.pitch import PitchClass
from understave.theory.vocabulary import Language
from understave.wording import Gloss, Phrasebook, phrasebook, plain
from understave.wording.gaps import place, printed_bars
from understave.wording.numerals import chord_words
from understave.wording.telling import key_stretches

__all__ = [
    "Doubt",
    "KeyStretch",
    "Point",
    "device_of",
    "doubts",
    "foreign_to_key",
    "glossary",
    "heard_members",
    "key_plan",
    "label",
    "members_text",
    "plain",
    "points",
    "scale_with_leading_tone",
    "short_key",
    "twin_text",
    "twins",
    "worth_checking",
]

DEVICE_ORDER = (
    "neapolitan",
    "augmented-sixth",
    "borrowed",
    "diminished-seventh",
    "applied",
    "suspended",
    "cadential",
)
"""Devices, the rarest first."""


_Content: TypeAlias = frozenset[tuple[Fraction, Fraction, int, int]]
_Read: TypeAlias = list[tuple[Fraction, Span]]


@dataclass(frozen=True, slots=True)
class KeyStretch:
    """A stretch in one key; bars as printed, share of the piece's length 0..1."""

    key: Key
    start: Fraction
    end: Fraction
    first_bar: str
    last_bar: str
    share: float


@dataclass(frozen=True, slots=True)
class Point:
    """One chord worth a stop: the device it shows, where, and what to say about it."""

    span: Span
    device: str
    place: str
    heading: str
    text: str


@dataclass(frozen=True, slots=True)
class Doubt:
    """A span to check first and the sentence that says so."""

    span: Span
    text: str


def key_plan(score: Score, reading: Reading) -> tuple[KeyStretch, ...]:
    """Return the keys in order, neighbouring spans of one key drawn together."""
    runs = key_stretches(reading)
    total = float(sum((end - start for _, start, end in runs), Fraction(0))) or 1.0
    return tuple(
        KeyStretch(key, start, end, *printed_bars(score, start, end), share=float(end - start) / total)
        for key, start, end in runs
    )


def device_of(span: Span) -> str | None:
    """Return the name of the device that a chord shows, or None for a plain chord of its key."""
    numeral = span.numeral
    if numeral.special == "N" or (numeral.degree == 2 and numeral.alter == -1 and not numeral.applied):
        return "neapolitan"
    if numeral.special in ("It", "Fr", "Ger"):
        return "augmented-sixth"
    if numeral.special == "Cad":
        return "cadential"
    if numeral.quality == "diminished7":
        return "diminished-seventh"
    if numeral.applied:
        return "applied"
    if numeral.quality in ("sus4", "dominant7sus4"):
        return "suspended"
    return "borrowed" if foreign_to_key(span) else None


def scale_with_leading_tone(key: Key) -> frozenset[PitchClass]:
    """Return the notes of a key, in minor with the raised sixth and seventh."""
    notes = set(key.scale)
    if key.mode == "minor":
        # The raised sixth and seventh belong to minor as players know it (common practice, no source).
        notes |= {PitchClass.from_fifths(key.tonic.fifths + 3), PitchClass.from_fifths(key.tonic.fifths + 5)}
    return frozenset(notes)


def foreign_to_key(span: Span) -> list[PitchClass]:
    """Return the members of a chord that are not in its key, with what minor raises counted as its own."""
    inside = scale_with_leading_tone(span.key)
    return [tone for tone in span.numeral.chord(span.key).members if tone not in inside]


def heard_members(score: Score, span: Span) -> tuple[list[PitchClass], list[PitchClass]]:
    """Return the members of a chord that sound while it lasts, and those that the label only implies."""
    last = score.measures_over(span.start, span.end)[1].index
    start, end = float(span.start), float(span.end)
    heard = {
        note.midi % 12
        for note in score.notes
        if note.measure <= last and note.at < end and (note.until > start or note.at == start)
    }
    members = span.numeral.chord(span.key).members
    return [tone for tone in members if tone.semitone in heard], [
        tone for tone in members if tone.semitone not in heard
    ]


def members_text(score: Score, span: Span, book: Phrasebook) -> str:
    """Name the members of a chord; those that do not sound are named as left out."""
    heard, silent = heard_members(score, span)
    named = book.join([pitch_class_name(tone, book.language) for tone in heard])
    if not heard or not silent:
        return named or book.join([pitch_class_name(tone, book.language) for tone in silent])
    left = book.join([pitch_class_name(tone, book.language) for tone in silent])
    return book.phrases["members_left_out"].format(members=named, silent=left)


def label(item: Span | Alternative, book: Phrasebook) -> str:
    """Name a chord and its key in one phrase: ``⟨V65/V⟩ in F minor``.

    The brackets mark a numeral, so that a page can stack its figures; `plain` takes them out. Where there are
    no keys to speak of, it is the chord's root and kind alone.
    """
    if not item.in_a_key if isinstance(item, Span) else by_roots():
        return symbol_text(chord_symbol(item.numeral.chord(item.key)))
    return book.phrases["label"].format(numeral=item.numeral, key=key_label(item.key, book.language))


def points(score: Score, reading: Reading, language: Language = "en", at_most: int = 8) -> tuple[Point, ...]:
    """Choose the chords most worth a stop: rare devices first, then spread over the piece."""
    book = phrasebook(language)
    found = [(span, d) for span in reading.spans if (d := device_of(span))]
    chosen: list[tuple[Span, str]] = []
    for device in DEVICE_ORDER:
        of_kind = sorted(
            (span for span, d in found if d == device), key=lambda span: (-span.confidence, span.start)
        )
        limit = 1 if device in ("applied", "suspended", "cadential", "diminished-seventh") else 2
        chosen += [(span, device) for span in of_kind[:limit]]
    chosen = sorted(chosen[:at_most], key=lambda pair: pair[0].start)
    following = {span.start: span for span in reading.spans}
    return tuple(_point(score, span, d, following.get(span.end), book) for span, d in chosen)


def _point(score: Score, span: Span, device: str, following: Span | None, book: Phrasebook) -> Point:
    chord = span.numeral.chord(span.key)
    language, words = book.language, book.phrases
    sentences = [
        words["point_words"].format(words=chord_words(span.numeral, book)),
        words["point_notes"].format(
            members=members_text(score, span, book),
            bass=pitch_class_name(chord.bass, language),
        ),
    ]
    heard, _ = heard_members(score, span)
    outside = [pitch_class_name(tone, language) for tone in foreign_to_key(span) if tone in heard]
    if outside:
        form = words["point_outside_many" if len(outside) > 1 else "point_outside_one"]
        sentences.append(
            book.sentence(form.format(notes=book.join(outside), key=key_name(span.key, language)))
        )
    if following:
        sentences.append(words["point_next"].format(next=label(following, book)))
    device_name = book.devices[device]
    return Point(
        span=span,
        device=device,
        place=place(score, span.start, book),
        heading=words["point_heading"].format(
            device=device_name[0].upper() + device_name[1:], label=label(span, book)
        ),
        text=" ".join(sentences),
    )


def doubts(score: Score, reading: Reading, language: Language = "en", at_most: int = 6) -> tuple[Doubt, ...]:
    """Return the first of the spans worth checking (`Reading.to_check`), least certain first.

    Bars with the same notes that are read differently come after them, half as many more at most.
    """
    book = phrasebook(language)
    first = (reading.spans[k] for k in reading.to_check()[:at_most])
    alike = twins(score, reading)[: max(1, at_most // 2)]
    return (
        *(Doubt(span, _doubt(score, span, book)) for span in first),
        *(Doubt(t.span, twin_text(score, t, book)) for t in alike),
    )


def worth_checking(score: Score, reading: Reading) -> tuple[Span, ...]:
    """Return every span worth checking: the unsure, least certain first, then those of unlike twins.

    The desk walks through the same ones, and the command line counts them.
    """
    unsure = [reading.spans[k] for k in reading.to_check()]
    unlike = {t.span.start: t.span for t in twins(score, reading) if not t.span.fixed}
    return (*unsure, *(span for span in unlike.values() if not span.to_check))


@dataclass(frozen=True, slots=True)
class Twin:
    """Two bars with the same notes that are read differently: `span` is the later's first chord that differs.

    `earlier` and `later` are the measures' indices, `other` the earlier bar's chord at the same place.
    """

    earlier: int
    later: int
    span: Span
    other: Span


def twins(score: Score, reading: Reading) -> tuple[Twin, ...]:
    """Return bars that hold note for note what an earlier bar holds but are read as other chords or keys.

    Each bar is compared with the nearest earlier one of the same notes, what is held into it included; what
    the teacher has set on both sides is no doubt.
    """
    latest: dict[_Content, int] = {}
    found = []
    bars = _contents(score)
    for measure in score.measures:
        content = bars[measure.index]
        if not content:
            continue
        before = latest.get(content)
        latest[content] = measure.index
        if before is None:
            continue
        pair = _difference(_read_in(score, reading, before), _read_in(score, reading, measure.index))
        if pair is not None and not (pair[0].fixed and pair[1].fixed):
            found.append(Twin(before, measure.index, pair[1], pair[0]))
    return tuple(found)


@remembered
def _contents(score: Score) -> list[_Content]:
    """Return what sounds in every bar: from when, until when, which key of the piano, on which staff."""
    bars: list[set[tuple[Fraction, Fraction, int, int]]] = [set() for _ in score.measures]
    for note in score.struck:
        for measure in score.measures[note.measure :]:
            if measure.start >= note.end:
                break
            origin = measure.start - measure.offset
            since, until = max(note.onset, measure.start) - origin, min(note.end, measure.end) - origin
            bars[measure.index].add((since, until, note.midi, note.staff))
    return [frozenset(b) for b in bars]


def _read_in(score: Score, reading: Reading, index: int) -> _Read:
    """Return the chords of a bar with where in it each begins."""
    measure = score.measures[index]
    first = max(0, bisect_right(reading.spans, measure.start, key=lambda span: span.start) - 1)
    last = bisect_left(reading.spans, measure.end, key=lambda span: span.start)
    inside = (span for span in reading.spans[first:last] if span.end > measure.start)
    return [(max(span.start, measure.start) - measure.start + measure.offset, span) for span in inside]


def _difference(first: _Read, second: _Read) -> tuple[Span, Span] | None:
    """Return the first two chords that sound at the same place of two bars and are read differently."""
    for at in sorted({t for t, _ in (*first, *second)}):
        one, other = (next((span for t, span in reversed(read) if t <= at), None) for read in (first, second))
        if one is not None and other is not None and (one.key, one.numeral) != (other.key, other.numeral):
            return one, other
    return None


def twin_text(score: Score, twin: Twin, book: Phrasebook) -> str:
    """Say of two bars with the same notes how differently they are read."""
    numbers = [score.measures[i].number for i in (twin.earlier, twin.later)]
    return book.phrases["check_twin"].format(
        first=book.bars(numbers[0], numbers[0]),
        second=book.bars(numbers[1], numbers[1]),
        one=label(twin.other, book),
        other=label(twin.span, book),
    )


def _doubt(score: Score, span: Span, book: Phrasebook) -> str:
    others = [label(a, book) for a in span.alternatives[:2]]
    where = place(score, span.start, book)
    more = book.phrases["check_others"].format(labels=book.join(others, "or")) if others else ""
    return book.phrases["check_item"].format(
        place=where[0].upper() + where[1:],
        label=label(span, book),
        percent=book.phrases["percent"].format(number=round(100 * span.confidence)),
        others=more,
    )


def glossary(texts: Iterable[str], book: Phrasebook) -> tuple[Gloss, ...]:
    """Return the terms used in the texts and in each other's meaning, in alphabetical order."""
    found: dict[str, Gloss] = {}
    waiting = list(texts)
    while waiting:
        for gloss in book.glosses_in(waiting.pop()):
            if gloss.term not in found:
                found[gloss.term] = gloss
                waiting.append(gloss.meaning)
    return tuple(sorted(found.values(), key=lambda gloss: _alphabetical(gloss.term)))


def _alphabetical(term: str) -> str:
    """Return what a term is sorted by: small letters without their marks, ü among the u."""
    letters = unicodedata.normalize("NFD", term.casefold())
    return "".join(c for c in letters if not unicodedata.combining(c))


def short_key(key: Key, language: Language) -> str:
    """Return a key in the fewest letters: ``A♭``, small for minor; in German ``As``, ``as``."""
    name = pitch_class_name(key.tonic, language)
    for word, sign in ((" sharp", "♯"), (" flat", "♭"), (" double", "")):
        name = name.replace(word, sign)
    return name[0].lower() + name[1:] if key.mode == "minor" else name
