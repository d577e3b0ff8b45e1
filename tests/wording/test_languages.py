"""Languages are folders: whole ones say the same, half ones crash nothing, numbers take their own forms.

Plural categories: samples of the CLDR (Unicode Common Locale Data Repository, ``plurals.xml``, Unicode
Technical Standard #35 Part 3) for English, French, Polish, Russian, Arabic, Slovenian and Latvian; from
memory of the rules' ``@integer`` and ``@decimal`` samples.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from fractions import Fraction
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from tests.once import make_plan
from tests.wording.readings import example

from understave.engraving.event_lane import event_name
from understave.errors import UnderstaveError
from understave.export.annotated import annotated_musicxml
from understave.findings.catalogue import kinds
from understave.findings.printed_words import DICTIONARY
from understave.harmony.reading import Detail
from understave.interpretation.perform import clock
from understave.media.cards import flash_cards
from understave.media.cards_csv import cards_csv
from understave.teaching import cues
from understave.teaching.exercises import exercises
from understave.teaching.stops import Timing, propose_stops
from understave.theory.pitch import Pitch
from understave.wording import LEVELS, SPOKEN, language_files, phrasebook, tell
from understave.wording.chord_reasons import explain_span
from understave.wording.gaps import CHOICE, counted, fill
from understave.wording.lacking import main
from understave.wording.language_files import lacking, own_tables, whole_tables
from understave.wording.phrasebook import Phrasebook
from understave.wording.playing import tell_plan
from understave.wording.plurals import category, plural_rules

OTHERS = [code for code in SPOKEN if code != "en"]
RULES = {
    "en": {"one": "i = 1 and v = 0"},
    "fr": {"one": "i = 0,1", "many": "e = 0 and i != 0 and i % 1000000 = 0 and v = 0 or e != 0..5"},
    "pl": {
        "one": "i = 1 and v = 0",
        "few": "v = 0 and i % 10 = 2..4 and i % 100 != 12..14",
        "many": "v = 0 and i != 1 and i % 10 = 0..1 or v = 0 and i % 10 = 5..9 or v = 0 and i % 100 = 12..14",
    },
    "ru": {
        "one": "v = 0 and i % 10 = 1 and i % 100 != 11",
        "few": "v = 0 and i % 10 = 2..4 and i % 100 != 12..14",
        "many": "v = 0 and i % 10 = 0 or v = 0 and i % 10 = 5..9 or v = 0 and i % 100 = 11..14",
    },
    "ar": {
        "zero": "n = 0 @integer 0 @decimal 0.0, 0.00, 0.000, 0.0000",
        "one": "n = 1",
        "two": "n = 2",
        "few": "n % 100 = 3..10",
        "many": "n % 100 = 11..99",
    },
    "sl": {
        "one": "v = 0 and i % 100 = 1",
        "two": "v = 0 and i % 100 = 2",
        "few": "v = 0 and i % 100 = 3..4 or v != 0",
    },
    "lv": {
        "zero": "n % 10 = 0 or n % 100 = 11..19 or v = 2 and f % 100 = 11..19",
        "one": "n % 10 = 1 and n % 100 != 11 or v = 2 and f % 10 = 1 and f % 100 != 11"
        " or v != 2 and f % 10 = 1",
    },
}
SAMPLES = [
    ("en", "one", "1"),
    ("en", "other", "0 2 16 1.0 1.5 0.1"),
    ("fr", "one", "0 1 0.0 1.5"),
    ("fr", "many", "1000000 2000000"),
    ("fr", "other", "2 17 100 2.0 3.5"),
    ("pl", "one", "1"),
    ("pl", "few", "2 3 4 22 24 32 102 1002"),
    ("pl", "many", "0 5 11 12 14 19 100 1000"),
    ("pl", "other", "0.0 1.5 10.0"),
    ("ru", "one", "1 21 31 101 1001"),
    ("ru", "few", "2 3 4 22 24 102"),
    ("ru", "many", "0 5 11 14 19 20 100"),
    ("ru", "other", "0.0 1.5"),
    ("ar", "zero", "0 0.0"),
    ("ar", "one", "1 1.0"),
    ("ar", "two", "2 2.0"),
    ("ar", "few", "3 10 103 110 3.0"),
    ("ar", "many", "11 26 111"),
    ("ar", "other", "100 102 200 0.1"),
    ("sl", "two", "2 102"),
    ("sl", "few", "3 4 103 0.0 1.5"),
    ("sl", "other", "0 5 19 100"),
    ("lv", "zero", "0 10 20 11 19 111 10.0 0.11"),
    ("lv", "one", "1 21 101 0.1 1.0 1.1 2.1 0.01"),
    ("lv", "other", "2 9 22 102 0.2 1.9"),
]


@pytest.mark.parametrize(("language", "wanted", "numbers"), SAMPLES)
def test_numbers_take_the_categories_of_the_cldr(language: str, wanted: str, numbers: str) -> None:
    rules = plural_rules(RULES[language])
    assert {number: category(rules, number) for number in numbers.split()} == dict.fromkeys(
        numbers.split(), wanted
    )


@pytest.mark.parametrize("rule", ["i is 1", "i = 1 and", "k = 1", "i == 1", ""])
def test_what_is_no_rule_is_refused(rule: str) -> None:
    with pytest.raises(UnderstaveError, match="no plural rule"):
        plural_rules({"one": rule})


def test_our_languages_have_the_rules_of_the_cldr() -> None:
    for code in ("en", "fr"):
        assert own_tables(code)["grammar"]["plurals"] == RULES[code]
    assert own_tables("de")["grammar"]["plurals"] == RULES["en"]  # the same in German


@pytest.mark.parametrize(
    ("number", "bars"), [(1, "une mesure"), (Fraction(3, 2), "1,5 mesure"), (2, "deux mesures")]
)
def test_french_counts_up_to_two_in_the_singular(number: int | Fraction, bars: str) -> None:
    assert counted(number, "bar", phrasebook("fr")) == bars


# --- the same in all -------------------------------------------------------------------------------------


def texts(table: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    if isinstance(table, dict) and not language_files.is_forms(table):
        for key, value in table.items():
            yield from texts(value, (*path, key))
    else:
        yield path, table


def gaps(text: Any) -> set[str]:
    """Every value that a text uses, in its gaps and its conditions."""
    parts = text.values() if isinstance(text, dict) else [text] if isinstance(text, str) else []
    found = {g for part in parts for g in re.findall(r"{(\w+)", part)}
    return found | {c[2] for part in parts for c in CHOICE.finditer(part) if c[2]}


@pytest.mark.parametrize("language", SPOKEN)
def test_no_language_lacks_anything(language: str) -> None:
    assert lacking(language) == ()


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_has_the_gaps_of_the_english_one(language: str) -> None:
    english, other = dict(texts(own_tables("en"))), dict(texts(own_tables(language)))
    own_affairs = ("glosses", "grammar", "numerals", "units")
    paths = {path for path in english if path[0] not in own_affairs}
    assert paths == {path for path in other if path[0] not in own_affairs}
    # German names the bars in some returns, and not the chord in one task.
    free = {("events", "return"), ("exercises", "resolve the chord")}
    wrong = {p for p in paths if gaps(english[p]) != gaps(other[p]) and p[:2] not in free}
    assert wrong == set()


@pytest.mark.parametrize("language", SPOKEN)
def test_printed_terms_are_explained_in_every_language(language: str) -> None:
    told = phrasebook(language).instructions
    assert set(told) == set(DICTIONARY)
    for name, term in DICTIONARY.items():
        assert told[name]["gloss"]
        assert ({"early", "modern"} <= set(told[name])) == term.pianos_differ, name


@pytest.mark.parametrize("language", SPOKEN)
def test_the_browser_finds_every_word_that_it_asks_for(language: str) -> None:
    static = files("understave").joinpath("desk", "static")
    asked: set[str] = set()
    for file in static.iterdir():
        if file.name.endswith(".js"):
            asked |= set(re.findall(r'\bword\("(\w+)"', file.read_text("utf-8")))
    assert len(asked) > 120
    assert asked <= set(phrasebook(language).desk)
    viewer = files("understave").joinpath("viewer")
    page = {
        name
        for file in viewer.iterdir()
        if file.name.endswith(".js") and file.name != "words.js"
        for name in re.findall(r"(?<!/)\bwords\.(\w+)", file.read_text("utf-8"))
    }
    assert page - {"lane", "map", "length"} <= set(phrasebook(language).page)


# --- one form of address ---------------------------------------------------------------------------------

FAMILIAR = {
    "de": r"\b(?:[Dd]u|[Dd]ich|[Dd]ir|[Dd]eine?[mnrs]?)\b"
    r"|(?:^|[.?!] )(?:Spiele?|Höre?|Nenne|Schreibe?|Nimm|Sieh)\b",
    # French "ton" is also a key.
    "fr": r"\b(?:[Tt]u|[Tt]oi|[Tt]a|[Tt]es)\b|(?:^|[.?!] )(?:Joue|Écoute|Nomme|Écris|Prends|Regarde)\b",
}


@pytest.mark.parametrize("language", FAMILIAR)
def test_everybody_is_addressed_formally_everywhere(language: str) -> None:
    for path, text in texts(own_tables(language)):
        for part in text.values() if isinstance(text, dict) else [text]:
            if isinstance(part, str):
                assert not re.search(FAMILIAR[language], part), (path, part)


# --- a language that is not whole ------------------------------------------------------------------------


@pytest.fixture
def half(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder with a new language, of which only some words are there."""
    folder = tmp_path / "xx"
    folder.mkdir()
    (folder / "words.toml").write_text('[phrases]\nbar = "takto {first}"\nbars = "taktoj {wrong}"\n', "utf-8")
    whole = {**language_files.folders(), "xx": folder}
    monkeypatch.setattr(language_files, "folders", lambda: whole)
    own_tables.cache_clear()
    phrasebook.cache_clear()
    yield folder
    own_tables.cache_clear()
    phrasebook.cache_clear()


def test_a_half_language_speaks_and_says_the_rest_in_english(half: Path) -> None:
    book: Phrasebook = phrasebook("xx")
    assert book.bars("4", "4") == "takto 4"
    assert book.bars("4", "7") == "bars 4–7"  # its own has a gap that nothing fills
    assert book.entry("cadence", "half") == phrasebook("en").entry("cadence", "half")
    assert counted(3, "bar", book) == "three bars"


def test_what_a_half_language_lacks_is_listed(half: Path, capsys: pytest.CaptureFixture[str]) -> None:
    missing = lacking("xx")
    assert "headings" in missing
    assert "phrases.bars: a gap that is never filled (taktoj {wrong})" in missing
    assert not any(line.startswith("phrases.bar:") or line == "phrases.bar" for line in missing)
    assert main(["xx"]) == 1
    assert "xx: " in capsys.readouterr().out


def test_a_copied_language_works_at_once(half: Path) -> None:
    source = Path(str(files("understave.wording").joinpath("languages", "fr")))
    shutil.copytree(source, half, dirs_exist_ok=True)
    own_tables.cache_clear()
    assert lacking("xx") == ()
    assert whole_tables("xx")["headings"] == whole_tables("fr")["headings"]


def test_a_broken_file_is_named(half: Path) -> None:
    (half / "broken.toml").write_text("[phrases\n", "utf-8")
    own_tables.cache_clear()
    with pytest.raises(UnderstaveError, match=r"xx/broken.toml cannot be read"):
        phrasebook("xx")
    assert main(["xx"]) == 2


def test_an_unknown_language_is_refused_in_a_sentence() -> None:
    with pytest.raises(UnderstaveError, match="no words for the language 'zz'; choose en or de or fr"):
        phrasebook("zz")


# --- nothing left in English -----------------------------------------------------------------------------

ENGLISH = re.compile(
    r"\b(?:the|and|with|from|which|that|this|those|these|its|into|here|there|where|when|what|while|"
    r"bars?|beats?|chords?|keys?|major|minor|flat|sharp|notes? of|listen|voice|tune|bass line|set by|is|are)"
    r"\b",
    re.IGNORECASE,
)
"""Function words of English, and words of the trade, that neither German nor French has."""
SAME = re.compile(r"\b(?:sont|note de|notes de|Neapolitan sixth in minor|Ii|these)\b")


def english_in(text: str) -> list[str]:
    bare = re.sub(r"⟨[^⟩]*⟩|{[^}]*}|understave \w+", " ", text)
    return [m[0] for m in ENGLISH.finditer(SAME.sub(" ", bare))]


@pytest.mark.parametrize("language", OTHERS)
def test_no_english_is_left_in_the_words_themselves(language: str) -> None:
    left = {
        (path, word)
        for path, text in texts(own_tables(language))
        if path[0] not in ("checking", "grammar")
        for part in (text.values() if isinstance(text, dict) else text if isinstance(text, list) else [text])
        if isinstance(part, str)
        for word in english_in(CHOICE.sub(r"\5", part))
    }
    assert left == set()


@pytest.mark.parametrize("language", OTHERS)
def test_no_english_is_left_in_a_lesson(language: str) -> None:
    score, reading = example("lock-water")
    plan = make_plan(score, reading)
    stops = propose_stops(score, reading, plan, language=language)
    found = exercises(score, reading, "intermediate")
    talk = cues.cue_list(score, reading, stops, Timing(clock(score, plan)), language)
    told = [
        *(s.text for level in LEVELS for p in tell(score, reading, level, language) for s in p.sentences),
        *(f"{a.what}. {a.why}" for level in LEVELS for a in tell_plan(score, plan, level, language)),
        *(t for s in stops for t in (s.title, s.play, s.question, s.answer, *s.say.values())),
        *(t for e in found for t in (e.prompt(score, language), e.answer(score, language))),
        *(c.text for c in talk),
        *(line.split(";")[2] for line in cues.cue_sheet(talk, language).splitlines()),
        cues.cue_sheet(talk, language).splitlines()[0],
        cards_csv(flash_cards(score, found, stops, (), language), language),
        *(explain_span(score, s, language) for s in reading.spans),
        *(event_name(e, language) for e in reading.events if any(e in k for k in kinds() if k.lane)),
        *re.findall(r"<words>([^<]*)</words>", annotated_musicxml(score, reading, False, language).decode()),
    ]
    own = re.compile("|".join({re.escape(score.title), re.escape(score.composer)}))
    assert len(told) > 300
    assert {word for text in told for word in english_in(own.sub("", text))} == set()


def test_french_high_signs_stand_after_a_space_that_does_not_break() -> None:
    """A no-break space before ; : ! ? and inside « » (Lexique des règles typographiques en usage à
    l'Imprimerie nationale, on punctuation; from memory)."""
    told = [
        CHOICE.sub(r"\5", part)
        for path, text in texts(own_tables("fr"))
        if path[0] not in ("checking", "grammar")
        for part in (text.values() if isinstance(text, dict) else text if isinstance(text, list) else [text])
        if isinstance(part, str)
    ]
    assert sum(";" in text for text in told) > 200
    assert not [text for text in told if re.search(r" [;:!?»]|«[^\u00a0\u202f]|[\w})’][;!?»]", text)]


def test_a_french_sentence_begins_with_a_capital() -> None:
    score, reading = example("lock-water")
    for level in LEVELS:
        for paragraph in tell(score, reading, level, "fr"):
            for sentence in paragraph.sentences:
                for begin in re.findall(r"(?:^|[.?!] )([a-zéèêà])\w*", sentence.text):
                    raise AssertionError((begin, sentence.text))


def test_french_contracts_and_elides() -> None:
    score, _ = example("lock-water")
    book = phrasebook("fr")
    at: dict[str, Detail] = {"t": Fraction(0), "x": "octave", "y": "le relatif"}
    assert fill("Ré vient de {x}.", at, score, book) == "Ré vient d’octave."
    assert fill("Le retour de {y}, à {y}.", at, score, book) == "Le retour du relatif, au relatif."
    assert fill("La musique de {t:bar} jusqu’à {t:bar}.", at, score, book) == (
        "La musique de la mesure 1 jusqu’à la mesure 1."
    )
    assert fill("{p:octave} reste.", {"p": Pitch.parse("F#4")}, score, book) == "Fa dièse 3 reste."


def test_no_chord_is_written_like_a_key() -> None:
    """A sentence that begins "A major chord" names A major, to the eye and to the checks of a lesson."""
    told = [text for path, text in texts(own_tables("en")) if path[0] == "told" and isinstance(text, str)]
    assert len(told) > 400
    assert not [text for text in told if re.match(r"A (?:major|minor)\b", text)]
