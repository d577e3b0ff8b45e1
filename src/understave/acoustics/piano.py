"""The partial model of the piano: an Instrument, a key and a touch in; the partials that sound out.

One table serves all: `sound` renders it, `ringing` and `blur` ask it what sounds and how rough it is. A
partial of a key rings as

    a · exp(-prompt·t)  +  a · after_ratio · exp(-after·t)        (the two stages of Weinreich 1977)

in two components a few tenths of a hertz apart (the unison strings), each further damped by
exp(-damping·s) once the damper has lain on the string with full weight for s seconds.

Frequencies are in Hz, decay rates in nepers a second (8.686 dB = 1 neper), amplitudes linear with 1.0
as full scale, velocities 1..127, keys MIDI numbers (A4 = 69).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from understave.acoustics.loudness import k_weight
from understave.guests import guests

Array = NDArray[np.float64]

NEPER = math.log(10) / 20
"""One dB in nepers, by definition."""
MOST_PARTIALS = 96
HIGHEST_PARTIAL = 10_000.0
"""Partials of a key that are counted at all, and the Hz above which there are none; set by ear."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """What makes one kind of piano differ from another; factors are relative to the concert grand.

    `lowest` and `highest` are its outer keys; `last_damper` is the highest key with a damper. A key
    beyond the compass still sounds in the model, as if the keyboard went on.
    """

    name: str
    a4: float = 440.0
    lowest: int = 21
    highest: int = 108
    last_damper: int = 89
    inharmonicity: float = 1.0
    bass_inharmonicity: float = 1.0
    decay: float = 1.0
    """Rate of decay: above 1 it dies away sooner."""
    after_db: float = -15.0
    """Level of the after-sound below the prompt sound."""
    after_slowness: float = 4.2
    """How many times slower the after-sound decays at C4; less in the bass, more in the treble."""
    contact: float = 1.0
    """Time the hammer stays on the string: below 1 it is brighter."""
    damping: float = 1.0
    """How fast the dampers work."""
    detuning: float = 1.0
    halo_db: float = -35.0
    """Level of the sympathetic strings when all dampers are up, below the strings that are struck."""
    knock: float = 1.0
    """Noise of the key bed and the case at the blow."""
    duplex: float = 1.0
    """How strongly the lengths behind the bridge of the treble ring along; 0 where they are muted."""
    landing: float = 1.0
    """Noise of the dampers that come down on the heavy strings as keys go up."""
    sostenuto: bool = False
    """Whether it has a middle pedal that keeps up the dampers of the keys that are down."""
    soundfont: str = ""
    """Samples to play on instead of the model: the path of an .sf2 file, or the name of one that
    `acoustics.soundfont` looks for. What is reckoned (blur, ringing) is still the model's.
    """

    def has_key(self, midi: int) -> bool:
        """Whether the keyboard has the key."""
        return self.lowest <= midi <= self.highest

    def has_damper(self, midi: int) -> bool:
        """Whether the key's strings are ever damped."""
        return midi <= self.last_damper


GRAND = Instrument("concert grand", sostenuto=True)
# Set by ear beside the grand: stiffer and shorter strings; no measurement of one instrument.
UPRIGHT = Instrument(
    "upright",
    inharmonicity=1.25,
    bass_inharmonicity=2.2,
    decay=1.4,
    after_db=-14.0,
    after_slowness=3.8,
    contact=1.08,
    damping=0.75,
    last_damper=90,
    detuning=1.4,
    halo_db=-37.0,
    knock=1.5,
    duplex=0.4,
    landing=0.7,
)
# Pitch and compass of about 1800 (common practice, no source); the rest set by ear.
EARLY = Instrument(
    "early piano",
    a4=430.0,
    lowest=29,
    highest=89,
    last_damper=108,
    inharmonicity=0.35,
    bass_inharmonicity=0.35,
    decay=1.8,
    after_db=-20.0,
    after_slowness=3.0,
    contact=0.72,
    damping=1.25,
    detuning=0.7,
    halo_db=-39.0,
    knock=1.8,
    duplex=0.0,
    landing=0.5,
)
# A concert grand to all that reckons with it, so that one plan drives both.
SAMPLED = Instrument("sampled piano", sostenuto=True, soundfont="FluidR3_GM.sf2")
INSTRUMENTS: dict[str, Instrument] = {i.name: i for i in (GRAND, UPRIGHT, EARLY)}
"""Our own models by name; `instruments` has the sampled piano and those of guests too."""


@lru_cache(maxsize=1)
def instruments() -> Mapping[str, Instrument]:
    """Return all instruments by name: ours, then those that other installed packages bring.

    A guest is an `Instrument` in the entry-point group ``understave.instruments`` (`understave.guests`). It
    can be chosen wherever ours can, by its name in small letters; what a language calls it stands in the
    table ``pianos`` of the group ``understave.words``.
    """
    ours = {**INSTRUMENTS, SAMPLED.name: SAMPLED}
    found = guests("understave.instruments", Instrument, ours, _wrong)
    return {**ours, **{guest.value.name: guest.value for guest in found}}


def modelled() -> tuple[Instrument, ...]:
    """Return the instruments whose sound is the model's: those that differ to what reckons with them."""
    return tuple(instrument for instrument in instruments().values() if not instrument.soundfont)


_POSITIVE = (
    "inharmonicity",
    "bass_inharmonicity",
    "decay",
    "after_slowness",
    "contact",
    "damping",
    "detuning",
)


def _wrong(instrument: Instrument) -> str:
    if instrument.name != " ".join(instrument.name.replace("-", " ").casefold().split()):
        return "its name is not in small letters with single spaces"
    values = {f.name: getattr(instrument, f.name) for f in fields(instrument)}
    if not isinstance(values["soundfont"], str):
        return "its soundfont is no path"
    if not all(_is_number(value) for name, value in values.items() if name not in ("name", "soundfont")):
        return "one of its values is no number"
    if not 300 <= instrument.a4 <= 600:
        return f"its A4 sounds at {instrument.a4:g} Hz and not between 300 and 600"
    if not 0 <= instrument.lowest < instrument.highest <= 127:
        return "its keys are no MIDI numbers from low to high"
    low = next((n for n in _POSITIVE if getattr(instrument, n) <= 0), None)
    return f"its {low} is not above 0" if low else "its knock is below 0" if instrument.knock < 0 else ""


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def inharmonicity(midi: ArrayLike, instrument: Instrument = GRAND) -> Array:
    """Coefficient B of f(n) = n·f1·sqrt(1 + B·n²).

    Sum of a bass and a treble line on a logarithmic scale: the form of Rigaud, David & Daudet 2013; the
    treble line doubles every 8.4 semitones, near Young 1952.
    """
    key = np.asarray(midi, float)
    bass = instrument.bass_inharmonicity * np.exp(-0.0847 * key - 6.6)
    treble = instrument.inharmonicity * 3.1e-4 * 2 ** ((key - 60) / 8.4)
    return bass + treble


def fundamental(midi: ArrayLike, instrument: Instrument = GRAND) -> Array:
    """First partial in Hz: equal temperament, the octaves stretched up to about 20 cents at the ends."""
    steps = np.asarray(midi, float) - 69
    cents = 100 * steps + 1.8e-4 * steps**3
    return instrument.a4 * 2 ** (cents / 1200)


def prompt_decay(midi: float, number: Array, frequency: Array, instrument: Instrument = GRAND) -> Array:
    """Decay of the prompt sound in dB a second: faster towards the treble and for the upper partials."""
    keys, rates = (21, 33, 45, 60, 72, 84, 96, 108), (3.5, 6.0, 11.0, 18.0, 25.0, 42.0, 80.0, 110.0)
    first = _by_key(midi, keys, rates, geometric=True)
    return instrument.decay * (first * (1 + 0.03 * (number - 1)) + 0.9 * (frequency / 1000) ** 1.5)


def damper_rate(midi: int, instrument: Instrument = GRAND) -> float:
    """Extra decay in dB a second of the first partial under a resting damper; 0 for keys without one."""
    if not instrument.has_damper(midi):
        return 0.0
    keys, rates = (21, 29, 36, 48, 60, 72, 84, 89), (42, 55, 75, 100, 130, 165, 200, 210)
    return instrument.damping * _by_key(midi, keys, rates, geometric=True)


def damper_contact(depth: ArrayLike, midi: int) -> Array:
    """How much of its weight the damper lays on the string, 1..0, with the pedal at `depth` 0..1.

    The dampers begin to lift after a fifth of the way and are free at 0.72. Half down, they still stop
    the light treble strings but hardly the heavy bass (common practice, no source).
    """
    lying = np.clip((0.72 - np.asarray(depth, float)) / 0.5, 0.0, 1.0)
    return lying ** _by_key(midi, (21, 40, 60, 84), (4.0, 3.2, 2.0, 1.0))


def contact_time(midi: float, velocity: float, instrument: Instrument = GRAND) -> float:
    """Seconds the hammer touches the string: 4 to 5 ms in the bass, under 1 ms at the top (Chaigne).

    Shorter the harder the blow.
    """
    milliseconds = _by_key(midi, (21, 60, 84, 108), (4.6, 2.4, 1.35, 0.7), geometric=True)
    return instrument.contact * milliseconds * (1.9 - 1.25 * velocity / 127) / 1000


def touch_db(velocity: ArrayLike) -> Array:
    """Level of a blow below the hardest one: about 34 dB from the softest to the loudest playable."""
    return -36 * (1 - np.asarray(velocity, float) / 127) ** 1.15


@dataclass(frozen=True, slots=True, eq=False)
class Strings:
    """The strings of one key: an entry for each partial, shape (partials,), lowest first."""

    midi: int
    number: Array
    frequency: Array
    prompt: Array
    after: Array
    after_ratio: Array
    damping: Array
    detuning: Array
    """Hz from the prompt to the after-sound component of a partial: their beats."""
    phase: Array
    unevenness: Array
    """Factor on each partial's strength: strike point, bridge and soundboard."""


@lru_cache(maxsize=512)
def strings(midi: int, instrument: Instrument = GRAND) -> Strings:
    """All partials of a key below 10 kHz, whatever the touch. Its small irregularities never change."""
    b = float(inharmonicity(midi, instrument))
    number = np.arange(1.0, MOST_PARTIALS + 1)
    frequency = number * float(fundamental(midi, instrument)) * np.sqrt((1 + b * number**2) / (1 + b))
    kept = frequency < HIGHEST_PARTIAL
    kept[0] = True
    number, frequency = number[kept], frequency[kept]
    chance = np.random.default_rng(1000 + midi)
    strike_point = _by_key(midi, (21, 60, 90, 108), (0.115, 0.12, 0.09, 0.06))
    strike = 0.45 + 0.55 * np.abs(np.sin(np.pi * number * strike_point))
    board = 1 / (1 + (88 / frequency) ** 4) / np.sqrt(1 + (frequency / 4500) ** 8)
    prompt = prompt_decay(midi, number, frequency, instrument) * 10 ** chance.normal(0, 0.055, number.size)
    slowness = max(
        1.2, instrument.after_slowness * _by_key(midi, (21, 36, 60, 72, 96), (0.4, 0.5, 1.0, 1.3, 1.6))
    )
    after_db = instrument.after_db + chance.normal(0, 2.5, number.size) - (3 if midi < 30 else 0)
    spread = _by_key(midi, (21, 36, 60, 72, 84, 99), (0.01, 0.05, 0.11, 0.15, 0.22, 0.3))
    # Slower and faster than the prompt sound in turn, so that a note's beats do not all dip together.
    beating = chance.uniform(0.5, 1.3, number.size) * np.where((number + midi) % 2, 1, -1)
    return Strings(
        midi=midi,
        number=number,
        frequency=frequency,
        prompt=prompt * NEPER,
        after=prompt / slowness * NEPER,
        after_ratio=10 ** (after_db / 20),
        damping=damper_rate(midi, instrument) * (1 + 0.12 * (number - 1)) * NEPER,
        detuning=instrument.detuning * number * spread * beating,
        phase=chance.normal(0, 0.9, number.size),
        unevenness=strike * board * 10 ** (chance.normal(0, 2.3, number.size) / 20),
    )


def after_ratio(midi: int, instrument: Instrument = GRAND, *, soft: bool = False) -> Array:
    """Amplitude of the after-sound beside the prompt sound of each partial of `strings(midi)`; more with the
    soft pedal.
    """
    return strings(midi, instrument).after_ratio * (10 ** (SHIFTED_AFTER_DB / 20) if soft else 1.0)


def spectrum(midi: int, velocity: float, instrument: Instrument = GRAND, *, soft: bool = False) -> Array:
    """Amplitudes of the partials of `strings(midi)` just after the blow, shape (partials,).

    The harder the blow, the shorter the contact and the flatter the spectrum. The level is set so that
    equal touch is equally loud over the keyboard (K-weighted, first 150 ms), falling a little at the top.
    `soft` is the soft pedal: weaker and duller.
    """
    return _spectrum(midi, round(min(127.0, max(1.0, velocity)), 1), instrument, soft)


@lru_cache(maxsize=4096)
def _spectrum(midi: int, velocity: float, instrument: Instrument, soft: bool) -> Array:
    wire = strings(midi, instrument)
    softened = 0.85 * velocity if soft else velocity
    touch = softened / 127
    # The corner of the force spectrum lies near the inverse of the contact time. Half of its shift with
    # touch is in the slope already.
    corner = math.sqrt(contact_time(midi, 89, instrument) * contact_time(midi, softened, instrument)) / 0.6
    slope = (2.7 - 2.3 * touch + (SHIFTED_SLOPE if soft else 0.0)) / 2 * _by_key(midi, (72, 96), (1.0, 1.4))
    limit = contact_time(midi, softened, instrument) / 18
    hammer = (1 + (wire.frequency * corner) ** 2) ** -slope / np.sqrt(1 + (wire.frequency * limit) ** 4)
    shape = hammer * wire.unevenness
    window = 0.15
    energy = np.sum(
        0.5
        * shape**2
        * k_weight(wire.frequency)
        * (1 - np.exp(-2 * wire.prompt * window))
        / (2 * wire.prompt)
    )
    level = float(touch_db(velocity)) - (2.5 if soft else 0.0) + LOUDEST_DB
    level += _by_key(midi, (21, 33, 84, 96, 108), (-1.0, 0.0, 0.0, -1.0, -4.0))
    return shape * math.sqrt(10 ** (level / 10) * window / energy)


SHIFTED_SLOPE = 0.5
"""How much steeper the spectrum falls with the soft pedal: fresh felt, and a string that only answers. By
ear."""
SHIFTED_AFTER_DB = 4.0
"""How much higher the after-sound lies with the soft pedal: a string of the unison that the hammer passes by
is set swinging by the others against them, which is the motion that rings on (Weinreich, "Coupled piano
strings", J. Acoust. Soc. Am. 62, 1977; the amount by ear)."""
LOUDEST_DB = -12.0
"""K-weighted level of the hardest blow on one key, dB below full scale; set by ear, for many at once."""


def _by_key(
    midi: float, keys: tuple[float, ...], values: tuple[float, ...], *, geometric: bool = False
) -> float:
    """The value at a key, between the given ones; in equal ratios instead of equal steps if `geometric`."""
    if geometric:
        return float(np.exp(np.interp(midi, keys, np.log(values))))
    return float(np.interp(midi, keys, values))
