"""The handout: a PDF to give to a student, set by typst from the reading.

In: a Score, its Reading, a level and a language. Out: PDF bytes. Every text comes from `story` and
`understave.wording`; the layout stands in ``handout.typ``.
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

from understave.engraving import Options, excerpt
from understave.harmony.reading import Reading
from understave.lesson import story
from understave.score.model import Score
from understave.theory.names import key_name
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording import Level, Paragraph, Phrasebook, phrasebook, tell
from understave.wording.telling import key_sentence

Paper = Literal["a4", "us-letter"]


def handout_pdf(
    score: Score,
    reading: Reading,
    source_name: str,
    paper: Paper = "a4",
    on_step: Callable[[str], None] = lambda _: None,
    level: Level = "intermediate",
    language: Language = "en",
) -> bytes:
    """Return the handout as PDF bytes; `on_step` hears which excerpt is being engraved."""
    book = phrasebook(language)
    points = story.points(score, reading, language)
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        root = Path(folder)
        entries: list[dict[str, Any]] = []
        for number, point in enumerate(points, start=1):
            on_step(f"handout: excerpt {number} of {len(points)}")
            picture = f"excerpt-{number}.svg"
            (root / picture).write_text(_excerpt(score, reading, point, language), encoding="utf-8")
            entries.append(
                {
                    "heading": point.heading,
                    "place": point.place[0].upper() + point.place[1:],
                    "text": point.text,
                    "picture": picture,
                }
            )
        data = {
            "title": score.title,
            "composer": score.composer or book.phrases["unknown_composer"],
            "paper": paper,
            "language": language,
            "headings": book.headings,
            "key_sentence": key_sentence(score, reading, book),
            "keys": [
                {
                    "name": key_name(k.key, language),
                    "short": story.short_key(k.key, language),
                    "first_bar": k.first_bar,
                    "share": k.share,
                }
                for k in story.key_plan(score, reading)
            ],
            "points": entries,
            "check_intro": book.phrases["check_intro"],
            "doubts": [d.text for d in story.doubts(score, reading, language)],
            "credit": book.phrases["credit"].format(file=source_name),
            "copyright": book.phrases["copyright"],
        }
        paragraphs = tell(score, reading, level, language)
        said = [p.text for p in paragraphs] + [str(e["heading"]) + " " + str(e["text"]) for e in entries]
        data["glossary"] = [{"term": g.term, "meaning": g.meaning} for g in story.glossary(said, book)]
        # The keys have their own heading above the story.
        story_passages = [_passage(p, book, leave_out=str(data["key_sentence"])) for p in paragraphs]
        data["story"] = [p for p in story_passages if p["sentences"]]
        data["numerals"] = _numerals(data)
        text = _unbroken(json.dumps(data, ensure_ascii=False))
        (root / "handout.json").write_text(text, encoding="utf-8")
        template = files("understave.lesson").joinpath("handout.typ").read_bytes()
        (root / "handout.typ").write_bytes(template)
        on_step("handout: setting the pages")
        pdf = typst.compile(root / "handout.typ", root=root, ignore_system_fonts=True)
    assert isinstance(pdf, bytes)
    return pdf


def _excerpt(score: Score, reading: Reading, point: story.Point, language: Language) -> str:
    at = score.measure_at(point.span.start).index
    last = min(at + 1, len(score.measures) - 1)
    options = Options(language=language)
    return excerpt(score, reading, max(0, at - 1), last, highlight=point.span.notes, options=options)


def _passage(paragraph: Paragraph, book: Phrasebook, leave_out: str = "") -> dict[str, Any]:
    """Return a passage for the page; where a term is used for the first time, it stands between ‹ and ›."""
    new = {g.term for g in paragraph.glosses}
    sentences = []
    for s in paragraph.sentences:
        if s.text == leave_out:
            continue
        text, shift = s.text, 0
        for start, end, gloss in book.terms_in(s.text):
            if gloss.term in new and s.text[start] != "⟨":
                new.discard(gloss.term)
                text = f"{text[: start + shift]}‹{text[start + shift : end + shift]}›{text[end + shift :]}"
                shift += 2
        sentences.append({"place": s.place, "text": text})
    return {"heading": paragraph.heading, "sentences": sentences}


def _unbroken(text: str) -> str:
    """Keep the names of notes and keys on one line: ``A flat major`` with spaces that do not break."""
    name = r"\b[A-G](?: (?:double|flat|sharp|major|minor)\b)+"
    return re.sub(name, lambda m: m[0].replace(" ", "\u00a0"), text)


def _numerals(data: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return how each numeral marked in the texts is set: head, figures top to bottom, what it applies to."""
    marked = re.findall("⟨[^⟩]*⟩", json.dumps(data, ensure_ascii=False))
    table = {}
    for mark in marked:
        numeral = RomanNumeral.parse(story.plain(mark))
        table[mark] = {"head": numeral.head, "figures": numeral.figures, "target": numeral.target}
    return table
