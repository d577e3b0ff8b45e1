"""A clip with the picture of the player's own film: what it shows, looked at frame by frame.

The film is made here: our own piano's sound of our own piece, and a picture that says its number in black and
white stripes (synthetic).
"""

from __future__ import annotations

import io
from dataclasses import replace
from fractions import Fraction
from itertools import islice

import av
import numpy as np
import pytest
from tests.once import make_plan, opening, read, read_score

from understave.acoustics.files import RATE
from understave.acoustics.piano import GRAND
from understave.acoustics.sound import render
from understave.cli import main
from understave.errors import TakeError
from understave.interpretation.perform import perform
from understave.media.clips import FRAMES, ClipOptions, clip
from understave.media.film import film_at, film_bytes
from understave.takes import read_take, tie
from understave.takes.views import excerpt_of

BARS, FPS, BITS, SIZE = 6, 25, 9, (180, 320)
QUICKER = 2
"""How much quicker than planned it is played: a film of half as many pictures."""
SHOWN = {"wide": (3, 4), "tall": (4, 4)}


def numbered(count):
    for number in range(count):
        picture = np.zeros((*SIZE, 3), np.uint8)
        for bit in range(BITS):
            left = bit * SIZE[1] // BITS
            picture[:, left : left + SIZE[1] // BITS] = 255 * (number >> bit & 1)
        yield picture


def number_of(picture):
    wide = picture.shape[1] / BITS
    middle = picture[picture.shape[0] // 2]
    return sum((int(middle[round((bit + 0.5) * wide)].mean()) > 127) << bit for bit in range(BITS))


@pytest.fixture(scope="module")
def piece():
    score = read_score(opening(BARS))
    reading = read(score)
    return score, reading, make_plan(score, reading)


@pytest.fixture(scope="module")
def film(piece, tmp_path_factory):
    score, _, plan = piece
    planned = perform(score, plan)
    quicker = tuple(replace(s, start=s.start / QUICKER, end=s.end / QUICKER) for s in planned.strikes)
    pedal = tuple((t / QUICKER, depth) for t, depth in planned.pedal)
    played = render(replace(planned, strikes=quicker, pedal=pedal), GRAND)
    sound = np.concatenate([np.zeros((RATE, 2), np.float32), played])
    count = min(2**BITS - 1, len(sound) * FPS // RATE)
    path = tmp_path_factory.mktemp("film") / "mine.mp4"
    path.write_bytes(film_bytes(numbered(count), count, sound, RATE, fps=FPS))
    return path


@pytest.fixture(scope="module")
def take(piece, film):
    return tie(piece[0], read_take(film))


def pictures_of(data, numbers):
    """The pictures of a clip that have these numbers; all of them would fill the memory."""
    with av.open(io.BytesIO(data)) as made:
        pictures = enumerate(islice(made.decode(video=0), max(numbers) + 1))
        return {k: picture.to_ndarray(format="rgb24") for k, picture in pictures if k in numbers}


@pytest.mark.parametrize("shape", ["wide", "tall"])
def test_the_film_keeps_its_picture_and_lights_its_notes_in_its_own_time(piece, take, shape):
    score = piece[0]
    own = excerpt_of(score, take, *SHOWN[shape])
    options = ClipOptions(shape, own=own, own_picture=True)
    frame = options.frame
    onsets = sorted({s.start for s in own.performance.strikes})[:10]
    assert len(onsets) >= (10 if shape == "wide" else 5)
    # The first picture that ends after the note has begun.
    lit = [int(np.floor(onset * 30 + 1e-6)) for onset in onsets]
    pictures = pictures_of(clip(*piece, *SHOWN[shape], options), {0, *lit, *(k - 1 for k in lit if k)})
    assert pictures[0].shape == (frame.height, frame.width, 3)
    assert (frame.width, frame.height) == (FRAMES[shape].width, FRAMES[shape].height)
    high = frame.above or frame.room
    area = (slice(frame.heading, frame.heading + high), slice(0, frame.beside or frame.width))
    before = None
    for k in lit:
        # The film's picture at the moment at which the clip's begins.
        shown = pictures[k][area]
        rows = np.flatnonzero(shown.max(axis=(1, 2)) > 60)
        columns = np.flatnonzero(shown.max(axis=(0, 2)) > 60)
        assert len(rows) > 0.9 * min(high, shown.shape[1] * SIZE[0] / SIZE[1])
        assert len(columns) > 0
        expected = int(np.floor((own.film_from + k / 30 + 0.0005) * FPS))
        assert number_of(shown[rows]) == expected
        score_window = pictures[k][frame.heading + frame.above :, frame.beside :]
        if before is not None:
            earlier = pictures[k - 1][frame.heading + frame.above :, frame.beside :]
            assert np.abs(score_window.astype(int) - earlier).max() > 100  # a light has come
        before = k
    # The harmony stands below over the whole width.
    below = pictures[0][frame.height - frame.panel - frame.bar : -frame.bar]
    assert (below.min(axis=(0, 2)) < 128).any()


def test_pictures_come_in_their_time_and_the_last_stays(film):
    shown = film_at(film, 2.0, SIZE[1], SIZE[0])
    assert [number_of(shown(t)) for t in (0.0, 0.039, 0.04, 1.0)] == [50, 50, 51, 75]
    with av.open(str(film)) as whole:
        last = sum(1 for _ in whole.decode(video=0)) - 1
    assert number_of(shown(1000.0)) == last
    narrow = film_at(film, 0.0, 2 * SIZE[1], 4 * SIZE[0])(0.5)
    assert narrow.shape == (4 * SIZE[0], 2 * SIZE[1], 3)
    assert narrow[: SIZE[0]].max() == 0
    assert narrow[SIZE[0] + 4 : 3 * SIZE[0] - 4].max() > 200


def test_a_film_without_a_picture_is_refused_in_a_sentence(tmp_path, film, capsys):
    only = tmp_path / "mine.m4a"
    with av.open(str(only), "w", format="ipod") as out, av.open(str(film)) as whole:
        there = out.add_stream_from_template(whole.streams.audio[0])
        for packet in whole.demux(whole.streams.audio[0]):
            if packet.dts is not None:
                packet.stream = there
                out.mux(packet)
    with pytest.raises(TakeError, match="no picture"):
        film_at(only, 0.0, 320, 180)
    out = str(tmp_path / "clip.mp4")
    asked = ["clip", str(opening(BARS)), "--bars", "4", "--own-picture", "--out", out]
    assert main(asked) == 2
    assert "name it with --take" in capsys.readouterr().err
    assert main([*asked, "--take", str(only)]) == 2
    assert "no picture" in capsys.readouterr().err


def test_a_picture_held_upright_is_turned_upright():
    from understave.media.film import _fitted

    class Turned:
        width, height, rotation = 4, 2, 90

        def reformat(self, width, height, format):
            assert Fraction(width, height) == 2
            raw = np.zeros((height, width, 3), np.uint8)
            raw[:, width // 2 :] = 255  # the right half, which is on top when turned counterclockwise
            self.to_ndarray = lambda: raw
            return self

    picture = _fitted(Turned(), 100, 200)
    assert picture.shape == (200, 100, 3)
    assert picture[:100].min() == 255
    assert picture[100:].max() == 0
