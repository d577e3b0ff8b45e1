"""What naming chords by their notes gains: ``python -m benchmarks.what_sounds [--set SET ...] [--limit N]``.

In: the analysed scores of the training split, read without the rules of `harmony.what_sounds`, then with
each of them. The bounds of the rules were chosen on them, with each set left out in turn. Out: by rule and
set the spans that change, and what changes of the time (in quarters) that agrees with the analyst: *chord*
and *full* as in `benchmarks.accuracy`; *ninths* is full where a ninth chord and its seventh chord are two
things. Then what analysts write, also of what no rule was built for. The reader was trained on these pieces,
so that its own labels look better here than they are: what a rule gains elsewhere may be more.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from unittest.mock import patch

from rich.console import Console
from rich.table import Table

from benchmarks import accuracy, corpora
from benchmarks.accuracy import Label, agreement, label_of, overlaps, stretches
from understave.harmony.reading import Span
from understave.harmony.trained import read_trained
from understave.harmony.what_sounds import RULES, heard_in, named_by_notes
from understave.theory.chord import Quality

NINTHS = (Quality.DOMINANT9, Quality.DOMINANT_MINOR9)
FULL, CHORD = accuracy.MEASURES.index("full"), accuracy.MEASURES.index("chord")


@dataclass(frozen=True, slots=True)
class Found:
    """Of one piece: its set, what each rule changes (by rule and measure), what its analyst writes."""

    set: str
    changes: dict[str, Counter[str]]
    written: Counter[str]


def measure(piece: corpora.Piece) -> Found | None:
    """Read a piece without and with each rule; None where its analysis does not fit."""
    laid = corpora.fitting(piece)
    if laid is None:
        return None
    with patch("understave.harmony.trained.named_by_notes", lambda spans, heard: tuple(spans)):
        plain = read_trained(laid.score).spans
    heard = heard_in(laid.score, plain)
    reference = laid.analyses[0].spans
    changes = {}
    for rule in (*RULES, "all"):
        rules = RULES if rule == "all" else (rule,)
        now = named_by_notes(plain, heard, rules)
        before = {(s.start, s.end, s.key, s.numeral) for s in plain}
        changed = sum((s.start, s.end, s.key, s.numeral) not in before for s in now)
        changes[rule] = Counter({"changed": changed})
        if changed:
            gains = zip(agreed(reference, now), agreed(reference, plain), strict=True)
            changes[rule].update(
                dict(zip(("chord", "full", "ninths"), (a - b for a, b in gains), strict=True))
            )
    return Found(piece.set, changes, written(reference))


def agreed(reference: Sequence[Span], predicted: Sequence[Span]) -> tuple[float, float, float]:
    """Return for how long chord, full label, and full label with ninths told apart, agree."""
    chord = full = told = 0.0
    bare = [replace(span, alternatives=()) for span in predicted]
    for length, ref, own in overlaps(stretches(reference), stretches(bare)):
        if own is None:
            continue
        judged = [(label, agreement(label, own[2][0])) for label in ref[2]]
        chord += float(length) * any(a[CHORD] for _, a in judged)
        full += float(length) * any(a[FULL] for _, a in judged)
        told += float(length) * any(_told(ref[3], label, own[3]) for label, a in judged if a[FULL])
    return chord, full, told


def _told(reference: Span, label: Label, own: Span) -> bool:
    names = [(reference.key, reference.numeral), *((a.key, a.numeral) for a in reference.alternatives)]
    key, numeral = next(name for name in names if label_of(*name) == label)
    return (numeral.chord(key).quality in NINTHS) == (own.numeral.chord(own.key).quality in NINTHS)


def written(spans: Sequence[Span]) -> Counter[str]:
    """Count what an analyst writes of what the rules are about, and of what there is no rule for."""
    count = Counter({"chords": len(spans)})
    for span in spans:
        numeral, quality = span.numeral, span.numeral.chord(span.key).quality
        count["dominant ninths"] += quality in NINTHS
        count["suspended fourths"] += quality in (Quality.SUS4, Quality.DOMINANT7_SUS4)
        over = numeral.degree == 2 and numeral.alter == -1 and not numeral.applied
        count["Neapolitans with their seventh, the tonic, in the bass"] += over and numeral.inversion == 3
    for a, b in pairwise(spans):
        thirds = {label_of(s.key, s.numeral).quality.removesuffix("7") for s in (a, b)}
        same = a.numeral.root(a.key) == b.numeral.root(b.key)
        count["thirds that change over one root"] += same and thirds in (
            {"major", "minor"},
            {"dominant", "minor"},
        )
    return count


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--set", nargs="+", default=list(corpora.SHIPPABLE), help="sets; all by default")
    parser.add_argument("--limit", type=int, help="pieces of each set, evenly spread; all by default")
    parser.add_argument("--jobs", type=int, default=1)
    arguments = parser.parse_args()
    chosen = []
    for name in arguments.set:
        there = list(corpora.pieces("train", [name]))
        count = min(arguments.limit or len(there), len(there))
        chosen += [there[k * len(there) // count] for k in range(count)]
    if arguments.jobs > 1:
        with ProcessPoolExecutor(arguments.jobs) as pool:
            found = [f for f in pool.map(measure, chosen) if f]
    else:
        found = [f for f in map(measure, chosen) if f]
    console = Console(width=110)
    table = Table("rule", "set", "pieces", "changed", "chord", "full", "ninths", title="quarters gained")
    for rule in (*RULES, "all"):
        rows: dict[str, Counter[str]] = defaultdict(Counter)
        for f in found:
            for name in (f.set, "all sets"):
                rows[name].update(f.changes[rule])
                rows[name]["pieces"] += 1
        for name in (*sorted(set(rows) - {"all sets"}), "all sets"):
            row = rows[name]
            cells = (f"{row[k]:+.1f}" for k in ("chord", "full", "ninths"))
            table.add_row(rule, name, str(row["pieces"]), str(int(row["changed"])), *cells)
        table.add_section()
    console.print(table)
    whole: Counter[str] = sum((f.written for f in found), Counter())
    for what in dict.fromkeys(what for f in found for what in f.written):
        console.print(f"{what}: {whole[what]}", highlight=False)


if __name__ == "__main__":
    main()
