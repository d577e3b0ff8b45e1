"""A file that somebody played into -> a `Recording`: a Standard MIDI File with its continuous pedal."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from pathlib import Path

import mido

from understave.acoustics.midi_bytes import SOFT, SUSTAIN
from understave.acoustics.performance import Performance, Strike
from understave.errors import TakeError
from understave.score.readers.midi import DRUMS, parsed
from understave.takes.take import Recording

HELD = 0.03
"""Seconds without a message after which the pedal is taken to have stayed where it was (common practice)."""
LARGEST = 20_000_000
"""Bytes of a MIDI file at most: an hour of playing has less than one million."""
LONGEST = 6 * 3600.0
"""Seconds of a recording at most."""


def read_take(path: Path) -> Recording:
    """Read what was played from a MIDI file.

    Raises UnderstaveError with one sentence where the file is missing, damaged, empty or no MIDI file.
    """
    return recording_of(bytes_of(path), path.name)


def bytes_of(path: Path) -> bytes:
    """Return the bytes of a recording; raises UnderstaveError with one sentence if they cannot be read."""
    try:
        if path.stat().st_size > LARGEST:
            raise TakeError(f"{path.name} is larger than any MIDI recording; choose another file.")
        return path.read_bytes()
    except OSError as error:
        raise TakeError(
            f"{path} cannot be read ({error.strerror or error}); check the name and that it is a file."
        ) from error


def recording_of(data: bytes, name: str) -> Recording:
    """Read what was played from the bytes of a MIDI file; `name` stands in the sentences of errors."""
    if b"MThd" not in data[:4096]:
        raise TakeError(
            f"{name} is no MIDI recording (it does not begin with MThd); save what was played as a .mid file."
        )
    midi = parsed(data, name)
    strikes, pedal, soft = _messages(midi)
    if not strikes:
        raise TakeError(f"{name} has no notes in it: nothing was played, or only percussion.")
    if strikes[-1].start > LONGEST:
        raise TakeError(f"{name} lasts longer than {LONGEST / 3600:g} hours; cut it into parts.")
    performance = Performance(tuple(strikes), tuple(_line(pedal)), soft)
    return Recording(performance, tuple(pedal), "midi", name, hashlib.sha256(data).hexdigest())


def _messages(midi: mido.MidiFile) -> tuple[list[Strike], list[tuple[float, float]], bool]:
    """Return strikes in order of start, the sustain pedal's messages, and whether the soft one is down
    throughout.
    """
    strikes: list[Strike] = []
    pedal: list[tuple[float, float]] = []
    down: dict[tuple[int, int], list[tuple[float, int, bool]]] = defaultdict(list)
    now, soft = 0.0, False
    for message in midi:
        now += message.time
        if message.type == "control_change" and message.control == SUSTAIN:
            pedal.append((now, message.value / 127))
        elif message.type == "control_change" and message.control == SOFT:
            soft = message.value >= 64
        elif message.type in ("note_on", "note_off") and message.channel != DRUMS:
            key = (message.channel, message.note)
            if message.type == "note_on" and message.velocity:
                down[key].append((now, message.velocity, soft))
            elif down[key]:
                start, velocity, shifted = down[key].pop(0)
                strikes.append(Strike(message.note, start, now, float(velocity), "", shifted))
    # A key that never came up, as when a recording is stopped, is held to the end.
    for (_, key_number), left in down.items():
        strikes += [Strike(key_number, start, max(now, start), float(v), "", s) for start, v, s in left]
    strikes.sort(key=lambda strike: (strike.start, strike.midi))
    throughout = bool(strikes) and all(strike.soft for strike in strikes)
    return strikes, pedal, throughout


def _line(pedal: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Make of messages a line that stays level while nothing was sent."""
    line: list[tuple[float, float]] = []
    for t, depth in pedal:
        if line and t - line[-1][0] > HELD:
            line.append((t - HELD / 2, line[-1][1]))
        line.append((t, depth))
    return line
