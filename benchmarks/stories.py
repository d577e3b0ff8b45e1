"""The stories of six pieces of the open data, to be read: ``python -m benchmarks.stories [--language en]``.

In: a prelude, three songs, a quartet movement in variations and a sonata with a ground, with our own reading.
Out: of each the story in a minute and in five, as a lesson begins with it; a piece that is not there is
named and left out.
"""

from __future__ import annotations

import argparse
import sys

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


def main() -> int:
    """Print the stories."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--language", choices=SPOKEN, default="en")
    language = parser.parse_args().language
    missing = 0
    for piece in PIECES:
        try:
            score = read_score(data_folder() / piece)
        except UnderstaveError as error:
            print(error, file=sys.stderr)
            missing += 1
            continue
        reading = read(score)
        for length in LENGTHS[:2]:
            print(f"\n{piece} ({length})")
            for chapter in narrate(score, reading, length, language=language):
                print(f"  {chapter.bars}: {chapter.text}" if chapter.bars else f"  {chapter.text}")
    return 1 if missing == len(PIECES) else 0


if __name__ == "__main__":
    sys.exit(main())
