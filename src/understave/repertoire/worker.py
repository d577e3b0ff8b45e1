"""What a process that reads scores does, job for job (see `reader_processes`).

Whatever kills this process costs one piece and nobody else anything.
"""

from __future__ import annotations

import gc
from pathlib import Path

from understave.errors import UnderstaveError
from understave.faults import keep_fault
from understave.guests import GuestWarning, left_out
from understave.repertoire.tables import Piece, failed

MOST_MEMORY = 500_000_000
"""Bytes that a reader holds at most, whatever it reads, unless it is told otherwise."""


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


def ready() -> None:
    """Load what every score needs, before the memory that is left is bounded."""
    from understave.harmony.model.network import load

    load()
    # What is loaded now stays to the end: the collector need not look at it after every piece.
    gc.collect()
    gc.freeze()
    gc.disable()


def read_and_tidy(path: Path, piece: str, most: int) -> Piece:
    """Read a score as `read_piece` does, and give back the memory that it took."""
    try:
        return read_piece(path, piece, most)
    finally:
        gc.collect()
