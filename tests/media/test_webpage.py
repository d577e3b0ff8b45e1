"""The sounds of a lesson page: as long as can be heard, no longer."""

import numpy as np
import pytest
from tests.once import EXAMPLES, make_plan, opening, read, read_score

from understave.acoustics.files import RATE, STEADY_RATE, read_audio
from understave.acoustics.piano import GRAND
from understave.acoustics.sound import render
from understave.interpretation.perform import perform
from understave.media import webpage
from understave.media.webpage import piece_sound
from understave.score.passage import passage
from understave.teaching.contrasts import OF_SOUND
from understave.teaching.sound_contrasts import all_contrasts


def test_the_sound_of_a_page_ends_when_nothing_can_be_heard_any_more(tmp_path):
    score = passage(read_score(EXAMPLES / "lock-water" / "score.musicxml"), 0, 2)
    plan = make_plan(score, read(score))
    sound = piece_sound(score, plan)
    whole = render(perform(score, plan), GRAND, RATE).mean(axis=1)
    (tmp_path / "sound.mp3").write_bytes(sound.data)
    found, rate = read_audio(tmp_path / "sound.mp3")
    assert found.shape[0] / rate == pytest.approx(sound.length, abs=0.05)
    last = max(end for _, _, end in sound.notes)
    assert last <= sound.length < len(whole) / RATE - 1
    # What was left out lies 60 dB under the loudest moment: the threshold of a reverberation time (ISO 3382).
    assert np.max(np.abs(whole[round(sound.length * RATE) :])) < np.max(np.abs(whole)) / 1000
    assert np.max(np.abs(found[-round(0.01 * rate) :])) < np.max(np.abs(found)) / 3000


def test_what_two_contrasts_are_heard_against_is_rendered_once(monkeypatch):
    score = read_score(opening(6))
    reading = read(score)
    by_bars = {}
    for one in all_contrasts(score, reading, 3, GRAND):
        if one.label in OF_SOUND:
            by_bars.setdefault((one.first, one.last), []).append(one)
    one, other = next(pair for pair in by_bars.values() if len(pair) > 1)[:2]
    rendered = []

    def silence(performance, instrument):
        rendered.append((performance, instrument))
        return np.zeros(STEADY_RATE, np.float32)

    monkeypatch.setattr(webpage, "small_sound", silence)
    webpage._side.cache_clear()
    for each in (one, other):
        webpage.contrast_sides(score, each, webpage.PageOptions())
    webpage._side.cache_clear()
    assert len(rendered) == len(set(rendered)) == 3
