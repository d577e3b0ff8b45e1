"""Notes of one keyboard track in, the hand that plays each out; and voices within a hand.

The hands are parted by a line in pitch that moves as little as it can, keeps away from the notes on
both sides of it, and leaves neither hand a wide stretch (dynamic programming over the onsets). What the
weights are was found on piano parts of an open corpus of songs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

_LINES = np.arange(36, 85) + 0.5
_REACH = 10  # semitones that a hand spans without effort
_STRETCH_COST, _MOVE_COST, _MIDDLE_COST = 1.0, 0.3, 0.03
_MEMORY = Fraction(1, 2)  # quarter notes that a note is remembered after its end
_NEAR = 1.0  # semitones within which a note by the line counts


@dataclass(frozen=True, slots=True)
class Span:
    """Onset, end (quarter notes) and MIDI number of a note."""

    onset: Fraction
    end: Fraction
    midi: int


def split_hands(notes: Sequence[Span]) -> list[int]:
    """Return 0 (right hand) or 1 (left hand) for each note; `notes` are sorted by onset."""
    if not notes:
        return []
    onsets = sorted({span.onset for span in notes})
    starting: dict[Fraction, list[int]] = {}
    for i, span in enumerate(notes):
        starting.setdefault(span.onset, []).append(i)
    middle = _middle(notes)
    costs = np.zeros((len(onsets), len(_LINES)))
    heard: list[int] = []
    for t, onset in enumerate(onsets):
        heard = [i for i in heard if notes[i].end + _MEMORY > onset]
        now = starting[onset]
        costs[t] = _cost([notes[i] for i in now], [notes[i] for i in heard], onset)
        costs[t] += _MIDDLE_COST * np.abs(_LINES - middle)
        heard += now
    lines = _cheapest_path(costs, _MOVE_COST * np.abs(_LINES[:, None] - _LINES[None, :]))
    line_at = dict(zip(onsets, lines, strict=True))
    return [int(span.midi < _LINES[line_at[span.onset]]) for span in notes]


def _middle(notes: Sequence[Span]) -> float:
    """Return the pitch halfway between the centres of the high and the low notes (two means)."""
    pitches = np.array([span.midi for span in notes], dtype=float)
    low, high = pitches.min(), pitches.max()
    for _ in range(20):
        lower = np.abs(pitches - low) <= np.abs(pitches - high)
        if lower.all() or not lower.any():
            return 60.0
        low, high = pitches[lower].mean(), pitches[~lower].mean()
    return float(low + high) / 2


def _cost(now: list[Span], heard: list[Span], onset: Fraction) -> np.ndarray:
    pitches = np.array([span.midi for span in (*now, *heard)], dtype=float)
    weights = np.ones(len(pitches))
    for i, span in enumerate(heard, len(now)):
        weights[i] = 0.5 * (1 - max(0.0, float((onset - span.end) / _MEMORY)))
    closeness = np.exp(-np.abs(pitches[:, None] - _LINES[None, :]) / _NEAR)
    cost: np.ndarray = (weights[:, None] * closeness).sum(axis=0)
    held = np.array(
        [span.midi for span in now] + [span.midi for span in heard if span.end > onset], dtype=float
    )
    low = held[:, None] < _LINES[None, :]
    for side in (low, ~low):
        top = np.where(side, held[:, None], -np.inf).max(axis=0)
        bottom = np.where(side, held[:, None], np.inf).min(axis=0)
        stretch = np.where(np.isfinite(top), top - bottom - _REACH, 0.0)
        cost = cost + _STRETCH_COST * np.clip(stretch, 0.0, 12.0)
    return cost


def _cheapest_path(costs: np.ndarray, moves: np.ndarray) -> list[int]:
    total = costs[0]
    back: list[np.ndarray] = []
    for row in costs[1:]:
        ways = total[:, None] + moves
        came = ways.argmin(axis=0)
        back.append(came)
        total = ways[came, np.arange(len(row))] + row
    path = [int(total.argmin())]
    for came in reversed(back):
        path.append(int(came[path[-1]]))
    return path[::-1]


def number_voices(notes: Sequence[Span]) -> list[int]:
    """Return a voice from 1 for each note of one hand: as few as the overlaps ask for.

    Notes that begin and end together are one chord in one voice. A free voice is taken by the nearest
    note; `notes` are sorted by onset.
    """
    chords: dict[tuple[Fraction, Fraction], list[int]] = {}
    for i, span in enumerate(notes):
        chords.setdefault((span.onset, span.end), []).append(i)
    out = [0] * len(notes)
    free: list[Fraction] = []
    at: list[float] = []
    order = sorted(chords.items(), key=lambda c: (c[0][0], -max(notes[i].midi for i in c[1])))
    for (onset, end), members in order:
        pitch = sum(notes[i].midi for i in members) / len(members)
        open_voices = [v for v in range(len(free)) if free[v] <= onset]
        if open_voices:
            # The first voice goes on where it can, so that a single line never changes its voice.
            voice = min(open_voices, key=lambda v: (abs(at[v] - pitch) > 12, v))
        else:
            voice = len(free)
            free.append(onset)
            at.append(pitch)
        free[voice], at[voice] = end, pitch
        for i in members:
            out[i] = voice + 1
    return out
