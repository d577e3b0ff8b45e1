"""Which moment of the score sounds when, in recorded sound, without transcribing it: `follow_sound`.

It is the second opinion of `sound_tying`.

In: mono samples and a score, or some bars of it. Out: when each written moment was struck, and how clearly
that is heard. Both sides become levels of semitones and their rises, in frames; the cheapest way through both
is found coarsely over the whole, then finely about it, and each moment is set on the rise of its own keys.
Tuning is measured and taken out. It follows straight through, from the first note to the last.

The weights were set on one piece rendered by our own piano and two SoundFonts (two pianists);
``python -m benchmarks.takes_of_sound`` measures others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from understave.acoustics.files import Samples, resample
from understave.takes.written import Written

RATE, WINDOW, HOP = 22_050, 4096, 220
"""Samples a second that are looked at, and those of a window and of a step: 10 ms."""
LOWEST, KEYS = 24, 84
FINE, COARSE = 2, 10
"""Steps of a frame in the fine search and in the coarse one."""
ECHO = 0.16
"""Seconds over which the beginning of a note fades, so that near misses still count."""
DECAY = 1.5
"""Quarter notes in which a written note is taken to fall to a third."""
OVERTONES = ((0, 1.0), (12, 0.5), (19, 0.3), (24, 0.2), (28, 0.12))
"""Semitones above a key and how strongly its partials sound there."""
STEADY = 0.06
"""Cost of each step by which the player is not at the usual tempo, for a frame of sound."""
ABOUT = 1.2
"""Seconds on both sides of the coarse way in which the fine one is looked for."""
RISING = 5
"""Steps before and after a moment between which a level is said to rise there."""
EARLY_WAY, EARLY_RISE = 0.075, 0.037
"""Seconds by which the way, and a rise, lie before the stroke: a window hears it before its middle does."""
NEAR = 0.14
"""Seconds on both sides in which the rise of a moment's keys is looked for."""

Rows = NDArray[np.float32]
Seconds = NDArray[np.float64]


LEAST_BAR = 0.6
"""How clear three bars together must be to be told (see `Followed`): between what right and wrong scores,
keys and excerpts gave on our own piano's sound."""
UNEVEN = 2.0
"""How many times slower or quicker than the middle a bar may be before it may not be the one played."""


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """The second of each written moment, and how clear it is, 0..1: in which share of stretches of the
    recording no moment has its keys rise as much as there. By chance that is one half.
    """

    seconds: Seconds
    clear: Seconds


class Heard:
    """What is heard in a recording: the level of each semitone every 10 ms, and how much it rises there."""

    def __init__(self, sound: Samples, rate: int) -> None:
        mono = np.asarray(sound.mean(axis=1) if sound.ndim > 1 else sound, np.float32)
        mono = resample(mono, rate, RATE)
        self.tuning = tuning(mono)
        power = _levels(mono, self.tuning)
        level = np.log1p(30 * power / max(float(np.quantile(power.max(axis=1), 0.99)), 1e-9))
        self.level: Rows = np.asarray(level, np.float32)
        before = np.pad(level, ((RISING, 0), (0, 0)))[:-RISING]
        after = np.pad(level, ((0, RISING), (0, 0)), mode="edge")[RISING:]
        self.rise: Rows = np.maximum(0, after - before)

    @property
    def step(self) -> float:
        """Seconds of a step."""
        return HOP / RATE


def told_bars(written: Written, followed: Followed) -> dict[int, bool]:
    """Say of each bar, by its place among those with notes, whether it is surely the one that is heard."""
    of = written.bar_of
    places = sorted(set(of.tolist()))
    quarters, seconds = written.quarters, followed.seconds
    starts = np.array([int(np.flatnonzero(of == k)[0]) for k in places])
    ends = np.append(starts[1:], len(quarters) - 1)
    pace = (seconds[ends] - seconds[starts]) / np.maximum(quarters[ends] - quarters[starts], 1e-6)
    inner = pace[:-1] if ends[-1] == starts[-1] else pace
    usual = float(np.median(inner)) if len(inner) else 0.0
    clear = np.array([followed.clear[of == k].mean() for k in places])
    near = np.convolve(np.pad(clear, 1, mode="edge"), np.full(3, 1 / 3), "valid")
    even = (pace < UNEVEN * usual) & (pace > usual / UNEVEN)
    even[-1] |= ends[-1] == starts[-1]  # a last chord has no pace
    return {k: bool(near[i] >= LEAST_BAR and even[i]) for i, k in enumerate(places)}


def follow_sound(heard: Heard, written: Written, begin: int = 0, end: int | None = None) -> Followed:
    """Follow what is heard, from step `begin` to `end`, through what is written from its first note on."""
    last = len(heard.level) if end is None else end
    coarse = _way(heard, written, begin, last, COARSE, None)
    fine = _way(heard, written, begin, last, FINE, coarse)
    seconds, clear = _on_rises(heard, written, fine + EARLY_WAY - EARLY_RISE)
    # What is not clear is looked for once more, where its clear neighbours let it be expected.
    sure = clear >= LEAST_BAR
    if sure.sum() > 1:
        quarters = written.quarters
        between = np.interp(quarters, quarters[sure], seconds[sure])
        # How clear it is stays judged by what was found unhelped: a guess must not vouch for itself.
        seconds, _ = _on_rises(heard, written, np.where(sure, seconds, between))
    return Followed(seconds + EARLY_RISE, clear)


def tuning(sound: Samples) -> float:
    """Return how far an instrument is from 440 Hz, in semitones, by its forty strongest tones."""
    size = 16_384
    if len(sound) < size:
        return 0.0
    starts = range(0, max(1, min(len(sound) - size, 60 * RATE)), size)
    window = np.hanning(size)
    power = sum(np.abs(np.fft.rfft(sound[a : a + size] * window)) for a in starts) + np.full(
        size // 2 + 1, 1e-9
    )
    inner = np.arange(1, len(power) - 1)
    peaks = inner[(power[inner] > power[inner - 1]) & (power[inner] > power[inner + 1])]
    peaks = peaks[(peaks * RATE / size > 100) & (peaks * RATE / size < 2000)]
    peaks = peaks[np.argsort(-power[peaks])[:40]]
    if not len(peaks):
        return 0.0
    low, here, high = (np.log(power[peaks + k]) for k in (-1, 0, 1))
    exact = peaks + 0.5 * (low - high) / (low - 2 * here + high)
    semitones = 12 * np.log2(exact * RATE / size / 440)
    return float(np.angle(np.sum(power[peaks] * np.exp(2j * np.pi * semitones))) / 2 / np.pi)


def _levels(sound: Samples, off: float) -> Rows:
    """Return the magnitude of each semitone, from `LOWEST` on, every `HOP` samples."""
    count = 1 + len(sound) // HOP
    padded = np.pad(sound, (WINDOW // 2, WINDOW))
    pitch = 69 + 12 * np.log2(np.maximum(np.fft.rfftfreq(WINDOW, 1 / RATE), 1e-6) / 440) - off
    bank = np.maximum(0, 1 - np.abs(pitch[:, None] - (LOWEST + np.arange(KEYS)))).astype(np.float32)
    window = np.hanning(WINDOW).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[::HOP][:count]
    found = [
        np.abs(np.fft.rfft(frames[a : a + 256] * window, axis=1)).astype(np.float32) @ bank
        for a in range(0, count, 256)
    ]
    return np.concatenate(found)


# --- the way through both --------------------------------------------------------------------------------


def _classes(keys: Rows) -> Rows:
    out = np.zeros((len(keys), 12), np.float32)
    for k in range(keys.shape[1]):
        out[:, (LOWEST + k) % 12] += keys[:, k]
    return out


def _even(rows: Rows) -> Rows:
    size = np.linalg.norm(rows, axis=1, keepdims=True)
    return np.asarray(rows / np.maximum(size, max(0.05 * float(size.max(initial=0.0)), 1e-9)), np.float32)


def _fading(rows: Rows, seconds: float) -> Rows:
    """Let what begins fade over some frames of so many seconds."""
    out = rows.copy()
    for k in range(1, max(2, round(ECHO / seconds))):
        share = max(0.0, 1 - k * seconds / ECHO) ** 0.5
        out[k:] = np.maximum(out[k:], rows[:-k] * np.float32(share))
    return out


def _pooled(rows: Rows, size: int) -> Rows:
    count = -(-len(rows) // size)
    padded = np.pad(rows, ((0, count * size - len(rows)), (0, 0)))
    return np.asarray(padded.reshape(count, size, -1).mean(axis=1), np.float32)


def _sheet(written: Written, per_quarter: float, count: int, seconds: float) -> tuple[Rows, Rows]:
    """Return what is written as frames: pitch classes that sound, keys that begin with their partials."""
    sounding, begun = np.zeros((count, 12), np.float32), np.zeros((count, KEYS), np.float32)
    first = written.quarters[0]
    for moment, here in zip(written.quarters.tolist(), written.notes, strict=True):
        a = min(count - 1, round((moment - first) * per_quarter))
        for note in here:
            length = max(0.1, float(note.duration))
            b = max(a + 1, min(count, a + int(length * per_quarter)))
            fall = np.exp(-np.arange(b - a) / max(1e-6, DECAY * per_quarter)).astype(np.float32)
            sounding[a:b, note.midi % 12] += fall
            sounding[a:b, (note.midi + 7) % 12] += np.float32(0.15)
            for above, strength in OVERTONES:
                key = note.midi + above - LOWEST
                if 0 <= key < KEYS:
                    begun[a, key] = max(begun[a, key], strength)
    return _even(sounding), _even(_fading(begun, seconds))


def _way(heard: Heard, written: Written, begin: int, end: int, size: int, about: Seconds | None) -> Seconds:
    """Return the second of each written moment on the cheapest way, `about` another where there is one."""
    seconds = size * heard.step
    tones = _even(_classes(_pooled(heard.level[begin:end] ** 2, size)))
    rises = _even(_fading(_pooled(heard.rise[begin:end], size), seconds))
    rows = len(tones)
    quarters = written.quarters - written.quarters[0]
    span = float(quarters[-1]) + 1.0
    per_quarter = max(rows / span, 1.0)
    count = int(span * per_quarter) + 1
    sounding, begun = _sheet(written, per_quarter, count, seconds)
    if about is None:
        low = np.zeros(rows, np.intp)
        wide = count
    else:
        at = np.arange(rows) * seconds + begin * heard.step
        middle = np.interp(at, about, quarters) * per_quarter
        wide = min(count, 2 * round(ABOUT / seconds) + 1)
        low = np.clip(np.maximum.accumulate(middle.astype(np.intp)) - wide // 2, 0, count - wide)
        low = np.minimum.accumulate(low - 3 * np.arange(rows)) + 3 * np.arange(
            rows
        )  # no faster than a way can go
    places = _cheapest(tones, rises, sounding, begun, low, wide)
    # The first frame in which each moment is reached, between frames where it is passed over.
    reached = places + np.arange(rows) * 1e-6
    return np.asarray(
        begin * heard.step + seconds * np.interp(quarters * per_quarter, reached, np.arange(rows)), float
    )


def _cheapest(
    tones: Rows, rises: Rows, sounding: Rows, begun: Rows, low: NDArray[np.intp], wide: int
) -> NDArray[np.intp]:
    """Return for each heard frame its written one: each stays, goes on by one, or by up to three."""
    rows = len(tones)
    came = np.zeros((rows, wide), np.int8)
    total = np.full(wide, np.inf, np.float32)
    for k in range(rows):
        a = int(low[k])
        cost = 2 - sounding[a : a + wide] @ tones[k] - begun[a : a + wide] @ rises[k]
        if k == 0:
            total[0] = cost[0]
            continue
        shift = a - int(low[k - 1])
        before = np.full(wide + 3, np.inf, np.float32)
        # `before[3 + x]` is the cost at this row's column x, so that going on by s reads `3 + x - s`.
        kept = total[max(0, shift - 3) :]
        start = 3 - min(3, shift) if shift >= 0 else 3 - shift
        kept = kept[: wide + 3 - start]
        before[start : start + len(kept)] = kept
        ways = np.stack([before[3 - s : 3 - s + wide] + np.float32(STEADY * abs(s - 1)) for s in range(4)])
        best = ways.argmin(axis=0)
        came[k] = best
        total = ways[best, np.arange(wide)] + cost
    places = np.zeros(rows, np.intp)
    j = wide - 1 if np.isfinite(total[-1]) else int(np.flatnonzero(np.isfinite(total))[-1])
    tail = total[max(0, j - wide // 8) : j + 1]
    j = max(0, j - wide // 8) + int(np.argmin(tail)) if len(low) and low[-1] == low[0] == 0 else j
    for k in range(rows - 1, -1, -1):
        places[k] = low[k] + j
        if k:
            j = j - int(came[k, j]) + int(low[k] - low[k - 1])
            j = min(max(j, 0), wide - 1)
    return places


# --- each moment on the rise of its own keys -------------------------------------------------------------


def _on_rises(heard: Heard, written: Written, expected: Seconds) -> tuple[Seconds, Seconds]:
    """Return the second of each moment, set on the steepest rise of its keys nearby, and how clear it is."""
    step, reach = heard.step, round(NEAR / heard.step)
    weigh = np.exp(-0.5 * (np.arange(-reach, reach + 1) / (0.6 * reach)) ** 2)
    seconds, clear = expected.copy(), np.zeros(len(expected))
    # What rises most in any stretch as long as the one that is looked through: chance gives one half.
    stretches = np.lib.stride_tricks.sliding_window_view(
        np.pad(heard.rise, ((0, 2 * reach), (0, 0))), 2 * reach + 1, axis=0
    )[::reach]
    ranked = np.sort(stretches.max(axis=2), axis=0)
    for i, here in enumerate(written.notes):
        keys = sorted({note.midi - LOWEST for note in here if 0 <= note.midi - LOWEST < KEYS})
        if not keys:
            continue
        middle = round(expected[i] / step)
        places = np.clip(np.arange(middle - reach, middle + reach + 1), 0, len(heard.rise) - 1)
        found = heard.rise[places][:, keys].mean(axis=1) * weigh
        best = int(places[int(np.argmax(found))])
        seconds[i] = best * step
        shares = [np.searchsorted(ranked[:, key], heard.rise[best, key]) / len(ranked) for key in keys]
        clear[i] = float(np.mean(shares))
    return np.maximum.accumulate(seconds), clear
