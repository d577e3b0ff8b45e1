"""Some bars of a score as a score of their own.

In: a `Score` and the indexes of its first and last measure wanted. Out: a `Score` that begins at 0 and
keeps the printed bar numbers, the ids of its notes and the loudness, tempo and pedal in force where it
begins.
"""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction

from understave.errors import ScoreError
from understave.score.model import Direction, Note, Score
from understave.score.write import with_source

_LASTING = re.compile("p+|f+|m[pf]")
"""Marks of loudness that hold on; an accent such as sfz does not."""


def passage(score: Score, first: int, last: int) -> Score:
    """Return the measures from `first` to `last`, both included.

    A note held over either end is cut there; repeat signs are left out. Raises UnderstaveError if there
    are no such measures.
    """
    if not 0 <= first <= last < len(score.measures):
        raise ScoreError(
            f"There are no measures {first} to {last} to take out: counted from 0, the score's last measure "
            f"is {len(score.measures) - 1}."
        )
    start, end = score.measures[first].start, score.measures[last].end
    measures = tuple(
        replace(m, index=k, start=m.start - start, repeat_start=False, repeat_end=False, ending=())
        for k, m in enumerate(score.measures[first : last + 1])
    )
    notes = [cut for n in score.notes if (cut := _within(n, first, start, end)) is not None]
    bare = replace(
        score,
        measures=measures,
        notes=tuple(_with_whole_slurs(notes)),
        directions=_directions(score, start, end),
        metadata={},
        warnings=(),
        source=b"",
    )
    return with_source(bare)


def _within(n: Note, first: int, start: Fraction, end: Fraction) -> Note | None:
    if n.onset >= end or n.end < start or (n.onset < start and n.end == start):
        return None
    if n.grace and n.measure < first:
        return None
    onset, until = max(n.onset, start), min(n.end, end)
    whole = onset == n.onset and until == n.end
    ids = n.ids if whole else (n.ids[0],) if onset == n.onset else (n.ids[-1],)
    return replace(
        n,
        id=ids[0],
        ids=ids,
        onset=onset - start,
        duration=until - onset,
        measure=max(0, n.measure - first),
        fingering=n.fingering if onset == n.onset else (),
        ornaments=n.ornaments if onset == n.onset else (),
    )


def _with_whole_slurs(notes: list[Note]) -> list[Note]:
    """Return the notes without the ends of slurs that reach out of the passage."""
    open_starts: dict[tuple[int, int], list[int]] = {}
    lost: set[tuple[int, str]] = set()
    for k, n in enumerate(notes):
        starts = open_starts.setdefault((n.part, n.staff), [])
        if "slur-stop" in n.articulations:
            if starts:
                starts.pop()
            else:
                lost.add((k, "slur-stop"))
        if "slur-start" in n.articulations:
            starts.append(k)
    lost |= {(k, "slur-start") for starts in open_starts.values() for k in starts}
    return [
        replace(n, articulations=tuple(a for a in n.articulations if (k, a) not in lost))
        if any((k, a) in lost for a in n.articulations)
        else n
        for k, n in enumerate(notes)
    ]


def _standing(d: Direction) -> bool:
    """Whether a speed goes on: beside words in small letters (ten.) it is that of one place."""
    return not d.text or "=" in d.text or d.text[0].isupper()


def _directions(score: Score, start: Fraction, end: Fraction) -> tuple[Direction, ...]:
    found: list[Direction] = []
    in_force: dict[tuple[str, int], Direction] = {}
    for d in score.directions:
        if d.onset < start:
            if (d.kind == "tempo" and _standing(d)) or (d.kind == "dynamic" and _LASTING.fullmatch(d.text)):
                in_force[d.kind, d.staff] = d
            elif d.kind == "pedal":
                in_force[d.kind, 0] = d
            elif d.kind in ("wedge", "ottava") and d.end is not None and d.end > start:
                found.append(replace(d, onset=Fraction(0), end=min(d.end, end) - start))
        elif d.onset < end or (d.onset == end and d.kind == "pedal" and d.text == "stop"):
            until = None if d.end is None else min(d.end, end) - start
            found.append(replace(d, onset=d.onset - start, end=until))
    here = {(d.kind, d.staff) for d in found if d.onset == 0}
    for (kind, staff), d in in_force.items():
        if kind == "pedal":
            down = d.text in ("start", "change", "resume", "continue") and (d.value is None or d.value > 0)
            if down and not any(f.kind == "pedal" and f.onset == 0 for f in found):
                found.append(replace(d, onset=Fraction(0), text="start"))
        elif (kind, staff) not in here and (kind == "dynamic" or d.value):
            # Of a tempo only its speed goes on: its words belong where they stand.
            text = "" if kind == "tempo" else d.text
            found.append(replace(d, onset=Fraction(0), end=None, text=text))
    return tuple(sorted(found, key=lambda d: d.onset))
