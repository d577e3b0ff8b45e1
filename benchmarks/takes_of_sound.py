"""How far recorded sound is tied to its score, on rendered sound: no recorded sound is among the open data.

``python -m benchmarks.takes_of_sound`` renders what pianists played (Vienna 4x22, see `benchmarks.pianists`)
on our pianos, and on SoundFonts named with ``--soundfont`` (extra `soundfont`). It prints the share of marked
beats within 50 and 100 ms (beats of bars that are not told count as not found), the share of the bars that
are told at all, and how many told bars are not the ones played: straight through; as a "phone" hears it (a
hard room, noise 30 dB below, 25 cents sharp, gain control); with ten seconds skipped, eight seconds again, or
only the first half; and on the scores of other pieces, and a semitone off.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.performances import Performed
from benchmarks.pianists import excerpts, read_excerpt
from understave.acoustics.files import RATE, Samples
from understave.acoustics.performance import Performance
from understave.acoustics.piano import modelled
from understave.acoustics.sound import render
from understave.acoustics.soundfont import render_soundfont
from understave.errors import TakeError
from understave.score.model import Score
from understave.takes import Recording, tie

SHARP = 2 ** (0.25 / 12)
Truth = Callable[[float], tuple[float, ...]]
"""For a second of the playing, those of the sound: none where it was cut out, two where it stands twice."""


@dataclass(frozen=True, slots=True)
class Row:
    """Shares of beats within 50 and 100 ms, share of bars told, told bars that are wrong, CPU seconds."""

    near: float
    nearly: float
    told: float
    wrong: int
    seconds: float


def rendered(
    performance: Performance, soundfonts: Sequence[Path], only: str
) -> Iterator[tuple[str, Samples]]:
    """Yield the playing on each instrument whose name holds `only`, as mono sound."""
    for instrument in modelled():
        if only in instrument.name:
            yield instrument.name, render(performance, instrument).mean(axis=1)
    for path in soundfonts:
        if only in path.stem:
            yield path.stem, render_soundfont(performance, path).mean(axis=1)


def phone(samples: Samples) -> Samples:
    """Return the sound as a telephone on the lid might have it."""
    chance = np.random.default_rng(7)
    sharp = np.interp(np.arange(0, len(samples) - 1, SHARP), np.arange(len(samples)), samples)
    reach = round(0.5 * RATE)
    room = 0.05 * chance.standard_normal(reach) * np.exp(-np.arange(reach) / (0.12 * RATE))
    room[0] = 1.0
    size = 1 << (len(sharp) + reach).bit_length()
    wet = np.fft.irfft(np.fft.rfft(sharp, size) * np.fft.rfft(room, size))[: len(sharp)]
    energy = np.concatenate([[0.0], np.cumsum(wet**2)])
    block = RATE // 4
    ends = np.minimum(np.arange(len(wet)) + block, len(wet))
    level = np.sqrt((energy[ends] - energy[np.maximum(0, ends - block)]) / block) + 1e-4
    even = wet / level**0.7
    return np.asarray(even + chance.standard_normal(len(even)) * even.std() * 10 ** (-30 / 20), np.float32)


def cases(samples: Samples, length: float) -> Iterator[tuple[str, Samples, Truth]]:
    """Yield what can be done to the sound of a playing of so many seconds."""
    middle = length / 2
    cut, back = round(middle * RATE), round((middle - 8) * RATE)
    yield "straight", samples, lambda t: (t,)
    yield "phone", phone(samples), lambda t: (t / SHARP,)
    yield (
        "10 s skipped",
        np.concatenate([samples[:cut], samples[cut + 10 * RATE :]]),
        lambda t: (t,) if t < middle else (t - 10,) if t > middle + 10 else (),
    )
    yield (
        "8 s again",
        np.concatenate([samples[:cut], samples[back:]]),
        lambda t: (t,) * (t < middle) + (t + 8,) * (t > middle - 8),
    )
    yield "first half", samples[:cut], lambda t: (t,) * (t < middle)


def measured(score: Score, samples: Samples, performed: Performed, truth: Truth) -> Row:
    """Tie a sound and lay it beside the truth."""
    started = time.process_time()
    try:
        take = tie(score, Recording(Performance(()), (), "sound", "sound", samples=samples))
    except TakeError:
        return Row(0.0, 0.0, 0.0, 0, time.process_time() - started)
    took = time.process_time() - started
    (run,) = performed.runs
    errors = []
    for second, moment in zip(run.seconds, run.moments, strict=True):
        there = [r for r in take.runs if r.moments[0] - 0.5 <= moment <= r.moments[-1] + 0.5]
        errors.append(min((_off(r.second(moment), truth(second)) for r in there), default=np.inf))
    told = {k for r in take.runs for k in range(r.first, r.last + 1)}
    wrong = 0
    for r in take.runs:
        for k in range(r.first, r.last + 1):
            moments = [m for m in run.moments if score.measures[k].start <= m < score.measures[k].end]
            off = [_off(r.second(m), truth(float(np.interp(m, run.moments, run.seconds)))) for m in moments]
            # A bar is another one where more than half of it lies half a second or more away.
            wrong += bool(off) and float(np.mean([e >= 0.5 for e in off])) > 0.5
    found = np.array(errors)
    bars = len({note.measure for note in score.notes})
    return Row(float(np.mean(found <= 0.05)), float(np.mean(found <= 0.1)), len(told) / bars, wrong, took)


def _off(second: float, true: tuple[float, ...]) -> float:
    return min((abs(second - t) for t in true), default=np.inf)


def refused(score: Score, samples: Samples) -> bool:
    """Whether a sound is not tied to a score."""
    try:
        tie(score, Recording(Performance(()), (), "sound", "sound", samples=samples))
    except TakeError:
        return True
    return False


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--soundfont", type=Path, action="append", default=[], metavar="FILE")
    parser.add_argument("--instrument", default="", help="only instruments whose name holds this")
    parser.add_argument("--pianists", type=int, default=2, help="pianists of each piece (22 at most)")
    parser.add_argument("--piece", default="", help="only pieces whose name holds this")
    parser.add_argument("--skip", type=int, default=0, help="pianists passed over, those that were tuned on")
    asked = parser.parse_args()
    read = {home.name: read_excerpt(home) for home in excerpts()}
    if not read:
        print("The open data is not there; see benchmarks/README.md.")
        return
    rows: dict[tuple[str, str], list[Row]] = defaultdict(list)
    others: dict[str, list[bool]] = defaultdict(list)
    print(f"{'piece':20} {'pianist':24} {'instrument':14} {'case':13} 50 ms 100 ms told wrong")
    for name, (score, performed) in read.items():
        if asked.piece not in name:
            continue
        for p in performed[asked.skip :: max(1, (len(performed) - asked.skip) // asked.pianists)][
            : asked.pianists
        ]:
            for instrument, samples in rendered(p.performance, asked.soundfont, asked.instrument):
                for case, heard, truth in cases(samples, p.performance.length):
                    row = measured(score, heard, p, truth)
                    rows[instrument, case].append(row)
                    print(
                        f"{name:20} {p.name:24} {instrument:14} {case:13} {100 * row.near:5.1f} "
                        f"{100 * row.nearly:6.1f} {100 * row.told:4.0f} {row.wrong:5}",
                        flush=True,
                    )
                for other, (another, _) in read.items():
                    if other != name:
                        others["another piece"].append(refused(another, samples))
                higher = np.interp(
                    np.arange(0, len(samples) - 1, 2 ** (1 / 12)), np.arange(len(samples)), samples
                )
                others["a semitone off"].append(refused(score, higher.astype(np.float32)))
    for (instrument, case), found in rows.items():
        near, nearly, told = (
            100 * float(np.mean([getattr(row, name) for row in found])) for name in ("near", "nearly", "told")
        )
        print(
            f"{instrument:14} {case:13} {len(found):3} takes: {near:5.1f} % of beats within 50 ms, "
            f"{nearly:5.1f} % within 100; {told:3.0f} % of bars told, "
            f"{sum(row.wrong for row in found)} wrong; {sum(not row.told for row in found)} refused; "
            f"{np.mean([row.seconds for row in found]):.1f} s CPU"
        )
    for case, all_of in others.items():
        print(f"{case}: {sum(all_of)} of {len(all_of)} refused")


if __name__ == "__main__":
    main()
