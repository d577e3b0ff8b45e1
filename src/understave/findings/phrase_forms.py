"""Score and spans -> how phrases are built: the period and the sentence.

After Caplin, *Classical Form* (1998), chapters 3 and 4 (from memory). A **period** states an idea and ends
weakly (antecedent), then begins with the same idea and ends more strongly (consequent). A **sentence** states
an idea, states it again at once (presentation), and goes on to a cadence, quickening on the way
(continuation). What is compared is the melody; the keys and cadences are those of `cadences`.

Events of kind ``"phrase form"``, from the first note of the theme to the end of its last phrase; `notes` are
the first notes of its idea, an upbeat left out. Labels:

- ``"period"``: "Bars 1 to 8 are a period: the same beginning twice, first left open, then closed."
- ``"sentence"``: "Bars 1 to 8 are a sentence: an idea, the idea again, and on to the close."

Detail:

- ``bars`` int: length; ``middle`` Fraction: where the consequent or the continuation begins.
- ``again`` Fraction and ``second`` Pitch: when and on which note the idea begins again.
- ``close`` str, ``arrival`` Fraction, ``key`` Key: the last cadence, its moment, and in which key it closes.
- ``weak`` str, ``weak_arrival`` Fraction, ``weak_key`` Key: the same of a period's first cadence.
- ``how`` str: how a sentence states its idea again, ``"same"``, or ``"moved"`` to another height.
- ``quickens`` tuple of str: what goes faster in its continuation, of ``"harmony"``, ``"notes"`` and
  ``"shorter units"``.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, pairwise

from understave.findings.cadences import CADENCE, CadenceDetails, find_phrases_and_cadences
from understave.findings.endings import melody_of
from understave.findings.kinds import Kind
from understave.findings.phrases import PHRASE
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Pitch

PERIOD, SENTENCE = "period", "sentence"
_STRENGTH = {"half": 1, "phrygian half": 1, "imperfect authentic": 2, "perfect authentic": 3}
"""Cadences by how much they close (common practice)."""
_SHORTEST, _LONGEST = 2, 8
"""Bars of an antecedent."""
_UNEVEN = (Fraction(3, 4), Fraction(8, 5))
"""How long a consequent may be against its antecedent: cut short or extended. Set by ear."""
_IDEA = 2
"""Bars of a basic idea (Caplin); in phrases of under four bars, half of the phrase."""
_FEWEST = 3
"""Notes of an idea: two could be chance. Set by ear."""
_FEWEST_OF_ONE_BAR = 5
"""The same where the idea fills one bar: a full bar may count as two (Caplin's real and notated bars)."""
_ALIKE = 0.75
"""Share of the notes of an idea that come again, so that an ornament more does not hide it. Set by ear."""
OPENING = 4
"""Notes at the beginning of an idea that must come again one for one (all, of a shorter idea). Set by ear."""
_QUICKER = 1.25
"""How much faster chords or notes of a continuation follow one another, to be heard so. Set by ear."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhraseFormDetails(Details):
    """How a theme is put together; see above."""

    bars: int
    again: Fraction
    second: Pitch
    middle: Fraction
    close: str
    arrival: Fraction
    key: Key
    weak: str | None = None
    weak_key: Key | None = None
    weak_arrival: Fraction | None = None
    how: str | None = None
    quickens: tuple[str, ...] | None = None


def find_phrase_forms(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the periods and sentences of a piece; two of one label never overlap."""
    theme = _Theme(score, spans)
    found: list[Event] = []
    for candidates in (theme.periods(), theme.sentences()):
        taken: list[Event] = []
        for event in sorted(candidates, key=lambda event: (-event.confidence, event.start, event.end)):
            if all(event.end <= other.start or other.end <= event.start for other in taken):
                taken.append(event)
        found += taken
    return tuple(sorted(found, key=lambda event: event.start))


class _Theme:
    """A piece with its melody, phrases and cadences, looked up while themes are compared."""

    def __init__(self, score: Score, spans: tuple[Span, ...]) -> None:
        events = find_phrases_and_cadences(score, spans)
        phrases = PHRASE.all(events)
        self.score = score
        self.melody = melody_of(score)
        self.onsets = [note.at for note in self.melody]
        lengths = [measure.full_length for measure in score.measures]
        # How often the length of a bar has changed before each.
        self.meters = list(accumulate((a != b for a, b in pairwise(lengths)), initial=0))
        self.changes = sorted({float(span.start) for span in spans})
        self.bounds = [phrases[0][0].start, *(event.end for event, _ in phrases)] if phrases else []
        self.sure = {event.end: event.confidence for event, _ in phrases}
        self.closes: dict[Fraction, tuple[str, CadenceDetails]] = {
            cadence.phrase_end: (event.label, cadence)
            for event, cadence in CADENCE.all(events)
            if cadence.closes_phrase and cadence.phrase_end is not None and event.label in _STRENGTH
        }

    def periods(self) -> Iterator[Event]:
        """Propose periods: two stretches of phrases that begin alike, of which the second closes more."""
        for start, middle in self._stretches():
            weak, bar = self.closes.get(middle), self._bar(start, middle)
            if weak is None or bar is None or not _SHORTEST <= (middle - start) / bar <= _LONGEST:
                continue
            shift = round((middle - start) / bar) * bar
            alike, second = self._same(start, min(_IDEA * bar, (middle - start) / 2), shift)
            later = self.bounds[bisect_right(self.bounds, middle) :]
            end = next((e for e in later if self._closes_more(e, weak[0])), None)
            if second is None or end is None or self._bar(start, end) is None:
                continue
            if not _UNEVEN[0] <= (end - middle) / (middle - start) <= _UNEVEN[1]:
                continue
            close, cadence = self.closes[end]
            yield self._event(
                PERIOD,
                start,
                end,
                alike,
                PhraseFormDetails(
                    bars=round((end - start) / bar),
                    again=second.onset,
                    second=second.pitch,
                    middle=middle,
                    close=close,
                    arrival=cadence.arrival,
                    key=cadence.key,
                    weak=weak[0],
                    weak_key=weak[1].key,
                    weak_arrival=weak[1].arrival,
                ),
            )

    def _closes_more(self, end: Fraction, label: str) -> bool:
        close = self.closes.get(end)
        return close is not None and _STRENGTH[close[0]] > _STRENGTH[label]

    def sentences(self) -> Iterator[Event]:
        """Propose sentences: an idea, the idea again, and what goes on from there to a cadence."""
        for start, end in self._stretches():
            bar = self._bar(start, end)
            if end not in self.closes or bar is None:
                continue
            for bars, fewest in ((_IDEA, _FEWEST), (1, _FEWEST_OF_ONE_BAR)):
                if len(self._notes(start, start + bars * bar)) < fewest:
                    continue
                if 4 * bars - Fraction(1, 2) <= (end - start) / bar <= 6 * bars:
                    event = self._sentence(start, end, bars * bar)
                    if event is not None:
                        yield event
                        break

    def _sentence(self, start: Fraction, end: Fraction, idea: Fraction) -> Event | None:
        how, alike, second = self._again(start, idea)
        middle = start + 2 * idea
        if second is None or self._again(start + idea, idea)[0] or self._same(start, idea, 2 * idea)[1]:
            return None  # a third time would make it a series, which goes nowhere
        # The idea itself may stop on a chord that could close; the presentation as a whole does not close.
        inner = {at: label for at, (label, _) in self.closes.items() if start < at < end}
        if any(at not in (start + idea, middle) or _STRENGTH[label] > 1 for at, label in inner.items()):
            return None
        quickens = tuple(self._quickens(start, middle, end, idea))
        if not quickens:
            return None
        close, cadence = self.closes[end]
        return self._event(
            SENTENCE,
            start,
            end,
            alike,
            PhraseFormDetails(
                bars=round((end - start) / self.score.measure_at(start).full_length),
                again=second.onset,
                second=second.pitch,
                middle=middle,
                close=close,
                arrival=cadence.arrival,
                key=cadence.key,
                how=how,
                quickens=quickens,
            ),
        )

    def _event(
        self, label: str, start: Fraction, end: Fraction, alike: float, details: PhraseFormDetails
    ) -> Event:
        begin = self._downbeat(start)
        notes = tuple(note.id for note in self._notes(begin, end)[:OPENING])
        sure = min(self.sure.get(end, 0.0), self.sure.get(details.middle, 1.0))
        return PHRASE_FORM.event(label, start, end, notes, round(alike * sure, 3), details)

    def _stretches(self) -> Iterator[tuple[Fraction, Fraction]]:
        for i, start in enumerate(self.bounds):
            for end in self.bounds[i + 1 :]:
                bar = self.score.measure_at(start).full_length
                if end - start > 2 * _LONGEST * bar:
                    break
                yield start, end

    def _bar(self, start: Fraction, end: Fraction) -> Fraction | None:
        """Return the length of a bar where it is the same from start to end, else None."""
        first = self.score.measure_at(start)
        last = self.score.measure_at(max(start, end - Fraction(1, 64)))
        return first.full_length if self.meters[first.index] == self.meters[last.index] else None

    def _notes(self, start: Fraction, end: Fraction) -> tuple[Note, ...]:
        return self.melody[bisect_left(self.onsets, float(start)) : bisect_left(self.onsets, float(end))]

    def _downbeat(self, start: Fraction) -> Fraction:
        measure = self.score.measure_at(start)
        return (
            start if measure.start == start or measure.end - start > measure.full_length / 2 else measure.end
        )

    def _same(self, start: Fraction, length: Fraction, shift: Fraction) -> tuple[float, Note | None]:
        """Return how much of an idea comes again after `shift`, 0..1, and its first note there.

        The opening comes note for note, of the rest enough; else 0 and None.
        """
        begin = self._downbeat(start)  # an upbeat may be another the second time
        here, there = self._notes(begin, start + length), self._notes(begin + shift, start + shift + length)
        first = [(note.onset, note.pitch) for note in here]
        second = [(note.onset - shift, note.pitch) for note in there]
        if len(here) < _FEWEST or first[:OPENING] != second[:OPENING]:
            return 0.0, None
        alike = (Counter(first) & Counter(second)).total() / max(len(here), len(there))
        return (alike, there[0]) if alike >= _ALIKE else (0.0, None)

    def _again(self, start: Fraction, length: Fraction) -> tuple[str, float, Note | None]:
        """Return how an idea is stated again right after itself, how alike it is, and its first note there.

        ``""``, 0 and None where it is not, or where all is one repeated note.
        """
        here, there = self._notes(start, start + length), self._notes(start + length, start + 2 * length)
        if len(here) < _FEWEST or len({note.pitch for note in here}) < 2:
            return "", 0.0, None
        same, second = self._same(start, length, length)
        if second is not None:
            return "same", same, second
        begin = self._downbeat(start)
        here, there = self._notes(begin, start + length), self._notes(begin + length, start + 2 * length)
        steps = [b.pitch.diatonic - a.pitch.diatonic for a, b in zip(here, there, strict=False)]
        if min(len(here), len(there)) < _FEWEST or not steps[0] or len(set(steps[:OPENING])) != 1:
            return "", 0.0, None
        moved = Counter((note.onset, note.pitch.diatonic + steps[0]) for note in here)
        found = Counter((note.onset - length, note.pitch.diatonic) for note in there)
        alike = (moved & found).total() / max(len(here), len(there))
        return ("moved", alike, there[0]) if alike >= _ALIKE else ("", 0.0, None)

    def _quickens(self, start: Fraction, middle: Fraction, end: Fraction, idea: Fraction) -> Iterator[str]:
        """Say what moves faster from the middle on than before."""
        if self._rate(self.changes, middle, end) >= _QUICKER * self._rate(self.changes, start, middle):
            yield "harmony"
        if self._rate(self.onsets, middle, end) >= _QUICKER * self._rate(self.onsets, start, middle):
            yield "notes"
        if self._again(middle, idea / 2)[2] is not None:
            yield "shorter units"

    @staticmethod
    def _rate(times: list[float], start: Fraction, end: Fraction) -> float:
        struck = bisect_left(times, float(end)) - bisect_left(times, float(start))
        return float(struck / (end - start))


PHRASE_FORM: Kind[PhraseFormDetails] = Kind(
    "phrase form", PhraseFormDetails, find=find_phrase_forms, weight=3.0, of_passage=True
)
