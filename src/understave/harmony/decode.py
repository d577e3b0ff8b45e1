"""Lattice and grammar -> the best path of labelled segments, and how sure each moment is.

Semi-Markov dynamic programming over (unit limit, label, key). One forward pass carries both the best
path (maxima) and the sum over all paths; a backward pass gives the share of belief of every label at
every moment (Rabiner 1989 for the recursions; Sarawagi and Cohen 2004 for their form over segments).
The decoder knows nothing of notes: whatever scores segments can be put before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from understave.harmony.emission import Lattice
from understave.harmony.grammar import TOKEN, Grammar, bass_step
from understave.harmony.timeline import Floats, Ints
from understave.harmony.vocabulary import INVERSIONS, KEY_MODE

BEAM = 24
"""Labels kept at every unit limit, each in every key."""
ENTRANTS = 48
"""Labels considered for the segments that begin at a limit."""


@dataclass(frozen=True)
class Constraints:
    """What the teacher has settled, in units.

    `limits` may not lie inside a segment; `keys` (U, K) tells which keys each unit may be in;
    `pinned` gives for a stretch (begin, end) the label it must have in each key, -1 for none.
    """

    limits: frozenset[int] = frozenset()
    keys: Floats | None = None
    pinned: Mapping[tuple[int, int], Ints] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Step:
    """One segment of a path: units begin..end under a label in a key."""

    begin: int
    end: int
    label: int
    key: int


@dataclass(frozen=True)
class Decoded:
    """The best path, and for each unit the belief in (label, key) pairs, and the log of the total."""

    path: tuple[Step, ...]
    belief: tuple[dict[tuple[int, int], float], ...]
    score: float


@dataclass
class _Limit:
    """What is known at one unit limit: arriving labels and entering labels, each by key."""

    labels: Ints
    best: Floats
    total: Floats
    entrants: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    enter_best: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    enter_total: Floats = field(default_factory=lambda: np.zeros((0, 0)))


def decode(
    lattice: Lattice,
    rules: Grammar,
    places: Ints,
    constraints: Constraints = Constraints(),
    keys: Ints | None = None,
    temperature: float = 1.0,
    beliefs: bool = True,
) -> Decoded:
    """Find the best path and the beliefs.

    `places` (U) says for each unit start whether it is a downbeat (0), a beat (1) or off the beat (2);
    `keys` restricts the search to some key numbers. A higher `temperature` flattens the beliefs.
    """
    return _Decoder(lattice, rules, places, constraints, keys, temperature).run(beliefs)


class _Decoder:
    def __init__(
        self,
        lattice: Lattice,
        rules: Grammar,
        places: Ints,
        constraints: Constraints,
        keys: Ints | None,
        temperature: float,
    ) -> None:
        self.lattice, self.rules, self.places = lattice, rules, places
        self.keys = np.arange(len(rules.opening)) if keys is None else keys
        self.mode = KEY_MODE[self.keys]
        self.token = TOKEN[:, self.keys]
        self.change = rules.change[:, self.keys[:, None], self.keys[None, :]]
        self.cool = 1.0 / temperature
        self.units = len(places)
        self.pinned = {stretch: label[self.keys] for stretch, label in constraints.pinned.items()}
        self._arrange(constraints)

    def _arrange(self, constraints: Constraints) -> None:
        """List for each limit the segments that end there, and the labels that may enter."""
        lat = self.lattice
        keep = np.ones(len(lat.begin), dtype=bool)
        limits = set(constraints.limits)
        for begin, end in self.pinned:
            limits |= {begin, end}
        for limit in limits:
            keep &= ~((lat.begin < limit) & (limit < lat.end))
        for begin, end in self.pinned:
            keep &= ~((lat.begin >= begin) & (lat.end <= end))
        self.key_scores = lat.keys[:, self.keys].copy()
        if constraints.keys is not None:
            forbidden = 1.0 - constraints.keys[:, self.keys]
            total = np.concatenate((np.zeros((1, len(self.keys))), np.cumsum(forbidden, 0)))
            self.key_scores[total[lat.end] - total[lat.begin] > 0] = -1e9
        self.segments = [np.arange(s.start, s.stop)[keep[s]] for s in lat.by_end]
        by_begin: list[list[int]] = [[] for _ in range(self.units + 1)]
        for s in np.nonzero(keep)[0]:
            by_begin[lat.begin[s]].append(int(s))
        self.entering: list[Ints] = []
        for begin in range(self.units + 1):
            rows = by_begin[begin]
            found = np.zeros(0, dtype=np.int64)
            if rows:
                labels = lat.labels[rows]
                worth = (lat.scores[rows] - lat.scores[rows][:, :1]).ravel()
                order = np.argsort(-worth, kind="stable")
                flat = labels.ravel()[order]
                _, first = np.unique(flat, return_index=True)
                found = flat[np.sort(first)[:ENTRANTS]]
            for (a, _), label in self.pinned.items():
                if a == begin:
                    found = np.concatenate((found, np.unique(label[label >= 0])))
            self.entering.append(np.unique(found))

    def run(self, beliefs: bool) -> Decoded:
        self.at: list[_Limit] = []
        opening = self.rules.opening[self.keys]
        none = np.zeros(0, dtype=np.int64)
        self.at.append(_Limit(none, np.zeros((0, 0)), np.zeros((0, 0))))
        entrants = self.entering[0]
        chance = self._inversion(entrants) + self._first(entrants) + opening[None, :]
        self.at[0].entrants, self.at[0].enter_best = entrants, chance
        self.at[0].enter_total = chance * self.cool
        for end in range(1, self.units + 1):
            self.at.append(self._arrive(end))
            if end < self.units and len(self.at[end].labels) and len(self.entering[end]):
                self._enter(end)
        final = self.at[self.units]
        row, key = np.unravel_index(int(np.argmax(final.best)), final.best.shape)
        path = self._trace(int(final.labels[row]), int(key))
        score = float(final.best[row, key])
        return Decoded(path, self._beliefs() if beliefs else (), score)

    def _inversion(self, labels: Ints) -> Floats:
        """Log share of each label's inversion among its token's, shape (labels, K)."""
        token = self.token[labels]
        return np.asarray(self.rules.inversion[self.mode[None, :], token, (labels % INVERSIONS)[:, None]])

    def _first(self, labels: Ints) -> Floats:
        """Log share of a token with nothing before it: as if a tonic triad had gone before."""
        tonic = TOKEN_OF_TONIC[self.mode]
        return np.asarray(self.rules.succession[self.mode[None, :], tonic[None, :], self.token[labels]]) * 0.5

    def _between(self, before: Ints, after: Ints) -> Floats:
        """Score of going from label to label in each key, shape (before, after, K)."""
        tokens_before, tokens_after = self.token[before], self.token[after]
        step = self.rules.succession[self.mode, tokens_before[:, None, :], tokens_after[None, :, :]]
        bass = self.rules.bass_motion[
            (before % INVERSIONS)[:, None],
            (after % INVERSIONS)[None, :],
            bass_step(before[:, None], after[None, :]),
        ]
        return np.asarray(step + bass[:, :, None])

    def _enter(self, at: int) -> None:
        limit, labels = self.at[at], self.entering[at]
        change = self.change[self.places[at]]
        between = self._between(limit.labels, labels)
        own = self._inversion(labels)
        moved = (limit.best[:, :, None] + change[None]).max(1)
        best = (moved[:, None, :] + between).max(0) + own
        same_before, same_after = np.nonzero(limit.labels[:, None] == labels[None, :])
        on = limit.best[same_before] + self.rules.continuation
        best[same_after] = np.maximum(best[same_after], on)

        top = limit.total.max()
        mixed = np.exp(np.clip(limit.total - top, -700, 0)) @ np.exp(change * self.cool)
        between = between * self.cool
        peak = between.max()
        total = np.log(np.einsum("ck,cnk->nk", mixed, np.exp(between - peak)) + 1e-300) + top + peak
        total += own * self.cool
        on = limit.total[same_before] + self.rules.continuation * self.cool
        total[same_after] = np.logaddexp(total[same_after], on)
        limit.entrants, limit.enter_best, limit.enter_total = labels, best, total

    def _candidates(self, end: int) -> list[tuple[int, Ints, Floats, Ints]]:
        """Return for each segment that ends here: begin, labels, their scores by key, entrant rows."""
        lat, result = self.lattice, []
        for s in self.segments[end]:
            begin = int(lat.begin[s])
            entrants = self.at[begin].entrants
            if not len(entrants):
                continue
            labels = lat.labels[s]
            row = np.searchsorted(entrants, labels)
            row[row == len(entrants)] = 0
            known = entrants[row] == labels
            worth = lat.scores[s][known][:, None] + self.key_scores[s][None, :]
            result.append((begin, labels[known], worth, row[known]))
        for (begin, stop), by_key in self.pinned.items():
            if stop == end and len(self.at[begin].entrants):
                labels = np.unique(by_key[by_key >= 0])
                worth = np.where(by_key[None, :] == labels[:, None], 0.0, -1e9)
                result.append((begin, labels, worth, np.searchsorted(self.at[begin].entrants, labels)))
        return result

    def _arrive(self, end: int) -> _Limit:
        found = self._candidates(end)
        if not found:
            none = np.zeros(0, dtype=np.int64)
            return _Limit(none, np.zeros((0, len(self.keys))), np.zeros((0, len(self.keys))))
        labels = np.concatenate([f[1] for f in found])
        best = np.concatenate([self.at[b].enter_best[rows] + worth for b, _, worth, rows in found])
        total = np.concatenate(
            [self.at[b].enter_total[rows] + worth * self.cool for b, _, worth, rows in found]
        )
        order = np.argsort(labels, kind="stable")
        labels = labels[order]
        starts = np.nonzero(np.concatenate(([True], labels[1:] != labels[:-1])))[0]
        names = labels[starts]
        best = np.maximum.reduceat(best[order], starts)
        peak = np.maximum.reduceat(total[order], starts)
        spread = np.repeat(peak, np.diff(np.concatenate((starts, [len(labels)]))), axis=0)
        total = np.log(np.add.reduceat(np.exp(total[order] - spread), starts)) + peak
        if len(names) > BEAM:
            top = np.sort(np.argpartition(-best.max(1), BEAM)[:BEAM])
            names, best, total = names[top], best[top], total[top]
        return _Limit(names, best, total)

    def _trace(self, label: int, key: int) -> tuple[Step, ...]:
        steps: list[Step] = []
        end = self.units
        while end > 0:
            choice: tuple[float, int, int] | None = None
            for begin, labels, worth, rows in self._candidates(end):
                for i in np.nonzero(labels == label)[0]:
                    value = float(self.at[begin].enter_best[rows[i], key] + worth[i, key])
                    if choice is None or value > choice[0]:
                        choice = (value, begin, int(rows[i]))
            assert choice is not None
            _, begin, _ = choice
            steps.append(Step(begin, end, label, int(self.keys[key])))
            if begin > 0:
                label, key = self._before(begin, label, key)
            end = begin
        return tuple(reversed(steps))

    def _before(self, at: int, label: int, key: int) -> tuple[int, int]:
        limit = self.at[at]
        between = self._between(limit.labels, np.array([label]))[:, 0, key]
        value = limit.best + self.change[self.places[at]][:, key][None, :] + between[:, None]
        value = value + self._inversion(np.array([label]))[0, key]
        same = np.nonzero(limit.labels == label)[0]
        if len(same):
            value[same[0], key] = max(value[same[0], key], limit.best[same[0], key] + self.rules.continuation)
        row, before = np.unravel_index(int(np.argmax(value)), value.shape)
        return int(limit.labels[row]), int(before)

    def _beliefs(self) -> tuple[dict[tuple[int, int], float], ...]:
        k = len(self.keys)
        after: list[Floats] = [np.zeros((0, k))] * (self.units + 1)
        after[self.units] = np.zeros_like(self.at[self.units].total)
        final = self.at[self.units].total
        whole = final.max() + np.log(np.exp(final - final.max()).sum())
        onward: list[list[tuple[Ints, Floats]]] = [[] for _ in range(self.units + 1)]
        held: list[dict[tuple[int, int], float]] = [{} for _ in range(self.units)]
        edges: list[tuple[int, int, Ints, Floats]] = []
        for end in range(self.units, 0, -1):
            limit = self.at[end]
            if not len(limit.labels):
                continue
            if end < self.units:
                after[end] = self._backward(end, onward[end])
            position = {int(label): i for i, label in enumerate(limit.labels)}
            for begin, labels, worth, rows in self._candidates(end):
                live = [i for i, label in enumerate(labels) if int(label) in position]
                if not live:
                    continue
                where = [position[int(labels[i])] for i in live]
                tail = worth[live] * self.cool + after[end][where]
                onward[begin].append((rows[live], tail))
                share = np.exp(np.clip(self.at[begin].enter_total[rows[live]] + tail - whole, -700, 0))
                edges.append((begin, end, labels[live], share))
        for begin, end, labels, share in edges:
            for i, key in zip(*np.nonzero(share > 1e-4), strict=True):
                name = (int(labels[i]), int(self.keys[key]))
                for unit in range(begin, end):
                    held[unit][name] = held[unit].get(name, 0.0) + float(share[i, key])
        return tuple(held)

    def _backward(self, at: int, onward: list[tuple[Ints, Floats]]) -> Floats:
        """Log total of everything after a limit, for each arriving label and key."""
        limit = self.at[at]
        if not onward or not len(limit.entrants):
            return np.full_like(limit.total, -1e9)
        entry = np.full((len(limit.entrants), len(self.keys)), -1e9)
        rows = np.concatenate([r for r, _ in onward])
        tails = np.concatenate([t for _, t in onward])
        peak = np.full_like(entry, -1e9)
        np.maximum.at(peak, rows, tails)
        total = np.zeros_like(entry)
        np.add.at(total, rows, np.exp(tails - peak[rows]))
        entry = np.where(total > 0, np.log(np.maximum(total, 1e-300)) + peak, -1e9)
        with_own = entry + self._inversion(limit.entrants) * self.cool
        between = self._between(limit.labels, limit.entrants) * self.cool
        top, height = with_own.max(), between.max()
        mass = np.einsum("cnk,nk->ck", np.exp(between - height), np.exp(np.clip(with_own - top, -700, 0)))
        mass = mass @ np.exp(self.change[self.places[at]] * self.cool).T
        result = np.log(mass + 1e-300) + top + height
        before, after = np.nonzero(limit.labels[:, None] == limit.entrants[None, :])
        on = entry[after] + self.rules.continuation * self.cool
        result[before] = np.logaddexp(result[before], on)
        return np.asarray(result)


def _tonics() -> Ints:
    from understave.harmony.grammar import LOW, TOKEN_KINDS

    return np.array([-LOW * TOKEN_KINDS, -LOW * TOKEN_KINDS + 1])


TOKEN_OF_TONIC = _tonics()
