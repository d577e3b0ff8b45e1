"""Digests: equal for equal values, different for different ones, blind to how a value shows itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from fractions import Fraction
from pathlib import Path

import pytest

from understave.digests import digest


class Way(Enum):
    UP = 1


@dataclass(frozen=True)
class Shown:
    size: int
    seen: int = field(default=0, compare=False)

    def __repr__(self) -> str:
        return "Shown"


def test_what_a_value_holds_counts_not_how_it_is_shown():
    assert digest(Shown(1)) != digest(Shown(2))
    assert digest(Shown(1, 3)) == digest(Shown(1, 4))


def test_equal_collections_have_equal_digests():
    assert digest({"a": 1, "b": 2}) == digest({"b": 2, "a": 1})
    assert digest(frozenset(("x", "y", "z"))) == digest(frozenset(("z", "y", "x")))
    assert digest([1, 2]) == digest((1, 2))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ((1,), ("1",)),
        ((1,), (True,)),
        ((1,), (1.0,)),
        ((Fraction(1, 2),), (0.5,)),
        (("ab", "c"), ("a", "bc")),
        ((("ab",), "c"), (("a",), "bc")),
        (("x",), (b"x",)),
        ((None,), ("",)),
        (((1, 2), 3), ((1,), 2, 3)),
        (({"a": 1},), ((("a", 1),),)),
        ((Way.UP,), (1,)),
    ],
)
def test_different_values_have_different_digests(one, other):
    assert digest(*one) != digest(*other)


def test_a_path_counts_as_its_text():
    assert digest(Path("a")) == digest("a")


def test_a_value_of_unknown_content_is_refused():
    with pytest.raises(TypeError, match="object has no digest"):
        digest(object())
