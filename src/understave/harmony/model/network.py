"""The trained network at run time: an encoded score in, log-probabilities per frame out.

The weights travel in the package as ONNX files named, with their checksums, in ``labels.json``; of several
the judgements are averaged. Nothing is fetched; a missing or damaged file is an error, never a worse reading.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt
import onnxruntime

from understave.errors import MissingError
from understave.harmony.model.encoding import Encoding
from understave.harmony.model.label_indices import KEYS, QUALITIES, Reduced
from understave.networks import network_of
from understave.theory.chord import Chord, Quality
from understave.theory.pitch import PitchClass

Floats = npt.NDArray[np.float32]
HEADS = ("key", "tonicised", "numeral", "root", "bass", "quality", "inversion", "starts")
WINDOW = 512
STRIDE = 256
FADE = 64
"""Frames at the edge of a window over which its say fades: there the network lacks context."""
_DAMAGED = (
    "The trained reader's weights are missing or damaged ({why}); install Understave again, "
    "for example with 'pip install --force-reinstall understave'."
)


@dataclass(frozen=True)
class Numerals:
    """The table of numerals that the network can say.

    `reduced` tells each apart; `texts[mode]` is how it is written in major (0) and minor (1), None
    where it cannot stand; `seen[mode]` whether analysts wrote it there.
    """

    reduced: tuple[Reduced, ...]
    texts: tuple[tuple[str | None, ...], tuple[str | None, ...]]
    seen: npt.NDArray[np.bool_]

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> Numerals:
        """Take the table from ``labels.json`` (or the training's ``tables.json``, completed)."""
        return cls(
            tuple(Reduced(*item) for item in table["numerals"]),
            (tuple(table["texts"]["major"]), tuple(table["texts"]["minor"])),
            np.array([table["counts"]["major"], table["counts"]["minor"]]) > 0,
        )

    @cached_property
    def places(self) -> npt.NDArray[np.int64]:
        """Columns: root, bass, tonicised tonic (fifths above the tonic), quality, inversion, minor."""
        rows = []
        for reduced in self.reduced:
            quality = Quality(reduced.quality)
            chord = Chord(
                PitchClass.from_fifths(reduced.root), quality, min(reduced.inversion, len(quality.fifths) - 1)
            )
            rows.append(
                (
                    reduced.root,
                    chord.bass.fifths,
                    reduced.tonicised,
                    QUALITIES.index(reduced.quality),
                    reduced.inversion,
                    int(reduced.minor),
                )
            )
        return np.array(rows, dtype=np.int64)


@dataclass(frozen=True)
class Network:
    """The loaded networks and their table of numerals."""

    sessions: tuple[onnxruntime.InferenceSession, ...]
    numerals: Numerals


@lru_cache(maxsize=1)
def shipped_numerals() -> Numerals:
    """Return the shipped networks' table of numerals, without the networks."""
    text = files("understave.harmony.model").joinpath("labels.json").read_text(encoding="utf-8")
    return Numerals.from_table(json.loads(text))


@lru_cache(maxsize=1)
def load() -> Network:
    """Load the shipped networks once; raise UnderstaveError if a file is missing or damaged."""
    folder = files("understave.harmony.model")
    try:
        table: dict[str, Any] = json.loads(folder.joinpath("labels.json").read_text(encoding="utf-8"))
        numerals = Numerals.from_table(table)
        if table["keys"] != KEYS or tuple(table["qualities"]) != QUALITIES:
            raise ValueError("labels.json belongs to another version")
        sessions = []
        for name, checksum in table["networks"].items():
            data = folder.joinpath(name).read_bytes()
            if hashlib.sha256(data).hexdigest() != checksum:
                raise ValueError(f"{name} is not the file it should be")
            sessions.append(network_of(data))
    except OSError as error:
        raise MissingError(_DAMAGED.format(why=f"{error.filename or error} cannot be read")) from error
    except (ValueError, KeyError, TypeError, RuntimeError) as error:
        raise MissingError(_DAMAGED.format(why=str(error).splitlines()[0])) from error
    if not sessions:
        raise MissingError(_DAMAGED.format(why="no network is named in labels.json"))
    return Network(tuple(sessions), numerals)


def log_softmax(logits: Floats) -> Floats:
    """Logarithms of probabilities over the last axis."""
    top = logits.max(-1, keepdims=True)
    result: Floats = logits - top - np.log(np.exp(logits - top).sum(-1, keepdims=True))
    return result


def judge(
    network: Network,
    encoding: Encoding,
    given_key: npt.NDArray[np.int64],
    given_numeral: npt.NDArray[np.int64],
) -> dict[str, Floats]:
    """Return for each of `HEADS` what the networks say of each frame, (T, size).

    All but ``starts`` are log-probabilities; ``starts`` are probabilities (0..1) that a chord, a key
    and a phrase end begins there. `given_key` and `given_numeral` (T,) hold what is settled, or the
    size of the table where nothing is.
    """
    frames = len(encoding.times) - 1
    begins = range(0, max(1, frames - WINDOW + STRIDE), STRIDE)
    sums: dict[str, Floats] = {}
    weight = np.zeros((frames, 1), dtype=np.float32)
    times = np.array([float(t) for t in encoding.times[:-1]], dtype=np.float32)
    for begin in begins:
        part = slice(begin, min(begin + WINDOW, frames))
        share = _fade(part, frames)
        weight[part] += share
        inputs = {
            "codes": encoding.codes[None, part].astype(np.int64),
            "values": encoding.values[None, part],
            "frames": encoding.frames[None, part],
            "signature": encoding.signature[None, part].astype(np.int64),
            "times": times[None, part] - times[begin],
            "mask": np.ones((1, part.stop - begin), dtype=bool),
            "given_key": given_key[None, part],
            "given_numeral": given_numeral[None, part],
        }
        for session in network.sessions:
            outputs = session.run(HEADS, inputs)
            for name, logits in zip(HEADS, outputs, strict=True):
                chance = 1 / (1 + np.exp(-logits[0])) if name == "starts" else np.exp(log_softmax(logits[0]))
                if name not in sums:
                    sums[name] = np.zeros((frames, logits.shape[-1]), dtype=np.float32)
                sums[name][part] += share * chance
    total = weight * len(network.sessions)
    mean = {name: value / total for name, value in sums.items()}
    return {n: v if n == "starts" else np.log(v + 1e-7) for n, v in mean.items()}


def _fade(part: slice, frames: int) -> Floats:
    count = part.stop - part.start
    share = np.ones(count, dtype=np.float32)
    ramp = (np.arange(min(FADE, count)) + 1) / FADE
    if part.start > 0:
        share[: len(ramp)] = np.minimum(share[: len(ramp)], ramp)
    if part.stop < frames:
        share[-len(ramp) :] = np.minimum(share[-len(ramp) :], ramp[::-1])
    return share[:, None]
