"""Worked examples of phrases: what ends them, and what does not.

Facts from Hutchinson, *Music Theory for the 21st-Century Classroom*, chapter on phrases in combination
(number 13, from memory: a phrase ends with a cadence, an antecedent with a weaker one than its
consequent), and common practice where marked; the music is ours.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from tests.findings.build import build, spans_of

from understave.findings.closes import find_closes
from understave.findings.endings import find_places, melody_of
from understave.findings.phrases import find_phrases, length_scores, segment
from understave.harmony.engine import read_harmony
from understave.harmony.reading import Event
from understave.score.model import Score


def ends(events: tuple[Event, ...]) -> list[Fraction]:
    return [e.end for e in events]


def marked(score: Score, note: str, **marks: object) -> Score:
    """Return the score with marks (fermata, lyrics, articulations) set on one note."""
    notes = tuple(replace(n, **marks) if n.id == note else n for n in score.notes)
    return replace(score, notes=notes)


PERIOD = build(
    "C5:1 D5 E5 C5 | F5 E5 D5 C5 | E5 D5 C5 A4 | B4:4 | C5:1 D5 E5 C5 | F5 E5 D5 C5 | E5 F5 D5 B4 | C5:4",
    "E4:4 | A4:4 | G4:2 F4:2 | D4:4 | E4:4 | A4:4 | G4:2 F4:2 | E4:4",
    "C3:4 | F3:4 | C3:2 F3:2 | G3:4 | C3:4 | F3:4 | C3:2 G3:2 | C3:4",
)
PERIOD_SPANS = "C: I:4 | IV:4 | I:2 IV:2 | V:4 | I:4 | IV:4 | I:2 V7:2 | I:4"

# Two phrases of two bars, each from upbeat to upbeat; the melody never pauses.
UPBEAT = build(
    "G4:1 | C5 B4 C5 D5 | E5 D5 C5 G4 | A4 B4 C5 D5 | C5 B4 C5",
    "E4:1 | E4 G4 E4 G4 | G4 F4 E4 E4 | F4 F4 E4 A4 | G4 F4 E4",
    "C3:1 | C3 D3 E3 B2 | C3 G3 C3 C3 | F3 D3 A3 F3 | G3 G3 C3",
    pickup=1,
)
UPBEAT_SPANS = "C: I:1 | I:1 V64:1 I6:1 V6:1 | I:1 V7:1 I:1 I:1 | IV:1 viio6:1 vi:1 ii6:1 | Cad64:1 V7:1 I:1"


class TestPhrases:
    def test_a_question_and_its_answer(self) -> None:
        first, second = find_phrases(PERIOD, spans_of(PERIOD, PERIOD_SPANS))
        assert (first.start, first.end) == (0, 16)
        assert (second.start, second.end) == (16, 32)
        assert (first.get("number"), second.get("number")) == (1, 2)
        assert first.get("bars") == 4
        assert {"half close", "long note", "the opening returns"} <= set(first.get("reasons"))  # type: ignore[arg-type]
        assert first.get("arrival") == 12
        assert second.get("reasons") == ("end of the piece",)
        assert second.confidence == 1

    def test_the_reader_of_harmony_gives_the_same_phrases(self) -> None:
        assert ends(find_phrases(PERIOD, read_harmony(PERIOD).spans)) == [16, 32]

    @pytest.mark.parametrize("meter", ["2/4", "3/4", "6/8"])
    def test_in_other_meters(self, meter: str) -> None:
        length = 2 if meter == "2/4" else 3
        run = "C5:1 E5" if length == 2 else "C5:1 E5 G5"
        high = "F5:1 A5" if length == 2 else "F5:1 A5 C6"
        last = f"G5:{length}"
        home = f"C5:{length}"
        fall = "E5:1 D5" if length == 2 else "E5:1 D5 B4"
        melody = f"{run} | {high} | {run} | {last} | {run} | {high} | {fall} | {home}"
        roots = ("C3", "F3", "C3", "G3", "C3", "F3", "G3", "C3")
        bass = "staff2 " + " | ".join(f"{root}:{length}" for root in roots)
        score = build(melody, bass, meter=meter)
        numerals = ("I", "IV", "I", "V", "I", "IV", "V", "I")
        spans = spans_of(score, "C: " + " | ".join(f"{n}:{length}" for n in numerals))
        assert ends(find_phrases(score, spans)) == [4 * length, 8 * length]

    def test_phrases_lie_end_to_end(self) -> None:
        events = find_phrases(PERIOD, spans_of(PERIOD, PERIOD_SPANS))
        assert [e.start for e in events[1:]] == ends(events)[:-1]
        assert events[-1].end == PERIOD.end

    def test_a_fermata_ends_a_phrase_before_its_bar_does(self) -> None:
        # Common practice in chorales, no source: the fermata stands over the last chord of a line.
        score = marked(UPBEAT, "v1n8", fermata=True)
        score = marked(score, "v1n15", fermata=True)
        first, _ = find_phrases(score, spans_of(score, UPBEAT_SPANS))
        assert first.end == 8
        assert first.get("reasons")[0] == "fermata"  # type: ignore[index]
        assert first.get("upbeat") == 1
        assert first.confidence > 0.9

    def test_a_line_of_text_ends_a_phrase_and_a_word_is_not_cut(self) -> None:
        text = "Still, wa-ter, rise and lift the gate, now the ri-ver turns the wheel a-gain"
        syllables = [s for word in text.split() for s in _syllables(word)]
        score = UPBEAT
        for k, syllable in enumerate(syllables[:16], start=1):
            score = marked(score, f"v1n{k}", lyrics=(syllable,))
        spans = spans_of(score, UPBEAT_SPANS)
        melody = melody_of(score)
        places = {p.time: p for p in find_places(score, find_closes(spans), melody)}
        assert places[Fraction(8)].get("line of text") > 0
        assert places[Fraction(2)].get("inside word") == 1
        assert places[Fraction(4)].get("inside word") == 0
        assert find_phrases(score, spans)[0].end == 8

    def test_running_notes_without_a_cadence_are_one_phrase(self) -> None:
        run = " | ".join(["C5:1/2 D5 E5 F5 G5 F5 E5 D5"] * 4)
        score = build(run, "staff2 C3:16")
        assert ends(find_phrases(score, spans_of(score, "C: I:16"))) == [16]

    def test_a_close_whose_dominant_belongs_to_the_phrase_before_ends_nothing(self) -> None:
        # After the half cadence the tonic only begins the answer: its second bar is no second ending.
        events = find_phrases(PERIOD, spans_of(PERIOD, PERIOD_SPANS))
        assert 20 not in ends(events)

    def test_rest_and_end_of_slur_are_named(self) -> None:
        score = build(
            "C5:1 D5 E5 F5 | E5:1 D5 C5 r | E5:1 F5 G5 A5 | G5:1 F5 D5 B4 | C5:4",
            "C3:4 | F3:2 C3:2 | C3:4 | G3:4 | C3:4",
        )
        score = marked(score, "v1n1", articulations=("slur-start",))
        score = marked(score, "v1n7", articulations=("slur-stop",))
        spans = spans_of(score, "C: I:4 | IV:2 I:2 | I:4 | V7:4 | I:4")
        first = find_phrases(score, spans)[0]
        assert first.end == 8
        assert {"rest", "end of a slur"} <= set(first.get("reasons"))  # type: ignore[arg-type]
        assert first.get("rest") == 1

    def test_a_last_chord_held_over_the_bar_is_not_cut(self) -> None:
        score = build("E5:2 D5:2 | C5:8 |", "G4:2 F4:2 | E4:8 |", "C3:2 G3:2 | C3:8 |")
        assert ends(find_phrases(score, spans_of(score, "C: I:2 V7:2 | I:8"))) == [12]

    def test_nothing_sounding_gives_no_phrase(self) -> None:
        assert find_phrases(replace(PERIOD, notes=()), ()) == ()

    def test_without_labels_the_melody_alone_decides(self) -> None:
        assert ends(find_phrases(PERIOD, ()))[-1] == 32


def _syllables(word: str) -> list[str]:
    parts = word.split("-")
    return [p + "-" for p in parts[:-1]] + parts[-1:]


class TestMelody:
    def test_the_sung_line_is_the_melody_and_the_piano_plays_on_in_its_rests(self) -> None:
        score = build("C5:2 D5:2 | r:4 | E5:4", "staff2 G5:4 | A5:2 B5:2 | C6:4", "staff3 C3:4 | F3:4 | C3:4")
        score = marked(score, "v1n1", lyrics=("la",))
        score = marked(score, "v1n2", lyrics=("la",))
        assert [n.id for n in melody_of(score)] == ["v1n1", "v1n2", "v2n2", "v2n3", "v1n3"]

    def test_a_note_under_a_held_one_is_accompaniment(self) -> None:
        score = build("C5:4 | D5:4", "staff1 E4:1 G4 E4 G4 | F4 G4 F4 G4", "staff2 C3:4 | G3:4")
        assert [n.id for n in melody_of(score)] == ["v1n1", "v1n2"]


class TestLengths:
    def test_four_and_eight_bars_are_most_welcome(self) -> None:
        import numpy as np

        bars = np.array([1.0, 3.0, 4.0, 5.0, 8.0, 11.0, 16.0])
        scores = dict(zip(bars.tolist(), length_scores(bars, 3.0).tolist(), strict=True))
        assert scores[4.0] == 0
        assert (
            scores[4.0]
            > scores[8.0]
            > scores[5.0]
            >= scores[3.0]
            > scores[11.0]
            > scores[16.0]
            > scores[1.0] - 1
        )

    def test_shares_of_belief_are_shares(self) -> None:
        spans = spans_of(PERIOD, PERIOD_SPANS)
        places = find_places(PERIOD, find_closes(spans), melody_of(PERIOD))
        ((index, share),) = segment(places, 8.0, 4.0)
        assert places[index].time == 16
        assert 0.5 < share <= 1


def test_a_dotted_upbeat_begins_the_next_phrase():
    """The sixteenth of a dotted figure leads on to the downbeat: no phrase ends between the two."""
    up = "G4:3/4 A4:1/4"
    half = f"C5:1 B4 A4 G4 | F4:1 E4 D4 {up} | C5:1 D5 E5 D5"
    tune = f"r:3 {up} | {half} | C5:3 {up} | {half} | C5:4"
    low = "C3+E3:4 | F3+A3:3 G3+B3:1 | C3+E3:2 G3+B3:2 | C3+E3:4"
    score = build(tune, f"r:4 | {low} | {low}")
    spans = spans_of(score, "C: I:8 IV:3 V:1 I:2 V:2 I:4 I:4 IV:3 V:1 I:2 V:2 I:4")
    ends = {e.end for e in find_phrases(score, spans)}
    assert 19 in ends
    assert ends.isdisjoint({4, 12, 20, 28})
    places = {p.time: p for p in find_places(score, find_closes(spans), melody_of(score))}
    assert [places[Fraction(t)].get("dotted before") for t in (19, 20, 28, 32)] == [0.0, 1.0, 1.0, 0.0]
