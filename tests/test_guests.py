"""What other installed packages add, from their entry points to the command line; and broken guests.

The sample plug-in in ``plugin_sample`` is built and laid into a folder as an installer would; a second
package with faults of every kind is written by hand, as the "Entry points specification" and "Recording
installed projects" of the Python Packaging User Guide say.
"""

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from understave.guests import GROUPS

SAMPLE = Path(__file__).resolve().parent / "plugin_sample"
TUNE = SAMPLE / "horn-on-the-river.ferrytab"


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """A folder in which the sample plug-in is installed."""
    build = "import sys; from hatchling.build import build_wheel; print(build_wheel(sys.argv[1]))"  # PEP 517
    made = tmp_path_factory.mktemp("wheels")
    subprocess.run([sys.executable, "-c", build, str(made)], cwd=SAMPLE, check=True, capture_output=True)
    place = tmp_path_factory.mktemp("site")
    (wheel,) = made.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(place)
    return place


def python(*arguments, site, exit_code=0):
    """Run Python with a folder of plug-ins; return standard output and standard error."""
    path = os.pathsep.join([str(site), *sys.path])
    done = subprocess.run(
        [sys.executable, "-P", *arguments],
        env={**os.environ, "PYTHONPATH": path, "COLUMNS": "200"},
        capture_output=True,
        encoding="utf-8",
    )
    assert done.returncode == exit_code, done.stderr
    assert "Traceback" not in done.stderr + done.stdout
    return done.stdout, done.stderr


def understave(*arguments, site, exit_code=0):
    """Run the command with a folder of plug-ins; return standard output and standard error."""
    return python("-m", "understave", *map(str, arguments), site=site, exit_code=exit_code)


def in_turn(*commands, site):
    """Run several commands in one process, as `understave` does one; return the standard output of each."""
    code = (
        "import contextlib, io, json, sys; from understave.cli import main; told = []\n"
        "for command in json.loads(sys.argv[1]):\n"
        "    out = io.TextIOWrapper(io.BytesIO(), 'utf-8')\n"
        "    with contextlib.redirect_stdout(out): assert main(command) == 0\n"
        "    out.flush()\n"
        "    told.append(out.buffer.getvalue().decode())\n"
        "print(json.dumps(told))"
    )
    told, _ = python("-c", code, json.dumps([[str(word) for word in c] for c in commands]), site=site)
    return json.loads(told)


class TestThePlugin:
    def test_its_reader_reads_and_its_kind_is_in_the_json(self, site):
        told, said = understave("show", "--json", TUNE, site=site)
        reading = json.loads(told)
        assert said == ""
        assert reading["piece"]["title"] == "The Horn on the River"
        found = [e for e in reading["events"] if e["kind"] == "horn fifths"]
        # Bars 1, 3 and 6, as written in the file.
        assert [(e["label"], e["start"]["measure"]) for e in found] == [
            ("rising", "1"),
            ("falling", "3"),
            ("rising", "6"),
        ]
        assert found[1]["detail"] == {"key": "C", "upper": ["E5", "D5", "C5"]}

    def test_it_is_told_in_its_own_words_and_in_the_flowing_story(self, site):
        words = {
            "en": "two voices rise through a sixth, a fifth and a third",
            "de": "Zwei Stimmen steigen durch Sexte, Quinte und Terz",
            "fr": "deux voix montent par une sixte, une quinte et une tierce",
        }
        asked = [("explain", "--json", TUNE, "--language", language) for language in words]
        *listed, story = in_turn(*asked, ("explain", TUNE, "--language", "de"), site=site)
        for told, there in zip(listed, words.values(), strict=True):
            assert there in " ".join(
                s["text"] for p in json.loads(told)["paragraphs"] for s in p["sentences"]
            )
        assert "steigen zwei Stimmen wie Hörner in C-Dur" in " ".join(story.split())

    def test_a_lesson_stops_at_it_and_is_made_anew_without_it(self, site, tmp_path):
        score, made = tmp_path / "tune.musicxml", tmp_path / "made"
        in_turn(("export", TUNE, "--out", score), ("lesson", score, "--out", made, "--no-sound"), site=site)
        lesson = json.loads((made / "exports/lesson.json").read_text(encoding="utf-8"))
        stop = next(s for s in lesson["stops"] if s["title"] == "Bar 1: a pair of horns")
        assert stop["question"] == "Which notes does the upper horn play?"
        assert stop["answer"] == "C, D and E."
        # What was remembered names the plug-in's details; without it all is found anew.
        understave("lesson", made, "--no-sound", site=tmp_path)
        again = json.loads((made / "exports/lesson.json").read_text(encoding="utf-8"))
        assert not any("a pair of horns" in s["title"] for s in again["stops"])
        assert again["stops"]

    def test_the_lane_of_events_names_it_in_each_language(self, site):
        code = (
            "import sys; from understave.engraving.event_lane import told;"
            "from understave.findings import read; from understave.score.reader import read_score;"
            "events = [e for e in read(read_score(sys.argv[1])).events if e.kind == 'horn fifths'];"
            "print([{entry.label.words for entry in told(events, code)} for code in ('en', 'de', 'fr')])"
        )
        path = os.pathsep.join([str(site), *sys.path])
        shown = subprocess.run(
            [sys.executable, "-P", "-c", code, str(TUNE)],
            env={**os.environ, "PYTHONPATH": path},
            capture_output=True,
            encoding="utf-8",
            check=True,
        )
        assert shown.stdout.strip() == repr([{"horn fifths"}, {"Hornquinten"}, {"quintes de cors"}])

    def test_it_is_searched_by_its_own_name(self, site, tmp_path):
        (tmp_path / TUNE.name).write_bytes(TUNE.read_bytes())
        devices = {"hunting horns": 3, "rising horn fifths": 2, "falling": 1}
        asked = (("find", tmp_path, one, "--each", "5", "--json") for one in devices)
        _, *found = in_turn(("index", tmp_path), *asked, site=site)
        for told, (device, places) in zip(found, devices.items(), strict=True):
            assert len(json.loads(told)["places"]) == places, device

    def test_its_exporter_writes(self, site, tmp_path):
        out = tmp_path / "tune.chords"
        understave("export", TUNE, "--out", out, site=site)
        assert out.read_text(encoding="utf-8").splitlines()[:3] == [
            "The Horn on the River",
            "1: I",
            "2: IV V7",
        ]

    def test_its_instrument_sounds_and_has_a_name(self, site, tmp_path):
        out = tmp_path / "tune.wav"
        understave("sound", TUNE, "--out", out, "--instrument", "square-piano", site=site)
        assert out.stat().st_size > 10_000
        _, said = understave("sound", TUNE, "--out", out, "--instrument", "spinet", site=site, exit_code=2)
        assert "square-piano" in said

    def test_doctor_and_languages_know_it(self, site):
        lacking, told = in_turn(("languages", "fr"), ("doctor",), site=site)
        assert "horn" not in lacking  # nothing of it lacks in French
        line = next(line for line in told.splitlines() if line.startswith("plug-ins"))
        assert "understave-horncall 0.1.0" in line
        assert "fine" in line

    def test_a_file_that_it_cannot_read_gets_its_sentence(self, site, tmp_path):
        bad = tmp_path / "bad.ferrytab"
        bad.write_text("ferrytab 1\nmeter: 4/4\nC5:4 ; H3:4\n", encoding="utf-8")
        _, said = understave("show", bad, site=site, exit_code=2)
        assert "bad.ferrytab cannot be read in line 3" in said
        assert len(said.strip().splitlines()) == 1


# --- guests with faults ------------------------------------------------------------------------------------

FAULTY = """
from dataclasses import dataclass, replace
from fractions import Fraction
from understave.acoustics.piano import GRAND
from understave.export.exporters import Exporter
from understave.findings.kinds import Kind, Stop
from understave.harmony.reading import Details, Event
from understave.score.formats import Reader


@dataclass(frozen=True, slots=True, kw_only=True)
class Nothing(Details):
    pass


def fails(score, spans):
    return 1 / 0


def outside(score, spans):
    return (OUTSIDE.event("far", Fraction(-1), score.end, (), 0.5, Nothing()),)


def unknown_note(score, spans):
    return (UNKNOWN.event("no note", Fraction(0), score.end, ("nobody",), 0.5, Nothing()),)


def foreign(score, spans):
    return (Event("cadence", "perfect authentic", Fraction(0), score.end, (), 1.0),)


def wordless(score, spans):
    return (WORDLESS.event("badly worded", Fraction(0), Fraction(1), (score.notes[0].id,), 0.9, Nothing()),)


CLASH = Kind(name="cadence", details=Nothing, find=fails)
FAILS = Kind(name="failing", details=Nothing, find=fails)
OUTSIDE = Kind(name="outside", details=Nothing, find=outside)
UNKNOWN = Kind(name="unknown note", details=Nothing, find=unknown_note)
FOREIGN = Kind(name="foreign", details=Nothing, find=foreign)
WORDLESS = Kind(name="wordless", details=Nothing, find=wordless, stop=Stop("texture"), weight=9.0)
NO_DETAILS = Kind(name="no details", details=str)
TWICE = Kind(name="failing", details=Nothing)
NO_KIND = "no kind at all"


def asked(data, suffix):
    raise RuntimeError("cannot tell")


READER = Reader("broken", (".broken",), asked, asked)
GREEDY = Reader("greedy", (".greedy",), lambda data, _: data.startswith(b"greedy"), lambda data, name: 1 / 0)
EMPTY = Reader("empty", (".empty",), lambda data, _: data.startswith(b"empty"), lambda data, name: None)
MIDI = Reader("MIDI", (".mid",), asked, asked)
ENDING = Exporter("my own csv", ".csv", lambda piece: "")
WRITES_NOTHING = Exporter("nothing", ".nothing", lambda piece: None)
PIANO = replace(GRAND, name="Grand of Mine")
SILENT = replace(GRAND, name="silent", a4=float("nan"))
"""

ENTRY_POINTS = """
[understave.kinds]
clash = faulty:CLASH
fails = faulty:FAILS
outside = faulty:OUTSIDE
unknown = faulty:UNKNOWN
foreign = faulty:FOREIGN
wordless = faulty:WORDLESS
no-details = faulty:NO_DETAILS
twice = faulty:TWICE
no-kind = faulty:NO_KIND
not-there = faulty:NOT_THERE
no-module = no_such_module:KIND
dies = deadly:KIND

[understave.readers]
broken = faulty:READER
greedy = faulty:GREEDY
empty = faulty:EMPTY
midi = faulty:MIDI

[understave.exporters]
ending = faulty:ENDING
nothing = faulty:WRITES_NOTHING

[understave.instruments]
piano = faulty:PIANO
silent = faulty:SILENT

[understave.words]
faulty = faulty_words
no-words = no_such_words
clashing = clashing_words

[understave.languages]
en = faulty_words
"""

WORDS = """
[events.wordless."badly worded"]
beginner = "It asks for {what_nobody_knows}."
intermediate = "It asks for {what_nobody_knows}."
advanced = "It asks for {what_nobody_knows}."
"""


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    """A folder with a package in which everything is wrong."""
    place = tmp_path_factory.mktemp("faulty")
    (place / "faulty.py").write_text(FAULTY, encoding="utf-8")
    (place / "deadly.py").write_text("import sys\nsys.exit('no')\n", encoding="utf-8")
    for name, text in (("faulty_words", WORDS), ("clashing_words", '[stop_titles]\ncadence = "mine"\n')):
        (place / name / "en").mkdir(parents=True)
        (place / name / "__init__.py").touch()
        (place / name / "en/words.toml").write_text(text, encoding="utf-8")
    installed = place / "faulty-1.0.dist-info"
    installed.mkdir()
    (installed / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: faulty\nVersion: 1.0\n", encoding="utf-8"
    )
    (installed / "entry_points.txt").write_text(ENTRY_POINTS, encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def midi(tmp_path_factory):
    score = tmp_path_factory.mktemp("tunes") / "tune.abc"
    score.write_text("X:1\nT:Tune\nL:1/4\nK:C\nCEGc|FAcA|GBdB|c4|]\n", encoding="utf-8")
    return score


def notes_in(said):
    lines = said.strip().splitlines()
    assert all(line.startswith("Note: The ") and line.endswith(".") for line in lines), said
    return {line.split("'")[1]: line for line in lines}


class TestFaultyGuests:
    def test_kinds_are_left_out_each_with_one_sentence(self, faulty, midi):
        told, said = understave("show", "--json", midi, site=faulty)
        kinds = {e["kind"] for e in json.loads(told)["events"]}
        assert kinds & {"failing", "outside", "unknown note", "foreign"} == set()
        assert "cadence" in kinds
        notes = notes_in(said)
        for name, why in {
            "clash": "its name 'cadence' is one of Understave's own",
            "fails": "it failed (ZeroDivisionError: division by zero)",
            "outside": "outside the piece",
            "unknown": "names a note 'nobody' that the score does not have",
            "foreign": "returns an event 'cadence' without a kind",
            "no-details": "its details are no class on Details",
            "twice": "its name 'failing' is already that of 'fails' of faulty 1.0",
            "no-kind": "faulty:NO_KIND is a str and no Kind",
            "not-there": "it cannot be imported (AttributeError",
            "no-module": "it cannot be imported (ModuleNotFoundError",
            "dies": "it cannot be imported (SystemExit: no)",
        }.items():
            assert why in notes[name], name
        assert "wordless" not in notes

    def test_words_that_cannot_be_filled_leave_the_bare_name(self, faulty, midi, tmp_path):
        _, said = understave("explain", "--all", midi, site=faulty)
        notes = notes_in(said)
        assert "it failed (KeyError: 'what_nobody_knows')" in notes["wordless"]
        assert "its words for 'en' cannot be used" in notes["clashing"]
        assert "No module named 'no_such_words'" in notes["no-words"]
        assert "there are words for 'en' already" in notes["en"]
        understave("lesson", midi, "--no-sound", "--out", tmp_path / "made", site=faulty)
        assert (tmp_path / "made/exports/page.html").is_file()

    def test_readers(self, faulty, midi, tmp_path):
        for name, text, why in (
            (
                "a.greedy",
                "greedy",
                "a.greedy could not be read by faulty 1.0, which reads greedy (division by zero)",
            ),
            ("a.empty", "empty", "(it gives no score with parts and measures)"),
            ("a.broken", "what is this?", "is not a score that can be read; what can be: MusicXML"),
        ):
            (tmp_path / name).write_text(text, encoding="utf-8")
            _, said = understave("show", tmp_path / name, site=faulty, exit_code=2)
            lines = [line for line in said.splitlines() if line.startswith("understave: ")]
            assert len(lines) == 1
            assert why in lines[0]
            notes_in("\n".join(line for line in said.splitlines() if line not in lines))
        assert "its name 'MIDI' is one of Understave's own" in said
        assert "'broken' of the package faulty 1.0 is left out: it failed (RuntimeError: cannot tell)" in said

    def test_exporters_and_instruments(self, faulty, midi, tmp_path):
        out = tmp_path / "a.csv"
        _, said = understave("export", midi, "--out", out, site=faulty)
        assert out.read_text(encoding="utf-8").startswith("bar,beat")
        assert "its ending .csv is that of our CSV" in notes_in(said)["ending"]
        _, said = understave("export", midi, "--out", tmp_path / "a.nothing", site=faulty, exit_code=2)
        assert "faulty 1.0 could not write nothing (it gives a NoneType and neither text nor bytes)" in said
        _, said = understave(
            "sound", midi, "--out", tmp_path / "a.wav", "--instrument", "silent", site=faulty, exit_code=2
        )
        assert "choose concert-grand, upright, early-piano or sampled-piano." in said
        assert "its name is not in small letters" in said
        assert "one of its values is no number" in said

    def test_doctor_lists_them(self, faulty):
        told, said = understave("doctor", site=faulty)
        lines = [line for line in told.splitlines() if line.startswith("plug-in ")]
        assert said == ""
        assert any("'midi' of the package faulty 1.0 is left out" in line for line in lines)


def test_the_groups_are_told_where_guests_are():
    assert set(GROUPS) == {
        f"understave.{name}"
        for name in ("kinds", "readers", "exporters", "instruments", "words", "languages")
    }
