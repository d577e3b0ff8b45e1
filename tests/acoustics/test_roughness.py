"""Roughness against Plomp & Levelt and Sethares."""

import numpy as np
import pytest

from understave.acoustics.blur import pair_table
from understave.acoustics.performance import Strike
from understave.acoustics.piano import GRAND
from understave.acoustics.ringing import string_table
from understave.acoustics.roughness import pair_roughness, rough_pairs, roughness


def critical_band(hertz):
    """Zwicker & Terhardt 1980."""
    return 25 + 75 * (1 + 1.4 * (hertz / 1000) ** 2) ** 0.69


@pytest.mark.parametrize("hertz", [125, 250, 500, 1000, 2000])
def test_two_pure_tones_are_roughest_near_a_quarter_of_the_critical_band(hertz):
    # Plomp & Levelt 1965, who tried these five frequencies
    apart = np.linspace(0.5, 1.5 * critical_band(hertz), 5000)
    curve = pair_roughness(hertz, apart)
    worst = apart[np.argmax(curve)]
    assert 0.15 < worst / critical_band(hertz + worst / 2) < 0.35
    assert curve[-1] < 0.12 * curve.max()


@pytest.mark.parametrize("partials", [6, 7])
@pytest.mark.parametrize("ratio", [6 / 5, 5 / 4, 4 / 3, 3 / 2, 5 / 3, 2 / 1])
def test_dissonance_curve_has_a_minimum_at_each_simple_ratio(partials, ratio):
    # Sethares 1993: a tone of six or seven partials on 500 Hz, each 0.88 times the one below
    number = np.arange(1, partials + 1)
    strength = 0.88 ** (number - 1)
    steps = np.linspace(1.01, 2.2, 4000)
    curve = np.array(
        [roughness(np.r_[500 * number, 500 * s * number], np.r_[strength, strength]) for s in steps]
    )
    low = steps[1:-1][(curve[1:-1] < curve[:-2]) & (curve[1:-1] <= curve[2:])]
    assert np.min(np.abs(1200 * np.log2(low / ratio))) < 12


def test_pairs_left_out_are_less_than_a_hundredth_of_the_peak():
    hertz = np.sort(np.random.default_rng(1).uniform(50, 4000, 60))
    one, other, _ = rough_pairs(hertz)
    near = {(int(a), int(b)) for a, b in zip(one, other, strict=True)}
    peak = float(np.max(pair_roughness(500, np.linspace(1, 100, 500))))
    left = [(a, b) for a in range(60) for b in range(a + 1, 60) if (a, b) not in near]
    assert near
    assert left
    assert all(float(pair_roughness(hertz[a], hertz[b] - hertz[a])) < 0.01 * peak for a, b in left)


def test_table_of_pairs_orders_intervals_as_the_ear_does():
    # Order of consonance of intervals above middle C: Helmholtz 1863, ch. X (from memory)
    table = pair_table()
    octave, fifth, third, second, semitone = (table[60, 60 + n] for n in (12, 7, 4, 2, 1))
    assert octave < fifth < third < second < semitone
    assert semitone == pytest.approx(1.0, abs=0.02)
    assert np.allclose(table, table.T)


def test_table_of_pairs_agrees_with_adding_up_all_partials():
    table = string_table([Strike(55, 0, 1, 70), Strike(58, 0, 1, 70)], GRAND, partials=14)
    unit = string_table([Strike(60, 0, 1, 70), Strike(61, 0, 1, 70)], GRAND, partials=14)

    def across(t):
        both = roughness(t.frequency.ravel(), t.amplitude.ravel())
        own = sum(roughness(t.frequency[i], t.amplitude[i]) for i in (0, 1))
        return (both - own) / t.amplitude.sum()

    assert pair_table()[55, 58] == pytest.approx(across(table) / across(unit), rel=1e-6)
