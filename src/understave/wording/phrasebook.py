"""The words of one language, read from the TOML files in its folder.

In: a language code. Out: a `Phrasebook`. To add a language, add a folder: `language_files` says how, and what
a language lacks is said in English. `theory.names` knows the notes and keys of five languages.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal, TypeAlias

from understave.errors import UnderstaveError
from understave.theory.convention_choices import STANDARD, current
from understave.theory.vocabulary import Language
from understave.wording.language_files import folders, whole_tables
from understave.wording.plurals import Category, Rule, chosen_form, plural_rules

Level: TypeAlias = Literal["beginner", "intermediate", "advanced"]
LEVELS: tuple[Level, ...] = ("beginner", "intermediate", "advanced")
SPOKEN: tuple[Language, ...] = tuple(folders())
"""The languages that have a folder of words, English first."""

Entry: TypeAlias = Mapping[str, str]
"""One thing to say: a template for each level; perhaps ``again`` and ``beginner_again``, shorter."""


@dataclass(frozen=True, slots=True)
class Gloss:
    """A term of the trade and what it means; `forms` are the ways in which texts write it.

    That of the numerals also has its meaning where all are capitals, and the term and meaning of function
    letters.
    """

    term: str
    meaning: str
    forms: tuple[str, ...]
    capital: str = ""
    function_term: str = ""
    function: str = ""

    @property
    def as_written(self) -> Gloss:
        """The gloss of what the conventions in force write."""
        how = current()
        if not self.function or how == STANDARD:
            return self
        if how.functions == "instead":
            return replace(self, term=self.function_term, meaning=self.function)
        meaning = self.capital if how.numerals == "capital" else self.meaning
        if how.functions == "beside":
            meaning = f"{meaning} {raised(self.function_term)}: {self.function}"
        return replace(self, meaning=meaning)


@dataclass(frozen=True)
class Grammar:
    """How a language builds sentences from words.

    `plurals` are its rules (see `plurals`). `raise_first`: names of notes and keys are written small, and a
    sentence that begins with one needs a capital. `joins` are patterns and what takes their place once a
    sentence is filled (French ``de`` before a vowel). `middle_octave` is the number of the octave that
    middle C begins, None where octaves are told by strokes (German).
    """

    plurals: Mapping[Category, Rule]
    raise_first: bool = False
    joins: tuple[tuple[re.Pattern[str], str], ...] = ()
    middle_octave: int | None = 4


@dataclass(frozen=True)
class Phrasebook:
    """All words of a language.

    `events` has an entry for each ``kind.label``; `values` a table of words for each detail that holds a
    word of ours; `units` the forms of what is counted, by plural category or for just one number (``"2"``);
    `numerals` the words of chords; `instructions` what printed terms mean (``gloss``) and what they ask of
    an ``early`` and a ``modern`` piano; `page` and `desk` what stands on the lesson page and the desk;
    `lanes` the words under the staves; `spoken` what screen readers say; `checking` how texts name chords
    and bars; `lane_events` what the lane of events and a search call them, by kind and label; `columns` and
    `cells` the heads and entries of tables; `pianos` our instruments; `reasons` why a chord is named as it
    is; `told` the sentences of the flowing story (see ``told.toml``); `talk` those of the spoken lesson
    (``talk.toml``); `remarks` what readers say of a score (`score.remarks`).
    `exercises` have for each kind a ``prompt`` and an ``answer``, `contrasts` for each label what to listen
    for, `patterns` for each device how to make it (``recipe``) and what to ``try``. `stop_titles` name a
    stop and `questions` have what to ``ask`` at it and the ``answer``, by ``kind.label`` or by kind.
    """

    language: Language
    events: Mapping[str, Entry]
    summaries: Mapping[str, Entry]
    values: Mapping[str, Mapping[str, str]]
    units: Mapping[str, Mapping[str, str]]
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
    instructions: Mapping[str, Mapping[str, str]]
    page: Mapping[str, Any]
    desk: Mapping[str, Any]
    lanes: Mapping[str, str]
    spoken: Mapping[str, str]
    checking: Mapping[str, str]
    lane_events: Mapping[str, Mapping[str, str]]
    columns: Mapping[str, str]
    cells: Mapping[str, str]
    pianos: Mapping[str, str]
    reasons: Mapping[str, Any]
    told: Mapping[str, Any]
    talk: Mapping[str, Any]
    remarks: Mapping[str, str]
    grammar: Grammar

    def entry(self, kind: str, label: str) -> Entry | None:
        """Return what to say of events of a kind and label, or None if there are no words for it."""
        return self.events.get(f"{kind}.{label}")

    def event_name(self, kind: str, label: str) -> str:
        """Return what an event of a kind and label is called: ``"half cadence"``; its label without words."""
        return self.lane_events.get(kind, {}).get(label, label)

    def join(self, items: list[str], word: str = "and") -> str:
        """Join as in a sentence: ``a``, ``a and b``, ``a, b and c``; `word` is ``"and"`` or ``"or"``."""
        if len(items) < 2:
            return "".join(items)
        return f"{', '.join(items[:-1])} {self.phrases[word]} {items[-1]}"

    def form(self, forms: Mapping[str, str], written: str) -> str:
        """Return which of the forms of something counted a number takes, as it is written: ``"2.5"``."""
        return chosen_form(forms, self.grammar.plurals, written)

    def sentence(self, text: str) -> str:
        """Return a text as a sentence begins: with a capital, where the language needs one raised."""
        return raised(text) if self.grammar.raise_first else text

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
                    found.append((m.start(), m.end(), gloss.as_written))
        return tuple(sorted(found, key=lambda f: f[0]))

    def glosses_in(self, text: str) -> tuple[Gloss, ...]:
        """Return the terms that a text uses, each once, in order."""
        return tuple({gloss.term: gloss for _, _, gloss in self.terms_in(text)}.values())


def raised(text: str) -> str:
    """Return a text with its first letter raised."""
    return f"{text[:1].upper()}{text[1:]}"


@lru_cache
def phrasebook(language: Language) -> Phrasebook:
    """Return the words of a language; raise UnderstaveError if it has none or its files are broken."""
    tables = whole_tables(language)
    return Phrasebook(
        language=language,
        events={
            f"{kind}.{label}": e for kind, labels in tables["events"].items() for label, e in labels.items()
        },
        summaries=tables["summaries"],
        values=tables["values"],
        units=tables["units"],
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
            Gloss(
                term,
                g["meaning"],
                tuple(g.get("forms", (term,))),
                *(str(g.get(name, "")) for name in ("capital", "function_term", "function")),
            )
            for term, g in tables["glosses"].items()
        ),
        instructions=tables["instructions"],
        page=tables["page"],
        desk=tables["desk"],
        lanes=tables["lanes"],
        spoken=tables["spoken"],
        checking=tables["checking"],
        lane_events=tables["lane_events"],
        columns=tables["columns"],
        cells=tables["cells"],
        pianos=tables["pianos"],
        reasons=tables["reasons"],
        told=tables["told"],
        talk=tables["talk"],
        remarks=tables["remarks"],
        grammar=_grammar(tables["grammar"], language),
    )


def _grammar(table: Mapping[str, Any], language: Language) -> Grammar:
    octave = table.get("middle_octave", 4)
    try:
        joins = tuple((re.compile(find), put) for find, put in table.get("joins", ()))
    except (re.error, ValueError, TypeError) as error:
        raise UnderstaveError(f"A join in the grammar of {language!r} cannot be read ({error}).") from None
    return Grammar(
        plural_rules(table.get("plurals", {})),
        bool(table.get("raise_first", False)),
        joins,
        octave if isinstance(octave, int) else None,
    )


@lru_cache
def _patterns(language: Language) -> tuple[tuple[re.Pattern[str], Gloss], ...]:
    """Return a pattern for each form, longest first; a form that ends in ``*`` may go on."""
    forms = [(form, gloss) for gloss in phrasebook(language).glosses for form in gloss.forms]
    forms.sort(key=lambda pair: -len(pair[0]))
    return tuple((_pattern(form), gloss) for form, gloss in forms)


def _pattern(form: str) -> re.Pattern[str]:
    stem = re.escape(form.rstrip("*"))
    if not form[0].isalpha():
        return re.compile(stem)
    return re.compile(rf"\b{stem}{'' if form.endswith('*') else chr(92) + 'b'}", re.IGNORECASE)
