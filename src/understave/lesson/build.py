"""Parts of a lesson, each made from named inputs, made again only where an input has changed.

In: a folder and its `Part`s. Out: the files in the folder, and what was made, kept and why. What every part
was made from is remembered in ``made.json``, beside the files. A file that someone has changed by hand is
put aside into ``kept/`` before it is written anew.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, TypeAlias

from understave.disk import write_atomically
from understave.errors import LessonError, WorkerError
from understave.guests import installed
from understave.jobs.memory_bound import machine_memory
from understave.jobs.one_process import LostError
from understave.jobs.pool import Pool
from understave.jobs.serving import Manner

MEMORY = "made.json"
KEPT = "kept"

Files: TypeAlias = Mapping[str, bytes | str]


@dataclass(frozen=True)
class Part:
    """Files that are made together.

    `inputs` are digests or plain values by name; the part is made again when one of them changes. `make` gets
    the files of the parts that it `needs`, and returns its own by path; it must be picklable. `effort`
    is about how many seconds it takes, so that long parts begin first.
    """

    name: str
    inputs: Mapping[str, str]
    make: Callable[[Mapping[str, bytes]], Files]
    needs: tuple[str, ...] = ()
    effort: float = 1.0


@dataclass(frozen=True, slots=True)
class Built:
    """What a build did: all files in order of the parts; parts made and why; parts kept; files put aside."""

    files: tuple[Path, ...]
    made: tuple[tuple[str, str], ...]
    kept: tuple[str, ...]
    aside: tuple[Path, ...]


@cache
def program_digest() -> str:
    """Return a digest of the program itself and of what other packages add to it: another version makes
    everything anew.
    """
    found = hashlib.sha256("\n".join(installed()).encode())
    for path, file in sorted(_files(files("understave"), "")):
        found.update(path.encode() + b"\0" + file.read_bytes())
    return found.hexdigest()[:32]


def _files(folder: Traversable, path: str) -> Iterator[tuple[str, Traversable]]:
    for entry in folder.iterdir():
        if entry.is_dir():
            if entry.name != "__pycache__":
                yield from _files(entry, f"{path}{entry.name}/")
        else:
            yield f"{path}{entry.name}", entry


def remembered(folder: Path) -> dict[str, Any]:
    """Return what the last build wrote down, nothing where there was none or it cannot be read."""
    try:
        values = json.loads((folder / MEMORY).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return values if isinstance(values, dict) else {}


def untouched(folder: Path) -> dict[str, tuple[Path, ...]] | None:
    """Return the files of each part as they were last made, None where one is missing or changed."""
    parts = remembered(folder).get("parts")
    if not isinstance(parts, dict) or not parts:
        return None
    found = {}
    for name, part in parts.items():
        sums = part.get("files") if isinstance(part, dict) else None
        if not isinstance(sums, dict) or any(_sum(folder / path) != value for path, value in sums.items()):
            return None
        found[name] = tuple(folder / path for path in sums)
    return found


def build(
    folder: Path,
    parts: Sequence[Part],
    on_progress: Callable[[float, str], None] = lambda share, text: None,
    helpers: Helpers | None = None,
    facts: Mapping[str, Any] | None = None,
    before_writing: Callable[[], None] = lambda: None,
) -> Built:
    """Make what must be made; with `helpers` as many parts at a time as these are.

    `on_progress` hears the share done (0..1) and which part is being made. `facts` are written down too, for
    `remembered`. Nothing is written before all is made, so that an error leaves the old lesson whole;
    `before_writing` is called then.
    """
    memory = remembered(folder)
    before = memory.get("parts", {})
    before = before if isinstance(before, dict) else {}
    reasons = {part.name: _why(folder, part, before.get(part.name)) for part in parts}
    due = [part for part in parts if reasons[part.name]]
    made = _made(folder, parts, due, before, on_progress, helpers)
    before_writing()
    aside: list[Path] = []
    parts_now: dict[str, Any] = {}
    written: list[Path] = []
    for part in parts:
        old = before.get(part.name, {}) if isinstance(before.get(part.name), dict) else {}
        if part.name in made:
            sums = {}
            for path, content in made[part.name].items():
                data = content.encode() if isinstance(content, str) else content
                aside += _put_aside(folder, path, old.get("files", {}).get(path), data)
                write_atomically(folder / path, data)
                sums[path] = hashlib.sha256(data).hexdigest()
            parts_now[part.name] = {"inputs": dict(part.inputs), "files": sums}
        else:
            parts_now[part.name] = old
        written += [folder / path for path in parts_now[part.name]["files"]]
    aside += _remove_old(folder, before, {path for p in parts_now.values() for path in p["files"]})
    text = json.dumps({"facts": dict(facts or {}), "parts": parts_now}, ensure_ascii=False, indent=1)
    write_atomically(folder / MEMORY, text + "\n")
    on_progress(1.0, "")
    return Built(
        tuple(written),
        tuple((part.name, reasons[part.name]) for part in due),
        tuple(part.name for part in parts if not reasons[part.name]),
        tuple(aside),
    )


def _why(folder: Path, part: Part, old: Any) -> str:
    """Return why a part must be made, "" where it need not be."""
    if not isinstance(old, dict) or not isinstance(old.get("files"), dict):
        return "new"
    inputs = old.get("inputs", {})
    changed = [n for n in part.inputs if inputs.get(n) != part.inputs[n]]
    changed += [n for n in inputs if n not in part.inputs]
    if changed:
        return ", ".join(dict.fromkeys(changed))
    if any(_sum(folder / path) != value for path, value in old["files"].items()):
        return "files missing or changed"
    return ""


def _sum(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


def _put_aside(folder: Path, path: str, ours: str | None, new: bytes) -> list[Path]:
    """Move a file that is not as we wrote it out of the way; say where it went."""
    there = _sum(folder / path)
    if there is None or ours is None or there in (ours, hashlib.sha256(new).hexdigest()):
        return []
    for number in range(1, 1000):
        goal = folder / KEPT / (path if number == 1 else f"{number}-{path.replace('/', '-')}")
        if not goal.exists():
            goal.parent.mkdir(parents=True, exist_ok=True)
            os.replace(folder / path, goal)
            return [goal]
    raise LessonError(f"{folder / KEPT} holds too many files; look through it and empty it.")


def _remove_old(folder: Path, before: Mapping[str, Any], now: set[str]) -> list[Path]:
    """Take away files that no part makes any more; those changed by hand are put aside."""
    aside: list[Path] = []
    for old in before.values():
        for path, value in old.get("files", {}).items() if isinstance(old, dict) else ():
            if path in now or not (folder / path).resolve().is_relative_to(folder.resolve()):
                continue
            aside += _put_aside(folder, path, value, b"")
            (folder / path).unlink(missing_ok=True)
    return aside


# --- making ----------------------------------------------------------------------------------------------


def _made(
    folder: Path,
    parts: Sequence[Part],
    due: Sequence[Part],
    before: Mapping[str, Any],
    on_progress: Callable[[float, str], None],
    helpers: Helpers | None,
) -> dict[str, Files]:
    done: dict[str, Files] = {}
    total = sum(part.effort for part in due) or 1.0
    names = {part.name for part in due}

    def given(part: Part) -> dict[str, bytes]:
        """The files of the parts that this one needs, those just made or those on the disk."""
        found: dict[str, bytes] = {}
        for name in part.needs:
            if name in done:
                found |= {k: v.encode() if isinstance(v, str) else v for k, v in done[name].items()}
            else:
                found |= {path: (folder / path).read_bytes() for path in before[name]["files"]}
        return found

    def tell(shown: str) -> None:
        on_progress(sum(part.effort for part in due if part.name in done) / total, shown)

    waiting = sorted(due, key=lambda part: -part.effort)
    if helpers is None or not helpers.number or len(due) < 2 or total < _WORTH_A_PROCESS:
        while waiting:
            part = next(part for part in waiting if not (set(part.needs) & names) - set(done))
            waiting.remove(part)
            tell(part.name)
            done[part.name] = part.make(given(part))
        return done
    # A helper that the system ends (memory is short) takes the others with it; one alone needs less.
    for those in (helpers, Helpers(1)):
        with suppress(LostError), those:
            _by_helpers(those, [part for part in due if part.name not in done], done, given, tell)
            return done
    raise LessonError(
        "A part of the lesson was ended by the system twice, perhaps because memory is short; "
        "close other programs and make the lesson again."
    )


class Helpers:
    """Processes that make parts, one part each at a time; a context manager.

    Each is given all parts at once, so that what these share (the score, its reading) travels once, and what
    one part found out about it the next need not. `ready` is done first. With none, all is made here.
    """

    def __init__(self, number: int, ready: Callable[[], object] | None = None) -> None:
        self.number, self._ready = number, ready
        self._running: list[Pool] = []
        self.begun: list[tuple[Part, Pool, Future[Files | None]]] = []
        """Parts that `build` will want, the helpers that make them and what comes of it."""

    def __enter__(self) -> Helpers:
        return self

    def __exit__(self, *exc: object) -> None:
        for pool in self._running:
            pool.shutdown()
        self._running, self.begun = [], []

    def start(self) -> list[Pool]:
        """Start the processes if there are none; the first parts wait less for those started early."""
        if not self._running:
            # Together they fill the cores without waiting in line, so each calculates on one thread.
            manner = Manner(memory=machine_memory(), one_thread=True, ready=self._ready)
            self._running = [Pool(1, manner, attempts=1) for _ in range(self.number)]
            for pool in self._running:
                pool.start()
        return self._running

    def begin(self, parts: Sequence[Part]) -> None:
        """Have parts that need no others made before `build` asks for them, by the processes that run."""
        # Nobody asks them meanwhile whether they are done: each gets its share at once, the longest first.
        shares = dict.fromkeys(self._running, 0.0)
        for pool in shares:
            pool.submit(_hold, {part.name: part.make for part in parts})
        for part in sorted(parts if shares else (), key=lambda part: -part.effort):
            pool = min(shares, key=lambda one: shares[one])
            shares[pool] += part.effort
            self.begun.append((part, pool, pool.submit(_make_held, part.name, {})))


def _by_helpers(
    helpers: Helpers,
    due: Sequence[Part],
    done: dict[str, Files],
    given: Callable[[Part], dict[str, bytes]],
    tell: Callable[[str], None],
) -> None:
    """Make parts, as many at a time as there are helpers, into `done`."""
    running: dict[Future[Files | None], tuple[Part, Pool]] = {
        future: (part, pool) for part, pool, future in helpers.begun if part in due
    }
    begun = [part for part, _ in running.values()]
    free = [pool for pool in helpers.start() if pool not in [busy for _, busy in running.values()]]
    waiting = sorted((part for part in due if part not in begun), key=lambda part: -part.effort)
    makers = {part.name: part.make for part in waiting}
    holding = {pool: pool.submit(_hold, makers) for pool in helpers.start()}
    names = {part.name for part in due}
    while waiting or running:
        for part in [part for part in waiting if not (set(part.needs) & names) - set(done)]:
            if not free:
                break
            waiting.remove(part)
            pool = free.pop()
            running[pool.submit(_make_held, part.name, given(part))] = part, pool
        tell(", ".join({pool: part.name for part, pool in reversed(running.values())}.values()))
        ready, _ = wait(running, return_when=FIRST_COMPLETED)
        for future in ready:
            part, pool = running.pop(future)
            if pool not in [busy for _, busy in running.values()]:
                free.append(pool)
            made = future.result()
            if made is None:
                refused = holding[pool].exception()
                if refused is not None and not isinstance(refused, WorkerError):
                    raise refused
                raise LostError(f"A helper was lost before it could make {part.name}.")
            done[part.name] = made


_held: dict[str, Callable[[Mapping[str, bytes]], Files]] = {}
"""In a helper: what makes each part."""


def _hold(makers: dict[str, Callable[[Mapping[str, bytes]], Files]]) -> None:
    _held.update(makers)


def _make_held(name: str, given: Mapping[str, bytes]) -> Files | None:
    """Make a part; None where this process holds none, as one that came in the place of a lost one."""
    return _held[name](given) if name in _held else None


_WORTH_A_PROCESS = 6.0
"""Effort under which helpers would take longer to start than they save."""
