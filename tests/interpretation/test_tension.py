"""Tension: what is tense is tenser than what is not, and every reason can be told.

That a cadential six-four leans on its dominant, a dominant seventh is tenser than the tonic, a Neapolitan
than the subdominant, a remote key than home: handbook rules (Hutchinson, Music Theory for the 21st-Century
Classroom, chapters 16 and 20; Lerdahl, Tonal Pitch Space). The rest is arithmetic.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from tests.findings.build import build, spans_of
from tests.partial import event as made

from understave.findings import find_events
from understave.findings.sounding_notes import soundings
from understave.harmony.reading import Reading, Span
from understave.interpretation.plan import Tension
from understave.interpretation.tension import (
    WEIGHTS,
    _leans_at_first,
    _Scene,
    _slices,
    chord_clash,
    curve,
    home_of,
    tension,
)
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.roman import RomanNumeral
from understave.wording import LEVELS, SPOKEN, say

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "wording"))

from small_readings import read_as, score_of
from tests.wording.readings import EXAMPLES, analysed, example

F = Fraction


def values(music: str, labels: str) -> list[float]:
    return [t.value for t in tension(*read_as(music, labels))]


def part(one: Tension, name: str) -> float:
    return next(value for n, value, _ in one.parts if n == name)


def test_a_cadential_six_four_is_tenser_than_its_resolution_and_that_than_the_tonic():
    six_four, dominant, tonic = values("G2 G3 C4 E4 | G2 G3 B3 D4 | C3 G3 C4 E4", "C: Cad64 | V | I")
    assert six_four > dominant > tonic


def test_a_six_four_labelled_as_an_inversion_is_heard_as_the_same():
    labelled = values("G2 G3 C4 E4 | G2 G3 B3 D4 | C3 G3 C4 E4", "C: Cad64 | V | I")
    plain = values("G2 G3 C4 E4 | G2 G3 B3 D4 | C3 G3 C4 E4", "C: I64 | V | I")
    assert labelled == plain


@pytest.mark.parametrize(
    ("music", "labels"),
    [
        ("C3 G3 C4 E4 | G2 G3 B3 D4", "C: I | V"),
        ("G2 G3 B3 D4 | G2 F3 B3 D4", "C: V | V7"),
        ("C3 Eb3 G3 C4 | B2 D3 F3 Ab3", "c: i | viio7"),
        ("F2 F3 Ab3 C4 | F2 F3 Ab3 Db4", "c: iv | N6"),
        ("C3 G3 C4 E4 | E2 G3 C4 E4", "C: I | I6"),
        ("E2 G3 C4 E4 | G2 G3 C4 E4", "C: I6 | I64"),
        ("G2 F3 B3 D4 | F2 G3 B3 D4", "C: V7 | V42"),
        ("C3 Eb3 G3 C4 | Ab2 Eb3 F#3 C4", "c: i | Ger65"),
        ("G2 F3 B3 D4 | D3 F#3 C4 D4", "C: V7 | V7/V"),
        ("C3 E3 G3 C4 | C3 E3 G#3 C4", "C: I | I+"),
    ],
)
def test_the_second_chord_is_tenser(music, labels):
    first, second = values(music, labels)
    assert first < second


def test_the_home_key_is_calmer_than_a_remote_one():
    """The same chord, I, in C with C as home, in G and in F sharp."""
    music = "C3 E3 G3 C4 | C3 E3 G3 C4 | G2 D3 G3 B3 | F#2 C#3 F#3 A#3 | C3 E3 G3 C4"
    spans = tension(*read_as(music, "C: I | I | G: I | F#: I | C: I"))
    home, _, near, far, _ = (part(t, "home distance") for t in spans)
    assert home == 0 < near < far
    assert spans[0].value < spans[2].value < spans[3].value


def test_a_suspension_adds_to_the_chord_and_its_resolution_is_named():
    notes = [(F(0), F(4), n) for n in ("C3", "G3", "C4")]
    held = score_of([*notes, (F(0), F(2), "F4"), (F(2), F(2), "E4")])
    plain = score_of([*notes, (F(0), F(4), "E4")])
    _, reading = read_as("C3 E3", "C: I")
    one, other = tension(held, reading)[0], tension(plain, reading)[0]
    assert part(one, "dissonance") > part(other, "dissonance") == 0
    assert one.value > other.value
    assert (one.why.label, one.why.get("pitch")) == ("dissonance", Pitch.parse("F4"))
    assert one.why.get("aim") == PitchClass.parse("E")
    assert say(one.why, held) == "F rubs against G; it wants to fall to E, and does."


def test_a_clash_that_comes_later_in_a_chord_is_told_at_its_own_place():
    """F is struck in the third beat only: at the first beat nothing rubs."""
    score = score_of([(F(0), F(4), "C3"), (F(0), F(4), "E4"), (F(0), F(2), "G4"), (F(2), F(2), "F4")])
    _, reading = read_as("C3 E3", "C: I")
    (one,) = tension(score, reading)
    assert one.why.label == "dissonance"
    assert one.why.get("later") == F(2)
    assert say(one.why, score).startswith("F rubs against E (bar 1, beat 3)")


@pytest.mark.parametrize(
    ("last", "label"), [("C3 G3 C4 E4 | C: I", "rest"), ("C3 F3 A3 F4 | C: IV64", "bass")]
)
def test_the_common_tone_of_a_diminished_seventh_unsettles_nothing(monkeypatch, last, label):
    """C lies in the bass and becomes the root of what comes: the upper notes are the unstable ones."""
    monkeypatch.setattr(_Scene, "_order", lambda self, i: ["bass", "density"])
    music, _, numeral = last.partition(" | C: ")
    score, reading = read_as(f"E3 G3 C4 E4 | C3 A3 D#4 F#4 | {music}", f"C: I6 | viio43/V | {numeral}")
    assert tension(score, reading)[1].why.label == label


@pytest.mark.parametrize(
    ("voices", "chords", "pitch", "aim"),
    [
        # The seventh of F falls to a D flat on its way, not to the D of the key.
        (("E5:5/2 Db5:1/2 | C5:3", "A4+C5:3 | G4:3", "F3:3 | G3:3"), "C: IV7:3 | V:3", "E5", "Db"),
        # G is no note of the chord and rises to A, though the F sharp of the chord lies nearer.
        (("G5:2 A5:1 | E5:3", "F#3+A#3+E4:3 | G3+B3+E4:3"), "e: V7/V:3 | i6:3", "G5", "A"),
    ],
)
def test_where_a_dissonant_note_goes_is_read_from_its_line(voices, chords, pitch, aim):
    score = build(*voices, meter="3/4")
    one = tension(score, Reading(spans_of(score, chords), ()))[0]
    assert (one.why.label, one.why.get("pitch")) == ("dissonance", Pitch.parse(pitch))
    assert (one.why.get("aim"), one.why.get("found")) == (PitchClass.parse(aim), 1)


def test_a_bass_that_comes_later_does_not_make_the_chord_unstable_from_the_start():
    score = build("G#4:2 | A4:2", "B3:2 | C4:2", "E3:1 D3:1 | C3:2", meter="2/4")
    one = tension(score, Reading(spans_of(score, "a: V42:2 | i6:2"), ()))[0]
    assert one.why.label != "bass"


def test_a_bass_that_lies_through_three_chords_unsettles_none_of_them():
    """The A of a tonic pedal point is the seventh of the chord over it, and yet the one firm thing."""
    # Also where the last of them is named over its own root.
    chords = "a: i:4 | iiø42:4 | i:4", "a: iv6:4 | iiø42:4 | i:4", "a: i:4 | iiø42:4 | V:4"
    upper = ("E5:4 | F5:4 | E5:4", "C5:4 | D5:4 | C5:4", "A4:4 | B4:4 | A4:4")
    basses = "A3:12", "F3:4 | A3:8", "A3:12"
    for text, low, label in zip(chords, basses, (False, True, False), strict=True):
        score = build(*upper, low)
        reading = Reading(spans_of(score, text), ())
        assert (tension(score, reading)[1].why.label == "bass") is label


def test_a_foreign_note_off_the_beat_counts_less_than_on_it():
    chord = [(F(0), F(4), n) for n in ("C3", "G3", "C4")]
    on = score_of([*chord, (F(0), F(1, 2), "D5"), (F(1, 2), F(7, 2), "E5")])
    off = score_of([*chord, (F(0), F(1, 2), "E5"), (F(1, 2), F(1, 2), "D5"), (F(1), F(3), "E5")])
    _, reading = read_as("C3 E3", "C: I")
    assert part(tension(on, reading)[0], "dissonance") > part(tension(off, reading)[0], "dissonance") > 0


def test_height_is_tension():
    music = "C3 E4 G4 C5 | C3 E5 G5 C6 | C3 E3 G3 C4"
    high = [part(t, "register") for t in tension(*read_as(music, "C: I | I | I"))]
    assert high[1] > high[0] > high[2]


def test_grace_notes_make_no_music_denser():
    """They take their time from their neighbours (MusicXML 4.0, ``grace``): no more is struck in it."""
    labels = "C: I:4 V:4 I:4"
    lower = "staff2 C3:4 | G3:4 | C3:4"
    plain, graced = (
        tension(score, Reading(spans_of(score, labels)))
        for score in (
            build("C5:4 | B4:1 D5 B4 D5 | E5:4", lower),
            build("g:B4 g:D5 g:B4 C5:4 | B4:1 D5 B4 D5 | g:F5 g:E5 g:D#5 E5:4", lower),
        )
    )
    assert [part(t, "density") for t in graced] == [part(t, "density") for t in plain]


def test_parts_make_up_the_value_and_the_shares_are_open():
    assert sum(w.share for w in WEIGHTS.values()) == pytest.approx(1)
    assert all(w.reason.endswith(".") for w in WEIGHTS.values())
    for t in tension(*read_as("C3 G3 C4 E4 | G2 F3 B3 D4 | C3 G3 C4 E4", "C: I | V7 | I")):
        assert [name for name, _, _ in t.parts] == list(WEIGHTS)
        assert all(0 <= value <= 1 for _, value, _ in t.parts)
        assert t.value == pytest.approx(sum(v * w for _, v, w in t.parts))


@pytest.mark.parametrize(
    ("quality", "expected"),
    [
        (Quality.MAJOR, 0),
        (Quality.MINOR, 0),
        (Quality.DIMINISHED, 0.453),
        (Quality.AUGMENTED, 0.453),
        (Quality.DOMINANT7, 0.582 + 0.453),
        (Quality.MAJOR7, 1.428),
        (Quality.DIMINISHED7, 2 * 0.453),
    ],
)
def test_clashes_within_chords(quality, expected):
    """Huron 1994: interval classes 1, 2 and 6 at -1.428, -0.582 and -0.453; from memory."""
    assert chord_clash(Chord(PitchClass.parse("C"), quality)) == pytest.approx(expected)


def test_a_dominant_that_goes_home_is_a_release():
    music = "C3 G3 C4 E4 | F2 A3 C4 F4 | G2 F3 B3 D4 | C3 G3 C4 E4"
    found = [t.release for t in tension(*read_as(music, "C: I | IV | V7 | I"))]
    assert found == [False, False, False, True]


def test_a_major_tonic_in_minor_pulls_nowhere():
    """Picardy third: the major tonic is an end, not a leading tone's beginning."""
    music = "C3 G3 C4 Eb4 | G2 F3 B3 D4 | C3 G3 C4 E4"
    _, dominant, picardy = tension(*read_as(music, "c: i | V7 | I"))
    assert part(picardy, "expectation") == 0
    assert picardy.value < dominant.value / 2
    assert picardy.release


def test_a_deceptive_goal_is_no_release():
    music = "C3 G3 C4 E4 | F2 A3 C4 F4 | G2 F3 B3 D4 | A2 A3 C4 E4"
    phrase = made("phrase", "phrase", F(0), F(16), (), 1.0, (("arrival", F(12)),))
    deceptive = made("cadence", "deceptive", F(8), F(16), (), 1.0, (("arrival", F(12)), ("ends_phrase", 1)))
    score, reading = read_as(music, "C: I | IV | V7 | vi")
    assert tension(score, replace(reading, events=(phrase,)))[3].release
    assert not any(t.release for t in tension(score, replace(reading, events=(phrase, deceptive))))


@pytest.mark.parametrize(
    ("last", "label", "rests"),
    [("C3 G3 C4 E4", "I", True), ("G2 G3 B3 D4", "V", False), ("C3 G#3 C4 E4", "I+", False)],
)
def test_a_phrase_that_ends_on_a_dominant_or_a_dissonant_triad_lets_go_of_nothing(last, label, rests):
    """A half cadence stays open (common practice, no source)."""
    score, reading = read_as(f"C3 G3 C4 E4 | B2 F3 Ab3 D4 | {last}", f"C: I | viio7 | {label}")
    phrase = made("phrase", "phrase", F(0), F(12), (), 1.0, (("arrival", F(8)),))
    assert tension(score, replace(reading, events=(phrase,)))[2].release is rests


def test_reasons_in_plain_words():
    music = "C3 G3 C4 E4 | F2 G3 B3 D4 | E2 G3 C4 E4 | G2 G3 C4 E4 | G2 G3 B3 D4 | C3 G3 C4 E4"
    score, reading = read_as(music, "C: I | V42 | I6 | Cad64 | V | I")
    told = [say(t.why, score) for t in tension(score, reading)]
    assert told[1] == "The bass note F makes this chord unstable; it wants to fall to E."
    assert told[3] == "The bass note G makes this chord unstable: C wants to fall to B, and E to D."
    assert told[4] == "B pulls up to C, and the next chord brings it."
    assert told[0] == "Nothing pulls here: ⟨I⟩ in C major is at rest."


def test_a_pull_that_is_not_met_is_told():
    score, reading = read_as("G2 G3 B3 D4 | A2 A3 D4 F#4 | G2 G3 B3 D4", "C: V | G: V | I")
    first = tension(score, reading)[0].why
    assert (first.label, first.get("aim"), first.get("unmet")) == ("expectation", PitchClass.parse("C"), 1)
    assert say(first, score).endswith("but the next chord holds it back.")


@pytest.mark.parametrize(("second", "unmet"), [("E3 G#3 B3 D4 | a: V7", None), ("C4 E4 G4 | a: III", 1)])
def test_nothing_is_held_back_where_a_note_only_stays(second, unmet):
    """G sharp sounds on in the dominant of the same goal."""
    music, _, label = second.partition(" | a: ")
    score, reading = read_as(f"G#3 B3 D4 F4 | {music} | C4 E4 A4", f"a: viio7 | {label} | i6")
    first = tension(score, reading)[0].why
    assert (first.get("pitch"), first.get("unmet")) == (Pitch.parse("G#3"), unmet)


def test_home_is_what_the_plan_of_keys_says_else_the_longest():
    _, reading = read_as("C3 E3 | G3 B3 | G3 B3", "C: I | G: I | I")
    assert home_of(reading) == Key.parse("G")
    told = made("key", "home", F(0), F(4), (), 1.0, (("home", Key.parse("C")),))
    assert home_of(replace(reading, events=(told,))) == Key.parse("C")


def test_nothing_read_is_no_tension():
    score, _ = read_as("C3 E3", "C: I")
    assert tension(score, Reading(())) == ()
    assert curve(()) == ()


def test_a_curve_passes_through_every_span_in_order():
    spans = tension(*read_as("C3 G3 C4 E4 | G2 F3 B3 D4 | C3 G3 C4 E4", "C: I | V7 | I"))
    points = curve(spans)
    assert [m for m, _ in points] == sorted(m for m, _ in points)
    assert {t.start: t.value for t in spans}.items() <= dict(points).items()
    assert points[-1] == (F(12), spans[-1].value)


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_span_of_an_example_has_a_reason_that_can_be_told(name):
    score, reading = example(name)
    found = tension(score, reading)
    assert [(t.start, t.end) for t in found] == [(s.start, s.end) for s in reading.spans]
    for t in found:
        assert t.why.notes
        assert set(t.why.notes) <= set(score.note_by_id)
        for level in LEVELS:
            for language in SPOKEN:
                assert say(t.why, score, level, language)


def value_at(found: tuple[Tension, ...], moment: Fraction) -> float:
    return next(t.value for t in found if t.start <= moment < t.end)


def in_bars(name: str, first: int, last: int) -> list[Tension]:
    """Return the tension of the spans that begin in bars, read as their author does; neither has a pickup."""
    score, reading = analysed(name)
    start, end = score.measures[first - 1].start, score.measures[last - 1].end
    return [t for t in tension(score, reading) if start <= t.start < end]


def test_the_ferry_is_tensest_where_its_author_says_it_climaxes():
    """about.md: the climax on the Neapolitan sixth and the leading-tone chord after it, bars 69-71.

    The tensest chord of all is the one that leads into it, the Neapolitan's own dominant seventh with its
    seventh in the bass (bar 68, beat 2).
    """
    into = [t.value for t in in_bars("chain-ferry", 68, 68)]
    climax = max(t.value for t in in_bars("chain-ferry", 69, 71))
    others = [t.value for t in in_bars("chain-ferry", 1, 67) + in_bars("chain-ferry", 73, 86)]
    assert into[-1] > climax >= max([*others, *into[:-1]])


def test_the_lock_is_tensest_over_its_dominant_pedal():
    """about.md: diminished sevenths and the minor ninth over the pedal, bars 21-27."""
    found = in_bars("lock-water", 1, 40)
    peak = max(found, key=lambda t: t.value)
    assert peak in in_bars("lock-water", 21, 27)


@pytest.mark.parametrize(("name", "last"), [("chain-ferry", 83), ("lock-water", 38)])
def test_the_last_cadence_of_an_example_is_a_release(name, last):
    score, _ = example(name)
    assert any(t.release for t in in_bars(name, last, len(score.measures)))


def test_a_seventh_in_the_bass_wants_to_fall():
    """Handbook rule: the seventh resolves down by step; C under D minor seventh goes to B, not up to D."""
    found = tension(*read_as("C3 D4 F4 A4 | B2 D4 G4 | C3 E4 G4", "C: ii42 | V6 | I"))
    why = found[0].why
    assert (why.label, str(why.get("pitch")), why.get("direction")) == ("bass", "C3", "down")
    assert str(why.get("aim")) == "B"


@pytest.mark.parametrize(
    ("bars", "labels", "aim"),
    [
        ("F#3 A4 C5 E5 | B2 F#4 B4 E5 | B2 F#4 A4 D#5", "e: iiø7 | i64 | V7", "D#"),
        ("F#3 A4 C5 E5 | D3 F#4 A4 D5", "e: iiø7 | VII", "D"),
        ("C3 F#4 A#4 E5 | B2 G4 B4 E5", "e: Fr43 | i64", "D#"),
    ],
)
def test_in_minor_the_seventh_on_the_tonic_falls_to_the_leading_tone(bars, labels, aim):
    """The seventh of ii falls to the third of V, raised in minor (any handbook); to D where D is written."""
    why = tension(*read_as(bars, labels))[0].why
    assert (str(why.get("pitch")), str(why.get("aim"))) == ("E5", aim)


@pytest.mark.parametrize(
    ("bars", "labels", "part"),
    [
        ("E3 G4 B4 E5 | E3 A4 C5 F#5 | E3 G4 B4 E5", "e: i | iiø42 | i", "dissonance"),
        ("A2 C4 F4 | A2 C4 E4 | A2 D4 F4", "C: IV6 | vi | ii64", "expectation"),
    ],
)
def test_a_note_that_lies_in_the_bass_as_a_pedal_wants_to_go_nowhere(monkeypatch, bars, labels, part):
    """A pedal point stays while the chords above it change (Hutchinson, chapter 10)."""
    monkeypatch.setattr(_Scene, "_order", lambda self, i: [part, "density"])
    why = tension(*read_as(bars, labels))[1].why
    assert why.get("aim") is None


@pytest.mark.parametrize(
    ("line", "met"), [("F#5:4 G5:4", 1), ("F#5:4 D5:4", None), ("F#5:4 D5:2 G5:2", None)]
)
def test_only_the_own_line_of_a_leading_tone_brings_what_it_wants(line, met):
    """A tendency tone is answered in its voice (common practice, no source), not in the bass or later."""
    score = build(line, "staff1 A4:4 B4", "D3+D4:4 G3+D4:4")
    spans = spans_of(score, "G: V:4 I:4")
    why = tension(score, Reading(spans, find_events(score, spans)))[0].why
    assert (str(why.get("pitch")), str(why.get("aim"))) == ("F#5", "G")
    assert (why.get("met"), why.get("unmet")) == (met, None)


def test_a_third_or_fifth_in_the_bass_is_told_to_want_only_what_it_does():
    """No seventh, no wish to fall (handbook rule): C under A minor seventh rises to D."""
    bars = "C3 C4 G4 E5 | C3 E4 A4 C5 | D3 D4 A4 F#5 | D3 F#4 B4 B4"
    why = tension(*read_as(bars, "G: IV | ii65 | V | iii6"))[1].why
    assert (why.label, str(why.get("pitch")), why.get("aim"), why.get("direction")) == (
        "bass",
        "C3",
        None,
        None,
    )


def test_a_peak_in_a_later_bar_than_its_chord_is_told_in_its_own_bar():
    low = [(F(4 * i), F(4), name) for i in range(4) for name in (("C3", "G3") if i < 2 else ("A2", "E3"))]
    tune = [(F(0), F(4), "C4"), (F(4), F(4), "C4"), (F(8), F(4), "A5"), (F(12), F(4), "C6")]
    score = score_of([*low, *tune])
    spans = tuple(
        Span(F(a), F(b), Key.parse("C"), RomanNumeral.parse(n), 0.9)
        for a, b, n in ((0, 4, "I"), (4, 8, "I"), (8, 16, "vi"))
    )
    why = tension(score, Reading(spans))[2].why
    assert (why.label, why.get("later")) == ("register", 12)
    assert say(why, score) == "The melody climbs to C 6 in bar 4; the height itself is tension."


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [("C4", "C4", True), ("C4", "D6", False), ("C4", "B5", False), ("B5", "C4", True), ("D6", "C4", False)],
)
def test_what_climbs_on_or_has_come_down_does_not_stand_high(before, after, told):
    """Common practice, no source: a peak has nothing higher about it."""
    tune = ["C4", "C4", before, "A5", after, "C4", "C4", "C4"]
    notes = [(F(4 * i), F(4), name) for i, top in enumerate(tune) for name in ("C3", "G3", top)]
    score = score_of(notes)
    spans = tuple(
        Span(F(4 * i), F(4 * i + 4), Key.parse("C"), RomanNumeral.parse("I"), 0.9) for i in range(8)
    )
    assert (tension(score, Reading(spans))[3].why.label == "register") is told


def test_what_a_suspension_holds_up_lets_nothing_go_yet():
    """Handbook rule: the tension of a suspension lasts until it resolves; the chord under it is no rest."""
    held = "G3 B3 F4 D5 | C4 E4 G4 C5"
    score, reading = read_as(held, "C: V7 | I")
    assert not any(_leans_at_first(_slices(soundings(score), s), ()) for s in reading.spans)
    first = _slices(soundings(score), reading.spans[1])
    foreign = [(0.3, first[0].notes[-1], first[0])]
    assert _leans_at_first(first, foreign)
    assert not _leans_at_first(first, [(0.1, first[0].notes[-1], first[0])])


def test_the_fifth_of_a_chord_is_not_drawn_and_an_applied_dominant_is_not_far():
    """Handbook rules: the fifth of a seventh chord is free; the dominant's dominant is near."""
    found = tension(*read_as("B2 B3 A4 F#5 | E3 B3 G4 E5", "e: V7 | i"))
    assert (found[0].why.label, str(found[0].why.get("pitch"))) == ("dissonance", "A4")
    near = tension(*read_as("C3 E4 G4 C5 | D3 F#4 A4 D5 | G3 D4 B4", "C: I | V/V | V"))
    assert (near[1].why.label, str(near[1].why.get("pitch"))) == ("expectation", "F#4")


@pytest.mark.parametrize(
    ("note", "aim", "direction"),
    [("D#5", None, None), ("Eb5", "D", "down"), ("Ab4", "G", "down")],
)
def test_a_raised_note_is_drawn_up_and_a_lowered_one_down(note, aim, direction):
    """Handbook rule of tendency tones (Hutchinson, chapter on chromatic non-chord tones): D sharp over a
    dominant seventh asks for E, which the chord has not, and not for C; E flat asks for D.
    """
    music = f"G2 D4 F4 {note} | C3 E4 G4 C5"
    why = tension(*read_as(music, "C: V7 | I"))[0].why
    assert (str(why.get("pitch")), why.get("direction")) == (note, direction)
    assert str(why.get("aim")) == str(aim)


def test_a_raised_note_that_falls_all_the_same_is_told_as_it_goes():
    """G sharp is no tendency downwards, but here its own line sinks to G."""
    score = build("C5:2 C5:2", "G#4:2 G4:2", "E4:4", "C3:4")
    why = tension(score, Reading(spans_of(score, "C: I:4")))[0].why
    assert (str(why.get("pitch")), str(why.get("aim")), why.get("direction")) == ("G#4", "G", "down")


@pytest.mark.parametrize(("goes", "aim"), [("G#4", "A"), ("A4", "A"), ("C5", "C")])
def test_a_note_is_drawn_to_the_letter_beside_its_own(goes, aim):
    """A step goes from letter to letter (any handbook on intervals): B flat to G sharp is none."""
    why = tension(*read_as(f"A2 D4 F4 Bb4 | A2 C#4 E4 {goes}", "d: V | V"))[0].why
    assert (str(why.get("pitch")), str(why.get("aim"))) == ("Bb4", aim)


@pytest.mark.parametrize(
    ("music", "labels", "aim", "unmet"),
    [
        ("G2 F4 B4 C5 | C3 E4 G4 C5", "C: V7 | I", None, None),  # C is there already: it stays
        ("D3 A4 C5 F5 | F3 A4 C5 F5", "C: ii7 | IV", "B", None),  # a seventh, but of no dominant
        ("G2 D4 F4 B4 | A2 D4 F4 D5", "C: V7 | ii", "C", 1),  # a dominant, whose tonic does not come
    ],
)
def test_of_what_does_not_come_only_a_dominant_is_blamed(music, labels, aim, unmet):
    """Sevenths fall and leading tones rise; what stays asks for nothing (handbook rules, Hutchinson)."""
    why = tension(*read_as(music, labels))[0].why
    found = why.get("aim")
    assert (None if found is None else str(found), why.get("unmet")) == (aim, unmet), why


@pytest.mark.parametrize(("chord", "far"), [("iii", False), ("bVI7", True)])
def test_a_chord_on_a_degree_of_the_key_comes_from_nowhere_far(chord, far):
    """The mediant is a chord of the key, the lowered submediant none (Hutchinson, on modal mixture)."""
    notes = {"iii": "E3 G3 B3", "bVI7": "Ab3 C4 Eb4 G4"}[chord]
    told = tension(
        *read_as(
            f"C3 E3 G3 | {notes} | C3 E3 G3 | F3 A3 C4 | C3 E3 G3 | C3 E3 G3",
            f"C: I | {chord} | I | IV | I | I",
        )
    )
    assert (told[1].why.label == "local distance") is far


def test_no_note_is_said_to_pull_where_another_pulls_as_much():
    """In the half-diminished supertonic of minor both G and D flat lie a semitone from the tonic chord."""
    music = build("F4:4 | C5:4", "Db4:4 | C4:4", "Bb3:4 | Ab3:4", "G3:2 Ab3:2 | F3:4")
    told = tension(music, Reading(spans_of(music, "f: iiø7:4 | i:4")))[0].why
    assert (told.label, told.get("pitch")) != ("expectation", Pitch.parse("G3"))
