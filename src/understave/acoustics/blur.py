"""Blur: a performance, an instrument and the harmony in; how much foreign notes muddy it out.

A note is foreign where its pitch class is not in the harmony and no finger holds it: it sounds on only
because a damper is off it. Blur counts the roughness between such a note and the others, and the share
of the loudness that foreign notes have; what the composer's own dissonances and low thirds do is not blur.
1.0 is about as rough as C4 and C#4 struck together. The amounts are set by ear.

`blur_curve` and `worst_moments` look at a finished performance. For planning there are

- `Clashes`: everything but the pedal worked out once; `Clashes.blur(pedal)` then takes milliseconds;
- `pair_table(instrument)`: the roughness of every two keys at equal level, to be scaled by the weaker.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import GRAND, Instrument
from understave.acoustics.ringing import (
    PedalLine,
    StringTable,
    damper_seconds,
    damping_factor,
    free_amplitudes,
    levels,
    string_table,
)
from understave.acoustics.roughness import Pairs, rough_pairs

Array = NDArray[np.float64]
Harmony = Sequence[tuple[float, float, frozenset[int]]]

PARTIALS = 14
"""Partials of a key that are compared; higher ones are weak and cost time."""
SHARE_WEIGHT = 0.5
"""What the whole loudness being foreign counts for, beside roughness."""
FULL_DB, GONE_DB = -43.0, -63.0
"""Blur counts in full while all together sounds above the first level; below the second, nothing is heard."""
NOTICED = 0.2
"""Seconds that blur must last to be one of the worst moments."""
PAIRS = 8
"""Clashing pairs that are named at such a moment, at most."""
HELD_ON = 0.02
"""Seconds after the key's going up in which the finger still counts as holding."""


@dataclass(frozen=True, slots=True, eq=False)
class BlurCurve:
    """Blur over time, shape (times,): blur = audible · (roughness + 0.5 · foreign)."""

    times: Array
    blur: Array
    roughness: Array
    """Roughness of pairs with a foreign note, 1.0 being C4 with C#4, relative to all that sounds."""
    foreign: Array
    """Share of the loudness that foreign notes have, 0..1."""
    level: Array
    """dB of everything together."""


@dataclass(frozen=True, slots=True)
class WorstMoment:
    """A peak of the blur: when, how much, from when to when it stays above half of that.

    `pairs` are the notes that clash, (foreign note, other note, its part of the roughness), worst first.
    """

    moment: float
    start: float
    end: float
    blur: float
    pairs: tuple[tuple[Strike, Strike, float], ...]


class Clashes:
    """The clashes that are possible in a passage, before the pedal has its say.

    `blur(pedal)` and `heard(pedal)` answer for one pedal line after another; times and strikes are fixed.
    Keep passages short (some ten seconds): memory grows with strikes times times.
    """

    def __init__(
        self,
        strikes: Sequence[Strike],
        instrument: Instrument,
        harmony: Harmony,
        times: Array,
        *,
        soft: bool = False,
        partials: int = PARTIALS,
    ) -> None:
        self.strikes = tuple(strikes)
        self.times = np.asarray(times, float)
        self.table: StringTable = string_table(self.strikes, instrument, partials=partials, soft=soft)
        self.free: Array = free_amplitudes(self.table, self.times)
        """Amplitudes (strikes, partials, times) with all dampers up."""
        self.foreign: NDArray[np.bool_] = foreign_notes(self.strikes, harmony, self.times)
        """Whether a strike is foreign, (strikes, times)."""
        self._one, self._other, self._weight = self._pairs()

    def heard(self, pedal: PedalLine) -> Array:
        """Amplitudes (strikes, partials, times) under a pedal line."""
        return self.free * damping_factor(self.table, damper_seconds(self.table, pedal, self.times))

    def blur(self, pedal: PedalLine) -> BlurCurve:
        """The blur under a pedal line."""
        return self.blur_of(self.heard(pedal))

    def blur_of(self, heard: Array) -> BlurCurve:
        """The blur of given amplitudes (strikes, partials, times)."""
        rough = np.sum(self._rough(heard, self.foreign), axis=0)
        total = np.sum(heard, axis=(0, 1))
        power = 0.5 * np.sum(heard**2, axis=1)
        loud = power**0.3
        share = np.sum(loud * self.foreign, axis=0) / np.maximum(np.sum(loud, axis=0), 1e-12)
        rough = rough / np.maximum(total, 1e-12) / semitone_roughness()
        level = 10 * np.log10(np.maximum(np.sum(power, axis=0), 1e-12))
        audible = np.clip((level - GONE_DB) / (FULL_DB - GONE_DB), 0, 1)
        return BlurCurve(self.times, audible * (rough + SHARE_WEIGHT * share), rough, share, level)

    def clashing(
        self, pedal: PedalLine, index: int, most: int = 3
    ) -> tuple[tuple[Strike, Strike, float], ...]:
        """The worst pairs under a pedal line at `times[index]`: (foreign note, other note, roughness)."""
        moment = slice(index, index + 1)
        contact = damper_seconds(self.table, pedal, self.times[moment])
        heard = self.free[:, :, moment] * damping_factor(self.table, contact)
        count, partials, _ = heard.shape
        rough = self._rough(heard, self.foreign[:, moment])[:, 0]
        rough /= max(float(np.sum(heard)), 1e-12) * semitone_roughness()
        one, other = self._one // partials, self._other // partials
        swapped = ~self.foreign[one, index]
        one, other = np.where(swapped, other, one), np.where(swapped, one, other)
        summed = np.bincount(one * count + other, weights=rough) if rough.size else np.zeros(0)
        ranked = np.argsort(-summed, kind="stable")[:most]
        return tuple(
            (self.strikes[k // count], self.strikes[k % count], float(summed[k]))
            for k in ranked
            if summed[k] > max(0.0, 0.15 * float(summed[ranked[0]]))
        )

    def _pairs(self) -> Pairs:
        """Pairs of near partials of different keys that sound together and could be foreign."""
        count, partials = self.table.amplitude.shape
        if not count:
            none = np.zeros(0, np.intp)
            return none, none, np.zeros(0)
        used = np.flatnonzero(self.table.amplitude.ravel() > 0)
        one, other, weight = rough_pairs(self.table.frequency.ravel()[used])
        one, other = used[one], used[other]
        a, b = one // partials, other // partials
        first, last = self.table.start, self.table.stop
        could = np.any(self.foreign, axis=1)
        kept = (
            (self.table.midi[a] != self.table.midi[b])
            & (np.maximum(first[a], first[b]) < np.minimum(last[a], last[b]))
            & (could[a] | could[b])
        )
        return one[kept], other[kept], weight[kept]

    def _rough(self, heard: Array, foreign: NDArray[np.bool_]) -> Array:
        """Roughness (pairs, times) of the pairs with a foreign note."""
        count, partials, times = heard.shape
        flat = heard.reshape(count * partials, times)
        touches = foreign[self._one // partials] | foreign[self._other // partials]
        return np.asarray(self._weight[:, None] * np.minimum(flat[self._one], flat[self._other]) * touches)


def foreign_notes(strikes: Sequence[Strike], harmony: Harmony, times: Array) -> NDArray[np.bool_]:
    """Whether each strike, if it sounds, is foreign at each time, shape (strikes, times).

    Outside all spans of the harmony nothing is foreign.
    """
    inside = np.ones((12, times.size), bool)
    for start, end, members in harmony:
        span = (times >= start - 1e-6) & (times < end - 1e-6)
        for pitch in range(12):
            inside[pitch, span] = pitch in members
    if not strikes:
        return np.zeros((0, times.size), bool)
    pitches = np.array([strike.midi % 12 for strike in strikes])
    starts = np.array([strike.start for strike in strikes])
    ends = np.array([strike.end for strike in strikes]) + HELD_ON
    return np.asarray(
        ~inside[pitches] & (times[None, :] >= ends[:, None]) & (times[None, :] >= starts[:, None])
    )


def blur_curve(
    performance: Performance, instrument: Instrument, harmony: Harmony, *, step: float = 0.05
) -> BlurCurve:
    """The blur of a performance every `step` seconds, from its start until a second after the last key.

    `harmony` is (start, end, pitch classes 0..11 of the chord) in seconds.
    """
    windows = _windows(performance, instrument, harmony, step)
    return _joined([clashes.blur(performance.pedal) for clashes in windows])


def worst_moments(
    performance: Performance,
    instrument: Instrument,
    harmony: Harmony,
    *,
    most: int = 5,
    least: float = 0.15,
    step: float = 0.05,
) -> tuple[WorstMoment, ...]:
    """The peaks of the blur above `least`, at most one in each span of the harmony, worst first.

    What is over within a fifth of a second, as when dampers need their time at a change, is none.
    """
    return measure_blur(performance, instrument, harmony, most=most, least=least, step=step)[1]


def measure_blur(
    performance: Performance,
    instrument: Instrument,
    harmony: Harmony,
    *,
    most: int = 5,
    least: float = 0.15,
    step: float = 0.05,
) -> tuple[BlurCurve, tuple[WorstMoment, ...]]:
    """`blur_curve` and `worst_moments` in one go, in half the time."""
    windows = list(_windows(performance, instrument, harmony, step))
    curve = _joined([clashes.blur(performance.pedal) for clashes in windows])
    width = 1 + math.ceil(NOTICED / step - 1e-9)
    lasting = _lasting(curve.blur, width)
    peaks: list[int] = []
    for start, end, _ in harmony:
        inside = np.flatnonzero((curve.times >= start - 1e-6) & (curve.times < end - 1e-6))
        if inside.size:
            peak = int(inside[np.argmax(lasting[inside])])
            if lasting[peak] >= least:
                peaks.append(peak)
    peaks = sorted(peaks, key=lambda i: -lasting[i])[:most]
    size = windows[0].times.size if windows else 1
    worst = []
    for peak in peaks:
        # The middle of what lasts tells what clashes; at its beginning dampers may still be falling.
        middle = min(peak + width // 2, curve.times.size - 1)
        pairs = windows[middle // size].clashing(performance.pedal, middle % size, PAIRS)
        worst.append(_worst(curve, peak, float(lasting[peak]), pairs))
    return curve, tuple(worst)


@lru_cache(maxsize=8)
def pair_table(instrument: Instrument = GRAND, velocity: float = 70.0) -> Array:
    """Roughness (128, 128) of two keys struck alike; 1.0 is C4 with C#4 on the grand, as in `BlurCurve`.

    For two notes at unequal level, scale by the weaker: table[a, b] · min(sa, sb) / sum of s, where s is
    the amplitude of each relative to such a blow. Only keys 12..120 are filled.
    """
    keys = range(12, 121)
    strikes = [Strike(key, 0.0, 1.0, velocity) for key in keys]
    table = string_table(strikes, instrument, partials=PARTIALS)
    used = np.flatnonzero(table.amplitude.ravel() > 0)
    one, other, weight = rough_pairs(table.frequency.ravel()[used])
    one, other = used[one], used[other]
    value = weight * np.minimum(table.amplitude.ravel()[one], table.amplitude.ravel()[other])
    result = np.zeros((128, 128))
    a, b = keys[0] + one // PARTIALS, keys[0] + other // PARTIALS
    np.add.at(result, (a, b), value)
    np.add.at(result, (b, a), value)
    np.fill_diagonal(result, 0.0)
    sums = np.zeros(128)
    sums[list(keys)] = np.sum(table.amplitude, axis=1)
    together = sums[:, None] + sums[None, :]
    return np.asarray(np.divide(result, together, out=result, where=together > 0) / semitone_roughness())


@lru_cache(maxsize=1)
def semitone_roughness() -> float:
    """The unit: roughness between C4 and C#4, mezzo-forte on the grand, for a summed amplitude of 1."""
    table = string_table([Strike(60, 0, 1, 70), Strike(61, 0, 1, 70)], GRAND, partials=PARTIALS)
    one, other, weight = rough_pairs(table.frequency.ravel())
    across = one // PARTIALS != other // PARTIALS
    strength = table.amplitude.ravel()
    pairs = np.sum(weight[across] * np.minimum(strength[one[across]], strength[other[across]]))
    return float(pairs / np.sum(strength))


def _windows(
    performance: Performance, instrument: Instrument, harmony: Harmony, step: float, size: int = 64
) -> Iterator[Clashes]:
    """The performance in short passages, each with the strikes that can still be heard in it."""
    if not performance.strikes:
        return
    times = np.arange(0.0, performance.length + 1.0, step)
    table = string_table(performance.strikes, instrument, partials=4, soft=performance.soft)
    contact = damper_seconds(table, performance.pedal, times[::size])
    level = levels(free_amplitudes(table, times[::size]) * damping_factor(table, contact))
    for index, first in enumerate(range(0, times.size, size)):
        window = times[first : first + size]
        ringing = (table.start < window[0]) & (level[:, index] > GONE_DB - 20)
        struck = (table.start >= window[0]) & (table.start <= window[-1])
        strikes = [performance.strikes[i] for i in np.flatnonzero(ringing | struck)]
        yield Clashes(strikes, instrument, harmony, window, soft=performance.soft)


def _lasting(blur: Array, width: int) -> Array:
    """At each step the least blur of the `width` steps that begin there: what stays so long."""
    padded = np.concatenate([blur, np.zeros(width - 1)])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, width).min(axis=1))


def _joined(parts: Sequence[BlurCurve]) -> BlurCurve:
    if not parts:
        nothing = np.zeros(0)
        return BlurCurve(nothing, nothing, nothing, nothing, nothing)
    columns = (
        [getattr(curve, n) for curve in parts] for n in ("times", "blur", "roughness", "foreign", "level")
    )
    return BlurCurve(*(np.concatenate(c) for c in columns))


def _worst(
    curve: BlurCurve, peak: int, blur: float, pairs: tuple[tuple[Strike, Strike, float], ...]
) -> WorstMoment:
    high = curve.blur >= blur / 2
    before = np.flatnonzero(~high[:peak])
    after = np.flatnonzero(~high[peak:])
    start = float(curve.times[before[-1] + 1]) if before.size else float(curve.times[0])
    end = float(curve.times[peak + after[0]]) if after.size else float(curve.times[-1])
    return WorstMoment(float(curve.times[peak]), start, end, blur, pairs)
