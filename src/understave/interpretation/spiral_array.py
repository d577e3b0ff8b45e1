"""Spelled notes -> points on a spiral, and three measures of tension: diameter, momentum and strain.

The spiral array is Chew's (Towards a Mathematical Model of Tonality, 2000): pitches lie on a helix, a fifth
a quarter turn, so that a major third lies straight above; chords and keys are weighted centres of their
notes and chords. A cloud of notes is tense as far as it reaches (diameter), as its centre moves (momentum)
and as its centre lies away from the key (strain): Herremans and Chew, Tension ribbons, 2016 (from memory).
The parameters are those of Chew: radius 1, height √(2/15) for each fifth, all weights .536, .274 and .19.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from functools import lru_cache
from itertools import combinations
from typing import TypeAlias

from understave.theory.key import Key

Point: TypeAlias = tuple[float, float, float]
Cloud: TypeAlias = Mapping[int, float]
"""Places on the line of fifths (C = 0, G = 1), each with how long it sounds."""

HEIGHT = math.sqrt(2 / 15)
WEIGHTS = (0.536, 0.274, 0.19)
"""Chew's height of a fifth, and her weights of root, fifth and third and of the chords of a key (2000)."""
MAJOR_DOMINANT = 0.75
"""Share of the major dominant against the minor one in a minor key; and of the minor subdominant."""


@lru_cache
def pitch(fifths: int) -> Point:
    """Return the point of a pitch class by its place on the line of fifths."""
    # Exact quarter turns, free of rounding.
    x, y = ((0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0))[fifths % 4]
    return x, y, fifths * HEIGHT


@lru_cache
def major_chord(fifths: int) -> Point:
    """Return the point of a major triad by its root."""
    return _weighted(pitch(fifths), pitch(fifths + 1), pitch(fifths + 4))


@lru_cache
def minor_chord(fifths: int) -> Point:
    """Return the point of a minor triad by its root."""
    return _weighted(pitch(fifths), pitch(fifths + 1), pitch(fifths - 3))


@lru_cache
def key_point(key: Key) -> Point:
    """Return the point of a key: its tonic, dominant and subdominant, in this order of weight."""
    t = key.tonic.fifths
    if key.mode == "major":
        return _weighted(major_chord(t), major_chord(t + 1), major_chord(t - 1))
    share = MAJOR_DOMINANT
    dominant = _mix(major_chord(t + 1), minor_chord(t + 1), share)
    subdominant = _mix(minor_chord(t - 1), major_chord(t - 1), share)
    return _weighted(minor_chord(t), dominant, subdominant)


def centre(cloud: Cloud) -> Point:
    """Return the centre of a cloud, each pitch weighted by how long it sounds; ValueError if it is empty."""
    total = sum(cloud.values())
    if total <= 0:
        raise ValueError("A cloud without notes has no centre.")
    points = [(pitch(f), length / total) for f, length in cloud.items()]
    x, y, z = (sum(p[axis] * share for p, share in points) for axis in range(3))
    return x, y, z


def diameter(pitches: Iterable[int]) -> float:
    """Return the greatest distance between two of the pitches, 0 for fewer than two."""
    return max((math.dist(pitch(a), pitch(b)) for a, b in combinations(set(pitches), 2)), default=0.0)


def momentum(before: Cloud, now: Cloud) -> float:
    """Return how far the centre has moved from one cloud to the next."""
    return math.dist(centre(before), centre(now))


def strain(cloud: Cloud, key: Key) -> float:
    """Return how far the centre lies from the key."""
    return math.dist(centre(cloud), key_point(key))


def _weighted(*points: Point) -> Point:
    x, y, z = (sum(w * p[axis] for w, p in zip(WEIGHTS, points, strict=True)) for axis in range(3))
    return x, y, z


def _mix(one: Point, other: Point, share: float) -> Point:
    x, y, z = (share * a + (1 - share) * b for a, b in zip(one, other, strict=True))
    return x, y, z
