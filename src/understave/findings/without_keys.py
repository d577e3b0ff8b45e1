"""What can be said of music that does not go by keys: events that presuppose none.

In: the events of a reading. Out: those that stay true without keys, and without the keys that they name. Left
out are kinds whose details cannot do without a key or a numeral (cadences, applied chords, pedal points ...),
and those whose names or sentences tell of keys or degrees (`TELL_OF_KEYS`). What needs the chord alone stays
as it is (`NEED_THE_CHORD`): its chord is then named by root and kind.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import fields, replace
from typing import get_type_hints

from understave.findings.catalogue import kind_of
from understave.findings.form import FORM, SECTION
from understave.findings.instructions import PEDAL_MARK
from understave.findings.keyplan import KEY
from understave.findings.motives import MOTIVE
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.sequences import CHAIN, SEQUENCE
from understave.harmony.reading import Details, Event, Reading
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

NEED_THE_CHORD = (NON_CHORD_TONE, PEDAL_MARK)
TELL_OF_KEYS = (CHAIN, SEQUENCE, SECTION, FORM)


def tells_of_keys(reading: Reading) -> bool:
    """Whether a reading with its events goes by keys: wherever it does, the plan of keys is among them."""
    return not reading.spans or any(event in KEY for event in reading.events)


def without_keys(events: Iterable[Event]) -> Iterator[Event]:
    """Yield the events that stay true where there are no keys, naming none."""
    keyed: dict[type[Details], dict[str, bool]] = {}
    for event in events:
        kind = kind_of(event)
        if kind in NEED_THE_CHORD:
            yield event
        elif kind is None or kind in TELL_OF_KEYS or event.details is None or _in_another_key(event):
            continue
        else:
            kept = type(event.details)
            if kept not in keyed:
                keyed[kept] = keyed_fields(kept)
            own = keyed[kept]
            if all(own.values()):
                yield replace(event, details=replace(event.details, **dict.fromkeys(own)))


def _in_another_key(event: Event) -> bool:
    """Whether a figure is told of for the key that it comes in."""
    return event in MOTIVE and event.label == "in another key"


def keyed_fields(details: type[Details]) -> dict[str, bool]:
    """Return which fields of a kind's details hold keys or numerals, and whether they may be None."""
    hints = get_type_hints(details)
    texts = {f.name: str(hints[f.name]) for f in fields(details)}
    found = {n: t for n, t in texts.items() if any(of.__qualname__ in t for of in (Key, RomanNumeral))}
    return {name: "None" in text for name, text in found.items()}
