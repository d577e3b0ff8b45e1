"""Score and spans -> motives: short figures that come back changed, in another voice, register or key.

A figure is the rhythm of a few notes of one voice and their intervals in steps, so that it is known again in
another key or mode, upside down (every step the other way), in notes twice or half as long. What only
accompanies has no motives. Of all figures that come back the few are kept that a teacher would point out: a
figure counts for more the longer it is, the more its rhythm and its intervals set it apart from a scale, a
broken chord or repeated notes, and the more often it comes. Rhythm, contour and number of returns are what
the handbooks name (*Open Music Theory*, "Motive"; Caplin, Analyzing Classical Form, 2013, glossary; both
from memory).

Events of kind ``"motive"``. Detail of all: ``number`` int (1 for the one that counts most), ``hand`` str,
``first`` Pitch (its first note), ``steps`` tuple of int (moves in steps), ``rhythm`` tuple of Fraction
(quarters from note to note).

- statement: "This figure of four notes is the motive: it comes back nine times." Also ``count`` int (how
  often it comes as it is, from whatever note), ``times`` tuple of Fraction (each beginning).
- in another voice: "The motive of bar 1 is now in the left hand."
- in another register: "The motive of bar 1 comes an octave higher."
- in another key: "The motive of bar 1 comes in D flat major." Also ``key`` and ``from_key`` Key.
- inverted: "The motive of bar 1 upside down: what rose now falls." Also ``went`` str: the way of the model,
  ``"up"`` or ``"down"``, where its first move, most of its moves and its last note against its first agree.
- augmented: "The motive of bar 1 in notes twice as long."
- diminished: "The motive of bar 1 in notes half as long."

All but the statement also have ``model_start`` Fraction and ``model`` tuple of note ids, ``from_hand`` str,
``other_hand`` int (1 where another hand, or instrument by its name, has it), and ``interval`` Interval from
the model's first note to theirs.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import TypeAlias

from understave.findings.chords_at import Harmony
from understave.findings.kinds import Kind
from understave.findings.lines import lines
from understave.findings.texture import ACCOMPANIMENT, Texture, hand_of, texture_of
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch


@dataclass(frozen=True, slots=True, kw_only=True)
class MotiveDetails(Details):
    """A figure, and how it comes back."""

    number: int
    hand: str
    first: Pitch
    steps: tuple[int, ...]
    rhythm: tuple[Fraction, ...]
    count: int | None = None
    times: tuple[Fraction, ...] | None = None
    model_start: Fraction | None = None
    model: tuple[str, ...] | None = None
    from_hand: str | None = None
    other_hand: int | None = None
    interval: Interval | None = None
    key: Key | None = None
    from_key: Key | None = None
    went: str | None = None


_Figure: TypeAlias = tuple[tuple[int, ...], tuple[int, ...]]
"""Rhythm in `_GRID` of a quarter from note to note, and moves in steps."""
_GRID = 48
_SHORTEST, _LONGEST = 3, 6
"""Notes; what is longer is a passage rather than a motive."""
_FEWEST_TONES = 3
"""Tones of a figure without a step: what goes to and fro between two is accompaniment (set by ear)."""
_FEWEST_MOVES = 4
"""Moves from which a figure is known again upside down, twice as long or half as long."""
_SURPRISING = 8.0
"""Bits from which on no figure is put down to chance."""
_MOST_MOTIVES, _MOST_RETURNS = 4, 6
_LEAST = 9.5
"""Salience from which a figure is a motive."""


@dataclass(frozen=True, slots=True)
class Occurrence:
    """Where a figure comes: which line, its notes."""

    line: int
    place: int
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class Motive:
    """A figure with its plain occurrences by time, its changed ones (label, occurrence) and its salience."""

    figure: _Figure
    plain: tuple[Occurrence, ...]
    changed: tuple[tuple[str, Occurrence], ...]
    salience: float


def find_motives(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the statements of motives and their changed returns, by start."""
    if not score.measures or not any(note.duration > 0 for note in score.notes):
        return ()
    harmony = Harmony(spans)
    events: list[Event] = []
    for number, motive in enumerate(motives_of(score, spans), start=1):
        events += _told(score, harmony, motive, number)
    return tuple(sorted(events, key=lambda event: event.start))


def motives_of(score: Score, spans: tuple[Span, ...]) -> tuple[Motive, ...]:
    """Return the motives of a piece, the most salient first."""
    texture = texture_of(score, spans)
    found: dict[_Figure, list[Occurrence]] = defaultdict(list)
    gaps: Counter[int] = Counter()
    moves: Counter[int] = Counter()
    known = lines(score)
    for number, line in enumerate(_lines(score, texture)):
        broken = {note.id for note in line if known.is_broken(note)}
        for figure, occurrence in _figures(number, line):
            leaps = not any(abs(move) == 1 for move in figure[1])
            rocks = leaps and len({note.midi for note in occurrence.notes}) < _FEWEST_TONES
            if rocks or 2 * sum(note.id in broken for note in occurrence.notes) > len(occurrence.notes):
                # What a broken chord goes through, or rocks between, is no figure of its own.
                continue
            found[figure].append(occurrence)
            if len(figure[0]) == _SHORTEST - 1:
                gaps[figure[0][0]] += 1
                moves[figure[1][0]] += 1
    ranked = _ranked(found, gaps, moves)
    motives: list[Motive] = []
    taken: set[str] = set()
    harmony = Harmony(spans)
    for weight, figure in ranked:
        plain = _apart(found[figure])
        model = plain[0]
        if 2 * sum(note.id in taken for occurrence in plain for note in occurrence.notes) > sum(
            len(occurrence.notes) for occurrence in plain
        ):
            continue
        changed = _changes(figure, plain, found, harmony)
        telling = [label for label, _ in changed if label not in ("in another register", "in another key")]
        # Twice in one voice is a passage that comes back; a motive is woven in.
        if (len(plain) < 3 and not telling) or (len(plain) < 4 and not changed):
            continue
        motives.append(Motive(figure, plain, changed, weight))
        taken.update(note.id for occurrence in plain for note in occurrence.notes)
        taken.update(note.id for _, occurrence in changed for note in occurrence.notes)
        taken.update(note.id for note in model.notes)
        if len(motives) == _MOST_MOTIVES:
            break
    return tuple(motives)


def _ranked(
    found: Mapping[_Figure, list[Occurrence]], gaps: Counter[int], moves: Counter[int]
) -> list[tuple[float, _Figure]]:
    """Return the figures that come back and stand out, the most salient first, each with its weight."""
    ranked: list[tuple[float, _Figure]] = []
    for figure, occurrences in found.items():
        if len(occurrences) < 2:
            continue
        count = len(_apart(occurrences))
        if len(figure[1]) >= _FEWEST_MOVES:
            others = (_inverted(figure), _stretched(figure))
            count += sum(len(found.get(other, ())) for other in others if other != figure)
        if count < 2 or (weight := _salience(figure, count)) < _LEAST:
            continue
        weight *= min(1.0, _surprise(figure, count, gaps, moves) / _SURPRISING)
        if weight >= _LEAST:
            ranked.append((weight, figure))
    ranked.sort(key=lambda x: (-x[0], found[x[1]][0].notes[0].onset))
    return ranked


def _lines(score: Score, texture: Texture) -> list[list[Note]]:
    """Return the top notes of every printed voice, what only accompanies left out; the melody as one line."""
    melody = {note.id for note in texture.melody}
    by_voice: dict[tuple[int, int, str], dict[float, Note]] = defaultdict(dict)
    for note in score.notes:
        if (
            not note.duration
            or note.grace
            or note.cue
            or note.id in melody
            or texture.roles[note.id] == ACCOMPANIMENT
        ):
            continue
        voice = by_voice[note.part, note.staff, note.voice]
        onset = note.at
        if onset not in voice or voice[onset].midi < note.midi:
            voice[onset] = note
    # A voice that mostly holds the melody's chords together has no line of its own.
    return [list(texture.melody), *([*v.values()] for v in by_voice.values() if len(v) >= _SHORTEST)]


def _figures(number: int, line: list[Note]) -> Iterator[tuple[_Figure, Occurrence]]:
    """Yield the figures of a line; none goes through a rest of more than a beat or so."""
    onsets = [round(note.at * _GRID) for note in line]
    ends = [round(note.until * _GRID) for note in line]
    letters = [note.pitch.diatonic for note in line]
    gaps = [b - a for a, b in pairwise(onsets)]
    moves = [b - a for a, b in pairwise(letters)]
    broken = [
        b - a > _GRID or line[i].staff != line[i + 1].staff
        for i, (a, b) in enumerate(zip(ends, onsets[1:], strict=False))
    ]
    for start in range(len(line) - _SHORTEST + 1):
        for size in range(_SHORTEST, min(_LONGEST, len(line) - start) + 1):
            if broken[start + size - 2] or (size == _SHORTEST and any(broken[start : start + size - 1])):
                break
            if gaps[start] > sum(gaps[start + 1 : start + size - 1]):
                # A note that outlasts all that follows belongs to what came before it.
                continue
            figure = (tuple(gaps[start : start + size - 1]), tuple(moves[start : start + size - 1]))
            yield figure, Occurrence(number, start, tuple(line[start : start + size]))


def _salience(figure: _Figure, count: int) -> float:
    """Return how much a figure stands out; weights set by hand."""
    rhythm, moves = figure
    lengths, kinds = len(set(rhythm)), len(set(moves))
    steps = sum(abs(m) == 1 for m in moves)
    if lengths == 1 and (kinds == 1 or steps in (0, len(moves)) or len(moves) < 3):
        return 0.0
    if len(moves) == 2 and kinds == 1:
        return 0.0
    if lengths == 1 and 2 * moves.count(0) >= len(moves):
        # A chord or note that is struck evenly again and again is a way to accompany.
        return 0.0
    shape = 1.0 + 0.45 * min(2, lengths - 1) + 0.15 * min(3, kinds - 1)
    if lengths == 1 or not any(moves):
        shape *= 0.4
    return shape * math.pow(len(moves), 0.7) * math.pow(math.log2(1 + min(count, 16)), 1.5)


def _surprise(figure: _Figure, count: int, gaps: Counter[int], moves: Counter[int]) -> float:
    """Return how much more often a figure comes than its values and moves would meet by chance, in bits."""
    total = gaps.total()
    expected = math.log2(total)
    for gap, move in zip(*figure, strict=True):
        expected += math.log2(max(1, gaps[gap]) * max(1, moves[move]) / total**2)
    return math.log2(count) - expected


def _inverted(figure: _Figure) -> _Figure:
    rhythm, moves = figure
    return rhythm, tuple(-m for m in moves)


def _way(moves: tuple[int, ...]) -> str | None:
    """Return whether a figure goes ``"up"`` or ``"down"``, None where that could be heard either way."""
    signs = [1 if move > 0 else -1 for move in moves if move]
    way = signs[0] if signs else 0
    if way * sum(signs) <= 0 or way * sum(moves) < 0:
        return None
    return "up" if way > 0 else "down"


def _stretched(figure: _Figure) -> _Figure:
    rhythm, moves = figure
    return tuple(2 * r for r in rhythm), moves


def _shrunk(figure: _Figure) -> _Figure | None:
    rhythm, moves = figure
    return None if any(r % 2 for r in rhythm) else (tuple(r // 2 for r in rhythm), moves)


def _apart(occurrences: list[Occurrence]) -> tuple[Occurrence, ...]:
    """Return the occurrences in time, without those that run into the one before in the same line, and
    without a voice that only doubles another.
    """
    kept: list[Occurrence] = []
    last: dict[int, int] = {}
    for occurrence in sorted(
        occurrences, key=lambda occurrence: (occurrence.notes[0].onset, occurrence.line)
    ):
        doubles = kept and kept[-1].notes[0].onset == occurrence.notes[0].onset
        if not doubles and (occurrence.line not in last or occurrence.place >= last[occurrence.line]):
            kept.append(occurrence)
            last[occurrence.line] = occurrence.place + len(occurrence.notes) - 1
    return tuple(kept)


def _changes(
    figure: _Figure,
    plain: tuple[Occurrence, ...],
    found: dict[_Figure, list[Occurrence]],
    harmony: Harmony,
) -> tuple[tuple[str, Occurrence], ...]:
    """Return the returns of a figure that are changed as against its first statement, by time."""
    model = plain[0]
    head = model.notes[0]
    home = harmony.at(head.onset)
    changed: list[tuple[str, Occurrence]] = []
    for occurrence in plain[1:]:
        first = occurrence.notes[0]
        here = harmony.at(first.onset)
        staff = (first.part, first.staff)
        # What is printed in one voice may look like two lines where the lowest or highest note changes.
        if staff != (head.part, head.staff) or (occurrence.line != model.line and first.voice != head.voice):
            changed.append(("in another voice", occurrence))
        elif first.midi != head.midi and (first.midi - head.midi) % 12 == 0:
            changed.append(("in another register", occurrence))
        elif home is not None and here is not None and home.key != here.key and first.midi != head.midi:
            changed.append(("in another key", occurrence))
    for label, other in (
        ("inverted", _inverted(figure)),
        ("augmented", _stretched(figure)),
        ("diminished", _shrunk(figure)),
    ):
        if other is not None and other != figure and len(figure[1]) >= _FEWEST_MOVES:
            later = (
                occurrence
                for occurrence in _apart(found.get(other, []))
                if occurrence.notes[0].onset > head.onset
            )
            changed += [(label, occurrence) for occurrence in later]
    return tuple(sorted(changed, key=lambda x: x[1].notes[0].onset))


def _told(score: Score, harmony: Harmony, motive: Motive, number: int) -> list[Event]:
    model = motive.plain[0]
    head = model.notes[0]
    confidence = round(min(0.9, 0.25 + motive.salience / 50), 3)

    def details(occurrence: Occurrence) -> MotiveDetails:
        return MotiveDetails(
            number=number,
            hand=hand_of(score, occurrence.notes[0].staff),
            first=occurrence.notes[0].pitch,
            steps=tuple(b.pitch.diatonic - a.pitch.diatonic for a, b in pairwise(occurrence.notes)),
            rhythm=tuple(b.onset - a.onset for a, b in pairwise(occurrence.notes)),
        )

    def event(label: str, occurrence: Occurrence, own: MotiveDetails) -> Event:
        ids = tuple(note.id for note in occurrence.notes)
        return MOTIVE.event(label, occurrence.notes[0].onset, occurrence.notes[-1].end, ids, confidence, own)

    # In two voices at once it comes once; upside down, longer or shorter it is another figure to the ear.
    every = sorted({occurrence.notes[0].onset for occurrence in motive.plain})
    events = [
        event(
            "statement",
            model,
            replace(details(model), count=len(every), times=tuple(every)),
        )
    ]
    told: dict[tuple[str, int], int] = defaultdict(int)
    for label, occurrence in motive.changed:
        first = occurrence.notes[0]
        # The first of each sort is worth a word; the rest are among the statement's times.
        sort = (label, first.staff if label == "in another voice" else first.midi - head.midi)
        told[sort] += 1
        if told[sort] > 1 or len(events) > _MOST_RETURNS:
            continue
        from_hand, hand = hand_of(score, head.staff), hand_of(score, first.staff)
        own = replace(
            details(occurrence),
            model_start=head.onset,
            model=tuple(note.id for note in model.notes),
            from_hand=from_hand,
            other_hand=1 if hand not in (from_hand, "part") else None,
            interval=Interval.between(head.pitch, first.pitch),
        )
        home, here = harmony.at(head.onset), harmony.at(first.onset)
        if label == "in another key" and home is not None and here is not None:
            own = replace(own, key=here.key, from_key=home.key)
        if label == "inverted":
            own = replace(own, went=_way(motive.figure[1]))
        events.append(event(label, occurrence, own))
    return events


def _weigh(base: float, event: Event, details: MotiveDetails) -> float:
    """The motive that counts most matters most."""
    return base / details.number


MOTIVE: Kind[MotiveDetails] = Kind(
    "motive",
    MotiveDetails,
    find=find_motives,
    weight=3.0,
    labels={
        "statement": 4.0,
    },
    weigh=_weigh,
)
