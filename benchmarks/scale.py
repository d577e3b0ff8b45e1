"""Time and memory against length: ``python -m benchmarks.scale [SCORE ...]``.

In: scores, which make a row of real lengths; the examples when none is named. The first MusicXML score among
them is besides repeated end to end (`TIMES`), and set in more parts (`PARTS`), each with the same notes. Out:
for each the bars, parts and notes; seconds of CPU time (all threads) for reading the file, finding chords and
keys, and finding events; the most memory that the process held, beyond what it held once everything was
loaded. Every score is read in a process of its own. With ``--finders`` events are found finder by finder
first, which counts too, and each is told. Then the exponents fitted to time and memory over notes (least
squares of the logarithms) of repeated and of real scores: 1 is a straight line.
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from lxml import etree
from rich.console import Console
from rich.table import Table

from understave.findings import find_events
from understave.findings.catalogue import finders
from understave.harmony.trained import read_trained
from understave.score.reader import read_score

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
TIMES = (1, 2, 4, 8, 16)
PARTS = (4, 20)
"""How many times as many parts."""
GOAL = 1.1
"""Exponent that no fit should be above."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What a score took: CPU seconds, and megabytes above those of a process that has read a small one."""

    name: str
    kind: str
    bars: int
    parts: int
    notes: int
    file: float
    harmony: float
    events: float
    memory: float
    finders: dict[str, float]

    @property
    def seconds(self) -> float:
        """All of it."""
        return self.file + self.harmony + self.events


def repeated(source: Path, times: int, target: Path) -> None:
    """Write a score whose bars come `times` times one after another, numbered through."""
    tree = etree.parse(source)
    for part in tree.getroot().findall("part"):
        bars = part.findall("measure")
        for turn in range(1, times):
            for i, bar in enumerate(bars):
                again = copy.deepcopy(bar)
                again.set("number", str(turn * len(bars) + i + 1))
                again.attrib.pop("id", None)
                part.append(again)
    for marked in tree.iter("note", "barline"):
        without_id(marked)
        for repeat in (*marked.findall("repeat"), *marked.findall("ending")):
            marked.remove(repeat)
    tree.write(target, xml_declaration=True, encoding="utf-8")


def without_id(element: etree._Element) -> None:
    """Take an element's id away, which may stand only once."""
    if "id" in element.attrib:
        del element.attrib["id"]


def in_parts(source: Path, times: int, target: Path) -> None:
    """Write a score in which every part stands `times` times."""
    tree = etree.parse(source)
    root = tree.getroot()
    listed = root.find("part-list")
    assert listed is not None
    parts = {part.get("id"): part for part in root.findall("part")}
    for entry in listed.findall("score-part"):
        part = parts[entry.get("id")]
        for turn in range(1, times):
            for element, home in ((entry, listed), (part, root)):
                again = copy.deepcopy(element)
                again.set("id", f"{entry.get('id')}-{turn}")
                for inner in again.iterdescendants():
                    without_id(inner)
                home.append(again)
    tree.write(target, xml_declaration=True, encoding="utf-8")


def cost_of(path: Path, kind: str, by_finder: bool) -> Cost:
    """Read a score in this process."""
    small = read_score(EXAMPLES / "lock-water" / "score.musicxml")
    find_events(small, read_trained(small).spans)
    _begin_peak()
    before, _ = _memory()
    clock = [time.process_time()]
    score = read_score(path)
    clock.append(time.process_time())
    spans = read_trained(score).spans
    clock.append(time.process_time())
    each = {}
    if by_finder:
        # What one finder has worked out the next one finds, as in `find_events`.
        for find in finders():
            begun = time.process_time()
            find(score, spans)
            each[find.__name__] = time.process_time() - begun
    find_events(score, spans)
    clock.append(time.process_time())
    file, harmony, events = (b - a for a, b in pairwise(clock))
    _, peak = _memory()
    parts = len({note.part for note in score.notes})
    bars, notes = len(score.measures), len(score.notes)
    return Cost(
        path.parent.name if path.stem == "score" else path.stem,
        kind,
        bars,
        parts,
        notes,
        file,
        harmony,
        events,
        peak - before,
        each,
    )


def apart(path: Path, kind: str, by_finder: bool) -> Cost:
    """Read a score in a process of its own."""
    command = [sys.executable, "-m", "benchmarks.scale", "--one", kind, str(path)]
    done = subprocess.run(
        [*command, *(["--finders"] if by_finder else [])], capture_output=True, text=True, check=True
    )
    return Cost(**json.loads(done.stdout.splitlines()[-1]))


def exponent(sizes: Sequence[float], values: Sequence[float]) -> float:
    """Return the power of size that fits values best, by least squares of the logarithms."""
    slope, _ = np.polyfit(np.log(sizes), np.log(values), 1)
    return float(slope)


def main(arguments: list[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scores", nargs="*", type=Path)
    parser.add_argument("--times", type=int, nargs="*", default=TIMES, help="repetitions")
    parser.add_argument("--parts", type=int, nargs="*", default=PARTS, help="times as many parts")
    parser.add_argument("--finders", action="store_true", help="print what each finder of events takes")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.one:
        print(json.dumps(asdict(cost_of(options.scores[0], options.one, options.finders))))
        return 0
    given = options.scores or sorted(EXAMPLES.glob("*/score.musicxml"))
    console = Console(width=None if sys.stdout.isatty() else 130)
    with tempfile.TemporaryDirectory() as place:
        source = next((p for p in given if p.suffix in (".musicxml", ".xml")), None)
        source = source or EXAMPLES / "chain-ferry" / "score.musicxml"
        asked = [(path, "real") for path in given]
        for times in options.times:
            repeated(source, times, target := Path(place) / f"{times} times.musicxml")
            asked.append((target, "repeated"))
        for times in options.parts:
            in_parts(source, times, target := Path(place) / f"{times} times the parts.musicxml")
            asked.append((target, "in more parts"))
        load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
        costs = [apart(path, kind, options.finders) for path, kind in asked]
    table = Table("score", "kind", title="CPU seconds; memory in MB above a small score's")
    for head in (
        "bars",
        "parts",
        "notes",
        "file",
        "harmony",
        "events",
        "all",
        "ms a note",
        "memory",
    ):
        table.add_column(head, justify="right")
    for c in costs:
        cells = (
            f"{c.file:.2f}",
            f"{c.harmony:.2f}",
            f"{c.events:.2f}",
            f"{c.seconds:.2f}",
            f"{1000 * c.seconds / c.notes:.2f}",
        )
        table.add_row(c.name, c.kind, str(c.bars), str(c.parts), str(c.notes), *cells, f"{c.memory:.0f}")
    console.print(table)
    for kind in ("repeated", "real"):
        some = [c for c in costs if c.kind == kind]
        if len({c.notes for c in some}) < 2:
            continue
        sizes = [float(c.notes) for c in some]
        steps = {
            "file": [c.file for c in some],
            "harmony": [c.harmony for c in some],
            "events": [c.events for c in some],
            "all": [c.seconds for c in some],
            "memory": [c.memory for c in some],
        }
        fitted = ", ".join(f"{name} {exponent(sizes, values):.2f}" for name, values in steps.items())
        console.print(f"exponents over notes, {kind} (goal at most {GOAL}): {fitted}", highlight=False)
    if options.finders:
        longest = max(costs, key=lambda c: c.notes)
        dear = Table("finder", "seconds", title=f"finders alone, {longest.name}")
        for name, seconds in sorted(longest.finders.items(), key=lambda item: -item[1])[:15]:
            dear.add_row(name, f"{seconds:.2f}")
        console.print(dear)
    console.print(f"load before {load:.1f} on {os.cpu_count()} cores")
    return 0


def _begin_peak() -> None:
    """Forget the peak so far, where the system can (Linux, proc_pid_clear_refs(5))."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")


def _memory() -> tuple[float, float]:
    """Return what the process holds and the most that it held, in MB.

    On Linux of this program alone: `ru_maxrss` would begin with what its parent held. Elsewhere both are it.
    """
    status = Path("/proc/self/status")
    if status.exists():
        lines = dict(line.split(":", 1) for line in status.read_text(encoding="ascii").splitlines())
        now, peak = (int(lines[name].split()[0]) / 1024 for name in ("VmRSS", "VmHWM"))
        return now, peak
    unit = 1 << 20 if sys.platform == "darwin" else 1 << 10
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
    return peak, peak


if __name__ == "__main__":
    sys.exit(main())
