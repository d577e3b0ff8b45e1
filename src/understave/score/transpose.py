"""A score in another key, spelled as that key asks.

In: a `Score` and an interval, or two keys. Out: a `Score` of the same notes at the same moments, with new key
signatures, chord symbols and MusicXML. Letters move by the interval's steps, so every interval keeps its name
and what was altered stays altered; where a signature would pass seven sharps or flats the bar is spelled
on the other side, and so is a note that would need three accidentals.
"""

from __future__ import annotations

import re
from dataclasses import replace

from understave.errors import ScoreError
from understave.score.model import Direction, Measure, Note, Score
from understave.score.write import with_source
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass

LOWEST, HIGHEST = 21, 108
"""The keys of the piano as MIDI numbers."""
_DIMINISHED_SECOND = Interval(1, 0)
_ROOT = re.compile(r"(^|/)([A-G])(#+|b+|♯+|♭+|)")


def interval_between(old: Key, new: Key) -> Interval:
    """Return the nearest interval, up or down a tritone at most, that takes one tonic to the other.

    A new key of more than seven sharps or flats is taken on its simpler side. Raises UnderstaveError for keys
    of different modes.
    """
    if old.mode != new.mode:
        raise ScoreError(
            f"{old.name} cannot be moved to {new.name}: to transpose keeps the mode; choose a {old.mode} key."
        )
    if abs(new.signature) > 7:
        new = new.simplest
    rising = Interval.from_fifths(new.tonic.fifths - old.tonic.fifths)
    semitones = rising.semitones
    while semitones > 6:
        rising, semitones = Interval(rising.steps - 7, rising.semitones - 12), semitones - 12
    return rising


def transpose(score: Score, interval: Interval) -> Score:
    """Return a score moved by an interval.

    Raises UnderstaveError if that takes a note off the piano.
    """
    if (interval.steps, interval.semitones) == (0, 0):
        return score
    for note in score.notes:
        if not LOWEST <= note.midi + interval.semitones <= HIGHEST and LOWEST <= note.midi <= HIGHEST:
            where = score.measures[note.measure].number
            raise ScoreError(
                f"Moved by {interval.words}, {note.pitch.name} in bar {where} would lie off the piano; "
                "choose a nearer key or the other direction."
            )
    turns = [_turns(measure.signature + interval.fifths) for measure in score.measures]
    measures = tuple(_measure(measure, interval, turns[measure.index]) for measure in score.measures)
    notes = [_note(note, interval, turns[note.measure]) for note in score.notes]
    directions = tuple(
        _direction(direction, interval, turns[score.measure_at(direction.onset).index])
        for direction in score.directions
    )
    moved = replace(score, measures=measures, notes=tuple(notes), directions=directions, source=b"")
    return with_source(moved)


def moved_pitch(pitch: Pitch, interval: Interval, turns: int = 0) -> Pitch:
    """Return a pitch moved by an interval and respelled by so many diminished seconds (negative: down).

    With more than two accidentals it is spelled with the fewest.
    """
    moved = pitch + interval
    for _ in range(abs(turns)):
        moved = moved + (_DIMINISHED_SECOND if turns > 0 else -_DIMINISHED_SECOND)
    while abs(moved.alter) > 2:
        moved = moved + (_DIMINISHED_SECOND if moved.alter > 0 else -_DIMINISHED_SECOND)
    return moved


def moved_key(key: Key, interval: Interval) -> Key:
    """Return a key moved by an interval, on its simpler side where it would pass seven accidentals."""
    moved = Key(PitchClass.from_fifths(key.tonic.fifths + interval.fifths), key.mode)
    return moved.simplest if abs(moved.signature) > 7 else moved


def _turns(signature: int) -> int:
    """How many diminished seconds up (each takes twelve sharps off) bring a signature within seven."""
    turns = 0
    while signature - 12 * turns > 7:
        turns += 1
    while signature - 12 * turns < -7:
        turns -= 1
    return turns


def _measure(measure: Measure, interval: Interval, turns: int) -> Measure:
    return replace(measure, signature=measure.signature + interval.fifths - 12 * turns)


def _note(note: Note, interval: Interval, turns: int) -> Note:
    return replace(
        note,
        pitch=moved_pitch(note.pitch, interval, turns),
        written=moved_pitch(note.written, interval, turns),
    )


def _direction(direction: Direction, interval: Interval, turns: int) -> Direction:
    if direction.kind != "chord-symbol":
        return direction

    def moved(m: re.Match[str]) -> str:
        pitch = Pitch.parse(f"{m[2]}{m[3]}4")
        return m[1] + moved_pitch(pitch, interval, turns).pitch_class.name

    return replace(direction, text=_ROOT.sub(moved, direction.text))
