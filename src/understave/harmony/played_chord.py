"""Keys that are held on a keyboard -> the Roman numerals that name them in a key.

In: MIDI numbers and a `Key`. Out: `RomanNumeral`s, the most usual first. A keyboard does not spell: every way
to write the keys near the key's own notes is tried, and of the chords that this gives those come first that
analysts wrote most often in that mode (`statistics.json`). The lowest key is the bass. A chord may lack its
fifth.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import product

from understave.harmony.grammar import shipped_counts
from understave.harmony.naming import numeral_for
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

_LOWEST, _HIGHEST = -6, 8
"""How far below and above the tonic notes are spelled, in fifths: in C from G flat to G sharp, so that a key
has one or two names.
"""
MOST_NOTES = 5
"""Different notes of a chord at most: a ninth chord has five."""
MOST_NAMES = 4


def named_from_keys(keys: Iterable[int], key: Key) -> tuple[RomanNumeral, ...]:
    """Return the numerals for held keys (MIDI numbers), `MOST_NAMES` at most; none for what is no chord."""
    held = sorted(set(keys))
    sounding = dict.fromkeys(number % 12 for number in held)
    if not 2 < len(sounding) <= MOST_NOTES:
        return ()
    bass = held[0] % 12
    found: dict[RomanNumeral, tuple[int, int]] = {}
    for spelled in product(*(_spellings(semitone, key) for semitone in sounding)):
        low = next(tone for tone in spelled if tone.semitone == bass)
        strange = sum(tone not in key for tone in spelled)
        for chord in Chord.from_pitch_classes(spelled, low):
            numeral = numeral_for(chord, key, None)
            if numeral.chord(key).bass == low:
                found.setdefault(numeral, (-_times(chord, key), strange))
    return tuple(sorted(found, key=lambda numeral: found[numeral]))[:MOST_NAMES]


def _spellings(semitone: int, key: Key) -> Sequence[PitchClass]:
    tonic = key.tonic.fifths
    around = (PitchClass.from_fifths(tonic + steps) for steps in range(_LOWEST, _HIGHEST + 1))
    return [tone for tone in around if tone.semitone == semitone]


def _times(chord: Chord, key: Key) -> int:
    """Return how often analysts wrote a chord in keys of this mode."""
    turned = "64" if chord.inversion == 2 and chord.quality in (Quality.MAJOR, Quality.MINOR) else ""
    place = chord.root.fifths - key.tonic.fifths
    times: int = shipped_counts()[key.mode]["tokens"].get(f"{place:+d} {chord.quality}{turned}", 0)
    return times
