"""Fit confidences and the order of alternatives on pieces held out of training.

    python -m training.confidence FILE.pt ... --examples FOLDER
    python -m training.confidence --left-out SET[,SET]=FILE.pt ... --examples FOLDER

In: networks trained with ``--held SHARE``, or with ``--leave-out SET``, and the examples they were trained
on. Out, printed: the constants of `understave.harmony.model.confidence`, fitted on the pieces held out or on
the sets left out, each read by the network that had not seen it, and how well they would have done on each
set if it had been left out of the fit too.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from benchmarks import corpora

from training.export import load
from training.selftrain import heads_of, soft_labels
from training.tables import complete
from training.train import Pieces, held_out
from understave.harmony.model.confidence import evidence, features
from understave.harmony.model.decoding import TRUST, Settled, decode, likely_keys, second_opinion
from understave.harmony.model.encoding import encode
from understave.harmony.model.label_indices import KEYS
from understave.harmony.model.network import Numerals
from understave.harmony.trained import opinion_of

RIDGE = 20.0
"""Pull of the weights to nothing, in units of the mean weight of a span."""
CANDIDATES = 30


@dataclass(frozen=True)
class Spans:
    """What one piece gives: features (S, 3), the share of each span's time that is right (S,), its time (S,),
    and of every span the likeliest other labels: features (S, CANDIDATES, 3) and the time each is right.
    """

    set: str
    features: np.ndarray
    right: np.ndarray
    time: np.ndarray
    others: np.ndarray
    others_right: np.ndarray


def spans_of(
    found: dict[str, np.ndarray], pieces: Pieces, piece: int, home: corpora.Piece, numerals: Numerals
) -> Spans:
    """Read one held-out piece as the tool does and compare it with its analysis."""
    score = corpora.cached_score(home.score)
    encoding = encode(score)
    frames = len(encoding.times) - 1
    free = Settled(
        np.ones((frames, KEYS), bool), np.ones((frames, len(numerals.reduced)), bool), np.zeros(frames, bool)
    )
    keys = likely_keys(found, free)
    opinion = opinion_of(score, (), encoding, keys)
    lengths = encoding.frames[:, 0]
    rules = second_opinion(opinion.chords, opinion.keys, numerals, keys, TRUST)
    path = decode(found, numerals, lengths, free, TRUST, [rules])
    part = slice(int(pieces.offsets[piece]), int(pieces.offsets[piece + 1]))
    key, numeral = (pieces.arrays[name][part].cpu().numpy() for name in ("key", "numeral"))
    time = lengths * (key >= 0)
    change = (np.diff(path.key, prepend=-1) != 0) | (np.diff(path.numeral, prepend=-1) != 0)
    begins = np.flatnonzero(change)
    labels = [
        (int(b), int(e), int(path.key[b]), int(path.numeral[b]))
        for b, e in zip(begins, [*begins[1:], frames], strict=True)
    ]
    spoken = evidence(labels, found, opinion.chords, numerals, lengths)
    good = time * ((path.key == key) & (path.numeral == numeral))
    beliefs = path.beliefs([*begins, frames])
    others = np.zeros((len(labels), CANDIDATES, 3))
    others_right = np.zeros((len(labels), CANDIDATES))
    for i, (begin, end, own_key, own) in enumerate(labels):
        belief = beliefs[i]
        row = int(np.flatnonzero(path.keys == own_key)[0])
        # The decoder's and the networks' favourites, half of each kind of belief.
        worth = 0.5 * np.log(belief + 1e-9) + 0.5 * np.log(spoken.chances[i] + 1e-5)
        worth[belief <= 0] = -np.inf
        worth[row, own] = -np.inf
        best = np.argsort(-worth, axis=None)[:CANDIDATES]
        rows, numbers = np.unravel_index(best, worth.shape)
        others[i] = np.stack(
            (
                np.log(belief[rows, numbers] + 1e-9),
                np.log(spoken.chances[i][numbers] + 1e-5),
                rows == row,
            ),
            axis=1,
        )
        hit = (path.keys[rows][:, None] == key[begin:end]) & (numbers[:, None] == numeral[begin:end])
        others_right[i] = (hit * time[begin:end]).sum(1)
    total = np.array([time[b:e].sum() for b, e, _, _ in labels])
    right = np.array([good[b:e].sum() for b, e, _, _ in labels]) / np.maximum(total, 1e-9)
    known = total > 0
    return Spans(
        home.set, features(spoken)[known], right[known], total[known], others[known], others_right[known]
    )


def logistic(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Fit log odds = b0 + b x by Newton's method, features brought to one size, pulled by `RIDGE`."""
    mean = np.average(x, axis=0, weights=weight)
    size = np.sqrt(np.average((x - mean) ** 2, axis=0, weights=weight)) + 1e-9
    design = np.c_[np.ones(len(x)), (x - mean) / size]
    pull = RIDGE * np.diag([1e-6, *np.ones(x.shape[1])])
    b = np.zeros(design.shape[1])
    for _ in range(50):
        p = 1 / (1 + np.exp(-design @ b))
        gradient = design.T @ (weight * (y - p)) - pull @ b
        b += np.linalg.solve((design * (weight * p * (1 - p))[:, None]).T @ design + pull, gradient)
    slopes = b[1:] / size
    return np.concatenate([[b[0] - slopes @ mean], slopes])


def conditional(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Fit which of the others is right, as shares proportional to exp(b x) (McFadden 1974)."""
    features, target = torch.tensor(x), torch.tensor(y * weight[:, None])
    b = torch.zeros(x.shape[2], dtype=torch.float64, requires_grad=True)
    descent = torch.optim.LBFGS([b], max_iter=100, line_search_fn="strong_wolfe")

    def loss() -> torch.Tensor:
        descent.zero_grad()
        value = -(target * (features @ b).log_softmax(1)).sum() / target.sum() + 1e-3 * (b**2).sum()
        value.backward()
        return value

    descent.step(loss)
    return b.detach().numpy()


def three(spans: list[Spans], b: np.ndarray) -> float:
    """Return the share of time on which the label or one of the best two others is right."""
    found = 0.0
    for s in spans:
        best = np.argsort(-(s.others @ b), axis=1)[:, :2]
        found += (s.right * s.time).sum() + np.take_along_axis(s.others_right, best, 1).sum()
    return float(found / sum(s.time.sum() for s in spans))


def fit(spans: list[Spans]) -> tuple[np.ndarray, np.ndarray]:
    """Fit both models, every set counting alike."""
    whole = {name: sum(s.time.sum() for s in spans if s.set == name) for name in {s.set for s in spans}}
    weight = np.concatenate([s.time / whole[s.set] for s in spans])
    weight /= weight.mean()
    x, y = np.concatenate([s.features for s in spans]), np.concatenate([s.right for s in spans])
    # How long a span is, is in the times on which an other is right already.
    each = np.concatenate([np.full(len(s.time), 1 / whole[s.set]) for s in spans])
    others, right = np.concatenate([s.others for s in spans]), np.concatenate([s.others_right for s in spans])
    return logistic(x, y, weight), conditional(others, right, each)


def main() -> None:
    """Fit and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("networks", type=Path, nargs="*", help="trained with --held")
    parser.add_argument(
        "--left-out", nargs="*", default=[], metavar="SET[,SET]=FILE", help="networks that had not seen these"
    )
    parser.add_argument("--every", type=int, default=1, help="of sets left out, every Nth piece")
    parser.add_argument("--examples", type=Path, required=True)
    parser.add_argument("--held", type=float, default=0.12, help="share that was held out of the training")
    arguments = parser.parse_args()
    torch.set_num_threads(1)
    if bool(arguments.networks) == bool(arguments.left_out):
        parser.error("give either networks trained with --held, or --left-out with sets and networks")
    pieces = Pieces(arguments.examples / "labelled.npz", torch.device("cpu"))
    numerals = Numerals.from_table(complete(json.loads((arguments.examples / "tables.json").read_text())))
    # The groups are numbered in the order of the pieces that fit, as `training.examples` takes them.
    homes = [p for p in corpora.pieces("train", corpora.SHIPPABLE) if corpora.fitting(p) is not None]
    if len(homes) != pieces.groups.max() + 1:
        parser.error("the examples were made from other pieces than those that fit now; make them again")
    judges: list[tuple[list[torch.nn.Module], np.ndarray]] = []
    if arguments.networks:
        chosen = np.flatnonzero(held_out(pieces.groups, arguments.held) & (pieces.weights >= 1))
        judges.append(([load(path) for path in arguments.networks], chosen))
    for item in arguments.left_out:
        names, _, file = item.partition("=")
        chosen = np.flatnonzero(np.isin(pieces.sets, names.split(",")) & (pieces.weights >= 1))
        judges.append(([load(Path(file))], chosen[:: arguments.every]))
    spans = []
    for networks, chosen in judges:
        soft = soft_labels(networks, pieces).numpy()
        for p in map(int, chosen):
            heads = heads_of(soft[pieces.offsets[p] : pieces.offsets[p + 1]], numerals)
            spans.append(spans_of(heads, pieces, p, homes[pieces.groups[p]], numerals))
    sets = sorted({s.set for s in spans})
    print("set, left out of the fit: agreement, mean confidence, calibration error, first three")
    for name in sets:
        b, order = fit([s for s in spans if s.set != name])
        here = [s for s in spans if s.set == name]
        time = sum(s.time.sum() for s in here)
        sure = np.concatenate([1 / (1 + np.exp(-b[0] - s.features @ b[1:])) for s in here])
        length, right = np.concatenate([s.time for s in here]), np.concatenate([s.right for s in here])
        bins = np.clip((sure * 10).astype(int), 0, 9)
        error = sum(abs((length * (sure - right))[bins == k].sum()) for k in range(10)) / time
        shares = ((right * length).sum() / time, (sure * length).sum() / time, error, three(here, order))
        print(f"  {name:12}", *(f"{100 * share:5.1f}" for share in shares))
    b, order = fit(spans)
    print("Weighing: bias, numeral, opinion, key =", b.round(3))
    print("Ordering: belief, numeral, same_key =", order.round(2))


if __name__ == "__main__":
    main()
