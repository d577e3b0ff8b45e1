"""A bar of a `Score` <-> lines that can be typed, one for each voice.

A line is words with spaces between them. A number is a part of a whole note and holds for what follows until
the next: ``1/4``, dotted ``1/4.``, a triplet's eighth ``1/12``. A pitch is written with its octave (``F#4``,
``Bb3``; C4 is middle C), as printed, every accidental spelled out; ``+`` joins the notes of a chord; ``rest``
is a rest. ``_`` after a note ties it to the next, before one to the note before the bar. Notes in brackets,
``(D5)``, are grace notes; ``@2`` after a note puts it on staff 2. So ``1/4 C5 E5_ 1/8 E5 rest 1/12 F5 G5 A5``
fills a bar of four quarters.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from understave.errors import ScoreError
from understave.score.model import Measure, Score
from understave.score.notated import Event, Piece, cut, joined, natural, streams
from understave.score.reader import HIGHEST, OCTAVES
from understave.theory.pitch import Pitch
from understave.theory.vocabulary import Language

RESTS: Mapping[Language, str] = {"en": "rest", "de": "Pause", "fr": "silence"}
"""How a rest is written; all of them are understood in every language."""
MOST_VOICES = 4
"""Voices that a staff may have."""
LONGEST_LINE = 2000
"""Letters that a line may have."""
_VALUE = re.compile(r"([0-9]{1,3})(?:/([0-9]{1,4}))?(\.{0,3})")
_NOTE = re.compile(r"(_?)([A-Ga-g](?:#{1,2}|b{1,2}|x|♯|♭|𝄪|𝄫|♮)?[0-9])(_?)(?:@([0-9]{1,2}))?(_?)")
_LARGEST_TUPLET = 15
_SHORTEST = Fraction(1, 256)


class BarTextError(ScoreError):
    """A line that is none, or a bar that does not add up: `name` says what is wrong, `values` of what.

    The names are those of the sentences under ``[bar_text]`` in the languages.
    """

    def __init__(self, name: str, **values: object) -> None:
        super().__init__(f"This bar cannot be taken as it was typed ({name}: {values}).")
        self.name = name
        self.values = {key: str(value) for key, value in values.items()}


@dataclass(frozen=True, slots=True)
class TypedNote:
    """A note of a chord: its printed pitch, its staff, and whether it is tied on, or to the bar before."""

    pitch: Pitch
    staff: int
    tied_on: bool = False
    tied_back: bool = False


@dataclass(frozen=True, slots=True)
class TypedEvent:
    """A chord, a rest (no notes) or a grace chord (no duration); times in quarter notes within the bar."""

    onset: Fraction
    duration: Fraction
    notes: tuple[TypedNote, ...] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """A voice of a bar as text: `staff` and `voice` count from 1; `marks` are where its notes stand in it.

    A mark is the id of a written note, and the first letter and the one after the last of its word.
    """

    staff: int
    voice: int
    text: str
    marks: tuple[tuple[str, int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class TypedLine:
    """A line that was understood."""

    staff: int
    voice: int
    events: tuple[TypedEvent, ...]

    @property
    def length(self) -> Fraction:
        """Quarter notes that it lasts."""
        return self.events[-1].onset + self.events[-1].duration if self.events else Fraction(0)


# Text in ---------------------------------------------------------------------------------------------------


def read_line(text: str, staff: int, voice: int, staves: int) -> TypedLine:
    """Understand a line of a score with so many staves; raise BarTextError for what is none."""
    if len(text) > LONGEST_LINE:
        raise BarTextError("long", most=LONGEST_LINE)
    if not (1 <= staff <= staves and 1 <= voice <= MOST_VOICES):
        raise BarTextError("voice", staff=staff, most=MOST_VOICES)
    events: list[TypedEvent] = []
    at, value = Fraction(0), None
    rests = {word.casefold() for word in RESTS.values()}
    for word in text.replace(",", " ").split():
        if found := _VALUE.fullmatch(word):
            value = _value(found)
            continue
        grace = word.startswith("(") and word.endswith(")")
        if not grace and value is None:
            raise BarTextError("no_value", word=word[:20])
        length = Fraction(0) if grace or value is None else value
        notes = (
            () if word.casefold() in rests else _notes(word[1:-1] if grace else word, staff, staves, at == 0)
        )
        events.append(TypedEvent(at, length, notes))
        at += length
    return TypedLine(staff, voice, tuple(events))


def _value(found: re.Match[str]) -> Fraction:
    above, below, dots = int(found[1]), int(found[2] or 1), len(found[3])
    value = Fraction(above, below) if below else Fraction(0)
    odd = value.denominator // (value.denominator & -value.denominator)
    if odd > _LARGEST_TUPLET or not _SHORTEST <= value <= 64:
        raise BarTextError("value", word=found[0])
    return 4 * value * (2 - Fraction(1, 2**dots))


def _notes(word: str, staff: int, staves: int, first: bool) -> tuple[TypedNote, ...]:
    notes = []
    for part in word.split("+"):
        found = _NOTE.fullmatch(part)
        if found is None:
            raise BarTextError("word", word=part[:20] or word[:20])
        pitch = Pitch.parse(found[2].replace("𝄪", "##").replace("𝄫", "bb"))
        on = int(found[4] or staff)
        if not (0 <= pitch.midi <= HIGHEST and pitch.octave in OCTAVES and 1 <= on <= staves):
            raise BarTextError("word", word=part[:20])
        notes.append(TypedNote(pitch, on, bool(found[3] or found[5]), bool(found[1]) and first))
    if len({(n.pitch, n.staff) for n in notes}) < len(notes):
        raise BarTextError("twice", word=word[:40])
    return tuple(notes)


def add_up(lines: Sequence[TypedLine], due: Fraction, short: bool, free: bool) -> Fraction:
    """Return how long a bar of these lines is, in quarter notes.

    Every line must last as long as is `due`; with `short` (the first bar, the last, those beside repeats) all
    may be shorter by the same; when `free`, the longest counts. Raises BarTextError with the line that fails.
    """
    lengths = [line.length for line in lines if line.events]
    if not lengths:
        return due
    longest = max(lengths)
    if free or (short and longest < due and len(set(lengths)) == 1):
        return longest
    for line in lines:
        if line.events and line.length != due:
            more = line.length > due
            raise BarTextError(
                "over" if more else "under",
                staff=line.staff,
                voice=line.voice,
                holds=line.length / 4,
                due=due / 4,
                by=abs(line.length - due) / 4,
            )
    return due


def may_be_short(measures: Sequence[Measure], index: int) -> bool:
    """Say whether a bar may hold less than its meter: at the ends of a piece and beside repeats."""
    here = measures[index]
    if index in (0, len(measures) - 1) or here.repeat_start or here.repeat_end or here.ending:
        return True
    return measures[index - 1].repeat_end or measures[index + 1].repeat_start


# Text out --------------------------------------------------------------------------------------------------


def lines_of(score: Score, index: int, language: Language = "en") -> tuple[Line, ...]:
    """Return the voices of a bar, by staff, as lines."""
    bars = cut(score)[0]
    measure = score.measures[index]
    found: list[tuple[int, tuple[str, int], list[Event]]] = []
    for part in range(len(score.parts)):
        by_voice: dict[str, list[Piece]] = {}
        for piece, _ in joined(bars.get((part, index), ())):
            by_voice.setdefault(piece.note.voice, []).append(piece)
        for label, pieces in by_voice.items():
            for name, events in streams(pieces, label):
                home = Counter(event.staff for event in events).most_common(1)[0][0]
                head, _, more = name.partition(".")
                found.append((home, (head, int(more) if more.isdigit() else 0), events))
    found.sort(key=lambda line: (line[0], natural(line[1])))
    count: Counter[int] = Counter()
    lines = []
    for staff, _, events in found:
        count[staff] += 1
        text, marks = _text(events, measure.length, staff, RESTS[language])
        lines.append(Line(staff, count[staff], text, marks))
    return tuple(lines)


def _text(
    events: Sequence[Event], length: Fraction, staff: int, rest: str
) -> tuple[str, tuple[tuple[str, int, int], ...]]:
    text = ""
    marks: list[tuple[str, int, int]] = []
    value: Fraction | None = None
    at = Fraction(0)

    def put(word: str) -> int:
        nonlocal text
        text += (" " if text else "") + word
        return len(text) - len(word)

    def hold(duration: Fraction) -> None:
        nonlocal value
        if duration != value:
            put(shown_value(duration))
            value = duration

    for event in events:
        if event.onset > at:
            hold(event.onset - at)
            put(rest)
        if not event.grace:
            hold(event.duration)
        pieces = sorted(event.pieces, key=lambda piece: piece.note.written.diatonic)
        words = [_word(piece, staff) for piece in pieces]
        start = put(("({})" if event.grace else "{}").format("+".join(words))) + event.grace
        for piece, word in zip(pieces, words, strict=True):
            marks.append((piece.id, start, start + len(word)))
            start += len(word) + 1
        at = max(at, event.end)
    if at < length:
        hold(length - at)
        put(rest)
    return text, tuple(marks)


def _word(piece: Piece, staff: int) -> str:
    back = "_" if piece.tie_stop and not piece.onset else ""
    on = "_" if piece.tie_start else ""
    return f"{back}{piece.note.written.name}{on}{f'@{piece.staff}' if piece.staff != staff else ''}"


def shown_value(duration: Fraction) -> str:
    """Write quarter notes as a part of a whole note: ``1/4``, ``1/4.`` for a dotted one, ``5/16``."""
    value = duration / 4
    for dots, above in enumerate((1, 3, 7)):
        if value.numerator == above and value.denominator % 2**dots == 0:
            return f"1/{value.denominator // 2**dots}{'.' * dots}" if value != above else str(above)
    return f"{value.numerator}/{value.denominator}" if value.denominator > 1 else str(value)
