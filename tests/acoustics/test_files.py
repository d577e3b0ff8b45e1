"""Sound files: every format read back by a general-purpose library, one gain for variants, clear errors."""

import io

import av
import numpy as np
import pytest
import soundfile

from understave.acoustics.files import FORMATS, audio_bytes, common_gain, read_audio, resample, write_audio
from understave.acoustics.tags import Tags
from understave.errors import UnderstaveError

RATE = 44_100


def tone(hertz=440.0, seconds=3.0, strength=0.5, rate=RATE):
    wave = strength * np.sin(2 * np.pi * hertz * np.arange(int(seconds * rate)) / rate)
    return np.stack([wave, 0.5 * wave], 1).astype(np.float32)


@pytest.mark.parametrize("suffix", FORMATS)
def test_each_format_keeps_the_tone(tmp_path, suffix):
    path = tmp_path / f"tone{suffix}"
    write_audio(path, tone(), RATE, gain=1.0)
    sound, rate = soundfile.read(path)
    assert sound.shape[0] / rate == pytest.approx(3.0, abs=0.06)
    middle = sound[rate : 2 * rate]
    peak = np.argmax(np.abs(np.fft.rfft(middle[:, 0])))
    assert peak * rate / middle.shape[0] == pytest.approx(440, abs=1)
    assert np.sqrt(np.mean(middle**2, axis=0)) == pytest.approx([0.3536, 0.1768], rel=0.03)


@pytest.mark.parametrize("suffix", [".opus", ".mp3"])
def test_long_sounds_are_written_whole(tmp_path, suffix):
    told = []
    write_audio(tmp_path / f"long{suffix}", tone(seconds=40), RATE, progress=told.append)
    sound, rate = read_audio(tmp_path / f"long{suffix}")
    assert sound.shape[0] / rate == pytest.approx(40.0, abs=0.1)
    assert told[-1] == 1.0
    assert told == sorted(told)


def test_one_gain_keeps_variants_comparable(tmp_path):
    loud, soft = tone(strength=0.8), tone(strength=0.2)
    gain = common_gain([loud, soft])
    for name, sound in (("loud", loud), ("soft", soft)):
        write_audio(tmp_path / f"{name}.wav", sound, RATE, gain=gain)
    peaks = [np.max(np.abs(read_audio(tmp_path / f"{n}.wav")[0])) for n in ("loud", "soft")]
    assert peaks == pytest.approx([0.891, 0.223], abs=0.002)


def test_soft_sounds_are_raised_by_twelve_decibels_at_most_and_silence_not_at_all():
    assert common_gain([tone(strength=0.001)]) == pytest.approx(3.98, abs=0.01)
    assert common_gain([np.zeros((10, 2), np.float32)]) == 1.0


@pytest.mark.parametrize(("rate", "wanted"), [(44_100, 48_000), (48_000, 44_100), (22_050, 48_000)])
@pytest.mark.parametrize("hertz", [100.0, 1000.0, 9000.0])
def test_resampling_keeps_tones_to_a_ten_thousandth(rate, wanted, hertz):
    given = tone(hertz, 0.5, 1.0, rate)
    found = resample(given, rate, wanted)[:, 0]
    expected = np.sin(2 * np.pi * hertz * np.arange(found.size) / wanted)
    assert np.max(np.abs(found - expected)[200:-200]) < 1e-4


def test_sound_that_has_the_rate_already_stays_as_it_is():
    given = tone(1000.0, 0.5, 0.1, RATE)
    assert resample(given, RATE, RATE) is given


def test_unknown_ending_is_one_sentence(tmp_path):
    with pytest.raises(UnderstaveError, match=r"lesson\.xyz has no ending .* \.wav, \.flac, \.mp3 or \.opus"):
        write_audio(tmp_path / "lesson.xyz", tone(), RATE)
    assert not list(tmp_path.iterdir())


def test_a_path_that_cannot_be_written_is_one_sentence(tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(UnderstaveError, match="could not be written"):
        write_audio(tmp_path / "file" / "sound.wav", tone(), RATE)


NAMES = Tags("Die Schleusenwärterin ♭, bars 4–7", "Änne Łukaszewicz", "Die Schleusenwärterin ♭")


def _shown(path):
    """What a media library finds in a file, whether it belongs to the file or (Ogg) to its stream."""
    with av.open(str(path)) as file:
        found = {**file.metadata, **file.streams[0].metadata}
    return {name.lower(): text for name, text in found.items()}


@pytest.mark.parametrize("suffix", FORMATS)
def test_players_read_title_composer_and_piece(tmp_path, suffix):
    """Read back by FFmpeg's demuxers: INFO, Vorbis comments (RFC 9639, RFC 7845) and ID3v2.3."""
    write_audio(tmp_path / f"named{suffix}", tone(), RATE, gain=1.0, tags=NAMES)
    found = _shown(tmp_path / f"named{suffix}")
    assert [found["title"], found["artist"], found["album"]] == [NAMES.title, NAMES.composer, NAMES.album]
    sound, rate = soundfile.read(tmp_path / f"named{suffix}")
    assert sound.shape[0] / rate == pytest.approx(3.0, abs=0.06)


@pytest.mark.parametrize("suffix", FORMATS)
def test_what_has_no_name_gets_no_tag(tmp_path, suffix):
    write_audio(tmp_path / f"plain{suffix}", tone(), RATE, gain=1.0)
    assert not {"title", "artist", "album"} & _shown(tmp_path / f"plain{suffix}").keys()


def test_an_mp3_tells_its_composer_and_its_tag_is_as_long_as_it_says():
    """ID3v2.3.0, 3.1: ten bytes of header, then as many as its four bytes of seven bits say, then sound."""
    data = audio_bytes(".mp3", tone(), RATE, steady=True, tags=NAMES)
    assert data[:6] == b"ID3\x03\x00\x00"
    size = sum(byte << shift for byte, shift in zip(data[6:10], (21, 14, 7, 0), strict=True))
    assert data[10 + size : 12 + size] == b"\xff\xfb"
    with av.open(io.BytesIO(data)) as file:
        assert file.metadata["composer"] == NAMES.composer


def test_a_long_title_stands_whole_in_an_mp3():
    long = "On the river " * 40
    with av.open(io.BytesIO(audio_bytes(".mp3", tone(), RATE, tags=Tags(long)))) as file:
        assert file.metadata["title"] == long


def test_steady_sound_in_mono_is_small_and_begins_where_it_began():
    """Bit rate and rate of ISO/IEC 11172-3; read back by PyAV, as browsers do."""
    click = np.zeros(RATE * 2, np.float32)
    click[RATE // 2] = 1.0
    data = audio_bytes(".mp3", click, RATE, gain=0.5, steady=True)
    assert len(data) * 8 / 2 == pytest.approx(48_000, rel=0.1)
    with av.open(io.BytesIO(data)) as file:
        stream = file.streams.audio[0]
        assert (stream.rate, stream.channels) == (32_000, 1)
        heard = np.concatenate([frame.to_ndarray()[0] for frame in file.decode(stream)])
    assert np.argmax(np.abs(heard)) / 32_000 == pytest.approx(0.5, abs=0.001)
