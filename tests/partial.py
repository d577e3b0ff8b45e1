"""Events with some of their details only: for tests of what reads no others."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import MISSING, fields
from fractions import Fraction

from understave.findings.catalogue import kinds
from understave.harmony.reading import Detail, Details, Event, Named
from understave.interpretation.reasons import REASONS


def event(  # noqa: PLR0913
    kind: str,
    label: str,
    start: Fraction,
    end: Fraction,
    notes: tuple[str, ...] = (),
    confidence: float = 0.9,
    detail: Iterable[tuple[str, Detail]] = (),
) -> Event:
    """Return an event of a kind; details not given are None even where the finder always gives them."""
    given = dict(detail)
    own = next((k.details for k in (*kinds(), *REASONS) if k.name == kind), None)
    if own is None:
        return Event(kind, label, start, end, notes, confidence, Named(tuple(given.items())))
    names = {f.name: f.default for f in fields(own)}
    unknown = given.keys() - names.keys()
    assert not unknown, f"{kind} has no {', '.join(sorted(unknown))}"
    details: Details = object.__new__(own)
    for name, default in names.items():
        object.__setattr__(details, name, given.get(name, None if default is MISSING else default))
    return Event(kind, label, start, end, notes, confidence, details)
