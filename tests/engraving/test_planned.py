"""Lanes of the plan: nothing touches, everything stands under its moment, proposals look like proposals."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from benchmarks.data import data_folder
from engraved_collisions import SVG, touching, touching_ink
from engraving_plans import WHY, plan_of
from engraving_scores import THREE_ROWS, crowded, held, quarters, reading_of, song
from lxml import etree

from understave.engraving import Options, engrave, excerpt
from understave.engraving.palette import PROPOSED, TENSION, contrast
from understave.interpretation.perform import let_up_to
from understave.interpretation.plan import PedalMove, Plan, Sustained
from understave.score.passage import passage
from understave.score.reader import read_score

READING = (Fraction(1), THREE_ROWS, ("Ab", "f"), 3, 0.4, 4)


def groups(root: etree._Element, kind: str) -> list[etree._Element]:
    return [g for g in root.iter(f"{SVG}g") if g.get("class", "") == kind]


def heads(group: etree._Element) -> float:
    head = next(g for g in group.iter(f"{SVG}g") if "notehead" in g.get("class", ""))
    return float(re.search(r"translate\(([-\d.]+)", head[0].get("transform"))[1])


def strokes(root: etree._Element, lane: str) -> list[etree._Element]:
    return [p for g in groups(root, lane) for p in g.iter(f"{SVG}path") if p.get("stroke")]


def points(path: etree._Element) -> list[tuple[float, float]]:
    numbers = [float(n) for n in re.findall(r"-?[\d.]+", path.get("d"))]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


@pytest.mark.parametrize("make", [crowded, held, quarters, song], ids=lambda f: f.__name__)
@pytest.mark.parametrize("hairpin", [Fraction(3), Fraction(1)], ids=["long", "short"])
def test_nothing_touches(make, hairpin) -> None:
    score = make()
    plan = plan_of(score, Fraction(1, 2), hairpin)
    pages = engrave(score, reading_of(score, *READING), Options(chord_symbols=True), plan)
    for page in pages:
        assert touching(page, 20.0) == []
        assert touching_ink(page) == 0
    picture = excerpt(score, reading_of(score, *READING), 1, 2, plan=plan)
    assert touching(picture, 20.0) == []
    assert touching_ink(picture) == 0


def test_every_part_of_the_plan_is_drawn_once() -> None:
    score = crowded(8)
    plan = plan_of(score)
    pages = [
        etree.fromstring(p.encode()) for p in engrave(score, reading_of(score, *READING), Options(), plan)
    ]
    drawn = {int(g.get("data-index")) for p in pages for g in groups(p, "hairpin")}
    assert drawn == set(range(len(plan.hairpins)))
    assert sum(len(groups(p, "dynamic")) for p in pages) == len(plan.marks)
    rings = [c for p in pages for c in p.iter(f"{SVG}circle") if c.get("class") == "release"]
    assert len(rings) == sum(t.release for t in plan.tension)


def test_pedal_changes_stand_under_their_notes() -> None:
    score = quarters(1)
    plan = Plan(
        pedal=tuple(PedalMove(Fraction(k), d, "proposed") for k, d in enumerate((1.0, 1.0, 0.5, 0.0)))
    )
    picture = etree.fromstring(excerpt(score, reading_of(score, *READING), 0, 0, plan=plan).encode())
    lines = [points(p) for p in strokes(picture, "pedal")]
    assert len(lines) == 3
    starts = [line[0][0] for line in lines]
    for start, name in zip(starts[1:], ("m1r1", "m1r2"), strict=True):
        head = next(g for g in picture.iter(f"{SVG}g") if g.get("id") == name)
        assert start == pytest.approx(heads(head), abs=30)
    top = lines[0][0][1]
    depths = [max(y for _, y in line) - top for line in lines]
    assert depths[0] == depths[1]
    assert depths[2] == pytest.approx(depths[0] / 2, abs=1)
    # A change comes all the way up between two stretches.
    assert lines[0][-1] == lines[1][0]
    assert lines[1][0][1] == top


def test_the_pedal_is_drawn_as_far_up_as_it_comes() -> None:
    score = quarters(1)
    moves = (
        PedalMove(Fraction(0), 1.0, "proposed"),
        PedalMove(Fraction(1), 1.0, "proposed", late=True),
        PedalMove(Fraction(2), 0.5, "proposed"),
        PedalMove(Fraction(3), 0.0, "proposed", late=True),
    )
    picture = etree.fromstring(
        excerpt(score, reading_of(score, *READING), 0, 0, plan=Plan(pedal=moves)).encode()
    )
    first, second, third = [points(p) for p in strokes(picture, "pedal")]
    top, bottom = first[0][1], max(y for _, y in first)

    def depth(y: float) -> float:
        return (y - top) / (bottom - top)

    # What melts keeps some of the pedal; down to half is no change; a release is one.
    assert first[-1] == second[0]
    assert depth(first[-1][1]) == pytest.approx(let_up_to(1.0, moves[1]), abs=0.02)
    assert 0.2 < depth(first[-1][1]) < 0.5
    assert depth(second[-1][1]) == pytest.approx(0.5, abs=0.02)
    assert depth(third[-1][1]) == 0.0


def test_a_flutter_is_a_zigzag_between_half_and_a_quarter() -> None:
    score = quarters(2)
    moves = (
        PedalMove(Fraction(0), 1.0, "proposed"),
        PedalMove(Fraction(2), 0.5, "proposed", flutter=True),
        PedalMove(Fraction(6), 1.0, "proposed"),
        PedalMove(Fraction(7), 0.5, "proposed"),
    )
    text = excerpt(score, reading_of(score, *READING), 0, 1, plan=Plan(pedal=moves))
    assert touching(text, 20.0) == []
    first, second, *_, fourth = (points(p) for p in strokes(etree.fromstring(text.encode()), "pedal"))
    top, bottom = first[0][1], max(y for _, y in first)
    depths = [(y - top) / (bottom - top) for _, y in second[1:-2]]
    assert depths[::2] == pytest.approx([0.5] * len(depths[::2]), abs=0.02)
    assert depths[1::2] == pytest.approx([0.25] * len(depths[1::2]), abs=0.02)
    assert len(depths) > 10
    assert [x for x, _ in second] == sorted(x for x, _ in second)
    assert len(fourth) < 5
    half = [g for g in etree.fromstring(text.encode()).iter(f"{SVG}g") if g.get("class") == "half"]
    assert len(half) <= 1


def test_the_middle_pedal_is_bracketed_below_the_right_one() -> None:
    """A name, a line and a hook where it goes up: as printed in piano music (common practice, no source)."""
    score = quarters(12)
    plan = replace(
        plan_of(score),
        sustained=tuple(Sustained(Fraction(a), Fraction(b), (), WHY) for a, b in ((0, 7), (7, 12), (13, 44))),
    )
    (text,) = engrave(score, reading_of(score, *READING), Options(), plan)
    assert touching(text, 20.0) == []
    assert touching_ink(text) == 0
    page = etree.fromstring(text.encode())
    names = groups(page, "sostenuto-name")
    assert len(groups(page, "sostenuto")) == len(names) > 3  # what crosses a line's end is named again
    assert [int(g.get("data-index")) for g in names[:3]] == [0, 1, 2]
    lines = strokes(page, "sostenuto")
    hooks = [" V" in p.get("d") for p in lines]
    assert hooks.count(True) == 3
    assert hooks[:3] == [True, True, False]
    for path, name in ((lines[0], "m2r3"), (lines[1], "m4r0")):
        head = next(g for g in page.iter(f"{SVG}g") if g.get("id") == name)
        _, end = re.findall(r"[MH](-?[\d.]+)", path.get("d"))
        assert float(end) == pytest.approx(heads(head), abs=60)
    lowest = max(y for p in strokes(page, "pedal")[:3] for _, y in points(p))
    assert float(re.search(r"M-?[\d.]+ (-?[\d.]+)", lines[0].get("d"))[1]) > lowest
    hidden = engrave(score, reading_of(score, *READING), Options(pedal=False), plan)
    assert "sostenuto" not in "".join(hidden)


def test_the_curve_is_as_high_as_the_tension() -> None:
    score = quarters(2)
    plan = plan_of(score)
    picture = etree.fromstring(excerpt(score, reading_of(score, *READING), 0, 1, plan=plan).encode())
    base, curve = (points(p) if p.get("d").count("L") else p for p in strokes(picture, "tension"))
    bottom = float(re.search(r"M-?[\d.]+ (-?[\d.]+)", base.get("d"))[1])
    values = [t.value for t in plan.tension]
    heights = [bottom - y for _, y in curve][:-1:2]  # each span holds its value for half its time
    assert [h / max(heights) for h in heights] == pytest.approx([v / max(values) for v in values], abs=0.01)
    xs = [x for x, _ in curve]
    assert xs == sorted(xs)


def test_proposals_differ_from_what_is_printed_by_more_than_colour() -> None:
    score = quarters(3)
    plan = plan_of(score)
    proposed = [h.origin == "proposed" for h in plan.hairpins]
    picture = etree.fromstring(excerpt(score, reading_of(score, *READING), 0, 2, plan=plan).encode())
    for g in groups(picture, "hairpin"):
        dashed = all(p.get("stroke-dasharray") for p in g.iter(f"{SVG}path"))
        assert dashed == proposed[int(g.get("data-index"))]
    words = [g.get("aria-label") for g in groups(picture, "dynamic")]
    assert words == [m.mark + (", proposed" if m.origin == "proposed" else "") for m in plan.marks]


def test_lanes_can_be_left_out() -> None:
    score = quarters(2)
    plan = plan_of(score)
    for name in ("tension", "dynamics", "pedal"):
        options = replace(Options(), **{name: False})
        picture = excerpt(score, reading_of(score, *READING), 0, 1, options=options, plan=plan)
        assert f"lane {name}-lane" not in picture
        assert picture.count('class="lane ') == 4
    bare = excerpt(score, reading_of(score, *READING), 0, 1, plan=Plan())
    assert bare == excerpt(score, reading_of(score, *READING), 0, 1)


def test_a_held_pedal_goes_on_in_the_next_system() -> None:
    score = crowded(8)
    plan = Plan(pedal=(PedalMove(Fraction(0), 1.0, "proposed"),))
    page = "".join(engrave(score, reading_of(score, *READING), Options(), plan))
    assert page.count('class="system"') > 1
    assert page.count('data-depth="1"') == page.count('class="system"')


def test_lines_can_be_seen() -> None:
    """WCAG 2.2, success criterion 1.4.11: 3:1 for graphics; 1.4.3: 4.5:1 for the marks, which are text."""
    assert contrast(TENSION) >= 3
    assert contrast(PROPOSED) >= 4.5


@pytest.mark.corpus
@pytest.mark.parametrize(
    "name",
    [
        "performance/schumann-arabeske/xml_score.musicxml",
        "songs/hensel-fanny-5-lieder-op-10-2-vorwurf.mxl",
    ],
)
def test_nothing_touches_in_real_scores(name: str) -> None:
    path = data_folder() / name
    if not path.exists():
        pytest.skip(f"needs {name} of the open data set")
    whole = read_score(path)
    score = passage(whole, 0, min(47, len(whole.measures) - 1))  # `test_collisions` draws it to its end
    reading = reading_of(score, Fraction(1), THREE_ROWS, ("C", "g", "Ab"), 7)
    for page in engrave(score, reading, Options(), plan_of(score, Fraction(1, 2), Fraction(2))):
        assert touching(page) == []
        assert touching_ink(page, 1400) == 0
