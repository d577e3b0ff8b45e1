"""The Performance: keys struck and a pedal moved, in seconds. It goes in to sound, blur and MIDI alike."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Strike:
    """One key struck: MIDI number, key down and key up in seconds, velocity 1..127 (a float keeps shades).

    `note` is the id of the written note it comes from ("" if none); `soft` tells that it is struck with the
    soft pedal down.
    """

    midi: int
    start: float
    end: float
    velocity: float
    note: str = ""
    soft: bool = False


@dataclass(frozen=True, slots=True)
class Performance:
    """Strikes in order of start, and the sustain pedal as a line through (seconds, depth 0..1) points.

    Before the first pedal point the pedal is up; between points its depth moves in a straight line, after
    the last it stays. `soft` tells that the soft pedal is down throughout.
    """

    strikes: tuple[Strike, ...]
    pedal: tuple[tuple[float, float], ...] = ()
    soft: bool = False

    @property
    def length(self) -> float:
        """Seconds until the last key goes up."""
        return max((strike.end for strike in self.strikes), default=0.0)
