"""A reading that was written as JSON is read back with every value of its own type."""

import json
from dataclasses import replace
from pathlib import Path
from types import NoneType
from typing import get_args, get_type_hints

import pytest
from tests.once import make_plan, read, read_score

from understave.errors import UnderstaveError
from understave.export import read_back
from understave.export.plan_data import plan_json
from understave.export.read_back import details_from_json, event_from_json, reading_from_json
from understave.export.reading_data import reading_json
from understave.findings.catalogue import KINDS
from understave.harmony.reading import Named
from understave.interpretation.reasons import REASONS

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


@pytest.fixture(scope="module", params=["chain-ferry", "lock-water"])
def piece(request):
    score = read_score(EXAMPLES / request.param / "score.musicxml")
    return score, read(score)


def test_all_comes_back_but_the_last_digits_of_confidence(piece):
    score, reading = piece
    again = reading_from_json(reading_json(score, reading))
    assert again.spans == tuple(
        replace(
            s,
            confidence=round(s.confidence, 4),
            alternatives=tuple(replace(a, confidence=round(a.confidence, 4)) for a in s.alternatives),
        )
        for s in reading.spans
    )
    assert again.events == tuple(replace(e, confidence=round(e.confidence, 4)) for e in reading.events)
    for old, new in zip(reading.events, again.events, strict=True):
        assert [type(v) for _, v in new.detail] == [type(v) for _, v in old.detail], old


def test_reasons_of_a_plan_come_back(piece):
    score, reading = piece
    plan = make_plan(score, reading)
    kinds = {k.name: k for k in REASONS}
    written = json.loads(plan_json(score, plan))["tension"]
    assert len(written) == len(plan.tension) > 10
    for row, tension in zip(written, plan.tension, strict=True):
        assert details_from_json(kinds["tension"], row["why"]["detail"]) == tension.why.details


def leaves(hint):
    """The plain types that a field's type is made of."""
    inner = [t for t in get_args(hint) if t not in (NoneType, Ellipsis)]
    return {leaf for t in inner for leaf in leaves(t)} if inner else {hint}


@pytest.mark.parametrize("kind", [*KINDS, *REASONS], ids=str)
def test_every_field_has_a_type_that_is_read(kind):
    found = {leaf for hint in get_type_hints(kind.details).values() for leaf in leaves(hint)}
    assert found <= {int, float, *read_back._PARSED}


class TestWhatIsWrong:
    @pytest.fixture
    def row(self, piece):
        score, reading = piece
        return json.loads(reading_json(score, reading))["events"][0]

    @pytest.mark.parametrize(
        ("change", "why"),
        [
            ({"colour": "red"}, "a key has no detail 'colour'"),
            ({"home": 3}, "home is 3 and no Key"),
            ({"bars": "long"}, "Invalid literal for Fraction: 'long'"),
            ({"fifths": "1"}, "fifths is '1' and no number"),
            ({"common_chord": "C"}, "common_chord is no list"),
        ],
    )
    def test_a_detail(self, piece, change, why):
        score, reading = piece
        table = json.loads(reading_json(score, reading))
        place, row = next((k, e) for k, e in enumerate(table["events"], start=1) if e["kind"] == "key")
        row["detail"].update(change)
        with pytest.raises(UnderstaveError) as error:
            reading_from_json(json.dumps(table))
        assert str(error.value) == f"In event {place}: {why}; write the reading anew."

    def test_a_detail_that_lacks(self, row):
        first = next(iter(row["detail"]))
        del row["detail"][first]
        with pytest.raises(ValueError, match=f"needs its detail '{first}'"):
            event_from_json(row)

    def test_a_kind_that_nobody_knows_keeps_its_details_as_written(self, row):
        row["kind"] = "horn fifths"
        event = event_from_json(row)
        assert event.details == Named(tuple(row["detail"].items()))

    @pytest.mark.parametrize("text", ["", "[]", '{"format": "understave-plan", "version": 1}'])
    def test_another_text(self, text):
        with pytest.raises(UnderstaveError, match="give what 'show --json' writes"):
            reading_from_json(text)

    def test_a_span_without_its_key(self, piece):
        score, reading = piece
        table = json.loads(reading_json(score, reading))
        del table["spans"][1]["key"]
        with pytest.raises(UnderstaveError, match=r"In span 2 there is no 'key'; write the reading anew\."):
            reading_from_json(json.dumps(table))
