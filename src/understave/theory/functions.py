"""Function symbols (``T``, ``Sp``, ``D7``, ``DD``, ``tG``) -> chords in a key.

As taught in German-speaking schools: capitals are major, small letters minor; T, S and D lie on the first,
fourth and fifth degree; p and P are the parallels (a third below major, a third above minor), g and G the
counter-parallels (Maler, "Beitrag zur durmolltonalen Harmonielehre", 1931; after Riemann; from memory). A 6
on a subdominant is the added sixth, ``D64`` the six-four before the dominant; ``/3`` puts the third
in the bass.
"""

from __future__ import annotations

import re

from understave.errors import SymbolError
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key

_SYMBOL = re.compile(r"(DD|[TSDtsd])([pPgG]?)(64|[79]|6|)(?:/([1357]))?")
_HOME = {"t": 0, "s": -1, "d": 1, "dd": 2}
# (relation, whether its base is major) -> root above the base, in fifths.
_BESIDE = {("p", True): 3, ("P", False): -3, ("g", True): 4, ("G", False): -4}
_SEVENTH = {True: Quality.MAJOR7, False: Quality.MINOR7}
_PLACE = {"": 0, "1": 0, "3": 1, "5": 2, "7": 3}


def read_function(text: str, key: Key) -> Chord:
    """Return the chord of a function symbol in a key; raise ValueError with one sentence on anything else."""
    m = _SYMBOL.fullmatch(text.strip())
    complaint = f"{text.strip()!r} is not a function; write for example T, Sp, D7, DD7, s6 or D7/3."
    if m is None:
        raise SymbolError(complaint)
    name, beside, figures, bass = m.groups()
    root, major = key.tonic.shift(_HOME[name.lower()]), name[0].isupper()
    if beside:
        if (beside, major) not in _BESIDE:
            raise SymbolError(
                f"{text.strip()!r} is not a function: beside a major chord stand p and g, else P and G."
            )
        root, major = root.shift(_BESIDE[beside, major]), not major
    quality, inversion = Quality.MAJOR if major else Quality.MINOR, _PLACE[bass or ""]
    if figures == "64":
        if name != "D" or beside or bass:
            raise SymbolError(complaint)
        return Chord(root.shift(-1), Quality.MAJOR if key.mode == "major" else Quality.MINOR, 2)
    if figures == "6":
        if name.lower() != "s" or beside or bass:
            raise SymbolError(complaint)
        # The added sixth makes the seventh chord of the second degree over the bass of the fourth.
        return Chord(root.shift(3), Quality.MINOR7 if major else Quality.HALF_DIMINISHED7, 1)
    if figures == "7":
        quality = Quality.DOMINANT7 if name[0] == "D" and not beside else _SEVENTH[major]
    if figures == "9":
        if name[0] != "D" or beside:
            raise SymbolError(complaint)
        quality = Quality.DOMINANT9 if key.mode == "major" else Quality.DOMINANT_MINOR9
    if inversion >= len(quality.fifths):
        raise SymbolError(complaint)
    return Chord(root, quality, inversion)
