"""The sound of a performance on a SoundFont of the user's own, instead of the modelled piano.

Optional: needs the extra `soundfont` of this package.
"""

from __future__ import annotations

import io
from importlib.util import find_spec
from pathlib import Path

from understave.acoustics.files import RATE, Samples, read_audio, resample
from understave.acoustics.midi_bytes import midi_bytes
from understave.acoustics.performance import Performance
from understave.errors import MissingError, UnderstaveError


def check_soundfont(path: Path) -> bytes:
    """Return the bytes of an .sf2 file; raise UnderstaveError without the extra, or if it is none."""
    if find_spec("midirenderer") is None:
        raise MissingError(
            "Playing on a SoundFont needs one more package; install it with: "
            "pip install 'understave[soundfont]'"
        )
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UnderstaveError(
            f"The SoundFont {path} could not be read ({error.strerror}); check its name."
        ) from error
    if data[:4] != b"RIFF" or data[8:12] != b"sfbk":
        raise UnderstaveError(f"{path} is no SoundFont 2 file (.sf2); choose another file.")
    return data


def render_soundfont(performance: Performance, soundfont: Path | str, rate: int = RATE) -> Samples:
    """Stereo audio (frames, 2) of the performance on the first instrument of an .sf2 file.

    Raises UnderstaveError if the extra is not installed, or the file cannot be used.
    """
    path = Path(soundfont)
    data = check_soundfont(path)
    import midirenderer

    try:
        wave = midirenderer.render_wave_from(data, midi_bytes(performance))
    except (ValueError, RuntimeError, OSError) as error:
        raise UnderstaveError(
            f"The SoundFont {path} could not be played ({error}); choose another file."
        ) from error
    sound, own_rate = read_audio(io.BytesIO(bytes(wave)))
    return sound if own_rate == rate else resample(sound, own_rate, rate)
