"""A teacher's habits of labelling, learnt from corrected pieces as far as cross-validation proves them.

In: corrected pieces (`key_length.Corrected`). Out: `Learnt`: the habits (`model.leaning`), each with what it
is worth. A habit is tried at a few strengths; each piece in turn is read at the strength that fits the other
pieces best, and only if the pieces that were left out are read better so, together and most of them by
themselves, is it kept. Everything is worked out here, from the teacher's own files; nothing is sent anywhere.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TypeAlias

import numpy as np

from understave.disk import write_atomically
from understave.errors import LessonError
from understave.harmony.key_length import Corrected, shared
from understave.harmony.model.label_indices import reduce
from understave.harmony.model.leaning import HABITS, NO_HABITS, Habits
from understave.harmony.reading import Span
from understave.harmony.trained import read_judged

LEAST_PIECES = 8
STRENGTHS = (-2.0, -1.0, 1.0, 2.0)
MARGIN = 0.003
"""Share of the time by which the pieces left out must be read better before a habit is kept."""
MOST = 4.0
FORMAT = "understave-habits"
VERSION = 1
LEANINGS = {
    "change": ("You begin a new chord more readily", "You stay on a chord longer"),
    "downbeat": (
        "You begin a new chord on the downbeat more readily",
        "You let a chord last over the bar line",
    ),
    "seventh": ("You write sevenths more often", "You leave more sevenths out"),
    "lowest": ("You take the lowest note as the bass", "You look past the lowest note for the bass"),
    "inverted": ("You write more inversions", "You write more root positions"),
    "six_four": ("You write more six-fours", "You write fewer six-fours"),
}
"""What it means that a habit is positive, and negative, against the reader's own way."""

Agreements: TypeAlias = Callable[[Habits], "np.ndarray"]
"""Habits -> for each piece the time (quarters) that it then agrees with its teacher, (P,)."""


@dataclass(frozen=True, slots=True)
class Learnt:
    """Habits, and by how much of the time (0..1) each lets pieces that were left out be read better."""

    habits: Habits
    gains: tuple[tuple[str, float], ...]
    pieces: int


def learned(pieces: Sequence[Corrected]) -> Learnt:
    """Return what corrected pieces prove of their teacher's habits; none where they prove nothing.

    Raises UnderstaveError where there are too few.
    """
    if len(pieces) < LEAST_PIECES:
        raise LessonError(
            f"{len(pieces)} of these lessons have corrections; your habits can be told from "
            f"{LEAST_PIECES} or more."
        )

    def agreements(habits: Habits) -> np.ndarray:
        return np.array(
            [
                same_label(
                    read_judged(
                        corrected.score,
                        replace(corrected.judged, trust=replace(corrected.judged.trust, habits=habits)),
                    ).spans,
                    corrected.spans,
                )
                for corrected in pieces
            ]
        )

    whole = np.array([float(corrected.spans[-1].end - corrected.spans[0].start) for corrected in pieces])
    return proved(agreements, whole)


def proved(agreements: Agreements, whole: np.ndarray) -> Learnt:
    """Return the habits that hold on pieces left out; `whole` (P,) is each piece's time in quarters.

    One habit after another is tried on top of those kept before.
    """
    habits, gains = NO_HABITS, []
    now = agreements(habits)
    for name in HABITS:
        tried = {value: agreements(replace(habits, **{name: value})) for value in STRENGTHS}
        gain, better, worse = _left_out(now, tried)
        best = max(STRENGTHS, key=lambda value: tried[value].sum())
        if gain >= MARGIN * whole.sum() and better > 2 * worse and tried[best].sum() > now.sum():
            habits, now = replace(habits, **{name: best}), tried[best]
            gains.append((name, float(gain / whole.sum())))
    return Learnt(habits, tuple(gains), len(whole))


def words(learnt: Learnt) -> tuple[str, ...]:
    """Return what was learnt, a sentence for each habit."""
    gains = dict(learnt.gains)
    said = []
    for name in HABITS:
        value = getattr(learnt.habits, name)
        if not value:
            continue
        text = f"{LEANINGS[name][value < 0]} than the reader does by itself"
        if name in gains:
            text += f"; pieces left out of the learning are read {100 * gains[name]:.1f} % better for it"
        said.append(text + ".")
    return tuple(said)


def to_text(learnt: Learnt) -> str:
    """Return what was learnt as a file's text (JSON), to be taken to another machine."""
    document = {
        "format": FORMAT,
        "version": VERSION,
        "pieces": learnt.pieces,
        "habits": {name: value for name, value in asdict(learnt.habits).items() if value},
        "gains": dict(learnt.gains),
        "words": list(words(learnt)),
    }
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"


def save(path: Path, learnt: Learnt) -> None:
    """Write what was learnt into a file."""
    write_atomically(path, to_text(learnt))


def read_file(path: Path) -> Learnt:
    """Read what was learnt from a file; raise UnderstaveError with one sentence where it holds none."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise LessonError(f"{path} cannot be read: {error.strerror or error}.") from error
    except ValueError as error:
        raise _no_habits(str(path), error) from error
    return from_text(text, str(path))


def from_text(text: str, name: str) -> Learnt:
    """Read what was learnt from a file's text; `name` says in the error whose it is."""
    try:
        document = json.loads(text)
        if document.get("format") != FORMAT or document.get("version") != VERSION:
            raise ValueError("it is no file of habits of this version")
        gains = tuple((str(name), float(gain)) for name, gain in document.get("gains", {}).items())
        return Learnt(habits_from(document["habits"]), gains, int(document.get("pieces", 0)))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise _no_habits(name, error) from error


def _no_habits(name: str, error: Exception) -> LessonError:
    return LessonError(
        f"{name} holds no habits ({error}); 'understave habits --learn ... --save FILE' writes some."
    )


def habits_from(values: Mapping[str, object]) -> Habits:
    """Return habits from their names and values; raise ValueError with one sentence on anything else."""
    found: dict[str, float] = {}
    for name, value in values.items():
        if name not in HABITS:
            raise ValueError(f"{name!r} is no habit; there are: {', '.join(HABITS)}")
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= MOST:
            raise ValueError(f"{name} is {value!r} and not a number from {-MOST:g} to {MOST:g}")
        found[name] = float(value)
    return Habits(**found)


def _left_out(now: np.ndarray, tried: dict[float, np.ndarray]) -> tuple[float, int, int]:
    """Return what the pieces gain when each is read as the others ask, how many gain and how many lose."""
    gains = []
    for piece in range(len(now)):
        rest = np.arange(len(now)) != piece
        value = max(tried, key=lambda v: tried[v][rest].sum())
        chosen = tried[value] if tried[value][rest].sum() > now[rest].sum() else now
        gains.append(chosen[piece] - now[piece])
    found = np.array(gains)
    return float(found.sum()), int((found > 0).sum()), int((found < 0).sum())


def same_label(found: Sequence[Span], wanted: Sequence[Span]) -> float:
    """Return for how long two readings name the same chord in the same key, in quarters.

    Names that the network cannot tell apart, such as V9 and V7, or V7 and V7[no5], are the same.
    """
    agreed = 0.0
    for span, w, time in shared(found, wanted):
        if span.key == w.key and reduce(span.key, span.numeral) == reduce(w.key, w.numeral):
            agreed += time
    return agreed
