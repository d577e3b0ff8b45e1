"""Places and counts as data: JSON for programs, in the form that ``export/places.schema.json`` fixes."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from understave.repertoire.counts import Count
from understave.repertoire.search import Answer

FORMAT = "understave-places"
VERSION = 1


def places_json(answer: Answer) -> str:
    """Return an answer as indented JSON; bars are counted from 0 and given as printed."""
    places = [{n: v for n, v in asdict(p).items() if n != "score"} for p in answer.places]
    return _text({"found": answer.count, "pieces": answer.pieces, "places": places})


def counts_json(counts: Sequence[Count], title: str) -> str:
    """Return all counts as indented JSON; a share is from 0 to 1."""
    return _text({"counted": title, "counts": [asdict(c) for c in counts]})


def _text(values: dict[str, Any]) -> str:
    document = {"format": FORMAT, "version": VERSION, **values}
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"
