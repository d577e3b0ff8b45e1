"""Sensory roughness: partials in, roughness out.

The curve of Plomp & Levelt 1965 for two pure tones as fitted by Sethares 1993 ("Local consonance and the
relationship between timbre and scale"), weighted by the weaker amplitude (Sethares 2005, appendix E).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Pairs = tuple[NDArray[np.intp], NDArray[np.intp], Array]

_RISE, _FALL = 3.5, 5.75
_PEAK, _SLOPE, _OFFSET = 0.24, 0.0207, 18.96
"""b1 and b2; d*, s1 and s2 of Sethares 1993 (from memory)."""


def pair_roughness(lower: ArrayLike, difference: ArrayLike) -> Array:
    """Roughness of two pure tones of amplitude 1: the lower one's frequency and the distance, in Hz."""
    low, apart = np.asarray(lower, float), np.asarray(difference, float)
    scaled = apart * _PEAK / (_SLOPE * low + _OFFSET)
    return np.asarray(np.exp(-_RISE * scaled) - np.exp(-_FALL * scaled))


def rough_pairs(frequency: Array) -> Pairs:
    """Indices of all pairs of partials near enough to be rough, and the roughness at amplitude 1.

    Pairs farther apart than 2.2 times the distance unit of the curve are left out: under 1 % of the peak.
    """
    order = np.argsort(frequency, kind="stable")
    rising = frequency[order]
    reach = rising + 2.2 * (_SLOPE * rising + _OFFSET) / _PEAK
    last = np.searchsorted(rising, reach)
    counts = last - np.arange(rising.size) - 1
    lower = np.repeat(np.arange(rising.size), counts)
    upper = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts) + lower + 1
    weight = pair_roughness(rising[lower], rising[upper] - rising[lower])
    return order[lower], order[upper], weight


def roughness(frequency: ArrayLike, amplitude: ArrayLike) -> float:
    """Roughness of a whole sound: the sum over all pairs of its partials."""
    hertz, strength = np.asarray(frequency, float), np.asarray(amplitude, float)
    one, other, weight = rough_pairs(hertz)
    return float(np.sum(weight * np.minimum(strength[one], strength[other])))
