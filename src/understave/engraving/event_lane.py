"""The lane of events under a system: cadences, pedal points, sequences and their kin, in few words.

In: events of a Reading, a `System` and what stands above. Out: an SVG group and how far it reaches. What
lasts has a line as long as it lasts; what would not fit in two rows is left to the list beside the score.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lxml import etree

from understave.engraving.geometry import SVG, Box
from understave.engraving.labels import Label, Text, Wording, typeset_label
from understave.engraving.lanes import SIDE, Drawn, Entry, draw_label, label_box
from understave.engraving.lettering import Glyph, typeset
from understave.engraving.moments import Moments
from understave.engraving.notation import SPACE, System
from understave.engraving.palette import SOFT
from understave.harmony.reading import Event

KINDS = {
    "cadence": "{label} cadence",
    "section": "{label}",
    "pedal point": "{label} pedal point",
    "sequence": "sequence: {label}",
    "chromatic chord": "{label}",
    "picardy third": "picardy third",
    "enharmonic pivot": "enharmonic pivot",
    "pivot chord": "pivot chord",
    "chain": "{label}",
    "return": "return, {label}",
    "mode switch": "change of mode",
}
"""The kinds of event that the lane shows, and how it calls them."""
LASTING = frozenset({"pedal point", "sequence", "chain"})
_SIZE = 1.65 * SPACE
_ROWS = 2
_ROW_HEIGHT = 2.0 * SPACE
_LANE_GAP = 0.85 * SPACE
_CLEAR = 0.7 * SPACE


@dataclass(frozen=True, slots=True)
class Told:
    """An event with its words typeset; `index` is its place among the reading's events."""

    index: int
    event: Event
    label: Label


def told(events: Sequence[Event]) -> tuple[Told, ...]:
    """Typeset the words of the events that the lane shows."""
    shown = [(i, e) for i, e in enumerate(events) if e.kind in KINDS and e.confidence >= 0.4]
    words = [Wording((Text(_words(e)),), SOFT, _words(e)) for _, e in shown]
    runs = typeset({t for w in words for t in w.texts()})
    return tuple(Told(i, e, typeset_label(w, runs)) for (i, e), w in zip(shown, words, strict=True))


def event_lane(
    system: System, entries: Sequence[Told], at: Moments, above: Box, glyphs: dict[str, Glyph]
) -> Drawn:
    """Draw the events that begin in a system, and the lines of those that go on in it."""
    group = etree.Element(f"{{{SVG}}}g", {"class": "lane events", "stroke": "none"})
    floor = max((i.box.y1 for i in system.ink), default=0.0) + _CLEAR
    if not above.empty:
        floor = max(floor, above.y1 + _LANE_GAP)
    ends = [float("-inf")] * _ROWS
    drawn: list[Box] = []
    for one in sorted(entries, key=lambda t: (t.event.start, t.event.end)):
        event, lasts = one.event, one.event.kind in LASTING
        begins = system.start <= event.start < system.end
        if not (begins or (lasts and event.start < system.start < event.end)):
            continue
        box = label_box(one.label, _SIZE)
        x = at.x(event.start) if begins else system.first_note
        x = max(system.x0, min(x, system.x1 - box.x1))
        end = max(x + box.x1, min(system.x1, at.x(event.end)) if lasts else 0.0)
        row = next((r for r, e in enumerate(ends) if x >= e + SIDE), None)
        if row is None:
            continue
        ends[row] = end
        baseline = floor + (row + 0.75) * _ROW_HEIGHT
        group.append(
            draw_label(
                Entry(one.index, event.start, event.end, one.label), x, baseline, _SIZE, "event", glyphs
            )
        )
        drawn.append(box.moved(x, baseline))
        if end > x + box.x1 + 0.6 * SPACE:
            y = baseline - 0.23 * _SIZE
            path = f"M{x + box.x1 + 0.4 * SPACE:.0f} {y:.0f} H{end:.0f}"
            line = {"d": path, "fill": "none", "stroke": SOFT, "stroke-width": f"{0.09 * SPACE:.0f}"}
            group.append(etree.Element(f"{{{SVG}}}path", line))
            drawn.append(Box(x, y, end, y))
    return Drawn(group, Box.around(drawn))


def _words(event: Event) -> str:
    return KINDS[event.kind].format(label=event.label)


