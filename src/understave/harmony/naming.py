"""A chord between its neighbours -> the Roman numeral a teacher would write.

The same notes have several right names; what comes next decides. A minor key's VII that goes to III is
V/III, elsewhere VII; a six-four over the bass of a dominant that follows is cadential; a diminished
seventh that does not go where its leading tone points keeps its plain degree. The preferences below are
those of the analyses named in `statistics.json`.
"""

from __future__ import annotations

from functools import lru_cache

from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

_DOMINANT = {
    Quality.MAJOR,
    Quality.DOMINANT7,
    Quality.DOMINANT9,
    Quality.DOMINANT_MINOR9,
    Quality.SUS4,
}
_APPLIED_IF_RESOLVED = {
    ("minor", 0, Quality.MAJOR),
    ("minor", -2, Quality.MAJOR),
    ("minor", -2, Quality.DOMINANT7),
    ("minor", 2, Quality.DIMINISHED),
    ("minor", 2, Quality.HALF_DIMINISHED7),
    ("minor", 3, Quality.DIMINISHED),
}
"""Chords at home in the key that are called applied only where they resolve: (mode, root in fifths above
the tonic, quality)."""
_PLAIN_UNLESS_RESOLVED = {
    ("minor", -1, Quality.DOMINANT7),
    ("major", -1, Quality.DOMINANT7),
    ("major", 2, Quality.DIMINISHED7),
    ("minor", 2, Quality.DIMINISHED7),
    ("major", 9, Quality.DIMINISHED7),
    ("major", 0, Quality.AUGMENTED),
    ("minor", -4, Quality.AUGMENTED),
}
"""Chords that keep their plain degree where they do not resolve as applied ones do."""


@lru_cache(maxsize=65536)
def numeral_for(chord: Chord, key: Key, following: Chord | None) -> RomanNumeral:
    """Return the numeral for a chord in a key, given the chord after it."""
    cadential = _cadential(chord, key, following)
    if cadential is not None:
        return cadential
    names = RomanNumeral.of(chord, key)
    place = (key.mode, chord.root.fifths - key.tonic.fifths, chord.quality)
    resolved = [
        numeral
        for numeral in names
        if numeral.applied and following and numeral.local_key(key).tonic == following.root
    ]
    if place in _APPLIED_IF_RESOLVED and resolved:
        return resolved[0]
    if place in _PLAIN_UNLESS_RESOLVED and not resolved:
        return next((numeral for numeral in names if not numeral.applied), names[0])
    return resolved[0] if resolved and names[0].applied else names[0]


def _cadential(chord: Chord, key: Key, following: Chord | None) -> RomanNumeral | None:
    """Name a six-four whose bass is the root of the dominant that follows it, else None.

    Hutchinson, "Music Theory for the 21st-Century Classroom", 16.3.
    """
    if following is None or chord.inversion != 2 or chord.quality not in (Quality.MAJOR, Quality.MINOR):
        return None
    if following.quality not in _DOMINANT or following.root != chord.bass or following.inversion:
        return None
    if chord.bass == key.tonic:
        # Over the tonic it is the six-four of a pedal point or a plagal turn (iv64-i).
        return None
    if chord.root == key.tonic:
        name = RomanNumeral.parse("Cad64")
        return name if name.chord(key) == chord else None
    target = _target(chord.root, key)
    if target is None:
        return None
    name = RomanNumeral.parse(f"Cad64/{target}")
    return name if name.chord(key) == chord else None


def _target(root: PitchClass, key: Key) -> str | None:
    """Return the diatonic triad on a degree as a numeral, None off the scale."""
    if root not in key.scale:
        return None
    degree = key.scale.index(root)
    names = {"major": "I ii iii IV V vi", "minor": "i . III iv V VI VII"}[key.mode].split()
    return names[degree] if degree < len(names) and names[degree] != "." else None
