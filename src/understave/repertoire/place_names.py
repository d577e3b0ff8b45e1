"""What a place that was found is called in the language asked, in the conventions in force.

In: a `Place` as the index has it. Out: its title and its key in words.
"""

from __future__ import annotations

import re
from dataclasses import replace

from understave.repertoire.search import Place
from understave.theory.convention_choices import current
from understave.theory.conventions import BESIDE, key_label, numeral_text, written
from understave.theory.key import Key, Mode
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import phrasebook


def title_of(place: Place, language: Language = "en") -> str:
    """Name a place: ``"Neapolitaner (N6)"``, ``"Tonarten I V I"``."""
    book = phrasebook(language)
    mode = Key.parse(place.key).mode if place.key else None
    if not place.bar_number:
        return f"{book.lanes['keys']} {chords_shown(place.what, mode)}"
    if not place.kind:
        return chords_shown(place.what, mode)
    within = re.fullmatch(r" \((.*)\)", place.what.removeprefix(place.label))
    shown = f" ({chords_shown(within[1], mode)})" if within else ""
    return book.event_name(place.kind, place.label) + shown


def chords_shown(numerals: str, mode: Mode | None = None) -> str:
    """Return numerals of the standard form, with spaces between them, as the conventions in force write them.

    `mode` is that of their key. With functions beside the numerals those follow the whole line.
    """
    try:
        chords = [RomanNumeral.parse(name) for name in numerals.split()]
    except ValueError:
        return numerals  # what a finding of another package calls a chord may be no numeral
    if all(numeral_text(chord, mode) == chord.text for chord in chords):
        return numerals
    labels = [written(chord, mode) for chord in chords]
    if current().functions != "beside":
        return " ".join(label.line for label in labels)
    alone = " ".join(replace(label, beside=None).line for label in labels)
    functions = " ".join((label.beside or label).line for label in labels)
    return f"{alone}{BESIDE}{functions}"


def key_of(place: Place, language: Language = "en") -> str:
    """Name the key of a place: ``"f-Moll"`` for ``"f"``; empty where none was found."""
    return key_label(Key.parse(place.key), language) if place.key else ""
