"""How far recorded sound is tied to its score, on rendered sound: no recorded sound is among the open data.

``python -m benchmarks.takes_of_sound`` renders what pianists played on our pianos, and on SoundFonts named
with ``--soundfont`` (extra `soundfont`): three excerpts (Vienna 4x22, see `benchmarks.pianists`), on which
the thresholds were set, and with ``--held-out`` whole pieces on which nothing was (see
`benchmarks.performances`), by period. The network was trained on songs, played at random on instruments of
which `TRAINED_ON` names those that are rendered here; no piece and no playing of these was among them.

It prints the share of marked beats within 50 and 100 ms (beats of bars that are not told count as not found),
the share of the bars that are told at all, and how many told bars are not the ones played (nor have the same
notes): straight through; as a "phone" hears it (a hard room, noise 30 dB below, 25 cents sharp, gain
control: a chain of its own, which training does not have); of the excerpts also with ten seconds skipped,
eight seconds again, or only the first half; and on the scores of other pieces, and a semitone off. Means are
by instruments trained on and not; the same playing tied as MIDI stands beside them.
``--midi-only`` renders nothing. ``--follow-only`` asks the second opinion alone, which was the only one
before. With ``--state FILE --minutes N`` the tables are made in several runs.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from benchmarks.kept import add_options
from benchmarks.kept import measured as kept
from benchmarks.performances import FITTED, Performed, pieces, read_piece, to_seconds
from benchmarks.pianists import excerpts, read_excerpt
from understave.acoustics.files import RATE, Samples
from understave.acoustics.performance import Performance
from understave.acoustics.piano import modelled
from understave.acoustics.sound import render
from understave.acoustics.soundfont import render_soundfont
from understave.errors import TakeError
from understave.score.model import Measure, Score
from understave.takes import Recording, sound_tying, tie
from understave.takes.sound_following import Heard, follow_sound, told_bars
from understave.takes.take import Run, Take
from understave.takes.written import Written

AS_MIDI = "as MIDI"
"""The case in which no sound is rendered: what tying itself leaves to be found."""
TRAINED_ON = frozenset({"FluidR3_GM"})
"""SoundFonts that the network was trained on, besides our own pianos."""
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


def rendered(performance: Performance, job: Job) -> Samples:
    """Return the playing on an instrument, as mono sound."""
    if job.soundfont is not None:
        return np.asarray(render_soundfont(performance, job.soundfont).mean(axis=1), np.float32)
    (instrument,) = (i for i in modelled() if i.name == job.instrument)
    return np.asarray(render(performance, instrument).mean(axis=1), np.float32)


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


def _true(performed: Performed, moment: float, truth: Truth) -> tuple[float, ...]:
    """Return every second of the sound at which a written moment is played."""
    return tuple(t for second in to_seconds(performed, moment) for t in truth(second))


def sound_of(samples: Samples) -> Recording:
    """Return sound as a recording."""
    return Recording(Performance(()), (), "sound", "sound", samples=samples)


def measured(score: Score, recording: Recording, performed: Performed, truth: Truth) -> Row:
    """Tie a recording and lay it beside the truth."""
    started = time.process_time()
    try:
        take = tie(score, recording)
    except TakeError:
        return Row(0.0, 0.0, 0.0, 0, time.process_time() - started)
    took = time.process_time() - started
    errors = []
    for second, moment in performed.beats:
        there = [r for r in take.runs if r.moments[0] - 0.5 <= moment <= r.moments[-1] + 0.5]
        errors.append(min((_off(r.second(moment), truth(second)) for r in there), default=np.inf))
    told = {k for r in take.runs for k in range(r.first, r.last + 1)}
    wrong = 0
    for r in take.runs:
        for k in range(r.first, r.last + 1):
            measure = score.measures[k]
            moments = sorted(
                {m for _, m in performed.beats if measure.start <= m < measure.end and _in(r, m)}
            )
            off = [_off(r.second(m), _true(performed, m, truth)) for m in moments]
            # A bar is another one where more than half of it lies half a second or more away; but not where
            # what is played there has the same notes, which nobody can hear apart.
            if off and float(np.mean([e >= 0.5 for e in off])) > 0.5 and not r.could_be:
                middle = r.second(moments[len(moments) // 2])
                wrong += _music(score, measure) not in {
                    _music(score, score.measure_at(Fraction(m)))
                    for second, m in performed.beats
                    if _off(middle, truth(second)) < 0.5
                }
    found = np.array(errors)
    bars = {note.measure for note in score.notes}
    reached = [score.measures[k] for k in bars]
    bars_played = sum(any(m.start <= b < m.end for _, b in performed.beats) for m in reached)
    return Row(
        float(np.mean(found <= 0.05)),
        float(np.mean(found <= 0.1)),
        min(1.0, len(told) / max(1, bars_played)),
        wrong,
        took,
    )


def _music(score: Score, measure: Measure) -> frozenset[tuple[Fraction, int]]:
    """Return what is struck in a bar: moments from its beginning, keys."""
    return frozenset((n.onset - measure.start, n.midi) for n in score.notes if n.measure == measure.index)


def _in(run: Run, moment: float) -> bool:
    return run.moments[0] - 0.5 <= moment <= run.moments[-1] + 0.5


def _off(second: float, true: tuple[float, ...]) -> float:
    return min((abs(second - t) for t in true), default=np.inf)


def refused(score: Score, samples: Samples) -> bool:
    """Whether a sound is not tied to a score."""
    try:
        tie(score, sound_of(samples))
    except TakeError:
        return True
    return False


@dataclass(frozen=True, slots=True)
class Job:
    """A playing on an instrument: what is read, rendered and tied in one process."""

    piece: str
    kind: str
    home: Path
    pianist: str
    instrument: str
    soundfont: Path | None
    held_out: bool
    follow_only: bool = False
    midi_only: bool = False

    @property
    def set(self) -> str:
        """The piece, as `benchmarks.kept` knows it."""
        return self.piece

    @property
    def name(self) -> str:
        """Whose playing, and on which instrument."""
        return f"{self.pianist}, {self.instrument}"

    @property
    def trained_on(self) -> bool:
        """Whether the network heard this instrument in training."""
        return self.soundfont is None or self.soundfont.stem in TRAINED_ON


@dataclass(frozen=True, slots=True)
class Found:
    """Rows by case, and which of the wrong scores were refused."""

    rows: tuple[tuple[str, Row], ...]
    others: tuple[tuple[str, bool], ...]


def done(job: Job) -> Found:
    """Render and tie."""
    if job.follow_only:
        sound_tying.tie_sound = followed_only  # type: ignore[assignment]
    score, performed = _read(job.home, job.held_out)
    p = next(one for one in performed if one.name == job.pianist)
    as_midi = (
        AS_MIDI,
        measured(score, Recording(p.performance, (), "midi", "midi"), p, lambda t: (t,)),
    )
    if job.midi_only:
        return Found((as_midi,), ())
    samples = rendered(p.performance, job)
    every = cases(samples, p.performance.length)
    rows = [
        (case, measured(score, sound_of(heard), p, truth))
        for case, heard, truth in every
        if _asked(job, case)
    ]
    rows.append(as_midi)
    others: list[tuple[str, bool]] = []
    if not job.held_out:
        others = [
            ("another piece", refused(read_excerpt(home)[0], samples))
            for home in excerpts()
            if home != job.home
        ]
        higher = np.interp(np.arange(0, len(samples) - 1, 2 ** (1 / 12)), np.arange(len(samples)), samples)
        others.append(("a semitone off", refused(score, higher.astype(np.float32))))
    return Found(tuple(rows), tuple(others))


def _asked(job: Job, case: str) -> bool:
    return not job.held_out or case in ("straight", "phone")


def _read(home: Path, held_out: bool) -> tuple[Score, tuple[Performed, ...]]:
    if not held_out:
        return read_excerpt(home)
    return read_piece(next(piece for piece in pieces() if piece.score.parent == home))


def jobs(asked: argparse.Namespace) -> Iterator[Job]:
    """Yield what is to be rendered, the longest pieces first."""
    fonts: list[Path] = asked.soundfont
    instruments: list[tuple[str, Path | None]] = [(f.stem, f) for f in fonts]
    if asked.midi_only:
        instruments = [("none", None)]
    elif not asked.held_out:
        instruments += [(i.name, None) for i in modelled()]
    for piece, kind, home, names in _played(asked.held_out):
        if asked.piece not in piece:
            continue
        chosen = names[asked.skip :: max(1, (len(names) - asked.skip) // asked.pianists)][: asked.pianists]
        for name in chosen:
            for instrument, font in instruments:
                if asked.instrument in instrument:
                    ways = asked.held_out, asked.follow_only, asked.midi_only
                    yield Job(piece, kind, home, name, instrument, font, *ways)


def _played(held_out: bool) -> Iterator[tuple[str, str, Path, list[str]]]:
    if not held_out:
        for home in excerpts():
            yield home.name, "excerpt", home, [path.stem for path in sorted(home.glob("*.match"))]
        return
    for piece in pieces():
        if piece.name not in FITTED:  # the study of which the excerpts have a part
            names = [p.name for p in read_piece(piece)[1]]
            yield piece.name, piece.period, piece.score.parent, names


def followed_only(score: Score, recording: Recording, first: int | None, last: int | None) -> Take:
    """Tie by the second opinion alone, straight through."""
    assert recording.samples is not None
    written = Written(score, first or 0, last)
    found = follow_sound(Heard(recording.samples, RATE), written)
    told = told_bars(written, found)
    bars = [here[0].measure for here in written.notes]
    runs: list[Run] = []
    group: list[int] = []
    for i in range(len(bars) + 1):
        if i < len(bars) and told[int(written.bar_of[i])]:
            if not group or found.seconds[i] > found.seconds[group[-1]]:
                group.append(i)
            continue
        if len({bars[k] for k in group}) >= 2:
            moments, seconds = written.quarters[group].tolist(), found.seconds[group].tolist()
            runs.append(Run(tuple(moments), tuple(seconds), bars[group[0]], bars[group[-1]], 1.0))
        group = []
    if float(found.clear.mean()) < 0.65 or sum(told.values()) < 0.6 * len(told) or not runs:
        raise TakeError("not sure")
    return Take(recording, tuple(runs), (), (), (), (), (), float(found.clear.mean()))


def _means(title: str, found: Sequence[Row]) -> None:
    near, nearly, told = (
        100 * float(np.mean([getattr(row, name) for row in found])) for name in ("near", "nearly", "told")
    )
    print(
        f"{title:58} {len(found):3} takes: {near:5.1f} % within 50 ms, {nearly:5.1f} within 100; "
        f"{told:3.0f} % of bars told, {sum(row.wrong for row in found)} wrong; "
        f"{sum(not row.told for row in found)} refused; {np.mean([row.seconds for row in found]):.1f} s CPU"
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--soundfont", type=Path, action="append", default=[], metavar="FILE")
    parser.add_argument("--instrument", default="", help="only instruments whose name holds this")
    parser.add_argument("--pianists", type=int, default=2, help="pianists of each piece (22 at most)")
    parser.add_argument("--piece", default="", help="only pieces whose name holds this")
    parser.add_argument("--skip", type=int, default=0, help="pianists passed over, those that were tuned on")
    parser.add_argument("--held-out", action="store_true", help="whole pieces that nothing was set on")
    parser.add_argument("--follow-only", action="store_true", help="without the network")
    parser.add_argument("--midi-only", action="store_true", help="without sound: the playing tied as MIDI")
    add_options(parser)
    asked = parser.parse_args()
    todo = list(jobs(asked))
    if not todo:
        print("The open data is not there, or no instrument is named; see benchmarks/README.md.")
        return
    rows: dict[tuple[str, str], list[Row]] = defaultdict(list)
    others: dict[str, list[bool]] = defaultdict(list)
    print(f"{'piece':34} {'pianist':24} {'instrument':14} {'case':13} 50 ms 100 ms told wrong")
    for job, found in kept(todo, done, asked):
        trained = "trained on" if job.trained_on else "not trained on"
        for case, row in found.rows:
            for title in (f"{job.kind}, {job.instrument}", f"all, instruments {trained}"):
                rows[title, case].append(row)
            print(
                f"{job.piece:34} {job.pianist:24} {job.instrument:14} {case:13} {100 * row.near:5.1f} "
                f"{100 * row.nearly:6.1f} {100 * row.told:4.0f} {row.wrong:5}",
                flush=True,
            )
        for case, right in found.others:
            others[case].append(right)
    for (title, case), all_rows in sorted(rows.items()):
        _means(f"{title}: {case}", all_rows)
    for case, all_of in others.items():
        print(f"{case}: {sum(all_of)} of {len(all_of)} refused")


if __name__ == "__main__":
    main()
