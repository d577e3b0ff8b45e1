"""What is printed about the pedals is obeyed (common practice, no source): words hold, *simile* repeats."""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from understave.acoustics.piano import GRAND
from understave.interpretation.pedal import pedal
from understave.interpretation.pedal_costs import grounds
from understave.interpretation.perform import FLUTTER, perform
from understave.interpretation.plan import Plan
from understave.interpretation.printed_pedal import Sign, held_by_sostenuto, printed_pedal
from understave.score.model import Direction, Score

sys.path.insert(0, str(Path(__file__).parent))

from small_readings import read_as

F = Fraction
MUSIC = "C3 E3 G3 C4 | D3 F3 A3 D4 | G2 D3 G3 B3 | C3 E3 G3 C4"
CHORDS = "C: I | ii | V | I"


def marked(*marks: tuple[float, str, str]) -> tuple[Score, object]:
    score, reading = read_as(MUSIC, CHORDS)
    made = tuple(Direction(f"m{i}", kind, F(t), None, 2, text) for i, (t, kind, text) in enumerate(marks))
    return replace(score, directions=made), reading


def test_words_hold_until_they_are_taken_back():
    score, _ = marked((0, "words", "con pedale"), (8, "words", "senza ped."), (2, "words", "una corda"))
    found = printed_pedal(score)
    assert found.asked == ((F(0), F(8)),)
    assert found.refused == ((F(8), F(16)),)
    assert found.shifted == ((F(2), F(16)),)
    assert not found.raised


def test_senza_sordini_raises_the_dampers_until_con_sordini():
    score, reading = marked((0, "words", "senza sordini"), (12, "words", "con sordini"))
    assert printed_pedal(score).raised == ((F(0), F(12)),)
    printed = pedal(score, reading, style="printed")
    assert [(m.moment, m.depth) for m in printed] == [(F(0), 1.0), (F(12), 0.0)]
    planned = pedal(score, reading)
    # On a modern piano the changes melt rather than stay away.
    assert all(m.late for m in planned if 0 < m.moment < 12 and m.depth > 0)
    assert all(m.depth == 0 for m in planned if m.moment >= 12)


def test_asking_in_words_is_asking():
    score, reading = marked((4, "words", "con pedale"))
    moves = pedal(score, reading, style="printed")
    assert [m.moment for m in moves] == [F(4), F(8), F(12)]
    assert all(m.origin == "printed" for m in moves)


def test_a_refusal_is_obeyed():
    score, reading = marked((0, "words", "senza pedale"))
    assert all(m.depth == 0 for m in pedal(score, reading))


def test_a_sign_takes_back_a_refusal():
    # Common practice, no source.
    score, reading = marked((0, "words", "senza ped."), (8, "pedal", "start"), (12, "pedal", "stop"))
    assert printed_pedal(score).refused == ((F(0), F(8)),)
    moves = pedal(score, reading)
    assert (moves[0].moment, moves[0].origin) == (F(8), "printed")
    assert moves[0].depth > 0


@pytest.mark.parametrize(
    ("words", "asked", "refused", "shifted"),
    [
        ("due pedali", True, False, True),
        ("con sord.", False, True, False),
        ("no ped.", False, True, False),
        ("sost. ped.", False, False, False),
    ],
)
def test_what_words_are_taken_for(words, asked, refused, shifted):
    found = printed_pedal(marked((4, "words", words))[0])
    assert (bool(found.asked), bool(found.refused), bool(found.shifted)) == (asked, refused, shifted)


def test_sans_sourdine_gives_the_left_pedal_back():
    found = printed_pedal(marked((0, "words", "sourdine"), (8, "words", "sans sourdine"))[0])
    assert found.shifted == ((F(0), F(8)),)


def test_simile_repeats_the_last_bars_signs():
    score, _ = marked(
        (0, "pedal", "start"), (3, "pedal", "stop"), (4, "words", "simile"), (12, "words", "senza ped.")
    )
    assert printed_pedal(score).signs == tuple(Sign(F(4 * k), F(4 * k + 3)) for k in range(3))


def test_simile_long_after_the_last_sign_means_something_else():
    score, _ = marked((0, "pedal", "start"), (3, "pedal", "stop"), (12, "words", "simile"))
    assert printed_pedal(score).signs == (Sign(F(0), F(3)),)


@pytest.mark.parametrize("style", ["printed", "planned"])
def test_a_printed_half_pedal_is_half(style):
    score, reading = marked()
    half = Direction("p0", "pedal", F(0), None, 2, "start", 0.5)
    stop = Direction("p1", "pedal", F(4), None, 2, "stop")
    score = replace(score, directions=(half, stop))
    first = pedal(score, reading, style=style)[0]
    assert (first.moment, first.depth, first.origin) == (F(0), 0.5, "printed")


def test_the_sostenuto_pedal_holds_the_keys_that_are_down_and_no_others():
    # MusicXML 4.0: <pedal type="sostenuto"> until <pedal type="stop">.
    score, _ = marked((0, "pedal", "sostenuto"), (8, "pedal", "sostenuto-stop"))
    assert printed_pedal(score).sustained == ((F(0), F(8)),)
    assert not printed_pedal(score).signs
    first, second = score.notes[0], score.notes[4]
    held = held_by_sostenuto(score.notes, printed_pedal(score).sustained)
    assert held == {note.id: F(8) for note in score.notes[:4]}
    plan = Plan(tempo=60.0)
    ends = {s.note: s.end for s in perform(score, plan).strikes}
    plainly = {s.note: s.end for s in perform(replace(score, directions=()), plan).strikes}
    assert ends[first.id] == pytest.approx(8.0)
    assert ends[second.id] == plainly[second.id]
    # The right pedal comes and goes over it.
    both, _ = marked(
        (0, "pedal", "sostenuto"),
        (2, "pedal", "start"),
        (4, "pedal", "stop"),
        (8, "pedal", "sostenuto-stop"),
    )
    assert printed_pedal(both).sustained == ((F(0), F(8)),)
    assert [(s.start, s.end) for s in printed_pedal(both).signs] == [(F(2), F(4))]
    # What the middle pedal holds needs no damper pedal: that may be changed over it.
    assert pedal_grounds(score).bass_held[1]
    assert not pedal_grounds(replace(score, directions=())).bass_held[1]


def pedal_grounds(score: Score):
    _, reading = marked()
    return grounds(score, reading, GRAND, 60.0)


@pytest.mark.parametrize(
    ("marks", "stretches"),
    [
        (((0, "pedal", "start"), (4, "pedal", "stop"), (0, "words", "flutter ped.")), ((0, 4),)),
        (((0, "pedal", "start"), (4, "pedal", "stop"), (2, "words", "Vibrato pedal")), ((2, 4),)),
        (((4, "words", "flutter pedal"), (8, "words", "senza ped.")), ((4, 8),)),
        (((4, "words", "flutter"), (8, "pedal", "start"), (12, "pedal", "stop")), ((4, 8),)),
        (((4, "words", "pédale vibrée"),), ((4, 16),)),
        (((0, "pedal", "start"), (4, "pedal", "stop"), (0, "words", "tremolo")), ()),
    ],
)
def test_a_foot_that_is_asked_to_tremble_does(marks, stretches):
    """Words from memory: Banowetz, "The Pianist's Guide to Pedaling", 1985. A tremolo is for the hands."""
    score, reading = marked(*marks)
    assert printed_pedal(score).fluttered == stretches
    for style in ("printed", "planned", "melting"):
        moves = pedal(score, reading, style=style)
        fluttering = [m for m in moves if m.flutter]
        assert [(m.moment, m.depth, m.origin) for m in fluttering] == [
            (a, FLUTTER, "printed") for a, _ in stretches
        ]
        for start, end in stretches:
            assert not any(start < m.moment < end for m in moves)
            assert end == 16 or any(m.moment == end for m in moves)
    assert not any(m.flutter for m in pedal(score, reading, style="each harmony"))


def test_after_a_printed_flutter_the_pedal_is_as_deep_as_it_would_have_been():
    plain, _ = marked((0, "words", "con pedale"))
    score, reading = marked(
        (0, "words", "con pedale"), (5, "words", "flutter ped."), (7, "words", "con ped.")
    )
    kept = {m.moment: m.depth for m in pedal(plain, reading, style="printed")}
    moves = {m.moment: m.depth for m in pedal(score, reading, style="printed")}
    assert moves == kept | {F(5): FLUTTER, F(7): kept[F(4)]}
