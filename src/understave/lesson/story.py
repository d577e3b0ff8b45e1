"""What is worth telling about a reading, in a teacher's plain words.

In: a Score, its Reading and a language. Out: the plan of keys, the points to stop at and the places to
check, each tied to its span and so to its notes. Nothing here is said that the reading does not say; the
words come from `understave.wording`.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from understave.harmony.reading import Alternative, Reading, Span
from understave.score.model import Score
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
    "key_plan",
    "label",
    "plain",
    "points",
    "short_key",
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


def _scale_with_leading_tone(key: Key) -> frozenset[PitchClass]:
    notes = set(key.scale)
    if key.mode == "minor":
        # The raised sixth and seventh belong to minor as players know it (common practice, no source).
        notes |= {PitchClass.from_fifths(key.tonic.fifths + 3), PitchClass.from_fifths(key.tonic.fifths + 5)}
    return frozenset(notes)


def foreign_to_key(span: Span) -> list[PitchClass]:
    """Return the members of a chord that are not in its key, with what minor raises counted as its own."""
    inside = _scale_with_leading_tone(span.key)
    return [m for m in span.numeral.chord(span.key).members if m not in inside]


def label(item: Span | Alternative, book: Phrasebook) -> str:
    """Name a chord and its key in one phrase: ``⟨V65/V⟩ in F minor``.

    The brackets mark a numeral, so that a page can stack its figures; `plain` takes them out.
    """
    return book.phrases["label"].format(numeral=item.numeral, key=key_name(item.key, book.language))


def points(score: Score, reading: Reading, language: Language = "en", at_most: int = 8) -> tuple[Point, ...]:
    """Choose the chords most worth a stop: rare devices first, then spread over the piece."""
    book = phrasebook(language)
    found = [(s, d) for s in reading.spans if (d := device_of(s))]
    chosen: list[tuple[Span, str]] = []
    for device in DEVICE_ORDER:
        of_kind = sorted((s for s, d in found if d == device), key=lambda s: (-s.confidence, s.start))
        limit = 1 if device in ("applied", "suspended", "cadential", "diminished-seventh") else 2
        chosen += [(s, device) for s in of_kind[:limit]]
    chosen = sorted(chosen[:at_most], key=lambda pair: pair[0].start)
    following = {s.start: s for s in reading.spans}
    return tuple(_point(score, s, d, following.get(s.end), book) for s, d in chosen)


def _point(score: Score, span: Span, device: str, following: Span | None, book: Phrasebook) -> Point:
    chord = span.numeral.chord(span.key)
    language, words = book.language, book.phrases
    sentences = [
        words["point_words"].format(words=chord_words(span.numeral, book)),
        words["point_notes"].format(
            members=book.join([pitch_class_name(m, language) for m in chord.members]),
            bass=pitch_class_name(chord.bass, language),
        ),
    ]
    outside = [pitch_class_name(m, language) for m in foreign_to_key(span)]
    if outside:
        form = words["point_outside_many" if len(outside) > 1 else "point_outside_one"]
        sentences.append(form.format(notes=book.join(outside), key=key_name(span.key, language)))
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
    """Return the first of the spans worth checking (`Reading.to_check`), least certain first."""
    book = phrasebook(language)
    first = (reading.spans[k] for k in reading.to_check()[:at_most])
    return tuple(Doubt(span, _doubt(score, span, book)) for span in first)


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
    return tuple(sorted(found.values(), key=lambda g: _alphabetical(g.term)))


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
