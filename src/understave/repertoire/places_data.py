"""Places and counts as data: JSON for programs, as `export.records` has them."""

from __future__ import annotations

from collections.abc import Sequence

from understave.export import records
from understave.repertoire.counts import Count
from understave.repertoire.place_names import title_of
from understave.repertoire.search import Answer, Place
from understave.theory.convention_choices import STANDARD, following
from understave.theory.vocabulary import Language


def places_json(answer: Answer, language: Language = "en") -> str:
    """Return an answer as indented JSON; bars are counted from 0 and given as printed.

    What was found is named in the language; keys are symbols and chords in the standard form in every one.
    """
    with following(STANDARD):
        places = tuple(_place(place, language) for place in answer.places)
    return records.text_of(records.PlacesFile(found=answer.count, pieces=answer.pieces, places=places))


def counts_json(counts: Sequence[Count], title: str) -> str:
    """Return all counts as indented JSON; a share is from 0 to 1."""
    counted = tuple(records.Counted(count.name, count.count, count.pieces, count.share) for count in counts)
    return records.text_of(records.CountsFile(counted=title, counts=counted))


def _place(place: Place, language: Language) -> records.Place:
    return records.Place(
        path=place.path,
        piece=place.piece,
        title=place.title,
        composer=place.composer,
        difficulty=place.difficulty,
        what=title_of(place, language),
        key=place.key,
        bar=place.bar,
        last_bar=place.last_bar,
        bar_number=place.bar_number,
        last_bar_number=place.last_bar_number,
        confidence=place.confidence,
    )
