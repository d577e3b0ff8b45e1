"""Roman numerals in plain words for a lesson.

In: a `RomanNumeral`. Out: an English phrase such as "the dominant seventh of the dominant, in first
inversion", with its notes where a key is given.
"""

from __future__ import annotations

from understave.theory.chord import Quality, inversion_words, usual_inversion
from understave.theory.key import Key
from understave.theory.names import key_name, pitch_class_name
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

_DEGREES = ("tonic", "supertonic", "mediant", "subdominant", "dominant", "submediant", "leading tone")
_SPECIAL = {
    "It": "the Italian augmented sixth",
    "Fr": "the French augmented sixth",
    "Ger": "the German augmented sixth",
    "Cad": "the cadential six-four",
}
_FACTORS = {
    1: "root",
    2: "second",
    3: "third",
    4: "fourth",
    5: "fifth",
    6: "sixth",
    7: "seventh",
    9: "ninth",
    11: "eleventh",
    13: "thirteenth",
}
_BENDS = {"": "", "b": "lowered ", "#": "raised ", "bb": "doubly lowered ", "##": "doubly raised "}


def degree_words(numeral: RomanNumeral) -> str:
    """Return the name of a numeral's degree: ``"dominant"``, ``"lowered submediant"``, ``"subtonic"``."""
    if numeral.special == "N":
        return "Neapolitan"
    small, sign = numeral.style
    if numeral.degree == 7 and numeral.alter in (0, -1) and not (small and numeral.alter == 0) and sign == "":
        return "subtonic"
    times = {1: "", 2: "doubly "}.get(abs(numeral.alter), f"{abs(numeral.alter)} times ")
    bend = "" if numeral.alter == 0 else times + ("raised " if numeral.alter > 0 else "lowered ")
    return bend + _DEGREES[numeral.degree - 1]


def numeral_words(numeral: RomanNumeral) -> str:
    """Return a numeral in words; root position is not mentioned."""
    phrase = _chord_words(numeral)
    for target in numeral.applied:
        phrase += _target_words(numeral, target)
    for name in numeral.altered:
        accidental, number = _split(name)
        phrase += f", with its {_FACTORS[number]} {_BENDS.get(accidental, accidental).strip()}"
    for name in numeral.added:
        accidental, number = _split(name)
        phrase += f", with an added {_BENDS.get(accidental, accidental)}{_FACTORS[number]}"
    for number in numeral.omitted:
        phrase += f", without its {_FACTORS[number]}"
    named = {"N": 1, "Cad": 2}.get(numeral.special, usual_inversion(numeral.quality))
    if numeral.inversion != (named if numeral.special else 0):
        phrase += f", in {inversion_words(numeral.inversion)}"
    return phrase


def numeral_explanation(numeral: RomanNumeral, key: Key) -> str:
    """Return words, key and notes: "the dominant seventh, in C minor: G B D F, G in the bass"."""
    chord = numeral.chord(key)
    notes = " ".join(pitch_class_name(tone).replace(" ", "-") for tone in chord.members)
    return (
        f"{numeral_words(numeral)}, in {key_name(key)}: {notes}, {pitch_class_name(chord.bass)} in the bass"
    )


def chord_tone_words(numeral: RomanNumeral, key: Key, note: PitchClass) -> str:
    """Return what a note is in the chord: ``"the root"``, ``"an added note"``, or nothing."""
    chord = numeral.chord(key)
    for number in chord.quality.factors:
        if chord.member(number) == note:
            tall = number in (2, 4, 6) and len(chord.quality.fifths) > 4
            return f"the {_FACTORS[number + 7 if tall else number]}"
    return "an added note" if note in chord.members else ""


def _split(name: str) -> tuple[str, int]:
    digits = name.lstrip("#b")
    return name[: len(name) - len(digits)], int(digits)


def _target_words(numeral: RomanNumeral, target: RomanNumeral) -> str:
    works_on = (
        numeral.style[1] in ("o", "ø") or numeral.degree == 5 or numeral.special in ("It", "Fr", "Ger", "Cad")
    )
    link = " of the " if works_on else " in the key of the "
    return link + degree_words(target)


def _chord_words(numeral: RomanNumeral) -> str:
    if numeral.special == "N":
        if numeral.quality is Quality.MAJOR7:
            return "the Neapolitan seventh"
        return "the Neapolitan sixth" if numeral.inversion == 1 else "the Neapolitan chord"
    if numeral.special:
        return _SPECIAL[numeral.special]
    degree = degree_words(numeral)
    if numeral.by_key:
        kind = "seventh" if len(numeral.quality.fifths) == 4 else "ninth"
        return f"the {kind} chord on the {degree}" if degree != "dominant" else f"the dominant {kind}"
    if degree == "dominant":
        found = _DOMINANT.get(numeral.quality)
        if found:
            return found
    if numeral.degree == 7 and numeral.alter == 0 and numeral.quality is Quality.DIMINISHED:
        return "the leading-tone triad"
    if numeral.quality in (Quality.MAJOR, Quality.MINOR):
        if degree == "subtonic":
            return f"the {numeral.quality.words} on the subtonic"
        return f"the {numeral.quality.value} {degree} triad"
    if numeral.quality is Quality.SUS4:
        return f"the {degree} with a suspended fourth"
    if numeral.quality is Quality.DOMINANT7_SUS4:
        return f"the {degree} seventh with a suspended fourth"
    return f"the {numeral.quality.words} on the {degree}"


_DOMINANT = {
    Quality.MAJOR: "the dominant triad",
    Quality.MINOR: "the minor dominant triad",
    Quality.AUGMENTED: "the augmented dominant triad",
    Quality.DOMINANT7: "the dominant seventh",
    Quality.AUGMENTED7: "the dominant seventh with raised fifth",
    Quality.DOMINANT9: "the dominant ninth",
    Quality.DOMINANT_MINOR9: "the dominant minor ninth",
}
