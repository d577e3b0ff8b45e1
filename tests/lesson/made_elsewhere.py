"""Parts of a lesson for tests, in a module that imports nothing of the tests: another process imports it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Write:
    """Makes one file."""

    path: str
    text: str

    def __call__(self, given):
        return {self.path: self.text + "".join(sorted(d.decode() for d in given.values()))}


@dataclass(frozen=True)
class Dies:
    """Ends its process the first time it is made, as a system short of memory would; a file remembers."""

    mark: Path
    always: bool = False

    def __call__(self, given):
        if self.always or not self.mark.exists():
            self.mark.touch()
            os._exit(9)
        return {"c.txt": "made"}


@dataclass
class Counted:
    """What several parts share."""

    times: int = 0


@dataclass(frozen=True)
class Counts:
    """Writes how often what it shares has been used in its process."""

    path: str
    shared: Counted

    def __call__(self, given):
        self.shared.times += 1
        return {self.path: str(self.shared.times)}


def forget(makers):
    """Hold nothing, as a helper that came in the place of one lost while it had nothing to do."""
