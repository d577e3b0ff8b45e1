"""``pages.jsonl`` <-> what the teacher corrected in a score that was read from printed pages.

The file only ever grows: one JSON object a line, each with its own ``id``. A line is tied to a place on a
page (``page`` from 1, ``x`` and ``y`` as parts of its width and height from the top left) and to the PDF
(``of``, the head of its digest). ``what`` says what is decided of the bar there, most with a ``value``:

notes   ``lines``: its voices, see `score.bar_text`
marks   ``marks``: of each its kind, text, beginning and end in quarter notes, and staff (`score.marked_anew`)
right   it is right as it was read
key     fifths, from it on
meter   such as ``3/4``, from it on
clef    the diatonic step of its lowest line, on a ``staff``, from it on
join    with the next bar of its line
split   where in it a bar line is missing, a part of the page's width
repeat  begin, end, both or none
ending  the times that it is for, such as ``1,2``, or none

``{"withdraw": id}`` takes an earlier line back, and taking that back brings it again. What is not such a line
is passed over and stays where it is.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from understave.disk import append_lines, locked
from understave.errors import LessonError
from understave.harmony.corrections import standing_ids
from understave.lesson.folder import LessonFolder
from understave.score.bar_text import BarTextError, TypedLine, read_line
from understave.score.marked_anew import Mark, checked, with_marks
from understave.score.model import Score, read_exact
from understave.score.reader import as_engraved, is_printed, read_bytes, read_score
from understave.score.readers.page.told_signs import Place, Told
from understave.score.remarks import Remark
from understave.score.retyped import with_bars
from understave.score.timeline import MOST_BEATS, SMALLEST_BEAT
from understave.score.write import with_source

if TYPE_CHECKING:
    from understave.score.readers.page.assembly import PrintedBar

FILE = "pages.jsonl"
What = Literal["notes", "marks", "right", "key", "meter", "clef", "join", "split", "repeat", "ending"]
REPEATS = {"none": (False, False), "begin": (True, False), "end": (False, True), "both": (True, True)}
"""What ``repeat`` may say: whether one begins and whether one ends."""
_MOST_STAVES = 99
_STEPS = range(-7, 70)
"""Lowest lines that a clef may mean."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What the teacher decided about a bar.

    `lines` are staff, voice and text of each voice, `marks` its marks; `value` and `staff` are as in the
    file.
    """

    at: Place
    what: What
    lines: tuple[tuple[int, int, str], ...] = ()
    value: str = ""
    staff: int = 0
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, slots=True)
class PageEntry:
    """A line of the file: a decision about the pages of a file (`of`), or the entry that it takes back."""

    id: int
    decision: Decision | None
    of: str = ""
    withdraws: int | None = None

    @property
    def step(self) -> int:
        """Its own id: each entry is a step by itself."""
        return self.id


@dataclass(frozen=True, slots=True)
class Printed:
    """A score read from pages and corrected: where its bars stand, and what holds of them, by index.

    `of` is the digest of the file, `decided` are the decisions that stand for each bar, oldest first, `lost`
    how many belong to no bar.
    """

    of: str
    score: Score
    bars: tuple[PrintedBar, ...]
    decided: Mapping[int, tuple[Decision, ...]]
    lost: int = 0


def digest_of(data: bytes) -> str:
    """Return what tells one PDF from every other."""
    return hashlib.sha256(data).hexdigest()[:16]


# The file --------------------------------------------------------------------------------------------------


def read_entries(folder: Path) -> tuple[PageEntry, ...]:
    """Return the entries of a lesson folder, none where nothing was corrected."""
    try:
        data = (folder / FILE).read_bytes()
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise LessonError(f"{folder / FILE} cannot be read ({error.strerror}).") from None
    found: dict[int, PageEntry] = {}
    for line in data.split(b"\n"):
        entry = _entry(line)
        if entry is not None and entry.id not in found:
            found[entry.id] = entry
    return tuple(found.values())


def _entry(line: bytes) -> PageEntry | None:
    try:
        table = json.loads(line.decode("utf-8"))
        number = int(table["id"])
        if "withdraw" in table:
            return PageEntry(number, None, "", int(table["withdraw"]))
        return PageEntry(number, _decision(table), str(table["of"]))
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError, BarTextError):
        return None


def _decision(table: Mapping[str, Any]) -> Decision:
    at = Place(int(table["page"]), float(table["x"]), float(table["y"]))
    what = table["what"]
    if what not in get_args(What):
        raise ValueError(what)
    lines = []
    for name, text in table["lines"].items() if what == "notes" else ():
        staff, _, voice = name.partition(".")
        lines.append((int(staff), int(voice), str(text)))
    marks = tuple(_mark(*row) for row in (table["marks"] if what == "marks" else ()))
    found = Decision(at, what, tuple(lines), str(table.get("value", "")), int(table.get("staff", 0)), marks)
    told_of(found)
    return found


def _mark(kind: str, text: str, at: str, until: str | None, staff: int) -> Mark:
    end = None if until is None else read_exact(until)
    return checked(Mark(kind, str(text), read_exact(at), end, int(staff)), _MOST_STAVES)


def add(folder: Path, of: str, decision: Decision) -> PageEntry:
    """Add a decision at the end of the file and see it onto the disk; return its entry."""
    told_of(decision)
    at = decision.at
    table: dict[str, Any] = {
        "of": of,
        "page": at.page,
        "x": round(at.x, 5),
        "y": round(at.y, 5),
        "what": decision.what,
    }
    if decision.what == "notes":
        table["lines"] = {f"{staff}.{voice}": text for staff, voice, text in decision.lines}
    if decision.what == "marks":
        table["marks"] = [
            (m.kind, m.text, str(m.at), None if m.until is None else str(m.until), m.staff)
            for m in decision.marks
        ]
    if decision.value:
        table["value"] = decision.value
    if decision.staff:
        table["staff"] = decision.staff
    return _append(folder, table, lambda number: PageEntry(number, decision, of))


def take_back(folder: Path, number: int) -> PageEntry:
    """Take back an entry, or the taking back of one, by adding a line that says so."""
    return _append(folder, {"withdraw": number}, lambda new: PageEntry(new, None, "", number))


def _append(folder: Path, table: Mapping[str, Any], made: Callable[[int], PageEntry]) -> PageEntry:
    path = folder / FILE
    with locked(folder):
        number = max((entry.id for entry in read_entries(folder)), default=0) + 1
        line = json.dumps({"id": number, **table}, ensure_ascii=False).encode() + b"\n"
        try:
            append_lines(path, line)
        except OSError as error:
            raise LessonError(f"The bar could not be saved in {path} ({error.strerror}).") from None
    return made(number)


def standing(entries: Sequence[PageEntry]) -> tuple[PageEntry, ...]:
    """Return the entries that hold decisions and were not taken back, oldest first."""
    ids = standing_ids(entries)
    return tuple(entry for entry in entries if entry.decision is not None and entry.id in ids)


# The score -------------------------------------------------------------------------------------------------


def told_of(decision: Decision) -> Told:
    """Return what a decision tells the reader of pages; raise ValueError for what cannot be meant."""
    at, value = decision.at, decision.value
    match decision.what:
        case "right":
            return Told(at, settled=True)
        case "marks":
            return Told(at)
        case "notes":
            return Told(at, length=_length(decision), settled=True)
        case "join":
            return Told(at, joined=True)
        case "split":
            return Told(at, split=_within(value))
        case "repeat" if value in REPEATS:
            return Told(at, repeat=REPEATS[value])
        case "ending":
            return Told(at, ending=_times(value))
        case "key" if int(value) in range(-7, 8):
            return Told(at, signature=int(value))
        case "meter":
            return Told(at, meter=_meter(value))
        case "clef" if int(value) in _STEPS and decision.staff >= 1:
            return Told(at, clef=(decision.staff, int(value)))
    raise ValueError(value)


def _within(value: str) -> float:
    if not 0 < float(value) < 1:
        raise ValueError(value)
    return float(value)


def _times(value: str) -> tuple[int, ...]:
    """Return the times that an ending is for: ``1,2``; none for ``none``."""
    if value == "none":
        return ()
    if not re.fullmatch(r"[1-9](, ?[1-9]){0,8}", value, re.ASCII):
        raise ValueError(value)
    return tuple(sorted({int(time) for time in value.split(",")}))


def _meter(value: str) -> tuple[int, int]:
    found = re.fullmatch(r"([0-9]{1,3})/([0-9]{1,3})", value)
    if not found or not 1 <= int(found[1]) < MOST_BEATS or not _is_unit(int(found[2])):
        raise ValueError(value)
    return int(found[1]), int(found[2])


def _is_unit(unit: int) -> bool:
    return 1 <= unit <= SMALLEST_BEAT and unit & (unit - 1) == 0


def _length(decision: Decision) -> Fraction:
    """Return how long a typed bar is; 0 where it holds nothing and is as long as its meter."""
    return max((line.length for line in typed_lines(decision)), default=Fraction(0))


def typed_lines(decision: Decision, staves: int = _MOST_STAVES) -> tuple[TypedLine, ...]:
    """Return the voices of a typed bar; raise BarTextError for what is none."""
    return tuple(read_line(text, staff, voice, staves) for staff, voice, text in sorted(decision.lines))


def read_printed(data: bytes, name: str, entries: Sequence[PageEntry]) -> Printed:
    """Read a PDF and correct it as its entries say."""
    of = digest_of(data)
    stand = standing(entries)
    own = tuple(entry.decision for entry in stand if entry.of == of and entry.decision is not None)
    found = _corrected(of, data, name, own)
    return replace(found, lost=found.lost + len(stand) - len(own))


@lru_cache(maxsize=2)
def _corrected(of: str, data: bytes, name: str, decisions: tuple[Decision, ...]) -> Printed:
    from understave.score.readers.page.page_reader import read_bars

    score, bars = read_bars(data, name, [told_of(decision) for decision in decisions])
    staves = score.parts[-1].last_staff
    decided: dict[int, tuple[Decision, ...]] = {}
    typed: dict[int, tuple[TypedLine, ...]] = {}
    marked: dict[int, tuple[Mark, ...]] = {}
    lost = 0
    for decision in decisions:
        index = bar_at(bars, decision.at)
        if index is None:
            lost += 1
            continue
        before = decided.get(index, ())
        if decision.what in ("join", "split"):
            # What stood in the bars that were here is not what stands in this one.
            before = tuple(d for d in before if d.what not in ("notes", "marks", "right"))
            typed.pop(index, None)
            marked.pop(index, None)
        try:
            if decision.what == "notes":
                typed[index] = typed_lines(decision, staves)
            if decision.what == "marks":
                marked[index] = tuple(checked(mark, staves) for mark in decision.marks)
        except BarTextError:  # of a staff that is not read any more
            lost += 1
            continue
        decided[index] = (*before, decision)
    if typed:
        score = with_bars(score, typed)
    if marked:
        score = with_marks(score, marked)
    if typed or marked:
        score = with_source(score)
    return Printed(of, as_engraved(score, name), bars, decided, lost)


def bar_at(bars: Sequence[PrintedBar], place: Place) -> int | None:
    """Return the index of the bar at a place of the pages, None where there is none."""
    return next((k for k, bar in enumerate(bars) if bar.frame.holds(place)), None)


def printed_in(folder: LessonFolder) -> Printed | None:
    """Return the score of a lesson that was read from pages, corrected; None where it was not."""
    data = read_bytes(folder.score)
    if not is_printed(data, folder.score.suffix):
        return None
    return read_printed(data, folder.score.name, read_entries(folder.path))


def lesson_score(folder: LessonFolder) -> Score:
    """Return the score of a lesson, with what was corrected on its pages."""
    return score_for(folder.path, folder.score)


def score_for(folder: Path, source: Path) -> Score:
    """Return the score of a file as the lesson folder that it is for has corrected it.

    Raises UnderstaveError for anything that is not a readable score.
    """
    entries = read_entries(folder)
    data = read_bytes(source) if entries else b""
    if not entries or not is_printed(data, source.suffix):
        return read_score(source)
    printed = read_printed(data, source.name, entries)
    if not printed.lost:
        return printed.score
    lost = Remark(
        "page_lost",
        "{count} entries in {file} belong to bars of other pages and are not used; they are kept.",
        count=printed.lost,
        file=FILE,
    )
    return replace(printed.score, warnings=(lost, *printed.score.warnings))
