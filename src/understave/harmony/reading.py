"""The Reading: what the harmony of a piece is, each claim with the notes it rests on.

A `Reading` is computed; a `Correction` is the teacher's word and is kept apart from it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, fields
from fractions import Fraction
from typing import TYPE_CHECKING, Any, TypeAlias

from understave.shown import shown, tabled
from understave.theory.convention_choices import by_roots
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral

UNSURE = 0.5
"""Confidence below which a label is rather wrong than right, and worth checking."""


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another label for the same span, with its share of the belief (0..1)."""

    key: Key
    numeral: RomanNumeral
    confidence: float


@dataclass(frozen=True, slots=True, repr=False)
class Span:
    """A stretch of time under one chord in one key.

    `notes` are the ids of the chord's own notes sounding in it, `foreign` those of the others.
    `alternatives` are the next best labels, best first; `confidence` and theirs sum to at most 1, and none
    has more than the label.
    `fixed` tells that the teacher set it.
    """

    start: Fraction
    end: Fraction
    key: Key
    numeral: RomanNumeral
    confidence: float
    notes: tuple[str, ...] = ()
    foreign: tuple[str, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    fixed: bool = False

    @property
    def to_check(self) -> bool:
        """Whether it is worth checking: unsure, and not settled by the teacher."""
        return self.confidence < UNSURE and not self.fixed

    @property
    def in_a_key(self) -> bool:
        """Whether it is written as a numeral in its key, as the teacher's always is, or by root and kind."""
        return self.fixed or not by_roots()

    def __repr__(self) -> str:
        sure = "set by the teacher" if self.fixed else f"{self.confidence:.0%}"
        return f"<Span {self.start} to {self.end}: {self.numeral} in {self.key}, {sure}>"


Detail: TypeAlias = (
    str | int | float | Fraction | Key | RomanNumeral | Pitch | PitchClass | Interval | tuple["Detail", ...]
)


@dataclass(frozen=True, slots=True)
class Details:
    """What an event of some kind holds besides its place: each kind has a dataclass of its own on this base.

    Fields are values of the types in `Detail`, or None where they do not apply. Their order is the order in
    which they are written to files.
    """

    @property
    def closes_phrase(self) -> bool:
        """Whether a phrase ends with the event: what a kind may say of itself where no kinds are known."""
        return False

    def as_pairs(self) -> tuple[tuple[str, Detail], ...]:
        """Return what applies, by name, in the order in which it is written."""
        values = ((f.name, getattr(self, f.name)) for f in fields(self))
        return tuple((name, value) for name, value in values if value is not None)


@dataclass(frozen=True, slots=True)
class Named(Details):
    """Values by name, of no kind: what a contrast or an exercise is told from."""

    values: tuple[tuple[str, Detail], ...]

    def as_pairs(self) -> tuple[tuple[str, Detail], ...]:
        """Return them as they are."""
        return self.values


NO_DETAILS = Details()


@dataclass(frozen=True, slots=True, repr=False)
class Event:
    """Something worth pointing out: a cadence, a pedal point, a dissonance, a return.

    `kind` names it (``"cadence"``), `label` says which (``"perfect authentic"``), `notes` are the
    note ids it rests on. `details` holds the values a sentence about it needs; they stay values (a Pitch, a
    Key, a moment as Fraction) so that each language can name them its own way. Its `findings.kinds.Kind`
    makes an event and gives its details with their type.
    """

    kind: str
    label: str
    start: Fraction
    end: Fraction
    notes: tuple[str, ...]
    confidence: float
    details: Details = NO_DETAILS

    def __repr__(self) -> str:
        named = self.kind if self.label == self.kind else f"{self.kind}, {self.label}"
        return f"<Event {named}: {self.start} to {self.end}, {self.confidence:.0%}>"

    @property
    def detail(self) -> tuple[tuple[str, Detail], ...]:
        """What of its details applies, by name: for files and for the gaps of a sentence."""
        return self.details.as_pairs()

    if not TYPE_CHECKING:

        def get(self, name: str) -> Detail | None:
            """Return one of its details by name, or None: for trying things out and for tests.

            The type checker does not know it. What is written to stay asks the event's `Kind` for its
            details, so that a renamed field is found.
            """
            return dict(self.detail).get(name)


@dataclass(frozen=True, slots=True)
class Correction:
    """The teacher's decision about a stretch of the piece, anchored by printed measure and beat.

    A measure is named as `Score.bars_called` reads it, ``12`` or ``12#2``. `numeral` None leaves the chord
    free and fixes the key only; `key` None leaves the key free.
    A later correction wins over an earlier one wherever they overlap.
    """

    measure: str
    beat: Fraction
    end_measure: str
    end_beat: Fraction
    key: Key | None
    numeral: RomanNumeral | None
    note: str = ""


def span_at(spans: Sequence[Span], moment: Fraction) -> Span | None:
    """Return which of the spans of a piece, in order, holds a moment (quarter notes); None for none."""
    # Floats of two moments of a score compare as these do, in a third of the time.
    place = bisect_right(spans, float(moment), key=lambda span: float(span.start)) - 1
    return spans[place] if place >= 0 and moment < spans[place].end else None


@dataclass(frozen=True, slots=True, repr=False)
class Reading:
    """Spans in order, without gaps from the first sounding note to the end, and events.

    A notebook shows it as a table; `to_arrow` and `to_pandas` give the spans to other programs.
    """

    spans: tuple[Span, ...]
    events: tuple[Event, ...] = ()

    def to_check(self) -> tuple[int, ...]:
        """Return the indices of the spans worth checking, least certain first."""
        found = [k for k, span in enumerate(self.spans) if span.to_check]
        return tuple(sorted(found, key=lambda k: (self.spans[k].confidence, self.spans[k].start)))

    def __repr__(self) -> str:
        keys = [span.key for i, span in enumerate(self.spans) if i == 0 or self.spans[i - 1].key != span.key]
        first = ", ".join(map(str, keys[:3])) + (" ..." if len(keys) > 3 else "")
        return f"<Reading of {len(self.spans)} spans in {first or 'no key'}, {len(self.events)} events>"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        return shown(self)

    def span_at(self, moment: Fraction) -> Span | None:
        """Return the span that holds a moment (quarter notes), None before the first and after the last."""
        return span_at(self.spans, moment)

    def to_arrow(self) -> Any:
        """Return the spans as a pyarrow Table: start, end (quarters), key, mode, numeral, chord, members,
        bass, confidence, fixed, notes, foreign. Raises UnderstaveError without the package pyarrow.
        """
        return tabled(self)

    def to_pandas(self) -> Any:
        """Return the same as a pandas DataFrame. Raises UnderstaveError without pyarrow and pandas."""
        return tabled(self, pandas=True)
