"""MIDI numbers in, spelled pitches and a key out.

Spelling starts from the windowed vote of D. Meredith, "The ps13 pitch spelling algorithm", Journal of New
Music Research 35 (2006), stage 1: every pitch class heard nearby counts, as often as it is heard, as a
tonic, and votes for the spelling that a note has in its scale. The tonics themselves are spelled near the
key signature. Then, as in Meredith's stage 2 and in D. Temperley, "The Cognition of Basic Musical
Structures" (2001), ch. 5, voice leading decides close calls: a semitone step prefers two letters, a
whole-tone step is a major second, and notes heard together lie near each other on the line of fifths.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import log

import numpy as np

from understave.theory.key import Key
from understave.theory.pitch import Pitch, PitchClass

# Places on the line of fifths of the notes 0 to 11 semitones above a tonic (Meredith 2006: a tritone is
# an augmented fourth, all others are major, minor or perfect).
_ABOVE_TONIC = (0, -5, 2, -3, 4, -1, 6, 1, -4, 3, -2, 5)
_BEFORE, _AFTER = 20, 40  # notes of context; the best of five settings tried, Meredith's own are 10 and 42
_CENTRE = 2  # the middle of a major scale's seven places, counted from its tonic, is 2
_STEP_COST, _CHROMATIC_COST, _FAR_COST, _VOTE_WEIGHT = 1.0, 2.0, 0.15, 2.0
# Temperley, "Music and Probability" (2007), from the Kostka-Payne excerpts, tonic first.
_MAJOR = (0.748, 0.060, 0.488, 0.082, 0.670, 0.460, 0.096, 0.715, 0.104, 0.366, 0.057, 0.400)
_MINOR = (0.712, 0.084, 0.474, 0.618, 0.049, 0.460, 0.105, 0.747, 0.404, 0.067, 0.133, 0.330)


@dataclass(frozen=True, slots=True)
class Sounding:
    """A note to spell: its onset, MIDI number, line (a hand or staff), and the signature in force."""

    onset: Fraction
    midi: int
    line: int
    signature: int
    grace: bool = False


def estimate_key(weights: Sequence[float]) -> Key:
    """Return the key whose profile correlates best with the weights of the twelve pitch classes.

    `weights` are sounding time or counts from C up, not all equal. Profiles: Temperley 2007.
    """
    heard = np.asarray(weights, dtype=float)
    best = (-2.0, Key(PitchClass("C")))
    for mode, profile in (("major", _MAJOR), ("minor", _MINOR)):
        for tonic in range(12):
            r = float(np.corrcoef(np.roll(profile, tonic), heard)[0, 1]) if heard.std() else 0.0
            if r > best[0]:
                fifths = _nearest(tonic, 3 if mode == "minor" else 0)
                best = (r, Key(PitchClass.from_fifths(fifths), "minor" if mode == "minor" else "major"))
    return best[1]


def spell(notes: Sequence[Sounding]) -> list[Pitch]:
    """Spell notes sorted by onset; returns one pitch for each."""
    choices, costs = _votes(notes)
    picks = [min(range(len(c)), key=c.__getitem__) for c in costs]
    steps, together = _neighbours(notes)
    chords: dict[int, Counter[int]] = defaultdict(Counter)
    for i, moment in enumerate(together):
        if moment >= 0:
            chords[moment][choices[i][picks[i]]] += 1
    for _ in range(4):
        changed = False
        for i, options in enumerate(choices):
            # How the others of its chord are spelled now; counted, since a chord may have very many notes.
            chord = chords[together[i]] if together[i] >= 0 else Counter()
            if together[i] >= 0:
                chord[options[picks[i]]] -= 1
            around = [(choices[j][picks[j]], semitones) for j, semitones in steps[i]]
            best = _cheapest(options, costs[i], around, chord)
            if best != picks[i]:
                picks[i] = best
                changed = True
            if together[i] >= 0:
                chord[options[best]] += 1
        if not changed:
            break
    return [_pitch(sounding.midi, c[k]) for sounding, c, k in zip(notes, choices, picks, strict=True)]


def _cheapest(
    options: Sequence[int],
    costs: Sequence[float],
    around: Sequence[tuple[int, int]],
    chord: Mapping[int, int],
) -> int:
    """Return which spelling of a note costs least.

    `costs` are those of each by itself, `around` the neighbours in its line as they are spelled now, each
    with its distance in semitones, `chord` how often each spelling sounds with it.
    """
    best = (float("inf"), 0)
    for k, fifths in enumerate(options):
        cost = costs[k]
        for other, semitones in around:
            distance = abs(fifths - other)
            if semitones == 1:
                cost += _STEP_COST * (distance == 7) + _CHROMATIC_COST * (distance > 7)
            else:
                cost += _STEP_COST * (distance != 2)
        for other, count in chord.items():
            cost += _FAR_COST * count * max(0, abs(fifths - other) - 6)
        if cost < best[0]:
            best = (cost, k)
    return best[1]


def _votes(notes: Sequence[Sounding]) -> tuple[list[list[int]], list[list[float]]]:
    """Return for each note its likely spellings (places on the line of fifths) and what each costs."""
    classes = [sounding.midi % 12 for sounding in notes]
    counts = [0] * 12
    first = last = 0
    choices: list[list[int]] = []
    costs: list[list[float]] = []
    for i, sounding in enumerate(notes):
        while last < min(len(notes), i + _AFTER):
            counts[classes[last]] += 1
            last += 1
        while first < max(0, i - _BEFORE):
            counts[classes[first]] -= 1
            first += 1
        centre = sounding.signature + _CENTRE
        votes: dict[int, int] = {}
        for tonic, count in enumerate(counts):
            if count:
                place = _nearest(tonic, centre) + _ABOVE_TONIC[(classes[i] - tonic) % 12]
                votes[place] = votes.get(place, 0) + count
        plain = _nearest(classes[i], centre)
        options = sorted({plain - 12, plain, plain + 12, *votes}, key=lambda f: abs(f - centre))[:3]
        total = sum(votes.values())
        choices.append(options)
        costs.append([-_VOTE_WEIGHT * log((votes.get(f, 0) + 0.5) / (total + 1.5)) for f in options])
    return choices, costs


def _neighbours(notes: Sequence[Sounding]) -> tuple[list[list[tuple[int, int]]], list[int]]:
    """Return for each note the notes a step away just before and after in its line, and its moment's number.

    A grace note has no moment, -1.
    """
    steps: list[list[tuple[int, int]]] = [[] for _ in notes]
    together = [-1] * len(notes)
    lines: dict[int, list[list[int]]] = {}
    moments: dict[Fraction, int] = {}
    for i, sounding in enumerate(notes):
        groups = lines.setdefault(sounding.line, [])
        last = notes[groups[-1][-1]] if groups else None
        if last is not None and last.onset == sounding.onset and not (last.grace or sounding.grace):
            groups[-1].append(i)
        else:
            groups.append([i])
        if not sounding.grace:
            together[i] = moments.setdefault(sounding.onset, len(moments))
    for groups in lines.values():
        for before, after in pairwise(groups):
            for i in before:
                for j in after:
                    semitones = abs(notes[i].midi - notes[j].midi)
                    if semitones in (1, 2):
                        steps[i].append((j, semitones))
                        steps[j].append((i, semitones))
    return steps, together


def _nearest(pitch_class: int, centre: int) -> int:
    """Return the place on the line of fifths of a sounding pitch class that lies nearest to `centre`."""
    fifths = pitch_class * 7 % 12
    return fifths + 12 * round((centre - fifths) / 12)


def _pitch(midi: int, fifths: int) -> Pitch:
    spelled = PitchClass.from_fifths(fifths)
    plain = Pitch(spelled.letter, spelled.alter, 0)
    return Pitch(spelled.letter, spelled.alter, (midi - plain.midi) // 12)
