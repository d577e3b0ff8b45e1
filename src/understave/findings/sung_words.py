"""A song and a moment -> the words that are sung there, so that a story can point by them.

A teacher points by the singer's words where there are any ("at the words ...", common practice, no source).
Of several verses the first is meant.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from understave.findings.remembered import remembered
from understave.score.model import Note, Score

_MOST = 4
"""Words that are quoted at most (set by ear)."""
_STOPS = ".,;:!?…—–"
_FEWEST_LETTERS = 4
_FEWEST = 2
"""Words that stay at least when short ones are left out at the end, and the first is short too."""


@dataclass(frozen=True, slots=True)
class Word:
    """A word as it is sung: from its first syllable to the end of its last, its signs with it."""

    text: str
    start: Fraction
    end: Fraction


@remembered
def words_of(score: Score) -> tuple[Word, ...]:
    """Return the words of the first part that has any, in order."""
    return _words_in(score, 0)


def _sung(score: Score, line: int) -> list[Note]:
    """Return the notes of the first part that has words which have some in a line under the staff."""
    sung = [note for note in score.notes if note.lyrics and not note.cue]
    first = next((note.part for note in sung if note.lyrics[0].strip()), None)
    return [n for n in sung if n.part == first and len(n.lyrics) > line and n.lyrics[line].strip()]


def _words_in(score: Score, line: int) -> tuple[Word, ...]:
    found: list[Word] = []
    open_word: Word | None = None
    for note in _sung(score, line):
        # A rest of a hyphen within what is printed under one note is no end of a word.
        text = re.sub(r"\s*[-–]\s+", "", note.lyrics[line].replace("\xa0", " ")).strip()
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


def stanzas_of(score: Score) -> tuple[str, ...]:
    """Return how the stanzas begin that are printed under the same bars, four words of each, ``""`` where one
    begins before the note on which the first does; empty for a single stanza.

    Lines under bars without a repeat sign may be the words in another language, and are no stanzas.
    """
    last = max((bar.index for bar in score.measures if bar.repeat_end), default=-1)
    first = max((bar.index for bar in score.measures[: last + 1] if bar.repeat_start), default=0)
    sung = _sung(score, 0)
    repeated = [note for note in sung if first <= note.measure <= last]
    if not repeated or len(repeated) < _MOSTLY * len(sung):
        return ()
    lines = [_sung(score, k) for k in range(max(len(note.lyrics) for note in sung))]
    whole = [k for k, line in enumerate(lines) if len(line) >= _MOSTLY * len(sung)]
    begun = [_shortened(" ".join(w.text for w in _words_in(score, k)[:_MOST])) + " …" for k in whole]
    if len(set(begun)) < len(begun) or len(begun) < _FEWEST:
        return ()
    return tuple(text if lines[k][0] == sung[0] else "" for k, text in zip(whole, begun, strict=True))


def _shortened(text: str) -> str:
    """Return quoted words without the number of a stanza before them and the signs around them."""
    return re.sub(r"^\d+\s*[.)]?\s+", "", text.replace(_ELISION, " ").strip(_STOPS + ' "“”„«»'))


_MOSTLY = 0.7
"""Share of the sung notes that stand under the repeat, and that each line has words for (set by ear)."""
_ELISION = "\u203f"
"""Ties two syllables under one note (MusicXML 4.0, elision); in a sentence they are two words."""


def upbeat_to(score: Score, moment: Fraction) -> Fraction:
    """Return where the words begin that lead without a rest into those at a moment, at most half a bar
    before it; the moment itself where none do.
    """
    earliest = moment - score.measure_at(moment).full_length / 2
    begun = moment
    for word in reversed(words_of(score)):
        if word.end < begun or word.start < earliest:
            break
        begun = min(begun, word.start)
    return begun


def words_at(score: Score, moment: Fraction, end: Fraction | None = None) -> str:
    """Return what is sung from a moment on: to the next stop, four words at most; ``""`` for none.

    Where several words are cut short an ellipsis follows, and no very short word stands before it.
    The first word is under way at the moment or begins within a bar of it, and, where what is pointed at has
    an `end`, before that or within a beat: a prelude is not at the words that follow it. The words after the
    first are all sung by that end, for what lasts so long is said to be with them.
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
        if len(said) == _MOST or (said and end is not None and words[i].end > end):
            cut = True
            break
        said.append(words[i].text)
    fewest = _FEWEST if len(said[0]) < _FEWEST_LETTERS else 1
    while cut and len(said) > fewest and len(said[-1]) < _FEWEST_LETTERS:
        said.pop()  # no quotation ends on "et je"
    text = _shortened(" ".join(said))
    if sum(letter.isalpha() for letter in text) < _FEWEST_LETTERS:
        return ""
    return f"{text} …" if cut and len(said) > 1 else text
