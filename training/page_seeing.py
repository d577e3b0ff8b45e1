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
import time
from concurrent.futures import ThreadPoolExecutor
from itertools import count
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from understave.score.readers.page.seen_symbols import CLASSES, LAYERS, SPACE

CROP = 576
MOST = 600
"""Symbols of a piece that count at most."""
WIDTHS = (24, 40, 72, 112, 160)
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


class Pages:
    """All pages on the device: their pictures, and the bits of their layers, one after the other."""

    def __init__(self, paths: list[Path], device: str) -> None:
        with ThreadPoolExecutor(16) as several:
            found = list(several.map(_load, paths))
        sizes = [picture.shape for picture, *_ in found]
        ends = np.cumsum([0, *(h * w for h, w in sizes)])
        self.picture = torch.empty(int(ends[-1]), dtype=torch.uint8, device=device)
        self.drawn = torch.empty_like(self.picture)
        for (picture, drawn, *_), start, end in zip(found, ends, ends[1:], strict=False):
            self.picture[start:end] = torch.from_numpy(picture.reshape(-1)).to(device)
            self.drawn[start:end] = torch.from_numpy(drawn.reshape(-1)).to(device)
        self.starts = torch.from_numpy(ends[:-1].astype(np.int64)).to(device)
        self.sizes = torch.tensor(sizes, device=device)
        self.spaces = np.array([space for *_, space in found])
        self.kinds = [symbols[:, 0] for _, _, symbols, _ in found]
        self.places = [symbols[:, 1:3] for _, _, symbols, _ in found]
        rows = np.full((len(found), max(len(kinds) for kinds in self.kinds), 6), -1, np.float32)
        for row, (_, _, symbols, _) in zip(rows, found, strict=True):
            row[: len(symbols)] = symbols
        self.symbols = torch.from_numpy(rows).to(device)
        self.device = device


def _load(path: Path) -> tuple[Any, Any, Any, float]:
    with np.load(path) as found:
        shown = [cv2.imdecode(found[name], cv2.IMREAD_GRAYSCALE) for name in ("picture", "drawn")]
        return shown[0], shown[1], found["symbols"], float(found["space"])


def pieces(pages: Pages, batch: int, chance: np.random.Generator, clean: float = 0.25) -> tuple[Tensor, ...]:
    """Cut pieces out of pages: ink (batch, 1, CROP, CROP), symbols (batch, MOST, 6): class (-1 for none),
    middle x and y, width, height, origin over the middle, in pixels; layers (batch, layers, CROP, CROP).
    """
    which = chance.integers(len(pages.spaces), size=batch)
    worn = chance.random(batch) > clean
    scale = SPACE / pages.spaces[which] * chance.uniform(0.92, 1.08, batch)
    wide = scale * chance.uniform(0.96, 1.04, batch)
    angle = np.where(worn, chance.normal(0, 0.008, batch), 0)
    sizes = pages.sizes[torch.from_numpy(which).to(pages.device)]
    middle = np.stack([chance.uniform(0.1, 0.9, batch), chance.uniform(0.06, 0.94, batch)], 1)
    middle *= sizes.cpu().numpy()[:, ::-1]
    for i, page in enumerate(which):
        kinds = pages.kinds[page]
        if len(kinds) and chance.random() < 0.4:  # about a symbol of a kind, each kind as often
            one = chance.choice(np.flatnonzero(kinds == chance.choice(np.unique(kinds))))
            middle[i] = pages.places[page][one] + chance.uniform(-0.4, 0.4, 2) * CROP / scale[i]
    c, s = np.cos(angle), np.sin(angle)
    turn = np.stack([np.stack([wide * c, -scale * s], 1), np.stack([wide * s, scale * c], 1)], 1)
    move = CROP / 2 - np.einsum("bij,bj->bi", turn, middle)

    def there(values: Any) -> Tensor:
        return torch.from_numpy(np.asarray(values, np.float32)).to(pages.device)

    return _cut(
        pages, torch.from_numpy(which).to(pages.device), there(turn), there(move), there(worn), chance
    )


def _cut(
    pages: Pages, which: Tensor, turn: Tensor, move: Tensor, worn: Tensor, chance: np.random.Generator
) -> tuple[Tensor, ...]:
    batch, device = len(which), pages.device
    back = torch.linalg.inv(turn)
    space = SPACE / turn[:, 1, 1].view(-1, 1, 1, 1)
    # Paper that is not flat: the page is bent over some staff spaces, and what is wanted with it.
    curl = functional.interpolate(torch.randn(batch, 2, 5, 5, device=device), (CROP, CROP), mode="bicubic")
    reach = torch.tensor([0.1, 0.35], device=device).view(1, 2, 1, 1) * torch.rand(
        batch, 1, 1, 1, device=device
    )
    curl = curl * reach * space * worn.view(-1, 1, 1, 1)
    # Other shapes, as other fonts have them: by less than a pixel or so, and what is wanted stays.
    fine = CROP // int(chance.integers(6, 28)) + 2
    bent = functional.interpolate(
        torch.randn(batch, 2, fine, fine, device=device), (CROP, CROP), mode="bicubic"
    )
    bent = bent * (torch.rand(batch, 1, 1, 1, device=device) * 1.3).where(
        torch.rand(batch, 1, 1, 1, device=device) < 0.5, torch.zeros((), device=device)
    )
    at = torch.arange(CROP, device=device) + 0.5
    flat = torch.stack(torch.meshgrid(at, at, indexing="xy"))[None].expand(batch, -1, -1, -1)
    whole = _back(flat, back, move) + curl
    drawn = _bits(pages, which, whole)
    twice = (torch.arange(2 * CROP, device=device) + 0.5) / 2
    finer = torch.stack(torch.meshgrid(twice, twice, indexing="xy"))[None].expand(batch, -1, -1, -1)
    double = [functional.interpolate(a, scale_factor=2, mode="bilinear") for a in (curl, bent)]
    ink = 1 - _grey(pages, which, _back(finer + double[1], back, move) + double[0]) / 255
    ink = _worn(ink, worn.view(-1, 1, 1, 1), chance)
    ink = ink + 0.01 * torch.randn_like(ink)
    return ink, _symbols(pages.symbols[which], turn, move, curl), drawn


def _back(at: Tensor, back: Tensor, move: Tensor) -> Tensor:
    """Return where on the page the places (batch, 2, height, width) of a piece lie."""
    return torch.einsum("bij,bjhw->bihw", back, at - move.view(-1, 2, 1, 1))


def _index(pages: Pages, which: Tensor, x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    """Return the bytes that pixels stand at, and whether they lie on the page."""
    height, width = (pages.sizes[which, k].view(-1, 1, 1) for k in (0, 1))
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    index = pages.starts[which].view(-1, 1, 1) + y * width + x
    return torch.where(inside, index, torch.zeros_like(index)), inside


def _bits(pages: Pages, which: Tensor, at: Tensor) -> Tensor:
    x, y = at.floor().long().unbind(1)
    index, inside = _index(pages, which, x, y)
    byte = torch.where(inside, pages.drawn[index], torch.zeros((), dtype=torch.uint8, device=index.device))
    masks = torch.tensor([1 << i for i in range(len(LAYERS))], dtype=torch.uint8, device=index.device)
    return (byte[:, None] & masks.view(1, -1, 1, 1)) > 0


def _grey(pages: Pages, which: Tensor, at: Tensor) -> Tensor:
    """Return the grey values (batch, 1, height, width) between pixels, white beyond the page."""
    x, y = (at - 0.5).unbind(1)
    x0, y0 = x.floor(), y.floor()
    out = torch.zeros_like(x)
    for dx in (0, 1):
        for dy in (0, 1):
            part = (1 - (x - x0 - dx).abs()) * (1 - (y - y0 - dy).abs())
            index, inside = _index(pages, which, (x0 + dx).long(), (y0 + dy).long())
            out += part * torch.where(inside, pages.picture[index].float(), torch.full_like(x, 255.0))
    return out[:, None]


def _some(batch: int, rate: float, device: torch.device) -> Tensor:
    return torch.rand(batch, 1, 1, 1, device=device) < rate


def _between(low: float, high: float, batch: int, device: torch.device) -> Tensor:
    return low + (high - low) * torch.rand(batch, 1, 1, 1, device=device)


def _blurred(ink: Tensor, sigma: Tensor) -> Tensor:
    """Blur each picture by its own sigma (pixels)."""
    batch = ink.shape[0]
    off = torch.arange(-5, 6, device=ink.device, dtype=ink.dtype)
    kernel = torch.exp(-0.5 * (off / sigma.view(-1, 1).clamp(min=0.05)) ** 2)
    kernel = kernel / kernel.sum(1, keepdim=True)
    out = ink.transpose(0, 1)
    out = functional.conv2d(out, kernel.view(batch, 1, 1, -1), padding=(0, 5), groups=batch)
    out = functional.conv2d(out, kernel.view(batch, 1, -1, 1), padding=(5, 0), groups=batch)
    return out.transpose(0, 1)


def _worn(twice: Tensor, worn: Tensor, chance: np.random.Generator) -> Tensor:
    """Wear pictures of twice the size (those of which `worn` is 1), and return them at their size."""
    batch, device = twice.shape[0], twice.device
    old = worn > 0
    thick = functional.max_pool2d(twice, 3, 1, 1)
    thin = -functional.max_pool2d(-twice, 3, 1, 1)
    choice = torch.rand(batch, 1, 1, 1, device=device)
    much = _between(0.3, 1.0, batch, device)
    twice = torch.where(old & (choice < 0.35), twice + much * (thick - twice), twice)
    twice = torch.where(old & (choice > 0.75), twice + much * (thin - twice), twice)
    clean = functional.avg_pool2d(twice, 2)
    ink = clean
    behind = _blurred(
        clean.roll(int(chance.integers(1, batch)), 0).flip(3), torch.full((batch,), 1.5, device=device)
    )
    behind = behind * _between(0.05, 0.25, batch, device)
    ink = torch.where(_some(batch, 0.4, device), torch.maximum(ink, behind), ink)
    side = int(CROP * chance.uniform(0.5, 0.95))
    coarse = functional.interpolate(
        functional.interpolate(ink, (side, side), mode="area"), (CROP, CROP), mode="bilinear"
    )
    ink = torch.where(_some(batch, 0.5, device), coarse, ink)
    ink = torch.where(_some(batch, 0.6, device), _blurred(ink, _between(0.3, 1.4, batch, device)), ink)
    noise = torch.randn_like(ink)
    spots = functional.max_pool2d((torch.rand_like(ink) < 0.0004).float(), 3, 1, 1)
    ink = torch.where(_some(batch, 0.15, device), (ink + spots).clamp(max=1), ink)
    # Black and white, as many scans are; or grey, with shadows.
    sharp = (ink + _between(0.02, 0.15, batch, device) * noise > _between(0.25, 0.65, batch, device)).float()
    sharp = _blurred(sharp, _between(0.3, 0.7, batch, device))
    shade = functional.interpolate(torch.randn(batch, 1, 5, 5, device=device), (CROP, CROP), mode="bicubic")
    grey = ink * _between(0.5, 1.0, batch, device) + 0.06 * shade + _between(-0.03, 0.15, batch, device)
    grey = grey + _between(0.0, 0.1, batch, device) * noise
    return torch.where(old, torch.where(_some(batch, 0.4, device), sharp, grey), clean)


def _symbols(given: Tensor, turn: Tensor, move: Tensor, curl: Tensor) -> Tensor:
    """Return (batch, MOST, 6), as `pieces` gives them."""
    x, y = (given[..., 1] + given[..., 3]) / 2, (given[..., 2] + given[..., 4]) / 2
    on_page = torch.stack([x, y], -1)

    def placed(at: Tensor) -> Tensor:
        return torch.einsum("bij,bnj->bni", turn, at) + move[:, None]

    near = placed(on_page).round().long().clamp(0, CROP - 1)
    row = torch.arange(len(given), device=given.device)[:, None]
    middle = placed(on_page - curl.permute(0, 2, 3, 1)[row, near[..., 1], near[..., 0]])
    wide, scale = turn[:, 0, 0, None], turn[:, 1, 1, None]
    rows = torch.stack(
        [
            *(given[..., 0], *middle.unbind(-1), (given[..., 3] - given[..., 1]) * wide),
            *((given[..., 4] - given[..., 2]) * scale, (y - given[..., 5]) * scale),
        ],
        -1,
    )
    shown = (given[..., 0] >= 0) & ((middle > 1) & (middle < CROP - 2)).all(-1)
    order = torch.argsort(shown.int(), dim=1, descending=True, stable=True)[:, :MOST]
    rows = torch.where(shown[..., None], rows, torch.full_like(rows, -1))
    return torch.gather(rows, 1, order[..., None].expand(-1, -1, 6))


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


_RARE = {"curve": 4.0, "stemUp": 3.0, "stemDown": 3.0}
"""How much more a pixel of a layer counts than one that is not; 2 for the others."""


def loss_of(eyes: nn.Module, ink: Tensor, symbols: Tensor, layers: Tensor) -> tuple[Tensor, list[float]]:
    """Return the loss of a batch, and its parts."""
    heat, box, drawn = eyes(ink)
    heat, box, drawn = heat.float(), box.float(), drawn.float()
    wanted, cells, boxes = _targets(symbols, heat.shape[-1])
    chance = torch.sigmoid(heat).clamp(1e-5, 1 - 1e-5)
    there = wanted == 1
    hit = -(torch.log(chance) * (1 - chance) ** 2 * there).sum()
    miss = -(torch.log(1 - chance) * chance**2 * (1 - wanted) ** 4 * ~there).sum()
    number = max(1, cells.shape[0])
    found = box[cells[:, 0], :, cells[:, 1], cells[:, 2]]
    sizes = functional.smooth_l1_loss(found, boxes, beta=0.1)
    target = layers.float()
    rare = torch.tensor([_RARE.get(name, 2.0) for name in LAYERS], device=drawn.device).view(-1, 1, 1)
    edge = functional.binary_cross_entropy_with_logits(drawn, target, pos_weight=rare)
    soft = torch.sigmoid(drawn)
    both = (soft * target).sum((0, 2, 3))
    dice = (1 - (2 * both + 1) / (soft.sum((0, 2, 3)) + target.sum((0, 2, 3)) + 1)).mean()
    total = (hit + miss) / number + 2 * sizes + 3 * edge + 0.5 * dice
    return total, [float(v.detach()) for v in ((hit + miss) / number, sizes, edge, dice)]


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
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--resume", type=Path, help="weights to go on from")
    given = parser.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(given.seed)
    eyes = Eyes().to(device, memory_format=torch.channels_last)
    if given.resume:
        eyes.load_state_dict(torch.load(given.resume, map_location=device))
    print(f"{sum(p.numel() for p in eyes.parameters()) / 1e6:.2f} M weights, {device}", flush=True)
    paths = sorted(given.pages.glob("*.npz"))
    began = time.perf_counter()
    pages = Pages(paths, device)
    print(f"{len(paths)} pages in {time.perf_counter() - began:.0f} s", flush=True)
    chance = np.random.default_rng(given.seed)
    torch.backends.cudnn.benchmark = True
    steady = torch.optim.swa_utils.AveragedModel(
        eyes, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    optimizer = torch.optim.AdamW(eyes.parameters(), lr=given.rate, weight_decay=1e-3)
    began, told, saved = time.perf_counter(), 0.0, 0.0
    for step in count(1):
        with torch.no_grad():
            ink, symbols, layers = pieces(pages, given.batch, chance)
        spent = time.perf_counter() - began
        if spent > given.seconds:
            break
        rate = given.rate * min(1.0, step / 200) * (0.5 + 0.5 * np.cos(np.pi * spent / given.seconds)) + 1e-6
        for group in optimizer.param_groups:
            group["lr"] = rate
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            total, parts = loss_of(
                eyes.train(), ink.contiguous(memory_format=torch.channels_last), symbols, layers
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
