"""The marks of a bar: dynamics, hairpins, words and tempos, as rows to be corrected, and put back.

In: a `Score` and the index of a bar. Out: `Mark`s; or the score with other marks in a bar's place. A mark
belongs to the bar in which it begins.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import NamedTuple

from understave.score.bar_text import BarTextError
from understave.score.model import Direction, Score, read_exact

KINDS = ("dynamic", "crescendo", "diminuendo", "words", "tempo")
"""What a mark can be; the two in the middle are hairpins."""
HAIRPINS = KINDS[1:3]
MOST_MARKS = 40
"""Marks that a bar may have."""
_LONGEST = 80
"""Letters that a mark may have."""
_DYNAMIC = re.compile("[pmfsrzn]{1,6}")
"""The letters that dynamics are printed with (MusicXML 4.0, ``dynamics``)."""


class Mark(NamedTuple):
    """A mark: its kind, its text as printed (none for a hairpin), its staff.

    `at` is where it begins, in quarter notes from the beginning of the bar; a hairpin's `until` where it
    ends, counted on over the bar lines.
    """

    kind: str
    text: str
    at: Fraction
    until: Fraction | None
    staff: int


def checked(mark: Mark, staves: int) -> Mark:
    """Return a mark; raise BarTextError for what cannot be printed."""
    hairpin = mark.kind in HAIRPINS
    if mark.kind not in KINDS or not 1 <= mark.staff <= staves or len(mark.text) > _LONGEST:
        raise BarTextError("mark", word=mark.text[:20])
    if not hairpin and (not mark.text.isprintable() or not mark.text.strip()):
        raise BarTextError("mark", word=mark.text[:20])
    if mark.kind == "dynamic" and not _DYNAMIC.fullmatch(mark.text):
        raise BarTextError("dynamic", word=mark.text[:20])
    if mark.at < 0 or (hairpin and (mark.until is None or mark.until <= mark.at)):
        raise BarTextError("hairpin" if hairpin and mark.at >= 0 else "beat", word=str(mark.at))
    return mark._replace(text="" if hairpin else mark.text.strip(), until=mark.until if hairpin else None)


def read_beat(text: str) -> Fraction:
    """Read a beat as people write it: ``2``, ``2.5``, ``2,5``, ``5/2`` or ``2 1/2``."""
    whole, _, rest = text.strip().replace(",", ".").partition(" ")
    try:
        return read_exact(whole) + (read_exact(rest) if rest else 0)
    except ValueError:
        raise BarTextError("beat", word=text[:20]) from None


def _kind(direction: Direction) -> str:
    return direction.text if direction.kind == "wedge" else direction.kind


def _is_mark(direction: Direction) -> bool:
    return _kind(direction) in KINDS and bool(direction.text)


def marks_of(score: Score, index: int) -> tuple[Mark, ...]:
    """Return the marks that begin in a bar, in order of time."""
    bar = score.measures[index]
    found = []
    for d in score.directions:
        if _is_mark(d) and bar.start <= d.onset < bar.end:
            hairpin = d.kind == "wedge"
            until = (d.end if d.end is not None else bar.end) - bar.start if hairpin else None
            found.append(Mark(_kind(d), "" if hairpin else d.text, d.onset - bar.start, until, d.staff))
    return tuple(sorted(found, key=lambda mark: (mark.at, mark.staff)))


def with_marks(score: Score, marked: Mapping[int, Sequence[Mark]]) -> Score:
    """Return the score with other marks in some bars, by index.

    A mark beyond the end of its bar is left out. What a tempo of the same words had meant it means still. The
    result has no `source` yet.
    """
    kept: list[Direction] = []
    old: list[Direction] = []
    for d in score.directions:
        gone = _is_mark(d) and score.measure_at(d.onset).index in marked
        (old if gone else kept).append(d)
    for index, marks in marked.items():
        bar = score.measures[index]
        for mark in marks:
            hairpin = mark.kind in HAIRPINS
            if mark.at >= bar.length:
                continue
            end = min(bar.start + mark.until, score.measures[-1].end) if mark.until is not None else None
            value = next((d.value for d in old if (_kind(d), d.text) == mark[:2]), None)
            kind, text = ("wedge", mark.kind) if hairpin else (mark.kind, mark.text)
            kept.append(Direction("", kind, bar.start + mark.at, end, mark.staff, text, value))
    kept.sort(key=lambda d: (d.onset, d.staff))
    numbered = tuple(replace(d, id=f"d{i + 1}") for i, d in enumerate(kept))
    return replace(score, directions=numbered, source=b"")
