"""Score and corrections -> Reading, by the trained network under a structured decoder.

`model.encoding` describes the score, `model.network` judges every frame, `engine` gives a second opinion
from hand-made features, `model.decoding` finds the best path of keys and numerals around what the
teacher has settled, `model.confidence` says how sure each label is; here the path becomes spans.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from understave.errors import ScoreError
from understave.harmony.augmented_sixths import as_they_sound
from understave.harmony.engine import Fixed, believed, settle, sort_notes
from understave.harmony.line_of_fifths import chord_of
from understave.harmony.line_of_fifths import key_of as feature_key
from understave.harmony.model.confidence import confidences, evidence
from understave.harmony.model.confidence import others as other_labels
from understave.harmony.model.decoding import (
    TRUST,
    Bools,
    Ints,
    Path,
    Settled,
    Trust,
    decode,
    kept_chords,
    likely_keys,
    second_opinion,
    widened,
)
from understave.harmony.model.encoding import Encoding, encode
from understave.harmony.model.further_numerals import further_numerals
from understave.harmony.model.label_indices import KEYS, Reduced, key_index, key_of, reduce
from understave.harmony.model.leaning import leaning
from understave.harmony.model.network import Floats, Numerals, judge, load, shipped_numerals
from understave.harmony.naming import numeral_for
from understave.harmony.reading import Alternative, Correction, Reading, Span
from understave.harmony.what_sounds import InTime, heard_in, named_by_notes
from understave.score.model import Note, Score
from understave.theory.key import Key, Mode
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

MODES: tuple[Mode, ...] = ("major", "minor")
MOST_ALTERNATIVES = 4
LEAST_BELIEF = 0.001
NO_OTHERS: tuple[Alternative, ...] = ()


@dataclass(frozen=True, slots=True)
class Opinion:
    """What the engine of hand-made features believes of each frame (T,): by chord (root on the line of
    fifths, quality, inversion), and by key index.
    """

    chords: dict[tuple[int, str, int], Floats]
    keys: dict[int, Floats]


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Frames begin..end under one label; `fixed` is the teacher's word on it, if any."""

    begin: int
    end: int
    key: int
    numeral: int
    fixed: Fixed | None


@dataclass(frozen=True)
class Judged:
    """What networks and engine say of a whole score, kept so that a changed correction is soon answered.

    `fixed` is what the teacher had settled then; `heads` (T, size) are the networks', see `network.judge`;
    `trust` is how the decoder weighs them. Where keys without chords are settled, `free` has the key and
    numeral index (T,) of the path without those keys; see `decoding.kept_chords`.
    """

    fixed: tuple[Fixed, ...]
    encoding: Encoding
    heads: dict[str, Floats]
    opinion: Opinion
    trust: Trust = TRUST
    free: tuple[Ints, Ints] | None = None


def read_trained(score: Score, corrections: Iterable[Correction] = (), trust: Trust = TRUST) -> Reading:
    """Read the harmony of a score around the teacher's corrections.

    A correction is kept exactly as it was given, however unlikely; the network is told of its chords, and
    what lies around it is found anew. Raises UnderstaveError where a correction names a place the score does
    not have, where nothing sounds, or where the weights are damaged.
    """
    return read_judged(score, judge_score(score, corrections, trust))


def judge_score(score: Score, corrections: Iterable[Correction] = (), trust: Trust = TRUST) -> Judged:
    """Ask the networks and the engine about a score; raises what `read_trained` raises."""
    network = load()
    fixed = settle(score, corrections)
    try:
        encoding = encode(score, [t for f in fixed for t in (f.start, f.end) if t < score.end])
    except ValueError:
        raise ScoreError("This score has no sounding notes, so there is no harmony to read.") from None
    settled, given_key, given_numeral = settled_frames(encoding, fixed, network.numerals)
    heads = judge(network, encoding, given_key, given_numeral)
    if not _key_alone(encoding, fixed).any():
        opinion = opinion_of(score, fixed, encoding, likely_keys(heads, settled))
        return Judged(fixed, encoding, heads, opinion, trust)
    chords = [f for f in fixed if f.numeral is not None]
    unsettled, free_key, free_numeral = settled_frames(encoding, chords, network.numerals)
    untold = judge(network, encoding, free_key, free_numeral)
    keys = likely_keys(untold, unsettled)
    opinion = opinion_of(score, fixed, encoding, keys)
    rules = second_opinion(opinion.chords, opinion.keys, network.numerals, keys, trust)
    own = leaning(untold, encoding, network.numerals, trust.habits)
    path = decode(own, network.numerals, encoding.frames[:, 0], unsettled, trust, [rules])
    return Judged(fixed, encoding, heads, opinion, trust, (path.key, path.numeral))


def _key_alone(encoding: Encoding, fixed: Sequence[Fixed]) -> Bools:
    """Return in which frames (T,) a key is settled and no chord."""
    result = np.zeros(len(encoding.times) - 1, dtype=bool)
    for f in fixed:
        if f.key is not None:
            part = slice(bisect_left(encoding.times, f.start), bisect_left(encoding.times, f.end))
            result[part] = f.numeral is None
    return result


def read_judged(score: Score, judged: Judged) -> Reading:
    """Find the best reading in what was judged of a score."""
    encoding, numerals = judged.encoding, shipped_numerals()
    first = next(t for t, codes in enumerate(encoding.codes) if codes[0, 0] > 0)
    settled, _, _ = settled_frames(encoding, judged.fixed, numerals)
    settled, numerals = with_further(judged, settled)
    return Reading(spans_found(score, judged, settled, first, judged.trust, numerals))


def with_further(judged: Judged, settled: Settled) -> tuple[Settled, Numerals]:
    """Return what each frame may be, and the table of numerals, with those that a held key asks for more.

    They may stand only where a key is settled and no chord.
    """
    numerals = shipped_numerals()
    if judged.free is None:
        return settled, numerals
    alone = _key_alone(judged.encoding, judged.fixed)
    wider = further_numerals(judged.free, settled.keys.argmax(1), alone, numerals)
    more = len(wider.reduced) - len(numerals.reduced)
    if not more:
        return settled, numerals
    may = np.repeat(alone[:, None], more, axis=1)
    return replace(settled, numerals=np.concatenate([settled.numerals, may], axis=1)), wider


def spans_found(
    score: Score, judged: Judged, settled: Settled, first: int, trust: Trust, numerals: Numerals
) -> tuple[Span, ...]:
    """Return the spans of the best path from frame `first` on; `numerals` is the table of `with_further`."""
    encoding, opinion = judged.encoding, judged.opinion
    heads = widened(judged.heads, len(numerals.reduced), trust)
    lengths = encoding.frames[:, 0]
    keys = likely_keys(heads, settled)
    opinions = [second_opinion(opinion.chords, opinion.keys, numerals, keys, trust)]
    if judged.free is not None:
        alone = _key_alone(encoding, judged.fixed)
        opinions.append(kept_chords(judged.free, alone, numerals, keys, trust))
    path = decode(
        leaning(heads, encoding, numerals, trust.habits), numerals, lengths, settled, trust, opinions
    )
    stretches = _stretches(encoding, path, settled, judged.fixed, first)
    beliefs = _beliefs(path, stretches, heads, opinion, numerals, lengths)
    return _spans(score, encoding, stretches, numerals, beliefs)


def settled_frames(
    encoding: Encoding, fixed: Sequence[Fixed], numerals: Numerals
) -> tuple[Settled, np.ndarray, np.ndarray]:
    """Turn what the teacher fixed into what each frame may be, and into what the network is told.

    It is told all of it: in training it was given keys without chords, chords without keys, and both.
    """
    frames, count = len(encoding.times) - 1, len(numerals.reduced)
    index = {reduced: i for i, reduced in enumerate(numerals.reduced)}
    settled = Settled(
        np.ones((frames, KEYS), dtype=bool),
        np.ones((frames, count), dtype=bool),
        np.zeros(frames, dtype=bool),
    )
    given_key = np.full(frames, KEYS, dtype=np.int64)
    given_numeral = np.full(frames, count, dtype=np.int64)
    for f in fixed:
        begin, end = bisect_left(encoding.times, f.start), bisect_left(encoding.times, f.end)
        for limit in (begin, end):
            if limit < frames:
                settled.limits[limit] = True
        key = key_index(f.key) if f.key else None
        if key is not None:
            settled.keys[begin:end] = False
            settled.keys[begin:end, key] = True
            given_key[begin:end] = key
        if f.numeral is None:
            continue
        for mode in MODES:
            # A numeral may mean different chords in major and minor; both are allowed while the key is open.
            if f.key and f.key.mode != mode:
                continue
            home = f.key or Key(PitchClass("C"), mode)
            number = index.get(reduce(home, f.numeral))
            if number is None:
                continue
            if settled.numerals[begin].all():
                settled.numerals[begin:end] = False
            settled.numerals[begin:end, number] = True
            given_numeral[begin:end] = number
    return settled, given_key, given_numeral


def opinion_of(score: Score, fixed: Sequence[Fixed], encoding: Encoding, keys: np.ndarray) -> Opinion:
    """Ask the engine of hand-made features, which hears missing and foreign notes more strictly.

    `keys` are those it is to consider, besides what the teacher fixed. Keys fixed without a chord are held by
    the decoder alone: its opinion on the chords stays as it was.
    """
    considered = [key_of(int(k)) for k in keys] + [f.key for f in fixed if f.key]
    chords = [f for f in fixed if f.numeral is not None]
    line, found = believed(score, chords, considered)
    limits = np.array([float(t) for t in line.times])
    moments = np.array([float(t) for t in encoding.times[:-1]])
    unit = np.clip(np.searchsorted(limits, moments + 1e-6) - 1, 0, len(limits) - 2)
    of_chord: dict[tuple[int, str, int], Floats] = {}
    of_key: dict[int, Floats] = {}
    nothing = np.zeros(len(moments), dtype=np.float32)
    for units, decoded in found:
        here = slice(*np.searchsorted(unit, (units.start, units.stop)))
        belief = np.asarray(decoded.belief, dtype=np.float32)[:, unit[here] - units.start]
        for label, number, row in zip(decoded.labels, decoded.keys, belief, strict=True):
            chord = chord_of(int(label), line.centre)
            name = (chord.root.fifths, str(chord.quality.value), chord.inversion)
            of_chord.setdefault(name, nothing.copy())[here] += row
            key = key_index(feature_key(int(number), line.centre))
            if key is not None:
                of_key.setdefault(key, nothing.copy())[here] += row
    return Opinion(of_chord, of_key)


def _stretches(
    encoding: Encoding, path: Path, settled: Settled, fixed: Sequence[Fixed], first: int
) -> list[_Stretch]:
    """Join neighbouring frames that say the same, except at limits the teacher set."""
    frames = len(encoding.times) - 1
    # A chord that the teacher gave without a key stays one span, whatever keys the path goes through.
    whole = {
        t
        for f in fixed
        if f.numeral is not None
        for t in range(bisect_left(encoding.times, f.start) + 1, bisect_left(encoding.times, f.end))
    }
    limits = [
        t
        for t in range(first + 1, frames)
        if settled.limits[t] or path.key[t] != path.key[t - 1] or path.numeral[t] != path.numeral[t - 1]
        if t not in whole
    ]
    result = []
    for begin, end in zip([first, *limits], [*limits, frames], strict=True):
        time = encoding.times[begin]
        own = next((f for f in fixed if f.start <= time < f.end), None)
        result.append(_Stretch(begin, end, int(path.key[begin]), int(path.numeral[begin]), own))
    return result


@lru_cache(maxsize=4096)
def _parse(text: str) -> RomanNumeral:
    return RomanNumeral.parse(text)


def numeral_of(numerals: Numerals, key: int, number: int) -> RomanNumeral:
    """Return a numeral of the table as it is written in a key (by index)."""
    text = numerals.texts[key % 2][number]
    return _parse(text if text is not None else numerals.texts[1 - key % 2][number] or "I")


def _is_tonic_sixfour(reduced: Reduced) -> bool:
    return reduced.root == 0 and reduced.inversion == 2 and reduced.tonicised == 0


@dataclass(frozen=True, slots=True)
class _Belief:
    """How sure a stretch's label is, and the next best labels (key index, numeral, share), best first."""

    sure: float
    others: tuple[tuple[int, int, float], ...]


def _spans(
    score: Score,
    encoding: Encoding,
    stretches: Sequence[_Stretch],
    numerals: Numerals,
    beliefs: Sequence[_Belief],
) -> tuple[Span, ...]:
    notes = InTime([note for note in score.notes if not note.grace and note.duration > 0])
    keys = [
        stretch.fixed.key if stretch.fixed and stretch.fixed.key else key_of(stretch.key)
        for stretch in stretches
    ]
    labels = [
        stretch.fixed.numeral
        if stretch.fixed and stretch.fixed.numeral
        else numeral_of(numerals, stretch.key, stretch.numeral)
        for stretch in stretches
    ]
    chords = [label.chord(key) for label, key in zip(labels, keys, strict=True)]
    spans: list[Span] = []
    sounding: list[Sequence[Note]] = []
    for i, (stretch, belief) in enumerate(zip(stretches, beliefs, strict=True)):
        key, label, chord = keys[i], labels[i], chords[i]
        settled = stretch.fixed is not None and stretch.fixed.numeral is not None
        following = chords[i + 1] if i + 1 < len(chords) and keys[i + 1] == key else None
        if not settled and _is_tonic_sixfour(numerals.reduced[stretch.numeral]):
            label = numeral_for(chord, key, following)
        own, others = (
            (1.0, NO_OTHERS) if settled else (belief.sure, _others(stretch, belief, numerals, key, label))
        )
        start, end = encoding.times[stretch.begin], encoding.times[stretch.end]
        sounding.append(notes.within(start, end))
        members, foreign = sort_notes(sounding[-1], chord)
        spans.append(Span(start, end, key, label, own, members, foreign, others, settled))
    named = as_they_sound(spans, sounding)
    return named_by_notes(named, heard_in(score, named))


def _beliefs(
    path: Path,
    stretches: Sequence[_Stretch],
    judged: dict[str, Floats],
    opinion: Opinion,
    numerals: Numerals,
    lengths: Floats,
) -> list[_Belief]:
    """Return how sure each stretch's own label is and the next best ones, averaged over its time."""
    labels = [(stretch.begin, stretch.end, stretch.key, stretch.numeral) for stretch in stretches]
    found = evidence(labels, judged, opinion.chords, numerals, lengths)
    beliefs = path.beliefs([*(stretch.begin for stretch in stretches), stretches[-1].end])
    result = []
    for stretch, belief, chances, own in zip(
        stretches, beliefs, found.chances, confidences(found), strict=True
    ):
        place = (int(np.flatnonzero(path.keys == stretch.key)[0]), stretch.numeral)
        rest = other_labels(belief, chances, place)
        # One more than is shown, as one may be written like the label itself.
        best = np.argpartition(rest, -MOST_ALTERNATIVES - 1, axis=None)[-MOST_ALTERNATIVES - 1 :]
        rivals = []
        for flat in best[np.argsort(-rest.ravel()[best], kind="stable")]:
            place_of_key, number = (int(x) for x in np.unravel_index(flat, rest.shape))
            # Shares of what is left over the label would promise too much where it is unsure: such rivals are
            # right about as often as the label itself (`benchmarks.calibration`), and are told as no more.
            share = min(float(own), float(rest[place_of_key, number] * (1 - own)))
            rivals.append((int(path.keys[place_of_key]), number, share))
        result.append(_Belief(float(own), tuple(rivals)))
    return result


def _others(
    stretch: _Stretch, belief: _Belief, numerals: Numerals, key: Key, label: RomanNumeral
) -> tuple[Alternative, ...]:
    found: list[Alternative] = []
    for number_of_key, number, share in belief.others:
        there = key if number_of_key == stretch.key else key_of(number_of_key)
        other = numeral_of(numerals, number_of_key, number)
        if share >= LEAST_BELIEF and (there, other) != (key, label):
            found.append(Alternative(there, other, share))
    return tuple(found[:MOST_ALTERNATIVES])
