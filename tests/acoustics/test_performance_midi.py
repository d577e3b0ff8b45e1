"""Performances as MIDI files: read back by a general-purpose library and by one that knows performances."""

import io
from dataclasses import replace
from itertools import pairwise

import mido
import numpy as np
import pytest

from understave.acoustics.midi_bytes import midi_bytes
from understave.acoustics.performance import Performance, Strike

PERFORMANCE = Performance(
    (
        Strike(60, 0.0, 1.0, 64.4),
        Strike(64, 0.25, 2.0, 90.0),
        Strike(60, 0.5, 1.5, 127.0),
        Strike(67, 1.75, 2.0, 1.0),
    ),
    ((0.1, 0.0), (0.15, 1.0), (1.0, 1.0), (1.1, 0.5), (1.8, 0.5), (1.9, 0.0)),
)


def timed(data):
    now, out = 0.0, []
    for message in mido.MidiFile(file=io.BytesIO(data)):
        now += message.time
        out.append((now, message))
    return out


def test_midi_has_every_strike_at_its_time_and_velocity():
    found = timed(midi_bytes(PERFORMANCE, "Étude"))
    on = [(t, m.note, m.velocity) for t, m in found if m.type == "note_on"]
    assert on == [(pytest.approx(s.start, abs=1e-3), s.midi, round(s.velocity)) for s in PERFORMANCE.strikes]
    off = [(t, m.note) for t, m in found if m.type == "note_off"]
    # The first C is let go when it is struck again.
    assert sorted((round(t, 2), n) for t, n in off) == [(0.5, 60), (1.5, 60), (2.0, 64), (2.0, 67)]


def test_midi_pedal_follows_the_line_within_one_step():
    found = [(t, m.value) for t, m in timed(midi_bytes(PERFORMANCE)) if m.type == "control_change"]
    times, depths = zip(*PERFORMANCE.pedal, strict=True)
    for t, value in found:
        assert value / 127 == pytest.approx(float(np.interp(t, times, depths)), abs=0.02)
    assert [v for _, v in found][-1] == 0
    assert 64 in [v for _, v in found]
    assert len(found) > 8  # continuous, not a switch
    steps = [b - a for (a, _), (b, _) in pairwise(found)]
    assert all(s > 0 for s in steps)


def test_partitura_reads_the_performance(tmp_path):
    partitura = pytest.importorskip("partitura")
    (tmp_path / "a.mid").write_bytes(midi_bytes(PERFORMANCE))
    part = partitura.load_performance_midi(str(tmp_path / "a.mid"))
    notes = part.note_array()
    assert sorted(notes["pitch"]) == sorted(s.midi for s in PERFORMANCE.strikes)
    controls = [c["number"] for p in part.performedparts for c in p.controls]
    assert set(controls) == {64}


def test_the_soft_pedal_is_told():
    found = [m for _, m in timed(midi_bytes(replace(PERFORMANCE, soft=True))) if m.type == "control_change"]
    assert (found[0].control, found[0].value) == (67, 127)
