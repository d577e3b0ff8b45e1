"""The soft room around the piano: sound from three places along the soundboard in, stereo out.

Each place reaches each ear straight, by a few early reflections and by a diffuse tail that fades within
a second, sooner in the treble than in the bass. The numbers are those of a carpeted music room, set by
measurement of what comes out; no source.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from understave.acoustics.files import RATE, resample

Samples = NDArray[np.float32]

PLACES = (-0.45, 0.0, 0.45)
"""Bass, middle and treble, from left (-1) to right (1) as the player hears them."""
EARLY_DB, LATE_DB = -17.0, -14.0
"""Energy of the early reflections and of the tail, relative to the straight sound."""
SHARED = 0.85
"""Correlation of the tail between the ears; higher is narrower, and loses less when folded to mono."""
BETWEEN_EARS = 1.0e-4
"""Seconds between the ears for a sound from the side: short, so that no partial is cancelled in mono."""
SECONDS = 1.15
"""Length of the room's answer."""
_BLOCK = 1 << 17
_STEP = 256
"""Samples that are worked on at once; they change the time it takes, not the sound."""
_AHEAD = 0.01
"""Seconds for which an answer at another rate than `RATE` waits: what resampling spreads before its blow."""


def reverberate(places: Samples, halo: Samples, rate: int, always: Samples, *, mono: bool = False) -> Samples:
    """Stereo (frames, 2) of what sounds at the places (places, frames) and of a halo (frames,) all around;
    with `mono` the mean of the ears, (frames,).

    `always` is a short answer (frames,) of strings that no damper stops; it colours all that sounds.
    """
    frames, ahead = halo.size, _ahead(rate)
    sources = np.concatenate([places, halo[None]])
    answers, turned = _coloured(rate, always.tobytes())
    if mono:
        turned = turned.mean(axis=1, keepdims=True)
    step = _BLOCK - answers.shape[2] + 1
    out = np.zeros((turned.shape[1], ahead + frames + _BLOCK), np.float32)
    for first in range(0, frames, step):
        part = sources[:, first : first + step]
        spectra = np.fft.rfft(part, _BLOCK, axis=1)
        for ear in range(len(out)):
            mixed = np.einsum("pf,pf->f", spectra, turned[:, ear])
            out[ear, first : first + _BLOCK] += np.fft.irfft(mixed, _BLOCK)
    heard = out[:, ahead : ahead + frames]
    return np.ascontiguousarray(heard[0] if mono else heard.T)


def answer_at(
    shares: NDArray[np.float64], frequency: NDArray[np.float64], rate: int, always: Samples
) -> NDArray[np.complex128]:
    """Response (2 ears, frequencies) to steady tones of which each place sounds its share (places,), with
    `always` as above.
    """
    coloured = _coloured(rate, always.tobytes())[0][: len(PLACES)]
    mixed = np.asarray(np.einsum("p,pef->ef", shares, coloured), dtype=np.float64)
    # exp(-iw(a + b)) = exp(-iwa) exp(-iwb): a row of block starts and one block instead of every frame.
    blocks = -(-mixed.shape[1] // _STEP)
    answers = np.pad(mixed, ((0, 0), (0, blocks * _STEP - mixed.shape[1])))
    within = np.exp(-2j * np.pi * np.outer(np.arange(_STEP) / rate, frequency))
    starts = np.exp(-2j * np.pi * np.outer(np.arange(blocks) * _STEP / rate, frequency))
    rows = answers.reshape(2, blocks, _STEP)
    return np.asarray(np.sum((rows @ within.real + 1j * (rows @ within.imag)) * starts, axis=1))


@lru_cache(maxsize=4)
def _coloured(rate: int, always: bytes) -> tuple[Samples, NDArray[np.complexfloating]]:
    """The room's answers with that of the strings that always ring (32-bit samples) added at each place, and
    their spectra over a block.
    """
    answers, ahead = _answers(rate).copy(), _ahead(rate)
    ringing = np.frombuffer(always, np.float32)[: answers.shape[2] - ahead]
    answers[: len(PLACES), :, ahead : ahead + ringing.size] += ringing
    return answers, np.fft.rfft(answers, _BLOCK, axis=2)


def _ahead(rate: int) -> int:
    """In how many frames the answers begin."""
    return 0 if rate == RATE else round(_AHEAD * rate)


@lru_cache(maxsize=4)
def _answers(rate: int) -> Samples:
    """Impulse responses (places and halo, 2 ears, frames), the same room at every rate."""
    if rate != RATE:
        waiting = np.pad(_answers(RATE), ((0, 0), (0, 0), (round(_AHEAD * RATE), 0)))
        brought = resample(waiting.reshape(-1, waiting.shape[2]).T, RATE, rate).T * np.float32(RATE / rate)
        return np.ascontiguousarray(brought.reshape(*waiting.shape[:2], -1))
    length = int(SECONDS * rate)
    result = np.zeros((len(PLACES) + 1, 2, length))
    own = math.sqrt(1 - SHARED**2)
    for index, place in enumerate((*PLACES, None)):
        both = np.random.default_rng(17 + 2 * index)
        # What both ears hear alike folds to mono without loss; what each hears for itself is the width.
        early = _early(both, rate, length)
        tail = _tail(both, rate, length, start=0.018, bass=1.0, treble=0.42)
        for ear in (0, 1):
            chance = np.random.default_rng(117 + 2 * index + ear)
            answer = result[index, ear]
            side = 1.0
            if place is None:
                answer += 0.8 * _tail(chance, rate, length, start=0.0, bass=0.05, treble=0.05)
            else:
                angle = (1 + place) * np.pi / 4
                side = np.sqrt(2) * (np.cos(angle) if ear == 0 else np.sin(angle))
                delay = round(max(0.0, place if ear == 0 else -place) * BETWEEN_EARS * rate)
                answer[delay] += side
            answer += 10 ** (EARLY_DB / 20) * side * early
            apart = _tail(chance, rate, length, start=0.018, bass=1.0, treble=0.42)
            answer += 10 ** (LATE_DB / 20) * (SHARED * tail + own * apart)
    return result.astype(np.float32)


def _early(chance: np.random.Generator, rate: int, length: int) -> NDArray[np.float64]:
    """Nine reflections between 6 and 45 ms, each spread over a millisecond by rough walls; unit energy."""
    answer = np.zeros(length)
    spread = np.hanning(int(0.0012 * rate) | 1)
    for seconds in np.geomspace(0.006, 0.045, 9) * chance.uniform(0.9, 1.1, 9):
        first = int(seconds * rate)
        answer[first : first + spread.size] += chance.choice((-1, 1)) * spread * (0.006 / seconds) ** 0.6
    return np.asarray(answer / np.sqrt(np.sum(answer**2)))


def _tail(
    chance: np.random.Generator, rate: int, length: int, *, start: float, bass: float, treble: float
) -> NDArray[np.float64]:
    """Noise that fades 60 dB within `bass` seconds below 250 Hz and `treble` above 5 kHz; unit energy."""
    size = _quick(length)
    time = np.arange(size) / rate
    noise = np.fft.rfft(chance.normal(0, 1, size))
    hertz = np.fft.rfftfreq(size, 1 / rate)
    edges = np.array([0.0, 250, 700, 1600, 3200, 6000])
    answer = np.zeros(size)
    for band, low in enumerate(edges):
        high = edges[band + 1] if band + 1 < edges.size else rate
        share = band / (edges.size - 1)
        seconds = bass ** (1 - share) * treble**share
        part = np.fft.irfft(np.where((hertz >= low) & (hertz < high), noise, 0), size)
        answer += part * np.exp(-6.91 * time / seconds) / (1 + (low / 3000) ** 2)
    answer *= np.clip((time - start) / 0.012, 0, 1)
    softened = np.fft.rfft(answer) * (hertz / (hertz + 90))
    answer = np.fft.irfft(softened, size)[:length]
    return np.asarray(answer / np.sqrt(np.sum(answer**2)))


def _quick(length: int) -> int:
    """The next length that is a product of 2, 3 and 5: others, with large factors, take ten times as long."""
    while True:
        left = length
        for factor in (2, 3, 5):
            while left % factor == 0:
                left //= factor
        if left == 1:
            return length
        length += 1
