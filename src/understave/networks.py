"""A file of weights in, a network that is ready to run out."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import onnxruntime


def network_of(weights: Path | bytes, *, sparing: bool = True) -> onnxruntime.InferenceSession:
    """Return a network in ONNX, from its file or the bytes of it; raise RuntimeError where it is none.

    A `sparing` one wastes no time of other work and gives its memory back; one that is asked many times in a
    row is quicker otherwise.
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.log_severity_level = 3
    if sparing:
        # Threads that wait busily take two thirds of all the time spent, and the arena is never given back.
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        options.enable_cpu_mem_arena = False
    # What other numeric libraries keep to as well: one thread each where many processes share a machine.
    options.intra_op_num_threads = int(os.environ.get("OMP_NUM_THREADS") or 0)  # 0: every core
    given = weights if isinstance(weights, bytes) else str(weights)
    return onnxruntime.InferenceSession(given, options, providers=["CPUExecutionProvider"])
