"""How loud a sound is to the ear: frequencies or audio in, weights and LUFS out.

K-weighting and loudness follow Recommendation ITU-R BS.1770-4 (its filters are evaluated at 48 kHz, as
printed there); A-weighting follows IEC 61672-1.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Coefficients of BS.1770-4, tables 1 and 2: (b0, b1, b2), (a1, a2) at 48 kHz.
_SHELF = ((1.53512485958697, -2.69169618940638, 1.19839281085285), (-1.69065929318241, 0.73248077421585))
# The second filter, from the same tables of BS.1770-4.
_HIGHPASS = ((1.0, -2.0, 1.0), (-1.99004745483398, 0.99007225036621))
FAINT = -60.0
"""LUFS below which nobody speaks or plays in a recording; set by ear."""


def k_weight(frequency: ArrayLike) -> NDArray[np.float64]:
    """Factor on the power of a component at `frequency` (Hz) for K-weighting."""
    square = np.sin(np.pi * np.asarray(frequency, float) / 48_000) ** 2
    power = np.ones(np.shape(square))
    for above, (a1, a2) in (_SHELF, _HIGHPASS):
        power = power * (_square_of(above, square) / _square_of((1.0, a1, a2), square))
    return power


def _square_of(coefficients: tuple[float, float, float], square: NDArray[np.float64]) -> NDArray[np.float64]:
    """|c0 + c1 z + c2 z^2|^2 on the unit circle, of the squared sine of half the angle of z."""
    c0, c1, c2 = coefficients
    return (c0 + c1 + c2) ** 2 + square * (16 * c0 * c2 * square - 4 * (c1 * (c0 + c2) + 4 * c0 * c2))


def a_weight(frequency: ArrayLike) -> NDArray[np.float64]:
    """Factor on the power of a component at `frequency` (Hz) for A-weighting; 1 at 1 kHz."""
    square = np.asarray(frequency, float) ** 2
    response = (12194.0**2 * square**2) / (
        (square + 20.6**2) * np.sqrt((square + 107.7**2) * (square + 737.9**2)) * (square + 12194.0**2)
    )
    return np.asarray((response * 10 ** (2.0 / 20)) ** 2)


def loudness(sound: NDArray[np.floating], rate: int) -> float:
    """Gated programme loudness in LUFS of audio (frames,) or (frames, channels); -inf for silence.

    Blocks of 400 ms overlapping by three quarters, gates at -70 LUFS and 10 LU below (BS.1770-4).
    Sounds shorter than one block count as one.
    """
    audio = sound[:, None] if sound.ndim == 1 else sound
    size = min(int(0.4 * rate), audio.shape[0])
    if size == 0:
        return -math.inf
    # A little silence behind makes a length whose spectrum is found quickly: a few times a power of two.
    step = 1 << max(0, audio.shape[0].bit_length() - 4)
    length = -(-audio.shape[0] // step) * step
    weights = np.sqrt(k_weight(np.fft.rfftfreq(length, 1 / rate)))
    spectrum = np.fft.rfft(audio, length, axis=0) * weights[:, None]
    weighted = np.fft.irfft(spectrum, length, axis=0)[: audio.shape[0]]
    energy = np.concatenate(([0.0], np.cumsum(np.sum(weighted**2, axis=1))))
    starts = np.arange(0, audio.shape[0] - size + 1, max(1, size // 4))
    blocks = (energy[starts + size] - energy[starts]) / size
    blocks = blocks[blocks > _power(-70.0)]
    if not blocks.size:
        return -math.inf
    kept = blocks[blocks > np.mean(blocks) / 10]
    return float(-0.691 + 10 * np.log10(np.mean(kept)))


def _power(lufs: float) -> float:
    return float(10 ** ((lufs + 0.691) / 10))
