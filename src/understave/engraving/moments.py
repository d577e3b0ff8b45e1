"""Where moments fall in a system: exact time in, x out, also between notes.

In: a `System` and its Score. Out: `Moments`, a line through the x of every note, label and barline whose
time is known. Time is the score's own; nothing is taken from verovio's clock.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from fractions import Fraction
from statistics import median

import numpy as np

from understave.engraving.notation import SPACE, System
from understave.score.model import Score


@dataclass(frozen=True)
class Moments:
    """Times (quarter notes, rising) and their x (never falling), in the system's coordinates."""

    times: tuple[float, ...]
    xs: tuple[float, ...]

    def x(self, time: Fraction) -> float:
        """The x of a moment; moments outside the system give its ends."""
        return float(np.interp(float(time), self.times, self.xs))


def moments(system: System, score: Score) -> Moments:
    """Find where the moments of a system fall; noteheads displaced in a chord do not count alone."""
    heads: dict[Fraction, list[float]] = defaultdict(list)
    for i in system.ink:
        note = score.note_by_id.get(i.id) if i.kind == "notehead" else None
        if note is not None and not note.grace and i.id == note.id:
            heads[note.onset].append(i.box.x0)
    known = {t: median(xs) for t, xs in heads.items() if system.start <= t < system.end}
    for bar in system.bars:
        start = score.measures[bar.index].start
        first = max(bar.x0, system.first_note) if start == system.start else bar.x0 + SPACE
        known.setdefault(start, first)
    times = sorted(known)
    xs: list[float] = []
    for t in times:
        xs.append(max(known[t], xs[-1] if xs else known[t]))
    return Moments((*map(float, times), float(system.end)), (*xs, max(system.x1, xs[-1])))
