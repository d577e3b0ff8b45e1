"""Switches of mode on one tonic in worked examples.

The facts on parallel keys are those of Hutchinson, Music Theory for the 21st-Century Classroom, chapter
19; the settings are our own.
"""

from __future__ import annotations

import pytest
from build import build, spans_of

from understave.findings.catalogue import is_sure
from understave.findings.modes import find_mode_switches
from understave.theory.key import Key
from understave.theory.pitch import Pitch, PitchClass

TO_MINOR = ("E5:1 D5 E5 D5 Eb5 D5 Eb5:2", "C5:1 B4 C5 B4 C5 B4 C5:2", "C3:1 G3 C3 G3 C3 G3 C3:2")


def test_major_to_minor() -> None:
    """E flat in place of E does it, at the moment the tonic comes back."""
    score = build(*TO_MINOR)
    found = find_mode_switches(score, spans_of(score, "C: I:1 V I V c: i:1 V i:2"))
    assert [(e.kind, e.label, e.start) for e in found] == [("mode switch", "major to minor", 4)]
    e = found[0]
    assert (e.get("note"), e.get("pitch"), e.get("moment")) == ("v1n5", Pitch.parse("Eb5"), 4)
    assert (e.get("instead"), e.get("degree")) == (PitchClass.parse("E"), 3)
    assert (e.get("from_note"), e.get("from_pitch")) == ("v1n3", Pitch.parse("E5"))
    assert e.get("line_before") == Pitch.parse("D5")
    assert e.notes == ("v1n5",)


@pytest.mark.parametrize(
    ("key", "third", "old"), [("A", "C5", "C#5"), ("F#", "A4", "A#4"), ("Ab", "Cb5", "C5")]
)
def test_in_other_keys(key: str, third: str, old: str) -> None:
    """The same with other tonics, the third alone in the upper voice."""
    tonic = Pitch.parse(f"{key}3")
    score = build(f"{old}:2 {third}:4", f"{tonic.name}:6")
    minor = key[0].lower() + key[1:]
    e = find_mode_switches(score, spans_of(score, f"{key}: I:2 {minor}: i:4"))[0]
    assert (e.get("key"), e.get("before")) == (Key.parse(minor), Key.parse(key))
    assert (e.get("note"), e.get("instead")) == ("v1n2", Pitch.parse(old).pitch_class)


def test_there_and_back() -> None:
    """The way back says that it is one, and since when the other mode has lasted."""
    score = build("E5:4 | Eb5:2 D5:2 | Eb5:4 | E5:2 D5:2 | C5:4", "C5:4 | C5:2 B4 | C5:4 | C5:2 B4 | E4:4")
    found = find_mode_switches(score, spans_of(score, "C: I:4 c: i:2 V i:4 C: I:2 V I:4"))
    assert [e.label for e in found] == ["major to minor", "minor to major"]
    assert (found[0].get("back"), found[1].get("back"), found[1].get("since")) == (None, 1, 4)
    assert (found[1].get("note"), found[1].get("moment")) == ("v1n5", 12)
    assert found[0].get("until") == 12


def test_the_note_may_come_after_the_first_chord() -> None:
    """Over a dominant that both modes share, the sixth degree is the first to tell."""
    score = build("E5:2 D5:2 | D5:2 Ab5 | G5:4", "C5:2 B4 | B4:4 | Eb5:4", "C3:2 G3 | G3:4 | C3:4")
    e = find_mode_switches(score, spans_of(score, "C: I:2 V c: V:4 i"))[0]
    assert (e.start, e.get("note"), e.get("moment"), e.get("degree")) == (4, "v1n4", 6, 6)


def test_the_sixth_degree_does_not_clear_the_mode() -> None:
    """From minor to major only the third counts: raised sixths and sevenths belong to minor too."""
    score = build("Eb5:2 D5 | A4:1 B4 C5:2 | E5:4", "C3:4 | F3:1 G3 C3:2 | C3:4")
    e = find_mode_switches(score, spans_of(score, "c: i:4 C: IV:1 V I:6"))[0]
    assert (e.label, e.get("note"), e.get("moment")) == ("minor to major", "v1n6", 8)


@pytest.mark.parametrize(
    "spans",
    ["C: I:4 iv:2 I:2", "C: I:4 a: i:4", "c: i:4 V:2 C: I:2", "c: i:8"],
)
def test_no_switch(spans: str) -> None:
    """A borrowed chord, the relative, a Picardy third at the end, and one key throughout."""
    score = build("E5:4 | Ab4:2 E5:2", "C3:8")
    assert find_mode_switches(score, spans_of(score, spans)) == ()


def test_a_major_section_that_ends_a_minor_piece_is_a_switch() -> None:
    """More than the tonic alone: the music goes on in major."""
    score = build("Eb5:4 | E5:2 D5:2 | E5:4", "C3:4 | C3:2 G3 | C3:4")
    found = find_mode_switches(score, spans_of(score, "c: i:4 C: I:2 V I:4"))
    assert [e.label for e in found] == ["minor to major"]


def test_a_switch_that_no_note_of_its_bar_proves_is_kept_and_not_told() -> None:
    """The label turns a bar before the third that does: nobody hears it there."""
    score = build("E5:2 D5 | D5:4 | Eb5:4", "C5:2 B4 | B4:4 | C5:4", "C3:2 G3 | G3:4 | C3:4")
    late = find_mode_switches(score, spans_of(score, "C: I:2 V c: V:4 i"))[0]
    at_once = find_mode_switches(score, spans_of(score, "C: I:2 V C: V:4 c: i"))[0]
    assert (is_sure(late), is_sure(at_once)) == (False, True)


@pytest.mark.parametrize(
    ("tune", "sure"),
    [
        # The old third stood before; the new one was there already; only the sixth is borrowed.
        ("E5:2 D5:2 | Eb5:2 D5:2 | Eb5:4", True),
        ("E5:2 Eb5:2 | Eb5:2 D5:2 | Eb5:4", False),
        ("E5:2 D5:2 | E5:2 Ab5:2 | E5:4", False),
        ("G5:2 D5:2 | Eb5:2 D5:2 | Eb5:4", False),
    ],
)
def test_one_note_takes_the_place_of_another_that_stood_there(tune: str, sure: bool) -> None:
    """ "In place of E": the E stood before, was the last of its degree, and sounds no more."""
    score = build(tune, "C5:2 B4:2 | C5:4 | C5:4", "C3:2 G3:2 | C3:4 | C3:4")
    e = find_mode_switches(score, spans_of(score, "C: I:2 V:2 c: i:4 i:4"))[0]
    assert is_sure(e) is sure
