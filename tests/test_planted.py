"""A stranger's modules in the current folder are never executed, whatever is asked for there.

Every name of Python's library and of our dependencies lies there as a module that writes down that it ran and
then fails, so that nothing passes by luck either.
"""

import http.client
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

PIECE = """X:1
T:A Small Piece
M:4/4
L:1/4
Q:1/4=208
%%score {1 2}
V:1 clef=treble
V:2 clef=bass
K:C
[V:1] e g c' b | a f d2 | e c B d | c4 |]
[V:2] C, E, A, G, | F, D, F,2 | G, A, G, G,, | C,4 |]
"""
OF_OTHERS = {
    *("_cffi_backend", "av", "cffi", "distributed", "duckdb", "google", "h11", "lxml", "markdown_it", "mido"),
    *("numpy", "onnxruntime", "pyarrow", "rich", "soundfile", "starlette", "tomlkit", "typst", "uvicorn"),
    "verovio",
}
PYTHONS_OWN = {
    *("importlib", "warnings", "contextlib", "collections", "keyword", "operator", "reprlib", "functools"),
    "types",
}
"""What ``python -m`` itself reads from the current folder before a program's first line (Python 3.11)."""
COMMANDS = {
    "show": ["show", "piece.abc"],
    "explain": ["explain", "piece.abc"],
    "excerpt": ["excerpt", "piece.abc", "--bars", "1-2", "--out", "made.png", "--plan"],
    "reduce": ["reduce", "piece.abc", "--out", "made.pdf"],
    "clip": ["clip", "piece.abc", "--bars", "1", "--out", "made.mp4"],
    "sound": ["sound", "piece.abc", "--out", "made.mp3"],
    "play-plan": ["play-plan", "piece.abc"],
    "lesson": ["lesson", "piece.abc", "--out", "new-lesson"],
    "correct": ["correct", "lesson", "--from", "1:1", "--to", "2:1", "--chord", "I"],
    "index": ["index", "scores"],
    "find": ["find", "scores", "--chords", "V I", "--excerpts", "places", "--sounds", "places"],
    "doctor": ["doctor"],
}
HERE = Path(__file__).resolve()
STARTED_BY = {
    "python -m": [sys.executable, "-m", "understave"],
    # What an installer writes as the command `understave`: its own folder comes first, not the current one.
    "command": [sys.executable, "../bin/understave"],
}


def environment(place: Path) -> dict[str, str]:
    return {
        **os.environ,
        "PYTHONPATH": str(HERE.parents[1] / "src"),
        "XDG_STATE_HOME": str(place / "state"),
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with scores, a lesson and an index, all made before anything was planted."""
    root = tmp_path_factory.mktemp("planted")
    folder = root / "scores-from-elsewhere"
    folder.mkdir()
    (folder / "piece.abc").write_text(PIECE)
    (folder / "scores").mkdir()
    (folder / "scores" / "piece.abc").write_text(PIECE)
    (root / "bin").mkdir()
    (root / "bin" / "understave").write_text(
        "import sys\nfrom understave.__main__ import main\nif __name__ == '__main__':\n    sys.exit(main())\n"
    )
    for command in (
        ["lesson", "piece.abc", "--out", "lesson", "--no-sound"],
        ["index", "scores", "--out", "index"],
    ):
        subprocess.run(
            [*STARTED_BY["command"], *command],
            cwd=folder,
            env=environment(root),
            check=True,
            capture_output=True,
        )
    shutil.copytree(folder / "index", folder / "scores" / "understave-index")
    for name in {*sys.stdlib_module_names, *OF_OTHERS} - PYTHONS_OWN:
        (folder / f"{name}.py").write_text(
            "import os, sys\n"
            f"with open({str(root / 'ran')!r}, 'a') as file:\n"
            "    file.write(__name__ + '\\n')\n"
            "raise ImportError('planted ' + __name__)\n"
        )
    return root


def ran(place: Path) -> list[str]:
    told = place / "ran"
    if not told.exists():
        return []
    names = sorted(set(told.read_text().split()))
    told.unlink()
    return names


@pytest.mark.parametrize(
    ("started", "command", "options"),
    [
        *(("python -m", command, []) for command in COMMANDS),
        # The other start differs where processes are started; with sound there are more of them, no others.
        ("command", "lesson", ["--no-sound"]),
        ("command", "index", []),
    ],
)
def test_no_command_executes_what_lies_in_the_current_folder(place, started, command, options):
    folder = place / "scores-from-elsewhere"
    shutil.rmtree(folder / "new-lesson", ignore_errors=True)
    if command == "index":
        shutil.rmtree(folder / "scores" / "understave-index", ignore_errors=True)
    done = subprocess.run(
        [*STARTED_BY[started], *COMMANDS[command], *options],
        cwd=folder,
        env=environment(place),
        capture_output=True,
        text=True,
    )
    assert ran(place) == []
    assert done.returncode == 0, done.stderr
    # The engraver and the readers did work: what they make is there.
    made = {"excerpt": "made.png", "lesson": "new-lesson/exports/score.pdf", "find": "places"}.get(
        command, "."
    )
    assert (folder / made).exists()
    if command == "index":
        assert "1 pieces read" in done.stdout


def test_the_desk_and_all_its_processes_execute_none_of_it(place):
    folder = place / "scores-from-elsewhere"
    desk = subprocess.Popen(
        [*STARTED_BY["python -m"], "open", "lesson", "--no-browser"],
        cwd=folder,
        env=environment(place),
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert desk.stdout is not None
        said = ""
        while "http" not in said:
            said = desk.stdout.readline()
            assert said, "the desk ended"
        port, token = re.search(r"127\.0\.0\.1:(\d+)/#(\S+)", said).groups()
        line = http.client.HTTPConnection("127.0.0.1", int(port), timeout=120)
        headers = {"origin": f"http://127.0.0.1:{port}", "x-understave-token": token}

        def ask(method: str, path: str, value=None) -> bytes:
            line.request(method, path, None if value is None else json.dumps(value), headers)
            answer = line.getresponse()
            body = answer.read()
            assert answer.status == 200, body
            return body

        ask("GET", "/api/lesson")
        assert b"<svg" in ask("GET", "/api/sheet/180")
        assert len(ask("GET", "/api/sound?instrument=upright&pedal=planned")) > 10_000
        follow = http.client.HTTPConnection("127.0.0.1", int(port), timeout=300)
        follow.request("GET", "/api/follow", headers=headers)
        events = follow.getresponse()
        ask("POST", "/api/export", {"level": "beginner"})
        while True:
            told = events.readline()
            assert told, "the desk ended"
            if b'"done"' in told or b'"error"' in told or b'"stopped"' in told:
                break
        assert ran(place) == []
        assert b'"done"' in told
    finally:
        desk.send_signal(signal.SIGINT)
        desk.wait(20)
