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


def degree_words(n: RomanNumeral) -> str:
    """Return the name of a numeral's degree: ``"dominant"``, ``"lowered submediant"``, ``"subtonic"``."""
    if n.special == "N":
        return "Neapolitan"
    small, sign = n.style
    if n.degree == 7 and n.alter in (0, -1) and not (small and n.alter == 0) and sign == "":
        return "subtonic"
    times = {1: "", 2: "doubly "}.get(abs(n.alter), f"{abs(n.alter)} times ")
    bend = "" if n.alter == 0 else times + ("raised " if n.alter > 0 else "lowered ")
    return bend + _DEGREES[n.degree - 1]


def numeral_words(n: RomanNumeral) -> str:
    """Return a numeral in words; root position is not mentioned."""
    phrase = _chord_words(n)
    for target in n.applied:
        phrase += _target_words(n, target)
    for name in n.altered:
        accidental, number = _split(name)
        phrase += f", with its {_FACTORS[number]} {_BENDS.get(accidental, accidental).strip()}"
    for name in n.added:
        accidental, number = _split(name)
        phrase += f", with an added {_BENDS.get(accidental, accidental)}{_FACTORS[number]}"
    for number in n.omitted:
        phrase += f", without its {_FACTORS[number]}"
    named = {"N": 1, "Cad": 2}.get(n.special, usual_inversion(n.quality))
    if n.inversion != (named if n.special else 0):
        phrase += f", in {inversion_words(n.inversion)}"
    return phrase


def numeral_explanation(n: RomanNumeral, key: Key) -> str:
    """Return words, key and notes: "the dominant seventh, in C minor: G B D F, G in the bass"."""
    chord = n.chord(key)
    notes = " ".join(pitch_class_name(p).replace(" ", "-") for p in chord.members)
    return f"{numeral_words(n)}, in {key_name(key)}: {notes}, {pitch_class_name(chord.bass)} in the bass"


def chord_tone_words(n: RomanNumeral, key: Key, note: PitchClass) -> str:
    """Return what a note is in the chord: ``"the root"``, ``"an added note"``, or nothing."""
    chord = n.chord(key)
    for number in chord.quality.factors:
        if chord.member(number) == note:
            tall = number in (2, 4, 6) and len(chord.quality.fifths) > 4
            return f"the {_FACTORS[number + 7 if tall else number]}"
    return "an added note" if note in chord.members else ""


def _split(name: str) -> tuple[str, int]:
    digits = name.lstrip("#b")
    return name[: len(name) - len(digits)], int(digits)


def _target_words(n: RomanNumeral, target: RomanNumeral) -> str:
    works_on = n.style[1] in ("o", "ø") or n.degree == 5 or n.special in ("It", "Fr", "Ger", "Cad")
    link = " of the " if works_on else " in the key of the "
    return link + degree_words(target)


def _chord_words(n: RomanNumeral) -> str:
    if n.special == "N":
        if n.quality is Quality.MAJOR7:
            return "the Neapolitan seventh"
        return "the Neapolitan sixth" if n.inversion == 1 else "the Neapolitan chord"
    if n.special:
        return _SPECIAL[n.special]
    degree = degree_words(n)
    if n.by_key:
        kind = "seventh" if len(n.quality.fifths) == 4 else "ninth"
        return f"the {kind} chord on the {degree}" if degree != "dominant" else f"the dominant {kind}"
    if degree == "dominant":
        found = _DOMINANT.get(n.quality)
        if found:
            return found
    if n.degree == 7 and n.alter == 0 and n.quality is Quality.DIMINISHED:
        return "the leading-tone triad"
    if n.quality in (Quality.MAJOR, Quality.MINOR):
        if degree == "subtonic":
            return f"the {n.quality.words} on the subtonic"
        return f"the {n.quality.value} {degree} triad"
    if n.quality is Quality.SUS4:
        return f"the {degree} with a suspended fourth"
    if n.quality is Quality.DOMINANT7_SUS4:
        return f"the {degree} seventh with a suspended fourth"
    return f"the {n.quality.words} on the {degree}"


_DOMINANT = {
    Quality.MAJOR: "the dominant triad",
    Quality.MINOR: "the minor dominant triad",
    Quality.AUGMENTED: "the augmented dominant triad",
    Quality.DOMINANT7: "the dominant seventh",
    Quality.AUGMENTED7: "the dominant seventh with raised fifth",
    Quality.DOMINANT9: "the dominant ninth",
    Quality.DOMINANT_MINOR9: "the dominant minor ninth",
}
