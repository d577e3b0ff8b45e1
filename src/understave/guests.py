"""What other installed packages add to Understave, by the entry points that they declare.

A package says in its own ``pyproject.toml`` what it brings, one line for each guest::

    [project.entry-points."understave.kinds"]
    bells = "carillon.bells:BELLS"

The name on the left is for messages only; the value on the right is imported when it is first asked for. The
groups and what their values are:

- ``understave.kinds``: a `understave.findings.kinds.Kind` with its finder (see `findings.catalogue`)
- ``understave.readers``: a `understave.score.formats.Reader` of a file format
- ``understave.exporters``: a `understave.export.exporters.Exporter` of a file format
- ``understave.instruments``: an `understave.acoustics.piano.Instrument`
- ``understave.words``: a package with a folder of TOML files for each language (``en``, ``de`` ...), the
  words of the guests above (see `wording.guest_words`)
- ``understave.languages``: a package with the TOML files of a whole language, named by its code

What is ours comes first: a guest that has a name of ours, that cannot be imported, is something else than its
group says or fails while it works is left out. Why is said in one sentence (`left_out`), as a `GuestWarning`
to whoever imports Understave, on standard error by the command line, and by ``understave doctor``.
"""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

GROUPS: Mapping[str, str] = {
    "understave.kinds": "kind of finding",
    "understave.readers": "reader",
    "understave.exporters": "exporter",
    "understave.instruments": "instrument",
    "understave.words": "set of words",
    "understave.languages": "language",
}
"""The groups of entry points, each with what a sentence calls its guests."""

T = TypeVar("T")
_left_out: dict[tuple[str, str, str], str] = {}
_told: set[tuple[str, str, str]] = set()


class GuestWarning(UserWarning):
    """A guest was left out; the message says which and why."""


@dataclass(frozen=True, slots=True)
class Guest(Generic[T]):
    """Something that another package brings: its value, and by which group, name and package it came."""

    group: str
    name: str
    package: str
    value: T


def guests(
    group: str,
    wanted: type[T],
    taken: Collection[str] = (),
    wrong: Callable[[T], str] = lambda _: "",
) -> tuple[Guest[T], ...]:
    """Return the guests of a group, by package and name; those that cannot be used are left out.

    Their values are of the class `wanted` and have a ``name`` that is not `taken` and not another guest's;
    `wrong` says what else speaks against one, ``""`` for nothing.
    """
    found: dict[str, Guest[T]] = {}
    for entry in offered(group):
        package = package_of(entry)
        try:
            value = entry.load()
        except (Exception, SystemExit) as error:  # a stranger's module can fail in any way
            leave_out(group, entry.name, package, f"it cannot be imported ({_said(error)})")
            continue
        if not isinstance(value, wanted):
            why = f"{entry.value} is a {type(value).__name__} and no {wanted.__name__}"
            leave_out(group, entry.name, package, why)
            continue
        name = getattr(value, "name", "")
        why = _misnamed(name, taken, found) or _checked(wrong, value)
        if why:
            leave_out(group, entry.name, package, why)
        else:
            found[name] = Guest(group, entry.name, package, value)
    return tuple(found.values())


def offered(group: str) -> tuple[EntryPoint, ...]:
    """Return the entry points of a group, by package and name; none is imported."""
    from importlib.metadata import entry_points  # takes as long as all the rest that a command begins with

    return tuple(sorted(entry_points(group=group), key=lambda e: (package_of(e), e.name)))


def leave_out(group: str, name: str, package: str, why: str) -> None:
    """Say, once, that a guest is left out and why; `why` is a clause with the guest as ``it``."""
    place = group, name, package
    if place not in _left_out:
        sentence = (
            f"The {GROUPS[group]} {name!r} of the package {package or 'without a name'} is left out: {why}; "
            "mend that package or uninstall it."
        )
        _left_out[place] = sentence
        warnings.warn(sentence, GuestWarning, stacklevel=3)


def leave_out_failed(guest: Guest[Any], error: BaseException) -> None:
    """Say, once, that a guest is left out because it failed while it worked."""
    leave_out(guest.group, guest.name, guest.package, f"it failed ({_said(error)})")


def in_short(error: BaseException) -> str:
    """Return on one line, for a sentence, what a guest's error says; its class where it says nothing."""
    return " ".join(str(error).split())[:120] or type(error).__name__


def left_out() -> tuple[str, ...]:
    """Return a sentence for each guest that has been left out since this was last asked."""
    fresh = tuple(sentence for place, sentence in _left_out.items() if place not in _told)
    _told.update(_left_out)
    return fresh


@lru_cache(maxsize=1)
def installed() -> tuple[str, ...]:
    """Return a line for each guest there is, with a digest of its package's files: what is made with other
    guests, or other versions of them, may differ. Empty where there are none.
    """
    lines = []
    for group in GROUPS:
        for entry in offered(group):
            lines.append(f"{group} {entry.name} {entry.value} {package_of(entry)} {_digest(entry)}")
    return tuple(lines)


def _misnamed(name: object, taken: Collection[str], found: Mapping[str, Guest[Any]]) -> str:
    if not isinstance(name, str) or not name.strip():
        return "it has no name"
    if name in taken:
        return f"its name {name!r} is one of Understave's own"
    if name in found:
        return f"its name {name!r} is already that of {found[name].name!r} of {found[name].package}"
    return ""


def _checked(wrong: Callable[[T], str], value: T) -> str:
    try:
        return wrong(value)
    except Exception as error:  # its fields may hold anything
        return f"its fields cannot be read ({_said(error)})"


def _said(error: BaseException) -> str:
    """Return an error in a few words on one line."""
    text = " ".join(str(error).split())[:200]
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


def package_of(entry: EntryPoint) -> str:
    """Return name and version of the package that declares an entry point."""
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist is not None else ""


def _digest(entry: EntryPoint) -> str:
    """Return a digest of the files of the package that an entry point names."""
    found = hashlib.sha256()
    for path in _files(entry.module.partition(".")[0]):
        found.update(str(path.name).encode() + b"\0" + path.read_bytes())
    return found.hexdigest()[:16]


def _files(package: str) -> Iterator[Path]:
    from importlib.util import find_spec

    try:
        spec = find_spec(package)
        if spec is None:
            return
        places = [Path(p) for p in spec.submodule_search_locations or ()]
        if not places and spec.origin is not None and Path(spec.origin).is_file():
            yield Path(spec.origin)
        for place in places:
            yield from sorted(
                path for path in place.rglob("*") if path.suffix in (".py", ".toml") and path.is_file()
            )
    except (ImportError, ValueError, OSError):
        return
