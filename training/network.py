"""The network: notes to frames, frames to labels. Needs torch, which the shipped tool does not.

In: the arrays of `understave.harmony.model.encoding` and, for some frames, chords already settled.
Out: for every frame the log-probabilities of key, tonicised key, numeral, root, bass, quality,
inversion, and of a chord or phrase beginning there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor, nn
from torch.nn import functional

from understave.harmony.model.encoding import FIFTHS, FRAME_VALUES, NOTE_VALUES, STEP_LIMIT


@dataclass(frozen=True)
class Shape:
    """Sizes of the network and of its label tables."""

    keys: int
    numerals: int
    qualities: int
    width: int = 256
    layers: int = 6
    heads: int = 8
    note_width: int = 160
    dropout: float = 0.15
    tastes: int = 0
    """Corpora and analysts the network can be told of; none when 0."""


class Rotary(nn.Module):
    """Rotary positions (Su et al. 2021): half of the heads by frame, half by time in quarters."""

    def __init__(self, head_width: int, heads: int) -> None:
        super().__init__()
        self.heads = heads
        rates = torch.exp(-math.log(2000.0) * torch.arange(0, head_width, 2) / head_width)
        self.register_buffer("rates", rates)

    def forward(self, times: Tensor) -> tuple[Tensor, Tensor]:
        """(B, T) times in quarters -> cos and sin, (B, heads, T, head_width / 2)."""
        index = torch.arange(times.shape[1], device=times.device, dtype=times.dtype)
        by_index = (index[None, :, None] * self.rates).expand(times.shape[0], -1, -1)
        by_time = 2.0 * times[:, :, None] * self.rates
        half = self.heads // 2
        angle = torch.cat(
            [
                by_index[:, None].expand(-1, half, -1, -1),
                by_time[:, None].expand(-1, self.heads - half, -1, -1),
            ],
            dim=1,
        )
        return angle.cos(), angle.sin()


def _turn(x: Tensor, cos: Tensor, sin: Tensor) -> Tensor:
    a, b = x.chunk(2, dim=-1)
    return torch.cat([a * cos - b * sin, a * sin + b * cos], dim=-1)


class Block(nn.Module):
    """Local convolution, attention, feed-forward; each with a residual."""

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        d = shape.width
        self.heads = shape.heads
        self.norm_local = nn.LayerNorm(d)
        self.local_in = nn.Linear(d, 2 * d)
        self.local = nn.Conv1d(d, d, 7, padding=3, groups=d)
        self.local_out = nn.Linear(d, d)
        self.norm_attention = nn.LayerNorm(d)
        self.qkv = nn.Linear(d, 3 * d)
        self.attention_out = nn.Linear(d, d)
        self.norm_forward = nn.LayerNorm(d)
        self.up = nn.Linear(d, 3 * d)
        self.down = nn.Linear(3 * d, d)
        self.dropout = nn.Dropout(shape.dropout)

    def forward(self, x: Tensor, cos: Tensor, sin: Tensor, mask: Tensor) -> Tensor:
        """(B, T, d) -> (B, T, d); `mask` (B, T) is True on real frames."""
        a, gate = self.local_in(self.norm_local(x)).chunk(2, dim=-1)
        a = a * torch.sigmoid(gate) * mask[..., None]
        a = functional.silu(self.local(a.transpose(1, 2)).transpose(1, 2))
        x = x + self.dropout(self.local_out(a))
        b, t, d = x.shape
        q, k, v = (
            self.qkv(self.norm_attention(x))
            .reshape(b, t, 3, self.heads, d // self.heads)
            .permute(2, 0, 3, 1, 4)
        )
        q, k = _turn(q, cos, sin), _turn(k, cos, sin)
        bias = torch.where(mask[:, None, None, :], 0.0, -1e4).to(q.dtype)
        y = functional.scaled_dot_product_attention(q, k, v, attn_mask=bias.expand(b, 1, t, t))
        x = x + self.dropout(self.attention_out(y.transpose(1, 2).reshape(b, t, d)))
        return x + self.dropout(self.down(functional.gelu(self.up(self.norm_forward(x)))))


HEADS = ("key", "tonicised", "numeral", "root", "bass", "quality", "inversion", "starts")


class Reader(nn.Module):
    """The whole network."""

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        self.shape = shape
        n, d = shape.note_width, shape.width
        self.pitch = nn.Embedding(FIFTHS, n)
        self.octave = nn.Embedding(10, n)
        self.arriving = nn.Embedding(2 * STEP_LIMIT + 2, n)
        self.leaving = nn.Embedding(2 * STEP_LIMIT + 2, n)
        self.above = nn.Embedding(FIFTHS, n)
        sizes = torch.tensor([FIFTHS, 10, 2 * STEP_LIMIT + 2, 2 * STEP_LIMIT + 2])
        begins = torch.cat([torch.zeros(1, dtype=torch.long), sizes.cumsum(0)])
        self.register_buffer("begins", begins, persistent=False)
        self.note_values = nn.Linear(NOTE_VALUES, n)
        self.taste = nn.Embedding(shape.tastes + 1, d) if shape.tastes else None
        self.note_hidden = nn.Sequential(nn.GELU(), nn.Linear(n, n), nn.GELU(), nn.Linear(n, n))
        self.note_weight = nn.Linear(n, 4)
        self.frame_values = nn.Linear(FRAME_VALUES, d)
        self.signature = nn.Embedding(FIFTHS, d)
        self.given_key = nn.Embedding(shape.keys + 1, d)
        self.given_numeral = nn.Embedding(shape.numerals + 1, d)
        self.enter = nn.Linear(5 * n, d)
        self.rotary = Rotary(d // shape.heads, shape.heads)
        self.blocks = nn.ModuleList([Block(shape) for _ in range(shape.layers)])
        self.norm = nn.LayerNorm(d)
        sizes = {
            "key": shape.keys,
            "tonicised": shape.keys,
            "numeral": shape.numerals,
            "root": FIFTHS,
            "bass": FIFTHS,
            "quality": shape.qualities,
            "inversion": 4,
            "starts": 3,
        }
        self.heads = nn.ModuleDict({name: nn.Linear(d, size) for name, size in sizes.items()})
        self.dropout = nn.Dropout(shape.dropout)

    def frames(  # noqa: PLR0913
        self, codes: Tensor, values: Tensor, frames: Tensor, signature: Tensor, times: Tensor,
        mask: Tensor, given_key: Tensor, given_numeral: Tensor, taste: Tensor | None = None,
    ) -> Tensor:  # fmt: skip
        """Return the frame vectors (B, T, width); `taste` (B,) names a corpus, 0 or None none."""
        note = self.note_hidden(self._coded(codes) + self.note_values(values))
        there = (codes[..., 0] > 0)[..., None]
        weight = torch.where(there, self.note_weight(note), -1e4).softmax(dim=2)
        pooled = torch.einsum("btpk,btpn->btkn", weight.to(note.dtype), note * there)
        total = (note * there).sum(dim=2) * 0.25
        x = self.enter(torch.cat([pooled.flatten(2), total], dim=-1)) + self.frame_values(frames)
        x = x + self.signature(signature) + self.given_key(given_key) + self.given_numeral(given_numeral)
        if self.taste is not None:
            none = torch.zeros(x.shape[0], dtype=torch.long, device=x.device)
            x = x + self.taste(none if taste is None else taste)[:, None]
        x = self.dropout(x)
        cos, sin = self.rotary(times)
        for block in self.blocks:
            x = block(x, cos.to(x.dtype), sin.to(x.dtype), mask)
        return self.norm(x)

    def _coded(self, codes: Tensor) -> Tensor:
        """Return the sum of the embeddings of a note's codes (B, T, P, note_width)."""
        tables = (self.pitch, self.octave, self.arriving, self.leaving, self.above)
        if not self.training:
            return sum(table(codes[..., i]) for i, table in enumerate(tables))  # type: ignore[return-value]
        # The same as a product with ones and noughts: its gradient is a product too, many times faster.
        size = sum(table.num_embeddings for table in tables)
        dtype = torch.get_autocast_dtype(codes.device.type)
        ones = torch.zeros((*codes.shape[:-1], size), dtype=dtype, device=codes.device)
        ones.scatter_(-1, codes + self.begins, 1.0)
        return ones @ torch.cat([table.weight for table in tables]).to(dtype)

    def forward(self, *inputs: Tensor) -> tuple[Tensor, ...]:
        """Return logits for each of `HEADS`, each (B, T, size)."""
        x = self.frames(*inputs)
        return tuple(self.heads[name](x) for name in HEADS)
