"""A performance as MIDI, read back by a general-purpose library."""

import io

import mido
import pytest

from understave.acoustics.midi_bytes import midi_bytes, pedal_steps
from understave.acoustics.performance import Performance, Strike

PERFORMANCE = Performance(
    (Strike(60, 0.0, 0.5, 64.4), Strike(60, 0.5, 1.0, 90), Strike(67, 0.75, 2.0, 300)),
    ((0.25, 1.0), (0.5, 0.0), (0.6, 0.5)),
    soft=True,
)


def heard():
    now, found = 0.0, []
    for message in mido.MidiFile(file=io.BytesIO(midi_bytes(PERFORMANCE))):
        now += message.time
        found.append((round(now, 3), message))
    return found


def test_keys_keep_their_moments_and_touch():
    downs = [(t, m.note, m.velocity) for t, m in heard() if m.type == "note_on"]
    ups = [(t, m.note) for t, m in heard() if m.type == "note_off"]
    assert downs == [(0.0, 60, 64), (0.5, 60, 90), (0.75, 67, 127)]
    assert ups == [(0.5, 60), (1.0, 60), (2.0, 67)]


def test_a_repeated_key_goes_up_before_it_goes_down():
    at_half = [m.type for t, m in heard() if t == 0.5 and m.type.startswith("note")]
    assert at_half == ["note_off", "note_on"]


def test_pedal_is_continuous():
    # MIDI 1.0: controller 64 is the damper pedal, 67 the soft pedal; half-pedalling uses the values between
    moves = [(t, m.value) for t, m in heard() if m.type == "control_change" and m.control == 64]
    steps = pedal_steps(PERFORMANCE)
    assert [v for _, v in moves] == [v for _, v in steps]
    assert [t for t, _ in moves] == pytest.approx([t for t, _ in steps], abs=0.0011)
    values = [v for _, v in moves]
    assert max(values) == 127
    assert values[-1] == pytest.approx(64, abs=1)
    assert all(
        abs(a - b) <= 8
        for a, b in zip(values[values.index(127) :], values[values.index(127) + 1 :], strict=False)
    )
    assert next(m.control for _, m in heard() if m.type == "control_change") == 67
