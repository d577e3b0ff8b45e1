"""Memory that processes hold, and the bound on it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

MARGIN = 10_000_000
"""Bytes kept back for what cannot be foreseen, such as a stack that grows."""


def memory_held(pid: int | str = "self") -> int:
    """Return the bytes of memory a process holds now; of this process its most so far, where that is all
    the system tells; else 0.
    """
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return _most_so_far() if pid == "self" else 0


def held_with_children(pid: int) -> int:
    """Return the bytes that a process and its children hold; 0 where the system does not tell."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    except OSError:
        children = []
    return memory_held(pid) + sum(memory_held(child) for child in children)


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


def machine_memory() -> int:
    """Return the bytes of memory that this machine has; 0 where it does not tell."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, OSError, ValueError):
        return 0


def _most_so_far() -> int:
    try:
        import resource
    except ImportError:
        return 0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else 1024 * peak
