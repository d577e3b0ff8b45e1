"""How long things take, and how much memory: ``python -m benchmarks.speed [--peers] [--lesson] [SCORE ...]``.

In: score files; the examples when none is named. Out: for each the bars, notes, and seconds of wall time
and of CPU time (all threads) for reading the file, finding chords and keys, finding events and engraving,
each after a first piece has loaded everything; and the peak memory of the process, before anything is
engraved and at the end.

With ``--peers``, in the same run: what reading the file takes beside the bare parse of its XML (lxml) and the
general-purpose readers partitura, music21 and verovio, each loaded before; the same music besides as
compressed MusicXML, MEI and MIDI, set against the parse of the MusicXML; and chords and keys beside music21's
chords and numerals (`accuracy.library`). Least of three, CPU seconds.

With ``--lesson``: CPU seconds and clock of the demo lesson, made from nothing by the command that a teacher
types; the size of its page; when Chromium paints it first; and resampling. The machine's load is printed
beside.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import warnings
import zipfile
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

from understave.acoustics.files import OPUS_RATE, RATE, resample
from understave.engraving import engrave
from understave.findings import find_events
from understave.harmony.reading import Reading
from understave.harmony.trained import read_trained
from understave.score.reader import read_score

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
TRIES = 3
PAINTS = 5
"""How often the page is opened."""
XML = (".musicxml", ".xml")


def main(arguments: list[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scores", nargs="*", type=Path)
    parser.add_argument("--peers", action="store_true", help="beside lxml, partitura, music21 and verovio")
    parser.add_argument("--lesson", action="store_true", help="the demo lesson, its page and its sound")
    options = parser.parse_args(arguments)
    paths = options.scores or sorted(EXAMPLES.glob("*/score.musicxml"))
    console = Console(width=None if sys.stdout.isatty() else 130)
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
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
    console.print(table)
    console.print(
        f"first reading with loading {loaded:.1f} s; peak memory {unengraved:.0f} MB before engraving, "
        f"{_peak():.0f} MB after"
    )
    if options.peers:
        with tempfile.TemporaryDirectory() as place:
            for path in paths:
                console.print(beside_peers(path, Path(place)))
    if options.lesson:
        console.print(of_lesson())
    console.print(f"load before {load:.1f} on {os.cpu_count()} cores")
    return 0


def beside_peers(path: Path, place: Path) -> Table:
    """Return what reading a score takes beside others, and its chords and keys."""
    import music21
    import partitura
    import verovio
    from lxml import etree

    from benchmarks.accuracy import library
    from benchmarks.format_agreement import as_midi
    from understave.engraving.notation import to_mei

    def music21_reads(file: Path) -> None:
        music21.converter.parse(str(file), forceSource=True)

    def verovio_reads(file: Path) -> None:
        verovio.toolkit().loadFile(str(file))

    score = read_score(path)
    files = {path.suffix: path}
    if path.suffix in XML:
        with zipfile.ZipFile(place / "score.mxl", "w", zipfile.ZIP_DEFLATED) as packed:
            packed.write(path, "score.musicxml")
            packed.writestr(
                "META-INF/container.xml",
                '<container><rootfiles><rootfile full-path="score.musicxml"/></rootfiles></container>',
            )
        (place / "score.mei").write_bytes(to_mei(score.source))
        (place / "score.mid").write_bytes(as_midi(score))
        files |= {suffix: place / f"score{suffix}" for suffix in (".mxl", ".mei", ".mid")}
    bare = _least(lambda: etree.fromstring(score.source))
    title = f"{score.title or path.stem}: {len(score.notes)} notes, CPU seconds (times the bare parse)"
    table = Table("what", "lxml, bare", "here", "partitura", "music21", "verovio", title=title)
    readers: dict[str, Callable[[Path], object]] = {
        "partitura": lambda file: partitura.load_score(str(file)),
        "music21": music21_reads,
        "verovio": verovio_reads,
    }
    for suffix, file in files.items():
        cells = [_against(partial(read_score, file), bare)]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            cells += [
                "" if (name, suffix) in UNREAD else _against(partial(read, file), bare)
                for name, read in readers.items()
            ]
        table.add_row(f"file, {suffix}", f"{bare:.3f}" if file == path else "", *cells)
    # What our model costs by itself: a frozen note with exact times for each, and the MusicXML with its ids.
    tree = etree.fromstring(score.source)
    alone = {
        "notes alone, made anew": lambda: [replace(note) for note in score.notes],
        "MusicXML alone, written": lambda: etree.tostring(tree),
    }
    for what, work in alone.items():
        table.add_row(what, "", _against(work, bare))
    table.add_row(
        "chords and keys",
        "",
        f"{_least(lambda: read_trained(score)):.2f}",
        "",
        f"{_least(lambda: library(score)):.2f}",
    )
    return table


UNREAD = {("verovio", ".mid")}
"""What a peer does not read."""


def of_lesson() -> Table:
    """Make the demo lesson as a teacher does, and say what it costs."""
    home = EXAMPLES / "chain-ferry"
    table = Table("the demo lesson", "", "goal")
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, "-m", "understave", "lesson", str(home / "score.musicxml")]
        command += ["--analysis", str(home / "analysis.txt"), "--out", f"{place}/lesson"]
        before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        clock, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
        spent = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
        table.add_row("seconds on the clock", f"{clock:.1f}", "12")
        table.add_row("CPU seconds, all processes", f"{spent:.1f}", "")
        page = next(Path(place).glob("lesson/exports/*.html"))
        table.add_row("page, MB", f"{page.stat().st_size / 1e6:.2f}", "4")
        painted = first_paints(page)
        if painted:
            table.add_row("first paint in Chromium, s (median)", f"{statistics.median(painted):.2f}", ".5")
    minute = np.zeros((60 * RATE, 2), np.float32)
    taken = _least(lambda: resample(minute, RATE, OPUS_RATE))
    table.add_row(f"resampling {RATE} to {OPUS_RATE} Hz, times real time", f"{60 / taken:.0f}", "")
    return table


def first_paints(page: Path) -> list[float]:
    """Return after how many seconds something of a page is seen; nothing where there is no browser."""
    from benchmarks.desk_in_browser import SCREEN, browser, own_browser

    if own_browser() is None:
        return []
    times = []
    with browser() as running:
        for _ in range(PAINTS):
            opened = running.new_page(viewport=SCREEN)
            opened.goto(page.as_uri())
            at = opened.evaluate(
                """() => new Promise((done) => new PerformanceObserver((list) => {
                for (const e of list.getEntries()) if (e.name === "first-contentful-paint") done(e.startTime);
                }).observe({ type: "paint", buffered: true }))"""
            )
            times.append(at / 1000)
            opened.close()
    return times


def _least(work: Callable[[], object]) -> float:
    """Return the least CPU seconds of some tries, after one to load."""
    work()
    taken = []
    for _ in range(TRIES):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return min(taken)


def _against(work: Callable[[], object], bare: float) -> str:
    seconds = _least(work)
    return f"{seconds:.3f} ({seconds / bare:.1f})"


def _now() -> tuple[float, float]:
    """Return the wall clock and the CPU clock, in seconds."""
    return time.perf_counter(), time.process_time()


def _peak() -> float:
    """Return the most memory that the process has held so far, in MB."""
    unit = 1 << 20 if sys.platform == "darwin" else 1 << 10
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


if __name__ == "__main__":
    sys.exit(main())
