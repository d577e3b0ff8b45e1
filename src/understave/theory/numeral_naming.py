"""Naming chords: the Roman numerals of a spelled chord in a key, the most usual first.

In: a `Chord` and a `Key`. Out: `RomanNumeral`s. Usual numerals are looked up in a table made once for each
mode; the order of its rows is the order of preference. Every other chord gets the plain numeral on its own
degree. The order follows how often published RomanText analyses (When in Rome, Gotham et al., TISMIR 2023)
use each name for the same chord.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from understave.theory.chord import Chord, Quality, factor, quality_of_shape
from understave.theory.key import Key, Mode
from understave.theory.numeral_places import above_root, bare_qualities, degree_alter, degree_fifths
from understave.theory.numeral_reading import read_numeral
from understave.theory.pitch import PitchClass, accidental_text
from understave.theory.roman import SUSPENDED, RomanNumeral

# Applied chords are written with {}, once for every target below.
_APPLIED = "V7/{} V/{} viio7/{} viiø7/{} viio/{} V9/{} V+7/{} V+/{}"
_APPLIED_SIXTHS = "It6/{} Fr43/{} Ger65/{} V7[b5]/{} V54/{} V74/{}"
_ORDER: dict[Mode, tuple[str, ...]] = {
    "major": (
        "I V IV ii vi iii viio V7 ii7 viiø7 viio7 I7 IV7 vi7 iii7 V9 V54 V74 ii9 IV9 I9 vi9 iii9",
        "I54 ii54 iii54 IV54 vi54",
        "It6 Fr43 Ger65 bII N",
        "i iv bVI bIII bVII v iio iiø7 iv7 bVI7 bIII7 I+",
        _APPLIED,
        "i7 v7 VII III II VI V+ V+7 iv9 i9",
        _APPLIED_SIXTHS,
    ),
    "minor": (
        "i V iv VI III iio viio VII v V7 iiø7 viio7 iv7 i7 VI7 III+ V9 V54 V74 v7 IV IV7 I ii vio viø7",
        "III+7 imaj7 ii7 iio7 viiø7 iv9 i9",
        "i54 III54 iv54 VI54 VII54",
        "It6 Fr43 Ger65 bII N",
        _APPLIED,
        "VII7 III7 iii vi I7 II iv9 bII7",
        _APPLIED_SIXTHS,
    ),
}
_TARGETS: dict[Mode, tuple[str, ...]] = {
    "major": ("V", "IV", "ii", "vi", "iii", "bIII", "bVI", "bVII", "N", "iv", "v", "viio"),
    "minor": ("V", "iv", "III", "VI", "VII", "v", "N", "iio", "ii", "IV", "I"),
}
_MINOR_TRIADS: dict[Mode, tuple[int, ...]] = {"major": (2, 3, 6), "minor": (1, 4)}
_STACKED = frozenset(
    quality
    for quality in Quality
    if quality in SUSPENDED
    or (
        quality.factors in ((1, 3, 5), (1, 3, 5, 7), (1, 3, 5, 7, 2))
        and quality not in (Quality.ITALIAN, Quality.GERMAN, Quality.FRENCH, Quality.DOMINANT7_FLAT5)
    )
)
"""Qualities that a numeral carries by itself, without brackets."""
_SIXTHS = {Quality.ITALIAN: ("It", 4, 1), Quality.GERMAN: ("Ger", 4, 1), Quality.FRENCH: ("Fr", 2, 0)}


@lru_cache(maxsize=2)
def _usual(mode: Mode) -> dict[tuple[int, Quality], tuple[RomanNumeral, ...]]:
    """Return the usual numerals of a mode in root position, by root place and quality."""
    key = Key(PitchClass("C"), mode)
    found: dict[tuple[int, Quality], list[RomanNumeral]] = {}
    for row in _ORDER[mode]:
        applied = "{}" in row
        for target in _TARGETS[mode] if applied else ("",):
            for text in row.split():
                numeral = read_numeral(text.format(target)).with_inversion(0)
                chord = numeral.chord(key)
                if (
                    applied
                    and numeral.local_key(key).mode == "minor"
                    and numeral.quality is Quality.HALF_DIMINISHED7
                ):
                    continue
                names = found.setdefault((chord.root.fifths, chord.quality), [])
                if numeral not in names:
                    names.append(numeral)
    return {place: tuple(names) for place, names in found.items()}


def numerals_of(chord: Chord, key: Key, enharmonic: bool = False) -> tuple[RomanNumeral, ...]:
    """Return the numerals that name a spelled chord in a key, the most usual first.

    The plain numeral on the chord's own degree is always among them; where the bass is a note that the
    numeral only adds (an eleventh or thirteenth), it stands in root position. A second inversion on the
    tonic is also offered as a cadential six-four. With `enharmonic`, names of the chord spelled otherwise
    follow.
    """
    # A numeral is the same in every key of a mode, so all are looked up in C.
    return _numerals_in(chord.transpose(-key.tonic.fifths), key.mode, enharmonic)


@lru_cache(maxsize=32768)
def _numerals_in(chord: Chord, mode: Mode, enharmonic: bool) -> tuple[RomanNumeral, ...]:
    key = Key(PitchClass("C"), mode)
    found: list[RomanNumeral] = []
    if not chord.added:
        for numeral in _usual(mode).get((chord.root.fifths, chord.quality), ()):
            found.append(replace(numeral, inversion=chord.inversion, omitted=chord.omitted))
    if found and found[0].degree == 2 and found[0].alter == -1 and chord.inversion == 1:
        # The Neapolitan is called so in its first inversion; otherwise it is the lowered second degree.
        found.sort(key=lambda numeral: numeral.special != "N")
    cadential = read_numeral("Cad64")
    if cadential.chord(key) == chord:
        found.append(cadential)
    plain = _plain(chord, key)
    if plain.chord(key).bass != chord.bass:
        # An added note in the bass: the same notes may be a stack of thirds on another root.
        others = Chord.from_pitch_classes(chord.members, chord.bass)
        found += [_plain(other, key) for other in others if other.quality in _STACKED]
    if plain not in found:
        found.append(plain)
    if enharmonic:
        for other in _respelled(chord, key):
            found += [numeral for numeral in _numerals_in(other, mode, False) if numeral not in found]
    return tuple(found)


def _plain(chord: Chord, key: Key) -> RomanNumeral:
    """Return the numeral on the chord's own degree, altered as it needs to be."""
    place = chord.root.fifths - key.tonic.fifths
    if chord.quality in _SIXTHS:
        return _plain_sixth(chord, key)
    quality, loose, altered = _carried(chord)
    small = len(quality.fifths) > 2 and quality.fifths[1] == -3
    degree = factor(place)
    if quality in SUSPENDED:
        # Printed like the triad it gives way to.
        small = degree in _MINOR_TRIADS[key.mode] and place == degree_fifths(degree, 0, True, key.mode)
    alter = degree_alter(degree, place, small, key.mode)
    omitted = set(chord.omitted)
    own = {factor(f): f for f in quality.fifths}
    added = []
    for step in loose:
        number = factor(step)
        if number in omitted and number in own and number != 1:
            altered += (accidental_text((step - own[number]) // 7) + str(number),)
            omitted.remove(number)
            continue
        number = {2: 9, 4: 11}.get(number, number)
        bend = (step - above_root(place, degree, number, key.mode)) // 7
        added.append(accidental_text(bend) + str(number))
    if chord.quality is Quality.POWER:
        omitted.add(3)
    numeral = RomanNumeral(
        degree,
        quality,
        _inversion(chord, quality),
        alter,
        added=tuple(added),
        omitted=tuple(sorted(omitted)),
        altered=altered,
        small=small and quality in SUSPENDED,
    )
    numeral = _by_key(numeral, key.mode)
    # Text and value must agree on the order of what is in brackets.
    return read_numeral(numeral.text)


def _carried(chord: Chord) -> tuple[Quality, list[int], tuple[str, ...]]:
    """Return the quality the numeral itself can carry, the notes added to it, and what is altered."""
    loose = [tone.fifths - chord.root.fifths for tone in chord.added]
    if chord.quality in _STACKED:
        return chord.quality, loose, ()
    if chord.quality is Quality.DOMINANT7_FLAT5:
        return Quality.DOMINANT7, loose, ("b5",)
    if chord.quality is Quality.POWER:
        return Quality.MAJOR, loose, ()
    shape = chord.quality.fifths
    for length in range(len(shape) - 1, 2, -1):
        for quality in quality_of_shape(shape[:length]):
            if quality in _STACKED:
                return quality, [*shape[length:], *loose], ()
    raise AssertionError(f"{chord.quality} is built on no triad")


def _inversion(chord: Chord, quality: Quality) -> int:
    """Return the inversion of the carried quality that has the chord's bass letter, else root position."""
    bass = factor(chord.bass.fifths - chord.root.fifths)
    return quality.factors.index(bass) if bass in quality.factors else 0


def _by_key(numeral: RomanNumeral, mode: Mode) -> RomanNumeral:
    """Leave the seventh or ninth to the key where the key gives the same chord."""
    size = len(numeral.quality.fifths) * 2 - 1
    if size < 7 or numeral.quality in SUSPENDED:
        return numeral
    major, minor = bare_qualities(numeral.degree, numeral.alter, numeral.style, size)
    if major is not minor and (major if mode == "major" else minor) is numeral.quality:
        return replace(numeral, quality=major, by_key=True)
    return numeral


def _plain_sixth(chord: Chord, key: Key) -> RomanNumeral:
    """Return an augmented sixth as one of the key, or of the degree it belongs to."""
    special, degree, alter = _SIXTHS[chord.quality]
    above_tonic = degree_fifths(degree, alter, False, "major")
    tonic = chord.root.fifths - above_tonic - key.tonic.fifths
    numeral = replace(read_numeral(special), inversion=chord.inversion, omitted=chord.omitted)
    if tonic == 0:
        return numeral
    target_degree = factor(tonic)
    target = RomanNumeral(
        target_degree, Quality.MAJOR, 0, degree_alter(target_degree, tonic, False, key.mode)
    )
    return replace(numeral, applied=(target,))


def _respelled(chord: Chord, key: Key) -> list[Chord]:
    """Return chords of the same sound and bass that the key has a usual name for, nearest spelling first."""
    found: list[Chord] = []
    for place, quality in _usual(key.mode):
        root = key.tonic.shift(place)
        if root.semitone not in chord.semitones or len(quality.fifths) != len(chord.members):
            continue
        for inversion in range(len(quality.fifths)):
            other = Chord(root, quality, inversion)
            same = other.bass.semitone == chord.bass.semitone and other.semitones == chord.semitones
            if same and other.members != chord.members:
                found.append(other)
    return sorted(found, key=lambda c: (abs(c.root.fifths - chord.root.fifths), -c.root.fifths))
