"""The words of a language as they stand in its files, completed from English where they are not whole.

In: a language code. Out: its tables. A language is a folder of TOML files: ``languages/<code>`` beside this
module, or one that another installed package offers as an entry point of the group ``understave.languages``
(the name is the code, the value a package with the files). What guests have to say about findings and pianos
of their own comes from their packages (`guest_words`). A table may be spread over several files. What a
language lacks is said in English, and `lacking` lists it; nothing crashes for want of a word.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from copy import deepcopy
from functools import lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

from understave.errors import UnderstaveError
from understave.guests import leave_out, offered, package_of
from understave.theory.vocabulary import Language
from understave.wording.guest_words import GROUP, guest_words, merge

WHOLE = ("glosses", "numbers", "ordinals", "grammar", "numerals", "checking")
"""Tables that a language has for itself: English entries make no sense among its own."""
_GAP = re.compile(r"\{(\w+)")
_STRICT = ("phrases", "summaries", "page", "desk", "lanes", "spoken", "remarks")
"""Tables whose gaps are filled by name: one that English does not have could not be filled."""


@lru_cache
def folders() -> Mapping[Language, Traversable | str]:
    """Return the folder of each language; for one that an installed package offers in vain, the reason."""
    found: dict[Language, Traversable | str] = {}
    home = files("understave.wording").joinpath("languages")
    for entry in sorted(home.iterdir(), key=lambda e: (e.name != "en", e.name)):
        if entry.is_dir() and any(f.name.endswith(".toml") for f in entry.iterdir()):
            found[entry.name] = entry
    for guest in offered("understave.languages"):
        if guest.name in found:
            why = f"there are words for {guest.name!r} already"
            leave_out(guest.group, guest.name, package_of(guest), why)
            continue
        try:
            found[guest.name] = files(guest.value)
        except Exception as error:  # importing a stranger's package can fail in any way
            found[guest.name] = str(error)
    return found


@lru_cache
def own_tables(language: Language) -> Mapping[str, Any]:
    """Return what a language says itself; raise UnderstaveError where a file of it cannot be read."""
    folder = folders().get(language)
    if folder is None or isinstance(folder, str):
        why = f" ({folder})" if folder else ""
        names = " or ".join(folders())
        raise UnderstaveError(f"There are no words for the language {language!r}{why}; choose {names}.")
    tables: dict[str, Any] = {}
    for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if file.name.endswith(".toml"):
            name = f"{language}/{file.name}"
            try:
                merge(tables, tomllib.loads(file.read_text("utf-8")), name)
            except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
                raise UnderstaveError(f"{name} cannot be read ({error}); mend it there.") from None
            except ValueError as error:
                raise UnderstaveError(f"{error}; take one of them out.") from None
    for name, package, more in guest_words(language):
        together = deepcopy(tables)
        try:
            merge(together, more, "one of its files")
        except ValueError as error:
            leave_out(GROUP, name, package, f"its words for {language!r} cannot be used ({error})")
        else:
            tables = together
    return tables


def whole_tables(language: Language) -> Mapping[str, Any]:
    """Return the tables of a language, what it lacks in English."""
    english = own_tables("en")
    if language == "en":
        return english
    own = own_tables(language)
    return {
        name: own[name] if name in WHOLE and name in own else _completed(table, own.get(name), (name,))
        for name, table in {**{name: {} for name in own}, **english}.items()
    }


def _completed(english: Any, own: Any, path: tuple[str, ...]) -> Any:
    if isinstance(english, dict):
        mine = own if isinstance(own, dict) else {}
        if mine and is_forms(mine):
            return mine
        return {k: _completed(english.get(k), mine.get(k), (*path, k)) for k in {**english, **mine}}
    fits = own is not None and (english is None or isinstance(own, type(english)))
    return own if fits and not _unfillable(english, own, path) else english


def is_forms(table: Mapping[str, Any]) -> bool:
    """Tell whether a table holds the forms of something counted, by plural category."""
    return "other" in table and all(isinstance(form, str) for form in table.values())


def _unfillable(english: Any, own: Any, path: tuple[str, ...]) -> bool:
    """Whether a text has a gap that would never get a value."""
    if path[0] not in _STRICT or not isinstance(own, str) or not isinstance(english, str):
        return False
    return bool(set(_GAP.findall(own)) - set(_GAP.findall(english)))


def lacking(language: Language) -> tuple[str, ...]:
    """Return what a language lacks of what English has, a line each: ``"phrases.bar"``; none for a whole one.

    Terms are a language's own affair: of them it is only asked that there be some.
    """
    own = own_tables(language)
    found = list(_missing(own_tables("en"), own, ()))
    grammar = own.get("grammar", {})
    if "plurals" not in grammar:
        found.append("grammar.plurals: the plural rules, as CLDR writes them")
    if "numerals" not in own and language != "en":
        found.append("numerals: how chords are told in words")
    return tuple(found)


def _missing(english: Any, own: Any, path: tuple[str, ...]) -> Iterator[str]:
    name = ".".join(path)
    if own is None:
        yield name
    elif not english:
        return
    elif not isinstance(own, type(english)):
        yield f"{name}: not of the kind that it is in English"
    elif isinstance(english, dict):
        if path and (path[0] in ("glosses", "grammar", "numerals") or is_forms(english)):
            if not own or (is_forms(english) and "other" not in own):
                yield name
            return
        for key, value in english.items():
            yield from _missing(value, own.get(key), (*path, key))
    elif isinstance(english, list):
        if len(own) < len(english):
            yield f"{name}: {len(english) - len(own)} more"
    elif not own:
        yield f"{name}: empty"
    elif _unfillable(english, own, path):
        yield f"{name}: a gap that is never filled ({own})"
