"""All our errors are kinds of one, and the tree that `understave.errors` shows is the one there is."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re

import pytest

import understave
from understave import errors
from understave.theory.key import Key

_ROW = re.compile(r"^ {4}(?P<branch>[│├└─ ]*)(?P<name>\w+Error) +(?P<what>\S.*)$")


def exceptions() -> list[type[BaseException]]:
    """Return every exception that a module of the package defines for others to catch."""
    found = []
    for entry in pkgutil.walk_packages(understave.__path__, "understave."):
        if entry.name.endswith("__main__"):
            continue
        module = importlib.import_module(entry.name)
        found += [
            value
            for value in vars(module).values()
            if inspect.isclass(value)
            and issubclass(value, BaseException)
            and not issubclass(value, Warning)
            and value.__module__ == entry.name
            and not value.__name__.startswith("_")
        ]
    return found


def shown() -> list[tuple[str, str]]:
    """Return each row of the docstring's tree as the path to its class, and what it says there."""
    rows, path = [], []
    for line in (errors.__doc__ or "").splitlines():
        row = _ROW.match(line)
        if row:
            path = [*path[: len(row["branch"]) // 4], row["name"]]
            rows.append((" > ".join(path), row["what"]))
    return rows


def _path(error: type[BaseException]) -> str:
    line = [e.__name__ for e in error.__mro__ if issubclass(e, errors.UnderstaveError)]
    return " > ".join(reversed(line))


def test_the_tree_in_the_docstring_is_the_tree_of_the_classes():
    assert sorted(path for path, _ in shown()) == sorted(map(_path, exceptions()))


def test_every_class_says_what_the_tree_says():
    said = {error.__name__: inspect.cleandoc(error.__doc__ or "").lower() for error in exceptions()}
    for path, what in shown():
        first = " ".join(what.lower().split()[:3])
        assert said[path.split(" > ")[-1]].startswith(first), path


def test_the_face_offers_the_kinds_of_error_that_are_not_of_one_room_alone():
    offered = {name for name in understave.__all__ if name.endswith("Error")}
    assert offered == {e.__name__ for e in exceptions() if e.__module__ == "understave.errors"}


def test_a_batch_can_pass_over_what_is_no_score(tmp_path):
    (tmp_path / "letter.musicxml").write_text("Dear Sir")
    with pytest.raises(understave.ScoreError, match=r"letter\.musicxml"):
        understave.read_score(tmp_path / "letter.musicxml")
    with pytest.raises(understave.ScoreError, match="There is no file"):
        understave.read_score(tmp_path / "gone.musicxml")


def test_a_name_that_cannot_be_read_is_an_error_of_ours_and_of_value():
    for kind in (understave.SymbolError, understave.UnderstaveError, ValueError):
        with pytest.raises(kind, match="is not a key"):
            Key.parse("Hb sharp")
