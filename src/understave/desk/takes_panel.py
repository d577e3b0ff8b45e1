"""The teacher's own playing at the desk: dropped or recorded from a MIDI keyboard, told, drawn, taken out.

In: the bytes of a recording, or what a keyboard sent with its seconds. Out: the takes that the lesson keeps,
each in words, with the notes that slipped and where its pedal is half down, and all of them over one
another and over time.
"""

from __future__ import annotations

import asyncio
import io
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import mido
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response

from understave.desk.sense import SenselessError, message, sense
from understave.errors import DeskError
from understave.interpretation.planning import make_plan
from understave.interpretation.tempo import basic_tempo
from understave.lesson.edits import bars_named
from understave.score.model import Score
from understave.takes import tie
from understave.takes.half_pedal import keep_own_half, own_file, own_half
from understave.takes.kept import (
    added_at,
    drop_take,
    keep_half,
    keep_take,
    kept_take,
    kept_takes,
    take_names,
)
from understave.takes.over_time import table, tell_over_time
from understave.takes.picture import draw_take
from understave.takes.recorded import SUFFIXES, recording_of
from understave.takes.slips import sign_words, signed
from understave.takes.told import Beside, tell_take
from understave.theory.vocabulary import Language

if TYPE_CHECKING:
    from understave.desk.app import Desk
    from understave.desk.opened import OpenLesson

MOST_MESSAGES = 100_000
"""Messages of a recording at most: more than an hour of playing with its pedal has."""
PLAYED = (0x80, 0x90, 0xB0)
"""Kinds of messages that are playing: keys let go and struck, controllers (MIDI 1.0)."""
_TICKS, _BEAT = 960, 500_000
"""Ticks a quarter note and microseconds of it in what is recorded here: about half a millisecond a tick."""


def kept(lesson: OpenLesson) -> dict[str, Any]:
    """Return which takes a lesson keeps, the latest first, and when they were added (ISO 8601, UTC); and the
    count-in before the next: how many `beats`, at which `tempo` in beats a minute.
    """
    folder = lesson.folder.path
    takes = [{"name": name, "added": added_at(folder, name)} for name in take_names(folder)[::-1]]
    return {"takes": takes, "count": count_in(lesson.score)}


def count_in(score: Score) -> dict[str, int]:
    """Return the beats of a count-in and their tempo: a bar of the piece's meter at its own tempo, two bars
    where one has fewer than three beats (common practice, no source).
    """
    bar = score.measures[0]
    beats = max(1, round(bar.full_length / bar.beat_length))
    tempo = min(240, max(20, round(basic_tempo(score) / float(bar.beat_length))))
    return {"beats": beats if beats > 2 else 4 if beats == 2 else 3, "tempo": tempo}


def told(lesson: OpenLesson, name: str, language: Language) -> dict[str, Any]:
    """Return a take in words, the ids of its notes that slipped, by kind (see `engraving.slip_signs`), what
    the kinds are called, and at which depth of the pedal the dampers half lie.
    """
    score = lesson.score
    take = kept_take(lesson.folder.path, score, name)
    return {
        "told": list(tell_take(score, take, language, _beside(lesson))),
        "slips": {kind: _ids(score, notes) for kind, notes in signed(take).items()},
        "signs": sign_words(language),
        "half": take.recording.half if take.recording.pedal else None,
    }


def over_time(lesson: OpenLesson, language: Language) -> dict[str, Any]:
    """Return what became of slips from take to take, and the headings and rows of a table of all takes."""
    found, _ = kept_takes(lesson.folder.path, lesson.score)
    headings, rows = table(lesson.score, [(one.name, one.take) for one in found], language)
    told = tell_over_time(lesson.score, [one.take for one in found], language)
    return {"told": list(told), "headings": list(headings), "rows": [list(row) for row in rows]}


def drawn(lesson: OpenLesson, language: Language) -> str:
    """Return the latest takes that fit the score over one another as SVG, as many as there are colours for;
    raise DeskError where there are none.
    """
    # What does not fit the score any more says so where it is told.
    found, _ = kept_takes(lesson.folder.path, lesson.score)
    if not found:
        raise DeskError("There is nothing to draw yet; record a take.")
    return draw_take(lesson.score, [one.take for one in found], _beside(lesson), language)


def _beside(lesson: OpenLesson) -> Beside:
    # The plan of what is shown may still be made.
    return Beside(lesson.plan or make_plan(lesson.score, lesson.reading), lesson.reading)


def _ids(score: Score, notes: Sequence[str]) -> list[str]:
    return [one for note in notes for one in score.note_by_id[note].ids]


def midi_of(messages: Sequence[tuple[float, int, int, int]]) -> bytes:
    """Return what a keyboard sent, (seconds, status, two data bytes) in order, as a Standard MIDI File."""
    file = mido.MidiFile(type=0, ticks_per_beat=_TICKS)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=_BEAT))
    before = 0
    for second, status, *data in messages:
        at = max(before, round(second * 1e6 / _BEAT * _TICKS))
        track.append(mido.Message.from_bytes([status, *data], time=at - before))
        before = at
    memory = io.BytesIO()
    file.save(file=memory)
    return memory.getvalue()


def _add(lesson: OpenLesson, data: bytes, name: str, bars: str) -> dict[str, Any]:
    score = lesson.score
    first: int | None = None
    last: int | None = None
    if bars.strip():
        first, last = (measure.index for measure in bars_named(score, bars, "The take"))
    recording = replace(recording_of(data, name), half=own_half(own_file()))
    take = tie(score, recording, first, last)
    return {"name": keep_take(lesson.folder.path, score, data, take, (first, last))}


async def listed(desk: Desk, request: Request) -> Any:
    """Answer with the names of the takes that the lesson keeps."""
    lesson = await desk.current()
    return await asyncio.to_thread(kept, lesson)


async def one(desk: Desk, request: Request) -> Any:
    """Answer with what is told of a take."""
    lesson = await desk.current()
    with sense():
        name = request.query_params["name"]
    return await asyncio.to_thread(told, lesson, name, await asyncio.to_thread(desk.speaks))


async def picture(desk: Desk, request: Request) -> Any:
    """Draw the takes over one another."""
    lesson = await desk.current()
    svg = await asyncio.to_thread(drawn, lesson, await asyncio.to_thread(desk.speaks))
    return Response(svg, media_type="image/svg+xml")


async def add(desk: Desk, request: Request) -> Any:
    """Tie a recording that was chosen or dropped, and keep it."""
    lesson = await desk.current()
    with sense():
        name, bars = Path(request.query_params["name"]).name[:120], request.query_params.get("bars", "")
    if Path(name).suffix.lower() not in SUFFIXES:
        raise DeskError(f"{name} is no recording; choose a file that ends in {', '.join(SUFFIXES)}.")
    try:
        data = await request.body()
    except ClientDisconnect:
        raise DeskError("The recording did not arrive whole; choose it again.") from None
    return await _added(desk, lesson, data, name, bars)


async def record(desk: Desk, request: Request) -> Any:
    """Tie what a MIDI keyboard sent, and keep it."""
    lesson = await desk.current()
    asked = await message(request)
    with sense():
        sent = [(float(t), int(status), int(a), int(b)) for t, status, a, b in asked["messages"]]
        bars = str(asked.get("bars", ""))
        if not all(
            0 <= t < 1e5 and s & 0xF0 in PLAYED and 0 <= s < 0xF0 and 0 <= a < 128 and 0 <= b < 128
            for t, s, a, b in sent
        ):
            raise SenselessError
    if len(sent) > MOST_MESSAGES:
        raise DeskError("That is more than an hour of playing; record it in parts.")
    name = f"played-{datetime.now().astimezone():%Y-%m-%d-%H-%M-%S}.mid"
    return await _added(desk, lesson, midi_of(sent), name, bars)


async def half(desk: Desk, request: Request) -> Any:
    """Keep at which depth of the pedal the dampers half lie, for a take and for those to come."""
    lesson = await desk.current()
    asked = await message(request)
    with sense():
        name, depth = str(asked["name"]), float(asked["half"])
    await asyncio.to_thread(keep_half, lesson.folder.path, lesson.score, name, depth)
    await asyncio.to_thread(keep_own_half, own_file(), depth)
    desk.tell({"type": "takes"})
    return await asyncio.to_thread(told, lesson, name, await asyncio.to_thread(desk.speaks))


async def compared(desk: Desk, request: Request) -> Any:
    """Answer with the takes over time."""
    lesson = await desk.current()
    return await asyncio.to_thread(over_time, lesson, await asyncio.to_thread(desk.speaks))


async def _added(desk: Desk, lesson: OpenLesson, data: bytes, name: str, bars: str) -> Any:
    found = await asyncio.to_thread(_add, lesson, data, name, bars)
    desk.tell({"type": "takes"})
    return found


async def drop(desk: Desk, request: Request) -> Any:
    """Take a recording out of the lesson; it is put aside."""
    lesson = await desk.current()
    asked = await message(request)
    with sense():
        name = str(asked["name"])
    place = await asyncio.to_thread(drop_take, lesson.folder.path, name)
    desk.tell({"type": "takes"})
    return {"place": place.relative_to(lesson.folder.path).as_posix()}


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/takes", listed, "GET"),
    ("/api/takes/one", one, "GET"),
    ("/api/takes/picture", picture, "GET"),
    ("/api/takes", add, "POST"),
    ("/api/takes/record", record, "POST"),
    ("/api/takes/drop", drop, "POST"),
    ("/api/takes/half", half, "POST"),
    ("/api/takes/over-time", compared, "GET"),
)
