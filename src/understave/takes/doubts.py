"""When a tie must not be told: music that fits nowhere, and passages that fit in more than one place."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from understave.score.model import Score
from understave.takes.take import Take
from understave.takes.written import Written

LEAST = 0.6
"""Share that must fit (see `fitting`), set by reasoning; ``python -m benchmarks.takes --others`` prints
that other pieces and keys stay under it and the right ones do not."""
SAME = 0.97
"""Share of a passage's notes that must be written in another place for it to be a place that it could be."""
ALIKE = 0.65
"""The same where what was played before would go on, or would lead on to what was played after."""
THERE = 0.95
"""Share of what is written that is struck where only more is struck besides (set by reasoning)."""


def too_little(written: Written, keys: NDArray[np.intp], take: Take) -> str | None:
    """Return a sentence, with a gap for the file's ``{name}``, where a take does not fit its score; else
    None.
    """
    fit = fitting(take)
    if fit >= LEAST and take.runs:
        return None
    share = round(100 * fit)
    shift = _other_key(written, keys)
    where = ""
    if shift:
        where = f"; it may be this piece {abs(shift)} semitone{'s' if abs(shift) > 1 else ''} "
        where += "too high" if shift > 0 else "too low"
    elif _all_there(take):
        where = "; all that is written is in it, so another instrument may sound too"
    return (
        "{name} is not tied: only " + f"{share} % of what was played fits this score{where}; "
        "choose the score that was played, or name the bars if it is a short passage."
    )


def _all_there(take: Take) -> bool:
    """Whether nearly all that is written in the bars was struck, whatever else was."""
    written = len(take.matches) + len(take.missed) + len(take.wrong)
    return len(take.matches) >= THERE * max(1, written)


def fitting(take: Take) -> float:
    """Return how well a take fits, 0..1: of what was played and what was to be played, the share that
    agrees.
    """
    strikes = len(take.recording.performance.strikes)
    right = round(take.sure * strikes)
    return right / max(1, strikes + len(take.missed))


def _other_key(written: Written, keys: NDArray[np.intp]) -> int:
    """Return by how many semitones what was played lies off the score, 0 where nothing says so.

    How often each key is struck is laid over how often it is written, shifted by up to an octave.
    """
    asked = np.zeros(128)
    for here in written.notes:
        for note in here:
            if 0 <= note.midi < 128:
                asked[note.midi] += 1
    played = np.bincount(keys, minlength=128)[:128].astype(float)
    asked, played = np.sqrt(asked), np.sqrt(played)
    norm = float(np.linalg.norm(asked) * np.linalg.norm(played)) or 1.0
    fits = {d: float(asked @ np.roll(played, -d)) / norm for d in range(-12, 13)}
    best = max(fits, key=lambda d: fits[d])
    return best if fits[best] > 0.93 and fits[best] > fits[0] + 0.1 else 0


def other_places(score: Score, notes: Sequence[str], going_on: Sequence[int] = ()) -> tuple[int, ...]:
    """Return the bars (indexes) at which the same passage begins elsewhere in the score.

    In the bars `going_on` no jump would be needed: there it may be less alike.
    """
    if not notes:
        return ()
    by_id = score.note_by_id
    played = sorted({(note.onset, note.midi) for note in (by_id[i] for i in notes) if not note.grace})
    if not played:
        return ()
    there = {(note.onset, note.midi) for note in score.notes if not note.grace and not note.cue}
    begin = score.measure_at(played[0][0])
    found = []
    for measure in score.measures:
        # A bar that is not full, as at the beginning, goes on as another does to its end.
        near = measure.index in going_on and played[0][0] >= begin.end - measure.length
        shift = measure.end - begin.end
        if shift == Fraction(0) or (measure.length != begin.length and not near):
            continue
        allowed = (1 - (ALIKE if measure.index in going_on else SAME)) * len(played)
        lacking = 0
        for onset, midi in played:
            if (onset + shift, midi) not in there:
                lacking += 1
                if lacking > allowed:
                    break
        else:
            found.append(measure.index)
    return tuple(found)
