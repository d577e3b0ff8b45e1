"""Train the network: ``python -m training.train --examples FOLDER --out FOLDER [--minutes 8]``.

In: ``labelled.npz`` and, if asked for, works without analyses as `training.selftrain` labelled them. Out:
a network and a log with the measured agreement on pieces held out or on the set left out. A seed makes a
run repeatable on one kind of machine; without a GPU it runs on the CPU, only slower.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training.network import HEADS, Reader, Shape

LABELS = ("key", "tonicised", "numeral", "root", "bass", "quality", "inversion")
KEY_MODES = 2
ABOUT = ("offsets", "groups", "sets", "weights", "names")
TASTES = ("chorales", "grounds", "lieder", "preludes", "textbook", "variations", "second analyst")


class Pieces:
    """All pieces of one file on one device, cut into windows when drawn.

    `soft` (F, sum of the heads' sizes), where given, is what teachers think of every frame.
    """

    def __init__(self, path: Path, device: torch.device, soft: Path | None = None) -> None:
        data = np.load(path)
        count = len(data["offsets"]) - 1
        self.offsets = data["offsets"]
        self.groups = data["groups"] if "groups" in data else np.zeros(count, np.int64)
        self.sets = data["sets"] if "sets" in data else np.array(["songs"] * count)
        self.weights = data["weights"] if "weights" in data else np.ones(count, np.float32)
        kinds = {"codes": torch.int16, "values": torch.float16, "frames": torch.float32}
        self.arrays: dict[str, Tensor] = {}
        for name in data.files:
            if name in ABOUT:
                continue
            dtype = kinds.get(name, torch.float32 if data[name].dtype.kind == "f" else torch.int16)
            self.arrays[name] = torch.from_numpy(data[name]).to(dtype).to(device)
        if "belief" not in self.arrays:
            self.arrays["belief"] = torch.ones(int(self.offsets[-1]), device=device)
        if soft is not None:
            self.arrays["soft"] = torch.from_numpy(np.load(soft)).to(device)
        self.ends = torch.as_tensor(self.offsets[1:], device=device)
        self.begins = torch.as_tensor(self.offsets[:-1], device=device)
        tastes = [
            0 if s not in TASTES else TASTES.index("second analyst" if w < 1 else str(s)) + 1
            for s, w in zip(self.sets, self.weights, strict=True)
        ]
        self.tastes = torch.tensor(tastes, device=device)
        self.device = device
        self.labelled = "key" in self.arrays

    def window(self, piece: Tensor, start: Tensor, length: int) -> dict[str, Tensor]:
        """Return frames start..start+length of each piece (B,), padded; adds `mask` (B, length)."""
        first, last = self.begins[piece] + start, self.ends[piece]
        index = first[:, None] + torch.arange(length, device=self.device)[None]
        mask = index < last[:, None]
        index = torch.minimum(index, last[:, None] - 1)
        batch = {name: array[index] for name, array in self.arrays.items()}
        batch["mask"] = mask
        batch["taste"] = self.tastes[piece]
        for name in ("codes", "signature", *LABELS):
            if name in batch:
                batch[name] = batch[name].long()
        batch["values"] = batch["values"].float()
        batch["codes"] = batch["codes"] * mask[:, :, None, None]
        batch["times"] = batch["times"] - batch["times"][:, :1]
        return batch

    def tensor(self, numbers: np.ndarray | list[int]) -> Tensor:
        """Return whole numbers on this device."""
        return torch.as_tensor(numbers, device=self.device)


def held_out(groups: np.ndarray, share: float) -> np.ndarray:
    """Return which analyses are kept out of training: those of a share of the pieces, always the same."""
    order = np.random.default_rng(7).permutation(np.unique(groups))
    return np.isin(groups, order[: int(share * len(order))])


def transpose(batch: dict[str, Tensor], shift: Tensor) -> dict[str, Tensor]:
    """Move each example by `shift` (B,) fifths, inputs and labels alike."""
    out = dict(batch)
    s = shift[:, None]
    codes = batch["codes"].clone()
    pitch = codes[..., 0]
    codes[..., 0] = torch.where(pitch > 0, (pitch + s[:, :, None]).clamp(1, 48), pitch)
    out["codes"] = codes
    out["signature"] = (batch["signature"] + s).clamp(1, 48)
    for name in ("root", "bass"):
        if name in batch:
            out[name] = torch.where(batch[name] > 0, (batch[name] + s).clamp(1, 48), batch[name])
    for name in ("key", "tonicised"):
        if name in batch:
            out[name] = torch.where(batch[name] >= 0, batch[name] + KEY_MODES * s, batch[name])
    return out


def moved(chances: Tensor, shift: Tensor) -> Tensor:
    """Move chances (B, T, size) up by `shift` (B,) places; what falls off the table is lost."""
    place = torch.arange(chances.shape[-1], device=chances.device)[None] - shift[:, None]
    inside = (place >= 0) & (place < chances.shape[-1])
    place = place.clamp(0, chances.shape[-1] - 1)[:, None].expand(-1, chances.shape[1], -1)
    return chances.gather(-1, place) * inside[:, None]


def draw_shift(batch: dict[str, Tensor], keys: int) -> Tensor:
    """Draw a transposition that keeps the signature within seven accidentals and keys in the table."""
    signature = batch["signature"][:, 0] + 2 - 24
    low, high = -7 - signature, 7 - signature
    if "key" in batch:
        for name in ("key", "tonicised"):
            k = torch.where(batch[name] >= 0, batch[name], batch[name].clamp_min(0).amax(1, keepdim=True))
            low = torch.maximum(low, -torch.div(k.amin(1), KEY_MODES, rounding_mode="floor"))
            high = torch.minimum(high, torch.div(keys - 1 - k.amax(1), KEY_MODES, rounding_mode="floor"))
    high = torch.maximum(high, low)
    r = torch.rand(low.shape, device=low.device)
    shift = low + torch.floor(r * (high - low + 1)).long()
    return torch.where((low <= 0) & (high >= 0), shift, torch.zeros_like(shift))


def blur_input(batch: dict[str, Tensor]) -> dict[str, Tensor]:
    """Drop some notes, some melodic links and at times the signature, so that nothing is leaned on alone."""
    out = dict(batch)
    codes = batch["codes"].clone()
    device = codes.device
    b = codes.shape[0]
    rate = 0.12 * torch.rand((b, 1, 1), device=device)
    drop = torch.rand(codes.shape[:3], device=device) < rate
    codes[..., 0] = torch.where(drop, 0, codes[..., 0])
    unlink = torch.rand((b, 1, 1), device=device) < 0.15
    codes[..., 2] = torch.where(unlink, 0, codes[..., 2])
    codes[..., 3] = torch.where(unlink, 0, codes[..., 3])
    out["codes"] = codes
    nosig = torch.rand((b, 1), device=device) < 0.15
    out["signature"] = torch.where(nosig, 0, batch["signature"])
    out["taste"] = torch.where(torch.rand(b, device=device) < 0.6, 0, batch["taste"])
    return out


def vary(batch: dict[str, Tensor]) -> dict[str, Tensor]:
    """Write the same music otherwise: in other values, an octave off, spaced anew, on other staves."""
    out = dict(batch)
    codes, values, frames = batch["codes"].clone(), batch["values"].clone(), batch["frames"].clone()
    device, b = codes.device, codes.shape[0]
    draw = torch.rand((5, b), device=device)
    pace = torch.where(draw[0] < 0.15, 0.5, torch.where(draw[0] > 0.85, 2.0, 1.0))
    values[..., 1:4] = torch.log1p(torch.expm1(values[..., 1:4]) * pace[:, None, None, None])
    frames[..., 10:12] = torch.log1p(torch.expm1(frames[..., 10:12]) * pace[:, None, None])
    for column in (0, 5, 6):
        frames[..., column] = frames[..., column] * pace[:, None]
    frames[..., 1] = torch.log1p(frames[..., 0])
    octave = ((draw[1] > 0.85).long() - (draw[1] < 0.15).long())[:, None, None]
    # Some upper notes go up or down an octave by themselves: the same chord in another position.
    lone = (torch.rand(codes.shape[:3], device=device) < 0.25) & (draw[4] < 0.15)[:, None, None]
    lone = lone & (values[..., 4] < 0.5)
    side = torch.where(torch.rand(codes.shape[:3], device=device) < 0.3, -1, 1)
    octave = octave + lone * side
    codes[..., 1] = (codes[..., 1] + octave).clamp(1, 9)
    values[..., 9] = values[..., 9] + 0.5 * octave
    staves = (draw[2] > 0.25).float()[:, None, None]
    values[..., 7], values[..., 10] = values[..., 7] * staves, values[..., 10] * staves
    frames[..., 2:5] = frames[..., 2:5] * (draw[3] > 0.1).float()[:, None, None]
    out.update(codes=codes, values=values, frames=frames, times=batch["times"] * pace[:, None])
    return out


def joined(first: dict[str, Tensor], second: dict[str, Tensor]) -> dict[str, Tensor]:
    """Put two batches of the same length together."""
    return {name: torch.cat([first[name], second[name]]) for name in first if name in second}


def given(batch: dict[str, Tensor], shape: Shape, reveal: str = "") -> tuple[Tensor, Tensor]:
    """Reveal what a teacher might have settled; nothing when `reveal` is empty.

    ``few``: at times some chords with their keys, by whole spans. ``teacher``: in turn nothing, some chords
    with their keys, keys by whole stretches without chords, chords without keys, a long stretch of both, or
    all keys with some chords, as one corrects: keys first, then chord by chord from the beginning.
    ``keys``: every key and no chord, to measure with.
    """
    key = torch.full_like(batch["signature"], shape.keys)
    numeral = torch.full_like(batch["signature"], shape.numerals)
    if not reveal or "key" not in batch:
        return key, numeral
    device = key.device
    b, t = key.shape
    known = batch["key"] >= 0
    if reveal == "keys":
        return torch.where(known, batch["key"], key), numeral

    def by_stretch(starts: Tensor) -> Tensor:
        return torch.rand((b, t + 1), device=device).gather(1, starts.long().cumsum(1))

    kind, rate = torch.rand((2, b, 1), device=device).unbind(0)
    chord = by_stretch(batch["starts"][..., 0] > 0.5)
    if reveal == "few":
        show = (chord < 0.25 * rate * (kind < 0.3)) & known
        show_key, show_numeral = show, show
    else:
        new_key = torch.diff(batch["key"], dim=1, prepend=batch["key"][:, :1]) != 0
        stretch = by_stretch(new_key)
        low, high = torch.rand((2, b, 1), device=device).sort(0).values.mul(t).unbind(0)
        low = torch.where(rate < 0.5, 0.0, low)
        place = torch.arange(t, device=device)[None]
        long = (place >= low) & (place < high)
        some = chord < 0.5 * rate * rate
        keys = stretch < 0.4 + 0.8 * rate
        none = torch.zeros_like(known)
        choice = [
            (0.55, none, none), (0.67, some, some), (0.80, keys, none), (0.84, none, some),
            (0.92, long, long), (1.01, keys, some | long),
        ]  # fmt: skip
        show_key, show_numeral, below = none, none, 0.0
        for above, of_key, of_numeral in choice:
            here = (kind >= below) & (kind < above)
            show_key, show_numeral = show_key | (here & of_key), show_numeral | (here & of_numeral)
            below = above
    key = torch.where(show_key & known, batch["key"], key)
    return key, torch.where(show_numeral & (batch["numeral"] >= 0), batch["numeral"], numeral)


def inputs(batch: dict[str, Tensor], given_key: Tensor, given_numeral: Tensor) -> tuple[Tensor, ...]:
    """Order a batch as the network takes it."""
    return (
        batch["codes"], batch["values"], batch["frames"], batch["signature"], batch["times"],
        batch["mask"], given_key, given_numeral,
    )  # fmt: skip


WEIGHTS = {
    "key": 1.0,
    "tonicised": 0.6,
    "numeral": 1.2,
    "root": 0.6,
    "bass": 0.4,
    "quality": 0.5,
    "inversion": 0.4,
    "starts": 0.7,
}


def sizes_of(shape: Shape) -> dict[str, int]:
    """Return how many values each of `HEADS` has, in order."""
    return {
        "key": shape.keys, "tonicised": shape.keys, "numeral": shape.numerals, "root": 49, "bass": 49,
        "quality": shape.qualities, "inversion": 4, "starts": 3,
    }  # fmt: skip


def loss_of(
    outputs: tuple[Tensor, ...], batch: dict[str, Tensor], weight: Tensor, options: argparse.Namespace
) -> Tensor:
    """Weighted sum of the heads' cross-entropies over labelled frames, longer frames counting more."""
    total = outputs[0].new_zeros((), dtype=torch.float32)
    weight = weight[:, None] * batch["belief"]
    length = batch["frames"][..., 0].clamp(0.02, 4.0).sqrt() * batch["mask"] * weight
    for name, logits in zip(HEADS, outputs, strict=True):
        logits = logits.float()
        if name == "starts":
            known = (batch["key"] >= 0) * batch["mask"] * weight
            bce = functional.binary_cross_entropy_with_logits(logits, batch["starts"], reduction="none").mean(
                -1
            )
            total = total + options.bounds * WEIGHTS[name] * 3 * (bce * known).sum() / known.sum().clamp_min(
                1
            )
            continue
        target = batch[name]
        known = (target >= 0) * length
        ce = functional.cross_entropy(
            logits.flatten(0, 1),
            target.clamp_min(0).flatten(),
            reduction="none",
            label_smoothing=options.smoothing,
        ).view(target.shape)
        total = total + WEIGHTS[name] * (ce * known).sum() / known.sum().clamp_min(1e-3)
    return total


def soft_loss(outputs: tuple[Tensor, ...], taught: dict[str, Tensor], shift: Tensor, shape: Shape) -> Tensor:
    """Cross-entropy with what the teachers think of each frame of the works without analyses.

    `outputs` belong to those works alone; `shift` (B,) fifths is how far each was transposed.
    """
    total = outputs[0].new_zeros((), dtype=torch.float32)
    length = taught["frames"][..., 0].clamp(0.02, 4.0).sqrt() * taught["mask"]
    length = length / length.sum().clamp_min(1e-3)
    parts = taught["soft"].float().split(list(sizes_of(shape).values()), dim=-1)
    for (name, logits), chances in zip(zip(HEADS, outputs, strict=True), parts, strict=True):
        if name == "starts":
            bce = functional.binary_cross_entropy_with_logits(logits.float(), chances, reduction="none")
            total = total + WEIGHTS[name] * 3 * (bce.mean(-1) * taught["mask"]).sum() / taught["mask"].sum()
            continue
        if name in ("root", "bass"):
            chances = moved(chances, shift)
        elif name in ("key", "tonicised"):
            chances = moved(chances, KEY_MODES * shift)
        ce = -(chances * logits.float().log_softmax(-1)).sum(-1)
        total = total + WEIGHTS[name] * (ce * length).sum()
    return total


@torch.no_grad()
def measure(
    network: Reader, pieces: Pieces, chosen: np.ndarray, reveal: str = "", length: int = 512
) -> dict[str, Any]:
    """Return agreement by duration on whole pieces, frame by frame: each head, and the whole label."""
    network.eval()
    sums: dict[str, dict[str, float]] = {}
    todo = [
        (int(p), start)
        for p in chosen
        for start in range(0, int(pieces.offsets[p + 1] - pieces.offsets[p]), length)
    ]
    for first in range(0, len(todo), 48):
        here = todo[first : first + 48]
        batch = pieces.window(
            pieces.tensor([p for p, _ in here]), pieces.tensor([s for _, s in here]), length
        )
        with torch.autocast(batch["codes"].device.type, torch.bfloat16):
            outputs = network(*inputs(batch, *given(batch, network.shape, reveal)))
        guess = {name: o.float().argmax(-1) for name, o in zip(HEADS, outputs, strict=True)}
        weight = batch["frames"][..., 0] * (batch["key"] >= 0) * batch["mask"]
        right = {name: (guess[name] == batch[name]) for name in LABELS}
        right["full"] = right["key"] & right["numeral"]
        right["chord"] = right["root"] & right["quality"] & right["inversion"]
        totals = {name: (ok * weight).sum(1).cpu().numpy() for name, ok in right.items()}
        totals["all"] = weight.sum(1).cpu().numpy()
        for row, (p, _) in enumerate(here):
            own = sums.setdefault(str(pieces.sets[p]), dict.fromkeys(totals, 0.0))
            for name, values in totals.items():
                own[name] += float(values[row])
    network.train()
    micro = {n: sum(r[n] for r in sums.values()) for n in next(iter(sums.values()))}
    return {
        name: {n: round(100 * v / max(row["all"], 1e-9), 1) for n, v in row.items() if n != "all"}
        for name, row in {**sums, "micro": micro}.items()
    }


def captured(work: Callable[[], Tensor], device: torch.device) -> Callable[[], Tensor]:
    """Record one step on a GPU and return what plays it again: without the cost of starting each kernel."""
    if device.type != "cuda":
        return work
    side = torch.cuda.Stream()
    side.wait_stream(torch.cuda.current_stream())
    with torch.cuda.stream(side):
        for _ in range(3):
            work()
    torch.cuda.current_stream().wait_stream(side)
    graph = torch.cuda.CUDAGraph()
    with torch.cuda.graph(graph):
        result = work()

    def play() -> Tensor:
        graph.replay()
        return result

    return play


def train(options: argparse.Namespace) -> None:  # noqa: C901
    """Run the whole training as the command line says."""
    torch.manual_seed(options.seed)
    torch.backends.cuda.matmul.allow_tf32 = True
    rng = np.random.default_rng(options.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    pieces = Pieces(options.examples / "labelled.npz", device)
    tables = json.loads((options.examples / "tables.json").read_text())
    shape = Shape(
        keys=tables["keys"],
        numerals=len(tables["numerals"]),
        qualities=len(tables["qualities"]),
        width=options.width,
        layers=options.layers,
        heads=options.heads,
        note_width=options.note_width,
        dropout=options.dropout,
        tastes=len(TASTES) if options.taste else 0,
    )
    network = Reader(shape).to(device)
    print(f"{sum(p.numel() for p in network.parameters()) / 1e6:.2f} M parameters on {device}", flush=True)
    out = np.isin(pieces.sets, options.leave_out) | held_out(pieces.groups, options.held)
    held_pieces = np.flatnonzero(out & (pieces.weights >= 1))
    train_pieces = np.flatnonzero(~out)
    frames = np.diff(pieces.offsets)
    taught, taught_pieces = None, np.zeros(0, np.int64)
    if options.songs:
        taught = Pieces(options.taught / "labels.npz", device, options.taught / "soft.npy")
        taught_pieces = np.flatnonzero(np.isin(taught.sets, options.kinds))
        songs_frames = np.diff(taught.offsets)[taught_pieces]
        songs_chance = np.sqrt(songs_frames) * np.where(taught.sets[taught_pieces] == "quartets", 3.0, 1.0)
        songs_chance = songs_chance / songs_chance.sum()
    rate = torch.tensor(0.0, device=device)
    optimiser = torch.optim.AdamW(
        network.parameters(), lr=rate, weight_decay=0.05, betas=(0.9, 0.98), fused=device.type == "cuda",
        capturable=device.type == "cuda",
    )  # fmt: skip
    chosen, start = (torch.zeros(options.batch, dtype=torch.long, device=device) for _ in range(2))
    picked, begin_at = (torch.zeros(options.songs, dtype=torch.long, device=device) for _ in range(2))
    weight = torch.ones(options.batch + options.songs, device=device)
    weight[options.batch :] = options.songs_weight

    def step() -> Tensor:
        batch = pieces.window(chosen, start, options.length)
        if taught is not None:
            other = taught.window(picked, begin_at, options.length)
            batch = joined(batch, other)
        shift = draw_shift(batch, shape.keys)
        batch = blur_input(vary(transpose(batch, shift)))
        with torch.autocast(device.type, torch.bfloat16, cache_enabled=False):
            outputs = network(*inputs(batch, *given(batch, shape, options.reveal)), batch["taste"])
        loss = loss_of(outputs, batch, weight, options)
        if taught is not None and options.soft:
            rest = tuple(o[options.batch :] for o in outputs)
            loss = loss + options.soft * soft_loss(rest, other, shift[options.batch :], shape)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()
        return loss.detach()

    def draw() -> None:
        own = train_pieces[rng.choice(len(train_pieces), options.batch, p=probability)]
        slack = np.maximum(0, frames[own] - options.length + 32)
        chosen.copy_(torch.from_numpy(own))
        start.copy_(
            torch.from_numpy(np.maximum(0, (rng.random(options.batch) * slack).astype(np.int64) - 16))
        )
        if taught is not None:
            theirs = rng.choice(len(taught_pieces), options.songs, p=songs_chance)
            room = np.maximum(1, songs_frames[theirs] - 64)
            picked.copy_(torch.from_numpy(taught_pieces[theirs]))
            begin_at.copy_(torch.from_numpy((rng.random(options.songs) * room).astype(np.int64)))

    def rate_at(progress: float) -> float:
        warm = min(1.0, progress / 0.04)
        return options.rate * warm * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * min(1.0, progress))))

    def report(line: str) -> None:
        print(line, flush=True)
        if not len(held_pieces):
            return
        now = {k: v.clone() for k, v in network.state_dict().items()}
        network.load_state_dict(average)
        for reveal in ("", "keys"):
            found = measure(network, pieces, held_pieces, reveal)["micro"]
            print(f"  {options.name} held out, {reveal or 'nothing'} given: {found}", flush=True)
        network.load_state_dict(now)

    probability = np.sqrt(frames[train_pieces]) * pieces.weights[train_pieces]
    probability = probability / probability.sum()
    draw()
    begin = time.time()
    play = step if options.eager else captured(step, device)
    average = {k: v.detach().clone() for k, v in network.state_dict().items()}
    floating = [k for k, v in average.items() if v.dtype.is_floating_point]
    # What is recorded writes into the same tensors every time, so they can be named once.
    current = network.state_dict()
    now, kept = [current[k] for k in floating], [average[k] for k in floating]
    quarter = 0
    for i in range(options.steps):
        # With a time limit the schedule follows the clock, so that the rate still ends near zero.
        progress = max(i / options.steps, (time.time() - begin) / (60 * options.minutes))
        if progress >= 1:
            break
        draw()
        rate.fill_(rate_at(progress))
        loss = play()
        with torch.no_grad():
            torch._foreach_lerp_(kept, now, 1 - min(0.999, (1 + i) / (10 + i)))
        if i % 500 == 0 or int(4 * progress) > quarter:
            print(f"{options.name} step {i} loss {loss.item():.3f} {time.time() - begin:.0f} s", flush=True)
        if int(4 * progress) > quarter:
            quarter = int(4 * progress)
            if quarter > 1:
                report(f"{options.name} step {i}")
    report(f"{options.name} ended after {i} steps")
    network.load_state_dict(average)
    if len(held_pieces):
        for name, row in measure(network, pieces, held_pieces).items():
            print(f"{options.name} {name:12s} {row}", flush=True)
    options.out.mkdir(parents=True, exist_ok=True)
    state = {
        k: v.half().cpu() if v.dtype.is_floating_point else v.cpu() for k, v in network.state_dict().items()
    }
    torch.save({"state": state, "shape": asdict(shape)}, options.out / f"{options.name}.pt")


def main() -> None:
    """Parse the command line and train."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--taught", type=Path, help="folder of labels by teachers, made by training.selftrain"
    )
    parser.add_argument("--name", default="reader")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--minutes", type=float, default=600.0, help="stop training by then")
    parser.add_argument("--songs", type=int, default=0, help="works labelled by teachers in each batch")
    parser.add_argument("--kinds", nargs="*", default=["songs", "quartets"], help="which of them")
    parser.add_argument("--songs-weight", type=float, default=1.0)
    parser.add_argument("--soft", type=float, default=0.0, help="weight of the teachers' beliefs")
    parser.add_argument("--bounds", type=float, default=1.0, help="weight of where chords and keys begin")
    parser.add_argument("--reveal", choices=["few", "teacher"], default="teacher")
    parser.add_argument("--eager", action="store_true", help="start every kernel by itself, also on a GPU")
    parser.add_argument(
        "--taste", action="store_true", help="tell the network of corpus and analyst, at times"
    )
    parser.add_argument("--leave-out", nargs="*", default=[], help="sets not trained on, but measured on")
    parser.add_argument("--heads", type=int, default=6)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--length", type=int, default=384)
    parser.add_argument("--rate", type=float, default=1.3e-3)
    parser.add_argument("--width", type=int, default=192)
    parser.add_argument("--layers", type=int, default=4)
    parser.add_argument("--note-width", type=int, default=128)
    parser.add_argument("--dropout", type=float, default=0.25)
    parser.add_argument("--smoothing", type=float, default=0.05)
    parser.add_argument("--held", type=float, default=0.0, help="share of pieces held out of training")
    train(parser.parse_args())


if __name__ == "__main__":
    main()
