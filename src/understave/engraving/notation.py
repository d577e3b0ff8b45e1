"""The notation itself: a Score and the room its labels need, laid out in systems by verovio.

In: a Score's MusicXML and `Room`s, each a moment at which a label of some width will stand. Out:
`System`s, SVG groups with every note and measure id, and where each label's moment fell.

A label's room is reserved by a ``<harm>`` element of about its width in the MEI that verovio makes of
the score: ``tstamp`` puts it at the right moment even between notes, ``n`` keeps labels of one lane
apart, and verovio widens the spacing where they are dense. The placeholders are taken out again; the
labels are drawn by `lanes`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from math import ceil

from lxml import etree

from understave.engraving.geometry import SVG, Box, Ink, glyph_boxes, ink
from understave.engraving.outlines import outline_text
from understave.errors import UnderstaveError
from understave.jobs.notation_worker import shared_worker
from understave.score.model import Measure, Score

MEI = "http://www.music-encoding.org/ns/mei"
XML_ID = "{http://www.w3.org/XML/1998/namespace}id"

# verovio draws in hundredths of a millimetre for a staff 7.2 mm high; everything is scaled from there.
SPACE = 180.0
STAFF_HEIGHT_MM = 7.2
TEXT_SIZE = 405.0
_HARM_PREFIX = "room-"
# The letter l is 569 of 2048 units wide in verovio's table of Times.
_FILLER, _FILLER_WIDTH = "l", TEXT_SIZE * 569 / 2048
# The distance that verovio itself keeps between the texts of one lane.
_KEPT_APART = SPACE
_WIDEST_PAGE = 100_000
# Width of one accidental of a key signature.
_ACCIDENTAL = SPACE


@dataclass(frozen=True, slots=True)
class Room:
    """Room wanted for a label: `lane` keeps kinds apart, `width` in hundredths of a millimetre."""

    id: str
    time: Fraction
    lane: int
    width: float
    above: bool = False


@dataclass(frozen=True, slots=True)
class Bar:
    """A measure in a system: its index in the Score and where its staves begin and end."""

    index: int
    x0: float
    x1: float


@dataclass(frozen=True)
class System:
    """One system: its SVG group, the ink in it, its measures, its staves and the labels' places.

    All in hundredths of a millimetre of the group's own coordinates. `staves` are the top and bottom
    lines of each staff, `first_note` the x after clef and signature, `places` the x of each Room and
    the baseline that verovio gave it. `start` and `end` are the moments it spans.
    """

    group: etree._Element
    ink: tuple[Ink, ...]
    bars: tuple[Bar, ...]
    staves: tuple[tuple[float, float], ...]
    first_note: float
    start: Fraction
    end: Fraction
    places: dict[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def x0(self) -> float:
        """Left end of the staves."""
        return self.bars[0].x0

    @property
    def x1(self) -> float:
        """Right end of the staves."""
        return self.bars[-1].x1


@dataclass(frozen=True)
class Notation:
    """Systems in order and the glyph definitions that they use, by id."""

    systems: tuple[System, ...]
    glyphs: dict[str, etree._Element]


_OPTIONS: dict[str, object] = {
    "xmlIdSeed": 2,
    "font": "Bravura",
    "header": "none",
    "footer": "none",
    "condense": "none",
    # Twice the duration, 1.41 times the space: customary, and tight enough to be stretched.
    "spacingLinear": 0.2,
    "spacingNonLinear": 0.5,
    # Our letters are wider than those that verovio reckons with.
    "lyricWordSpace": 5.0,
    "pageMarginLeft": 0,
    "pageMarginRight": 0,
    "pageMarginTop": 0,
    "pageMarginBottom": 0,
    "pageHeight": 60_000,
    "adjustPageHeight": True,
    "svgFormatRaw": True,
    "svgViewBox": True,
}


@lru_cache(maxsize=8)
def to_mei(source: bytes) -> bytes:
    """The score as verovio understands it, as MEI with all ids kept."""
    try:
        text = etree.tostring(etree.fromstring(source), encoding="unicode")
    except etree.XMLSyntaxError as e:
        raise UnderstaveError(f"The score cannot be engraved: its MusicXML is damaged ({e.msg}).") from e
    # verovio invents ids for what has none. Another seed than the later steps use, or it would invent
    # the same ids again for other things and draw a slur where an accidental should be.
    options = {"inputFrom": "xml", "xmlIdSeed": 1}
    mei: str = shared_worker().ask(text, [("getMEI", [])], options, "The score")[0]
    return mei.encode()


def lay_out(
    score: Score,
    rooms: Sequence[Room],
    width_mm: float,
    first: int = 0,
    last: int | None = None,
    fill_last: float = 0.55,
) -> Notation:
    """Lay out the measures from index `first` to `last` in systems of a width.

    Every system is stretched to the width, the last one only if it is at least `fill_last` full. A
    stretch of a score may come out narrower.
    """
    last = len(score.measures) - 1 if last is None else last
    width = min(_WIDEST_PAGE * 10.0, 100 * width_mm)
    root = _prepared(score, rooms, first, last)
    whole = (first, last) == (0, len(score.measures) - 1)
    span = None if whole else _cut_out(root, score, first, last)
    natural = _natural_widths(root, score.measures[first : last + 1], span)
    # Notes can be set a little closer than they come by themselves, the words under them cannot.
    sung = next(root.iter(f"{{{MEI}}}syl"), None) is not None
    breaks, fullest, fullness = choose_breaks(natural, width / (_SUNG_AIR if sung else 1.0))
    if span is None:
        measures = _measures(root)
        for k in breaks:
            measures[score.measures[k].id].addprevious(etree.Element(f"{{{MEI}}}sb"))
    else:
        # verovio loses encoded breaks in a selection. Left to itself in a frame just wide enough for the
        # fullest of the systems chosen, it comes to much the same ones. A lone system gets some air.
        width = min(width, (_SUNG_AIR if sung else 1.03 if breaks else 1.15) * fullest)
    options = {
        "breaks": "auto" if span else "encoded",
        "pageWidth": width / 10,
        "minLastJustification": 1.0 if fullness * fullest < fill_last * width else 0.0,
    }
    return _render(root, options, score, span)


def _prepared(score: Score, rooms: Sequence[Room], first: int, last: int) -> etree._Element:
    root = etree.fromstring(to_mei(score.source))
    unwanted = ["pgHead", "pgFoot", "pgHead2", "pgFoot2", "pb", "sb", "labelAbbr"]
    # Names stand once, before the first system, and only where there is more than one part.
    unwanted += ["label"] if len(score.parts) == 1 else []
    for element in list(root.iter(*(f"{{{MEI}}}{name}" for name in unwanted))):
        _drop(element)
    _keep_end_spaces(root)
    _drop_runaway_ties(root, score)
    measures = _measures(root)
    missing = next((measure for measure in score.measures if measure.id not in measures), None)
    if missing is not None:
        raise UnderstaveError(
            f"Measure {missing.number} cannot be engraved: it has no counterpart in the score's MusicXML."
        )
    staves = max(part.last_staff for part in score.parts)
    for room in rooms:
        measure = score.measure_at(room.time)
        if first <= measure.index <= last:
            measures[measure.id].append(_placeholder(room, measure, staves))
    return root


_SUNG_AIR = 1.15
"""How much wider than they come by themselves systems with words are set at least; set by eye."""
_MARGIN = 2
"""Measures kept around those that are drawn, so that what reaches into them is drawn as in the whole."""


def _cut_out(root: etree._Element, score: Score, first: int, last: int) -> tuple[int, int]:
    """Take out measures that cannot touch those from `first` to `last`; return where these are now.

    The engraver reads all that it is given, and most of a long score has no bearing on an excerpt: what
    does are slurs and the like that reach into it, and clefs, keys and meters that still hold there.
    """
    measures = list(root.iter(f"{{{MEI}}}measure"))
    index = {element.get(XML_ID): k for k, element in enumerate(measures)}
    first, last = index[score.measures[first].id], index[score.measures[last].id]
    begin, end = first - _MARGIN, last + _MARGIN
    pedals = _pedals(measures)
    for k, goal in [*_spanners(measures), *((a, b) for (a, _), (b, _) in pedals)]:
        if k <= last and goal >= first:
            begin, end = min(begin, k), max(end, goal)
    for (k, down), (goal, up) in pedals:
        # Half a pair that is left without the other would be paired with its neighbour.
        if k < begin <= goal and up.get("dir") == "up":
            _drop(up)
        elif k < begin <= goal:
            up.set("dir", "down")
        elif k <= end < goal and down.get("dir") == "down":
            _drop(down)
        elif k <= end < goal:
            down.set("dir", "up")
    place = 0
    for k, measure in enumerate(measures):
        if begin <= k <= end:
            place += k < first
        elif k < begin and _only_clefs(measure):
            place += 1
        else:
            _drop(measure)
    return place, place + last - first


def _spanners(measures: Sequence[etree._Element]) -> Iterator[tuple[int, int]]:
    """In which measures slurs, hairpins and the like begin and end."""
    where = {e.get(XML_ID): k for k, element in enumerate(measures) for e in element.iter() if e.get(XML_ID)}
    for k, measure in enumerate(measures):
        for element in measure:
            if element.get("endid"):
                yield k, where.get(element.get("endid", "")[1:], k)
            elif element.get("tstamp2"):
                bars = re.match(r"(\d+)m", element.get("tstamp2", ""))
                yield k, k + (int(bars[1]) if bars else 0)


_Moment = tuple[int, etree._Element]


def _pedals(measures: Sequence[etree._Element]) -> list[tuple[_Moment, _Moment]]:
    """Pedal marks in pairs, down and up, with their measures; a change ends one pair and begins the next."""
    pairs: list[tuple[_Moment, _Moment]] = []
    held: dict[str, _Moment] = {}
    for k, measure in enumerate(measures):
        marks = sorted(
            measure.iterchildren(f"{{{MEI}}}pedal"), key=lambda element: float(element.get("tstamp") or 0)
        )
        for mark in marks:
            staff, direction = mark.get("staff", ""), mark.get("dir", "")
            if direction in ("up", "bounce") and staff in held:
                pairs.append((held.pop(staff), (k, mark)))
            if direction in ("down", "bounce"):
                held[staff] = (k, mark)
    return pairs


def _only_clefs(measure: etree._Element) -> bool:
    """Leave only the clefs in a measure; tell whether there are any."""
    found = False
    for child in list(measure):
        clefs = list(child.iter(f"{{{MEI}}}clef"))
        layer = child.find(f"{{{MEI}}}layer")
        if not clefs or layer is None:
            measure.remove(child)
            continue
        for other in list(child):
            child.remove(other)
        layer[:] = clefs
        child.append(layer)
        found = True
    return found


def _keep_end_spaces(root: etree._Element) -> None:
    """Make spaces at the ends of words no-break spaces: verovio trims others, "Lento (" to "Lento("."""
    for kind in ("tempo", "dir", "dynam"):
        for words in root.iter(f"{{{MEI}}}{kind}"):
            for element in words.iter():
                for name in ("text", "tail") if element is not words else ("text",):
                    text = getattr(element, name)
                    if text and text.strip() and "\n" not in text:
                        ends = re.sub(r"^ +| +$", lambda m: "\u00a0" * len(m[0]), text)
                        setattr(element, name, ends)


def _drop_runaway_ties(root: etree._Element, score: Score) -> None:
    """Take out ties to notes that do not follow: verovio pairs what a file leaves open or mixes up."""
    for tie in list(root.iter(f"{{{MEI}}}tie")):
        start, end = (score.note_by_id.get(tie.get(name, "#")[1:]) for name in ("startid", "endid"))
        if start is not None and end is not None and start is not end and start.end != end.onset:
            _drop(tie)


def _drop(element: etree._Element) -> None:
    parent = element.getparent()
    if parent is not None:
        parent.remove(element)


def _measures(root: etree._Element) -> dict[str, etree._Element]:
    return {element.get(XML_ID, ""): element for element in root.iter(f"{{{MEI}}}measure")}


def _placeholder(room: Room, measure: Measure, staves: int) -> etree._Element:
    beat = 1 + (room.time - measure.start) * Fraction(measure.beat_type, 4)
    harm = etree.Element(
        f"{{{MEI}}}harm",
        {
            XML_ID: _HARM_PREFIX + room.id,
            "staff": "1" if room.above else str(staves),
            "tstamp": f"{float(beat):.6f}",
            "place": "above" if room.above else "below",
            "n": str(90 + room.lane),
        },
    )
    harm.text = _FILLER * max(1, ceil((room.width - _KEPT_APART) / _FILLER_WIDTH))
    return harm


def _natural_widths(
    root: etree._Element, measures: Sequence[Measure], span: tuple[int, int] | None
) -> list[tuple[float, float]]:
    """Width of each measure before stretching, and the room clef and signature take in a new system.

    What stands before the first measure counts as part of it.
    """
    named = next(root.iter(f"{{{MEI}}}label"), None) is not None
    options = {
        # There are no breaks encoded yet; but without any verovio leaves the names of parts out.
        "breaks": "encoded" if named else "none",
        "noJustification": True,
        "adjustPageWidth": True,
        "pageWidth": _WIDEST_PAGE,
    }
    bars: list[Bar] = []
    prefix = 0.0
    for page in _pages(root, options, span, alone=True):
        boxes = glyph_boxes(page)
        for group in _groups(page, "system"):
            found, _ = _bars(group, {})
            prefix = prefix or _first_note(group, boxes, found[0].x0) - found[0].x0
            bars += found
    plain = prefix - _ACCIDENTAL * abs(measures[0].signature)
    # Names of parts take their room from the first system.
    return [
        (bar.x1 - (bar.x0 if k else 0.0), plain + _ACCIDENTAL * abs(measure.signature))
        for k, (bar, measure) in enumerate(zip(bars, measures, strict=True))
    ]


def choose_breaks(widths: Sequence[tuple[float, float]], room: float) -> tuple[list[int], float, float]:
    """Choose where new systems begin so that all are about equally full.

    `widths` are the natural width of each measure and the room that clef and signature take at the
    start of a system (already in the first measure's own width). Returns the indices of measures that
    begin a system, the first one left out, the natural width of the fullest system, and that of the
    last one as a share of it. After Knuth & Plass (1981): the sum over all systems of the square of
    how far each must be stretched is least.
    """
    count = len(widths)
    best: list[tuple[float, int]] = [(0.0, 0)]
    for end in range(1, count + 1):
        choices = []
        total = 0.0
        for start in range(end - 1, -1, -1):
            total += widths[start][0]
            full = total + (widths[start][1] if start else 0.0)
            if full > room and start < end - 1:
                break
            stretch = room / full - 1
            cost = stretch**2 if stretch >= 0 else 100 * stretch**2 + 10
            if end == count and stretch > 0:
                # The last system may stay short, but not without need.
                cost = min(cost, 0.5 + 0.1 * stretch)
            choices.append((best[start][0] + cost, start))
        best.append(min(choices))
    starts: list[int] = []
    end = count
    while end > 0:
        end = best[end][1]
        starts.insert(0, end)
    filled = [
        sum(w for w, _ in widths[a:b]) + (widths[a][1] if a else 0.0) for a, b in pairwise([*starts, count])
    ]
    return starts[1:], max(filled), filled[-1] / max(filled)


def _pages(
    root: etree._Element, options: Mapping[str, object], span: tuple[int, int] | None, alone: bool = False
) -> list[etree._Element]:
    """Let verovio draw the MEI, or only the measures of `span`, and return its SVG pages.

    `alone` lays these measures out once, without all of the MEI before: in less time, and the same where no
    systems have to be found.
    """
    text = etree.tostring(root, encoding="unicode")
    return [etree.fromstring(page) for page in _drawn(text, tuple(options.items()), span, alone)]


@lru_cache(maxsize=8)
def _drawn(
    text: str, options: tuple[tuple[str, object], ...], span: tuple[int, int] | None, alone: bool
) -> tuple[bytes, ...]:
    """Return the pages as verovio writes them; score, plan and screen of a lesson ask for the same ones."""
    chosen: list[tuple[str, list[object]]] = []
    select = {"measureRange": f"{span[0] + 1}-{span[1] + 1}"} if span else None
    if select and not alone:
        chosen = [("select", [select]), ("redoLayout", [])]
    pages: list[str] = []
    count = 1
    while len(pages) < count:
        # Nearly always one tall page holds everything, and is asked for before their number is known.
        wanted = [("renderToSVG", [number]) for number in range(len(pages) + 1, count + 1)]
        answers = shared_worker().ask(
            text,
            [*chosen, ("getPageCount", []), *wanted],
            _OPTIONS | dict(options),
            "The score",
            select=select if alone else None,
        )
        count, drawn = answers[len(chosen)], answers[len(chosen) + 1 :]
        pages += drawn
    return tuple(page.encode() for page in pages)


def _render(
    root: etree._Element, options: Mapping[str, object], score: Score, span: tuple[int, int] | None
) -> Notation:
    pages = _pages(root, options, span)
    groups = [group for page in pages for group in _groups(page, "system")]
    places = [_take_out_rooms(group) for group in groups]
    outlines = outline_text(pages)
    definitions = {
        element.get("id", ""): element for page in pages for defs in page.iter("{*}defs") for element in defs
    }
    boxes: dict[str, Box] = {}
    for page in pages:
        boxes |= glyph_boxes(page)
    boxes |= outlines.boxes
    systems = [_system(element, boxes, score, found) for element, found in zip(groups, places, strict=True)]
    if not systems:
        raise UnderstaveError("The score cannot be engraved: verovio drew nothing for it.")
    return Notation(tuple(systems), definitions | outlines.definitions)


def _groups(element: etree._Element, kind: str) -> list[etree._Element]:
    return [g for g in element.iter(f"{{{SVG}}}g") if g.get("class", "").split(" ")[0] == kind]


def _take_out_rooms(system: etree._Element) -> dict[str, tuple[float, float]]:
    """Remove placeholders, the labels' and verovio's own; return where the labels' began."""
    places = {}
    for group in list(system.iter(f"{{{SVG}}}g")):
        name = group.get("id", "")
        if name.startswith(_HARM_PREFIX):
            text = group.find(f"{{{SVG}}}text")
            if text is not None:
                place = (float(text.get("x", "0")), float(text.get("y", "0")))
                places[name.removeprefix(_HARM_PREFIX)] = place
            _drop(group)
        elif "placeholder" in group.get("class", ""):
            _drop(group)
    return places


def _system(
    group: etree._Element,
    boxes: dict[str, Box],
    score: Score,
    places: dict[str, tuple[float, float]],
) -> System:
    bars, staves = _bars(group, {measure.id: measure.index for measure in score.measures})
    return System(
        group,
        tuple(ink(group, boxes)),
        bars,
        staves,
        _first_note(group, boxes, bars[0].x0),
        score.measures[bars[0].index].start,
        score.measures[bars[-1].index].end,
        places,
    )


_STAFF_LINE = re.compile(r"M(-?[\d.]+)[ ,](-?[\d.]+) L(-?[\d.]+)[ ,](-?[\d.]+)")


def _bars(
    group: etree._Element, indices: dict[str, int]
) -> tuple[tuple[Bar, ...], tuple[tuple[float, float], ...]]:
    """The measures of a system, and the top and bottom line of each staff at its beginning."""
    bars: list[Bar] = []
    staves: list[tuple[float, float]] = []
    for measure in _groups(group, "measure"):
        lines = [
            [tuple(map(float, found)) for element in staff if (found := _staff_line(element))]
            for staff in measure
            if staff.get("class", "").split(" ")[0] == "staff"
        ]
        drawn = [line for line in lines if line]
        if not drawn:
            continue
        if not bars:
            staves = sorted((min(y for _, y, _, _ in line), max(y for _, y, _, _ in line)) for line in drawn)
        bars.append(
            Bar(
                indices.get(measure.get("id", ""), -1),
                min(x for line in drawn for x, _, _, _ in line),
                max(x for line in drawn for _, _, x, _ in line),
            )
        )
    return tuple(bars), tuple(staves)


def _staff_line(path: etree._Element) -> tuple[str, ...] | None:
    found = _STAFF_LINE.fullmatch(path.get("d", "")) if path.tag == f"{{{SVG}}}path" else None
    return found.groups() if found else None


_SIGNATURES = {"clef", "keySig", "meterSig", "meterSigGrp"}
_MUSIC = {"notehead", "rest", "mRest", "multiRest"}


def _first_note(group: etree._Element, boxes: dict[str, Box], start: float) -> float:
    """Where the music begins in the first measure of a system, past clef and signatures."""
    signs, music = [start], []
    for staff in (s for element in _groups(group, "measure")[:1] for s in _groups(element, "staff")):
        for child in staff:
            if child.get("class", "").split(" ")[0] in _SIGNATURES:
                signs += [i.box.x1 for i in ink(child, boxes)]
            else:
                music += [i.box.x0 for i in ink(child, boxes) if i.kind.split(" ")[0] in _MUSIC]
    return min((x for x in music if x > max(signs)), default=max(signs) + SPACE)
