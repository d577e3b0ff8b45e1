"""What is told first: ``python -m benchmarks.toptold [--split S] [--sets S ...] [--pieces N] [--quiet]``.

In: songs and other pieces of ``harmony`` on which an analyst left remarks ("striking bVII", "cto7",
"sequence": the ``Note:`` lines of the analyses, When in Rome, CC BY-SA 4.0; lines about files and editions
left out), with our own reading. A remark is of the bar that it names, else of the bar that it follows; in the
analyses of the chorales, and others by their analyst, of the next one, which is what nearly all remarks there
name that name one. With ``--striking`` only remarks with a word of judgement count. Out: of each piece the
ten findings ranked first, with their surprise and exposure, to be read; and how many of the remarks the first
five and ten hold, a remark being held where one of them has a place within a bar of it, or in its very bar;
beside it how many as many bars drawn at random would hold, and the order by importance alone. The weights
themselves are fitted on pairs (`benchmarks.told_pairs`), not on these remarks.

With a bar on either side ten findings cover more than half of a song, so that this count tells little. And
most remarks (read on the training songs) say which label was chosen (a common-tone chord, the figures of a
suspension) or that a bar is like another, hardly any what moves a listener: the judged pairs tell more.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

from rich.console import Console

from benchmarks import corpora
from benchmarks.told_pairs import BY_EAR
from understave.errors import UnderstaveError
from understave.findings import read
from understave.findings.sung_sections import is_song
from understave.harmony.reading import Reading
from understave.score.model import Score
from understave.score.reader import read_score
from understave.teaching.telling_order import Thread, Weighing, anchor, foremost, ranked, spread
from understave.wording import plain
from understave.wording.sentences import say

TOP = 10
FEW = 5
SETS = ("lieder", "preludes", "grounds")
_NO_REMARK = re.compile(
    r"pull request|open ?score|\w+score\b|cc0|encoding|repeat|\bsic\b|edition|\bNB$|m\d+ ?=|interpret|analys"
    r"|music21|time bars|stray|todo|^skip|as for verse|same as verse|this captures|reflects the",
    re.I,
)
"""Remarks on files, editions and doubts of the analyst's own."""
_NEAR = (1, 0)
"""Bars between a remark and the place that holds it, at most: two ways of counting."""


@dataclass(frozen=True)
class Remarked:
    """A piece as we read it, and the remarks on it by printed bar."""

    name: str
    score: Score
    reading: Reading
    remarks: tuple[tuple[int, str], ...]


_NAMED = re.compile(r"\bmm?\.? ?(\d+)")
_AHEAD = re.compile(r"^(?:BWV:|Analyst: Dmitri Tymoczko)", re.M)
"""Heads of analyses whose remarks stand before the bar they are about."""
_FAR = 4
"""Bars from a remark within which a bar that it names is its own, not one that it compares."""
_STRIKING = re.compile(
    r"striking|unusual|interest|cool|remark|beaut|wonder|amazing|great|surpris|\bnice|strange|\bodd\b|weird"
    r"|funny|\brare|notorious|bold|fascinat|clever|brilliant|extraordin|elusive|wild|unexpect|enigma|!",
    re.I,
)


def remarks_in(text: str) -> tuple[tuple[int, str], ...]:
    """Return what an analyst remarked in an analysis, each with its bar."""
    bar = 0
    ahead = int(_AHEAD.search(text) is not None)
    found = []
    for line in text.splitlines():
        number = re.match(r"m(\d+)", line)
        if number:
            bar = int(number[1])
        elif line.startswith("Note:") and bar and not _NO_REMARK.search(line):
            named = _NAMED.search(line)
            own = int(named[1]) if named else 0
            at = own if bar <= own <= bar + _FAR else bar + ahead
            found.append((at, line.removeprefix("Note:").strip()))
    return tuple(found)


def remarked(split: str, sets: Sequence[str], most: int, striking: bool) -> Iterator[Remarked]:
    """Yield pieces with remarks, evenly spread, at most so many."""
    found = []
    for piece in corpora.pieces(split, sets):
        remarks = remarks_in(piece.analyses[0].read_text("utf-8"))
        if striking:
            remarks = tuple(r for r in remarks if _STRIKING.search(r[1]))
        if remarks:
            found.append((piece, remarks))
    step = max(1, len(found) // most)
    for piece, remarks in found[::step][:most]:
        try:
            score = read_score(piece.score)
            yield Remarked(piece.name, score, read(score), remarks)
        except UnderstaveError as error:
            print(f"{piece.name}: {error}", file=sys.stderr)


def told_first(score: Score, reading: Reading, weighing: Weighing) -> tuple[Thread, ...]:
    """Return the first findings as a story takes them: usual closes after what only this piece has."""
    return spread(score, foremost(ranked(score, reading, "en", weighing), is_song(score)), TOP)


def bars_of(score: Score, threads: Sequence[Thread], near: int) -> set[str]:
    """Return the printed numbers of the bars that lie so near to a place where threads are told."""
    at = {score.measure_at(anchor(t.lead.event)).index for t in threads}
    last = len(score.measures) - 1
    return {score.measures[k].number for i in at for k in range(max(0, i - near), min(last, i + near) + 1)}


def held(piece: Remarked, top: Sequence[Thread], near: int) -> tuple[int, float]:
    """Return how many remarks the first findings hold, and how many as many random bars would."""
    bars = bars_of(piece.score, top, near)
    hits = sum(str(bar) in bars for bar, _ in piece.remarks)
    return hits, len(piece.remarks) * len(bars) / max(1, len({m.number for m in piece.score.measures}))


def total(pieces: Sequence[Remarked], tops: Sequence[Sequence[Thread]], near: int) -> tuple[int, float, int]:
    """Return remarks held, expected by chance, and all remarks; `tops` are first findings by piece."""
    pairs = [held(p, top, near) for p, top in zip(pieces, tops, strict=True)]
    return sum(h for h, _ in pairs), sum(c for _, c in pairs), sum(len(p.remarks) for p in pieces)


def show(piece: Remarked, console: Console) -> None:
    """Print the ten findings told first, and the remarks."""
    score = piece.score
    console.print(f"\n{piece.name} ({len(score.measures)} bars)", style="bold")
    for k, t in enumerate(told_first(score, piece.reading, Weighing()), start=1):
        bar = score.measure_at(anchor(t.lead.event)).number
        text = plain(say(t.lead.event, score))
        sides = f"{t.lead.surprise:4.1f} bits  exposed {t.lead.exposure:4.2f}"
        console.print(f"{k:3} {t.worth:5.2f}  {sides}  bar {bar:>3}  {text}")
    for number, remark in piece.remarks:
        console.print(f"      remarked in bar {number}: {remark}", style="dim")


def main() -> int:
    """Print the lists and the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--split", choices=("train", "dev"), default="train")
    parser.add_argument("--sets", nargs="+", default=SETS, metavar="SET")
    parser.add_argument("--pieces", type=int, default=20)
    parser.add_argument("--striking", action="store_true", help="only remarks with a word of judgement")
    parser.add_argument("--quiet", action="store_true", help="figures only")
    options = parser.parse_args()
    console = Console(highlight=False, markup=False, soft_wrap=True)
    try:
        pieces = list(remarked(options.split, options.sets, options.pieces, options.striking))
    except corpora.NoDataError as error:
        print(error, file=sys.stderr)
        return 1
    if not options.quiet:
        for piece in pieces:
            show(piece, console)
    rows = {
        "ranked as shipped": Weighing(),
        "ranked by ear, before the fit": BY_EAR,
        "importance alone": replace(BY_EAR, surprise=0, exposure=0, kinship=0),
    }
    for name, weighing in rows.items():
        tops = [told_first(p.score, p.reading, weighing) for p in pieces]
        for near, most in product(_NEAR, (TOP, FEW)):
            hits, chance, count = total(pieces, [top[:most] for top in tops], near)
            where = "within a bar" if near else "in the very bar"
            sought = f"the first {most} of {len(pieces)} pieces hold {hits} of {count} remarks {where}"
            console.print(f"{name}: {sought} ({chance:.1f} by chance)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
