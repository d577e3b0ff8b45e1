"""Stops: they fit the time, spread over the piece, ask what the reading answers; texts are checked.

The demo pieces' harmony was analysed by hand (examples/*/analysis.txt); what is asserted of it stands there.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from tests.findings.build import build, spans_of
from tests.once import make_plan, read, read_score
from tests.partial import event as made
from tests.wording.readings import analysed

from understave.errors import UnderstaveError
from understave.findings import find_events
from understave.harmony.reading import Event, Named, Reading
from understave.interpretation.perform import clock
from understave.interpretation.plan import Plan
from understave.interpretation.tension import TENSION, tension
from understave.score.model import Part, Score
from understave.teaching import checking, spoken, stops, story
from understave.teaching.contrasts import Contrast
from understave.teaching.details import ChordPutBack
from understave.teaching.exercises import Exercise, exercises
from understave.teaching.narrative import narrate
from understave.teaching.sound_contrasts import all_contrasts
from understave.teaching.speech import speaking_seconds, spoken_words
from understave.teaching.spoken import connected
from understave.teaching.stops import (
    KINDS_OF_INTEREST,
    THINKING,
    TURNING,
    Timing,
    _placed,
    _said,
    compared,
    frame_seconds,
    possible_stops,
    propose_stops,
)
from understave.teaching.telling_order import ranked
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral
from understave.wording import LEVELS, SPOKEN, phrasebook
from understave.wording.gaps import fill
from understave.wording.playing import Advice

ROOT = Path(__file__).parents[2]
PIECES = ("chain-ferry", "lock-water")


@cache
def example(name: str) -> tuple[Score, Reading, Plan]:
    score = read_score(ROOT / "examples" / name / "score.musicxml")
    reading = read(score)
    return score, reading, make_plan(score, reading)


@cache
def heard_in(name: str) -> tuple[Contrast, ...]:
    score, reading, _ = example(name)
    return tuple(all_contrasts(score, reading, 12))


@cache
def exercises_of(name: str, level: str) -> tuple[Exercise, ...]:
    score, reading, _ = example(name)
    return tuple(exercises(score, reading, level))


@pytest.mark.parametrize("name", PIECES)
@pytest.mark.parametrize("minutes", [5, 15, 30])
def test_a_lesson_fits_its_minutes_and_uses_them(name, minutes):
    score, reading, plan = example(name)
    stops = propose_stops(score, reading, plan, minutes=minutes)
    timing = Timing(clock(score, plan))
    total = frame_seconds(score, reading, stops, timing) + sum(s.seconds for s in stops)
    assert total <= 60 * minutes
    if minutes < 30:
        # A stop takes a minute and a half: less than two of them may be left over.
        assert total >= 60 * minutes - 180
    assert stops == tuple(sorted(stops, key=lambda s: (s.first, s.moment)))


def test_the_seconds_of_a_stop_are_words_music_and_thinking():
    score, reading, plan = example("lock-water")
    timing = Timing(clock(score, plan), rate=100)
    stop = propose_stops(score, reading, plan, minutes=10, rate=100)[0]
    music = timing.time.at(score.measures[stop.last].end) - timing.time.at(score.measures[stop.first].start)
    words = sum(speaking_seconds(t, 100) for t in stop.script)
    assert stop.seconds == pytest.approx(2 * (music + TURNING) + THINKING + words)


@pytest.mark.parametrize("name", PIECES)
def test_stops_are_spread_over_the_piece_and_over_kinds(name):
    score, reading, plan = example(name)
    stops = propose_stops(score, reading, plan, minutes=15)
    thirds = {3 * s.first // len(score.measures) for s in stops}
    assert thirds == {0, 1, 2}
    assert len({s.why for s in stops}) >= 3
    assert {s.why for s in stops} <= set(KINDS_OF_INTEREST)
    assert all(b.first - a.first > 1 for a, b in pairwise(stops))


def test_what_is_rarest_is_chosen_even_in_five_minutes():
    score, reading, plan = example("chain-ferry")
    stops = propose_stops(score, reading, plan, minutes=5)
    # The one enharmonic pivot of the piece, and its German sixth, stand in bars 54 and 55.
    assert any(score.measures[s.first].number in ("53", "54") for s in stops)


def test_names_do_not_depend_on_time_level_or_language():
    score, reading, plan = example("lock-water")
    names = [
        [s.id for s in possible_stops(score, reading, plan, level=level, language=language)]
        for level in LEVELS
        for language in SPOKEN
    ]
    assert all(n == names[0] for n in names)
    assert len(set(names[0])) == len(names[0])


@pytest.mark.parametrize("name", PIECES)
def test_answers_are_what_the_score_and_reading_have(name):
    score, reading, plan = example(name)
    asked = 0
    for s in possible_stops(score, reading, plan):
        lead = s.events[0]
        assert s.question.endswith("?")
        assert s.answer.endswith(".")
        if lead.kind == "chromatic chord":
            # Worked out here from the key's signature alone: seven neighbours on the line of fifths.
            key = lead.get("key")
            home = key if key.mode == "major" else key.relative
            inside = {home.tonic.fifths + k for k in range(-1, 6)}
            raised = {key.tonic.fifths + k for k in (3, 5)} if key.mode == "minor" else set()
            members = lead.get("chord").chord(key).members
            outside = [p for p in members if p.fifths not in inside | raised]
            letters = s.answer.rstrip(".").replace(" and ", ", ").split(", ")
            assert [w[0] for w in letters] == [p.letter for p in outside]
            asked += 1
        if lead.kind == "return":
            start = lead.get("from_start")
            assert isinstance(start, Fraction)
            # "At the very beginning" names the first bar too.
            assert (score.measure_at(start).number if start else "the very beginning") in s.answer
            asked += 1
    assert asked >= 2


@pytest.mark.parametrize("minutes", [0, -5, 500])
def test_a_length_that_is_no_lesson_is_refused(minutes):
    with pytest.raises(UnderstaveError, match="cannot be planned"):
        propose_stops(*example("lock-water"), minutes=minutes)


def test_a_numeral_is_spoken_sign_by_sign():
    # "five six five of five", as it is read aloud (common practice, no source).
    assert spoken_words("⟨V65/V⟩") == 5
    assert spoken_words("It’s a half-close.") == 3


def test_where_no_keyboard_plays_nobodys_hands_are_advised():
    """The same music for three single staves: loudness and time fit all instruments, hands do not."""
    score, reading, _ = example("lock-water")
    trio = replace(score, parts=tuple(Part(f"P{k}", f"Instrument {k}", k, k) for k in (1, 2, 3)))
    assert any(line.role == "hands" for c in narrate(score, reading, "five") for line in c.lines)
    assert not any(line.role == "hands" for c in narrate(trio, reading, "five") for line in c.lines)
    found = possible_stops(trio, reading, make_plan(trio, reading))
    assert not [s for s in found if s.spoken.hands]
    forms = {form.split()[0] for s in found for form, _ in s.ways}
    assert forms
    assert forms <= {"dynamics", "timing"}


def test_no_fingers_are_advised_on_notes_that_only_a_singer_has():
    """The upper staff is a singer's, the lower one belongs to a piano: a sigh above is nobody's hands'."""
    score, reading, _ = example("lock-water")
    song = replace(score, parts=(Part("P1", "Voice", 1, 1), Part("P2", "Piano", 2, 3)))
    assert song.keyboards
    sung = {note.id for note in song.notes if note.staff == 1}
    lines = [line for c in narrate(song, reading, "whole") for line in c.lines if line.role == "hands"]
    assert lines
    assert not any(set(line.events[0].notes) <= sung for line in lines if line.events[0].notes)
    whole = [line for c in narrate(score, reading, "whole") for line in c.lines if line.role == "hands"]
    assert any(set(line.events[0].notes) <= sung for line in whole if line.events[0].notes)


# --- texts are checked ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PIECES)
@pytest.mark.parametrize("language", SPOKEN)
def test_every_text_names_what_the_reading_has(name, language):
    score, reading, plan = example(name)
    why = plan.reasons
    for level in LEVELS:
        stops = possible_stops(score, reading, plan, level=level, language=language)
        assert not checking.check_stops(score, reading, stops, language, why)
        assert not checking.check_story(score, reading, level, language)


@pytest.mark.parametrize(
    ("language", "text", "fault"),
    [
        ("en", "Hear ⟨Ger65⟩ here.", "the chord Ger65"),
        ("en", "It turns to B minor.", "B minor"),
        ("en", "As in bar 999.", "bar 999, which the score has not"),
        ("en", "As in bars 30–31.", "bar 30, which it is not about"),
        ("en", "It is ⟨I⟩ in E flat minor.", "I in E flat minor"),
        ("en", "Here is the Neapolitan.", "Neapolitan"),
        ("en", "A German augmented sixth waits.", "German augmented sixth"),
        ("en", "The diminished seventh pulls.", "diminished seventh"),
        ("de", "Ein übermäßiger Quintsextakkord.", "übermäßiger Quintsextakkord"),
        ("de", "Es wendet sich nach h-Moll.", "h-Moll"),
        ("de", "Wie in Takt 999.", "bar 999"),
    ],
)
def test_a_false_text_is_found_out(language, text, fault):
    score, reading, plan = example("lock-water")
    stop = possible_stops(score, reading, plan)[0]
    wrong = replace(stop, say={**stop.say, "beginner": text}, title="", play="", question="", answer="")
    wrong = replace(wrong, say=dict.fromkeys(LEVELS, text))
    found = checking.check_stops(score, reading, [wrong], language)
    assert found
    assert any(fault in f.sentence for f in found)
    assert found[0].where.startswith(f"{stop.id}, say.")


def test_what_a_reason_of_the_plan_names_may_be_said_where_it_holds():
    score, reading, plan = example("lock-water")
    stop = possible_stops(score, reading, plan)[0]
    text = "It turns to B minor."
    told = replace(stop, say=dict.fromkeys(LEVELS, text), title="", play="", question="", answer="")
    start, end = score.measures[stop.first].start, score.measures[stop.last].end
    reason = Event("accent", "", start, end, (), 1.0, Named((("key", Key.parse("b")),)))
    assert not checking.check_stops(score, reading, [told], "en", [reason])
    assert checking.check_stops(score, reading, [told], "en")
    assert checking.check_stops(score, reading, [told], "en", [replace(reason, start=end, end=score.end)])


@pytest.mark.parametrize("name", ["lock-water", "chain-ferry"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_contrasts_and_exercises_say_what_the_reading_says(name, language):
    score, reading, _ = example(name)
    assert not checking.check_contrasts(score, reading, heard_in(name), language)
    for level in LEVELS:
        found = exercises_of(name, level)
        assert not checking.check_exercises(score, reading, found, language)


def test_a_false_contrast_and_a_false_exercise_are_found_out():
    score, reading, _ = example("chain-ferry")
    heard = next(c for c in heard_in("chain-ferry") if isinstance(c.details, ChordPutBack))
    wrong = replace(heard.details, chord=RomanNumeral.parse("Fr43"))
    assert checking.check_contrasts(score, reading, [replace(heard, details=wrong)], "en")
    asked = next(e for e in exercises_of("chain-ferry", "intermediate") if e.kind == "find the foreign note")
    wrong = replace(asked.details, chord=RomanNumeral.parse("Fr43"))
    assert checking.check_exercises(score, reading, [replace(asked, details=wrong)], "en")


def test_a_key_within_a_longer_name_is_not_mistaken():
    known = checking.Facts(frozenset(), frozenset(), frozenset({Key.parse("Eb")}), frozenset())
    score = example("lock-water")[0]
    assert not checking.faults_in("in E flat major", known, score, "en")
    assert checking.faults_in("in B flat major", known, score, "en")


def asked(kind: str, labels: str, *voices: str, level: stops.Level = "intermediate") -> list[tuple[str, str]]:
    """Question and answer about every event of a kind, in a small score under a given reading."""
    score = build(*voices)
    spans = spans_of(score, labels)
    reading = Reading(spans, find_events(score, spans))
    book = phrasebook("en")
    return [
        stops._question(score, reading, e, book, stops._asked(score, reading, e, book), level)
        for e in reading.events
        if e.kind == kind
    ]


def test_a_chord_is_not_named_with_a_note_that_does_not_sound():
    """A dominant seventh without its fifth, as every handbook allows: D is not there to be heard."""
    voices = ("E5:4 | F5:4 | E5:4", "G4:4 | B4:4 | C5:4", "C3:4 | G3:4 | C3:4")
    score = build(*voices)
    span = spans_of(score, "C: I:4 V7:4 I:4")[1]
    assert story.members_text(score, span, phrasebook("en")) == "G, B and F (left out here: D)"
    assert story.members_text(score, span, phrasebook("de")) == "G, H und F (hier ausgelassen: D)"
    whole = build(*voices, "staff1 C5:4 | D5:4 | C5:4")
    assert story.members_text(whole, span, phrasebook("en")) == "G, B, D and F"


@pytest.mark.parametrize(
    ("voices", "labels", "told"),
    [
        (
            (
                "E5:2 D5 | C5 B4 | A4 G4 | F4 G4",
                "G4:2 G4 | E4 E4 | C4 C4 | C4 B3",
                "C3:2 G2 | A2 E2 | F2 C2 | F2 G2",
            ),
            "C: I:2 V:2 vi:2 iii:2 IV:2 I:2 IV:2 V:2",
            "C, G, A, E, F and C: they go in pairs, each pair a third below the one before.",
        ),
        (
            ("E5:4 | E5:4 | C5:4 | C5:4", "G4:4 | A4:4 | A4:4 | F4:4", "C3:4 | A2:4 | F2:4 | D2:4"),
            "C: I:4 vi:4 IV:4 ii:4",
            "C, A, F and D: each lies a third below the one before.",
        ),
        (
            ("E5:2 D5 F5 E5 G5 F#5", "G4:2 B4 A4 C#5 B4 D#5", "C3:2 G2 D3 A2 E3 B2"),
            "C: I:2 V:2 ii:2 V/ii:2 iii:2 V/iii:2",
            "C, G, D, A, E and B: each lies a fifth above the one before.",
        ),
    ],
)
def test_the_pattern_of_a_sequence_is_told_as_its_roots_move(voices, labels, told):
    """The roots of the commonest sequences (Open Music Theory v2, part IV, "Diatonic Sequences")."""
    assert [answer for _, answer in asked("sequence", labels, *voices)] == [told]


def test_what_is_foreign_in_an_applied_chord_is_what_the_key_has_not():
    """In V7/IV the leading tone E is C major's own; B flat is what does not belong to it."""
    (told,) = asked(
        "applied chord",
        "C: I:4 V7/IV:4 IV:4 V7:4 I:4",
        "G4:4 | Bb4:4 | A4:4 | G4:4 | G4:4",
        "C4+E4:4 | C4+E4:4 | C4+F4:4 | B3+F4:4 | C4+E4:4",
        "C3:4 | C3:4 | F3:4 | G3:4 | C3:4",
    )
    assert told == (
        "Which note here is foreign to C major, and where does this chord point?",
        "B flat; the chord points to F; E goes to F.",
    )


def test_a_beginner_is_asked_for_a_telling_note_only_where_one_is_told():
    """Into A minor by its raised seventh, G sharp; or by its own chords alone, which C major has too."""
    labels = "C: I:4 a: {}:4 i:4 {}:4 i:4 C: V:4 I:4"
    low = "C3:4 | E3:4 | A3:4 | E3:4 | A3:4 | G3:4 | C3:4"
    inner = "G4:4 | B3:4 | C4:4 | B3:4 | C4:4 | D4:4 | E4:4"
    high = "E5:4 | {0}:4 | A4:4 | {0}:4 | A4:4 | B4:4 | C5:4"
    told = asked("key", labels.format("V", "V"), high.format("G#4"), inner, low, level="beginner")
    assert told[1] == (
        "Are we still at home? And if not, which note told you?",
        "We are in A minor; G sharp gave it away.",
    )
    bare = asked("key", labels.format("v", "v"), high.format("G4"), inner, low, level="beginner")
    assert bare[1] == ("Are we still at home?", "We are in A minor.")


def test_a_note_of_home_tells_nobody_that_home_is_left():
    """E flat, G minor, C minor: A flat is new after G minor, but home has had it; what tells is B."""
    labels = "Eb: I:4 IV:4 g: i:4 V:4 i:4 c: iv:4 V:4 i:4 V:4 i:4 Eb: V7:4 I:4"
    low = "Eb3:4 | Ab3:4 | G3:4 | D3:4 | G3:4 | F3:4 | G3:4 | C3:4 | G3:4 | C3:4 | Bb3:4 | Eb3:4"
    high = "G4:4 | Ab4:4 | Bb4:4 | A4:4 | Bb4:4 | Ab4:4 | {0}:4 | C5:4 | {0}:4 | C5:4 | Ab4:4 | G4:4"
    inner = "Bb3:4 | C4:4 | D4:4 | F#4:4 | D4:4 | C4:4 | D4:4 | Eb4:4 | D4:4 | Eb4:4 | D4:4 | Eb4:4"
    told = asked("key", labels, high.format("B4"), inner, low, level="beginner")
    assert "We are in C minor; B gave it away." in [answer for _, answer in told]


def test_a_six_four_waits_for_the_chord_that_comes_whatever_its_mode():
    """G minor's six-four over D, then D major and G major: no chord of G minor stands on D."""
    (told,) = asked(
        "six-four",
        "g: i:4 Cad64:2 V:2 G: I:4",
        "D5:4 | Bb4:2 A4:2 | G4:4",
        "Bb4:4 | G4:2 F#4:2 | B4:4",
        "G3:4 | D3:4 | G2:4",
    )
    assert told[1] == "D; they wait for the chord that stands on it: G goes to F sharp, B flat to A."


@pytest.mark.parametrize("name", PIECES)
@pytest.mark.parametrize("language", SPOKEN)
def test_a_title_that_is_a_question_stands_over_that_question_only(name, language):
    """ "How does it end?" over a question about the notes of a chord is answered nowhere."""
    score, reading, plan = example(name)
    book = phrasebook(language)
    found = [s for s in possible_stops(score, reading, plan, language=language) if s.events]
    cadences = [s for s in found if s.events[0].kind == "cadence"]
    assert cadences
    for s in found:
        own = s.asks.partition(".")[0] == s.events[0].kind
        assert own or not s.title.rstrip().endswith("?"), s.title
    for s in cadences:
        plain_title = stops._title(score, s.events[0], book, "chord")
        assert not plain_title.rstrip().endswith("?")
        assert plain_title != s.title or not s.title.rstrip().endswith("?")


def test_a_full_close_without_a_melody_is_asked_about_all_the_same():
    """Where no melody sounds over the goal the stop asks whether it rests, not what its chord is made of."""
    form = phrasebook("en").questions["cadence"]
    key = Key.parse("C")
    score, reading, _ = example("lock-water")
    event = next(e for e in reading.events if e.kind == "cadence" and e.label == "perfect authentic")
    silent = replace(event, details=replace(event.details, melody=None, melody_degree=None, key=key))
    values = stops.values_of(silent)
    assert stops.can_fill(f"{form['ask']} {form['answer']}", values)
    assert stops.fill(form["answer"], values, score, phrasebook("en"), "cadence") == "Yes, in C major."


@pytest.mark.parametrize(
    ("text", "placed"),
    [
        ("A chord. It resolves, to V.", "A chord (bar 3). It resolves, to V."),
        ("A chord.", "A chord (bar 3)."),
        ("A chord", "A chord (bar 3)"),
        ("Printed: “cresc. molto”. It grows.", "Printed: “cresc. molto” (bar 3). It grows."),
        ("A chord. Énergique, it rises.", "A chord (bar 3). Énergique, it rises."),
    ],
)
def test_a_place_stands_with_the_sentence_that_is_about_it(text: str, placed: str) -> None:
    """What resolves resolves later: its place is not the chord's."""
    assert _placed(text, "bar 3") == placed


def test_a_clash_that_comes_later_in_its_chord_has_one_place():
    """The F comes a bar and two beats after the stop's first event: its own words say so."""
    score = build("G4:4 | G4:2 F4:2", "E4:4 | E4:4", "C3:4 | C3:4")
    reading = Reading(spans_of(score, "C: I:4 | I:4"), ())
    first, second = (t.why for t in tension(score, reading))
    text = _said(score, reading, (first, second), "intermediate", "en")
    assert text.count("(bar ") == 1
    assert "F rubs against E (bar 2, beat 3)" in text


def test_no_stop_is_made_of_a_peak_of_tension_at_which_nothing_pulls():
    """Some chord is always the tensest; where it is called at rest, a stop that says so denies itself."""
    score = build("C5:2 E5 | A5:2 G5 | C5:4")
    reading = Reading(spans_of(score, "C: I:4 IV:2 V:2 I:4"), ())
    plan = Plan(tension=tension(score, reading))
    still = tuple(replace(t, why=replace(t.why, label="rest")) for t in plan.tension)
    loud = tuple(replace(t, why=replace(t.why, label="dissonance")) for t in plan.tension)
    assert stops._peaks(replace(plan, tension=still)) == []
    assert stops._peaks(replace(plan, tension=loud))


@pytest.mark.parametrize(
    ("changed", "told", "only_in"),
    [
        ({"both varied": [3], "accompaniment varied": [1, 2, 4, 5, 6]}, ("accompaniment varied",), None),
        ({"melody varied": [3], "accompaniment varied": [1, 2, 4]}, ("both varied",), None),
        ({"melody varied": [3]}, ("melody varied",), 8),
    ],
)
def test_what_hardly_differs_in_a_return_is_not_named_as_new(changed, told, only_in):
    """One ornament in one of six varied bars is not what is new in a passage (common practice, no source)."""
    score = build(" | ".join(["C5:4"] * 8), " | ".join(["C3:4"] * 8))
    back = made("return", "varied", 0, 32)
    differences = [
        made("difference", label, 4 * (bar - 1), 4 * bar) for label, bars in changed.items() for bar in bars
    ]
    found = stops._most_different(score, back, differences)
    assert (found["differences"], found.get("only_in")) == (told, only_in)


@pytest.mark.parametrize(
    ("tune", "under", "new"),
    [
        ("C5:1 D5:1 E5:1 D5:1", "C3:1 E3:1 G3:1 E3:1", "more notes in both"),
        ("C5:1 D5:1 E5:1 D5:1", "C3:2 G3:2", "more notes in the melody"),
        ("D5:2 C5:2", "C3:1 E3:1 G3:1 E3:1", "more notes in the accompaniment"),
        ("E5:4", "C3:4", "fewer notes in both"),
        ("D5:2 C5:2", "C3:2 A3:2", ""),
    ],
)
def test_what_is_new_in_melody_and_accompaniment_is_said_or_nothing(tune, under, new):
    score = build(f"C5:2 E5:2 | {tune}", f"C3:2 E3:2 | {under}")
    reading = Reading(spans_of(score, "C: I:4 | I:4"), ())
    both = made("difference", "both varied", 4, 8, (), 1.0, (("from_start", 0), ("from_end", 4)))
    assert stops._in_both(score, reading, [both]) == new
    told = stops._told_plainly({"differences": ("both varied",)}, new)
    assert told == ({"differences": (new,)} if new else {})
    values = {"opening": 1, **told}
    for language in SPOKEN:
        book = phrasebook(language)
        form = book.questions["return"]
        ask, answer = (fill(form[name], values, score, book) for name in ("ask_aloud", "aloud"))
        assert (ask.count("?") == 2, answer.count(".") == 2) == (bool(new), bool(new))


@pytest.mark.parametrize("language", SPOKEN)
def test_only_what_few_pieces_have_is_compared_each_time_in_other_words(language):
    """A close or a new key stands in every piece: to name two of them says nothing (common practice)."""
    score, reading = analysed("chain-ferry")
    plan = make_plan(score, reading)
    stops = propose_stops(score, reading, plan, level="advanced", language=language)
    timing = Timing(clock(score, plan))
    pieces = (("Lied", "A. B."), ("Tanz", ""))
    found = compared(score, stops, lambda event: pieces, timing, language, 600.0)
    told = [stop for stop in found if stop.elsewhere]
    assert 2 <= len(told) <= 3
    assert {stop.why for stop in told} <= {"rare chord", "sharp dissonance", "pattern"}
    assert len({stop.elsewhere for stop in told}) == len(told)
    for before, after in zip(stops, found, strict=True):
        assert (after.seconds > before.seconds) == bool(after.elsewhere) == (before != after)
        assert after.elsewhere in after.spoken.told
    assert compared(score, stops, lambda event: (), timing, language, 600.0) == stops
    # No lesson grows beyond its minutes by what stands elsewhere.
    longer = max(after.seconds - before.seconds for before, after in zip(stops, found, strict=True))
    few = compared(score, stops, lambda event: pieces, timing, language, longer)
    assert len([stop for stop in few if stop.elsewhere]) == 1
    assert sum(stop.seconds for stop in few) <= sum(stop.seconds for stop in stops) + longer
    assert compared(score, stops, lambda event: pieces, timing, language, 0.0) == stops


@pytest.mark.parametrize("language", SPOKEN)
def test_what_an_earlier_stop_said_is_said_in_other_words_not_left_bare(language):
    """Two stops at notes that rub: the second has its own words on why and for the hands."""
    score, reading = analysed("chain-ferry")
    plan = make_plan(score, reading)
    stop = next(
        s for s in possible_stops(score, reading, plan, language=language) if s.why == "strong tension"
    )
    again = replace(stop, id="again", moment=stop.moment + 1)
    first, second = connected(score, reading, (stop, again), language)
    assert first.spoken.told
    assert second.spoken.told
    assert first.spoken.told != second.spoken.told
    assert first.spoken.hands != second.spoken.hands != ""


@pytest.mark.parametrize(
    ("start", "end", "back", "where"),
    [(0, 8, 40, "opening"), (28, 36, 40, "just"), (4, 12, 60, "early"), (28, 36, 60, "before")],
)
def test_it_is_said_about_where_something_was_heard(start, end, back, where):
    score = build(" | ".join(["C5:4"] * 20))
    event = made(
        "return",
        "varied",
        Fraction(back),
        Fraction(back + 8),
        (),
        1.0,
        (("from_start", Fraction(start)), ("from_end", Fraction(end))),
    )
    values = stops._computed(score, Reading(spans_of(score, "C: I:80"), ()), event)
    assert values["heard"] == where
    book = phrasebook("en")
    told = fill(book.questions["return"]["aloud"], values, score, book)
    words = {
        "opening": "at the very beginning",
        "just": "a moment ago",
        "early": "near the beginning",
        "before": "earlier in the piece",
    }
    assert told == f"You heard it {words[where]}."


def test_advice_that_begins_with_its_bar_gets_no_second_one(monkeypatch):
    score, _, plan = example("lock-water")
    bar = score.measures[4]
    turns = Advice(
        bar.start, "pedal", f"bar {bar.number}: change the pedal", "It clears.", (), "legato change"
    )
    plain = replace(turns, what="change the pedal")
    moment = bar.start + bar.beat_length
    for advice, told in ((turns, f"Bar {bar.number}: change"), (plain, f"Bar {bar.number}, beat 1: Change")):
        monkeypatch.setattr(stops, "tell_plan", lambda *_, advice=advice, **__: (advice,))
        monkeypatch.setattr(stops, "_is_for_player", lambda *_: True)
        ((_, text),) = stops._advice(score, plan, moment, "intermediate", "en")
        assert text.startswith(told)


def test_tension_without_a_note_to_ask_for_is_no_stop(monkeypatch):
    """A stop asks (see the module): where the notes bear out no question, what is tense is left alone."""
    score, reading, plan = example("lock-water")
    asked = possible_stops(score, reading, plan)
    tense = [stop for stop in asked if stop.events[0] in TENSION]
    assert tense
    assert all(stop.question for stop in tense)
    real = stops._question
    monkeypatch.setattr(stops, "_question", lambda *given: ("", "") if given[2] in TENSION else real(*given))
    assert [stop for stop in asked if stop not in tense] == list(possible_stops(score, reading, plan))


def test_a_journey_that_an_earlier_stop_told_is_not_announced(monkeypatch):
    """The second piece goes to A flat in bar 10 and on to D flat in bar 36 (its analysis by hand): who has
    stopped in A flat is promised no journey any more.
    """
    score, reading, plan = example("chain-ferry")
    found = {stop.id: stop for stop in possible_stops(score, reading, plan)}
    early, key = found["b12-expectation"], found["b36-modulation"]
    thread = next(t for t in ranked(score, reading) if key.events[0] in [told.event for told in t.places])
    monkeypatch.setattr(spoken, "_riddle", lambda *_: thread)
    promised = tuple(text.format(when="").strip() for text in phrasebook("en").talk["promised"])
    assert spoken.connected(score, reading, (key,))[-1].spoken.lead.endswith(promised)
    assert not spoken.connected(score, reading, (early, key))[-1].spoken.lead.endswith(promised)
