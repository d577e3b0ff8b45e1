"""A score engraved once, its lanes drawn as often as the reading changes.

In: a Score and a Reading. Out: a `Sheet` that can travel between processes, and SVG documents for the
browser: the systems with their notes, and for any system its lanes alone. A changed chord moves no note:
its label stands where its moment falls.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from lxml import etree

from understave.engraving.annotations import Signatures, annotate, signatures_of
from understave.engraving.event_lane import row_lane
from understave.engraving.geometry import SVG, XLINK_HREF, Box, Ink
from understave.engraving.lanes import Entry
from understave.engraving.lettering import Glyph
from understave.engraving.moments import Moments, moments
from understave.engraving.notation import SPACE, STAFF_HEIGHT_MM, Bar, System, lay_out
from understave.engraving.options import Options
from understave.engraving.outlines import glyph_definition
from understave.engraving.planned import PlannedLanes
from understave.harmony.reading import Reading
from understave.score.model import Score
from understave.theory.vocabulary import Language

OPTIONS = Options(legend=False)
_UNITS = 100.0  # drawing units in a millimetre
_EVENT_SIZE, _SECOND_SIZE = 1.65 * SPACE, 2.0 * SPACE
_LABELLED = "numeral-"
_KEYED = "key-"


def options(language: Language = "en") -> Options:
    """Return how the desk engraves, with words in a language."""
    return replace(OPTIONS, language=language)


@dataclass(frozen=True)
class LaidSystem:
    """A system as laid out: `picture` is its SVG group, the rest as in `engraving.notation.System`.

    `spots` are the x of the moments for which room was kept, `at` places all others.
    """

    picture: str = field(repr=False)
    ink: tuple[Ink, ...] = field(repr=False)
    bars: tuple[Bar, ...]
    staves: tuple[tuple[float, float], ...]
    first_note: float
    start: Fraction
    end: Fraction
    spots: dict[Fraction, float]
    at: Moments = field(repr=False)

    def system(self, places: dict[str, tuple[float, float]]) -> System:
        """Return it as the engraver knows it, without its notes."""
        group = etree.Element(f"{{{SVG}}}g")
        bounds = (self.first_note, self.start, self.end)
        return System(group, self.ink, self.bars, self.staves, *bounds, places)


@dataclass(frozen=True)
class Sheet:
    """All systems for a width in millimetres, and the glyphs that their notes use."""

    width: float
    scale: float
    systems: tuple[LaidSystem, ...]
    glyphs: str = field(repr=False)
    signatures: Signatures = ()


@dataclass(frozen=True)
class Lanes:
    """What is drawn under the notes: a reading, another one beside it, events in words, a plan."""

    reading: Reading
    told: tuple[Entry, ...] = ()
    planned: PlannedLanes | None = None
    second: tuple[Entry, ...] = ()
    language: Language = "en"


def lay_sheet(score: Score, reading: Reading, width: float) -> Sheet:
    """Engrave the notes of a whole score, with room for the labels of a reading."""
    scale = OPTIONS.staff_height(max(part.last_staff for part in score.parts)) / STAFF_HEIGHT_MM
    annotations = annotate(reading, OPTIONS, score.measures[0].start, score.measures[-1].end)
    notation = lay_out(score, annotations.rooms(), width / scale)
    starts = {_LABELLED + str(entry.index): entry.start for entry in annotations.numerals}
    systems = tuple(
        LaidSystem(
            etree.tostring(system.group, encoding="unicode"),
            system.ink,
            system.bars,
            system.staves,
            system.first_note,
            system.start,
            system.end,
            {starts[name]: place[0] for name, place in system.places.items() if name in starts},
            moments(system, score),
        )
        for system in notation.systems
    )
    glyphs = "".join(etree.tostring(element, encoding="unicode") for element in notation.glyphs.values())
    return Sheet(width, scale, systems, glyphs, signatures_of(score))


def pages(sheet: Sheet, lanes: Lanes) -> list[str]:
    """Return the whole sheet for the browser, one SVG document for each system."""
    drawn = draw_lanes(sheet, lanes, range(len(sheet.systems)))
    return [
        _document(
            sheet,
            system.picture.removesuffix("</g>") + drawn[i][0] + "</g>",
            drawn[i][1] + (sheet.glyphs if i == 0 else ""),
        )
        for i, system in enumerate(sheet.systems)
    ]


def lanes_alone(sheet: Sheet, lanes: Lanes, systems: Iterable[int]) -> dict[int, str]:
    """Return the lanes of some systems, by their index, as SVG documents without the notes."""
    drawn = draw_lanes(sheet, lanes, systems)
    return {
        i: _document(sheet, f'<g class="system">{groups}</g>', glyphs)
        for i, (groups, glyphs) in drawn.items()
    }


def touched(sheet: Sheet, start: Fraction, end: Fraction) -> list[int]:
    """Return the systems that show some of a stretch of time, by index."""
    return [i for i, system in enumerate(sheet.systems) if system.start < end and system.end > start]


def draw_lanes(sheet: Sheet, lanes: Lanes, systems: Iterable[int]) -> dict[int, tuple[str, str]]:
    """Return for each system its lanes and the definitions of the glyphs in them, as SVG text."""
    wanted = sorted(systems)
    if not wanted:
        return {}
    spans = lanes.reading.spans
    first, last = sheet.systems[wanted[0]], sheet.systems[wanted[-1]]
    how = options(lanes.language)
    annotations = annotate(lanes.reading, how, first.start, last.end, sheet.signatures)
    result = {}
    for i in wanted:
        laid = sheet.systems[i]
        places = {}
        for name, entries in ((_LABELLED, annotations.numerals), (_KEYED, annotations.keys)):
            for entry in entries:
                start = spans[entry.index].start
                if laid.start <= start < laid.end:
                    places[name + str(entry.index)] = (laid.spots.get(start, laid.at.x(start)), 0.0)
        system = laid.system(places)
        glyphs: dict[str, Glyph] = {}
        groups, reach = annotations.draw(system, glyphs)
        for kind, rows, size in (("second", lanes.second, _SECOND_SIZE), ("events", lanes.told, _EVENT_SIZE)):
            drawn = row_lane(system, rows, laid.at, reach, glyphs, kind, size)
            if len(drawn.group):
                groups.append(drawn.group)
                reach = Box.around((reach, drawn.box))
        if lanes.planned is not None:
            more, _ = lanes.planned.draw(system, reach, glyphs)
            groups += more
        result[i] = (_text(groups), _text(glyph_definition(glyph) for glyph in glyphs.values()))
    return result


def _text(elements: Iterable[etree._Element] | Sequence[etree._Element]) -> str:
    return "".join(etree.tostring(element, encoding="unicode") for element in elements)


def _document(sheet: Sheet, system: str, definitions: str) -> str:
    """One system as a picture; its size only tells the scale, the browser crops it."""
    width = sheet.width
    opening, _, rest = system.partition(">")
    return (
        f'<svg xmlns="{SVG}" xmlns:xlink="{XLINK_HREF[1:].split("}")[0]}" width="{width:.2f}mm"'
        f' height="{width:.2f}mm" viewBox="0 0 {width * _UNITS:.0f} {width * _UNITS:.0f}">'
        f"<defs>{definitions}</defs>"
        '<g color="#000" fill="#000" stroke="currentColor" stroke-width="1">'
        f'{opening} transform="translate(0,0) scale({sheet.scale:.5g})">{rest}</g></svg>'
    )
