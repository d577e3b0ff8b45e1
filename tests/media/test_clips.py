"""Clips: what a player finds in the file, that notes light up when they sound, and that sound is in time.

Checked with PyAV as a decoder: sizes and codecs as MP4 players expect them (H.264, ISO/IEC 14496-10; AAC,
14496-3), the index before the media (14496-12), and every light against the clock of the performance.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import av
import numpy as np
import pytest
import soundfile
from tests.once import make_plan, read, read_score

from understave.acoustics.files import common_gain
from understave.acoustics.piano import GRAND
from understave.acoustics.sound import render
from understave.interpretation.perform import clock, perform
from understave.lesson.voices import said_within
from understave.media.clips import (
    FRAMES,
    ClipOptions,
    Scene,
    _caption_panels,
    _holds,
    _with_voices,
    clip,
    set_scene,
)
from understave.media.film import film_bytes
from understave.media.teacher_voice import Said, voice_over
from understave.media.webpage import lights
from understave.teaching.stops import Stop

ROOT = Path(__file__).parents[2]


@cache
def piece():
    score = read_score(ROOT / "examples" / "lock-water" / "score.musicxml")
    reading = read(score)
    return score, reading, make_plan(score, reading)


BARS = {"wide": {"first": 3, "last": 4}, "tall": {"first": 4, "last": 4}}
"""Indexes of the first and the last bar of the film of each shape."""


@cache
def filmed(shape: str) -> bytes:
    return clip(*piece(), *BARS[shape].values(), ClipOptions(shape=shape))


def pictures(shape: str) -> Iterator[av.VideoFrame]:
    """The pictures of a film, one after another: all of them at once take a gigabyte."""
    with av.open(io.BytesIO(filmed(shape))) as film:
        yield from film.decode(video=0)


def rgb(picture: av.VideoFrame) -> np.ndarray:
    return picture.to_ndarray(format="rgb24")


@pytest.mark.parametrize(
    ("shape", "size", "bars"), [("wide", (1920, 1080), "bars 4–5"), ("tall", (1080, 1920), "bar 5")]
)
def test_players_find_what_they_expect(shape, size, bars):
    data = filmed(shape)
    with av.open(io.BytesIO(data)) as film:
        video, audio = film.streams.video[0], film.streams.audio[0]
        assert (video.codec_context.name, audio.codec_context.name) == ("h264", "aac")
        assert (video.width, video.height) == size
        assert video.pix_fmt == "yuv420p"
        assert video.average_rate == 30
        lengths = [float(s.duration * s.time_base) for s in (video, audio)]
        assert abs(lengths[0] - lengths[1]) < 1 / 30
        # The example by its own file: tests/../examples/lock-water/score.musicxml.
        score = piece()[0]
        assert film.metadata["title"] == f"{score.title}, {bars}"
        assert film.metadata["composer"] == film.metadata["artist"] == score.composer != ""
    # The index (moov) comes before the media (mdat): the film begins before all of it has come.
    assert 0 < data.index(b"moov") < data.index(b"mdat")


def test_it_lasts_as_long_as_its_sound():
    score, _, plan = piece()
    sound = render(perform(score, plan, **BARS["wide"]), GRAND, 44_100)
    assert sum(1 for _ in pictures("wide")) / 30 == pytest.approx(len(sound) / 44_100, abs=1 / 30)


def test_the_progress_bar_grows_from_nothing_to_everything():
    below = FRAMES["wide"].height - FRAMES["wide"].bar + 3

    def done(picture):
        return int(np.sum(picture[below, :, 0].astype(int) < 60)) / picture.shape[1]

    shares = [done(rgb(picture)) for picture in pictures("wide")]
    assert shares[0] < 0.02
    assert shares[-1] == pytest.approx(1.0, abs=0.01)
    assert all(b >= a - 0.01 for a, b in pairwise(shares))


def _scene(shape: str) -> Scene:
    score, reading, plan = piece()
    bars = BARS[shape]
    return set_scene(score, reading, clock(score, plan, **bars), *bars.values(), ClipOptions(shape=shape))


def _coloured(picture: av.VideoFrame, x: float, y: float) -> bool:
    """Whether a place is orange: much redder than blue; ink and paper are neither."""
    red, _, blue = rgb(picture)[round(y) - 2 : round(y) + 3, round(x) - 2 : round(x) + 3].mean(axis=(0, 1))
    return bool(red - blue > 60)


@pytest.mark.parametrize("shape", BARS)
def test_notes_light_up_in_the_picture_in_which_they_begin_to_sound(shape):
    score, _, plan = piece()
    scene = _scene(shape)
    rows = [r for r in lights(score, perform(score, plan, **BARS[shape])) if r[0] in scene.heads]
    looked_at = {
        int(moment * 30) + before
        for _, start, end in rows
        for moment, before in ((start, 0), (start, -1), ((start + end) / 2, 0), (end + 0.4, 0))
    }
    frames = {k: picture for k, picture in enumerate(pictures(shape)) if k in looked_at}
    checked = 0
    for note, start, end in rows:
        box = scene.heads[note]
        x, y = (box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2 - scene.top(start) + FRAMES[shape].heading

        def free(number, note=note, box=box):
            """No glow of another note reaches this head in a picture (a unison, the second of a chord)."""
            return not any(
                other != note
                and start < (number + 1) / 30
                and number / 30 < end + 0.25
                and abs(scene.heads[other].x0 - box.x0) < 1.4 * box.width
                and abs(scene.heads[other].y0 - box.y0) < 1.4 * box.height
                for other, start, end in rows
            )

        number, after = int(start * 30), int((end + 0.4) * 30)
        assert _coloured(frames[number], x, y), f"{note} is dark at {start:.2f} s"
        assert _coloured(frames[int((start + end) / 2 * 30)], x, y)
        if number and free(number - 1):
            assert not _coloured(frames[number - 1], x, y), f"{note} is alight before {start:.2f} s"
            checked += 1
        if free(after):
            assert not _coloured(frames[after], x, y), f"{note} is still alight at {after / 30:.2f} s"
    assert checked >= {"wide": 12, "tall": 6}[shape]


def test_the_sound_in_the_film_is_in_time():
    score, _, plan = piece()
    sound = render(perform(score, plan, **BARS["wide"]), GRAND, 44_100)
    sound = (sound * common_gain([sound])).mean(axis=1)
    with av.open(io.BytesIO(filmed("wide"))) as film:
        blocks = [(f.pts, f.to_ndarray()) for f in film.decode(audio=0)]
    first = blocks[0][0]
    heard = np.concatenate([b for _, b in blocks], axis=1).mean(axis=0)
    count = min(len(heard), len(sound), 4 * 44_100)
    size = 1 << (2 * count - 1).bit_length()
    product = np.fft.rfft(heard[:count], size) * np.conj(np.fft.rfft(sound[:count], size))
    shift = int(np.argmax(np.fft.irfft(product, size)))
    shift = shift - size if shift > size // 2 else shift
    # AAC begins with silence of its own, which the file tells players to leave out: times before 0.
    assert abs(shift + first) < 0.005 * 44_100


def test_the_score_glides_only_where_a_system_begins():
    score, reading, plan = piece()
    last = len(score.measures) - 1
    scene = set_scene(score, reading, clock(score, plan), 0, last, ClipOptions(shape="tall"))
    assert len(scene.tops) > 3
    moments = np.arange(0, scene.length, 1 / 30)
    tops = [scene.top(t) for t in moments]
    assert tops[0] == 0
    assert tops == sorted(tops)
    moving = [t for t, (a, b) in zip(moments, pairwise(tops), strict=False) if a != b]
    starts = [s for s, _ in scene.tops]
    assert moving
    assert all(min(abs(t - s) for s in starts) < 0.45 for t in moving)
    # Wherever the window stands it shows paper, and all of the system that is played.
    for (second, _), follows in zip(scene.tops, [*starts[1:], scene.length], strict=True):
        middle = (second + follows) / 2
        played = [
            scene.heads[i]
            for i, s, e in lights(score, perform(score, plan))
            if i in scene.heads and i == score.note_by_id[i].id and second <= s <= middle < e
        ]
        top = scene.top(middle)
        assert played
        assert all(top <= box.y0 and box.y1 <= top + scene.frame.room for box in played)


def test_silence_fills_a_sound_that_is_too_short():
    paper = np.full((64, 64, 3), 255, np.uint8)
    data = film_bytes(iter([paper] * 45), 45, np.zeros((100, 2), np.float32), 44_100)
    with av.open(io.BytesIO(data)) as film:
        video, audio = film.streams.video[0], film.streams.audio[0]
        assert float(video.duration * video.time_base) == pytest.approx(1.5)
        assert float(audio.duration * audio.time_base) == pytest.approx(1.5, abs=0.03)


@cache
def spoken():
    """Two seconds of a synthetic voice before the second half of bar 5, its captions two sentences."""
    score = piece()[0]
    file = io.BytesIO()
    soundfile.write(file, 0.1 * np.random.default_rng(1).standard_normal(88_200), 44_100, format="WAV")
    bar = score.measures[4]
    return Said(bar.start + bar.length / 2, voice_over(file.getvalue(), "a.wav", ["Listen. Now the bass."]))


def test_the_music_holds_while_the_teacher_speaks():
    score, _, plan = piece()
    time = clock(score, plan, **BARS["tall"])
    holds = _holds((spoken(),), score.measures[4].start, time)
    music = 0.2 * np.ones((round(44_100 * time.seconds[-1]), 2), np.float32)
    heard = _with_voices(music, holds)
    at, length = round(holds[0].second * 44_100), round(spoken().voice.length * 44_100)
    assert len(heard) == len(music) + length
    assert np.array_equal(heard[: at - 5000], music[: at - 5000])
    assert np.array_equal(heard[at + length + 5000 :], music[at + 5000 :])
    voice = heard[at + 5000 : at + length - 5000]
    assert abs(voice.mean()) < 0.01
    assert voice.std() > 0.03
    # No cut clicks: the music is silent where the voice begins and where it has ended.
    assert max(abs(heard[at - 1, 0]), abs(heard[at + length, 0])) < 0.001


def _chosen(scene: Scene, numbers: set[int]) -> dict[int, np.ndarray]:
    """The pictures of a scene that have these numbers."""
    pictures = enumerate(scene.pictures(int(scene.length * 30)))
    return {k: picture for k, picture in pictures if k in numbers}


def test_picture_and_captions_follow_the_voice():
    score, _, plan = piece()
    time = clock(score, plan, **BARS["tall"])
    scene, before = _scene("tall"), _scene("tall")
    for one in (scene, before):
        one.light(lights(score, perform(score, plan, **BARS["tall"])))
    holds = _holds((spoken(),), score.measures[4].start, time)
    captions = _caption_panels(score, holds, (4, 4), ClipOptions("tall"))
    assert len(captions[0]) == len(spoken().voice.captions) == 2
    scene.hold(holds, captions)
    length, second = spoken().voice.length, holds[0].second
    assert scene.length == pytest.approx(before.length + length)
    spoken_at = [int((second + (begin + end) / 2) * 30) for _, begin, end in spoken().voice.captions]
    first, last_before = 0, int(second * 30) - 1
    moved, late = round(length * 30), int((second + 0.6) * 30)
    frames = _chosen(scene, {first, last_before, *spoken_at, late + moved})
    plain = _chosen(before, {first, last_before, late})
    frame = FRAMES["tall"]
    top = frame.heading + frame.room
    panel = slice(top, top + frame.panel)
    for caption, at in zip(captions[0], spoken_at, strict=True):
        assert np.array_equal(frames[at][panel], caption)
    # What was before and what comes after are as without the voice, but for the bar of progress.
    music = slice(0, top + frame.panel)
    for k in (first, last_before):
        assert np.array_equal(frames[k][music], plain[k][music])
    assert abs(frames[late + moved][music].astype(int) - plain[late][music]).mean() < 0.5
    assert np.array_equal(frames[late + moved][panel], plain[late][panel])


def test_what_is_said_of_a_lesson_is_found_by_its_bars(tmp_path, monkeypatch):
    score = piece()[0]
    (tmp_path / "voice").mkdir()
    (tmp_path / "voice" / "b5-half.mp3").write_bytes(spoken().voice.data)
    stops = [
        Stop(name, k - 1, k + 1, score.measures[k].start, "", {"intermediate": "Listen. Now the bass."})
        for name, k in (("b5-half", 4), ("b9-half", 8))
    ]
    monkeypatch.setattr(
        "understave.lesson.voices.memory.recall", lambda _: SimpleNamespace(stops=tuple(stops))
    )
    (said,) = said_within(tmp_path, score, 4, 8)
    assert said.moment == score.measures[3].start
    assert [text for text, _, _ in said.voice.captions] == ["Listen.", "Now the bass."]
    assert said_within(tmp_path, score, 5, 8) == ()
    monkeypatch.undo()
    assert said_within(tmp_path, score, 3, 8) == ()  # never made


def test_a_film_of_the_player_stands_still_while_the_teacher_speaks():
    score, _, plan = piece()
    time = clock(score, plan, **BARS["tall"])
    scene = _scene("tall")
    asked = []
    scene.film = asked.append
    holds = _holds((spoken(), spoken()), score.measures[4].start, time)
    scene.hold(holds, _caption_panels(score, holds, (4, 4), ClipOptions("tall")))
    length, second = spoken().voice.length, holds[0].second
    for at in (second - 0.5, second + 0.5 * length, second + 1.5 * length, second + 2 * length + 0.5):
        scene.film(at)
    assert asked == pytest.approx([second - 0.5, second, second, second + 0.5])
