"""The real worker, but files with "crash" in their name kill it and those with "hang" never end."""

import os
import sys
import time
from pathlib import Path

from understave.repertoire import worker

real = worker.read_piece


def read_piece(path: Path, piece: str):
    if "crash-once" in path.name:
        marker = path.with_suffix(".tried")
        if not marker.exists():
            marker.touch()
            os.abort()
    elif "crash" in path.name:
        os.abort()
    if "hang" in path.name:
        time.sleep(600)
    if "chatty" in path.name:
        print("a library talks", flush=True)
        os.write(1, b"on the file itself\n")
    return real(path, piece)


worker.read_piece = read_piece
sys.exit(worker.serve())
