"""Score to Reading: chords, keys, events and their reasons."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from understave.harmony.events import find_events
from understave.harmony.reading import Correction, Reading
from understave.harmony.trained import read_trained
from understave.score.model import Score


def read(score: Score, corrections: Iterable[Correction] = ()) -> Reading:
    """Return the whole reading: spans around the teacher's corrections, and the events they show.

    Raises UnderstaveError where a correction does not fit the score, or where nothing sounds.
    """
    reading = read_trained(score, corrections)
    return replace(reading, events=find_events(score, reading.spans))
