"""Slips of a take by kind: another key struck, none struck, one struck besides. Take in, ids of notes out."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from understave.engraving.slip_signs import SIGNS
from understave.score.model import Score
from understave.takes.take import Take
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import phrasebook


@dataclass(frozen=True, slots=True)
class Besides:
    """A strike (index into the performance) that is no written note, and the note struck nearest to it."""

    strike: int
    note: str


def besides(take: Take) -> tuple[Besides, ...]:
    """Return the extra strikes inside the runs, in order of time; others belong to no bar that is told."""
    strikes = take.recording.performance.strikes
    by_run: dict[int, list[tuple[float, str]]] = {}
    for match in take.matches:
        by_run.setdefault(match.run, []).append((strikes[match.strike].start, match.note))
    found = []
    for number, run in enumerate(take.runs):
        struck = sorted(by_run.get(number, []))
        seconds = np.array([second for second, _ in struck])
        for one in take.extra if struck else ():
            start = strikes[one].start
            if run.seconds[0] <= start <= run.seconds[-1]:
                found.append(Besides(one, struck[int(np.argmin(np.abs(seconds - start)))][1]))
    return tuple(sorted(found, key=lambda one: strikes[one.strike].start))


def signed(take: Take) -> dict[str, tuple[str, ...]]:
    """Return the ids of the notes that get each sign of `engraving.slip_signs`: ``"wrong"``, ``"missed"``,
    ``"extra"`` (the note nearest to what was struck besides).
    """
    return {
        "wrong": tuple(dict.fromkeys(slip.note for slip in take.wrong)),
        "missed": tuple(dict.fromkeys(note for _, note in take.missed)),
        "extra": tuple(dict.fromkeys(one.note for one in besides(take))),
    }


def sign_words(language: Language) -> dict[str, str]:
    """Return what each sign says."""
    return {kind: phrasebook(language).phrases[f"take_sign_{kind}"] for kind in SIGNS}


def slips_by_bar(score: Score, take: Take) -> Counter[int]:
    """Return how many slips each bar (index) has that has any."""
    return Counter(
        score.note_by_id[note].measure
        for note in [
            *(slip.note for slip in take.wrong),
            *(note for _, note in take.missed),
            *(one.note for one in besides(take)),
        ]
    )


def bars_played(take: Take) -> set[int]:
    """Return the bars (indexes) that were played for sure."""
    return {bar for run in take.runs if not run.could_be for bar in range(run.first, run.last + 1)}
