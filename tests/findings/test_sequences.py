"""Worked examples of sequences and chains.

Facts from *Open Music Theory* v2, part IV, "Diatonic Sequences" (descending fifths, ascending fifths,
descending thirds by fourth and step, ascending 5-6), part V, "Chromatic Sequences" (the same with applied
dominants), and Hutchinson, *Music Theory for the 21st-Century Classroom*, harmonic sequences and
parallel six-three chords; the lament bass and chains of diminished sevenths are handbook facts from memory
(M). The fifths sequence I IV vii° iii vi ii V I stands in every one of them. The music is ours.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from tests.findings.build import build, spans_of

from understave.findings.sequences import find_sequences
from understave.harmony.engine import read_harmony
from understave.harmony.reading import Event
from understave.harmony.romantext import parse, read_analysis
from understave.score.model import Score
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


def found(score: Score, text: str, kind: str = "sequence") -> list[Event]:
    return [e for e in find_sequences(score, spans_of(score, text)) if e.kind == kind]


FIFTHS = build(
    "E5:4 | F5:4 | D5:4 | E5:4 | C5:4 | D5:4 | B4:4 | C5:4",
    "C5:4 | C5:4 | B4:4 | B4:4 | A4:4 | A4:4 | G4:4 | G4:4",
    "G4:4 | A4:4 | F4:4 | G4:4 | E4:4 | F4:4 | D4:4 | E4:4",
    "C3:4 | F2:4 | B2:4 | E2:4 | A2:4 | D2:4 | G2:4 | C2:4",
)
IN_C = "C: I:4 IV:4 viio:4 iii:4 vi:4 ii:4 V:4 I:4"


class TestFifths:
    def test_the_whole_circle(self) -> None:
        (event,) = found(FIFTHS, IN_C)
        assert event.label == "descending fifths"
        assert (event.start, event.end) == (0, 32)
        assert event.get("roots") == tuple(PitchClass.parse(x) for x in "CFBEADGC")
        assert event.get("inversions") == "root position"
        assert event.get("pattern") == "down a fifth"

    @pytest.mark.parametrize("by", ["m2", "M2", "m3", "M3", "P4", "A4", "P5", "m6", "M6", "m7"])
    def test_in_every_key(self, by: str) -> None:
        interval = Interval.parse(by)
        moved = tuple(
            replace(n, pitch=n.pitch + interval, written=n.written + interval) for n in FIFTHS.notes
        )
        key = PitchClass.parse("C") + interval
        (event,) = found(replace(FIFTHS, notes=moved), IN_C.replace("C:", f"{key}:"))
        assert (event.label, event.end) == ("descending fifths", 32)

    def test_inversions_take_turns(self) -> None:
        score = build(
            "E5:2 E5 | D5:2 D5 | C5:2 C5 | B4:2 B4 | C5:4",
            "C5:2 A4 | B4:2 G4 | A4:2 F4 | G4:2 G4 | G4:4",
            "C4:2 C4 | F4:2 B3 | E4:2 A3 | D4:2 D4 | E4:4",
            "E3:2 F3 | D3:2 E3 | C3:2 D3 | B2:2 G2 | C3:4",
        )
        (event,) = found(score, "C: I6:2 IV:2 viio6:2 iii:2 vi6:2 ii:2 V6:2 V:2 I:4")
        assert event.label == "descending fifths"

    def test_chords_are_named_in_one_key(self) -> None:
        """A sequence that is read through its relative key is still told in the key of its first chord."""
        (event,) = found(FIFTHS, "C: I:4 IV:4 viio:4 iii:4 a: i:4 iv:4 C: V:4 I:4")
        assert event.get("key") == Key.parse("C")
        chords = event.get("chords")
        assert isinstance(chords, tuple)
        assert [str(c) for c in chords] == ["I", "IV", "viio", "iii", "vi", "ii", "V", "I"]

    def test_applied_dominants(self) -> None:
        """Chromatic sequence of dominant sevenths: III7 VI7 II7 V7 I."""
        score = build(
            "G#4:2 | G4:2 | F#4:2 | F4:2 | E4:4",
            "D4:2 | C#4:2 | C4:2 | B3:2 | C4:4",
            "E2:2 | A2:2 | D2:2 | G2:2 | C3:4",
            meter="2/4",
        )
        (event,) = found(score, "C: V7/vi:2 V7/ii:2 V7/V:2 V7:2 I:4")
        assert (event.label, event.get("sevenths"), event.get("applied")) == ("descending fifths", 4, 3)

    @pytest.mark.parametrize(
        ("line", "chords"),
        [
            ("D3:4 | G3:4 | C3:4", "C: ii:4 V:4 I:4"),
            ("C3:4 | F3:4 | G3:4 | C3:4", "C: I:4 IV:4 V:4 I:4"),
            ("A3:3 D3:1 | G3:4 | C3:4", "C: vi:3 ii:1 V:4 I:4"),
        ],
    )
    def test_a_cadence_is_no_sequence(self, line: str, chords: str) -> None:
        assert found(build(line), chords) == []


class TestOthers:
    def test_descending_thirds_by_fourth_and_step(self) -> None:
        """I V vi iii IV I: roots down a fourth, up a step."""
        score = build(
            "E5:2 D5 | C5 B4 | A4 G4 | F4 G4",
            "G4:2 G4 | E4 E4 | C4 C4 | C4 B3",
            "C3:2 G2 | A2 E2 | F2 C2 | F2 G2",
        )
        events = found(score, "C: I:2 V:2 vi:2 iii:2 IV:2 I:2 IV:2 V:2")
        (event,) = [e for e in events if e.label == "descending thirds"]
        assert event.get("pattern") == "down a fourth, up a step"
        assert event.get("interval") == Interval.parse("-m3")
        assert event.start == 0

    def test_falling_thirds(self) -> None:
        score = build("E5:4 | E5:4 | C5:4 | C5:4", "G4:4 | A4:4 | A4:4 | F4:4", "C3:4 | A2:4 | F2:4 | D2:4")
        (event,) = found(score, "C: I:4 vi:4 IV:4 ii:4")
        assert (event.label, event.get("pattern")) == ("descending thirds", "down a third")

    def test_falling_steps(self) -> None:
        """Roots down a third, up a step, as in i VI VII v VI iv."""
        score = build(
            "E5:2 E5 | D5 D5 | C5 C5 | C5:4",
            "A4:2 A4 | G4 G4 | F4 F4 | E4:4",
            "C4:2 C4 | B3 B3 | A3 A3 | A3:4",
            "A2:2 F2 | G2 E2 | F2 D2 | A2:4",
        )
        (event,) = found(score, "a: i:2 VI:2 | VII:2 v:2 | VI:2 iv:2 | i:4")
        assert (event.label, event.get("pattern")) == ("descending steps", "down a third, up a step")
        assert event.get("interval") == Interval.parse("-M2")

    def test_ascending_fifths(self) -> None:
        score = build("E5:2 D5 F5 E5 G5 F#5", "G4:2 B4 A4 C#5 B4 D#5", "C3:2 G2 D3 A2 E3 B2")
        (event,) = found(score, "C: I:2 V:2 ii:2 V/ii:2 iii:2 V/iii:2")
        assert event.label == "ascending fifths"

    def test_ascending_five_six(self) -> None:
        """5-6 over each step of a rising bass: I vi6 ii vii°6 iii."""
        score = build(
            "E5:2 E5 | F5 F5 | G5 G5 | A5:4",
            "G4:2 A4 | A4 B4 | B4 C5 | C5:4",
            "C4:4 | D4:4 | E4:4 | F4:4",
        )
        (event,) = found(score, "C: I:2 vi6:2 | ii:2 viio6:2 | iii:2 I6:2 | IV:4")
        assert event.label == "ascending 5-6"
        assert event.get("interval") == Interval.parse("M2")

    def test_sevenths_that_sink_over_a_rising_bass_are_no_five_six(self) -> None:
        """D flat to C over E, F to E over G: sevenths resolve to sixths (handbook rule), roots like a 5-6."""
        lower = "E3:4 | F3:4 | G3:4 | Ab3:4"
        inner = "Bb4:2 Bb4 | Ab4 Ab4 | Db5 Db5 | C5:4"
        score = build("Db5:2 C5 | C5 Db5 | F5 E5 | F5:4", inner, lower, signature=-4)
        sinking = found(score, "f: viio7:2 V65 | i VI6 | iiø7 viio65 | i6:4")
        assert "ascending 5-6" not in [e.label for e in sinking]

    def test_ascending_by_applied_dominants(self) -> None:
        score = build(
            "C5:2 C5 | A4 B4 | B4 C5 | A4 A4 | B4:4",
            "G4:2 E4 | F4 F#4 | G4 G4 | F4 F#4 | G4:4",
            "C3:2 C#3 | D3 D#3 | E3 E3 | F3 F#3 | G3:4",
        )
        spans = "C: I:2 V65/ii:2 | ii:2 V65/iii:2 | iii:2 V7/IV:2 | IV:2 V65/V:2 | V:4"
        (event,) = found(score, spans)
        assert event.label == "ascending 5-6"
        assert event.get("applied") == 4


class TestNotes:
    def test_a_bar_repeated_a_step_higher(self) -> None:
        score = build(
            "C5:1 E5 D5:1/2 C5 B4:1 | D5:1 F5 E5:1/2 D5 C5:1 | E5:1 G5 F5:1/2 E5 D5:1 | C5:4",
            "C4:2 G3 | D4:2 A3 | E4:2 B3 | C4:4",
        )
        (event,) = found(score, "C: I:2 V:2 ii:2 vi:2 iii:2 viio:2 I:4")
        assert event.label in ("rising", "ascending fifths")
        assert (event.get("model_start"), event.get("model_end")) == (0, 4)
        assert event.get("statements") == 3
        assert event.get("statement_times") == (0, 4, 8)
        assert event.get("interval") == Interval.parse("M2")
        assert event.get("imitation") == "diatonic"

    def test_exact(self) -> None:
        score = build(
            "C5:1 E5 D5:1/2 C5 B4:1 | D5:1 F#5 E5:1/2 D5 C#5:1 | E5:1 G#5 F#5:1/2 E5 D#5:1",
            "C4:4 | D4:4 | E4:4",
        )
        (event,) = found(score, "C: I:4 V/V:4 V/vi:4")
        assert (event.label, event.get("imitation")) == ("rising", "exact")

    def test_only_the_melody(self) -> None:
        score = build(
            "E5:1 G5 F5 E5 | D5:1 F5 E5 D5 | C5:1 E5 D5 C5 | B4:4",
            "C4+E4:2 C4+G4 | F3+D4 G3+B3:1 G3 | A3+C4:3 E3+C4:1 | G3:4",
        )
        (event,) = found(score, "C: I:4 V:4 vi:4 V:4")
        assert (event.label, event.get("statements")) == ("melodic", 3)
        assert event.get("interval") == Interval.parse("-M2")

    @pytest.mark.parametrize(
        "line",
        [
            "C4:1 D4 E4 F4 | G4 A4 B4 C5 | D5 E5 F5 G5",  # a scale
            "C5:1 E5 G5 E5 | C5 E5 G5 E5 | C5 E5 G5 E5",  # the same again
            "C5:1 E5 D5 C5 | D5:2 F5:1 E5 | E5:1/2 F5 G5:3",  # another rhythm each time
        ],
    )
    def test_none(self, line: str) -> None:
        assert found(build(line, "C3:12"), "C: I:12") == []


def test_a_broken_chord_that_climbs_is_no_sequence() -> None:
    """A sequence moves a model to other degrees (Hutchinson, harmonic sequences), not through one chord."""
    score = build("G3:1/2 E3 G3 E3 | B3:1/2 G3 B3 G3 | E4:1/2 B3 E4 B3", meter="2/4")
    assert found(score, "e: i:6") == []
    assert found(score, "e: i:2 III:2 VI:2") != []


class TestChains:
    def test_diminished_sevenths(self) -> None:
        score = build(
            "B4:2 Bb4 | A4 G#4 | A4:4",
            "F4:2 E4 | Eb4 D4 | C4:4",
            "D4:2 C#4 | C4 B3 | A3:4",
            "G#3:2 G3 | F#3 F3 | E3:4",
        )
        (event,) = found(score, "a: viio7:2 viio65/iv:2 | viio7/V:2 viio42:2 | i64:4", "chain")[:1]
        assert event.label == "diminished sevenths"
        assert (event.start, event.end) == (0, 8)

    def test_one_diminished_seventh_inverted_is_no_chain(self) -> None:
        score = build("B4:2 D5 | F5 A4", "F4:2 B4 | D5 F4", "D4:2 F4 | B4 D4", "G#3:2 G#3 | G#3 B3")
        chords = "a: viio7:2 viio7:2 | viio7:2 viio65:2"
        assert [e for e in found(score, chords, "chain") if e.label == "diminished sevenths"] == []

    def test_parallel_six_three_chords(self) -> None:
        score = build("C6:1 B5 A5 G5 F5 E5 D5 C5", "G5:1 F5 E5 D5 C5 B4 A4 G4", "E5:1 D5 C5 B4 A4 G4 F4 E4")
        events = found(score, "C: I6:1 viio6 vi6 V6 IV6 iii6 ii6 I6", "chain")
        (event,) = [e for e in events if e.label == "parallel six-three chords"]
        assert (event.start, event.end) == (0, 8)
        assert event.get("interval") == Interval.parse("-P8")

    def test_six_threes_as_labelled_under_a_figured_top(self) -> None:
        score = build("C6:1/2 D6 B5 C6 A5 B5 G5 A5", "G5:1 F5 E5 D5", "E5:1 D5 C5 B4")
        events = found(score, "C: I6:1 viio6 vi6 V6", "chain")
        (event,) = [e for e in events if e.label == "parallel six-three chords"]
        assert event.get("basses") == tuple(Pitch.parse(p) for p in ("E5", "D5", "C5", "B4"))

    @pytest.mark.parametrize(
        ("top", "told"), [("G5:1/2 C6 F5 B5 E5 A5 D5 G5", 1), ("G4:1/2 C5 F4 B4 E5 A4 D5 G5", 0)]
    )
    def test_labelled_six_threes_slide_only_where_the_top_goes_with_the_bass(
        self, top: str, told: int
    ) -> None:
        """Common practice, no source: what goes apart from its bass does not slide in parallel."""
        events = found(build(top, "E4:1 D4 C4 B3"), "C: I6:1 viio6 vi6 V6", "chain")
        assert len([e for e in events if e.label == "parallel six-three chords"]) == told

    def test_a_chain_of_suspensions_over_six_threes_does_not_slide_in_parallel(self) -> None:
        # The seventh over each step of the bass sinks to the sixth after it (common practice).
        top = "C6:1 C6:1/2 B5 B5 A5 A5 G5"
        for held in (top, "C6:3/2 B5:1 A5:1 G5:1/2"):
            score = build(held, "G5:1 F5 E5 D5", "E5:1 D5 C5 B4")
            events = found(score, "C: I6:1 viio6 vi6 V6", "chain")
            assert [e for e in events if e.label == "parallel six-three chords"] == []

    def test_three_six_threes_are_no_chain(self) -> None:
        score = build("C6:1 B5 A5 G5", "G5:1 F5 E5 D5", "E5:1 D5 C5 G4")
        events = found(score, "C: I6:1 viio6 vi6 V", "chain")
        assert [e for e in events if e.label == "parallel six-three chords"] == []

    def test_lament_by_semitones(self) -> None:
        score = build("A4:2 E5 | E5 D5 | D5 E5", "A3:2 G#3 | G3 F#3 | F3 E3")
        (event,) = found(score, "a: i:2 V6:2 | v6:2 IV6:2 | iv6:2 V:2", "chain")
        assert (event.label, event.get("colour")) == ("lament bass", "chromatic")
        assert event.get("basses") == tuple(Pitch.parse(p) for p in ("A3", "G#3", "G3", "F#3", "F3", "E3"))
        assert event.get("interval") == Interval.parse("-P4")

    def test_lament_by_the_scale(self) -> None:
        score = build("A4:4 | E5:4 | D5:4 | E5:4", "A3:4 | G3:4 | F3:4 | E3:4")
        (event,) = found(score, "a: i:4 v6:4 iv6:4 V:4", "chain")
        assert (event.label, event.get("colour")) == ("lament bass", "diatonic")

    def test_the_same_steps_in_major_are_none(self) -> None:
        score = build("C5:4 | G5:4 | F5:4 | G5:4", "C4:4 | B3:4 | A3:4 | G3:4")
        assert found(score, "C: I:4 V6:4 IV6:4 V:4", "chain") == []

    def test_chromatic_ascent(self) -> None:
        score = build("A4:4 | C5:4 | D5:4 | D5:4", "F3:4 | F#3:4 | G3:4 | G#3:4")
        (event,) = found(score, "C: IV:4 V65/V:4 V:4 V65/vi:4", "chain")
        assert (event.label, event.get("interval")) == ("chromatic bass ascent", Interval.parse("A2"))

    def test_what_is_lowest_while_the_bass_rests_is_no_bass(self) -> None:
        tune = "A5:4 | C6:4 | D6:4 | "
        score = build(
            tune + "Ab5:1/2 D6:7/2",
            "F4:4 | F#4:4 | G4:4 | Ab4:1/2 B4:7/2",
            "F2:4 | F#2:4 | G2:4 | r:1/2 G2:7/2",
        )
        assert found(score, "C: IV:4 V65/V:4 V:4 viio7:1/2 V:7/2", "chain") == []

    def test_three_semitone_tones_are_none(self) -> None:
        score = build("A4:4 | C5:4 | D5:4 | E5:4", "F3:4 | F#3:4 | G3:4 | C3:4")
        assert found(score, "C: IV:4 V65/V:4 V:4 I:4", "chain") == []


def test_through_the_engine() -> None:
    events = find_sequences(FIFTHS, read_harmony(FIFTHS).spans)
    assert "descending fifths" in [e.label for e in events]


def _named(piece: str) -> list[tuple[str, str, str]]:
    score = read_score(EXAMPLES / piece / "score.musicxml")
    text = (EXAMPLES / piece / "analysis.txt").read_text(encoding="utf-8")
    events = find_sequences(score, read_analysis(parse(text), score).spans)
    ends = [score.measure_at(e.end - Fraction(1, 8)).number for e in events]
    return [(e.label, score.measure_at(e.start).number, end) for e, end in zip(events, ends, strict=True)]


def test_the_barcarolle() -> None:
    """Bars as its page names them: fifths 21-27, thirds a third lower 13-16, the bass climbing 64-68."""
    named = _named("chain-ferry")
    assert ("descending fifths", "21", "27") in named
    assert ("falling", "13", "16") in named
    assert ("chromatic bass ascent", "64", "68") in named
    assert any(label == "ascending 5-6" and 63 <= int(a) <= 64 and b == "68" for label, a, b in named)


def test_the_slow_study() -> None:
    """Bars as its page names them: suspended sevenths by fifths from 9 to 15, again twice as fast from 34."""
    named = _named("lock-water")
    assert ("descending fifths", "9", "16") in named  # with the goal, the tonic of 16
    assert ("descending fifths", "34", "38") in named
