"""What is told of a piece as data: JSON for programs, in the form of `records.StoryFile`.

In: a Score and the Paragraphs that `wording.tell` made of it. Out: text. Every sentence names the notes it
rests on; moments are given as in the reading's JSON.
"""

from __future__ import annotations

from collections.abc import Sequence

from understave.export import records
from understave.export.reading_data import moment
from understave.score.model import Score
from understave.wording import Level, in_a_line
from understave.wording.telling import Paragraph, Sentence


def story_json(score: Score, told: Sequence[Paragraph], level: Level, language: str) -> str:
    """Return paragraphs as indented JSON with a stable order of keys."""
    return records.text_of(
        records.StoryFile(
            piece=records.Piece(score.title, score.composer),
            level=level,
            language=language,
            paragraphs=tuple(
                records.Paragraph(
                    paragraph.heading,
                    moment(score, paragraph.start),
                    moment(score, paragraph.end),
                    tuple(_sentence(score, sentence) for sentence in paragraph.sentences),
                    tuple(records.Gloss(gloss.term, in_a_line(gloss.meaning)) for gloss in paragraph.glosses),
                )
                for paragraph in told
            ),
        )
    )


def _sentence(score: Score, sentence: Sentence) -> records.Sentence:
    return records.Sentence(
        in_a_line(sentence.text),
        sentence.place,
        moment(score, sentence.start),
        sentence.notes,
        tuple(records.Named(event.kind, event.label) for event in sentence.events),
    )
