"""The lane of events under a system: cadences, pedal points, sequences and their kin, in few words; and the
lane of another reading of the same music.

In: events of a Reading (or the labels of another one), a `System` and what stands above. Out: an SVG group
and how far it reaches. What lasts has a line as long as it lasts; what does not fit in two rows is left out.
"""

from __future__ import annotations

from collections.abc import Sequence

from lxml import etree

from understave.engraving.geometry import SVG, Box
from understave.engraving.labels import Text, Wording, numeral_wording, typeset_label
from understave.engraving.lanes import SIDE, Drawn, Entry, draw_label, label_box
from understave.engraving.lettering import Glyph, typeset
from understave.engraving.moments import Moments
from understave.engraving.notation import SPACE, System
from understave.engraving.palette import SOFT
from understave.findings.catalogue import kinds
from understave.harmony.reading import Event, Span
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import phrasebook

DIFFERENT = "#A3241B"
_SIZE = 1.65 * SPACE
_ROWS = 2
_ROW_HEIGHT = 2.0 * SPACE
_LANE_GAP = 0.85 * SPACE
_CLEAR = 0.7 * SPACE


def event_name(event: Event, language: Language = "en") -> str:
    """Return what the lane calls an event: ``"half cadence"``."""
    return phrasebook(language).event_name(event.kind, event.label)


def told(events: Sequence[Event], language: Language = "en") -> tuple[Entry, ...]:
    """Typeset the words of the events that the lane shows; an entry's index is the event's place."""
    # What would be said twice at one moment is said once.
    lanes = {kind.name: kind.lane for kind in kinds() if kind.lane is not None}
    once = {
        (event.start, event.kind, event.label): (i, event)
        for i, event in reversed(list(enumerate(events)))
        if event.kind in lanes and event.confidence >= 0.4
    }
    shown = sorted(once.values(), key=lambda pair: pair[0])
    words = [event_name(event, language) for _, event in shown]
    worded = [Wording((Text(w),), SOFT, w) for w in words]
    runs = typeset({t for wording in worded for t in wording.texts()})
    return tuple(
        Entry(
            i, event.start, event.end if lanes[event.kind].line else event.start, typeset_label(wording, runs)
        )
        for (i, event), wording in zip(shown, worded, strict=True)
    )


def second(spans: Sequence[Span], different: Sequence[bool], language: Language = "en") -> tuple[Entry, ...]:
    """Typeset the labels of another reading; those that differ from the first are coloured."""
    worded = []
    for i, (span, differs) in enumerate(zip(spans, different, strict=True)):
        plain = numeral_wording(span, False, False, language)
        key = f"{span.key.symbol.replace('b', '♭').replace('#', '♯')}: "
        fresh = i == 0 or spans[i - 1].key != span.key
        parts = (Text(key, size=0.8), *plain.parts) if fresh else plain.parts
        said = phrasebook(language).spoken["differs"].format(label=plain.words)
        words = said if differs else plain.words
        worded.append(Wording(parts, DIFFERENT if differs else SOFT, words, differs))
    runs = typeset({t for wording in worded for t in wording.texts()})
    return tuple(
        Entry(i, span.start, span.start, typeset_label(wording, runs))
        for i, (span, wording) in enumerate(zip(spans, worded, strict=True))
    )


def row_lane(  # noqa: PLR0913
    system: System,
    entries: Sequence[Entry],
    at: Moments,
    above: Box,
    glyphs: dict[str, Glyph],
    kind: str,
    size: float = _SIZE,
) -> Drawn:
    """Draw the entries that begin in a system, and the lines of those that go on in it.

    `kind` is the class of the lane; an entry whose end is its start has no line.
    """
    group = etree.Element(f"{{{SVG}}}g", {"class": f"lane {kind}", "stroke": "none"})
    floor = max((i.box.y1 for i in system.ink), default=0.0) + _CLEAR
    if not above.empty:
        floor = max(floor, above.y1 + _LANE_GAP)
    height = _ROW_HEIGHT * size / _SIZE
    ends = [float("-inf")] * _ROWS
    drawn: list[Box] = []
    for entry in sorted(entries, key=lambda entry: (entry.start, entry.end)):
        lasts = entry.end > entry.start
        begins = system.start <= entry.start < system.end
        if not (begins or (lasts and entry.start < system.start < entry.end)):
            continue
        box = label_box(entry.label, size)
        x = at.x(entry.start) if begins else system.first_note
        x = max(system.x0, min(x, system.x1 - box.x1))
        end = max(x + box.x1, min(system.x1, at.x(entry.end)) if lasts else 0.0)
        row = next((r for r, e in enumerate(ends) if x >= e + SIDE), None)
        if row is None:
            continue
        ends[row] = end
        baseline = floor + (row + 0.75) * height
        group.append(draw_label(entry, x, baseline, size, kind, glyphs))
        drawn.append(box.moved(x, baseline))
        if end > x + box.x1 + 0.6 * SPACE:
            y = baseline - 0.23 * size
            path = f"M{x + box.x1 + 0.4 * SPACE:.0f} {y:.0f} H{end:.0f}"
            line = {"d": path, "fill": "none", "stroke": SOFT, "stroke-width": f"{0.09 * SPACE:.0f}"}
            group.append(etree.Element(f"{{{SVG}}}path", line))
            drawn.append(Box(x, y, end, y))
    return Drawn(group, Box.around(drawn))
