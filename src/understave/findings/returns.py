"""Score and spans -> passages that come back, aligned bar to bar, and what is different the second time.

Bars are compared by where in the bar which letter sounds, on the melody, the bass and the whole, at every
distance of steps, so that another octave, another mode and another key still match; long notes weigh more,
so an adorned melody matches its plain form. Passages are found by local alignment (Smith and Waterman,
"Identification of Common Molecular Subsequences", 1981): bars may be put in or left out on the way.

Events of kind ``"return"``, over the later passage: label ``"literal"``, ``"varied"``,
``"in another key"``, ``"in the other mode"`` (of the same tonic). Detail: ``bars`` int; ``from_start``,
``from_end`` Fraction, the earlier passage; ``pairs`` tuple of (Fraction start of the earlier bar, Fraction
start of the later bar, str how the later compares: ``"same"``, ``"melody varied"``,
``"accompaniment varied"``, ``"both varied"``, ``"put in"``, ``"left out"``; where a bar has no partner its
partner's moment is that of the bar before it); ``first_difference``
Fraction, the later bar that first is not the same (absent where none is); ``key`` and ``from_key`` Key,
``steps`` int and ``semitones`` int by which the melody is moved (0 = same letters, up to the octave);
``leaves`` and ``from_leaves`` Fraction where both go on differently (absent at the end of the piece).

- literal: "Bars 31 to 34 are bars 1 to 4 again."
- varied: "Bars 59 to 63 bring back bars 5 to 9, with changes from bar 59 on."
- in another key: "Bars 45 to 52 bring back bars 9 to 16, now in D flat major."
- in the other mode: "Bars 16 to 20 bring back bars 1 to 5, now in the minor."

Events of kind ``"difference"``, over the bars in which the return differs, with ``from_start`` and
``from_end`` Fraction (the earlier bars) and ``bars`` int; ``return_start`` Fraction is the start of the
return that they belong to:

- melody varied: "The melody is changed against bar 6."
- accompaniment varied: "The melody is as in bar 5, what goes with it is new."
- both varied: "Melody and accompaniment are both changed."
- put in: "These bars are new; nothing stood here the first time."
- left out: "Bars 11 and 12 are left out here."
- different continuation: "From here the music goes another way than after bar 9." (``from_end`` is the end
  of the earlier bar, the event is the first bar of the new way).
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from understave.findings.kinds import Kind, Lane, Stop
from understave.findings.movements import movement_numbers
from understave.findings.remembered import remembered
from understave.findings.texture import BASS, INNER, texture_of
from understave.harmony.reading import Details, Event, Span
from understave.harmony.units import Floats
from understave.score.model import Note, Score
from understave.theory.key import Key


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnDetails(Details):
    """The earlier passage and how the later one compares."""

    bars: int
    from_start: Fraction
    from_end: Fraction
    pairs: tuple[tuple[Fraction, Fraction, str], ...]
    steps: int
    semitones: int
    key: Key | None = None
    from_key: Key | None = None
    first_difference: Fraction | None = None
    leaves: Fraction | None = None
    from_leaves: Fraction | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferenceDetails(Details):
    """The earlier bars against which these differ."""

    bars: int
    from_start: Fraction
    from_end: Fraction
    return_start: Fraction


SAME, MELODY_VARIED, ACCOMPANIMENT_VARIED, BOTH_VARIED = (
    "same",
    "melody varied",
    "accompaniment varied",
    "both varied",
)
PUT_IN, LEFT_OUT = "put in", "left out"
_STEPS = 7
_GRID = 12
"""Places in a quarter note that are told apart."""
_MELODY, _BASS, _ALL = 0.55, 0.2, 0.25
_ALIKE = 0.6
"""Similarity from which two bars speak for a return, 0..1."""
_GAP = 0.55
_FEWEST = 3
_TUNE_ALONE = 0.12
"""What is taken off where only the melody speaks for a return."""
_LEAST = 0.55
"""Summed excess of similarity over `_ALIKE` that makes a return."""
_MOST = 16
_AT_ONCE = 4096
"""Ends of alignments that are looked at in one go; it changes the time, not what is found."""
_SURE = 0.25
"""Excess for each bar from which a passage counts though no bar keeps its melody or accompaniment."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two bars that correspond; `old` or `new` is -1 where a bar is put in or left out."""

    old: int
    new: int
    how: str


@dataclass(frozen=True, slots=True)
class Passage:
    """A return: pairs of bars in order; by how many steps (0..6) and semitones (0..11) notes move up, octaves
    apart; the main keys of both passages, if any; and its weight, the similarity in excess of what is needed.
    """

    pairs: tuple[Pair, ...]
    steps: int
    semitones: int
    from_key: Key | None
    key: Key | None
    weight: float

    @property
    def old(self) -> tuple[int, int]:
        """First and last bar of the earlier passage."""
        bars = [pair.old for pair in self.pairs if pair.old >= 0]
        return bars[0], bars[-1]

    @property
    def new(self) -> tuple[int, int]:
        """First and last bar of the return."""
        bars = [pair.new for pair in self.pairs if pair.new >= 0]
        return bars[0], bars[-1]


@dataclass(frozen=True, slots=True)
class _Bar:
    """What a bar holds: place in the bar (in `_GRID`), letter (0..6) and MIDI number, for the melody, inner
    voices on its staff and the rest; of grace notes the place and the MIDI number.
    """

    melody: tuple[tuple[int, int, int], ...]
    inner: tuple[tuple[int, int, int], ...]
    rest: tuple[tuple[int, int, int], ...]
    graces: tuple[tuple[int, int], ...]


def find_returns(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the passages that come back and their differences, by start."""
    if len(score.measures) < 2 * _FEWEST or not any(note.duration > 0 for note in score.notes):
        return ()
    passages = passages_of(score, spans)
    events: list[Event] = []
    for passage in passages:
        events += _told(score, spans, passage)
    return tuple(sorted(events, key=lambda event: event.start))


@dataclass(frozen=True, slots=True)
class Likeness:
    """How alike bars are, 0..1, to be asked as an array of shape (7, bars, bars): steps up from the first to
    the second, first, second; each an index or a slice.

    Bars that hold the same stand once in `table` (7, kinds, kinds); `kind` (bars,) tells which is whose. So a
    long piece that says much again takes no room for that.
    """

    table: Floats
    kind: NDArray[np.int64]

    @property
    def shape(self) -> tuple[int, int, int]:
        """As that of the array that it stands for."""
        return len(self.table), len(self.kind), len(self.kind)

    def __getitem__(self, place: tuple[int | slice, int | slice, int | slice]) -> Any:
        steps, first, second = place
        return self.table[steps][..., self.kind[first], :][..., self.kind[second]]


@remembered
def similarity(score: Score, spans: tuple[Span, ...]) -> Likeness:
    """Return how alike bars are, by steps up from the first to the second."""
    texture = texture_of(score, spans)
    count = len(score.measures)
    melody = {note.id for note in texture.melody}
    places: dict[int, int] = {}
    rows: dict[str, list[tuple[int, int, int, float]]] = {"melody": [], "bass": [], "all": []}
    origins = _origins(score)
    for note in score.notes:
        if note.grace or note.cue or not note.duration:
            continue
        at = round((note.at - origins[note.measure]) * _GRID)
        place = places.setdefault(at, len(places))
        row = (note.measure, place, note.pitch.diatonic % _STEPS, float(note.duration))
        rows["all"].append(row)
        if note.id in melody:
            rows["melody"].append(row)
        elif texture.roles[note.id] == BASS:
            rows["bass"].append(row)
    tables = {name: _table(found, count, max(1, len(places))) for name, found in rows.items()}
    # Bars that hold the same are compared once.
    whole = np.concatenate([table.reshape(count, -1) for table in tables.values()], axis=1)
    _, kinds, kind = np.unique(whole, axis=0, return_index=True, return_inverse=True)
    compared = _compared_tables({name: table[kinds] for name, table in tables.items()})
    return Likeness(compared, kind.reshape(-1))


def _compared_tables(tables: dict[str, NDArray[np.float32]]) -> Floats:
    """Return how alike bars are from their tables (bars, places, letters) by voice; see `similarity`."""
    count = len(tables["all"])
    weights = {"melody": _MELODY, "bass": _BASS, "all": _ALL}
    # The largest arrays of a long piece: worked on step by step, so that no other of their size is needed.
    result: Floats = np.zeros((_STEPS, count, count))
    tune = np.zeros((_STEPS, 0, 0), dtype=np.float32)
    share = np.zeros((count, count))
    for name, table in tables.items():
        filled: NDArray[np.bool_] = (table > 0).sum(axis=(1, 2)) > 0
        either = filled[:, None] | filled[None, :]
        share += weights[name] * either
        flat = table.reshape(count, -1)
        # One product for all steps: many small ones would wait for each other's threads.
        moved = np.concatenate([np.roll(table, k, axis=2).reshape(count, -1) for k in range(_STEPS)])
        alike = (moved @ flat.T).reshape(_STEPS, count, count)
        for total, one in zip(result, alike, strict=True):
            total += weights[name] * one
        if name == "melody":
            tune = alike
    several = (tables["melody"] > 0).sum(axis=(1, 2)) >= _FEWEST
    both = several[:, None] & several[None, :]
    share = np.maximum(share, 1e-9)
    for total, one in zip(result, tune, strict=True):
        total /= share
        np.maximum(total, np.where(both, one.astype(np.float64) - _TUNE_ALONE, 0.0), out=total)
    return result


def _origins(score: Score) -> list[float]:
    """Return where the first beat of every measure is or would be, in quarters: floats, for speed."""
    return [float(measure.start - measure.offset) for measure in score.measures]


def _table(rows: list[tuple[int, int, int, float]], bars: int, places: int) -> NDArray[np.float32]:
    """Return unit rows of where which letter begins, weighted by the root of its length."""
    table = np.zeros((bars, places, _STEPS), dtype=np.float32)
    for bar, place, letter, length in rows:
        table[bar, place, letter] = max(table[bar, place, letter], length)
    table = np.sqrt(table)
    norm = np.sqrt((table**2).sum(axis=(1, 2), keepdims=True))
    unit: NDArray[np.float32] = table / np.maximum(norm, 1e-6)
    return unit


@remembered
def passages_of(score: Score, spans: tuple[Span, ...]) -> tuple[Passage, ...]:
    """Return the passages that come back, in order, each from its best earlier likeness."""
    alike = similarity(score, spans)
    bars = _contents(score, spans)
    starts = [*(measure.start for measure in score.measures), score.end]
    chosen: list[Passage] = []
    covered: set[int] = set()
    movements = movement_numbers(score)
    for steps, path in _alignments(alike):
        path = _in_one_movement([(i, j) for i, j in path if j not in covered], movements)
        path = _trimmed(path, alike, steps)
        pairs = [(i, j) for i, j in path if i >= 0 and j >= 0]
        if len(pairs) < _FEWEST or _is_sequence(pairs, steps):
            continue
        left = sum(float(alike[steps, i, j]) - _ALIKE for i, j in pairs)
        if left < _LEAST or not _distinct(bars, [j for _, j in pairs]):
            continue
        by = _semitones(path, bars, steps)
        first, last = pairs[0], pairs[-1]
        before = main_key(spans, starts[first[0]], starts[last[0] + 1])
        here = main_key(spans, starts[first[1]], starts[last[1] + 1])
        inflected = before is not None and here is not None and before.mode != here.mode
        compared = _compared(path, bars, steps, by, inflected)
        if all(pair.how == BOTH_VARIED for pair in compared) and left < _SURE * len(pairs):
            continue
        passage = Passage(compared, steps, by, before, here, left)
        chosen.append(passage)
        covered.update(range(passage.new[0], passage.new[1] + 1))
        if len(chosen) == _MOST:
            break
    return tuple(sorted(chosen, key=lambda passage: passage.new))


def _in_one_movement(path: list[tuple[int, int]], movements: Sequence[int]) -> list[tuple[int, int]]:
    """Return the longest stretch of a path whose two sides each stay in one movement."""
    stretches: list[list[tuple[int, int]]] = [[]]
    where: tuple[int, int] | None = None
    for i, j in path:
        here = (movements[i], movements[j]) if i >= 0 and j >= 0 else where
        if where is not None and here != where:
            stretches.append([])
        stretches[-1].append((i, j))
        where = here
    return max(stretches, key=len)


def _alignments(alike: Floats | Likeness) -> list[tuple[int, list[tuple[int, int]]]]:
    """Return local alignments of the piece with itself, heaviest first: steps, path.

    A path holds pairs of bars, with -1 for a bar that is put in or left out.
    """
    steps, count, _ = alike.shape
    came = np.zeros((steps, count + 1, count + 1), dtype=np.int8)
    slope = _GAP * np.arange(count + 1)
    height = np.zeros((steps, count + 1))
    ends, heights = [np.zeros(0, dtype=np.int64)], [np.zeros(0)]
    for i in range(1, count + 1):
        gain = alike[:, i - 1, :] - _ALIKE
        # Moving to another key must be worth it; a passage is not its own return.
        gain[1:] -= 0.04
        gain[:, : i + 1] = -9.0
        diagonal = np.concatenate([np.zeros((steps, 1)), height[:, :-1] + gain], axis=1)
        up = height - _GAP
        here = np.maximum(np.maximum(diagonal, up), 0.0)
        before, height = height, np.maximum.accumulate(here + slope, axis=1) - slope
        came[:, i, :] = np.where(
            height > here + 1e-9, 3, np.where(here <= 0, 0, np.where(diagonal >= up, 1, 2))
        )
        # Nothing ends where it came from a higher place: the path that ends there is taken first.
        t, j = np.nonzero(
            (came[:, i, 1:] == 1) & (height[:, 1:] >= _LEAST) & (height[:, 1:] > before[:, :-1])
        )
        ends.append((t * (count + 1) + i) * (count + 1) + j + 1)
        heights.append(height[t, j + 1])
    found = list(_paths(came, np.concatenate(ends), np.concatenate(heights)))
    # A passage that comes a third time is compared with its first statement where that is as good.
    found.sort(key=lambda x: -x[2] + 0.002 * max(i for i, _ in x[1]))
    return [(t, path) for t, path, _ in found]


def _paths(
    came: NDArray[np.int8], ends: NDArray[np.int64], heights: Floats
) -> Iterator[tuple[int, list[tuple[int, int]], float]]:
    """Yield the paths that share no step with a higher one, highest first: steps, path and height.

    `came` tells how each place was reached; `ends` are flat places in it at which a path may end.
    """
    reached, width = came.reshape(-1).data, came.shape[2]
    used = bytearray(came.size)
    seen = np.frombuffer(used, np.bool_)
    order = np.lexsort((ends, -heights))
    for first in range(0, len(order), _AT_ONCE):
        some = order[first : first + _AT_ONCE]
        # Most ends lie on a path that was taken already.
        some = some[~seen[ends[some]]]
        for end, height in zip(ends[some].tolist(), heights[some].tolist(), strict=True):
            if used[end]:
                continue
            path, clean, place = [], True, end
            a, b = divmod(end % (width * width), width)
            while move := reached[place]:
                if used[place]:
                    clean = False
                    break
                used[place] = 1
                if move == 1:
                    a, b, place = a - 1, b - 1, place - width - 1
                    path.append((a, b))
                elif move == 2:
                    a, place = a - 1, place - width
                    path.append((a, -1))
                else:
                    b, place = b - 1, place - 1
                    path.append((-1, b))
            if clean and path:
                yield end // (width * width), path[::-1], height


def _trimmed(path: list[tuple[int, int]], alike: Likeness, steps: int) -> list[tuple[int, int]]:
    """Cut a path where the earlier passage would run into the later, and to alike bars at both ends."""
    pairs = [(i, j) for i, j in path if i >= 0 and j >= 0]
    if not pairs:
        return []
    first = pairs[0][1]
    path = [(i, j) for i, j in path if i < first]

    def alike_enough(pair: tuple[int, int]) -> bool:
        return pair[0] >= 0 and pair[1] >= 0 and bool(alike[steps, pair[0], pair[1]] >= _ALIKE)

    while path and not alike_enough(path[0]):
        path = path[1:]
    while path and not alike_enough(path[-1]):
        path = path[:-1]
    return path


def _is_sequence(pairs: list[tuple[int, int]], steps: int) -> bool:
    """Whether a moved passage follows at once on its model: that is a sequence, not a return."""
    return steps != 0 and pairs[0][1] - pairs[-1][0] <= 2 and len(pairs) <= 4


def _distinct(bars: list[_Bar], new: list[int]) -> bool:
    """Whether a passage is more than one bar of accompaniment over and over."""
    return len({(bars[j].melody, bars[j].inner, bars[j].rest) for j in new}) > 1 and sum(
        bool(bars[j].melody) for j in new
    ) * 2 >= len(new)


def _contents(score: Score, spans: tuple[Span, ...]) -> list[_Bar]:
    texture = texture_of(score, spans)
    melody = {note.id for note in texture.melody}
    singing = {(note.measure, note.staff) for note in texture.melody}
    found: dict[int, dict[str, list[tuple[int, int, int]]]] = defaultdict(lambda: defaultdict(list))
    graces: dict[int, list[tuple[int, int]]] = defaultdict(list)
    origins = _origins(score)
    for note in score.notes:
        at = round((note.at - origins[note.measure]) * _GRID)
        if note.grace:
            graces[note.measure].append((at, note.midi))
        elif not note.cue and note.duration:
            beside = (note.measure, note.staff) in singing and texture.roles[note.id] == INNER
            part = "melody" if note.id in melody else "inner" if beside else "rest"
            found[note.measure][part].append((at, note.pitch.diatonic % _STEPS, note.midi))
    return [
        _Bar(
            tuple(sorted(found[i]["melody"])),
            tuple(sorted(found[i]["inner"])),
            tuple(sorted(found[i]["rest"])),
            tuple(sorted(graces[i])),
        )
        for i in range(len(score.measures))
    ]


def _compared(
    path: list[tuple[int, int]], bars: list[_Bar], steps: int, by: int, inflected: bool
) -> tuple[Pair, ...]:
    """Say of each pair of bars whether the later is the same, once moved by steps and semitones.

    `inflected`: the mode is another, so that the same letters are the same melody.
    """

    def same(old: tuple[tuple[int, int, int], ...], new: tuple[tuple[int, int, int], ...]) -> bool:
        if inflected:
            return {(t, (x + steps) % _STEPS) for t, x, _ in old} == {(t, x) for t, x, _ in new}
        if not by:
            # Nothing is moved: another octave is a change.
            return {(t, p) for t, _, p in old} == {(t, p) for t, _, p in new}
        return {(t, (p + by) % 12) for t, _, p in old} == {(t, p % 12) for t, _, p in new}

    pairs = []
    for i, j in path:
        if i < 0 or j < 0:
            pairs.append(Pair(i, j, PUT_IN if i < 0 else LEFT_OUT))
            continue
        rest = same(bars[i].rest, bars[j].rest)
        tune = same(bars[i].melody, bars[j].melody) and same(bars[i].inner, bars[j].inner)
        tune = tune and (bool(by) or inflected or bars[i].graces == bars[j].graces)
        how = SAME if tune and rest else MELODY_VARIED if rest else ACCOMPANIMENT_VARIED
        pairs.append(Pair(i, j, how if tune or rest else BOTH_VARIED))
    return tuple(pairs)


def _semitones(path: list[tuple[int, int]], bars: list[_Bar], steps: int) -> int:
    """Return by how many semitones (0..11) the later bars are mostly moved up.

    Only notes that are moved by so many steps count, the melody's first: whatever else stands at the same
    moment, as where voices change places, is no note of the earlier bars moved.
    """
    for part in ("melody", "rest"):
        moves: Counter[int] = Counter()
        for i, j in path:
            if i >= 0 and j >= 0:
                at = {(t, letter): p for t, letter, p in getattr(bars[j], part)}
                moved = ((t, (letter + steps) % _STEPS, p) for t, letter, p in getattr(bars[i], part))
                moves.update((at[t, letter] - p) % 12 for t, letter, p in moved if (t, letter) in at)
        if moves:
            return min(moves, key=lambda x: (-moves[x], x))
    return 0


def _told(score: Score, spans: tuple[Span, ...], passage: Passage) -> list[Event]:
    measures = score.measures
    (old_first, old_last), (new_first, new_last) = passage.old, passage.new
    start, end = measures[new_first].start, measures[new_last].end
    pairs: list[tuple[Fraction, Fraction, str]] = []
    old = new = Fraction(0)
    for pair in passage.pairs:
        old = measures[pair.old].start if pair.old >= 0 else old
        new = measures[pair.new].start if pair.new >= 0 else new
        pairs.append((old, new, pair.how))
    label, key, from_key = _label(passage)
    detail = ReturnDetails(
        bars=new_last - new_first + 1,
        from_start=measures[old_first].start,
        from_end=measures[old_last].end,
        pairs=tuple(pairs),
        steps=passage.steps,
        semitones=passage.semitones,
        key=key,
        from_key=from_key,
    )
    different = [pair for pair in passage.pairs if pair.how != SAME]
    if different:
        at = next(pair.new for pair in (*different, passage.pairs[-1]) if pair.new >= 0)
        detail = replace(detail, first_difference=measures[at].start)
    matched = sum(pair.old >= 0 and pair.new >= 0 for pair in passage.pairs)
    confidence = matched / len(passage.pairs) * (1 - 0.5 ** (passage.weight / 0.4))

    def difference(how: str, old: tuple[int, int], new: tuple[int, int]) -> Event:
        return _difference(score, how, old, new, start, confidence)

    events = []
    if new_last + 1 < len(measures) and old_last + 1 < new_first:
        last, on = _parting(passage)
        detail = replace(detail, leaves=measures[on].start, from_leaves=measures[last].end)
        events.append(difference("different continuation", (last, last), (on, on)))
    i = 0
    while i < len(passage.pairs):
        j = i
        while j < len(passage.pairs) and passage.pairs[j].how == passage.pairs[i].how:
            j += 1
        run = passage.pairs[i:j]
        if run[0].how != SAME:
            near = passage.pairs[i - 1] if i else run[0]
            olds = [pair.old for pair in run if pair.old >= 0] or [near.old]
            news = [pair.new for pair in run if pair.new >= 0] or [near.new]
            events.append(difference(run[0].how, (olds[0], olds[-1]), (news[0], news[-1])))
        i = j
    notes = tuple(
        note.id for note in texture_of(score, spans).melody if new_first <= note.measure <= new_last
    )
    return [
        RETURN.event(label, start, end, notes, round(confidence, 3), detail),
        *events,
    ]


_PARTED = 2
"""Bars varied throughout at the end of a return that already go another way (set by ear)."""


def _parting(passage: Passage) -> tuple[int, int]:
    """Return the last earlier bar before the ways part, and the first later one after.

    Bars that are other in tune and accompaniment at the very end already belong to the new way; one alone
    is a variation.
    """
    kept = list(passage.pairs)
    while len(kept) > 1 and kept[-1].how == BOTH_VARIED:
        kept.pop()
    if len(passage.pairs) - len(kept) < _PARTED:
        kept = list(passage.pairs)
    olds = [pair.old for pair in kept if pair.old >= 0] or [passage.old[1]]
    news = [pair.new for pair in kept if pair.new >= 0] or [passage.new[1]]
    return olds[-1], news[-1] + 1


def _label(passage: Passage) -> tuple[str, Key | None, Key | None]:
    """Name a return by the keys of both passages and by what changed; its key and that of the model."""
    before, here = passage.from_key, passage.key
    label = "literal" if all(pair.how == SAME for pair in passage.pairs) else "varied"
    if passage.semitones:
        label = "in another key"
    if before is None or here is None:
        return label, None, None
    if passage.steps == 0 and before.tonic == here.tonic and before.mode != here.mode:
        return "in the other mode", here, before
    if passage.semitones and _moves(before, here) != passage.semitones:
        # Keys that lie otherwise than the notes, as where both passages wander, are not told as theirs.
        return label, None, None
    return label, here, before


def _moves(before: Key, here: Key) -> int:
    """Return by how many semitones (0..11) a tonic lies above another."""
    return (here.tonic.semitone - before.tonic.semitone) % 12


def main_key(spans: tuple[Span, ...], start: Fraction, end: Fraction) -> Key | None:
    """Return the key that lasts longest between two moments."""
    lasting: dict[Key, Fraction] = defaultdict(Fraction)
    first = max(0, bisect_right(spans, start, key=lambda span: span.start) - 1)
    for span in spans[first:]:
        if span.start >= end:
            break
        if span.end > start:
            lasting[span.key] += min(span.end, end) - max(span.start, start)
    return max(lasting, key=lambda key: lasting[key]) if lasting else None


def _difference(
    score: Score, label: str, old: tuple[int, int], new: tuple[int, int], whole: Fraction, confidence: float
) -> Event:
    """Tell one difference, given the first and last bars of both sides and the return it belongs to."""
    measures = score.measures
    return DIFFERENCE.event(
        label,
        measures[new[0]].start,
        measures[new[1]].end,
        _struck(score, *new),
        round(0.9 * confidence, 3),
        DifferenceDetails(
            bars=new[1] - new[0] + 1,
            from_start=measures[old[0]].start,
            from_end=measures[old[1]].end,
            return_start=whole,
        ),
    )


def _struck(score: Score, first: int, last: int) -> tuple[str, ...]:
    chosen: list[Note] = [note for note in score.notes if first <= note.measure <= last and not note.grace]
    return tuple(note.id for note in chosen)


RETURN: Kind[ReturnDetails] = Kind(
    "return",
    ReturnDetails,
    find=find_returns,
    weight=4.5,
    lasting=True,
    lane=Lane(),
    stop=Stop("return with a difference", lasts=True),
)


DIFFERENCE: Kind[DifferenceDetails] = Kind(
    "difference",
    DifferenceDetails,
    weight=1.5,
    labels={
        "different continuation": 3.0,
    },
    contrasts={"different continuation": "continuation"},
)
