"""Jobs for other processes to do; a module of its own, so that they can import it."""

from __future__ import annotations

import os
import sys
import time

from understave.errors import ScoreError
from understave.jobs.pool import Pool
from understave.jobs.serving import tell


def told(count):
    for number in range(count):
        tell(number)
    return count


def talks():
    print("a library talks", flush=True)
    os.write(1, b"on the file itself\n")
    return "quiet"


def is_malformed():
    raise ScoreError("The file is no score.")


def fails():
    raise KeyError("deep inside")


def takes(size):
    return len(bytearray(b"x") * size)


def grows():
    held = []
    while True:
        held.append(bytearray(b"x") * 4_000_000)
        time.sleep(0.01)


def unsendable():
    return lambda: None


def noted(path, word, seconds=0.0):
    time.sleep(seconds)
    with open(path, "a") as file:
        file.write(word + "\n")


def surroundings():
    return {
        "flags": (sys.flags.safe_path, os.getcwd() in sys.path or "" in sys.path),
        "fork": "multiprocessing.popen_fork" in sys.modules,
        "nice": os.nice(0) if hasattr(os, "nice") else 0,
        "threads": os.environ.get("OMP_NUM_THREADS"),
        "ready": getattr(sys, "made_ready", False),
    }


def get_ready():
    sys.made_ready = True


def with_helper(path):
    """Start a process from this one, say who both are, and never end."""
    pool = Pool()
    helper = pool.submit(os.getpid).result()
    pool.submit(time.sleep, 600)
    with open(path, "w") as file:
        file.write(f"{os.getpid()} {helper}\n")
    time.sleep(600)
