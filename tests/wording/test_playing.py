"""The plan in words: what to do at its moment, reasons once, in both languages (common practice)."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.findings.build import build
from tests.once import make_plan
from tests.partial import event as made
from tests.wording.readings import EXAMPLES, example

from understave.harmony.reading import Event
from understave.interpretation.plan import (
    Bend,
    DynamicMark,
    Hairpin,
    Level,
    PedalMove,
    Plan,
    Tension,
    Voice,
)
from understave.interpretation.tension import TENSION, TensionDetails
from understave.interpretation.timing import TIMING, TimingDetails
from understave.interpretation.voicing import VOICING, VoicingDetails
from understave.score.model import Direction, Measure, Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Pitch
from understave.theory.roman import RomanNumeral
from understave.wording import LEVELS, SPOKEN
from understave.wording.phrasebook import phrasebook
from understave.wording.playing import _tension, _yields_to, headings, tell_plan

F = Fraction
SILENT = made("no words", "for this", F(0), F(4), (), 1.0)


def score_of(bars: int) -> Score:
    measures = tuple(Measure(f"m{i}", i, str(i + 1), F(4 * i), F(4), 4, 4, 0) for i in range(bars))
    notes = tuple(
        Note(f"n{k}", F(k), F(1), p, p, 1, "1", 0, k // 4, (f"n{k}",))
        for k, p in enumerate(Pitch.parse(t) for t in ("C5", "D5", "E5", "F5", "G5", "F5", "E5", "D5"))
    )
    return Score("", "", (), measures, notes)


def said(plan: Plan, language: str = "en", **more) -> list[tuple[Fraction, str, str]]:
    found = tell_plan(score_of(3), plan, "intermediate", language, **more)  # type: ignore[arg-type]
    return [(a.moment, a.aspect, a.what) for a in found]


PEDAL = Plan(
    pedal=tuple(
        PedalMove(F(k), depth, "printed" if k == 5 else "proposed", SILENT)
        for k, depth in enumerate((0.0, 1.0, 1.0, 0.5, 0.3, 0.0, 0.5))
    )
)


def test_pedal_moves_are_named_by_what_the_foot_does() -> None:
    assert said(PEDAL) == [
        (F(1), "pedal", "pedal down"),
        (F(2), "pedal", "change the pedal"),
        (F(3), "pedal", "change to half pedal"),
        (F(4), "pedal", "let the pedal up to a quarter"),
        (F(5), "pedal", "pedal up (printed)"),
        (F(6), "pedal", "pedal half down"),
    ]
    assert [what for _, _, what in said(PEDAL, "de")][:2] == ["Pedal treten", "Pedal wechseln"]


def test_half_a_change_and_patterns_are_told_as_the_foot_makes_them() -> None:
    why = made("no words", "new harmony", F(0), F(4), (), 1.0)
    melting = Plan(
        pedal=(PedalMove(F(0), 1.0, "proposed", why), PedalMove(F(2), 1.0, "proposed", SILENT, True))
    )
    assert said(melting)[1] == (F(2), "pedal", "let the pedal half up, then down again")
    # Changed in every second bar is changed all the way.
    second = Plan(pedal=tuple(PedalMove(F(k), 1.0, "proposed", why) for k in (0, 2, 8)))
    assert said(second)[1:] == [(F(2), "pedal", "bars 1–3: change the pedal with each new chord")]
    moves = tuple(PedalMove(F(2 * k), float(k % 2), "proposed", SILENT) for k in range(6))
    assert said(Plan(pedal=moves)) == [
        (F(2), "pedal", "bars 1–3: pedal up each time, down again with the next chord")
    ]


def test_a_flutter_is_told_in_one_line_and_the_foot_goes_up_after_it() -> None:
    moves = (PedalMove(F(1), 1.0, "proposed", SILENT), PedalMove(F(2), 0.5, "proposed", SILENT, flutter=True))
    moves = (*moves, PedalMove(F(4), 0.0, "proposed", SILENT))
    assert said(Plan(pedal=moves)) == [
        (F(1), "pedal", "pedal down"),
        (F(2), "pedal", "flutter the pedal through the run"),
        (F(4), "pedal", "pedal up"),
    ]
    moves = (PedalMove(F(2), 0.5, "printed", SILENT, flutter=True),)
    assert said(Plan(pedal=moves)) == [(F(2), "pedal", "flutter the pedal (printed)")]
    assert len({said(Plan(pedal=moves), language)[0][2] for language in SPOKEN}) == len(SPOKEN)


def test_a_resolution_is_told_once_with_its_dissonance_and_not_where_it_only_passes() -> None:
    lean = VOICING.event(
        "dissonance",
        F(2),
        F(3),
        ("n2",),
        1.0,
        VoicingDetails(
            hand="right hand",
            pitch=Pitch.parse("E5"),
            resolution_pitch=Pitch.parse("F5"),
            resolution_time=F(3),
        ),
    )
    voices = (Voice("n2", "dissonance", 5.0, True, lean), Voice("n3", "resolution", -4.0, False, SILENT))
    assert said(Plan(voices=voices)) == [(F(2), "voicing", "lean on E 5")]
    alone = Plan(voices=voices[1:])
    assert said(alone) == [(F(3), "voicing", "play F 5 softer")]
    short = replace(score_of(3), notes=tuple(replace(n, duration=F(1, 4)) for n in score_of(3).notes))
    assert tell_plan(short, alone) == ()


def test_only_what_begins_in_the_bars_is_told() -> None:
    assert [m for m, _, _ in said(PEDAL, stretch=(F(4), F(8)))] == [F(4), F(5), F(6)]


def test_hairpins_marks_and_time_are_told_with_their_places() -> None:
    plan = Plan(
        marks=(DynamicMark(F(0), "p", "printed", SILENT), DynamicMark(F(4), "mf", "proposed", SILENT)),
        hairpins=(
            Hairpin(F(0), F(4), F(6), "swell", "proposed", SILENT),
            Hairpin(F(6), None, F(12), "diminuendo", "printed", SILENT),
        ),
        timing=(Bend(F(7), 0.9, SILENT), Bend(F(8), 1.0)),
    )
    assert said(plan) == [
        (F(0), "dynamics", "p (printed)"),
        (F(0), "dynamics", "grow until bar 2, beat 1, then fade until bar 2, beat 3"),
        (F(4), "dynamics", "mf"),
        (F(6), "dynamics", "fade until bar 3 (printed)"),
        (F(7), "timing", "slower"),
    ]


def test_how_to_play_a_printed_hairpin_is_said_once() -> None:
    plan = Plan(
        hairpins=tuple(
            Hairpin(F(start), None, F(start + 2), kind, "printed", SILENT)
            for start, kind in ((0, "crescendo"), (2, "diminuendo"), (4, "crescendo"), (6, "diminuendo"))
        )
    )
    assert [moment for moment, _, _ in said(plan)] == [F(0), F(2)]


def test_three_changes_alike_in_one_bar_are_one_line() -> None:
    why = made("no words", "against the print", F(0), F(4), (), 1.0)
    plan = Plan(pedal=tuple(PedalMove(F(k), 1.0, "proposed", why, k > 0) for k in range(4)))
    assert said(plan)[1:] == [(F(1), "pedal", "bar 1: let the pedal half up, then down again")]


def test_layers_are_told_where_they_come_or_move_and_single_notes_one_by_one() -> None:
    def why(label: str) -> Event:
        return made("no words", label, F(0), F(4), (), 1.0)

    on_top, inside, run = why("melody on top"), why("melody inside"), why("repeated")
    plan = Plan(
        voices=(
            Voice("n0", "melody", 0.0, why=on_top),
            Voice("n1", "melody", 2.0, why=on_top),
            Voice("n2", "dissonance", 10.0, True, why("dissonance")),
            Voice("n3", "resolution", -4.0, False, why("resolution")),
            Voice("n4", "repeated", 0.0, False, run),
            Voice("n5", "repeated", 1.0, False, run),
            Voice("n6", "melody", 3.0, why=inside),
            Voice("n7", "inner", -6.0),
            Voice("b", "bass", -4.0),
        )
    )
    held = Note("b", F(0), F(8), Pitch.parse("C3"), Pitch.parse("C3"), 1, "2", 0, 0, ("b",))
    over_bass = replace(score_of(3), notes=(*score_of(3).notes, held))
    assert [(a.moment, a.aspect, a.what) for a in tell_plan(over_bass, plan)] == [
        (F(0), "voicing", "bring out the melody"),
        (F(2), "voicing", "lean on E 5"),
        (F(3), "voicing", "play F 5 softer"),
        (F(4), "voicing", "shape the repeated G 5"),
        (F(6), "voicing", "bring out the melody"),
    ]


def test_tension_is_told_at_its_peaks_and_where_it_lets_go_after_one() -> None:
    values = (
        (0, 0.2, True),
        (1, 0.7, False),
        (2, 0.6, False),
        (4, 0.5, False),
        (6, 0.1, True),
        (8, 0.3, True),
    )
    plan = Plan(
        tension=tuple(
            Tension(
                F(t), F(t + 1), v, (), release, made("no words", "release" if release else "", F(0), F(4))
            )
            for t, v, release in values
        ),
        levels=(Level(F(0), 40.0), Level(F(8), 100.0)),
    )
    assert said(plan) == [(F(1), "tension", "lead to here"), (F(6), "tension", "let go")]
    bars = headings(score_of(3), plan)
    assert [b.bar for b in bars] == ["bar 1", "bar 2", "bar 3"]
    assert bars[0].state.endswith("tension low")
    assert [(b.start, b.end) for b in headings(score_of(3), plan, stretch=(F(4), F(8)))] == [(F(4), F(8))]


@pytest.mark.parametrize(
    ("high", "low", "told"),
    [
        ("density", "release", ["lead to here", "let go"]),
        ("density", "density", ["lead to here"]),
        ("density", "rest", ["lead to here"]),
        ("rest", "release", []),
    ],
)
def test_advice_on_tension_and_its_reason_are_of_one_mind(high, low, told) -> None:
    tonic = (("key", Key.parse("C")), ("chord", RomanNumeral.parse("I")))
    spans = (
        Tension(F(0), F(4), 0.8, (), False, made("tension", high, F(0), F(4), (), 1.0, tonic)),
        Tension(F(4), F(8), 0.1, (), True, made("tension", low, F(4), F(8), (), 1.0, tonic)),
    )
    assert [item.what for item in _tension(score_of(3), spans, phrasebook("en"))] == told


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_reason_is_told_once_in_a_row(language) -> None:
    why = made("tension", "density", F(0), F(4), (), 1.0)
    plan = Plan(pedal=tuple(PedalMove(F(k), 1.0, "proposed", why) for k in range(3)))
    reasons = [a.why for a in tell_plan(score_of(3), plan, "beginner", language)]
    assert reasons[0]
    assert not reasons[2]


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("language", SPOKEN)
def test_where_there_are_short_words_every_line_says_why(language, level) -> None:
    why = [
        TIMING.event("phrase end", F(4 * k + 3), F(4 * k + 4), (), 1.0, TimingDetails(slower=0.2, beats=F(1)))
        for k in range(3)
    ]
    plan = Plan(timing=tuple(Bend(event.start, 0.8, event) for event in why))
    reasons = [a.why for a in tell_plan(score_of(3), plan, level, language)]
    assert len(reasons) == 3
    assert all(reasons)
    assert reasons[1] == reasons[2]
    assert reasons[0] != reasons[1]


def test_printed_accents_are_not_said_again_and_fp_is_one() -> None:
    marks = tuple(
        Direction(f"d{k}", "dynamic", F(at), None, staff, text)
        for k, (at, staff, text) in enumerate([(1, 1, "sf"), (1, 2, "sf"), (4, 1, "fp"), (6, 1, "fz")])
    )
    score = replace(score_of(3), directions=marks)
    plan = Plan(marks=(DynamicMark(F(4), "p", "printed", SILENT), DynamicMark(F(8), "p", "printed", SILENT)))
    told = [(a.moment, a.what) for a in tell_plan(score, plan, "intermediate", "en")]
    assert told == [
        (F(8), "p (printed)"),
    ]


def test_what_the_pedal_does_alike_for_bars_is_one_line_and_its_exception_another() -> None:
    def why(label: str) -> Event:
        return made("no words", label, F(0), F(4), (), 1.0)

    moves = [PedalMove(F(4 * k), 1.0, "proposed", why("new harmony")) for k in range(6)]
    moves.insert(3, PedalMove(F(10), 0.5, "proposed", why("half")))
    # One that goes only three quarters down is no exception.
    moves[4] = replace(moves[4], depth=0.75)
    told = tell_plan(score_of(6), Plan(pedal=tuple(moves)))
    assert [(a.moment, a.what) for a in told] == [
        (F(0), "pedal down"),
        (F(4), "bars 2–6: change the pedal with each new chord"),
        (F(10), "change to half pedal"),
    ]


def turns(*bars: str) -> Plan:
    """A plan whose foot, in each bar, comes up after a press ("t"), changes once ("c") or twice ("g")."""

    def why(label: str) -> Event:
        return made("no words", label, F(0), F(4), (), 1.0)

    moves = []
    for k, bar in enumerate("".join(bars)):
        moves.append(PedalMove(F(4 * k), 1.0, "proposed", why("new harmony")))
        if bar == "t":
            moves.append(PedalMove(F(4 * k + 2), 0.0, "proposed", why("rest")))
        if bar == "g":
            moves += [PedalMove(F(4 * k + n), 1.0, "proposed", why("clear")) for n in (1, 2)]
    return Plan(pedal=tuple(moves))


@pytest.mark.parametrize(
    ("bars", "told"),
    [
        # One pattern with its exceptions named, and no second line over the same bars.
        (
            "cccctcccc",
            ["pedal down", "bars 2–9: change the pedal with each new chord; in bars 5–6 up between"],
        ),
        ("ttgtttt", ["bars 1–7: pedal up each time, down again with the next chord; in bar 3 keep it down"]),
        # What lasts as long as a pattern is one.
        ("ccccccctttttttt", ["pedal down", "bars 2–7: change", "bars 8–15: pedal up each time"]),
        ("ggggg", ["pedal down", "bars 1–5: change the pedal with each new chord and where"]),
        (
            "gtgtgtgtgtgtgtgtg",
            ["pedal down", "bars 1–17: change the pedal where notes gather; here and there up"],
        ),
    ],
)
def test_a_pattern_of_the_foot_is_one_line_that_names_its_exceptions(bars, told) -> None:
    found = [a.what for a in tell_plan(score_of(len(bars)), turns(bars))]
    assert len(found) == len(told), found
    assert all(what.startswith(begin) for what, begin in zip(found, told, strict=True)), found


def test_what_is_leant_on_again_and_again_is_one_line() -> None:
    why = made("no words", "dissonance", F(0), F(4), (), 1.0)
    notes = tuple(
        Note(f"n{k}", F(4 * k), F(1), Pitch.parse("B4"), Pitch.parse("B4"), 1, "1", 0, k, (f"n{k}",))
        for k in range(4)
    )
    voices = tuple(Voice(f"n{k}", "dissonance", 10.0, True, why) for k in range(4))
    told = tell_plan(replace(score_of(4), notes=notes), Plan(voices=voices))
    assert [(a.moment, a.what) for a in told] == [(F(0), "bars 1–4: lean on B 4 each time")]


def test_what_is_leant_on_is_one_line_only_while_it_yields_to_one_note() -> None:
    b, aims = Pitch.parse("B4"), ("A4", "C5")
    goals = [VoicingDetails(pitch=b, hand="right", resolution_pitch=Pitch.parse(g)) for g in aims]
    whys = [VOICING.event("dissonance", F(0), F(4), (), 1.0, goal) for goal in goals]
    assert [_yields_to(why) for why in (*whys, made("no words", "dissonance", F(0), F(4), (), 1.0))] == [
        "A",
        "C",
        "",
    ]


def test_a_subject_alone_is_no_melody_over_a_bass() -> None:
    """Nothing stays behind a melody that has not come: layers are told where they sound together."""
    plan = Plan(voices=(Voice("n0", "bass", -4.0, why=SILENT), Voice("n4", "melody", 4.0, why=SILENT)))
    assert said(plan) == []


def test_what_is_sung_is_not_weighed_at_the_piano_and_one_key_is_weighed_once() -> None:
    why, rub = (
        made("no words", "on top", F(0), F(4), (), 1.0),
        made("no words", "dissonance", F(0), F(4), (), 1.0),
    )
    high, low = Pitch.parse("B4"), Pitch.parse("C3")
    notes = (
        Note("s", F(0), F(2), high, high, 1, "1", 0, 0, ("s",), lyrics=("la",)),
        Note("a", F(0), F(1), high, high, 2, "1", 1, 0, ("a",)),
        Note("b", F(0), F(1), high, high, 2, "2", 1, 0, ("b",)),
        Note("c", F(0), F(4), low, low, 3, "1", 1, 0, ("c",)),
    )
    voices = (
        Voice("s", "melody", 5.0, why=why),
        Voice("s", "dissonance", 5.0, True, rub),
        *(Voice(n, "dissonance", 5.0, True, rub) for n in "ab"),
        Voice("c", "bass", 0.0, why=why),
    )
    score = replace(score_of(1), notes=notes)
    told = [a.what for a in tell_plan(score, Plan(voices=voices))]
    assert told == ["lean on B 4", "listen to the bass"]


def test_fades_that_follow_on_are_one_and_signs_beside_the_beat_are_told_at_a_note() -> None:
    plan = Plan(
        hairpins=(
            Hairpin(F(1), None, F(4), "diminuendo", "proposed", SILENT),
            Hairpin(F(4), None, F(6), "diminuendo", "proposed", SILENT),
            Hairpin(F(8) - F(101, 1024), None, F(12), "crescendo", "printed", SILENT),
        )
    )
    assert said(plan) == [
        (F(1), "dynamics", "fade until bar 2, beat 3"),
        (F(7), "dynamics", "grow until bar 3 (printed)"),
    ]


@pytest.mark.parametrize("language", ["en", "de", "fr"])
def test_a_pedal_on_what_had_none_says_so_once_with_its_first_reason(language) -> None:
    why = made("pedalling", "renew", F(0), F(4), (), 1.0)
    moves = (
        PedalMove(F(k), 1.0, "proposed", event) for k, event in enumerate((SILENT, why, SILENT, why, SILENT))
    )
    plan = Plan(pedal=tuple(moves))
    then, later = (replace(score_of(4), composer=n) for n in ("J. S. Bach", "Frédéric Chopin"))
    word = phrasebook(language).phrases["play_no_pedal_then"]
    told = tell_plan(then, plan, language=language)
    assert [a.moment for a in told if word in a.why] == [F(1)]
    assert next(a.why for a in told if word in a.why) != word
    assert not any(word in a.why for a in tell_plan(later, plan, language=language))
    # A stop asks for its own bars alone: what was said where the foot first went down is not said again.
    assert not any(word in a.why for a in tell_plan(then, plan, language=language, stretch=(F(2), F(16))))


def test_no_bar_has_more_than_four_lines_and_leaning_is_among_them() -> None:
    def why(label: str) -> Event:
        return made("no words", label, F(0), F(4), (), 1.0)

    plan = Plan(
        tension=tuple(Tension(F(k, 2), F(k + 1, 2), 0.9, (), True, SILENT) for k in range(8)),
        marks=(DynamicMark(F(0), "mf", "proposed", SILENT),),
        voices=(Voice("n2", "dissonance", 10.0, True, why("dissonance")),),
        timing=(Bend(F(3), 0.9, why("phrase end")),),
        pedal=tuple(PedalMove(F(k), 1.0, "proposed", why(f"reason {k}")) for k in range(4)),
    )
    told = said(plan)
    assert len(told) == 4
    assert {(F(0), "dynamics", "mf"), (F(2), "voicing", "lean on E 5"), (F(3), "timing", "slower")} <= set(
        told
    )


def test_what_is_printed_is_not_said_again() -> None:
    printed = made("dynamics", "printed mark", F(0), F(4), (), 1.0, (("mark", "p"),))
    plan = Plan(
        marks=(DynamicMark(F(0), "p", "printed", printed),),
        pedal=(PedalMove(F(0), 1.0, "printed", made("pedalling", "as printed", F(0), F(4), (), 1.0)),),
    )
    assert said(plan) == []


@pytest.mark.parametrize("level", ["beginner", "intermediate", "advanced"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_no_advice_is_a_percentage(level, language) -> None:
    score, reading = example(EXAMPLES[0])
    told = tell_plan(score, make_plan(score, reading), level, language)
    assert told
    assert not [a for a in told if "%" in a.what + a.why]


@pytest.mark.parametrize(
    ("tune", "told"), [("G4:2 B4:1 r:1 | C5:4", True), ("G4:1 A4 B4 D5 | C5 B4 A4 G4", False)]
)
def test_nobody_is_told_to_slow_at_an_end_where_the_notes_have_none(tune, told) -> None:
    """Advice on time falls with its reason (common practice, no source)."""
    score = build(tune, "G3:4 | C3:4")
    chord = TensionDetails(key=Key.parse("C"), chord=RomanNumeral.parse("V"), value=0.5, parts=())
    tense = Tension(F(0), F(4), 0.5, (), False, TENSION.event("rest", F(0), F(4), (), 1.0, chord))
    why = TIMING.event("phrase end", F(2), F(4), (), 1.0, TimingDetails(slower=0.2, beats=F(1)))
    plan = Plan(tension=(tense,), timing=(Bend(F(2), 0.8, why),))
    assert [a.aspect for a in tell_plan(score, plan) if a.aspect == "timing"] == ["timing"] * told
