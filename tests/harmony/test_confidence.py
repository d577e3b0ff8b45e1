"""How sure a label is, and what else it may be: what must hold whatever the constants are."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from understave.harmony.model.confidence import (
    ORDERING,
    ROUND_ABOUT,
    WEIGHING,
    Evidence,
    confidences,
    evidence,
    log_odds,
    others,
    round_about,
)
from understave.harmony.model.label_indices import key_index, reduce
from understave.harmony.model.network import load
from understave.harmony.romantext import read_romantext
from understave.harmony.trained import read_trained
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
chance = st.floats(0, 1)


def _evidence(numeral, opinion, key, lengths):
    values = [np.array(v, dtype=np.float64) for v in (numeral, opinion, key, lengths)]
    return Evidence(*values, chances=np.zeros((len(lengths), 1), np.float32))


@given(chance, chance, chance, chance, st.sampled_from(["numeral", "opinion", "key"]))
def test_more_evidence_never_makes_less_sure(a, b, c, more, name):
    before = _evidence([a], [b], [c], [1.0])
    value = getattr(before, name)
    after = replace(before, **{name: np.maximum(value, more)})
    low, high = confidences(before)[0], confidences(after)[0]
    assert 0 < low <= high + 1e-12 < 1


def test_every_weight_speaks_for_the_label():
    assert min(WEIGHING.numeral, WEIGHING.opinion, WEIGHING.key) > 0
    assert min(ORDERING.belief, ORDERING.numeral) > 0 > ORDERING.same_key


def test_log_odds_are_those_of_the_textbook():
    # p = 0.8: odds of 4 to 1 (Cox 1958).
    assert log_odds(0.8) == pytest.approx(np.log(4))
    assert log_odds(0.0) == pytest.approx(-log_odds(1.0))
    assert np.isfinite(log_odds(0.0))


@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(0.1, 8)), min_size=1, max_size=40))
def test_round_about_is_the_mean_over_the_neighbours(spans):
    values, lengths = (np.array(column) for column in zip(*spans, strict=True))
    expected = [
        np.average(values[part], weights=lengths[part])
        for part in (slice(max(0, i - ROUND_ABOUT), i + ROUND_ABOUT + 1) for i in range(len(spans)))
    ]
    assert np.allclose(round_about(values, lengths), expected)


def test_evidence_is_averaged_over_the_time_of_a_span():
    numerals = load().numerals
    key, dominant = Key.parse("D"), RomanNumeral.parse("V7")
    number = numerals.reduced.index(reduce(key, dominant))
    frames = 3
    judged = {
        "numeral": np.log(np.full((frames, len(numerals.reduced)), 1e-3, np.float32)),
        "key": np.log(np.full((frames, 54), 1e-3, np.float32)),
    }
    judged["numeral"][:, number] = np.log([0.8, 0.2, 0.5])
    judged["key"][:, key_index(key)] = np.log([0.9, 0.3, 0.5])
    # A, three fifths above C: the root of the dominant of D.
    chords = {(3, "dominant7", 0): np.array([0.4, 0.0, 1.0], np.float32)}
    lengths = np.array([3.0, 1.0, 2.0], np.float32)
    labels = [(0, 2, key_index(key), number), (2, 3, key_index(key), number)]
    found = evidence(labels, judged, chords, numerals, lengths)
    assert found.numeral == pytest.approx([0.65, 0.5])
    assert found.key == pytest.approx([0.75, 0.5])
    assert found.opinion == pytest.approx([0.3, 1.0])
    assert found.lengths == pytest.approx([4, 2])


def test_shares_of_the_others_add_up_and_leave_out_the_impossible():
    rng = np.random.default_rng(2)
    belief = rng.dirichlet(np.ones(12)).reshape(3, 4).astype(np.float32)
    belief[1, 2] = 0
    share = others(belief, rng.uniform(0, 1, 4).astype(np.float32), (0, 1))
    assert share.sum() == pytest.approx(1)
    assert share[0, 1] == share[1, 2] == 0
    assert np.count_nonzero(share) == 10


def test_of_two_rivals_believed_alike_the_one_in_another_key_comes_first():
    belief = np.array([[0.8, 0.1], [0.1, 0.0]], np.float32)
    share = others(belief, np.array([0.5, 0.5], np.float32), (0, 0))
    assert share[1, 0] > share[0, 1] > share[1, 1] == 0


def test_where_nothing_else_is_possible_there_is_no_rival():
    belief = np.array([[1.0, 0.0]], np.float32)
    assert not others(belief, np.ones(2, np.float32), (0, 0)).any()


@pytest.mark.parametrize("name", ["lock-water", "chain-ferry"])
def test_where_the_analyst_agrees_the_reading_is_surer(name):
    """Against the analysis beside each example, written by its composer."""
    folder = EXAMPLES / name
    score = read_score(folder / "score.musicxml")
    known = read_romantext((folder / "analysis.txt").read_text(), score)
    spans = read_trained(score).spans
    time, sure, right = [], [], []
    for a in known:
        for s in spans:
            length = min(a.end, s.end) - max(a.start, s.start)
            if length > 0:
                time.append(float(length))
                sure.append(s.confidence)
                right.append(a.key == s.key and reduce(a.key, a.numeral) == reduce(s.key, s.numeral))
    sure, right = np.array(sure), np.array(right)
    assert np.average(right, weights=time) > 0.5
    assert sure[right].mean() > sure[~right].mean() + 0.05
