"""The words of one language, read from the TOML files in its folder.

In: a language code. Out: a `Phrasebook`. To add a language, add a folder:
every table of ``languages/en`` has to be there, and `theory.names` has to know the language's notes and keys.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal, TypeAlias

from understave.theory.vocabulary import Language

Level: TypeAlias = Literal["beginner", "intermediate", "advanced"]
LEVELS: tuple[Level, ...] = ("beginner", "intermediate", "advanced")
SPOKEN: tuple[Language, ...] = ("en", "de")
"""The languages that have a file of words."""

Entry: TypeAlias = Mapping[str, str]
"""One thing to say: a template for each level; perhaps ``again`` and ``beginner_again``, shorter."""


@dataclass(frozen=True, slots=True)
class Gloss:
    """A term of the trade and what it means; `forms` are the ways in which texts write it."""

    term: str
    meaning: str
    forms: tuple[str, ...]


@dataclass(frozen=True)
class Phrasebook:
    """All words of a language.

    `events` has an entry for each ``kind.label``; `values` a table of words for each detail that holds a
    word of ours; `units` singular and plural of what is counted (and perhaps a form for two); `numerals`
    the words of chords. `exercises` have for each kind a ``prompt`` and an ``answer``, `contrasts` for each
    label what to listen for, `patterns` for each device how to make it (``recipe``) and what to ``try``.
    `stop_titles` name a stop and `questions` have what to ``ask`` at it and the ``answer``, by
    ``kind.label`` or by kind.
    """

    language: Language
    events: Mapping[str, Entry]
    summaries: Mapping[str, Entry]
    values: Mapping[str, Mapping[str, str]]
    units: Mapping[str, tuple[str, ...]]
    numbers: tuple[str, ...]
    ordinals: tuple[str, ...]
    headings: Mapping[str, str]
    phrases: Mapping[str, str]
    devices: Mapping[str, str]
    numerals: Mapping[str, Any]
    exercises: Mapping[str, Mapping[str, Entry]]
    contrasts: Mapping[str, Entry]
    patterns: Mapping[str, Mapping[str, str]]
    stop_titles: Mapping[str, str]
    questions: Mapping[str, Mapping[str, str]]
    glosses: tuple[Gloss, ...]

    def entry(self, kind: str, label: str) -> Entry | None:
        """Return what to say of events of a kind and label, or None if there are no words for it."""
        return self.events.get(f"{kind}.{label}")

    def join(self, items: list[str], word: str = "and") -> str:
        """Join as in a sentence: ``a``, ``a and b``, ``a, b and c``; `word` is ``"and"`` or ``"or"``."""
        if len(items) < 2:
            return "".join(items)
        return f"{', '.join(items[:-1])} {self.phrases[word]} {items[-1]}"

    def bars(self, first: str, last: str) -> str:
        """Name a stretch of printed bars: ``bar 4``, ``bars 4–7``."""
        if first == last:
            return self.phrases["bar"].format(first=first)
        return self.phrases["bars"].format(first=first, last=last)

    def terms_in(self, text: str) -> tuple[tuple[int, int, Gloss], ...]:
        """Return where a text uses a term, by place; the longest form wins where two overlap."""
        found: list[tuple[int, int, Gloss]] = []
        taken: set[int] = set()
        for pattern, gloss in _patterns(self.language):
            for m in pattern.finditer(text):
                if taken.isdisjoint(range(*m.span())):
                    taken.update(range(*m.span()))
                    found.append((m.start(), m.end(), gloss))
        return tuple(sorted(found, key=lambda f: f[0]))

    def glosses_in(self, text: str) -> tuple[Gloss, ...]:
        """Return the terms that a text uses, each once, in order."""
        return tuple({gloss.term: gloss for _, _, gloss in self.terms_in(text)}.values())


@lru_cache
def phrasebook(language: Language) -> Phrasebook:
    """Return the words of a language; raise ValueError for one that has none."""
    if language not in SPOKEN:
        raise ValueError(f"There are no words for the language {language!r}; choose {' or '.join(SPOKEN)}.")
    tables = _tables(language)
    return Phrasebook(
        language=language,
        events={
            f"{kind}.{label}": e for kind, labels in tables["events"].items() for label, e in labels.items()
        },
        summaries=tables["summaries"],
        values=tables["values"],
        units={name: tuple(forms) for name, forms in tables["units"].items()},
        numbers=tuple(tables["numbers"]),
        ordinals=tuple(tables["ordinals"]),
        headings=tables["headings"],
        phrases=tables["phrases"],
        devices=tables["devices"],
        numerals=tables["numerals"],
        exercises=tables["exercises"],
        contrasts=tables["contrasts"],
        patterns=tables["patterns"],
        stop_titles=tables["stop_titles"],
        questions=tables["questions"],
        glosses=tuple(
            Gloss(term, g["meaning"], tuple(g.get("forms", (term,)))) for term, g in tables["glosses"].items()
        ),
    )


def _tables(language: Language) -> dict[str, Any]:
    """Return the tables of all files of a language; a table may be spread over several."""
    tables: dict[str, Any] = {}
    folder = files("understave.wording").joinpath("languages", language)
    for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if file.name.endswith(".toml"):
            _put_in(tables, tomllib.loads(file.read_text("utf-8")), file.name)
    return tables


def _put_in(tables: dict[str, Any], more: Mapping[str, Any], name: str) -> None:
    for key, value in more.items():
        if isinstance(value, dict) and isinstance(tables.setdefault(key, {}), dict):
            _put_in(tables[key], value, name)
        elif key in tables:
            raise ValueError(f"{name} says again what {key!r} is; take one of them out.")
        else:
            tables[key] = value


@lru_cache
def _patterns(language: Language) -> tuple[tuple[re.Pattern[str], Gloss], ...]:
    """Return a pattern for each form, longest first; a form that ends in ``*`` may go on."""
    forms = [(form, g) for g in phrasebook(language).glosses for form in g.forms]
    forms.sort(key=lambda pair: -len(pair[0]))
    return tuple((_pattern(form), g) for form, g in forms)


def _pattern(form: str) -> re.Pattern[str]:
    stem = re.escape(form.rstrip("*"))
    if not form[0].isalpha():
        return re.compile(stem)
    return re.compile(rf"\b{stem}{'' if form.endswith('*') else chr(92) + 'b'}", re.IGNORECASE)
