"""What rings: levels against the rendered sound, and the pedal line against adding up by hand."""

import numpy as np
import pytest

from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import GRAND, INSTRUMENTS, damper_contact
from understave.acoustics.ringing import (
    contact_integral,
    pedal_depth,
    ringing,
    sounding_level,
)
from understave.acoustics.sound import strings_alone

RATE = 44_100
CHORDS = (
    [48, 55, 64, 72],
    [43, 59, 62, 67],
    [45, 60, 64, 69],
    [41, 60, 65, 69],
    [36, 52, 67, 76],
    [48, 60, 64, 84],
)
STRIKES = tuple(
    Strike(midi, 0.1 + 0.6 * i, 0.6 + 0.6 * i, 60 + 5 * j)
    for i, chord in enumerate(CHORDS)
    for j, midi in enumerate(chord)
)


def differences(performance, instrument, starts, seconds):
    """Rendered above predicted level, dB, over stretches of `seconds` from each of `starts`."""
    sound = strings_alone(performance, instrument).astype(float)
    moments = np.asarray(starts)[:, None] + np.linspace(0, seconds, 60)
    predicted = 10 ** (sounding_level(performance, instrument, moments.ravel()) / 10)
    rendered = [np.mean(sound[int(s * RATE) : int((s + seconds) * RATE)] ** 2) for s in starts]
    return 10 * np.log10(rendered / np.mean(predicted.reshape(moments.shape), axis=1))


@pytest.mark.parametrize(
    "pedal",
    [(), ((0, 1.0),), ((0, 0.5),), ((0, 1.0), (1.3, 1.0), (1.35, 0.0), (1.5, 0.0), (1.6, 1.0))],
    ids=["up", "down", "half", "changed"],
)
def test_rendered_chords_are_as_loud_as_predicted(pedal):
    performance = Performance(STRIKES, pedal)
    assert np.max(np.abs(differences(performance, GRAND, np.arange(0.1, 3.7, 0.3), 0.3))) < 1.0


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_rendered_keys_are_as_loud_as_predicted(name):
    instrument = INSTRUMENTS[name]
    keys = range(instrument.lowest, instrument.highest + 1, 5)
    found = [differences(Performance((Strike(k, 0, 2, 70),)), instrument, [0.05], 0.5)[0] for k in keys]
    assert abs(np.mean(found)) < 0.3
    assert np.max(np.abs(found)) < 1.2


def test_contact_adds_up_along_a_curved_pedal_line():
    pedal = ((1.0, 1.0), (1.4, 0.0), (2.0, 0.0), (2.5, 0.6))
    moments = np.linspace(1.0, 4.0, 30_001)
    contact = damper_contact(pedal_depth(pedal, moments), 50)
    by_hand = np.concatenate([[0], np.cumsum((contact[1:] + contact[:-1]) / 2) * 1e-4])
    function = contact_integral(pedal, 50)
    assert np.allclose(function(moments) - function(np.array([1.0])), by_hand, atol=2e-3)


def test_pedal_is_up_before_its_first_point_and_stays_after_its_last():
    assert list(pedal_depth(((1.0, 1.0), (2.0, 0.4)), [0.5, 1.0, 1.5, 9.0])) == [0.0, 1.0, 0.7, 0.4]


def test_what_rings_and_why():
    strikes = (
        Strike(48, 0, 0.5, 70),
        Strike(64, 0.5, 2, 70),
        Strike(100, 0.55, 0.6, 70),
        Strike(50, 3, 4, 70),
    )
    found = {r.strike.midi: r.by for r in ringing(Performance(strikes, ((0.2, 1.0),)), GRAND, 0.65)}
    assert found == {48: "pedal", 64: "finger", 100: "no damper"}
    without = ringing(Performance(strikes), GRAND, 0.65)
    assert {r.strike.midi: r.by for r in without} == {48: "dying away", 64: "finger", 100: "no damper"}
    assert [r.level for r in without] == sorted((r.level for r in without), reverse=True)


def test_a_key_struck_again_is_one_sound():
    twice = Performance((Strike(60, 0, 0.4, 70), Strike(60, 0.5, 1.0, 70)), ((0, 1.0),))
    assert [r.strike.start for r in ringing(twice, GRAND, 0.8)] == [0.5]
