"""Workers that are ended, scores exchanged meanwhile, faults of our own: the desk goes on and says so."""

from __future__ import annotations

import asyncio
import os
import signal
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

import httpx
import pytest
from tests.desk.desk_lesson import OWN, PORT, app_for, copy, desk_in, opened

from understave.desk import work
from understave.errors import UnderstaveError
from understave.faults import log_file
from understave.interpretation.plan import Plan
from understave.interpretation.tempo import basic_tempo
from understave.theory.convention_choices import STANDARD, Conventions, current, following


@pytest.fixture
def workers():
    replaced = []
    made = work.Workers(lambda: replaced.append(True))
    made.replaced = replaced
    yield made
    made.shutdown()


def kill(workers):
    for process in workers.processes():
        os.kill(process.pid, signal.SIGKILL)


def test_a_killed_worker_is_replaced_and_its_job_done_again(workers):
    assert workers.submit(abs, -1).result(60) == 1
    slow = workers.submit(time.sleep, 1.5)
    after = [workers.submit(abs, -k) for k in (2, 3)]
    kill(workers)
    assert slow.result(60) is None
    assert [f.result(60) for f in after] == [2, 3]
    assert workers.replaced == [True]
    kill(workers)  # while it has nothing to do
    time.sleep(0.2)
    assert workers.submit(abs, -4).result(60) == 4


def test_a_job_that_ends_its_workers_is_given_up_and_harms_no_other(workers):
    bad = workers.submit(os._exit, 3)
    good = workers.submit(abs, -5)
    with pytest.raises(UnderstaveError, match="ended by the system twice"):
        bad.result(60)
    assert good.result(60) == 5
    with pytest.raises(ZeroDivisionError):  # what a job raises is not a lost worker
        workers.submit(divmod, 1, 0).result(60)


def test_a_job_is_done_in_the_conventions_of_whoever_asks(workers):
    """Stops and contrasts are put into words and engraved by a worker."""
    with following(Conventions(numerals="capital", keys="letters")):
        asked = workers.submit(current)
    assert asked.result(60) == Conventions(numerals="capital", keys="letters")
    assert workers.submit(current).result(60) == STANDARD


def test_nothing_starts_again_once_the_workers_are_sent_away(workers):
    slow, waits = workers.submit(time.sleep, 30), workers.submit(abs, -1)
    while not workers.processes():
        time.sleep(0.02)
    workers.shutdown()
    assert waits.cancelled()
    assert slow.exception(20) is not None
    assert workers.replaced == []


class Refusing:
    """An executor whose first job fails and whose later ones are done in a thread."""

    def __init__(self):
        self.asked, self.threads = 0, ThreadPoolExecutor(1)

    def submit(self, job, *given):
        self.asked += 1
        if self.asked > 1:
            return self.threads.submit(job, *given)
        failed = Future()
        failed.set_exception(UnderstaveError("It was ended."))
        return failed


def client(desk):
    return httpx.AsyncClient(
        transport=httpx.ASGITransport(app_for(desk), raise_app_exceptions=False),
        base_url=f"http://127.0.0.1:{PORT}",
        headers=OWN,
    )


def test_the_desk_says_so_and_draws_the_sheet_after_its_worker_was_killed(tmp_path):
    async def run():
        desk, lesson = desk_in(tmp_path)
        _, lesson.makers = desk.pools()
        window = asyncio.Queue()
        lesson.listeners.add(window)
        async with client(desk) as browser:
            asked = asyncio.create_task(browser.get("/api/sheet/250"))
            while not lesson.makers.processes():
                await asyncio.sleep(0.05)
            kill(lesson.makers)
            answer = await asked
            assert answer.status_code == 200
            assert "<svg" in answer.json()["pages"][0]
        said = window.get_nowait()
        assert said["type"] == "trouble"
        assert "started again" in said["error"]
        await desk.close()

    asyncio.run(run())


def test_a_sheet_that_failed_once_is_engraved_when_asked_for_again(tmp_path):
    async def run():
        desk, lesson = desk_in(tmp_path)
        lesson.makers = Refusing()
        async with client(desk) as browser:
            assert (await browser.get("/api/sheet/250")).status_code == 422
            assert (await browser.get("/api/sheet/250")).status_code == 200
        await desk.close()

    asyncio.run(run())


def test_a_score_put_on_the_desk_while_the_sound_of_the_last_is_made(tmp_path, monkeypatch):
    """What was asked of the lesson before is answered in words, and told from a failure."""
    hold = threading.Event()
    monkeypatch.setattr(work, "play", lambda *_: hold.wait(30))

    async def run():
        desk, lesson = desk_in(tmp_path)
        other = opened(copy(lesson.folder, tmp_path / "other"))
        async with client(desk) as browser:
            asked = asyncio.create_task(
                browser.get("/api/sound", params={"instrument": "upright", "pedal": "none"})
            )
            while not lesson._sounds:
                await asyncio.sleep(0.02)
            await desk.put(other)
            answer = await asyncio.wait_for(asked, 10)
            assert answer.status_code == 409
            assert answer.json()["gone"] is True
            assert answer.json()["error"].startswith("Another score lies on the desk now")
            assert (await browser.get("/api/lesson")).json()["folder"] == "other"
        hold.set()
        await desk.close()

    asyncio.run(run())


def asking(tmp_path, monkeypatch, *asked):
    """The answers to requests, and what the log of our faults holds after them."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr("sys.platform", "linux")

    async def run():
        desk, _ = desk_in(tmp_path)
        async with client(desk) as browser:
            answers = [await browser.request(*one[:2], **one[2]) for one in asked]
        await desk.close()
        return answers

    answers = asyncio.run(run())
    log = log_file()
    return answers, log.read_text(encoding="utf-8") if log.is_file() else ""


@pytest.mark.parametrize("fault", [KeyError("x"), TypeError("x"), ValueError("x"), ZeroDivisionError("x")])
def test_a_fault_of_ours_is_logged_and_not_blamed_on_the_page(tmp_path, monkeypatch, fault):
    def broken(*_):
        raise fault

    monkeypatch.setattr("understave.desk.values.why", broken)
    (answer,), log = asking(tmp_path, monkeypatch, ("GET", "/api/why", {"params": {"start": "0"}}))
    assert answer.status_code == 500
    assert "fault of Understave" in answer.json()["error"]
    assert "answering GET /api/why" in log
    assert type(fault).__name__ in log


EDIT, STOPS = ("POST", "/api/edit"), ("POST", "/api/stops/edit")


@pytest.mark.parametrize(
    "asked",
    [
        ("GET", "/api/why", {"params": {"start": "1e9999999"}}),
        ("GET", "/api/why", {"params": {"start": "1/0"}}),
        ("GET", "/api/why", {}),
        ("GET", "/api/sound", {}),
        (*EDIT, {"content": b"[1]"}),
        (*EDIT, {"content": b"[" * 100_000}),
        (*EDIT, {"content": b'{"last": Infinity, "what": "undo"}'}),
        (*EDIT, {"content": b'{"last": 1e999, "what": "undo"}'}),
        (*EDIT, {"json": {"last": 0, "what": "fly", "start": "0"}}),
        (*EDIT, {"json": {"last": 0, "what": "split", "start": "0", "at": "1e9999999"}}),
        (*EDIT, {"json": {"last": 0, "what": "move", "start": "0"}}),
        ("POST", "/api/open", {"json": {"number": "first"}}),
        ("POST", "/api/compare", {"json": {"text": 3}}),
        ("POST", "/api/export", {"json": {"paper": "papyrus"}}),
        (*STOPS, {"json": {}}),
        (*STOPS, {"json": {"what": "move", "stop": "b1", "to": "up"}}),
        (*STOPS, {"json": {"what": "text", "stop": "b1", "field": "colour", "text": "", "bars": "1"}}),
        (*STOPS, {"json": {"what": "text", "stop": "../b1", "field": "say", "text": "x", "bars": "1"}}),
        (*STOPS, {"json": {"what": "leave out", "stop": "a/b"}}),
        ("GET", "/api/elsewhere/picture", {"params": {"piece": "x", "bar": "one", "last": "2"}}),
    ],
    ids=str,
)
def test_what_no_page_of_ours_sends_is_refused_at_once_and_not_logged(tmp_path, monkeypatch, asked):
    start = time.monotonic()
    (answer,), log = asking(tmp_path, monkeypatch, asked)
    assert answer.status_code == 400
    assert answer.json()["error"].endswith("makes no sense here.")
    assert log == ""
    assert time.monotonic() - start < 20


def test_what_is_seen_does_not_wait_for_the_sound_of_the_piece(tmp_path, monkeypatch):
    """Sheet, stops and opening come while the whole sound is being made, and the cheap before the long."""
    hold, waits = threading.Event(), {}
    answers = {"play_opening": "opening", "stops": {"chosen": []}, "contrast": {}, "engrave_sheet": None}
    jobs = {name: lambda *_, found=found: found for name, found in answers.items()}
    jobs["play"] = lambda *_: hold.wait(30)
    for name, job in jobs.items():
        monkeypatch.setattr(work, name, job)
    monkeypatch.setattr("understave.desk.opened.pages", lambda *_: [])

    class Threads(work.Workers):
        """As many as there are processes, so that what waits for another would wait here too."""

        def __init__(self, count):
            super().__init__()
            self.threads = ThreadPoolExecutor(count)

        def ask(self, job, wait=0, on_told=lambda _: None):
            waits[next(name for name, known in jobs.items() if known is job.func)] = wait
            return self.threads.submit(job)

    async def run():
        desk, lesson = desk_in(tmp_path)
        lesson.makers, lesson.players = Threads(1), Threads(len(desk.players()._workers))
        lesson.shown = replace(lesson.shown, plan=Plan(tempo=basic_tempo(lesson.score)))
        whole = asyncio.create_task(lesson.sound("upright", "none"))
        await asyncio.sleep(0.1)
        assert await asyncio.wait_for(lesson.sound("upright", "none", whole=False), 10) == "opening"
        assert await asyncio.wait_for(lesson.stops(), 10) == {"chosen": []}
        assert await asyncio.wait_for(lesson.contrast("x"), 10) == {}
        assert await asyncio.wait_for(lesson.sheet(180.0), 10) == []
        assert not whole.done()
        hold.set()
        assert await whole is True
        await desk.close()

    asyncio.run(run())
    assert waits["engrave_sheet"] < waits["stops"] < waits["contrast"] < waits["play"]
    assert waits["play_opening"] < waits["play"]


def test_an_export_tells_its_steps_and_is_stopped_with_all_its_processes(tmp_path):
    async def run():
        desk, lesson = desk_in(tmp_path)
        window = asyncio.Queue()
        lesson.listeners.add(window)
        async with client(desk) as browser:
            assert (await browser.post("/api/export", json={"level": "beginner"})).json() == {"started": True}
            assert (await browser.post("/api/export", json={})).status_code == 422
            first = await asyncio.wait_for(window.get(), 120)
            assert first["type"] == "export"
            assert "step" in first or "share" in first
            pids = [p.pid for p in desk.exporters().processes()]
            assert (await browser.post("/api/export/stop", json={})).json() == {"stopped": True}
            while "stopped" not in (said := await asyncio.wait_for(window.get(), 30)):
                assert set(said) <= {"type", "step", "share"}
            assert (await browser.post("/api/export/stop", json={})).json() == {"stopped": False}
        for pid in pids:
            with pytest.raises(ProcessLookupError):
                os.kill(pid, 0)
        await desk.close()

    asyncio.run(run())


def test_an_export_that_cannot_be_made_says_why(tmp_path):
    async def run():
        desk, lesson = desk_in(tmp_path)
        window = asyncio.Queue()
        lesson.listeners.add(window)
        lesson.folder.score.write_bytes(b"no score")
        async with client(desk) as browser:
            await browser.post("/api/export", json={})
            while "error" not in (said := await asyncio.wait_for(window.get(), 120)):
                assert "done" not in said
        assert lesson.folder.score.name in said["error"]
        assert "\n" not in said["error"]
        await desk.close()

    asyncio.run(run())


def test_a_desk_that_stops_answers_whoever_waits_for_a_sound(tmp_path):
    """Left waiting, they would be cut off by the server, with a traceback on the terminal."""

    async def run():
        desk, lesson = desk_in(tmp_path)
        lesson.players = desk.players()
        async with client(desk) as browser:
            asked = [
                asyncio.create_task(
                    browser.get("/api/sound", params={"instrument": "upright", "pedal": "none", "part": part})
                )
                for part in ("opening", "whole")
            ]
            while len(lesson._sounds) < 2:
                await asyncio.sleep(0.02)
            desk.dismiss()
            answers = [await asyncio.wait_for(one, 5) for one in asked]
        assert [a.status_code for a in answers] == [409, 409]
        await desk.close()

    asyncio.run(run())
