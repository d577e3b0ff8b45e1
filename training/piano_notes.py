"""Single notes of many pianos: ``python -m training.piano_notes --out FOLDER``.

In: our own piano, also with its amounts drawn at random; the first four instruments (pianos) of SoundFonts
named with ``--soundfont``; folders of recorded notes named with ``--samples`` (files such as ``D#4v8.ogg``:
key, and how hard of sixteen). Out: ``NAME.npy`` for each piano, (88 keys, velocities, frames) of 16-bit
samples at its `RATE`, every note begun at its first frame and held for `SECONDS`. `training.hearing`
mixes them to playing.
"""

from __future__ import annotations

import argparse
import io
import re
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import mido
import numpy as np

from understave.acoustics.files import Samples, read_audio, resample
from understave.acoustics.performance import Performance, Strike
from understave.acoustics.piano import EARLY, GRAND, UPRIGHT, Instrument
from understave.acoustics.sound import render
from understave.takes.stroke_hearing import KEYS, LOWEST_KEY, RATE

SECONDS = 5.0
VELOCITIES = (30, 60, 88, 115)
PROGRAMS = (0, 1, 2, 3)
"""The pianos of General MIDI, electric ones left out after the third."""
APART = 7.0
"""Seconds between two notes that are rendered in one go."""
LENGTH = round(SECONDS * RATE)


def instruments(variants: int) -> Iterator[Instrument]:
    """Yield our pianos at 440 Hz, and so many between and beyond them."""
    yield from (GRAND, UPRIGHT, replace(EARLY, a4=440.0))
    for seed in range(variants):
        chance = np.random.default_rng(seed)

        def about(usual: float, times: float, chance: np.random.Generator = chance) -> float:
            return float(usual * times ** chance.uniform(-1, 1))

        yield replace(
            GRAND,
            name=f"variant {seed}",
            inharmonicity=about(0.8, 2.5),
            bass_inharmonicity=about(1.0, 2.5),
            decay=about(1.3, 2.0),
            after_db=float(chance.uniform(-22, -8)),
            after_slowness=about(3.5, 1.6),
            contact=about(0.95, 1.7),
            detuning=about(1.2, 3.0),
            knock=about(1.2, 3.0),
            duplex=about(0.7, 2.0),
        )


def _begun(sound: Samples) -> Samples:
    """Return a note from where it begins, `LENGTH` frames of it."""
    mono = np.asarray(sound.mean(axis=1) if sound.ndim > 1 else sound, np.float32)
    early = np.abs(mono[: RATE // 4])
    first = int(np.argmax(early > 0.03 * max(float(np.abs(mono).max()), 1e-9)))
    kept = mono[max(0, first - 20) :][:LENGTH]
    return np.pad(kept, (0, LENGTH - len(kept)))


def _moved(sound: Samples, semitones: int) -> Samples:
    """Return a note so many semitones higher, from where it begins."""
    places = np.arange(0, len(sound) - 1, 2 ** (semitones / 12))
    return _begun(np.interp(places, np.arange(len(sound)), sound).astype(np.float32))


def modelled(instrument: Instrument) -> Samples:
    """Render every second key of one of our pianos; those between are moved by a semitone."""
    notes: list[list[Samples]] = []
    for key in range(LOWEST_KEY, LOWEST_KEY + KEYS, 2):
        strikes = [Strike(key, 0.0, SECONDS - 0.5, float(v), "") for v in VELOCITIES]
        here = [_begun(render(Performance((strike,)), instrument, RATE)) for strike in strikes]
        notes += [here, [_moved(note, 1) for note in here]]
    return np.array(notes, np.float32)


def sampled(soundfont: bytes, program: int) -> Samples:
    """Render every key of one instrument of a SoundFont."""
    import midirenderer

    notes = []
    for velocity in VELOCITIES:
        track = mido.MidiTrack([mido.Message("program_change", program=program)])
        for key in range(LOWEST_KEY, LOWEST_KEY + KEYS):
            track.append(mido.Message("note_on", note=key, velocity=velocity, time=0))
            track.append(mido.Message("note_off", note=key, time=round(1000 * SECONDS)))
            track.append(
                mido.Message("control_change", control=7, value=100, time=round(1000 * (APART - SECONDS)))
            )
        file = mido.MidiFile(type=0, ticks_per_beat=500)
        file.tracks.append(track)
        memory = io.BytesIO()
        file.save(file=memory)
        wave = bytes(midirenderer.render_wave_from(soundfont, memory.getvalue()))
        sound, rate = read_audio(io.BytesIO(wave))
        mono = resample(np.asarray(sound.mean(axis=1), np.float32), rate, RATE)
        step = round(APART * RATE)
        notes.append([_begun(mono[k * step : (k + 1) * step]) for k in range(KEYS)])
    return np.swapaxes(np.array(notes, np.float32), 0, 1)


def recorded(folder: Path) -> Samples:
    """Read the recorded notes of a folder, each moved to the keys about it that have none."""
    names = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    there: dict[int, dict[int, Samples]] = {}
    for path in sorted(folder.rglob("*.ogg")):
        found = re.fullmatch(r"([A-G])(#?)(\d)v(\d+)", path.stem)
        if found:
            key = 12 + names[found[1]] + bool(found[2]) + 12 * int(found[3])
            sound, rate = read_audio(io.BytesIO(path.read_bytes()))
            mono = np.asarray(sound.mean(axis=1), np.float32)
            there.setdefault(8 * int(found[4]) - 4, {})[key] = resample(mono, rate, RATE)
    notes = []
    for velocity in VELOCITIES:
        layer = there[min(there, key=lambda v: abs(v - velocity))]
        row = []
        for key in range(LOWEST_KEY, LOWEST_KEY + KEYS):
            near = min(layer, key=lambda k: abs(k - key))
            row.append(_moved(layer[near], key - near))
        notes.append(row)
    return np.swapaxes(np.array(notes, np.float32), 0, 1)


def write(path: Path, notes: Samples) -> None:
    """Write the notes of a piano; the loudest of all its notes fills the sixteen bits."""
    np.save(path, np.round(notes / np.abs(notes).max() * 32_000).astype(np.int16))
    print(f"{path.name}: {notes.shape}", flush=True)


def _made(kind: str, value: object, program: int, path: Path) -> None:
    if kind == "model":
        assert isinstance(value, Instrument)
        write(path, modelled(value))
    elif kind == "soundfont":
        write(path, sampled(Path(str(value)).read_bytes(), program))
    else:
        write(path, recorded(Path(str(value))))


def main() -> None:
    """Render them all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--soundfont", type=Path, action="append", default=[], metavar="FILE")
    parser.add_argument("--samples", type=Path, action="append", default=[], metavar="FOLDER")
    parser.add_argument("--variants", type=int, default=9, help="pianos of ours with amounts at random")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    todo: list[tuple[str, object, int, str]] = [
        ("model", i, 0, f"model-{i.name.replace(' ', '-')}") for i in instruments(asked.variants)
    ]
    todo += [("soundfont", f, p, f"soundfont-{f.stem}-{p}") for f in asked.soundfont for p in PROGRAMS]
    todo += [("samples", f, 0, f"recorded-{f.name}") for f in asked.samples]
    with ProcessPoolExecutor(asked.jobs) as pool:
        made = [
            pool.submit(_made, kind, value, p, asked.out / f"{name}.npy") for kind, value, p, name in todo
        ]
        for one in made:
            one.result()


if __name__ == "__main__":
    main()
