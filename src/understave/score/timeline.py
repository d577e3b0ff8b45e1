"""Shared by every reader: bars laid out in time, and tied notes joined.

In: measures with their contents' lengths, and written notes with their tie marks. Out: measures with
starts, offsets in the meter and printed numbers, and the sorted notes of a `Score`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from understave.score.model import Measure, Note

ROUNDING = Fraction(1, 16)
"""Largest gap, in quarter notes, across which a tie is still joined in files with rounded times."""


@dataclass(frozen=True, slots=True)
class Written:
    """One written note and its tie marks; `note.ids` holds its one id."""

    note: Note
    tie_start: bool = False
    tie_stop: bool = False


def sort_key(note: Note) -> tuple[Fraction, bool, int, int, int]:
    """Order of `Score.notes`: onset, grace notes first, then pitch, then place on the page."""
    return (note.onset, not note.grace, 0 if note.grace else note.midi, note.part, note.staff)


def _joined(first: Note, then: Note) -> Note:
    return replace(
        first,
        duration=then.end - first.onset,
        ids=first.ids + then.ids,
        ornaments=first.ornaments + tuple(o for o in then.ornaments if o not in first.ornaments),
        articulations=first.articulations
        + tuple(a for a in then.articulations if a not in first.articulations),
        fingering=first.fingering + then.fingering,
        fermata=first.fermata or then.fermata,
        arpeggiated=first.arpeggiated,
        lyrics=first.lyrics + then.lyrics,
    )


def join_ties(written: Iterable[Written]) -> tuple[Note, ...]:
    """Join tied notes and sort.

    A tie ends on the note of the same part and sounding pitch that begins where the tied note ends:
    in the same voice and staff if there is one, else the same voice, else the same staff, else any.
    A tie into a second ending has no note right before it; it stays a note of its own.
    """
    order = sorted(written, key=lambda w: (w.note.onset, not w.note.grace))
    done: list[Note] = []
    place: dict[int, int] = {}
    waiting: dict[tuple[int, int], list[int]] = {}
    for w in order:
        note = w.note
        key = (note.part, note.midi)
        slot = None
        if w.tie_stop and not note.grace:
            waiting_here = waiting.get(key, [])
            touching = [i for i in waiting_here if done[i].end == note.onset and done[i].onset < note.onset]
            touching = touching or [
                i
                for i in waiting_here
                if abs(done[i].end - note.onset) <= ROUNDING and done[i].onset < note.onset
            ]
            if touching:
                slot = min(
                    touching,
                    key=lambda i: (
                        done[i].written.letter != note.written.letter,
                        done[i].voice != note.voice,
                        done[i].staff != note.staff,
                    ),
                )
                waiting_here.remove(slot)
                done[slot] = _joined(done[slot], note)
        if slot is None:
            slot = len(done)
            done.append(note)
        if w.tie_start and not note.grace:
            waiting.setdefault(key, []).append(slot)
    del place
    return tuple(sorted(done, key=sort_key))


def lay_out(
    bars: Sequence[Measure],
    implicit: Collection[int] = (),
    fresh: Collection[int] = (),
) -> tuple[tuple[Measure, ...], tuple[str, ...]]:
    """Give bars their index, start, offset in the meter and number; return them and warnings.

    `bars` come in order with `length`, meter and `number` as in the file. `implicit` holds indexes
    whose number is not printed, `fresh` indexes that begin a new section (after a final or double bar,
    or with a new tempo or meter), where a short bar is a pickup. Rules (common practice, no source):
    a short first bar is a pickup and ends on the barline; a short bar after a short bar goes on where
    that one stopped if both fit in one meter; a second ending goes on from where the first one began.
    """
    out: list[Measure] = []
    warnings: list[str] = []
    start = Fraction(0)
    at = Fraction(0)  # place in the meter where the bar before stopped; 0 after a full bar
    before_ending = Fraction(0)
    number = ""
    for i, bar in enumerate(bars):
        full = bar.full_length
        after = bars[i + 1] if i + 1 < len(bars) else None
        before = out[-1] if out else None
        if before is not None and full != before.full_length:
            at = Fraction(0)
        if before is not None and bar.ending and bar.ending != bars[i - 1].ending:
            if bars[i - 1].ending:
                at = before_ending
            else:
                before_ending = at
        offset = Fraction(0)
        going_on = False
        if bar.length < full:
            rest = full - bar.length
            if at and at + bar.length <= full:
                offset, going_on = at, True
            elif before is None:
                split = (
                    after is not None
                    and after.length == rest
                    and i + 1 in implicit
                    and i not in implicit
                    and number_of(bar.number) != "0"
                )
                offset = Fraction(0) if split else rest
            elif after is not None and after.full_length == full and bar.length + after.length == full:
                offset = Fraction(0)
            elif (i in implicit or i in fresh) and not bar.repeat_end and after is not None:
                offset = rest
        elif bar.length > full:
            warnings.append(
                f"Bar {bar.number} holds {plain(bar.length)} quarter notes where its meter "
                f"{bar.beats}/{bar.beat_type} asks for {plain(full)}; it is kept as it is."
            )
        shown = bar.number.strip()
        if going_on and (i in implicit or shown == number or not number_of(shown)) and number:
            shown = number
        elif before is None and i in implicit and not (after and after.number.strip() == "2"):
            shown = "0"
        elif not number_of(shown):
            shown = f"{number}a" if number else str(i + 1)
        else:
            number = shown
        if not number:
            number = shown
        out.append(replace(bar, index=i, number=shown, start=start, offset=offset))
        start += bar.length
        at = offset + bar.length
        if at >= full:
            at = Fraction(0)
        elif bar.length:
            complete = after is None or after.length < after.full_length or bar.repeat_end or i == 0
            if not complete and i not in implicit and not bar.ending and i + 1 not in fresh:
                warnings.append(
                    f"Bar {shown} holds {plain(bar.length)} quarter notes where its meter "
                    f"{bar.beats}/{bar.beat_type} asks for {plain(full)}; it is kept as it is."
                )
    return tuple(out), tuple(warnings)


def number_of(text: str) -> str:
    """Return the digits a bar number begins with, ``""`` if it does not begin with one (``"X1"``)."""
    m = re.match(r"\s*(\d+)", text)
    return m[1] if m else ""


def plain(value: Fraction) -> str:
    """Return a number of quarter notes as people write it: ``"3.5"``, ``"2 2/3"``."""
    whole, rest = divmod(value, 1)
    if not rest:
        return str(whole)
    if 1000 % rest.denominator == 0:
        return f"{float(value):g}"
    return f"{whole} {rest}" if whole else str(rest)
