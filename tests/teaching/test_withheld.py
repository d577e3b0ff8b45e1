"""What tells an answer: numerals, keys, notes and terms, in three languages; what is asked stays open."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from tests.once import make_plan, propose_stops, read, read_score

from understave.teaching.exercises import exercises
from understave.teaching.narrative import narrate
from understave.teaching.withheld import asked_at, asked_by, open_story, said, tells, untold

SCORE = Path(__file__).resolve().parents[2] / "examples" / "chain-ferry" / "score.musicxml"


@pytest.fixture(scope="module")
def piece():
    score = read_score(SCORE)
    reading = read(score)
    return score, reading, propose_stops(score, reading, make_plan(score, reading), minutes=10)


@pytest.mark.parametrize(
    ("text", "language", "found"),
    [
        ("A chord on A flat, with A in the bass.", "en", {"note A flat"}),
        ("C, E flat and A.", "en", {"note C", "note E flat", "note A"}),
        ("It turns to ⟨V65/V⟩ in F minor.", "en", {"⟨V65/V⟩", "f minor"}),
        ("As-Dur, dann Es und H.", "de", {"as-dur", "note Es", "note H"}),
        ("la note si bémol, la bémol et la.", "fr", {"note si bémol", "note la bémol", "note la"}),
        ("si la musique va à la tonique", "fr", set()),
    ],
)
def test_what_a_text_says(text, language, found):
    names = {w for w in said(text, language) if w.startswith(("note ", "⟨")) or w in found}
    # "A" before a plain word is an article.
    assert names - {"note A"} == found - {"note A"}
    assert ("note A" in names) == ("note A" in found)


def test_terms_are_told():
    assert "half cadence" in said("It is a half cadence.", "en")


def test_an_answer_is_told_only_of_its_own_bars(piece):
    score, _, stops = piece
    stop = next(s for s in stops if s.question and asked_at(score, s, "en").back)
    asked = asked_at(score, stop, "en")
    assert tells(score, stop.answer, asked.start, asked.end, asked, "en")
    assert not tells(score, stop.question, asked.start, asked.end, asked, "en")
    away = next(m for m in score.measures if m.start >= asked.end or m.end <= asked.start)
    assert not tells(score, stop.answer, away.start, away.end, asked, "en")
    # Said elsewhere of these bars by their number, it is told all the same.
    number = score.measures[stop.first].number
    assert tells(score, f"{stop.answer} So it was in bar {number}.", away.start, away.end, asked, "en")


def test_the_story_leaves_out_what_is_asked_and_keeps_the_rest(piece):
    score, reading, stops = piece
    story = narrate(score, reading, "whole")
    asked = [asked_at(score, s, "en") for s in stops]
    told = open_story(score, story, asked, "en", 2000)
    before, after = (sum(len(c.lines) for c in chapters) for chapters in (story, told))
    assert 0.3 * before < after < before
    for chapter in told:
        for line in chapter.lines:
            for a in asked:
                assert not (line.place and any(e in a.events for e in line.events))
    planted = replace(
        story[1], lines=(replace(story[1].lines[0], text=stops[0].answer, start=stops[0].moment),)
    )
    assert stops[0].answer not in " ".join(c.text for c in open_story(score, (planted,), asked, "en", 2000))
    assert sum(len(c.text.split()) for c in open_story(score, story, asked, "en", 100)) <= 100
    assert open_story(score, story, (), "en", 2000) == story


def test_of_two_exercises_that_tell_each_other_the_first_stays(piece):
    score, reading, _ = piece
    found = exercises(score, reading, "intermediate")
    name = next(e for e in found if e.kind == "name the chord")
    foreign = next(e for e in found if e.kind == "find the foreign note")
    # "At bar 31 stands ... in F minor" would answer what chord stands there.
    teller = replace(
        foreign,
        start=name.start,
        end=name.end,
        first=name.first,
        last=name.last,
        details=replace(foreign.details, at=name.start, chord=name.details.chord, key=name.details.key),
    )
    assert [e.kind for e in untold(score, (name, teller), (), "en")] == ["name the chord"]
    assert [e.step for e in untold(score, (name, foreign), (), "en")] == [1, 2]


def test_what_breaks_off_is_not_printed_whole_beside_it(piece):
    score, reading, stops = piece
    found = exercises(score, reading, "intermediate")
    broken = next(e for e in found if e.kind == "resolve the dissonance")
    last = score.measure_at(broken.end).index
    showing = replace(stops[0], first=last, last=last, question="", answer="", events=(), moment=Fraction(0))
    assert untold(score, (broken,), (), "en")
    assert untold(score, (broken,), (showing,), "en") == ()


def test_of_a_choice_the_right_one_is_kept_back(piece):
    score, reading, _ = piece
    heard = next(e for e in exercises(score, reading, "intermediate") if e.correct is not None)
    right = heard.choice_words(score, "en")[heard.correct]
    assert asked_by(score, heard, "en").back == said(right, "en") != frozenset()
