"""MIDI reading: quantising, barring, spelling, hands; and what is said of the guesses.

Rules of spelling and metre are common practice unless a source is named; the file format is that of the
Standard MIDI Files 1.0 specification (MIDI Manufacturers Association).
"""

from __future__ import annotations

import io
import random
import struct
import sys
from collections.abc import Iterable
from fractions import Fraction

import mido
import pytest

from understave.errors import UnderstaveError
from understave.score.hands import Span, number_voices, split_hands
from understave.score.model import Score
from understave.score.readers.midi import read_midi
from understave.score.readers.midi_beats import gather, track_beats
from understave.score.readers.midi_time import PLAIN, simplest
from understave.score.spelling import Sounding, estimate_key, spell

Heard = tuple[float, float, int]
"""Start and length in quarter notes, MIDI number."""


def midi(
    *tracks: Iterable[Heard],
    ticks: int = 480,
    kind: int = 1,
    meta: Iterable[tuple[float, mido.MetaMessage]] = (),
    names: Iterable[str] = (),
    channel: int = 0,
) -> bytes:
    file = mido.MidiFile(type=kind, ticks_per_beat=ticks)
    names = list(names)
    for number, notes in enumerate(tracks):
        events: list[tuple[int, int, mido.Message]] = []
        for start, length, note in notes:
            events.append(
                (round(start * ticks), 1, mido.Message("note_on", note=note, velocity=70, channel=channel))
            )
            events.append(
                (round((start + length) * ticks), 0, mido.Message("note_off", note=note, channel=channel))
            )
        if number == 0:
            events += [(round(at * ticks), -1, message) for at, message in meta]
        track = mido.MidiTrack()
        if number < len(names):
            track.append(mido.MetaMessage("track_name", name=names[number]))
        now = 0
        for tick, _, message in sorted(events, key=lambda e: e[:2]):
            track.append(message.copy(time=tick - now))
            now = tick
        file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def meter(beats: int, unit: int) -> mido.MetaMessage:
    return mido.MetaMessage("time_signature", numerator=beats, denominator=unit)


def key(name: str) -> mido.MetaMessage:
    return mido.MetaMessage("key_signature", key=name)


def scale(start: int = 60, count: int = 16) -> list[Heard]:
    steps = (0, 2, 4, 5, 7, 9, 11)
    return [(i, 1, start + 12 * (i % 14 // 7) + steps[i % 7]) for i in range(count)]


def test_grid_finds_the_simplest_place() -> None:
    tick = 1.05 / 480
    assert simplest(2 + 160 / 480, tick) == Fraction(7, 3)
    assert simplest(1.25, tick) == Fraction(5, 4)
    assert simplest(0.2, tick) == Fraction(1, 5)
    assert simplest(2.9999, tick) == 3
    assert simplest(0.41, tick, PLAIN) is None


def test_binary_and_triplet_values_come_back_exactly() -> None:
    values = [
        Fraction(1),
        Fraction(1, 2),
        Fraction(1, 2),
        *[Fraction(1, 3)] * 3,
        *[Fraction(1, 4)] * 4,
        *[Fraction(1, 5)] * 5,
        Fraction(3, 2),
        Fraction(1, 2),
    ]
    notes, at = [], Fraction(0)
    for i, v in enumerate(values):
        notes.append((float(at), float(v), 60 + i % 5))
        at += v
    for ticks in (96, 480, 960):
        score = read_midi(midi(notes, ticks=ticks), "t.mid")
        assert [n.duration for n in score.notes] == values


@pytest.mark.parametrize(("ticks", "division"), [(6, 3), (12, 6), (24, 12), (6, 6)])
def test_few_ticks_to_the_quarter_are_read_to_the_tick(ticks: int, division: int) -> None:
    # "ticks per quarter-note" (Standard MIDI Files 1.0, header chunk): tick 2 of 6 is a third, not a quarter.
    notes = [(k / division, 1 / division, 60 + k % 12) for k in range(8 * division)]
    found = read_midi(midi(notes, ticks=ticks, meta=[(0, meter(4, 4))])).notes
    assert [n.onset for n in found] == [Fraction(k, division) for k in range(8 * division)]
    assert {n.duration for n in found} == {Fraction(1, division)}


def test_elevens_and_twenties_are_written_and_no_playing() -> None:
    # Three quarters of eleven notes in the time of six and of ten in the time of six, as accompaniments have.
    group = [k * Fraction(3, 22) for k in range(11)] + [
        Fraction(3, 2) + k * Fraction(3, 20) for k in range(10)
    ]
    starts = [3 * bar + at for bar in range(6) for at in group]
    notes = [(float(at), 0.13, 50 + k % 21) for k, at in enumerate(starts)]
    score = read_midi(midi(notes, meta=[(0, meter(6, 8))]), "t.mid")
    assert [n.onset for n in score.notes] == starts
    assert not any("quantised" in w for w in score.warnings)
    # Played a hundredth of a quarter off, it is playing, also where ticks are too coarse to tell.
    stray = random.Random(4)
    uneven = [(max(0.0, at + stray.gauss(0, 0.01)), length, note) for at, length, note in notes]
    for ticks in (480, 96):
        assert any("quantised" in w for w in read_midi(midi(uneven, ticks=ticks), "t.mid").warnings)


def test_shortened_playback_is_written_full() -> None:
    notes = [(i, 0.95, 60 + i % 8) for i in range(16)]
    assert {n.duration for n in read_midi(midi(notes), "t.mid").notes} == {1}


def test_uneven_playing_to_a_beat_is_quantised() -> None:
    stray = random.Random(4)
    clean = [(i / 2, 0.5, 60 + i % 8) for i in range(64)] + [(i, 1.0, 40 + i % 5) for i in range(32)]
    played = [(max(0.0, s + stray.gauss(0, 0.03)), d + stray.gauss(0, 0.03), p) for s, d, p in clean]
    score = read_midi(midi(played), "t.mid")
    right = {(Fraction(s), Fraction(d), p) for s, d, p in clean}
    got = {(n.onset, n.duration, n.midi) for n in score.notes}
    assert len(right & got) >= 0.95 * len(right)
    assert any("quantised" in w for w in score.warnings)


def test_bars_follow_time_signatures_and_pickups() -> None:
    events = [(0, meter(1, 4)), (1, meter(3, 4)), (7, meter(2, 4)), (9, meter(1, 4)), (10, meter(3, 4))]
    score = read_midi(midi(scale(count=16), meta=events), "t.mid")
    bars = [(m.number, m.start, m.length, m.offset, m.beats) for m in score.measures]
    assert bars[:6] == [
        ("0", 0, 1, 2, 3), ("1", 1, 3, 0, 3), ("2", 4, 3, 0, 3), ("3", 7, 2, 0, 3), ("3", 9, 1, 2, 3),
        ("4", 10, 3, 0, 3),
    ]  # fmt: skip


def test_keys_are_taken_from_the_file_or_estimated() -> None:
    stated = read_midi(midi(scale(63), meta=[(0, key("Eb"))]), "t.mid")
    assert stated.measures[0].signature == -3
    assert not any("estimated" in w for w in stated.warnings)
    guessed = read_midi(midi(scale(63, 28)), "t.mid")
    assert guessed.measures[0].signature == -3
    assert any("Eb major was estimated" in w for w in guessed.warnings)
    wrong = read_midi(midi(scale(64, 28), meta=[(0, key("C"))]), "t.mid")
    assert wrong.measures[0].signature == 4


@pytest.mark.parametrize(
    ("tonic", "name"), [(0, "C major"), (7, "G major"), (10, "Bb major"), (6, "F# major"), (3, "Eb major")]
)
def test_key_estimate_of_a_cadence(tonic: int, name: str) -> None:
    # I - IV - V - I in root position: the key whose profile fits is the tonic's (profiles: Temperley 2007).
    heard = [0.0] * 12
    for root in (0, 5, 7, 0):
        for step in (0, 4, 7):
            heard[(tonic + root + step) % 12] += 1
    found = estimate_key(heard).name
    assert found == name or (tonic == 6 and found == "Gb major")


def spelled(notes: list[int], signature: int) -> list[str]:
    return [p.name for p in spell([Sounding(Fraction(i), n, 1, signature) for i, n in enumerate(notes)])]


def test_spelling_follows_key_and_voice_leading() -> None:
    c_major = [60, 62, 64, 65, 67, 69, 71, 72] * 3
    assert spelled([*c_major, 67, 66, 67], 0)[-3:] == ["G4", "F#4", "G4"], "a lower neighbour"
    assert spelled([*c_major, 72, 70, 69, 67, 65], 0)[-4] == "Bb4", "the flat seventh falls"
    a_minor = [57, 59, 60, 62, 64, 65, 68, 69] * 3
    assert set(spelled(a_minor, 0)) == {"A3", "B3", "C4", "D4", "E4", "F4", "G#4", "A4"}, "harmonic minor"
    e_flat = [63, 65, 67, 68, 70, 72, 74, 75] * 3
    assert "Ab4" in spelled(e_flat, -3)
    b_major = [59, 61, 63, 64, 66, 68, 70, 71] * 3
    assert spelled(b_major, 5)[:4] == ["B3", "C#4", "D#4", "E4"]
    for sig in range(-6, 7):
        for n, p in zip(
            range(40, 80),
            spell([Sounding(Fraction(i), n, 1, sig) for i, n in enumerate(range(40, 80))]),
            strict=True,
        ):
            assert p.midi == n


def test_two_tracks_are_two_hands() -> None:
    right, left = scale(72), scale(48)
    for order in ((right, left), (left, right)):
        score = read_midi(midi(*order), "t.mid")
        assert [(p.first_staff, p.last_staff) for p in score.parts] == [(1, 2)]
        assert {n.staff for n in score.notes if n.midi >= 72} == {1}
        assert {n.staff for n in score.notes if n.midi < 70} == {2}


def test_one_track_is_split_into_hands() -> None:
    # An accompaniment of broken tenths under a melody in thirds; hands cross middle C but not each other.
    left = [(i / 2, 0.5, (43, 50, 59, 50)[i % 4]) for i in range(32)]
    right = [(i, 1.0, p) for i in range(16) for p in ((67, 71, 72, 69)[i % 4], (64, 67, 69, 65)[i % 4])]
    score = read_midi(midi(left + right), "t.mid")
    wrong = sum((n.staff == 1) != (n.midi > 60) for n in score.notes)
    assert wrong == 0
    assert any("one track" in w for w in score.warnings)
    assert split_hands([]) == []


def test_song_with_two_handed_piano() -> None:
    score = read_midi(midi(scale(67), scale(60), scale(48), names=["Voice", "Piano", "Piano"]), "t.mid")
    assert [(p.name, p.first_staff, p.last_staff) for p in score.parts] == [("Voice", 1, 1), ("Piano", 2, 3)]


def test_voices_are_as_few_as_overlaps_ask_for() -> None:
    def span(a: float, b: float, p: int) -> Span:
        return Span(Fraction(a), Fraction(b), p)

    assert number_voices([span(0, 1, 60), span(1, 2, 72), span(2, 3, 48)]) == [1, 1, 1]
    assert number_voices([span(0, 2, 60), span(0, 2, 64), span(0, 1, 72), span(1, 2, 71)]) == [2, 2, 1, 1]


def test_drums_are_left_out_and_unended_notes_end() -> None:
    with pytest.raises(UnderstaveError, match="no notes"):
        read_midi(midi(scale(), channel=9), "drums.mid")
    file = mido.MidiFile()
    file.tracks.append(
        mido.MidiTrack(
            [mido.Message("note_on", note=60, velocity=60), mido.MetaMessage("end_of_track", time=480)]
        )
    )
    out = io.BytesIO()
    file.save(file=out)
    assert [(n.midi, n.duration) for n in read_midi(out.getvalue(), "t.mid").notes] == [(60, 1)]


def without_ends(data: bytes, every: int) -> bytes:
    """Take every so many ends of notes out of a file."""
    file = mido.MidiFile(file=io.BytesIO(data))
    for track in file.tracks:
        late, kept, count = 0, [], 0
        for message in track:
            count += message.type == "note_off"
            if message.type == "note_off" and count % every == 0:
                late += message.time
            else:
                kept.append(message.copy(time=message.time + late))
                late = 0
        track[:] = kept
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def test_a_lost_end_spoils_no_other_note_of_its_key() -> None:
    notes = [(float(i), 1.0, 60 + 4 * (i % 2)) for i in range(32)]
    whole = read_midi(midi(notes), "t.mid")
    damaged = read_midi(without_ends(midi(notes), 3), "t.mid")
    assert any("10 notes have no end" in w for w in damaged.warnings)
    assert not any("no end" in w for w in whole.warnings)
    assert [(n.onset, n.midi) for n in damaged.notes] == [(n.onset, n.midi) for n in whole.notes]
    # A key is struck again two quarter notes later at the latest.
    assert {n.duration for n in damaged.notes} <= {1, 2}
    lost = len([n for n in damaged.notes if n.duration == 2])
    assert lost == 10


def test_a_note_without_an_end_rings_no_longer_than_a_whole_note() -> None:
    notes = [(0.0, 1.0, 36), *((float(i), 1.0, 60 + i % 12) for i in range(1, 48))]
    first = read_midi(without_ends(midi(notes), 1), "t.mid").notes[0]
    assert (first.midi, first.duration) == (36, 4)


def test_a_unison_of_two_voices_keeps_its_ends() -> None:
    notes = [(0.0, 4.0, 60), (1.0, 1.0, 60), *((float(i), 1.0, 72 + i % 3) for i in range(8))]
    lengths = [n.duration for n in read_midi(midi(notes), "t.mid").notes if n.midi == 60]
    assert sorted(lengths) == [2, 3]


def test_beats_take_few_steps_an_onset() -> None:
    notes = [(0.05 * i, 0.05 * i + 0.04, 60 + i % 7, 70) for i in range(400)]
    onsets = gather(notes)
    calls = 0

    def count(_frame: object, event: str, _what: object) -> None:
        nonlocal calls
        calls += event == "c_call"

    sys.setprofile(count)
    try:
        track_beats(onsets)
    finally:
        sys.setprofile(None)
    assert calls < 300 * len(onsets)


def test_tempo_and_pedal_are_kept() -> None:
    events = [
        (0, mido.MetaMessage("set_tempo", tempo=500000)),
        (8, mido.MetaMessage("set_tempo", tempo=1000000)),
        (0, mido.Message("control_change", control=64, value=127)),
        (4, mido.Message("control_change", control=64, value=0)),
    ]
    score = read_midi(midi(scale(), meta=events), "t.mid")  # type: ignore[arg-type]
    assert [(d.onset, d.value) for d in score.directions if d.kind == "tempo"] == [(0, 120.0), (8, 60.0)]
    assert [(d.onset, d.text) for d in score.directions if d.kind == "pedal"] == [(0, "start"), (4, "stop")]


def performance() -> tuple[list[Heard], list[float]]:
    """A waltz-like piece played with a slow swing of tempo, and its beats in seconds."""
    drift = random.Random(1)
    beats = [0.0]
    for i in range(96):
        beats.append(beats[-1] + 0.6 * (1 + 0.15 * (i % 24 - 12) / 12) + drift.gauss(0, 0.01))
    notes: list[Heard] = []
    for i in range(96):
        start, period = beats[i], beats[i + 1] - beats[i]
        low = 43 + (i // 3 % 4) * 2
        chord = [low] if i % 3 == 0 else [low + 12, low + 16, low + 19]
        notes += [(start + drift.gauss(0, 0.008), period * 0.9, p) for p in chord]
        tune = 72 + (i * 5) % 7
        notes.append((start + drift.gauss(0, 0.008), period * 0.5, tune))
        if i % 2:
            notes.append((start + period / 2, period * 0.4, tune + 2))
    return [(max(0.0, s), d, p) for s, d, p in notes], beats


def test_beats_of_a_performance_are_found() -> None:
    notes, beats = performance()
    found = track_beats(gather([(s, s + d, p, 70) for s, d, p in notes]))
    hits = sum(min(abs(b - f) for f in found) < 0.07 for b in beats[:-1])
    assert hits >= 0.9 * (len(beats) - 1)
    assert len(found) <= 1.1 * len(beats)


def test_a_performance_is_barred_and_the_guess_is_said() -> None:
    notes, _ = performance()
    # 120 quarters a minute in the file: its ticks have nothing to do with the beats played.
    score = read_midi(midi([(s * 2, d * 2, p) for s, d, p in notes]), "live.mid")
    assert any("performance whose beats are not marked" in w for w in score.warnings)
    assert any("guessed" in w for w in score.warnings)
    assert (score.measures[1].beats, score.measures[1].beat_type) == (3, 4)
    starts = {m.start for m in score.measures}
    bass = [n for n in score.notes if n.midi < 50]
    assert sum(n.onset in starts for n in bass) >= 0.8 * len(bass)
    tempo = next(d for d in score.directions if d.kind == "tempo")
    assert 80 < (tempo.value or 0) < 120


def every_note(score: Score) -> set[tuple[Fraction, int]]:
    return {(n.onset, n.midi) for n in score.notes}


def test_type_0_and_type_1_read_alike() -> None:
    one = read_midi(midi(scale(), kind=0), "t.mid")
    two = read_midi(midi(scale(), kind=1), "t.mid")
    assert every_note(one) == every_note(two)


def header(kind: int, division: int) -> bytes:
    return b"MThd" + struct.pack(">IHHH", 6, kind, 1, division)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"RIFFjunk", "not a Standard MIDI file"),
        (b"MThd\x00\x00\x00\x06\x00", "cut short"),
        (header(1, 0xE728) + b"MTrk\x00\x00\x00\x00", "SMPTE"),
        (header(2, 480) + b"MTrk\x00\x00\x00\x00", "type 2"),
        (header(1, 0) + b"MTrk\x00\x00\x00\x00", "without a time division"),
        (header(0, 480) + b"MTrk\x00\x00\x00\x04\x00\xff\x2f\x00", "no notes"),
        (midi(scale())[:60], "cut or damaged"),
        (header(0, 480) + b"junkjunkjunk", "damaged|no notes"),
    ],
)
def test_bad_files_get_one_sentence(data: bytes, says: str) -> None:
    with pytest.raises(UnderstaveError, match=says) as caught:
        read_midi(data, "bad.mid")
    assert "bad.mid" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_absurd_lengths_are_refused() -> None:
    with pytest.raises(UnderstaveError, match="lasts more than"):
        read_midi(midi([(0, 1, 60), (90000, 1, 60)]), "long.mid")


def test_beats_are_counted_from_the_barline_after_a_pickup_off_the_beat() -> None:
    """After a pickup of 25/32 (Chopin) bars begin an eighth of a quarter after the beats of the file."""
    first = 25 / 8
    notes: list[Heard] = [(0, 3, 60), (3, 1 / 8, 62)]
    notes += [(first + k / 3, 1 / 3, 60 + k % 12) for k in range(24)]
    got = read_midi(midi(notes, meta=[(0, meter(25, 32)), (first, meter(4, 4))]), "x.mid")
    assert [m.length for m in got.measures][:2] == [Fraction(25, 8), 4]
    starts = sorted(n.onset for n in got.notes if n.measure > 0)
    assert starts == [Fraction(25, 8) + Fraction(k, 3) for k in range(24)]
    assert not [w for w in got.warnings if "as played" in w]
