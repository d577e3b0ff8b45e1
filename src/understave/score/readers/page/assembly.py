"""Sheets in, a `Score` out: bars put in time, heads given their pitch, ties joined."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import partial
from itertools import takewhile

from understave.errors import ScoreError
from understave.score.accidentals import key_alteration
from understave.score.model import Measure, Note, Part, Score
from understave.score.readers.page.bars import (
    BarOnPage,
    Clef,
    clef_at,
    clefs_of,
    find_meters,
    find_signatures,
    first_event,
)
from understave.score.readers.page.carried_signs import USUAL_CLEFS, Carried
from understave.score.readers.page.certainty import DOUBTFUL, Signs, confidence, signs_of
from understave.score.readers.page.curves import Ties, ties_of
from understave.score.readers.page.events import ACCIDENTALS, Event, Head, events_of, reach, usual_width
from understave.score.readers.page.ink import Box
from understave.score.readers.page.layout import Sheet, System
from understave.score.readers.page.marks import (
    NoteMarks,
    Ottava,
    Said,
    Surroundings,
    Timed,
    endings,
    number_directions,
    ottavas,
    part_names,
    title_and_composer,
)
from understave.score.readers.page.solving import FIRST_THIRDS, MORE_THIRDS, Bar, Solution, solve
from understave.score.readers.page.told_bar_lines import bars_told, mark_lines
from understave.score.readers.page.told_signs import Frame, Known, Told, known_of
from understave.score.readers.page.tuplets import Scaling, scalings
from understave.score.readers.page.unprinted_meter import METERS, Fitted, beat_of, infer_meter
from understave.score.remarks import Remark
from understave.score.timeline import Written, in_order, join_ties, lay_out
from understave.score.write import with_source
from understave.theory.pitch import LETTERS, Pitch


@dataclass(eq=False, slots=True)
class _Place:
    """A system of a page, and what is known of it; `offset` staves are missing above its first."""

    page: int
    sheet: Sheet
    system: System
    offset: int
    clefs: list[list[Clef]] = field(default_factory=list)
    ties: Ties = field(default_factory=Ties)
    ottavas: list[Ottava] = field(default_factory=list)


@dataclass(eq=False, slots=True)
class Solved:
    """A bar of the piece: where it stands, what holds in it, its rhythm, and signs that it may be wrong."""

    place: _Place
    on_page: BarOnPage
    signature: int
    meter: tuple[int, int, str]
    solution: Solution
    signs: Signs
    events: list[Event]
    in_triplets: Collection[int] = ()
    """Staves that hold triplets without figures."""
    start: Fraction = Fraction(0)
    settled: bool = False
    """Whether a person has said that it is right, or what it holds."""
    figures: frozenset[Box] = frozenset()
    """Figures that are those of its tuplets."""
    figured: bool = False
    """Whether it or a bar before it has such figures, or surely triplets without any."""

    @property
    def sure(self) -> float:
        """The probability that it is right, 0 to 1."""
        return 1.0 if self.settled else confidence(self.signs)


@dataclass(frozen=True, slots=True)
class _Unsolved:
    """A bar before it is put in time: where it stands, what is known of it, and the part of each staff."""

    place: _Place
    on_page: BarOnPage
    signature: int
    known: Known
    part_of: Sequence[int]


@dataclass(frozen=True, slots=True)
class PrintedBar:
    """A bar as it was read: where it stands, its signs of trouble, and how sure it is (0..1).

    `clefs` are the lowest lines of the clefs that hold at its first event, by staff of the score, in diatonic
    steps from C0; of a staff that is not printed there it is the usual one.
    """

    frame: Frame
    signs: Signs
    sure: float
    clefs: tuple[int, ...]


def assemble(
    sheets: Sequence[tuple[int, Sheet]], name: str, told: Sequence[Told] = ()
) -> tuple[Score, tuple[PrintedBar, ...]]:
    """Return the score of a piece's pages, each given with its number, and its bars as they stand there.

    `told` is what a person knows better.
    """
    usual = usual_width([sheet for _, sheet in sheets])
    most = max(len(system.staves) for _, sheet in sheets for system in sheet.systems)
    groups = _parts([system for _, sheet in sheets for system in sheet.systems if len(system.staves) == most])
    part_of = [p for p, (a, b) in enumerate(groups) for _ in range(a, b + 1)]
    unsolved: list[_Unsolved] = []
    signature = 0
    carried = Carried()
    frames: list[Frame] = []
    for page, sheet in sheets:
        for system in sheet.systems:
            place = _Place(page, sheet, system, most - len(system.staves))
            events = events_of(sheet, system, usual)
            low, high = reach(sheet, system)
            frame_of = partial(_frame, place, low=low, high=high)
            bars = bars_told(system, events, sheet.space, frame_of, told)
            symbols = [s for s in sheet.symbols if low <= s.box.y <= high]
            here = [frame_of(bar) for bar in bars]
            known = [known_of(frame, told) for frame in here]
            frames += here
            place.clefs = carried.clefs_held(clefs_of(system, symbols), place.offset, bars, known)
            place.ties = ties_of(sheet, system, events)
            place.ottavas = ottavas(sheet, system)
            find_meters(bars, system, symbols, sheet.space)
            held = signature
            signature = find_signatures(bars, sheet, system, place.clefs, signature)
            carried.sign_keys(bars, known)
            for x0, x1, times in endings(sheet, system):
                for bar in bars:
                    if x0 - 2 * sheet.space < (bar.x0 + bar.x1) / 2 < x1 + 2 * sheet.space:
                        bar.ending = times
            for bar, one in zip(bars, known, strict=True):
                mark_lines(bar, one)
                held = bar.signature if bar.signature is not None else held
                unsolved.append(_Unsolved(place, bar, held, one, part_of[place.offset :]))
    inferred = _unprinted_meter(unsolved)
    solved = _all_solved(unsolved, (*(inferred or METERS[0]), ""))
    if not any(event.heads for bar in solved for event in bar.on_page.events):
        raise ScoreError(
            Remark(
                "page_no_notes",
                "{file} has staves but no notes on them; there is nothing to read.",
                file=name,
            )
        )
    score = _score(solved, groups)
    if inferred:
        said = Remark(
            "page_no_meter",
            "No meter is printed where these pages begin, so {meter} was inferred: most bars add up in it. "
            "If it is another, set it once at the desk, at the first bar; it then holds until the next that "
            "is printed.",
            meter=f"{inferred[0]}/{inferred[1]}",
        )
        score = replace(score, warnings=(said, *score.warnings))
    title, composer = title_and_composer(sheets[0][1])
    printed = tuple(
        PrintedBar(frame, bar.signs, bar.sure, _clefs_at(bar, most))
        for frame, bar in zip(frames, solved, strict=True)
    )
    return with_source(replace(score, title=title, composer=composer)), printed


_AROUND = 5
"""Staff spaces above and below a system that are shown with it, where they are its own. Set by eye."""


def _frame(place: _Place, bar: BarOnPage, low: float, high: float) -> Frame:
    """Return where a bar stands; its system's ink lies between `low` and `high`."""
    space = place.sheet.space
    around = _AROUND * space
    heads = [head.box for event in bar.events for head in event.heads]
    # Notes on many leger lines belong to the bar too.
    lowest = min([place.system.staves[-1].y0 - around, *(box.y0 - space for box in heads)])
    highest = max([place.system.staves[0].y1 + around, *(box.y1 + space for box in heads)])
    bottom, top = max(low, lowest), min(high, highest)
    page = place.sheet.page
    left, right = bar.x0 / page.width, bar.x1 / page.width
    above, below = 1 - top / page.height, 1 - bottom / page.height
    if page.before is not None:
        corners = [page.before(x, y) for x in (left, right) for y in (above, below)]
        (left, *_, right), (above, *_, below) = (sorted(sides) for sides in zip(*corners, strict=True))
    return Frame(place.page, left, above, right, below)


def _unprinted_meter(unsolved: Sequence[_Unsolved]) -> tuple[int, int] | None:
    """Return the meter of the bars up to the first that prints one; None where it is printed or told."""
    bars = list(takewhile(lambda bar: bar.on_page.meter is None, unsolved))
    if not bars or bars[0].known.meter is not None:
        return None

    whole = [
        not _may_be_short(bar.on_page, first=not i) and bar.known.length is None for i, bar in enumerate(bars)
    ]

    def fitted(beats: int, unit: int) -> Iterator[Fitted]:
        before = None
        for bar, counts in zip(bars, whole, strict=True):
            before = _solved(bar, (beats, unit, ""), before)
            if counts or not any(whole):
                yield Fitted(before.signs.cost, before.solution.onsets, before.solution.values, before.events)

    return infer_meter(fitted)


def _all_solved(unsolved: Sequence[_Unsolved], meter: tuple[int, int, str]) -> list[Solved]:
    """Put all bars in time; `meter` holds until one is printed or told."""
    solved: list[Solved] = []
    for bar in unsolved:
        told = bar.known.meter
        meter = (*told, "") if told else bar.on_page.meter or meter
        solved.append(_solved(bar, meter, solved[-1] if solved else None))
        bar.place.sheet.figures |= solved[-1].figures
        _take(solved[-1], bar.known)
    return solved


def _take(bar: Solved, known: Known) -> None:
    """Let a bar be as it was told."""
    bar.settled = known.settled
    if known.length is not None:
        due = Fraction(4 * bar.meter[0], bar.meter[1])
        bar.solution = replace(bar.solution, length=known.length or due)


def _clefs_at(bar: Solved, most: int) -> tuple[int, ...]:
    found = {
        staff + bar.place.offset: clef_at(clefs, first_event(bar.on_page))
        for staff, clefs in enumerate(bar.place.clefs)
    }
    return tuple(
        clef.bottom if (clef := found.get(staff)) is not None else USUAL_CLEFS[staff > 0]
        for staff in range(most)
    )


def _parts(systems: Sequence[System]) -> list[tuple[int, int]]:
    """Return the parts that most full systems show."""
    counted = Counter(tuple(system.groups) for system in systems)
    return list(counted.most_common(1)[0][0])


def _may_be_short(bar: BarOnPage, *, first: bool) -> bool:
    """Say whether a bar may be an upbeat or a part of a bar: at either end of a piece or of its sections."""
    return first or bar.right is None or bar.right.lines > 1 or (bar.left is not None and bar.left.lines > 1)


def _solved(unsolved: _Unsolved, meter: tuple[int, int, str], before: Solved | None) -> Solved:
    place, bar = unsolved.place, unsolved.on_page
    length = Fraction(4 * meter[0], meter[1])
    timed = [e for e in bar.events if not e.grace]
    for event in timed:
        alone = all(e is event or e.staff != event.staff for e in timed)
        event.whole_bar = event.is_rest and event.value >= 4 and (alone or length <= 4)
    resting = any(e.whole_bar for e in timed)
    timed = [e for e in timed if not e.whole_bar]
    short = _may_be_short(bar, first=before is None)
    space = place.sheet.space
    best: tuple[Solution, Solution | None, Scaling] | None = None
    going_on = before.in_triplets if before is not None and before.place is place else ()
    figured = before is not None and before.figured
    first = FIRST_THIRDS[figured]
    known = range(len(place.system.staves)) if figured else going_on
    beat = _beat(meter)
    by_figures = scalings(timed, place.sheet, place.system, beat, known, going_on)
    for scaling, thirds, least in _readings(by_figures, MORE_THIRDS if going_on else first):
        if best is not None and best[0].cost <= least:
            continue
        asked = Bar(
            timed,
            scaling.values,
            length,
            beat if meter[1] >= 8 else Fraction(1),  # in alla breve too beams show quarter notes
            unsolved.part_of,
            space,
            may_be_short=short,
            thirds=thirds,
            going_on=going_on,
            first_thirds=first,
        )
        found, second = solve(asked)
        found = replace(found, cost=found.cost + scaling.price + (_BY_NOTE if found.thirds else 0.0))
        if best is None or found.cost < best[0].cost:
            best = found, second or (best[0] if best else None), scaling
    assert best is not None
    solution, second, scaling = best
    if not timed or (resting and solution.length < length and not short):
        solution = replace(solution, length=length)
    signs = signs_of(solution, second, length, any(e.grace for e in bar.events))
    in_triplets = {timed[i].staff for i in solution.thirds | scaling.unprinted} or (
        set() if timed else going_on
    )
    return Solved(
        place,
        bar,
        unsolved.signature,
        meter,
        solution,
        signs,
        timed,
        in_triplets,
        figures=scaling.figures,
        figured=figured or bool(scaling.figures) or bool(in_triplets and solution.cost < _SURE_THIRDS),
    )


_BY_NOTE = 0.5
"""What triplets without figures that are found note by note cost more than whole runs or staves of them. Set
by eye."""
_SURE_THIRDS = 4.0
"""What a bar may cost whose triplets without figures tell that there are more. Set by eye."""


def _readings(found: Sequence[Scaling], opening: float) -> Iterator[tuple[Scaling, Collection[int], float]]:
    """Yield ways to read a bar's tuplets, by its figures, then with triplets that have none: values, events
    that may be of such triplets, and what that costs at least; `opening` is what the first of those costs.
    """
    for scaling in found:
        yield scaling, (), scaling.price
    first = next(scaling for scaling in found if not scaling.unprinted)
    if first.loose:
        yield first, first.loose, first.price + opening + _BY_NOTE


def _beat(meter: tuple[int, int, str]) -> Fraction:
    """Return the length of the beats that beams fill, three units of a compound meter."""
    beats, unit, _ = meter
    return beat_of(beats, unit) if unit >= 8 else Fraction(4, unit)


def _score(solved: list[Solved], groups: list[tuple[int, int]]) -> Score:
    measures = []
    for i, bar in enumerate(solved):
        beats, unit, symbol = bar.meter
        left, right = bar.on_page.left, bar.on_page.right
        measures.append(
            Measure(
                id=f"m{i + 1}",
                index=i,
                number=str(i + 1),
                start=Fraction(0),
                length=bar.solution.length,
                beats=beats,
                beat_type=unit,
                signature=bar.signature,
                repeat_start=bool(left and left.dots_after),
                repeat_end=bool(right and right.dots_before),
                ending=bar.on_page.ending,
                symbol=symbol,
            )
        )
    fresh = {i + 1 for i, bar in enumerate(solved) if bar.on_page.right and bar.on_page.right.lines > 1}
    laid, warnings = lay_out(_numbered(measures), implicit=_upbeats(measures), fresh=fresh)
    for bar, measure in zip(solved, laid, strict=True):
        bar.start = measure.start
    names = part_names(solved[0].place.sheet, solved[0].place.system)
    parts = tuple(
        Part(f"P{k + 1}", names.get(a, "Piano" if b > a else ""), a + 1, b + 1)
        for k, (a, b) in enumerate(groups)
    )
    notes = _Notes(solved, parts)
    written = notes.all()
    directions = notes.surroundings()
    return Score(
        title="",
        composer="",
        parts=parts,
        measures=laid,
        notes=join_ties(written),
        directions=number_directions(directions),
        warnings=(*_doubts(solved, laid), *warnings, COMPARE, COPYRIGHT),
    )


COMPARE = Remark(
    "page_compare",
    "The notes were read from printed pages, and most mistakes go unnoticed; compare the score with your "
    "pages before you rely on it.",
)
COPYRIGHT = Remark(
    "page_copyright",
    "An edition may be protected by copyright though the piece is not; make sure that you may use this one.",
)
"""These two are said at every import: what is read may be wrong, and is a copy of somebody's page."""
_SHOWN = 20
"""Bars that are named, the least sure ones."""


def _doubts(solved: Sequence[Solved], laid: Sequence[Measure]) -> tuple[str, ...]:
    sure = [(bar.sure, m.index, m.number) for m, bar in zip(laid, solved, strict=True)]
    doubtful = sorted(bar for bar in sure if bar[0] < DOUBTFUL)
    if not doubtful:
        return ()
    shown = ", ".join(number for *_, number in sorted(doubtful[:_SHOWN], key=lambda bar: bar[1]))
    if len(doubtful) <= _SHOWN:
        few = Remark(
            "page_doubtful",
            "On the page these bars do not add up, or may be read otherwise: {bars}; look at them first.",
            bars=shown,
        )
        return (few,)
    many = Remark(
        "page_doubtful_many",
        "On the page these bars do not add up, or may be read otherwise: {bars} and {more} more; look at "
        "them first.",
        bars=shown,
        more=len(doubtful) - _SHOWN,
    )
    return (many,)


def _upbeats(measures: Sequence[Measure]) -> set[int]:
    first = measures[0]
    return {0} if first.length < first.full_length and len(measures) > 1 else set()


def _numbered(measures: list[Measure]) -> list[Measure]:
    if 0 not in _upbeats(measures):
        return measures
    return [replace(m, number=str(i)) for i, m in enumerate(measures)]


@dataclass(frozen=True, slots=True)
class _InBar:
    """What the notes of a bar have in common; `altered` holds the accidentals so far, by staff and step."""

    index: int
    bar: Solved
    voices: Mapping[int, str]
    altered: dict[tuple[int, int], int]


class _Notes:
    """Makes the written notes of all bars."""

    def __init__(self, solved: list[Solved], parts: Sequence[Part]) -> None:
        self.solved = solved
        self.parts = parts
        self.written: list[Written] = []
        self.of_head: dict[int, list[int]] = {}
        """Indexes of the written notes of a head; two where stems of two voices share it."""
        self.of_event: dict[int, list[tuple[Head, int]]] = {}
        self.timed: dict[int, list[Timed]] = {}
        """Events of each system by its place's id, with their moments."""
        self.coming: list[tuple[Pitch, int, Fraction]] = []
        self.going: list[tuple[Pitch, int, Fraction]] = []
        """Pitch, staff and end of the notes tied into a system and out of it."""

    def all(self) -> list[Written]:
        """Return all notes."""
        last: _Place | None = None
        for index, bar in enumerate(self.solved):
            if bar.place is not last:
                self.coming, self.going = self.going, []
                last = bar.place
            self._bar(_InBar(index, bar, _voice_names(bar, self.parts), {}))
        return self.written

    def _bar(self, inside: _InBar) -> None:
        bar = inside.bar
        timing = {
            id(event): (onset, value, voice)
            for event, onset, voice, value in zip(
                bar.events, bar.solution.onsets, bar.solution.voices, bar.solution.values, strict=True
            )
        }
        timed = self.timed.setdefault(id(bar.place), [])
        for event in bar.on_page.events:
            known = timing.get(id(event))
            if known is not None:
                timed.append(Timed(event, bar.start + known[0], bar.start + known[0] + known[1]))
            if event.is_rest:
                continue
            onset, value, voice = known or (*self._host(event, bar, timing), 0)[:3]
            for head in event.heads:
                self._note(
                    inside, event, head, onset, value, inside.voices.get(voice, str(4 * event.staff + 1))
                )

    def _host(
        self, event: Event, bar: Solved, timing: Mapping[int, tuple[Fraction, Fraction, int]]
    ) -> tuple[Fraction, Fraction, int]:
        """Return the moment and voice of the chord that a grace note leads to, and no duration."""
        after = [e for e in bar.events if e.x > event.x and e.staff == event.staff and not e.is_rest]
        before = [e for e in bar.events if e.x <= event.x and e.staff == event.staff]
        host = after[0] if after else before[-1] if before else None
        if host is None:
            return Fraction(0), Fraction(0), -1
        onset, _, voice = timing[id(host)]
        return onset, Fraction(0), voice

    def _note(
        self, inside: _InBar, event: Event, head: Head, onset: Fraction, value: Fraction, voice: str
    ) -> None:
        bar, place = inside.bar, inside.bar.place
        clef = clef_at(place.clefs[head.staff], head.box.x1) or Clef(0.0, USUAL_CLEFS[head.staff > 0])
        step = clef.step(head.position)
        key = (head.staff, step)
        start = bar.start + onset
        staff = head.staff + place.offset
        before = self._tied_from(place, head, start)
        coming = self._tied_in(place, head, staff, step, start)
        if head.accidental is not None:
            inside.altered[key] = ACCIDENTALS[head.accidental.name]
        alter = inside.altered.get(key)
        if alter is None and before is not None:
            alter = self.written[before].note.written.alter
        elif alter is None and coming is not None:
            alter = self.coming[coming][0].alter
        if alter is None:
            alter = key_alteration(bar.signature, LETTERS[step % 7])
        written = Pitch(LETTERS[step % 7], alter, step // 7)
        stop = False
        if before is not None and self.written[before].note.written == written:
            first = self.written[before]
            self.written[before] = Written(first.note, True, first.tie_stop)
            stop = True
        elif coming is not None and self.coming[coming][0] == written:
            self.coming.pop(coming)
            stop = True
        octaves = sum(o.octaves for o in place.ottavas if o.covers(head.staff, head.box.x, place.sheet.space))
        goes_out = head in place.ties.goes_out and bool(value)
        if goes_out:
            self.going.append((written, staff, start + value))
        number = len(self.written)
        self.of_head.setdefault(id(head), []).append(number)
        self.of_event.setdefault(id(event), []).append((head, number))
        note = Note(
            id=f"n{number + 1}",
            onset=start,
            duration=value,
            pitch=Pitch(written.letter, alter, written.octave + octaves),
            written=written,
            staff=staff + 1,
            voice=voice,
            part=next(k for k, p in enumerate(self.parts) if p.first_staff <= staff + 1 <= p.last_staff),
            measure=inside.index,
            ids=(f"n{number + 1}",),
            grace=event.grace,
        )
        self.written.append(Written(note, goes_out, stop))

    def _tied_from(self, place: _Place, head: Head, start: Fraction) -> int | None:
        """Return the index of the note that is tied into a head, None where none is."""
        other = place.ties.before.get(id(head))
        if other is None:
            return None
        return next((i for i in self.of_head.get(id(other), ()) if self.written[i].note.end == start), None)

    def _tied_in(self, place: _Place, head: Head, staff: int, step: int, start: Fraction) -> int | None:
        """Return which of the notes tied over the line break goes on in a head."""
        if head not in place.ties.comes_in:
            return None
        return next(
            (
                k
                for k, (pitch, on, end) in enumerate(self.coming)
                if on == staff and end == start and pitch.diatonic == step
            ),
            None,
        )

    def surroundings(self) -> list[Said]:
        """Give the notes what stands around them; return the directions."""
        out: list[Said] = []
        for place in dict.fromkeys(bar.place for bar in self.solved):
            ends = [
                (bar.on_page.x1, bar.start + bar.solution.length) for bar in self.solved if bar.place is place
            ]
            around = Surroundings(
                place.sheet, place.system, self.timed.get(id(place), []), ends, place.ties, place.offset
            )
            out += around.directions
            for event, marks in around.marks.items():
                self._put(self.of_event.get(event, []), marks)
            for line in place.ottavas:
                inside = [
                    t
                    for t in self.timed.get(id(place), ())
                    if line.covers(t.event.staff, t.event.x, place.sheet.space)
                ]
                if inside:
                    text = ("8v" if abs(line.octaves) == 1 else "15m") + ("a" if line.octaves > 0 else "b")
                    first, last = inside[0].moment, max(t.end for t in inside)
                    out.append(("ottava", first, last, line.staff + place.offset + 1, text, None))
        return out

    def _put(self, notes: list[tuple[Head, int]], marks: NoteMarks) -> None:
        if not notes:
            return
        by_height = sorted(notes, key=lambda n: n[0].box.y)
        fingers = sorted(marks.fingering)
        for k, (_, digit) in enumerate(fingers):
            self._change(by_height[min(k, len(by_height) - 1)][1], fingering=(digit,))
        first = notes[0][1]
        self._change(
            first,
            articulations=tuple(dict.fromkeys(marks.articulations)),
            ornaments=tuple(dict.fromkeys(marks.ornaments)),
        )
        note = replace(self.written[first].note, fermata=marks.fermata, lyrics=tuple(marks.lyrics))
        self.written[first] = replace(self.written[first], note=note)
        if marks.arpeggiated:
            for _, number in notes:
                note = self.written[number].note
                self.written[number] = replace(self.written[number], note=replace(note, arpeggiated=True))
        for kind, y in marks.slurs:
            self._change(min(notes, key=lambda n: abs(n[0].box.y - y))[1], articulations=(kind,))

    def _change(
        self,
        number: int,
        *,
        articulations: tuple[str, ...] = (),
        ornaments: tuple[str, ...] = (),
        fingering: tuple[str, ...] = (),
    ) -> None:
        note = self.written[number].note
        note = replace(
            note,
            articulations=in_order((*note.articulations, *articulations)),
            ornaments=(*note.ornaments, *ornaments),
            fingering=(*note.fingering, *fingering),
        )
        self.written[number] = replace(self.written[number], note=note)


def _voice_names(bar: Solved, parts: Sequence[Part]) -> dict[int, str]:
    """Number voices as MusicXML files do: 1 to 4 on the first staff of a part, then from 5 on; stems up
    first.
    """
    first: dict[int, Event] = {}
    ways: dict[int, list[int]] = {}
    for event, voice in zip(bar.events, bar.solution.voices, strict=True):
        first.setdefault(voice, event)
        ways.setdefault(voice, []).append(event.way)
    names: dict[int, str] = {}
    count: Counter[int] = Counter()
    for voice in sorted(first, key=lambda v: (first[v].staff, -sum(ways[v]), -first[v].y)):
        staff = first[voice].staff
        part = next(p for p in parts if p.first_staff <= staff + bar.place.offset + 1 <= p.last_staff)
        within = staff + bar.place.offset + 1 - part.first_staff
        names[voice] = str(4 * within + count[staff] + 1)
        count[staff] += 1
    return names
