"""What a place that was found is called in the language asked.

In: a `Place` as the index has it. Out: its title and its key in words.
"""

from __future__ import annotations

from understave.repertoire.search import Place
from understave.theory.key import Key
from understave.theory.names import key_name
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import phrasebook


def title_of(place: Place, language: Language = "en") -> str:
    """Name a place: ``"Neapolitaner (N6)"``, ``"Tonarten I V I"``; chords are the same in each."""
    book = phrasebook(language)
    if not place.bar_number:
        return f"{book.lanes['keys']} {place.what}"
    if not place.kind:
        return place.what
    return book.event_name(place.kind, place.label) + place.what.removeprefix(place.label)


def key_of(place: Place, language: Language = "en") -> str:
    """Name the key of a place: ``"f-Moll"`` for ``"f"``; empty where none was found."""
    return key_name(Key.parse(place.key), language) if place.key else ""
