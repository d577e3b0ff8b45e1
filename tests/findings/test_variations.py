"""Variations against their theme, on a theme of ours and on a movement by Haydn.

What each variation of ours keeps and changes is so by construction. The slow movement of Haydn's quartet
op. 20 no. 4 is a theme of 18 bars with variations, the last of which begins as the theme does (common
practice of programme notes, no source).
"""

from __future__ import annotations

from fractions import Fraction
from functools import cache

import pytest
from build import build, spans_of

from understave.findings import find_events, read
from understave.findings.variations import VARIATION, VariationDetails, find_variations
from understave.harmony.reading import Event, Reading, Span
from understave.score.model import Direction, Score
from understave.teaching.narrative import narrate
from understave.wording.claiming import is_true
from understave.wording.phrasebook import SPOKEN, phrasebook
from understave.wording.sentences import say

THEME = "E5:2 G5 | F5:2 D5 | D5:2 F5 | E5:4 | A5:2 F5 | G5:2 E5 | F5:2 D5 | C5:4"
LOW = "C3+G3:4 | D3+A3:4 | G2+B3:4 | C3+G3:4 | F3+C4:4 | C3+G3:4 | G2+B3:4 | C3+E3:4"
CHORDS = "C: I:4 ii:4 V7:4 I:4 IV:4 I:4 V7:4 I:4 "
FIGURED = (
    "E5:1 D5 G5 A5 | F5:1 E5 D5 C5 | D5:1 E5 F5 G5 | E5:1 F5 E5:2 | "
    "A5:1 G5 F5 E5 | G5:1 F5 E5 D5 | F5:1 E5 D5 B4 | C5:1 D5 C5:2"
)
"""The tune on its beats, with notes between them."""
OTHER = "C5:4 | A4:4 | B4:4 | G4:4 | C5:4 | C5:4 | B4:4 | G4:4"
"""Another tune over the same chords."""
MINOR = "Eb5:2 G5 | F5:2 D5 | D5:2 F5 | Eb5:4 | Ab5:2 F5 | G5:2 Eb5 | F5:2 D5 | C5:4"
MINOR_LOW = "C3+G3:4 | D3+Ab3:4 | G2+B3:4 | C3+G3:4 | F3+C4:4 | C3+G3:4 | G2+B3:4 | C3+Eb3:4"
MINOR_CHORDS = "c: i:4 iio:4 V7:4 i:4 iv:4 i:4 V7:4 i:4 "
FAR = "B5:2 A5 | G#5:2 E5 | C#6:2 B5 | A5:4 | B5:2 G#5 | F#5:2 A5 | E5:2 G#5 | A5:4"
FAR_LOW = "E3+B3:4 | E3+G#3:4 | A2+E3:4 | A2+C#4:4 | E3+B3:4 | F#2+C#3:4 | E2+B3:4 | A2+E3:4"
FAR_CHORDS = "A: V:4 V:4 I:4 I:4 V:4 vi:4 V:4 I:4"


def heading(text: str, bar: int) -> Direction:
    return Direction(f"d{bar}", "words", Fraction(4 * bar), None, 1, text)


@cache
def our_set(printed: bool = True, third: str = OTHER) -> tuple[Score, tuple[Span, ...]]:
    score = build(
        " | ".join((THEME, FIGURED, third, MINOR, FAR)),
        "staff2 " + " | ".join((LOW, LOW, LOW, MINOR_LOW, FAR_LOW)),
        directions=tuple(heading(f"Variation {n}", 8 * k) for k, n in enumerate(("I", "II", "III", "IV"), 1))
        if printed
        else (),
    )
    return score, spans_of(score, 3 * CHORDS + MINOR_CHORDS + FAR_CHORDS)


def found(score: Score, spans: tuple[Span, ...]) -> list[tuple[Event, VariationDetails]]:
    return VARIATION.all(find_variations(score, spans))


def test_each_variation_is_compared_with_its_theme():
    first, second, third, fourth = found(*our_set())
    assert [event.label for event, _ in (first, second, third, fourth)] == [
        "tune kept",
        "harmony kept",
        "tune kept",
        "free",
    ]
    assert first[1].stays == ("tune", "harmony", "bass", "length")
    assert first[1].varies == ("faster",)
    assert second[1].stays == ("harmony", "bass", "length")
    assert second[1].varies == ("slower",)
    assert third[1].varies == ("minor",)
    assert (third[1].harmony, third[1].tune, third[1].compared) == (8, 8, 8)
    assert fourth[1].stays == ("length",)
    assert (first[0].start, first[0].end, first[1].heading) == (32, 64, "Variation I")


def test_bar_by_bar():
    """One bar of the second variation gets the theme's tune back: that bar, and no other, keeps it."""
    score, spans = our_set(third=OTHER.replace("A4:4", "F5:2 D5", 1))
    (_, details) = found(score, spans)[1]
    kept = [how for _, _, how in details.pairs]
    assert kept == ["harmony bass", "harmony bass tune", *["harmony bass"] * 6]
    assert [new for _, new, _ in details.pairs] == [64 + 4 * k for k in range(8)]


def test_the_tune_is_found_in_the_bass():
    score = build(
        f"{THEME} | E5:4 | A5:4 | G5:4 | G5:4 | C6:4 | E5:4 | G5:4 | G5:4 | {FIGURED}",
        f"staff2 {LOW} | E3:2 G3 | F3:2 D3 | D3:2 F3 | E3:4 | A3:2 F3 | G3:2 E3 | F3:2 D3 | C3:4 | {LOW}",
        directions=(heading("Var. 1", 8), heading("Var. 2", 16)),
    )
    event, details = found(score, spans_of(score, 3 * CHORDS))[0]
    assert event.label == "tune kept"
    assert "tune in the bass" in (details.varies or ())


def test_without_headings_three_stretches_on_the_same_chords_are_enough():
    score, spans = our_set(printed=False)
    told = [(event.start, event.label) for event, _ in found(score, spans)]
    # The last goes over other chords.
    assert told == [(32, "tune kept"), (64, "harmony kept"), (96, "tune kept")]


def test_a_repeat_is_no_variation_and_a_song_has_verses():
    score = build(" | ".join([THEME] * 4), "staff2 " + " | ".join([LOW] * 4))
    assert not found(score, spans_of(score, 4 * CHORDS))
    assert not found(*our_set(printed=False)[:1], our_set(printed=False)[1][:8])


@pytest.mark.parametrize("language", ["en", "de", "fr"])
@pytest.mark.parametrize("level", ["beginner", "intermediate", "advanced"])
def test_what_is_told_is_true_and_other_notes_make_it_false(language, level):
    score, spans = our_set()
    reading = Reading(spans, find_events(score, spans))
    told = [event for event, _ in VARIATION.all(reading.events)]
    assert len(told) == 4
    for event in told:
        assert is_true(event, score, spans, [level], language)
        assert say(event, score, level, language)
    # Where the first variation has the second's notes, its tune is told no longer.
    other, chords = (
        build(
            " | ".join((THEME, OTHER, OTHER, MINOR, FAR)),
            "staff2 " + " | ".join((LOW, LOW, LOW, MINOR_LOW, FAR_LOW)),
        ),
        spans,
    )
    assert not is_true(told[0], other, chords, [level], language)


@pytest.mark.corpus
def test_haydn():
    from benchmarks import corpora

    from understave.score.reader import read_score

    try:
        file = corpora.data_folder() / "harmony/dev/quartets/haydn-franz-joseph-op20-no4-2/score.krn"
    except corpora.NoDataError as error:
        pytest.skip(str(error))
    if not file.exists():
        pytest.skip(f"{file.parent.name} is not here: see the data's own list")
    score = read_score(file)
    told = found(score, read(score).spans)
    assert [(score.measure_at(e.start).number, d.bars) for e, d in told] == [
        ("19", 18),
        ("37", 18),
        ("55", 18),
        ("73", 18),
    ]
    assert told[-1][1].stays == ("tune", "harmony", "bass", "length")


@pytest.mark.parametrize("language", SPOKEN)
def test_every_variation_is_told_of_by_its_number_before_all_else(language):
    score, spans = our_set()
    reading = Reading(spans, find_events(score, spans))
    numbers = phrasebook(language).told["when"]["variation"]
    told = " ".join(c.text for c in narrate(score, reading, "five", language=language))
    assert [words in told for words in numbers[:4]] == [True] * 4
    minute = " ".join(c.text for c in narrate(score, reading, "minute", language=language))
    assert sum(words in minute for words in numbers) == 3
