"""What was found out for a lesson, kept beside its files so that it need not be found out again.

In: the values of a lesson and digests of all they were made from. Out: a file in its folder, and from it
the same values where the digests are the same. A lesson folder may come from someone else: only values of
the kinds named here are ever made from the file, and whatever is wrong with it, everything is found anew.
It is a pickle because reading is what it saves: typed values from JSON take longer for the reading alone than
all of this takes together (`benchmarks.recall`).
"""

from __future__ import annotations

import enum
import io
import pickle
from dataclasses import dataclass, is_dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from understave.disk import write_atomically
from understave.findings.catalogue import kinds
from understave.harmony.reading import Reading
from understave.interpretation.plan import Plan
from understave.interpretation.reasons import REASONS
from understave.score.model import Score
from understave.teaching.stops import Stop

FILE = "remembered.bin"
_DETAILS = {
    (own.__module__, own.__qualname__): own
    for kind in (*kinds(), *REASONS)
    for own in (kind.details, *kind.details.__subclasses__())
}
_ROOMS = (
    "understave.theory.",
    "understave.score.model",
    "understave.harmony.reading",
    "understave.interpretation.plan",
    "understave.teaching.speech",
    "understave.teaching.stops",
    "understave.teaching.checking",
    "understave.lesson.memory",
)
_MOVED = {
    "understave.lesson.stops": "understave.teaching.stops",
    "understave.lesson.checking": "understave.teaching.checking",
}
"""Where the modules of older folders went."""


@dataclass(frozen=True)
class Found:
    """The values of a lesson; `reading_of` is the digest of what score and reading were made from,
    `planned_for` that of the instrument of the plan, `all_of` those of everything. `notes` are sentences
    that want to be said each time, `faults` are `checking.Fault`s.
    """

    reading_of: str
    planned_for: str
    all_of: tuple[str, ...]
    score: Score
    reading: Reading
    plan: Plan
    stops: tuple[Stop, ...]
    notes: tuple[str, ...]
    faults: tuple[Any, ...]


class _OwnValues(pickle.Unpickler):
    def find_class(self, module: str, name: str) -> Any:
        if (module, name) == ("fractions", "Fraction"):
            return Fraction
        if (module, name) == ("builtins", "getattr"):
            return _member
        module = _MOVED.get(module, module)
        if (module, name) in _DETAILS:
            return _DETAILS[module, name]
        if module.startswith(_ROOMS) and name.isidentifier():
            found = super().find_class(module, name)
            if isinstance(found, type) and (is_dataclass(found) or issubclass(found, enum.Enum)):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is no value of a lesson")


def _member(kind: object, name: str) -> enum.Enum:
    """Return a member of an enumeration: Python 3.11.0 to 3.11.2 keep it as a ``getattr`` of its class."""
    if isinstance(kind, type) and issubclass(kind, enum.Enum) and name in kind.__members__:
        return kind[name]
    raise pickle.UnpicklingError(f"{name} is no member of an enumeration")


def remember(folder: Path, found: Found) -> None:
    """Keep what was found beside the files of a lesson."""
    write_atomically(folder / FILE, pickle.dumps(found, protocol=5))


def recall(folder: Path) -> Found | None:
    """Return what was kept, None where there is nothing or it cannot be used."""
    try:
        found = _OwnValues(io.BytesIO((folder / FILE).read_bytes())).load()
    except Exception:  # a damaged file can fail in any way; what it held is found anew
        return None
    return found if isinstance(found, Found) else None
