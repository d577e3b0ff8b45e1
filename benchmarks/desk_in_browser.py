"""What somebody at the desk waits for, in a browser: ``python -m benchmarks.desk --browser [SCORE ...]``.

In: scores. Out: seconds from dropping one on a desk that has just been started until the first note is
drawn, all systems are, the chords' labels are, the lesson's stops are listed and the first sound can be
played; then milliseconds from a key to the redrawn lanes, while the sound of another piano is being made.
Headless Chromium; the machine's load is printed beside. The desk is started as a teacher starts it.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Any

from rich.console import Console
from rich.table import Table

_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
SCREEN = {"width": 1366, "height": 768}
PATIENCE = 600.0
"""Seconds after which something that has not come is told as missing."""
GOALS = {"first note": 2.0, "labels": 3.5, "first sound": 3.0}
"""Seconds within which these are wanted on an idle machine."""
EDIT_GOAL = 100.0
"""Milliseconds within which 19 of 20 edits are to be redrawn."""
_WATCH = """() => {
  const seen = (window.seen = {});
  const score = () => document.querySelector("stave-score")?.shadowRoot;
  const wanted = {
    "first note": () => score()?.querySelector(".note"),
    "labels": () => score()?.querySelector("button.label"),
    "all systems": () => score()?.querySelector(".note") && !document.querySelector(".sheet").ariaBusy,
    "lesson tab": () => document.querySelector("desk-builder .stops li"),
    "first sound": () => document.querySelector("stave-transport audio, stave-transport .play") &&
      document.querySelector("stave-transport").audio.readyState >= 3,
    "whole sound": () => document.querySelector("stave-transport")?.audio.readyState >= 3 &&
      !document.querySelector("stave-transport").sound?.partial,
  };
  const look = () => {
    for (const [name, there] of Object.entries(wanted)) {
      if (!(name in seen) && there()) seen[name] = performance.now();
    }
    document.getElementById("tab-lesson")?.getAttribute("aria-selected") === "false" &&
      !seen.opened && (seen.opened = 1, document.getElementById("tab-lesson").click());
  };
  setInterval(look, 20);
}"""
_EDIT = """async (number) => {
  const score = document.querySelector("stave-score").shadowRoot;
  const labels = [...new Set([...score.querySelectorAll("button.label")].map((b) => b.dataset.label))];
  const label = labels[(7 * number + 3) % labels.length];
  score.querySelector(`button.label[data-label="${label}"]`).click();
  await new Promise((done) => setTimeout(done, 500));  // as long as a hand needs from the one to the other
  const begin = performance.now();
  const drawn = new Promise((done) => {
    const watch = new MutationObserver(() => {
      watch.disconnect();
      requestAnimationFrame(() => done(performance.now() - begin));
    });
    watch.observe(score, { subtree: true, childList: true });
    setTimeout(() => (watch.disconnect(), done(null)), 5000);
  });
  document.body.dispatchEvent(new KeyboardEvent("keydown", { key: "1", bubbles: true, composed: true }));
  return drawn;
}"""


def measured(score: Path, edits: int) -> tuple[dict[str, float], list[float]]:
    """Return seconds until things come after a score was dropped, and milliseconds of edits amid sound."""
    with TemporaryDirectory() as place, started_desk(Path(place)) as address, desk_page() as page:
        page.goto(address)
        page.wait_for_selector("#score-file", state="attached")
        page.evaluate(_WATCH)
        begin = page.evaluate("performance.now()")
        page.set_input_files("#score-file", str(score))
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            seen = page.evaluate("window.seen")
            if {"lesson tab", "whole sound"} <= set(seen):
                break
            time.sleep(0.05)
        # Another piano is asked for, and its sound is being made while chords are changed.
        page.evaluate(
            """() => { const choice = document.getElementById("instrument"); choice.selectedIndex = 1;
            choice.dispatchEvent(new Event("change")); document.getElementById("tab-chord").click(); }"""
        )
        time.sleep(0.5)
        times = [page.evaluate(_EDIT, number) for number in range(edits)]
    seconds = {name: (at - begin) / 1000 for name, at in seen.items() if name != "opened"}
    return dict(sorted(seconds.items(), key=lambda item: item[1])), [t for t in times if t is not None]


def report(scores: list[Path], edits: int, console: Console) -> None:
    """Print the figures of every score, with the goals."""
    for score in scores:
        begun = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
        seconds, times = measured(score, edits)
        table = Table("what", "seconds", "goal", title=score.name)
        for name, value in seconds.items():
            table.add_row(name, f"{value:.2f}", f"{GOALS[name]:g}" if name in GOALS else "")
        console.print(table)
        if times:
            within = sum(t <= EDIT_GOAL for t in times) / len(times)
            console.print(
                f"edits redrawn while sound is made: median {median(times):.0f} ms, longest "
                f"{max(times):.0f} ms, {within:.0%} of {len(times)} within {EDIT_GOAL:g} ms"
            )
        console.print(f"load before {begun:.1f} on {os.cpu_count()} cores")


@contextmanager
def started_desk(place: Path, *lesson: str) -> Iterator[str]:
    """The address of a desk, opened on a lesson where one is given; what it remembers goes into a folder."""
    env = {**os.environ, "XDG_STATE_HOME": str(place / "state"), "PYTHONUNBUFFERED": "1"}
    running = subprocess.Popen(
        [sys.executable, "-m", "understave", "open", *lesson, "--no-browser"],
        cwd=place,
        env=env,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert running.stdout is not None
        found = re.search(r"http://127\.0\.0\.1:\d+/#\S+", running.stdout.readline())
        if found is None:
            raise SystemExit("The desk did not start.")
        yield found[0]
    finally:
        running.terminate()
        running.wait(30)


def own_browser() -> str | None:
    """The path of a Chromium of this machine, None where there is none or nothing to drive it with."""
    return next(filter(None, map(shutil.which, _BROWSERS)), None) if find_spec("playwright") else None


@contextmanager
def browser() -> Iterator[Any]:
    """A headless Chromium, the machine's own where there is one."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=own_browser(), args=["--no-sandbox"])
        yield running
        running.close()


@contextmanager
def desk_page() -> Iterator[Any]:
    """A page to open a desk in."""
    with browser() as running:
        yield running.new_page(viewport=SCREEN)
