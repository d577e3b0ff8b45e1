"""What rings at a moment: strikes and a pedal line in, amplitudes and levels out.

For one look, `ringing(performance, instrument, moment)`. For many (the planning of the pedal):

    table = string_table(strikes, instrument)                  # once for each passage
    free = free_amplitudes(table, times)                       # once, (strikes, partials, times)
    contact = damper_seconds(table, pedal, times)              # for each pedal line tried, (strikes, times)
    heard = free * damping_factor(table, contact)

Levels are dB of mean power below full scale, the same that the rendered sound has before the room.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import (
    GRAND,
    MOST_PARTIALS,
    Instrument,
    after_ratio,
    damper_contact,
    spectrum,
    strings,
)

Array = NDArray[np.float64]
PedalLine = Sequence[tuple[float, float]]

LANDING = 0.015
"""Seconds from the key's going up until its damper lies on the string; set by ear."""
SILENCE_DB = -120.0
"""Level of silence, dB below full scale: our own limit, so that there is a logarithm."""


@dataclass(frozen=True, slots=True, eq=False)
class StringTable:
    """All strikes of a passage as arrays: (strikes,) or, for what each partial has, (strikes, partials).

    Rows are in the order of the strikes; unused partials have amplitude 0. `release` is when the damper
    lands if the pedal is up; `stop` when the same key is struck again (infinity if it is not).
    """

    instrument: Instrument
    midi: NDArray[np.intp]
    start: Array
    release: Array
    stop: Array
    frequency: Array
    amplitude: Array
    prompt: Array
    after: Array
    after_ratio: Array
    damping: Array


def string_table(
    strikes: Sequence[Strike], instrument: Instrument = GRAND, *, partials: int = 16, soft: bool = False
) -> StringTable:
    """The strongest `partials` partials of every strike."""
    count = len(strikes)
    shape = (count, partials)
    frequency, amplitude, prompt, after, ratio, damping = (np.zeros(shape) for _ in range(6))
    prompt += 1.0
    after += 1.0
    stop = np.full(count, np.inf)
    following: dict[int, float] = {}
    for row in sorted(range(count), key=lambda i: -strikes[i].start):
        strike = strikes[row]
        wire = strings(strike.midi, instrument)
        strength = spectrum(strike.midi, strike.velocity, instrument, soft=soft or strike.soft)
        kept = np.sort(np.argsort(-strength, kind="stable")[:partials])
        n = kept.size
        frequency[row, :n] = wire.frequency[kept]
        amplitude[row, :n] = strength[kept]
        prompt[row, :n] = wire.prompt[kept]
        after[row, :n] = wire.after[kept]
        ratio[row, :n] = after_ratio(strike.midi, instrument, soft=soft or strike.soft)[kept]
        damping[row, :n] = wire.damping[kept]
        stop[row] = following.get(strike.midi, np.inf)
        following[strike.midi] = strike.start
    return StringTable(
        instrument=instrument,
        midi=np.array([strike.midi for strike in strikes], dtype=np.intp),
        start=np.array([strike.start for strike in strikes], float),
        release=np.array([strike.end + LANDING for strike in strikes], float),
        stop=stop,
        frequency=frequency,
        amplitude=amplitude,
        prompt=prompt,
        after=after,
        after_ratio=ratio,
        damping=damping,
    )


def select(table: StringTable, rows: slice | NDArray[np.intp]) -> StringTable:
    """The same table with only some of its strikes."""
    arrays = (getattr(table, field.name)[rows] for field in fields(table)[1:])
    return StringTable(table.instrument, *arrays)


def free_amplitudes(table: StringTable, times: ArrayLike) -> Array:
    """Amplitudes (strikes, partials, times) if no damper ever fell; 0 outside the strike's own time."""
    moments = np.asarray(times, float)
    age = moments[None, :] - table.start[:, None]
    alive = (age >= 0) & (moments[None, :] < table.stop[:, None])
    since = np.where(alive, age, 0.0)[:, None, :]
    prompt = np.exp(-2 * table.prompt[:, :, None] * since)
    after = table.after_ratio[:, :, None] ** 2 * np.exp(-2 * table.after[:, :, None] * since)
    return np.asarray(table.amplitude[:, :, None] * np.sqrt(prompt + after) * alive[:, None, :])


def damper_seconds(table: StringTable, pedal: PedalLine, times: ArrayLike) -> Array:
    """Seconds (strikes, times) for which each damper has lain on its strings, in units of its full weight."""
    moments = np.asarray(times, float)
    keys, rows = np.unique(table.midi, return_inverse=True)
    release = np.maximum(table.release, table.start)
    result = np.zeros((table.midi.size, moments.size))
    line = _fine(tuple(pedal))
    for index, key in enumerate(keys):
        if not table.instrument.has_damper(int(key)):
            continue
        mine = rows == index
        lying = _integral(line, int(key))
        late = np.maximum(moments[None, :], release[mine][:, None])
        result[mine] = lying(late) - lying(release[mine])[:, None]
    return result


def contact_integral(pedal: PedalLine, midi: int) -> Callable[[ArrayLike], Array]:
    """The function from a time to the seconds of damper contact until then, for one key with its own up."""
    return _integral(_fine(tuple(pedal)), midi)


def _integral(line: tuple[Array, Array], midi: int) -> Callable[[ArrayLike], Array]:
    points, depths = line
    contact = damper_contact(depths, midi)
    total = np.concatenate(([0.0], np.cumsum(np.diff(points) * (contact[1:] + contact[:-1]) / 2)))

    def seconds(times: ArrayLike) -> Array:
        moments = np.asarray(times, float)
        before = np.minimum(moments - points[0], 0.0) * contact[0]
        beyond = np.maximum(moments - points[-1], 0.0) * contact[-1]
        return np.asarray(np.interp(moments, points, total) + before + beyond)

    return seconds


def pedal_depth(pedal: PedalLine, times: ArrayLike) -> Array:
    """Depth 0..1 of the pedal at each of `times`; up before the first point."""
    moments = np.asarray(times, float)
    if not pedal:
        return np.zeros(moments.shape)
    seconds = np.array([p[0] for p in pedal], float)
    depth = np.array([p[1] for p in pedal], float)
    return np.where(moments < seconds[0], 0.0, np.interp(moments, seconds, depth))


def damping_factor(table: StringTable, contact: Array) -> Array:
    """Factor (strikes, partials, times) on the free amplitudes after `contact` (strikes, times) seconds."""
    return np.asarray(np.exp(-table.damping[:, :, None] * contact[:, None, :]))


def amplitudes(table: StringTable, pedal: PedalLine, times: ArrayLike) -> Array:
    """Amplitudes (strikes, partials, times) as they sound."""
    return free_amplitudes(table, times) * damping_factor(table, damper_seconds(table, pedal, times))


def levels(amplitude: Array) -> Array:
    """Level in dB (strikes, times) of each strike from the amplitudes of its partials."""
    power = 0.5 * np.sum(amplitude**2, axis=1)
    return np.asarray(10 * np.log10(np.maximum(power, 10 ** (SILENCE_DB / 10))))


@dataclass(frozen=True, slots=True)
class Ringing:
    """One strike that still sounds: its level in dB, and what keeps it sounding."""

    strike: Strike
    level: float
    by: Literal["finger", "pedal", "no damper", "dying away"]


def ringing(
    performance: Performance, instrument: Instrument, moment: float, *, floor_db: float = -70.0
) -> tuple[Ringing, ...]:
    """What sounds at `moment` (seconds) above `floor_db`, loudest first."""
    struck = [strike for strike in performance.strikes if strike.start <= moment]
    if not struck:
        return ()
    table = string_table(struck, instrument, soft=performance.soft)
    level = levels(amplitudes(table, performance.pedal, [moment]))[:, 0]
    depth = float(pedal_depth(performance.pedal, moment))
    found = [
        Ringing(strike, float(dB), _kept_by(strike, moment, depth, instrument))
        for strike, dB in zip(struck, level, strict=True)
        if dB > floor_db
    ]
    return tuple(sorted(found, key=lambda ringing: -ringing.level))


def sounding_level(performance: Performance, instrument: Instrument, times: ArrayLike) -> Array:
    """Level in dB of everything together at each of `times`, before the room and without the halo."""
    moments = np.asarray(times, float)
    power = np.zeros(moments.size)
    table = string_table(performance.strikes, instrument, partials=MOST_PARTIALS, soft=performance.soft)
    for first in range(0, len(performance.strikes), 32):
        part = select(table, slice(first, first + 32))
        power += 0.5 * np.sum(amplitudes(part, performance.pedal, moments) ** 2, axis=(0, 1))
    return np.asarray(10 * np.log10(np.maximum(power, 10 ** (SILENCE_DB / 10))))


def _kept_by(
    strike: Strike, moment: float, depth: float, instrument: Instrument
) -> Literal["finger", "pedal", "no damper", "dying away"]:
    if moment < strike.end + LANDING:
        return "finger"
    if not instrument.has_damper(strike.midi):
        return "no damper"
    return "pedal" if float(damper_contact(depth, strike.midi)) < 0.5 else "dying away"


@lru_cache(maxsize=8)
def _fine(pedal: tuple[tuple[float, float], ...]) -> tuple[Array, Array]:
    """The pedal line with points close enough for adding up a curved function of the depth along it."""
    if not pedal:
        return np.array([0.0, 1.0]), np.zeros(2)
    seconds = np.array([pedal[0][0], *(p[0] for p in pedal)], float)
    depth = np.array([0.0, *(p[1] for p in pedal)], float)
    parts = np.linspace(0, 1, 25)[1:]
    moved = np.abs(np.diff(depth)) > 1e-9
    moments, depths = [seconds[:1]], [depth[:1]]
    for i, moving in enumerate(moved):
        share = parts if moving else parts[-1:]
        moments.append(seconds[i] + share * (seconds[i + 1] - seconds[i]))
        depths.append(depth[i] + share * (depth[i + 1] - depth[i]))
    return np.concatenate(moments), np.concatenate(depths)
