"""When the chords and rests of a bar begin: solved as a whole, from their values and their places on the
page.

In: the events of a bar, and how long it should be. Out: the best `Solution` and the second-best. Each voice
is a chain of events, each of which begins where the one before ends; what stands below each other begins
together; what stands further right begins later; all voices end with the bar (common practice, no source).
The search keeps the cheapest partial solutions, event by event from the left.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import lcm
from typing import NamedTuple

from understave.score.readers.page.events import Event

_KEPT = 32
"""Partial solutions that are kept after each event."""
_BEHIND = 9.0
"""How much dearer than the cheapest one a partial solution may be to be kept."""


class _Voice(NamedTuple):
    """The last event of a voice; `end` in ticks."""

    end: int
    staff: int
    way: int
    beam: int | None
    y: float


class _State(NamedTuple):
    """A partial solution: `columns` are moments with the place of the last event there, `placed` onset
    and voice.
    """

    cost: float
    voices: tuple[_Voice, ...]
    columns: dict[int, float]
    placed: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Solution:
    """Onset (in quarter notes from the bar line) and voice of each event, in their order, and how good it is.

    `cost` is 0 for a bar in which everything fits; `length` is where its voices end.
    """

    onsets: tuple[Fraction, ...]
    voices: tuple[int, ...]
    length: Fraction
    cost: float


def solve(
    events: Sequence[Event],
    values: Sequence[Fraction],
    length: Fraction,
    part_of: Sequence[int],
    space: float,
    *,
    may_be_short: bool = False,
) -> tuple[Solution, Solution | None]:
    """Return the best and the second-best solution of a bar.

    `values` are the events' values with tuplets reckoned in, `part_of` the part of each staff. `may_be_short`
    tells that the bar may be an upbeat or a part of a bar.
    """
    ticks = lcm(length.denominator, *(value.denominator for value in values))
    full = int(length * ticks)
    states = [_State(0.0, (), {}, ())]
    for i, (event, value) in enumerate(zip(events, values, strict=True)):
        lasts = int(value * ticks)
        # What stands on the same beam after it still has to come.
        rest = sum(
            int(v * ticks)
            for e, v in zip(events[i + 1 :], values[i + 1 :], strict=True)
            if event.beam is not None and e.beam == event.beam
        )
        moves = [
            (state.cost + cost, k, moment, voice)
            for k, state in enumerate(states)
            for cost, moment, voice in _moves(state, event, lasts, full - rest, part_of, space)
        ]
        moves.sort()
        following: dict[tuple[object, ...], _State] = {}
        for cost, k, moment, voice in moves:
            if cost > moves[0][0] + _BEHIND or len(following) >= _KEPT:
                break
            new = _moved(states[k], event, moment, lasts, voice, cost)
            following.setdefault((new.voices, moment), new)
        states = list(following.values())
    if not events:
        return Solution((), (), length, 0.0), None
    ended = sorted((_ended(state, full, ticks, may_be_short) for state in states), key=lambda s: s.cost)
    best = ended[0]
    other = next((s for s in ended[1:] if s.onsets != best.onsets), None)
    return best, other


def _ended(state: _State, full: int, ticks: int, may_be_short: bool) -> Solution:
    """Close a solution: voices that end elsewhere than the bar cost."""
    last = max(v.end for v in state.voices)
    cost = state.cost
    if last > full:
        cost += 6.0 + (last - full) / ticks
    elif last < full:
        cost += 0.5 if may_be_short else 5.0
    cost += sum(1.5 for voice in state.voices if voice.end < last)
    return Solution(
        tuple(Fraction(onset, ticks) for onset, _ in state.placed),
        tuple(voice for _, voice in state.placed),
        Fraction(last, ticks),
        cost,
    )


def _moves(
    state: _State, event: Event, lasts: int, room: int, part_of: Sequence[int], space: float
) -> Iterator[tuple[float, int, int]]:
    """Yield what an event may do next: the price, when it begins and in which voice."""
    busy = next(
        (i for i, v in enumerate(state.voices) if event.beam is not None and v.beam == event.beam), None
    )
    moments = {0, *state.columns, *(voice.end for voice in state.voices)}
    if room > lasts:  # it may end with the bar
        moments.add(room - lasts)
    price = {
        moment: _alignment(state.columns, moment, event.x, space) + (3.0 if moment + lasts > room else 0.0)
        for moment in moments
    }
    for i, voice in enumerate(state.voices):
        if part_of[voice.staff] != part_of[event.staff] or (busy is not None and busy != i):
            continue
        cost = 0.0
        if voice.staff != event.staff:
            cost += 0.2 if busy == i else 1.6
        if voice.way * event.way < 0 and busy != i:
            # In a staff with two voices the stems part them; in one with a single voice they turn as
            # they like.
            cost += 0.6 if sum(v.staff == event.staff for v in state.voices) > 1 else 0.05
        if event.is_rest and abs(voice.y - event.y) > 4 * space:
            cost += 0.1
        yield cost + price[voice.end], voice.end, i
        if busy != i:  # after a rest that is not printed
            for moment in moments:
                if moment > voice.end:
                    yield cost + 2.2 + price[moment], moment, i
    if busy is None:
        # A voice more: at the beginning of the bar that is usual, later it comes out of nothing.
        same = sum(v.staff == event.staff for v in state.voices)
        for moment in moments:
            yield (0.1 if moment == 0 else 2.6) + 0.8 * same + price[moment], moment, len(state.voices)


def _moved(state: _State, event: Event, moment: int, lasts: int, voice: int, cost: float) -> _State:
    way = event.way or (state.voices[voice].way if voice < len(state.voices) else 0)
    new = _Voice(moment + lasts, event.staff, way, event.beam, event.y)
    return _State(
        cost,
        (*state.voices[:voice], new, *state.voices[voice + 1 :]),
        {**state.columns, moment: event.x},
        (*state.placed, (moment, voice)),
    )


def _alignment(columns: Mapping[int, float], moment: int, x: float, space: float) -> float:
    """Return what it costs to begin at a moment, given where on the page other moments stand."""
    cost = 0.0
    for other, place in columns.items():
        gap = (x - place) / space
        if other == moment:
            off = abs(gap)
            if off > 0.5:
                cost += 0.25 if off < 1.7 else min(6.0, 1.5 + 0.8 * (off - 1.7))
        elif other < moment:
            if gap < 0.6:
                cost += 2.5
            elif gap < 1.3:
                cost += 0.4
        elif gap > 0.3:  # it stands to the right of what comes after it
            cost += min(6.0, 1.5 + gap) if gap > 1.7 else 0.6
    return cost
