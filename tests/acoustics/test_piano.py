"""The partial model against measured and published values of pianos."""

import numpy as np
import pytest

from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import (
    EARLY,
    GRAND,
    INSTRUMENTS,
    UPRIGHT,
    contact_time,
    damper_contact,
    damper_rate,
    fundamental,
    inharmonicity,
    spectrum,
    strings,
)
from understave.acoustics.sound import strings_alone

RATE = 44_100


def alone(midi, seconds, instrument=GRAND, velocity=70.0, pedal=()):
    """A single key held for `seconds`, without the room."""
    return strings_alone(Performance((Strike(midi, 0.0, seconds, velocity),), pedal), instrument).astype(
        float
    )


def level(sound, start, end):
    return 10 * np.log10(np.mean(sound[int(start * RATE) : int(end * RATE)] ** 2))


def peak_near(sound, hertz, width):
    """Frequency of the strongest tone within `width` Hz, by parabolic interpolation of the spectrum."""
    size = 1 << 19
    magnitude = np.abs(np.fft.rfft(sound[: 2 * RATE] * np.hanning(2 * RATE), size))
    grid = np.arange(magnitude.size) * RATE / size
    inside = np.flatnonzero(np.abs(grid - hertz) < width)
    return grid[inside[np.argmax(magnitude[inside])]]


# Measured from an open set of samples of a modern grand; single instruments differ by a third.
@pytest.mark.parametrize(("midi", "measured"), [(48, 1.1e-4), (60, 3.2e-4), (72, 8.4e-4), (84, 1.8e-3)])
def test_inharmonicity_by_register(midi, measured):
    assert float(inharmonicity(midi)) == pytest.approx(measured, rel=0.33)


def test_inharmonicity_doubles_about_every_eight_semitones_in_the_treble():
    # Young 1952, "Inharmonicity of plain wire piano strings" (from memory)
    steps = 36 / np.log2(float(inharmonicity(100)) / float(inharmonicity(64)))
    assert 7 < steps < 9.5


def test_upright_bass_is_more_inharmonic_and_early_strings_less():
    # Shorter strings are stiffer, thin ones less so: B goes with d^2 / (L^4 f^2), Fletcher 1964 (from memory)
    assert inharmonicity(28, UPRIGHT) > 1.5 * inharmonicity(28, GRAND)
    assert inharmonicity(72, EARLY) < 0.5 * inharmonicity(72, GRAND)


@pytest.mark.parametrize("number", [4, 8])
def test_sounding_partials_are_stretched_as_stiff_strings_are(number):
    # f(n) = n f1 sqrt((1 + B n^2) / (1 + B)), Fletcher 1964 (from memory), with the measured B of C3
    sound = alone(48, 2.5)
    first = peak_near(sound, 130.8, 4)
    cents = 1200 * np.log2(peak_near(sound, number * first, 0.3 * first) / (number * first))
    expected = 600 * np.log2((1 + 1.1e-4 * number**2) / (1 + 1.1e-4))
    assert cents == pytest.approx(expected, rel=0.5, abs=1.0)


def test_tuning_is_a4_with_stretched_octaves():
    # International standard pitch, ISO 16; stretched octaves: Railsback 1938 (from memory), under 40 cents
    assert float(fundamental(69)) == pytest.approx(440.0)
    assert float(fundamental(69, EARLY)) == pytest.approx(430.0)
    for midi, sign in ((24, -1), (108, 1)):
        cents = 1200 * np.log2(float(fundamental(midi)) / (440 * 2 ** ((midi - 69) / 12)))
        assert 3 < sign * cents < 40


def test_hammer_contact_is_four_to_five_milliseconds_in_the_bass_and_under_one_at_the_top():
    # Chaigne and Askenfelt 1994
    assert 0.004 <= contact_time(24, 90) <= 0.0052
    assert contact_time(103, 90) < 0.001


def test_last_damper():
    # D6 to G6 on modern grands, technicians' reports; early pianos damp all their strings (common practice)
    for instrument in (GRAND, UPRIGHT):
        assert 86 <= instrument.last_damper <= 91
    assert all(damper_rate(midi, EARLY) > 0 for midi in range(EARLY.lowest, EARLY.highest + 1))


def test_keys_above_the_last_damper_ring_on_and_those_below_stop():
    stopped, free = alone(GRAND.last_damper, 0.2), alone(GRAND.last_damper + 1, 0.2)
    assert level(stopped, 0.1, 0.2) - level(stopped, 0.4, 0.5) > 35
    assert level(free, 0.1, 0.2) - level(free, 0.4, 0.5) < 25


@pytest.mark.parametrize("midi", [48, 60, 67, 72])
def test_decay_has_two_stages(midi):
    # Weinreich 1977, "Coupled piano strings": a prompt sound, then a slower after-sound
    sound = alone(midi, 6.0)
    early = (level(sound, 0.05, 0.35) - level(sound, 0.35, 0.65)) / 0.3
    late = (level(sound, 2.5, 3.5) - level(sound, 4.5, 5.5)) / 2
    assert early > 1.8 * late > 0


def test_decay_is_faster_towards_the_treble():
    # Martin 1947, "Decay rates of piano tones" (from memory): a few dB a second in the bass, some 80 to
    # 100 at the top
    rates = [strings(midi).prompt[0] * 8.686 for midi in range(21, 109)]
    assert 2 < np.median(rates[:8]) < 8
    assert 60 < np.median(rates[-6:]) < 160
    assert np.all(np.diff(np.convolve(rates, np.ones(12) / 12, "valid")) > 0)


def test_early_piano_dies_away_sooner():
    # Common practice, no source
    grand, early = alone(60, 3.0), alone(60, 3.0, EARLY)
    fall = [level(s, 0.02, 0.1) - level(s, 1.0, 1.3) for s in (grand, early)]
    assert fall[1] > fall[0] + 4


@pytest.mark.parametrize("instrument", INSTRUMENTS.values(), ids=INSTRUMENTS)
@pytest.mark.parametrize("midi", [33, 45, 60, 72, 84])
def test_brightness_rises_with_touch(instrument, midi):
    # Askenfelt and Jansson 1993, "From touch to string vibrations III" (from memory)
    hertz = strings(midi, instrument).frequency
    bright = []
    for velocity in (20, 45, 70, 95, 120):
        power = spectrum(midi, velocity, instrument) ** 2
        bright.append(np.sum(power * hertz) / np.sum(power))
    assert np.all(np.diff(bright) > 0)
    assert bright[-1] > 1.25 * bright[0]


def test_soft_pedal_is_softer_and_duller():
    hertz = strings(60, GRAND).frequency
    usual, soft = spectrum(60, 70) ** 2, spectrum(60, 70, soft=True) ** 2
    assert 1 < 10 * np.log10(np.sum(usual) / np.sum(soft)) < 6
    assert np.sum(soft * hertz) / np.sum(soft) < np.sum(usual * hertz) / np.sum(usual)


def test_half_pedal_lets_the_bass_ring_and_stops_the_treble():
    # Common practice, no source
    assert damper_contact(1.0, 40) == 0
    assert damper_contact(0.0, 40) == 1
    assert damper_contact(0.5, 28) < 0.1 < 0.3 < damper_contact(0.5, 84)
    remaining = []
    for midi in (31, 79):
        sounds = [alone(midi, 0.3, pedal=((0.0, depth),)) for depth in (1.0, 0.5)]
        remaining.append(level(sounds[0], 0.6, 0.9) - level(sounds[1], 0.6, 0.9))
    bass_lost, treble_lost = remaining
    assert bass_lost < 3
    assert treble_lost > 12
