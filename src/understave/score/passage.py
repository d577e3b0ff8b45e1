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
        replace(
            measure, index=k, start=measure.start - start, repeat_start=False, repeat_end=False, ending=()
        )
        for k, measure in enumerate(score.measures[first : last + 1])
    )
    notes = [cut for note in score.notes if (cut := _within(note, first, start, end)) is not None]
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


def _within(note: Note, first: int, start: Fraction, end: Fraction) -> Note | None:
    if note.onset >= end or note.end < start or (note.onset < start and note.end == start):
        return None
    if note.grace and note.measure < first:
        return None
    onset, until = max(note.onset, start), min(note.end, end)
    whole = onset == note.onset and until == note.end
    ids = note.ids if whole else (note.ids[0],) if onset == note.onset else (note.ids[-1],)
    return replace(
        note,
        id=ids[0],
        ids=ids,
        onset=onset - start,
        duration=until - onset,
        measure=max(0, note.measure - first),
        fingering=note.fingering if onset == note.onset else (),
        ornaments=note.ornaments if onset == note.onset else (),
    )


def _with_whole_slurs(notes: list[Note]) -> list[Note]:
    """Return the notes without the ends of slurs that reach out of the passage."""
    open_starts: dict[tuple[int, int], list[int]] = {}
    lost: set[tuple[int, str]] = set()
    for k, note in enumerate(notes):
        starts = open_starts.setdefault((note.part, note.staff), [])
        if "slur-stop" in note.articulations:
            if starts:
                starts.pop()
            else:
                lost.add((k, "slur-stop"))
        if "slur-start" in note.articulations:
            starts.append(k)
    lost |= {(k, "slur-start") for starts in open_starts.values() for k in starts}
    return [
        replace(note, articulations=tuple(a for a in note.articulations if (k, a) not in lost))
        if any((k, a) in lost for a in note.articulations)
        else note
        for k, note in enumerate(notes)
    ]


def _standing(direction: Direction) -> bool:
    """Whether a speed goes on: beside words in small letters (ten.) it is that of one place."""
    return not direction.text or "=" in direction.text or direction.text[0].isupper()


def _directions(score: Score, start: Fraction, end: Fraction) -> tuple[Direction, ...]:
    found: list[Direction] = []
    in_force: dict[tuple[str, int], Direction] = {}
    for direction in score.directions:
        if direction.onset < start:
            if (direction.kind == "tempo" and _standing(direction)) or (
                direction.kind == "dynamic" and _LASTING.fullmatch(direction.text)
            ):
                in_force[direction.kind, direction.staff] = direction
            elif direction.kind == "pedal" and not direction.text.startswith("sostenuto"):
                in_force[direction.kind, 0] = direction
            elif (
                direction.kind in ("wedge", "ottava") and direction.end is not None and direction.end > start
            ):
                found.append(replace(direction, onset=Fraction(0), end=min(direction.end, end) - start))
        elif direction.onset < end or (
            direction.onset == end and direction.kind == "pedal" and direction.text.endswith("stop")
        ):
            until = None if direction.end is None else min(direction.end, end) - start
            found.append(replace(direction, onset=direction.onset - start, end=until))
    here = {(direction.kind, direction.staff) for direction in found if direction.onset == 0}
    for (kind, staff), direction in in_force.items():
        if kind == "pedal":
            down = direction.text in ("start", "change", "resume", "continue") and (
                direction.value is None or direction.value > 0
            )
            if down and not any(direction.kind == "pedal" and direction.onset == 0 for direction in found):
                found.append(replace(direction, onset=Fraction(0), text="start"))
        elif (kind, staff) not in here and (kind == "dynamic" or direction.value):
            # Of a tempo only its speed goes on: its words belong where they stand.
            text = "" if kind == "tempo" else direction.text
            found.append(replace(direction, onset=Fraction(0), end=None, text=text))
    return tuple(sorted(found, key=lambda direction: direction.onset))
