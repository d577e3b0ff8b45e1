"""A SoundFont of the user's own: a tiny one made here, and clear errors."""

import io
import struct
import sys
import wave
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from understave.acoustics import soundfont
from understave.acoustics.files import RATE
from understave.acoustics.midi_bytes import midi_bytes
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import EARLY, GRAND, SAMPLED, instruments, modelled
from understave.acoustics.sound import render
from understave.acoustics.soundfont import check_samples, held, licence_of, render_soundfont, soundfont_of
from understave.errors import MissingError, UnderstaveError

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
    monkeypatch.setattr(soundfont, "find_spec", lambda name: None)
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


def ends(pedal, keys=(36, 84, 96), piano=GRAND):
    """How long keys that are let go after a second go on sounding under a pedal, in seconds."""
    strikes = tuple(Strike(key, 0.0, 1.0, 70) for key in keys)
    played = Performance((*strikes, Strike(60, 8.0, 8.5, 70)), pedal)
    return [strike.end for strike in held(played, piano).strikes]


def silence():
    """A WAV file of a tenth of a second of nothing."""
    made = io.BytesIO()
    with wave.open(made, "wb") as file:
        file.setparams((2, 2, RATE, 0, "NONE", ""))
        file.writeframes(bytes(RATE // 10 * 4))
    return made.getvalue()


class TestHeld:
    """What the foot does to samples that know no pedal but up and down."""

    def test_fingers_alone_let_go_and_the_top_has_no_dampers(self):
        bass, treble, top, _ = ends(())
        assert bass == treble == 1.0
        assert top > 8.0

    def test_half_a_pedal_holds_the_bass_and_lets_the_treble_go(self):
        # Banowetz, "The Pianist's Guide to Pedaling", 1985, on half pedal (from memory)
        bass, treble, *_ = ends(((0.0, 0.5), (8.0, 0.5)))
        assert bass > 2.0
        assert treble < 1.3

    def test_a_whole_pedal_holds_until_it_comes_up(self):
        bass, treble, *_ = ends(((0.0, 1.0), (4.0, 1.0), (4.1, 0.0)))
        assert 4.0 < bass < 4.4
        assert 4.0 < treble < 4.2

    def test_a_shallow_change_clears_the_treble_only(self):
        shallow = ((0.0, 1.0), (4.0, 1.0), (4.05, 0.4), (4.2, 0.4), (4.25, 1.0), (7.0, 1.0), (7.1, 0.0))
        bass, treble, *_ = ends(shallow)
        assert bass > 6.9
        assert treble < 4.3

    def test_no_pedal_is_left_over_to_be_heard_twice(self):
        assert held(Performance((Strike(60, 0, 1, 70),), ((0.0, 1.0),)), GRAND).pedal == ()

    def test_the_dampers_are_those_of_the_instrument(self, monkeypatch, tmp_path):
        """An early piano damps its top, a grand does not (common practice, no source)."""
        assert ends((), (96,), EARLY)[0] == 1.0
        sent = []
        monkeypatch.setitem(
            sys.modules,
            "midirenderer",
            SimpleNamespace(render_wave_from=lambda data, midi: sent.append(midi) or silence()),
        )
        monkeypatch.setattr(soundfont, "find_spec", lambda name: name)
        (tmp_path / "tiny.sf2").write_bytes(tiny_soundfont())
        played = Performance((Strike(96, 0.0, 1.0, 70), Strike(60, 8.0, 8.5, 70)))
        for piano in (GRAND, EARLY):
            render(played, replace(piano, soundfont=str(tmp_path / "tiny.sf2")), RATE)
        assert sent == [midi_bytes(held(played, piano)) for piano in (GRAND, EARLY)]
        assert sent[0] != sent[1]


class TestSampledPiano:
    @pytest.fixture
    def nowhere(self, monkeypatch):
        monkeypatch.delenv(soundfont.OWN, raising=False)
        monkeypatch.setattr(soundfont, "FOLDERS", ())
        monkeypatch.setattr(soundfont, "find_spec", lambda name: name)

    def test_it_reckons_as_the_grand_does(self):
        """One plan drives both: nothing but the name and the samples differ."""
        same = {name: getattr(SAMPLED, name) for name in GRAND.__slots__ if name not in ("name", "soundfont")}
        assert same == {name: getattr(GRAND, name) for name in same}
        assert SAMPLED in instruments().values()
        assert SAMPLED not in modelled()

    def test_without_a_file_it_is_one_sentence(self, nowhere):
        with pytest.raises(MissingError, match="fluid-soundfont-gm") as found:
            check_samples(SAMPLED)
        assert "MIT" in str(found.value)
        assert str(found.value).count(". ") == 0
        with pytest.raises(MissingError, match="fluid-soundfont-gm"):
            render(PERFORMANCE, SAMPLED)
        check_samples(GRAND)

    def test_it_is_found_where_systems_keep_it_or_where_one_says(self, nowhere, monkeypatch, tmp_path):
        there = tmp_path / "FluidR3_GM.sf2"
        there.write_bytes(b"")
        monkeypatch.setattr(soundfont, "FOLDERS", (tmp_path / "none", tmp_path))
        assert soundfont_of(SAMPLED) == there
        assert "MIT" in licence_of(SAMPLED)
        own = tmp_path / "own.sf2"
        monkeypatch.setenv(soundfont.OWN, str(own))
        with pytest.raises(MissingError, match=r"own\.sf2 is not there"):
            soundfont_of(SAMPLED)
        own.write_bytes(b"")
        assert soundfont_of(SAMPLED) == own
        assert licence_of(SAMPLED) == ""  # whose an own file is, we cannot know
        assert licence_of(GRAND) == ""

    def test_what_is_rendered_is_the_file(self, monkeypatch, tmp_path):
        pytest.importorskip("midirenderer", reason="the extra for SoundFonts is not installed")
        (tmp_path / "tiny.sf2").write_bytes(tiny_soundfont())
        monkeypatch.setenv(soundfont.OWN, str(tmp_path / "tiny.sf2"))
        sound = render(PERFORMANCE, SAMPLED)[8_820:39_690, 0]
        assert np.argmax(np.abs(np.fft.rfft(sound))) * 44_100 / sound.size == pytest.approx(441, abs=2)
