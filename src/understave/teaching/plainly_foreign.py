"""Whether a foreign note is foreign in every reading of its place, so that a question on it has one answer.

In: a Score, the span of the chord that the note is foreign to, and the note as the event that was found.
Out: True or False. A question is asked only where nobody can answer otherwise with as good a right.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from understave.findings.lines import lines
from understave.findings.nonchord import NonChordToneDetails
from understave.harmony.reading import Event, Span
from understave.score.model import Note, Score
from understave.theory.chord import Chord, Quality
from understave.theory.pitch import Pitch

_LEANS = ("suspension", "retardation", "appoggiatura")
"""Kinds that resolve into the chord over which they lean."""
_HALF = Fraction(1, 2)
_THIRD = 4
"""Semitones."""
_CHORDS = (
    *({0, 4, 7}, {0, 3, 7}, {0, 3, 6}, {0, 4, 8}),
    *({0, 4, 7, 10}, {0, 4, 7, 11}, {0, 3, 7, 10}, {0, 3, 6, 10}, {0, 3, 6, 9}),
)
"""Semitones above the root of triads and seventh chords."""
_SERIOUS = 0.1
"""Share of the belief from which on the second best label is a reading of its own (set by ear)."""


def is_plainly_foreign(score: Score, span: Span, event: Event, found: NonChordToneDetails) -> bool:
    """Whether every reading has the note as foreign, and as what it is.

    Root and third of the chord sound, so that there is a chord to be foreign to; the note comes once under
    it, in a line and not in a broken chord, and makes no chord with what sounds; what leans does so on an
    accent and resolves before the chord goes, into it; anything else fills half of the time at most; the
    next best label says the same; and the note is no part of a figure that goes on unchanged, whatever the
    chords do (common practice, no source).
    """
    note = score.note_by_id[found.note]
    own = [n for i in span.notes if (n := score.note_by_id.get(i)) is not None and n.duration]
    chord = span.numeral.chord(span.key)
    needed = {tone.semitone for tone in (chord.root, chord.member(3)) if tone is not None}
    if not needed <= {other.midi % 12 for other in own} or _makes_a_ninth(chord, note):
        return False
    heard = _heard(score, span.start, span.end)
    same = [other for other in heard if (other.midi - note.midi) % 12 == 0]
    if lines(score).is_broken(note) or any(
        other.onset >= span.start and other.id not in event.notes for other in same
    ):
        return False
    leans = event.label in _LEANS
    share = _lasts(span, same) / _lasts(span, own)
    brief = note.duration < score.measures[note.measure].beat_length
    if not leans and (share > _HALF or (share == _HALF and not brief)):
        return False
    if _in_company(score, span, event, note):
        return False
    goal, when = found.resolution_pitch, found.resolution_time
    if leans and (found.metric != "accented" or goal is None or when is None or when >= span.end):
        return False
    return _agrees(span, note, goal if leans else None) and not _goes_on_unchanged(score, note)


def _makes_a_ninth(chord: Chord, note: Note) -> bool:
    """Whether a note lies a third below a diminished chord: the root of the ninth that has all its notes."""
    diminished = chord.quality in (Quality.DIMINISHED, Quality.DIMINISHED7, Quality.HALF_DIMINISHED7)
    return diminished and (chord.root.semitone - note.midi) % 12 == _THIRD


def _heard(score: Score, start: Fraction, end: Fraction) -> list[Note]:
    """Return the notes that sound at some moment of a stretch, those struck as it begins twice."""
    line = lines(score)
    return [*line.sounding(start), *line.struck_between(start, end)]


def _lasts(span: Span, notes: Iterable[Note]) -> Fraction:
    """Return how long any of some notes, by onset, sounds within a span."""
    lasting = Fraction(0)
    until = span.start
    for note in sorted(notes, key=lambda note: note.onset):
        start, end = max(note.onset, until), min(note.end, span.end)
        if start < end:
            lasting, until = lasting + end - start, end
    return lasting


def _in_company(score: Score, span: Span, event: Event, note: Note) -> bool:
    """Whether a note has with what sounds as it does another answer: a second foreign note, a chord of which
    both are members, or for what is said to be leapt to, itself or its goal in the beat before.
    """
    own = span.numeral.chord(span.key).semitones
    here = _heard(score, event.start, note.end)
    if any(n.id not in event.notes and n.onset <= event.start and n.midi % 12 not in own for n in here):
        return True
    if _is_a_chord({n.midi % 12 for n in here}):
        return True
    beat = score.measures[note.measure].beat_length
    line = lines(score)
    near = [n for n in line.struck_between(note.onset - beat, note.onset) if n.staff == note.staff]
    goal = next((n.pitch for n in line.following(note, note.end + beat)), None)
    return event.label == "appoggiatura" and any(n.midi == note.midi or n.pitch == goal for n in near)


def _is_a_chord(tones: set[int]) -> bool:
    """Whether pitch classes make a whole triad or seventh chord (theory handbooks, from memory)."""
    return any({(tone - root) % 12 for tone in tones} in _CHORDS for root in tones)


def _agrees(span: Span, note: Note, goal: Pitch | None) -> bool:
    """Whether the next best label has a note as foreign, too, and where it has to go as its own."""
    for other in span.alternatives[:1]:
        own = other.numeral.chord(other.key).semitones
        if other.confidence < _SERIOUS:
            break
        if note.midi % 12 in own or (goal is not None and goal.midi % 12 not in own):
            return False
    return True


def _goes_on_unchanged(score: Score, note: Note) -> bool:
    """Whether a note's beat, or its bar, is in its voice what the beat or bar before was."""
    bar = score.measures[note.measure]
    for start, length in (
        (bar.start, bar.full_length),
        (note.onset - bar.past_beat(note.onset), bar.beat_length),
    ):
        here, before = (_figure(score, note, start - back, length) for back in (Fraction(0), length))
        if len(here) > 1 and here == before:
            return True
    return False


def _figure(score: Score, note: Note, start: Fraction, length: Fraction) -> list[tuple[Fraction, int]]:
    """Return what a note's voice strikes in a stretch: how long after its start, and which key."""
    return [
        (other.onset - start, other.midi)
        for other in lines(score).struck_between(start, start + length)
        if (other.staff, other.voice) == (note.staff, note.voice)
    ]
