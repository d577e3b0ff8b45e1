"""``corrections.jsonl`` <-> the teacher's corrections, oldest first.

The file only ever grows: one JSON object a line, each with its own ``id``. A line ``{"withdraw": id}``
takes back an earlier entry, and withdrawing a withdrawal brings it back. Lines written together as one
step (moving a boundary sets two chords) carry in ``with`` the id of the first of them, which says in ``of``
how many they are. Every step is on the disk before `append_step` returns, whole or not at all; what a loss of
power leaves of one is passed over and put into a file beside this one, so nothing that was saved is lost.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from understave.disk import append_lines, cut_short, locked, write_atomically
from understave.errors import AnalysisError, UnderstaveError
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
    """Return every entry in order; none where there is no file. Raises UnderstaveError on a bad line.

    What a loss of power left unfinished at the end is passed over; `set_aside` takes it away.
    """
    return _parted(_bytes(path), path.name)[0]


def set_aside(path: Path) -> str:
    """Move what a loss of power or a full disk left unfinished at the end of the file to a file of its own.

    Returns the sentence that tells the user, "" where all is well. Never stops for a folder that cannot be
    written to: what is unfinished is passed over by all who read.
    """
    with locked(path.parent):
        try:
            return _set_aside(path)
        except (OSError, UnderstaveError) as error:
            why = getattr(error, "strerror", None) or error
            return f"The end of {path.name} was never finished and is passed over ({why})."


def _set_aside(path: Path) -> str:
    whole = _bytes(path)
    sound = _parted(whole, path.name)[1]
    tail = whole[sound:]
    if not tail.strip():
        return ""
    number = 1
    while _bytes(aside := path.with_name(f"{path.stem}.unfinished-{number}")) not in (b"", tail):
        number += 1
    # First the copy, then the cut: whatever happens between, the tail is somewhere.
    write_atomically(aside, tail)
    cut_short(path, sound)
    return (
        f"The last step in {path.name} was never finished (the power may have failed, or the disk was full); "
        f"it is kept in {aside.name}, and all that was saved before it stands."
    )


def _parted(whole: bytes, name: str) -> tuple[tuple[Entry, ...], int]:
    """Return the entries, and how many bytes from the start are finished; the rest is a step that was not."""
    entries: list[Entry] = []
    known: set[int] = set()
    # Of the step being read: where it begins, its number, and how many lines of it are still to come.
    begin, step, wanting = 0, 0, 0
    done, place = 0, 0
    lines = whole.split(b"\n")
    for number, line in enumerate(lines, 1):
        last = number == len(lines)
        start, place = place, place + len(line) + (not last)
        if not line.strip() or _damaged(line, last):
            continue
        try:
            table = json.loads(line.decode("utf-8-sig"))
            entry = _entry(table, known)
            lines_of_step = int(table.get("of", 1))
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
            raise AnalysisError(
                f"Line {number} of {name} is not a correction ({error}); mend or delete that line."
            ) from None
        known.add(entry.id)
        entries.append(entry)
        if entry.step == step:
            wanting = max(0, wanting - 1)
        else:
            begin, step, wanting = start, entry.step, lines_of_step - 1
        done = place
    if wanting:
        return tuple(entry for entry in entries if entry.step != step), begin
    return tuple(entries), done


def _damaged(line: bytes, last: bool) -> bool:
    """Whether a loss of power damaged a line: pages that were never written read as NULs, which JSON cannot
    hold, and a line without its end is none.
    """
    return b"\0" in line or (not _complete(line) and (last or _torn(line)))


def load(path: Path) -> tuple[Correction, ...]:
    """Return the corrections that stand, oldest first, withdrawn ones left out."""
    return standing(read_entries(path))


def standing(entries: tuple[Entry, ...]) -> tuple[Correction, ...]:
    """Return the corrections among entries that stand, oldest first."""
    ids = standing_ids(entries)
    return tuple(entry.correction for entry in entries if entry.correction is not None and entry.id in ids)


class Numbered(Protocol):
    """A line of a file in which lines take earlier ones back."""

    @property
    def id(self) -> int:
        """Its number."""

    @property
    def withdraws(self) -> int | None:
        """The number of the line that it takes back, if it is such a line."""

    @property
    def step(self) -> int:
        """The number of the first line of those written together."""


def standing_ids(entries: Sequence[Numbered]) -> frozenset[int]:
    """Return the ids of entries that have not been withdrawn by an entry that itself stands."""
    withdrawn: set[int] = set()
    for entry in reversed(entries):
        if entry.withdraws is not None and entry.id not in withdrawn:
            withdrawn.add(entry.withdraws)
    return frozenset(entry.id for entry in entries if entry.id not in withdrawn)


def append(path: Path, correction: Correction) -> Entry:
    """Add a correction at the end of the file and see it onto the disk; return its entry."""
    return append_step(path, [correction])[0]


def append_step(path: Path, corrections: Sequence[Correction]) -> tuple[Entry, ...]:
    """Add corrections that make one step and see them onto the disk, all of them or none.

    Raises UnderstaveError if the disk refuses; then none of them is there.
    """
    with _ready(path):
        first = _next_id(path)
        entries = tuple(Entry(first + k, correction, None, first) for k, correction in enumerate(corrections))
        rows = [(entry, as_json(entry.correction)) for entry in entries if entry.correction is not None]
        _write(path, [{"id": entry.id, **_joined(entry, len(rows)), **row} for entry, row in rows])
    return entries


def withdraw(path: Path, entry: int) -> Entry:
    """Take back an earlier entry by adding one that says so; raise UnderstaveError if there is none."""
    return withdraw_step(path, [entry])[0]


def withdraw_step(path: Path, numbers: Sequence[int]) -> tuple[Entry, ...]:
    """Take back entries as one step; raise UnderstaveError if one of them is not there."""
    with _ready(path):
        known = {entry.id for entry in read_entries(path)}
        missing = next((n for n in numbers if n not in known), None)
        if missing is not None:
            raise AnalysisError(f"There is no correction number {missing} in {path.name} to withdraw.")
        first = _next_id(path)
        entries = tuple(Entry(first + k, None, n, first) for k, n in enumerate(numbers))
        joined = [(entry, _joined(entry, len(entries))) for entry in entries]
        _write(path, [{"id": entry.id, **more, "withdraw": entry.withdraws} for entry, more in joined])
    return entries


def _joined(entry: Entry, lines: int) -> dict[str, int]:
    """Return what ties the lines of a step together; the first says how many there must be."""
    if entry.step != entry.id:
        return {"with": entry.step}
    return {"of": lines} if lines > 1 else {}


@contextmanager
def _ready(path: Path) -> Iterator[None]:
    """Let one process at a time choose numbers, in a file that ends with a finished step."""
    with locked(path.parent):
        try:
            _set_aside(path)
        except OSError as error:
            raise AnalysisError(f"The correction could not be saved in {path} ({error.strerror}).") from None
        yield


def as_json(correction: Correction) -> dict[str, Any]:
    """Return a correction as plain JSON values; beats are exact text such as ``"5/2"``."""
    table: dict[str, Any] = {
        "measure": correction.measure,
        "beat": str(correction.beat),
        "end_measure": correction.end_measure,
        "end_beat": str(correction.end_beat),
        "key": correction.key.symbol if correction.key else None,
        "numeral": str(correction.numeral) if correction.numeral else None,
    }
    return {**table, "note": correction.note} if correction.note else table


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
        json.loads(line.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return False
    return True


def _torn(line: bytes) -> bool:
    """Whether a line is one that a cut left half-written: it begins as an entry and never closes."""
    opening = b'{"id"'
    return line[: len(opening)] == opening[: len(line)] and not line.rstrip().endswith(b"}")


def _next_id(path: Path) -> int:
    return max((entry.id for entry in read_entries(path)), default=0) + 1


def _write(path: Path, tables: Sequence[Mapping[str, Any]]) -> None:
    """Append the lines of one step, all or none, and wait until the disk has them."""
    lines = b"".join(json.dumps(t, ensure_ascii=False).encode("utf-8") + b"\n" for t in tables)
    if not lines:
        return
    try:
        append_lines(path, lines)
    except OSError as error:
        raise AnalysisError(f"The correction could not be saved in {path} ({error.strerror}).") from None


def _bytes(path: Path) -> bytes:
    """Return what a file holds, nothing where there is none; raise UnderstaveError if it cannot be read."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return b""
    except OSError as error:
        raise AnalysisError(f"{path} cannot be read ({error.strerror}).") from None
