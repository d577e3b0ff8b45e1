"""Music is judged in several keys: what is moved there comes back, and what is said does not hang on its key.

The line of fifths and that a transposition moves every tone and tonic alike are common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from understave.harmony.model import transposing
from understave.harmony.model.encoding import CENTRE, encode
from understave.harmony.model.label_indices import KEYS, key_index, key_of
from understave.harmony.model.network import HEADS, chances, judge, load
from understave.harmony.model.transposing import moved, moved_back, moved_keys, moves_for
from understave.score.reader import read_score
from understave.theory.key import Key

EXAMPLE = Path(__file__).parents[2] / "examples" / "lock-water" / "score.musicxml"


@pytest.fixture(scope="module")
def encoding():
    whole = encode(read_score(EXAMPLE))
    first = slice(0, 40)
    return replace(
        whole,
        times=whole.times[:41],
        codes=whole.codes[first],
        values=whole.values[first],
        frames=whole.frames[first],
        signature=whole.signature[first],
    )


def free(encoding):
    frames = len(encoding.times) - 1
    return np.full(frames, KEYS), np.full(frames, len(load().numerals.reduced))


def test_music_a_fifth_higher_has_every_tone_and_its_signature_a_fifth_higher(encoding):
    higher = moved(encoding, 1)
    sounds = encoding.codes[..., 0] > 0
    assert (higher.codes[..., 0][sounds] == encoding.codes[..., 0][sounds] + 1).all()
    assert (higher.codes[..., 0][~sounds] == 0).all()
    assert (higher.codes[..., 1:] == encoding.codes[..., 1:]).all()
    assert (higher.signature == encoding.signature + 1).all()
    assert (moved(higher, -1).codes == encoding.codes).all()


@pytest.mark.parametrize(
    ("name", "fifths", "there"), [("C", 1, "G"), ("f", 2, "g"), ("Eb", -2, "Db"), ("b", 3, "g#")]
)
def test_a_given_key_goes_along(name, fifths, there):
    given = np.array([key_index(Key.parse(name)), KEYS])
    found = moved_keys(given, fifths)
    assert key_of(int(found[0])) == Key.parse(there)
    assert found[1] == KEYS


@pytest.mark.parametrize("fifths", [20, -20])
def test_a_key_beyond_the_table_is_not_told(fifths):
    assert moved_keys(np.array([key_index(Key.parse("C"))]), fifths)[0] == KEYS


@pytest.mark.parametrize("fifths", [-3, 2])
def test_what_is_said_of_a_key_is_moved_back(fifths):
    heads = {name: np.zeros((1, KEYS if name in ("key", "tonicised") else 49), np.float32) for name in HEADS}
    tonic = key_index(Key.parse("a"))
    heads["key"][0, tonic + 2 * fifths] = 1
    heads["root"][0, CENTRE + fifths] = heads["quality"][0, 3] = 1
    back = moved_back(heads, fifths, 0.0)
    assert back["key"][0].argmax() == tonic
    assert back["root"][0].argmax() == CENTRE
    assert back["quality"][0].argmax() == 3
    assert back["key"].shape == heads["key"].shape
    end = moved_back({**heads, "bass": np.ones((1, 49), np.float32)}, fifths, 0.0)["bass"][0]
    assert (end == 0).sum() == abs(fifths)


@pytest.mark.parametrize(("accidentals", "most"), [(0, 7), (7, 7), (-7, 7), (6, 7), (-6, 7)])
def test_no_copy_has_more_accidentals_than_the_network_was_shown(encoding, accidentals, most):
    here = replace(encoding, signature=np.full_like(encoding.signature, accidentals - 2 + CENTRE))
    moves = moves_for(here)
    assert moves[0] == 0
    assert len(moves) > 1
    assert len(set(moves)) == len(moves)
    assert all(abs(accidentals + move) <= most for move in moves)


def test_a_judgement_is_the_mean_over_the_keys(encoding):
    key, numeral = free(encoding)
    found = judge(load(), encoding, key, numeral)
    parts = [
        moved_back(chances(load(), moved(encoding, move), key, numeral), move, 0.0)
        for move in moves_for(encoding)
    ]
    for name in HEADS:
        mean = sum(part[name] for part in parts) / len(parts)
        wanted = mean if name == "starts" else np.log(mean + 1e-7)
        assert np.allclose(found[name], wanted, atol=1e-5)


def test_the_same_music_in_another_key_is_judged_more_alike_than_by_one_look(encoding, monkeypatch):
    key, numeral = free(encoding)

    def unlike():
        here = np.exp(judge(load(), encoding, key, numeral)["numeral"])
        there = np.exp(judge(load(), moved(encoding, 1), key, numeral)["numeral"])
        return float(np.abs(here - there).sum(1).mean())

    several = unlike()
    monkeypatch.setattr(transposing, "MOVES", (0,))
    assert several < unlike()
