"""Recorded performances laid on their scores, and planned loudness against them (open data, evaluation)."""

from __future__ import annotations

from fractions import Fraction
from itertools import compress, pairwise, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

pytest.importorskip("mido")

from benchmarks import dynamics, melody, performances
from tests.findings.build import build

from understave.acoustics.performance import Performance, Strike
from understave.score.model import Measure

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


@given(st.lists(st.integers(0, 9), max_size=8), st.integers(0, 40))
def test_parts_are_left_out_as_trying_all_ways_would(sizes, surplus):
    ways = [w for w in product((False, True), repeat=len(sizes)) if sum(compress(sizes, w)) == surplus]
    assert performances.left_out(sizes, surplus) == (ways[0] if ways else None)


@given(st.lists(st.integers(-9, 9).filter(bool), min_size=1, max_size=30))
def test_the_best_way_to_take_many_repeats_is_found_in_few_tries(gains):
    tries = []

    def fit(taken):
        tries.append(taken)
        return sum(compress(gains, taken))

    assert performances.best_taken(len(gains), fit) == tuple(g > 0 for g in gains)
    assert len(tries) <= max(32, 8 * len(gains) + 2)


def test_repeats_are_played_out_bar_by_bar():
    bars = tuple(
        Measure(f"m{i}", i, str(i + 1), Fraction(4 * i), Fraction(4), 4, 4, 0, repeat_end=i in (2, 5),
                repeat_start=i == 4, ending=(1,) if i == 2 else ())
        for i in range(7)
    )  # fmt: skip
    repeats = performances.repeats_of(bars)
    assert repeats == [(0, 2), (4, 5)]
    assert performances.order_of(bars, repeats, (True, False)) == (0, 1, 2, 0, 1, 3, 4, 5, 6)
    assert performances.order_of(bars, repeats, (False, True)) == (0, 1, 3, 4, 5, 4, 5, 6)


def test_how_the_melody_is_voiced_is_counted_as_stated():
    """Two invented pianists on a tune over held chords; one lets the tune lead, one the lowest note."""
    score = build("E5:1 F5 G5 A5 | G5:1 F5 E5 D5", "staff2 C3+G3:4 | B2+G3:4")
    tune = {n.id for n in score.notes if n.staff == 1}
    assert {n.id for n in melody.melody_of(score)} == tune

    def played(leading: int) -> performances.Performed:
        strikes = tuple(
            Strike(n.midi, n.at / 2, n.at / 2 + 0.4, 80.0 if n.staff == leading else 60.0, n.id)
            for n in score.notes
        )
        return performances.Performed("one", Performance(strikes), (), (), ())

    found = melody.voiced(score, [played(1)])
    assert (found.melody, found.top, found.above, found.count) == (1.0, 1.0, 20.0, 0)
    assert found.chance == pytest.approx(1 / 3)
    assert melody.voiced(score, [played(2)]).melody == 0.0
    assert melody.voiced(score, [played(1), played(2)]).melody == 0.5
    # Played twice, a chord is two chords.
    twice = played(1).performance.strikes + played(2).performance.strikes
    again = performances.Performed("two", Performance(twice), (), (), ())
    assert melody.voiced(score, [again]).melody == 0.5
