"""Which keys are struck when in recorded sound: a small network's opinion, frame by frame.

In: mono samples. Out: for every 20 ms and each of the 88 keys how likely it is that the key is struck there,
0..1. The spectrum is laid out in thirds of a semitone through a long window, which tells keys apart, and in
semitones through a short one, which tells when. Over it goes a network of our own (`training.hearing`;
200,000 weights), which looks at the overtones of each key and at its neighbours. The same layout serves
training, in torch.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import onnxruntime
from numpy.typing import NDArray

from understave.acoustics.files import Samples
from understave.networks import network_of

RATE, HOP = 22_050, 441
"""Samples a second that are looked at, and those of a step: 20 ms."""
LONG, SHORT = 4096, 1024
"""Samples of the two windows."""
LOWEST_KEY, KEYS = 21, 88
SLOTS = 103
"""Semitones of the spectrum, from the lowest key on: up to 10 kHz."""
THIRDS = 3
"""Bins to a semitone through the long window."""
LOUDEST, KNEE = 0.99, 100.0
"""What is taken for loud: of the loudest bin of each frame, the value that so many of them stay under; and
how many times softer than that levels stop being told apart."""
LEAST = 0.65
"""How likely a stroke must be to be taken for one: on three pieces played by two pianists each, rendered and
as a "phone" has them, about as many strokes are invented as are missed."""
SAME = 0.06
"""Seconds within which two strokes of a key are one."""
QUICK, EACH = 512, 110
"""Samples of the window and of the step by which the sound's own beginnings are found: 5 ms."""
FURTHEST, USUAL_LAG = 0.04, 0.005
"""Seconds on both sides of strokes in which these are looked for, and by which they lie after strokes heard
in time: set on two pianists on Fluid R3 and our upright. What a room smears is heard late."""
PIECE, MARGIN = 1500, 75
"""Frames that are judged at once, and those beside them that are looked at too."""
FILE = Path(__file__).with_name("hearer.onnx")

Rows = NDArray[np.float32]


@lru_cache(maxsize=16)
def filters(size: int, bins: int, off: float = 0.0) -> Rows:
    """Return (frequencies, semitones x `bins`) weights that gather a spectrum of a window into pitches.

    `off` is how far the instrument is from 440 Hz, in semitones. A pitch narrower than a frequency of the
    window takes the two beside it.
    """
    hertz = np.fft.rfftfreq(size, 1 / RATE)
    pitch = LOWEST_KEY + (np.arange(SLOTS * bins) - (bins - 1) / 2) / bins + off
    centre = 440 * 2 ** ((pitch - 69) / 12)
    wide = np.maximum(centre * (2 ** (1 / 12 / bins) - 1), RATE / size)
    weights = np.maximum(0, 1 - np.abs(hertz[:, None] - centre) / wide)
    return np.asarray(weights / np.maximum(weights.sum(axis=0), 1e-9), np.float32)


def layout(sound: Samples, off: float = 0.0) -> Rows:
    """Return (4, frames, semitones): three thirds through the long window and one level through the short."""
    thirds = _gathered(sound, LONG, filters(LONG, THIRDS, round(off, 2)))
    whole = _gathered(sound, SHORT, filters(SHORT, 1, round(off, 2)))
    loud = max(float(np.quantile(thirds.max(axis=1), LOUDEST)), 1e-9)
    levels = [thirds[:, k::THIRDS] for k in range(THIRDS)]
    return np.log1p(np.stack([*levels, whole]) * np.float32(KNEE / loud))


def _gathered(sound: Samples, size: int, weights: Rows) -> Rows:
    count = 1 + len(sound) // HOP
    padded = np.pad(np.asarray(sound, np.float32), (size // 2, size))
    window = np.hanning(size + 1)[:-1].astype(np.float32) / np.float32(size / 4)
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::HOP][:count]
    return np.concatenate(
        [
            np.abs(np.fft.rfft(frames[a : a + 256] * window, axis=1)).astype(np.float32) @ weights
            for a in range(0, count, 256)
        ]
    )


@lru_cache(maxsize=1)
def _session() -> onnxruntime.InferenceSession:
    return network_of(FILE, sparing=False)


def judged(levels: Rows) -> Rows:
    """Return (frames, keys): how likely each key is struck in each frame of a `layout`, 0..1."""
    count = levels.shape[1]
    found = []
    for a in range(0, count, PIECE):
        low, high = max(0, a - MARGIN), min(count, a + PIECE + MARGIN)
        (logits,) = _session().run(None, {"levels": levels[None, :, low:high]})
        found.append(logits[0, a - low : min(count, a + PIECE) - low])
    return np.asarray(1 / (1 + np.exp(-np.concatenate(found))), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """What was struck, in order of time: seconds, keys (MIDI numbers)."""

    seconds: NDArray[np.float64]
    keys: NDArray[np.intp]


def strokes(likely: Rows, least: float = LEAST) -> Strokes:
    """Return the peaks of what `judged` returns, each set between frames where its slopes say."""
    before = np.pad(likely, ((1, 0), (0, 0)))[:-1]
    after = np.pad(likely, ((0, 1), (0, 0)))[1:]
    frame, key = np.nonzero((likely >= least) & (likely > before) & (likely >= after))
    early, top, late = before[frame, key], likely[frame, key], after[frame, key]
    lean = 0.5 * (late - early) / np.maximum(top - np.minimum(early, late), 1e-6)
    seconds = (frame + np.clip(lean, -0.5, 0.5)) * HOP / RATE
    kept: list[int] = []
    latest: dict[int, int] = {}
    for i in np.argsort(seconds, kind="stable").tolist():
        place = latest.get(int(key[i]))
        if place is not None and seconds[i] - seconds[kept[place]] < SAME:
            if top[i] > top[kept[place]]:
                kept[place] = i
            continue
        latest[int(key[i])] = len(kept)
        kept.append(i)
    order = np.array(sorted(kept, key=lambda i: (seconds[i], key[i])), np.intp)
    return Strokes(np.asarray(seconds[order], float), np.asarray(key[order] + LOWEST_KEY, np.intp))


def hear(mono: Samples, off: float) -> Rows:
    """Return how likely each key is struck in each frame of sound at `RATE`, played `off` semitones sharp."""
    return judged(layout(mono, off))


def lateness(mono: Samples, seconds: NDArray[np.float64]) -> float:
    """Return by how many seconds strokes are heard late in sound at `RATE`; below 0 where early.

    Over all strokes, heard at `seconds`, it is where the whole spectrum rises most about them.
    """
    if not len(seconds):
        return 0.0
    rises = _rises(np.asarray(mono, np.float32))
    lags = np.arange(-FURTHEST, FURTHEST + 1e-9, EACH / RATE / 2)
    places = np.arange(len(rises)) * EACH / RATE
    about = np.array([np.interp(seconds + lag, places, rises).mean() for lag in lags])
    smooth = np.convolve(np.pad(about, 1, mode="edge"), (0.25, 0.5, 0.25), "valid")
    return USUAL_LAG - float(lags[int(smooth.argmax())])


def _rises(mono: Samples) -> NDArray[np.float64]:
    """Return by how much the levels of all frequencies rise, every `EACH` samples."""
    count = 1 + len(mono) // EACH
    padded = np.pad(mono, (QUICK // 2 + EACH, QUICK))
    frames = np.lib.stride_tricks.sliding_window_view(padded, QUICK)[::EACH][: count + 1]
    window = np.hanning(QUICK).astype(np.float32)
    loud = max(float(np.quantile(np.abs(mono), LOUDEST)) * QUICK / 8, 1e-9)
    found = []
    for a in range(0, count, 4096):
        levels = np.log1p(KNEE / loud * np.abs(np.fft.rfft(frames[a : a + 4097] * window, axis=1)))
        found.append(np.maximum(0, np.diff(levels, axis=0)).sum(axis=1))
    return np.concatenate(found)[:count]
