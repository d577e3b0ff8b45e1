"""Values flow one way: a room imports only rooms above it."""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "src" / "understave"

# From the top down; what stands in one line may not know one another.
ROOMS: tuple[tuple[str, ...], ...] = (
    ("errors", "digests", "guests", "networks", "shown", "stored", "viewer"),
    ("disk", "faults", "parquet_files", "theory"),
    ("jobs",),
    ("score",),
    ("harmony",),
    ("claims", "findings", "piece"),
    ("acoustics",),
    ("interpretation",),
    ("wording",),
    ("engraving",),
    ("export",),
    ("notebook", "takes"),
    ("teaching",),
    ("media",),
    ("lesson",),
    ("repertoire",),
    ("desk", "doctor"),
    ("cli",),
    ("__main__",),
)
FLOOR = {room: floor for floor, rooms in enumerate(ROOMS) for room in rooms}
FACE = "__init__"  # the package's own; whoever asks it for the version knows no room
SECOND_NAMES = {"__init__"}


@cache
def modules() -> tuple[tuple[str, Path], ...]:
    """Return every module's room and path."""
    return tuple(
        (path.relative_to(PACKAGE).parts[0].removesuffix(".py"), path)
        for path in sorted(PACKAGE.rglob("*.py"))
    )


@cache
def told_by(source: str) -> tuple[ast.Import | ast.ImportFrom | ast.Constant, ...]:
    """Return the imports of a file, at whatever depth, and its texts: all that is looked at here."""
    found = []
    for node in ast.walk(ast.parse(source)):
        text = isinstance(node, ast.Constant) and isinstance(node.value, str) and "understave." in node.value
        if text or isinstance(node, ast.Import | ast.ImportFrom):
            found.append(node)
    return tuple(found)


def imported(source: str) -> Iterator[tuple[str, int]]:
    """Return the rooms that a module imports, at whatever depth, and the line."""
    for node in told_by(source):
        names: list[str] = []
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno} imports relatively"
            module = node.module or ""
            names = [f"{module}.{n.name}" for n in node.names] if module == "understave" else [module]
        elif isinstance(node, ast.Import):
            names = [n.name for n in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "understave" and len(parts) > 1 and not parts[1].startswith("__version"):
                yield parts[1], node.lineno


def upward(room: str, source: str) -> list[str]:
    """Return what a module of a room imports from a room that is not above it."""
    own = FLOOR.get(room, -1)
    return [
        f"line {line}: {room} imports {other}"
        for other, line in imported(source)
        if other != room and FLOOR.get(other, own) >= own
    ]


def test_every_room_has_its_floor():
    rooms = {room for room, _ in modules()} - {FACE}
    rooms |= {p.name for p in PACKAGE.iterdir() if p.is_dir() and any(p.rglob("*.js"))}
    assert rooms - set(FLOOR) == set()


def test_architecture_names_every_room():
    text = (ROOT / "ARCHITECTURE.md").read_text(encoding="utf-8")
    table = [line for line in text.splitlines() if line.startswith("| `")]
    rooms = {room for room, _ in modules()} & set(FLOOR) - {"__main__"}
    missing = [room for room in sorted(rooms) if not any(f"`{room}" in line for line in table)]
    assert missing == []


@pytest.mark.parametrize(
    ("room", "path"),
    [pytest.param(r, p, id=p.relative_to(PACKAGE).as_posix()) for r, p in modules() if r != FACE],
)
def test_it_imports_only_rooms_above(room, path):
    assert upward(room, path.read_text(encoding="utf-8")) == []


def test_an_import_from_below_is_seen():
    inside = "def f():\n    from understave.lesson.make import make_lesson\n"
    assert upward("score", inside) == ["line 2: score imports lesson"]
    assert upward("score", "import understave.harmony.reading\n") == ["line 1: score imports harmony"]
    assert upward("harmony", "from understave import findings\n") == ["line 1: harmony imports findings"]
    assert upward("lesson", inside) == []


def test_a_module_s_name_stands_once():
    count = Counter(path.stem for _, path in modules() if path.stem not in SECOND_NAMES)
    assert [name for name, times in count.items() if times > 1] == []


# --- tests mirror the rooms ------------------------------------------------------------------------------

TESTS = ROOT / "tests"
ELSEWHERE = {
    "claims.disagreements": "claims/test_claims.py",
    "claims.moods": "teaching/test_narrative.py",
    "desk.serve": "test_planted.py",
    "engraving.event_lane": "wording/test_languages.py",
    "export.exporters": "test_guests.py",
    "export.story_data": "cli/test_as_a_filter.py",
    "harmony.explain": "wording/test_explain.py",
    "interpretation.reasons": "findings/test_catalogue.py",
    "interpretation.sounding": "test_face.py",
    "media.stops_data": "export/test_schemas.py",
    "networks": "takes/test_stroke_hearing.py",
    "notebook": "test_face.py",
    "parquet_files": "export/test_parquet.py",
    "repertoire.counts": "repertoire/test_commands.py",
    "repertoire.places_data": "cli/test_as_a_filter.py",
    "score.composers": "repertoire/test_asked.py",
    "shown": "test_face.py",
    "teaching.account": "claims/test_claims.py",
    "theory.functions": "harmony/test_typed_entry.py",
}
"""Modules that no test of their room names, nor what such a test names, and the tests they have instead.

These meet them through what uses them: a command, the package's face, or the room that tells what they hold.
"""


@cache
def names_in(source: str) -> frozenset[str]:
    """Return the modules of ours that a file names: in imports, and in the programs and patches it writes."""
    found = set()
    for node in told_by(source):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{n.name}" for n in node.names)}
        elif isinstance(node, ast.Import):
            found |= {n.name for n in node.names}
        elif isinstance(node, ast.Constant):
            for named in re.findall(r"understave(?:\.\w+)+", node.value):
                found |= {named, named.rpartition(".")[0]}
    return frozenset(found)


def unreached(inside: dict[str, frozenset[str]], asked: frozenset[str]) -> set[str]:
    """Return the modules of a room (and what each of them names) that nothing asked for leads to."""
    waiting = [m for m in inside if m in asked]
    reached = set(waiting)
    while waiting:
        more = {m for m in inside[waiting.pop()] if m in inside} - reached
        reached |= more
        waiting += more
    return set(inside) - reached


def inside_of(room: str) -> dict[str, frozenset[str]]:
    """Return the modules of a room by their full names, with what each names, but for `__init__`."""
    found = {}
    for owner, path in modules():
        if owner == room and path.stem not in SECOND_NAMES:
            parts = ("understave", *path.relative_to(PACKAGE).with_suffix("").parts)
            found[".".join(parts)] = names_in(path.read_text(encoding="utf-8"))
    return found


@pytest.mark.parametrize("room", sorted({room for room, _ in modules()} - {FACE}))
def test_its_tests_lie_in_its_folder_and_reach_every_module(room):
    """What only its room uses is tested through what uses it; a file of tests for each is not asked for."""
    is_folder = (PACKAGE / room).is_dir()
    files = list((TESTS / room if is_folder else TESTS).rglob("*.py"))
    assert any(f.name.startswith("test_") for f in files), f"tests/{room} has no tests"
    asked = frozenset().union(
        *(names_in(f.read_text(encoding="utf-8")) for f in files if f != Path(__file__))
    )
    left = unreached(inside_of(room), asked)
    assert left == {f"understave.{m}" for m in ELSEWHERE if m.split(".")[0] == room}
    assert all((TESTS / test).is_file() for test in ELSEWHERE.values())


def test_a_module_that_no_test_reaches_is_seen():
    named = {"understave.a": ["understave.a.b"], "understave.a.b": [], "understave.a.c": ["understave.a"]}
    inside = {module: frozenset(names) for module, names in named.items()}
    assert unreached(inside, frozenset({"understave.a", "understave.z"})) == {"understave.a.c"}
    assert unreached(inside, frozenset({"understave.a.c"})) == set()
    assert names_in('COMMAND = "understave.jobs.worker"') == {"understave.jobs.worker", "understave.jobs"}
