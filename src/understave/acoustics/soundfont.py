"""The sound of a performance on a SoundFont, sampled instead of modelled.

Optional: needs the extra `soundfont` of this package and an .sf2 file. The sampled piano among our
instruments is the first instrument of `FluidR3_GM.sf2` (Frank Wen and contributors, MIT licence; Debian's
package fluid-soundfont-gm), which is no part of this package; ``UNDERSTAVE_SOUNDFONT`` can name a file of
one's own.

What plays SoundFonts takes a pedal for up or down. So that half of it, a flutter or a late change is heard,
the dampers of the model say how long each key sounds (`held`), and no pedal is sent.
"""

from __future__ import annotations

import io
import os
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from understave.acoustics.files import RATE, Samples, read_audio, resample
from understave.acoustics.midi_bytes import midi_bytes
from understave.acoustics.performance import Performance
from understave.acoustics.piano import GRAND, Instrument, damper_rate
from understave.acoustics.ringing import LANDING, contact_integral
from understave.errors import MissingError, UnderstaveError

OWN = "UNDERSTAVE_SOUNDFONT"
"""The environment variable that names an .sf2 file to take for the sampled piano."""
FOLDERS = (Path("/usr/share/sounds/sf2"), Path("/usr/share/soundfonts"), Path("/usr/local/share/soundfonts"))
"""Where systems keep SoundFonts: Debian's packages in the first, others in the second."""
LICENCES = {"FluidR3_GM.sf2": "Fluid R3, Frank Wen, MIT"}
"""Who made a file of that name, and under which licence it may be used."""
GONE_DB = 6.0
"""After how many dB of damping the sample's own end takes over; set by ear."""
LEVEL_DB = 9.5
"""What brings FluidR3 to the loudness of the modelled grand: the mean over C2, C4 and C6 at velocity 70,
K-weighted over 150 ms (`benchmarks.sound --soundfont` prints it)."""
_STEP = 0.01
_TAIL = 2.0
"""Seconds that are heard after the last note; set by ear."""


def soundfont_of(instrument: Instrument) -> Path:
    """Return the file whose samples an instrument plays on; raise MissingError in one sentence if it is not
    there.
    """
    own = os.environ.get(OWN)
    named = Path(own) if own and not Path(instrument.soundfont).is_absolute() else Path(instrument.soundfont)
    found = named if named.is_absolute() or own else _looked_for(instrument.soundfont)
    if found is None or not found.is_file():
        where = f"{found} is not there" if found is not None else f"{instrument.soundfont} is not installed"
        raise MissingError(
            f"The {instrument.name} needs a SoundFont, and {where}; install Debian's package "
            f"fluid-soundfont-gm (MIT licence), or name an .sf2 file in {OWN}."
        )
    return found


def _looked_for(name: str) -> Path | None:
    return next((folder / name for folder in FOLDERS if (folder / name).is_file()), None)


def licence_of(instrument: Instrument) -> str:
    """Return in brackets whose samples an instrument plays on and their licence; "" where that is unknown."""
    known = LICENCES.get(instrument.soundfont) if not os.environ.get(OWN) else None
    return f"({known})" if known else ""


def check_samples(instrument: Instrument) -> None:
    """Raise UnderstaveError where an instrument needs samples, or the extra, that are not there."""
    if instrument.soundfont:
        _check_extra()
        soundfont_of(instrument)


def _check_extra() -> None:
    if find_spec("midirenderer") is None:
        raise MissingError(
            "Playing on a SoundFont needs one more package; install it with: "
            "pip install 'understave[soundfont]'"
        )


def check_soundfont(path: Path) -> bytes:
    """Return the bytes of an .sf2 file; raise UnderstaveError without the extra, or if it is none."""
    _check_extra()
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UnderstaveError(
            f"The SoundFont {path} could not be read ({error.strerror}); check its name."
        ) from error
    if data[:4] != b"RIFF" or data[8:12] != b"sfbk":
        raise UnderstaveError(f"{path} is no SoundFont 2 file (.sf2); choose another file.")
    return data


def held(performance: Performance, instrument: Instrument) -> Performance:
    """Return a performance without pedal whose keys stay down until its dampers have stopped their strings.

    A damper that lies half on a light treble string soon has it stopped, one on a heavy bass string hardly:
    what a half pedal is for.
    """
    end = performance.length + _TAIL
    grid = np.arange(0.0, end + _STEP, _STEP)
    keys = {strike.midi for strike in performance.strikes}
    lying = {key: contact_integral(performance.pedal, key)(grid) for key in keys if performance.pedal}
    strikes = []
    for strike in performance.strikes:
        rate = damper_rate(strike.midi, instrument)
        until = strike.end
        if not rate:
            until = end
        elif performance.pedal:
            contact = lying[strike.midi]
            begun = np.interp(strike.end + LANDING, grid, contact)
            index = int(np.searchsorted(contact, begun + GONE_DB / rate))
            until = max(strike.end, float(grid[min(index, grid.size - 1)]))
        strikes.append(replace(strike, end=until))
    return replace(performance, strikes=tuple(strikes), pedal=())


def render_soundfont(
    performance: Performance, soundfont: Path | str, rate: int = RATE, instrument: Instrument = GRAND
) -> Samples:
    """Stereo audio (frames, 2) of the performance on the first instrument of an .sf2 file.

    How long a string sounds under a pedal is told by the dampers of `instrument`.

    Raises UnderstaveError if the extra is not installed, or the file cannot be used.
    """
    path = Path(soundfont)
    data = check_soundfont(path)
    import midirenderer

    try:
        wave = midirenderer.render_wave_from(data, midi_bytes(held(performance, instrument)))
    except (ValueError, RuntimeError, OSError) as error:
        raise UnderstaveError(
            f"The SoundFont {path} could not be played ({error}); choose another file."
        ) from error
    sound, own_rate = read_audio(io.BytesIO(bytes(wave)))
    sound = sound * np.float32(10 ** (LEVEL_DB / 20))
    return resample(sound, own_rate, rate)
