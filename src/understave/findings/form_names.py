"""The name of a whole form: from what is printed over its parts, else from the letters of its sections.

In: a Score and the letters of its sections in order, introduction and coda left out. Out: a name of
`FORM_NAMES`, ``""`` where none fits. Printed headings are believed; of letters only two patterns have a name
that nobody disputes: A B A and A B A C A, where the first A closes at home (Hutchinson, "Music Theory for the
21st-Century Classroom", chapters on ternary and rondo form, from memory): an exposition leaves home, and what
it comes back to is a reprise. Sections that repeat each other count as one. A bass that comes again and again
throughout is a ground (`grounds`). A song whose stanzas are printed under the same bars is strophic; one with
three parts or more that all begin alike is so at heart (the same handbook, on song forms, from memory).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import groupby

from understave.findings.grounds import ground_of
from understave.findings.sung_sections import is_song
from understave.findings.sung_words import stanzas_of
from understave.score.model import Score

FORM_NAMES = (
    "theme and variations",
    "minuet and trio",
    "scherzo and trio",
    "ground",
    "ternary form",
    "rondo",
    "strophic song",
    "varied strophic song",
)
_VARIATION = re.compile(r"^(?:variation|variazione|veränderung|var\.?)\s*(?:[ivx]+|\d+)\b", re.IGNORECASE)
_TRIO = re.compile(r"^trio\b", re.IGNORECASE)
_DANCE = re.compile(r"\b(menuetto?|minuett?o?|menuet|scherzo)\b", re.IGNORECASE)


_FEW = 2
"""Parts that begin alike by chance or as the halves of one stanza."""


def form_name(score: Score, letters: Sequence[str], closed: bool = True) -> str:
    """Return how the form of a piece is called; `closed`: the first section ends in the home key."""
    printed = [
        direction.text.strip()
        for direction in score.directions
        if direction.kind != "dynamic" and direction.text
    ]
    if len({t.casefold() for t in printed if _VARIATION.match(t)}) > 1:
        return "theme and variations"
    if any(_TRIO.match(t) for t in printed):
        dance = next((m[1] for t in (score.title, *printed) if (m := _DANCE.search(t))), "")
        if dance:
            return "scherzo and trio" if dance.casefold() == "scherzo" else "minuet and trio"
    if ground_of(score):
        return "ground"
    if stanzas_of(score):
        return "strophic song"
    if is_song(score) and len(letters) > _FEW and {letter.rstrip("'") for letter in letters} == {"A"}:
        return "varied strophic song"
    if not closed:
        return ""
    return _by_letters([name for name, _ in groupby(letter.rstrip("'") for letter in letters)])


def _by_letters(letters: Sequence[str]) -> str:
    if list(letters) == ["A", "B", "A"]:
        return "ternary form"
    refrain = letters[::2]
    between = letters[1::2]
    if len(letters) > 4 and len(letters) % 2 and set(refrain) == {"A"} and "A" not in between:
        return "rondo"
    return ""
