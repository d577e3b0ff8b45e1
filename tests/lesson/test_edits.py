"""lesson.toml: the teacher's texts, order and stops survive, whatever is computed; mistakes are explained.

What is read back is read by `tomllib`, the standard library's own parser, not by the one that wrote.
"""

from __future__ import annotations

import threading
import tomllib
from dataclasses import replace
from multiprocessing import get_context

import pytest
from tests.teaching.test_stops import example

from understave import disk
from understave.errors import UnderstaveError
from understave.interpretation.perform import clock
from understave.lesson import edits
from understave.lesson.folder import create_folder
from understave.teaching.stops import Timing, propose_stops
from understave.wording import LEVELS

FILE = """# My lesson.
title = "Lock-Water"   # as printed

[score]
file = "score.musicxml"
"""


@pytest.fixture
def path(tmp_path):
    file = tmp_path / "lesson.toml"
    file.write_text(FILE, encoding="utf-8")
    return file


def proposed():
    score, reading, plan = example("lock-water")
    return score, propose_stops(score, reading, plan), Timing(clock(score, plan))


def test_what_is_kept_is_read_back_and_the_rest_of_the_file_stays(path):
    score, stops, _ = proposed()
    own = edits.OwnStop("my-hands", "3-4", {"title": "Hands", **{f"say.{v}": "Cross." for v in LEVELS}})
    wanted = edits.Edits((stops[1].id, stops[0].id), (), (stops[2].id,), own=(own,))
    wanted = edits.with_text(
        score, wanted, stops[0], "say.beginner", '  Listen: „é“ \\ "quoted"\nline two.  '
    )
    wanted = edits.with_text(score, wanted, stops[0], "title", "Mine")
    edits.keep(path, wanted)
    assert edits.read_edits(path) == wanted
    text = path.read_text(encoding="utf-8")
    assert text.startswith(FILE)
    values = tomllib.loads(text)
    assert values["stops"]["texts"][stops[0].id]["say"]["beginner"].endswith("line two.")
    assert values["stops"]["own"][0]["say"] == "Cross."
    edits.keep(path, wanted)
    assert path.read_text(encoding="utf-8") == text


def test_comments_between_the_edits_stay_and_a_text_can_be_taken_back(path):
    score, stops, _ = proposed()
    path.write_text(
        FILE + f'\n[stops]\n# my order\norder = ["{stops[1].id}"]\n\n[stops.texts.{stops[0].id}]\n'
        'bars = "1-3"\ntitle = "Mine" # better\nplay = "Softly."\n'
    )
    found = edits.read_edits(path)
    edits.keep(path, edits.with_text(score, found, stops[0], "play", None))
    text = path.read_text()
    assert "# my order" in text
    assert 'title = "Mine" # better' in text
    assert "Softly" not in text
    edits.keep(path, edits.Edits())
    assert edits.read_edits(path) == edits.Edits()
    assert path.read_text().startswith(FILE.rstrip("\n"))


def test_texts_order_choice_and_own_stops_are_put_on():
    score, stops, timing = proposed()
    own = edits.OwnStop("my-hands", "3–4", {"title": "Hands", "say.beginner": "Cross."})
    wanted = edits.Edits((stops[2].id, "my-hands"), (), (stops[1].id,), own=(own,))
    wanted = edits.with_text(score, wanted, stops[0], "say.intermediate", "My word.")
    made = edits.apply(score, stops, wanted, "intermediate", timing)
    assert [s.id for s in made[:2]] == [stops[2].id, "my-hands"]
    assert stops[1].id not in [s.id for s in made]
    changed = next(s for s in made if s.id == stops[0].id)
    assert changed.say["intermediate"] == "My word."
    assert changed.say["beginner"] == stops[0].say["beginner"]
    assert changed.seconds < stops[0].seconds
    mine = made[1]
    assert (score.measures[mine.first].number, score.measures[mine.last].number) == ("3", "4")
    assert mine.say["beginner"] == "Cross."
    assert mine.say["advanced"] == ""


def test_a_stop_that_the_teacher_wrote_for_stays_when_the_reading_no_longer_proposes_it():
    score, stops, timing = proposed()
    wanted = edits.with_text(score, edits.Edits(), stops[0], "say.intermediate", "My word.")
    assert stops[0].id in wanted.kept
    made = edits.apply(score, stops[1:], wanted, "intermediate", timing)
    still = next(s for s in made if s.id == stops[0].id)
    assert still.say["intermediate"] == "My word."
    assert (still.first, still.last) == (stops[0].first, stops[0].last)


def test_names_without_a_stop_are_told():
    score, stops, timing = proposed()
    wanted = edits.Edits(order=("b99-gone",), texts={"b98-gone": {"title": "x"}})
    made = edits.apply(score, stops, wanted, "intermediate", timing)
    assert edits.without_place(made, wanted) == ("b99-gone", "b98-gone")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("stops = 3", "is no table"),
        ('[stops]\norder = "b1"', "no list of stop names"),
        ('[stops]\norder = ["b1", "b1"]', "stands twice"),
        ('[stops]\nordr = ["b1"]', "'ordr' that means nothing"),
        ('[stops.texts.b1]\ntitel = "x"', "'titel' that means nothing"),
        ("[stops.texts.b1]\ntitle = 3", "is no text"),
        ('[stops.texts.b1.say]\nexpert = "x"', "say.expert"),
        ('[[stops.own]]\nid = "mine"\ntitle = "x"', "has no bars"),
        ('[[stops.own]]\nid = "My Stop"\nbars = "1"\ntitle = "x"', "cannot be the id"),
        ('[stops.own]\nid = "mine"', "two brackets"),
        ('[stops.texts."../b1"]\ntitle = "x"', "names no stop"),
        ('[stops.texts."b1/half"]\ntitle = "x"\nbars = "1"', "names no stop"),
        ("[stops", "cannot be read"),
    ],
)
def test_a_mistake_is_explained(path, text, sentence):
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UnderstaveError, match=sentence):
        edits.read_edits(path)


@pytest.mark.parametrize(("bars", "sentence"), [("99", "has not"), ("4-3", "run backwards"), ("", "has not")])
def test_bars_that_are_not_there_are_explained(bars, sentence):
    score, stops, timing = proposed()
    wanted = edits.Edits(own=(edits.OwnStop("mine", bars, {"title": "x"}),))
    with pytest.raises(UnderstaveError, match=sentence):
        edits.apply(score, stops, wanted, "intermediate", timing)


def test_a_field_that_a_stop_has_not_is_refused():
    score, stops, _ = proposed()
    with pytest.raises(UnderstaveError, match="has no 'colour'"):
        edits.with_text(score, edits.Edits(), stops[0], "colour", "red")


def test_a_damaged_file_is_not_written_over(path):
    path.write_text("[stops\n", encoding="utf-8")
    with pytest.raises(UnderstaveError, match="nothing was changed"):
        edits.keep(path, edits.Edits(order=("b1-x",)))
    assert path.read_text() == "[stops\n"


def test_two_who_write_at_the_same_time_lose_no_text(path):
    """Both read the file as it was before the other wrote, unless they wait for each other."""
    ids = [f"b{n}-stop" for n in range(40)]
    context = get_context("fork")
    writers = [context.Process(target=_write_texts, args=(path, ids[k::2])) for k in (0, 1)]
    for w in writers:
        w.start()
    for w in writers:
        w.join(60)
    found = tomllib.loads(path.read_text(encoding="utf-8"))
    assert set(found["stops"]["texts"]) == set(ids)
    assert found["title"] == "Lock-Water"
    assert found["lesson"]["minutes"] in ids


def _write_texts(path, ids):
    for name in ids:
        with_one = edits.Edits(texts={name: {"title": "mine"}}, places={name: "1"})
        edits.change(
            path,
            lambda before, new=with_one: replace(
                before, texts={**before.texts, **new.texts}, places={**before.places, **new.places}
            ),
        )
        edits.keep_asked(path, {"minutes": name})


@pytest.mark.parametrize("how", ["change", "keep", "keep_asked", "create_folder"])
def test_every_writer_waits_for_the_one_who_writes(path, how):
    source = path.with_name("new.musicxml")
    source.write_bytes(b"<score/>")
    (path.parent / "score.musicxml").write_bytes(b"<old/>")
    order = edits.Edits(order=("b1-half",))
    does = {
        "change": lambda: edits.change(path, lambda _: order),
        "keep": lambda: edits.keep(path, order),
        "keep_asked": lambda: edits.keep_asked(path, {"minutes": 5}),
        "create_folder": lambda: create_folder(path.parent, source, "New", "", replace_score=True),
    }[how]
    writer = threading.Thread(target=does)
    with disk.locked(path.parent):
        writer.start()
        writer.join(0.3)
        assert writer.is_alive()
        assert path.read_text(encoding="utf-8") == FILE
    writer.join(10)
    assert path.read_text(encoding="utf-8") != FILE
