"""How long it takes to get back what a lesson keeps, beside reading JSON: ``python -m benchmarks.recall``.

For each example: processor time (median of ten) of `lesson.memory.recall`, which brings back score, reading
and plan together, and of `export.read_back.reading_from_json`, which brings back the reading alone. Reading
what JSON text holds, without making values of it (`json.loads`), stands beside it.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from statistics import median
from time import process_time

from understave.export.read_back import reading_from_json
from understave.export.reading_data import reading_json
from understave.findings import read
from understave.interpretation.planning import make_plan
from understave.lesson.memory import Found, recall, remember
from understave.score.reader import read_score

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"


def milliseconds(call: Callable[[], object], times: int = 10) -> float:
    """Return the median processor time of a call."""
    taken = []
    for _ in range(times):
        begin = process_time()
        call()
        taken.append(process_time() - begin)
    return 1000 * median(taken)


def main() -> None:
    """Print a row for each example."""
    print(f"{'ms of processor time':<22}{'recall: all':>14}{'JSON: reading':>16}{'json.loads alone':>18}")
    for path in sorted(EXAMPLES.glob("*/score.musicxml")):
        score = read_score(path)
        reading = read(score)
        text = reading_json(score, reading)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            remember(folder, Found("", "", (), score, reading, make_plan(score, reading), (), (), ()))
            whole = milliseconds(partial(recall, folder))
        values = milliseconds(partial(reading_from_json, text))
        bare = milliseconds(partial(json.loads, text))
        print(f"{path.parent.name:<22}{whole:>14.1f}{values:>16.1f}{bare:>18.1f}")


if __name__ == "__main__":
    main()
