"""Spelled pitches, pitch classes and intervals: letter and alteration kept apart from sound.

In: names such as ``"F#4"`` or values. Out: frozen values with exact arithmetic. Any number of
alterations is allowed. A spelled pitch class also has a place on the line of fifths
(... F=-1, C=0, G=1, D=2 ... Fb=-8, F#=6 ...), on which transposition is plain addition.
Octaves are scientific: C4 is middle C. Intervals are named as usual: P5, m3, A6, dd7, M10, -P4.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property, lru_cache

from understave.errors import SymbolError
from understave.stored import Stored

LETTERS = "CDEFGAB"
_LETTER_STEPS = {letter: step for step, letter in enumerate(LETTERS)}
_LETTER_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_LETTER_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}
_FIFTHS_LETTERS = "FCGDAEB"
_NAME = re.compile(r"([A-Ga-g])(#+|x+#?|b+|-+|♯+|♭+|𝄪♯?|𝄫♭?|♮|)")
_PITCH = re.compile(r"([A-Ga-g](?:#+|x+#?|b+|♯+|♭+|𝄪♯?|𝄫♭?|♮|))(-?\d+)")
_INTERVAL = re.compile(r"(-?)(P|M|m|A+|d+)(\d+)")
_SIZE_WORDS = (
    *("unison", "second", "third", "fourth", "fifth", "sixth", "seventh", "octave", "ninth", "tenth"),
    *("eleventh", "twelfth", "thirteenth", "fourteenth", "fifteenth"),
)
_TIMES_WORDS = ("", "", "doubly ", "triply ", "quadruply ")


def _alteration(text: str) -> int:
    table = {"#": 1, "♯": 1, "x": 2, "𝄪": 2, "b": -1, "-": -1, "♭": -1, "𝄫": -2, "♮": 0}
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
        """Read ``"F#"``, ``"Bb"``, ``"B-"``, ``"C##"`` or ``"E♭"``; raise ValueError on anything else."""
        m = _NAME.fullmatch(name.strip())
        if not m:
            raise SymbolError(f"{name!r} is not a pitch name; write a letter A to G and # or b.")
        return cls(m[1].upper(), _alteration(m[2]))

    @classmethod
    def from_fifths(cls, fifths: int) -> PitchClass:
        """Return the pitch class at a place on the line of fifths (C=0, G=1, F=-1)."""
        return _at_fifths(fifths)

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

    def shift(self, fifths: int) -> PitchClass:
        """Return the pitch class so many fifths further along the line (1 = a fifth up, -3 = Eb for C)."""
        return PitchClass.from_fifths(self.fifths + fifths)

    def is_enharmonic(self, other: PitchClass) -> bool:
        """Whether both sound the same on a keyboard."""
        return self.semitone == other.semitone

    def respell(self, centre: int = 0) -> PitchClass:
        """Return the spelling of the same sound that lies nearest a place on the line of fifths.

        `centre` is that place (2 for D). At a distance of six either way the flat side is taken.
        """
        distance = (self.fifths - centre) % 12
        return PitchClass.from_fifths(centre + (distance if distance < 6 else distance - 12))

    def __add__(self, interval: Interval) -> PitchClass:
        return PitchClass.from_fifths(self.fifths + interval.fifths)

    def __sub__(self, interval: Interval) -> PitchClass:
        return PitchClass.from_fifths(self.fifths - interval.fifths)

    def __str__(self) -> str:
        return self.name


@lru_cache(maxsize=1024)
def _at_fifths(fifths: int) -> PitchClass:
    alter, index = divmod(fifths + 1, 7)
    return PitchClass(_FIFTHS_LETTERS[index], alter)


@lru_cache(maxsize=1024)
def _class_of(letter: str, alter: int) -> PitchClass:
    return PitchClass(letter, alter)


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
        """Read ``"F#4"`` or ``"Bb-1"`` (octave minus one); raise ValueError on anything else.

        A hyphen here always belongs to the octave, never to the accidental.
        """
        m = _PITCH.fullmatch(name.strip())
        if not m:
            raise SymbolError(f"{name!r} is not a pitch; write a letter, # or b, and an octave such as C#4.")
        return cls(m[1][0].upper(), _alteration(m[1][1:]), int(m[2]))

    @classmethod
    def above(cls, bass: Pitch, pitch_class: PitchClass) -> Pitch:
        """Return the closest pitch of a class on a staff step above a bass (an octave for its own letter)."""
        steps = (LETTERS.index(pitch_class.letter) - bass.diatonic - 1) % 7 + 1
        return cls(pitch_class.letter, pitch_class.alter, (bass.diatonic + steps) // 7)

    @property
    def midi(self) -> int:
        """MIDI number, 60 for C4; may lie outside 0..127."""
        return 12 * (self.octave + 1) + _LETTER_SEMITONES[self.letter] + self.alter

    @property
    def diatonic(self) -> int:
        """Staff steps above C0; C4 is 28."""
        return 7 * self.octave + _LETTER_STEPS[self.letter]

    @property
    def pitch_class(self) -> PitchClass:
        """The spelled pitch class without its octave."""
        return _class_of(self.letter, self.alter)

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

    def __sub__(self, interval: Interval) -> Pitch:
        return self + -interval

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True)
class Interval(Stored):
    """A directed spelled interval: staff steps (0 = prime, 1 = second) and semitones, both signed.

    It rises when `steps` is positive; a prime rises when `semitones` is not negative. The diminished
    unison therefore does not exist: it is the falling augmented unison ``-A1``.
    """

    steps: int
    semitones: int

    @classmethod
    def between(cls, low: Pitch, high: Pitch) -> Interval:
        """Return the interval from the first pitch to the second (negative when it falls)."""
        return cls(high.diatonic - low.diatonic, high.midi - low.midi)

    @classmethod
    def parse(cls, name: str) -> Interval:
        """Read ``"P5"``, ``"m3"``, ``"AA4"``, ``"M10"``, ``"-P4"`` (falling); raise ValueError otherwise."""
        m = _INTERVAL.fullmatch(name.strip())
        size = int(m[3]) if m else 0
        if not m or size < 1:
            raise SymbolError(f"{name!r} is not an interval; write for example P5, m3, A6 or -M2.")
        octaves, step = divmod(size - 1, 7)
        perfect = step in (0, 3, 4)
        kind = m[2]
        if (kind in "Mm" and perfect) or (kind == "P" and not perfect):
            raise SymbolError(
                f"{name!r} is not an interval: no {_size_words(size)} is {_KIND_WORDS[kind[0]]}."
            )
        if size == 1 and kind[0] == "d":
            raise SymbolError(f"{name!r} is not an interval: a unison cannot be diminished; write -A1.")
        bend = {"P": 0, "M": 0, "m": -1, "A": len(kind), "d": -len(kind) - (0 if perfect else 1)}[kind[0]]
        rising = cls(size - 1, _LETTER_SEMITONES[LETTERS[step]] + 12 * octaves + bend)
        return -rising if m[1] else rising

    @classmethod
    def from_fifths(cls, fifths: int) -> Interval:
        """Return the rising interval within an octave that moves so far on the line of fifths.

        Seven fifths give A1; minus seven give d8, its inversion.
        """
        target = PitchClass.from_fifths(fifths)
        step = LETTERS.index(target.letter)
        semitones = _LETTER_SEMITONES[target.letter] + target.alter
        return cls(7, semitones + 12) if step == 0 and semitones < 0 else cls(step, semitones)

    @cached_property
    def fifths(self) -> int:
        """Distance on the line of fifths that this interval moves a pitch class."""
        octave, step = divmod(self.steps, 7)
        plain = _LETTER_SEMITONES[LETTERS[step]] + 12 * octave
        return _LETTER_FIFTHS[LETTERS[step]] + 7 * (self.semitones - plain)

    @property
    def falling(self) -> bool:
        """Whether it goes down."""
        return self.steps < 0 or (self.steps == 0 and self.semitones < 0)

    @property
    def size(self) -> int:
        """Generic size counted from 1, without direction: 3 for a third, 10 for a tenth."""
        return abs(self.steps) + 1

    @cached_property
    def kind(self) -> str:
        """``"P"``, ``"M"``, ``"m"``, or as many ``"A"`` or ``"d"`` as it is augmented or diminished."""
        rising = -self if self.falling else self
        octaves, step = divmod(rising.steps, 7)
        bend = rising.semitones - _LETTER_SEMITONES[LETTERS[step]] - 12 * octaves
        if step in (0, 3, 4):
            return "P" if bend == 0 else "A" * bend or "d" * -bend
        if bend in (0, -1):
            return "M" if bend == 0 else "m"
        return "A" * bend or "d" * (-bend - 1)

    @property
    def name(self) -> str:
        """Short name: ``"P5"``, ``"A6"``, ``"-m3"`` when it falls."""
        return f"{'-' if self.falling else ''}{self.kind}{self.size}"

    @property
    def words(self) -> str:
        """Plain words without direction: ``"minor third"``, ``"doubly augmented fourth"``."""
        times = len(self.kind)
        lead = _TIMES_WORDS[times] if times < len(_TIMES_WORDS) else f"{times} times "
        return f"{lead}{_KIND_WORDS[self.kind[0]]} {_size_words(self.size)}"

    @property
    def is_compound(self) -> bool:
        """Whether it is larger than an octave (by staff steps)."""
        return abs(self.steps) > 7

    @property
    def simple(self) -> Interval:
        """The same interval within an octave; a fifteenth becomes an octave."""
        octaves = max(0, (abs(self.steps) - 1) // 7)
        return self._by_octaves(-octaves)

    @property
    def inversion(self) -> Interval:
        """What completes it to an octave: P5 for P4, d5 for A4; compounds are made simple first.

        An augmented octave counts as an augmented unison, whose inversion is the diminished octave.
        """
        simple = self.simple
        if abs(simple.steps) == 7 and abs(simple.semitones) > 12:
            simple = simple._by_octaves(-1)
        octave = Interval(-7, -12) if simple.falling else Interval(7, 12)
        return Interval(octave.steps - simple.steps, octave.semitones - simple.semitones)

    def compound(self, octaves: int = 1) -> Interval:
        """Return the interval enlarged by octaves, keeping its direction."""
        return self._by_octaves(octaves)

    def _by_octaves(self, octaves: int) -> Interval:
        sign = -1 if self.falling else 1
        return Interval(self.steps + 7 * octaves * sign, self.semitones + 12 * octaves * sign)

    def __add__(self, other: Interval) -> Interval:
        return Interval(self.steps + other.steps, self.semitones + other.semitones)

    def __sub__(self, other: Interval) -> Interval:
        return Interval(self.steps - other.steps, self.semitones - other.semitones)

    def __neg__(self) -> Interval:
        return Interval(-self.steps, -self.semitones)

    def __str__(self) -> str:
        return self.name


_KIND_WORDS = {"P": "perfect", "M": "major", "m": "minor", "A": "augmented", "d": "diminished"}


def _size_words(size: int) -> str:
    if size <= len(_SIZE_WORDS):
        return _SIZE_WORDS[size - 1]
    ending = {1: "st", 2: "nd", 3: "rd"}.get(size % 10 if size % 100 not in (11, 12, 13) else 0, "th")
    return f"{size}{ending}"
