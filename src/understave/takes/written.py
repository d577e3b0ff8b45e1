"""A Score as the moments at which keys are struck, with what a strike costs at each: what `following` walks
on.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from understave.score.model import Note, Score

OTHER_KEY, NEAR_KEY, ORNAMENT_KEY = 6.0, 4.5, 0.5
"""Cost of a strike whose key is not written here, of one a (semi)tone or octave off, of a neighbour note."""
REPEAT = 4.0
"""Cost of a repeat sign, ending or da capo that is followed or not. Costs: see `following`."""
GRACE = Fraction(1, 24)
"""Quarter notes that a grace note is taken to stand before the next one."""


class Written:
    """The moments of a score, or of the bars from `first` to `last` (indexes, both included).

    `times` are the moments; `notes[i]` the notes struck at moment i; `cost` is (128, moments), what a
    strike of each key costs there; `size` the number of keys of a moment, `loose` where strikes may come
    one by one. `leave`, `enter` and `price` are the ways that repeats and da capos open.
    """

    def __init__(self, score: Score, first: int = 0, last: int | None = None) -> None:
        end = len(score.measures) - 1 if last is None else last
        notes = [note for note in score.notes if not note.cue and first <= note.measure <= end]
        when = _with_graces(notes)
        self.times = sorted(set(when.values()))
        place = {t: i for i, t in enumerate(self.times)}
        self.notes: list[list[Note]] = [[] for _ in self.times]
        for note in notes:
            self.notes[place[when[note.id]]].append(note)
        self.quarters: NDArray[np.float64] = np.array([float(t) for t in self.times])
        self.size: NDArray[np.float32] = np.array(
            [len({note.midi for note in h}) for h in self.notes], np.float32
        )
        self.loose: NDArray[np.bool_] = np.zeros(len(self.times), bool)
        self.cost: NDArray[np.float32] = self._costs()
        measures = score.measures[first : end + 1]
        starts = [bisect_left(self.times, measure.start) for measure in measures]
        self.bars: NDArray[np.intp] = np.unique([i for i in starts if i < len(self.times)]).astype(np.intp)
        self.bar_of: NDArray[np.intp] = np.searchsorted(self.bars, np.arange(len(self.times)), side="right")
        ways = _ways(self.times, score, first, end)
        self.leave: NDArray[np.intp] = np.array([w[0] for w in ways], np.intp)
        self.enter: NDArray[np.intp] = np.array([w[1] for w in ways], np.intp)
        self.price: NDArray[np.float32] = np.array([w[2] for w in ways], np.float32)

    def _costs(self) -> NDArray[np.float32]:
        cost = np.full((128, len(self.times)), OTHER_KEY, np.float32)
        exact: list[tuple[int, int]] = []
        near: list[tuple[int, int]] = []
        ornament: list[tuple[int, int]] = []
        for i, here in enumerate(self.notes):
            for note in here:
                exact.append((note.midi, i))
                near += [(note.midi + d, i) for d in (-12, -2, -1, 1, 2, 12)]
                self.loose[i] |= bool(note.ornaments) or note.grace or note.arpeggiated
                if note.ornaments:
                    last = max(i + 1, bisect_left(self.times, note.end))
                    self.loose[i:last] = True
                    ornament += [(note.midi + d, j) for j in range(i, last) for d in (-2, -1, 0, 1, 2)]
        for places, price in ((near, NEAR_KEY), (ornament, ORNAMENT_KEY), (exact, 0.0)):
            for key, i in places:
                if 0 <= key < 128:
                    cost[key, i] = price
        return cost


def _ways(times: Sequence[Fraction], score: Score, first: int, last: int) -> list[tuple[int, int, float]]:
    """Return (moment left, moment entered, price) of repeats, endings, da capo and dal segno."""
    found: dict[tuple[int, int], float] = {}
    low, high = score.measures[first].start, score.measures[last].end
    for leave, enter in (*_repeats(score), *_marked_jumps(score)):
        if not (low < leave <= high and low <= enter < high):
            continue
        a, b = bisect_left(times, leave) - 1, bisect_left(times, enter)
        if a >= 0 and b < len(times):
            for d in range(min(3, a + 1)):
                price = REPEAT + 1.5 * d
                found[a - d, b] = min(price, found.get((a - d, b), price))
    return [(a, b, price) for (a, b), price in found.items()]


def _repeats(score: Score) -> set[tuple[Fraction, Fraction]]:
    """Return (moment left, moment entered) of repeat signs and endings."""
    bars = score.measures
    pairs: set[tuple[Fraction, Fraction]] = set()
    begin = bars[0].start if bars else Fraction(0)
    for k, measure in enumerate(bars):
        if measure.repeat_start:
            begin = measure.start
        if measure.ending and (k == 0 or bars[k - 1].ending != measure.ending):
            later = next((b for b in bars[k:] if b.ending and b.ending != measure.ending), None)
            if later is not None:
                pairs.add((measure.start, later.start))
        if measure.repeat_end:
            pairs.add((measure.end, begin))
            if measure.ending != (1,):
                begin = measure.end
    return pairs


def _marked_jumps(score: Score) -> set[tuple[Fraction, Fraction]]:
    """Return the jumps that words and signs ask for: da capo, dal segno, to the coda."""
    words = [
        (direction.onset, direction.text.casefold().replace(".", "").strip())
        for direction in score.directions
        if direction.kind == "words"
    ]
    segno = next((direction.onset for direction in score.directions if direction.kind == "segno"), None)
    codas = sorted(direction.onset for direction in score.directions if direction.kind == "coda")
    start = score.measures[0].start if score.measures else Fraction(0)
    pairs: set[tuple[Fraction, Fraction]] = set()
    for onset, text in words:
        # The words stand at or before the end of the bar that they close.
        leave = score.measure_at(onset).end if onset > score.measure_at(onset).start else onset
        if text.startswith(("da capo", "dacapo", "d c")) or text in ("dc", "dc al fine", "dc al coda"):
            pairs |= {(leave, start), (score.measure_at(onset).end, start)}
        if segno is not None and text.startswith(("dal segno", "d s", "ds")):
            pairs |= {(leave, segno), (score.measure_at(onset).end, segno)}
    if len(codas) > 1:
        pairs.add((codas[0], codas[-1]))
    return pairs


def _with_graces(notes: Sequence[Note]) -> dict[str, Fraction]:
    """The moment of each note by id; grace notes get moments of their own, in order, before their onset."""
    graces: dict[tuple[Fraction, int, str], list[Note]] = defaultdict(list)
    for note in notes:
        if note.grace:
            graces[note.onset, note.staff, note.voice].append(note)
    when = {note.id: note.onset for note in notes}
    for (onset, _, _), group in graces.items():
        for k, note in enumerate(group):
            when[note.id] = onset - GRACE * (len(group) - k)
    return when
