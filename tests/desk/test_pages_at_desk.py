"""A score read from pages, corrected at the desk: asked for as the page does it, and once in a real browser.

The pages are engraved by verovio from our own piece, and one bar is then made wrong as a reader would: the
outside reference is the piece itself. The accessibility check is axe-core (Deque Systems), the rules of WCAG
2.2 levels A and AA.
"""

from __future__ import annotations

import asyncio
import io
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from fractions import Fraction
from functools import cache
from queue import SimpleQueue

import pytest
from benchmarks.engraved import verovio_pdf
from PIL import Image
from starlette.testclient import TestClient
from tests.desk.desk_lesson import OWN, app_for, desk_in, opened
from tests.desk.desk_lesson import folder_in as folder_of
from tests.desk.test_desk_in_browser import started
from tests.in_browser import accessibility, running_browser, until
from tests.once import opening

from understave.desk import app, bringing_in, work
from understave.desk import opened as opened_desk
from understave.desk.app import Desk
from understave.desk.opened import OpenLesson
from understave.desk.recent import Recent
from understave.errors import ScoreError
from understave.harmony.corrections import append_step
from understave.harmony.odd_notes import OddNote
from understave.harmony.reading import Correction
from understave.harmony.trained import judge_score, read_judged
from understave.lesson.folder import SETTINGS, create_folder, open_folder
from understave.lesson.page_corrections import lesson_score, read_entries
from understave.score.pages_heard import tell_page
from understave.score.reader import read_score
from understave.score.readers.page.page_reader import SEEN
from understave.score.readers.page.picture_files import pictures_in
from understave.theory.key import Key
from understave.wording import phrasebook

BARS = 4


@cache
def pages():
    return verovio_pdf(read_score(opening(BARS)).source, "Leipzig")


def folder_in(place):
    (place / "piece.pdf").write_bytes(pages())
    return create_folder(place / "lesson", place / "piece.pdf", "Opening", "")


@pytest.fixture
def desk(tmp_path):
    folder = folder_in(tmp_path)
    desk = Desk(tmp_path, Recent(tmp_path / "recent.json"))
    lesson = OpenLesson(folder, lesson_score(folder), ThreadPoolExecutor(1), ThreadPoolExecutor(1))
    judged = judge_score(lesson.score)
    lesson.begin_with(judged, read_judged(lesson.score, judged).spans)
    desk.lesson = lesson
    with TestClient(app_for(desk), headers=OWN, base_url="http://127.0.0.1:4711") as client:
        yield client, lesson
    lesson.give_up()


def send(client, index, last, **what):
    return client.post("/api/pages", json={"index": index, "last": last, **what})


def lines(client, index):
    return client.get(f"/api/pages/bar?index={index}").json()["lines"]


def test_bars_come_from_the_least_sure_on_and_the_settled_ones_last(desk):
    client, _ = desk
    found = client.get("/api/pages").json()
    assert [row["sure"] for row in found["bars"]] == sorted(row["sure"] for row in found["bars"])
    assert {row["number"] for row in found["bars"]} == {"1", "2", "3", "4"}
    first = found["bars"][0]["index"]
    now = send(client, first, 0, what="right").json()
    assert (now["bars"][-1]["index"], now["bars"][-1]["state"], now["undo"]) == (first, "right", 1)
    again = send(client, first, now["last"], what="undo").json()
    assert (again["bars"], again["redo"]) == (found["bars"], 1)


def test_a_bar_is_shown_from_its_page_and_as_it_is_read(desk):
    client, lesson = desk
    bar = client.get("/api/pages/bar?index=1").json()
    assert bar["svg"].startswith("<svg")
    marked = {i for line in bar["lines"] for i, *_ in line["marks"]}
    assert all(f'id="{i}"' in bar["svg"] for i in marked)
    assert (bar["key"], bar["meter"], bar["clefs"]) == (-3, "3/4", [30, 18])
    picture = client.get("/api/pages/picture?index=1")
    ink = Image.open(io.BytesIO(picture.content)).convert("L")
    assert ink.getextrema() == (0, 255)
    assert lesson.score.measures[1].number == bar["number"]


def test_a_file_that_took_the_place_of_another_is_shown(desk, monkeypatch):
    client, lesson = desk
    monkeypatch.setattr(work, "page_picture", lambda file, frame, seen: file.read_bytes()[-4:])
    assert client.get("/api/pages/picture?index=1").content == pages()[-4:]
    lesson.folder.score.write_bytes(pages() + b"\n%new")  # the same pages, a bar stands where it stood
    assert client.get("/api/pages/picture?index=1").content == b"%new"


def test_a_typed_bar_is_kept_and_read_again_when_the_lesson_is_opened_again(desk):
    client, lesson = desk
    there = lines(client, 1)
    there[0]["text"] = "1/2 B4 1/4 D5_"
    now = send(client, 1, 0, what="notes", lines=there).json()
    assert {row["index"]: row["state"] for row in now["bars"]}[1] == "typed"
    assert lines(client, 1)[0]["text"] == "1/2 B4 1/4 D5_"
    score = lesson_score(open_folder(lesson.folder.path))
    assert "B4" in [str(n.pitch) for n in score.notes if n.measure == 1]
    send(client, 1, now["last"], what="undo")
    assert lesson_score(lesson.folder).source == lesson.score.source


def test_what_does_not_add_up_is_refused_with_its_voice_and_kept_when_it_is_wanted(desk):
    client, _ = desk
    there = [{"staff": 1, "voice": 1, "text": "1/4 C5 D5"}, {"staff": 2, "voice": 1, "text": "1/2 C3"}]
    refused = send(client, 1, 0, what="notes", lines=there).json()["refused"]
    assert refused == {
        "name": "under",
        "values": {"staff": "1", "voice": "1", "holds": "1/2", "due": "3/4", "by": "1/4"},
    }
    assert client.get("/api/pages").json()["undo"] == 0
    assert send(client, 1, 0, what="notes", lines=there, free=True).json()["undo"] == 1
    assert [line["text"] for line in lines(client, 1)] == ["1/4 C5 D5", "1/2 C3"]


def test_signs_are_told_once_and_carried(desk):
    client, _ = desk
    last = send(client, 1, 0, what="key", value="1").json()["last"]
    last = send(client, 2, last, what="clef", value="30", staff=2).json()["last"]
    found = [client.get(f"/api/pages/bar?index={k}").json() for k in range(BARS)]
    assert [bar["key"] for bar in found] == [-3, 1, 1, 1]
    assert [bar["clefs"][1] for bar in found] == [18, 18, 30, 30]
    refused = send(client, 1, last, what="meter", value="3/5").json()["refused"]
    assert refused == {"name": "meter", "values": {"word": "3/5"}}


def test_what_the_harmony_finds_unlikely_is_told_and_comes_first_until_it_is_settled(desk, monkeypatch):
    client, lesson = desk
    rows = client.get("/api/pages").json()["bars"]
    assert not any(row["doubted"] for row in rows)
    index = max(rows, key=lambda row: row["sure"])["index"]
    note = next(n for n in lesson.score.struck if n.measure == index)
    likelier = replace(note.pitch, alter=note.pitch.alter - 1)
    monkeypatch.setattr(opened_desk, "odd_notes", lambda score, spans: (OddNote(note.id, likelier, 0.8),))
    lesson.shown = replace(lesson.shown, spans=(*lesson.shown.spans[:-1], lesson.shown.spans[-1]))
    now = client.get("/api/pages").json()["bars"]
    assert [(row["index"], row["sure"]) for row in now if row["doubted"]] == [(index, now[0]["sure"])]
    assert client.get(f"/api/pages/bar?index={index}").json()["odd"] == [
        {"note": note.written.name, "likelier": likelier.name, "beat": "1"}
    ]
    found = send(client, index, 0, what="right").json()
    assert not any(row["doubted"] for row in found["bars"])
    # What was typed has another harmony, which is not read yet.
    typed = send(client, index, found["last"], what="key", value="1").json()
    assert not any(row["doubted"] for row in typed["bars"])
    assert client.get(f"/api/pages/bar?index={index}").json()["odd"] == []


def test_bar_lines_and_marks_are_told_at_the_desk_and_undone(desk):
    client, _ = desk
    before = client.get("/api/pages/bar?index=1").json()
    assert (before["repeat"], before["ending"], before["goes_on"]) == ("none", "", True)
    last = send(client, 1, 0, what="repeat", value="both").json()["last"]
    last = send(client, 1, last, what="ending", value="1, 2").json()["last"]
    rows = [
        {"kind": "dynamic", "text": "mf", "at": "1", "until": "", "staff": 1},
        {"kind": "diminuendo", "text": "", "at": "2 1/2", "until": "4", "staff": 2},
    ]
    last = send(client, 1, last, what="marks", marks=rows).json()["last"]
    now = client.get("/api/pages/bar?index=1").json()
    assert (now["repeat"], now["ending"]) == ("both", "1, 2")
    assert now["marks"] == [rows[0], {**rows[1], "at": "2.5"}]
    found = send(client, 1, last, what="join").json()
    assert len(found["bars"]) == BARS - 1
    found = send(client, 1, found["last"], what="split", value="0.5").json()
    assert len(found["bars"]) == BARS
    for _ in range(5):
        found = send(client, 1, found["last"], what="undo").json()
    assert client.get("/api/pages/bar?index=1").json() == before
    for wrong, name in (
        ({"what": "split", "value": 0.001}, "split"),
        ({"what": "ending", "value": "x"}, "ending"),
        ({"what": "marks", "marks": [{**rows[0], "text": "loud"}]}, "dynamic"),
        ({"what": "marks", "marks": [{**rows[0], "at": "4"}]}, "beat"),
        ({"what": "marks", "marks": [{**rows[0], "at": "0"}]}, "beat"),
        ({"what": "marks", "marks": [{**rows[1], "until": "2"}]}, "hairpin"),
        ({"what": "marks", "marks": [{**rows[0], "staff": 3}]}, "mark"),
    ):
        assert send(client, 1, found["last"], **wrong).json()["refused"]["name"] == name
    assert send(client, BARS - 1, found["last"], what="join").json()["refused"]["name"] == "join"
    assert send(client, 1, found["last"], what="repeat", value="often").status_code == 400
    assert send(client, 1, found["last"], what="marks", marks=rows * 40).status_code == 400


def test_what_makes_no_sense_and_what_another_window_has_changed_is_refused(desk):
    client, _ = desk
    for wrong in (
        {"what": "key", "value": "9"},
        {"what": "clef", "value": "30", "staff": 3},
        {"what": "other"},
        {"what": "notes", "lines": [{"staff": 1, "voice": 1, "text": ""}] * 2},
    ):
        assert send(client, 1, 0, **wrong).status_code == 400, wrong
    assert send(client, 99, 0, what="right").status_code == 400
    assert send(client, 1, 7, what="right").json()["stale"]
    assert send(client, 1, 0, what="undo").status_code == 422


def picture(shade):
    made = io.BytesIO()
    Image.new("L", (20, 30), shade).save(made, "PNG")
    return made.getvalue()


def test_pictures_brought_in_together_are_read_as_one_and_reading_is_followed_and_stopped(desk, monkeypatch):
    client, lesson = desk
    read = []

    def reads(file):
        read.append((file.name, [int(p[0, 0]) for p in pictures_in(file.read_bytes(), "")]))
        tell_page(1, 2)
        assert client.get("/api/import/far").json() == {"page": 1, "of": 2}
        assert client.post("/api/import/stop", json={}).json() == {"stopped": True}
        tell_page(2, 2)

    monkeypatch.setattr(bringing_in, "read_score", reads)
    first, second = picture(10), picture(200)
    query = {"name": ["b 1.png", "a.png"], "size": [len(first), len(second)]}
    answer = client.post("/api/import", params=query, content=first + second)
    assert answer.json() == {"stopped": True}
    assert read == [("b 1.tiff", [10, 200])]
    assert client.get("/api/import/far").json() is None
    assert client.post("/api/import/stop", json={}).json() == {"stopped": False}
    query["name"][1] = "a.mei"
    refused = client.post("/api/import", params=query, content=first + b"<mei/>".ljust(len(second)))
    assert (refused.status_code, refused.json()["error"].split(" (")[0]) == (
        422,
        "a.mei is no picture of a page",
    )
    query["size"][1] += 1
    assert client.post("/api/import", params=query, content=first + second).status_code == 400
    assert list(lesson.folder.path.parent.glob("*-lesson*")) == []


class Refuses:
    def __init__(self, answer):
        self.answer = answer

    def ask(self, job, on_told):
        return self.answer


def test_what_was_seen_on_pages_is_said_in_the_language_of_the_lesson(desk, monkeypatch):
    client, lesson = desk
    settings = lesson.folder.path / SETTINGS
    settings.write_text(f'{settings.read_text("utf-8")}\n[lesson]\nlanguage = "de"\n', "utf-8")
    lesson.score = replace(lesson.score, warnings=(SEEN, *lesson.score.warnings))
    # What the panel says itself is not said again above it.
    assert client.get("/api/lesson").json()["warnings"] == [phrasebook("de").remarks["page_seen"]]
    damaged = client.post("/api/import", params={"name": "a.png"}, content=picture(10)[:30])
    assert (damaged.status_code, damaged.json()["error"].split(",")[0]) == (422, "a.png ist kein Notentext")
    # Who exports reads the score again, and may be refused in words of its own.
    refused, told = Future(), SimpleQueue()
    refused.set_exception(ScoreError(SEEN))
    monkeypatch.setattr(Desk, "exporters", lambda _: Refuses(refused))
    monkeypatch.setattr(lesson, "tell", told.put)
    client.post("/api/export", json={})
    failed = {"type": "export", "error": phrasebook("de").remarks["page_seen"]}
    assert told.get(timeout=20) == failed


def test_what_happens_while_a_lesson_is_opened_again_is_not_lost(tmp_path, monkeypatch):
    """A harmony is corrected meanwhile: it is shown. Another lesson is chosen: it stays."""
    desk, before = desk_in(tmp_path)
    (tmp_path / "other").mkdir()
    again, other = opened(before.folder), opened(folder_of(tmp_path / "other"))
    desk.learning = object()  # nothing is to be learnt here

    async def corrected():
        correction = Correction("1", Fraction(1), "2", Fraction(1), Key.parse("a minor"), None)
        append_step(before.folder.corrections, (correction,))

    async def ready(*_):
        return again

    async def run():
        await desk.open(before.folder)
        assert (desk.lesson.history.last, len(desk.lesson.standing)) == (1, 1)
        assert desk.lesson.reading.spans[0].key == Key.parse("a minor")
        desk.reopening = asyncio.create_task(asyncio.sleep(60))
        await desk.put(again)
        await asyncio.sleep(0)
        assert not desk.reopening.cancelling()
        await desk.put(other)
        assert desk.reopening.cancelling()

    monkeypatch.setattr(app, "open_lesson", ready)
    monkeypatch.setattr(again, "begin", corrected)
    monkeypatch.setattr(desk, "pools", lambda: (ThreadPoolExecutor(1), ThreadPoolExecutor(1)))
    monkeypatch.setattr(desk, "players", lambda: ThreadPoolExecutor(1))
    asyncio.run(run())


def test_a_wrong_bar_is_put_right_in_a_browser_and_all_follows(tmp_path):
    """A PDF is brought in; a bar is typed, a note of it dragged, the bar ticked off."""
    (tmp_path / "piece.pdf").write_bytes(pages())
    with started(tmp_path) as (address, place), running_browser() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 1000})
        page.set_default_timeout(60_000)
        page.goto(address)
        for name in ("page 10.png", "page 9.png", "more.jpg"):
            (tmp_path / name).write_bytes(picture(200))
        page.locator("#score-file").set_input_files([tmp_path / "page 10.png", tmp_path / "page 9.png"])
        names = page.locator("desk-tray .name")
        assert names.all_inner_texts() == ["page 9.png", "page 10.png"]
        page.locator("#tray-files").set_input_files([tmp_path / "more.jpg"])
        page.locator("#tray-up-2").click()
        assert names.all_inner_texts() == ["page 9.png", "more.jpg", "page 10.png"]
        assert page.locator("#tray-read").inner_text() == "Read these 3 pictures"
        assert accessibility(page)[1] == []
        page.locator("#tray-files").set_input_files([tmp_path / "piece.pdf"])
        assert "Only pictures" in page.locator("desk-tray [role=alert]").inner_text()
        for _ in range(3):
            page.locator("#tray-out-0").click()
        assert not page.locator("desk-tray dialog").is_visible()
        page.locator("#score-file").set_input_files(tmp_path / "piece.pdf")
        # Pictures put in order while something else is read stay there.
        page.locator("#score-file").set_input_files([tmp_path / "page 9.png"])
        line = page.locator("#pages-line-1-1")
        line.wait_for()
        assert page.locator("desk-tray dialog").is_visible()
        assert names.all_inner_texts() == ["page 9.png"]
        page.get_by_role("button", name="Put the pictures away").click()
        page.locator("desk-pages img[src]").wait_for()
        # The last of the tabs: one to the left of the first.
        page.locator("#tab-chord").focus()
        page.keyboard.press("ArrowLeft")
        assert page.evaluate("() => document.activeElement.id") == "tab-pages"
        # What is clicked is selected in its line: typing takes its place.
        page.locator("desk-pages .notehead").first.click()
        chosen = "f => f.value.slice(f.selectionStart, f.selectionEnd)"
        assert line.evaluate(chosen) in line.input_value().split()
        assert page.evaluate("() => document.activeElement.id") == "pages-line-1-1"
        line.fill("1/4 C5")
        line.press("Enter")
        page.locator(".bar-wrong p").wait_for()
        assert "1/2 is missing" in page.locator(".bar-wrong").inner_text()
        assert accessibility(page)[1] == []
        line.fill("1/2 B4 1/4 D5")
        # The harmony is read anew, and who types goes on where they were.
        page.locator(".desk-head").evaluate("head => head.id = 'before'")
        line.press("Enter")
        until(page, "() => document.querySelector('#before') === null")
        until(
            page, "() => document.querySelector('.bar-head .hint:last-child').textContent === 'typed by you'"
        )
        until(page, "() => document.activeElement.id === 'pages-line-1-1'")
        assert page.locator("#panel-pages").evaluate("panel => panel.scrollTop") > 0
        # Dragged up by a step, a note takes the accidental of the key: D5 becomes E flat.
        head = page.locator("desk-pages .notehead").nth(1)
        box = head.bounding_box()
        middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        page.mouse.move(*middle)
        page.mouse.down()
        # What is held stays held when the desk is drawn anew meanwhile, as it is once a harmony was read.
        page.evaluate("() => document.body.replaceChildren(...document.body.children)")
        page.mouse.move(middle[0], middle[1] - 0.55 * box["height"], steps=3)
        page.mouse.up()
        until(page, "() => document.querySelector('#pages-line-1-1').value.endsWith('Eb5')")
        page.locator("#pages-bar").click()
        first = page.locator("#pages-bar").inner_text()
        # Pressed twice at once: what nobody has looked at yet is not ticked off, only stepped over.
        page.evaluate(
            """() => ["r", "r", "n"].forEach(key => document.body.dispatchEvent(
                new KeyboardEvent("keydown", { key, bubbles: true, composed: true })))"""
        )
        until(page, "name => document.querySelector('#pages-bar').textContent !== name", argument=first)
        third = page.locator("desk-pages li:nth-child(3) .name").text_content()
        until(page, "name => document.querySelector('#pages-bar').textContent === name", argument=third)
        (folder,) = place.glob("*-lesson")
        told = [entry.decision for entry in read_entries(folder)]
        assert [decision.what for decision in told] == ["notes", "notes", "right"]
        notes = [(str(n.pitch), n.onset % 3, n.duration) for n in lesson_score(open_folder(folder)).notes]
        assert ("B4", 0, 2) in notes
        assert ("Eb5", 2, 1) in notes
