"""Score -> melodic lines: which note comes before a note, and which after it, in its own line.

In choral scores and clean piano writing the line is the printed voice. Piano textures do not always say:
chords carry several lines in one voice, a voice hands a line to its neighbour, and a broken chord touches
each of its lines only now and then. So a line is followed by voice first, then by nearness within the
part, and in broken chords by register: the next note a step away, or on the same side of the figure.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import pairwise
from typing import TypeAlias, TypeVar

from understave.findings.remembered import remembered
from understave.score.model import Note, Score

_Place: TypeAlias = tuple[int, int, str]
_K = TypeVar("_K")
_AROUND = 3
"""Notes on either side that are looked at to tell a broken chord from a melody."""


def is_step(first: Note, second: Note) -> bool:
    """Whether two notes lie a step apart: a semitone or tone however spelled, or an augmented second."""
    return 0 < abs(first.midi - second.midi) <= 2 or (
        abs(first.pitch.diatonic - second.pitch.diatonic) == 1 and abs(first.midi - second.midi) == 3
    )


def resolves_to(first: Note, second: Note) -> bool:
    """Whether a dissonance may resolve from one note to another: by a tone or a semitone, however spelled.

    An augmented second is a step of a scale, but the way of no resolution (common practice, no source).
    """
    return 0 < abs(first.midi - second.midi) <= 2


def is_same(first: Note, second: Note) -> bool:
    """Whether two notes are the same key of the piano."""
    return first.midi == second.midi


@dataclass(frozen=True, slots=True)
class Strand:
    """Notes by onset: `onsets` ascending, `chords` the notes struck at each, lowest first.

    Onsets are floats, which compare fast; equal moments give equal floats.
    """

    onsets: tuple[float, ...]
    chords: tuple[tuple[Note, ...], ...]

    def index(self, moment: Fraction) -> int:
        """Return the number of the first onset at or after a moment."""
        return bisect_left(self.onsets, float(moment))

    def past(self, moment: Fraction) -> int:
        """Return the number of the first onset after a moment."""
        return bisect_right(self.onsets, float(moment))

    def at(self, moment: Fraction) -> tuple[Note, ...]:
        """Return the notes struck at a moment."""
        i = self.index(moment)
        return self.chords[i] if i < len(self.onsets) and self.onsets[i] == float(moment) else ()


@dataclass(frozen=True)
class Lines:
    """The strands of a score by voice, by staff and by part; grace and cue notes are left out.

    `graces` are the grace notes by voice; a line goes through one only where it would leap without it.
    """

    score: Score
    voices: dict[_Place, Strand]
    staves: dict[int, Strand]
    parts: dict[int, Strand]
    graces: dict[_Place, Strand]

    def after(self, note: Note) -> Note | None:
        """Return the next note of a note's line, or None where the line rests for longer than a beat."""
        voice = self.voices[_place(note)]
        beat = self.score.measures[note.measure].beat_length
        i = voice.index(note.end)
        here = i < len(voice.onsets) and voice.chords[i][0].onset - note.end <= beat
        direct = _match(note, voice.at(note.onset), voice.chords[i]) if here else None
        if direct is not None and _close(note, direct):
            return direct
        handed = [
            m
            for m in self.parts[note.part].at(note.end)
            if _close(note, m) and _place(m) != _place(note) and not self._claimed(m, forward=False)
        ]
        if handed:
            return min(handed, key=lambda m: (m.staff != note.staff, abs(m.midi - note.midi)))
        if direct is not None and not note.grace and (grace := self._grace(note, direct.onset)):
            return grace
        return self._in_register(note, forward=True) or direct

    def before(self, note: Note) -> Note | None:
        """Return the note before a note in its line, or None where the line rests for longer than a beat."""
        voice = self.voices[_place(note)]
        beat = self.score.measures[note.measure].beat_length
        i = voice.index(note.onset) - 1
        earlier = tuple(m for m in voice.chords[i] if m.end <= note.onset) if i >= 0 else ()
        direct = None
        if earlier and note.onset - max(note.end for note in earlier) <= beat:
            direct = _match(note, voice.at(note.onset), earlier)
        if direct is not None and _close(note, direct):
            return direct
        handed = [
            m
            for m in self._ending(note.part, note.onset)
            if _close(note, m) and _place(m) != _place(note) and not self._claimed(m, forward=True)
        ]
        if handed:
            return min(handed, key=lambda m: (m.staff != note.staff, abs(m.midi - note.midi)))
        return self._grace(note, note.onset) or self._in_register(note, forward=False) or direct

    def following(self, note: Note, until: Fraction) -> Iterator[Note]:
        """Yield the notes that come after a note in its line, up to those that begin at a moment."""
        current = self.after(note)
        while current is not None and current.onset <= until:
            yield current
            current = self.after(current)

    @cached_property
    def _frames(self) -> Strand:
        """Every onset of the score with all notes that sound at it, lowest first."""
        struck: dict[float, list[Note]] = defaultdict(list)
        for strand in self.parts.values():
            for onset, chord in zip(strand.onsets, strand.chords, strict=True):
                struck[onset] += chord
        onsets = sorted(struck)
        frames: list[tuple[Note, ...]] = []
        active: list[tuple[float, Note]] = []
        for onset in onsets:
            active = [(end, note) for end, note in active if end > onset]
            active += [(note.until, note) for note in struck[onset]]
            frames.append(tuple(sorted((note for _, note in active), key=lambda note: note.midi)))
        return Strand(tuple(onsets), tuple(frames))

    def sounding(self, moment: Fraction) -> list[Note]:
        """Return the notes of all parts that sound at a moment, lowest first."""
        i = self._frames.past(moment) - 1
        time = float(moment)
        return [note for note in self._frames.chords[i] if note.until > time] if i >= 0 else []

    def struck_between(self, start: Fraction, end: Fraction) -> list[Note]:
        """Return the notes of all parts that are struck from a moment on and before another."""
        strands = self.parts.values()
        return [
            note
            for strand in strands
            for c in strand.chords[strand.index(start) : strand.index(end)]
            for note in c
        ]

    def struck_near(self, note: Note, first: Fraction, last: Fraction) -> Note | None:
        """Return the nearest other striking of a note's key in its staff between two moments, if any."""
        strand = self.staves[note.staff]
        near = strand.chords[strand.index(first) : strand.past(last)]
        ordered = reversed(near) if last <= note.onset else near
        return next((m for c in ordered for m in c if is_same(m, note) and m.id != note.id), None)

    def is_broken(self, note: Note) -> bool:
        """Whether a note is part of a broken chord: single quick notes around it that mostly leap."""
        voice = self.voices[_place(note)]
        i = voice.index(note.onset)
        around = voice.chords[max(0, i - _AROUND) : i + _AROUND + 1]
        if len(around) < _AROUND + 2 or any(len(c) > 1 for c in around):
            return False
        beat = self.score.measures[note.measure].beat_length
        line = [c[0] for c in around]
        if (
            2 * max(note.duration for note in line) > beat
            or line[-1].onset - line[0].onset > len(line) * beat
        ):
            return False
        leaps = sum(1 for a, b in pairwise(line) if abs(a.midi - b.midi) > 2)
        return 3 * leaps >= 2 * (len(line) - 1)

    def _grace(self, note: Note, moment: Fraction) -> Note | None:
        """Return a grace note of the voice at a moment, a step from a note."""
        strand = self.graces.get(_place(note))
        return next((m for m in strand.at(moment) if is_step(note, m)), None) if strand else None

    def _claimed(self, note: Note, forward: bool) -> bool:
        """Whether a note already goes on (or comes) by step or repetition in its own voice."""
        voice = self.voices[_place(note)]
        if forward:
            return any(_close(note, m) for m in voice.at(note.end))
        i = voice.index(note.onset) - 1
        return i >= 0 and any(m.end == note.onset and _close(note, m) for m in voice.chords[i])

    def ending(self, moment: Fraction) -> list[Note]:
        """Return the notes of all parts that end at a moment."""
        return [note for part in self.parts for note in self._ending(part, moment)]

    def _ending(self, part: int, moment: Fraction) -> Iterator[Note]:
        strand = self.parts[part]
        i = strand.index(moment) - 1
        limit = float(moment - 4)
        while i >= 0 and strand.onsets[i] >= limit:
            yield from (note for note in strand.chords[i] if note.end == moment)
            i -= 1

    def _in_register(self, note: Note, forward: bool) -> Note | None:
        """Return the next (or last) note of a broken chord's strand: a step away, else the same extreme."""
        if not self.is_broken(note):
            return None
        reach = min(self.score.measures[note.measure].full_length, Fraction(4))
        staff = self.staves[note.staff]
        near = range(0)
        if forward:
            near = range(staff.index(note.end), staff.past(note.end + reach))
        else:
            near = range(
                staff.index(note.onset) - 1,
                staff.index(note.onset - reach) - 1,
                -1,
            )
        for i in near:
            close = [m for m in staff.chords[i] if _close(note, m)]
            if close:
                return min(close, key=lambda m: abs(m.midi - note.midi))
        extreme = self._extreme(note)
        if not extreme:
            return None
        for i in near:
            for m in staff.chords[i]:
                if _place(m) == _place(note) and self._extreme(m) == extreme:
                    return m
        return None

    def _extreme(self, note: Note) -> int:
        """Return 1 for a note above both of its neighbours in the voice, -1 for one below, else 0."""
        voice = self.voices[_place(note)]
        i = voice.index(note.onset)
        if not 0 < i < len(voice.onsets) - 1:
            return 0
        around = (*voice.chords[i - 1], *voice.chords[i + 1])
        if all(m.midi < note.midi for m in around):
            return 1
        return -1 if all(m.midi > note.midi for m in around) else 0


@remembered
def lines(score: Score) -> Lines:
    """Return the lines of a score."""
    notes = list(score.struck)
    graces = [note for note in score.notes if note.grace and not note.cue]
    onsets = [note.at for note in notes]
    return Lines(
        score,
        _strands(notes, onsets, _place),
        _strands(notes, onsets, lambda note: note.staff),
        _strands(notes, onsets, lambda note: note.part),
        _strands(graces, [note.at for note in graces], _place),
    )


def _place(note: Note) -> _Place:
    return note.part, note.staff, note.voice


def _strands(notes: list[Note], onsets: list[float], key: Callable[[Note], _K]) -> dict[_K, Strand]:
    groups: dict[_K, dict[float, list[Note]]] = defaultdict(lambda: defaultdict(list))
    for note, onset in zip(notes, onsets, strict=True):
        groups[key(note)][onset].append(note)
    return {
        k: Strand(tuple(g), tuple(tuple(sorted(c, key=lambda note: note.midi)) for c in g.values()))
        for k, g in groups.items()
    }


def _close(first: Note, second: Note) -> bool:
    return is_same(first, second) or is_step(first, second)


def _match(note: Note, own: tuple[Note, ...], other: tuple[Note, ...]) -> Note | None:
    """Return the note of another chord that a chord's note moves to or comes from.

    Chords of one size keep their order from the top; a common tone, then a step, then nearness decide
    where that does not give a close connection.
    """
    if not other:
        return None
    ranked = other[own.index(note)] if len(own) == len(other) and note in own else None
    if ranked is not None and _close(note, ranked):
        return ranked
    return min(other, key=lambda m: (not is_same(note, m), not is_step(note, m), abs(m.midi - note.midi)))
