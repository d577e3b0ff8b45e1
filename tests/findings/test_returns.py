"""Worked examples of passages that come back: literally, varied, moved, cut short, with bars put in.

What counts as a return and as a varied one follows *Open Music Theory*, "Introduction to Form" and
"Phrase-level forms" (from memory); alignment with gaps is Smith and Waterman's (1981). The music is ours.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from tests.findings.build import build, spans_of
from tests.findings.pieces import bar, example, last_bar
from tests.once import read

from understave.findings.movements import movement_numbers, movements_of
from understave.findings.returns import (
    BOTH_VARIED,
    _alignments,
    _contents,
    _in_one_movement,
    _parting,
    _semitones,
    find_returns,
    passages_of,
    similarity,
)
from understave.harmony.reading import Event
from understave.score.model import Score
from understave.theory.key import Key
from understave.wording import say

# A tune of four bars with its bass, and four bars that have nothing to do with it.
TUNE = ["E5:2 D5:1 C5:1", "D5:1 G5:2 F5:1", "E5:1 A5:1 G5:2", "F5:1 D5:1 C5:2"]
BASS = ["C3:4", "B2:4", "C3:2 E3:2", "G2:2 C3:2"]
OTHER = ["A4:1/2 B4 C5 A4 B4:2", "G#4:1/2 A4 B4 G#4 E4:2", "F4:3/2 C5:1/2 A4:2", "B4:3 E5:1"]
LOW = ["A2:1 E3 A3 E3", "E2:1 B2 E3 B2", "F2:1 C3 F3 C3", "E2:1 B2 G#3 B2"]


def piece(tune: list[str], bass: list[str]) -> Score:
    return build(" | ".join(tune), " | ".join(bass))


def returns(score: Score, spans: str | None = None) -> list[Event]:
    given = spans_of(score, spans or f"C: I:{score.end}")
    return [e for e in find_returns(score, given) if e.kind == "return"]


def differences(score: Score, spans: str | None = None) -> list[tuple[str, int, int]]:
    """Return label, first and last bar of every difference."""
    given = spans_of(score, spans or f"C: I:{score.end}")
    return [
        (e.label, bar(score, e.start), last_bar(score, e.end))
        for e in find_returns(score, given)
        if e.kind == "difference"
    ]


class TestKinds:
    def test_literal(self) -> None:
        score = piece(TUNE + OTHER + TUNE, BASS + LOW + BASS)
        (event,) = returns(score)
        assert (event.label, event.start, event.end) == ("literal", 32, 48)
        assert (event.get("from_start"), event.get("from_end")) == (0, 16)
        assert event.get("first_difference") is None
        pairs = event.get("pairs")
        assert isinstance(pairs, tuple)
        assert pairs[0] == (Fraction(0), Fraction(32), "same")
        assert len(pairs) == 4

    def test_adorned_melody(self) -> None:
        adorned = ["E5:2 D5:1 C5:1", "D5:1 G5:1/2 A5 G5:1 F5:1", *TUNE[2:]]
        score = piece(TUNE + OTHER + adorned, BASS + LOW + BASS)
        (event,) = returns(score)
        assert event.label == "varied"
        assert bar(score, event.get("first_difference")) == 10
        assert differences(score) == [("melody varied", 10, 10)]

    def test_new_accompaniment(self) -> None:
        broken = ["C3:1 G3 C3 G3", "B2:1 F3 B2 F3", "C3:1 G3 E3 G3", "G2:1 F3 C3 E3"]
        score = piece(TUNE + OTHER + TUNE, BASS + LOW + broken)
        (event,) = returns(score)
        assert event.label == "varied"
        assert differences(score) == [("accompaniment varied", 9, 12)]

    def test_other_key(self) -> None:
        up = ["B5:2 A5:1 G5:1", "A5:1 D6:2 C6:1", "B5:1 E6:1 D6:2", "C6:1 A5:1 G5:2"]
        low = ["G3:4", "F#3:4", "G3:2 B3:2", "D3:2 G3:2"]
        score = piece(TUNE + OTHER + up, BASS + LOW + low)
        (event,) = returns(score, "C: I:16 a: i:16 G: I:16")
        assert event.label == "in another key"
        assert (event.get("from_key"), event.get("key")) == (Key.parse("C"), Key.parse("G"))
        assert (event.get("steps"), event.get("semitones")) == (4, 7)
        assert event.get("first_difference") is None

    def test_keys_that_lie_otherwise_than_the_notes_are_not_told(self) -> None:
        """The tune comes back a fifth higher; a label that says D minor there is no key of that return."""
        up = ["B5:2 A5:1 G5:1", "A5:1 D6:2 C6:1", "B5:1 E6:1 D6:2", "C6:1 A5:1 G5:2"]
        low = ["G3:4", "F#3:4", "G3:2 B3:2", "D3:2 G3:2"]
        score = piece(TUNE + OTHER + up, BASS + LOW + low)
        (event,) = returns(score, "C: I:16 a: i:16 d: iv:16")
        assert (event.label, event.get("semitones")) == ("in another key", 7)
        assert (event.get("from_key"), event.get("key")) == (None, None)
        assert "at another height" in say(event, score)

    @pytest.mark.parametrize(("steps", "semitones"), [(0, 0), (2, 3), (5, 9)])
    def test_only_notes_that_are_moved_by_the_steps_say_by_how_many_semitones(
        self, steps: int, semitones: int
    ) -> None:
        """C and A go a major sixth up, D goes a minor third up, and E stays."""
        old, new = "C4:1 D4 A4 E4", "A4:1 F4 F#5 E4"
        score = build(f"{old} | {new}")
        bars = _contents(score, spans_of(score, "C: I:8"))
        assert _semitones([(0, 1)], bars, steps) == semitones

    def test_other_mode(self) -> None:
        minor = ["Eb5:2 D5:1 C5:1", "D5:1 G5:2 F5:1", "Eb5:1 Ab5:1 G5:2", "F5:1 D5:1 C5:2"]
        low = ["C3:4", "B2:4", "C3:2 Eb3:2", "G2:2 C3:2"]
        score = piece(TUNE + OTHER + minor, BASS + LOW + low)
        (event,) = returns(score, "C: I:16 a: i:16 c: i:16")
        assert event.label == "in the other mode"
        assert event.get("first_difference") is None

    def test_an_octave_lower_is_the_same_key(self) -> None:
        down = [b.replace("5", "4") for b in TUNE]
        score = piece(TUNE + OTHER + down, BASS + LOW + BASS)
        (event,) = returns(score)
        assert (event.label, event.get("semitones")) == ("varied", 0)

    def test_a_note_left_out_is_a_change(self) -> None:
        """What is called unchanged has every note, those doubled in the octave among them."""
        doubled = [BASS[0].replace("C3", "C2+C3"), *BASS[1:]]
        assert doubled != BASS
        (event,) = returns(piece(TUNE + OTHER + TUNE, doubled + LOW + BASS))
        assert event.label == "varied"


class TestContinuation:
    def test_goes_on_differently(self) -> None:
        score = piece([*TUNE, *OTHER, *TUNE[:3], *OTHER[2:]], [*BASS, *LOW, *BASS[:3], *LOW[2:]])
        event = returns(score)[0]
        assert (bar(score, event.start), last_bar(score, event.end)) == (9, 11)
        assert bar(score, event.get("leaves")) == 12
        assert bar(score, event.get("from_leaves")) == 4
        assert ("different continuation", 12, 12) in differences(score)

    @pytest.mark.parametrize(("varied", "leaves", "left"), [(0, 5, 13), (1, 5, 13), (2, 3, 11), (3, 2, 10)])
    def test_bars_varied_throughout_at_the_end_already_go_another_way(
        self, varied: int, leaves: int, left: int
    ) -> None:
        score = piece([*TUNE, *OTHER, *TUNE], [*BASS, *LOW, *BASS])
        passage = passages_of(score, spans_of(score, f"C: I:{score.end}"))[0]
        assert (passage.old, passage.new) == ((0, 3), (8, 11))
        kept = passage.pairs[: len(passage.pairs) - varied]
        other = [replace(p, how=BOTH_VARIED) for p in passage.pairs[len(kept) :]]
        # The bars after the last common one, counted from 1.
        last, on = _parting(replace(passage, pairs=(*kept, *other)))
        assert (last + 2, on + 1) == (leaves, left)

    def test_a_bar_put_in(self) -> None:
        score = piece(
            [*TUNE, *TUNE[1:3], *OTHER, *TUNE[:2], "Bb4:3 Ab4:1", *TUNE[2:], *TUNE[1:3]],
            [*BASS, *BASS[1:3], *LOW, *BASS[:2], "Db3:4", *BASS[2:], *BASS[1:3]],
        )
        assert ("put in", 13, 13) in differences(score)

    def test_a_bar_left_out(self) -> None:
        score = piece(
            [*TUNE, *TUNE[1:3], *OTHER, *TUNE[:2], *TUNE[3:], *TUNE[1:3]],
            [*BASS, *BASS[1:3], *LOW, *BASS[:2], *BASS[3:], *BASS[1:3]],
        )
        assert "left out" in [label for label, _, _ in differences(score)]


class TestNone:
    def test_nothing_comes_back(self) -> None:
        assert returns(piece(TUNE + OTHER, BASS + LOW)) == []

    def test_a_pattern_alone_is_no_return(self) -> None:
        score = piece(
            TUNE[:2] + OTHER + ["C5:4", "E4:1 F4 G#4 A4", "B4:2 r:2", "Eb5:4"],
            ["C3:1/2 G3 E3 G3 C3 G3 E3 G3"] * 10,
        )
        assert returns(score) == []

    def test_a_sequence_is_no_return(self) -> None:
        model = ["G5:1 E5 F5 G5", "A5:2 F5:2"]
        down = ["F5:1 D5 E5 F5", "G5:2 E5:2"]
        more = ["E5:1 C5 D5 E5", "F5:2 D5:2"]
        score = piece(model + down + more, ["C3:4", "F3:4", "B2:4", "E3:4", "A2:4", "D3:4"])
        assert returns(score) == []

    def test_too_short_a_piece(self) -> None:
        assert returns(piece(TUNE, BASS)) == []


class TestExamples:
    def test_chain_ferry_return_of_the_theme(self) -> None:
        score, spans = example("chain-ferry")
        (event,) = [e for e in find_returns(score, spans) if e.kind == "return" and bar(score, e.start) == 59]
        assert bar(score, event.get("from_start")) == 5
        # The tenor's echo is new from the first bar; from bar 64 the bass climbs instead.
        assert bar(score, event.get("first_difference")) == 59
        assert bar(score, event.get("leaves")) == 64
        assert bar(score, event.get("from_leaves")) == 10
        pairs = event.get("pairs")
        assert isinstance(pairs, tuple)
        assert [p[2] for p in pairs if isinstance(p, tuple)] == [
            "accompaniment varied",
            "both varied",
            "same",
            "same",
            "accompaniment varied",
        ]

    def test_chain_ferry_read_by_the_engine(self) -> None:
        score, _ = example("chain-ferry")
        told = [
            (bar(score, e.start), bar(score, e.get("from_start")), bar(score, e.get("leaves")))
            for e in read(score).events
            if e.kind == "return"
        ]
        assert (59, 5, 64) in told

    def test_chain_ferry_theme_in_the_left_hand(self) -> None:
        score, spans = example("chain-ferry")
        (event,) = [e for e in find_returns(score, spans) if e.kind == "return" and bar(score, e.start) == 37]
        assert (event.label, event.get("key")) == ("in another key", Key.parse("Db"))
        assert bar(score, event.get("from_start")) == 5

    def test_lock_water_in_minor_and_back(self) -> None:
        score, spans = example("lock-water")
        told = [
            (e.label, bar(score, e.start), bar(score, e.get("from_start")))
            for e in find_returns(score, spans)
            if e.kind == "return"
        ]
        assert told == [("in the other mode", 16, 1), ("varied", 31, 1)]

    def test_lock_water_return_leaves_the_opening_at_the_second_chain(self) -> None:
        score, spans = example("lock-water")
        event = [e for e in find_returns(score, spans) if e.kind == "return"][-1]
        # A passing note makes the first difference; the chain twice as fast begins in bar 34.
        assert bar(score, event.get("first_difference")) == 31
        assert bar(score, event.get("leaves")) == 34


def _one_by_one(alike, gap=0.55, enough=0.6, least=0.55):
    """Local alignments after Smith and Waterman (1981), place by place, every place tried as an end."""
    found = []
    for steps, table in enumerate(alike):
        count = len(table)
        height, came = {}, {}
        for i in range(count + 1):
            for j in range(count + 1):
                if not i or not j:
                    height[i, j] = 0.0
                    continue
                gain = table[i - 1, j - 1] - enough - (0.04 if steps else 0.0) if j - 1 > i else -9.0
                ways = [(0.0, 0), (height[i - 1, j - 1] + gain, 1), (height[i - 1, j] - gap, 2)]
                best, way = max(ways, key=lambda w: w[0])
                if height[i, j - 1] - gap > best + 1e-9:
                    best, way = height[i, j - 1] - gap, 3
                height[i, j], came[i, j] = best, way
        used = set()
        for end in sorted((e for e in height if height[e] >= least), key=lambda e: (-height[e], e)):
            path, place = [], end
            while came.get(place) and place not in used:
                used.add(place)
                i, j = place
                pair = {1: (i - 1, j - 1), 2: (i - 1, -1), 3: (-1, j - 1)}[came[place]]
                path.append(pair)
                place = (i - 1 if pair[0] >= 0 else i, j - 1 if pair[1] >= 0 else j)
            if path and not came.get(place):
                found.append((steps, path[::-1]))
    return found


@pytest.mark.parametrize("seed", range(6))
def test_alignments_are_those_that_trying_every_end_finds(seed):
    alike = np.sqrt(np.random.default_rng(seed).random((7, 24, 24)))
    found = _alignments(alike)
    assert len(found) > 10
    assert sorted(found) == sorted(_one_by_one(alike))


def test_bars_that_hold_the_same_stand_in_the_table_once():
    score = build("C5:1 D5 E5 F5 | G5:4 | C5:1 D5 E5 F5 | G5:4", "C3:4 | E3:4 | C3:4 | E3:4")
    alike = similarity(score, ())
    assert alike.table.shape == (7, 2, 2)
    assert alike.shape == (7, 4, 4)
    assert [alike[0, 0, 2], alike[0, 1, 3]] == pytest.approx([1, 1])
    assert alike[0, 0, 1] == alike[0, 2, 3] < 0.9
    whole = alike[:, 0:4, 0:4]
    assert whole.shape == (7, 4, 4)
    assert all(whole[s, i, j] == alike[s, i, j] for s in range(7) for i in range(4) for j in range(4))
    assert (alike[:, 1, 0:4] == whole[:, 1]).all()


@pytest.mark.parametrize(
    ("movements", "longest"),
    [
        ([0] * 8, [(0, 4), (1, 5), (2, 6), (3, 7)]),
        ([0, 0, 0, 0, 0, 1, 1, 1], [(1, 5), (2, 6), (3, 7)]),
        ([0, 1, 1, 1, 1, 1, 1, 2], [(1, 5), (2, 6)]),
    ],
)
def test_nothing_comes_back_across_the_end_of_a_movement(movements, longest):
    """Bars are numbered from one again in each movement of a file (common practice of print, no source)."""
    path = [(0, 4), (1, 5), (2, 6), (3, 7)]
    assert _in_one_movement(path, movements) == longest
    assert _in_one_movement([(0, 4), (1, -1), (1, 5)], [0] * 6) == [(0, 4), (1, -1), (1, 5)]


def test_movements_are_told_by_their_numbers():
    score = build(" | ".join(["C5:4"] * 6))
    bars = tuple(replace(m, number=n) for m, n in zip(score.measures, "123123", strict=True))
    two = replace(score, measures=bars)
    assert movements_of(two) == [12]
    assert movement_numbers(two) == [0, 0, 0, 1, 1, 1]
    assert movements_of(score) == []
