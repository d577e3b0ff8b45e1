"""A score as the network sees it, moved to other keys, and what the network says of it moved back.

The network learnt music in all keys and still judges a passage a little otherwise in each; the mean over a
few keys is nearer to the analyst than any one of them (averaging over copies of the input: Krizhevsky et al.,
NIPS 2012, from memory). Moves are counted in fifths.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from understave.harmony.model.encoding import CENTRE, FIFTHS, Encoding
from understave.harmony.model.label_indices import KEYS

Floats = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
MOVES = (0, -2, 2)
"""Of those tried on sets that neither the network nor its teachers had seen; see ``training/README.md``."""
MOST_ACCIDENTALS = 7
"""In a signature: the network was shown no more in training."""
PLACES = {"key": 2, "tonicised": 2, "root": 1, "bass": 1}
"""How many places of a head's table one fifth is; the other heads say the same in every key."""


def moves_for(encoding: Encoding) -> tuple[int, ...]:
    """Return by how many fifths a score is moved: itself first, each copy within the signatures there are."""
    signatures = encoding.signature.astype(int) + 2 - CENTRE
    least = min(0, -MOST_ACCIDENTALS - int(signatures.min()))
    most = max(0, MOST_ACCIDENTALS - int(signatures.max()))
    return tuple(dict.fromkeys(move if least <= move <= most else 0 for move in MOVES))


def moved(encoding: Encoding, fifths: int) -> Encoding:
    """Return the encoding of the same music, so many fifths higher."""
    codes = encoding.codes.copy()
    pitch = codes[..., 0]
    pitch[pitch > 0] = np.clip(pitch[pitch > 0] + fifths, 1, FIFTHS - 1)
    signature = np.clip(encoding.signature + fifths, 1, FIFTHS - 1).astype(encoding.signature.dtype)
    return replace(encoding, codes=codes, signature=signature)


def moved_keys(given: Ints, fifths: int) -> Ints:
    """Return given keys (T,), `KEYS` where none is, so many fifths higher; none beyond the table."""
    there = given + PLACES["key"] * fifths
    return np.where((given < KEYS) & (there >= 0) & (there < KEYS), there, KEYS)


def moved_back(heads: Mapping[str, Floats], fifths: int, floor: float) -> dict[str, Floats]:
    """Return what was said of each frame, (T, size) by head, of music so many fifths too high.

    What lies beyond the end of a table is `floor`.
    """
    result = dict(heads)
    for name, places in PLACES.items():
        move, there = places * fifths, heads[name]
        size = there.shape[1]
        back = np.full_like(there, floor)
        back[:, max(0, -move) : size - max(0, move)] = there[:, max(0, move) : size - max(0, -move)]
        result[name] = back
    return result
