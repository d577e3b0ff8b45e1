"""Questions for students: every right answer is right by the notes, every wrong one that is offered is wrong.

What is right is worked out here from the notes of the score, with the intervals of the chords and the degrees
of the scales as theory books have them (Hutchinson, *Music Theory for the 21st-Century Classroom*, chapters 5
to 7, from memory), in half tones; no chord, key or numeral of the package is asked for them.
"""

from __future__ import annotations

from contextlib import suppress
from fractions import Fraction
from itertools import product

import pytest
from tests.once import EXAMPLES, make_plan, once, propose_stops, read, read_score

import understave.teaching.exercises
from understave.harmony.typed import typed_chords
from understave.teaching.homework import (
    _read_with,
    homework,
    homework_id,
    key_names,
    note_texts,
    numeral_texts,
    plain,
)
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

exercises = once(understave.teaching.exercises.exercises)

CHORDS = {
    "major triad": {0, 4, 7},
    "minor triad": {0, 3, 7},
    "diminished triad": {0, 3, 6},
    "augmented triad": {0, 4, 8},
    "dominant seventh": {0, 4, 7, 10},
    "minor seventh": {0, 3, 7, 10},
    "major seventh": {0, 4, 7, 11},
    "half-diminished seventh": {0, 3, 6, 10},
    "diminished seventh": {0, 3, 6, 9},
    "German augmented sixth": {0, 4, 7, 10},
    "French augmented sixth": {0, 4, 6, 10},
    "Italian augmented sixth": {0, 4, 10},
}
SCALES = {"major": {0, 2, 4, 5, 7, 9, 11}, "minor": {0, 2, 3, 5, 7, 8, 9, 10, 11}}
LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
PIECES = [("lock-water", level) for level in ("beginner", "intermediate", "advanced")]
PIECES += [("chain-ferry", "intermediate"), ("chain-ferry", "advanced")]


@pytest.fixture(scope="module", params=PIECES, ids=lambda p: "-".join(p))
def asked(request):
    piece, level = request.param
    score = read_score(EXAMPLES / piece / "score.musicxml")
    reading = read(score)
    stops = propose_stops(score, reading, make_plan(score, reading), level=level)
    return score, reading, homework(score, reading, exercises(score, reading, level), stops, level)


def of_way(asked, way, begin=""):
    return [t for t in asked[2] if t.way == way and t.id.startswith(begin)]


def half_tones(notes):
    return {n.midi % 12 for n in notes}


def notes_of(score, ids):
    return [n for n in score.notes if set(n.ids) & set(ids)]


def tonic_and_mode(name):
    letter, *bend, mode = name.split()
    return (LETTERS[letter] + {"flat": -1, "sharp": 1}.get("".join(bend), 0)) % 12, mode


def test_every_way_of_answering_is_asked_for(asked):
    assert {t.way for t in asked[2]} == {"choose", "place", "type", "play", "bar"}
    assert len({t.id for t in asked[2]}) == len(asked[2]) >= 8
    assert all(t.prompt and t.reason and t.device for t in asked[2])
    assert not any(mark in t.prompt + t.reason for t in asked[2] for mark in "{}[]")


def test_only_the_right_kind_of_chord_fits_the_marked_notes(asked):
    tasks = of_way(asked, "choose", "kind")
    assert tasks
    for task in tasks:
        heard = half_tones(notes_of(asked[0], task.marked))
        fits = [
            k
            for k, name in enumerate(task.choices)
            if any({(root + i) % 12 for i in CHORDS[name]} == heard for root in range(12))
        ]
        assert fits == list(task.right)
        assert [k for k, why in enumerate(task.why_not) if not why] == fits


def test_only_the_right_key_has_all_the_notes_of_its_bars(asked):
    tasks = of_way(asked, "choose", "key")
    assert tasks
    for task in tasks:
        struck = half_tones(n for n in asked[0].notes if task.first <= n.measure <= task.last)
        for k, name in enumerate(task.choices):
            tonic, mode = tonic_and_mode(name)
            assert (struck <= {(tonic + i) % 12 for i in SCALES[mode]}) == (k in task.right), name
        assert len(task.choices) >= 3


def test_a_note_to_click_on_is_foreign_to_the_chord_and_all_others_belong_to_it(asked):
    tasks = of_way(asked, "place", "note")
    assert tasks
    for task in tasks:
        groups = [half_tones(notes_of(asked[0], ids)) for _, ids in task.spots]
        rest = set().union(*(g for k, g in enumerate(groups) if k not in task.right))
        assert any({(r + i) % 12 for i in c} >= rest for r in range(12) for c in CHORDS.values())
        assert all(groups[k].isdisjoint(rest) for k in task.right)
        assert len(set().union(*(groups[k] for k in task.right))) == 1
        assert len(rest) >= 2


def test_a_chord_to_click_on_sounds_with_a_note_from_outside_the_key(asked):
    score, reading, _ = asked
    for task in of_way(asked, "place", "chord"):
        for k, (_, ids) in enumerate(task.spots):
            first = min(n.onset for n in notes_of(score, ids))
            key = reading.span_at(first).key
            scale = {(key.tonic.semitone + i) % 12 for i in SCALES[key.mode]}
            if k in task.right:
                assert not half_tones(notes_of(score, ids)) <= scale
            else:
                assert half_tones(notes_of(score, reading.span_at(first).notes)) <= scale
        assert 0 < len(task.right) < len(task.spots)


def test_every_text_that_is_accepted_names_the_marked_notes(asked):
    tasks = of_way(asked, "type")
    assert tasks
    for task in tasks:
        notes = notes_of(asked[0], task.marked)
        heard, low = half_tones(notes), min(n.midi for n in notes) % 12
        if task.sign == "note":
            root = LETTERS[task.accepted[0][0].upper()] + {"b": -1, "#": 1}.get(task.accepted[0][1:2], 0)
            assert any({(root + i) % 12 for i in CHORDS[c]} == heard for c in ("major triad", "minor triad"))
            continue
        key = asked[1].span_at(notes[0].onset).key
        for texts, same in ((task.accepted, True), (task.nearly, False)):
            for text in texts:
                chord = typed_chords(text, key).numerals[0].chord(key)
                assert {p.semitone for p in chord.members} == heard, text
                assert (chord.bass.semitone == low) == same, text


def test_keys_to_play_are_a_chord_and_the_lowest_is_its_bass(asked):
    score, reading, _ = asked
    for task in of_way(asked, "play"):
        assert any({(r + i) % 12 for i in c} == set(task.keys) for r in range(12) for c in CHORDS.values())
        assert task.low == ("lowest" in task.prompt)
        if not task.low:
            continue
        start, end = score.measures[task.first].start, score.measures[task.last].end
        chords = [notes_of(score, s.notes) for s in reading.spans if s.start < end and s.end > start]
        low = {tuple(sorted(half_tones(c))): min(n.midi for n in c) % 12 for c in chords if c}
        # In the piece's own key it is a chord of its bars; moved to another key it is moved as a whole.
        moves = [m for m in range(12) if tuple(sorted((k + m) % 12 for k in task.keys)) in low]
        assert any(
            low[tuple(sorted((k + m) % 12 for k in task.keys))] == (task.keys[0] + m) % 12 for m in moves
        )


def test_only_the_right_bars_sound_like_the_one_that_is_heard(asked):
    score = asked[0]

    def struck(bar):
        start = score.measures[bar].start
        return sorted((n.onset - start, n.midi) for n in score.notes if n.measure == bar)

    (task,) = of_way(asked, "bar")
    heard = struck(task.hears[0])
    assert task.hears[0] == task.hears[1]
    assert [k for k in range(task.first, task.last + 1) if struck(k) == heard] == list(task.right)


def test_what_must_be_heard_is_not_asked_without_sound(asked):
    score, reading, tasks = asked
    silent = homework(score, reading, (), (), sound=False)
    assert "bar" not in {t.way for t in silent}
    assert homework_id(silent) != homework_id(tasks)


@pytest.mark.parametrize(
    ("numeral", "key", "language", "right", "wrong"),
    [
        # Common practice, no source: the names of these chords in these keys.
        ("V65", "c", "en", ["V65", "G7/B"], ["V7", "V", "v65", "G7", "V43", "G7/D"]),
        ("vi7", "Eb", "en", ["vi7", "Cm7", "ii7/V"], ["VI7", "vi", "C7", "Cm"]),
        ("Cad64", "F", "en", ["Cad64", "I64", "F/C"], ["I6", "V", "I", "i64"]),
        ("V7/V", "Bb", "en", ["V7/V", "C7", "II7"], ["V7", "C", "ii7"]),
        ("bVI", "C", "en", ["bVI", "Ab"], ["VI", "vi", "A"]),
        ("V7", "Eb", "de", ["V7", "B7", "Bb7"], ["H7"]),
        ("V7", "Eb", "en", ["V7", "Bb7"], ["B7"]),
    ],
)
def test_a_chord_may_be_typed_as_musicians_name_it(numeral, key, language, right, wrong):
    accepted, nearly = numeral_texts(RomanNumeral.parse(numeral), Key.parse(key), language)
    assert set(right) <= set(accepted)
    assert not set(wrong) & set(accepted)
    assert not set(nearly) & set(accepted)


@pytest.mark.parametrize(("numeral", "key"), [("V/ii", "Eb"), ("iv", "f#"), ("III+", "c")])
def test_no_numeral_that_reads_as_the_chord_is_passed_over(numeral, key):
    chord, key = RomanNumeral.parse(numeral).chord(Key.parse(key)), Key.parse(key)
    accepted, nearly = numeral_texts(RomanNumeral.parse(numeral), key, "en")
    heads = [h for n in ("I", "II", "III", "IV", "V", "VI", "VII") for h in (n, n.lower())]
    for bend, head, target in product(("", "b", "#"), heads, ("", "/ii", "/IV", "/V", "/vi")):
        for text in (f"{bend}{head}{target}", f"{bend}{head}{'o' if head.islower() else '+'}{target}"):
            with suppress(ValueError):
                if set(RomanNumeral.parse(text).chord(key).members) == set(chord.members):
                    assert text in {*accepted, *nearly}


def test_few_texts_are_read_for_a_question():
    key = Key.parse("Eb")
    _read_with.cache_clear()
    numeral_texts(RomanNumeral.parse("V7"), key, "en")
    assert _read_with.cache_info().misses < 1000


def test_signs_and_spaces_mean_nothing():
    assert plain(" ♭VI ") == "bVI"
    assert plain("vii°7 / V") == "viio7/V"
    assert plain("B flat", "note") == "bflat"


def test_a_note_is_called_as_where_the_language_is_spoken():
    flat, natural = PitchClass.parse("Bb"), PitchClass.parse("B")
    assert {"b", "bb"} <= set(note_texts(flat, "de"))
    assert "h" in note_texts(natural, "de")
    assert "b" not in note_texts(natural, "de")
    assert "b" in note_texts(natural, "en")
    assert "b" not in note_texts(flat, "en")
    assert plain("si bémol", "note") in note_texts(flat, "fr")
    assert key_names("en")[10] == "A sharp / B flat"
    assert Fraction(len(key_names("de"))) == 12
