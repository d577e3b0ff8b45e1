"""Chords as spelled values: a root, a quality and an inversion.

In: roots and qualities, or a set of spelled pitch classes. Out: frozen `Chord` values with their
correctly spelled members. A quality is written as steps on the line of fifths above its root
(perfect fifth 1, major third 4, minor third -3, minor seventh -2 ...), so spelling is addition.

Augmented sixths are stacked in thirds like every other chord, which makes their customary figures
come out of the ordinary inversions: the Italian and German on the raised fourth degree (It6, Ger65
are first inversions), the French on the second degree (Fr43 is a second inversion); all three then
have the lowered sixth degree in the bass (Hutchinson, Music Theory for the 21st-Century Classroom,
chapter 21).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property, lru_cache

from understave.stored import Stored
from understave.theory.pitch import PitchClass


class Quality(StrEnum):
    """The kind of chord; `fifths` gives its members on the line of fifths above the root."""

    MAJOR = "major"
    MINOR = "minor"
    DIMINISHED = "diminished"
    AUGMENTED = "augmented"
    DOMINANT7 = "dominant7"
    MAJOR7 = "major7"
    MINOR7 = "minor7"
    HALF_DIMINISHED7 = "half-diminished7"
    DIMINISHED7 = "diminished7"
    MINOR_MAJOR7 = "minor-major7"
    AUGMENTED_MAJOR7 = "augmented-major7"
    AUGMENTED7 = "augmented7"
    DIMINISHED_MAJOR7 = "diminished-major7"
    ITALIAN = "italian"
    FRENCH = "french"
    GERMAN = "german"
    DOMINANT7_FLAT5 = "dominant7-flat5"
    SUS4 = "sus4"
    SUS2 = "sus2"
    DOMINANT7_SUS4 = "dominant7sus4"
    DOMINANT9 = "dominant9"
    DOMINANT_MINOR9 = "dominant-minor9"
    MAJOR9 = "major9"
    MINOR9 = "minor9"
    MINOR_FLAT9 = "minor-flat9"
    HALF_DIMINISHED9 = "half-diminished9"
    HALF_DIMINISHED_FLAT9 = "half-diminished-flat9"
    MINOR_MAJOR9 = "minor-major9"
    AUGMENTED9 = "augmented9"
    AUGMENTED_MAJOR9 = "augmented-major9"
    DIMINISHED9 = "diminished9"
    DIMINISHED_FLAT9 = "diminished-flat9"
    MAJOR6 = "major6"
    MINOR6 = "minor6"
    DOMINANT11 = "dominant11"
    MAJOR11 = "major11"
    MINOR11 = "minor11"
    DOMINANT13 = "dominant13"
    MAJOR13 = "major13"
    MINOR13 = "minor13"
    POWER = "power"

    @property
    def fifths(self) -> tuple[int, ...]:
        """Steps on the line of fifths from the root to each member, root (0) first."""
        return _FIFTHS[self]

    @property
    def factors(self) -> tuple[int, ...]:
        """What each member is above the root, counted from 1: (1, 3, 5, 7) for a seventh chord."""
        return _FACTORS[self]

    @property
    def words(self) -> str:
        """Plain words: ``"dominant seventh"``, ``"German augmented sixth"``."""
        return _WORDS[self]

    @property
    def is_seventh(self) -> bool:
        """Whether the chord is stacked to the seventh exactly."""
        return self.factors == (1, 3, 5, 7)

    @property
    def is_triad(self) -> bool:
        """Whether the chord is a triad stacked in thirds."""
        return self.factors == (1, 3, 5)

    @property
    def is_augmented_sixth(self) -> bool:
        """Whether the chord is the Italian, French or German sixth."""
        return self in (Quality.ITALIAN, Quality.FRENCH, Quality.GERMAN)


_FIFTHS: dict[Quality, tuple[int, ...]] = {
    Quality.MAJOR: (0, 4, 1),
    Quality.MINOR: (0, -3, 1),
    Quality.DIMINISHED: (0, -3, -6),
    Quality.AUGMENTED: (0, 4, 8),
    Quality.DOMINANT7: (0, 4, 1, -2),
    Quality.MAJOR7: (0, 4, 1, 5),
    Quality.MINOR7: (0, -3, 1, -2),
    Quality.HALF_DIMINISHED7: (0, -3, -6, -2),
    Quality.DIMINISHED7: (0, -3, -6, -9),
    Quality.MINOR_MAJOR7: (0, -3, 1, 5),
    Quality.AUGMENTED_MAJOR7: (0, 4, 8, 5),
    Quality.AUGMENTED7: (0, 4, 8, -2),
    Quality.DIMINISHED_MAJOR7: (0, -3, -6, 5),
    Quality.DOMINANT7_FLAT5: (0, 4, -6, -2),
    Quality.ITALIAN: (0, -10, -6),
    Quality.FRENCH: (0, 4, -6, -2),
    Quality.GERMAN: (0, -10, -6, -9),
    Quality.SUS4: (0, -1, 1),
    Quality.SUS2: (0, 2, 1),
    Quality.DOMINANT7_SUS4: (0, -1, 1, -2),
    Quality.DOMINANT9: (0, 4, 1, -2, 2),
    Quality.DOMINANT_MINOR9: (0, 4, 1, -2, -5),
    Quality.MAJOR9: (0, 4, 1, 5, 2),
    Quality.MINOR9: (0, -3, 1, -2, 2),
    Quality.MINOR_FLAT9: (0, -3, 1, -2, -5),
    Quality.HALF_DIMINISHED9: (0, -3, -6, -2, 2),
    Quality.HALF_DIMINISHED_FLAT9: (0, -3, -6, -2, -5),
    Quality.MINOR_MAJOR9: (0, -3, 1, 5, 2),
    Quality.AUGMENTED9: (0, 4, 8, -2, 2),
    Quality.AUGMENTED_MAJOR9: (0, 4, 8, 5, 2),
    Quality.DIMINISHED9: (0, -3, -6, -9, 2),
    Quality.DIMINISHED_FLAT9: (0, -3, -6, -9, -5),
    Quality.MAJOR6: (0, 4, 1, 3),
    Quality.MINOR6: (0, -3, 1, 3),
    Quality.DOMINANT11: (0, 4, 1, -2, 2, -1),
    Quality.MAJOR11: (0, 4, 1, 5, 2, -1),
    Quality.MINOR11: (0, -3, 1, -2, 2, -1),
    Quality.DOMINANT13: (0, 4, 1, -2, 2, -1, 3),
    Quality.MAJOR13: (0, 4, 1, 5, 2, -1, 3),
    Quality.MINOR13: (0, -3, 1, -2, 2, -1, 3),
    Quality.POWER: (0, 1),
}

_WORDS: dict[Quality, str] = {
    Quality.MAJOR: "major triad",
    Quality.MINOR: "minor triad",
    Quality.DIMINISHED: "diminished triad",
    Quality.AUGMENTED: "augmented triad",
    Quality.DOMINANT7: "dominant seventh",
    Quality.MAJOR7: "major seventh",
    Quality.MINOR7: "minor seventh",
    Quality.HALF_DIMINISHED7: "half-diminished seventh",
    Quality.DIMINISHED7: "diminished seventh",
    Quality.MINOR_MAJOR7: "minor triad with major seventh",
    Quality.AUGMENTED_MAJOR7: "augmented triad with major seventh",
    Quality.AUGMENTED7: "augmented triad with minor seventh",
    Quality.DIMINISHED_MAJOR7: "diminished triad with major seventh",
    Quality.DOMINANT7_FLAT5: "dominant seventh with lowered fifth",
    Quality.ITALIAN: "Italian augmented sixth",
    Quality.FRENCH: "French augmented sixth",
    Quality.GERMAN: "German augmented sixth",
    Quality.SUS4: "suspended fourth",
    Quality.SUS2: "suspended second",
    Quality.DOMINANT7_SUS4: "dominant seventh with suspended fourth",
    Quality.DOMINANT9: "dominant ninth",
    Quality.DOMINANT_MINOR9: "dominant minor ninth",
    Quality.MAJOR9: "major ninth",
    Quality.MINOR9: "minor ninth",
    Quality.MINOR_FLAT9: "minor seventh with minor ninth",
    Quality.HALF_DIMINISHED9: "half-diminished ninth",
    Quality.HALF_DIMINISHED_FLAT9: "half-diminished seventh with minor ninth",
    Quality.MINOR_MAJOR9: "minor triad with major seventh and ninth",
    Quality.AUGMENTED9: "augmented triad with minor seventh and ninth",
    Quality.AUGMENTED_MAJOR9: "augmented triad with major seventh and ninth",
    Quality.DIMINISHED9: "diminished seventh with major ninth",
    Quality.DIMINISHED_FLAT9: "diminished seventh with minor ninth",
    Quality.MAJOR6: "major triad with added sixth",
    Quality.MINOR6: "minor triad with added sixth",
    Quality.DOMINANT11: "dominant eleventh",
    Quality.MAJOR11: "major eleventh",
    Quality.MINOR11: "minor eleventh",
    Quality.DOMINANT13: "dominant thirteenth",
    Quality.MAJOR13: "major thirteenth",
    Quality.MINOR13: "minor thirteenth",
    Quality.POWER: "open fifth",
}

_ORDINALS = ("root position", "first inversion", "second inversion", "third inversion", "fourth inversion")
_MORE_ORDINALS = ("fifth inversion", "sixth inversion")
# Generic size above the root of each step on the line of fifths, modulo 7; ninths, elevenths and
# thirteenths are named as such only in a chord that reaches past the seventh.
_GENERIC = (1, 5, 2, 6, 3, 7, 4)


def factor(fifths: int) -> int:
    """Return the generic interval (1 to 7) above the root of a step on the line of fifths."""
    return _GENERIC[fifths % 7]


_FACTORS = {quality: tuple(factor(f) for f in fifths) for quality, fifths in _FIFTHS.items()}


def inversion_words(inversion: int) -> str:
    """Return ``"root position"`` for 0, ``"first inversion"`` for 1, and so on up to 6."""
    return (_ORDINALS + _MORE_ORDINALS)[inversion]


@lru_cache(maxsize=8192)
def _stack(root: PitchClass, quality: Quality) -> tuple[PitchClass, ...]:
    at = root.fifths
    return tuple(PitchClass.from_fifths(at + f) for f in _FIFTHS[quality])


@dataclass(frozen=True)
class Chord(Stored):
    """A root, a quality and the index of the member that lies in the bass.

    `added` are extra pitch classes that belong to the chord, `omitted` the factors (1, 3, 5, 7) left
    out of it. Raises ValueError for an inversion that the quality does not have.
    """

    root: PitchClass
    quality: Quality
    inversion: int = 0
    added: tuple[PitchClass, ...] = ()
    omitted: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.omitted and not self.added and set(self.quality.factors) <= set(self.omitted):
            raise ValueError(f"A {self.quality.words} without all its notes is no chord.")
        if not 0 <= self.inversion < len(_FIFTHS[self.quality]):
            raise ValueError(
                f"A {self.quality.words} has no inversion {self.inversion}; "
                f"use 0 to {len(_FIFTHS[self.quality]) - 1}."
            )

    @cached_property
    def members(self) -> tuple[PitchClass, ...]:
        """Pitch classes from the root up in thirds; omitted ones left out, added ones at the end."""
        stack = _stack(self.root, self.quality)
        if self.omitted:
            kept = zip(stack, self.quality.fifths, strict=True)
            stack = tuple(tone for tone, f in kept if factor(f) not in self.omitted)
        return stack + tuple(tone for tone in self.added if tone not in stack)

    @cached_property
    def bass(self) -> PitchClass:
        """The lowest pitch class; where that member is omitted, its altered form or the next one up."""
        stack = _stack(self.root, self.quality)
        present = self.members
        if stack[self.inversion] not in present:
            for tone in self.added:
                if tone.letter == stack[self.inversion].letter:
                    return tone
        return next(
            (tone for tone in stack[self.inversion :] + stack[: self.inversion] if tone in present),
            present[0],
        )

    @cached_property
    def semitones(self) -> frozenset[int]:
        """Sounding pitch classes, 0 (C) to 11 (B)."""
        return frozenset(tone.semitone for tone in self.members)

    @property
    def description(self) -> str:
        """Plain words without the root: ``"dominant seventh in first inversion"``."""
        return f"{self.quality.words} in {inversion_words(self.inversion)}"

    @property
    def name(self) -> str:
        """Plain words with the root: ``"G dominant seventh in first inversion"``."""
        return f"{self.root.name} {self.description}"

    def __str__(self) -> str:
        return self.name

    def member(self, number: int) -> PitchClass | None:
        """Return the member that is a third (3), fifth (5), seventh (7) ... above the root, if any.

        9, 11 and 13 are the same as 2, 4 and 6.
        """
        wanted = (number - 1) % 7 + 1
        for tone in self.members:
            if factor(tone.fifths - self.root.fifths) == wanted:
                return tone
        return None

    def transpose(self, fifths: int) -> Chord:
        """Return the chord moved along the line of fifths (2 = up a whole tone)."""
        return Chord(
            PitchClass.from_fifths(self.root.fifths + fifths),
            self.quality,
            self.inversion,
            tuple(PitchClass.from_fifths(tone.fifths + fifths) for tone in self.added),
            self.omitted,
        )

    @classmethod
    def from_pitch_classes(
        cls, pitch_classes: Iterable[PitchClass], bass: PitchClass | None = None
    ) -> tuple[Chord, ...]:
        """Return every chord that has exactly these spelled members, the plainest first.

        Where no complete chord fits, chords that lack only their fifth are given. With `bass` the
        inversion is the one that puts it lowest; without it, root position (augmented sixths in the
        position they are named for). A set that is no chord gives an empty tuple.
        """
        wanted = frozenset(pitch_classes)
        if bass is not None and bass not in wanted:
            wanted = wanted | {bass}
        complete = _matches(wanted, bass, omit=False)
        return complete or _matches(wanted, bass, omit=True)


_USUAL_INVERSION = {Quality.ITALIAN: 1, Quality.GERMAN: 1, Quality.FRENCH: 2}


def usual_inversion(quality: Quality) -> int:
    """Return the inversion an augmented sixth is named for, 0 for every other quality."""
    return _USUAL_INVERSION.get(quality, 0)


_BY_SHAPE: dict[frozenset[int], tuple[Quality, ...]] = {}
_BY_SHAPE_NO_FIFTH: dict[frozenset[int], tuple[Quality, ...]] = {}
for _quality, _shape in _FIFTHS.items():
    _key = frozenset(_shape)
    _BY_SHAPE[_key] = (*_BY_SHAPE.get(_key, ()), _quality)
    if len(_shape) >= 4 and 1 in _shape:
        _key = frozenset(_shape) - {1}
        _BY_SHAPE_NO_FIFTH[_key] = (*_BY_SHAPE_NO_FIFTH.get(_key, ()), _quality)


def quality_of_shape(shape: Iterable[int]) -> tuple[Quality, ...]:
    """Return the qualities whose members lie at exactly these steps of fifths above the root."""
    return _BY_SHAPE.get(frozenset(shape), ())


def _matches(wanted: frozenset[PitchClass], bass: PitchClass | None, omit: bool) -> tuple[Chord, ...]:
    table = _BY_SHAPE_NO_FIFTH if omit else _BY_SHAPE
    found: list[tuple[int, int, Chord]] = []
    for root in wanted:
        shape = frozenset(tone.fifths - root.fifths for tone in wanted)
        for quality in table.get(shape, ()):
            if bass is None:
                inversion = usual_inversion(quality)
            else:
                inversion = _FIFTHS[quality].index(bass.fifths - root.fifths)
            chord = Chord(root, quality, inversion, (), (5,) if omit else ())
            found.append((list(Quality).index(quality), inversion, chord))
    found.sort(key=lambda item: (item[0], item[1], item[2].root.fifths))
    return tuple(chord for _, _, chord in found)


_PLAIN = (Quality.MAJOR, Quality.MINOR, Quality.DOMINANT7, Quality.MINOR7)


def carries_chord(tone: PitchClass, tones: Iterable[PitchClass], bass: PitchClass) -> bool:
    """Whether a tone is the root or third of a whole plain chord that the tones, itself among them, make.

    Plain are major and minor triads, but not over their fifth, which may be a cadential six-four, and the
    dominant and minor sevenths: in them root and third ask for no resolution (common practice, no source).
    A minor seventh over its third or fifth may be a major triad whose sixth leans on its fifth.
    """
    return any(
        tone in (chord.root, chord.member(3))
        and chord.quality in _PLAIN
        and not chord.omitted
        and not (chord.quality.is_triad and chord.inversion == 2)
        and not (chord.quality is Quality.MINOR7 and chord.inversion in (1, 2))
        for chord in Chord.from_pitch_classes({tone, *tones}, bass)
    )
