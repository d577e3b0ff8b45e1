"""How soon the desk answers: ``python -m benchmarks.desk [SCORE ...] [--edits N] [--browser]``.

In: a score, by default one of 231 bars of the performance data (or the largest example where that is absent).
Out: milliseconds from a gesture to the answer, with its parts: the correction on the disk, the reading around
it, the lanes of the systems that changed; and how much of the quick answer a full reading confirms. Engraver
and networks have done their work before, as on the desk; the machine's load is printed beside. With
``--browser`` see `desk_in_browser`.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.table import Table

from benchmarks.data import data_folder
from benchmarks.desk_in_browser import report
from understave.desk import gestures
from understave.desk.opened import OpenLesson
from understave.desk.sheet import lay_sheet
from understave.desk.work import find_rest
from understave.harmony.reading import Reading
from understave.harmony.reread import reread
from understave.harmony.trained import judge_score, read_judged, read_trained
from understave.lesson.folder import create_folder, titled
from understave.score.reader import read_score

LONG = data_folder() / "performance" / "schumann-arabeske" / "xml_score.musicxml"
EXAMPLE = Path(__file__).parent.parent / "examples" / "chain-ferry" / "score.musicxml"
WIDTH = 180.0
GOAL = 150.0
"""Milliseconds within which an edit is to be answered for 200 bars."""


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("score", nargs="*", type=Path)
    parser.add_argument("--edits", type=int, default=40)
    parser.add_argument("--full", type=int, default=5, help="edits compared with a full reading")
    parser.add_argument("--browser", action="store_true", help="measure what is seen in a browser instead")
    parsed = parser.parse_args(arguments)
    if parsed.browser:
        report(parsed.score or [EXAMPLE], parsed.edits, Console())
        return 0
    source = parsed.score[0] if parsed.score else LONG if LONG.exists() else EXAMPLE
    score = titled(read_score(source), source.name)
    judged = judge_score(score)
    spans = read_judged(score, judged).spans
    events, plan = find_rest(score, spans)
    console = Console()
    with TemporaryDirectory() as place:
        folder = create_folder(Path(place) / "lesson", source, score.title, score.composer)
        lesson = OpenLesson(folder, score, ThreadPoolExecutor(1), ThreadPoolExecutor(1))
        lesson.begin_with(judged, spans)
        lesson.show_rest(events, plan)
        lesson.sheets[WIDTH] = lay_sheet(score, Reading(spans, events), WIDTH)
        times = asyncio.run(_edits(lesson, parsed.edits))
    chance = random.Random(1)
    parts = []
    agreed = []
    for number in range(parsed.edits):
        span = chance.choice([s for s in spans if s.alternatives])
        step = gestures.take(score, spans, span.start, 0)
        begin = time.perf_counter()
        quick = reread(score, judged, spans, (), step).spans
        parts.append(1000 * (time.perf_counter() - begin))
        if number < parsed.full:
            full = {(s.start, s.key, s.numeral) for s in read_trained(score, step).spans}
            agreed.append(len(full & {(s.start, s.key, s.numeral) for s in quick}) / len(full))
    load = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
    table = Table(
        "what", "median ms", "19 of 20 ms", "longest ms", title=f"{score.title}: {len(score.measures)} bars"
    )
    for name, values in (
        ("edit answered", times["edit"]),
        ("undo, redo", times["turn"]),
        ("of it: reading around", parts),
    ):
        ordered = sorted(values)
        table.add_row(
            name,
            f"{median(ordered):.0f}",
            f"{ordered[int(0.95 * (len(ordered) - 1))]:.0f}",
            f"{ordered[-1]:.0f}",
        )
    console.print(table)
    within = sum(t <= GOAL for t in times["edit"]) / len(times["edit"])
    console.print(f"{within:.0%} of the edits within {GOAL:.0f} ms; load {load} on {os.cpu_count()} cores")
    if agreed:
        console.print(
            f"spans of the quick answer that a full reading confirms: {sum(agreed) / len(agreed):.1%}"
        )
    return 0


async def _edits(lesson: OpenLesson, count: int) -> dict[str, list[float]]:
    chance = random.Random(1)
    times: dict[str, list[float]] = {"edit": [], "turn": []}
    last = lesson.history.last
    for number in range(count):
        spans = lesson.reading.spans
        span = chance.choice([s for s in spans[1:-1] if s.alternatives])
        kind = ("take", "join", "key")[number % 3]

        def gesture(score, now, span=span, kind=kind):  # type: ignore[no-untyped-def]
            if kind == "take":
                return gestures.take(score, now, span.start, 0)
            if kind == "join":
                return gestures.join(score, now, span.start)
            return gestures.set_key(score, now, span.start, None, span.key.symbol)

        begin = time.perf_counter()
        last = (await lesson.edit(last, gesture))["last"]
        times["edit"].append(1000 * (time.perf_counter() - begin))
        if number % 4 == 3:
            for turn in (lesson.undo, lesson.redo):
                begin = time.perf_counter()
                last = (await turn(last))["last"]
                times["turn"].append(1000 * (time.perf_counter() - begin))
    await lesson.close()
    return times


if __name__ == "__main__":
    raise SystemExit(main())
