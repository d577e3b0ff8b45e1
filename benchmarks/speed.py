"""How long a piece takes, and how much memory: ``python -m benchmarks.speed [SCORE ...]``.

In: score files; the examples when none is named. Out: for each the bars, notes, and seconds of wall time
and of CPU time (all threads) for reading the file, finding chords and keys, finding events and engraving,
each after a first piece has loaded everything; and the peak memory of the process, before anything is
engraved and at the end.
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
from understave.findings import find_events
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
    read_trained(first)
    loaded = time.perf_counter() - start
    # All readings come before the first engraving, so that their memory can be told from the engraver's.
    rows = []
    for path in paths:
        clock = [_now()]
        score = read_score(path)
        clock.append(_now())
        reading = read_trained(score)
        clock.append(_now())
        events = find_events(score, reading.spans)
        clock.append(_now())
        rows.append((path, score, Reading(reading.spans, events), clock))
    unengraved = _peak()
    engrave(first, rows[0][2])
    table = Table(
        "piece", "bars", "notes", "file", "harmony", "events", "engraving", title="seconds: wall (CPU)"
    )
    for path, score, whole, clock in rows:
        before = _now()
        engrave(score, whole)
        after = _now()
        steps = [*pairwise(clock), (before, after)]
        spent = [f"{b[0] - a[0]:.2f} ({b[1] - a[1]:.2f})" for a, b in steps]
        table.add_row(score.title or path.stem, str(len(score.measures)), str(len(score.notes)), *spent)
    console = Console()
    console.print(table)
    console.print(
        f"first reading with loading {loaded:.1f} s; peak memory {unengraved:.0f} MB before engraving, "
        f"{_peak():.0f} MB after"
    )
    return 0


def _now() -> tuple[float, float]:
    """Return the wall clock and the CPU clock, in seconds."""
    return time.perf_counter(), time.process_time()


def _peak() -> float:
    """Return the most memory that the process has held so far, in MB."""
    unit = 1 << 20 if sys.platform == "darwin" else 1 << 10
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


if __name__ == "__main__":
    sys.exit(main())
