"""Voicing: the melody before the rest wherever it lies, the bass at changes, dissonance before resolution.

That the melody is struck harder than what sounds with it: Goebl, "Melody lead in piano performance", J.
Acoust. Soc. Am. 110, 2001. That a suspension or appoggiatura is stronger than its resolution: Türk,
"Klavierschule", 1789 (from memory). The rest is common practice, no source.
"""

from __future__ import annotations

import sys
from fractions import Fraction
from pathlib import Path
from statistics import mean

import pytest
from tests.findings.build import build, spans_of

from understave.findings import find_events
from understave.findings.texture import texture_of
from understave.harmony.reading import Event, Reading
from understave.interpretation.plan import Voice
from understave.interpretation.voicing import _alone, voicing
from understave.score.model import Direction, Score
from understave.wording import LEVELS, SPOKEN, say
from understave.wording.sentences import say_again

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "wording"))

from small_readings import read_as, score_of
from tests.wording.readings import EXAMPLES, example

F = Fraction


def amounts(score: Score, reading: Reading) -> dict[str, float]:
    return {v.note: v.amount for v in voicing(score, reading)}


def note_at(score: Score, onset: Fraction | int, name: str) -> str:
    return next(n.id for n in score.notes if n.onset == onset and n.pitch.name == name)


def test_every_note_has_a_voice_in_the_scores_order():
    score, reading = read_as("C3 E4 C5 | G2 D4 B4 | C3 E4 C5", "C: I | V | I")
    assert [v.note for v in voicing(score, reading)] == [n.id for n in score.notes]


def test_the_top_line_is_brought_out_and_the_bass_comes_before_the_middle():
    score, reading = read_as("C3 G3 E4 C5 | F3 A3 F4 D5 | G3 B3 D4 G5 | C3 G3 E4 C5", "C: I | IV | V | I")
    amount = amounts(score, reading)
    for onset in (0, 4, 8, 12):
        struck = sorted((n for n in score.notes if n.onset == onset), key=lambda n: n.midi)
        low, *middle, top = (amount[n.id] for n in struck)
        assert top > low > max(middle)


def test_a_bass_that_brings_a_new_chord_is_heard_more_than_one_that_does_not():
    notes = [(F(t), F(2), name) for t, name in ((0, "C3"), (2, "C3"), (4, "G2"), (6, "G2"))]
    notes += [(F(t), F(1), name) for t, name in enumerate(("E5", "G5", "E5", "C5", "D5", "G5", "F5", "D5"))]
    score = score_of(notes)
    _, reading = read_as("C3 | G2", "C: I | V")
    voices = {v.note: v for v in voicing(score, reading)}
    change, held = voices[note_at(score, 4, "G2")], voices[note_at(score, 6, "G2")]
    assert change.why.label == "bass at a change"
    assert change.why.get("pitch").name == "G2"
    assert change.amount > held.amount


def test_a_melody_in_the_left_hand_is_brought_out_there():
    line = "C3 D3 E3 F3 G3 A3 B3 G3 A3 F3 D3 B2 C3 G3 E3 C3"
    notes = [(F(t), F(1), name) for t, name in enumerate(line.split())]
    for t in range(16):
        notes += [(F(2 * t + 1, 2), F(1, 2), name) for name in ("G4", "C5", "E5")]
    score = score_of(notes)
    _, reading = read_as("C3 G3 E4 | C3 G3 E4 | F3 A3 | C3 E4 G3", "C: I | I | IV | I")
    reading = Reading(reading.spans, find_events(score, reading.spans))
    amount = amounts(score, reading)
    left = mean(amount[n.id] for n in score.notes if n.staff == 2)
    right = mean(amount[n.id] for n in score.notes if n.staff == 1)
    assert left > right + 8


def suspended() -> tuple[Score, Reading]:
    """A 4-3 suspension in the melody: F5 is struck, held into C major and falls to E5."""
    notes = [(F(0), F(4), "G2"), (F(0), F(4), "B3"), (F(0), F(2), "D5"), (F(2), F(2), "F5")]
    notes += [(F(4), F(4), "C3"), (F(4), F(4), "G3"), (F(4), F(2), "F5"), (F(6), F(2), "E5")]
    notes += [(F(8), F(4), "C3"), (F(8), F(4), "C5")]
    score = score_of(notes)
    _, reading = read_as("G2 | C3 | C3", "C: V7 | I | I")
    return score, Reading(reading.spans, find_events(score, reading.spans))


def test_a_suspension_is_leant_on_and_its_resolution_is_softer():
    score, reading = suspended()
    voices = {v.note: v for v in voicing(score, reading)}
    rub, goal = voices[note_at(score, 4, "F5")], voices[note_at(score, 6, "E5")]
    assert (rub.role, rub.lean) == ("dissonance", True)
    assert (goal.role, goal.lean) == ("resolution", False)
    assert goal.amount <= rub.amount - 4
    assert rub.why.get("resolution_pitch").name == "E5"
    assert rub.amount > voices[note_at(score, 0, "D5")].amount


def test_a_passing_tone_off_the_beat_is_not_leant_on():
    notes = [(F(0), F(4), "C3"), (F(0), F(4), "G3"), (F(0), F(1), "E5"), (F(1), F(1, 2), "F5")]
    notes += [(F(3, 2), F(1, 2), "F5"), (F(2), F(2), "G5")]
    score = score_of(notes)
    _, reading = read_as("C3 G3 E4", "C: I")
    reading = Reading(reading.spans, find_events(score, reading.spans))
    voices = {v.note: v for v in voicing(score, reading)}
    assert not voices[note_at(score, F(3, 2), "F5")].lean


@pytest.mark.parametrize(("goal", "way"), [("C6", "on"), ("D5", "away")])
def test_repeated_notes_are_never_equal(goal, way):
    names = ["C5", "E5", "G5", "G5", "G5", "G5", goal, "E5"] if way == "on" else []
    names = names or ["C5", "E5", "G5", "G5", "G5", "G5", goal, "C5"]
    notes = [(F(t), F(1), name) for t, name in enumerate(names)] + [(F(0), F(4), "C3"), (F(4), F(4), "C3")]
    score = score_of(notes)
    _, reading = read_as("C3 | C3", "C: I | I")
    run = [v for v in voicing(score, reading) if score.note_by_id[v.note].pitch.name == "G5"]
    assert {v.role for v in run} == {"repeated"}
    assert len({v.amount for v in run}) == len(run)
    assert run[0].why.get("way") == way
    assert run[0].why.get("aim").name == goal
    assert run[0].why.get("count") == len(run)


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_are_voiced_with_reasons_that_can_be_told(name):
    score, reading = example(name)
    voices = voicing(score, reading)
    melody = {n.id for n in texture_of(score, reading.spans).melody}
    assert mean(v.amount for v in voices if v.note in melody) > 6 + mean(
        v.amount for v in voices if v.note not in melody
    )
    assert any(v.lean for v in voices)
    assert all(abs(v.amount) <= 36 for v in voices)
    reasons = list({(v.why.label, *v.why.detail): v.why for v in voices if v.why}.values())
    for event in reasons[:60]:
        for language in SPOKEN:
            for level in LEVELS:
                assert say(event, score, level, language)


def test_resolutions_of_real_suspensions_are_softer():
    score, reading = example("lock-water")
    voices = {v.note: v for v in voicing(score, reading)}
    checked = 0
    for e in reading.events:
        if _is_suspension(e):
            rub, goal = (score.note_by_id[str(e.get(k))].id for k in ("note", "resolution"))
            if voices[rub].role == "dissonance" and voices[goal].role == "resolution":
                checked += 1
                assert voices[goal].amount < voices[rub].amount
    assert checked


def _is_suspension(event: Event) -> bool:
    return event.kind == "non-chord tone" and event.label == "suspension" and bool(event.get("resolution"))


def test_the_top_of_a_chord_and_what_is_high_are_struck_harder():
    """Repp, "The dynamics of expressive piano performance", JASA 100, 1996: the top voice is the loudest."""
    score, reading = read_as("C4 E4 G4 C5 | C3 E3 G3 C4", "C: I | I")
    amount = {v.note: v.amount for v in voicing(score, reading)}
    high, low = (sorted((n for n in score.notes if n.measure == m), key=lambda n: n.midi) for m in (0, 1))
    for chord in (high, low):
        below = mean(amount[n.id] for n in chord[:-1])
        # Pianists' tops stand about 12 above the mean of the rest.
        assert 10 <= amount[chord[-1].id] - below <= 26
    assert amount[high[-1].id] > amount[low[-1].id]


def test_a_note_of_the_figuration_is_not_leant_on():
    """The left hand's broken chord touches D on a beat; the song above is what is leant on, if anything."""
    score = build("C5:4 | E5:4", "C3:1/2 G3 E4 G3 D3 G3 E4 G3 | C3 G3 E4 G3 C3 G3 E4 G3")
    spans = spans_of(score, "C: I:4 I:4")
    reading = Reading(spans, find_events(score, spans))
    assert any(e.kind == "non-chord tone" for e in reading.events)
    assert not [v for v in voicing(score, reading) if v.lean]


def test_the_first_chord_is_no_new_harmony():
    score, reading = read_as("C3 G3 E4 C5 | F3 A3 F4 D5", "C: I | IV")
    told = [v.why for v in voicing(score, reading) if v.why is not None]
    starts = {e.start for e in told if e.label == "bass at a change"}
    assert starts == {Fraction(4)}


def test_a_bass_that_stays_brings_no_new_harmony():
    score, reading = read_as("C3 G3 E4 C5 | C3 A3 F4 C5 | G3 B3 D4 D5 | G3 C4 E4 C5", "C: I | IV64 | V | I64")
    told = [v.why for v in voicing(score, reading) if v.why is not None]
    assert {e.start for e in told if e.label == "bass at a change"} == {Fraction(8)}


def voices_of(*voices: str, chords: str, **how) -> dict[str, Voice]:
    score = build(*voices, **how)
    spans = spans_of(score, chords)
    return {v.note: v for v in voicing(score, Reading(spans, find_events(score, spans)))}


@pytest.mark.parametrize(
    ("line", "bass", "chords"),
    [
        # The run goes by D on the second beat: E is one of its notes, not where it comes to rest.
        ("G4:1/4 A4 B4 C5 D5 E5 F5 G5 A5 B5 C6 D6 E6 F6 G6:1/2", "C3:4", "C: I:4"),
        # F goes up to a G that has been struck with it all the time.
        ("A4+F4:1 A4+F4 A4+F4 A4+F4 | F4+G4 F4+G4 G4+B4 G4+B4", "D3:4 | E3:4", "C: ii:4 iii:4"),
        # A flat leaps on by three semitones, though B is the next letter.
        ("E5:4 | Ab4:2 B4:2 | C5:4", "C3:4 | G2+D3:4 | C3:4", "C: I:4 V:4 I:4"),
        # An ornament leans on nothing.
        ("E5:2 A5:1/4 G5:7/4", "C3+G3:4", "C: I:4"),
        # The resolution lies in the other hand.
        ("D5:2 F5:4 r:2 | C5:4", "G2:2 B3:2 | C3:2 E5:2 | C3:4", "C: V7:4 I:4 I:4"),
    ],
)
def test_what_only_goes_by_is_neither_leant_on_nor_let_go(line, bass, chords):
    """A resolution is by step and in the dissonance's own line (Hutchinson, ch. 10)."""
    voices = voices_of(line, bass, chords=chords)
    assert not [v for v in voices.values() if v.lean or v.role == "resolution"]


@pytest.mark.parametrize(("below", "leant"), [("C3+Eb4+A4", False), ("C3+Eb4+Gb4", True)])
def test_nobody_leans_on_the_root_of_a_whole_seventh_chord(below, leant):
    """F, A, C and E flat are a dominant seventh, and F its root, though the label lacks it (common practice,
    no source).
    """
    chord = "viio6" if "A4" in below else "iio"
    voices = voices_of(
        "G4:4 | F5:2 Eb5:2", f"Eb3+Bb3:4 | {below}:4", chords=f"bb: iv:4 {chord}:4", signature=-5
    )
    assert (voices["v1n2"].role == "dissonance") is leant
    assert voices["v1n2"].lean is leant


@pytest.mark.parametrize("printed", ["cresc.", ""])
def test_no_resolution_is_softer_against_a_printed_crescendo(printed):
    marks = (Direction("d", "words", F(0), None, 1, printed or "dolce"),)
    line, bass = "D5:2 F5:4 E5:2 | C5:4", "G2+B3:4 | C3+G3:4 | C3:4"
    voices = voices_of(line, bass, chords="C: V7:4 I:4 I:4", directions=marks)
    rub, goal = voices["v1n2"], voices["v1n3"]
    assert rub.lean
    assert (rub.why.get("resolution_pitch") is None) == bool(printed)
    assert (goal.role == "resolution") != bool(printed)


def test_of_two_equal_lines_none_is_told_to_stay_behind():
    equal = ("F5:2 E5:2 | Eb5:2 D5:2 | C5:4", "staff1 F4:2 F#4:2 | G4:2 G#4:2 | A4:4")
    tune = ("F5:1 G5 A5 G5 | F5:1 E5 D5 E5 | F5:4", "staff1 C5:2 A4:2 | C5:2 A4:2 | A4:4")
    for lines, led in ((equal, False), (tune, True)):
        whys = {v.why.label for v in voices_of(*lines, chords="F: I:12").values() if v.why}
        assert ("melody on top" in whys) == led
        assert ("inner" in whys) <= led


def words(text: str, onset: int = 0) -> tuple[Direction, ...]:
    return (Direction("d", "dynamic" if text == "pp" else "words", F(onset), None, 1, text),)


@pytest.mark.parametrize(
    ("line", "marks", "way"),
    [
        ("C5:1 G5 G5 G5 | G5 A5 F5:2", (), "on"),
        # Three strikings are no repetition; a lower goal on the first beat may be led to or sunk to.
        ("E5:1 G5 G5 G5 | A5:4", (), None),
        ("G5:1 G5 G5 G5 | E5:4", (), None),
        ("C5:1 G5 G5 G5 | G5 A5 F5:2", words("pp"), None),
        ("C5:1 G5 G5 G5 | G5 A5 F5:2", words("dim."), None),
        ("C5:1 G5 G5 G5 | G5 A5 F5:2", words("rall."), None),
        ("C5:1 G5 G5 G5 | G5 E5 F5:2", (), "away"),
        ("C5:1 G5 G5 G5 | G5 E5 F5:2", words("cresc."), None),
        ("C5:1 G5 G5 G5 | G5 E5 F5:2", (Direction("d", "dynamic", F(3), None, 1, "sf"),), None),
        ("C5:1 G5 G5 G5 | G5 E5 F5:2", (Direction("d", "dynamic", F(5), None, 1, "f"),), None),
        ("C5:1 G5 G5 G5 | G5 E5 F5:2", (Direction("d", "dynamic", F(3), None, 1, "p"),), "away"),
    ],
)
def test_a_repeated_note_is_told_to_grow_only_where_it_may(line, marks, way):
    """Common practice, no source: what is repeated leads on, unless the print says otherwise."""
    voices = voices_of(line, "staff2 C3:4 | F3:4", chords="C: I:4 IV:4", directions=marks)
    assert {v.why.get("way") for v in voices.values() if v.role == "repeated"} == ({way} if way else set())
    # Told or not, no two are played alike.
    run = [v.amount for i, v in voices.items() if i in ("v1n2", "v1n3", "v1n4")]
    assert len(set(run)) == 3


def test_a_suspension_that_is_struck_again_is_leant_on_once():
    bass = "G2+B3:4 | C3+G3:4 | C3:4"
    voices = voices_of("D5:2 F5:2 | F5:1 F5:1 E5:2 | C5:4", bass, chords="C: V7:4 I:4 I:4")
    assert [i for i, v in voices.items() if v.lean] == ["v1n3"]
    assert voices["v1n5"].role == "resolution"


def test_a_note_that_rubs_only_later_is_told_to_be_held():
    voices = voices_of("D5:2 F5:4 E5:2 | C5:4", "G2+B3:4 | C3+G3:4 | C3:4", chords="C: V7:4 I:4 I:4")
    score = build("D5:2 F5:4 E5:2 | C5:4", "G2+B3:4 | C3+G3:4 | C3:4")
    told = {language: say_again(voices["v1n2"].why, score, "intermediate", language) for language in SPOKEN}
    assert told["en"] == "F is held until it rubs; let E go softer."
    assert "liegen" in told["de"]
    assert "tenu" in told["fr"]


def test_a_hand_that_has_the_melody_is_not_told_to_stay_behind_as_accompaniment():
    figures = "C4:1/2 G4 E4 G4 C4 G4 E4 G4 | B3 G4 D4 G4 B3 G4 D4 G4"
    voices = voices_of(
        "E5:2 D5:1 C5 | D5:3 E5:1",
        f"staff1 {figures}",
        "staff2 C2:1/2 G2 E2 G2 C2 G2 E2 G2 | B1 G2 D2 G2 B1 G2 D2 G2",
        chords="C: I:4 V6:4",
    )
    behind = {v.why.get("hand") for v in voices.values() if v.role == "accompaniment" and v.why}
    assert behind == {"left hand"}


def roles_told(score: Score, labels: str) -> list[tuple[str, Fraction]]:
    reading = Reading(spans_of(score, labels), ())
    return [
        (v.why.label, score.note_by_id[v.note].onset) for v in voicing(score, reading) if v.why is not None
    ]


def test_what_doubles_the_melody_is_not_told_to_stay_behind():
    """Both hands play one line in octaves: the lower accompanies nothing (common practice)."""
    line = "A4:1/2 C5 E5 A5 G#5 E5 B4 E4 | A4:1/2 E5 C5 A4 E4:2"
    octaves = build(line, line.replace("4", "3").replace("5", "4"))
    assert not [x for x in roles_told(octaves, "a: i:2 V:2 i:4") if x[0] in ("accompaniment", "inner")]


def test_a_staff_that_goes_on_alone_has_nothing_to_stay_behind():
    score = build("E5:1 D5 C5 D5 | r:4 | E5:4", "C3:1 G3 E3 G3 | C3:1 G3 E3 G3 | C3:1 G3 E3 G3")
    sung = {n.id for n in score.notes if n.id.startswith("v1")}
    assert _alone(score, sung) == {(1, 2)}


def test_what_moves_under_a_figure_that_stands_is_not_told_to_stay_behind_it():
    """The middle staff has the line for four bars, then the upper one: only from there on one is a bass."""
    score = build(
        "E5:1 G5 E5 G5 | " * 4 + "B5:2 A5:1 G5 | F#5:3 G5:1",
        "staff2 E4:2 F#4:1 G4 | B4:3 A4:1 | D4:1 C4 B3:2 | A3:2 B3:1 C4 | G3+B3:2 G3+B3:2 | G3+B3:4",
        "staff3 E3:4 | E3:4 | E3:4 | E3:4 | E3:4 | E3:4",
    )
    told = roles_told(score, "e: i:24")
    assert min(onset for label, onset in told) == 16
    assert {"bass", "accompaniment"} <= {label for label, _ in told}
