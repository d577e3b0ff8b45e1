"""Whether to pedal at all: less in earlier and in thin music, more for what fingers must leave.

Common practice, no source, for each sign; the years are those of `understave.score.composers`.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from understave.acoustics.piano import GRAND
from understave.interpretation.pedal import pedal
from understave.interpretation.pedal_costs import grounds
from understave.interpretation.pedal_habit import born_about, habit, instrument_of
from understave.score.model import Direction, Score

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "wording"))

from small_readings import read_as, score_of

F = Fraction


def by(composer: str, score: Score | None = None) -> Score:
    return replace(score or score_of([(F(0), F(1), "C4")]), composer=composer)


def test_the_earlier_the_composer_the_less_pedal():
    names = ("Bach, Johann Sebastian", "Haydn, Joseph", "Schubert, Franz", "Schumann, Robert")
    habits = [habit(by(name)) for name in names]
    assert habits == sorted(habits)
    assert habits[0] < 0.5 < habits[1] < 2 < habits[2]


def test_years_beside_an_unknown_name_are_believed():
    assert born_about(by("Waterstone (1690-1750)")) == 1690


def test_without_a_name_the_print_and_the_keyboard_tell():
    many = [(F(k, 2), F(1, 2), name) for k, name in enumerate(["C4", "E4", "G4", "C5"] * 60)]
    plain = score_of(many)
    assert instrument_of(plain) == "harpsichord"
    loud = replace(plain, directions=(Direction("d", "dynamic", F(0), None, 1, "f"),))
    assert instrument_of(loud) == "five octaves"
    assert instrument_of(score_of([*many, (F(0), F(1), "C7")])) == "later"
    pedalled = replace(plain, directions=(Direction("d", "pedal", F(0), None, 2, "start"),))
    assert instrument_of(pedalled) == "later"
    # A few notes without a mark say nothing.
    assert instrument_of(score_of(many[:8])) == "later"


def _wanted(notes: list[tuple[Fraction, Fraction, str]]) -> float:
    _, reading = read_as("C3 | C3", "C: I | I")
    g = grounds(score_of(notes), reading, GRAND, 90)
    return float(np.mean(g.wanted))


def test_broken_chords_ask_for_more_than_runs():
    broken = [(F(k, 2), F(1, 2), n) for k, n in enumerate(["C3", "G3", "E4", "G3"] * 4)]
    run = [(F(k, 2), F(1, 2), n) for k, n in enumerate(["C4", "D4", "E4", "F4", "G4", "F4", "E4", "D4"] * 2)]
    assert _wanted(broken) > _wanted(run) + 0.2


def test_full_chords_ask_for_more_than_two_lines():
    full = [(F(k), F(1), n) for k in range(8) for n in ("C3", "G3", "E4", "C5")]
    thin = [(F(k), F(1), n) for k in range(8) for n in ("C3", "C5")]
    assert _wanted(full) > _wanted(thin)


COUNTERPOINT = [
    (F(k, 2), F(1, 2), n) for k, n in enumerate(["C5", "D5", "E5", "F5", "G5", "F5", "E5", "D5"] * 2)
] + [(F(k, 2), F(1, 2), n) for k, n in enumerate(["C4", "B3", "C4", "D4", "E4", "D4", "C4", "B3"] * 2)]


def test_two_part_counterpoint_of_bachs_time_goes_without():
    score, reading = read_as("C3 | C3", "C: I | I")
    score = by("Bach, Johann Sebastian", score_of(COUNTERPOINT))
    assert all(m.depth == 0 for m in pedal(score, reading))


@pytest.mark.parametrize(("chord", "depth"), [("C2 E2 G2 C4", 0.75), ("C2 G2 E3 C4", 1.0)])
def test_thick_low_chords_are_not_pedalled_to_the_ground(chord, depth):
    score, reading = read_as(f"{chord} | {chord}", "C: I | I")
    assert pedal(by("Chopin, Frédéric", score), reading)[0].depth == depth
