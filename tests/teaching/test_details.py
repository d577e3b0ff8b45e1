"""What exercises and contrasts are told from is read by its fields, so that mypy finds one that is renamed.

Looked for here is what mypy cannot see: values that are asked for by name after all, and the names in the
gaps of their words and in the claims of their sentences.
"""

from __future__ import annotations

import ast
import inspect
import re
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import get_args, get_type_hints

import pytest
from tests.findings.test_typed import asked_by_name

import understave
from understave.harmony.reading import Details, Named
from understave.teaching import checking
from understave.teaching.contrasts import LABELS, OF_SOUND, Contrast
from understave.teaching.details import (
    ChordPutBack,
    Compared,
    Comparison,
    DissonanceLeftOut,
    ModeKept,
    OtherPiano,
    PedalHeld,
    Question,
    WayTakenBefore,
)
from understave.teaching.exercises import KINDS, Exercise
from understave.wording import claiming
from understave.wording.gaps import CHOICE
from understave.wording.phrasebook import SPOKEN, phrasebook

QUESTIONS = get_args(Question)
COMPARISONS = {
    "altered notes": ChordPutBack,
    "diatonic neighbour": ChordPutBack,
    "mode": ModeKept,
    "dissonance": DissonanceLeftOut,
    "arrival": ChordPutBack,
    "continuation": WayTakenBefore,
    "block chords": Compared,
    "bass": Compared,
    "melody": Compared,
    "pedal": PedalHeld,
    "piano": OtherPiano,
}
READERS = ("teaching", "media", "lesson", "desk", "cli", "engraving", "takes")
"""The rooms that know exercises and contrasts."""


def own(details: type) -> set[str]:
    return {f.name for f in fields(details)}


def by_name(source: str) -> Iterator[str]:
    """Yield where pairs called ``values`` are made a dictionary that is not handed on whole."""
    tree = ast.parse(source)
    handed = {
        id(a)
        for n in ast.walk(tree)
        if isinstance(n, ast.Call)
        for a in (*n.args, *(k.value for k in n.keywords))
    }
    for node in ast.walk(tree):
        pairs = (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id == "dict"
            and any(isinstance(a, ast.Attribute) and a.attr == "values" for a in node.args)
        )
        if pairs and id(node) not in handed:
            yield f"line {node.lineno}"


def test_details_are_dataclasses_and_not_names_with_values():
    assert get_type_hints(Exercise)["details"] == Question
    assert get_type_hints(Contrast)["details"] == Comparison
    for details in (*QUESTIONS, *get_args(Comparison)):
        assert issubclass(details, Details)
        assert not issubclass(details, Named)
    assert not hasattr(Exercise, "get")
    assert not hasattr(Contrast, "get")


@pytest.mark.parametrize("room", READERS)
def test_no_value_is_asked_for_by_name(room):
    package = Path(understave.__file__).parent
    for path in sorted((package / room).rglob("*.py")):
        assert list(by_name(path.read_text(encoding="utf-8"))) == [], path.name


def test_a_value_asked_for_by_name_is_found():
    assert list(by_name('at = dict(one.values).get("at")')) == ["line 1"]
    assert list(by_name('key = dict(c.values)["key"]')) == ["line 1"]
    assert list(by_name("values = dict(e.values)")) == ["line 1"]
    assert list(by_name('fill(text, dict(e.values), score, book, "exercise")')) == []


def test_every_kind_of_exercise_has_details_and_words_of_its_own():
    assert {q.exercise for q in QUESTIONS} == set(KINDS)
    assert len({(q.exercise, q.variant) for q in QUESTIONS}) == len(QUESTIONS)
    assert set(COMPARISONS) == {*LABELS, *OF_SOUND}
    assert set(COMPARISONS.values()) == set(get_args(Comparison))


def gaps(text: str) -> set[str]:
    return set(re.findall(r"{(\w+)", text)) | {c[2] for c in CHOICE.finditer(text) if c[2]}


@pytest.mark.parametrize("language", SPOKEN)
def test_gaps_are_fields(language):
    book = phrasebook(language)
    asked = 0
    for question in QUESTIONS:
        entry = f"{question.exercise}, {question.variant}" if question.variant else question.exercise
        for texts in book.exercises[entry].values():
            for text in texts.values():
                assert gaps(text) <= own(question), (entry, text)
                asked += len(gaps(text))
    for label, compared in COMPARISONS.items():
        for text in book.contrasts[label].values():
            assert gaps(text) <= own(compared), (label, text)
            asked += len(gaps(text))
    assert asked > 100


@pytest.mark.parametrize("maker", sorted(set(claiming._EXERCISES.values()), key=lambda m: m.__name__))
def test_what_claims_of_exercises_read_by_name_is_a_field(maker):
    kinds = {kind for kind, own_maker in claiming._EXERCISES.items() if own_maker is maker}
    known = set().union(*(own(q) for q in QUESTIONS if q.exercise in kinds))
    # Names may be gone through one by one: `for name in ("given", "going_on")`.
    loops = [
        n.iter for n in ast.walk(ast.parse(inspect.getsource(maker))) if isinstance(n, ast.comprehension)
    ]
    listed = {c.value for i in loops for c in ast.walk(i) if isinstance(c, ast.Constant)}
    asked = asked_by_name(maker) | listed
    assert asked
    assert asked <= known


def test_what_must_stand_in_the_reading_is_a_field():
    known = set().union(*(own(d) for d in (*QUESTIONS, *COMPARISONS.values())))
    assert set(checking._OWN) <= known
