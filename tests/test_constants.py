"""Where numbers stand for what is heard and played, each says what it is and where it comes from.

Looked at are constants of modules (names in capitals) that hold a number. Text says what each of them is:
after it, in its block of lines, or in a comment at it. Where it comes from is said there (a publication with
its year, a standard, a command that fitted it, or that it was set by ear) or, in one sentence for all amounts
of a module, in the module's docstring.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import understave

ROOMS = ("acoustics", "interpretation")
MODULES = [p for room in ROOMS for p in sorted((Path(understave.__file__).parent / room).glob("*.py"))]
SOURCE = re.compile(
    r"by\s+ear|from\s+memory|no\s+source|by\s+(reasoning|trying|definition)|own\s+(choice|limits?|share)|ours\b"
    r"|\b1[6-9]\d\d\b|\b20\d\d\b|MIDI|MusicXML|\bBS\.|\bRFC\b|\bIEC\b|\bEBU\b|training\.|benchmarks|libsndfile|\bID3"
    r"|ID3|semitones|time\s+it\s+takes",
    re.IGNORECASE,
)
"""What counts as a source. A number of semitones needs none."""
FOR_ALL = re.compile(
    r"\b(amounts?|numbers|weights|parameters|costs|how\s+far|what\s+is\s+full)\b[^.]*"
    r"\b(ear|ours|source|reasoning|chosen|choice|those\s+of|comes\s+out)\b",
    re.IGNORECASE,
)
"""What a docstring says of all amounts of its module."""


def holds_number(node: ast.AST) -> bool:
    return any(
        isinstance(n, ast.Constant) and isinstance(n.value, int | float) and not isinstance(n.value, bool)
        for n in ast.walk(node)
    )


def docstring(node: ast.stmt | None) -> str:
    is_text = isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    return str(node.value.value) if is_text and isinstance(node.value.value, str) else ""


def constants(source: str) -> Iterator[tuple[str, str]]:
    """Yield the names of each constant with a number, and all that is said of it where it stands."""
    lines = source.splitlines()
    body = ast.parse(source).body
    said = ""
    for node, after in reversed(list(zip(body, [*body[1:], None], strict=True))):
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        near = after is not None and after.lineno == (node.end_lineno or 0) + 1
        # What follows in the next line says it: a text, or another constant with what is said of that.
        said = docstring(after) or (said if near and isinstance(after, ast.Assign | ast.AnnAssign) else "")
        targets = node.targets if isinstance(node, ast.Assign) else [node.target]
        names = [n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]
        begin = node.lineno - 1
        while begin and lines[begin - 1].startswith("#"):
            begin -= 1
        comments = " ".join(line.partition("#")[2] for line in lines[begin : node.end_lineno])
        if names and all(n == n.upper() for n in names) and holds_number(node.value):
            yield ", ".join(names), f"{comments} {said}".strip()


def unsaid(source: str) -> list[str]:
    """Return what is wrong with the constants of a module."""
    whole = ast.get_docstring(ast.parse(source)) or ""
    found = []
    for names, said in constants(source):
        if not said:
            found.append(f"{names}: what is it?")
        elif not SOURCE.search(said) and not FOR_ALL.search(whole):
            found.append(f"{names}: where does it come from?")
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: f"{p.parent.name}/{p.stem}")
def test_every_constant_says_what_it_is_and_where_it_comes_from(path):
    assert unsaid(path.read_text(encoding="utf-8")) == []


def test_a_constant_without_a_source_is_found():
    assert unsaid('"""A module."""\n\nREACH = 3.5\n') == ["REACH: what is it?"]
    assert unsaid('REACH = 3.5\n"""How far it goes."""\n') == ["REACH: where does it come from?"]
    assert unsaid('REACH = 3.5\n"""How far it goes; set by ear."""\n') == []
    assert unsaid('"""All amounts are set by ear."""\nREACH = 3.5  # how far it goes\n') == []
    assert unsaid('# Smith, 1999: how far\nREACH = {"a": 3.5}\n') == []
    assert unsaid('"""After Smith, 1999."""\nREACH = 3.5  # how far\n') == ["REACH: where does it come from?"]
    assert unsaid('A, B = 1, 2\nC = 3.0\n"""Both ends, set by ear."""\n\nD = 4\n') == ["D: what is it?"]
    assert unsaid('NAMES = ("a", "b")\nON = True\nlower = 2\n') == []


def test_there_are_constants_to_look_at():
    assert sum(1 for path in MODULES for _ in constants(path.read_text(encoding="utf-8"))) > 100
