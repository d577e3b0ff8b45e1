"""The plan as data: JSON for programs, in the form of `records.PlanFile`.

In: a Score and its Plan. Out: text. Moments are given as in the reading's JSON (`reading_data`): printed bar
and beat for people, exact quarter notes for programs.
"""

from __future__ import annotations

from fractions import Fraction

from understave.export import records
from understave.export.reading_data import detail, moment
from understave.harmony.reading import Event
from understave.interpretation.plan import Plan
from understave.score.model import Score


def plan_json(score: Score, plan: Plan, stretch: tuple[Fraction, Fraction] | None = None) -> str:
    """Return a plan as indented JSON, whole or of what touches a stretch.

    Loudness is MIDI velocity, tempo quarter notes a minute.
    """
    begin, end = stretch or (Fraction(0), score.end)

    def lasts(start: Fraction, until: Fraction) -> bool:
        return stretch is None or (start < end and until > begin)

    def here(moment: Fraction) -> bool:
        return stretch is None or begin <= moment < end

    def at(time: Fraction) -> records.Moment:
        return moment(score, time)

    file = records.PlanFile(
        piece=records.Piece(score.title, score.composer),
        tempo=round(plan.tempo, 3),
        tension=tuple(
            records.Tension(
                at(t.start),
                at(t.end),
                round(t.value, 4),
                tuple(
                    records.Part(name, round(value, 4), round(weight, 4)) for name, value, weight in t.parts
                ),
                t.release,
                _why(t.why),
            )
            for t in plan.tension
            if lasts(t.start, t.end)
        ),
        loudness=tuple(
            records.Loudness(at(level.moment), round(level.velocity, 2))
            for level in plan.levels
            if here(level.moment)
        ),
        hairpins=tuple(
            records.Hairpin(
                at(hairpin.start),
                None if hairpin.peak is None else at(hairpin.peak),
                at(hairpin.end),
                hairpin.kind,
                hairpin.origin,
                _why(hairpin.why),
            )
            for hairpin in plan.hairpins
            if lasts(hairpin.start, hairpin.end)
        ),
        marks=tuple(
            records.Mark(at(mark.moment), mark.mark, mark.origin, _why(mark.why))
            for mark in plan.marks
            if here(mark.moment)
        ),
        voices=tuple(
            records.Voice(voice.note, voice.role, round(voice.amount, 2), voice.lean, _why(voice.why))
            for voice in plan.voices
            if here(score.note_by_id[voice.note].onset)
        ),
        timing=tuple(
            records.Bend(at(b.moment), round(b.factor, 4), _why(b.why)) for b in plan.timing if here(b.moment)
        ),
        pedal=tuple(
            records.PedalMove(
                at(move.moment), round(move.depth, 3), move.origin, _why(move.why), move.late, move.flutter
            )
            for move in plan.pedal
            if here(move.moment)
        ),
        sustained=tuple(
            records.Sustained(at(held.start), at(held.end), held.notes, _why(held.why))
            for held in plan.sustained
            if lasts(held.start, held.end)
        ),
    )
    return records.text_of(file)


def _why(event: Event | None) -> records.Why | None:
    return None if event is None else records.Why(event.kind, event.label, event.notes, detail(event))
