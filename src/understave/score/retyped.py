"""A `Score` with some of its bars typed anew: their notes in place of those that were there.

What stands around a note (slurs, fingering, articulation, its id) stays where the typed note is the same or
takes its place in the chord. Ties over the bar lines are made where both sides have the pitch.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import count

from understave.score.bar_text import MOST_VOICES, TypedEvent, TypedLine, TypedNote
from understave.score.model import Note, Score
from understave.score.notated import cut, joined
from understave.score.readers.musicxml_marks import OCTAVES
from understave.score.timeline import Written, join_ties
from understave.theory.pitch import Pitch


@dataclass(frozen=True, slots=True)
class _Part:
    """What a note is in one bar."""

    note: Note
    onset: Fraction
    duration: Fraction
    ids: tuple[str, ...]
    before: bool
    after: bool


def with_bars(score: Score, typed: Mapping[int, Sequence[TypedLine]]) -> Score:
    """Return the score with typed bars, by index, in place of its own; their lengths are those it has.

    The result has no `source` yet.
    """
    kept: list[Written] = []
    replaced: dict[int, list[_Part]] = {index: [] for index in typed}
    for note, parts in _in_bars(score):
        if not any(index in typed for index in parts):
            kept.append(Written(note))
            continue
        for index, part in parts.items():
            if index in typed:
                replaced[index].append(part)
            else:
                kept.append(_standing(score, index, part, first=index == note.measure))
    taken = {i for note in score.notes for i in note.ids}
    new: list[Written] = []
    for index, lines in typed.items():
        new += _Bar(score, index, replaced[index], taken).notes(lines)
    notes = join_ties(_tied(score, [*kept, *new], {w.note.id for w in new}))
    return replace(score, notes=notes, source=b"")


def _in_bars(score: Score) -> list[tuple[Note, dict[int, _Part]]]:
    """Return each note with what it is in each of its bars."""
    found: dict[int, tuple[Note, dict[int, _Part]]] = {id(n): (n, {}) for n in score.notes}
    for (_, index), pieces in sorted(cut(score)[0].items()):
        for whole, ids in joined(pieces):
            part = _Part(whole.note, whole.onset, whole.duration, ids, whole.tie_stop, whole.tie_start)
            found[id(whole.note)][1][index] = part
    return list(found.values())


def _standing(score: Score, index: int, part: _Part, first: bool) -> Written:
    """Return the part of a note in a bar that stays, where others of its bars were typed anew."""
    start = score.measures[index].start + part.onset
    note = replace(
        part.note, id=part.ids[0], ids=part.ids, onset=start, duration=part.duration, measure=index
    )
    return Written(_marked(note, part.note, first), part.after, part.before)


def _marked(note: Note, like: Note, first: bool) -> Note:
    """Give a note what stands at another; of tied notes only the `first` has marks."""
    return replace(
        note,
        articulations=like.articulations if first else (),
        ornaments=like.ornaments if first else (),
        fingering=like.fingering if first else (),
        lyrics=like.lyrics if first else (),
        fermata=like.fermata,
        arpeggiated=like.arpeggiated,
    )


def _tied(score: Score, written: Sequence[Written], new: set[str]) -> list[Written]:
    """Tie typed notes over the bar lines to what stands beyond them, where either side says so."""
    ending: dict[tuple[Fraction, int, int], list[int]] = {}
    for k, one in enumerate(written):
        if one.note.duration:
            ending.setdefault((one.note.end, one.note.part, one.note.midi), []).append(k)
    out = list(written)
    for k, one in enumerate(written):
        if not one.note.duration:
            continue
        for j in ending.get((one.note.onset, one.note.part, one.note.midi), ()):
            typed = one.note.id in new or written[j].note.id in new
            if typed and (one.tie_stop or written[j].tie_start):
                out[k] = replace(out[k], tie_stop=True)
                out[j] = replace(out[j], tie_start=True)
    return out


class _Bar:
    """Makes the notes of one typed bar; `old` is what stood there."""

    def __init__(self, score: Score, index: int, old: Sequence[_Part], taken: set[str]) -> None:
        self.score = score
        self.index = index
        self.start = score.measures[index].start
        self.old = list(old)
        self.taken = taken
        self.numbers = count(1)

    def notes(self, lines: Sequence[TypedLine]) -> list[Written]:
        """Return the notes of the lines."""
        out = []
        for line in lines:
            for event in line.events:
                alike = self._alike(event)
                for note, like in zip(event.notes, alike, strict=True):
                    out.append(self._written(line, event, note, like))
        return out

    def _alike(self, event: TypedEvent) -> list[_Part | None]:
        """Return for each note of a chord the one that it is, or whose place it takes."""
        grace = not event.duration
        here = [p for p in self.old if p.onset == event.onset and p.note.grace == grace]
        found: list[_Part | None] = []
        for note in event.notes:
            like = next(
                (p for p in here if p.note.written == note.pitch and p.note.staff == note.staff), None
            )
            found.append(like)
            if like is not None:
                here.remove(like)
                self.old.remove(like)
        for k, note in enumerate(event.notes):
            rest = [p for p in here if p.note.staff == note.staff]
            if found[k] is None and rest:
                like = min(rest, key=lambda p: abs(p.note.written.diatonic - note.pitch.diatonic))
                found[k] = like
                here.remove(like)
                self.old.remove(like)
        return found

    def _written(self, line: TypedLine, event: TypedEvent, typed: TypedNote, like: _Part | None) -> Written:
        moment = self.start + event.onset
        owner = next(k for k, p in enumerate(self.score.parts) if p.first_staff <= line.staff <= p.last_staff)
        within = line.staff - self.score.parts[owner].first_staff
        shift = self._octaves(typed.staff, moment)
        name = like.ids[0] if like is not None else self._name()
        note = Note(
            id=name,
            onset=moment,
            duration=event.duration,
            pitch=Pitch(typed.pitch.letter, typed.pitch.alter, typed.pitch.octave + shift),
            written=typed.pitch,
            staff=typed.staff,
            voice=str(MOST_VOICES * within + line.voice),
            part=owner,
            measure=self.index,
            ids=(name,),
            grace=not event.duration,
        )
        if like is not None:
            note = _marked(note, like.note, not like.before)
        return Written(note, typed.tied_on, typed.tied_back)

    def _octaves(self, staff: int, moment: Fraction) -> int:
        """Return by how many octaves a note sounds above its printed pitch."""
        return -sum(
            OCTAVES.get(d.text, 0)
            for d in self.score.directions
            if d.kind == "ottava" and d.staff == staff and d.end is not None and d.onset <= moment < d.end
        )

    def _name(self) -> str:
        while (name := f"typed-{self.index + 1}-{next(self.numbers)}") in self.taken:
            pass
        self.taken.add(name)
        return name
