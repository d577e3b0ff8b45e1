"""Score and spans -> cadences: how phrases end, and endings promised and not given.

A phrase that ends (see `phrases`) on a harmony that closes (see `closes`) ends with a cadence; the melody
decides between the two authentic ones. Inside a phrase a well prepared dominant in root position that goes
elsewhere is a deceptive or an evaded cadence, and one that arrives with the melody on the tonic is told as
an authentic cadence that the phrase runs past; so is a half cadence across which the melody sings.

The kinds follow Hutchinson, Music Theory for the 21st-Century Classroom, chapter 7 (number from memory), and
Open Music Theory, part IV (authentic, half, deceptive, plagal, Phrygian); the evaded cadence follows
Schmalfeldt (1992), from memory.

Event: kind ``"cadence"``; it lasts from where the dominant (in a plagal cadence the subdominant) begins
to the end of the phrase, or of the goal where none ends. `notes` are the bass note of the chord that leads
to the goal, then the goal's own notes as it arrives. Detail, where it applies:

- ``key`` Key: the key closed in. ``goal`` RomanNumeral: the goal, read in ``key``. ``arrival`` Fraction: when
  it is reached, on an upbeat the beat after it. ``ends_phrase`` int: 1 or 0. ``phrase_end`` Fraction.
- ``dominant`` RomanNumeral (in ``key``, the last before the goal; in a half cadence the goal itself) and
  ``dominant_arrival`` Fraction: where the dominant begins, its six-four left out.
- ``six_four`` Fraction: where a cadential six-four begins.
- ``leader`` RomanNumeral: the chord right before the goal, in ``key``.
- ``melody`` Pitch and ``melody_degree`` int: the melody's first chord tone over the goal, its degree in
  ``key``; ``melody_before`` int: the degree it comes from. Where the melody rests over the goal, as a singer
  does whose last word is said, all three are absent and ``top`` Pitch and ``top_degree`` int, the
  highest note of the goal that sounds, are judged in its place: a silent voice is not an unfinished one.
- ``bass_degree`` int: degree of the goal's bass. ``expected`` RomanNumeral: the tonic promised (deceptive,
  evaded). ``weak`` tuple of str: why an authentic cadence is imperfect: ``"melody not on the tonic"``,
  ``"top not on the tonic"`` (the melody rests), ``"dominant inverted"``, ``"tonic inverted"``,
  ``"leading-tone chord"``.
- ``reasons`` tuple of str: what says that the phrase ends here; see `phrases`.
- ``picardy`` int 1: a minor phrase closes on the major tonic. ``ends_piece`` int 1: no chord follows a half
  cadence.

Sentences, one per label:

- perfect authentic: "The dominant arrives in bar 7 and leads home: bass and melody both land on the tonic."
- imperfect authentic: "The dominant leads home, but the melody ends on the third: closed, not yet final."
- half: "The phrase stops on the dominant: a comma, the answer is still to come."
- phrygian half: "In minor the bass sinks a semitone from the sixth degree onto the dominant and stops."
- deceptive: "The dominant promises the tonic, but the bass steps up to the sixth degree instead."
- plagal: "The subdominant, not the dominant, leads home: an Amen."
- evaded: "The cadence is prepared, but at the last moment the bass slips away and the music goes on."

Event: kind ``"picardy third"``, label ``"picardy third"``: "The minor phrase ends on a major chord: B natural
in place of B flat." `notes` are the raised thirds. Detail: ``key`` Key (minor), ``third`` PitchClass,
``diatonic`` PitchClass (what minor would have), ``goal`` RomanNumeral, ``arrival`` Fraction.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import takewhile

from understave.findings.closes import (
    AUTHENTIC,
    DECEPTIVE,
    HALF,
    OPEN,
    PHRYGIAN,
    PLAGAL,
    Close,
    Run,
    chords_of,
    find_closes,
    is_dominant,
    is_root_dominant,
    is_tonic,
    numeral_in,
)
from understave.findings.ended_sections import endings_with_sections
from understave.findings.endings import is_sung, melody_of
from understave.findings.kinds import Kind, Lane, Stop
from understave.findings.phrases import Ending, phrases_of
from understave.findings.remembered import remembered
from understave.findings.sixfours import find_sixfours
from understave.findings.sounding_notes import soundings
from understave.harmony.reading import Details, Event, Span
from understave.harmony.units import metric_level
from understave.score.model import Note, Score
from understave.theory.chord import Chord
from understave.theory.key import Key
from understave.theory.pitch import LETTERS, Pitch, PitchClass
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class CadenceDetails(Details):
    """Which keys and chords close, and what the melody does; see above."""

    key: Key
    goal: RomanNumeral
    arrival: Fraction
    ends_phrase: int
    phrase_end: Fraction | None = None
    reasons: tuple[str, ...] | None = None
    dominant: RomanNumeral | None = None
    dominant_arrival: Fraction | None = None
    six_four: Fraction | None = None
    leader: RomanNumeral | None = None
    bass_degree: int
    melody: Pitch | None = None
    melody_degree: int | None = None
    melody_before: int | None = None
    top: Pitch | None = None
    top_degree: int | None = None
    weak: tuple[str, ...] | None = None
    expected: RomanNumeral | None = None
    picardy: int | None = None
    ends_piece: int | None = None

    @property
    def closes_phrase(self) -> bool:
        """Whether a phrase ends with the cadence."""
        return self.ends_phrase != 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PicardyDetails(Details):
    """The minor key and its raised third."""

    key: Key
    third: PitchClass
    diatonic: PitchClass
    goal: RomanNumeral
    arrival: Fraction


EVADED = "evaded"
_AGAIN = 8
"""Bars within which an evaded cadence is made good."""
_BEGUN, _PIECE = 2, 8
"""Bars of a piece before which it closes nothing, but where it stops, and from which on it is a piece."""
_STRONG, _BEAT = 1, 2
"""Levels in the bar of a strong beat and of any, at most."""
_HELD = frozenset({"fermata", "rest", "silence"})
"""Reasons that stop the sound."""
_STOPPED = _HELD | {"double bar"}
"""Reasons that stop even a sequence."""


def find_cadences(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return cadences and Picardy thirds in order of their start."""
    closes = find_closes(spans)
    return cadences_of(score, spans, closes, endings_with_sections(score, spans))


@remembered
def find_phrases_and_cadences(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return phrases, cadences and Picardy thirds, found from one search for the ends of phrases."""
    closes = find_closes(spans)
    endings = endings_with_sections(score, spans)
    return (*phrases_of(score, endings), *cadences_of(score, spans, closes, endings))


def cadences_of(
    score: Score, spans: tuple[Span, ...], closes: tuple[Close, ...], endings: tuple[Ending, ...]
) -> tuple[Event, ...]:
    """Return cadences and Picardy thirds, given the closes of the spans and the ends of phrases."""
    piece = _Piece(score, spans, closes)
    found: list[Event] = []
    told: set[Fraction] = set()
    for ending in endings:
        close = ending.close
        if close is None or close.label == OPEN or piece.is_evaded(piece.numbers[close]):
            continue
        if close.label == PLAGAL and piece.is_over_tonic(close):
            continue
        if piece.opens_on_no_root(close, ending.time):
            continue
        away = close.tonicised or close.label in (HALF, PHRYGIAN)
        stopped = bool(_STOPPED & set(ending.reasons))
        if away and not stopped and piece.is_in_sequence(piece.numbers[close]):
            continue
        if not stopped and piece.has_hardly_begun(close):
            continue
        if close.tonicised and not (close.prepared and close.rooted) and not stopped:
            # An applied dominant and its goal alone, or inverted, close nothing on the way.
            continue
        told.add(close.arrival)
        found.append(piece.event(close, ending))
        found += piece.picardy(close, ending)
    opened = [
        ending
        for ending in endings
        if ending.close and (ending.close.tonicised or ending.close.label in (HALF, PHRYGIAN))
    ]
    for i, close in enumerate(closes):
        if close.arrival not in told and not piece.begins_anew(close, opened):
            found += piece.within(i)
    return tuple(sorted(found, key=lambda event: event.start))


class _Piece:
    """A score with its chords, melody and closes, looked up while cadences are told."""

    def __init__(self, score: Score, spans: tuple[Span, ...], closes: tuple[Close, ...]) -> None:
        self.score = score
        self.spans = spans
        self.closes = closes
        self.numbers = {close: i for i, close in reversed(list(enumerate(closes)))}
        self.chords = chords_of(spans)
        self.melody = melody_of(score)
        self.six_fours = [event for event in find_sixfours(score, spans) if event.label == "cadential"]
        self.onsets = [note.onset for note in self.melody]
        self.note_onsets = [note.onset for note in score.notes]
        self.longest = max((note.duration for note in score.notes), default=Fraction(0))

    def ends_open(self, close: Close) -> int | None:
        """Return 1 for a half cadence after which no chord comes."""
        return 1 if close.label in (HALF, PHRYGIAN) and close.goal == len(self.spans) - 1 else None

    def event(self, close: Close, ending: Ending | None) -> Event:
        """Return the cadence on a close; `ending` is that of the phrase it ends, None inside a phrase."""
        close = self.settled(close, ending)
        end = ending.time if ending and ending.time > close.arrival else close.reach
        goal, chord = self.spans[close.goal], self.chords[close.goal]
        over = self.melody_over(close, end)
        if over is not None and ending is not None:
            over = self.last_over(close, over, end)
        label = close.label
        detail = CadenceDetails(
            key=close.key,
            goal=numeral_in(goal, close.key),
            arrival=close.arrival,
            ends_phrase=int(ending is not None),
            bass_degree=close.key.degree(chord.bass)[0],
            ends_piece=self.ends_open(close),
        )
        if ending:
            detail = replace(detail, phrase_end=ending.time, reasons=ending.reasons)
        if close.dominant is not None:
            run = close.dominant
            last = self.spans[close.goal if run.goal == close.goal else run.last]
            arrives, six_four = self.six_four(run)
            dominant = numeral_in(last, close.key)
            detail = replace(detail, dominant=dominant, dominant_arrival=arrives, six_four=six_four)
        if close.leader >= 0:
            detail = replace(detail, leader=numeral_in(self.spans[close.leader], close.key))
        if over is not None:
            degree = close.key.degree(over.pitch.pitch_class)[0]
            detail = replace(detail, melody=over.pitch, melody_degree=degree)
            before = bisect_left(self.onsets, over.onset) - 1
            if before >= 0:
                came = self.melody[before].pitch.pitch_class
                detail = replace(detail, melody_before=close.key.degree(came)[0])
        elif self.is_silent(close.arrival, end) and (top := self.top_over(close, end)) is not None:
            detail = replace(detail, top=top.pitch, top_degree=close.key.degree(top.pitch.pitch_class)[0])
        if label == AUTHENTIC:
            weak = self.weaknesses(close, over, end)
            label = "imperfect authentic" if weak else "perfect authentic"
            if weak:
                detail = replace(detail, weak=weak)
        if label in (DECEPTIVE, EVADED):
            detail = replace(detail, expected=_tonic(close.key))
        if ending and self.is_picardy(close):
            detail = replace(detail, picardy=1)
        return CADENCE.event(
            label,
            self.start(close),
            end,
            self.notes(close),
            self.confidence(close, ending),
            detail,
        )

    def settled(self, close: Close, ending: Ending | None) -> Close:
        """Return a close as it is heard: a tonic on the upbeat to a strong beat arrives on that beat.

        The beat strikes it anew over the same bass. A phrase may end on it, but not before it by a stop.
        """
        measure = self.score.measure_at(close.arrival)
        if close.label not in (AUTHENTIC, PLAGAL) or metric_level(measure, close.arrival) <= _BEAT:
            return close
        late = measure.past_beat(close.arrival)
        beat = min(close.arrival - late + measure.beat_length, measure.end)
        if ending is not None and (
            ending.time < beat or (ending.time == beat and _HELD & set(ending.reasons))
        ):
            return close
        if beat >= close.reach or metric_level(self.score.measure_at(beat), beat) > _STRONG:
            return close
        goal = bisect_right(self.spans, beat, key=lambda span: span.start) - 1
        anew = any(note.onset == beat for note in self.heard(beat, beat + Fraction(1, 64)))
        if not anew or self.chords[goal].bass != self.chords[close.goal].bass:
            return close
        return replace(close, arrival=beat, goal=goal)

    def has_hardly_begun(self, close: Close) -> bool:
        """Whether a piece of more than a phrase opens with what leads to a close: it has nothing to end."""
        bars = self.score.bars_between(self.score.struck[0].onset, close.arrival)
        return len(self.score.measures) >= _PIECE and bars < _BEGUN

    def is_over_tonic(self, close: Close) -> bool:
        """Whether the tonic already lies in the bass under the chord that leads to it: then it is a six-four
        over a held bass, which goes nowhere, and no cadence.
        """
        low = soundings(self.score).lowest(close.led_from, close.arrival)
        return low is not None and low.midi % 12 == close.key.tonic.semitone

    def arrives_over_tonic(self, close: Close) -> bool:
        """Whether the tonic is the bass as a dominant arrives: over a tonic pedal nothing stops on it."""
        low = soundings(self.score).at(close.arrival)[:1]
        return bool(low) and low[0].midi % 12 == close.key.tonic.semitone

    def opens_on_no_root(self, close: Close, end: Fraction) -> bool:
        """Whether a half close does not stand on the dominant's root: a tonic lies in the bass, or its
        seventh does right before it or as it ends, which goes on to the tonic in first inversion.
        """
        run = close.dominant
        if close.label not in (HALF, PHRYGIAN) or run is None:
            return False
        # The goal lies past the run where the bass strikes its note anew a beat later.
        past = (i for i in range(close.goal, run.last + 1) if self.spans[i].start < end)
        near = {max(run.first, close.goal - 1), close.goal, max(past, default=close.goal)}
        seventh = (close.key.tonic.semitone + 5) % 12
        lows = [
            soundings(self.score).lowest(self.spans[i].start, max(close.arrival, min(end, self.spans[i].end)))
            for i in near
        ]
        return self.arrives_over_tonic(close) or any(low and low.midi % 12 == seventh for low in lows)

    def six_four(self, run: Run) -> tuple[Fraction, Fraction | None]:
        """Return where a dominant arrives, and where the cadential six-four before it begins, if any."""
        if run.six_four is not None:
            six = self.spans[run.six_four]
            return six.end, six.start
        begin, end = self.spans[run.first].start, self.spans[run.last].end
        for event in self.six_fours:
            if begin <= event.start < end:
                # The label names the dominant from the start, but its six-four still has to resolve.
                return event.end, event.start
        return begin, None

    def start(self, close: Close) -> Fraction:
        """Return where the motion to the goal begins: with the dominant, else with the chord before."""
        if close.dominant is not None:
            return self.spans[close.dominant.first].start
        return self.spans[close.leader].start if close.leader >= 0 else close.arrival

    def confidence(self, close: Close, ending: Ending | None) -> float:
        """Return how sure a cadence is: the phrase's end and the labels of the two chords together."""
        labels = self.spans[close.goal].confidence
        if close.leader >= 0:
            labels = min(labels, self.spans[close.leader].confidence)
        sure = ending.confidence if ending else 0.5
        if ending is None:
            sure *= 0.6 + 0.4 * close.prepared
        if close.label == HALF and self.goes_straight_home(close, ending):
            sure *= 0.5
        if close.label == AUTHENTIC and self.chords[close.goal].inversion and not self.is_led_by_root(close):
            # With both basses off their roots it is hardly a cadence.
            sure *= 0.6
        return round(sure * (0.4 + 0.6 * labels), 3)

    def goes_straight_home(self, close: Close, ending: Ending | None) -> bool:
        """Whether the dominant has its seventh from the first and goes to its tonic without a stop."""
        if ending is not None and _STOPPED & set(ending.reasons):
            return False
        last = close.dominant.last if close.dominant is not None else close.goal
        if last + 1 >= len(self.chords) or not self.chords[close.goal].quality.is_seventh:
            return False
        return is_tonic(self.chords[last + 1], close.key)

    def is_led_by_root(self, close: Close) -> bool:
        """Whether the chord right before the goal is the dominant in root position."""
        return close.leader >= 0 and is_root_dominant(self.chords[close.leader], close.key)

    def melody_over(self, close: Close, end: Fraction) -> Note | None:
        """Return the melody's first chord tone over the goal, up to a moment; None where it is silent."""
        tones = self.chords[close.goal].semitones
        i = max(0, bisect_right(self.onsets, close.arrival) - 1)
        over = [note for note in self.melody[i : bisect_left(self.onsets, end)] if note.end > close.arrival]
        over = [note for note in over if is_sung(self.score, note)]
        return next((note for note in over if note.midi % 12 in tones), None)

    def last_over(self, close: Close, first: Note, end: Fraction) -> Note:
        """Return the note on which the melody comes to rest: the phrase's last, where that is the tonic.

        A melody that sinks through the goal's notes to its root ends there.
        """
        last = self.melody[bisect_left(self.onsets, end) - 1]
        if not is_sung(self.score, last):
            return first
        return last if last.onset > first.onset and last.pitch.pitch_class == close.key.tonic else first

    def is_silent(self, start: Fraction, end: Fraction) -> bool:
        """Whether the melody rests between two moments."""
        i = max(0, bisect_right(self.onsets, start) - 1)
        here = self.melody[i : bisect_left(self.onsets, end)]
        return all(note.end <= start or not is_sung(self.score, note) for note in here)

    def top_over(self, close: Close, end: Fraction) -> Note | None:
        """Return what stands on top while the melody rests: the instrument's upper line where it takes over.

        Else it is the highest of the goal's notes at the first moment at which any sounds over it.
        """
        tones = self.chords[close.goal].semitones
        i = max(0, bisect_right(self.onsets, close.arrival) - 1)
        line = [note for note in self.melody[i : bisect_left(self.onsets, end)] if note.end > close.arrival]
        if line and (own := [note for note in line if note.midi % 12 in tones]):
            home = [
                note for note in own if end >= self.score.end and note.pitch.pitch_class == close.key.tonic
            ]
            return (home[-1:] or own)[0]
        over = [note for note in self.heard(close.arrival, end) if note.midi % 12 in tones and note.duration]
        first = max(close.arrival, min((note.onset for note in over), default=close.arrival))
        return max((note for note in over if note.onset <= first), key=lambda note: note.midi, default=None)

    def weaknesses(self, close: Close, over: Note | None, end: Fraction) -> tuple[str, ...]:
        """Return why an authentic cadence is not perfect; empty where it is."""
        found = []
        top = self.top_over(close, end) if over is None else None
        if over is None and self.is_silent(close.arrival, end):
            if top is None or top.pitch.pitch_class != close.key.tonic:
                found.append("top not on the tonic")
        elif over is None or over.pitch.pitch_class != close.key.tonic:
            found.append("melody not on the tonic")
        leader = self.chords[close.leader]
        if leader.root == close.key.leading_tone:
            found.append("leading-tone chord")
        elif not is_root_dominant(leader, close.key):
            found.append("dominant inverted")
        if self.chords[close.goal].inversion:
            found.append("tonic inverted")
        return tuple(found)

    def notes(self, close: Close) -> tuple[str, ...]:
        """Return the bass of the leading chord and the goal's own notes as it arrives."""
        ids = []
        if close.leader >= 0:
            leader = self.spans[close.leader]
            low = self.sounding(leader.end - Fraction(1, 64), self.chords[close.leader])
            ids += [note.id for note in low[:1]]
        return tuple(
            dict.fromkeys(
                [*ids, *(note.id for note in self.sounding(close.arrival, self.chords[close.goal]))]
            )
        )

    def sounding(self, moment: Fraction, chord: Chord) -> list[Note]:
        """Return the chord's notes that sound at a moment, lowest first."""
        first = bisect_left(self.note_onsets, moment - self.longest)
        last = bisect_right(self.note_onsets, moment)
        found = [
            note
            for note in self.score.notes[first:last]
            if note.end > moment and note.midi % 12 in chord.semitones
        ]
        return sorted(found, key=lambda note: note.midi)

    def within(self, i: int) -> list[Event]:
        """Return the cadence on a close inside a phrase, if there is one to tell."""
        close = self.closes[i]
        if close.leader < 0 or not close.leader < close.goal:
            return []
        if close.label == DECEPTIVE and self.is_promised(close):
            return [self.event(close, None)]
        if close.label == AUTHENTIC and close.rooted and self.is_promised(close):
            over = self.melody_over(close, close.reach)
            return [] if self.weaknesses(close, over, close.reach) else [self.event(close, None)]
        if self.is_evaded(i):
            return [self.evaded(close)]
        stops = self.is_dominant_reached(i) and not self.is_in_sequence(i)
        if close.label in (HALF, PHRYGIAN) and stops and not self.opens_on_no_root(close, close.reach):
            return [self.event(close, None)]
        return []

    def begins_anew(self, close: Close, opened: list[Ending]) -> bool:
        """Whether a phrase has ended on the dominant before a close: what is reached begins the next.

        `opened` are the phrases' ends on a dominant, in the key or as a key of its own, in order of time.
        """
        first = bisect_left(opened, self.start(close), key=lambda ending: ending.time)
        last = bisect_right(opened, close.arrival, key=lambda ending: ending.time)
        return any(ending.close is not close for ending in opened[first:last])

    def is_in_sequence(self, i: int) -> bool:
        """Whether a goal and its leader are the first or the middle link of a sequence of three pairs, which
        stops nowhere (Caplin 1998, chapter 2: a sequence confirms no key by a cadence; from memory).
        """
        return self.are_in_sequence(i - 3) or self.are_in_sequence(i - 1)

    def are_in_sequence(self, first: int) -> bool:
        """Whether three pairs of goals, from the one of this number on, are as long as one another, their
        roots move by the same step, and one pair lies as far above or below the last as the next.
        """
        if first < 0 or first + 6 > len(self.closes):
            return False
        around = self.closes[first : first + 6]
        roots = [LETTERS.index(self.chords[close.goal].root.letter) for close in around]
        begins = [close.arrival for close in around]
        within = {(roots[k + 1] - roots[k]) % 7 for k in (0, 2, 4)}
        between = {(roots[k + 2] - roots[k]) % 7 for k in (0, 2)}
        lengths = {begins[k + 2] - begins[k] for k in range(4)}
        return len(within) == len(between) == len(lengths) == 1 and between != {0}

    def is_dominant_reached(self, i: int) -> bool:
        """Whether a dominant triad, led to by its own dominant, stands for a bar and does not go home.

        The melody may sing across such a half cadence.
        """
        close = self.closes[i]
        measure = self.score.measure_at(close.arrival)
        leader = self.chords[close.leader]
        own = Key(close.key.tonic.shift(1), "major")
        led = is_dominant(leader, own) or leader.quality in ("italian", "french", "german")
        stays = close.reach - close.arrival >= measure.full_length and close.seventh is None
        goes_home = i + 1 < len(self.closes) and self.closes[i + 1].label == AUTHENTIC
        return led and stays and not goes_home and metric_level(measure, close.arrival) == 0

    def is_promised(self, close: Close) -> bool:
        """Whether a dominant promises a cadence: prepared, a beat long, leading to a strong beat."""
        run = close.dominant
        if run is None or not close.prepared:
            return False
        begins = self.spans[run.first].start
        measure = self.score.measure_at(close.arrival)
        strong = metric_level(measure, close.arrival) <= 1
        rooted = is_root_dominant(self.chords[run.goal], close.key)
        return rooted and strong and close.arrival - begins >= measure.beat_length

    def is_evaded(self, i: int) -> bool:
        """Whether a promised cadence slips to the tonic in first inversion and is made good soon after."""
        close = self.closes[i]
        if close.label != AUTHENTIC or not self.is_promised(close) or self.chords[close.goal].inversion != 1:
            return False
        beat = self.score.measure_at(close.arrival).beat_length
        last = self.heard(close.arrival - beat, close.arrival)
        low = min(
            (note for note in last if note.end >= close.arrival), key=lambda note: note.midi, default=None
        )
        if low is not None and low.midi % 12 == close.key.tonic.shift(-1).semitone:
            # The seventh of the dominant is in the bass: the first inversion is what it promises.
            return False
        limit = close.arrival + _AGAIN * self.score.measure_at(close.arrival).full_length
        later = (close for close in self.closes[i + 1 :] if close.arrival <= limit)
        return any(c.label == AUTHENTIC and c.rooted and c.key.tonic == close.key.tonic for c in later)

    def evaded(self, close: Close) -> Event:
        """Return the event of an evaded cadence."""
        event = self.event(close, None)
        found = CADENCE.of(event)
        assert found is not None
        return replace(event, label=EVADED, details=replace(found, weak=None, expected=_tonic(close.key)))

    def is_picardy(self, close: Close) -> bool:
        """Whether a minor phrase closes on the major tonic."""
        chord = self.chords[close.goal]
        if close.label not in (AUTHENTIC, PLAGAL) or not is_tonic(chord, close.key):
            return False
        if 4 not in chord.quality.fifths or self.takes_a_seventh(close):
            return False
        minor = Key(close.key.tonic, "minor")
        # The last eight chords before the goal speak for the mode.
        around = [span.key for span in self.spans[max(0, close.leader - 7) : close.leader + 1]]
        return close.key.mode == "minor" or 2 * around.count(minor) > len(around)

    def takes_a_seventh(self, close: Close) -> bool:
        """Whether the chord of a goal takes up its minor seventh before it is left, and leads on."""
        root = self.chords[close.goal].root
        *_, last = takewhile(lambda i: self.chords[i].root == root, range(close.goal, len(self.chords)))
        seventh = (close.key.tonic.semitone + 10) % 12
        return any(note.midi % 12 == seventh for note in self.heard(close.arrival, self.spans[last].end))

    def picardy(self, close: Close, ending: Ending) -> list[Event]:
        """Return the Picardy third of a phrase's end, if it has one."""
        if not self.is_picardy(close):
            return []
        minor = Key(close.key.tonic, "minor")
        third = close.key.tonic.shift(4)
        notes = [note for note in self.heard(close.arrival, ending.time) if note.midi % 12 == third.semitone]
        if not notes:
            return []
        detail = PicardyDetails(
            key=minor,
            third=third,
            diatonic=PitchClass.from_fifths(minor.tonic.fifths - 3),
            goal=self.spans[close.goal].numeral,
            arrival=close.arrival,
        )
        sure = self.confidence(close, ending)
        ids = tuple(note.id for note in notes)
        return [PICARDY.event("picardy third", close.arrival, ending.time, ids, sure, detail)]

    def heard(self, start: Fraction, end: Fraction) -> list[Note]:
        """Return the notes that sound between two moments."""
        first = bisect_left(self.note_onsets, start - self.longest)
        last = bisect_left(self.note_onsets, end)
        return [note for note in self.score.notes[first:last] if note.end > start]


def _tonic(key: Key) -> RomanNumeral:
    return RomanNumeral.parse("I" if key.mode == "major" else "i")


CADENCE: Kind[CadenceDetails] = Kind(
    "cadence",
    CadenceDetails,
    find=find_phrases_and_cadences,
    weight=6.5,
    labels={
        "deceptive": 8.0,
        "evaded": 8.0,
        "phrygian half": 7.5,
        "plagal": 7.5,
    },
    lane=Lane(),
    stop=Stop("cadence"),
    contrasts={"deceptive": "arrival", "evaded": "arrival"},
    # On training pieces (chorales, quartets, variations) analysts mark an end at 24 of 42 half and 17 of 26
    # imperfect cadences as sure as this, at 42 of 94 and 30 of 66 from .35 on, and at none of 6 plagal ones.
    sure={"half": 0.6, "imperfect authentic": 0.6, "plagal": 0.7, "evaded": 0.4},
    searched={
        "authentic cadence": ("perfect authentic", "imperfect authentic"),
        "perfect authentic cadence": ("perfect authentic",),
        "imperfect authentic cadence": ("imperfect authentic",),
        "half cadence": ("half", "phrygian half"),
        "phrygian cadence": ("phrygian half",),
        "plagal cadence": ("plagal",),
        "deceptive cadence": ("deceptive",),
        "interrupted cadence": ("deceptive",),
        "evaded cadence": ("evaded",),
    },
)


PICARDY: Kind[PicardyDetails] = Kind(
    "picardy third",
    PicardyDetails,
    weight=8.0,
    lane=Lane(),
    stop=Stop("rare chord", chord=True),
)
