"""A process that reads scores: paths in on standard input, pieces out on standard output, one at a time.

Started by `readers` as ``python -m understave.repertoire.worker``. A request is one JSON line ``{"path",
"piece"}``; an answer is eight bytes of length and a pickled (Piece, seconds of CPU, bytes of memory held).
Whatever kills this process costs one piece and nobody else anything.
"""

from __future__ import annotations

import gc
import json
import os
import pickle
import resource
import sys
import time
from pathlib import Path

from understave.errors import UnderstaveError
from understave.repertoire.tables import Piece, failed


def read_piece(path: Path, piece: str) -> Piece:
    """Read a score file and describe it; what cannot be read becomes a piece with an `error`."""
    from understave.harmony import read
    from understave.repertoire.describe import describe
    from understave.score.reader import read_score

    try:
        score = read_score(path)
        return describe(piece, score, read(score))
    except UnderstaveError as error:
        return failed(piece, str(error))
    except (MemoryError, RecursionError) as error:
        return failed(piece, f"{path.name} needs more memory than there is ({type(error).__name__}).")
    except Exception as error:
        # A fault of ours in one score must not stop a night's work on the others; the sentence names it.
        return failed(piece, f"{path.name} could not be read: {type(error).__name__}: {error}.")


def memory_held() -> int:
    """Return the bytes of memory this process holds now; where the system does not tell, its peak."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return peak if sys.platform == "darwin" else 1024 * peak


def serve() -> None:
    """Answer requests until standard input ends."""
    requests, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    # Libraries may print; what they say must not get between the answers.
    os.dup2(2, 1)
    from understave.harmony.model.network import load

    load()
    # What is loaded now stays to the end: the collector need not look at it after every piece.
    gc.collect()
    gc.freeze()
    gc.disable()
    for line in requests:
        request = json.loads(line)
        begun = time.process_time()
        piece = read_piece(Path(request["path"]), request["piece"])
        gc.collect()
        answer = pickle.dumps((piece, time.process_time() - begun, memory_held()), pickle.HIGHEST_PROTOCOL)
        answers.write(len(answer).to_bytes(8, "big"))
        answers.write(answer)
        answers.flush()


if __name__ == "__main__":
    serve()
