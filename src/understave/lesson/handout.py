"""The handout: a PDF to give to a student, set by typst from the reading.

In: a Score and its Reading. Out: PDF bytes. Every text comes from `story` and `wording`; the
layout stands in ``handout.typ``.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import typst

from understave.engraving import excerpt
from understave.harmony.reading import Reading
from understave.lesson import story, wording
from understave.score.model import Score
from understave.theory.names import key_name
from understave.theory.roman import RomanNumeral

Paper = Literal["a4", "us-letter"]


def handout_pdf(
    score: Score,
    reading: Reading,
    source_name: str,
    paper: Paper = "a4",
    on_step: Callable[[str], None] = lambda _: None,
) -> bytes:
    """Return the handout as PDF bytes; `on_step` hears which excerpt is being engraved."""
    points = story.points(score, reading)
    plan = story.key_plan(score, reading)
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        root = Path(folder)
        entries: list[dict[str, Any]] = []
        for number, point in enumerate(points, start=1):
            on_step(f"handout: excerpt {number} of {len(points)}")
            first = score.measure_at(point.span.start).index
            last = min(first + 1, len(score.measures) - 1)
            first = max(0, first - 1)
            picture = f"excerpt-{number}.svg"
            svg = excerpt(score, reading, first, last, highlight=point.span.notes)
            (root / picture).write_text(svg, encoding="utf-8")
            entries.append(
                {
                    "heading": point.heading,
                    "place": point.place.capitalize(),
                    "text": point.text,
                    "picture": picture,
                }
            )
        used = list(dict.fromkeys(p.device for p in points))
        data = {
            "title": score.title,
            "composer": score.composer or wording.UNKNOWN_COMPOSER,
            "paper": paper,
            "headings": wording.HEADINGS,
            "key_sentence": story.key_sentence(plan),
            "keys": [
                {
                    "name": key_name(k.key),
                    "short": _short(k.key.symbol),
                    "first_bar": k.first_bar,
                    "share": k.share,
                }
                for k in plan
            ],
            "points": entries,
            "check_intro": wording.CHECK_INTRO,
            "doubts": [d.text for d in story.doubts(score, reading)],
            "glossary": [
                {"term": wording.GLOSSARY[d][0], "meaning": wording.GLOSSARY[d][1]} for d in sorted(used)
            ],
            "credit": wording.CREDIT.format(file=source_name),
            "copyright": wording.COPYRIGHT,
        }
        data["numerals"] = _numerals(data)
        (root / "handout.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        template = files("understave.lesson").joinpath("handout.typ").read_bytes()
        (root / "handout.typ").write_bytes(template)
        on_step("handout: setting the pages")
        pdf = typst.compile(root / "handout.typ", root=root, ignore_system_fonts=True)
    assert isinstance(pdf, bytes)
    return pdf


def _numerals(data: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return how each numeral marked in the texts is set: head, figures top to bottom, what it applies to."""
    marked = re.findall("⟨[^⟩]*⟩", json.dumps(data, ensure_ascii=False))
    table = {}
    for mark in marked:
        numeral = RomanNumeral.parse(story.plain(mark))
        table[mark] = {"head": numeral.head, "figures": numeral.figures, "target": numeral.target}
    return table


def _short(symbol: str) -> str:
    return symbol[0] + symbol[1:].replace("#", "♯").replace("b", "♭")
