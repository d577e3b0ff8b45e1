"""Which of two findings a teacher would tell first: ``python -m benchmarks.told_pairs [--draw FILE]``.

In: ten pieces of the open data (songs, preludes and a ground) with our own reading. With ``--draw`` sixty
pairs of findings are written to a file, six of a piece, in an order and on sides drawn at random, without
what they are worth to us: to be judged blind. Without it: how often two judges agree, and how often the
ranking sets first what each of them, and both, would tell first (`judged_pairs.csv`, kept beside this file).
A finding is known again by its moment, kind and label; a pair whose finding is told no longer is left out and
counted.
"""

from __future__ import annotations

import argparse
import csv
import random
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from math import exp, fsum, log, log1p
from pathlib import Path

from rich.console import Console

from benchmarks.data import data_folder
from understave.findings import read
from understave.harmony.reading import Event, Reading
from understave.score.model import Score
from understave.score.reader import read_score
from understave.teaching.telling_order import (
    Gathered,
    Leaning,
    Thread,
    Weighing,
    anchor,
    candidates,
    gathered,
    ranked,
    shared,
    worth_of,
)
from understave.wording import plain
from understave.wording.sentences import say

JUDGED = Path(__file__).parent / "judged_pairs.csv"
PIECES = (
    "songs/brahms-johannes-4-songs-op-43-2-die-mainacht.mxl",
    "songs/debussy-claude-ariettes-oubliees-1-cest-lextase-langoureuse.mxl",
    "songs/faure-gabriel-3-songs-op-7-1-apres-un-reve.mxl",
    "songs/hensel-fanny-gartenlieder-op-3-2-schone-fremde.mxl",
    "songs/schubert-franz-die-schone-mullerin-d-795-12-pause.mxl",
    "songs/schumann-robert-dichterliebe-op-48-7-ich-grolle-nicht.mxl",
    "songs/wolf-hugo-eichendorff-lieder-4-das-standchen.mxl",
    "harmony/train/preludes/the-well-tempered-clavier-i-04/score.mxl",
    "harmony/train/preludes/the-well-tempered-clavier-i-12/score.mxl",
    "harmony/train/grounds/purcell-henry-sonata-z807/score.mxl",
)
SEED = 16
EACH = 6
"""Pairs of a piece."""
AMONG = 30
"""Findings of a piece from which pairs are drawn: its first by the ranking of the day they were drawn."""
BY_EAR = Weighing(1.0, 1.0, 0.5, 0.12, Leaning(*[1.0] * len(fields(Leaning))))
"""The numbers as they were set by ear, before any fit."""
_HEAD = """\
Which of the two would a good teacher tell a student about first, the score in front of them both?

Each pair is two findings of one piece of music. Choose the one that is the better thing to point out: what
a listener would notice or be moved by, what makes this piece itself, what changes how one plays or hears it.
Not: which is the more learned term. Judge as if both sentences were true. Choose always one, 1 or 2.
Answer in a file with the header line `number,choice` and a line for each pair, such as `17,2`.
"""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two findings of a piece, each known by its moment, kind and label, and what two judges chose."""

    number: int
    piece: str
    first: str
    second: str
    chosen: tuple[str, ...] = ()


def name_of(thread: Thread) -> str:
    """Return how the leading finding of a thread is known again."""
    return known_as(thread.lead.event)


def known_as(event: Event) -> str:
    """Return how a finding is known again: by its moment, kind and label."""
    return f"{event.start}|{event.kind}|{event.label}"


@cache
def _read(piece: str) -> tuple[Score, Reading]:
    score = read_score(data_folder() / piece)
    return score, read(score)


def drawn(pieces: Sequence[str] = PIECES, seed: int = SEED) -> Iterator[tuple[Pair, str, str]]:
    """Yield the pairs in the order to be judged, with the text of either side."""
    chance = random.Random(seed)
    found = []
    for piece in pieces:
        score, reading = _read(piece)
        threads = list(ranked(score, reading, "en", BY_EAR)[:AMONG])
        threads.sort(key=name_of)
        chance.shuffle(threads)
        for one, two in zip(threads[: 2 * EACH : 2], threads[1 : 2 * EACH : 2], strict=False):
            found.append((piece, one, two))
    chance.shuffle(found)
    for number, (piece, one, two) in enumerate(found, start=1):
        score, reading = _read(piece)
        yield Pair(number, piece, name_of(one), name_of(two)), _told(score, one), _told(score, two)


def _told(score: Score, thread: Thread) -> str:
    """What a finding says, with its bar and its other places."""
    bar = score.measure_at(anchor(thread.lead.event)).number
    bars = sorted({score.measure_at(anchor(t.event)).index for t in thread.places})
    others = [n for n in (score.measures[k].number for k in bars) if n != bar]
    also = f" (alike, bars {', '.join(others[:6])}{' …' if len(others) > 6 else ''})" if others else ""
    return f"bar {bar}: {plain(say(thread.lead.event, score))}{also}"


def write(path: Path) -> int:
    """Write the pairs to a file to be judged; return how many."""
    lines = [_HEAD]
    count = 0
    for pair, one, two in drawn():
        score, _ = _read(pair.piece)
        title = Path(pair.piece).stem if "songs/" in pair.piece else Path(pair.piece).parent.name
        bars = f"{len(score.measures)} bars"
        lines.append(f"{pair.number}. {title} ({bars})\n   1: {one}\n   2: {two}\n")
        count += 1
    path.write_text("\n".join(lines), encoding="utf-8")
    return count


# --- how the ranking agrees ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Weighable:
    """The pairs of a piece, and the ideas their findings belong to, with names: what no weighing changes."""

    ideas: tuple[tuple[Gathered, tuple[str, ...]], ...]
    pairs: tuple[Pair, ...]


def judged(path: Path = JUDGED) -> tuple[Pair, ...]:
    """Return the pairs with what the judges chose: ``"1"`` or ``"2"`` each."""
    with path.open(encoding="utf-8", newline="") as file:
        return tuple(
            Pair(
                int(row["number"]),
                row["piece"],
                row["first"],
                row["second"],
                tuple(choice for choice in (row["one"], row["two"]) if choice),
            )
            for row in csv.DictReader(file)
        )


def weighable(pairs: Iterable[Pair]) -> tuple[Weighable, ...]:
    """Return the pieces of pairs, ready to be weighed."""
    by_piece: dict[str, list[Pair]] = defaultdict(list)
    for pair in pairs:
        by_piece[pair.piece].append(pair)
    found = []
    for piece, members in sorted(by_piece.items()):
        named = {name for pair in members for name in (pair.first, pair.second)}
        ideas = gathered(*_read(piece), candidates(*_read(piece)))
        known = [(idea, named & {known_as(one.event) for one, _ in idea.places}) for idea in ideas]
        asked = tuple((idea, tuple(sorted(names))) for idea, names in known if names)
        found.append(Weighable(asked, tuple(members)))
    return tuple(found)


def leads(piece: Weighable, weighing: Weighing) -> dict[int, float]:
    """Return by how much, in logarithms, the first of each pair is worth more than the second; pairs of
    which a finding is told no longer are left out.
    """
    worth: dict[str, float] = {}
    for idea, names in piece.ideas:
        best = max(worth_of(one, weighing) * more for one, more in idea.places) * shared(idea, weighing)
        for name in names:
            worth[name] = max(worth.get(name, 0.0), best)
    return {
        pair.number: log(worth[pair.first] / worth[pair.second])
        for pair in piece.pairs
        if pair.first in worth and pair.second in worth
    }


def loss(pieces: Sequence[Weighable], weighing: Weighing) -> float:
    """Return the logistic loss of a ranking over all that the judges chose, and how far it leans."""
    total = []
    for piece in pieces:
        ahead = leads(piece, weighing)
        for pair in piece.pairs:
            if pair.number in ahead:
                total += [log1p(exp(-ahead[pair.number] * (1 if c == "1" else -1))) for c in pair.chosen]
    powers = sum((getattr(weighing, n) - getattr(BY_EAR, n)) ** 2 for n in _POWERS)
    lean = sum(log(getattr(weighing.leaning, f.name)) ** 2 for f in fields(Leaning))
    return float(fsum(total) / max(1, len(total)) + _HOLD * (2 * powers + lean))


_POWERS = ("importance", "surprise", "exposure")
_HOLD = 0.05
"""How strongly the numbers are held to those set by ear: few pairs say little. Chosen before the fit."""
_STEPS = (0.4, 0.2, 0.1, 0.05)
"""How far a number is moved at a time, the coarsest first; of a leaning its logarithm."""


def fitted(pieces: Sequence[Weighable]) -> Weighing:
    """Return the weighing of least loss, found by moving one number at a time from those set by ear."""
    best = BY_EAR
    least = loss(pieces, best)
    for step in _STEPS:
        moved = True
        while moved:
            moved = False
            for other in _moves(best, step):
                here = loss(pieces, other)
                if here < least - 1e-6:
                    best, least, moved = other, here, True
    return best


def _moves(weighing: Weighing, step: float) -> Iterator[Weighing]:
    for name in _POWERS:
        for by in (step, -step):
            yield replace(weighing, **{name: max(0.0, getattr(weighing, name) + by)})
    for one in fields(Leaning):
        for by in (step, -step):
            leaning = replace(weighing.leaning, **{one.name: getattr(weighing.leaning, one.name) * exp(by)})
            yield replace(weighing, leaning=leaning)


def agreed(pieces: Sequence[Weighable], weighing: Weighing) -> list[tuple[bool, ...]]:
    """Return for every pair whether the ranking agrees with each judge."""
    return [
        tuple((ahead[pair.number] > 0) == (choice == "1") for choice in pair.chosen)
        for piece in pieces
        for ahead in (leads(piece, weighing),)
        for pair in piece.pairs
        if pair.number in ahead
    ]


def _tell(name: str, found: Sequence[tuple[bool, ...]], console: Console) -> None:
    each = [sum(one) for one in zip(*found, strict=True)]
    # Where both judges chose alike, the ranking agrees with both or with none.
    same = [one for one in found if len(one) > 1 and len(set(one)) == 1]
    both = f"; of the {len(same)} that both chose alike, in {sum(all(one) for one in same)}" if same else ""
    counts = " and ".join(str(count) for count in each)
    console.print(f"{name}: agrees with the judge in {counts} of {len(found)} pairs{both}")


def main() -> int:
    """Draw the pairs, or print the agreement."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--draw", type=Path, metavar="FILE", help="write the pairs to a file to be judged")
    parser.add_argument("--fit", action="store_true", help="fit the weighing, with each piece left out")
    options = parser.parse_args()
    console = Console(highlight=False, markup=False, soft_wrap=True)
    if not data_folder().is_dir():
        print(f"the open data are not at {data_folder()}", file=sys.stderr)
        return 1
    if options.draw:
        console.print(f"{write(options.draw)} pairs in {options.draw}")
        return 0
    pairs = judged()
    twice = [pair for pair in pairs if len(pair.chosen) > 1]
    alike = sum(len(set(pair.chosen)) == 1 for pair in twice)
    console.print(f"{len(pairs)} pairs judged, {len(twice)} by two, who agree in {alike}")
    pieces = weighable(pairs)
    _tell("ranked as shipped", agreed(pieces, Weighing()), console)
    _tell("ranked by ear, before the fit", agreed(pieces, BY_EAR), console)
    _tell("importance alone", agreed(pieces, replace(BY_EAR, surprise=0, exposure=0, kinship=0)), console)
    if options.fit:
        left_out = [
            pair
            for k, piece in enumerate(pieces)
            for pair in agreed([piece], fitted([*pieces[:k], *pieces[k + 1 :]]))
        ]
        _tell("fitted on the other nine pieces", left_out, console)
        console.print(f"fitted on all: {fitted(pieces)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
