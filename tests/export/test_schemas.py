"""The JSON files against their published schemas, which are checked as JSON Schema 2020-12 themselves."""

from __future__ import annotations

import copy
import json
import zipfile
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
from tests.json_schemas import keeps_to
from tests.once import make_plan, propose_stops, read, read_score

from understave.export import schemas
from understave.export.plan_data import plan_json
from understave.export.reading_data import reading_json
from understave.export.schemas import NAMES
from understave.harmony.reading import Correction
from understave.interpretation.plan import Sustained
from understave.interpretation.planning import PlanOptions
from understave.media.stops_data import lesson_json
from understave.theory.key import Key

EXAMPLES = sorted((Path(__file__).resolve().parents[2] / "examples").glob("*/score.musicxml"))


@pytest.fixture(scope="module", params=EXAMPLES, ids=lambda p: p.parent.name)
def made(request):
    score = read_score(request.param)
    fixed = Correction("2", Fraction(1), "3", Fraction(1), Key.parse("c"), None)
    reading = read(score, (fixed,))
    plan = make_plan(score, reading)
    stops = propose_stops(score, reading, plan, minutes=10)
    return {
        "reading": json.loads(reading_json(score, reading)),
        "plan": json.loads(plan_json(score, plan)),
        "lesson": json.loads(lesson_json(score, stops, "intermediate", "en")),
        "values": (score, reading, plan, stops),
    }


@pytest.mark.parametrize("name", ["reading", "plan", "lesson"])
def test_what_is_written_keeps_to_its_schema(made, name):
    keeps_to(made[name], name)


@pytest.mark.parametrize(
    ("name", "path", "wrong"),
    [
        ("reading", ("spans", 0, "confidence"), 1.5),
        ("reading", ("spans", 0, "start", "quarter"), "soon"),
        ("reading", ("spans", 0, "unheard of"), 1),
        ("reading", ("version",), 2),
        ("plan", ("loudness", 0, "velocity"), 300),
        ("plan", ("pedal", 0, "depth"), -1),
        ("plan", ("voices", 0, "note"), ""),
        ("lesson", ("stops", 0, "seconds"), "long"),
        ("lesson", ("level",), "genius"),
    ],
)
def test_what_is_wrong_is_refused(made, name, path, wrong):
    document = copy.deepcopy(made[name])
    place = document
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = wrong
    with pytest.raises(jsonschema.ValidationError):
        keeps_to(document, name)


def test_the_plan_is_written_whole(made):
    _, _, plan, _ = made["values"]
    document = made["plan"]
    assert [len(document[n]) for n in ("tension", "loudness", "hairpins", "marks", "voices")] == [
        len(x) for x in (plan.tension, plan.levels, plan.hairpins, plan.marks, plan.voices)
    ]
    assert [Fraction(p["moment"]["quarter"]) for p in document["pedal"]] == [p.moment for p in plan.pedal]
    assert [p["depth"] for p in document["pedal"]] == pytest.approx([p.depth for p in plan.pedal], abs=1e-3)


def test_the_lesson_is_written_in_its_order(made):
    score, _, _, stops = made["values"]
    document = made["lesson"]
    assert [s["id"] for s in document["stops"]] == [s.id for s in stops]
    assert all(
        s["first_measure"] == score.measures[stop.first].number
        for s, stop in zip(document["stops"], stops, strict=True)
    )
    assert document["seconds"] == pytest.approx(sum(s.seconds for s in stops), abs=0.1)


def test_a_plan_without_pedal_is_a_plan(made):
    score, reading, _, _ = made["values"]
    plan = make_plan(score, reading, PlanOptions(style="none", rubato=0.0))
    keeps_to(json.loads(plan_json(score, plan)), "plan")


def test_the_sostenuto_pedal_is_in_the_plan(made):
    score, _, plan, _ = made["values"]
    held = Sustained(Fraction(2), Fraction(5), (score.notes[0].id,), plan.tension[0].why)
    document = json.loads(plan_json(score, replace(plan, sustained=(held,))))
    keeps_to(document, "plan")
    (found,) = document["sustained"]
    assert (found["start"]["quarter"], found["end"]["quarter"], found["notes"]) == (
        "2",
        "5",
        [score.notes[0].id],
    )
    assert document["sustained"][0]["why"]["kind"] == "tension"


OLD = sorted((Path(__file__).resolve().parents[1] / "fixtures" / "lessons").glob("*.zip"))


@pytest.mark.parametrize("path", OLD, ids=lambda p: p.stem)
def test_what_older_versions_wrote_keeps_to_the_schemas(path):
    with zipfile.ZipFile(path) as packed:
        texts = {Path(n).stem: packed.read(n) for n in packed.namelist() if n.endswith(".json")}
    told = texts.keys() & set(NAMES)
    assert "reading" in told
    for name in told:
        keeps_to(json.loads(texts[name]), name)


def test_a_reading_of_before_the_layer_over_held_basses_is_still_one(made):
    document = {k: v for k, v in made["reading"].items() if k != "above_held"}
    keeps_to(document, "reading")
    del document["imported"]
    with pytest.raises(jsonschema.ValidationError, match="imported"):
        keeps_to(document, "reading")


@pytest.mark.parametrize("value", [None, True, {"a": 1}, ["a", [None]]])
def test_details_are_texts_numbers_and_lists_of_them(made, value):
    document = copy.deepcopy(made["reading"])
    document["events"][0]["detail"]["key"] = ["a", ["b", 2, [0.5]]]
    keeps_to(document, "reading")
    document["events"][0]["detail"]["key"] = value
    with pytest.raises(jsonschema.ValidationError):
        keeps_to(document, "reading")


def test_a_stop_may_be_said_at_some_levels_only(made):
    document = copy.deepcopy(made["lesson"])
    del document["stops"][0]["say"]["beginner"]
    keeps_to(document, "lesson")
    document["stops"][0]["say"]["genius"] = "x"
    with pytest.raises(jsonschema.ValidationError):
        keeps_to(document, "lesson")


@dataclass(frozen=True)
class Loose:
    when: set[str]


def test_a_type_that_json_has_not_is_refused():
    with pytest.raises(TypeError, match="set"):
        schemas._object(Loose, {})
