"""Worked examples of printed instructions and pedal signs.

What the terms mean is in every dictionary of musical terms (from memory, M); what they ask of early and of
modern pianos is common practice, no source. Pedal change at the change of harmony: check value of the
pedagogy texts, common practice. The words of MusicXML 4.0 directions are its own.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from tests.findings.build import build, spans_of

from understave.findings.instructions import COMMON_PRACTICE, find_instructions
from understave.findings.printed_words import DICTIONARY, TERMS, plain, read_text
from understave.harmony.reading import Event
from understave.harmony.romantext import parse, read_analysis
from understave.score.model import Direction, Score
from understave.score.reader import read_score

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


def printed(*marks: tuple[str, str, int]) -> Score:
    directions = tuple(
        Direction(f"w{i}", kind, Fraction(at), None, 1, text) for i, (kind, text, at) in enumerate(marks)
    )
    return build("E5:4 | F5:4 | D5:4 | E5:4", "C3:4 | F3:4 | G3:4 | C3:4", directions=directions)


CHORDS = "C: I:4 IV:4 V:4 I:4"


def told(score: Score, kind: str = "instruction") -> list[Event]:
    return [e for e in find_instructions(score, spans_of(score, CHORDS)) if e.kind == kind]


class TestDictionary:
    def test_is_large_and_whole(self) -> None:
        assert len(DICTIONARY) >= 150
        assert {t.language for t in DICTIONARY.values()} == {"it", "fr", "de", "en"}
        assert sum(term.pianos_differ for term in DICTIONARY.values()) >= 15

    def test_no_form_stands_for_two_terms(self) -> None:
        forms = [plain(form) for term in DICTIONARY.values() for form in term.printed]
        doubled = {
            f
            for f in forms
            if len({TERMS[f]} | {t.id for t in DICTIONARY.values() if f in map(plain, t.printed)}) > 1
        }
        assert doubled == set()


@pytest.mark.parametrize(
    ("text", "terms", "unread"),
    [
        ("Andantino cullante quarter. = 50", ("andantino", "cullante"), ""),
        ("Allegro ma non troppo", ("allegro", "non-troppo"), ""),
        ("poco a poco cresc.", ("poco-a-poco", "crescendo"), ""),
        ("più cresc.", ("piu-crescendo",), ""),
        ("sempre più agitato", ("sempre", "piu", "agitato"), ""),
        ("Piu mosso (quarter = 96)", ("piu-mosso",), ""),
        ("Langsam und mit Ausdruck", ("langsam", "ausdrucksvoll"), ""),
        ("Nicht zu schnell", ("nicht-zu", "schnell"), ""),
        ("Teneramente, non lento", ("teneramente", "non", "lento"), ""),
        ("Pas trop lent", ("pas", "lent"), ""),
        ("MÄSSIG", ("massig",), ""),
        ("Très lent, expressif", ("tres-lent", "expressif"), ""),
        ("En dehors", ("en-dehors",), ""),
        ("Slow and gentle", ("slow", "gently"), ""),
        ("p cantando", ("piano", "cantabile"), ""),
        ("senza sordini", ("senza-sordino",), ""),
        ("senza fretta", ("senza",), "fretta"),
        ("senza sord.", ("senza-sordino",), ""),
        ("con sord.", ("con-sordino",), ""),
        ("1/2 Ped.", ("mezzo-pedale",), ""),
        ("½ Ped.", ("mezzo-pedale",), ""),
        ("no Ped.", ("without-pedal",), ""),
        ("sans péd.", ("sans-pedale",), ""),
        ("sans sourdine", ("sans-sourdine",), ""),
        ("2 Ped.", ("due-pedali",), ""),
        ("sost. Ped.", ("sostenuto-pedal",), ""),
        ("mit Verschiebung", ("mit-verschiebung",), ""),
        ("Tempo I", ("tempo-primo",), ""),
        ("lo stesso suono, un altro nome", (), "lo stesso suono un altro nome"),
        ("Var. 3", (), "var 3"),
    ],
)
def test_reading(text: str, terms: tuple[str, ...], unread: str) -> None:
    assert read_text(text) == (terms, unread)


class TestEvents:
    def test_shift_lasts_until_it_is_lifted(self) -> None:
        first, second = told(printed(("words", "una corda", 4), ("words", "tre corde", 12)))
        assert (first.label, first.start, first.end) == ("soft pedal", 4, 12)
        assert (first.get("instrument"), first.get("source")) == ("una-corda", COMMON_PRACTICE)
        assert second.end == 16
        assert first.notes == ("v1n2",)

    def test_tempo_and_its_changes_end_each_other(self) -> None:
        events = told(printed(("tempo", "Lento", 0), ("words", "rit.", 8), ("words", "a tempo", 12)))
        assert [(e.label, e.start, e.end) for e in events] == [
            ("tempo", 0, 8),
            ("tempo change", 8, 12),
            ("tempo change", 12, 16),
        ]

    def test_loudest_and_softest(self) -> None:
        events = told(
            printed(("dynamic", "p", 0), ("dynamic", "ff", 4), ("dynamic", "pp", 8), ("dynamic", "ff", 12))
        )
        assert [e.get("extreme") for e in events] == [None, "loudest", "softest", None]
        assert [e.get("first") for e in events] == [1, 1, 1, None]

    def test_a_bare_tempo_says_nothing(self) -> None:
        assert told(printed(("tempo", "", 0))) == []

    def test_the_same_sign_in_both_staves_is_one(self) -> None:
        assert len(told(printed(("fermata", "fermata", 12), ("fermata", "fermata", 12)))) == 1

    @pytest.mark.parametrize(
        ("text", "told_as"),
        [("] sotto voce", "sotto voce"), ("dolce [", "dolce"), ("[sotto voce]", "[sotto voce]")],
    )
    def test_half_a_pair_of_brackets_is_no_word(self, text: str, told_as: str) -> None:
        (event,) = told(printed(("words", text, 0)))
        assert event.get("text") == told_as

    def test_unknown_words_are_told_as_text(self) -> None:
        (event,) = told(printed(("words", "like a lantern", 0)))
        assert (event.label, event.get("unread")) == ("text", "like a lantern")
        assert event.confidence < 0.5


class TestPedal:
    def test_changed_with_the_harmony(self) -> None:
        score = build(
            "E5:4 | F5:4 | D5:4 | E5:4",
            "C3:4 | F3:4 | G3:4 | C3:4",
            pedal=(("start", 0), ("change", 4), ("change", 8), ("change", 12), ("stop", 16)),
        )
        (event,) = told(score, "pedal mark")
        assert (event.label, event.get("marks"), event.get("at_changes")) == ("with the harmony", 4, 4)

    def test_held_through_a_change(self) -> None:
        score = build(
            "E5:4 | F5:4 | D5:4 | E5:4", "C3:4 | F3:4 | G3:4 | C3:4", pedal=(("start", 0), ("stop", 8))
        )
        (event,) = [e for e in told(score, "pedal mark") if e.label == "held through a change"]
        assert event.get("bass") == "moves"
        assert event.get("clashes") == 1  # E against F
        assert event.get("source") == COMMON_PRACTICE

    def test_held_over_a_bass_that_stays(self) -> None:
        score = build("E5:4 | F5:4 | D5:4 | E5:4", "C3:16", pedal=(("start", 0), ("stop", 8)))
        (event,) = [e for e in told(score, "pedal mark") if e.label == "held through a change"]
        assert event.get("bass") == "stays"

    def test_renewed_within_a_chord(self) -> None:
        score = build(
            "E5:4 | F5:4 | D5:4 | E5:4",
            "C3:4 | F3:4 | G3:4 | C3:4",
            pedal=(("start", 0), ("change", 2), ("stop", 4)),
        )
        (event,) = [e for e in told(score, "pedal mark") if e.label == "renewed within a chord"]
        assert (event.start, event.get("marks")) == (0, 1)

    def test_no_marks_no_events(self) -> None:
        assert told(printed(), "pedal mark") == []


def test_the_slow_study() -> None:
    """Its page: the printed pedal holds two bars each in 1 to 8, then changes with the harmony; one shift."""
    score = read_score(EXAMPLES / "lock-water" / "score.musicxml")
    text = (EXAMPLES / "lock-water" / "analysis.txt").read_text(encoding="utf-8")
    events = find_instructions(score, read_analysis(parse(text), score).spans)
    pedal, *held = [e for e in events if e.kind == "pedal mark"]
    assert pedal.label == "with the harmony"
    assert [(e.label, e.start, e.end) for e in held] == [
        ("held through a change", start, start + 6) for start in (0, 6, 12, 18)
    ]
    assert pedal.get("marks") == pedal.get("at_changes")
    shift = next(e for e in events if e.label == "soft pedal")
    assert (score.measure_at(shift.start).number, score.measure_at(shift.end).number) == ("29", "33")
    assert [e for e in events if e.get("unread")] == []


@pytest.mark.parametrize(
    "text",
    ["Sonate in F", "F. Hensel", "P. Anders", "J. F. Reichardt", "(F. Liszt)", "Op. 3 No. 2 in F",
     "Sonata in f",     "f-Moll", "Rondo f moll", "Prélude en f mineur", "F", "F minor"],
)  # fmt: skip
def test_a_letter_in_a_title_or_credit_is_no_dynamic(text):
    """Dynamics are printed in small letters, keys and initials are not: common practice, no source."""
    terms, unread = read_text(text)
    assert not {"forte", "piano"} & set(terms)
    assert unread == plain(text.translate(str.maketrans("()", "  ")))


@pytest.mark.parametrize(
    ("text", "terms"),
    [("f", ["forte"]), ("p dolce", ["piano", "dolce"]), ("subito p", ["subito", "piano"]), ("p.", ["piano"]),
     ("(f)", ["forte"]), ("f, p", ["forte", "piano"])],
)  # fmt: skip
def test_small_letters_are_dynamics(text, terms):
    assert [t for t in read_text(text)[0] if t in terms] == terms
