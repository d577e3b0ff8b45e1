"""The sounds of a lesson's files and page, kept small: a performance in, samples in mono and MP3 out."""

from __future__ import annotations

from understave.acoustics.files import STEADY_RATE, Samples, audio_bytes
from understave.acoustics.performance import Performance
from understave.acoustics.piano import Instrument
from understave.acoustics.sound import render
from understave.acoustics.tags import Tags


def small_sound(performance: Performance, instrument: Instrument) -> Samples:
    """Return a performance in mono, (frames,) at `STEADY_RATE`."""
    return render(performance, instrument, STEADY_RATE, mono=True)


def small_mp3(sound: Samples, tags: Tags, gain: float | None = None) -> bytes:
    """Return a sound at `STEADY_RATE` as MP3, which every browser plays, at one bit rate, so that a click
    lands on its note; for `gain` see `acoustics.files.write_audio`.
    """
    return audio_bytes(".mp3", sound, STEADY_RATE, gain=gain, steady=True, tags=tags)
