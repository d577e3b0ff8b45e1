"""Score and the chords of its Reading -> what claims are tested against, indexed by time once.

Nothing here comes from the code that finds events or from the code that words them: what sounds, what is
struck, how a voice goes on and how heavy a moment is are worked out from the notes alone.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction
from functools import cached_property

from understave.harmony.reading import Span
from understave.score.model import Direction, Measure, Note, Score

_KEPT = 4
_GROWS = re.compile(r"\bcresc")


class Facts:
    """What sounds and which chord is read, by moment in quarter notes.

    `struck` are the notes in time (no grace notes, no cues), by onset; `spans` are those of the reading.
    """

    def __init__(self, score: Score, spans: Sequence[Span]) -> None:
        self.score = score
        self.struck = score.struck
        self.spans = tuple(spans)
        self._onsets = [note.at for note in self.struck]
        self._starts = [float(span.start) for span in self.spans]
        self._cache: dict[float, tuple[Note, ...]] = {}

    @cached_property
    def _frames(self) -> tuple[list[float], list[tuple[Note, ...]]]:
        """Every onset and the notes that sound from it on."""
        moments: list[float] = []
        frames: list[tuple[Note, ...]] = []
        active: list[Note] = []
        for note in self.struck:
            if moments and moments[-1] == note.at:
                active.append(note)
                continue
            if moments:
                frames.append(tuple(active))
            active = [n for n in active if n.until > note.at]
            active.append(note)
            moments.append(note.at)
        if moments:
            frames.append(tuple(active))
        return moments, frames

    def sounding(self, moment: Fraction) -> tuple[Note, ...]:
        """Return the notes that sound at a moment, lowest first."""
        time = float(moment)
        known = self._cache.get(time)
        if known is None:
            moments, frames = self._frames
            i = bisect_right(moments, time) - 1
            here = [note for note in frames[i] if note.until > time] if i >= 0 else []
            known = self._cache[time] = tuple(sorted(here, key=lambda note: note.midi))
        return known

    def struck_in(self, start: Fraction, end: Fraction) -> tuple[Note, ...]:
        """Return the notes struck from `start` on and before `end`, by onset."""
        return self.struck[bisect_left(self._onsets, float(start)) : bisect_left(self._onsets, float(end))]

    def heard(self, start: Fraction, end: Fraction) -> tuple[Note, ...]:
        """Return the notes that sound at some moment from `start` on and before `end`."""
        held = tuple(note for note in self.sounding(start) if note.at < float(start))
        return held + self.struck_in(start, end)

    def moments(self, start: Fraction, end: Fraction) -> tuple[Fraction, ...]:
        """Return `start` and every onset after it before `end`."""
        return tuple(dict.fromkeys((start, *(note.onset for note in self.struck_in(start, end)))))

    def lowest(self, start: Fraction, end: Fraction) -> Note | None:
        """Return the lowest note that sounds in a stretch, the earliest of equals."""
        return min(self.heard(start, end), key=lambda note: (note.midi, note.at), default=None)

    # --- lines -----------------------------------------------------------------------------------------

    @cached_property
    def _voices(self) -> dict[tuple[int, int, str], tuple[list[float], list[Note]]]:
        found: dict[tuple[int, int, str], tuple[list[float], list[Note]]] = defaultdict(lambda: ([], []))
        for note in self.struck:
            onsets, notes = found[voice(note)]
            onsets.append(note.at)
            notes.append(note)
        return found

    def next_in_voice(self, note: Note, after: Fraction | None = None) -> tuple[Note, ...]:
        """Return the notes struck next in a note's printed voice once it has ended (or after a moment)."""
        onsets, notes = self._voices[voice(note)]
        i = bisect_left(onsets, float(after) if after is not None else note.until)
        return _together(onsets, notes, i)

    def last_in_voice(self, note: Note) -> tuple[Note, ...]:
        """Return the notes struck last before a note in its own printed voice."""
        onsets, notes = self._voices[voice(note)]
        i = bisect_left(onsets, note.at) - 1
        return _together(onsets, notes, bisect_left(onsets, onsets[i])) if i >= 0 else ()

    def in_voice(self, note: Note, start: Fraction, end: Fraction) -> Sequence[Note]:
        """Return the notes of a note's printed voice struck from `start` on and before `end`."""
        onsets, notes = self._voices[voice(note)]
        return notes[bisect_left(onsets, float(start)) : bisect_left(onsets, float(end))]

    @cached_property
    def graces(self) -> dict[float, list[Note]]:
        """Grace notes by the moment at which they stand."""
        found: dict[float, list[Note]] = defaultdict(list)
        for note in self.score.notes:
            if note.grace and not note.cue:
                found[note.at].append(note)
        return found

    @cached_property
    def pedal_marks(self) -> list[tuple[Fraction, bool]]:
        """The printed signs that press the sustaining pedal (True) or release it (False), in order of time.

        Of a release and a press at one moment the press counts and comes last.
        """
        return sorted(
            (sign.onset, sign.text != "stop")
            for sign in self.score.directions
            if sign.kind == "pedal" and sign.text in ("start", "change", "stop")
        )

    def pedalled_since(self, moment: Fraction) -> Fraction:
        """Return when the printed pedal went down that is down at a moment; the moment itself if none is."""
        words = [word for word in self.score.pedal_words if word[0] <= moment]
        refused = [(onset, False) for onset, wanted in words if not wanted]
        signs = self.pedal_marks[: bisect_left(self.pedal_marks, moment, key=lambda sign: sign[0])]
        since, down = max((*refused, *signs[-1:]), default=(moment, False))
        span = self.span(moment)
        if span is not None and words and words[-1][1]:
            # Where the composer asks for pedal in words, it holds what belongs to one chord.
            return min(span.start, moment)
        return since if down else moment

    # --- who sings, what is on top -----------------------------------------------------------------------

    @cached_property
    def sung(self) -> dict[int, list[Note]]:
        """The notes that have words, by their part."""
        found: dict[int, list[Note]] = defaultdict(list)
        for note in self.score.notes:
            if note.lyrics:
                found[note.part].append(note)
        return dict(found)

    @cached_property
    def singers(self) -> frozenset[int]:
        """The parts that have words."""
        return frozenset(self.sung)

    def top(self, moment: Fraction) -> Note | None:
        """Return the highest note that sounds at a moment."""
        here = self.sounding(moment)
        return here[-1] if here else None

    # --- the reading -------------------------------------------------------------------------------------

    def span(self, moment: Fraction) -> Span | None:
        """Return the chord read at a moment."""
        i = bisect_right(self._starts, float(moment)) - 1
        return self.spans[i] if i >= 0 and self.spans[i].end > moment else None

    def before(self, moment: Fraction) -> Span | None:
        """Return the last chord that ends at a moment or earlier."""
        i = bisect_right(self._starts, float(moment)) - 1
        while i >= 0 and self.spans[i].end > moment:
            i -= 1
        return self.spans[i] if i >= 0 else None

    def spans_in(self, start: Fraction, end: Fraction) -> Iterator[Span]:
        """Yield the chords read in a stretch, in order."""
        i = max(0, bisect_right(self._starts, float(start)) - 1)
        for span in self.spans[i:]:
            if span.start >= end:
                return
            if span.end > start:
                yield span

    @cached_property
    def _letters(self) -> dict[tuple[int, int], frozenset[tuple[float, int]]]:
        return {}

    def letters(self, measure: Measure, steps: int = 0) -> frozenset[tuple[float, int]]:
        """Return what is struck in a bar, moved by so many staff steps: the quarters since its start, and the
        letter, 0 to 6 for C to B.
        """
        known = self._letters.get((measure.index, steps))
        if known is None:
            origin = float(measure.start)
            known = self._letters[measure.index, steps] = frozenset(
                (round(note.at - origin, 3), (note.pitch.diatonic + steps) % 7)
                for note in self.struck_in(measure.start, measure.end)
            )
        return known

    @cached_property
    def _bars(self) -> list[float]:
        return [float(measure.start) for measure in self.score.measures]

    def bars_from(self, start: Fraction, end: Fraction) -> tuple[Measure, ...]:
        """Return the measures that begin from `start` on and before `end`."""
        first, last = bisect_left(self._bars, float(start)), bisect_left(self._bars, float(end))
        return tuple(self.score.measures[first:last])

    @cached_property
    def usual_length(self) -> Fraction:
        """The middle one of all lengths of notes."""
        return sorted(note.duration for note in self.struck)[len(self.struck) // 2]

    # --- what is printed ---------------------------------------------------------------------------------

    @cached_property
    def _directions(self) -> tuple[list[float], list[Direction]]:
        found = sorted(self.score.directions, key=lambda direction: float(direction.onset))
        return [float(direction.onset) for direction in found], found

    def printed_near(self, moment: Fraction, reach: Fraction) -> list[Direction]:
        """Return the directions that stand at most `reach` quarters from a moment."""
        onsets, found = self._directions
        first = bisect_left(onsets, float(moment - reach))
        return found[first : bisect_right(onsets, float(moment + reach))]

    @cached_property
    def crescendos(self) -> list[Direction]:
        """Hairpins that open, and words and marks that ask to grow: *cresc.*, *poco a poco cresc.*"""
        sorts = ("wedge", "words", "dynamic")
        return [
            direction
            for direction in self.score.directions
            if direction.kind in sorts and _GROWS.search(direction.text.casefold())
        ]

    # --- time ----------------------------------------------------------------------------------------------

    def bar(self, moment: Fraction) -> Measure:
        """Return the measure of a moment."""
        return self.score.measure_at(moment)

    def weight(self, moment: Fraction) -> int:
        """Return how light a moment is in its bar: 0 downbeat, 1 the other half, 2 a beat, 3 half a beat, 4.

        Common practice, no source; a bar of two dotted beats has no middle of its own.
        """
        measure = self.bar(moment)
        at = (moment - measure.start + measure.offset) / measure.beat_length
        beats = measure.full_length / measure.beat_length
        if at == 0:
            return 0
        if beats >= 4 and beats % 2 == 0 and at * 2 == beats:
            return 1
        if at.denominator == 1:
            return 2
        return 3 if at.denominator in (2, 3) else 4


def voice(note: Note) -> tuple[int, int, str]:
    """Return what names a printed voice: part, staff and voice."""
    return note.part, note.staff, note.voice


def _together(onsets: Sequence[float], notes: Sequence[Note], i: int) -> tuple[Note, ...]:
    if not 0 <= i < len(notes):
        return ()
    return tuple(notes[i : bisect_right(onsets, onsets[i])])


_last: list[tuple[Score, Sequence[Span], Facts]] = []


def facts(score: Score, spans: Sequence[Span]) -> Facts:
    """Return the facts of a score and its chords; those of the last few are kept, told apart by identity."""
    for known, chords, found in _last:
        if known is score and chords is spans:
            return found
    found = Facts(score, spans)
    _last.append((score, spans, found))
    del _last[:-_KEPT]
    return found
