"""Pictures of pages seen: a scan in, a `Sheet` out, with the symbols and lines that engraved PDFs hold.

In: grey values of a page. The page is levelled (the angle at which its rows of ink are sharpest), and scaled
so that staff lines lie `SPACE` pixels apart (the commonest distance from the top of one black run to the top
of the next, Cardoso and Rebelo 2010). A small network (`training/page_seeing.py`) says where symbols stand
and which pixels are part of which lines; here these pixels become staves, stems, bar lines, beams, ledger
lines and curves. Out: a `Sheet` whose lengths are points, y upwards, with staves of one size.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt

from understave.networks import network_of
from understave.score.readers.page.flattening import Before, Rows, flattened
from understave.score.readers.page.ink import Box, Line, Page
from understave.score.readers.page.layout import Curve, Sheet, Staff, Symbol, System, bar_lines, groups, join
from understave.score.readers.page.picture_files import Grey
from understave.score.readers.page.seen_symbols import CLASSES, LAYERS, SPACE

Floats = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]
_POINTS = 5.0
"""Points from one staff line to the next in what is given out."""
_SURE = 0.35
"""Heat from which a symbol is one."""
_INKED = np.array([0.3 if name == "curve" else 0.5 for name in LAYERS], np.float32)[:, None, None]
"""Chance from which a pixel is part of a layer; ties are thin, and bar lines run through them."""
_STRIP, _OVERLAP = 640, 128
"""Rows that the network sees at once, and rows of them that only help to see the others."""
_LINES = (0.5, 0.35, 0.25)
"""Ink from which it may be that of staff lines; first of sharp ones, then of faint or blurred ones."""
_BARE = 0.25
"""Ink from which a place is no paper where it also varies less than so. Set by eye on made photographs."""
_LEAST_SPACE, _MOST_SPACE = 7, 90
"""Pixels between staff lines that can be read."""


def see(grey: Grey, weights: Path, looks: Looks | None = None) -> Sheet | None:
    """Return the sheet of a picture (height, width), 255 white; None where no staves are seen.

    `weights` are those that `training.page_seeing` writes; `looks` runs them over a page, `look` by default.
    """
    ink = _ink(grey)
    found = _black(ink)
    if found is None:
        return None
    picture, angle = _levelled(ink, *found)
    seen = (looks or look)(picture, weights)
    rows = _staff_rows(seen.layers["staff"])
    if not rows:
        return None
    curled = None
    flat = flattened(picture, seen.layers["staff"], rows)
    if flat is not None:
        picture, curled = flat
        seen = (looks or look)(picture, weights)
        rows = _staff_rows(seen.layers["staff"]) or rows
    sheet = _Measured(seen, rows).sheet()
    sheet.page.before = partial(_before, picture.shape, angle, curled)
    return sheet


def _before(
    size: tuple[int, ...], angle: float, curled: Before | None, x: float, y: float
) -> tuple[float, float]:
    """Return where a place lay before its page was levelled and flattened, in parts of its sides."""
    height, width = size
    across, down = x * width, y * height
    if curled is not None:
        down = curled.row(across, down)
    return (across - (down - height / 2) * angle) / width, (down + (across - width / 2) * angle) / height


# The picture ----------------------------------------------------------------------------------------------


def _ink(grey: Grey) -> Floats:
    """Return how black each pixel is (0..1), against the paper around it."""
    from PIL import Image

    height, width = grey.shape
    cell = max(16, min(height, width) // 40)
    rows, columns = max(1, height // cell), max(1, width // cell)
    parts = grey[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell)
    paper = np.percentile(parts, 85, axis=(1, 3)).astype(np.float32)
    dark = np.percentile(grey[:: max(1, height // 500)], 0.5)
    paper = np.maximum(paper, np.percentile(paper, 10))
    smooth = np.asarray(Image.fromarray(paper).resize((width, height), Image.Resampling.BILINEAR))
    ink: Floats = np.clip((smooth - grey) / np.maximum(30, smooth - dark), 0, 1).astype(np.float32)
    # What is grey or black all over is the table that the page lies on, or a scanner's lid.
    inked = ink[: rows * cell, : columns * cell].reshape(rows, cell, columns, cell)
    bare = (inked.mean(axis=(1, 3)) > _BARE) & (inked.std(axis=(1, 3)) < _BARE)
    inked[bare[:, None, :, None].repeat(cell, 1).repeat(cell, 3)] = 0
    return ink


def _black(ink: Floats) -> tuple[float, Mask] | None:
    """Return the distance of staff lines in pixels, and the pixels that count as black; None without staves.

    Thin lines of a worn print are only grey; what counts as black is what shows most of them.
    """
    shown = [(black, *_staff_space(black)) for black in (ink > least for least in _LINES)]
    black, space, lines = max(shown, key=lambda found: found[2])
    if shown[0][1] is not None and lines < 1.5 * shown[0][2]:
        black, space, lines = shown[0]
    return None if space is None else (space, black)


def _staff_space(black: Mask) -> tuple[float | None, float]:
    """Return the distance of staff lines in pixels, None where none stands out, and how many pairs of
    distances speak for it.
    """
    columns = black[:, :: max(1, black.shape[1] // 400)]
    counts = np.zeros(_MOST_SPACE + 2)
    for column in columns.T:
        edges = np.flatnonzero(np.diff(column.astype(np.int8)) == 1)
        steps = np.diff(edges)
        steps = steps[(steps >= _LEAST_SPACE) & (steps <= _MOST_SPACE)]
        # Staff lines come at one distance after another.
        even = np.abs(np.diff(steps)) <= 1
        np.add.at(counts, steps[1:][even], 1)
    near = np.convolve(counts, np.ones(3), "same")
    best = int(np.argmax(near))
    if near[best] < 0.5 * columns.shape[1]:
        return None, 0.0
    around = np.arange(max(0, best - 1), min(len(counts), best + 2))
    return float((around * counts[around]).sum() / counts[around].sum()), float(near[best])


def _levelled(ink: Floats, space: float, black: Mask) -> tuple[Floats, float]:
    """Turn the page until its staves are level, and scale it to `SPACE`; also return by which angle."""
    from PIL import Image

    angle = _slope(black)
    picture = Image.fromarray((ink * 255).astype(np.uint8))
    if abs(angle) < 3e-4:
        angle = 0.0
    else:
        picture = picture.rotate(float(np.degrees(angle)), Image.Resampling.BICUBIC)
    size = tuple(round(side * SPACE / space) for side in picture.size)
    small = picture.resize(
        (size[0], size[1]), Image.Resampling.BOX if space > 1.5 * SPACE else Image.Resampling.BICUBIC
    )
    out: Floats = np.asarray(small, dtype=np.float32) / np.float32(255)
    return out, angle


def _slope(black: Mask) -> float:
    """Return the angle (radians, clockwise) of the rows of ink."""
    ys, xs = np.nonzero(black)
    every = max(1, len(ys) // 150_000)
    ys, xs = ys[::every].astype(np.float64), xs[::every].astype(np.float64)

    def sharpness(angle: float) -> float:
        rows = np.round(ys - xs * angle).astype(np.int64)
        counted = np.bincount(rows - rows.min())
        return float((counted.astype(np.float64) ** 2).sum())

    best = 0.0
    for reach, step in ((0.06, 0.003), (0.003, 0.0004), (0.0004, 0.0001)):
        tried = np.arange(best - reach, best + reach + step / 2, step)
        best = float(max(tried.tolist(), key=sharpness))
    return best


@dataclass(frozen=True, slots=True)
class Seen:
    """What the network sees: symbols (n, 7) (class, heat, x, y, width, height, origin over the middle), in
    pixels, y downwards; and the layers of lines by name.
    """

    symbols: Floats
    layers: dict[str, Mask]


Looks = Callable[[Floats, Path], Seen]
_network = lru_cache(maxsize=1)(network_of)


def look(picture: Floats, weights: Path) -> Seen:
    """Run the network over a page, strip by strip."""
    height, width = picture.shape
    wide = -(-width // 32) * 32
    tall = max(_STRIP, -(-height // 32) * 32)
    padded = np.zeros((tall, wide), np.float32)
    padded[:height, :width] = picture
    layers = np.zeros((len(LAYERS), tall, wide), dtype=np.bool_)
    symbols: list[Floats] = []
    step = _STRIP - 2 * _OVERLAP
    for top in range(0, max(1, tall - 2 * _OVERLAP), step):
        start = min(top, tall - _STRIP)
        heat, which, box, drawn = _network(weights).run(
            None, {"ink": padded[None, None, start : start + _STRIP]}
        )
        first = 0 if start == 0 else top - start + _OVERLAP
        last = _STRIP if start + _STRIP >= tall else top - start + _STRIP - _OVERLAP
        layers[:, start + first : start + last] = drawn[0, :, first:last] > _INKED
        ys, xs = np.nonzero(heat[0] > _SURE)
        keep = (ys >= first // 2) & (ys < last // 2)
        ys, xs = ys[keep], xs[keep]
        dx, dy, w, h, origin = box[0][:, ys, xs]
        found = np.column_stack(
            [
                *(which[0][ys, xs], heat[0][ys, xs], (xs + 0.5 + dx) * 2, (ys + 0.5 + dy) * 2 + start),
                *(w * SPACE, h * SPACE, origin * SPACE),
            ]
        )
        symbols.append(found.astype(np.float32))
        if start + _STRIP >= tall:
            break
    return Seen(_distinct(np.concatenate(symbols)), dict(zip(LAYERS, layers, strict=True)))


def _distinct(symbols: Floats) -> Floats:
    """Leave out symbols that stand on likelier ones."""
    order = np.argsort(-symbols[:, 1])
    kept: list[int] = []
    for i in order.tolist():
        at = symbols[kept, 2:4] - symbols[i, 2:4]
        if not len(kept) or (np.abs(at).max(axis=1) > 0.36 * SPACE).all():
            kept.append(i)
    return symbols[sorted(kept)]


# Pixels to lines ------------------------------------------------------------------------------------------


def _runs(mask: Mask) -> Iterator[tuple[int, list[tuple[int, int]]]]:
    """Yield the columns that hold something, each with its runs: first row, and the row after the last."""
    padded = np.zeros((mask.shape[0] + 2, mask.shape[1]), np.int8)
    padded[1:-1] = mask
    steps = np.diff(padded, axis=0)
    for x in np.flatnonzero(mask.any(axis=0)).tolist():
        column = steps[:, x]
        yield (
            x,
            list(
                zip(np.flatnonzero(column == 1).tolist(), np.flatnonzero(column == -1).tolist(), strict=True)
            ),
        )


@dataclass(slots=True)
class _Stroke:
    """A stroke from left to right: of each column its middle and thickness."""

    xs: list[int]
    ys: list[float]
    thick: list[float]

    @property
    def end(self) -> float:
        """Where it would be in the next column."""
        back = self.ys[-8:]
        slope = (back[-1] - back[0]) / (len(back) - 1) if len(back) > 3 else 0.0
        return back[-1] + slope

    def line(self) -> Line:
        """Return the straight line through it."""
        slope, height = np.polyfit(self.xs, self.ys, 1) if len(self.xs) > 1 else (0.0, self.ys[0])
        x0, x1 = self.xs[0], self.xs[-1] + 1
        return Line(x0, slope * x0 + height, x1, slope * x1 + height, float(np.median(self.thick)))


def _strokes(mask: Mask, parted: Callable[[int, int], list[tuple[int, int]]] | None = None) -> list[_Stroke]:
    """Follow runs of pixels from column to column; gaps of two columns are crossed."""
    live: list[_Stroke] = []
    done: list[_Stroke] = []
    for x, runs in _runs(mask):
        still: list[_Stroke] = []
        for stroke in live:
            (still if x - stroke.xs[-1] <= 3 else done).append(stroke)
        live = still
        pieces = [piece for y0, y1 in runs for piece in (parted(y0, y1) if parted else [(y0, y1)])]
        choices = sorted(
            (abs(stroke.end - (y0 + y1) / 2), i, k)
            for i, stroke in enumerate(live)
            for k, (y0, y1) in enumerate(pieces)
            if y0 - 1.5 <= stroke.ys[-1] + stroke.thick[-1] / 2
            and y1 + 1.5 >= stroke.ys[-1] - stroke.thick[-1] / 2
        )
        used: set[int] = set()
        taken: set[int] = set()
        for _, i, k in choices:
            if i not in used and k not in taken:
                used.add(i)
                taken.add(k)
                _grow(live[i], x, pieces[k])
        for k, (y0, y1) in enumerate(pieces):
            if k not in taken:
                live.append(_Stroke([x], [(y0 + y1) / 2], [y1 - y0]))
    return done + live


def _grow(stroke: _Stroke, x: int, run: tuple[int, int]) -> None:
    stroke.xs.append(x)
    stroke.ys.append((run[0] + run[1]) / 2)
    stroke.thick.append(run[1] - run[0])


def _beams_of(y0: int, y1: int) -> list[tuple[int, int]]:
    """Part a run that is several beams run together: a beam is half a space thick, a quarter lies between."""
    count = round(((y1 - y0) / SPACE + 0.25) / 0.75)
    if count < 2 or y1 - y0 < 0.95 * SPACE:
        return [(y0, y1)]
    step = (y1 - y0 + 0.25 * SPACE) / count
    return [(round(y0 + i * step), round(y0 + i * step + 0.5 * SPACE)) for i in range(count)]


def _upright(mask: Mask, least: float, gap: int) -> list[Line]:
    """Return the upright lines of a mask that are at least so high, y downwards; gaps of at most
    `gap` pixels are closed.
    """
    groups: list[list[float]] = []  # sum of x * length, sum of lengths, top, bottom, first and last column
    live: list[list[float]] = []
    # What is one pixel wide is the ragged end of two stems that stand on each other.
    closed = mask.copy()
    closed[:, 1:-1] &= mask[:, :-2] | mask[:, 2:]
    for shift in range(1, gap + 1):
        closed[shift:-shift] |= mask[: -2 * shift] & mask[2 * shift :]
    for x, runs in _runs(closed):
        live = [g for g in live if x - g[5] <= 1]
        for y0, y1 in runs:
            if y1 - y0 < 0.4 * SPACE:
                continue
            touching = [g for g in live if g[2] - 1 <= y1 and g[3] + 1 >= y0]
            if touching:
                g = max(touching, key=lambda g: min(g[3], y1) - max(g[2], y0))
                g[0] += x * (y1 - y0)
                g[1] += y1 - y0
                g[2], g[3], g[5] = min(g[2], y0), max(g[3], y1), x
            else:
                g = [x * (y1 - y0), y1 - y0, y0, y1, x, x]
                groups.append(g)
                live.append(g)
    out = []
    for total, weight, top, bottom, _, _ in groups:
        if bottom - top >= least:
            middle = total / weight + 0.5
            out.append(Line(middle, top, middle, bottom, weight / (bottom - top)))
    return out


# Staves ---------------------------------------------------------------------------------------------------


_BLOCK = 6 * SPACE
_LEAST_STAFF = 1.0
"""Blocks of a page's width that a staff fills at least, the last of a piece may be short. Set by eye."""


def _staff_rows(mask: Mask) -> list[Rows]:
    """Find the staves in the layer of staff lines."""
    height, width = mask.shape
    blocks = max(1, width // _BLOCK)
    profile = mask[:, : blocks * _BLOCK].reshape(height, blocks, _BLOCK).mean(axis=2)
    soft = np.apply_along_axis(np.convolve, 0, profile, np.array([0.5, 1, 1, 1, 0.5]) / 2, "same")
    soft = np.minimum(soft, 1.0)
    usable = height - 4 * SPACE - 1
    if usable < 1:
        return []
    lines = np.stack([soft[k * SPACE : k * SPACE + usable] for k in range(5)])
    # Four of the five must be there; the fifth tells a staff from one that lies a line higher or lower.
    comb = np.where(np.sort(lines, axis=0)[1] > 0.3, lines.mean(axis=0), 0)
    # A staff may lean: what lies two rows off counts too.
    leaning = np.stack([np.roll(comb, shift, axis=0) for shift in range(-2, 3)]).max(axis=0)
    whole = leaning.sum(axis=1) + 0.01 * comb.sum(axis=1)
    out: list[Rows] = []
    taken = np.zeros(usable, dtype=np.bool_)
    for y in np.argsort(-whole).tolist():
        if whole[y] < _LEAST_STAFF:
            break
        if taken[y]:
            continue
        taken[max(0, y - 5 * SPACE) : y + 5 * SPACE] = True
        rows = _followed(comb, y, width)
        if rows is not None:
            out.append(rows)
    return sorted(out, key=lambda r: r.level)


def _followed(comb: Floats, y: int, width: int) -> Rows | None:
    """Follow a staff to both sides from where it is clearest."""
    blocks = comb.shape[1]
    near = slice(max(0, y - SPACE // 2), y + SPACE // 2 + 1)
    middle = int(np.argmax(comb[near].max(axis=0)))
    tops: dict[int, float] = {}
    for way in (1, -1):
        at, drift = float(y), 0.0
        gap = 0
        for block in range(middle, blocks if way > 0 else -1, way):
            at += drift
            low = max(0, round(at) - SPACE // 3)
            part = comb[low : round(at) + SPACE // 3 + 1, block]
            if not len(part) or part.max() < 0.3:
                gap += 1
                if gap > 3:
                    break
                continue
            gap = 0
            weight = np.where(part >= 0.6 * part.max(), part, 0)
            before, at = at, low + float((np.arange(len(part)) * weight).sum() / weight.sum())
            # A curled page falls faster and faster towards its spine.
            drift += (at - before) / 2
            tops[block] = at
    if len(tops) < 2:
        return None
    found = sorted(tops)
    xs = np.array([(b + 0.5) * _BLOCK for b in found])
    heights = np.array([tops[b] for b in found])
    soft = np.array([np.median(heights[max(0, i - 1) : i + 2]) for i in range(len(heights))])
    return Rows(found[0] * _BLOCK, min(width, (found[-1] + 1) * _BLOCK), xs, soft + 0.5)


# All together ---------------------------------------------------------------------------------------------


class _Measured:
    """What is seen, with the bends of the staves taken out, in points."""

    def __init__(self, seen: Seen, rows: list[Rows]) -> None:
        self.seen = seen
        self.unit = _POINTS / SPACE
        self.height, self.width = seen.layers["staff"].shape
        self.rows = [self._with_edges(r) for r in rows]
        self.page = Page(self.width * self.unit, self.height * self.unit)
        self.page.pictures = 1.0

    def _with_edges(self, rows: Rows) -> Rows:
        """Find where the lines of a staff begin and end, to the pixel."""
        mask = self.seen.layers["staff"]
        xs = np.arange(max(0, int(rows.x0) - _BLOCK), min(self.width, int(rows.x1) + _BLOCK))
        top = np.interp(xs, rows.xs, rows.top)
        there = np.zeros(len(xs))
        for k in range(5):
            ys = np.clip(np.round(top + k * SPACE - 0.5).astype(int), 1, self.height - 2)
            there += mask[ys, xs] | mask[ys - 1, xs] | mask[ys + 1, xs]
        inside = np.flatnonzero(there >= 4)
        if not len(inside):
            return rows
        return Rows(float(xs[inside[0]]), float(xs[inside[-1]] + 1), rows.xs, rows.top)

    def y(self, x: float, y: float) -> float:
        """Return the straightened height in points, upwards, of a place in the picture."""
        levels = [r.level + 2 * SPACE for r in self.rows]
        offs = [float(r.off(np.array([x]))[0]) for r in self.rows]
        return float(self.height - (y - float(np.interp(y, levels, offs)))) * self.unit

    def line(self, a: Line) -> Line:
        """Return a line of the picture in points."""
        y0, y1 = self.y(a.x0, a.y0), self.y(a.x1, a.y1)
        if a.x0 == a.x1:
            y0, y1 = min(y0, y1), max(y0, y1)
        return Line(a.x0 * self.unit, y0, a.x1 * self.unit, y1, a.width * self.unit)

    def sheet(self) -> Sheet:
        """Return the sheet."""
        staves = [
            Staff(r.x0 * self.unit, r.x1 * self.unit, (self.height - r.level - 4 * SPACE) * self.unit,
                  (self.height - r.level) * self.unit)
            for r in self.rows
        ]  # fmt: skip
        symbols = self.symbols()
        layers = self.seen.layers
        beams = [self.line(s.line()) for s in _strokes(layers["beam"], _beams_of) if len(s.xs) > 0.5 * SPACE]
        heads = [s.box for s in symbols if s.name.startswith("notehead")]
        ways: dict[Line, int] = {}
        for name, way in (("stemUp", 1), ("stemDown", -1)):
            pieces = [self.line(a) for a in _upright(layers[name], 0.5 * SPACE, 2)]
            for stem in _single(_rejoined(pieces, heads, beams)):
                ways[_through(stem, way, beams)] = way
        stems = list(ways)
        bars = [_snapped(self.line(a), staves) for a in _upright(layers["bar"], 2.5 * SPACE, 8)]
        uprights = sorted([*stems, *bars], key=lambda a: a.x0)
        systems = join(staves, uprights, symbols, self.page, _POINTS)
        for system in systems:
            system.bars = bar_lines(system, bars, symbols, _POINTS)
            braces = _braced(system, bars)
            system.groups = groups(system, braces, self.page, uprights, _POINTS)
        return Sheet(
            self.page, _POINTS, systems, symbols, [], uprights, self.levels(stems, beams), self.curves(),
            ways=ways,
        )  # fmt: skip

    def symbols(self) -> list[Symbol]:
        """Return the symbols."""
        out = []
        for kind, heat, x, y, width, height, origin in self.seen.symbols.tolist():
            middle = self.y(x, y)
            half = height / 2 * self.unit
            left, right = (x - width / 2) * self.unit, (x + width / 2) * self.unit
            box = Box(left, middle - half, right, middle + half)
            out.append(Symbol(CLASSES[int(kind)], box, middle + origin * self.unit, min(heat, 0.99)))
        return out

    def levels(self, stems: Sequence[Line], beams: Sequence[Line]) -> list[Line]:
        """Return beams, ledger lines, hairpins and brackets."""
        layers = self.seen.layers
        out = []
        for beam in beams:
            near = [stem.x0 for stem in stems if _meet(stem, beam)]
            if near:
                thick = min(max(beam.width, 0.3 * _POINTS), 0.7 * _POINTS)
                x0, x1 = min(beam.x0, *near), max(beam.x1, *near)
                out.append(Line(x0, beam.y_at(x0), x1, beam.y_at(x1), thick))
        for name, least in (("ledger", 0.8), ("thin", 1.5)):
            for stroke in _strokes(layers[name]):
                if len(stroke.xs) >= least * SPACE:
                    out += _thin(self.line(stroke.line()), 4 * _POINTS if name == "ledger" else 1e9)
        return out

    def curves(self) -> list[Curve]:
        """Return ties and slurs."""
        out: list[Curve] = []
        for stroke in _strokes(self.seen.layers["curve"]):
            if len(stroke.xs) < 0.5 * SPACE:
                continue
            x0, x1 = stroke.xs[0], stroke.xs[-1] + 1
            mid = len(stroke.xs) // 2
            middle = float(np.mean(stroke.ys[max(0, mid - 2) : mid + 3]))
            left, right = stroke.ys[0], stroke.ys[-1]
            out.append(
                (
                    (x0 * self.unit, self.y(x0, left)),
                    (x1 * self.unit, self.y(x1, right)),
                    self.y((x0 + x1) / 2, middle),
                )
            )
        return out


def _rejoined(pieces: Sequence[Line], heads: Sequence[Box], beams: Sequence[Line]) -> list[Line]:
    """Join pieces of stems that a head beside them parts, but not where a beam ends the stem."""
    out: list[Line] = []
    for piece in sorted(pieces, key=lambda a: (round(a.x0 / _POINTS), a.y0)):
        for k in range(len(out) - 1, max(-1, len(out) - 8), -1):
            below = out[k]
            gap = piece.y0 - below.y1
            if abs(below.x0 - piece.x0) > 0.12 * _POINTS or not -0.2 * _POINTS < gap < 1.3 * _POINTS:
                continue
            if gap < 0.25 * _POINTS or (
                any(_beside(head, below.x0, below.y1, piece.y0) for head in heads)
                and not any(_at_beam(a, below.x0, y) for a in beams for y in (below.y1, piece.y0))
            ):
                out[k] = Line(below.x0, below.y0, below.x0, piece.y1, max(below.width, piece.width))
                break
        else:
            out.append(piece)
    return [a for a in out if a.y1 - a.y0 > 1.2 * _POINTS]


def _single(stems: Sequence[Line]) -> list[Line]:
    """Leave out what is the ragged edge of a stem that stands beside it."""
    out: list[Line] = []
    for a in sorted(stems, key=lambda a: a.y0 - a.y1):
        if not any(abs(a.x0 - b.x0) < 0.3 * _POINTS and a.y0 < b.y1 and b.y0 < a.y1 for b in out):
            out.append(a)
    return out


def _through(stem: Line, way: int, beams: Sequence[Line]) -> Line:
    """Let a stem reach through all beams at its end: where it lies in their ink it is not seen."""
    reach = way * (stem.y1 if way > 0 else stem.y0)
    gap = 0.6 * _POINTS
    for y in sorted(way * a.y_at(stem.x0) for a in beams if a.x0 - _BESIDE < stem.x0 < a.x1 + _BESIDE):
        if reach < y < reach + gap:
            reach, gap = y, 0.85 * _POINTS  # a beam and the space to the next are 3/4 of a staff space
    low, high = (stem.y0, way * reach) if way > 0 else (way * reach, stem.y1)
    return Line(stem.x0, low, stem.x0, high, stem.width)


_BESIDE = 0.3 * _POINTS
"""How far a stem may stand beside the end of its beam."""


def _beside(head: Box, x: float, low: float, high: float) -> bool:
    near = min(abs(head.x0 - x), abs(head.x1 - x)) < 0.3 * _POINTS
    return near and low - 0.6 * _POINTS < head.y < high + 0.6 * _POINTS


def _at_beam(beam: Line, x: float, y: float) -> bool:
    return beam.x0 - 0.3 * _POINTS < x < beam.x1 + 0.3 * _POINTS and abs(beam.y_at(x) - y) < 0.7 * _POINTS


def _thin(a: Line, most: float) -> Iterator[Line]:
    """Yield the parts, at most so long, of a thin line: ledger lines of neighbours may run together."""
    count = int((a.x1 - a.x0) // most) + 1
    xs = np.linspace(a.x0, a.x1, count + 1).tolist()
    for x0, x1 in pairwise(xs):
        yield Line(x0, a.y_at(x0), x1, a.y_at(x1), 0.15 * _POINTS)


def _meet(stem: Line, beam: Line) -> bool:
    if not beam.x0 - 0.3 * _POINTS <= stem.x0 <= beam.x1 + 0.3 * _POINTS:
        return False
    return stem.y0 - _POINTS <= beam.y_at(stem.x0) <= stem.y1 + _POINTS


def _snapped(line: Line, staves: Sequence[Staff]) -> Line:
    """Let a bar line end at the outer line of a staff that it nearly reaches."""
    low = min((s.y0 for s in staves), key=lambda y: abs(y - line.y0))
    high = min((s.y1 for s in staves), key=lambda y: abs(y - line.y1))
    y0 = low if abs(low - line.y0) < 0.9 * _POINTS else line.y0
    y1 = high if abs(high - line.y1) < 0.9 * _POINTS else line.y1
    return Line(line.x0, y0, line.x1, y1, line.width)


def _braced(system: System, bars: Sequence[Line]) -> list[Symbol]:
    """Return a brace for each pair of staves that bar lines run through, but not every pair."""
    through = []
    for above, below in pairwise(system.staves):
        inner = [a for a in bars if a.x0 > above.x0 + 3 * _POINTS and a.y0 < above.y0 - _POINTS / 2]
        through.append(sum(a.y1 > above.y0 and a.y0 < below.y1 + _POINTS / 2 for a in inner))
    out = []
    most = max(through, default=0)
    for i, count in enumerate(through):
        if count >= max(1, 0.5 * most) and (not i or through[i - 1] < 0.5 * most):
            above, below = system.staves[i], system.staves[i + 1]
            left = above.x0 - _POINTS
            box = Box(left - _POINTS, below.y0, left, above.y1)
            out.append(Symbol("brace", box, below.y0))
    return out
