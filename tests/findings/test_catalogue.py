"""The catalogue of kinds: each has what the other rooms ask of it."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import pytest

from understave.findings.catalogue import KINDS, finders
from understave.findings.kinds import Kind
from understave.interpretation.reasons import REASONS
from understave.teaching.contrasts import _MAKERS
from understave.teaching.stops import KINDS_OF_INTEREST
from understave.wording import SPOKEN, phrasebook

ALL = (*KINDS, *REASONS)


@pytest.mark.parametrize("kind", ALL, ids=lambda k: k.name)
@pytest.mark.parametrize("language", SPOKEN)
def test_every_kind_has_its_words(kind: Kind[Any], language: str) -> None:
    book = phrasebook(language)
    for label in {**kind.labels, **{c: "" for c in kind.contrasts if c}}:
        assert book.entry(kind.name, label) is not None, label
    if kind.lane is not None:
        assert book.lane_events[kind.name]


@pytest.mark.parametrize("kind", ALL, ids=lambda k: k.name)
def test_what_an_entry_names_is_there(kind: Kind[Any]) -> None:
    assert set(kind.contrasts.values()) <= set(_MAKERS)
    assert kind.stop is None or kind.stop.why in KINDS_OF_INTEREST
    assert min([kind.weight, *kind.labels.values()]) >= 0
    assert [f.name for f in fields(kind.details)], "a kind without details has nothing to say"


def test_no_two_kinds_have_one_name_and_each_is_found() -> None:
    names = [k.name for k in ALL]
    assert len(names) == len(set(names))
    assert len(finders()) == sum(k.find is not None for k in KINDS) == 20


def test_where_no_kinds_are_told_apart_key_and_chord_have_their_usual_names() -> None:
    """`catalogue.key_of` and `chord_of` read these fields of whatever kind: a new name would be missed."""

    def having(*names: str) -> set[str]:
        return {k.name for k in KINDS if any(f.name in names for f in fields(k.details))}

    everywhere = {k.name for k in KINDS}
    assert everywhere - having("key") == {
        *("difference", "form", "instruction", "melody", "phrase", "repeated note", "texture")
    }
    assert having("chord", "numeral", "goal") == {
        *("applied chord", "cadence", "chromatic chord", "enharmonic pivot", "mode switch", "non-chord tone"),
        *(
            "pedal mark",
            "picardy third",
            "pivot chord",
            "seventh in the bass",
            "sharp dissonance",
            "six-four",
        ),
    }
