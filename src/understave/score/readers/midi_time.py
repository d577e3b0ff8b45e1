"""Played times in, written onsets and durations out.

Times are in beats (quarter notes) as the file or the beat tracker counts them. A file written by a
notation program is exact to a tick, and every time is the simplest fraction at hand; a played file is
quantised beat by beat: of the binary and triplet divisions of a beat the one with the least squared
error counts, finer ones paying for each part (after D. Temperley, "The Cognition of Basic Musical
Structures", 2001, ch. 2, and common practice).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import floor, pi

import numpy as np

PLAIN = (1, 2, 4, 3, 8, 6, 16, 12, 5, 7)
"""Divisions of a beat that are written without a second thought."""
_ALL = (*PLAIN, 24, 10, 9, 32, 11, 13, 14, 15, 18, 20, 22, 28, 36, 40, 48, 64)
_PLAYED_DIVISIONS = {1: 0.0, 2: 0.6, 3: 1.4, 4: 1.6, 6: 3.2, 8: 3.6, 12: 5.0}
_ON_THE_TICK = 1e-6  # beats: rounding of floating point, and no more
_FINE = 1 / 400  # beats: pianists play evenly to two ticks so small in at most 9 of 100 notes (24 recordings)
_SPREAD = 0.06  # beats by which playing typically strays from the grid


@dataclass(frozen=True, slots=True)
class Played:
    """A note as found: start and end in beats, its line (a track or hand), and later its written time."""

    start: float
    end: float
    midi: int
    velocity: int
    line: int
    onset: Fraction = Fraction(0)
    duration: Fraction = Fraction(0)
    grace: bool = False


def simplest(time: float, tolerance: float, divisions: Sequence[int] = _ALL) -> Fraction | None:
    """Return the simplest fraction within `tolerance` of a time; None if no division of the beat has one."""
    # Where ticks are coarse (6 to the quarter), a third of a beat lies within half a tick of a quarter.
    # Rounding to the tick is off by half a tick; only then may a writer's other slips count.
    for reach, among in ((_ON_THE_TICK, PLAIN), (0.52 * tolerance, divisions), (tolerance, divisions)):
        beat = floor(time + reach)
        place = time - beat
        for division in among:
            near = round(place * division)
            if abs(place - near / division) <= reach:
                return beat + Fraction(near, division)
    return None


@dataclass(frozen=True, slots=True)
class Grid:
    """The beats that a writing program counts: from the barline at each of the `origins`, in order.

    A pickup of 25/32, or a bar that the program wrote too long, moves every beat after it: counted from the
    start of the file no triplet would lie where one is written. `tolerance` is in beats, as the origins are.
    """

    tolerance: float
    origins: tuple[Fraction, ...] = (Fraction(0),)

    def simplest(self, time: float, divisions: Sequence[int] = _ALL, reach: float = 1) -> Fraction | None:
        """Return what `simplest` does, counted from the last origin; `reach` times the tolerance counts."""
        index = bisect_right(self.origins, time + self.tolerance) - 1
        origin = self.origins[index] if index >= 0 else Fraction(0)
        found = simplest(time - float(origin), reach * self.tolerance, divisions)
        return None if found is None else origin + found


def exactness(notes: Sequence[Played], grid: Grid) -> float:
    """Return the share of starts that are where a writer puts them, to the tick.

    That is on a sixteenth or a triplet of their beat or, where ticks are too fine for chance, half way from
    the start before to the one after, as in any tuplet.
    """
    even: set[tuple[int, float]] = set()
    if grid.tolerance <= _FINE:
        for line in {played.line for played in notes}:
            starts = sorted({played.start for played in notes if played.line == line})
            for before, start, after in zip(starts, starts[1:], starts[2:], strict=False):
                if abs(before + after - 2 * start) <= 2 * grid.tolerance:
                    even.add((line, start))
    hits = sum((n.line, n.start) in even or grid.simplest(n.start, PLAIN) is not None for n in notes)
    return hits / len(notes)


def follows_beats(notes: Sequence[Played]) -> bool:
    """Say whether starts gather at places of the beat at all.

    Mean resultant length of the starts' phases in the beat, half, third and quarter of it (Fisher,
    "Statistical Analysis of Circular Data", 1993); far above chance means that the beats are real.
    """
    starts = np.array([played.start for played in notes])
    gathered = max(abs(np.exp(2j * pi * k * starts).mean()) for k in (1, 2, 3, 4))
    return bool(gathered > max(0.25, 2.5 / np.sqrt(len(starts))))


def write_exact(notes: Sequence[Played], grid: Grid) -> list[Played]:
    """Give written times to notes of a file exact to the tick; returns them in the order given.

    A short note just before another that starts off the grid is a grace note, and the other one stands
    where the short one began; chords rolled by the writing program are put together again.
    """
    out = list(notes)
    by_line: dict[int, list[int]] = {}
    for i in sorted(range(len(out)), key=lambda i: (out[i].start, out[i].midi)):
        by_line.setdefault(out[i].line, []).append(i)
    for members in by_line.values():
        _write_starts(out, members, grid)
    ends = [grid.simplest(played.end, PLAIN) or grid.simplest(played.end, PLAIN, reach=2) for played in out]
    gates = _gates(out, by_line)
    for members in by_line.values():
        _write_lengths(out, members, ends, gates)
    return out


def _write_starts(out: list[Played], members: Sequence[int], grid: Grid) -> None:
    """Give the notes of a line, named by index in order of time, written starts."""
    tolerance = grid.tolerance
    anchors: list[int] = []
    for i in members:
        played = out[i]
        near = [k for k in anchors if tolerance < played.start - out[k].start < 0.26]
        if near and grid.simplest(played.start, PLAIN) is None:
            place = out[near[0]].onset
            before = [k for k in near if abs(out[k].end - played.start) <= 2 * tolerance]
            if before and played.end - played.start > 1.5 * (played.start - out[before[0]].start):
                for k in before:
                    out[k] = replace(out[k], grace=True)
                out[i] = replace(played, onset=place)
                continue
            if any(abs(out[k].end - played.end) <= 2 * tolerance for k in near):
                out[i] = replace(played, onset=place)
                continue
        out[i] = replace(played, onset=_or_rounded(grid.simplest(played.start), played.start))
        anchors = [k for k in anchors if played.start - out[k].start < 0.3] + [i]


def _write_lengths(
    out: list[Played], members: Sequence[int], ends: Sequence[Fraction | None], gates: float | None
) -> None:
    """Give the notes of a line written lengths; `gates` is the share that playback leaves of each."""
    onsets = sorted({out[i].onset for i in members if not out[i].grace})
    for i in members:
        played = out[i]
        if played.grace:
            continue
        end = ends[i]
        after = bisect_right(onsets, played.onset)
        gap = onsets[after] - played.onset if after < len(onsets) else None
        length = played.end - played.start
        if gap and gates and abs(length / float(gap) - gates) < 0.02:
            # Playback that shortens every note by the same share.
            end = played.onset + gap
        elif end is None or end <= played.onset:
            end = played.onset + _written_length(length, gap)
        out[i] = replace(played, duration=end - played.onset)


def _gates(notes: Sequence[Played], by_line: dict[int, list[int]]) -> float | None:
    """Return the share of their length that notes sound for, if most share one such as 0.95."""
    ratios: list[float] = []
    for members in by_line.values():
        onsets = sorted({notes[i].start for i in members})
        for i in members:
            after = bisect_right(onsets, notes[i].start)
            if after < len(onsets):
                ratio = (notes[i].end - notes[i].start) / (onsets[after] - notes[i].start)
                if 0.7 < ratio < 0.995:
                    ratios.append(round(ratio, 2))
    if len(ratios) < max(8, len(notes) // 3):
        return None
    common = max(set(ratios), key=ratios.count)
    return common if ratios.count(common) > len(notes) // 4 else None


def write_played(notes: Sequence[Played], spread: float = _SPREAD) -> list[Played]:
    """Give written times to played notes; returns them in the order given."""
    out = list(notes)
    lines: dict[int, list[int]] = {}
    for i in sorted(range(len(out)), key=lambda i: (out[i].start, out[i].midi)):
        lines.setdefault(out[i].line, []).append(i)
    for members in lines.values():
        clusters = _clusters([out[i].start for i in members])
        places = _quantised([sum(out[members[k]].start for k in c) / len(c) for c in clusters], spread)
        for cluster, place in zip(clusters, places, strict=True):
            for k in cluster:
                i = members[k]
                out[i] = replace(out[i], onset=place)
        onsets = sorted(set(places))
        for i in members:
            after = bisect_right(onsets, out[i].onset)
            gap = onsets[after] - out[i].onset if after < len(onsets) else None
            out[i] = replace(out[i], duration=_played_length(out[i].end - out[i].start, gap))
        _same_chord_same_length(out, members)
    return out


def _clusters(starts: list[float]) -> list[list[int]]:
    """Gather notes struck together: starts (sorted) closer than a fifteenth of a beat."""
    out: list[list[int]] = []
    for k, start in enumerate(starts):
        if out and start - starts[out[-1][0]] < 0.067:
            out[-1].append(k)
        else:
            out.append([k])
    return out


def _quantised(times: list[float], spread: float) -> list[Fraction]:
    """Put sorted times on the grid, beat by beat; they stay in order and apart where they can."""
    out: list[Fraction] = []
    k = 0
    while k < len(times):
        beat = floor(times[k] + 0.1)
        inside = [t for t in times[k:] if t < beat + 0.92] if times[k] < beat + 0.92 else [times[k]]
        inside = inside or [times[k]]
        best: tuple[float, list[Fraction]] | None = None
        for division, price in _PLAYED_DIVISIONS.items():
            places = [beat + Fraction(round((t - beat) * division), division) for t in inside]
            error = sum(((t - float(p)) / spread) ** 2 for t, p in zip(inside, places, strict=True)) / 2
            clashes = len(places) - len(set(places))
            if out and places[0] <= out[-1]:
                clashes += 1
            cost = error + price + 4.0 * clashes
            if best is None or cost < best[0]:
                best = (cost, places)
        assert best is not None
        out += best[1]
        k += len(inside)
    for i in range(1, len(out)):
        out[i] = max(out[i], out[i - 1])
    return out


def _or_rounded(found: Fraction | None, time: float) -> Fraction:
    return Fraction(round(time * 48), 48) if found is None else found


def _written_length(length: float, gap: Fraction | None) -> Fraction:
    """Return the printed length of a note that sounds so long before the next one of its line."""
    if gap is not None and 0.55 * float(gap) <= length <= float(gap) * 1.15 + 0.02:
        return gap
    for value in (4, 3, 2, Fraction(3, 2), 1, Fraction(3, 4), Fraction(1, 2), Fraction(1, 3), Fraction(1, 4)):
        if length >= float(value) * 0.88:
            return Fraction(value) if length < 4.5 else Fraction(round(length * 2), 2)
    return Fraction(1, 6) if 0.14 < length < 0.2 else Fraction(1, 8) if length > 0.06 else Fraction(1, 16)


def _played_length(length: float, gap: Fraction | None) -> Fraction:
    """Like `_written_length` for playing, where fingers leave keys early and late."""
    # Rests within a beat are mostly detached playing, not writing.
    if gap is not None and (gap <= 1 or (gap <= 2 and length >= 0.4 * float(gap))):
        return gap if length <= float(gap) + 0.35 else max(gap, _written_length(length, None))
    if gap is not None and length < float(gap):
        values = (Fraction(n, 4) for n in (1, 2, 3, 4, 6, 8, 12, 16))
        fits = [v for v in values if v <= gap]
        return min(fits, key=lambda v: abs(float(v) - length), default=gap)
    return _written_length(length, None)


def _same_chord_same_length(notes: list[Played], members: list[int]) -> None:
    """Notes struck together and held nearly alike are one chord: the most common length counts."""
    chords: dict[Fraction, list[int]] = {}
    for i in members:
        chords.setdefault(notes[i].onset, []).append(i)
    for chord in chords.values():
        lengths = [notes[i].duration for i in chord]
        common = max(set(lengths), key=lambda d: (lengths.count(d), d))
        for i in chord:
            if common / 2 <= notes[i].duration <= common * 2:
                notes[i] = replace(notes[i], duration=common)
