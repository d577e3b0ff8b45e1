"""A file that somebody played into -> a `Recording`: a Standard MIDI File with its continuous pedal, recorded
sound, or the sound of a film (M4A, MP4 and MOV through PyAV, the extra `film`).
"""

from __future__ import annotations

import hashlib
import io
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Literal

import mido
import numpy as np

from understave.acoustics.files import RATE, Samples, one_channel, read_audio
from understave.acoustics.loudness import FAINT, loudness
from understave.acoustics.midi_bytes import SOFT, SUSTAIN
from understave.acoustics.performance import Performance, Strike
from understave.errors import MissingError, TakeError, UnderstaveError
from understave.score.readers.midi import DRUMS, parsed
from understave.takes.take import Kind, Recording

HELD = 0.03
"""Seconds without a message after which the pedal is taken to have stayed where it was (common practice)."""
LARGEST = 20_000_000
"""Bytes of a MIDI file at most: an hour of playing has less than one million."""
LONGEST = 6 * 3600.0
"""Seconds of a MIDI recording at most."""
HEADER, SHORT, ENDLESS = 1_000_000, 0.01, 0xFFFFFF00
"""Bytes of a WAV file within which its header lies, share that may lack, and length that says nothing, as
recorders write that did not come to the end."""
FIRST_FRAME, WITH_BYTES = 42, (b"\x03", b"\x07", b"\x0b", b"\x0f")
"""Bytes of an MP3's first frame in which its mark lies (header, sum, side information, name), and flags of
one that counts frames and bytes."""
SOUND, FILM = (".wav", ".flac", ".mp3", ".ogg", ".opus"), (".m4a", ".mp4", ".mov")
SUFFIXES = (".mid", ".midi", *SOUND, *FILM)
"""Endings of the files that a take can be made from."""
LARGEST_SOUND, LONGEST_SOUND = 2_000_000_000, 20 * 60.0
"""Bytes of a sound or film at most, and seconds: what can be followed in the memory of a small machine."""


def read_take(path: Path) -> Recording:
    """Read what was played from a MIDI file, a sound file or a film.

    Raises UnderstaveError with one sentence where the file is missing, damaged, silent or none of these.
    """
    return replace(recording_of(bytes_of(path), path.name), file=path)


def bytes_of(path: Path) -> bytes:
    """Return the bytes of a recording; raises UnderstaveError with one sentence if they cannot be read."""
    try:
        heard = path.suffix.lower() in (*SOUND, *FILM)
        if path.stat().st_size > (LARGEST_SOUND if heard else LARGEST):
            raise TakeError(f"{path.name} is larger than any recording of a piece; choose another file.")
        data = path.read_bytes()
    except OSError as error:
        raise TakeError(
            f"{path} cannot be read ({error.strerror or error}); check the name and that it is a file."
        ) from error
    if not data:
        raise TakeError(
            f"{path.name} is empty; record it again, or copy it again from where it was recorded."
        )
    return data


def sha256_of(path: Path) -> str:
    """Return the digest of a recording, read piece by piece; raises UnderstaveError as `bytes_of` does."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise TakeError(
            f"{path} cannot be read ({error.strerror or error}); see that it is there."
        ) from error


def known_recording(path: Path, kind: Kind, sha256: str) -> Recording:
    """Return a recording that was read before; sound is not decoded before it is needed (`samples_of`)."""
    if kind == "sound":
        return Recording(Performance(()), (), kind, path.name, sha256, file=path)
    return recording_of(bytes_of(path), path.name)


def samples_of(recording: Recording) -> Samples:
    """Return the sound of a recording of sound, (frames,) at `acoustics.files.RATE`."""
    if recording.samples is not None:
        return recording.samples
    if recording.kind != "sound" or recording.file is None:
        raise TakeError(f"{recording.media} is no recording of sound.")
    return _decoded(share_there(bytes_of(recording.file))[1], recording.file.name)


def recording_of(data: bytes, name: str) -> Recording:
    """Read what was played from the bytes of a file; `name` tells its kind, and stands in the sentences of
    errors.
    """
    suffix = Path(name).suffix.lower()
    if suffix in (*SOUND, *FILM):
        there, whole = share_there(data)
        mono = _decoded(whole, name)
        if len(mono) < RATE or loudness(mono, RATE) < FAINT:
            raise TakeError(f"Nothing is heard in {name}; record it again, nearer to the piano.")
        sha256 = hashlib.sha256(data).hexdigest()
        return Recording(Performance(()), (), "sound", name, sha256, samples=mono, there=there)
    if b"MThd" not in data[:4096]:
        raise TakeError(
            f"{name} is no MIDI recording (it does not begin with MThd); give a .mid file, or sound or film "
            f"that ends in {', '.join((*SOUND, *FILM))}."
        )
    midi = parsed(data, name)
    strikes, pedal, soft = _messages(midi)
    if not strikes:
        raise TakeError(f"{name} has no notes in it: nothing was played, or only percussion.")
    if strikes[-1].start > LONGEST:
        raise TakeError(f"{name} lasts longer than {LONGEST / 3600:g} hours; cut it into parts.")
    performance = Performance(tuple(strikes), tuple(_line(pedal)), soft)
    return Recording(performance, tuple(pedal), "midi", name, hashlib.sha256(data).hexdigest())


def _decoded(data: bytes, name: str) -> Samples:
    """Return the sound of a recording or film, (frames,) at `RATE`."""
    film = Path(name).suffix.lower() in FILM
    try:
        sound, rate = _film_sound(data, name) if film else read_audio(io.BytesIO(data))
    except MissingError:
        raise
    except (UnderstaveError, RuntimeError, ValueError, OSError) as error:
        raise TakeError(
            f"{name} has no sound that can be read: it is no such recording, or damaged or cut short; "
            "copy it again, or choose another file."
        ) from error
    if len(sound) > LONGEST_SOUND * rate:
        raise TakeError(f"{name} lasts longer than {LONGEST_SOUND / 60:g} minutes; cut it into parts.")
    return one_channel(sound, rate)


def share_there(data: bytes) -> tuple[float, bytes]:
    """Return which share (0..1) of a WAV or MP3 file is there, by the length its header says, and the bytes
    with a length that is true (whoever decodes MP3 complains of another). Of other files it is not known.
    """
    told = _told_length(data)
    if told is None:
        return 1.0, data
    place, begin, order = told
    whole, there = int.from_bytes(data[place : place + 4], order), len(data) - begin
    if there >= (1 - SHORT) * whole or whole >= ENDLESS:
        return 1.0, data
    return there / whole, data[:place] + there.to_bytes(4, order) + data[place + 4 :]


def _told_length(data: bytes) -> tuple[int, int, Literal["little", "big"]] | None:
    """Return where a WAV or MP3 file says how many bytes its sound has, where they begin, and the order of
    bytes; None where it says nothing.
    """
    if data[:4] == b"RIFF":
        chunk = data.find(b"data", 12, HEADER)
        return None if chunk < 0 else (chunk + 4, chunk + 8, "little")
    # After titles and pictures (ID3v2.3, 3.1) a mark in the first frame of an MP3 tells the bytes of all
    # frames; most encoders write it.
    frame = 10 + sum(byte << 7 * (3 - k) for k, byte in enumerate(data[6:10])) if data[:3] == b"ID3" else 0
    mark = max(data.find(name, frame, frame + FIRST_FRAME) for name in (b"Xing", b"Info"))
    if data[frame : frame + 1] != b"\xff" or mark < 0 or data[mark + 7 : mark + 8] not in WITH_BYTES:
        return None
    return mark + 12, frame, "big"


def _film_sound(data: bytes, name: str) -> tuple[Samples, int]:
    """Return the sound of a film, from the film's own zero: frames by channels, and the rate."""
    try:
        import av
    except ImportError:
        raise MissingError(
            f"The sound of {name} needs one more package; install it with: pip install 'understave[film]'"
        ) from None
    with av.open(io.BytesIO(data), mode="r") as film:
        if not film.streams.audio:
            raise TakeError(f"{name} has no sound; choose another film.")
        stream = film.streams.audio[0]
        rate = int(stream.rate)
        converter = av.AudioResampler(format="fltp", layout="mono", rate=rate)
        parts: list[Samples] = []
        late, count = 0.0, 0
        for frame in film.decode(stream):
            if not parts and frame.time:
                late = frame.time
            for same in converter.resample(frame):
                parts.append(np.asarray(same.to_ndarray()[0], np.float32))
                count += len(parts[-1])
            if count > LONGEST_SOUND * rate:
                break
    heard = np.concatenate([np.zeros(round(max(0.0, late) * rate), np.float32), *parts])
    return heard[:, None], rate


def _messages(midi: mido.MidiFile) -> tuple[list[Strike], list[tuple[float, float]], bool]:
    """Return strikes in order of start, the sustain pedal's messages, and whether the soft one is down
    throughout.
    """
    strikes: list[Strike] = []
    pedal: list[tuple[float, float]] = []
    down: dict[tuple[int, int], list[tuple[float, int, bool]]] = defaultdict(list)
    now, soft = 0.0, False
    for message in midi:
        now += message.time
        if message.type == "control_change" and message.control == SUSTAIN:
            pedal.append((now, message.value / 127))
        elif message.type == "control_change" and message.control == SOFT:
            soft = message.value >= 64
        elif message.type in ("note_on", "note_off") and message.channel != DRUMS:
            key = (message.channel, message.note)
            if message.type == "note_on" and message.velocity:
                down[key].append((now, message.velocity, soft))
            elif down[key]:
                start, velocity, shifted = down[key].pop(0)
                strikes.append(Strike(message.note, start, now, float(velocity), "", shifted))
    # A key that never came up, as when a recording is stopped, is held to the end.
    for (_, key_number), left in down.items():
        strikes += [Strike(key_number, start, max(now, start), float(v), "", s) for start, v, s in left]
    strikes.sort(key=lambda strike: (strike.start, strike.midi))
    throughout = bool(strikes) and all(strike.soft for strike in strikes)
    return strikes, pedal, throughout


def _line(pedal: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Make of messages a line that stays level while nothing was sent."""
    line: list[tuple[float, float]] = []
    for t, depth in pedal:
        if line and t - line[-1][0] > HELD:
            line.append((t - HELD / 2, line[-1][1]))
        line.append((t, depth))
    return line
