"""Systems with their lanes put together into pages, or into one tight picture.

In: a Score, a Reading, Options and perhaps a Plan. Out: SVG text, in millimetres, that needs no fonts
and no style sheet: it looks alike in every browser, in typst and on paper.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, islice
from math import ceil

from lxml import etree

from understave.engraving.annotations import annotate, signatures_of
from understave.engraving.geometry import SVG, XLINK_HREF, Box
from understave.engraving.lanes import halos
from understave.engraving.lettering import Face, Glyph, typeset
from understave.engraving.notation import SPACE, STAFF_HEIGHT_MM, System, lay_out
from understave.engraving.options import DEFAULTS, Options
from understave.engraving.outlines import draw_run, glyph_definition
from understave.engraving.palette import INK, PROPOSED, SOFT, TENSION, Function, colour_of, function_of
from understave.engraving.planned import plan_lanes
from understave.engraving.slip_signs import SIGNS, sign, slip_signs
from understave.errors import UnderstaveError
from understave.harmony.reading import Reading
from understave.interpretation.plan import Plan
from understave.score.model import Score
from understave.wording.phrasebook import phrasebook

# Everything on a page is measured in hundredths of a millimetre.
_MM = 100.0
_POINT = 2540 / 72
_TITLE, _SUBTITLE, _NAMES, _SMALL = 21 * _POINT, 12 * _POINT, 11 * _POINT, 8.5 * _POINT
_FOOT = 8 * _MM
# Least white between two systems, and the most that a page is stretched to, in staff spaces.
_GAP, _WIDEST_GAP = 4.0, 11.0
_ROMAN, _ITALIC, _SEMIBOLD = Face(), Face(italic=True), Face(weight=600)


@dataclass(frozen=True)
class Block:
    """A system with its lanes: the group to draw, its extent in the group's coordinates, and the system."""

    group: etree._Element
    box: Box
    system: System


@dataclass(frozen=True)
class Blocks:
    """All systems, and the definitions that they use, by id."""

    blocks: list[Block]
    definitions: dict[str, etree._Element]


@dataclass(frozen=True, slots=True)
class _Words:
    """Text on a page: where its baseline begins (or its middle or end lies), and how it is set."""

    text: str
    x: float
    y: float
    size: float
    anchor: str = "start"
    face: Face = _ROMAN
    colour: str = INK


def engrave(
    score: Score, reading: Reading, options: Options = DEFAULTS, plan: Plan | None = None
) -> list[str]:
    """Engrave the whole score with its lanes, those of a plan too; return the pages as SVG documents.

    Every id of a note and of a measure in the score is the id of a group in one of the pages. A score
    whose systems are taller than the page is engraved smaller than `options.staff_mm`.
    """
    staff_mm = options.staff_height(max(part.last_staff for part in score.parts))
    scale = staff_mm / STAFF_HEIGHT_MM
    width, height = (_MM * side for side in options.page_mm)
    margin = _MM * options.margin_mm
    foot = _FOOT if plan is None else _FOOT + 1.2 * _SMALL  # a second line of the legend
    right, bottom = width - margin, height - margin - foot
    laid = blocks(score, reading, options, (right - margin) / scale / _MM, plan=plan)
    tallest = max(b.box.height for b in laid.blocks) * scale
    heading, top = _heading(score, margin, right, margin)
    if tallest > bottom - top:
        smaller = staff_mm * 0.97 * (bottom - top) / tallest
        return engrave(score, reading, replace(options, staff_mm=smaller), plan)
    counts = share_out(
        [b.box.height * scale for b in laid.blocks], bottom - top, bottom - margin, _GAP * SPACE * scale
    )
    pages = []
    rest = iter(laid.blocks)
    for number, count in enumerate(counts):
        here = list(islice(rest, count))
        page = etree.Element(f"{{{SVG}}}g")
        start, last = margin if number else top, number == len(counts) - 1
        _stack(page, here, margin, start, bottom, scale, last)
        words = [*(heading if number == 0 else ()), *_foot(score, number, margin, right, height - margin)]
        if number == 0 and options.legend:
            words += _legend(reading, options, margin, height - margin)
            if plan is not None:
                words += _plan_legend(plan, options, margin, height - margin - 1.5 * _SMALL)
        definitions = laid.definitions | _write(page, words)
        name = " ".join([*([score.title] if score.title else []), f"page {number + 1} of {len(counts)}"])
        pages.append(document(page, definitions, Box(0, 0, width, height), name))
    return pages


def excerpt(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    first_measure_index: int,
    last_measure_index: int,
    *,
    highlight: Sequence[str] = (),
    signs: Mapping[str, Sequence[str]] | None = None,
    options: Options = DEFAULTS,
    width_mm: float = 170.0,
    plan: Plan | None = None,
) -> str:
    """Engrave some measures, both ends included, as one SVG picture cropped to what is drawn.

    Clef, key signature and meter in force stand at the beginning. `highlight` are ids of notes whose
    heads get a coloured disc behind them; `signs` are ids by kind of slip (`engraving.slip_signs`), whose
    signs are explained below. The systems are at most `width_mm` wide; a stretch too long
    for one is broken into several. Raises UnderstaveError if there are no such measures.
    """
    last_index = len(score.measures) - 1
    if not 0 <= first_measure_index <= last_measure_index <= last_index:
        raise UnderstaveError(
            f"There are no measures {first_measure_index} to {last_measure_index} to show: "
            f"counted from 0, the score's last measure is {last_index}."
        )
    scale = options.staff_height(max(part.last_staff for part in score.parts)) / STAFF_HEIGHT_MM
    laid = blocks(
        score,
        reading,
        options,
        width_mm / scale,
        (first_measure_index, last_measure_index),
        tuple(highlight),
        plan,
    )
    page = etree.Element(f"{{{SVG}}}g")
    boxes = []
    y = 0.0
    for block in laid.blocks:
        if signs:
            block.group.insert(0, slip_signs(block.system, signs))
        top = y - scale * block.box.y0
        page.append(moved(block.group, 0.0, top, scale))
        boxes.append(block.box.transformed((scale, 0, 0, scale, 0, top)))
        y += scale * (block.box.height + _GAP * SPACE)
    definitions = laid.definitions
    if signs:
        used, box = _explained(page, signs, options, Box.around(boxes))
        definitions = definitions | used
        boxes.append(box)
    first, last = (score.measures[k].number for k in (first_measure_index, last_measure_index))
    name = f"measure {first}" if first == last else f"measures {first} to {last}"
    frame = Box.around(boxes).grown(1.5 * _MM, 1.5 * _MM)
    return document(page, definitions, frame, f"{score.title} {name}".strip())


def blocks(  # noqa: PLR0913
    score: Score,
    reading: Reading,
    options: Options,
    width_mm: float,
    measures: tuple[int, int] | None = None,
    highlight: tuple[str, ...] = (),
    plan: Plan | None = None,
) -> Blocks:
    """Lay measures out in systems of a width, before scaling, and draw the lanes of each."""
    if not score.measures:
        raise UnderstaveError("There is nothing to engrave: the score has no measures.")
    first, last = measures or (0, len(score.measures) - 1)
    begin, end = score.measures[first].start, score.measures[last].end
    annotations = annotate(reading, options, begin, end, signatures_of(score))
    notation = lay_out(score, annotations.rooms(), width_mm, first, last)
    planned = plan_lanes(score, plan, options) if plan is not None else None
    glyphs: dict[str, Glyph] = {}
    drawn = []
    for system in notation.systems:
        lanes, reach = annotations.draw(system, glyphs)
        system.group.extend(lanes)
        if planned is not None:
            lanes, deeper = planned.draw(system, reach, glyphs)
            system.group.extend(lanes)
            reach = Box.around((reach, deeper))
        if highlight:
            system.group.insert(0, halos(system, highlight))
        drawn.append(Block(system.group, Box.around([*(i.box for i in system.ink), reach]), system))
    return Blocks(drawn, notation.glyphs | {n: glyph_definition(glyph) for n, glyph in glyphs.items()})


def share_out(heights: Sequence[float], first_room: float, room: float, gap: float) -> list[int]:
    """Share systems out to the fewest pages they fit on, all about equally full; return their numbers.

    `heights` are those of the systems, `first_room` what the first page holds, `room` what the others
    hold, `gap` the least white between two systems. The last page may stay emptier.
    """
    count = len(heights)
    best: list[tuple[int, float, int]] = [(0, 0.0, 0)]
    for end in range(1, count + 1):
        choices = []
        needed = -gap
        for start in range(end - 1, -1, -1):
            needed += heights[start] + gap
            capacity = room if start else first_room
            if needed > capacity and start < end - 1:
                break
            slack = max(0.0, 1 - needed / capacity)
            pages, cost, _ = best[start]
            choices.append((pages + 1, cost + slack**2 * (0.05 if end == count else 1.0), start))
        best.append(min(choices))
    counts: list[int] = []
    end = count
    while end > 0:
        counts.append(end - best[end][2])
        end = best[end][2]
    return counts[::-1]


def _stack(  # noqa: PLR0913
    page: etree._Element,
    blocks: Sequence[Block],
    x: float,
    top: float,
    bottom: float,
    scale: float,
    last: bool,
) -> None:
    """Put systems below each other, spread over the page; the last page may end early."""
    used = scale * sum(b.box.height for b in blocks)
    between = (bottom - top - used) / (len(blocks) - 1) if len(blocks) > 1 else 0.0
    widest = _WIDEST_GAP * SPACE * scale
    between = 1.5 * _GAP * SPACE * scale if last and between > widest else min(between, widest)
    y = top
    for block in blocks:
        page.append(moved(block.group, x, y - scale * block.box.y0, scale))
        y += scale * block.box.height + between


def moved(group: etree._Element, x: float, y: float, scale: float) -> etree._Element:
    """Put a group at a place of the page, scaled; return it."""
    group.set("transform", f"translate({x:.0f},{y:.0f}) scale({scale:.5g})")
    return group


# ------------------------------------------------------------------ words on the page


def _heading(score: Score, left: float, right: float, top: float) -> tuple[list[_Words], float]:
    """Title, subtitle and names over the first page, and where the music may begin below them."""
    meta = score.metadata
    middle = (left + right) / 2
    words: list[_Words] = []
    y = top
    if score.title:
        size, lines = _fitted(score.title, right - left)
        for line in lines:
            y += 1.15 * size
            words.append(_Words(line, middle, y, size, "middle", _SEMIBOLD))
    others = (meta.get(name, "") for name in ("subtitle", "movement", "work"))
    subtitle = next((words for words in others if words and words not in score.title), "")
    if subtitle:
        y += 1.6 * _SUBTITLE
        words.append(_Words(subtitle, middle, y, _SUBTITLE, "middle", _ITALIC))
    lyricist = meta.get("lyricist") or meta.get("poet", "")
    if score.composer or lyricist:
        y += 2.0 * _NAMES
        words.append(_Words(score.composer, right, y, _NAMES, "end"))
        words.append(_Words(lyricist, left, y, _NAMES))
    return [w for w in words if w.text], y + (6 * _MM if words else 0.0)


def _fitted(title: str, width: float) -> tuple[float, list[str]]:
    """Set a title on one line if it may be somewhat smaller, else on lines of like length; size first."""
    words = title.split()
    runs = typeset((word + " ", _SEMIBOLD) for word in words)
    widths = [_TITLE * runs[word + " ", _SEMIBOLD].advance / 1000 for word in words]
    shrunk = max(0.75, min(1.0, width / sum(widths)))
    count = ceil(shrunk * sum(widths) / width)
    size = _TITLE * (shrunk if count == 1 else 0.85)
    lines: list[list[str]] = [[] for _ in range(count)]
    for word, end in zip(words, accumulate(widths), strict=True):
        lines[min(count - 1, int(count * (end - 1) / sum(widths)))].append(word)
    return size, [" ".join(line) for line in lines if line]


def _foot(score: Score, number: int, left: float, right: float, y: float) -> list[_Words]:
    """The title in small and the page's number, from the second page on."""
    if number == 0:
        return []
    outer, inner = (right, left) if number % 2 == 0 else (left, right)
    ends = ("end", "start") if number % 2 == 0 else ("start", "end")
    words = [_Words(str(number + 1), outer, y, _NAMES, ends[0])]
    if score.title:
        words.append(_Words(score.title, inner, y, _SMALL, ends[1], _ITALIC, SOFT))
    return words


_MEANINGS = {
    Function.TONIC: "legend-tonic",
    Function.PREDOMINANT: "legend-predominant",
    Function.DOMINANT: "legend-dominant",
    Function.APPLIED: "legend-applied",
}
"""What the colours mean, by its name in the phrasebook."""


def _legend(reading: Reading, options: Options, left: float, y: float) -> list[_Words]:
    """What colours and signs mean, of those that occur."""
    said = phrasebook(options.language).lanes
    entries: list[tuple[str, str]] = []
    if options.numerals and options.colours:
        used = {function_of(span.numeral) for span in reading.spans}
        entries = [
            (said[name], colour_of(function)) for function, name in _MEANINGS.items() if function in used
        ]
    if options.numerals and any(
        span.confidence < options.doubt_below and not span.fixed for span in reading.spans
    ):
        entries.append((said["legend-uncertain"], SOFT))
    if options.numerals and any(span.fixed for span in reading.spans):
        entries.append((said["legend-fixed"], SOFT))
    return _in_line(entries, left, y)


def _plan_legend(plan: Plan, options: Options, left: float, y: float) -> list[_Words]:
    """What the lines of the plan's lanes mean, of those that occur."""
    said = phrasebook(options.language).lanes
    entries: list[tuple[str, str]] = []
    if options.tension and plan.tension:
        entries.append((said["legend-tension"], TENSION))
    origins = {hairpin.origin for hairpin in plan.hairpins} | {mark.origin for mark in plan.marks}
    if options.dynamics and "proposed" in origins:
        entries.append((said["legend-proposed"], PROPOSED))
    if options.pedal and plan.pedal:
        entries.append((said["legend-pedal"], PROPOSED))
    return _in_line(entries, left, y)


def _in_line(entries: Sequence[tuple[str, str]], left: float, y: float) -> list[_Words]:
    runs = typeset((text, _ROMAN) for text, _ in entries)
    words = []
    for text, colour in entries:
        words.append(_Words(text, left, y, _SMALL, colour=colour))
        left += _SMALL * (runs[text, _ROMAN].advance / 1000 + 1.4)
    return words


def _explained(
    page: etree._Element, signs: Mapping[str, Sequence[str]], options: Options, above: Box
) -> tuple[dict[str, etree._Element], Box]:
    """Say below the systems what the signs are that they have; return the glyph definitions used, and how
    far the words reach.
    """
    said = phrasebook(options.language).phrases
    x, y = above.x0 + 2 * _MM, above.y1 + 2 * _SMALL
    words = []
    for kind in SIGNS:
        if not signs.get(kind):
            continue
        head = Box(0, -0.5 * SPACE, SPACE, 0.5 * SPACE)
        page.append(moved(sign(kind, head), x, y - 0.3 * _SMALL, _SMALL / (2.4 * SPACE)))
        text = said[f"take_sign_{kind}"]
        words.append(_Words(text, x + 1.4 * _SMALL, y, _SMALL, colour=SOFT))
        x += (3 + 0.55 * len(text)) * _SMALL
    return _write(page, words), Box(above.x0, above.y1, x - _SMALL, y + 0.5 * _SMALL)


def _write(page: etree._Element, words: Sequence[_Words]) -> dict[str, etree._Element]:
    """Draw words on a page as outlines; return the glyph definitions they use."""
    runs = typeset((w.text, w.face) for w in words)
    glyphs: dict[str, Glyph] = {}
    for w in words:
        run = runs[w.text, w.face]
        width = w.size * run.advance / 1000
        x = w.x - {"start": 0.0, "middle": width / 2, "end": width}[w.anchor]
        group = etree.SubElement(
            page,
            f"{{{SVG}}}g",
            {"class": "words", "role": "img", "aria-label": w.text, "fill": w.colour, "stroke": "none"},
        )
        if run.complete:
            group.extend(draw_run(run, x, w.y, w.size, glyphs))
        else:
            text = etree.SubElement(group, f"{{{SVG}}}text", {"x": f"{w.x:.0f}", "y": f"{w.y:.0f}"})
            text.attrib.update(
                {"font-family": "serif", "font-size": f"{w.size:.0f}", "text-anchor": w.anchor}
            )
            text.text = w.text
    return {name: glyph_definition(glyph) for name, glyph in glyphs.items()}


# ------------------------------------------------------------------ SVG documents


def document(page: etree._Element, definitions: dict[str, etree._Element], frame: Box, name: str) -> str:
    """An SVG document showing `frame`, with just the definitions that the page uses."""
    svg = etree.Element(
        f"{{{SVG}}}svg",
        {
            "version": "1.1",
            "width": f"{frame.width / _MM:.2f}mm",
            "height": f"{frame.height / _MM:.2f}mm",
            "viewBox": f"{frame.x0:.0f} {frame.y0:.0f} {frame.width:.0f} {frame.height:.0f}",
            "role": "graphics-document",
            "aria-label": name,
        },
        nsmap={None: SVG, "xlink": XLINK_HREF[1:].split("}")[0]},  # type: ignore[dict-item]
    )
    used = {u.get(XLINK_HREF, "#")[1:] for u in page.iter(f"{{{SVG}}}use")}
    defs = etree.SubElement(svg, f"{{{SVG}}}defs")
    defs.extend(definitions[n] for n in sorted(used) if n in definitions)
    body = etree.SubElement(
        svg, f"{{{SVG}}}g", {"color": "#000", "fill": "#000", "stroke": "currentColor", "stroke-width": "1"}
    )
    body.extend(page)
    return etree.tostring(svg, encoding="unicode")
