"""The middle pedal: proposed only for a bass that no hand can hold, and heard where it is.

What the sostenuto pedal does: MusicXML 4.0, ``pedal-type``; that concert grands have one and early pianos do
not: common practice, no source. The music is ours.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from tests.findings.build import build, spans_of
from tests.json_schemas import keeps_to

from understave.acoustics.piano import EARLY, GRAND, UPRIGHT
from understave.export.plan_data import plan_json
from understave.harmony.reading import Reading
from understave.interpretation.perform import perform
from understave.interpretation.plan import PedalMove
from understave.interpretation.planning import PlanOptions, make_plan
from understave.interpretation.sostenuto import sostenuto
from understave.score.model import Direction, Part
from understave.wording import LEVELS, SPOKEN
from understave.wording.playing import tell_plan

sys.path.insert(0, str(Path(__file__).parent))

F = Fraction
UPPER = "r:1 G4 E5 C5 | F5 D5 B4 G4 | E5 C5 G4 E4"
CHORDS = "staff2 r:1 C4+E4 r C4+E4 | B3+D4 r B3+D4 r | C4+E4 r C4+E4 r"
ONE_CHORD = "r:1 G4 E5 C5 | E5 C5 G4 E4 | C5 E5 G4 C5"
BASS = "staff2 C2:12"
LABELS = "C: I:4 V7:4 I:4"


def planned(upper=UPPER, chords=CHORDS, bass=BASS, labels=LABELS, piano=GRAND, directions=()):
    score = build(upper, chords, bass)
    score = replace(score, directions=directions)
    return score, make_plan(score, Reading(spans_of(score, labels)), PlanOptions(instrument=piano))


def test_a_bass_out_of_reach_under_chords_that_change_is_caught_alone():
    score, plan = planned()
    (held,) = plan.sustained
    assert (held.start, held.end, held.notes) == (0, 12, ("v3n1",))
    assert any(0 < move.moment < 12 for move in plan.pedal)
    for language in SPOKEN:
        for level in LEVELS:
            (advice,) = (a for a in tell_plan(score, plan, level, language) if a.reason == "sostenuto")
            assert advice.moment == 0
            assert advice.what
            assert advice.why


def test_it_stands_in_the_plan_for_programs():
    score, plan = planned()
    file = json.loads(plan_json(score, plan))
    keeps_to(file, "plan")
    (held,) = file["sustained"]
    assert (held["start"]["quarter"], held["end"]["quarter"], held["notes"]) == ("0", "12", ["v3n1"])
    assert held["why"]["label"] == "sostenuto"
    assert json.loads(plan_json(score, plan, (F(11), F(13))))["sustained"]
    assert not json.loads(plan_json(score, plan, (F(12), F(13))))["sustained"]
    melting = make_plan(score, Reading(spans_of(score, LABELS)), PlanOptions(style="melting"))
    late = [move["late"] for move in json.loads(plan_json(score, melting))["pedal"]]
    assert late == [move.late for move in melting.pedal]
    assert True in late
    trembling = replace(plan, pedal=tuple(replace(move, flutter=True) for move in plan.pedal))
    file = json.loads(plan_json(score, trembling))
    keeps_to(file, "plan")
    assert {move["flutter"] for move in file["pedal"]} == {True}


@pytest.mark.parametrize(
    "other",
    [
        {"piano": UPRIGHT},
        {"piano": EARLY},
        # Within an octave the hand can stay, a free hand can help, and in one chord the right pedal will do.
        {"chords": "staff2 r:1 G2+C3 r G2+C3 | G2+B2 r G2+B2 r | G2+C3 r G2+C3 r"},
        {"upper": "r:12"},
        {
            "labels": "C: I:12",
            "chords": CHORDS.replace("B3+D4", "C4+E4"),
            "upper": ONE_CHORD,
        },
        {"labels": "C: I:4 vi:4 I:4", "chords": CHORDS.replace("B3+D4", "C4+E4"), "upper": ONE_CHORD},
        # What is struck with the bass and let go first would be caught too.
        {"upper": UPPER.replace("r:1", "C5:1"), "chords": CHORDS.replace("r:1", "C4+E4:1")},
        {"bass": "staff2 C2:2 r:10"},
        {"bass": "staff2 C3:12"},
        {"directions": (Direction("p", "pedal", F(0), None, 2, "sostenuto"),)},
    ],
)
def test_elsewhere_it_is_not_proposed(other):
    assert planned(**other)[1].sustained == ()


def test_it_holds_what_the_finger_lets_go():
    """Marked staccato the bass is let go at once; caught by the pedal it lasts."""
    score, plan = planned()
    short = replace(
        score,
        notes=tuple(replace(n, articulations=("staccato",)) if n.id == "v3n1" else n for n in score.notes),
    )
    with_it, without = (
        max(s.end for s in perform(short, p).strikes if s.note == "v3n1")
        for p in (plan, replace(plan, sustained=()))
    )
    assert with_it > without + 2


@pytest.mark.parametrize(
    ("feet", "catch"),
    [((2, 4, 8), 1), ((1, 4, 8), 1), ((0, 4, 8), None), ((0, 1, 4, 8), 1)],
)
def test_what_the_right_pedal_holds_up_would_be_caught_too(feet, catch):
    """The rods lift whatever damper is up as it comes: common practice, no source."""
    upper = UPPER.replace("r:1 G4 E5 C5", "C5:1 r:1 G4 E5")
    score = build(upper, CHORDS.replace("r:1 C4+E4 r C4+E4", "r:2 C4+E4:1 r"), BASS)
    held = sostenuto(score, [PedalMove(F(t), 1.0, "proposed") for t in feet])
    assert [one.start for one in held] == ([] if catch is None else [catch])


def in_parts(score, *names):
    """The staves of a score as parts of one staff each."""
    parts = tuple(Part(f"P{k}", name, k, k) for k, name in enumerate(names, start=1))
    return replace(score, parts=parts, notes=tuple(replace(n, part=n.staff - 1) for n in score.notes))


def test_hands_are_the_pianist_s_alone():
    feet = [PedalMove(F(t), 1.0, "proposed") for t in (0, 4, 8)]
    score = build(UPPER, CHORDS, BASS)
    assert sostenuto(in_parts(score, "Piano", "Piano"), feet)
    assert not sostenuto(in_parts(score, "Violin", "Violoncello"), feet)
    assert not sostenuto(in_parts(score), feet)
    # A singer's notes are no reason: the pianist's other hand is free, and can take them.
    sung = build(UPPER, "staff2 r:12", CHORDS.replace("staff2", "staff3"), BASS.replace("staff2", "staff3"))
    singer, piano = Part("P1", "Voice", 1, 1), Part("P2", "Piano", 2, 3)
    notes = tuple(replace(n, part=int(n.staff > 1)) for n in sung.notes)
    assert not sostenuto(replace(sung, parts=(singer, piano), notes=notes), feet)
    together = build(
        UPPER, UPPER.replace("r:1", "staff2 r:1"), *(v.replace("staff2", "staff3") for v in (CHORDS, BASS))
    )
    notes = tuple(replace(n, part=int(n.staff > 1)) for n in together.notes)
    assert sostenuto(replace(together, parts=(singer, piano), notes=notes), feet)
