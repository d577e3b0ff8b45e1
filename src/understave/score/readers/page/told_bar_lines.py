"""What a person told of printed bar lines: one that is none, one that was not seen, repeats and endings.

In: a system and what is told. Out: its bars between the lines that then stand there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from understave.score.readers.page.bars import BarOnPage, cut_into_bars
from understave.score.readers.page.events import Event
from understave.score.readers.page.layout import Bar, System
from understave.score.readers.page.told_signs import Frame, Known, Told


def bars_told(
    system: System,
    events: Sequence[Event],
    space: float,
    frame_of: Callable[[BarOnPage], Frame],
    told: Sequence[Told],
) -> list[BarOnPage]:
    """Return the bars of a system; each thing told is of the bars as the things before it have left them."""
    lines = list(system.bars)
    bars = cut_into_bars(system, events, space)
    for one in told:
        if not one.cuts:
            continue
        bar = next((bar for bar in bars if frame_of(bar).holds(one.at)), None)
        if bar is None:
            continue
        if one.joined and bar is not bars[-1]:
            lines = [line for line in lines if line is not bar.right]
        elif one.split is not None:
            frame = frame_of(bar)
            x = bar.x0 + (one.split - frame.x0) / (frame.x1 - frame.x0) * (bar.x1 - bar.x0)
            if bar.x0 < x < bar.x1:
                lines = sorted([*lines, Bar(x, x)], key=lambda line: line.x0)
        bars = cut_into_bars(replace(system, bars=lines), events, space)
    return bars


def mark_lines(bar: BarOnPage, known: Known) -> None:
    """Give a bar the repeat signs at its two lines and the ending that are told."""
    if known.repeat is not None:
        begins, ends = known.repeat
        bar.left = _line(bar.left, bar.x0, begins, dots_after=begins)
        bar.right = _line(bar.right, bar.x1, ends, dots_before=ends)
    if known.ending is not None:
        bar.ending = known.ending


def _line(line: Bar | None, x: float, repeats: bool, **dots: bool) -> Bar | None:
    """Return a bar line with or without the dots of a repeat, which two lines have; none stays none."""
    if line is None and not repeats:
        return None
    line = line or Bar(x, x)
    return replace(line, lines=max(line.lines, 2) if repeats else line.lines, **dots)
