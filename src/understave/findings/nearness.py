"""Two keys -> how near one is to the other, as values that words are made of.

Nearness follows the signature, the tonic and the mode (Hutchinson, Music Theory for the 21st-Century
Classroom, chapter 22, on closely related keys; Open Music Theory, part V, on mediants by common tone).
"""

from __future__ import annotations

from dataclasses import dataclass

from understave.theory.key import Key
from understave.theory.pitch import Interval, PitchClass

RELATIONS = (
    "same",
    "parallel",
    "relative",
    "dominant",
    "subdominant",
    "relative of the dominant",
    "relative of the subdominant",
    "dominant in the other mode",
    "subdominant in the other mode",
    "chromatic mediant",
    "doubly chromatic mediant",
    "semitone above",
    "semitone below",
    "tone above",
    "tone below",
    "tritone",
)
"""Every relation, nearest first."""


@dataclass(frozen=True, slots=True)
class Nearness:
    """How a key stands to a home key.

    `relation` is one of `RELATIONS`. `fifths` counts sharps (positive) or flats (negative) that its
    signature has more than home's, in the nearer of two enharmonic spellings. `common_scale` is how many of
    the seven notes both (natural) scales share, `common_chord` the notes that both tonic triads share.
    `interval` leads up from home's tonic. `respelled` tells that the key is written on the far side.
    """

    relation: str
    fifths: int
    common_scale: int
    common_chord: tuple[PitchClass, ...]
    interval: Interval
    respelled: bool

    @property
    def is_close(self) -> bool:
        """Whether the signatures differ by at most one accidental."""
        return abs(self.fifths) <= 1


def nearness(home: Key, key: Key) -> Nearness:
    """Return how near a key is to a home key."""
    fifths = home.fifths_to(key)
    turned = (fifths + 5) % 12 - 5 if abs(fifths) > 6 else fifths
    near = Key(PitchClass.from_fifths(key.tonic.fifths + turned - fifths), key.mode)
    return Nearness(
        relation=_relation(home, near),
        fifths=turned,
        common_scale=len(set(home.scale) & set(near.scale)),
        common_chord=tuple(tone for tone in _triad(home) if tone in _triad(near)),
        interval=Interval.from_fifths(near.tonic.fifths - home.tonic.fifths),
        respelled=turned != fifths,
    )


def _triad(key: Key) -> tuple[PitchClass, PitchClass, PitchClass]:
    return key.scale[0], key.scale[2], key.scale[4]


def _relation(home: Key, key: Key) -> str:
    same_mode = home.mode == key.mode
    named = {home: "same", home.parallel: "parallel", home.relative: "relative"}
    dominant, subdominant = Key(home.tonic.shift(1), home.mode), Key(home.tonic.shift(-1), home.mode)
    named |= {
        dominant: "dominant",
        subdominant: "subdominant",
        dominant.relative: "relative of the dominant",
        subdominant.relative: "relative of the subdominant",
    }
    for far, name in (
        (dominant.parallel, "dominant in the other mode"),
        (subdominant.parallel, "subdominant in the other mode"),
    ):
        named.setdefault(far, name)
    if key in named:
        return named[key]
    step = (key.tonic.semitone - home.tonic.semitone) % 12
    if step in (3, 4, 8, 9):
        return "chromatic mediant" if same_mode else "doubly chromatic mediant"
    return {
        1: "semitone above",
        11: "semitone below",
        2: "tone above",
        10: "tone below",
        6: "tritone",
        5: "subdominant in the other mode",
        7: "dominant in the other mode",
    }[step]
