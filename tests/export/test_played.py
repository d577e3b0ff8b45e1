"""Played MIDI for other programs: read back by mido, music21, partitura and our own reader.

Source of what a file holds: Standard MIDI Files 1.0 (type 1: tracks of one piece side by side; meter, key and
tempo in the first; tempo as microseconds a quarter note in three bytes).
"""

import io
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import mido
import pytest
from tests.once import make_plan, read, read_score

from understave.acoustics.midi_bytes import pedal_steps
from understave.export.played import TICKS, played_midi
from understave.interpretation.perform import clock, perform

EXAMPLES = sorted((Path(__file__).resolve().parents[2] / "examples").glob("*/score.musicxml"))


@pytest.fixture(scope="module", params=EXAMPLES, ids=lambda p: p.parent.name)
def made(request):
    score = read_score(request.param)
    reading = read(score)
    plan = make_plan(score, reading)
    return score, reading, plan, played_midi(score, plan, reading)


def heard(data):
    """Each message of the file with its second."""
    now, found = 0.0, []
    for message in mido.MidiFile(file=io.BytesIO(data)):
        now += message.time
        found.append((now, message))
    return found


def placed(track):
    """Each message of a track with its tick."""
    now, found = 0, []
    for message in track:
        now += message.time
        found.append((now, message))
    return found


def test_it_is_of_type_1_with_a_track_for_what_all_share_and_one_for_each_hand(made):
    score, _, _, data = made
    file = mido.MidiFile(file=io.BytesIO(data), charset="utf-8")
    assert file.type == 1
    assert [t.name for t in file.tracks] == [score.title, "Right hand", "Left hand"]
    shared = {"time_signature", "key_signature", "set_tempo", "marker"}
    assert shared <= {m.type for m in file.tracks[0]}
    for staff, track in enumerate(file.tracks[1:], start=1):
        assert not shared & {m.type for m in track}
        wanted = {n.midi for n in score.struck if n.staff == staff and not n.ornaments}
        assert wanted <= {m.note for m in track if m.type == "note_on"}


def test_every_key_is_struck_at_its_second_as_it_is_performed(made):
    score, _, plan, data = made
    performance = perform(score, plan)
    found = sorted((t, m.note, m.velocity) for t, m in heard(data) if m.type == "note_on")
    wanted = sorted((s.start, s.midi, min(127, max(1, round(s.velocity)))) for s in performance.strikes)
    assert len(found) == len(wanted)
    slowest = max(
        m.tempo
        for track in mido.MidiFile(file=io.BytesIO(data)).tracks
        for m in track
        if m.type == "set_tempo"
    )
    # Half a tick, and what the tempo map's rounding leaves.
    close = 0.5 * slowest / 1e6 / TICKS + 5e-4
    by_key = lambda rows: sorted((note, t, velocity) for t, note, velocity in rows)  # noqa: E731
    for (note, t, velocity), (n, s, v) in zip(by_key(found), by_key(wanted), strict=True):
        assert (note, velocity) == (n, v)
        assert t == pytest.approx(s, abs=close)
    assert heard(data)[-1][0] >= clock(score, plan).seconds[-1] - close


def test_what_is_played_with_the_beat_stands_on_the_beat(made):
    score, _, _, data = made
    plain = [n for n in score.struck if not n.ornaments and not n.arpeggiated]
    ticks = {
        (tick, m.note)
        for track in mido.MidiFile(file=io.BytesIO(data)).tracks
        for tick, m in placed(track)
        if m.type == "note_on"
    }
    on = sum((round(n.onset * TICKS), n.midi) in ticks for n in plain)
    assert on / len(plain) > 0.98


def test_meter_key_and_markers_stand_where_the_score_has_them(made):
    score, reading, _, data = made
    first = placed(mido.MidiFile(file=io.BytesIO(data), charset="utf-8").tracks[0])
    meters = [(t, m.numerator, m.denominator) for t, m in first if m.type == "time_signature"]
    pickup = score.measures[0].length != score.measures[0].full_length
    bar = score.measures[1] if pickup else score.measures[0]
    assert (round(bar.start * TICKS), bar.beats, bar.beat_type) in meters
    keys = [(t, m.key) for t, m in first if m.type == "key_signature"]
    assert keys[0] == (0, "Eb" if score.title == "Lock-Water" else "Fm")
    changes = [s.start for k, s in enumerate(reading.spans) if k == 0 or reading.spans[k - 1].key != s.key]
    named = [t for t, m in first if m.type == "marker" and m.text.endswith((" major", " minor"))]
    assert named == [round(t * TICKS) for t in changes]


def test_the_pedal_is_in_every_track(made):
    score, _, plan, data = made
    steps = pedal_steps(perform(score, plan))
    for track in mido.MidiFile(file=io.BytesIO(data)).tracks[1:]:
        # Controller 64 of the MIDI specification; the soft pedal has 67.
        assert [m.value for m in track if m.is_cc(64)] == [v for _, v in steps]


def test_music21_and_partitura_read_hands_meter_and_key(made, tmp_path):
    music21 = pytest.importorskip("music21")
    partitura = pytest.importorskip("partitura")
    score, _, _, data = made
    (tmp_path / "a.mid").write_bytes(data)
    parts = music21.converter.parse(tmp_path / "a.mid").parts
    assert len(parts) == 2
    signature = parts[0].recurse().getElementsByClass("KeySignature")[0]
    assert signature.sharps == score.measures[0].signature
    meter = parts[0].recurse().getElementsByClass("TimeSignature")[0]
    assert (meter.numerator, meter.denominator) == (score.measures[0].beats, score.measures[0].beat_type)
    performed = partitura.load_performance_midi(str(tmp_path / "a.mid"))
    strikes = sum(m.type == "note_on" for _, m in heard(data))
    assert sum(len(p.notes) for p in performed) == strikes


def test_our_own_reader_finds_the_bars_again(made, tmp_path):
    score, _, _, data = made
    (tmp_path / "a.mid").write_bytes(data)
    again = read_score(tmp_path / "a.mid")
    assert len(again.measures) == len(score.measures)
    assert {(m.beats, m.beat_type) for m in again.measures[1:]} == {
        (m.beats, m.beat_type) for m in score.measures[1:]
    }


def test_some_bars_begin_at_nothing(made):
    score, reading, plan, _ = made
    data = played_midi(score, plan, reading, first=8, last=11)
    file = mido.MidiFile(file=io.BytesIO(data))
    bars = score.measures[8:12]
    first = placed(file.tracks[0])
    assert next(t for t, m in first if m.type == "time_signature") == 0
    assert next(t for t, m in first if m.type == "marker") == 0
    assert first[-1][0] == round((bars[-1].end - bars[0].start) * TICKS)
    assert min(t for track in file.tracks[1:] for t, m in placed(track) if m.type == "note_on") < TICKS


def test_a_bar_split_by_a_repeat_is_one_bar_and_a_pickup_one_of_its_own(made):
    score, reading, plan, _ = made
    m = score.measures[1]
    half = m.length / 2
    split = (
        replace(m, index=1, length=half),
        replace(m, index=2, start=m.start + half, length=half, offset=half),
        *(replace(o, index=o.index + 1) for o in score.measures[2:]),
    )
    changed = replace(score, measures=(score.measures[0], *split))
    track = mido.MidiFile(file=io.BytesIO(played_midi(changed, plan, reading))).tracks[0]
    whole = mido.MidiFile(file=io.BytesIO(played_midi(score, plan, reading))).tracks[0]

    def meters(track):
        return [(t, x.numerator, x.denominator) for t, x in placed(track) if x.type == "time_signature"]

    assert meters(track) == meters(whole)
    alone = (replace(m, length=half), *score.measures[2:])
    shorter = replace(score, measures=(score.measures[0], *alone))
    found = meters(mido.MidiFile(file=io.BytesIO(played_midi(shorter, plan, reading))).tracks[0])
    unit = max(m.beat_type, (half / 4).denominator)
    assert (round(m.start * TICKS), int(half / 4 * unit), unit) in found
    assert Fraction(found[-1][1], found[-1][2]) == Fraction(m.beats, m.beat_type)
