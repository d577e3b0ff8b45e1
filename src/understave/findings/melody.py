"""Score and spans -> the course of the melody: where it lies, how far it reaches, where it leaps or stays.

Which notes are the melody is for `texture` to say.

Events of kind ``"melody"``; ``hand`` str where the melody lies (not for a range), ``low`` and ``high`` Pitch:

- in the left hand, in the bass, in an inner voice: "From bar 37 the melody lies in the left hand." Also
  ``before`` str, the place it comes from.
- back on top: "From bar 45 the melody is back on top." Also ``before``.
- range: "The melody spans from C4 to A5." Also ``interval`` Interval, ``low_time`` and ``high_time``
  Fraction; `notes` are the lowest and the highest.
- repeated notes: "The melody repeats F4 six times." Also ``pitch`` Pitch, ``count`` int.
- enters: "The melody enters in bar 3." After two bars or more without one, in a staff that was silent. Also
  ``first`` Pitch, ``bars`` int (bars before it, to the nearest).
- leap: "The melody leaps up a seventh." Also ``first`` and ``second`` Pitch, ``interval`` Interval,
  ``direction`` str (``"up"``/``"down"``), ``filled`` int (1 where it then turns back by step).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from understave.findings.endings import is_sung, singer_of
from understave.findings.kinds import Kind
from understave.findings.lines import lines
from understave.findings.sung_sections import foretold
from understave.findings.texture import Texture, hand_of, texture_of, unled_bars
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Note, Score
from understave.theory.pitch import Interval, Pitch


@dataclass(frozen=True, slots=True, kw_only=True)
class MelodyDetails(Details):
    """Where the melody lies, its range, repetitions and leaps."""

    hand: str | None = None
    low: Pitch
    high: Pitch
    before: str | None = None
    first: Pitch | None = None
    second: Pitch | None = None
    pitch: Pitch | None = None
    count: int | None = None
    low_time: Fraction | None = None
    high_time: Fraction | None = None
    interval: Interval | None = None
    direction: str | None = None
    filled: int | None = None
    bars: int | None = None


_LEAP, _MOST_LEAPS = 8, 8
_MOST_REPEATED = 6
_PREPARED = 2
"""Bars of figures that prepare for a melody; one alone is an upbeat grown long (set by ear)."""
_FIGURES = 3
"""Notes to a bar that must be heard before the melody enters, so that it is no upbeat rest (set by ear)."""
_FIRST = 8
"""Notes at most by which a tune below the top is judged to be one line."""
_JUDGED, _STEP = 4, 2
"""Bars at most by which it is judged to move as a tune, and semitones of a step."""
_LONG_REST = 4
"""Bars of rest from which on another line than the singer's is a tune of its own (set by ear)."""
_REPEATED, _REPEATED_WORDS = 4, 6
"""Fewest notes on one pitch that are told; words are often spoken on one note."""


def find_melody(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return where the melody changes its place, its range, its leaps and repeated notes, by start."""
    if not score.measures:
        return ()
    texture = texture_of(score, spans)
    melody = texture.melody
    if len(melody) < 2:
        return ()
    unled = unled_bars(score, spans)
    events = [*_entry(score, melody), *_places_to_events(score, texture, unled)]
    # Where there is a singer, what the piano plays meanwhile is not the melody's range.
    melody = tuple(note for note in melody if is_sung(score, note)) or melody
    low = min(melody, key=lambda note: note.midi)
    high = max(melody, key=lambda note: note.midi)
    if low.midi != high.midi:
        events.append(
            MELODY.event(
                "range",
                melody[0].onset,
                melody[-1].end,
                (low.id, high.id),
                0.8,
                MelodyDetails(
                    low=low.pitch,
                    high=high.pitch,
                    low_time=low.onset,
                    high_time=high.onset,
                    interval=Interval.between(low.pitch, high.pitch),
                ),
            )
        )
    led = tuple(note for note in melody if note.measure not in unled)
    events += _repeated_notes(score, melody, unled) + _leaps(score, led)
    return tuple(sorted(events, key=lambda event: event.start))


def _entry(score: Score, melody: tuple[Note, ...]) -> Iterator[Event]:
    """Yield where the melody enters, the singer's in a song, if figures come first: its staff silent, a bar
    or more long. A tune that is played before is no figure.
    """
    tune = tuple(note for note in melody if is_sung(score, note)) or melody
    first = tune[0]
    if _is_tune(score, [note for note in melody if note.onset < first.onset]):
        return
    own = [note for note in score.notes if (note.part, note.staff) == (first.part, first.staff)]
    before = [note for note in score.struck if note.onset < first.onset]
    if first.measure < _PREPARED or own[0].onset < first.onset or len(before) < _FIGURES * first.measure:
        return
    notes = [note for note in tune if note.onset < score.measures[first.measure].end]
    low, high = min(notes, key=lambda note: note.midi), max(notes, key=lambda note: note.midi)
    measure = score.measures[first.measure]
    # An entry late in its bar, on an upbeat, has that bar of figures before it too; an upbeat is no bar.
    late = 2 * (first.onset - measure.start) >= measure.length
    if _is_played_before(score, tune, before, first.measure + late):
        return
    upbeat = score.measures[0].offset > 0
    details = MelodyDetails(
        hand=hand_of(score, first.staff),
        low=low.pitch,
        high=high.pitch,
        first=first.pitch,
        bars=max(1, first.measure + late - upbeat),
    )
    ids = tuple(note.id for note in notes)
    yield MELODY.event("enters", first.onset, notes[-1].end, ids, 0.85, details)


def _is_played_before(score: Score, melody: Sequence[Note], before: Sequence[Note], measure: int) -> bool:
    """Whether what comes before the melody has its first whole bar already, or on top what is sung first: an
    introduction by the tune.
    """
    if foretold(score) is not None:
        return True
    bars = score.measures
    sung = {(n.onset - bars[n.measure].start, n.midi % 12) for n in melody if n.measure == measure}
    played = [
        {(n.onset - bars[k].start, n.midi % 12) for n in before if n.measure == k} for k in range(measure)
    ]
    return len(sung) >= _OF_A_TUNE and any(sung <= bar for bar in played)


_OF_A_TUNE = 3
"""Notes of a bar, at least, by which a tune is known again (set by ear)."""


def _places_to_events(score: Score, texture: Texture, unled: frozenset[int]) -> list[Event]:
    """Tell where the melody leaves the top line and where it comes back."""
    events: list[Event] = []
    places = texture.places
    top = min(outline.staff for outline in texture.outlines)
    bottom = max(outline.staff for outline in texture.outlines)
    before = ""
    i = 0
    while i < len(places):
        j = i
        while j < len(places) and places[j] == places[i]:
            j += 1
        outline = texture.outlines[places[i]]
        notes = [note for k in range(i, j) for note in outline.bars.get(k, ())]
        label = "back on top"
        silent = not any(
            k in o.bars for o in texture.outlines if o.staff < outline.staff for k in range(i, j)
        )
        if not outline.upper or (outline.staff != top and not silent):
            label = "in an inner voice"
            if top != bottom and _is_lowest(score, notes):
                # Its doubling an octave below makes an inner line no less the lowest.
                label = "in the bass"
            elif outline.staff == bottom and top != bottom:
                label = "in the left hand"
        breath = singer_of(score) and j - i < _LONG_REST
        idle = breath or 2 * sum(k in unled for k in range(i, j)) > j - i
        plain = _is_chordal(score, notes[:_FIRST]) or not _is_tune(score, notes)
        if label != "back on top" and (idle or plain):
            # While a singer breathes the song has not gone anywhere; what leads nothing is no melody, nor
            # are whole chords or a bass that only carries.
            i = j
            continue
        if notes and (label != "back on top" or before not in ("", "on top")):
            low, high = min(notes, key=lambda note: note.midi), max(notes, key=lambda note: note.midi)
            detail = MelodyDetails(hand=hand_of(score, outline.staff), low=low.pitch, high=high.pitch)
            if before:
                detail = replace(detail, before=before)
            events.append(
                MELODY.event(
                    label,
                    notes[0].onset,
                    notes[-1].end,
                    tuple(note.id for note in notes),
                    0.75 if j - i > 1 else 0.5,
                    detail,
                )
            )
        if notes:
            before = "on top" if label == "back on top" else label
        i = j
    return events


def _is_tune(score: Score, notes: Sequence[Note]) -> bool:
    """Whether a line below the top moves as a tune in its first bars: mostly by step, and twice a bar."""
    if not notes:
        return False
    bar = score.measures[notes[0].measure].full_length
    first = [note for note in notes if note.onset < notes[0].onset + _JUDGED * bar]
    moves = [abs(b.midi - a.midi) for a, b in pairwise(first) if a.midi != b.midi]
    bars = min(Fraction(_JUDGED), (notes[-1].end - notes[0].onset) / bar)
    return 2 * sum(move <= _STEP for move in moves) > len(moves) and len(first) >= 2 * bars


def _is_chordal(score: Score, notes: Sequence[Note]) -> bool:
    """Whether half of a line or more is struck with others of its voice that lie within an octave."""
    voices = lines(score).voices
    close = [
        any(0 < abs(m.midi - n.midi) < 12 for m in voices[n.part, n.staff, n.voice].at(n.onset))
        for n in notes
    ]
    return 2 * sum(close) >= len(close) > 0


def _is_lowest(score: Score, notes: list[Note]) -> bool:
    """Whether nothing sounds below most of a line's notes, as they begin or as long as they last."""
    if not notes:
        return False
    longest = max(float(note.duration) for note in score.notes)
    under = 0
    for note in notes:
        first = bisect_left(score.notes, note.at - longest, key=lambda other: other.at)
        last = bisect_left(score.notes, note.until, key=lambda other: other.at)
        under += any(m.end > note.onset and 0 < note.midi - m.midi != 12 for m in score.notes[first:last])
    return 2 * under < len(notes)


def repeated_runs(score: Score, melody: tuple[Note, ...]) -> Iterator[tuple[int, int]]:
    """Cut a melody into runs of one note, first and end; a run goes on over rests of up to a beat."""
    i = 0
    while i < len(melody):
        j = i + 1
        while (
            j < len(melody)
            and melody[j].midi == melody[i].midi
            and melody[j].onset - melody[j - 1].end <= score.measures[melody[j].measure].beat_length
        ):
            j += 1
        yield i, j
        i = j


def _repeated_notes(score: Score, melody: tuple[Note, ...], unled: Collection[int]) -> list[Event]:
    """Tell the longest runs of one note, whole, that begin where the melody leads: not in `unled` bars."""
    runs = [
        melody[i:j]
        for i, j in repeated_runs(score, melody)
        if melody[i].measure not in unled
        and j - i >= (_REPEATED_WORDS if any(note.lyrics for note in melody[i:j]) else _REPEATED)
    ]
    longest = sorted(runs, key=lambda run: -len(run))[:_MOST_REPEATED]
    return [
        MELODY.event(
            "repeated notes",
            run[0].onset,
            run[-1].end,
            tuple(note.id for note in run),
            0.9,
            MelodyDetails(
                hand=hand_of(score, run[0].staff),
                low=run[0].pitch,
                high=run[0].pitch,
                pitch=run[0].pitch,
                count=len(run),
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
            MELODY.event(
                "leap",
                a.onset,
                b.end,
                (a.id, b.id),
                round(min(0.9, 0.4 + 0.04 * size), 3),
                MelodyDetails(
                    hand=hand_of(score, a.staff),
                    low=low.pitch,
                    high=high.pitch,
                    first=a.pitch,
                    second=b.pitch,
                    interval=Interval.between(low.pitch, high.pitch),
                    direction="up" if up else "down",
                    filled=int(filled),
                ),
            )
        )
    return events


MELODY: Kind[MelodyDetails] = Kind(
    "melody",
    MelodyDetails,
    find=find_melody,
    weight=2.0,
    labels={
        "in the left hand": 4.0,
        "in the bass": 4.0,
        "in an inner voice": 3.5,
        "leap": 1.5,
        "enters": 5.0,
    },
)
