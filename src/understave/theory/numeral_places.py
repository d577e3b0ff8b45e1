"""Where the degrees of a key lie, and which chords a bare figure stacks on them.

In: a degree, the accidental and style of a Roman numeral, and a mode. Out: places on the line of fifths
with the tonic at 0, and chord qualities. This is the only place that knows the minor key's sixth and
seventh degrees.

A *style* is how a numeral is printed: small letters or capitals, and the sign after it (empty, ``o``,
``ø`` or ``+``).
"""

from __future__ import annotations

from functools import lru_cache

from understave.theory.chord import Quality, quality_of_shape
from understave.theory.key import Mode

NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")
MODES: tuple[Mode, ...] = ("major", "minor")
Style = tuple[bool, str]

SCALE: dict[Mode, tuple[int, ...]] = {
    "major": (0, 2, 4, -1, 1, 3, 5),
    "minor": (0, 2, -3, -1, 1, -4, -2),
}
RAISED = {6: 3, 7: 5}
"""Sixth and seventh degree of the rising melodic minor scale."""

TRIAD: dict[Style, tuple[int, int]] = {
    (False, ""): (4, 1),
    (True, ""): (-3, 1),
    (True, "o"): (-3, -6),
    (True, "ø"): (-3, -6),
    (False, "+"): (4, 8),
}
"""Third and fifth above the root."""
_FIXED_SEVENTH: dict[Style, int] = {(True, ""): -2, (True, "o"): -9, (True, "ø"): -2}


def degree_fifths(degree: int, alter: int, small: bool, mode: Mode) -> int:
    """Return where the root of a numeral lies.

    In minor, degrees 6 and 7 are raised under small letters, natural under capitals; one printed
    accidental only confirms the natural (b) or raised (#) degree, further ones move it on.
    """
    if mode == "minor" and degree in RAISED:
        natural, raised = SCALE["minor"][degree - 1], RAISED[degree]
        if alter == 0:
            return raised if small else natural
        return natural + 7 * (alter + 1) if alter < 0 else raised + 7 * (alter - 1)
    return SCALE[mode][degree - 1] + 7 * alter


def degree_alter(degree: int, place: int, small: bool, mode: Mode) -> int:
    """Return the accidental to print so that a numeral's root lies at a place: the inverse of the above."""
    if mode == "minor" and degree in RAISED:
        natural, raised = SCALE["minor"][degree - 1], RAISED[degree]
        if place == (raised if small else natural):
            return 0
        return (place - natural) // 7 - 1 if place <= natural else (place - raised) // 7 + 1
    return (place - SCALE[mode][degree - 1]) // 7


def above_root(root: int, degree: int, number: int, mode: Mode) -> int:
    """Return the scale note a generic interval (from 1) above a root, in fifths above that root."""
    return SCALE[mode][(degree + number - 2) % 7] - root


@lru_cache(maxsize=4096)
def bare_quality(degree: int, alter: int, style: Style, size: int, mode: Mode) -> Quality:
    """Return the chord of a numeral with a bare 7 or 9 (`size`) in a mode.

    A minor triad takes a minor seventh, signs fix theirs; otherwise seventh and ninth are the key's
    notes, or the nearest of major and minor where the key's note would be neither.
    """
    root = degree_fifths(degree, alter, style[0], mode)
    seventh = _FIXED_SEVENTH.get(style)
    if seventh is None:
        seventh = 5 if above_root(root, degree, 7, mode) > 0 else -2
    stack = (0, *TRIAD[style], seventh)
    if size == 7:
        return quality_of_shape(stack)[0]
    ninth = 2 if above_root(root, degree, 9, mode) > 0 else -5
    return (quality_of_shape((*stack, ninth)) or quality_of_shape((*stack, 2)))[0]


@lru_cache(maxsize=4096)
def bare_qualities(degree: int, alter: int, style: Style, size: int) -> tuple[Quality, Quality]:
    """Return what a bare 7 or 9 gives in major and in minor."""
    major, minor = (bare_quality(degree, alter, style, size, m) for m in MODES)
    return major, minor


_USUAL: dict[Mode, tuple[str, ...]] = {
    "major": ("I", "ii", "iii", "IV", "V", "vi", "viio"),
    "minor": ("i", "iio", "III", "iv", "V", "VI", "VII"),
}


def usual_letters(numeral: str, figures: str, mode: Mode) -> str:
    """Return a plain numeral of any letters with those of the key's own triad, in minor with the dominant's
    leading tone: ``II`` is ``ii`` in major and ``iio`` in minor, under the figures of a seventh ``iiø``.
    """
    usual = _USUAL[mode][NUMERALS.index(numeral.upper())]
    return usual.replace("o", "ø") if figures in ("7", "65", "43", "42", "9") else usual
