"""Damaged files through the reader and the lesson: ``python -m benchmarks.hostile --inputs N --seed S``.

In: our examples as MusicXML, packed MusicXML, MEI, Humdrum, ABC and MIDI, and scores of the data folder where
there is one, each damaged in one to six ways (`hostile_files`). Every damaged file is read, and one in
``--lessons`` becomes a lesson without sound where it can be read. Out: a table of how it ended. It may end as
a score or in one sentence; anything else is a fault: a traceback, more than 10 seconds of CPU time (a lesson:
60), more than 1 GB of memory gained, a process that dies.

With ``--state FILE`` every result is kept, and the same command goes on where it was stopped; with ``--keep
FOLDER`` the files that did harm are kept. Works where processes fork and memory can be limited (Linux).
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import select
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.table import Table

from benchmarks.hostile_files import Sample, damaged, samples
from benchmarks.kept import earlier, keep
from understave.errors import UnderstaveError
from understave.score.model import Score
from understave.score.reader import read_score
from understave.score.readers.musicxml import read_musicxml

CPU = 10.0
"""Seconds of CPU time that reading one file may take."""
LESSON_CPU = 60.0
"""Seconds of CPU time that a lesson may take; a sound one on 16 bars takes about a quarter of that."""
MEMORY = 1 << 30
"""Bytes that a worker may gain over what it holds once everything is loaded."""
THREADED = 16
"""How many times that a lesson may ask for in addresses: each thread reserves more than it uses."""
BATCH = 500
"""Files after which a worker is replaced, so that no fault of one lasts."""
_LONGEST = 400
"""Letters of a sentence that a user still reads."""


@dataclass(frozen=True)
class Result:
    """How one file ended; `outcome` is score, lesson, sentence, or a fault: traceback, time, memory, died."""

    number: int
    format: str
    outcome: str
    what: str
    cpu: float
    peak: int
    """Peak memory of the worker so far, in bytes."""


FAULTS = ("traceback", "time", "memory", "died")


def main(arguments: list[str] | None = None) -> int:
    """Try the files and print the tables; return 1 if any did harm."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--lessons", type=int, default=0, help="one in so many becomes a lesson (default: none)"
    )
    parser.add_argument("--state", type=Path, help="keep results here and go on where they end")
    parser.add_argument("--keep", type=Path, help="folder for the files that did harm")
    parser.add_argument("--only", type=int, help="try the file of this number, in this process")
    asked = parser.parse_args(arguments)
    kept = samples()
    if asked.only is not None:
        file = damaged(kept, asked.seed, asked.only)
        print(file.sample.name, file.file_name, ", ".join(file.done), len(file.data))
        with TemporaryDirectory() as place:
            print(_one(kept, asked.seed, asked.only, asked.lessons, Path(place)))
        return 0
    done: list[Result] = [result for _, result in earlier(asked.state)]
    with TemporaryDirectory() as place:
        for result in _tried(kept, asked, len(done), Path(place)):
            done.append(result)
            keep(asked.state, (str(result.number),), result)
            if asked.keep and result.outcome in FAULTS:
                asked.keep.mkdir(parents=True, exist_ok=True)
                file = damaged(kept, asked.seed, result.number)
                (asked.keep / f"{asked.seed}-{result.number}-{file.file_name}").write_bytes(file.data)
    _print(done)
    return int(any(r.outcome in FAULTS for r in done))


# --- one file, in a worker -------------------------------------------------------------------------------


def _one(kept: tuple[Sample, ...], seed: int, number: int, lessons: int, place: Path) -> Result:
    """Read one damaged file, and perhaps make a lesson of it; never raise."""
    file = damaged(kept, seed, number)
    path = place / file.file_name
    path.write_bytes(file.data)
    start, outcome, what = time.process_time(), "score", ""
    try:
        score = read_score(path)
        if number % 10 == 0 and _sounding(read_musicxml(score.source, "its source")) != _sounding(score):
            outcome, what = "traceback", "what was read and its source differ"
        if _is_lesson(lessons, number):
            signal.setitimer(signal.ITIMER_REAL, 0)
            from understave.lesson.make import LessonOptions, make_lesson

            with TemporaryDirectory(dir=place) as folder:
                make_lesson(path, Path(folder) / "lesson", LessonOptions(sound=False))
            outcome = "lesson"
    except UnderstaveError as error:
        outcome, what = "sentence", str(error)
        if "\n" in what or len(what) > _LONGEST or not what.endswith("."):
            outcome = "traceback"
    except MemoryError:
        outcome = "memory"
    except Exception as error:
        frames = traceback.extract_tb(error.__traceback__)
        ours = [f for f in frames if "understave" in f.filename] or list(frames)
        outcome = "traceback"
        what = f"{type(error).__name__}: {error} ({Path(ours[-1].filename).name}:{ours[-1].lineno})"[:300]
    finally:
        path.unlink(missing_ok=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    return Result(number, file.sample.format, outcome, what, round(time.process_time() - start, 3), peak)


def _sounding(score: Score) -> list[object]:
    """What is heard of a score, and the ids by which it is drawn; unisons have no order."""
    heard = sorted((n.onset, n.duration, n.midi) for n in score.notes)
    drawn: dict[str, set[str]] = {}
    for n in score.notes:
        drawn.setdefault(f"{n.onset} {n.pitch}", set()).update(n.ids[:1])
    return [heard, len(score.note_by_id), sorted((k, len(ids)) for k, ids in drawn.items())]


def _worker(kept: tuple[Sample, ...], asked: argparse.Namespace, first: int, out: int, place: Path) -> None:
    """Try a batch of files, a line for the beginning and the end of each; a lesson is a batch of its own.

    Of a file that is read, the addresses asked for are limited. The threads of a lesson ask for more of them
    than they ever use: there the memory used is looked at when it is done.
    """
    size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    lesson = _is_lesson(asked.lessons, first)
    limit = size + (THREADED if lesson else 1) * MEMORY
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    for number in range(first, first + 1 if lesson else min(first + BATCH, asked.inputs)):
        if number > first and _is_lesson(asked.lessons, number):
            return
        os.write(out, b"%d\n" % number)
        result = _one(kept, asked.seed, number, asked.lessons, place)
        if result.peak - before > MEMORY:
            result = replace(result, outcome="memory")
        os.write(out, json.dumps(asdict(result)).encode() + b"\n")
        if result.outcome == "memory":
            return


def _is_lesson(lessons: int, number: int) -> bool:
    return bool(lessons) and number % lessons == 0


# --- all files, with a worker that is watched ------------------------------------------------------------


def _tried(kept: tuple[Sample, ...], asked: argparse.Namespace, number: int, place: Path) -> Iterator[Result]:
    _load(asked.lessons)
    while number < asked.inputs:
        here, there = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(here)
            try:
                _worker(kept, asked, number, there, place)
            finally:
                os._exit(0)
        os.close(there)
        for result in _watched(child, here, asked, kept):
            yield result
            number = result.number + 1
        os.close(here)


def _load(lessons: int) -> None:
    """Load once what every worker needs, so that its memory counts only what a file costs."""
    import understave.score.readers.abc
    import understave.score.readers.humdrum
    import understave.score.readers.mei
    import understave.score.readers.midi

    if lessons:
        import understave.lesson.make  # noqa: F401


def _watched(child: int, here: int, asked: argparse.Namespace, kept: tuple[Sample, ...]) -> Iterator[Result]:
    """Give the results of one worker, and end it when it takes too long."""
    begun, spent, rest = -1, 0.0, b""
    ended = ""
    while True:
        ready, _, _ = select.select([here], [], [], 1.0)
        if ready:
            piece = os.read(here, 1 << 16)
            if not piece:
                break
            *lines, rest = (rest + piece).split(b"\n")
            for line in lines:
                if line.startswith(b"{"):
                    yield Result(**json.loads(line))
                    begun = -1
                else:
                    begun, spent = int(line), _cpu(child)
            continue
        lesson = _is_lesson(asked.lessons, begun)
        if begun >= 0 and _cpu(child) - spent > (LESSON_CPU if lesson else CPU):
            ended = "time"
            os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if begun >= 0:
        kind = damaged(kept, asked.seed, begun).sample.format
        what = "" if ended else f"signal {status & 127}, exit {status >> 8}"
        yield Result(begun, kind, ended or "died", what, CPU if ended else 0.0, 0)


def _cpu(process: int) -> float:
    """Seconds of CPU time that a process has used; see proc(5), fields 14 and 15 of ``stat``."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


# --- the tables ------------------------------------------------------------------------------------------


def _print(done: list[Result]) -> None:
    console = Console(width=120)
    table = Table(
        *("format", "files", "scores", "lessons", "one sentence", *FAULTS, "slowest read, s", "peak, MB"),
        title=f"{len(done)} damaged files",
    )
    for name in (*sorted({r.format for r in done}), "all"):
        some = [r for r in done if name in ("all", r.format)]
        ends = Counter(r.outcome for r in some)
        slowest = max((r.cpu for r in some if r.outcome in ("score", "sentence")), default=0.0)
        peak = max((r.peak for r in some), default=0)
        counts = [ends[k] for k in ("score", "lesson", "sentence", *FAULTS)]
        table.add_row(name, *map(str, (len(some), *counts)), f"{slowest:.2f}", f"{peak / 1e6:.0f}")
    console.print(table)
    for result in [r for r in done if r.outcome in FAULTS][:40]:
        print(f"{result.number} {result.format}: {result.outcome} {result.what}")


if __name__ == "__main__":
    sys.exit(main())
