"""A folder of scores in, an index to search out, and answers from it.

`index_folder` reads scores and keeps what was found in an index; `find` answers a question about places in
them; `count_devices` and its like tell how often, in which keys and what follows what; `excerpt_of` engraves
a place and `sound_of` plays it. See ``docs/million-scores.md`` for more scores than one machine can read.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
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
    from understave.repertoire.sounds import sound_of

_ROOMS = {
    "counts": ("count_devices", "count_keys", "count_next", "count_textures", "plot"),
    "difficulty": ("Component", "Difficulty", "difficulty_of"),
    "excerpts": ("excerpt_of",),
    "indexing": ("Progress", "Summary", "index_folder"),
    "search": ("Answer", "Place", "Question", "ask", "connect", "find"),
    "sounds": ("sound_of",),
}
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
    "sound_of",
]


def __getattr__(name: str) -> object:
    # Loaded when first asked for: a process that only reads scores needs no database and no engraver.
    for room, names in _ROOMS.items():
        if name in names:
            return getattr(import_module(f"understave.repertoire.{room}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
