"""Where the dampers half lie on the player's own piano, kept on this machine: it is the instrument's, not
the take's.

A take keeps the depth that it was added with (`takes.kept`), so that takes of another piano keep theirs.
"""

from __future__ import annotations

import json
from pathlib import Path

from understave.disk import write_atomically
from understave.errors import TakeError
from understave.faults import own_folder

USUAL = 0.5
"""Depth, 0..1, where nothing else is known (set by reasoning)."""


def own_file() -> Path:
    """Return where this user's depth is kept; the file need not exist."""
    return own_folder() / "pedal.json"


def own_half(file: Path) -> float:
    """Return the depth that is kept in a file; the usual one where none can be read."""
    try:
        return checked(json.loads(file.read_text(encoding="utf-8"))["half"])
    except (OSError, ValueError, KeyError, TypeError, TakeError):
        return USUAL


def keep_own_half(file: Path, half: float) -> None:
    """Keep a depth for the takes to come; raises TakeError where it is none."""
    write_atomically(file, json.dumps({"half": checked(half)}) + "\n")


def checked(half: float) -> float:
    """Return a depth between 0 and 1; raises TakeError where it is none."""
    if not 0 < half < 1:
        raise TakeError(
            f"{half:g} ({100 * half:g} %) is no depth of the pedal between 0 and 1 (100 %) "
            "at which dampers half lie; 0.5 (50 %) is usual."
        )
    return float(half)
