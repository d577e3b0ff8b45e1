"""The plan of keys, and how long a key must last. All expectations: common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest

from understave.errors import UnderstaveError
from understave.harmony.key_length import COSTS, KEY_LENGTHS, Corrected, proposed, same_key, trust_for
from understave.harmony.key_plan import confirm, join, key_plan, move, rename
from understave.harmony.reading import Span
from understave.harmony.trained import judge_score, read_judged, read_trained
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

FERRY = Path(__file__).parents[2] / "examples" / "chain-ferry" / "score.musicxml"
TONIC = RomanNumeral.parse("I")


@pytest.fixture(scope="module")
def ferry():
    return read_score(FERRY)


@pytest.fixture(scope="module")
def judged(ferry):
    return judge_score(ferry)


def spans(*keys: tuple[str, int], sure: float = 0.5) -> tuple[Span, ...]:
    """One span of one quarter after another, so many of each key."""
    found, at = [], 0
    for name, count in keys:
        for _ in range(count):
            found.append(Span(Fraction(at), Fraction(at + 1), Key.parse(name), TONIC, sure))
            at += 1
    return tuple(found)


def told(plan):
    return [(int(s.start), int(s.end), s.key.symbol) for s in plan]


def test_neighbours_in_one_key_are_one_stretch_as_sure_as_their_mean():
    one = (*spans(("C", 1), sure=1.0), replace(spans(("C", 2))[1], start=Fraction(1), end=Fraction(4)))
    (stretch,) = key_plan(one)
    assert (stretch.start, stretch.end) == (0, 4)
    assert stretch.sure == pytest.approx((1.0 * 1 + 0.5 * 3) / 4)


def test_a_long_plan_leaves_the_shortest_keys_out_and_tells_of_them():
    plan = key_plan(spans(("C", 8), ("G", 1), ("C", 6), ("a", 4), ("F", 2), ("C", 9)), most=3)
    assert told(plan) == [(0, 15, "C"), (15, 19, "a"), (19, 30, "C")]
    assert [k.symbol for k in plan[0].within] == ["G"]
    assert [k.symbol for k in plan[2].within] == ["F"]


def test_a_plan_has_never_more_stretches_than_asked_for():
    many = spans(*((name, 1 + i % 3) for i, name in enumerate("CGDAEB" * 7)))
    for most in (1, 5, 20):
        plan = key_plan(many, most=most)
        assert len(plan) == most
        assert (plan[0].start, plan[-1].end) == (0, many[-1].end)
        assert all(a.end == b.start for a, b in pairwise(plan))


def test_renaming_a_key_holds_it_whatever_the_music_says(ferry, judged):
    found = read_judged(ferry, judged).spans
    plan = key_plan(found)
    other = Key.parse("b")  # far from all that is there
    given = rename(ferry, found, plan, 1, other)
    after = read_trained(ferry, given).spans
    assert {s.key for s in after if s.start >= plan[0].start and s.end <= plan[0].end} == {other}
    again = key_plan(after, given, ferry)
    assert again[0].settled
    assert not again[-1].settled


def test_joining_and_moving_keys(ferry, judged):
    found = read_judged(ferry, judged).spans
    plan = key_plan(found)
    assert len(plan) >= 3
    joined = key_plan(read_trained(ferry, join(ferry, found, plan, 1)).spans)
    assert (joined[0].key, joined[0].end >= plan[1].end) == (plan[0].key, True)
    to = plan[1].start + Fraction(3, 2)
    moved = read_trained(ferry, move(ferry, found, plan, 2, to)).spans
    assert next(s.key for s in moved if s.start <= plan[1].start < s.end) == plan[0].key
    assert next(s.key for s in moved if s.start <= to < s.end) == plan[1].key


def test_what_makes_no_sense_is_refused(ferry, judged):
    found = read_judged(ferry, judged).spans
    plan = key_plan(found)
    for call in (
        lambda: confirm(ferry, plan, [0]),
        lambda: rename(ferry, found, plan, len(plan) + 1, Key.parse("C")),
        lambda: join(ferry, found, plan, len(plan)),
        lambda: move(ferry, found, plan, 1, Fraction(3)),
        lambda: move(ferry, found, plan, 2, plan[2].end),
    ):
        with pytest.raises(UnderstaveError):
            call()


def test_the_longer_a_key_must_last_the_fewer_there_are(ferry, judged):
    counts = [
        len(key_plan(read_judged(ferry, replace(judged, trust=trust_for(ferry, length))).spans, most=999))
        for length in KEY_LENGTHS
    ]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


def test_a_short_excerpt_keeps_the_moment(ferry):
    short = replace(ferry, measures=ferry.measures[:8])
    assert trust_for(short, "hardly ever") == trust_for(ferry, "moment")
    assert trust_for(ferry, "section").key_change == COSTS["section"]


def test_time_in_the_same_key():
    assert same_key(spans(("C", 4), ("G", 4)), spans(("C", 6), ("G", 2))) == (6.0, 8.0)


def test_a_teacher_who_joins_keys_is_offered_a_longer_length(ferry, judged):
    long = read_judged(ferry, replace(judged, trust=trust_for(ferry, "hardly ever"))).spans
    usual = read_judged(ferry, judged).spans
    assert proposed([Corrected(ferry, judged, long)] * 2) is None
    assert proposed([Corrected(ferry, judged, long)] * 3) == "hardly ever"
    assert proposed([Corrected(ferry, judged, usual)] * 3) is None
