"""Two windows on one lesson, and a program beside the desk that changes its file, stay consistent."""

from __future__ import annotations

import asyncio
from contextlib import asynccontextmanager
from fractions import Fraction

import pytest
from tests.desk.desk_lesson import desk_in, folder_in, opened

from understave.desk import gestures
from understave.desk.opened import StaleError
from understave.harmony import corrections


def label(start, text):
    return lambda score, spans: gestures.label(score, spans, start, text)


class Window:
    """What a window does with messages: replace rows, by version numbers."""

    def __init__(self, lesson):
        self.queue = asyncio.Queue()
        lesson.listeners.add(self.queue)
        whole = lesson.whole()
        self.version, self.rows = whole["version"], whole["rows"]

    def hear_all(self):
        while not self.queue.empty():
            message = self.queue.get_nowait()
            if message["type"] != "reading" or message["version"] <= self.version:
                continue
            assert message["version"] == self.version + 1
            self.version = message["version"]
            self.rows[message["first"] : message["first"] + message["before"]] = message["rows"]


@asynccontextmanager
async def lesson_in(tmp_path):
    _, lesson = desk_in(tmp_path)
    try:
        yield lesson
    finally:
        await lesson.close()


def test_both_windows_end_with_the_same_rows(tmp_path):
    async def run():
        async with lesson_in(tmp_path) as lesson:
            one, two = Window(lesson), Window(lesson)
            starts = [s.start for s in lesson.shown.spans]
            last = lesson.history.last
            for number, text in ((3, "V7"), (9, "Ger65"), (4, "ii6"), (15, "bII6")):
                last = (await lesson.edit(last, label(starts[number], text)))["last"]
            last = (await lesson.undo(last))["last"]
            last = (await lesson.redo(last))["last"]
            await lesson.edit(last, lambda score, spans: gestures.join(score, spans, spans[6].start))
            one.hear_all()
            two.hear_all()
            assert one.rows == two.rows == lesson.whole()["rows"]

    asyncio.run(run())


def test_of_two_edits_on_one_state_the_second_is_refused(tmp_path):
    async def run():
        async with lesson_in(tmp_path) as lesson:
            spans, last = lesson.shown.spans, lesson.history.last
            found = await asyncio.gather(
                lesson.edit(last, label(spans[3].start, "V7")),
                lesson.edit(last, label(spans[3].start, "iv")),
                return_exceptions=True,
            )
            assert sorted(isinstance(f, StaleError) for f in found) == [False, True]
            assert len(corrections.load(lesson.folder.corrections)) == 1

    asyncio.run(run())


def test_what_another_program_corrects_is_taken_in(tmp_path):
    async def run():
        async with lesson_in(tmp_path) as lesson:
            window = Window(lesson)
            spans, last = lesson.shown.spans, lesson.history.last
            step = gestures.label(lesson.score, spans, spans[7].start, "Fr43")
            corrections.append(lesson.folder.corrections, step[0])
            with pytest.raises(StaleError):
                await lesson.edit(last, label(spans[3].start, "V7"))
            window.hear_all()
            assert next(r for r in window.rows if r["start"] == str(spans[7].start))["numeral"] == "Fr43"

    asyncio.run(run())


def test_undo_reaches_back_beyond_the_start_of_the_desk(tmp_path):
    folder = folder_in(tmp_path)

    async def first():
        lesson = opened(folder)
        last = 0
        for number in range(3, 9):
            start = lesson.shown.spans[number].start
            last = (await lesson.edit(last, label(start, "V7")))["last"]
        await lesson.close()

    async def second():
        lesson = opened(folder)
        assert sum(s.fixed for s in lesson.shown.spans) == 6
        last = lesson.history.last
        for _ in range(6):
            last = (await lesson.undo(last))["last"]
        assert not any(s.fixed for s in lesson.shown.spans)
        for _ in range(6):
            last = (await lesson.redo(last))["last"]
        assert sum(s.fixed for s in lesson.shown.spans) == 6
        await lesson.close()

    asyncio.run(first())
    asyncio.run(second())


def test_an_edit_that_is_refused_leaves_the_file_alone(tmp_path):
    async def run():
        async with lesson_in(tmp_path) as lesson:
            for gesture in (label(Fraction(1, 97), "V"), label(lesson.shown.spans[2].start, "xyz")):
                with pytest.raises(Exception, match=r"[.]$"):
                    await lesson.edit(lesson.history.last, gesture)
            assert not lesson.folder.corrections.exists()

    asyncio.run(run())
