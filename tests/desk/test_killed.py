"""Killed in the middle of a burst of edits, the desk loses none that it had confirmed."""

from __future__ import annotations

import http.client
import json
import os
import pickle
import random
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from tests.desk.desk_lesson import folder_in
from tests.once import opening, read_score

from understave.desk.history import history
from understave.harmony.corrections import read_entries
from understave.harmony.trained import judge_score, read_judged
from understave.lesson.folder import create_folder, titled

KILLS = 25
BARS = 12
"""Of our example: a desk opens on them in a third of the time."""
TOKEN = "of-the-killed"


class Window:
    """One keep-alive line to a desk, as a browser has it."""

    def __init__(self, port: int) -> None:
        self.line = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        self.headers = {"origin": f"http://127.0.0.1:{port}", "x-understave-token": TOKEN}

    def ask(self, method: str, path: str, value=None):
        self.line.request(method, path, json.dumps(value) if value is not None else None, self.headers)
        answer = self.line.getresponse()
        return answer.status, json.loads(answer.read())


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs processes that fork")
def test_no_confirmed_edit_is_lost(tmp_path):
    source = opening(BARS)
    score = titled(read_score(source), source.name)
    judged = judge_score(score)
    spans = read_judged(score, judged).spans
    folder = create_folder(tmp_path / "lesson", source, score.title, score.composer)
    kept = tmp_path / "read.pickle"
    kept.write_bytes(pickle.dumps((score, judged, spans)))
    starts = [str(s.start) for s in spans][1:-1]
    nursery = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("mortal_desks.py")), str(kept), TOKEN],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
    )
    chance = random.Random(7)
    confirmed, bursts, unconfirmed_found = 0, [], 0
    # What the file must begin with, as the last desk confirmed it; what came unconfirmed may follow.
    try:
        for kill in range(KILLS):
            assert nursery.stdin is not None
            assert nursery.stdout is not None
            nursery.stdin.write(f"{folder.path}\n")
            nursery.stdin.flush()
            child, port = map(int, nursery.stdout.readline().split())
            window = Window(port)
            status, lesson = window.ask("GET", "/api/lesson")
            assert status == 200
            # The desk opens on exactly what the file holds.
            entries = read_entries(folder.corrections)
            assert lesson["last"] == history(entries).last
            assert lesson["undo"] == len(history(entries).done)
            last = lesson["last"]
            promised: list[int] = []
            killer = threading.Timer(chance.uniform(0.0, 0.25), os.kill, (child, signal.SIGKILL))
            # Half of them at any time, half once an edit is confirmed: a slow machine may confirm few.
            if kill % 2:
                killer.start()
            try:
                while True:
                    what = chance.choice(["label", "label", "label", "undo", "redo", "split"])
                    wish = {
                        "last": last,
                        "what": what,
                        "start": chance.choice(starts),
                        "text": chance.choice(["IV", "V7", "ii6", "vi"]),
                    }
                    if what == "split":
                        wish["at"] = "1000"
                    status, answer = window.ask("POST", "/api/edit", wish)
                    if status == 200:
                        last = answer["last"]
                        promised.append(last)
                        if killer.ident is None:
                            killer.start()
            except (OSError, http.client.HTTPException, ValueError):
                pass
            killer.join()
            assert nursery.stdout.readline() == "gone\n"
            found = read_entries(folder.corrections)
            ids = {e.id for e in found}
            assert set(promised) <= ids, "an edit that was confirmed is not on the disk"
            assert [e.id for e in found[: len(entries)]] == [e.id for e in entries]
            confirmed += len(promised)
            bursts.append(len(promised))
            unconfirmed_found += len(found) - len(entries) - len(promised)
            if len(found) > 150:
                folder.corrections.unlink()
    finally:
        nursery.kill()
        nursery.wait()
    # The kills did come in the middle of bursts, not before or after them all.
    assert confirmed > KILLS / 4
    assert len(set(bursts)) > 2
    print(f"{KILLS} kills, {confirmed} edits confirmed, none lost; {unconfirmed_found} more were on the disk")


def test_a_torn_last_line_does_not_stop_the_desk(tmp_path):
    folder = folder_in(tmp_path)
    folder.corrections.write_bytes(b'{"id": 1, "measure": "2", "beat": "1", "end_mea')
    assert read_entries(folder.corrections) == ()
