"""How a teacher likes to label, as leanings of the decoder.

In: what the networks judged of every frame, and a teacher's `Habits`. Out: the same judgement, leaning. Two
good musicians differ less in what they hear than in what they write down: whether a passing chord is one,
whether a seventh that comes late is written, whether the lowest note is the bass of the chord. Each habit
moves one of these and nothing else; what none of them says stays as the networks judged it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from understave.harmony.model.encoding import FIFTHS, Encoding
from understave.harmony.model.label_indices import QUALITIES
from understave.harmony.model.network import Floats, Numerals
from understave.theory.chord import Quality


@dataclass(frozen=True, slots=True)
class Habits:
    """Leanings in natural logarithms of odds; 0 is the reader's own way.

    `change`: a new chord, anywhere; `downbeat`: a new chord on the first beat of a bar, besides;
    `seventh`: a seventh chord rather than its triad; `lowest`: the lowest sounding note as the bass of the
    chord; `inverted`: an inversion; `six_four`: a six-four chord.
    """

    change: float = 0.0
    downbeat: float = 0.0
    seventh: float = 0.0
    lowest: float = 0.0
    inverted: float = 0.0
    six_four: float = 0.0


NO_HABITS = Habits()
HABITS = tuple(f.name for f in fields(Habits))
_LEAST = 1e-6


def leaning(
    judged: Mapping[str, Floats], encoding: Encoding, numerals: Numerals, habits: Habits
) -> dict[str, Floats]:
    """Return the networks' judgement (see `network.judge`) as it is for a teacher of these habits."""
    result = dict(judged)
    if habits == NO_HABITS:
        return result
    if habits.change or habits.downbeat:
        downbeat = encoding.frames[:, 2] >= 1
        chance = np.clip(judged["starts"][:, 0], _LEAST, 1 - _LEAST)
        odds = np.log(chance / (1 - chance)) + habits.change + habits.downbeat * downbeat
        starts = judged["starts"].copy()
        starts[:, 0] = 1 / (1 + np.exp(-odds))
        result["starts"] = starts
    if habits.seventh:
        result["quality"] = judged["quality"] + habits.seventh * _SEVENTHS
    if habits.inverted:
        inverted = np.arange(judged["inversion"].shape[1]) > 0
        result["inversion"] = judged["inversion"] + habits.inverted * inverted.astype(np.float32)
    if habits.six_four:
        places = numerals.places
        six_four = (places[:, 4] == 2) & ~_SEVENTHS[places[:, 3]].astype(bool)
        result["numeral"] = judged["numeral"] + habits.six_four * six_four.astype(np.float32)
    if habits.lowest:
        # The lowest note comes first; its place on the line of fifths is counted as in the bass's own head.
        lowest = np.clip(encoding.codes[:, 0, 0].astype(np.int64), 0, FIFTHS - 1)
        bass = judged["bass"].copy()
        frame = np.flatnonzero(lowest > 0)
        bass[frame, lowest[frame]] += habits.lowest
        result["bass"] = bass
    return result


def _is_seventh(name: str) -> bool:
    if name == "other":
        return False
    quality = Quality(name)
    return len(quality.fifths) > 3 and not quality.is_augmented_sixth


_SEVENTHS = np.array([_is_seventh(name) for name in QUALITIES], dtype=np.float32)
