"""The engine's weights as a readable file: load and save `emission.Weights`.

In: ``weights.json`` beside this module, one nested list for each array. Out: arrays, and back.
"""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from understave.harmony.emission import Weights


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
