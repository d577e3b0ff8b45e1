"""The files of words: complete for every label a finder can give, in every language, at every level.

The labels and the names of details come from the docstrings of the finders, which are their contract.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from understave.findings import form, phrases
from understave.findings.nearness import RELATIONS
from understave.interpretation import plan
from understave.wording import LEVELS, SPOKEN, phrasebook
from understave.wording.gaps import CHOICE, GAP, WAYS
from understave.wording.sentences import RESERVED

FINDERS = sorted(path for room in (phrases, plan) for path in Path(room.__file__).parent.glob("*.py"))
DERIVED = {*RESERVED, "from", "fifths_way", "fifths_size", "beats_per_minute", "beat_note"}
AT_EASE = {
    "en": {"coda", "semitone"},
    "de": {"Coda", "Halbton"},
    "fr": {
        "accompagnement",
        "cadence",
        "coda",
        "degré",
        "demi-ton",
        "dominante",
        "motif",
        "phrase",
        "section",
    },
}
"""Terms that a beginner's sentence may use: they are glossed like all others."""


def contract(path: Path) -> tuple[list[str], list[str], set[str]]:
    """Return the kinds, labels and names of details that a finder's docstring promises."""
    doc = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    kinds = re.findall(r'(?:[Kk]inds?|Events?) ``"([a-z -]+)"``', doc)
    lists = re.findall(r'^[-*] (?:label )?([A-Za-z0-9`" ,-]+?)(?: \([^)]*\))?: "', doc, flags=re.M)
    labels = [label.strip().strip('`"') for found in lists for label in found.split(",")]
    return kinds, labels, set(re.findall(r"``([a-z_]+)``", doc))


PROMISED = {path.stem: contract(path) for path in FINDERS}


def finder_of(kind: str) -> str:
    return next(name for name, (kinds, _, _) in PROMISED.items() if kind in kinds)


def test_the_docstrings_are_understood():
    kinds = {kind for found, _, _ in PROMISED.values() for kind in found}
    assert {"cadence", "non-chord tone", "sharp dissonance", "six-four", "phrase", "key", "return"} <= kinds
    assert sum(len(labels) for _, labels, _ in PROMISED.values()) >= 110


@pytest.mark.parametrize("language", SPOKEN)
@pytest.mark.parametrize("finder", [name for name, (kinds, _, _) in PROMISED.items() if kinds])
def test_every_label_of_a_finder_has_words_and_no_other(finder, language):
    kinds, labels, _ = PROMISED[finder]
    book = phrasebook(language)
    worded = {key.split(".", 1)[1] for key in book.events if key.split(".", 1)[0] in kinds}
    # A kind with one label may be told in running text, its label equal to the kind.
    assert worded == set(labels) | (worded & set(kinds) & {"picardy third", "form"}) | (worded & {"scheme"})


@pytest.mark.parametrize("language", SPOKEN)
def test_every_entry_speaks_at_every_level(language):
    for key, entry in phrasebook(language).events.items():
        assert {*LEVELS} <= set(entry), key
        assert set(entry) <= {*LEVELS, "again", "beginner_again"}, key
        # What a piano asks is told in whole sentences of its own.
        ends = (".", "?", "{instrument:modern}")
        assert all(text.strip() and text.rstrip("]").endswith(ends) for text in entry.values()), key


@pytest.mark.parametrize("language", SPOKEN)
def test_gaps_and_brackets_are_sound_and_name_details_of_the_finder(language):
    for key, entry in phrasebook(language).events.items():
        known = PROMISED[finder_of(key.split(".", 1)[0])][2] | DERIVED
        for text in entry.values():
            bare = CHOICE.sub("", text)
            assert not set("[]|") & set(GAP.sub("", bare)), (key, text)
            assert not set("{}") & set(GAP.sub("", text)), (key, text)
            names = {g[1] for g in GAP.finditer(text)} | {c[2] for c in CHOICE.finditer(text) if c[2]}
            assert {n.removesuffix("_way") if n.endswith("_way") else n for n in names} <= known | {
                "fifths"
            }, (
                key,
                text,
            )
            assert {g[2] for g in GAP.finditer(text) if g[2]} <= set(WAYS), (key, text)


@pytest.mark.parametrize("language", [code for code in SPOKEN if code != "en"])
def test_another_language_has_what_english_has(language):
    english, other = phrasebook("en"), phrasebook(language)
    for table in ("events", "summaries", "headings", "phrases", "devices", "units", "values"):
        assert set(getattr(english, table)) <= set(getattr(other, table)), table
    for name, words in english.values.items():
        assert set(words) == set(other.values[name]), name
    for key, entry in english.events.items():
        assert set(entry) == set(other.events[key]), key
    for key, text in english.phrases.items():
        assert set(re.findall(r"{\w+}", text)) == set(re.findall(r"{\w+}", other.phrases[key])), key
    assert len(other.numbers) == len(english.numbers)


@pytest.mark.parametrize("language", SPOKEN)
def test_words_that_finders_give_as_values_are_worded(language):
    values = phrasebook(language).values
    assert set(phrases.REASONS.values()) | {"end of the piece"} <= set(values["reasons"])
    assert set(form.REASONS.values()) <= set(values["section.reasons"])
    assert set(RELATIONS) == set(values["relation"])


@pytest.mark.parametrize("language", SPOKEN)
def test_beginners_are_spared_numerals_and_terms(language):
    book = phrasebook(language)
    kinds_of_chords = ("chord", "numeral", "goal", "leader", "dominant", "expected", "chords", "target", "to")
    for key, entry in book.events.items():
        text = " ".join(entry[form] for form in ("beginner", "beginner_again") if form in entry)
        terms = {g.term for g in book.glosses_in(GAP.sub("", CHOICE.sub(r"\5", text)))}
        assert terms <= AT_EASE[language], (key, terms)
        if key.startswith("seventh in the bass"):
            continue
        assert not {g[1] for g in GAP.finditer(text)} & set(kinds_of_chords), key


@pytest.mark.parametrize("language", SPOKEN)
def test_glosses_are_short_and_do_not_hang_in_the_air(language):
    for gloss in phrasebook(language).glosses:
        assert gloss.meaning.endswith((".", "!")), gloss.term
        assert len(gloss.meaning.split()) <= 45, gloss.term
        assert gloss.forms, gloss.term
