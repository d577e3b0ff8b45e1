"""Notes of one hand in one bar -> the pattern that they make; patterns of many bars -> steady ones.

In: what a hand strikes in a bar besides the melody. Out: a `Pattern` by the name that handbooks give it
(listed in `texture`), and a smoothing in which a stray bar does not break a stretch.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from understave.score.model import Measure, Note

FIGURES = ("broken chords", "rocking", "arpeggios", "Alberti-like")
"""Patterns of single notes that spell a chord: one family, which a stray bar does not leave."""
FIGURED = (*FIGURES, "bass and chords", "waltz bass", "tremolo", "broken octaves")
"""Patterns in which only the lowest note of each figure is bass."""
PATTERNED = (*FIGURED, "block chords", "repeated chords")
_CHANGE = 1.2
"""Cost of a change of pattern, that of a bar unlike its stretch being about 1."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """What a staff plays besides the melody in one bar; `name` is "" for nothing or nothing special."""

    name: str
    held_bass: bool = False
    per_beat: int = 0


NOTHING = Pattern("")


def pattern_of(notes: Sequence[Note], measure: Measure) -> Pattern:
    """Return the pattern of the notes that a hand strikes in a bar, the melody left out; `notes` by onset."""
    groups: dict[float, list[Note]] = defaultdict(list)
    for note in notes:
        groups[note.at].append(note)
    chords = [sorted(c, key=lambda note: note.midi) for c in groups.values()]
    if not chords:
        return NOTHING
    beat = float(measure.beat_length)
    lowest = min(notes, key=lambda note: note.midi)
    held = (
        float(lowest.duration) >= 0.9 * float(measure.length)
        and len(chords) > 2
        and lowest.onset == measure.start
    )
    moving = [c for c in chords if not (held and lowest in c)] if held else chords
    quickest = min((b - a for a, b in pairwise(groups)), default=0.0)
    per_beat = round(beat / quickest) if quickest else 0
    return Pattern(_named(chords, moving, measure, quickest), held, per_beat)


def _named(chords: list[list[Note]], moving: list[list[Note]], measure: Measure, gap: float) -> str:
    notes = [note for c in chords for note in c]
    beat = float(measure.beat_length)
    if 2 * sum(any(o.startswith("tremolo") for o in note.ornaments) for note in notes) >= len(notes):
        return "tremolo"
    if len(chords) <= 2 and min(float(note.duration) for note in notes) >= beat:
        if len(chords[0]) >= 3 or (len(chords) == 2 and all(len(c) >= 2 for c in chords)):
            return "octaves" if all(_is_octave(c) for c in chords) else "block chords"
        return (
            "held notes" if 2 * min(float(note.duration) for note in notes) >= float(measure.length) else ""
        )
    if len(chords) >= 2 and all(_is_octave(c) for c in chords):
        return "octaves"
    if len(moving) < 2:
        return ""
    keys = [tuple(note.midi for note in c) for c in moving]
    if len(keys) >= 6 and gap <= beat / 4 + 1e-9 and _alternates(keys):
        return "tremolo"
    # A figure of single notes may be set on two notes together: it is the same figure.
    figure = moving[1:] if len(moving) >= 4 and len(moving[0]) == 2 else moving
    if sum(len(c) == 1 for c in figure) >= 0.8 * len(figure):
        return _single_notes(moving, chords, measure)
    first = chords[0]
    after = [c for c in chords[1:] if min(note.midi for note in c) > max(note.midi for note in first)]
    narrow = len(first) == 1 or _is_octave(first)
    if narrow and 2 * len(after) >= len(chords) - 1 and any(len(c) >= 2 for c in after):
        if measure.beats == 3 and len(chords) == 3 and first[0].onset == measure.start:
            return "waltz bass"
        return "bass and chords"
    if sum(len(c) >= 2 for c in moving) < 0.5 * len(moving):
        return ""
    again = sum(a == b for a, b in pairwise(keys))
    if len(keys) >= 3 and again >= 0.5 * (len(keys) - 1):
        return "repeated chords"
    return "block chords"


def _is_octave(chord: list[Note]) -> bool:
    return len(chord) == 2 and chord[1].midi - chord[0].midi == 12


def _alternates(keys: list[tuple[int, ...]]) -> bool:
    return all(a == b for a, b in zip(keys, keys[2:], strict=False)) and keys[0] != keys[1]


def _single_notes(moving: list[list[Note]], chords: list[list[Note]], measure: Measure) -> str:
    """Name a pattern of single notes: a chord broken this way or that, or a line."""
    tones = [c[0].midi for c in moving]
    if len(tones) < 3:
        return ""
    if any(2 * float(note.duration) > float(measure.length) for c in moving for note in c):
        # What dwells on one note for most of the bar has begun on a broken chord, and breaks none.
        return ""
    moves = [b - a for a, b in pairwise(tones)]
    if not any(moves):
        return "repeated notes"
    if all(abs(x) == 12 for x in moves):
        return "broken octaves"
    leaps = sum(abs(x) >= 3 for x in moves) / len(moves)
    beat = float(measure.beat_length)
    gap = median([float(b[0].onset - a[0].onset) for a, b in pairwise(chords)])
    if leaps < 0.6 or gap > 0.7 * beat:
        steps = sum(0 < abs(x) <= 2 for x in moves) / len(moves)
        return "running line" if steps >= 0.7 and gap <= 0.5 * beat and len(tones) >= 4 else ""
    if len(tones) % 4 == 0 and all(
        a < c < b and b == d for a, b, c, d in zip(*(tones[i::4] for i in range(4)), strict=True)
    ):
        return "Alberti-like"
    reach = max(tones) - min(tones)
    turns = sum((a > 0) != (b > 0) for a, b in pairwise(moves) if a and b)
    if reach >= 22 and gap <= 0.25 * beat + 1e-9:
        return "arpeggios"
    peak = tones.index(max(tones))
    if turns == 1 and 0 < peak < len(tones) - 1 and max(tones[0], tones[-1]) < tones[peak]:
        return "rocking"
    return "broken chords"


def steady(patterns: list[Pattern]) -> list[Pattern]:
    """Return the patterns with stray bars counted to their neighbours: the cheapest path."""
    if not patterns:
        return []
    states = list(dict.fromkeys(patterns))
    cost = [0.0] * len(states)
    back: list[list[int]] = []
    price: dict[tuple[Pattern, Pattern], float] = {}
    for pattern in patterns:
        least = min(range(len(states)), key=lambda i: cost[i])
        came = [i if cost[i] < cost[least] + _CHANGE else least for i in range(len(states))]
        fresh = []
        for i, c in enumerate(came):
            if (states[i], pattern) not in price:
                price[states[i], pattern] = _unlike(states[i], pattern)
            fresh.append(cost[c] + (_CHANGE if c != i else 0.0) + price[states[i], pattern])
        cost = fresh
        back.append(came)
    at = min(range(len(states)), key=lambda i: cost[i])
    path = []
    for came in reversed(back):
        path.append(states[at])
        at = came[at]
    return path[::-1]


def _unlike(one: Pattern, other: Pattern) -> float:
    """Return how unlike two bars are, 0 for the same pattern."""
    if not one.name or not other.name:
        return 0.0 if one.name == other.name else 0.8
    cost = 0.0
    if one.name != other.name:
        cost = 0.35 if one.name in FIGURES and other.name in FIGURES else 1.0
    if one.held_bass != other.held_bass:
        cost += 0.6
    if one.per_beat != other.per_beat and one.per_beat and other.per_beat:
        ratio = max(one.per_beat, other.per_beat) / min(one.per_beat, other.per_beat)
        cost += 0.6 if ratio >= 2 else 0.2
    return min(cost, 1.3)
