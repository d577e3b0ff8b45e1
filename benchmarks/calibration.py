"""Whether confidences can be believed: ``python -m benchmarks.calibration [--sets ...]``.

In: the analysed scores of the measuring split. Out: for each set, by duration, the mean confidence and the
full agreement; the expected calibration error over ten bins (Guo et al., ICML 2017); how often the right
label is the one given or among the first two alternatives; and which share of the errors lies in the least
certain fifth of the time. Then a reliability table over all sets.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt
from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks import corpora
from benchmarks.accuracy import label_of, labels_of
from understave.errors import UnderstaveError
from understave.harmony.reading import Span
from understave.harmony.trained import read_trained

Rows = npt.NDArray[np.float64]
"""One row a stretch: length, confidence, right, among the first three."""
BINS = 10


def judged(reference: Sequence[Span], predicted: Sequence[Span]) -> Iterator[tuple[float, float, bool, bool]]:
    """Yield (length, confidence, right, right among the first three) where the two overlap."""
    first = 0
    for ref in reference:
        labels = labels_of(ref)
        while first < len(predicted) and predicted[first].end <= ref.start:
            first += 1
        for span in predicted[first:]:
            if span.start >= ref.end:
                break
            length = float(min(ref.end, span.end) - max(ref.start, span.start))
            offered = [(span.key, span.numeral), *((a.key, a.numeral) for a in span.alternatives[:2])]
            found = [label_of(key, numeral) in labels for key, numeral in offered]
            yield length, span.confidence, found[0], any(found)


def figures(rows: Rows) -> tuple[float, float, float, float, float]:
    """Return mean confidence, agreement, calibration error, first three, errors in the least sure fifth."""
    length, sure, right, three = rows.T
    total = length.sum()
    place = np.clip((sure * BINS).astype(int), 0, BINS - 1)
    gaps = [abs((length * (sure - right))[place == b].sum()) for b in range(BINS)]
    order = np.argsort(sure, kind="stable")
    early = np.cumsum(length[order]) <= 0.2 * total
    wrong = length * (1 - right)
    return (
        float((length * sure).sum() / total),
        float((length * right).sum() / total),
        float(sum(gaps) / total),
        float((length * three).sum() / total),
        float(wrong[order][early].sum() / max(wrong.sum(), 1e-9)),
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--split", default="dev")
    parser.add_argument("--sets", nargs="*", default=[])
    parser.add_argument("--every", type=int, default=1, help="only every Nth piece")
    options = parser.parse_args(arguments)
    console = Console()
    found: dict[str, list[tuple[float, float, bool, bool]]] = {}
    try:
        pieces = list(corpora.pieces(options.split, options.sets))[:: options.every]
    except corpora.NoDataError as error:
        console.print(str(error))
        return 2
    for piece in track(pieces, "reading", console=console, disable=not console.is_terminal):
        try:
            aligned = corpora.align(piece)
            if aligned.coverage < corpora.DROP:
                continue
            spans = read_trained(aligned.score).spans
        except UnderstaveError as error:
            console.print(f"{piece.set}/{piece.name}: {error}")
            continue
        found.setdefault(piece.set, []).extend(judged(aligned.analyses[0].spans, spans))
    table = Table("set", "confidence", "agreement", "ECE", "first three", "errors in least sure fifth")
    every = np.array([row for rows in found.values() for row in rows], dtype=np.float64)
    for name, rows in [*((n, np.array(r, dtype=np.float64)) for n, r in found.items()), ("all", every)]:
        table.add_row(name, *(f"{100 * x:.1f}" for x in figures(rows)))
    console.print(table)
    reliability = Table("confidence", "share of time", "mean confidence", "agreement", title="reliability")
    length, sure, right, _ = every.T
    place = np.clip((sure * BINS).astype(int), 0, BINS - 1)
    for b in range(BINS):
        here = place == b
        if weight := length[here].sum():
            mean, good = (length * sure)[here].sum() / weight, (length * right)[here].sum() / weight
            name = f"{b / BINS:.1f}-{(b + 1) / BINS:.1f}"
            reliability.add_row(name, f"{100 * weight / length.sum():.1f}", f"{mean:.2f}", f"{good:.2f}")
    console.print(reliability)
    return 0


if __name__ == "__main__":
    sys.exit(main())
