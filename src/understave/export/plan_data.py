"""The plan as data: JSON for programs, in the form that ``plan.schema.json`` fixes.

In: a Score and its Plan. Out: text. Moments are given as in the reading's JSON (`reading_data`): printed bar
and beat for people, exact quarter notes for programs.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

from understave.export.reading_data import moment_values, plain_value
from understave.harmony.reading import Event
from understave.interpretation.plan import Plan
from understave.score.model import Score

FORMAT = "understave-plan"
VERSION = 1


def plan_json(score: Score, plan: Plan, stretch: tuple[Fraction, Fraction] | None = None) -> str:
    """Return a plan as indented JSON, whole or of what touches a stretch.

    Loudness is MIDI velocity, tempo quarter notes a minute.
    """
    begin, end = stretch or (Fraction(0), score.end)

    def lasts(start: Fraction, until: Fraction) -> bool:
        return stretch is None or (start < end and until > begin)

    def here(moment: Fraction) -> bool:
        return stretch is None or begin <= moment < end

    def at(moment: Fraction) -> dict[str, Any]:
        return moment_values(score, moment)

    document = {
        "format": FORMAT,
        "version": VERSION,
        "piece": {"title": score.title, "composer": score.composer},
        "tempo": round(plan.tempo, 3),
        "tension": [
            {
                "start": at(t.start),
                "end": at(t.end),
                "value": round(t.value, 4),
                "parts": [
                    {"name": name, "value": round(value, 4), "weight": round(weight, 4)}
                    for name, value, weight in t.parts
                ],
                "release": t.release,
                "why": _why(t.why),
            }
            for t in plan.tension
            if lasts(t.start, t.end)
        ],
        "loudness": [
            {"moment": at(p.moment), "velocity": round(p.velocity, 2)} for p in plan.levels if here(p.moment)
        ],
        "hairpins": [
            {
                "start": at(h.start),
                "peak": at(h.peak) if h.peak is not None else None,
                "end": at(h.end),
                "kind": h.kind,
                "origin": h.origin,
                "why": _why(h.why),
            }
            for h in plan.hairpins
            if lasts(h.start, h.end)
        ],
        "marks": [
            {"moment": at(m.moment), "mark": m.mark, "origin": m.origin, "why": _why(m.why)}
            for m in plan.marks
            if here(m.moment)
        ],
        "voices": [
            {
                "note": v.note,
                "role": v.role,
                "amount": round(v.amount, 2),
                "lean": v.lean,
                "why": _why(v.why),
            }
            for v in plan.voices
            if here(score.note_by_id[v.note].onset)
        ],
        "timing": [
            {"moment": at(b.moment), "factor": round(b.factor, 4), "why": _why(b.why)}
            for b in plan.timing
            if here(b.moment)
        ],
        "pedal": [
            {"moment": at(p.moment), "depth": round(p.depth, 3), "origin": p.origin, "why": _why(p.why)}
            for p in plan.pedal
            if here(p.moment)
        ],
    }
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"


def _why(event: Event | None) -> dict[str, Any] | None:
    if event is None:
        return None
    return {
        "kind": event.kind,
        "label": event.label,
        "notes": list(event.notes),
        "detail": {name: plain_value(value) for name, value in event.detail},
    }
