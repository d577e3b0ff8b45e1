"""The chords and keys the engine knows, as numbers on the line of fifths.

A *label* is root place, quality and inversion in one integer; a *key* is tonic place and mode. Places are
relative to the piece's centre (see `units`), so nothing here depends on how a piece is transposed.
In: a `Chord` or `Key` and a centre. Out: their numbers, and back.
"""

from __future__ import annotations

import numpy as np

from understave.harmony.units import HALF, SPAN, Floats, Ints
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import PitchClass

KINDS: tuple[Quality, ...] = (
    Quality.MAJOR,
    Quality.MINOR,
    Quality.DIMINISHED,
    Quality.AUGMENTED,
    Quality.DOMINANT7,
    Quality.MAJOR7,
    Quality.MINOR7,
    Quality.HALF_DIMINISHED7,
    Quality.DIMINISHED7,
    Quality.MINOR_MAJOR7,
    Quality.AUGMENTED7,
    Quality.SUS4,
    Quality.DOMINANT7_SUS4,
    Quality.DOMINANT9,
    Quality.DOMINANT_MINOR9,
    Quality.ITALIAN,
    Quality.FRENCH,
    Quality.GERMAN,
)
"""The chord qualities considered; a quality's number is its place here."""
SHAPES: tuple[tuple[int, ...], ...] = tuple(quality.fifths for quality in KINDS)
ROLES = 5
REACH = 10
"""Roots lie within so many fifths of the centre."""
ROOTS = 2 * REACH + 1
INVERSIONS = 4
CHORDS = ROOTS * len(KINDS)
LABELS = CHORDS * INVERSIONS

CLASSES = 2 * ROLES + 12
"""How a pitch class can stand to a chord: chord tone by role, sounding like one but spelled otherwise,
or foreign at so many semitones above the root."""

KEYS: tuple[tuple[int, int], ...] = tuple(
    (place, mode) for mode, low in ((0, -10), (1, -7)) for place in range(low, low + 17)
)
"""Every key considered: (tonic place, 0 major or 1 minor)."""
KEY_PLACE = np.array([k[0] for k in KEYS])
KEY_MODE = np.array([k[1] for k in KEYS])


def chord_index(place: int, quality: int) -> int:
    """Return the chord number of a root place and quality number."""
    return (place + REACH) * len(KINDS) + quality


def label_index(place: int, quality: int, inversion: int) -> int:
    """Return the label number of a root place, quality number and inversion."""
    return chord_index(place, quality) * INVERSIONS + inversion


def label_parts(label: Ints) -> tuple[Ints, Ints, Ints]:
    """Return root places, quality numbers and inversions of label numbers."""
    chord, inversion = np.divmod(label, INVERSIONS)
    place, quality = np.divmod(chord, len(KINDS))
    return place - REACH, quality, inversion


def _semitones(fifths: int) -> int:
    return fifths * 7 % 12


def _classes() -> Ints:
    """Return the class of every pitch-class distance for every quality, shape (Q, 2*SPAN+1)."""
    table = np.zeros((len(KINDS), 2 * SPAN + 1), dtype=np.int64)
    for q, shape in enumerate(SHAPES):
        sounds = {_semitones(f): role for role, f in reversed(list(enumerate(shape)))}
        for distance in range(-SPAN, SPAN + 1):
            semis = _semitones(distance)
            if distance in shape:
                cls = shape.index(distance)
            elif semis in sounds:
                cls = ROLES + sounds[semis]
            else:
                cls = 2 * ROLES + semis
            table[q, distance + SPAN] = cls
    return table


CLASS_OF = _classes()


def _template_classes() -> Ints:
    """Return the class of every column for every chord, shape (SPAN, CHORDS)."""
    columns = np.arange(SPAN) - HALF
    table = np.zeros((SPAN, CHORDS), dtype=np.int64)
    for place in range(-REACH, REACH + 1):
        for q in range(len(KINDS)):
            table[:, chord_index(place, q)] = CLASS_OF[q][columns - place + SPAN]
    return table


TEMPLATE_CLASS = _template_classes()


def _bass_columns() -> tuple[Ints, Floats]:
    """Return for every label its bass column, and a mask of the labels that exist."""
    column = np.zeros(LABELS, dtype=np.int64)
    exists = np.zeros(LABELS)
    for place in range(-REACH, REACH + 1):
        for q, shape in enumerate(SHAPES):
            for inversion in range(INVERSIONS):
                label = label_index(place, q, inversion)
                if inversion < len(shape):
                    exists[label] = 1
                    column[label] = min(max(place + shape[inversion] + HALF, 0), SPAN - 1)
    return column, exists


BASS_COLUMN, LABEL_EXISTS = _bass_columns()


def adds_seventh(label: int, after: int) -> bool:
    """Return whether the second label is the first with a seventh, in whatever inversion."""
    place, quality = divmod(label // INVERSIONS, len(KINDS))
    place_after, quality_after = divmod(after // INVERSIONS, len(KINDS))
    before, now = SHAPES[quality], SHAPES[quality_after]
    return place == place_after and len(now) == 4 and now[:3] == before


def nearest_kind(quality: Quality) -> int:
    """Return the number of the quality itself, or of the known one that shares most of its members."""
    if quality in KINDS:
        return KINDS.index(quality)
    own = set(quality.fifths)

    def likeness(i: int) -> tuple[float, int]:
        shape = set(SHAPES[i])
        return (len(shape & own) - 1.5 * len(shape - own), -i)

    return max(range(len(KINDS)), key=likeness)


def nearest_label(chord: Chord, centre: int) -> int:
    """Return the label nearest to a chord: the same, or one that sounds alike, or its main members."""
    place = chord.root.fifths - centre
    while place > REACH:
        place -= 12
    while place < -REACH:
        place += 12
    quality = nearest_kind(chord.quality)
    bass = chord.bass.fifths - chord.root.fifths
    shape = SHAPES[quality]
    inversion = shape.index(bass) if bass in shape else 0
    return label_index(place, quality, min(inversion, 3))


def nearest_key(key: Key, centre: int) -> int:
    """Return the number of the key that is, or else sounds like, the given one."""
    mode = int(key.mode == "minor")
    own = key.tonic.fifths - centre
    same = [i for i, (place, m) in enumerate(KEYS) if m == mode and (place - own) % 12 == 0]
    return min(same, key=lambda i: abs(KEYS[i][0] - own))


def chord_of(label: int, centre: int) -> Chord:
    """Return the chord of a label in a piece with this centre."""
    place, quality, inversion = (int(x[0]) for x in label_parts(np.array([label])))
    return Chord(PitchClass.from_fifths(place + centre), KINDS[quality], inversion)


def key_of(number: int, centre: int) -> Key:
    """Return the key of a number in a piece with this centre."""
    place, mode = KEYS[number]
    return Key(PitchClass.from_fifths(place + centre), "minor" if mode else "major")
