"""Timing: modest bends at phrase ends and before resolutions, none on request, and one curve for slowing.

The curve is Friberg and Sundberg's (1999, formula from memory); what a phrase end asks for, common practice.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from tests.findings.build import build
from tests.partial import event as made

from understave.findings.phrases import PHRASE, PhraseDetails
from understave.harmony.reading import Reading
from understave.interpretation.plan import Plan
from understave.interpretation.tension import settles, tension
from understave.interpretation.timing import (
    FINAL,
    _is_plain,
    _Piece,
    _resolutions,
    _runs_on,
    beats_of,
    slowing,
    timing,
)
from understave.score.model import Direction, Score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral
from understave.wording import LEVELS, SPOKEN, say
from understave.wording.playing import tell_plan

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "wording"))

from small_readings import read_as, score_of
from tests.wording.readings import EXAMPLES, example

F = Fraction
MUSIC = (
    "C3 G3 C4 E4 | F2 A3 C4 F4 | G2 G3 B3 D4 | G2 F3 B3 D4 | "
    "C3 G3 C4 E4 | F2 A3 C4 F4 | G2 F3 B3 D4 | C3 G3 C4 E4"
)
FORTE = Direction("d2", "dynamic", F(16), None, 1, "f")
LABELS = "C: I | IV | V | V7 | I | IV | V7 | I"


def piece(*directions: Direction) -> tuple[Score, Reading]:
    score, reading = read_as(MUSIC, LABELS)
    events = (
        made("phrase", "phrase", F(0), F(16), (), 1.0, (("arrival", F(8)),)),
        made("cadence", "half", F(8), F(16), (), 1.0, (("arrival", F(8)), ("ends_phrase", 1))),
        made("phrase", "phrase", F(16), F(32), (), 1.0, (("arrival", F(28)),)),
    )
    return replace(score, directions=directions), replace(reading, events=events)


def bends(score: Score, reading: Reading, amount: float = 1.0):
    return timing(score, reading, tension(score, reading), amount)


def test_none_by_request():
    assert bends(*piece(), amount=0) == ()


def test_a_phrase_end_slows_and_the_next_phrase_is_in_time():
    found = bends(*piece())
    before, after = (b for b in found if b.moment == 16)
    assert 0.85 < before.factor < 1
    assert after.factor == pytest.approx(1, abs=0.02)  # but for the first beat of a bar
    (why,) = [b.why for b in found if b.moment < 20 and b.why is not None]
    assert (why.label, why.end) == ("phrase end", 16)


def test_a_phrase_end_is_told_with_its_last_note_not_with_the_upbeat_after_it():
    # The first phrase ends with the chord of its last bar; its fourth beat is the upbeat of the next.
    score, reading = piece()
    last = next(n for n in score.notes if n.onset == 12)
    upbeat = replace(last, id="upbeat", onset=F(15), duration=F(1))
    notes = sorted((*score.notes, upbeat), key=lambda n: n.onset)
    events = (made("phrase", "phrase", F(0), F(15), (last.id,), 1.0, (("arrival", F(8)),)),)
    found = bends(replace(score, notes=tuple(notes)), replace(reading, events=events))
    assert [b.moment for b in found if b.why is not None and b.why.label == "phrase end"] == [12]
    plan = Plan(timing=found)
    advice = [a for a in tell_plan(score, plan) if a.reason == "phrase end"]
    assert [(a.moment, a.what) for a in advice] == [(12, "slower")]


@pytest.mark.parametrize(
    ("length", "printed", "told"),
    [
        (F(4), (), True),
        (F(1, 4), (), False),
        (F(4), (Direction("d1", "wedge", F(8), F(16), 1, "crescendo"), FORTE), False),
        (F(4), (FORTE,), True),
    ],
)
def test_no_time_is_taken_where_a_phrase_runs_on(length, printed, told):
    """A last sixteenth that runs into the next note, or a crescendo into the next phrase, drives on."""
    score, reading = piece(*printed)
    top = max((n for n in score.notes if n.onset == 12), key=lambda n: n.midi)
    last = replace(top, id="last", ids=("last",), onset=F(16) - length, duration=length)
    notes = sorted((*(n for n in score.notes if n is not top), last), key=lambda n: (n.onset, n.midi))
    events = (made("phrase", "phrase", F(0), F(16), ("last",), 1.0, (("arrival", F(12)),)),)
    found = bends(replace(score, notes=tuple(notes)), replace(reading, events=events))
    assert ("phrase end" in {b.why.label for b in found if b.why is not None}) is told


def test_what_moves_less_is_held_longer_and_the_edges_of_bars_a_little():
    """As pianists do in one of three excerpts (`training.playing`): fewer notes in a beat, a slower beat."""
    score, _ = read_as(
        "C3 G3 C4 E4 | C3 G3 C4 E4 | C3 G3 C4 E4 | C3 G3 C4 E4 | C3 G3 C4 E4", "C: I | I | I | I | I"
    )
    first = score.notes[0]
    quick = tuple(replace(first, id=f"q{k}", onset=F(k, 2), duration=F(1, 2)) for k in range(8))
    held = replace(first, id="held", onset=F(4), duration=F(4))
    rest = tuple(replace(first, id=f"r{k}", onset=8 + F(k, 2), duration=F(1, 2)) for k in range(24))
    found = timing(replace(score, notes=(*quick, held, *rest)), Reading(()), ())

    def at(moment):
        return [b.factor for b in found if b.moment <= moment][-1]

    assert at(F(5)) == at(F(6)) < at(F(2)) == 1
    assert at(F(5)) > 0.85
    assert at(F(5)) < at(F(4)) * 1.02
    assert 0.97 < at(F(0)) < at(F(1)) == 1
    # A piece that only has long notes has none that is longer.
    slow = tuple(replace(first, id=f"s{k}", onset=F(4 * k), duration=F(4)) for k in range(5))
    found = timing(replace(score, notes=slow), Reading(()), ())
    assert at(F(5)) == at(F(6)) == 1


def test_beats_are_those_of_the_meter_in_an_upbeat_and_a_split_bar_too():
    """A beat is counted from the barline (common practice, no source): an upbeat of an eighth note ends the
    bar before, and what is left of a beat is no beat of its own that begins one.
    """
    score, _ = read_as("C3 G3 C4 E4 | C3 G3 C4 E4 | C3 G3 C4 E4", "C: I | I | I")
    whole, *_ = score.measures
    bars = (
        replace(whole, start=F(0), length=F(3, 2), offset=F(5, 2)),
        replace(whole, index=1, start=F(3, 2), length=F(2)),
        replace(whole, index=2, start=F(7, 2), length=F(2), offset=F(2)),
    )
    found = beats_of(replace(score, measures=bars))
    starts = [F(0), F(1, 2), F(3, 2), F(5, 2), F(7, 2), F(9, 2)]
    assert [b.start for b in found] == starts
    assert [b.start for b in found if b.first] == [F(3, 2)]
    assert [b.end for b in found if b.last] == [F(3, 2), F(11, 2)]


def test_the_end_slows_most_and_only_at_the_end():
    found = bends(*piece())
    slowest = min(found, key=lambda b: b.factor)
    assert slowest.factor == pytest.approx(FINAL)
    assert slowest.moment >= 28
    assert all(b.factor > 0.85 for b in found if b.moment < 20)
    final = [b.factor for b in found if b.moment >= 20 and b.factor < 0.98]
    assert final == sorted(final, reverse=True)


def test_what_breaks_off_in_the_middle_is_not_slowed_to_its_end():
    """A ritard belongs to an end: a close, a tonic, a held chord, a fermata (common practice, no source)."""
    music = "C3 G3 C4 E4 | F2 A3 C4 F4 | G2 G3 B3 D4 | A2 A3 C4 E4"

    def slows(label: str, length: int = 1, fermata: bool = False, close: str = "") -> bool:
        score, reading = read_as(music, f"C: I | IV | V | {label}")
        quick = tuple(
            replace(note, id=f"{note.id}{k}", onset=note.onset + k, duration=F(length), fermata=fermata)
            for note in score.notes
            for k in range(0, 4, length)
        )
        arrives = (made("cadence", close, F(8), F(16), (), 1.0, (("arrival", F(12)),)),) if close else ()
        score = replace(score, notes=tuple(sorted(quick, key=lambda n: n.onset)))
        return min(b.factor for b in bends(score, replace(reading, events=arrives))) < 0.7

    assert not slows("vi")
    assert slows("I6")
    assert slows("vi", length=2)
    assert slows("vi", fermata=True)
    assert slows("V", close="half")
    assert not slows("vi", close="deceptive")


@pytest.mark.parametrize(
    ("last", "label", "told"),
    [
        ("C3 G3 C4 E4", "I", True),
        ("E3 G3 C4 E4", "I6", False),
        ("G2 G3 B3 D4", "V", False),
        ("A2 A3 C4 E4", "vi", False),
    ],
)
def test_the_end_is_told_on_the_tonic_alone(last, label, told):
    """A piece ends on its tonic; what slows elsewhere goes on (common practice, no source)."""
    found = bends(*read_as(f"C3 G3 C4 E4 | F2 A3 C4 F4 | G2 G3 B3 D4 | {last}", f"C: I | IV | V | {label}"))
    assert min(b.factor for b in found) < 0.7
    assert any(b.why is not None and b.why.label == "final ritard" for b in found) is told


@pytest.mark.parametrize("amount", [0.5, 1.0, 1.5])
def test_more_is_more(amount):
    less, more = bends(*piece(), amount=amount), bends(*piece(), amount=amount * 1.2)
    assert min(b.factor for b in more) < min(b.factor for b in less)


@pytest.mark.parametrize(("at", "slows"), [(12, False), (28, True)])
def test_what_ends_at_a_printed_fine_is_not_slowed_to_the_last_bar(at, slows):
    """Da capo al Fine: from the head again, and the end is at Fine (any handbook of notation)."""
    signs = (
        Direction("d1", "words", F(at), None, 1, "Fine."),
        Direction("d2", "words", F(31), None, 1, "D. C. al Fine."),
    )
    found = bends(*piece(*signs))
    assert ("final ritard" in {b.why.label for b in found if b.why is not None}) is slows


def test_print_comes_first():
    """Where a ritardando is printed over the end, we add none."""
    printed = Direction("d1", "words", F(24), F(32), 1, "rit.")
    found = bends(*piece(printed))
    assert all(b.factor > 0.9 for b in found if b.moment > 20)
    assert any(b.why is not None and b.why.label == "phrase end" for b in found)


def test_the_curve_brakes_gently_at_first_and_hardest_at_the_end():
    assert slowing(0, 0.5) == 1
    assert slowing(1, 0.5) == pytest.approx(0.5)
    steps = [slowing(k / 10, 0.5) - slowing((k + 1) / 10, 0.5) for k in range(10)]
    assert steps == sorted(steps)
    # q = 1 is a straight line; q = 2, v² falling evenly, braking by a constant force.
    assert slowing(0.5, 0.5, q=1) == pytest.approx(0.75)
    assert slowing(0.5, 0.5, q=2) ** 2 == pytest.approx((1 + 0.25) / 2)


def test_a_resolution_is_waited_for():
    score, reading = read_as(
        "C3 G3 C4 E4 | D3 F#3 C4 A4 | G2 F3 B3 G4 | C3 G3 C4 E4 | "
        "A2 A3 C4 E4 | F2 A3 C4 F4 | C3 G3 C4 E4 | C3 G3 C4 E4",
        "C: I | V7/V | V7 | I | vi | IV | I | I",
    )
    found = [b for b in bends(score, reading) if b.why is not None and b.why.label == "resolution"]
    assert [b.moment for b in found] == [12]
    assert found[0].factor < 1


@pytest.mark.parametrize(
    ("printed", "waits"),
    [
        ((), 1),
        (
            (
                Direction("d1", "wedge", F(8), F(12), 1, "crescendo"),
                Direction("d2", "dynamic", F(12), None, 1, "ff"),
            ),
            0,
        ),
        (
            # The print is at its loudest before: a crescendo that leads into the chord still grows.
            (
                Direction("d0", "dynamic", F(0), None, 1, "fff"),
                Direction("d1", "wedge", F(8), F(12), 1, "crescendo"),
                Direction("d2", "dynamic", F(12), None, 1, "fff"),
            ),
            0,
        ),
        ((Direction("d1", "wedge", F(8), F(12), 1, "diminuendo"),), 1),
        # "A tempo" asks for the tempo there and then.
        ((Direction("d1", "words", F(12), None, 1, "a tempo"),), 0),
        # Nor is it given up within the bar.
        ((Direction("d1", "words", F(10), None, 1, "a tempo"),), 0),
        ((Direction("d1", "words", F(8), None, 1, "a tempo"),), 1),
    ],
)
def test_nothing_lets_go_where_the_print_grows_into_it(printed, waits):
    score, reading = read_as(
        "C3 G3 C4 E4 | D3 F#3 C4 A4 | G2 F3 B3 G4 | C3 G3 C4 E4 | "
        "A2 A3 C4 E4 | F2 A3 C4 F4 | C3 G3 C4 E4 | C3 G3 C4 E4",
        "C: I | V7/V | V7 | I | vi | IV | I | I",
    )
    found = bends(replace(score, directions=printed), reading)
    assert len([b for b in found if b.why is not None and b.why.label == "resolution"]) == waits


@pytest.mark.parametrize(
    ("chord", "notes", "told"),
    [
        ("I", "C3 G3 C4 E4", True),
        ("IV", "F2 A3 C4 F4", True),
        ("V", "G2 G3 B3 D4", False),
        ("V7", "G2 F3 B3 D4", False),
        ("I64", "G2 G3 C4 E4", False),
        ("I6", "E3 G3 C4 E4", False),
        ("viio6", "D3 F3 B3 D4", False),
        # A foreign note leans on the chord; what climbs presses on.
        ("I", "C3 G3 D4 E4", False),
        ("I", "C3 G3 C4 G4", False),
    ],
)
def test_tension_is_said_to_let_go_on_triads_over_their_roots_that_are_no_dominant(chord, notes, told):
    """Handbook rule: a dominant and a six-four wait for what follows; the bend itself may stay."""
    score, reading = read_as(
        f"C3 G3 C4 E4 | D3 F#3 C4 A4 | B2 D3 Ab3 F4 | {notes} | "
        "A2 A3 C4 E4 | F2 A3 C4 F4 | C3 G3 C4 E4 | C3 G3 C4 E4",
        f"C: I | V7/V | viio7 | {chord} | vi | IV | I | I",
    )
    # The fall is given: what is asked is on which chord it is told.
    falls = [
        replace(t, value=0.9 if t.start < 12 else 0.1) if t.start in (8, 12) else replace(t, value=0.1)
        for t in tension(score, reading)
    ]
    found = _resolutions(_Piece(score, 1.0), falls, [], score.end)
    assert [shape.why is not None for shape in found if shape.points[1][0] == 12] == [told]


def test_tension_lets_go_on_no_chord_that_is_left_at_once():
    score, _ = read_as("D3 A3 C4 F#4 | G2 F3 B3 D4 | C3 G3 C4 D4", "C: ii | V7 | I")
    tonic = Key.parse("C"), RomanNumeral.parse("I")
    score = replace(score, notes=tuple(n for n in score.notes if str(n.pitch) != "D4" or n.onset < 8))
    assert settles(score, (F(8), F(12)), *tonic)
    assert not settles(score, (F(8), F(9)), *tonic)


@pytest.mark.parametrize(
    ("begins", "ends", "told"), [(8, 12, False), (4, 10, False), (4, 8, True), (10, 12, True)]
)
def test_tension_lets_go_on_no_chord_on_which_the_print_grows(begins, ends, told):
    """Common practice, no source."""
    score, _ = read_as("D3 A3 C4 F#4 | G2 F3 B3 D4 | C3 G3 C4", "C: ii | V7 | I")
    wedge = Direction("d", "wedge", F(begins), F(ends), 1, "crescendo")
    score = replace(score, directions=(wedge,))
    assert settles(score, (F(8), F(12)), Key.parse("C"), RomanNumeral.parse("I")) is told


def test_tension_lets_go_on_no_chord_that_comes_in_over_its_third():
    """Common practice, no source: an inversion is less stable than a chord over its root."""
    notes = [(F(0), F(4), "G2"), (F(0), F(4), "D4"), (F(4), F(1, 2), "E3"), (F(9, 2), F(7, 2), "C3")]
    score = score_of([*notes, (F(4), F(4), "C4")])
    tonic = Key.parse("C"), RomanNumeral.parse("I")
    assert not settles(score, (F(4), F(8)), *tonic)
    over_root = score_of([*notes[:2], (F(4), F(4), "C3"), (F(4), F(4), "C4")])
    assert settles(over_root, (F(4), F(8)), *tonic)


@pytest.mark.parametrize("name", EXAMPLES)
def test_bends_of_the_examples_are_modest_in_order_and_can_be_told(name):
    score, reading = example(name)
    found = bends(score, reading)
    assert found
    assert all(a.moment <= b.moment for a, b in pairwise(found))
    assert all(0.5 < b.factor < 1.05 for b in found)
    assert sum(b.why is not None for b in found) >= 3
    for b in found:
        for level in LEVELS:
            for language in SPOKEN:
                assert b.why is None or say(b.why, score, level, language)


@pytest.mark.parametrize(
    ("tune", "reasons", "told"),
    [
        ("C5:1 E5:1 F5:1/2 G5 A5 B5", ("authentic close",), False),
        ("C5:1 E5:1 F5:1/2 G5 A5 B5", ("authentic close", "end of a slur"), True),
        ("C5:1 E5:1 F5:1 A5:1/2 B5", ("authentic close",), False),
        ("C5:1 E5:1 F5:3/2 B5:1/2", ("authentic close",), True),
        ("C5:1 E5:1 F5:1 B5:1", ("authentic close",), True),
    ],
)
def test_a_line_that_runs_on_in_its_own_motion_ends_no_phrase(tune, reasons, told):
    """A group ends with a rest or a longer value, not amid equal ones (Lerdahl and Jackendoff 1983, grouping
    preference rules 2 and 3; from memory).
    """
    score = build(f"{tune} | C6:4", "F3:4 | F3:4")
    last = next(n for n in reversed(score.notes) if n.end == 4 and n.staff == 1)
    details = PhraseDetails(number=1, bars=F(1), reasons=reasons)
    phrase = PHRASE.event("phrase", F(0), F(4), (last.id,), 0.6, details)
    assert _runs_on(_Piece(score, 1.0), phrase, F(2)) is not told


@pytest.mark.parametrize(
    ("reasons", "told"),
    [
        (("rest", "end of a slur"), True),
        (("authentic close", "long note"), True),
        # A close is a matter of chords: where the line runs on over it no phrase stops.
        (("authentic close",), False),
        (("authentic close", "a passage heard elsewhere begins"), False),
        # Of itself a long note, or a chord that stays, ends nothing.
        (("long note",), False),
        (("harmony stands still",), False),
        (("half close", "harmony stands still"), False),
    ],
)
def test_the_end_of_a_phrase_is_told_where_a_sign_shows_it(reasons: tuple[str, ...], told: bool) -> None:
    details = PhraseDetails(number=1, bars=Fraction(4), reasons=reasons)
    phrase = PHRASE.event("phrase", Fraction(0), Fraction(16), (), 0.6, details)
    assert _is_plain(phrase) == told
