"""The quick answer to a correction against the full reading, which it stands in for."""

from __future__ import annotations

from itertools import pairwise

from tests.desk.desk_lesson import read_once

from understave.desk.gestures import take
from understave.harmony.engine import settle
from understave.harmony.reread import difference, reread
from understave.harmony.trained import read_trained


def labels(spans):
    return {(s.start, s.end, s.key, s.numeral, s.fixed) for s in spans}


def test_the_quick_answer_is_most_often_the_full_reading():
    score, judged, spans = read_once()
    same = checked = 0
    for number in range(2, len(spans) - 2, max(1, len(spans) // 8)):
        step = take(score, spans, spans[number].start, 0 if spans[number].alternatives else -1)
        quick = reread(score, judged, spans, (), step).spans
        full = read_trained(score, step).spans
        assert quick[0].start == full[0].start
        assert quick[-1].end == full[-1].end
        assert all(a.end == b.start for a, b in pairwise(quick))
        # The correction itself is kept by both, whatever lies around it.
        fixed = settle(score, step)[0]
        assert any((s.start, s.end, s.numeral) == (fixed.start, fixed.end, fixed.numeral) for s in quick)
        same += len(labels(quick) & labels(full))
        checked += len(full)
    assert same / checked > 0.95


def test_far_away_nothing_changes_and_taking_back_brings_back():
    score, judged, spans = read_once()
    step = take(score, spans, spans[5].start, 0)
    now = reread(score, judged, spans, (), step)
    end = score.measures[score.measure_at(spans[5].end).index + 14].start
    assert [s for s in spans if s.start >= end] == [s for s in now.spans if s.start >= end]
    back = reread(score, judged, now.spans, now.fixed, ())
    assert len(labels(back.spans) ^ labels(spans)) <= 2


def test_differences_are_spliced_exactly():
    _, _, spans = read_once()
    other = (*spans[:4], *spans[6:9], *spans[8:])
    found = difference(spans, other)
    put = (
        *spans[: found.first],
        *other[found.first : found.first + found.after],
        *spans[found.first + found.before :],
    )
    assert labels(put) == labels(other)
    assert difference(spans, spans).before == 0
