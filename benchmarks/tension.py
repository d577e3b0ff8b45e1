"""Our tension beside two published models: ``python -m benchmarks.tension [SCORE ...] [--spans]``.

In: score files; the examples when none is named. Out: for each the correlation of our curve, span by span,
with

* tonal pitch space (Lerdahl 2001): distance of the key from home, of the chord from the tonic of its key, and
  the dissonance of the surface, added up; without a tree of prolongations every chord hangs on its tonic;
* the spiral array (Herremans and Chew 2016): diameter, momentum, strain against the home key, and the mean of
  the three, each in units of its own spread;

and of each of these with the other. Pearson's r weighs spans by their length, Spearman's rho does not. The
models see only harmony: "harmony" is our curve without register and density. ``--spans`` prints the values.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
from rich.console import Console
from rich.table import Table

from understave.findings import read
from understave.findings.endings import melody_of
from understave.harmony.reading import Reading, Span
from understave.interpretation import spiral_array
from understave.interpretation.plan import Tension
from understave.interpretation.tension import WEIGHTS, Heard, hear, home_of, tension
from understave.interpretation.tonal_pitch_space import (
    distance,
    region_distance,
    surface_dissonance,
    tonic_of,
)
from understave.score.model import Note, Score, beat_text
from understave.score.reader import read_score

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
Values = npt.NDArray[np.float64]
SURFACE = ("register", "density")


@dataclass(frozen=True, slots=True)
class Models:
    """Values of each curve, one for each span, by name; and the lengths of the spans."""

    curves: dict[str, Values]
    lengths: Values


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("scores", nargs="*", type=Path)
    parser.add_argument("--spans", action="store_true")
    options = parser.parse_args(arguments)
    console = Console()
    for path in options.scores or sorted(EXAMPLES.glob("*/score.musicxml")):
        score = read_score(path)
        reading = read(score)
        start = time.process_time()
        ours = tension(score, reading)
        seconds = time.process_time() - start
        found = models(score, reading, ours)
        name = path.parent.name if path.stem == "score" else path.stem
        console.print(correlations(f"{name}: {len(score.measures)} bars, {len(ours)} spans", found))
        console.print(f"tension found in {1000 * seconds:.0f} ms\n")
        if options.spans:
            console.print(values(score, reading, found))
    return 0


def models(score: Score, reading: Reading, ours: Sequence[Tension]) -> Models:
    """Return our curve and those of the two models, span by span."""
    home = home_of(reading)
    heard = hear(reading.spans)
    sounding = [_sounding(score, span) for span in reading.spans]
    clouds = [_cloud(span, notes) for span, notes in zip(reading.spans, sounding, strict=True)]
    key = spiral_array.key_point(home)
    centres = [spiral_array.centre(c) if c else key for c in clouds]
    moved = [0.0] + [float(np.linalg.norm(np.subtract(a, b))) for a, b in pairwise(centres)]
    harmony = [sum(v * w for name, v, w in t.parts if name not in SURFACE) for t in ours]
    melody = melody_of(score)
    curves = {
        "ours": np.array([t.value for t in ours]),
        "harmony": np.array(harmony) / sum(w.share for name, w in WEIGHTS.items() if name not in SURFACE),
        "pitch space": np.array(
            [
                region_distance(home, h.span.key) + _of_chord(h, notes, melody)
                for h, notes in zip(heard, sounding, strict=True)
            ],
            dtype=float,
        ),
        "diameter": np.array([spiral_array.diameter(c) for c in clouds]),
        "momentum": np.array(moved),
        "strain": np.array([spiral_array.strain(c, home) if c else 0.0 for c in clouds]),
    }
    ribbons = [curves[name] for name in ("diameter", "momentum", "strain")]
    curves["spiral"] = np.mean([(r - r.mean()) / (r.std() or 1.0) for r in ribbons], axis=0)
    return Models(curves, np.array([float(s.end - s.start) for s in reading.spans]))


def _of_chord(h: Heard, notes: Sequence[Note], melody: Sequence[Note]) -> int:
    key = h.span.key
    top = next((n.pitch.pitch_class for n in melody if n.end > h.span.start), None)
    # A note struck off the beat and gone again is not counted as sounding with the chord.
    foreign = [n.pitch.pitch_class for n in notes if n.id in h.span.foreign and n.duration >= 1]
    apart = distance(tonic_of(key), key, h.chord, h.region)
    return apart + surface_dissonance(h.chord, h.region, top, foreign)


def _sounding(score: Score, span: Span) -> list[Note]:
    return [n for n in score.notes if n.duration > 0 and n.onset < span.end and n.end > span.start]


def _cloud(span: Span, notes: Sequence[Note]) -> dict[int, float]:
    cloud: dict[int, float] = defaultdict(float)
    for n in notes:
        cloud[n.pitch.fifths] += float(min(n.end, span.end) - max(n.onset, span.start))
    return dict(cloud)


def pearson(one: Values, other: Values, weights: Values) -> float:
    """Return the correlation weighted by length; NaN where a curve is flat."""
    a, b = (v - np.average(v, weights=weights) for v in (one, other))
    spread = np.sqrt(np.average(a**2, weights=weights) * np.average(b**2, weights=weights))
    return float(np.average(a * b, weights=weights) / spread) if spread > 0 else float("nan")


def spearman(one: Values, other: Values) -> float:
    """Return the correlation of ranks, equal values sharing theirs."""
    return pearson(_ranks(one), _ranks(other), np.ones(len(one)))


def _ranks(values: Values) -> Values:
    _, where, counts = np.unique(values, return_inverse=True, return_counts=True)
    ends = np.cumsum(counts)
    return np.asarray((ends - (counts - 1) / 2)[where], dtype=float)


def correlations(title: str, found: Models) -> Table:
    table = Table(title=f"{title}; r / rho", title_justify="left")
    table.add_column("")
    names = list(found.curves)
    for name in names[1:]:
        table.add_column(name, justify="right")
    for i, one in enumerate(names[:-1]):
        cells = []
        for k, other in enumerate(names[1:], start=1):
            a, b = found.curves[one], found.curves[other]
            cells.append(f"{pearson(a, b, found.lengths):.2f} / {spearman(a, b):.2f}" if k > i else "")
        table.add_row(one, *cells)
    return table


def values(score: Score, reading: Reading, found: Models) -> Table:
    table = Table()
    for name in ("bar", "beat", "key", "chord", *found.curves):
        table.add_column(name, justify="right")
    for i, span in enumerate(reading.spans):
        beat = beat_text(score.beat_at(span.start))
        row = [score.measure_at(span.start).number, beat, str(span.key), str(span.numeral)]
        table.add_row(*row, *(f"{c[i]:.2f}" for c in found.curves.values()))
    return table


if __name__ == "__main__":
    sys.exit(main())
