"""A folder of scores in, an index to search out, and answers from it.

`index_folder` reads scores and keeps what was found in an index; `find` answers a question about places in
them; `counts` tells how often, in which keys and what follows what; `excerpt_of` engraves a place. See
``docs/million-scores.md`` for more scores than one machine can read.
"""

from understave.repertoire.counts import (
    count_devices,
    count_keys,
    count_next,
    count_textures,
    plot,
)
from understave.repertoire.difficulty import Component, Difficulty, difficulty_of
from understave.repertoire.excerpts import excerpt_of
from understave.repertoire.indexing import Progress, Summary, index_folder
from understave.repertoire.search import Answer, Place, Question, ask, connect, find

__all__ = [
    "Answer",
    "Component",
    "Difficulty",
    "Place",
    "Progress",
    "Question",
    "Summary",
    "ask",
    "connect",
    "count_devices",
    "count_keys",
    "count_next",
    "count_textures",
    "difficulty_of",
    "excerpt_of",
    "find",
    "index_folder",
    "plot",
]
