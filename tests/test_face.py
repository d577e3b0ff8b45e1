"""What `import understave` offers: loaded late, shown briefly, drawn in a notebook."""

from __future__ import annotations

import subprocess
import sys
import typing
from fractions import Fraction
from importlib import import_module
from pathlib import Path

import pytest
from lxml import etree

import understave
from understave.acoustics.sound import render
from understave.interpretation.perform import perform

LOCK_WATER = Path(__file__).parents[1] / "examples" / "lock-water" / "score.musicxml"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def score():
    return understave.read_score(LOCK_WATER)


@pytest.fixture(scope="module")
def reading(score):
    return understave.read(score)


@pytest.fixture(scope="module")
def plan(score, reading):
    return understave.plan(score, reading)


def test_all_that_is_offered_is_there_and_nothing_is_loaded_before():
    asked = (
        "import sys, understave\n"
        "print(len([m for m in sys.modules if m.startswith('understave.') or m in ('numpy', 'lxml')]))\n"
        "print([n for n in understave.__all__ if getattr(understave, n, None) is None])"
    )
    told = subprocess.run([sys.executable, "-P", "-c", asked], capture_output=True, text=True, check=True)
    assert told.stdout.splitlines() == ["0", "[]"]


def test_what_a_type_checker_sees_is_what_is_loaded():
    declared = set(understave.__all__)
    assert set(understave._PLACES) == declared == set(dir(understave)) & declared
    assert understave.plan is import_module("understave.interpretation.planning").make_plan
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        typing.cast(typing.Any, understave).nothing  # noqa: B018


def test_every_value_shows_itself_in_a_line(score, reading, plan):
    for value in (
        score,
        reading,
        plan,
        score.notes[0],
        score.measures[0],
        reading.spans[0],
        reading.events[0],
    ):
        assert len(repr(value)) < 120, repr(value)
    assert repr(score).startswith("<Score 'Lock-Water', 40 measures")
    assert str(reading.spans[0].numeral) in repr(reading.spans[0])


def test_a_moment_has_its_span(reading):
    for span in reading.spans[:20]:
        assert reading.span_at(span.start) is span
        assert reading.span_at((span.start + span.end) / 2) is span
    assert reading.span_at(reading.spans[-1].end) is None
    assert reading.span_at(Fraction(-1)) is None


def test_a_piece_is_asked_by_printed_bar_and_beat(score, reading):
    piece = understave.Piece(score, reading)
    second = next(m for m in score.measures if m.number == "2")
    assert piece.span_at("2") is reading.span_at(second.start)
    assert piece.span_at("2", 2) is reading.span_at(second.start + second.beat_length)


def test_a_notebook_sees_engraved_bars(score, reading):
    for value in (score, understave.Piece(score, reading)):
        page = etree.fromstring(value._repr_mimebundle_()["image/svg+xml"].encode())
        drawn = {i for g in page.iter(f"{SVG}g") for i in g.get("id", "").split()}
        assert {n.id for n in score.notes if n.measure == 0} <= drawn


def test_a_notebook_sees_the_reading_as_a_table(reading):
    shown = reading._repr_mimebundle_()
    table = etree.fromstring(f"<div>{shown['text/html']}</div>")
    rows = table.findall(".//tbody/tr")
    assert [r[3].text for r in rows] == [str(s.numeral) for s in reading.spans[: len(rows)]]
    assert shown["text/plain"] == repr(reading)


def test_a_notebook_sees_the_plan_as_lanes(plan):
    drawn = etree.fromstring(plan._repr_mimebundle_()["image/svg+xml"])
    assert [t.text for t in drawn.iter(f"{SVG}text")] == ["tension", "loudness", "pedal"]
    tension = next(drawn.iter(f"{SVG}polyline"))
    assert len(tension.get("points").split()) == 2 * len(plan.tension) + 1


def test_a_table_of_the_reading_for_other_programs(reading):
    pyarrow = pytest.importorskip("pyarrow")
    table = reading.to_arrow()
    assert isinstance(table, pyarrow.Table)
    assert table["numeral"].to_pylist() == [str(s.numeral) for s in reading.spans]
    assert table["start"].to_pylist() == [float(s.start) for s in reading.spans]


def test_sound_is_what_the_rooms_render(score, plan, tmp_path):
    heard = understave.sound(score, plan, first=0, last=0)
    assert heard.tags.title == f"{score.title}, bar {score.measures[0].number}"
    same = render(perform(score, plan, first=0, last=0), understave.INSTRUMENTS["concert grand"])
    assert heard.samples.shape == same.shape
    assert (heard.samples == same).all()
    heard.write(tmp_path / "bar.wav")
    assert (tmp_path / "bar.wav").read_bytes()[:4] == b"RIFF"
    assert "audio/mpeg" in heard._repr_mimebundle_()["text/html"]
