"""Worked examples of motives: the ways in which a short figure comes back, and what is no motive.

The ways (transposed, in another voice, inverted, augmented, diminished) are those of *Open Music Theory*,
"Motive", and of every counterpoint handbook on imitation (both from memory); the music is ours.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from tests.findings.build import build, spans_of
from tests.findings.pieces import bar, example

from understave.findings.chords_at import Harmony
from understave.findings.motives import Occurrence, _changes, find_motives
from understave.harmony.reading import Event
from understave.score.model import Score
from understave.teaching.narrative import entry_of, filled
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch
from understave.wording import say
from understave.wording.phrasebook import phrasebook

# A dotted figure of five notes, and bars that have nothing of it.
FIGURE = "C5:3/2 D5:1/2 G5:1 E5:1"
FREE = ["A4:1 B4:1 C5:2", "F5:2 r:2", "D5:1/2 E5 D5 C5 B4:2", "B4:4"]


def motives(score: Score, spans: str | None = None) -> list[Event]:
    return list(find_motives(score, spans_of(score, spans or f"C: I:{score.end}")))


def changes(score: Score, spans: str | None = None) -> list[tuple[str, Fraction]]:
    """Return label and start of every changed return."""
    return [(e.label, e.start) for e in motives(score, spans) if e.label != "statement"]


class TestReturns:
    def test_statement_names_all_its_times(self) -> None:
        score = build(
            " | ".join([FIGURE, FREE[0], FIGURE, FREE[1], FIGURE, FREE[2], FIGURE, FREE[3]]), "C3:32"
        )
        (event,) = motives(score)
        assert event.label == "statement"
        assert event.get("count") == 4
        assert event.get("times") == (0, 8, 16, 24)
        assert event.get("first") == Pitch.parse("C5")
        assert event.get("rhythm") == (Fraction(3, 2), Fraction(1, 2), Fraction(1))
        assert event.get("steps") == (1, 3, -2)

    def test_what_a_broken_chord_goes_through_is_no_figure(self) -> None:
        """One chord broken in sixteenths, bar after bar: its turns are no motive (common practice)."""
        high = "r:1/2 G4:1/4 C5 E5 G4 C5 E5 r:1/2 G4:1/4 C5 E5 G4 C5 E5"
        other = high.replace("C5", "D5").replace("E5", "F5")
        score = build(" | ".join([high, other] * 4), "C4:1/4 E4:7/4 C4:1/4 E4:7/4 " * 8)
        assert motives(score) == []

    def test_a_note_held_over_begins_no_figure(self) -> None:
        """The long note is the end of what came before; the figure begins after it."""
        tied = "C5:4 | B4:1 D5:1/2 C5:1/2 A4:2"
        score = build(" | ".join([tied, FREE[1], tied, FREE[0], tied, FREE[2], tied, FREE[1]]), "C3:48")
        assert all(e.get("first") != Pitch.parse("C5") for e in motives(score))

    def test_in_the_left_hand(self) -> None:
        low = "C3:3/2 D3:1/2 G3:1 E3:1"
        top = " | ".join([FIGURE, FREE[0], FREE[2], FREE[0], FIGURE])
        score = build(top, f"C3:4 | F2:4 | {low} | F2:4 | C3:4")
        assert ("in another voice", 8) in changes(score)
        event = next(e for e in motives(score) if e.label == "in another voice")
        assert (event.get("from_hand"), event.get("hand")) == ("right hand", "left hand")
        assert event.get("interval") == Interval.parse("-P15")
        assert say(event, score) == "The motive of bar 1 comes in the left hand."

    def test_in_another_voice_of_the_same_hand_no_hand_is_named(self) -> None:
        low = FIGURE.replace("5", "4")
        top = " | ".join([FIGURE, FREE[0], "G5:4", FREE[0], FIGURE])
        score = build(top, f"staff1 r:4 | r:4 | {low} | r:4 | r:4", "staff2 C3:4 | F2:4 | C3:4 | F2:4 | C3:4")
        spans = spans_of(score, "C: I:20")
        event = next(e for e in find_motives(score, spans) if e.label == "in another voice")
        assert event.get("hand") == event.get("from_hand") == "right hand"
        assert event.get("other_hand") is None
        assert say(event, score) == "The motive of bar 1 comes in another voice."

    @pytest.mark.parametrize("moved", [False, True])
    def test_a_line_that_was_the_tune_before_is_no_other_voice_of_its_staff(self, moved: bool) -> None:
        """Another voice is another hand or another printed voice, not another part in the texture."""
        low = FIGURE.replace("5", "4")
        other = [f"staff2 r:4 | {low}"] if moved else []
        score = build(FIGURE if moved else f"{FIGURE} | {low}", *other)
        here, there = (tuple(n for n in score.notes if start <= n.onset < start + 4) for start in (0, 4))
        plain = (Occurrence(0, 0, here), Occurrence(1, 0, there))
        harmony = Harmony(spans_of(score, "C: I:8"))
        labels = [label for label, _ in _changes(((), ()), plain, {}, harmony)]
        assert labels == ["in another voice" if moved else "in another register"]

    def test_an_octave_higher(self) -> None:
        high = "C6:3/2 D6:1/2 G6:1 E6:1"
        score = build(" | ".join([FIGURE, FREE[0], high, FREE[2], FIGURE]), "C3:20")
        assert changes(score) == [("in another register", 8)]

    def test_in_another_key(self) -> None:
        moved = "G4:3/2 A4:1/2 D5:1 B4:1"
        score = build(" | ".join([FIGURE, FREE[0], moved, FREE[2], FIGURE]), "C3:8 | G2:4 | C3:8")
        found = [e for e in motives(score, "C: I:8 G: I:4 C: I:8") if e.label == "in another key"]
        assert [(e.start, e.get("key"), e.get("from_key")) for e in found] == [
            (8, Key.parse("G"), Key.parse("C"))
        ]

    @pytest.mark.parametrize(
        ("figure", "label"),
        [
            ("G5:3/2 F5:1/2 C5:1 E5:1/2 F5:1/2", "inverted"),
            ("C5:3 D5:1 | G5:2 E5:1 D5:1", "augmented"),
            ("C5:3/4 D5:1/4 G5:1/2 E5:1/4 D5:1/4 r:2", "diminished"),
        ],
    )
    def test_changed_in_shape(self, figure: str, label: str) -> None:
        plain = "C5:3/2 D5:1/2 G5:1 E5:1/2 D5:1/2"
        score = build(" | ".join([plain, FREE[1], plain, FREE[1], figure]), "C3:16")
        assert label in [x for x, _ in changes(score)]

    @pytest.mark.parametrize(
        ("plain", "figure", "went", "told"),
        [
            ("E5:4/3 D5:1/3 C5 E5:1 E5:1", "A4:4/3 B4:1/3 C5 A4:1 A4:1", "down", "What fell now rises"),
            ("C5:3/2 D5:1/2 F5:1 E5:1/2 G5:1/2", "G5:3/2 F5:1/2 D5:1 E5:1/2 C5", "up", "What rose now falls"),
            (
                "C5:3/2 D5:1/2 G5:1 E5:1/2 D5:1/2",
                "G5:3/2 F5:1/2 C5:1 E5:1/2 F5",
                None,
                "What rose now falls,",
            ),
        ],
    )
    def test_of_one_upside_down_it_is_told_which_way_it_went(
        self, plain: str, figure: str, went: str | None, told: str
    ) -> None:
        """The words follow the model, not its inversion; one that goes up and down is told as both."""
        score = build(" | ".join([plain, FREE[1], plain, FREE[1], figure]), "C3:20")
        event = next(e for e in motives(score) if e.label == "inverted")
        assert event.get("went") == went
        book = phrasebook("en")
        why = filled(score, event, entry_of(event, book)["why"], book)
        assert why.startswith(told)
        assert ("what fell" in why) == (went is None)


class TestNone:
    def test_a_scale_is_no_motive(self) -> None:
        scale = "C5:1/2 D5 E5 F5 G5 A5 B5 C6"
        score = build(" | ".join([scale, FREE[1], scale, FREE[1], scale]), "C3:20")
        assert motives(score) == []

    def test_repeated_notes_are_no_motive(self) -> None:
        score = build(" | ".join(["G4:1 G4 G4 G4"] * 4), "C3:16")
        assert motives(score) == []

    def test_the_accompaniment_has_no_motives(self) -> None:
        tune = "E5:3 D5:1 | C5:2 B4:2 | A4:1 D5:3 | G4:4"
        score = build(tune, " | ".join(["C3:1/2 G3 E3 G3 C3 G3 E3 G3"] * 4))
        assert motives(score) == []

    def test_what_comes_once_is_no_motive(self) -> None:
        assert motives(build(f"{FIGURE} | {FREE[0]} | {FREE[2]}", "C3:12")) == []

    def test_doubling_in_another_hand_is_no_return(self) -> None:
        low = "C4:3/2 D4:1/2 G4:1 E4:1"
        score = build(f"{FIGURE} | {FREE[1]} | {FIGURE} | {FREE[1]}", f"{low} | F3:4 | {low} | F3:4")
        assert "in another voice" not in [label for label, _ in changes(score)]


class TestExamples:
    def test_chain_ferry_sigh_and_wave(self) -> None:
        score, spans = example("chain-ferry")
        found = find_motives(score, spans)
        sigh = next(e for e in found if e.label == "statement" and bar(score, e.start) == 5)
        assert sigh.get("steps") == (-1, -2, 2, -1, -2)
        moved = [(e.label, bar(score, e.start)) for e in found if e.get("number") == sigh.get("number")]
        assert ("in another voice", 37) in moved
        assert ("in another key", 45) in moved

    def test_lock_water_melody_and_inner_voice_take_turns(self) -> None:
        score, spans = example("lock-water")
        moved = [bar(score, e.start) for e in find_motives(score, spans) if e.label == "in another voice"]
        assert moved
        assert all(9 <= number <= 15 for number in moved)


def test_a_chord_struck_evenly_is_no_figure() -> None:
    """Repeated chords accompany (common practice, no source)."""
    pulse = "G4:1/2 G4 G4 G4 A4 B4 C5:1"
    score = build(" | ".join(bar for k in range(12) for bar in (pulse, FREE[k % 4])), "C3:96")
    assert all(sum(step == 0 for step in e.get("steps")) < 2 for e in motives(score))
