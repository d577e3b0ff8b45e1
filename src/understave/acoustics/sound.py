"""The sound of a performance: strikes and a pedal in, stereo audio out.

Every strike is rendered from the partials of `piano`, under the same dampers that `ringing` computes; then
come the knock of the blow, the dampers landing on the low strings, the halo of the strings that the pedal
leaves open, the ring behind the bridge of the treble, the small noises of the pedal, and the room. Loudness
is absolute: full scale is the same for every performance, so that variants can be compared; `files` finds
one gain for all when they are written. The amounts are set by ear.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache, partial
from itertools import pairwise
from math import ceil

import numpy as np
from numpy.typing import NDArray

from understave.acoustics.files import RATE, common_gain, resample
from understave.acoustics.loudness import k_weight
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import (
    HIGHEST_PARTIAL,
    LOUDEST_DB,
    NEPER,
    Instrument,
    after_ratio,
    contact_time,
    damper_contact,
    spectrum,
    strings,
    touch_db,
)
from understave.acoustics.ringing import LANDING, contact_integral, pedal_depth
from understave.acoustics.room import answer_at, reverberate
from understave.acoustics.soundfont import render_soundfont, soundfont_of

Samples = NDArray[np.float32]
Progress = Callable[[float], None]
Shares = Callable[[int], tuple[float, ...]]

TAIL = 3.0
"""Seconds of sound after the last key goes up, the last `FADE` of them fading out."""
FADE = 0.8
"""Seconds."""
CUT = 0.05
"""Seconds of fade where an opening is cut off; set by ear."""
LOUD_STRETCH, LOUD_BEFORE = 1.5, 1.5
"""Seconds in which the most is struck, and seconds before them that still ring; set by ear."""
BLOCK = 256
"""Samples rendered from one state of the partials; damping bends in straight lines between the blocks."""
_LONGEST = 96
"""Blocks that are rendered at once at most."""
RANGE_DB, FLOOR_DB = -72.0, -92.0
"""A partial is left out when it is this far below the strongest of its blow, or below full scale."""
ABSORBED = 0.03
"""Seconds in which the hammer of the next blow stops the old motion of a string."""
HALO_DAMPING = 110.0
"""dB a second at which dampers stop the halo."""
FELT_DB = -52.0
"""Level of the pedal's own noise in a quick movement, below the hardest blow on one key; set by ear."""
LANDING_DB = -38.0
"""Level of a damper that lands on the lowest strings after a hard blow, below that blow; set by ear. Higher
up felt and string are lighter: `LIGHTER_DB` an octave less, and nothing is left above `HEAVY`."""
LIGHTER_DB, HEAVY = 6.0, 64
DUPLEX_DB = -46.0
"""Level of what rings behind the bridge, below the strings that are struck; set by ear."""
DUPLEX_FROM, DUPLEX_OCTAVE = 65, 77
"""Keys from which on that length is tuned to ring with its string: to the twelfth above it, higher up to the
octave (common practice of makers, no source)."""
BRUSHED_DB = 4.0
"""How far the strings that its felts brush ring below that noise; set by ear."""


def render(
    performance: Performance,
    instrument: Instrument,
    rate: int = RATE,
    progress: Progress | None = None,
    *,
    mono: bool = False,
) -> Samples:
    """Stereo audio, shape (frames, 2), `rate` frames a second, from second 0 of the performance; with `mono`
    the mean of both sides, (frames,), in less time.

    `progress` is called with the share done, 0..1. Values can exceed 1 in very thick fortissimo;
    `files.common_gain` brings any sound to a safe level. A sampled instrument is played on its samples; raise
    UnderstaveError where these are not there.
    """
    tell = progress or (lambda share: None)
    if instrument.soundfont:
        sampled = render_soundfont(performance, soundfont_of(instrument), rate, instrument)
        tell(1.0)
        return sampled.mean(axis=1) if mono else sampled
    shares = partial(_shares, instrument=instrument, rate=rate)
    places = _struck(performance, instrument, rate, shares, lambda share: tell(0.85 * share))
    halo = _halo(performance, instrument, rate, places.sum(axis=0))
    tell(0.92)
    _add_noises(performance, instrument, rate, shares, places)
    sound = reverberate(places, halo, rate, _open_strings(instrument, rate, undamped=True), mono=mono)
    faded = min(int(FADE * rate), sound.shape[0])
    fade = np.cos(np.linspace(0, np.pi / 2, faded, dtype=np.float32)) ** 2
    sound[sound.shape[0] - faded :] *= fade if mono else fade[:, None]
    tell(1.0)
    return sound


def opening(
    performance: Performance, instrument: Instrument, seconds: float, rate: int = RATE
) -> tuple[Samples, float]:
    """The first seconds of what `render` makes of a performance, and the gain at which the whole fits a file.

    What is struck later changes nothing before it, so the samples are the same but for a fade at their very
    end. The gain is reckoned without the whole: from them and from where the most is struck.
    """
    samples = render(_struck_until(performance, seconds), instrument, rate)[: int(seconds * rate)]
    faded = min(int(CUT * rate), samples.shape[0])
    samples[samples.shape[0] - faded :] *= np.linspace(1, 0, faded, dtype=np.float32)[:, None]
    first = _loudest(performance, LOUD_STRETCH)
    loudest = Performance(
        tuple(
            replace(strike, start=strike.start - first + LOUD_BEFORE, end=strike.end - first + LOUD_BEFORE)
            for strike in performance.strikes
            if first - LOUD_BEFORE <= strike.start < first + LOUD_STRETCH
        ),
        tuple((t - first + LOUD_BEFORE, depth) for t, depth in performance.pedal),
        performance.soft,
    )
    return samples, common_gain([samples, render(loudest, instrument, rate)])


def _struck_until(performance: Performance, seconds: float) -> Performance:
    """The performance without what is struck later; keys that are still down then go up, unheard."""
    strikes = (strike for strike in performance.strikes if strike.start < seconds)
    return replace(
        performance, strikes=tuple(replace(strike, end=min(strike.end, seconds + 0.1)) for strike in strikes)
    )


def _loudest(performance: Performance, stretch: float) -> float:
    """The second from which on the most power is struck in so many seconds."""
    starts = np.array([strike.start for strike in performance.strikes])
    power = 10 ** (touch_db([strike.velocity for strike in performance.strikes]) / 10)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    ends = np.searchsorted(starts, starts + stretch)
    return float(starts[np.argmax(sums[ends] - sums[:-1])])


def strings_alone(performance: Performance, instrument: Instrument, rate: int = RATE) -> Samples:
    """Only the struck strings, mono (frames,): no knock, halo, pedal noise or room."""
    alone = _struck(performance, instrument, rate, lambda key: (1.0,), lambda share: None)
    return np.asarray(alone[0])


def _struck(
    performance: Performance, instrument: Instrument, rate: int, shares: Shares, tell: Progress
) -> Samples:
    """The struck strings, each shared out among the places as `shares` says, shape (places, frames)."""
    frames = int((performance.length + TAIL) * rate) + 1
    places = np.zeros((len(shares(60)), frames), np.float32)
    again: dict[int, float] = {}
    strikes = sorted(performance.strikes, key=lambda strike: -strike.start)
    lying: dict[int, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {}
    for done, strike in enumerate(strikes):
        key = strike.midi
        if instrument.has_damper(key) and key not in lying:
            lying[key] = contact_integral(performance.pedal, key)
        stop = again.get(key, np.inf)
        again[key] = strike.start
        first = round(strike.start * rate)
        if stop <= strike.start or first >= frames:
            continue
        note = _note(
            strike, stop, instrument, rate, frames - first, lying.get(key), performance.soft or strike.soft
        )
        _put(places, first, note, shares(key))
        if done % 8 == 0:
            tell(done / len(strikes))
    return places


def _put(places: Samples, first: int, sound: Samples, shares: tuple[float, ...]) -> None:
    """Add a sound to the places from a frame on; what goes past the end is left out."""
    sound = sound[: max(0, places.shape[1] - first)]
    for place, share in enumerate(shares):
        if share > 0:
            places[place, first : first + sound.size] += np.float32(share) * sound


@lru_cache(maxsize=512)
def _shares(midi: int, instrument: Instrument, rate: int) -> tuple[float, ...]:
    """How much of a key sounds from each place: bass on the left.

    Set so that its power, in stereo and folded to mono, is the same in the room as on its strings, as a
    technician evens out a piano where it stands: the places add up, and the room favours some frequencies.
    """
    across = min(1.0, max(-1.0, (midi - 62) / 34))
    shares = np.array([max(0.0, -across), 1 - abs(across), max(0.0, across)])
    wire, strength = strings(midi, instrument), spectrum(midi, 70, instrument)
    weight = strength**2 * k_weight(wire.frequency)
    ears = answer_at(shares, wire.frequency, rate, _open_strings(instrument, rate, undamped=True))
    stereo, mono = np.mean(np.abs(ears) ** 2, axis=0), np.abs(np.mean(ears, axis=0)) ** 2
    power = np.sum(weight * (stereo + mono) / 2)
    return tuple(float(x) for x in shares * np.sqrt(np.sum(weight) / power))


def _note(  # noqa: PLR0913
    strike: Strike,
    stop: float,
    instrument: Instrument,
    rate: int,
    frames: int,
    lying: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None,
    soft: bool,
) -> Samples:
    """One blow, mono, at most `frames` long.

    The state of every component at the start of each block, times its course within a block, is one
    matrix product; where damping acts, a second one bends each block towards the state of the next.
    """
    wire = strings(strike.midi, instrument)
    strength = spectrum(strike.midi, strike.velocity, instrument, soft=soft)
    amplitude = np.concatenate([strength, strength * after_ratio(strike.midi, instrument, soft=soft)])
    rates = np.concatenate([wire.prompt, wire.after])
    damping = np.concatenate([wire.damping, wire.damping])
    phase = np.concatenate([wire.phase, wire.phase + np.pi / 2])
    course = _course(strike.midi, instrument, rate)
    turn = course.turn

    floor = max(strength.max() * 10 ** (RANGE_DB / 20), 10 ** (FLOOR_DB / 20))
    reach = np.log(np.maximum(amplitude, 1e-30) / floor)
    order = np.argsort(-reach / rates, kind="stable")
    blocks = -(-frames // BLOCK)
    # Undamped, the last component is gone by then: nothing of the rest of the piece need be looked at.
    looked = min(blocks, _LONGEST + ceil(max(0.0, float((reach / rates).max())) * rate / BLOCK))
    edges = strike.start + np.arange(looked + 1) * (BLOCK / rate)
    contact = np.zeros(looked + 1)
    if lying is not None:
        release = max(strike.start, strike.end + LANDING)
        contact = lying(np.maximum(edges, release)) - lying(np.array([release]))
    factor = np.clip(1 - (edges - stop) / ABSORBED, 0, 1) if np.isfinite(stop) else np.ones(looked + 1)

    pieces: list[Samples] = []
    first, size = 0, 6
    alive = order[reach[order] > 0]
    ended = int(np.searchsorted(-factor, 0.0)) if np.isfinite(stop) else blocks
    while first < blocks and alive.size and first <= ended:
        size = min(size, blocks - first)
        rows = slice(first, first + size + 1)
        left = (
            reach[alive] - rates[alive] * (first + size) * BLOCK / rate - damping[alive] * contact[rows][-1]
        )
        state = (amplitude[alive] * np.exp(1j * phase[alive])) * _powers(turn[alive], first, size)
        held = np.repeat(factor[rows][:, None], alive.size, axis=1)
        if contact[rows][-1] > 0:
            held *= np.exp(-np.outer(contact[rows], damping[alive]))
        held[-1, left <= 0] = 0.0
        pieces.append(_blocks(state, held, course, alive))
        alive = alive[left > 0]
        first, size = first + size, min(2 * size, _LONGEST)
    if not pieces:
        return np.zeros(0, np.float32)
    note = np.concatenate(pieces)[:frames]
    rise = min(note.size, max(10, int(0.6 * contact_time(strike.midi, strike.velocity, instrument) * rate)))
    note[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise, dtype=np.float32) / rise)
    return note


def _blocks(
    state: NDArray[np.complex128], held: NDArray[np.float64], course: _Course, alive: NDArray[np.intp]
) -> Samples:
    """Samples from the undamped states (blocks, components) and the factors on them at block edges."""
    within = course.within[:, alive].reshape(2 * alive.size, BLOCK)

    def sound(states: NDArray[np.complex128]) -> Samples:
        sides = np.concatenate([states.real, states.imag], axis=1).astype(np.float32)
        return np.asarray(sides @ within)

    samples = sound(state * held[:-1])
    change = held[1:] - held[:-1]
    bent = np.flatnonzero(np.any(np.abs(change) > 1e-7, axis=1))
    if bent.size:
        samples[bent] += sound(state[bent] * change[bent]) * (np.arange(BLOCK, dtype=np.float32) / BLOCK)
    return samples.ravel()


def _powers(turn: NDArray[np.complex128], first: int, count: int) -> NDArray[np.complex128]:
    """Turn ** (first + 0 .. count-1), shape (count, components), in few exponentials."""
    logs = np.log(turn)
    coarse = np.exp(np.outer(first + np.arange(0, count, 16), logs))
    fine = np.exp(np.outer(np.arange(16), logs))
    return np.asarray((coarse[:, None, :] * fine[None, :, :]).reshape(-1, turn.size)[:count])


class _Course:
    """How the components of a key move: over one block (`turn`), and within it (`within`)."""

    def __init__(self, midi: int, instrument: Instrument, rate: int) -> None:
        wire = strings(midi, instrument)
        hertz = np.concatenate([wire.frequency, wire.frequency + wire.detuning])
        motion = (-np.concatenate([wire.prompt, wire.after]) + 2j * np.pi * hertz) / rate
        course = np.exp(np.outer(motion, np.arange(BLOCK)))
        # The imaginary part of state x course: real parts meet imaginary ones and the other way round.
        self.within = np.stack([course.imag, course.real]).astype(np.float32)
        # Of the logarithm's many values only the turn itself matters: powers of it are whole numbers.
        self.turn = np.exp(motion * BLOCK)


@lru_cache(maxsize=128)
def _course(midi: int, instrument: Instrument, rate: int) -> _Course:
    return _Course(midi, instrument, rate)


def _add_noises(
    performance: Performance, instrument: Instrument, rate: int, shares: Shares, places: Samples
) -> None:
    """Add the knock of each blow and the felt of the pedal to what sounds at the places."""
    loudest = 10 ** (LOUDEST_DB / 20)
    for strike in performance.strikes:
        level = -20 + 6 * min(1.0, max(0.0, (strike.midi - 76) / 32)) + float(touch_db(strike.velocity))
        knock = _knock(strike.midi % 7, strike.midi // 22, rate)
        knock = knock * np.float32(loudest * instrument.knock * 10 ** (level / 20))
        _put(places, round(strike.start * rate), knock, shares(strike.midi))
        if strike.midi < HEAVY and instrument.landing > 0:
            _put(places, *_landed(performance, strike, instrument, rate), shares(strike.midi))
    for moment, speed in _pedal_turns(performance):
        felt = _felt(rate, speed > 0) * np.float32(loudest * 10 ** (FELT_DB / 20) * min(1.0, abs(speed) / 8))
        _put(places, round(moment * rate), felt, (0.5, 0.5, 0.0))
        if speed > 0:
            # The felts brush the strings as they leave: what is heard is the strings.
            strings_ = _open_strings(instrument, rate, undamped=False)[: int(0.6 * rate)]
            brushed = strings_ * np.float32(
                loudest
                * 10 ** ((FELT_DB - BRUSHED_DB) / 20)
                * min(1.0, speed / 8)
                / np.sqrt(np.mean(strings_**2))
            )
            _put(places, round(moment * rate), brushed, (0.5, 0.5, 0.0))


def _landed(
    performance: Performance, strike: Strike, instrument: Instrument, rate: int
) -> tuple[int, Samples]:
    """The frame at which the damper of a low key lands, and what is heard of it: the less, the less the
    string still swings and the more the pedal holds the damper off.
    """
    moment = strike.end + LANDING
    weight = float(damper_contact(pedal_depth(performance.pedal, moment), strike.midi))
    swings = -8.7 * float(strings(strike.midi, instrument).prompt[0]) * max(0.0, strike.end - strike.start)
    level = LANDING_DB - LIGHTER_DB * (strike.midi - 21) / 12
    level += 0.5 * (float(touch_db(strike.velocity)) + swings)
    strength = weight * instrument.landing * 10 ** ((LOUDEST_DB + level) / 20)
    return round(moment * rate), _felt(rate, False) * np.float32(strength)


def _pedal_turns(performance: Performance) -> list[tuple[float, float]]:
    """(second, depth a second) where the dampers leave the strings (positive) or come back (negative)."""
    turns = []
    points = [(performance.pedal[0][0], 0.0), *performance.pedal] if performance.pedal else []
    for (t0, d0), (t1, d1) in pairwise(points):
        if (d0 < 0.4) != (d1 < 0.4) and t1 > 0:
            turns.append((max(0.0, t0 + (t1 - t0) * (0.4 - d0) / (d1 - d0)), (d1 - d0) / max(t1 - t0, 0.02)))
    return turns


def _modes(
    start: NDArray[np.complexfloating], motion: NDArray[np.complexfloating], length: int
) -> NDArray[np.float64]:
    """The sum of modes, each the imaginary part of start x exp(motion x frame), in few exponentials."""
    blocks = -(-length // 512)
    states = start * np.exp(np.outer(np.arange(blocks) * 512, motion))
    course = np.exp(np.outer(motion, np.arange(512)))
    return np.asarray((states.real @ course.imag + states.imag @ course.real).ravel()[:length])


@lru_cache(maxsize=64)
def _knock(variant: int, region: int, rate: int) -> Samples:
    """Knock of key and case, 0.3 s: some 45 quickly damped modes of the board, power 1 over 50 ms."""
    chance = np.random.default_rng(300 + 10 * region + variant)
    hertz = np.geomspace(70 * 1.15**region, 1500 * 1.2**region, 46) * chance.uniform(0.96, 1.04, 46)
    seconds = np.arange(int(0.3 * rate)) / rate
    fading = chance.uniform(0.06, 0.22, 46) * (200 / (200 + 0.35 * hertz))
    strength = chance.uniform(0.4, 1, 46) * (hertz / 180) ** -0.7
    start = strength * np.exp(1j * chance.uniform(0, 0.5, 46))
    knock = _modes(start, (2j * np.pi * hertz - 6.91 / fading) / rate, seconds.size)
    rise = int(0.003 * rate)
    knock[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    knock *= np.minimum(1, (0.3 - seconds) / 0.05)
    return np.asarray(knock / np.sqrt(np.sum(knock**2) / (0.05 * rate)), dtype=np.float32)


@lru_cache(maxsize=8)
def _felt(rate: int, leaving: bool) -> Samples:
    """Felt leaving the strings (a soft breath, 180 ms) or landing on them (a dull thud, 120 ms)."""
    if rate != RATE:
        return resample(_felt(RATE, leaving), RATE, rate)
    chance = np.random.default_rng(5 if leaving else 6)
    length = int((0.18 if leaving else 0.12) * rate)
    white = np.fft.rfft(chance.normal(0, 1, length))
    hertz = np.fft.rfftfreq(length, 1 / rate)
    low, high = (90, 380) if leaving else (60, 260)
    noise = np.fft.irfft(white * (hertz / (hertz + low)) ** 2 / (1 + (hertz / high) ** 4), length)
    phase = np.arange(length) / length
    noise *= np.sin(np.pi * phase ** (0.8 if leaving else 0.4)) ** 2
    return np.asarray(noise / np.sqrt(np.mean(noise**2)), dtype=np.float32)


def _halo(performance: Performance, instrument: Instrument, rate: int, struck: Samples) -> Samples:
    """What the strings that the pedal leaves open answer to those that are struck, mono (frames,).

    For every stretch with the pedal down: what is fed in at second s and heard at t is damped by the
    contact between the two, so dividing the input and multiplying the output by the damping so far is
    exact for one common rate of damping.
    """
    halo = np.zeros(struck.size, np.float32)
    for start, end in _open_stretches(performance, struck.size / rate):
        first, last = int(start * rate), min(struck.size, int((end + 60 / HALO_DAMPING) * rate))
        if last - first < BLOCK:
            continue
        coarse = first / rate + np.arange(0, last - first + BLOCK, BLOCK) / rate
        contact = contact_integral(performance.pedal, 62)(coarse)
        damped = np.minimum(HALO_DAMPING * NEPER * (contact - contact[0]), 60 * NEPER)
        lifted = 1 - damper_contact(pedal_depth(performance.pedal, coarse), 62)
        lifted[coarse > end] = 0.0
        fine = np.arange(last - first) / BLOCK
        places = np.arange(coarse.size)
        fed = struck[first:last] * np.interp(fine, places, lifted * np.exp(damped)).astype(np.float32)
        size = _size(2 * (last - first))
        turned = np.fft.rfft(fed, size) * _open_turned(instrument, rate, size)
        answer = np.fft.irfft(turned, size)[: last - first].astype(np.float32)
        answer *= np.interp(fine, places, np.exp(-damped)).astype(np.float32)
        fade = min(answer.size, int(0.05 * rate))
        answer[answer.size - fade :] *= np.linspace(1, 0, fade, dtype=np.float32)
        halo[first:last] += answer
    return halo


def _size(least: int) -> int:
    """A power of two or three halves of one: near enough to what is needed, and few enough to be kept."""
    whole = 1 << (least - 1).bit_length()
    return 3 * whole // 4 if least <= 3 * whole // 4 else whole


def _open_stretches(performance: Performance, end: float) -> list[tuple[float, float]]:
    """Stretches of seconds in which the pedal holds the dampers off at least a little."""
    if not performance.pedal:
        return []
    times = np.array([t for t, _ in performance.pedal], float)
    grid = np.unique(np.concatenate([times, times + 1e-6, np.arange(0, end, 0.01), [end]]))
    grid = grid[(grid >= 0) & (grid <= end)]
    lifted = damper_contact(pedal_depth(performance.pedal, grid), 62) < 0.98
    changes = np.flatnonzero(np.diff(np.concatenate([[False], lifted, [False]]).astype(int)))
    return [(float(grid[a]), float(grid[min(b, grid.size - 1)])) for a, b in changes.reshape(-1, 2)]


@lru_cache(maxsize=12)
def _open_turned(instrument: Instrument, rate: int, size: int) -> NDArray[np.complexfloating]:
    answer = _open_strings(instrument, rate, undamped=False)[: size // 2]
    return np.asarray(np.fft.rfft(answer, size), dtype=np.complex64)


@lru_cache(maxsize=12)
def _open_strings(instrument: Instrument, rate: int, *, undamped: bool) -> Samples:
    """What open strings answer to one short push: all with dampers, or those that never have one.

    The first eight partials of every key, each with its own decay; energy `halo_db` below the push at
    `RATE` (at other rates the same strings), for the undamped top in proportion to its number of strings.
    With those that no damper stops ring the lengths behind the bridge.
    """
    answer = _answer_of(instrument, rate, undamped=undamped)
    behind = _behind_the_bridge(instrument, rate) if undamped else answer[:0]
    if not answer.size or not behind.size:
        return answer if answer.size else behind
    return answer + behind


def _behind_the_bridge(instrument: Instrument, rate: int) -> Samples:
    """What the lengths of string behind the bridge of the treble answer to one short push: short and high."""
    if instrument.duplex <= 0 or instrument.highest < DUPLEX_FROM:
        return np.zeros(0, np.float32)
    chance = np.random.default_rng(9)
    keys = np.arange(DUPLEX_FROM, instrument.highest + 1)
    # Each a little beside the partial that it is tuned to: three strings, and no maker hits it.
    hertz = np.array([float(strings(int(key), instrument).frequency[0]) for key in keys])
    hertz = hertz * np.where(keys < DUPLEX_OCTAVE, 3.0, 2.0) * 2 ** (chance.normal(0, 6, keys.size) / 1200)
    kept = hertz < HIGHEST_PARTIAL
    fading = np.interp(hertz[kept], (1000.0, 9000.0), (35.0, 90.0)) * NEPER
    start = np.exp(2j * np.pi * chance.random(int(kept.sum())))
    waves = _modes(start, (2j * np.pi * hertz[kept] - fading) / rate, int(rate))
    rise, fall = int(0.012 * rate), int(0.3 * rate)
    waves[:rise] *= np.linspace(0, 1, rise)
    waves[-fall:] *= np.linspace(1, 0, fall)
    energy = 10 ** (DUPLEX_DB / 10) * instrument.duplex * RATE / rate
    return np.asarray(waves * np.sqrt(energy / np.sum(waves**2)), dtype=np.float32)


def _answer_of(instrument: Instrument, rate: int, *, undamped: bool) -> Samples:
    """What the open strings themselves answer."""
    keys = [
        key
        for key in range(instrument.lowest, instrument.highest + 1)
        if instrument.has_damper(key) != undamped
    ]
    if not keys:
        return np.zeros(0, np.float32)
    chance = np.random.default_rng(7)
    hertz, fading, strength = [], [], []
    for key in keys:
        wire = strings(key, instrument)
        used = (wire.number <= 8) & (wire.frequency < 5000)
        hertz.append(wire.frequency[used])
        fading.append(np.sqrt(wire.prompt * wire.after)[used])
        strength.append(wire.number[used] ** -0.7)
    motion = (-np.concatenate(fading) + 2j * np.pi * np.concatenate(hertz)) / rate
    length = int((1.0 if undamped else 4.0) * rate)
    start = np.concatenate(strength) * np.exp(2j * np.pi * chance.random(motion.size))
    answer = _modes(start, motion, length)
    rise, fall = int(0.012 * rate), int(0.3 * rate)
    answer[:rise] *= np.linspace(0, 1, rise)
    answer[-fall:] *= np.linspace(1, 0, fall)
    share = len(keys) / (instrument.highest - instrument.lowest + 1)
    energy = share * 10 ** (instrument.halo_db / 10) * RATE / rate
    return np.asarray(answer * np.sqrt(energy / np.sum(answer**2)), dtype=np.float32)
