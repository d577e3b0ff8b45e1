"""Other pieces of an index in which the same happens."""

from __future__ import annotations

from fractions import Fraction

import pytest
from tests.partial import event

from understave.errors import UnderstaveError
from understave.repertoire.asked import search
from understave.repertoire.comparison import pieces_with


def made(kind, label):
    return event(kind, label, Fraction(0), Fraction(1), (), 1.0, ())


def test_names_pieces_that_have_it_and_not_the_one_asked_from(indexed):
    folder, _ = indexed
    there = search(folder, {"device": "perfect authentic cadence", "each": 1})["places"]
    titles = {p["title"] for p in there if p["title"]}
    found = pieces_with(folder, made("cadence", "perfect authentic"), "", most=9)
    assert {title for title, _ in found} == titles != set()
    for title in titles:
        others = pieces_with(folder, made("cadence", "perfect authentic"), title, most=9)
        assert {t for t, _ in others} == titles - {title}


def test_what_no_piece_has_is_compared_with_none(indexed):
    folder, _ = indexed
    assert pieces_with(folder, made("tension", "dissonance"), "") == ()


def test_a_folder_without_index_is_told(tmp_path):
    with pytest.raises(UnderstaveError):
        pieces_with(tmp_path, made("cadence", "perfect authentic"), "")
