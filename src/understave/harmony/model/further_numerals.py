"""Numerals beyond the table, for chords that it does not name in a key that is held.

The table of `network.Numerals` has what analysts write often. A chord that was found in one key may have no
numeral there in another, which the teacher gave: E flat minor in C major, say. A key says how a chord is
called and not which it is; so that such a chord can be kept, a numeral is made for it: one of the dominant
of a foreign degree where it was found as that (``V7/#iv``), otherwise the most usual one that
`RomanNumeral.of` gives, mostly the plain one on its altered degree (``biii``).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from understave.harmony.model.decoding import Bools, Ints
from understave.harmony.model.label_indices import Reduced, key_of, reduce
from understave.harmony.model.network import Numerals
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

MOST_ALTERED = 1
"""Accidentals before a numeral, or before the degree it is applied to; more are no name that is read."""
_DOMINANTS = (5, 7)
"""Degrees whose chords are applied to the degree they were found on."""


def further_numerals(free: tuple[Ints, Ints], held: Ints, where: Bools, numerals: Numerals) -> Numerals:
    """Return the table with a row more for every chord that a held key has no numeral for.

    `free` holds key and numeral index (T,) of the path found without the held keys, `held` (T,) the index of
    the key in frames in which `where` (T,) is True. New rows stand last, each in one mode.
    """
    reduced, texts = list(numerals.reduced), [list(row) for row in numerals.texts]
    seen = [list(row) for row in numerals.seen]
    known = {(mode, _sound(r)) for mode in (0, 1) for r, s in zip(reduced, seen[mode], strict=True) if s}
    places = {tuple(int(x) for x in row) for row in np.stack([*free, held], 1)[where]}
    for found_key, number, key in sorted(places):
        if found_key == key:
            continue
        own = numerals.reduced[number]
        chord = (own.root + found_key // 2 - key // 2, own.quality, own.inversion)
        text = numerals.texts[found_key % 2][number]
        if (key % 2, chord) in known or text is None:
            continue
        name = name_in(RomanNumeral.parse(text), key_of(found_key), key_of(key))
        if name is None:
            continue
        known.add((key % 2, chord))
        reduced.append(reduce(key_of(key), name))
        for mode in (0, 1):
            texts[mode].append(str(name) if mode == key % 2 else None)
            seen[mode].append(mode == key % 2)
    return Numerals(tuple(reduced), (tuple(texts[0]), tuple(texts[1])), np.array(seen))


def _sound(reduced: Reduced) -> tuple[int, str, int]:
    return (reduced.root, reduced.quality, reduced.inversion)


def name_in(numeral: RomanNumeral, found: Key, held: Key) -> RomanNumeral | None:
    """Return what a chord that was found as a numeral of one key is called in another, None if unreadable."""
    chord, local = numeral.chord(found), numeral.local_key(found)
    names = [numeral for numeral in RomanNumeral.of(chord, held) if _readable(numeral)]
    applied = [
        numeral for numeral in names if numeral.applied and numeral.local_key(held).tonic == local.tonic
    ]
    if not applied and (numeral.degree in _DOMINANTS or numeral.special) and local.tonic != held.tonic:
        mine = replace(numeral, applied=(_degree(local, held),))
        applied = [mine] if _readable(mine) and mine.chord(held) == chord else []
    return next(iter([*applied, *names]), None)


def _degree(local: Key, held: Key) -> RomanNumeral:
    """Return the triad of a key's tonic as a plain numeral of another."""
    quality = Quality.MINOR if local.mode == "minor" else Quality.MAJOR
    names = RomanNumeral.of(Chord(local.tonic, quality), held)
    return next(numeral for numeral in names if not numeral.applied and not numeral.special)


def _readable(numeral: RomanNumeral) -> bool:
    return all(abs(n.alter) <= MOST_ALTERED for n in (numeral, *numeral.applied))
