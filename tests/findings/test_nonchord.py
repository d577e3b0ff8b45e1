"""Worked examples of non-chord tones.

The definitions are those of Hutchinson, "Music Theory for the 21st-Century Classroom", ch. 10
"Non-Chord Tones", and *Open Music Theory*, "Embellishing Tones"; the notes are our own.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from build import build, spans_of, told
from tests.once import read, read_score

from understave.findings.catalogue import weight
from understave.findings.dissonance import find_dissonances
from understave.findings.nonchord import _figure, find_nonchord
from understave.harmony.reading import Event
from understave.harmony.romantext import read_romantext
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch
from understave.wording import say

C_MAJOR = "C3+E3+G3:4"


def only(score, chords: str) -> Event:
    events = find_nonchord(score, spans_of(score, chords))
    assert len(events) == 1, told(events)
    return events[0]


def test_passing_tone_fills_a_third_off_the_beat():
    event = only(build("C5:1 D5 E5:2", C_MAJOR), "C: I:4")
    assert (event.label, event.notes) == ("passing tone", ("v1n2",))
    assert event.get("metric") == "unaccented"
    assert event.get("colour") == "diatonic"
    assert event.get("direction") == "up"
    assert event.get("preparation") == "v1n1"
    assert event.get("resolution") == "v1n3"
    assert event.get("resolution_time") == 2
    assert (event.start, event.end) == (1, 2)


def test_passing_tone_on_the_beat_is_accented():
    event = only(build("G4:1 F4 E4:2", "G2+B2:1 C3+E3:3"), "C: V:1 I:3")
    assert (event.label, event.get("metric"), event.get("direction")) == ("passing tone", "accented", "down")


def test_chromatic_passing_tone():
    event = only(build("D5:1 C#5 C5:2", "G2+B2+F3:2 C3+E3+G3"), "C: V7:2 I:2")
    assert (event.label, event.get("colour"), event.get("direction")) == ("passing tone", "chromatic", "down")


def test_two_passing_tones_fill_a_fourth():
    score = build("G4:1 A4 B4 C5", C_MAJOR)
    events = find_nonchord(score, spans_of(score, "C: I:4"))
    assert told(events) == [("passing tone", 1), ("passing tone", 2)]


@pytest.mark.parametrize(
    ("note", "side", "colour"),
    [("D5", "upper", "diatonic"), ("B4", "lower", "diatonic"), ("Db5", "upper", "chromatic")],
)
def test_neighbour_tone_leaves_and_comes_back(note, side, colour):
    event = only(build(f"C5:1 {note} C5:2", C_MAJOR), "C: I:4")
    assert (event.label, event.get("direction"), event.get("colour")) == ("neighbour tone", side, colour)


@pytest.mark.parametrize(
    ("upper", "bass", "chords", "figures"),
    [
        # Figures as in the handbook's list of suspensions; the bass is held under each.
        ("F4:6 E4:2", "F3+A3:4 C3+G3:4", "C: IV:4 I:4", "4-3"),
        ("C5:6 B4:2", "C3+E3:4 D3+F3:4", "C: I:4 viio6:4", "7-6"),
        ("D5:6 C5:2", "G3+B3:4 C3+E3:4", "C: V:4 I:4", "9-8"),
    ],
)
def test_suspensions_are_prepared_and_resolve_down(upper, bass, chords, figures):
    event = only(build(upper, bass), chords)
    assert (event.label, event.get("figures")) == ("suspension", figures)
    assert event.get("preparation") == event.notes[0] == "v1n1"
    assert event.get("resolution") == "v1n2"
    assert (event.start, event.end) == (4, 6)
    assert event.get("metric") == "accented"


@pytest.mark.parametrize(
    ("bass", "note", "figures"),
    [("C3", "F5", "4-3"), ("D3", "C5", "7-6"), ("A2", "E4", ""), ("A2", "C4", ""), ("A2", "Eb4", "5-4")],
)
def test_a_consonance_that_sinks_has_no_figures_of_a_suspension(bass, note, figures):
    """Handbooks list 9-8, 7-6 and 4-3 (Hutchinson, on suspensions): a fifth or third leans on no bass."""
    assert _figure(Pitch.parse(bass), Pitch.parse(note), -1) == figures


def test_bass_suspension_is_figured_against_the_upper_voice():
    event = only(build("E4+G4:4 D4+G4:4", "C3:6 B2:2"), "C: I:4 V6:4")
    assert (event.label, event.get("figures"), event.get("place")) == ("suspension", "2-3", "bass")


def test_a_note_that_begins_alone_above_what_enters_is_not_in_the_bass():
    """The bass is the lowest voice: an accompaniment that enters after the beat lies below the tune all the
    same (common practice, no source).
    """
    tune, low = "C5:4 C5:3 B4:1", "C3+E3:4 r:1 D3+F3:3"
    event = only(build(tune, low), "C: I:4 viio6:4")
    assert (event.label, event.get("place"), event.get("figures")) == ("suspension", "top", "7-6")


def test_what_moves_to_another_shade_of_its_letter_is_no_suspension():
    """A suspension sinks by a step of the scale (Hutchinson, ch. 10): G sharp to G is none."""
    score = build("G#4:6 G4:2", "E4:4 E4:4", "C#4:4 C#4:4", "E3:4 A#2:4")
    labels = [e.label for e in find_nonchord(score, spans_of(score, "A: V:4 viio7/ii:4"))]
    assert not {"suspension", "appoggiatura"} & set(labels)


@pytest.mark.parametrize(
    ("inner", "leans"), [("D#4:1 G4:2 | G#4:3", False), ("D#4:1 G4:1 F#4:1 | E4:3", True)]
)
def test_what_the_next_chord_moves_to_another_shade_of_its_letter_is_no_appoggiatura(inner, leans):
    """It leans on nothing; by a step of the scale it would (common practice, no source)."""
    score = build("B4:3 | B4:3", inner, "B2:3 | E3:3", meter="3/4")
    labels = [e.label for e in find_nonchord(score, spans_of(score, "E: V:3 I:3"))]
    assert ("appoggiatura" in labels) == leans


@pytest.mark.parametrize(("inner", "label"), [("F4:2 r:2", "suspension"), ("Ab4:2 r:2", "appoggiatura")])
def test_what_another_voice_of_the_hand_had_until_now_is_not_leapt_to(inner, label):
    """It lies over for the ear, whatever voice it is printed in (common practice, no source)."""
    score = build("Bb4:2 Db5:2", inner, "r:2 F4:1 Eb4:1", "Db4:2 G4:2", "Db3:2 Eb3:2")
    (event,) = [
        e for e in find_nonchord(score, spans_of(score, "Ab: ii65:2 V7:2")) if e.get("pitch").letter == "F"
    ]
    assert event.label == label


@pytest.mark.parametrize(("low", "place", "figures"), [("r:1 G2:3", "inner", "4-3"), ("r:4", "bass", "5-6")])
def test_a_note_below_which_the_bass_enters_after_the_beat_is_not_in_the_bass(low, place, figures):
    """Of a mazurka's accompaniment the bass may come on the second beat (common practice, no source)."""
    score = build("Ab4:4 G4:2 G4:2", "staff1 C4:6 B3:2", f"staff2 F2:4 {low}")
    (event,) = [e for e in find_nonchord(score, spans_of(score, "c: iv:4 V:4")) if e.label == "suspension"]
    assert (event.get("place"), event.get("figures")) == (place, figures)


def test_suspension_struck_again_is_one_dissonance():
    event = only(build("C5:2 C5:1/2 C5 B4:1", "E3+A3:2 G2+D3:2"), "C: vi64:2 V:2")
    assert (event.label, event.notes) == ("suspension", ("v1n2", "v1n3"))
    assert event.get("preparation") == "v1n1"
    assert event.get("resolution_time") == 3


def test_retardation_resolves_up():
    event = only(build("B4:6 C5:2", "G3+D4:4 C3+E4:4"), "C: V:4 I:4")
    assert (event.label, event.get("figures")) == ("retardation", "7-8")


def test_appoggiatura_is_leapt_to_and_left_by_step():
    event = only(build("E4:1 A4 G4:2", C_MAJOR), "C: I:4")
    assert (event.label, event.get("direction")) == ("appoggiatura", "upper")
    assert event.get("preparation_pitch") == Pitch.parse("E4")


def test_escape_tone_is_stepped_to_and_left_by_leap():
    event = only(build("C5:1/2 D5 B4:1 B4:2", "C3+E3+G3:1 D3+G3:3"), "C: I:1 V64:3")
    assert (event.label, event.get("direction")) == ("escape tone", "up")


@pytest.mark.parametrize("melody", ["D5:3/2 C5:1/2 C5:2", "B4:3/2 C5:1/2 C5:2"])
def test_anticipation_belongs_to_the_next_chord(melody):
    event = only(build(melody, "G2+D3+B3:2 C3+E3+G3:2"), "C: V:2 I:2")
    assert (event.label, event.notes, event.get("resolution")) == ("anticipation", ("v1n2",), "v1n3")


def test_anticipation_may_be_held_into_its_chord():
    event = only(build("D5:3/2 C5:5/2", "G2+D3+B3:2 C3+E3+G3:2"), "C: V:2 I:2")
    assert (event.label, event.start, event.end) == ("anticipation", Fraction(3, 2), 2)


@pytest.mark.parametrize(("turn", "side"), [("D5 B4", "upper"), ("B4 D5", "lower")])
def test_changing_tones_circle_a_note(turn, side):
    event = only(build(f"C5:1 {turn} C5", C_MAJOR), "C: I:4")
    assert (event.label, event.notes, event.get("direction")) == ("changing tones", ("v1n2", "v1n3"), side)
    assert event.get("second_pitch").name == turn.split()[1]


def test_pedal_tone_stays_while_chords_move():
    event = only(build("E4+G4:2 F4+B4 E4+C5:4", "C3:8"), "C: I:2 viio:2 I:4")
    assert (event.label, event.notes, event.get("place")) == ("pedal tone", ("v2n1",), "bass")
    assert (event.start, event.end) == (2, 4)


def test_bass_struck_again_every_bar_is_a_pedal_tone():
    score = build("E4+G4:3 F4+B4 E4+C5", "r:1 G3 G3 r G3 G3 r G3 G3", "staff2 C3:3 C3 C3", meter="3/4")
    event = only(score, "C: I:3 V7:3 I:3")
    assert (event.label, event.notes) == ("pedal tone", ("v3n2",))


@pytest.mark.parametrize(
    ("melody", "via"),
    [
        ("C5:2 C5:1 G4:1/2 B4", ("v1n3",)),
        ("C5:2 C5:1 A4:1/2 B4", ("v1n3",)),
        ("C5:2 C5:1 D5:1/2 B4", ("v1n3",)),
        ("C5:2 C5:1 E5:1/4 D5 B4:1/2", ("v1n3", "v1n4")),
    ],
)
def test_ornamented_resolution_is_followed(melody, via):
    """A suspension that takes a chord tone, dips below or overshoots before it resolves."""
    score = build(melody, "C3+E3:2 G2+D3:2")
    found = find_nonchord(score, spans_of(score, "C: I:2 V:2"))[0]
    assert (found.label, found.get("manner"), found.get("via")) == ("suspension", "ornamented", via)
    assert found.get("resolution_pitch") == Pitch.parse("B4")
    assert found.end == found.get("resolution_time") == Fraction(7, 2)


def test_appoggiatura_that_overshoots_resolves_late():
    score = build("E4:1 A4:1 F4:1/2 G4:3/2", C_MAJOR)
    found = find_nonchord(score, spans_of(score, "C: I:4"))[0]
    assert (found.label, found.get("manner"), found.get("resolution_time")) == (
        "appoggiatura",
        "ornamented",
        Fraction(5, 2),
    )


def test_resolution_after_a_rest_is_late():
    event = only(build("C5:2 C5:1 r:1/2 B4", "C3+E3:2 G2+D3:2"), "C: I:2 V:2")
    assert (event.label, event.get("manner"), event.get("resolution_time")) == (
        "suspension",
        "late",
        Fraction(7, 2),
    )


def test_inner_note_of_block_chords_is_followed():
    event = only(build("E4+C5+G5:2 D4+C5+G5:1 D4+B4+G5", "C3:2 G2:2"), "C: I:2 V:2")
    assert (event.label, event.get("figures"), event.get("place")) == ("suspension", "4-3", "inner")
    assert event.get("pitch") == Pitch.parse("C5")
    assert event.get("resolution_pitch") == Pitch.parse("B4")


def test_broken_chord_carries_a_suspension_in_one_register():
    score = build(
        "G5:4 G5:4",
        "C3:1/2 G3 E4 G3 C3 G3 E4 G3 B2 G3 E4 G3 B2 G3 D4 G3",
    )
    events = find_nonchord(score, spans_of(score, "C: I:4 V6:4"))
    assert [(e.label, e.get("resolution_pitch")) for e in events] == [("suspension", Pitch.parse("D4"))]


def test_line_goes_through_a_grace_note_where_it_would_leap():
    event = only(build("E5:1 F5 g:E5 D5:2", "C3+E3+G3:2 G2+B2+D3"), "C: I:2 V:2")
    assert (event.label, event.get("resolution_pitch")) == ("neighbour tone", Pitch.parse("E5"))


def test_octave_doubling_is_one_event():
    event = only(build("C5+C6:1 D5+D6 E5+E6:2", C_MAJOR), "C: I:4")
    assert (event.label, set(event.notes)) == ("passing tone", {"v1n3", "v1n4"})
    assert event.get("pitch") == Pitch.parse("D6")


@pytest.mark.parametrize(
    ("voices", "chords"),
    [
        (("C5:1 E5 G5 C6", C_MAJOR), "C: I:4"),
        (("F5:2 E5:2", "G3+B3+D4:2 C3+G3+C4:2"), "C: V7:2 I:2"),
        (("C5:2 C5:2", "F3+A3:2 C3+E3+G3:2"), "C: IV:2 I:2"),
        (("D#5:4", "F#3+A3+C4:4"), "g: viio7:4"),
        (("r:4", "C4:1 G3 E4 G3"), "C: I:4"),
    ],
)
def test_chord_tones_are_not_told(voices, chords):
    """Arpeggios, a chord's seventh, a common tone, another spelling of a member, a broken chord."""
    score = build(*voices)
    assert find_nonchord(score, spans_of(score, chords)) == ()


def test_common_tone_left_by_step_is_no_suspension():
    score = build("C5:6 B4:2", "E3+G3:4 F3+A3:2 G3+D4")
    assert find_nonchord(score, spans_of(score, "C: I6:4 IV:2 V:2")) == ()


def test_leap_to_and_from_stays_unnamed_and_doubtful():
    event = only(build("C5:1 F5 C5:2", "C3+E3+G3:4"), "C: I:4")
    assert event.label == "free tone"
    assert event.confidence < 0.8
    passing = only(build("C5:1 D5 E5:2", C_MAJOR), "C: I:4")
    assert event.confidence < passing.confidence


def test_a_seventh_among_the_leaps_of_its_chord_is_no_appoggiatura():
    """F leaps in and out over G B D: the label leaves the seventh out, though E follows in the next chord."""
    score = build("B3:1 D4 F4 D4 | E4:4", "G3:4 | C3:4")
    foreign = find_nonchord(score, spans_of(score, "C: V:4 I:4"))
    assert [(e.get("pitch").name, e.label) for e in foreign] == [("F4", "free tone")]
    # Falling at once it is one all the same, or a seventh that resolves.
    score = build("B3:1 D4 F4 E4 | E4:4", "G3:4 | C3:4")
    assert "appoggiatura" in {e.label for e in find_nonchord(score, spans_of(score, "C: V:3 I:1 I:4"))}


def test_the_first_note_of_a_quick_run_is_no_appoggiatura_to_tell_of():
    """A run that begins a step below its chord does not lean (Türk, "Klavierschule", 1789, from memory)."""
    run = build("E5:2 B4:1/6 C5 D5 E5 F5 G5 A5:1", "C3+G3:4")
    slow = build("E5:2 B4:1 C5:1", "C3+G3:4")
    for score, weighty in ((run, False), (slow, True)):
        found = [e for e in find_nonchord(score, spans_of(score, "C: I:4")) if e.label == "appoggiatura"]
        assert [bool(weight(e)) for e in found if e.get("pitch").name == "B4"] == [weighty]


def test_every_foreign_note_is_told_once():
    score = build("E5:1/2 F5 D5 G5 A5 G#5 A5 F5 E5:4", "C4:1/2 B3 C4 D4 F3:2 C3:4", "staff2 C2:8")
    spans = spans_of(score, "C: I:2 IV:2 I:4")
    ids = [i for e in find_nonchord(score, spans) for i in e.notes]
    assert len(ids) == len(set(ids))
    assert set(ids) == {i for s in spans for i in s.foreign}


def test_pedal_bass_may_enter_under_a_foreign_chord():
    event = only(
        build("A4+C5:2 G4+B4 G4+C5:4", "F#4+Eb5:2 F4+D5 E4+C5:4", "staff2 G2:8"), "C: viio7/V:2 V7:2 Cad64:4"
    )
    assert (event.label, event.notes) == ("pedal tone", ("v3n1",))


@pytest.mark.parametrize("interval", ["m2", "-P4", "A4"])
def test_transposition_changes_no_kind(interval):
    move = Interval.parse(interval)
    score = build("E5:1/2 F5 D5 G5 A5 G#5 A5 F5 E5:4", "C4:1/2 B3 C4 D4 F3:2 C3:4", "staff2 C2:8")
    spans = spans_of(score, "C: I:2 IV:2 I:4")
    moved_notes = tuple(replace(n, pitch=n.pitch + move, written=n.written + move) for n in score.notes)
    moved_spans = tuple(replace(s, key=Key(s.key.tonic + move, s.key.mode)) for s in spans)
    there = find_nonchord(replace(score, notes=moved_notes), moved_spans)
    names = ("metric", "colour", "direction", "preparation", "resolution", "figures", "via")
    assert [(e.label, e.notes, *map(e.get, names)) for e in there] == [
        (e.label, e.notes, *map(e.get, names)) for e in find_nonchord(score, spans)
    ]


def test_slow_study():
    """What the notes on the slow study say of bars 2 and 26 to 28, under its reference analysis."""
    folder = Path(__file__).resolve().parents[2] / "examples" / "lock-water"
    score = read_score(folder / "score.musicxml")
    spans = read_romantext((folder / "analysis.txt").read_text(encoding="utf-8"), score)
    bar_2 = [e for e in find_nonchord(score, spans) if score.measure_at(e.start).number == "2"]
    assert [(e.label, e.get("figures")) for e in bar_2] == [("suspension", "7-6")]
    sharpest = next(e for e in find_dissonances(score, spans) if e.get("rank") == 1)
    assert (sharpest.label, sharpest.get("lower_pitch").name, sharpest.get("upper_pitch").name) == (
        "minor ninth",
        "Bb4",
        "Cb6",
    )
    assert (score.measure_at(sharpest.start).number, sharpest.get("manner")) == ("26", "ornamented")
    assert sharpest.get("resolution_time") == score.time_of("28", Fraction(1))
    assert sharpest.get("resolution_pitch").name == "Bb5"


def test_through_the_engine():
    """A cadence with a 4-3 suspension over the dominant; the chords are our own reading's."""
    score = build(
        "E5:2 F5:2 | D5:4 | C5:4 | G4:2 A4 | G4:4 | E4:4",
        "G4:2 C5:2 | C5:2 B4:2 | G4:4 | E4:2 F4 | F4:2 D4 | C4:4",
        "C4:2 A3:2 | G3:4 | E3:4 | C4:2 C4 | B3:4 | G3:4",
        "C3:2 F3:2 | G2:4 | C3:4 | C3:2 F3 | G2:4 | C3:4",
    )
    suspensions = [e for e in read(score).events if e.label == "suspension"]
    assert [(e.notes, e.get("figures"), e.get("resolution")) for e in suspensions] == [
        (("v2n3",), "4-3", "v2n4")
    ]


def test_a_suspension_that_sinks_into_another_clash_has_not_resolved():
    """F sinks to E, but a second F has come below it: handbooks call resolved what is consonant."""
    score = build("F4:6 E4:2", "F3+A3:4 C3+G3:2 C3+F3:2")
    events = find_nonchord(score, spans_of(score, "C: IV:4 I:4"))
    held = next(e for e in events if e.label == "suspension")
    assert held.get("manner") == "unsettled"
    assert "not yet at rest" in say(held, score)
    plain = only(build("F4:6 E4:2", "F3+A3:4 C3+G3:4"), "C: IV:4 I:4")
    assert (plain.get("manner"), plain.get("rubs")) == ("direct", 1)
    assert "rubs" in say(plain, score, "beginner")


def test_a_note_that_is_foreign_to_the_label_alone_does_not_rub():
    """A over C and E is a sixth and a fourth: the ear hears no dissonance before it sinks to G."""
    score = build("A4:6 G4:2", "F3+C4:4 C3+E3:4")
    event = only(score, "C: IV:4 I:4")
    assert (event.label, event.get("rubs")) == ("suspension", None)
    assert "rubs" not in say(event, score, "beginner")


def test_a_suspension_struck_again_is_not_called_held():
    score = build("F4:4 F4:2 E4:2", "F3+A3:4 C3+G3:4")
    event = only(score, "C: IV:4 I:4")
    assert event.get("repeated") == 1
    assert "held over" not in say(event, score)


def test_a_turn_to_another_note_is_no_coming_back():
    score = build("C5:1 D5 C#5 D5", "C3+G3:2 A3+E4:1 D3+F3:1")
    events = find_nonchord(score, spans_of(score, "C: I:2 V/ii:1 ii:1"))
    turned = next(e for e in events if e.label == "neighbour tone")
    assert turned.get("returns") is None
    assert say(turned, score) == "Neighbour tone: D leans away from C and turns back to C sharp."


def test_a_run_shared_between_the_hands_passes():
    """D of the right hand, then C and B flat of the left: one line downward, no turn back."""
    score = build("F4:1/2 D5:1/4 D4:1/4 Bb4:1", "F3:1/4 Bb3:1/4 r:1/2 C4:1/2 Bb3:1/2", "Bb2:2", meter="2/4")
    event = next(e for e in find_nonchord(score, spans_of(score, "Bb: I:2")) if "v2n3" in e.notes)
    assert (event.label, event.get("direction")) == ("passing tone", "down")
    assert str(event.get("preparation_pitch")) == "D4"


def test_a_dissonance_is_not_resolved_by_its_own_ornament():
    """E flat, a touch of F, E flat again: the F gives it back and resolves nothing."""
    score = build(
        "G4:1/2 Eb4:3/8 F4:1/8 Eb4:3/8 F4:1/8 Eb4:1/2",
        "G3+D4:2",
        "Bb2:2",
        meter="2/4",
        signature=-2,
    )
    events = find_nonchord(score, spans_of(score, "g: i6:2"))
    first = next(e for e in events if "v1n2" in e.notes)
    # Only an appoggiatura is told as leaning on what it goes to; a free tone resolves to nothing.
    assert first.label == "free tone"


@pytest.mark.parametrize(("touched", "resolution"), [("A4:1/3 G#4:1/3 F#4:2", "F#4"), ("A4:2/3 E4:2", "A4")])
def test_a_note_that_is_only_touched_resolves_nothing(touched, resolution):
    """Of G sharp, A, G sharp over F sharp the A is a turn's upper note (common practice, no source)."""
    score = build(
        f"C#5:3 | G#4:1/3 {touched}",
        "C#3+E#3:3 | F#2:1 C#3+F#3+A3:2",
        meter="3/4",
        signature=3,
    )
    first = next(e for e in find_nonchord(score, spans_of(score, "f#: V:3 i:3")) if "v1n2" in e.notes)
    assert (first.label, str(first.get("resolution_pitch"))) == ("appoggiatura", resolution)


def test_an_octave_of_a_passing_tone_is_no_appoggiatura():
    """E passes from F sharp to D; the E an octave above it, struck with it, is leapt to and says no more."""
    score = build("F#4:1 E4+E5:1 D4+D5:2", "D3+A3:4")
    events = find_nonchord(score, spans_of(score, "D: I:4"))
    assert "appoggiatura" not in [e.label for e in events]
    alone = find_nonchord(build("F#4:1 E5:1 D5:2", "D3+A3:4"), spans_of(score, "D: I:4"))
    assert [e.label for e in alone] == ["appoggiatura"]


def test_a_note_that_another_part_steps_to_is_not_leapt_to():
    """The piano leaps from its chord to the C that the singer comes down to: heard is a step (common
    practice, no source), so that none is called an appoggiatura, which is leapt to (Hutchinson, ch. 10).
    """
    chords = "C: ii:2 V:2"
    score = build("A4:1 D5:1 C5:1 B4:1", "staff2 F4+A4:1 F4:1 C5:1 B4:1", "staff3 D3:2 G2:2")
    assert "appoggiatura" not in [e.label for e in find_nonchord(score, spans_of(score, chords))]
    alone = build("A4:1 G5:1 C5:1 B4:1", "staff2 F4+A4:1 F4:1 C5:1 B4:1", "staff3 D3:2 G2:2")
    assert "appoggiatura" in [e.label for e in find_nonchord(alone, spans_of(alone, chords))]


def test_what_another_voice_holds_on_is_not_foreign():
    """B and D stand over the held F all bar long: the quick B is no stranger that finds its place on C."""
    score = build("B5:1/2 C6:1/2 A5:1 F5:2", "B4:4", "D4:4", "F3:4")
    assert "v1n1" not in {i for e in find_nonchord(score, spans_of(score, "F: V7:4")) for i in e.notes}
    alone = build("D6:1/2 C6:1/2 A5:1 F5:2", "C5:4", "A4:4", "F3:4")
    assert "v1n1" in {i for e in find_nonchord(alone, spans_of(alone, "F: I:4")) for i in e.notes}


@pytest.mark.parametrize(
    ("inner", "label"),
    [("C5:1 D#5:1/2 F#5:1/2 B4:2", "free tone"), ("C5:1 B4:1 B4:2", "suspension")],
)
def test_a_note_is_held_over_only_while_the_new_chord_is_heard(inner, label):
    """C goes to B as the dominant comes; a note of the dominant must sound before, else nothing is late."""
    score = build("A5:1 A5:1 G#5:2", inner, "E3:4")
    events = find_nonchord(score, spans_of(score, "a: Cad64:1 V:3"))
    assert label in {e.label for e in events if "v1n2" in e.notes}


@pytest.mark.parametrize(
    ("tune", "sigh"),
    [
        ("C5:2 A5:1 G5:1", True),
        ("C5:2 A5:1/4 G5:3/4 C5:1", False),  # an ornament: the second note is the longer
        ("C5:1 A5:1 G5:2", False),  # it leans on nothing: the second note is the heavier
        ("G4:2 D#5:1 E5:1", False),  # it rises
    ],
)
def test_a_sigh_sinks_from_a_heavier_place_to_a_note_no_longer(tune, sigh):
    """Weight first, then release (common practice, no source)."""
    score = build(tune, "C3+G3:4")
    (event,) = [e for e in find_nonchord(score, spans_of(score, "C: I:4")) if e.label == "appoggiatura"]
    assert (event.get("sigh") == 1) is sigh


def test_a_note_of_an_augmented_sixth_is_not_foreign_though_the_label_has_another_chord():
    """The notes of the three sixths: Hutchinson, 21.1 to 21.3."""
    chords = "a: iv:2 viio7/V:2 V:4"
    sixth = build("A4:2 A4 | G#4:4", "F4:2 F4 | E4:4", "C4:2 C4 | B3:4", "D3:2 D#3 | E3:4")
    raised = build("A4:2 A4 | G#4:4", "F4:2 F4 | E4:4", "C4:2 C4 | B3:4", "D3:2 D3 | E3:4")
    assert not [e for e in find_nonchord(sixth, spans_of(sixth, chords)) if e.get("pitch").letter == "F"]
    assert [e for e in find_nonchord(raised, spans_of(raised, chords)) if e.get("pitch").letter == "F"]


@pytest.mark.parametrize(
    ("tune", "labels"),
    [
        ("C5:1 | G4:1/4 F4 G4 F4 | G4:1/4 F4 G4 F4", {"neighbour tone"}),
        ("C5:1 | G4:1/4 F4 A4 F4 | A4:1", {"appoggiatura"}),
    ],
)
def test_the_first_note_of_a_written_out_trill_is_no_appoggiatura(tune, labels):
    """A trill begins on the upper note or the main one and means one tone (common practice, no source)."""
    score = build(tune, "E4:1 | D4:1 | D4:1", meter="1/4")
    found = find_nonchord(score, spans_of(score, "d: v:1 i:1 i:1"))
    assert {e.label for e in found if e.get("pitch").letter == "G"} - {"free tone"} == labels


@pytest.mark.parametrize(
    ("tune", "labels"),
    [("G5:2 | G5:1/2 F5 Eb5 D5", {"free tone"}), ("G5:2 | G5:1 F#5:1", {"suspension"})],
)
def test_what_runs_on_through_foreign_notes_is_no_suspension(tune, labels):
    """A suspension resolves by step to a note of the chord (Hutchinson, ch. 10)."""
    score = build(tune, "Bb4:2 | A4:2", "D4:2 | C4:2", "G3:2 | D3:2", meter="2/4")
    found = find_nonchord(score, spans_of(score, "g: i:2 V7:2"))
    assert {e.label for e in found if e.get("pitch") == Pitch.parse("G5")} == labels


@pytest.mark.parametrize(
    ("before", "figure", "label"),
    [
        ("E3:1 E3 D#3 E3", "E3:1 E3 D#3 E3", "pedal tone"),
        ("E3:1 D#3 D#3 E3", "E3:1 D#3 D#3 E3", "pedal tone"),
        ("E3:2 G#3:1 E3", "E3:1 E3 D#3 E3", "suspension"),
    ],
)
def test_what_an_ostinato_strikes_anew_is_held_over_from_nothing(before, figure, label):
    """The E of bar 2 is prepared and steps down; in a figure that goes on and on it is the ground."""
    score = build("B4:4 | A4:4 | B4:4", "G#4:4 | F#4:4 | G#4:4", f"{before} | {figure} | E3:4")
    events = find_nonchord(score, spans_of(score, "E: I:4 | viio6:4 | I:4"))
    assert [e.label for e in events if e.start == 4 and e.get("pitch") == Pitch.parse("E3")] == [label]


@pytest.mark.parametrize(
    ("line", "label"), [("r:1 D5 E5 F5", "free tone"), ("D5:1 E5:2 F5:1", "appoggiatura")]
)
def test_what_begins_a_scale_out_of_silence_leans_on_nothing(line, label):
    """An appoggiatura is accented and leans on its resolution (Hutchinson, ch. 10)."""
    (event, *_) = find_nonchord(build(line, C_MAJOR), spans_of(build(line, C_MAJOR), "C: I:4"))
    assert event.label == label


def test_an_augmented_second_brings_nothing_back():
    """A neighbour comes back by a step (Hutchinson, ch. 10)."""
    score = build("B4:1 Ab4 B4:2", "G2+D3+G3:4")
    assert only(score, "c: V:4").label == "escape tone"


def test_the_fifth_over_the_bass_of_a_cadential_six_four_is_the_dominants():
    """The bass is the dominant's (Hutchinson, section 16.3), and D its fifth: it is no 5-4 suspension."""
    score = build("D5:2 D5:1 C5", "B4:2 G4+E4+C4", "G3:2 G2")
    assert not find_nonchord(score, spans_of(score, "C: V:2 Cad64:2"))
    plain = build("D5:2 D5:1 C5", "B4:2 G4+E4+C4", "G3:2 C3")
    assert [e.label for e in find_nonchord(plain, spans_of(plain, "C: V:2 I:2"))] == ["suspension"]
