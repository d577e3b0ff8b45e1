"""Label works without analyses: ``python -m training.selftrain FILE.pt ... --examples FOLDER --out FOLDER``.

In: ``songs.npz`` made by `training.unlabelled` and networks made by `training.train`. Out, in the folder
``--out``: ``soft.npy``, what the networks together think of every frame, and ``labels.npz``: for each frame
the label of the best path and how far it is believed, which is the weight it gets in training. With
``--shipped`` the networks of the package are teachers too, and with ``--engine SECONDS`` the engine of
hand-made features gives its second opinion on the path of every piece that is begun by then, so that the
student learns from both. Self-training of this kind is described by Xie et al., "Self-training with Noisy
Student", CVPR 2020.
"""

from __future__ import annotations

import argparse
import json
import pickle
import time
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import torch

from training.export import load
from training.network import HEADS
from training.tables import complete
from training.train import Pieces, given, inputs, sizes_of
from understave.harmony.model.decoding import Settled, Trust, decode, likely_keys, second_opinion
from understave.harmony.model.encoding import CENTRE, FIFTHS, Encoding, encode
from understave.harmony.model.label_indices import KEYS, LOWEST_TONIC, QUALITIES
from understave.harmony.model.network import Numerals, judge
from understave.harmony.model.network import load as shipped_networks
from understave.harmony.trained import opinion_of

WINDOW, STRIDE, TOGETHER = 512, 384, 48


@torch.no_grad()
def soft_labels(networks: list, pieces: Pieces) -> torch.Tensor:  # type: ignore[type-arg]
    """Return what the networks together think of every frame of every piece, (F, sum of heads' sizes)."""
    shape = networks[0].shape
    sums = torch.zeros((int(pieces.offsets[-1]), sum(sizes_of(shape).values())), device=pieces.device)
    weight = torch.zeros((len(sums), 1), device=pieces.device)
    todo = [
        (p, begin)
        for p, count in enumerate(np.diff(pieces.offsets))
        for begin in range(0, max(1, int(count) - WINDOW + STRIDE), STRIDE)
    ]
    for first in range(0, len(todo), TOGETHER):
        number, begin = (pieces.tensor(list(x)) for x in zip(*todo[first : first + TOGETHER], strict=True))
        batch = pieces.window(number, begin, WINDOW)
        mask = batch["mask"]
        place = (pieces.begins[number] + begin)[:, None] + torch.arange(WINDOW, device=pieces.device)
        weight.index_add_(0, place[mask], torch.ones((int(mask.sum()), 1), device=pieces.device))
        for network in networks:
            with torch.autocast(pieces.device.type, torch.bfloat16, enabled=pieces.device.type == "cuda"):
                outputs = network(*inputs(batch, *given(batch, shape)))
            chances = [
                torch.sigmoid(o.float()) if name == "starts" else o.float().softmax(-1)
                for name, o in zip(HEADS, outputs, strict=True)
            ]
            sums.index_add_(0, place[mask], torch.cat(chances, -1)[mask])
    return (sums / weight / len(networks)).half()


@dataclass(frozen=True)
class Help:
    """Who helps to label: the score's file, how many trained networks there are besides the shipped ones
    (which are not asked when 0), and until when, in seconds of the clock, the engine is asked.
    """

    score: Path
    networks: int
    engine_until: float


def shipped_soft(encoding: Encoding, numerals: Numerals) -> tuple[np.ndarray, int]:
    """Return what the shipped networks think, in this table of numerals, (T, sum of sizes), and how many."""
    network = shipped_networks()
    frames = len(encoding.times) - 1
    theirs = {r: i for i, r in enumerate(network.numerals.reduced)}
    free = np.full(frames, KEYS, np.int64), np.full(frames, len(theirs), np.int64)
    found = judge(network, encoding, *free)
    columns = []
    for name in HEADS:
        chance = found[name] if name == "starts" else np.exp(found[name])
        if name == "numeral":
            known = np.array([theirs.get(r, -1) for r in numerals.reduced])
            chance = np.where(known >= 0, chance[:, known], 0)
            chance = chance / chance.sum(1, keepdims=True)
        columns.append(chance)
    return np.concatenate(columns, 1), len(network.sessions)


def heads_of(soft: np.ndarray, numerals: Numerals) -> dict[str, np.ndarray]:
    """Part what networks think of frames (T, sum of sizes) into heads, as `network.judge` gives them."""
    ends = np.cumsum([KEYS, KEYS, len(numerals.reduced), FIFTHS, FIFTHS, len(QUALITIES), 4])
    parts = np.split(soft.astype(np.float32), ends, axis=1)
    return {n: v if n == "starts" else np.log(v + 1e-7) for n, v in zip(HEADS, parts, strict=True)}


def label(
    soft: np.ndarray, lengths: np.ndarray, numerals: Numerals, belief: float, helped: Help
) -> dict[str, np.ndarray]:
    """Return the labels of one piece, -1 where they are believed less than `belief`, and the belief.

    `soft` (T, sum of the heads' sizes) is what the trained networks think; it comes back joined with what the
    shipped ones think.
    """
    count = len(lengths)
    asked = time.time() < helped.engine_until
    encoding = None
    if helped.networks or asked:
        music = pickle.loads(helped.score.read_bytes())
        encoding = encode(music)
    if helped.networks and encoding is not None:
        theirs, number = shipped_soft(encoding, numerals)
        mean = helped.networks * soft.astype(np.float32) + number * theirs
        soft = (mean / (helped.networks + number)).astype(np.float16)
    found = heads_of(soft, numerals)
    free = Settled(
        np.ones((count, KEYS), bool), np.ones((count, len(numerals.reduced)), bool), np.zeros(count, bool)
    )
    trust, opinions = Trust(), []
    if asked and encoding is not None:
        keys = likely_keys(found, free)
        opinion = opinion_of(music, (), encoding, keys)
        opinions = [second_opinion(opinion.chords, opinion.keys, numerals, keys, trust)]
    path = decode(found, numerals, lengths, free, trust, opinions)
    rows = np.searchsorted(path.keys, path.key)
    believed = path.beliefs(range(count + 1))[np.arange(count), rows, path.numeral]
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
    labels["soft"] = soft
    labels["asked"] = np.array([asked])
    change = (np.diff(path.key, prepend=-1) != 0) | (np.diff(path.numeral, prepend=-1) != 0)
    new_key = np.diff(path.key, prepend=path.key[0]) != 0
    labels["starts"] = np.stack([change, new_key, found["starts"][:, 2]], 1).astype(np.float32)
    return labels


def part_of(source: dict[str, np.ndarray], chosen: np.ndarray) -> dict[str, np.ndarray]:
    """Return the arrays of some of the pieces."""
    begins, ends = source["offsets"][chosen], source["offsets"][chosen + 1]
    frames = np.concatenate([np.arange(a, b) for a, b in zip(begins, ends, strict=True)])
    result = {
        n: a[chosen] if n in ("sets", "names") else a[frames] for n, a in source.items() if n != "offsets"
    }
    return {**result, "offsets": np.concatenate([[0], np.cumsum(ends - begins)])}


def main() -> None:
    """Label the works."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("teachers", type=Path, nargs="+")
    parser.add_argument("--examples", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--belief", type=float, default=0.2, help="least belief in a label that is kept")
    parser.add_argument(
        "--songs", type=int, default=9999, help="how many songs at most, besides the quartets"
    )
    parser.add_argument("--shipped", action="store_true", help="ask the shipped networks too")
    parser.add_argument("--engine", type=float, default=0.0, metavar="SECONDS", help="ask the engine so long")
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    begin = time.time()
    options.out.mkdir(parents=True, exist_ok=True)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    networks = [load(path).to(device) for path in options.teachers]
    source = dict(np.load(options.examples / "songs.npz").items())
    songs = np.random.default_rng(3).permutation(np.flatnonzero(source["sets"] == "songs"))[: options.songs]
    source = part_of(source, np.concatenate([np.flatnonzero(source["sets"] != "songs"), songs]))
    np.savez(options.out / "labels.npz", **source)
    pieces = Pieces(options.out / "labels.npz", device)
    numerals = Numerals.from_table(complete(json.loads((options.examples / "tables.json").read_text())))
    soft = soft_labels(networks, pieces).cpu().numpy()
    print(f"{len(soft)} frames judged after {time.time() - begin:.0f} s", flush=True)
    lengths = source["frames"][:, 0].astype(np.float32)
    waiting: list[Future[dict[str, np.ndarray]]] = []
    with ProcessPoolExecutor(options.jobs, mp_context=get_context("spawn")) as pool:
        for piece, name in enumerate(source["names"]):
            part = slice(int(source["offsets"][piece]), int(source["offsets"][piece + 1]))
            helped = Help(
                options.examples / "scores" / f"{name}.pickle",
                len(networks) if options.shipped else 0,
                begin + options.engine,
            )
            waiting.append(pool.submit(label, soft[part], lengths[part], numerals, options.belief, helped))
        done = [future.result() for future in waiting]
    labels = {name: np.concatenate([d[name] for d in done]) for name in done[0]}
    np.save(options.out / "soft.npy", labels.pop("soft"))
    asked = int(labels.pop("asked").sum())
    print(f"the engine was asked about {asked} of {len(done)} works", flush=True)
    np.savez(options.out / "labels.npz", **source, **labels)
    share = 100 * np.mean(labels["key"] >= 0)
    print(f"{share:.1f} % of the frames got a label after {time.time() - begin:.0f} s", flush=True)


if __name__ == "__main__":
    main()
