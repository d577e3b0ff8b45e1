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

from understave.harmony.emission import Lattice, Singles
from understave.harmony.grammar import TOKEN, Grammar, bass_step
from understave.harmony.line_of_fifths import INVERSIONS, KEY_MODE, KINDS, LABELS
from understave.harmony.units import Floats, Ints

BEAM = 24
"""Labels kept at every unit limit, each in every key."""
ENTRANTS = 48
"""Labels considered for the segments that begin at a limit."""


_NEVER = -1e9
_PER_ROOT = INVERSIONS * len(KINDS)
_FAINT = 1e-3
"""Shares of belief below this are not followed up."""
_LOG_FAINT = float(np.log(_FAINT))
_ROOM = 1 << 24
"""Bytes in which the way back finds what the way forth worked out; beyond them it is worked out again."""


@dataclass(frozen=True)
class Constraints:
    """What the teacher has settled, in units.

    `limits` may not lie inside a segment; `keys` (U, K) tells which keys each unit may be in;
    `pinned` gives for a stretch (begin, end) the label it must have in each key, -1 for none.
    """

    limits: frozenset[int] = frozenset()
    keys: Floats | None = None
    pinned: Mapping[tuple[int, int], Ints] = field(default_factory=dict)

    def within(self, units: slice) -> Constraints:
        """Return what is settled in some of the units, counted from the first of them."""
        first, last = units.start, units.stop
        return Constraints(
            frozenset(t - first for t in self.limits if first <= t <= last),
            None if self.keys is None else self.keys[units],
            {
                (max(a, first) - first, min(b, last) - first): labels
                for (a, b), labels in self.pinned.items()
                if a < last and first < b
            },
        )


@dataclass(frozen=True, slots=True)
class Step:
    """One segment of a path: units begin..end under a label in a key."""

    begin: int
    end: int
    label: int
    key: int


@dataclass(frozen=True)
class Decoded:
    """The best path and the beliefs.

    `labels`, `keys` (N) name the pairs that are believed anywhere; `belief` (N, U) is the share of each
    at every unit; each unit's shares add up to at most 1. `score` is the best path's.
    """

    path: tuple[Step, ...]
    labels: Ints
    keys: Ints
    belief: Floats
    score: float


def decode(  # noqa: PLR0913
    lattice: Lattice,
    rules: Grammar,
    places: Ints,
    same_root: Floats,
    constraints: Constraints = Constraints(),
    keys: Ints | None = None,
    temperature: float = 1.0,
    beliefs: bool = True,
    path: bool = True,
) -> Decoded:
    """Find the best path and the beliefs, or one of them; without the path its score is that of all paths.

    `places` (U) says for each unit start whether it is a downbeat (0), a beat (1), off the beat (2), or
    after a pause (3); `same_root` (U) is the score of another chord on the same root there; `keys`
    restricts the search to some key numbers. A higher `temperature` flattens the beliefs.
    """
    everything = np.arange(len(rules.opening))
    keys = everything if keys is None else keys
    decoder = _Decoder(lattice, rules, places, same_root, constraints, keys, temperature)
    decoder.beliefs, decoder.best = beliefs, path
    return decoder.run()


class _Decoder:
    """The recursions over flat arrays.

    An *entry* is a label that may begin at a limit; a *pair* is a segment with one of its labels, sorted by
    (end, label). Every pair points to the entry it begins with and to its segment's key scores.
    """

    def __init__(  # noqa: PLR0913
        self,
        lattice: Lattice,
        rules: Grammar,
        places: Ints,
        same_root: Floats,
        constraints: Constraints,
        keys: Ints,
        temperature: float,
    ) -> None:
        self.rules, self.places, self.keys = rules, places, keys
        self.beliefs = self.best = True
        self.same_root = same_root
        mode, token = KEY_MODE[keys][None, :], TOKEN[:, keys]
        self.cool = 1.0 / temperature
        self.change = rules.change[:, keys[:, None], keys[None, :]]
        self.change_mass = np.exp(self.change * self.cool)
        # Of every label in every key, (LABELS, K): the log share of its inversion among its token's; what
        # it is worth as the first and the last in a key; with nothing before it, half as if a tonic
        # triad had gone before; and its row and column in the flattened table of successions.
        label = np.arange(LABELS)[:, None]
        self.inversion = rules.inversion[mode, token, label % INVERSIONS]
        self.enter_key, self.leave_key = rules.enter[mode, token], rules.leave[mode, token]
        self.enter_mass, self.leave_mass = (
            np.exp(self.enter_key * self.cool),
            np.exp(self.leave_key * self.cool),
        )
        self.first = 0.5 * rules.succession[mode, TOKEN_OF_TONIC[mode], token].astype(float)
        tokens = rules.succession.shape[-1]
        self.succession = rules.succession.ravel()
        self.row, self.column = np.ascontiguousarray(((mode * tokens + token) * tokens).T), token.T.copy()
        self.units = len(places)
        self._arrange(lattice, constraints)
        self._tabulate_basses()

    def _arrange(self, lattice: Lattice, constraints: Constraints) -> None:
        """Flatten the lattice into entries and pairs that respect the constraints."""
        pinned = {stretch: label[self.keys] for stretch, label in constraints.pinned.items()}
        keep = np.ones(len(lattice.begin), dtype=bool)
        for limit in constraints.limits | {t for stretch in pinned for t in stretch}:
            keep &= ~((lattice.begin < limit) & (limit < lattice.end))
        for first, last in pinned:
            keep &= ~((lattice.begin >= first) & (lattice.end <= last))
        key_scores = lattice.keys[keep][:, self.keys]
        begins, ends = lattice.begin[keep], lattice.end[keep]
        if constraints.keys is not None:
            forbidden = 1.0 - constraints.keys[:, self.keys]
            total = np.concatenate((np.zeros((1, len(self.keys))), np.cumsum(forbidden, 0)))
            key_scores = np.where(total[ends] - total[begins] > 0, _NEVER, key_scores)
        labels, scores = lattice.labels[keep], lattice.scores[keep]
        count, kept = labels.shape
        begin = np.repeat(begins, kept)
        end = np.repeat(ends, kept)
        label, score = labels.ravel(), scores.ravel()
        row = np.repeat(np.arange(count), kept)
        worth = (scores - scores[:, :1]).ravel()
        chosen = self._entries(begin, label, worth)

        more = []
        for (a, b), by_key in pinned.items():
            for name in np.unique(by_key[by_key >= 0]):
                more.append((a, b, int(name), np.where(by_key == name, 0.0, _NEVER)))
        if more:
            begin = np.concatenate((begin, [m[0] for m in more]))
            end = np.concatenate((end, [m[1] for m in more]))
            label = np.concatenate((label, [m[2] for m in more]))
            score = np.concatenate((score, np.zeros(len(more))))
            row = np.concatenate((row, count + np.arange(len(more))))
            key_scores = np.concatenate((key_scores, [m[3] for m in more]))
            chosen = np.unique(np.concatenate((chosen, [m[0] * LABELS + m[2] for m in more])))

        self.key_scores = key_scores
        self.entry_label = chosen % LABELS
        self.entry_at = np.searchsorted(chosen // LABELS, np.arange(self.units + 2))
        code = begin * LABELS + label
        entry = np.searchsorted(chosen, code)
        entry[entry == len(chosen)] = 0
        known = chosen[entry] == code
        order = np.nonzero(known)[0]
        order = order[np.lexsort((label[order], end[order]))]
        self.pair_begin, self.pair_label = begin[order], label[order]
        self.pair_entry, self.pair_row, self.pair_score = (
            entry[order],
            row[order],
            score[order],
        )
        self.pair_at = np.searchsorted(end[order], np.arange(self.units + 2))
        # Where each group of pairs of one end and one label begins, and its size.
        code = end[order] * LABELS + self.pair_label
        self.group = np.flatnonzero(np.concatenate(([True], code[1:] != code[:-1]))[: len(code)])
        self.group_at = np.searchsorted(self.group, self.pair_at)
        self.group_size = np.diff(np.concatenate((self.group, [len(code)])))

    def _tabulate_basses(self) -> None:
        """Work out once what every two labels of the piece score for the motion of the bass."""
        known = np.unique(self.entry_label)
        self.number = np.zeros(LABELS, dtype=np.int64)
        self.number[known] = np.arange(len(known))
        self.known = len(known)
        before, after = known[:, None], known[None, :]
        self.motion = self.rules.bass_motion[
            before % INVERSIONS, after % INVERSIONS, bass_step(before, after)
        ].ravel()

    def _entries(self, begin: Ints, label: Ints, worth: Floats) -> Ints:
        """Return codes begin * LABELS + label of the best entries of every limit, sorted."""
        order = np.lexsort((-worth, begin))
        code = begin[order] * LABELS + label[order]
        _, first = np.unique(code, return_index=True)
        first = np.sort(first)
        at = begin[order][first]
        rank = np.arange(len(first)) - np.searchsorted(at, at)
        result: Ints = np.sort(code[first[rank < ENTRANTS]])
        return result

    def run(self) -> Decoded:
        size = (len(self.entry_label), len(self.keys))
        self.enter_best = np.full(size, _NEVER)
        self.enter_total = np.full(size, _NEVER)
        self.arrived: list[tuple[Ints, Floats, Floats]] = [_nothing(len(self.keys))]
        # How likely each step at a limit is, kept for the way back as far as there is room.
        self.steps: dict[int, tuple[Singles, float]] = {}
        self.room = _ROOM
        first = slice(0, int(self.entry_at[1]))
        entrants = self.entry_label[first]
        chance = self.inversion[entrants] + self.first[entrants] + self.rules.opening[self.keys][None, :]
        self.enter_best[first], self.enter_total[first] = chance, chance * self.cool
        for end in range(1, self.units + 1):
            self.arrived.append(self._arrive(end))
            if end < self.units and len(self.arrived[end][0]):
                self._enter(end)
        labels, best, _ = self.arrived[self.units]
        row, key = np.unravel_index(int(np.argmax(best)), best.shape)
        path = self._trace(int(labels[row]), int(key)) if self.best else ()
        none = np.zeros(0, dtype=np.int64)
        beliefs = self._beliefs() if self.beliefs else (none, none, np.zeros((0, self.units)))
        return Decoded(path, *beliefs, float(best[row, key]))

    def _between(self, at: int, before: Ints, after: Ints) -> Singles:
        """Score of going from label to label in each key, shape (K, before, after)."""
        rows, columns = self.row.take(before, axis=1), self.column.take(after, axis=1)
        step: Singles = self.succession.take(rows[:, :, None] + columns[:, None, :])
        places = (self.number.take(before) * self.known)[:, None] + self.number.take(after)
        root = ((before // _PER_ROOT)[:, None] == after // _PER_ROOT) * self.same_root[at]
        step += (self.motion.take(places) + root).astype(np.float32)
        return step

    def _likely(self, between: Singles) -> tuple[Singles, float]:
        """How likely each step from label to label is beside the likeliest, and that one's logarithm."""
        between *= self.cool
        peak = float(between.max())
        between -= peak
        return np.exp(between, out=between), peak

    def _enter(self, at: int) -> None:
        """Carry what arrived at a limit over to the labels that begin there."""
        rows = slice(int(self.entry_at[at]), int(self.entry_at[at + 1]))
        labels = self.entry_label[rows]
        if not len(labels):
            return
        before, _, total = self.arrived[at]
        between = self._between(at, before, labels)
        own = self.inversion[labels]
        same_before, same_after = (before[:, None] == labels).nonzero()
        if self.best:
            self.enter_best[rows] = self._best_entering(at, between, labels)
        if not self.beliefs:
            return
        top = total.max()
        here = np.exp(np.maximum(total - top, -700))
        turned = (here * self.leave_mass[before]) @ self.change_mass[self.places[at]]
        likely, peak = self._likely(between)
        if likely.nbytes <= self.room:
            self.steps[at] = likely, peak
            self.room -= likely.nbytes
        both = np.empty((len(self.keys), 2, len(before)))
        both[:, 0], both[:, 1] = here.T, turned.T
        ahead = both @ likely
        mass = ahead[:, 0].T + ahead[:, 1].T * self.enter_mass[labels]
        result = np.log(mass + 1e-300) + top + peak + own * self.cool
        on = total[same_before] + self.rules.continuation * self.cool
        result[same_after] = np.logaddexp(result[same_after], on)
        self.enter_total[rows] = result

    def _best_entering(self, at: int, between: Singles, labels: Ints) -> Floats:
        """Return what the best path into each label that begins at a limit is worth, by key."""
        before, arrived, _ = self.arrived[at]
        change = self.change[self.places[at]]
        own, leave, enter = self.inversion[labels], self.leave_key[before], self.enter_key[labels]
        moved = ((arrived + leave)[:, :, None] + change[None]).max(1)
        stayed = (arrived.T[:, :, None] + between).max(1).T
        best: Floats = np.maximum(stayed, (moved.T[:, :, None] + between).max(1).T + enter) + own
        same_before, same_after = (before[:, None] == labels).nonzero()
        best[same_after] = np.maximum(best[same_after], arrived[same_before] + self.rules.continuation)
        return best

    def _pairs(self, end: int) -> tuple[slice, Floats]:
        """Return the pairs that end at a limit and their own scores by key."""
        pairs = slice(int(self.pair_at[end]), int(self.pair_at[end + 1]))
        return pairs, self.pair_score[pairs][:, None] + self.key_scores[self.pair_row[pairs]]

    def _arrive(self, end: int) -> tuple[Ints, Floats, Floats]:
        """Return the labels that reach a limit with their best and total scores by key."""
        pairs, worth = self._pairs(end)
        entry = self.pair_entry[pairs]
        if not len(entry):
            return _nothing(len(self.keys))
        groups = slice(int(self.group_at[end]), int(self.group_at[end + 1]))
        starts = self.group[groups] - pairs.start
        names = self.pair_label[self.group[groups]]
        if self.beliefs:
            reached = self.enter_total[entry] + worth * self.cool
            peak = np.maximum.reduceat(reached, starts)
            mass = np.add.reduceat(np.exp(reached - peak.repeat(self.group_size[groups], axis=0)), starts)
            best = total = np.log(mass) + peak
        if self.best:
            best = np.maximum.reduceat(self.enter_best[entry] + worth, starts)
        if not self.beliefs:
            total = best
        top = np.arange(len(names))
        if len(names) > BEAM:
            top = (-best.max(1)).argpartition(BEAM)[:BEAM]
            top.sort()
        return names[top], best[top], total[top]

    def _trace(self, label: int, key: int) -> tuple[Step, ...]:
        steps: list[Step] = []
        end = self.units
        while end > 0:
            pairs, worth = self._pairs(end)
            value = self.enter_best[self.pair_entry[pairs], key] + worth[:, key]
            value = np.where(self.pair_label[pairs] == label, value, -np.inf)
            begin = int(self.pair_begin[pairs][int(np.argmax(value))])
            steps.append(Step(begin, end, label, int(self.keys[key])))
            if begin > 0:
                label, key = self._before(begin, label, key)
            end = begin
        return tuple(reversed(steps))

    def _before(self, at: int, label: int, key: int) -> tuple[int, int]:
        """Return the label and key from which an entry was best reached."""
        labels, arrived, _ = self.arrived[at]
        one = np.array([label])
        moved = arrived + self.leave_key[labels] + self.change[self.places[at]][:, key][None, :]
        moved = moved + self.enter_key[label, key]
        moved[:, key] = arrived[:, key]
        value = moved + self._between(at, labels, one)[key, :, 0][:, None] + self.inversion[label, key]
        same = np.nonzero(labels == label)[0]
        if len(same):
            value[same[0], key] = max(value[same[0], key], arrived[same[0], key] + self.rules.continuation)
        row, before = np.unravel_index(int(np.argmax(value)), value.shape)
        return int(labels[row]), int(before)

    def _beliefs(self) -> tuple[Ints, Ints, Floats]:
        k = len(self.keys)
        final = self.arrived[self.units][2]
        whole = final.max() + np.log(np.exp(final - final.max()).sum())
        onward = np.full_like(self.enter_total, _NEVER)
        names: list[Ints] = []
        shares: list[Floats] = []
        begins: list[Ints] = []
        ends: list[Ints] = []
        for end in range(self.units, 0, -1):
            labels, _, total = self.arrived[end]
            pairs, worth = self._pairs(end)
            if not len(labels):
                continue
            after = np.zeros_like(total) if end == self.units else self._backward(end, onward)
            own, entry = self.pair_label[pairs], self.pair_entry[pairs]
            where = labels.searchsorted(own)
            where[where == len(labels)] = 0
            live = labels[where] == own
            entry = entry[live]
            tail = worth[live] * self.cool + after[where[live]]
            # One pair at most joins an entry to a limit, so no entry occurs twice here.
            onward[entry] = np.logaddexp(onward[entry], tail)
            belief = self.enter_total[entry] + tail - whole
            row, key = (belief > _LOG_FAINT).nonzero()
            share = np.exp(np.minimum(belief[row, key], 0))
            names.append(own[live][row] * k + key)
            shares.append(share)
            begins.append(self.pair_begin[pairs][live][row])
            ends.append(np.full_like(row, end))
        name, number = np.unique(np.concatenate(names), return_inverse=True)
        share = np.concatenate(shares)
        change = np.zeros((len(name), self.units + 1))
        np.add.at(change, (number, np.concatenate(begins)), share)
        np.add.at(change, (number, np.concatenate(ends)), -share)
        # The largest table of a long piece, so it is worked on where it lies.
        belief = np.cumsum(change, 1, out=change)[:, :-1]
        np.clip(belief, 0.0, 1.0, out=belief)
        seen = belief.max(1) > 5 * _FAINT
        return name[seen] // k, self.keys[name[seen] % k], belief[seen]

    def _backward(self, at: int, onward: Floats) -> Floats:
        """Log total of everything after a limit, for each arriving label and key."""
        labels, _, total = self.arrived[at]
        rows = slice(int(self.entry_at[at]), int(self.entry_at[at + 1]))
        entrants = self.entry_label[rows]
        if not len(entrants):
            return np.full_like(total, _NEVER)
        entry = onward[rows]
        ahead = entry + self.inversion[entrants] * self.cool
        known = self.steps.pop(at, None)
        likely, height = known or self._likely(self._between(at, labels, entrants))
        top = ahead.max()
        coming = np.exp(np.maximum(ahead - top, -700))
        entering = coming * self.enter_mass[entrants]
        both = np.empty((len(self.keys), len(entrants), 2))
        both[:, :, 0], both[:, :, 1] = coming.T, entering.T
        met = likely @ both
        turning = met[:, :, 1].T @ self.change_mass[self.places[at]].T
        mass = met[:, :, 0].T + turning * self.leave_mass[labels]
        result = np.log(mass + 1e-300) + top + height
        before, after = (labels[:, None] == entrants).nonzero()
        on = entry[after] + self.rules.continuation * self.cool
        result[before] = np.logaddexp(result[before], on)
        return np.asarray(result)


def _nothing(keys: int) -> tuple[Ints, Floats, Floats]:
    return np.zeros(0, dtype=np.int64), np.zeros((0, keys)), np.zeros((0, keys))


def _tonics() -> Ints:
    from understave.harmony.grammar import LOW, TOKEN_KINDS

    return np.array([-LOW * TOKEN_KINDS, -LOW * TOKEN_KINDS + 1])


TOKEN_OF_TONIC = _tonics()
