"""Excerpts are engraved from the bars around them alone, and look as if made from the whole score."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest
from engraving_scores import attributes, document, note

from understave.engraving import excerpt, notation
from understave.engraving.geometry import SVG, glyph_boxes, ink
from understave.harmony.reading import Reading
from understave.jobs.notation_worker import NotationWorker
from understave.score.reader import read_score

ROOT = Path(__file__).parents[2]


def _shape(svg: str) -> str:
    """The drawing without the ids that the engraver invents."""
    return re.sub(r' id="[^"]*"| id-\w+', "", svg)


@pytest.mark.parametrize("piece", ["lock-water", "chain-ferry"])  # pedal lines; clefs, long slurs, dynamics
@pytest.mark.parametrize(("first", "count"), [(0, 2), (4, 1), (9, 4), (25, 6), (36, 4)])
def test_an_excerpt_looks_as_in_the_whole(piece, first, count, monkeypatch):
    score = read_score(ROOT / "examples" / piece / "score.musicxml")
    cut = excerpt(score, Reading(()), first, first + count - 1)
    monkeypatch.setattr(notation, "_MARGIN", 10_000)
    assert _shape(excerpt(score, Reading(()), first, first + count - 1)) == _shape(cut)


@pytest.mark.parametrize(("first", "last"), [(3, 6), (40, 40), (60, 66)])
def test_bars_measured_in_one_layout_are_as_wide_as_in_two(first, last, monkeypatch):
    score = read_score(ROOT / "examples" / "chain-ferry" / "score.musicxml")
    root = notation._prepared(score, (), first, last)
    span = notation._cut_out(root, score, first, last)
    layouts = []
    ask = NotationWorker.ask

    def counted(worker, text, calls, *given, **named):
        layouts.append(1 + sum(method == "redoLayout" for method, _ in calls))
        return ask(worker, text, calls, *given, **named)

    monkeypatch.setattr(NotationWorker, "ask", counted)
    once = notation._natural_widths(root, score.measures[first : last + 1], span)
    pages = notation._pages
    monkeypatch.setattr(notation, "_pages", lambda root, options, span, alone: pages(root, options, span))
    assert notation._natural_widths(root, score.measures[first : last + 1], span) == once
    assert layouts == [1, 2]


def test_clefs_of_bars_left_out_still_hold():
    score = read_score(ROOT / "examples" / "chain-ferry" / "score.musicxml")
    root = notation.etree.fromstring(notation.to_mei(score.source))
    before = len(list(root.iter(f"{{{notation.MEI}}}clef")))
    first, last = notation._cut_out(root, score, len(score.measures) - 3, len(score.measures) - 1)
    left = list(root.iter(f"{{{notation.MEI}}}measure"))
    assert len(list(root.iter(f"{{{notation.MEI}}}clef"))) == before
    assert len(left) < len(score.measures)
    assert [m.get(notation.XML_ID) for m in left[first : last + 1]] == [m.id for m in score.measures[-3:]]


@pytest.mark.parametrize("count", [1, 2])
def test_names_of_parts_take_no_room_from_the_notes(count):
    """Notes stand to the right of clef and signature, and in the order of their time."""
    names = ("A violin with a long name", "Another", "Viola", "Violoncello")
    bars = [
        (attributes(-1, 4, 4, 1, "G") if m == 0 else "")
        + "".join(note(f"{'DFGA'[k]}4", 12, 1, f"PARTm{m}n{k}") for k in range(4))
        for m in range(4)
    ]
    parts = [(name, [b.replace("PART", f"p{p}") for b in bars]) for p, name in enumerate(names)]
    score = document([(name, [b.replace("<staff>1</staff>", "") for b in each]) for name, each in parts])
    tree = notation.etree.fromstring(excerpt(score, Reading(()), 1, count).encode())
    boxes = glyph_boxes(tree)
    drawn = [i for g in tree.findall(f"{{{SVG}}}g") for i in ink(g, boxes)]
    heads = {i.id: i.box for i in drawn if i.kind == "notehead"}
    signature = max(i.box.x1 for i in drawn if i.kind in ("clef", "keyAccid", "keySig", "meterSig"))
    for p in range(len(names)):
        row = [heads[f"p{p}m{m}n{k}"] for m in range(1, count + 1) for k in range(4)]
        assert row[0].x0 > signature
        assert all(a.x1 < b.x0 for a, b in pairwise(row))
