"""The labels the network knows: keys, and numerals reduced to what is told apart.

In: a Key and a RomanNumeral. Out: table indices, and back. A numeral is reduced to its root, quality,
inversion and tonicised key, all relative to the tonic, so that V7 in C and V7 in A flat are one label;
bracketed additions are dropped and a ninth counts as its seventh chord.
"""

from __future__ import annotations

from typing import NamedTuple

from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

LOWEST_TONIC, HIGHEST_TONIC = -13, 13
KEYS = 2 * (HIGHEST_TONIC - LOWEST_TONIC + 1)
QUALITIES = (
    "major",
    "minor",
    "diminished",
    "augmented",
    "dominant7",
    "major7",
    "minor7",
    "half-diminished7",
    "diminished7",
    "minor-major7",
    "augmented7",
    "augmented-major7",
    "italian",
    "french",
    "german",
    "sus4",
    "dominant7sus4",
    "other",
)
_BASIC = {
    "dominant9": "dominant7",
    "dominant-minor9": "dominant7",
    "dominant11": "dominant7",
    "dominant13": "dominant7",
    "major9": "major7",
    "minor9": "minor7",
    "half-diminished9": "half-diminished7",
    "diminished9": "diminished7",
    "major6": "major",
    "minor6": "minor",
    "dominant7-flat5": "dominant7",
}


class Reduced(NamedTuple):
    """A numeral as the network tells it apart; places on the line of fifths relative to the tonic."""

    root: int
    quality: str
    inversion: int
    tonicised: int
    minor: bool


def key_index(key: Key) -> int | None:
    """Index of a key in the table, None for a tonic beyond its ends."""
    if not LOWEST_TONIC <= key.tonic.fifths <= HIGHEST_TONIC:
        return None
    return 2 * (key.tonic.fifths - LOWEST_TONIC) + (key.mode == "minor")


def key_of(index: int) -> Key:
    """The key at an index of the table."""
    return Key(PitchClass.from_fifths(index // 2 + LOWEST_TONIC), "minor" if index % 2 else "major")


def quality_name(quality: str) -> str:
    """The quality as the network tells it apart."""
    name = _BASIC.get(quality, quality)
    return name if name in QUALITIES else "other"


def reduce(key: Key, numeral: RomanNumeral) -> Reduced:
    """Reduce a numeral in a key to what the network tells apart."""
    chord = numeral.chord(key)
    local = numeral.local_key(key)
    return Reduced(
        chord.root.fifths - key.tonic.fifths,
        quality_name(str(chord.quality.value)),
        min(chord.inversion, 3),
        local.tonic.fifths - key.tonic.fifths,
        local.mode == "minor",
    )
