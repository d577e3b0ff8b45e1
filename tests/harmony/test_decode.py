"""The decoder against brute force: every path of a small lattice, added up one by one."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise, product

import numpy as np
import pytest

from understave.harmony.decode import TOKEN_OF_TONIC, Constraints, Step, decode
from understave.harmony.emission import Lattice
from understave.harmony.features import segments
from understave.harmony.grammar import MOTIONS, TOKEN, TOKEN_KINDS, TOKENS, Grammar, bass_step
from understave.harmony.line_of_fifths import INVERSIONS, KEY_MODE, KEYS, label_index
from understave.harmony.units import Floats

UNITS = 4
LABELS = [label_index(0, 0, 0), label_index(1, 4, 1), label_index(-1, 1, 2)]
SOME_KEYS = np.array([10, 12, 25])


def random_rules(rng: np.random.Generator) -> Grammar:
    change = rng.normal(-1, 1, (4, len(KEYS), len(KEYS)))
    for plane in change:
        np.fill_diagonal(plane, -1e9)
    return Grammar(
        succession=rng.normal(-2, 1, (2, TOKENS, TOKENS)).astype(np.float32),
        inversion=rng.normal(-1, 1, (2, TOKENS, INVERSIONS)),
        enter=rng.normal(0, 1, (2, TOKENS)),
        leave=rng.normal(0, 1, (2, TOKENS)),
        change=change,
        bass_motion=rng.normal(0, 1, (INVERSIONS, INVERSIONS, 2 * MOTIONS + 1)),
        continuation=-0.7,
        opening=rng.normal(0, 1, len(KEYS)),
    )


def random_lattice(rng: np.random.Generator) -> Lattice:
    begin, end = segments(UNITS, 3)
    labels = np.stack([rng.permutation(LABELS) for _ in begin])
    scores = -np.sort(-rng.normal(0, 2, labels.shape), axis=1)
    at = np.searchsorted(end, np.arange(UNITS + 2))
    slices = tuple(slice(int(at[i]), int(at[i + 1])) for i in range(UNITS + 1))
    return Lattice(begin, end, labels, scores, rng.normal(0, 1, (len(begin), len(KEYS))), slices)


def every_path(
    lattice: Lattice, rules: Grammar, places: np.ndarray, same_root: Floats
) -> Iterator[tuple[float, tuple[Step, ...]]]:
    """Yield the score of every path and its steps; going on with the same label counts both ways."""
    index = {(int(b), int(e)): i for i, (b, e) in enumerate(zip(lattice.begin, lattice.end, strict=True))}
    for cuts in product([False, True], repeat=UNITS - 1):
        limits = [0, *(i + 1 for i, cut in enumerate(cuts) if cut), UNITS]
        stretches = list(pairwise(limits))
        if any(s not in index for s in stretches):
            continue
        for names in product(product(range(len(LABELS)), SOME_KEYS), repeat=len(stretches)):
            totals, steps = [0.0], []
            for n, ((begin, end), (row, key)) in enumerate(zip(stretches, names, strict=True)):
                s = index[begin, end]
                label, mode = int(lattice.labels[s, row]), KEY_MODE[key]
                token = TOKEN[label, key]
                own = float(rules.inversion[mode, token, label % INVERSIONS])
                if not n:
                    first = 0.5 * rules.succession[mode, TOKEN_OF_TONIC[mode], token]
                    ways = [own + float(first) + float(rules.opening[key])]
                else:
                    last = steps[-1]
                    way = own + float(rules.succession[mode, TOKEN[last.label, key], token])
                    motion = bass_step(np.array([last.label]), np.array([label]))[0]
                    way += float(rules.bass_motion[last.label % INVERSIONS, label % INVERSIONS, motion])
                    # Same root: all that is left of a label without its quality and inversion.
                    if TOKEN[last.label, 0] // TOKEN_KINDS == TOKEN[label, 0] // TOKEN_KINDS:
                        way += float(same_root[begin])
                    if key != last.key:
                        way += float(rules.change[places[begin], last.key, key] + rules.enter[mode, token])
                        way += float(rules.leave[KEY_MODE[last.key], TOKEN[last.label, last.key]])
                    ways = [way]
                    if (label, key) == (last.label, last.key):
                        ways.append(rules.continuation)
                here = float(lattice.scores[s, row] + lattice.keys[s, key])
                totals = [t + w + here for t in totals for w in ways]
                steps.append(Step(begin, end, label, int(key)))
            for total in totals:
                yield total, tuple(steps)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("temperature", [1.0, 1.7])
def test_best_path_and_beliefs_are_those_of_brute_force(seed: int, temperature: float) -> None:
    rng = np.random.default_rng(seed)
    lattice, rules = random_lattice(rng), random_rules(rng)
    places, same_root = rng.integers(0, 4, UNITS), rng.normal(0, 1, UNITS)
    paths = list(every_path(lattice, rules, places, same_root))
    best, steps = max(paths, key=lambda p: p[0])
    found = decode(lattice, rules, places, same_root, keys=SOME_KEYS, temperature=temperature)
    assert found.score == pytest.approx(best, abs=1e-3)
    assert found.path == steps

    weight = np.exp(np.array([p[0] for p in paths]) / temperature - best / temperature)
    weight /= weight.sum()
    expected: dict[tuple[int, int, int], float] = {}
    for w, (_, path) in zip(weight, paths, strict=True):
        for s in path:
            for unit in range(s.begin, s.end):
                name = (unit, s.label, s.key)
                expected[name] = expected.get(name, 0.0) + float(w)
    seen = {
        (unit, int(found.labels[i]), int(found.keys[i])): float(found.belief[i, unit])
        for i in range(len(found.labels))
        for unit in range(UNITS)
    }
    for name in expected.keys() | seen.keys():
        # Shares below a thousandth are not followed up, so small sums may be missing.
        assert seen.get(name, 0.0) == pytest.approx(expected.get(name, 0.0), abs=0.02)


def test_constraints_hold() -> None:
    rng = np.random.default_rng(3)
    lattice, rules = random_lattice(rng), random_rules(rng)
    places, same_root = rng.integers(0, 4, UNITS), np.zeros(UNITS)
    label = label_index(3, 8, 0)
    by_key = np.full(len(KEYS), -1)
    by_key[12] = label
    allowed = np.ones((UNITS, len(KEYS)))
    allowed[3] = 0
    allowed[3, 25] = 1
    wanted = Constraints(frozenset({3}), allowed, {(1, 3): by_key})
    path = decode(lattice, rules, places, same_root, wanted, SOME_KEYS).path
    assert Step(1, 3, label, 12) in path
    assert all(s.key == 25 for s in path if s.begin >= 3)


@pytest.mark.parametrize("seed", range(3))
def test_beliefs_alone_are_those_that_come_with_the_path(seed: int) -> None:
    rng = np.random.default_rng(seed)
    lattice, rules = random_lattice(rng), random_rules(rng)
    places, same_root = rng.integers(0, 4, UNITS), rng.normal(0, 1, UNITS)
    both = decode(lattice, rules, places, same_root, keys=SOME_KEYS)
    alone = decode(lattice, rules, places, same_root, keys=SOME_KEYS, path=False)
    assert alone.path == ()
    assert (alone.labels == both.labels).all()
    assert (alone.keys == both.keys).all()
    assert alone.belief == pytest.approx(both.belief)
    short = decode(lattice, rules, places, same_root, keys=SOME_KEYS, beliefs=False)
    assert short.path == both.path
