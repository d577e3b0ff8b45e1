"""Four voices for a row of chords: the best voice leading, found by dynamic programming.

In: chords with their numerals and keys, and a layout (ranges and spans of the voices). Out: for each chord
four pitches, bass first. Every rule is a price, so that there is always a result; `faults` then says, by
plain comparison and without the search's arithmetic, which rules it still breaks.

The rules are those of the textbooks (Aldwell and Schachter, *Harmony and Voice Leading*, chapters 5 to 12;
*Open Music Theory*, part IV; both from memory):

- no two voices move in parallel, or by contrary motion, from a unison, fifth or octave to another;
- a seventh stays or falls by step where the next chord has a note there; the leading tone stays or rises
  to the tonic, or falls by a chromatic semitone to the seventh of the next chord;
- the two notes of an augmented sixth go outward; the sixth and fourth of a cadential six-four fall by step;
- leading tones, sevenths and altered notes are not doubled; only the fifth may be left out;
- voices do not cross; neighbouring upper voices lie within an octave; outer voices reach no fifth or
  octave in the same direction while the top voice leaps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, pairwise, product
from operator import attrgetter
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from understave.theory.chord import Chord, Quality, factor
from understave.theory.key import Key
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.roman import RomanNumeral

Voicing: TypeAlias = tuple[Pitch, Pitch, Pitch, Pitch]
"""Bass, tenor, alto, soprano."""
_Costs: TypeAlias = NDArray[np.float64]
_Ints: TypeAlias = NDArray[np.integer[Any]]

_MOST = 320
"""Voicings of a chord that are tried, the best by themselves first."""
_PAIRS = tuple(combinations(range(4), 2))


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the voices may lie: lowest and highest MIDI number of each, and pairs of voices with the
    most semitones between them. `distinct` makes two voices on one key dear, for figures
    that run through all of them.
    """

    ranges: tuple[tuple[int, int], tuple[int, int], tuple[int, int], tuple[int, int]]
    spans: tuple[tuple[int, int, int], ...]
    distinct: bool = False


CHORALE = Layout(((40, 62), (47, 67), (55, 74), (60, 81)), ((0, 1, 16), (1, 2, 12), (2, 3, 12)))
"""The usual ranges of the choir, a little wider."""
TWO_HANDS = Layout(((36, 60), (45, 67), (55, 74), (60, 81)), ((0, 1, 14), (1, 2, 12), (2, 3, 12)))
"""Two notes to each hand: the left spans a ninth at most, the right an octave."""
CLOSE = Layout(((43, 62), (47, 67), (50, 72), (60, 84)), ((0, 2, 14), (2, 3, 19)), distinct=True)
"""The three lower voices in one hand, within a ninth, the soprano above them."""
KEYBOARD = Layout(((36, 60), (52, 72), (55, 76), (60, 81)), ((0, 1, 24), (1, 3, 12)))
"""The bass in the left hand and three voices within an octave in the right."""


@dataclass(frozen=True)
class Harmony:
    """One chord of a progression, with what its notes ask for."""

    key: Key
    numeral: RomanNumeral

    @property
    def chord(self) -> Chord:
        """The spelled chord."""
        return self.numeral.chord(self.key)

    @property
    def seventh(self) -> PitchClass | None:
        """The chord's seventh where it is a dissonance; the sixths of the augmented sixths have none."""
        chord = self.chord
        if chord.quality.is_augmented_sixth or len(chord.quality.fifths) < 4:
            return None
        seventh = chord.member(7)
        return seventh if seventh in chord.members else None

    @property
    def leading_tone(self) -> PitchClass | None:
        """The leading tone of the local key where the chord is a dominant or leading-tone chord."""
        local, chord = self.numeral.local_key(self.key), self.chord
        if chord.quality.is_augmented_sixth or self.numeral.special:
            return None
        if local.leading_tone not in chord.members:
            return None
        above = (chord.root.fifths - local.tonic.fifths) % 12
        dominant = above == 1 and chord.quality.fifths[1] == 4
        return local.leading_tone if dominant or chord.root == local.leading_tone else None

    @property
    def sixth(self) -> tuple[PitchClass, PitchClass] | None:
        """Lower and upper note of an augmented sixth, which go outward by a semitone."""
        if not self.chord.quality.is_augmented_sixth:
            return None
        tonic = self.numeral.local_key(self.key).tonic
        return tonic.shift(-4), tonic.shift(6)

    @property
    def altered(self) -> frozenset[PitchClass]:
        """The members that do not belong to the key."""
        return frozenset(tone for tone in self.chord.members if tone not in self.key)


@dataclass(frozen=True, slots=True)
class Fault:
    """A rule that the voice leading breaks between a chord and the next: which, and in which voices."""

    rule: str
    at: int
    voices: tuple[int, ...]


def lead(
    harmonies: Sequence[Harmony],
    layout: Layout = CHORALE,
    tops: Sequence[PitchClass | None] = (),
    lows: Sequence[int | None] = (),
) -> tuple[Voicing, ...]:
    """Return the voicings of least price.

    `tops` are the notes wished for in the soprano, `lows` the MIDI numbers near which the bass should
    lie, one for each chord; None is no wish. Raises ValueError where a chord has no bass within the layout.
    """
    return _led(tuple(harmonies), layout, tuple(tops), tuple(lows))


@lru_cache(maxsize=512)
def _led(
    harmonies: tuple[Harmony, ...],
    layout: Layout,
    tops: tuple[PitchClass | None, ...],
    lows: tuple[int | None, ...],
) -> tuple[Voicing, ...]:
    """Do what `lead` says; the same row is asked for by what writes it out and by what looks for faults."""
    if not harmonies:
        return ()
    sets: list[_Voicings] = []
    totals: list[_Costs] = []
    backs: list[_Ints] = []
    for i, harmony in enumerate(harmonies):
        found = _voicings(harmony, layout)
        own = found.costs
        top = tops[i] if i < len(tops) else None
        low = lows[i] if i < len(lows) else None
        if top is not None:
            own = own + np.where(found.fifths[3] == top.fifths, 0.0, 3.0)
        if low is not None:
            own = own + 0.15 * np.minimum(12, np.abs(found.midi[0] - low))
        keep = np.argsort(own, kind="stable")[:_MOST]
        found, own = found.only(keep), own[keep]
        if sets:
            moves = totals[-1][:, None] + _moves(harmonies[i - 1], sets[-1], harmony, found)
            back = np.argmin(moves, axis=0)
            backs.append(back)
            own = own + moves[back, np.arange(keep.size)]
        sets.append(found)
        totals.append(own)
    at = int(np.argmin(totals[-1]))
    path = [at]
    for back in reversed(backs):
        at = int(back[at])
        path.append(at)
    return tuple(found.all[k] for found, k in zip(sets, reversed(path), strict=True))


# --- one chord -------------------------------------------------------------------------------------------

_OMITTED = {1: 200.0, 3: 200.0, 5: 9.0, 7: 200.0, 2: 40.0, 4: 30.0, 6: 30.0}
"""Price of leaving a member out, by its number above the root (2, 4 and 6 are ninth, eleventh,
thirteenth).
"""


@lru_cache(maxsize=4096)
def _pitches(pitch_class: PitchClass, low: int, high: int) -> tuple[Pitch, ...]:
    found = (Pitch(pitch_class.letter, pitch_class.alter, octave) for octave in range(8))
    return tuple(pitch for pitch in found if low <= pitch.midi <= high)


@dataclass(frozen=True, slots=True, eq=False)
class _Voicings:
    """Voicings of a chord, what each costs by itself, and their notes as numbers (voices, voicings): MIDI,
    staff steps, places on the line of fifths.
    """

    all: tuple[Voicing, ...]
    costs: _Costs
    midi: _Ints
    staff: _Ints
    fifths: _Ints

    def only(self, kept: NDArray[np.intp]) -> _Voicings:
        """Some of them, in another order."""
        return _Voicings(
            tuple(self.all[k] for k in kept),
            self.costs[kept],
            self.midi[:, kept],
            self.staff[:, kept],
            self.fifths[:, kept],
        )


@lru_cache(maxsize=512)
def _voicings(harmony: Harmony, layout: Layout) -> _Voicings:
    """Return the voicings of a chord within a layout."""
    chord = harmony.chord
    members = tuple(dict.fromkeys(chord.members))
    at_bass = members.index(chord.bass) if chord.bass in members else 0
    basses = [(pitch, pitch.midi, at_bass) for pitch in _pitches(chord.bass, *layout.ranges[0])]
    uppers = [
        [
            (pitch, pitch.midi, at)
            for at, tone in enumerate(members)
            for pitch in _pitches(tone, *layout.ranges[k])
        ]
        for k in (1, 2, 3)
    ]
    prices = _Prices(harmony, members)
    found: list[Voicing] = []
    costs: list[float] = []
    for bass, tenor, alto, soprano in product(basses, *uppers):
        m = (bass[1], tenor[1], alto[1], soprano[1])
        if not m[0] <= m[1] <= m[2] <= m[3] or any(m[b] - m[a] > most for a, b, most in layout.spans):
            continue
        voicing = (bass[0], tenor[0], alto[0], soprano[0])
        classes = (bass[2], tenor[2], alto[2], soprano[2])
        cost = prices(classes)
        # Two voices on one key are a chord of three notes; a second low down is a growl.
        cost += (40.0 if layout.distinct else 5.0) * sum(a == b for a, b in pairwise(m))
        cost += 4.0 if 0 < m[1] - m[0] < 3 or (m[1] - m[0] < 5 and m[0] < 48 and m[1] > m[0]) else 0.0
        cost += 0.04 * abs(m[3] - 71) + 0.02 * abs(m[0] - 48)
        found.append(voicing)
        costs.append(cost)
    if not found:
        raise ValueError(f"{chord.name} has no place within the given ranges of the voices.")
    midi, staff, fifths = (
        np.array([[read(v[k]) for v in found] for k in range(4)], dtype=np.int16)
        for read in (attrgetter("midi"), attrgetter("diatonic"), attrgetter("fifths"))
    )
    return _Voicings(tuple(found), np.array(costs), midi, staff, fifths)


class _Prices:
    """Price of which members sound and which are doubled, by the members of the four voices."""

    def __init__(self, harmony: Harmony, members: tuple[PitchClass, ...]) -> None:
        chord = harmony.chord
        self.size = len(members)
        seventh, leading = harmony.seventh, harmony.leading_tone
        self.omit: list[float] = []
        self.double: list[float] = []
        six_four = chord.quality.is_triad and chord.inversion == 2
        for tone in members:
            number = factor(tone.fifths - chord.root.fifths)
            altered_fifth = number == 5 and tone.fifths - chord.root.fifths != 1
            price = _OMITTED[number] if not altered_fifth else 150.0
            if number == 5 and not altered_fifth:
                price += 6.0 if self.size == 3 else 0.0
                price += 20.0 if chord.inversion else 0.0
            self.omit.append(price)
            double = {1: 0.0, 3: 3.0, 5: 2.0}.get(number, 60.0)
            if tone == chord.bass and chord.inversion == 1 and chord.quality is Quality.DIMINISHED:
                double = 0.0
            elif chord.quality is Quality.DIMINISHED and number != 3:
                double += 6.0
            if six_four:
                double = 0.0 if tone == chord.bass else 8.0
            if tone in (seventh, leading) or tone in (harmony.sixth or ()):
                double = 120.0
            elif tone in harmony.altered and harmony.numeral.special != "N" and tone != chord.root:
                double += 12.0
            elif harmony.numeral.special == "N":
                # The Neapolitan doubles its bass, the key's fourth degree.
                double = 0.0 if tone == chord.member(3) else double + 4.0
            self.double.append(double)
        self.known: dict[tuple[int, ...], float] = {}

    def __call__(self, classes: tuple[int, ...]) -> float:
        if classes not in self.known:
            cost = 0.0
            for k in range(self.size):
                times = classes.count(k)
                cost += self.omit[k] if not times else self.double[k] * (times - 1)
                # Three roots are the price of a leading tone that rises; four would be no chord.
                cost += 6.0 if times > 2 else 0.0
            self.known[classes] = cost
        return self.known[classes]


# --- from chord to chord ---------------------------------------------------------------------------------

_PARALLEL, _CONTRARY, _SEVENTH, _LEADING = 1000.0, 400.0, 500.0, 300.0


def _moves(a: Harmony, one: _Voicings, b: Harmony, two: _Voicings) -> _Costs:
    """Return the price of going from each voicing of a chord to each of the next."""
    m1, m2 = one.midi, two.midi
    move = m2[:, None, :] - m1[:, :, None]
    steps = np.abs(two.staff[:, None, :] - one.staff[:, :, None])
    size = np.abs(move)
    cost = np.asarray(0.35 * size[0] + size[1] + size[2] + 0.9 * size[3], dtype=np.float64)
    cost += 4.0 * (size[1:] > 7).sum(axis=0, dtype=np.int8) + 25.0 * (size[0] > 12)
    # Augmented and diminished steps, and sevenths, are hard to sing.
    odd = ((steps == 1) & (size == 3)) | ((steps == 3) & (size == 6)) | ((size > 9) & (size < 12))
    cost += 9.0 * odd[1:].sum(axis=0, dtype=np.int8) + 2.0 * odd[0]
    for low, high in _PAIRS:
        cost += _pair_cost(m1, m2, move, low, high)
    for low, high in pairwise(range(4)):
        # A voice that goes past where its neighbour was.
        past = (m2[low][None] > m1[high][:, None]) | (m2[high][None] < m1[low][:, None])
        cost += 12.0 * past
    outer = (np.sign(move[0]) == np.sign(move[3])) & (move[0] != 0)
    reached = np.isin((m2[3] - m2[0]) % 12, (0, 7))[None]
    cost += 30.0 * (outer & reached & (size[3] > 2))
    asked = wishes(a, b)
    for v in range(4 if asked else 0):
        for wish in asked:
            has = one.fifths[v] == wish.note.fifths
            if has.any():
                kept = np.isin(move[v], wish.moves)
                cost += wish.price * (has[:, None] & ~kept)
    return cost


def _pair_cost(m1: _Ints, m2: _Ints, move: _Ints, low: int, high: int) -> _Costs:
    before, after = (m1[high] - m1[low]) % 12, (m2[high] - m2[low]) % 12
    both = (move[low] != 0) & (move[high] != 0)
    same = np.zeros(both.shape, dtype=bool)
    for interval in (0, 7):
        same |= (before == interval)[:, None] & (after == interval)[None]
    same &= both
    together = np.sign(move[low]) == np.sign(move[high])
    cost = np.where(same & together, _PARALLEL, np.where(same, _CONTRARY, 0.0))
    if low == 0:
        # A diminished fifth over the bass that becomes a perfect one.
        unequal = (before == 6)[:, None] & (after == 7)[None] & both & together
        cost = cost + 8.0 * unequal
    return np.asarray(cost, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Wish:
    """A note of a chord and the moves, in semitones, that the next chord lets it choose from."""

    note: PitchClass
    moves: tuple[int, ...]
    rule: str
    price: float


@lru_cache(maxsize=4096)
def wishes(a: Harmony, b: Harmony) -> tuple[Wish, ...]:
    """Return what the notes of a chord ask of the next; a note that nothing there can answer asks for
    nothing.
    """
    here = a.chord.members
    there = b.chord.members
    sounds = b.chord.semitones
    same_harmony = a.chord.root == b.chord.root and a.key == b.key
    found: list[Wish] = []

    def wish(note: PitchClass, moves: tuple[int, ...], rule: str, price: float) -> None:
        if moves and note in here:
            found.append(Wish(note, moves, rule, price))

    if a.seventh is not None and not same_harmony:
        held = (0,) if a.seventh.semitone in sounds else ()
        wish(a.seventh, (*_steps(there, a.seventh, -1), *held), "seventh", _SEVENTH)
    if a.leading_tone is not None and not same_harmony:
        wish(a.leading_tone, _leading_tone_moves(a, b, a.leading_tone), "leading tone", _LEADING)
    if a.sixth is not None and not same_harmony:
        lower, upper = a.sixth
        goal = PitchClass.from_fifths(lower.fifths + 5)
        if goal in there:
            wish(lower, (-1,), "augmented sixth", _LEADING)
            wish(upper, (1,), "augmented sixth", _LEADING)
    if a.numeral.special == "Cad" and a.chord.bass == b.chord.root:
        for note in a.chord.members:
            if note != a.chord.bass:
                wish(note, _steps(there, note, -1), "six-four", 200.0)
    tied = {wish.note for wish in found}
    for note in a.altered - tied:
        degree, alter = a.key.degree(note)
        del degree
        held = (0,) if note.semitone in sounds else ()
        wish(note, (*_steps(there, note, 1 if alter > 0 else -1), *held), "altered note", 8.0)
    return tuple(found)


def _steps(there: Sequence[PitchClass], note: PitchClass, direction: int) -> tuple[int, ...]:
    """Moves by step in a direction that reach a member of a chord, a chromatic semitone only where there is
    no other.
    """
    letter = (ord(note.letter) - ord("A") + direction) % 7
    ways = [
        direction * ((tone.semitone - note.semitone) * direction % 12)
        for tone in there
        if ord(tone.letter) - ord("A") == letter
    ]
    plain = tuple(w for w in ways if 1 <= abs(w) <= 2)
    chromatic = tuple(
        direction for tone in there if tone.letter == note.letter and tone.alter - note.alter == direction
    )
    return plain or chromatic


def _leading_tone_moves(a: Harmony, b: Harmony, tone: PitchClass) -> tuple[int, ...]:
    """Where a leading tone may go: up, held where it stays, chromatically down where it becomes the seventh
    of the next chord; nowhere in particular in a bass that walks down the scale (V6 to vi), where it passes.
    """
    there, sounds = b.chord.members, b.chord.semitones
    low = b.chord.bass
    walks = (
        a.chord.bass == tone and (tone.semitone - low.semitone) % 12 in (1, 2) and low.letter != tone.letter
    )
    if walks or (tone.semitone + 1) % 12 not in sounds:
        return ()
    held = (0,) if tone.semitone in sounds else ()
    fall = tuple(-1 for p in there if p.letter == tone.letter and p.alter == tone.alter - 1)
    return (1, *held, *fall)


# --- what is still wrong -------------------------------------------------------------------------------


def faults(harmonies: Sequence[Harmony], voicings: Sequence[Voicing]) -> tuple[Fault, ...]:
    """Return the rules that voicings break; an altered note that turns back is no fault.

    Rules: ``"parallel fifths"``, ``"parallel octaves"`` (unisons too), ``"contrary fifths"``, ``"contrary
    octaves"``, ``"seventh"``, ``"leading tone"``, ``"augmented sixth"``, ``"six-four"``, ``"crossing"``,
    ``"doubled leading tone"``, ``"doubled seventh"``, ``"incomplete"``, ``"foreign"``, ``"bass"``.
    """
    found: list[Fault] = []
    for i, (harmony, voicing) in enumerate(zip(harmonies, voicings, strict=True)):
        found += _faults_of_chord(harmony, voicing, i)
        if i:
            found += _faults_of_move(harmonies[i - 1], voicings[i - 1], harmony, voicing, i - 1)
    return tuple(found)


def _faults_of_chord(harmony: Harmony, voicing: Voicing, i: int) -> list[Fault]:
    chord = harmony.chord
    classes = [pitch.pitch_class for pitch in voicing]
    found: list[Fault] = []
    if any(low.midi > high.midi for low, high in pairwise(voicing)):
        found.append(Fault("crossing", i, ()))
    if classes[0] != chord.bass:
        found.append(Fault("bass", i, (0,)))
    foreign = tuple(v for v, tone in enumerate(classes) if tone not in chord.members)
    if foreign:
        found.append(Fault("foreign", i, foreign))
    # A fifth may be missing, and what four voices have no room for.
    missing = [tone for tone in chord.members if tone not in classes and tone != chord.member(5)]
    if missing and len(chord.members) <= 4:
        found.append(Fault("incomplete", i, ()))
    for rule, note in (
        ("doubled leading tone", harmony.leading_tone),
        ("doubled seventh", harmony.seventh),
    ):
        if note is not None and classes.count(note) > 1:
            found.append(Fault(rule, i, tuple(v for v, tone in enumerate(classes) if tone == note)))
    return found


def _faults_of_move(a: Harmony, one: Voicing, b: Harmony, two: Voicing, i: int) -> list[Fault]:
    found: list[Fault] = []
    for low, high in _PAIRS:
        moves = (two[low].midi - one[low].midi, two[high].midi - one[high].midi)
        before, after = one[high].midi - one[low].midi, two[high].midi - two[low].midi
        if 0 in moves or before % 12 != after % 12 or before % 12 not in (0, 7):
            continue
        way = "parallel" if (moves[0] > 0) == (moves[1] > 0) else "contrary"
        found.append(Fault(f"{way} {'fifths' if before % 12 else 'octaves'}", i, (low, high)))
    for wish in wishes(a, b):
        if wish.rule == "altered note":
            continue
        bad = tuple(
            v
            for v in range(4)
            if one[v].pitch_class == wish.note and two[v].midi - one[v].midi not in wish.moves
        )
        if bad:
            found.append(Fault(wish.rule, i, bad))
    return found
