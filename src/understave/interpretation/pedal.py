"""Score and Reading -> the plan of the sustaining pedal: moves with depth, moment and reason.

A move from down to down is a change: released with the new harmony, pressed again just after (the foot after
the finger: "syncopated" pedalling; Schmitt, "Das Pedal des Klavieres", 1875, and Banowetz, "The Pianist's
Guide to Pedaling", 1985; from memory). Styles:

- ``planned``: the best compromise of `pedal_search`, printed marks weighing in.
- ``printed``: what the composer or the edition prints, nothing else; where words ask for pedal, a change with
  every chord of the reading.
- ``each harmony``: a change with every chord of the reading.
- ``melting``: a slower foot; near chords may run into each other, and changes come late and do not clear all.
- ``none``: no pedal at all.

`blur` is the teacher's one scale: 0 dry, 1 as blurred as can be borne. In the planned and melting styles less
of it brings more changes, many of them half, over a bass that goes on; from the middle up chords begin to
join, and printed changes bind as much less as blur counts less. The amounts are set by ear.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import get_args

import numpy as np

from understave.acoustics.piano import GRAND, Instrument
from understave.errors import UnderstaveError
from understave.harmony.reading import Reading
from understave.interpretation.pedal_costs import Grounds, grounds, played
from understave.interpretation.pedal_reasons import PEDALLING, PedallingDetails, reason, reason_of_print
from understave.interpretation.pedal_search import DEPTHS, DOWN, UP, Hold, Wishes, best_holds
from understave.interpretation.perform import FLUTTER
from understave.interpretation.plan import PedalMove, PedalStyle
from understave.interpretation.printed_pedal import printed_pedal, within
from understave.interpretation.tempo import basic_tempo
from understave.score.model import Score

STYLES: tuple[PedalStyle, ...] = get_args(PedalStyle)
FULL_FROM, THREE_QUARTERS, QUARTER = 0.8, 0.75, 0.25
"""How far music must ask for the pedal to have it full, and the depths below."""
SPREAD, LIKED = 10.0, 30.0
"""How many times more blur counts at 0 on the scale than in the middle, and how many times less at 1.

In the melting style, which begins from less, the first holds for both.
"""


LIGHT = {
    "press": 0.0,
    "begin": 0.3,
    "quick": 0.02,
    "within": 0.0,
    "off_beat": 0.2,
    "no_bass": 0.0,
    "resonance": 0.0,
    "bass": 0.0,
}
"""What a change costs where the period's players never quite made the pedal a habit: hardly anything. There
the foot only touches, the fingers keep bass and harmony, and it comes up for every note that would gather
(Rosenblum, "Performance Practices in Classic Piano Music", 1988, ch. 4, from memory). Compared with three
other rows by the means of `benchmarks.pedal` for early music."""


def pedal(
    score: Score,
    reading: Reading,
    *,
    style: str = "planned",
    blur: float = 0.5,
    instrument: Instrument = GRAND,
    tempo: float | None = None,
) -> tuple[PedalMove, ...]:
    """Return the moves of the pedal in order of time; `tempo` is in quarter notes a minute.

    Raise UnderstaveError for a style or an amount of blur that there is not.
    """
    return pedals(score, reading, (style,), blur=blur, instrument=instrument, tempo=tempo)[style]


def pedals(
    score: Score,
    reading: Reading,
    styles: Sequence[str] = STYLES,
    *,
    blur: float = 0.5,
    instrument: Instrument = GRAND,
    tempo: float | None = None,
) -> dict[str, tuple[PedalMove, ...]]:
    """Return the moves of several styles at once, weighed on the same grounds; else as `pedal`."""
    for style in styles:
        if style not in STYLES:
            raise UnderstaveError(f"There is no pedal style “{style}”; choose one of: {', '.join(STYLES)}.")
    if not 0.0 <= blur <= 1.0:
        raise UnderstaveError(f"Blur goes from 0 (dry) to 1 (very blurred), not {blur:g}.")
    if set(styles) <= {"none"} or not reading.spans or not played(score):
        return dict.fromkeys(styles, ())
    g = grounds(score, reading, instrument, basic_tempo(score) if tempo is None else tempo)
    return {style: _in_style(score, g, style, blur) for style in styles}


def _in_style(score: Score, grounds: Grounds, style: str, blur: float) -> tuple[PedalMove, ...]:
    if style == "none":
        return ()
    if style == "printed":
        return _fluttered(score, _as_printed(score, grounds))
    holds = (
        _with_each_harmony(grounds)
        if style == "each harmony"
        else best_holds(grounds, wishes_for(style, blur, light=not grounds.by_habit))
    )
    plain = style == "each harmony"
    moves = _moves(grounds, holds, late=style == "melting", plain=plain)
    return moves if plain else _fluttered(score, moves)


def wishes_for(style: str, blur: float, light: bool = False) -> Wishes:
    """Return what counts in a style for a teacher who likes so much blur, 0..1; `light` for early music."""
    plain = replace(Wishes(), **LIGHT) if light else Wishes()
    count = plain.blur * (SPREAD if style == "melting" or blur < 0.5 else LIKED) ** (1.0 - 2.0 * blur)
    if style == "melting":
        count /= 4
        plain = replace(plain, quick=4 * plain.quick, press=4 * plain.press)
    # For clearness one takes the care that half a pedal asks for; for blur one passes over printed changes.
    more = count / plain.blur
    return replace(
        plain, blur=count, half=plain.half * min(1.0, 1 / more), marked=plain.marked * min(1.0, more)
    )


def _with_each_harmony(grounds: Grounds) -> tuple[Hold, ...]:
    begins = [i for i in range(len(grounds.moments)) if grounds.arrives[i]]
    return tuple(Hold(a, b, DOWN) for a, b in zip(begins, [*begins[1:], len(grounds.moments)], strict=True))


def _moves(
    grounds: Grounds, holds: tuple[Hold, ...], late: bool = False, plain: bool = False
) -> tuple[PedalMove, ...]:
    moves: list[PedalMove] = []
    before: Hold | None = None
    for hold in holds:
        if before is not None or hold.depth != UP:
            origin, why = reason(grounds, before, hold)
            depth = DEPTHS[hold.depth] if plain else _depth(grounds, hold, why.label)
            change = before is not None and before.depth != UP
            # Against a printed pedal the foot comes only part of the way up: what the print joins still
            # sounds as one, on a piano that rings longer than the printed pedal was meant for.
            argued = why.label == "against the print" and not plain
            melts = change and (late or argued or bool(grounds.melted[hold.first]))
            flutter = why.label == "flutter"
            moves.append(PedalMove(grounds.moments[hold.first], depth, origin, why, melts, flutter))
        before = hold
    return tuple(moves)


def _depth(grounds: Grounds, hold: Hold, label: str) -> float:
    """Return how deep the pedal goes in a hold: as printed, else by how far the music asks for it."""
    if hold.depth == DOWN and 0 < grounds.depths[hold.first] < 1:
        return float(grounds.depths[hold.first])
    if label == "quarter":
        return QUARTER
    if label == "flutter":
        return FLUTTER
    if hold.depth != DOWN:
        return DEPTHS[hold.depth]
    inside = slice(hold.first, hold.last)
    asked = float(np.average(grounds.wanted[inside], weights=np.diff(grounds.seconds)[inside]))
    return DEPTHS[DOWN] if asked >= FULL_FROM and not grounds.thick[hold.first] else THREE_QUARTERS


def _as_printed(score: Score, grounds: Grounds) -> tuple[PedalMove, ...]:
    """Return what print asks for: its signs; where words ask for pedal, a change with every harmony there."""
    print_ = printed_pedal(score)
    moves: dict[Fraction, PedalMove] = {}
    for start, end in print_.raised:
        moves[start] = PedalMove(start, 1.0, "printed", reason_of_print(grounds, start, end))
        moves[end] = PedalMove(end, 0.0, "printed", reason_of_print(grounds, end, None))
    for start, end in print_.asked:
        changed = [
            grounds.moments[i] for i in np.flatnonzero(grounds.arrives) if start <= grounds.moments[i] < end
        ]
        for here, then in zip(changed, [*changed[1:], end], strict=True):
            depth = 0.5 if within(print_.half, here) else 1.0
            moves[here] = PedalMove(here, depth, "printed", reason_of_print(grounds, here, then))
        moves[end] = PedalMove(end, 0.0, "printed", reason_of_print(grounds, end, None))
    for sign in print_.signs:
        moves = {m: move for m, move in moves.items() if not sign.start < m < sign.end}
        moves[sign.start] = PedalMove(
            sign.start, sign.depth, "printed", reason_of_print(grounds, sign.start, sign.end)
        )
        if sign.end not in moves:
            moves[sign.end] = PedalMove(sign.end, 0.0, "printed", reason_of_print(grounds, sign.end, None))
    return tuple(move for t, move in sorted(moves.items()) if t < score.end)


def _fluttered(score: Score, moves: tuple[PedalMove, ...]) -> tuple[PedalMove, ...]:
    """Let the pedal flutter where print asks for it; after that it is as deep as it would have been."""
    for start, end in printed_pedal(score).fluttered:
        before = [move for move in moves if move.moment < end]
        why = PEDALLING.event("flutter", start, end, (), 1.0, PedallingDetails())
        new = [PedalMove(start, FLUTTER, "printed", why, flutter=True)]
        if end < score.end and not any(move.moment == end for move in moves):
            stop = PEDALLING.event("printed release", end, end, (), 1.0, PedallingDetails())
            new.append(PedalMove(end, before[-1].depth if before else 0.0, "printed", stop))
        kept = [move for move in moves if not start <= move.moment < end]
        moves = tuple(sorted([*kept, *new], key=lambda move: move.moment))
    return moves
