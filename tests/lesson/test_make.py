"""A lesson made again: only what must be, with every correction and edit kept, and what changed is said."""

from __future__ import annotations

import json
import pickle
import re
from dataclasses import replace

import pytest
from benchmarks.engraved import verovio_pdf
from made_elsewhere import Counted, Counts, Dies, Write, forget
from tests.once import opening
from tests.page_text import page_texts

from understave.acoustics.piano import EARLY, GRAND
from understave.digests import digest
from understave.errors import UnderstaveError
from understave.harmony import corrections
from understave.harmony.reading import Correction
from understave.interpretation.planning import PlanOptions, make_plan
from understave.lesson import build as builder
from understave.lesson.build import Helpers, Part, build
from understave.lesson.folder import create_folder
from understave.lesson.make import LessonOptions, make_lesson
from understave.lesson.page_corrections import Decision, add, digest_of, printed_in
from understave.media.page import lesson_values
from understave.score.reader import read_score
from understave.theory.roman import RomanNumeral

QUIET = LessonOptions(sound=False)


def parts(a="1", b="2"):
    return [
        Part("b", {"x": digest(b), "a": digest(a)}, Write("in/b.txt", b), needs=("a",)),
        Part("a", {"x": digest(a)}, Write("a.txt", a)),
    ]


@pytest.mark.parametrize("processes", [0, 2])
def test_parts_get_the_files_they_need(tmp_path, processes, monkeypatch):
    monkeypatch.setattr(builder, "_WORTH_A_PROCESS", 0)
    done = build(tmp_path, parts(), helpers=Helpers(processes))
    assert (tmp_path / "in" / "b.txt").read_text() == "21"
    assert [name for name, _ in done.made] == ["b", "a"]


def test_only_what_changed_is_made_again(tmp_path):
    build(tmp_path, parts())
    again = build(tmp_path, parts())
    assert again.made == ()
    assert again.kept == ("b", "a")
    changed = build(tmp_path, parts(b="3"))
    assert changed.made == (("b", "x"),)
    assert (tmp_path / "in" / "b.txt").read_text() == "31"
    (tmp_path / "a.txt").unlink()
    assert build(tmp_path, parts(b="3")).made == (("a", "files missing or changed"),)
    assert (tmp_path / "a.txt").read_text() == "1"


def test_a_file_changed_by_hand_is_put_aside(tmp_path):
    build(tmp_path, parts())
    (tmp_path / "a.txt").write_text("mine")
    first = build(tmp_path, parts())
    assert [p.read_text() for p in first.aside] == ["mine"]
    (tmp_path / "a.txt").write_text("mine too")
    second = build(tmp_path, parts())
    assert [p.read_text() for p in (*first.aside, *second.aside)] == ["mine", "mine too"]


def test_files_that_no_part_makes_any_more_go_and_others_stay(tmp_path):
    build(tmp_path, parts())
    (tmp_path / "notes.txt").write_text("mine")
    build(tmp_path, parts()[1:])
    assert not (tmp_path / "in" / "b.txt").exists()
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_an_error_leaves_the_old_files_whole(tmp_path):
    build(tmp_path, parts())

    def fails(given):
        raise UnderstaveError("no")

    broken = [Part("a", {"x": "new"}, Write("a.txt", "new")), Part("c", {}, fails)]
    with pytest.raises(UnderstaveError):
        build(tmp_path, broken)
    assert (tmp_path / "a.txt").read_text() == "1"


def test_a_damaged_memory_makes_all_anew(tmp_path):
    build(tmp_path, parts())
    (tmp_path / builder.MEMORY).write_text("{")
    assert len(build(tmp_path, parts()).made) == 2


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lesson") / "lock-water"
    return make_lesson(opening(20), folder, QUIET)


def test_a_lesson_is_made_of_an_engraved_pdf_as_corrected_and_keeps_what_was_read(tmp_path):
    written = read_score(opening(6))
    printed = tmp_path / "piece"  # what it is its bytes say, not its name
    printed.write_bytes(verovio_pdf(written.source))
    folder = create_folder(tmp_path / "lesson", printed, "Opening", "")
    corrected = Decision(printed_in(folder).bars[3].frame.middle, "notes", ((1, 1, "3/4 B6"),))
    add(folder.path, digest_of(printed.read_bytes()), corrected)
    lesson = make_lesson(printed, tmp_path / "lesson", QUIET)
    kept = read_score(tmp_path / "lesson" / "exports" / "as-read.musicxml")
    assert keys(kept) == keys(lesson.score)
    elsewhere = [n for n in written.notes if n.end <= 9 or n.onset >= 12]
    assert set(keys(lesson.score)) >= {(n.pitch.name, n.onset, n.duration) for n in elsewhere}
    assert [key for key in keys(kept) if 9 <= key[1] < 12] == [("B6", 9, 3)]
    assert any("copyright" in warning for warning in lesson.score.warnings)
    assert make_lesson(printed, tmp_path / "lesson", QUIET).made == ()


def test_what_is_only_called_a_pdf_was_not_read_from_pages(tmp_path):
    called = tmp_path / "piece.pdf"
    called.write_bytes(opening(6).read_bytes())
    made = make_lesson(called, tmp_path / "lesson", QUIET).files
    assert "as-read.musicxml" not in {file.name for file in made}


def keys(score):
    return sorted((note.pitch.name, note.onset, note.duration) for note in score.notes)


def test_papers_of_a_quiet_lesson_name_no_sounds(made):
    """Exercises by ear are left out where no sound is made: nothing asks for a file that is not there."""
    pages = [p for p in made.files if p.suffix == ".pdf"]
    texts = {p.name: "".join(page_texts(p.read_bytes())) for p in pages}
    texts |= {
        p.name: p.read_text(encoding="utf-8")
        for p in made.files
        if p.suffix in (".txt", ".csv", ".json", ".vtt", ".srt")
    }
    assert {"student.pdf", "answers.pdf", "teacher.pdf", "cards.csv", "script.txt", "lesson.json"} <= set(
        texts
    )
    named = re.compile(r"sounds/|[\w-]+\.(?:mp3|flac|opus|wav)\b")
    assert {name: named.findall(text) for name, text in texts.items() if named.search(text)} == {}


def test_a_lesson_has_its_files(made):
    names = {p.relative_to(made.folder.exports).as_posix() for p in made.files}
    assert {
        "score.pdf",
        "student.pdf",
        "answers.pdf",
        "teacher.pdf",
        "exercises.qti.zip",
        "passages.pdf",
        "page.html",
        "lesson.json",
        "script.txt",
        "cues.csv",
        "captions.vtt",
        "captions.srt",
        "chapters.txt",
        "reading.json",
    } <= names
    assert all(p.stat().st_size > 0 for p in made.files)
    assert made.faults == ()
    stops = json.loads((made.folder.exports / "lesson.json").read_text(encoding="utf-8"))["stops"]
    page = lesson_values((made.folder.exports / "page.html").read_text(encoding="utf-8"))
    assert [stop["title"] for stop in stops] == [stop["heading"] for stop in page["stops"]]


def test_made_again_it_keeps_corrections_and_edits_and_says_what_changed(made):
    folder = made.folder
    same = make_lesson(folder.path, folder.path, QUIET)
    assert same.made == ()
    assert same.changes == ()

    stop = made.stops[0].id
    settings = folder.path / "lesson.toml"
    mine = settings.read_text(encoding="utf-8") + (
        f'\n# mine\n[stops]\nleave_out = ["{made.stops[1].id}"]\n\n'
        f'[stops.texts.{stop}]\ntitle = "My own title"\nquestion = "Is this B minor?"\n'
    )
    settings.write_text(mine, encoding="utf-8")
    edited = make_lesson(folder.path, folder.path, QUIET)
    assert settings.read_text(encoding="utf-8") == mine
    assert {name for name, _ in edited.made} <= {
        "talk",
        "page",
        "stop pictures",
        "papers",
        "cards",
        "questions",
    }
    page = lesson_values((folder.exports / "page.html").read_text(encoding="utf-8"))
    assert "My own title" in [stop["heading"] for stop in page["stops"]]
    assert any("B minor" in change for change in edited.changes)
    assert any(made.stops[1].id in change for change in edited.changes)

    key = edited.reading.spans[0].key
    numeral = RomanNumeral.parse("vi")
    corrections.append(folder.corrections, Correction("12", 1, "12", 2, key, numeral))
    before = folder.corrections.read_bytes()
    corrected = make_lesson(folder.path, folder.path, QUIET)
    assert folder.corrections.read_bytes() == before
    assert settings.read_text(encoding="utf-8") == mine
    assert any(c.startswith("Bar 12, beat 1: vi (Eb), before") for c in corrected.changes)
    assert "reading" in {name for name, _ in corrected.made}
    assert next(s for s in corrected.stops if s.id == stop).title == "My own title"


def test_choices_are_remembered(tmp_path, short):
    options = LessonOptions(sound=False, minutes=5, level="beginner", rate=100, paper="us-letter")
    first = make_lesson(short[0], tmp_path / "lesson", options)
    again = make_lesson(first.folder.path, first.folder.path, QUIET)
    assert again.made == ()
    assert {s.level for s in again.stops} == {"beginner"}
    settings = first.folder.path / "lesson.toml"
    settings.write_text(settings.read_text().replace('"beginner"', '"expert"'))
    with pytest.raises(UnderstaveError, match="choose beginner, intermediate, advanced"):
        make_lesson(first.folder.path, first.folder.path, QUIET)


def test_the_plan_is_for_the_piano_chosen(tmp_path, monkeypatch):
    """An early piano rings shorter than a grand, so that the foot need not change as often.

    Only the plan is looked at: no part of the lesson is made.
    """
    monkeypatch.setattr("understave.lesson.make.build", lambda folder, parts, *rest: build(folder, (), *rest))
    options = replace(QUIET, instrument=EARLY.name)
    first = make_lesson(opening(26), tmp_path / "lesson", QUIET)
    other = make_lesson(first.folder.path, first.folder.path, options)
    plans = [
        make_plan(first.score, first.reading, PlanOptions(instrument=piano)).pedal for piano in (GRAND, EARLY)
    ]
    assert [first.plan.pedal, other.plan.pedal] == plans
    assert plans[0] != plans[1]
    again = make_lesson(first.folder.path, first.folder.path, replace(QUIET, level="beginner"))
    assert again.plan.pedal == plans[1]


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    """Two bars of the piece, and the same again with another title."""
    folder = tmp_path_factory.mktemp("short")
    data = opening(2).read_bytes()
    for name, title in (("one.musicxml", b"Lock-Water"), ("two.musicxml", b"Lock-Water, revised")):
        (folder / name).write_bytes(data.replace(b"Lock-Water", title))
    return folder / "one.musicxml", folder / "two.musicxml"


def files_in(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize(
    "error", [UnderstaveError("The engraver refuses it."), KeyboardInterrupt(), KeyError("x")]
)
def test_what_is_refused_while_it_is_made_leaves_nothing_behind(tmp_path, short, monkeypatch, error):
    def refuse(*_):
        raise error

    monkeypatch.setattr("understave.lesson.make.annotated_mei", refuse)
    with pytest.raises(type(error)):
        make_lesson(short[0], tmp_path / "lesson", QUIET)
    assert list(tmp_path.iterdir()) == []


def test_a_new_version_that_is_refused_leaves_the_old_lesson_as_it_was(tmp_path, short, monkeypatch):
    folder = tmp_path / "lesson"
    make_lesson(short[0], folder, QUIET)
    (folder / "lesson.toml").write_text((folder / "lesson.toml").read_text() + "\n# mine\n")
    before = files_in(folder)

    def refuse(*_):
        raise UnderstaveError("The engraver refuses it.")

    with monkeypatch.context() as patch:
        patch.setattr("understave.lesson.make.annotated_mei", refuse)
        with pytest.raises(UnderstaveError):
            make_lesson(short[1], folder, LessonOptions(sound=False, replace_score=True, minutes=5))
    assert files_in(folder) == before
    again = make_lesson(short[1], folder, LessonOptions(sound=False, replace_score=True, minutes=5))
    assert again.folder.score.read_bytes() == short[1].read_bytes()
    assert "# mine" in (folder / "lesson.toml").read_text()


def test_a_helper_that_the_system_ends_is_replaced(tmp_path, monkeypatch):
    monkeypatch.setattr(builder, "_WORTH_A_PROCESS", 0)
    out = tmp_path / "out"
    done = build(out, [*parts(), Part("c", {}, Dies(tmp_path / "mark"))], helpers=Helpers(2))
    assert (out / "c.txt").read_text() == "made"
    assert (out / "in" / "b.txt").read_text() == "21"
    assert len(done.made) == 3


def test_what_parts_share_travels_to_a_helper_once(tmp_path, monkeypatch):
    monkeypatch.setattr(builder, "_WORTH_A_PROCESS", 0)
    shared = Counted()
    build(tmp_path, [Part(f"{k}", {}, Counts(f"{k}.txt", shared)) for k in range(4)], helpers=Helpers(2))
    assert sum(int((tmp_path / f"{k}.txt").read_text()) for k in range(4)) >= 6  # 1 + 2 in each of two
    assert shared.times == 0


def test_what_was_begun_before_all_parts_were_known_is_not_made_again(tmp_path, monkeypatch):
    monkeypatch.setattr(builder, "_WORTH_A_PROCESS", 0)
    shared = Counted()
    given = [Part(f"{k}", {}, Counts(f"{k}.txt", shared)) for k in range(3)]
    first = [Part(name, {}, Counts(f"{name}.txt", shared)) for name in ("begun", "begun too")]
    with Helpers(1) as helpers:
        helpers.start()
        helpers.begin(first)
        done = build(tmp_path, [*first, *given], helpers=helpers)
    texts = [(tmp_path / f"{part.name}.txt").read_text() for part in (*first, *given)]
    assert texts == ["1", "2", "1", "2", "3"]  # all five at once would count on
    assert [name for name, _ in done.made] == ["begun", "begun too", "0", "1", "2"]


def test_what_was_begun_by_a_helper_that_is_lost_is_made_by_another(tmp_path, monkeypatch):
    monkeypatch.setattr(builder, "_WORTH_A_PROCESS", 0)
    first = [Part("c", {}, Dies(tmp_path / "mark"))]
    with Helpers(1) as helpers:
        helpers.start()
        helpers.begin(first)
        build(tmp_path / "out", [*first, *parts()], helpers=helpers)
    assert (tmp_path / "out" / "c.txt").read_text() == "made"
    assert (tmp_path / "out" / "in" / "b.txt").read_text() == "21"


def test_a_helper_that_came_in_the_place_of_one_lost_counts_as_lost(tmp_path, monkeypatch):
    monkeypatch.setattr(builder, "_WORTH_A_PROCESS", 0)
    monkeypatch.setattr(builder, "_hold", forget)
    with pytest.raises(UnderstaveError, match="ended by the system twice"):
        build(tmp_path / "out", parts(), helpers=Helpers(2))


def test_parts_that_cannot_be_handed_over_are_no_matter_of_memory(tmp_path, monkeypatch):
    monkeypatch.setattr(builder, "_WORTH_A_PROCESS", 0)
    given = [Part(name, {}, Write(f"{name}.txt", name)) for name in "ab"]
    given.append(Part("c", {}, lambda files: {}))
    with pytest.raises((pickle.PicklingError, AttributeError), match="lambda"):
        build(tmp_path / "out", given, helpers=Helpers(1))


def test_a_part_that_ends_every_helper_is_one_sentence(tmp_path, monkeypatch):
    monkeypatch.setattr(builder, "_WORTH_A_PROCESS", 0)
    with pytest.raises(UnderstaveError, match="ended by the system twice"):
        build(tmp_path / "out", [*parts(), Part("c", {}, Dies(tmp_path / "mark", True))], helpers=Helpers(2))
    assert not (tmp_path / "out").exists()
