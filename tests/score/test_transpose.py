"""Transposition against music21's own, and against itself turned back; passages against their bars."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from lxml import etree
from tests.findings.build import build
from tests.wording.readings import EXAMPLES, example

from understave.errors import UnderstaveError
from understave.score.model import Direction
from understave.score.passage import passage
from understave.score.readers.musicxml import read_musicxml
from understave.score.transpose import interval_between, transpose
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("interval", ["M2", "-m3", "A1", "-m2", "P4", "-P5", "A4"])
def test_notes_are_spelled_as_music21_spells_them(name, interval):
    music21 = pytest.importorskip("music21")
    score, _ = example(name)
    try:
        moved = transpose(score, Interval.parse(interval))
    except UnderstaveError:
        pytest.skip("off the piano in this direction")
    if interval.startswith("-"):
        other = music21.interval.Interval(interval[1:]).reverse()
    else:
        other = music21.interval.Interval(interval)
    checked = 0
    for before, after in zip(score.notes[:300], moved.notes[:300], strict=True):
        sharps = moved.measures[after.measure].signature - score.measures[before.measure].signature
        if sharps != Interval.parse(interval).fifths:
            continue  # spelled on the other side of the circle; sound is checked below
        expected = other.transposePitch(music21.pitch.Pitch(before.pitch.name.replace("b", "-")))
        if abs(expected.alter) <= 2:
            assert after.pitch.name == expected.nameWithOctave.replace("-", "b")
            checked += 1
    assert checked or all(abs(m.signature) <= 7 for m in moved.measures)
    assert all(
        b.midi - a.midi == Interval.parse(interval).semitones
        for a, b in zip(score.notes, moved.notes, strict=True)
    )


@pytest.mark.parametrize("name", EXAMPLES)
def test_there_and_back_gives_the_same_notes(name):
    score, _ = example(name)
    there = transpose(score, Interval.parse("M2"))
    back = transpose(there, Interval.parse("-M2"))
    assert [(n.onset, n.duration, n.pitch) for n in back.notes] == [
        (n.onset, n.duration, n.pitch) for n in score.notes
    ]
    assert [m.signature for m in back.measures] == [m.signature for m in score.measures]


def test_signatures_and_notes_stay_readable_in_remote_keys():
    score, _ = example("chain-ferry")
    for fifths in range(-7, 8):
        home = Key.parse("f")
        target = Key.from_signature(fifths, "minor")
        moved = transpose(score, interval_between(home, target))
        assert moved.measures[0].signature == fifths
        assert all(abs(m.signature) <= 7 for m in moved.measures)
        assert all(abs(n.pitch.alter) <= 2 for n in moved.notes)


def test_the_written_file_reads_back_and_is_valid(schema, tmp_path):
    score, _ = example("lock-water")
    moved = transpose(score, interval_between(Key.parse("Eb"), Key.parse("F#")))
    assert schema.validate(etree.fromstring(moved.source)), schema.error_log
    path = tmp_path / "moved.musicxml"
    path.write_bytes(moved.source)
    again = read_musicxml(path.read_bytes())
    assert sorted((n.onset, n.pitch.name, n.duration) for n in again.notes) == sorted(
        (n.onset, n.pitch.name, n.duration) for n in moved.notes
    )


@pytest.mark.parametrize(
    ("old", "new", "name"),
    [
        ("C", "D", "M2"),
        ("C", "A", "-m3"),
        ("f", "c#", "-d4"),
        ("Eb", "F#", "A2"),
        ("C", "F#", "A4"),
        ("C", "Gb", "-A4"),
    ],
)
def test_the_nearest_way_between_keys_is_taken(old, new, name):
    """Intervals by the definition in any theory book: letters counted, then semitones."""
    interval = interval_between(Key.parse(old), Key.parse(new))
    expected = Interval.parse(name)
    assert interval.semitones % 12 == expected.semitones % 12
    assert interval.fifths == expected.fifths
    assert abs(interval.semitones) <= 6


def test_chord_symbols_move_too():
    symbol = Direction("d", "chord-symbol", Fraction(0), None, 1, "Bbm7/Db")
    score = replace(build("C5:4"), directions=(symbol,))
    moved = transpose(score, Interval.parse("M2"))
    assert moved.directions[0].text == "Cm7/Eb"


def test_off_the_piano_is_refused_in_one_sentence():
    with pytest.raises(UnderstaveError, match="C8 in bar 1 would lie off the piano"):
        transpose(build("C8:4"), Interval.parse("M2"))


# --- passages --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_passage_holds_its_bars_and_no_more(name, schema):
    score, _ = example(name)
    for first, last in ((0, 3), (7, 7), (13, 20), (30, 39)):
        part = passage(score, first, last)
        start = score.measures[first].start
        assert [m.number for m in part.measures] == [m.number for m in score.measures[first : last + 1]]
        assert part.end == score.measures[last].end - start
        expected = {(n.onset - start, n.pitch, n.ids[0]) for n in score.notes if first <= n.measure <= last}
        here = {(n.onset, n.pitch, n.id) for n in part.notes}
        assert expected <= here
        assert all(onset == 0 for onset, _, _ in here - expected)
        assert all(n.end <= part.end for n in part.notes)
        assert schema.validate(etree.fromstring(part.source)), schema.error_log


def test_a_held_note_is_cut_at_both_ends():
    score = build("C5:12", "C3:4 D3 E3")
    part = passage(score, 1, 1)
    held = next(n for n in part.notes if n.pitch == Pitch.parse("C5"))
    assert (held.onset, held.duration) == (0, 4)
    assert [n.pitch.name for n in part.notes if n.staff == 2] == ["D3"]


def test_pedal_and_loudness_in_force_are_carried_in():
    marks = (
        Direction("d1", "dynamic", Fraction(0), None, 1, "pp"),
        Direction("d2", "tempo", Fraction(0), None, 1, "Lento", 50.0),
    )
    score = build("C5:4 C5 C5", pedal=(("start", 0), ("stop", 10)), directions=marks)
    part = passage(score, 1, 2)
    assert {(d.kind, d.text, d.onset) for d in part.directions} == {
        ("dynamic", "pp", 0),
        ("tempo", "", 0),
        ("pedal", "start", 0),
        ("pedal", "stop", 6),
    }
    assert [d.value for d in part.directions if d.kind == "tempo"] == [50.0]
