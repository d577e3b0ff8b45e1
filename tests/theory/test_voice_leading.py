"""Four voices checked against music21's own voice-leading objects and against rules written out again here.

The rules are common practice as Aldwell and Schachter, *Harmony and Voice Leading*, teach them (from memory).
"""

from __future__ import annotations

from functools import cache
from itertools import combinations, pairwise

import pytest

from understave.theory.key import Key
from understave.theory.pitch import Pitch
from understave.theory.roman import RomanNumeral
from understave.theory.voice_leading import (
    CHORALE,
    CLOSE,
    KEYBOARD,
    TWO_HANDS,
    Harmony,
    Voicing,
    faults,
    lead,
)

LAYOUTS = {"chorale": CHORALE, "two hands": TWO_HANDS, "close": CLOSE, "keyboard": KEYBOARD}
PROGRESSIONS = (
    ("C", "I IV V I"),
    ("c", "i iv V7 i"),
    ("C", "I vi ii65 V7 I"),
    ("C", "I V43 I6 ii65 V7 I"),
    ("C", "I V7/V V7 I"),
    ("C", "I V65/IV IV V42 I6"),
    ("C", "I IV Cad64 V7 vi"),
    ("c", "i VI N6 Cad64 V7 i"),
    ("c", "i iv6 It6 V i"),
    ("c", "i iv6 Fr43 V i"),
    ("c", "i iv6 Ger65 Cad64 V7 i"),
    ("c", "i iv7 VII7 III7 VI7 iiø7 V7 i"),
    ("C", "I7 IV7 viiø7 iii7 vi7 ii7 V7 I"),
    ("c", "i viio7/V V viio65/iv iv V7 i"),
    ("C", "I bVI iv6 V I"),
    ("C", "I IV viio6 I6 ii V V42 I6"),
)
KEYS = (0, 5, -3, 6)
CASES = [(key, text, layout) for layout in LAYOUTS for key, text in PROGRESSIONS]


def harmonies(key: str, text: str, move: int = 0) -> list[Harmony]:
    home = Key.parse(key)
    moved = Key(home.tonic.shift(move), home.mode).simplest
    return [Harmony(moved, RomanNumeral.parse(t)) for t in text.split()]


@cache
def led_in(key: str, text: str, layout: str, move: int) -> tuple[Voicing, ...]:
    return lead(harmonies(key, text, move), LAYOUTS[layout])


@pytest.mark.parametrize(("key", "text", "layout"), CASES)
def test_music21_finds_no_parallels_and_no_crossing(key, text, layout):
    music21 = pytest.importorskip("music21")

    def note(p: Pitch) -> object:
        return music21.note.Note(p.name.replace("b", "-"))

    for move in KEYS:
        led = led_in(key, text, layout, move)
        for one, two in pairwise(led):
            for low, high in combinations(range(4), 2):
                quartet = music21.voiceLeading.VoiceLeadingQuartet(
                    note(one[high]), note(two[high]), note(one[low]), note(two[low])
                )
                assert not quartet.parallelFifth(), (text, one, two)
                assert not quartet.parallelUnisonOrOctave(), (text, one, two)
                assert not quartet.voiceCrossing(), (text, one, two)


@pytest.mark.parametrize(("key", "text", "layout"), CASES)
def test_notes_are_those_of_the_chord_within_the_layout(key, text, layout):
    for move in KEYS:
        progression = harmonies(key, text, move)
        for harmony, voicing in zip(progression, led_in(key, text, layout, move), strict=True):
            chord = harmony.chord
            classes = {p.pitch_class for p in voicing}
            assert classes <= set(chord.members)
            assert set(chord.members) - classes <= {chord.member(5)}
            assert voicing[0].pitch_class == chord.bass
            for pitch, (low, high) in zip(voicing, LAYOUTS[layout].ranges, strict=True):
                assert low <= pitch.midi <= high
            for a, b, most in LAYOUTS[layout].spans:
                assert voicing[b].midi - voicing[a].midi <= most


@pytest.mark.parametrize(("key", "text", "layout"), CASES)
def test_no_rule_is_broken(key, text, layout):
    for move in KEYS:
        progression = harmonies(key, text, move)
        assert faults(progression, led_in(key, text, layout, move)) == ()


def pitches(text: str) -> tuple[Pitch, Pitch, Pitch, Pitch]:
    bass, tenor, alto, soprano = (Pitch.parse(t) for t in text.split())
    return bass, tenor, alto, soprano


@pytest.mark.parametrize(
    ("text", "first", "second", "rule"),
    [
        ("I ii", "C3 G3 E4 C5", "D3 A3 F4 D5", "parallel fifths"),
        ("I ii", "C3 G3 E4 C5", "D3 A3 F4 D5", "parallel octaves"),
        ("I V", "C3 G3 E4 C5", "G2 G3 D4 B4", None),
        ("V7 I", "G2 F3 D4 B4", "C3 E3 E4 C5", None),
        ("V7 I", "G2 F3 D4 B4", "C3 G3 E4 C5", "seventh"),
        ("V7 I", "G2 F3 D4 B4", "C3 E3 C4 G4", "leading tone"),
        ("V7 I", "G3 B3 D4 F4", "C3 C4 C4 E4", None),
        ("V I", "G2 G3 D4 B4", "C2 G3 E4 C5", None),
        ("V I", "G2 B3 D4 B4", "C3 C4 E4 C5", "doubled leading tone"),
        ("I IV", "C3 G3 C4 E4", "F3 A3 C4 E4", "foreign"),
        ("I IV", "C3 G3 C4 E4", "A2 A3 C4 F4", "bass"),
        ("I IV", "C3 G3 C4 G4", "F3 A3 C4 F4", "incomplete"),
        ("Cad64 V", "G2 G3 E4 C5", "G2 G3 D4 B4", None),
        ("Cad64 V", "G2 G3 C4 E4", "G2 G3 D4 B4", "six-four"),
        ("IV I", "F3 C4 A4 F5", "C3 C4 G4 E5", None),
        ("I IV", "C3 C4 E4 G4", "F3 F4 C4 A4", "crossing"),
    ],
)
def test_each_fault_is_told(text, first, second, rule):
    """Worked by hand, in C major."""
    found = {f.rule for f in faults(harmonies("C", text), (pitches(first), pitches(second)))}
    assert (rule in found) if rule else not found


def test_an_augmented_sixth_must_open():
    progression = harmonies("c", "Ger65 V")
    open_out = (pitches("Ab2 Eb4 F#4 C5"), pitches("G2 D4 G4 B4"))
    turned_back = (pitches("Ab2 Eb4 F#4 C5"), pitches("G2 D4 D4 B4"))
    assert "augmented sixth" not in {f.rule for f in faults(progression, open_out)}
    assert "augmented sixth" in {f.rule for f in faults(progression, turned_back)}
    # Eb over Ab to D over G: the fifths that the rule forbids and the search has to avoid.
    assert "parallel fifths" in {f.rule for f in faults(progression, open_out)}


def test_wishes_for_the_soprano_are_heard_where_nothing_forbids_them():
    progression = harmonies("C", "I IV V I")
    tops = [Pitch.parse(t).pitch_class for t in ("E4", "F4", "D4", "E4")]
    led = lead(progression, CHORALE, tops)
    assert [v[3].pitch_class for v in led] == tops
    assert faults(progression, led) == ()
