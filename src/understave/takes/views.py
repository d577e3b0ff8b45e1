"""What a take shows beside the plan: time, loudness, pedal and its blur. Take and Plan in, values out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from understave.acoustics.blur import blur_curve
from understave.acoustics.files import RATE, Samples
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import GRAND, Instrument
from understave.errors import TakeError
from understave.harmony.reading import Reading
from understave.interpretation.perform import Clock, pedal_line, velocities_of
from understave.interpretation.plan import Level, Plan
from understave.interpretation.printed import printed_loudness
from understave.score.model import Score
from understave.takes.recorded import FILM, samples_of
from understave.takes.take import Run, Take

HESITATION, AROUND = 1.5, 4
"""A beat so many times longer than the median of so many before and after it is a hesitation (set by
reasoning)."""


@dataclass(frozen=True, slots=True)
class Hesitation:
    """A beat (written moment, quarter notes) that lasts `times` as long as those around it."""

    moment: float
    times: float


@dataclass(frozen=True, slots=True)
class PedalBlur:
    """Mean blur (see `acoustics.blur`) of the same keys under the player's pedal and under the planned
    one.
    """

    own: float
    planned: float


def clock_of(run: Run, begin: Fraction | None = None, finish: Fraction | None = None) -> Clock:
    """Return a run as a clock, so that what follows a plan can follow the take; seconds are the recording's.

    With `begin` and `finish` it reaches from one to the other, its ends reckoned at the nearest tempo.
    """
    whole = Clock(tuple(Fraction(m).limit_denominator(10_000) for m in run.moments), run.seconds)
    low, high = begin or whole.moments[0], finish or whole.moments[-1]
    inner = [m for m in whole.moments if low < m < high]
    points = (low, *inner, high)
    return Clock(points, tuple(whole.at(m) for m in points))


def beats_between(score: Score, low: float, high: float) -> list[float]:
    """Return the beats of a score, in quarter notes, from one written moment to another, both included."""
    beats = [
        float(measure.start + k * measure.beat_length)
        for measure in score.measures
        for k in range(int(measure.length / measure.beat_length))
    ]
    return [b for b in beats if low <= b <= high]


def hesitations(score: Score, run: Run) -> tuple[Hesitation, ...]:
    """Return the beats of a run that are held up far beyond their neighbours."""
    return tuple(
        Hesitation(beat, times) for beat, times in beside_neighbours(score, run) if times > HESITATION
    )


def beside_neighbours(score: Score, run: Run) -> tuple[tuple[float, float], ...]:
    """Return for each beat of a run but the last (written moment, quarter notes) how many times as long it
    is as the middle of so many before and after it; nothing of a run that is too short to tell.
    """
    beats = beats_between(score, run.moments[0], run.moments[-1])
    if len(beats) < AROUND:
        return ()
    lengths = np.diff([run.second(b) for b in beats]) / np.diff(beats)
    found = []
    for k, length in enumerate(lengths.tolist()):
        near = np.concatenate([lengths[max(0, k - AROUND) : k], lengths[k + 1 : k + 1 + AROUND]])
        usual = float(np.median(near)) if len(near) else 0.0
        if usual > 0:
            found.append((beats[k], length / usual))
    return tuple(found)


def tempo_curve(score: Score, run: Run) -> tuple[tuple[float, float], ...]:
    """Return (written moment, quarter notes a minute) for each beat of a run but the last."""
    beats = beats_between(score, run.moments[0], run.moments[-1])
    seconds = [run.second(b) for b in beats]
    pairs = zip(beats, beats[1:], seconds, seconds[1:], strict=False)
    return tuple((a, 60 * (b - a) / (t - s)) for a, b, s, t in pairs if t > s)


def longest_run(take: Take) -> int:
    """Return the number of the run that holds most written time."""
    return max(range(len(take.runs)), key=lambda k: take.runs[k].moments[-1] - take.runs[k].moments[0])


@dataclass(frozen=True, slots=True)
class Summary:
    """A take in numbers: notes as written of all in the bars played (None of sound), the middle tempo in
    quarter notes a minute (None where too little is played), how often time waits.
    """

    right: int | None
    written: int | None
    tempo: float | None
    waits: int


def summary(score: Score, take: Take) -> Summary:
    """Return what of a take can be laid beside others over time."""
    right = written = None
    if take.recording.kind == "midi":
        right = len({match.strike for match in take.matches})
        written = right + len(take.missed) + len(take.wrong)
    tempi = [value for run in take.runs for _, value in tempo_curve(score, run)]
    waits = sum(len(hesitations(score, run)) for run in take.runs)
    return Summary(right, written, round(float(np.median(tempi)), 1) if tempi else None, waits)


def loudness(score: Score, plan: Plan, take: Take) -> tuple[tuple[float, float, float], ...]:
    """Return (written moment, played, planned) velocity of each match, each less its own median.

    How hard a key counts differs from piano to piano: only the shapes can be compared.
    """
    wanted = velocities_of(score, plan)
    strikes = take.recording.performance.strikes
    rows = [
        (score.note_by_id[m.note].at, strikes[m.strike].velocity, wanted[m.note])
        for m in take.matches
        if m.note in wanted
    ]
    if not rows:
        return ()
    own, planned = float(np.median([r[1] for r in rows])), float(np.median([r[2] for r in rows]))
    return tuple((t, v - own, w - planned) for t, v, w in rows)


def printed_alone(score: Score) -> Plan | None:
    """Return what is printed about loudness as a plan without anything else; None where nothing is."""
    printed = printed_loudness(score)
    if not (printed.marks or printed.swells):
        return None
    return Plan(levels=tuple(Level(moment, velocity) for moment, velocity in printed.line))


def melody_over_rest(score: Score, take: Take) -> float | None:
    """Return by how much (median velocity) the top notes stand over the notes struck with them; None if
    none do.
    """
    together: dict[tuple[int, Fraction], list[tuple[int, float]]] = {}
    for m in take.matches:
        note = score.note_by_id[m.note]
        velocity = take.recording.performance.strikes[m.strike].velocity
        together.setdefault((m.run, note.onset), []).append((note.midi, velocity))
    over = [
        max(group)[1] - float(np.mean([v for _, v in sorted(group)[:-1]]))
        for group in together.values()
        if len({key for key, _ in group}) > 2
    ]
    return float(np.median(over)) if over else None


def damped(line: Sequence[tuple[float, float]], half: float) -> tuple[tuple[float, float], ...]:
    """Return a pedal's line as depths of the dampers: `half` is the depth, as sent, at which they half lie.

    What a keyboard sends is how far its own pedal is down, not how far dampers are up: where "half" is
    differs from piano to piano.
    """
    return tuple((t, float(np.interp(depth, (0.0, half, 1.0), (0.0, 0.5, 1.0)))) for t, depth in line)


def pedal_blur(
    score: Score,
    plan: Plan,
    reading: Reading,
    take: Take,
    number: int,
    instrument: Instrument = GRAND,
) -> PedalBlur | None:
    """Return the mean blur of a run under its own pedal and under the plan's on the player's time.

    None where the recording has no pedal messages: then nothing can be said about it.
    """
    if not take.recording.pedal:
        return None
    performance, time = as_played(score, take, number)
    performance = replace(performance, pedal=damped(performance.pedal, take.recording.half))
    begin, finish = time.moments[0], time.moments[-1]
    planned = pedal_line(plan.pedal, time, begin, finish, time.seconds[-1])
    harmony = [
        (
            time.at(span.start),
            time.at(span.end),
            frozenset(tone.semitone for tone in span.numeral.chord(span.key).members),
        )
        for span in reading.spans
        if span.start < finish and span.end > begin
    ]
    own = blur_curve(performance, instrument, harmony, step=0.1)
    under_plan = blur_curve(Performance(performance.strikes, planned), instrument, harmony, step=0.1)
    return PedalBlur(_mean(own.blur), _mean(under_plan.blur))


def _mean(values: np.ndarray) -> float:
    return float(np.mean(values)) if len(values) else 0.0


def run_over(score: Score, take: Take, first: int, last: int) -> int:
    """Return the run that holds most of the bars from `first` to `last` (indexes), the latest of equals.

    Raises TakeError where none holds a note of them in the first and the last bar, or where which bars
    that run is cannot be told.
    """
    begin, finish = float(score.measures[first].start), float(score.measures[last].end)
    fits = [
        (min(finish, run.moments[-1]) - max(begin, run.moments[0]), k)
        for k, run in enumerate(take.runs)
        if run.first <= first and run.last >= last
    ]
    names = f"bars {score.bar_name(score.measures[first])} to {score.bar_name(score.measures[last])}"
    if not fits:
        played = ", ".join(
            f"{score.bar_name(score.measures[run.first])}-{score.bar_name(score.measures[run.last])}"
            for run in take.runs
        )
        raise TakeError(
            f"{take.recording.media} does not play {names} in one go; "
            f"it plays {played}: choose bars from these."
        )
    best = max(fits)[1]
    if take.runs[best].could_be:
        raise TakeError(
            f"The notes of {take.recording.media} stand in several places of this score; "
            "add the take again and name its bars with --bars."
        )
    return best


def clock_over(score: Score, take: Take, first: int, last: int) -> Clock:
    """Return the clock of bars `first` to `last` (indexes, both included) as they were played, in seconds of
    the recording; raises TakeError as `run_over` does.
    """
    run = take.runs[run_over(score, take, first, last)]
    return clock_of(run, score.measures[first].start, score.measures[last].end)


SHORTEST = 0.05
"""Seconds that a key stays down at least that an excerpt's end cuts off (set by reasoning)."""
LEAD, FADE = 0.15, 0.6
"""Seconds of recorded sound that are heard before the first note and fade after the last."""


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Some bars as they were played, from 0 seconds: keys, clock, and `sound` (frames,) at `RATE` where the
    recording is sound; then the keys are those written, when they are heard to begin. `film` is the
    file where the recording is a film, and `film_from` the second of it at which the excerpt begins.
    """

    performance: Performance
    clock: Clock
    sound: Samples | None = None
    film: Path | None = None
    film_from: float = 0.0


def excerpt_of(score: Score, take: Take, first: int, last: int) -> Excerpt:
    """Return bars `first` to `last` (indexes, both included) as they were played.

    Raises TakeError where the take does not hold them in one go, or its bars cannot be told.
    """
    number = run_over(score, take, first, last)
    if take.recording.kind == "midi":
        return Excerpt(*as_played(score, take, number, first, last))
    begin, finish = score.measures[first].start, score.measures[last].end
    time = clock_of(take.runs[number], begin, finish)
    zero = max(0.0, time.seconds[0] - LEAD)
    whole = samples_of(take.recording)
    samples = whole[round(zero * RATE) : round((time.seconds[-1] + FADE) * RATE)].copy()
    fade = min(len(samples), round(FADE * RATE))
    samples[len(samples) - fade :] *= np.linspace(1, 0, fade, dtype=np.float32)
    shifted = Clock(time.moments, tuple(s - zero for s in time.seconds))
    strikes = tuple(
        Strike(
            note.midi, shifted.at(note.onset), min(shifted.at(note.end), shifted.seconds[-1]), 64.0, note.id
        )
        for note in score.notes
        if begin <= note.onset < finish and not note.cue and not note.grace
    )
    file = take.recording.file
    film = file if file is not None and file.suffix.lower() in FILM else None
    return Excerpt(Performance(strikes), shifted, samples, film, take.recording.offset + zero)


def as_played(
    score: Score, take: Take, number: int, first: int | None = None, last: int | None = None
) -> tuple[Performance, Clock]:
    """Return a run, or its bars from `first` to `last`, as it was played: from 0 seconds, and its clock.

    Strikes carry the ids of the notes that they are, ornaments those of the note that they adorn. What
    is tied or held beyond bar `last` ends with that bar, as it does where the tool plays.
    """
    run = take.runs[number]
    begin = score.measures[first].start if first is not None else None
    finish = score.measures[last].end if last is not None else None
    time = clock_of(run, begin, finish)
    named = {m.strike: m.note for m in take.matches if m.run == number}
    named |= {
        s: ornament.note for ornament in take.ornaments if ornament.run == number for s in ornament.strikes
    }
    elsewhere = {m.strike for m in take.matches if m.run != number}
    low, high = time.seconds[0], time.seconds[-1]
    stop = high if last is not None else float("inf")
    all_strikes = take.recording.performance.strikes
    inside = [
        i
        for i, strike in enumerate(all_strikes)
        if i not in elsewhere and _inside(score, named.get(i), strike.start, time, finish is None)
    ]
    zero = min([low, *(all_strikes[i].start for i in inside)])
    strikes = []
    for i in inside:
        strike = all_strikes[i]
        strikes.append(
            replace(
                strike, start=strike.start - zero, end=_let_go(strike, stop) - zero, note=named.get(i, "")
            )
        )
    line = take.recording.performance.pedal
    depth = next((d for t, d in reversed(line) if t <= zero), 0.0)
    end = max([high - zero, *(strike.end for strike in strikes)])
    pedal = [(0.0, depth)] if depth else []
    pedal += [(t - zero, d) for t, d in line if zero < t <= zero + end]
    if pedal:
        pedal.append((max(end, pedal[-1][0]) + 0.1, 0.0))
    shifted = Clock(time.moments, tuple(s - zero for s in time.seconds))
    return Performance(tuple(strikes), tuple(pedal), take.recording.performance.soft), shifted


def _let_go(strike: Strike, stop: float) -> float:
    """When a key is let go, at `stop` at the latest, but not before it has been struck."""
    return max(min(strike.end, stop), min(strike.end, strike.start + SHORTEST))


def _inside(score: Score, note: str | None, start: float, time: Clock, closed: bool) -> bool:
    """Whether a strike belongs to a clock's stretch: by its note where it has one, else by its second.

    `closed` tells that what is struck at the very end belongs to it, as in a whole run.
    """
    if note is None:
        return time.seconds[0] <= start < time.seconds[-1]
    onset = score.note_by_id[note].onset
    return time.moments[0] <= onset < time.moments[-1] or (closed and onset >= time.moments[-1])
