"""Label the songs by trained networks: ``python -m training.selftrain FILE.pt ... --examples FOLDER``.

In: ``songs.npz`` and networks made by `training.train`. Out: ``songs-labelled.npz``: for each frame the
label of the best path and how far the teachers together believe it, which is the weight it gets in
training. Self-training of this kind is described by Xie et al., "Self-training with Noisy Student",
CVPR 2020.
"""

from __future__ import annotations

import argparse
import json
from collections import deque
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import torch

from training.export import complete, load
from training.network import HEADS
from training.train import Pieces, given, inputs
from understave.harmony.model.decoding import Settled, Trust, decode
from understave.harmony.model.encoding import CENTRE, FIFTHS
from understave.harmony.model.label_indices import KEYS, LOWEST_TONIC
from understave.harmony.model.network import Numerals

WINDOW, STRIDE = 512, 384


@torch.no_grad()
def judged(networks: list, pieces: Pieces, piece: int) -> dict[str, np.ndarray]:  # type: ignore[type-arg]
    """Average what the networks say of each frame of a piece, as `model.network.judge` does."""
    count = int(pieces.offsets[piece + 1] - pieces.offsets[piece])
    sums: dict[str, np.ndarray] = {}
    weight = np.zeros((count, 1), np.float32)
    for begin in range(0, max(1, count - WINDOW + STRIDE), STRIDE):
        size = min(WINDOW, count - begin)
        batch = pieces.window(np.array([piece]), np.array([begin]), size)
        weight[begin : begin + size] += 1
        for network in networks:
            outputs = network(*inputs(batch, *given(batch, network.shape, None)))
            for name, logits in zip(HEADS, outputs, strict=True):
                chance = (torch.sigmoid(logits) if name == "starts" else logits.softmax(-1))[0].cpu().numpy()
                sums.setdefault(name, np.zeros((count, chance.shape[1]), np.float32))
                sums[name][begin : begin + size] += chance
    mean = {name: value / (weight * len(networks)) for name, value in sums.items()}
    return {n: v if n == "starts" else np.log(v + 1e-7) for n, v in mean.items()}


def label(
    found: dict[str, np.ndarray], lengths: np.ndarray, numerals: Numerals, belief: float
) -> dict[str, np.ndarray]:
    """Return the labels of one song, -1 where they are believed less than `belief`, and the belief."""
    count = len(lengths)
    free = Settled(
        np.ones((count, KEYS), bool), np.ones((count, len(numerals.reduced)), bool), np.zeros(count, bool)
    )
    path = decode(found, numerals, lengths, free, Trust())
    rows = np.searchsorted(path.keys, path.key)
    believed = path.beliefs[np.arange(count), rows, path.numeral]
    sure = believed >= belief
    place = numerals.places[path.numeral]
    tonic = path.key // 2 + LOWEST_TONIC
    values = {
        "key": path.key,
        "tonicised": np.clip(2 * (tonic + place[:, 2] - LOWEST_TONIC) + place[:, 5], 0, KEYS - 1),
        "root": np.clip(tonic + place[:, 0] - 2 + CENTRE, 1, FIFTHS - 1),
        "bass": np.clip(tonic + place[:, 1] - 2 + CENTRE, 1, FIFTHS - 1),
        "quality": place[:, 3],
        "inversion": np.minimum(place[:, 4], 3),
        "numeral": path.numeral,
    }
    labels = {name: np.where(sure, value, -1).astype(np.int16) for name, value in values.items()}
    labels["belief"] = believed.astype(np.float32)
    change = (np.diff(path.key, prepend=-1) != 0) | (np.diff(path.numeral, prepend=-1) != 0)
    new_key = np.diff(path.key, prepend=path.key[0]) != 0
    labels["starts"] = np.stack([change, new_key, found["starts"][:, 2]], 1).astype(np.float32)
    return labels


def main() -> None:
    """Label the songs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("teachers", type=Path, nargs="+")
    parser.add_argument("--examples", type=Path, required=True)
    parser.add_argument("--belief", type=float, default=0.2, help="least belief in a label that is kept")
    parser.add_argument("--jobs", type=int, default=2)
    arguments = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    networks = [load(path).to(device) for path in arguments.teachers]
    pieces = Pieces(arguments.examples / "songs.npz", device)
    numerals = Numerals.from_table(complete(json.loads((arguments.examples / "tables.json").read_text())))
    source = dict(np.load(arguments.examples / "songs.npz").items())
    lengths = source["frames"][:, 0].astype(np.float32)
    count = len(pieces.offsets) - 1
    waiting: deque[Future[dict[str, np.ndarray]]] = deque()
    done: list[dict[str, np.ndarray]] = []
    with ProcessPoolExecutor(arguments.jobs, mp_context=get_context("spawn")) as pool:
        for piece in range(count):
            part = slice(int(pieces.offsets[piece]), int(pieces.offsets[piece + 1]))
            found = judged(networks, pieces, piece)
            waiting.append(pool.submit(label, found, lengths[part], numerals, arguments.belief))
            while len(waiting) > 4 * arguments.jobs:
                done.append(waiting.popleft().result())
            if piece % 100 == 0:
                print(f"{piece} of {count} songs", flush=True)
        done += [future.result() for future in waiting]
    labels = {name: np.concatenate([d[name] for d in done]) for name in done[0]}
    print(f"{100 * np.mean(labels['key'] >= 0):.1f} % of the frames got a label")
    np.savez_compressed(arguments.examples / "songs-labelled.npz", **source, **labels)


if __name__ == "__main__":
    main()
