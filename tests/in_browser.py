"""A real browser for the tests of the pages, and the accessibility check in it.

The check is axe-core (Deque Systems), the rules of WCAG 2.2 levels A and AA.
"""

import os
import shutil
import time
from contextlib import contextmanager

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

DRAWING = """(how) => {
  for (const score of document.querySelectorAll("stave-score"))
    for (const drawing of score.shadowRoot.querySelectorAll("svg")) drawing.style.visibility = how;
}"""
COVERED = """() => {
  const covered = [];
  for (const score of document.querySelectorAll("stave-score"))
    for (const control of score.shadowRoot.querySelectorAll("button")) {
      const b = control.getBoundingClientRect(), x = b.x + b.width / 2, y = b.y + b.height / 2;
      if (!b.width || x < 0 || x >= innerWidth || y < 0 || y >= innerHeight) continue;
      const met = score.shadowRoot.elementFromPoint(x, y);
      if (met && met.closest("svg") && !control.contains(met)) covered.push(control.className);
    }
  return covered;
}"""


def missing(what):
    """Skip the test, or fail it where a browser has been promised."""
    if os.environ.get("UNDERSTAVE_NEEDS_BROWSER"):
        pytest.fail(what)
    pytest.skip(what)


@contextmanager
def running_browser(arguments=()):
    """A headless Chromium, the machine's own where there is one."""
    try:
        from playwright.sync_api import Error, sync_playwright
    except ImportError:
        missing("the package playwright is not installed")
    path = next((found for name in NAMES if (found := shutil.which(name))), None)
    with sync_playwright() as p:
        try:
            running = p.chromium.launch(executable_path=path, args=list(arguments))
        except Error as error:
            missing(f"there is no Chromium to test the pages in: {str(error).splitlines()[0]}")
        yield running
        running.close()


def until(page, expression, seconds=60, argument=None):
    """Wait for something in the page; its policy forbids the waiting that evaluates text in it."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression, argument):
        if time.monotonic() > end:
            shown = page.evaluate("document.body.innerText")[:600]
            raise TimeoutError(f"not within {seconds} s: {expression}; {shown}")
        page.wait_for_timeout(60)


def until_so(page, seen, so, seconds=60):
    """Wait until what is `seen` by a function is `so`, in the words of another."""
    end = time.monotonic() + seconds
    while not so(now := seen()):
        if time.monotonic() > end:
            raise TimeoutError(f"not within {seconds} s; {str(now)[:600]}")
        page.wait_for_timeout(60)


def accessibility(page, crowded=None, colours_only=False, drawn=False, crowd_seen=False):
    """What axe-core says of a page: the rules passed, and the serious and critical violations.

    `colours_only` is for a page that has been looked at whole in other colours.

    `crowded` is a selector of what is not held to the size of targets (WCAG 2.2, success criterion 2.5.8),
    where the caller has shown that another control of full size does the same. Comparing each control with
    the thousands of nodes of an engraved score is also what takes that check half a minute.

    `crowd_seen` leaves the crowd out altogether: it has been looked at on this screen.

    `drawn` hides the lines and heads of the scores, which are no controls, while the size of targets is
    looked at: comparing each control with all of them takes minutes. That none of them lies over a control
    is seen by asking the page what the pointer would meet there.
    """
    try:
        from axe_playwright_python.sync_playwright import Axe
    except ImportError:
        missing("the package axe-playwright-python is not installed")
    only = {"type": "rule", "values": ["color-contrast"]} if colours_only else RULES
    options = {"runOnly": only, "resultTypes": ["violations"]}
    size = {"runOnly": {"type": "rule", "values": ["target-size"]}, "resultTypes": ["violations"]}
    without_size = {**options, "rules": {"target-size": {"enabled": False}}}
    if drawn:
        found = [Axe().run(page, options=without_size)]
        assert page.evaluate(COVERED) == []
        page.evaluate(DRAWING, "hidden")
        found.append(Axe().run(page, options=size))
        page.evaluate(DRAWING, "")
    elif crowd_seen:
        found = [Axe().run(page, context={"exclude": [[crowded]]}, options=options)]
    elif crowded is None:
        found = [Axe().run(page, options=options)]
    else:
        found = [
            Axe().run(page, options=without_size),
            Axe().run(page, context={"exclude": [[crowded]]}, options=size),
        ]
    passes = [rule for f in found for rule in f.response["passes"]]
    violations = [rule for f in found for rule in f.response["violations"]]
    return passes, [v for v in violations if v["impact"] in ("serious", "critical")]
