"""Takes drawn beside the plan, over written time: loudness, tempo, pedal. Several takes lie over one
another.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from xml.sax.saxutils import escape

import numpy as np

from understave.engraving.palette import INK, PROPOSED, SOFT
from understave.findings.phrases import PHRASE
from understave.harmony.reading import Reading
from understave.interpretation.perform import clock
from understave.interpretation.plan import Plan
from understave.score.model import Score
from understave.takes.take import Take
from understave.takes.told import Beside
from understave.takes.views import (
    HESITATION,
    beats_between,
    beside_neighbours,
    damped,
    hesitations,
    loudness,
    printed_alone,
    tempo_curve,
)
from understave.theory.vocabulary import Language
from understave.wording.pedals import decimal
from understave.wording.phrasebook import phrasebook

OWN = ("#B8450A", "#6A3D9A", "#1B7837", "#7F6000")
"""Colours of takes, one after the other; all 4.5 : 1 or more on white (WCAG 2.2, 1.4.3)."""
PLANNED, PRINTED = -1, -2
"""Whose a line is that no take has; takes are counted from 0."""
Lines = list[tuple[int, list[tuple[float, float]]]]
_MM = 0.15
"""Millimetres of a unit of the drawing on paper."""
WIDTH, LANE, GAP, LEFT, RIGHT, TOP = 1200.0, 150.0, 66.0, 24.0, 16.0, 40.0
_NAME, _BAR, _LETTER = 24, 18, 13.0
"""Sizes of names and of bar numbers, legible where the picture is half as wide; and the width of a letter of
a name, about (set by eye)."""
_MOST_LETTERS = 60
"""Letters of a recording's name at most."""


def draw_take(score: Score, takes: Sequence[Take], beside: Beside, language: Language = "en") -> str:
    """Return an SVG document: lanes of loudness, tempo and pedal, the plan's line broken, each take's
    unbroken; the phrases that the reading has found stand below the tempo. `takes` stand the oldest first; of
    more than there are colours for, the latest are drawn.

    A lane of which no take knows anything is left out: of sound there is only time.
    """
    said, plan, takes = phrasebook(language).phrases, beside.plan, takes[-len(OWN) :]
    low = min(run.moments[0] for t in takes for run in t.runs)
    high = max(run.moments[-1] for t in takes for run in t.runs)

    def x(moment: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * (min(high, max(low, moment)) - low) / max(1e-6, high - low)

    rows, legend = _legend(score, takes, said)
    first = TOP + rows * _NAME * 1.3
    top = first
    shapes: list[str] = []
    for name, lines in (
        ("loudness", _loudness(score, plan, takes)),
        ("tempo", _tempo(score, plan, takes, low, high)),
        ("pedal", _pedal(plan, takes, low, high)),
    ):
        if not any(line for kind, line in lines if kind >= 0):
            continue
        words = said[f"take_lane_{name}"]
        if name == "tempo":
            inside = [(a, b) for a, b in phrases_of(beside.reading) if a < high and b > low]
            words += f" · {said['take_lane_phrases']}" if inside else ""
            shapes += [
                f'<path class="phrase" d="M{x(a) + 2:.1f} {top + LANE + 5}v9H{x(b) - 2:.1f}v-9" fill="none" '
                f'stroke="{SOFT}" stroke-width="2"/>'
                for a, b in inside
            ]
        shapes.append(_lane(words, [(k, [(x(t), v) for t, v in line]) for k, line in lines], name, top))
        if name == "tempo":
            shapes += _waits(score, takes, x, top + LANE, language)
        top += LANE + GAP
    bottom = top - GAP
    shapes[:0] = _barlines(score, low, high, x, first, bottom)
    height = bottom + _BAR + 22
    title = escape(score.title or takes[0].recording.media)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH * _MM:g}mm" height="{height * _MM:g}mm" '
        f'viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" '
        f'font-family="sans-serif"><title>{title}</title><rect width="100%" height="100%" fill="#FFF"/>'
        f"{''.join(shapes)}{legend}</svg>\n"
    )


def phrases_of(reading: Reading) -> tuple[tuple[float, float], ...]:
    """Return the phrases that a reading has found, from and to in written quarter notes."""
    return tuple((float(event.start), float(event.end)) for event in reading.events if event in PHRASE)


def _lane(words: str, lines: Lines, name: str, top: float) -> str:
    """A lane: its name, its frame, its lines over places on the page. The pedal is drawn as it is printed:
    what is down is low.
    """
    values = [v for _, line in lines for _, v in line]
    least, most = (1.0, 0.0) if name == "pedal" else (min(values), max(values))
    span = most - least if abs(most - least) > 1e-6 else 1e-6
    drawn = [
        f'<text x="{LEFT}" y="{top - 9:.0f}" font-size="{_NAME}" fill="{INK}">{escape(words)}</text>'
        f'<rect x="{LEFT}" y="{top:.1f}" width="{WIDTH - LEFT - RIGHT}" height="{LANE}" '
        'fill="none" stroke="#CCC"/>'
    ]
    for kind, line in lines:
        points = " ".join(f"{at:.1f},{top + LANE - LANE * (v - least) / span:.1f}" for at, v in line)
        if kind >= 0:
            colour, dash = OWN[kind], ""
        else:
            colour, dash = (PROPOSED, "6 4") if kind == PLANNED else (SOFT, "2 3")
            dash = f' stroke-dasharray="{dash}"'
        drawn.append(
            f'<polyline class="{name}" points="{points}" fill="none" stroke="{colour}" '
            f'stroke-width="2"{dash}/>'
        )
    return "".join(drawn)


def _waits(
    score: Score, takes: Sequence[Take], x: Callable[[float], float], bottom: float, language: Language
) -> list[str]:
    """Say in words how long the waits last that the lane of tempo cuts off; where words would touch, only the
    arrow at the lane's foot stays.
    """
    shapes: list[str] = []
    free = LEFT
    found = sorted(
        (one.moment, one.times, k)
        for k, take in enumerate(takes)
        for run in take.runs
        for one in hesitations(score, run)
    )
    for moment, times, k in found:
        text = phrasebook(language).phrases["take_lane_wait"].format(times=decimal(times, language, 1))
        wide, place = _LETTER * 0.75 * len(text), x(moment)
        begin = place + 10 if place + 10 + wide < WIDTH - RIGHT else place - 10 - wide
        look = f'class="wait" fill="{OWN[k]}"'
        shapes.append(f'<path {look} d="M{place - 6:.1f} {bottom - 11:.1f}h12l-6 9Z"/>')
        if begin >= free:
            anchor, at = ("start", begin) if begin > place else ("end", begin + wide)
            shapes.append(
                f'<text {look} x="{at:.0f}" y="{bottom - 6:.0f}" font-size="{_BAR}" '
                f'text-anchor="{anchor}">{escape(text)}</text>'
            )
            free = max(begin + wide, place) + 10
    return shapes


def _barlines(
    score: Score, low: float, high: float, x: Callable[[float], float], top: float, bottom: float
) -> list[str]:
    inside = [measure for measure in score.measures if low <= float(measure.start) <= high]
    every = -(-len(inside) // 24) or 1
    shapes = []
    for k, measure in enumerate(inside):
        place = x(float(measure.start))
        shapes.append(f'<path d="M{place:.1f} {top:.1f}V{bottom:.1f}" stroke="#E4E0D8" stroke-width="0.7"/>')
        if k % every == 0:
            shapes.append(
                f'<text x="{place:.1f}" y="{bottom + _BAR + 6:.0f}" font-size="{_BAR}" fill="{SOFT}">'
                f"{escape(score.bar_name(measure))}</text>"
            )
    return shapes


def _legend(score: Score, takes: Sequence[Take], said: Mapping[str, str]) -> tuple[int, str]:
    """Return how many rows the legend has and its text: whose each line is, in as many rows as that takes."""
    entries = [(f"- - {said['take_planned']}", PROPOSED)]
    if printed_alone(score) is not None and any(take.matches for take in takes):
        entries.append((f"··· {said['take_printed']}", SOFT))
    for k, take in enumerate(takes):
        name = take.recording.media
        short = name if len(name) <= _MOST_LETTERS else f"{name[: _MOST_LETTERS - 1]}…"
        entries.append((f"— {short}", OWN[k]))
    row, place = 0, LEFT
    shapes = []
    for text, colour in entries:
        wide = _LETTER * (len(text) + 2)
        if place > LEFT and place + wide > WIDTH - RIGHT:
            row, place = row + 1, LEFT
        y = _NAME * (1.2 + 1.3 * row)
        shapes.append(
            f'<text class="whose" x="{place:.0f}" y="{y:.0f}" font-size="{_NAME}" fill="{colour}">'
            f"{escape(text)}</text>"
        )
        place += wide
    return row + 1, "".join(shapes)


def _loudness(score: Score, plan: Plan, takes: Sequence[Take]) -> Lines:
    """The mean at each moment, smoothed over a quarter note, less the median; of the plan and of what is
    printed, where something is, at the notes of the first take that is no sound.
    """
    found: Lines = []
    for k, take in enumerate(takes):
        rows = sorted(loudness(score, plan, take))
        if not rows:
            continue
        found.append((k, _smooth(rows, 1)))
        if len(found) == 1:
            found.append((PLANNED, _smooth(rows, 2)))
            printed = printed_alone(score)
            if printed is not None:
                found.append((PRINTED, _smooth(sorted(loudness(score, printed, take)), 2)))
    return found


def _smooth(rows: Sequence[tuple[float, float, float]], column: int) -> list[tuple[float, float]]:
    moments, values = np.array([r[0] for r in rows]), np.array([r[column] for r in rows])
    return [(float(g), float(values[np.abs(moments - g) <= 0.5].mean())) for g in np.unique(moments)]


def _tempo(score: Score, plan: Plan, takes: Sequence[Take], low: float, high: float) -> Lines:
    """The tempo in quarter notes a minute, as a share of its own median. Single beats far longer or shorter
    than those around them are cut off where the others end: else one long wait would flatten all.
    """
    found: Lines = []
    even: list[float] = []
    for k, take in enumerate(takes):
        curves = [tempo_curve(score, run) for run in take.runs]
        middle = float(np.median([v for c in curves for _, v in c] or [1.0]))
        lines = [[(t, v / middle) for t, v in curve] for curve in curves]
        found += [(k, line) for line in lines]
        odd = {
            beat
            for run in take.runs
            for beat, times in beside_neighbours(score, run)
            if not 1 / HESITATION <= times <= HESITATION
        }
        even += [v for line in lines for t, v in line if t not in odd]
    time = clock(score, plan)
    beats = beats_between(score, low, high)
    planned = [(a, (b - a) / (time.at(b) - time.at(a))) for a, b in pairwise(beats)]
    usual = float(np.median([v for _, v in planned] or [1.0]))
    found.append((PLANNED, [(t, v / usual) for t, v in planned]))
    even += [v / usual for _, v in planned]
    least, most = (min(even), max(even)) if even else (1.0, 1.0)
    return [(k, [(t, min(most, max(least, v))) for t, v in line]) for k, line in found]


def _pedal(plan: Plan, takes: Sequence[Take], low: float, high: float) -> Lines:
    """The depth of the pedal, 0 up to 1 down; the player's with the dampers half down at one half."""
    found: Lines = []
    for k, take in enumerate(takes):
        line = damped(take.recording.performance.pedal, take.recording.half)
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
