"""A chord between its neighbours -> the Roman numeral a teacher would write.

The same notes have several right names; what comes next decides. A major triad on the second degree that
goes to the dominant is V/V, elsewhere II; a tonic six-four over the bass of a following dominant is
cadential.
"""

from __future__ import annotations

from functools import lru_cache

from understave.theory.chord import Chord
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


@lru_cache(maxsize=65536)
def numeral_for(chord: Chord, key: Key, previous: Chord | None, following: Chord | None) -> RomanNumeral:
    """Return the numeral for a chord in a key, given the chords before and after it."""
    names = RomanNumeral.of(chord, key)
    for name in names:
        if name.applied and following is not None and name.local_key(key).tonic == following.root:
            return name
    return names[0]
