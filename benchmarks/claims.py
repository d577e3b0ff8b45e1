"""Whether what is told is so: ``python -m benchmarks.claims [--each N] [--sample N] [--failed KIND]``.

In: the two demo pieces, and sixty pieces of the open data of all kinds (songs, preludes, grounds, textbook
examples, mazurkas, quartets, romantic and earlier keyboard music), of each the first `BARS` bars, with our
own reading and plan. Out: a table of claims by kind: how many could be made, how many of them the notes
deny, how many are told; the same by sort of music; how many statements there were and are told; how often
two things told contradict one another; how long the tests took. ``--sample`` lists claims that are told, at
random, with the notes around them, to be judged by hand; with ``--hand`` sentences of lessons on fresh
pieces, twelve in a hand, each hand others (`told_sentences`); ``--judged`` sums up what was judged of them;
``--failed`` lists what fails, by its kind. With ``--state FILE --minutes N`` the tables are made in several
runs: what is found of a piece is kept, and the same command goes on where it stopped.

Readings are kept in the folder for temporary files under a digest of all that makes them.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import pickle
import random
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from tempfile import gettempdir
from typing import TypeVar

from rich.console import Console
from rich.table import Table

import understave
from benchmarks import kept, told_sentences
from benchmarks.data import data_folder
from benchmarks.told_sentences import Said, drawn, keys_of, notes_in_bars, said, spread
from understave.claims import Claim, Disagreement
from understave.claims.facts import Facts, facts
from understave.errors import UnderstaveError
from understave.findings import find_events, read
from understave.harmony.reading import Reading, Span
from understave.interpretation.plan import Plan
from understave.interpretation.planning import make_plan
from understave.score.model import Score, beat_text
from understave.score.passage import passage
from understave.score.reader import read_score
from understave.teaching.account import PLACES, Count, Statement, contradictions, counted_claims, statements
from understave.teaching.exercises import exercises

T = TypeVar("T")
BARS = 80
"""Bars of each piece that are looked at: whole songs, the beginnings of long movements."""
WHOLE = 200
"""Bars of songs and keyboard pieces that are drawn for judging, so that they are whole; quartets stand in
files of several movements and stop at `BARS`.
"""
LARGEST = {".mxl": 300_000, ".krn": 300_000, ".musicxml": 2_500_000, ".xml": 2_500_000}
"""Bytes of a file at most by its suffix, so that sixty pieces are read within the hour."""
EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
SETS = {
    "songs": ("songs", 16),
    "analysed songs": ("harmony/train/lieder", 12),
    "preludes": ("harmony/train/preludes", 7),
    "grounds": ("harmony/train/grounds", 2),
    "textbook": ("harmony/train/textbook", 4),
    "mazurkas": ("harmony/dev/mazurkas", 4),
    "quartets": ("quartets-unlabelled", 7),
    "romantic": ("performance", 5),
    "earlier": ("performance-earlier", 3),
}
"""Folder and how many pieces of each sort: sixty in all."""


@dataclass(frozen=True)
class Piece:
    """A piece as it was read and planned, and what could be said of it."""

    sort: str
    name: str
    score: Score
    reading: Reading
    plan: Plan


def files(each: int | None) -> Iterator[tuple[str, Path]]:
    """Yield the sort and the file of every piece, spread evenly over each folder."""
    yield from (("demo", f / "score.musicxml") for f in sorted(EXAMPLES.iterdir()) if f.is_dir())
    for sort, (folder, count) in SETS.items():
        there = sorted(
            f for f in (data_folder() / folder).rglob("*") if f.stat().st_size <= LARGEST.get(f.suffix, 0)
        )
        wanted = min(count if each is None else each, len(there))
        yield from ((sort, there[k * len(there) // wanted]) for k in range(wanted))


@dataclass(frozen=True)
class Source:
    """A file that is read for the tables: its sort of music, its name, where it lies."""

    set: str
    name: str
    path: Path


@dataclass(frozen=True)
class Found:
    """What could be said of a piece, how long testing it took in seconds, and what of it disagrees."""

    statements: tuple[Statement, ...]
    seconds: float
    contradicted: tuple[Disagreement, ...]


def sources(each: int | None, only: str | None) -> list[Source]:
    """Return the files of the tables, or those of one sort."""
    found = (Source(sort, f"{f.parent.name}/{f.stem}", f) for sort, f in files(each))
    return [s for s in found if only in (None, s.set)]


def found_in(source: Source) -> Found:
    """Return what could be said of a piece; nothing, with a line that says why, where it cannot be read."""
    try:
        piece = _piece(source.set, source.path)
    except UnderstaveError as error:
        print(f"{source.path.name}: {error}", file=sys.stderr)
        return Found((), 0.0, ())
    made = exercises(piece.score, piece.reading)
    found = statements(piece.score, piece.reading, piece.plan, exercises=made)
    started = time.perf_counter()
    known = Facts(piece.score, piece.reading.spans)
    for s in found:
        for c in s.claims:
            c.holds(known)
    seconds = time.perf_counter() - started
    return Found(found, seconds, contradictions(found, piece.reading))


@lru_cache(maxsize=1)
def _piece(sort: str, file: Path, bars: int = BARS) -> Piece:
    """Read and plan a piece's first bars, or take up what was kept of it."""
    own = file.read_bytes() + (b"" if bars == BARS else str(bars).encode())

    def reading() -> tuple[Score, tuple[Span, ...]]:
        score = read_score(file)
        if len(score.measures) > bars:
            score = passage(score, 0, bars - 1)
        return score, read(score).spans

    score, spans = _kept(own, ("score", "harmony"), (), reading)

    def planned() -> tuple[Reading, Plan]:
        found = Reading(spans, find_events(score, spans))
        return found, make_plan(score, found)

    found, plan = _kept(own, ("score", "harmony", "findings", "interpretation", "acoustics"), (), planned)
    return Piece(sort, file.stem if file.suffix == ".mxl" else file.parent.name, score, found, plan)


def _kept(own: bytes, rooms: Sequence[str], without: Sequence[str], make: Callable[[], T]) -> T:
    """Return what was made of a file, kept under a digest of it and of the rooms that make it."""
    digest = hashlib.sha256(own)
    root = Path(understave.__file__).parent
    for module in sorted(m for room in rooms for m in (root / room).rglob("*") if m.is_file()):
        if module.suffix != ".pyc" and module.parent.name not in without:
            digest.update(module.read_bytes())
    place = Path(gettempdir()) / "understave-benchmarks" / f"claims-{digest.hexdigest()[:24]}.pickle"
    if place.exists():
        return pickle.loads(place.read_bytes())  # type: ignore[no-any-return]  # written by ourselves
    made = make()
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(pickle.dumps(made))
    return made


def by_text(found: Sequence[Statement]) -> Table:
    """Return the table of statements by the text of the lesson in which they stand."""
    table = Table("text", "statements", "with a false claim", "told", "claims told", title="by text")
    for where in PLACES:
        here = [s for s in found if s.where == where]
        told = [s for s in here if s.told]
        counts = (len(here), sum(bool(s.failed) for s in here), len(told), sum(len(s.claims) for s in told))
        table.add_row(where, *map(str, counts))
    return table


def by_kind(found: Iterable[Statement], title: str) -> Table:
    """Return the table of claims by kind."""
    table = Table("kind", "claims", "fail", "%", "told", title=title)
    whole = Count(0, 0, 0)
    for kind, n in counted_claims(found).items():
        table.add_row(kind, *map(str, (n.claims, n.failed, f"{100 * n.failed / n.claims:.1f}", n.told)))
        whole = Count(whole.claims + n.claims, whole.failed + n.failed, whole.told + n.told)
    share = f"{100 * whole.failed / max(1, whole.claims):.1f}"
    table.add_row("all", str(whole.claims), str(whole.failed), share, str(whole.told), style="bold")
    return table


JUDGED = Path(__file__).parent / "judged_claims.csv"
"""Sentences drawn by ``--hand`` with the verdicts (true, false, arguable) of each judge and the reason."""


def judgements(path: Path = JUDGED) -> Iterator[Table | str]:
    """Yield false and arguable ones in a hundred by hand and judge, by music and by text, and how far two
    judges of one sentence agree.
    """
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    sides: dict[str, Callable[[dict[str, str]], str]] = {
        "all": lambda r: "",
        "music": lambda r: r["music"],
        "text": lambda r: r["text"].partition(",")[0],
    }
    for hand, judge in dict.fromkeys((r["hand"], r["judge"]) for r in rows):
        mine = [r for r in rows if (r["hand"], r["judge"]) == (hand, judge)]
        title = f"hand {hand}, judged by {judge}"
        table = Table("by", "", "judged", "false", "arguable", "false in 100", title=title)
        for side, of in sides.items():
            for name in dict.fromkeys(map(of, mine)):
                here = [r["verdict"] for r in mine if of(r) == name]
                false = here.count("false")
                counts = (len(here), false, here.count("arguable"))
                table.add_row(side, name, *map(str, counts), f"{100 * false / len(here):.1f}")
        yield table
    verdicts: dict[tuple[str, str], list[str]] = {}
    for r in rows:
        verdicts.setdefault((r["hand"], r["number"]), []).append(r["verdict"])
    pairs = [v for v in verdicts.values() if len(v) > 1]
    if pairs:
        same = sum(len(set(v)) == 1 for v in pairs)
        both = sum(set(v) == {"false"} for v in pairs)
        one = sum("false" in v for v in pairs)
        yield (
            f"{len(pairs)} sentences have two judges: they agree on {same}, "
            f"{100 * same / len(pairs):.0f} in 100; both call {both} false, at least one {one}"
        )


def notes_around(known: Facts, claim: Claim) -> str:
    """Return the notes about a claim's place, voice by voice, with bar and beat, for judging it by hand."""
    score = known.score
    start = max(Fraction(0), claim.start - score.measure_at(claim.start).beat_length)
    end = max(min(claim.end, claim.start + 2 * score.measure_at(claim.start).full_length), claim.start) + 2
    voices: dict[tuple[int, str], list[str]] = {}
    for n in known.heard(start, end):
        bar, beat = score.anchor(n.onset)
        voices.setdefault((n.staff, n.voice), []).append(f"{bar}:{beat_text(beat)} {n.pitch} ({n.duration})")
    lines = [f"      staff {s} voice {v}: {', '.join(told)}" for (s, v), told in sorted(voices.items())]
    chords = [
        f"{score.anchor(s.start)[0]}:{beat_text(score.beat_at(s.start))} {s.key} {s.numeral}"
        for s in known.spans_in(start, end)
    ]
    return "\n".join([f"      chords: {', '.join(chords)}", *lines])


def main() -> int:
    """Print the tables, and what was asked for besides."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, help="pieces of each sort, in place of sixty in all")
    parser.add_argument("--only", help="one sort alone")
    parser.add_argument("--sample", type=int, default=0, help="claims that are told, to be judged by hand")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--hand", type=int, help="sample sentences of fresh pieces in place of the sixty: which hand"
    )
    parser.add_argument("--judged", action="store_true", help="sum up the judgements kept beside this file")
    parser.add_argument("--failed", help="list what fails of this kind of claim")
    kept.add_options(parser)
    arguments = parser.parse_args()
    console = Console(width=150)
    if arguments.judged:
        for summed in judgements():
            console.print(summed)
        return 0
    if arguments.hand:
        _list_told(arguments.hand, arguments.sample, arguments.seed)
        return 0
    wanted = sources(arguments.each, arguments.only)
    measured = kept.measured(wanted, found_in, arguments)
    print(f"{len(measured)} of {len(wanted)} pieces")
    everything = [(source, s) for source, found in measured for s in found.statements]
    by_sort: dict[str, list[Statement]] = {}
    for source, found in measured:
        by_sort.setdefault(source.set, []).extend(found.statements)
    all_found = [s for _, s in everything]
    # Cards repeat exercises and stops, and the page prints the reading.
    console.print(by_kind([s for s in all_found if s.where not in ("card", "page")], "claims by kind"))
    table = Table(
        "music", "statements", "with a false claim", "told", "claims", "fail", title="by sort of music"
    )
    for sort, found_here in by_sort.items():
        counts = counted_claims(found_here).values()
        table.add_row(
            sort,
            str(len(found_here)),
            str(sum(bool(s.failed) for s in found_here)),
            str(sum(s.told for s in found_here)),
            str(sum(c.claims for c in counts)),
            str(sum(c.failed for c in counts)),
        )
    console.print(table)
    console.print(by_text(all_found))
    contradicted = [(source.name, pair) for source, found in measured for pair in found.contradicted]
    print(f"contradictions among what is told: {len(contradicted)}")
    for name, pair in contradicted:
        print(f"  {name}, {' and '.join(pair.told)}: {pair.one} / {pair.other}")
    slowest = max(((found.seconds, source.name) for source, found in measured), default=(0.0, ""))
    print(f"longest test of all claims of a piece: {slowest[0]:.2f} s ({slowest[1]})")
    if arguments.failed:
        _list_failed(everything, arguments.failed)
    if arguments.sample:
        _list_sample(everything, arguments.sample, arguments.seed)
    return 0


def _list_failed(everything: list[tuple[Source, Statement]], kind: str) -> None:
    for source, s in everything:
        for claim in s.failed:
            if claim.kind == kind or s.kind == kind:
                score = _piece(source.set, source.path).score
                bar, beat = score.anchor(claim.start)
                print(f"{source.name} {bar}:{beat_text(beat)} [{s.where}] {s.text}\n    {claim}")


def _list_told(hand: int, count: int, seed: int) -> None:
    """Print sentences that lessons on fresh pieces tell, as many of each kind of music, with their notes."""
    tuned = frozenset(file for _, file in files(None))
    by_sort: dict[str, list[tuple[Piece, Said]]] = {}
    for sort, file in drawn(hand, tuned):
        try:
            piece = _piece(sort, file, BARS if sort == "quartets" else WHOLE)
            told = [(piece, s) for s in _said(piece, file)]
        except UnderstaveError as error:
            print(f"{file.name}: {error}", file=sys.stderr)
            continue
        by_sort.setdefault(sort, []).extend(told)
        print(f"{sort}: {piece.name}, {len(piece.score.measures)} bars, {len(told)} sentences", flush=True)
    shares = [count // len(by_sort) + (k < count % len(by_sort)) for k in range(len(by_sort))]
    chosen = []
    for number, told in zip(shares, by_sort.values(), strict=True):
        chosen += spread(told, lambda pair: pair[1], number, seed)
    random.Random(seed).shuffle(chosen)
    for k, (piece, s) in enumerate(chosen, 1):
        bar, beat = piece.score.anchor(s.start)
        print(f"\n{k}. {piece.sort}, {piece.name}, {bar}:{beat_text(beat)} [{s.where}] {s.text}")
        if s.whole:
            print(keys_of(piece.score, piece.reading))
        print(notes_in_bars(piece.score, piece.reading, s.start, s.end))


def _said(piece: Piece, file: Path) -> tuple[Said, ...]:
    """Return every sentence of a piece's lesson, kept as its reading is."""
    own = file.read_bytes() + str(len(piece.score.measures)).encode()
    rooms = ("score", "harmony", "findings", "interpretation", "acoustics", "claims", "wording", "teaching")
    own += Path(told_sentences.__file__).read_bytes()
    return _kept(own, rooms, (), lambda: said(piece.score, piece.reading, piece.plan))


def _list_sample(everything: list[tuple[Source, Statement]], count: int, seed: int) -> None:
    told = [(source, s, c) for source, s in everything if s.told for c in s.claims]
    chosen = random.Random(seed).sample(told, min(count, len(told)))
    for k, (source, s, claim) in enumerate(chosen, 1):
        piece = _piece(source.set, source.path)
        bar, beat = piece.score.anchor(claim.start)
        print(f"\n{k}. {piece.sort}, {piece.name}, {bar}:{beat_text(beat)} [{s.where}] {s.text}")
        print(f"    {claim.kind}: {claim}")
        print(notes_around(facts(piece.score, piece.reading.spans), claim))


if __name__ == "__main__":
    sys.exit(main())
