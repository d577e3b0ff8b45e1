"""Train the network that hears which keys are struck: ``python -m training.hearing``.

In: single notes of pianos (`training.piano_notes`) and scores to play (`training.random_playing`). Every step
mixes new playing on the graphics card, and does to it what rooms, microphones and telephones do:
reverberation, colouring, narrow bands, noise, hum, levelling, clipping, an instrument out of tune. Out:
``hearer.pt``, and ``hearer.onnx`` with what it says of one layout (``hearer-check.npz``), by which a test
compares the two.

The network has the same weights for every key: a key is seen with its overtones, the keys round about, and
those that could be its overtones or it theirs. Only a small bias knows which key it is.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional
from torch.utils.data import DataLoader, IterableDataset

from training.piano_notes import VELOCITIES
from training.random_playing import Array, Played, stretch
from understave.takes.stroke_hearing import (
    HOP,
    KEYS,
    KNEE,
    LONG,
    LOUDEST,
    RATE,
    SHORT,
    SLOTS,
    THIRDS,
    filters,
    layout,
)  # fmt: skip

FRAMES = 256
LENGTH = FRAMES * HOP
"""Frames, and samples, of a stretch."""
SLOPE = 0.05
"""Seconds within which a stroke counts, less and less."""
OVERTONES = (-12, 0, 12, 19, 24, 28, 31, 34, 36)
WIDTH, BLOCKS = 40, (1, 1, 2, 4, 2)
ROOMS, ROOM = 256, 24_000
"""How many answers of rooms are drawn, and their samples."""


class Block(nn.Module):
    """Looks at frames and keys round about, and at the keys an octave, two, and a twelfth away."""

    def __init__(self, width: int, wide: int) -> None:
        super().__init__()
        self.near = nn.Conv2d(width, width, (5, 3), padding=(2 * wide, 1), dilation=(wide, 1), bias=False)
        self.octaves = nn.Conv2d(width, width, (1, 5), padding=(0, 24), dilation=(1, 12), bias=False)
        self.twelfths = nn.Conv2d(width, width, (1, 3), padding=(0, 19), dilation=(1, 19), bias=False)
        self.norm = nn.BatchNorm2d(width)
        self.mix = nn.Conv2d(width, width, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Add to what is known."""
        return x + self.mix(functional.relu(self.norm(self.near(x) + self.octaves(x) + self.twelfths(x))))


class Hearer(nn.Module):
    """(batch, 4, frames, semitones) of a `layout` to (batch, 2, frames, keys): struck, sounding."""

    def __init__(self, width: int = WIDTH, blocks: tuple[int, ...] = BLOCKS) -> None:
        super().__init__()
        self.first = nn.Conv2d((THIRDS + 1) * len(OVERTONES), width, (3, 1), padding=(1, 0))
        self.key = nn.Parameter(torch.zeros(1, width, 1, KEYS))
        self.norm = nn.BatchNorm2d(width)
        self.blocks = nn.Sequential(*(Block(width, wide) for wide in blocks))
        self.last = nn.Conv2d(width, 2, 1)

    def forward(self, levels: Tensor) -> Tensor:
        """Judge every frame."""
        more = functional.pad(levels, (12, 36 + KEYS - SLOTS))
        seen = torch.cat([more[..., 12 + d : 12 + d + KEYS] for d in OVERTONES], dim=1)
        x = functional.relu(self.norm(self.first(seen) + self.key))
        return self.last(self.blocks(x))


class Struck(nn.Module):
    """Only what the package asks of a `Hearer`: (batch, frames, keys), the logits of strokes."""

    def __init__(self, hearer: Hearer) -> None:
        super().__init__()
        self.hearer = hearer

    def forward(self, levels: Tensor) -> Tensor:
        """Leave the second answer out."""
        return self.hearer(levels)[:, 0]


# --- playing, on the graphics card -----------------------------------------------------------------------


@dataclass(frozen=True)
class Batch:
    """Notes of many stretches, one after another: `of` says whose each is. `faster` is how much quicker, and
    sharper, each stretch is than its notes.
    """

    notes: Tensor
    """(notes, 6): stretch, start, end, key, velocity layer, gain."""
    piano: Tensor
    faster: Tensor


class Playing(IterableDataset[Batch]):
    """Batches of random playing without end."""

    def __init__(self, written: list[Array], pianos: Array, layers: int, size: int, seed: int) -> None:
        self.written, self.pianos, self.layers, self.size, self.seed = written, pianos, layers, size, seed

    def __iter__(self) -> Iterator[Batch]:
        worker = torch.utils.data.get_worker_info()
        chance = np.random.default_rng((self.seed, worker.id if worker else 0))
        while True:
            rows, pianos = [], chance.choice(len(self.pianos), self.size, p=self.pianos)
            for k in range(self.size):
                played = stretch(self.written, LENGTH / RATE * 1.03, chance)
                rows.append(self._rows(k, played, chance))
            faster = 2 ** (np.clip(chance.normal(0, 0.12, self.size), -0.3, 0.3) / 12)
            yield Batch(
                torch.from_numpy(np.concatenate(rows)),
                torch.from_numpy(pianos),
                torch.from_numpy(faster.astype(np.float32)),
            )

    def _rows(self, k: int, played: Played, chance: np.random.Generator) -> Array:
        velocities = np.array(VELOCITIES)
        # Neighbouring layers too, so that touch and loudness do not go together always.
        layer = np.abs(played.velocity[:, None] + chance.normal(0, 8) - velocities).argmin(axis=1)
        gain = 10 ** ((played.velocity - velocities[layer]) * chance.uniform(0.15, 0.4) / 20)
        return np.stack(
            [np.full(len(gain), k), played.start, played.end, played.key, layer, gain], axis=1
        ).astype(np.float32)


def mixed(batch: Batch, bank: Tensor, undamped: float = 68.0) -> Tensor:
    """Return the sound (stretches, frames) of a batch, `bank` being (pianos, keys, layers, frames)."""
    device = bank.device
    notes, size = batch.notes.to(device), len(batch.piano)
    long = round(LENGTH * 1.03) + 64
    out = torch.zeros(size, long, device=device)
    at = torch.arange(long, device=device)
    piano = batch.piano.to(device)
    for part in notes.split(384):
        of, key, layer = part[:, 0].long(), part[:, 3].long(), part[:, 4].long()
        since = at - (part[:, 1:2] * RATE).round().long()
        inside = (since >= 0) & (since < bank.shape[-1])
        row = ((piano[of] * bank.shape[1] + key) * bank.shape[2] + layer)[:, None]
        sound = bank.view(-1)[row * bank.shape[-1] + since.clamp(0, bank.shape[-1] - 1)].float()
        rate = torch.where(part[:, 3] > undamped, 0.5, 12 + 0.25 * part[:, 3])[:, None]
        gone = (at / RATE - part[:, 2:3]).clamp(min=0) * rate
        out.index_add_(0, of, sound * inside * torch.exp(-gone) * part[:, 5:6])
    places = torch.arange(LENGTH, device=device) * batch.faster.to(device)[:, None]
    low = places.long()
    share = places - low
    return out.gather(1, low) * (1 - share) + out.gather(1, low + 1) * share


def targets(batch: Batch, device: torch.device) -> tuple[Tensor, Tensor]:
    """Return (stretches, frames, keys): how near a stroke is, 1 at it and 0 from `SLOPE` on; what sounds."""
    notes, size = batch.notes.to(device), len(batch.piano)
    struck = torch.zeros(size, FRAMES, KEYS, device=device)
    sounding = torch.zeros_like(struck)
    faster = batch.faster.to(device)
    of, key = notes[:, 0].long(), notes[:, 3].long()
    start, end = notes[:, 1] / faster[of], notes[:, 2] / faster[of]
    end = torch.minimum(end, start + 4.0 - 0.035 * notes[:, 3])  # what has died away
    frame = torch.arange(FRAMES, device=device) * HOP / RATE
    near = (1 - (frame - start[:, None]).abs() / SLOPE).clamp(min=0)
    there = ((frame >= start[:, None]) & (frame < end[:, None])).float()
    index = (of * KEYS + key)[:, None].expand(-1, FRAMES)
    flat = torch.zeros(size * KEYS, FRAMES, device=device)
    struck = flat.scatter_reduce(0, index, near, "amax").view(size, KEYS, FRAMES).transpose(1, 2)
    sounding = torch.zeros_like(flat).scatter_reduce(0, index, there, "amax")
    return struck, sounding.view(size, KEYS, FRAMES).transpose(1, 2)


# --- rooms and microphones -------------------------------------------------------------------------------


def rooms(generator: torch.Generator, device: torch.device) -> Tensor:
    """Return answers of rooms (rooms, samples): direct sound, a few reflections, a tail that darkens."""
    at = torch.arange(ROOM, device=device) / RATE

    def drawn(*size: int) -> Tensor:
        return torch.rand(*size, generator=generator, device=device)

    tail = torch.randn(ROOMS, ROOM, generator=generator, device=device)
    dark = functional.avg_pool1d(tail[:, None], 9, 1, 4)[:, 0] * 3
    seconds = 0.08 * 25 ** drawn(ROOMS, 1)
    falling = torch.exp(-6.9 * at / seconds)
    share = torch.exp(-at * 8 * drawn(ROOMS, 1))
    tail = (share * tail + (1 - share) * dark) * falling
    tail[:, :60] = 0
    tail = tail / tail.square().sum(dim=1, keepdim=True).sqrt()
    wet = drawn(ROOMS, 1) ** 1.5 * 1.2
    answer = wet * tail
    for _ in range(6):
        place = (drawn(ROOMS, 1) * 0.03 * RATE + 20).long()
        answer.scatter_add_(1, place, wet * (drawn(ROOMS, 1) - 0.5))
    answer[:, 0] += 1
    answer[: ROOMS // 4] = 0
    answer[: ROOMS // 4, 0] = 1
    return answer


class Recorder:
    """Does to sound what a place and a microphone do, differently for each stretch."""

    def __init__(self, device: torch.device, seed: int) -> None:
        self.device = device
        self.generator = torch.Generator(device).manual_seed(seed)
        self.size = 1 << (LENGTH + ROOM).bit_length()
        self.rooms = torch.fft.rfft(rooms(self.generator, device), self.size)
        hertz = torch.fft.rfftfreq(self.size, 1 / RATE).to(device)
        self.octave = torch.log2(hertz.clamp(min=20) / 440)

    def drawn(self, *size: int) -> Tensor:
        """Return numbers from 0 to 1."""
        return torch.rand(*size, generator=self.generator, device=self.device)

    def colour(self, count: int) -> Tensor:
        """Return gains by frequency: a few broad waves, and a band for some."""
        found = torch.zeros(count, len(self.octave), device=self.device)
        for waves in (0.12, 0.3, 0.7):
            turn = self.drawn(count, 1) + self.octave * waves * (0.5 + self.drawn(count, 1))
            found += 6 * self.drawn(count, 1) * torch.cos(2 * torch.pi * turn)
        narrow = (self.drawn(count, 1) < 0.4).float()
        low = torch.log2((60 * 9 ** self.drawn(count, 1)) / 440)
        high = torch.log2((2500 * 3.5 ** self.drawn(count, 1)) / 440)
        steep = 12 + 24 * self.drawn(count, 1)
        cut = (low - self.octave).clamp(min=0) + (self.octave - high).clamp(min=0)
        found -= narrow * steep * cut
        return 10 ** (found / 20)

    def __call__(self, sound: Tensor) -> Tensor:
        """Return the sound as recorded."""
        count = len(sound)
        chosen = (self.drawn(count) * ROOMS).long()
        spectrum = torch.fft.rfft(sound, self.size) * self.rooms[chosen] * self.colour(count)
        sound = torch.fft.irfft(spectrum, self.size)[:, :LENGTH]
        sound = sound / (sound.square().mean(dim=1, keepdim=True).sqrt() + 1e-6)
        sound = torch.where(self.drawn(count, 1) < 0.4, self.levelled(sound), sound)
        clip = 10 ** (0.2 + 0.9 * self.drawn(count, 1))
        soft = torch.tanh(sound / clip) * clip
        hard = torch.maximum(torch.minimum(sound, clip), -clip)
        which = self.drawn(count, 1)
        sound = torch.where(which < 0.12, soft, torch.where(which < 0.2, hard, sound))
        return self.noised(sound)

    def levelled(self, sound: Tensor) -> Tensor:
        """Make soft moments louder, as gain controls do: soon or late, much or little."""
        block = 1764
        power = functional.avg_pool1d(sound.square()[:, None], block, block)[:, 0]
        share = 0.5 ** (1 / (1 + 40 * self.drawn(len(sound), 1)))
        kept = power[:, 0]
        levels = []
        for k in range(power.shape[1]):
            kept = share[:, 0] * kept + (1 - share[:, 0]) * power[:, k]
            levels.append(kept)
        level = functional.interpolate(torch.stack(levels, 1)[:, None], LENGTH, mode="linear")[:, 0]
        even = sound / (level.sqrt() + 0.03) ** (0.3 + 0.6 * self.drawn(len(sound), 1))
        return even / (even.square().mean(dim=1, keepdim=True).sqrt() + 1e-6)

    def noised(self, sound: Tensor) -> Tensor:
        """Add noise of some colour, and hum to some."""
        count = len(sound)
        white = torch.fft.rfft(torch.randn(sound.shape, generator=self.generator, device=self.device))
        hertz = torch.arange(1, white.shape[1] + 1, device=self.device) / white.shape[1] * RATE / 2
        noise = torch.fft.irfft(white * hertz ** (-self.drawn(count, 1)), LENGTH)
        noise = noise / noise.square().mean(dim=1, keepdim=True).sqrt()
        at = torch.arange(LENGTH, device=self.device) / RATE
        hum = torch.sin(2 * torch.pi * at * torch.where(self.drawn(count, 1) < 0.5, 50.0, 60.0) * 2)
        noise = noise + hum * (self.drawn(count, 1) < 0.1)
        return sound + noise * 10 ** (-(15 + 50 * self.drawn(count, 1)) / 20)


class Layout:
    """`stroke_hearing.layout`, in torch."""

    def __init__(self, device: torch.device) -> None:
        self.filters = [
            torch.from_numpy(filters(LONG, THIRDS)).to(device),
            torch.from_numpy(filters(SHORT, 1)).to(device),
        ]
        self.windows = [
            torch.from_numpy(np.hanning(n + 1)[:-1].astype(np.float32) / (n / 4)).to(device)
            for n in (LONG, SHORT)
        ]

    def __call__(self, sound: Tensor) -> Tensor:
        """Return (stretches, 4, frames, semitones)."""
        found = []
        for size, window, weights in zip((LONG, SHORT), self.windows, self.filters, strict=True):
            padded = functional.pad(sound, (size // 2, size))
            frames = padded.unfold(1, size, HOP)[:, : sound.shape[1] // HOP]
            found.append(torch.fft.rfft(frames * window).abs() @ weights)
        thirds, whole = found
        loud = thirds.amax(dim=2).quantile(LOUDEST, dim=1).clamp(min=1e-9)[:, None, None]
        levels = [thirds[..., k::THIRDS] for k in range(THIRDS)]
        return torch.log1p(torch.stack([*levels, whole], dim=1) * (KNEE / loud[:, None]))


# --- training --------------------------------------------------------------------------------------------


def bank_of(folder: Path, left_out: str, device: torch.device) -> tuple[Tensor, Array, list[str]]:
    """Read the notes of all pianos; return them, how often each is to be played, and their names."""
    paths = [p for p in sorted(folder.glob("*.npy")) if not left_out or left_out not in p.stem]
    bank = torch.stack([torch.from_numpy(np.load(p)).to(device).to(torch.float16) / 32_000 for p in paths])
    kinds = [p.stem.partition("-")[0] for p in paths]
    share = np.array([1 / kinds.count(kind) for kind in kinds])
    return bank.contiguous(), (share / share.sum()).astype(np.float64), [p.stem for p in paths]


def losses(logits: Tensor, struck: Tensor, sounding: Tensor) -> Tensor:
    """Return the loss: strokes above all; what sounds helps to learn."""
    first = functional.binary_cross_entropy_with_logits(logits[:, 0].float(), struck, reduction="none")
    second = functional.binary_cross_entropy_with_logits(logits[:, 1].float(), sounding, reduction="none")
    return 100 * (first * (1 + 4 * struck)).mean() + 10 * second.mean()


@torch.no_grad()
def found(network: nn.Module, sample: list[tuple[Tensor, Tensor]]) -> str:
    """Say how many strokes are found, and found rightly, at the best of some thresholds."""
    network.eval()
    best = ""
    top = 0.0
    logits = [torch.sigmoid(network(x)[:, 0].float()) for x, _ in sample]
    for least in (0.2, 0.3, 0.4, 0.5):
        right = told = there = 0
        for p, (_, y) in zip(logits, sample, strict=True):
            peak = (functional.max_pool2d(p[:, None], (3, 1), 1, (1, 0))[:, 0] == p) & (p > least)
            true = (functional.max_pool2d(y[:, None], (3, 1), 1, (1, 0))[:, 0] == y) & (y >= 0.8)
            near = functional.max_pool2d(true.float()[:, None], (5, 1), 1, (2, 0))[:, 0] > 0
            right, told, there = (
                right + int((peak & near).sum()),
                told + int(peak.sum()),
                there + int(true.sum()),
            )
        f1 = 2 * right / max(1, told + there)
        if f1 > top:
            top, best = (
                f1,
                f"F {f1:.3f} (right {right / max(1, told):.3f}, found {right / max(1, there):.3f}) "
                f"over {least}",
            )
    network.train()
    return best


def train(asked: argparse.Namespace) -> Hearer:
    """Train until the minutes are over."""
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(asked.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    saved = np.load(asked.scores)
    written = [saved["rows"][a:b] for a, b in zip(saved["offsets"], saved["offsets"][1:], strict=False)]
    bank, share, names = bank_of(asked.notes, asked.leave_out, device)
    print(f"{len(names)} pianos: {', '.join(names)}; {len(written)} songs", flush=True)
    network = Hearer(asked.width).to(device, memory_format=torch.channels_last)
    print(f"{sum(p.numel() for p in network.parameters())} weights", flush=True)
    mean = {k: v.clone().float() for k, v in network.state_dict().items()}
    recorder, spread = Recorder(device, asked.seed), Layout(device)

    def loaded(batch: Batch) -> tuple[Tensor, Tensor, Tensor]:
        levels = spread(recorder(mixed(batch, bank)))
        return levels.contiguous(memory_format=torch.channels_last), *targets(batch, device)

    def stream(songs: list[Array], seed: int, workers: int) -> Iterator[Batch]:
        playing = Playing(songs, share, 4, asked.batch, seed)
        return iter(DataLoader(playing, None, num_workers=workers, prefetch_factor=4 if workers else None))

    check = [loaded(batch)[:2] for batch, _ in zip(stream(written[::20], 99, 0), range(4), strict=False)]
    rest = [rows for k, rows in enumerate(written) if k % 20]
    optimizer = torch.optim.AdamW(network.parameters(), lr=asked.rate, weight_decay=0.01)
    begin, last, step, running = time.monotonic(), 60 * asked.minutes, 0, 0.0
    for batch in stream(rest, asked.seed, asked.jobs):
        done = (time.monotonic() - begin) / last
        if done >= 1:
            break
        for group in optimizer.param_groups:
            group["lr"] = asked.rate * min(1, (step + 1) / 200) * 0.5 * (1 + np.cos(np.pi * done))
        levels, struck, sounding = loaded(batch)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            logits = network(levels)
        loss = losses(logits, struck, sounding)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimizer.step()
        step += 1
        keep = min(0.999, step / (step + 20))
        with torch.no_grad():
            for name, value in network.state_dict().items():
                mean[name].mul_(keep).add_(value.float(), alpha=1 - keep)
        running = 0.98 * running + 0.02 * float(loss) if step % 10 == 0 else running
        if step % 500 == 0:
            print(
                f"{time.monotonic() - begin:5.0f} s, step {step}: loss {float(loss):.3f}; "
                f"{found(network, check)}",
                flush=True,
            )
    network.load_state_dict({k: v.to(network.state_dict()[k].dtype) for k, v in mean.items()})
    print(f"{step} steps; their mean: {found(network, check)}", flush=True)
    return network.float().cpu().eval()


def export(network: Hearer, out: Path) -> None:
    """Write the network as ONNX, and what it says of a layout."""
    only = Struck(network).eval()
    example = torch.rand(1, THIRDS + 1, 64, SLOTS)
    path = out / "hearer.onnx"
    torch.onnx.export(
        only, (example,), str(path), input_names=["levels"], output_names=["struck"],
        dynamic_axes={"levels": {2: "frames"}, "struck": {1: "frames"}}, opset_version=17, dynamo=False,
    )  # fmt: skip
    chance = np.random.default_rng(5)
    at = np.arange(RATE) / RATE
    sound = (np.sin(2 * np.pi * 262 * at) * np.exp(-3 * at) + 0.01 * chance.standard_normal(RATE)).astype(
        np.float32
    )
    levels = layout(np.concatenate([np.zeros(RATE // 3, np.float32), sound]))
    with torch.no_grad():
        says = only(torch.from_numpy(levels)[None])[0].numpy()
        ours = Layout(torch.device("cpu"))(
            torch.from_numpy(np.concatenate([np.zeros(RATE // 3, np.float32), sound]))[None]
        )[0].numpy()
    print("layouts differ by at most", float(np.abs(ours - levels[:, : ours.shape[1]]).max()))
    np.savez_compressed(
        out / "hearer-check.npz", levels=levels.astype(np.float16), says=says.astype(np.float32)
    )
    print(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB", flush=True)


def main() -> None:
    """Train and export."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--notes", type=Path, required=True, help="folder of training.piano_notes")
    parser.add_argument("--scores", type=Path, required=True, help="file of training.random_playing")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--width", type=int, default=WIDTH)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--leave-out", default="", help="pianos whose name holds this are not played")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    network = train(asked)
    torch.save(network.state_dict(), asked.out / "hearer.pt")
    export(network, asked.out)


if __name__ == "__main__":
    main()
