"""The plan as a whole: what is planned at all."""

from dataclasses import replace
from pathlib import Path

from tests.once import make_plan, read, read_score

from understave.findings.texture import hand_of
from understave.interpretation.planning import PlanOptions, for_keyboard
from understave.score.model import Part
from understave.score.passage import passage

EXAMPLE = Path(__file__).parents[2] / "examples" / "lock-water" / "score.musicxml"


def test_a_pedal_is_planned_for_hands_at_a_keyboard_only():
    score = passage(read_score(EXAMPLE), 0, 7)
    reading = read(score)
    assert make_plan(score, reading).pedal
    alone = tuple(Part(f"P{k}", "Violin", k, k) for k in (1, 2, 3, 4))
    assert make_plan(replace(score, parts=alone), reading).pedal == ()
    # Two hands written as two parts; a voice over a piano.
    assert make_plan(replace(score, parts=alone[:2]), reading).pedal
    assert for_keyboard(replace(score, parts=(*alone[:2], Part("P", "Piano", 3, 4))))
    # A song from whose piano each hand was made a part, as its names say (common practice, no source).
    song = (Part("P1", "Singstimme", 1, 1), Part("P2", "Piano", 2, 2), Part("P3", "Pianoforte", 3, 3))
    hands = replace(score, parts=song)
    assert for_keyboard(hands)
    assert hands.keyboards == ((1, 2),)
    assert [hand_of(hands, staff) for staff in (2, 3)] == ["right hand", "left hand"]
    # Asked for by name, a pedal is planned for any piece.
    assert make_plan(replace(score, parts=alone), reading, PlanOptions(style="each harmony")).pedal
