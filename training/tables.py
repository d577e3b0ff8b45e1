"""The table of numerals, completed for both modes."""

from __future__ import annotations

from typing import Any

from understave.harmony.model.label_indices import Reduced, reduce
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral


def complete(table: dict[str, Any]) -> dict[str, Any]:
    """Fill in how a numeral is written in the mode in which the analysts never wrote it."""
    for mode in ("major", "minor"):
        key = Key(PitchClass("C"), mode)
        for index, item in enumerate(table["numerals"]):
            if table["texts"][mode][index] is not None:
                continue
            reduced = Reduced(*item)
            quality = Quality(reduced.quality)
            inversion = min(reduced.inversion, len(quality.fifths) - 1)
            chord = Chord(PitchClass.from_fifths(reduced.root), quality, inversion)
            fitting = [n for n in RomanNumeral.of(chord, key) if reduce(key, n) == reduced]
            table["texts"][mode][index] = str(fitting[0]) if fitting else None
    return table
