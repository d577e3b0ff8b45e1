"""Score and Plan -> Sound: the music as it is heard, ready for a file or a notebook."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from understave.acoustics.files import RATE, Samples, audio_bytes, write_audio
from understave.acoustics.piano import GRAND, Instrument
from understave.acoustics.sound import render
from understave.acoustics.tags import UNTAGGED, Tags, tags_of
from understave.interpretation.perform import perform
from understave.interpretation.plan import Plan
from understave.score.model import Score
from understave.shown import shown


@dataclass(frozen=True, eq=False, repr=False)
class Sound:
    """Stereo audio: `samples` of shape (frames, 2), `rate` frames a second."""

    samples: Samples
    rate: int = RATE
    tags: Tags = field(default=UNTAGGED, kw_only=True)

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return len(self.samples) / self.rate

    def __repr__(self) -> str:
        return f"<Sound of {self.seconds:.1f} s>"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        return shown(self)

    def write(self, path: Path | str) -> None:
        """Write a file in the format of its suffix: .mp3, .flac, .opus, .ogg or .wav."""
        write_audio(path, self.samples, self.rate, tags=self.tags)

    def bytes_of(self, suffix: str) -> bytes:
        """Return the bytes of such a file."""
        return audio_bytes(suffix, self.samples, self.rate, tags=self.tags)


def sound(
    score: Score,
    plan: Plan,
    *,
    first: int | None = None,
    last: int | None = None,
    instrument: Instrument = GRAND,
    tempo: float | None = None,
) -> Sound:
    """Play a score, or its measures `first` to `last` (indexes from 0, both included), under a plan.

    `tempo` is in quarter notes a minute, None for the plan's own. Raises UnderstaveError for measures
    that are not there. Begin with the volume low, above all with headphones.
    """
    performance = perform(score, plan, first=first, last=last, tempo=tempo)
    samples = np.asarray(render(performance, instrument, RATE), np.float32)
    if first is None and last is None:
        return Sound(samples, tags=tags_of(score))
    begin, end = (score.measures[k].number for k in (first or 0, -1 if last is None else last))
    return Sound(samples, tags=tags_of(score, f"bar {begin}" if begin == end else f"bars {begin}–{end}"))
