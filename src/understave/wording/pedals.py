"""Ways to pedal compared, in words: how blurred each is on each instrument, when, and what clashes.

In: what `interpretation.pedal_blur.compare_pedals` measured. Out: one `OnPiano` for each instrument, with
lines for a table and the worst moments as sentences.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby

from understave.interpretation.pedal_blur import PedalBlur
from understave.score.model import Score
from understave.theory.vocabulary import Language
from understave.wording.phrasebook import Level, phrasebook
from understave.wording.sentences import plain, say, say_again

_HEIGHTS = "▁▂▃▄▅▆▇█"
LEAST = 0.5
"""Blur that the highest bar of a curve stands for, at least."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way to pedal, or several that come to the same: names, mean blur, moves, curve, worst moments."""

    names: str
    mean: str
    moves: str
    curve: str
    worst: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OnPiano:
    """The ways on one instrument, named as in “on a concert grand”."""

    piano: str
    ways: tuple[Way, ...]


def tell_comparison(
    score: Score,
    compared: Sequence[PedalBlur],
    stretch: tuple[Fraction, Fraction],
    level: Level = "intermediate",
    language: Language = "en",
    width: int = 32,
) -> tuple[tuple[OnPiano, ...], float]:
    """Return the comparison by instrument, and the blur that the highest bar of the curves stands for.

    Curves have `width` bars of equal written time from the beginning to the end of the stretch.
    """
    book = phrasebook(language)
    curves = [blur.by_time(*stretch, width) for blur in compared]
    top = max(LEAST, *(max(c) for c in curves)) if curves else LEAST
    found = []
    for name, group in groupby(zip(compared, curves, strict=True), key=lambda pair: pair[0].instrument.name):
        ways: list[Way] = []
        for measured, curve in group:
            # Told again, a clash is told briefly; to beginners that would not say where it is.
            brief = level != "beginner" and any(way.worst for way in ways)
            told = [
                (say_again if level != "beginner" and (brief or k) else say)(event, score, level, language)
                for k, event in enumerate(measured.worst)
            ]
            names = [book.phrases[f"pedal_way_{s.replace(' ', '_')}"] for s in measured.styles]
            ways.append(
                Way(
                    book.join(names),
                    decimal(measured.mean, language),
                    str(measured.changes),
                    drawn(curve, top),
                    tuple(_capital(plain(t)) for t in told),
                )
            )
        found.append(OnPiano(book.values["piano"].get(name, name), tuple(ways)))
    return tuple(found), top


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def decimal(value: float, language: Language, places: int = 2) -> str:
    """Write a number with so many places and the language's decimal sign."""
    return f"{value:.{places}f}".replace(".", phrasebook(language).phrases["decimal"])


def drawn(values: Sequence[float], top: float) -> str:
    """Draw values as a row of bars; nothing to see is a space."""
    steps = len(_HEIGHTS)
    rows = (min(steps, round(steps * v / top)) for v in values)
    return "".join(_HEIGHTS[r - 1] if r else " " for r in rows)
