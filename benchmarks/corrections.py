"""What corrections do to the rest of a reading: ``python -m benchmarks.corrections``.

In: the analysed scores of `benchmarks.corpora` and the `TEACHERS`, each a function from a piece with its
analysis and the tool's own reading to the corrections that such a teacher would give. Out: a table for each
teacher with the agreement before and after, set by set, measured as in `benchmarks.accuracy`.

confirms the tool's own keys    every stretch in one key of the tool's own reading, that key and no chord: a
                                teacher who agrees with the keys must not find the chords worse for it.
gives the analyst's keys        every stretch in one key of the analysis, that key and no chord: knowing the
                                right keys must help.

The last column is how far other pieces of the same sets may lie from it (`accuracy.intervals`).

With ``--teacher`` a teacher corrects each piece from the first bar to the last instead, in each of the ways
that `benchmarks.teaching` describes, and their corrections are counted. With ``--state`` results are kept
(`benchmarks.kept`).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial

from rich.console import Console
from rich.table import Table

from benchmarks import corpora, kept, teaching
from benchmarks.accuracy import Tally, compare, intervals
from benchmarks.corpora import Aligned, Piece
from understave.harmony.reading import Correction, Reading, Span
from understave.harmony.trained import read_trained
from understave.score.model import Score
from understave.theory.key import Key

Teacher = Callable[[Aligned, Reading], tuple[Correction, ...]]
SHOWN = ("key", "chord", "full")


@dataclass(frozen=True, slots=True)
class Effect:
    """The agreement with an analysis before and after the corrections, and how many there were."""

    corrections: int
    before: Tally
    after: Tally


def confirms_keys(piece: Aligned, reading: Reading) -> tuple[Correction, ...]:
    """Say of every key that the tool found that it is right."""
    return _keys_only(piece.score, reading.spans)


def gives_keys(piece: Aligned, reading: Reading) -> tuple[Correction, ...]:
    """Say every key of the analysis."""
    return _keys_only(piece.score, piece.analyses[0].spans)


TEACHERS: Mapping[str, Teacher] = {
    "confirms the tool's own keys": confirms_keys,
    "gives the analyst's keys": gives_keys,
}


def _keys_only(score: Score, spans: Sequence[Span]) -> tuple[Correction, ...]:
    return tuple(
        Correction(*score.anchor(start), *score.anchor(end), key, None)
        for start, end, key in _in_one_key(spans)
    )


def _in_one_key(spans: Sequence[Span]) -> Iterator[tuple[Fraction, Fraction, Key]]:
    start = 0
    for i, span in enumerate(spans):
        following = spans[i + 1] if i + 1 < len(spans) else None
        if following is None or (following.start, following.key) != (span.end, span.key):
            yield spans[start].start, span.end, span.key
            start = i + 1


def measure(piece: Piece, teachers: Sequence[str]) -> dict[str, Effect]:
    """Let each teacher correct the tool's reading of a piece; nothing where its analysis does not fit."""
    found = corpora.fitting(piece)
    if found is None:
        return {}
    reference = found.analyses[0].spans
    reading = read_trained(found.score)
    before = compare(reference, reading.spans)
    effects = {}
    for name in teachers:
        given = TEACHERS[name](found, reading)
        effects[name] = Effect(len(given), before, compare(reference, read_trained(found.score, given).spans))
    return effects


def tables(effects: Sequence[tuple[str, dict[str, Effect]]], teachers: Sequence[str]) -> Iterator[Table]:
    """One table for each teacher, from the effects (set, by teacher) on every piece."""
    for name in teachers:
        table = Table(title=name, title_justify="left")
        table.add_column("set")
        for head in ("pieces", "corrections", *(f"{m} {w}" for m in SHOWN for w in ("before", "after"))):
            table.add_column(head, justify="right")
        table.add_column("full after, 95 %", justify="right")
        by_set: dict[str, list[Effect]] = {}
        for set_name, by_name in effects:
            if name in by_name:
                by_set.setdefault(set_name, []).append(by_name[name])
        known = [s for s in by_set if s in corpora.SHIPPABLE]
        rows = {s: [s] for s in by_set}
        if 1 < len(known) < len(by_set):
            rows["sets of kinds trained on"] = known
        for row, sets in {**rows, "all, by time": list(by_set)}.items():
            before, after = Tally(), {s: Tally() for s in sets}
            given = 0
            for s in sets:
                for effect in by_set[s]:
                    before.add(effect.before)
                    after[s].add(effect.after)
                    given += effect.corrections
            whole = Tally()
            for tally in after.values():
                whole.add(tally)
            cells = [f"{figures[m]:.1f}" for m in SHOWN for figures in (before.figures(), whole.figures())]
            low, high = intervals(after.values())["full"]
            table.add_row(row, str(before.pieces), str(given), *cells, f"{low:.1f} to {high:.1f}")
        yield table


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.corrections", description="What corrections do to the rest of a reading."
    )
    parser.add_argument("--sets", nargs="*", default=[], help="sets to measure; all when left out")
    parser.add_argument("--split", choices=["dev", "train"], default="dev")
    parser.add_argument("--every", type=int, default=1, help="take every n-th piece of a set")
    kept.add_options(parser)
    parser.add_argument("--given", action="store_true", help="give the analyst's keys only")
    parser.add_argument("--teacher", action="store_true", help="count a teacher's corrections, bar by bar")
    options = parser.parse_args(arguments)
    console = Console(width=None if sys.stdout.isatty() else 180)
    try:
        by_set: dict[str, list[Piece]] = {}
        for piece in corpora.pieces(options.split, options.sets):
            by_set.setdefault(piece.set, []).append(piece)
    except corpora.NoDataError as error:
        console.print(str(error), markup=False)
        return 2
    chosen = [p for members in by_set.values() for p in members[:: options.every]]
    if options.teacher:
        works = kept.measured(chosen, partial(teaching.measure, ways=teaching.WAYS), options)
        found = teaching.tables([(p.set, w) for p, w in works], teaching.WAYS)
    else:
        teachers = tuple(TEACHERS)[1:] if options.given else tuple(TEACHERS)
        effects = kept.measured(chosen, partial(measure, teachers=teachers), options)
        found = [*tables([(p.set, e) for p, e in effects], teachers)]
    for table in found:
        console.print(table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
