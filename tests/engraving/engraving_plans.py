"""Plans laid over the small scores by rule, dense enough to try the lanes."""

from __future__ import annotations

from fractions import Fraction

from understave.harmony.reading import Event
from understave.interpretation.plan import DynamicMark, Hairpin, Origin, PedalMove, Plan, Tension
from understave.score.model import Score

WHY = Event("dynamics", "", Fraction(0), Fraction(0), (), 1.0)
DEPTHS = (1.0, 1.0, 0.5, 1.0, 0.0)
MARKS = ("pp", "mf", "sfz", "p", "ff", "dolce")


def plan_of(score: Score, step: Fraction = Fraction(1), hairpin: Fraction = Fraction(3)) -> Plan:
    """A pedal move and a span of tension at every step, a mark and a hairpin on each stretch."""
    tension, pedal, hairpins, marks = [], [], [], []
    count = int(score.end / step)
    for k in range(count):
        start, end = k * step, min((k + 1) * step, score.end)
        tension.append(Tension(start, end, (3 * k % 7) / 6, (), k % 5 == 4, WHY))
        pedal.append(PedalMove(start, DEPTHS[k % len(DEPTHS)], "proposed" if k % 9 else "printed"))
    for k in range(int(score.end / hairpin)):
        start, end = k * hairpin, (k + 1) * hairpin
        origin: Origin = "printed" if k % 3 == 2 else "proposed"
        kind = ("crescendo", "swell", "diminuendo")[k % 3]
        peak = start + hairpin / 3 if kind == "swell" else None
        hairpins.append(Hairpin(start, peak, end, kind, origin, WHY))  # type: ignore[arg-type]
        marks.append(DynamicMark(start, MARKS[k % len(MARKS)], origin, WHY))
    return Plan(tension=tuple(tension), hairpins=tuple(hairpins), marks=tuple(marks), pedal=tuple(pedal))
