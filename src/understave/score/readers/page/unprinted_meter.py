"""The meter of pages that print none, as pages from the middle of a piece and excerpts do.

In: how bars come out in each usual meter. Out: that in which most add up as they stand. A meter of equal
length is told apart by where its beats fall: what begins between two beats does not go on beyond the next
(common practice, no source). 2/2 holds the same bars as 4/4 and is taken for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from itertools import islice
from typing import NamedTuple

from understave.score.readers.page.events import Event

METERS = ((4, 4), (3, 4), (2, 4), (6, 8), (3, 8), (9, 8), (3, 2), (12, 8), (6, 4), (5, 4))
"""The usual ones, the simpler first: what is taken where nothing else tells."""
ENOUGH = 32
"""Bars from which the meter is inferred. Set by hand: with more it takes longer and is no surer."""

_TIE = 0.25
"""How much dearer than the cheapest meter, a bar, the simpler one may be. Set by hand: far below the price of
anything missing or too many, above that of a note that stands a little off its place."""


class Fitted(NamedTuple):
    """How a bar comes out in a meter: what mending it costs, and its notes with their onsets and values."""

    cost: float
    onsets: Sequence[Fraction]
    values: Sequence[Fraction]
    events: Sequence[Event]


def infer_meter(fitted: Callable[[int, int], Iterable[Fitted]]) -> tuple[int, int]:
    """Return the meter (beats, unit) of the first bars, which `fitted` puts in a meter one after another.

    A meter that is too dear after some of them is given up there.
    """
    by_length: dict[Fraction, list[tuple[int, int]]] = {}
    for beats, unit in METERS:
        by_length.setdefault(Fraction(4 * beats, unit), []).append((beats, unit))
    usual, *others = by_length.values()
    bars = list(islice(fitted(*usual[0]), ENOUGH))
    tie = _TIE * sum(len(bar.events) > 0 for bar in bars)
    tried = [(_cost(bars), bars, usual)]
    for meters in others:
        most = min(cost for cost, *_ in tried) + tie
        bars = []
        for bar in islice(fitted(*meters[0]), ENOUGH):
            bars.append(bar)
            if _cost(bars) > most:
                break
        else:
            tried.append((_cost(bars), bars, meters))
    most = min(cost for cost, *_ in tried) + tie
    bars, meters = next((bars, meters) for cost, bars, meters in tried if cost <= most)
    return min(meters, key=lambda meter: sum(_across(bar, beat_of(*meter)) for bar in bars))


def _cost(bars: Sequence[Fitted]) -> float:
    return sum(bar.cost for bar in bars)


def beat_of(beats: int, unit: int) -> Fraction:
    """Return the length of a beat in quarter notes, three units of a compound meter."""
    return Fraction(12 if beats % 3 == 0 and beats > 3 else 4, unit)


def _across(bar: Fitted, beat: Fraction) -> int:
    """Count the notes and beams that begin between two beats and go on beyond the next."""
    return sum(onset % beat != 0 and onset % beat + lasts > beat for onset, lasts in _figures(bar))


def _figures(bar: Fitted) -> Iterator[tuple[Fraction, Fraction]]:
    """Yield onset and length of each beam, and of each note that stands on none."""
    beams: dict[int, tuple[Fraction, Fraction]] = {}
    for event, onset, value in zip(bar.events, bar.onsets, bar.values, strict=True):
        if event.beam is not None:
            first, lasts = beams.get(event.beam, (onset, Fraction(0)))
            beams[event.beam] = first, lasts + value
        elif not event.is_rest:
            yield onset, value
    yield from beams.values()
