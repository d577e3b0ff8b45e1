"""Works without analyses to arrays: ``python -m training.unlabelled --out FOLDER``.

In: the songs and string quartets of the open data. Out: ``songs.npz``, in which `sets` says which is
which, and a folder ``scores`` with each score as it was read, by name. Songs that belong to the measuring
split are left out, so that not even their notes are seen.
"""

from __future__ import annotations

import argparse
import pickle
import re
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from benchmarks.data import data_folder

from training.arrays import arrays_of
from training.data import measured_songs
from understave.errors import UnderstaveError
from understave.harmony.model.encoding import Encoding, encode
from understave.score.reader import read_score


def plain_name(name: str) -> str:
    """Return a file name without the noughts before its numbers, which differ between editions."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", name)


def works() -> list[tuple[str, Path]]:
    """Return kind and file of every work that may be learnt from without an analysis."""
    songs = sorted((data_folder() / "songs").glob("*.mxl"))
    quartets = sorted((data_folder() / "quartets-unlabelled").glob("*.mxl"))
    kept = [("songs", s) for s in songs if plain_name(s.stem) not in measured_songs()]
    # The longest first, so that no process is left with a whole quartet at the end.
    return [*(("quartets", q) for q in quartets), *kept]


def encoded(path: Path, keep: Path | None) -> Encoding | None:
    """Encode a work, its score kept in the file `keep`; None if it cannot be read or is empty."""
    try:
        score = read_score(path)
        result = encode(score)
    except (UnderstaveError, ValueError):
        return None
    if keep is not None:
        keep.write_bytes(pickle.dumps(score))
    return result


def main() -> None:
    """Encode them all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--every", type=int, default=1, help="take every n-th work only")
    options = parser.parse_args()
    scores = options.out / "scores"
    scores.mkdir(parents=True, exist_ok=True)
    todo = works()[:: options.every]
    encodings, kinds = [], []
    with ProcessPoolExecutor(options.jobs) as pool:
        found = pool.map(
            encoded, [p for _, p in todo], [scores / f"{p.stem}.pickle" for _, p in todo], chunksize=1
        )
        names = []
        for (kind, path), encoding in zip(todo, found, strict=True):
            if encoding is not None:
                encodings.append(encoding)
                kinds.append(kind)
                names.append(path.stem)
    data = {**arrays_of(encodings), "sets": np.array(kinds), "names": np.array(names)}
    np.savez(options.out / "songs.npz", **data)
    print(f"{len(encodings)} of {len(todo)} works, {data['offsets'][-1]} frames")


if __name__ == "__main__":
    main()
