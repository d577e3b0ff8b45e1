"""Plans of keys, pivots and nearness in worked examples.

The facts on closely related keys, pivot chords and modulation are those of Hutchinson, Music Theory for the
21st-Century Classroom, chapter 22, and Open Music Theory, part IV; those on mediants by common tone of Open
Music Theory, part V. The settings are our own.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from build import build, spans_of
from tests.once import read, read_score

from understave.findings import find_events
from understave.findings.catalogue import weight
from understave.findings.keyplan import ending_key, find_keys, first_new_note, home_key
from understave.findings.modes import regions_of
from understave.findings.nearness import RELATIONS, nearness
from understave.harmony.reading import Event
from understave.harmony.romantext import read_romantext
from understave.score.model import Direction, Score
from understave.theory.key import Key, all_keys
from understave.theory.pitch import PitchClass

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


def plan(events: tuple[Event, ...]) -> list[tuple[str, str]]:
    """Return label and key of each stretch."""
    return [(e.label, str(e.get("key"))) for e in events if e.kind == "key"]


NEAR = [
    # home, key, relation, fifths
    ("C", "C", "same", 0),
    ("C", "a", "relative", 0),
    ("C", "G", "dominant", 1),
    ("C", "e", "relative of the dominant", 1),
    ("C", "F", "subdominant", -1),
    ("C", "d", "relative of the subdominant", -1),
    ("C", "c", "parallel", -3),
    ("C", "E", "chromatic mediant", 4),
    ("C", "Eb", "chromatic mediant", -3),
    ("C", "Ab", "chromatic mediant", -4),
    ("C", "A", "chromatic mediant", 3),
    ("C", "f", "subdominant in the other mode", -4),
    ("C", "g", "dominant in the other mode", -2),
    ("C", "eb", "doubly chromatic mediant", -6),
    ("C", "Db", "semitone above", -5),
    ("C", "B", "semitone below", 5),
    ("C", "D", "tone above", 2),
    ("C", "Bb", "tone below", -2),
    ("C", "F#", "tritone", 6),
    ("c", "Eb", "relative", 0),
    ("c", "g", "dominant", 1),
    ("c", "Bb", "relative of the dominant", 1),
    ("c", "f", "subdominant", -1),
    ("c", "Ab", "relative of the subdominant", -1),
    ("c", "C", "parallel", 3),
    ("c", "a", "chromatic mediant", 3),
    ("f#", "A", "relative", 0),
    ("Ab", "f", "relative", 0),
    ("Ab", "E", "chromatic mediant", -4),
]


@pytest.mark.parametrize(("home", "key", "relation", "fifths"), NEAR)
def test_nearness(home: str, key: str, relation: str, fifths: int) -> None:
    """Relations and signatures of keys around C major, C minor and elsewhere."""
    found = nearness(Key.parse(home), Key.parse(key))
    assert (found.relation, found.fifths) == (relation, fifths)
    assert found.common_scale == 7 - min(7, abs(fifths))


def test_close_keys_are_those_of_the_handbook() -> None:
    """The five closely related keys of any key, and its own, differ by one accidental at most."""
    for home in all_keys():
        close = {k for k in all_keys() if nearness(home, k).is_close and not nearness(home, k).respelled}
        wanted = {k for k in (home, *home.closely_related) if abs(k.signature) <= 7}
        assert close == wanted


def test_every_pair_of_keys_has_a_relation() -> None:
    """Whatever the two keys; the enharmonic spelling is no farther."""
    for home in all_keys():
        for key in all_keys():
            found = nearness(home, key)
            assert found.relation in RELATIONS
            assert abs(found.fifths) <= 6


def test_mediants_share_one_tone() -> None:
    """The chromatic mediants of a major key share one tone with its tonic triad (Open Music Theory, V)."""
    for name in ("E", "Eb", "A", "Ab"):
        assert len(nearness(Key.parse("C"), Key.parse(name)).common_chord) == 1
    assert nearness(Key.parse("C"), Key.parse("E")).common_chord == (PitchClass.parse("E"),)
    assert nearness(Key.parse("C"), Key.parse("eb")).common_chord == ()


def chords(*names: str, length: int = 2) -> Score:
    """Return a score of block chords in one voice."""
    return build(" ".join(f"{n}:{length}" for n in names))


C, F, G, AM, D, DM, E7 = (
    "C3+E4+G4",
    "F3+F4+A4",
    "G3+D4+B4",
    "A3+C4+E4",
    "D3+F#4+C5",
    "D3+F4+A4",
    "E3+G#4+D5",
)
MODULATION = "C: I:2 V I G: ii V7 I:4 ii:2 V I:4 C: V:2 I:4"
MODULATING = (C, G, C, AM, D, G, G, AM, D, G, G, G, C, C)


def test_modulation_by_common_chord() -> None:
    """A minor is the sixth degree of C and the second of G; G is reached and closed in."""
    score = chords(*MODULATING)
    found = find_keys(score, spans_of(score, MODULATION))
    assert plan(found) == [("home", "C"), ("modulation", "G"), ("home", "C")]
    there = next(e for e in found if e.label == "modulation")
    assert (there.start, there.end, there.get("bars")) == (6, 22, 4)
    assert (there.get("relation"), there.get("fifths"), str(there.get("degree"))) == ("dominant", 1, "V")
    assert (there.get("by"), there.get("returns"), there.get("cadence")) == ("common chord", 1, 10)
    pivot = next(e for e in found if e.kind == "pivot chord")
    assert (str(pivot.get("numeral")), str(pivot.get("new_numeral"))) == ("vi", "ii")
    assert (pivot.start, pivot.end) == (6, 8)
    assert len(pivot.notes) == 3


def test_the_pivot_may_be_the_last_chord_of_the_old_key() -> None:
    """Where the new key is first named at its dominant, the chord before it is the pivot."""
    score = chords(*MODULATING)
    found = find_keys(score, spans_of(score, "C: I:2 V I vi G: V7 I:4 ii:2 V I:4 C: V:2 I:4"))
    pivot = next(e for e in found if e.kind == "pivot chord")
    assert (pivot.start, str(pivot.get("numeral")), str(pivot.get("new_numeral"))) == (6, "vi", "ii")


@pytest.mark.parametrize(("door", "start"), [("A3+C4+E4", 6), ("E3+A3+C4", 4), ("A3+A4", 4)])
def test_a_six_four_and_a_lone_note_are_no_pivot(door: str, start: int) -> None:
    """A six-four stands for the chord that it leads to (common practice, no source)."""
    score = chords(*("C3+E4+G4", "G3+D4+B4", "C3+E4+G4"), *(door, *MODULATING[4:]))
    events = find_keys(
        score, spans_of(score, MODULATION.replace("G: ii V7", f"G: {'ii64' if door[0] == 'E' else 'ii'} V7"))
    )
    assert [e.start for e in events if e.kind == "pivot chord"] == [start]


@pytest.mark.parametrize(
    ("top", "inner", "bass", "chords", "doors"),
    [
        ("E5:4 | E5:4 | D5:4 | D5:4", "C5:4", "A2:4", "V7:4 | I:4", [4]),
        ("F#5:4 | E5:4 | D5:4 | D5:4", "C5:4", "A2:4", "V7:4 | I:4", []),  # F sharp has come before
        ("E5:4 | E5:4 | D5:4 | D5:4", "A4:4", "A2:4", "V7:4 | I:4", []),  # no third sounds
        ("E5:4 | E5:4 | D5:4 | D5:4", "C5:4", "E2:4", "V7:4 | I:4", []),  # over another bass than named
        ("E5:4 | E5:4 | E5:4 | D5:4", "C5:4", "A2:4", "IV:4 | I:4", []),  # no dominant follows
    ],
)
def test_a_pivot_opens_the_door(top: str, inner: str, bass: str, chords: str, doors: list[int]) -> None:
    """Hutchinson, chapter 22: one of the old key's chords that leads to what only the new key has."""
    score = build(
        top, f"C5:4 | {inner} | C5:4 | B4:4", "G4:4 | A4:4 | A4:4 | G4:4", f"C3:4 | {bass} | D3:4 | G2:4"
    )
    found = find_keys(score, spans_of(score, f"C: I:4 | vi:4 | G: {chords}"))
    assert [event.start for event in found if event.kind == "pivot chord"] == doors


def test_no_pivot_across_a_chromatic_step() -> None:
    """C major to A major, straight: no chord belongs to both keys."""
    score = chords("C3+E4+G4", "G3+D4+B4", "A3+E4+C#5", "E3+E4+G#4", "A3+E4+C#5", length=4)
    found = find_keys(score, spans_of(score, "C: I:4 V A: I V I"))
    assert not [e for e in found if e.kind == "pivot chord"]
    assert [e.get("by") for e in found if e.kind == "key"] == [None, "direct"]


def test_short_stay_is_a_tonicization() -> None:
    """Two chords of A minor without more are a touch, not a modulation."""
    score = chords(C, G, E7, AM, F, G, C, C)
    found = find_keys(score, spans_of(score, "C: I:2 V a: V7 i C: IV V I:4"))
    assert plan(found) == [("home", "C"), ("tonicization", "a"), ("home", "C")]
    touched = next(e for e in found if e.label == "tonicization")
    assert (touched.get("bars"), touched.get("chords"), touched.get("returns")) == (1, 2, 1)


@pytest.mark.parametrize(("on_d", "label"), [("D3+F#4+C5", "modulation"), ("D3+F4+A4", "tonicization")])
def test_a_key_that_lasts_without_a_cadence_is_reached_by_a_note_of_its_own(on_d: str, label: str) -> None:
    """Four bars of G major: F sharp tells it; with G, E minor and C alone it could be C major."""
    em = "E3+G4+B4"
    score = chords(C, G, C, G, em, C, on_d, em, G, C, em, G, C, C)
    fifth = "V7" if label == "modulation" else "v"
    found = find_keys(score, spans_of(score, f"C: I:2 V I G: I vi IV {fifth} vi I IV vi C: V:2 I:4"))
    assert [e.label for e in found if e.kind == "key" and e.get("key") == Key.parse("G")] == [label]


def test_the_key_of_the_opening_is_not_touched_like_a_stranger() -> None:
    """C major begins, A minor is home; two chords of C in the midst of it are no look out of the window."""
    score = chords(C, G, AM, E7, AM, E7, AM, G, C, E7, AM)
    found = find_keys(score, spans_of(score, "C: I:2 V a: i V7 i V7 i C: V I a: V7 i"))
    assert plan(found) == [("tonicization", "C"), ("home", "a"), ("tonicization", "C"), ("home", "a")]
    assert [e.get("known") for e in found if e.label == "tonicization"] == [None, 1]
    assert [weight(e) > 0 for e in found if e.label == "tonicization"] == [True, False]


def test_home_returns_with_its_first_chord_not_with_the_note_that_closes_the_other_key() -> None:
    """G major closes on G alone; C major is back only after it, with its second degree."""
    score = chords(C, F, C, D, G, D, G, "G3", "A2+E4+C#5", DM, G, C, length=4)
    found = find_keys(score, spans_of(score, "C: I:4 IV I G: V I V I C: V V/ii ii V I"))
    assert [(e.label, e.start) for e in found if e.kind == "key"][-1] == ("home", 36)
    straight = find_keys(score, spans_of(score, "C: I:4 IV I G: V I V I I V/V C: ii V I"))
    assert [(e.label, e.start) for e in straight if e.kind == "key"][-1] == ("home", 36)


@pytest.mark.parametrize(("answer", "numeral", "known"), [(G, "V", 1), (C, "I", None)])
def test_a_bar_of_home_without_its_tonic_is_no_way_back(answer: str, numeral: str, known: int | None) -> None:
    """A minor goes on after it, so that C major was only pointed to (common practice, no source)."""
    score = chords(C, G, C, E7, AM, E7, AM, G, answer, E7, AM, E7, AM, G, C)
    spans = f"C: I:2 V I a: V7 i V7 i C: V:2 {numeral} a: V7 i V7 i C: V I"
    homes = [e for e in find_keys(score, spans_of(score, spans)) if e.label == "home"]
    assert [e.get("known") for e in homes] == [None, known, None]


def test_applied_chords_in_a_row_are_a_tonicization_within_the_key() -> None:
    """ii and V of the dominant, then the dominant: still C major around them."""
    score = chords(C, AM, D, G, C)
    found = find_keys(score, spans_of(score, "C: I:2 ii/V V7/V V I"))
    assert plan(found) == [("home", "C"), ("tonicization", "G")]
    inner = found[1]
    assert (inner.get("within"), str(inner.get("target")), inner.get("chords")) == (1, "V", 3)
    assert (inner.start, inner.end) == (2, 8)


def test_one_applied_dominant_touches_no_key() -> None:
    """A single applied dominant with its answer is told as such alone."""
    score = chords(C, D, G, C)
    assert plan(find_keys(score, spans_of(score, "C: I:2 V7/V V I"))) == [("home", "C")]


def test_parallel_is_not_a_modulation() -> None:
    """The tonic stays: the other mode has a label of its own."""
    score = chords(C, G, "C3+Eb4+G4", G, C, G, C)
    found = find_keys(score, spans_of(score, "C: I:2 V c: i V C: I V I"))
    assert plan(found) == [("home", "C"), ("parallel", "c"), ("home", "C")]
    assert [e.get("by") for e in found] == [None, "same tonic", "same tonic"]


def test_common_tone_modulation() -> None:
    """C major, then E alone, then E major: the tone that both tonic chords have leads over."""
    score = build("E4:4 E4:2 E4:2 E4:4 D#4:4 E4:4", "G4:4 r:4 G#4:4 F#4:4 G#4:4", "C4:4 r:4 B3:4 B3:4 B3:4")
    found = find_keys(score, spans_of(score, "C: I:8 E: I:4 V I"))
    assert [e.get("by") for e in found if e.kind == "key"] == [None, "common tone"]
    assert found[-1].get("relation") in ("chromatic mediant", "same")


def test_a_lone_note_that_the_new_key_lets_go_is_no_common_tone() -> None:
    """E alone, then the dominant of E, which has no E: nothing is held over the door."""
    score = build("E4:4 E4:2 E4:2 D#4:4 E4:4", "G4:4 r:4 F#4:4 G#4:4", "C4:4 r:4 B3:4 B3:4")
    found = find_keys(score, spans_of(score, "C: I:8 E: V:4 I"))
    assert "common tone" not in [e.get("by") for e in found if e.kind == "key"]


@pytest.mark.parametrize(
    ("spans", "home"),
    [("G: I:4 C: I:12", "C"), ("C: I:12 G: I:4", "C"), ("c: i:12 C: I:4", "c"), ("C: I:8 G: I:8", "G")],
)
def test_home(spans: str, home: str) -> None:
    """The longer of first and last key, where no signature tells; a Picardy third does not change it."""
    score = chords(C, C, C, C, length=4)
    score = replace(score, measures=tuple(replace(m, signature=6) for m in score.measures))
    assert home_key(regions_of(spans_of(score, spans)), score) == Key.parse(home)


@pytest.mark.parametrize(
    ("spans", "signature", "title", "home"),
    [
        # The first part of a movement that has gone to another key by its end (common practice of editors).
        ("c: i:8 Ab: I:24", -3, "", "c"),
        # A start in the relative, left after a bar and a half for the key that the title names.
        ("D: I:6 b: i:24 D: I:30", 2, "String Quartet in B minor", "b"),
        ("Db: I:6 bb: i:24 Db: I:30", -5, "String Quartet in B-flat minor", "bb"),
        ("b: i:30 D: I:6 f#: i:30", 2, "", "b"),
        ("G: I:8 e: i:24", 1, "", "e"),
        # A piece that ends as it began, both in no time.
        ("C: I:4 a: i:20 C: I:8", 0, "", "C"),
    ],
)
def test_home_is_what_the_signature_or_the_title_names(
    spans: str, signature: int, title: str, home: str
) -> None:
    score = chords(*[C] * 18, length=4)
    score = replace(
        score, title=title, measures=tuple(replace(m, signature=signature) for m in score.measures)
    )
    keys = [e for e in find_keys(score, spans_of(score, spans)) if e.kind == "key"]
    assert {e.get("home") for e in keys} == {Key.parse(home)}


@pytest.mark.parametrize(("last", "home"), [("F3", "g"), ("Bb2", "Bb")])
def test_what_breaks_off_is_not_at_home_where_it_stops(last: str, home: str) -> None:
    """The beginning of a movement in G minor, most of it in the relative, which has the same signature: home
    is where it began, unless it comes to its end in the other key. Common practice, no source.
    """
    began, went = "G2:4 | D3:4 | G2:4 | D3:4 | " * 2, "Bb2:4 | F3:4 | " * 5
    score = build(
        "Bb4:4 | F#4:4 | Bb4:4 | F#4:4 | " * 2 + "D5:4 | C5:4 | " * 5 + ("A4:4" if home == "g" else "Bb4:4"),
        began + went + f"{last}:4",
        signature=-2,
    )
    chords = "g: " + "i:4 V:4 " * 4 + "Bb: " + "I:4 V:4 " * 5 + ("V:4" if home == "g" else "I:4")
    found = find_keys(score, spans_of(score, chords))
    assert {str(e.get("home")) for e in found if e.kind == "key"} == {home}


def test_the_key_in_which_a_piece_began_is_not_turned_to_like_a_new_one() -> None:
    score = chords(*[C] * 34, length=4)
    found = find_keys(score, spans_of(score, "b: i:8 D: I:8 b: iv:4 V:4 i:4 iv:2 V:2 i:4 f#: i:80"))
    again = next(e for e in found if e.kind == "key" and e.start == 16)
    assert again.label == "modulation"
    assert again.get("known") == 1
    assert weight(again) == 0


def test_no_spans_no_plan() -> None:
    """Nothing to plan where nothing is read."""
    assert find_keys(chords(C), ()) == ()


def example(name: str) -> tuple[Score, tuple[Event, ...]]:
    """Return an example piece with the events on its reference analysis."""
    score = read_score(EXAMPLES / name / "score.musicxml")
    spans = read_romantext((EXAMPLES / name / "analysis.txt").read_text(encoding="utf-8"), score)
    return score, find_events(score, tuple(getattr(spans, "spans", spans)))


def places(score: Score, events: tuple[Event, ...], kind: str) -> list[tuple[str, str]]:
    """Return label and bar of the events of a kind."""
    return [(e.label, score.measure_at(e.start).number) for e in events if e.kind == kind]


def test_chain_ferry_has_what_its_note_tells() -> None:
    """Every device of these kinds that the piece's own note names, at its bar."""
    score, events = example("chain-ferry")
    chromatic = places(score, events, "chromatic chord")
    assert ("german sixth", "30") in chromatic
    assert ("german sixth", "55") in chromatic
    assert ("neapolitan", "69") in chromatic
    assert ("borrowed chord", "52") in chromatic
    applied = [bar for _, bar in places(score, events, "applied chord")]
    assert applied == ["42", "50", "54", "64", "66", "67", "68", "70", "78"]
    assert places(score, events, "enharmonic pivot") == [("dominant seventh as german sixth", "54")]
    pivot = next(e for e in events if e.kind == "enharmonic pivot")
    assert pivot.get("respelled") == ((PitchClass.parse("Cb"), PitchClass.parse("B")),)
    assert plan(events) == [
        ("home", "f"),
        ("modulation", "Ab"),
        ("home", "f"),
        ("modulation", "Db"),
        ("home", "f"),
    ]
    by = [e.get("by") for e in events if e.kind == "key"]
    assert by == [None, "common chord", "common chord", "common tone", "enharmonic"]
    assert [e.label for e in events if e.kind == "chromatic chord"].count("neapolitan") == 1


def test_lock_water_has_what_its_note_tells() -> None:
    """The switch to the parallel minor by G flat in bar 16, and back in bar 29."""
    score, events = example("lock-water")
    assert places(score, events, "mode switch") == [("major to minor", "16"), ("minor to major", "29")]
    first = next(e for e in events if e.kind == "mode switch")
    assert str(first.get("pitch")) == "Gb4"
    assert str(first.get("line_before")) == "Ab4"
    assert plan(events) == [("home", "Eb"), ("parallel", "eb"), ("home", "Eb")]
    assert [bar for _, bar in places(score, events, "applied chord")] == ["7", "21", "23", "25"]
    assert ("borrowed chord", "39") in places(score, events, "chromatic chord")


def test_stretches_cover_a_piece_that_the_tool_reads() -> None:
    """Through the engine: the keys follow on one another without a gap, and home is named."""
    score = chords(C, F, G, C, C, DM, G, C, AM, D, G, G, AM, D, G, G, C, F, G, C, DM, G, C, C)
    reading = read(score)
    keys = [e for e in reading.events if e.kind == "key" and not e.get("within")]
    assert keys[0].start == reading.spans[0].start
    assert keys[-1].end == reading.spans[-1].end
    assert all(a.end <= b.start for a, b in pairwise(keys))
    assert {e.get("home") for e in keys} == {Key.parse("C")}
    assert all(isinstance(e.get("bars"), Fraction) for e in keys)


@pytest.mark.parametrize(
    ("middle", "away", "told"),
    [("E5:2 Ab5:2 | E5:4", "c: i:4 iv:4", False), ("Eb5:2 Ab5:2 | Eb5:4", "c: i:4 iv:4", True)],
)
def test_home_returns_only_where_a_note_had_left_it(middle: str, away: str, told: bool) -> None:
    """A borrowed sixth under the major third leaves no home: there is nothing to return from."""
    score = build(f"E5:4 | C5:4 | {middle} | E5:4 | C5:4", "C3:4 | C3:4 | C3:4 | F3:4 | C3:4 | C3:4")
    events = find_keys(score, spans_of(score, f"C: I:8 {away} C: I:8"))
    assert plan(events) == [("home", "C"), ("parallel", "c"), ("home", "C")]
    assert [weight(e) > 0 for e in events[1:]] == [told, told]


def test_home_returns_from_another_key_only_by_a_note_that_home_has_not() -> None:
    for leading, told in (("F#5", True), ("D5", False)):
        score = build(f"E5:4 | C5:4 | B4:4 | {leading}:4 | E5:4 | C5:4", "C3:8 | G3:4 | G3:4 | C3:8")
        events = [e for e in find_keys(score, spans_of(score, "C: I:8 G: I:4 V:4 C: I:8")) if e.kind == "key"]
        assert (events[-1].label, weight(events[-1]) > 0) == ("home", told)


@pytest.mark.parametrize(
    ("tune", "low", "chords", "key"),
    [
        ("D5:2 B4 | C5:4", "G2:4 | C3:4", "C: V:4 I:4", "C"),
        ("D5:2 B4 | C5:4", "G2:4 | C3:4", "c: V:4 I:4", "c"),  # a last chord in the other mode
        ("D5:2 B4 | C5:2 r", "G2:4 | C3:1 r:3", "C: V:4 I:4", "C"),
        ("C5:2 E5 | D5:4", "C3:4 | G2:4", "C: I:4 V:4", ""),
        ("D5:2 B4 | C5:2 D5:1 F5", "G2:4 | C3:4", "C: V:4 I:4", ""),  # it runs on
        ("D5:2 B4 | C5:4", "G2:4 | E3:4", "C: V:4 I6:4", ""),
    ],
)
def test_a_piece_ends_on_its_tonic_at_rest(tune: str, low: str, chords: str, key: str) -> None:
    """Common practice, no source: what is cut out of a piece comes to no end."""
    score = build(tune, low)
    assert str(ending_key(score, spans_of(score, chords)) or "") == key


@pytest.mark.parametrize(
    ("fine", "back", "key"),
    [
        ("Fine", "D.C. al Fine", "C"),
        ("Fine", "Da Capo", "C"),
        ("fine", "D. S. al Fine", "C"),
        ("Fine", "D.C. al Coda", "F"),
        ("Fine", "dolce", "F"),
        ("finer", "D.C. al Fine", "F"),
    ],
)
def test_a_piece_that_is_sent_back_ends_at_its_fine(fine: str, back: str, key: str) -> None:
    """Common practice, no source: from *da capo* or *dal segno* one plays on to *Fine*."""
    words = [(fine, 8), (back, 15)]
    printed = tuple(Direction(w, "words", Fraction(t), None, 1, w) for w, t in words)
    score = build("D5:2 B4 | C5:4 | E5:4 | F5:4", "G2:4 | C3:4 | C3:4 | F2:4", directions=printed)
    assert score.played_end == (16 if key == "F" else 8)
    if key == "C":
        later = replace(score, directions=(replace(printed[0], onset=Fraction(6)), printed[1]))
        assert later.played_end == 8
        score = later
    assert str(ending_key(score, spans_of(score, "C: V:4 I:4 F: V:4 I:4"))) == key


@pytest.mark.parametrize("at", [0, 2])
def test_nothing_is_over_before_its_first_note(at: int) -> None:
    """Common practice, no source: *Fine* over the rests at the beginning ends nothing."""
    words = [("Fine", at), ("D.C. al Fine", 15)]
    printed = tuple(Direction(w, "words", Fraction(t), None, 1, w) for w, t in words)
    assert build("r:4 | C5:4 | E5:4 | F5:4", directions=printed).played_end == 16


@pytest.mark.parametrize(
    ("chords", "label"), [("V7 V43 V65 V7", "tonicization"), ("V7 i V65 V7", "modulation")]
)
def test_a_key_whose_tonic_never_sounds_is_not_reached(chords: str, label: str) -> None:
    """A modulation establishes its tonic (Hutchinson, chapter 22): four bars of its dominant only point."""
    away = " ".join(f"{chord}:4" for chord in chords.split())
    low = {"V7": "A2:4", "V43": "E3:4", "V65": "C#3:4", "i": "D3:4"}
    score = build(
        "E5:4 | E5:4 | " + " | ".join("F5:4" if c == "i" else "G5:4" for c in chords.split()) + " | E5:4",
        "C3:4 | C3:4 | " + " | ".join(low[c] for c in chords.split()) + " | C3:4",
    )
    events = find_keys(score, spans_of(score, f"C: I:8 d: {away} C: I:4"))
    assert [e.label for e in events if e.kind == "key"][1] == label


def test_a_pivot_whose_bass_moves_is_told_from_the_chord_that_is_named() -> None:
    """A six-three and a six-four are two positions (any handbook): the pivot is named by its last."""
    upper = ("C5:4 | A4:4 | A4:4 | B4:4", "E4:4 | E4:4 | F#4:4 | D4:4")
    for low, start in (("C3:4 | E3:2 C3:2 | D3:4 | G2:4", 6), ("C3:4 | C3:4 | D3:4 | G2:4", 4)):
        score = build(*upper, low)
        events = find_keys(score, spans_of(score, "C: I:4 vi6:4 G: V:4 I:4"))
        (pivot,) = [e for e in events if e.kind == "pivot chord"]
        named = str(pivot.get("numeral")), str(pivot.get("new_numeral"))
        assert (pivot.start, *named) == (start, "vi6", "ii6")


def test_a_note_that_was_there_under_another_name_tells_no_new_key() -> None:
    """D sharp and E flat are one key of the piano (common practice, no source): G is what is new in E flat
    after B major.
    """
    score = build("D#5:4 | Eb5:1 Bb4 G4 Eb4", "B2:4 | Eb3:4")
    found = first_new_note(score, Fraction(4), Fraction(8), [Key.parse("B")], Key.parse("Eb"))
    assert (str(found[0]), found[1]) == ("G", 6)
    assert first_new_note(score, Fraction(4), Fraction(6), [Key.parse("B")], Key.parse("Eb")) is None


@pytest.mark.parametrize(
    ("back", "known"), [("G: I:4 V:4 I:8", 1), ("G: I:2 C: I:14", None), ("C: I:16", None)]
)
def test_a_key_that_is_there_again_at_once_is_not_only_touched(back: str, known: int | None) -> None:
    """A key left for two chords and taken up again for good is one key (common practice, no source)."""
    chords = f"C: I:8 G: V:2 I:2 F: V7:2 I:2 {back}"
    score = build(" | ".join(["G4+B4+D5:4"] * 8), " | ".join(["G2:4"] * 8))
    found = [e for e in find_keys(score, spans_of(score, chords)) if e.kind == "key" and e.start == 8]
    assert [(e.label, e.get("known")) for e in found] == [("tonicization", known)]


@pytest.mark.parametrize(
    ("away", "known"), [("i64:4", 1), ("V7:2 i64:2", 1), ("V7:2 i:2", None), ("V43:4", 1)]
)
def test_a_six_four_alone_touches_no_key(away: str, known: int | None) -> None:
    """A six-four leans on its bass or passes (Hutchinson, chapter on second inversion): it is no tonic."""
    score = build(" | ".join(["C5+Eb5:4"] * 6), " | ".join(["G2:4"] * 6))
    found = find_keys(score, spans_of(score, f"Db: I:4 V7:4 c: {away} Db: V42:4 I6:4 I:4"))
    assert [e.get("known") for e in found if e.kind == "key" and e.start == 8] == [known]


@pytest.mark.parametrize(("between", "known"), [("C: V7:2 I:2", 1), ("C: V7:4 I:4 IV:4 I:4", None)])
def test_a_key_left_for_a_moment_is_not_reached_anew(between: str, known: int | None) -> None:
    """Two chords on the way do not undo a key (common practice, no source)."""
    chords = f"C: I:8 G: V:4 I:4 IV:4 V:4 I:4 {between} G: IV:4 V:4 I:8"
    score = build(" | ".join(["G4+B4+D5:4"] * 16), " | ".join(["G2:4"] * 16))
    found = [e for e in find_keys(score, spans_of(score, chords)) if e.kind == "key"]
    assert [(e.label, e.get("known")) for e in found if str(e.get("key")) == "G"] == [
        ("modulation", None),
        ("modulation", known),
    ]


def test_no_step_is_direct_where_a_chord_belongs_to_both_keys() -> None:
    """A flat is home and becomes the dominant: a dominant is no pivot to tell of, and yet a door."""
    score = chords("Ab3+Eb4+C5", "Eb3+Bb3+G4", "Ab3+Eb4+C5", "Ab3+Gb4+C5+Eb5", "Db3+F4+Db5", length=4)
    found = find_keys(score, spans_of(score, "Ab: I:4 V I Db: V7 I"))
    assert [(e.kind, e.get("by")) for e in found] == [("key", None), ("key", None)]


@pytest.mark.parametrize(("first", "start"), [("V7/ii", 16), ("ii", 12)])
def test_home_returns_with_no_chord_that_points_elsewhere(first: str, start: int) -> None:
    """A7 is heard as the dominant of D minor, not yet as C major."""
    low = "A3+G4+C#5+E5" if first == "V7/ii" else "D3+F4+A4"
    score = chords("C3+G4+E5", "D3+F#4+A4+C5", "G3+D4+B4", low, "D3+F4+A4", "G3+F4+B4", "C3+G4+E5", length=4)
    found = find_keys(score, spans_of(score, f"C: I:4 G: V7 I C: {first} ii V7 I"))
    assert [e.start for e in found if e.kind == "key" and e.label == "home"] == [0, start]
