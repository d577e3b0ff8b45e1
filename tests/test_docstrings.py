"""Examples in docstrings run as they stand, from the folder of the repository."""

from __future__ import annotations

import doctest
from importlib import import_module
from pathlib import Path

import pytest

import understave

ROOT = Path(__file__).parents[1]
PACKAGE = Path(understave.__file__).parent
WITH_EXAMPLES = sorted(
    ".".join(("understave", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")
    for path in PACKAGE.rglob("*.py")
    if ">>>" in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_run(name, monkeypatch):
    monkeypatch.chdir(ROOT)
    found = doctest.testmod(import_module(name), optionflags=doctest.ELLIPSIS)
    assert found.attempted > 0
    assert found.failed == 0


def test_there_are_examples():
    assert "understave" in WITH_EXAMPLES
