"""Score and spans -> melody, bass, inner voices and accompaniment; its patterns; the melody's course.

`roles` gives every note its role. The melody is looked for bar by bar among the upper and the lower outline
of every staff: steps, varied rhythm and words speak for it, quick even leaps, chords after the beat and
repetition against it, and it stays where it is unless another line is clearly better. The bass is what sounds
lowest, in a broken chord the lowest note of each figure. What is left is accompaniment where its hand plays
a pattern, an inner voice elsewhere.

The patterns are those of the handbooks (*Open Music Theory*, "Texture"; Hutchinson, "Music Theory for the
21st-Century Classroom", chapter on accompanying textures; both from memory).

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

Events of kind ``"melody"``; ``hand`` str where the melody lies (not for a range), ``low`` and ``high`` Pitch:

- in the left hand, in the bass, in an inner voice: "From bar 37 the melody lies in the left hand." Also
  ``before`` str, the place it comes from.
- back on top: "From bar 45 the melody is back on top." Also ``before``.
- range: "The melody spans from C4 to A5." Also ``interval`` Interval, ``low_time`` and ``high_time``
  Fraction; `notes` are the lowest and the highest.
- repeated notes: "The melody repeats F4 six times." Also ``pitch`` Pitch, ``count`` int.
- leap: "The melody leaps up a seventh." Also ``first`` and ``second`` Pitch, ``interval`` Interval,
  ``direction`` str (``"up"``/``"down"``), ``filled`` int (1 where it then turns back by step).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from understave.harmony.events.remembered import remembered
from understave.harmony.reading import Detail, Event, Span
from understave.score.model import Measure, Note, Score
from understave.theory.pitch import Interval

MELODY, BASS, INNER, ACCOMPANIMENT = "melody", "bass", "inner", "accompaniment"
_FIGURES = ("broken chords", "rocking", "arpeggios", "Alberti-like")
"""Patterns of single notes that spell a chord: one family, which a stray bar does not leave."""
_FIGURED = (*_FIGURES, "bass and chords", "waltz bass", "tremolo", "broken octaves")
"""Patterns in which only the lowest note of each figure is bass."""
_PATTERNED = (*_FIGURED, "block chords", "repeated chords")
_SINGING = ("cant", "melod", "il canto", "dolce", "espress", "marcato")
"""Beginnings of words that are printed where a melody begins."""
_CHANGE_OF_PLACE = 2.0
_CHANGE_OF_PATTERN = 1.2
_SHORTEST_STRETCH = 2
_LEAP, _MOST_LEAPS = 8, 8
_MOST_REPEATED = 6
_REPEATED, _REPEATED_WORDS = 4, 6
"""Fewest notes on one pitch that are told; words are often spoken on one note."""


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


@dataclass(frozen=True, slots=True)
class Pattern:
    """What a staff plays besides the melody in one bar; `name` is "" for nothing or nothing special."""

    name: str
    held_bass: bool = False
    per_beat: int = 0


_NOTHING = Pattern("")


def roles(score: Score, spans: tuple[Span, ...]) -> dict[str, str]:
    """Return the role of every note by its (first) id; grace notes have that of the note they adorn."""
    return texture_of(score, spans).roles


def find_texture(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the stretches of accompaniment and what is to be told of the melody, by start."""
    if not score.measures or not any(n.duration > 0 for n in score.notes):
        return ()
    texture = texture_of(score, spans)
    events = [*stretches_of(score, spans), *_melody_events(score, texture)]
    return tuple(sorted(events, key=lambda e: e.start))


@remembered
def texture_of(score: Score, spans: tuple[Span, ...]) -> Texture:
    """Return the texture of a piece."""
    notes = [n for n in score.notes if n.duration and not n.grace and not n.cue]
    outlines = _outlines(score, notes)
    places = _melody_places(score, outlines)
    melody: list[Note] = []
    for m in score.measures:
        melody += outlines[places[m.index]].bars.get(m.index, ()) if outlines else ()
    sung = _doublings(notes, melody)
    by_place: dict[tuple[int, int], list[Note]] = defaultdict(list)
    for n in notes:
        by_place[n.staff, n.measure].append(n)
    patterns = {
        staff: tuple(
            pattern_of([n for n in by_place.get((staff, m.index), ()) if n.id not in sung], m)
            for m in score.measures
        )
        for staff in sorted({n.staff for n in notes})
    }
    found = _roles(score, spans, notes, sung, patterns)
    onsets = [float(n.onset) for n in notes]
    for n in score.notes:
        if n.id not in found:
            found[n.id] = _adorned(n, notes, onsets, found)
    return Texture(outlines, places, tuple(melody), patterns, found)


# --- where the melody is ---------------------------------------------------------------------------------


def _outlines(score: Score, notes: list[Note]) -> tuple[Outline, ...]:
    """Return the upper outline of every staff, and the lower one where two voices share it."""
    by_staff: dict[int, list[Note]] = defaultdict(list)
    for n in notes:
        by_staff[n.staff].append(n)
    found = []
    for staff, members in sorted(by_staff.items()):
        upper = _outline(members, 1)
        above = {n.id for n in upper}
        lower = _outline([n for n in members if n.id not in above], -1)
        found.append(Outline(staff, True, _by_bar(upper)))
        if lower:
            found.append(Outline(staff, False, _by_bar(lower)))
    return tuple(found)


def _outline(notes: list[Note], side: int) -> list[Note]:
    """Return the highest (side 1) or lowest (-1) notes, without those struck behind a held one."""
    outer: dict[float, Note] = {}
    for n in notes:
        onset = float(n.onset)
        if onset not in outer or side * n.midi > side * outer[onset].midi:
            outer[onset] = n
    line: list[Note] = []
    until = 0.0
    for onset, n in outer.items():
        if line and until > onset and side * line[-1].midi > side * n.midi:
            continue
        line.append(n)
        until = float(n.end)
    return line


def _by_bar(notes: list[Note]) -> dict[int, tuple[Note, ...]]:
    bars: dict[int, list[Note]] = defaultdict(list)
    for n in notes:
        bars[n.measure].append(n)
    return {i: tuple(b) for i, b in bars.items()}


def _melody_places(score: Score, outlines: tuple[Outline, ...]) -> tuple[int, ...]:
    """Return which outline is the melody in each bar: the best path, with a price on every change."""
    if not outlines:
        return tuple(0 for _ in score.measures)
    top = min(o.staff for o in outlines)
    bottom = max(o.staff for o in outlines)
    words: dict[tuple[int, int], bool] = {}
    for d in score.directions:
        if d.kind == "words" and any(w in d.text.lower() for w in _SINGING):
            words[d.staff, score.measure_at(d.onset).index] = True
    best = [0.0] * len(outlines)
    back: list[list[int]] = []
    for m in score.measures:
        gain = [
            _singing(o.bars.get(m.index, ()), m, o, top, bottom, words.get((o.staff, m.index), False))
            for o in outlines
        ]
        source = max(range(len(outlines)), key=lambda i: best[i])
        came = [i if best[i] >= best[source] - _CHANGE_OF_PLACE else source for i in range(len(outlines))]
        best = [(best[c] - (_CHANGE_OF_PLACE if c != i else 0.0)) + gain[i] for i, c in enumerate(came)]
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
    if any(n.lyrics for n in line):
        score += 4.0
    beat = float(measure.beat_length)
    lengths = [float(n.duration) for n in line]
    if len(line) == 1:
        return score - (0.4 if lengths[0] >= float(measure.full_length) else 0.0)
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
    if line[0].onset == measure.start:
        score += 0.3
    elif all((n.onset - measure.start + measure.offset) % measure.beat_length for n in line):
        score -= 1.0
    return score


def _doublings(notes: list[Note], melody: list[Note]) -> set[str]:
    """Return the ids of the melody's notes and of those that double them in octaves in the same hand."""
    by_onset: dict[float, Note] = {float(n.onset): n for n in melody}
    sung = {n.id for n in melody}
    for n in notes:
        m = by_onset.get(float(n.onset))
        if m is not None and m.staff == n.staff and abs(n.midi - m.midi) in (12, 24):
            sung.add(n.id)
    return sung


# --- patterns --------------------------------------------------------------------------------------------


def pattern_of(notes: Sequence[Note], measure: Measure) -> Pattern:
    """Return the pattern of the notes that a hand strikes in a bar, the melody left out; `notes` by onset."""
    groups: dict[float, list[Note]] = defaultdict(list)
    for n in notes:
        groups[float(n.onset)].append(n)
    chords = [sorted(c, key=lambda n: n.midi) for c in groups.values()]
    if not chords:
        return _NOTHING
    beat = float(measure.beat_length)
    lowest = min(notes, key=lambda n: n.midi)
    held = (
        float(lowest.duration) >= 0.9 * float(measure.length)
        and len(chords) > 2
        and lowest.onset == measure.start
    )
    moving = [c for c in chords if not (held and lowest in c)] if held else chords
    quickest = min((b - a for a, b in pairwise(groups)), default=0.0)
    per_beat = round(beat / quickest) if quickest else 0
    return Pattern(_named(chords, moving, measure, quickest), held, per_beat)


def _named(chords: list[list[Note]], moving: list[list[Note]], measure: Measure, gap: float) -> str:
    notes = [n for c in chords for n in c]
    beat = float(measure.beat_length)
    if 2 * sum(any(o.startswith("tremolo") for o in n.ornaments) for n in notes) >= len(notes):
        return "tremolo"
    if len(chords) <= 2 and min(float(n.duration) for n in notes) >= beat:
        if len(chords[0]) >= 3 or (len(chords) == 2 and all(len(c) >= 2 for c in chords)):
            return "octaves" if all(_is_octave(c) for c in chords) else "block chords"
        return "held notes" if 2 * min(float(n.duration) for n in notes) >= float(measure.length) else ""
    if len(chords) >= 2 and all(_is_octave(c) for c in chords):
        return "octaves"
    if len(moving) < 2:
        return ""
    keys = [tuple(n.midi for n in c) for c in moving]
    if len(keys) >= 6 and gap <= beat / 4 + 1e-9 and _alternates(keys):
        return "tremolo"
    if sum(len(c) == 1 for c in moving) >= 0.8 * len(moving):
        return _single_notes([k[0] for k in keys], chords, measure)
    first = chords[0]
    after = [c for c in chords[1:] if min(n.midi for n in c) > max(n.midi for n in first)]
    narrow = len(first) == 1 or _is_octave(first)
    if narrow and 2 * len(after) >= len(chords) - 1 and any(len(c) >= 2 for c in after):
        if measure.beats == 3 and len(chords) == 3 and first[0].onset == measure.start:
            return "waltz bass"
        return "bass and chords"
    if sum(len(c) >= 2 for c in moving) < 0.5 * len(moving):
        return ""
    again = sum(a == b for a, b in pairwise(keys))
    if len(keys) >= 3 and again >= 0.5 * (len(keys) - 1):
        return "repeated chords"
    return "block chords"


def _is_octave(chord: list[Note]) -> bool:
    return len(chord) == 2 and chord[1].midi - chord[0].midi == 12


def _alternates(keys: list[tuple[int, ...]]) -> bool:
    return all(a == b for a, b in zip(keys, keys[2:], strict=False)) and keys[0] != keys[1]


def _single_notes(tones: list[int], chords: list[list[Note]], measure: Measure) -> str:
    """Name a pattern of single notes: a chord broken this way or that, or a line."""
    if len(tones) < 3:
        return ""
    moves = [b - a for a, b in pairwise(tones)]
    if not any(moves):
        return "repeated notes"
    if all(abs(x) == 12 for x in moves):
        return "broken octaves"
    leaps = sum(abs(x) >= 3 for x in moves) / len(moves)
    beat = float(measure.beat_length)
    gap = median([float(b[0].onset - a[0].onset) for a, b in pairwise(chords)])
    if leaps < 0.6 or gap > 0.7 * beat:
        steps = sum(0 < abs(x) <= 2 for x in moves) / len(moves)
        return "running line" if steps >= 0.7 and gap <= 0.5 * beat and len(tones) >= 4 else ""
    if len(tones) % 4 == 0 and all(
        a < c < b and b == d for a, b, c, d in zip(*(tones[i::4] for i in range(4)), strict=True)
    ):
        return "Alberti-like"
    reach = max(tones) - min(tones)
    turns = sum((a > 0) != (b > 0) for a, b in pairwise(moves) if a and b)
    if reach >= 22 and gap <= 0.25 * beat + 1e-9:
        return "arpeggios"
    peak = tones.index(max(tones))
    if turns == 1 and 0 < peak < len(tones) - 1 and max(tones[0], tones[-1]) < tones[peak]:
        return "rocking"
    return "broken chords"


def _roles(
    score: Score,
    spans: tuple[Span, ...],
    notes: list[Note],
    sung: set[str],
    patterns: dict[int, tuple[Pattern, ...]],
) -> dict[str, str]:
    """Tell bass from accompaniment and inner voices."""
    found: dict[str, str] = {}
    bottom = max((n.staff for n in notes), default=0)
    starts = [float(s.start) for s in spans]
    # Halfway through the bar in meters that halve, else past its end.
    middles = [
        float(m.start - m.offset + m.full_length / 2) if m.beats % 2 == 0 else float("inf")
        for m in score.measures
    ]
    onsets = [float(n.onset) for n in notes]
    figures = [
        (n.measure, bisect_right(starts, t), t >= middles[n.measure])
        for n, t in zip(notes, onsets, strict=True)
    ]
    figure_low: dict[tuple[int, int, bool], int] = {}
    for n, figure in zip(notes, figures, strict=True):
        if n.staff == bottom:
            figure_low[figure] = min(figure_low.get(figure, 200), n.midi)
    # Chords spread over voices of one note each are part-writing: their middle notes are inner voices.
    struck: dict[tuple[int, int, str, float], int] = defaultdict(int)
    for n, t in zip(notes, onsets, strict=True):
        struck[n.measure, n.staff, n.voice, t] += 1
    chordal = {(bar, staff, voice) for (bar, staff, voice, _), size in struck.items() if size > 1}
    active: list[tuple[float, int]] = []
    i = 0
    while i < len(notes):
        j = i
        while j < len(notes) and onsets[j] == onsets[i]:
            j += 1
        active = [(end, midi) for end, midi in active if end > onsets[i]]
        active += [(float(n.end), n.midi) for n in notes[i:j]]
        lowest = min(midi for _, midi in active)
        for n, figure in zip(notes[i:j], figures[i:j], strict=True):
            name = patterns[n.staff][n.measure].name
            low = figure_low.get(figure, 200) if name in _FIGURED else lowest
            if n.id in sung:
                found[n.id] = MELODY
            elif n.midi == lowest and n.midi <= low and (n.staff == bottom or len(patterns) == 1):
                found[n.id] = BASS
            elif name in _FIGURED or (name in _PATTERNED and (n.measure, n.staff, n.voice) in chordal):
                found[n.id] = ACCOMPANIMENT
            else:
                found[n.id] = INNER
        i = j
    return found


def _adorned(note: Note, notes: list[Note], onsets: list[float], found: dict[str, str]) -> str:
    """Return the role of the note that a grace (or cue) note stands before."""
    onset = float(note.onset)
    for n in notes[bisect_left(onsets, onset) : bisect_right(onsets, onset)]:
        if (n.staff, n.voice) == (note.staff, note.voice):
            return found[n.id]
    return INNER


# --- events ----------------------------------------------------------------------------------------------


def hand_of(score: Score, staff: int) -> str:
    """Return what plays a staff: a hand, or a part by its name."""
    for part in score.parts:
        if part.first_staff <= staff <= part.last_staff:
            if part.last_staff == part.first_staff + 1:
                return "right hand" if staff == part.first_staff else "left hand"
            return part.name or "part"
    return "part"


@remembered
def stretches_of(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the stretches in which a hand keeps to a pattern, hand by hand."""
    texture = texture_of(score, spans)
    unison = _unison_bars(score)
    found: list[Event] = _runs_to_events(
        score, "both hands", [Pattern("unison") if u else _NOTHING for u in unison], None
    )
    for staff, patterns in texture.patterns.items():
        shown = [_NOTHING if u else p for p, u in zip(patterns, unison, strict=True)]
        found += _runs_to_events(score, hand_of(score, staff), shown, staff)
    return tuple(found)


def _unison_bars(score: Score) -> list[bool]:
    """Return for each bar whether all staves play one line in octaves."""
    staves = {n.staff for n in score.notes if n.duration > 0}
    at: dict[int, dict[float, list[Note]]] = defaultdict(lambda: defaultdict(list))
    for n in score.notes:
        if n.duration > 0 and not n.grace and not n.cue:
            at[n.measure][float(n.onset)].append(n)
    found = []
    for m in score.measures:
        groups = list(at.get(m.index, {}).values())
        found.append(
            len(staves) > 1
            and len(groups) >= 3
            and all(
                len({n.staff for n in g}) > 1
                and len({n.midi % 12 for n in g}) == 1
                and len({n.midi for n in g}) > 1
                for g in groups
            )
        )
    return found


def _runs_to_events(score: Score, hand: str, patterns: list[Pattern], staff: int | None) -> list[Event]:
    """Smooth the patterns of a hand and tell each run of them."""
    smoothed = _smooth(patterns)
    events: list[Event] = []
    before = ""
    i = 0
    while i < len(smoothed):
        j = i
        while j < len(smoothed) and smoothed[j] == smoothed[i]:
            j += 1
        pattern = smoothed[i]
        if pattern.name and (j - i >= _SHORTEST_STRETCH or len(smoothed) <= _SHORTEST_STRETCH):
            exact = sum(p.name == pattern.name for p in patterns[i:j]) / (j - i)
            first = [
                n.id
                for n in score.notes
                if n.measure == i and n.duration > 0 and (staff is None or n.staff == staff)
            ]
            detail: list[tuple[str, Detail]] = [
                ("hand", hand),
                ("bars", j - i),
                ("held_bass", int(pattern.held_bass)),
                ("per_beat", pattern.per_beat),
            ]
            if before:
                detail.append(("before", before))
            events.append(
                Event(
                    "texture",
                    pattern.name,
                    score.measures[i].start,
                    score.measures[j - 1].end,
                    tuple(first),
                    round(0.3 + 0.6 * exact, 3),
                    tuple(detail),
                )
            )
            before = pattern.name
        i = j
    return events


def _smooth(patterns: list[Pattern]) -> list[Pattern]:
    """Return the patterns with stray bars counted to their neighbours: the cheapest path."""
    states = list(dict.fromkeys(patterns))
    cost = [0.0] * len(states)
    back: list[list[int]] = []
    price: dict[tuple[Pattern, Pattern], float] = {}
    for p in patterns:
        least = min(range(len(states)), key=lambda i: cost[i])
        came = [i if cost[i] < cost[least] + _CHANGE_OF_PATTERN else least for i in range(len(states))]
        fresh = []
        for i, c in enumerate(came):
            if (states[i], p) not in price:
                price[states[i], p] = _unlike(states[i], p)
            fresh.append(cost[c] + (_CHANGE_OF_PATTERN if c != i else 0.0) + price[states[i], p])
        cost = fresh
        back.append(came)
    at = min(range(len(states)), key=lambda i: cost[i])
    path = []
    for came in reversed(back):
        path.append(states[at])
        at = came[at]
    return path[::-1]


def _unlike(one: Pattern, other: Pattern) -> float:
    """Return how unlike two bars are, 0 for the same pattern."""
    if not one.name or not other.name:
        return 0.0 if one.name == other.name else 0.8
    cost = 0.0
    if one.name != other.name:
        cost = 0.35 if one.name in _FIGURES and other.name in _FIGURES else 1.0
    if one.held_bass != other.held_bass:
        cost += 0.6
    if one.per_beat != other.per_beat and one.per_beat and other.per_beat:
        ratio = max(one.per_beat, other.per_beat) / min(one.per_beat, other.per_beat)
        cost += 0.6 if ratio >= 2 else 0.2
    return min(cost, 1.3)


def _melody_events(score: Score, texture: Texture) -> list[Event]:
    melody = texture.melody
    if len(melody) < 2:
        return []
    events = _places_to_events(score, texture)
    low = min(melody, key=lambda n: n.midi)
    high = max(melody, key=lambda n: n.midi)
    if low.midi != high.midi:
        events.append(
            Event(
                "melody",
                "range",
                melody[0].onset,
                melody[-1].end,
                (low.id, high.id),
                0.8,
                (
                    ("low", low.pitch),
                    ("high", high.pitch),
                    ("low_time", low.onset),
                    ("high_time", high.onset),
                    ("interval", Interval.between(low.pitch, high.pitch)),
                ),
            )
        )
    return events + _repeated_notes(score, melody) + _leaps(score, melody)


def _places_to_events(score: Score, texture: Texture) -> list[Event]:
    """Tell where the melody leaves the top line and where it comes back."""
    events: list[Event] = []
    places = texture.places
    top = min(o.staff for o in texture.outlines)
    bottom = max(o.staff for o in texture.outlines)
    before = ""
    i = 0
    while i < len(places):
        j = i
        while j < len(places) and places[j] == places[i]:
            j += 1
        outline = texture.outlines[places[i]]
        notes = [n for k in range(i, j) for n in outline.bars.get(k, ())]
        label = "back on top"
        silent = not any(
            k in o.bars for o in texture.outlines if o.staff < outline.staff for k in range(i, j)
        )
        if not outline.upper or (outline.staff != top and not silent):
            if outline.staff == bottom and top != bottom:
                label = "in the left hand" if not _is_lowest(score, notes) else "in the bass"
            else:
                label = "in an inner voice"
        if notes and (label != "back on top" or before not in ("", "on top")):
            low, high = min(notes, key=lambda n: n.midi), max(notes, key=lambda n: n.midi)
            detail: list[tuple[str, Detail]] = [
                ("hand", hand_of(score, outline.staff)),
                ("low", low.pitch),
                ("high", high.pitch),
            ]
            if before:
                detail.append(("before", before))
            events.append(
                Event(
                    "melody",
                    label,
                    notes[0].onset,
                    notes[-1].end,
                    tuple(n.id for n in notes),
                    0.75 if j - i > 1 else 0.5,
                    tuple(detail),
                )
            )
        if notes:
            before = "on top" if label == "back on top" else label
        i = j
    return events


def _is_lowest(score: Score, notes: list[Note]) -> bool:
    """Whether nothing sounds below most of a line's notes."""
    if not notes:
        return False
    onsets = [float(n.onset) for n in score.notes]
    longest = max(float(n.duration) for n in score.notes)
    under = 0
    for n in notes:
        first = bisect_left(onsets, float(n.onset) - longest)
        last = bisect_right(onsets, float(n.onset))
        under += any(m.end > n.onset and 0 < n.midi - m.midi != 12 for m in score.notes[first:last])
    return 2 * under < len(notes)


def _repeated_notes(score: Score, melody: tuple[Note, ...]) -> list[Event]:
    """Tell the longest runs of one note."""
    runs: list[tuple[Note, ...]] = []
    i = 0
    while i < len(melody):
        j = i + 1
        while (
            j < len(melody)
            and melody[j].midi == melody[i].midi
            and melody[j].onset - melody[j - 1].end <= score.measures[melody[j].measure].beat_length
        ):
            j += 1
        if j - i >= (_REPEATED_WORDS if any(n.lyrics for n in melody[i:j]) else _REPEATED):
            runs.append(melody[i:j])
        i = j
    longest = sorted(runs, key=lambda run: -len(run))[:_MOST_REPEATED]
    return [
        Event(
            "melody",
            "repeated notes",
            run[0].onset,
            run[-1].end,
            tuple(n.id for n in run),
            0.9,
            (
                ("hand", hand_of(score, run[0].staff)),
                ("low", run[0].pitch),
                ("high", run[0].pitch),
                ("pitch", run[0].pitch),
                ("count", len(run)),
            ),
        )
        for run in longest
    ]


def _leaps(score: Score, melody: tuple[Note, ...]) -> list[Event]:
    """Tell the widest leaps inside a line, from a minor sixth on, each where it comes first.

    Quick notes leap in every broken chord: from half a beat on, leaps are sung.
    """
    wide: list[tuple[int, int]] = []
    told: set[tuple[int, int]] = set()
    for i, (a, b) in enumerate(pairwise(melody)):
        slow = score.measures[a.measure].beat_length / 2
        if (
            abs(b.midi - a.midi) >= _LEAP
            and min(a.duration, b.duration) >= slow
            and (a.midi, b.midi) not in told
            and a.staff == b.staff
            and b.onset == a.end
        ):
            told.add((a.midi, b.midi))
            wide.append((abs(b.midi - a.midi), i))
    events = []
    for size, i in sorted(sorted(wide, key=lambda x: (-x[0], x[1]))[:_MOST_LEAPS], key=lambda x: x[1]):
        a, b = melody[i], melody[i + 1]
        up = b.midi > a.midi
        after = melody[i + 2] if i + 2 < len(melody) else None
        filled = after is not None and (after.midi > b.midi) != up and 0 < abs(after.midi - b.midi) <= 2
        low, high = (a, b) if up else (b, a)
        events.append(
            Event(
                "melody",
                "leap",
                a.onset,
                b.end,
                (a.id, b.id),
                round(min(0.9, 0.4 + 0.04 * size), 3),
                (
                    ("hand", hand_of(score, a.staff)),
                    ("low", low.pitch),
                    ("high", high.pitch),
                    ("first", a.pitch),
                    ("second", b.pitch),
                    ("interval", Interval.between(low.pitch, high.pitch)),
                    ("direction", "up" if up else "down"),
                    ("filled", int(filled)),
                ),
            )
        )
    return events
