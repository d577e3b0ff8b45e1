"""Where the open data of the format tests lies, and how readings are compared."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import pytest
from benchmarks.data import data_folder

from understave.score.model import Score

DATA = data_folder()
ALL = bool(os.environ.get("UNDERSTAVE_ALL"))
"""Set UNDERSTAVE_ALL=1 to run over every piece instead of every few."""

Key = tuple[Fraction, Fraction, str, int]
"""Onset, duration, spelled pitch and staff (or part) of a note."""


def pieces(pattern: str, step: int) -> list[Path]:
    """Return every `step`-th file of the open data that fits a pattern; skip the test if there is none."""
    found = sorted(DATA.glob(pattern))
    if not found:
        pytest.skip(f"the open data {pattern} is not here; set UNDERSTAVE_DATA to its folder")
    return found[:: 1 if ALL else step]


def sounding(score: Score) -> Counter[Key]:
    """Return all notes but grace notes."""
    return Counter((n.onset, n.duration, n.pitch.name, n.staff) for n in score.notes if not n.grace)


def agreement(ours: Counter[Key], theirs: Counter[Key]) -> float:
    """Return the share of notes that both readings have, of the larger reading."""
    return (ours & theirs).total() / max(ours.total(), theirs.total(), 1)


def music21_notes(parts: Iterable[object]) -> Counter[Key]:
    """Return the notes of music21 parts, tied ones joined by pitch and time.

    music21's own stripTies loses ties between chords, so only its notes and tie marks are used.
    """
    out: list[list[object]] = []
    for index, part in enumerate(parts, 1):
        waiting: dict[tuple[float, Fraction], list[object]] = {}
        heads = []
        for element in part.flatten().notes:  # type: ignore[attr-defined]
            if element.duration.isGrace or "Symbol" in type(element).__name__:
                continue
            for n in element.notes if element.isChord else [element]:
                if hasattr(n, "pitch"):
                    onset, length = Fraction(element.offset), Fraction(element.duration.quarterLength)
                    heads.append((onset, length, n.pitch, n.tie.type if n.tie else ""))
        for onset, length, pitch, tie in sorted(heads, key=lambda h: h[0]):
            name = f"{pitch.name.replace('-', 'b')}{pitch.octave}"
            held = waiting.pop((pitch.ps, onset), None) if tie in ("stop", "continue") else None
            if held is None:
                held = [onset, length, name, index]
                out.append(held)
            else:
                held[1] += length  # type: ignore[operator]
            if tie in ("start", "continue"):
                waiting[pitch.ps, onset + length] = held
    return Counter(tuple(n) for n in out)  # type: ignore[misc]
