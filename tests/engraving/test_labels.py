"""Labels: figures stacked, signs raised, accidentals in music type, nothing missing from the fonts."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations

import pytest

from understave.engraving.annotations import annotate
from understave.engraving.geometry import Box
from understave.engraving.labels import (
    Label,
    Mark,
    figures_wording,
    key_wording,
    key_words,
    numeral_wording,
    symbol_wording,
    typeset_label,
)
from understave.engraving.lettering import Face, typeset
from understave.engraving.options import Options
from understave.harmony.reading import Reading, Span
from understave.theory.convention_choices import Conventions, following
from understave.theory.figured_bass import parse_figures
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral


def label(text: str, doubtful: bool = False, fixed: bool = False) -> Label:
    span = Span(Fraction(0), Fraction(1), Key.parse("C"), RomanNumeral.parse(text), 1.0, fixed=fixed)
    wording = numeral_wording(span, True, doubtful)
    return typeset_label(wording, typeset(wording.texts()))


def glyphs_of(text: str) -> dict[str, str]:
    """Names of the glyphs of single characters."""
    return {c: typeset([(c, Face())])[c, Face()].glyphs[0].glyph.name for c in text}


def heights(made: Label, character: str) -> list[float]:
    name = glyphs_of(character)[character]
    return [m.placed.y for m in made.marks if m.placed.glyph.name == name]


def test_two_figures_stand_above_each_other_at_the_right_of_the_numeral() -> None:
    made = label("V65")
    names = glyphs_of("V65")
    place = {c: next(m.placed for m in made.marks if m.placed.glyph.name == n) for c, n in names.items()}
    assert place["6"].y > place["5"].y
    assert place["6"].x == pytest.approx(place["5"].x, abs=60)
    assert place["6"].x > place["V"].x + place["V"].glyph.box.x1 - 60
    assert place["5"].y < 0 < place["6"].y
    assert place["6"].scale == place["5"].scale < place["V"].scale


def ink_of(mark: Mark) -> Box:
    p, b = mark.placed, mark.placed.glyph.box
    return Box(b.x0, b.y0, b.x1, b.y1).transformed((p.scale, 0, 0, p.scale, p.x, p.y))


@pytest.mark.parametrize(
    "text", ["V65[b9]", "ii65[no5]", "V[add4][add6]", "V9[b5]", "V7[b9][no5]", "viiø43/V", "V42/bVI", "Cad64"]
)
def test_nothing_in_a_label_overlaps(text: str) -> None:
    boxes = [ink_of(m) for m in label(text, doubtful=True).marks]
    assert len(boxes) > 2
    for a, b in combinations(boxes, 2):
        assert not a.grown(-8, -8).overlaps(b.grown(-8, -8))


def test_applied_chords_follow_after_the_figures() -> None:
    made = label("V65/V")
    names = glyphs_of("V5/")
    order = [c for m in made.marks for c, n in names.items() if m.placed.glyph.name == n]
    assert order == ["V", "5", "/", "V"]
    xs = [m.placed.x for m in made.marks if m.placed.glyph.name in names.values()]
    assert xs == sorted(xs)


def test_special_chords() -> None:
    for text, letters in (("It6", "It"), ("Fr43", "Fr"), ("Ger65", "Ger"), ("Cad64", "Cad"), ("N6", "N")):
        made = label(text)
        large = [m.placed.glyph.name for m in made.marks if m.placed.scale == 1]
        run = typeset([(letters, Face())])[letters, Face()]
        assert large == [p.glyph.name for p in run.glyphs]


def test_half_diminished_sign_is_raised() -> None:
    assert heights(label("viiø7"), "ø")[0] > 200


def test_accidentals_are_those_of_the_music_font() -> None:
    for text, sign in (("bII6", "tE260"), ("#viio7", "tE262"), ("V42/bVI", "tE260")):
        assert sign in {m.placed.glyph.name for m in label(text).marks}


def test_doubt_and_the_teachers_word_are_marked_without_colour() -> None:
    plain, doubtful, fixed = label("V7"), label("V7", doubtful=True), label("V7", fixed=True)
    assert len(doubtful.marks) == len(plain.marks) + 1
    assert "uncertain" in doubtful.words
    assert fixed.underlined
    assert not plain.underlined
    assert fixed.box.y0 < plain.box.y0
    assert "set by the teacher" in fixed.words


@pytest.mark.parametrize(
    ("key", "language", "words"),
    [
        ("f", "en", "F minor"),
        ("Db", "en", "D♭ major"),
        ("g#", "en", "G♯ minor"),
        ("Bb", "de", "B-Dur"),
        ("b", "de", "h-Moll"),
    ],
)
def test_key_names(key: str, language: str, words: str) -> None:
    assert key_words(Key.parse(key), language) == words  # type: ignore[arg-type]


def test_every_label_can_be_printed() -> None:
    """No numeral, key or chord symbol needs a character that the fonts lack."""
    qualities = ("", "6", "64", "7", "65", "43", "42", "9", "o7", "ø7", "+", "[add4]", "[no3]", "7[b9]")
    numerals = [
        RomanNumeral.parse(f"{acc}{degree}{quality}")
        for acc in ("", "b", "#")
        for degree in ("I", "ii", "V", "vi", "VII")
        for quality in qualities
        if not (quality.startswith(("o", "ø")) and degree.isupper())
        and not (quality.startswith("+") and degree.islower())
    ]
    spans = [Span(Fraction(0), Fraction(1), Key.parse("C"), n, 1.0) for n in numerals]
    wordings = [numeral_wording(s, True, True) for s in spans]
    for fifths in range(-9, 12):
        for mode in ("major", "minor"):
            key = Key.from_signature(fifths, mode)  # type: ignore[arg-type]
            wordings += [
                key_wording(key, lang, again) for lang in ("en", "de", "fr") for again in (True, False)
            ]  # type: ignore[arg-type]
    wordings += [
        symbol_wording(s) for s in ("Bbb7/Db", "F##m7b5", "Cmaj7#5", "Gsus4", "Ebdim7", "A7b9", "C(add9)")
    ]
    runs = typeset(t for w in wordings for t in w.texts())
    assert all(run.complete for run in runs.values())
    for w in wordings:
        made = typeset_label(w, runs)
        assert not made.box.empty
        assert made.words


def test_chord_symbols_raise_what_follows_the_root() -> None:
    wording = symbol_wording("Bb7/D")
    made = typeset_label(wording, typeset(wording.texts()))
    assert "".join(t for t, _ in wording.texts()) == "B♭7/D"
    raised = [m for m in made.marks if m.placed.scale < 0.7]
    assert len(raised) == 1
    assert raised[0].placed.y > 0


@pytest.mark.parametrize(
    ("key", "numeral", "signature", "figures"),
    [
        # Abbreviations and signs over the bass: C. P. E. Bach, "Versuch", second part (from memory).
        ("C", "I6", 0, "6"), ("C", "V7", 0, "7"), ("C", "V65", 0, "65"), ("C", "V42", 0, "42"),
        ("C", "I", 0, ""),
        ("c", "V", -3, "♮"), ("c", "V7", -3, "7♮"), ("a", "V", 0, "♯"), ("c", "I64", -3, "♮64"),
        # In G minor under the signature of C: the signs are those that the page needs, not those of the key.
        ("g", "V", 0, "♯"), ("g", "i", 0, "♭"), ("G", "V6", 0, "6"), ("D", "V6", 0, "6"), ("D", "I", 0, "♯"),
    ],
)  # fmt: skip
def test_figured_bass_is_what_a_player_needs_in_the_printed_signature(
    key, numeral, signature, figures
) -> None:
    span = Span(Fraction(0), Fraction(4), Key.parse(key), RomanNumeral.parse(numeral), 1.0)
    asked = Reading((span,)), Options(), Fraction(0), Fraction(4), ((Fraction(0), signature),)
    assert annotate(*asked).figures == ()
    with following(Conventions(bass_figures="below")):
        made = annotate(*asked).figures
        # Where labels would give an answer away there are no figures either.
        hidden = annotate(asked[0], Options(numerals=False), *asked[2:]).figures
    assert "".join(entry.label.printed for entry in made) == figures
    assert hidden == ()


def test_figures_are_said_one_after_the_other() -> None:
    assert figures_wording(parse_figures("6/5")).words == "figured bass 6 5"
    assert figures_wording(parse_figures("7 n3"), "de").words == "bezifferter Bass 7 ♮"
