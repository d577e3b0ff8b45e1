"""Colours: legible on white paper and apart for colour-blind readers."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from understave.engraving.palette import INK, SOFT, Function, colour_of, contrast, darkened, function_of
from understave.theory.roman import RomanNumeral

COLOURS = [colour_of(f) for f in Function]


def test_contrast_ratios_known_from_the_standard() -> None:
    # WCAG 2.2, "contrast ratio": 21:1 for black on white. #767676 is the lightest grey that passes 4.5:1
    # on white (4.54) and #777777 fails (4.48): widely published, from memory.
    assert contrast("#000000") == pytest.approx(21.0)
    assert contrast("#767676") == pytest.approx(4.54, abs=0.01)
    assert contrast("#777777") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("colour", [*COLOURS, SOFT, INK])
def test_every_printed_colour_is_legible(colour: str) -> None:
    assert contrast(colour) >= 4.5  # WCAG 2.2, success criterion 1.4.3


def test_darkening_keeps_the_hue() -> None:
    for hue in ("#0072B2", "#009E73", "#D55E00", "#CC79A7"):
        before = np.array([int(hue[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        dark = darkened(hue, 9)
        after = np.array([int(dark[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        assert (np.argsort(before) == np.argsort(after)).all()
        assert contrast(dark) == pytest.approx(9, abs=0.2)
        assert contrast(darkened(hue, 1.0)) <= contrast(hue) + 0.2


# Machado, Oliveira & Fernandes 2009, "A physiologically-based model for simulation of color vision
# deficiency", severity 1.0 (matrices from memory).
DEFICIENCIES = {
    "normal": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227969],
        [0.280085, 0.672501, 0.047413],
        [-0.01182, 0.04294, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.3039],
    ],
}


def _lab(linear: np.ndarray) -> np.ndarray:
    """CIE L*a*b* (D65) of linear sRGB; matrix of IEC 61966-2-1."""
    matrix = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    t = matrix @ np.clip(linear, 0, 1) / np.array([0.95047, 1.0, 1.08883])
    f = np.where(t > 0.008856, np.cbrt(t), 7.787 * t + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("name", DEFICIENCIES)
def test_colours_stay_apart_for_colour_blind_readers(name: str) -> None:
    def seen(colour: str) -> np.ndarray:
        v = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        return _lab(
            np.array(DEFICIENCIES[name]) @ np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
        )

    for a, b in combinations(COLOURS, 2):
        # Five to ten times the just noticeable difference of about 2.3 (Mahy et al. 1994).
        assert np.linalg.norm(seen(a) - seen(b)) > 12, (a, b)


@pytest.mark.parametrize(
    ("numeral", "function"),
    [
        ("I", Function.TONIC),
        ("vi", Function.TONIC),
        ("ii65", Function.PREDOMINANT),
        ("IV", Function.PREDOMINANT),
        ("N6", Function.PREDOMINANT),
        ("Ger65", Function.PREDOMINANT),
        ("V7", Function.DOMINANT),
        ("viio7", Function.DOMINANT),
        ("Cad64", Function.DOMINANT),
        ("V65/V", Function.APPLIED),
        ("bVI", Function.OTHER),
    ],
)
def test_functions(numeral: str, function: Function) -> None:
    # Common practice, no source.
    assert function_of(RomanNumeral.parse(numeral)) is function
