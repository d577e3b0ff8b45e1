"""A teacher's conventions of writing harmony, and those in force.

In: choices by name. Out: `Conventions`. What they mean, and where they come from, stands in `conventions`,
which writes in them. Those in force are a context, as arithmetic in `decimal` has one: whoever makes
something for a teacher makes it `following` theirs, and every place that writes a label asks `current`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal, get_args, get_type_hints

from understave.errors import SymbolError
from understave.theory.key import Mode

SixFour = Literal["Cad64", "V64-53", "I64"]
Numerals = Literal["capital and small", "capital"]
Functions = Literal["none", "beside", "instead"]
Letters = Literal["english", "german", "syllables"]
Keys = Literal["words", "letters"]
BassFigures = Literal["none", "below"]


@dataclass(frozen=True, slots=True)
class Conventions:
    """A teacher's conventions; the default is the standard form."""

    six_four: SixFour = "Cad64"
    numerals: Numerals = "capital and small"
    functions: Functions = "none"
    letters: Letters = "english"
    keys: Keys = "words"
    bass_figures: BassFigures = "none"


STANDARD = Conventions()
CHOICES: dict[str, tuple[str, ...]] = {
    name: get_args(hint) for name, hint in get_type_hints(Conventions).items()
}
"""What may be chosen, by the name of the field."""


def conventions_from(values: Mapping[str, Any], under: Conventions = STANDARD) -> Conventions:
    """Return `under` with what `values` choose; raise ValueError with one sentence on what is no choice."""
    for name, value in values.items():
        if name not in CHOICES:
            raise SymbolError(f"{name!r} is no convention; there are {', '.join(CHOICES)}.")
        if value not in CHOICES[name]:
            raise SymbolError(f"{name} = {value!r} is no choice; write one of: {', '.join(CHOICES[name])}.")
    return Conventions(**{**asdict(under), **values})


def departing(conventions: Conventions) -> dict[str, str]:
    """Return the fields in which conventions are not the standard ones."""
    return {
        f.name: getattr(conventions, f.name)
        for f in fields(Conventions)
        if getattr(conventions, f.name) != f.default
    }


_IN_FORCE: ContextVar[Conventions] = ContextVar("conventions", default=STANDARD)
_HOME: ContextVar[Mode | None] = ContextVar("home", default=None)
_BY_ROOTS: ContextVar[bool] = ContextVar("by roots", default=False)


def current() -> Conventions:
    """Return the conventions in force."""
    return _IN_FORCE.get()


def home_mode() -> Mode | None:
    """Return the mode of the piece that is written about, None where nobody said."""
    return _HOME.get()


def by_roots() -> bool:
    """Whether the piece that is written about has no keys to speak of: chords are named by root and kind."""
    return _BY_ROOTS.get()


def in_force() -> tuple[Conventions, Mode | None, bool]:
    """Return what `following` has put in force, to follow it in another process or later."""
    return current(), home_mode(), by_roots()


@contextmanager
def following(conventions: Conventions, home: Mode | None = None, roots: bool = False) -> Iterator[None]:
    """Put conventions in force for what is made within, about a piece whose home key has the mode `home`.

    The mode decides what a numeral alone in a sentence does not say: whether a tonic six-four is small. With
    `roots` the piece has no keys to speak of (`by_roots`).
    """
    before, mode, named = _IN_FORCE.set(conventions), _HOME.set(home), _BY_ROOTS.set(roots)
    try:
        yield
    finally:
        _BY_ROOTS.reset(named)
        _IN_FORCE.reset(before)
        _HOME.reset(mode)
