"""Rules of Windows, imitated: names, files that are open, processes that are spawned, consoles of few signs.

The rules are those of Microsoft's "Naming Files, Paths, and Namespaces" and of its "CreateFileW",
as `windows_like.py` writes them out. Nothing here was run on Windows itself.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from tests.score.musicxml_text import attributes, bar, note, score
from tests.windows_like import ABSENT, RESERVED, wrong_name

from understave.disk import usable_name, write_atomically
from understave.errors import UnderstaveError

ROOT = Path(__file__).resolve().parents[1]
LIKE = Path(__file__).with_name("windows_like.py")
imitated = pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="open files are looked up in /proc")
HEAD = "<work><work-title>Con: what? &lt;Aux&gt; a|b * \\ .</work-title></work>"


def small_score():
    """Eight bars whose title and bar numbers hold what Windows forbids in names."""
    bars = []
    for k, notes in enumerate(("C3 E4", "F3 A4", "G3 B4", "C3 C5", "A3 C5", "D3 F4", "G3 B3", "C3 C4"), 1):
        low, high = (note(n, 4, "whole") for n in notes.split())
        middle = note("G4" if k != 2 else "C4", 4, "whole", before="<chord/>")
        head = attributes(divisions=1) if k == 1 else ""
        back = "<backup><duration>4</duration></backup>"
        bars.append(bar(head + high + middle + back + low.replace("<voice>1", "<voice>2"), f"{k}?"))
    return score("".join(bars), head=HEAD)


@pytest.mark.parametrize(
    "given",
    [
        *(
            "con",
            "CON.mid",
            "nul",
            "aux .x",
            "com1",
            "LPT9.txt",
            "COM²",
            "a.",
            "a ",
            " . ",
            "",
            "a:b?",
            "a/b\\c",
        ),
        *("x" * 300, "x" * 59 + " y", "Ubung", "\u00dcbung 3"),
    ],
)
def test_names_made_of_a_users_text_are_names_on_windows(given):
    name = usable_name(given, "take")
    assert wrong_name(name) == ""
    assert wrong_name(f"{name}.mid") == ""
    assert 0 < len(name) <= 61
    assert usable_name(name, "take") == name


def test_a_good_name_stays():
    for name in ("\u00dcbung 3", "Lock-Water", "op. 7 no. 1", "console", "com10", "null"):
        assert usable_name(name, "x") == name


def test_the_imitation_knows_the_rules():
    for name in RESERVED:
        assert wrong_name(name.upper())
        assert wrong_name(f"{name}.txt")
    for name in ("a.", "a ", "a:b", "a\\b", "what?", "a\tb"):
        assert wrong_name(name)
    for name in ("a.b", ".hidden", "console", "com10", "a b"):
        assert not wrong_name(name)


def run(root, commands, **environment):
    """Run commands under the imitation; return how each ended, what was refused, and all that was printed."""
    call = [sys.executable, "-P", str(LIKE), str(root), json.dumps(commands)]
    there = {**os.environ, "XDG_STATE_HOME": str(root / "state"), "PYTHONIOENCODING": "cp1252", **environment}
    done = subprocess.run(call, capture_output=True, env=there, cwd=root)
    out, said = done.stdout.decode("cp1252"), done.stderr.decode("cp1252")
    assert done.returncode == 0, said
    return json.loads(out.splitlines()[-1]), out, said


@imitated
def test_the_imitation_refuses_what_windows_refuses(tmp_path):
    """An index whose list of files another program holds open can only be made in part, and is not lost."""
    (tmp_path / "scores").mkdir()
    (tmp_path / "scores" / "one.musicxml").write_bytes(small_score())
    out = tmp_path / "open.csv"
    out.write_text("old")
    with open(out, encoding="utf-8"):
        command = ["export", str(tmp_path / "scores" / "one.musicxml"), "--out", str(out)]
        code = (
            f"import json, sys; sys.argv = ['x', {str(tmp_path)!r}, json.dumps([{command!r}])]; "
            f"sys.path.insert(0, {str(LIKE.parent)!r}); held = open({str(out)!r}); "
            "import windows_like; windows_like.main()"
        )
        done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True)
    ended = json.loads(done.stdout.splitlines()[-1])
    assert ended["codes"] == [2]
    assert ended["refused"] == ["os.rename of a file that is open: open.csv"]
    assert "close it where it is open" in done.stderr
    assert out.read_text() == "old"
    assert [p.name for p in tmp_path.glob(".open*")] == []


@imitated
def test_lessons_takes_and_an_index_keep_the_rules(tmp_path):
    scores = tmp_path / "scores"
    scores.mkdir()
    one, lesson, index = scores / "one.musicxml", tmp_path / "a lesson", tmp_path / "index"
    one.write_bytes(small_score())
    played = tmp_path / "con-.mid"
    folder = str(lesson)
    ended, out, said = run(
        tmp_path,
        [
            ["sound", str(one), "--out", str(played)],
            ["lesson", str(one), "--out", folder, "--no-sound"],
            ["correct", folder, "--from", "2?", "--to", "3?", "--chord", "ii6", "--key", "C"],
            ["lesson", folder, "--no-sound"],
            ["take", folder, str(played)],
            ["take", folder, "--drop", "_con"],
            ["export", folder, "--out", str(tmp_path / "reading.csv")],
            ["index", str(scores), "--out", str(index), "--processes", "1"],
            ["index", str(scores), "--out", str(index), "--processes", "1"],
            ["find", str(index), "--chords", "V I"],
        ],
    )
    assert ended["codes"] == [0] * 10, said + out
    assert ended["refused"] == []
    assert (lesson / "takes" / "dropped" / "_con.mid").exists()
    every = [p.relative_to(lesson) for p in lesson.rglob("*")]
    assert len(every) > 20
    assert [str(p) for p in every if any(wrong_name(part) for part in p.parts)] == []
    # Two files whose names differ only in capitals would be one.
    assert len({str(p).casefold() for p in every}) == len(every)
    # What is kept for later names files with /, as every system reads it.
    assert "\\\\" not in (lesson / "exports" / "made.json").read_text(encoding="utf-8")


def test_a_file_that_another_program_holds_is_told_of(tmp_path, monkeypatch):
    target = tmp_path / "reading.csv"
    target.write_text("old")

    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(UnderstaveError, match="close it where it is open"):
        write_atomically(target, "new")
    with pytest.raises(UnderstaveError) as told:
        write_atomically(tmp_path / "new.csv", "new")
    assert "close it" not in str(told.value)
    assert target.read_text() == "old"


def test_processes_are_started_afresh_and_never_forked():
    """By a command of their own (`jobs.processes`); `multiprocessing` would fork if left to itself."""
    for path in (ROOT / "src" / "understave").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert "os.fork" not in text, path
        assert "import multiprocessing" not in text, path
        assert "from multiprocessing" not in text, path
        assert "ProcessPoolExecutor" not in text, path


def test_what_windows_lacks_is_loaded_only_where_it_can_be_missed():
    """Imported at the head of a module it would keep the whole command from starting."""
    call = (
        f"import sys; sys.modules.update(dict.fromkeys({ABSENT!r})); import pkgutil, importlib, understave\n"
        "for m in pkgutil.walk_packages(understave.__path__, 'understave.'):\n"
        "    if not m.name.endswith('__main__'): importlib.import_module(m.name)\n"
        "print(len(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-P", "-c", call], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 100
