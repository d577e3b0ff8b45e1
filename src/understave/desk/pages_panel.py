"""A score read from printed pages, checked at the desk: each bar as the page has it and as it was read.

In: what is typed for a bar, its marks, its bar lines, that it is right, or the key, meter or clef from it on.
Out: the bars, the least sure first, pictures of a bar from the page and as engraved, its voices as text. What
is decided is on the disk before it is answered (`lesson.page_corrections`); the reading of the harmony
follows, once no more is typed.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from understave.desk import work
from understave.desk.history import History, history
from understave.desk.opened import StaleError
from understave.desk.sense import SenselessError, message, sense
from understave.errors import DeskError, UnderstaveError
from understave.faults import fault_sentence, keep_fault
from understave.harmony.odd_notes import OddNote
from understave.lesson.folder import LessonFolder, open_folder
from understave.lesson.page_corrections import (
    REPEATS,
    Decision,
    PageEntry,
    Printed,
    add,
    printed_in,
    read_entries,
    take_back,
    told_of,
)
from understave.score import reader
from understave.score.bar_text import BarTextError, add_up, lines_of, may_be_short, read_line
from understave.score.marked_anew import HAIRPINS, MOST_MARKS, Mark, checked, marks_of, read_beat
from understave.score.model import Note, Score, beat_text
from understave.score.readers.page.certainty import DOUBTFUL
from understave.score.readers.page.told_signs import Frame, Place
from understave.score.remarks import Remark
from understave.theory.vocabulary import Language

if TYPE_CHECKING:
    from understave.desk.app import Desk
    from understave.desk.opened import OpenLesson

CALM = 2.0
"""Seconds without a correction after which the harmony is read anew."""
PICTURES_KEPT = 128
BESIDE = 0.01
"""Part of the page's width that is shown on either side of a bar."""


def is_printed(folder: LessonFolder) -> bool:
    """Say whether a lesson's score was read from pages."""
    with folder.score.open("rb") as file:
        return reader.is_printed(file.read(1024), folder.score.suffix)


_IN_PANEL = ("page_compare", "page_copyright", "page_doubtful", "page_doubtful_many")


def not_in_panel(warnings: Sequence[str]) -> list[str]:
    """Return the warnings about a score read from pages, without those that the panel says itself."""
    return [w for w in warnings if not (isinstance(w, Remark) and w.name in _IN_PANEL)]


def _needed(folder: LessonFolder) -> Printed:
    found = printed_in(folder)
    if found is None:
        raise DeskError("This score was not read from pages; there is nothing to compare it with.")
    return found


Odd = Mapping[int, Sequence[tuple[Note, OddNote]]]
"""The notes of bars, by index, whose accidental the harmony finds unlikely."""


def odd_in_bars(lesson: OpenLesson, printed: Printed) -> Odd:
    """Return the notes that the harmony finds unlikely; none while it was read from other notes."""
    if lesson.score.source != printed.score.source:
        return {}
    found: dict[int, list[tuple[Note, OddNote]]] = {}
    for odd in lesson.odd_notes:
        note = lesson.score.note_by_id[odd.id]
        found.setdefault(note.measure, []).append((note, odd))
    return found


def _row(printed: Printed, index: int, odd: Odd) -> dict[str, Any]:
    """Return a bar as it stands in the list: which it is, how sure, and what was decided.

    Where the harmony finds a note unlikely, that is said too, until the bar is settled.
    """
    score, bar = printed.score, printed.bars[index]
    said = {decision.what for decision in printed.decided.get(index, ())}
    state = "typed" if "notes" in said else "right" if "right" in said else "read"
    return {
        "index": index,
        "number": score.bar_name(score.measures[index]),
        "page": bar.frame.page,
        "sure": round(bar.sure, 3),
        "state": state,
        "doubted": state == "read" and index in odd,
    }


def listed_bars(printed: Printed, entries: Sequence[PageEntry], odd: Odd) -> dict[str, Any]:
    """Return all bars, the least sure first and those that are settled last, and what can be undone."""
    rows = [_row(printed, index, odd) for index in range(len(printed.bars))]
    # What the harmony doubts comes with the bars that are named as doubtful.
    rows.sort(key=lambda row: (min(row["sure"], DOUBTFUL) if row["doubted"] else row["sure"], row["index"]))
    steps = history(entries)
    return {
        "bars": rows,
        "last": steps.last,
        "undo": len(steps.done),
        "redo": len(steps.undone),
    }


def bar_told(printed: Printed, index: int, language: Language, odd: Odd) -> dict[str, Any]:
    """Return the voices of a bar as text, the signs that hold in it, and what the harmony finds unlikely."""
    score, measure = printed.score, printed.score.measures[index]
    return {
        **_row(printed, index, odd),
        "lines": [
            {"staff": line.staff, "voice": line.voice, "text": line.text, "marks": line.marks}
            for line in lines_of(score, index, language)
        ],
        "key": measure.signature,
        "meter": f"{measure.beats}/{measure.beat_type}",
        "clefs": list(printed.bars[index].clefs),
        "repeat": _REPEATS[measure.repeat_start, measure.repeat_end],
        "ending": ", ".join(map(str, measure.ending)),
        "marks": [_mark_row(score, index, mark) for mark in marks_of(score, index)],
        "goes_on": _goes_on(printed, index),
        "odd": [
            {
                "note": note.written.name,
                "likelier": _as_written(note, one),
                "beat": beat_text(score.beat_at(note.onset)),
            }
            for note, one in odd.get(index, ())
        ],
    }


def _as_written(note: Note, odd: OddNote) -> str:
    """Return the likelier pitch at the height where the note is printed."""
    return replace(odd.likelier, octave=note.written.octave).name


_REPEATS = {signs: name for name, signs in REPEATS.items()}


def _mark_row(score: Score, index: int, mark: Mark) -> dict[str, Any]:
    """Return a mark with its moments as beats, that of a hairpin's end counted on over the bar line."""
    measure = score.measures[index]

    def beat(moment: Fraction) -> str:
        return beat_text(1 + (measure.offset + moment) / measure.beat_length)

    until = "" if mark.until is None else beat(mark.until)
    return {"kind": mark.kind, "text": mark.text, "at": beat(mark.at), "until": until, "staff": mark.staff}


def _goes_on(printed: Printed, index: int) -> bool:
    """Say whether another bar follows in the same line of the page."""
    here, *after = (bar.frame for bar in printed.bars[index : index + 2])
    return bool(after) and here.page == after[0].page and here.x0 < after[0].x0 and here.y0 < after[0].y1


def _marks(printed: Printed, index: int, rows: Any) -> tuple[Mark, ...]:
    """Understand the marks that the page sends; raise BarTextError for what is none."""
    score, measure = printed.score, printed.score.measures[index]
    if len(rows) > MOST_MARKS:
        raise SenselessError("marks")

    def moment(text: Any) -> Fraction:
        return (read_beat(str(text)[:20]) - 1) * measure.beat_length - measure.offset

    out = []
    for row in rows:
        kind = str(row["kind"])
        until = moment(row["until"]) if kind in HAIRPINS else None
        mark = Mark(kind, str(row["text"]), moment(row["at"]), until, int(row["staff"]))
        out.append(checked(mark, score.parts[-1].last_staff))
        if mark.at >= measure.length:
            raise BarTextError("beat", word=str(row["at"])[:20])
    return tuple(out)


def _told_line(printed: Printed, index: int, asked: dict[str, Any]) -> Decision:
    """Return a decision about a bar line; raise BarTextError where there is none to be decided about."""
    frame, what = printed.bars[index].frame, asked["what"]
    if what == "join":
        if not _goes_on(printed, index):
            raise BarTextError("join")
        return Decision(frame.middle, "join")
    if what == "split":
        shown = _shown(frame)
        x = shown.x0 + float(asked["value"]) * (shown.x1 - shown.x0)
        room = _ROOM * (frame.x1 - frame.x0)
        if not frame.x0 + room < x < frame.x1 - room:
            raise BarTextError("split")
        return Decision(frame.middle, "split", (), f"{x:.5f}")
    value = str(asked["value"]).strip()[:20]
    if what == "ending":
        value = value or "none"
    return Decision(frame.middle, what, (), value)


_ROOM = 0.03
"""Part of a bar's width that lies between its bar lines and another at least."""


def _shown(frame: Frame) -> Frame:
    """Return what is shown of the page with a bar."""
    return frame._replace(x0=max(0.0, frame.x0 - BESIDE), x1=min(1.0, frame.x1 + BESIDE))


def decided(printed: Printed, index: int, asked: dict[str, Any]) -> Decision:
    """Return the decision that the page sends; raise BarTextError where a typed bar is none."""
    at = printed.bars[index].frame.middle
    what = asked["what"]
    if what == "notes":
        score = printed.score
        lines = tuple((int(line["staff"]), int(line["voice"]), str(line["text"])) for line in asked["lines"])
        if len({line[:2] for line in lines}) < len(lines):
            raise SenselessError("one voice twice")
        typed = [read_line(text, staff, voice, score.parts[-1].last_staff) for staff, voice, text in lines]
        due = score.measures[index].full_length
        add_up(typed, due, may_be_short(score.measures, index), asked.get("free") is True)
        return Decision(at, "notes", tuple(line for line in lines if line[2].strip()))
    if what == "marks":
        return Decision(at, "marks", marks=_marks(printed, index, asked["marks"]))
    if what in ("join", "split", "repeat", "ending"):
        found = _told_line(printed, index, asked)
    elif what in ("right", "key", "meter", "clef"):
        found = _told_sign(printed, at, asked)
    else:
        raise SenselessError(str(what))
    try:
        told_of(found)
    except ValueError:
        if what not in ("meter", "ending"):
            raise
        raise BarTextError(what, word=found.value) from None
    return found


def _told_sign(printed: Printed, at: Place, asked: dict[str, Any]) -> Decision:
    what = asked["what"]
    staff = int(asked.get("staff", 0)) if what == "clef" else 0
    if staff > printed.score.parts[-1].last_staff:
        raise SenselessError("staff")
    return Decision(at, what, (), "" if what == "right" else str(asked["value"])[:20], staff)


def _change(lesson: OpenLesson, asked: dict[str, Any]) -> dict[str, Any]:
    """Put one change on the disk; return the bars as they are then, or why it was refused."""
    folder = lesson.folder
    entries = read_entries(folder.path)
    steps = history(entries)
    printed = _needed(folder)
    with sense():
        what, index = str(asked["what"]), int(asked["index"])
        if int(asked["last"]) != steps.last:
            raise StaleError("Another window has changed these pages meanwhile; look again.")
        if not 0 <= index < len(printed.bars):
            raise SenselessError("bar")
    if what in ("undo", "redo"):
        _turn(folder, steps, what)
    else:
        try:
            with sense():
                decision = decided(printed, index, asked)
        except BarTextError as error:
            return {"refused": {"name": error.name, "values": error.values}}
        add(folder.path, printed.of, decision)
    now = _needed(folder)
    return listed_bars(now, read_entries(folder.path), odd_in_bars(lesson, now))


def _turn(folder: LessonFolder, steps: History, what: str) -> None:
    found = steps.done if what == "undo" else steps.undone
    if not found:
        raise DeskError("There is nothing to undo." if what == "undo" else "There is nothing to do again.")
    for number in found[-1]:
        take_back(folder.path, number)


# --- answers -----------------------------------------------------------------------------------------------


async def listed(desk: Desk, request: Request) -> Any:
    """Tell the bars of the pages; null where the score was not read from pages."""
    lesson = await desk.current()
    printed = await asyncio.to_thread(printed_in, lesson.folder)
    if printed is None:
        return None
    odd = await asyncio.to_thread(odd_in_bars, lesson, printed)
    return listed_bars(printed, await asyncio.to_thread(read_entries, lesson.folder.path), odd)


async def _asked(desk: Desk, request: Request) -> tuple[OpenLesson, Printed, int]:
    lesson = await desk.current()
    printed = await asyncio.to_thread(_needed, lesson.folder)
    with sense():
        index = int(request.query_params["index"])
        if not 0 <= index < len(printed.bars):
            raise SenselessError("bar")
    return lesson, printed, index


async def bar(desk: Desk, request: Request) -> Any:
    """Tell one bar, and engrave it as it is read."""
    lesson, printed, index = await _asked(desk, request)
    language = await asyncio.to_thread(desk.speaks)
    odd = await asyncio.to_thread(odd_in_bars, lesson, printed)
    told = await asyncio.to_thread(bar_told, printed, index, language, odd)
    return {**told, "svg": await lesson.make_picture(work.engrave_bar, printed.score, index)}


async def picture(desk: Desk, request: Request) -> Any:
    """Show a bar as its page has it."""
    from understave.score.readers.page.page_reader import SEEN

    lesson, printed, index = await _asked(desk, request)
    frame = _shown(printed.bars[index].frame)
    key = (printed.of, frame)
    found = desk.pictures.get(key)
    if found is None:
        found = desk.pictures[key] = await lesson.make_picture(
            work.page_picture, lesson.folder.score, frame, SEEN in printed.score.warnings
        )
        while len(desk.pictures) > PICTURES_KEPT:
            desk.pictures.pop(next(iter(desk.pictures)))
    return Response(found, media_type="image/png")


async def change(desk: Desk, request: Request) -> Any:
    """Keep what was decided about a bar."""
    lesson = await desk.current()
    asked = await message(request)
    async with lesson.lock:
        found = await asyncio.to_thread(_change, lesson, asked)
    if "refused" not in found:
        if desk.reopening is not None:
            desk.reopening.cancel()
        desk.reopening = asyncio.create_task(_read_anew(desk, lesson.folder.path))
        desk.tell({"type": "pages", "last": found["last"]})
    return found


async def _read_anew(desk: Desk, path: Path) -> None:
    """Put the lesson of a folder on the desk again with the score that its pages now give."""
    await asyncio.sleep(CALM)
    lesson = desk.lesson
    if lesson is None or lesson.folder.path != path:
        return
    try:
        printed = await asyncio.to_thread(_needed, lesson.folder)
        if printed.score.source != lesson.score.source:
            await desk.open(open_folder(path))
    except UnderstaveError as error:
        desk.tell({"type": "trouble", "error": await desk.in_its_words(error)})
    except Exception as error:  # nobody waits for this
        log = await asyncio.to_thread(partial(keep_fault, error, "reading corrected pages anew at the desk"))
        desk.tell({"type": "trouble", "error": fault_sentence(error, log)})


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/pages", listed, "GET"),
    ("/api/pages/bar", bar, "GET"),
    ("/api/pages/picture", picture, "GET"),
    ("/api/pages", change, "POST"),
)
