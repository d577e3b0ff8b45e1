"""A real Firefox for the tests of the pages, led by its own remote protocol (Marionette, under WebDriver).

Commands are those of WebDriver (W3C); a message is ``length:[type, id, command, parameters]`` on a socket.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

NAMES = ("firefox-esr", "firefox")
_ELEMENT = "element-6066-11e4-a52e-4f735466cecf"
"""The name under which WebDriver hands out elements."""
_PATIENCE = 60.0
_PREFERENCES = {
    "marionette.port": 0,
    "browser.download.folderList": 2,
    "browser.helperApps.neverAsk.saveToDisk": "application/json",
    "browser.shell.checkDefaultBrowser": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "app.update.enabled": False,
    "network.captive-portal-service.enabled": False,
    "toolkit.telemetry.enabled": False,
}


class Firefox:
    """One window of a running Firefox."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=_PATIENCE)
        self._rest, self._number = b"", 0
        self._receive()
        self.do("WebDriver:NewSession", capabilities={})

    def do(self, command, **parameters):
        """Send a command and return its answer's value; an error of the browser fails the test."""
        self._number += 1
        text = json.dumps([0, self._number, command, parameters]).encode()
        self._socket.sendall(f"{len(text)}:".encode() + text)
        _, _, error, value = self._receive()
        assert error is None, f"{command}: {error}"
        return value.get("value", value) if isinstance(value, dict) else value

    def _receive(self):
        while b":" not in self._rest:
            self._rest += self._socket.recv(65536)
        size, _, rest = self._rest.partition(b":")
        while len(rest) < int(size):
            rest += self._socket.recv(65536)
        self._rest = rest[int(size) :]
        return json.loads(rest[: int(size)])

    def open(self, address):
        """Go to a page."""
        self.do("WebDriver:Navigate", url=address)

    def evaluate(self, expression, *arguments):
        """Return what an expression is in the page."""
        return self.do("WebDriver:ExecuteScript", script=f"return ({expression});", args=list(arguments))

    def until(self, expression, seconds=_PATIENCE):
        """Wait for something in the page."""
        end = time.monotonic() + seconds
        while not self.evaluate(expression):
            if time.monotonic() > end:
                raise TimeoutError(f"not within {seconds} s: {expression}")
            time.sleep(0.1)

    def find(self, selector):
        """Return the first element that a CSS selector finds."""
        found = self.do("WebDriver:FindElement", using="css selector", value=selector)
        return found[_ELEMENT]

    def press_button(self, words):
        """Press the button of these words, wherever it stands."""
        self.evaluate(
            "[...document.querySelectorAll('button')].find((b) => b.textContent === arguments[0]).click()",
            words,
        )

    def click(self, selector):
        """Click an element as a hand does: it must be seen, and nothing may lie over it."""
        self.do("WebDriver:ElementClick", id=self.find(selector))

    def type(self, selector, text):
        """Type into an element."""
        self.do("WebDriver:ElementSendKeys", id=self.find(selector), text=text)


@contextmanager
def running_firefox(place: Path):
    """A headless Firefox with a profile of its own, downloading to ``place / "downloads"``; or skip."""
    path = next((found for name in NAMES if (found := shutil.which(name))), None)
    if path is None:
        pytest.skip("there is no Firefox to test the page in (Debian: firefox-esr)")
    profile, downloads = place / "profile", place / "downloads"
    profile.mkdir()
    downloads.mkdir()
    preferences = {**_PREFERENCES, "browser.download.dir": str(downloads)}
    lines = [f"user_pref({json.dumps(k)}, {json.dumps(v)});" for k, v in preferences.items()]
    (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
    running = subprocess.Popen(
        [path, "--headless", "--marionette", "--no-remote", "--profile", str(profile), "about:blank"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={"HOME": str(place), "PATH": "/usr/bin:/bin", "MOZ_HEADLESS": "1", "LANG": "C.UTF-8"},
    )
    try:
        kept = profile / "MarionetteActivePort"
        end = time.monotonic() + _PATIENCE
        while not kept.is_file() or not kept.read_text():
            assert running.poll() is None, "Firefox ended"
            assert time.monotonic() < end, "Firefox does not answer"
            time.sleep(0.1)
        yield Firefox(int(kept.read_text()))
    finally:
        running.terminate()
        running.wait(20)
