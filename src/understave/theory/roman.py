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
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

from understave.theory.chord import Chord, Quality, factor, quality_of_shape, usual_inversion
from understave.theory.key import Key, Mode
from understave.theory.pitch import PitchClass

NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")
_SCALE: dict[Mode, tuple[int, ...]] = {
    "major": (0, 2, 4, -1, 1, 3, 5),
    "minor": (0, 2, -3, -1, 1, -4, -2),
}
_RAISED = {6: 3, 7: 5}

# Triads and the sevenths and ninths stacked on them: (third, fifth) -> sign after the numeral.
_SMALL_SIGN = {(4, 1): (False, ""), (-3, 1): (True, ""), (-3, -6): (True, "o"), (4, 8): (False, "+")}
_TRIAD_OF_SIGN = {(False, ""): (4, 1), (True, ""): (-3, 1), (True, "o"): (-3, -6), (False, "+"): (4, 8)}

# Complete figures above the bass -> (size of the stack, inversion). Size 3, 7 or 9; "4" and "47" are
# suspended fourths.
_COMPLETE: dict[frozenset[int], tuple[str, int]] = {
    frozenset({3, 5}): ("3", 0),
    frozenset({3, 6}): ("3", 1),
    frozenset({4, 6}): ("3", 2),
    frozenset({3, 5, 7}): ("7", 0),
    frozenset({3, 5, 6}): ("7", 1),
    frozenset({3, 4, 6}): ("7", 2),
    frozenset({2, 4, 6}): ("7", 3),
    frozenset({3, 5, 7, 9}): ("9", 0),
    frozenset({3, 5, 6, 7}): ("9", 1),
    frozenset({3, 4, 5, 6}): ("9", 2),
    frozenset({2, 3, 4, 6}): ("9", 3),
    frozenset({2, 4, 6, 7}): ("9", 4),
    frozenset({4, 5}): ("sus", 0),
    frozenset({4, 5, 7}): ("7sus", 0),
}
# Customary abbreviations -> the complete figures they stand for.
_SHORT: dict[frozenset[int], frozenset[int]] = {
    frozenset(short): frozenset(full)
    for short, full in (
        ((), (5, 3)),
        ((5,), (5, 3)),
        ((3,), (5, 3)),
        ((6,), (6, 3)),
        ((7,), (7, 5, 3)),
        ((7, 5), (7, 5, 3)),
        ((7, 3), (7, 5, 3)),
        ((6, 5), (6, 5, 3)),
        ((4, 3), (6, 4, 3)),
        ((4, 2), (6, 4, 2)),
        ((2,), (6, 4, 2)),
        ((6, 2), (6, 4, 2)),
        ((9,), (9, 7, 5, 3)),
        ((9, 7), (9, 7, 5, 3)),
        ((9, 7, 3), (9, 7, 5, 3)),
        ((9, 7, 5), (9, 7, 5, 3)),
        ((7, 6, 5), (7, 6, 5, 3)),
        ((4,), (5, 4)),
        ((7, 4), (7, 5, 4)),
    )
}
_TRIAD_FIGURES = ("", "6", "64")
_SEVENTH_FIGURES = ("7", "65", "43", "42")
_ROWS: dict[str, tuple[tuple[str, ...], ...]] = {
    "3": ((), ("6",), ("6", "4")),
    "7": (("7",), ("6", "5"), ("4", "3"), ("4", "2")),
    "9": (("9",), ("7", "6", "5"), ("6", "5", "4", "3"), ("6", "4", "3", "2"), ("7", "6", "4", "2")),
    "sus": (("5", "4"), ("5", "2"), ("7", "4")),
    "7sus": (("7", "4"), ("5", "4", "2"), ("7", "4", "3"), ("6", "5", "2")),
}

_HEAD = re.compile(
    r"(?P<accidental>#*|b*|-*)"
    r"(?:(?P<numeral>[IV]+|[iv]+)|(?P<special>Cad|Ger|It|Fr|N))"
    r"(?P<sign>[oø+]?)"
    r"(?P<seventh>maj|M(?!9)|d)?"
    r"(?P<figures>(?:(?:[#b]*|M)1?[0-9])*)"
    r"(?P<late>\+?)"
    r"(?P<brackets>(?:\[[^\[\]]+\])*)"
)
_FIGURE = re.compile(r"([#b]*|M)(1[0-3]|[2-9])")
_BRACKET = re.compile(r"(no|add|sus|)([#b]*)(1[0-3]|[1-9])")


def _complain(text: str, why: str) -> ValueError:
    return ValueError(f"{text!r} is not a Roman numeral: {why}")


def _shift(accidental: str) -> int:
    return accidental.count("#") - accidental.count("b") - accidental.count("-")


def _glyphs(text: str) -> str:
    return text.replace("#", "♯").replace("b", "♭").replace("o", "°")


def _degree_fifths(degree: int, alter: int, small: bool, mode: Mode) -> int:
    """Return where a degree lies on the line of fifths, the tonic being 0."""
    if mode == "minor" and degree in _RAISED:
        natural, raised = _SCALE["minor"][degree - 1], _RAISED[degree]
        if alter == 0:
            return raised if small else natural
        return natural + 7 * (alter + 1) if alter < 0 else raised + 7 * (alter - 1)
    return _SCALE[mode][degree - 1] + 7 * alter


def _natural(root: int, degree: int, number: int, mode: Mode) -> int:
    """Return the scale note a generic interval above a root, as fifths above that root."""
    return _SCALE[mode][(degree + number - 2) % 7] - root


@lru_cache(maxsize=4096)
def _bare(degree: int, alter: int, triad: tuple[int, int], size: str, mode: Mode) -> Quality:
    """Return the quality of a triad with a bare 7 or 9, the upper notes taken from the key."""
    root = _degree_fifths(degree, alter, triad[0] == -3, mode)
    seventh = _natural(root, degree, 7, mode)
    if triad[0] == -3:
        seventh = -2
    elif seventh not in (-2, 5):
        seventh = -2 if seventh < 0 else 5
    if size == "7":
        return quality_of_shape((0, *triad, seventh))[0]
    ninth = _natural(root, degree, 9, mode)
    if ninth not in (2, -5):
        ninth = 2 if ninth > 0 else -5
    found = quality_of_shape((0, *triad, seventh, ninth)) or quality_of_shape((0, *triad, seventh, 2))
    return found[0]


@dataclass(frozen=True)
class RomanNumeral:
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

    # ---------------------------------------------------------------- text

    @classmethod
    def parse(cls, text: str) -> RomanNumeral:
        """Read a RomanText numeral; raise ValueError with one sentence on anything else.

        Figures may be joined or split (``V65``, ``V6/5``), half-diminished written ``ø`` or ``/o``,
        diminished ``o`` or ``°``; spelled accidentals may be ``b``, ``-``, ``#``, ``♭``, ``♯``.
        """
        return _parse(text)

    @cached_property
    def _parts(self) -> tuple[bool, str, str]:
        """Small letters or capitals, the sign after the numeral, and the size of the stack."""
        shape = self.quality.fifths
        if self.quality is Quality.SUS4:
            return self.small, "", "sus"
        if self.quality is Quality.DOMINANT7_SUS4:
            return self.small, "", "7sus"
        small, sign = _SMALL_SIGN.get((shape[1], shape[2]), (False, ""))
        size = {3: "3", 4: "7", 5: "9"}[len(shape)]
        if self.quality in (
            Quality.HALF_DIMINISHED7,
            Quality.HALF_DIMINISHED9,
            Quality.HALF_DIMINISHED_FLAT9,
        ):
            sign = "ø"
        return small, sign, size

    @cached_property
    def _naturally(self) -> bool:
        """Whether the bare figure gives this quality in both modes (or follows the key)."""
        small, sign, size = self._parts
        if self.by_key or size not in ("7", "9"):
            return True
        if size == "7" and small:
            return self.quality is not Quality.MINOR_MAJOR7 and self.quality is not Quality.DIMINISHED_MAJOR7
        triad = (self.quality.fifths[1], self.quality.fifths[2])
        if sign in ("o", "ø"):
            natural_seventh = {"o": -9, "ø": -2}[sign]
            if size == "7":
                return self.quality.fifths[3] == natural_seventh
            return all(_diminished_ninth(self.degree, self.alter, sign, m) is self.quality for m in _SCALE)
        return all(_bare(self.degree, self.alter, triad, size, m) is self.quality for m in _SCALE)

    @cached_property
    def text(self) -> str:
        """The RomanText numeral, such as ``"V65/V"``."""
        target = "".join(f"/{t.text}" for t in self.applied)
        brackets = "".join(f"[{a}]" for a in self.altered)
        brackets += "".join(f"[add{a}]" for a in self.added) + "".join(f"[no{o}]" for o in self.omitted)
        if self.special:
            return f"{self.special}{self._special_figures}{brackets}{target}"
        small, sign, size = self._parts
        accidental = "#" * self.alter if self.alter > 0 else "b" * -self.alter
        numeral = NUMERALS[self.degree - 1]
        head = accidental + (numeral.lower() if small else numeral) + sign
        if size == "sus":
            figures = "54" if self.inversion == 0 else _TRIAD_FIGURES[self.inversion] + "[sus4]"
        elif size == "7sus":
            figures = "74" if self.inversion == 0 else _SEVENTH_FIGURES[self.inversion] + "[sus4]"
        elif size == "3":
            figures = _TRIAD_FIGURES[self.inversion]
        elif size == "7":
            figures = _SEVENTH_FIGURES[self.inversion]
            if not self._naturally:
                figures = figures + "[b7]" if self.quality.fifths[3] == -2 else "maj" + figures
        else:
            figures = self._ninth_figures
        return f"{head}{figures}{brackets}{target}"

    @property
    def _ninth_figures(self) -> str:
        shape = self.quality.fifths
        if self._naturally:
            exact = ""
        elif shape[3] == 5:
            exact = "maj"
        else:
            exact = "M" if shape[4] == 2 else "b"
        if self.inversion == 0:
            return f"{exact}9"
        if self.inversion == 4:
            figures = "7642"
            return figures if not exact else ("maj" + figures if exact == "maj" else f"{figures}{exact}9")
        figures = _SEVENTH_FIGURES[self.inversion]
        if not exact:
            return f"{figures}[add9]"
        return f"maj{figures}[add9]" if exact == "maj" else f"{figures}{exact}9"

    @property
    def _special_figures(self) -> str:
        if self.special in ("It", "N", "Cad"):
            if self.quality is Quality.MAJOR7:
                return "maj" + _SEVENTH_FIGURES[self.inversion]
            if self.special == "It" and self.inversion == 0:
                return "53"
            return _TRIAD_FIGURES[self.inversion]
        return _SEVENTH_FIGURES[self.inversion]

    def __str__(self) -> str:
        return self.text

    # ---------------------------------------------------------------- what a page shows

    @cached_property
    def head(self) -> str:
        """The numeral with real accidentals and signs, without figures: ``"♭II"``, ``"vii°"``."""
        if self.special:
            return self.special
        small, sign, _ = self._parts
        numeral = NUMERALS[self.degree - 1]
        accidental = "♯" * self.alter if self.alter > 0 else "♭" * -self.alter
        return accidental + (numeral.lower() if small else numeral) + sign.replace("o", "°")

    @cached_property
    def figures(self) -> tuple[str, ...]:
        """Figures stacked from top to bottom, such as ``("6", "5")``; empty in root position."""
        if self.special in ("It", "Fr", "Ger"):
            rows = _ROWS["3" if self.special == "It" else "7"][self.inversion]
        elif self.special:
            rows = _ROWS["7" if self.quality is Quality.MAJOR7 else "3"][self.inversion]
        else:
            rows = _ROWS[self._parts[2]][self.inversion]
            if not self._naturally:
                rows = self._exact_rows(rows)
        rows += tuple(a.replace("#", "♯").replace("b", "♭") for a in self.altered)
        rows += tuple("add" + a.replace("#", "♯").replace("b", "♭") for a in self.added)
        return rows + tuple(f"no{o}" for o in self.omitted)

    def _exact_rows(self, rows: tuple[str, ...]) -> tuple[str, ...]:
        """Mark the seventh or ninth that departs from the key."""
        shape = self.quality.fifths
        if shape[3] == 5:
            return ("maj" + rows[0], *rows[1:]) if self.inversion == 0 else rows
        number = 7 if len(shape) == 4 else 9
        mark = "♮" if len(shape) == 5 and shape[4] == 2 else "♭"
        row = str((number - 1 - 2 * self.inversion) % 7 + 1) if self.inversion else str(number)
        return tuple(mark + r if r == row else r for r in rows)

    @property
    def target(self) -> str:
        """What stands after the numeral and figures: ``"/V"``, ``"/♭VI"`` or nothing."""
        return "".join("/" + t.head for t in self.applied)

    # ---------------------------------------------------------------- in a key

    @cached_property
    def _relative(self) -> dict[Mode, _Relative]:
        return {mode: _relative(self, mode) for mode in _SCALE}

    def root(self, key: Key) -> PitchClass:
        """Return the spelled root in a key."""
        return PitchClass.from_fifths(key.tonic.fifths + self._relative[key.mode].root)

    def local_key(self, key: Key) -> Key:
        """Return the key tonicised by the applied part, or the key itself."""
        if not self.applied:
            return key
        r = self._relative[key.mode]
        return Key(PitchClass.from_fifths(key.tonic.fifths + r.local), r.mode)

    def chord(self, key: Key) -> Chord:
        """Return the spelled chord in a key."""
        at = key.tonic.fifths
        r = self._relative[key.mode]
        root = PitchClass.from_fifths(at + r.root)
        if not r.added and not r.omitted:
            return Chord(root, r.quality, self.inversion)
        added = tuple(PitchClass.from_fifths(at + a) for a in r.added)
        return Chord(root, r.quality, self.inversion, added, r.omitted)

    def with_inversion(self, inversion: int) -> RomanNumeral:
        """Return the same numeral with another member in the bass."""
        return replace(self, inversion=inversion)

    @classmethod
    def of(cls, chord: Chord, key: Key, enharmonic: bool = False) -> tuple[RomanNumeral, ...]:
        """Return the numerals that name a spelled chord in a key, the most usual first.

        Diatonic chords come first, then augmented sixths and the Neapolitan, applied dominants and
        leading-tone chords, mode mixture, and last the plain numeral on an altered degree, which
        always exists. With `enharmonic`, readings of the chord spelled otherwise follow.
        """
        return _numerals_of(chord, key, enharmonic)


@dataclass(frozen=True, slots=True)
class _Relative:
    """A numeral in a mode, all places on the line of fifths relative to the home tonic."""

    root: int
    quality: Quality
    added: tuple[int, ...]
    omitted: tuple[int, ...]
    local: int
    mode: Mode


def _relative(n: RomanNumeral, mode: Mode) -> _Relative:
    local = 0
    for target in reversed(n.applied):
        small = target._parts[0]
        local += _degree_fifths(target.degree, target.alter, small, mode)
        mode = "minor" if small else "major"
    small, sign, size = n._parts if n.special not in ("It", "Fr", "Ger") else (False, "", "3")
    root = _degree_fifths(n.degree, n.alter, small, mode)
    quality = _quality_in(n, mode)
    shape = list(quality.fifths)
    added: list[int] = []
    omitted = list(n.omitted)
    for name in n.altered:
        number = (int(name.lstrip("#b")) - 1) % 7 + 1
        for i, f in enumerate(shape):
            if factor(f) == number:
                shape[i] = f + 7 * _shift(name)
    for name in n.added:
        number = int(name.lstrip("#b"))
        added.append(_natural(root, n.degree, number, mode) + 7 * _shift(name))
    if n.altered or added:
        whole = (*shape, *(a for a in added if a not in shape))
        for candidate in quality_of_shape(whole):
            if candidate.fifths[: len(shape)] == tuple(shape) and candidate is not Quality.FRENCH:
                return _Relative(local + root, candidate, (), tuple(omitted), local, mode)
        for before, after in zip(quality.fifths, shape, strict=True):
            if before != after:
                omitted.append(factor(before))
                added.append(after)
    places = tuple(local + root + a for a in added)
    return _Relative(local + root, quality, places, tuple(sorted(set(omitted))), local, mode)


def _quality_in(n: RomanNumeral, mode: Mode) -> Quality:
    if not n.by_key or mode == "major":
        return n.quality
    if n.special == "Cad":
        return Quality.MINOR
    small, sign, size = n._parts
    if sign in ("o", "ø"):
        return _diminished_ninth(n.degree, n.alter, sign, mode)
    return _bare(n.degree, n.alter, (n.quality.fifths[1], n.quality.fifths[2]), size, mode)


def _diminished_ninth(degree: int, alter: int, sign: str, mode: Mode) -> Quality:
    root = _degree_fifths(degree, alter, True, mode)
    ninth = 2 if _natural(root, degree, 9, mode) >= 2 else -5
    return quality_of_shape((0, -3, -6, -9 if sign == "o" else -2, ninth))[0]


# -------------------------------------------------------------------- reading


def _clean(text: str) -> str:
    for old, new in (("♭", "b"), ("♯", "#"), ("°", "o"), ("º", "o"), ("Ø", "ø"), ("-", "b")):
        text = text.replace(old, new)
    text = re.sub(r"(?<=[iv])/o(?![a-z])", "ø", text)
    return re.sub(r"(?<=\d)/(?=[#b]?\d)", "", text)


@lru_cache(maxsize=16384)
def _parse(text: str) -> RomanNumeral:
    plain = _clean(text.strip())
    if not plain:
        raise _complain(text, "it is empty; write for example V65/V.")
    head, *targets = plain.split("/")
    n = _parse_head(head, text)
    if not targets:
        return n
    return replace(n, applied=tuple(_parse_target(t, text) for t in targets))


def _parse_target(target: str, text: str) -> RomanNumeral:
    n = _parse_head(target, text) if target else None
    if n is None or n.special in ("It", "Fr", "Ger", "Cad") or n.inversion or n.added or n.omitted:
        raise _complain(text, "after the slash stands a key's numeral without figures, such as /V or /ii.")
    if n.quality.is_triad:
        return n
    raise _complain(text, "after the slash stands a key's numeral without figures, such as /V or /ii.")


def _parse_head(head: str, text: str) -> RomanNumeral:
    m = _HEAD.fullmatch(head)
    if not m:
        raise _complain(text, "write a numeral from I to VII, its quality and its figures, such as viio65.")
    figures = [(a, int(d)) for a, d in _FIGURE.findall(m["figures"])]
    if "".join(a + str(d) for a, d in figures) != m["figures"]:
        raise _complain(text, f"{m['figures']!r} are not figures above a bass.")
    added, omitted, altered, suspended = _parse_brackets(m["brackets"], text)
    if m["special"]:
        return _parse_special(m, figures, added, omitted, altered, text)
    numeral = m["numeral"]
    if numeral.upper() not in NUMERALS:
        raise _complain(text, f"{numeral!r} is no degree; use I to VII.")
    degree = NUMERALS.index(numeral.upper()) + 1
    sign = m["sign"] or m["late"]
    small = numeral.islower() if sign not in ("o", "ø", "+") else sign != "+"
    size, inversion, extra, changed = _read_figures(figures)
    added += extra
    altered += changed
    if sign == "ø" and size == "3":
        sign = "o"
    if suspended:
        size = {"3": "sus", "7": "7sus"}.get(size, size)
    if m["seventh"] and size == "3" and inversion == 0:
        size = "7"
    return _assemble(
        degree=degree,
        alter=_shift(m["accidental"]),
        small=small,
        sign=sign,
        seventh=m["seventh"] or "",
        size=size,
        inversion=inversion,
        added=added,
        omitted=omitted,
        altered=altered,
        text=text,
    )


def _parse_brackets(brackets: str, text: str) -> tuple[list[str], tuple[int, ...], list[str], bool]:
    added: list[str] = []
    altered: list[str] = []
    omitted: set[int] = set()
    suspended = False
    for content in re.findall(r"\[([^\]]+)\]", brackets):
        items = _BRACKET.findall(content)
        if "".join(a + b + c for a, b, c in items) != content or not items:
            raise _complain(text, f"[{content}] is not understood; use [no3], [add9], [b5] or [sus4].")
        for word, accidental, number in items:
            if word == "no":
                omitted.add((int(number) - 1) % 7 + 1)
            elif word == "add":
                added.append(accidental + number)
            elif word == "sus":
                if number != "4":
                    raise _complain(text, f"[{content}] is not understood; only [sus4] is a suspension.")
                suspended = True
            else:
                altered.append(accidental + number)
    return added, tuple(sorted(omitted)), altered, suspended


def _read_figures(figures: list[tuple[str, int]]) -> tuple[str, int, list[str], list[str]]:
    """Return size, inversion, notes added above the root, and altered factors.

    A ninth with its own sign is counted from the root, whatever the inversion; every other figure
    from the bass. Figures that no chord has are read as the nearest chord with added notes.
    """
    signed_ninth = [a for a, d in figures if d == 9 and a]
    plain = frozenset(d for a, d in figures if not (d == 9 and a) and d < 10)
    complete = _SHORT.get(plain, plain)
    if complete in _COMPLETE:
        size, inversion = _COMPLETE[complete]
        rest: Iterable[int] = ()
    else:
        best = max(
            _COMPLETE,
            key=lambda c: (len(plain & c) - len(plain - c), -abs(len(c) - len(plain)), -len(c)),
        )
        size, inversion = _COMPLETE[best]
        rest = plain - best
    extra = [str((d - 1 + 2 * inversion) % 7 + 1) for d in sorted(rest)]
    extra += [str(d) for _, d in figures if d > 9]
    extra = ["9" if e == "2" else e for e in extra if e not in ("1", "3", "5")]
    changed: list[str] = []
    for sign, d in figures:
        if sign and d != 9 and d < 10:
            number = (d - 1 + 2 * inversion) % 7 + 1
            changed.append(("#" if sign == "M" else sign) + str(number))
    if signed_ninth:
        size = "9" if size in ("3", "7") else size
        changed.append(signed_ninth[0] + "9")
    return size, inversion, extra, changed


def _assemble(
    *,
    degree: int,
    alter: int,
    small: bool,
    sign: str,
    seventh: str,
    size: str,
    inversion: int,
    added: list[str],
    omitted: tuple[int, ...],
    altered: list[str],
    text: str,
) -> RomanNumeral:
    """Settle the quality; a seventh or ninth set by sign or bracket becomes part of it."""
    major = seventh in ("maj", "M")
    exact_ninth = ""
    if size in ("7", "9"):
        for name in [a for a in added if a.lstrip("#b") == "9"]:
            added.remove(name)
            size = "9"
            exact_ninth = name[:-1]
        for name in [a for a in altered if a.lstrip("#bM") == "9"]:
            altered.remove(name)
            size = "9"
            exact_ninth = name[:-1]
    if exact_ninth == "#":
        exact_ninth = "M"
    if size in ("sus", "7sus"):
        quality = Quality.SUS4 if size == "sus" else Quality.DOMINANT7_SUS4
        return RomanNumeral(
            degree,
            quality,
            inversion,
            alter,
            (),
            "",
            _ordered(added),
            omitted,
            _ordered(altered),
            False,
            small,
        )
    triad = _TRIAD_OF_SIGN[(small, "o" if sign == "ø" else sign)]
    by_key = False
    if size == "3":
        quality = quality_of_shape((0, *triad))[0]
    else:
        quality, by_key, altered = _stacked(degree, alter, triad, sign, size, seventh, exact_ninth, altered)
    if inversion >= len(quality.fifths):
        raise _complain(text, "its figures ask for an inversion that the chord does not have.")
    return RomanNumeral(
        degree, quality, inversion, alter, (), "", _ordered(added), omitted, _ordered(altered), by_key
    )


def _ordered(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(set(names), key=lambda a: (int(a.lstrip("#bM")), a)))


def _stacked(
    degree: int,
    alter: int,
    triad: tuple[int, int],
    sign: str,
    size: str,
    seventh: str,
    ninth: str,
    altered: list[str],
) -> tuple[Quality, bool, list[str]]:
    """Return the quality of a seventh or ninth chord, whether the key decides it, and what is left."""
    exact: int | None = None
    if seventh in ("maj", "M"):
        exact = 5
    elif seventh == "d":
        exact = -2
    elif sign == "o":
        exact = -9
    elif sign == "ø" or triad[0] == -3:
        exact = -2
    if sign not in ("o", "ø"):
        sevenths = {_bare(degree, alter, triad, "7", m).fifths[3] for m in _SCALE}
        if "b7" in altered and triad[0] == 4 and 5 in sevenths and exact is None:
            exact, altered = -2, [a for a in altered if a != "b7"]
        if "#7" in altered and triad[0] == -3 and exact == -2:
            exact, altered = 5, [a for a in altered if a != "#7"]
    if size == "7":
        if exact is not None:
            return quality_of_shape((0, *triad, exact))[0], False, altered
        kinds = [_bare(degree, alter, triad, "7", m) for m in ("major", "minor")]
        return kinds[0], kinds[0] is not kinds[1], altered
    if ninth or exact == 5:
        base = (0, *triad, -2 if exact is None else exact)
        found = quality_of_shape((*base, -5 if ninth == "b" else 2))
        return (found or quality_of_shape((*base, 2)))[0], False, altered
    if sign in ("o", "ø"):
        kinds = [_diminished_ninth(degree, alter, sign, m) for m in ("major", "minor")]
    else:
        kinds = [_bare(degree, alter, triad, "9", m) for m in ("major", "minor")]
    return kinds[0], kinds[0] is not kinds[1], altered


def _parse_special(
    m: re.Match[str],
    figures: list[tuple[str, int]],
    added: list[str],
    omitted: tuple[int, ...],
    altered: list[str],
    text: str,
) -> RomanNumeral:
    name = m["special"]
    if m["accidental"] or m["sign"] or m["late"] or any(a for a, _ in figures):
        raise _complain(text, f"{name} takes plain figures only, such as Ger65, Fr43, It6, N6 or Cad64.")
    numbers = frozenset(d for _, d in figures)
    extra = (_ordered(added), omitted, _ordered(altered))
    if name == "Cad":
        if numbers not in (frozenset({6, 4}), frozenset()):
            raise _complain(text, "the cadential six-four is written Cad64.")
        return RomanNumeral(1, Quality.MAJOR, 2, 0, (), "Cad", *extra, by_key=True)
    size, inversion, more, _ = _read_figures(figures)
    if more or size not in ("3", "7"):
        raise _complain(text, f"{name} has no such figures; write for example Ger65, Fr43, It6 or N6.")
    if name == "N":
        if size == "7" or m["seventh"]:
            return RomanNumeral(2, Quality.MAJOR7, inversion, -1, (), "N", *extra)
        return RomanNumeral(2, Quality.MAJOR, inversion, -1, (), "N", *extra)
    if m["seventh"]:
        raise _complain(text, f"{name} takes plain figures only, such as Ger65, Fr43 or It6.")
    quality = {"It": Quality.ITALIAN, "Fr": Quality.FRENCH, "Ger": Quality.GERMAN}[name]
    if numbers in (frozenset(), frozenset({6})):
        inversion = usual_inversion(quality)
    if inversion >= len(quality.fifths):
        raise _complain(text, f"{name} has no such inversion.")
    degree, alter = (2, 0) if name == "Fr" else (4, 1)
    return RomanNumeral(degree, quality, inversion, alter, (), name, *extra)


# -------------------------------------------------------------------- naming

_DIATONIC: dict[Mode, str] = {
    "major": "I V IV ii vi iii viio V7 ii7 viiø7 viio7 I7 IV7 vi7 iii7 V9 V54 V74 ii9 IV9 I9 vi9 iii9",
    "minor": (
        "i V iv VI III iio viio VII v V7 iiø7 viio7 iv7 i7 VI7 III+ V9 V54 V74 VII7 III7 v7 IV I ii vio "
        "viø7 III+7 imaj7 ii7 iv9 i9"
    ),
}
_SPECIAL = "It6 Fr43 Ger65 N"
_APPLIED_HEADS = "V7 V viio7 viiø7 viio V9 V+ V+7 V7[b5]"
_TARGETS: dict[Mode, str] = {
    "major": "V IV ii vi iii bIII bVI bVII bII iv v viio",
    "minor": "V iv III VI VII v N iio ii IV I",
}
_MIXTURE: dict[Mode, str] = {
    "major": "i iv bVI bIII bVII v iio iiø7 iv7 i7 bVI7 bIII7 v7 VII III II VI I+ IV+ V+ V+7 iv9 i9 bVII7[b7]",
    "minor": "iii vi I7 IV7 II iv9 bII7",
}


@lru_cache(maxsize=2)
def _names(mode: Mode) -> dict[tuple[int, Quality], tuple[RomanNumeral, ...]]:
    """Every usual numeral of a mode in root position, by root and quality, most usual first."""
    key = Key(PitchClass("C"), mode)
    order = _DIATONIC[mode].split() + _SPECIAL.split()
    triads = [t for t in _MIXTURE[mode].split()]
    applied = [f"{h}/{t}" for t in _TARGETS[mode].split() for h in _APPLIED_HEADS.split()]
    found: dict[tuple[int, Quality], list[RomanNumeral]] = {}
    mixture_first = {"i", "iv", "bVI", "bIII", "bVII", "v", "iio", "iiø7", "iv7", "bVI7", "bIII7"}
    early = [t for t in triads if t in mixture_first]
    late = [t for t in triads if t not in mixture_first]
    for text in order + early + applied + late:
        n = _parse(text).with_inversion(0)
        target_minor = n.applied and n.applied[-1]._parts[0]
        if n.quality is Quality.HALF_DIMINISHED7 and target_minor:
            continue
        chord = n.chord(key)
        found.setdefault((chord.root.fifths, chord.quality), []).append(n)
    return {k: tuple(dict.fromkeys(v)) for k, v in found.items()}


def _plain_numeral(chord: Chord, key: Key) -> RomanNumeral:
    """Return the numeral on the (altered) degree, whatever the chord is."""
    above = chord.root.fifths - key.tonic.fifths
    degree = factor(above)
    quality = chord.quality
    shape = quality.fifths
    special = {Quality.ITALIAN: "It", Quality.GERMAN: "Ger", Quality.FRENCH: "Fr"}.get(quality)
    small = len(shape) > 2 and shape[1] in (-3, -10)
    natural = _degree_fifths(degree, 0, small, key.mode)
    alter = (above - natural) // 7
    if key.mode == "minor" and degree in _RAISED and alter:
        low, high = _SCALE["minor"][degree - 1], _RAISED[degree]
        alter = (above - low) // 7 - 1 if above <= low else (above - high) // 7 + 1
    altered: list[str] = []
    added: list[str] = []
    omitted = set(chord.omitted)
    extra = [p.fifths - chord.root.fifths for p in chord.added]
    base = quality
    if special:
        base = {"It": Quality.DIMINISHED, "Ger": Quality.DIMINISHED7, "Fr": Quality.DOMINANT7}[special]
        altered = ["b3"] if special != "Fr" else ["b5"]
    elif quality is Quality.DOMINANT7_FLAT5:
        base, altered = Quality.DOMINANT7, ["b5"]
    elif quality is Quality.POWER:
        base = Quality.MAJOR
        omitted.add(3)
    elif quality is Quality.SUS2:
        base = Quality.MAJOR
        omitted.add(3)
        extra.append(2)
    elif shape not in {q.fifths for q in _STACKED}:
        base, extra = _split_off(shape, extra)
    root = _degree_fifths(degree, alter, small, key.mode)
    for e in extra:
        number = factor(e)
        step = (e - _natural(root, degree, number, key.mode)) // 7
        name = {2: "9", 4: "4" if len(base.fifths) < 5 else "11"}.get(number, str(number))
        added.append(("#" * step if step > 0 else "b" * -step) + name)
    by_key = False
    if base in _MAJOR_ABOVE:
        by_key, base = _key_decides(degree, alter, base, key.mode)
    return RomanNumeral(
        degree,
        base,
        min(chord.inversion, len(base.fifths) - 1),
        alter,
        (),
        "",
        _ordered(added),
        tuple(sorted(omitted)),
        _ordered(altered),
        by_key,
    )


_STACKED = tuple(
    q
    for q in Quality
    if q.factors in ((1, 3, 5), (1, 3, 5, 7), (1, 3, 5, 7, 2))
    and q not in (Quality.ITALIAN, Quality.GERMAN, Quality.FRENCH, Quality.DOMINANT7_FLAT5)
) + (Quality.SUS4, Quality.DOMINANT7_SUS4)
_MAJOR_ABOVE = tuple(q for q in _STACKED if len(q.fifths) > 3 and q is not Quality.DOMINANT7_SUS4)


def _split_off(shape: tuple[int, ...], extra: list[int]) -> tuple[Quality, list[int]]:
    """Take the longest stack of thirds out of a shape; the rest are added notes."""
    for length in range(len(shape), 2, -1):
        for quality in quality_of_shape(shape[:length]):
            if quality in _STACKED and quality.fifths == shape[:length]:
                return quality, [*shape[length:], *extra]
    raise ValueError("A chord needs a third and a fifth, or one of the named suspensions.")


def _key_decides(degree: int, alter: int, quality: Quality, mode: Mode) -> tuple[bool, Quality]:
    """Return whether the bare figure gives the quality in this mode, and what to store for it."""
    for by_key in (True, False):
        trial = RomanNumeral(degree, quality, 0, alter, by_key=by_key)
        _, sign, size = trial._parts
        triad = (quality.fifths[1], quality.fifths[2])
        if not by_key:
            break
        if sign in ("o", "ø"):
            if size == "7":
                return False, quality
            kinds = {m: _diminished_ninth(degree, alter, sign, m) for m in _SCALE}
        elif size == "7" and triad[0] == -3:
            return False, quality
        else:
            kinds = {m: _bare(degree, alter, triad, size, m) for m in _SCALE}
        if kinds[mode] is quality and kinds["major"] is not kinds["minor"]:
            return True, kinds["major"]
    return False, quality


@lru_cache(maxsize=32768)
def _numerals_of(chord: Chord, key: Key, enharmonic: bool) -> tuple[RomanNumeral, ...]:
    found: list[RomanNumeral] = []
    above = chord.root.fifths - key.tonic.fifths
    if not chord.added:
        for n in _names(key.mode).get((above, chord.quality), ()):
            if chord.omitted and n.altered:
                continue
            found.append(replace(n, inversion=chord.inversion, omitted=chord.omitted))
    if chord.quality in (Quality.MAJOR, Quality.MINOR) and chord.inversion == 2 and above == 0:
        cadential = _parse("Cad64")
        if cadential.chord(key) == chord:
            found.append(cadential)
    plain = _plain_numeral(chord, key)
    if plain not in found:
        found.append(plain)
    if enharmonic:
        for other in _respelled(chord, key):
            found += [n for n in _numerals_of(other, key, False) if n not in found]
    return tuple(found)


def _respelled(chord: Chord, key: Key) -> list[Chord]:
    """Return chords of the same sound and bass that are named in the key, nearest spelling first."""
    found: list[Chord] = []
    bass = chord.bass.semitone
    for (above, quality), _ in _names(key.mode).items():
        root = PitchClass.from_fifths(key.tonic.fifths + above)
        for inversion in range(len(quality.fifths)):
            other = Chord(root, quality, inversion)
            if other.bass.semitone == bass and other.semitones == chord.semitones and other != chord:
                found.append(other)
    return sorted(found, key=lambda c: abs(c.root.fifths - chord.root.fifths))
