"""Takes drawn beside the plan, over written time: loudness, tempo, pedal. Several takes lie over one
another.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from xml.sax.saxutils import escape

import numpy as np

from understave.engraving.palette import INK, PROPOSED, SOFT
from understave.interpretation.perform import clock
from understave.interpretation.plan import Plan
from understave.score.model import Score
from understave.takes.take import Take
from understave.takes.views import beats_between, loudness, printed_alone, tempo_curve
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import phrasebook

OWN = ("#B8450A", "#6A3D9A", "#1B7837", "#7F6000")
"""Colours of takes, one after the other; all 4.5 : 1 or more on white (WCAG 2.2, 1.4.3)."""
_MM = 0.15
"""Millimetres of a unit of the drawing on paper."""
WIDTH, LANE, GAP, LEFT, RIGHT, TOP = 1200.0, 150.0, 44.0, 60.0, 16.0, 52.0


def draw_take(score: Score, plan: Plan, takes: Sequence[Take], language: Language = "en") -> str:
    """Return an SVG document: lanes of loudness, tempo and pedal, the plan's line broken, each take's
    unbroken.
    """
    book = phrasebook(language)
    low = min(run.moments[0] for t in takes for run in t.runs)
    high = max(run.moments[-1] for t in takes for run in t.runs)
    shapes: list[str] = []

    def x(moment: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (moment - low) / max(1e-6, high - low)

    lanes = (
        (book.phrases["take_lane_loudness"], _loudness(score, plan, takes)),
        (book.phrases["take_lane_tempo"], _tempo(score, plan, takes, low, high)),
        (book.phrases["take_lane_pedal"], _pedal(plan, takes, low, high)),
    )
    for number, (name, lines) in enumerate(lanes):
        top = TOP + number * (LANE + GAP)
        values = [v for _, line in lines for _, v in line]
        least, most = (0.0, 1.0) if number == 2 else (min(values, default=0.0), max(values, default=1.0))
        shapes.append(f'<text x="{LEFT}" y="{top - 8:.0f}" font-size="15" fill="{INK}">{escape(name)}</text>')
        shapes.append(
            f'<rect x="{LEFT}" y="{top}" width="{WIDTH - LEFT - RIGHT}" height="{LANE}" '
            'fill="none" stroke="#CCC"/>'
        )
        for kind, line in lines:
            points = " ".join(
                f"{x(t):.1f},{top + LANE - LANE * (v - least) / max(1e-6, most - least):.1f}" for t, v in line
            )
            colour, dash = OWN[kind % len(OWN)], ""
            if kind < 0:
                colour, dash = (PROPOSED, "6 4") if kind == PLANNED else (SOFT, "2 3")
                dash = f' stroke-dasharray="{dash}"'
            shapes.append(
                f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="1.6"{dash}/>'
            )
    bottom = TOP + 3 * (LANE + GAP) - GAP
    inside = [measure for measure in score.measures if low <= float(measure.start) <= high]
    every = max(1, len(inside) // 24)
    for k, measure in enumerate(inside):
        place = x(float(measure.start))
        shapes.append(f'<path d="M{place:.1f} {TOP}V{bottom}" stroke="#E4E0D8" stroke-width="0.7"/>')
        if k % every == 0:
            shapes.append(
                f'<text x="{place:.1f}" y="{bottom + 16:.0f}" font-size="12" fill="{SOFT}">'
                f"{escape(score.bar_name(measure))}</text>"
            )
    legend = (
        f'<text x="{LEFT}" y="22" font-size="15" fill="{PROPOSED}">- - {escape(book.phrases["take_planned"])}'
    )
    if printed_alone(score) is not None:
        legend += f'<tspan dx="18" fill="{SOFT}">··· {escape(book.phrases["take_printed"])}</tspan>'
    for k, take in enumerate(takes):
        legend += f'<tspan dx="18" fill="{OWN[k % len(OWN)]}">{escape(take.recording.media)}</tspan>'
    height = bottom + 28
    title = escape(score.title or takes[0].recording.media)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH * _MM:g}mm" height="{height * _MM:g}mm" '
        f'viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" '
        f'font-family="sans-serif"><title>{title}</title><rect width="100%" height="100%" fill="#FFF"/>'
        f"{''.join(shapes)}{legend}</text></svg>\n"
    )


PLANNED, PRINTED = -1, -2
"""Whose a line is that no take has; takes are counted from 0."""
Lines = list[tuple[int, list[tuple[float, float]]]]


def _loudness(score: Score, plan: Plan, takes: Sequence[Take]) -> Lines:
    """The mean at each moment, smoothed over a quarter note, less the median; of the plan and of what is
    printed, where something is, at the first take's notes.
    """
    found: Lines = []
    for k, take in enumerate(takes):
        rows = sorted(loudness(score, plan, take))
        found.append((k, _smooth(rows, 1)))
        if k == 0:
            found.append((PLANNED, _smooth(rows, 2)))
            printed = printed_alone(score)
            if printed is not None:
                found.append((PRINTED, _smooth(sorted(loudness(score, printed, take)), 2)))
    return found


def _smooth(rows: Sequence[tuple[float, float, float]], column: int) -> list[tuple[float, float]]:
    moments, values = np.array([r[0] for r in rows]), np.array([r[column] for r in rows])
    return [(float(g), float(values[np.abs(moments - g) <= 0.5].mean())) for g in np.unique(moments)]


def _tempo(score: Score, plan: Plan, takes: Sequence[Take], low: float, high: float) -> Lines:
    """The tempo in quarter notes a minute, as a share of its own median."""
    found: Lines = []
    for k, take in enumerate(takes):
        curves = [tempo_curve(score, run) for run in take.runs]
        middle = float(np.median([v for c in curves for _, v in c] or [1.0]))
        found += [(k, [(t, v / middle) for t, v in curve]) for curve in curves]
    time = clock(score, plan)
    beats = beats_between(score, low, high)
    planned = [(a, (b - a) / (time.at(b) - time.at(a))) for a, b in pairwise(beats)]
    usual = float(np.median([v for _, v in planned] or [1.0]))
    found.append((PLANNED, [(t, v / usual) for t, v in planned]))
    return found


def _pedal(plan: Plan, takes: Sequence[Take], low: float, high: float) -> Lines:
    """The depth of the pedal, 0 up to 1 down; the player's raw, as the keyboard sent it."""
    found: Lines = []
    for k, take in enumerate(takes):
        line = take.recording.performance.pedal
        for run in take.runs:
            found.append((k, [(run.moment(t), d) for t, d in line if run.seconds[0] <= t <= run.seconds[-1]]))
    steps: list[tuple[float, float]] = []
    for move in plan.pedal:
        if low <= float(move.moment) <= high:
            depth = steps[-1][1] if steps else 0.0
            # A change is drawn as the pedal going up and down again.
            steps += [
                (float(move.moment), depth),
                (float(move.moment), 0.0),
                (float(move.moment) + 0.1, move.depth),
            ]
    found.append((PLANNED, steps))
    return found
