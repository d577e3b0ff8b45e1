"""A song and a moment -> the words that are sung there, so that a story can point by them.

A teacher points by the singer's words where there are any ("at the words ...", common practice, no source).
Of several verses the first is meant.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from understave.findings.remembered import remembered
from understave.score.model import Score

_MOST = 4
"""Words that are quoted at most (set by ear)."""
_STOPS = ".,;:!?…—–"
_FEWEST_LETTERS = 4
_FEWEST = 2
"""Words that stay at least when short ones are left out at the end."""


@dataclass(frozen=True, slots=True)
class Word:
    """A word as it is sung: from its first syllable to the end of its last, its signs with it."""

    text: str
    start: Fraction
    end: Fraction


@remembered
def words_of(score: Score) -> tuple[Word, ...]:
    """Return the words of the first part that has any, in order."""
    sung = [note for note in score.notes if note.lyrics and note.lyrics[0].strip() and not note.cue]
    found: list[Word] = []
    open_word: Word | None = None
    for note in sung:
        if note.part != sung[0].part:
            continue
        # A rest of a hyphen within what is printed under one note is no end of a word.
        text = re.sub(r"\s*[-–]\s+", "", note.lyrics[0].replace("\xa0", " ")).strip()
        goes_on = text.endswith("-") and len(text) > 1
        text = text[:-1] if goes_on else text
        if open_word is None:
            open_word = Word(text, note.onset, note.end)
        else:
            open_word = Word(open_word.text + text, open_word.start, note.end)
        if not goes_on:
            found.append(open_word)
            open_word = None
    return tuple(found)


_ELISION = "\u203f"
"""Ties two syllables under one note (MusicXML 4.0, elision); in a sentence they are two words."""


def words_at(score: Score, moment: Fraction, end: Fraction | None = None) -> str:
    """Return what is sung from a moment on: to the next stop, four words at most; ``""`` for none.

    Where it is cut short an ellipsis follows, and no very short word stands before it.
    The first word is under way at the moment or begins within a bar of it, and, where what is pointed at has
    an `end`, before that or within a beat: a prelude is not at the words that follow it.
    """
    bar = score.measure_at(moment).full_length
    words = words_of(score)
    first = next((i for i, word in enumerate(words) if word.end > moment), None)
    beat = score.measure_at(moment).beat_length
    latest = moment + bar if end is None else min(moment + bar, max(end, moment + beat))
    if first is None or words[first].start >= latest:
        return ""
    said: list[str] = []
    cut = False
    for i in range(first, len(words)):
        if said and (said[-1][-1] in _STOPS or words[i].start - words[i - 1].end >= bar):
            break
        if len(said) == _MOST:
            cut = True
            break
        said.append(words[i].text)
    while cut and len(said) > _FEWEST and len(said[-1]) < _FEWEST_LETTERS:
        said.pop()  # no quotation ends on "et je"
    text = " ".join(said).replace(_ELISION, " ").strip(_STOPS + " ")
    if sum(letter.isalpha() for letter in text) < _FEWEST_LETTERS:
        return ""
    return f"{text} …" if cut else text
