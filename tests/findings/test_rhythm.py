"""Worked examples of harmonic rhythm.

Facts from Hutchinson, *Music Theory for the 21st-Century Classroom*, and *Open Music Theory* v2, part IV:
harmonic rhythm is the rate at which chords change (inversions of one chord are no change), and it commonly
quickens towards a cadence. The music is ours; the thresholds are ours (common practice, no source).
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from tests.findings.build import build, spans_of

from understave.findings.rhythm import changes_of, find_rhythm, per_bar
from understave.harmony.engine import read_harmony
from understave.harmony.reading import Event
from understave.harmony.romantext import parse, read_analysis
from understave.score.model import Score
from understave.score.reader import read_score

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


def held(bars: int) -> Score:
    return build("E5:1 D5 C5 D5 " * bars, "C4:4 " * bars, "C3:4 " * bars)


def found(score: Score, text: str, label: str = "") -> list[Event]:
    return [e for e in find_rhythm(score, spans_of(score, text)) if not label or e.label == label]


def test_usual_pace_is_one_chord_a_bar() -> None:
    (event,) = found(held(4), "C: I:4 IV:4 V:4 I:4", "usual pace")
    assert event.get("pace") == 1
    assert event.get("chord_length") == 4
    assert event.get("changes") == (1, 1, 1, 1)


def test_usual_pace_is_two_chords_a_bar() -> None:
    (event,) = found(held(4), "C: I:2 IV:2 V:2 I:2 IV:2 ii:2 V:2 I:2", "usual pace")
    assert (event.get("pace"), event.get("chord_length")) == (2, 2)


def test_inversions_of_one_chord_are_no_change() -> None:
    score = held(2)
    changes = changes_of(spans_of(score, "C: I:1 I6:1 I64:2 V7:2 V65:2"))
    assert [(c.start, c.end) for c in changes] == [(0, 4), (4, 8)]
    assert per_bar(score, changes) == (1, 1)


def test_a_seventh_added_is_a_change() -> None:
    score = held(1)
    assert per_bar(score, changes_of(spans_of(score, "C: V:2 V7:2"))) == (2,)


def test_a_faster_passage_in_the_middle() -> None:
    text = "C: I:4 IV:4 V:4 I:4 vi:1 ii:1 V:1 I:1 vi:1 ii:1 V:1 I:1 IV:4 V:4 I:4 IV:4 V:4 I:4"
    (event,) = found(held(12), text, "faster")
    assert (event.start, event.end, event.get("bars")) == (16, 24, 2)
    assert (event.get("pace"), event.get("around")) == (4, 1)


def test_a_slower_passage_in_the_middle() -> None:
    busy = "I:2 IV:2 V:2 I:2 vi:2 ii:2 V:2 I:2"
    text = f"C: {busy} IV:16 {busy}"
    (event,) = found(held(12), text, "slower")
    assert event.get("around") == 2
    assert (event.start, event.end) == (16, 32)


def test_an_even_pace_has_neither() -> None:
    text = "C: " + "I:4 IV:4 V:4 " * 4
    assert [e.label for e in found(held(12), text)] == ["usual pace"]


def test_one_quick_bar_is_no_passage() -> None:
    text = "C: I:4 IV:4 V:4 I:4 vi:1 ii:1 V:1 I:1 IV:4 V:4 I:4 IV:4 V:4 I:4 IV:4"
    assert found(held(12), text, "faster") == []


CADENCE = build(
    "E5:4 | G5:4 | F5:4 | E5:4 | D5:4 | E5:4 | F5:2 E5 | E5:2 D5 | C5:4",
    "C5:4 | C5:4 | A4:4 | G4:4 | B4:4 | C5:4 | A4:2 A4 | C5:2 B4 | G4:4",
    "G4:4 | E4:4 | C4:4 | C4:4 | G4:4 | G4:4 | F4:2 C4 | G4:2 F4 | E4:4",
    "C3:4 | C3:4 | F3:4 | C3:4 | G3:4 | C3:4 | D3:2 A2 | G3:2 G2 | C3:4",
)


def test_quickens_before_a_cadence() -> None:
    text = "C: I:8 IV:4 I:4 V:4 I:4 ii6:2 vi:2 Cad64:2 V7:2 I:4"
    (event,) = found(CADENCE, text, "quickens before a cadence")
    assert (event.start, event.end) == (24, 32)
    assert event.get("pace") == 2
    assert event.get("arrival") == 32


def test_an_even_approach_does_not_quicken() -> None:
    text = "C: I:2 vi:2 IV:2 ii:2 V:2 I:2 IV:2 I:2 V:2 vi:2 ii:2 I6:2 ii6:2 vi:2 Cad64:2 V7:2 I:4"
    assert found(CADENCE, text, "quickens before a cadence") == []


def test_two_bars_quicken_where_the_first_does_and_no_seventh_is_a_new_chord() -> None:
    """A line on two bars is so of both; V and V7 are one harmony (*Open Music Theory*, harmonic rhythm)."""
    late = "C: I:8 IV:4 I:4 V:4 I:4 V:4 vi:1 ii6:1 Cad64:1 V7:1 I:4"
    same = "C: I:8 IV:4 I:4 V:4 I:4 V:2 V7:2 V65:2 V7:2 I:4"
    assert not found(CADENCE, late, "quickens before a cadence")
    assert not found(CADENCE, same, "quickens before a cadence")


def test_through_the_engine() -> None:
    events = find_rhythm(CADENCE, read_harmony(CADENCE).spans)
    assert [e.label for e in events][:1] == ["usual pace"]


def test_the_slow_study_second_chain_goes_twice_as_fast() -> None:
    """Its page says: second chain twice as fast, from bar 34 (the two bars with two chords each)."""
    score = read_score(EXAMPLES / "lock-water" / "score.musicxml")
    text = (EXAMPLES / "lock-water" / "analysis.txt").read_text(encoding="utf-8")
    events = find_rhythm(score, read_analysis(parse(text), score).spans)
    (event,) = [e for e in events if e.label == "faster"]
    assert score.measure_at(event.start).number == "34"
    assert event.get("pace") == 2
    (usual,) = [e for e in events if e.label == "usual pace"]
    assert usual.get("chord_length") == Fraction(3)
