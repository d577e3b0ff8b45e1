"""The rendered sound, measured: evenness, clicks, pedal, room."""

from dataclasses import replace

import numpy as np
import pytest

from understave.acoustics.files import STEADY_RATE, resample
from understave.acoustics.loudness import k_weight
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import EARLY, GRAND, INSTRUMENTS, SHIFTED_AFTER_DB
from understave.acoustics.room import SECONDS, _quick
from understave.acoustics.sound import render, strings_alone

RATE = 44_100


def weighted(sound, start, end):
    """K-weighted level in dB of a stretch (seconds) of stereo sound."""
    part = sound[int(start * RATE) : int(end * RATE)].astype(float)
    power = np.abs(np.fft.rfft(part, axis=0)) ** 2
    weight = k_weight(np.fft.rfftfreq(part.shape[0], 1 / RATE))
    return 10 * np.log10(2 * np.sum(power * weight[:, None]) / part.shape[0] ** 2 / 2)


def level(sound, start, end):
    return 10 * np.log10(np.mean(sound[int(start * RATE) : int(end * RATE)].astype(float) ** 2) + 1e-20)


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_equal_touch_is_equally_loud_over_the_keyboard(name):
    instrument = INSTRUMENTS[name]
    keys = [k for k in range(24, 97, 6) if instrument.has_key(k)]
    loud = [weighted(render(Performance((Strike(k, 0, 0.5, 70),)), instrument), 0, 0.15) for k in keys]
    assert max(loud) - min(loud) < 4


def test_the_answers_of_the_room_are_reckoned_at_lengths_without_large_factors():
    """At 44.1 kHz they are 50714 samples long, 2 x 25357, a prime: fifteen times as dear as the next."""
    for rate in (8000, 22_050, 44_100, 48_000):
        length = int(SECONDS * rate)
        size = left = _quick(length)
        for factor in (2, 3, 5):
            while left % factor == 0:
                left //= factor
        assert left == 1
        assert length <= size <= 1.05 * length


def test_nothing_clicks():
    """A click has energy above all partials, which end at 10 kHz: none is found away from the blows."""
    chance = np.random.default_rng(4)
    strikes = tuple(
        Strike(
            int(midi),
            0.2 + 0.4 * i,
            0.2 + 0.4 * i + chance.uniform(0.05, 1.0),
            float(chance.uniform(20, 125)),
        )
        for i in range(12)
        for midi in chance.choice(np.arange(21, 109), 3, replace=False)
    )
    repeated = tuple(Strike(60, 0.2 + 0.1 * i, 0.28 + 0.1 * i, 80) for i in range(40))
    pedal = ((1, 0), (1.02, 1), (2.5, 1), (2.5, 0), (3, 0.5), (3.5, 1), (4.2, 0))
    performance = Performance(tuple(sorted(strikes + repeated, key=lambda s: s.start)), pedal)
    sound = strings_alone(performance, GRAND).astype(float)
    spectrum = np.fft.rfft(sound)
    spectrum[np.fft.rfftfreq(sound.size, 1 / RATE) < 12_500] = 0
    high = np.fft.irfft(spectrum, sound.size)
    frames = high[: high.size // 220 * 220].reshape(-1, 220)
    middle = (np.arange(frames.shape[0]) + 0.5) * 220 / RATE
    starts = np.array([s.start for s in performance.strikes])
    away = np.min(np.abs(middle[:, None] - starts[None, :]), axis=1) > 0.02
    loudest = level(sound, 0, sound.size / RATE)
    assert 10 * np.log10(np.max(np.mean(frames[away] ** 2, axis=1))) < loudest - 85
    assert 10 * np.log10(np.max(np.mean(frames**2, axis=1))) < loudest - 45


def test_pedal_is_heard_when_it_goes_down_and_up():
    strikes = (Strike(48, 0, 0.3, 80), Strike(55, 0, 0.3, 80), Strike(64, 0, 0.3, 80))
    dry = render(Performance(strikes), GRAND)
    held = render(Performance(strikes, ((0.1, 0.0), (0.15, 1.0))), GRAND)
    lifted = render(Performance(strikes, ((0.1, 0.0), (0.15, 1.0), (1.5, 1.0), (1.55, 0.0))), GRAND)
    assert level(held, 1.0, 1.4) > level(dry, 1.0, 1.4) + 25
    assert level(lifted, 1.0, 1.4) == pytest.approx(level(held, 1.0, 1.4), abs=0.1)
    assert level(lifted, 2.2, 2.6) < level(held, 2.2, 2.6) - 15


def test_open_strings_answer_under_the_pedal():
    """With the pedal down, a key held by the finger is joined by other strings; they go when it comes up."""
    held_key = (Strike(60, 0.5, 3.0, 90),)
    alone, open_strings = (
        render(Performance(held_key, pedal), GRAND).mean(axis=1).astype(float)
        for pedal in ((), ((0.0, 1.0), (2.0, 1.0), (2.05, 0.0)))
    )
    halo = open_strings - alone
    assert -35 < level(halo, 0.8, 1.8) - level(alone, 0.8, 1.8) < -8
    assert level(halo, 2.6, 3.0) < level(halo, 0.8, 1.8) - 20


def test_bass_comes_from_the_left_and_treble_from_the_right():
    for midi, louder in ((33, 0), (93, 1)):
        sound = render(Performance((Strike(midi, 0, 0.5, 70),)), GRAND)
        power = np.mean(sound.astype(float) ** 2, axis=0)
        assert power[louder] > 1.3 * power[1 - louder]


def test_folding_to_mono_loses_little_and_stays_even():
    """A telephone plays one channel: no key may sink when both are added (common practice, no source)."""
    loss, mono = [], []
    for key in range(24, 97, 6):
        sound = render(Performance((Strike(key, 0, 0.5, 70),)), GRAND)
        folded = np.repeat(sound.mean(axis=1)[:, None], 2, axis=1)
        mono.append(weighted(folded, 0, 0.15))
        loss.append(weighted(sound, 0, 0.15) - mono[-1])
    assert max(loss) < 2
    assert max(mono) - min(mono) < 5


def test_the_pedals_noise_is_dull_and_far_below_a_soft_chord():
    chord = tuple(Strike(k, 0, 2, 30) for k in (60, 64, 67))
    plain = render(Performance(chord), GRAND).mean(axis=1).astype(float)
    pressed = render(Performance(chord, ((0.9, 0.0), (1.0, 1.0))), GRAND).mean(axis=1).astype(float)
    noise = (pressed - plain)[int(0.9 * RATE) : int(1.2 * RATE)]
    assert level(noise, 0, 0.3) < level(plain, 0.1, 0.6) - 20
    power = np.abs(np.fft.rfft(noise)) ** 2
    hertz = np.fft.rfftfreq(noise.size, 1 / RATE)
    assert power[hertz > 2000].sum() < 0.05 * power.sum()
    assert power[hertz > 6000].sum() < 1e-4 * power.sum()


def test_dampers_are_heard_to_land_on_low_strings_only():
    """Heavy felt on a swinging bass string (technicians' reports; the amount by ear): not up high, not under
    the pedal, and far below the note.
    """
    quiet = replace(GRAND, landing=0.0)

    def landing(key, pedal=()):
        strikes = (Strike(key, 0.0, 0.5, 80),)
        heard, without = (render(Performance(strikes, pedal), piano).mean(axis=1) for piano in (GRAND, quiet))
        return level((heard - without).astype(float), 0.5, 0.7) - level(without.astype(float), 0.1, 0.4)

    assert -50 < landing(33) < -20
    assert landing(33) > landing(57) + 4
    assert landing(72) < -150
    assert landing(33, ((0.0, 1.0), (2.0, 1.0))) < -150


def test_the_lengths_behind_the_bridge_ring_on_high_above_a_damped_treble():
    """Makers leave the lengths behind the treble's bridge free and tune them to an upper partial (duplex
    scale): no damper reaches them.
    """
    plain = replace(GRAND, duplex=0.0)
    strikes = (Strike(76, 0.0, 0.2, 90),)
    ring, without = (
        render(Performance(strikes), piano).mean(axis=1).astype(float) for piano in (GRAND, plain)
    )

    def above(sound, first, last):
        part = sound[int(first * RATE) : int(last * RATE)]
        power = np.abs(np.fft.rfft(part)) ** 2
        hertz = np.fft.rfftfreq(part.size, 1 / RATE)
        return 10 * np.log10(power[(hertz > 1700) & (hertz < 2300)].sum() / part.size)

    assert above(ring, 0.35, 0.6) > above(without, 0.35, 0.6) + 3
    assert abs(level(ring, 0.02, 0.2) - level(without, 0.02, 0.2)) < 0.5


def test_a_keyboard_without_a_treble_has_nothing_that_rings_behind_its_bridge():
    short = replace(GRAND, highest=60)
    sound = render(Performance((Strike(48, 0.0, 0.2, 90),)), short)
    assert np.isfinite(sound).all()
    assert sound.any()


def _centre(sound):
    part = sound[: RATE // 2].mean(axis=1).astype(float)
    power = np.abs(np.fft.rfft(part)) ** 2
    return float((power * np.fft.rfftfreq(part.size, 1 / RATE)).sum() / power.sum())


def test_loud_is_much_brighter_than_soft_and_the_shift_is_darker():
    """That the spectrum flattens with touch: Askenfelt & Jansson, JASA 93, 1993 (from memory)."""
    soft, loud = (_centre(render(Performance((Strike(60, 0, 0.5, v),)), GRAND)) for v in (20, 120))
    assert loud > 2.5 * soft
    plain = render(Performance((Strike(60, 0, 0.5, 60),)), GRAND)
    shifted = render(Performance((Strike(60, 0, 0.5, 60, soft=True),)), GRAND)
    assert _centre(shifted) < 0.93 * _centre(plain)
    assert 1 < level(plain, 0, 0.3) - level(shifted, 0, 0.3) < 6


def test_the_shifted_tone_sings_on_longer_after_its_blow():
    # Weinreich 1977: with una corda the after-sound is relatively stronger.
    plain, shifted = (
        strings_alone(Performance((Strike(60, 0, 4.0, 60, soft=soft),)), GRAND).astype(float)
        for soft in (False, True)
    )

    def falls(sound):
        first, later = sound[: RATE // 5], sound[int(1.8 * RATE) : 2 * RATE]
        return 10 * np.log10(np.mean(first**2) / np.mean(later**2))

    assert 1.0 < falls(plain) - falls(shifted) < SHIFTED_AFTER_DB + 1


def test_room_is_soft_and_short():
    sound = render(Performance((Strike(72, 0, 0.15, 80),)), EARLY)
    assert level(sound, 0, 0.15) - level(sound, 0.5, 0.6) > 25
    assert level(sound, 1.6, 1.8) < level(sound, 0, 0.15) - 60


def test_progress_rises_to_one_and_shape_is_stereo():
    told = []
    sound = render(
        Performance(tuple(Strike(60 + i, i * 0.1, i * 0.1 + 0.1, 60) for i in range(20))),
        GRAND,
        22_050,
        told.append,
    )
    assert sound.dtype == np.float32
    assert sound.shape[1] == 2
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_the_same_performance_sounds_the_same():
    performance = Performance((Strike(60, 0, 0.5, 70), Strike(64, 0.2, 0.9, 50)), ((0.1, 1.0),))
    assert np.array_equal(render(performance, GRAND), render(performance, GRAND))


def test_silence_is_silent():
    assert not np.any(render(Performance(()), GRAND))


def test_the_sound_of_pages_is_the_same_sound_in_mono_at_a_lower_rate():
    """Starts lie on frames of both rates, so that the very waves can be compared."""
    strikes = tuple(Strike(33 + 7 * k % 60, 0.3 * k, 0.3 * k + 0.5, 40.0 + 5 * (k % 12)) for k in range(16))
    pedal = ((0.5, 0.0), (0.6, 1.0), (2.0, 1.0), (2.1, 0.0), (2.4, 1.0), (4.0, 1.0), (4.1, 0.0))
    performance = Performance(strikes, pedal)
    stereo = render(performance, GRAND)
    wanted = resample(stereo.mean(axis=1), RATE, STEADY_RATE)
    mono = render(performance, GRAND, STEADY_RATE, mono=True)[: len(wanted)]
    assert np.mean(np.square(stereo[:, 0] - stereo[:, 1])) > 1e-3 * np.mean(np.square(stereo))
    # What differs lies 55 dB under the sound, which masks it (common practice, no source).
    assert np.mean(np.square(mono - wanted[: len(mono)])) < 10**-5.5 * np.mean(np.square(wanted))
