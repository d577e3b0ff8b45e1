"""RomanText, the plain-text convention for Roman-numeral analyses, read against a score and written.

In: the text of an analysis and the `Score` it speaks of. Out: an `Analysis` (spans in exact score
time, phrase ends, sections, pedal points, notes, problems), and back from a `Reading` to text.

Convention: Tymoczko, Gotham, Cuthbert and Ariza, "The RomanText Format", ISMIR 2019. Beats are
counted in the felt beat of the stated time signature: a dotted value where the upper number is a
multiple of three (3/8 has one beat, 6/8 two, 6/4 two, 9/8 three), unless the signature is marked
``slow``, as in ``Time Signature: slow 3/8``.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from understave.harmony.reading import Alternative, Reading, Span, span_at
from understave.score.model import Measure, Score
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

_HEADER = re.compile(r"m(\d+)([a-z]?)(?:-m?(\d+)([a-z]?))?\s*(var\d+)?\b[.:]?\s*(.*)")
_COPY = re.compile(r"=\s*m?(\d+)([a-z]?)(?:-m?(\d+)([a-z]?))?\s*(.*)")
_TAG = re.compile(r"([A-Za-z][A-Za-z .'-]*?)\s*:\s*(.*)")
_BEAT = re.compile(r"b(\d+)((?:\.\d+)*)")
_KEY = re.compile(r"([A-Ga-g](?:[#♯]+|[b♭-]+)?):(.*)")
_METER = re.compile(r"(slow|fast)?\s*(\d+)\s*/\s*(\d+)", re.IGNORECASE)
_PEDAL = re.compile(
    r"([A-Ga-g](?:#+|b+|-+)?)\s*:?\s+m(\d+[a-z]?)(?:\s+b([\d.]+))?(?:\s*-?\s*m(\d+[a-z]?))?(?:\s+b([\d.]+))?"
)
_LETTERS = "abcdefghijklmnopqrstuvwxyz"
_MARKS = {"||", "||:", ":||", ":||:", "|"}


@dataclass(frozen=True, slots=True)
class Meter:
    """A time signature as RomanText counts it: the number of beats and their length in quarters."""

    beats: int
    beat_type: int
    beat_length: Fraction

    @classmethod
    def parse(cls, text: str) -> Meter | None:
        """Read ``4/4``, ``C``, ``C|``, ``slow 3/8``; None when the text is no time signature."""
        plain = text.strip().lower()
        if plain in ("c", "common"):
            return cls(4, 4, Fraction(1))
        if plain in ("c|", "cut", "¢"):
            return cls(2, 2, Fraction(2))
        m = _METER.search(plain)
        if not m or int(m[2]) == 0 or int(m[3]) not in (1, 2, 4, 8, 16, 32, 64):
            return None
        beats, beat_type, unit = int(m[2]), int(m[3]), Fraction(4, int(m[3]))
        if m[1] == "slow":
            return cls(beats, beat_type, unit)
        compound = beats % 3 == 0 and (beats > 3 or beat_type >= 8 or m[1] == "fast")
        return cls(beats, beat_type, 3 * unit if compound else unit)

    @property
    def length(self) -> Fraction:
        """Length of a full bar in quarter notes."""
        return Fraction(4 * self.beats, self.beat_type)

    @property
    def text(self) -> str:
        """The time signature as RomanText writes it, ``slow`` where the plain one counts otherwise."""
        plain = f"{self.beats}/{self.beat_type}"
        return plain if Meter.parse(plain) == self else f"slow {plain}"


@dataclass(frozen=True, slots=True)
class Item:
    """One thing written in a bar: `kind` is key, numeral, phrase, open or close; `text` as written."""

    beat: Fraction
    kind: str
    text: str
    line: int


@dataclass(frozen=True, slots=True)
class BarText:
    """What the text says about one bar. `name` is as written (``"8"``, ``"8a"``).

    `implied` bars are those the text skips, because the chord before goes on; `copied_from` is the
    name of the bar a copy (``m5 = m3``) was taken from.
    """

    number: int
    letter: str
    meter: Meter | None
    items: tuple[Item, ...]
    line: int
    implied: bool = False
    copied_from: str = ""

    @property
    def name(self) -> str:
        """The bar's name as written."""
        return f"{self.number}{self.letter}"


@dataclass(frozen=True, slots=True)
class Document:
    """An analysis as written, before it is laid on a score; `sections` and `pedals` by bar index."""

    bars: tuple[BarText, ...]
    sections: tuple[tuple[int, str], ...]
    pedals: tuple[tuple[PitchClass, str, Fraction | None, str, Fraction | None], ...]
    notes: tuple[tuple[str, str], ...]
    header: tuple[tuple[str, str], ...]
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Pedal:
    """A pedal point the analyst marked: the held pitch class from `start` to `end`."""

    start: Fraction
    end: Fraction
    pitch: PitchClass


@dataclass(frozen=True, slots=True)
class Analysis:
    """An analyst's reading laid on a score.

    `spans` carry a pivot chord's second reading as their `Alternative`; `phrase_ends` are moments,
    `sections` moments with the name of the section that begins there. `notes` are the analyst's
    remarks and variant readings with the bar they stand before or in. `problems` are plain sentences
    about what could not be read; what they concern is left out of the spans.
    """

    spans: tuple[Span, ...]
    phrase_ends: tuple[Fraction, ...] = ()
    sections: tuple[tuple[Fraction, str], ...] = ()
    pedals: tuple[Pedal, ...] = ()
    notes: tuple[tuple[str, str], ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar of the score as an analyst counts it: the pieces of a split measure put together.

    `name` is unique in the score. `origin` is where beat 1 falls, before the bar's start in a
    pickup. `measures` are indices into `Score.measures`.
    """

    name: str
    start: Fraction
    end: Fraction
    origin: Fraction
    measures: tuple[int, ...]


def read_beat(text: str) -> Fraction:
    """Read a beat such as ``"1"``, ``"2.67"`` or ``"2.67.5"`` as the exact beat meant.

    Decimals are rounded or cut by whoever wrote them, so the simplest fraction within half a unit of
    the last digit, or cut at it, is taken. A second decimal counts within the smaller unit
    (Tymoczko et al. 2019): ``2.67.5`` is half of a third after two thirds.
    """
    whole, *decimals = text.split(".")
    beat, unit = Fraction(int(whole)), Fraction(1)
    for digits in decimals:
        part = _snap(digits)
        beat += unit * part
        unit *= Fraction(1, part.denominator)
    return beat


def _snap(digits: str) -> Fraction:
    if not digits.strip("0"):
        return Fraction(0)
    exact = Fraction(int(digits), 10 ** len(digits))
    if len(digits) == 1:
        # One digit leaves thirds cut or rounded: .3 and .6/.7; the rest are what they say.
        return {"3": Fraction(1, 3), "6": Fraction(2, 3), "7": Fraction(2, 3), "8": Fraction(5, 6)}.get(
            digits, exact if digits != "2" else Fraction(1, 4)
        )
    reach = Fraction(1, 10 ** len(digits))
    for denominator in (2, 3, 4, 6, 8, 12, 16, 5, 24, 32, 7, 9, 10, 48, 64):
        nearest = Fraction(round(exact * denominator), denominator)
        if abs(nearest - exact) < reach:
            return nearest
    fine = exact.limit_denominator(1000)
    return fine if abs(fine - exact) < reach else exact


def write_beat(beat: Fraction) -> str:
    """Write a beat so that `read_beat` gives it back: ``"2"``, ``"2.5"``, ``"1.667"``, longer if needed."""
    whole = beat.numerator // beat.denominator
    rest = beat - whole
    if rest == 0:
        return str(whole)
    for digits in range(1, 13):
        scaled = round(rest * 10**digits)
        if scaled == 10**digits:
            continue
        text = f"{whole}.{scaled:0{digits}d}"
        exact = Fraction(scaled, 10**digits) == rest
        if (exact or digits >= 3) and read_beat(text) == beat:
            return text
    return f"{whole}.{round(rest * 10**12):012d}"


def parse(text: str) -> Document:
    """Read the text into bars, copies filled in, without a score.

    Lines that cannot be read are left out and named in `problems`.
    """
    draft = _Draft()
    for number, raw in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        line = raw.replace("\xa0", " ").strip()
        if not line:
            continue
        head = _HEADER.fullmatch(line) if re.match(r"m\d", line) else None
        if head:
            draft.bar_line(number, line, head)
        elif line in _MARKS and draft.bars:
            draft.extend_last(line, number)
        elif tag := _TAG.fullmatch(line):
            draft.tag_line(number, line, tag[1].strip(), tag[2].strip())
        else:
            draft.problems.append(f"Line {number}: {line!r} is neither a bar nor a 'Name: text' line.")
    return draft.document()


@dataclass
class _Draft:
    """What has been read of a document so far; bars by (number, letter) in the order written."""

    bars: dict[tuple[int, str], BarText] = field(default_factory=dict)
    sections: list[tuple[tuple[int, str], str]] = field(default_factory=list)
    coming_sections: list[str] = field(default_factory=list)
    pedals: list[tuple[PitchClass, str, Fraction | None, str, Fraction | None]] = field(default_factory=list)
    notes: list[tuple[str, str]] = field(default_factory=list)
    header: list[tuple[str, str]] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    meter: Meter | None = None
    last_name: str = ""

    def bar_line(self, number: int, line: str, head: re.Match[str]) -> None:
        """Read ``m5 ...``, ``m5var1 ...``, ``m5-6 = m3-4``."""
        first, letter, until, variant, body = int(head[1]), head[2], head[3], head[5], head[6]
        self.last_name = f"{first}{letter}"
        copy = _COPY.fullmatch(body)
        if variant or body.startswith("var"):
            self.notes.append((self.last_name, line))
        elif copy:
            self.copy_bars(number, line, (first, int(until or first), letter), copy)
        elif until:
            self.problems.append(f"Line {number}: {line!r} names several bars without saying '= m...'.")
        else:
            self.put(BarText(first, letter, self.meter, _items(body, number), number))

    def copy_bars(self, number: int, line: str, to: tuple[int, int, str], copy: re.Match[str]) -> None:
        """Copy what is written in bars; a key stays in force until the copied text names another."""
        first, last, letter = to
        source_first, source_last = int(copy[1]), int(copy[3] or copy[1])
        if last - first != source_last - source_first:
            self.problems.append(f"Line {number}: {line!r} copies a different number of bars.")
        for k in range(min(last - first, source_last - source_first) + 1):
            source = self.bars.get((source_first + k, copy[2] if k == 0 else ""))
            if source is not None:
                items = source.items
            elif any(key[0] < source_first + k for key in self.bars):
                # The text skips that bar; what is copied is the chord that holds through it.
                items = self.held_before(source_first) if k == 0 else ()
            else:
                self.problems.append(f"Line {number}: {line!r} copies a bar that is not there.")
                continue
            name = f"{source_first + k}{copy[2] if k == 0 else ''}"
            self.put(
                BarText(first + k, letter if k == 0 else "", self.meter, items, number, copied_from=name)
            )
        if copy[5].strip():
            self.extend_last(copy[5], number)

    def held_before(self, number: int) -> tuple[Item, ...]:
        """The last numeral before a bar, as if written on its first beat."""
        held = [
            i for key, bar in self.bars.items() if key[0] < number for i in bar.items if i.kind == "numeral"
        ]
        return (replace(held[-1], beat=Fraction(1)),) if held else ()

    def extend_last(self, text: str, number: int) -> None:
        """Add marks that stand on a line of their own, or after a copy, to the end of the last bar."""
        if self.bars:
            key, bar = next(reversed(self.bars.items()))
            beat = bar.items[-1].beat if bar.items else Fraction(1)
            self.bars[key] = replace(bar, items=bar.items + _items(text, number, beat))

    def put(self, bar: BarText) -> None:
        """Add a bar; one written on two lines, as some analysts do at a change of section, is joined."""
        key = (bar.number, bar.letter)
        old = self.bars.get(key)
        self.bars[key] = replace(old, items=old.items + bar.items) if old else bar
        self.sections += [(key, name) for name in self.coming_sections]
        self.coming_sections.clear()

    def tag_line(self, number: int, line: str, tag: str, value: str) -> None:
        """Read ``Name: text``."""
        name = tag.lower()
        if name == "time signature":
            meter = Meter.parse(value)
            self.meter = meter or self.meter
            if meter is None:
                self.problems.append(f"Line {number}: {value!r} is not a time signature.")
        elif name == "form":
            self.coming_sections.append(value)
        elif "pedal" in name.split():
            # Written "Pedal: E m3 m4" and also "Pedal E: m3 m4" and "E pedal: m3 m4".
            pitch = re.sub(r"(?i)pedal", "", tag).strip()
            found = _pedal(f"{pitch} {value}".strip())
            if found:
                self.pedals.append(found)
            else:
                self.problems.append(f"Line {number}: {line!r} is not 'Pedal: pitch m.. b.. m.. b..'.")
        elif name == "note":
            self.notes.append((self.last_name, value))
        else:
            self.header.append((tag, value))

    def document(self) -> Document:
        """Return the document, the bars that the text skips put in."""
        filled: list[BarText] = []
        place: dict[tuple[int, str], int] = {}
        for key, bar in self.bars.items():
            if filled:
                for number in range(filled[-1].number + 1, bar.number):
                    filled.append(BarText(number, "", filled[-1].meter, (), bar.line, implied=True))
            place[key] = len(filled)
            filled.append(bar)
        return Document(
            tuple(filled),
            tuple((place[key], name) for key, name in self.sections),
            tuple(self.pedals),
            tuple(self.notes),
            tuple(self.header),
            tuple(self.problems),
        )


def _items(body: str, line: int, beat: Fraction = Fraction(1)) -> tuple[Item, ...]:
    items: list[Item] = []
    for token in body.split():
        m = _BEAT.fullmatch(token)
        if m:
            beat = read_beat(token[1:])
            continue
        if token in _MARKS:
            if token.startswith(":"):
                items.append(Item(beat, "close", token, line))
            if token.endswith(":"):
                items.append(Item(beat, "open", token, line))
            if token == "||":
                items.append(Item(beat, "phrase", token, line))
            continue
        key = _KEY.fullmatch(token)
        if key:
            items.append(Item(beat, "key", key[1], line))
            token = key[2]
            if not token:
                continue
        items.append(Item(beat, "numeral", token, line))
    return tuple(items)


def _pedal(text: str) -> tuple[PitchClass, str, Fraction | None, str, Fraction | None] | None:
    m = _PEDAL.match(re.sub(r"\bm\s+(\d)", r"m\1", text))
    if not m:
        return None
    pitch = PitchClass.parse(m[1])
    end = m[4] or m[2]
    return (pitch, m[2], read_beat(m[3]) if m[3] else None, end, read_beat(m[5]) if m[5] else None)


def bars_of(score: Score) -> tuple[Bar, ...]:
    """Return the score's bars with unique names: split measures joined, second endings lettered.

    Printed numbers are kept where they never fall; bars printed with the same number, as some editions
    do in second endings, are lettered. Where that does not make names unique (numbers missing or starting
    again), bars are counted from the first, from 0 in a pickup.
    """
    groups: list[list[Measure]] = []
    for measure in score.measures:
        if groups and measure.offset > 0 and _continues(groups[-1], measure):
            groups[-1].append(measure)
        else:
            groups.append([measure])
    printed = [_printed(group) for group in groups]
    order = [int(text.rstrip(_LETTERS)) for text in printed if text]
    names: list[str] = []
    if len(order) == len(groups) and order == sorted(order):
        for index, text in enumerate(printed):
            twins = text.isdigit() and printed.count(text) > 1
            names.append(text + (_LETTERS[min(index - printed.index(text), 25)] if twins else ""))
    if len(set(names)) != len(groups):
        first = 0 if groups and groups[0][0].offset > 0 else 1
        names = [str(first + k) for k in range(len(groups))]
    return tuple(
        Bar(name, g[0].start, g[-1].end, g[0].start - g[0].offset, tuple(measure.index for measure in g))
        for name, g in zip(names, groups, strict=True)
    )


def _continues(group: list[Measure], measure: Measure) -> bool:
    before = group[-1]
    return (
        before.offset + before.length == measure.offset
        and before.full_length == measure.full_length
        and before.ending == measure.ending
    )


def _printed(group: list[Measure]) -> str:
    """The first printed number in a bar that is one (``"12"``, ``"12a"``), else nothing."""
    texts = (measure.number.strip() for measure in group)
    return next((text for text in texts if re.fullmatch(r"\d+[a-z]?", text)), "")


def place_bars(document: Document, score: Score) -> dict[int, tuple[Fraction, Fraction]]:
    """Lay the text's bars on the score by number: bar index -> (time of beat 1, end of the bar).

    A letter (``m8a``) is looked for as printed, then as the n-th bar with that number; a number that
    the score lacks is left out.
    """
    bars = bars_of(score)
    by_name = {bar.name: bar for bar in bars}
    by_number: dict[str, list[Bar]] = {}
    for bar in bars:
        by_number.setdefault(bar.name.rstrip(_LETTERS), []).append(bar)
    placed: dict[int, tuple[Fraction, Fraction]] = {}
    for index, text in enumerate(document.bars):
        found = by_name.get(text.name)
        if found is None:
            same = by_number.get(str(text.number), [])
            nth = ord(text.letter) - ord("a") if text.letter else 0
            if nth < len(same):
                found = same[nth]
        if found is not None:
            placed[index] = (found.origin, found.end)
    return placed


def read_romantext(text: str, score: Score) -> tuple[Span, ...]:
    """Return the spans of a RomanText analysis in the score's exact time; see `read_analysis`."""
    return read_analysis(text, score).spans


def read_analysis(
    text: str | Document,
    score: Score,
    placed: Mapping[int, tuple[Fraction, Fraction]] | None = None,
) -> Analysis:
    """Lay an analysis on a score.

    `placed` gives for each bar index of the document the moment of its beat 1 and its end; the
    default is `place_bars`, which goes by printed numbers. A chord holds until the next one; where
    given bars leave a hole in the score, chords end at the hole. Bars that say the same moment twice
    (repeats written out) count once, the first time.
    """
    document = parse(text) if isinstance(text, str) else text
    problems = list(document.problems)
    where = dict(place_bars(document, score) if placed is None else placed)
    lengths = _beat_lengths(document, score)
    laid = _Laid(problems)
    taken: set[Fraction] = set()
    for index, bar in enumerate(document.bars):
        spot = where.get(index)
        if spot is None and not bar.implied and bar.items:
            problems.append(f"Line {bar.line}: the score has no bar {bar.name}.")
        repeated = spot is not None and spot[0] in taken
        if spot is not None:
            taken.add(spot[0])
        laid.bar(bar, spot, lengths[bar.meter], repeated)
    labels, phrase_ends = laid.labels, laid.phrase_ends
    spans = _close(labels, where, score, clip=placed is not None)
    ends = tuple(sorted({_phrase_end(time, spans, score) for time in phrase_ends}))
    sections = tuple((where[i][0], name) for i, name in document.sections if i in where)
    return Analysis(spans, ends, sections, _pedals(document, where, lengths), document.notes, tuple(problems))


@dataclass(slots=True)
class _Laid:
    """Labels and phrase ends as they are laid on a score, bar by bar, and what is wrong with the text."""

    problems: list[str]
    labels: dict[Fraction, Span] = field(default_factory=dict)
    phrase_ends: list[Fraction] = field(default_factory=list)
    key: Key | None = None

    def bar(
        self, bar: BarText, spot: tuple[Fraction, Fraction] | None, beat_length: Fraction, repeated: bool
    ) -> None:
        """Lay down a bar that lies at `spot` (None: nowhere); one that is `repeated` only sets the key."""
        last_time: Fraction | None = None
        for item in bar.items:
            time = spot[0] + (item.beat - 1) * beat_length if spot is not None else None
            if time is not None and spot is not None and not (min(spot) <= time <= spot[1]):
                if item.kind == "numeral":
                    self._wrong(item.line, f"bar {bar.name} has no beat {write_beat(item.beat)}.")
                time = None
            if item.kind == "key":
                self.key = Key.parse(item.text.replace("-", "b"))
            elif item.kind == "numeral":
                numeral = self._numeral(item.line, item.text)
                if numeral is not None and time is not None and not repeated:
                    self._label(time, numeral, again=last_time == time)
                    last_time = time
            elif item.kind == "phrase" and not repeated and spot is not None:
                self.phrase_ends.append(min(spot[1], time if time is not None else spot[1]))

    def _wrong(self, line: int, what: str) -> None:
        self.problems.append(f"Line {line}: {what}")

    def _numeral(self, line: int, text: str) -> RomanNumeral | None:
        try:
            numeral = parse_numeral(text)
        except ValueError as error:
            self._wrong(line, str(error))
            return None
        if self.key is None:
            self._wrong(line, f"{text!r} comes before any key.")
            return None
        return numeral

    def _label(self, time: Fraction, numeral: RomanNumeral, again: bool) -> None:
        """Set a label; one set `again` at the same moment in another key is the pivot's other name."""
        assert self.key is not None  # `_numeral` saw to it
        old = self.labels.get(time)
        if again and old is not None and old.key != self.key:
            self.labels[time] = replace(old, alternatives=(Alternative(self.key, numeral, 0.0),))
        else:
            self.labels[time] = Span(time, time, self.key, numeral, 1.0)


def _beat_lengths(document: Document, score: Score) -> dict[Meter | None, Fraction]:
    """Return what one beat lasts under each meter of the text; None is the score's own first meter.

    Where beats go past what the meter has, its written unit is meant: some analysts count 3/8 in
    three without saying "slow".
    """
    first = score.measures[0]
    plain = Meter(first.beats, first.beat_type, first.beat_length)
    tops: dict[Meter | None, Fraction] = {}
    for bar in document.bars:
        top = max((item.beat for item in bar.items), default=Fraction(1))
        tops[bar.meter] = max(top, tops.get(bar.meter, Fraction(1)))
    lengths: dict[Meter | None, Fraction] = {}
    for named, top in tops.items():
        meter = named or Meter.parse(f"{first.beats}/{first.beat_type}") or plain
        over = (top - 1) * meter.beat_length >= meter.length
        lengths[named] = Fraction(4, meter.beat_type) if over else meter.beat_length
    return lengths


def _close(
    labels: dict[Fraction, Span],
    where: Mapping[int, tuple[Fraction, Fraction]],
    score: Score,
    *,
    clip: bool,
) -> tuple[Span, ...]:
    """Give every label its end: the next label, the end of the score, or a hole in the bars."""
    times = sorted(labels)
    if not times:
        return ()
    holes: list[Fraction] = []
    if clip:
        reached: Fraction | None = None
        for start, end in sorted({(max(s, Fraction(0)), e) for s, e in where.values()}):
            if reached is not None and start > reached:
                holes.append(reached)
            reached = end if reached is None else max(reached, end)
        if reached is not None:
            holes.append(reached)
    spans = []
    for time, following in zip(times, [*times[1:], score.end], strict=True):
        begin = max(time, Fraction(0))
        position = bisect_right(holes, begin)
        end = min(following, holes[position]) if position < len(holes) else following
        if end > begin:
            spans.append(replace(labels[time], start=begin, end=end))
    return tuple(spans)


def _phrase_end(time: Fraction, spans: tuple[Span, ...], score: Score) -> Fraction:
    """Return where the phrase ends: the end of the span in which the mark stands."""
    span = span_at(spans, time)
    return min(time, score.end) if span is None else span.end


def _pedals(
    document: Document,
    where: Mapping[int, tuple[Fraction, Fraction]],
    lengths: Mapping[Meter | None, Fraction],
) -> tuple[Pedal, ...]:
    by_name = {bar.name: index for index, bar in reversed(list(enumerate(document.bars)))}
    found = []
    for pitch, first, first_beat, last, last_beat in document.pedals:
        i, j = by_name.get(first), by_name.get(last)
        if i is None or j is None or i not in where or j not in where:
            continue
        length = lengths[document.bars[i].meter]
        start = where[i][0] + ((first_beat or Fraction(1)) - 1) * length
        if last_beat is None:
            end = where[j][1]
        else:
            length = lengths[document.bars[j].meter]
            # A last beat that is the first beat as well means that one beat.
            end = where[j][0] + (last_beat - 1) * length
            if end <= start:
                end = start + length
        found.append(Pedal(max(start, Fraction(0)), end, pitch))
    return tuple(found)


def parse_numeral(text: str) -> RomanNumeral:
    """Read a numeral as published files spell it: `RomanNumeral.parse`, less a stray mark at its end and
    a bracketed comment on the target of an applied chord, and with ``[maj7]`` as ``maj7``.

    Raise ValueError with one sentence when it cannot be read.
    """
    plain = re.sub(r"(/[#b]*[ivIV]+)\[[^\]]*\]$", r"\1", text.strip().rstrip("/;,"))
    return RomanNumeral.parse(re.sub(r"7?\[maj7\]", "maj7", plain))


def write_romantext(reading: Reading, score: Score) -> str:
    """Write a reading as RomanText; `read_romantext` gives the same spans (times, keys, numerals) back.

    Cadence events become phrase ends. Bars are named by `bars_of`.
    """
    bars = bars_of(score)
    lines = []
    if score.composer:
        lines.append(f"Composer: {' '.join(score.composer.split())}")
    if score.title:
        lines.append(f"Title: {' '.join(score.title.split())}")
    if any(bar.name != score.measures[bar.measures[0]].number for bar in bars):
        lines.append("Note: bars with a repeated or missing printed number are lettered or counted.")
    meter: Meter | None = None
    key: Key | None = None
    # A phrase may end inside a chord that goes on under the next upbeat: the mark stands after the chord.
    ends = [event.end for event in reading.events if event.details.closes_phrase]
    spans = sorted(reading.spans, key=lambda span: span.start)
    position = 0
    for bar in bars:
        measure = score.measures[bar.measures[0]]
        here = _written_meter(measure)
        if here != meter:
            meter = here
            lines += ["", f"Time Signature: {meter.text}", ""]
        words: list[str] = []
        while position < len(spans) and spans[position].start < bar.end:
            span = spans[position]
            beat = 1 + (span.start - bar.origin) / meter.beat_length
            if beat != 1:
                words.append(f"b{write_beat(beat)}")
            if span.key != key:
                key = span.key
                words.append(f"{key.symbol}:")
            words.append(str(span.numeral))
            if any(span.start < end <= span.end for end in ends):
                words.append("||")
            position += 1
        if words:
            lines.append(" ".join([f"m{bar.name}", *words]))
    return "\n".join(lines).strip() + "\n"


def _written_meter(measure: Measure) -> Meter:
    """Return the meter as we write it: beats as printed players count them, 3/8 in three."""
    if measure.beats == 3:
        return Meter(3, measure.beat_type, Fraction(4, measure.beat_type))
    plain = Meter.parse(f"{measure.beats}/{measure.beat_type}")
    return plain or Meter(measure.beats, measure.beat_type, Fraction(4, measure.beat_type))
