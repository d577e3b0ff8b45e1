"""How many of the sequences that analysts speak of are found: ``python -m benchmarks.sequences``.

In: the analysed scores of `benchmarks.corpora` whose analysis has notes (``Note:`` lines) that say
"sequence". A note names no bars, so it stands for the bars from the one it is written under to the third
after it, and one bar before. Analysts remark on few sequences, so there is no precision; the table gives
recall (a sequence of any kind, or a chain of six-three chords, lies there) and how many events there are in
a hundred bars. Some of the notes only compare phrases or deny a sequence: recall is a lower bound.
"""

from __future__ import annotations

import argparse
import re

from rich.console import Console
from rich.progress import track
from rich.table import Table

from benchmarks import corpora
from understave.findings.sequences import find_sequences
from understave.harmony.reading import Event
from understave.harmony.trained import read_trained
from understave.score.model import Score

_SAYS = re.compile(r"note:.*sequenc", re.IGNORECASE)
_BAR = re.compile(r"m(\d+)")


def remarks(text: str) -> tuple[tuple[int, str], ...]:
    """Return the remarks on sequences in an analysis, each with the bar that it is written under."""
    bar = 0
    found: list[tuple[int, str]] = []
    for line in text.splitlines():
        if (m := _BAR.match(line)) is not None:
            bar = int(m[1])
        elif _SAYS.match(line):
            found.append((bar, line))
    return tuple(found)


def _bars(event: Event, score: Score) -> tuple[int, int]:
    numbers = [re.sub(r"\D", "", score.measure_at(t).number) for t in (event.start, event.end)]
    return int(numbers[0] or 0), int(numbers[1] or 0)


def main() -> None:
    """Print the recall of a split."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.sequences", description="How many remarked sequences are found."
    )
    parser.add_argument("--split", default="dev", choices=["dev", "train"])
    parser.add_argument("--own", action="store_true", help="also with the spans of our own reading")
    parser.add_argument("--list", action="store_true", help="list what is missed (training pieces only)")
    options = parser.parse_args()
    console = Console()
    try:
        chosen = [
            (p, said)
            for p in corpora.pieces(options.split)
            if (said := remarks(p.analyses[0].read_text(encoding="utf-8", errors="replace")))
        ]
    except corpora.NoDataError as error:
        raise SystemExit(str(error)) from None
    counts: dict[str, list[int]] = {}
    for piece, said in track(chosen, description="pieces", console=console, transient=True):
        aligned = corpora.fitting(piece)
        if aligned is None:
            continue
        readings = [("analyst's chords", aligned.analyses[0].spans)]
        if options.own:
            readings.append(("own chords", read_trained(aligned.score).spans))
        for title, spans in readings:
            events = [
                e
                for e in find_sequences(aligned.score, spans)
                if e.kind == "sequence" or e.label == "parallel six-three chords"
            ]
            places = [_bars(e, aligned.score) for e in events]
            row = counts.setdefault(title, [0, 0, 0, 0])
            row[2] += len(events)
            row[3] += len(aligned.score.measures)
            for bar, line in said:
                hit = any(first <= bar + 3 and last >= bar - 1 for first, last in places)
                row[0] += 1
                row[1] += hit
                if not hit and options.list and options.split == "train" and title == readings[0][0]:
                    console.print(f"{piece.name} m{bar} {line}", markup=False, soft_wrap=True)
    table = Table("with", "remarks", "found", "recall", "events in 100 bars")
    for title, (remarked, found, told, bars) in counts.items():
        table.add_row(
            title,
            str(remarked),
            str(found),
            f"{found / max(1, remarked):.3f}",
            f"{100 * told / max(1, bars):.1f}",
        )
    console.print(table)


if __name__ == "__main__":
    main()
