"""Flash cards: every one has a question and an answer, and the table is CSV as RFC 4180 describes it."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from tests.once import make_plan, propose_stops, read, read_score

from understave.media.cards import card_pictures, flash_cards
from understave.media.cards_csv import COLUMNS, Card, cards_csv
from understave.teaching import story
from understave.teaching.exercises import exercises
from understave.wording import phrasebook

SCORE = Path(__file__).resolve().parents[2] / "examples" / "lock-water" / "score.musicxml"


@pytest.fixture(scope="module")
def piece():
    score = read_score(SCORE)
    reading = read(score)
    return score, reading, make_plan(score, reading)


@pytest.mark.parametrize("language", ["en", "de"])
def test_exercises_stops_and_terms_become_cards(piece, language):
    score, reading, plan = piece
    asked = exercises(score, reading, "intermediate")
    stops = propose_stops(score, reading, plan, minutes=10, language=language)
    terms = story.glossary(["half cadence", "Halbschluss"], phrasebook(language))
    made = flash_cards(score, asked, stops, terms, language, {asked[-1].step: "cards/1.png"})
    assert all(c.question and c.answer and c.question != c.answer for c in made)
    assert not any(mark in c.question + c.answer for c in made for mark in "⟨⟩{}")
    seen = sum(e.kind != "hear and choose" for e in asked)
    assert len(made) == seen + sum(bool(s.question and s.answer) for s in stops) + len(terms)
    assert terms
    assert [c.picture for c in made].count("cards/1.png") == 1
    assert all(" " not in tag for c in made for tag in c.tags)


def test_every_exercise_and_stop_has_its_picture_without_numerals(piece):
    score, reading, plan = piece
    asked = exercises(score, reading, "intermediate")
    stops = propose_stops(score, reading, plan, minutes=5)
    paths, drawn = card_pictures(score, asked, stops)
    made = flash_cards(score, asked, stops, (), "en", paths)
    assert {c.picture for c in made} == set(drawn)
    assert len(drawn) == len(made) > 5
    assert not any('class="numeral"' in svg for svg in drawn.values())


def test_the_table_reads_back_as_it_was():
    cards = (Card('Which note, "A" or B?', "B,\nof course", "x.png", ("a", "b")), Card("é", "♭"))
    rows = list(csv.reader(io.StringIO(cards_csv(cards), newline="")))
    assert tuple(rows[0]) == COLUMNS
    assert rows[1] == ['Which note, "A" or B?', "B,\nof course", "x.png", "a b"]
    assert rows[2] == ["é", "♭", "", ""]
