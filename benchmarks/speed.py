"""How long a piece takes, and how much memory: ``python -m benchmarks.speed [SCORE ...]``.

In: score files; the examples when none is named. Out: for each the bars, notes, and seconds of wall time
for reading the file, finding chords and keys, finding events and engraving, each after a first piece has
loaded everything; and the peak memory of the process.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from itertools import pairwise
from pathlib import Path

from rich.console import Console
from rich.table import Table

from understave.engraving import engrave
from understave.harmony.events import find_events
from understave.harmony.reading import Reading
from understave.harmony.trained import read_trained
from understave.score.reader import read_score

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scores", nargs="*", type=Path)
    paths = parser.parse_args(arguments).scores or sorted(EXAMPLES.glob("*/score.musicxml"))
    first = read_score(paths[0])
    start = time.perf_counter()
    engrave(first, read_trained(first))
    begun = time.perf_counter() - start
    table = Table("piece", "bars", "notes", "file", "harmony", "events", "engraving", title="seconds")
    for path in paths:
        times = [time.perf_counter()]
        score = read_score(path)
        times.append(time.perf_counter())
        reading = read_trained(score)
        times.append(time.perf_counter())
        events = find_events(score, reading.spans)
        times.append(time.perf_counter())
        engrave(score, Reading(reading.spans, events))
        times.append(time.perf_counter())
        spent = [f"{b - a:.2f}" for a, b in pairwise(times)]
        table.add_row(score.title or path.stem, str(len(score.measures)), str(len(score.notes)), *spent)
    console = Console()
    console.print(table)
    unit = 1 << 20 if sys.platform == "darwin" else 1 << 10
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
    console.print(f"first piece with loading {begun:.1f} s; peak memory {peak:.0f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
