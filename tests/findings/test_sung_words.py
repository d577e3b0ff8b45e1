"""The singer's words at a moment: common practice of those who teach songs, no source; the words are ours."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.claims.by_hand import SUNG
from tests.findings.build import build, spans_of

from understave.findings import find_events
from understave.findings.sung_words import words_at, words_of
from understave.harmony.reading import Reading
from understave.teaching.narrative import narrate
from understave.wording.phrasebook import SPOKEN


def test_syllables_are_joined_to_words():
    assert [word.text for word in words_of(SUNG)] == ["Die", "Fähre", "ruht,", "ruht.", "Still"]
    assert [(word.start, word.end) for word in words_of(SUNG)][1] == (2, 6)


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        (0, "Die Fähre ruht"),
        (2, "Fähre ruht"),
        (5, "Fähre ruht"),
        (8, "ruht"),
        (12, ""),
        (13, "Still"),
        (20, ""),
    ],
)
def test_words_go_from_the_one_under_way_to_the_next_stop(moment, words):
    assert words_at(SUNG, Fraction(moment)) == words


@pytest.mark.parametrize(("end", "words"), [(14, ""), (16, ""), (17, "Still")])
def test_what_is_over_before_a_word_is_not_at_it(end, words):
    """What lasts from 13 to 16 leads to the word of 16, and is not at it (common practice, no source)."""
    assert words_at(SUNG, Fraction(13), Fraction(end)) == words


@pytest.mark.parametrize(
    ("moment", "end", "words"),
    [(0, 8, "Die Fähre ruht"), (0, 6, "Die Fähre …"), (2, 7, "Fähre"), (4, 5, "Fähre"), (0, 4, "")],
)
def test_what_is_sung_after_the_end_is_not_quoted(moment, end, words):
    """A tune that stays on one note does so with the words on that note (common practice, no source)."""
    assert words_at(SUNG, Fraction(moment), Fraction(end)) == words


def test_no_quotation_ends_on_a_short_word_after_a_long_one():
    """After "Ruder" an "im" begins what is not quoted (common practice, no source)."""
    words = {"Die": "Ruder", "Fäh-": "im", "re": "", "ruht,": "Boot"}
    notes = (replace(n, lyrics=tuple(words.get(text, text) for text in n.lyrics)) for n in SUNG.notes)
    assert words_at(replace(SUNG, notes=tuple(notes)), Fraction(0), Fraction(5)) == "Ruder"


def test_two_words_under_one_note_are_two_words():
    """MusicXML 4.0, elision: the undertie joins syllables on one note; it is no letter."""
    first, *others = SUNG.notes
    tied = replace(SUNG, notes=(replace(first, lyrics=("La\u203fonde",)), *others))
    assert words_at(tied, Fraction(0)).startswith("La onde")


def song() -> tuple:
    tune = "G5:2 E5:1 F5 | D5:2 F5 | E5:3 G5:1 | A5:2 C6 | B5:2 G5 | E5:4 | D5:2 B4 | C5:4"
    low = " | ".join(["C3:1/2 G3 E4 G3 C3 G3 E4 G3"] * 8)
    score = build(tune, f"staff2 {low}")
    text = iter(
        [
            "Still",
            "liegt",
            "der",
            "Fluss.",
            "Kein",
            "Ruder",
            "schlägt,",
            "kein",
            "Vogel",
            "ruft,",
            "und",
            "aus",
            "dem",
            "Schilf",
        ]
    )
    notes = [
        replace(note, part=0, lyrics=(word,))
        if note.staff == 1 and (word := next(text, ""))
        else replace(note, part=note.staff - 1)
        for note in score.notes
    ]
    score = replace(score, notes=tuple(notes))
    spans = spans_of(score, "C: I:4 V7:4 I:4 IV:4 V7/V:4 I:4 V7:4 I:4")
    return score, Reading(spans, find_events(score, spans))


@pytest.mark.parametrize(("language", "pointing"), [("en", "the word"), ("de", "Wort"), ("fr", "mot")])
def test_a_story_points_by_the_words(language, pointing):
    assert language in SPOKEN
    score, reading = song()
    told = " ".join(chapter.text for chapter in narrate(score, reading, "whole", language=language))
    assert pointing in told
    assert any(word.text.strip(",.") in told for word in words_of(score))
