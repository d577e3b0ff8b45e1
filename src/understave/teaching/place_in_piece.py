"""What may be said of an event because of where in its piece it stands: at the end, at home or away, long
after it was there before; and which words of time and place fit a moment.
"""

from __future__ import annotations

from fractions import Fraction

from understave.findings.cadences import CADENCE, PICARDY
from understave.findings.catalogue import key_of
from understave.findings.form import SECTION, arriving_key
from understave.findings.keyplan import KEY
from understave.findings.motives import MOTIVE
from understave.findings.pedalpoints import PEDAL_POINT
from understave.findings.returns import RETURN
from understave.findings.sung_sections import is_song
from understave.harmony.reading import Detail, Event, Reading
from understave.interpretation.printed import VELOCITIES, printed_loudness
from understave.interpretation.tension import home_of
from understave.score.model import Score
from understave.teaching.telling_order import anchor

OPENING_BARS = 4
"""Bars that are the beginning of a piece, at most (set by ear)."""


def of_place(score: Score, reading: Reading, event: Event) -> dict[str, Detail]:
    """What depends on the place: ``ending`` for the last close, else ``at_home`` or ``away`` for one in the
    home key or another, ``sung`` where there is a singer, ``loud`` for a key that comes in loudly in print,
    ``arrives`` for a part at which its key arrives that was promised away from home, ``away`` for a pedal
    point on the tonic of another key than home, ``between`` where music stood before a return, ``wandered``
    for home after some bars in other keys; of a new figure ``size``, its notes, and ``goes``, which way where
    all its moves go one way.
    """
    found: dict[str, Detail] = {**_between(event), **_figure(event)}
    close = CADENCE.of(event)
    if close is not None:
        at_home = close.key.tonic == home_of(reading).tonic
        found["ending" if _ends(score, reading, event) else "at_home" if at_home else "away"] = 1
    if event in PICARDY and _ends(score, reading, event):
        found["ending"] = 1
    if is_song(score):
        found["sung"] = 1
    if event in KEY and _is_loud(score, event.start):
        found["loud"] = 1
    if event in KEY and event.label == "home" and _has_wandered(score, reading, event):
        found["wandered"] = 1
    if _arrives(reading, event):
        found["arrives"] = 1
    held = PEDAL_POINT.of(event)
    if held is not None and held.key.tonic != home_of(reading).tonic:
        found["away"] = 1
    return found


def _figure(event: Event) -> dict[str, Detail]:
    """How large a new figure is, and which way it goes where all its moves go one way."""
    figure = MOTIVE.of(event) if is_new_figure(event) else None
    if figure is None:
        return {}
    found: dict[str, Detail] = {"size": len(figure.steps) + 1}
    ways = {step > 0 for step in figure.steps}
    if 0 not in figure.steps and len(ways) == 1:
        by_step = " by step" if {abs(step) for step in figure.steps} == {1} else ""
        found["goes"] = f"{'up' if ways == {True} else 'down'}{by_step}"
    return found


def _arrives(reading: Reading, event: Event) -> bool:
    """Whether with a part its key arrives, after its dominant; home itself, left for another key, is no
    promise of that.
    """
    part = SECTION.of(event)
    if part is None or part.key is None or part.key != arriving_key(reading.spans, event.start):
        return False
    before = [span for span in reading.spans if span.start < event.start][-1]
    return before.key != home_of(reading)


def _has_wandered(score: Score, reading: Reading, event: Event) -> bool:
    """Whether home was left for so long that one may speak of a way back."""
    home = key_of(event)
    ends = (span.end for span in reading.spans if span.key == home and span.end <= event.start)
    return score.bars_between(max(ends, default=Fraction(0)), event.start) >= _WANDERED


_WANDERED = 4
"""Bars in other keys, at least, after which home is come back to as from a journey (set by ear)."""


def _is_loud(score: Score, moment: Fraction) -> bool:
    """Whether the print asks for f or more at a moment, or grows there."""
    printed = printed_loudness(score)
    grows = any(s.kind == "crescendo" and s.start <= moment < s.end for s in printed.swells)
    return bool(printed.marks) and (grows or printed.at(moment) >= VELOCITIES["f"])


def _ends(score: Score, reading: Reading, event: Event) -> bool:
    """Whether a close is the last: no other chord comes after its goal, or it stands in the last bars."""
    goal = reading.span_at(anchor(event))
    if goal is None or score.measure_at(anchor(event)).index >= len(score.measures) - _LAST_BARS:
        return True
    root = goal.numeral.chord(goal.key).root
    return all(s.numeral.chord(s.key).root == root for s in reading.spans if s.start >= goal.start)


_LAST_BARS = 2
"""Bars at the end in which a close is the last (a bar may only hold it on)."""


def _between(event: Event) -> dict[str, Detail]:
    """Whether other music, as long as itself, stood between a passage and its return: ``between``."""
    found = RETURN.of(event)
    apart = found is not None and event.start - found.from_end >= event.end - event.start
    return {"between": 1} if apart else {}


def is_new_figure(event: Event) -> bool:
    """Whether a figure is met here for the first time."""
    return event in MOTIVE and event.label == "statement"


def time_of(score: Score, start: Fraction, before: Fraction | None) -> str:
    """Name the place of a moment in the piece and after the one before it."""
    share = float(start / score.end) if score.end else 0.0
    bar = score.measure_at(start).index
    if before is None:
        opens = share < 0.04 and bar < OPENING_BARS
        return "start" if opens else "early" if where_of(score, start) == "early" else "first"
    if bar - score.measure_at(before).index <= 1:
        return "next"
    if share > 0.94 and bar >= len(score.measures) - _END_BARS:
        return "end"
    if share > 0.8 and before / score.end <= 0.8:
        return "late"
    if 0.45 <= share <= 0.58 and before / score.end < 0.45:
        return "middle"
    return "soon" if is_near(score, start, before) else "later"


def where_of(score: Score, moment: Fraction) -> str:
    """Name the part of a piece in which a moment lies: ``early``, ``before`` the middle, ``middle``,
    ``after`` it, ``late``.
    """
    share = float(moment / score.end) if score.end else 0.0
    return next((name for name, until in _WHERE if share < until), "late")


_WHERE = (("early", 0.2), ("before", 0.42), ("middle", 0.58), ("after", 0.8))
"""Up to which share of a piece its parts go (set by ear)."""
_END_BARS = 5
"""Bars at the end of which one says that they are its last (set by ear)."""


def is_near(score: Score, start: Fraction, before: Fraction) -> bool:
    """Whether a moment comes soon after the one before it."""
    bars = score.measure_at(start).index - score.measure_at(before).index
    return bars <= min(_NEAR_BARS, max(4, len(score.measures) // 12))


_NEAR_BARS = 12
"""Bars within which a moment comes soon after another, however long the piece is (set by ear)."""
