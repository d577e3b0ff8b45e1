"""Three excerpts, each played by 22 pianists, laid on our reading of the score.

In: the folders of ``pianists`` (match files of format 1.0.0 and MIDI with pedal; Goebl,
"Numerisch-klassifika- torische Interpretationsanalyse mit dem Boesendorfer Computerfluegel", 1999, doi
10.21939/4X22, CC BY 4.0). Out: `Performed`, as for the recorded performances. ``python -m
benchmarks.pianists`` prints how much was found.

A match line ties a written note (pitch, onset in beats of the signature) to the struck one (ticks, velocity).
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

from benchmarks.data import data_folder
from benchmarks.performances import Performed, Run, played_pedal
from understave.acoustics.performance import Performance, Strike
from understave.score.model import Note, Score
from understave.score.reader import read_score

_MATCHED = re.compile(
    r"snote\([^,]+,\[(?P<letter>[A-G]),[^\]]+\],-?\d+,[^,]+,[^,]+,[^,]+,(?P<onset>-?[\d.]+),[^,]+,"
    r"\[(?P<about>[^\]]*)\]\)-note\([^,]+,(?P<key>\d+),(?P<start>\d+),(?P<end>\d+),(?P<velocity>\d+)"
)
_METRE = re.compile(r"scoreprop\(timeSignature,\d+/(\d+)")
_UNITS, _RATE = re.compile(r"midiClockUnits,(\d+)"), re.compile(r"midiClockRate,(\d+)")


def excerpts() -> tuple[Path, ...]:
    """Return the folders of the excerpts by name; none where the data is absent."""
    folder = data_folder() / "pianists"
    homes = sorted(folder.iterdir()) if folder.is_dir() else []
    return tuple(home for home in homes if (home / "score.musicxml").exists())


def read_excerpt(home: Path) -> tuple[Score, tuple[Performed, ...]]:
    """Read an excerpt's score and the performances of all pianists."""
    score = read_score(home / "score.musicxml")
    return score, tuple(_performed(path, score) for path in sorted(home.glob("*.match")))


def _performed(path: Path, score: Score) -> Performed:
    text = path.read_text(encoding="utf-8")
    unit, rate, metre = (int(r.search(text)[1]) for r in (_UNITS, _RATE, _METRE))  # type: ignore[index]
    tick = rate / 1e6 / unit
    written: dict[tuple[int, Fraction], list[Note]] = defaultdict(list)
    for n in score.notes:
        written[n.midi, n.onset.limit_denominator(48)].append(n)
    lines = list(_MATCHED.finditer(text))
    first = min(Fraction(m["onset"]) for m in lines) * Fraction(4, metre)
    strikes: list[Strike] = []
    onsets: dict[Fraction, list[float]] = defaultdict(list)
    times: list[float] = []
    for m in lines:
        moment = (Fraction(m["onset"]) * Fraction(4, metre) - first).limit_denominator(48)
        found = written.get((int(m["key"]), moment))
        note = found.pop(0).id if found else ""
        start = int(m["start"]) * tick
        strikes.append(Strike(int(m["key"]), start, int(m["end"]) * tick, float(m["velocity"]), note))
        times.append(float(moment))
        if "grace" not in m["about"]:
            onsets[moment].append(start)
    order = sorted(range(len(strikes)), key=lambda i: strikes[i].start)
    pedal = played_pedal(path.with_suffix(".mid"))
    return Performed(
        path.stem,
        Performance(tuple(strikes[i] for i in order), tuple(pedal)),
        (_run(onsets),),
        tuple(pedal),
        tuple(times[i] for i in order),
    )


def _run(onsets: dict[Fraction, list[float]]) -> Run:
    """Tie written moments to seconds, the mean of what is struck at each."""
    rising: list[tuple[float, float]] = []
    for moment, seconds in _rising(onsets):
        if not rising or seconds > rising[-1][0]:
            rising.append((seconds, moment))
    return Run(tuple(s for s, _ in rising), tuple(m for _, m in rising))


def _rising(onsets: dict[Fraction, list[float]]) -> Iterator[tuple[float, float]]:
    for moment in sorted(onsets):
        yield float(moment), sum(onsets[moment]) / len(onsets[moment])


def main() -> None:
    """Print how many strikes of each excerpt were found in its score."""
    for home in excerpts():
        _, performed = read_excerpt(home)
        named = [sum(bool(s.note) for s in p.performance.strikes) for p in performed]
        struck = [len(p.performance.strikes) for p in performed]
        share = 100 * sum(named) / sum(struck)
        print(f"{home.name:24} {len(performed)} pianists, {share:.1f} % of strikes found")


if __name__ == "__main__":
    main()
