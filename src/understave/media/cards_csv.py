"""Flash cards as a table: one question and its answer a row, for any program that learns by heart.

In: `Card`s (`media.cards` makes them). Out: CSV text (RFC 4180, UTF-8) with a header row.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from understave.export.spreadsheet import csv_text
from understave.theory.vocabulary import Language
from understave.wording import phrasebook

COLUMNS = ("question", "answer", "picture", "tags")
"""The columns, in order; a language heads them with its own words."""


@dataclass(frozen=True, slots=True)
class Card:
    """A question with its answer; `picture` is the path of an excerpt or empty; `tags` are single words."""

    question: str
    answer: str
    picture: str = ""
    tags: tuple[str, ...] = ()


def cards_csv(cards: Iterable[Card], language: Language = "en") -> str:
    """Return one row a card; tags stand side by side, parted by spaces."""
    rows = ((card.question, card.answer, card.picture, " ".join(card.tags)) for card in cards)
    head = tuple(phrasebook(language).columns[name] for name in COLUMNS)
    return csv_text((head, *rows), "\r\n", language)
