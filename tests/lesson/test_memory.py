"""What is remembered of a lesson: used where nothing changed, refused where it is not ours."""

from __future__ import annotations

import os
import pickle
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from tests.once import opening

from understave.harmony import corrections
from understave.harmony.reading import Correction
from understave.lesson import make, memory
from understave.lesson.make import LessonOptions, make_lesson
from understave.theory.chord import Quality
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

QUIET = LessonOptions(sound=False, minutes=5)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("memory") / "lesson"
    make_lesson(opening(12), out, QUIET)
    return out


def no_reading(*_: object) -> None:
    raise AssertionError("read again")


def test_made_again_unchanged_it_is_not_even_read(folder, monkeypatch) -> None:
    monkeypatch.setattr("understave.lesson.make.read", no_reading)
    again = make_lesson(folder, folder, QUIET)
    assert again.made == ()
    assert "papers" in again.kept
    assert again.reading.spans
    assert all(path.is_file() for path in again.files)


def test_another_word_of_the_teacher_s_needs_no_new_reading(folder, monkeypatch) -> None:
    monkeypatch.setattr("understave.lesson.make.read", no_reading)
    stop = make_lesson(folder, folder, QUIET).stops[0]
    settings = folder / "lesson.toml"
    before = settings.read_text(encoding="utf-8")
    settings.write_text(f'{before}\n[stops.texts.{stop.id}]\ntitle = "Mine"\n', encoding="utf-8")
    assert make_lesson(folder, folder, QUIET).stops[0].title == "Mine"
    settings.write_text(before, encoding="utf-8")
    assert make_lesson(folder, folder, QUIET).stops[0].title != "Mine"


def test_a_file_that_is_gone_or_changed_is_made_again(folder) -> None:
    make_lesson(folder, folder, QUIET)
    (folder / "exports" / "script.txt").unlink()
    assert [name for name, _ in make_lesson(folder, folder, QUIET).made] == ["talk"]


def test_a_correction_is_seen(folder) -> None:
    lesson = make_lesson(folder, folder, QUIET)
    span = lesson.reading.spans[2]
    bar = lesson.score.measure_at(span.start)
    decided = Correction(bar.number, "1", bar.number, "2", Key.parse("C"), RomanNumeral.parse("I"))
    corrections.append(folder / "corrections.jsonl", replace(decided, note=""))
    assert make_lesson(folder, folder, QUIET).reading != lesson.reading


class Harm:
    def __reduce__(self) -> tuple[object, tuple[str]]:
        return os.mkdir, ("harm",)


def test_nothing_that_is_not_ours_is_made_from_the_file(folder, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    kept = memory.recall(folder / "exports")
    assert kept is not None
    for content in (
        pickle.dumps(Harm()),
        pickle.dumps(replace(kept, faults=(Harm(),))),
        pickle.dumps(["a", "list"]),
        b"cunderstave.disk\nwrite_atomically\n.",
        pickle.dumps(kept)[:-40],
        b"",
    ):
        (tmp_path / memory.FILE).write_bytes(content)
        assert memory.recall(tmp_path) is None
    assert not (tmp_path / "harm").exists()


def test_other_pieces_are_asked_anew_and_forgotten_when_nobody_asks(folder) -> None:
    advanced = replace(QUIET, level="advanced")
    make_lesson(folder, folder, advanced)
    told = []
    for title in ("Lied", "Walzer", ""):
        options = replace(advanced, elsewhere=lambda *_, t=title: [(t, "Nobody")]) if title else advanced
        told.append(" ".join(s.elsewhere for s in make_lesson(folder, folder, options).stops))
    assert ["Lied" in told[0], "Walzer" in told[1], told[2].strip()] == [True, True, ""]


@dataclass(frozen=True)
class Asked:
    """What a pickle makes by ``getattr`` of a class."""

    kind: type
    name: str

    def __reduce__(self) -> tuple[object, ...]:
        return getattr, (self.kind, self.name)


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        (Asked(Quality, "MAJOR"), Quality.MAJOR),
        (Asked(Quality, "mro"), None),
        (Asked(Key, "parse"), None),
    ],
)
def test_members_of_enumerations_are_had_by_name_and_nothing_else_is(folder, tmp_path, asked, found) -> None:
    """As Python 3.11.0 to 3.11.2 keep them (`enum` of these versions)."""
    kept = memory.recall(folder / "exports")
    (tmp_path / memory.FILE).write_bytes(pickle.dumps(replace(kept, notes=(asked,))))
    again = memory.recall(tmp_path)
    assert (again.notes[0] if again is not None else None) == found


def test_a_recording_put_in_or_taken_away_makes_the_lesson_anew(folder) -> None:
    options = LessonOptions()
    before = make._all_of(folder, "lock-water", folder, options, None)
    spoken = folder / "voice" / "b1-half.wav"
    spoken.parent.mkdir()
    try:
        spoken.write_bytes(b"one")
        one = make._all_of(folder, "lock-water", folder, options, None)
        spoken.write_bytes(b"two")
        two = make._all_of(folder, "lock-water", folder, options, None)
    finally:
        shutil.rmtree(spoken.parent)
    assert len({before, one, two}) == 3
    assert make._all_of(folder, "lock-water", folder, options, None) == before
