"""What the other rooms know of a kind of event: one entry for each, beside the function that finds it.

A family's module holds, for each of its kinds, a frozen dataclass of details, an entry (`Kind`) and the
finder. `KIND.of(event)` gives the details of an event with their type, or None where it is of another kind;
so a field that is renamed is found by the type checker wherever it is read. `catalogue` lists all entries.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Generic, TypeAlias, TypeVar

from understave.harmony.reading import Details, Event, Span
from understave.score.model import Score

D = TypeVar("D", bound=Details)
Finder: TypeAlias = Callable[[Score, tuple[Span, ...]], tuple[Event, ...]]

USUAL = 3.0
"""Weight of a kind that does not say how much it matters; the order of all weights is our own judgement."""


@dataclass(frozen=True, slots=True)
class Lane:
    """A kind that the lane of events shows; `line`: with a line as long as it lasts."""

    line: bool = False


@dataclass(frozen=True, slots=True)
class Stop:
    """A kind at which a lesson may pause. `why` is a kind of interest (see `teaching.stops`); what `lasts` is
    heard as a passage, not as a moment; `chord`: it is about one chord, whose notes are asked for.
    """

    why: str
    lasts: bool = False
    chord: bool = False


SURE = 0.35
"""Confidence from which an event is told, where its kind says nothing else."""


@dataclass(frozen=True, eq=False)
class Kind(Generic[D]):
    """A kind of event.

    `name` is what `Event.kind` says, `details` the dataclass of its details, `find` its finder; kinds that
    one function finds together have it in the first of them. Reasons of a plan have none.

    How it is told: `weight` says how much it matters (0: not told by itself; what is rare and changes the
    course of the piece comes before what happens in every bar), `labels` the same for labels that matter more
    or less, `weigh` gives that of a single event from its label's. `of_piece`: it says something of the piece
    as a whole, whatever bars it covers; `of_passage`: it belongs to the passage in which it begins;
    `lasting`: it still matters in the bars after its first; `counted`: those not told one by one are counted.

    `sure` is the confidence from which one is told, by label where some are surer than others say.

    Where it is seen and heard: `lane` is its place in the lane of events, None for none; `told_near`: it is
    told of a chord although no lane shows it; `stop` says that a lesson may pause there; `contrasts` names
    the contrasts it offers, by label ("" for all; see `teaching.contrasts`).

    `searched` has names by which it is asked for in an index besides its own name and its labels, each with
    the labels that it means (none: all).
    """

    name: str
    details: type[D]
    find: Finder | None = None
    weight: float = USUAL
    labels: Mapping[str, float] = field(default_factory=dict)
    weigh: Callable[[float, Event, D], float] | None = None
    of_piece: bool = False
    of_passage: bool = False
    lasting: bool = False
    counted: bool = False
    lane: Lane | None = None
    told_near: bool = False
    stop: Stop | None = None
    contrasts: Mapping[str, str] = field(default_factory=dict)
    sure: Mapping[str, float] = field(default_factory=dict)
    searched: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"<Kind {self.name}>"

    def __contains__(self, event: object) -> bool:
        return isinstance(event, Event) and event.kind == self.name

    def of(self, event: Event) -> D | None:
        """Return the details of an event of this kind, None for an event of another."""
        found = event.details
        return found if event.kind == self.name and isinstance(found, self.details) else None

    def all(self, events: Iterable[Event]) -> list[tuple[Event, D]]:
        """Return the events of this kind, each with its details."""
        return [(event, found) for event in events if (found := self.of(event)) is not None]

    def event(
        self,
        label: str,
        start: Fraction,
        end: Fraction,
        notes: tuple[str, ...],
        confidence: float,
        details: D,
    ) -> Event:
        """Return an event of this kind."""
        return Event(self.name, label, start, end, notes, confidence, details)

    def is_sure(self, event: Event) -> bool:
        """Whether an event of this kind is sure enough to be told."""
        return event.confidence >= self.sure.get(event.label, SURE)

    def matters(self, event: Event) -> float:
        """Return how much an event of this kind matters, before its confidence: 0 and more."""
        base = self.labels.get(event.label, self.weight)
        found = self.of(event)
        return base if found is None or self.weigh is None else self.weigh(base, event, found)
