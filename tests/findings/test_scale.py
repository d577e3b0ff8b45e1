"""What is found in a piece twice as long costs twice as much: counted, not timed, so that no machine decides.

Operations are calls of functions, Python's and those in C (`sys.setprofile`); memory is the most that is held
at once (`tracemalloc`). The goal, an exponent of 1.1 at most over the length, is our own.
"""

from __future__ import annotations

import fractions
import sys
import tracemalloc
from dataclasses import replace
from math import log
from pathlib import Path
from types import FrameType

import pytest
from tests.once import EXAMPLES, opening, read, read_score

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchmarks.scale import exponent, in_parts, repeated

from understave.findings import find_events
from understave.harmony.reading import Span
from understave.score.model import Score

SOURCE = EXAMPLES / "lock-water" / "score.musicxml"
BARS = 24
"""Of the example, to be repeated."""
TIMES = (2, 4)
MOST = 1.1
FRACTIONS = 580
"""Calls for a note that work on exact fractions."""


def long_pieces(folder: Path) -> list[tuple[Score, tuple[Span, ...]]]:
    """The beginning of the example, so many times end to end, with what was read of it as often."""
    source = opening(BARS)
    score = read_score(source)
    spans = read(score).spans
    result = []
    for times in TIMES:
        repeated(source, times, folder / f"{times}.musicxml")
        again = [
            replace(s, start=s.start + turn * score.end, end=s.end + turn * score.end)
            for turn in range(times)
            for s in spans
        ]
        result.append((read_score(folder / f"{times}.musicxml"), tuple(again)))
    return result


def calls(score: Score, spans: tuple[Span, ...]) -> tuple[int, int]:
    """Count the calls of functions, and those among them that work on exact fractions."""
    count = exact = 0

    def called(frame: FrameType, event: str, argument: object) -> None:
        nonlocal count, exact
        count += event in ("call", "c_call")
        exact += event == "call" and frame.f_code.co_filename == fractions.__file__

    sys.setprofile(called)
    try:
        find_events(score, spans)
    finally:
        sys.setprofile(None)
    return count, exact


def held(score: Score, spans: tuple[Span, ...]) -> int:
    tracemalloc.start()
    try:
        find_events(score, spans)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_events_cost_in_proportion_to_the_length(tmp_path: Path) -> None:
    pieces = long_pieces(tmp_path)
    # Once beforehand, so that what is loaded once is not counted.
    find_events(*pieces[0])
    (short, (small, _)), (long, (large, exact)) = ((s, calls(s, spans)) for s, spans in long_pieces(tmp_path))
    assert len(long.notes) == 2 * len(short.notes)
    assert log(large / small, 2) <= MOST, (small, large)
    # They take as long as ten other calls each; floats or bisection do for most comparisons.
    assert exact <= FRACTIONS * len(long.notes), exact / len(long.notes)


def test_events_of_a_repeated_piece_hold_no_likeness_twice(tmp_path: Path) -> None:
    """By seven steps two bytes for any two bars, whence a return came; how alike they are stands once for
    bars that hold the same; all else grows with the bars.
    """
    find_events(*long_pieces(tmp_path)[0])
    score, spans = long_pieces(tmp_path)[-1]
    bars = len(score.measures)
    assert held(score, spans) <= 2 * 7 * bars**2 + 17_000 * bars


def test_a_score_in_more_parts_holds_as_many_times_the_notes(tmp_path: Path) -> None:
    in_parts(SOURCE, 3, tmp_path / "parts.musicxml")
    score, thick = read_score(SOURCE), read_score(tmp_path / "parts.musicxml")
    assert len(thick.notes) == 3 * len(score.notes)
    assert thick.end == score.end


def test_the_exponent_of_a_power_is_found() -> None:
    sizes = [10.0, 20.0, 40.0, 80.0]
    assert exponent(sizes, [3 * size**1.5 for size in sizes]) == pytest.approx(1.5)
