"""Blur: what counts, what does not, and how planning sees the same as the finished curve."""

from itertools import pairwise

import numpy as np
import pytest

from understave.acoustics.blur import Clashes, blur_curve, foreign_notes, worst_moments
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import EARLY, GRAND

CHORDS = ([48, 60, 64, 67], [43, 59, 62, 67], [45, 60, 64, 69], [41, 60, 65, 69])
HARMONY = tuple((2.0 * i, 2.0 * i + 2, frozenset(m % 12 for m in chord)) for i, chord in enumerate(CHORDS))
STRIKES = tuple(
    Strike(midi, 2.0 * i + 0.25 * j, 2.0 * i + 0.25 * j + 0.2, 70)
    for i, chord in enumerate(CHORDS)
    for j, midi in enumerate(chord * 2)
)
HELD = ((0.0, 1.0),)
CHANGED = tuple(
    point
    for start, _, _ in HARMONY
    for point in ((start - 0.02, 1.0), (start + 0.02, 0.0), (start + 0.2, 0.0), (start + 0.25, 1.0))
)


def mean_blur(pedal, instrument=GRAND, strikes=STRIKES, harmony=HARMONY):
    return float(np.mean(blur_curve(Performance(strikes, pedal), instrument, harmony).blur))


def test_a_pedal_held_through_blurs_and_one_changed_with_the_harmony_hardly():
    # Common practice, no source
    assert mean_blur(HELD) > 3 * mean_blur(CHANGED) > mean_blur(())
    assert mean_blur(()) < 0.05


def test_the_early_piano_bears_a_held_pedal_better():
    # Common practice, no source: early pedal markings held through changes were written for such instruments
    assert mean_blur(HELD, EARLY) < 0.5 * mean_blur(HELD)


def test_half_pedal_lies_between():
    assert mean_blur(()) < mean_blur(((0.0, 0.45),)) < mean_blur(HELD)


def test_a_rough_third_of_the_harmony_is_no_blur():
    low = (Strike(36, 0, 2, 80), Strike(40, 0, 2, 80), Strike(43, 0, 2, 80))
    assert mean_blur(HELD, strikes=low, harmony=((0.0, 4.0, frozenset({0, 4, 7})),)) == 0.0


def test_a_dissonance_under_the_finger_is_no_blur_until_the_finger_leaves_it():
    harmony = ((0.0, 4.0, frozenset({0, 4, 7})),)
    strikes = (Strike(48, 0, 3, 70), Strike(64, 0, 3, 70), Strike(65, 0.5, 1.5, 70))
    curve = blur_curve(Performance(strikes, HELD), GRAND, harmony)
    held, after = curve.times < 1.5, (curve.times > 1.6) & (curve.times < 2.5)
    assert np.all(curve.blur[held] == 0)
    assert np.all(curve.blur[after] > 0.2)


def test_a_semitone_left_ringing_is_about_one():
    strikes = (Strike(61, 0.0, 0.1, 70), Strike(60, 0.15, 2.0, 70))
    curve = blur_curve(Performance(strikes, HELD), GRAND, ((0.0, 9.0, frozenset({0})),))
    just_after = float(curve.roughness[np.searchsorted(curve.times, 0.2)])
    assert just_after == pytest.approx(1.0, abs=0.25)


def test_worst_moments_name_the_notes_that_clash():
    worst = worst_moments(Performance(STRIKES, HELD), GRAND, HARMONY)
    assert worst
    assert [w.blur for w in worst] == sorted((w.blur for w in worst), reverse=True) or len(worst) > 1
    for moment in worst:
        assert moment.start <= moment.moment <= moment.end
        members = next(m for start, end, m in HARMONY if start <= moment.moment + 1e-6 < end)
        for foreign, other, part in moment.pairs:
            assert foreign.midi % 12 not in members
            assert other.start <= moment.moment
            assert part > 0


def test_a_change_made_in_time_leaves_no_worst_moment():
    slow = tuple(Strike(m, 4.0 * i, 4.0 * i + 3.9, 70) for i, chord in enumerate(CHORDS) for m in chord)
    harmony = tuple((4.0 * i, 4.0 * i + 4, members) for i, (_, _, members) in enumerate(HARMONY))
    dry = Performance(slow, ())
    assert worst_moments(dry, GRAND, harmony, least=0.3) == ()
    assert worst_moments(Performance(slow, HELD), GRAND, harmony, least=0.3) != ()


def test_planning_sees_the_same_as_the_finished_curve():
    performance = Performance(STRIKES, CHANGED)
    curve = blur_curve(performance, GRAND, HARMONY, step=0.1)
    planned = Clashes(STRIKES, GRAND, HARMONY, curve.times).blur(CHANGED)
    assert np.allclose(planned.blur, curve.blur, atol=0.02)


def test_foreign_is_what_no_finger_holds_and_the_harmony_lacks():
    times = np.array([0.5, 1.5, 2.5, 9.0])
    strikes = (Strike(60, 0.0, 1.0, 70), Strike(64, 0.0, 2.0, 70))
    harmony = ((0.0, 2.0, frozenset({0})), (2.0, 4.0, frozenset({4})))
    found = foreign_notes(strikes, harmony, times)
    assert found.tolist() == [[False, False, True, False], [False, False, False, False]]


def test_no_notes_no_blur():
    assert blur_curve(Performance(()), GRAND, HARMONY).times.size == 0
    assert all(a <= b for a, b in pairwise(blur_curve(Performance(STRIKES), GRAND, HARMONY).times))
