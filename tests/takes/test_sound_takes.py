"""Recorded sound tied to its score: our own piano's sound of our own piece (synthetic).

The truth is the plan's own clock, slowed down by a known factor. No recorded sound is among the open data.
"""

from __future__ import annotations

import io
from dataclasses import replace

import av
import numpy as np
import pytest
import soundfile
from tests.once import opening

from understave.acoustics.files import RATE
from understave.acoustics.performance import Performance
from understave.acoustics.piano import UPRIGHT
from understave.acoustics.sound import render
from understave.cli import main
from understave.errors import TakeError
from understave.findings import read
from understave.interpretation.perform import clock, perform
from understave.interpretation.planning import make_plan
from understave.score.reader import read_score
from understave.takes import Recording, read_take, sound_tying, tie
from understave.takes import recorded as recorded_room
from understave.takes.kept import add_take, drop_take, kept_take
from understave.takes.recorded import known_recording, recording_of, samples_of, share_there
from understave.takes.sound_following import Followed, follow_sound, tuning
from understave.takes.told import tell_take
from understave.takes.views import excerpt_of, loudness, pedal_blur

BARS, SLOWER, LATE = 12, 1.2, 1.0


@pytest.fixture(scope="module")
def piece():
    score = read_score(opening(BARS))
    reading = read(score)
    plan = make_plan(score, reading)
    return score, reading, plan


def sounded(piece, steps=0, wait=0.0):
    """The plan's playing, slower, after a second of silence."""
    score, _, plan = piece
    planned = perform(score, plan)
    strikes = tuple(
        replace(
            s,
            midi=s.midi + steps,
            start=LATE + SLOWER * s.start + wait,
            end=LATE + SLOWER * s.end + wait,
        )
        for s in planned.strikes
    )
    pedal = tuple((LATE + SLOWER * t, d) for t, d in planned.pedal)
    return render(Performance(strikes, pedal), UPRIGHT).mean(axis=1)


def wave(sound, rate=RATE, form="WAV"):
    file = io.BytesIO()
    soundfile.write(file, 0.8 * sound / np.max(np.abs(sound)), rate, format=form)
    return file.getvalue()


@pytest.fixture(scope="module")
def sound(piece):
    return sounded(piece)


@pytest.fixture(scope="module")
def take(piece, sound):
    return tie(piece[0], recording_of(wave(sound), "mine.wav"))


def errors(piece, take, start=LATE):
    """How far each bar's beginning that is told is from where it was struck."""
    score, _, plan = piece
    time = clock(score, plan)
    off = []
    for run in take.runs:
        for measure in score.measures[run.first : run.last + 1]:
            struck = [n.onset for n in score.notes if n.onset == measure.start and not n.grace]
            if struck and run.moments[0] <= measure.start <= run.moments[-1]:
                off.append(abs(run.second(float(measure.start)) - (start + SLOWER * time.at(measure.start))))
    return off


def test_bars_are_found_where_they_were_struck(piece, take):
    off = errors(piece, take)
    assert len(off) >= BARS - 2
    assert np.mean(np.array(off) < 0.06) >= 0.9
    assert take.sure > 0.8
    assert take.matches == take.missed == take.extra == ()


def test_another_rate_two_channels_and_a_sharp_piano_are_followed(piece, sound):
    sharp = np.interp(np.arange(0, len(sound) - 1, 2 ** (0.3 / 12)), np.arange(len(sound)), sound)
    assert tuning(sharp[::2].astype(np.float32)) == pytest.approx(0.3, abs=0.06)
    both = np.stack([sharp, 0.5 * sharp], axis=1)
    found = tie(piece[0], recording_of(wave(both, form="FLAC"), "mine.flac"))
    assert len(found.runs) >= 1
    assert found.runs[0].second(float(piece[0].measures[1].start)) > LATE


@pytest.mark.parametrize(("suffix", "codec"), [(".m4a", "aac"), (".mov", "aac")])
def test_the_sound_of_a_film_is_read_from_its_own_zero(tmp_path, piece, sound, suffix, codec):
    path = tmp_path / f"film{suffix}"
    with av.open(str(path), "w", format="mp4" if suffix == ".m4a" else "mov") as film:
        stream = film.add_stream(codec, rate=RATE, layout="mono")
        frame = av.AudioFrame.from_ndarray(
            (0.8 * sound / np.max(np.abs(sound)))[None].astype(np.float32), format="fltp", layout="mono"
        )
        frame.sample_rate = RATE
        film.mux(stream.encode(frame))
        film.mux(stream.encode(None))
    found = read_take(path)
    assert found.samples is not None
    assert len(found.samples) == pytest.approx(len(sound), abs=0.1 * RATE)
    first = np.flatnonzero(np.abs(found.samples) > 0.02)[0] / RATE
    there = np.flatnonzero(np.abs(sound) > 0.025 * np.max(np.abs(sound)))[0] / RATE
    assert first == pytest.approx(there, abs=0.05)


def test_what_is_known_is_decoded_again_and_not_judged_again(tmp_path, sound, monkeypatch):
    path = tmp_path / "mine.flac"
    path.write_bytes(wave(sound, form="FLAC"))
    found = read_take(path)
    # Twenty times as long as decoding, and of no use once it has been tied.
    monkeypatch.setattr(recorded_room, "loudness", None)
    again = samples_of(known_recording(path, "sound", found.sha256))
    assert np.array_equal(again, found.samples)
    with pytest.raises(TakeError, match="no recording of sound"):
        samples_of(Recording(Performance(()), (), "midi", "mine.mid", file=path))


def test_what_is_not_this_piece_is_not_told(piece, sound):
    score = piece[0]
    with pytest.raises(TakeError, match="is not tied"):
        tie(score, recording_of(wave(sounded(piece, steps=1)), "higher.wav"))
    with pytest.raises(TakeError, match="is not tied"):
        tie(score, recording_of(wave(sound[::-1]), "backwards.wav"))
    noise = np.random.default_rng(2).standard_normal(20 * RATE)
    with pytest.raises(TakeError, match="is not tied"):
        tie(score, recording_of(wave(noise), "noise.wav"))


def test_skipped_bars_are_found(piece, sound):
    score, _, plan = piece
    time = clock(score, plan)
    cut, on = (round((LATE + SLOWER * time.at(score.measures[k].start) - 0.05) * RATE) for k in (4, 7))
    found = tie(score, recording_of(wave(np.concatenate([sound[:cut], sound[on:]])), "skipped.wav"))
    told = {k for run in found.runs for k in range(run.first, run.last + 1)}
    assert told <= {0, 1, 2, 3, 7, 8, 9, 10, 11}
    assert len(told) >= 7
    after = [run for run in found.runs if run.first >= 7]
    assert (
        np.mean(np.array(errors(piece, replace(found, runs=tuple(after)), LATE - (on - cut) / RATE)) < 0.06)
        > 0.8
    )


def disagreeing(score, bar):
    """The second opinion, clear, five seconds late from a bar on."""
    start = float(score.measures[bar].start)

    def late(heard, written, begin, end):
        found = follow_sound(heard, written, begin, end)
        return Followed(found.seconds + 5 * (written.quarters >= start), np.ones(len(found.clear)))

    return late


def test_what_the_two_opinions_disagree_on_is_not_told(piece, sound, monkeypatch):
    score = piece[0]
    monkeypatch.setattr(sound_tying, "follow_sound", disagreeing(score, 8))
    found = tie(score, recording_of(wave(sound), "mine.wav"))
    assert {k for run in found.runs for k in range(run.first, run.last + 1)} == set(range(8))
    # Five of twelve bars are fewer than half: nothing is told, and the share is of all twelve.
    monkeypatch.setattr(sound_tying, "follow_sound", disagreeing(score, 5))
    with pytest.raises(TakeError, match="only 42 % of the bars"):
        tie(score, recording_of(wave(sound), "mine.wav"))


def test_some_bars_are_told_when_they_are_named(piece, sound):
    score, _, plan = piece
    time = clock(score, plan)
    from_second = LATE + SLOWER * time.at(score.measures[4].start) - 0.1
    some = sound[round(from_second * RATE) :]
    found = tie(score, recording_of(wave(some), "some.wav"), 4, BARS - 1)
    off = errors(piece, found, LATE - from_second)
    assert len(off) >= 4
    assert np.mean(np.array(off) < 0.08) >= 0.8


@pytest.mark.parametrize(
    ("data", "name", "sentence"),
    [
        (wave(np.full(3 * RATE, 1e-9) + 1e-12), "still.wav", None),
        (b"RIFF0000WAVE", "broken.wav", "no sound that can be read"),
        (b"nothing", "broken.mp4", "no sound that can be read"),
    ],
)
def test_bad_sound_gets_one_sentence(data, name, sentence):
    if sentence is None:
        file = io.BytesIO()
        soundfile.write(file, np.zeros(3 * RATE), RATE, format="WAV")
        data, sentence = file.getvalue(), "Nothing is heard in still.wav"
    with pytest.raises(TakeError, match=sentence):
        recording_of(data, name)


@pytest.mark.parametrize("form", ["WAV", "MP3"])
def test_a_file_that_is_cut_short_says_how_much_is_there(form):
    # RIFF: the length of the chunk "data" (Multimedia Programming Interface 1991); MP3: that in the tag
    # "Xing" or "Info" of the first frame, as LAME writes it.
    data = wave(0.3 * np.sin(np.arange(20 * RATE) * 0.1), form=form)
    assert share_there(data) == (1.0, data)
    share, half = share_there(data[: len(data) // 2])
    assert share == pytest.approx(0.5, abs=0.01)
    found = recording_of(half, f"half.{form.lower()}")
    assert (len(found.samples) / RATE, found.there) == (pytest.approx(10, abs=0.3), 1.0)
    assert recording_of(data[: len(data) // 2], f"half.{form.lower()}").there == share


def test_what_a_picture_or_a_film_holds_says_nothing_of_its_length():
    # ID3v2.3, 3.1: four bytes of seven bits each say how long the tag before the first frame is.
    sound = wave(0.3 * np.sin(np.arange(4 * RATE) * 0.1), form="MP3")
    cover = b"\xffInfo\0\0\0\x0f\0\0\0\x09\x7f\0\0\0" + bytes(300)
    tag = b"ID3\x03\0\0" + bytes((0, 0, len(cover) >> 7, len(cover) & 127)) + cover
    assert share_there(tag + sound) == (1.0, tag + sound)
    assert share_there(tag + sound[: len(sound) // 2])[0] == pytest.approx(0.5, abs=0.01)
    film = b"\0\0\0\x20ftypM4A " + cover
    assert share_there(film) == (1.0, film)


def test_what_is_not_clear_in_a_sound_is_asked_about(piece, take):
    less = replace(take, sure=0.6, recording=replace(take.recording, there=0.5))
    lines = tell_take(piece[0], less)
    assert "60 % are its own" in lines[0]
    assert "another edition" in lines[1]
    assert "about 50 % of it is there" in lines[2]
    assert not any("another edition" in line or "cut short" in line for line in tell_take(piece[0], take))


def test_what_is_told_of_sound_is_its_time(piece, take):
    score, reading, plan = piece
    lines = tell_take(score, take)
    assert "From sound only time is told" in lines[0]
    assert "Stop if anything hurts" in lines[-1]
    for language in ("de", "fr"):
        assert len(tell_take(score, take, language)) == len(lines)
    assert loudness(score, plan, take) == ()
    assert pedal_blur(score, plan, reading, take, 0) is None


def test_bars_of_it_sound_as_recorded_and_light_up_in_their_time(piece, sound, take):
    score = piece[0]
    run = take.runs[0]
    first, last = run.first + 1, run.first + 2
    own = excerpt_of(score, take, first, last)
    assert own.sound is not None
    begin = run.second(float(score.measures[first].start)) - own.clock.at(score.measures[first].start)
    at = round(begin * RATE)
    given = 0.8 * sound / np.max(np.abs(sound))
    assert own.sound[:RATE] == pytest.approx(given[at : at + RATE], abs=1e-3)
    for strike in own.performance.strikes:
        note = score.note_by_id[strike.note]
        assert first <= note.measure <= last
        assert strike.start == pytest.approx(run.second(note.at) - begin, abs=1e-6)


def test_a_kept_sound_is_not_decoded_before_it_is_heard(tmp_path, piece, sound, monkeypatch):
    source = tmp_path / "mine.wav"
    source.write_bytes(wave(sound))
    name, take = add_take(tmp_path / "lesson", piece[0], source)
    with monkeypatch.context() as stopped:
        stopped.setattr(recorded_room, "read_audio", None)
        kept = kept_take(tmp_path / "lesson", piece[0], name)
        assert kept.runs == take.runs
        assert tell_take(piece[0], kept)[0] == tell_take(piece[0], take)[0]
        with pytest.raises(TypeError):
            excerpt_of(piece[0], kept, take.runs[0].first, take.runs[0].first)
    assert len(excerpt_of(piece[0], kept, take.runs[0].first, take.runs[0].first).sound) > RATE


def test_a_lesson_keeps_sound_unaltered(tmp_path, piece, sound, capsys):
    score = piece[0]
    source = tmp_path / "My sound.wav"
    source.write_bytes(wave(sound))
    name, found = add_take(tmp_path / "lesson", score, source)
    assert (tmp_path / "lesson" / "takes" / f"{name}.wav").read_bytes() == source.read_bytes()
    assert kept_take(tmp_path / "lesson", score, name).runs == found.runs
    assert drop_take(tmp_path / "lesson", name).suffix == ".wav"
    assert main(["take", str(opening(BARS)), str(source), "--picture", str(tmp_path / "a.svg")]) == 0
    assert "From sound only time" in capsys.readouterr().out
