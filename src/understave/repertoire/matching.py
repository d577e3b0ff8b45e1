"""A pattern and a line of chords -> every place where the pattern begins, with its end.

The line is in `chord_lines`: the chords (or bass notes) of many pieces one after the other, as numbers.
Steps are followed from the last to the first, over arrays, so that a million chords take milliseconds.
Every beginning counts, so that places may overlap: I V I V I holds I V I twice.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Whole = npt.NDArray[np.integer]
Reals = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Step:
    """A chord of a pattern: a regular expression for its name (empty: any chord).

    With `again` it may be struck again, in another position; a chord that may be any is then none of its
    named neighbours. After a step with `gap` any number of chords may come before the next.
    """

    name: str = ""
    again: bool = True
    gap: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """Chords one after the other: `codes` into `names`, the `stretches` they lie in, how `sure` they are.

    A place lies within one stretch. `roots` are the codes of `names` without position and size: what is
    one chord struck again.
    """

    codes: Whole
    stretches: Whole
    sure: Reals
    names: Sequence[str]
    roots: Whole


@dataclass(frozen=True, slots=True)
class Found:
    """Places by first and last chord (indices in the line), and how sure the least sure named chord is."""

    first: Whole
    last: Whole
    sure: Reals


def locate(line: Line, steps: Sequence[Step]) -> Found:
    """Return all places of a pattern, by their beginnings; of each the shortest."""
    sets = [_wanted(line, steps, k) for k in range(len(steps))]
    first: Whole = np.flatnonzero(sets[-1][line.codes])
    last, sure = first, line.sure[first]
    for step, wanted in zip(reversed(steps[:-1]), reversed(sets[:-1]), strict=True):
        if step.gap:
            first, last, sure = _before_gap(line, wanted, first, last, sure)
        else:
            first, last, sure = _before(line, step, wanted, first, last, sure)
    if steps[0].again and first.size:
        # A place begins where its first chord is struck first.
        begins = ~_same(line, steps[0], sets[0], np.maximum(first - 1, 0), first) | (first == 0)
        first, last, sure = first[begins], last[begins], sure[begins]
    return Found(first, last, sure)


def struck_again(line: Line, step: Step, last: Whole) -> Whole:
    """Return where the last chord of places ends when it is struck again: index of its last stroke."""
    wanted = _wanted(line, [step], 0)
    ends = last.copy()
    moving = np.arange(ends.size)
    while moving.size:
        after = ends[moving] + 1
        inside = after < line.codes.size
        moving, after = moving[inside], after[inside]
        more = _same(line, step, wanted, after, after - 1)
        moving = moving[more]
        ends[moving] += 1
    return ends


def _wanted(line: Line, steps: Sequence[Step], k: int) -> npt.NDArray[np.bool_]:
    """Return for every name whether step `k` takes it."""
    step = steps[k]
    if step.name:
        pattern = re.compile(step.name)
        return np.array([pattern.fullmatch(name) is not None for name in line.names], bool)
    taken = np.ones(len(line.names), bool)
    if step.again:
        for other, apart in ((k - 1, k > 0 and steps[k - 1].gap), (k + 1, step.gap)):
            if 0 <= other < len(steps) and not apart and steps[other].name:
                taken &= ~_wanted(line, steps, other)
    return taken


def _same(
    line: Line, step: Step, wanted: npt.NDArray[np.bool_], at: Whole, beside: Whole
) -> npt.NDArray[np.bool_]:
    """Tell of chords whether they are a step's chord as those beside them are."""
    same = wanted[line.codes[at]] & (line.stretches[at] == line.stretches[beside])
    if not step.name:
        same &= line.roots[line.codes[at]] == line.roots[line.codes[beside]]
    return np.asarray(same, bool)


def _before(
    line: Line, step: Step, wanted: npt.NDArray[np.bool_], first: Whole, last: Whole, sure: Reals
) -> tuple[Whole, Whole, Reals]:
    """Put a chord, perhaps struck again, right before places."""
    at = first - 1
    keep = (at >= 0) & wanted[line.codes[at]] & (line.stretches[at] == line.stretches[first])
    at, last = at[keep], last[keep]
    sure = np.minimum(sure[keep], line.sure[at])
    if not step.again:
        return at, last, sure
    batches = [(at, last, sure)]
    seen = np.zeros(line.codes.size, bool)
    seen[at] = True
    while at.size:
        earlier = at - 1
        keep = (earlier >= 0) & ~seen[earlier] & _same(line, step, wanted, earlier, at)
        at, last = earlier[keep], last[keep]
        sure = np.minimum(sure[keep], line.sure[at])
        seen[at] = True
        batches.append((at, last, sure))
    at, last, sure = (np.concatenate(column) for column in zip(*batches, strict=True))
    order = np.argsort(at, kind="stable")
    return at[order], last[order], sure[order]


def _before_gap(
    line: Line, wanted: npt.NDArray[np.bool_], first: Whole, last: Whole, sure: Reals
) -> tuple[Whole, Whole, Reals]:
    """Put a chord somewhere before places, each before the nearest that follows it."""
    at = np.flatnonzero(wanted[line.codes])
    following = np.searchsorted(first, at, side="right")
    inside = following < first.size
    at, following = at[inside], following[inside]
    keep = line.stretches[at] == line.stretches[first[following]]
    at, following = at[keep], following[keep]
    return at, last[following], np.minimum(sure[following], line.sure[at])
