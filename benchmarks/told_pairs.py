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
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

from rich.console import Console

from benchmarks.data import data_folder
from understave.findings import read
from understave.harmony.reading import Reading
from understave.score.model import Score
from understave.score.reader import read_score
from understave.teaching.telling_order import Thread, Weighing, anchor, ranked
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
    event = thread.lead.event
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
        threads = list(ranked(score, reading)[:AMONG])
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
        score, reading = _read(pair.piece)
        title = Path(pair.piece).stem if "songs/" in pair.piece else Path(pair.piece).parent.name
        bars = f"{len(score.measures)} bars"
        lines.append(f"{pair.number}. {title} ({bars})\n   1: {one}\n   2: {two}\n")
        count += 1
    path.write_text("\n".join(lines), encoding="utf-8")
    return count
