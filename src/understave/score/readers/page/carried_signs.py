"""What a person told of printed signs, carried from the bar where it was said.

In: what is known of bars. Out: the clefs and key signatures that hold in a system's bars. A key or a clef
that was told holds until a sign comes that says something else than the misread one; a meter, which is
printed only where it changes, until the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from understave.score.readers.page.bars import BarOnPage, Clef, clef_at, first_event
from understave.score.readers.page.told_signs import Known

USUAL_CLEFS = (30, 18)
"""Lowest lines of the treble clef and the bass clef, in diatonic steps from C0: what stands where none is."""


@dataclass(eq=False, slots=True)
class Carried:
    """What is told and still holds, from system to system: as it was misread, and as it was told."""

    signature: tuple[int, int] | None = None
    clefs: dict[int, tuple[int, int]] = field(default_factory=dict)
    read: int = 0
    """The signature that was read last."""

    def clefs_held(
        self,
        clefs: Sequence[list[Clef]],
        offset: int,
        bars: Sequence[BarOnPage],
        known: Sequence[Known],
    ) -> list[list[Clef]]:
        """Return a system's clefs, staff by staff, as they hold; `offset` staves are missing above it."""
        out = []
        for staff, found in enumerate(clefs):
            now = found
            held = self.clefs.pop(staff + offset, None)
            if held is not None:
                now, goes_on = _carried(now, float("-inf"), *held)
                if goes_on:
                    self.clefs[staff + offset] = held
            for bar, one in zip(bars, known, strict=True):
                told = one.clefs.get(staff + offset + 1)
                if told is None:
                    continue
                read = clef_at(now, first_event(bar))
                change = (read.bottom if read else USUAL_CLEFS[staff > 0], told)
                now, goes_on = _carried(now, bar.x0, *change)
                self.clefs.pop(staff + offset, None)
                if goes_on:
                    self.clefs[staff + offset] = change
            out.append(now)
        return out

    def sign_keys(self, bars: Sequence[BarOnPage], known: Sequence[Known]) -> None:
        """Give bars the key signatures that hold where they were told."""
        for bar, one in zip(bars, known, strict=True):
            if bar.signature is not None:
                self.read = bar.signature
                if self.signature is not None and self.signature[0] == self.read:
                    bar.signature = self.signature[1]
                else:
                    self.signature = None
            if one.signature is not None:
                self.signature = self.read, one.signature
                bar.signature = one.signature


def _carried(clefs: Sequence[Clef], since: float, read: int, told: int) -> tuple[list[Clef], bool]:
    """Put a clef in the place of one that was read, from `since` until another; say if it still holds."""
    before = [clef for clef in clefs if clef.x < since]
    out = before if since == float("-inf") else [*before, Clef(since, told)]
    holds = True
    for clef in clefs[len(before) :]:
        holds = holds and clef.bottom == read
        out.append(Clef(clef.x, told) if holds else clef)
    return out, holds
