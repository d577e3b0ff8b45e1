"""Pictures of the guide that show the tool at work: the desk, the wall, the homework, the student's paper.

In: *Lock-Water*, our own piece. Out: PNG files in a folder. The screens need a Chromium and the package
playwright, the paper needs pdftoppm (Poppler); what cannot be made here is left out of the pages.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Container, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from understave.cli import main

SCREENS = ("desk.png", "wall.png", "homework.png", "student.png")
_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
_SIZE = {"width": 1280, "height": 800}
_PATIENCE = 180_000
"""Milliseconds until the desk has read the piece, on a machine that does much else."""


def make_screens(piece: Path, folder: Path) -> tuple[str, ...]:
    """Make of the pictures those that can be made here; return their names."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        lesson = Path(made) / "lesson"
        if main(["lesson", str(piece), "--no-sound", "--out", str(lesson)]):
            raise SystemExit("the lesson for the pictures could not be made")
        if shutil.which("pdftoppm"):
            page = ["pdftoppm", "-r", "60", "-f", "2", "-l", "2", "-singlefile", "-png"]
            paper = lesson / "exports" / "student.pdf"
            subprocess.run([*page, str(paper), str(folder / "student")], check=True)
        with _browser() as browser:
            if browser is not None:
                _screens(browser, lesson, folder)
    return tuple(name for name in SCREENS if (folder / name).is_file())


def without_missing(text: str, there: Container[str]) -> str:
    """Return a page without the lines that show one of our pictures that was not made."""
    missing = {name for name in SCREENS if name not in there}
    shown = re.compile(r"!\[[^\]]*\]\(pictures/([^)]+)\)\n\n?")
    return shown.sub(lambda m: "" if m[1] in missing else m[0], text)


@contextmanager
def _browser() -> Iterator[Any]:
    """A headless Chromium of this machine, or None where there is none."""
    path = next((found for name in _BROWSERS if (found := shutil.which(name))), None)
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        path = None
    if path is None:
        yield None
        return
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path)
        yield running
        running.close()


def _screens(browser: Any, lesson: Path, folder: Path) -> None:
    page = browser.new_page(viewport=_SIZE)
    page.set_default_timeout(_PATIENCE)
    address = (lesson / "exports" / "page.html").as_uri()
    page.goto(f"{address}#projection")
    page.locator("stave-projection stave-score button, stave-projection h2").first.wait_for()
    for _ in range(2):
        page.keyboard.press("PageDown")
    page.wait_for_timeout(500)
    page.screenshot(path=folder / "wall.png")
    page.goto("about:blank")
    page.goto(f"{address}#homework")
    page.locator("stave-homework h2").first.wait_for()
    page.wait_for_timeout(500)
    page.screenshot(path=folder / "homework.png")
    call = [sys.executable, "-m", "understave", "open", str(lesson), "--no-browser"]
    with subprocess.Popen(call, stdout=subprocess.PIPE, text=True) as desk:
        try:
            line = desk.stdout.readline() if desk.stdout else ""
            found = re.search(r"http://127\.0\.0\.1:\d+/#\S+", line)
            if found is None:
                raise SystemExit(f"the desk for the pictures did not start: {line}")
            page.goto(found[0])
            page.locator("stave-score button.label").first.wait_for()
            page.locator("desk-checks .doubtful button").first.wait_for()
            page.keyboard.press("n")
            page.wait_for_timeout(1500)
            page.screenshot(path=folder / "desk.png")
        finally:
            desk.terminate()
    page.close()
