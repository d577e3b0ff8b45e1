"""Spelled pitches, pitch classes and intervals: letter and alteration kept apart from sound.

In: names such as ``"F#4"`` or values. Out: frozen values with exact arithmetic. Any number of
alterations is allowed. A spelled pitch class also has a place on the line of fifths
(... F=-1, C=0, G=1, D=2 ... Fb=-8, F#=6 ...), on which transposition is plain addition.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

LETTERS = "CDEFGAB"
_LETTER_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_LETTER_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}
_FIFTHS_LETTERS = "FCGDAEB"
_NAME = re.compile(r"([A-Ga-g])(##*|x+#?|bb*|-+|♯+|♭+|𝄪|𝄫|)(-?\d+)?")


def _alteration(text: str) -> int:
    table = {"#": 1, "♯": 1, "x": 2, "𝄪": 2, "b": -1, "-": -1, "♭": -1, "𝄫": -2}
    return sum(table[c] for c in text)


def accidental_text(alter: int) -> str:
    """Return ASCII accidentals: ``"##"`` for 2, ``"b"`` for -1, ``""`` for 0."""
    return "#" * alter if alter > 0 else "b" * -alter


@dataclass(frozen=True, slots=True, order=True)
class PitchClass:
    """A spelled pitch class: letter ``C``..``B`` and chromatic alteration in semitones."""

    letter: str
    alter: int = 0

    def __post_init__(self) -> None:
        if self.letter not in _LETTER_SEMITONES:
            raise ValueError(f"{self.letter!r} is not a note letter; use A to G.")

    @classmethod
    def parse(cls, name: str) -> PitchClass:
        """Read ``"F#"``, ``"Bb"``, ``"C##"`` or ``"E♭"``; raise ValueError on anything else."""
        m = _NAME.fullmatch(name.strip())
        if not m or m[3] is not None:
            raise ValueError(f"{name!r} is not a pitch name; write a letter A to G and # or b.")
        return cls(m[1].upper(), _alteration(m[2]))

    @classmethod
    def from_fifths(cls, fifths: int) -> PitchClass:
        """Return the pitch class at a place on the line of fifths (C=0, G=1, F=-1)."""
        alter, index = divmod(fifths + 1, 7)
        return cls(_FIFTHS_LETTERS[index], alter)

    @property
    def fifths(self) -> int:
        """Place on the line of fifths, C = 0."""
        return _LETTER_FIFTHS[self.letter] + 7 * self.alter

    @property
    def semitone(self) -> int:
        """Sounding pitch class, 0 (C) to 11 (B)."""
        return (_LETTER_SEMITONES[self.letter] + self.alter) % 12

    @property
    def name(self) -> str:
        """ASCII name such as ``"F#"`` or ``"Bb"``."""
        return self.letter + accidental_text(self.alter)

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True, slots=True)
class Pitch:
    """A spelled pitch in scientific octaves: C4 is middle C, MIDI 60."""

    letter: str
    alter: int
    octave: int

    def __post_init__(self) -> None:
        if self.letter not in _LETTER_SEMITONES:
            raise ValueError(f"{self.letter!r} is not a note letter; use A to G.")

    @classmethod
    def parse(cls, name: str) -> Pitch:
        """Read ``"F#4"`` or ``"Bb-1"``; raise ValueError on anything else."""
        m = _NAME.fullmatch(name.strip())
        if not m or m[3] is None:
            raise ValueError(f"{name!r} is not a pitch; write a letter, # or b, and an octave such as C#4.")
        return cls(m[1].upper(), _alteration(m[2]), int(m[3]))

    @property
    def midi(self) -> int:
        """MIDI number, 60 for C4; may lie outside 0..127."""
        return 12 * (self.octave + 1) + _LETTER_SEMITONES[self.letter] + self.alter

    @property
    def diatonic(self) -> int:
        """Staff steps above C0; C4 is 28."""
        return 7 * self.octave + LETTERS.index(self.letter)

    @property
    def pitch_class(self) -> PitchClass:
        """The spelled pitch class without its octave."""
        return PitchClass(self.letter, self.alter)

    @property
    def fifths(self) -> int:
        """Place of the pitch class on the line of fifths, C = 0."""
        return _LETTER_FIFTHS[self.letter] + 7 * self.alter

    @property
    def name(self) -> str:
        """ASCII name such as ``"F#4"``."""
        return f"{self.letter}{accidental_text(self.alter)}{self.octave}"

    def __add__(self, interval: Interval) -> Pitch:
        steps = self.diatonic + interval.steps
        octave, index = divmod(steps, 7)
        plain = Pitch(LETTERS[index], 0, octave)
        return Pitch(plain.letter, self.midi + interval.semitones - plain.midi, octave)

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True)
class Interval:
    """A directed spelled interval: staff steps (0 = prime, 1 = second) and semitones, both signed."""

    steps: int
    semitones: int

    @classmethod
    def between(cls, low: Pitch, high: Pitch) -> Interval:
        """Return the interval from the first pitch to the second (negative when it falls)."""
        return cls(high.diatonic - low.diatonic, high.midi - low.midi)

    @cached_property
    def fifths(self) -> int:
        """Distance on the line of fifths that this interval moves a pitch class."""
        octave, step = divmod(self.steps, 7)
        plain = _LETTER_SEMITONES[LETTERS[step]] + 12 * octave
        return _LETTER_FIFTHS[LETTERS[step]] + 7 * (self.semitones - plain)
