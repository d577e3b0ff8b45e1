"""Worked examples of texture: what each hand plays, where the melody is, its course.

Names and definitions of the patterns follow *Open Music Theory*, "Texture", and Hutchinson, *Music Theory for
the 21st-Century Classroom*, chapter on accompanying textures (both from memory); the music is ours.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.findings.build import build, spans_of
from tests.findings.pieces import bar, example, last_bar

from understave.findings.catalogue import weight
from understave.findings.figuration import FIGURES
from understave.findings.melody import _is_chordal, _is_lowest, _is_tune, _repeated_notes, find_melody
from understave.findings.pedalpoints import find_pedalpoints
from understave.findings.texture import find_texture, hand_of, roles, texture_of, unled_bars
from understave.harmony.reading import Event
from understave.score.model import Score
from understave.score.reader import read_score
from understave.theory.pitch import Interval, Pitch

TUNE = "E5:2 D5:1 C5 | D5:3 E5:1 | F5:2 E5:1 D5 | C5:4 |"


def patterns(score: Score, spans: str, hand: str = "left hand") -> list[str]:
    """Return the patterns of a hand in order."""
    found = find_texture(score, spans_of(score, spans))
    return [e.label for e in found if e.kind == "texture" and e.get("hand") == hand]


def melody(score: Score, spans: str, label: str) -> list[Event]:
    found = find_melody(score, spans_of(score, spans))
    return [e for e in found if e.kind == "melody" and e.label == label]


def bars(figure: str, times: int) -> str:
    return " | ".join([figure] * times)


class TestPatterns:
    @pytest.mark.parametrize(
        ("figure", "name"),
        [
            ("C3:1/2 G3 E3 G3 C3 G3 E3 G3", "Alberti-like"),
            ("C3:1/2 E3 G3 C4 C3 E3 G3 C4", "broken chords"),
            ("C3:1/2 G3 C4 E4 G4 E4 C4 G3", "rocking"),
            ("C2:1/4 G2 C3 E3 G3 C4 E4 G4 E4 C4 G3 E3 C3 G2 E2 C2", "arpeggios"),
            ("C3+E3+G3:1 C3+E3+G3 C3+E3+G3 C3+E3+G3", "repeated chords"),
            ("C3+E3+G3:2 B2+F3+G3:2", "block chords"),
            ("C3:1 E3+G3 G2 E3+G3", "bass and chords"),
            ("C2+C3:1 D2+D3 E2+E3 F2+F3", "octaves"),
            ("C2:1/2 C3 C2 C3 C2 C3 C2 C3", "broken octaves"),
            ("C3:1/4 G3 C3 G3 C3 G3 C3 G3 C3 G3 C3 G3 C3 G3 C3 G3", "tremolo"),
            ("C3:1 C3 C3 C3", "repeated notes"),
            ("C3+G3:4", "held notes"),
            ("C3:1/2 D3 E3 F3 G3 F3 E3 D3", "running line"),
        ],
    )
    def test_left_hand_under_a_melody(self, figure: str, name: str) -> None:
        score = build(TUNE, bars(figure, 4))
        assert patterns(score, "C: I:16") == [name]

    def test_waltz_bass(self) -> None:
        tune = "E5:2 D5:1 | C5:3 | D5:2 E5:1 | C5:3"
        score = build(tune, bars("C3:1 E3+G3 E3+G3", 4), meter="3/4")
        assert patterns(score, "C: I:12") == ["waltz bass"]

    def test_a_figure_set_on_two_notes_is_still_that_figure(self) -> None:
        plain, set_on_two = (
            patterns(build(bars("E5:1 D5", 4), bars(f"{first}:1/2 G3 C4 G3", 4), meter="2/4"), "C: I:8")
            for first in ("C3", "C3+E3")
        )
        assert plain
        assert set_on_two == plain

    def test_unison_of_both_hands(self) -> None:
        line = "C4:1 E4 G4 E4 | F4:1 D4 B3 D4"
        low = "C3:1 E3 G3 E3 | F3:1 D3 B2 D3"
        score = build(line, low)
        assert patterns(score, "C: I:4 V7:4", "both hands") == ["unison"]
        assert patterns(score, "C: I:4 V7:4") == []

    def test_a_change_is_told_with_what_was_before(self) -> None:
        low = bars("C3:1/2 G3 E3 G3 C3 G3 E3 G3", 2) + " | " + bars("C3+E3+G3:2 B2+F3+G3:2", 2)
        score = build(TUNE, low)
        told = [e for e in find_texture(score, spans_of(score, "C: I:16")) if e.kind == "texture"]
        assert [(e.label, e.start, e.get("before")) for e in told] == [
            ("Alberti-like", 0, None),
            ("block chords", 8, "Alberti-like"),
        ]

    def test_one_stray_bar_is_no_change(self) -> None:
        alberti = "C3:1/2 G3 E3 G3 C3 G3 E3 G3"
        score = build(TUNE, f"{alberti} | {alberti} | C3:2 G3:2 | {alberti}")
        assert patterns(score, "C: I:16") == ["Alberti-like"]

    def test_a_single_voice_has_no_accompaniment(self) -> None:
        assert patterns(build(TUNE), "C: I:16") == []

    def test_a_second_singing_voice_is_no_pattern(self) -> None:
        score = build(TUNE, "C4:1 B3:2 A3:1 | B3:1 G3:2 C4:1 | A3:2 C4:1 B3 | C4:4")
        assert patterns(score, "C: I:16") == []


class TestRoles:
    def test_chorale_style(self) -> None:
        score = build("E5:1 D5", "C5:1 B4", "G4:1 G4", "C3:1 G3")
        found = roles(score, spans_of(score, "C: I:1 V:1"))
        assert [found[f"v{v}n1"] for v in (1, 2, 3, 4)] == ["melody", "inner", "inner", "bass"]

    def test_only_the_lowest_note_of_a_broken_chord_is_bass(self) -> None:
        score = build(TUNE, bars("C3:1/2 G3 E3 G3 C3 G3 E3 G3", 4))
        found = roles(score, spans_of(score, "C: I:16"))
        assert [found[f"v2n{i}"] for i in (1, 2, 3, 4, 5)] == [
            "bass",
            "accompaniment",
            "accompaniment",
            "accompaniment",
            "bass",
        ]

    def test_octaves_of_the_melody_are_melody(self) -> None:
        score = build("E4+E5:2 D4+D5:1 C4+C5 | D4+D5:4", "C3:4 | G3:4")
        found = roles(score, spans_of(score, "C: I:4 V:4"))
        assert found["v1n1"] == found["v1n2"] == "melody"

    def test_every_note_has_a_role(self) -> None:
        score = build("g:D5 E5:2 D5:1 C5 | D5:4", "C3+E3:4 | G3:4")
        assert set(roles(score, spans_of(score, "C: I:4 V:4"))) == {n.id for n in score.notes}

    def test_the_chain_ferrys_left_hand_song_is_melody(self) -> None:
        score, spans = example("chain-ferry")
        found = roles(score, spans)
        song = [n for n in score.notes if n.staff == 2 and n.voice == "5" and 36 <= n.measure <= 43]
        assert song
        assert {found[n.id] for n in song} == {"melody"}
        assert {found[n.id] for n in score.notes if n.staff == 1 and 36 <= n.measure <= 43} == {
            "accompaniment"
        }


class TestMelody:
    def test_song_in_the_left_hand_under_broken_chords(self) -> None:
        top = " | ".join([TUNE.rstrip(" |"), *["C5:1/2 E5 G5 E5 C5 E5 G5 E5"] * 4])
        low = " | ".join([*["C3+E3+G3:4"] * 4, "E3:2 D3:1 C3", "D3:3 E3:1", "F3:2 E3:1 D3", "C3:4"])
        (event,) = melody(build(top, low), "C: I:32", "in the bass")
        assert (event.start, event.get("hand"), event.get("before")) == (16, "left hand", "on top")

    @pytest.mark.parametrize(
        ("bass", "tune"),
        [
            ("E3:2 D3:1 C3 | D3:3 E3:1", True),
            ("C3:1 G3 E3 C4 | F3:1 C3 A3 F3", False),
            ("C#3:4 | D3:4", False),
        ],
    )
    def test_a_bass_that_only_carries_is_no_tune_gone_down(self, bass: str, tune: bool) -> None:
        """A melody moves mostly by step (Huron, "Sweet Anticipation", 2006, ch. 5; from memory)."""
        score = build(bass)
        assert _is_tune(score, score.notes) is tune

    def test_broken_chords_in_the_left_hand_are_no_melody(self) -> None:
        score = build(TUNE, bars("C3:1/2 G3 C4 E4 G4 E4 C4 G3", 4))
        assert not melody(score, "C: I:16", "in the bass")
        assert not melody(score, "C: I:16", "in the left hand")

    def test_range(self) -> None:
        (event,) = melody(build(TUNE, bars("C3:4", 4)), "C: I:16", "range")
        assert (event.get("low"), event.get("high")) == (Pitch.parse("C5"), Pitch.parse("F5"))
        assert event.get("interval") == Interval.parse("P4")

    def test_repeated_notes(self) -> None:
        score = build("G4:1 G4 G4 G4 | G4:1 A4 B4 C5", "C3:4 | C3:4")
        (event,) = melody(score, "C: I:8", "repeated notes")
        assert (event.get("count"), event.get("pitch")) == (5, Pitch.parse("G4"))

    def test_three_are_not_yet_repeated_notes(self) -> None:
        assert not melody(build("G4:1 G4 G4 A4", "C3:4"), "C: I:4", "repeated notes")

    def test_leap_filled_by_step(self) -> None:
        (event,) = melody(build("C4:1 A4:2 G4:1", "C3:4"), "C: I:4", "leap")
        assert event.get("interval") == Interval.parse("M6")
        assert (event.get("direction"), event.get("filled")) == ("up", 1)

    def test_a_fifth_and_a_jump_over_a_rest_are_no_leap(self) -> None:
        score = build("C4:1 G4:1 r:1 C4:1 | r:1 C5:3", "C3:4 | C3:4")
        assert not melody(score, "C: I:8", "leap")


class TestExamples:
    def test_chain_ferry_melody_in_the_left_hand(self) -> None:
        score, spans = example("chain-ferry")
        (event,) = [e for e in find_melody(score, spans) if e.label == "in the left hand"]
        assert (bar(score, event.start), last_bar(score, event.end)) == (37, 44)

    def test_chain_ferry_left_hand(self) -> None:
        score, spans = example("chain-ferry")
        told = [
            (e.label, e.get("held_bass"), bar(score, e.start), last_bar(score, e.end))
            for e in find_texture(score, spans)
            if e.kind == "texture" and e.get("hand") == "left hand"
        ]
        # The wave with its first note held in the sequence and on the drone; sixteenths at the climax.
        assert ("rocking", 1, 21, 27) in told
        assert ("arpeggios", 0, 69, 72) in told
        assert ("rocking", 1, 73, 80) in told
        assert ("rocking", 0, 1, 20) in told

    def test_lock_water_breaks_move_to_the_right_hand_in_minor(self) -> None:
        score, spans = example("lock-water")
        told = [
            (e.label, bar(score, e.start), last_bar(score, e.end))
            for e in find_texture(score, spans)
            if e.kind == "texture" and e.get("hand") == "right hand"
        ]
        assert told[0] == ("broken chords", 16, 20)

    def test_times_are_exact(self) -> None:
        score, spans = example("lock-water")
        assert all(isinstance(e.start, Fraction) for e in find_texture(score, spans))


def test_a_vamp_before_the_tune_is_no_melody_in_the_bass():
    """Two bars of accompaniment alone, then the tune: nothing in the left hand is sung."""
    vamp = "C3:1 E4+G4 C3 E4+G4 | C3 E4+G4 C3 E4+G4 | C3 E4+G4 C3 E4+G4 | C3 E4+G4 C3 E4+G4"
    score = build("r:4 | r:4 | C5:1 D5 E5 F5 | G5:2 E5:2", f"staff2 {vamp}")
    assert not [e for label in ("in the bass", "in the left hand") for e in melody(score, "C: I:16", label)]
    assert {n.staff for n in texture_of(score, spans_of(score, "C: I:16")).melody} == {1}


def moving_under(held: str) -> Score:
    """A line in dotted rhythm under a voice, in its staff, over chords that are struck after the beat."""
    low = "r:1/2 C3+E3 C3+E3 C3+E3 r C3+E3 C3+E3 C3+E3"
    line = bars("E5:3/2 C5:1/2 F5:3/2 D5:1/2", 4)
    return build(bars(held, 4), f"staff1 {line}", f"staff2 {bars(low, 4)}", meter="2/2")


@pytest.mark.parametrize("held", ["G5:4", "G5:1 G5:1 G5:2"])
def test_a_note_that_stays_on_top_of_a_line_that_moves_is_not_the_tune(held):
    score = moving_under(held)
    spans = spans_of(score, "C: I:16")
    assert {n.voice for n in texture_of(score, spans).melody} == {"2"}
    assert not melody(score, "C: I:16", "repeated notes")
    assert not [e for e in find_pedalpoints(score, spans) if e.label == "melody note"]


def test_a_line_that_two_hands_share_under_a_drone_is_nobodys_melody():
    """The line goes from the left hand to the right and back: none of the two leads."""
    score = build(
        bars("G5:1 G5:3", 6),
        "staff1 r:4 | D5:1 B4 C5:2 | r:4 | D5:1 B4 C5:2 | r:4 | D5:1 B4 C5:2",
        "staff2 B3:1 A3 B3 C4 | C4:4 | B3:1 A3 B3 C4 | C4:4 | B3:1 A3 B3 C4 | C4:4",
        f"staff2 {bars('G2+D3:4', 6)}",
    )
    spans = spans_of(score, "G: I:24")
    assert unled_bars(score, spans) == set(range(6))
    places = ("in the bass", "in the left hand", "in an inner voice")
    assert not [e for p in places for e in melody(score, "G: I:24", p)]


@pytest.mark.parametrize(
    ("top", "low", "gone"),
    [
        # An even figure above, a line in long and short notes below: the melody has gone there.
        ("C5:1/2 E5 G5 E5 C5 E5 G5 E5", "E3:2 D3:1 C3 | D3:3 E3:1 | F3:2 E3:1 D3 | E3:2 C3:2", True),
        # Half notes carry a figure.
        ("F5:1 D5 B4 D5", "D3:2 E3:2 | F3:2 G3:2 | F3:2 E3:2 | D3:2 C3:2", False),
        # The top is as slow as a chorale, but it moves on from bar to bar.
        ("E5:2 E5:2 | F5:2 F5:2", "E3:3/2 F3:1/2 G3:1 F3 | E3:3/2 F3:1/2 G3:1 F3", False),
    ],
)
def test_the_melody_has_left_the_top_only_where_it_is_clearly_elsewhere(top, low, gone):
    top = f"{bars(top, 8)}" if "|" not in top else bars(top, 4)
    low = bars(low, 2) if low.count("|") == 3 else bars(low, 4)
    tune = TUNE.rstrip(" |")
    score = build(
        f"{tune} | {top} | {tune}", f"{bars('C3+E3+G3:4', 4)} | {low} | {bars('C3:4', 4)}", meter="2/2"
    )
    spans = spans_of(score, "C: I:64")
    assert {n.staff for n in texture_of(score, spans).melody if 16 <= n.onset < 48} == {2}
    places = ("in the bass", "in the left hand", "in an inner voice")
    assert bool([e for p in places for e in melody(score, "C: I:64", p)]) == gone


@pytest.mark.parametrize(("bars_", "weighty"), [(4, True), (2, False)])
def test_figures_are_told_from_three_bars_on(bars_, weighty):
    figure = " | ".join(["C3:1/2 E3 G3 C4 C3 E3 G3 C4"] * bars_)
    plain = " | ".join(["C3:4"] * (6 - bars_))
    score = build(bars("E5:3 D5:1", 6), f"{figure} | {plain}")
    (found,) = (e for e in find_texture(score, spans_of(score, "C: I:24")) if e.label == "broken chords")
    assert bool(weight(found)) == weighty


def test_a_note_knocked_on_over_chords_that_change_slowly_is_the_tune():
    score = build(bars("G5:1 G5 G5 G5", 4), "C4+E4:4 | B3+D4:4 | C4+E4:4 | B3+D4:4")
    assert {n.voice for n in texture_of(score, spans_of(score, "C: I:16")).melody} == {"1"}
    assert not unled_bars(score, spans_of(score, "C: I:16"))
    assert melody(score, "C: I:16", "repeated notes")


def test_chords_repeated_over_a_line_in_the_bass_knock_on_no_melody_note():
    triplet = " ".join(["{}:1/3"] + ["{}"] * 11)
    score = build(
        triplet.replace("{}", "F#4") + " | G4:1 A4 B4 A4",
        "staff1 " + triplet.replace("{}", "D4") + " | D4:4",
        "staff2 A3:3/2 B3:1/2 C4:3/2 A3:1/2 | G3:4",
    )
    assert not [
        e for e in find_pedalpoints(score, spans_of(score, "G: V7:4 I:4")) if e.label == "melody note"
    ]


def test_two_equal_lines_on_one_staff_have_no_melody_between_them():
    score = build("F5:2 E5:2 | Eb5:2 D5:2 | C5:4", "staff1 F4:2 F#4:2 | G4:2 G#4:2 | A4:4")
    assert unled_bars(score, spans_of(score, "F: I:12")) == {0, 1, 2}
    below = build("F5:2 E5:2 | Eb5:2 D5:2 | C5:4", "staff1 F4:4 | F4:4 | F4:4")
    assert not unled_bars(below, spans_of(below, "F: I:12"))


@pytest.mark.parametrize(
    "low", ["E3:2 F#3:1 G3 | B3:3 A3:1 | D3:1 C3 B2:2 | A2:2 B2:1 C3", "E3:4 | E3:4 | E3:4 | E3:4"]
)
def test_a_figure_that_stands_above_a_line_that_moves_leads_nothing(low):
    """Common practice, no source: what is the same in every bar goes with the line that is always new."""
    score = build("r:3/2 E5:1/2 G5:1 E5:1 | " + "E5:1 G5 E5 G5 | " * 2 + "E5:1 G5 E5 G5", f"staff2 {low}")
    moves = " F#3" in low
    assert unled_bars(score, spans_of(score, "e: i:16")) == (set(range(4)) if moves else set())


@pytest.mark.parametrize(("octave", "label"), [(True, "in the bass"), (False, "in an inner voice")])
def test_a_line_doubled_by_the_lowest_voice_does_not_lie_between(octave, label):
    tune = (
        "C4:1/2 B3 C4 D4 E4:1 D4 | F4:1/2 E4 F4 G4 A4:1 G4 | E4:1/2 D4 E4 F4 G4:1 F4 | D4:1/2 C4 D4 E4 F4:2"
    )
    low = tune.translate(str.maketrans("34", "23")) if octave else "C2:4 | C2 | C2 | C2"
    score = build(
        f"r:4 | r | {bars('r:1 G5:1 r:1 G5:1', 4)}",
        f"staff2 {bars('r:4', 2)} | {tune}",
        f"staff3 {bars('r:4', 2)} | {low}",
    )
    assert melody(score, "C: I:24", label)


def test_the_song_goes_nowhere_while_the_singer_breathes():
    """What a singer has is the tune (common practice, no source); three bars of bass between are none."""
    sung = "C5:1 D5 E5 F5 | G5:2 E5:2 | r:4 | r:4 | r:4 | C5:1 D5 E5 F5 | G5:4"
    low = "C3:4 | C3:4 | C3:1 D3 E3 F3 | G3:3/2 F3:1/2 E3:1 D3 | E3:1 F3 G3 B2 | C3:4 | C3:4"
    score = build(sung, f"staff2 {bars('r:1 E4+G4:1 E4+G4 E4+G4', 7)}", f"staff3 {low}")
    words = tuple(replace(n, lyrics=("la",)) if n.staff == 1 else n for n in score.notes)
    places = ("in the bass", "in the left hand", "back on top")
    assert [e.label for p in places for e in melody(score, "C: I:28", p)]
    assert not [e for p in places for e in melody(replace(score, notes=words), "C: I:28", p)]


def test_a_line_that_dwells_on_a_note_after_a_broken_upbeat_breaks_no_chord():
    dwelling, breaking = "C3:1/4 E3 G3:3 E3:1/2", "C3:1/4 E3 G3 E3 C3 E3 G3 E3 C3 E3 G3 E3 C3 E3 G3 E3"
    for figure, told in ((dwelling, False), (breaking, True)):
        found = patterns(build(bars("E5:3 D5:1", 4), bars(figure, 4)), "C: I:16")
        assert any(name in FIGURES for name in found) is told


def test_a_figure_begins_where_the_hand_moves():
    """A bar of which one beat alone is broken is no beginning of broken chords."""
    thin, full = "C3:1 G3:1 C3:1/3 E3 G3 C3:1", "C3:1/3 E3 G3 " * 4
    score = build(" | ".join(["E5:4"] * 6), " | ".join([thin, *[full.strip()] * 5]))
    found = [e for e in find_texture(score, spans_of(score, "C: I:24")) if e.get("hand") == "left hand"]
    assert found
    assert min(e.start for e in found) >= 4


def test_whole_chords_below_are_no_tune_in_the_left_hand():
    """Notes struck with others of their own voice are chords; a line over a held bass is none of them."""
    score = build("G5:1 A5 B5 C6", "staff2 C4+E4+G4:2 D4+F4+G4:2", "staff2 C3:4")
    notes = {n.id: n for n in score.notes}
    assert _is_chordal(score, [n for n in notes.values() if n.id.startswith("v2")])
    assert not _is_chordal(score, [n for n in notes.values() if n.id.startswith("v1")])
    assert not _is_chordal(score, [notes["v3n1"]])
    assert not _is_chordal(score, [])
    half = build("G5:4", "staff2 C4+E4:1 D4+F4 B3 C4")
    assert _is_chordal(half, [n for n in half.notes if n.id in ("v2n2", "v2n4", "v2n5", "v2n6")])


def test_what_sings_the_words_is_the_voice_and_not_the_name_of_a_part(tmp_path) -> None:
    song = "X:1\nT:Song\nM:4/4\nL:1/4\nK:C\n%%score 1 {2 | 3}\nV:1 name=Mezzo\nV:2\nV:3 clef=bass\n"
    song += "[V:1] C D E C |\nw: One and two and\n[V:2] E F G E |\n[V:3] C,4 |\n"
    (tmp_path / "song.abc").write_text(song, encoding="utf-8")
    score = read_score(tmp_path / "song.abc")
    assert [hand_of(score, staff) for staff in (1, 2, 3)] == ["voice", "right hand", "left hand"]
    silent = song.replace("w: One and two and\n", "")
    (tmp_path / "silent.abc").write_text(silent, encoding="utf-8")
    assert hand_of(read_score(tmp_path / "silent.abc"), 1) == "Mezzo"


@pytest.mark.parametrize(("low", "lowest"), [("r:1/2 C3 r C3 r C3 r C3", False), ("r:8/2", True)])
def test_a_line_over_a_bass_that_comes_off_the_beat_is_not_the_lowest(low: str, lowest: bool) -> None:
    """The bass is what sounds lowest while a note lasts, not as it begins (common practice, no source)."""
    score = build("staff1 G5:1/2 E5 G5 E5 G5 E5 G5 E5", "staff1 C5:2 B4:2", f"staff2 {low}")
    tune = [note for note in score.notes if note.voice == "2"]
    assert _is_lowest(score, tune) is lowest


def test_the_top_of_a_prelude_has_its_melody_until_the_singer_enters() -> None:
    """Common practice, no source: in a prelude the right hand sings, the left one carries."""
    tune = bars("C5:1/2 D5 E5 D5 C5:1 G4", 4)
    low = bars("C4:3/2 B3:1/2 C4 B3 C4 D4", 4)
    sung = "r:4 | r:4 | r:4 | r:4 | E5:1 F5 G5 E5 | D5:4"
    score = build(sung, f"staff2 {tune} | G4:1/2 C5 E5 C5 G4 C5 E5 C5 | B4:4", f"staff3 {low} | C3:4 | G3:4")
    texture = texture_of(score, spans_of(score, "C: I:24"))
    places = [(texture.outlines[k].staff, texture.outlines[k].upper) for k in texture.places]
    assert places == [*[(2, True)] * 4, *[(1, True)] * 2]


@pytest.mark.parametrize(
    ("unled", "counts"), [(frozenset({1}), [6]), (frozenset({0}), []), (frozenset(), [6])]
)
def test_a_note_is_repeated_as_often_as_it_is_struck_wherever_the_melody_leads(unled, counts):
    """A run is counted whole (common practice, no source), as advice to the hands counts it."""
    score = build("C5:1 G5 G5 G5 | G5 G5 G5 E5")
    assert [e.get("count") for e in _repeated_notes(score, score.struck, unled)] == counts
