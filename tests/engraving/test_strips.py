"""Strips: systems one by one, whose notes lie where the picture shows them.

Checked on the pixels of the rasterised picture: ink inside every head's box, none between systems' edges.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from tests.once import read, read_score

from understave.engraving import Options, to_png
from understave.engraving.strips import strips

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def piece():
    score = read_score(ROOT / "examples" / "lock-water" / "score.musicxml")
    return score, read(score)


@pytest.mark.parametrize("width", [100.0, 200.0])
def test_heads_and_labels_lie_where_the_picture_has_ink(piece, width):
    score, reading = piece
    found = strips(score, reading, 2, 9, width, Options(legend=False))
    assert [s.start for s in found[1:]] == [s.end for s in found[:-1]]
    assert found[0].start == score.measures[2].start
    assert found[-1].end == score.measures[9].end
    assert [k for s in found for k in s.bars] == list(range(2, 10))
    shown = {i for s in found for i in s.heads}
    begin, end = found[0].start, found[-1].end
    # A head in these bars may be the second of a tie from before them.
    sounding = {i for n in score.notes if n.onset < end and n.end > begin for i in n.ids}
    assert {n.id for n in score.notes if begin <= n.onset < end} <= shown <= sounding
    assert {k for s in found for k in s.numerals} <= set(range(len(reading.spans)))
    for s in found:
        assert s.width <= width
        size = 10
        pixels = np.asarray(Image.open(io.BytesIO(to_png(s.svg, round(s.width * size)))).convert("L"))
        assert pixels.shape[0] == pytest.approx(s.height * size, abs=2)
        for box in s.heads.values():
            middle = pixels[round(size * (box.y0 + box.y1) / 2), round(size * box.x0) : round(size * box.x1)]
            assert middle.min() < 100
        for box in s.numerals.values():
            part = pixels[
                round(size * box.y0) : round(size * box.y1), round(size * box.x0) : round(size * box.x1)
            ]
            assert part.min() < 160
        staves = pixels[:, round(size * (next(iter(s.bars.values())).x0 + 1))]
        top, bottom = next(iter(s.bars.values())).y0, next(iter(s.bars.values())).y1
        dark = np.flatnonzero(staves < 128) / size
        assert dark.min() == pytest.approx(top, abs=0.3)
        assert dark.max() == pytest.approx(bottom, abs=0.3)
