"""The engine's weights: what each feature counts for, and the readable file they travel in.

In: ``weights.json`` beside this module, one nested list for each array. Out: `Weights`, and back. They
began as hand-set scores, key profiles as those of Albrecht and Shanahan (2013), and were fitted by an
averaged structured perceptron on analysed scores (the file's credit line names them).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from understave.harmony.units import Floats


@dataclass(frozen=True)
class Weights:
    """Everything the engine weighs by.

    The chance that a note belongs: `membership` (signs of a note). Chords: `tones` (view, quality, class
    of pitch), `inversion` (view of the bass), `inversions` (quality, inversion). Keys: `profile` (mode,
    fifths from tonic) and `signature` (mode, distance from the printed signature) per felt beat,
    `opening` (mode, that distance) once. Boundaries: `start` and `figure` (classes of what happens
    there), `same_root` (as figure; a new chord on the same root), `length` (class of the segment).
    Successions: `token`, `enter`, `leave` (mode, token; a numeral anywhere, first in a new key, last
    before one), `change` (mode before, fifths between tonics, mode after), `bass_motion` (inversion
    before, after, fifths between basses), and `scale`: what counts for log shares of successions and of
    inversions, for going on in a new segment, and for a key change on a downbeat, a beat, off the beat,
    after a pause.
    """

    membership: Floats
    tones: Floats
    inversion: Floats
    inversions: Floats
    profile: Floats
    signature: Floats
    opening: Floats
    start: Floats
    figure: Floats
    same_root: Floats
    length: Floats
    token: Floats
    enter: Floats
    leave: Floats
    change: Floats
    bass_motion: Floats
    scale: Floats

    def names(self) -> tuple[str, ...]:
        """Return the array names in order."""
        return tuple(f.name for f in fields(self))


@lru_cache(maxsize=1)
def shipped_weights() -> Weights:
    """Return the weights that travel with the tool."""
    return read_weights(files("understave.harmony").joinpath("weights.json").read_text(encoding="utf-8"))


def read_weights(text: str) -> Weights:
    """Read weights from the file's text."""
    tables = json.loads(text)
    return Weights(**{name: np.array(rows, dtype=float) for name, rows in tables["weights"].items()})


def save_weights(weights: Weights, path: Path, credit: str) -> None:
    """Write weights, rounded to a thousandth, one innermost list a line."""
    tables = {name: np.round(getattr(weights, name), 3).tolist() for name in weights.names()}
    text = json.dumps({"credit": credit, "weights": tables}, indent=None, separators=(",", ":"))
    path.write_text(text.replace("],[", "],\n[").replace('],"', '],\n"') + "\n", encoding="utf-8")
