"""One bar of a MusicXML part in, everything in it timed from its start out.

Positions are exact quarter notes. Where a file rounds its durations (notation editors do, for tuplets)
they are set back to the note values printed, unless that fills the bar worse; and where durations leave a bar
too short or too long that the values printed fill, those are taken. Also the values that carry over from
bar to bar, the meters, and the places of a tree where elements can be put.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from math import inf

from lxml import etree

from understave.score.model import SYMBOLS
from understave.score.xmltree import elements
from understave.theory.pitch import Interval

Element = etree._Element

TYPES = {
    "maxima": Fraction(32),
    "long": Fraction(16),
    "breve": Fraction(8),
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4),
    "32nd": Fraction(1, 8),
    "64th": Fraction(1, 16),
    "128th": Fraction(1, 32),
    "256th": Fraction(1, 64),
    "512th": Fraction(1, 128),
    "1024th": Fraction(1, 256),
}
"""Note values by their MusicXML names, in quarter notes."""

_AS_PRINTED = Interval(0, 0)
_NOTHING = Fraction(0)
_STEPS_OF_SEMITONES = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)
_NUMBER = re.compile(r"\s*[+-]?(\d{1,12}(\.\d{0,9})?|\.\d{1,9})\s*")


@lru_cache(maxsize=4096)
def number(text: str | None) -> Fraction | None:
    """Read a decimal number of sane length; None for anything else."""
    if text is None or not _NUMBER.fullmatch(text):
        return None
    return Fraction(text.strip())


@lru_cache(maxsize=4096)
def integer(text: str | None, default: int, low: int = -1000, high: int = 1000) -> int:
    """Read a whole number held between two bounds; `default` for anything unreadable."""
    value = number(text)
    if value is None:
        return default
    return max(low, min(high, round(value)))


@dataclass(frozen=True, slots=True)
class State:
    """What carries over from bar to bar in one part."""

    divisions: Fraction = Fraction(1)
    transpositions: tuple[tuple[int, Interval], ...] = ()
    percussion: frozenset[int] = frozenset()
    repeating: bool = False


Inner = dict[object, Element]
"""The children of an element by name, the first of each."""


def inner_of(element: Element) -> Inner:
    """Return the children of an element by name: one look at each in place of a search for each name."""
    found: Inner = {}
    for child in element:
        found.setdefault(child.tag, child)
    return found


def text_in(inner: Inner, name: str) -> str | None:
    """Return the text of a child, "" where it has none, None without such a child."""
    child = inner.get(name)
    return None if child is None else child.text or ""


@dataclass(slots=True)
class Head:
    """One written note, timed from the start of its bar."""

    element: Element
    inner: Inner
    onset: Fraction
    duration: Fraction
    staff: int
    voice: str
    grace: bool
    sounding: Interval
    tie_start: bool = False
    tie_stop: bool = False
    fermata: bool = False


@dataclass(slots=True)
class Mark:
    """A direction, harmony or sound element, timed from the start of its bar."""

    element: Element
    onset: Fraction
    staff: int


@dataclass(frozen=True, slots=True)
class Place:
    """A note or rest that can carry something before it: when, on which staff of its part."""

    onset: Fraction
    staff: int
    divisions: Fraction
    element: Element


@dataclass(slots=True)
class Bar:
    """One bar of one part.

    `length` is all it fills, `written` ends with its last note or rest, `sounding` with its last note.
    """

    heads: list[Head] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    keys: list[tuple[Fraction, Element, Interval]] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)
    length: Fraction = Fraction(0)
    written: Fraction = Fraction(0)
    sounding: Fraction = Fraction(0)
    rounded: bool = False
    repeats_another: bool = False
    percussion: int = 0


class _Clock:
    """Position inside a bar, kept twice: as the file's divisions say and as the note values say.

    A backup leads to a place in the file's count; the exact place that was reached there before is
    looked up, so that rounded durations never add up.
    """

    def __init__(self) -> None:
        self.raw = self.exact = Fraction(0)
        self.known: dict[Fraction, Fraction] = {Fraction(0): Fraction(0)}
        self.furthest = Fraction(0)

    def note(self, raw: Fraction, exact: Fraction) -> None:
        # Nearly always both are the same, and one sum does for them.
        together = raw is exact and self.raw is self.exact
        self.raw += raw
        self.exact = self.raw if together else self.exact + exact
        old = self.known.get(self.raw)
        if old is None or self.exact.denominator < old.denominator:
            self.known[self.raw] = self.exact
        self.furthest = max(self.furthest, self.exact)

    def move(self, raw: Fraction) -> None:
        self.raw = max(Fraction(0), self.raw + raw)
        known = self.known.get(self.raw)
        self.exact = max(Fraction(0), self.exact + raw) if known is None else known
        self.known.setdefault(self.raw, self.exact)


def _notated(note: Element, inner: Inner) -> Fraction | None:
    """Length that a note's printed value, dots and tuplet give; None where it is not printed."""
    value = TYPES.get((text_in(inner, "type") or "").strip())
    if value is None:
        return None
    if "dot" in inner:
        value = value * (2 - Fraction(1, 2 ** min(len(note.findall("dot")), 8)))
    change = inner.get("time-modification")
    if change is not None:
        actual = integer(change.findtext("actual-notes"), 1)
        normal = integer(change.findtext("normal-notes"), 1)
        if actual > 0 and normal > 0:
            value = value * Fraction(normal, actual)
    return value


def _length(
    inner: Inner, printed: Fraction | None, divisions: Fraction, slack: float
) -> tuple[Fraction, Fraction, bool]:
    """Return a note's or rest's length by the divisions, its exact length, and whether they differ.

    They do where the printed value is less than `slack` divisions away.
    """
    rest = inner.get("rest")
    whole = rest is not None and rest.get("measure") == "yes"
    return _length_of(text_in(inner, "duration"), printed, divisions, slack, whole)


@lru_cache(maxsize=1024)
def _length_of(
    duration: str | None, printed: Fraction | None, divisions: Fraction, slack: float, whole: bool
) -> tuple[Fraction, Fraction, bool]:
    """Return the same of the text of a duration; a `whole` rest fills its bar, whatever is printed."""
    given = number(duration)
    if given is None or given < 0:
        value = printed or Fraction(0)
        return value, value, False
    raw = given / divisions
    if printed is None or printed == raw or whole:
        return raw, raw, False
    if abs(raw - printed) * divisions < slack:
        return raw, printed, True
    return raw, raw, False


def _attributes(state: State, element: Element) -> State:
    divisions = number(element.findtext("divisions"))
    if divisions is not None and divisions > 0:
        state = replace(state, divisions=divisions)
    for t in element.findall("transpose"):
        chromatic = integer(t.findtext("chromatic"), 0)
        octaves = integer(t.findtext("octave-change"), 0, -9, 9)
        steps = t.findtext("diatonic")
        sign = -1 if chromatic < 0 else 1
        size = abs(chromatic)
        usual = sign * (_STEPS_OF_SEMITONES[size % 12] + 7 * (size // 12))
        diatonic = integer(steps, usual)
        interval = Interval(diatonic + 7 * octaves, chromatic + 12 * octaves)
        staff = integer(t.get("number"), 0)
        kept = tuple(x for x in state.transpositions if staff != 0 and x[0] != staff)
        state = replace(state, transpositions=(*kept, (staff, interval)))
    for clef in element.findall("clef"):
        staff = integer(clef.get("number"), 1)
        if (clef.findtext("sign") or "").strip() == "percussion":
            state = replace(state, percussion=state.percussion | {staff})
        else:
            state = replace(state, percussion=state.percussion - {staff})
    return state


def transposition(state: State, staff: int) -> Interval:
    """Interval from printed to sounding pitch on one staff of the part."""
    if not state.transpositions:
        return _AS_PRINTED
    found = dict(state.transpositions)
    return found.get(staff) or found.get(0) or _AS_PRINTED


def _tie_marks(note: Element, inner: Inner) -> tuple[bool, bool]:
    kinds = {t.get("type") for t in note.findall("tie")} if "tie" in inner else set()
    if not kinds and "notations" in inner:
        kinds = {t.get("type") for t in note.findall("notations/tied")}
    return "start" in kinds or "continue" in kinds, "stop" in kinds or "continue" in kinds


class _Walk:
    """Times everything in one bar of one part, element by element, in the order of the file."""

    def __init__(self, state: State, slack: float) -> None:
        self.bar = Bar()
        self.state = state
        self.slack = slack
        self.clock = _Clock()
        self.onset = Fraction(0)
        """Where the last chord begins; the fields below are of it too."""
        self.lengths = (Fraction(0), Fraction(0))
        self.exact = self.until = Fraction(0)
        self.value: Fraction | None = None
        self.heads: list[Head] = []
        self.held = False
        self.voice = "1"

    def note(self, element: Element) -> None:
        """Time a note or rest, alone or in a chord."""
        bar, clock, inner = self.bar, self.clock, inner_of(element)
        grace, in_chord, rest = "grace" in inner, "chord" in inner, "rest" in inner
        raw, exact = (_NOTHING, _NOTHING) if grace else self._lengths(element, inner, in_chord)
        if grace and not in_chord:
            self.onset = clock.exact
        if not (in_chord and "voice" not in inner):
            self.voice = (text_in(inner, "voice") or "1").strip()
        staff = integer(text_in(inner, "staff"), 1, 1, 64)
        if not in_chord:
            self.heads, self.held = [], False
        if "pitch" in inner and staff not in self.state.percussion:
            start, stop = _tie_marks(element, inner)
            sounding = transposition(self.state, staff)
            own = grace or exact == 0
            head = Head(element, inner, self.onset, exact, staff, self.voice, own, sounding, start, stop)
            bar.heads.append(head)
            self.heads.append(head)
        elif not rest:
            bar.percussion += 1
        if "notations" in inner and not self.held and element.find("notations/fermata") is not None:
            # One fermata holds the whole chord.
            bar.marks.append(Mark(element, self.onset, staff))
            self.held = True
        for head in self.heads if self.held else ():
            head.fermata = True
        if not in_chord:
            bar.places.append(Place(self.onset, staff, self.state.divisions, element))
            if not grace:
                clock.note(raw, exact)
        if exact is not self.exact or not in_chord:
            # The notes of a chord end together; a note alone ends where the clock stands now.
            self.exact = exact
            self.until = clock.exact if not (in_chord or grace) else self.onset + exact
            bar.written = max(bar.written, self.until)
        if not rest and self.until is not bar.sounding:
            bar.sounding = max(bar.sounding, self.until)

    def _lengths(self, element: Element, inner: Inner, in_chord: bool) -> tuple[Fraction, Fraction]:
        """Return how long a note is, as written in divisions and exactly; begin a chord with it."""
        value = _notated(element, inner)
        raw, exact, differs = _length(inner, value, self.state.divisions, self.slack)
        self.bar.rounded |= differs
        if not in_chord:
            self.onset, self.lengths, self.value = self.clock.exact, (raw, exact), value
        # A chord is as long as its first note, unless another value is printed for this one.
        elif value is None or value == self.value or abs(raw - self.lengths[0]) * self.state.divisions < 1:
            exact = self.lengths[1]
        return raw, exact

    def move(self, element: Element) -> None:
        """Follow a backup or forward."""
        amount = (number(element.findtext("duration")) or Fraction(0)) / self.state.divisions
        self.clock.move(-amount if element.tag == "backup" else amount)
        if element.tag == "forward":
            self.clock.furthest = max(self.clock.furthest, self.clock.exact)

    def attributes(self, element: Element) -> None:
        """Follow divisions, transposition, repeat signs of a bar and key."""
        self.state = _attributes(self.state, element)
        sign = element.find("measure-style/measure-repeat")
        if sign is not None:
            self.state = replace(self.state, repeating=sign.get("type") == "start")
        key = element.find("key")
        if key is not None:
            self.bar.keys.append((self.clock.exact, key, transposition(self.state, 1)))

    def mark(self, element: Element) -> None:
        """Time a direction, chord symbol, figured bass or sound."""
        shift = (number(element.findtext("offset")) or Fraction(0)) / self.state.divisions
        staff = integer(element.findtext("staff"), 1, 1, 64)
        self.bar.marks.append(Mark(element, max(Fraction(0), self.clock.exact + shift), staff))


def _walk(measure: Element, state: State, slack: float) -> tuple[Bar, State]:
    """Time everything in one bar of one part; printed values count within `slack` divisions."""
    walk = _Walk(state, slack)
    bar = walk.bar
    for element in elements(measure):
        if element.tag == "note":
            walk.note(element)
        elif element.tag in ("backup", "forward"):
            walk.move(element)
        elif element.tag == "attributes":
            walk.attributes(element)
        elif element.tag in ("direction", "harmony", "figured-bass", "sound"):
            walk.mark(element)
        elif element.tag == "barline":
            bar.marks.append(Mark(element, walk.clock.furthest, 1))
    bar.length = walk.clock.furthest
    bar.repeats_another = walk.state.repeating and not bar.heads
    return bar, walk.state


_AS_GIVEN, _ROUNDED, _PRINTED = 0.0, 1.0, inf
"""Divisions by which a duration may differ from the printed value that is taken for it."""


def walk_bar(measure: Element, state: State, meter: Meter) -> tuple[Bar, State]:
    """Walk a bar with printed values where durations are rounded, unless that fills it worse.

    Durations that are further off give way only to printed values that fill the bar to the full: an eighth
    rest that an editor stretched to fit another staff's meter is an eighth.
    """
    bar, after = _walk(measure, state, _ROUNDED)
    full = full_length(meter) if meter else None
    if full is None or bar.length == full:
        return bar, after
    printed, _ = _walk(measure, state, _PRINTED)
    if printed.length == full:
        return printed, after
    if not bar.rounded:
        return bar, after
    given, _ = _walk(measure, state, _AS_GIVEN)
    if abs(given.length - full) < abs(bar.length - full) - Fraction(1, 64):
        return given, after
    return bar, after


def _meter(time: Element) -> Meter:
    """Return beats, beat type and symbol of a time element; None without a meter (senza misura)."""
    total = Fraction(0)
    largest = 1
    types = time.findall("beat-type")
    for beats, kind in zip(time.findall("beats"), types, strict=False):
        unit = integer(kind.text, 4, 1, 512)
        counts = [int(x[:3]) for x in re.findall(r"\d+", beats.text or "")]
        total += Fraction(sum(counts), unit)
        largest = max(largest, unit)
    if not total:
        return None
    count = total * largest
    symbol = time.get("symbol", "") if time.get("symbol") in SYMBOLS else ""
    return count.numerator, largest * count.denominator, symbol


def meter_of_length(length: Fraction) -> tuple[int, int, str]:
    """Return beats and beat type that hold a length in quarter notes: the meter of a bar without one."""
    if length <= 0:
        return (4, 4, "")
    unit = 4
    while (length * unit / 4).denominator != 1 and unit < 1024:
        unit *= 2
    count = length * unit / 4
    return (count.numerator, unit * count.denominator, "")


def staff_count(part: Element) -> int:
    """Staves of a part: as declared, or as its notes use."""
    most = 1
    for element in part.iter("staves"):
        most = max(most, integer(element.text, 1, 1, 64))
    for text in {element.text for element in part.iterfind("measure/note/staff")}:
        most = max(most, integer(text, 1, 1, 64))
    return most


Meter = tuple[int, int, str] | None
"""Beats, beat type and symbol (see `Measure`); None without a meter (senza misura)."""


def _meter_changes(part: Element) -> dict[int, Meter]:
    """Meters that a part prints, by bar; one printed inside a bar waits for the next."""
    changes: dict[int, Meter] = {}
    for i, measure in enumerate(part.iterchildren("measure")):
        begun = False
        for element in elements(measure):
            time = element.find("time") if element.tag == "attributes" else None
            if time is not None:
                changes.setdefault(i + 1 if begun else i, _meter(time))
            elif element.tag in ("note", "forward"):
                begun = True
            elif element.tag == "backup":
                begun = False
    return changes


def meters_of(parts: list[Element], count: int) -> list[tuple[Meter, ...]]:
    """The meter of each bar in each part.

    A part that prints no change where another does follows the first that does; parts may differ
    (2/4 against 6/8).
    """
    changes = [_meter_changes(part) for part in parts]
    now: list[Meter] = [None] * len(parts)
    out = []
    for i in range(count):
        printed = [c[i] for c in changes if i in c]
        if printed:
            now = [c.get(i, printed[0]) for c in changes]
        out.append(tuple(now))
    return out


def as_filled(
    meters: Sequence[tuple[Meter, ...]], bars_of: Sequence[Sequence[Bar]]
) -> list[tuple[Meter, ...]]:
    """Return the meter of each bar in each part, the one before where a part goes on filling that.

    Where a singer changes to 6/8 and the piano prints nothing and goes on in bars of 2/4, it has kept its
    meter. At least two bars must do so, all to the full, and another part fill the new meter.
    """
    out = [list(here) for here in meters]
    for first, end in _stretches(meters):
        lengths = [[bar.length for bar in bars[first:end] if bar.heads] for bars in bars_of]
        for k, own in enumerate(lengths):
            kept, new = out[first - 1][k] if first else None, meters[first][k]
            if kept is None or new is None:
                continue
            goes_on = len(own) > 1 and set(own) == {full_length(kept)} != {full_length(new)}
            if goes_on and any(full_length(new) in other for other in lengths):
                for i in range(first, end):
                    out[i][k] = kept
    return [tuple(here) for here in out]


def _stretches(meters: Sequence[tuple[Meter, ...]]) -> Iterator[tuple[int, int]]:
    """Yield first bar and end of each stretch of bars in which no part changes its meter."""
    first = 0
    for i in range(1, len(meters) + 1):
        if i == len(meters) or meters[i] != meters[first]:
            yield first, i
            first = i


def meters_at_once(
    meters: Sequence[tuple[Meter, ...]], bars_of: Sequence[Sequence[Bar]]
) -> Iterator[tuple[int, int, int, int]]:
    """Yield where parts fill meters of other lengths in the same bar.

    First bar, end, and two parts, the second of which has the shorter bars.
    """
    for first, end in _stretches(meters):
        lengths: dict[int, Fraction] = {}
        for k, meter in enumerate(meters[first]):
            if meter is not None and any(
                bar.heads and bar.length == full_length(meter) for bar in bars_of[k][first:end]
            ):
                lengths[k] = full_length(meter)
        if len(set(lengths.values())) > 1:
            yield first, end, max(lengths, key=lambda k: lengths[k]), min(lengths, key=lambda k: lengths[k])


def full_length(meter: tuple[int, int, str]) -> Fraction:
    """Return the quarter notes that a meter asks for."""
    return Fraction(4 * meter[0], meter[1])


@dataclass(frozen=True, slots=True)
class BarPlaces:
    """The places of one bar of one part in document order; `divisions` are those at its end."""

    element: Element
    divisions: Fraction
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class PartPlaces:
    """The bars of one part and its range of staves counted over the whole score."""

    first_staff: int
    last_staff: int
    bars: tuple[BarPlaces, ...]


def positions(root: Element) -> Iterator[PartPlaces]:
    """Time every note and rest of a partwise tree as `read_tree` does, part by part."""
    parts = [element for element in root.findall("part") if element.find("measure") is not None]
    meters = meters_of(parts, max((len(element.findall("measure")) for element in parts), default=0))
    staff = 1
    for k, part in enumerate(parts):
        count = staff_count(part)
        state = State()
        bars = []
        for measure, meter in zip(part.iterchildren("measure"), meters, strict=False):
            bar, state = walk_bar(measure, state, meter[k])
            bars.append(BarPlaces(measure, state.divisions, tuple(bar.places)))
        yield PartPlaces(staff, staff + count - 1, tuple(bars))
        staff += count
