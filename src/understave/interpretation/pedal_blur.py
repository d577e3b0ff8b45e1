"""Pedal plans on instruments -> their blur over time and their worst moments, in words; and side by side.

A plan is performed evenly (no rubato) and measured by `acoustics.blur`, which knows dampers, decay and
roughness of the instrument. Reasons are Events as in `pedal_reasons`.

- `pedal_blur(score, reading, moves, ...)` measures one plan on one instrument.
- `compare_pedals(score, reading, ...)` measures every way to pedal on every instrument.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from understave.acoustics.blur import WorstMoment, measure_blur
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import GRAND, Instrument, modelled
from understave.harmony.reading import Event, Reading
from understave.interpretation.pedal import STYLES, pedals
from understave.interpretation.pedal_reasons import tell_clash
from understave.interpretation.perform import Clock, clock, pedal_line, perform
from understave.interpretation.plan import PedalMove, Plan
from understave.interpretation.tempo import basic_tempo
from understave.score.model import Measure, Note, Score

STEP = 0.1
"""Seconds between points of the curve: fine enough to see a change by; our own choice."""


@dataclass(frozen=True, slots=True)
class PedalBlur:
    """How a pedal plan sounds on an instrument.

    `curve` are (moment in quarter notes, blur) points in order of time, blur 1 being about as rough as C and
    C♯ of the middle octave struck together; `mean` its mean over time; `worst` the worst moments first.
    `styles` are the ways to pedal that come to this plan, `changes` how often the foot moves in these bars.
    """

    instrument: Instrument
    curve: tuple[tuple[float, float], ...]
    mean: float
    worst: tuple[Event, ...]
    styles: tuple[str, ...] = ()
    changes: int = 0

    def by_time(self, start: Fraction, end: Fraction, count: int) -> tuple[float, ...]:
        """Return the mean blur of `count` equal stretches of written time."""
        edges = np.linspace(float(start), float(end), count + 1)
        moments, blurs = (
            (np.array(c) for c in zip(*self.curve, strict=True)) if self.curve else (edges, edges * 0)
        )
        # Between the points of a slow curve the line goes straight.
        fine = np.linspace(edges[0], edges[-1], 16 * count, endpoint=False)
        return tuple(float(x) for x in np.interp(fine, moments, blurs).reshape(count, 16).mean(axis=1))


def pedal_blur(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    moves: tuple[PedalMove, ...],
    *,
    instrument: Instrument = GRAND,
    tempo: float | None = None,
    first: int | None = None,
    last: int | None = None,
    most: int = 5,
) -> PedalBlur:
    """Measure a plan in the bars from index `first` to `last`; `most` bounds the worst moments."""
    return _Stage(score, reading, tempo, first, last).measured(moves, instrument, most)


def compare_pedals(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    *,
    styles: Sequence[str] = STYLES,
    instruments: Iterable[Instrument] | None = None,
    blur: float = 0.5,
    tempo: float | None = None,
    first: int | None = None,
    last: int | None = None,
    most: int = 2,
) -> tuple[PedalBlur, ...]:
    """Measure every way to pedal on every instrument, instrument by instrument; on all that are
    modelled for None.

    Ways that come to the same moves in these bars are measured once, their names together in `styles`.
    Raise UnderstaveError as `pedal` and `perform` do.
    """
    stage = _Stage(score, reading, tempo, first, last)
    found = []
    for instrument in modelled() if instruments is None else instruments:
        ways = pedals(score, reading, styles, blur=blur, instrument=instrument, tempo=stage.tempo)
        alike: dict[tuple[tuple[float, float], ...], list[str]] = {}
        for style in styles:
            alike.setdefault(stage.line(ways[style]), []).append(style)
        for names in alike.values():
            measured = stage.measured(ways[names[0]], instrument, most)
            found.append(replace(measured, styles=tuple(names)))
    return tuple(found)


class _Stage:
    """Some bars of a score, played once; then pedalled in one way after another."""

    def __init__(
        self, score: Score, reading: Reading, tempo: float | None, first: int | None, last: int | None
    ) -> None:
        self.score = score
        self.reading = reading
        self.tempo = basic_tempo(score) if tempo is None else tempo
        plan = Plan(tempo=self.tempo)
        self.time = clock(score, plan, first=first, last=last)
        self.played: Performance = perform(score, plan, first=first, last=last, pedal=())
        self.begin, self.finish = self.time.moments[0], self.time.moments[-1]
        self.harmony = tuple(
            (start, min(end, self.time.seconds[-1]), chord)
            for start, end, chord in _harmony(reading, self.time)
            if start < self.time.seconds[-1]
        )

    def line(self, moves: Sequence[PedalMove]) -> tuple[tuple[float, float], ...]:
        """Return the way of the foot in seconds."""
        end = max((strike.end for strike in self.played.strikes), default=0.0)
        return pedal_line(moves, self.time, self.begin, self.finish, end)

    def measured(self, moves: Sequence[PedalMove], instrument: Instrument, most: int) -> PedalBlur:
        """Return how a plan sounds."""
        performance = replace(self.played, pedal=self.line(moves))
        curve, peaks = measure_blur(performance, instrument, self.harmony, most=2 * most, step=STEP)
        told = (
            _told(self.score, self.reading, self.time, moment, instrument) for moment in peaks if moment.pairs
        )
        mean = float(curve.blur.mean()) if curve.blur.size else 0.0
        points = tuple(
            (self.time.moment(float(t)), float(b)) for t, b in zip(curve.times, curve.blur, strict=True)
        )
        inside = sum(self.begin <= move.moment < self.finish for move in moves)
        return PedalBlur(
            instrument,
            points,
            mean,
            tuple(event for event in told if event is not None)[:most],
            changes=inside,
        )


def _harmony(reading: Reading, time: Clock) -> Iterator[tuple[float, float, frozenset[int]]]:
    for span in reading.spans:
        chord = frozenset(tone.semitone for tone in span.numeral.chord(span.key).members)
        yield time.at(span.start), time.at(span.end), chord


def _told(
    score: Score, reading: Reading, time: Clock, peak: WorstMoment, instrument: Instrument
) -> Event | None:
    """Tell a peak of the blur by its worst clash of written notes, from the older one's strike on."""
    pairs = [(_written(score, old), _written(score, new)) for old, new, _ in peak.pairs]
    # What a musician calls a clash is a second, octaves aside; a low third is only thick.
    seconds = [
        (old, new) for old, new in pairs if old and new and (old.midi - new.midi) % 12 in (1, 2, 10, 11)
    ]
    if not seconds:
        return None
    held, rubbed = seconds[0]
    moment = Fraction(time.moment(peak.moment)).limit_denominator(48)
    span = reading.span_at(moment) or reading.spans[-1]
    bar = score.measure_at(moment)
    return tell_clash(
        held, rubbed, span, _bars(bar, score.measure_at(held.onset)), peak.blur, instrument.name
    )


def _written(score: Score, strike: Strike) -> Note | None:
    return score.note_by_id.get(strike.note)


def _bars(bar: Measure, struck: Measure) -> tuple[Fraction, Fraction]:
    """Return from the beginning of the bar in which the old note is struck to the end of the murky one."""
    return min(bar.start, struck.start), bar.end
