"""Corrections: never overwritten, everything else found anew, and a file that loses nothing."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.harmony.small_scores import chords

from understave.errors import UnderstaveError
from understave.harmony.corrections import append, load, read_entries, withdraw
from understave.harmony.engine import read_harmony, settle
from understave.harmony.reading import Correction
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

SCORE = chords(
    "C3 G3 E4 C5 | F3 A3 D4 C5 | G2 F3 D4 B4 | C3 E3 C4 C5 | A2 A3 E4 C5 | D3 A3 F4 | G2 G3 B3 | C3 E4 G4"
)
NUMERALS = [
    "I", "i6", "ii65", "V7", "V65/V", "viio7", "viiø43", "N6", "Ger65", "It6", "Fr43", "Cad64", "bVI", "#iv",
    "V9", "V54", "viio7/V/V", "I+", "III", "bVII42", "V7[no5]", "vi[add9]", "#viio65",
    "bbVII", "IV64", "v", "V13",
]  # fmt: skip


def _parses(text: str) -> bool:
    try:
        RomanNumeral.parse(text).chord(Key.parse("C"))
    except ValueError:
        return False
    return True


numerals = st.sampled_from([RomanNumeral.parse(t) for t in NUMERALS if _parses(t)])
keys = st.builds(
    Key,
    st.builds(PitchClass, st.sampled_from("CDEFGAB"), st.integers(-2, 2)),
    st.sampled_from(["major", "minor"]),
)
beats = st.fractions(1, 4, max_denominator=3)


@st.composite
def corrections(draw: st.DrawFn) -> Correction:
    first = draw(st.integers(1, 4))
    last = draw(st.integers(first, 4))
    begin = draw(beats)
    end = draw(beats) if last > first else draw(st.fractions(begin, 5, max_denominator=4))
    if last == first and end <= begin:
        end = begin + 1
    key = draw(st.none() | keys)
    numeral = draw(numerals if key is None else st.none() | numerals)
    return Correction(str(first), begin, str(last), end, key, numeral)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(corrections(), min_size=1, max_size=4))
def test_a_correction_is_never_overwritten(given_corrections: list[Correction]) -> None:
    spans = read_harmony(SCORE, given_corrections).spans
    assert spans[0].start == 0
    assert spans[-1].end == SCORE.end
    assert all(a.end == b.start for a, b in pairwise(spans))
    settled: list[tuple[Fraction, Fraction]] = []
    for c in reversed(given_corrections):
        start = SCORE.time_of(c.measure, c.beat)
        end = min(SCORE.time_of(c.end_measure, c.end_beat), SCORE.end)
        for span in spans:
            middle = (span.start + span.end) / 2
            if not start <= middle < end or any(a <= middle < b for a, b in settled):
                continue
            assert span.start >= start
            assert span.end <= end
            assert c.key is None or span.key == c.key
            if c.numeral is not None:
                assert span.numeral == c.numeral
                assert span.fixed
        settled.append((start, end))


def test_the_rest_is_found_around_a_correction() -> None:
    plain = read_harmony(SCORE).spans
    fixed = Correction("3", Fraction(1), "3", Fraction(3), Key.parse("a"), RomanNumeral.parse("i"))
    spans = read_harmony(SCORE, [fixed]).spans
    there = [s for s in spans if s.fixed]
    assert [(s.start, s.end, s.key.symbol, str(s.numeral)) for s in there] == [(8, 10, "a", "i")]
    assert [(s.start, str(s.numeral)) for s in spans][:3] == [(s.start, str(s.numeral)) for s in plain][:3]


def test_a_key_alone_leaves_the_chords_free() -> None:
    spans = read_harmony(SCORE, [Correction("1", Fraction(1), "2", Fraction(5), Key.parse("F"), None)]).spans
    inside = [s for s in spans if s.end <= 8]
    assert {s.key.symbol for s in inside} == {"F"}
    assert str(inside[0].numeral) == "V"


def test_a_numeral_alone_leaves_the_key_free() -> None:
    spans = read_harmony(
        SCORE, [Correction("2", Fraction(1), "2", Fraction(3), None, RomanNumeral.parse("V7"))]
    ).spans
    (span,) = [s for s in spans if s.fixed]
    assert (span.key.symbol, str(span.numeral)) == ("C", "V7")


def test_later_corrections_win_and_the_rest_of_the_earlier_one_stays() -> None:
    first = Correction("1", Fraction(1), "2", Fraction(5), Key.parse("C"), RomanNumeral.parse("I"))
    second = Correction("1", Fraction(3), "2", Fraction(1), Key.parse("C"), RomanNumeral.parse("IV"))
    spans = [s for s in read_harmony(SCORE, [first, second]).spans if s.fixed]
    assert [(s.start, s.end, str(s.numeral)) for s in spans] == [(0, 2, "I"), (2, 4, "IV"), (4, 8, "I")]


def test_unknown_measure_and_empty_stretch_are_one_sentence() -> None:
    with pytest.raises(UnderstaveError, match="names measure 99"):
        read_harmony(SCORE, [Correction("99", Fraction(1), "99", Fraction(2), Key.parse("C"), None)])
    with pytest.raises(UnderstaveError, match="ends before it begins"):
        read_harmony(SCORE, [Correction("2", Fraction(3), "2", Fraction(1), Key.parse("C"), None)])


@settings(max_examples=40, deadline=None)
@given(st.lists(corrections(), max_size=6))
def test_what_is_appended_is_loaded(
    tmp_path_factory: pytest.TempPathFactory, given_corrections: list[Correction]
) -> None:
    path = tmp_path_factory.mktemp("lesson") / "corrections.jsonl"
    for c in given_corrections:
        append(path, c)
    assert load(path) == tuple(given_corrections)


def test_withdrawing_and_taking_that_back(tmp_path: Path) -> None:
    path = tmp_path / "corrections.jsonl"
    one = Correction("1", Fraction(1), "1", Fraction(3), Key.parse("C"), RomanNumeral.parse("I"))
    two = Correction("2", Fraction(3, 2), "2", Fraction(3), Key.parse("g"), None, "modulates early")
    a, b = append(path, one), append(path, two)
    gone = withdraw(path, a.id)
    assert load(path) == (two,)
    withdraw(path, gone.id)
    assert load(path) == (one, two)
    withdraw(path, b.id)
    assert load(path) == (one,)
    assert len(path.read_text().splitlines()) == 5
    with pytest.raises(UnderstaveError, match="no correction number 42"):
        withdraw(path, 42)


def test_no_file_means_no_corrections(tmp_path: Path) -> None:
    assert load(tmp_path / "corrections.jsonl") == ()


def test_a_line_cut_short_anywhere_loses_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "corrections.jsonl"
    one = Correction("1", Fraction(1), "1", Fraction(3), Key.parse("C"), RomanNumeral.parse("I"))
    two = Correction("2", Fraction(1), "2", Fraction(3), Key.parse("g"), RomanNumeral.parse("viiø7"), "é")
    append(path, one)
    whole_first = path.read_bytes()
    append(path, two)
    whole = path.read_bytes()
    for cut in range(len(whole_first), len(whole) + 1):
        path.write_bytes(whole[:cut])
        assert load(path) == ((one, two) if cut >= len(whole) - 1 else (one,))
        append(path, two)
        assert load(path)[0] == one
        assert load(path)[-1] == two


def test_a_line_that_is_no_correction_is_named(tmp_path: Path) -> None:
    path = tmp_path / "corrections.jsonl"
    path.write_text(json.dumps({"id": 1, "measure": "1"}) + "\n")
    with pytest.raises(UnderstaveError, match=r"Line 1 of corrections\.jsonl"):
        read_entries(path)


@pytest.mark.parametrize(
    "beat", ['"1e9999999"', '"1/0"', '"inf"', "Infinity", "NaN", '"9999999999999"', '"1_0"']
)
def test_absurd_numbers_in_the_file_are_named_at_once(tmp_path: Path, beat: str) -> None:
    path = tmp_path / "corrections.jsonl"
    line = '{"id": 1, "measure": "1", "beat": BEAT, "end_measure": "2", "end_beat": "1", "numeral": "V"}'
    path.write_text(line.replace("BEAT", beat) + "\n", encoding="utf-8")
    with pytest.raises(UnderstaveError, match=r"Line 1 of corrections.jsonl"):
        read_entries(path)


@pytest.mark.parametrize(
    "line", ['{"id": Infinity}', '{"id": 1, "withdraw": Infinity}', "[" * 100_000 + "]" * 100_000]
)
def test_lines_that_python_reads_and_json_has_not(tmp_path: Path, line: str) -> None:
    path = tmp_path / "corrections.jsonl"
    path.write_text(line + "\n", encoding="utf-8")
    with pytest.raises(UnderstaveError, match=r"Line 1 of corrections.jsonl"):
        read_entries(path)


# A minuet and its trio in one file: bars 1 and 2 come twice.
TWICE = replace(SCORE, measures=tuple(replace(m, number=str(m.index % 2 + 1)) for m in SCORE.measures))


@pytest.mark.parametrize(
    ("start", "end", "lasts"),
    [
        # As in files written before numbers could say which: the first bar, up to the next of the number.
        (("1", 1), ("2", 1), (0, 4)),
        (("2", 1), ("1", 1), (4, 8)),
        (("2", 3), ("2", 1), (6, 12)),
        # From the last bar whose number comes for the first time, as the desk wrote then.
        (("2", 5), ("2", 7), (8, 10)),
        (("1#1", 1), ("2#1", 1), (0, 4)),
        (("1#2", 1), ("2#2", 1), (8, 12)),
        (("1#1", 3), ("1#2", 1), (2, 8)),
        (("2#2", 1), ("2#2", 5), (12, 16)),
    ],
)
def test_where_bar_numbers_start_again_a_correction_holds_where_it_was_meant(start, end, lasts) -> None:
    c = Correction(start[0], Fraction(start[1]), end[0], Fraction(end[1]), Key.parse("a"), None)
    assert [(f.start, f.end) for f in settle(TWICE, [c])] == [lasts]


@given(st.fractions(0, 16, max_denominator=8))
def test_every_moment_has_an_anchor_that_finds_it_again(moment: Fraction) -> None:
    for score in (SCORE, TWICE):
        name, beat = score.anchor(moment)
        assert score.time_of(name, beat) == moment
        assert ("#" in name) == (score is TWICE)


def test_the_halves_of_a_split_bar_are_one_bar_and_a_printed_number_is_itself_first() -> None:
    first, second, *rest = SCORE.measures
    split = (
        replace(first, length=Fraction(2)),
        replace(first, id="half", index=1, start=Fraction(2), length=Fraction(2), offset=Fraction(2)),
        replace(second, index=2, number="1#1"),
        *(replace(m, index=m.index + 1) for m in rest),
    )
    score = replace(SCORE, measures=split)
    assert score.anchor(Fraction(3)) == ("1", 4)
    assert score.time_of("1#1", Fraction(1)) == 4
    assert score.bars_called("1#2") == score.bars_called("9") == score.bars_called("1#0") == ()
