"""The Plan: how to play what the reading found. Every part of it has its reason and its place.

All times are exact `Fraction` quarter notes as written, as in the Score. Loudness is MIDI velocity
(1..127, float) throughout, so that the same numbers are drawn, written and sounded. A reason is an
`Event` (kind, label, detail values), so that the phrasebook can tell it at three levels in each language.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from understave.harmony.reading import Event
from understave.shown import shown

Origin = Literal["printed", "proposed"]
PedalStyle = Literal["planned", "printed", "each harmony", "melting", "none"]


@dataclass(frozen=True, slots=True)
class Tension:
    """Tension of one span: `value` 0..1 over the piece, and what it is made of.

    `parts` are (name, value 0..1, weight) in order; value is their weighted mean. `release` marks a span
    where tension falls clearly and the phrase rests.
    """

    start: Fraction
    end: Fraction
    value: float
    parts: tuple[tuple[str, float, float], ...]
    release: bool
    why: Event


@dataclass(frozen=True, slots=True)
class Level:
    """A point of the loudness line: velocity of an ordinary melody note there; straight between points."""

    moment: Fraction
    velocity: float


@dataclass(frozen=True, slots=True)
class Hairpin:
    """A swell or a fading: start, peak (the loudest moment inside, if it is both) and end."""

    start: Fraction
    peak: Fraction | None
    end: Fraction
    kind: Literal["crescendo", "diminuendo", "swell"]
    origin: Origin
    why: Event

    @property
    def loudest(self) -> Fraction:
        """The loudest moment: where a crescendo ends, a diminuendo starts, a swell turns (or its middle)."""
        if self.kind != "swell":
            return self.end if self.kind == "crescendo" else self.start
        middle = (self.start + self.end) / 2
        return middle if self.peak is None else min(self.end, max(self.start, self.peak))


@dataclass(frozen=True, slots=True)
class DynamicMark:
    """p, mf, ... from a moment on."""

    moment: Fraction
    mark: str
    origin: Origin
    why: Event


@dataclass(frozen=True, slots=True)
class Voice:
    """One note brought out or held back: `amount` in velocity steps added to the line of loudness.

    `role` is melody, bass, dissonance, resolution, repeated, inner, accompaniment or figuration.
    `lean` marks the expressive dissonances to lean on.
    """

    note: str
    role: str
    amount: float
    lean: bool = False
    why: Event | None = None


@dataclass(frozen=True, slots=True)
class Bend:
    """Timing: from `moment` on the tempo is `factor` times the basic one, in a straight line to the next."""

    moment: Fraction
    factor: float
    why: Event | None = None


@dataclass(frozen=True, slots=True)
class PedalMove:
    """The pedal from `moment` on: depth 0 (up) .. 1 (down); 0.75 is three quarters, 0.5 half, 0.25 a quarter.

    A move from down to down is a change: released with the new harmony and pressed again just after; a move
    from deeper to half or less only lets the pedal up to there. A `late` change comes after the new harmony
    has begun and does not clear it wholly: the old sound melts into the new. In a `flutter` the foot trembles
    until the next move, from its depth up to half of that and back, so that the dampers brush the strings.
    """

    moment: Fraction
    depth: float
    origin: Origin
    why: Event | None = None
    late: bool = False
    flutter: bool = False


@dataclass(frozen=True, slots=True)
class Sustained:
    """The sostenuto pedal from `start` to `end`; `notes` are the ids of what it is to hold."""

    start: Fraction
    end: Fraction
    notes: tuple[str, ...]
    why: Event


@dataclass(frozen=True, slots=True, repr=False)
class Plan:
    """Everything together; each tuple is in order of time (voices in order of the score's notes)."""

    tension: tuple[Tension, ...] = ()
    levels: tuple[Level, ...] = ()
    hairpins: tuple[Hairpin, ...] = ()
    marks: tuple[DynamicMark, ...] = ()
    voices: tuple[Voice, ...] = ()
    timing: tuple[Bend, ...] = ()
    pedal: tuple[PedalMove, ...] = ()
    tempo: float = 90.0
    """Basic tempo in quarter notes a minute."""
    sustained: tuple[Sustained, ...] = ()

    @property
    def reasons(self) -> tuple[Event, ...]:
        """The reasons of everything, part by part."""
        parts = (
            self.tension,
            self.hairpins,
            self.marks,
            self.voices,
            self.timing,
            self.pedal,
            self.sustained,
        )
        return tuple(item.why for part in parts for item in part if item.why is not None)

    def __repr__(self) -> str:
        return (
            f"<Plan at {self.tempo:g} quarter notes a minute: {len(self.marks)} marks, "
            f"{len(self.hairpins)} hairpins, {len(self.pedal)} moves of the pedal>"
        )

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        return shown(self)
