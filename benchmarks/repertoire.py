"""What an index costs and how fast it answers: ``python -m benchmarks.repertoire [--sample N] [--spans N]``.

In: the open songs (every k-th of them, so that N are read; N = 0 takes all), or without that data set the
scores of the music21 package. Out: scores a second and a core with 1 and with 2 processes, memory of a
reader, size of the index per score, and the times of questions to an index of 1,000,000 spans, which are
the real ones repeated under new names. CPU time counts all threads; on a machine that does other things at
once it is the figure to compare.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from pathlib import Path

import duckdb
from rich.console import Console
from rich.table import Table

from benchmarks.data import data_folder
from understave.repertoire import Question, Summary, ask, connect, index_folder
from understave.repertoire.chord_lines import make_lines
from understave.repertoire.store import open_store
from understave.score.reader import suffixes

LINES = "lines-large"
SAMPLE, SPANS, ASKED = 60, 1_000_000, 7
QUESTIONS = {
    "device: Neapolitan sixth in minor": Question(device="Neapolitan sixth in minor"),
    "device: half cadence (frequent)": Question(device="half cadence"),
    "device and texture": Question(device="suspension", texture="block chords"),
    "progression: V I (frequent)": Question(progression="V I"),
    "progression: ii|IV Cad V I": Question(progression="ii|IV Cad V I"),
    "progression: I * N V, in minor": Question(progression="i * N V", mode="minor"),
    "progression with inversions: ii65 V7 I": Question(progression="ii65 V7 I", inversions=True),
    "bass line: 1 b7 b6 5|1 7 6 5": Question(bass="1 7 6 5"),
    "key plan: I * V * I": Question(key_plan="I * V * I"),
    "texture, easy, romantic": Question(texture="broken chords", difficulty=(0, 5), period="romantic"),
    "pace and difficulty": Question(pace=(1, 2), difficulty=(0, 4)),
}


def main(arguments: list[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sample", type=int, default=SAMPLE, help="scores to read, 0 for all")
    parser.add_argument("--spans", type=int, default=SPANS, help="spans of the index that is asked")
    options = parser.parse_args(arguments)
    console = Console()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "scores"
        name, count, of = gather(folder, options.sample)
        console.print(f"{count} of {of} scores of the {name} (every {max(1, of // max(1, count))}th by name)")
        one = index_folder(folder, Path(place) / "one", workers=1)
        two = index_folder(folder, Path(place) / "two", workers=2)
        console.print(reading_table(one, two))
        console.print(size_table(one))
        console.print(query_table(one.index, Path(place) / "large.duckdb", options.spans))
    return 0


def gather(folder: Path, sample: int) -> tuple[str, int, int]:
    """Link the scores to read into a folder; return the set's name, how many, and of how many."""
    paths = sorted((data_folder() / "songs").glob("*.mxl"))
    name = "open songs"
    if not paths:
        import music21

        name = "music21 package"
        corpus = Path(music21.__file__).parent / "corpus"
        paths = sorted(p for p in corpus.rglob("*") if p.suffix in suffixes())
    step = max(1, len(paths) // sample) if sample else 1
    chosen = paths[::step][: sample or None]
    folder.mkdir(parents=True)
    for i, path in enumerate(chosen):
        os.symlink(path, folder / f"{i:05}-{path.name}")
    return name, len(chosen), len(paths)


def reading_table(one: Summary, two: Summary) -> Table:
    table = Table(title="Reading")
    for name in (
        "processes",
        "scores",
        "seconds",
        "scores/s",
        "a CPU second",
        "largest reader (MB)",
        "failed",
    ):
        table.add_column(name)
    for count, run in ((1, one), (2, two)):
        table.add_row(
            str(count),
            str(run.read),
            f"{run.seconds:.1f}",
            f"{run.read / run.seconds:.2f}",
            f"{run.read / run.cpu_seconds:.2f}",
            f"{run.most_memory / 1e6:.0f}",
            str(len(run.failures)),
        )
    with connect(one.index) as db:
        means = db.execute("SELECT avg(bars), avg(notes) FROM pieces WHERE error = ''").fetchone()
    bars, notes = means or (0, 0)
    table.caption = (
        f"{bars:.0f} bars and {notes:.0f} notes a score; {one.seconds / two.seconds:.2f} times as fast "
        f"with two processes; load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    )
    return table


def size_table(run: Summary) -> Table:
    store = open_store(run.index)
    parquet = sum(p.stat().st_size for p in store.parts.rglob("*.parquet"))
    catalogue = store.catalogue.stat().st_size
    lines = sum(p.stat().st_size for p in store.folder.glob("lines-*/*.npy"))
    table = Table("kept in", "bytes", "bytes a score", title="Size of the index")
    for name, size in (("Parquet", parquet), ("catalogue", catalogue), ("lines", lines)):
        table.add_row(name, f"{size:,}", f"{size / max(1, run.read):,.0f}")
    return table


def query_table(index: Path, large: Path, spans: int) -> Table:
    with connect(index) as db:
        own = int((db.execute("SELECT count(*) FROM spans").fetchone() or (0,))[0])
    times = -(-spans // own)
    begun = time.perf_counter()
    repeat(open_store(index).catalogue, large, times)
    made = time.perf_counter() - begun
    table = Table(title=f"Questions to {own * times:,} spans ({own:,} real ones, {times} times over)")
    for name in ("question", "places", "pieces", "fastest (ms)", "median (ms)", "CPU (ms)"):
        table.add_column(name)
    for name, question in QUESTIONS.items():
        taken = []
        cpu = time.process_time()
        for _ in range(ASKED):
            # Opened anew each time, as a command does.
            begun = time.perf_counter()
            with duckdb.connect(str(large), read_only=True) as db:
                answer = ask(db, question)
            taken.append(1000 * (time.perf_counter() - begun))
        cpu = 1000 * (time.process_time() - cpu) / ASKED
        table.add_row(
            name,
            f"{answer.count:,}",
            f"{answer.pieces:,}",
            f"{min(taken):.0f}",
            f"{statistics.median(taken):.0f}",
            f"{cpu:.0f}",
        )
    lines = sum(p.stat().st_size for p in large.with_name(LINES).glob("*.npy"))
    table.caption = (
        f"{large.stat().st_size / 1e6:.0f} MB of catalogue and {lines / 1e6:.0f} MB of lines, made in "
        f"{made:.1f} s; {ASKED} times each; load of the machine {os.getloadavg()[0]:.1f} on "
        f"{os.cpu_count()} cores"
    )
    return table


def repeat(catalogue: Path, large: Path, times: int) -> None:
    """Write a catalogue in which every piece stands `times` over under new numbers, sorted as it was."""
    with duckdb.connect(str(large)) as db:
        db.execute(f"ATTACH '{catalogue}' AS small (READ_ONLY)")
        pieces = (db.execute("SELECT count(*) FROM small.pieces").fetchone() or (0,))[0]
        names = db.execute("SELECT table_name FROM duckdb_tables() WHERE database_name = 'small'").fetchall()
        for (table,) in names:
            if table == "line_names":
                continue
            if table in ("about", "composers", "event_names"):
                db.execute(f"CREATE TABLE {table} AS FROM small.{table}")
                continue
            order = {"events": "kind, label, piece, number", "files": "path"}.get(table, "ALL")
            db.execute(
                f"CREATE TABLE {table} AS"
                f" SELECT * EXCLUDE (n) REPLACE ((piece + n * {pieces})::INTEGER AS piece)"
                f" FROM (SELECT s.*, n FROM small.{table} s, range({times}) t(n)) ORDER BY {order}"
            )
        db.execute("UPDATE about SET value = ? WHERE name = 'lines'", [LINES])
        make_lines(db, large.with_name(LINES))


if __name__ == "__main__":
    raise SystemExit(main())
