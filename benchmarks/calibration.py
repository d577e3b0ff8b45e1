"""Whether confidences can be believed: ``python -m benchmarks.calibration [--sets ...]``.

In: the analysed scores of the measuring split. Out: for each set, by duration, the mean confidence and the
full agreement; the expected calibration error over ten bins (Guo et al., ICML 2017); how often the right
label is the one given or among the first two alternatives; and how many times as often as the whole the
least certain fifth of the time is wrong. Then the calibration error that confidences fitted anew on the other
sets would have (`refitted`). Then the time in which the first alternative is told as likely as the label (its
share stops there), how likely that is, and how often each is right. Then a reliability table over all sets,
with ``--agreement`` the tables of `accuracy` from the same readings, and with ``--picture FILE.png`` (or
``.svg``) the same as a diagram: agreement over confidence for all music and for each set, against the
diagonal on which a confidence is true, and the share of time that each confidence is given. With ``--state``
results are kept (`benchmarks.kept`).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from rich.console import Console
from rich.table import Table

from benchmarks import corpora, kept
from benchmarks.accuracy import Tally, compare, label_of, labels_of, print_intervals, print_tables
from understave.engraving import to_png
from understave.errors import UnderstaveError
from understave.harmony.model.confidence import log_odds
from understave.harmony.reading import Span
from understave.harmony.trained import read_trained

Rows = npt.NDArray[np.float64]
"""One row a stretch: length, confidence, right, among the first three, first alternative as likely, right."""
BINS = 10
FIFTH = 0.2
"""Share of the time that is looked at as the least certain."""
Row: TypeAlias = tuple[float, float, bool, bool, bool, bool]


def judged(reference: Sequence[Span], predicted: Sequence[Span]) -> Iterator[Row]:
    """Yield what is known of each stretch (see `Rows`) where the two overlap."""
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
            rival = span.alternatives[0].confidence if span.alternatives else -1.0
            yield length, span.confidence, found[0], any(found), rival >= span.confidence, any(found[1:2])


def figures(rows: Rows) -> tuple[float, float, float, float, float]:
    """Return mean confidence, agreement, calibration error, first three, errors in the least sure fifth."""
    length, sure, right, three, _, _ = rows.T
    total = length.sum()
    place = np.clip((sure * BINS).astype(int), 0, BINS - 1)
    gaps = [abs((length * (sure - right))[place == b].sum()) for b in range(BINS)]
    order = np.argsort(sure, kind="stable")
    early = np.cumsum(length[order]) <= FIFTH * total
    wrong = length * (1 - right)
    return (
        float((length * sure).sum() / total),
        float((length * right).sum() / total),
        float(sum(gaps) / total),
        float((length * three).sum() / total),
        float(wrong[order][early].sum() / max(wrong.sum(), 1e-9)),
    )


def rivalry(rows: Rows) -> tuple[float, float, float, float] | None:
    """Return of the time in which the first alternative is as likely as the label: its share of all time, the
    mean confidence, the agreement of label and alternative; None where there is none.
    """
    length, sure, right, _, level, other = rows.T
    time = length * level
    if not time.any():
        return None
    shares = (float((time * x).sum() / time.sum()) for x in (sure, right, other))
    return (float(time.sum() / length.sum()), *shares)  # type: ignore[return-value]


def reliability(rows: Rows) -> list[tuple[int, float, float, float]]:
    """Return for each bin that holds any time: its number, share of time, mean confidence, agreement."""
    length, sure, right, *_ = rows.T
    place = np.clip((sure * BINS).astype(int), 0, BINS - 1)
    result = []
    for b in range(BINS):
        here = place == b
        weight = length[here].sum()
        if weight > 0:
            mean, good = (length * sure)[here].sum() / weight, (length * right)[here].sum() / weight
            result.append((b, float(weight / length.sum()), float(mean), float(good)))
    return result


COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#8C6D1F", "#666666")
"""Told apart by colour-blind readers too (Okabe and Ito, 2008), as far as there are names."""
LEAST_SHARE = 0.02
"""Share of a set's time under which a bin is left out of its line, being chance."""


def picture(by_set: Mapping[str, Rows], every: Rows) -> str:
    """Return the reliability diagram as an SVG document, 150 mm wide."""
    side, left, top = 360.0, 62.0, 20.0

    def at(confidence: float, agreement: float) -> tuple[float, float]:
        return left + side * confidence, top + side * (1 - agreement)

    parts = ['<rect width="600" height="440" fill="white"/>']
    for k in range(0, 11, 2):
        x, y = at(k / 10, 0)
        across = at(0, k / 10)[1]
        parts.append(
            f'<path d="M{left},{across:.1f}H{left + side}" stroke="#eeeeee"/>'
            f'<text x="{x:.1f}" y="{y + 15:.1f}" font-size="11" text-anchor="middle">{k / 10:.1f}</text>'
            f'<text x="{left - 6}" y="{across + 4:.1f}" font-size="11" text-anchor="end">{k / 10:.1f}</text>'
        )
    bins = reliability(every)
    most = max(share for _, share, _, _ in bins)
    for b, share, _, _ in bins:
        height = 0.28 * side * share / most
        x, y = at(b / BINS, 0)
        parts.append(
            f'<rect x="{x + 1:.1f}" y="{y - height:.1f}" width="{side / BINS - 2:.1f}" height="{height:.1f}" '
            f'fill="#dddddd"/><text x="{x + side / BINS / 2:.1f}" y="{y - height - 3:.1f}" font-size="9" '
            f'fill="#777777" text-anchor="middle">{100 * share:.0f} %</text>'
        )
    (x0, y0), (x1, y1) = at(0, 0), at(1, 1)
    parts.append(f'<path d="M{x0},{y0}L{x1},{y1}" stroke="#999999" stroke-dasharray="5 4"/>')
    parts.append(f'<rect x="{left}" y="{top}" width="{side}" height="{side}" fill="none" stroke="black"/>')
    lines = [*((n, r, c, 1.4) for (n, r), c in zip(by_set.items(), COLOURS, strict=False))]
    lines.append(("all", every, "black", 3.0))
    for number, (name, rows, colour, width) in enumerate(lines):
        points = [at(mean, good) for _, share, mean, good in reliability(rows) if share >= LEAST_SHARE]
        line = "L".join(f"{x:.1f},{y:.1f}" for x, y in points)
        parts.append(f'<path d="M{line}" fill="none" stroke="{colour}" stroke-width="{width}"/>')
        parts += [
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{1.4 + width / 2}" fill="{colour}"/>' for x, y in points
        ]
        y = top + 20 + 20 * number
        error = 100 * figures(rows)[2]
        parts.append(
            f'<path d="M{left + side + 16},{y}h20" stroke="{colour}" stroke-width="{width}"/>'
            f'<text x="{left + side + 42}" y="{y + 4}" font-size="11">{name} ({error:.0f})</text>'
        )
    parts.append(
        f'<text x="{left + side / 2}" y="{top + side + 36}" font-size="12" text-anchor="middle">'
        "confidence</text>"
        f'<text transform="translate(18 {top + side / 2}) rotate(-90)" font-size="12" text-anchor="middle">'
        "agreement with the analyst</text>"
        f'<text x="{left + side + 16}" y="{top + 22 + 20 * len(lines)}" font-size="10" fill="#555555">'
        "(calibration error in points)</text>"
    )
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="150mm" height="110mm" viewBox="0 0 600 440" '
        'font-family="Libertinus Serif, serif">' + "".join(parts) + "</svg>"
    )


def measure(piece: corpora.Piece) -> tuple[list[Row], Tally | None]:
    """Read a piece and compare it with its analysis; nothing where that does not fit or it cannot be read."""
    found = corpora.fitting(piece)
    if found is None:
        return [], None
    try:
        spans = read_trained(found.score).spans
    except UnderstaveError as error:
        print(f"{piece.set}/{piece.name}: {error}", file=sys.stderr)
        return [], None
    reference = found.analyses[0].spans
    return list(judged(reference, spans)), compare(reference, spans)


def refitted(by_set: Mapping[str, Rows]) -> dict[str, Rows]:
    """Return each set with confidences that were fitted anew on the other sets: log odds, moved and
    stretched (Platt 1999, from memory), every set counting alike; and all sets so read together.

    It tells whether another scale would serve sets that it was not fitted to; nothing of it is in force.
    """
    result = {}
    for name in by_set:
        others = [rows for other, rows in by_set.items() if other != name]
        if not others:
            continue
        odds = log_odds(np.concatenate([rows[:, 1] for rows in others]))
        right = np.concatenate([rows[:, 2] for rows in others])
        weight = np.concatenate([rows[:, 0] / rows[:, 0].sum() for rows in others])
        move, stretch = _logistic(odds, right, weight)
        rows = by_set[name].copy()
        rows[:, 1] = 1 / (1 + np.exp(-move - stretch * log_odds(rows[:, 1])))
        result[name] = rows
    if result:
        result["all"] = np.concatenate([*result.values()])
    return result


def _logistic(
    x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], weight: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Fit log odds = a + b x by Newton's method; where all x are alike, the smallest step that fits."""
    design = np.stack((np.ones_like(x), x), axis=1)
    found = np.array([0.0, 1.0])
    for _ in range(30):
        p = 1 / (1 + np.exp(-design @ found))
        curve = (design * (weight * p * (1 - p))[:, None]).T @ design
        found = found + np.linalg.lstsq(curve, design.T @ (weight * (y - p)))[0]
    return found


def main(arguments: Sequence[str] | None = None) -> int:  # noqa: C901
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--split", default="dev")
    parser.add_argument("--sets", nargs="*", default=[])
    parser.add_argument("--every", type=int, default=1, help="only every Nth piece")
    kept.add_options(parser)
    parser.add_argument("--agreement", action="store_true", help="print agreement with analysts as well")
    parser.add_argument("--picture", type=Path, help="draw the reliability diagram into this file")
    options = parser.parse_args(arguments)
    console = Console(width=None if sys.stdout.isatty() else 150)
    try:
        pieces = list(corpora.pieces(options.split, options.sets))[:: options.every]
    except corpora.NoDataError as error:
        console.print(str(error))
        return 2
    found: dict[str, list[Row]] = {}
    tallies: dict[str, Tally] = {}
    for piece, (rows_of, tally) in kept.measured(pieces, measure, options):
        if tally is not None:
            found.setdefault(piece.set, []).extend(rows_of)
            tallies.setdefault(piece.set, Tally()).add(tally)
    table = Table("set", "confidence", "agreement", "ECE", "first three", "least sure fifth, times as wrong")
    if not found:
        console.print("No piece could be measured.")
        return 2
    by_set = {name: np.array(rows, dtype=np.float64) for name, rows in found.items()}
    every = np.concatenate([*by_set.values()])
    alike = [rows for name, rows in by_set.items() if name in corpora.SHIPPABLE]
    together = {"all": every}
    if 1 < len(alike) < len(by_set):
        together = {"sets of kinds trained on": np.concatenate(alike), "all": every}
    for name, rows in [*by_set.items(), *together.items()]:
        *shares, fifth = figures(rows)
        # The fifth of the time that holds a fifth of the errors is as often wrong as the whole.
        table.add_row(name, *(f"{100 * x:.1f}" for x in shares), f"{fifth / FIFTH:.1f}")
    console.print(table)
    again = Table("set", "confidence", "agreement", "ECE", title="refitted on the other sets")
    for name, rows in refitted(by_set).items():
        again.add_row(name, *(f"{100 * x:.1f}" for x in figures(rows)[:3]))
    console.print(again)
    even = Table("set", "share of time", "confidence", "label right", "alternative right", title="as likely")
    for name, rows in [*by_set.items(), *together.items()]:
        if values := rivalry(rows):
            even.add_row(name, *(f"{100 * x:.1f}" for x in values))
    console.print(even)
    lines = Table("confidence", "share of time", "mean confidence", "agreement", title="reliability")
    for b, share, mean, good in reliability(every):
        name = f"{b / BINS:.1f}-{(b + 1) / BINS:.1f}"
        lines.add_row(name, f"{100 * share:.1f}", f"{mean:.2f}", f"{good:.2f}")
    console.print(lines)
    if options.agreement:
        print_tables({"trained": tallies}, {}, console)
        print_intervals(tallies, console)
    if options.picture:
        svg = picture(by_set, every)
        if options.picture.suffix == ".svg":
            options.picture.write_text(svg, encoding="utf-8")
        else:
            options.picture.write_bytes(to_png(svg, 1200))
    return 0


if __name__ == "__main__":
    sys.exit(main())
