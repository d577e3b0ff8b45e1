"""What is written for PowerShell is read by a grammar of it, since no PowerShell is at hand to run it.

The grammar is that of the package tree-sitter-powershell (MIT); it knows the syntax, not what commands do.
"""

from pathlib import Path

import pytest

from understave.cli.completion import script
from understave.cli.program import parser

tree_sitter = pytest.importorskip("tree_sitter", reason="the extra dev has the grammar of PowerShell")
powershell = pytest.importorskip(
    "tree_sitter_powershell", reason="the extra dev has the grammar of PowerShell"
)
ROOT = Path(__file__).resolve().parents[1]


def is_written_right(text: bytes) -> bool:
    read = tree_sitter.Parser(tree_sitter.Language(powershell.language()))
    return not read.parse(text).root_node.has_error


@pytest.mark.parametrize("name", ["run-demo.ps1", "run-tests.ps1", "setup-environment.ps1"])
def test_the_scripts_are_powershell(name):
    text = (ROOT / name).read_bytes()
    assert is_written_right(text)
    assert not is_written_right(text.replace(b")", b"", 1)), "a missing bracket is seen"


def test_the_completion_is_powershell():
    assert is_written_right(script("powershell", parser()).encode())
