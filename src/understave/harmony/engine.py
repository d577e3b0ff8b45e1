"""Score and corrections -> Reading, by an engine of hand-made features with fitted weights.

It gives the second opinion that `trained` weighs against its networks (`judged`), and is the reference
that benchmarks compare with (`read_harmony`); users get `findings.read`. The work is split so that any
part can be replaced: `units` cuts the piece, `membership` and `emission` score what every stretch
could be, `grammar` scores what may follow what, `decode` finds the best whole; here the result becomes
spans, and the teacher's corrections become constraints.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from understave.errors import AnalysisError, ScoreError
from understave.harmony.decode import Constraints, Decoded, Step, decode
from understave.harmony.emission import lattice, likely_keys
from understave.harmony.engine_weights import Weights, shipped_weights
from understave.harmony.features import Features, features, part_of
from understave.harmony.grammar import Statistics, grammar, shipped_statistics
from understave.harmony.line_of_fifths import (
    INVERSIONS,
    KEYS,
    adds_seventh,
    chord_of,
    key_of,
    nearest_key,
    nearest_label,
)
from understave.harmony.naming import numeral_for
from understave.harmony.reading import Alternative, Correction, Reading, Span
from understave.harmony.units import Floats, Ints, Timeline, timeline
from understave.score.model import Note, Score
from understave.theory.chord import Chord
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

PLACES = np.array([0, 1, 1, 2, 2])
"""Metric level -> downbeat (0), beat (1), off the beat (2)."""
TEMPERATURE = 1.4
"""Flattens beliefs until, on analysed scores, spans believed with p are right in about p of the cases."""
MOST_ALTERNATIVES = 4
STRETCH = 1024
"""Units of a long piece whose beliefs are found at once."""
AROUND = 32
"""Units on either side of a stretch that are heard with it: half as many tell as much."""


@dataclass(frozen=True, slots=True)
class Fixed:
    """A stretch of time the teacher has settled; `key` or `numeral` may be None, not both."""

    start: Fraction
    end: Fraction
    key: Key | None
    numeral: RomanNumeral | None


def read_harmony(
    score: Score,
    corrections: Iterable[Correction] = (),
    *,
    weights: Weights | None = None,
    statistics: Statistics | None = None,
) -> Reading:
    """Read the harmony of a score around the teacher's corrections.

    A correction is kept exactly as it was given, however unlikely; what lies around it is found anew.
    `weights` and `statistics` replace the shipped ones. Raises UnderstaveError where a correction names
    a place the score does not have, or where nothing sounds.
    """
    fixed = settle(score, corrections)
    line, found, decoded = judged(score, fixed, weights=weights, statistics=statistics)
    limits = frozenset(line.unit_at(t) for f in fixed for t in (f.start, f.end))
    steps = gathered(_joined(decoded.path, limits), line, found, limits)
    return Reading(_spans(line, decoded, steps, fixed))


def judged(
    score: Score,
    fixed: Sequence[Fixed],
    *,
    weights: Weights | None = None,
    statistics: Statistics | None = None,
) -> tuple[Timeline, Features, Decoded]:
    """Return the piece's timeline, what was noticed in it, and the best path with the beliefs.

    The keys considered are those that look likely somewhere. Raises UnderstaveError where nothing sounds.
    """
    weights = weights or shipped_weights()
    statistics = statistics or shipped_statistics()
    line, found = _noticed(score, fixed, weights)
    decoded = decode(
        lattice(found, weights),
        grammar(statistics, weights, int(found.signature[0])),
        places(line),
        weights.same_root[found.figure],
        _constraints(line, fixed),
        _considered_keys(line, found, weights, fixed),
        TEMPERATURE,
    )
    return line, found, decoded


def believed(
    score: Score, fixed: Sequence[Fixed], keys: Iterable[Key]
) -> tuple[Timeline, Iterator[tuple[slice, Decoded]]]:
    """Return the piece's timeline, and in turn some of its units and the beliefs in them, without a path.

    `keys` are the only ones considered. A long piece is gone through in stretches, so that no more than one
    is held. Raises UnderstaveError where nothing sounds.
    """
    weights = shipped_weights()
    line, found = _noticed(score, fixed, weights)
    rules = grammar(shipped_statistics(), weights, int(found.signature[0]))
    named = np.unique([nearest_key(key, line.centre) for key in keys]).astype(np.int64)
    whole, at = _constraints(line, fixed), places(line)

    def stretches() -> Iterator[tuple[slice, Decoded]]:
        for begin in range(0, len(at), STRETCH):
            end = min(begin + STRETCH, len(at))
            units = slice(max(0, begin - AROUND), min(end + AROUND, len(at)))
            here = part_of(found, units)
            decoded = decode(
                lattice(here, weights),
                rules,
                at[units],
                weights.same_root[here.figure],
                whole.within(units),
                named,
                TEMPERATURE,
                path=False,
            )
            own = slice(begin - units.start, end - units.start)
            yield slice(begin, end), replace(decoded, belief=decoded.belief[:, own])

    return line, stretches()


def _noticed(score: Score, fixed: Sequence[Fixed], weights: Weights) -> tuple[Timeline, Features]:
    try:
        line = timeline(score, [t for f in fixed for t in (f.start, f.end)])
    except ValueError:
        raise ScoreError("This score has no sounding notes, so there is no harmony to read.") from None
    return line, features(line, weights.membership)


def places(line: Timeline) -> Ints:
    """Return for every unit start the place that key changes are weighed by; see `decode.decode`."""
    start = line.first_frame[:-1]
    result: Ints = np.where(line.paused[start] > 0, 3, PLACES[line.level[start]])
    return result


def settle(score: Score, corrections: Iterable[Correction]) -> tuple[Fixed, ...]:
    """Turn corrections into stretches of time that do not overlap; later ones win over earlier ones."""
    settled: list[Fixed] = []
    for correction in corrections:
        if correction.key is None and correction.numeral is None:
            continue
        start = _moment(score, correction.measure, correction.beat)
        end = min(_moment(score, correction.end_measure, correction.end_beat, start), score.end)
        if start >= end:
            raise AnalysisError(
                f"The correction at measure {correction.measure}, beat {correction.beat} ends before it "
                "begins; give an end after its start and inside the piece."
            )
        kept: list[Fixed] = []
        for fixed in settled:
            if fixed.end <= start or fixed.start >= end:
                kept.append(fixed)
                continue
            if fixed.start < start:
                kept.append(Fixed(fixed.start, start, fixed.key, fixed.numeral))
            if fixed.end > end:
                kept.append(Fixed(end, fixed.end, fixed.key, fixed.numeral))
        settled = [*kept, Fixed(start, end, correction.key, correction.numeral)]
    return tuple(sorted(settled, key=lambda fixed: fixed.start))


def _moment(score: Score, name: str, beat: Fraction, after: Fraction | None = None) -> Fraction:
    try:
        return score.time_of(name, beat, after)
    except KeyError:
        raise AnalysisError(
            f"A correction names measure {name}, which this score does not have;"
            " use a measure number as printed."
        ) from None


def _considered_keys(line: Timeline, found: Features, weights: Weights, fixed: Sequence[Fixed]) -> Ints:
    named = [nearest_key(f.key, line.centre) for f in fixed if f.key is not None]
    return np.unique(np.concatenate((likely_keys(found, weights), np.array(named, dtype=np.int64))))


def _constraints(line: Timeline, fixed: Sequence[Fixed]) -> Constraints:
    units = len(line.times) - 1
    allowed = np.ones((units, len(KEYS)))
    limits: set[int] = set()
    pinned: dict[tuple[int, int], Ints] = {}
    for f in fixed:
        begin, end = line.unit_at(f.start), line.unit_at(f.end)
        limits |= {begin, end}
        by_key = np.full(len(KEYS), -1)
        if f.key is not None:
            number = nearest_key(f.key, line.centre)
            allowed[begin:end] = 0
            allowed[begin:end, number] = 1
            if f.numeral is not None:
                by_key[number] = nearest_label(f.numeral.chord(f.key), line.centre)
        elif f.numeral is not None:
            for i in range(len(KEYS)):
                by_key[i] = nearest_label(f.numeral.chord(key_of(i, line.centre)), line.centre)
        if f.numeral is not None:
            pinned[begin, end] = by_key
    return Constraints(frozenset(limits), allowed, pinned)


def _joined(path: Sequence[Step], limits: frozenset[int]) -> list[Step]:
    """Join neighbours that say the same, except at limits the teacher set."""
    steps: list[Step] = []
    for step in path:
        last = steps[-1] if steps else None
        if last and last.label == step.label and last.key == step.key and step.begin not in limits:
            steps[-1] = Step(last.begin, step.end, step.label, step.key)
        else:
            steps.append(step)
    return steps


def gathered(steps: Sequence[Step], line: Timeline, found: Features, limits: frozenset[int]) -> list[Step]:
    """Join a triad to the seventh chord on its root that grows from it within one bar.

    In broken chords the seventh sounds later than the rest and still belongs to the whole figure: over a
    bass that is held, or off the beat above the bass that opened the figure. Where chords are struck
    together, as in four-part writing, the seventh's entry is a change of its own.
    """
    result: list[Step] = []
    for step in steps:
        last = result[-1] if result else None
        frame = int(line.first_frame[step.begin])
        if (
            last is None
            or last.key != step.key
            or step.begin in limits
            or found.texture[step.begin] == 2
            or line.level[frame] == 0
            or not adds_seventh(last.label, step.label)
        ):
            result.append(step)
            continue
        bass = int(line.bass[frame])
        same_bass = last.label % INVERSIONS == step.label % INVERSIONS
        held = same_bass and bass >= 0 and line.onset_frame[bass] < frame
        opened = found.lowest[last.begin] == found.lowest[last.begin : step.end].min()
        rising = (
            opened
            and line.level[frame] >= 3
            and found.lowest[step.begin : step.end].min() > found.lowest[last.begin]
        )
        if held or rising:
            label = step.label - step.label % INVERSIONS + last.label % INVERSIONS
            result[-1] = Step(last.begin, step.end, label, step.key)
        else:
            result.append(step)
    return result


def _spans(
    line: Timeline, decoded: Decoded, steps: Sequence[Step], fixed: Sequence[Fixed]
) -> tuple[Span, ...]:
    beats = line.unit_beats
    chords = [chord_of(step.label, line.centre) for step in steps]
    spans = []
    for i, step in enumerate(steps):
        start, end = line.times[step.begin], line.times[step.end]
        others: tuple[Alternative, ...] = ()
        own = next((f for f in fixed if f.start <= start and end <= f.end), None)
        key = own.key if own and own.key else key_of(step.key, line.centre)
        following = chords[i + 1] if i + 1 < len(chords) else None
        if own and own.numeral:
            numeral, belief = own.numeral, 1.0
        else:
            numeral = numeral_for(chords[i], key, following)
            belief, others = _beliefs(line, decoded, step, beats, numeral, key, following)
        members, foreign = sort_notes(_sounding(line, step.begin, step.end), numeral.chord(key))
        spans.append(
            Span(
                start=start,
                end=end,
                key=key,
                numeral=numeral,
                confidence=belief,
                notes=members,
                foreign=foreign,
                alternatives=others,
                fixed=bool(own and own.numeral),
            )
        )
    return tuple(spans)


def _beliefs(  # noqa: PLR0913
    line: Timeline,
    decoded: Decoded,
    step: Step,
    beats: Floats,
    numeral: RomanNumeral,
    key: Key,
    following: Chord | None,
) -> tuple[float, tuple[Alternative, ...]]:
    """Return the belief in a span's own label and the next best ones, averaged over its time."""
    time = beats[step.begin : step.end]
    share = decoded.belief[:, step.begin : step.end] @ time / time.sum()
    named: dict[tuple[Key, RomanNumeral], float] = {}
    for i in np.argsort(-share, kind="stable")[:40]:
        label, number, belief = (
            int(decoded.labels[i]),
            int(decoded.keys[i]),
            float(share[i]),
        )
        if belief < 0.003:
            break
        there = key if number == step.key else key_of(number, line.centre)
        other = numeral_for(chord_of(label, line.centre), there, following)
        named[there, other] = named.get((there, other), 0.0) + belief
    own = min(1.0, named.pop((key, numeral), 0.0))
    best = sorted(named.items(), key=lambda x: -x[1])[:MOST_ALTERNATIVES]
    spare = 1.0 - own
    alternatives = []
    for (there, other), belief in best:
        if belief < 0.01:
            break
        alternatives.append(Alternative(there, other, min(belief, own, max(0.0, spare))))
        spare -= belief
    return own, tuple(alternatives)


def _sounding(line: Timeline, begin: int, end: int) -> list[Note]:
    """Return the notes that sound in units begin..end, in score order."""
    first, last = line.first_frame[begin], line.first_frame[end]
    inside = (line.pair_frame >= first) & (line.pair_frame < last)
    return [line.notes[i] for i in np.unique(line.pair_note[inside])]


def sort_notes(notes: Iterable[Note], chord: Chord) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the ids of the notes that belong to a chord, by sound, and of those foreign to it."""
    members: list[str] = []
    foreign: list[str] = []
    for note in notes:
        (members if note.midi % 12 in chord.semitones else foreign).append(note.id)
    return tuple(members), tuple(foreign)
