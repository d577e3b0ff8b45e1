"""Matching over arrays against a matcher that tries every way, on random lines and patterns."""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from understave.repertoire.matching import Line, Step, locate, struck_again

NAMES = ("a1", "a2", "b1", "b2", "c1")


def line_of(codes, cuts, sure=None):
    roots = [0, 0, 1, 1, 2]
    stretches = np.cumsum(np.array(cuts[: len(codes)], np.int32))
    sure = np.ones(len(codes)) if sure is None else sure
    return Line(np.array(codes, np.uint16), stretches, np.asarray(sure, np.float32), NAMES, np.array(roots))


def tried(line, steps):  # noqa: C901
    """All places, step by step, each as short as it gets."""
    count = line.codes.size

    def takes(k, i):
        name = NAMES[line.codes[i]]
        if steps[k].name:
            return bool(re.fullmatch(steps[k].name, name))
        around = []
        if steps[k].again:
            around += [k - 1] if k and not steps[k - 1].gap else []
            around += [k + 1] if k + 1 < len(steps) and not steps[k].gap else []
        return not any(steps[n].name and re.fullmatch(steps[n].name, name) for n in around)

    def more(k, i, j):
        same = line.stretches[i] == line.stretches[j] and takes(k, i) and takes(k, j)
        return same and (bool(steps[k].name) or line.roots[line.codes[i]] == line.roots[line.codes[j]])

    def end(k, i):
        """Where a match of the steps from `k` that begins at `i` ends, or None."""
        if not takes(k, i):
            return None
        if k == len(steps) - 1:
            return i
        nexts, j = [i + 1], i
        if steps[k].gap:
            nexts = list(range(i + 1, count))
        elif steps[k].again:
            while j + 1 < count and more(k, j + 1, j):
                j += 1
                nexts.append(j + 1)
        for j in nexts:
            if j < count and line.stretches[j] == line.stretches[i]:
                found = end(k + 1, j)
                if found is not None:
                    return found
        return None

    places = [(i, end(0, i)) for i in range(count)]
    begins = [i == 0 or not (steps[0].again and more(0, i - 1, i)) for i in range(count)]
    return [(i, e) for i, e in places if e is not None and begins[i]]


steps = st.builds(Step, st.sampled_from(["", "a.", "a1", "b.", "a1|c1", "b2"]), st.just(True), st.booleans())


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.integers(0, 4), min_size=1, max_size=14),
    st.lists(st.sampled_from([0, 0, 0, 0, 1]), min_size=14, max_size=14),
    st.lists(steps, min_size=1, max_size=4),
    st.booleans(),
)
def test_the_same_as_trying_every_way(codes, cuts, pattern, again):
    pattern = [replace(s, again=again) for s in pattern]
    pattern[-1] = replace(pattern[-1], gap=False)
    line = line_of(codes, cuts)
    found = locate(line, pattern)
    assert list(zip(found.first.tolist(), found.last.tolist(), strict=True)) == tried(line, pattern)


def test_how_sure_a_place_is():
    line = line_of([0, 2, 4], [0, 0, 0], [0.9, 0.4, 0.7])
    assert locate(line, [Step("a1"), Step("b1"), Step("c1")]).sure == pytest.approx([0.4])
    # What lies in a gap is not part of what was asked for.
    assert locate(line, [Step("a1", gap=True), Step("c1")]).sure == pytest.approx([0.7])


def test_where_the_last_chord_ends():
    line = line_of([0, 1, 0, 2, 0, 0], [0, 0, 0, 0, 0, 1])
    assert struck_again(line, Step("a."), np.array([0, 4])).tolist() == [2, 4]


def test_an_empty_line():
    assert locate(line_of([], []), [Step("a1"), Step("b1")]).first.size == 0
