"""The Score: one frozen value for a piece, whatever file it came from.

All times are exact ``Fraction`` quarter notes from the start of the piece as written (repeats not
played out). Notes tied together are one `Note`; the ids of all its written parts are kept, because
the engraver draws each of them.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from itertools import accumulate

from understave.shown import shown
from understave.stored import Stored
from understave.theory.pitch import Pitch


@dataclass(frozen=True, slots=True, repr=False)
class Note:
    """One sounding note.

    `pitch` is as sounded, `written` as printed (they differ in transposing parts and under ottava
    lines). `duration` is 0 for grace notes and covers the whole tie for tied notes. `staff` counts
    from 1 at the top over the whole score; `part` indexes `Score.parts`; `measure` indexes
    `Score.measures` and is where the note begins. `ids` are the ids of every written note in the
    tie, in order; `id` is the first. Ornaments and articulations have their MusicXML names
    (``trill`` for trill-mark, ``tremolo-3`` with its marks), and ``slur-start``, ``slur-stop``,
    ``let-ring`` besides; a lyric that goes on in the next note ends with a hyphen. `cue` notes are not
    played; `small` ones are printed small and played (`small_print` tells which are which).
    """

    id: str
    onset: Fraction
    duration: Fraction
    pitch: Pitch
    written: Pitch
    staff: int
    voice: str
    part: int
    measure: int
    ids: tuple[str, ...]
    grace: bool = False
    cue: bool = False
    ornaments: tuple[str, ...] = ()
    articulations: tuple[str, ...] = ()
    fingering: tuple[str, ...] = ()
    fermata: bool = False
    arpeggiated: bool = False
    lyrics: tuple[str, ...] = ()
    small: bool = False
    # Asked for so often that working them out each time took an eighth of a reading.
    end: Fraction = field(init=False, repr=False, compare=False)
    """Moment at which the written note ends."""
    midi: int = field(init=False, repr=False, compare=False)
    """Sounding MIDI number."""

    at: float = field(init=False, repr=False, compare=False)
    """The onset as a float: floats compare fast, and equal moments give equal floats."""
    until: float = field(init=False, repr=False, compare=False)
    """The end as a float."""

    def __post_init__(self) -> None:
        end = self.onset + self.duration
        object.__setattr__(self, "end", end)
        object.__setattr__(self, "at", self.onset.numerator / self.onset.denominator)
        object.__setattr__(self, "until", end.numerator / end.denominator)
        object.__setattr__(self, "midi", self.pitch.midi)

    def __repr__(self) -> str:
        return f"<Note {self.id} {self.pitch} at {self.onset} for {self.duration}>"


SYMBOLS = ("common", "cut")
"""Signs that stand for a meter, named as in MusicXML 4.0 (``time-symbol``) and MEI 5 (``data.METERSIGN``)."""


@dataclass(frozen=True, slots=True, repr=False)
class Measure:
    """One measure as written; `number` is as printed (``"0"`` for a pickup, ``"12a"`` allowed).

    `length` is what the measure holds, `full_length` what its meter says; they differ in pickups
    and split measures. `offset` is where in the meter the measure begins: 0 except in a pickup or
    the second half of a split measure, so that beat positions stay right there. `symbol` is the sign
    that stands for the meter: ``"common"`` (C), ``"cut"`` (C with a stroke), or ``""`` for figures.
    """

    id: str
    index: int
    number: str
    start: Fraction
    length: Fraction
    beats: int
    beat_type: int
    signature: int
    mode: str | None = None
    offset: Fraction = Fraction(0)
    repeat_start: bool = False
    repeat_end: bool = False
    ending: tuple[int, ...] = ()
    symbol: str = ""
    # Asked for at every turn, like the end of a note.
    end: Fraction = field(init=False, repr=False, compare=False)
    """Start of the next measure."""
    full_length: Fraction = field(init=False, repr=False, compare=False)
    """Length in quarter notes that the meter asks for."""
    beat_length: Fraction = field(init=False, repr=False, compare=False)
    """Length of the felt beat: a dotted value in compound meters (6/8, 9/8, 12/8)."""

    def __post_init__(self) -> None:
        compound = self.beats % 3 == 0 and self.beats > 3 and self.beat_type >= 8
        object.__setattr__(self, "end", self.start + self.length)
        object.__setattr__(self, "full_length", Fraction(4 * self.beats, self.beat_type))
        object.__setattr__(self, "beat_length", Fraction(12 if compound else 4, self.beat_type))

    def past_beat(self, time: Fraction) -> Fraction:
        """Return how many quarter notes a moment of the measure lies after a felt beat, 0 on one."""
        return (time - self.start + self.offset) % self.beat_length

    def __repr__(self) -> str:
        return f"<Measure {self.number} at {self.start}, {self.beats}/{self.beat_type}>"


@dataclass(frozen=True, slots=True)
class Direction:
    """A printed instruction other than a note.

    `kind` is one of words, tempo, dynamic, wedge, pedal, ottava, fermata, rehearsal, segno, coda,
    chord-symbol, other. `text` is as printed (``"pp"``, ``"crescendo"``); for pedal it is ``"start"``,
    ``"change"`` or ``"stop"``, for the middle one ``"sostenuto"`` or ``"sostenuto-stop"``. `value` carries a
    number where there is one: quarter notes a minute for a tempo, pedal depth 0..1 for a pedal mark.
    """

    id: str
    kind: str
    onset: Fraction
    end: Fraction | None
    staff: int
    text: str
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """A printed part: its name and the range of staves (1-based, inclusive) that belong to it.

    `hidden` tells that the name is kept in the file and not printed.
    """

    id: str
    name: str
    first_staff: int
    last_staff: int
    hidden: bool = False


_KEYBOARD = re.compile(
    r"(piano|klavier|clavier|cembalo|clavecin|harpsichord|fortepiano|hammer(klavier|flügel)|pf\b|pno\b)",
    re.IGNORECASE,
)
"""How the names of parts for a keyboard begin in four languages (common practice, no source)."""


def keyboards(parts: Sequence[Part]) -> tuple[tuple[int, ...], ...]:
    """Return the parts for two hands, by their place in `parts`, those of one player together.

    A part of two staves or more is one player's; where there is none, the only two parts that are called a
    keyboard are a player's hands, if they are neighbours of one staff each.
    """
    wide = tuple((i,) for i, part in enumerate(parts) if part.last_staff > part.first_staff)
    called = tuple(i for i, part in enumerate(parts) if _KEYBOARD.match(part.name.strip()))
    return wide or ((called,) if len(called) == 2 and called[1] == called[0] + 1 else ())


_BACK = re.compile(r"(da capo|d\. ?c\.?|dal segno|d\. ?s\.?)(?!.*coda)")
_PEDAL_WORDS = re.compile(
    r"(?:((?:con )?due|con|col|sempre|mit|avec|with)|senza|ohne|sans|without|no) p[eé]d", re.IGNORECASE
)
"""*Con pedale* and its like in four languages, and what takes it back (common practice, no source)."""


@dataclass(frozen=True, repr=False)
class Score(Stored):
    """A whole piece.

    `notes` are sorted by onset, then grace notes first, then pitch. `source` is the MusicXML tree
    text that engraving and writing back start from, with every id in place; `warnings` say in plain
    sentences what was guessed or repaired on import.
    """

    title: str
    composer: str
    parts: tuple[Part, ...]
    measures: tuple[Measure, ...]
    notes: tuple[Note, ...]
    directions: tuple[Direction, ...] = ()
    metadata: dict[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    source: bytes = b""

    def __repr__(self) -> str:
        title = self.title or "untitled"
        return f"<Score {title!r}, {len(self.measures)} measures, {len(self.notes)} notes>"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        return shown(self)

    @cached_property
    def _starts(self) -> list[float]:
        return [float(measure.start) for measure in self.measures]

    @cached_property
    def struck(self) -> tuple[Note, ...]:
        """The notes that sound in the music's own time: no grace notes, no cues."""
        return tuple(note for note in self.notes if note.duration and not note.grace and not note.cue)

    @cached_property
    def keyboards(self) -> tuple[tuple[int, ...], ...]:
        """The parts for two hands, by number, those of one player together."""
        return keyboards(self.parts)

    @cached_property
    def pedal_words(self) -> tuple[tuple[Fraction, bool], ...]:
        """From when on printed words ask for the pedal (True), or for none (False), in order of time."""
        found = ((d.onset, _PEDAL_WORDS.match(d.text.strip())) for d in self.directions)
        words = [(onset, bool(said[1])) for onset, said in found if said is not None]
        return tuple(sorted(words, key=lambda word: word[0]))

    @cached_property
    def note_by_id(self) -> dict[str, Note]:
        """Every note by every id it has, tied continuations included."""
        return {i: note for note in self.notes for i in note.ids}

    @property
    def end(self) -> Fraction:
        """End of the last measure."""
        return self.measures[-1].end if self.measures else Fraction(0)

    @cached_property
    def fine(self) -> Fraction | None:
        """The first moment at which *Fine* is printed; None where it is not."""
        printed = (d for d in self.directions if d.kind == "words")
        return min((d.onset for d in printed if d.text.casefold().strip(" .\n") == "fine"), default=None)

    @cached_property
    def played_end(self) -> Fraction:
        """The moment at which the piece is over when it is played: at *Fine* where later words send back
        (*da capo*, *dal segno*, without a coda), else its end. Common practice, no source.
        """
        fine = self.fine
        if fine is None or not any(
            d.kind == "words" and d.onset > fine and _BACK.match(d.text.strip().casefold())
            for d in self.directions
        ):
            return self.end
        # It may stand over the last note or at the bar line after it; before the first note nothing is over.
        bar = self.measure_at(fine)
        over = bar.end if fine > bar.start else fine
        return over if self.struck and self.struck[0].onset < over else self.end

    def measure_at(self, time: Fraction) -> Measure:
        """Return the measure that holds a moment; moments past the end give the last measure."""
        return self.measures[max(0, bisect_right(self._starts, float(time)) - 1)]

    def measures_over(self, start: Fraction, end: Fraction) -> tuple[Measure, Measure]:
        """Return the first and last measure that a stretch touches; what ends at a barline ends before it."""
        last = self.measure_at(end)
        if last.start >= end > start and last.index > 0:
            last = self.measures[last.index - 1]
        return self.measure_at(start), last

    def bars_between(self, start: Fraction, end: Fraction) -> Fraction:
        """Return how many full bars lie between two moments, each bar by its own meter."""
        return self._bar_place(end) - self._bar_place(start)

    def _bar_place(self, time: Fraction) -> Fraction:
        """How many full bars lie between the beginning of the piece and a moment of it."""
        place = self._bar_places.get(time)
        if place is None:
            measure = self.measure_at(time)
            since = time - measure.start
            if not 0 <= since <= measure.length:
                # A moment before the piece or after it.
                since = Fraction(0) if since < 0 else measure.length
            place = self._bars_before[measure.index] + since / measure.full_length
            self._bar_places[time] = place
        return place

    @cached_property
    def _bar_places(self) -> dict[Fraction, Fraction]:
        """What `_bar_place` has found: the same moments are asked for many times."""
        return {}

    @cached_property
    def _bars_before(self) -> list[Fraction]:
        """How many full bars lie before each measure."""
        return [Fraction(0), *accumulate(measure.length / measure.full_length for measure in self.measures)]

    def beat_at(self, time: Fraction) -> Fraction:
        """Return the beat, from 1, counted in felt beats (dotted ones in compound meters)."""
        measure = self.measure_at(time)
        return 1 + (time - measure.start + measure.offset) / measure.beat_length

    @cached_property
    def _numbered(self) -> dict[str, list[Measure]]:
        """The bars of each printed number; the halves of a split bar are one."""
        found: dict[str, list[Measure]] = {}
        for measure in self.measures:
            same = found.setdefault(measure.number, [])
            if not same or _barline(same[-1]) != _barline(measure):
                same.append(measure)
        return found

    def bars_called(self, name: str) -> tuple[Measure, ...]:
        """Return every bar that a name may mean, in order.

        A name is a printed number. Where numbers start again (a trio, a second movement) `12` is each of
        them, and `12#2` the second alone.
        """
        name = name.strip()
        if name in self._numbered:
            return tuple(self._numbered[name])
        number, _, which = name.rpartition("#")
        if not (which.isascii() and which.isdigit() and len(which) < 6):
            return ()
        return tuple(
            self._numbered.get(number.strip(), ())[int(which) - 1 : int(which)] if int(which) else ()
        )

    def bar_name(self, measure: Measure) -> str:
        """Return the printed number of a bar, with ``#1``, ``#2`` where the score has several of it."""
        same = self._numbered[measure.number]
        if len(same) == 1:
            return measure.number
        which = next(i for i, m in enumerate(same, 1) if _barline(m) == _barline(measure))
        return f"{measure.number}#{which}"

    def anchor(self, moment: Fraction) -> tuple[str, Fraction]:
        """Return the name of the bar and the beat of a moment; `time_of` gives the moment again."""
        return self.bar_name(self.measure_at(moment)), self.beat_at(moment)

    def time_of(self, name: str, beat: Fraction, after: Fraction | None = None) -> Fraction:
        """Return the moment of a bar's name (see `bars_called`) and a beat; raise KeyError if absent.

        Of several bars of that name the first is meant, or where a stretch began at `after`, the first in
        which the moment comes later than that.
        """
        bars = self.bars_called(name)
        if not bars:
            raise KeyError(name)
        # What stands before an upbeat is where the upbeat begins.
        times = [
            max(self.measures[0].start, _barline(measure)[0] + (beat - 1) * measure.beat_length)
            for measure in bars
        ]
        return next((t for t in times if after is not None and t > after), times[0])


def _barline(measure: Measure) -> tuple[Fraction, Fraction]:
    """Where the whole bar begins of which a measure may be the second half, and its beat."""
    return measure.start - measure.offset, measure.beat_length


_EXACT = re.compile(r"-?[0-9]{1,12}(\.[0-9]{1,12}|/[0-9]{1,12})?")


def read_exact(text: str) -> Fraction:
    """Read a beat or moment as ``2``, ``2.5`` or ``5/2``; raise ValueError on anything else.

    `Fraction` alone would also take ``1e9999999``, and work on it until the memory is full.
    """
    if not _EXACT.fullmatch(text.strip()):
        raise ValueError(f"{text[:40]!r} is not a number such as 2, 2.5 or 5/2")
    try:
        return Fraction(text.strip())
    except ZeroDivisionError:
        raise ValueError(f"{text[:40]!r} divides by nothing") from None


def beat_text(beat: Fraction) -> str:
    """Write a beat as people do: ``2``, ``2.5``, or a mixed fraction such as ``1 2/3``."""
    whole, rest = divmod(beat, 1)
    if rest == 0:
        return str(whole)
    if rest.denominator in (2, 4, 8):
        return f"{float(beat):g}"
    return f"{whole} {rest}"
