"""Worked examples of pedal points, drones and repeated notes.

Facts from Hutchinson, *Music Theory for the 21st-Century Classroom*, ch. 10 (a pedal point is held or
repeated while chords change that it does not belong to; most often tonic or dominant, most often in the
bass; "inverted" above, "internal" between) and *Open Music Theory* v2, "Embellishing Tones"; the music is
ours. The pieces of the project are checked against what their own pages say of them.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from tests.findings.build import build, spans_of

from understave.findings.catalogue import is_sure
from understave.findings.chords_at import Harmony
from understave.findings.pedalpoints import bars_of, bass_runs, find_pedalpoints, other_runs
from understave.findings.sounding_notes import soundings
from understave.harmony.engine import read_harmony
from understave.harmony.reading import Event
from understave.harmony.romantext import parse, read_analysis
from understave.score.model import Score
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


def found(score: Score, text: str, kind: str = "pedal point") -> list[Event]:
    return [e for e in find_pedalpoints(score, spans_of(score, text)) if e.kind == kind]


def numerals(*texts: str) -> tuple[RomanNumeral, ...]:
    return tuple(RomanNumeral.parse(t) for t in texts)


UPPER = ("G4:4 | A4:4 | B4:4 | G4:4", "E4:4 | F4:4 | F4:4 | E4:4", "C4:4 | C4:4 | D4:4 | C4:4")
TONIC = build(*UPPER, "C3:16")
OVER_TONIC = "C: I:4 | IV64:4 | viio:4 | I:4"


class TestBass:
    def test_tonic_held_under_chords_that_leave_it(self) -> None:
        (event,) = found(TONIC, OVER_TONIC)
        assert event.label == "tonic"
        assert (event.start, event.end) == (0, 16)
        assert event.get("manner") == "held"
        assert event.get("chords") == numerals("I", "IV64", "viio", "I")
        assert event.get("foreign") == numerals("viio")
        assert event.get("chord_times") == (0, 4, 8, 12)
        assert event.get("bars") == 4
        assert event.notes == ("v4n1",)

    @pytest.mark.parametrize(("last", "ends"), [("G3:2", 18), ("E3:2", 24), ("G3:1 C3:1", 24)])
    def test_a_root_that_takes_over_the_bass_for_long_ends_it(self, last: str, ends: int) -> None:
        """What stays is the lowest from first to last (Hutchinson, ch. 10); V7's root is another."""
        upper = ("G4:4 | A4:4 | B4:4 | G4:4 | F4:4 | E4:4", "E4:4 | F4:4 | F4:4 | E4:4 | D4+B4:4 | C4:4")
        score = build(*upper, f"C3:16 | C3:2 {last} | C3:4")
        events = found(score, "C: I:4 | IV64:4 | viio:4 | I:4 | V7:4 | I:4")
        assert [(e.start, e.end) for e in events if e.label == "tonic"] == [(0, ends)]

    @pytest.mark.parametrize("by", ["m2", "M2", "m3", "M3", "P4", "A4", "P5", "m6", "M6", "m7"])
    def test_in_every_key(self, by: str) -> None:
        interval = Interval.parse(by)
        moved = tuple(replace(n, pitch=n.pitch + interval, written=n.written + interval) for n in TONIC.notes)
        key = PitchClass.parse("C") + interval
        (event,) = found(replace(TONIC, notes=moved), OVER_TONIC.replace("C:", f"{key}:"))
        assert (event.label, event.get("key")) == ("tonic", Key(key))

    def test_dominant_struck_again(self) -> None:
        score = build(
            "B4:4 | C5:4 | C5:4 | B4:4",
            "F4:4 | G4:4 | A4:4 | F4:4",
            "D4:4 | E4:4 | F4:4 | D4:4",
            "G2:1 " * 16,
        )
        (event,) = found(score, "C: V7:4 | I64:4 | IV:4 | V7:4")
        assert (event.label, event.get("degree"), event.get("manner")) == ("dominant", 5, "re-struck")
        assert event.get("strikes") == 16

    def test_broken_octaves(self) -> None:
        score = build(*UPPER, "C2:1/2 C3 " * 16)
        (event,) = found(score, OVER_TONIC)
        assert (event.label, event.get("manner")) == ("tonic", "broken octaves")
        assert event.get("pitch") == Pitch.parse("C2")

    def test_octave_tremolo(self) -> None:
        score = build(*UPPER, "C2:1/4 C3 " * 32)
        (event,) = found(score, OVER_TONIC)
        assert event.get("manner") == "octave tremolo"

    def test_figured_under_a_broken_chord(self) -> None:
        score = build(
            "G5:4 | A5:4 | B5:4 | G5:4",
            "C3:1/2 E4 G4 E4 C3 E4 G4 E4 | C3 F4 A4 F4 C3 F4 A4 F4 | "
            "C3 F4 B4 F4 C3 F4 B4 F4 | C3 E4 G4 E4 C3 E4 G4 E4",
        )
        (event,) = found(score, OVER_TONIC)
        assert (event.label, event.get("manner")) == ("tonic", "figured")
        assert (event.start, event.end) == (0, 16)

    def test_in_minor_another_degree(self) -> None:
        score = build("C5:4 | D5:4 | C5:4 | B4:4", "A4:4 | B4:4 | A4:4 | G#4:4", "F3:12 E3:4")
        (event,) = found(score, "a: VI:4 | viio64:4 | VI:4 | V:4")
        assert (event.label, event.get("degree"), event.end) == ("other degree", 6, 12)

    def test_double_pedal_tells_the_second_tone(self) -> None:
        score = build("E5:4 | F5:4 | F5:4 | E5:4", "C5:4 | A4:4 | B4:4 | C5:4", "G3:16", "C3:16")
        (event,) = [e for e in found(score, OVER_TONIC) if e.get("place") == "bass"]
        assert event.get("second") == Pitch.parse("G3")


class TestAbove:
    def test_inner(self) -> None:
        score = build(
            "C5:2 D5 | E5 F5 | E5 D5 | C5:4",
            "G4:16",
            "C3:2 B2 | C3 D3 | A2 B2 | C3:4",
        )
        (event,) = found(score, "C: I:2 V6:2 I:2 iiø43:2 vi:2 V6:2 I:4")
        assert (event.label, event.get("pitch")) == ("inner", Pitch.parse("G4"))

    def test_upper(self) -> None:
        score = build(
            "C6:16",
            "E5:2 D5 | C5 B4 | A4 B4 | C5:4",
            "C3:2 B2 | A2 G2 | F2 G2 | C3:4",
        )
        (event,) = found(score, "C: I:2 V6:2 vi:2 V:2 IV:2 V:2 I:4")
        assert (event.label, event.get("place"), event.start, event.end) == ("upper", "top", 0, 16)


class TestNone:
    def test_chords_that_move_with_their_bass(self) -> None:
        score = build("G4:4 | A4:4 | G4:4 | G4:4", "E4:4 | F4:4 | F4:4 | E4:4", "C3:4 | F3:4 | G3:4 | C3:4")
        assert found(score, "C: I:4 | IV:4 | V7:4 | I:4") == []

    def test_one_chord_over_its_root(self) -> None:
        score = build("G4:2 C5 | E5 C5 | G4 E4 | G4:4", "E4:16", "C3:16")
        assert found(score, "C: I:16") == []

    def test_cadential_six_four_is_no_pedal_point(self) -> None:
        score = build("C5:2 E5 | D5:2 B4 | C5:4", "E4:2 C5 | B4:2 F4 | E4:4", "A3:2 G3 | G3:4 | C3:4")
        assert found(score, "C: vi:2 Cad64:2 | V:2 V7:2 | I:4") == []

    def test_a_common_tone_of_two_chords(self) -> None:
        score = build("C5:8 D5:4", "E4:4 F4 | B3:4", "C3:4 F2 | G2:4")
        assert found(score, "C: I:4 IV:4 V:4") == []

    def test_alternating_basses(self) -> None:
        score = build("E5:2 D5 E5 D5 E5 D5 E5 D5", "C3:2 G2 C3 G2 C3 G2 C3 G2")
        assert found(score, "C: I:2 V:2 I:2 V:2 I:2 V:2 I:2 V:2") == []


class TestDrone:
    def test_open_fifth_as_on_a_bagpipe(self) -> None:
        score = build("E5:1 D5 C5 D5 " * 4, "C3+G3:4 " * 4)
        (event,) = found(score, "C: I:16", "drone")
        assert (event.label, event.get("fifth")) == ("open fifth", Pitch.parse("G3"))

    def test_four_bars_of_one_low_tone(self) -> None:
        (event,) = found(TONIC, OVER_TONIC, "drone")
        assert (event.label, event.get("bars")) == ("single tone", 4)

    def test_two_bars_of_one_low_tone_are_none(self) -> None:
        score = build("E5:4 D5", "C3:8")
        assert found(score, "C: I:4 V:4", "drone") == []

    def test_alberti_bass_is_none(self) -> None:
        score = build("E5:4 E5 D5", "C3:1/2 G3 E3 G3 C3 G3 E3 G3 C3 G3 E3 G3 C3 G3 E3 G3 B2:4")
        assert found(score, "C: I:8 V6:4", "drone") == []


class TestRepeated:
    def test_melody_knocks_on_one_note(self) -> None:
        score = build("E5:1/2 E5 E5 E5 E5 E5 E5 E5", "C3:4")
        (event,) = found(score, "C: I:4", "repeated note")
        assert (event.label, event.get("strikes"), event.get("value")) == ("melody note", 8, Fraction(1, 2))

    def test_chord(self) -> None:
        score = build("E5:4 | F5:4", "C4+E4+G4:1/2 " * 8 + "C4+F4+A4:1/2 " * 8, "C3:8")
        events = found(score, "C: I:4 IV64:4", "repeated note")
        assert [(e.label, e.get("strikes"), e.start) for e in events] == [("chord", 8, 0), ("chord", 8, 4)]

    def test_bass_note(self) -> None:
        score = build("E5:4 | D5:4", "C3:1 C3 C3 C3 C3 C3 C3 C3")
        (event,) = found(score, "C: I:4 V7:4", "repeated note")
        assert event.label == "bass note"

    @pytest.mark.parametrize("line", ["E5:1 E5 E5 D5", "E5:4 E5 E5 E5 E5", "E5:1 D5 E5 D5 E5 D5 E5 D5"])
    def test_too_few_too_slow_or_others_between(self, line: str) -> None:
        score = build(line, "C3:4")
        assert found(score, "C: I:4", "repeated note") == []


def test_through_the_engine() -> None:
    score = build(
        "E5:4 | F5:4 | D5:4 | E5:4 | F5:4 | D5:4 | C5:4 | C5:4",
        "C5:4 | A4:4 | B4:4 | C5:4 | A4:4 | B4:4 | G4:4 | G4:4",
        "G4:4 | F4:4 | F4:4 | G4:4 | F4:4 | F4:4 | E4:4 | E4:4",
        "C3:4 " * 8,
    )
    events = find_pedalpoints(score, read_harmony(score).spans)
    assert ("pedal point", "tonic", 0) in [(e.kind, e.label, e.start) for e in events]


def _named(piece: str) -> tuple[Score, list[tuple[str, str, str, str]]]:
    score = read_score(EXAMPLES / piece / "score.musicxml")
    text = (EXAMPLES / piece / "analysis.txt").read_text(encoding="utf-8")
    events = find_pedalpoints(score, read_analysis(parse(text), score).spans)
    last = [score.measure_at(e.end - Fraction(1, 8)).number for e in events]
    named = [
        (e.kind, e.label, score.measure_at(e.start).number, end) for e, end in zip(events, last, strict=True)
    ]
    return score, named


def test_the_barcarolle() -> None:
    """Bars as its page names them: tonic pedal 1-4 (held into 5), F tolling from 35, drone 73-80."""
    _, named = _named("chain-ferry")
    assert ("pedal point", "tonic", "1", "5") in named
    assert ("pedal point", "tonic", "73", "80") in named
    assert ("drone", "single tone", "73", "80") in named
    assert ("repeated note", "melody note", "35", "36") in named


def test_the_slow_study() -> None:
    """Bars as its page names them: dominant pedal 21-30, tonic pedal 38-40."""
    _, named = _named("lock-water")
    assert ("pedal point", "dominant", "21", "30") in named
    assert ("pedal point", "tonic", "38", "40") in named


@pytest.mark.corpus
def test_pedal_points_marked_by_analysts_in_songs() -> None:
    """``Pedal:`` lines of the open song analyses (OpenScore Lieder, When in Rome): most are found."""
    corpora = pytest.importorskip("benchmarks.corpora")
    try:
        folder = corpora.data_folder()
    except corpora.NoDataError as error:
        pytest.skip(str(error))
    marked = [p for p in corpora.pieces("train", ("lieder",)) if "Pedal:" in p.analyses[0].read_text("utf-8")]
    assert marked, f"no marked songs in {folder}"
    marks = found = 0
    for piece in marked[:8]:
        aligned = corpora.align(piece)
        if aligned.coverage < corpora.DROP or aligned.how == "transposed":
            continue
        events = find_pedalpoints(aligned.score, aligned.analyses[0].spans)
        tones = [(e.get("pitch"), e) for e in events if e.kind == "pedal point"]
        for mark in aligned.analyses[0].pedals:
            marks += 1
            found += any(
                isinstance(p, Pitch)
                and p.pitch_class.is_enharmonic(mark.pitch)
                and e.start < mark.end
                and e.end > mark.start
                for p, e in tones
            )
    assert marks >= 10
    assert found >= 0.7 * marks


@pytest.mark.parametrize(
    ("bass", "bars", "found"),
    [("C3+G3:4", 4, True), ("C3+G3:4", 2, False), ("C3:4", 4, True), ("C3:1/2 r:7/2", 4, False)],
)
def test_a_drone_sounds_on_for_four_bars(bass: str, bars: int, found: bool) -> None:
    """Two bars are a long chord; what is struck and let go is the bass of a figure (set by ear)."""
    score = build(" | ".join(["E5:2 D5:2"] * bars), " | ".join([bass] * bars))
    spans = spans_of(score, "C: " + " | ".join(["I:4"] * bars))
    assert any(e.kind == "drone" for e in find_pedalpoints(score, spans)) == found


def test_a_bass_that_moves_to_the_note_of_a_chord_without_it_has_left() -> None:
    """E flat is held into the dominant and ends there; D, the chord's own, is struck on beat 2."""
    upper = ("G4:4 | F4:2 G4:2 | F4:2 G4:2 | G4:4", "Bb3:4 | Bb3:4 | Bb3:4 | Bb3:4")
    score = build(*upper, "Eb2+Eb3:2 Eb3:3 D3:1/2 Bb2:1/2 Eb3:3 D3:1/2 Bb2:1/2 Eb3:2 Eb3:4", signature=-3)
    text = "Eb: I:4 | V:2 I:2 | V:2 I:2 | I:4"
    assert all(e.end - e.start <= 6 for e in found(score, text) if e.get("place") == "bass")


@pytest.mark.parametrize(("bars", "told"), [(1, False), (3, True)])
def test_a_bass_that_hardly_stays_is_not_told(bars: int, told: bool) -> None:
    """Five beats under one other chord; the same over three bars with several."""
    if bars == 1:
        score = build("E4:4 | D4:1 E4:3", "G4:4 | F4:1 G4:3", "C3:5 G2:3")
        text = "C: I:4 | V7:1 I:4"
    else:
        score, text = TONIC, OVER_TONIC
    events = found(score, text)
    assert [is_sure(e) for e in events] == [told]


def test_chords_that_change_for_a_moment_make_no_pedal_point_to_tell() -> None:
    """Eight bars of drone with one beat of dominant: a drone, not chords over a pedal point."""
    top = " | ".join(["E5:1 G5 C5 E5"] * 7 + ["D5:1 E5:3"])
    still = build(top, "G4:28 B4:1 G4:3", "C3:32")
    assert not any(is_sure(e) for e in found(still, "C: I:28 V:1 I:3"))
    moving = build(" | ".join(["E5:4", "D5:4"] * 4), " | ".join(["G4:4", "F4:4"] * 4), "C3:32")
    assert any(is_sure(e) for e in found(moving, "C: I:4 ii42 I ii42 I ii42 I ii42"))


def test_a_note_held_for_bars_is_left_where_others_are_the_bass() -> None:
    """C lies for four bars and a beat; then the bass walks, and only later strikes C again."""
    upper = tuple(
        f"{voice} | {tone}:4 | {tone}:4" for voice, tone in zip(UPPER, ("G4", "E4", "G4"), strict=True)
    )
    chords = f"{OVER_TONIC} | I:4 | I:4"
    (walking,) = found(build(*upper, "C3:17 E3:1 G3 E3 | C3:4"), chords)
    (figured,) = found(build(*upper, "C3:4 | C3:4 | C3:4 | C3:4 | C3:1 E3 G3 E3 | C3:4"), chords)
    assert (walking.end, figured.end) == (17, 24)


def test_bars_of_another_meter_count_for_what_they_are():
    """A bar of 6/8 after one of 2/4 is one bar (any handbook on meter)."""
    score = build("C5:2 | C5:2 | C5:2 | C5:2", "C3:2 | C3:2 | C3:2 | C3:2", meter="2/4")
    changed = [
        replace(m, start=Fraction(start), length=Fraction(length), beats=beats, beat_type=kind)
        for m, (start, length, beats, kind) in zip(
            score.measures, [(0, 2, 2, 4), (2, 3, 6, 8), (5, 3, 6, 8), (8, 2, 2, 4)], strict=True
        )
    ]
    score = replace(score, measures=tuple(changed))
    assert score.bars_between(Fraction(1), Fraction(9)) == 3
    assert score.bars_between(Fraction(2), Fraction(5)) == 1


@pytest.mark.parametrize(("second", "bars"), [("I64:1/2 I6:7/2", Fraction(9, 8)), ("I64:4", 2)])
def test_a_pedal_point_ends_where_a_chord_begins_on_another_bass(second, bars):
    """A pedal point is the bass as long as it lasts (Hutchinson, ch. 10): B, A sharp and A take its place."""
    low = "D3:1/2 r:3/2 D3:1/2 r:3/2 | D3:1/2 B3:1/2 B3:1 A#3:1 A3:1"
    score = build("G4:2 F#4:2 | G4:4", "B4:2 C5:2 | D5:4", low)
    harmony = Harmony(spans_of(score, f"G: Cad64:2 V7:2 {second}"))
    held = [h for h in bass_runs(score, soundings(score), harmony) if h.tone == 2]
    assert bars_of(score, held[0]) == bars


@pytest.mark.parametrize(("between", "stays"), [("B3:1", False), ("E4:1", True)])
def test_a_tone_that_steps_away_on_one_staff_does_not_stay_on_the_other(between: str, stays: bool) -> None:
    """A pedal point stays (Hutchinson, ch. 10): an A that went to B has moved, whatever hand plays A next."""
    tune, other = "staff1 E5:4 | E5:4", f"staff1 A3:3 {between} | r:4"
    score = build(tune, other, "staff2 r:4 | A3:4", "staff2 A2:4 | D3:4")
    held = [h for h in other_runs(score, soundings(score)) if h.low.midi == 57]
    assert (len(held) == 1) is stays
