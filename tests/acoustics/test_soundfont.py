"""A SoundFont of the user's own: a tiny one made here, and clear errors."""

import builtins
import struct

import numpy as np
import pytest

from understave.acoustics.performance import Performance, Strike
from understave.acoustics.soundfont import render_soundfont
from understave.errors import UnderstaveError

PERFORMANCE = Performance((Strike(69, 0.0, 1.0, 100),))


def chunk(name, data):
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def tiny_soundfont():
    """One preset, one instrument, one looped sine of 441 Hz recorded as A4 (SoundFont 2.01 specification)."""
    rate, period, count = 44_100, 100, 200
    wave = (20_000 * np.sin(2 * np.pi * np.arange(count * period) / period)).astype("<i2")
    text = [
        chunk(b"ifil", struct.pack("<HH", 2, 1)),
        chunk(b"isng", b"EMU8000\0"),
        chunk(b"INAM", b"Tiny\0\0"),
    ]
    name = lambda s: s.encode().ljust(20, b"\0")  # noqa: E731
    presets = struct.pack("<20sHHHIII", name("Tiny"), 0, 0, 0, 0, 0, 0)
    presets += struct.pack("<20sHHHIII", name("EOP"), 0, 0, 1, 0, 0, 0)
    instruments = struct.pack("<20sH", name("Tiny"), 0) + struct.pack("<20sH", name("EOI"), 1)
    sample = struct.pack(
        "<20sIIIIIBbHH", name("Sine"), 0, wave.size, 0, wave.size - period, rate, 69, 0, 0, 1
    )
    sample += struct.pack("<20sIIIIIBbHH", name("EOS"), 0, 0, 0, 0, 0, 0, 0, 0, 0)
    tables = {
        b"phdr": presets,
        b"pbag": struct.pack("<HHHH", 0, 0, 1, 0),
        b"pmod": b"\0" * 10,
        b"pgen": struct.pack("<HHHH", 41, 0, 0, 0),
        b"inst": instruments,
        b"ibag": struct.pack("<HHHH", 0, 0, 2, 0),
        b"imod": b"\0" * 10,
        b"igen": struct.pack("<HHHHHH", 54, 1, 53, 0, 0, 0),
        b"shdr": sample,
    }
    body = b"sfbk" + chunk(b"LIST", b"INFO" + b"".join(text))
    body += chunk(b"LIST", b"sdta" + chunk(b"smpl", wave.tobytes() + b"\0" * 92))
    body += chunk(b"LIST", b"pdta" + b"".join(chunk(k, v) for k, v in tables.items()))
    return chunk(b"RIFF", body)


def test_a_key_sounds_at_its_pitch(tmp_path):
    pytest.importorskip("midirenderer", reason="the extra for SoundFonts is not installed")
    (tmp_path / "tiny.sf2").write_bytes(tiny_soundfont())
    sound = render_soundfont(PERFORMANCE, tmp_path / "tiny.sf2")
    middle = sound[8_820:39_690, 0]
    hertz = np.argmax(np.abs(np.fft.rfft(middle))) * 44_100 / middle.size
    assert hertz == pytest.approx(441, abs=2)
    assert sound.shape[1] == 2


def test_missing_extra_is_one_sentence(monkeypatch, tmp_path):
    usual = builtins.__import__

    def without(name, *rest):
        if name == "midirenderer":
            raise ImportError(name)
        return usual(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UnderstaveError, match=r"pip install 'understave\[soundfont\]'"):
        render_soundfont(PERFORMANCE, tmp_path / "any.sf2")


@pytest.mark.parametrize(
    ("content", "sentence"), [(None, "could not be read"), (b"RIFF....WAVE", "no SoundFont 2")]
)
def test_files_that_cannot_be_used_are_one_sentence(tmp_path, content, sentence):
    pytest.importorskip("midirenderer", reason="the extra for SoundFonts is not installed")
    path = tmp_path / "own.sf2"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(UnderstaveError, match=sentence):
        render_soundfont(PERFORMANCE, path)


def test_a_damaged_soundfont_is_one_sentence(tmp_path):
    pytest.importorskip("midirenderer", reason="the extra for SoundFonts is not installed")
    (tmp_path / "cut.sf2").write_bytes(tiny_soundfont()[:400])
    with pytest.raises(UnderstaveError, match="could not be played"):
        render_soundfont(PERFORMANCE, tmp_path / "cut.sf2")
