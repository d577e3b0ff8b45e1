"""Train the network that sees the symbols of pictures of pages: ``python -m training.page_seeing PAGES OUT``.

In: pages made by `training.engraved_pages`. Every step cuts pieces out of pages and does to them what
printers, scanners and telephones do: turning, other sizes, other thickness of ink, blur, coarse pixels,
noise, shadow, the back of the sheet shining through. Out: ``page-eyes.pt``, and ``page-eyes.onnx`` (weights
stored as 16-bit floats) with what it says of one picture (``page-eyes-check.npz``).

A U-shaped network of convolutions (Ronneberger et al. 2015) looks at the page with `SPACE` pixels from staff
line to staff line. It gives, for every second pixel, whether the middle of a symbol lies there and which, and
that symbol's size (Zhou et al. 2019, "Objects as points"); and for every pixel which layers of lines it is
part of.
"""

from __future__ import annotations

import argparse
import io
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from PIL import Image
from torch import Tensor, nn
from torch.nn import functional
from torch.utils.data import DataLoader, IterableDataset

from understave.score.readers.page.seen_symbols import CLASSES, LAYERS, SPACE

CROP = 576
MOST = 600
"""Symbols of a piece that count at most."""
WIDTHS = (24, 40, 64, 96, 128)
BOX = 5
"""Where the middle lies in its cell (x, y), width, height and the origin's height over the middle, in
staff spaces."""


def _twice(inside: int, out: int, wide: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inside, out, 3, padding=1, bias=False),
        nn.BatchNorm2d(out),
        nn.ReLU(inplace=True),
        nn.Conv2d(out, out, 3, padding=wide, dilation=wide, bias=False),
        nn.BatchNorm2d(out),
        nn.ReLU(inplace=True),
    )


class Eyes(nn.Module):
    """(batch, 1, height, width), ink 1, sides multiples of 32, to heat of classes, boxes, layers (logits)."""

    def __init__(self) -> None:
        super().__init__()
        a, b, c, d, e = WIDTHS
        self.first = nn.Sequential(
            nn.Conv2d(1, a, 5, stride=2, padding=2, bias=False), nn.BatchNorm2d(a), nn.ReLU(inplace=True)
        )
        self.down = nn.ModuleList(
            [_twice(a, b), _twice(b, c), _twice(c, d), _twice(d, e, 2), _twice(e, e, 2)]
        )
        self.up = nn.ModuleList([_twice(e + e, d), _twice(d + d, c), _twice(c + c, b), _twice(b + b, b)])
        self.heat = nn.Sequential(nn.Conv2d(b, 48, 3, padding=1), nn.ReLU(), nn.Conv2d(48, len(CLASSES), 1))
        self.box = nn.Sequential(nn.Conv2d(b, 24, 3, padding=1), nn.ReLU(), nn.Conv2d(24, BOX, 1))
        self.layers = nn.Conv2d(b, 4 * len(LAYERS), 3, padding=1)
        nn.init.constant_(self.heat[-1].bias, -5.0)

    def forward(self, ink: Tensor) -> tuple[Tensor, Tensor, Tensor]:
        """Look at a picture."""
        x = self.first(ink)
        seen = []
        for i, block in enumerate(self.down):
            x = block(functional.max_pool2d(x, 2) if i else x)
            seen.append(x)
        for i, block in enumerate(self.up):
            wider = functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = block(torch.cat([wider, seen[3 - i]], dim=1))
        return self.heat(x), self.box(x), functional.pixel_shuffle(self.layers(x), 2)


class Seen(nn.Module):
    """What the package asks of `Eyes`: per cell the likeliest class, its heat where no neighbour's is higher
    and 0 elsewhere, and its box; per pixel the chance of each layer.
    """

    def __init__(self, eyes: Eyes) -> None:
        super().__init__()
        self.eyes = eyes

    def forward(self, ink: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Look at a picture."""
        heat, box, layers = self.eyes(ink)
        best, which = torch.sigmoid(heat).max(dim=1)
        top = functional.max_pool2d(best[:, None], 3, stride=1, padding=1)[:, 0]
        return best * (best >= top), which.to(torch.int32), box, torch.sigmoid(layers)


# --- pieces of pages, worn ---------------------------------------------------------------------------------


def _load(path: Path) -> dict[str, Any]:
    with np.load(path) as found:
        return {name: found[name] for name in found.files}


class Pieces(IterableDataset[tuple[Tensor, ...]]):
    """Pieces of pages without end: ink, symbols, layers."""

    def __init__(self, paths: list[Path], seed: int, clean: float = 0.25) -> None:
        self.pages = [_load(path) for path in paths]
        self.seed, self.clean = seed, clean

    def __iter__(self) -> Iterator[tuple[Tensor, ...]]:
        worker = torch.utils.data.get_worker_info()
        cv2.setNumThreads(0)
        chance = np.random.default_rng([self.seed, worker.id if worker else 0])
        while True:
            page = self.pages[chance.integers(len(self.pages))]
            image = np.asarray(Image.open(io.BytesIO(page["png"].tobytes())).convert("L"))
            for _ in range(10):
                yield piece(page, image, chance, chance.random() < self.clean)


def piece(page: dict[str, Any], image: Any, chance: np.random.Generator, clean: bool) -> tuple[Tensor, ...]:
    """Cut a piece out of a page."""
    space = float(page["space"])
    scale = SPACE / space * float(chance.uniform(0.93, 1.07))
    wide = scale * float(chance.uniform(0.96, 1.04))
    angle = 0.0 if clean else float(chance.normal(0, 0.008))
    height, width = image.shape
    cx, cy = chance.uniform(0.1, 0.9) * width, chance.uniform(0.06, 0.94) * height
    kinds = page["symbols"][:, 0]
    if len(kinds) and chance.random() < 0.4:  # about a symbol of a kind, each kind as often
        shown = page["symbols"][chance.choice(np.flatnonzero(kinds == chance.choice(np.unique(kinds))))]
        cx, cy = shown[1:3] + chance.uniform(-0.4, 0.4, 2) * CROP / scale
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[wide * c, -scale * s, 0.0], [wide * s, scale * c, 0.0]])
    turn[:, 2] = CROP / 2 - turn[:, :2] @ (cx, cy)
    grown = image
    if not clean:
        size = int(chance.choice((0, 0, 2, 2, 3)))
        if size:
            kernel = np.ones((size, size), np.uint8)
            grown = _around(image, turn, cv2.erode if chance.random() < 0.65 else cv2.dilate, kernel)
    twice = cv2.warpAffine(grown, 2 * turn, (2 * CROP, 2 * CROP), flags=cv2.INTER_LINEAR, borderValue=255)
    small = cv2.resize(twice, (CROP, CROP), interpolation=cv2.INTER_AREA)
    if chance.random() < 0.5:
        small = _bent(small, chance)
    ink = 1 - small.astype(np.float32) / 255
    if not clean:
        ink = _worn(ink, twice, chance)
    ink += 0.01 * chance.standard_normal(ink.shape, dtype=np.float32)
    symbols = _symbols(page, turn, scale, wide)
    return torch.from_numpy(ink[None].astype(np.float16)), symbols, _drawn(page, turn, scale)


def _bent(small: Any, chance: np.random.Generator) -> Any:
    """Bend shapes by less than a pixel or so, as other fonts do: what is wanted stays where it is."""
    size = small.shape[0]
    fine = int(chance.integers(6, 28))  # pixels over which the bending changes
    reach = float(chance.uniform(0.3, 1.3))
    grid = np.arange(size, dtype=np.float32)
    shift = [
        cv2.resize(
            chance.standard_normal((size // fine + 2,) * 2, dtype=np.float32) * reach,
            (size, size), interpolation=cv2.INTER_CUBIC,
        )
        for _ in range(2)
    ]  # fmt: skip
    return cv2.remap(
        small, grid[None, :] + shift[0], grid[:, None] + shift[1], cv2.INTER_LINEAR, borderValue=255
    )


def _around(image: Any, turn: Any, change: Any, kernel: Any) -> Any:
    """Change the part of a page that a piece shows, and leave the rest."""
    back = cv2.invertAffineTransform(turn)
    corners = np.array([[0, 0], [CROP, 0], [0, CROP], [CROP, CROP]]) @ back[:, :2].T + back[:, 2]
    x0, y0 = np.maximum(corners.min(0).astype(int) - 4, 0)
    x1, y1 = np.minimum(corners.max(0).astype(int) + 4, image.shape[::-1])
    out = image.copy()
    if x1 > x0 and y1 > y0:
        out[y0:y1, x0:x1] = change(image[y0:y1, x0:x1], kernel)
    return out


def _worn(ink: Any, twice: Any, chance: np.random.Generator) -> Any:
    size = ink.shape[0]
    if chance.random() < 0.4:  # the back of the sheet
        back = 1 - cv2.resize(twice[:, ::-1], (size, size)).astype(np.float32) / 255
        back = np.roll(cv2.GaussianBlur(back, (0, 0), 1.5), chance.integers(0, size, 2), (0, 1))
        ink = np.maximum(ink, back * chance.uniform(0.05, 0.25))
    if chance.random() < 0.4:  # coarse pixels
        coarse = int(size * chance.uniform(0.6, 0.95))
        ink = cv2.resize(cv2.resize(ink, (coarse, coarse), interpolation=cv2.INTER_AREA), (size, size))
    if chance.random() < 0.6:
        ink = cv2.GaussianBlur(ink, (0, 0), float(chance.uniform(0.3, 1.3)))
    if chance.random() < 0.4:  # black and white, as many scans are
        ink = ink + chance.uniform(0.02, 0.15) * chance.standard_normal(ink.shape, dtype=np.float32)
        edge = chance.uniform(0.3, 0.65)
        ink = (ink > edge).astype(np.float32)
        return cv2.GaussianBlur(ink, (0, 0), float(chance.uniform(0.3, 0.7)))
    coarse_noise = cv2.resize(
        chance.normal(0, 1, (5, 5)).astype(np.float32), (size, size), interpolation=cv2.INTER_CUBIC
    )
    ink = ink * chance.uniform(0.55, 1.0) + 0.06 * coarse_noise + chance.uniform(-0.03, 0.15)
    return ink + chance.uniform(0, 0.1) * chance.standard_normal(ink.shape, dtype=np.float32)


def _symbols(page: dict[str, Any], turn: Any, scale: float, wide: float) -> Tensor:
    """Return (MOST, 7): class (-1 for none), middle x and y, width, height, origin over the middle, in
    pixels.
    """
    given = page["symbols"]
    x, y = (given[:, 1] + given[:, 3]) / 2, (given[:, 2] + given[:, 4]) / 2
    middle = np.column_stack([x, y]) @ turn[:, :2].T + turn[:, 2]
    sizes = np.column_stack([(given[:, 3] - given[:, 1]) * wide, (given[:, 4] - given[:, 2]) * scale])
    rows = np.column_stack([given[:, 0], middle, sizes, (y - given[:, 5]) * scale])
    rows = rows[((middle > 1) & (middle < CROP - 2)).all(axis=1)][:MOST]
    out = np.full((MOST, 6), -1, np.float32)
    out[: len(rows)] = rows
    return torch.from_numpy(out)


def _drawn(page: dict[str, Any], turn: Any, scale: float) -> Tensor:
    """Draw the layers of lines (uint8, 0 or 1)."""
    layers = np.zeros((len(LAYERS), CROP, CROP), np.uint8)
    fine = 16
    lines = page["lines"]
    ends = np.stack([lines[:, 1:3], lines[:, 3:5]], axis=1) @ turn[:, :2].T + turn[:, 2]
    inside = (ends.max(axis=1) > -20).all(axis=1) & (ends.min(axis=1) < CROP + 20).all(axis=1)
    for (layer, *_, thick), (p, q) in zip(lines[inside], ends[inside], strict=True):
        way = (q - p) / max(1e-6, float(np.hypot(*(q - p))))
        across = np.array([-way[1], way[0]]) * max(0.75, thick * scale / 2)
        corners = np.round((np.array([p - across, q - across, q + across, p + across]) - 0.5) * fine).astype(
            np.int32
        )
        cv2.fillConvexPoly(layers[int(layer)], corners, 1, shift=4)
    cuts = page["cuts"]
    points = page["curves"] @ turn[:, :2].T + turn[:, 2]
    for a, b in pairwise(cuts):
        outline = points[a:b]
        if b - a > 2 and (outline.max(0) > -20).all() and (outline.min(0) < CROP + 20).all():
            cv2.fillPoly(
                layers[LAYERS.index("curve")], [np.round((outline - 0.5) * fine).astype(np.int32)], 1, shift=4
            )
    return torch.from_numpy(layers)


# --- learning ----------------------------------------------------------------------------------------------


def _targets(symbols: Tensor, side: int) -> tuple[Tensor, Tensor, Tensor]:
    """Return the heat that is wanted (batch, classes, side, side), the cells of middles, and their boxes."""
    batch = symbols.shape[0]
    heat = torch.zeros(batch, len(CLASSES), side, side, device=symbols.device)
    of, row = torch.nonzero(symbols[..., 0] >= 0, as_tuple=True)
    given = symbols[of, row]
    kind = given[:, 0].long()
    at = given[:, 1:3] / 2
    cell = at.floor().long().clamp(0, side - 1)
    for dx in range(-2, 3):
        for dy in range(-2, 3):
            x, y = cell[:, 0] + dx, cell[:, 1] + dy
            ok = (x >= 0) & (x < side) & (y >= 0) & (y < side)
            value = torch.exp(torch.tensor(-(dx * dx + dy * dy) / 2.0, device=heat.device)).expand(
                int(ok.sum())
            )
            flat = ((of * len(CLASSES) + kind) * side + y) * side + x
            heat.view(-1).scatter_reduce_(0, flat[ok], value, "amax")
    boxes = torch.cat([at - cell - 0.5, given[:, 3:6] / SPACE], dim=1)
    return heat, torch.stack([of, cell[:, 1], cell[:, 0]], dim=1), boxes


def loss_of(eyes: nn.Module, ink: Tensor, symbols: Tensor, layers: Tensor) -> tuple[Tensor, list[float]]:
    """Return the loss of a batch, and its parts."""
    heat, box, drawn = eyes(ink)
    heat, box, drawn = heat.float(), box.float(), drawn.float()
    wanted, cells, boxes = _targets(symbols, heat.shape[-1])
    chance = torch.sigmoid(heat).clamp(1e-5, 1 - 1e-5)
    there = wanted == 1
    hit = -(torch.log(chance) * (1 - chance) ** 2)[there].sum()
    miss = -(torch.log(1 - chance) * chance**2 * (1 - wanted) ** 4)[~there].sum()
    count = max(1, cells.shape[0])
    found = box[cells[:, 0], :, cells[:, 1], cells[:, 2]]
    sizes = functional.smooth_l1_loss(found, boxes, beta=0.1)
    target = layers.float()
    edge = functional.binary_cross_entropy_with_logits(
        drawn, target, pos_weight=torch.full((len(LAYERS), 1, 1), 2.0, device=drawn.device)
    )
    soft = torch.sigmoid(drawn)
    both = (soft * target).sum((0, 2, 3))
    dice = (1 - (2 * both + 1) / (soft.sum((0, 2, 3)) + target.sum((0, 2, 3)) + 1)).mean()
    total = (hit + miss) / count + 2 * sizes + 3 * edge + 0.5 * dice
    return total, [float(v.detach()) for v in ((hit + miss) / count, sizes, edge, dice)]


def _export(eyes: Eyes, folder: Path) -> None:
    """Write ONNX with 16-bit weights, and what it says of one picture."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    path = folder / "page-eyes.onnx"
    seen = Seen(eyes.float().cpu().eval())
    sample = torch.rand(1, 1, 96, 128, generator=torch.Generator().manual_seed(0))
    names = ("heat", "which", "box", "layers")
    torch.onnx.export(
        seen, (sample,), str(path), input_names=["ink"], output_names=list(names), opset_version=17,
        dynamo=False,
        dynamic_axes={name: {2: "height", 3: "width"} for name in ("ink", "box", "layers")}
        | {name: {1: "height", 2: "width"} for name in ("heat", "which")},
    )  # fmt: skip
    model = onnx.load(path)
    casts = []
    for tensor in model.graph.initializer:
        if tensor.data_type == TensorProto.FLOAT and np.prod(tensor.dims) >= 256:
            name = tensor.name
            tensor.CopyFrom(
                numpy_helper.from_array(numpy_helper.to_array(tensor).astype(np.float16), name + "_16")
            )
            casts.append(helper.make_node("Cast", [name + "_16"], [name], to=TensorProto.FLOAT))
    for node in reversed(casts):
        model.graph.node.insert(0, node)
    onnx.save(model, path)
    with torch.no_grad():
        said = seen(sample)
    np.savez_compressed(
        folder / "page-eyes-check.npz",
        ink=sample.numpy(),
        **{n: v.numpy() for n, v in zip(names, said, strict=True)},
    )
    print(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB")


def main() -> None:
    """Train on the pages of a folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("pages", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=420, help="how long to train")
    parser.add_argument("--batch", type=int, default=24)
    parser.add_argument("--workers", type=int, default=15)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--resume", type=Path, help="weights to go on from")
    given = parser.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(given.seed)
    eyes = Eyes().to(device)
    if given.resume:
        eyes.load_state_dict(torch.load(given.resume, map_location=device))
    print(f"{sum(p.numel() for p in eyes.parameters()) / 1e6:.2f} M weights, {device}", flush=True)
    paths = sorted(given.pages.glob("*.npz"))
    feed = DataLoader(
        Pieces(paths, given.seed),
        batch_size=given.batch,
        num_workers=given.workers,
        pin_memory=device == "cuda",
    )
    steady = torch.optim.swa_utils.AveragedModel(
        eyes, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    optimizer = torch.optim.AdamW(eyes.parameters(), lr=given.rate, weight_decay=1e-3)
    began, told, saved = time.perf_counter(), 0.0, 0.0
    for step, (ink, symbols, layers) in enumerate(feed, 1):
        spent = time.perf_counter() - began
        if spent > given.seconds:
            break
        rate = given.rate * min(1.0, step / 200) * (0.5 + 0.5 * np.cos(np.pi * spent / given.seconds)) + 1e-6
        for group in optimizer.param_groups:
            group["lr"] = rate
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            total, parts = loss_of(
                eyes.train(), ink.to(device).float(), symbols.to(device), layers.to(device, non_blocking=True)
            )
        optimizer.zero_grad(set_to_none=True)
        total.backward()
        nn.utils.clip_grad_norm_(eyes.parameters(), 5.0)
        optimizer.step()
        steady.update_parameters(eyes)
        if spent - told > 10 or step == 1:
            told = spent
            print(
                f"{spent:.0f} s, step {step}, loss {float(total.detach()):.3f}:",
                ", ".join(f"{p:.3f}" for p in parts),
                flush=True,
            )
        if spent - saved > 90:
            saved = spent
            torch.save(steady.module.state_dict(), given.out / "page-eyes.pt")
    torch.save(steady.module.state_dict(), given.out / "page-eyes.pt")
    _export(steady.module, given.out)


if __name__ == "__main__":
    main()
