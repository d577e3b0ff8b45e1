"""The story of a piece: its order, its choice, its glosses, and what it may rest on."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from tests.findings.build import build, spans_of
from tests.partial import event as made
from tests.wording.readings import EXAMPLES, NAMES, piece

from understave.findings.keyplan import find_keys
from understave.findings.kinds import SURE
from understave.harmony.reading import Reading
from understave.theory.key import Key
from understave.theory.names import key_name
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.roman import RomanNumeral
from understave.wording import LEVELS, SPOKEN, phrasebook, tell
from understave.wording.claiming import is_true
from understave.wording.gaps import place
from understave.wording.telling import MOST, heading_bars, keys_in, passages

F = Fraction


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("level", LEVELS)
def test_sentences_stand_in_order_and_rest_on_notes_of_the_score(name, language, level):
    score, reading = piece(name)
    told = tell(score, reading, level, language)
    assert told
    within = [p for p in told if p.heading != phrasebook(language).headings["piece"]]
    assert [p.start for p in within] == sorted(p.start for p in within)
    for p in within:
        placed = [s for s in p.sentences if s.place]
        assert len(placed) <= MOST[level]
        assert [s.start for s in placed] == sorted(s.start for s in placed)
        assert all(p.start <= s.start < p.end for s in placed)
        assert set(p.notes) <= set(score.note_by_id)
        assert len({s.text for s in p.sentences}) == len(p.sentences)
        assert all(s.place == place(score, s.start, phrasebook(language)) for s in placed)
        assert all(e.confidence >= SURE for s in placed for e in s.events)


@pytest.mark.parametrize("name", NAMES)
def test_headings_name_the_bars_and_keys_of_the_reading(name):
    score, reading = piece(name)
    passages = tell(score, reading)[1:]
    assert len(passages) > 1
    for p in passages:
        keys = " → ".join(key_name(k) for k in keys_in(reading, p.start, p.end))
        assert p.heading.endswith(f" · {keys}")
        assert (p.first_bar, p.last_bar) == heading_bars(score, p.start, p.end)
        assert p.first_bar in p.heading
        assert p.last_bar in p.heading


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("level", LEVELS)
def test_every_term_is_glossed_once_where_it_is_first_used(name, language, level):
    book = phrasebook(language)
    known: set[str] = set()
    for p in tell(*piece(name), level, language):
        used = {g.term for g in book.glosses_in(p.text)}
        glossed = [g.term for g in p.glosses]
        assert len(glossed) == len(set(glossed))
        assert set(glossed) == used - known
        known |= used
    assert known


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_beginner_hears_less_than_an_expert(name):
    words = {level: sum(len(p.text.split()) for p in tell(*piece(name), level)) for level in LEVELS}
    assert words["beginner"] < words["intermediate"] < words["advanced"]
    assert not any("⟨" in p.text for p in tell(*piece(name), "beginner"))


def test_bars_asked_for_are_told_alone():
    score, reading = piece("chain-ferry")
    start, end = score.time_of("9", F(1)), score.time_of("17", F(1))
    told = tell(score, reading, bars=(start, end))
    assert told[0].first_bar == "9"
    assert told[-1].last_bar == "16"
    placed = [s for p in told for s in p.sentences if s.place]
    assert all(s.start < end and s.events[0].end > start for s in placed)
    assert any(s.start >= start for s in placed)


def test_what_began_earlier_and_goes_on_is_told_where_bars_are_asked_for():
    score, reading = piece("lock-water")
    # The dominant pedal point of the examples' analysis lasts from bar 21 to bar 30.
    told = tell(score, reading, "advanced", bars=(score.time_of("25", F(1)), score.time_of("27", F(1))))
    held = [s for p in told for s in p.sentences if s.events[0].kind == "pedal point"]
    assert [s.place for s in held] == ["bar 21, beat 1"]


def test_in_a_bar_asked_for_the_ornaments_are_told_one_by_one():
    score, reading = piece("lock-water")
    start = score.time_of("14", F(1))
    told = tell(score, reading, bars=(start, start + score.measure_at(start).length))
    kinds = [s.events[0].label for p in told for s in p.sentences if s.place]
    assert "passing tone" in kinds


@pytest.mark.parametrize("name", NAMES)
def test_passages_lie_end_to_end(name):
    score, reading = piece(name)
    cuts = passages(score, reading)
    assert cuts[0][0] == 0
    assert cuts[-1][1] == score.end
    assert all(a[1] == b[0] for a, b in pairwise(cuts))


def test_without_phrases_a_passage_has_eight_bars():
    score, reading = piece("lock-water")
    bare = Reading(reading.spans)
    assert [score.measure_at(start).number for start, _ in passages(score, bare)] == [
        "1",
        "9",
        "17",
        "25",
        "33",
    ]
    assert tell(score, bare)[0].sentences[0].text.startswith("The piece begins in E flat major")


def test_a_short_phrase_is_counted_in_bars_of_its_own_meter():
    """A bar of 2/4 and one of 4/4 are two bars (any handbook on meter), and too few for a passage."""
    score, reading = build("C5:2 | C5:2 | C5:2 | C5:2 | C5:2 | C5:2 | C5:2", meter="2/4"), Reading(())
    bars = zip(score.measures, (0, 2, 6, 10), (2, 4, 4, 4), strict=False)
    changed = tuple(replace(m, start=F(at), length=F(beats), beats=beats) for m, at, beats in bars)
    phrases = tuple(made("phrase", "phrase", a, b) for a, b in ((0, 6), (6, 14)))
    assert passages(replace(score, measures=changed), replace(reading, events=phrases)) == ((0, 14),)
    assert len(passages(score, replace(reading, events=phrases))) == 2


def test_what_is_rare_comes_before_what_is_common():
    score, reading = piece("lock-water")
    one = next(
        e
        for e in reading.events
        if e.label == "suspension" and is_true(e, score, reading.spans, ("beginner",)) and e.start > 0
    )
    common, at = [one] * 3, one.start
    # What the notes deny would not be told at all: the key is the one that is read there.
    key = next(span.key for span in reading.spans if span.start <= at < span.end)
    moved = made("key", "home", at, at + 1, (), 1.0, (("key", key),))
    told = tell(score, Reading(reading.spans, (*common, moved)), "beginner")
    kinds = [s.events[0].kind for p in told for s in p.sentences if s.place]
    assert moved.kind in kinds
    # Of three suspensions a beginner hears one; the others are counted.
    assert kinds.count("non-chord tone") == 1


@pytest.mark.parametrize(("third", "chord", "told"), [("F4", "ii:4", True), ("F#4", "V7/V:4", False)])
def test_a_key_is_touched_where_its_tonic_sounds(third, chord, told):
    """Applied chords that go on as a dominant elsewhere only point to D minor (Hutchinson, chapter 22)."""
    last = "A4" if told else "C5"
    score = build(
        f"G4:4 | Bb4:2 A4:2 | {last}:4 | B4:4 | C5:4",
        f"E4:4 | G4:4 | {third}:4 | D4:4 | E4:4",
        "C4:4 | E4:4 | D4:4 | G3:4 | G3:4",
        "C3:4 | C#3:4 | D3:4 | G2:4 | C3:4",
    )
    spans = spans_of(score, f"C: I:4 viio7/ii:2 V65/ii:2 {chord} V:4 I:4")
    touched = [e for e in find_keys(score, spans) if e.label == "tonicization"]
    assert [is_true(e, score, spans) for e in touched] == [told]


@pytest.mark.parametrize(("bass", "told"), [("E3", True), ("C#3", False)])
def test_a_leading_tone_is_drawn_where_it_is_no_fifth(bass, told):
    """Over C sharp G sharp is the fifth of a seventh chord: nothing draws it to A (common practice)."""
    score = build("B4:4 | A4:4", "G#4:4 | A4:4", "E4:4 | E4:4", f"{bass}:4 | A2:4")
    values = {"key": Key.parse("a"), "chord": RomanNumeral.parse("V"), "pitch": Pitch.parse("G#4")}
    values |= {"aim": PitchClass.parse("A"), "direction": "up", "met": 1}
    drawn = made("tension", "expectation", F(0), F(4), (), 1.0, values.items())
    assert is_true(drawn, score, spans_of(score, "a: V:4 i:4")) == told


@pytest.mark.parametrize(("fifth", "told"), [("A4", True), ("C5", False)])
def test_a_bass_is_drawn_where_no_fifth_stands_on_it(fifth, told):
    """F under its fifth is a root, as steady as any (common practice, no source)."""
    score = build(f"{fifth}:4 | G4:4", "D4:4 | E4:4", "B3:4 | C4:4", "F3:4 | E3:4")
    values = {"key": Key.parse("C"), "chord": RomanNumeral.parse("V42"), "pitch": Pitch.parse("F3")}
    values |= {"aim": PitchClass.parse("E"), "direction": "down"}
    drawn = made("tension", "bass", F(0), F(4), (), 1.0, values.items())
    assert is_true(drawn, score, spans_of(score, "C: V42:4 I6:4")) == told


@pytest.mark.parametrize(("chords", "told"), [("IV:4", False), ("IV:2 I:2", True)])
def test_home_returns_with_its_tonic(chords, told):
    """One chord that home has too brings nobody home. Common practice, no source."""
    score = build(
        "E5:4 | E5:4 | D5:4 | F#5:4 | A5:2 G5:2 | D5:4 | D5:4",
        "C5:4 | C5:4 | B4:4 | A4:4 | C5:2 E5:2 | C5:4 | B4:4",
        "C3:4 | C3:4 | G2:4 | D3:4 | F3:2 C3:2 | D3:4 | G2:4",
    )
    spans = spans_of(score, f"C: I:8 G: I:4 V:4 C: {chords} G: V:4 I:4")
    home = [e for e in find_keys(score, spans) if e.kind == "key" and e.start == 16]
    assert [is_true(e, score, spans) for e in home] == [told]
