"""A value is sent to another process by its fields alone, whatever another thread works out meanwhile."""

from __future__ import annotations

import pickle
from dataclasses import fields
from functools import cached_property
from importlib import import_module
from pathlib import Path

import pytest

import understave
from understave.score.reader import read_score
from understave.stored import Stored
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import Interval, PitchClass
from understave.theory.roman import RomanNumeral

PACKAGE = Path(understave.__file__).parent
LOCK_WATER = PACKAGE.parents[1] / "examples" / "lock-water" / "score.musicxml"
SENT = (
    read_score(LOCK_WATER),
    Chord(PitchClass("G"), Quality.DOMINANT7, 1),
    Interval.parse("m3"),
    RomanNumeral.parse("V65/V"),
)


def worked_out(value):
    return [n for n, v in vars(type(value)).items() if isinstance(v, cached_property)]


@pytest.mark.parametrize("value", SENT, ids=lambda v: type(v).__name__)
def test_only_the_fields_are_kept(value):
    names = worked_out(value)
    assert names
    for name in names:
        getattr(value, name)
    again = pickle.loads(pickle.dumps(value, protocol=5))
    assert again == value
    assert set(vars(again)) == {f.name for f in fields(value)}
    told = [n for n in names if not n.startswith("_")]  # the others remember what they were asked
    assert [getattr(again, n) for n in told] == [getattr(value, n) for n in told]


def test_whatever_works_things_out_in_the_rooms_of_values_is_stored_by_its_fields():
    found = set()
    for room in ("theory", "score"):
        for path in sorted((PACKAGE / room).rglob("*.py")):
            module = import_module(".".join(("understave", *path.relative_to(PACKAGE).with_suffix("").parts)))
            for kind in vars(module).values():
                if not isinstance(kind, type) or kind.__module__ != module.__name__:
                    continue
                if any(isinstance(v, cached_property) for v in vars(kind).values()):
                    found.add(kind)
    assert {type(v) for v in SENT} <= found
    assert [k.__name__ for k in found if not issubclass(k, Stored)] == []


def test_a_key_is_no_such_value():
    assert not worked_out(Key.parse("C"))
