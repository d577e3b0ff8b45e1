"""Figures with hyphens (``V64-53``, ``V4-3``, ``I5-6``) -> the chords they move through.

In: text and a key. Out: `RomanNumeral`s, one for each column of figures, all over one bass: the root of the
numeral that is written. Figures as in thoroughbass (C. P. E. Bach, "Versuch", second part, 1762, on 6/4-5/3,
5-6 and 4-3): a 6/4 or a 6 over the bass of V is a chord of its own with that bass, a 4 or a 9 a suspension.
Moves in several voices are written side by side, ``V8-7/6-5/4-3``, or column by column, ``V64-53``.
"""

from __future__ import annotations

import re
from dataclasses import replace

from understave.harmony.naming import numeral_for
from understave.theory.chord import Chord, factor, quality_of_shape
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

_MOVE = re.compile(
    r"(?P<head>[#b♯♭-]?(?:[IV]+|[iv]+)[oø°+]?)"
    r"(?P<figures>[#b]?\d+(?:-[#b]?\d+)+(?:[/ ,][#b]?\d+(?:-[#b]?\d+)+)*)"
    r"(?P<applied>(?:/[#b♯♭]?[ivIV]+)*)"
)
_SIGNED = re.compile(r"([#b]?)(\d)")
# What stands over the bass of a chord with another root -> its inversion.
_INVERTED = {
    frozenset({3, 6}): 1,
    frozenset({4, 6}): 2,
    frozenset({3, 5, 6}): 1,
    frozenset({3, 4, 6}): 2,
}
_FULL = {
    frozenset(short): frozenset(full)
    for short, full in (
        ((3,), (3, 5)),
        ((5,), (3, 5)),
        ((8,), (3, 5)),
        ((5, 8), (3, 5)),
        ((3, 8), (3, 5)),
        ((3, 5, 8), (3, 5)),
        ((6,), (3, 6)),
        ((6, 8), (3, 6)),
        ((3, 6, 8), (3, 6)),
        ((4, 6, 8), (4, 6)),
        ((5, 6), (3, 5, 6)),
        ((4,), (4, 5)),
        ((4, 8), (4, 5)),
        ((4, 5, 8), (4, 5)),
        ((7,), (3, 5, 7)),
        ((3, 7), (3, 5, 7)),
        ((5, 7), (3, 5, 7)),
        ((4, 7), (4, 5, 7)),
        ((9,), (3, 5, 9)),
        ((7, 9), (3, 5, 7, 9)),
    )
}
_PLAIN = {
    frozenset({3, 5}): "",
    frozenset({4, 5}): "54",
    frozenset({3, 5, 7}): "7",
    frozenset({4, 5, 7}): "74",
    frozenset({3, 5, 9}): "[add9]",
    frozenset({3, 5, 7, 9}): "9",
}


def is_move(text: str) -> bool:
    """Whether figures stand on both sides of a hyphen."""
    return re.search(r"\d-[#b]?\d", text) is not None


def read_moves(text: str, key: Key) -> tuple[RomanNumeral, ...]:
    """Read a numeral whose figures move; raise ValueError with one sentence where they are not understood."""
    plain = text.strip().replace("♭", "b").replace("♯", "#").replace("–", "-")
    m = _MOVE.fullmatch(plain)
    if m is None:
        raise ValueError(
            f"{text.strip()!r} moves figures over a bass in a way that is not understood; write V64-53, "
            "V4-3, I5-6 or V8-7/6-5/4-3, or give each chord its own numeral."
        )
    columns = _columns(m["figures"], text)
    if not any(_full(column) in _PLAIN for column in columns):
        raise ValueError(
            f"In {text.strip()!r} no figure puts {m['head']} itself over the bass, so the bass is not clear; "
            "give each chord its own numeral."
        )
    home = RomanNumeral.parse("I" + m["applied"])
    over = home.local_key(key)
    chords = [_chord(m["head"], column, over, text) for column in columns]
    # What follows a chord decides its name: a six-four before the numeral itself is the cadential one.
    named = [
        numeral if isinstance(numeral, RomanNumeral) else numeral_for(numeral, over, _heard(following, over))
        for numeral, following in zip(chords, [*chords[1:], None], strict=True)
    ]
    return tuple(replace(numeral, applied=numeral.applied + home.applied) for numeral in named)


Column = tuple[tuple[int, str], ...]


def _columns(figures: str, text: str) -> list[Column]:
    """Return the figures that stand over the bass at the same time, with their signs, from left to right."""
    voices = [voice.split("-") for voice in re.split("[/ ,]", figures)]
    if len({len(voice) for voice in voices}) > 1:
        raise ValueError(
            f"In {text.strip()!r} the voices move a different number of times; write V8-7/6-5/4-3."
        )
    return [
        tuple((int(digit), sign) for item in column for sign, digit in _SIGNED.findall(item))
        for column in zip(*voices, strict=True)
    ]


def _full(column: Column) -> frozenset[int]:
    plain = frozenset(digit for digit, _ in column)
    return _FULL.get(plain, plain)


def _chord(head: str, column: Column, key: Key, text: str) -> RomanNumeral | Chord:
    """Return what one column of figures stands for: the numeral itself, or a chord on another root."""
    full, signs = _full(column), dict(column)
    own = RomanNumeral.parse(head)
    if full in _PLAIN and not any(signs.values()):
        return RomanNumeral.parse(head + _PLAIN[full])
    if full not in _INVERTED:
        raise ValueError(
            f"In {text.strip()!r} the figures {'/'.join(s + str(d) for d, s in column)} make no chord over "
            "the bass; give each chord its own numeral."
        )
    chord = own.chord(key)
    members = {factor(f): chord.root.shift(f) for f in chord.quality.fifths}

    def above(number: int) -> PitchClass:
        sign = signs.get(number, "")
        at = members.get(number) if number in (1, 3, 5) else None
        at = at or key.scale[(own.degree + number - 2) % 7]
        return at.shift(7 * (sign.count("#") - sign.count("b")))

    inversion = _INVERTED[full]
    # Thirds upwards from the root of what sounds, as intervals above the bass.
    stack = ([6, 1, 3, 5] if inversion == 1 else [4, 6, 1, 3])[: 3 if len(full) == 2 else 4]
    root = above(stack[0])
    named = quality_of_shape(above(number).fifths - root.fifths for number in stack)
    if not named:
        raise ValueError(
            f"In {text.strip()!r} the notes over the bass make no chord that has a name; "
            "give each chord its own numeral."
        )
    return Chord(root, named[0], inversion)


def _heard(numeral: RomanNumeral | Chord | None, key: Key) -> Chord | None:
    return numeral.chord(key) if isinstance(numeral, RomanNumeral) else numeral
