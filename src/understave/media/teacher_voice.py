"""The teacher's voice at a stop: a recording in, one that is evenly loud and without long silences out.

In: the bytes of a sound file (WAV, FLAC, MP3, Ogg). Out: an MP3 with captions, each with its seconds.
Loudness is measured as ITU-R BS.1770-4 has it. No word is recognised: where a sentence ends is reckoned from
the time that its words take, and from the silences heard.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from understave.acoustics.files import PEAK_DB, RATE, Samples, audio_bytes, one_channel, read_audio
from understave.acoustics.loudness import FAINT, loudness
from understave.errors import LessonError, UnderstaveError
from understave.teaching.speech import sentences, speaking_seconds

LOUDNESS = -19.0
"""LUFS to which a voice is brought: that of speech of one channel beside music; set by ear."""
MOST_SECONDS = 600.0
"""Seconds of a recording at most: no stop is spoken about for so long."""
_FRAME = 0.02
_QUIET_DB = 35.0
"""What lies so far below the loud moments of a recording is silence; set by ear."""
_PAUSE, _EDGE = 0.7, 0.15
"""Seconds: the longest silence that stays within, and what stays before the first word and after the last."""
_BREATH = 0.25
"""Seconds of silence that a sentence may end in: longer than a stop consonant lasts; set by ear."""


@dataclass(frozen=True)
class VoiceOver:
    """A prepared recording: MP3, its seconds, and captions with the seconds from and to which they show."""

    data: bytes = field(repr=False)
    length: float
    captions: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Said:
    """What the teacher says before the music at `moment` (quarter notes): a recording with its captions."""

    moment: Fraction
    voice: VoiceOver


def voice_over(recording: bytes, name: str, said: Sequence[str] = ()) -> VoiceOver:
    """Return a recording as the page plays it; `said` are the paragraphs that are spoken.

    Raises LessonError in a sentence where `name` is no sound, is too long, or holds no voice.
    """
    sound = tight(spoken(recording, name))
    level = loudness(sound, RATE)
    gain = 10 ** ((LOUDNESS - level) / 20)
    peak = float(np.max(np.abs(sound)))
    gain = min(gain, 10 ** (PEAK_DB / 20) / peak)
    seconds = len(sound) / RATE
    data = audio_bytes(".mp3", (sound * gain).astype(np.float32), RATE, gain=1.0)
    return VoiceOver(data, seconds, captions(said, seconds, pauses(sound)))


def spoken(recording: bytes, name: str) -> Samples:
    """Return a recording as samples of one channel at `RATE`; raise LessonError for what holds no voice."""
    try:
        sound, rate = read_audio(io.BytesIO(recording))
    except (UnderstaveError, RuntimeError, ValueError) as error:
        raise LessonError(
            f"{name} is no sound that can be read; give a WAV, FLAC, MP3 or Ogg file."
        ) from error
    if len(sound) > MOST_SECONDS * rate:
        raise LessonError(f"{name} lasts longer than {MOST_SECONDS / 60:g} minutes; cut it shorter.")
    mono = one_channel(sound, rate)
    if not len(mono) or loudness(mono, RATE) < FAINT:
        raise LessonError(f"Nothing is heard in {name}; record it again, nearer to the microphone.")
    return mono


def tight(sound: Samples, rate: int = RATE) -> Samples:
    """Return a recording without silence at its ends, and with no silence within longer than `_PAUSE`."""
    loud, size = _loud(sound, rate)
    heard = np.flatnonzero(loud)
    if not heard.size:
        return sound
    frames = len(loud)
    padded = np.zeros(frames * size, np.float32)
    padded[: len(sound)] = sound
    keep = np.zeros(frames, bool)
    edge, half = round(_EDGE / _FRAME), round(_PAUSE / _FRAME / 2)
    for frame in heard:
        keep[max(0, frame - half) : frame + half + 1] = True
    keep[: max(0, heard[0] - edge)] = False
    keep[heard[-1] + edge + 1 :] = False
    return _faded(padded, keep, size)


def _loud(sound: Samples, rate: int) -> tuple[NDArray[np.bool_], int]:
    """Return for each frame of a recording whether something sounds in it, and the samples of a frame."""
    size = max(1, int(_FRAME * rate))
    frames = math.ceil(len(sound) / size)
    padded = np.zeros(frames * size, np.float32)
    padded[: len(sound)] = sound
    level = np.sqrt(np.mean(padded.reshape(frames, size).astype(np.float64) ** 2, axis=1))
    return level > np.quantile(level, 0.95) * 10 ** (-_QUIET_DB / 20), size


def _faded(sound: Samples, keep: NDArray[np.bool_], size: int) -> Samples:
    """Join the kept frames; each piece begins and ends softly, so that no cut clicks."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], keep, [False])).astype(int)))
    ramp = np.linspace(0, 1, size // 2, dtype=np.float32)
    pieces = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        piece = sound[begin * size : end * size].copy()
        piece[: len(ramp)] *= ramp
        piece[-len(ramp) :] *= ramp[::-1]
        pieces.append(piece)
    return np.concatenate(pieces)


def spoken_seconds(recording: bytes, name: str) -> float:
    """Return how long a recording lasts as the page plays it; raise LessonError as `voice_over` does."""
    return len(tight(spoken(recording, name))) / RATE


def pauses(sound: Samples, rate: int = RATE) -> tuple[float, ...]:
    """Return the middles, in seconds, of the silences within a recording that a sentence may end in."""
    loud, size = _loud(sound, rate)
    heard = np.flatnonzero(loud)
    least = _BREATH / _FRAME
    return tuple(float((a + b + 1) * size / 2 / rate) for a, b in pairwise(heard) if b - a - 1 >= least)


def captions(
    said: Sequence[str], seconds: float, silences: Sequence[float] = ()
) -> tuple[tuple[str, float, float], ...]:
    """Share the time of a recording out to the sentences that are spoken: by the time that their words and
    breaths take (`teaching.speech`), each end then at the nearest of the `silences` where one is near.
    """
    whole = [one for text in said for one in sentences(text)]
    lengths = np.array([speaking_seconds(one) for one in whole])
    ends = np.cumsum(lengths) * seconds / max(lengths.sum(), 1e-9)
    for k in range(len(whole) - 1):
        begin = ends[k - 1] if k else 0.0
        reach = min(ends[k] - begin, ends[k + 1] - ends[k]) / 2
        near = min(silences, key=lambda at: abs(at - ends[k]), default=math.inf)
        if abs(near - ends[k]) < reach:
            ends[k] = near
    return tuple(
        (re.sub("[⟨⟩]", "", one), round(float(a), 2), round(float(b), 2))
        for one, (a, b) in zip(whole, pairwise([0.0, *ends]), strict=True)
    )
