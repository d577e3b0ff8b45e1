"""Bars as lines to type in, and back.

Values of notes as parts of a whole note, triplets as thirds: common practice, no source. Names of pitches:
scientific pitch notation, C4 is middle C (Acoustical Society of America, 1939; from memory).
"""

from fractions import Fraction
from functools import cache

import pytest
from musicxml_text import attributes, bar, note
from musicxml_text import score as musicxml
from tests.once import opening

from understave.score.bar_text import (
    BarTextError,
    add_up,
    lines_of,
    may_be_short,
    read_line,
    shown_value,
)
from understave.score.reader import read_score
from understave.score.readers.musicxml import read_musicxml
from understave.score.retyped import with_bars
from understave.score.write import with_source


@cache
def piece():
    return read_score(opening(8))


def notes(score):
    return sorted(
        (n.onset, n.duration, str(n.pitch), n.staff, n.grace, n.articulations, n.fingering, n.ids)
        for n in score.notes
    )


def typed(score, index, texts=None):
    staves = score.parts[-1].last_staff
    return [
        read_line((texts or {}).get((x.staff, x.voice), x.text), x.staff, x.voice, staves)
        for x in lines_of(score, index)
    ]


def test_a_line_says_values_pitches_chords_rests_ties_and_grace_notes():
    line = read_line("1/4 C5 (D5) E5+G5_ 1/8. Pause 1/12 f#4 Bb3@2 a♭3", 1, 2, 2)
    assert [(e.onset, e.duration, [str(n.pitch) for n in e.notes]) for e in line.events] == [
        (0, 1, ["C5"]),
        (1, 0, ["D5"]),
        (1, 1, ["E5", "G5"]),
        (2, Fraction(3, 4), []),
        (Fraction(11, 4), Fraction(1, 3), ["F#4"]),
        (Fraction(37, 12), Fraction(1, 3), ["Bb3"]),
        (Fraction(41, 12), Fraction(1, 3), ["Ab3"]),
    ]
    assert [(n.tied_on, n.staff) for n in line.events[2].notes] == [(False, 1), (True, 1)]
    assert line.events[5].notes[0].staff == 2
    tied = read_line("1/4 _C5 _C5 (_D5)", 1, 1, 1)
    assert [n.tied_back for event in tied.events for n in event.notes] == [True, False, False]
    assert line.length == Fraction(15, 4)


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("C5", "no_value"),
        ("1/4 H5", "word"),
        ("1/4 C", "word"),
        ("1/4 C5+", "word"),
        ("1/4 C5@3", "word"),
        ("1/4 A9", "word"),  # MIDI number 129; the highest is 127 (MIDI 1.0)
        ("1/0 C5", "value"),
        ("1/17 C5", "value"),
        ("1/4 C5+C5", "twice"),
        ("1/4 " + "C5 " * 900, "long"),
    ],
)
def test_what_is_no_line_is_named(text, wrong):
    with pytest.raises(BarTextError) as refused:
        read_line(text, 1, 1, 2)
    assert refused.value.name == wrong


def test_a_line_of_a_staff_or_voice_that_cannot_be_is_refused():
    for staff, voice in ((3, 1), (1, 5), (0, 1)):
        with pytest.raises(BarTextError):
            read_line("1/4 C5", staff, voice, 2)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        ("1", "1/4"),
        ("3", "1/2."),
        ("7/2", "1/2.."),
        ("1/3", "1/12"),
        ("5/4", "5/16"),
        ("6", "1/1."),
        ("8", "2"),
    ],
)
def test_values_are_shown_as_musicians_name_them(value, shown):
    assert shown_value(Fraction(value)) == shown
    assert read_line(f"{shown} C5", 1, 1, 1).length == Fraction(value)


def test_a_bar_adds_up_or_it_is_said_which_voice_does_not():
    full, short, long = (read_line(text, 1, 1, 1) for text in ("3/4 C5", "1/2 C5", "1/1 C5"))
    assert add_up([full], Fraction(3), short=False, free=False) == 3
    assert add_up([], Fraction(3), short=False, free=False) == 3
    with pytest.raises(BarTextError) as under:
        add_up([full, short], Fraction(3), short=True, free=False)
    assert (under.value.name, under.value.values["by"]) == ("under", "1/4")
    with pytest.raises(BarTextError):  # short, but not all of its voices alike
        add_up([read_line("1/4 C5", 1, 2, 1), short], Fraction(3), short=True, free=False)
    with pytest.raises(BarTextError) as over:
        add_up([long], Fraction(3), short=True, free=False)
    assert over.value.name == "over"
    assert add_up([short], Fraction(3), short=True, free=False) == 2
    assert add_up([full, long], Fraction(3), short=False, free=True) == 4


def test_only_the_ends_and_bars_beside_repeats_may_be_short():
    measures = piece().measures
    assert [may_be_short(measures, k) for k in range(len(measures))] == [
        k in (0, len(measures) - 1) for k in range(len(measures))
    ]


def test_every_bar_typed_as_it_stands_is_the_same_score():
    score = piece()
    again = with_source(with_bars(score, {k: typed(score, k) for k in range(len(score.measures))}))
    assert notes(again) == notes(score)
    for k in (0, 2, 5):
        assert notes(with_bars(score, {k: typed(score, k)})) == notes(score)


def test_a_length_that_is_printed_as_two_tied_notes_is_one_word():
    text = "5/16 C5 1/4.. E6"
    score = with_source(with_bars(piece(), {1: [read_line(text, 1, 1, 2)]}))
    (line,) = lines_of(score, 1)
    assert line.text == text
    assert [len(n.ids) for n in score.notes if n.measure == 1] == [2, 1]


def test_marks_tell_where_a_note_stands_in_its_line():
    score = piece()
    lines = lines_of(score, 1, "fr")
    assert any("silence" in line.text for line in lines)
    found = {
        i: line.text[a:b].strip("_").partition("_")[0].partition("@")[0]
        for line in lines
        for i, a, b in line.marks
    }
    assert found
    assert all(score.note_by_id[i].written.name == name for i, name in found.items())


def test_a_corrected_pitch_keeps_what_stands_around_it_and_its_id():
    score = piece()
    old = next(n for n in score.notes if n.fingering and n.measure == 0 and not n.articulations)
    (line,) = [x for x in lines_of(score, 0) if any(i == old.id for i, *_ in x.marks)]
    (_, start, end) = next(mark for mark in line.marks if mark[0] == old.id)
    text = f"{line.text[:start]}A6{line.text[end:]}"
    again = with_bars(score, {0: typed(score, 0, {(line.staff, line.voice): text})})
    new = again.note_by_id[old.id]
    assert (str(new.pitch), new.onset, new.fingering) == ("A6", old.onset, old.fingering)
    assert len(again.notes) == len(score.notes)


def test_a_tie_over_the_bar_line_is_cut_and_made():
    bars = [
        bar((attributes() if k == 0 else "") + note(n, 16), str(k + 1))
        for k, n in enumerate(["C5", "C5", "D5"])
    ]
    score = read_musicxml(musicxml("".join(bars)))
    tied = with_bars(score, {0: [read_line("1/1 C5_", 1, 1, 1)]})
    assert [(str(n.pitch), n.onset, n.duration) for n in tied.notes] == [("C5", 0, 8), ("D5", 8, 4)]
    back = with_bars(score, {1: [read_line("1/1 _C5", 1, 1, 1)]})
    assert [n.duration for n in back.notes] == [8, 4]
    cut = with_bars(with_source(tied), {1: [read_line("1/1 E5", 1, 1, 1)]})
    assert [(str(n.pitch), n.duration) for n in cut.notes] == [("C5", 4), ("E5", 4), ("D5", 4)]
    none = with_bars(score, {0: [read_line("1/1 D5_", 1, 1, 1)]})
    assert [(str(n.pitch), n.duration) for n in none.notes] == [("D5", 4), ("C5", 4), ("D5", 4)]
