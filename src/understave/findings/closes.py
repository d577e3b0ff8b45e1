"""Spans -> closes: every place where the harmony alone could end a phrase, and how.

A close is a motion of harmonies to a goal: a dominant to its tonic, anything to a dominant, a
subdominant to the tonic, a dominant to what stands in for its tonic. Whether a phrase really ends there
is for `phrases`; what the melody adds, for `cadences`.

The kinds follow Hutchinson, Music Theory for the 21st-Century Classroom, chapter 7 (number from memory), and
Open Music Theory, part IV: authentic, half, Phrygian half, deceptive, plagal.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from understave.findings.remembered import remembered
from understave.harmony.reading import Span
from understave.theory.chord import Chord
from understave.theory.key import Key
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

AUTHENTIC = "authentic"
HALF = "half"
PHRYGIAN = "phrygian half"
DECEPTIVE = "deceptive"
PLAGAL = "plagal"
OPEN = "open"
"""A goal that is none of the named kinds: the harmony gives no reason to end here."""


@dataclass(frozen=True, slots=True)
class Run:
    """Neighbouring spans of one harmony, whatever its inversion, and the six-four that leads into it.

    `first` and `last` index the spans (inclusive); `goal` is the span in which the harmony is stated in
    root position, else the first that is not a cadential six-four. `six_four` is the index of a cadential
    six-four that begins the run, or None.
    """

    first: int
    last: int
    goal: int
    six_four: int | None


@dataclass(frozen=True, slots=True)
class Close:
    """A possible ending on one harmony.

    `key` is the key that is closed in (the tonicised one, after an applied dominant). `arrival` is the
    moment the goal is reached, `reach` the end of its run: the phrase may end anywhere in between.
    `goal` and `leader` index the spans of the goal and of the chord right before its run (-1 for none).
    `dominant` is the run of the dominant that leads to the goal, or that the goal itself is.
    `rooted` tells that goal and leader are in root position; `prepared` that a cadential six-four or a
    chord of dominant preparation comes before the dominant. `tonicised` tells that `key` is not the key
    of the goal's label. `strength` is 0..1. `led_from` is where the harmony before the goal's begins
    (the goal's own start where there is none). `seventh` is the moment from which the goal, a dominant,
    has its seventh and so leads on, or None.
    """

    label: str
    key: Key
    arrival: Fraction
    reach: Fraction
    goal: int
    leader: int
    dominant: Run | None
    rooted: bool
    prepared: bool
    tonicised: bool
    strength: float
    led_from: Fraction
    seventh: Fraction | None = None


def is_dominant(chord: Chord, key: Key) -> bool:
    """Whether a chord is the dominant of a key: on the fifth degree with the leading tone, or on the
    leading tone itself.
    """
    if chord.root == key.leading_tone:
        return -6 in chord.quality.fifths
    if chord.root.fifths != key.tonic.fifths + 1:
        return False
    return 4 in chord.quality.fifths or -1 in chord.quality.fifths


def is_root_dominant(chord: Chord, key: Key) -> bool:
    """Whether a chord is the dominant on the fifth degree, with its root in the bass."""
    return is_dominant(chord, key) and chord.root.fifths == key.tonic.fifths + 1 and chord.bass == chord.root


def is_tonic(chord: Chord, key: Key) -> bool:
    """Whether a chord is a tonic triad; in minor the major one counts too. A seventh chord goes on."""
    shape = chord.quality.fifths
    return chord.root == key.tonic and len(shape) == 3 and (4 in shape or -3 in shape) and 1 in shape


def is_preparation(chord: Chord, key: Key) -> bool:
    """Whether a chord prepares the dominant: on the second or fourth degree, an augmented sixth, the
    Neapolitan, or a dominant of the dominant.
    """
    if chord.quality in ("italian", "french", "german"):
        return True
    degree, alter = key.degree(chord.root)
    if degree == 4 and alter == 0:
        return True
    if degree == 2 and alter in (0, -1):
        return True
    fifth = key.tonic.shift(1)
    return is_dominant(chord, Key(fifth, "major"))


def numeral_in(span: Span, key: Key) -> RomanNumeral:
    """Return a span's numeral as it reads in a key that need not be its own."""
    if span.key == key:
        return span.numeral
    return next(iter(RomanNumeral.of(span.numeral.chord(span.key), key)), span.numeral)


@remembered
def chords_of(spans: tuple[Span, ...]) -> tuple[Chord, ...]:
    """Return the chord of every span."""
    return tuple(span.numeral.chord(span.key) for span in spans)


def cadential(spans: tuple[Span, ...], chords: tuple[Chord, ...], i: int) -> bool:
    """Whether a span is a cadential six-four: a tonic six-four whose bass the dominant then takes over."""
    span, chord = spans[i], chords[i]
    if span.numeral.special == "Cad":
        return True
    if chord.inversion != 2 or not chord.quality.is_triad or i + 1 == len(spans):
        return False
    after = spans[i + 1]
    keys = (span.numeral.local_key(span.key), after.numeral.local_key(after.key))
    return (
        after.start == span.end
        and chords[i + 1].bass == chord.bass
        and any(chord.root == key.tonic and is_root_dominant(chords[i + 1], key) for key in keys)
    )


def runs_of(spans: tuple[Span, ...], chords: tuple[Chord, ...]) -> tuple[Run, ...]:
    """Group neighbouring spans of one root; a cadential six-four belongs to the dominant after it."""
    six_four = [cadential(spans, chords, i) for i in range(len(spans))]
    roots = [chord.bass if six_four[i] else chord.root for i, chord in enumerate(chords)]
    runs: list[list[int]] = []
    for i in range(len(spans)):
        if runs and _together(spans, chords, roots, six_four, runs[-1][-1], i):
            runs[-1].append(i)
        else:
            runs.append([i])
    found = []
    for group in runs:
        plain = [i for i in group if not six_four[i]] or group
        goal = next((i for i in plain if chords[i].inversion == 0), plain[0])
        lead = group[0] if six_four[group[0]] and len(group) > 1 else None
        found.append(Run(group[0], group[-1], goal, lead))
    return tuple(found)


def _together(
    spans: tuple[Span, ...],
    chords: tuple[Chord, ...],
    roots: list[PitchClass],
    six_four: list[bool],
    a: int,
    b: int,
) -> bool:
    if roots[a] != roots[b] or spans[a].end != spans[b].start or six_four[b]:
        return False
    if six_four[a]:
        return True
    if (4 in chords[a].quality.fifths) != (4 in chords[b].quality.fifths):
        return False
    # A tonic that takes on a seventh has become the dominant of something else.
    return (-2 in chords[a].quality.fifths) >= (-2 in chords[b].quality.fifths) or is_dominant(
        chords[a], spans[a].numeral.local_key(spans[a].key)
    )


@remembered
def find_closes(spans: tuple[Span, ...]) -> tuple[Close, ...]:
    """Return one close for every run of one harmony, in order; `OPEN` ones included."""
    chords = chords_of(spans)
    runs = runs_of(spans, chords)
    found: list[Close] = []
    for r in range(len(runs)):
        close = _close(spans, chords, runs, r)
        if close.label == OPEN and _after_neighbour(chords, runs, r):
            # The goal went on through a six-four over its own bass: it is still the same ending.
            earlier = found[r - 2]
            close = replace(earlier, arrival=close.arrival, reach=close.reach, goal=close.goal)
        found.append(close)
    return tuple(found)


def _after_neighbour(chords: tuple[Chord, ...], runs: tuple[Run, ...], r: int) -> bool:
    """Whether a run takes up the harmony before last on its bass, and only a six-four on it lies between."""
    if r < 2:
        return False
    between = chords[runs[r - 1].goal]
    goal, earlier = chords[runs[r].goal], chords[runs[r - 2].last]
    return between.inversion == 2 and between.bass == goal.root == goal.bass == earlier.root == earlier.bass


def _close(spans: tuple[Span, ...], chords: tuple[Chord, ...], runs: tuple[Run, ...], r: int) -> Close:
    run = runs[r]
    span, chord = spans[run.goal], chords[run.goal]
    before = runs[r - 1] if r and spans[runs[r - 1].last].end == spans[run.first].start else None
    leader = before.last if before else -1
    rooted = chord.bass == chord.root
    led_from = spans[before.first].start if before else spans[run.first].start
    reach = spans[run.last].end
    best = Close(
        OPEN, span.key, span.start, reach, run.goal, leader, None, rooted, False, False, 0.0, led_from
    )
    for key in _keys(spans, run, before):
        label, dominant, at_root, strength = _kind(spans, chords, runs, r, key)
        if label in (HALF, PHRYGIAN) and key.tonic != span.key.tonic:
            # A goal labelled in another key is the old key's dominant only if it closes nothing of its own.
            strength = min(strength, 0.2)
        if strength > best.strength:
            prepared = _is_prepared(chords, runs, dominant, key)
            tonicised = key.tonic != span.key.tonic
            best = Close(
                label,
                key,
                span.start,
                reach,
                run.goal,
                leader,
                None if dominant is None else runs[dominant],
                at_root,
                prepared,
                tonicised,
                min(1.0, strength + (0.1 if prepared else 0.0) - (0.1 if tonicised else 0.0)),
                led_from,
                _seventh(spans, chords, run) if label in (HALF, PHRYGIAN) else None,
            )
    return best


def _seventh(spans: tuple[Span, ...], chords: tuple[Chord, ...], run: Run) -> Fraction | None:
    members = range(run.goal, run.last + 1)
    return next((spans[i].start for i in members if -2 in chords[i].quality.fifths), None)


def _keys(spans: tuple[Span, ...], run: Run, before: Run | None) -> tuple[Key, ...]:
    """Return the keys in which a goal may be heard, the likeliest first."""
    span = spans[run.goal]
    keys = [span.key, *(a.key for a in span.alternatives if a.confidence == 0 or a.confidence > 0.3)]
    if span.numeral.applied:
        keys.append(span.numeral.local_key(span.key))
    if before is not None:
        last = spans[before.last]
        keys += [last.key, last.numeral.local_key(last.key)]
    return tuple(dict.fromkeys(keys))


def _kind(
    spans: tuple[Span, ...], chords: tuple[Chord, ...], runs: tuple[Run, ...], r: int, key: Key
) -> tuple[str, int | None, bool, float]:
    """Return label, index of the dominant's run, whether all is in root position, and strength."""
    run = runs[r]
    goal = chords[run.goal]
    linked = r > 0 and spans[runs[r - 1].last].end == spans[run.first].start
    lead = chords[runs[r - 1].last] if linked else None
    in_root = goal.bass == goal.root
    if is_tonic(goal, key):
        if lead is None:
            return OPEN, None, in_root, 0.0
        if is_dominant(lead, key):
            rooted = in_root and is_root_dominant(lead, key)
            return AUTHENTIC, r - 1, rooted, 0.9 if rooted else 0.6 if in_root else 0.35
        members = range(runs[r - 1].first, runs[r - 1].last + 1)
        if in_root and any(_is_subdominant(chords[i], key) for i in members):
            return PLAGAL, None, lead.bass == lead.root, 0.45
        return OPEN, None, in_root, 0.0
    if is_dominant(goal, key) and goal.root == key.tonic.shift(1):
        if not in_root:
            return OPEN, None, False, 0.0
        clean = -2 not in goal.quality.fifths
        if not clean and key.tonic != spans[run.goal].key.tonic:
            # An applied dominant seventh is on its way; no phrase rests on it.
            return OPEN, None, True, 0.0
        if lead is not None and clean and _is_phrygian(lead, key):
            return PHRYGIAN, r, True, 0.75
        return HALF, r, True, 0.55 if clean else 0.3
    if lead is not None and is_root_dominant(lead, key) and _promises(spans[runs[r - 1].last], lead, key):
        degree, alter = key.degree(goal.bass)
        root_degree = key.degree(goal.root)[0]
        if degree == 6 and root_degree in (4, 6) and alter in ((0,) if key.mode == "minor" else (0, -1)):
            return DECEPTIVE, r - 1, root_degree == 6, 0.4
    return OPEN, None, in_root, 0.0


def _promises(span: Span, chord: Chord, key: Key) -> bool:
    """Whether a dominant is heard as one: read in its key, or with its seventh; a tonic elsewhere is not."""
    tonics = (span.key.tonic, span.numeral.local_key(span.key).tonic)
    return key.tonic in tonics or len(chord.quality.fifths) > 3


def _is_subdominant(chord: Chord, key: Key) -> bool:
    degree, alter = key.degree(chord.root)
    if degree == 4 and alter == 0:
        # As a six-four it only lies over the tonic's own bass.
        return chord.inversion < 2
    # The supertonic seventh with the fourth degree in the bass is a subdominant with an added sixth.
    return degree == 2 and alter == 0 and len(chord.quality.fifths) > 3 and key.degree(chord.bass)[0] == 4


def _is_phrygian(chord: Chord, key: Key) -> bool:
    """Whether the chord before a dominant is the minor subdominant in first inversion, in minor."""
    return (
        key.mode == "minor"
        and key.degree(chord.root) == (4, 0)
        and -3 in chord.quality.fifths
        and key.degree(chord.bass) == (6, 0)
    )


def _is_prepared(chords: tuple[Chord, ...], runs: tuple[Run, ...], dominant: int | None, key: Key) -> bool:
    if dominant is None:
        return False
    if runs[dominant].six_four is not None:
        return True
    while dominant > 0 and is_dominant(chords[runs[dominant].goal], key):
        dominant -= 1
    return is_preparation(chords[runs[dominant].last], key)
