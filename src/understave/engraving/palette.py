"""The colours of the lanes: hues of a palette made for colour-blind readers, darkened to be legible.

In: a numeral. Out: its harmonic function and the colour that stands for it. The hues are those of
Okabe & Ito, "Color Universal Design" (2008); each is darkened, hue kept, until its contrast against
white is at least 4.5:1, the level that the Web Content Accessibility Guidelines 2.2 ask of text
(success criterion 1.4.3). Colour is never the only sign: the numeral itself says the same. Lines of
the plan's lanes have at least the 3:1 that success criterion 1.4.11 asks of graphics; what they fill is
a tint of the same hue.
"""

from __future__ import annotations

from enum import StrEnum
from functools import cache

from understave.theory.roman import RomanNumeral

INK = "#1A1A1A"
SOFT = "#5F5F5F"
HALO = "#F0E442"


class Function(StrEnum):
    """What a chord does in its key; common practice, after Riemann's three functions."""

    TONIC = "tonic"
    PREDOMINANT = "predominant"
    DOMINANT = "dominant"
    APPLIED = "applied"
    OTHER = "other"


# Hue (Okabe & Ito 2008) and the contrast it is darkened to. The contrasts differ so that the colours
# also differ in lightness, which is what tells them apart when hues fall together.
_HUES = {
    Function.TONIC: ("#0072B2", 7.0),
    Function.PREDOMINANT: ("#009E73", 4.6),
    Function.DOMINANT: ("#D55E00", 4.8),
    Function.APPLIED: ("#CC79A7", 7.0),
}


def luminance(colour: str) -> float:
    """Relative luminance of ``"#RRGGBB"`` as WCAG 2.2 defines it, 0 to 1."""
    red, green, blue = _linear(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(colour: str, background: str = "#FFFFFF") -> float:
    """Contrast ratio of two colours as WCAG 2.2 defines it, 1 to 21."""
    low, high = sorted((luminance(colour), luminance(background)))
    return (high + 0.05) / (low + 0.05)


def darkened(colour: str, ratio: float) -> str:
    """The colour with its hue kept, dark enough for a contrast of `ratio` against white."""
    share = min(1.0, (1.05 / ratio - 0.05) / luminance(colour))
    channels = (share * c for c in _linear(colour))
    encoded = (12.92 * c if c <= 0.0031308 else 1.055 * c ** (1 / 2.4) - 0.055 for c in channels)
    return "#" + "".join(f"{int(255 * c):02X}" for c in encoded)


@cache
def colour_of(function: Function) -> str:
    """The colour that labels of a function are printed in."""
    return darkened(*_HUES[function]) if function in _HUES else INK


def function_of(numeral: RomanNumeral) -> Function:
    """What a numeral does in its key; chords applied to another degree make a class of their own."""
    if numeral.special == "Cad":
        return Function.DOMINANT
    if numeral.applied:
        return Function.APPLIED
    if numeral.special:
        return Function.PREDOMINANT
    if numeral.alter:
        return Function.PREDOMINANT if numeral.degree in (2, 4) else Function.OTHER
    return {
        1: Function.TONIC,
        2: Function.PREDOMINANT,
        3: Function.TONIC,
        4: Function.PREDOMINANT,
        5: Function.DOMINANT,
        6: Function.TONIC,
        7: Function.DOMINANT,
    }[numeral.degree]


def _linear(colour: str) -> tuple[float, float, float]:
    values = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values)
    return red, green, blue


# The plan's own colours: the two hues of the palette that no function has.
PROPOSED = darkened("#56B4E9", 4.6)
PROPOSED_TINT = "#DDEDF8"
TENSION = darkened("#E69F00", 3.2)
TENSION_TINT = "#FBEBCB"
