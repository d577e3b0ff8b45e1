"""How texts are laid out for a terminal."""

import io

import pytest
from rich.table import Table
from rich.text import Text

from understave.cli.outputs import Teller

SAID = "On lit «\u00a0Lento\u00a0»\u202f; c’est lent\u00a0: mi bémol."


def laid_out(shown: object, width: int) -> list[str]:
    page = Teller(file=io.StringIO(), width=width, markup=False, emoji=False)
    page.print(shown)
    return [line.rstrip(" ") for line in page.file.getvalue().splitlines()]


@pytest.mark.parametrize("width", range(14, 40))
@pytest.mark.parametrize("way", ["words", "text", "cell"])
def test_no_line_ends_at_a_no_break_space(way: str, width: int) -> None:
    """A no-break space keeps its words on one line (Unicode Standard Annex #14, class GL)."""
    shown: object = Text(SAID, style="bold") if way == "text" else SAID
    if way == "cell":
        shown = Table.grid()
        shown.add_column()
        shown.add_row(Text(SAID))
    lines = laid_out(shown, width)
    assert " ".join(lines) == SAID
    assert all(len(line) <= width for line in lines)
    assert len(lines) > 1 or len(SAID) <= width
