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
