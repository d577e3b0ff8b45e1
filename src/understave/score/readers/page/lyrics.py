"""The words of a song: rows of syllables under a staff, each given to the chord that it is sung to.

In: the words of a system and the events of one staff. Out: `Row`s of `Syllable`s, and the event of each. What
is set in italics or bold under a staff tells how to play; upright rows that follow the heads are sung (common
practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from understave.score.readers.page.events import Event, reach
from understave.score.readers.page.layout import Sheet, System, Word

_FEWEST = 2
"""Syllables that a row has at least; a staff alone in its system needs one more. Set by eye."""
_FOLLOWING = 0.7
"""Part of a row's syllables that stand at a head. Set by eye."""

_TIGHT = 0.25
"""Staff spaces from which syllables are two words: where a hyphen has no room it is left out, but never the
space of words. Set by eye."""


@dataclass(frozen=True, slots=True)
class Syllable:
    """A syllable between two places, on a baseline; `goes_on` where a hyphen follows."""

    text: str
    x0: float
    x1: float
    y: float
    goes_on: bool = False

    @property
    def sung(self) -> str:
        """Its text, with a hyphen where it goes on in the next note."""
        return self.text + "-" * self.goes_on


def sung_rows(
    sheet: Sheet, system: System, staff: int, words: Sequence[Word], singers: Sequence[Event]
) -> list[tuple[list[Word], list[tuple[Event, Syllable]]]]:
    """Return the rows of a song's words under a staff, from the top: their words, and whom they are given to.

    `singers` are the chords of the staff that a syllable may be sung to, from the left.
    """
    lines = system.staves[staff]
    floor = system.staves[staff + 1].y1 if staff + 1 < len(system.staves) else lines.y0 - 16 * sheet.space
    under = [
        w
        for w in words
        if floor < w.y < lines.y0
        and w.box.x0 > lines.x0
        and not re.search(r"italic|oblique|bold|black|heavy", w.font, re.IGNORECASE)
    ]
    least = _FEWEST + (len(system.staves) == 1)
    out = []
    for row in _rows(under, sheet.space):
        syllables = list(_hyphened(_syllables(row), row, sheet))
        near = [s for s in syllables if any(_off(e, s) < sheet.space for e in singers)]
        if len(syllables) >= least and len(near) >= _FOLLOWING * len(syllables):
            out.append((row, _given(syllables, singers, sheet.space)))
    return out


def sung_to(sheet: Sheet, system: System, events: Sequence[Event]) -> set[int]:
    """Return the ids of the chords under which a syllable stands in every row of their staff."""
    low, high = reach(sheet, system)
    words = [w for w in sheet.words if low <= w.y <= high]
    out: set[int] = set()
    for staff in (first for first, last in system.groups if first == last):
        rows = [
            {id(event) for event, _ in given}
            for _, given in sung_rows(sheet, system, staff, words, singers_of(events, staff))
        ]
        if rows:
            out |= set.intersection(*rows)
    return out


def _rows(words: Sequence[Word], space: float) -> list[list[Word]]:
    rows: list[list[Word]] = []
    for word in sorted(words, key=lambda w: -w.y):
        if rows and rows[-1][-1].y - word.y < 0.3 * space:
            rows[-1].append(word)
        else:
            rows.append([word])
    return [sorted(row, key=lambda w: w.box.x0) for row in rows]


_HYPHENS = "-\u2010\u2011\u2013"


def _syllables(row: Sequence[Word]) -> list[Syllable]:
    """Return the syllables of a row; hyphens in letters are joined to the syllable before them."""
    out: list[Syllable] = []
    for word in row:
        for text, x0, x1 in word.pieces:
            bare = text.strip(_HYPHENS + "_")
            if not bare:
                if out and text.strip("_"):
                    out[-1] = replace(out[-1], goes_on=True)
            elif re.search(r"[^\W\d_]", bare):  # numbers of verses are not sung
                out.append(Syllable(bare, x0, x1, word.y, text[-1] in _HYPHENS))
    return out


def _hyphened(syllables: Sequence[Syllable], row: Sequence[Word], sheet: Sheet) -> Iterator[Syllable]:
    """Yield syllables with the hyphens that are drawn as lines; a line at the foot prolongs the last one."""
    size = row[0].size
    dashes = [
        line
        for line in sheet.levels
        if line.x1 - line.x0 < 0.7 * size and 0.12 * size < line.y0 - row[0].y < 0.5 * size
    ]
    for k, syllable in enumerate(syllables):
        until = syllables[k + 1].x0 if k + 1 < len(syllables) else float("inf")
        drawn = any(syllable.x1 - 0.1 * size < d.x0 and d.x1 < until + 0.1 * size for d in dashes)
        tight = until - syllable.x1 < _TIGHT * sheet.space
        yield replace(syllable, goes_on=syllable.goes_on or drawn or tight)


def _off(event: Event, syllable: Syllable) -> float:
    """Return how far a syllable stands from a chord: by its middle, or by its left as long ones do."""
    return min(abs((syllable.x0 + syllable.x1) / 2 - event.x), abs(syllable.x0 - event.box.x0))


_JOINED = 2.5
"""Staff spaces that it costs when two syllables are given to one chord. Set by eye."""


def _given(
    syllables: Sequence[Syllable], singers: Sequence[Event], space: float
) -> list[tuple[Event, Syllable]]:
    """Give syllables to chords in order, so that all stand nearest; two to one where they must."""
    best: dict[int, tuple[float, tuple[int, ...]]] = {-1: (0.0, ())}  # cheapest way to each last chord
    for syllable in syllables:
        ways: dict[int, tuple[float, tuple[int, ...]]] = {}
        for last, (cost, chosen) in best.items():
            for i in range(max(0, last), len(singers)):
                price = cost + _off(singers[i], syllable) + (_JOINED * space if i == last else 0.0)
                if i not in ways or price < ways[i][0]:
                    ways[i] = price, (*chosen, i)
        best = ways
    _, chosen = min(best.values())
    out: list[tuple[Event, Syllable]] = []
    for i, syllable in zip(chosen, syllables, strict=True):
        if out and out[-1][0] is singers[i]:
            out[-1] = singers[i], replace(syllable, text=f"{out[-1][1].text} {syllable.text}")
        else:
            out.append((singers[i], syllable))
    return out


def singers_of(events: Sequence[Event], staff: int) -> list[Event]:
    """Return the chords of a staff that may be sung to, from the left; at one place the upper."""
    chords = sorted((e for e in events if e.staff == staff and e.heads and not e.grace), key=lambda e: e.x)
    return [
        max(group, key=lambda e: e.way)
        for _, group in groupby(chords, key=lambda e: round(e.x / e.box.width))
    ]
