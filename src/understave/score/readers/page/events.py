"""Chords and rests of a system: heads joined with their stems, beams, flags, dots and accidentals.

In: a `Sheet` and one of its systems. Out: `Event`s from the left, each with its printed value. What
stands where is taken from the ink alone; which moment it is comes later (`solving`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from statistics import median
from typing import NamedTuple

from understave.score.readers.page.ink import Box, Line
from understave.score.readers.page.layout import DOTS, Sheet, Symbol, System, is_repeat_dot

HEADS = {
    "noteheadDoubleWhole": Fraction(8),
    "noteheadDoubleWholeSquare": Fraction(8),
    "noteheadWhole": Fraction(4),
    "noteheadHalf": Fraction(2),
    "noteheadBlack": Fraction(1),
}
RESTS = {
    "restDoubleWhole": Fraction(8),
    "restWhole": Fraction(4),
    "restWholeLegerLine": Fraction(4),
    "restHalf": Fraction(2),
    "restHalfLegerLine": Fraction(2),
    "restQuarter": Fraction(1),
    "rest8th": Fraction(1, 2),
    "rest16th": Fraction(1, 4),
    "rest32nd": Fraction(1, 8),
    "rest64th": Fraction(1, 16),
}
FLAGS = {"flag8th": 1, "flag16th": 2, "flag32nd": 3, "flag64th": 4}
ACCIDENTALS = {
    "accidentalFlat": -1,
    "accidentalNatural": 0,
    "accidentalSharp": 1,
    "accidentalDoubleSharp": 2,
    "accidentalDoubleFlat": -2,
}


@dataclass(eq=False, slots=True)
class Head:
    """A notehead: on which staff of its system (from 0, top) and step it stands."""

    symbol: Symbol
    staff: int
    position: int
    small: bool
    accidental: Symbol | None = None

    @property
    def box(self) -> Box:
        """Its extent."""
        return self.symbol.box


@dataclass(eq=False, slots=True)
class Event:
    """A chord or a rest. `way` is 1 for a stem up, -1 down, 0 without; `beam` numbers its beam within
    the system.

    `value` is the printed value in quarter notes, dots included, tuplets not.
    """

    x: float
    y: float
    staff: int
    value: Fraction
    way: int
    heads: list[Head]
    stem: Line | None = None
    beam: int | None = None
    beams: int = 0
    dots: int = 0
    grace: bool = False
    tremolo: int = 0
    whole_bar: bool = False
    box: Box = field(default_factory=lambda: Box(0, 0, 0, 0))

    @property
    def is_rest(self) -> bool:
        """Whether it is a rest."""
        return not self.heads


_AT_STEM = 0.24
"""Staff spaces between a stem and the edge of a head that it belongs to."""
_CLASH = 1.5
"""Staff spaces by which a chord of another voice may be moved to the right of one that it clashes with."""
_SMALL_HEAD = 0.84
"""Width of grace notes' and cues' heads, as a part of the usual one."""


def events_of(sheet: Sheet, system: System, usual_head: float) -> list[Event]:
    """Return the events of a system, from the left."""
    space = sheet.space
    low, high = reach(sheet, system)
    symbols = [s for s in sheet.symbols if low <= s.box.y <= high]
    # What is joined by stems and ledger lines may reach further than half way to the next system.
    beyond = [s for s in sheet.symbols if low - 3 * space <= s.box.y <= high + 3 * space]
    heads = _heads(beyond, sheet.levels, system, space, usual_head)
    stems = _stems(sheet, system, low, high)
    chords = _with_stems(heads, stems, sheet.ways, space)
    beams = [a for a in sheet.levels if 0.24 * space < a.width < 0.95 * space and a.x1 - a.x0 > 0.4 * space]
    ends = _beam(chords, beams, space)
    _flag(chords, beyond, space)
    taken = {id(head) for chord in chords for head in chord.heads}
    chords += _stemless([head for head in heads if id(head) not in taken], usual_head)
    rests = _rests(symbols, [a for a in beams if low <= a.y0 <= high], chords, system, space)
    events = sorted([*chords, *rests], key=lambda e: e.x)
    sheet.taken |= _dot(events, symbols, system, space)
    _own_accidentals(heads, beyond, system, space)
    events = sorted([*events, *_sharing(ends, chords, space)], key=lambda e: e.x)
    for event in events:
        event.value = _value(event)
    return events


def usual_width(sheets: Sequence[Sheet]) -> float:
    """Return the usual width of a head, in staff spaces; grace notes are smaller."""
    widths = [
        s.box.width / sheet.space
        for sheet in sheets
        for s in sheet.symbols
        if s.name in ("noteheadBlack", "noteheadHalf")
    ]
    return median(widths) if widths else 1.2


def reach(sheet: Sheet, system: System) -> tuple[float, float]:
    """Return the heights between which ink belongs to a system: half way to its neighbours."""
    i = sheet.systems.index(system)
    top, bottom = system.staves[0].y1, system.staves[-1].y0
    high = (sheet.systems[i - 1].staves[-1].y0 + top) / 2 if i else top + 16 * sheet.space
    after = i + 1 < len(sheet.systems)
    low = (sheet.systems[i + 1].staves[0].y1 + bottom) / 2 if after else bottom - 16 * sheet.space
    return low, high


def _heads(
    symbols: Sequence[Symbol], levels: Sequence[Line], system: System, space: float, usual: float
) -> list[Head]:
    ledgers = [a for a in levels if a.width < 0.35 * space and 0.6 * space < a.x1 - a.x0 < 8 * space]
    out: list[Head] = []
    for symbol in symbols:
        if symbol.name in HEADS and system.staves[0].x0 < symbol.x < system.staves[0].x1 + space:
            staff = _staff_of(symbol, ledgers, system, space)
            if staff is None:
                continue
            position = system.staves[staff].position(symbol.box.y)
            reference = usual * (1.0 if symbol.name in ("noteheadBlack", "noteheadHalf") else 1.3)
            small = symbol.box.width < _SMALL_HEAD * reference * space
            # Two voices in unison may each print the head that they share.
            if any(
                abs(h.box.x - symbol.x) + abs(h.box.y - symbol.box.y) < 0.2 * space
                and h.symbol.name == symbol.name
                for h in out
            ):
                continue
            out.append(Head(symbol, staff, position, small))
    return out


def _staff_of(symbol: Symbol, ledgers: Sequence[Line], system: System, space: float) -> int | None:
    """Return the staff that a head stands on, by its ledger lines; None for a head without, as tempo
    marks have.
    """
    y = symbol.box.y
    by_distance = sorted(range(len(system.staves)), key=lambda i: system.staves[i].distance(y))
    for i in by_distance[:2]:
        staff = system.staves[i]
        steps = int((staff.distance(y) + 0.25 * space) / space)
        side = -1 if y < staff.y0 else 1
        edge = staff.y0 if y < staff.y0 else staff.y1
        if all(
            any(
                abs((a.y0 + a.y1) / 2 - (edge + side * k * space)) < 0.2 * space and a.x0 < symbol.x < a.x1
                for a in ledgers
            )
            for k in range(1, steps + 1)
        ):
            return i
    return None


def _stems(sheet: Sheet, system: System, low: float, high: float) -> list[Line]:
    space = sheet.space
    bars = [(bar.x0 - 0.1, bar.x1 + 0.1) for bar in system.bars]
    return [
        a
        for a in sheet.uprights
        if a.width < 0.4 * space
        and a.y1 - a.y0 > 1.2 * space
        and low <= (a.y0 + a.y1) / 2 <= high
        and not any(x0 <= a.x0 <= x1 for x0, x1 in bars)
    ]


def _with_stems(
    heads: Sequence[Head], stems: Sequence[Line], ways: Mapping[Line, int], space: float
) -> list[Event]:
    """Join heads with the stems that they touch."""
    chords: list[Event] = []
    for stem in stems:
        x = stem.x0
        left = [h for h in heads if abs(h.box.x1 - x) < _AT_STEM * space and _touches(h, stem, space)]
        right = [h for h in heads if abs(h.box.x0 - x) < _AT_STEM * space and _touches(h, stem, space)]
        up = _chord(left, right, stem, 1, space)
        down = _chord(right, left, stem, -1, space)
        seen = ways.get(stem)
        found = max((up, down), key=lambda c: c[1]) if seen is None else up if seen > 0 else down
        if not found[0]:
            continue
        way = 1 if found is up else -1
        group = found[0]
        if any(c.way == way and c.heads == group and abs(c.x - group[0].box.x) < space for c in chords):
            continue  # a stem that is drawn twice
        main = [h for h in group if h in (left if way > 0 else right)]
        box = _around([h.box for h in group])
        first = main[0]
        chords.append(
            Event(
                x=first.box.x,
                y=box.y,
                staff=first.staff,
                value=max(HEADS[h.symbol.name] for h in group),
                way=way,
                heads=group,
                stem=stem,
                grace=all(h.small for h in group),
                box=box,
            )
        )
    return chords


def _touches(head: Head, stem: Line, space: float) -> bool:
    return head.symbol.name in ("noteheadBlack", "noteheadHalf") and (
        stem.y0 - 0.6 * space <= head.box.y <= stem.y1 + 0.6 * space
    )


def _chord(
    usual: list[Head], other: list[Head], stem: Line, way: int, space: float
) -> tuple[list[Head], float]:
    """Return the heads of a stem that points one way, and how long its free end is.

    Heads stand on the `usual` side; on the `other` only where two are a second apart.
    """
    end = stem.y0 if way > 0 else stem.y1
    # The lowest head of a stem up may be the one that stands on the other side.
    if not usual or not any(abs(h.box.y - end) < 0.7 * space for h in (*usual, *other)):
        return [], 0.0
    heads = list(usual)
    heads += [
        h
        for h in other
        if any(
            h.staff == u.staff
            and abs(h.position - u.position) == 1
            and h.symbol.name == u.symbol.name  # a half beside a quarter is of another voice
            for u in usual
        )
    ]
    if not heads:
        return [], 0.0
    far = max(h.box.y for h in heads) if way > 0 else min(h.box.y for h in heads)
    free = (stem.y1 - far) if way > 0 else (far - stem.y0)
    return (heads, free) if free > 0.8 * space else ([], 0.0)


def _around(boxes: Sequence[Box]) -> Box:
    return Box(
        min(b.x0 for b in boxes), min(b.y0 for b in boxes), max(b.x1 for b in boxes), max(b.y1 for b in boxes)
    )


class _End(NamedTuple):
    """The end of a beam at which no stem stands; `lines` are those that end there, `mate` is on the beam."""

    x: float
    y: float
    lines: int
    mate: Event


_OPEN = 0.8
"""Staff spaces from which a beam reaches beyond its outer stem. Set by eye."""


def _beam(chords: Sequence[Event], beams: Sequence[Line], space: float) -> list[_End]:
    """Count the beams at each stem and number those that hold stems together; return their open ends."""
    of: list[list[int]] = [[] for _ in beams]
    for k, chord in enumerate(chords):
        heights: list[float] = []
        for i, beam in enumerate(beams):
            y = _meets(beam, chord, space)
            if y is None:
                continue
            stem = chord.stem
            assert stem is not None
            across = (
                min(stem.x0 - beam.x0, beam.x1 - stem.x0) > 0.3 * space
            )  # a short beam begins at its stem
            if beam.x1 - beam.x0 < 1.9 * space and across:
                chord.tremolo += 1
                continue
            of[i].append(k)
            if all(abs(y - other) > 0.3 * space for other in heights):
                heights.append(y)
        chord.beams = len(heights)
    _number(chords, of)
    lines: dict[int | None, list[Line]] = {}
    for beam, members in zip(beams, of, strict=True):
        if members:
            lines.setdefault(chords[members[0]].beam, []).append(beam)
    return [
        end
        for number, held in lines.items()
        for end in _open_ends([c for c in chords if c.beam == number], held, space)
    ]


def _number(chords: Sequence[Event], of: Sequence[Sequence[int]]) -> None:
    """Number the beams of chords; `of` are the chords at each line."""
    group = list(range(len(chords)))

    def root(k: int) -> int:
        while group[k] != k:
            k = group[k]
        return k

    for members in of:
        for k in members[1:]:
            group[root(k)] = root(members[0])
    for k, chord in enumerate(chords):
        if chord.beams:
            chord.beam = root(k)


def _open_ends(chords: Sequence[Event], beams: Sequence[Line], space: float) -> Iterator[_End]:
    """Yield the ends of a beam, given as its lines, that reach beyond its chords."""
    stems = [(chord.stem.x0, chord) for chord in chords if chord.stem is not None]
    left, right = min(beams, key=lambda b: b.x0), max(beams, key=lambda b: b.x1)
    first, last = min(stems, key=lambda s: s[0]), max(stems, key=lambda s: s[0])
    if first[0] - left.x0 > _OPEN * space:
        yield _End(left.x0, left.y0, sum(b.x0 - left.x0 < 0.3 * space for b in beams), first[1])
    if right.x1 - last[0] > _OPEN * space:
        yield _End(right.x1, right.y1, sum(right.x1 - b.x1 < 0.3 * space for b in beams), last[1])


def _sharing(ends: Sequence[_End], chords: Sequence[Event], space: float) -> Iterator[Event]:
    """Yield the notes of beams that share the head of a longer note, and its stem or none (common practice,
    no source).
    """
    for end in ends:
        mate = end.mate
        hosts = [
            head
            for chord in chords
            if chord.beam is None and not chord.grace and chord.staff == mate.staff
            for head in chord.heads
            if abs(head.box.x - end.x) < head.box.width / 2 + 0.4 * space
            and (end.y - head.box.y) * mate.way > 0
        ]
        if not hosts or mate.grace:
            continue
        head = min(hosts, key=lambda h: abs(h.box.y - end.y))
        yield Event(
            x=head.box.x,
            y=head.box.y,
            staff=head.staff,
            value=Fraction(1),
            way=mate.way,
            heads=[head],
            stem=Line(end.x, min(end.y, head.box.y), end.x, max(end.y, head.box.y), 0.1 * space),
            beam=mate.beam,
            beams=end.lines,
            box=head.box,
        )


def _meets(beam: Line, chord: Event, space: float) -> float | None:
    """Return the height at which a beam meets the free end of a chord's stem, None where it does not."""
    stem = chord.stem
    if stem is None or not beam.x0 - 0.14 * space <= stem.x0 <= beam.x1 + 0.14 * space:
        return None
    y = beam.y_at(stem.x0)
    if not stem.y0 - 0.5 * space <= y <= stem.y1 + 0.5 * space:
        return None
    heights = [h.box.y for h in chord.heads]
    beyond = y > max(heights) if chord.way > 0 else y < min(heights)
    return y if beyond and min(abs(y - h) for h in heights) >= 0.3 * space else None


def _flag(chords: Sequence[Event], symbols: Sequence[Symbol], space: float) -> None:
    for flag in symbols:
        count = FLAGS.get(flag.name.removesuffix("Up").removesuffix("Down"))
        if count is None:
            continue
        best: tuple[float, Event] | None = None
        for chord in chords:
            stem = chord.stem
            if stem is None or chord.beams or abs(flag.box.x0 - stem.x0) > 0.4 * space:
                continue
            end = stem.y1 if chord.way > 0 else stem.y0
            near = max(0.0, flag.box.y0 - end, end - flag.box.y1)
            if near < space and (best is None or near < best[0]):
                best = near, chord
        if best is not None and HEADS[best[1].heads[0].symbol.name] == 1:
            best[1].beams = -count  # a flag: no beam to share


def _stemless(heads: Sequence[Head], usual: float) -> list[Event]:
    """Make chords of heads without stems; those in one column of a staff are one chord."""
    out: list[Event] = []
    for head in sorted(heads, key=lambda h: (h.staff, h.box.x)):
        last = out[-1] if out else None
        if (
            last is not None
            and last.staff == head.staff
            and head.symbol.name == last.heads[0].symbol.name
            and head.box.x0 - last.box.x0 < 1.1 * head.box.width
        ):
            last.heads.append(head)
            last.box = _around([last.box, head.box])
            last.y = last.box.y
            continue
        out.append(
            Event(
                x=head.box.x,
                y=head.box.y,
                staff=head.staff,
                value=HEADS[head.symbol.name],
                way=0,
                heads=[head],
                grace=head.small,
                box=head.box,
            )
        )
    return out


def _rests(
    symbols: Sequence[Symbol], beams: Sequence[Line], chords: Sequence[Event], system: System, space: float
) -> list[Event]:
    found: list[tuple[str, Box]] = []
    for symbol in symbols:
        if symbol.name in RESTS:
            name = symbol.name
            if symbol.sure < 1 and name in ("restWhole", "restHalf"):
                name = _bar_rest(symbol.box, system, space)
            found.append((name, symbol.box))
    stems = [c.stem for c in chords if c.stem is not None]
    for a in beams:
        length = a.x1 - a.x0
        if (
            abs(a.y1 - a.y0) > 0.05 * space
            or not 0.8 * space < length < 1.8 * space
            or a.width < 0.35 * space
        ):
            continue
        if any(
            a.x0 - 0.3 * space < s.x0 < a.x1 + 0.3 * space and s.y0 - 0.6 * space < a.y0 < s.y1 + 0.6 * space
            for s in stems
        ):
            continue
        box = Box(a.x0, a.y0 - a.width / 2, a.x1, a.y0 + a.width / 2)
        found.append((_bar_rest(box, system, space), box))
    out = []
    for name, box in found:
        staff = min(range(len(system.staves)), key=lambda i: abs(system.staves[i].middle - box.y))
        if not system.staves[0].x0 < box.x < system.staves[0].x1:
            continue
        if system.staves[staff].distance(box.y) > 6 * space:
            continue
        out.append(Event(x=box.x, y=box.y, staff=staff, value=RESTS[name], way=0, heads=[], box=box))
    return out


def _bar_rest(box: Box, system: System, space: float) -> str:
    """Tell a whole rest, which hangs from a line, from a half rest, which lies on one."""
    staff = min(system.staves, key=lambda s: abs(s.middle - box.y))
    top, bottom = ((y - staff.y0) / space for y in (box.y1, box.y0))
    return "restWhole" if abs(top - round(top)) <= abs(bottom - round(bottom)) else "restHalf"


def _dot(events: Sequence[Event], symbols: Sequence[Symbol], system: System, space: float) -> set[int]:
    """Give chords and rests their dots: those in the row of a head, close to its right. Return their ids."""
    taken: set[int] = set()
    small = [s for s in symbols if s.name in DOTS and s.box.width < 0.75 * space]
    rows: dict[tuple[int, int], list[float]] = {}  # dots by event and head
    choices = []
    for k, dot in enumerate(small):
        if is_repeat_dot(dot, system, space):
            taken.add(id(dot))
            continue
        if any(is_staccato(dot, event, space) for event in events):
            continue
        for i, event in enumerate(events):
            # Where two voices clash, the dots of both stand right of both.
            right = max(
                e.box.x1
                for e in events
                if e is event or (e.staff == event.staff and 0 <= e.x - event.x < _CLASH * space)
            )
            gap = dot.box.x0 - event.box.x1
            if not -0.1 * space < gap < right - event.box.x1 + 3.3 * space:
                continue
            for j, (y, off_line) in enumerate(_rows(event)):
                off = min(abs(dot.box.y - y - d * space) for d in ((0.5, -0.5) if off_line else (0.0,)))
                # Of a rest the dot stands in the row of a bulb, which may be the upper one of several.
                if off < (0.3 * space if event.heads else 0.65 * space + event.box.height / 2):
                    # A dot in the row of a head in a space is surely its own.
                    price = off + 0.15 * abs(dot.box.x0 - right) + 0.05 * gap + 0.4 * space * off_line
                    # Of two stems that share a head the longer value has the dot.
                    price += 0.01 * space * abs(event.beams)
                    choices.append((price, k, i, j, gap, right))
    used: set[int] = set()
    for _, k, i, j, gap, right in sorted(choices):
        known = rows.setdefault((i, j), [])
        reach = 1.1 + 0.8 * len(known) + (1.1 if events[i].beams < 0 else 0.0)
        if k in used or gap > right - events[i].box.x1 + reach * space:
            continue
        if all(abs(x - small[k].x) > 0.25 * space for x in known):
            used.add(k)
            taken.add(id(small[k]))
            known.append(small[k].x)
    for (i, _), known in rows.items():
        events[i].dots = max(events[i].dots, min(3, len(known)))
    return taken


def is_staccato(dot: Symbol, event: Event, space: float) -> bool:
    """Say whether a dot stands right over or under the heads of a chord."""
    return any(
        abs(dot.x - head.box.x) < 0.2 * space and 0.6 * space < abs(dot.box.y - head.box.y) < 1.8 * space
        for head in event.heads[:1] + event.heads[-1:]
    )


def _rows(event: Event) -> list[tuple[float, bool]]:
    """Return the heights at which an event may have dots, and whether it is a line, whose dots are moved
    off it.
    """
    if event.is_rest:
        return [(event.box.y, False)]
    return [(h.box.y, h.position % 2 == 0) for h in event.heads]


def _own_accidentals(heads: Sequence[Head], symbols: Sequence[Symbol], system: System, space: float) -> None:
    """Give heads the accidentals in their row, close to their left."""
    signs = [s for s in symbols if s.name in ACCIDENTALS]
    owned: list[Symbol] = []
    for sign in sorted(signs, key=lambda s: -s.box.x0):
        best: tuple[float, Head] | None = None
        for head in heads:
            gap = head.box.x0 - sign.box.x1
            if head.accidental is None and abs(head.box.y - sign.y) < 0.32 * space and -0.3 * space < gap:
                if gap > 1.0 * space and not _leads_on(sign, head, owned, heads, space):
                    continue
                if best is None or gap < best[0]:
                    best = gap, head
        if best is not None and best[0] < 7 * space:
            best[1].accidental = sign
            owned.append(sign)


def _leads_on(sign: Symbol, head: Head, signs: Sequence[Symbol], heads: Sequence[Head], space: float) -> bool:
    """Say whether nothing but heads and their accidentals stands between a sign and its head.

    `signs` are the accidentals that heads have; those of a key signature lead to none.
    """
    at = sign.box.x1
    boxes = sorted(
        (b for b in (*(s.box for s in signs), *(h.box for h in heads if h is not head))),
        key=lambda b: b.x0,
    )
    for box in boxes:
        if box.x0 > head.box.x0 - 0.05 * space:
            break
        if box.x1 > at and abs(box.y - sign.y) < 5 * space and box.x0 - at < 0.75 * space:
            at = box.x1
    return head.box.x0 - at < 1.0 * space


def _value(event: Event) -> Fraction:
    value = event.value
    count = abs(event.beams)
    if event.heads and value == 1:
        value /= 2**count
    return value * (2 - Fraction(1, 2**event.dots))
