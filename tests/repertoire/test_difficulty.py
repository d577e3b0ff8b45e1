"""Pairs that any teacher would order (common practice, no source): the second of each is harder."""

from fractions import Fraction

import pytest
from repertoire_scores import CADENCE, piano

from understave.repertoire import difficulty_of
from understave.repertoire.difficulty import COMPONENTS

HALF = Fraction(1, 2)
TRIADS = "C3 E4 G4 | F3 F4 A4 | G3 D4 G4 | C3 E4 G4"
OCTAVES = "C3 E4 E5 | F3 F4 F5 | G3 D4 D5 | C3 E4 E5"
TENTHS = "C3 E4 G5 | F3 F4 A5 | G3 D4 F5 | C3 E4 G5"
STEPS = "C3 E4 | C3 F4 | C3 G4 | C3 F4"
JUMPS = "C3 E4 | C3 F6 | C3 G4 | C3 F6"
ONE_LINE = "C4 | D4 | E4 | F4"
FOUR_PARTS = "C3 G3 E4 C5 | G2 G3 D4 B4 | C3 G3 E4 C5 | F2 A3 F4 C5"


def component(score, name):
    return next(c for c in difficulty_of(score).components if c.name == name)


@pytest.mark.parametrize(
    ("name", "easier", "harder"),
    [
        ("speed", piano(STEPS, 1), piano(STEPS, HALF, times=2)),
        ("speed", piano(STEPS, 1, tempo=60), piano(STEPS, 1, tempo=140)),
        ("hand span", piano(TRIADS), piano(OCTAVES)),
        ("hand span", piano(OCTAVES), piano(TENTHS)),
        ("leaps", piano(STEPS, 1), piano(JUMPS, 1)),
        ("leaps", piano(JUMPS, 1, tempo=60), piano(JUMPS, 1, tempo=120)),
        ("polyphony", piano(ONE_LINE), piano(TRIADS)),
        ("polyphony", piano(TRIADS), piano(FOUR_PARTS)),
        ("key", piano(TRIADS), piano(TRIADS, up="M2")),
        ("key", piano(TRIADS, up="M2"), piano(TRIADS, up="M7")),
        ("key", piano(TRIADS), piano("C3 E4 G4 | Db3 F4 Ab4 | G3 D4 G4 | C3 E4 G4")),
        ("rhythm", piano(STEPS, 1), piano(STEPS, Fraction(1, 3), times=3)),
        ("rhythm", piano(STEPS, 1), piano(STEPS, Fraction(3, 2))),
    ],
)
def test_harder(name, easier, harder):
    assert component(easier, name).value < component(harder, name).value
    assert difficulty_of(easier).total < difficulty_of(harder).total


def test_grows_with_speed_without_a_step_back():
    totals = [difficulty_of(piano(CADENCE, 1, times=2, tempo=t)).total for t in range(40, 200, 10)]
    assert totals == sorted(totals)
    assert totals[0] < totals[-1]


def test_first_pieces_and_virtuoso_writing_lie_apart():
    first = piano("C4 | D4 | E4 | F4 | G4 | F4 | E4 | D4", 1)
    wild = piano("C2 C3 G5 E6 | F#3 A#3 C#4 F#4 | B1 B2 D#5 B6 | F#2 C#4 A#5 E6", Fraction(1, 4), times=4,
                 up="A1", tempo=150)  # fmt: skip
    assert difficulty_of(first).level == "beginner"
    assert difficulty_of(wild).level == "advanced"


def test_every_component_is_explained_with_its_place():
    found = difficulty_of(piano(STEPS + " | " + JUMPS, 1))
    assert tuple(c.name for c in found.components) == COMPONENTS
    leaps = next(c for c in found.components if c.name == "leaps")
    assert leaps.bar_number == "2"
    assert leaps.hand == "right hand"
    assert "bar 2" in leaps.sentence
    assert all(0 <= c.value <= 10 for c in found.components)


def test_a_singer_above_makes_it_no_harder():
    """The pianist plays the piano part only."""
    from dataclasses import replace

    from understave.score.model import Note, Part
    from understave.theory.pitch import Pitch

    alone = piano(TRIADS)
    high, quarter = Pitch.parse("C6"), Fraction(1, 4)
    sung = tuple(
        Note(f"s{i}", i * quarter, quarter, high, high, 1, "1", 0, i // 16, (f"s{i}",)) for i in range(32)
    )
    lower = tuple(replace(n, staff=n.staff + 1, part=1) for n in alone.notes)
    both = replace(
        alone,
        parts=(Part("P1", "Voice", 1, 1), Part("P2", "Piano", 2, 3)),
        notes=tuple(sorted(sung + lower, key=lambda n: (n.onset, n.midi))),
    )
    assert difficulty_of(both) == difficulty_of(alone)
