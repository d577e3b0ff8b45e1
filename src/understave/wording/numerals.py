"""Chords in plain words, and numerals as a line of plain text can show them.

In: a Roman numeral and a language's words. Out: a phrase such as ``the dominant seventh of the dominant,
in first inversion`` in the nominative; English has its article, German none. English comes from
`theory.numeral_words`, other languages from their own tables.
"""

from __future__ import annotations

import re

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


def _shown(mark: re.Match[str]) -> str:
    try:
        return written(RomanNumeral.parse(mark[1])).line
    except ValueError:
        return mark[0]


def chord_words(n: RomanNumeral, book: Phrasebook) -> str:
    """Return a chord in words; root position is not mentioned."""
    if "on" not in book.numerals:
        return numeral_words(n)
    phrase = _chord(n, book)
    for target in n.applied:
        phrase += " " + book.numerals["to"].format(degree=_degree(target, book))
    usual = {"N": 1, "Cad": 2}.get(n.special, usual_inversion(n.quality)) if n.special else 0
    if n.inversion != usual:
        phrase += ", " + book.numerals["inversions"][n.inversion]
    return phrase


def _chord(n: RomanNumeral, book: Phrasebook) -> str:
    if n.special:
        return str(book.numerals["special"][n.special])
    quality = quality_name(n.quality, book.language)
    named = n.degree == 5 and n.alter == 0 and n.quality.value.startswith("dominant")
    if named and n.quality.value != "dominant7sus4":
        return quality
    return str(book.numerals["on"].format(quality=quality, degree=_degree(n, book)))


def _degree(n: RomanNumeral, book: Phrasebook) -> str:
    if n.special == "N":
        return str(book.numerals["neapolitan"])
    bend = {-1: "lowered ", 1: "raised "}.get(n.alter, "")
    return str(book.numerals["degrees"][bend + str(n.degree)])
