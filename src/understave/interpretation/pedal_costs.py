"""Score, Reading and Instrument -> what every possible hold of the sustaining pedal would cost.

A hold goes from one onset to a later one. Notes that the fingers let go while it lasts ring on under it.
Each ringing note blurs what is struck later, by itself and without regard to the others, so that the blur
of every hold is a sum over notes and all sums are found in two sweeps. Times are seconds at the tempo
given, blur is 1 for a C and C♯ of the middle octave that sound together for one second.

- `grounds(score, reading, instrument, tempo)` gives `Grounds`: the onsets and the tables of costs.

Roughness of two keys is that of `acoustics.blur`, foreign notes are weighed by their share of the loudness,
loudness being power to 0.3 (Stevens, "The measurement of loudness", J. Acoust. Soc. Am. 27, 1955). The
amounts are set by reasoning (`pedal_search` tells how they were compared).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from math import log2

import numpy as np
from numpy.typing import NDArray

from understave.acoustics.blur import pair_table
from understave.acoustics.piano import GRAND, Instrument, damper_contact, damper_rate, spectrum, strings
from understave.harmony.reading import Reading, Span
from understave.interpretation.pedal_habit import habit, texture, wanted
from understave.interpretation.perform import clock
from understave.interpretation.plan import Plan
from understave.interpretation.printed_pedal import (
    PrintedPedal,
    Sign,
    held_by_sostenuto,
    printed_pedal,
    within,
)
from understave.score.model import Note, Score
from understave.theory.chord import Quality

Array = NDArray[np.float64]

REACH, LONGEST = 48, 14.0
"""Onsets and seconds that a hold lasts at most (one onset, if that takes longer)."""
MIXED = 0.2
"""Blur of a chord that comes while the pedal holds the one before, beside what its notes do, on a piano that
rings as long as the concert grand."""
RINGS, AFTER = slice(36, 85), 0.5
"""Keys, C2 to C6, and seconds after the blow, by which is told how long a piano rings."""
SHORTER = 0.7
"""Log-odds by which pedal is wanted more on a piano that rings half as much as the grand: what dies away soon
blurs little and is soon dry (common practice for early pianos, no source; the size set by ear)."""
FOREIGN = 0.5
"""Blur of a foreign note that is all one hears, beside its roughness."""
TOUCH = 64.0
"""Velocity at which roughness is tabled: the middle, between mp and mf (MIDI 1.0)."""
LEAST_ROUGH = 0.1
"""Roughness from which on two notes are said to clash; 1 for a C and C♯ of the middle octave."""
HALF_SECONDS = 0.3
"""How long a note has lain under a half-raised damper when its blur is judged."""
STACCATO = frozenset({"staccato", "staccatissimo", "spiccato"})
SHORTENED = 0.5
"""Share of its value that a staccato note is held."""
UNMARKED = 0.6
"""How far a gap between printed pedals asks for none; often it only leaves the matter to the player."""
HABITUAL = 2.0
"""Log-odds from which on a period's players keep the dampers a little off the strings even in runs."""
LOW = 48
"""C3: below it chords in close position are muddy by themselves (common practice, no source)."""
QUICK = 0.17
"""Seconds between onsets of passage work, at most."""
_BARE, _THIRD = 4, 4
"""Notes of a quick line with nothing under it that need no pedal, at least, and semitones between two of them
(set by ear).
"""


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """The notes as arrays: onsets by index (`struck`, `caught`, `stopped`), strike in seconds (`start`).

    `chord` (count,) is the onset with which the chord of an onset began.
    """

    seconds: Array
    key: NDArray[np.intp]
    start: Array
    struck: NDArray[np.intp]
    caught: NDArray[np.intp]
    stopped: NDArray[np.intp]
    chord: NDArray[np.intp]
    member: NDArray[np.bool_]
    instrument: Instrument

    @property
    def count(self) -> int:
        """How many onsets there are."""
        return self.seconds.size - 1

    def fresh(self) -> Array:
        """Loudness struck at each onset, one for each note."""
        return np.bincount(self.struck, minlength=self.count).astype(float)

    def left(self, notes: NDArray[np.intp], when: Array | float) -> Array:
        """Amplitude of notes at a time, 1 when struck, if no damper falls."""
        prompt, after, ratio = _decay(self.instrument)
        k = self.key[notes]
        age = np.maximum(0.0, when - self.start[notes])
        return np.asarray(np.hypot(np.exp(-prompt[k] * age), ratio[k] * np.exp(-after[k] * age)))

    def _sounding(self) -> Array:
        """Amplitude that the fingers keep sounding at each onset, by key (count, 128)."""
        under = np.zeros((self.count, 128))
        for ahead in range(REACH):
            mine = np.flatnonzero((self.struck + ahead <= self.caught) & (self.struck + ahead < self.stopped))
            if not mine.size:
                break
            index = self.struck[mine] + ahead
            np.maximum.at(under, (index, self.key[mine]), self.left(mine, self.seconds[index]))
        return under

    def _ringing(self) -> tuple[Array, Array]:
        """Amplitude and loudness (count,) of what a pedal pressed with the chord would have kept by then."""
        amplitude, loudness = np.zeros(self.count), np.zeros(self.count)
        for ahead in range(1, REACH + 1):
            index = self.caught + ahead
            mine = np.flatnonzero(index < np.minimum(self.count, self.stopped))
            mine = mine[self.struck[mine] >= self.chord[index[mine]]]
            if not mine.size:
                continue
            left = self.left(mine, self.seconds[index[mine]])
            np.add.at(amplitude, index[mine], left)
            np.add.at(loudness, index[mine], left**0.6)
        return amplitude, loudness

    def tables(self) -> tuple[Array, Array, Array]:
        """Return the blur of a hold, of a half hold, and what its release cuts, each (count, REACH + 1)."""
        under = self._sounding()
        rough = under @ pair_table(self.instrument, TOUCH)
        ringing, loud_ringing = self._ringing()
        total = np.maximum(1.0, under.sum(axis=1) + ringing)
        loud = np.maximum(1.0, (under**0.6).sum(axis=1) + loud_ringing)
        lasts = np.diff(self.seconds)
        half = _half_way(self.instrument)
        prompt, _, _ = _decay(self.instrument)
        shape = (self.count + 1, REACH + 1)
        blur, half_blur, cut = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        for ahead in range(REACH + 1):
            index = self.caught + ahead
            mine = np.flatnonzero((index > self.struck) & (index < np.minimum(self.count, self.stopped)))
            if not mine.size:
                continue
            now, k = index[mine], self.key[mine]
            left = self.left(mine, self.seconds[now])
            chordal = self.member[now, k % 12]
            cuts = np.where(chordal, left**0.6, 0.0)
            np.add.at(cut[:, ahead], self.caught[mine], cuts)
            if not ahead:
                continue
            # Over a long onset the note dies away: its mean, not its beginning, blurs.
            fading = prompt[k] * lasts[now]
            mean = lasts[now] * -np.expm1(-fading) / np.maximum(fading, 1e-9)
            share = left**0.6 / (loud[now] + left**0.6)
            cost = np.where(chordal, 0.0, left * rough[now, k] / total[now] + FOREIGN * share) * mean
            np.add.at(blur[:, ahead], self.caught[mine], cost)
            np.add.at(half_blur[:, ahead], self.caught[mine], cost * half[k])
        return _held(blur), _held(half_blur), _from_all(cut)


@dataclass(frozen=True, slots=True, eq=False)
class Grounds:
    """Everything the plan is decided on; n onsets, tables by onset and number of onsets held (n, REACH + 1).

    `blur` and `half_blur` are those of a hold with the pedal down and half down, `cut` the loudness that a
    release at its end takes from the chord that goes on, against `fresh` (n,), that of the notes struck
    there. `bass` (n,) tells before which onset a hold must have begun to lose the bass by releasing here
    (-1 for none), `bass_left` how much of it still sounds, `bass_held` whether a finger holds a bass through
    this onset. `clear` and `dry` (n,) are reasons, 0..1, to keep
    the pedal up and down from this onset to the next; `wanted` (n,) how far the music asks for pedal at all,
    0..1 (`pedal_habit`); `by_habit` whether the period never quite leaves it; `thick` (n,) whether a thick
    low chord is struck. `arrives` tells where a chord begins, `new_bass` where a bass is struck, `printed`
    what the printed marks ask: 1 a change, -1 none, 0 nothing; `depths` (n,) how deep a printed pedal is
    there, 0 where none is; `melted` (n,) where print keeps the dampers raised.
    """

    moments: tuple[Fraction, ...]
    seconds: Array
    spans: tuple[Span, ...]
    span: NDArray[np.intp]
    arrives: NDArray[np.bool_]
    on_beat: NDArray[np.bool_]
    downbeat: NDArray[np.bool_]
    new_bass: NDArray[np.bool_]
    printed: Array
    depths: Array
    melted: NDArray[np.bool_]
    blur: Array
    half_blur: Array
    cut: Array
    fresh: Array
    bass: NDArray[np.intp]
    bass_left: Array
    bass_held: NDArray[np.bool_]
    clear: Array
    dry: Array
    wanted: Array
    by_habit: bool
    thick: NDArray[np.bool_]
    why_clear: tuple[str, ...]
    lowest: tuple[Note | None, ...]
    notes: tuple[Note, ...]
    scene: Scene


def played(score: Score) -> tuple[Note, ...]:
    """Return the notes that a pianist plays: those of parts for two hands, or all if there is none."""
    pianos = {i for parts in score.keyboards for i in parts}
    return tuple(
        note
        for note in score.notes
        if note.duration > 0 and not note.grace and not note.cue and (not pianos or note.part in pianos)
    )


def grounds(score: Score, reading: Reading, instrument: Instrument, tempo: float) -> Grounds:
    """Weigh every possible hold; the score must have notes and the reading spans."""
    notes = played(score)
    print_ = printed_pedal(score)
    moments = _moments(score, notes)
    count = len(moments)
    at = np.array([float(m) for m in moments])
    end = float(max(note.end for note in notes))
    time = clock(score, Plan(tempo=tempo))
    seconds = np.array([time.at(q) for q in (*at, end)])
    spans = reading.spans
    starts = [span.start for span in spans]
    span = np.array([max(0, bisect_right(starts, m) - 1) for m in moments], dtype=np.intp)
    arrives = np.append(True, span[1:] != span[:-1])

    onset = np.array([float(note.onset) for note in notes])
    short = np.array([bool(STACCATO.intersection(note.articulations)) for note in notes])
    held = np.array([float(note.duration) for note in notes]) * np.where(short, SHORTENED, 1.0)
    caught_by = held_by_sostenuto(notes, print_.sustained)
    held = np.maximum(
        held, np.array([float(caught_by.get(note.id, note.onset) - note.onset) for note in notes])
    )
    key = np.array([note.midi for note in notes], dtype=np.intp)
    struck = np.searchsorted(at, onset)
    # The last onset before the fingers let go: a hold that begins there, or earlier, takes the note over.
    caught = np.maximum(struck, np.searchsorted(at, onset + held - 1e-6) - 1)
    stopped = _struck_again(key, struck, count)

    sevenths = {i: _own_seventh(span, notes) for i, span in enumerate(spans)}
    member = np.zeros((count, 12), dtype=bool)
    for index in range(count):
        chord = spans[span[index]]
        tones = {p.semitone for p in chord.numeral.chord(chord.key).members}
        member[index, list(tones | sevenths.get(span[index], set()))] = True

    chord_began = np.maximum.accumulate(np.where(arrives, np.arange(count), 0))
    scene = Scene(seconds, key, seconds[struck], struck, caught, stopped, chord_began, member, instrument)
    blur, half_blur, cut = scene.tables()
    rings = _rings(instrument)
    mixed = MIXED * rings * _passed(arrives)
    blur, half_blur = blur + mixed, half_blur + 0.5 * mixed
    bass, left = _bass(scene, arrives)
    clear, why = _reasons_to_clear(score, notes, short, moments, seconds, struck, print_)
    lowest: list[Note | None] = [None] * count
    for note, s in zip(notes, struck, strict=True):
        low = lowest[s]
        if low is None or note.midi < low.midi:
            lowest[s] = note
    return Grounds(
        moments=moments,
        seconds=seconds,
        spans=spans,
        span=span,
        arrives=arrives,
        on_beat=np.array([score.beat_at(m).denominator == 1 for m in moments]),
        downbeat=np.array([score.beat_at(m) == 1 for m in moments]),
        new_bass=_new_bass(score, moments, lowest, notes),
        printed=_printed(print_.signs, moments),
        depths=_depths(print_, moments),
        melted=np.array([within(print_.raised, m) for m in moments]),
        blur=blur,
        half_blur=half_blur,
        cut=cut,
        fresh=scene.fresh(),
        bass=bass,
        bass_left=left,
        bass_held=_bass_held(scene),
        clear=clear,
        dry=_dryness(onset + held, struck, at, clear),
        wanted=wanted(
            habit(score) - SHORTER * log2(rings),
            texture(notes, struck, onset + held, at, seconds, chord_began),
            seconds,
            arrives,
        ),
        by_habit=habit(score) >= HABITUAL,
        thick=_thick(scene),
        why_clear=why,
        lowest=tuple(lowest),
        notes=notes,
        scene=scene,
    )


def clash(grounds: Grounds, first: int, index: int) -> tuple[Note, Note] | None:
    """Return the foreign note that a hold from `first` brings to onset `index`, and what it rubs against.

    Both are a second apart, octaves aside. None if nothing foreign would ring there to be heard.
    """
    scene = grounds.scene
    ringing = np.flatnonzero((scene.caught >= first) & (scene.caught < index) & (scene.stopped > index))
    ringing = ringing[~scene.member[index, scene.key[ringing] % 12]]
    under = np.flatnonzero((scene.struck <= index) & (scene.caught >= index) & (scene.stopped > index))
    # What is held or struck anew, be it in another octave, is no leftover of the pedal.
    ringing = ringing[~np.isin(scene.key[ringing] % 12, scene.key[under] % 12)]
    if not ringing.size or not under.size:
        return None
    left = scene.left(ringing, grounds.seconds[index])
    apart = (scene.key[ringing][:, None] - scene.key[under][None, :]) % 12
    seconds = np.isin(apart, (1, 2, 10, 11))
    rough = pair_table(scene.instrument, TOUCH)[np.ix_(scene.key[ringing], scene.key[under])] * left[:, None]
    rough = np.where(seconds, rough, 0.0)
    old, new = np.unravel_index(int(np.argmax(rough)), rough.shape)
    if rough[old, new] < LEAST_ROUGH:
        return None
    return grounds.notes[ringing[old]], grounds.notes[under[new]]


def heard_in(notes: Sequence[Note], start: Fraction, end: Fraction) -> list[Note]:
    """Return those of some notes, in order of onset, that are written to sound between two moments."""
    # As floats, which compare fast.
    first, last = float(start), float(end)
    return [note for note in notes[: bisect_left(notes, last, key=lambda n: n.at)] if note.until > first]


def _own_seventh(span: Span, notes: Sequence[Note]) -> set[int]:
    """Return the sound of the minor seventh in the bass of a chord labelled as a major triad, if it is there.

    It is the lowest note while the chord lasts and stands near its beginning. The label leaves out the
    seventh of a dominant; what the bass of a chord gives is no leftover (common practice, no source).
    """
    chord = span.numeral.chord(span.key)
    if chord.quality is not Quality.MAJOR:
        return set()
    lowest = min(heard_in(notes, span.start, span.end), key=lambda note: note.midi, default=None)
    seventh = (chord.root.semitone + 10) % 12
    if lowest is None or lowest.midi % 12 != seventh:
        return set()
    return {seventh} if lowest.onset < span.start + (span.end - span.start) / 4 else set()


def _moments(score: Score, notes: Sequence[Note]) -> tuple[Fraction, ...]:
    """Return all onsets and the beginnings of general rests of half a beat or more."""
    found = {note.onset for note in notes}
    until = Fraction(0)
    for note in notes:
        if until > 0 and note.onset - until >= score.measure_at(until).beat_length / 2:
            found.add(until)
        until = max(until, note.end)
    return tuple(sorted(found))


def _struck_again(key: NDArray[np.intp], struck: NDArray[np.intp], count: int) -> NDArray[np.intp]:
    """Return the onset at which each note's key is struck again; `count` where it is not."""
    result = np.full(key.size, count, dtype=np.intp)
    following: dict[int, int] = {}
    for i in range(key.size - 1, -1, -1):
        result[i] = following.get(int(key[i]), count)
        following[int(key[i])] = int(struck[i])
    return result


def _passed(arrives: NDArray[np.bool_]) -> Array:
    """How many chords begin within a hold, by its first onset and the number of onsets (n + 1, REACH + 1)."""
    count = np.append(np.cumsum(arrives), np.full(REACH + 1, int(arrives.sum())))
    first = np.arange(arrives.size + 1)[:, None]
    last = first + np.arange(REACH + 1)[None, :] - 1
    return np.asarray(np.maximum(0, count[np.maximum(first, last)] - count[first]), dtype=float)


def _from_all(table: Array) -> Array:
    """(caught at, onsets ahead) -> (hold begun at, onsets ahead): the sum over all notes caught since."""
    result = table.copy()
    for begin in range(table.shape[0] - 2, -1, -1):
        result[begin, 1:] += result[begin + 1, :-1]
    return result


def _held(table: Array) -> Array:
    """Return the same summed over the onsets of the hold before its last."""
    at_onset = _from_all(table)
    result = np.zeros_like(at_onset)
    result[:, 1:] = np.cumsum(at_onset, axis=1)[:, :-1]
    return result


@lru_cache(maxsize=8)
def _decay(instrument: Instrument) -> tuple[Array, Array, Array]:
    """Return decay in nepers a second, prompt and after, and the after-sound's share, by key (128,)."""
    prompt, after, ratio = np.zeros(128), np.zeros(128), np.zeros(128)
    for key in range(128):
        wire = strings(key, instrument)
        weight = spectrum(key, TOUCH, instrument) ** 2
        prompt[key] = np.average(wire.prompt, weights=weight)
        after[key] = np.average(wire.after, weights=weight)
        ratio[key] = np.average(wire.after_ratio, weights=weight)
    return prompt, after, ratio


@lru_cache(maxsize=8)
def _rings(instrument: Instrument) -> float:
    """Return how much of its sound a piano keeps `AFTER` the blow, beside what the concert grand keeps."""
    left = []
    for piano in (instrument, GRAND):
        prompt, after, ratio = (table[RINGS] for table in _decay(piano))
        left.append(np.hypot(np.exp(-prompt * AFTER), ratio * np.exp(-after * AFTER)).mean())
    return float(left[0] / left[1])


@lru_cache(maxsize=8)
def _half_way(instrument: Instrument) -> Array:
    """Amplitude that a key keeps `HALF_SECONDS` after it is left to a pedal half down, by key (128,)."""
    lying = np.array([float(damper_contact(0.5, key)) * damper_rate(key, instrument) for key in range(128)])
    return np.asarray(10 ** (-lying * HALF_SECONDS / 20))


def _bass(scene: Scene, arrives: NDArray[np.bool_]) -> tuple[NDArray[np.intp], Array]:
    """For each onset the bass of its chord, be it from the chord before, if a release here would lose it."""
    bass = np.full(scene.count, -1, dtype=np.intp)
    left = np.zeros(scene.count)
    order = np.searchsorted(scene.struck, np.arange(scene.count + 1))
    low = -1
    for index in range(scene.count):
        mine = range(order[index], order[index + 1])
        lowest = min(mine, key=lambda i: int(scene.key[i]), default=-1)
        if arrives[index]:
            kept = low >= 0 and scene.member[index, scene.key[low] % 12]
            if not kept or (lowest >= 0 and scene.key[lowest] <= scene.key[low]):
                low = lowest
                continue
        if low >= 0 and (lowest < 0 or scene.key[lowest] > scene.key[low]):
            if scene.caught[low] < index and scene.stopped[low] > index:
                bass[index] = scene.caught[low]
                left[index] = scene.left(np.array([low]), scene.seconds[index : index + 1])[0]
        elif lowest >= 0:
            low = lowest
    return bass, left


def _bass_held(scene: Scene) -> NDArray[np.bool_]:
    """Whether a finger holds a note through an onset below all that is struck there."""
    lowest = np.full(scene.count, 999)
    np.minimum.at(lowest, scene.struck, scene.key)
    held = np.full(scene.count, 999)
    for key, begun, caught in zip(scene.key, scene.struck, scene.caught, strict=True):
        held[begun + 1 : caught + 1] = np.minimum(held[begun + 1 : caught + 1], key)
    return np.asarray((held < lowest) & (held < 999))


def _thick(scene: Scene) -> NDArray[np.bool_]:
    """Whether three notes or more are struck together below `LOW`, or two less than a fifth apart below
    it.
    """
    low = scene.key < LOW
    number = np.bincount(scene.struck[low], minlength=scene.count)
    least, most = np.full(scene.count, 999), np.full(scene.count, -999)
    np.minimum.at(least, scene.struck[low], scene.key[low])
    np.maximum.at(most, scene.struck[low], scene.key[low])
    return np.asarray((number >= 3) | ((number == 2) & (most - least < 7)))


def _new_bass(
    score: Score, moments: Sequence[Fraction], lowest: Sequence[Note | None], notes: Sequence[Note]
) -> NDArray[np.bool_]:
    """Whether the note struck at each onset is the lowest within the beat before and after, held ones too."""
    found = np.zeros(len(moments), dtype=bool)
    midi = np.array([note.midi if note else 999 for note in lowest])
    at = np.array([float(m) for m in moments])
    onset = np.array([float(note.onset) for note in notes])
    end = onset + np.array([float(note.duration) for note in notes])
    keys = np.array([note.midi for note in notes])
    longest = float((end - onset).max())
    for index, moment in enumerate(at):
        beat = float(score.measure_at(moments[index]).beat_length)
        around = slice(np.searchsorted(at, moment - beat + 1e-6), np.searchsorted(at, moment + beat - 1e-6))
        if midi[index] > midi[around].min():
            continue
        under = slice(np.searchsorted(onset, moment - longest), np.searchsorted(onset, moment))
        held = keys[under][end[under] > moment + 1e-6]
        found[index] = midi[index] < 999 and (not held.size or midi[index] <= held.min())
    return found


def _printed(signs: Sequence[Sign], moments: Sequence[Fraction]) -> Array:
    """Return 1 where the print changes the pedal, -1 where it holds it, 0 where it says nothing."""
    asked = np.zeros(len(moments))
    at = np.array([float(m) for m in moments])
    for sign in signs:
        inside = (at > float(sign.start) + 0.01) & (at < float(sign.end) - 0.01)
        asked[inside] = -1.0
        nearest = int(np.argmin(np.abs(at - float(sign.start))))
        asked[nearest] = 1.0
    return asked


def _printed_gaps(score: Score, signs: Sequence[Sign]) -> Iterator[tuple[Fraction, Fraction]]:
    """Where the print wants the pedal up: from a release to the next mark, half a bar to two bars on, and
    from the last one to an end within two bars.

    Shorter gaps between marks belong to how releases are engraved (common practice, no source).
    """
    for before, after in pairwise(signs):
        released, pressed = before.end, after.start
        measure = score.measure_at(released)
        if measure.full_length / 2 < pressed - released <= 2 * measure.full_length:
            yield released, pressed
    if signs and score.end - signs[-1].end <= 2 * score.measure_at(signs[-1].end).full_length:
        yield signs[-1].end, score.end


def _before_print(score: Score, signs: Sequence[Sign]) -> Fraction:
    """Return how long the first printed pedal is waited for, less than a bar, as in an upbeat; else 0."""
    first = signs[0].start if signs else Fraction(0)
    return first if first < score.measure_at(first).full_length else Fraction(0)


def _depths(print_: PrintedPedal, moments: Sequence[Fraction]) -> Array:
    """Return how deep the printed pedal is at each onset: by its sign, or half where words say so."""
    found = np.zeros(len(moments))
    for sign in print_.signs:
        found[bisect_left(moments, sign.start) : bisect_left(moments, sign.end)] = sign.depth
    found[[within(print_.half, m) for m in moments]] = 0.5
    return found


def _under_signs(print_: PrintedPedal, moments: Sequence[Fraction]) -> NDArray[np.bool_]:
    """Return whether each onset lies under a printed sign."""
    signed = np.zeros(len(moments), dtype=bool)
    for sign in print_.signs:
        signed[bisect_left(moments, sign.start) : bisect_left(moments, sign.end)] = True
    return signed


def _reasons_to_clear(  # noqa: PLR0913
    score: Score,
    notes: Sequence[Note],
    short: NDArray[np.bool_],
    moments: Sequence[Fraction],
    seconds: Array,
    struck: NDArray[np.intp],
    print_: PrintedPedal,
) -> tuple[Array, tuple[str, ...]]:
    """How much each onset asks for a raised pedal, 0..1, and why: staccato, rest or passage.

    Under a printed sign neither a rest nor a dot asks for it: the print holds the pedal through them.
    """
    count = len(moments)
    clear = np.zeros(count)
    why = [""] * count
    number = np.bincount(struck, minlength=count)
    detached = np.bincount(struck, weights=short.astype(float), minlength=count)
    under = _under_signs(print_, moments)
    for index in range(count):
        if under[index]:
            continue
        if not number[index]:
            clear[index], why[index] = 1.0, "rest"
        elif detached[index]:
            clear[index], why[index] = float(detached[index] / number[index]), "staccato"
    begun = _before_print(score, print_.signs)
    for index, moment in enumerate(moments):
        if moment < begun or within(print_.refused, moment):
            clear[index], why[index] = 1.0, "print"
    for start, end in _printed_gaps(score, print_.signs):
        for index in range(bisect_left(moments, start), bisect_left(moments, end)):
            if clear[index] < UNMARKED:
                clear[index], why[index] = UNMARKED, "print"
    for i in (*_passage_work(notes, struck, seconds), *_bare_runs(notes, struck, seconds, moments)):
        if clear[i] < 0.9:
            clear[i], why[i] = 0.9, "passage"
    return clear, tuple(why)


def _passage_work(notes: Sequence[Note], struck: NDArray[np.intp], seconds: Array) -> Iterator[int]:
    """Yield the onsets of passage work: single quick notes that move by step, and nothing else sounding."""
    count = len(seconds)
    number = np.bincount(struck, minlength=count)
    order = np.searchsorted(struck, np.arange(count + 1))
    quick = np.diff(seconds) <= QUICK
    run = 0
    for index in range(1, count + 1):
        single = (
            index < count
            and quick[index - 1]
            and number[index] == 1 == number[index - 1]
            and 1 <= abs(notes[order[index]].midi - notes[order[index - 1]].midi) <= 2
        )
        if single:
            run += 1
            continue
        if run >= 6:
            yield from range(index - run - 1, index)
        run = 0


def _bare_runs(
    notes: Sequence[Note], struck: NDArray[np.intp], seconds: Array, moments: Sequence[Fraction]
) -> Iterator[int]:
    """Yield the onsets of quick upbeats and links: single notes, a third apart at most, over no key held."""
    count = len(moments)
    at: list[list[Note]] = [[] for _ in range(count)]
    for note, index in zip(notes, struck, strict=True):
        at[int(index)].append(note)
    alone: list[Note | None] = []
    held = Fraction(0)
    for moment, here in zip(moments, at, strict=True):
        alone.append(here[0] if len(here) == 1 and held <= moment else None)
        held = max([held, *(note.end for note in here)])
    first = 0
    for index in range(1, count + 1):
        one, two = alone[index - 1], alone[index] if index < count else None
        quick = seconds[index] - seconds[index - 1] <= QUICK
        if one is not None and two is not None and quick and 1 <= abs(one.midi - two.midi) <= _THIRD:
            continue
        if index - first >= _BARE:
            yield from range(first, index)
        first = index


def _dryness(until: Array, struck: NDArray[np.intp], at: Array, clear: Array) -> Array:
    """How much each onset asks for the pedal, 0..1: most where fingers let go and nothing joins the notes."""
    count = at.size
    following = np.append(at[1:], at[-1] + 1.0)
    longest = np.zeros(count)
    np.maximum.at(longest, struck, until)
    gap = np.clip((following - np.maximum.accumulate(longest)) / (following - at), 0.0, 1.0)
    return np.asarray((0.5 + 0.5 * gap) * (1.0 - clear))
