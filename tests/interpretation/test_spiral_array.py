"""The spiral array against values worked out by hand from Chew's formulas (parameters second-hand)."""

from __future__ import annotations

import math

import pytest

from understave.interpretation.spiral_array import (
    centre,
    diameter,
    key_point,
    major_chord,
    minor_chord,
    momentum,
    pitch,
    strain,
)
from understave.theory.key import Key
from understave.theory.pitch import PitchClass


def at(names: str) -> list[int]:
    return [PitchClass.parse(name).fifths for name in names.split()]


def cloud(names: str) -> dict[int, float]:
    return dict.fromkeys(at(names), 1.0)


@pytest.mark.parametrize(
    ("pair", "expected"),
    [("C G", 1.4606), ("C E", 1.4606), ("C Eb", 1.7889), ("B F", 2.9665)],
)
def test_distances_of_two_notes(pair, expected):
    one, other = at(pair)
    assert math.dist(pitch(one), pitch(other)) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(("names", "expected"), [("C E G", 1.7889), ("B D F", 2.9665)])
def test_diameters_of_triads(names, expected):
    assert diameter(at(names)) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(("names", "expected"), [("C E G", 0.3824), ("D F# A", 1.4919)])
def test_strain_against_c_major(names, expected):
    assert strain(cloud(names), Key.parse("C")) == pytest.approx(expected, abs=5e-5)


def test_a_third_lies_straight_above():
    """A major third is four quarter turns up (Chew 2000)."""
    assert pitch(4)[:2] == pitch(0)[:2]
    assert pitch(4)[2] - pitch(0)[2] == pytest.approx(4 * math.sqrt(2 / 15))


@pytest.mark.parametrize("key", ["C", "Ab", "F#"])
def test_a_major_key_lies_nearest_its_own_tonic(key):
    chosen = Key.parse(key)
    distances = {f: math.dist(key_point(chosen), major_chord(f)) for f in range(-12, 13)}
    assert min(distances, key=lambda f: distances[f]) == chosen.tonic.fifths


def test_a_minor_key_lies_nearest_its_own_tonic():
    chosen = Key.parse("a")
    distances = {f: math.dist(key_point(chosen), minor_chord(f)) for f in range(-12, 13)}
    assert min(distances, key=lambda f: distances[f]) == chosen.tonic.fifths


def test_momentum_is_nothing_where_the_notes_stay_and_grows_with_remoteness():
    still = momentum(cloud("C E G"), cloud("C E G"))
    near = momentum(cloud("C E G"), cloud("G B D"))
    far = momentum(cloud("C E G"), cloud("Gb Bb Db"))
    assert still == 0 < near < far


def test_the_centre_is_weighted_by_length():
    held = {PitchClass.parse("C").fifths: 1000.0, PitchClass.parse("E").fifths: 1.0}
    assert math.dist(centre(held), pitch(0)) < 0.01


def test_silence_has_no_centre():
    with pytest.raises(ValueError, match="centre"):
        centre({})
