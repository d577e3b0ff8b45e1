"""Train the network: ``python -m training.train --examples FOLDER --out FOLDER [--minutes 8]``.

In: ``labelled.npz`` and, if present, ``songs.npz`` made by `training.examples`. Out: ``reader.pt``
and a log with the measured agreement on held-out pieces of the training split. A seed makes a run
repeatable on one kind of machine; without a GPU it runs on the CPU, only slower.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training.network import HEADS, Reader, Shape

LABELS = ("key", "tonicised", "numeral", "root", "bass", "quality", "inversion")
KEY_MODES = 2


class Pieces:
    """All pieces of one file on one device, cut into windows when drawn."""

    def __init__(self, path: Path, device: torch.device) -> None:
        data = np.load(path)
        self.offsets = data["offsets"]
        self.groups = data["groups"] if "groups" in data else np.zeros(len(self.offsets) - 1, np.int64)
        self.sets = data["sets"] if "sets" in data else np.array(["songs"] * (len(self.offsets) - 1))
        self.weights = data["weights"] if "weights" in data else np.ones(len(self.offsets) - 1, np.float32)
        kinds = {"codes": torch.int16, "values": torch.float16, "frames": torch.float32}
        self.arrays: dict[str, Tensor] = {}
        for name in data.files:
            if name in ("offsets", "groups", "sets", "weights", "names"):
                continue
            dtype = kinds.get(name, torch.float32 if data[name].dtype.kind == "f" else torch.int16)
            self.arrays[name] = torch.from_numpy(data[name]).to(dtype).to(device)
        if "belief" not in self.arrays:
            self.arrays["belief"] = torch.ones(int(self.offsets[-1]), device=device)
        self.device = device
        self.labelled = "key" in self.arrays

    def window(self, piece: np.ndarray, start: np.ndarray, length: int) -> dict[str, Tensor]:
        """Return frames start..start+length of each piece, padded; adds `mask` (B, length)."""
        first = torch.as_tensor(self.offsets[piece] + start, device=self.device)
        last = torch.as_tensor(self.offsets[piece + 1], device=self.device)
        index = first[:, None] + torch.arange(length, device=self.device)[None]
        mask = index < last[:, None]
        index = torch.minimum(index, last[:, None] - 1)
        batch = {name: array[index] for name, array in self.arrays.items()}
        batch["mask"] = mask
        for name in ("codes", "signature", *LABELS):
            if name in batch:
                batch[name] = batch[name].long()
        batch["values"] = batch["values"].float()
        batch["codes"] = batch["codes"] * mask[:, :, None, None]
        batch["times"] = batch["times"] - batch["times"][:, :1]
        return batch


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


def draw_shift(batch: dict[str, Tensor], generator: torch.Generator, keys: int) -> Tensor:
    """Draw a transposition that keeps the signature within seven accidentals and keys in the table."""
    signature = batch["signature"][:, 0] + 2 - 24
    low, high = -7 - signature, 7 - signature
    if "key" in batch:
        for name in ("key", "tonicised"):
            k = torch.where(batch[name] >= 0, batch[name], batch[name].clamp_min(0).amax(1, keepdim=True))
            low = torch.maximum(low, -torch.div(k.amin(1), KEY_MODES, rounding_mode="floor"))
            high = torch.minimum(high, torch.div(keys - 1 - k.amax(1), KEY_MODES, rounding_mode="floor"))
    high = torch.maximum(high, low)
    r = torch.rand(low.shape, generator=generator, device=low.device)
    shift = low + torch.floor(r * (high - low + 1)).long()
    return torch.where((low <= 0) & (high >= 0), shift, torch.zeros_like(shift))


def blur_input(batch: dict[str, Tensor], generator: torch.Generator) -> dict[str, Tensor]:
    """Drop some notes, some melodic links and at times the signature, so that nothing is leaned on alone."""
    out = dict(batch)
    codes = batch["codes"].clone()
    device = codes.device
    b = codes.shape[0]
    rate = 0.12 * torch.rand((b, 1, 1), generator=generator, device=device)
    drop = torch.rand(codes.shape[:3], generator=generator, device=device) < rate
    codes[..., 0] = torch.where(drop, 0, codes[..., 0])
    unlink = torch.rand((b, 1, 1), generator=generator, device=device) < 0.15
    codes[..., 2] = torch.where(unlink, 0, codes[..., 2])
    codes[..., 3] = torch.where(unlink, 0, codes[..., 3])
    out["codes"] = codes
    nosig = torch.rand((b, 1), generator=generator, device=device) < 0.15
    out["signature"] = torch.where(nosig, 0, batch["signature"])
    return out


def vary(batch: dict[str, Tensor], generator: torch.Generator) -> dict[str, Tensor]:
    """Write the same music otherwise: in longer or shorter values, an octave off, on other staves."""
    out = dict(batch)
    codes, values, frames = batch["codes"].clone(), batch["values"].clone(), batch["frames"].clone()
    device, b = codes.device, codes.shape[0]
    draw = torch.rand((4, b), generator=generator, device=device)
    pace = torch.where(draw[0] < 0.15, 0.5, torch.where(draw[0] > 0.85, 2.0, 1.0))
    values[..., 1:4] = torch.log1p(torch.expm1(values[..., 1:4]) * pace[:, None, None, None])
    for column in (0, 5, 6):
        frames[..., column] = frames[..., column] * pace[:, None]
    frames[..., 1] = torch.log1p(frames[..., 0])
    octave = (draw[1] > 0.85).long() - (draw[1] < 0.15).long()
    codes[..., 1] = (codes[..., 1] + octave[:, None, None]).clamp(1, 9)
    values[..., 9] = values[..., 9] + 0.5 * octave[:, None, None]
    staves = (draw[2] > 0.25).float()[:, None, None]
    values[..., 7], values[..., 10] = values[..., 7] * staves, values[..., 10] * staves
    frames[..., 2:5] = frames[..., 2:5] * (draw[3] > 0.1).float()[:, None, None]
    out.update(codes=codes, values=values, frames=frames, times=batch["times"] * pace[:, None])
    return out


def joined(first: dict[str, Tensor], second: dict[str, Tensor]) -> dict[str, Tensor]:
    """Put two batches of the same length together."""
    return {name: torch.cat([first[name], second[name]]) for name in first if name in second}


def given(batch: dict[str, Tensor], shape: Shape, generator: torch.Generator | None) -> tuple[Tensor, Tensor]:
    """Reveal a few settled chords (by whole spans); none when no generator is given."""
    key = torch.full_like(batch["signature"], shape.keys)
    numeral = torch.full_like(batch["signature"], shape.numerals)
    if generator is None or "key" not in batch:
        return key, numeral
    device = key.device
    b, t = key.shape
    rate = torch.where(
        torch.rand((b, 1), generator=generator, device=device) < 0.3,
        0.25 * torch.rand((b, 1), generator=generator, device=device),
        torch.zeros((b, 1), device=device),
    )
    starts = batch["starts"][..., 0] > 0.5
    span = starts.long().cumsum(1)
    coin = torch.rand((b, t + 1), generator=generator, device=device).gather(1, span)
    show = (coin < rate) & (batch["key"] >= 0)
    key = torch.where(show, batch["key"], key)
    numeral = torch.where(show & (batch["numeral"] >= 0), batch["numeral"], numeral)
    return key, numeral


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


def loss_of(
    outputs: tuple[Tensor, ...], batch: dict[str, Tensor], weight: Tensor, smoothing: float
) -> Tensor:
    """Weighted sum of the heads' cross-entropies over labelled frames, longer frames counting more."""
    total = outputs[0].new_zeros(())
    weight = weight[:, None] * batch["belief"]
    length = batch["frames"][..., 0].clamp(0.02, 4.0).sqrt() * batch["mask"] * weight
    for name, logits in zip(HEADS, outputs, strict=True):
        logits = logits.float()
        if name == "starts":
            known = (batch["key"] >= 0) * batch["mask"] * weight
            bce = functional.binary_cross_entropy_with_logits(logits, batch["starts"], reduction="none").mean(
                -1
            )
            total = total + WEIGHTS[name] * 3 * (bce * known).sum() / known.sum().clamp_min(1)
            continue
        target = batch[name]
        known = (target >= 0) * length
        ce = functional.cross_entropy(
            logits.flatten(0, 1), target.clamp_min(0).flatten(), reduction="none", label_smoothing=smoothing
        ).view(target.shape)
        total = total + WEIGHTS[name] * (ce * known).sum() / known.sum().clamp_min(1e-3)
    return total


@torch.no_grad()
def measure(network: Reader, pieces: Pieces, chosen: np.ndarray, length: int = 512) -> dict[str, Any]:
    """Return agreement by duration on whole pieces: each head, and all parts of the label together."""
    network.eval()
    sums: dict[str, dict[str, float]] = {}
    for piece in chosen:
        count = int(pieces.offsets[piece + 1] - pieces.offsets[piece])
        for start in range(0, count, length):
            batch = pieces.window(np.array([piece]), np.array([start]), min(length, count - start))
            with torch.autocast(batch["codes"].device.type, torch.bfloat16):
                outputs = network(*inputs(batch, *given(batch, network.shape, None)))
            guess = {name: o.float().argmax(-1) for name, o in zip(HEADS, outputs, strict=True)}
            weight = batch["frames"][..., 0] * (batch["key"] >= 0) * batch["mask"]
            right = {name: (guess[name] == batch[name]) for name in LABELS}
            right["full"] = right["key"] & right["numeral"]
            row = sums.setdefault(str(pieces.sets[piece]), dict.fromkeys([*right, "all"], 0.0))
            for name, ok in right.items():
                row[name] += float((ok * weight).sum())
            row["all"] += float(weight.sum())
    network.train()
    micro = {n: sum(r[n] for r in sums.values()) for n in next(iter(sums.values()))}
    table = {**sums, "micro": micro}
    return {
        name: {n: round(100 * v / max(row["all"], 1e-9), 1) for n, v in row.items() if n != "all"}
        for name, row in table.items()
    }


def train(arguments: argparse.Namespace) -> None:
    """Run the whole training as the command line says."""
    torch.manual_seed(arguments.seed)
    rng = np.random.default_rng(arguments.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    generator = torch.Generator(device=device).manual_seed(arguments.seed)
    pieces = Pieces(arguments.examples / "labelled.npz", device)
    tables = json.loads((arguments.examples / "tables.json").read_text())
    shape = Shape(
        keys=tables["keys"],
        numerals=len(tables["numerals"]),
        qualities=len(tables["qualities"]),
        width=arguments.width,
        layers=arguments.layers,
        heads=arguments.heads,
        note_width=arguments.note_width,
        dropout=arguments.dropout,
    )
    network = Reader(shape).to(device)
    print(f"{sum(p.numel() for p in network.parameters()) / 1e6:.2f} M parameters on {device}", flush=True)
    count = len(pieces.offsets) - 1
    held = held_out(pieces.groups, arguments.held)
    held_pieces = np.flatnonzero(held & (pieces.weights >= 1))
    train_pieces = np.flatnonzero(~held) if arguments.held else np.arange(count)
    frames = np.diff(pieces.offsets)
    average = {k: v.detach().clone() for k, v in network.state_dict().items()}
    songs = Pieces(arguments.examples / "songs.npz", device) if arguments.pretrain else None
    optimiser = torch.optim.AdamW(
        network.parameters(), lr=arguments.rate, weight_decay=0.05, betas=(0.9, 0.98)
    )

    def step_rate(progress: float) -> float:
        warm = min(1.0, progress / 0.04)
        return warm * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * min(1.0, progress))))

    def step(loss: Tensor, rate: float) -> None:
        for group in optimiser.param_groups:
            group["lr"] = rate
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimiser.step()

    if songs is not None:
        pool = np.diff(songs.offsets)
        probability = np.sqrt(pool) / np.sqrt(pool).sum()
        begin = time.time()
        for i in range(arguments.pretrain):
            chosen = rng.choice(len(pool), arguments.batch, p=probability)
            start = (rng.random(arguments.batch) * np.maximum(1, pool[chosen] - arguments.length)).astype(int)
            batch = songs.window(chosen, start, arguments.length)
            batch = transpose(batch, draw_shift(batch, generator, shape.keys))
            loss = restore_loss(network, batch, generator, shape)
            step(loss, arguments.rate * step_rate(i / arguments.pretrain))
            if i % 500 == 0:
                passed = time.time() - begin
                print(f"pretraining {i}/{arguments.pretrain} {loss.item():.3f} {passed:.0f} s", flush=True)
        optimiser = torch.optim.AdamW(
            network.parameters(), lr=arguments.rate, weight_decay=0.05, betas=(0.9, 0.98)
        )
        average = {k: v.detach().clone() for k, v in network.state_dict().items()}

    taught = Pieces(arguments.examples / "songs-labelled.npz", device) if arguments.songs else None
    if taught is not None:
        songs_frames = np.diff(taught.offsets)
        songs_chance = np.sqrt(songs_frames) / np.sqrt(songs_frames).sum()
    weight_of = pieces.weights
    probability = np.sqrt(frames[train_pieces]) * weight_of[train_pieces]
    probability = probability / probability.sum()
    begin = time.time()
    for i in range(arguments.steps):
        # With a time limit the schedule follows the clock, so that the rate still ends near zero.
        progress = max(i / arguments.steps, (time.time() - begin) / (60 * arguments.minutes))
        if progress >= 1:
            break
        chosen = train_pieces[rng.choice(len(train_pieces), arguments.batch, p=probability)]
        slack = np.maximum(0, frames[chosen] - arguments.length + 32)
        start = np.maximum(0, (rng.random(arguments.batch) * slack).astype(int) - 16)
        batch = pieces.window(chosen, start, arguments.length)
        if taught is not None:
            picked = rng.choice(len(songs_frames), arguments.songs, p=songs_chance)
            begin_at = (rng.random(arguments.songs) * np.maximum(1, songs_frames[picked] - 64)).astype(int)
            batch = joined(batch, taught.window(picked, begin_at, arguments.length))
        batch = transpose(batch, draw_shift(batch, generator, shape.keys))
        batch = blur_input(vary(batch, generator) if arguments.vary else batch, generator)
        with torch.autocast(device.type, torch.bfloat16):
            outputs = network(*inputs(batch, *given(batch, shape, generator)))
        weight = torch.ones(batch["mask"].shape[0], device=device)
        weight[arguments.batch :] = arguments.songs_weight
        step(
            loss := loss_of(outputs, batch, weight, arguments.smoothing), arguments.rate * step_rate(progress)
        )
        keep = min(0.999, (1 + i) / (10 + i))
        with torch.no_grad():
            for name, value in network.state_dict().items():
                if value.dtype.is_floating_point:
                    average[name].lerp_(value, 1 - keep)
        if i % 500 == 0 or i == arguments.steps - 1:
            line = f"step {i}/{arguments.steps} loss {loss.item():.3f} {time.time() - begin:.0f} s"
            if len(held_pieces):
                now = {k: v.clone() for k, v in network.state_dict().items()}
                network.load_state_dict(average)
                line += f" held out: {measure(network, pieces, held_pieces)['micro']}"
                network.load_state_dict(now)
            print(line, flush=True)
    network.load_state_dict(average)
    if len(held_pieces):
        for name, row in measure(network, pieces, held_pieces).items():
            print(f"{name:12s} {row}", flush=True)
    arguments.out.mkdir(parents=True, exist_ok=True)
    state = {k: v.half() if v.dtype.is_floating_point else v for k, v in network.state_dict().items()}
    torch.save(
        {"state": state, "shape": vars(shape) if hasattr(shape, "__dict__") else shape},
        arguments.out / f"{arguments.name}.pt",
    )


def restore_loss(
    network: Reader, batch: dict[str, Tensor], generator: torch.Generator, shape: Shape
) -> Tensor:
    """Self-supervised: hide stretches of frames and at times the signature, and ask for them back."""
    codes = batch["codes"]
    device = codes.device
    b, t = codes.shape[:2]
    present = torch.zeros((b, t, 49), device=device)
    present.scatter_(2, codes[..., 0], 1.0)
    present[..., 0] = 0
    hide = torch.rand((b, t), generator=generator, device=device) < 0.06
    for _ in range(3):
        hide = hide | torch.cat([hide[:, :1], hide[:, :-1]], 1) & (
            torch.rand((b, t), generator=generator, device=device) < 0.6
        )
    some = torch.rand((b, t, codes.shape[2]), generator=generator, device=device) < 0.1
    hidden = dict(batch)
    c = codes.clone()
    c[..., 0] = torch.where(hide[:, :, None] | some, 0, c[..., 0])
    hidden["codes"] = c
    nosig = torch.rand((b, 1), generator=generator, device=device) < 0.5
    hidden["signature"] = torch.where(nosig, 0, batch["signature"])
    with torch.autocast(device.type, torch.bfloat16):
        x = network.frames(*inputs(hidden, *given(batch, shape, None)))
        logits = network.restore_pitch(x).float()
        key = network.heads["key"](x).float()
    mask = batch["mask"].float()
    bce = functional.binary_cross_entropy_with_logits(logits, present, reduction="none").mean(-1)
    loss = (bce * mask * (0.2 + 4 * hide)).sum() / mask.sum() * 4
    # The key of a signature is its major tonic or the relative minor: ask for one of the two.
    major = (2 * (batch["signature"] - 24 + 2 + 13)).clamp(0, shape.keys - 8)
    minor = major + 2 * 3 + 1
    log = key.log_softmax(-1)
    both = torch.logaddexp(log.gather(-1, major[..., None]), log.gather(-1, minor[..., None]))[..., 0]
    return loss - 0.2 * (both * mask * nosig).sum() / (mask * nosig).sum().clamp_min(1)


def main() -> None:
    """Parse the command line and train."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--examples", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--name", default="reader")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--minutes", type=float, default=600.0, help="stop training by then")
    parser.add_argument("--pretrain", type=int, default=0)
    parser.add_argument("--songs", type=int, default=0, help="songs labelled by teachers in each batch")
    parser.add_argument("--songs-weight", type=float, default=0.5)
    parser.add_argument("--vary", action=argparse.BooleanOptionalAction, default=True)
    parser.add_argument("--heads", type=int, default=8)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--length", type=int, default=384)
    parser.add_argument("--rate", type=float, default=6e-4)
    parser.add_argument("--width", type=int, default=256)
    parser.add_argument("--layers", type=int, default=6)
    parser.add_argument("--note-width", type=int, default=160)
    parser.add_argument("--dropout", type=float, default=0.2)
    parser.add_argument("--smoothing", type=float, default=0.05)
    parser.add_argument("--held", type=float, default=0.12, help="share of pieces held out of training")
    train(parser.parse_args())


if __name__ == "__main__":
    main()
