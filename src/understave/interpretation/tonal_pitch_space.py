"""Chords in keys -> how far apart they are and how notes are drawn to one another, in tonal pitch space.

After Lerdahl, Tonal Pitch Space (2001), chapters 2 and 4 (chapter numbers from memory). A chord in a region
(a key) has a basic space of five levels, each within the next: its root; root and fifth; the triad; the
scale; all twelve. The distance from chord x to chord y is i + j + k:

* i: steps between their regions on the circle of fifths, counted by signatures;
* j: steps between their roots on the diatonic circle of fifths (C F B E A D G);
* k: notes of y's levels that the same levels of x lack.

The rule holds between regions that lie next to each other: from a major key its ii, iii, IV, V, vi and i,
from a minor key its III, iv, v, VI, VII and I. Elsewhere the path goes from tonic to tonic through such
regions, and the shortest counts. Notes of a chord from outside the scale take the place of the scale's note
on the same letter, so that every level lies within the next.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from itertools import product
from typing import TypeAlias

from understave.theory.chord import Chord, Quality
from understave.theory.key import Key, Mode
from understave.theory.pitch import PitchClass

Levels: TypeAlias = tuple[frozenset[int], ...]

_NEXT_TO_MAJOR = {
    (0, "major"),
    (2, "minor"),
    (4, "minor"),
    (5, "major"),
    (7, "major"),
    (9, "minor"),
    (0, "minor"),
}
"""Regions next to a major one: semitones above its tonic, and mode. Minor ones follow by turning it round."""
_MODES: tuple[Mode, ...] = ("major", "minor")
_STRENGTH = {"tonic": 4, "triad": 3, "scale": 2, "chromatic": 1}
"""Anchoring strengths in melodic attraction (Lerdahl 2001, chapter 4; from memory)."""


def tonic_of(region: Key) -> Chord:
    """Return the tonic triad of a key."""
    return Chord(region.tonic, Quality.MAJOR if region.mode == "major" else Quality.MINOR)


@lru_cache(maxsize=4096)
def scale_under(chord: Chord, region: Key) -> frozenset[int]:
    """Return the sounding scale of a key, the chord's notes in place of the scale's on the same letters."""
    letters = {tone.letter for tone in chord.members}
    kept = (tone for tone in region.scale if tone.letter not in letters)
    return chord.semitones | {tone.semitone for tone in kept}


@lru_cache(maxsize=4096)
def basic_space(chord: Chord, region: Key) -> Levels:
    """Return the five levels as sounding pitch classes, from the root to all twelve."""
    root = frozenset({chord.root.semitone})
    fifth, third = chord.member(5), chord.member(3)
    open_fifth = root | ({fifth.semitone} if fifth else frozenset())
    triad = open_fifth | ({third.semitone} if third else frozenset())
    return root, open_fifth, triad, scale_under(chord, region), frozenset(range(12))


def region_steps(one: Key, other: Key) -> int:
    """Return i: steps from one signature to the other on the circle of fifths, 0 to 6."""
    steps = (other.signature - one.signature) % 12
    return min(steps, 12 - steps)


def root_steps(one: PitchClass, other: PitchClass) -> int:
    """Return j: steps between two roots on the diatonic circle of fifths, 0 to 3, told by their letters."""
    # A fifth is four letters, and 4 times 2 is 1 modulo the seven letters.
    letters = "CDEFGAB".index(other.letter) - "CDEFGAB".index(one.letter)
    steps = 2 * letters % 7
    return min(steps, 7 - steps)


def new_notes(one: Levels, other: Levels) -> int:
    """Return k: entries of the second space that the same level of the first does not have."""
    return sum(len(b - a) for a, b in zip(one, other, strict=True))


def is_next_to(one: Key, other: Key) -> bool:
    """Whether the rule i + j + k holds directly between two regions; a region lies next to itself."""
    return _is_next(one.tonic.semitone, one.mode, other.tonic.semitone, other.mode)


def _is_next(one: int, mode: str, other: int, other_mode: str) -> bool:
    if mode == "major":
        return ((other - one) % 12, other_mode) in _NEXT_TO_MAJOR
    if other_mode == "major":
        return ((one - other) % 12, mode) in _NEXT_TO_MAJOR
    return (other - one) % 12 in (0, 5, 7)


@lru_cache(maxsize=16384)
def distance(one: Chord, region: Key, other: Chord, other_region: Key) -> int:
    """Return the distance from a chord in its region to another in its own, 0 for the same chord."""
    if is_next_to(region, other_region):
        return _direct(one, region, other, other_region)
    ways = []
    for first, last in product(_around(region), _around(other_region)):
        start = _direct(one, region, tonic_of(first), first)
        end = _direct(tonic_of(last), last, other, other_region)
        ways.append(start + region_distance(first, last) + end)
    return min(ways)


def _direct(one: Chord, region: Key, other: Chord, other_region: Key) -> int:
    # Spelled on the same side, so that the letters of the roots can be compared.
    side = -12 * round((other_region.signature - region.signature) / 12)
    if side:
        other, other_region = other.transpose(side), Key(other_region.tonic.shift(side), other_region.mode)
    i = region_steps(region, other_region)
    j = root_steps(one.root, other.root)
    return i + j + new_notes(basic_space(one, region), basic_space(other, other_region))


def _around(region: Key) -> tuple[Key, ...]:
    keys = (Key(PitchClass.from_fifths(region.tonic.fifths + f), m) for f in range(-6, 6) for m in _MODES)
    return tuple(key for key in keys if is_next_to(region, key))


def region_distance(one: Key, other: Key) -> int:
    """Return the distance between the tonics of two keys, by the shortest path through regions."""
    return _paths()[_number(one)][_number(other)]


def _number(region: Key) -> int:
    return 2 * region.tonic.semitone + (region.mode == "minor")


@lru_cache
def _paths() -> tuple[tuple[int, ...], ...]:
    """Return the shortest distances between all regions, by number (Floyd and Warshall's algorithm)."""
    keys = [Key(PitchClass.from_fifths(f), mode) for f in range(-5, 7) for mode in _MODES]
    far = 10**6
    table = [[far] * 24 for _ in range(24)]
    for one, other in product(keys, keys):
        if is_next_to(one, other):
            step = _direct(tonic_of(one), one, tonic_of(other), other)
            table[_number(one)][_number(other)] = step
    for via, a, b in product(range(24), repeat=3):
        table[a][b] = min(table[a][b], table[a][via] + table[via][b])
    return tuple(tuple(row) for row in table)


def surface_dissonance(
    chord: Chord, region: Key, melody: PitchClass | None, foreign: Iterable[PitchClass] = ()
) -> int:
    """Return what the sounding surface adds to tension (Lerdahl 2001, chapter 4; numbers from memory).

    1 where the melody has the chord's third or fifth, 2 for an inversion, 1 for a seventh, 3 for each
    foreign note of the scale and 4 for each foreign chromatic one, octaves apart counting once.
    """
    total = 2 * (chord.bass != chord.root)
    total += melody is not None and melody in (chord.member(3), chord.member(5))
    total += len(chord.quality.fifths) > 3 and chord.member(7) is not None
    scale = scale_under(chord, region)
    return total + sum(3 if s in scale else 4 for s in {tone.semitone for tone in foreign} - chord.semitones)


def anchoring(note: int, chord: Chord, scale: frozenset[int]) -> int:
    """Return how firmly a sounding pitch class stands under a chord: 4 its root, 3 a triad tone, 2, 1."""
    if note == chord.root.semitone:
        return _STRENGTH["tonic"]
    if any(tone is not None and tone.semitone == note for tone in (chord.member(3), chord.member(5))):
        return _STRENGTH["triad"]
    return _STRENGTH["scale" if note in scale else "chromatic"]


def attraction(note: int, goal: int, chord: Chord, scale: frozenset[int]) -> float:
    """Return how strongly one pitch class is drawn to another: (s2 / s1) / n², n semitones apart.

    s1 and s2 are how firmly note and goal stand under the chord. 0 from a note to itself.
    """
    apart = min((note - goal) % 12, (goal - note) % 12)
    if apart == 0:
        return 0.0
    return anchoring(goal, chord, scale) / anchoring(note, chord, scale) / apart**2
