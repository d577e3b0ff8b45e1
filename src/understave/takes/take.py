"""The values of this room: what was recorded, and what of it is which written note.

`Recording` is what was read from a file; `Take` is the recording tied to a score: runs (stretches played
without a jump), matches, slips, ornaments, and how sure all that is. Times are seconds of the recording,
written moments quarter notes of the score as printed, repeats not played out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from understave.acoustics.files import Samples
from understave.acoustics.performance import Performance
from understave.takes.half_pedal import USUAL

Kind = Literal["midi", "sound"]


@dataclass(frozen=True, slots=True)
class Recording:
    """What was read from a file: keys and pedal in seconds, beginning at the file's own zero.

    `pedal` holds the raw messages of controller 64, (second, depth 0..1) as they were sent;
    `performance.pedal` is the same as a line that stays level while nothing was sent. `media` is the file's
    name, `sha256` its digest, `offset` the second of the file at which the recording's zero lies. Of recorded
    sound there are `samples` (frames,) at `acoustics.files.RATE`, and neither keys nor pedal; where `file` is
    known they are read from it when they are needed (`takes.recorded.samples_of`). `half` is how far down
    (0..1) the player's pedal is, as sent, where the dampers half lie (see `views.damped`). `there` is the
    share of the file that is there (0..1): less than 1 where sound was cut short in copying.
    """

    performance: Performance
    pedal: tuple[tuple[float, float], ...]
    kind: Kind
    media: str
    sha256: str = ""
    offset: float = 0.0
    samples: Samples | None = field(default=None, repr=False, compare=False)
    file: Path | None = field(default=None, repr=False, compare=False)
    half: float = USUAL
    there: float = 1.0


@dataclass(frozen=True, slots=True)
class Match:
    """A strike (index into the performance) and the id of the written note that it is, in a run."""

    strike: int
    note: str
    run: int


@dataclass(frozen=True, slots=True)
class WrongNote:
    """A strike in the place of a written note that was not struck: the two are one slip, not two."""

    strike: int
    note: str
    run: int


@dataclass(frozen=True, slots=True)
class Ornament:
    """Strikes that adorn a written note: trills and turns, printed or not, in order of time."""

    note: str
    strikes: tuple[int, ...]
    run: int


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch played without a jump: written moments (quarter notes) and their seconds, both rising.

    `first` and `last` are the bars that it touches, indexes into `Score.measures`. `sure` (0..1) is how
    much of it fits; `could_be` are the first bars of other places where the same notes are written: where
    there is one, which of them was played cannot be told from the notes.
    """

    moments: tuple[float, ...]
    seconds: tuple[float, ...]
    first: int
    last: int
    sure: float
    could_be: tuple[int, ...] = ()

    def second(self, moment: float) -> float:
        """Return the second at which a written moment was played; the nearest end outside the run."""
        return float(np.interp(moment, self.moments, self.seconds))

    def moment(self, second: float) -> float:
        """Return the written moment, in quarter notes, at a second; the nearest end outside the run."""
        return float(np.interp(second, self.seconds, self.moments))


@dataclass(frozen=True, slots=True)
class Take:
    """A recording tied to its score.

    `extra` are strikes that are no written note, no ornament and in no written note's place; `missed` are
    (run, note) of written notes inside a run that were not struck and for which nothing else was. `sure` is
    the share of strikes that were matched or adorn a match, 0..1. Of recorded sound only the runs are known:
    `sure` says how clearly the written notes are heard to begin where they should.
    """

    recording: Recording
    runs: tuple[Run, ...]
    matches: tuple[Match, ...]
    wrong: tuple[WrongNote, ...]
    extra: tuple[int, ...]
    missed: tuple[tuple[int, str], ...]
    ornaments: tuple[Ornament, ...]
    sure: float

    def beats(self, moments: tuple[float, ...]) -> tuple[tuple[float, float, int], ...]:
        """Return (second, moment, run) for the given written moments, each time that they were played."""
        return tuple(
            (run.second(m), m, k)
            for k, run in enumerate(self.runs)
            for m in moments
            if run.moments[0] <= m <= run.moments[-1]
        )

    @property
    def unsure(self) -> tuple[int, ...]:
        """The runs whose bars cannot be told from the notes alone."""
        return tuple(k for k, run in enumerate(self.runs) if run.could_be)
