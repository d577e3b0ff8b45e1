"""The handout: a PDF in either language and at every level, with a glossary of what it uses."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from understave.harmony import read
from understave.harmony.reading import Reading
from understave.lesson import handout, story
from understave.score.model import Score
from understave.score.reader import read_score
from understave.wording import phrasebook, tell

ROOT = Path(__file__).parents[2]


@cache
def example() -> tuple[Score, Reading]:
    score = read_score(ROOT / "examples" / "lock-water" / "score.musicxml")
    return score, read(score)


@pytest.mark.parametrize(("level", "language"), [("beginner", "en"), ("advanced", "de")])
def test_it_is_a_pdf_and_tells_its_steps(level, language):
    steps: list[str] = []
    pdf = handout.handout_pdf(*example(), "score.musicxml", "a4", steps.append, level, language)
    assert pdf.startswith(b"%PDF")
    assert len(pdf) > 20_000
    # The same lesson made another day is the same file.
    assert b"CreationDate" not in pdf
    assert steps[-1] == "handout: setting the pages"


def test_new_terms_are_marked_once():
    book = phrasebook("en")
    passages = [handout._passage(p, book) for p in tell(*example(), "intermediate", "en")]
    text = " ".join(s["text"] for p in passages for s in p["sentences"])
    marked = [m.split("›")[0].lower() for m in text.split("‹")[1:]]
    assert len(marked) == len(set(marked)) > 5
    plain = [s.text for p in tell(*example(), "intermediate", "en") for s in p.sentences]
    assert text.replace("‹", "").replace("›", "") == " ".join(plain)


def test_the_glossary_holds_the_terms_used_and_those_of_their_meanings():
    book = phrasebook("en")
    found = [g.term for g in story.glossary(["A half cadence in F minor."], book)]
    assert "half cadence" in found
    # "a phrase that stops on the dominant" asks for two terms more, and the dominant for the tonic.
    assert {"phrase", "dominant", "tonic"} <= set(found)
    assert "Neapolitan sixth" not in found
    assert found == sorted(found, key=str.casefold)


def test_umlauts_are_sorted_among_their_letters():
    terms = ("Tonika", "übermäßiger Sextakkord", "Umspielung", "Vorhalt")
    assert sorted(terms, key=story._alphabetical) == [terms[0], terms[1], terms[2], terms[3]]


def test_numerals_are_set_with_stacked_figures():
    table = handout._numerals({"text": "From ⟨V65/V⟩ to ⟨viio7⟩."})
    assert table["⟨V65/V⟩"]["figures"] == ("6", "5")
    assert table["⟨V65/V⟩"]["head"] == "V"
    assert table["⟨V65/V⟩"]["target"] == "/V"
    assert table["⟨viio7⟩"]["head"] == "vii°"


@pytest.mark.parametrize(
    ("key", "language", "short"),
    [("Ab", "en", "A♭"), ("f#", "en", "f♯"), ("Bb", "de", "B"), ("b", "de", "h"), ("eb", "de", "es")],
)
def test_short_names_of_keys(key, language, short):
    from understave.theory.key import Key

    assert story.short_key(Key.parse(key), language) == short
