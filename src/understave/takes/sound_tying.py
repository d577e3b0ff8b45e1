"""Ties recorded sound to a score by two opinions that check each other: `tie_sound`.

In: a recording with samples, and a score. Out: a `Take` of runs. A network (`stroke_hearing`) says which keys
are struck when; what it hears is tied as a keyboard's strikes are, so that repeats, skipped bars and restarts
are found, and each moment is set on the strokes of its own keys; by how much all are heard late, the sound
says. Then the spectrum is followed through each run without transcribing it (`sound_following`). A bar is
told where the network hears enough of its notes and the other does not hear clearly that it sounds elsewhere.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from understave.acoustics.files import RATE as KEPT_AT
from understave.acoustics.files import resample
from understave.acoustics.performance import Performance, Strike
from understave.errors import TakeError
from understave.score.model import Score
from understave.takes.recorded import samples_of
from understave.takes.sound_following import Followed, Heard, follow_sound, told_bars
from understave.takes.stroke_hearing import HOP, KEYS, LOWEST_KEY, RATE, Rows, hear, lateness, strokes
from understave.takes.take import Recording, Run, Take
from understave.takes.tying import tie_struck
from understave.takes.written import Written

BEYOND = 0.3
"""Seconds before and after a run in which the second opinion may look for its ends."""
APART = 0.5
"""Seconds by which the two opinions of a bar may differ."""
LEAST_STRUCK, LEAST_ALONE = 0.4, 0.65
"""Share of the notes of three bars that must be heard for the middle one to be told: where both opinions
agree, and where the second is not clear (set by reasoning: another bar shares a third of its notes).
"""
LEAST_TOLD = 0.5
"""Share of the bars that are played which must be told for any to be."""
FAINT, NEAR = 0.12, 0.1
"""How likely strokes must be, on the mean of a moment's keys, for a moment between others that was not heard;
and seconds from where it is expected."""


@dataclass(slots=True)
class _Judged:
    """A run as the network has it, and which of its bars (indexes into the score's) are told;
    `bar_of` is the bar of each moment, in quarter notes.
    """

    run: Run
    bar_of: dict[float, int]
    told: dict[int, bool]


def tie_sound(score: Score, recording: Recording, first: int | None = None, last: int | None = None) -> Take:
    """Tie recorded sound to a score, or to its bars from `first` to `last` (indexes, both included).

    Bars of which it is not sure are left out between runs. Raises TakeError with one sentence, which says how
    much fitted, where this is not what the score says.
    """
    if len(Written(score, first or 0, last).times) < 2:
        raise TakeError("There are not two notes in these bars, so no sound can be tied to them.")
    mono = resample(samples_of(recording), KEPT_AT, RATE)
    heard = Heard(mono, RATE)
    likely = hear(mono, heard.tuning)
    struck = strokes(likely)
    if not len(struck.keys):
        raise TakeError(
            f"{recording.media} is not tied: no piano is heard in it; record it again, nearer to it."
        )
    strikes = tuple(
        Strike(key, second, second + HOP / RATE, 64.0, "")
        for key, second in zip(struck.keys.tolist(), struck.seconds.tolist(), strict=True)
    )
    found = tie_struck(score, Recording(Performance(strikes), (), "midi", recording.media), first, last)
    judged = [_judged(score, found, k, likely, heard) for k in range(len(found.runs))]
    told, played = (sum(sum(one.told.values()) for one in judged), sum(len(one.told) for one in judged))
    runs = tuple(run for one in judged for run in _parts(one))
    if not runs or told < LEAST_TOLD * played:
        raise TakeError(
            f"{recording.media} is not tied: only {round(100 * told / max(1, played))} % of the bars that "
            "seem to be played are heard clearly enough; choose the score that was played, name the bars, or "
            "record it again, nearer to the piano."
        )
    late = min(lateness(mono, struck.seconds), *(run.seconds[0] for run in runs))
    runs = tuple(replace(run, seconds=tuple(second - late for second in run.seconds)) for run in runs)
    return Take(recording, runs, (), (), (), (), (), round(found.sure, 4))


def _judged(score: Score, found: Take, k: int, likely: Rows, heard: Heard) -> _Judged:
    run = found.runs[k]
    written = Written(score, run.first, run.last)
    bars = [here[0].measure for here in written.notes]
    inside = (written.quarters >= run.moments[0]) & (written.quarters <= run.moments[-1])
    order = sorted({bar for bar, i in zip(bars, inside, strict=True) if i})
    # Of the whole bar, so that one of which a run has only the end or the beginning is seldom told.
    there = Counter(
        bar for bar, here in zip(bars, written.notes, strict=True) for _ in {n.midi for n in here}
    )
    struck = Counter(score.note_by_id[match.note].measure for match in found.matches if match.run == k)
    share = np.array([min(1.0, struck[bar] / there[bar]) for bar in order])
    near = np.convolve(np.pad(share, 1, mode="edge"), np.full(3, 1 / 3), "valid")
    exact = _exact(run, written, likely)
    agreed = _agreed(exact, written, bars, heard)
    told = {
        bar: bool(
            near[i] >= (LEAST_STRUCK if agreed.get(bar) else LEAST_ALONE) and agreed.get(bar) is not False
        )
        for i, bar in enumerate(order)
    }
    return _Judged(exact, dict(zip(written.quarters.tolist(), bars, strict=True)), told)


def _agreed(run: Run, written: Written, bars: Sequence[int], heard: Heard) -> dict[int, bool | None]:
    """Say of each bar whether the second opinion has it where the first has; None where it is not clear."""
    begin = max(0, round((run.seconds[0] - BEYOND) / heard.step))
    end = min(len(heard.level), round((run.seconds[-1] + BEYOND) / heard.step) + 1)
    if len(written.times) < 2 or end - begin < 100:
        return {}
    followed: Followed = follow_sound(heard, written, begin, end)
    clear = told_bars(written, followed)
    of = written.bar_of
    found: dict[int, bool | None] = {}
    for place in sorted(set(of.tolist())):
        here = np.flatnonzero(of == place)
        expected = np.interp(written.quarters[here], run.moments, run.seconds)
        off = float(np.median(np.abs(followed.seconds[here] - expected)))
        found[bars[int(here[0])]] = (off <= APART) if clear[place] else None
    return found


def _exact(run: Run, written: Written, likely: Rows) -> Run:
    """Set the moments inside a run whose strokes were not heard where they are likeliest near by."""
    known = dict(zip(run.moments, run.seconds, strict=True))
    moments, seconds = np.array(run.moments), np.array(run.seconds)
    inside = np.flatnonzero((written.quarters > moments[0]) & (written.quarters < moments[-1]))
    for i in inside.tolist():
        moment = float(written.quarters[i])
        keys = sorted({n.midi - LOWEST_KEY for n in written.notes[i] if 0 <= n.midi - LOWEST_KEY < KEYS})
        if moment in known or not keys:
            continue
        k = int(np.searchsorted(moments, moment))
        expected = float(np.interp(moment, moments, seconds))
        reach = min(NEAR, 0.5 * (seconds[k] - expected), 0.5 * (expected - seconds[k - 1]))
        low, high = round((expected - reach) * RATE / HOP), round((expected + reach) * RATE / HOP) + 1
        near = likely[max(0, low) : high][:, keys].mean(axis=1)
        if len(near) and float(near.max()) >= FAINT:
            known[moment] = (max(0, low) + int(near.argmax())) * HOP / RATE
    rising: list[tuple[float, float]] = []
    for moment, second in sorted(known.items()):
        if not rising or second > rising[-1][1]:
            rising.append((moment, second))
    return replace(run, moments=tuple(m for m, _ in rising), seconds=tuple(s for _, s in rising))


def _parts(one: _Judged) -> Iterator[Run]:
    """Yield the stretches of a run whose bars are told, two bars at least."""
    run = one.run
    pairs = [(one.bar_of[m], m, s) for m, s in zip(run.moments, run.seconds, strict=True)]
    group: list[tuple[int, float, float]] = []
    for pair in [*pairs, None]:
        if pair is not None and one.told.get(pair[0], False):
            group.append(pair)
            continue
        if len({bar for bar, _, _ in group}) >= 2:
            yield replace(
                run,
                moments=tuple(m for _, m, _ in group),
                seconds=tuple(s for _, _, s in group),
                first=group[0][0],
                last=group[-1][0],
            )
        group = []
