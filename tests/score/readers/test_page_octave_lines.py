"""Octave lines of printed pages: the hook at the end points to the staff that they move (common practice,
no source).
"""

import pytest

from understave.score.readers.page.ink import Box, Line, Page
from understave.score.readers.page.layout import Sheet, Staff, Symbol, System
from understave.score.readers.page.marks import ottavas

BETWEEN = (96.0, 100.0, 104.0)
"""Heights below, at and above half way between the two systems."""


def staff(low):
    return Staff(0, 500, low, low + 16)


def page(height, hook):
    """Two systems of one staff, at 40 to 56 and at 144 to 160; a line between them at some height."""
    systems = [System([staff(144)]), System([staff(40)])]
    end = Line(200, height - 6, 200, height, 0.4) if hook < 0 else Line(200, height, 200, height + 6, 0.4)
    label = Symbol("ottava", Box(96, height - 2, 100, height + 2), height)
    dashes = [Line(x, height, x + 4, height, 0.4) for x in range(104, 200, 8)]
    dashes += [Line(196, height, 200, height, 0.4)]
    return Sheet(Page(500, 200), 4, systems, [label], [], [end], dashes, [])


@pytest.mark.parametrize("height", BETWEEN)
@pytest.mark.parametrize("hook", [-1, 1])
def test_an_octave_line_between_systems_belongs_to_the_one_its_hook_points_to(height, hook):
    sheet = page(height, hook)
    of_upper, of_lower = (ottavas(sheet, system) for system in sheet.systems)
    assert [line.octaves for line in of_upper] == ([] if hook < 0 else [-1])
    assert [line.octaves for line in of_lower] == ([1] if hook < 0 else [])
