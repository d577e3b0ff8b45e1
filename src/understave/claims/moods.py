"""A word of mood and its causes: it may be said only where the notes have every one of them.

The causes are those that listeners answer to most reliably, mode, register, pace and loudness (Gabrielsson
and Lindström, "The role of structure in the musical expression of emotions", in *Handbook of Music and
Emotion*, Oxford 2010, from memory); where the bounds lie is set by ear.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from statistics import median
from typing import ClassVar

from understave.claims.claim import Claim
from understave.claims.facts import Facts

CAUSES: Mapping[str, tuple[str, ...]] = {
    "restless": ("minor", "fast"),
    "lively": ("major", "fast"),
    "dark": ("minor", "low"),
    "bright": ("major", "high"),
    "calm": ("soft", "slow"),
}
"""What must be so for a word of mood, the more telling words first."""
LOW, HIGH = 57, 67
"""Middle of all notes struck, as MIDI numbers: below A 3 it lies low, above G 4 high."""
SLOW, FAST = 2.5, 7.0
"""Moments struck in a second."""
_SOFT = ("ppp", "pp", "p")
_QUICK = re.compile(
    r"\b(allegro|vivace|vivacissimo|vivo|presto|prestissimo|schnell|lebhaft|rasch|vif|animé)\b"
)
"""Words of tempo that ask for a quick one."""


@dataclass(frozen=True, slots=True)
class Mood(Claim):
    """A stretch has the causes of a word of mood (`CAUSES`)."""

    kind: ClassVar[str] = "mood"
    word: str

    def holds(self, facts: Facts) -> bool:
        return all(is_so(cause, facts, self.start, self.end) for cause in CAUSES[self.word])


def is_so(cause: str, facts: Facts, start: Fraction, end: Fraction) -> bool:
    """Tell whether a cause is there in a stretch; what cannot be known, such as an unstated tempo, is not."""
    if cause in ("major", "minor"):
        keys = [span.key.mode for span in facts.spans if span.start < end and span.end > start]
        return bool(keys) and all(mode == cause for mode in keys)
    if cause == "soft":
        marks = [
            direction
            for direction in facts.score.directions
            if direction.kind == "dynamic" and direction.onset < end
        ]
        here = [direction.text for direction in marks if direction.onset >= start] or [
            direction.text for direction in marks[-1:]
        ]
        # What is printed some bars later says nothing of the beginning.
        told = any(direction.onset < facts.bar(start).end for direction in marks)
        return told and all(text in _SOFT for text in here)
    struck = [note for note in facts.struck if start <= note.onset < end]
    if not struck:
        return False
    if cause in ("low", "high"):
        middle = median(note.midi for note in struck)
        return middle < LOW if cause == "low" else middle > HIGH
    tempi = [
        direction.value
        for direction in facts.score.directions
        if direction.kind == "tempo" and direction.value and direction.onset <= start
    ]
    if not tempi:
        return False
    pace = len({note.onset for note in struck}) / (float(end - start) * 60 / tempi[-1])
    if cause == "fast":
        return pace > FAST
    # Long notes of what is marked quick are no slow ones.
    asked = [d.text for d in facts.score.directions if d.kind == "tempo" and d.onset <= start]
    return pace < SLOW and not any(_QUICK.search(text.casefold()) for text in asked[-1:])
