"""Sentences that once said too much, or what the notes do not say.

What a teacher calls a modulation, a sequence or a section is common practice; a dotted quarter as the beat of
6/8 is the rule of any handbook (no source).
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.partial import event as made

from understave.findings.catalogue import weight
from understave.harmony.reading import Detail, Event, Reading, Span
from understave.score.model import Measure, Score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch
from understave.theory.roman import RomanNumeral
from understave.wording import phrasebook, say, tell
from understave.wording.gaps import place
from understave.wording.sentences import say_again
from understave.wording.telling import key_sentence

F = Fraction


def score_of(bars: int, beats: int = 4, beat_type: int = 4) -> Score:
    length = F(4 * beats, beat_type)
    measures = tuple(
        Measure(f"m{i}", i, str(i + 1), length * i, length, beats, beat_type, 0) for i in range(bars)
    )
    return Score("", "", (), measures, ())


def event(kind: str, label: str, start: int, end: int, **detail: Detail) -> Event:
    return made(kind, label, F(start), F(end), (), 0.9, tuple(detail.items()))


@pytest.mark.parametrize(
    ("meter", "time", "english", "german"),
    [
        ((6, 8), F(3) + F(1), "bar 2, eighth note 3", "Takt 2, Achtel 3"),
        ((6, 8), F(3) + F(5, 2), "bar 2, eighth note 6", "Takt 2, Achtel 6"),
        ((6, 8), F(9, 2), "bar 2, beat 2", "Takt 2, Zählzeit 2"),
        ((12, 8), F(2), "bar 1, eighth note 5", "Takt 1, Achtel 5"),
        ((4, 4), F(2, 3), "bar 1, beat 1 2/3", "Takt 1, Zählzeit 1 2/3"),
        ((3, 4), F(1, 2), "bar 1, beat 1.5", "Takt 1, Zählzeit 1,5"),
    ],
)
def test_within_a_dotted_beat_eighths_are_counted(meter, time, english, german):
    score = score_of(3, *meter)
    assert place(score, time, phrasebook("en")) == english
    assert place(score, time, phrasebook("de")) == german


def test_two_statements_are_a_repetition_not_a_sequence():
    twice = event(
        "sequence",
        "falling",
        0,
        8,
        statements=2,
        interval=Interval.parse("-M2"),
        imitation="exact",
        model_start=F(0),
        model_end=F(4),
    )
    assert say(twice, score_of(3)) == ("What began in bar 1 is repeated from bar 2 on, a major second lower.")
    for level in ("beginner", "intermediate", "advanced"):
        assert "sequence" not in say(twice, score_of(3), level).lower()
        assert "Sequenz" not in say(twice, score_of(3), level, "de")
    thrice = event("sequence", "falling", 0, 12, statements=3)
    assert weight(twice) < weight(thrice)


def test_a_key_without_a_cadence_is_not_said_to_be_reached():
    turned = event("key", "modulation", 0, 16, key=Key.parse("G"), relation="dominant", by="direct")
    assert (
        say(turned, score_of(4)) == "The music turns to G major, the key of the dominant, by a direct step."
    )
    closed = event("key", "modulation", 0, 16, key=Key.parse("G"), relation="dominant", cadence=F(8))
    assert say(closed, score_of(4)) == (
        "The music modulates to G major, the key of the dominant, and closes there in bar 3."
    )


def test_an_opening_in_the_other_mode_is_told_as_an_opening():
    opening = event("key", "parallel", 0, 16, key=Key.parse("d"), home=Key.parse("D"))
    assert say(opening, score_of(4)) == (
        "The piece opens in D minor, the other mode of its home key D major."
    )


def test_where_a_return_goes_on_differently_the_bar_before_is_named():
    """Bar 5 of the return answers bar 1; up to bar 2 they are alike, so what follows bar 2 differs."""
    leaves = event("difference", "different continuation", 24, 28, from_start=F(4), from_end=F(8))
    assert say(leaves, score_of(8)) == "The first time, the music went on differently after bar 2."


@pytest.mark.parametrize(("first", "tail"), [(16, "with changes"), (20, "with changes from bar 6 on")])
def test_changes_from_the_first_bar_on_are_just_changes(first, tail):
    back = event(
        "return", "varied", 16, 32, bars=4, from_start=F(0), from_end=F(16), first_difference=F(first)
    )
    assert say(back, score_of(8)) == f"These four bars bring back bars 1–4, {tail}."


@pytest.mark.parametrize("level", ["beginner", "intermediate", "advanced"])
def test_a_bare_metronome_mark_is_told_in_beats(level):
    mark = event("instruction", "text", 0, 3, text="", terms=(), per_minute=75.0)
    assert say(mark, score_of(2, 6, 8), level) == "About 50 dotted quarter notes a minute are given."


def test_a_word_that_says_how_much_belongs_to_the_next():
    told = event("instruction", "tempo", 0, 4, text="Sehr langsam", terms=("molto", "lento"))
    assert say(told, score_of(2)) == "“Sehr langsam”: very slow."


def reading_of(*keys: str, events: tuple[Event, ...] = ()) -> Reading:
    spans = tuple(
        Span(F(4 * i), F(4 * i + 4), Key.parse(k), RomanNumeral.parse("I" if k.isupper() else "i"), 0.9)
        for i, k in enumerate(keys)
    )
    return Reading(spans, events)


def test_a_piece_that_ends_elsewhere_does_not_stay_in_its_key():
    touched = event("key", "tonicization", 4, 8, key=Key.parse("a"))
    home = event("key", "home", 0, 4, key=Key.parse("C"))
    reading = reading_of("C", "a", events=(home, touched))
    assert key_sentence(score_of(2), reading, phrasebook("en")) == (
        "The piece begins in C major and only touches A minor (bar 2). It ends in A minor."
    )
    stays = reading_of("C", "C", events=(home,))
    assert key_sentence(score_of(2), stays, phrasebook("en")) == "The whole piece stays in C major."


def test_what_breaks_off_ends_in_no_key():
    """A key is closed by its tonic (common practice, no source): a dominant at the end leaves all open."""
    touched = event("key", "tonicization", 4, 8, key=Key.parse("a"))
    reading = reading_of("C", "a", events=(event("key", "home", 0, 4, key=Key.parse("C")), touched))
    open_end = replace(reading.spans[1], numeral=RomanNumeral.parse("V"))
    cut = replace(reading, spans=(reading.spans[0], open_end))
    told = "The piece begins in C major and only touches A minor (bar 2)."
    assert key_sentence(score_of(2), cut, phrasebook("en")) == told
    assert key_sentence(score_of(2), reading, phrasebook("en")) == f"{told} It ends in A minor."


def test_a_single_section_is_no_form():
    form = event("form", "scheme", 0, 32, scheme="A", sections=1)
    section = event("section", "section", 0, 32, letter="A", bars=8, key=Key.parse("C"))
    told = tell(score_of(8), reading_of(*["C"] * 8, events=(form, section)))
    assert "section" not in " ".join(p.text for p in told).lower()


def test_beginners_hear_the_same_thing_in_other_words_the_second_time():
    half = event("cadence", "half", 8, 16, key=Key.parse("C"), goal=RomanNumeral.parse("V"), arrival=F(12))
    first, second = (f(half, score_of(4), "beginner") for f in (say, say_again))
    assert len(second) < len(first)
    assert phrasebook("en").glosses_in(second) == phrasebook("en").glosses_in(first)


def test_that_the_last_phrase_ends_with_the_piece_is_not_told():
    last = event("phrase", "phrase", 8, 16, bars=F(2), reasons=("end of the piece",))
    assert weight(last) == 0
    assert weight(event("phrase", "phrase", 0, 8, bars=F(2), reasons=("a rest",))) > 0


def test_a_range_of_more_than_two_octaves_is_not_called_by_its_remainder():
    """From D sharp 3 to F 5 is two octaves and a diminished third, not a diminished third."""
    low, high = Pitch.parse("D#3"), Pitch.parse("F5")
    wide = event(
        "melody",
        "range",
        0,
        16,
        low=low,
        high=high,
        interval=Interval.between(low, high),
        low_time=F(0),
        high_time=F(4),
    )
    assert say(wide, score_of(4), "advanced") == ("Range of the melody: D sharp 3 (bar 1) to F 5 (bar 2).")
