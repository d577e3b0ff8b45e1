"""Where else something happens, asked at the desk: requests, and the panel in a real browser."""

from __future__ import annotations

import asyncio
import json
import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from desk_lesson import OWN, app_for, desk_in
from starlette.testclient import TestClient
from test_desk_in_browser import BARS, SIZES, browser, new_page, until
from tests.in_browser import accessibility
from tests.once import opening

from understave.desk.app import Desk
from understave.desk.recent import Recent
from understave.repertoire import Question, find, index_folder

assert browser  # a fixture, used by name


@pytest.fixture(scope="module")
def scores(tmp_path_factory):
    """An indexed folder with our example in it."""
    folder = tmp_path_factory.mktemp("scores")
    shutil.copy(opening(BARS), folder / "Lock & water.musicxml")
    index_folder(folder, workers=1)
    return folder


def said(queue):
    return [queue.get_nowait() for _ in range(queue.qsize())]


def until_indexed(client, desk, seconds=120):
    last = time.monotonic() + seconds
    while desk.indexing is not None:
        assert time.monotonic() < last
        time.sleep(0.05)


def test_a_folder_is_indexed_and_stopped_from_the_desk(tmp_path):
    """What was read before the stop is not read again; what a lesson made of its score is no score."""
    scores = tmp_path / "own scores"
    (scores / "lesson" / "exports").mkdir(parents=True)
    for name in ("a", "b", "c"):
        shutil.copy(opening(4), scores / f"{name}.musicxml")
        with (scores / f"{name}.musicxml").open("ab") as file:
            file.write(f"<!-- {name} -->".encode())
    (scores / "lesson" / "lesson.toml").write_text("", encoding="utf-8")
    shutil.copy(opening(4), scores / "lesson" / "exports" / "annotated.musicxml")
    desk, lesson = desk_in(tmp_path)
    with TestClient(app_for(desk), base_url="http://" + OWN["host"], headers=OWN) as client:
        for folder in ("", "nowhere", "x" * 2000):
            refused = client.post("/api/elsewhere/index", json={"folder": folder})
            assert refused.status_code == 422
            assert "give the one your scores lie in" in refused.json()["error"]
        told = asyncio.Queue()
        lesson.listeners.add(told)
        assert client.post("/api/elsewhere/index", json={"folder": "own scores"}).json() == {"started": True}
        again = client.post("/api/elsewhere/index", json={"folder": "own scores"})
        assert "is being indexed; wait for it or stop it" in again.json()["error"]
        while not (desk.indexing is None or desk.indexing.far):
            time.sleep(0.02)
        client.post("/api/elsewhere/index/stop", json={})
        until_indexed(client, desk)
        messages = [m for m in said(told) if m["type"] == "index"]
        assert messages[-1] == {"type": "index", "stopped": True}
        read = messages[-2]["far"]["done"]
        assert 1 <= read < 3
        assert client.get("/api/elsewhere").json()["pieces"] == 0
        client.post("/api/elsewhere/index", json={"folder": "own scores"})
        until_indexed(client, desk)
        messages = [m for m in said(told) if m["type"] == "index"]
        assert messages[0]["far"]["total"] == 3 - read
        assert messages[-1] == {"type": "index", "done": {"n": 3, "failed": 0}}
        there = client.get("/api/elsewhere").json()
        assert (there["pieces"], there["folder"], there["indexing"]) == (3, str(scores), None)


@pytest.fixture
def client(scores, tmp_path):
    desk = Desk(tmp_path, Recent(tmp_path / "recent.json"), None, scores)
    with TestClient(app_for(desk), base_url="http://" + OWN["host"], headers=OWN) as client:
        yield client


def test_search_picture_and_sound(client, scores):
    assert client.get("/api/elsewhere").json()["pieces"] == 1
    answer = client.post("/api/elsewhere/search", json={"progression": "V I|i", "each": 2}).json()
    own = find(scores / "understave-index", Question(progression="V I|i", each=2))
    assert answer["count"] == own.count > 0
    place = answer["places"][0]
    where = {"piece": place["piece"], "bar": place["bar"], "last": place["last_bar"]}
    assert b"<svg" in client.get("/api/elsewhere/picture", params=where).content[:200]
    sound = client.get("/api/elsewhere/sound", params=where)
    assert sound.headers["content-type"] == "audio/mpeg"
    assert len(sound.content) > 10_000


@pytest.mark.parametrize(
    ("question", "status"),
    [
        ({"progression": "V W"}, 422),
        ({"path": "/etc/passwd"}, 422),
        ({}, 422),
        (["V"], 400),
    ],
)
def test_nonsense_gets_a_sentence(client, question, status):
    answer = client.post("/api/elsewhere/search", content=json.dumps(question))
    assert answer.status_code == status
    assert answer.json()["error"].endswith(".")


def test_only_places_of_the_index_are_shown(client):
    for piece, bar in (("../../etc/passwd", 0), ("", 10**9)):
        where = {"piece": piece, "bar": bar, "last": bar}
        assert client.get("/api/elsewhere/picture", params=where).status_code == 422
    assert client.get("/api/elsewhere/picture").status_code == 400


@pytest.mark.parametrize("name", ["~nobody-of-this-name/scores", "\0", "not there"])
def test_a_folder_that_is_none_gets_a_sentence(client, name):
    answer = client.post("/api/elsewhere/index", json={"folder": name})
    assert answer.status_code == 422
    assert "There is no folder" in answer.json()["error"]


def test_without_an_index_it_says_how_to_make_one(tmp_path):
    desk = Desk(tmp_path, Recent(tmp_path / "recent.json"))
    with TestClient(app_for(desk), base_url="http://" + OWN["host"], headers=OWN) as client:
        assert "understave index" in client.get("/api/elsewhere").json()["why"]


@pytest.fixture(scope="module")
def page(browser, scores, tmp_path_factory):
    """A desk with our example on it, started with a repertoire."""
    place = tmp_path_factory.mktemp("desk")
    source = str(Path(__file__).parents[2] / "src")
    env = {**os.environ, "XDG_STATE_HOME": str(place / "state"), "PYTHONUNBUFFERED": "1"}
    env["PYTHONPATH"] = os.pathsep.join([source, env.get("PYTHONPATH", "")])
    command = [sys.executable, "-m", "understave", "open", str(opening(BARS)), "--no-browser", "--repertoire"]
    running = subprocess.Popen([*command, str(scores)], cwd=place, env=env, stdout=subprocess.PIPE, text=True)
    address = re.search(r"http://127\.0\.0\.1:\d+/#\S+", running.stdout.readline())
    assert address
    page = new_page(browser)
    page.goto(address[0])
    until(page, "!!document.querySelector('stave-score')?.shadowRoot.querySelector('button.label')", 150)
    page.locator("#tab-elsewhere").click()
    until(page, "!!document.querySelector('#else-progression')")
    yield page
    assert page.faults == []
    page.close()
    running.terminate()
    running.wait(20)


def test_places_are_found_engraved_and_heard(page):
    page.locator("#else-progression").fill("V I|i")
    page.keyboard.press("Enter")
    until(page, "document.querySelectorAll('.places img').length > 0", 60)
    said = page.locator("desk-elsewhere > [role=status]").inner_text()
    assert re.fullmatch(r"\d+ found in 1 piece, \d shown\.", said)
    until(page, "document.querySelector('.places img').naturalWidth > 100")
    page.locator(".places .heard button").first.click()
    until(page, "document.querySelector('.places audio')?.duration > 1", 60)
    until(page, "document.querySelector('.places audio').currentTime > 0.2")
    page.evaluate("document.querySelector('.places audio').pause()")


def test_chosen_chords_become_a_progression(page):
    page.locator("stave-score button.label[data-label='1']").first.click()
    page.locator("#tab-elsewhere").click()
    page.get_by_role("button", name="As in the chosen chords").click()
    assert len(page.locator("#else-progression").input_value().split()) == 2
    page.locator("#else-progression").press("Enter")
    until(page, "/^[1-9]/.test(document.querySelector('desk-elsewhere > [role=status]').innerText)")


def test_what_cannot_be_understood_is_said(page):
    page.locator("#else-progression").fill("V W")
    page.keyboard.press("Enter")
    until(page, "document.querySelector('.trouble').innerText.includes('W')")
    page.locator(".trouble button").click()


@pytest.mark.parametrize("size", SIZES)
def test_no_serious_finding_and_nothing_off_the_screen(page, size):
    width, height = SIZES[size]
    page.set_viewport_size({"width": width, "height": height})
    page.locator("#tab-elsewhere").click()
    page.locator("#else-progression").fill("V I|i")
    page.locator("#else-progression").press("Enter")
    until(page, "document.querySelectorAll('.places img').length > 0", 60)
    for summary in page.locator("desk-elsewhere summary").all():
        summary.click()
    page.wait_for_timeout(400)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    _, serious = accessibility(page, crowded="stave-score")
    assert [v["id"] for v in serious] == []
    for summary in page.locator("desk-elsewhere summary").all():
        summary.click()
    if os.environ.get("UNDERSTAVE_SCREENSHOTS"):
        page.screenshot(path=str(Path(os.environ["UNDERSTAVE_SCREENSHOTS"]) / f"desk-{size}-elsewhere.png"))


def test_what_is_new_in_the_folder_is_read_from_the_panel(page, scores):
    page.set_viewport_size({"width": SIZES["laptop"][0], "height": SIZES["laptop"][1]})
    shutil.copy(opening(4), scores / "new.musicxml")
    page.locator("#tab-elsewhere").click()
    page.locator("desk-elsewhere > details summary").click()
    assert page.locator("#index-folder").input_value() == str(scores)
    page.locator("#index-start").click()
    page.locator("#index-stop").wait_for()
    until(
        page, "document.querySelector('desk-elsewhere > details').innerText.includes('2 scores can be')", 90
    )
    until(page, "document.querySelector('desk-elsewhere form').innerText.includes('In 2 pieces.')")
    assert page.locator("#index-start").is_visible()
