"""A place that was found -> how it sounds on our piano, played as a plan for its whole piece says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import duckdb

from understave.acoustics.files import RATE, audio_bytes
from understave.acoustics.sound import render
from understave.acoustics.tags import tags_of
from understave.findings import find_events
from understave.interpretation.perform import perform
from understave.interpretation.planning import PlanOptions, make_plan
from understave.repertoire.excerpts import bars_of, score_of, stored_reading
from understave.repertoire.search import Place
from understave.wording import phrasebook


def sound_of(
    db: duckdb.DuckDBPyConnection,
    place: Place,
    folder: Path,
    around: int = 0,
    options: PlanOptions | None = None,
    progress: Callable[[float], None] | None = None,
) -> bytes:
    """Return a place, and `around` bars on both sides, as MP3: the same bars that its excerpt shows.

    `progress` is called with the share done, 0..1. Raises UnderstaveError if the file is gone or changed.
    """
    wishes = options or PlanOptions()
    tell = progress or (lambda share: None)
    score = score_of(place, folder)
    first, last = bars_of(score, place, around)
    reading = stored_reading(db, place.piece)
    reading = replace(reading, events=find_events(score, reading.spans))
    tell(0.2)
    performance = perform(score, make_plan(score, reading, wishes), first=first, last=last)
    tell(0.4)
    sound = render(performance, wishes.instrument, RATE, lambda share: tell(0.4 + 0.4 * share))
    bars = phrasebook("en").bars(score.measures[first].number, score.measures[last].number)
    tags = tags_of(score, bars)
    return audio_bytes(".mp3", sound, RATE, tags=tags, progress=lambda share: tell(0.8 + 0.2 * share))
