"""The words that other installed packages bring for their own findings and pianos.

In: a language code. Out: tables like those of our own languages (see `language_files`), checked: what stands
in them can be used as it is. A package names, as an entry point of the group ``understave.words``, a package
of its own that holds a folder for each language with TOML files::

    carillon/words/en/bells.toml
    carillon/words/de/bells.toml

They may say: ``events`` (a table for each kind and label with a sentence for ``beginner``, ``intermediate``
and ``advanced``, perhaps ``again`` and ``beginner_again``), ``lane_events`` (what the lane calls a label),
``stop_titles``, ``questions`` (``ask`` and ``answer``), ``summaries``, ``values`` (words for the texts among
details, as ``"kind.detail"``), ``units``, ``glosses``, ``pianos``, and ``told.events`` (``hear``, ``why``,
``hands``, ``next``, ``again``: the flowing story). Gaps are filled as in our own sentences (`gaps`) from the
details of the event. What a language lacks is said in English.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any

from understave.guests import leave_out, offered, package_of
from understave.theory.vocabulary import Language

GROUP = "understave.words"
_LEVELS = {"beginner", "intermediate", "advanced"}
_SHAPES: Mapping[str, tuple[int, set[str], set[str]]] = {
    "events": (2, _LEVELS, {"again", "beginner_again"}),
    "lane_events": (2, set(), set()),
    "stop_titles": (1, set(), set()),
    "questions": (1, {"ask", "answer"}, set()),
    "summaries": (1, _LEVELS, set()),
    "values": (2, set(), set()),
    "units": (1, {"other"}, {"zero", "one", "two", "few", "many"}),
    "pianos": (1, set(), set()),
    "told.events": (2, {"hear"}, {"why", "hands", "next", "again"}),
}
"""For each table how deep its entries lie, and what each must and may say; without either it is a text."""


def guest_words(language: Language) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    """Yield name, package and tables of each guest that has words in a language; one whose files cannot be
    read or do not have the shape of our own is left out, and a sentence says so.
    """
    for entry in offered(GROUP):
        package = package_of(entry)
        try:
            folder = files(entry.value).joinpath(language)
            tables = _read(folder) if folder.is_dir() else {}
            _check(tables)
        except Exception as error:  # a stranger's package can fail in any way
            said = " ".join(str(error).split())[:200]
            leave_out(GROUP, entry.name, package, f"its words for {language!r} cannot be used ({said})")
            continue
        if tables:
            yield entry.name, package, tables


def _read(folder: Traversable) -> dict[str, Any]:
    tables: dict[str, Any] = {}
    for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if file.name.endswith(".toml"):
            merge(tables, tomllib.loads(file.read_text("utf-8")), file.name)
    return tables


def merge(tables: dict[str, Any], more: Mapping[str, Any], name: str) -> None:
    """Put more entries into tables, in place; raise ValueError where one of them is there already."""
    for key, value in more.items():
        if isinstance(value, dict) and isinstance(tables.setdefault(key, {}), dict):
            merge(tables[key], value, name)
        elif key in tables:
            raise ValueError(f"{name} says again what {key!r} is")
        else:
            tables[key] = value


def _check(tables: Mapping[str, Any]) -> None:
    """Raise ValueError for a table that guests have not, and for an entry that is not as ours are."""
    for name, table in tables.items():
        if name == "told":
            if set(table) != {"events"}:
                raise ValueError("[told] may hold [told.events] only")
            _check_entries("told.events", table["events"])
        elif name == "glosses":
            for term, gloss in table.items():
                if not isinstance(gloss, dict) or not isinstance(gloss.get("meaning"), str):
                    raise ValueError(f"[glosses.{term!r}] has no meaning")
                forms = gloss.get("forms", [term])
                if not isinstance(forms, list) or not all(isinstance(f, str) and f for f in forms):
                    raise ValueError(f"the forms of [glosses.{term!r}] are no texts")
        elif name in _SHAPES:
            _check_entries(name, table)
        else:
            raise ValueError(f"there is no table {name!r} for guests")


def _check_entries(name: str, table: Any) -> None:
    depth, must, may = _SHAPES[name]
    for path, entry in _entries(table, depth, name):
        if not must and not may:
            if not isinstance(entry, str):
                raise ValueError(f"{path} is no text")
        elif not isinstance(entry, dict) or not must <= set(entry) <= must | may:
            raise ValueError(f"{path} must say {', '.join(sorted(must))}")
        elif not all(isinstance(text, str) for text in entry.values()):
            raise ValueError(f"{path} has something else than texts")
        if name in ("summaries", "units") and isinstance(entry, dict):
            for text in entry.values():
                text.format(list="", count="", number="")  # no other gap would ever be filled


def _entries(table: Any, depth: int, path: str) -> Iterator[tuple[str, Any]]:
    if depth == 0:
        yield path, table
        return
    if not isinstance(table, dict):
        raise ValueError(f"{path} is no table")
    for key, value in table.items():
        yield from _entries(value, depth - 1, f"{path}.{key}")
