"""Sheets in, a `Score` out: bars put in time, heads given their pitch, ties joined."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from understave.errors import ScoreError
from understave.score.model import Measure, Note, Part, Score
from understave.score.readers.page.bars import (
    BarOnPage,
    Clef,
    clef_at,
    clefs_of,
    cut_into_bars,
    find_meters,
    find_signatures,
)
from understave.score.readers.page.curves import Ties, ties_of
from understave.score.readers.page.events import ACCIDENTALS, Event, Head, events_of, reach, usual_width
from understave.score.readers.page.layout import Sheet, System
from understave.score.readers.page.rhythm import Solution, solve
from understave.score.readers.page.tuplets import scalings
from understave.score.timeline import Written, join_ties, lay_out
from understave.score.write import with_source
from understave.theory.pitch import Pitch

_LETTERS = "CDEFGAB"
_SHARP_ORDER = "FCGDAEB"
_DOUBTFUL = 3.0
"""Cost from which a bar is named as one to look at: something in it does not add up."""


@dataclass(eq=False, slots=True)
class Solved:
    """A bar of the piece: where it stands, what holds in it, and the best reading of its rhythm."""

    page: int
    sheet: Sheet
    system: System
    on_page: BarOnPage
    clefs: list[list[Clef]]
    signature: int
    meter: tuple[int, int, str]
    solution: Solution
    second: Solution | None
    events: list[Event]
    values: list[Fraction]
    staff_offset: int
    ties: Ties
    start: Fraction = Fraction(0)
    notes: list[tuple[Head, int]] = field(default_factory=list)
    """Its heads with the index of their written note."""

    @property
    def confidence(self) -> float:
        """How sure the bar is, 0 to 1: how well it adds up, and how much better than the second-best."""
        return 1 / (1 + self.solution.cost / 4)


def assemble(sheets: Sequence[tuple[int, Sheet]], name: str) -> tuple[Score, list[Solved]]:
    """Return the score of a piece's pages (each with its number), and its bars as they were solved."""
    usual = usual_width([sheet for _, sheet in sheets])
    most = max(len(system.staves) for _, sheet in sheets for system in sheet.systems)
    groups = _parts([system for _, sheet in sheets for system in sheet.systems if len(system.staves) == most])
    part_of = [p for p, (a, b) in enumerate(groups) for _ in range(a, b + 1)]
    solved: list[Solved] = []
    signature, meter = 0, None
    for page, sheet in sheets:
        for system in sheet.systems:
            events = events_of(sheet, system, usual)
            bars = cut_into_bars(system, events, sheet.space)
            low, high = reach(sheet, system)
            symbols = [s for s in sheet.symbols if low <= s.box.y <= high]
            clefs = clefs_of(system, symbols)
            find_meters(bars, system, symbols, sheet.space)
            signature_before = signature
            signature = find_signatures(bars, sheet, system, clefs, signature)
            ties = ties_of(sheet, system, events)
            offset = most - len(system.staves)
            held = signature_before
            for bar in bars:
                held = bar.signature if bar.signature is not None else held
                meter = bar.meter or meter
                first = not solved
                solved.append(
                    _solved(
                        page, sheet, system, bar, clefs, held, meter or (4, 4, ""), part_of[offset:], first
                    )
                )
                solved[-1].staff_offset = offset
                solved[-1].ties = ties
    if not any(event.heads for bar in solved for event in bar.events):
        raise ScoreError(f"{name} has staves but no notes on them; there is nothing to read.")
    return _score(solved, groups, name), solved


def _parts(systems: Sequence[System]) -> list[tuple[int, int]]:
    """Return the parts that most full systems show."""
    counted = Counter(tuple(system.groups) for system in systems)
    return list(counted.most_common(1)[0][0])


def _solved(
    page: int,
    sheet: Sheet,
    system: System,
    bar: BarOnPage,
    clefs: list[list[Clef]],
    signature: int,
    meter: tuple[int, int, str],
    part_of: Sequence[int],
    first: bool,
) -> Solved:
    length = Fraction(4 * meter[0], meter[1])
    timed = [e for e in bar.events if not e.grace]
    for event in timed:
        others = [e for e in timed if e.staff == event.staff and e is not event]
        event.whole_bar = event.is_rest and event.value >= 4 and (not others or length <= 4)
    timed = [e for e in timed if not e.whole_bar]
    short = first or bar.right is None or bar.right.lines > 1 or (bar.left is not None and bar.left.lines > 1)
    best: tuple[Solution, Solution | None, list[Fraction]] | None = None
    for values, price in scalings(timed, sheet, system, _beat(meter)):
        if best is not None and best[0].cost <= price:
            continue
        found, second = solve(timed, values, length, part_of, sheet.space, may_be_short=short)
        found = Solution(found.onsets, found.voices, found.length, found.cost + price)
        if best is None or found.cost < best[0].cost:
            if best is not None and second is None:
                second = best[0]
            best = found, second, values
    assert best is not None
    solution, second, values = best
    if not timed or any(e.whole_bar for e in bar.events):
        solution = Solution(
            solution.onsets,
            solution.voices,
            max(length, solution.length) if not timed else solution.length,
            solution.cost,
        )
    return Solved(
        page, sheet, system, bar, clefs, signature, meter, solution, second, timed, values, 0, Ties()
    )


def _beat(meter: tuple[int, int, str]) -> Fraction:
    """Return the length of the beats that beams fill, three units of a compound meter."""
    beats, unit, _ = meter
    return Fraction(12 if beats % 3 == 0 and beats > 3 and unit >= 8 else 4, unit)


def _score(solved: list[Solved], groups: list[tuple[int, int]], name: str) -> Score:
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
                symbol=symbol,
            )
        )
    fresh = {i + 1 for i, bar in enumerate(solved) if bar.on_page.right and bar.on_page.right.lines > 1}
    laid, warnings = lay_out(_numbered(measures), implicit=_upbeats(measures), fresh=fresh)
    for bar, measure in zip(solved, laid, strict=True):
        bar.start = measure.start
    parts = tuple(Part(f"P{k + 1}", "", a + 1, b + 1) for k, (a, b) in enumerate(groups))
    written = _Notes(solved, parts).all()
    doubtful = [m.number for m, bar in zip(laid, solved, strict=True) if bar.solution.cost >= _DOUBTFUL]
    if doubtful:
        shown = ", ".join(doubtful[:12]) + (" and so on" if len(doubtful) > 12 else "")
        warnings = (
            f"On the page these bars do not add up as they were read: {shown}; look at them first.",
            *warnings,
        )
    score = Score(
        title="",
        composer="",
        parts=parts,
        measures=laid,
        notes=join_ties(written),
        warnings=warnings,
    )
    return with_source(score)


def _upbeats(measures: Sequence[Measure]) -> set[int]:
    first = measures[0]
    return {0} if first.length < first.full_length and len(measures) > 1 else set()


def _numbered(measures: list[Measure]) -> list[Measure]:
    from dataclasses import replace

    if 0 not in _upbeats(measures):
        return measures
    return [replace(m, number=str(i)) for i, m in enumerate(measures)]


class _Notes:
    """Makes the written notes of all bars."""

    def __init__(self, solved: list[Solved], parts: Sequence[Part]) -> None:
        self.solved = solved
        self.parts = parts
        self.written: list[Written] = []
        self.note_of: dict[int, list[int]] = {}
        """Indexes of the written notes of a head; two where stems of two voices share it."""

    def all(self) -> list[Written]:
        """Return all notes."""
        waiting: list[tuple[int, int, Fraction]] = []  # midi, staff and end of notes tied over a line break
        last_system: System | None = None
        for index, bar in enumerate(self.solved):
            if bar.system is not last_system:
                coming, waiting = waiting, []
                last_system = bar.system
            self._bar(index, bar, coming, waiting)
        return self.written

    def _bar(
        self,
        index: int,
        bar: Solved,
        coming: list[tuple[int, int, Fraction]],
        waiting: list[tuple[int, int, Fraction]],
    ) -> None:
        altered: dict[tuple[int, int], int] = {}
        voices = _voice_names(bar, self.parts)
        onset_of = {id(e): t for e, t in zip(bar.events, bar.solution.onsets, strict=True)}
        value_of = {id(e): v for e, v in zip(bar.events, bar.values, strict=True)}
        place_of = {id(e): k for e, k in zip(bar.events, bar.solution.voices, strict=True)}
        for event in bar.on_page.events:
            if event.is_rest:
                continue
            if event.grace:
                host = next((e for e in bar.events if e.x > event.x and e.staff == event.staff), None)
                host = host or next((e for e in reversed(bar.events) if e.staff == event.staff), None)
                onset, value = (onset_of[id(host)] if host else Fraction(0)), Fraction(0)
                voice = voices[place_of[id(host)]] if host else str(4 * event.staff + 1)
            else:
                onset, value, voice = onset_of[id(event)], value_of[id(event)], voices[place_of[id(event)]]
            for head in event.heads:
                self._note(index, bar, event, head, onset, value, voice, altered, coming, waiting)

    def _note(
        self,
        index: int,
        bar: Solved,
        event: Event,
        head: Head,
        onset: Fraction,
        value: Fraction,
        voice: str,
        altered: dict[tuple[int, int], int],
        coming: list[tuple[int, int, Fraction]],
        waiting: list[tuple[int, int, Fraction]],
    ) -> None:
        clef = clef_at(bar.clefs[head.staff], head.box.x1) or Clef(0.0, 30 if head.staff == 0 else 18)
        step = clef.step(head.position)
        key = (head.staff, step)
        start = bar.start + onset
        before = self._tied_from(bar, head, step, start)
        if head.accidental is not None:
            altered[key] = ACCIDENTALS[head.accidental.name]
            alter = altered[key]
        elif before is not None and key not in altered:
            alter = self.written[before].note.written.alter
        else:
            alter = altered.get(key, _in_key(bar.signature, step))
        pitch = Pitch(_LETTERS[step % 7], alter, step // 7)
        stop = False
        if before is not None:
            first = self.written[before]
            if first.note.midi == pitch.midi:
                self.written[before] = Written(first.note, True, first.tie_stop)
                stop = True
        staff = head.staff + bar.staff_offset
        if head in bar.ties.comes_in:
            for k, (midi, on, end) in enumerate(coming):
                letter = pitch.midi if head.accidental is not None else midi
                if on == staff and end == start and abs(midi - pitch.midi) <= 1 and letter == midi:
                    pitch = _spelled(midi, step) or pitch
                    stop = True
                    coming.pop(k)
                    break
        goes_out = head in bar.ties.goes_out
        if goes_out and value:
            waiting.append((pitch.midi, staff, start + value))
        number = len(self.written)
        self.note_of.setdefault(id(head), []).append(number)
        self.written.append(
            Written(
                Note(
                    id=f"n{number + 1}",
                    onset=start,
                    duration=value,
                    pitch=pitch,
                    written=pitch,
                    staff=staff + 1,
                    voice=voice,
                    part=next(
                        k for k, p in enumerate(self.parts) if p.first_staff <= staff + 1 <= p.last_staff
                    ),
                    measure=index,
                    ids=(f"n{number + 1}",),
                    grace=event.grace,
                ),
                goes_out and bool(value),
                stop,
            )
        )

    def _tied_from(self, bar: Solved, head: Head, step: int, start: Fraction) -> int | None:
        """Return the index of the note that is tied into a head, None where none is."""
        other = bar.ties.before.get(id(head))
        if other is None:
            return None
        return next((i for i in self.note_of.get(id(other), ()) if self.written[i].note.end == start), None)


def _spelled(midi: int, step: int) -> Pitch | None:
    natural = Pitch(_LETTERS[step % 7], 0, step // 7)
    alter = midi - natural.midi
    return Pitch(_LETTERS[step % 7], alter, step // 7) if abs(alter) <= 2 else None


def _in_key(signature: int, step: int) -> int:
    letter = _LETTERS[step % 7]
    if signature > 0 and letter in _SHARP_ORDER[:signature]:
        return 1
    if signature < 0 and letter in _SHARP_ORDER[::-1][:-signature]:
        return -1
    return 0


def _voice_names(bar: Solved, parts: Sequence[Part]) -> dict[int, str]:
    """Number voices as MusicXML files do: 1 to 4 on the first staff of a part, then from 5 on; stems up first."""
    first: dict[int, Event] = {}
    ways: dict[int, list[int]] = {}
    for event, voice in zip(bar.events, bar.solution.voices, strict=True):
        first.setdefault(voice, event)
        ways.setdefault(voice, []).append(event.way)
    names: dict[int, str] = {}
    count: Counter[int] = Counter()
    for voice in sorted(first, key=lambda v: (first[v].staff, -sum(ways[v]), -first[v].y)):
        staff = first[voice].staff
        part = next(p for p in parts if p.first_staff <= staff + bar.staff_offset + 1 <= p.last_staff)
        within = staff + bar.staff_offset + 1 - part.first_staff
        names[voice] = str(4 * within + count[staff] + 1)
        count[staff] += 1
    return names
