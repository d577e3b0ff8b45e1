"""Lead-sheet chord symbols and the chord kinds of MusicXML, both ways.

In: text such as ``"F#m7b5"`` or ``"Bb7/D"``, or a MusicXML ``<harmony>``'s kind and degrees. Out: a
`ChordSymbol`, and back. The kinds and the meaning of degrees are those of the MusicXML 4.0 specification
(W3C Music Notation Community Group, elements ``kind``, ``degree-type``, ``degree-alter``). Spellings of
symbols vary; those read here are common practice, one of each is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from understave.errors import SymbolError
from understave.theory.chord import Chord, Quality, factor, quality_of_shape
from understave.theory.pitch import PitchClass, accidental_text

_Q = Quality
# The first spelling is the one that is written.
SUFFIXES: dict[Quality, tuple[str, ...]] = {
    _Q.MAJOR: ("", "maj", "M", "major"),
    _Q.MINOR: ("m", "min", "mi", "-", "minor"),
    _Q.DIMINISHED: ("dim", "o", "°", "mb5", "minb5"),
    _Q.AUGMENTED: ("aug", "+", "#5", "maj#5"),
    _Q.DOMINANT7: ("7", "dom7"),
    _Q.MAJOR7: ("maj7", "M7", "ma7", "Δ", "Δ7", "major7"),
    _Q.MINOR7: ("m7", "min7", "mi7", "-7", "minor7"),
    _Q.HALF_DIMINISHED7: ("m7b5", "min7b5", "mi7b5", "-7b5", "ø", "ø7"),
    _Q.DIMINISHED7: ("dim7", "o7", "°7"),
    _Q.MINOR_MAJOR7: ("mmaj7", "mM7", "minmaj7", "-maj7", "mΔ", "mΔ7"),
    _Q.AUGMENTED_MAJOR7: ("maj7#5", "M7#5", "augmaj7", "+maj7", "Δ#5"),
    _Q.AUGMENTED7: ("7#5", "aug7", "+7"),
    _Q.DIMINISHED_MAJOR7: ("dimmaj7", "omaj7", "°maj7"),
    _Q.DOMINANT7_FLAT5: ("7b5",),
    _Q.SUS4: ("sus4", "sus"),
    _Q.SUS2: ("sus2",),
    _Q.DOMINANT7_SUS4: ("7sus4", "7sus"),
    _Q.DOMINANT9: ("9", "dom9"),
    _Q.DOMINANT_MINOR9: ("7b9",),
    _Q.MAJOR9: ("maj9", "M9", "Δ9"),
    _Q.MINOR9: ("m9", "min9", "mi9", "-9"),
    _Q.MINOR_FLAT9: ("m7b9", "min7b9", "-7b9"),
    _Q.HALF_DIMINISHED9: ("m9b5", "min9b5", "ø9"),
    _Q.HALF_DIMINISHED_FLAT9: ("m7b5b9", "øb9"),
    _Q.MINOR_MAJOR9: ("mmaj9", "mM9", "minmaj9"),
    _Q.AUGMENTED9: ("9#5", "aug9", "+9"),
    _Q.AUGMENTED_MAJOR9: ("maj9#5", "M9#5", "+maj9"),
    _Q.DIMINISHED9: ("dim9", "o9", "°9"),
    _Q.DIMINISHED_FLAT9: ("dim7b9", "o7b9", "°7b9"),
    _Q.MAJOR6: ("6", "maj6", "M6"),
    _Q.MINOR6: ("m6", "min6", "-6"),
    _Q.DOMINANT11: ("11",),
    _Q.MAJOR11: ("maj11", "M11"),
    _Q.MINOR11: ("m11", "min11", "-11"),
    _Q.DOMINANT13: ("13",),
    _Q.MAJOR13: ("maj13", "M13"),
    _Q.MINOR13: ("m13", "min13", "-13"),
    _Q.POWER: ("5",),
}
_QUALITY_OF = {text: quality for quality, texts in SUFFIXES.items() for text in texts}

_ROOT = re.compile(r"([A-G](?:#+|b+)?)(.*)")
_EXTRA = re.compile(r"(add|no|omit|)([#b]*)(1[13]|[2-79])")
# Steps on the line of fifths of a plain (major or perfect) degree above the root; the seventh is the
# minor one, as in a dominant chord.
_PLAIN = {1: 0, 2: 2, 3: 4, 4: -1, 5: 1, 6: 3, 7: -2, 9: 2, 11: -1, 13: 3}


@dataclass(frozen=True, slots=True)
class ChordSymbol:
    """A chord as a lead sheet names it; `bass` is given only where it is no member of the chord."""

    chord: Chord
    bass: PitchClass | None = None

    @classmethod
    def parse(cls, text: str) -> ChordSymbol:
        """Read a symbol such as ``"Cm7"``, ``"Bb7/D"`` or ``"F/G"``; raise ValueError otherwise."""
        return _parse(text)

    @property
    def text(self) -> str:
        """The symbol. An augmented sixth is written as the dominant seventh it sounds like."""
        chord = symbol_chord(self.chord)
        head = chord.root.name + symbol_suffix(chord)
        bass = self.bass or (None if chord.bass == chord.root else chord.bass)
        return head if bass is None else f"{head}/{bass.name}"

    def __str__(self) -> str:
        return self.text


def chord_symbol(chord: Chord) -> str:
    """Return the lead-sheet symbol of a chord, with a slash where it is inverted."""
    return ChordSymbol(chord).text


def symbol_chord(chord: Chord) -> Chord:
    """Return what a symbol can name: for an augmented sixth the seventh chord on the lowered sixth degree."""
    if not chord.quality.is_augmented_sixth:
        return chord
    if chord.quality is Quality.FRENCH:
        root, position = chord.root.shift(-6), (chord.inversion + 2) % 4
        return Chord(root, Quality.DOMINANT7_FLAT5, position, chord.added, chord.omitted)
    root = chord.root.shift(-10)
    position = (chord.inversion - 1) % 4
    if chord.quality is Quality.GERMAN:
        return Chord(root, Quality.DOMINANT7, position, chord.added, chord.omitted)
    return Chord(root, Quality.DOMINANT7, {0: 3, 1: 0, 2: 1}[chord.inversion], chord.added, (5,))


def symbol_suffix(chord: Chord) -> str:
    """Return what a symbol says after the root, without the bass: ``"m7b5"``, ``"(add9)"`` or nothing."""
    suffix = SUFFIXES[chord.quality][0]
    tall = len(chord.quality.fifths) >= 4
    extras = ""
    for tone in chord.added:
        above = tone.fifths - chord.root.fifths
        number = factor(above)
        if number in (2, 4, 6) and (tall or number == 2):
            number += 7
        bend = (above - _PLAIN[number]) // 7
        extras += f"(add{accidental_text(bend)}{number})"
    return suffix + extras + "".join(f"(no{o})" for o in chord.omitted)


@lru_cache(maxsize=8192)
def _parse(text: str) -> ChordSymbol:
    complaint = f"{text!r} is not a chord symbol; write for example Cm7, F#m7b5 or Bb7/D."
    plain = "".join(text.split()).replace("♭", "b").replace("♯", "#")
    head, slash, low = plain.partition("/")
    if low == "9" and head.endswith("6"):
        head, slash = head + "add9", ""
    m = _ROOT.fullmatch(head)
    if not m or (slash and not low):
        raise SymbolError(complaint)
    root = PitchClass.parse(m[1])
    rest = re.sub(r"69$", "6add9", re.sub(r"[(),]", "", m[2]))
    suffix = next((s for s in sorted(_QUALITY_OF, key=len, reverse=True) if _fits(rest, s)), None)
    if suffix is None:
        raise SymbolError(complaint)
    quality = _QUALITY_OF[suffix]
    chord = _with_extras(Chord(root, quality), _EXTRA.findall(rest[len(suffix) :]))
    if not slash:
        return ChordSymbol(chord)
    try:
        bass = PitchClass.parse(low)
    except ValueError:
        raise SymbolError(complaint) from None
    stack = [root.shift(f) for f in chord.quality.fifths]
    if bass in stack and bass in chord.members:
        return ChordSymbol(Chord(root, chord.quality, stack.index(bass), chord.added, chord.omitted))
    return ChordSymbol(chord, bass)


def _fits(rest: str, suffix: str) -> bool:
    """Whether a suffix is followed only by added, altered or omitted notes."""
    if not rest.startswith(suffix):
        return False
    tail = rest[len(suffix) :]
    items = _EXTRA.findall(tail)
    return "".join(a + b + c for a, b, c in items) == tail and all(a or b for a, b, _ in items)


def _with_extras(chord: Chord, items: Iterable[tuple[str, str, str]]) -> Chord:
    """Apply ``add9``, ``#11``, ``no3`` ... to a root-position chord."""
    shape = list(chord.quality.fifths)
    added: list[int] = []
    omitted: set[int] = set()
    for word, accidental, digits in items:
        number = int(digits)
        if word in ("no", "omit"):
            omitted.add((number - 1) % 7 + 1)
            continue
        step = _PLAIN[number] + 7 * (accidental.count("#") - accidental.count("b"))
        members = [i for i, f in enumerate(shape) if factor(f) == factor(step)]
        if not word and members:
            shape[members[0]] = step
        else:
            added.append(step)
    return _chord_of(chord.root, chord.quality, shape, added, omitted)


def _chord_of(
    root: PitchClass, quality: Quality, shape: list[int], added: list[int], omitted: set[int]
) -> Chord:
    """Return the chord of a stack, under its own quality's name where it has one."""
    if tuple(shape) == quality.fifths and not added:
        return Chord(root, quality, 0, (), tuple(sorted(omitted)))
    for whole, rest in (((*shape, *added), []), (tuple(shape), added)):
        for candidate in quality_of_shape(whole):
            if candidate is not Quality.FRENCH and candidate.fifths[: len(shape)] == tuple(shape):
                extra = tuple(root.shift(a) for a in rest)
                return Chord(root, candidate, 0, extra, tuple(sorted(omitted)))
    extra_steps = list(added)
    for before, after in zip(quality.fifths, shape, strict=True):
        if before != after:
            omitted.add(factor(before))
            extra_steps.append(after)
    return Chord(root, quality, 0, tuple(root.shift(a) for a in extra_steps), tuple(sorted(omitted)))


# -------------------------------------------------------------------- MusicXML

DegreeType = Literal["add", "alter", "subtract"]


@dataclass(frozen=True, slots=True)
class Degree:
    """A MusicXML ``<degree>``: value 1 to 13, alter in semitones, and what it does."""

    value: int
    alter: int
    type: DegreeType


_KINDS: dict[Quality, tuple[str, tuple[Degree, ...]]] = {
    _Q.MAJOR: ("major", ()),
    _Q.MINOR: ("minor", ()),
    _Q.DIMINISHED: ("diminished", ()),
    _Q.AUGMENTED: ("augmented", ()),
    _Q.DOMINANT7: ("dominant", ()),
    _Q.MAJOR7: ("major-seventh", ()),
    _Q.MINOR7: ("minor-seventh", ()),
    _Q.HALF_DIMINISHED7: ("half-diminished", ()),
    _Q.DIMINISHED7: ("diminished-seventh", ()),
    _Q.MINOR_MAJOR7: ("major-minor", ()),
    _Q.AUGMENTED_MAJOR7: ("major-seventh", (Degree(5, 1, "alter"),)),
    _Q.AUGMENTED7: ("augmented-seventh", ()),
    _Q.DIMINISHED_MAJOR7: ("diminished", (Degree(7, 1, "add"),)),
    _Q.DOMINANT7_FLAT5: ("dominant", (Degree(5, -1, "alter"),)),
    _Q.ITALIAN: ("Italian", ()),
    _Q.FRENCH: ("French", ()),
    _Q.GERMAN: ("German", ()),
    _Q.SUS4: ("suspended-fourth", ()),
    _Q.SUS2: ("suspended-second", ()),
    _Q.DOMINANT7_SUS4: ("suspended-fourth", (Degree(7, 0, "add"),)),
    _Q.DOMINANT9: ("dominant-ninth", ()),
    _Q.DOMINANT_MINOR9: ("dominant", (Degree(9, -1, "add"),)),
    _Q.MAJOR9: ("major-ninth", ()),
    _Q.MINOR9: ("minor-ninth", ()),
    _Q.MINOR_FLAT9: ("minor-seventh", (Degree(9, -1, "add"),)),
    _Q.HALF_DIMINISHED9: ("half-diminished", (Degree(9, 0, "add"),)),
    _Q.HALF_DIMINISHED_FLAT9: ("half-diminished", (Degree(9, -1, "add"),)),
    _Q.MINOR_MAJOR9: ("major-minor", (Degree(9, 0, "add"),)),
    _Q.AUGMENTED9: ("augmented-seventh", (Degree(9, 0, "add"),)),
    _Q.AUGMENTED_MAJOR9: ("major-ninth", (Degree(5, 1, "alter"),)),
    _Q.DIMINISHED9: ("diminished-seventh", (Degree(9, 0, "add"),)),
    _Q.DIMINISHED_FLAT9: ("diminished-seventh", (Degree(9, -1, "add"),)),
    _Q.MAJOR6: ("major-sixth", ()),
    _Q.MINOR6: ("minor-sixth", ()),
    _Q.DOMINANT11: ("dominant-11th", ()),
    _Q.MAJOR11: ("major-11th", ()),
    _Q.MINOR11: ("minor-11th", ()),
    _Q.DOMINANT13: ("dominant-13th", ()),
    _Q.MAJOR13: ("major-13th", ()),
    _Q.MINOR13: ("minor-13th", ()),
    _Q.POWER: ("power", ()),
}
_QUALITY_OF_KIND = {kind: quality for quality, (kind, degrees) in _KINDS.items() if not degrees}
_QUALITY_OF_KIND["Neapolitan"] = Quality.MAJOR


def musicxml_kind(quality: Quality) -> str:
    """Return the value of ``<kind>`` nearest to a quality; `musicxml_degrees` completes it."""
    return _KINDS[quality][0]


def musicxml_degrees(chord: Chord) -> tuple[Degree, ...]:
    """Return the ``<degree>``s that make a chord's kind exact: altered, added and omitted notes."""
    degrees = list(_KINDS[chord.quality][1])
    for tone in chord.added:
        above = tone.fifths - chord.root.fifths
        number = factor(above)
        number = number + 7 if number in (2, 4, 6) else number
        degrees.append(Degree(number, (above - _PLAIN[number]) // 7, "add"))
    shape = {factor(f): f for f in chord.quality.fifths}
    degrees += [Degree(o, 0, "subtract") for o in chord.omitted if o in shape]
    return tuple(degrees)


def from_musicxml(
    root: PitchClass,
    kind: str,
    degrees: Iterable[Degree] = (),
    inversion: int = 0,
    bass: PitchClass | None = None,
) -> ChordSymbol:
    """Return the chord of a ``<harmony>``; raise ValueError for a kind that names no chord.

    `bass` wins over `inversion`; a Neapolitan is the major triad on the given root.
    """
    if kind not in _QUALITY_OF_KIND:
        raise SymbolError(f"The chord kind {kind!r} names no chord of its own; give root, kind and degrees.")
    quality = _QUALITY_OF_KIND[kind]
    shape = list(quality.fifths)
    added: list[int] = []
    omitted: set[int] = set()
    for degree in degrees:
        number = (degree.value - 1) % 7 + 1
        if degree.type == "subtract":
            omitted.add(number)
        elif degree.type == "alter" and number in (factor(f) for f in shape):
            shape = [f + 7 * degree.alter if factor(f) == number else f for f in shape]
        else:
            added.append(_PLAIN[degree.value if degree.value in _PLAIN else number] + 7 * degree.alter)
    chord = _chord_of(root, quality, shape, added, omitted)
    stack = [root.shift(f) for f in chord.quality.fifths]
    if bass is not None and (bass not in stack or bass not in chord.members):
        return ChordSymbol(chord, bass)
    position = stack.index(bass) if bass is not None else inversion
    return ChordSymbol(Chord(root, chord.quality, position, chord.added, chord.omitted))
