"""Score and spans -> sequences and chains of chords, with their model and every step.

A sequence repeats a model on other degrees (Hutchinson, "Music Theory for the 21st-Century Classroom",
harmonic sequences; *Open Music Theory* v2, part IV, "Diatonic Sequences"; part V, "Chromatic Sequences").
It shows in the roots, which then move by a fixed pattern, and in the notes, which then come back
transposed; where both tell of the same passage they make one event. Roots count by sound, in staff steps
(a tritone is a fourth as well as a fifth), repeated ones once.

Event: kind ``"sequence"``; `notes` are the lowest note of each step (roots) or the notes of the model.
Labels by roots: ``"descending fifths"``, ``"ascending fifths"``, ``"descending thirds"``,
``"ascending thirds"``, ``"descending steps"``, ``"ascending 5-6"``. Labels by notes alone: ``"rising"``,
``"falling"`` (the whole texture comes back higher or lower), ``"melodic"`` (only the melody does, three
times at least). Detail:

- ``key`` Key: where it begins. ``pattern`` str: the root motion, ``"down a fifth"``,
  ``"down a fourth, up a step"`` ... (by roots). ``inversions`` str: ``"root position"``, ``"alternating"``
  or ``"mixed"`` (by roots). ``sevenths`` int: how many of the chords are seventh chords; ``applied`` int: how
  many are the applied dominant of the next (by roots).
- ``chords`` tuple of RomanNumeral, ``roots`` tuple of PitchClass, ``times`` tuple of Fraction: each step
  (by roots).
- ``model_start``, ``model_end`` Fraction: the model; ``statements`` int: how often it is stated, the model
  included; ``statement_times`` tuple of Fraction; ``interval`` Interval: from one statement to the next,
  negative when it falls; ``imitation`` str: ``"exact"`` (every interval kept), ``"diatonic"`` (kept by
  size, fitted to the key) or ``"free"`` (only the roots repeat).

Event: kind ``"chain"``: one sonority or one line that goes on. Labels: ``"diminished sevenths"`` (three
different ones), ``"parallel six-three chords"`` (four, moving by step one way),
``"chromatic bass descent"``, ``"chromatic bass ascent"`` (four tones), ``"lament bass"`` (from the tonic of a
minor key down to its dominant, by the scale or by semitones). Detail: ``key`` Key; ``chords`` tuple of
RomanNumeral; ``times`` tuple of Fraction; ``basses`` tuple of Pitch: the bass of each step; ``interval``
Interval: from the first bass to the last; ``colour`` str: ``"chromatic"`` or ``"diatonic"`` (lament bass).

Sentences, one per label:

- descending fifths: "The roots fall by fifths, seven chords long: i, iv7, VII7, III7, VI7, iiø7, V7."
- ascending fifths: "The roots climb by fifths: I, V, ii, vi."
- descending thirds: "The model of bar 1 comes back a third lower: roots down a fourth, up a step."
- ascending thirds: "The roots climb by thirds."
- descending steps: "Roots down a third and up a step: the model comes back a step lower."
- ascending 5-6: "Each step up is prepared by a chord a fourth below it: I, vi, ii, vii°, iii."
- rising: "The model of bars 5 to 6 is repeated a second higher."
- falling: "The model of bars 5 to 6 is repeated a second lower."
- melodic: "The melody's figure is repeated a step lower three times, while the bass goes its own way."
- diminished sevenths: "Three diminished sevenths in a row: each cancels the goal of the one before."
- parallel six-three chords: "Six-three chords slide down in parallel; hear the outer voices, not the chords."
- chromatic bass descent: "The bass sinks by semitones from E flat to C."
- chromatic bass ascent: "The bass climbs by semitones from A to D flat."
- lament bass: "The bass walks down from the tonic to the dominant, the old figure of lament."
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from understave.findings.closes import numeral_in
from understave.findings.kinds import Kind, Lane, Stop
from understave.findings.sounding_notes import Soundings, soundings
from understave.harmony.reading import Details, Event, Span, span_at
from understave.score.model import Note, Score
from understave.theory.chord import Chord, Quality
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class SequenceDetails(Details):
    """The model, its statements, and the roots they stand on."""

    key: Key | None = None
    pattern: str | None = None
    inversions: str | None = None
    sevenths: int | None = None
    applied: int | None = None
    chords: tuple[RomanNumeral, ...] | None = None
    roots: tuple[PitchClass, ...] | None = None
    times: tuple[Fraction, ...] | None = None
    model_start: Fraction
    model_end: Fraction
    statements: int
    statement_times: tuple[Fraction, ...]
    interval: Interval
    imitation: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainDetails(Details):
    """The sonority or the bass that goes on."""

    key: Key | None = None
    chords: tuple[RomanNumeral, ...]
    times: tuple[Fraction, ...]
    basses: tuple[Pitch, ...]
    interval: Interval | None = None
    colour: str | None = None
    over: Pitch | None = None


_LEAST = 0.55
"""Belief below which roots that keep to a pattern are an ordinary progression."""
# Staff steps that a root moves up, by the semitones it moves up; a tritone is a fourth or a fifth.
_STEPS: dict[int, tuple[int, ...]] = {
    1: (1,),
    2: (1,),
    3: (2,),
    4: (2,),
    5: (3,),
    6: (3, 4),
    7: (4,),
    8: (5,),
    9: (5,),
    10: (6,),
    11: (6,),
}


@dataclass(frozen=True, slots=True)
class Pattern:
    """A root motion that repeats: staff steps up from root to root, 0 to 6, and the least number of moves."""

    label: str
    moves: tuple[int, ...]
    least: int
    words: str


PATTERNS = (
    Pattern("descending fifths", (3,), 4, "down a fifth"),
    Pattern("ascending fifths", (4,), 4, "up a fifth"),
    Pattern("descending thirds", (5,), 3, "down a third"),
    Pattern("ascending thirds", (2,), 3, "up a third"),
    Pattern("descending thirds", (4, 1), 4, "down a fourth, up a step"),
    Pattern("descending steps", (5, 1), 5, "down a third, up a step"),
    Pattern("ascending 5-6", (5, 3), 4, "down a third, up a fourth"),
)


@dataclass(frozen=True, slots=True)
class Step:
    """One root: the spans that share it, its lowest note, and the highest as it begins (None in a rest).

    `last_start` is where the last of its spans begins.
    """

    start: Fraction
    last_start: Fraction
    end: Fraction
    span: Span
    chord: Chord
    bass: Note | None
    top: Note | None


@dataclass(frozen=True, slots=True)
class Repetition:
    """A model that comes back transposed: where each statement begins, and by how much each is moved.

    `shifts` are staff steps and semitones (of the melody) between neighbouring statements; `whole` tells
    that the full texture follows.
    """

    times: tuple[Fraction, ...]
    length: Fraction
    shifts: tuple[Interval, ...]
    exact: bool
    whole: bool
    notes: tuple[str, ...]

    @property
    def end(self) -> Fraction:
        """Where the last statement ends."""
        return self.times[-1] + self.length


def find_sequences(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return sequences and chains, sorted by start."""
    sounding = soundings(score)
    steps = steps_of(spans, sounding)
    repeated = repetitions(score)
    events = [
        *_sequences(score, steps, repeated),
        *_diminished(spans, sounding),
        *_six_threes(spans, sounding),
        *_bass_lines(score, spans, sounding),
    ]
    return tuple(sorted(events, key=lambda event: event.start))


# ---------------------------------------------------------------- roots


def steps_of(spans: Sequence[Span], sounding: Soundings) -> tuple[Step, ...]:
    """Return the roots in order; spans that follow each other on one root (by sound) are one step."""
    found: list[Step] = []
    for span in spans:
        chord = span.numeral.chord(span.key)
        if span.numeral.special == "Cad" and found:
            # A cadential six-four delays the dominant and has no root of its own in the chain.
            continue
        if found and found[-1].chord.root.is_enharmonic(chord.root) and found[-1].end == span.start:
            last = found[-1]
            # The seventh that joins a triad makes it the richer chord of the step.
            richer = last if len(last.chord.members) >= len(chord.members) else None
            found[-1] = Step(
                last.start,
                span.start,
                span.end,
                richer.span if richer else span,
                richer.chord if richer else chord,
                last.bass,
                last.top,
            )
            continue
        low = sounding.lowest(span.start, span.end)
        top = sounding.at(span.start)[-1:]
        found.append(Step(span.start, span.start, span.end, span, chord, low, top[0] if top else None))
    return tuple(found)


def root_runs(steps: Sequence[Step]) -> tuple[tuple[Pattern, int, int], ...]:
    """Return the runs of steps (first, last inclusive) that keep to a pattern, the longest first chosen."""
    moves = [
        _STEPS.get((b.chord.root.semitone - a.chord.root.semitone) % 12, ()) if _joined(a, b) else ()
        for a, b in pairwise(steps)
    ]
    found: list[tuple[Pattern, int, int]] = []
    for pattern in PATTERNS:
        period = len(pattern.moves)
        for phase in range(period):
            i = 0
            while i < len(moves):
                j = i
                while j < len(moves) and _goes_on(pattern.moves[(j - i + phase) % period], moves, i, j):
                    j += 1
                if j - i >= pattern.least:
                    found.append((pattern, i, j))
                i = max(j, i + 1) if period == 1 else i + 1
    found.sort(key=lambda run: (run[1] - run[2], run[1]))
    chosen: list[tuple[Pattern, int, int]] = []
    for run in found:
        if all(min(run[2], c[2]) - max(run[1], c[1]) <= 1 for c in chosen):
            chosen.append(run)
    return tuple(sorted(chosen, key=lambda run: run[1]))


def _goes_on(move: int, moves: Sequence[tuple[int, ...]], first: int, j: int) -> bool:
    """Whether a root moves as the pattern asks; a scale has one tritone in seven fifths, so no more."""
    tritone = len(moves[j]) == 2 and any(len(m) == 2 for m in moves[max(first, j - 5) : j])
    return move in moves[j] and not tritone


def _joined(first: Step, second: Step) -> bool:
    """Whether a step follows at once and neither lasts out of all proportion to the other."""
    a, b = first.end - first.start, second.end - second.start
    # The Cad six-four that was passed over may lie between.
    return second.start - first.end <= min(a, b) and a <= 6 * b


def _sequences(score: Score, steps: Sequence[Step], repeated: Sequence[Repetition]) -> Iterator[Event]:
    used: set[int] = set()
    for pattern, first, last in root_runs(steps):
        run = _from_model(steps[first : last + 1], pattern, repeated)
        start, end = run[0].start, run[-1].end
        inside = [
            (i, repetition)
            for i, repetition in enumerate(repeated)
            if 2 * (min(repetition.end, end) - max(repetition.times[0], start))
            >= min(end - start, repetition.end - repetition.times[0])
        ]
        used |= {i for i, _ in inside}
        repetition = max((repetition for _, repetition in inside), key=_weight, default=None)
        belief, run = _best_part(pattern, run, repetition)
        if belief >= _LEAST:
            yield _root_event(pattern, run, repetition, belief)
    for i, r in enumerate(repeated):
        if i not in used and not _is_one_chord(steps, r):
            yield _note_event(score, steps, r)


def _is_one_chord(steps: Sequence[Step], repetition: Repetition) -> bool:
    """Whether all statements lie in one chord: a broken chord that climbs or falls is no model that moves."""
    return any(step.start <= repetition.times[0] and repetition.end <= step.end for step in steps)


def _from_model(run: Sequence[Step], pattern: Pattern, repeated: Sequence[Repetition]) -> Sequence[Step]:
    """Return a run without the chords before the model, where the notes tell where that begins."""
    for k in range(len(run) - pattern.least):
        first = run[k]
        for repetition in repeated:
            inside = min(repetition.end, run[-1].end) - max(repetition.times[0], run[0].start)
            if (
                first.start <= repetition.times[0] < first.end
                and 2 * inside >= repetition.end - repetition.times[0]
            ):
                begun = replace(
                    first, start=repetition.times[0], last_start=max(first.last_start, repetition.times[0])
                )
                return (begun, *run[k + 1 :])
    return run


def _weight(repetition: Repetition) -> tuple[int, Fraction]:
    return len(repetition.times) + (1 if repetition.whole else 0), repetition.end - repetition.times[0]


def _best_part(
    pattern: Pattern, run: Sequence[Step], repetition: Repetition | None
) -> tuple[float, Sequence[Step]]:
    """Return the belief in a run; where it is too small, without chords at its ends that fit by chance."""
    whole = _root_belief(pattern, run, repetition)
    if whole >= _LEAST:
        return whole, run
    parts = [
        run[first : len(run) - last]
        for first in range(3)
        for last in range(2)
        if len(run) - first - last > pattern.least
    ]
    believed = [(_root_belief(pattern, part, repetition), part) for part in parts]
    return max(believed, key=lambda x: (x[0], len(x[1])))


def _root_belief(pattern: Pattern, run: Sequence[Step], repetition: Repetition | None) -> float:
    """Return how surely roots that keep to a pattern make a sequence.

    Length, an even pace, outer voices that repeat with the roots and a model in the notes speak for it;
    four or five chords of an ordinary progression without these are none.
    """
    if pattern.label == "ascending 5-6" and any(_seven_six(a, b) for a, b in pairwise(run)):
        return 0.0
    # What the first root holds before the pace begins does not count.
    lengths = [step.end - (step.start if i else step.last_start) for i, step in enumerate(run[:-1])]
    period = len(pattern.moves)
    even = all(lengths[i] == lengths[i - period] for i in range(period, len(lengths)))
    over = len(run) - 1 - pattern.least
    value = 0.3 + 0.1 * min(over, 4) + (0.2 if even else -0.1 if max(lengths) > 3 * min(lengths) else 0.0)
    if _follows([step.bass for step in run], period):
        value += 0.15
    if _follows([step.top for step in run], period):
        value += 0.15
    if repetition is not None:
        value += 0.25
    if all(len(step.chord.members) > 3 for step in run[1:-1]):
        value += 0.1
    if pattern.label == "ascending 5-6" and _applied(run) >= 2:
        value += 0.25
    return round(max(0.0, min(0.95, value)), 3)


def _seven_six(first: Step, second: Step) -> bool:
    """Whether over one bass a seventh sinks to the sixth: the roots are a 5-6's, the voices are not."""
    a, b = first.chord, second.chord
    stays = a.bass == a.root and b.bass.semitone == a.bass.semitone
    falls = (b.root.semitone - a.root.semitone) % 12 in (8, 9)
    return stays and falls and a.quality.is_seventh


def _follows(voice: Sequence[Note | None], period: int) -> bool:
    """Whether a voice moves through every statement as through the model, by staff steps, octaves aside.

    The model is one pattern, or two of them where voices take turns; two statements are the least.
    """
    degrees = [note.pitch.diatonic % 7 if note is not None else None for note in voice]
    for p in (period, 2 * period):
        moves = {
            (b - a) % 7 if a is not None and b is not None else None
            for a, b in zip(degrees, degrees[p:], strict=False)
        }
        if len(moves) == 1 and None not in moves and len(degrees) >= 2 * p:
            return True
    return False


def _applied(run: Sequence[Step]) -> int:
    """Return how many chords are the dominant seventh or ninth of the next."""
    return sum(
        1
        for a, b in pairwise(run)
        if a.chord.quality in (Quality.DOMINANT7, Quality.DOMINANT9, Quality.DOMINANT_MINOR9)
        and (b.chord.root.semitone - a.chord.root.semitone) % 12 == 5
        and a.span.numeral.applied
    )


def _root_event(pattern: Pattern, run: Sequence[Step], repetition: Repetition | None, belief: float) -> Event:
    start, end = run[0].start, run[-1].end
    period = len(pattern.moves)
    exact = all(
        (b.chord.root.semitone - a.chord.root.semitone) % 12
        == (run[period].chord.root.semitone - run[0].chord.root.semitone) % 12
        and a.chord.quality == b.chord.quality
        for a, b in zip(run, run[period:], strict=False)
    )
    inversions = [step.chord.inversion for step in run]
    if not any(inversions):
        placed = "root position"
    elif all(bool(a) != bool(b) for a, b in pairwise(inversions)):
        placed = "alternating"
    else:
        placed = "mixed"
    if repetition is not None:
        stated = _statements(repetition)
    else:
        starts = tuple(step.start for step in run[::period])
        stated = SequenceDetails(
            model_start=start,
            model_end=run[period].start,
            statements=len(starts),
            statement_times=starts,
            interval=_root_interval(run[0].chord.root, run[period].chord.root, pattern),
            imitation="exact" if exact else "free",
        )
    details = replace(
        stated,
        key=run[0].span.key,
        pattern=pattern.words,
        inversions=placed,
        sevenths=sum(1 for step in run if len(step.chord.members) > 3),
        applied=_applied(run),
        chords=tuple(numeral_in(step.span, run[0].span.key) for step in run),
        roots=tuple(step.chord.root for step in run),
        times=tuple(step.start for step in run),
    )
    notes = tuple(step.bass.id for step in run if step.bass is not None)
    return SEQUENCE.event(pattern.label, start, end, notes, belief, details)


def _root_interval(first: PitchClass, second: PitchClass, pattern: Pattern) -> Interval:
    """Return the interval by which a pattern moves, falling where its name says so."""
    rising = Interval.from_fifths(second.fifths - first.fifths)
    falls = pattern.label.startswith("descending")
    return rising - Interval(7, 12) if falls and rising.steps > 0 else rising


def _statements(repetition: Repetition) -> SequenceDetails:
    """Return what there is to say of notes that are stated again."""
    return SequenceDetails(
        model_start=repetition.times[0],
        model_end=repetition.times[0] + repetition.length,
        statements=len(repetition.times),
        statement_times=repetition.times,
        interval=repetition.shifts[0],
        imitation="exact" if repetition.exact else "diatonic",
    )


def _note_event(score: Score, steps: Sequence[Step], repetition: Repetition) -> Event:
    label = "melodic" if not repetition.whole else "falling" if repetition.shifts[0].falling else "rising"
    at = bisect_left([float(step.end) for step in steps], float(repetition.times[0]) + 1e-9)
    details = replace(_statements(repetition), key=steps[at].span.key if at < len(steps) else None)
    value = (0.45 if repetition.whole else 0.2) + 0.12 * len(repetition.times)
    if repetition.length < score.measure_at(repetition.times[0]).full_length:
        value -= 0.1
    return SEQUENCE.event(
        label, repetition.times[0], repetition.end, repetition.notes, round(min(0.95, value), 3), details
    )


# ---------------------------------------------------------------- notes that come back transposed


@dataclass(frozen=True, slots=True)
class _Window:
    """The notes struck in a stretch: the melody (highest struck), and everything, by offset."""

    top: dict[float, Note]
    all: Counter[tuple[float, int]]


def repetitions(score: Score) -> tuple[Repetition, ...]:
    """Return the models that come back transposed at once, the most telling of overlapping ones.

    Models are one to four bars, or half a bar where bars halve, and begin with a bar (a half bar).
    """
    struck = list(score.struck)
    onsets = [note.at for note in struck]
    found: list[Repetition] = []
    for bars in (Fraction(1, 2), Fraction(1), Fraction(2), Fraction(3), Fraction(4)):
        grid = _grid(score, bars)
        windows = [_window(struck, onsets, start, start + length) for start, length in grid]
        if bars >= 1:
            stride = int(bars)
            tracks = [list(range(k, len(grid), stride)) for k in range(stride)]
        else:
            tracks = [list(range(len(grid)))]
        for track in tracks:
            found += _runs_in(score, grid, windows, track)
    found.sort(key=lambda repetition: (-_weight(repetition)[0], repetition.length, repetition.times[0]))
    chosen: list[Repetition] = []
    for repetition in found:
        if all(
            2 * (min(repetition.end, c.end) - max(repetition.times[0], c.times[0]))
            < repetition.end - repetition.times[0]
            for c in chosen
        ):
            chosen.append(repetition)
    return tuple(sorted(chosen, key=lambda repetition: repetition.times[0]))


def _grid(score: Score, bars: Fraction) -> list[tuple[Fraction, Fraction]]:
    """Return start and length of the stretches of so many bars that a model may fill."""
    full = [measure for measure in score.measures if measure.length == measure.full_length]
    if bars < 1:
        halves = [measure for measure in full if measure.full_length / measure.beat_length in (2, 4)]
        return [
            (measure.start + k * measure.length / 2, measure.length / 2) for measure in halves for k in (0, 1)
        ]
    return [
        (measure.start, bars * measure.full_length)
        for measure in full
        if measure.start + bars * measure.full_length <= score.end
    ]


def _window(struck: Sequence[Note], onsets: Sequence[float], start: Fraction, end: Fraction) -> _Window:
    begin = float(start)
    first = bisect_left(onsets, begin)
    last = bisect_left(onsets, float(end))
    top: dict[float, Note] = {}
    everything: Counter[tuple[float, int]] = Counter()
    for note in struck[first:last]:
        offset = note.at - begin
        everything[offset, note.pitch.diatonic % 7] += 1
        if offset not in top or note.midi > top[offset].midi:
            top[offset] = note
    return _Window(top, everything)


def _runs_in(
    score: Score,
    grid: Sequence[tuple[Fraction, Fraction]],
    windows: Sequence[_Window],
    track: Sequence[int],
) -> Iterator[Repetition]:
    """Yield the runs of neighbouring windows that each repeat the one before by the same interval."""
    i = 0
    while i + 1 < len(track):
        run = [track[i]]
        shifts: list[Interval] = []
        whole = exact = True
        for j in track[i + 1 :]:
            last = run[-1]
            if grid[last][0] + grid[last][1] != grid[j][0] or grid[last][1] != grid[j][1]:
                break
            found = _transposition(windows[last], windows[j])
            if found is None or (shifts and found[0].steps != shifts[0].steps):
                break
            shift, same, full = found
            if shifts and whole and not full:
                break
            run.append(j)
            shifts.append(shift)
            exact = exact and same and shift.semitones == shifts[0].semitones
            whole = whole and full
        if len(run) >= (2 if whole else 3) and _is_model(windows, run, whole, grid[run[0]][1], score):
            times = tuple(grid[k][0] for k in run)
            notes = tuple(note.id for note in windows[run[0]].top.values())
            yield Repetition(times, grid[run[0]][1], tuple(shifts), exact, whole, notes)
        i += max(1, len(run) - 1)


def _transposition(first: _Window, second: _Window) -> tuple[Interval, bool, bool] | None:
    """Return by how much a window repeats another: the interval, whether exactly, whether all voices do."""
    if len(first.top) < 3 or len(second.top) < 3:
        return None
    common = [(first.top[o], second.top[o]) for o in first.top if o in second.top]
    most = max(len(first.top), len(second.top))
    if 4 * len(common) < 3 * most:
        return None
    sizes = Counter(b.pitch.diatonic - a.pitch.diatonic for a, b in common)
    steps, times = sizes.most_common(1)[0]
    if steps == 0 or abs(steps) > 6 or 5 * times < 4 * most:
        return None
    semitones = Counter(b.midi - a.midi for a, b in common if b.pitch.diatonic - a.pitch.diatonic == steps)
    size, often = semitones.most_common(1)[0]
    moved = Counter({(o, (d + steps) % 7): k for (o, d), k in first.all.items()})
    shared = sum((moved & second.all).values())
    total = max(sum(first.all.values()), sum(second.all.values()))
    return Interval(steps, size), often == most, 4 * shared >= 3 * total


def _is_model(
    windows: Sequence[_Window], run: Sequence[int], whole: bool, length: Fraction, score: Score
) -> bool:
    """Whether a repeated stretch has a shape of its own: no scale, no single chord, no repeated note."""
    model = windows[run[0]]
    notes = [model.top[o] for o in sorted(model.top)]
    line = [note.pitch.diatonic for k in run for note in (windows[k].top[o] for o in sorted(windows[k].top))]
    ways = {b - a for a, b in pairwise(line)}
    if ways <= {1} or ways <= {-1} or len({note.pitch.diatonic for note in notes}) < 2:
        return False
    same_way = all(w > 0 for w in ways) or all(w < 0 for w in ways)
    if same_way:
        return False
    # One repetition tells little: it must be a bar at least, with notes enough.
    return len(run) > 2 or (whole and len(notes) >= 4 and length >= score.measures[0].full_length)


# ---------------------------------------------------------------- chains


def _diminished(spans: Sequence[Span], sounding: Soundings) -> Iterator[Event]:
    run: list[Span] = []
    for span in (*spans, None):
        chord = span.numeral.chord(span.key) if span is not None else None
        is_dim = chord is not None and chord.quality is Quality.DIMINISHED7
        if span is not None and chord is not None and is_dim:
            last = run[-1].numeral.chord(run[-1].key).semitones if run else None
            if last == chord.semitones:
                continue
            if not run or span.start - run[-1].end <= 2 * (run[-1].end - run[-1].start):
                run.append(span)
                continue
        if len(run) >= 3:
            yield _chain("diminished sevenths", run, sounding, min(0.95, 0.6 + 0.1 * len(run)))
        run = [span] if span is not None and is_dim else []


def _chain(label: str, run: Sequence[Span], sounding: Soundings, belief: float) -> Event:
    basses = [sounding.lowest(span.start, span.end) for span in run]
    found = [b for b in basses if b is not None]
    held = len(found) == len(run) and len({b.pitch for b in found}) == 1
    details = ChainDetails(
        key=run[0].key,
        chords=tuple(numeral_in(span, run[0].key) for span in run),
        times=tuple(span.start for span in run),
        basses=tuple(b.pitch for b in found),
        interval=Interval.between(found[0].pitch, found[-1].pitch) if len(found) > 1 else None,
        over=found[0].pitch if held else None,
    )
    notes = tuple(b.id for b in found)
    return CHAIN.event(label, run[0].start, run[-1].end, notes, round(belief, 3), details)


def _six_threes(spans: Sequence[Span], sounding: Soundings) -> Iterator[Event]:
    """Yield runs of six-three chords over a bass that goes one way by step: as struck, else as labelled."""
    struck = list(_six_threes_struck(spans, sounding))
    yield from struck
    run: list[tuple[Note, ...]] = []
    labelled: list[list[tuple[Note, ...]]] = []
    for span in spans:
        chord = span.numeral.chord(span.key)
        low = sounding.lowest(span.start, span.end)
        fits = chord.inversion == 1 and len(chord.members) == 3 and low is not None
        if not fits or low is None:
            run = []
            continue
        step = low.pitch.diatonic - run[-1][0].pitch.diatonic if run else 0
        way = run[1][0].pitch.diatonic - run[0][0].pitch.diatonic if len(run) > 1 else step
        if run and abs(step) == 1 and step == way:
            run.append((low,))
        else:
            run = [run[-1], (low,)] if run and abs(step) == 1 else [(low,)]
        if len(run) == 4:
            labelled.append(run)
    for found in labelled:
        start, end = found[0][0].onset, found[-1][0].end
        overlaps = any(event.start < end and event.end > start for event in struck)
        if not overlaps and not _is_suspended(found, sounding) and _slides(found, sounding):
            yield _parallel(spans, found)


def _slides(run: Sequence[tuple[Note, ...]], sounding: Soundings) -> bool:
    """Whether the top goes the way of the bass, but for one step: else nothing slides in parallel, whatever
    the labels are (common practice, no source).
    """
    tops = [
        max(note.pitch.diatonic for chord in sounding.between(bass.onset, bass.end) for note in chord)
        for (bass,) in run
    ]
    way = run[1][0].pitch.diatonic - run[0][0].pitch.diatonic
    return sum((there - here) * way > 0 for here, there in pairwise(tops)) >= len(run) - 2


def _is_suspended(run: Sequence[tuple[Note, ...]], sounding: Soundings) -> bool:
    """Whether a voice lies over from chord to chord: a chain of suspensions does not slide in parallel.

    So it is where at most of the steps of the bass a note sounds on from before, or is struck again, that
    is none of the new chord's own.
    """
    late = 0
    for (before,), (bass,) in pairwise(run):
        own = {0, 2, 5}
        old = {note.midi for note in sounding.at(max(before.onset, bass.onset - _JUST_BEFORE))}
        here = [note for note in sounding.at(bass.onset) if note is not bass]
        late += any(
            note.midi in old and (note.pitch.diatonic - bass.pitch.diatonic) % 7 not in own for note in here
        )
    return 2 * late > len(run) - 1


_JUST_BEFORE = Fraction(1, 64)


def _six_threes_struck(spans: Sequence[Span], sounding: Soundings) -> Iterator[Event]:
    """Yield runs of struck chords with a third and a sixth above a bass that goes one way by step."""
    run: list[tuple[Note, ...]] = []
    way = 0
    for chord in (*sounding.chords, ()):
        bass = chord[0] if chord else None
        if bass is not None and run and bass is run[-1][0]:
            # Upper voices that move over a bass that stays neither go on nor break off.
            continue
        fits = bool(chord) and _is_six_three(chord)
        step = bass.pitch.diatonic - run[-1][0].pitch.diatonic if bass is not None and run else 0
        if fits and run and abs(step) == 1 and way in (0, step):
            run.append(chord)
            way = step
            continue
        if len(run) >= 4:
            yield _parallel(spans, run)
        # The last chord may begin the next run, the other way.
        if fits and run and abs(step) == 1:
            run, way = [run[-1], chord], step
        else:
            run, way = ([chord] if fits else []), 0


def _is_six_three(chord: Sequence[Note]) -> bool:
    above = {(note.pitch.diatonic - chord[0].pitch.diatonic) % 7 for note in chord}
    return above in ({0, 2, 5}, {2, 5}) or (above == {0, 2, 5, 7})


def _parallel(spans: Sequence[Span], run: Sequence[tuple[Note, ...]]) -> Event:
    start = run[0][0].onset
    end = max(note.end for note in run[-1])
    chords = [span for span in spans if span.start < end and span.end > start]
    details = ChainDetails(
        key=chords[0].key if chords else None,
        chords=tuple(numeral_in(span, chords[0].key) for span in chords),
        times=tuple(c[0].onset for c in run),
        basses=tuple(c[0].pitch for c in run),
        interval=Interval.between(run[0][0].pitch, run[-1][0].pitch),
    )
    notes = tuple(dict.fromkeys(note.id for c in run for note in c))
    belief = round(min(0.95, 0.45 + 0.1 * len(run)), 3)
    return CHAIN.event("parallel six-three chords", start, end, notes, belief, details)


# ---------------------------------------------------------------- bass lines


def bass_line(score: Score, spans: Sequence[Span], sounding: Soundings) -> tuple[tuple[Note, Fraction], ...]:
    """Return the bass, one note for each span, and for each beat in it where a new note is the lowest.

    Within a span only a note that is held for a beat or struck on one, and lies no more than a tone from
    the bass before, counts: what else goes up belongs to a broken chord. Each comes with its end.
    """
    found: list[tuple[Note, Fraction]] = []
    for k, span in enumerate(spans):
        first = _bass_of(span, sounding)
        if first is None:
            continue
        members = [first]
        beat = score.measures[first.measure].beat_length
        around = [sounding.lowest(s.start, s.end) for s in (*spans[max(0, k - 1) : k], *spans[k + 1 : k + 2])]
        if span.end - span.start < beat and all(n is not None and first.midi - n.midi > 12 for n in around):
            # For less than a beat the bass rests, more than an octave below: what is lowest then is no bass.
            continue
        for chord in sounding.between(max(first.onset, span.start), span.end):
            low = chord[0]
            near = 0 < abs(low.midi - members[-1].midi) <= 2
            if near and low.onset >= members[-1].end and 2 * low.duration >= beat:
                members.append(low)
        for i, note in enumerate(members):
            end = members[i + 1].onset if i + 1 < len(members) else span.end
            if found and found[-1][0].midi % 12 == note.midi % 12:
                found[-1] = found[-1][0], end
            else:
                found.append((note, end))
    return tuple(found)


def _bass_of(span: Span, sounding: Soundings) -> Note | None:
    """Return the bass of a span: the lowest note of the chord's own bass, else the lowest as it begins."""
    start = sounding.at(span.start)
    if start and start[0].pitch.pitch_class.is_enharmonic(span.numeral.chord(span.key).bass):
        return start[0]
    low = sounding.lowest(span.start, span.end)
    if low is not None and low.pitch.pitch_class.is_enharmonic(span.numeral.chord(span.key).bass):
        return low
    return start[0] if start else low


def _bass_lines(score: Score, spans: Sequence[Span], sounding: Soundings) -> Iterator[Event]:
    line = bass_line(score, spans, sounding)
    told: list[tuple[int, int]] = []
    for way, name in ((-1, "chromatic bass descent"), (1, "chromatic bass ascent")):
        i = 0
        while i < len(line):
            j = i
            while j + 1 < len(line) and _goes(line[j][0], line[j + 1][0], way, (1,)) and _near(line, j):
                j += 1
            if j - i >= 3:
                told.append((i, j))
                label = "lament bass" if way < 0 and _is_lament(line, i, j, spans) else name
                yield _bass_event(label, line[i : j + 1], spans, "chromatic", 0.4 + 0.1 * (j - i))
            i = max(j, i + 1)
    for i in range(len(line) - 3):
        notes = line[i : i + 4]
        walks = all(_goes(a[0], b[0], -1, (k,)) for (a, b), k in zip(pairwise(notes), (2, 2, 1), strict=True))
        covered = any(a <= i and i + 3 <= b for a, b in told)
        beat = score.measures[notes[0][0].measure].beat_length
        slow = all(end - note.onset >= beat for note, end in notes)
        if walks and slow and not covered and _is_lament(line, i, i + 3, spans):
            yield _bass_event("lament bass", notes, spans, "diatonic", 0.7)


def _goes(first: Note, second: Note, way: int, sizes: tuple[int, ...]) -> bool:
    """Whether the bass moves one way by one of some numbers of semitones; octaves may be changed."""
    gap = second.midi - first.midi
    return (way * gap) % 12 in sizes and abs(gap) <= 14


def _near(line: Sequence[tuple[Note, Fraction]], j: int) -> bool:
    """Whether the next tone follows without a long rest between."""
    return line[j + 1][0].onset - line[j][1] <= line[j][1] - line[j][0].onset


def _is_lament(line: Sequence[tuple[Note, Fraction]], first: int, last: int, spans: Sequence[Span]) -> bool:
    """Whether a falling bass goes from the tonic of a minor key to its dominant."""
    start, goal = line[first][0], line[last][0]
    over = [span_at(spans, note.onset) for note in (start, goal)]
    if over[0] is None or over[1] is None:
        return False
    key = over[0].key
    tonic, dominant = key.tonic.semitone, (key.tonic.semitone + 7) % 12
    roots = [span.numeral.chord(span.key).root.semitone for span in over if span is not None]
    return (
        key.mode == "minor"
        and (start.midi % 12, goal.midi % 12) == (tonic, dominant)
        and roots[0] == tonic
        and (roots[1] == dominant or over[1].numeral.special == "Cad")
    )


def _bass_event(
    label: str, line: Sequence[tuple[Note, Fraction]], spans: Sequence[Span], colour: str, belief: float
) -> Event:
    start, end = line[0][0].onset, line[-1][1]
    under = [span for span in spans if span.start < end and span.end > start]
    first, last = line[0][0].pitch, line[-1][0].pitch
    key: Key = under[0].key
    chords: tuple[RomanNumeral, ...] = tuple(numeral_in(span, key) for span in under)
    basses: tuple[Pitch, ...] = tuple(note.pitch for note, _ in line)
    details = ChainDetails(
        key=key,
        chords=chords,
        times=tuple(note.onset for note, _ in line),
        basses=basses,
        interval=_within_octave(first, last, rises=label.endswith("ascent")),
        colour=colour if label == "lament bass" else None,
    )
    notes = tuple(note.id for note, _ in line)
    return CHAIN.event(label, start, end, notes, round(min(0.95, belief), 3), details)


def _within_octave(first: Pitch, last: Pitch, rises: bool) -> Interval:
    """Return the interval between two tones the way the line goes, as if no octave were changed."""
    rising = Interval.from_fifths(last.fifths - first.fifths)
    return rising if rises or rising.steps == 0 else rising - Interval(7, 12)


def _weigh(base: float, event: Event, details: SequenceDetails) -> float:
    """One repetition makes no sequence yet."""
    return base * 0.5 if details.statements == 2 else base


SEQUENCE: Kind[SequenceDetails] = Kind(
    "sequence",
    SequenceDetails,
    find=find_sequences,
    weight=4.0,
    weigh=_weigh,
    lasting=True,
    lane=Lane(line=True),
    stop=Stop("pattern", lasts=True),
    searched={
        "circle of fifths": ("descending fifths",),
        "falling fifths": ("descending fifths",),
    },
)


CHAIN: Kind[ChainDetails] = Kind(
    "chain",
    ChainDetails,
    weight=5.0,
    labels={
        "lament bass": 6.0,
    },
    lasting=True,
    lane=Lane(line=True),
    stop=Stop("pattern", lasts=True),
    searched={
        "lament bass": ("lament bass",),
        "chromatic bass": ("chromatic bass descent", "chromatic bass ascent"),
    },
)
