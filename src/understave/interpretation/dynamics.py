"""Score, reading and tension -> the line of loudness, hairpins and marks.

The line begins with what is printed (`printed`) and adds what players add to it: each phrase swells and
fades in an arch (Todd, "The dynamics of dynamics", Journal of the Acoustical Society of America 91, 1992;
the phrase arch of Friberg, Bresin & Sundberg, "Overview of the KTH rule system for musical performance",
Advances in Cognitive Psychology 2, 2006), tense harmony is louder than its release (harmonic charge, ibid.),
high melody louder than low (high loud, ibid.; Repp, "The dynamics of expressive piano performance", Journal
of the Acoustical Society of America 100, 1996), full texture louder than thin (common practice, no source).
The amounts are ours. Where a mark is printed the line stays at it, later within little more than a step of
it, and along a printed hairpin it never turns against it.

A hairpin is proposed where the line swells or fades clearly within a phrase and nothing is printed. Where no
mark is printed at all, one is proposed for the beginning, and others where the music changes its size.

Events of kind ``"dynamics"``. Detail: ``mark`` str (p, mf, ...), ``peak`` Fraction (the loudest moment),
``peak_pitch`` Pitch (the melody's note there), ``chord`` RomanNumeral and ``key`` Key (the harmony there, or
at the release), ``reason`` str: ``"tension"``, ``"height"``, ``"texture"`` or ``"phrase"``, whichever speaks
most for it (a phrase for what falls only where it surely ends), ``steps`` int (velocity steps between its
softest and its loudest moment).

- printed mark: "The score asks for p here."
- printed crescendo: "The printed swell: save the most for its end."
- printed diminuendo: "The printed fading: begin it loud enough to have room."
- swell: "Grow to bar 3, beat 1, then let go."
- crescendo: "Grow towards the end of this phrase."
- diminuendo: "Let the sound fall as the tension does."
- opening: "Nothing is printed; begin at mf."
- louder: "From here the music is bigger: f."
- softer: "From here the music is smaller: p."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from heapq import merge
from itertools import combinations, groupby, pairwise, takewhile
from operator import attrgetter
from typing import Literal

import numpy as np
import numpy.typing as npt

from understave.findings.cadences import CADENCE
from understave.findings.kinds import Kind
from understave.findings.phrases import PHRASE
from understave.findings.sounding_notes import soundings
from understave.findings.texture import texture_of
from understave.harmony.reading import Details, Reading, Span
from understave.interpretation.plan import DynamicMark, Hairpin, Level, Tension
from understave.interpretation.printed import (
    LOUDEST,
    MARKS,
    SOFTEST,
    STEP,
    VELOCITIES,
    PrintedLoudness,
    PrintedSwell,
    nearest_mark,
    printed_loudness,
    stays_loud,
)
from understave.interpretation.tension import clash
from understave.score.model import Measure, Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Pitch
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class DynamicsDetails(Details):
    """A mark or a hairpin, and what speaks for it."""

    reason: str | None = None
    steps: int | None = None
    peak: Fraction | None = None
    peak_pitch: Pitch | None = None
    chord: RomanNumeral | None = None
    key: Key | None = None
    mark: str | None = None


Floats = npt.NDArray[np.float64]

ARCH = 6.0
"""Velocity between the edge of a phrase and its peak."""
PEAK = 0.6
"""Where in a phrase its arch culminates, from 0 (start) to 1 (end)."""
TENSE = 16.0
"""Velocity between no tension and the most."""
HIGH = 0.35
"""Velocity for each semitone that the melody lies above its middle."""
THICK = 2.5
"""Velocity for each doubling of how many notes are struck in a bar."""
CLOSE, MOST = 0.45 * STEP, 1.2 * STEP
"""How far the line may leave what is printed: where a mark stands, and from a bar later on."""
_CLEAR = 5.0
"""Least velocity between the foot and the peak of a proposed hairpin."""
_PLAIN = 1.0
"""How far a point of the line may be moved when it is drawn with fewer points."""
_ACCENTED = frozenset(("accent", "strong-accent", "stress"))
"""Signs over a note that have it stand out."""
_INSTANT = Fraction(1, 64)
_at = attrgetter("at")
"""When a note is struck, as a number that compares fast."""
_RESTED = Fraction(1, 2)
"""Felt beats of rest, at least, that end a phrase for everybody to hear (common practice, no source)."""
_FIGURE = 3
"""Notes at least that are a figure."""
_SETTLED = 8.0
"""Least change of mean velocity from phrase to phrase that proposes another mark."""


@dataclass(frozen=True)
class _Line:
    """The line before it is drawn: moments, what is printed there, how far it may leave that, and what each
    reason adds.
    """

    moments: tuple[Fraction, ...]
    printed: Floats
    room: Floats
    parts: dict[str, Floats]

    @property
    def added(self) -> Floats:
        whole = sum(self.parts.values(), np.zeros(len(self.moments)))
        return np.asarray(np.clip(whole, -self.room, self.room))


def dynamics(
    score: Score, reading: Reading, tension: Sequence[Tension] = ()
) -> tuple[tuple[Level, ...], tuple[Hairpin, ...], tuple[DynamicMark, ...]]:
    """Plan the loudness of a piece: its line, its hairpins and its marks, each in order of time."""
    printed = printed_loudness(score)
    if not score.notes or not score.measures:
        return (), (), ()
    phrases = _phrases(score, reading)
    line = _reckoned(score, reading, tension, printed, phrases)
    velocities = _along_printed(line, printed)
    marks = _printed_marks(score, printed) if printed.marks else _proposed_marks(line, velocities, phrases)
    hairpins = _printed_hairpins(printed) + _proposed_hairpins(
        score, reading, line, velocities, phrases, printed
    )
    return (
        _levels(line, velocities, printed),
        tuple(sorted(hairpins, key=lambda hairpin: hairpin.start)),
        tuple(sorted(marks, key=lambda mark: mark.moment)),
    )


# --- the line --------------------------------------------------------------------------------------------


def _phrases(score: Score, reading: Reading) -> list[tuple[Fraction, Fraction]]:
    """Return the phrases; a piece without any is one."""
    found = [
        (event.start, event.end) for event in reading.events if event in PHRASE and event.label == "phrase"
    ]
    return [(a, b) for a, b in found if b > a] or [(score.notes[0].onset, score.end)]


def _grid(score: Score) -> tuple[Fraction, ...]:
    """Return every beat of the piece, and its end."""
    found: list[Fraction] = []
    for measure in score.measures:
        first = -(-measure.offset // measure.beat_length) * measure.beat_length - measure.offset
        t = measure.start + first
        if not found or found[-1] < measure.start:
            found.append(measure.start)
        while t < measure.end:
            if t > found[-1]:
                found.append(t)
            t += measure.beat_length
    return (*found, score.end) if score.end > found[-1] else tuple(found)


def _reckoned(
    score: Score,
    reading: Reading,
    tension: Sequence[Tension],
    printed: PrintedLoudness,
    phrases: Sequence[tuple[Fraction, Fraction]],
) -> _Line:
    grid = _grid(score)
    at = np.array([float(t) for t in grid])
    bar = float(np.median([float(measure.full_length) for measure in score.measures]))
    parts = {
        "phrase": ARCH * _arch(at, phrases),
        "height": HIGH * _height(score, reading.spans, at, bar),
        "texture": THICK * _thickness(score, at, bar),
    }
    if tension:
        parts["tension"] = TENSE * _tense(tension, at)
    return _Line(grid, np.array([printed.at(t) for t in grid]), _room(printed, at, bar), parts)


def _room(printed: PrintedLoudness, at: Floats, bar: float) -> Floats:
    """Return how far the line may leave print: where a mark stands it is meant, after a bar there is room."""
    marks = np.array([float(mark.moment) for mark in printed.marks])
    if not len(marks):
        return np.full(len(at), MOST)
    k = np.searchsorted(marks, at, side="right") - 1
    since = np.where(k >= 0, at - marks[np.maximum(k, 0)], bar)
    return np.asarray(CLOSE + (MOST - CLOSE) * np.clip(since / bar, 0, 1))


def _arch(at: Floats, phrases: Sequence[tuple[Fraction, Fraction]]) -> Floats:
    """Return a parabola over each phrase, 0 at its mean."""
    starts = np.array([float(a) for a, _ in phrases])
    ends = np.array([float(b) for _, b in phrases])
    k = np.clip(np.searchsorted(starts, at, side="right") - 1, 0, len(phrases) - 1)
    x = np.clip((at - starts[k]) / (ends[k] - starts[k]), 0, 1)
    return np.asarray(1 - np.where(x < PEAK, (PEAK - x) / PEAK, (x - PEAK) / (1 - PEAK)) ** 2 - 2 / 3)


def _height(score: Score, spans: tuple[Span, ...], at: Floats, bar: float) -> Floats:
    """Return how many semitones the melody lies above its middle, followed over half a bar."""
    melody = texture_of(score, spans).melody or tuple(note for note in score.notes if note.duration)
    if not melody:
        return np.zeros(len(at))
    onsets = np.array([float(note.onset) for note in melody])
    heights = np.array([float(note.midi) for note in melody])
    lengths = np.array([max(0.125, float(note.duration)) for note in melody])
    middle = float(np.average(heights, weights=np.minimum(lengths, bar)))
    above = _followed(onsets, heights, lengths, at, bar / 4, middle) - middle
    return np.asarray(np.clip(above, -18, 18))


def _followed(
    onsets: Floats, values: Floats, weights: Floats, at: Floats, width: float, otherwise: float
) -> Floats:
    """Return a weighted mean of the values round each moment, a bell `width` quarter notes wide."""
    found = np.full(len(at), otherwise)
    for i, t in enumerate(at):
        low, high = np.searchsorted(onsets, (t - 3 * width, t + 3 * width))
        if high > low:
            bell = weights[low:high] * np.exp(-0.5 * ((onsets[low:high] - t) / width) ** 2)
            # Far from any note the value comes back to the middle.
            found[i] = (bell @ values[low:high] + 1e-3 * otherwise) / (bell.sum() + 1e-3)
    return found


def _thickness(score: Score, at: Floats, bar: float) -> Floats:
    """Return how much more is struck than usual, in doublings."""
    onsets = np.array([float(note.onset) for note in score.notes])
    struck = np.array(
        [np.searchsorted(onsets, t + bar / 2) - np.searchsorted(onsets, t - bar / 2) for t in at], dtype=float
    )
    doublings = np.log2(1 + struck)
    return np.asarray(np.clip(doublings - doublings.mean(), -2, 2))


def _tense(tension: Sequence[Tension], at: Floats) -> Floats:
    """Return the tension at each moment, 0 at its mean by time."""
    starts = np.array([float(t.start) for t in tension])
    lengths = np.array([float(t.end - t.start) for t in tension])
    values = np.array([t.value for t in tension])
    k = np.clip(np.searchsorted(starts, at, side="right") - 1, 0, len(values) - 1)
    mean = float(np.average(values, weights=lengths)) if lengths.sum() else float(values.mean())
    return np.asarray(values[k] - mean)


def _along_printed(line: _Line, printed: PrintedLoudness) -> Floats:
    """Return the whole line; along a printed hairpin it does not turn against it."""
    velocities = np.clip(line.printed + line.added, SOFTEST, LOUDEST)
    at = np.array([float(t) for t in line.moments])
    for swell in printed.swells:
        inside = np.flatnonzero((at >= float(swell.start)) & (at <= float(swell.end)))
        if len(inside) < 2:
            continue
        part = velocities[inside]
        if swell.kind == "crescendo":
            velocities[inside] = np.maximum.accumulate(part)
        else:
            velocities[inside] = np.maximum.accumulate(part[::-1])[::-1]
    return velocities


def _levels(line: _Line, velocities: Floats, printed: PrintedLoudness) -> tuple[Level, ...]:
    """Draw the line with few points; a printed mark is a jump, two points at its moment."""
    at = np.array([float(t) for t in line.moments])
    jumps = {mark.moment for mark in printed.marks} | {p[0] for p in printed.line}
    points: list[tuple[Fraction, float]] = []
    for t in sorted({*line.moments, *(j for j in jumps if j <= line.moments[-1])}):
        value = float(np.interp(float(t), at, velocities))
        if t in jumps:
            # The grid's slope runs across the jump: what is added goes on straight, what is printed jumps.
            added = float(np.interp(float(t), at, velocities - line.printed))
            before = printed.at(float(t) - 1e-6)
            if abs(before - printed.at(t)) > _PLAIN and points:
                points.append((t, before + added))
            value = printed.at(t) + added
        points.append((t, min(LOUDEST, max(SOFTEST, value))))
    return tuple(Level(t, round(v, 2)) for t, v in _simplified(points))


def _simplified(points: list[tuple[Fraction, float]]) -> list[tuple[Fraction, float]]:
    """Leave out points that lie on the straight line between others (Douglas & Peucker, 1973)."""
    keep = {0, len(points) - 1}
    keep |= {i for i in range(1, len(points)) if points[i][0] == points[i - 1][0]}
    keep |= {i - 1 for i in keep if i}
    corners = sorted(keep)
    stack = list(pairwise(corners))
    times = np.array([float(t) for t, _ in points])
    values = np.array([v for _, v in points])
    while stack:
        a, b = stack.pop()
        if b - a < 2 or times[b] == times[a]:
            continue
        straight = values[a] + (values[b] - values[a]) * (times[a:b] - times[a]) / (times[b] - times[a])
        off = np.abs(values[a:b] - straight)
        worst = int(off.argmax())
        if off[worst] > _PLAIN:
            keep.add(a + worst)
            stack += [(a, a + worst), (a + worst, b)]
    return [points[i] for i in sorted(keep)]


# --- marks -----------------------------------------------------------------------------------------------


def _printed_marks(score: Score, printed: PrintedLoudness) -> list[DynamicMark]:
    ends = [mark.moment for mark in printed.marks[1:]] + [score.end]
    return [
        DynamicMark(
            mark.moment,
            mark.mark,
            "printed",
            DYNAMICS.event(
                "printed mark", mark.moment, max(end, mark.moment), (), 1.0, DynamicsDetails(mark=mark.mark)
            ),
        )
        for mark, end in zip(printed.marks, ends, strict=True)
    ]


def _proposed_marks(
    line: _Line, velocities: Floats, phrases: Sequence[tuple[Fraction, Fraction]]
) -> list[DynamicMark]:
    """Propose a mark for the beginning, and one for each phrase that is clearly louder or softer."""
    at = np.array([float(t) for t in line.moments])
    means = []
    for a, b in phrases:
        inside = (at >= float(a)) & (at < float(b))
        means.append(float(velocities[inside].mean()) if inside.any() else float(velocities.mean()))
    held = means[0]
    mark = nearest_mark(held)
    marks = [_mark(phrases[0], "opening", mark)]
    for phrase, mean in zip(phrases[1:], means[1:], strict=True):
        if abs(mean - held) >= _SETTLED:
            louder = mean > held
            step = MARKS.index(mark) + (1 if louder else -1)
            near = nearest_mark(mean)
            mark = near if near != mark else MARKS[min(len(MARKS) - 1, max(0, step))]
            marks.append(_mark(phrase, "louder" if louder else "softer", mark))
            held = mean
    return marks


def _mark(phrase: tuple[Fraction, Fraction], label: str, mark: str) -> DynamicMark:
    event = DYNAMICS.event(label, phrase[0], phrase[1], (), 0.6, DynamicsDetails(mark=mark))
    return DynamicMark(phrase[0], mark, "proposed", event)


# --- hairpins --------------------------------------------------------------------------------------------


def _printed_hairpins(printed: PrintedLoudness) -> list[Hairpin]:
    """Return the printed swells; one that goes straight on in the next is one with it."""
    marks = {mark.moment for mark in printed.marks}
    joined: list[PrintedSwell] = []
    for swell in printed.swells:
        if (
            joined
            and joined[-1].kind == swell.kind
            and joined[-1].end == swell.start
            and swell.start not in marks
        ):
            joined[-1] = replace(joined[-1], end=swell.end, after=swell.after)
        else:
            joined.append(swell)
    return [
        Hairpin(
            swell.start,
            None,
            swell.end,
            swell.kind,
            "printed",
            DYNAMICS.event(
                f"printed {swell.kind}",
                swell.start,
                swell.end,
                (),
                1.0,
                DynamicsDetails(steps=round(abs(swell.after - swell.before))),
            ),
        )
        for swell in joined
    ]


def _proposed_hairpins(
    score: Score,
    reading: Reading,
    line: _Line,
    velocities: Floats,
    phrases: Sequence[tuple[Fraction, Fraction]],
    printed: PrintedLoudness,
) -> list[Hairpin]:
    """Propose swells where the line rises and falls within a phrase, between what is printed."""
    at = np.array([float(t) for t in line.moments])
    added = velocities - line.printed
    busy = [(float(swell.start), float(swell.end)) for swell in printed.swells]
    cuts = sorted({*(float(mark.moment) for mark in printed.marks), *(t for pair in busy for t in pair)})
    found: list[Hairpin] = []
    for a, b in phrases:
        edges = [float(a), *(c for c in cuts if float(a) < c < float(b)), float(b)]
        for low, high in pairwise(edges):
            if any(s < high and low < e for s, e in busy):
                continue
            # Where the print turns softer nothing grows to: that moment is the next stretch's.
            softer = printed.at(high) < printed.at(high - 1e-6)
            inside = np.flatnonzero((at >= low) & ((at < high) if softer else (at <= high)))
            hairpin = _swell(score, reading, line, added, inside) if len(inside) >= 3 else None
            louder = printed.at(high) > printed.at(high - 1e-6)
            if hairpin is not None and louder and hairpin.kind != "crescendo" and hairpin.end >= high:
                # Nothing fades into a mark that is louder: it has faded before.
                inside = inside[at[inside] < high]
                hairpin = _swell(score, reading, line, added, inside) if len(inside) >= 3 else None
            if hairpin is not None and _fades_against_print(score, hairpin, printed):
                # What grows before it may stay.
                inside = inside[at[inside] <= float(hairpin.peak or hairpin.start)]
                hairpin = _swell(score, reading, line, added, inside) if len(inside) >= 3 else None
            if hairpin is not None and not _goes_on_in_print(score, hairpin, printed):
                found.append(hairpin)
    return found


def _fades_against_print(score: Score, hairpin: Hairpin, printed: PrintedLoudness) -> bool:
    """Whether what fades begins within a bar of a mark that is louder, or that says *f* or more anew, or is
    followed by one within a bar, runs over a printed accent, or *sempre f* stands within two bars of its end.

    The print drives on to that mark, has just set it, strikes anew or stays loud: nothing falls back there.
    """
    if hairpin.kind == "crescendo":
        return False
    near = hairpin.end + 2 * score.measure_at(hairpin.end).full_length
    if any(hairpin.start <= d.onset <= near and stays_loud(d.text) for d in score.directions):
        return True
    before = {mark: printed.at(float(mark.moment) - 1e-6) for mark in printed.marks}
    louder = [mark.moment for mark, level in before.items() if mark.velocity > level]
    loud = [m.moment for m, level in before.items() if m.velocity >= max(level, VELOCITIES["f"])]
    bar = score.measure_at(hairpin.end).full_length
    peak = hairpin.start if hairpin.peak is None else hairpin.peak
    set_anew = any(t <= peak < t + score.measure_at(peak).full_length for t in (*louder, *loud))
    drives_on = any(hairpin.end <= t <= hairpin.end + bar for t in (*louder, *loud))
    return set_anew or drives_on or any(peak < a.moment <= hairpin.end for a in printed.accents)


def _goes_on_in_print(score: Score, hairpin: Hairpin, printed: PrintedLoudness) -> bool:
    """Whether the next printed hairpin is of a proposed one's kind and begins within a bar of its end, or one
    ends where it begins.

    It would take from the printed one what it is to do, or tell of a beginning in the middle of it.
    """
    soon = hairpin.end + score.measure_at(hairpin.end).full_length
    after = next((swell for swell in printed.swells if swell.start >= hairpin.end), None)
    leads_into = after is not None and after.kind == hairpin.kind and after.start < soon
    return leads_into or any(hairpin.kind == s.kind and hairpin.start == s.end for s in printed.swells)


def _swell(
    score: Score, reading: Reading, line: _Line, added: Floats, inside: npt.NDArray[np.int64]
) -> Hairpin | None:
    """Return the hairpin that a stretch of the line asks for, None where it stays nearly level.

    The peak is moved to the highest note that is sung in the stretch: players grow with the melody, and a
    melody that does not rise to the peak, or rests on the way, carries no swell.
    """
    part = added[inside]
    top = int(part.argmax())
    foot, end = int(part[: top + 1].argmin()), top + int(part[top:].argmin())
    rises, falls = part[top] - part[foot] >= _CLEAR, part[top] - part[end] >= _CLEAR
    if not rises and not falls:
        return None
    start, stop = inside[foot if rises else top], inside[end if falls else top]
    notes = _sung(score, reading.spans, line.moments[start], line.moments[stop])
    if not notes:
        return None
    highest = max(notes, key=lambda note: _stress(score, note))
    peak = max(highest.onset, line.moments[start])
    at = np.array([float(t) for t in line.moments])
    height = float(np.interp(float(peak), at, added))
    up, down = height - added[start], height - added[stop]
    rises = rises and up >= _CLEAR and notes[0].midi < highest.midi
    falls = falls and down >= _CLEAR and notes[-1].midi < highest.midi
    # What turned on an upbeat would turn before its goal.
    falls = falls and not _leads_up(score, reading.spans, highest)
    if rises and not falls:
        # A line that climbs on at once has its peak there: it grows to that, or nothing is said.
        peak = _climbs_on(score, reading.spans, highest, peak)
        height = float(np.interp(float(peak), at, added))
        up = height - added[start]
        rises = up >= _CLEAR and peak <= line.moments[inside[-1]]
    if not rises and not falls:
        return None
    first, last = line.moments[start] if rises else peak, line.moments[stop] if falls else peak
    label: Literal["swell", "crescendo", "diminuendo"] = (
        "swell" if rises and falls else "crescendo" if rises else "diminuendo"
    )
    reason = _reason(line, at, float(first), float(peak), float(last))
    if reason == "tension" and not _clashes_most(score, first, peak, last):
        reason = "phrase"
    if reason == "phrase" and label == "diminuendo" and not _phrase_ends(score, reading, last):
        # Its notes sink from the highest one in any case.
        reason = "height"
    detail = DynamicsDetails(
        reason=reason,
        steps=round(max(up if rises else 0, down if falls else 0)),
        peak=peak,
    )
    note = _melody_at(score, reading.spans, peak)
    if note is not None:
        detail = replace(detail, peak_pitch=note.pitch)
    span = _span_at(reading.spans, peak if label != "diminuendo" else last)
    if span is not None:
        detail = replace(detail, chord=span.numeral, key=span.key)
    why = DYNAMICS.event(label, first, last, (note.id,) if note else (), 0.6, detail)
    return Hairpin(first, peak if label == "swell" else None, last, label, "proposed", why)


def _phrase_ends(score: Score, reading: Reading, moment: Fraction) -> bool:
    """Whether a phrase surely ends within a bar of a moment, the bar before not taken up again at once.

    It ends with a sure cadence, or its melody rests or waits on a long note.
    """
    bar = score.measure_at(max(Fraction(0), moment - _INSTANT))
    ends = [(e, d) for e, d in PHRASE.all(reading.events) if moment <= e.end < moment + bar.full_length]
    if not ends or _taken_up(score, reading.spans, bar):
        return False
    phrase, found = ends[0]
    closed = any(d.phrase_end == phrase.end and CADENCE.is_sure(e) for e, d in CADENCE.all(reading.events))
    return closed or found.long_note is not None or (found.rest or 0) >= _RESTED


def _taken_up(score: Score, spans: tuple[Span, ...], bar: Measure) -> bool:
    """Whether the melody's figure in a bar comes again in the next, at any height."""
    melody = texture_of(score, spans).melody
    lines = [
        melody[bisect_left(melody, float(m.start), key=_at) : bisect_left(melody, float(m.end), key=_at)]
        for m in score.measures[bar.index : bar.index + 2]
    ]
    one, *others = [
        [(n.onset - line[0].onset, n.pitch.diatonic - line[0].pitch.diatonic) for n in line] for line in lines
    ]
    return len(one) >= _FIGURE and one in others


def _stress(score: Score, note: Note) -> tuple[int, bool, bool, Fraction, Fraction]:
    """Order the notes of a line by what is its peak: the highest, and of those as high the accented one, one
    on a beat, the longest, the latest.
    """
    measure = score.measure_at(note.onset)
    on_beat = not measure.past_beat(note.onset)
    return note.midi, not _ACCENTED.isdisjoint(note.articulations), on_beat, note.duration, note.onset


def _leads_up(score: Score, spans: tuple[Span, ...], note: Note) -> bool:
    """Whether a note is an upbeat (in the last beat of its bar, or after its half) that leads without a rest
    into a higher one on the next downbeat.
    """
    bar = score.measure_at(note.onset)
    if 2 * (note.onset - bar.start) < bar.length:
        return False
    after = list(takewhile(lambda other: other.onset <= bar.end, _going_on(score, spans, note)))
    if not after:
        return False
    ends = [note.end, *(other.end for other in after)]
    connected = all(b.onset - end < bar.beat_length for end, b in zip(ends, after, strict=False))
    return connected and after[-1].onset == bar.end and after[-1].midi > note.midi


def _going_on(score: Score, spans: tuple[Span, ...], note: Note) -> Iterator[Note]:
    """Yield what a line is heard to go on with after a note: the melody, and the note's own printed voice,
    which may run on though another has the melody by then; of two at once the higher.
    """
    own, bar = (note.part, note.staff, note.voice), score.measure_at(note.onset)
    until = float(bar.end + bar.full_length)
    melody, struck = texture_of(score, spans).melody, score.struck
    first, last = (bisect_right(struck, moment, key=_at) for moment in (note.at, until))
    voice = (n for n in struck[first:last] if (n.part, n.staff, n.voice) == own)
    later = merge(melody[bisect_right(melody, note.at, key=_at) :], voice, key=_at)
    for _, at_once in groupby(later, key=_at):
        yield sorted(at_once, key=lambda n: n.midi)[-1]


def _climbs_on(score: Score, spans: tuple[Span, ...], highest: Note, peak: Fraction) -> Fraction:
    """Return when the melody is highest that goes on from a note without a rest, bar for bar."""
    last = highest
    for note in _going_on(score, spans, highest):
        measure = score.measure_at(peak)
        if note.onset - last.end >= measure.beat_length or note.onset >= peak + measure.full_length:
            break
        last = note
        if note.midi > highest.midi:
            highest, peak = note, note.onset
    return peak


def _reason(line: _Line, at: Floats, first: float, peak: float, last: float) -> str:
    """Return what speaks most for a peak; what is greater elsewhere in the stretch does not speak for it."""
    within = (at >= first) & (at <= last)
    swing = {"phrase": 0.0}
    for name, values in line.parts.items():
        there, start, stop = np.interp((peak, first, last), at, values)
        most = values[within].max(initial=there)
        if name in ("phrase", "height") or there >= most - (0.0 if name in ("texture", "tension") else 0.5):
            swing[name] = float(there - min(start, stop))
    return max(swing, key=lambda name: swing[name])


def _clashes_most(score: Score, first: Fraction, peak: Fraction, last: Fraction) -> bool:
    """Whether more clashes at a peak than at both ends of a swell, and nowhere on a beat within it more.

    A peak at one end is compared with the other; tension that comes of far keys alone is heard in no chord.
    """
    sound = soundings(score)

    def at(moment: Fraction) -> float:
        tones = sorted({note.midi % 12 for note in sound.at(moment)})
        return sum(clash(one, other) for one, other in combinations(tones, 2))

    beat = score.measure_at(peak).beat_length
    beats = (first + k * beat for k in range(int((last - first) / beat) + 1))
    here = at(peak)
    return here >= max(at(moment) for moment in beats) and all(
        here > at(end) for end in (first, last) if end != peak
    )


def _sung(score: Score, spans: tuple[Span, ...], start: Fraction, stop: Fraction) -> list[Note]:
    """Return the line that sounds from `start` to `stop`, that begun at `stop` among it; none if it rests.

    It is the melody, and where there is no melody at all the highest note of each moment.
    """
    heard = [note for note in texture_of(score, spans).melody if note.onset <= stop and note.end > start]
    if not heard:
        tops: dict[Fraction, Note] = {}
        for note in score.notes:
            if (
                note.duration
                and start <= note.onset <= stop
                and (note.onset not in tops or note.midi > tops[note.onset].midi)
            ):
                tops[note.onset] = note
        heard = [tops[t] for t in sorted(tops)]
    if not heard:
        return []
    rest = next(
        (measure.beat_length for measure in score.measures if measure.start <= start < measure.end),
        Fraction(1),
    )
    ends = [start, *(note.end for note in heard)]
    begins = [*(note.onset for note in heard), stop]
    # A breath is shorter than a beat; what is longer parts one line from the next.
    return [] if any(b - a >= rest for a, b in zip(ends, begins, strict=True)) else heard


def _melody_at(score: Score, spans: tuple[Span, ...], moment: Fraction) -> Note | None:
    melody = texture_of(score, spans).melody
    i = bisect_right(melody, moment, key=lambda note: note.onset) - 1
    # Where the melody rests it stands on nothing.
    return melody[i] if i >= 0 and melody[i].end > moment else None


def _span_at(spans: Sequence[Span], moment: Fraction) -> Span | None:
    i = bisect_right(spans, moment, key=lambda span: span.start) - 1
    return spans[i] if i >= 0 and moment < spans[i].end else None


def level_at(levels: Sequence[Level], moment: Fraction | float) -> float:
    """Return the velocity of a line of levels at a moment; of two points at one moment the later holds."""
    if not levels:
        return VELOCITIES["mf"]
    i = bisect_right(levels, float(moment), key=lambda level: float(level.moment))
    if i == 0:
        return levels[0].velocity
    if i == len(levels):
        return levels[-1].velocity
    a, b = levels[i - 1], levels[i]
    return a.velocity + (b.velocity - a.velocity) * (float(moment) - float(a.moment)) / float(
        b.moment - a.moment
    )


DYNAMICS: Kind[DynamicsDetails] = Kind(
    "dynamics",
    DynamicsDetails,
)
