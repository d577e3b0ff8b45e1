"""A process that reads scores: paths in on standard input, pieces out on standard output, one at a time.

`reader_processes` runs it as ``python -m understave.repertoire.worker BYTES``, the most memory it may hold. A
request is one JSON line ``{"path", "piece"}``; an answer is eight bytes of length and a pickled (Piece,
seconds of CPU, bytes of memory held). Whatever kills this process costs one piece and nobody else anything.
"""

from __future__ import annotations

import gc
import json
import os
import pickle
import sys
import time
from pathlib import Path

from understave.errors import UnderstaveError
from understave.faults import keep_fault
from understave.guests import GuestWarning, left_out
from understave.repertoire.tables import Piece, failed

MOST_MEMORY = 500_000_000
"""Bytes that a reader holds at most, whatever it reads, unless it is told otherwise."""
MARGIN = 10_000_000
"""Bytes kept back for what cannot be foreseen, such as a stack that grows."""


def read_piece(path: Path, piece: str, most: int = MOST_MEMORY) -> Piece:
    """Read a score file and describe it; what cannot be read becomes a piece with an `error`."""
    from understave.findings import read
    from understave.repertoire.describe import describe
    from understave.score.reader import read_score

    try:
        score = read_score(path)
        described = describe(piece, score, read(score))
        for sentence in left_out():
            # Nobody sees what this process says; the log keeps which plug-in failed at which piece.
            keep_fault(GuestWarning(sentence), f"reading {path.name} into an index")
        return described
    except UnderstaveError as error:
        return failed(piece, str(error))
    except MemoryError:
        return failed(piece, too_large(path, most))
    except RecursionError:
        return failed(piece, f"{path.name} is nested too deeply to be read; export it again.")
    except Exception as error:
        # A fault of ours in one score must not stop a night's work on the others; the sentence names it.
        keep_fault(error, f"reading {path.name} into an index")
        return failed(piece, f"{path.name} could not be read: {type(error).__name__}: {error}.")


def too_large(path: Path, most: int) -> str:
    """Return the sentence about a score for which `most` bytes do not suffice."""
    return (
        f"{path.name} needs more than {most // 1_000_000} MB to be read; index with --again --memory "
        f"{2 * most // 1_000_000}, or save its movements as files of their own."
    )


def memory_held(pid: int | str = "self") -> int:
    """Return the bytes of memory a process holds now; of this process its most so far, where that is all
    the system tells; else 0.
    """
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return _most_so_far() if pid == "self" else 0


def _most_so_far() -> int:
    try:
        import resource
    except ImportError:
        return 0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else 1024 * peak


def bound_memory(most: int) -> None:
    """Let whatever asks for more than `most` bytes be refused, where the system can do so (Linux)."""
    try:
        import resource

        words = Path("/proc/self/status").read_text(encoding="ascii").split()
        # What is mapped from files counts too, what is set aside and never touched does not.
        own = {
            name: 1024 * int(words[words.index(name + ":") + 1]) for name in ("RssFile", "RssAnon", "VmData")
        }
        data = most - MARGIN - own["RssFile"] + own["VmData"] - own["RssAnon"]
        resource.setrlimit(resource.RLIMIT_DATA, (data, resource.getrlimit(resource.RLIMIT_DATA)[1]))
    except (ImportError, OSError, ValueError):
        return


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
    most = int(sys.argv[1]) if len(sys.argv) > 1 else MOST_MEMORY
    bound_memory(most)
    for line in requests:
        request = json.loads(line)
        begun = time.process_time()
        piece = read_piece(Path(request["path"]), request["piece"], most)
        gc.collect()
        answer = pickle.dumps((piece, time.process_time() - begun, memory_held()), pickle.HIGHEST_PROTOCOL)
        answers.write(len(answer).to_bytes(8, "big"))
        answers.write(answer)
        answers.flush()


if __name__ == "__main__":
    serve()
