"""One event in words.

In: an event, its score, a level and a language. Out: its sentences, with numerals between ⟨ and ⟩.
"""

from __future__ import annotations

from collections.abc import Mapping

from understave.harmony.reading import Detail, Event
from understave.score.model import Score
from understave.theory.vocabulary import Language
from understave.wording.gaps import fill
from understave.wording.phrasebook import Level, phrasebook

RESERVED = ("begins", "ends", "where")
"""Values that every event has besides its detail: its first and last moment, and the pair of both."""


def values_of(event: Event) -> Mapping[str, Detail]:
    """Return the values that the gaps of an event's sentence may use; empty words count as absent."""
    own = {name: value for name, value in event.detail if value != "" and value != ()}
    return {"begins": event.start, "ends": event.end, "where": (event.start, event.end), **own}


def can_say(event: Event, language: Language = "en") -> bool:
    """Tell whether there are words for an event's kind and label."""
    return phrasebook(language).entry(event.kind, event.label) is not None


def say(event: Event, score: Score, level: Level = "intermediate", language: Language = "en") -> str:
    """Tell an event in one to three short sentences; raise KeyError if its kind has no words.

    Where it happens is left to the caller, who sets it beside the text.
    """
    return _said(event, score, level, language)


def say_again(event: Event, score: Score, level: Level = "intermediate", language: Language = "en") -> str:
    """Tell an event of a kind explained shortly before: briefly, where there are words for that."""
    entry = phrasebook(language).entry(event.kind, event.label)
    return _said(event, score, "again" if entry and "again" in entry else level, language)


def _said(event: Event, score: Score, form: str, language: Language) -> str:
    book = phrasebook(language)
    entry = book.entry(event.kind, event.label)
    if entry is None:
        raise KeyError(f"{event.kind}.{event.label}")
    return fill(entry[form], values_of(event), score, book, event.kind)


def plain(text: str) -> str:
    """Return a text without the brackets around its numerals."""
    return text.replace("⟨", "").replace("⟩", "")
