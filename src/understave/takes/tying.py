"""Ties what was played to what is written: `tie(score, recording)` -> `Take`.

`following` finds the moment of each strike; that gives runs. In each run strikes are then matched to notes
by key and nearness in time; what is left is paired into wrong notes, told apart as ornaments, or is extra
or missed.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median

import numpy as np
from numpy.typing import NDArray

from understave.errors import TakeError
from understave.score.model import Note, Score
from understave.takes.doubts import other_places, too_little
from understave.takes.following import Path, follow
from understave.takes.going_on import AGAIN, Keys, Seconds, without_excursions
from understave.takes.played_bars import played_spans
from understave.takes.take import Match, Ornament, Recording, Run, Take, WrongNote
from understave.takes.written import Written

REACH = 1.0
"""Most seconds between a strike and where its note is expected."""
FEWEST = 5
"""Right strikes, and two moments, that a stretch needs to be a run at all."""
SHORT, CLEAR = 2, 0.65
"""Bars up to which a run is short, and share of its notes that must then be struck, and of its strikes be
notes."""
TIGHT = 0.12
"""Seconds of doubt that every expected second has at least."""
HURRIED = 4.0
"""How many times quicker than in time nobody plays one moment between others (set by reasoning)."""
IN_PLACE = 0.35
"""Most seconds between a wrong note and where the note that it stands for is expected."""
ASTRAY = (1, 2, 12, 3, 4, 5, 7)
"""Semitones between a wrong note and the written one, likeliest first (a neighbour key, a slip of the
octave)."""
ADORNING = 0.3
"""Most seconds between the strikes of an ornament that is not printed."""


@dataclass(slots=True)
class _Stretch:
    """Strikes `strikes` between two jumps, their written moments from `low` to `high`, what was matched, the
    trills that are not written out, and the bars that it may be instead.
    """

    strikes: range
    low: int
    high: int
    pairs: dict[int, tuple[int, int]]
    at: NDArray[np.intp]
    seconds: Seconds
    chained: bool
    trills: list[list[int]]
    could_be: tuple[int, ...]


def tie(score: Score, recording: Recording, first: int | None = None, last: int | None = None) -> Take:
    """Tie a recording to a score, or to its bars from `first` to `last` (indexes, both included).

    Where the whole score does not fit, one staff alone may: then the notes of the others are not missed.
    Raises UnderstaveError with one sentence, which says how much fitted, where this is not what the score
    says.
    """
    if recording.kind == "sound":
        from understave.takes.sound_tying import tie_sound  # what judges sound takes a while to load

        return tie_sound(score, recording, first, last)
    try:
        return tie_struck(score, recording, first, last)
    except TakeError:
        for staff in _staves(score):
            with suppress(TakeError):
                return tie_struck(staff, recording, first, last)
        raise


def _staves(score: Score) -> Iterator[Score]:
    """Yield the score of each staff alone, as hands are practised; nothing where there is but one."""
    staves = sorted({note.staff for note in score.notes})
    for staff in staves if len(staves) > 1 else ():
        yield replace(score, notes=tuple(note for note in score.notes if note.staff == staff))


def tie_struck(score: Score, recording: Recording, first: int | None, last: int | None) -> Take:
    """Tie the strikes of a recording; see `tie`."""
    low, high = first or 0, len(score.measures) - 1 if last is None else last
    written = Written(score, low, high)
    if not written.times:
        raise TakeError("There are no notes in these bars, so nothing played can be tied to them.")
    order = sorted(
        range(len(recording.performance.strikes)), key=lambda i: recording.performance.strikes[i].start
    )
    strikes = [recording.performance.strikes[i] for i in order]
    keys = np.array([strike.midi for strike in strikes], np.intp)
    starts = np.array([strike.start for strike in strikes], float)
    if not len(keys):
        raise TakeError(f"{recording.media} has no notes in it: nothing was played.")
    if len(keys) < FEWEST:
        raise TakeError(
            f"{recording.media} is not tied: fewer than {FEWEST} notes do not say where they stand; "
            "play a bar at least."
        )
    whole = _stretches(written, keys, starts, follow(written, keys, starts))
    stretches = [part for one in whole for part in _parts(written, starts, one)]
    take = _take(recording, written, order, keys, starts, stretches)
    doubt = too_little(written, keys, take)
    if doubt is not None and take.runs:
        # Whether it is this piece is asked of all that was tied, of bars that are not told, too.
        doubt = too_little(written, keys, _take(recording, written, order, keys, starts, whole))
    if doubt is not None:
        raise TakeError(doubt.format(name=recording.media))
    return _with_doubts(score, take, stretches)


def _stretches(written: Written, keys: Keys, starts: Seconds, path: Path) -> list[_Stretch]:
    going = without_excursions(written, path, keys, starts)
    found: list[_Stretch] = []
    for a, b in pairwise(going.edges):
        places = path.places[a:b]
        right = (written.cost[keys[a:b], places] == 0) & ~path.beside[a:b] & ~going.away[a:b]
        if right.sum() < FEWEST or len(set(places[right].tolist())) < 2:
            continue
        followed = _first_of_each(path, keys, (a + np.flatnonzero(right)).tolist())
        pairs = followed
        low, high = int(places[right].min()), int(places[right].max())
        heard = [turns for turns in path.trills if a <= turns[0] < b]
        at, seconds = steady(written, *_line(pairs, starts))
        for _ in range(3):
            pairs = _matched(written, keys, starts, range(a, b), (low, high), at, seconds)
            at, seconds = _line(pairs, starts)
            if len(at) < 2:
                break
        if len(at) >= 2:
            # What waited longer than any is expected to, as about a pause, is where the path has it.
            matched = set(pairs.values())
            pairs |= {s: m for s, m in followed.items() if s not in pairs and m not in matched}
            chained = bool(path.repeated[a])
            instead = tuple(written.notes[m][0].measure for inside, m in going.doubtful if a in inside)
            found.append(_Stretch(range(a, b), low, high, pairs, at, seconds, chained, heard, instead))
    return found


def _first_of_each(path: Path, keys: Keys, strikes: Sequence[int]) -> dict[int, tuple[int, int]]:
    """Return where the path has strikes, {strike: (moment, key)}: of each key of a moment the first."""
    first: dict[tuple[int, int], int] = {}
    for s in strikes:
        first.setdefault((int(path.places[s]), int(keys[s])), s)
    return {s: mark for mark, s in first.items()}


def _parts(written: Written, starts: Seconds, one: _Stretch) -> Iterator[_Stretch]:
    """Yield the parts of a stretch whose bars were played; what is tied between them is left out.

    At its ends it stays tied: a bar begun before a stop is not told, but its notes are no wrong ones.
    """
    inside, chained = one.strikes, one.chained
    begin = inside.start
    jumps = begin > 0, inside.stop < len(starts)
    spans = played_spans(written, one.pairs, one.at, one.seconds, jumps)
    for k, (low, high) in enumerate(spans):
        reach = one.low if k == 0 else low, one.high if k == len(spans) - 1 else high
        pairs = {s: mark for s, mark in one.pairs.items() if reach[0] <= mark[0] <= reach[1]}
        end = inside.stop if k == len(spans) - 1 else max(pairs) + 1
        strikes = range(begin if k == 0 else min(pairs), end)
        begin = end
        kept = (one.at >= low) & (one.at <= high)
        if kept.sum() < 2 or len(pairs) < FEWEST:
            continue
        heard = [turns for turns in one.trills if turns[0] in strikes]
        whole = max(int(written.size[low : high + 1].sum()), len(strikes) - sum(map(len, heard)))
        if written.bar_of[high] - written.bar_of[low] < SHORT and len(pairs) < CLEAR * whole:
            continue
        # What was left out at the edges was not to be played.
        first, last = min(i for i, _ in pairs.values()), max(i for i, _ in pairs.values())
        line = one.at[kept], one.seconds[kept]
        yield _Stretch(strikes, first, last, pairs, *line, chained, heard, one.could_be)
        chained = True


def _take(
    recording: Recording,
    written: Written,
    order: Sequence[int],
    keys: Keys,
    starts: Seconds,
    stretches: Sequence[_Stretch],
) -> Take:
    runs: list[Run] = []
    matches: list[Match] = []
    wrong: list[WrongNote] = []
    missed: list[tuple[int, str]] = []
    ornaments: list[Ornament] = []
    settled: set[int] = set()
    for k, one in enumerate(stretches):
        struck = {mark: strike for strike, mark in one.pairs.items()}
        left_out: list[tuple[int, str]] = []
        for i in range(one.low, one.high + 1):
            for n in written.notes[i]:
                strike = struck.get((i, n.midi))
                if strike is None:
                    left_out.append((i, n.id))
                else:
                    matches.append(Match(order[strike], n.id, k))
        spare = [s for s in one.strikes if s not in one.pairs]
        adorning = _ornaments(written, keys, starts, one, spare)
        for note, group in adorning.items():
            ornaments.append(Ornament(note, tuple(order[s] for s in group), k))
        spare = [s for s in spare if not any(s in group for group in adorning.values())]
        slips = _wrong(written, keys, starts, one, spare, left_out)
        wrong += [WrongNote(order[s], note, k) for s, note in slips.items()]
        missed += [(k, note) for _, note in left_out if note not in set(slips.values())]
        settled |= set(one.pairs) | {s for g in adorning.values() for s in g} | set(slips)
        inside = len(one.pairs) + sum(map(len, adorning.values()))
        sure = inside / max(1, len(one.strikes) + len(left_out) - len(slips))
        moments = written.quarters[one.at]
        runs.append(
            Run(
                tuple(moments.tolist()),
                tuple(one.seconds.tolist()),
                written.notes[one.at[0]][0].measure,
                written.notes[one.at[-1]][0].measure,
                round(sure, 4),
            )
        )
    # Two voices on one key are one strike.
    fitting = len({m.strike for m in matches}) + sum(len(ornament.strikes) for ornament in ornaments)
    return Take(
        recording,
        tuple(runs),
        tuple(matches),
        tuple(wrong),
        tuple(order[s] for s in range(len(keys)) if s not in settled),
        tuple(missed),
        tuple(ornaments),
        fitting / max(1, len(keys)),
    )


def _with_doubts(score: Score, take: Take, stretches: Sequence[_Stretch]) -> Take:
    """Say of runs that fit elsewhere too where else they could be."""
    runs = list(take.runs)
    notes: dict[int, list[str]] = defaultdict(list)
    for m in take.matches:
        notes[m.run].append(m.note)
    shifts: set[int] = set()
    k = 0
    while k < len(runs):
        # What a repeat leads to is one passage with what was before it.
        last = k
        while last + 1 < len(runs) and stretches[last + 1].chained:
            last += 1
        played = [note for r in range(k, last + 1) for note in notes[r]]
        lasting = runs[last].last - runs[k].first
        # Where no jump would be needed: on from before, on to what follows, from the beginning, to the end.
        going_on = {runs[k - 1].last + 1 if k else 0}
        going_on.add((runs[last + 1].first if last + 1 < len(runs) else len(score.measures)) - 1 - lasting)
        # Where the music before is in doubt, so is this.
        going_on |= {runs[k].first + shift for shift in shifts}
        elsewhere = {*other_places(score, played, tuple(going_on)), *stretches[k].could_be}
        if k > 0 and last + 1 < len(runs) and lasting < SHORT:
            # A bar or two that are no practising say little of where they are.
            ends = (runs[k - 1].last, runs[k].first), (runs[last].last, runs[last + 1].first)
            if not all(-1 <= end - begin <= AGAIN for end, begin in ends):
                elsewhere.add(runs[k - 1].last + 1)
        could_be = tuple(sorted(elsewhere - {runs[k].first}))
        shifts = {bar - runs[k].first for bar in could_be}
        for r in range(k, last + 1):
            runs[r] = replace(runs[r], could_be=could_be)
        k = last + 1
    return replace(take, runs=tuple(runs))


# --- strikes and notes of a run --------------------------------------------------------------------------


def _line(pairs: dict[int, tuple[int, int]], starts: Seconds) -> tuple[NDArray[np.intp], Seconds]:
    """Moments that were struck and their seconds: the middle of each, outliers and backward ones left out."""
    by_moment: dict[int, list[float]] = defaultdict(list)
    for strike, (i, _) in pairs.items():
        by_moment[i].append(float(starts[strike]))
    at = np.array(sorted(by_moment), np.intp)
    seconds = np.array([median(by_moment[i]) for i in at.tolist()], float)
    keep = rising(seconds.tolist())
    return at[keep], seconds[keep]


def steady(written: Written, at: NDArray[np.intp], seconds: Seconds) -> tuple[NDArray[np.intp], Seconds]:
    """Leave out moments that would be so many times nearer to one neighbour than in time: the path took part
    of a chord for one that comes later.
    """
    if len(at) < 3:
        return at, seconds
    lasting, took = np.diff(written.quarters[at]), np.diff(seconds)
    due = lasting[:-1] / (lasting[:-1] + lasting[1:])
    came = took[:-1] / (took[:-1] + took[1:])
    keep = np.ones(len(at), bool)
    keep[1:-1] = (came * HURRIED >= due) & ((1 - came) * HURRIED >= 1 - due)
    return at[keep], seconds[keep]


def rising(values: Sequence[float]) -> list[int]:
    """Return the indices of a longest rising part of a sequence."""
    tails: list[float] = []
    index: list[int] = []
    before = [-1] * len(values)
    for i, v in enumerate(values):
        k = bisect_left(tails, v)
        before[i] = index[k - 1] if k else -1
        tails[k : k + 1], index[k : k + 1] = [v], [i]
    kept, i = [], index[-1] if index else -1
    while i >= 0:
        kept.append(i)
        i = before[i]
    return kept[::-1]


def _matched(  # noqa: PLR0913
    written: Written,
    keys: Keys,
    starts: Seconds,
    strikes: range,
    reach: tuple[int, int],
    at: NDArray[np.intp],
    seconds: Seconds,
) -> dict[int, tuple[int, int]]:
    """Pair strikes and written keys of a run, nearest in time first: {strike: (moment, key)}."""
    if len(at) < 2:
        return {}
    low, high = reach
    expected = _expected(written, at, seconds, low, high)
    by_key: dict[int, list[tuple[float, int]]] = defaultdict(list)
    for i, second in zip(range(low, high + 1), expected.tolist(), strict=True):
        for key in {note.midi for note in written.notes[i]}:
            by_key[key].append((second, i))
    # A strike may be as far off as two moments, but never less than a tenth of a second.
    wide = (
        np.clip(2 * np.gradient(expected), TIGHT, REACH) if len(expected) > 1 else np.full(1, REACH)
    ).tolist()
    times, struck = starts.tolist(), keys.tolist()
    nearest: list[tuple[float, int, int]] = []
    for s in strikes:
        here = by_key.get(struck[s], [])
        k = bisect_left(here, (times[s] - REACH, -1))
        while k < len(here) and here[k][0] <= times[s] + REACH:
            apart = abs(here[k][0] - times[s])
            if apart <= wide[here[k][1] - low]:
                nearest.append((apart, s, here[k][1]))
            k += 1
    pairs: dict[int, tuple[int, int]] = {}
    used: set[tuple[int, int]] = set()
    for _, s, i in sorted(nearest):
        mark = (i, struck[s])
        if s not in pairs and mark not in used:
            pairs[s] = mark
            used.add(mark)
    return pairs


def _expected(written: Written, at: NDArray[np.intp], seconds: Seconds, low: int, high: int) -> Seconds:
    return np.asarray(np.interp(written.quarters[low : high + 1], written.quarters[at], seconds))


def _ornaments(
    written: Written, keys: Keys, starts: Seconds, one: _Stretch, spare: Sequence[int]
) -> dict[str, list[int]]:
    """Return what adorns a note, by its id: neighbours and repetitions while it lasts.

    A trill that is heard (see `trills`) adorns the first of its strikes that is a written note. Of the rest,
    without a printed sign at least three strikes, quickly one after the other and more than one key with the
    note itself, make a trill or turn; with a sign any neighbour while the note lasts is part of it.
    """
    found: dict[str, list[int]] = defaultdict(list)
    loose = set(spare)
    for turns in one.trills:
        home = next((s for s in turns if s in one.pairs), None)
        if home is not None:
            note = _note_of(written, one.pairs[home])
            found[note.id] += [s for s in turns if s in loose]
            loose -= set(turns)
    rest = sorted(loose)
    moment = np.interp(starts[rest], one.seconds, written.quarters[one.at]) if rest else np.zeros(0)
    homes = sorted(one.pairs.items(), key=lambda item: starts[item[0]])
    times = [float(starts[s]) for s, _ in homes]
    groups: dict[tuple[int, int], list[int]] = defaultdict(list)
    for s, now in zip(rest, moment.tolist(), strict=True):
        k = bisect_left(times, float(starts[s]) + 0.06)
        # The latest note near this key that was struck and still lasts; printed signs first.
        best: tuple[bool, int, int] | None = None
        for strike, (i, key) in homes[max(0, k - 24) : k]:
            if abs(key - int(keys[s])) > 2:
                continue
            notes = [note for note in written.notes[i] if note.midi == key]
            if not any(float(note.end) > now - 0.01 and not note.grace for note in notes):
                continue
            signed = any(note.ornaments for note in notes)
            if best is None or (signed, strike) > (best[0], best[1]):
                best = (signed, strike, i)
        if best is not None:
            groups[best[1], best[2]].append(s)
    for (strike, i), group in groups.items():
        note = _note_of(written, (i, one.pairs[strike][1]))
        if not note.ornaments:
            line = [float(starts[strike]), *(float(starts[s]) for s in group)]
            quick = all(b - a <= ADORNING for a, b in pairwise(line))
            if len(group) < 3 or not quick or note.midi not in {int(keys[s]) for s in group}:
                continue
        found[note.id] = sorted(found[note.id] + group)
    return {note: group for note, group in found.items() if group}


def _note_of(written: Written, mark: tuple[int, int]) -> Note:
    """Return the written note of a moment and key."""
    return next(note for note in written.notes[mark[0]] if note.midi == mark[1])


def _wrong(
    written: Written,
    keys: Keys,
    starts: Seconds,
    one: _Stretch,
    spare: Sequence[int],
    left_out: Sequence[tuple[int, str]],
) -> dict[int, str]:
    """Pair strikes that are no written note with notes that were not struck: {strike: note}, nearest
    first.
    """
    if not spare or not left_out:
        return {}
    expected = _expected(written, one.at, one.seconds, one.low, one.high)
    midi = {note.id: note.midi for i, _ in left_out for note in written.notes[i]}
    waiting = sorted((float(expected[i - one.low]), note) for i, note in left_out)
    seconds = [second for second, _ in waiting]
    ways: list[tuple[float, int, str]] = []
    for s in spare:
        now = float(starts[s])
        for second, note in waiting[bisect_left(seconds, now - IN_PLACE) :]:
            if second > now + IN_PLACE:
                break
            apart = abs(midi[note] - int(keys[s]))
            if apart in ASTRAY:
                ways.append((abs(second - now) / IN_PLACE + ASTRAY.index(apart) / len(ASTRAY), s, note))
    pairs: dict[int, str] = {}
    used: set[str] = set()
    for _, s, note in sorted(ways):
        if s not in pairs and note not in used:
            pairs[s] = note
            used.add(note)
    return pairs
