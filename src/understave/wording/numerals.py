"""Chords in plain words, and numerals as a line of plain text can show them.

In: a Roman numeral and a language's words. Out: a phrase such as ``the dominant seventh of the dominant,
in first inversion`` in the nominative; English has its article, German none. English comes from
`theory.numeral_words`, other languages from their own tables.
"""

from __future__ import annotations

import re
from typing import TypedDict

from understave.theory.chord import usual_inversion
from understave.theory.conventions import written
from understave.theory.names import quality_name
from understave.theory.numeral_words import numeral_words
from understave.theory.roman import RomanNumeral
from understave.wording.phrasebook import Phrasebook


def in_a_line(text: str) -> str:
    """Return a text with its marked numerals as plain text shows them: ⟨viio65/V⟩ as ``vii°⁶₅/V``, or as the
    conventions in force write it.

    What someone else put between the brackets (in a title, a note of the teacher's) stands as it is.
    """
    return re.sub("⟨([^⟩]*)⟩", _shown, text)


class Parts(TypedDict):
    """How a numeral is set: head, figures from top to bottom, what it applies to."""

    head: str
    figures: tuple[str, ...]
    target: str


def numeral_table(text: str) -> dict[str, Parts]:
    """Return how each numeral that is marked in a text is set.

    What someone else put between the brackets and is no numeral is set as it stands.
    """
    table: dict[str, Parts] = {}
    for mark in sorted(set(re.findall("⟨[^⟩]*⟩", text))):
        try:
            head, figures, target = written(RomanNumeral.parse(mark[1:-1])).flat
        except ValueError:
            head, figures, target = mark, (), ""
        table[mark] = {"head": head, "figures": tuple(figures), "target": target}
    return table


def _shown(mark: re.Match[str]) -> str:
    try:
        return written(RomanNumeral.parse(mark[1])).line
    except ValueError:
        return mark[0]


def chord_words(numeral: RomanNumeral, book: Phrasebook) -> str:
    """Return a chord in words; root position is not mentioned."""
    if "on" not in book.numerals:
        return numeral_words(numeral)
    phrase = _chord(numeral, book)
    for target in numeral.applied:
        phrase += " " + book.numerals["to"].format(degree=_degree(target, book))
    usual = (
        {"N": 1, "Cad": 2}.get(numeral.special, usual_inversion(numeral.quality)) if numeral.special else 0
    )
    if numeral.inversion != usual:
        phrase += ", " + book.numerals["inversions"][numeral.inversion]
    return phrase


def _chord(numeral: RomanNumeral, book: Phrasebook) -> str:
    if numeral.special:
        return str(book.numerals["special"][numeral.special])
    quality = quality_name(numeral.quality, book.language)
    named = numeral.degree == 5 and numeral.alter == 0 and numeral.quality.value.startswith("dominant")
    if named and numeral.quality.value != "dominant7sus4":
        return quality
    return str(book.numerals["on"].format(quality=quality, degree=_degree(numeral, book)))


def _degree(numeral: RomanNumeral, book: Phrasebook) -> str:
    if numeral.special == "N":
        return str(book.numerals["neapolitan"])
    bend = {-1: "lowered ", 1: "raised "}.get(numeral.alter, "")
    return str(book.numerals["degrees"][bend + str(numeral.degree)])
