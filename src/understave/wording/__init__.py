"""Every word a reader sees about the music, in English, German or French, at three levels.

In: events and readings. Out: sentences and paragraphs. The words themselves stand in the folders
of ``languages``; how a gap is filled, in `gaps`; which events a story tells, in `telling` and `weights`.
"""

from __future__ import annotations

from understave.wording.numerals import in_a_line
from understave.wording.phrasebook import LEVELS, SPOKEN, Gloss, Level, Phrasebook, phrasebook
from understave.wording.sentences import can_say, plain, say
from understave.wording.telling import Paragraph, Sentence, tell

__all__ = [
    "LEVELS",
    "SPOKEN",
    "Gloss",
    "Level",
    "Paragraph",
    "Phrasebook",
    "Sentence",
    "can_say",
    "in_a_line",
    "phrasebook",
    "plain",
    "say",
    "tell",
]
