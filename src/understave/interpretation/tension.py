"""Score and Reading -> Tension: how strongly each span pulls, what the pull is made of, and where it lets go.

Seven parts, each 0..1, are added with the open weights of `WEIGHTS`; what is full, told or at rest is our own
choice, by reading what comes out:

* local distance: from the tonic of the span's own key to its chord, in tonal pitch space (Lerdahl 2001);
* home distance: from the home key to the span's key, in the same space;
* dissonance: the clashes within the chord and those of foreign notes with it, each by its interval (Huron
  1994, the dyads' consonance after Hutchinson and Knopoff; from memory), for as long as they sound;
* bass: what the inversion takes from the chord's firmness, and a melody on its third or fifth;
* expectation: how strongly its notes are drawn to others, by Lerdahl's melodic attraction: those of the
  chord to the tonic of its key, foreign ones to the chord;
* register: how high the melody lies and how far the hands are apart, within the piece;
* density: how many notes are struck and sound, within the piece.

A cadential six-four is heard as the dominant with two notes held back, an augmented sixth chord and an
applied dominant in the key they lead to. A release is a span in which tension has fallen clearly since its
last peak and the music rests on a triad in root position: a cadence has arrived or a phrase ends (where no
phrases are known: something has gone home).

Event: kind ``"tension"``; the reason of a span, by the part that raises it most above the piece's average.
`notes` are those that make it; the confidence is that of the span. Detail, where it applies:

- ``key`` Key, ``chord`` RomanNumeral; ``value`` float 0..1; ``parts`` tuple of str: names of the two parts
  that count most here. ``home`` Key (home distance).
- ``pitch`` Pitch: the note that makes it unstable (bass), is drawn most (expectation, dissonance, six-four)
  or stands highest (register); ``aim`` PitchClass: where it wants to go, ``direction`` str ``"up"`` or
  ``"down"``; ``met`` int 1 if the next chord has that note in its octave, ``unmet`` int 1 if it has it
  nowhere; ``found`` int 1 if the note itself goes there (dissonance).
- ``later`` Fraction: when the highest note comes, in a later bar than the span's first (register); when two
  notes first rub, where it is not in the span's first beat (dissonance); ``line``
  str ``"top"``: it belongs to the accompaniment, while the singer rests.
- ``against`` Pitch: the note it rubs against (dissonance). ``bass`` Pitch, ``pitch_two`` Pitch and
  ``aim_two`` PitchClass: the other leaning note (six-four).

Sentences, one per label:

- local distance: "This chord lies far from the tonic of its key."
- home distance: "The key itself is far from home; all of it stands on tiptoe."
- dissonance: "F and E rub against each other; F wants to fall to E."
- bass: "The bass note makes this chord unstable; it wants to fall to E."
- six-four: "Over this bass the notes above lean: C wants to fall to B, E to D."
- expectation: "B pulls to C, and the next chord brings it."
- register: "The melody stands high here, and the hands far apart."
- density: "Many notes press on here."
- rest: "Nothing pulls here."
- release: "The tension lets go here."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from itertools import combinations
from math import log2
from typing import NamedTuple, TypeAlias

from understave.findings.cadences import CADENCE
from understave.findings.closes import cadential, chords_of
from understave.findings.endings import is_sung, melody_of
from understave.findings.keyplan import KEY
from understave.findings.kinds import Kind, Stop
from understave.findings.lines import is_step, lines
from understave.findings.nonchord import NON_CHORD_TONE
from understave.findings.phrases import PHRASE
from understave.findings.sounding_notes import Soundings, soundings
from understave.harmony.reading import Details, Event, Reading, Span
from understave.harmony.units import metric_level
from understave.interpretation.plan import Tension
from understave.interpretation.printed import printed_loudness
from understave.interpretation.tonal_pitch_space import (
    anchoring,
    attraction,
    distance,
    region_distance,
    scale_under,
    tonic_of,
)
from understave.score.model import Note, Score
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import LETTERS, Pitch, PitchClass
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class TensionDetails(Details):
    """What makes a span tense."""

    key: Key
    chord: RomanNumeral
    value: float
    parts: tuple[str, ...]
    pitch: Pitch | None = None
    aim: PitchClass | None = None
    direction: str | None = None
    met: int | None = None
    unmet: int | None = None
    bass: Pitch | None = None
    pitch_two: Pitch | None = None
    aim_two: PitchClass | None = None
    against: Pitch | None = None
    found: int | None = None
    home: Key | None = None
    later: Fraction | None = None
    line: str | None = None
    weight: float | None = None


class Weight(NamedTuple):
    """The share of a part in tension, and why."""

    share: float
    reason: str


WEIGHTS: dict[str, Weight] = {
    "local distance": Weight(
        0.14,
        "Distance from the tonic and place in the hierarchy weigh as much together as dissonance in ratings "
        "of chords (Navarro-Cáceres and others 2020: .202 and .246; second-hand); parted between the chord "
        "in its key and the key.",
    ),
    "home distance": Weight(
        0.10,
        "The same; less than the chord's own distance, since listeners keep a key in mind for some twenty "
        "seconds only (Farbood and Upham 2013).",
    ),
    "dissonance": Weight(
        0.22,
        "The strongest single factor for chords (Navarro-Cáceres and others 2020: .402; second-hand); parted "
        "with the bass, on which much of it depends.",
    ),
    "bass": Weight(
        0.11, "An inversion adds 2 to Lerdahl's surface tension where a seventh adds 1 (2001; from memory)."
    ),
    "expectation": Weight(0.18, "Voice leading: .193 (Navarro-Cáceres and others 2020; second-hand)."),
    "register": Weight(
        0.15, "Pitch height raises tension in listeners' ratings (Farbood 2012); our own share."
    ),
    "density": Weight(0.10, "So does the number of onsets, less surely (Farbood 2012); our own share."),
}
"""The parts in order. The shares add up to 1."""

FULL = {"local distance": 12.0, "home distance": 20.0, "dissonance": 3.0, "expectation": 5.5}
"""The raw value that counts as 1: a Neapolitan's distance and a bit; a key two steps beyond the neighbours; a
dominant seventh with two suspensions in it; a leading-tone seventh in minor."""

_CLASH = {1: 1.428, 2: 0.582, 6: 0.453}
"""How dissonant an interval class is, where it is: the negative values of Huron's index (1994)."""
_AUGMENTED_FIFTH = 8
"""Semitones."""
_IMAGINED = 0.5
"""What a clash with a chord tone counts that is not sounding: it is in the ear, or in the pedal."""
_OFF_THE_BEAT = 0.5
"""What a foreign note counts that is struck off the beat: it passes."""
_BASS = {3: (0.0, 0.35, 1.0), 4: (0.0, 0.35, 0.6, 0.9)}
"""Instability by number of chord notes and inversion: a six-four is a dissonance, a seventh in the bass wants
to fall (handbook rules); the numbers are our own."""
_SOPRANO = 1 / 3
"""Share of the melody's place in the part "bass": Lerdahl adds 1 for it and 2 for an inversion."""
_WIDEST_AT_LEAST = 24
"""Semitones that count as the range of a melody or of the hands in a piece that moves less."""
_LEAST_RANGE_STRUCK = 2.0
"""Doublings of the number of notes struck, that count as the range of a piece that changes less."""
_LEAST_RANGE_SOUNDING = 4.0
"""The same for the notes that sound together."""
_BEAT = 2
"""Metric level down to which a note is on a beat; see `units.metric_level`."""
_USUAL = 0.7
"""How much of a part's average over the piece is not worth telling."""
_STILL = 0.25
"""What neither dissonance nor expectation may exceed in a span at rest."""
_TOLD = {"local distance": 0.55, "home distance": 0.3, "register": 0.6, "density": 0.6}
"""What a part must reach to be told as the reason."""
_TONE = 2
"""Semitones by which what came before may be higher."""
_FAR = 0.7
"""Local distance that is told even where a note pulls; nearer chords are told by their pull."""
_PULLING = 0.4
"""Dissonance or expectation that is told before a chord's distance."""
_WITHIN = 0.5
"""How much a clash within the chord counts against one of a foreign note, when one of them is told."""
_BY_A_SEMITONE = 1.0
"""Pull from which a chord's note is said to want to move against a pedal point."""
_FAST = 3
"""Moments to a beat at which notes are struck from which on they come fast (set by ear)."""
_REST = 0.22
"""Tension under which a span is told as at rest, if nothing pulls in it."""
CALM = frozenset(("rest", "release"))
"""Labels of spans at which nothing presses on, so that nothing leads to them."""
_FALL = 0.3
"""Share of the piece's range by which tension must have fallen since its last peak to be a release."""
_LEANING = 0.25
"""Share of a chord that a foreign note holds up as it begins from which it is no release (set by ear)."""
_LEAST_FALL = 0.06
"""The same in tension itself, for pieces whose range is small."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A span as it is heard: its chord and the key that this points to, whatever the label says.

    A cadential six-four is its dominant; `six_four` tells so.
    """

    span: Span
    chord: Chord
    region: Key
    six_four: bool


@dataclass(frozen=True, slots=True)
class Pull:
    """One note drawn to another, both as sounding pitch classes; `own` tells that it belongs to the chord."""

    strength: float
    note: int
    goal: int
    own: bool


@dataclass(frozen=True, slots=True)
class _Slice:
    """What sounds from one moment to the next within a span, as a share of the span's length."""

    share: float
    notes: tuple[Note, ...]


def tension(score: Score, reading: Reading) -> tuple[Tension, ...]:
    """Return the tension of every span, in order; an empty tuple where nothing is read."""
    spans = reading.spans
    if not spans:
        return ()
    heard = hear(spans)
    home = home_of(reading)
    sound = soundings(score)
    slices = [_slices(sound, span) for span in spans]
    onsets = [note.at for note in score.struck]
    rates = [_rate(onsets, span) for span in spans]
    melody = _melody(score, spans)
    foreign = [_foreign(score, h, here) for h, here in zip(heard, slices, strict=True)]
    pulls = [own_pulls(h.chord, h.region) + _foreign_pulls(h, f) for h, f in zip(heard, foreign, strict=True)]
    raw: dict[str, list[float]] = {
        "local distance": [_local_distance(h) for h in heard],
        "home distance": [region_distance(home, span.key) for span in spans],
        "dissonance": [
            _dissonance(h.chord, here, f) for h, here, f in zip(heard, slices, foreign, strict=True)
        ],
        "bass": [_instability(h, m) for h, m in zip(heard, melody, strict=True)],
        "expectation": [sum(p.strength for p in pull) for pull in pulls],
        "register": _registers(slices, melody),
        "density": _densities(rates, slices),
    }
    parts = {name: [min(1.0, v / FULL.get(name, 1.0)) for v in raw[name]] for name in WEIGHTS}
    values = [
        sum(parts[name][i] * weight.share for name, weight in WEIGHTS.items()) for i in range(len(spans))
    ]
    leans = [_leans_at_first(here, f) for here, f in zip(slices, foreign, strict=True)]
    releases = _releases(reading, heard, values, leans)
    scene = _Scene(
        *(score, heard, slices, melody, foreign, pulls, home, *_resolutions(reading), parts, values),
        releases,
        rates,
        sorted(rates)[(4 * len(rates)) // 5],
    )
    return tuple(
        Tension(
            start=span.start,
            end=span.end,
            value=values[i],
            parts=tuple((name, parts[name][i], weight.share) for name, weight in WEIGHTS.items()),
            release=releases[i],
            why=scene.why(i),
        )
        for i, span in enumerate(spans)
    )


def curve(spans: Sequence[Tension]) -> tuple[tuple[Fraction, float], ...]:
    """Return tension as a line through (moment, value): held for the first half of a span, then on its way.

    The last value is held to the end. Moments are in quarter notes, ascending.
    """
    points: list[tuple[Fraction, float]] = []
    for span in spans:
        points += [(span.start, span.value), ((span.start + span.end) / 2, span.value)]
    if spans:
        points.append((spans[-1].end, spans[-1].value))
    return tuple(points)


def home_of(reading: Reading) -> Key:
    """Return the home key: as the plan of keys says, without one the key that lasts longest."""
    planned = next((found.home for _, found in KEY.all(reading.events)), None)
    if planned is not None:
        return planned
    length: dict[Key, Fraction] = defaultdict(Fraction)
    for span in reading.spans:
        length[span.key] += span.end - span.start
    return max(length, key=lambda key: length[key])


def hear(spans: tuple[Span, ...]) -> tuple[Heard, ...]:
    """Return every span as it is heard."""
    chords = chords_of(spans)
    found = []
    for i, (span, chord) in enumerate(zip(spans, chords, strict=True)):
        region = span.numeral.local_key(span.key)
        six_four = cadential(spans, chords, i)
        if six_four:
            tonic = chord.bass.shift(-1)
            region = next((key for key in (span.key, region) if key.tonic == tonic), Key(tonic, region.mode))
            chord = Chord(chord.bass, Quality.MAJOR)
        elif chord.quality.is_augmented_sixth:
            region = Key(region.tonic.shift(1), region.mode)
        found.append(Heard(span, chord, region, six_four))
    return tuple(found)


# ---------------------------------------------------------------------- what sounds


def _slices(sound: Soundings, span: Span) -> tuple[_Slice, ...]:
    start, end = float(span.start), float(span.end)
    first = bisect_left(sound.moments, start)
    last = bisect_left(sound.moments, end)
    moments = list(sound.moments[first:last])
    chords = list(sound.chords[first:last])
    if not moments or moments[0] > start:
        moments.insert(0, start)
        chords.insert(0, sound.at(span.start))
    ends = [*moments[1:], end]
    return tuple(
        _Slice((until - moment) / (end - start), notes)
        for moment, until, notes in zip(moments, ends, chords, strict=True)
        if until > moment
    )


def _classes(here: _Slice) -> set[int]:
    return {note.midi % 12 for note in here.notes}


def _melody(score: Score, spans: Sequence[Span]) -> list[tuple[Note, ...]]:
    """Return the melody's notes that sound in each span."""
    line = melody_of(score)
    onsets = [note.at for note in line]
    found = []
    for span in spans:
        first = bisect_right(onsets, float(span.start)) - 1
        last = bisect_left(onsets, float(span.end))
        found.append(tuple(note for note in line[max(0, first) : last] if note.end > span.start))
    return found


def _foreign(score: Score, heard: Heard, slices: Sequence[_Slice]) -> tuple[tuple[float, Note, _Slice], ...]:
    """Return foreign notes with how much each counts in a slice: its share, less where it only passes."""
    found = []
    weights: dict[str, float] = {}
    for here in slices:
        for note in here.notes:
            if note.midi % 12 in heard.chord.semitones:
                continue
            if note.id not in weights:
                held = note.onset < heard.span.start
                stressed = held or metric_level(score.measures[note.measure], note.onset) <= _BEAT
                weights[note.id] = 1.0 if stressed else _OFF_THE_BEAT
            found.append((here.share * weights[note.id], note, here))
    return tuple(found)


def _resolutions(reading: Reading) -> tuple[dict[str, Pitch], frozenset[str]]:
    """Return where foreign notes resolve, and which of them stay as pedal points, by their ids."""
    goes: dict[str, Pitch] = {}
    stays: set[str] = set()
    for event, found in NON_CHORD_TONE.all(reading.events):
        if event.label == "pedal tone":
            stays.update(event.notes)
        elif found.resolution_pitch is not None:
            goes.update(dict.fromkeys(event.notes, found.resolution_pitch))
    return goes, frozenset(stays)


# ---------------------------------------------------------------------- the parts


def _local_distance(heard: Heard) -> float:
    key = heard.span.key
    return distance(tonic_of(key), key, heard.chord, heard.region)


def clash(one: int, other: int) -> float:
    """Return how dissonant two sounding pitches are by their interval class; 0 for consonances."""
    apart = (one - other) % 12
    return _CLASH.get(min(apart, 12 - apart), 0.0)


@lru_cache(maxsize=4096)
def chord_clash(chord: Chord) -> float:
    """Return how dissonant a chord is in itself: the sum over its pairs of notes, 0 for a plain triad."""
    total = 0.0
    for one, other in combinations(chord.members, 2):
        augmented = abs(one.fifths - other.fifths) == _AUGMENTED_FIFTH
        total += _CLASH[6] if augmented else clash(one.semitone, other.semitone)
    return total


def _dissonance(
    chord: Chord, slices: Sequence[_Slice], foreign: Sequence[tuple[float, Note, _Slice]]
) -> float:
    total = chord_clash(chord)
    strongest: dict[tuple[int, int], float] = {}
    for weight, note, here in foreign:
        # Octave doublings are one note.
        key = (id(here), note.midi % 12)
        strongest[key] = max(weight, strongest.get(key, 0.0))
    sounding = {id(here): frozenset(note.midi % 12 for note in here.notes) for here in slices}
    for (where, semitone), weight in strongest.items():
        total += weight * _rub(semitone, sounding[where], chord.semitones)
    return total


@lru_cache(maxsize=65536)
def _rub(note: int, sounding: frozenset[int], chord: frozenset[int]) -> float:
    """Return how a foreign note clashes with what sounds and with the chord tones it hides or replaces."""
    heard = sum(clash(note, s) for s in sounding & chord)
    imagined = sum(clash(note, s) for s in chord - sounding)
    # Two foreign notes meet twice, once from each side.
    others = sum(clash(note, s) for s in sounding - chord) / 2
    return heard + _IMAGINED * imagined + others


def _instability(heard: Heard, melody: Sequence[Note]) -> float:
    size = 3 if len(heard.chord.quality.fifths) == 3 else 4
    grades = _BASS[size]
    bass = 1.0 if heard.six_four else grades[min(heard.chord.inversion, len(grades) - 1)]
    length: dict[int, Fraction] = defaultdict(Fraction)
    for note in melody:
        length[note.midi % 12] += min(note.end, heard.span.end) - max(note.onset, heard.span.start)
    own = {s: length[s] for s in length if s in heard.chord.semitones}
    soft = bool(own) and max(own, key=lambda s: own[s]) != heard.chord.root.semitone
    return (1 - _SOPRANO) * bass + _SOPRANO * soft


@lru_cache(maxsize=4096)
def own_pulls(chord: Chord, region: Key) -> tuple[Pull, ...]:
    """Return how the notes of a chord are drawn to the tonic triad of a key, each to its strongest goal."""
    tonic, scale = tonic_of(region), scale_under(chord, region)
    found = []
    for tone in chord.members:
        # Another shade of the same letter, as in a major tonic in minor, is no step.
        same = {t.semitone for t in tonic.members if t.letter == tone.letter}
        best = _strongest(tone.semitone, tonic, scale, same)
        if best is not None:
            found.append(Pull(best[0], tone.semitone, best[1], True))
    return tuple(found)


def _foreign_pulls(heard: Heard, foreign: Sequence[tuple[float, Note, _Slice]]) -> tuple[Pull, ...]:
    """Return how foreign notes are drawn into the chord, each as long as it sounds."""
    shares: dict[int, dict[int, float]] = defaultdict(dict)
    for weight, note, here in foreign:
        one = shares[note.midi % 12]
        one[id(here)] = max(weight, one.get(id(here), 0.0))
    scale = scale_under(heard.chord, heard.region)
    found = []
    for semitone, where in shares.items():
        best = _strongest(semitone, heard.chord, scale)
        if best is not None:
            found.append(Pull(best[0] * sum(where.values()), semitone, best[1], False))
    return tuple(found)


def _strongest(
    note: int, chord: Chord, scale: frozenset[int], but: Collection[int] = ()
) -> tuple[float, int] | None:
    """Return the strongest attraction by step to a chord tone that stands more firmly, and that tone."""
    own = anchoring(note, chord, scale)
    goals = [
        g
        for g in chord.semitones - set(but)
        if step_between(note, g) and anchoring(g, chord, scale) > max(own, 2)
    ]
    return max(((attraction(note, g, chord, scale), g) for g in goals), default=None)


def step_between(note: int, goal: int) -> int:
    """Return semitones from a note to the nearest one of a goal's class, up positive; 0 if it is no step."""
    apart = (goal - note) % 12
    return {1: 1, 2: 2, 10: -2, 11: -1}.get(apart, 0)


def _registers(slices: Sequence[Sequence[_Slice]], melody: Sequence[Sequence[Note]]) -> list[float]:
    height: list[float | None] = []
    spread: list[float | None] = []
    for here, line in zip(slices, melody, strict=True):
        sounding = [s for s in here if s.notes]
        top = [note.midi for note in line] or [s.notes[-1].midi for s in sounding]
        height.append(sum(top) / len(top) if top else None)
        wide = [s.notes[-1].midi - s.notes[0].midi for s in sounding]
        spread.append(max(wide) if wide else None)
    tall = _within(height, _WIDEST_AT_LEAST)
    wide_apart = _within(spread, _WIDEST_AT_LEAST)
    return [0.7 * a + 0.3 * b for a, b in zip(tall, wide_apart, strict=True)]


def _densities(rates: Sequence[float], slices: Sequence[Sequence[_Slice]]) -> list[float]:
    one = _within([log2(1 + rate) for rate in rates], _LEAST_RANGE_STRUCK)
    other = _within([sum(s.share * len(s.notes) for s in here) for here in slices], _LEAST_RANGE_SOUNDING)
    return [(a + b) / 2 for a, b in zip(one, other, strict=True)]


def _rate(moments: Sequence[float], span: Span) -> float:
    """Return how many moments of a row, in quarters, lie in a span, to the quarter."""
    here = bisect_left(moments, float(span.end)) - bisect_left(moments, float(span.start))
    return here / float(span.end - span.start)


def _within(values: Sequence[float | None], least: float) -> list[float]:
    """Place values between the piece's lowest and highest twentieth, 0..1; 0 for what is absent.

    A piece that moves less than `least` fills only a part of 0..1, around the middle.
    """
    known = sorted(v for v in values if v is not None)
    if not known:
        return [0.0] * len(values)
    low, high = known[len(known) // 20], known[-1 - len(known) // 20]
    middle, half = (low + high) / 2, max(high - low, least) / 2
    return [0.0 if v is None else min(1.0, max(0.0, 0.5 + (v - middle) / (2 * half))) for v in values]


# ---------------------------------------------------------------------- where it lets go


def _leans_at_first(slices: Sequence[_Slice], foreign: Sequence[tuple[float, Note, _Slice]]) -> bool:
    """Whether a foreign note holds up the chord of a span as it begins, and for a good part of it."""
    at_first = {note.id for _, note, here in foreign if here is slices[0]}
    lasting: dict[str, float] = defaultdict(float)
    for weight, note, _ in foreign:
        lasting[note.id] += weight
    return any(lasting[i] >= _LEANING for i in at_first)


def _releases(
    reading: Reading, heard: Sequence[Heard], values: Sequence[float], leans: Sequence[bool]
) -> list[bool]:
    ordered = sorted(values)
    spread = ordered[-1 - len(ordered) // 10] - ordered[len(ordered) // 10]
    enough = max(_LEAST_FALL, _FALL * spread)
    usual = ordered[len(ordered) // 2]
    rests = _rests(reading, heard)
    found = []
    peak = values[0]
    for value, rest, leaning in zip(values, rests, leans, strict=True):
        release = rest and not leaning and peak - value >= enough and value <= usual
        peak = value if release else max(peak, value)
        found.append(release)
    return found


def _rests(reading: Reading, heard: Sequence[Heard]) -> list[bool]:
    """Tell for each span whether the music comes to rest in it: on a consonant triad over its root, and on no
    dominant, which stays open.
    """
    phrases = PHRASE.all(reading.events)
    phrased = bool(phrases)
    arrivals = {found.arrival for _, found in phrases if found.arrival is not None}
    refused: set[Fraction] = set()
    for event, cadence in CADENCE.all(reading.events):
        if event.label in ("deceptive", "evaded"):
            refused.add(cadence.arrival)
        elif cadence.ends_phrase == 1:
            arrivals.add(cadence.arrival)
    arrivals -= refused
    found = []
    for i, h in enumerate(heard):
        consonant = h.chord.quality in (Quality.MAJOR, Quality.MINOR)
        opens = h.chord.root.fifths - h.region.tonic.fifths == 1
        firm = h.chord.bass == h.chord.root and consonant and not h.six_four and not opens
        if phrased:
            found.append(firm and any(h.span.start <= a < h.span.end for a in arrivals))
        else:
            home = i > 0 and heard[i - 1].region.tonic == h.chord.root
            found.append(firm and home and not own_pulls(h.chord, h.region))
    return found


def settles(score: Score, lasting: tuple[Fraction, Fraction], key: Key, numeral: RomanNumeral) -> bool:
    """Whether a chord is one on which tension may be said to let go: a triad over its root, no dominant, that
    stays for two beats; in the first of them nothing else sounds, and nothing above the bar before, and no
    printed crescendo goes on or begins.

    What is foreign leans on, what is higher or grows presses on (common practice, no source).
    """
    start, end = lasting
    chord, home = numeral.chord(key), numeral.local_key(key)
    measure = score.measure_at(start)
    consonant = chord.quality in (Quality.MAJOR, Quality.MINOR) and chord.bass == chord.root
    if not consonant or chord.root.fifths - home.tonic.fifths == 1:
        return False
    if end - start < 2 * measure.beat_length:
        return False
    late = start + measure.beat_length
    if any(
        s.kind == "crescendo" and s.start <= late and s.end > start for s in printed_loudness(score).swells
    ):
        return False
    here = _heard(score, start, late)
    before = _heard(score, start - measure.full_length, start)
    lows = (*soundings(score).at(start)[:1], *here[:1])
    if not here or not before or any(low.midi % 12 != chord.root.semitone for low in lows):
        return False
    return here[-1].midi <= before[-1].midi and {note.midi % 12 for note in here} <= chord.semitones


def _heard(score: Score, start: Fraction, end: Fraction) -> list[Note]:
    """Return what sounds at some moment of a stretch, lowest first."""
    sound = soundings(score)
    notes = {note.id: note for here in (sound.at(start), *sound.between(start, end)) for note in here}
    return sorted(notes.values(), key=lambda note: note.midi)


# ---------------------------------------------------------------------- in words


@dataclass(frozen=True, slots=True)
class _Scene:
    """All that is known of the piece, to say of a span what makes its tension."""

    score: Score
    heard: Sequence[Heard]
    slices: Sequence[tuple[_Slice, ...]]
    melody: Sequence[tuple[Note, ...]]
    foreign: Sequence[tuple[tuple[float, Note, _Slice], ...]]
    pulls: Sequence[tuple[Pull, ...]]
    home: Key
    resolutions: Mapping[str, Pitch]
    """Where foreign notes are known to go, by their ids."""
    held_on: frozenset[str]
    """Foreign notes that stay: pedal points."""
    parts: Mapping[str, Sequence[float]]
    values: Sequence[float]
    releases: Sequence[bool]
    rates: Sequence[float]
    """Notes struck in a quarter, of each span."""
    many: float
    """What four spans of five do not reach of it."""

    def why(self, i: int) -> Event:
        """Return the reason of a span's tension."""
        order = self._order(i)
        label, (notes, about) = self._reason(i, order)
        heard = self.heard[i]
        named = label if label in WEIGHTS else order[0]
        detail = replace(about, parts=(named, next(name for name in order if name != named)))
        ids = tuple(dict.fromkeys(note.id for note in notes)) or tuple(
            note.id for note in (self.slices[i][0].notes if self.slices[i] else ())
        )
        return TENSION.event(label, heard.span.start, heard.span.end, ids, heard.span.confidence, detail)

    def _plain(self, i: int) -> TensionDetails:
        """Return what is said of every span; its parts are named when it is told."""
        span = self.heard[i].span
        return TensionDetails(key=span.key, chord=span.numeral, value=round(self.values[i], 3), parts=())

    def _reason(self, i: int, order: Sequence[str]) -> tuple[str, _Told]:
        if self.releases[i] and self._settles(i):
            return "release", ((), self._plain(i))
        if self._at_rest(i):
            return "rest", ((), self._plain(i))
        heard = self.heard[i]
        leaning = heard.six_four or (heard.chord.inversion == 2 and heard.chord.quality.is_triad)
        if heard.chord.inversion == 3 and (told := self._bass(i)) is not None:
            return "bass", told
        for name in order:
            if (heard.six_four or (leaning and name == "bass")) and (told := self._six_four(i)) is not None:
                return "six-four", told
            enough = self.parts[name][i] >= _TOLD.get(name, 0.0)
            if enough and (told := _ABOUT[name](self, i)) is not None:
                return name, told
        return "rest", ((), self._plain(i))

    def _settles(self, i: int) -> bool:
        span = self.heard[i].span
        return settles(self.score, (span.start, span.end), span.key, span.numeral)

    def _order(self, i: int) -> list[str]:
        """Return the parts by how far they raise this span above most others."""

        def weight(name: str) -> float:
            row = self.parts[name]
            return WEIGHTS[name].share * (row[i] - _USUAL * sum(row) / len(row))

        return sorted(WEIGHTS, key=weight, reverse=True)

    def _at_rest(self, i: int) -> bool:
        pulling = max(self.parts[name][i] for name in ("dissonance", "expectation"))
        return self.values[i] < _REST and pulling <= _STILL and self.heard[i].chord.inversion < 2

    def _next_chord(self, i: int) -> Chord | None:
        if i + 1 == len(self.heard):
            return None
        span = self.heard[i + 1].span
        return span.numeral.chord(span.key)

    def _note(self, i: int, semitone: int, lowest: bool = False) -> Note | None:
        """Return a note of a span that has a sounding pitch class, the highest or the lowest."""
        notes = {
            note.id: note for here in self.slices[i] for note in here.notes if note.midi % 12 == semitone
        }
        pick = min if lowest else max
        return pick(notes.values(), key=lambda note: note.midi, default=None)

    def _spelled(self, i: int, note: Note, goal: int) -> PitchClass:
        """Return a goal as a note a step away is spelled: as in the chords at hand, else by the letter."""
        heard = self.heard[i]
        after = self._next_chord(i)
        members = (
            *tonic_of(heard.region).members,
            *heard.chord.members,
            *(after.members if after else ()),
            *heard.span.key.scale,
        )
        found = [tone for tone in members if tone.semitone == goal]
        steps = [tone for tone in found if tone.letter != note.pitch.letter]
        return next(iter(steps or found), note.pitch.pitch_class.shift(7 * step_between(note.midi, goal)))

    def _drawn(self, i: int, note: Note, least: float = 0.0) -> PitchClass | None:
        """Return where a note of a span is drawn, if anywhere."""
        drawn = (
            pull.goal
            for pull in self.pulls[i]
            if pull.note == note.midi % 12 and pull.strength >= least and self._as_spelled(i, note, pull.goal)
        )
        goal = next(drawn, None)
        return None if goal is None else self._spelled(i, note, goal)

    def _as_spelled(self, i: int, note: Note, goal: int) -> bool:
        """Whether a note may be said to be drawn to a goal, by its spelling or because its line goes there.

        A step leads to the letter beside its own, up where it is raised in the key, down where it
        is lowered (common practice, no source).
        """
        _, altered = self.heard[i].span.key.degree(note.pitch.pitch_class)
        letters = LETTERS.index(self._spelled(i, note, goal).letter) - LETTERS.index(note.pitch.letter)
        if altered * step_between(note.midi, goal) >= 0 and letters % 7 in (1, 6):
            return True
        return self._goes_to(note, goal)

    def _wants(self, i: int, note: Note, aim: PitchClass) -> TensionDetails:
        after = self._next_chord(i)
        up = step_between(note.midi, aim.semitone) > 0
        way = replace(self._plain(i), pitch=note.pitch, aim=aim, direction="up" if up else "down")
        if after is None:
            return way
        if aim.semitone not in after.semitones:
            # Only a dominant promises so much that its not coming is worth a word.
            there = self._note(i, aim.semitone) is not None
            owed = self._is_dominant(i) and note.pitch.pitch_class in self.heard[i].chord.members
            # Where it stays in the next chord, nothing has been held back yet.
            owed = owed and note.midi % 12 not in after.semitones
            return replace(way, unmet=1) if owed and not there else way
        return replace(way, met=1) if self._brings(i, note, aim) else way

    def _brings(self, i: int, note: Note, aim: PitchClass) -> bool:
        """Whether a note of a span goes on to `aim` at once, in its own octave and part."""
        wants = {n.part: n.midi for here in self.slices[i] for n in here.notes if n.pitch == note.pitch}
        return any(
            n.midi % 12 == aim.semitone and abs(n.midi - wants.get(n.part, n.midi + 12)) <= 2
            for here in self.slices[i + 1][:1]
            for n in here.notes
        )

    def _six_four(self, i: int) -> _Told | None:
        """Name the notes that lean over the bass of a six-four: those held back, or those of the chord."""
        heard = self.heard[i]
        falling = [
            pull
            for pull in self.pulls[i]
            if step_between(pull.note, pull.goal) < 0 and pull.own != heard.six_four
        ]
        falling.sort(key=lambda pull: -pull.strength)
        leaning = [(note, pull.goal) for pull in falling if (note := self._note(i, pull.note)) is not None]
        found = [(note, goal) for note, goal in leaning if self._falls(i, note, goal)][:2]
        root = heard.chord.root if heard.six_four else heard.chord.bass
        bass = self._note(i, root.semitone, lowest=True)
        if not found or bass is None:
            return None
        note, goal = found[0]
        about = replace(self._wants(i, note, self._spelled(i, note, goal)), bass=bass.pitch)
        if len(found) > 1:
            note, goal = found[1]
            about = replace(about, pitch_two=note.pitch, aim_two=self._spelled(i, note, goal))
        return (bass, *(note for note, _ in found)), about

    def _falls(self, i: int, note: Note, goal: int) -> bool:
        """Whether a note of a six-four may be said to want to fall: held back by the dominant, or falling."""
        return self._as_spelled(i, note, goal) and (self.heard[i].six_four or self._goes_to(note, goal))

    def _bass(self, i: int) -> _Told | None:
        heard = self.heard[i]
        if heard.chord.bass == heard.chord.root:
            return None
        note = self._note(i, heard.chord.bass.semitone, lowest=True)
        first = self.slices[i][0].notes[:1] if self.slices[i] else ()
        if note is None or (first and first[0].midi % 12 != note.midi % 12):
            # Another note is the bass as the chord begins.
            return None
        stays = self._stays(i, note) or self._is_held_bass(i, note)
        if stays and i and self.heard[i - 1].chord.bass.semitone == note.midi % 12:
            # A bass that was there and stays is the ground that others move over: it unsettles nothing.
            return None
        after = self._next_chord(i)
        common = heard.chord.quality is Quality.DIMINISHED7
        if common and after is not None and after.root.semitone == note.midi % 12:
            # Nor does the common tone of a diminished seventh: it stays, as the root of what comes.
            return None
        seventh = heard.chord.inversion == 3
        aim = self._step_down(i, note) if seventh else self._drawn(i, note)
        wants = aim is not None and (self._by_the_book(i, note, aim) or self._bass_goes(i, aim))
        if aim is None or stays or not wants:
            return (note,), replace(self._plain(i), pitch=note.pitch)
        return (note,), self._wants(i, note, aim)

    def _stays(self, i: int, note: Note) -> bool:
        """Whether the next chord has the same bass: what stays is not said to want to go."""
        after = self._next_chord(i)
        return after is not None and after.bass.semitone == note.midi % 12

    def _bass_goes(self, i: int, aim: PitchClass) -> bool:
        """Whether the next chord stands on what a bass is said to want: of itself it asks for nothing."""
        after = self._next_chord(i)
        return after is not None and after.bass.semitone == aim.semitone

    def _dissonance(self, i: int) -> _Told | None:
        """Name the clash that counts most: of a foreign note with what sounds, else within the chord."""
        foreign, within = self._clash_of_foreign(i), self._clash_within(i)
        both = [c for c in (foreign, within) if c is not None]
        if not both:
            return None
        _, note, other, aim, resolved = max(both, key=lambda c: c[0] * (_WITHIN if c is within else 1.0))
        later = self._later(i, note, other)
        if aim is None or not (resolved or self._by_the_book(i, note, aim)):
            about = replace(self._plain(i), pitch=note.pitch, against=other.pitch, later=later)
            return (note, other), about
        about = replace(self._wants(i, note, aim), against=other.pitch, later=later)
        if resolved:
            about = replace(about, met=None, unmet=None, found=1)
        return (note, other), about

    def _later(self, i: int, note: Note, other: Note) -> Fraction | None:
        """Return when two notes, in any octave, first sound together if that is after the first beat."""
        start = self.heard[i].span.start
        pair = {note.midi % 12, other.midi % 12}
        meets = next(
            (max(n.onset for n in here.notes) for here in self.slices[i] if pair <= _classes(here)), start
        )
        return meets if meets - start >= self.score.measure_at(start).beat_length else None

    def _steps_to(self, note: Note) -> PitchClass | None:
        """Return the note a step away to which a note's line goes on at once, None where there is none.

        B flat and G sharp sound a tone apart, but are no step.
        """
        after = lines(self.score).after(note)
        if after is None or after.onset != note.end or not is_step(note, after):
            return None
        return after.pitch.pitch_class if abs(after.pitch.diatonic - note.pitch.diatonic) <= 1 else None

    def _goes_to(self, note: Note, goal: int) -> bool:
        """Whether a note's line goes on at once, by step, to a sounding pitch class."""
        goes = self._steps_to(note)
        return goes is not None and goes.semitone == goal

    def _clash_of_foreign(self, i: int) -> _Clashing | None:
        counts: dict[tuple[int, int], float] = defaultdict(float)
        notes: dict[tuple[int, int], dict[str, tuple[float, Note, Note]]] = defaultdict(dict)
        for weight, note, here in self.foreign[i]:
            for other in here.notes:
                pair = note.midi % 12, other.midi % 12
                if clash(*pair) and (other.midi % 12 in self.heard[i].chord.semitones):
                    counts[pair] += weight * clash(*pair)
                    before = notes[pair].get(note.id, (0.0, note, other))
                    notes[pair][note.id] = before[0] + weight, note, before[2]
        if not counts:
            return None
        pair = max(counts, key=lambda p: counts[p])
        count = counts[pair]
        # Of two octaves the one that rubs longest is meant, not one that passes.
        _, note, other = max(notes[pair].values(), key=lambda found: found[0])
        known = self.resolutions.get(note.id)
        if (known is None and note.id in self.held_on) or self._is_held_bass(i, note):
            # A held bass stays; what moves is the chord above it.
            return count, other, note, self._drawn(i, other, _BY_A_SEMITONE), False
        if known is not None and step_between(note.midi, known.midi):
            return count, note, other, known.pitch_class, True
        aim = self._drawn(i, note)
        goes = self._steps_to(note) if aim is not None else None
        return count, note, other, goes or aim, goes is not None

    def _is_held_bass(self, i: int, note: Note) -> bool:
        """Whether a note is the lowest, and the lowest of the next chord as well: it stays."""
        if i + 1 >= len(self.slices):
            return False
        lows = [here.notes[0] for j in (i, i + 1) for here in self.slices[j][:1] if here.notes]
        return len(lows) == 2 and all(low.midi % 12 == note.midi % 12 for low in lows) and note in lows

    def _clash_within(self, i: int) -> _Clashing | None:
        """Return the chord's own sharpest clash: its seventh wants to fall, others go where they pull."""
        heard = self.heard[i]
        drawn = {pull.note: pull.strength for pull in self.pulls[i]}
        seventh = heard.chord.member(7)
        best: _Clashing | None = None
        for one, other in combinations(heard.chord.members, 2):
            count = clash(one.semitone, other.semitone)
            first, second = self._note(i, one.semitone), self._note(i, other.semitone)
            if not count or first is None or second is None or (best and count <= best[0]):
                continue
            if seventh in (one, other):
                note, still = (first, second) if seventh == one else (second, first)
                below, goes = self._step_down(i, note), self._steps_to(note)
                falls = goes is not None and goes.letter == below.letter
                aim: PitchClass | None = goes if falls and goes else below
                if self._is_held_bass(i, note):
                    # A pedal point stays; what moves is the chord above it.
                    aim, falls = None, False
                best = count, note, still, aim, falls
            else:
                swap = drawn.get(other.semitone, 0.0) > drawn.get(one.semitone, 0.0)
                note, still = (second, first) if swap else (first, second)
                best = count, note, still, self._drawn(i, note), False
        return best

    def _step_down(self, i: int, note: Note) -> PitchClass:
        """Return the note on the letter below: as in the next chord, else as in the key pointed to.

        In minor the seventh on the tonic falls to the leading tone, the third of the dominant (any handbook).
        """
        letter = LETTERS[LETTERS.index(note.pitch.letter) - 1]
        after = self._next_chord(i)
        key, region = self.heard[i].span.key, self.heard[i].region
        near = list(after.members) if after else []
        if note.pitch.pitch_class == key.tonic:
            near.append(key.leading_tone)
        return next(tone for tone in (*near, *region.scale) if tone.letter == letter)

    def _expectation(self, i: int) -> _Told | None:
        """Name the note that is drawn most; where another is as much, only what every handbook says."""
        seventh = self.heard[i].chord.member(7)
        for pull in sorted(self.pulls[i], key=lambda pull: -pull.strength):
            note = self._note(i, pull.note)
            if (
                seventh is not None
                and pull.note == seventh.semitone
                and step_between(pull.note, pull.goal) > 0
            ):
                # A seventh wants to fall (handbook rule), whatever lies nearer above.
                continue
            if pull.own and pull.note == self._perfect_fifth(i):
                # The fifth of a chord is free (handbook rule), even a semitone below a note of the tonic.
                continue
            if note is None or self._is_held_bass(i, note) or not self._as_spelled(i, note, pull.goal):
                continue
            aim = self._spelled(i, note, pull.goal)
            rivals = (p for p in self.pulls[i] if p.note != pull.note and p.strength >= pull.strength)
            most = all(self._note(i, rival.note) is None for rival in rivals)
            if self._by_the_book(i, note, aim) or (most and self._steps_to(note) == aim):
                return (note,), self._wants(i, note, aim)
        return None

    def _by_the_book(self, i: int, note: Note, aim: PitchClass) -> bool:
        """Whether every handbook says that a note wants a goal: a seventh falls, but on the tonic; a leading
        tone in a chord on the dominant or on itself rises; a raised note rises and a lowered one falls; a
        foreign note falls by a semitone into the chord. Of any other it is said where it goes there.
        """
        chord, region, tone = self.heard[i].chord, self.heard[i].region, note.pitch.pitch_class
        if tone == region.leading_tone:
            return aim == region.tonic and self._is_dominant(i)
        letters = (LETTERS.index(aim.letter) - LETTERS.index(tone.letter)) % 7
        if letters not in (1, 6):
            return False
        _, altered = self.heard[i].span.key.degree(tone)
        if altered:
            return (altered > 0) == (letters == 1)
        if tone not in chord.members:
            if self._sounds_next(i, note):
                return False  # It stays: a tone that others move over.
            return letters == 6 and aim in chord.members and (tone.semitone - aim.semitone) % 12 == 1
        return letters == 6 and chord.member(7) == tone and chord.root != region.tonic

    def _sounds_next(self, i: int, note: Note) -> bool:
        """Whether a note sounds as the next chord begins."""
        return any(
            n.midi == note.midi for row in self.slices[i + 1 : i + 2] for here in row[:1] for n in here.notes
        )

    def _is_dominant(self, i: int) -> bool:
        """Whether a chord has the leading tone of its key and stands on it or on the fifth degree."""
        chord, region = self.heard[i].chord, self.heard[i].region
        fifth = chord.root.fifths - region.tonic.fifths == 1
        return region.leading_tone in chord.members and (fifth or chord.root == region.leading_tone)

    def _perfect_fifth(self, i: int) -> int | None:
        """Return the perfect fifth of a span's chord as a sounding pitch class, None where it has none."""
        chord = self.heard[i].chord
        fifth = chord.member(5)
        perfect = fifth is not None and (fifth.semitone - chord.root.semitone) % 12 == 7
        return fifth.semitone if fifth is not None and perfect else None

    def _local(self, i: int) -> _Told | None:
        pulling = max(self.parts["dissonance"][i], self.parts["expectation"][i])
        if self.heard[i].span.numeral.applied:
            # The dominant of a degree of the key is near to it, whatever the space says.
            return None
        if self.heard[i].chord.root in self.heard[i].span.key.scale:
            # A chord on a degree of the key is none that comes from afar, though it borrows a note.
            return None
        return ((), self._plain(i)) if self.parts["local distance"][i] >= _FAR or pulling < _PULLING else None

    def _home(self, i: int) -> _Told | None:
        pulling = max(self.parts["dissonance"][i], self.parts["expectation"][i])
        return ((), replace(self._plain(i), home=self.home)) if pulling < _PULLING else None

    def _register(self, i: int) -> _Told | None:
        note = max(self.melody[i], key=lambda note: note.midi, default=None)
        if note is None or not self._stands_high(i, note):
            return None
        here, there = (self.score.measure_at(t) for t in (self.heard[i].span.start, note.onset))
        return (note,), replace(
            self._plain(i),
            pitch=note.pitch,
            # A chord of several bars is told where it begins; its highest note may come later.
            later=note.onset if there.index > here.index else None,
            line=None if is_sung(self.score, note) else "top",
        )

    def _stands_high(self, i: int, note: Note) -> bool:
        """Whether the melody is not higher after a note of a span, to the end of the next bar, nor in the bar
        before by more than a tone: what climbs on or has come down is not high (common practice, no source).
        """
        start = self.heard[i].span.start
        bar, until = self.score.measure_at(start).full_length, self.score.measure_at(note.onset).end
        until += self.score.measure_at(until).full_length
        first = next((j for j in range(i, -1, -1) if self.heard[j].span.start <= start - bar), 0)
        for k in range(first, len(self.heard)):
            if self.heard[k].span.start >= until:
                break
            for other in self.melody[k]:
                if note.onset < other.onset < until and other.midi > note.midi:
                    return False
                if start - bar <= other.onset < start and other.midi > note.midi + _TONE:
                    return False
        return True

    def _density(self, i: int) -> _Told | None:
        """Many notes are told where they come fast, at more moments than in the piece on the whole, and where
        there are more of them than in four chords of five.
        """
        moments = soundings(self.score).moments
        rate = _rate(moments, self.heard[i].span)
        beat = float(self.score.measure_at(self.heard[i].span.start).beat_length)
        often = rate * beat >= _FAST and rate * float(self.score.end) > len(moments)
        return ((), self._plain(i)) if often and self.rates[i] >= self.many else None


_Told: TypeAlias = tuple[tuple[Note, ...], TensionDetails]
_Clashing: TypeAlias = tuple[float, Note, Note, PitchClass | None, bool]
"""How much a clash counts, the restless note, the other, where it wants to go, whether it does so."""
_ABOUT: dict[str, Callable[[_Scene, int], _Told | None]] = {
    "local distance": _Scene._local,
    "home distance": _Scene._home,
    "dissonance": _Scene._dissonance,
    "bass": _Scene._bass,
    "expectation": _Scene._expectation,
    "register": _Scene._register,
    "density": _Scene._density,
}
"""What can be said of each part in a span: notes and values, or None where there is nothing to say."""


TENSION: Kind[TensionDetails] = Kind(
    "tension",
    TensionDetails,
    stop=Stop("strong tension"),
)
