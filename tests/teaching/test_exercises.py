"""Exercises: every answer holds, wrong answers are found out, every level and language has its words.

Worked answers are checked against music21 where it knows them (chord spelling, common names of chords).
"""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from lxml import etree
from tests.findings.build import build, spans_of
from tests.wording.readings import EXAMPLES, NAMES, piece

from understave.findings import find_events
from understave.findings.cadences import CADENCE, CadenceDetails
from understave.findings.sequences import find_sequences
from understave.harmony.reading import Alternative, Reading
from understave.score.model import Score
from understave.teaching.exercises import KINDS, Exercise, _foreign, _resolve_chord, close_position, exercises
from understave.teaching.verification import INTERVALS, stacked, verify
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import Interval, PitchClass
from understave.theory.roman import RomanNumeral
from understave.wording import LEVELS, SPOKEN, phrasebook
from understave.wording.gaps import CHOICE, GAP, WAYS

MADE: dict[tuple[str, str], tuple[Exercise, ...]] = {}


def made(name: str, level: str) -> tuple[Score, Reading, tuple[Exercise, ...]]:
    score, reading = piece(name)
    if (name, level) not in MADE:
        MADE[name, level] = exercises(score, reading, level)  # type: ignore[arg-type]
    return score, reading, MADE[name, level]


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("name", NAMES)
def test_every_answer_is_proved_by_the_reading(name, level):
    score, reading, found = made(name, level)
    assert len(found) >= (8 if name in EXAMPLES else 3)
    for e in found:
        assert verify(e, score, reading) == ()
        assert e.level == level
    assert [e.step for e in found] == list(range(1, len(found) + 1))
    assert [KINDS.index(e.kind) for e in found] == sorted(KINDS.index(e.kind) for e in found)


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("name", NAMES)
def test_no_two_are_asked_in_the_same_words(name, level):
    score, _, found = made(name, level)
    asked = [e.prompt(score) for e in found if e.kind != KINDS[0]]
    assert len(set(asked)) == len(asked)


def test_the_same_chord_is_resolved_once():
    score = build("E5:4 | F5:4 | E5:4 | F5:4 | E5:4", "staff1 G4:4 | G4:4 | G4:4 | G4:4 | G4:4",
                  "C3:4 | B2+D3:4 | C3:4 | B2+D3:4 | C3:4")  # fmt: skip
    spans = spans_of(score, "C: I:4 V65:4 I:4 V65:4 I:4")
    reading = Reading(spans, find_events(score, spans))
    found = [e for e in exercises(score, reading) if e.kind == "resolve the chord"]
    assert len(list(_resolve_chord(score, reading, "intermediate"))) == 2
    assert len(found) == 1


@pytest.mark.parametrize(("line", "asked"), [("C5:4 | F5:1 E5:3", True), ("C5:4 | F5:1 C5:1 E5:2", False)])
def test_a_foreign_note_is_asked_for_only_where_it_goes_on_at_once(line, asked):
    """What leaps before it comes to rest may be a note of the chord that the label leaves out."""
    score = build(line, "staff1 G4:4 | G4:4", "C3+E3:4 | C3+E3:4")
    spans = spans_of(score, "C: I:4 I:4")
    reading = Reading(spans, find_events(score, spans))
    found = [e for e in _foreign(score, reading, "intermediate") if e.start <= 4]
    assert bool(found) == asked
    assert any(e.label == "appoggiatura" for e in reading.events)


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_examples_give_every_kind(name):
    kinds = {e.kind for level in LEVELS for e in made(name, level)[2]}
    assert kinds == set(KINDS)


def told(e: Exercise, **values: object) -> Exercise:
    """Return the exercise with other details."""
    return replace(e, details=replace(e.details, **values))


def spoilt(e: Exercise) -> list[Exercise]:
    """Return the exercise with its answer made wrong in every way that its kind allows."""
    step = Interval.parse("m2")
    wrong: list[Exercise] = []
    values = dict(e.values)
    if e.notes:
        wrong.append(replace(e, notes=(*e.notes[:-1], e.notes[-1] + step)))
    for name in ("root", "bass", "pitch", "goal"):
        if name in values and not (name == "bass" and e.kind == "find the foreign note"):
            wrong.append(told(e, **{name: values[name] + step}))
    if "quality" in values:
        other = Quality.MINOR if values["quality"] is not Quality.MINOR else Quality.MAJOR
        wrong.append(told(e, quality=other))
    if "chord" in values and e.kind not in ("resolve the dissonance",):
        wrong.append(told(e, chord=RomanNumeral.parse("bVII9")))
    if "way" in values:
        turned = "up" if values["way"] == "down" else "down"
        wrong.append(told(e, way=turned))
    if "kind" in values and e.kind == "find the foreign note":
        wrong.append(told(e, kind="free tone"))
    if "going_on" in values:
        going = values["going_on"]
        assert isinstance(going, tuple)
        bad = (PitchClass.parse("F#"), *going[1:])
        wrong.append(told(e, going_on=bad))
        wrong.append(told(e, count=1 + len(going)))
    if e.correct is not None:
        wrong.append(replace(e, correct=(e.correct + 1) % len(e.choices)))
        right = e.choices[(e.correct + 1) % len(e.choices)]
        other = told(e, **{name: right for name in ("right", "chord") if name in values})
        wrong.append(replace(other, correct=(e.correct + 1) % len(e.choices)))
    if e.kind == "play in other keys":
        made, labels = e.solutions[0]
        low = made.notes[0]
        off = replace(made, notes=(replace(low, pitch=low.pitch + step), *made.notes[1:]))
        wrong.append(replace(e, solutions=((off, labels), *e.solutions[1:])))
        wrong.append(replace(e, solutions=e.solutions[1:]))
    return wrong


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("name", EXAMPLES)
def test_a_wrong_answer_is_found_out(name, level):
    score, reading, found = made(name, level)
    tried = 0
    for e in found:
        ways = spoilt(e)
        assert ways, e.kind
        for wrong in ways:
            changed = [(a, b) for a, b in zip(e.values, wrong.values, strict=True) if a != b]
            assert verify(wrong, score, reading), f"{e.kind} {changed} {e.notes == wrong.notes}"
            tried += 1
    assert tried >= 30


def test_parallels_in_a_solution_are_found_out():
    score, reading, found = made("chain-ferry", "intermediate")
    e = next(e for e in found if e.kind == "play in other keys")
    whole, labels = e.solutions[0]
    # Every voice of every chord in one parallel block, an octave, a fifth and an octave above the bass.
    bass = {n.onset: n.pitch for n in whole.notes if n.id.endswith("b")}
    above = {"b": "P1", "t": "P5", "a": "P8", "s": "P15"}
    block = tuple(replace(n, pitch=bass[n.onset] + Interval.parse(above[n.id[-1]])) for n in whole.notes)
    faults = verify(
        replace(e, solutions=((replace(whole, notes=block), labels), *e.solutions[1:])), score, reading
    )
    assert any("parallel fifths" in f for f in faults)
    assert any("parallel octaves" in f for f in faults)


NAMELESS = ("italian", "french", "german", "dominant-minor9")
"""Chords of ours that music21's chord symbols have no kind for."""


@pytest.mark.parametrize("quality", [q for q in INTERVALS if q not in NAMELESS])
@pytest.mark.parametrize("root", ["C", "F#", "Bb", "E"])
def test_named_intervals_stack_the_chords_that_music21_spells(quality, root):
    music21 = pytest.importorskip("music21")
    kinds = {
        "diminished": "diminished",
        "augmented": "augmented",
        "dominant7": "dominant-seventh",
        "major7": "major-seventh",
        "minor7": "minor-seventh",
        "half-diminished7": "half-diminished-seventh",
        "diminished7": "diminished-seventh",
        "minor-major7": "minor-major-seventh",
        "dominant9": "dominant-ninth",
    }
    symbol = music21.harmony.ChordSymbol(root=root.replace("b", "-"), kind=kinds.get(quality, quality))
    assert {p.name for p in (stacked(PitchClass.parse(root), quality) or ())} == {
        p.name.replace("-", "b") for p in symbol.pitches
    }


def test_close_position_is_stacked_upward_from_the_bass():
    chord = Chord(PitchClass.parse("C"), Quality.DOMINANT7, 2)
    assert [p.name for p in close_position(chord)] == ["G3", "Bb3", "C4", "E4"]
    german = RomanNumeral.parse("Ger65").chord(Key.parse("c"))
    assert [p.name for p in close_position(german)] == ["Ab3", "C4", "Eb4", "F#4"]


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("name", EXAMPLES)
def test_prompts_do_not_give_the_answer_away_and_read_well(name, level, language):
    score, _, found = made(name, level)
    for e in found:
        prompt, answer = e.prompt(score, language), e.answer(score, language)
        for text in (prompt, answer):
            assert text[0].isupper() or text[0] in "⟨" or language == "de" or e.kind == "spell the chord"
            assert text.endswith((".", "?"))
            assert not re.search(r"[{}\[\]|]", text)
            for numeral in re.findall("⟨([^⟩]*)⟩", text):
                RomanNumeral.parse(numeral)
        assert answer not in prompt
        if level == "beginner":
            assert "⟨" not in prompt
        words = e.choice_words(score, language)
        assert len(set(words)) == len(words)


@pytest.mark.parametrize("language", SPOKEN)
def test_the_files_of_words_are_whole(language):
    book = phrasebook(language)
    english = phrasebook("en")
    assert set(book.exercises) == set(english.exercises)
    plain = {k for k in KINDS if k != "hear and choose"}
    assert set(book.exercises) == plain | {f"hear and choose, {v}" for v in ("mode", "cadence", "chord")}
    for entry in book.exercises.values():
        assert set(entry) == {"prompt", "answer"}
        for texts in entry.values():
            assert set(texts) == set(LEVELS)
            for text in texts.values():
                assert not set("{}") & set(GAP.sub("", CHOICE.sub("", text)))
                assert {g[2] for g in GAP.finditer(text) if g[2]} <= set(WAYS)


@pytest.mark.parametrize("name", EXAMPLES)
def test_material_and_solutions_are_scores_like_any_other(name, schema):
    for level in LEVELS:
        for e in made(name, level)[2]:
            for score in [*([e.material] if e.material else []), *(s for s, _ in e.solutions)]:
                assert score.notes
                assert schema.validate(etree.fromstring(score.source)), schema.error_log


def test_the_same_piece_gives_the_same_exercises():
    score, reading, found = made("lock-water", "intermediate")
    assert exercises(score, reading, "intermediate") == found


def prompts(score: Score, reading: Reading, kind: str, level: str) -> list[tuple[Exercise, str]]:
    found = exercises(score, reading, level, each=9)  # type: ignore[arg-type]
    return [(e, e.prompt(score)) for e in found if e.kind == kind]


def in_common_time(score: Score) -> Score:
    return replace(score, measures=tuple(replace(m, symbol="common") for m in score.measures))


def test_a_root_is_named_for_every_chord_that_is_printed():
    """Falling fifths, each root with two chords: a pupil sees, hears and plays each of them."""
    score = build(
        "E5:4 | F5:4 | D5:4 | E5:4 | C5:4 | D5:4 | B4:4 | C5:4",
        "C5:4 | C5:4 | B4:4 | B4:4 | A4:4 | A4:4 | G4:4 | G4:4",
        "G4:4 | A4:4 | F4:4 | G4:4 | E4:4 | F4:4 | D4:4 | E4:4",
        "C3:2 E3 | F2 A2 | B2 D3 | E2 G2 | A2 C3 | D2 F2 | G2 B2 | C2:4",
    )
    text = "C: I:2 I6 IV IV6 viio viio6 iii iii6 vi vi6 ii ii6 V V6 I:4"
    spans = spans_of(score, text)
    reading = Reading(spans, find_sequences(score, spans))
    score = in_common_time(score)
    found = prompts(score, reading, "continue the sequence", "intermediate")
    assert found
    for e, prompt in found:
        roots = tuple(s.numeral.chord(s.key).root for s in spans if e.start <= s.start < e.end)
        assert (*e.details.given, *e.details.going_on) == roots
        assert {m.symbol for m in e.material.measures} == {"common"}
        assert len(e.details.given) == len({n.onset for n in e.material.notes})
        assert "C, C, F, F" in prompt
        assert f"{e.details.count} chords more" in prompt.replace("nine", "9")
        # Drawn together, the roots would be fewer than the chords.
        fewer = tuple(dict.fromkeys(e.details.going_on))
        times = e.details.times[: len(fewer) - len(roots)]
        assert verify(told(e, going_on=fewer, count=len(fewer), times=times), score, reading)
    # Where one root in the middle has a single chord nobody could foresee how many come.
    spans = spans_of(score, text.replace("viio viio6 iii", "viio:4 iii:2"))
    uneven = Reading(spans, find_sequences(score, spans))
    assert uneven.events
    assert not prompts(score, uneven, "continue the sequence", "intermediate")


def test_a_sequence_with_a_root_that_comes_twice_is_not_asked_to_be_continued():
    """The pattern of roots is what is asked (Open Music Theory v2, "Diatonic Sequences"): two Fs break it."""
    score = build(
        "E5:4 | F5:4 | D5:4 | E5:4 | C5:4 | D5:4 | B4:4 | C5:4",
        "C5:4 | C5:4 | B4:4 | B4:4 | A4:4 | A4:4 | G4:4 | G4:4",
        "G4:4 | A4:4 | F4:4 | G4:4 | E4:4 | F4:4 | D4:4 | E4:4",
        "C3:4 | F2:2 A2 | B2:4 | E2:4 | A2:4 | D2:4 | G2:4 | C2:4",
    )
    for four, asked in (("IV:2 IV6:2", 0), ("IV:4", 1)):
        spans = spans_of(score, f"C: I:4 {four} viio:4 iii vi ii V I")
        reading = Reading(spans, find_sequences(score, spans))
        assert len(prompts(score, reading, "continue the sequence", "intermediate")) == asked


def test_nothing_is_resolved_to_a_six_four():
    """The six-four waits for the dominant itself (Hutchinson, section 16.3)."""
    score = build(
        "D5:4 | C5:2 B4 | C5:4", "B4:4 | G4:4 | G4:4", "F4:4 | E4:2 D4 | E4:4", "G3:4 | G3:4 | C3:4"
    )
    for six, starts in (("Cad64", [6]), ("I", [0])):
        spans = spans_of(score, f"C: V7:4 | {six}:2 V7:2 | I:4")
        found = exercises(score, Reading(spans, ()), "intermediate", each=9)
        assert [e.start for e in found if e.kind == "resolve the chord"] == starts


def test_of_a_leading_tone_only_chords_that_have_one_warn():
    """The seventh chord on the second degree of minor has none; that on the fifth has the raised seventh."""
    score = build(
        "C5:4 | C5 | B4 | C5",
        "G4:4 | Ab4 | F4 | G4",
        "Eb4:4 | D4 | D4 | Eb4",
        "C3:4 | F3 | G2 | C3",
        signature=-3,
    )
    reading = Reading(spans_of(score, "c: i:4 iiø65 V7 i"))
    found = {
        str(e.details.chord): prompt
        for e, prompt in prompts(score, reading, "resolve the chord", "intermediate")
    }
    assert set(found) == {"iiø65", "V7"}
    for symbol, shown in (("", score), ("common", in_common_time(score))):
        asked = [e for e, _ in prompts(shown, reading, "resolve the chord", "intermediate")]
        assert {m.symbol for e in asked for m in e.material.measures} == {symbol}
    assert "leading tone" not in found["iiø65"]
    assert "seventh" in found["iiø65"]
    assert found["V7"].endswith("Mind the seventh and the leading tone B.")


def test_a_chord_resolves_to_another_root_and_not_to_itself_inverted():
    """A resolution leads to another chord; a position changed prolongs (handbook rule)."""
    score = build(
        "D5:4 | C5:4 | D5:4 | C5:4",
        "F4:4 | F4:4 | F4:4 | E4:4",
        "B3:4 | G3:4 | G3:4 | G3:4",
        "G2:4 | B2:4 | B2:4 | C3:4",
    )
    reading = Reading(spans_of(score, "C: V7:4 V65 V65 I"))
    found = prompts(score, reading, "resolve the chord", "intermediate")
    assert [(str(e.details.chord), str(e.details.to)) for e, _ in found] == [("V65", "I")]
    made_at_all = {str(e.details.to) for e in _resolve_chord(score, reading, "intermediate")}
    assert made_at_all == {"I"}
    first, second = (RomanNumeral.parse(n) for n in ("V7", "V65"))
    wrong = told(replace(found[0][0], start=score.measures[0].start), chord=first, to=second)
    assert any("nothing resolves" in w for w in verify(wrong, score, reading))


def test_a_chord_asked_for_from_its_lowest_note_up_is_spelled_so():
    """The second degree's seventh chord over its fifth: A flat, C, D, F, as a hand finds it."""
    score = build("D5:4 | C5:4", "C5:4 | C5:4", "F4:4 | G4:4", "Ab3:4 | Eb3:4", signature=-3)
    reading = Reading(spans_of(score, "c: iiø43:4 i6"))
    found = [e for e, _ in prompts(score, reading, "spell the chord", "intermediate")]
    answers = {str(e.details.chord): e.answer(score) for e in found}
    assert answers["iiø43"].startswith("A flat, C, D and F")
    assert verify(told(found[0], members=found[0].details.members[::-1]), score, reading)


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("level", LEVELS)
def test_numbers_of_bars_stand_aside(level, language):
    """No exercise of the examples names a bar in a sentence: only in brackets, or where bars are asked."""
    aside = re.compile(r"\([^()]*\)")
    for name in EXAMPLES:
        score, _, found = made(name, level)
        for exercise in found:
            for text in (exercise.prompt(score, language), exercise.answer(score, language)):
                named = re.findall(
                    rf"(?i)\b(?:{phrasebook(language).checking['bars']}) \d", aside.sub("", text)
                )
                assert not named or hasattr(exercise.details, "where"), text


@pytest.mark.parametrize(
    ("tune", "asked"), [("D5:3 r:1 | E5:4", True), ("D5:1/2 E5 F5 G5 A5 B5 C6 D6 | E6:4", False)]
)
def test_nobody_is_asked_to_hear_a_half_cadence_in_what_runs_on(tune, asked):
    """A half cadence is where a phrase stops on the dominant (*Open Music Theory*, part IV)."""
    score = build(
        f"E5:4 | {tune}", "staff1 C5:4 | B4:4 | C5:4", "staff1 G4:4 | G4:4 | G4:4", "C3:4 | G2:4 | C3:4"
    )
    details = CadenceDetails(
        key=Key.parse("C"), goal=RomanNumeral.parse("V"), arrival=Fraction(4), ends_phrase=1, bass_degree=5
    )
    event = CADENCE.event("half", Fraction(0), Fraction(8), (), 0.9, details)
    found = exercises(score, Reading(spans_of(score, "C: I:4 | V:4 | I:4"), (event,)))
    assert any(e.kind == "hear and choose" for e in found) is asked


@pytest.mark.parametrize(
    ("inner", "bass", "chords", "asked"),
    [
        ("B4:4", "G2:4", "V:4", True),
        ("B4:3 C5:1", "G2:3 C3:1", "V:3 I:1", False),
        ("B4:4", "G2:3 F2:1", "V:3 V42:1", False),
        ("B4:4", "F2:1 G2:3", "V42:1 V:3", False),
    ],
)
def test_a_half_cadence_to_hear_is_the_last_of_its_excerpt_over_its_root(inner, bass, chords, asked):
    """The dominant stops in root position (*Open Music Theory*, part IV), not over its seventh."""
    score = build("E5:4 | D5:3 r:1", f"staff1 C5:4 | {inner}", "staff1 G4:4 | G4:4", f"C3:4 | {bass}")
    spans = spans_of(score, f"C: I:4 | {chords}")
    arrival = next(s.start for s in spans if str(s.numeral) == "V")
    details = CadenceDetails(
        key=Key.parse("C"), goal=RomanNumeral.parse("V"), arrival=arrival, ends_phrase=1, bass_degree=5
    )
    event = CADENCE.event("half", Fraction(0), Fraction(8), (), 0.9, details)
    found = exercises(score, Reading(spans, (event,)), "intermediate")
    assert any(e.kind == "hear and choose" for e in found) is asked


@pytest.mark.parametrize(
    ("voices", "chords", "asked"),
    [
        (("B4:4 | G4:4", "G4:4 | E4:4", "G3:4 | C3:4"), "C: V:4 I:4", True),
        (("B4:4 | B4:1 A4:3", "G4:4 | G4:1 F4:3", "G3:4 | E3:1 F3:3"), "C: V:4 iii:1 IV:3", False),
    ],
)
def test_a_dissonance_to_be_resolved_resolves_into_the_chord_that_is_named(voices, chords, asked):
    """D hangs over E, G and B, to which C is as foreign: it waits for the next chord (Hutchinson, ch. 10)."""
    score = build("D5:4 | D5:1 C5:3", *voices)
    spans = spans_of(score, chords)
    found = exercises(score, Reading(spans, find_events(score, spans)), "intermediate")
    assert any(e.kind == "resolve the dissonance" for e in found) is asked


@pytest.mark.parametrize(
    ("voices", "chords", "other", "asked"),
    [
        (("E4:4 | E4:4 | E4:4", "C3:4 | C3:4 | C3:4"), "C: I:4 I:4 I:4", None, True),
        # By the next best label F is the seventh of a chord, or rests nowhere.
        (("E4:4 | E4:4 | E4:4", "C3:4 | C3:4 | C3:4"), "C: I:4 I:4 I:4", "V7", False),
        (("E4:4 | E4:4 | E4:4", "C3:4 | C3:4 | C3:4"), "C: I:4 I:4 I:4", "vi7", True),
        # No E sounds: nothing says that the chord is that of C, E and G.
        (("G4:4 | G4:4 | G4:4", "C3:4 | C3:4 | C3:4"), "C: I:4 I:4 I:4", None, False),
    ],
)
def test_what_another_reading_answers_otherwise_is_not_asked(voices, chords, other, asked):
    """A note foreign to one chord is a note of another (Hutchinson, ch. 10): a question has one answer."""
    score = build("G5:4 | F5:1 G5:3 | G5:4", *voices)
    spans = spans_of(score, chords)
    if other is not None:
        second = Alternative(spans[1].key, RomanNumeral.parse(other), 0.3)
        spans = (spans[0], replace(spans[1], alternatives=(second,)), *spans[2:])
    reading = Reading(spans, find_events(score, spans))
    found = list(_foreign(score, reading, "intermediate"))
    assert bool(found) is asked


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("F5:2 | F5:1 E5:1 | E5:2", True),
        # It sinks only as the chord goes: who hears the next one first does not hear it lean.
        ("F5:2 | F5:2 | E5:2", False),
    ],
)
def test_what_leans_is_asked_about_where_it_resolves_over_its_chord(line, asked):
    """A suspension resolves over the bass that it was dissonant with (Hutchinson, ch. 10)."""
    score = build(line, "staff1 A4:2 | E4+G4:2 | A4:2", "F3:2 | C3:2 | A2:2", meter="2/4")
    spans = spans_of(score, "C: IV:2 I:2 vi:2")
    events = find_events(score, spans)
    reading = Reading(spans, events)
    assert [e.label for e in events if e.kind == "non-chord tone"][:1] == ["suspension"]
    kinds = {e.kind for e in exercises(score, reading, "intermediate", each=9)}
    assert ("find the foreign note" in kinds) is asked


def test_a_figure_that_goes_on_unchanged_has_no_foreign_note_to_find():
    """What runs on whatever the chords do is heard as one thing (common practice, no source)."""
    tune = "G4:1 F4 G4 E4"
    score = build(f"{tune} | {tune} | {tune}", "staff2 E3:4 | E3:4 | E3:4", "C3:4 | C3:4 | C3:4")
    spans = spans_of(score, "C: I:4 I:4 I:4")
    reading = Reading(spans, find_events(score, spans))
    starts = {e.details.moment for e in _foreign(score, reading, "intermediate")}
    assert starts == {Fraction(1)}


@pytest.mark.parametrize(
    ("voices", "chords", "asked"),
    [
        (("G5:2 F5:1 G5:1 | G5:4", "E4:4 | E4:4", "C3:4 | C3:4"), "C: I:4 I:4", True),
        # A second foreign note sounds with it.
        (("G5:2 F5:1 G5:1 | G5:4", "C5:2 D5:1 C5:1 | E4:4", "C3+E3:4 | C3:4"), "C: I:4 I:4", False),
        # With what sounds it makes the chord of A, C and E.
        (("G5:2 A5:1 G5:1 | G5:4", "E4:4 | E4:4", "C3:2 C3:2 | C3:4"), "C: I:4 I:4", False),
        # It comes twice, and goes on another way.
        (("G5:1 F5:1 E5:1 F5:1 | G5:4", "E4:4 | E4:4", "C3:4 | C3:4"), "C: I:4 I:4", False),
        # It sounds for as long as the chord does without it.
        (("G5:1 F5:2 G5:1 | G5:4", "E4:4 | E4:4", "C3:4 | C3:4"), "C: I:4 I:4", False),
        # The root of the ninth chord that has all that sounds.
        (("C5:2 G4:1 F4:1 | G4:4", "D4:4 | E4:4", "B3:4 | C3:4"), "C: viio:4 I:4", False),
    ],
)
def test_a_note_to_find_is_alone_and_makes_no_other_chord(voices, chords, asked):
    """A foreign note belongs to no chord that sounds (Hutchinson, ch. 10; chords, ch. 5 and 6)."""
    score = build(*voices)
    spans = spans_of(score, chords)
    reading = Reading(spans, find_events(score, spans))
    found = [e for e in _foreign(score, reading, "advanced") if e.start < 4]
    found += [e for e in _foreign(score, reading, "intermediate") if e.start < 4]
    assert bool(found) is asked


@pytest.mark.parametrize(
    ("bass", "chords", "asked"),
    [
        ("C3:4 | F3:4 | C3:8", "C: I:4 IV:4 I:8", True),
        ("C3:4 | F3:4 | C3:4 | F3:4", "C: I:4 IV:4 I:4 IV:4", False),
    ],
)
def test_nobody_is_asked_to_hear_a_plagal_close_in_a_bass_that_rocks(bass, chords, asked):
    """A plagal cadence ends something (*Open Music Theory*, part IV)."""
    score = build("E5:4 | F5:4 | E5:8", "G4:4 | A4:4 | G4:8", "C4:4 | C4:4 | C4:8", bass)
    details = CadenceDetails(
        key=Key.parse("C"),
        goal=RomanNumeral.parse("I"),
        leader=RomanNumeral.parse("IV"),
        arrival=Fraction(8),
        ends_phrase=1,
        bass_degree=1,
    )
    event = CADENCE.event("plagal", Fraction(4), Fraction(12), (), 0.9, details)
    found = exercises(score, Reading(spans_of(score, chords), (event,)))
    assert any(e.kind == "hear and choose" for e in found) is asked
