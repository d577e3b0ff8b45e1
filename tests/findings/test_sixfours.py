"""Worked examples of six-four chords by kind and of sevenths in the bass.

Facts from Hutchinson, *Music Theory for the 21st-Century Classroom*, section on the cadential six-four
(16.3) and on types of six-four chords, and *Open Music Theory*, part IV, chapters on the cadential
six-four and on six-fours that prolong; the music is ours.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.findings.build import build, spans_of

from understave.claims.chords_and_keys import CarriesBass, NotFinal
from understave.claims.facts import facts
from understave.findings.catalogue import is_sure
from understave.findings.sixfours import find_sixfours
from understave.harmony.engine import read_harmony
from understave.harmony.reading import Event
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral


def found(score: Score, text: str) -> list[Event]:
    return list(find_sixfours(score, spans_of(score, text)))


def labels(score: Score, text: str) -> list[str]:
    return [e.label for e in found(score, text)]


CADENTIAL = build(
    "F5:2 E5:1 D5:1 | C5:4", "A4:2 C5:1 B4:1 | G4:4", "D4:2 G4:1 G4:1 | E4:4", "F3:2 G3:1 G2:1 | C3:4"
)


class TestCadential:
    @pytest.mark.parametrize("label", ["Cad64", "I64"])
    def test_sixth_and_fourth_step_down_over_the_dominants_bass(self, label: str) -> None:
        (event,) = found(CADENTIAL, f"C: ii6:2 {label}:1 V:1 | I:4")
        assert (event.kind, event.label) == ("six-four", "cadential")
        assert event.get("bass") == Pitch.parse("G3")
        assert event.get("sixth") == Pitch.parse("E5")
        assert event.get("sixth_to") == Pitch.parse("D5")
        assert event.get("fourth") == Pitch.parse("C5")
        assert event.get("fourth_to") == Pitch.parse("B4")
        assert event.get("resolution") == 3
        assert event.notes[0] == "v4n2"

    @pytest.mark.parametrize("by", ["m2", "M2", "m3", "M3", "P4", "A4", "P5", "m6", "M6"])
    def test_in_every_key(self, by: str) -> None:
        interval = Interval.parse(by)
        notes = tuple(
            replace(n, pitch=n.pitch + interval, written=n.written + interval) for n in CADENTIAL.notes
        )
        score = replace(CADENTIAL, notes=notes)
        key = PitchClass.parse("C") + interval
        assert labels(score, f"{key}: ii6:2 I64:1 V:1 | I:4") == ["cadential"]

    def test_in_minor(self) -> None:
        score = build(
            "A4:2 G4:1 F#4:1 | G4:4",
            "Eb4:2 Bb4:1 A4:1 | Bb4:4",
            "C4:2 D4:2 | D4:4",
            "C3:2 D3:2 | G2:4",
            signature=-2,
        )
        (event,) = found(score, "g: iio6:2 i64:1 V:1 | i:4")
        assert event.label == "cadential"
        assert event.get("sixth_to") == Pitch.parse("A4")
        assert event.get("fourth_to") == Pitch.parse("F#4")

    def test_inside_a_chord_labelled_as_the_dominant(self) -> None:
        (event,) = found(CADENTIAL, "C: ii6:2 V:2 | I:4")
        assert event.label == "cadential"
        assert (event.start, event.end) == (2, 3)
        assert event.get("fourth_to") == Pitch.parse("B4")

    def test_a_single_suspended_fourth_is_none(self) -> None:
        score = build("F5:2 D5:2 | C5:4", "A4:2 C5:1 B4:1 | G4:4", "D4:2 G4:2 | E4:4", "F3:2 G3:2 | C3:4")
        assert labels(score, "C: ii6:2 V:2 | I:4") == []

    def test_a_plain_dominant_is_none(self) -> None:
        score = build("F5:2 D5:2 | C5:4", "A4:2 B4:2 | G4:4", "D4:2 G4:2 | E4:4", "F3:2 G3:2 | C3:4")
        assert labels(score, "C: ii6:2 V:2 | I:4") == []

    def test_over_a_broken_chord(self) -> None:
        score = build(
            "A4:3 | G4:3 | F#4:3 | G4:3",
            "staff2 C3:1 G3 Eb4 | D3 Bb3 D4 | D3 A3 C4 | G2 D3 Bb3",
            meter="3/4",
            signature=-2,
        )
        events = found(score, "g: iv:3 | Cad64:3 | V7:3 | i:3")
        assert [e.label for e in events] == ["cadential"]
        assert events[0].get("bass") == Pitch.parse("D3")


class TestOtherKinds:
    def test_passing_between_root_position_and_first_inversion(self) -> None:
        score = build("C5:1 B4 C5:2", "G4:1 G4 G4:2", "E4:1 D4 C4:2", "C3:1 D3 E3:2")
        (event,) = found(score, "C: I:1 V64:1 I6:2")
        assert event.label == "passing"
        assert event.get("direction") == "up"
        assert event.get("before_bass") == Pitch.parse("C3")
        assert event.get("after_bass") == Pitch.parse("E3")

    def test_passing_down_in_a_flat_key(self) -> None:
        score = build("Bb4:1 Bb4 C5:2", "G4:1 Eb4 Eb4:2", "Eb4:1 G4 Ab4:2", "C4:1 Bb3 Ab3:2", signature=-3)
        (event,) = found(score, "Eb: vi:1 I64:1 IV:2")
        assert event.label == "passing"
        assert event.get("direction") == "down"

    def test_passing_before_the_subdominant_in_minor(self) -> None:
        score = build("D5:1 C#5 B4:2", "B4:1 F#4 G4:2", "G4:1 F#4 E4:2", "E3:1 F#3 G3:2", signature=2)
        assert labels(score, "b: iv:1 i64:1 iv6:2") == ["passing"]

    def test_pedal_over_a_bass_that_stays(self) -> None:
        score = build("G4:1 A4 G4:2", "E4:1 F4 E4:2", "C4:1 C4 C4:2", "C3:4")
        (event,) = found(score, "C: I:1 IV64:1 I:2")
        assert event.label == "pedal"

    def test_pedal_over_the_dominant_on_a_weak_beat(self) -> None:
        score = build("D5:1 E5 D5:2 | C5:4", "B4:1 C5 B4:2 | G4:4", "G3:4 | C3:4")
        assert labels(score, "C: V:1 I64:1 V:2 | I:4") == ["pedal"]

    def test_arpeggiated_when_only_the_bass_moves(self) -> None:
        score = build(
            "A4:1 A4 A4 | F4:3", "F4:1 F4 F4 | D4:3", "C4:1 C4 C4 | Bb3:3", "F3:1 A3 C4 | Bb2:3", meter="3/4"
        )
        assert labels(score, "F: I:1 I6:1 I64:1 | IV:3") == ["arpeggiated"]

    def test_arpeggiated_in_a_waltz_bass(self) -> None:
        score = build(
            "F#5:3 | D5:3 | E5:3",
            "D4:1 r D4+F#4 | D4 r D4+F#4 | C#4 r C#4+G4",
            "staff2 D3:3 | A2:3 | A2:3",
            meter="3/4",
            signature=2,
        )
        assert labels(score, "D: I:3 | I64:3 | V7:3") == ["cadential"]
        assert labels(score, "D: I:3 | I64:3 | IV:3") == ["arpeggiated"]

    def test_triads_in_other_positions_and_sevenths_are_none(self) -> None:
        score = build("C5:1 B4 C5:2", "G4:1 G4 G4:2", "E4:1 F4 C4:2", "C3:1 D3 E3:2")
        assert labels(score, "C: I:1 V43:1 I6:2") == []

    def test_through_the_reader_of_harmony(self) -> None:
        events = find_sixfours(CADENTIAL, read_harmony(CADENTIAL).spans)
        assert [(e.label, e.start) for e in events if e.kind == "six-four"] == [("cadential", 2)]


class TestSeventhInTheBass:
    def test_it_sinks_a_step_to_the_tonic_in_first_inversion(self) -> None:
        score = build("D5:2 C5:2", "B4:2 C5:2", "G4:2 G4:2", "F3:2 E3:2")
        (event,) = found(score, "C: V42:2 I6:2")
        assert (event.kind, event.label) == ("seventh in the bass", "resolves")
        assert event.get("seventh") == Pitch.parse("F3")
        assert event.get("to") == Pitch.parse("E3")
        assert event.get("after") == RomanNumeral.parse("I6")
        assert event.notes == ("v4n1", "v4n2")

    def test_an_applied_dominant_resolves_too(self) -> None:
        score = build("G4:2 F4:2", "E4:2 F4:2", "C4:2 C4:2", "Bb3:2 A3:2")
        assert labels(score, "C: V42/IV:2 IV6:2") == ["resolves"]

    def test_it_stays_while_the_chord_above_changes(self) -> None:
        score = build("E5:2 F5:2", "C5:2 D5:2", "G4:2 A4:2", "B3:2 B3:2")
        assert labels(score, "C: Imaj42:2 viiø7:2") == ["held"]

    def test_it_leaps_and_another_voice_takes_over(self) -> None:
        score = build("D5:2 E5:2", "B4:2 C5:2", "G4:2 G4:2", "F3:2 C3:2")
        (event,) = found(score, "C: V42:2 I:2")
        assert event.label == "leaps"
        assert event.get("taken_over") == Pitch.parse("E5")

    def test_it_rises_against_custom(self) -> None:
        score = build("D5:2 E5:2", "B4:2 C5:2", "G4:2 C5:2", "F3:2 G3:2")
        assert labels(score, "C: V42:2 Cad64:2")[0] == "rises"

    @pytest.mark.parametrize(("bass", "told"), [("C3", []), ("A2", ["leaps"])])
    def test_the_next_bass_after_a_chord_above_it_is_where_it_goes(self, bass: str, told: list[str]) -> None:
        """A waltz's bass goes from downbeat to downbeat, not to the chords between (common practice)."""
        score = build("Bb4:3 | C5:3", f"staff2 Db3:1 G3+Bb3:2 | {bass}:3", meter="3/4")
        assert labels(score, "f: viio42:1 iiø7:2 | V:3") == told

    def test_drawn_up_on_its_own_letter_it_does_not_leap(self) -> None:
        """Common practice, no source: a chromatic semitone is neither a leap nor a resolution."""
        score = build("E5:2 D5:2", "C#5:2 B4:2", "A4:2 E4:2", "G3:2 G#3:2")
        assert labels(score, "A: V42/IV:2 V65:2") == []

    def test_other_inversions_are_none(self) -> None:
        score = build("D5:2 C5:2", "F4:2 E4:2", "G4:2 G4:2", "B3:2 C4:2")
        assert labels(score, "C: V65:2 I:2") == []


@pytest.mark.parametrize(("left", "found"), [("C3:4 | Bb2:4 | A2:4", True), ("C3:4 | r:4 | A2:4", False)])
def test_where_the_left_hand_only_rests_no_seventh_lies_in_the_bass(left: str, found: bool) -> None:
    """Common practice, no source: a bass is the line of the lowest hand, not what is left when it rests."""
    score = build("E4:4 | E4:4 | F4:4", "staff1 G4:4 | C5:4 | C5:4", "staff1 G4:4 | Bb3:4 | A3:4", left)
    spans = spans_of(score, "F: V:4 | V42:4 | I6:4")
    events = [e for e in find_sixfours(score, spans) if e.kind == "seventh in the bass"]
    assert bool(events) == found


def test_a_seventh_above_another_bass_is_not_in_the_bass() -> None:
    """A label with the seventh in the bass over a lower note says what does not sound."""
    score = build(
        "E4:4 | E4:4 | F4:4", "staff1 G4:4 | C5:4 | C5:4", "Bb3:4 | Bb3:4 | A3:4", "C3:4 | C3:4 | A2:4"
    )
    spans = spans_of(score, "F: V:4 | V42:4 | I6:4")
    assert not [e for e in find_sixfours(score, spans) if e.kind == "seventh in the bass"]


@pytest.mark.parametrize(("staff", "told"), [("staff1", []), ("staff2", ["resolves"])])
def test_a_seventh_with_which_an_upper_hand_dips_under_the_lower_is_not_the_bass(
    staff: str, told: list[str]
) -> None:
    """Common practice, no source: the left hand stands on E, and the right hand's D only lies deeper."""
    score = build("B4:2 A4:2", "G#4:2 A4:2", f"{staff} D4:2 C#4:2", "staff2 E4:2 E4:2")
    found_here = [e.label for e in found(score, "A: V42:2 I6:2") if e.kind == "seventh in the bass"]
    assert found_here == told
    known = facts(score, spans_of(score, "A: V42:2 I6:2"))
    not_final = NotFinal(Fraction(2), Fraction(2), Key.parse("A"), "dominant inverted")
    assert not_final.holds(known) is bool(told)


@pytest.mark.parametrize(("first", "told"), [("C3:1", []), ("C4:1", ["leaps"])])
def test_what_a_waltz_strikes_after_its_bass_is_not_the_bass(first: str, told: list[str]) -> None:
    """Common practice, no source: C on the first beat is the bass of the bar, also under B flat."""
    score = build("G4:1 C5:2 Ab4:3", f"staff2 {first} Bb3+E4:2 F2:1 Ab3+C4:2", meter="3/4")
    spans = spans_of(score, "f: V:1 V42:2 i:3")
    assert [e.label for e in find_sixfours(score, spans) if e.kind == "seventh in the bass"] == told


def test_a_pedal_point_under_an_upper_part_does_not_sink() -> None:
    """Common practice, no source: F struck again and again stays; the E flat lies above it."""
    upper = "B4:4 | C5:4 | Bb4:4", "G4:4 | G4:4 | F4:4", "D4:4 | C4:4 | D4:4"
    again = build(*upper, "F2:4 | Eb3:4 | F2:4", signature=-2)
    sinking = build(*upper, "F2:4 | Eb2:4 | F2:4", signature=-2)
    labels = "Bb: V42/ii:4 | ii6:4 | I64:4"
    told = [
        [e.label for e in find_sixfours(s, spans_of(s, labels)) if e.kind == "seventh in the bass"]
        for s in (again, sinking)
    ]
    assert told == [[], ["resolves"]]


def test_a_note_that_another_voice_takes_up_has_not_sunk() -> None:
    """The fourth leaps away and the other staff has B: of the sixth alone it is said that it sinks."""
    score = build(
        "F5:2 E5:1 D5:1 | C5:4",
        "staff1 A4:2 C5:1 G5:1 | G5:4",
        "staff2 D4:2 G4:1 B4:1 | C5:4",
        "F3:2 G3:1 G2:1 | C3:4",
    )
    (event,) = found(score, "C: ii6:2 Cad64:1 V:1 | I:4")
    assert (event.get("sixth_to"), event.get("fourth_to")) == (Pitch.parse("D5"), None)


def test_a_six_four_whose_notes_do_not_sink_is_hardly_one() -> None:
    score = build(
        "F5:2 E5:1 B5:1 | C6:4",
        "staff1 A4:2 C5:1 F5:1 | E5:4",
        "D4:2 G4:1 G4:1 | E4:4",
        "F3:2 G3:1 G2:1 | C3:4",
    )
    (event,) = found(score, "C: ii6:2 Cad64:1 V7:1 | I:4")
    assert not is_sure(event)


@pytest.mark.parametrize(
    ("inner", "goes"), [("C5:1 B4:1", "B4"), ("C5:1/2 A4 B4:1", None), ("C5:1/2 D5 B4:1", "B4")]
)
def test_a_voice_that_goes_below_its_goal_first_does_not_sink_to_it(inner: str, goes: str | None) -> None:
    """The fourth of a cadential six-four steps down; what rises to the leading tone does not."""
    score = build("F5:2 E5:1 D5:1", f"A4:2 {inner}", "D4:2 G4:1 G4:1", "F3:2 G3:1 G2:1")
    (event,) = found(score, "C: ii6:2 Cad64:1 V:1")
    assert event.get("fourth_to") == (Pitch.parse(goes) if goes else None)


@pytest.mark.parametrize(("low", "label"), [("F3:2 B2:2", ["leaps"]), ("F3:2 E3:1 B2:1", [])])
def test_a_seventh_that_sinks_in_its_own_line_does_not_leap(low: str, label: list[str]) -> None:
    """F goes by E: it is no debt that B is the bass of the next chord (any handbook on sevenths)."""
    score = build("G4:2 G4:2", "D4:2 F4:2", "B3:2 D4:2", low)
    chords = "C: V42:2 V65:2"
    assert [e.label for e in found(score, chords) if e.kind == "seventh in the bass"] == label
    known = facts(score, spans_of(score, chords))
    claim = CarriesBass(Fraction(0), Fraction(2), Pitch.parse("F3"), Pitch.parse("B2"))
    assert claim.holds(known) is bool(label)
