"""Where the same thing happens in other pieces of an index.

In: an indexed folder, an event of a reading, the title of its piece. Out: titles and composers of pieces that
have an event of the same kind and label, the best place first; none where the index knows none.
"""

from __future__ import annotations

from pathlib import Path

from understave.errors import UnderstaveError
from understave.harmony.reading import Event
from understave.repertoire.asked import index_in
from understave.repertoire.device_names import known_devices
from understave.repertoire.search import Question, ask, connect


def pieces_with(folder: Path, event: Event, title: str, most: int = 2) -> tuple[tuple[str, str], ...]:
    """Return (title, composer) of other pieces in which the same happens; those without a title are left out.

    Raises UnderstaveError for a folder without an index.
    """
    named = [
        n
        for n, device in known_devices().items()
        if device.kind == event.kind and device.labels == (event.label,)
    ]
    with connect(index_in(folder)) as db:
        try:
            places = ask(db, Question(device=(named or [event.label])[0], limit=most + 2, each=1)).places
        except UnderstaveError:
            # No piece of the index has it, so that its name is unknown there.
            return ()
    found = (
        (place.title, place.composer) for place in places if place.title.strip() and place.title != title
    )
    return tuple(dict.fromkeys(found))[:most]
