"""The plan of keys, the chords to stop at and the places to check, in both languages."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from tests.findings.build import build, spans_of

from understave.desk.values import span_row
from understave.harmony.engine import read_harmony
from understave.harmony.reading import Alternative, Reading, Span
from understave.score.model import Score
from understave.score.reader import read_score
from understave.teaching import story
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral
from understave.wording import SPOKEN, phrasebook

ROOT = Path(__file__).parents[2]
F = Fraction


@cache
def example() -> tuple[Score, Reading]:
    score = read_score(ROOT / "examples" / "lock-water" / "score.musicxml")
    return score, read_harmony(score)


def span(key: str, numeral: str, start: int = 0, confidence: float = 0.5, fixed: bool = False) -> Span:
    other = Alternative(Key.parse(key), RomanNumeral.parse("IV"), 0.2)
    return Span(
        F(start),
        F(start + 4),
        Key.parse(key),
        RomanNumeral.parse(numeral),
        confidence,
        alternatives=(other,),
        fixed=fixed,
    )


def test_the_plan_of_keys_covers_the_piece():
    score, reading = example()
    plan = story.key_plan(score, reading)
    assert sum(k.share for k in plan) == pytest.approx(1)
    assert plan[0].first_bar == "1"
    assert plan[-1].last_bar == score.measures[-1].number
    assert all(a.key != b.key for a, b in pairwise(plan))


@pytest.mark.parametrize(
    ("key", "numeral", "device"),
    [
        ("C", "bII6", "neapolitan"),
        ("c", "N6", "neapolitan"),
        ("C", "Ger65", "augmented-sixth"),
        ("C", "Cad64", "cadential"),
        ("C", "V7/V", "applied"),
        ("c", "viio7", "diminished-seventh"),
        ("C", "iv", "borrowed"),
        ("C", "V7", None),
        ("c", "V", None),
    ],
)
def test_devices(key, numeral, device):
    # Common names of chords: Hutchinson, Music Theory for the 21st-Century Classroom, chapters 16 to 21.
    assert story.device_of(span(key, numeral)) == device


@pytest.mark.parametrize("language", SPOKEN)
def test_points_name_their_chord_and_place(language):
    score, reading = example()
    found = story.points(score, reading, language)
    assert found
    for point in found:
        assert f"⟨{point.span.numeral}⟩" in point.heading
        assert score.measure_at(point.span.start).number in point.place
        assert point.heading[0].isupper()


def test_points_in_german():
    score = build("D4+F#4+A4+C5:4 | G4+B4+D5:4", "D3:4 | G3:4")
    spans = (span("C", "V7/V"), span("C", "V", start=4))
    point = story.points(score, Reading(spans), "de")[0]
    assert point.heading == "Zwischendominante: ⟨V7/V⟩ in C-Dur"
    assert point.text == (
        "Akkord: Dominantseptakkord zur Dominante. Seine Töne sind D, Fis, A und C, im Bass liegt D. "
        "Fis gehört nicht zu C-Dur. Darauf folgt ⟨V⟩ in C-Dur."
    )


def test_doubts_come_least_certain_first_and_leave_out_what_the_teacher_set():
    score, _ = example()
    spans = (
        span("C", "V", 0, 0.4),
        span("C", "V", 2, 0.5),
        span("C", "I", 4, 0.3),
        span("C", "ii", 8, 0.1, fixed=True),
        span("C", "I", 12, 0.95),
    )
    found = story.doubts(score, Reading(spans))
    assert [d.span.confidence for d in found] == [0.3, 0.4]
    assert found[0].text.endswith("read as ⟨I⟩ in C major (30 % sure); it could also be ⟨IV⟩ in C major.")
    # The page, the desk, the sheet's question marks and the command line tell of the same places.
    assert [Reading(spans).spans[k] for k in Reading(spans).to_check()] == [d.span for d in found]
    rows = [span_row(score, s)["check"] for s in spans]
    assert rows == [s.to_check for s in spans] == [True, False, True, False, False]
    german = story.doubts(score, Reading(spans), "de")[0].text
    assert german.endswith("gelesen als ⟨I⟩ in C-Dur (zu 30 % sicher); möglich wäre auch ⟨IV⟩ in C-Dur.")


@pytest.mark.parametrize("language", SPOKEN)
def test_every_device_has_a_name_and_a_gloss(language):
    book = phrasebook(language)
    for device in story.DEVICE_ORDER:
        assert book.glosses_in(book.devices[device]), device


def test_the_same_notes_read_in_two_ways_are_named_among_the_places_to_check():
    bar = "C5:2 D5:2"
    low = "C3+E3+G3:2 G2+D3:2"
    score = build(f"{bar} | E5:4 | {bar} | {bar}", f"{low} | C3+G3:4 | {low} | {low}")
    spans = spans_of(score, "C: I:2 V:2 I:4 I:2 G: I:2 G: IV:2 I:2")
    found = story.twins(score, Reading(spans))
    assert [(t.earlier, t.later) for t in found] == [(0, 2), (2, 3)]
    texts = [d.text for d in story.doubts(score, Reading(spans))]
    assert texts == [
        "The same notes, read in two ways: bar 1 has ⟨V⟩ in C major, bar 3 has ⟨I⟩ in G major.",
        "The same notes, read in two ways: bar 3 has ⟨I⟩ in C major, bar 4 has ⟨IV⟩ in G major.",
    ]
    alike = spans_of(score, "C: I:2 V:2 I:4 I:2 V:2 I:2 V:2")
    assert story.twins(score, Reading(alike)) == ()


def test_bars_that_differ_in_one_held_note_are_no_twins():
    score = build("C5:4 | C5:4 | C5:4", "E3:4 | E3:4 E4:4", "C3:8 C3:4")
    assert story.twins(score, Reading(spans_of(score, "C: I:4 vi:4 IV:4"))) != ()
    other = build("C5:4 | C5:4", "E3:4 | F3:4", "C3:8")
    assert story.twins(other, Reading(spans_of(other, "C: I:4 IV:4"))) == ()
