"""Values that many tests start from, made once in a run by whichever worker needs them first.

For tests of what is made *from* a score, a reading or a plan. The tests of these three themselves call the
package's own functions. What is kept lies in a folder that the run makes at its start and takes away at its
end (`conftest.py`), so that nothing is carried over from an earlier state of the code.
"""

from __future__ import annotations

import os
import pickle
import tempfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from hashlib import sha256
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import understave.findings
import understave.interpretation.planning
import understave.score.passage
import understave.score.reader
import understave.teaching.stops
from understave.score.model import Score

FOLDER = "UNDERSTAVE_TESTS_ONCE"
"""The variable that tells the workers of a run the folder that they share."""
EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
_P = ParamSpec("_P")
_T = TypeVar("_T")
_here: dict[str, Any] = {}


def once(function: Callable[_P, _T]) -> Callable[_P, _T]:
    """Return a function from values to values that is called once in a run for the same values."""

    @wraps(function)
    def found(*given: _P.args, **named: _P.kwargs) -> _T:
        asked = (function.__module__, function.__qualname__, given, sorted(named.items()))
        name = sha256(pickle.dumps(asked, 5)).hexdigest()
        if name not in _here:
            _here[name] = _shared(name, lambda: function(*given, **named))
        value: _T = _here[name]
        return value

    return found


def _shared(name: str, make: Callable[[], _T]) -> _T:
    folder = os.environ.get(FOLDER)
    if folder is None:
        return make()
    kept = Path(folder) / name
    with _alone(kept.with_suffix(".lock")):
        if kept.exists():
            value: _T = pickle.loads(kept.read_bytes())
            return value
        value = make()
        kept.write_bytes(pickle.dumps(value, 5))
        return value


def on_disk(function: Callable[_P, _T]) -> Callable[_P, _T]:
    """As `once`, for what is too much to be held in memory besides; two workers may both make it."""

    @wraps(function)
    def found(*given: _P.args, **named: _P.kwargs) -> _T:
        folder = os.environ.get(FOLDER)
        if folder is None:
            return function(*given, **named)
        asked = (function.__module__, function.__qualname__, given, sorted(named.items()))
        kept = Path(folder) / sha256(pickle.dumps(asked, 5)).hexdigest()
        if kept.exists():
            value: _T = pickle.loads(zlib.decompress(kept.read_bytes()))
            return value
        value = function(*given, **named)
        whole = kept.with_suffix(f".{os.getpid()}")
        whole.write_bytes(zlib.compress(pickle.dumps(value, 5), 1))
        whole.replace(kept)
        return value

    return found


@contextmanager
def _alone(lock: Path) -> Iterator[None]:
    """Hold a lock among the workers; where the system has no such locks, each makes its own values."""
    try:
        from fcntl import LOCK_EX, flock
    except ImportError:
        yield
        return
    with lock.open("w") as file:
        flock(file, LOCK_EX)
        yield


_score = once(understave.score.reader.read_score)
read = once(understave.findings.read)
make_plan = once(understave.interpretation.planning.make_plan)
propose_stops = once(understave.teaching.stops.propose_stops)


def read_score(path: Path) -> Score:
    """Return the score of a file; that of an example, which no test changes, as it was read first."""
    return _score(path) if EXAMPLES in path.parents else understave.score.reader.read_score(path)


@once
def opening(bars: int, piece: str = "lock-water") -> Path:
    """Return a file of the first bars of an example: for what costs the more the longer a piece is."""
    folder = os.environ.get(FOLDER) or tempfile.mkdtemp(prefix="understave-tests-")
    place = Path(folder) / f"{piece}-{bars}-bars.musicxml"
    whole = read_score(EXAMPLES / piece / "score.musicxml")
    place.write_bytes(understave.score.passage.passage(whole, 0, bars - 1).source)
    return place
