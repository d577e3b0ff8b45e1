"""When the chords and rests of a bar begin: solved as a whole, from their values and their places on the
page.

In: the events of a bar, and how long it should be. Out: the best `Solution` and the second-best. Each voice
is a chain of events, each of which begins where the one before ends; what stands below each other begins
together; what stands further right begins later; all voices end with the bar (common practice, no source).
The search keeps the cheapest partial solutions, event by event from the left.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate
from math import gcd, lcm
from typing import NamedTuple

from understave.score.readers.page.events import Event

_SAME_PLACE, _UNDER_ANOTHER = 0.3, 1.2
"""Staff spaces within which events stand right under each other, and the price of two such at two moments.
Set on pieces to build with."""
_KEPT = 32
"""Partial solutions that are kept after each event."""
_BEHIND = 9.0
"""How much dearer than the cheapest one a partial solution may be to be kept."""
THIRD = Fraction(2, 3)
"""The part of its printed value that a note of a triplet lasts."""
FIRST_THIRDS = (2.7, 1.2)
"""Price of the first triplet without a figure in a bar, before and after the first with one: that is
usual once figures have been printed a few times."""
_LOOSE, MORE_THIRDS = 1.0, 0.4
"""Price of such a first triplet without a beam beside; of each further one, or where the bar before had such.
All three are set on pieces to build with."""
_UNEVEN = 0.3
"""Price of another value within such a triplet. Set by eye."""
_LONG_THIRD = 1.5
"""Price of a note of such a triplet that is printed longer than a quarter note: it stands by eighths or
shorter ones. Set on pieces to build with."""
_OFF_BEAT = 0.4
"""Price of a beam that ends elsewhere than a beat: beams show beats (common practice, no source)."""
_GAP = 2.5
"""Price of a gap within a beam, whose note shares the head of a longer one."""
_BETWEEN = 3.0
"""Price of what stands between the notes of a beam in its own voice. All three are set on pieces to build
with."""


class _Voice(NamedTuple):
    """The last event of a voice; `end` in ticks; `third` where it is of a triplet without a figure;
    `coming` is what its beam still holds.
    """

    end: int
    staff: int
    way: int
    beam: int | None
    y: float
    third: bool
    lasts: int
    coming: int


class _State(NamedTuple):
    """A partial solution: `columns` are moments with the place of the last event there, `placed` onset,
    voice and whether it is of a triplet without a figure.
    """

    cost: float
    voices: tuple[_Voice, ...]
    columns: dict[int, float]
    placed: tuple[tuple[int, int, bool], ...]
    thirds: bool
    """Whether there are triplets without a figure."""


@dataclass(frozen=True, slots=True)
class Solution:
    """Onset (in quarter notes from the bar line) and voice of each event, in their order, and how good it is.

    `cost` is 0 for a bar in which everything fits; `length` is where its voices end. `values` are those of
    the events, `thirds` the events that are of triplets without a figure.
    """

    onsets: tuple[Fraction, ...]
    voices: tuple[int, ...]
    length: Fraction
    cost: float
    values: tuple[Fraction, ...] = ()
    thirds: frozenset[int] = frozenset()


class _Choice(NamedTuple):
    """What an event may be: how long (ticks), whether of a triplet without a figure; when it ends at the
    latest, for what its beam still holds, which is `coming`; how long beats are.
    """

    lasts: int
    third: bool
    room: int
    coming: int
    beat: int


@dataclass(frozen=True, slots=True)
class Bar:
    """What is known of a bar: its events and their values with figured tuplets reckoned in, its due `length`.

    `beat` is what beams fill, `part_of` the part of each staff, `space` a staff space. `may_be_short` tells
    that it may be an upbeat or a part of a bar. `thirds` are events that may be of triplets without a figure,
    `going_on` staves that had such in the bar before; `first_thirds` is what the first of them costs.
    """

    events: Sequence[Event]
    values: Sequence[Fraction]
    length: Fraction
    beat: Fraction
    part_of: Sequence[int]
    space: float
    may_be_short: bool = False
    thirds: Collection[int] = ()
    going_on: Collection[int] = ()
    first_thirds: float = FIRST_THIRDS[0]

    @property
    def ticks(self) -> int:
        """Ticks of a quarter note."""
        shorter = [self.values[i] * THIRD for i in self.thirds]
        return lcm(
            self.length.denominator, self.beat.denominator, *(v.denominator for v in (*self.values, *shorter))
        )

    def choices(self, i: int, ticks: int) -> Iterator[_Choice]:
        """Yield what an event may be."""
        event, full = self.events[i], int(self.length * ticks)
        # What stands on the same beam after it still has to come.
        mates = [
            k
            for k in range(i + 1, len(self.events))
            if event.beam is not None and self.events[k].beam == event.beam
        ]
        for third in (False, True) if i in self.thirds else (False,):
            rest = sum(self.values[k] * (THIRD if third and k in self.thirds else 1) for k in mates)
            lasts = self.values[i] * (THIRD if third else 1)
            coming = int(rest * ticks)
            yield _Choice(int(lasts * ticks), third, full - coming, coming, int(self.beat * ticks))


def solve(bar: Bar) -> tuple[Solution, Solution | None]:
    """Return the best and the second-best solution of a bar."""
    if not bar.events:
        return Solution((), (), bar.length, 0.0), None
    ticks = bar.ticks
    binary = gcd(ticks, 3**9)  # of how many ticks the moments without triplets are multiples
    states = [_State(0.0, (), {}, (), False)]
    for i, event in enumerate(bar.events):
        moves = [
            (state.cost + cost, k, moment, voice, choice)
            for choice in bar.choices(i, ticks)
            for k, state in enumerate(states)
            for cost, moment, voice in _moves(state, event, choice, bar, binary)
        ]
        moves.sort()
        # Triplets without a figure cost at once what makes good only later: both kinds are kept.
        following: tuple[dict[tuple[object, ...], _State], ...] = ({}, {})
        for cost, k, moment, voice, choice in moves:
            kept = following[states[k].thirds or choice.third]
            if cost > moves[0][0] + _BEHIND:
                break
            if len(kept) < _KEPT:
                new = _moved(states[k], event, moment, choice, voice, cost)
                kept.setdefault((new.voices, moment), new)
        states = [state for kept in following for state in kept.values()]
    ended = sorted((_ended(state, bar, ticks) for state in states), key=lambda s: s.cost)
    best = ended[0]
    other = next((s for s in ended[1:] if s.onsets != best.onsets), None)
    return best, other


def _ended(state: _State, bar: Bar, ticks: int) -> Solution:
    """Close a solution: voices that end elsewhere than the bar cost."""
    full = int(bar.length * ticks)
    last = max(v.end for v in state.voices)
    cost = state.cost
    if last > full:
        cost += 6.0 + (last - full) / ticks
    elif last < full:
        cost += 0.5 if bar.may_be_short else 5.0
    cost += sum(1.5 for voice in state.voices if voice.end < last)
    thirds = frozenset(i for i, (*_, third) in enumerate(state.placed) if third)
    return Solution(
        tuple(Fraction(onset, ticks) for onset, *_ in state.placed),
        tuple(voice for _, voice, _ in state.placed),
        Fraction(last, ticks),
        cost,
        tuple(v * (THIRD if i in thirds else 1) for i, v in enumerate(bar.values)),
        thirds,
    )


def _moves(
    state: _State, event: Event, choice: _Choice, bar: Bar, binary: int
) -> Iterator[tuple[float, int, int]]:
    """Yield what an event may do next: the price, when it begins and in which voice."""
    lasts, third, room, coming, beat = choice
    busy = next(
        (i for i, v in enumerate(state.voices) if event.beam is not None and v.beam == event.beam), None
    )
    opening = _opening(state, event, bar) if third else 0.0
    fixed = _LONG_THIRD if third and event.value > 1 and not event.tremolo else 0.0
    price = {
        moment: aligned
        + fixed
        + (3.0 if moment + lasts > room else 0.0)
        + (_OFF_BEAT if event.beam is not None and not coming and (moment + lasts) % beat else 0.0)
        for moment, aligned in _alignments(
            state.columns, _moments(state, event, choice, busy), event.x, bar.space
        )
    }
    for i, voice in enumerate(state.voices):
        if bar.part_of[voice.staff] != bar.part_of[event.staff] or (busy is not None and busy != i):
            continue
        cost = 0.0
        if voice.staff != event.staff:
            cost += 0.2 if busy == i else 1.6
        if voice.way * event.way < 0 and busy != i:
            # In a staff with two voices the stems part them; in one with a single voice they turn as
            # they like.
            cost += 0.6 if sum(v.staff == event.staff for v in state.voices) > 1 else 0.05
        if busy != i and voice.coming:
            cost += _BETWEEN
        if event.is_rest and abs(voice.y - event.y) > 4 * bar.space:
            cost += 0.1
        yield cost + price[voice.end] + _in_thirds(voice, event, choice, opening, binary), voice.end, i
        if busy != i:  # after a rest that is not printed
            for moment in price:
                if moment > voice.end:
                    yield cost + 2.2 + price[moment] + opening, moment, i
        else:
            moment = voice.end + voice.lasts
            yield cost + _GAP + price[moment], moment, i
    if busy is None:
        # A voice more: at the beginning of the bar that is usual, later it comes out of nothing.
        same = sum(v.staff == event.staff for v in state.voices)
        for moment in price:
            new = (0.1 if moment == 0 else 2.6) + 0.8 * same
            yield new + price[moment] + opening, moment, len(state.voices)


def _moments(state: _State, event: Event, choice: _Choice, busy: int | None) -> set[int]:
    """Return the moments at which an event may begin; `busy` is the voice that has begun its beam."""
    lasts, _, room, coming, beat = choice
    moments = {0, *state.columns, *(voice.end for voice in state.voices)}
    if room > lasts:  # it may end with the bar
        moments.add(room - lasts)
    if busy is not None:
        moments.add(state.voices[busy].end + state.voices[busy].lasts)
    elif event.beam is not None:  # it may begin so that its beam ends with a beat
        whole = lasts + coming
        moments.update(range(-whole % beat, room - lasts, beat))
    return moments


def _opening(state: _State, event: Event, bar: Bar) -> float:
    """Return what a triplet without a figure costs: less where there were others before."""
    if event.staff in bar.going_on or state.thirds:
        return MORE_THIRDS
    return bar.first_thirds + (0.0 if event.beam is not None else _LOOSE)


def _in_thirds(voice: _Voice, event: Event, choice: _Choice, opening: float, binary: int) -> float:
    """Return what it costs to go on with a triplet without a figure, to begin or to end one."""
    within = voice.third and voice.end % binary != 0
    changes = 0.8 if event.beam is not None and event.beam == voice.beam else 0.0
    if choice.third and voice.third:
        return _UNEVEN if within and choice.lasts != voice.lasts else 0.0 if within else 0.05
    if choice.third:
        return opening + changes
    if within:
        return 3.0
    return changes if voice.third else 0.0


def _moved(state: _State, event: Event, moment: int, choice: _Choice, voice: int, cost: float) -> _State:
    lasts, third, _, coming, _ = choice
    way = event.way or (state.voices[voice].way if voice < len(state.voices) else 0)
    new = _Voice(moment + lasts, event.staff, way, event.beam, event.y, third, lasts, coming)
    return _State(
        cost,
        (*state.voices[:voice], new, *state.voices[voice + 1 :]),
        {**state.columns, moment: event.x},
        (*state.placed, (moment, voice, choice.third)),
        state.thirds or choice.third,
    )


def _alignments(
    columns: Mapping[int, float], moments: Collection[int], x: float, space: float
) -> Iterator[tuple[int, float]]:
    """Yield what it costs to begin at each of some moments, given where on the page other moments stand."""
    ordered = sorted(columns)
    gaps = [(x - columns[other]) / space for other in ordered]
    after = [0.0, *accumulate(map(_after, gaps))]
    before = [0.0, *accumulate(map(_before, gaps))]
    for moment in moments:
        i = bisect_left(ordered, moment)
        here = i < len(ordered) and ordered[i] == moment
        yield moment, after[i] + before[-1] - before[i + here] + (_within(gaps[i]) if here else 0.0)


def _within(gap: float) -> float:
    """Return what it costs to begin with a moment that stands `gap` staff spaces to the left."""
    off = abs(gap)
    if off <= 0.5:
        return 0.0
    return 0.25 if off < 1.7 else min(6.0, 1.5 + 0.8 * (off - 1.7))


def _after(gap: float) -> float:
    """Return what it costs to begin after such a moment."""
    return 2.5 if gap < 0.6 else 0.4 if gap < 1.3 else 0.0


def _before(gap: float) -> float:
    """Return what it costs to begin before such a moment, under it or to the right of it."""
    if gap <= -_SAME_PLACE:
        return 0.0
    far = min(6.0, 1.5 + gap) if gap > 1.7 else 0.6
    return far if gap > _SAME_PLACE else _UNDER_ANOTHER
