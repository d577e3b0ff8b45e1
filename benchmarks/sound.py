"""The modelled piano measured: ``python -m benchmarks.sound``.

Prints, for each instrument: how many times faster than real time a dense passage is rendered (seconds of
sound by seconds of CPU time of all threads, so on one core), without pedal, with it changed and held; the
loudness of equal touch in each octave, K-weighted (ITU-R BS.1770-4) and A-weighted (IEC 61672-1), over the
first 150 ms, and what folding to mono changes; the brightness of soft, middling and loud touch (centre of
the spectrum in Hz); the loudest trace above 12.5 kHz (where no partial lies, so any click would show) at the
blows and away from them; and how far the rendered level is from the predicted one. All is measured on what
`render` and `strings_alone` give.

``--soundfont FILE`` sets the first instrument of a SoundFont beside the concert grand (it needs the extra
`soundfont`): for some keys, how many dB the sound falls in the second after its first 100 ms and in the next,
how many partials lie within 30 dB of the strongest in the first 300 ms, and brightness at three touches.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from understave.acoustics.loudness import a_weight, k_weight
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import GRAND, Instrument, modelled
from understave.acoustics.ringing import sounding_level
from understave.acoustics.sound import render, strings_alone
from understave.acoustics.soundfont import render_soundfont

RATE = 44_100
KEYS = (21, 24, 36, 48, 60, 72, 84, 96, 108)
HARMONIES = ((48, 60, 64, 67), (43, 59, 62, 67), (45, 60, 64, 69), (41, 60, 65, 69))
UP: tuple[tuple[float, float], ...] = ()


def main() -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="The modelled piano measured.")
    parser.add_argument("--soundfont", type=Path, help="set a sampled piano beside the modelled one")
    arguments = parser.parse_args()
    console = Console(width=110)
    if arguments.soundfont:
        console.print(_beside(arguments.soundfont))
        return 0
    speed = Table(title="times real time on one core (eight notes a second)")
    for heading in ("instrument", "pedal up", "changed", "held"):
        speed.add_column(heading, justify="left" if heading == "instrument" else "right")
    quality = Table(title="clicks (dB below the passage's level) and rendered against predicted level (dB)")
    for heading in ("instrument", "at blows", "elsewhere", "mean difference", "largest in 300 ms"):
        quality.add_column(heading, justify="left" if heading == "instrument" else "right")
    for instrument in modelled():
        speed.add_row(
            instrument.name,
            *(f"{_speed(instrument, pedal):.0f}" for pedal in (UP, _changed(), ((0.0, 1.0),))),
        )
        quality.add_row(
            instrument.name, *(f"{value:.2f}" for value in (*_clicks(instrument), *_agreement(instrument)))
        )
    console.print(speed)
    console.print(_evenness())
    console.print(quality)
    return 0


def _passage(seconds: float = 32.0) -> tuple[Strike, ...]:
    """Broken chords, eight notes a second."""
    count = int(seconds * 8)
    chords = [HARMONIES[i // 16 % 4] for i in range(count)]
    return tuple(
        Strike(chord[i % 4] + (12 if i % 8 > 3 else 0), i / 8, i / 8 + 0.12, 55 + 5 * (i % 4))
        for i, chord in enumerate(chords)
    )


def _changed() -> tuple[tuple[float, float], ...]:
    """A pedal changed every two seconds."""
    turns = ((0.0, 1.0), (0.03, 0.0), (0.15, 0.0), (0.2, 1.0))
    return tuple((2.0 * i + t, depth) for i in range(16) for t, depth in turns)


def _speed(instrument: Instrument, pedal: tuple[tuple[float, float], ...]) -> float:
    performance = Performance(_passage(), pedal)
    render(performance, instrument)
    start = time.process_time()
    sound = render(performance, instrument)
    return float(sound.shape[0] / RATE / (time.process_time() - start))


def _evenness() -> Table:
    table = Table(
        title="equal touch (velocity 70): dB over the first 150 ms, in mono; brightness in Hz at 20, 70, 120"
    )
    table.add_column("key")
    for piano in modelled():
        table.add_column(piano.name, justify="right")
    for key in KEYS:
        cells = []
        for instrument in modelled():
            if not instrument.has_key(key):
                cells.append("")
                continue
            sounds = [render(Performance((Strike(key, 0, 0.5, v),)), instrument) for v in (20, 70, 120)]
            k, a = (_level(sounds[1], weight) for weight in (k_weight, a_weight))
            bright = " ".join(f"{_centre(s):.0f}" for s in sounds)
            folded = np.repeat(sounds[1].mean(axis=1)[:, None], 2, axis=1)
            cells.append(f"K {k:.1f}  A {a:.1f}  mono {_level(folded, k_weight) - k:+.1f}  {bright}")
        table.add_row(str(key), *cells)
    return table


def _beside(soundfont: Path) -> Table:
    """The modelled grand and a sampled piano, key by key."""
    table = Table(
        title="fall in dB in the 1st and 2nd second; partials within 30 dB; brightness at 20, 70, 120"
    )
    for head in ("key", "modelled", soundfont.stem):
        table.add_column(head)

    def modelled(performance: Performance) -> NDArray[np.float32]:
        return render(performance, GRAND, RATE)

    def sampled(performance: Performance) -> NDArray[np.float32]:
        return render_soundfont(performance, soundfont, RATE)

    for key in KEYS[1:-1]:
        cells = []
        for play in (modelled, sampled):
            sounds = [play(Performance((Strike(key, 0, 2.5, v),))) for v in (20, 70, 120)]
            parts = [sounds[1][int(a * RATE) : int((a + 0.2) * RATE)] for a in (0.1, 1.1, 2.1)]
            levels = [10 * np.log10(np.mean(part.astype(float) ** 2) + 1e-12) for part in parts]
            bright = " ".join(f"{_centre(s):.0f}" for s in sounds)
            falls = f"{levels[0] - levels[1]:.1f} {levels[1] - levels[2]:.1f}"
            cells.append(f"{falls}   {_partials(sounds[1], key)}   {bright}")
        table.add_row(str(key), *cells)
    return table


def _partials(sound: NDArray[np.float32], key: int) -> int:
    """How many multiples of the fundamental stand within 30 dB of the strongest in the first 300 ms."""
    part = sound[: int(0.3 * RATE)].mean(axis=1) * np.hanning(int(0.3 * RATE))
    power = np.abs(np.fft.rfft(part, 1 << 17)) ** 2
    first = 440 * 2 ** ((key - 69) / 12)
    tops = []
    for n in range(1, 61):
        hertz = n * first * (1 + 2e-4 * n * n) ** 0.5
        low, high = (int((hertz + side * 0.4 * first) * (1 << 17) / RATE) for side in (-1, 1))
        if high < power.size:
            tops.append(power[low:high].max())
    return int(np.sum(np.array(tops) >= max(tops) * 1e-3))


def _level(sound: NDArray[np.float32], weight: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> float:
    part = sound[: int(0.15 * RATE)].astype(float)
    power = np.sum(np.abs(np.fft.rfft(part, axis=0)) ** 2, axis=1) / part.shape[0] ** 2
    return float(
        10
        * np.log10(
            np.sum(power * weight(np.asarray(np.fft.rfftfreq(part.shape[0], 1 / RATE), dtype=np.float64)))
        )
    )


def _centre(sound: NDArray[np.float32]) -> float:
    power = np.abs(np.fft.rfft(sound[: RATE // 2].mean(axis=1))) ** 2
    return float(np.sum(power * np.fft.rfftfreq(RATE // 2, 1 / RATE)) / np.sum(power))


def _clicks(instrument: Instrument) -> tuple[float, float]:
    """Highest level above 12.5 kHz in 5 ms, at the blows and elsewhere, below the level of the whole."""
    strikes = _passage(8.0)
    pedal = ((1.0, 0.0), (1.02, 1.0), (2.5, 1.0), (2.5, 0.0), (3.0, 0.5), (3.6, 1.0), (5.0, 0.0))
    sound = strings_alone(Performance(strikes, pedal), instrument).astype(float)
    spectrum = np.fft.rfft(sound)
    spectrum[np.fft.rfftfreq(sound.size, 1 / RATE) < 12_500] = 0
    frames = np.fft.irfft(spectrum, sound.size)[: sound.size // 220 * 220].reshape(-1, 220)
    moments = (np.arange(frames.shape[0]) + 0.5) * 220 / RATE
    blows = np.min(np.abs(moments[:, None] - np.array([s.start for s in strikes])), axis=1) < 0.02
    level = 10 * np.log10(np.mean(frames**2, axis=1) + 1e-30) - 10 * np.log10(np.mean(sound**2))
    return float(level[blows].max()), float(level[~blows].max())


def _agreement(instrument: Instrument) -> tuple[float, float]:
    performance = Performance(_passage(8.0), _changed()[:16])
    sound = strings_alone(performance, instrument).astype(float)
    starts = np.arange(0.05, 7.5, 0.3)
    moments = starts[:, None] + np.linspace(0, 0.3, 60)
    predicted = 10 ** (sounding_level(performance, instrument, moments.ravel()) / 10)
    rendered = np.array([np.mean(sound[int(s * RATE) : int((s + 0.3) * RATE)] ** 2) for s in starts])
    difference = 10 * np.log10(rendered / predicted.reshape(moments.shape).mean(axis=1))
    return float(np.mean(difference)), float(np.max(np.abs(difference)))


if __name__ == "__main__":
    raise SystemExit(main())
