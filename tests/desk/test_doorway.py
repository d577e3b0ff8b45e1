"""The desk's token stands in no process list, and the browser finds its way all the same."""

from __future__ import annotations

import json
import os
import re
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest
from tests.desk.desk_lesson import OWN
from tests.desk.test_guard import ask
from tests.in_browser import running_browser

from understave.desk.doorway import way_to

pytestmark = pytest.mark.skipif(os.name == "nt", reason="file modes and process lists")
BROWSER = """#!{python}
import json, os, pathlib, sys, urllib.parse, urllib.request
page = urllib.request.url2pathname(urllib.parse.urlsplit(sys.argv[1]).path)
told = dict(
    argv=sys.argv[1:], page=page, text=pathlib.Path(page).read_text(),
    modes=[os.stat(page).st_mode & 0o777, os.stat(os.path.dirname(page)).st_mode & 0o777],
)
pathlib.Path({out!r} + ".new").write_text(json.dumps(told))
os.rename({out!r} + ".new", {out!r})
"""


def started(place: Path, *options: str, **environment: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "understave", "open", *options],
        cwd=place,
        env={
            **os.environ,
            "PYTHONPATH": str(Path(__file__).resolve().parents[2] / "src"),
            "PYTHONUNBUFFERED": "1",
            "XDG_STATE_HOME": str(place / "state"),
            **environment,
        },
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("umask", [0o022, 0o000])
def test_the_browser_is_told_of_a_private_file_only(tmp_path, umask):
    told = tmp_path / "told.json"
    browser = tmp_path / "browser"
    browser.write_text(BROWSER.format(python=sys.executable, out=str(told)))
    browser.chmod(0o755)
    before = os.umask(umask)
    try:
        desk = started(tmp_path, DISPLAY=":99", BROWSER=f"{browser} %s")
    finally:
        os.umask(before)
    try:
        assert desk.stdout is not None
        address = re.search(r"http://127\.0\.0\.1:\d+/#(\S+)", desk.stdout.readline())
        assert address
        end = time.monotonic() + 60
        while not told.exists() and time.monotonic() < end:
            time.sleep(0.1)
        found = json.loads(told.read_text())
        assert len(found["argv"]) == 1
        assert address[1] not in found["argv"][0]
        assert address[0] in found["text"]
        assert found["modes"] == [0o600, 0o700]
        # Nor in any command line or environment of the desk and what it started.
        for process in Path("/proc").glob("[0-9]*/cmdline"):
            try:
                assert address[1].encode() not in process.read_bytes()
            except OSError:
                continue
    finally:
        desk.terminate()
        desk.wait(20)
    assert not Path(found["page"]).exists()


def test_the_file_is_for_its_user_alone_and_goes_away():
    with way_to("http://127.0.0.1:1/#a&b") as page:
        assert stat.S_IMODE(page.stat().st_mode) == 0o600
        assert "url=http://127.0.0.1:1/#a&amp;b" in page.read_text()
    assert not page.exists()
    assert not page.parent.exists()


def test_a_browser_gets_from_the_file_to_the_desk(tmp_path):
    desk = started(tmp_path, "--no-browser")
    try:
        assert desk.stdout is not None
        address = re.search(r"http://127\.0\.0\.1:\d+/#\S+", desk.stdout.readline())
        assert address
        with running_browser() as browser, way_to(address[0]) as file:
            page = browser.new_page()
            refused = []
            page.on(
                "response", lambda r: refused.append((r.url, r.status)) if r.status in (401, 403) else None
            )
            page.goto(file.as_uri())
            page.wait_for_url("http://127.0.0.1:*/**", timeout=60_000)
            page.wait_for_selector("text=drop", timeout=60_000)
            assert refused == []
    finally:
        desk.terminate()
        desk.wait(20)


def test_another_site_may_lead_to_the_empty_page_and_no_further(tmp_path):
    headers = {"host": OWN["host"], "sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert ask(tmp_path / "a", "/", headers=headers).status_code == 200
    assert ask(tmp_path / "b", "/", headers={**headers, "sec-fetch-mode": "cors"}).status_code == 403
    assert ask(tmp_path / "c", "/desk/desk.js", headers=headers).status_code == 403
    assert ask(tmp_path / "d", "/api/lesson", headers={**OWN, **headers}).status_code == 403
    framed = ask(tmp_path / "e", "/", headers=headers).headers["content-security-policy"]
    assert "frame-ancestors 'none'" in framed
