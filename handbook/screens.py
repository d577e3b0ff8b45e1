"""Pictures of the guide that show the tool at work: the desk, the wall, the homework, the student's paper.

In: *Lock-Water*, our own piece. Out: PNG files in a folder. The screens need a Chromium and the package
playwright, the paper needs pdftoppm (Poppler); what cannot be made here is left out of the pages.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from collections.abc import Container
from pathlib import Path
from typing import Any

from benchmarks.desk_in_browser import browser, own_browser, started_desk

from understave.cli import main

SCREENS = ("desk.png", "wall.png", "homework.png", "student.png")
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
        if own_browser():
            with browser() as running:
                _screens(running.new_page(viewport=_SIZE), lesson, folder)
    return tuple(name for name in SCREENS if (folder / name).is_file())


def without_missing(text: str, there: Container[str]) -> str:
    """Return a page without the lines that show one of our pictures that was not made."""
    missing = {name for name in SCREENS if name not in there}
    shown = re.compile(r"!\[[^\]]*\]\(pictures/([^)]+)\)\n\n?")
    return shown.sub(lambda m: "" if m[1] in missing else m[0], text)


def _screens(page: Any, lesson: Path, folder: Path) -> None:
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
    with started_desk(lesson.parent, str(lesson)) as desk:
        page.goto(desk)
        page.locator("stave-score button.label").first.wait_for()
        page.locator("desk-checks .doubtful button").first.wait_for()
        page.keyboard.press("n")
        page.wait_for_timeout(1500)
        page.screenshot(path=folder / "desk.png")
