"""Encodings joined into the arrays that training reads."""

from __future__ import annotations

import numpy as np

from understave.harmony.model.encoding import Encoding


def arrays_of(encodings: list[Encoding]) -> dict[str, np.ndarray]:
    """Join encodings end to end; `offsets` says where each begins."""
    counts = [len(e.times) - 1 for e in encodings]
    return {
        "offsets": np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        "codes": np.concatenate([e.codes for e in encodings]).astype(np.int8),
        "values": np.concatenate([e.values for e in encodings]).astype(np.float16),
        "frames": np.concatenate([e.frames for e in encodings]),
        "signature": np.concatenate([e.signature for e in encodings]).astype(np.int8),
        "times": np.concatenate([np.array([float(t) for t in e.times[:-1]], np.float32) for e in encodings]),
    }
