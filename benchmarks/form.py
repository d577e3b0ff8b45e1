"""How well sections are found: ``python -m benchmarks.form``.

In: the analysed scores of `benchmarks.corpora` whose analyst wrote ``Form:`` lines (pieces whose analysis
covers less than `corpora.DROP` of the sounding time are left out, and counted). A boundary is a bar in which
a section begins, the first bar of the piece left out; a section that begins with an upbeat counts for the
bar after it. Several analysts' words at one bar are one boundary.

Out: precision, recall and F1 of our sections' beginnings, for the very bar and with one bar of tolerance,
for each set; and, for orientation, what a section every eight bars would reach. With the analyst's
chords unless ``--own`` asks for our own reading. What analysts call a section differs from set to set: a
verse of a song, each strain (of four to eight bars) of a set of variations, each turn of a ground. The
lines of the variations were converted by machine and put nearly every strain on the last bar of the one
before: there only the figure with one bar of tolerance tells something.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import dataclass, field

from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks import corpora
from benchmarks.nonchord import Counts
from understave.findings.form import sections_of
from understave.findings.sung_sections import begins_with
from understave.harmony.trained import read_trained

EVERY = 8


@dataclass(slots=True)
class Result:
    """Counts over the pieces of one set."""

    pieces: int = 0
    left_out: int = 0
    exact: Counts = field(default_factory=Counts)
    near: Counts = field(default_factory=Counts)
    regular: Counts = field(default_factory=Counts)


def matched(reference: Iterable[int], found: Iterable[int], tolerance: int) -> int:
    """Return how many boundaries of the one can be paired with the other, each used once."""
    left = sorted(reference)
    count = 0
    for bar in sorted(found):
        partner = next((r for r in left if abs(r - bar) <= tolerance), None)
        if partner is not None:
            left.remove(partner)
            count += 1
    return count


def add(counts: Counts, reference: set[int], found: set[int], tolerance: int) -> None:
    """Count one piece's boundaries."""
    right = matched(reference, found, tolerance)
    counts.right += right
    counts.wrong += len(found) - right
    counts.missed += len(reference) - right


def boundaries(aligned: corpora.Aligned) -> set[int]:
    """Return the bars in which the analyst's sections begin, without the first of the piece."""
    sections = aligned.analyses[0].sections
    return {begins_with(aligned.score, moment) for moment, _ in sections} - {0, len(aligned.score.measures)}


def measure(set_name: str, split: str, limit: int, own: bool, console: Console) -> Result:
    """Compare every piece of a set that has sections."""
    result = Result()
    chosen = [
        p
        for p in corpora.pieces(split, (set_name,))
        if p.analyses[0].read_text(encoding="utf-8", errors="replace").count("Form:") > 1
    ]
    for piece in track(chosen[: limit or None], description=set_name, console=console, transient=True):
        aligned = corpora.fitting(piece)
        reference = boundaries(aligned) if aligned else set()
        if aligned is None or not reference:
            result.left_out += 1
            continue
        score = aligned.score
        spans = read_trained(score).spans if own else aligned.analyses[0].spans
        found = {s.first for s in sections_of(score, spans)} - {0}
        result.pieces += 1
        add(result.exact, reference, found, 0)
        add(result.near, reference, found, 1)
        add(result.regular, reference, set(range(EVERY, len(score.measures), EVERY)), 1)
    return result


def main() -> None:
    """Print the figures of the sets asked for."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.form", description="How well the beginnings of sections are found."
    )
    parser.add_argument("--split", default="dev", choices=["dev", "train"])
    parser.add_argument("--sets", nargs="*", default=["lieder", "quartets", "variations"])
    parser.add_argument("--limit", type=int, default=0, help="pieces per set at most")
    parser.add_argument("--own", action="store_true", help="use our own reading instead of the analyst's")
    options = parser.parse_args()
    console = Console()
    table = Table("set", "pieces", "left out", "in reference", "tolerance", "P", "R", "F1")
    try:
        for name in options.sets:
            result = measure(name, options.split, options.limit, options.own, console)
            size = str(result.exact.right + result.exact.missed)
            head = (name, str(result.pieces), str(result.left_out), size)
            for label, counts in (
                ("the bar", result.exact),
                ("one bar", result.near),
                (f"every {EVERY} bars", result.regular),
            ):
                figures = (f"{counts.precision:.3f}", f"{counts.recall:.3f}", f"{counts.f1:.3f}")
                table.add_row(*head, label, *figures)
                head = ("", "", "", "")
            table.add_section()
    except corpora.NoDataError as error:
        raise SystemExit(str(error)) from None
    console.print(table)


if __name__ == "__main__":
    main()
