"""The real worker, but files with "crash" in their name kill it, those with "hang" never end.

And "greedy" ones take memory bit by bit, "leap" ones all at once.
"""

import os
import sys
import time
from pathlib import Path

from understave.jobs import serving
from understave.repertoire import worker
from understave.score import reader

real = worker.read_piece
real_read_score = reader.read_score


def read_piece(path: Path, piece: str, most: int):
    if "crash-once" in path.name:
        marker = path.with_suffix(".tried")
        if not marker.exists():
            marker.touch()
            os.abort()
    elif "crash" in path.name:
        os.abort()
    if "hang" in path.name:
        time.sleep(600)
    if "greedy" in path.name:
        held = []
        while True:
            held.append(bytearray(b"x") * 2_000_000)
            time.sleep(0.005)
    if "chatty" in path.name:
        print("a library talks", flush=True)
        os.write(1, b"on the file itself\n")
    return real(path, piece, most)


def read_score(path: Path):
    if "leap" in path.name:
        bytearray(b"x") * 2_000_000_000
    return real_read_score(path)


worker.read_piece = read_piece
reader.read_score = read_score
sys.exit(serving.serve())
