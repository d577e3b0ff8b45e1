"""Trained networks to shipped weights: ``python -m training.export FILE.pt ... --examples FOLDER``.

In: one or more networks made by `training.train`. Out: ``reader-N.onnx`` (weights stored as 16-bit
floats, computed as 32-bit) and ``labels.json`` in the package's model folder, with a checksum of each.
Every exported network is run beside the original and must agree.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import torch
from onnx import TensorProto, helper, numpy_helper

from training.network import HEADS, Reader, Shape
from training.tables import complete
from understave.harmony.model.encoding import FIFTHS, FRAME_VALUES, NOTE_CODES, NOTE_VALUES, NOTES

INPUTS = ("codes", "values", "frames", "signature", "times", "mask", "given_key", "given_numeral")


def load(path: Path) -> Reader:
    """Read a trained network."""
    saved = torch.load(path, map_location="cpu", weights_only=False)
    network = Reader(Shape(**saved["shape"]))
    network.load_state_dict(
        {k: v.float() if v.dtype.is_floating_point else v for k, v in saved["state"].items()}
    )
    return network.eval()


def sample(shape: Shape, frames: int, seed: int = 0) -> tuple[torch.Tensor, ...]:
    """Random input of the right form, to trace and to compare with."""
    generator = torch.Generator().manual_seed(seed)
    codes = torch.randint(0, 10, (1, frames, NOTES, NOTE_CODES), generator=generator)
    codes[..., 0] = torch.randint(0, FIFTHS, (1, frames, NOTES), generator=generator)
    return (
        codes,
        torch.rand((1, frames, NOTES, NOTE_VALUES), generator=generator),
        torch.rand((1, frames, FRAME_VALUES), generator=generator),
        torch.randint(1, FIFTHS, (1, frames), generator=generator),
        torch.arange(frames)[None] * 0.5,
        torch.ones((1, frames), dtype=torch.bool),
        torch.full((1, frames), shape.keys),
        torch.full((1, frames), shape.numerals),
    )


def export(network: Reader, path: Path) -> None:
    """Write one network as ONNX with 16-bit weights, and compare its output with the original's."""
    example = sample(network.shape, 48)
    axes = {name: {1: "frames"} for name in (*INPUTS, *HEADS)}
    torch.onnx.export(
        network, example, str(path), input_names=list(INPUTS), output_names=list(HEADS),
        dynamic_axes=axes, opset_version=17, dynamo=False,
    )  # fmt: skip
    model = onnx.load(path)
    casts = []
    for tensor in model.graph.initializer:
        if tensor.data_type != TensorProto.FLOAT or np.prod(tensor.dims) < 256:
            continue
        values = numpy_helper.to_array(tensor).astype(np.float16)
        name = tensor.name
        tensor.CopyFrom(numpy_helper.from_array(values, name + "_16"))
        casts.append(helper.make_node("Cast", [name + "_16"], [name], to=TensorProto.FLOAT))
    for node in reversed(casts):
        model.graph.node.insert(0, node)
    onnx.save(model, path)
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    test = sample(network.shape, 131, seed=1)
    with torch.no_grad():
        wanted = network(*test)
    got = session.run(None, {name: t.numpy() for name, t in zip(INPUTS, test, strict=True)})
    worst = max(float(np.abs(w.numpy() - g).max()) for w, g in zip(wanted, got, strict=True))
    print(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB, differs by at most {worst:.4f}")
    if worst > 0.05:
        raise SystemExit("The exported network does not agree with the original.")


def main() -> None:
    """Export the networks named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("networks", type=Path, nargs="+")
    parser.add_argument("--examples", type=Path, required=True)
    parser.add_argument("--out", type=Path, default=Path("src/understave/harmony/model"))
    arguments = parser.parse_args()
    sums = {}
    for number, path in enumerate(arguments.networks, start=1):
        out = arguments.out / f"reader-{number}.onnx"
        export(load(path), out)
        sums[out.name] = hashlib.sha256(out.read_bytes()).hexdigest()
    table = complete(json.loads((arguments.examples / "tables.json").read_text()))
    table["networks"] = sums
    text = json.dumps(table, ensure_ascii=False, separators=(",", ":"))
    (arguments.out / "labels.json").write_text(text + "\n")
    print(
        f"{len(table['numerals'])} numerals, {sum(s is not None for s in table['texts']['minor'])} in minor"
    )


if __name__ == "__main__":
    main()
