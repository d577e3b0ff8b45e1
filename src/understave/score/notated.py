"""Notes of a `Score` in, what is printed for them out: values, ties, rests, tuplets, beams, clefs.

Nothing here knows a file format. Rules of notation are common practice (no source) unless one is named.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from heapq import heappop, heappush
from itertools import groupby
from math import gcd, lcm

from understave.score.model import Measure, Note, Score
from understave.score.readers.musicxml_time import TYPES
from understave.theory.pitch import Pitch, PitchClass

_NAMES = {value: name for name, value in TYPES.items()}
_SHORTEST = Fraction(1, 256)


LARGEST_TUPLET = 127
"""Most notes that are printed as one tuplet; lengths that would need more have no printed value.

Without a bound a damaged file keeps the search for values busy for hours.
"""


@dataclass(frozen=True, slots=True)
class Value:
    """A printed note value: its type's name, dots, and notes played in the time of others (3 in 2)."""

    type: str
    dots: int = 0
    actual: int = 1
    normal: int = 1


def _odd(number: int) -> int:
    """Largest odd divisor."""
    while number % 2 == 0:
        number //= 2
    return number


def _normal(actual: int) -> int:
    """Notes in whose time a tuplet of so many notes is played: the power of two below (3 in 2, 5 in 4)."""
    normal = 1
    while normal * 2 < actual:
        normal *= 2
    return normal


def value_of(duration: Fraction) -> Value | None:
    """Return the single printed value of a duration in quarter notes, or None if it has none."""
    return _value(duration.numerator, duration.denominator)


@lru_cache(maxsize=4096)
def _value(numerator: int, denominator: int) -> Value | None:
    """The same of a length as a fraction in lowest terms."""
    actual = _odd(denominator)
    if numerator <= 0 or actual > LARGEST_TUPLET:
        return None
    normal = _normal(actual)
    # Outside its tuplet the length is numerator / plain; of the numerator the odd part tells the dots.
    plain = denominator // actual * normal
    dotted = _odd(numerator)
    dots = dotted.bit_length() - 1
    if dots > 3 or dotted != 2 ** (dots + 1) - 1:
        return None
    base = Fraction(numerator // dotted * 2**dots, plain)
    if base in _NAMES and base >= _SHORTEST:
        return Value(_NAMES[base], dots, actual, normal)
    return None


@lru_cache(maxsize=LARGEST_TUPLET)
def _printable(actual: int) -> tuple[tuple[int, int], ...]:
    """Values, plain and dotted, in a tuplet of so many notes, as (numerator, denominator), shortest first."""
    lengths = {
        base * Fraction(dot * _normal(actual), 2 * actual) for base in TYPES.values() for dot in (2, 3)
    }
    return tuple((x.numerator, x.denominator) for x in sorted(lengths) if value_of(x) is not None)


@lru_cache(maxsize=4096)
def split_value(start: Fraction, duration: Fraction, limit: int = 12) -> tuple[Fraction, ...]:
    """Split a duration into printable ones, at the strongest places of the bar.

    `start` is the place in the bar; a place is stronger the smaller its denominator is.
    """
    pieces: list[Fraction] = []
    while duration > 0 and value_of(duration) is None and len(pieces) < limit:
        first = _strongest(start, duration)
        if first is None:
            break
        pieces.append(first)
        start, duration = start + first, duration - first
    return (*pieces, duration) if duration > 0 else tuple(pieces)


def _strongest(start: Fraction, duration: Fraction) -> Fraction | None:
    """Return the printable length under `duration` that ends at the strongest place, the longest of several.

    Counts in whole numbers: a damaged file asks for thousands of lengths, each with hundreds of candidates.
    """
    odd = _odd(lcm(duration.denominator, start.denominator))
    best: tuple[int, int, int] | None = None
    at, unit = start.numerator, start.denominator
    length, parts = duration.numerator, duration.denominator
    for actual in range(1, min(odd, LARGEST_TUPLET) + 1, 2):
        for numerator, denominator in _printable(actual) if odd % actual == 0 else ():
            if numerator * parts >= length * denominator:
                break
            whole = unit * denominator
            rank = whole // gcd(at * denominator + numerator * unit, whole)
            longer = best is None or numerator * best[2] > best[1] * denominator
            if best is None or rank < best[0] or (rank == best[0] and longer):
                best = (rank, numerator, denominator)
    return None if best is None else Fraction(best[1], best[2])


@dataclass(slots=True)
class Piece:
    """A written note of a bar, timed from its start."""

    note: Note
    id: str
    onset: Fraction
    duration: Fraction
    staff: int
    tie_start: bool
    tie_stop: bool


@dataclass(slots=True)
class Event:
    """A chord, a grace chord or a rest of one voice."""

    onset: Fraction
    duration: Fraction
    pieces: list[Piece]
    staff: int
    grace: bool = False
    tuplet: str = ""
    beams: tuple[str, ...] = ()

    @property
    def end(self) -> Fraction:
        """Moment in the bar at which it ends."""
        return self.onset + self.duration


def _pieces(note: Note, measures: Sequence[Measure]) -> Iterator[tuple[int, Fraction, Fraction]]:
    """Bars that a note fills: index, onset in the bar, printable duration."""
    if note.grace or note.duration == 0:
        measure = measures[note.measure]
        yield note.measure, min(note.onset - measure.start, measure.length), Fraction(0)
        return
    onset, left, i = note.onset, note.duration, note.measure
    while left > 0 and i < len(measures):
        measure = measures[i]
        here = left if i == len(measures) - 1 else min(left, measure.end - onset)
        if here > 0:
            at = onset - measure.start
            for piece in split_value(at + measure.offset, here):
                yield i, at, piece
                at += piece
            onset, left = onset + here, left - here
        i += 1


def cut(score: Score) -> tuple[dict[tuple[int, int], list[Piece]], list[tuple[str, ...]]]:
    """Cut all notes; return the pieces of each (part, measure) and every note's ids as written."""
    bars: dict[tuple[int, int], list[Piece]] = {}
    ids: list[tuple[str, ...]] = []
    taken = {i for note in score.notes for i in note.ids}
    for note in score.notes:
        cut = list(_pieces(note, score.measures))
        names: list[str] = []
        for k, (i, at, duration) in enumerate(cut):
            if k < len(note.ids):
                name = note.ids[k]
            else:
                name, extra = f"{note.id}-t{k + 1}", 1
                while name in taken:
                    extra += 1
                    name = f"{note.id}-t{k + 1}.{extra}"
                taken.add(name)
            names.append(name)
            piece = Piece(note, name, at, duration, note.staff, k + 1 < len(cut), k > 0)
            bars.setdefault((note.part, i), []).append(piece)
        ids.append(tuple(names))
    return bars, ids


def joined(pieces: Iterable[Piece]) -> Iterator[tuple[Piece, tuple[str, ...]]]:
    """Join the pieces of each note of one bar; yield it whole, with the ids by which it is written there."""
    by_note: dict[int, list[Piece]] = {}
    for piece in pieces:
        by_note.setdefault(id(piece.note), []).append(piece)
    for own in by_note.values():
        duration = sum((piece.duration for piece in own), Fraction(0))
        yield replace(own[0], duration=duration, tie_start=own[-1].tie_start), tuple(p.id for p in own)


Slurs = dict[str, list[tuple[str, str]]]
"""Slurs by the id of the written note that has their end: ``("start", "1")``, ``("stop", "1")``."""


_STRAY = "16"
"""Number of the ends of slurs that begin nowhere; MusicXML has numbers up to 16."""


@dataclass(slots=True)
class _Slur:
    start: Piece
    first_bar: int
    last_bar: int = 1_000_000
    stop: Piece | None = None


def pair_slurs(score: Score, part: int, bars: dict[tuple[int, int], list[Piece]]) -> Slurs:
    """Pair the ends of slurs in one part and number them, so that those in one bar have different numbers.

    An end belongs to the slur begun last in its voice, else on its staff, else anywhere in the part.
    Over a tied note a slur reaches its last written note and begins at its first; where one ends and
    another begins on a tied note, the first ends where the note begins.
    """
    ends: list[tuple[Fraction, bool, int, Piece]] = []
    for (owner, index), pieces in bars.items():
        for p in pieces if owner == part else ():
            marks = p.note.articulations
            passing = "slur-stop" in marks and "slur-start" in marks
            moment = score.measures[index].start + p.onset
            if not (p.tie_stop if passing else p.tie_start):
                ends += [(moment, False, index, p)] * marks.count("slur-stop")
            if not (p.tie_start if passing else p.tie_stop):
                ends += [(moment, True, index, p)] * marks.count("slur-start")
    # Every running slur waits in three places; where it has been closed from another, it is passed over.
    running: dict[tuple[object, ...], list[_Slur]] = defaultdict(list)
    done: list[_Slur] = []
    stops: Slurs = {}
    stray: Slurs = {}
    starts: Slurs = {}
    for _, begins, index, piece in sorted(ends, key=lambda e: e[:2]):
        places = ((piece.staff, piece.note.voice), (piece.staff,), ())
        if begins:
            done.append(_Slur(piece, index))
            for place in places:
                running[place].append(done[-1])
            continue
        slur = next((slur for place in places if (slur := _latest(running[place])) is not None), None)
        if slur is None:
            stray.setdefault(piece.id, []).append(("stop", _STRAY))
        else:
            slur.stop, slur.last_bar = piece, index
    # Numbers in use, those free first at the head: a slur takes the smallest that no slur in its bars has.
    taken: list[tuple[int, int]] = []
    free: list[int] = []
    most = 0
    for slur in done:
        while taken and taken[0][0] < slur.first_bar:
            heappush(free, heappop(taken)[1])
        most += not free
        number = heappop(free) if free else most
        heappush(taken, (slur.last_bar, number))
        shown = str((number - 1) % 15 + 1)
        if slur.stop is not None:
            stops.setdefault(slur.stop.id, []).append(("stop", shown))
        starts.setdefault(slur.start.id, []).append(("start", shown))
    found = dict.fromkeys((*stray, *stops, *starts))
    return {i: [*reversed(stops.get(i, [])), *stray.get(i, []), *starts.get(i, [])] for i in found}


def _latest(running: list[_Slur]) -> _Slur | None:
    """Return the slur begun last that is still open, and forget those that are not."""
    while running and running[-1].stop is not None:
        running.pop()
    return running[-1] if running else None


def name_voices(score: Score) -> dict[tuple[int, int, str], str]:
    """Name the voice of each (part, staff, voice label): a label shared by staves becomes several.

    A label that only ever sounds once at a time is one voice crossing staves and keeps its name.
    """
    spans: dict[tuple[int, str], list[tuple[Fraction, Fraction, int]]] = {}
    for note in score.notes:
        if not note.grace:
            spans.setdefault((note.part, note.voice), []).append((note.onset, note.end, note.staff))
    out: dict[tuple[int, int, str], str] = {}
    for p in range(len(score.parts)):
        used: set[str] = set()
        pairs = sorted({(note.voice, note.staff) for note in score.notes if note.part == p}, key=natural)
        for label, group in groupby(pairs, key=lambda x: x[0]):
            staves = [s for _, s in group]
            if len(staves) > 1 and not _clash(spans.get((p, label), [])):
                for s in staves:
                    out[p, s, label] = label
                used.add(label)
                continue
            for s in staves:
                name, k = label, 1
                while name in used:
                    k += 1
                    name = str(k) if label.isdigit() else f"{label}.{k}"
                out[p, s, label] = name
                used.add(name)
    return out


def natural(pair: tuple[str, int]) -> tuple[int, str, int]:
    """Sort key for voice labels and staves: numbers by size, words after their letters."""
    return (int(pair[0]) if pair[0].isdigit() and len(pair[0]) < 9 else 0, pair[0], pair[1])


def _clash(spans: list[tuple[Fraction, Fraction, int]]) -> bool:
    """Say whether notes on different staves overlap without being one chord."""
    last: tuple[Fraction, Fraction, int] | None = None
    for span in sorted(spans):
        if last is not None and span[0] < last[1] and span[2] != last[2] and span[:2] != last[:2]:
            return True
        if last is None or span[1] >= last[1]:
            last = span
    return False


def _in_line(piece: Piece) -> tuple[Fraction, bool, int, int]:
    # Grace notes come first and keep their order.
    return (
        piece.onset,
        piece.duration > 0,
        piece.staff if piece.duration else 0,
        piece.note.midi if piece.duration else 0,
    )


def streams(pieces: list[Piece], name: str) -> list[tuple[str, list[Event]]]:
    """Pack the pieces of one voice in one bar into lines without overlap; chords are one event."""
    chords: dict[tuple[Fraction, Fraction], Event] = {}
    events: list[Event] = []
    for piece in sorted(pieces, key=_in_line):
        if piece.note.grace or piece.duration == 0:
            events.append(Event(piece.onset, Fraction(0), [piece], piece.staff, grace=True))
            continue
        event = chords.get((piece.onset, piece.duration))
        if event is None:
            event = chords[piece.onset, piece.duration] = Event(
                piece.onset, piece.duration, [piece], piece.staff
            )
            events.append(event)
        else:
            event.pieces.append(piece)
    lines: list[list[Event]] = []
    for e in events:
        for line in lines:
            if line[-1].end <= e.onset:
                line.append(e)
                break
        else:
            lines.append([e])
    return [(name if k == 0 else f"{name}.{k + 1}", line) for k, line in enumerate(lines)]


def _rests(start: Fraction, end: Fraction, measure: Measure, staff: int) -> list[Event]:
    """Rests that fill a gap, cut at the beats; what a bar holds beyond its meter, in bars of that meter."""
    out: list[Event] = []
    beat = measure.beat_length if end - start <= measure.full_length else measure.full_length
    at = start
    while at < end:
        place = at + measure.offset
        stop = min(end, (place // beat + 1) * beat - measure.offset)
        for piece in split_value(place, stop - at):
            out.append(Event(at, piece, [], staff))
            at += piece
    return out


def filled(line: list[Event], measure: Measure, staff: int) -> list[Event]:
    """Return a line with rests in all its gaps."""
    out: list[Event] = []
    at = Fraction(0)
    for event in line:
        if event.onset > at:
            out += _rests(at, event.onset, measure, staff)
        out.append(event)
        at = max(at, event.end)
    if at < measure.length:
        out += _rests(at, measure.length, measure, staff)
    return out


def mark_tuplets(line: list[Event]) -> None:
    """Bracket runs of tuplet values that together fill a plain value."""
    run: list[Event] = []
    total = Fraction(0)

    def close() -> None:
        if len(run) == 1:
            run[0].tuplet = "both"
        elif run:
            run[0].tuplet, run[-1].tuplet = "start", "stop"
        run.clear()

    for event in line:
        if event.grace:
            continue
        value = value_of(event.duration)
        if value is None or value.actual == 1 or (run and run[-1].end != event.onset):
            close()
            total = Fraction(0)
            if value is None or value.actual == 1:
                continue
        if run:
            first = value_of(run[0].duration)
            if first is not None and first.actual != value.actual:
                close()
                total = Fraction(0)
        run.append(event)
        total += event.duration
        if total.denominator & (total.denominator - 1) == 0:
            close()
            total = Fraction(0)
    close()


def _flags(event: Event) -> int:
    value = value_of(event.duration)
    if event.grace or not event.pieces or value is None:
        return 0
    base = TYPES[value.type]
    flags = 0
    while base < 1:
        base *= 2
        flags += 1
    return flags


def mark_beams(line: list[Event], measure: Measure) -> None:
    """Beam flagged notes within a beat; beams never cross a rest, a voice's gap or the barline."""
    beat = max(measure.beat_length, Fraction(1))
    if measure.beat_type >= 8 and measure.beats % 3 == 0:
        beat = Fraction(12, measure.beat_type)
    played = [event for event in line if not event.grace]
    run: list[Event] = []
    runs: list[list[Event]] = []
    for event in played:
        place = (event.onset + measure.offset) // beat
        fits = run and run[-1].end == event.onset and (run[0].onset + measure.offset) // beat == place
        if not _flags(event):
            run = []
        elif fits:
            run.append(event)
        else:
            run = [event]
            runs.append(run)
    for run in runs:
        if len(run) < 2:
            continue
        counts = [_flags(event) for event in run]
        for i, event in enumerate(run):
            before = counts[i - 1] if i else 0
            after = counts[i + 1] if i + 1 < len(run) else 0
            marks = []
            for level in range(1, counts[i] + 1):
                left, right = before >= level, after >= level
                if left and right:
                    marks.append("continue")
                elif right:
                    marks.append("begin")
                elif left:
                    marks.append("end")
                else:
                    marks.append("backward hook" if i else "forward hook")
            event.beams = tuple(marks)


_ACCIDENTALS = {
    -3: "triple-flat",
    -2: "flat-flat",
    -1: "flat",
    0: "natural",
    1: "sharp",
    2: "double-sharp",
    3: "triple-sharp",
}


def accidentals_of(pieces: Iterable[tuple[Piece, Pitch]], signature: int) -> dict[int, str]:
    """Accidentals to print in one bar of one staff, by the piece's identity.

    One holds for its line or space until the barline; a note tied over it prints none.
    """
    state: dict[tuple[str, int], int] = {}
    plain = {
        PitchClass.from_fifths(f).letter: PitchClass.from_fifths(f).alter
        for f in range(-1 + signature, 6 + signature)
    }
    out: dict[int, str] = {}
    for piece, pitch in sorted(pieces, key=lambda x: (x[0].onset, x[0].duration > 0)):
        if piece.tie_stop:
            continue
        key = (pitch.letter, pitch.octave)
        if state.get(key, plain[pitch.letter]) != pitch.alter:
            out[id(piece)] = _ACCIDENTALS.get(pitch.alter, "natural")
            state[key] = pitch.alter
    return out


CLEFS = {"G": ("G", 2, 30, 38), "F": ("F", 4, 18, 26)}
"""Clef: sign, line, and the bottom and top line of its staff in diatonic steps (C4 is 28)."""
_CLEF_CHANGE = 12


def choose_clefs(bars: Sequence[Sequence[int]], default: str) -> list[str]:
    """Choose treble (G) or bass (F) for each bar from its notes' diatonic steps: fewest ledger lines.

    A change of clef costs as much as a dozen ledger lines, so that clefs stay where they can. Where both
    would do, and where there are no notes, it is the `default`.
    """

    def cost(clef: str, steps: Sequence[int]) -> int:
        _, _, low, high = CLEFS[clef]
        return sum(max(0, low - s) // 2 + max(0, s - high) // 2 for s in steps)

    best = {c: (0 if c == default else 1, [c]) for c in CLEFS}
    for i, steps in enumerate(bars):
        new = {}
        for clef in CLEFS:
            price, path = min(
                (best[old][0] + (_CLEF_CHANGE if old != clef else 0), best[old][1])
                for old in (CLEFS if i else [clef])
            )
            new[clef] = (price + cost(clef, steps), [*path, clef])
        best = new
    return min(best.values())[1][1:]
