"""A performance as a Standard MIDI File, to be heard: strikes and pedal in, bytes out.

`export.played` writes one for other programs, with bars, keys and hands.

One tick is a millisecond (500 ticks to a quarter note at 120 a minute). The pedal is controller 64 in
steps of its depth, the soft pedal controller 67 (MIDI 1.0).
"""

from __future__ import annotations

import io
from itertools import pairwise
from typing import TypeAlias

import mido

from understave.acoustics.performance import Performance

SUSTAIN, SOFT = 64, 67
"""Numbers of the controllers (MIDI 1.0)."""
Timed: TypeAlias = tuple[float, int, mido.Message]
"""A message with its second, and its place among those of the same moment: what ends comes first."""


def midi_bytes(performance: Performance, title: str = "") -> bytes:
    """The performance as a one-track MIDI file for a piano.

    A key that is struck again before it came up is let go at that moment, as MIDI has no second key.
    """
    events = [*pedal_messages(performance), *(timed for timed, _ in key_messages(performance))]
    events.sort(key=lambda event: (event[0], event[1]))
    named = [mido.MetaMessage("track_name", name=title)] if title else []
    track = mido.MidiTrack([*named, mido.MetaMessage("set_tempo", tempo=500_000)])
    now = 0
    for seconds, _, message in events:
        tick = max(now, round(1000 * seconds))
        track.append(message.copy(time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=2000))
    file = mido.MidiFile(type=0, ticks_per_beat=500, charset="utf-8")
    file.tracks.append(track)
    memory = io.BytesIO()
    file.save(file=memory)
    return memory.getvalue()


def _shifts(performance: Performance) -> list[tuple[float, bool]]:
    """Return where the soft pedal goes down and up, from what is struck with it."""
    found: list[tuple[float, bool]] = []
    for strike in performance.strikes if not performance.soft else ():
        if strike.soft != (found[-1][1] if found else False):
            found.append((max(0.0, strike.start - 0.001), strike.soft))
    return found


def pedal_messages(performance: Performance) -> list[Timed]:
    """Return what the two pedals do."""
    soft = [mido.Message("control_change", control=SOFT, value=127)] if performance.soft else []
    return [
        *((0.0, 0, message) for message in soft),
        *(
            (seconds, 1, mido.Message("control_change", control=SUSTAIN, value=value))
            for seconds, value in pedal_steps(performance)
        ),
        *(
            (seconds, 1, mido.Message("control_change", control=SOFT, value=127 if down else 0))
            for seconds, down in _shifts(performance)
        ),
    ]


def key_messages(performance: Performance) -> list[tuple[Timed, str]]:
    """Return what the keys do, each with the id of the written note it comes from."""
    events: list[tuple[Timed, str]] = []
    again: dict[int, float] = {}
    for strike in sorted(performance.strikes, key=lambda strike: -strike.start):
        velocity = min(127, max(1, round(strike.velocity)))
        end = min(strike.end, again.get(strike.midi, strike.end))
        again[strike.midi] = strike.start
        down = mido.Message("note_on", note=strike.midi, velocity=velocity)
        up = mido.Message("note_off", note=strike.midi, velocity=0)
        events += [((strike.start, 2, down), strike.note), ((end, 0, up), strike.note)]
    return events


def pedal_steps(performance: Performance) -> list[tuple[float, int]]:
    """The pedal line as (second, controller value 0..127), slopes in steps of at most 8."""
    if not performance.pedal:
        return []
    points = [(performance.pedal[0][0], 0.0), *performance.pedal]
    steps: list[tuple[float, int]] = []
    for (t0, d0), (t1, d1) in pairwise(points):
        count = max(1, round(abs(d1 - d0) * 16))
        for i in range(1, count + 1):
            depth = d0 + (d1 - d0) * i / count
            value = min(127, max(0, round(127 * depth)))
            if not steps or steps[-1][1] != value:
                steps.append((max(0.0, t0 + (t1 - t0) * i / count), value))
    return steps
