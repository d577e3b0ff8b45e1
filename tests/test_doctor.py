"""The doctor finds what is broken, tells where the log is and names nobody."""

import tomllib
from pathlib import Path

import pytest

from understave import doctor, faults
from understave.cli import main
from understave.doctor import NEEDED, Finding

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path / "home" / "clara"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "home" / "clara" / ".local" / "state"))
    monkeypatch.setattr(faults.sys, "platform", "linux")
    (tmp_path / "home" / "clara").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "home" / "clara")
    return tmp_path / "home" / "clara"


def test_a_sound_machine_is_found_sound_by_trying(home, capsys):
    assert main(["doctor"]) == 0
    said = capsys.readouterr().out
    for what in (
        *("Understave", "Python", "system", "packages", "networks", "engraver", "fonts", "pages", "sound"),
        *("film", "browser", "memory", "this folder", "own folder", "log"),
    ):
        assert sum(line.startswith(what) for line in said.splitlines()) == 1, what
    assert "verovio " in said
    assert "~/.local/state/understave/faults.log" in said
    assert "clara" not in said
    assert "When you ask for help, send" in said


def test_faults_in_the_log_are_counted(home):
    assert doctor.log().state == "fine"
    for _ in range(2):
        faults.keep_fault(ValueError("--- not a head"), "show")
    found = doctor.log()
    assert found.state == "note"
    assert found.words.startswith("2 faults")


def test_the_needed_packages_are_those_that_are_declared():
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    assert {d.split(">=")[0] for d in declared} == set(NEEDED)


def test_a_missing_package_is_named_with_what_to_do():
    found = doctor.packages(("numpy", "no-such-package"))
    assert found.state == "trouble"
    assert "pip install no-such-package" in found.words


@pytest.mark.parametrize(
    ("what", "module", "name"),
    [
        ("networks", "understave.harmony.model.network", "load"),
        ("sound", "understave.acoustics.files", "audio_bytes"),
        ("film", "understave.media.film", "film_bytes"),
        ("fonts", "understave.engraving.lettering", "typeset"),
        ("engraver", "understave.jobs.one_process", "worker_command"),
        ("pages", "typst", "compile"),
    ],
)
def test_what_does_not_work_is_named_and_the_rest_is_still_looked_at(
    home, monkeypatch, capsys, what, module, name
):
    def broken(*_, **__):
        raise OSError("libbroken.so: cannot open shared object file")

    monkeypatch.setattr(f"{module}.{name}", broken)
    assert main(["doctor"]) == 1
    lines = capsys.readouterr().out.splitlines()
    line = next(x for x in lines if x.startswith(what))
    assert "TROUBLE" in line
    assert "libbroken.so" in line
    assert any(x.startswith("log") for x in lines)


def test_little_memory_is_trouble(tmp_path):
    info = tmp_path / "meminfo"
    info.write_text("MemTotal:        2000000 kB\nMemFree: 1 kB\nMemAvailable:     300000 kB\n")
    assert doctor.memory(info).state == "trouble"
    info.write_text("MemTotal:        8000000 kB\nMemFree: 1 kB\nMemAvailable:    4000000 kB\n")
    assert doctor.memory(info) == Finding("memory", "fine", "4.1 of 8.2 GB are free")
    assert doctor.memory(tmp_path / "none").state == "note"


def test_no_screen_is_no_trouble():
    assert doctor.browser({}).state == "note"


def test_without_the_extra_for_films_nothing_is_amiss(home, capsys, monkeypatch):
    there = doctor.find_spec
    monkeypatch.setattr(doctor, "find_spec", lambda name: None if name == "av" else there(name))
    version = doctor.metadata.version

    def told(name):
        if name == "av":
            raise doctor.metadata.PackageNotFoundError(name)
        return version(name)

    monkeypatch.setattr(doctor.metadata, "version", told)
    assert main(["doctor"]) == 0
    said = capsys.readouterr().out
    assert "clips would need understave[film]" in " ".join(said.split())
    assert not any(line.startswith("film") for line in said.splitlines())
