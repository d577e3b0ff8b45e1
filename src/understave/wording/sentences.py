"""One event in words.

In: an event, its score, a level and a language. Out: its sentences, with numerals between ⟨ and ⟩.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from understave.harmony.reading import Detail, Event
from understave.score.model import Score
from understave.theory.key import Key
from understave.theory.pitch import Interval
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language
from understave.wording.gaps import fill
from understave.wording.phrasebook import Level, phrasebook

RESERVED = ("begins", "ends", "where")
"""Values that every event has besides its detail: its first and last moment, and the pair of both.

An interval called ``x`` also gives ``x_way`` (``"up"``, ``"down"``, ``"level"``), a number of ``fifths``
gives ``fifths_way`` (``"sharps"``, ``"flats"``, ``"none"``) and ``fifths_size``; ``from_start`` and
``from_end`` give the pair ``from``; quarters ``per_minute`` also give ``beats_per_minute`` and what note the
beat is, ``beat_note``.
"""

BEAT_NOTES = {
    Fraction(1, 2): "eighth",
    Fraction(3, 4): "dotted eighth",
    Fraction(1): "quarter",
    Fraction(3, 2): "dotted quarter",
    Fraction(2): "half",
    Fraction(3): "dotted half",
}
"""The note that lasts a beat of so many quarters."""


def values_of(event: Event) -> Mapping[str, Detail]:
    """Return the values that the gaps of an event's sentence may use; empty words count as absent."""
    own = {name: value for name, value in event.detail if value != "" and value != ()}
    derived: dict[str, Detail] = {"begins": event.start, "ends": event.end, "where": (event.start, event.end)}
    for name, value in own.items():
        if isinstance(value, Interval):
            level = value.steps == 0 and value.semitones == 0
            derived[f"{name}_way"] = "level" if level else "down" if value.falling else "up"
    if "from_start" in own and "from_end" in own:
        derived["from"] = (own["from_start"], own["from_end"])
    fifths = own.get("fifths")
    if isinstance(fifths, int):
        derived["fifths_way"] = "sharps" if fifths > 0 else "flats" if fifths < 0 else "none"
        derived["fifths_size"] = abs(fifths)
    to, key, to_key = own.get("to"), own.get("key"), own.get("to_key")
    if isinstance(to, RomanNumeral) and isinstance(key, Key) and isinstance(to_key, Key) and key != to_key:
        # A sentence names one key: the chord that follows is told as it reads there.
        own["to"] = next(iter(RomanNumeral.of(to.chord(to_key), key)), to)
    if own.get("first_difference") == event.start:
        # "With changes from its own first bar on" says no more than "with changes".
        del own["first_difference"]
    return {**derived, **own}


def can_say(event: Event, language: Language = "en") -> bool:
    """Tell whether there are words for an event's kind and label."""
    return phrasebook(language).entry(event.kind, event.label) is not None


def say(event: Event, score: Score, level: Level = "intermediate", language: Language = "en") -> str:
    """Tell an event in one to three short sentences; raise KeyError if its kind has no words.

    Where it happens is left to the caller, who sets it beside the text.
    """
    return _said(event, score, level, language)


def say_again(event: Event, score: Score, level: Level = "intermediate", language: Language = "en") -> str:
    """Tell an event of a kind explained before: briefly, where there are words for that.

    Beginners have short forms of their own, for the others use the terms; without one they hear the whole.
    """
    short = "beginner_again" if level == "beginner" else "again"
    return _said(event, score, short if has_short_form(event, level, language) else level, language)


def has_short_form(event: Event, level: Level = "intermediate", language: Language = "en") -> bool:
    """Whether an event of a kind explained before is told in other words than the first time."""
    entry = phrasebook(language).entry(event.kind, event.label)
    return entry is not None and ("beginner_again" if level == "beginner" else "again") in entry


def _said(event: Event, score: Score, form: str, language: Language) -> str:
    book = phrasebook(language)
    entry = book.entry(event.kind, event.label)
    if entry is None:
        raise KeyError(f"{event.kind}.{event.label}")
    values = dict(values_of(event))
    per_minute = values.get("per_minute")
    if isinstance(per_minute, float):
        # Players count felt beats, which are dotted in compound meters.
        beat = score.measure_at(event.start).beat_length
        if beat in BEAT_NOTES:
            values["beats_per_minute"] = per_minute / float(beat)
            values["beat_note"] = BEAT_NOTES[beat]
    return fill(entry[form], values, score, book, event.kind)


def plain(text: str) -> str:
    """Return a text without the brackets around its numerals."""
    return text.replace("⟨", "").replace("⟩", "")
