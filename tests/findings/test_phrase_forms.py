"""Periods and sentences, on music of ours built as Caplin, *Classical Form* (1998), describes them, and on a
song whose tune is a plain period: Schubert, Der Lindenbaum (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from build import build, spans_of

from understave import read_score
from understave.findings import find_events
from understave.findings.phrase_forms import PHRASE_FORM, PhraseFormDetails, find_phrase_forms
from understave.harmony.reading import Event, Reading
from understave.harmony.trained import read_trained
from understave.score.model import Score
from understave.wording.claiming import is_true
from understave.wording.sentences import say


def music21_score(*names: str) -> Path:
    music21 = pytest.importorskip("music21")
    return Path(music21.__file__).parent.joinpath("corpus", *names)


OPEN = "E5:1 F5 G5:2 | A5:1 G5 E5:2 | F5:1 E5 D5 C5 | D5:4"
CLOSED = "E5:1 F5 G5:2 | A5:1 G5 E5:2 | F5:1 E5 D5 B4 | C5:4"
LOW = "C3:4 | C3:4 | F3:2 G3:2 | {}:4"
HALVES = "I:4 I:4 IV:2 V:2 "


def found(score: Score, labels: str) -> list[tuple[Event, PhraseFormDetails]]:
    return PHRASE_FORM.all(find_phrase_forms(score, spans_of(score, labels)))


def period(first: str, second: str) -> tuple[Score, str]:
    low = f"{LOW.format('G3')} | {LOW.format('C3')}"
    inner = "staff2 G3+E4:4 | G3+E4:4 | A3+C4:2 G3+B3:2 | {}:4"
    score = build(
        f"{first} | {second}",
        f"{inner.format('G3+B3')} | {inner.format('G3+E4').removeprefix('staff2 ')}",
        f"staff2 {low}",
    )
    return score, f"C: I:4 I:4 IV:2 V:2 V:4 {HALVES}I:4"


def test_a_period_begins_twice_and_closes_the_second_time():
    score, labels = period(OPEN, CLOSED)
    ((event, details),) = found(score, labels)
    assert (event.label, event.start, event.end) == ("period", 0, 32)
    assert (details.bars, details.again, details.middle) == (8, 16, 16)
    assert (details.weak, details.close, str(details.key)) == ("half", "perfect authentic", "C")


def test_another_beginning_is_no_period():
    score, labels = period(OPEN, "C5:2 G4:2 | C5:2 E5:2 | F5:1 E5 D5 B4 | C5:4")
    assert not [e for e, _ in found(score, labels) if e.label == "period"]


def test_what_closes_both_times_alike_is_no_period():
    score = build(f"{CLOSED} | {CLOSED}", f"staff2 {LOW.format('C3')} | {LOW.format('C3')}")
    assert not [e for e, _ in found(score, f"C: {HALVES}I:4 {HALVES}I:4") if e.label == "period"]


def sentence_of(third: str) -> tuple[Score, str]:
    high = f"C5:1 E5 G5 E5 | D5:1 C5 D5:2 | D5:1 F5 A5 F5 | E5:1 D5 E5:2 | {third} | D5:4"
    low = "C3+E3+G3:4 | G3+B3+D4:4 | D3+F3+A3:4 | C3+E3+G3:4"
    low = f"staff2 {low} | F3+A3:2 D3+F3 | E3+G3:2 F3+A3 | G3+B3:2 D3+A3 | G3+B3:4"
    return build(high, low), "C: I:4 V:4 ii:4 I:4 IV:2 ii:2 I6:2 IV:2 V:2 ii:2 V:4"


def test_a_sentence_states_its_idea_twice_and_then_presses_on():
    score, labels = sentence_of("F5:1 A5 F5 D5 | E5:1 G5 F5 A5 | B4:1 D5 A5 F5")
    ((event, details),) = [pair for pair in found(score, labels) if pair[0].label == "sentence"]
    assert (event.start, event.end, details.how) == (0, 32, "moved")
    assert (details.again, details.second.name, details.middle) == (8, "D5", 16)
    assert "harmony" in (details.quickens or ())


def test_a_third_statement_makes_it_a_series():
    score, labels = sentence_of("E5:1 G5 B5 G5 | F5:1 E5 F5:2 | B4:1 D5 A5 F5")
    assert not [e for e, _ in found(score, labels) if e.label == "sentence"]


@pytest.mark.parametrize("language", ["en", "de", "fr"])
@pytest.mark.parametrize("level", ["beginner", "intermediate", "advanced"])
def test_what_is_told_is_true_and_a_changed_note_makes_it_false(language, level):
    score, labels = period(OPEN, CLOSED)
    spans = spans_of(score, labels)
    ((event, _),) = found(score, labels)
    reading = Reading(spans, find_events(score, spans))
    assert event in reading.events
    assert is_true(event, score, spans, [level], language)
    assert say(event, score, level, language)
    other, _ = period(OPEN, CLOSED.replace("A5:1 G5 E5:2", "F5:1 G5 E5:2", 1))
    assert not is_true(event, other, spans_of(other, labels), [level], language)


def test_the_linden_tree():
    """The second half of its first verse, bars 17 to 24 after an upbeat."""
    score = read_score(music21_score("schubert", "Lindenbaum.xml"))
    told = PHRASE_FORM.all(find_phrase_forms(score, read_trained(score, ()).spans))
    periods = [e for e, _ in told if e.label == "period"]
    bar = {m.number: m.start for m in score.measures}
    assert any(abs(e.start - bar["17"]) <= 1 and abs(e.end - bar["25"]) <= 1 for e in periods)
