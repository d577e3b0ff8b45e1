"""Consumers of events know kinds by their entries and details by their dataclasses.

What a type checker cannot see is looked for here: names of kinds written out as texts. That details are read
by their fields is mypy's to find (`Event.get` is hidden from it); what the claims of sentences read by name
(`Told`) is compared with the fields here.
"""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import pytest

import understave
from understave.findings.catalogue import KINDS
from understave.interpretation.reasons import REASONS
from understave.wording import claiming
from understave.wording.sentences import RESERVED

PACKAGE = Path(understave.__file__).parent
NAMES = frozenset(k.name for k in (*KINDS, *REASONS))
FREE = ("findings", "theory", "score", "harmony", "claims")
"""The rooms of the kinds themselves, and those above, which know no kinds: a ``kind`` there is another's."""


def modules() -> Iterator[Path]:
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.relative_to(PACKAGE).parts[0] not in FREE:
            yield path


def named(node: ast.AST) -> Iterator[str]:
    """Yield the names of kinds among the texts of an expression."""
    for inner in ast.walk(node):
        if isinstance(inner, ast.Constant) and inner.value in NAMES:
            yield inner.value


def asks_kind(node: ast.AST) -> bool:
    """Whether an expression asks for a kind: ``event.kind``, ``kind``, or a tuple with it."""
    return any(
        (isinstance(inner, ast.Attribute) and inner.attr == "kind")
        or (isinstance(inner, ast.Name) and inner.id in ("kind", "kinds"))
        for inner in ast.walk(node)
    )


def compared(source: str) -> list[str]:
    """Return where a kind is compared with a text that names one, or is looked up by such a text."""
    found = []
    for node in ast.walk(ast.parse(source)):
        sides: list[ast.AST] = []
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Event":
            found += [f"line {node.lineno}: Event({name!r}" for name in named(node.args[0])]
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "kind_called":
            found += [f"line {node.lineno}: kind_called({name!r})" for name in named(node)]
        if any(asks_kind(side) for side in sides):
            found += [f"line {node.lineno}: {name!r}" for side in sides for name in named(side)]
    return found


def tables(source: str) -> list[str]:
    """Return the constants of a module that list two kinds or more, or kinds with a label, by their texts."""
    found = []
    for node in ast.parse(source).body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        for inner in ast.walk(node.value):
            items: list[ast.expr | None] = []
            if isinstance(inner, ast.Tuple | ast.List | ast.Set):
                items = list(inner.elts)
            elif isinstance(inner, ast.Dict):
                items = list(inner.keys)
            texts = [i.value for i in items if isinstance(i, ast.Constant) and isinstance(i.value, str)]
            sure = [t for t in texts if t in NAMES and t not in AMBIGUOUS]
            found += [f"line {node.lineno}: {text!r}" for text in sure]
    return found


AMBIGUOUS = {
    "key": "a column of tables, a field of JSON",
    "melody": "a role of voices, a label of contrasts",
    "texture": "a part of the line of loudness",
    "phrase": "a part of the line of loudness",
    "cadence": "a kind of interest of stops, a variant of exercises",
    "pedal point": "a kind of interest of stops",
    "picardy third": "the label of its kind as well",
    "sharp dissonance": "a kind of interest of stops",
    "tension": "an aspect of playing",
    "dynamics": "an aspect of playing",
    "voicing": "an aspect of playing",
    "timing": "an aspect of playing",
}
"""Names of kinds that are other things as well, and what: in lists they say nothing of kinds."""


@pytest.mark.parametrize("path", [pytest.param(p, id=p.relative_to(PACKAGE).as_posix()) for p in modules()])
def test_no_kind_is_written_out(path):
    source = path.read_text(encoding="utf-8")
    assert compared(source) == []
    assert tables(source) == []


def test_a_kind_that_is_written_out_is_found():
    assert compared('x = [e for e in events if e.kind == "cadence"]') == ["line 1: 'cadence'"]
    assert compared('x = (e.kind, e.label) in {("key", "parallel")}') == ["line 1: 'key'"]
    assert compared('if kind in ("motive", "words"): pass') == ["line 1: 'motive'"]
    assert compared('e = Event("cadence", "half", a, b, (), 1.0)') == ["line 1: Event('cadence'"]
    assert compared('x = d.kind == "tempo"') == []
    assert tables('_STAYING = frozenset({"drone", "other"})') == ["line 1: 'drone'"]
    assert tables('_MAKERS = {"six-four": six_four}') == ["line 1: 'six-four'"]
    assert tables('_ASPECTS = ("dynamics", "pedal")') == []


def test_the_names_that_mean_other_things_too_are_kinds():
    assert set(AMBIGUOUS) <= NAMES


def asked_by_name(maker: object) -> set[str]:
    """Return the names under which a function asks a ``t`` (`claiming.Told`) for values."""
    tree = ast.parse(inspect.getsource(maker))
    return {
        a.value.lstrip("!").partition("=")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and isinstance(node.func.value, ast.Name)
        and node.func.value.id == "t"
        for a in node.args
        if isinstance(a, ast.Constant) and isinstance(a.value, str)
    }


@pytest.mark.parametrize("kind", [k for k in (*KINDS, *REASONS) if k.name in claiming._MAKERS], ids=str)
def test_what_claims_read_by_name_is_a_field(kind):
    """Sentences' claims read what a template says by the names of its gaps: each is a field of the kind."""
    own = {f.name for f in fields(kind.details)}
    derived = {*RESERVED, "from", "fifths_way", "fifths_size", "beats_per_minute", "beat_note"}
    derived |= {f"{name}_way" for name in own}
    assert asked_by_name(claiming._MAKERS[kind.name]) <= own | derived | OF_QUESTIONS


OF_QUESTIONS = {"when", "before", "back", "foreign", "goes", "telling", "telling_at"}
"""Values that questions and the flowing story add (`stops._computed`, `narrative`)."""


def test_a_name_that_is_no_field_is_found():
    asked = set().union(*(asked_by_name(m) for m in claiming._MAKERS.values()))
    assert len(asked) > 100
    assert "came_from" in asked
