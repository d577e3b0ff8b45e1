"""Recorded performances laid on their scores, and planned loudness against them (open data, evaluation)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

pytest.importorskip("mido")

from benchmarks import dynamics, performances

SMALL = ("schubert-moment-musical-no-3", "schumann-kreisleriana-4", "schumann-kreisleriana-6")


def recorded(name: str) -> performances.Recorded:
    found = {r.name: r for r in performances.pieces()}
    if name not in found:
        pytest.skip("the recorded performances are not on this machine")
    return found[name]


@pytest.mark.parametrize("name", SMALL)
def test_nearly_every_strike_is_a_written_note(name):
    score, performed = performances.read_piece(recorded(name))
    assert performed
    for p in performed:
        strikes = p.performance.strikes
        named = [s for s in strikes if s.note]
        assert len(named) > 0.95 * len(strikes)
        assert all(score.note_by_id[s.note].midi == s.midi for s in named)
        at = dict(zip(strikes, p.times, strict=True))
        off = [abs(at[s] - float(score.note_by_id[s.note].onset)) for s in named]
        assert np.median(off) < 0.1


def test_seconds_and_written_moments_lead_to_each_other():
    _, performed = performances.read_piece(recorded(SMALL[0]))
    for seconds, moment in performed[0].beats[5:-5:7]:
        assert performances.to_score(performed[0], seconds) == pytest.approx(moment)
        assert performances.to_seconds(performed[0], moment) == pytest.approx((seconds,))


def test_repeats_are_found_and_played_twice():
    _, performed = performances.read_piece(recorded("schumann-arabeske"))
    for p in performed:
        # Three repeats printed, all taken.
        assert len(p.runs) == 4
        assert all(b.moments[0] < a.moments[-1] for a, b in pairwise(p.runs))
        inside = (p.runs[1].moments[0] + p.runs[0].moments[-1]) / 2
        assert len(performances.to_seconds(p, inside)) == 2


@pytest.mark.parametrize("name", SMALL)
def test_the_plan_is_nearer_to_pianists_than_print_alone(name):
    score, performed = performances.read_piece(recorded(name))
    figures = dynamics.measure(score, performed, dynamics.planned(score), name)
    assert figures.notes["plan"] > figures.notes["printed"]
    assert figures.beats["plan"] > figures.beats["printed"]
    if figures.another_notes is not None:
        assert figures.notes["plan"] < figures.another_notes < 1
