"""A score -> how hard it is for one pianist, by component, each with the place that decides it.

The keyboard part is judged alone: of the parts with two staves or more the one with most notes; without
such a part everything, shared between two hands. Every component is a number 0..10 read off a scale of what
is measured; scales, shares and the way the components are joined are our own estimate (common practice, no
source). The hardest tenth of what a hand does counts, since a piece is as hard as its hard places.

Components and what is measured:

- hand span: semitones between the outer notes that one hand strikes together (rolled chords two less).
- leaps: semitones a second by which a hand has to move beyond its reach of an octave.
- speed: strokes a second of one hand, over a bar.
- polyphony: notes that sound at once in both hands.
- key: accidentals in the signature, and half as much again for each tenth of the notes outside it.
- rhythm: tuplets, syncopations, and hands that divide the beat differently, as shares of the beats.

The tempo is the printed one, else that of the tempo word, else `USUAL_TEMPO`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil

from understave.score.hands import Span, split_hands
from understave.score.model import Measure, Note, Part, Score
from understave.theory.key import Key

USUAL_TEMPO = 96.0
"""Quarter notes a minute where nothing is printed."""
WORDS = {
    "grave": 44, "largo": 50, "lento": 54, "adagio": 60, "larghetto": 64, "andante": 76, "andantino": 84,
    "moderato": 100, "allegretto": 112, "allegro": 132, "vivace": 152, "presto": 176, "prestissimo": 196,
    "langsam": 56, "mässig": 92, "massig": 92, "bewegt": 116, "lebhaft": 138, "schnell": 152, "rasch": 144,
}  # fmt: skip
"""Beats a minute usual for a tempo word (common practice, no source; metronomes print similar ranges)."""
REACH = 12
"""Semitones that a hand reaches without moving."""
COMPONENTS = ("hand span", "leaps", "speed", "polyphony", "key", "rhythm")
RIGHT, LEFT, BOTH = "right hand", "left hand", "both hands"
_SCALES: dict[str, tuple[tuple[float, float], ...]] = {
    "hand span": ((0, 0), (4, 0.5), (7, 1.5), (9, 2.5), (12, 4.5), (14, 6.5), (16, 8.5), (19, 10)),
    "leaps": ((0, 0), (5, 1.5), (12, 3), (24, 5), (48, 7.5), (96, 10)),
    "speed": ((0, 0), (1, 0.5), (2, 1.5), (4, 3.5), (6, 5), (8, 6.5), (12, 9), (16, 10)),
    "polyphony": ((1, 0), (2, 1.5), (3, 3), (4, 4.5), (6, 6.5), (8, 8.5), (10, 10)),
    "key": ((0, 0), (1, 1), (2, 2), (3, 3.5), (4, 5), (6, 7.5), (9, 10)),
    "rhythm": ((0, 0.5), (0.1, 2), (0.25, 4), (0.5, 6.5), (1, 10)),
}
_UNITS = {
    "hand span": "{:.0f} semitones at once",
    "leaps": "{:.0f} semitones a second beyond the hand's reach",
    "speed": "{:.1f} strokes a second",
    "polyphony": "{:.1f} notes at once",
    "key": "{:.1f} accidentals to think of",
    "rhythm": "{:.0%} of the beats with tuplets, syncopation or the hands at odds",
}


@dataclass(frozen=True, slots=True)
class Component:
    """One side of the difficulty: `value` 0..10, what was `measured`, in which hand, and in which bar (its
    index and printed number) it is hardest; -1 and empty where the whole piece counts.
    """

    name: str
    value: float
    measured: float
    hand: str
    bar: int
    bar_number: str

    @property
    def sentence(self) -> str:
        """Say why: ``"hand span 4.5: 12 semitones at once, left hand, hardest in bar 7"``."""
        what = _UNITS[self.name].format(self.measured)
        who = f", {self.hand}" if self.hand else ""
        where = f", hardest in bar {self.bar_number}" if self.bar >= 0 else ""
        return f"{self.name} {self.value:.1f}: {what}{who}{where}"


@dataclass(frozen=True, slots=True)
class Difficulty:
    """How hard a piece is, 0..10, and its components in the order of `COMPONENTS`."""

    total: float
    components: tuple[Component, ...]

    @property
    def level(self) -> str:
        """``"beginner"`` below 3, ``"intermediate"`` below 5.5, else ``"advanced"``."""
        return "beginner" if self.total < 3 else "intermediate" if self.total < 5.5 else "advanced"


@dataclass(frozen=True, slots=True)
class _Found:
    """A thing measured at a place."""

    amount: float
    hand: str
    measure: Measure


@dataclass(frozen=True, slots=True)
class _Stroke:
    """What one hand strikes at one moment (quarter notes from the start)."""

    time: float
    notes: tuple[Note, ...]

    @property
    def low(self) -> int:
        return self.notes[0].midi

    @property
    def high(self) -> int:
        return self.notes[-1].midi


def difficulty_of(score: Score) -> Difficulty:
    """Estimate how hard a score is for one pianist."""
    hands = hands_of(score)
    notes = sorted((note for own in hands.values() for note in own), key=lambda note: note.onset)
    if not notes:
        nothing = tuple(Component(name, 0.0, 0.0, "", -1, "") for name in COMPONENTS)
        return Difficulty(0.0, nothing)
    tempo = _Tempo(score)
    strokes = {hand: _strokes(own) for hand, own in hands.items() if own}
    components = (
        _component("hand span", _spans(score, strokes)),
        _component("leaps", _leaps(score, strokes, tempo)),
        _component("speed", _speeds(score, strokes, tempo)),
        _component("polyphony", _polyphony(score, notes)),
        _key(score, notes),
        _component("rhythm", _rhythms(score, strokes), share=0.5),
    )
    return Difficulty(joined([component.value for component in components]), components)


def joined(values: Sequence[float]) -> float:
    """Join components: half the mean, half the mean of the three hardest, so that neither is lost."""
    hardest = sorted(values, reverse=True)[:3]
    return round(0.5 * sum(values) / len(values) + 0.5 * sum(hardest) / len(hardest), 2)


def keyboard_part(score: Score) -> tuple[Part, ...]:
    """Return what the pianist plays: the parts for two hands with most notes, else all parts."""
    counts = Counter(note.part for note in score.notes)
    most = max(score.keyboards, key=lambda player: sum(counts[i] for i in player), default=None)
    return score.parts if most is None else tuple(score.parts[i] for i in most)


def hands_of(score: Score) -> dict[str, list[Note]]:
    """Return the notes each hand plays, by onset and pitch, grace and cue notes not included."""
    parts = keyboard_part(score)
    staves = [s for part in parts for s in range(part.first_staff, part.last_staff + 1)]
    notes = [
        note
        for note in score.notes
        if note.staff in staves and note.duration > 0 and not note.grace and not note.cue
    ]
    if len(staves) == 2:
        sides = [int(note.staff == staves[1]) for note in notes]
    elif len(staves) == 1:
        sides = [0] * len(notes)
    else:
        sides = split_hands([Span(note.onset, note.end, note.midi) for note in notes])
    hands: dict[str, list[Note]] = {RIGHT: [], LEFT: []}
    for note, side in zip(notes, sides, strict=True):
        hands[(RIGHT, LEFT)[side]].append(note)
    return hands


class _Tempo:
    """Seconds between moments given in quarter notes."""

    def __init__(self, score: Score) -> None:
        marks = [
            (float(direction.onset), direction.value)
            for direction in score.directions
            if direction.kind == "tempo" and direction.value
        ]
        if not marks:
            marks = [
                (float(direction.onset), WORDS[word] * float(score.measure_at(direction.onset).beat_length))
                for direction in score.directions
                if direction.kind in ("tempo", "words")
                for word in direction.text.lower().replace(",", " ").replace(".", " ").split()
                if word in WORDS
            ]
        self.times = [t for t, _ in marks]
        self.tempi = [min(400.0, max(20.0, float(v))) for _, v in marks]
        if not marks or marks[0][0] > 0:
            self.times.insert(0, 0.0)
            self.tempi.insert(0, self.tempi[0] if self.tempi else USUAL_TEMPO)

    def seconds(self, quarters: float, at: float) -> float:
        """Return how long so many quarters last at the tempo of a moment."""
        return quarters * 60.0 / self.tempi[max(0, bisect_right(self.times, at) - 1)]


def _strokes(notes: Iterable[Note]) -> list[_Stroke]:
    at: dict[float, list[Note]] = defaultdict(list)
    for note in notes:
        at[float(note.onset)].append(note)
    return [_Stroke(t, tuple(sorted(at[t], key=lambda note: note.midi))) for t in sorted(at)]


def _component(name: str, found: list[_Found], share: float = 0.1) -> Component:
    """Join what was measured in many places: the mean of the hardest `share` of them."""
    if not found:
        return Component(name, _scaled(name, 0.0), 0.0, "", -1, "")
    hardest = sorted(found, key=lambda found: (-found.amount, found.measure.index))[
        : ceil(share * len(found))
    ]
    amount = sum(found.amount for found in hardest) / len(hardest)
    top = hardest[0]
    place = (top.hand, top.measure.index, top.measure.number) if top.amount > 0 else ("", -1, "")
    return Component(name, _scaled(name, amount), round(amount, 3), *place)


def _scaled(name: str, amount: float) -> float:
    scale = _SCALES[name]
    if amount <= scale[0][0]:
        return scale[0][1]
    for (a, low), (b, high) in pairwise(scale):
        if amount <= b:
            return round(low + (high - low) * (amount - a) / (b - a), 2)
    return scale[-1][1]


def _spans(score: Score, strokes: Mapping[str, list[_Stroke]]) -> list[_Found]:
    found = []
    for hand, own in strokes.items():
        for stroke in own:
            rolled = any(note.arpeggiated for note in stroke.notes)
            width = max(0, stroke.high - stroke.low - 2 * rolled)
            found.append(_Found(width, hand, score.measures[stroke.notes[0].measure]))
    return found


def _leaps(score: Score, strokes: Mapping[str, list[_Stroke]], tempo: _Tempo) -> list[_Found]:
    found = []
    for hand, own in strokes.items():
        for before, after in pairwise(own):
            # The hand stays where it is as long as all that it plays lies within its reach.
            beyond = max(before.high, after.high) - min(before.low, after.low) - REACH
            moved = abs((before.high + before.low) - (after.high + after.low)) / 2
            time = max(0.05, tempo.seconds(after.time - before.time, before.time))
            amount = min(moved, beyond) / time if beyond > 0 else 0.0
            found.append(_Found(amount, hand, score.measures[after.notes[0].measure]))
    return found


def _speeds(score: Score, strokes: Mapping[str, list[_Stroke]], tempo: _Tempo) -> list[_Found]:
    found = []
    for hand, own in strokes.items():
        bars: dict[int, int] = defaultdict(int)
        for stroke in own:
            bars[stroke.notes[0].measure] += 1
        for index, count in bars.items():
            measure = score.measures[index]
            length = max(float(measure.length), 1.0)
            found.append(_Found(count / tempo.seconds(length, float(measure.start)), hand, measure))
    return found


def _polyphony(score: Score, notes: Sequence[Note]) -> list[_Found]:
    """Measure how many keys are down at every moment at which one is struck, by sounding pitch."""
    found = []
    down: dict[int, float] = {}
    i = 0
    while i < len(notes):
        t = float(notes[i].onset)
        j = i
        while j < len(notes) and notes[j].onset == notes[i].onset:
            down[notes[j].midi] = max(down.get(notes[j].midi, 0.0), float(notes[j].end))
            j += 1
        down = {midi: end for midi, end in down.items() if end > t}
        found.append(_Found(len(down), BOTH, score.measures[notes[i].measure]))
        i = j
    return found


def _key(score: Score, notes: Sequence[Note]) -> Component:
    accidentals = outside = 0.0
    for note in notes:
        signature = score.measures[note.measure].signature
        accidentals += abs(signature)
        outside += note.written.pitch_class not in Key.from_signature(signature)
    share = outside / len(notes)
    amount = accidentals / len(notes) + 0.5 * 10 * share
    return Component("key", _scaled("key", amount), round(amount, 3), "", -1, "")


def _rhythms(score: Score, strokes: Mapping[str, list[_Stroke]]) -> list[_Found]:
    """Measure, bar by bar, the share of beats with a tuplet, a syncopation, or two hands at odds."""
    beats: dict[int, dict[int, dict[str, set[int]]]] = defaultdict(lambda: defaultdict(dict))
    odd: dict[int, set[int]] = defaultdict(set)
    for hand, own in strokes.items():
        for stroke in own:
            measure = score.measures[stroke.notes[0].measure]
            place = (stroke.notes[0].onset - measure.start + measure.offset) / measure.beat_length
            beat = int(place)
            binary = place.denominator & (place.denominator - 1) == 0
            compound = measure.beat_length.numerator % 3 == 0
            if binary == compound and place.denominator > 1:
                # Two to a dotted beat or three to a plain one; in compound meters thirds are the rule.
                odd[measure.index].add(beat)
            longest = max(note.duration for note in stroke.notes) / measure.beat_length
            if place.denominator > 1 and place + longest > beat + 1:
                odd[measure.index].add(beat)
            beats[measure.index][beat].setdefault(hand, set()).add(place.denominator)
    found = []
    for index, own_beats in beats.items():
        measure = score.measures[index]
        at_odds = {
            b
            for b, by_hand in own_beats.items()
            if len(by_hand) == 2 and _against(*(by_hand[h] for h in by_hand))
        }
        count = max(1.0, float(measure.length / measure.beat_length))
        found.append(_Found(min(1.0, len(odd[index] | at_odds) / count), BOTH, measure))
    return found


def _against(first: set[int], second: set[int]) -> bool:
    """Whether one hand divides the beat by three (or five, seven) while the other divides it otherwise."""
    a, b = max(first), max(second)
    return min(a, b) > 1 and a % b != 0 and b % a != 0
