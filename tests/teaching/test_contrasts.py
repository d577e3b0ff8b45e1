"""Contrasts: two sides of the same bars, different where they are said to differ and nowhere else."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from lxml import etree
from tests.findings.build import build, spans_of
from tests.wording.readings import EXAMPLES, analysed, piece

import understave.teaching.contrasts as contrasts_module
from understave.findings import find_events
from understave.harmony.reading import Reading
from understave.score.model import Note, Score
from understave.teaching import carried
from understave.teaching.contrasts import LABELS, Contrast, contrasts, diatonic_neighbour
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch
from understave.theory.roman import RomanNumeral
from understave.wording import LEVELS, SPOKEN, phrasebook

MADE: dict[str, tuple[Contrast, ...]] = {}


def made(name: str) -> tuple[Score, tuple[Contrast, ...]]:
    score, reading = piece(name)
    if name not in MADE:
        MADE[name] = contrasts(score, reading, at_most=20)
    return score, MADE[name]


def sound(n: Note) -> tuple[object, ...]:
    return n.pitch, n.onset, n.duration


@pytest.mark.parametrize("name", EXAMPLES)
def test_only_the_notes_named_differ(name):
    score, found = made(name)
    assert len(found) >= 10
    for c in found:
        kept = {n.id: sound(n) for n in c.written.notes if n.id not in c.differs}
        other = {n.id: sound(n) for n in c.other.notes}
        assert all(other[i] == what for i, what in kept.items()), c.label
        assert {i for i in other if i not in kept} == set(c.changed)
        assert c.differs or c.changed
        # The written side is the piece itself.
        own = {i for n in score.notes for i in n.ids}
        assert {n.id for n in c.written.notes} <= own
        assert c.written.end == c.other.end


def test_events_are_found_for_the_contrasts_that_are_taken_alone(monkeypatch):
    score, reading = piece(EXAMPLES[0])
    asked = []

    def counted(one, spans):
        asked.append(one)
        return find_events(one, spans)

    monkeypatch.setattr(carried, "find_events", counted)
    taken = contrasts(score, reading, at_most=2)
    assert len(asked) <= 2 * len(taken)
    assert all(c.written_reading.events == find_events(c.written, c.written_reading.spans) for c in taken)
    assert any(c.written_reading.events and c.other_reading.events for c in taken)


@pytest.mark.parametrize("name", EXAMPLES)
def test_both_sides_are_scores_with_readings(name, schema):
    _, found = made(name)
    for c in found:
        for score, reading in ((c.written, c.written_reading), (c.other, c.other_reading)):
            assert score.notes
            assert schema.validate(etree.fromstring(score.source)), schema.error_log
            assert reading.spans
            assert all(a.end == b.start for a, b in zip(reading.spans, reading.spans[1:], strict=False))
            ids = {i for n in score.notes for i in n.ids}
            assert all(set(s.notes) | set(s.foreign) <= ids for s in reading.spans)


def test_the_examples_show_every_contrast():
    """Read as their demo lessons are, by the analyses written by hand."""
    labels = {c.label for name in EXAMPLES for c in contrasts(*analysed(name), at_most=20)}
    assert labels == set(LABELS)


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_altered_chord_becomes_one_of_the_key(name):
    score, found = made(name)
    checked = 0
    for c in found:
        if c.label not in ("altered notes", "diatonic neighbour"):
            continue
        key, plain, at = c.details.key, c.details.plain, c.details.at
        members = plain.chord(key).members
        assert all(p in key for p in members)
        here = at - score.measures[c.first].start
        changed = [n for n in c.other.notes if n.id in c.changed]
        assert changed
        assert all(n.pitch.pitch_class in members or n.pitch.pitch_class in key for n in changed)
        span = next(s for s in c.other_reading.spans if s.start <= here < s.end)
        assert (span.key, span.numeral) == (key, plain)
        checked += 1
    assert checked >= 2


def test_a_neapolitan_is_held_against_the_second_degree():
    """C minor: D flat becomes D, which makes the diminished triad ii with its third in the bass."""
    score = build(
        "G4:2 Ab4 | Ab4 F4 | Eb4:4",
        "Eb4:2 F4 | Db4:2 D4 | C4:4",
        "C4:2 Ab3 | F3 B3 | G3:4",
        "C3:2 F3 | F3 G3 | C3:4",
        signature=-3,
    )
    spans = spans_of(score, "c: i:2 iv:2 | N6:2 V7:2 | i:4")
    reading = Reading(spans, find_events(score, spans))
    c = next(c for c in contrasts(score, reading) if c.label == "diatonic neighbour")
    assert str(c.details.plain) == "iio6"
    before = {n.id: n.pitch.name for n in c.written.notes}
    after = {n.id: n.pitch.name for n in c.other.notes}
    assert {(before[i], after[i]) for i in c.changed} == {("Db4", "D4")}


def test_a_suspension_is_left_out():
    """C major: F4 held over C and resolving to E4; without it E4 comes at once and stays."""
    score = build("C5:4 | C5:4", "D4:2 F4:4 E4:2", "B3:4 | G3:4", "G3:4 | C3:4")
    spans = spans_of(score, "C: V7:4 | I:4")
    reading = Reading(spans, find_events(score, spans))
    c = next(c for c in contrasts(score, reading) if c.label == "dissonance")
    alto = sorted((n for n in c.other.notes if n.voice == "2"), key=lambda n: n.onset)
    assert [(n.pitch.name, n.onset, n.duration) for n in alto] == [("D4", 0, 2), ("F4", 2, 2), ("E4", 4, 4)]
    assert c.details.resolution == Pitch.parse("E4").pitch_class


@pytest.mark.parametrize(
    ("tune", "low", "chords", "offered"),
    [
        ("F4:4 | F4:2 E4:2 | F4:4", "F3+A3:4 | C3+G3:4 | F3+A3:4", "C: IV:4 I:4 IV:4", True),
        ("G4:4 | B4:4 | A4:4", "C3+E3:4 | E3+G3:4 | F3+C4:4", "C: I:4 I6:4 IV:4", False),
    ],
)
def test_a_dissonance_is_left_out_only_for_a_note_of_its_chord(tune, low, chords, offered):
    """What comes with the next chord alone is as foreign to this one (common practice, no source)."""
    score = build(tune, "C4:4 | C4:4 | C4:4", low)
    spans = spans_of(score, chords)
    reading = Reading(spans, find_events(score, spans))
    leaning = next(e for e in reading.events if e.label in ("suspension", "appoggiatura"))
    assert (contrasts_module._dissonance(score, reading, leaning) is not None) is offered


def test_a_deceptive_cadence_keeps_its_promise():
    """C major: A minor where C was promised; the bass A becomes C, the melody's C stays."""
    score = build(
        "E5:2 D5 | C5:2 B4 | C5:4 | C5:2 B4 | C5:4",
        "G4:2 A4 | G4:2 F4 | E4:4 | F4:2 F4 | E4:4",
        "C4:2 D4 | E4:2 D4 | C4:4 | A3:2 D4 | C4:4",
        "C3:2 F3 | G3:2 G2 | A2:4 | F3:2 G3 | C3:4",
    )
    spans = spans_of(score, "C: I:2 ii6:2 | Cad64:2 V7:2 | vi:4 | IV:2 V7:2 | I:4")
    reading = Reading(spans, find_events(score, spans))
    c = next(c for c in contrasts(score, reading) if c.label == "arrival")
    arrival = c.details.at
    assert isinstance(arrival, Fraction)
    here = [n for n in c.other.notes if n.onset == arrival - score.measures[c.first].start]
    assert min(here, key=lambda n: n.midi).pitch.pitch_class.name == "C"
    assert {n.pitch.pitch_class.name for n in here} <= {"C", "E", "G"}
    # The excerpt begins before and ends after: which bar keeps the promise is said.
    bar = score.measure_at(arrival).number
    assert all(re.search(rf"\b{bar}\b", c.words(score, language=v)) for v in SPOKEN)


@pytest.mark.parametrize(
    ("key", "chord", "plain"),
    [
        ("c", "N6", "iio6"),
        ("C", "bVI", "vi"),
        ("c", "It6", "iv6"),
        ("C", "V7/V", "ii"),
        ("C", "iv", "IV"),
        ("C", "bIII", "iii"),
    ],
)
def test_the_nearest_chord_of_the_key(key, chord, plain):
    """By letters: the same notes without their alterations (Hutchinson, chapters 19 to 21)."""
    assert str(diatonic_neighbour(RomanNumeral.parse(chord), Key.parse(key))) == plain


def test_a_chord_of_the_key_has_no_other_neighbour():
    assert diatonic_neighbour(RomanNumeral.parse("ii6"), Key.parse("C")) is None


def test_the_mode_switch_is_undone():
    score, found = made("lock-water")
    c = next(c for c in found if c.label == "mode" and c.details.key == Key.parse("eb"))
    at = c.details.at
    assert isinstance(at, Fraction)
    here = at - score.measures[c.first].start
    minor = {Pitch.parse(p).pitch_class for p in ("Gb4", "Cb4")}
    assert any(n.pitch.pitch_class in minor for n in c.written.notes if n.onset >= here)
    assert not any(n.pitch.pitch_class in minor for n in c.other.notes if n.onset >= here)


def test_bass_and_melody_alone_are_one_voice():
    for name in EXAMPLES:
        for c in made(name)[1]:
            if c.label in ("bass", "melody"):
                onsets = [n.onset for n in c.other.notes if not n.grace]
                assert len(onsets) - len(set(onsets)) <= len(onsets) // 2
                assert {n.id for n in c.other.notes} < {n.id for n in c.written.notes}


@pytest.mark.parametrize(
    ("bass", "offered"),
    [
        ("C3:4 D3 | G3 C3", True),
        ("C3:4 C3 | C3 C3", False),
        ("C3:4 D3 | E3 D3", False),
        ("C3:4 G3 | C3 G3", False),
    ],
)
def test_a_bass_is_heard_alone_where_it_steps_and_leaps(bass, offered):
    score = build("C5:2 E5 G5 E5 | C5 E5 D5 B4 | C5 E5 C5 E5 | C5 G5 E5 C5", bass)
    spans = spans_of(score, "C: I:8 | I:8")
    assert ("bass" in {c.label for c in contrasts(score, Reading(spans, ()), at_most=20)}) is offered


@pytest.mark.parametrize(
    ("later", "parted"),
    [
        ("D5:1 G5 A5:2", False),
        ("D5:1 r:3", False),
        ("D5:1 G5 A5:1 B5", False),
        ("D5:1 F5 A5:2", True),
        ("D5:1 r:2 B4:1", True),
    ],
)
def test_two_ways_part_where_each_has_what_the_other_lacks(later, parted):
    """A voice that only falls silent or joins in goes the same way (common practice, no source)."""
    score = build(f"C5:1 F5 G5:2 | {later}", "C3:4 | D3:4")
    assert contrasts_module._part_ways(score, 0, 1, 1, Interval.parse("M2")) is parted


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("level", LEVELS)
def test_words_say_what_to_listen_for(level, language):
    # The same notes with another pedal or on another piano are told there too.
    assert set(phrasebook(language).contrasts) == {*LABELS, "pedal", "piano"}
    for name in EXAMPLES:
        score, found = made(name)
        for c in found:
            text = c.words(score, level, language)
            assert text.endswith((".", "?"))
            assert not re.search(r"[{}\[\]|]", text), text
            if level == "beginner":
                assert "⟨" not in text
