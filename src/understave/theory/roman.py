"""Roman numerals: the label of a chord in a key, with figures, secondary functions and spelling.

In: RomanText numerals (Tymoczko, Gotham, Cuthbert and Ariza, "The RomanText Format", ISMIR 2019) such
as ``"V65/V"``, ``"viiø7"``, ``"Ger65"`` or ``"V7[no5]"``, or a chord and a key. Out: frozen
`RomanNumeral` values, RomanText again, spelled chords in any key, and what a page shows of them.

Conventions:

* Capitals carry a major third, small letters a minor one; ``o`` is diminished, ``ø`` half-diminished,
  ``+`` augmented. Accidentals before the numeral are relative to the key's own scale.
* In minor, the sixth and seventh degrees follow the chord: vi, vio, vii, viio, viiø lie on the raised
  degree, VI, VI+, VII on the natural one. A single printed accidental on these two degrees only
  confirms which is meant (bVI is VI, #vi is vi), as it is used in published analyses.
* A bare 7 or 9 takes its note from the key: IV7 is a major seventh in major and a dominant seventh in
  minor. Such numerals have `by_key` set and `quality` states what they are in major. On a minor triad
  the bare 7 is always a minor seventh.
* Applied numerals are resolved from the right: viio7/V/V is the leading-tone seventh of the dominant
  of the dominant. The tonicised key is minor where the target numeral is a minor or diminished chord.
* Augmented sixths without figures stand in their usual position (It6, Fr43, Ger65).

`numeral_places` holds the scales, `numeral_reading` reads the text, `numeral_naming` finds the numerals
of a chord, `numeral_words` puts them in words.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from understave.stored import Stored
from understave.theory.chord import Chord, Quality, factor, quality_of_shape
from understave.theory.key import Key, Mode
from understave.theory.numeral_places import (
    MODES,
    NUMERALS,
    Style,
    above_root,
    bare_qualities,
    bare_quality,
    degree_fifths,
)
from understave.theory.pitch import PitchClass, accidental_text

_STYLE_OF_TRIAD: dict[tuple[int, int], Style] = {
    (4, 1): (False, ""),
    (-3, 1): (True, ""),
    (-3, -6): (True, "o"),
    (4, 8): (False, "+"),
}
SUSPENDED = {Quality.SUS4: "sus", Quality.SUS2: "sus2", Quality.DOMINANT7_SUS4: "7sus"}
"""Chords without a third, and how their figures are set."""
_TRIAD_FIGURES = ("", "6", "64")
_SEVENTH_FIGURES = ("7", "65", "43", "42")
_ROWS: dict[str, tuple[tuple[str, ...], ...]] = {
    "3": ((), ("6",), ("6", "4")),
    "7": (("7",), ("6", "5"), ("4", "3"), ("4", "2")),
    "9": (("9",), ("7", "6", "5"), ("6", "5", "4", "3"), ("6", "4", "3", "2"), ("7", "6", "4", "2")),
    "sus": (("5", "4"), ("5", "2"), ("7", "4")),
    "sus2": (("5", "2"), ("7", "4"), ("5", "4")),
    "7sus": (("7", "4"), ("5", "4", "2"), ("7", "4", "3"), ("6", "5", "2")),
}


def _glyphs(text: str) -> str:
    return text.replace("#", "♯").replace("b", "♭")


@dataclass(frozen=True)
class RomanNumeral(Stored):
    """A chord's label, free of any key.

    `degree` is 1 to 7 and `alter` the accidental printed before the numeral. `quality` is the chord's
    kind (in a major key, where `by_key` is set). `applied` are the target numerals of a secondary
    function in the order printed, each without figures. `special` is ``"It"``, ``"Fr"``, ``"Ger"``,
    ``"N"``, ``"Cad"`` or empty. `added` and `altered` are bracketed notes above the root
    (``"9"``, ``"b5"``), `omitted` the factors left out. `small` marks a suspended chord printed in
    small letters.
    """

    degree: int
    quality: Quality
    inversion: int = 0
    alter: int = 0
    applied: tuple[RomanNumeral, ...] = ()
    special: str = ""
    added: tuple[str, ...] = ()
    omitted: tuple[int, ...] = ()
    altered: tuple[str, ...] = ()
    by_key: bool = False
    small: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.degree <= 7:
            raise ValueError(f"A Roman numeral has a degree from 1 to 7, not {self.degree}.")
        if not 0 <= self.inversion < len(self.quality.fifths):
            raise ValueError(f"A {self.quality.words} has no inversion {self.inversion}.")

    @classmethod
    def parse(cls, text: str) -> RomanNumeral:
        """Read a RomanText numeral; raise ValueError with one sentence on anything else.

        Figures may be joined or split (``V65``, ``V6/5``), half-diminished written ``ø`` or ``/o``,
        diminished ``o`` or ``°``, accidentals ``b``, ``-``, ``#``, ``♭`` or ``♯``.
        """
        # Imported here because reading builds values of this class.
        from understave.theory.numeral_reading import read_numeral

        return read_numeral(text)

    @classmethod
    def of(cls, chord: Chord, key: Key, enharmonic: bool = False) -> tuple[RomanNumeral, ...]:
        """Return the numerals that name a spelled chord in a key, the most usual first.

        The last is always the plain numeral on its own, perhaps altered, degree. With `enharmonic`,
        readings of the chord spelled otherwise follow.
        """
        # Imported here because naming builds values of this class.
        from understave.theory.numeral_naming import numerals_of

        return numerals_of(chord, key, enharmonic)

    # ---------------------------------------------------------------- style

    @cached_property
    def style(self) -> Style:
        """Whether it is printed in small letters, and its sign: ``"o"``, ``"ø"``, ``"+"`` or nothing."""
        if self.special in ("It", "Fr", "Ger"):
            return False, ""
        shape = self.quality.fifths
        if self.quality in SUSPENDED:
            return self.small, ""
        small, sign = _STYLE_OF_TRIAD.get((shape[1], shape[2]), (False, ""))
        if sign == "o" and len(shape) > 3 and shape[3] == -2:
            sign = "ø"
        return small, sign

    @cached_property
    def _size(self) -> str:
        if self.quality in SUSPENDED:
            return SUSPENDED[self.quality]
        return {3: "3", 4: "7", 5: "9"}[len(self.quality.fifths)]

    @cached_property
    def _bare(self) -> bool:
        """Whether the figure alone says the quality, so that no sign is needed with it."""
        if self.by_key or self.special or self._size not in ("7", "9"):
            return True
        kinds = bare_qualities(self.degree, self.alter, self.style, int(self._size))
        return kinds == (self.quality, self.quality)

    # ---------------------------------------------------------------- RomanText

    @cached_property
    def text(self) -> str:
        """The RomanText numeral, such as ``"V65/V"``."""
        brackets = "".join(f"[{a}]" for a in self.altered)
        brackets += "".join(f"[add{a}]" for a in self.added)
        brackets += "".join(f"[no{o}]" for o in self.omitted)
        target = "".join(f"/{t.text}" for t in self.applied)
        if self.special:
            return self.special + self._special_figures + brackets + target
        small, sign = self.style
        numeral = NUMERALS[self.degree - 1]
        head = accidental_text(self.alter) + (numeral.lower() if small else numeral) + sign
        return head + self._figure_text + brackets + target

    @property
    def _figure_text(self) -> str:
        size, at = self._size, self.inversion
        if size == "3":
            return _TRIAD_FIGURES[at]
        if size == "sus":
            return "54" if at == 0 else _TRIAD_FIGURES[at] + "[sus4]"
        if size == "sus2":
            return _TRIAD_FIGURES[at] + "[sus2]"
        if size == "7sus":
            return "74" if at == 0 else _SEVENTH_FIGURES[at] + "[sus4]"
        shape = self.quality.fifths
        major = "maj" if not self._bare and shape[3] == 5 else ""
        if size == "7":
            lowered = "[b7]" if not self._bare and not major else ""
            return f"{major}{_SEVENTH_FIGURES[at]}{lowered}"
        ninth = "" if self._bare or major else ("M" if shape[4] == 2 else "b")
        if at == 0:
            return f"{major}{ninth}9"
        if at == 4:
            return f"{major}7642" + (f"{ninth}9" if ninth else "")
        return major + _SEVENTH_FIGURES[at] + (f"{ninth}9" if ninth else "[add9]")

    @property
    def _special_figures(self) -> str:
        if self.special in ("Fr", "Ger"):
            return _SEVENTH_FIGURES[self.inversion]
        if self.quality is Quality.MAJOR7:
            return "maj" + _SEVENTH_FIGURES[self.inversion]
        if self.special == "It" and self.inversion == 0:
            return "53"
        return _TRIAD_FIGURES[self.inversion]

    def __str__(self) -> str:
        return self.text

    # ---------------------------------------------------------------- what a page shows

    @cached_property
    def head(self) -> str:
        """The numeral with real accidentals and signs, without figures: ``"♭II"``, ``"vii°"``."""
        if self.special:
            return self.special
        small, sign = self.style
        numeral = NUMERALS[self.degree - 1]
        head = _glyphs(accidental_text(self.alter)) + (numeral.lower() if small else numeral)
        return head + sign.replace("o", "°")

    @cached_property
    def figures(self) -> tuple[str, ...]:
        """Figures stacked from top to bottom, such as ``("6", "5")``; empty in root position."""
        rows = _ROWS[self._size][self.inversion]
        if not self._bare:
            rows = self._exact_rows(rows)
        rows += tuple(_glyphs(a) for a in self.altered)
        rows += tuple("add" + _glyphs(a) for a in self.added)
        return rows + tuple(f"no{o}" for o in self.omitted)

    def _exact_rows(self, rows: tuple[str, ...]) -> tuple[str, ...]:
        """Mark the seventh or ninth that departs from the key."""
        shape = self.quality.fifths
        if shape[3] == 5:
            return ("maj" + rows[0], *rows[1:])
        number = 7 if len(shape) == 4 else 9
        mark = "♮" if len(shape) == 5 and shape[4] == 2 else "♭"
        row = str((number - 1 - 2 * self.inversion) % 7 + 1) if self.inversion else str(number)
        return tuple(mark + r if r == row else r for r in rows)

    @property
    def target(self) -> str:
        """What is printed after numeral and figures: ``"/V"``, ``"/♭VI"`` or nothing."""
        return "".join("/" + t.head for t in self.applied)

    @property
    def words(self) -> str:
        """The numeral in plain words: ``"the dominant seventh of the dominant, in first inversion"``."""
        # Imported here because the words are about values of this class.
        from understave.theory.numeral_words import numeral_words

        return numeral_words(self)

    # ---------------------------------------------------------------- in a key

    @cached_property
    def _in_mode(self) -> dict[Mode, _Placed]:
        return {mode: _place(self, mode) for mode in MODES}

    def root(self, key: Key) -> PitchClass:
        """Return the spelled root in a key."""
        return PitchClass.from_fifths(key.tonic.fifths + self._in_mode[key.mode].root)

    def local_key(self, key: Key) -> Key:
        """Return the key tonicised by the applied part, or the key itself."""
        if not self.applied:
            return key
        placed = self._in_mode[key.mode]
        return Key(PitchClass.from_fifths(key.tonic.fifths + placed.tonic), placed.mode)

    def chord(self, key: Key) -> Chord:
        """Return the spelled chord in a key."""
        at = key.tonic.fifths
        known = self._chords.get((at, key.mode))
        if known is None:
            known = self._chords[at, key.mode] = self._chord(self._in_mode[key.mode], at)
        return known

    @cached_property
    def _chords(self) -> dict[tuple[int, Mode], Chord]:
        """The chords asked for so far, by key: a reading asks for the same ones over and over."""
        return {}

    def _chord(self, placed: _Placed, at: int) -> Chord:
        root = PitchClass.from_fifths(at + placed.root)
        if not placed.added and not placed.omitted:
            return Chord(root, placed.quality, self.inversion)
        added = tuple(PitchClass.from_fifths(at + a) for a in placed.added)
        return Chord(root, placed.quality, self.inversion, added, placed.omitted)

    def with_inversion(self, inversion: int) -> RomanNumeral:
        """Return the same numeral with another member in the bass."""
        return replace(self, inversion=inversion)


@dataclass(frozen=True, slots=True)
class _Placed:
    """A numeral in a mode; places are on the line of fifths relative to the home tonic.

    `tonic` and `mode` are those of the key it is in, the tonicised one for an applied numeral.
    """

    root: int
    quality: Quality
    added: tuple[int, ...]
    omitted: tuple[int, ...]
    tonic: int
    mode: Mode


def _place(numeral: RomanNumeral, mode: Mode) -> _Placed:
    tonic = 0
    for target in reversed(numeral.applied):
        small = target.style[0]
        tonic += degree_fifths(target.degree, target.alter, small, mode)
        mode = "minor" if small else "major"
    own = degree_fifths(numeral.degree, numeral.alter, numeral.style[0], mode)
    quality = _quality_in(numeral, mode)
    shape = list(quality.fifths)
    for name in numeral.altered:
        number = (int(name.lstrip("#b")) - 1) % 7 + 1
        step = 7 * (name.count("#") - name.count("b"))
        shape = [f + step if factor(f) == number else f for f in shape]
    added = [
        above_root(own, numeral.degree, int(name.lstrip("#b")), mode)
        + 7 * (name.count("#") - name.count("b"))
        for name in numeral.added
    ]
    omitted = set(numeral.omitted)
    if numeral.altered or added:
        whole = (*shape, *(a for a in added if a not in shape))
        for named in quality_of_shape(whole):
            # The French sixth is a function, not a sound: only the numeral Fr means it.
            if named.fifths[: len(shape)] == tuple(shape) and named is not Quality.FRENCH:
                return _Placed(tonic + own, named, (), tuple(sorted(omitted)), tonic, mode)
        changed = [(a, b) for a, b in zip(quality.fifths, shape, strict=True) if a != b]
        omitted |= {factor(before) for before, _ in changed}
        added += [after for _, after in changed]
    places = tuple(tonic + own + a for a in added)
    return _Placed(tonic + own, quality, places, tuple(sorted(omitted)), tonic, mode)


def _quality_in(numeral: RomanNumeral, mode: Mode) -> Quality:
    if not numeral.by_key or mode == "major":
        return numeral.quality
    if numeral.special == "Cad":
        return Quality.MINOR
    return bare_quality(
        numeral.degree, numeral.alter, numeral.style, len(numeral.quality.fifths) * 2 - 1, mode
    )
