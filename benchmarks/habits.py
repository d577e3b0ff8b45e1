"""What learning a teacher's habits is worth: ``python -m benchmarks.habits [--network FILE.onnx]``.

In: analysed pieces, in groups that one teacher may have gone through: a set, or with ``--by-name`` the pieces
of a set whose names begin with the same word (a composer, a textbook). Eight pieces of a group are corrected
as the analyst has them; habits are learnt from these (`understave.harmony.habit_learning`), and the other
pieces are read without corrections, before and after. Out: for each group and draw what was learnt and the
agreement on the other pieces, by duration, and the corrections that they would need in 100 chords.

The shipped network has seen the training split; ``--network`` reads with another one, such as one that was
trained with ``--leave-out`` and exported by `training.export`, and its pieces are then as new to it.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import onnxruntime
from rich.console import Console
from rich.table import Table

from benchmarks import corpora
from benchmarks.accuracy import Tally, compare
from benchmarks.corpora import Aligned
from understave.errors import UnderstaveError
from understave.harmony import trained
from understave.harmony.habit_learning import LEAST_PIECES, learned
from understave.harmony.key_length import Corrected
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.harmony.model.network import Network, shipped_numerals
from understave.harmony.reading import Span
from understave.harmony.trained import Judged, judge_score, read_judged

SHOWN = ("full", "chord", "fix/100")
"""Agreement in full and in the bare chord, and chords to correct in a hundred; see `accuracy`."""


def read_by(path: Path) -> None:
    """Let another network read in this process."""
    network = Network((onnxruntime.InferenceSession(path.read_bytes()),), shipped_numerals())
    setattr(trained, "load", lambda: network)  # noqa: B010


def groups_of(pieces: Sequence[corpora.Piece], by_name: bool) -> dict[str, list[corpora.Piece]]:
    """Return the pieces by set, or by set and first word of their name."""
    found: dict[str, list[corpora.Piece]] = {}
    for piece in pieces:
        name = f"{piece.set} {piece.name.split('-')[0]}" if by_name else piece.set
        found.setdefault(name, []).append(piece)
    return found


def agreement(pieces: Sequence[tuple[Aligned, Judged]], habits: Habits) -> Tally:
    """Compare the readings of pieces, for a teacher of these habits, with their analyses."""
    whole = Tally()
    for piece, judged in pieces:
        spans = read_judged(piece.score, replace(judged, trust=replace(judged.trust, habits=habits))).spans
        whole.add(compare(piece.analyses[0].spans, spans))
    return whole


def corrected(piece: Aligned, judged: Judged) -> Corrected:
    """Return a piece as its analyst would have left it."""
    spans: tuple[Span, ...] = tuple(piece.analyses[0].spans)
    return Corrected(piece.score, judged, spans)


def main(arguments: Sequence[str] | None = None) -> int:
    """Learn, read and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.habits", description=__doc__)
    parser.add_argument("--split", choices=["dev", "train"], default="train")
    parser.add_argument("--sets", nargs="*", default=[])
    parser.add_argument("--by-name", action="store_true", help="a teacher for each first word of the names")
    parser.add_argument("--network", type=Path, help="read with this network instead of the shipped one")
    parser.add_argument("--most", type=int, default=24, help="pieces of a group at most, eight to learn from")
    parser.add_argument("--longest", type=int, default=60, help="leave out pieces of more bars")
    parser.add_argument("--draws", type=int, default=1)
    options = parser.parse_args(arguments)
    console = Console(width=None if sys.stdout.isatty() else 150)
    if options.network:
        read_by(options.network)
    try:
        groups = groups_of(list(corpora.pieces(options.split, options.sets)), options.by_name)
    except corpora.NoDataError as error:
        console.print(str(error), markup=False)
        return 2
    table = Table(
        "group", "draw", "learnt", "read", *(f"{m} {w}" for m in SHOWN for w in ("before", "after"))
    )
    for name, pieces in groups.items():
        for draw in range(options.draws):
            chosen: list[tuple[Aligned, Judged]] = []
            for piece in random.Random(draw).sample(pieces, len(pieces)):
                if len(chosen) == options.most:
                    break
                try:
                    found = corpora.fitting(piece)
                    if found is not None and len(found.score.measures) <= options.longest:
                        chosen.append((found, judge_score(found.score)))
                except UnderstaveError as error:
                    console.print(f"{piece.set}/{piece.name}: {error}", markup=False)
            if len(chosen) < LEAST_PIECES + 4:
                continue
            learnt = learned([corrected(*one) for one in chosen[:LEAST_PIECES]])
            rest = chosen[LEAST_PIECES:]
            before, after = (agreement(rest, h).figures() for h in (NO_HABITS, learnt.habits))
            said = ", ".join(f"{n} {getattr(learnt.habits, n):+g}" for n, _ in learnt.gains) or "nothing"
            cells = [f"{f[m]:.1f}" for m in SHOWN for f in (before, after)]
            table.add_row(name, str(draw), said, str(len(rest)), *cells)
    console.print(table)
    return 0


if __name__ == "__main__":
    sys.exit(main())
