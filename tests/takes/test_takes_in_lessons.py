"""A lesson with a take: kept, heard at the stops that it holds, in the time of the playing.

The truth is how the take was made: the plan's playing of our own piece, slower by a known factor (synthetic).
"""

from __future__ import annotations

import csv
import io
import json
import os
import pickle
import re
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from tests.in_browser import running_browser, until
from tests.once import opening

from understave.acoustics.files import RATE, audio_bytes
from understave.acoustics.midi_bytes import midi_bytes
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import GRAND
from understave.acoustics.sound import render
from understave.errors import UnderstaveError
from understave.findings import read
from understave.interpretation.perform import Clock, clock, perform
from understave.interpretation.planning import make_plan
from understave.lesson import make
from understave.lesson.make import LessonOptions, make_lesson
from understave.media import webpage
from understave.media.page import lesson_values
from understave.score.reader import read_score
from understave.takes.views import Excerpt
from understave.teaching.contrasts import OF_SOUND, contrasts
from understave.theory.convention_choices import Conventions

BARS = 5
"""Of our example: a stop, contrasts of notes and of sound, and a second bar to slip in."""
SLOWER = 1.5


def played(score, change=lambda strike: strike):
    performance = perform(score, make_plan(score, read(score)))
    strikes = [change(s) for s in performance.strikes]
    return Performance(
        tuple(replace(s, start=2 + SLOWER * s.start, end=2 + SLOWER * s.end) for s in strikes),
        tuple((2 + SLOWER * t, depth) for t, depth in performance.pedal),
    )


def slip_of(score):
    """The note that the take has a semitone too high: the second of the second bar, in the left hand."""
    in_bar = [n for n in score.notes if n.measure == 1 and n.staff == score.notes[0].staff]
    return in_bar[1].id


def slips_before(score):
    """What an earlier take has a semitone too high: the same note, and the second of the fourth bar."""
    in_bar = [n for n in score.notes if n.measure == 3 and n.staff == score.notes[0].staff]
    return slip_of(score), in_bar[1].id


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The folder of a lesson with two takes, and its first stop."""
    folder = tmp_path_factory.mktemp("taken")
    source = opening(BARS)
    take = folder / "mine.mid"
    score = read_score(source)
    take.write_bytes(
        midi_bytes(played(score, lambda s: replace(s, midi=s.midi + (s.note == slip_of(score)))))
    )
    slipped = slips_before(score)
    before = folder / "before.mid"
    before.write_bytes(midi_bytes(played(score, lambda s: replace(s, midi=s.midi + (s.note in slipped)))))
    found = make_lesson(source, folder / "lesson", LessonOptions(minutes=3, takes=(before, take)))
    return folder / "lesson", found.stops[0].id


@pytest.fixture(scope="module")
def lesson(made):
    return made[0]


def test_the_page_plays_the_stops_as_the_teacher_does(lesson):
    page = lesson_values((lesson / "exports" / "page.html").read_text(encoding="utf-8"))
    own = [
        (stop, s["sound"]) for stop in page["stops"] for s in stop["sounds"] if "teacher plays" in s["name"]
    ]
    assert len(own) == len(page["stops"]) > 0
    planned = {note: (start, end) for note, start, end in page["sound"]["notes"]}
    for stop, sound in own:
        rows = {note: start for note, start, _ in sound["notes"]}
        # All lit notes are of the stop's bars, and lie as far apart as they were played.
        assert rows.keys() <= {note for note, _, _ in stop["struck"]}
        first, last = min(rows, key=rows.__getitem__), max(rows, key=rows.__getitem__)
        apart = planned[last][0] - planned[first][0]
        assert rows[last] - rows[first] == pytest.approx(SLOWER * apart, abs=0.02)
        assert sound["length"] > rows[last]


def test_contrasts_of_notes_have_the_teachers_playing_as_written_and_the_tools_against_it(lesson):
    page = lesson_values((lesson / "exports" / "page.html").read_text(encoding="utf-8"))
    by_teacher, by_tool = [], []
    for contrast in page["contrasts"]:
        first, second = contrast["sides"]
        (by_teacher if "teacher plays" in first["name"] else by_tool).append(contrast["heading"])
        assert "teacher plays" not in second["name"]
        if "teacher plays" in first["name"]:
            # What lights up stands in the picture; the plan's own time is 1.5 times as quick (`SLOWER`).
            assert first["sound"]["notes"]
            assert all(note in first["picture"] for note, _, _ in first["sound"]["notes"])
            assert first["lasts"] > 1.1 * second["lasts"] > 0
    assert by_teacher
    # A contrast of pedals or pianos is one of the tool's own sound.
    assert {"A modern and an early piano", "The pedal changed and held"} >= set(by_tool) != set()


def test_however_loud_it_was_recorded_both_sides_of_a_contrast_are_matched():
    score = read_score(opening(BARS))
    reading = read(score)
    one = next(c for c in contrasts(score, reading) if c.label not in OF_SOUND)
    begin, end = score.measures[one.first].start, score.measures[one.last].end
    tone = np.sin(2 * np.pi * 220 * np.arange(10 * RATE) / RATE).astype(np.float32)
    strikes = (Strike(60, 0.0, 9.0, 64.0, one.written.notes[0].id),)

    def levels(loud):
        own = Excerpt(Performance(strikes), Clock((begin, end), (0.0, 10.0)), loud * tone) if loud else None
        sides = webpage.contrast_sides(score, one, webpage.PageOptions(), own).sides
        heard = [soundfile.read(io.BytesIO(side.sound.data)) for side in sides]
        return [
            np.sqrt(np.mean(samples[: round(side.lasts * rate)] ** 2))
            for side, (samples, rate) in zip(sides, heard, strict=True)
        ]

    written, other = levels(0)
    for loud in (0.05, 1.0):
        own, against = levels(loud)
        assert own / against == pytest.approx(written / other, rel=0.05)


def test_the_page_shows_the_take_beside_the_plan_and_in_words(lesson):
    page = lesson_values((lesson / "exports" / "page.html").read_text(encoding="utf-8"))
    assert page["playing"]["picture"].startswith("<svg")
    latest, before = page["playing"]["takes"]
    score = read_score(lesson / "score.musicxml")
    assert latest["slips"] == {"wrong": [slip_of(score)], "missed": [], "extra": []}
    assert set(before["slips"]["wrong"]) == set(slips_before(score))
    assert all(take["name"] in page["playing"]["picture"] for take in (latest, before))
    assert "are as written" in latest["told"][0]
    assert "Stop if anything hurts" in latest["told"][-1]
    # The fourth bar is mended since, the second is not.
    times = page["playing"]["times"]
    assert [row[0] for row in times["rows"]] == ["before.mid", "mine.mid"]
    assert [re.findall(r"\d+", line) for line in times["told"]] == [["4"], ["2"]]
    with running_browser() as browser:
        seen = browser.new_page()
        seen.goto((lesson / "exports" / "page.html").as_uri())
        until(seen, "document.querySelector('img.playing')?.naturalWidth > 100")
        assert seen.locator("nav a[href='#playing']").count() == 1
        marked = (
            "[...document.querySelector('#score stave-score').shadowRoot.querySelectorAll('.note > .slip')]"
            ".map((sign) => sign.classList[1])"
        )
        button = seen.locator(".take[open]").get_by_role("button", name="Mark the slips in the score")
        assert seen.evaluate(marked) == []
        button.click()
        assert seen.evaluate(marked) == ["wrong"]
        if to := os.environ.get("UNDERSTAVE_SEEN_SCORE"):
            seen.locator("#score").screenshot(path=to)
        button.click()
        assert seen.evaluate(marked) == []
        if to := os.environ.get("UNDERSTAVE_SEEN"):
            seen.locator("#playing").screenshot(path=to)


def test_the_cue_sheet_follows_the_playing_at_the_stops_that_are_played(lesson):
    score = read_score(lesson / "score.musicxml")
    time = clock(score, make_plan(score, read(score)))
    rows = csv.DictReader(io.StringIO((lesson / "exports" / "cues.csv").read_text(encoding="utf-8-sig")))
    own = [row for row in rows if row["sound"] == "excerpt"]
    assert own
    for row in own:
        first, last = (int(number) for number in re.findall(r"\d+", row["bar"]))
        planned = time.at(score.measures[last - 1].end) - time.at(score.measures[first - 1].start)
        begin, end = (
            sum(60**k * float(part) for k, part in enumerate(reversed(row[name].split(":"))))
            for name in ("start", "end")
        )
        assert end - begin == pytest.approx(SLOWER * planned, abs=0.11)  # two times to a tenth


def test_the_take_is_kept_as_it_came(lesson):
    assert (lesson / "takes" / "mine.mid").read_bytes() == (lesson.parent / "mine.mid").read_bytes()
    assert json.loads((lesson / "takes" / "mine.tie.json").read_text())["added"].endswith("+00:00")


class PlannedError(Exception):
    """The parts are known."""


def test_what_was_recorded_travels_to_the_part_that_plays_it(lesson, monkeypatch):
    parts = []

    def stop(exports, planned, *rest):
        parts.extend(planned)
        raise PlannedError

    monkeypatch.setattr(make, "build", stop)
    monkeypatch.setattr(make, "conventions_of", lambda out: Conventions(letters="german"))
    with pytest.raises(PlannedError):
        make_lesson(lesson, lesson, LessonOptions(minutes=4))
    carrying = {p.name for p in parts if b"understave.takes" in pickle.dumps(p.make)}
    contrasts_too = {name for name in carrying if name.startswith("contrast ")}
    assert contrasts_too
    assert carrying - contrasts_too == {"own playing", "takes shown"}
    inputs = {p.name: p.inputs for p in parts}
    assert "the conventions" not in inputs["own playing"]
    # Where stops begin and end matters to what is heard at them, not to what is shown of takes.
    assert "the takes" in inputs["own playing"].keys() - inputs["takes shown"].keys()
    assert all("the program" in named for named in inputs.values())


def test_recorded_sound_travels_to_no_part(tmp_path, monkeypatch):
    parts = []

    def stop(exports, planned, *rest):
        parts.extend(planned)
        raise PlannedError

    source, take = opening(BARS), tmp_path / "mine.wav"
    samples = render(played(read_score(source)), GRAND)
    take.write_bytes(audio_bytes(".wav", samples, RATE))
    monkeypatch.setattr(make, "build", stop)
    with pytest.raises(PlannedError):
        make_lesson(source, tmp_path / "lesson", LessonOptions(minutes=3, takes=(take,)))
    assert {"own playing", "takes shown"} <= {p.name for p in parts}
    assert max(len(pickle.dumps(p.make)) for p in parts) < 4 * len(samples)
    # Each part that plays it finds it where it lies, wherever it is called.
    monkeypatch.chdir(tmp_path)
    heard = next(p for p in parts if p.name == "own playing").make({})
    assert any(name.endswith(".mp3") for name in heard)


def test_without_the_take_only_what_was_heard_or_timed_by_it_is_made_again(lesson):
    from understave.takes.kept import drop_take

    for name in ("mine", "before"):
        drop_take(lesson, name)
    again = make_lesson(lesson, lesson)
    made = {name for name, _ in again.made}
    compared = {name for name in made if name.startswith("contrast ")}
    assert compared
    assert not any("pedal" in name or "piano" in name for name in compared)
    assert made - compared == {"page", "papers", "talk"}
    assert not (lesson / "exports" / "pictures" / "takes.svg").exists()
    page = lesson_values((lesson / "exports" / "page.html").read_text(encoding="utf-8"))
    assert not any(stop["sounds"] for stop in page["stops"])
    assert page["playing"] is None
    assert not list((lesson / "exports" / "sounds").glob("take-*"))


def test_a_lesson_that_what_was_spoken_makes_too_long_says_so(made):
    lesson, stop = made
    hiss = np.random.default_rng(1).normal(0, 0.1, 100 * 8000)
    memory = io.BytesIO()
    soundfile.write(memory, hiss, 8000, format="FLAC")
    (lesson / "voice").mkdir()
    (lesson / "voice" / f"{stop}.flac").write_bytes(memory.getvalue())
    assert any("more than the 3 asked for" in said for said in make_lesson(lesson, lesson).changes)


def test_what_cannot_be_tied_makes_no_lesson(tmp_path):
    score = read_score(opening(BARS))
    take = tmp_path / "other.mid"
    take.write_bytes(midi_bytes(played(score, lambda s: replace(s, midi=s.midi + 1))))
    with pytest.raises(UnderstaveError, match=r"other\.mid is not tied"):
        make_lesson(opening(BARS), tmp_path / "lesson", LessonOptions(minutes=3, takes=(take,)))
    assert not (tmp_path / "lesson").exists()
