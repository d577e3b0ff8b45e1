"""Scores played at random, as notes in seconds: what `training.hearing` lets pianos play.

In: notes of works (`written`): onset and length in quarter notes, key, part. Out: a stretch of playing as
`Played`: tempo, rubato, uneven chords, touch, loudness and pedal are drawn at random, so that the network
learns keys and not habits. A part of the stretches is no music at all: scales, broken chords, trills and
handfuls of keys all over the keyboard, which songs have too few of.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from training.unlabelled import works
from understave.errors import UnderstaveError
from understave.score.reader import read_score
from understave.takes.stroke_hearing import KEYS, LOWEST_KEY

Array = NDArray[np.float32]
BEFORE = 4.0
"""Seconds before a stretch in which notes are struck that may still sound in it."""
INVENTED = 0.3
"""Share of stretches that are no music."""
ABSORBED = 0.02


@dataclass(frozen=True, slots=True)
class Played:
    """Notes by start: seconds from the beginning of the stretch (below 0: before it), keys from 0, velocities
    1..127. `end` is when the dampers fall.
    """

    start: Array
    end: Array
    key: NDArray[np.int64]
    velocity: Array


def notes_of(path: Path) -> Array | None:
    """Return (notes, 4): onset, length, key, part of a work, or None where it cannot be read."""
    try:
        score = read_score(path)
    except (UnderstaveError, ValueError):
        return None
    rows = [
        (n.at, n.until - n.at, n.midi, n.part)
        for n in score.notes
        if not n.cue and not n.grace and n.duration > 0
    ]
    return np.array(rows, np.float32) if len(rows) > 50 else None


def stretch(written: list[Array], seconds: float, chance: np.random.Generator) -> Played:
    """Play a stretch of so many seconds of a work chosen at random, or something invented."""
    length = seconds + BEFORE
    for _ in range(20):
        if chance.random() < INVENTED:
            start, long, key = _invented(length, chance)
            beat = float(chance.uniform(0.4, 1.2))
        else:
            start, long, key, beat = _from_work(written[chance.integers(len(written))], length, chance)
        kept = (start >= 0) & (start < length) & (key >= 0) & (key < KEYS)
        if kept.sum() >= 3 or chance.random() < 0.05:
            return _touched(start[kept], long[kept], key[kept], beat, chance)
    return _touched(start[kept], long[kept], key[kept], beat, chance)


def _from_work(rows: Array, length: float, chance: np.random.Generator) -> tuple[Array, Array, Array, float]:
    if chance.random() < 0.6 and (rows[:, 3] > 0).any():
        rows = rows[rows[:, 3] > 0]  # without the voice
    beat = float(np.clip(60 / (80 * 2 ** chance.normal(0, 0.6)), 0.22, 2.0))
    first = float(chance.uniform(0, max(0.1, rows[:, 0].max() - length / beat)))
    # Time goes by in beats of uneven length.
    count = int(2 * length / beat) + 8
    wander = np.cumsum(chance.normal(0, 0.04, count)) + chance.normal(0, chance.uniform(0, 0.08), count)
    lasting = beat * np.exp(np.clip(wander - wander.mean(), -0.6, 0.6))
    clock = np.concatenate([[0.0], np.cumsum(lasting)])
    rows = rows[(rows[:, 0] >= first) & (rows[:, 0] < first + count)]
    start = np.interp(rows[:, 0] - first, np.arange(count + 1), clock)
    end = np.interp(rows[:, 0] + rows[:, 1] - first, np.arange(count + 1), clock)
    key = rows[:, 2] - LOWEST_KEY + chance.integers(-7, 8)
    if chance.random() < 0.15:  # in octaves, or an octave away
        key = key + 12 * chance.choice([-1, 1])
    start, end, key = (np.asarray(x, np.float32) for x in (start, end, key))
    return start, end - start, key, beat


def _invented(length: float, chance: np.random.Generator) -> tuple[Array, Array, Array]:
    start: list[float] = []
    keys: list[float] = []
    for _ in range(chance.integers(1, 3)):
        now, at = float(chance.uniform(0, 1)), int(chance.integers(0, KEYS))
        while now < length:
            pace = float(np.clip(0.15 * 2 ** chance.normal(0, 0.8), 0.045, 1.2))
            kind, count = chance.integers(5), int(chance.integers(4, 20))
            at = int(np.clip(at + chance.integers(-20, 21), 0, KEYS - 1))
            if kind == 0:  # a scale
                run = at + chance.choice([-1, 1]) * np.cumsum(chance.choice([1, 2], count))
            elif kind == 1:  # a broken chord
                run = at + chance.choice([-1, 1]) * np.cumsum(chance.choice([3, 4, 5, 12], count))
            elif kind == 2:  # a trill or tremolo
                run = at + chance.choice([1, 2, 3, 12]) * (np.arange(count) % 2)
            elif kind == 3:  # anything, repetitions too
                run = np.repeat(chance.integers(0, KEYS, count), chance.integers(1, 4))
            else:  # handfuls
                size = int(chance.integers(2, 8))
                for _ in range(max(1, count // 3)):
                    keys += np.clip(at + chance.integers(-16, 17, size), 0, KEYS - 1).tolist()
                    start += [now] * size
                    now += 2 * pace
                continue
            start += (now + pace * np.arange(len(run))).tolist()
            keys += run.tolist()
            now += pace * len(run)
    long = chance.uniform(0.05, 1.5) * np.exp(chance.normal(0, 0.6, len(start)))
    return np.array(start, np.float32), np.asarray(long, np.float32), np.array(keys, np.float32)


def _touched(start: Array, long: Array, key: Array, beat: float, chance: np.random.Generator) -> Played:
    count = len(start)
    long = long * chance.uniform(0.4, 1.05)
    bass = (key < chance.integers(30, 50)) * chance.normal(0, 10)
    swell = chance.uniform(0, 20) * np.sin(2 * np.pi * (start / chance.uniform(3, 15) + chance.random()))
    loud = chance.uniform(25, 100) + bass + swell + chance.normal(0, chance.uniform(2, 12), count)
    if chance.random() < 0.12:  # rolled
        start = start + (key - key.min(initial=0)) * chance.uniform(0.002, 0.012)
    start = start + chance.normal(0, chance.uniform(0.003, 0.022), count)
    end = start + np.maximum(0.05, long)
    if chance.random() < 0.65 and count:
        end = _pedalled(start, end, beat, chance)
    order = np.argsort(start, kind="stable")
    start, end, key, loud = (np.asarray(x)[order] for x in (start, end, key, loud))
    # A key that is struck again stops its own sound.
    for k in range(KEYS):
        here = np.flatnonzero(key == k)
        if len(here) > 1:
            end[here[:-1]] = np.minimum(end[here[:-1]], start[here[1:]] + ABSORBED)
            # What is struck at the same moment twice is one blow.
            again = here[1:][np.diff(start[here]) < 0.04]
            loud[again] = 0
    kept = loud != 0
    return Played(
        np.asarray(start[kept] - BEFORE, np.float32),
        np.asarray(end[kept] - BEFORE, np.float32),
        key[kept].astype(np.int64),
        np.clip(loud[kept], 8, 127).astype(np.float32),
    )


def _pedalled(start: Array, end: Array, beat: float, chance: np.random.Generator) -> Array:
    """Hold notes until the pedal that was down when they ended is changed."""
    every = beat * chance.choice([0.5, 1, 2, 3, 4, 8])
    up = np.arange(0, float(end.max()) + every, every) + chance.normal(0, 0.03) + 0.05
    down = up + chance.uniform(0.05, 0.25)
    used = chance.random(len(up)) < chance.uniform(0.5, 1.0)
    place = np.clip(np.searchsorted(up, end) - 1, 0, len(up) - 1)
    held = used[place] & (end > down[place]) & (place + 1 < len(up))
    return np.where(held, up[np.minimum(place + 1, len(up) - 1)], end)


def main() -> None:
    """Write the notes of all works that may be played: ``--out FILE.npz``."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--every", type=int, default=3, help="take every n-th song only")
    asked = parser.parse_args()
    todo = [path for kind, path in works() if kind == "songs"][:: asked.every]
    with ProcessPoolExecutor(asked.jobs) as pool:
        found = list(pool.map(notes_of, todo, chunksize=4))
    kept = [(path.stem, rows) for path, rows in zip(todo, found, strict=True) if rows is not None]
    np.savez_compressed(
        asked.out,
        names=np.array([name for name, _ in kept]),
        offsets=np.cumsum([0] + [len(rows) for _, rows in kept]),
        rows=np.concatenate([rows for _, rows in kept]),
    )
    print(f"{len(kept)} of {len(todo)} songs, {sum(len(rows) for _, rows in kept)} notes")


if __name__ == "__main__":
    main()
