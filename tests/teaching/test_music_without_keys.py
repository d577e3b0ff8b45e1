"""What a lesson says of music that does not go by keys: roots and kinds of chords, and no key at all.

The demo stands for such music here: everything that speaks of keys is found in it.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from lxml import etree
from tests.once import EXAMPLES, make_plan, propose_stops, read, read_score

from understave.desk.values import span_row
from understave.engraving import Options
from understave.engraving.annotations import annotate
from understave.engraving.labels import numeral_wording
from understave.engraving.notation import to_mei
from understave.export.annotated import KEY, annotated_musicxml
from understave.export.annotated_mei import annotated_mei
from understave.findings.without_keys import without_keys
from understave.harmony.ground import goes_by_keys
from understave.harmony.reading import Correction, Reading, Span
from understave.teaching import story
from understave.teaching.exercises import WITHOUT_KEYS, exercises
from understave.teaching.homework import homework
from understave.teaching.narrative import narrate
from understave.theory.chord_symbol import chord_symbol
from understave.theory.convention_choices import STANDARD, Conventions, by_roots, following
from understave.theory.key import Key
from understave.theory.names import key_name
from understave.theory.roman import RomanNumeral
from understave.wording import SPOKEN, phrasebook
from understave.wording.chord_reasons import explain_span
from understave.wording.telling import key_sentence, tell

SONG = EXAMPLES / "chain-ferry" / "score.musicxml"


@pytest.fixture(scope="module")
def piece():
    score = read_score(SONG)
    reading = read(score)
    return score, replace(reading, events=tuple(without_keys(reading.events)))


@pytest.fixture
def roots():
    with following(STANDARD, roots=True):
        yield


def names_of_keys(reading, language="en"):
    """The names of keys, as no note is called."""
    return {key_name(span.key, language) for span in reading.spans}


def test_a_key_that_the_teacher_set_says_that_there_are_keys():
    spans = [
        Span(Fraction(4 * k), Fraction(4 * k + 4), Key.parse("CG"[k % 2]), RomanNumeral.parse("I"), 0.8)
        for k in range(30)
    ]
    here = ("2", Fraction(1), "3", Fraction(1))
    assert not goes_by_keys(spans)
    assert goes_by_keys(spans, [Correction(*here, Key.parse("C"), None)])
    # A chord is corrected in some key or other.
    assert not goes_by_keys(spans, [Correction(*here, Key.parse("C"), RomanNumeral.parse("V"))])


def test_labels_are_roots_and_kinds_but_for_what_the_teacher_set(roots):
    span = Span(Fraction(0), Fraction(4), Key.parse("d"), RomanNumeral.parse("V65"), 0.8)
    assert numeral_wording(span, True, False).printed == "A7/C♯"
    assert story.label(span, phrasebook("en")) == "A7/C#"
    fixed = replace(span, fixed=True)
    assert numeral_wording(fixed, True, False).printed == "V65"
    assert story.label(fixed, phrasebook("en")) == "⟨V65⟩ in D minor"


def test_no_key_stands_under_the_staves(piece, roots):
    score, reading = piece
    drawn = annotate(reading, Options(), Fraction(0), score.end)
    assert drawn.keys == ()
    with following(STANDARD):
        assert annotate(reading, Options(), Fraction(0), score.end).keys


@pytest.mark.parametrize("language", SPOKEN)
def test_nothing_that_is_told_names_a_key_or_a_numeral(piece, roots, language):
    score, reading = piece
    keys = names_of_keys(reading, language)
    book = phrasebook(language)
    texts = [chapter.text for chapter in narrate(score, reading, "five", "intermediate", language)]
    texts += [t.text for t in tell(score, reading, "intermediate", language)]
    assert len(texts) > 4
    assert key_sentence(score, reading, book) == book.phrases["hardly_keys"]
    told = " ".join(texts).replace(book.phrases["hardly_keys"], "")
    assert not [key for key in keys if key in told]
    assert "⟨" not in told


@pytest.mark.parametrize("level", ["beginner", "advanced"])
def test_exercises_and_homework_ask_for_roots_and_kinds(piece, roots, level):
    score, reading = piece
    found = exercises(score, reading, level)
    assert {e.kind for e in found} <= set(WITHOUT_KEYS)
    assert {"name the chord", "find the foreign note"} <= {e.kind for e in found}
    tasks = homework(score, reading, found, (), level)
    texts = [t for e in found for t in (e.prompt(score), e.answer(score), *e.choice_words(score))]
    texts += [t for task in tasks for t in (task.prompt, task.reason, *task.choices)]
    assert tasks
    assert not [t for t in texts if "⟨" in t or any(key in t for key in names_of_keys(reading))]
    assert not [task for task in tasks if task.sign == "numeral"]


def test_stops_name_no_key(piece, roots):
    score, reading = piece
    stops = propose_stops(score, reading, make_plan(score, reading))
    texts = [t for s in stops for t in (s.title, s.question, s.answer, *s.say.values())]
    assert texts
    assert not [t for t in texts if "⟨" in t or any(key in t for key in names_of_keys(reading))]


def test_they_are_in_force_only_within():
    assert not by_roots()
    with following(STANDARD, roots=True):
        assert by_roots()
        with following(STANDARD):
            assert not by_roots()
        assert by_roots()
    assert not by_roots()


def test_the_annotated_score_has_chord_symbols_and_what_the_teacher_set(piece, roots):
    """MusicXML 4.0 has `<root>` and `<numeral>` as either or; MEI's `<harm>` holds any label (Guidelines)."""
    score, reading = piece
    first, second = reading.spans[0], replace(reading.spans[1], fixed=True)
    written = etree.fromstring(annotated_musicxml(score, Reading((first, second))))
    harmonies = written.findall(".//harmony")
    assert [h.find("root") is not None for h in harmonies] == [True, False]
    assert [h.find("numeral") is not None for h in harmonies] == [False, True]
    assert harmonies[0].findtext("root/root-step") == first.numeral.chord(first.key).root.letter
    keys = [d.get("id") for d in written.iter("direction") if (d.get("id") or "").startswith(KEY)]
    assert len(keys) == 1
    mei = etree.fromstring(annotated_mei(score, Reading((first, second))))
    texts = [(h.get("type"), h.text) for h in mei.iter("{*}harm")]
    symbol = chord_symbol(first.numeral.chord(first.key))
    assert texts == [("chord-symbol", symbol), ("roman-numeral", str(second.numeral))]
    assert (
        len(list(mei.iter("{*}dir"))) - len(list(etree.fromstring(to_mei(score.source)).iter("{*}dir"))) == 1
    )


def test_the_desk_names_chords_by_root_and_kind(piece, roots):
    score, reading = piece
    span = next(s for s in reading.spans if s.numeral.chord(s.key).root != s.key.tonic)
    row = span_row(score, span)
    assert row["parts"] == {"head": chord_symbol(span.numeral.chord(span.key)), "figures": [], "target": ""}
    assert row["keyName"] == ""
    # What can be chosen instead is a numeral in a key, as the teacher would set it.
    assert all(other["keyName"] for other in row["others"])
    assert span_row(score, replace(span, fixed=True))["keyName"] == key_name(span.key)
    for language in SPOKEN:
        said = explain_span(score, span, language)
        assert key_name(span.key, language) not in said.split(".")[0]


def test_syllables_of_chords_follow_the_language(roots):
    """French solfège writes "ré" (common practice, no source); English fixed do "Re"."""
    span = Span(Fraction(0), Fraction(4), Key.parse("D"), RomanNumeral.parse("I"), 0.9)
    with following(Conventions(letters="syllables"), roots=True):
        words = {lang: numeral_wording(span, False, False, lang).words for lang in ("en", "fr")}
    assert words == {"en": "Re", "fr": "Ré"}
