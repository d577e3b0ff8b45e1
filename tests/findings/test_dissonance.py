"""Worked examples of sharp dissonances.

Interval sizes follow any handbook (Hutchinson, "Music Theory for the 21st-Century Classroom", ch. 7
"Intervals": the minor second and the major seventh are sharp dissonances, major second and minor seventh
mild ones, is common practice). What makes a clash exposed is our own measure; only its order is tested.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from build import build, spans_of, told
from tests.once import read

from understave.claims.facts import Facts, facts
from understave.claims.single_notes import Apart, Bare, Resolved
from understave.findings.dissonance import find_dissonances, interval_label, pedal_stretches
from understave.harmony.reading import Event
from understave.score.model import Direction, Score
from understave.theory.pitch import Pitch
from understave.wording import say


def found(score: Score, chords: str, **options) -> tuple[Event, ...]:
    return find_dissonances(score, spans_of(score, chords), **options)


def only(score: Score, chords: str, **options) -> Event:
    events = found(score, chords, **options)
    assert len(events) == 1, told(events)
    return events[0]


@pytest.mark.parametrize(
    ("low", "high", "label"),
    [
        ("E4", "F4", "minor second"),
        ("F4", "E5", "major seventh"),
        ("E3", "F4", "minor ninth"),
        ("E2", "F5", "minor ninth"),
        ("C2", "B5", "major seventh"),
        ("C4", "C#4", "augmented unison"),
        ("C4", "C#5", "augmented octave"),
        ("C#4", "C5", "diminished octave"),
    ],
)
def test_names_of_clashes(low, high, label):
    score = build(f"{high}:4", f"{low}:4")
    notes = [score.note_by_id["v2n1"], score.note_by_id["v1n1"]]
    assert interval_label(*notes) == label
    event = only(score, "C: I:4")
    assert (event.label, event.notes, event.start, event.end) == (label, ("v2n1", "v1n1"), 0, 4)
    assert event.get("interval").semitones % 12 in (1, 11)


@pytest.mark.parametrize(
    ("low", "high"), [("C4", "D4"), ("C4", "Bb4"), ("C4", "D5"), ("F3", "B4"), ("C3", "C5")]
)
def test_mild_dissonances_are_not_told(low, high):
    assert found(build(f"{high}:4", f"{low}:4"), "C: I:4") == ()


def test_suspended_ninth_resolves_at_once():
    event = only(build("F4:6 E4:2", "F3+A3:4 E3+G3:4"), "C: IV:4 I6:4")
    assert (event.label, event.start, event.end) == ("minor ninth", 4, 6)
    assert (event.get("dissonant"), event.get("resolution")) == ("v1n1", "v1n2")
    assert (event.get("resolution_time"), event.get("manner")) == (6, "direct")
    assert (event.get("struck"), event.get("voices")) == ("one held", "outer")


def test_a_held_bass_resolves_nothing():
    """What stays until its chord comes back is no dissonance that steps (Hutchinson, ch. 10, pedal point)."""
    event = only(build("F#4:4 G4:2 C#5:2", "staff1 D4+A4:4 D4+B4:2 E4:2", "G3:6 A3:2"), "G: V:4 I:2 V7/V:2")
    assert (event.get("dissonant"), event.get("manner")) == ("v3n1", "dissolved")
    assert event.get("resolution") == "v1n2"
    event = only(build("F#4:7 C#5:1", "staff1 D4+A4:4 D4+B4:2 E4:2", "G3:6 A3:2"), "G: V:4 I7:2 V7/V:2")
    assert (event.get("manner"), event.get("resolution")) == ("held", None)


def test_detour_before_the_resolution_is_followed():
    event = only(build("F4:5 G4:1 E4:2", "F3+A3:4 E3+G3:4"), "C: IV:4 I6:4")
    assert (event.get("resolution_time"), event.get("manner")) == (6, "ornamented")


def test_a_chord_tone_a_step_below_is_the_resolution_and_not_what_follows_it():
    """D sharp over E sinks to C sharp, which is at rest; the E to which the line goes on resolves nothing."""
    score = build(
        "D#5:3/2 C#5:1/2 E5:1/2 D#5:1/2 | C#5:3", "r:1 B3+C#4+G#4:2 | r:3", "E2:1 r:2 | E2:3", meter="3/4"
    )
    first = found(score, "B: ii65:3 ii65:3")[0]
    assert first.get("dissonant_pitch") == Pitch.parse("D#5")
    assert (first.get("resolution_pitch"), first.get("manner")) != (Pitch.parse("E5"), "ornamented")


def test_what_only_the_pedal_mixes_resolves_nothing():
    """C has gone on to B flat as D flat comes: the finger resolves nothing that only the pedal keeps."""
    score = build("Db5+F5:1 C5+Eb5:1/2 Bb4+Db5:3/2", "Bb2:3", meter="6/8", pedal=(("start", 0), ("stop", 3)))
    mixed = [e for e in found(score, "bb: i:3") if e.get("held_by") == "pedal"]
    assert mixed
    assert {e.get("resolution") for e in mixed if e.get("dissonant_pitch") == Pitch.parse("C5")} <= {None}
    assert "direct" not in {e.get("manner") for e in mixed}


def test_what_rings_on_in_a_printed_pedal_sounds_besides():
    voices = "r:1/2 Db5:3/2 C5:2", "F2:1/2 C3:3/2 r:2"
    (dry,) = find_dissonances(build(*voices), spans_of(build(*voices), "f: i:4"), ())
    wet = build(*voices, pedal=(("start", 0), ("stop", 4)))
    (pedalled,) = (e for e in find_dissonances(wet, spans_of(wet, "f: i:4")) if e.get("held_by") == "keys")
    assert (dry.get("bare"), pedalled.get("bare")) == (1, None)


def test_what_was_struck_before_a_printed_pedal_rings_on_in_it():
    voices = "r:1 Db5:1 C5:2", "C3:2 r:2", "F2:3/4 r:13/4"
    score = build(*voices, pedal=(("start", Fraction(1, 2)), ("stop", 4)))
    held = [e for e in found(score, "f: i:4") if e.get("held_by") == "keys"]
    assert [e.get("bare") for e in held] == [None]


@pytest.mark.parametrize(
    ("words", "bare"),
    [
        (("con ped.",), None),
        (("con ped.", "senza ped."), 1),
        (("Mit Pedal",), None),
        (("avec pédale", "sans pédale"), 1),
        (("without pedal",), 1),
        (("due pedali",), None),
        (("con due pedali",), None),
        (("col ped.",), None),
        (("sempre ped.",), None),
        (("con ped.", "no ped."), 1),
    ],
)
def test_a_pedal_asked_for_in_words_holds_until_it_is_taken_back(words, bare):
    printed = tuple(Direction(w, "words", Fraction(0), None, 2, w) for w in words)
    score = build("r:1 Db5:1 C5:2", "r:1/2 C3:3/2 r:2", "F2:1/2 r:7/2", directions=printed)
    (event,) = found(score, "f: i:4")
    assert event.get("bare") == bare
    claim = Bare(Fraction(1), Fraction(2), event.get("lower"), event.get("upper"))
    assert claim.holds(facts(score, spans_of(score, "f: i:4"))) is bool(bare)


def test_a_leap_to_a_chord_note_resolves_nothing():
    """F over E leaps to C and only then comes to E: Hutchinson, ch. 10, a suspension resolves by step."""
    score = build("F5:6 C5:1 E5:1", "A4:4 | G4:4", "C4:4 | E4:4", "F3:4 | C3:4")
    event = only(score, "C: IV:4 | I:4")
    assert (event.get("manner"), event.get("resolution_pitch")) == ("ornamented", Pitch.parse("E5"))


def test_a_step_to_a_chord_note_that_rubs_too_resolves_nothing():
    """G flat sinks to the F of G7, but E has come below."""
    score = build("Gb5:6 F5:2", "Bb4:4 | B4:2 E4:2", "G3:8")
    assert {e.get("manner") for e in found(score, "C: I:4 | V7:4")} == {"none"}


def test_clash_dissolves_where_the_other_note_moves():
    event = only(build("C4+E4:4 C4+F4:2 D4+F4:2", "E3:6 D3:2"), "C: I6:4 IV:2 ii:2")
    assert event.get("manner") in ("direct", "dissolved")
    assert event.get("resolution_time") == 6


def test_chord_seventh_is_the_dissonant_member():
    event = only(build("E4:2 D4:2", "F3+A3+C4:2 G3+B3:2"), "C: IV7:2 V:2")
    assert (event.label, event.get("dissonant_pitch")) == ("major seventh", Pitch.parse("E4"))
    assert event.get("resolution_pitch") == Pitch.parse("D4")


def test_octave_doublings_are_told_once():
    event = only(build("F4+F5:2 E4+E5:2", "E2+E3:4"), "C: I6:4")
    assert set(event.notes) == {"v1n1", "v1n2", "v2n1", "v2n2"}


def test_exposed_clash_ranks_first():
    score = build("F5:2 E5:2 | G4:1 A4:1/2 G4:5/2", "C4+E4:4 | G#3+E4:4", "staff2 C3:4 | C3:4")
    events = found(score, "C: I:4 I:4")
    ranks = {e.start: e.get("rank") for e in events}
    assert ranks[Fraction(0)] == 1
    exposures = [e.get("exposure") for e in sorted(events, key=lambda e: e.get("rank"))]
    assert exposures == sorted(exposures, reverse=True)
    assert all(0 <= x <= 1 for x in exposures)


@pytest.mark.parametrize(
    ("sharper", "milder"),
    [
        # longer; on a stronger beat; struck together; in outer voices; closer
        (("F4:4", "E3:4"), ("F4:1 E4:3", "E3:4")),
        (("F4:1 E4:3", "E3:4"), ("E4:1 F4:1 E4:2", "r:1 E3:3")),
        (("F4:4", "E3:4"), ("F4:6", "r:2 E3:4")),
        (("F4:4", "E3:4"), ("C5+F4:4", "E3+C3:4")),
        (("F4:4", "E3:4"), ("F5:4", "E2:4")),
    ],
)
def test_what_makes_a_clash_more_exposed(sharper, milder):
    def exposure(voices):
        score = build(*voices)
        return max(e.get("exposure") for e in found(score, f"C: I6:{score.end}"))

    assert exposure(sharper) > exposure(milder)


def test_printed_dynamics_count():
    def exposure(mark):
        direction = Direction("d", "dynamic", Fraction(0), None, 1, mark)
        return only(build("F4:4", "E3:4", directions=(direction,)), "C: I6:4").get("exposure")

    assert exposure("ff") > exposure("mf") > exposure("pp")


def test_quick_unaccented_passing_note_is_not_told():
    assert found(build("G4:1/4 F4 E4:1/2 E4:3", "C3+E3+G3:4"), "C: I:4") == ()


def test_false_relation_between_voices():
    score = build("C5:2 A4:2", "E4:2 E4:2", "G3:2 C#4:2", "C3:2 A2:2")
    event = only(score, "C: I:2 V/ii:2")
    assert (event.label, event.notes) == ("false relation", ("v1n1", "v3n2"))
    assert (event.get("first_pitch"), event.get("second_pitch")) == (Pitch.parse("C5"), Pitch.parse("C#4"))


@pytest.mark.parametrize(
    "voices",
    [
        # One voice makes the chromatic step itself, alone or beside a doubling.
        ("C5:2 C#5:2", "E4:2 E4:2", "G3:2 G3:2", "C3:2 A2:2"),
        ("C5:2 A4:2", "E4:2 E4:2", "C4:2 C#4:2", "C3:2 A2:2"),
        # No contradiction: the letters differ.
        ("Db5:2 C#5:2", "Ab4:2 A4:2", "F3:2 E3:2", "Db3:2 A2:2"),
    ],
)
def test_chromatic_step_in_one_voice_is_no_false_relation(voices):
    score = build(*voices)
    assert [e for e in found(score, "C: I:2 V/ii:2") if e.label == "false relation"] == []


def test_a_whole_tone_on_one_letter_is_no_false_relation():
    """A cross relation is a chromatic semitone in two voices (any handbook); E flat to E sharp is a tone."""
    score = build("Eb5:2 C#5:2", "Ab4:2 G#4:2", "Ab3:2 E#4:2", "Ab2:2 C#3:2")
    assert [e for e in found(score, "Ab: I:2 C#: I:2") if e.label == "false relation"] == []


def test_pedal_holds_a_clash_that_the_fingers_let_go():
    score = build("F4:1 r:1 E5:2", "F2:1 r:3", pedal=(("start", 0), ("stop", 4)))
    held = only(score, "C: IV7:4")
    assert (held.label, held.get("held_by")) == ("major seventh", "pedal")
    assert set(held.notes) == {"v1n1", "v1n2", "v2n1"}
    assert (held.start, held.end) == (2, 4)
    assert held.confidence < 1
    assert found(score, "C: IV7:4", pedal=()) == ()


def test_pedal_change_clears_what_was_held():
    score = build("F4:1 r:1 E5:2", "F2:1 r:3", pedal=(("start", 0), ("change", 2), ("stop", 4)))
    assert pedal_stretches(score) == ((0, 2), (2, 4))
    assert found(score, "C: IV7:4") == ()


@pytest.mark.parametrize("words", ["senza ped.", "ohne Pedal", "no ped."])
def test_nothing_is_held_where_words_take_the_pedal_back(words):
    """*Senza pedale* and its like (common practice, no source), after a mark that no release follows."""
    score = build("F4:1 r:1 E5:2", "F2:1 r:3", pedal=(("start", 0),))
    score = replace(
        score, directions=(*score.directions, Direction("w", "words", Fraction(1), None, 1, words))
    )
    assert pedal_stretches(score) == ((0, 1),)
    assert found(score, "C: IV7:4") == ()
    apart = Apart(Fraction(2), Fraction(4), "v2n1", "v1n2", "major seventh", pedal=True)
    assert not apart.holds(facts(score, ()))


@pytest.mark.parametrize("there", [("stop", "start"), ("continue",)])
def test_a_pedal_that_is_down_at_once_or_still_holds_what_is_struck_then(there):
    """A release and a press, or a pedal line that goes on in a new system (MusicXML 4.0, pedal-type)."""
    marks = (("start", 0), *((mark, 4) for mark in there), ("stop", 8))
    score = build("C5:4 | F4:1 r:1 E5:2", "C3:4 | F2:1 r:3", pedal=marks)
    assert Apart(Fraction(6), Fraction(8), "v2n2", "v1n3", "major seventh", pedal=True).holds(
        facts(score, ())
    )


def test_pedal_without_release_lasts_to_the_end_of_its_bar():
    score = build("C4:4 C4 C4", pedal=(("start", 1), ("start", 9)))
    assert pedal_stretches(score) == ((1, 4), (9, 12))


def test_through_the_engine():
    """A 9-8 suspension over the leading tone's chord shows as a minor ninth in the whole reading."""
    score = build(
        "E5:2 F5:2 | D5:2 F5:2 | F5:2 E5:2",
        "G4:2 A4:2 | B4:2 B4:2 | C5:4",
        "C4:2 C4:2 | G4:2 D4:2 | G4:4",
        "C3:2 F3:2 | G3:2 G3:2 | E3:4",
    )
    events = [e for e in read(score).events if e.kind == "sharp dissonance"]
    ninth = next(e for e in events if e.label == "minor ninth")
    assert (ninth.start, ninth.get("resolution_pitch")) == (8, Pitch.parse("E5"))
    assert ninth.get("rank") == 1


@pytest.mark.parametrize(
    ("upper", "lower", "chords", "manner"),
    [
        # B passes over held Cs; B leaves C and turns back to it: neither waits for a resolution.
        ("E5:2 A4:1 B4:1 | C5:4", "C3+C4:4 | C3+C4:4", "C: vi6:4 I:4", "passing"),
        ("E5:2 C5:1 B4:1 | C5:4", "C3+C4:4 | C3+C4:4", "C: I:4 I:4", "turning"),
    ],
)
def test_passing_and_neighbour_tones_go_by_and_resolve_nothing(upper, lower, chords, manner):
    """Hutchinson, ch. 10: passing and neighbour tones are left by step as they came."""
    score = build(upper, lower)
    event = next(e for e in found(score, chords) if e.get("dissonant_pitch") == Pitch.parse("B4"))
    assert event.get("manner") == manner
    assert "resolves" not in say(event, score)
    assert say(event, score).endswith(
        {"passing": "B passes on to C.", "turning": "B turns back to C."}[manner]
    )


def test_a_step_to_a_note_that_is_dissonant_too_resolves_nothing():
    """F sinks to E, but F sharp has come below: E is no chord tone there and the clash is not over."""
    score = build("F5:2 E5:2 | D5:4", "E3+G3:2 F#3+D4:2 | F#3+D4:4")
    events = found(score, "C: I6:2 V/V:2 | V/V:4")
    event = next(e for e in events if e.start == 0)
    assert event.get("dissonant_pitch") == Pitch.parse("F5")
    assert event.get("manner") not in ("direct", "late", "ornamented")
    assert "resolves" not in say(event, score)


def test_what_a_broken_chord_touches_does_not_resolve():
    """The B of a broken major seventh chord rubs against the held C and is touched again and again."""
    score = build("C5:4 | C5:4", "C3:1/2 G3 B3 E4 C3 G3 B3 E4 | C3 G3 B3 E4 C3 G3 B3 E4")
    events = found(score, "C: I7:4 I7:4")
    assert events
    assert {e.get("manner") for e in events} == {"figured"}
    assert not any("resolves" in say(e, score) for e in events)


def test_a_clash_dissolves_only_while_the_dissonant_note_still_sounds():
    score = build("F4:1 r:3", "E3+G3:2 D3+F3:2")
    (event,) = found(score, "C: I6:2 ii6:2")
    assert event.get("manner") == "none"


@pytest.mark.parametrize(("goes", "resolution"), [("Bb4:1 F5:1 E5:2", None), ("Bb4:1 F5:1 C5:2", "C5")])
def test_nothing_resolves_by_an_augmented_second(goes, resolution):
    """D flat over the dominant of F minor sinks to C (Hutchinson, on tendency tones), and not to E."""
    score = build(f"C5:4 | Db5:2 {goes}", "C4:4 | C4:6", "E3:4 | E3:6")
    found = find_dissonances(score, spans_of(score, "f: V:4 V7:6"))
    clash = next(e for e in found if str(e.get("upper_pitch")) == "Db5")
    told = score.note_by_id.get(clash.get("resolution") or "")
    assert (str(told.pitch) if told is not None else None) == resolution


@pytest.mark.parametrize(("before", "turns"), [("D#5", True), ("D5", False), ("F#5", False)])
def test_a_note_turns_back_only_to_the_note_it_came_from(before, turns):
    """A neighbour tone leaves a note and comes back to that very note (Hutchinson, ch. 10)."""
    score = build(f"{before}:1 E5 D#5:2", "D#3+B3+A4:4")
    found_here = [e for e in found(score, "e: V65:4") if e.get("dissonant_pitch") == Pitch.parse("E5")]
    assert [e.get("manner") == "turning" for e in found_here] == [turns]


@pytest.mark.parametrize(
    ("upper", "chords", "goes"),
    [
        # F leans on E, which its mordent touches already.
        ("C4:3 | F4:1/2 E4:1/2 F4:1 E4:1", "C: V:3 I:3", ("ornamented", "v1n5")),
        # The seventh B touches C and leaps away.
        ("G4:3 | B4:1 C5:1/2 B4:1/2 G4:1", "C: V:3 I7:3", ("none", None)),
    ],
)
def test_what_a_mordent_touches_resolves_nothing(upper, chords, goes):
    """An ornament leaves the main note in force (common practice, no source)."""
    events = found(build(upper, "D3:3 | C3+E3:3", meter="3/4"), chords)
    event = next(event for event in events if event.get("dissonant") == "v1n2")
    assert (event.get("manner"), event.get("resolution")) == goes


def test_a_line_that_climbs_by_semitones_resolves_nothing_on_its_way():
    """A chromatic passing line moves on through its notes (Hutchinson, ch. 10); it leads on."""
    score = build("Eb4+G4:3 Eb4+A4+C5:1", "staff2 r:1 Fb3 F3 F#3", "Eb3:4")
    rubs = [e for e in found(score, "Eb: I:3 viio7/V:1") if e.get("dissonant_pitch") == Pitch.parse("Fb3")]
    assert [e.get("resolution") for e in rubs] == [None]
    assert not Resolved(Fraction(1), Fraction(2), "v2n1", "v2n3", "ornamented").holds(
        Facts(score, spans_of(score, "Eb: I:3 viio7/V:1"))
    )
