"""Score and spans -> where phrases end, with the sections of a song in view.

Sections are found from the ends of phrases and from what the singer tells (`form`); where one begins, the
phrase before it is over, also where nothing else says so: a prelude that stops on the dominant as the voice
comes in, a stanza after which the piano goes on in the same figure. So the ends are looked for twice. This is
done in songs, where it was measured (`python -m benchmarks.cadences`).
"""

from __future__ import annotations

from understave.findings.closes import find_closes
from understave.findings.form import sections_of
from understave.findings.phrases import Ending, endings_of, find_endings
from understave.findings.remembered import remembered
from understave.findings.sung_sections import is_song
from understave.harmony.reading import Span
from understave.score.model import Score


@remembered
def endings_with_sections(score: Score, spans: tuple[Span, ...]) -> tuple[Ending, ...]:
    """Return the ends of phrases that are told, the end of the piece last."""
    if not is_song(score):
        return endings_of(score, spans)
    begun = frozenset(section.first for section in sections_of(score, spans) if section.first)
    return find_endings(score, find_closes(spans), begun)
