"""Score and spans -> evidence: for every moment at which a phrase could end, what speaks for it.

In: a Score and the closes of its spans. Out: one `Place` for each moment, with named values between 0
and 1 (or -1 for what speaks against). Each value is one thing a teacher would point to: a fermata, a long
note, a rest, the end of a slur, the end of a line of text, a cadence, an opening that comes back.

What counts as evidence follows the grouping preference rules of Lerdahl and Jackendoff, A Generative
Theory of Tonal Music (1983), chapter 3, and Temperley, The Cognition of Basic Musical Structures (2001),
chapter 3 (gaps, long notes, parallel starts at the same place of the bar); both from memory.
"""

from __future__ import annotations

import math
import statistics
from bisect import bisect_left, bisect_right
from collections import defaultdict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TypeAlias

from understave.findings.closes import AUTHENTIC, DECEPTIVE, HALF, OPEN, PHRYGIAN, PLAGAL, Close
from understave.findings.remembered import remembered
from understave.harmony.units import metric_level
from understave.score.model import Measure, Note, Score

CLOSES = (
    "rooted authentic close",
    "authentic close",
    "half close",
    "phrygian close",
    "dominant seventh",
    "deceptive close",
    "plagal close",
    "prepared dominant",
)
"""Names of the evidence that a close of the harmony gives."""

NAMES = (
    "fermata",
    "rest",
    "silence",
    "held over",
    "long value",
    "short value",
    "slur end",
    "inside slur",
    "new slur from an upbeat",
    "line of text",
    "inside word",
    "double bar",
    "new tempo",
    "tempo in flux",
    *CLOSES,
    "open harmony",
    "inverted goal",
    "strong arrival",
    "change of harmony",
    "slow harmony",
    "downbeat",
    "off the beat",
    "short upbeat",
    "place of the opening",
    "opening returns",
    "rhythm of the opening",
    "new passage",
    "voice enters",
    "voice rests",
    "no onset",
    "dotted before",
)
"""The evidence, in the order of `Place.values`."""
_AT = {name: i for i, name in enumerate(NAMES)}
_STRONG = (1.0, 0.7, 0.35, 0.0, 0.0)
_OPENING = 4
"""Notes by which one passage is known again."""
_GIVING = ("rit", "rall", "allarg", "slent", "calando", "calmando", "morendo", "accel", "string", "animando")
"""Beginnings of words for a tempo that gives way or presses on."""
SHORTEST = Fraction(3, 4)
"""Beats that a dominant lasts at least, to be heard as leading to a close."""
_STOPS = ".;:!?…"
_Figure: TypeAlias = tuple[float, ...]
_CLOSE_NAMES = {
    HALF: "half close",
    PHRYGIAN: "phrygian close",
    DECEPTIVE: "deceptive close",
    PLAGAL: "plagal close",
}
_Put: TypeAlias = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Place:
    """A moment at which a phrase could end and the next begin.

    `bar` is the position in bars from the start of the piece; `last` indexes the last melody note before
    the moment (-1 for none); `close` indexes the harmony's close that the phrase would end on (-1 for
    none), `arrived` where its goal is reached, in bars like `bar`. `values` are in the order of `NAMES`.
    """

    time: Fraction
    bar: float
    last: int
    close: int
    arrived: float
    values: tuple[float, ...]

    def get(self, name: str) -> float:
        """Return the value of one kind of evidence."""
        return self.values[_AT[name]]


@remembered
def singer_of(score: Score) -> int:
    """Return the staff that a singer reads, the upper of several that have words; 0 where nothing is sung."""
    sung = _sung(score)
    return min((s for s, count in sung.items() if count >= 0.6 * max(sung.values()) > 0), default=0)


def is_sung(score: Score, note: Note) -> bool:
    """Whether a note belongs to the singer's line; in a score without words every note may."""
    singer = singer_of(score)
    return not singer or note.staff == singer


def _sung(score: Score) -> dict[int, int]:
    """Return how many notes of each staff carry words."""
    sung: dict[int, int] = defaultdict(int)
    for note in score.struck:
        sung[note.staff] += bool(note.lyrics)
    return sung


@remembered
def melody_of(score: Score) -> tuple[Note, ...]:
    """Return the melody as notes that do not overlap: the sung line, elsewhere the top of the upper staff.

    Where a singer rests for a bar or longer, the instrument's upper staff goes on with the melody. In one
    staff the highest note counts, and a lower note struck under a held one is accompaniment.
    """
    notes = list(score.struck)
    sung = _sung(score)
    singer = singer_of(score)
    voice = _top([note for note in notes if note.staff == singer]) if singer else []
    top = min((note.staff for note in notes if not sung[note.staff]), default=0)
    other = _top([note for note in notes if note.staff == top])
    if not voice:
        return tuple(other)
    starts = [note.onset for note in voice]
    filled = list(voice)
    for note in other:
        i = bisect_right(starts, note.onset)
        since = voice[i - 1].end if i else Fraction(0)
        until = voice[i].onset if i < len(voice) else score.end
        bar = score.measure_at(note.onset).full_length
        if until - since >= bar and since <= note.onset and note.end <= until:
            filled.append(note)
    return tuple(sorted(filled, key=lambda note: note.onset))


def _top(notes: list[Note]) -> list[Note]:
    """Return the upper outline of a staff; `notes` are sorted by onset and pitch."""
    by_onset: dict[Fraction, Note] = {}
    for note in notes:
        if note.onset not in by_onset or note.midi > by_onset[note.onset].midi:
            by_onset[note.onset] = note
    line: list[Note] = []
    for onset in sorted(by_onset):
        note = by_onset[onset]
        if line and line[-1].end > onset and line[-1].midi > note.midi:
            continue
        line.append(note)
    return line


@remembered
def find_places(score: Score, closes: tuple[Close, ...], melody: tuple[Note, ...]) -> tuple[Place, ...]:
    """Return every place at which a phrase could end, in order, the end of the piece not included.

    `melody` is that of `melody_of`, and not empty.
    """
    return tuple(_Evidence(score, closes, melody).places())


class _Evidence:
    """What is known of a piece while its places are weighed, each looked up by time.

    Times are kept as floats here, in quarters: exact fractions are too slow for every comparison, and
    two floats that come from one fraction are equal.
    """

    def __init__(self, score: Score, closes: tuple[Close, ...], melody: tuple[Note, ...]) -> None:
        self.score = score
        self.closes = closes
        self.melody = melody
        self.end = float(score.end)
        self.onsets = [note.at for note in melody]
        self.moments = set(self.onsets)
        after = [*self.onsets[1:], self.end]
        self.ends = [min(note.until, follows) for note, follows in zip(melody, after, strict=True)]
        self.steps = [b - a for a, b in pairwise(self.onsets)]
        self.arrivals = [float(close.arrival) for close in closes]
        self.reaches = [float(close.reach) for close in closes]
        self.lengths = [b - a for a, b in zip(self.arrivals, self.reaches, strict=True)]
        self.starts = [float(measure.start) for measure in score.measures]
        self.bars = _bar_positions(score)
        self.fermatas = self._fermatas()
        slurs = self._slurs()
        self.slur_starts = {first for first, _ in slurs}
        self.slur_stops = {stop for _, stop in slurs}
        self.inside_slurs = _covered(slurs)
        self.tempi, self.fluxes = _tempi(score)
        self.degrees = [note.pitch.diatonic for note in melody]
        # How every note is reached: after how long, and by how many degrees.
        moves = zip(self.steps, pairwise(self.degrees), strict=True)
        self.reached_by: list[tuple[float, int] | None] = [None]
        self.reached_by += [(round(step, 4), to - since) for step, (since, to) in moves]
        self.silent = _silences(score)
        self.figures, self.rhythms = self._openings()
        measure = score.measure_at(melody[0].onset)
        self.first_place = (melody[0].onset - measure.start + measure.offset) % measure.full_length

    def places(self) -> list[Place]:
        """Return a place for every onset and end of the melody, barline and change of harmony."""
        moments = {
            *(note.onset for note in self.melody),
            *(note.end for note in self.melody),
            *(measure.start for measure in self.score.measures),
            *(close.reach for close in self.closes),
        }
        found = []
        # After the last note that is struck nothing begins any more.
        last = max(note.at for note in self.score.notes)
        for t in sorted(moments):
            if self.onsets[0] < t <= last:
                measure = self.score.measure_at(t)
                level = metric_level(measure, t)
                if level <= 3:
                    found.append(self._place(t, measure, level))
        return found

    def _place(self, moment: Fraction, measure: Measure, level: int) -> Place:
        values = [0.0] * len(NAMES)

        def put(name: str, value: float) -> None:
            values[_AT[name]] = value

        t, beat = float(moment), float(measure.beat_length)
        last = bisect_left(self.onsets, t) - 1
        onset, end = self.onsets[last], self.ends[last]
        following = self.onsets[last + 1] if last + 1 < len(self.onsets) else self.end
        put("fermata", float(t in self.fermatas))
        if t < end:
            put("held over", 1.0)
        else:
            put("rest", min(2.0, (following - end) / beat) / 2)
            put("silence", float(t in self.silent))
            put("long value", min(4.0, (following - onset) / beat) / 4)
            put("short value", float(following - onset < 0.7 * beat))
            put("slur end", float(last in self.slur_stops))
            put("dotted before", float(self._leads_on(last, t)))
        put("inside slur", float(last in self.inside_slurs))
        if last + 1 < len(self.melody) and t >= end and self.melody[last].part != self.melody[last + 1].part:
            put("voice enters" if self.melody[last + 1].lyrics else "voice rests", 1.0)
        self._text(last, put)
        put("double bar", float(self._double_bar(t)))
        put("new tempo", float(t in self.tempi))
        put("tempo in flux", float(t in self.fluxes))
        put("downbeat", float(level == 0))
        if level > 2:
            # Off the beat a phrase only begins with an upbeat of less than a beat, straight into the bar.
            barline = float(measure.start + measure.length)
            upbeat = following == t and barline - t < beat and barline in self.moments
            put("short upbeat" if upbeat else "off the beat", 1.0)
            if upbeat and last in self.slur_stops and last + 1 in self.slur_starts:
                put("new slur from an upbeat", 1.0)
        place = moment - measure.start + measure.offset
        put("place of the opening", float(place % measure.full_length == self.first_place))
        if following != t:
            put("no onset", float(t >= end))
        else:
            self._returns(last + 1, float(measure.full_length), put)
        close = self._harmony(t, put)
        arrived = self._bar(self.closes[close].arrival) if close >= 0 else -1.0
        return Place(moment, self._bar(moment), last, close, arrived, tuple(values))

    def _bar(self, moment: Fraction) -> float:
        measure = self.score.measure_at(moment)
        return self.bars[measure.index] + float((moment - measure.start) / measure.full_length)

    def _text(self, last: int, put: _Put) -> None:
        text = self.melody[last].lyrics[0] if self.melody[last].lyrics else self._syllable(last)
        plain = text.rstrip("\"'”’)»« ")
        if plain.endswith("-") or (text and self._melisma(last)):
            put("inside word", 1.0)
        elif plain and plain[-1] in _STOPS:
            put("line of text", 1.0)
        elif plain and plain[-1] in ",—–":
            put("line of text", 0.6)

    def _harmony(self, t: float, put: _Put) -> int:
        i = bisect_left(self.arrivals, t) - 1
        if i < 0 or t > self.reaches[i]:
            return -1
        close = self.closes[i]
        arrived = self.score.measure_at(close.arrival)
        led = (
            close.label in (HALF, PHRYGIAN)
            or close.arrival - close.led_from >= SHORTEST * arrived.beat_length
        )
        if close.label == AUTHENTIC and led:
            put("rooted authentic close" if close.rooted else "authentic close", 1.0)
        elif close.label == OPEN or not led:
            put("open harmony", 1.0)
        elif close.seventh is not None and close.seventh < t:
            put("dominant seventh", 1.0)
        else:
            put(_CLOSE_NAMES[close.label], 1.0)
        put("prepared dominant", float(close.prepared))
        put("inverted goal", float(not close.rooted and close.label in (OPEN, AUTHENTIC)))
        put("strong arrival", _STRONG[metric_level(arrived, close.arrival)])
        put("change of harmony", float(t == self.reaches[i]))
        put("slow harmony", _ratio(self.lengths[i], statistics.median(self.lengths[max(0, i - 8) : i + 6])))
        return i

    def _double_bar(self, t: float) -> bool:
        index = bisect_left(self.starts, t)
        if not 0 < index < len(self.starts) or self.starts[index] != t:
            return False
        before, here = self.score.measures[index - 1], self.score.measures[index]
        return (
            before.repeat_end
            or here.repeat_start
            or before.signature != here.signature
            or (before.beats, before.beat_type) != (here.beats, here.beat_type)
        )

    def _fermatas(self) -> set[float]:
        """Return the moments at which a held note or rest ends."""
        melodic = [(note.at, note.until) for note in self.melody if note.fermata]
        ends = {end for _, end in melodic}
        held: dict[float, float] = {}
        for note in self.score.notes:
            if note.fermata and not any(a < note.end and note.onset < b for a, b in melodic):
                held[note.at] = max(held.get(note.at, 0.0), note.until)
        ends |= set(held.values())
        for direction in self.score.directions:
            if direction.kind == "fermata":
                i = bisect_right(self.onsets, float(direction.onset)) - 1
                if i >= 0 and self.ends[i] <= direction.onset:
                    # A fermata on a rest or a barline holds until the melody goes on.
                    ends.add(self.onsets[i + 1] if i + 1 < len(self.onsets) else self.end)
        return ends

    def _slurs(self) -> list[tuple[int, int]]:
        """Return slurs of the melody as (first note, last note) by index."""
        open_at: dict[tuple[int, int], deque[int]] = defaultdict(deque)
        found = []
        for i, note in enumerate(self.melody):
            place = (note.part, note.staff)
            for mark in note.articulations:
                if mark == "slur-stop" and open_at[place]:
                    found.append((open_at[place].popleft(), i))
            for mark in note.articulations:
                if mark == "slur-start":
                    open_at[place].append(i)
        return [(a, b) for a, b in found if a < b]

    def _syllable(self, last: int) -> str:
        """Return the syllable that a melisma ending on a note began with."""
        for i in range(last - 1, max(-1, last - 12), -1):
            if self.melody[i].part != self.melody[last].part or self.ends[i] != self.onsets[i + 1]:
                return ""
            if self.melody[i].lyrics:
                return self.melody[i].lyrics[0]
        return ""

    def _melisma(self, last: int) -> bool:
        """Whether the syllable of a note goes on in the next."""
        if last + 1 >= len(self.melody):
            return False
        after = self.melody[last + 1]
        return (
            not after.lyrics
            and self.onsets[last + 1] == self.ends[last]
            and after.part == self.melody[last].part
        )

    def _openings(self) -> tuple[dict[_Figure, list[int]], list[_Figure]]:
        """Return where every figure of `_OPENING` notes begins, and the rhythm from every note on."""
        found: dict[_Figure, list[int]] = defaultdict(list)
        rhythms = []
        for i in range(len(self.melody) - _OPENING + 1):
            rhythm = tuple(round(t - self.onsets[i], 4) for t in self.onsets[i : i + _OPENING])
            found[self._figure(i, rhythm)].append(i)
            rhythms.append(rhythm)
        return found, rhythms

    def _figure(self, i: int, rhythm: _Figure) -> _Figure:
        return (*rhythm, *(d - self.degrees[i] for d in self.degrees[i : i + _OPENING]))

    def _leads_on(self, last: int, t: float) -> bool:
        """Whether the short note of a dotted figure leads straight into a moment, to which it belongs."""
        if last < 1 or last + 1 >= len(self.onsets) or self.onsets[last + 1] != t or self.ends[last] != t:
            return False
        short, dotted = t - self.onsets[last], self.onsets[last] - self.onsets[last - 1]
        joined = self.ends[last - 1] == self.onsets[last]
        return joined and dotted in (3 * short, 7 * short)

    def _returns(self, i: int, bar: float, put: _Put) -> None:
        """Weigh whether what begins at a melody note is heard elsewhere in the piece too."""
        if i >= len(self.rhythms):
            return
        here = self.onsets[i]
        same = self.figures[self._figure(i, self.rhythms[i])]
        near = bisect_left(same, here - bar, key=self.onsets.__getitem__)
        if any(k != i for k in same[near : bisect_right(same, here + bar, key=self.onsets.__getitem__)]):
            return
        apart = [k for k in same if abs(self.onsets[k] - here) >= 2 * bar]
        if 0 in apart:
            put("opening returns", 1.0)
        elif self.rhythms[i] == self.rhythms[0]:
            put("rhythm of the opening", 1.0)
        if any(k == 0 or self.reached_by[k] != self.reached_by[i] for k in apart):
            put("new passage", 1.0)


def _ratio(value: float, usual: float) -> float:
    """Return how many times longer than usual something is: 0 for no longer, 1 for eight times."""
    if value <= usual or usual <= 0:
        return 0.0
    return min(1.0, math.log2(value / usual) / 3)


def _covered(slurs: Iterable[tuple[int, int]]) -> set[int]:
    """Return the notes that lie inside any slur, however many slurs there are."""
    covered: set[int] = set()
    reached = 0
    for first, stop in sorted(slurs):
        covered.update(range(max(first, reached), stop))
        reached = max(reached, stop)
    return covered


def _bar_positions(score: Score) -> list[float]:
    """Return where each measure begins, counted in full bars; a pickup counts for what it holds."""
    positions = [0.0]
    for measure in score.measures:
        positions.append(positions[-1] + float(measure.length / measure.full_length))
    return positions


def _tempi(score: Score) -> tuple[set[float], set[float]]:
    """Return where a tempo begins, and where it gives way or presses on."""
    tempi: set[float] = set()
    fluxes: set[float] = set()
    for direction in score.directions:
        text = direction.text.lower().strip()
        if direction.kind not in ("tempo", "words") or not text:
            continue
        if any(word in text for word in _GIVING):
            fluxes.add(float(direction.onset))
        elif direction.kind == "tempo" or "tempo" in text:
            tempi.add(float(direction.onset))
    return tempi, fluxes


def _silences(score: Score) -> set[float]:
    """Return the onsets before which nothing sounds."""
    found: set[float] = set()
    reached = math.inf
    for note in score.notes:
        if note.duration:
            onset, end = note.at, note.until
            if onset > reached:
                found.add(onset)
            reached = end if reached == math.inf else max(reached, end)
    return found
