"""A pedal plan on an instrument -> its blur over time and its worst moments, in words.

The plan is performed evenly (no rubato) and measured by `acoustics.blur`, which knows dampers, decay and
roughness of the instrument. Reasons are Events as in `pedal_reasons`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from understave.acoustics.blur import WorstMoment, blur_curve, worst_moments
from understave.acoustics.performance import Strike
from understave.acoustics.piano import GRAND, Instrument
from understave.harmony.reading import Event, Reading
from understave.interpretation.pedal_reasons import tell_clash
from understave.interpretation.perform import Clock, clock, perform
from understave.interpretation.plan import PedalMove, Plan
from understave.interpretation.tempo import basic_tempo
from understave.score.model import Measure, Note, Score

STEP = 0.2
"""Seconds between points of the curve."""


@dataclass(frozen=True, slots=True)
class PedalBlur:
    """How a pedal plan sounds on an instrument.

    `curve` are (moment in quarter notes, blur) points in order of time, blur 1 being about as rough as C and
    C♯ of the middle octave struck together; `mean` its mean over time; `worst` the worst moments first.
    """

    instrument: Instrument
    curve: tuple[tuple[float, float], ...]
    mean: float
    worst: tuple[Event, ...]


def pedal_blur(
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
    plan = Plan(tempo=basic_tempo(score) if tempo is None else tempo, pedal=moves)
    time = clock(score, plan, first=first, last=last)
    performance = perform(score, plan, first=first, last=last)
    harmony = tuple(_harmony(reading, time))
    curve = blur_curve(performance, instrument, harmony, step=STEP)
    peaks = worst_moments(performance, instrument, harmony, most=2 * most, step=STEP)
    told = (_told(score, reading, time, peak, instrument) for peak in peaks if peak.pairs)
    mean = float(curve.blur.mean()) if curve.blur.size else 0.0
    points = tuple((time.moment(float(t)), float(b)) for t, b in zip(curve.times, curve.blur, strict=True))
    return PedalBlur(instrument, points, mean, tuple(e for e in told if e is not None)[:most])


def _harmony(reading: Reading, time: Clock) -> Iterator[tuple[float, float, frozenset[int]]]:
    for span in reading.spans:
        chord = frozenset(p.semitone for p in span.numeral.chord(span.key).members)
        yield time.at(span.start), time.at(span.end), chord


def _told(
    score: Score, reading: Reading, time: Clock, peak: WorstMoment, instrument: Instrument
) -> Event | None:
    """Tell a peak of the blur by its worst pair of written notes, from the older one's strike on."""
    pairs = [(_written(score, old), _written(score, new)) for old, new, _ in peak.pairs]
    written = [(old, new) for old, new in pairs if old and new and old.midi % 12 != new.midi % 12]
    if not written:
        return None
    # Of the roughest pairs one that a musician calls a clash, a second, before a low third.
    held, rubbed = next((p for p in written if (p[0].midi - p[1].midi) % 12 in (1, 2, 10, 11)), written[0])
    moment = Fraction(time.moment(peak.moment)).limit_denominator(48)
    span = next((s for s in reading.spans if s.start <= moment < s.end), reading.spans[-1])
    bar = score.measure_at(moment)
    return tell_clash(
        held, rubbed, span, _bars(bar, score.measure_at(held.onset)), peak.blur, instrument.name
    )


def _written(score: Score, strike: Strike) -> Note | None:
    return score.note_by_id.get(strike.note)


def _bars(bar: Measure, struck: Measure) -> tuple[Fraction, Fraction]:
    """Return from the beginning of the bar in which the old note is struck to the end of the murky one."""
    return min(bar.start, struck.start), bar.end
