"""What a lesson says of music that does not go by keys: roots and kinds of chords, and no key at all.

The demo stands for such music here: everything that speaks of keys is found in it.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.once import EXAMPLES, make_plan, propose_stops, read, read_score

from understave.engraving import Options
from understave.engraving.annotations import annotate
from understave.engraving.labels import numeral_wording
from understave.findings.cadences import CADENCE
from understave.findings.keyplan import KEY
from understave.findings.motives import MOTIVE
from understave.findings.pedalpoints import PEDAL_POINT
from understave.findings.phrases import PHRASE
from understave.findings.without_keys import NEED_THE_CHORD, keyed_fields, without_keys
from understave.harmony.ground import goes_by_keys
from understave.harmony.reading import Correction, Span
from understave.teaching import story
from understave.teaching.exercises import WITHOUT_KEYS, exercises
from understave.teaching.homework import homework
from understave.teaching.narrative import narrate
from understave.theory.convention_choices import STANDARD, by_roots, following
from understave.theory.key import Key
from understave.theory.names import key_name
from understave.theory.roman import RomanNumeral
from understave.wording import SPOKEN, phrasebook
from understave.wording.telling import key_sentence, tell

SONG = EXAMPLES / "chain-ferry" / "score.musicxml"


@pytest.fixture(scope="module")
def piece():
    score = read_score(SONG)
    reading = read(score)
    return score, replace(reading, events=tuple(without_keys(reading.events)))


@pytest.fixture
def roots():
    with following(STANDARD, roots=True):
        yield


def names_of_keys(reading, language="en"):
    """The names of keys, as no note is called."""
    return {key_name(span.key, language) for span in reading.spans}


def test_events_that_need_keys_are_left_out_and_no_other_names_one(piece):
    _, reading = piece
    whole = read(read_score(SONG))
    for kind in (CADENCE, KEY, PEDAL_POINT):
        assert kind.all(whole.events)
        assert not kind.all(reading.events)
    for kind in (*NEED_THE_CHORD, PHRASE):
        assert len(kind.all(reading.events)) == len(kind.all(whole.events)) > 0
    assert MOTIVE.all(reading.events)
    others = [e for e in reading.events if not any(e in kind for kind in NEED_THE_CHORD)]
    named = [value for e in others for _, value in e.details.as_pairs()]
    assert not [value for value in named if isinstance(value, Key | RomanNumeral)]


def test_fields_that_hold_keys_are_known_by_their_type():
    assert keyed_fields(MOTIVE.details) == {"key": True, "from_key": True}
    assert keyed_fields(CADENCE.details)["key"] is False
    assert keyed_fields(CADENCE.details)["leader"] is True
    assert keyed_fields(PHRASE.details) == {}


def test_a_key_that_the_teacher_set_says_that_there_are_keys():
    spans = [
        Span(Fraction(4 * k), Fraction(4 * k + 4), Key.parse("CG"[k % 2]), RomanNumeral.parse("I"), 0.8)
        for k in range(30)
    ]
    here = ("2", Fraction(1), "3", Fraction(1))
    assert not goes_by_keys(spans)
    assert goes_by_keys(spans, [Correction(*here, Key.parse("C"), None)])
    # A chord is corrected in some key or other.
    assert not goes_by_keys(spans, [Correction(*here, Key.parse("C"), RomanNumeral.parse("V"))])


def test_labels_are_roots_and_kinds_but_for_what_the_teacher_set(roots):
    span = Span(Fraction(0), Fraction(4), Key.parse("d"), RomanNumeral.parse("V65"), 0.8)
    assert numeral_wording(span, True, False).printed == "A7/C♯"
    assert story.label(span, phrasebook("en")) == "A7/C#"
    fixed = replace(span, fixed=True)
    assert numeral_wording(fixed, True, False).printed == "V65"
    assert story.label(fixed, phrasebook("en")) == "⟨V65⟩ in D minor"


def test_no_key_stands_under_the_staves(piece, roots):
    score, reading = piece
    drawn = annotate(reading, Options(), Fraction(0), score.end)
    assert drawn.keys == ()
    with following(STANDARD):
        assert annotate(reading, Options(), Fraction(0), score.end).keys


@pytest.mark.parametrize("language", SPOKEN)
def test_nothing_that_is_told_names_a_key_or_a_numeral(piece, roots, language):
    score, reading = piece
    keys = names_of_keys(reading, language)
    book = phrasebook(language)
    texts = [chapter.text for chapter in narrate(score, reading, "five", "intermediate", language)]
    texts += [t.text for t in tell(score, reading, "intermediate", language)]
    assert len(texts) > 4
    assert key_sentence(score, reading, book) == book.phrases["hardly_keys"]
    told = " ".join(texts).replace(book.phrases["hardly_keys"], "")
    assert not [key for key in keys if key in told]
    assert "⟨" not in told


@pytest.mark.parametrize("level", ["beginner", "advanced"])
def test_exercises_and_homework_ask_for_roots_and_kinds(piece, roots, level):
    score, reading = piece
    found = exercises(score, reading, level)
    assert {e.kind for e in found} <= set(WITHOUT_KEYS)
    assert {"name the chord", "find the foreign note"} <= {e.kind for e in found}
    tasks = homework(score, reading, found, (), level)
    texts = [t for e in found for t in (e.prompt(score), e.answer(score), *e.choice_words(score))]
    texts += [t for task in tasks for t in (task.prompt, task.reason, *task.choices)]
    assert tasks
    assert not [t for t in texts if "⟨" in t or any(key in t for key in names_of_keys(reading))]
    assert not [task for task in tasks if task.sign == "numeral"]


def test_stops_name_no_key(piece, roots):
    score, reading = piece
    stops = propose_stops(score, reading, make_plan(score, reading))
    texts = [t for s in stops for t in (s.title, s.question, s.answer, *s.say.values())]
    assert texts
    assert not [t for t in texts if "⟨" in t or any(key in t for key in names_of_keys(reading))]


def test_they_are_in_force_only_within():
    assert not by_roots()
    with following(STANDARD, roots=True):
        assert by_roots()
        with following(STANDARD):
            assert not by_roots()
        assert by_roots()
    assert not by_roots()
