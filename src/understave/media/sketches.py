"""A piece's devices for students who compose: how each is made, and an example of our own to see and hear.

In: worked examples, a Score, its Reading. Out: ``devices.pdf``; ``devices/neapolitan.musicxml``, to go on
writing in; ``sounds/device-neapolitan.mp3``. The layout stands in ``devices.typ``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from understave.acoustics.piano import GRAND, Instrument
from understave.acoustics.tags import tags_of
from understave.engraving import Options, excerpt
from understave.engraving.options import Paper
from understave.engraving.standards import date_of
from understave.harmony.reading import Reading
from understave.interpretation.perform import perform
from understave.interpretation.planning import PlanOptions, make_plan
from understave.media.setting import set_pages
from understave.media.small_sounds import small_mp3, small_sound
from understave.score.model import Score
from understave.teaching.worked_examples import Worked, devices_in
from understave.theory.names import key_name
from understave.theory.vocabulary import Language
from understave.wording import Level, phrasebook
from understave.wording.gaps import place
from understave.wording.sentences import say

AT_MOST = 5
"""Devices of a piece that are worked out."""
_WIDTH = 150.0


def sketch_files(  # noqa: PLR0913
    found: Sequence[Worked],
    score: Score,
    reading: Reading,
    paper: Paper = "a4",
    level: Level = "intermediate",
    language: Language = "en",
    sound: bool = True,
    instrument: Instrument = GRAND,
) -> dict[str, bytes]:
    """Return the files on some worked examples by path, empty where there are none."""
    if not found:
        return {}
    made = {"devices.pdf": sketches_pdf(found, score, reading, paper, level, language, sound)}
    for worked in found:
        made[f"devices/{_slug(worked)}.musicxml"] = worked.score.source
        if sound:
            played = perform(
                worked.score, make_plan(worked.score, worked.reading, PlanOptions(instrument=instrument))
            )
            tags = tags_of(score, phrasebook(language).patterns[worked.device.name]["title"])
            made[_sound(worked)] = small_mp3(small_sound(played, instrument), tags)
    return made


def sketches_pdf(  # noqa: PLR0913
    found: Sequence[Worked],
    score: Score,
    reading: Reading,
    paper: Paper = "a4",
    level: Level = "intermediate",
    language: Language = "en",
    sound: bool = True,
) -> bytes:
    """Return one entry for each device: where the piece has it, how it is made, an example, a task."""
    book = phrasebook(language)
    words = book.phrases
    in_piece = {device.name: event for device, event in devices_in(reading)}
    pictures, entries = {}, []
    for worked in found:
        pattern = book.patterns[worked.device.name]
        name = f"{_slug(worked)}.svg"
        drawn = Options(language=language, legend=False, doubt_below=0.0)
        marked = worked.event.notes
        pictures[name] = excerpt(
            worked.score,
            worked.reading,
            0,
            len(worked.score.measures) - 1,
            highlight=marked,
            options=drawn,
            width_mm=_WIDTH,
        )
        entry: dict[str, Any] = {
            "title": pattern["title"],
            "recipe": pattern["recipe"],
            "try": pattern["try"],
            "picture": name,
            "example": words["devices_example"].format(
                key=key_name(worked.key, language), texture=words[f"texture_{worked.texture.lower()}"]
            ),
            "sound": _sound(worked) if sound else "",
            "place": "",
            "said": "",
        }
        event = in_piece.get(worked.device.name)
        if event is not None:
            entry["place"] = words["devices_in_piece"].format(place=place(score, event.start, book))
            entry["said"] = say(event, score, level, language)
        entries.append(entry)
    data = {
        "title": score.title,
        "heading": words["devices_title"],
        "note": words["devices_note"],
        "try": words["devices_try"],
        "paper": paper,
        "language": language,
        "entries": entries,
    }
    return set_pages("devices", data, pictures, date_of(score))


def _slug(worked: Worked) -> str:
    return worked.device.name.replace(" ", "-")


def _sound(worked: Worked) -> str:
    return f"sounds/device-{_slug(worked)}.mp3"
