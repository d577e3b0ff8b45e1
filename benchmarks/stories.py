"""The stories of six pieces of the open data: ``python -m benchmarks.stories [--language en] [--out FILE]``.

In: a prelude, three songs, a quartet movement in variations and a sonata with a ground, with our own reading.
Out: of each the story in a minute and in five, as a lesson begins with it; a piece that is not there is
named and left out. With ``--out`` they are written as Markdown: ``docs/stories-of-six-pieces.md`` is made so,
and the handbook shows it below the stories of our own pieces.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from benchmarks.data import data_folder
from understave.errors import UnderstaveError
from understave.findings import read
from understave.score.reader import read_score
from understave.teaching.narrative import LENGTHS, narrate
from understave.wording import SPOKEN

PIECES = (
    "harmony/train/preludes/the-well-tempered-clavier-i-12/score.mxl",
    "songs/faure-gabriel-3-songs-op-7-1-apres-un-reve.mxl",
    "songs/schubert-franz-die-schone-mullerin-d-795-12-pause.mxl",
    "songs/schumann-robert-dichterliebe-op-48-7-ich-grolle-nicht.mxl",
    "harmony/dev/quartets/haydn-franz-joseph-op20-no4-2/score.krn",
    "harmony/train/grounds/purcell-henry-sonata-z807/score.mxl",
)

_ABOUT = (
    "The stories of six pieces by others, told from our own reading, as they came "
    "(`python -m benchmarks.stories --out docs/stories-of-six-pieces.md`)."
)


def main() -> int:
    """Print the stories."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--language", choices=SPOKEN, default="en")
    parser.add_argument("--out", type=Path, help="write a page of Markdown instead")
    options = parser.parse_args()
    language = options.language
    page = [_ABOUT]
    missing = 0
    for piece in PIECES:
        try:
            score = read_score(data_folder() / piece)
        except UnderstaveError as error:
            print(error, file=sys.stderr)
            missing += 1
            continue
        reading = read(score)
        page.append(f"## {score.composer}: {score.title}" if score.composer else f"## {score.title}")
        for length, heading in zip(LENGTHS, ("In a minute", "In five minutes"), strict=False):
            chapters = narrate(score, reading, length, language=language)
            page.append(f"### {heading}")
            page += [f"*{c.bars}:* {c.text}" if c.bars else c.text for c in chapters]
            if options.out is None:
                print(f"\n{piece} ({length})")
                for chapter in chapters:
                    print(f"  {chapter.bars}: {chapter.text}" if chapter.bars else f"  {chapter.text}")
    if options.out is not None and not missing:
        options.out.write_text("\n\n".join(page) + "\n", encoding="utf-8")
    return 1 if missing == len(PIECES) or (missing and options.out is not None) else 0


if __name__ == "__main__":
    sys.exit(main())
