"""Worked examples of cadences: what the handbooks call them, in several keys, both modes, piano textures.

Facts from Hutchinson, *Music Theory for the 21st-Century Classroom*, chapter on Roman numerals and
cadences (number 7, from memory), and *Open Music Theory*, part IV, chapters on phrase endings, on
strengthening endings and on plagal motion; the music is ours.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from tests.findings.build import build, spans_of

import understave.findings.cadences as cadences_module
from understave.claims.chords_and_keys import Cadence
from understave.claims.facts import facts
from understave.findings.cadences import cadences_of, find_cadences
from understave.findings.closes import find_closes
from understave.findings.phrases import Ending
from understave.findings.sixfours import find_sixfours
from understave.harmony.engine import read_harmony
from understave.harmony.reading import Event, Span
from understave.harmony.romantext import read_romantext
from understave.score.model import Score
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral
from understave.wording import LEVELS, say


def cadences(score: Score, spans: tuple[Span, ...]) -> list[Event]:
    return [e for e in find_cadences(score, spans) if e.kind == "cadence"]


def told(score: Score, text: str) -> list[tuple[str, Fraction]]:
    """Return label and arrival of every cadence."""
    found = []
    for event in cadences(score, spans_of(score, text)):
        arrival = event.get("arrival")
        assert isinstance(arrival, Fraction)
        found.append((event.label, arrival))
    return found


def moved(score: Score, spans: tuple[Span, ...], by: str) -> tuple[Score, tuple[Span, ...]]:
    """Return a score and its spans transposed by an interval."""
    interval = Interval.parse(by)
    notes = tuple(replace(n, pitch=n.pitch + interval, written=n.written + interval) for n in score.notes)
    keys = {s.key: Key(s.key.tonic + interval, s.key.mode) for s in spans}
    return replace(score, notes=notes), tuple(replace(s, key=keys[s.key]) for s in spans)


PERFECT = build("E5:1 F5 D5:2 | C5:4", "G4:1 A4 B4:2 | G4:4", "C4:1 C4 F4:2 | E4:4", "C3:1 F3 G3:2 | C3:4")
PERFECT_SPANS = "C: I:1 IV:1 V7:2 | I:4"


class TestAuthentic:
    def test_dominant_and_tonic_in_root_position_with_the_melody_on_the_tonic_are_perfect(self) -> None:
        (event,) = cadences(PERFECT, spans_of(PERFECT, PERFECT_SPANS))
        assert event.label == "perfect authentic"
        assert event.get("key") == Key.parse("C")
        assert event.get("dominant") == RomanNumeral.parse("V7")
        assert event.get("dominant_arrival") == 2
        assert event.get("arrival") == 4
        assert event.get("melody") == Pitch.parse("C5")
        assert (event.get("melody_before"), event.get("melody_degree")) == (2, 1)
        assert event.get("ends_phrase") == 1
        assert (event.start, event.end) == (2, 8)
        # The dominant's bass, then the goal from the bass up.
        assert event.notes == ("v4n3", "v4n4", "v3n4", "v2n4", "v1n4")

    @pytest.mark.parametrize("by", ["M2", "m3", "P4", "A4", "P5", "m6", "M6", "m7", "-m2"])
    def test_in_every_key(self, by: str) -> None:
        score, spans = moved(PERFECT, spans_of(PERFECT, PERFECT_SPANS), by)
        (event,) = cadences(score, spans)
        assert event.label == "perfect authentic"
        assert event.get("melody_degree") == 1
        assert event.get("key") == spans[0].key

    def test_in_minor_with_the_raised_leading_tone(self) -> None:
        score = build(
            "Bb4:1 C5 A4 | G4:3",
            "G4:1 G4 F#4 | G4:3",
            "D4:1 Eb4 C4 | Bb3:3",
            "G3:1 C3 D3 | G2:3",
            meter="3/4",
            signature=-2,
        )
        assert told(score, "g: i:1 iv:1 V7:1 | i:3") == [("perfect authentic", 3)]

    def test_the_melody_on_the_third_is_imperfect(self) -> None:
        score = build(
            "G4:1 A4 F4:2 | E4:4", "E4:1 F4 D4:2 | C4:4", "C4:1 C4 B3:2 | G3:4", "C3:1 F3 G3:2 | C3:4"
        )
        (event,) = cadences(score, spans_of(score, PERFECT_SPANS))
        assert event.label == "imperfect authentic"
        assert event.get("weak") == ("melody not on the tonic",)
        assert event.get("melody_degree") == 3

    @pytest.mark.parametrize(
        ("top", "low", "goal", "end", "arrives"),
        [
            ("E5:1/4 | C5:4", "C3:1/4 | C3:4", "I:1/4 | I:4", 8, 4),
            ("E5:1/4 | C5:4", "C3:1/4 | C3:4", "I:1/4 | I:2 vi:2", 6, 4),
            # The next phrase begins with it.
            ("E5:1/4 | C5:4", "C3:1/4 | C3:4", "I:17/4", 4, 4),
            # The tonic goes, its bass goes, or nothing is struck.
            ("E5:1/4 | A4:4", "C3:1/4 | A2:4", "I:1/4 | vi:4", 8, Fraction(15, 4)),
            ("E5:1/4 | A4+F5:4", "C3:1/4 | C3:4", "I:1/4 | IV64:4", 8, Fraction(15, 4)),
            ("E5:1/4 | C5:4", "C3:1/4 | E3:4", "I:1/4 | I6:4", 8, Fraction(15, 4)),
            ("E5:17/4", "C3:17/4", "I:17/4", 8, Fraction(15, 4)),
        ],
    )
    def test_a_tonic_on_the_upbeat_to_a_strong_beat_arrives_on_that_beat(
        self, top: str, low: str, goal: str, end: Fraction, arrives: Fraction
    ) -> None:
        """The melody's third stands on the upbeat, its tonic on the downbeat (common practice, no source)."""
        score = build(f"G5:2 F5:1 D5:3/4 {top}", f"C3:2 F3:1 G3:3/4 {low}")
        spans = spans_of(score, f"C: I:2 IV:1 V7:3/4 {goal}")
        closes = find_closes(spans)
        (close,) = [c for c in closes if c.label == "authentic"]
        ending = Ending(Fraction(end), 2.0, close, (), 0.9, None, None)
        (event,) = cadences_of(score, spans, closes, (ending,))
        assert event.get("arrival") == arrives < event.end
        if end == 4:
            for sooner in (replace(ending, reasons=("rest",)), replace(ending, time=Fraction(31, 8))):
                (stopped,) = cadences_of(score, spans, closes, (sooner,))
                assert (stopped.get("arrival"), stopped.label) == (Fraction(15, 4), "imperfect authentic")
        known, key = facts(score, spans), Key.parse("C")
        assert Cadence(arrives, score.end, key, "imperfect authentic").holds(known)
        if arrives == 4:
            assert event.label == "perfect authentic"
            assert not Cadence(Fraction(15, 4), score.end, key, "imperfect authentic").holds(known)

    def test_a_melody_that_rests_leaves_nothing_open(self) -> None:
        """The tune has said its last note; the tonic stands on top of what sounds (common practice)."""
        sung = build(
            "E5:1 F5 B4:1 r:1 | r:4",
            "staff2 G4:1 A4 D4+G4+B4:2 | E4+G4+C5:4",
            "staff2 C3:1 F3 G3:2 | C3:4",
        )
        (event,) = cadences(sung, spans_of(sung, PERFECT_SPANS))
        assert event.label == "perfect authentic"
        assert event.get("melody") is None
        assert event.get("top") == Pitch.parse("C5")
        assert "while the melody rests" in say(event, sung)

    def test_a_third_on_top_of_a_resting_melody_is_told_as_the_top_not_as_the_melody(self) -> None:
        score = build("E5:1 F5 B4:1 r:1 | r:4", "staff2 C3+G3:1 F3+A3 G3:2 | C3+G3+E4:4")
        (event,) = cadences(score, spans_of(score, PERFECT_SPANS))
        assert event.get("weak") == ("top not on the tonic",)
        assert "the highest voice is not on the tonic" in say(event, score)
        assert "silent" not in say(event, score, "beginner")

    def test_a_melody_that_sinks_to_the_root_at_the_end_of_the_piece_is_final(self) -> None:
        score = build(
            "E5:1 F5 D5:2 | E5:1 G4:1 C5:2",
            "G4:1 A4 B4:2 | G4:4",
            "C4:1 C4 F4:2 | E4:4",
            "C3:1 F3 G3:2 | C3:4",
        )
        (event,) = cadences(score, spans_of(score, PERFECT_SPANS))
        assert (event.label, event.get("melody")) == ("perfect authentic", Pitch.parse("C5"))

    def test_an_inverted_dominant_is_imperfect(self) -> None:
        score = build("E5:2 D5:2 | C5:4", "G4:2 G4:2 | G4:4", "C4:2 D4:2 | E4:4", "C3:2 B2:2 | C3:4")
        (event,) = cadences(score, spans_of(score, "C: I:2 V6:2 | I:4"))
        assert event.label == "imperfect authentic"
        assert event.get("weak") == ("dominant inverted",)

    def test_the_leading_tone_chord_in_place_of_the_dominant_is_imperfect(self) -> None:
        score = build("G4:2 Ab4:2 | Bb4:4", "Eb4:2 F4:2 | G4:4", "Bb3:2 D4:2 | Eb4:4", "Eb3:2 F3:2 | Eb3:4")
        (event,) = cadences(score, spans_of(score, "Eb: I:2 viio6:2 | I:4"))
        assert event.label == "imperfect authentic"
        assert "leading-tone chord" in event.get("weak")  # type: ignore[operator]

    def test_the_tonic_in_first_inversion_at_the_end_is_imperfect(self) -> None:
        score = build("E5:2 D5:2 | C5:4", "G4:2 B4:2 | G4:4", "C4:2 G4:2 | C4:4", "C3:2 G3:2 | E3:4")
        (event,) = cadences(score, spans_of(score, "C: I:2 V:2 | I6:4"))
        assert event.label == "imperfect authentic"
        assert event.get("weak") == ("tonic inverted",)

    def test_a_suspension_before_the_tonic_in_the_melody_does_not_make_it_imperfect(self) -> None:
        score = build("E5:2 D5:3 C5:3", "G4:2 B4:2 | G4:4", "C4:2 F4:2 | E4:4", "C3:2 G3:2 | C3:4")
        assert told(score, "C: I:2 V7:2 | I:4") == [("perfect authentic", 4)]

    def test_the_cadential_six_four_is_told_and_the_dominant_arrives_after_it(self) -> None:
        score = build(
            "F5:2 E5:1 D5:1 | C5:4", "A4:2 G4:1 G4:1 | G4:4", "D4:2 C4:1 B3:1 | C4:4", "F3:2 G3:1 G2:1 | C3:4"
        )
        (event,) = cadences(score, spans_of(score, "C: ii6:2 Cad64:1 V:1 | I:4"))
        assert event.label == "perfect authentic"
        assert event.get("six_four") == 2
        assert event.get("dominant_arrival") == 3
        assert event.start == 2

    def test_a_six_four_that_the_label_takes_into_the_dominant_is_told_as_well(self) -> None:
        score = build("F5:2 E5:1 D5 | C5:4", "A4:2 C5:1 B4 | G4:4", "D4:2 G4:2 | E4:4", "F3:2 G3:2 | C3:4")
        (event,) = cadences(score, spans_of(score, "C: ii6:2 V:2 | I:4"))
        assert event.get("six_four") == 2
        assert event.get("dominant_arrival") == 3

    def test_a_modulating_phrase_closes_in_the_new_key(self) -> None:
        score = build(
            "E5:2 E5:2 | A4:2 A4:2 | G4:4",
            "G4:2 G4:2 | E4:2 F#4:2 | D4:4",
            "C4:2 B3:2 | C4:2 C4:2 | B3:4",
            "C3:2 E3:2 | A2:2 D3:2 | G2:4",
        )
        (event,) = cadences(score, spans_of(score, "C: I:2 G: vi:2 | ii:2 V7:2 | I:4"))
        assert event.label == "perfect authentic"
        assert event.get("key") == Key.parse("G")

    def test_a_dominant_inside_a_phrase_is_no_cadence(self) -> None:
        score = build(
            "C5:1 B4 C5 D5 | E5:1 D5 C5 E5 | F5:2 D5:2 | C5:4",
            "E4:1 D4 E4 G4 | G4:1 G4 G4 G4 | A4:2 B4:2 | G4:4",
            "C3:1 D3 C3 B2 | C3:1 B2 C3 E3 | F3:2 G3:2 | C3:4",
        )
        text = "C: I:1 V43:1 I:1 V6:1 | I:1 V6:1 I:1 I6:1 | IV:2 V:2 | I:4"
        assert told(score, text) == [("perfect authentic", 12)]


class TestHalf:
    def test_a_phrase_that_stops_on_the_dominant(self) -> None:
        score = build("E5:2 F5:2 | D5:4", "G4:2 A4:2 | B4:4", "C4:2 C4:2 | G4:4", "C3:2 F3:2 | G3:4")
        (event,) = cadences(score, spans_of(score, "C: I:2 IV:2 | V:4"))
        assert event.label == "half"
        assert event.get("leader") == RomanNumeral.parse("IV")
        assert event.get("melody_degree") == 2

    @pytest.mark.parametrize(("bars", "labels", "open_end"), [(2, "", True), (4, " | V:4 | I:4", False)])
    def test_no_answer_is_promised_where_the_piece_ends(self, bars: int, labels: str, open_end: bool) -> None:
        """What ends on a half cadence ends open (handbook): nothing comes after it."""
        voices = (
            *("E5:2 F5:2 | D5:4 | D5:4 | E5:4", "G4:2 A4:2 | B4:4 | B4:4 | G4:4"),
            *("C4:2 C4:2 | G4:4 | G4:4 | C4:4", "C3:2 F3:2 | G3:4 | G3:4 | C3:4"),
        )
        score = build(*(" | ".join(voice.split(" | ")[:bars]) for voice in voices))
        event = next(
            e for e in cadences(score, spans_of(score, f"C: I:2 IV:2 | V:4{labels}")) if e.label == "half"
        )
        assert (event.get("ends_piece") == 1) == open_end
        for level in LEVELS:
            assert ("to come" in say(event, score, level) or "wait for" in say(event, score, level)) == (
                not open_end and level != "advanced"
            )

    @pytest.mark.parametrize("by", ["m2", "M3", "P5", "-M3"])
    def test_in_minor_keys(self, by: str) -> None:
        score = build("C5:2 D5:2 | B4:4", "A4:2 A4:2 | G#4:4", "E4:2 F4:2 | E4:4", "A3:2 B3:2 | E3:4")
        moved_score, spans = moved(score, spans_of(score, "a: i:2 iio:2 | V:4"), by)
        assert [e.label for e in cadences(moved_score, spans)] == ["half"]

    def test_the_dominant_of_the_dominant_does_not_make_it_authentic(self) -> None:
        score = build("E5:2 D5:2 | D5:4", "G4:2 A4:2 | B4:4", "C4:2 C4:2 | G3:4", "C3:2 F#3:2 | G3:4")
        assert told(score, "C: I:2 V65/V:2 | V:4") == [("half", 4)]

    def test_after_a_cadential_six_four(self) -> None:
        score = build(
            "C5:2 C5:2 | B4:2 A#4:2",
            "E4:2 E4:2 | E4:2 D#4:2",
            "G3:2 A3:2 | G3:2 F#3:2",
            "E3:2 A3:2 | B3:2 B2:2",
            signature=1,
        )
        (event,) = cadences(score, spans_of(score, "e: VI6:2 iv:2 | Cad64:2 V:2"))
        assert event.label == "half"
        assert event.get("six_four") == 4
        assert event.get("arrival") == 6

    def test_phrygian_in_minor_when_the_bass_sinks_a_semitone(self) -> None:
        score = build(
            "A4:2 G4:2 | A4:2 G#4:2",
            "E4:2 D4:2 | D4:2 E4:2",
            "C4:2 B3:2 | A3:2 B3:2",
            "A3:2 G3:2 | F3:2 E3:2",
        )
        (event,) = cadences(score, spans_of(score, "a: i:2 v6:2 | iv6:2 V:2"))
        assert event.label == "phrygian half"
        assert event.get("leader") == RomanNumeral.parse("iv6")

    def test_the_same_bass_in_major_is_a_plain_half_cadence(self) -> None:
        score = build(
            "A4:2 G#4:2 | A4:2 G#4:2",
            "E4:2 E4:2 | D4:2 E4:2",
            "C#4:2 B3:2 | A3:2 B3:2",
            "A3:2 G#3:2 | F#3:2 E3:2",
        )
        assert told(score, "A: I:2 V6:2 | IV6:2 V:2") == [("half", 6)]

    def test_iv_in_root_position_before_the_dominant_is_not_phrygian(self) -> None:
        score = build("A4:2 A4:2 | G#4:4", "E4:2 F4:2 | E4:4", "C4:2 A3:2 | B3:4", "A2:2 D3:2 | E3:4")
        assert told(score, "a: i:2 iv:2 | V:4") == [("half", 4)]

    def test_a_six_four_over_the_bass_of_a_half_cadence_leaves_it_the_same_ending(self) -> None:
        """Such a six-four prolongs the dominant (handbook, on pedal six-fours); over another bass none is."""
        upper = ("C5:2 C5:2 | B4:1 C5:1 B4:2", "E4:2 F4:2 | D4:1 E4:1 D4:2", "G3:2 A3:2 | G3:1 G3:1 G3:2")
        score = build(*upper, "C3:2 F3:2 | G2:1 G2:1 G2:2")
        (event,) = cadences(score, spans_of(score, "C: I:2 IV:2 | V:1 I64:1 V:2"))
        assert (event.label, event.get("arrival")) == ("half", 6)
        upper = ("C5:2 C5:2 | B4:1 C5:1 B4:2", "E4:2 F4:2 | D4:1 E4:1 D4:2", "G3:2 A3:2 | G3:1 G3:1 G3:2")
        score = build(*upper, "C3:2 F3:2 | G2:1 G2:1 F2:2")
        assert told(score, "C: I:2 IV:2 | V:1 I64:1 V42:2") == []

    @pytest.mark.parametrize(
        ("last", "found"), [("1/2", ["perfect authentic"]), ("2", ["half", "perfect authentic"])]
    )
    def test_a_dominant_of_half_a_beat_that_goes_home_at_once_is_no_half_cadence(
        self, last: str, found: list[str]
    ) -> None:
        # The same four bars twice, the second closing; in the first the dominant is short or stands.
        rest = str(4 - Fraction(last))
        top = "E5:3 F5:1 | G5:4 | A5:2 F5:2 | D5:4"
        low = f"C3:4 | C3:4 | F3:4 | F3:{rest} G3:{last}"
        inner = f"G4:4 | E4:4 | C4:4 | C4:{rest} B3:{last}"
        again = (
            "E5:3 F5:1 | G5:4 | A5:1 F5 E5 D5 | C5:4",
            "G4:4 | E4:4 | C4:2 B3:2 | G3:4",
            "C3:4 | C3:4 | F3:2 G3:2 | C3:4",
        )
        score = build(*(f"{a} | {b}" for a, b in zip((top, inner, low), again, strict=True)))
        text = f"C: I:4 I:4 IV:4 IV:{rest} V:{last} I:4 I:4 IV:2 V:2 I:4"
        assert [label for label, _ in told(score, text)] == found

    def test_a_link_of_a_running_sequence_is_no_half_cadence(self) -> None:
        # Each pair a step above the last: E flat to A flat, F to B flat, G to C; B flat is the dominant.
        top = "Bb4:2 C5:2 | C5:2 D5:2 | D5:2 Eb5:2 | C5:4"
        inner = "G4:2 Ab4:2 | A4:2 Bb4:2 | B4:2 C5:2 | G4:4"
        low = "Eb3:2 Ab2:2 | F3:2 Bb2:2 | G3:2 C3:2 | C3:4"
        lead = ("Eb5:4 | Bb4:4", "Bb4:4 | F4:4", "Eb3:4 | Bb2:4")
        score = build(*(f"{a} | {b}" for a, b in zip(lead, (top, inner, low), strict=True)), signature=-3)
        spans = spans_of(score, "Eb: I:4 V:4 I:2 IV:2 V/V:2 V:2 c: V:2 i:2 i:4")
        closes = find_closes(spans)
        piece = cadences_module._Piece(score, spans, closes)
        inside = [c.arrival for i, c in enumerate(closes) if piece.is_in_sequence(i)]
        assert inside == [10, 14]
        last = next(c for c in closes if c.arrival == 14)
        ending = Ending(Fraction(16), 4.0, last, ("rhythm of the opening",), 1.0, None, None)
        assert [e for e in cadences_of(score, spans, closes, (ending,)) if e.get("arrival") == 14] == []


class TestPlagal:
    def test_the_subdominant_leads_home(self) -> None:
        score = build(
            "F4:4 | D4:4 | F4:4",
            "C4:4 | Bb3:4 | C4:4",
            "A3:4 | F3:4 | A3:4",
            "F2:4 | Bb2:4 | F2:4",
            signature=-1,
        )
        (event,) = cadences(score, spans_of(score, "F: I:4 | IV:4 | I:4"))
        assert event.label == "plagal"
        assert event.start == 4
        assert event.get("dominant") is None

    def test_the_minor_subdominant_in_minor(self) -> None:
        score = build(
            "E4:4 | E4:4 | E4:4",
            "B3:4 | C4:4 | B3:4",
            "G3:4 | A3:4 | G3:4",
            "E3:4 | A2:4 | E3:4",
            signature=1,
        )
        assert told(score, "e: i:4 | iv:4 | i:4") == [("plagal", 8)]

    def test_also_where_the_subdominant_is_labelled_as_a_key_of_its_own(self) -> None:
        score = build(
            "F4:4 | F4:4 | F4:4", "C4:4 | Db4:4 | C4:4", "Ab3:4 | Bb3:4 | A3:4", "F3:4 | Bb2:4 | F2:4"
        )
        assert told(score, "f: i:4 | bb: i:4 | f: I:4") == [("plagal", 8)]

    def test_a_subdominant_over_the_tonics_own_bass_is_none(self) -> None:
        # The cadence was made before; the six-four only decorates its goal.
        score = build(
            "E5:2 D5:2 | C5:2 C5:1 C5:1",
            "G4:2 B4:2 | G4:2 A4:1 G4:1",
            "C4:2 F4:2 | E4:2 F4:1 E4:1",
            "C3:2 G3:2 | C3:4",
        )
        events = cadences(score, spans_of(score, "C: I:2 V7:2 | I:2 IV64:1 I:1"))
        assert [e.label for e in events] == ["perfect authentic"]


class TestDeceptive:
    def test_the_bass_steps_up_to_the_sixth_degree(self) -> None:
        score = build(
            "G4:2 E4:2 | D4:4", "E4:2 C#4:2 | D4:4", "B3:2 A3:2 | F#3:4", "G3:2 A3:2 | B3:4", signature=2
        )
        (event,) = cadences(score, spans_of(score, "D: IV:2 V:2 | vi:4"))
        assert event.label == "deceptive"
        assert event.get("expected") == RomanNumeral.parse("I")
        assert event.get("bass_degree") == 6

    def test_in_minor_to_the_major_chord(self) -> None:
        score = build(
            "F5:2 D5:2 | C5:4", "Ab4:2 B4:2 | C5:4", "C4:2 G4:2 | Eb4:4", "F3:2 G3:2 | Ab3:4", signature=-3
        )
        (event,) = cadences(score, spans_of(score, "c: iv:2 V:2 | VI:4"))
        assert event.label == "deceptive"
        assert event.get("expected") == RomanNumeral.parse("i")

    @pytest.mark.parametrize(("seventh", "told_so"), [("Eb3", False), ("Db4", True)])
    def test_a_tonic_elsewhere_promises_nothing(self, seventh: str, told_so: bool) -> None:
        """E flat major at rest, then D flat: only with its seventh would E flat be heard as a dominant."""
        score = build("G4:4 | F4:4", "Bb3:4 | Ab3:4", f"{seventh}:4 | Db4:4", "Eb3:4 | F3:4", signature=-3)
        first = "V7" if told_so else "I"
        key = "Ab:" if told_so else "Eb:"
        found = told(score, f"{key} {first}:4 | Ab: IV6:4")
        assert ("deceptive" in [label for label, _ in found]) is told_so
        known = facts(score, spans_of(score, f"{key} {first}:4 | Ab: IV6:4"))
        claim = Cadence(Fraction(4), Fraction(8), Key.parse("Ab"), "deceptive")
        assert claim.holds(known) is told_so

    def test_inside_a_phrase_that_goes_on_to_close(self) -> None:
        score = build(
            "E5:2 F5:1 E5 | D5:1 C5 D5 B4 | C5:1 D5 E5 F5 | E5:2 D5:2 | C5:4",
            "G4:2 A4:2 | F4:2 F4:2 | E4:2 A4:2 | F4:2 F4:2 | E4:4",
            "C3:2 F3:2 | G3:2 G3:2 | A3:2 F3:2 | G3:2 G3:2 | C3:4",
        )
        found = told(score, "C: I:2 IV:2 | V7:4 | vi:2 IV:2 | V7:4 | I:4")
        assert found == [("deceptive", 8), ("perfect authentic", 16)]

    def test_an_inverted_dominant_promises_nothing(self) -> None:
        score = build("G4:2 G4:2 | E4:4", "E4:2 D4:2 | C4:4", "C4:2 B3:2 | A3:4", "C3:2 B2:2 | A2:4")
        assert told(score, "C: I:2 V6:2 | vi:4") == []


class TestEvaded:
    SCORE = build(
        "F5:2 E5:1 D5:1 | G5:1 A5:1/2 G5 F5 E5 D5 E5 | F5:2 E5:1 D5:1 | C5:4",
        "A4:2 G4:1 G4:1 | G4:4 | A4:2 G4:1 G4:1 | G4:4",
        "D4:2 C4:1 B3:1 | C4:4 | D4:2 C4:1 B3:1 | C4:4",
        "F3:2 G3:2 | E3:4 | F3:2 G3:2 | C3:4",
    )

    def test_the_bass_slips_to_the_tonic_in_first_inversion_and_the_music_tries_again(self) -> None:
        events = cadences(
            self.SCORE, spans_of(self.SCORE, "C: ii6:2 Cad64:1 V:1 | I6:4 | ii6:2 Cad64:1 V:1 | I:4")
        )
        assert [(e.label, e.get("arrival")) for e in events] == [("evaded", 4), ("perfect authentic", 12)]
        assert events[0].get("expected") == RomanNumeral.parse("I")
        assert events[0].get("ends_phrase") == 0

    def test_an_unprepared_dominant_before_the_first_inversion_is_none(self) -> None:
        score = build(
            "E5:2 D5:2 | E5:1 D5 E5 C5 | F5:2 D5:2 | C5:4",
            "G4:2 G4:2 | G4:4 | A4:2 B4:2 | G4:4",
            "C3:2 G3:2 | E3:4 | F3:2 G3:2 | C3:4",
        )
        assert told(score, "C: I:2 V:2 | I6:4 | IV:2 V:2 | I:4") == [("perfect authentic", 12)]

    def test_a_dominant_with_its_seventh_in_the_bass_promises_the_first_inversion(self) -> None:
        score = build(
            "F5:2 E5:1 D5:1 | G5:1 A5:1/2 G5 F5 E5 D5 E5 | F5:2 E5:1 D5:1 | C5:4",
            "A4:2 G4:1 G4:1 | G4:4 | A4:2 G4:1 G4:1 | G4:4",
            "D4:2 C4:1 B3:1 | C4:4 | D4:2 C4:1 B3:1 | C4:4",
            "F3:2 G3:1 F3:1 | E3:4 | F3:2 G3:2 | C3:4",
        )
        assert "evaded" not in dict(told(score, "C: ii6:2 Cad64:1 V:1 | I6:4 | ii6:2 Cad64:1 V:1 | I:4"))


class TestPicardy:
    def test_a_minor_phrase_that_ends_on_the_major_tonic(self) -> None:
        score = build("C5:2 B4:2 | A4:4", "A4:2 G#4:2 | E4:4", "F4:2 E4:2 | C#4:4", "D3:2 E3:2 | A2:4")
        events = find_cadences(score, spans_of(score, "a: iv:2 V:2 | I:4"))
        third = next(e for e in events if e.kind == "picardy third")
        assert third.notes == ("v3n3",)
        assert third.get("third") == PitchClass.parse("C#")
        assert third.get("diatonic") == PitchClass.parse("C")
        assert third.get("key") == Key.parse("a")
        (cadence,) = [e for e in events if e.kind == "cadence"]
        assert cadence.get("picardy") == 1
        assert cadence.label == "perfect authentic"

    def test_a_plagal_close_may_have_one_too(self) -> None:
        score = build(
            "F4:4 | F4:4 | F4:4",
            "C4:4 | Db4:4 | C4:4",
            "Ab3:4 | Bb3:4 | A3:4",
            "F3:4 | Bb2:4 | F2:4",
            signature=-4,
        )
        events = find_cadences(score, spans_of(score, "f: i:4 | iv:4 | I:4"))
        assert [e.label for e in events] == ["plagal", "picardy third"]

    def test_none_where_the_chord_takes_a_seventh_and_leads_on(self) -> None:
        """A dominant seventh is no close (Hutchinson, chapter 17): A, C sharp and G lead to D minor."""
        score = build(
            "C5:2 B4:2 | A4:4 | A4:4",
            "A4:2 G#4:2 | E4:1 G4:3 | F4:4",
            "F4:2 E4:2 | C#4:4 | D4:4",
            "D3:2 E3:2 | A2:4 | D3:4",
        )
        events = find_cadences(score, spans_of(score, "a: iv:2 V:2 | d: V:1 V7:3 | i:4"))
        assert "picardy third" not in [e.kind for e in events]

    @pytest.mark.parametrize(("third", "text"), [("C4", "a: iv:2 V:2 | i:4"), ("C#4", "A: iv:2 V:2 | I:4")])
    def test_none_on_the_minor_tonic_nor_in_a_major_key(self, third: str, text: str) -> None:
        score = build("C5:2 B4:2 | A4:4", "A4:2 G#4:2 | E4:4", f"F4:2 E4:2 | {third}:4", "D3:2 E3:2 | A2:4")
        assert not [e for e in find_cadences(score, spans_of(score, text)) if e.kind == "picardy third"]


BROKEN = build(
    "E5:3 F5:1 | G5:4 | A5:2 F5:2 | D5:4 | E5:3 F5:1 | G5:4 | A5:1 F5 E5 D5 | C5:4",
    "staff2 C3:1/2 G3 E3 G3 C3 G3 E3 G3 | C3 G3 E3 G3 C3 G3 E3 G3 |"
    " F3 C4 A3 C4 F3 C4 A3 C4 | G3 D4 B3 D4 G3 D4 B3 D4"
    " | C3 G3 E3 G3 C3 G3 E3 G3 | C3 G3 E3 G3 C3 G3 E3 G3 | F3 C4 A3 C4 G3 D4 B3 D4 | C3 G3 E3 G3 C3:2",
)
BROKEN_SPANS = "C: I:4 | I:4 | IV:4 | V:4 | I:4 | I:4 | IV:2 V:2 | I:4"


class TestPianoTexture:
    def test_a_period_over_broken_chords_asks_and_answers(self) -> None:
        assert told(BROKEN, BROKEN_SPANS) == [("half", 12), ("perfect authentic", 28)]

    def test_the_reader_of_harmony_leads_to_the_same_cadences(self) -> None:
        events = cadences(BROKEN, read_harmony(BROKEN).spans)
        ends = [(e.label, e.end) for e in events if e.get("ends_phrase")]
        assert ends == [("half", 16), ("perfect authentic", 32)]

    def test_through_the_reader_in_four_parts(self) -> None:
        events = cadences(PERFECT, read_harmony(PERFECT).spans)
        assert [(e.label, e.get("arrival")) for e in events if e.get("ends_phrase")] == [
            ("perfect authentic", 4)
        ]

    def test_no_notes_no_cadence(self) -> None:
        empty = replace(PERFECT, notes=())
        assert find_cadences(empty, ()) == ()
        assert find_cadences(PERFECT, ()) == ()


EXAMPLES = Path(__file__).parents[2] / "examples"


def example(name: str) -> tuple[Score, tuple[Span, ...]]:
    """Return an example piece and the spans of its reference analysis."""
    score = read_score(EXAMPLES / name / "score.musicxml")
    return score, read_romantext((EXAMPLES / name / "analysis.txt").read_text(encoding="utf-8"), score)


class TestExamples:
    """What the notes of the two example pieces name must be found, by bar of arrival."""

    def arrivals(self, name: str) -> set[tuple[str, str]]:
        score, spans = example(name)
        found = set()
        for event in cadences(score, spans):
            arrival = event.get("arrival")
            assert isinstance(arrival, Fraction)
            found.add((event.label, score.measure_at(arrival).number))
        return found

    def test_the_barcarolle(self) -> None:
        named = {("half", "8"), ("deceptive", "28"), ("half", "57"), ("plagal", "83")}
        named |= {("perfect authentic", bar) for bar in ("20", "33", "73")}
        assert named <= self.arrivals("chain-ferry")

    def test_the_slow_study(self) -> None:
        named = {("half", "8"), ("half", "30"), ("perfect authentic", "38")}
        assert named <= self.arrivals("lock-water")

    def test_the_barcarolles_picardy_third(self) -> None:
        score, spans = example("chain-ferry")
        (third,) = [e for e in find_cadences(score, spans) if e.kind == "picardy third"]
        assert score.measure_at(third.start).number == "83"
        assert third.get("third") == PitchClass.parse("A")

    def test_the_barcarolles_six_fours_and_seventh_in_the_bass(self) -> None:
        score, spans = example("chain-ferry")
        told = {(e.label, score.measure_at(e.start).number) for e in find_sixfours(score, spans)}
        assert {("cadential", bar) for bar in ("31", "44", "56", "71")} <= told
        assert {("pedal", "3"), ("resolves", "68")} <= told


def test_the_pianos_upper_line_is_not_called_the_melody_while_the_singer_rests() -> None:
    """The song is over; the piano closes with a suspension on top that falls to the tonic."""
    score = build(
        "E5:1 F5 B4:2 | r:4", "staff2 C5:2 D5:3 C5:3", "staff2 G4:4 | E4+G4:4", "staff2 C3:2 G3:2 | C3:4"
    )
    words = tuple(replace(n, lyrics=("la",)) if n.staff == 1 else n for n in score.notes)
    score = replace(score, notes=words)
    (event,) = cadences(score, spans_of(score, "C: I:2 V7:2 | I:4"))
    assert event.label == "perfect authentic"
    assert (event.get("melody"), event.get("top")) == (None, Pitch.parse("C5"))


@pytest.mark.parametrize(("bass", "found"), [("F3:4 | C3:4", True), ("C3:4 | C3:4", False)])
def test_no_plagal_cadence_over_a_tonic_that_lies_there_already(bass: str, found: bool) -> None:
    """Over a held bass the subdominant is a pedal six-four (Hutchinson, section 16.3), no close."""
    score = build("C5:4 | C5:4", "A4:4 | G4:4", "F4:4 | E4:4", bass)
    spans = spans_of(score, "C: IV:4 | I:4")
    assert any(e.label == "plagal" for e in find_cadences(score, spans)) == found


@pytest.mark.parametrize(("dominant", "top", "home"), [("V", "D5", False), ("V7", "F5", True)])
def test_a_dominant_seventh_that_goes_home_at_once_stops_nowhere(dominant: str, top: str, home: bool) -> None:
    """Handbooks let a half cadence stop on the triad; what goes straight on to its tonic does not stop."""
    score = build(
        f"E5:4 | D5:2 C5:2 | {top}:4 | E5:4",
        "C5:4 | A4:4 | B4:4 | C5:4",
        "G4:4 | F#4:4 | G4:4 | G4:4",
        "C3:4 | D3:4 | G3:4 | C3:4",
    )
    spans = spans_of(score, f"C: I:4 V7/V:4 {dominant}:4 I:4")
    piece = cadences_module._Piece(score, spans, find_closes(spans))
    close = replace(piece.closes[0], label=cadences_module.HALF, goal=2, dominant=None)
    assert piece.goes_straight_home(close, None) == home
    assert (piece.confidence(close, None) < piece.confidence(replace(close, label="plagal"), None)) == home


@pytest.mark.parametrize(
    ("chords", "reasons", "told"),
    [
        ("C: I:4 V7/IV:4 IV:4 V:4 I:4", ("long value",), False),
        ("C: I:4 V7/IV:4 IV:4 V:4 I:4", ("rest",), True),
        ("C: I:2 ii/IV:2 V7/IV:4 IV:4 V:4 I:4", ("long value",), True),
        ("C: I:2 ii/IV:2 V65/IV:4 IV:4 V:4 I:4", ("long value",), False),
    ],
)
def test_an_applied_dominant_and_its_goal_on_the_way_are_no_close(chords, reasons, told):
    """A cadence ends a phrase (any handbook); a single applied dominant tonicizes, it closes nothing."""
    score = build(
        "C5:4 | Bb4:4 | A4:4 | B4:4 | C5:4",
        "E4:4 | E4:4 | F4:4 | D4:4 | E4:4",
        "C3:4 | C3:4 | F3:4 | G3:4 | C3:4",
    )
    spans = spans_of(score, chords)
    closes = find_closes(spans)
    at = next(c for c in closes if c.arrival == 8)
    ending = Ending(Fraction(12), 3.0, at, reasons, 1.0, score.notes[0], score.notes[0])
    found = cadences_of(score, spans, closes, (ending,))
    assert (8 in [e.get("arrival") for e in found]) is told


def test_what_begins_the_next_phrase_closes_none():
    """A phrase that ends on the dominant asks; the tonic with which the next begins is no full close (Caplin
    2013, on half cadences; from memory).
    """
    score = build(
        "E5:4 | D5:2 B4:2 | C5:4 | C5:4", "C3:2 F3:2 | G2:4 | C3:4 | C3:4", "G4:2 A4:2 | G4:4 | E4:4 | E4:4"
    )
    spans = spans_of(score, "C: I:2 ii6:2 V:4 I:8")
    closes = find_closes(spans)
    half = next(c for c in closes if c.label == "half")
    after = next(n for n in score.notes if n.onset == 8)
    ending = Ending(Fraction(8), 2.0, half, ("rest",), 1.0, score.notes[0], after)
    assert [e.label for e in cadences_of(score, spans, closes, (ending,))] == ["half"]
    assert "perfect authentic" in [e.label for e in cadences_of(score, spans, closes, ())]


@pytest.mark.parametrize(
    ("tune", "label"), [("E5:2 C5:2", "perfect"), ("E5:2 G5:2", "imperfect"), ("C5:4", "perfect")]
)
def test_a_melody_that_sinks_to_the_tonic_ends_on_it(tune, label):
    """The melody's last note over the goal is where it ends (common practice, no source)."""
    inner, low = "E4:4 | F4:4 | F4:4 | E4:4 | r:4", "C3:4 | F3:4 | G2:4 | C3:4 | r:4"
    score = build(f"C5:4 | A4:4 | D5:2 B4:2 | {tune} | r:4", inner, low)
    spans = spans_of(score, "C: I:4 IV:4 V7:4 I:8")
    closes = find_closes(spans)
    at = next(c for c in closes if c.arrival == 12)
    ending = Ending(Fraction(16), 4.0, at, ("rest",), 1.0, score.notes[-1], None)
    (found,) = [e for e in cadences_of(score, spans, closes, (ending,)) if e.get("arrival") == 12]
    assert found.label == f"{label} authentic"


@pytest.mark.parametrize(("reasons", "told"), [(("long value",), False), (("rest",), True)])
def test_two_chords_at_the_head_close_nothing(reasons, told):
    """A cadence ends what was begun (any handbook): a piece may open with dominant and tonic."""
    rest = " | C5:4 | C5:4 | C5:4 | C5:4 | C5:4 | C5:4"
    score = build("B4:2 D5:2 | C5:4" + rest, "G2:4 | C3:4" + rest, "F4:4 | E4:4" + rest)
    spans = spans_of(score, "C: V7:4 I:4 IV:12 I:12")
    closes = find_closes(spans)
    at = next(c for c in closes if c.arrival == 4)
    ending = Ending(Fraction(8), 2.0, at, reasons, 1.0, score.notes[3], score.notes[6])
    found = [e for e in cadences_of(score, spans, closes, (ending,)) if e.get("ends_phrase")]
    assert (4 in [e.get("arrival") for e in found]) is told


@pytest.mark.parametrize(("bass", "told"), [("C3:4 | C3:4", False), ("C3:4 | G2:4", True)])
def test_a_dominant_over_a_tonic_pedal_is_no_half_cadence(bass: str, told: bool) -> None:
    """Over a tonic pedal the dominant only passes (Hutchinson, chapter 10); it stops nowhere."""
    score = build("E5:4 | D5:4", "C5:4 | B4:4", "G4:4 | G4:4", bass)
    spans = spans_of(score, "C: I:4 V:4")
    assert any(e.label == "half" for e in find_cadences(score, spans)) is told


@pytest.mark.parametrize(
    ("bass", "chords", "told"),
    [
        ("G2:2 F2:1 r:1", "I64:2 V42:1 V:1", False),
        ("G2:2 G2:1 r:1", "I64:2 V7:1 V:1", True),
        ("G2:2 G2:1 F2:1", "I64:2 V:1 V42:1", False),
        ("G2:2 G2:1 F2:1", "I64:2 V:2", False),
        ("G2:2 G2:2", "I64:2 V:2", True),
    ],
)
def test_a_dominant_that_has_its_seventh_in_the_bass_is_no_half_cadence(bass: str, chords: str, told: bool):
    """The seventh in the bass goes on to the tonic's first inversion (Hutchinson, on inverted sevenths)."""
    rest = "| r:4 | G4:4"
    score = build(f"A4:4 | G4:2 D5:2 {rest}", "F4:4 | E4:2 B4:2", "C4:4 | C4:2 G3:2", f"F2:4 | {bass}")
    spans = spans_of(score, f"C: IV:4 {chords}")
    assert any(e.label == "half" for e in find_cadences(score, spans)) is told
    claims = [Cadence(s.start, s.start, s.key, "half") for s in spans if str(s.numeral) == "V"]
    assert any(claim.holds(facts(score, spans)) for claim in claims) is told
