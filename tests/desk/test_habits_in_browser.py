"""What was learnt of the teacher's habits, at the desk in a real browser: read, switched, saved, taken.

The accessibility check is axe-core (Deque Systems), the rules of WCAG 2.2 levels A and AA.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from tests.in_browser import accessibility, running_browser, until_so
from tests.once import opening

from understave.harmony.habit_learning import Learnt, read_file, to_text
from understave.harmony.model.leaning import NO_HABITS, Habits
from understave.lesson.folder import create_folder, open_folder
from understave.lesson.own_habits import OwnHabits, load, save

LEARNT = Learnt(Habits(change=-2.0, lowest=1.0), (("change", 0.021), ("lowest", 0.008)), 9)
BARS = 8


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A desk with a small lesson on it, of a teacher of whom something was learnt."""
    place = tmp_path_factory.mktemp("habits")
    score = opening(BARS)
    folder = create_folder(place / "lesson", score, "Opening", "").path
    kept = place / "state" / "understave" / "habits.json"
    kept.parent.mkdir(parents=True)
    save(kept, OwnHabits(LEARNT))
    source = str(Path(__file__).parents[2] / "src")
    env = {**os.environ, "XDG_STATE_HOME": str(place / "state"), "PYTHONUNBUFFERED": "1"}
    env["PYTHONPATH"] = os.pathsep.join([source, env.get("PYTHONPATH", "")])
    running = subprocess.Popen(
        [sys.executable, "-m", "understave", "open", str(folder), "--no-browser"],
        cwd=place,
        env=env,
        stdout=subprocess.PIPE,
        text=True,
    )
    address = re.search(r"http://127\.0\.0\.1:\d+/#\S+", running.stdout.readline())
    assert address
    try:
        yield address[0], folder, kept
    finally:
        running.terminate()
        running.wait(20)


def until(page, says, seconds=60):
    until_so(page, says, bool, seconds)


def test_habits_are_read_switched_saved_and_taken(desk, tmp_path):
    address, folder, kept = desk
    with running_browser() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 800}, accept_downloads=True)
        page.set_default_timeout(60_000)
        page.goto(address)
        page.locator("#tab-habits").click()
        page.locator("desk-habits li").first.wait_for()
        said = page.locator("desk-habits").inner_text()
        assert "You stay on a chord longer than the reader." in said
        assert "2.1 %" in said
        assert "Learnt from 9 lessons" in said
        assert "This lesson is read so." in said
        assert open_folder(folder).habits == LEARNT.habits

        page.locator("#habits-on").uncheck()
        until(page, lambda: open_folder(folder).habits == NO_HABITS)
        until(page, lambda: "This lesson is read so." not in page.locator("desk-habits").inner_text())
        assert not load(kept).on
        page.locator("#habits-on").check()
        until(page, lambda: open_folder(folder).habits == LEARNT.habits)

        with page.expect_download() as download:
            page.locator("#habits-save").click()
        download.value.save_as(tmp_path / "habits.json")
        assert read_file(tmp_path / "habits.json") == LEARNT

        other = tmp_path / "other.json"
        other.write_text(to_text(Learnt(Habits(seventh=1.0), (), 12)), encoding="utf-8")
        page.set_input_files("#habits-file", str(other))
        until(page, lambda: "You write sevenths more often." in page.locator("desk-habits").inner_text())
        until(page, lambda: open_folder(folder).habits == Habits(seventh=1.0))
        other.write_text("no habits", encoding="utf-8")
        page.set_input_files("#habits-file", str(other))
        until(page, lambda: "other.json holds no habits" in page.locator(".trouble").inner_text())
        page.locator(".trouble button").click()

        for width, scheme in ((1280, "light"), (390, "dark")):
            page.set_viewport_size({"width": width, "height": 844})
            page.emulate_media(color_scheme=scheme)
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            passed, broken = accessibility(page, crowded="stave-score", colours_only=scheme == "dark")
            assert passed
            assert broken == []
        page.close()
