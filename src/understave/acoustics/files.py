"""Sound files: audio in, WAV, FLAC, MP3 or Opus on the disk out, chosen by the suffix of the path."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from functools import lru_cache
from math import gcd
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from understave.acoustics.tags import UNTAGGED, Tags, id3
from understave.disk import write_atomically
from understave.errors import UnderstaveError

Samples = NDArray[np.float32]

RATE = 44_100
"""Samples a second of all sound that we make, unless another rate is asked for: the CD's (IEC 60908)."""
FORMATS = {
    ".wav": ("WAV", "PCM_16"),
    ".flac": ("FLAC", "PCM_16"),
    ".mp3": ("MP3", "MPEG_LAYER_III"),
    ".opus": ("OGG", "OPUS"),
}
PEAK_DB = -1.0
"""Where the loudest moment of a file lies, dB below full scale; as EBU R 128 has it, for what coding adds."""
MOST_GAIN_DB = 12.0
"""Soft playing is raised by no more than this, so that it stays softer than loud playing; set by ear."""
OPUS_RATE = 48_000
"""Samples a second at which Opus works (RFC 6716)."""
_TAPS = 64
_PHASES = 256
"""Phases of a resampling that are made in one product; more take more memory and no less time (by trying)."""
STEADY_RATE = 32_000
"""Samples a second of steady MP3 in mono, the least at which it is MPEG-1 (ISO/IEC 11172-3), whose frames at
48 kbit/s can still say where the sound begins. Of our piano 82 dB less than all lies above 10 kHz."""
_MONO_LEVEL = 0.94
"""Compression level, on the scale of libsndfile, that gives 48 kbit/s with one channel; found by trying."""
_BLOCK = 16_384  # libsndfile overflows its stack when long arrays go to Vorbis or Opus at once


def common_gain(sounds: Iterable[Samples]) -> float:
    """One gain for several sounds that will be compared: the loudest of them just below full scale."""
    peak = max((float(np.max(np.abs(s), initial=0.0)) for s in sounds), default=0.0)
    if peak <= 0:
        return 1.0
    return float(min(10 ** (PEAK_DB / 20) / peak, 10 ** (MOST_GAIN_DB / 20)))


def write_audio(
    path: Path | str,
    sound: Samples,
    rate: int = RATE,
    *,
    gain: float | None = None,
    tags: Tags = UNTAGGED,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write audio (frames,) or (frames, channels) in the format of the path's suffix.

    `gain` is a factor from `common_gain`; None finds it for this sound alone. Opus is resampled to 48 kHz,
    the rate it is defined at. `tags` are what players show of it. `progress` is called with the share done.
    The file appears whole or not at all. Raises UnderstaveError for another suffix, or if the disk refuses.
    """
    target = Path(path)
    known_suffix(target)
    write_atomically(target, audio_bytes(target.suffix, sound, rate, gain=gain, tags=tags, progress=progress))


def audio_bytes(  # noqa: PLR0913
    suffix: str,
    sound: Samples,
    rate: int = RATE,
    *,
    gain: float | None = None,
    steady: bool = False,
    tags: Tags = UNTAGGED,
    progress: Callable[[float], None] | None = None,
) -> bytes:
    """Return the bytes of a sound file of the format of a suffix (``.mp3``); for the rest see `write_audio`.

    `steady` asks MP3 for one bit rate throughout (96 kbit/s in stereo; in mono 48, at `STEADY_RATE`), so that
    players which reckon places in the file by its length land where they should.
    """
    import soundfile

    container, subtype = _format(Path(f"sound{suffix}"))
    if container == "OGG":
        sound, rate = resample(sound, rate, OPUS_RATE), OPUS_RATE
    level = common_gain([sound]) if gain is None else gain
    channels = 1 if sound.ndim == 1 else sound.shape[1]
    even: dict[str, Any] = {}
    if steady and container == "MP3":
        even = {"bitrate_mode": "CONSTANT", "compression_level": 0.75 if channels > 1 else _MONO_LEVEL}
        if channels == 1:
            sound, rate = resample(sound, rate, STEADY_RATE), STEADY_RATE
    memory = io.BytesIO()
    with soundfile.SoundFile(
        memory, "w", samplerate=rate, channels=channels, format=container, subtype=subtype, **even
    ) as file:
        if container != "MP3":
            _tag(file, tags)
        for first in range(0, sound.shape[0], _BLOCK):
            file.write(np.clip(sound[first : first + _BLOCK] * np.float32(level), -1, 1))
            if progress:
                progress(min(1.0, (first + _BLOCK) / sound.shape[0]))
    return (id3(tags) if container == "MP3" else b"") + memory.getvalue()


def _tag(file: Any, tags: Tags) -> None:
    """Write tags into a sound file that soundfile is about to fill."""
    for name, text in (("title", tags.title), ("artist", tags.composer), ("album", tags.album)):
        if text:
            setattr(file, name, text)


def known_suffix(path: Path | str) -> None:
    """Raise UnderstaveError unless `write_audio` knows the suffix; before rendering takes its time."""
    _format(Path(path))


def read_audio(source: Path | str | BinaryIO) -> tuple[Samples, int]:
    """Audio (frames, channels) of a file or a stream, and its rate."""
    import soundfile

    name = source if hasattr(source, "read") else str(source)
    sound, rate = soundfile.read(name, dtype="float32", always_2d=True)
    return np.asarray(sound, dtype=np.float32), int(rate)


def one_channel(sound: Samples, rate: int) -> Samples:
    """Return sound, (frames,) or (frames, channels), as one channel at `RATE`."""
    mono = sound.mean(axis=1, dtype=np.float32) if sound.ndim > 1 else sound
    return np.asarray(resample(mono, rate, RATE), np.float32)


def resample(sound: Samples, rate: int, wanted: int) -> Samples:
    """The same audio at another rate, by a windowed sinc (Kaiser, some 90 dB) of 64 taps for each phase.

    At its own rate it is returned as it is.
    """
    if rate == wanted:
        return sound
    common = gcd(rate, wanted)
    up, down = wanted // common, rate // common
    audio = sound[:, None] if sound.ndim == 1 else sound
    frames = -(-audio.shape[0] * up // down)
    groups = -(-frames // up)
    padded = np.pad(audio, ((_TAPS // 2, groups * down - audio.shape[0] + _TAPS + down), (0, 0)))
    result = np.zeros((groups, up, audio.shape[1]), np.float32)
    for first in range(0, up, _PHASES):
        kernels, skipped = _kernels(first, min(first + _PHASES, up), up, down)
        for channel in range(audio.shape[1]):
            heard = np.ascontiguousarray(padded[1 + skipped :, channel])
            windows = np.lib.stride_tricks.sliding_window_view(heard, kernels.shape[0])[::down][:groups]
            result[:, first : first + _PHASES, channel] = windows @ kernels
    flat = result.reshape(groups * up, audio.shape[1])[:frames]
    return np.asarray(flat[:, 0] if sound.ndim == 1 else flat)


@lru_cache(maxsize=8)
def _kernels(first: int, stop: int, up: int, down: int) -> tuple[Samples, int]:
    """Return the taps of the phases from `first` to before `stop` as columns over the frames that any of them
    hears, and how many frames of a group lie before these.
    """
    phases = range(first, stop)
    wholes = [phase * down // up for phase in phases]
    taps = np.arange(1 - _TAPS // 2, _TAPS // 2 + 1)
    cutoff = min(1.0, up / down) * 0.94
    kernels = np.zeros((wholes[-1] - wholes[0] + _TAPS, len(phases)), np.float32)
    for column, (phase, whole) in enumerate(zip(phases, wholes, strict=True)):
        distance = taps - phase * down % up / up
        window = np.i0(9.0 * np.sqrt(np.maximum(0, 1 - (distance / (_TAPS / 2 + 0.5)) ** 2))) / np.i0(9.0)
        start = whole - wholes[0]
        kernels[start : start + _TAPS, column] = cutoff * np.sinc(cutoff * distance) * window
    return kernels, wholes[0]


def _format(path: Path) -> tuple[str, str]:
    if path.suffix.lower() not in FORMATS:
        raise UnderstaveError(
            f"{path.name} has no ending that tells a sound format; "
            f"let the name end in {', '.join(list(FORMATS)[:-1])} or {list(FORMATS)[-1]}."
        )
    return FORMATS[path.suffix.lower()]
