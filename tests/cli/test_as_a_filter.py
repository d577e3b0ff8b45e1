"""Standard input and output, JSON for programs, exit codes, and wrong options refused before any work."""

import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from tests.json_schemas import keeps_to
from tests.once import opening

from understave.cli import main
from understave.cli.completion import commands_of
from understave.cli.program import parser

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
STUDY = EXAMPLES / "lock-water" / "score.musicxml"


class Given(io.TextIOWrapper):
    def isatty(self):
        return False


@pytest.fixture
def given(monkeypatch):
    def give(data):
        monkeypatch.setattr(sys, "stdin", Given(io.BytesIO(data)))

    return give


@pytest.fixture(scope="module")
def indexed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scores")
    (folder / "study.musicxml").write_bytes(STUDY.read_bytes())
    assert main(["index", str(folder), "--processes", "1"]) == 0
    return folder


@pytest.mark.parametrize(
    ("command", "name"), [("show", "reading"), ("explain", "story"), ("play-plan", "plan")]
)
def test_json_keeps_to_its_schema_and_to_the_bars(command, name, capsys):
    assert main([command, str(STUDY), "--json", "--bars", "9-12"]) == 0
    part = json.loads(capsys.readouterr().out)
    keeps_to(part, name)
    lists = {"show": "spans", "explain": "paragraphs", "play-plan": "tension"}
    assert part[lists[command]]

    times = [int(x["start"]["measure"]) for x in part[lists[command]]]
    assert max(times) <= 12
    assert all(int(x["end"]["measure"]) >= 9 for x in part[lists[command]])


def test_the_whole_reading_as_json_is_the_reading_of_the_lesson(capsys):
    from understave.export.reading_data import reading_json
    from understave.findings import read
    from understave.score.reader import read_score

    assert main(["show", str(STUDY), "--json"]) == 0
    score = read_score(STUDY)
    assert capsys.readouterr().out == reading_json(score, read(score))


def test_places_and_counts_as_json(indexed, capsys):
    capsys.readouterr()
    assert main(["find", str(indexed), "--chords", "V7 I", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    keeps_to(found, "places")
    assert found["found"] >= len(found["places"]) >= 1
    assert {p["path"] for p in found["places"]} == {"study.musicxml"}
    assert main(["find", str(indexed), "--count", "textures", "--json"]) == 0
    counted = json.loads(capsys.readouterr().out)
    keeps_to(counted, "places")
    assert sum(c["share"] for c in counted["counts"]) == pytest.approx(1)


def test_a_score_may_come_on_standard_input(given, capsys):
    given(STUDY.read_bytes())
    assert main(["show", "-", "--bars", "1-4"]) == 0
    piped = capsys.readouterr().out
    assert main(["show", str(STUDY), "--bars", "1-4"]) == 0
    assert capsys.readouterr().out == piped


@pytest.mark.parametrize("data", [b"", b"no score at all"])
def test_what_comes_and_is_no_score_is_one_sentence(given, data, capsys):
    given(data)
    assert main(["show", "-"]) == 2
    said = capsys.readouterr().err
    assert said.startswith("understave: standard input is ")
    assert said.count("\n") == 1


def test_a_lesson_from_standard_input_wants_a_place(given, capsys):
    given(STUDY.read_bytes())
    assert main(["lesson", "-"]) == 2
    assert "--out" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "begin"),
    [
        (["excerpt", "--bars", "1", "--format", "svg"], b"<svg"),
        (["excerpt", "--bars", "1", "--format", "png"], b"\x89PNG"),
        (["reduce", "--bars", "1-2", "--format", "musicxml"], b"<?xml"),
        (["sound", "--bars", "1", "--format", "mid"], b"MThd"),
        (["sound", "--bars", "1", "--format", "wav"], b"RIFF"),
    ],
)
def test_what_is_made_may_go_to_standard_output_and_nothing_else_does(arguments, begin, capfdbinary):
    command, *rest = arguments
    assert main([command, str(STUDY), *rest, "--out", "-"]) == 0
    out, err = capfdbinary.readouterr()
    assert out.startswith(begin)
    assert err
    assert b"tandard output" not in out


def test_standard_output_needs_a_format(capsys):
    assert main(["sound", str(STUDY), "--out", "-"]) == 2
    assert "--format" in capsys.readouterr().err


WRONG = [
    ["play-plan", "--pedal", "heavy"],
    ["play-plan", "--blur", "2"],
    ["play-plan", "--json", "--compare-pedals"],
    ["play-plan", "--bars", "99"],
    ["show", "--bars", "99"],
    ["show", "--bars", "9-4"],
    ["show", "--language", "xx"],
    ["explain", "--bars", "x"],
    ["explain", "--level", "genius"],
    ["excerpt", "--bars", "1", "--out", "a.gif"],
    ["export", "--out", "a.gif"],
    ["export", "--out", "-"],
    ["export", "--out", "-", "--format", "gif"],
    ["export", "--out", "a.csv", "--format", "json"],
    ["excerpt", "--bars", "99", "--out", "a.svg"],
    ["excerpt", "--bars", "1", "--out", "a.svg", "--format", "png"],
    ["reduce", "--out", "a.doc"],
    ["reduce", "--out", "a.pdf", "--key", "H#"],
    ["sound", "--out", "a.aiff"],
    ["sound", "--out", "a.mp3", "--instrument", "banjo"],
    ["sound", "--out", "a.mp3", "--tempo", "1000"],
    ["sound", "--out", "a.mp3", "--soundfont", "there-is-none.sf2"],
    ["clip", "--bars", "1", "--out", "a.mp4", "--shape", "round"],
    ["clip", "--bars", "1", "--out", "a.mp4", "--blur", "-1"],
    ["clip", "--bars", "1", "--out", "a.avi"],
    ["lesson", "--minutes", "0"],
    ["lesson", "--rate", "nan"],
    ["lesson", "--paper", "A0"],
    ["worksheet"],
    ["worksheet", "--students", "there-is-none.txt"],
    ["worksheet", "--students", str(STUDY), "--level", "genius"],
    ["worksheet", "--students", str(STUDY), "--paper", "A0"],
    ["worksheet", "--students", str(STUDY), "--seed", "x"],
    ["lesson", "--analysis", "there-is-none.txt"],
]


@pytest.mark.parametrize("wrong", WRONG, ids=" ".join)
def test_a_wrong_option_is_refused_before_any_harmony_is_read(wrong, monkeypatch, capsys, tmp_path):
    def worked(*_, **__):
        raise AssertionError("work was done for options that are wrong")

    monkeypatch.setattr("understave.findings.read", worked)
    monkeypatch.setattr("understave.lesson.make.read", worked, raising=False)
    monkeypatch.chdir(tmp_path)
    command, *rest = wrong
    try:
        code = main([command, str(STUDY), *rest])
    except SystemExit as refused:
        code = refused.code
    said = capsys.readouterr()
    assert code == 2
    assert said.out == ""
    assert "understave" in said.err
    assert not list(tmp_path.iterdir())


RIGHT = {
    "show": ["--bars", "1"],
    "explain": ["--bars", "1"],
    "play-plan": ["--bars", "1"],
    "excerpt": ["--bars", "1", "--out", "a.svg"],
    "reduce": ["--bars", "1", "--out", "a.musicxml"],
    "export": ["--out", "a.csv"],
    "sound": ["--bars", "1", "--out", "a.mid"],
}
OTHERS = {
    "lesson": ["--out", "a"],
    "clip": ["--bars", "1", "--out", "a.mp4"],
    "correct": [],
    "keys": [],
    "habits": [],
    "conventions": ["--keys", "letters"],
    "index": [],
    "find": [],
    "take": ["a.mid"],
    "results": ["a.json"],
    "worksheet": ["--students", str(EXAMPLES / "lock-water" / "analysis.txt")],
}
WITHOUT_INPUT = {"open", "doctor", "languages", "completion", "serve-tools"}


def test_every_command_stands_in_these_tests():
    names = {c.name for c in commands_of(parser())}
    assert names >= {*RIGHT, *OTHERS}
    assert names - {*RIGHT, *OTHERS} <= WITHOUT_INPUT


@pytest.mark.parametrize("command", RIGHT)
def test_done_is_0(command, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main([command, str(STUDY), *RIGHT[command]]) == 0


@pytest.mark.parametrize("command", [*RIGHT, *OTHERS])
def test_wrong_input_is_2_and_one_sentence(command, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main([command, "there is none", *{**RIGHT, **OTHERS}[command]]) == 2
    said = capsys.readouterr()
    assert said.err.startswith("understave: ")
    assert said.err.count("\n") == 1
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("command", [*RIGHT, *OTHERS, *sorted(WITHOUT_INPUT - {"serve-tools"})])
def test_an_unknown_option_is_2(command, capsys):
    with pytest.raises(SystemExit) as refused:
        main([command, "--no-such-option"])
    assert refused.value.code == 2
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("command", "place"),
    [("show", "understave.cli.showing.read_source"), ("play-plan", "understave.cli.plans.read_source")],
)
def test_a_fault_of_ours_is_70_and_ctrl_c_is_130(command, place, monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    for error, code in ((ZeroDivisionError(), 70), (KeyboardInterrupt(), 130)):

        def fails(*_, error=error):
            raise error

        monkeypatch.setattr(place, fails)
        assert main([command, str(STUDY)]) == code


@pytest.mark.skipif(os.name == "nt", reason="pipes end otherwise on Windows")
@pytest.mark.parametrize("command", ["show", "explain", "show --json"])
def test_a_reader_that_goes_away_is_141_without_a_word(command):
    name, *rest = command.split()
    read, write = os.pipe()
    os.close(read)
    call = [sys.executable, "-P", "-m", "understave", name, str(opening(8)), *rest]
    done = subprocess.run(call, stdout=write, stderr=subprocess.PIPE, text=True)
    os.close(write)
    assert (done.returncode, done.stderr) == (141, "")


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
@pytest.mark.parametrize("command", ["explain --language fr", "explain --language de", "show --language de"])
def test_a_console_that_lacks_signs_gets_plain_ones(command, encoding, monkeypatch):
    """Consoles of Windows are often cp1252 or cp437, and pipes there are cp1252."""
    name, *rest = command.split()
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding, errors="strict") for _ in range(2))
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    ferry = EXAMPLES / "chain-ferry" / "score.musicxml"
    assert main([name, str(ferry), "--bars", "1-16", *rest]) == 0
    out.flush()
    err.flush()
    assert err.buffer.getvalue() == b""
    assert out.buffer.getvalue().decode(encoding).strip()


def test_a_program_in_such_a_console_ends_well(tmp_path):
    call = [sys.executable, "-P", "-m", "understave", "explain", str(opening(8)), "--language", "fr"]
    there = {**os.environ, "PYTHONIOENCODING": "ascii", "XDG_STATE_HOME": str(tmp_path)}
    done = subprocess.run(call, capture_output=True, env=there)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.decode("ascii").strip()


def test_an_index_is_not_made_of_a_folder_that_is_not_there(tmp_path, capsys):
    assert main(["index", str(tmp_path / "none")]) == 2
    assert "There is no folder" in capsys.readouterr().err
