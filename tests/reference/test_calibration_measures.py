"""The measures of confidence, and the table that compares readers, against values worked out by hand."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from benchmarks import calibration, comparison
from benchmarks.accuracy import Tally, compare, stretches
from benchmarks.corpora import Piece

from understave.engraving import to_png
from understave.harmony.reading import Alternative, Span
from understave.harmony.romantext import read_romantext
from understave.harmony.trained import read_trained
from understave.score.reader import read_score
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "lock-water"


def span(start, end, key, numeral, confidence=1.0, *others):
    alternatives = tuple(Alternative(Key.parse(k), RomanNumeral.parse(n), 0.1) for k, n in others)
    return Span(
        Fraction(start),
        Fraction(end),
        Key.parse(key),
        RomanNumeral.parse(numeral),
        confidence,
        alternatives=alternatives,
    )


def rows_of(*rows):
    return np.array([[*row, 0, 0] for row in rows], dtype=np.float64)


def test_calibration_error_is_that_of_guo_and_others():
    """Bins (0.2, 0.3] and (0.8, 0.9]: 0.4 |0.25 - 0.5| + 0.6 |0.85 - 1| (Guo et al., ICML 2017, eq. 3)."""
    rows = rows_of([2, 0.25, 1, 1], [2, 0.25, 0, 1], [6, 0.85, 1, 1])
    sure, right, error, three, _ = calibration.figures(rows)
    assert (sure, right, error, three) == pytest.approx((0.61, 0.8, 0.19, 1.0))
    assert calibration.reliability(rows) == [
        (2, pytest.approx(0.4), pytest.approx(0.25), pytest.approx(0.5)),
        (8, pytest.approx(0.6), pytest.approx(0.85), pytest.approx(1.0)),
    ]


def test_the_least_sure_fifth_holds_its_share_of_the_errors():
    rows = rows_of([1, 0.1, 0, 0], [1, 0.2, 0, 0], [4, 0.6, 0.5, 1], [4, 0.9, 1, 1])
    assert calibration.figures(rows)[4] == pytest.approx(2 / 4)


def test_the_first_three_count_alternatives_and_not_the_fourth():
    reference = [span(0, 4, "C", "V7")]
    offered = [("C", "V"), ("G", "V7"), ("C", "V7")]
    assert [r[2:4] for r in calibration.judged(reference, [span(0, 4, "C", "I", 0.4, *offered)])] == [
        (False, False)
    ]
    assert [r[2:4] for r in calibration.judged(reference, [span(0, 4, "C", "I", 0.4, *offered[1:])])] == [
        (False, True)
    ]


def test_rivals_as_likely_as_the_label_are_counted_by_their_time():
    reference = [span(0, 8, "C", "V7")]
    read = [
        span(0, 2, "C", "I", 0.1, ("C", "V7")),
        span(2, 4, "C", "V7", 0.1, ("C", "I")),
        span(4, 6, "C", "I", 0.1, ("C", "ii")),
        span(6, 8, "C", "V7", 0.4, ("C", "I")),
    ]
    found = calibration.rivalry(np.array([*calibration.judged(reference, read)], dtype=np.float64))
    assert found == pytest.approx((3 / 4, 0.1, 1 / 3, 1 / 3))
    assert calibration.rivalry(np.array([*calibration.judged(reference, read[3:])], dtype=np.float64)) is None


def test_the_diagram_can_be_made_a_picture():
    rows = rows_of([2, 0.25, 1, 1], [2, 0.35, 0, 1], [6, 0.85, 1, 1])
    svg = calibration.picture({"songs": rows}, rows)
    assert svg.count("<circle") == 2 * 3
    assert to_png(svg, 300).startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("key", "numeral", "kind"),
    [
        ("C", "I", "major triad"),
        ("c", "iv", "minor triad"),
        ("c", "viio7", "diminished seventh, half or whole"),
        ("C", "iiø65", "diminished seventh, half or whole"),
        ("C", "V7", "dominant seventh or ninth"),
        ("C", "V65/V", "applied"),
        ("C", "Ger65", "augmented sixth"),
        ("C", "IVmaj7", "other seventh"),
        ("C", "viio6", "diminished or augmented triad"),
    ],
)
def test_kinds_of_chords(key, numeral, kind):
    assert comparison.kind(span(0, 1, key, numeral)) == kind


@pytest.mark.parametrize(
    ("of_set", "name", "period"),
    [
        ("chorales", "riemenschneider-001", "born before 1700"),
        ("quartets", "haydn-franz-joseph-op20-no1-1", "1700-1779"),
        ("lieder", "schubert-franz-d-1", "1780-1814"),
        ("lieder", "wolf-hugo-1", "1815 and later"),
        ("textbook", "reger-max-modulation-05", "not dated"),
        ("lieder", "anonymous-1", "not dated"),
    ],
)
def test_periods(of_set, name, period):
    assert comparison.period(Piece("dev", of_set, name, Path(), ())) == period


@pytest.fixture(scope="module")
def study():
    score = read_score(EXAMPLE / "score.musicxml")
    return score, read_romantext((EXAMPLE / "analysis.txt").read_text(), score)


def test_every_breakdown_adds_up_to_the_whole(study):
    score, reference = study
    spans = read_trained(score).spans
    piece = Piece("dev", "lieder", "schubert-franz-x", Path(), ())
    whole = compare(reference, spans)
    shares = comparison.breakdown(piece, score, reference, spans)
    for what in ("period", "texture", "chord"):
        here = [s for (w, _), s in shares.items() if w == what]
        assert sum(s.time for s in here) == pytest.approx(whole.time)
        assert np.sum([s.right for s in here], axis=0) == pytest.approx(np.array(whole.right))


def test_the_networks_alone_fill_the_piece_and_the_decoder_makes_fewer_spans(study):
    score, _ = study
    alone, decoded = comparison.network_alone(score).spans, comparison.network_decoded(score).spans
    for spans in (alone, decoded):
        assert spans[-1].end == score.end
        assert all(a.end == b.start for a, b in itertools.pairwise(spans))
    assert len(decoded) < len(alone)
    assert len(stretches(decoded)) == len(decoded)


def test_sets_are_added_up_by_whether_their_kind_was_trained_on():
    one = Tally(pieces=1, time=1.0, right=[1.0] * 8)
    by_set = {s: {comparison.OWN: replace(one)} for s in ("lieder", "chorales", "quartets")}
    rows = comparison._together(by_set)
    assert {name: tallies[comparison.OWN].pieces for name, tallies in rows.items()} == {
        "sets of kinds trained on": 2,
        "all": 3,
    }
    assert list(comparison._together({"lieder": by_set["lieder"]})) == []
