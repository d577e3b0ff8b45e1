"""How common each finding is: songs -> how many pieces have it and how often it comes.

In: songs with piano of the open data (OpenScore Lieder Corpus, CC0), evenly spread over the folder, read by
the tool itself. Out: one JSON file, ``understave/teaching/commonness.json``, printed or written:

    python -m training.commonness --songs 120 --out src/understave/teaching/commonness.json

``found`` has for each ``kind.label`` (keys by their relation to home) in how many pieces it is found and how
many times; ``bars`` are those of all pieces together. Events that the reading itself
doubts count for nothing.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from benchmarks.data import data_folder
from rich.progress import track

from understave.errors import UnderstaveError
from understave.findings import read
from understave.score.reader import read_score
from understave.teaching.surprise import rarity_name
from understave.wording.telling import SURE

CREDIT = "Counted over songs with piano of the OpenScore Lieder Corpus (CC0), as Understave reads them."
MOST_BARS = 120
"""Bars of a song at most, so that a few long ones neither fill the hour nor the table."""


def count(files: Sequence[Path]) -> dict[str, object]:
    """Return the table for some scores; those that cannot be read are left out."""
    pieces: Counter[str] = Counter()
    events: Counter[str] = Counter()
    bars = read_ones = 0
    for file in track(files, "songs"):
        try:
            score = read_score(file)
            if len(score.measures) > MOST_BARS:
                continue
            reading = read(score)
        except UnderstaveError as error:
            print(f"{file.name}: {error}", file=sys.stderr)
            continue
        here = Counter(rarity_name(e) for e in reading.events if e.confidence >= SURE)
        pieces.update(here.keys())
        events.update(here)
        bars += len(score.measures)
        read_ones += 1
    found = {name: [pieces[name], events[name]] for name in sorted(events)}
    return {"credit": CREDIT, "pieces": read_ones, "bars": bars, "found": found}


def main() -> int:
    """Count and print or write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--songs", type=int, default=120, help="how many songs")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    files = sorted((data_folder() / "songs").glob("*.mxl"))
    if not files:
        print("There are no songs in the open data; set UNDERSTAVE_DATA to where it lies.", file=sys.stderr)
        return 1
    step = max(1, len(files) // max(1, options.songs))
    text = json.dumps(count(files[::step][: options.songs]), indent=1, ensure_ascii=False) + "\n"
    if options.out:
        options.out.write_text(text, encoding="utf-8")
    else:
        print(text, end="")
    return 0


if __name__ == "__main__":
    sys.exit(main())
