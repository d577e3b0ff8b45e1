"""Outlined text and the geometry of outlines."""

from __future__ import annotations

from math import cos, pi, sin

import pytest
from lxml import etree

from understave.engraving import lettering
from understave.engraving.geometry import Box, affine, compose, ink, path_box, path_boxes
from understave.engraving.lettering import Face, typeset

ROMAN = Face()


def test_kerning_and_spaces() -> None:
    runs = typeset((t, ROMAN) for t in ("AV", "A", "V", "A V", " ", "A "))
    assert runs["AV", ROMAN].advance < runs["A", ROMAN].advance + runs["V", ROMAN].advance - 50
    assert runs["A ", ROMAN].advance == pytest.approx(
        runs["A", ROMAN].advance + runs[" ", ROMAN].advance, abs=5
    )
    assert runs[" ", ROMAN].glyphs == ()
    assert runs[" ", ROMAN].box.empty


def test_a_text_is_shaped_once_and_alike_beside_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every picture of a piece has its labels; a face is part of what is asked for."""
    asked: list[tuple[str, Face]] = []
    shape = lettering._shape

    def told(texts: list[tuple[str, Face]], system_fonts: bool = False) -> dict:
        asked.extend(texts)
        return shape(texts, system_fonts)

    monkeypatch.setattr(lettering, "_shape", told)
    monkeypatch.setattr(lettering, "_known", {})
    first = typeset([("Lento", ROMAN), ("assai", ROMAN)])
    again = typeset([("assai", ROMAN), ("Lento", ROMAN), ("Lento", Face(italic=True)), ("poco", ROMAN)])
    assert asked == [
        ("Lento", ROMAN), ("assai", ROMAN), ("Lento", Face(italic=True)), ("poco", ROMAN)
    ]  # fmt: skip
    assert {key: again[key] for key in first} == first == shape([*first])
    assert again["Lento", Face(italic=True)] != first["Lento", ROMAN]


def test_faces_differ() -> None:
    faces = (Face(), Face(italic=True), Face(weight=600))
    runs = typeset(("Adagio", f) for f in faces)
    outlines = {runs["Adagio", f].glyphs[0].glyph.path for f in faces}
    assert len(outlines) == 3


def test_figures_stand_on_the_baseline_with_one_height() -> None:
    runs = typeset((d, ROMAN) for d in "0123456789")
    for digit in "0123456789":
        box = runs[digit, ROMAN].box
        assert -20 <= box.y0 <= 5
        assert 600 < box.y1 < 700


def test_missing_characters_are_noticed() -> None:
    runs = typeset([("\U000fabcd", ROMAN), ("a\U000fabcdb", ROMAN), ("ab", ROMAN)])
    assert not runs["\U000fabcd", ROMAN].complete
    assert not runs["a\U000fabcdb", ROMAN].complete
    assert runs["ab", ROMAN].complete


@pytest.mark.parametrize(
    "text", ["Größe", "Dvořák", "Чайковский", "Ελένη", "déjà vu – “così”", "B♭ Klarinette ♮ ♯"]
)
def test_ordinary_languages_are_covered(text: str) -> None:
    for face in (Face(), Face(italic=True), Face(weight=600)):
        run = typeset([(text, face)])[text, face]
        assert run.complete
        assert len(run.glyphs) >= len(text.replace(" ", "")) - 2


def test_path_boxes() -> None:
    assert path_box("M10 20 L30 5 z") == Box(10, 5, 30, 20)
    assert path_box("m10 20 l20 -15 h5 v40") == Box(10, 5, 35, 45)
    # A circle of four Bezier curves, handles 0.5523 of the radius (standard approximation).
    k = 0.5523
    circle = f"M1 0 C1 {k} {k} 1 0 1 C-{k} 1 -1 {k} -1 0 C-1 -{k} -{k} -1 0 -1 C{k} -1 1 -{k} 1 0Z"
    box = path_box(circle)
    assert (box.x0, box.y0, box.x1, box.y1) == pytest.approx((-1, -1, 1, 1), abs=0.01)
    pieces = path_boxes(circle, 0.05)
    for step in range(200):
        x, y = 0.999 * cos(2 * pi * step / 200), 0.999 * sin(2 * pi * step / 200)
        assert any(b.grown(0.01, 0.01).overlaps(Box(x, y, x + 1e-9, y + 1e-9)) for b in pieces)
    assert sum(b.width * b.height for b in pieces) < 0.5  # hollow: far from a block of area 4


def test_transforms() -> None:
    assert affine("translate(3, 4) scale(2)") == (2, 0, 0, 2, 3, 4)
    assert compose(affine("scale(2,-1)"), affine("translate(1,1)")) == (2, 0, 0, -1, 2, -1)
    assert Box(0, 0, 1, 2).transformed(affine("matrix(0 1 -1 0 5 5)")) == Box(3, 5, 5, 6)


def test_ink_of_shapes() -> None:
    svg = etree.fromstring(
        '<g xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink">'
        '<g id="a" class="note" transform="translate(100,0)"><rect x="1" y="2" width="3" height="4"/></g>'
        '<g id="b" class="beam"><polygon points="0,0 10,5 10,8 0,3"/></g>'
        '<g id="c" class="dots"><ellipse cx="5" cy="5" rx="2" ry="1"/></g>'
        '<g id="d" class="stem"><path d="M7 0 L7 10" stroke-width="2"/></g>'
        '<g id="e" class="notehead"><use xlink:href="#x" transform="translate(50,60) scale(0.5)"/></g>'
        '<g id="f" class="pb placeholder"><rect width="999" height="999"/></g></g>'
    )
    found = {i.id: i.box for i in ink(svg, {"x": Box(-10, -20, 10, 20)})}
    assert found == {
        "a": Box(101, 2, 104, 6),
        "b": Box(0, 0, 10, 8),
        "c": Box(3, 4, 7, 6),
        "d": Box(6, -1, 8, 11),
        "e": Box(45, 50, 55, 70),
    }
