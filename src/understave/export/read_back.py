"""A reading that was written as JSON, as values again: ``reading.json`` in, a `Reading` out.

What is read are spans and events with the details of their kind, ours or that of a guest that is installed,
each of the type that its field has; the details of a ``why`` in ``plan.json`` are read in the same way. Lost
are only the digits of a confidence beyond the fourth.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields
from fractions import Fraction
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from understave.errors import UnderstaveError
from understave.export.records import ReadingFile
from understave.findings.catalogue import kinds
from understave.findings.kinds import Kind
from understave.harmony.reading import Alternative, Details, Event, Named, Reading, Span
from understave.interpretation.reasons import REASONS
from understave.theory.key import Key
from understave.theory.pitch import Interval, Pitch, PitchClass
from understave.theory.roman import RomanNumeral

T = TypeVar("T")
D = TypeVar("D", bound=Details)


def reading_from_json(text: str) -> Reading:
    """Return the reading that `reading_data.reading_json` wrote (of some bars: what it has of them).

    Raises UnderstaveError, with what is wrong and in which span or event, where it is no such text.
    """
    try:
        table = json.loads(text)
    except ValueError as error:
        raise UnderstaveError(f"This is no JSON ({error}); give what 'show --json' writes.") from None
    form = (ReadingFile.format, ReadingFile.version)
    if not isinstance(table, dict) or (table.get("format"), table.get("version")) != form:
        raise UnderstaveError(f"This is no {form[0]} of version {form[1]}; give what 'show --json' writes.")
    spans = tuple(_told(_span, row, f"span {k}") for k, row in enumerate(table.get("spans", ()), start=1))
    rows = enumerate(table.get("events", ()), start=1)
    return Reading(spans, tuple(_told(event_from_json, row, f"event {k}") for k, row in rows))


def _told(make: Callable[[Mapping[str, Any]], T], row: Any, where: str) -> T:
    try:
        return make(row)
    except UnderstaveError:
        raise
    except KeyError as error:
        raise UnderstaveError(f"In {where} there is no {error}; write the reading anew.") from None
    except (ValueError, TypeError, AttributeError) as error:
        raise UnderstaveError(f"In {where}: {str(error).rstrip('.')}; write the reading anew.") from None


def event_from_json(row: Mapping[str, Any]) -> Event:
    """Return the event of one row of ``events``.

    The details of a kind that is not known here (of a guest that is not installed) stay as they are written.
    Raises ValueError, KeyError or TypeError for a row that does not say an event.
    """
    kind = _kinds().get(row["kind"])
    start, end = (_moment(row[name]) for name in ("start", "end"))
    details = Named(tuple(row["detail"].items())) if kind is None else details_from_json(kind, row["detail"])
    return Event(row["kind"], row["label"], start, end, tuple(row["notes"]), row["confidence"], details)


def details_from_json(kind: Kind[D], table: Mapping[str, Any]) -> D:
    """Return the details of a kind from their values by name, as they are written in JSON.

    Raises ValueError for a name that the kind has not, for one that lacks, and for a value of another type.
    """
    own: Any = kind.details
    types = _types(own)
    unknown = sorted(table.keys() - types.keys())
    if unknown:
        raise ValueError(f"a {kind.name} has no detail {unknown[0]!r}")
    lacking = [f.name for f in fields(kind.details) if f.default is MISSING and f.name not in table]
    if lacking:
        raise ValueError(f"a {kind.name} needs its detail {lacking[0]!r}")
    return kind.details(**{name: _value(value, types[name], name) for name, value in table.items()})


@cache
def _kinds() -> Mapping[str, Kind[Any]]:
    return {kind.name: kind for kind in (*kinds(), *REASONS)}


@cache
def _types(details: Any) -> Mapping[str, Any]:
    return get_type_hints(details)


_PARSED: Mapping[Any, Callable[[str], Any]] = {
    str: str,
    Fraction: Fraction,
    Key: Key.parse,
    RomanNumeral: RomanNumeral.parse,
    Pitch: Pitch.parse,
    PitchClass: PitchClass.parse,
    Interval: Interval.parse,
}


def _value(value: Any, wanted: Any, name: str) -> Any:
    """Return a value as the type of its field wants it."""
    if get_origin(wanted) in (Union, UnionType):
        wanted = next(t for t in get_args(wanted) if t is not NoneType)
    if get_origin(wanted) is tuple:
        if not isinstance(value, list):
            raise ValueError(f"{name} is no list")
        members = get_args(wanted)
        each = members[:1] * len(value) if members[-1] is Ellipsis else members
        if len(each) != len(value):
            raise ValueError(f"{name} has {len(value)} values and not {len(each)}")
        return tuple(_value(v, t, name) for v, t in zip(value, each, strict=True))
    if wanted in (int, float):
        if isinstance(value, bool) or not isinstance(value, int | wanted):
            raise ValueError(f"{name} is {value!r} and no number")
        return wanted(value)
    if wanted not in _PARSED or not isinstance(value, str):
        raise ValueError(f"{name} is {value!r} and no {getattr(wanted, '__name__', wanted)}")
    return _PARSED[wanted](value)


def _moment(row: Mapping[str, Any]) -> Fraction:
    return Fraction(row["quarter"])


def _span(row: Mapping[str, Any]) -> Span:
    others = tuple(
        Alternative(Key.parse(a["key"]), RomanNumeral.parse(a["numeral"]), a["confidence"])
        for a in row["alternatives"]
    )
    return Span(
        _moment(row["start"]),
        _moment(row["end"]),
        Key.parse(row["key"]),
        RomanNumeral.parse(row["numeral"]),
        row["confidence"],
        tuple(row["notes"]),
        tuple(row["foreign"]),
        others,
        row["fixed"],
    )
