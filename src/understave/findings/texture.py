"""Score and spans -> texture: melody, bass, inner voices and accompaniment, and the patterns of the last.

`roles` gives every note its role. The melody is looked for bar by bar among the upper and the lower outline
of every staff: steps, varied rhythm and words speak for it, quick even leaps, chords after the beat and
repetition against it, and it stays where it is unless another line is clearly better. The bass is what sounds
lowest, in a broken chord the lowest note of each figure. What is left is accompaniment where its hand plays
a pattern, an inner voice elsewhere.

The patterns (see `figuration`) are those of the handbooks (*Open Music Theory*, "Texture"; Hutchinson, "Music
Theory for the 21st-Century Classroom", chapter on accompanying textures; both from memory).

Events of kind ``"texture"``, one for each stretch in which a hand keeps to a pattern. Detail: ``hand`` str
(``"right hand"``, ``"left hand"``, ``"both hands"``, else the part's name), ``bars`` int (how many),
``held_bass`` int (1 where the lowest note is held under the pattern), ``per_beat`` int (notes to a felt
beat), and ``before`` str (the hand's pattern before, where it had one):

- broken chords: "The left hand breaks the chords in quavers."
- rocking: "The left hand rocks up and down through each chord."
- arpeggios: "The left hand sweeps through each chord over more than an octave."
- Alberti-like: "The left hand goes low, high, middle, high through each chord."
- block chords: "The left hand plays whole chords."
- repeated chords: "The left hand repeats each chord."
- bass and chords: "The left hand strikes a bass note, then the chord above it."
- waltz bass: "Bass note on one, chords on two and three."
- tremolo: "The left hand trembles between the notes of the chord."
- octaves: "The left hand moves in octaves."
- broken octaves: "The left hand alternates the two notes of an octave."
- repeated notes: "The left hand repeats one note."
- held notes: "The left hand holds long notes."
- running line: "The left hand runs by step."
- unison: "Both hands play the same notes in octaves."
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import groupby, pairwise
from statistics import median

from understave.findings.endings import singer_of
from understave.findings.figuration import FIGURED, FIGURES, NOTHING, PATTERNED, Pattern, pattern_of, steady
from understave.findings.kinds import Kind
from understave.findings.lines import lines
from understave.findings.remembered import remembered
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Measure, Note, Score


@dataclass(frozen=True, slots=True, kw_only=True)
class TextureDetails(Details):
    """A pattern of accompaniment and the hand that has it."""

    hand: str
    bars: int
    held_bass: int
    per_beat: int
    before: str | None = None


MELODY, BASS, INNER, ACCOMPANIMENT = "melody", "bass", "inner", "accompaniment"
_SINGING = ("cant", "melod", "il canto", "dolce", "espress", "marcato")
"""Beginnings of words that are printed where a melody begins."""
_CHANGE_OF_PLACE = 2.0
_FIGURE = 2.0
"""What speaks against a melody in the lowest staff where all that it plays is a figure of accompaniment."""
_DRONE = 2.0
"""What speaks against a line that stays on its note while another one moves (set by ear)."""
_ACCOMPANYING = frozenset(PATTERNED) - {"block chords"}
_SHORTEST_STRETCH = 2
_FIGURED_BARS, _CLEAR = 3, 0.65
"""Bars that a figure lasts at least to be told, and confidence: that of one in every second bar is less (set
by ear).
"""
_MOVING = 0.7
"""Share of a figure's usual strikings that a bar has at least in which it begins or ends (set by ear)."""
_AWAY = 3
"""Bars from which on a melody has gone to another voice, and not only there for a moment (set by ear)."""
_STRUCK = 4
"""Strikings of a note in one bar from which on it is heard as repeated (set by ear)."""


@dataclass(frozen=True, slots=True)
class Outline:
    """The upper or lower outline of a staff: notes by bar; `upper` tells which."""

    staff: int
    upper: bool
    bars: dict[int, tuple[Note, ...]]


@dataclass(frozen=True)
class Texture:
    """What is known of a piece's texture: the outlines, which of them is the melody in each bar, the
    melody's notes in order (one at a time), the pattern of every staff by bar, and the role of every note.
    """

    outlines: tuple[Outline, ...]
    places: tuple[int, ...]
    melody: tuple[Note, ...]
    patterns: dict[int, tuple[Pattern, ...]]
    roles: dict[str, str]


def roles(score: Score, spans: tuple[Span, ...]) -> dict[str, str]:
    """Return the role of every note by its (first) id; grace notes have that of the note they adorn."""
    return texture_of(score, spans).roles


def find_texture(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the stretches of accompaniment by start."""
    return tuple(sorted(stretches_of(score, spans), key=lambda event: event.start))


@remembered
def unled_bars(score: Score, spans: tuple[Span, ...]) -> frozenset[int]:
    """Return the bars, by index, in which what `texture_of` takes for the melody leads nothing.

    It stays on one note while another line moves, or a second single line on its staff moves as much as it;
    or it lies elsewhere than on top, and not clearly so; or it only goes through a figure, or does the same
    in bar after bar, over or under a line that is always new.
    """
    texture = texture_of(score, spans)
    found: set[int] = {*_unclear(score, texture), *_accompanying(score, texture)}
    for measure in score.measures:
        k = measure.index
        own = texture.outlines[texture.places[k]] if texture.outlines else None
        if own is not None and (
            _drones(own, texture.outlines, measure)
            or _is_matched(own, texture.outlines, score, k)
            or _wanders(own, texture.outlines, score, k)
        ):
            found.add(k)
    # An upbeat alone shows nothing: it goes with the bar that it leads to.
    first = texture.outlines[texture.places[0]].bars.get(0, ()) if texture.outlines else ()
    return frozenset(found | ({0} if len(first) == 1 and 1 in found else set()))


def _drones(own: Outline, outlines: Sequence[Outline], measure: Measure) -> bool:
    """Whether a line only holds or repeats a note, in this bar and the next or four times, while one moves.

    What moves is no figure of accompaniment, and goes on more often than the note is struck, or in its own
    time over chords that are repeated with it.
    """
    k = measure.index
    line = own.bars.get(k, ())
    if not line or any(note.lyrics for note in line):
        return False
    near = [own.bars.get(j, ()) for j in (k - 1, k + 1)]
    if len({note.midi for note in line}) > 1 or not (
        len(line) >= _STRUCK or any(n and {m.midi for m in n} == {line[0].midi} for n in near)
    ):
        return False
    onsets = [note.onset for note in line]
    others = [o.bars.get(k, ()) for o in outlines if o is not own]
    chords = any([note.onset for note in o] == onsets and _moves(o) == 0 for o in others)
    for rival in others:
        moves = _moves(rival)
        freer = 2 * moves >= len(line) or (chords and len(line) >= _STRUCK and len(rival) < len(line))
        if moves >= 2 and freer and pattern_of(rival, measure).name not in FIGURES:
            return True
    return False


def _unclear(score: Score, texture: Texture) -> Iterator[int]:
    """Yield the bars of stretches in which the melody is not on top, though it has not clearly gone away.

    It has where it moves through some bars in notes of several lengths or in many, half of them by step (what
    rocks between notes of a chord is no tune), while the top rests, stays on its note, or has an even figure.
    """
    top = min((o for o in texture.outlines if o.upper), key=lambda o: o.staff, default=None)
    for place, run in groupby(range(len(texture.places)), key=lambda k: texture.places[k]):
        bars = list(run)
        own = texture.outlines[place] if texture.outlines else None
        if own is None or top is None or own is top:
            continue
        line = [note for k in bars for note in own.bars.get(k, ())]
        sung = any(note.lyrics for note in line)
        lengths = {note.duration for note in line}
        varied = len(lengths) > 1 and 2 * max(lengths) >= 3 * min(lengths)
        moving = 2 * _moves(line) >= (3 if varied else 6) * len(bars)
        moving = moving and 2 * sum(abs(a.midi - b.midi) <= 2 for a, b in pairwise(line)) >= _moves(line)
        idle = sum(_is_idle(top, score.measures[k]) for k in bars)
        if not sung and (len(bars) < _AWAY or not moving or 4 * idle < 3 * len(bars)):
            yield from bars


def _accompanying(score: Score, texture: Texture) -> Iterator[int]:
    """Yield the bars of stretches, `_AWAY` long at least, in which what is taken for the melody is a figure
    or stands still as a whole, while in two of them at least another line moves that is no figure and new.

    The first bar goes with the next where half of its keys are struck there too.
    """
    outlines, places = texture.outlines, texture.places
    if not outlines:
        return

    def idle(k: int) -> bool:
        own, measure = outlines[places[k]], score.measures[k]
        if any(note.lyrics for note in own.bars.get(k, ())):
            return False
        here = _in_bar(own, score, k)
        near = (_in_bar(own, score, j) for j in (k - 1, k + 1))
        return bool(here) and (here in near or _is_idle(own, measure))

    for (place, stands), run in groupby(range(len(places)), key=lambda k: (places[k], idle(k))):
        bars = list(run)
        if not stands or len(bars) < _AWAY:
            continue
        rivals = [
            sum(
                _moves(line := o.bars.get(k, ())) > 1
                and pattern_of(line, score.measures[k]).name not in FIGURES
                and _in_bar(o, score, k) != _in_bar(o, score, k - 1)
                for k in bars
            )
            for o in outlines
            if o is not outlines[place]
        ]
        if max(rivals, default=0) > 1:
            yield from bars
            first, second = ([key for _, key in _in_bar(outlines[place], score, k)] for k in (0, 1))
            if bars[0] == 1 and places[0] == place and 2 * sum(k in second for k in first) >= len(first):
                yield 0


def _in_bar(outline: Outline, score: Score, bar: int) -> frozenset[tuple[Fraction, int]]:
    """Return what a line does in a bar: when, since its start, it strikes which key."""
    return frozenset(
        (note.onset - score.measures[bar].start, note.midi) for note in outline.bars.get(bar, ())
    )


def _is_idle(top: Outline, measure: Measure) -> bool:
    """Whether a line rests, stays on the note of the bar beside it, or only goes through an even figure."""
    line = top.bars.get(measure.index, ())
    pitches = {note.midi for note in line}
    near = [top.bars.get(measure.index + step, ()) for step in (-1, 1)]
    if not line or (len(pitches) == 1 and any(n and {note.midi for note in n} == pitches for n in near)):
        return True
    repeated = len(pitches) == 1 and len(line) >= _STRUCK
    even = len({note.duration for note in line}) == 1
    return repeated or (even and pattern_of(line, measure).name in FIGURES)


def _wanders(own: Outline, outlines: Sequence[Outline], score: Score, bar: int) -> bool:
    """Whether what moves under a drone on top goes from line to line, here or in a bar beside it."""
    top = next((o for o in outlines if o.upper), None)
    if top is None or own is top or not _drones(top, outlines, score.measures[bar]):
        return False
    near = [k for k in (bar - 1, bar, bar + 1) if 0 <= k < len(score.measures)]
    return any(_drones(top, outlines, score.measures[k]) and _moves(own.bars.get(k, ())) < 2 for k in near)


def _moves(line: Sequence[Note]) -> int:
    """Return how often a line goes on to another note."""
    return sum(a.midi != b.midi for a, b in pairwise(line))


def _is_matched(own: Outline, outlines: Sequence[Outline], score: Score, bar: int) -> bool:
    """Whether nothing but two single lines on one staff is heard around a bar, the other moving no less."""
    around = range(bar - 1, bar + 2)
    if any(o.staff != own.staff and any(k in o.bars for k in around) for o in outlines):
        return False
    other = next((o for o in outlines if o is not own and o.staff == own.staff), None)
    both = [k for k in around if k in own.bars and other is not None and k in other.bars]
    if other is None or bar not in both:
        return False
    line, rival = ([n for k in both for n in o.bars[k]] for o in (own, other))
    chords = len(line) + len(rival) < sum(n.measure in both for n in score.struck)
    if chords or any(n.lyrics for n in line):
        return False
    return 1 <= _moves(line) <= _moves(rival)


@remembered
def texture_of(score: Score, spans: tuple[Span, ...]) -> Texture:
    """Return the texture of a piece."""
    notes = list(score.struck)
    outlines = _outlines(notes)
    places = _melody_places(score, outlines)
    melody: list[Note] = []
    for measure in score.measures:
        melody += outlines[places[measure.index]].bars.get(measure.index, ()) if outlines else ()
    sung = _doublings(notes, melody)
    by_place: dict[tuple[int, int], list[Note]] = defaultdict(list)
    for note in notes:
        by_place[note.staff, note.measure].append(note)
    patterns = {
        staff: tuple(
            pattern_of(
                [note for note in by_place.get((staff, measure.index), ()) if note.id not in sung], measure
            )
            for measure in score.measures
        )
        for staff in sorted({note.staff for note in notes})
    }
    found = _roles(score, spans, notes, sung, patterns)
    onsets = [note.at for note in notes]
    for note in score.notes:
        if note.id not in found:
            found[note.id] = _adorned(note, notes, onsets, found)
    return Texture(outlines, places, tuple(melody), patterns, found)


# --- where the melody is ---------------------------------------------------------------------------------


def _outlines(notes: list[Note]) -> tuple[Outline, ...]:
    """Return the upper outline of every staff, and the lower one where two voices share it."""
    by_staff: dict[int, list[Note]] = defaultdict(list)
    for note in notes:
        by_staff[note.staff].append(note)
    found = []
    for staff, members in sorted(by_staff.items()):
        upper = _outline(members, 1)
        above = {note.id for note in upper}
        lower = _outline([note for note in members if note.id not in above], -1)
        found.append(Outline(staff, True, _by_bar(upper)))
        if lower:
            found.append(Outline(staff, False, _by_bar(lower)))
    return tuple(found)


def _outline(notes: list[Note], side: int) -> list[Note]:
    """Return the highest (side 1) or lowest (-1) notes, without those struck behind a held one."""
    outer: dict[float, Note] = {}
    for note in notes:
        onset = note.at
        if onset not in outer or side * note.midi > side * outer[onset].midi:
            outer[onset] = note
    line: list[Note] = []
    until = 0.0
    for onset, note in outer.items():
        if line and until > onset and side * line[-1].midi > side * note.midi:
            continue
        line.append(note)
        until = note.until
    return line


def _by_bar(notes: list[Note]) -> dict[int, tuple[Note, ...]]:
    bars: dict[int, list[Note]] = defaultdict(list)
    for note in notes:
        bars[note.measure].append(note)
    return {i: tuple(b) for i, b in bars.items()}


def _melody_places(score: Score, outlines: tuple[Outline, ...]) -> tuple[int, ...]:
    """Return which outline is the melody in each bar: the best path, with a price on every change."""
    if not outlines:
        return tuple(0 for _ in score.measures)
    top = min(outline.staff for outline in outlines)
    bottom = max(outline.staff for outline in outlines)
    words: dict[tuple[int, int], bool] = {}
    for direction in score.directions:
        if direction.kind == "words" and any(w in direction.text.lower() for w in _SINGING):
            words[direction.staff, score.measure_at(direction.onset).index] = True
    best = [0.0] * len(outlines)
    back: list[list[int]] = []
    under: dict[int, list[Note]] = defaultdict(list)
    for note in score.struck:
        if note.staff == bottom != top:
            under[note.measure].append(note)
    for measure in score.measures:
        # Where the singer rests for longer than a breath, the highest staff that plays is the top.
        near = range(measure.index - 1, measure.index + 2)
        highest = min((o.staff for o in outlines if any(k in o.bars for k in near)), default=top)
        gain = [
            -_DRONE * _drones(outline, outlines, measure)
            + _singing(
                outline.bars.get(measure.index, ()),
                measure,
                outline,
                highest,
                bottom,
                words.get((outline.staff, measure.index), False),
            )
            for outline in outlines
        ]
        if measure.index in under and pattern_of(under[measure.index], measure).name in _ACCOMPANYING:
            gain = [
                g - _FIGURE if outline.staff == bottom else g
                for g, outline in zip(gain, outlines, strict=True)
            ]
        source = max(range(len(outlines)), key=lambda i: best[i])
        # What enters above all others after a longer rest takes the melody with it.
        rest = {measure.index - 1, measure.index - 2}
        prices = [
            0.0
            if o.upper and o.staff == highest and measure.index in o.bars and rest.isdisjoint(o.bars)
            else _CHANGE_OF_PLACE
            for o in outlines
        ]
        came = [i if best[i] >= best[source] - price else source for i, price in enumerate(prices)]
        best = [(best[c] - (prices[i] if c != i else 0.0)) + gain[i] for i, c in enumerate(came)]
        back.append(came)
    at = max(range(len(outlines)), key=lambda i: best[i])
    path = []
    for came in reversed(back):
        path.append(at)
        at = came[at]
    return tuple(reversed(path))


def _singing(
    line: tuple[Note, ...], measure: Measure, outline: Outline, top: int, bottom: int, word: bool
) -> float:
    """Return how much a bar of an outline is like a melody; the weights are set by hand."""
    score = 0.4 if outline.upper else 0.0
    if outline.staff == top and outline.upper:
        score = 1.2
    if outline.staff == bottom and not outline.upper:
        score = -0.2
    if word and outline.upper:
        score += 1.5
    if not line:
        return score - 1.2
    if any(note.lyrics for note in line):
        score += 4.0
    if len(line) == 1:
        return score - (0.4 if float(line[0].duration) >= float(measure.full_length) else 0.0)
    score = _moving(score, line, float(measure.beat_length))
    if line[0].onset == measure.start:
        score += 0.3
    elif all(measure.past_beat(note.onset) for note in line):
        score -= 1.0
    return score


def _moving(score: float, line: tuple[Note, ...], beat: float) -> float:
    """Return `score` with how much the steps and lengths of a line are those of a melody."""
    lengths = [float(note.duration) for note in line]
    moves = [abs(b.midi - a.midi) for a, b in pairwise(line)]
    steps = sum(1 for x in moves if 0 < x <= 2) / len(moves)
    quick = median(lengths) <= 0.5 * beat
    leaps = sum(1 for x in moves if x >= 3) / len(moves)
    same = sum(1 for x in moves if x == 0) / len(moves)
    score += 1.5 * steps
    if quick:
        score -= 1.5 * leaps
    if max(lengths) == min(lengths) and quick and len(line) >= 5:
        score -= 0.8
    if max(lengths) >= 1.5 * min(lengths):
        score += 0.6
    if same == 1 and len(line) >= 3:
        score -= 0.8
    return score


def _doublings(notes: list[Note], melody: list[Note]) -> set[str]:
    """Return the ids of the melody's notes and of those that double them in octaves in the same hand."""
    by_onset: dict[float, Note] = {note.at: note for note in melody}
    sung = {note.id for note in melody}
    for note in notes:
        m = by_onset.get(note.at)
        if m is not None and m.staff == note.staff and abs(note.midi - m.midi) in (12, 24):
            sung.add(note.id)
    return sung


def _roles(
    score: Score,
    spans: tuple[Span, ...],
    notes: list[Note],
    sung: set[str],
    patterns: dict[int, tuple[Pattern, ...]],
) -> dict[str, str]:
    """Tell bass from accompaniment and inner voices."""
    found: dict[str, str] = {}
    bottom = max((note.staff for note in notes), default=0)
    starts = [float(span.start) for span in spans]
    # Halfway through the bar in meters that halve, else past its end.
    middles = [
        float(measure.start - measure.offset + measure.full_length / 2)
        if measure.beats % 2 == 0
        else float("inf")
        for measure in score.measures
    ]
    onsets = [note.at for note in notes]
    figures = [
        (note.measure, bisect_right(starts, t), t >= middles[note.measure])
        for note, t in zip(notes, onsets, strict=True)
    ]
    figure_low: dict[tuple[int, int, bool], int] = {}
    for note, figure in zip(notes, figures, strict=True):
        if note.staff == bottom:
            figure_low[figure] = min(figure_low.get(figure, 200), note.midi)
    # Chords spread over voices of one note each are part-writing: their middle notes are inner voices.
    struck: dict[tuple[int, int, str, float], int] = defaultdict(int)
    for note, t in zip(notes, onsets, strict=True):
        struck[note.measure, note.staff, note.voice, t] += 1
    chordal = {(bar, staff, voice) for (bar, staff, voice, _), size in struck.items() if size > 1}
    active: list[tuple[float, int]] = []
    i = 0
    while i < len(notes):
        j = i
        while j < len(notes) and onsets[j] == onsets[i]:
            j += 1
        active = [(end, midi) for end, midi in active if end > onsets[i]]
        active += [(note.until, note.midi) for note in notes[i:j]]
        lowest = min(midi for _, midi in active)
        for note, figure in zip(notes[i:j], figures[i:j], strict=True):
            name = patterns[note.staff][note.measure].name
            low = figure_low.get(figure, 200) if name in FIGURED else lowest
            if note.id in sung:
                found[note.id] = MELODY
            elif note.midi == lowest and note.midi <= low and (note.staff == bottom or len(patterns) == 1):
                found[note.id] = BASS
            elif name in FIGURED or (name in PATTERNED and (note.measure, note.staff, note.voice) in chordal):
                found[note.id] = ACCOMPANIMENT
            else:
                found[note.id] = INNER
        i = j
    return found


def _adorned(note: Note, notes: list[Note], onsets: list[float], found: dict[str, str]) -> str:
    """Return the role of the note that a grace (or cue) note stands before."""
    onset = note.at
    for n in notes[bisect_left(onsets, onset) : bisect_right(onsets, onset)]:
        if (n.staff, n.voice) == (note.staff, note.voice):
            return found[n.id]
    return INNER


# --- events ----------------------------------------------------------------------------------------------


def hand_of(score: Score, staff: int) -> str:
    """Return what plays a staff: a hand, the voice that sings the words, or a part by its name."""
    if singer_of(score) == staff:
        return "voice"
    for player in score.keyboards:
        first, last = score.parts[player[0]].first_staff, score.parts[player[-1]].last_staff
        if last == first + 1 and first <= staff <= last:
            return "right hand" if staff == first else "left hand"
    for part in score.parts:
        if part.first_staff <= staff <= part.last_staff:
            return "part" if part.hidden else part.name or "part"
    return "part"


@remembered
def stretches_of(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the stretches in which a hand keeps to a pattern, hand by hand."""
    texture = texture_of(score, spans)
    unison = _unison_bars(score)
    found: list[Event] = _runs_to_events(
        score, "both hands", [Pattern("unison") if u else NOTHING for u in unison], None
    )
    for staff, patterns in texture.patterns.items():
        shown = [NOTHING if u else pattern for pattern, u in zip(patterns, unison, strict=True)]
        found += _runs_to_events(score, hand_of(score, staff), shown, staff)
    return tuple(found)


def _unison_bars(score: Score) -> list[bool]:
    """Return for each bar whether all staves play one line in octaves."""
    staves = {note.staff for note in score.notes if note.duration > 0}
    at: dict[int, dict[float, list[Note]]] = defaultdict(lambda: defaultdict(list))
    for note in score.notes:
        if note.duration > 0 and not note.grace and not note.cue:
            at[note.measure][note.at].append(note)
    found = []
    for measure in score.measures:
        groups = list(at.get(measure.index, {}).values())
        found.append(
            len(staves) > 1
            and len(groups) >= 3
            and all(
                len({note.staff for note in g}) > 1
                and len({note.midi % 12 for note in g}) == 1
                and len({note.midi for note in g}) > 1
                for g in groups
            )
        )
    return found


def _runs_to_events(score: Score, hand: str, patterns: list[Pattern], staff: int | None) -> list[Event]:
    """Smooth the patterns of a hand and tell each run of them."""
    smoothed = steady(patterns)
    events: list[Event] = []
    before = ""
    i = 0
    while i < len(smoothed):
        j = i
        while j < len(smoothed) and smoothed[j] == smoothed[i]:
            j += 1
        pattern = smoothed[i]
        until = j
        if pattern.name in FIGURED and staff is not None:
            i, j = _in_motion(score, staff, i, j)
        if pattern.name and (j - i >= _SHORTEST_STRETCH or len(smoothed) <= _SHORTEST_STRETCH):
            exact = sum(p.name == pattern.name for p in patterns[i:j]) / (j - i)
            first = [
                note.id
                for note in score.notes
                if note.measure == i and note.duration > 0 and (staff is None or note.staff == staff)
            ]
            detail = TextureDetails(
                hand=hand, bars=j - i, held_bass=int(pattern.held_bass), per_beat=pattern.per_beat
            )
            if before:
                detail = replace(detail, before=before)
            events.append(
                TEXTURE.event(
                    pattern.name,
                    score.measures[i].start,
                    score.measures[j - 1].end,
                    tuple(first),
                    round(0.3 + 0.6 * exact, 3),
                    detail,
                )
            )
            before = pattern.name
        i = until
    return events


def _in_motion(score: Score, staff: int, first: int, end: int) -> tuple[int, int]:
    """Return the bars of a figure, from one up to another, without those at both ends that move less."""
    line, bars = lines(score).staves[staff], score.measures
    struck = {k: line.index(bars[k].end) - line.index(bars[k].start) for k in range(first, end)}
    usual = median(struck.values())
    while end - first > _SHORTEST_STRETCH and struck[first] < _MOVING * usual:
        first += 1
    while end - first > _SHORTEST_STRETCH and struck[end - 1] < _MOVING * usual:
        end -= 1
    return first, end


def has_figure_of(score: Score, one: Event, other: Event) -> bool:
    """Whether the figures of two stretches of accompaniment are alike: one hand, one rhythm, one contour.

    Compared is what the hand strikes in the first bar of each, note by note, up, down or level.
    """
    first, second = TEXTURE.of(one), TEXTURE.of(other)
    if first is None or second is None or first.hand != second.hand:
        return False
    (times, ways), (others, turns) = (_first_bar(score, event) for event in (one, other))
    if times != others or not ways:
        return False
    return 5 * sum(a == b for a, b in zip(ways, turns, strict=True)) >= 4 * len(ways)


def _first_bar(score: Score, event: Event) -> tuple[tuple[Fraction, ...], tuple[int, ...]]:
    """When the lowest notes of an event's first bar are struck in it, and how each goes on to the next."""
    struck: dict[Fraction, Note] = {}
    start = score.measure_at(event.start).start
    for note in (score.note_by_id[i] for i in event.notes if i in score.note_by_id):
        if not note.grace and (note.onset not in struck or note.midi < struck[note.onset].midi):
            struck[note.onset] = note
    line = [struck[t] for t in sorted(struck)]
    ways = tuple((b.midi > a.midi) - (b.midi < a.midi) for a, b in pairwise(line))
    return tuple(note.onset - start for note in line), ways


def _weigh(base: float, event: Event, details: TextureDetails) -> float:
    """Figures count from three bars on in which they are clear: in one or two each chord is not broken."""
    if event.label in FIGURES and (details.bars < _FIGURED_BARS or event.confidence < _CLEAR):
        return 0.0
    return base


TEXTURE: Kind[TextureDetails] = Kind(
    "texture",
    TextureDetails,
    find=find_texture,
    weight=1.8,
    weigh=_weigh,
    lasting=True,
    searched={
        "alberti bass": ("Alberti-like",),
        "waltz bass": ("waltz bass",),
        "arpeggio": ("arpeggios",),
        "broken chord": ("broken chords",),
    },
)
