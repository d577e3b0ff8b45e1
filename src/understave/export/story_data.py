"""What is told of a piece as data: JSON for programs, in the form that ``story.schema.json`` fixes.

In: a Score and the Paragraphs that `wording.tell` made of it. Out: text. Every sentence names the notes it
rests on; moments are given as in the reading's JSON.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

from understave.export.reading_data import moment_values
from understave.score.model import Score
from understave.wording import in_a_line
from understave.wording.telling import Paragraph

FORMAT = "understave-story"
VERSION = 1


def story_json(score: Score, told: Sequence[Paragraph], level: str, language: str) -> str:
    """Return paragraphs as indented JSON with a stable order of keys."""
    document = {
        "format": FORMAT,
        "version": VERSION,
        "piece": {"title": score.title, "composer": score.composer},
        "level": level,
        "language": language,
        "paragraphs": [
            {
                "heading": p.heading,
                "start": moment_values(score, p.start),
                "end": moment_values(score, p.end),
                "sentences": [
                    {
                        "text": in_a_line(s.text),
                        "place": s.place,
                        "start": moment_values(score, s.start),
                        "notes": list(s.notes),
                        "events": [{"kind": e.kind, "label": e.label} for e in s.events],
                    }
                    for s in p.sentences
                ],
                "glosses": [{"term": g.term, "meaning": in_a_line(g.meaning)} for g in p.glosses],
            }
            for p in told
        ],
    }
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"
