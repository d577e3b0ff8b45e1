"""``corrections.jsonl`` <-> the teacher's corrections, oldest first.

The file only ever grows: one JSON object a line, each with its own ``id``. A line ``{"withdraw": id}``
takes back an earlier entry, and withdrawing a withdrawal brings it back. Lines written together as one
step (moving a boundary sets two chords) carry in ``with`` the id of the first of them. Every line is flushed
to the disk before `append` returns, and a last line that a power cut left half-written is set aside on the
next reading and ended on the next writing, so nothing that was saved is lost.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from understave.disk import sync_folder
from understave.errors import UnderstaveError
from understave.harmony.reading import Correction
from understave.score.model import read_exact
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the file: a correction, or the withdrawal of the entry named; `step` is the id of the
    first line of those written together.
    """

    id: int
    correction: Correction | None
    withdraws: int | None = None
    step: int = 0


def read_entries(path: Path) -> tuple[Entry, ...]:
    """Return every entry in order; none where there is no file. Raises UnderstaveError on a bad line."""
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise UnderstaveError(f"{path} cannot be read ({error.strerror}).") from None
    *whole, rest = raw.split(b"\n")
    entries: list[Entry] = []
    for number, line in enumerate([*whole, *([rest] if _complete(rest) else [])], 1):
        if not line.strip() or (not _complete(line) and _torn(line)):
            continue
        try:
            entries.append(_entry(json.loads(line), {e.id for e in entries}))
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
            raise UnderstaveError(
                f"Line {number} of {path.name} is not a correction ({error}); mend or delete that line."
            ) from None
    return tuple(entries)


def load(path: Path) -> tuple[Correction, ...]:
    """Return the corrections that stand, oldest first, withdrawn ones left out."""
    return standing(read_entries(path))


def standing(entries: tuple[Entry, ...]) -> tuple[Correction, ...]:
    """Return the corrections among entries that stand, oldest first."""
    ids = standing_ids(entries)
    return tuple(e.correction for e in entries if e.correction is not None and e.id in ids)


def standing_ids(entries: tuple[Entry, ...]) -> frozenset[int]:
    """Return the ids of entries that have not been withdrawn by an entry that itself stands."""
    withdrawn: set[int] = set()
    for e in reversed(entries):
        if e.withdraws is not None and e.id not in withdrawn:
            withdrawn.add(e.withdraws)
    return frozenset(e.id for e in entries if e.id not in withdrawn)


def append(path: Path, correction: Correction) -> Entry:
    """Add a correction at the end of the file and see it onto the disk; return its entry."""
    return append_step(path, [correction])[0]


def append_step(path: Path, corrections: Sequence[Correction]) -> tuple[Entry, ...]:
    """Add corrections that make one step, in one writing, and see them onto the disk."""
    with _locked(path):
        first = _next_id(path)
        entries = tuple(Entry(first + k, c, None, first) for k, c in enumerate(corrections))
        _write(path, [{"id": e.id, **_joined(e), **as_json(e.correction)} for e in entries if e.correction])
    return entries


def withdraw(path: Path, entry: int) -> Entry:
    """Take back an earlier entry by adding one that says so; raise UnderstaveError if there is none."""
    return withdraw_step(path, [entry])[0]


def withdraw_step(path: Path, numbers: Sequence[int]) -> tuple[Entry, ...]:
    """Take back entries as one step; raise UnderstaveError if one of them is not there."""
    with _locked(path):
        known = {e.id for e in read_entries(path)}
        missing = next((n for n in numbers if n not in known), None)
        if missing is not None:
            raise UnderstaveError(f"There is no correction number {missing} in {path.name} to withdraw.")
        first = _next_id(path)
        entries = tuple(Entry(first + k, None, n, first) for k, n in enumerate(numbers))
        _write(path, [{"id": e.id, **_joined(e), "withdraw": e.withdraws} for e in entries])
    return entries


def _joined(entry: Entry) -> dict[str, int]:
    return {"with": entry.step} if entry.step != entry.id else {}


def as_json(c: Correction) -> dict[str, Any]:
    """Return a correction as plain JSON values; beats are exact text such as ``"5/2"``."""
    table: dict[str, Any] = {
        "measure": c.measure,
        "beat": str(c.beat),
        "end_measure": c.end_measure,
        "end_beat": str(c.end_beat),
        "key": c.key.symbol if c.key else None,
        "numeral": str(c.numeral) if c.numeral else None,
    }
    return {**table, "note": c.note} if c.note else table


def from_json(table: Mapping[str, Any]) -> Correction:
    """Return the correction that `as_json` wrote; raise ValueError or KeyError where it is not one."""
    key, numeral = table.get("key"), table.get("numeral")
    return Correction(
        measure=str(table["measure"]),
        beat=read_exact(str(table["beat"])),
        end_measure=str(table["end_measure"]),
        end_beat=read_exact(str(table["end_beat"])),
        key=Key.parse(key) if key is not None else None,
        numeral=RomanNumeral.parse(numeral) if numeral is not None else None,
        note=str(table.get("note", "")),
    )


def _entry(table: Any, known: set[int]) -> Entry:
    if not isinstance(table, dict):
        raise ValueError("a line must be one JSON object")
    number = int(table["id"])
    if number in known:
        raise ValueError(f"number {number} is used twice")
    if "withdraw" in table:
        return Entry(number, None, int(table["withdraw"]), int(table.get("with", number)))
    return Entry(number, from_json(table), None, int(table.get("with", number)))


def _complete(line: bytes) -> bool:
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return False
    return True


def _torn(line: bytes) -> bool:
    """Whether a line is one that a cut left half-written: it begins as an entry and never closes."""
    opening = b'{"id"'
    return line[: len(opening)] == opening[: len(line)] and not line.rstrip().endswith(b"}")


def _next_id(path: Path) -> int:
    return max((e.id for e in read_entries(path)), default=0) + 1


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Let one process at a time choose numbers, where the system can lock files."""
    try:
        import fcntl
    except ImportError:
        yield
        return
    try:
        handle = os.open(path.parent, os.O_RDONLY)
    except OSError:
        # The folder is missing or closed: writing says so in a sentence.
        yield
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _write(path: Path, tables: Sequence[Mapping[str, Any]]) -> None:
    """Append lines in a single write and wait until the disk has them."""
    line = b"".join(json.dumps(t, ensure_ascii=False).encode("utf-8") + b"\n" for t in tables)
    try:
        new = not path.exists()
        with path.open("ab") as stream:
            if not new and not _ends_whole(path):
                line = b"\n" + line
            stream.write(line)
            stream.flush()
            os.fsync(stream.fileno())
        if new:
            sync_folder(path.parent)
    except OSError as error:
        raise UnderstaveError(f"The correction could not be saved in {path} ({error.strerror}).") from None


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as stream:
        stream.seek(0, os.SEEK_END)
        if stream.tell() == 0:
            return True
        stream.seek(-1, os.SEEK_END)
        return stream.read(1) == b"\n"
