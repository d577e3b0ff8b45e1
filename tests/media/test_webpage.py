"""The sounds of a lesson page: as long as can be heard, no longer."""

import numpy as np
import pytest
from tests.once import EXAMPLES, make_plan, read, read_score

from understave.acoustics.files import RATE, read_audio
from understave.acoustics.piano import GRAND
from understave.acoustics.sound import render
from understave.interpretation.perform import perform
from understave.media.webpage import piece_sound
from understave.score.passage import passage


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
