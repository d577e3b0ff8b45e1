"""Whether the answer of an exercise is right, worked out again from the score and its reading.

In: an `Exercise`, the Score and the Reading it was made from. Out: what is wrong with it, in plain words;
nothing for a right answer. None of it uses the arithmetic by which exercises are made: chords are stacked
from named intervals, notes are looked up in the score, and voices are compared one by one.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from itertools import combinations, groupby, pairwise
from typing import TYPE_CHECKING

from understave.claims import facts, failing
from understave.claims.chords_and_keys import ChordIs
from understave.claims.facts import Facts
from understave.findings.nonchord import NON_CHORD_TONE
from understave.harmony.reading import Reading, Span
from understave.score.model import Note, Score
from understave.teaching.details import (
    BarsToMove,
    CadenceToHear,
    ChordToHear,
    ChordToName,
    ChordToResolve,
    ChordToSpell,
    ModeToHear,
    NoteToFind,
    NoteToResolve,
    SequenceToContinue,
    ToHear,
)
from understave.theory.pitch import LETTERS, Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral

if TYPE_CHECKING:
    from understave.teaching.exercises import Exercise

# The chords of a lesson as named intervals above the root, as every theory book has them; the augmented
# sixths above their lowest note.
INTERVALS = {
    "major": "M3 P5",
    "minor": "m3 P5",
    "diminished": "m3 d5",
    "augmented": "M3 A5",
    "dominant7": "M3 P5 m7",
    "major7": "M3 P5 M7",
    "minor7": "m3 P5 m7",
    "half-diminished7": "m3 d5 m7",
    "diminished7": "m3 d5 d7",
    "minor-major7": "m3 P5 M7",
    "dominant9": "M3 P5 m7 M9",
    "dominant-minor9": "M3 P5 m7 m9",
    "italian": "M3 A6",
    "french": "M3 A4 A6",
    "german": "M3 P5 A6",
}
_SIXTHS = {"italian": "A6", "french": "A4", "german": "A6"}
"""Augmented sixths, and where above the lowest note the note is that their numerals are counted from."""


def verify(exercise: Exercise, score: Score, reading: Reading) -> tuple[str, ...]:
    """Return what is wrong with an exercise's answer; empty where it is right."""
    faults = list(_faults(exercise, score, reading))
    if exercise.choices:
        faults += _choice_faults(exercise)
    return tuple(faults)


def _faults(exercise: Exercise, score: Score, reading: Reading) -> Iterable[str]:
    match exercise.details:
        case ChordToName() as d:
            return _name(d, exercise, score, reading)
        case ChordToSpell() as d:
            return _spell(d, exercise, score, reading)
        case NoteToFind() as d:
            return _foreign(d, exercise, score, reading)
        case NoteToResolve() as d:
            return _dissonance(d, exercise, score, reading)
        case SequenceToContinue() as d:
            return _sequence(d, exercise, score, reading)
        case ChordToResolve() as d:
            return _chord(d, exercise, reading)
        case BarsToMove() as d:
            return _play(d, exercise, score, reading)
        case ModeToHear() | CadenceToHear() | ChordToHear() as d:
            return _hear(d, exercise, score, reading)


def _chord_on(root: PitchClass, bass: PitchClass, quality: str) -> frozenset[PitchClass] | None:
    """The notes of a chord with a root and a bass; None where the two do not go together."""
    if quality not in _SIXTHS:
        notes = stacked(root, quality)
    else:
        low = Pitch(bass.letter, bass.alter, 4)
        fits = (low + Interval.parse(_SIXTHS[quality])).pitch_class == root
        notes = stacked(bass, quality) if fits else None
    return notes if notes is not None and bass in notes else None


def stacked(base: PitchClass, quality: str) -> frozenset[PitchClass] | None:
    """Return the notes of a chord on a root (an augmented sixth: on its lowest note); None if it has no
    entry.
    """
    if quality not in INTERVALS:
        return None
    low = Pitch(base.letter, base.alter, 4)
    return frozenset((base, *((low + Interval.parse(i)).pitch_class for i in INTERVALS[quality].split())))


# --- looking things up -----------------------------------------------------------------------------------


def _sounding(score: Score, start: Fraction, end: Fraction) -> list[Note]:
    return [note for note in score.notes if note.duration and note.onset < end and note.end > start]


def _choice_faults(exercise: Exercise) -> list[str]:
    if exercise.correct is None or not 0 <= exercise.correct < len(exercise.choices):
        return ["no choice is marked as right"]
    if len(set(exercise.choices)) != len(exercise.choices):
        return ["two choices are the same"]
    if (
        not isinstance(exercise.details, ToHear)
        or exercise.choices[exercise.correct] != exercise.details.right
    ):
        return ["the choice marked as right is not the answer"]
    return []


# --- one check for each kind -----------------------------------------------------------------------------


def _name(name: ChordToName, exercise: Exercise, score: Score, reading: Reading) -> Iterable[str]:
    span = reading.span_at(exercise.start)
    if span is None or (span.start, span.end) != (exercise.start, exercise.end):
        yield "the reading has no such chord there"
        return
    if name.chord != span.numeral or name.key != span.key:
        yield "the numeral or key is not the reading's"
    notes = [score.note_by_id[i] for i in exercise.marked if i in score.note_by_id]
    heard = {note.pitch.pitch_class for note in notes}
    wanted = _chord_on(name.root, name.bass, name.quality)
    if wanted is None or heard != wanted:
        yield f"the marked notes are not a {name.quality} chord on {name.root}"
    if set(name.members) != heard or {pitch.pitch_class for pitch in exercise.notes} != heard:
        yield "the notes of the answer are not those that sound"
    if not notes or min(notes, key=lambda note: note.midi).pitch.pitch_class != name.bass:
        yield "the lowest note is another"
    if any(not (note.onset < exercise.end and note.end > exercise.start) for note in notes):
        yield "a marked note does not sound in the chord"


def _spell(spell: ChordToSpell, exercise: Exercise, score: Score, reading: Reading) -> Iterable[str]:
    span = reading.span_at(exercise.start)
    if span is None or spell.chord != span.numeral or spell.home != span.key:
        yield "the reading has no such chord there"
        return
    wanted = _chord_on(spell.root, spell.bass, spell.quality)
    spelled = {pitch.pitch_class for pitch in exercise.notes}
    if wanted is None or spelled != wanted or set(spell.members) != wanted:
        yield f"these notes do not spell a {spell.quality} chord on {spell.root}"
    if exercise.level != "beginner" and spell.members != tuple(pitch.pitch_class for pitch in exercise.notes):
        yield "the notes are not named from the bass up"
    # The same chord in the piece's own key, found by its sounding notes, is as far away as the keys are.
    move = spell.key.tonic.semitone - span.key.tonic.semitone
    here = {note.midi % 12 for note in _sounding(score, span.start, span.end) if note.id in span.notes}
    if {(m + move) % 12 for m in here} != {tone.semitone for tone in spelled}:
        yield "the spelled notes do not sound like the chord of the piece moved to the key"
    if (
        not exercise.notes
        or exercise.notes[0].pitch_class != spell.bass
        or list(exercise.notes) != sorted(exercise.notes, key=lambda pitch: pitch.midi)
    ):
        yield "the notes are not written from the bass up"


def _foreign(find: NoteToFind, exercise: Exercise, score: Score, reading: Reading) -> Iterable[str]:
    span = reading.span_at(exercise.start)
    note = score.note_by_id.get(find.note)
    if span is None or note is None or exercise.notes != (note.pitch,) or find.pitch != note.pitch:
        yield "the note is not in the score"
        return
    chord = _chord_on(find.root, span.numeral.chord(span.key).bass, find.quality)
    if chord is None or find.chord != span.numeral:
        yield "the chord is not the one read"
        return
    if set(find.members) != chord:
        yield "the notes named for the chord are not its notes"
    sounds = {tone.semitone for tone in chord}
    if note.midi % 12 in sounds:
        yield f"{note.pitch} belongs to the chord"
    if not (note.onset < span.end and note.end > span.start):
        yield "the note does not sound in the chord"
    others = {note.midi % 12 for note in _sounding(score, span.start, span.end)} - {note.midi % 12}
    if others - sounds:
        yield "there is another foreign note"
    told = [
        event
        for event in reading.events
        if event in NON_CHORD_TONE and event.label == find.kind and any(i in note.ids for i in event.notes)
    ]
    if not told:
        yield "the reading calls the note something else"


def _dissonance(resolve: NoteToResolve, exercise: Exercise, score: Score, reading: Reading) -> Iterable[str]:
    note = score.note_by_id.get(resolve.note)
    goal = score.note_by_id.get(resolve.goal_note)
    if note is None or goal is None or exercise.notes != (goal.pitch,) or resolve.goal != goal.pitch:
        yield "the answer is not the note of the score"
        return
    if resolve.pitch != note.pitch or exercise.marked[:1] != (resolve.note,):
        yield "the dissonance asked about is not the note of the score"
    if goal.onset != exercise.end or note.end > exercise.end or note.end < exercise.start:
        yield "the notes do not follow one another there"
    distance = goal.midi - note.midi
    if not 1 <= abs(distance) <= 3 or abs(goal.pitch.diatonic - note.pitch.diatonic) > 1:
        yield "the resolution is no step"
    if resolve.way != ("up" if distance > 0 else "down"):
        yield "it goes the other way"
    span, t = reading.span_at(exercise.start), reading.span_at(exercise.end)
    if span is None or t is None:
        yield "nothing is read there"
        return
    if note.midi % 12 in {tone.semitone for tone in span.numeral.chord(span.key).members}:
        yield "the note belongs to the chord"
    if goal.midi % 12 not in {tone.semitone for tone in t.numeral.chord(t.key).members}:
        yield "the answer does not belong to the chord"
    if exercise.material is not None:
        stop = exercise.end - score.measures[exercise.first].start
        if any(note.onset >= stop or note.end > stop for note in exercise.material.notes):
            yield "the question gives the answer away"


def _chord(resolve: ChordToResolve, exercise: Exercise, reading: Reading) -> Iterable[str]:
    s = reading.span_at(exercise.start)
    t = reading.span_at(s.end) if s is not None else None
    if s is None or t is None or (resolve.chord, resolve.to) != (s.numeral, t.numeral):
        yield "the reading has no such two chords"
        return
    if s.numeral.chord(s.key).root.semitone == t.numeral.chord(t.key).root.semitone:
        yield "the second chord has the root of the first: nothing resolves"
    if not exercise.solutions or exercise.material is None:
        yield "there is no solution"
        return
    whole = exercise.solutions[0][0]
    chords = _chords(whole)
    if len(chords) != 2:
        yield "the solution is not two chords"
        return
    for (_, voices), span in zip(chords, (s, t), strict=True):
        members = set(span.numeral.chord(span.key).members)
        if {note.pitch.pitch_class for note in voices} - members:
            yield "a note of the solution is foreign to its chord"
    if tuple(note.pitch for note in chords[1][1]) != exercise.notes or set(resolve.members) != set(
        t.numeral.chord(t.key).members
    ):
        yield "the notes of the answer are not those of the solution"
    yield from _parallels(chords)
    if {(note.onset, note.pitch) for note in exercise.material.notes} != {
        (note.onset, note.pitch) for note in chords[0][1]
    }:
        yield "the question is not the first of the two chords"


def _play(d: BarsToMove, exercise: Exercise, score: Score, reading: Reading) -> Iterable[str]:
    start, stop = score.measures[exercise.first].start, score.measures[exercise.last].end
    inside = [span for span in reading.spans if span.start < stop and span.end > start]
    # A label that stands twice running is one chord.
    own = [next(same) for _, same in groupby(inside, key=lambda span: (span.key, span.numeral))]
    if not own or d.key != own[0].key:
        yield "the piece is in another key there"
        return
    if list(d.chords) != [span.numeral for span in own]:
        yield "the chords are not the reading's"
    known = facts(score, reading.spans)
    if failing(tuple(ChordIs(s.start, s.start, s.key, s.numeral) for s in inside), known):
        yield "a chord is named that has not its notes"
    if any(not _mostly(known, span) for span in inside):
        yield "a chord is named of which most notes there are foreign"
    if len(d.targets) != len(exercise.solutions) or not d.targets:
        yield "a key has no solution"
        return
    shift = d.target.tonic.fifths - d.key.tonic.fifths
    moved = [tone.fifths - shift for tone in d.target_roots]
    if d.target != d.targets[0] or moved != [tone.fifths for tone in d.roots]:
        yield "the roots named for the first key are not those of the piece moved there"
    for key, (made, _) in zip(d.targets, exercise.solutions, strict=True):
        move = key.tonic.semitone - d.key.tonic.semitone
        for span in own:
            lo, hi = max(span.start, start) - start, min(span.end, stop) - start
            wanted = {(tone.semitone + move) % 12 for tone in span.numeral.chord(span.key).members}
            heard = {note.midi % 12 for note in _sounding(made, lo, hi)}
            if not heard or heard - wanted:
                yield f"in {key.name} a chord is not the piece's, moved"
                break
        yield from _parallels(_chords(made))


def _mostly(known: Facts, span: Span) -> bool:
    """Whether half of the notes struck under a chord, or more, belong to it."""
    own = span.numeral.chord(span.key).semitones
    struck = [note.midi % 12 in own for note in known.struck_in(span.start, span.end)]
    return not struck or 2 * sum(struck) >= len(struck)


def _sequence(d: SequenceToContinue, exercise: Exercise, score: Score, reading: Reading) -> Iterable[str]:
    given, times = d.given, d.times
    roots = [*given, *d.going_on]
    if len(times) != len(roots) or len(given) < 2 or d.count != len(d.going_on) or not d.going_on:
        yield "the steps are not complete"
        return
    for moment, root in zip(times, roots, strict=True):
        span = reading.span_at(moment)
        if span is None or span.numeral.chord(span.key).root != root:
            yield f"the chord at {moment} has another root"
    # The pattern, in staff steps from root to root, comes again after one or two chords.
    runs = [(k, len(list(run))) for k, run in groupby(LETTERS.index(tone.letter) for tone in roots)]
    letters = [letter for letter, _ in runs]
    moves = [(b - a) % 7 for a, b in pairwise(letters)]
    period = next((k for k in (1, 2) if all(a == b for a, b in zip(moves, moves[k:], strict=False))), 0)
    if not period or len(list(groupby(given))) <= period:
        yield "the roots do not go on as they began"
    # How often a root stays must be foreseen too; the first and the last may be cut off.
    stays = [count for _, count in runs][1:-1]
    if period and any(a != b for a, b in zip(stays, stays[period:], strict=False)):
        yield "a root stays as nobody could foresee"
    if exercise.solutions:
        # One struck again after a bar line is the same chord: its notes have its number.
        moved = score.measures[exercise.first].start
        printed = {
            note.id.split(".")[0]
            for note in exercise.solutions[0][0].notes
            if times[0] <= note.onset + moved < exercise.end
        }
        if len(printed) != len(roots):
            yield "there are not as many roots as chords"
    if exercise.material is not None:
        stop = times[len(given)] - score.measures[exercise.first].start
        if any(note.onset >= stop for note in exercise.material.notes):
            yield "the question gives the answer away"


def _hear(d: ToHear, exercise: Exercise, score: Score, reading: Reading) -> Iterable[str]:
    if exercise.material is None or not exercise.material.notes:
        yield "nothing sounds"
        return
    if isinstance(d, ModeToHear):
        yield from _hear_mode(d, exercise.material)
    elif isinstance(d, CadenceToHear):
        yield from _hear_cadence(d, reading)
    else:
        yield from _hear_chord(d, exercise, exercise.material, score)


def _hear_mode(hear: ModeToHear, material: Score) -> Iterable[str]:
    heard = {note.midi % 12 for note in material.notes}
    third = {"major": 4, "minor": 3}
    other = "minor" if hear.right == "major" else "major"
    wanted, unwanted = ((hear.root.semitone + third[mode]) % 12 for mode in (hear.right, other))
    if wanted not in heard or unwanted in heard:
        yield f"what sounds is not {hear.right}"


def _hear_cadence(hear: CadenceToHear, reading: Reading) -> Iterable[str]:
    """The kind by the roots of the last two chords, counted in staff steps from the tonic."""
    goal = reading.span_at(hear.at)
    before = reading.span_at(goal.start - Fraction(1, 64)) if goal is not None else None
    if goal is None or before is None:
        yield "nothing is read there"
        return

    def degree(span: Span) -> int:
        return hear.key.degree(span.numeral.chord(span.key).root)[0]

    # Over a cadential six-four the dominant has come: its root is the bass.
    at = 5 if goal.numeral.special == "Cad" else degree(goal)
    leader = 5 if before.numeral.special == "Cad" else degree(before)
    kind = {
        "authentic": at == 1 and leader in (5, 7),
        "half": at == 5,
        "deceptive": leader == 5 and at not in (1, 5),
        "plagal": at == 1 and leader in (2, 4),
    }
    if not kind[hear.right]:
        yield f"degrees {leader} to {at} are no {hear.right} cadence"


def _hear_chord(hear: ChordToHear, exercise: Exercise, material: Score, score: Score) -> Iterable[str]:
    start = score.measures[exercise.first].start
    members = {tone.semitone for tone in hear.chord.chord(hear.key).members}
    heard = {note.midi % 12 for note in _sounding(material, exercise.start - start, exercise.end - start)}
    if not heard or heard - members:
        yield "what sounds there is another chord"
    for choice in exercise.choices:
        if isinstance(choice, RomanNumeral) and choice != hear.chord:
            other = {tone.semitone for tone in choice.chord(hear.key).members}
            if other == members:
                yield "two choices sound the same"


# --- four voices, one by one -----------------------------------------------------------------------------


def _chords(score: Score) -> list[tuple[Fraction, list[Note]]]:
    """The chords of a Score of four voices by moment, each from the bass up by voice."""
    by_onset: dict[Fraction, list[Note]] = {}
    for note in score.notes:
        by_onset.setdefault(note.onset, []).append(note)
    order = {"b": 0, "t": 1, "a": 2, "s": 3}
    return [(t, sorted(v, key=lambda note: order[note.id[-1]])) for t, v in sorted(by_onset.items())]


def _parallels(chords: list[tuple[Fraction, list[Note]]]) -> Iterable[str]:
    for (_, one), (moment, two) in pairwise(chords):
        for low, high in combinations(range(4), 2):
            a, b = one[high].midi - one[low].midi, two[high].midi - two[low].midi
            rises = (two[low].midi - one[low].midi, two[high].midi - one[high].midi)
            if a % 12 == b % 12 and a % 12 in (0, 7) and rises[0] * rises[1] > 0:
                yield f"two voices move in parallel {'fifths' if a % 12 else 'octaves'} at {moment}"
