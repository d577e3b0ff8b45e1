"""The teacher's voice: brought to one loudness (ITU-R BS.1770-4), cut at silences, captioned; or refused."""

from __future__ import annotations

import io
from itertools import pairwise

import numpy as np
import pytest
import soundfile

from understave.acoustics.files import RATE
from understave.acoustics.loudness import loudness
from understave.errors import LessonError
from understave.lesson import voices
from understave.media.teacher_voice import LOUDNESS, captions, pauses, tight, voice_over
from understave.teaching.speech import speaking_seconds


def words(*parts, level=0.1, rate=RATE):
    """Bursts of noise for words: (seconds, whether it sounds) one after the other."""
    noise = np.random.default_rng(1)
    return np.concatenate([level * on * noise.standard_normal(int(s * rate)) for s, on in parts]).astype(
        np.float32
    )


def recorded(sound, rate=RATE, form="WAV"):
    file = io.BytesIO()
    soundfile.write(file, sound, rate, format=form)
    return file.getvalue()


SAID = words((1.5, 0), (1.0, 1), (3.0, 0), (1.0, 1), (0.4, 0), (1.0, 1), (2.0, 0))


@pytest.mark.parametrize("level", [0.003, 0.05])
def test_a_voice_is_brought_to_one_loudness(level):
    made = voice_over(recorded(level * SAID / 0.1), "a.wav")
    sound, rate = soundfile.read(io.BytesIO(made.data))
    assert loudness(sound, rate) == pytest.approx(LOUDNESS, abs=1.0)
    assert np.max(np.abs(sound)) <= 1.0


def test_silences_are_cut_and_short_ones_stay():
    sound = tight(SAID)
    # Three seconds of words, 0.15 s at either end, 0.7 s for the long silence, 0.4 s for the short one.
    assert len(sound) / RATE == pytest.approx(3.0 + 2 * 0.15 + 0.7 + 0.4, abs=0.15)
    assert np.sum(sound**2) == pytest.approx(np.sum(SAID**2), rel=0.05)
    assert voice_over(recorded(SAID, form="FLAC"), "a.flac").length == pytest.approx(
        len(sound) / RATE, abs=0.1
    )


def test_another_rate_and_two_channels_are_read():
    both = np.stack([words((1.0, 1), rate=48_000)] * 2, axis=1)
    assert voice_over(recorded(both, 48_000), "a.wav").length == pytest.approx(1.0, abs=0.1)


def test_captions_share_the_time_by_the_words_that_are_heard():
    """A numeral is spoken sign by sign: "five six five of five" is more than its letters."""
    found = captions(("One two. Four!", "⟨V65/V⟩ it is?"), 10.0)
    assert [text for text, _, _ in found] == ["One two.", "Four!", "V65/V it is?"]
    assert (found[0][1], found[-1][2]) == (0.0, 10.0)
    assert all(a[2] == b[1] for a, b in pairwise(found))
    lengths = [b - a for _, a, b in found]
    spoken = [speaking_seconds(text) for text in ("One two.", "Four!", "⟨V65/V⟩ it is?")]
    assert lengths == pytest.approx([10 * s / sum(spoken) for s in spoken], abs=0.02)
    assert lengths[2] > 2 * lengths[0]
    assert captions((), 3.0) == ()


def test_a_sentence_ends_where_the_voice_pauses():
    """Two sentences of two words each; the teacher dwells on the first: 3 s, then .5 s of silence."""
    sound = tight(words((3.0, 1), (0.5, 0), (1.0, 1)))
    assert pauses(sound) == (pytest.approx(3.25, abs=0.05),)
    assert pauses(words((1.0, 1), (0.1, 0), (1.0, 1))) == ()
    made = voice_over(recorded(sound), "a.wav", ("One two. Three four.",))
    assert made.captions[0][2] == made.captions[1][1] == pytest.approx(3.25, abs=0.1)
    # A silence far from where the words let it be is within a sentence.
    assert captions(("One two. Three four.",), 4.0, (0.4,))[0][2] == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize(
    ("data", "says"),
    [(b"no sound", "is no sound"), (recorded(np.zeros(RATE)), "Nothing is heard"), (b"", "is no sound")],
)
def test_what_holds_no_voice_is_refused_in_a_sentence(data, says):
    with pytest.raises(LessonError, match=says):
        voice_over(data, "a.wav")


def test_recordings_are_kept_for_a_stop_replaced_and_taken_away(tmp_path):
    (tmp_path / "voice").mkdir()
    (tmp_path / "voice" / "b1-key.mp3").write_bytes(b"put there by hand")
    assert voices.voices(tmp_path, ["b1-key", "b2-half"]) == (("b1-key", b"put there by hand"),)
    voices.keep(tmp_path, "b1-key", recorded(SAID))
    assert [p.name for p in (tmp_path / "voice").iterdir()] == ["b1-key.flac"]
    with pytest.raises(LessonError, match="Nothing is heard"):
        voices.keep(tmp_path, "b1-key", recorded(np.zeros(RATE)))
    assert voices.voice_of(tmp_path, "b1-key").name == "b1-key.flac"  # what was there stays
    for wrong in ("../b1-key", "B1", ""):
        assert voices.voice_of(tmp_path, wrong) is None
        with pytest.raises(LessonError, match="no stop"):
            voices.keep(tmp_path, wrong, recorded(SAID))
    voices.remove(tmp_path, "b1-key")
    assert voices.voices(tmp_path, ["b1-key"]) == ()
