"""Distances and attractions against published numbers.

Distances from the tonic within a key: musicalperceptions.blogspot.com, July 2009, a worked table in E flat
after Lerdahl, Tonal Pitch Space (second-hand); between keys and attractions: Lerdahl 2001, from memory.
"""

from __future__ import annotations

from itertools import pairwise, product

import pytest

from understave.interpretation.tonal_pitch_space import (
    attraction,
    basic_space,
    distance,
    region_distance,
    region_steps,
    root_steps,
    scale_under,
    surface_dissonance,
    tonic_of,
)
from understave.theory.chord import Chord
from understave.theory.key import Key, all_keys
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral


def chord(key: str, numeral: str) -> tuple[Chord, Key]:
    return RomanNumeral.parse(numeral).chord(Key.parse(key)), Key.parse(key)


@pytest.mark.parametrize(
    ("numeral", "expected"),
    [("I", 0), ("ii", 8), ("iii", 7), ("IV", 5), ("V", 5), ("vi", 7), ("viio", 8)],
)
@pytest.mark.parametrize("key", ["Eb", "C", "F#", "Cb"])
def test_distances_from_the_tonic_are_the_published_ones(key, numeral, expected):
    assert distance(*chord(key, "I"), *chord(key, numeral)) == expected


def test_the_dominant_is_five_away_as_no_region_one_step_and_four_notes():
    """5 = 0 + 1 + 4 in the published table."""
    tonic, dominant = chord("Eb", "I"), chord("Eb", "V")
    assert region_steps(tonic[1], dominant[1]) == 0
    assert root_steps(tonic[0].root, dominant[0].root) == 1
    assert distance(*tonic, *dominant) == 0 + 1 + 4


@pytest.mark.parametrize(("key", "expected"), [("G", 7), ("F", 7), ("a", 7), ("c", 7), ("e", 9), ("d", 10)])
def test_distances_between_neighbouring_tonics(key, expected):
    """Lerdahl 2001, chapter 2, regional space around a major key; from memory."""
    other = Key.parse(key)
    assert distance(*chord("C", "I"), tonic_of(other), other) == expected
    assert region_distance(Key.parse("C"), other) == expected


def test_remote_keys_are_as_far_as_the_shortest_path():
    """From C by G to D, by C minor to E flat; F sharp is the farthest of all."""
    home = Key.parse("C")
    assert region_distance(home, Key.parse("D")) == 14
    assert region_distance(home, Key.parse("Eb")) == 14
    majors = [key for key in all_keys() if key.mode == "major"]
    assert max(majors, key=lambda key: region_distance(home, key)).tonic.semitone == 6


def test_distances_of_keys_are_a_metric():
    keys = [key for key in all_keys() if abs(key.signature) <= 4]
    for one, other in product(keys, keys):
        assert region_distance(one, other) == region_distance(other, one)
        assert (region_distance(one, other) == 0) == (one == other)
    for one, via, other in product(keys[::3], keys[::2], keys[::3]):
        assert region_distance(one, other) <= region_distance(one, via) + region_distance(via, other)


def test_an_enharmonic_key_is_no_distance_away():
    assert region_distance(Key.parse("Gb"), Key.parse("F#")) == 0
    assert distance(*chord("Gb", "I"), *chord("F#", "V")) == 5


def test_chromatic_chords_lie_farther_than_diatonic_ones():
    tonic = chord("c", "i")
    assert distance(*tonic, *chord("c", "N6")) > distance(*tonic, *chord("c", "iv"))
    applied = RomanNumeral.parse("V7/V")
    home = Key.parse("C")
    assert distance(*chord("C", "I"), applied.chord(home), applied.local_key(home)) > 8


@pytest.mark.parametrize("numeral", ["i", "V", "N6", "viio7", "V7/V", "iv", "Ger65"])
def test_every_level_lies_within_the_next(numeral):
    levels = basic_space(*chord("c", numeral))
    assert all(a <= b for a, b in pairwise(levels))
    assert len(levels) == 5
    assert len(levels[3]) == 7
    assert len(levels[4]) == 12


@pytest.mark.parametrize(("note", "goal", "expected"), [("B", "C", 2.0), ("F", "E", 1.5), ("D", "C", 0.5)])
def test_melodic_attraction_in_c_major(note, goal, expected):
    """The formula as published (second-hand), the anchoring strengths from memory."""
    tonic, key = chord("C", "I")
    drawn = attraction(
        PitchClass.parse(note).semitone, PitchClass.parse(goal).semitone, tonic, scale_under(tonic, key)
    )
    assert drawn == expected


def test_surface_dissonance_adds_up():
    """Lerdahl 2001, chapter 4, from memory: inversion 2, third or fifth on top 1, seventh 1, foreign 3, 4."""
    tonic, key = chord("C", "I")
    names = [PitchClass.parse(n) for n in ("C", "E", "F", "F#")]
    assert surface_dissonance(tonic, key, names[0]) == 0
    assert surface_dissonance(tonic, key, names[1]) == 1
    assert surface_dissonance(*chord("C", "I6"), names[1]) == 3
    assert surface_dissonance(*chord("C", "V65"), None) == 3
    assert surface_dissonance(tonic, key, names[0], [names[2]]) == 3
    assert surface_dissonance(tonic, key, names[0], [names[2], names[3], names[3]]) == 7
