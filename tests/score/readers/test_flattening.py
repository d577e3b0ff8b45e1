"""Pages that are not flat: what is drawn level, curled and in perspective here, comes back level."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks import engraved

from understave.score.readers.page import seen_page
from understave.score.readers.page.flattening import flattened
from understave.score.readers.page.seen_symbols import SPACE

HEIGHT, WIDTH = 700, 1200
TOPS = (100, 220, 400, 520)


def flat_page():
    page = np.zeros((HEIGHT, WIDTH), np.float32)
    for top in TOPS:
        for line in range(5):
            page[top + line * SPACE : top + line * SPACE + 2, 60:1140] = 1
    return page


def curled(page):
    """Falling by 40 pixels to the left as a book does, and 4 % nearer on the right than on the left."""
    ys, xs = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    x = xs / WIDTH
    from_y = 350 + (ys - 350 - 40 * np.clip(0.5 - x, 0, 1) ** 2 * 4) / (0.98 + 0.04 * x)
    return engraved.sampled(page, from_y, xs)


def test_a_curled_page_becomes_level_and_a_flat_one_stays_as_it_is():
    page = flat_page()
    lines = page > 0.5
    assert flattened(page, lines, seen_page._staff_rows(lines)) is None
    bent = curled(page)
    rows = seen_page._staff_rows(bent > 0.5)
    # Followed to both ends, however far it falls.
    assert [(r.x0 < 80, r.x1 > 1100) for r in rows] == [(True, True)] * 4
    assert max(np.ptp(r.top) for r in rows) > 25
    flat, was = flattened(bent, bent > 0.5, rows)
    # Each staff is known to have lain where it was found.
    for before, row in zip(rows, seen_page._staff_rows(flat > 0.5), strict=True):
        for x in (200, 600, 1000):
            assert was.row(x, row.level) == pytest.approx(np.interp(x, before.xs, before.top), abs=3)
    for row in seen_page._staff_rows(flat > 0.5):
        assert np.ptp(row.top) < 2.5
        for x in (70, 300, 600, 900, 1130):
            marked = np.flatnonzero(flat[:, x - 4 : x + 5].mean(axis=1) > 0.4)
            near = marked[np.abs(marked - row.level - 2 * SPACE) < 2.6 * SPACE]
            # Five lines, twelve pixels apart (`SPACE`).
            assert near[-1] - near[0] == pytest.approx(4 * SPACE, abs=2)


def test_the_table_around_a_page_is_no_ink_and_lines_out_of_focus_are_found():
    chance = np.random.default_rng(1)
    sharp = 255 - 235 * np.kron(flat_page(), np.ones((2, 2)))
    sharp[640:700, 400:1600] = 20
    page = np.full((1480, 2460), 90.0)
    page[40:1440, 30:2430] = sharp
    for _ in range(10):
        page = (np.roll(page, 1, 0) + page + np.roll(page, -1, 0) + np.roll(page, 2, 0)) / 4
    page += chance.normal(0, 4, page.shape)
    ink = seen_page._ink(np.clip(page, 0, 255).astype(np.uint8))
    assert (ink[:34] > 0.3).mean() < 0.02
    assert seen_page._staff_space(ink > seen_page._LINES[0])[0] is None
    assert seen_page._staff_space(ink > seen_page._LINES[1])[0] == pytest.approx(2 * SPACE, abs=0.5)
