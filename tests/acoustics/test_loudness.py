"""Weights and loudness against the standards' own tables."""

import numpy as np
import pytest

from understave.acoustics.loudness import a_weight, k_weight, loudness


def test_full_scale_sine_is_minus_three_lkfs():
    # Recommendation ITU-R BS.1770-4, annex 1: a 0 dB full-scale sine of 997 Hz in one front channel
    # reads -3.01 LKFS
    tone = np.sin(2 * np.pi * 997 * np.arange(3 * 48_000) / 48_000)
    assert loudness(tone, 48_000) == pytest.approx(-3.01, abs=0.05)
    assert loudness(np.stack([tone, tone], 1), 48_000) == pytest.approx(0.0, abs=0.05)


def test_gate_leaves_silence_out():
    # BS.1770-4: blocks below -70 LKFS do not count
    tone = 0.1 * np.sin(2 * np.pi * 997 * np.arange(48_000 * 4) / 48_000)
    padded = np.concatenate([tone, np.zeros(48_000 * 12)])
    assert loudness(padded, 48_000) == pytest.approx(loudness(tone, 48_000), abs=0.3)
    assert loudness(np.zeros(48_000), 48_000) == -np.inf


@pytest.mark.parametrize(
    ("hertz", "decibels"),
    [(31.5, -39.4), (100, -19.1), (500, -3.2), (1000, 0.0), (4000, 1.0), (10_000, -2.5)],
)
def test_a_weighting(hertz, decibels):
    # IEC 61672-1, table of frequency weightings
    assert 10 * np.log10(float(a_weight(hertz))) == pytest.approx(decibels, abs=0.15)


def test_k_weighting_lifts_the_treble_by_four_decibels():
    # BS.1770-4, figure 2: a shelf of about +4 dB above 2 kHz
    assert 10 * np.log10(float(k_weight(10_000))) == pytest.approx(4.0, abs=0.15)
    assert 10 * np.log10(float(k_weight(30))) < -3


def test_the_weight_is_that_of_the_two_filters_as_printed():
    """BS.1770-4, tables 1 and 2: numerator and denominator in powers of one sample's delay, at 48 kHz."""
    filters = (
        ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1, -1.69065929318241, 0.73248077421585)),
        ((1.0, -2.0, 1.0), (1, -1.99004745483398, 0.99007225036621)),
    )
    hertz = np.array([10.0, 38.0, 100.0, 997.0, 4000.0, 12_000.0, 20_000.0])
    delay = np.exp(-2j * np.pi * hertz / 48_000)
    response = np.prod([np.polyval(b[::-1], delay) / np.polyval(a[::-1], delay) for b, a in filters], axis=0)
    assert k_weight(hertz) == pytest.approx(np.abs(response) ** 2, rel=1e-6)
