import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from understave.theory.chord import Chord, Quality
from understave.theory.key import Key, all_keys
from understave.theory.numeral_words import chord_tone_words, numeral_explanation
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral

parse = RomanNumeral.parse
C, c = Key.parse("C"), Key.parse("c")

TRIADS = ("", "6", "64")
SEVENTHS = ("7", "65", "43", "42")
NINTHS = ("9", "65[add9]", "43[add9]", "42[add9]", "7642")
CAPITALS = ("I", "II", "III", "IV", "V", "VI", "VII")


def every_plain_numeral():
    """Every degree with every accidental, quality and inversion that is written with figures alone."""
    for accidental, capital in itertools.product(("", "b", "#"), CAPITALS):
        small = accidental + capital.lower()
        capital = accidental + capital
        for figures in TRIADS:
            yield from (head + figures for head in (capital, small, small + "o", capital + "+"))
        for figures in SEVENTHS:
            heads = (capital, small, small + "o", small + "ø", capital + "+", capital + "maj", small + "maj")
            yield from (head + figures for head in (*heads, capital + "+maj", small + "omaj"))
            yield f"{capital}{figures}[b7]"
        for figures in NINTHS:
            heads = (capital, small, small + "ø", small + "o", capital + "+", capital + "maj", small + "maj")
            yield from (head + figures for head in heads)
        for figures in SEVENTHS[1:]:
            yield from (f"{capital}{figures}M9", f"{capital}{figures}b9")
        yield from (f"{capital}M9", f"{capital}b9", f"{small}b9", f"{small}øM9", f"{small}øb9")
        for figures in (
            "54",
            "6[sus4]",
            "64[sus4]",
            "[sus2]",
            "6[sus2]",
            "74",
            "65[sus4]",
            "43[sus4]",
            "42[sus4]",
        ):
            yield from (capital + figures, small + figures)


SPECIAL = [
    "It6",
    "It53",
    "It64",
    "Fr7",
    "Fr65",
    "Fr43",
    "Fr42",
    "Ger7",
    "Ger65",
    "Ger43",
    "Ger42",
    "N",
    "N6",
    "N64",
    "Nmaj7",
    "Nmaj65",
    "Cad64",
]
TARGETS = [
    "I",
    "i",
    "II",
    "ii",
    "III",
    "iii",
    "IV",
    "iv",
    "V",
    "v",
    "VI",
    "vi",
    "VII",
    "vii",
    "viio",
    "iio",
    "bII",
    "bIII",
    "bVI",
    "bVII",
    "N",
    "#iv",
    "V/V",
    "V/ii",
    "viio/v",
]
PLAIN = tuple(every_plain_numeral())
APPLIED = tuple(
    f"{head}/{target}" for target in TARGETS for head in ["V", "V65", "viio7", "viiø43", "Ger65", "I6", "iv"]
)
EVERYTHING = (*PLAIN, *SPECIAL, *APPLIED, "V7[no5]", "I[add6]", "V43[b5]", "ii65[add4][no3]", "V7[b5][add13]")


def test_every_numeral_reads_back_its_own_text():
    assert len(EVERYTHING) > 1500
    for text in EVERYTHING:
        n = parse(text)
        assert parse(str(n)) == n, text


@pytest.mark.parametrize("key", all_keys(), ids=str)
def test_every_numeral_is_found_again_from_its_chord(key):
    """Its chord and key give numerals of exactly that chord, the numeral itself or a synonym."""
    for text in EVERYTHING:
        n = parse(text)
        chord = n.chord(key)
        found = RomanNumeral.of(chord, key)
        for other in found:
            again = other.chord(key)
            assert again.members == chord.members or set(again.members) == set(chord.members), (text, other)
            assert again.bass == chord.bass, (text, other)
        assert found[0].chord(key).root == chord.root, text
        assert all(parse(str(other)) == other for other in found), text


@pytest.mark.parametrize("key", [C, c, Key.parse("F#"), Key.parse("ab")], ids=str)
def test_every_chord_has_a_numeral_in_every_key(key):
    for at, quality in itertools.product(range(-9, 10), Quality):
        for inversion in range(len(quality.fifths)):
            chord = Chord(key.tonic.shift(at), quality, inversion)
            first = RomanNumeral.of(chord, key)[0]
            again = first.chord(key)
            assert set(again.members) == set(chord.members), (chord.name, first)
            if inversion > 4:
                continue  # an eleventh or thirteenth in the bass has no figures
            assert again.bass == chord.bass, (chord.name, first)
            assert parse(str(first)) == first


@given(st.sampled_from(EVERYTHING), st.integers(-8, 8), st.sampled_from(["major", "minor"]))
def test_a_numeral_sounds_the_same_in_every_key_of_a_mode(text, fifths, mode):
    n = parse(text)
    home = Key(PitchClass("C"), mode)
    there = Key(PitchClass("C").shift(fifths), mode)
    moved = n.chord(home).transpose(fifths)
    assert n.chord(there) == moved
    assert n.root(there) == n.root(home).shift(fifths)
    assert RomanNumeral.of(moved, there) == RomanNumeral.of(n.chord(home), home)


# The spellings that published RomanText analyses use for the same chord (When in Rome, Gotham et al.,
# TISMIR 2023; Tymoczko et al., ISMIR 2019).
@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("V6/5", "V65"),
        ("V4/3/V", "V43/V"),
        ("V2", "V42"),
        ("V4/2", "V42"),
        ("V642", "V42"),
        ("V6/4/2", "V42"),
        ("V53", "V"),
        ("i5", "i"),
        ("V3", "V"),
        ("IV63", "IV6"),
        ("viio63", "viio6"),
        ("ii/o6/5", "iiø65"),
        ("vii/o7/V", "viiø7/V"),
        ("viiø6", "viio6"),
        ("vii°7", "viio7"),
        ("viiº", "viio"),
        ("iiØ65", "iiø65"),
        ("♭VI", "bVI"),
        ("-VI", "bVI"),
        ("♯ivo7", "#ivo7"),
        ("Ger", "Ger65"),
        ("Fr", "Fr43"),
        ("It", "It6"),
        ("Ger6", "Ger65"),
        ("Fr6", "Fr43"),
        ("Cad", "Cad64"),
        ("V7b9", "Vb9"),
        ("V9[b9]", "Vb9"),
        ("V97", "V9"),
        ("V7[add9]", "V9"),
        ("V765", "V65[add9]"),
        ("V6543", "V43[add9]"),
        ("V6432", "V42[add9]"),
        ("V7M9", "VM9"),
        ("IVM7", "IVmaj7"),
        ("IVb7", "IV7[b7]"),
        ("i65[#7]", "imaj65"),
        ("ib7", "i7"),
        ("ib3", "i"),
        ("I6+", "I+6"),
        ("V4", "V54"),
        ("V[sus4]", "V54"),
        ("V7[sus4]", "V74"),
        ("Vd", "V42"),
        ("V[no3no5]", "V[no5][no3]"),
        (" V7 ", "V7"),
    ],
)
def test_other_spellings_of_the_same_numeral(one, other):
    assert parse(one) == parse(other)


@pytest.mark.parametrize(
    "text",
    [
        *("", "H", "IIV", "VIII", "iIi", "V/", "/V", "V//V", "V7/V7", "V/Ger", "V/V6", "Ger9", "Cad6", "bN6"),
        *("V[foo]", "V[3]", "V9[sus4]", "V[sus3]", "V7]", "It42", "V0", "NC", "V-7-", "Io7x", "oVII", "V 7"),
        "ii/bIII[iv]",
    ],
)
def test_what_is_no_numeral_is_refused_with_a_sentence(text):
    with pytest.raises(ValueError, match=r"Roman numeral.*\.$"):
        parse(text)


def names(text, key):
    return " ".join(p.name for p in parse(text).chord(Key.parse(key)).members)


# The minor key's sixth and seventh degree in RomanText (When in Rome, syntax guide: in A minor vii is on
# G sharp and VII on G).
@pytest.mark.parametrize(
    ("numeral", "members"),
    [
        ("VI", "F A C"),
        ("vi", "F# A C#"),
        ("vio", "F# A C"),
        ("viø7", "F# A C E"),
        ("VI7", "F A C E"),
        ("VII", "G B D"),
        ("VII7", "G B D F"),
        ("vii", "G# B D#"),
        ("viio", "G# B D"),
        ("viio7", "G# B D F"),
        ("viiø7", "G# B D F#"),
        ("bVI", "F A C"),
        ("#viø7", "F# A C E"),
        ("bVII", "G B D"),
        ("bvii", "G Bb D"),
        ("#viio", "G# B D"),
        ("bbVII", "Gb Bb Db"),
        ("V", "E G# B"),
        ("v", "E G B"),
        ("III+", "C E G#"),
        ("IV7", "D F# A C"),
        ("iv7", "D F A C"),
        ("I7", "A C# E G"),
        ("V9", "E G# B D F"),
        ("VM9", "E G# B D F#"),
        ("iiø7", "B D F A"),
        ("V/VI", "C E G"),
        ("V/vi", "C# E# G#"),
        ("V7/VII", "D F# A C"),
        ("bII", "Bb D F"),
    ],
)
def test_numerals_in_a_minor(numeral, members):
    assert names(numeral, "a") == members


@pytest.mark.parametrize(
    ("numeral", "members"),
    [
        ("IV7", "F A C E"),
        ("I7", "C E G B"),
        ("II7", "D F# A C"),
        ("bVI", "Ab C Eb"),
        ("bVI7", "Ab C Eb G"),
        ("bVII", "Bb D F"),
        ("iv7", "F Ab C Eb"),
        ("iiø7", "D F Ab C"),
        ("V9", "G B D F A"),
        ("Vb9", "G B D F Ab"),
        ("iii9", "E G B D F"),
        ("#ivo7", "F# A C Eb"),
        ("V+7", "G B D# F"),
        ("Imaj7", "C E G B"),
        ("imaj7", "C Eb G B"),
        ("IVb7", "F A C Eb"),
        ("I[add6]", "C E G A"),
        ("V7[no5]", "G B F"),
        ("V7[b5]", "G B Db F"),
        ("V[add#4]", "G B D C#"),
        ("V54", "G C D"),
        ("V74", "G C D F"),
    ],
)
def test_numerals_in_c_major(numeral, members):
    assert names(numeral, "C") == members


def test_the_quality_of_a_bare_seventh_is_the_keys():
    n = parse("IV7")
    assert n.by_key
    assert n.chord(C).quality is Quality.MAJOR7
    assert n.chord(c).quality is Quality.DOMINANT7
    assert not parse("V7").by_key
    assert RomanNumeral.of(n.chord(c), c)[0] == n
    assert RomanNumeral.of(n.chord(C), C)[0] == n


def test_bracketed_notes_make_the_chord_they_sound():
    assert parse("V7[b5]").chord(C).quality is Quality.DOMINANT7_FLAT5
    assert parse("I[add6]").chord(C).quality is Quality.MAJOR6
    assert parse("V9[add11]").chord(C).quality is Quality.DOMINANT11
    bent = parse("bII42[#7]").chord(Key.parse("a"))
    assert (bent.bass.name, {p.name for p in bent.members}) == ("A#", {"Bb", "D", "F", "A#"})


@pytest.mark.parametrize(
    ("numeral", "key", "local"),
    [
        ("V7/V", "C", "G"),
        ("V7/ii", "C", "d"),
        ("viio7/V/V", "C", "D"),
        ("V/VI", "a", "F"),
        ("V/vi", "C", "a"),
        ("V/bVI", "C", "Ab"),
        ("V7/N", "C", "Db"),
        ("V/iii", "Eb", "g"),
        ("V/vii", "a", "g#"),
        ("V/VII", "a", "G"),
        ("V/V/ii", "C", "A"),
        ("V7", "f#", "f#"),
        ("viio7/iio", "C", "d"),
    ],
)
def test_the_tonicised_key(numeral, key, local):
    assert parse(numeral).local_key(Key.parse(key)) == Key.parse(local)


# Preference for the usual name, as in handbook chapters on secondary chords, mixture, the Neapolitan and
# augmented sixths (Hutchinson, Music Theory for the 21st-Century Classroom, chapters 17 to 21).
@pytest.mark.parametrize(
    ("symbol", "key", "numeral"),
    [
        ("D F# A C", "C", "V7/V"),
        ("F# A C Eb", "C", "viio7/V"),
        ("F# A C E", "C", "viiø7/V"),
        ("C E G Bb", "C", "V7/IV"),
        ("A C# E", "C", "V/ii"),
        ("E G# B", "C", "V/vi"),
        ("F Ab C", "C", "iv"),
        ("Ab C Eb", "C", "bVI"),
        ("Eb G Bb", "C", "bIII"),
        ("D F Ab C", "C", "iiø7"),
        ("B D F Ab", "C", "viio7"),
        ("Db F Ab", "C", "bII"),
        ("Ab C F#", "C", "It6"),
        ("Ab C D F#", "c", "Fr43"),
        ("Ab C Eb F#", "c", "Ger65"),
        ("C E G", "c", "I"),
        ("Bb D F Ab", "c", "V7/III"),
        ("Eb G Bb", "c", "III"),
        ("C E G Bb", "c", "V7/iv"),
        ("Eb G B", "c", "III+"),
    ],
)
def test_the_usual_name_comes_first(symbol, key, numeral):
    chord = Chord.from_pitch_classes(PitchClass.parse(p) for p in symbol.split())[0]
    key = Key.parse(key)
    assert RomanNumeral.of(chord, key)[0].text == numeral


def test_the_first_inversion_of_the_lowered_second_degree_is_neapolitan():
    chord = Chord(PitchClass("D", -1), Quality.MAJOR, 1)
    assert [str(n) for n in RomanNumeral.of(chord, C)] == ["N6", "bII6"]


def test_the_tonic_six_four_is_offered_as_cadential():
    assert [str(n) for n in RomanNumeral.of(Chord(PitchClass("C"), Quality.MINOR, 2), c)] == ["i64", "Cad64"]
    assert "Cad64" not in [str(n) for n in RomanNumeral.of(Chord(PitchClass("C"), Quality.MINOR, 2), C)]


@pytest.mark.parametrize(
    ("root", "key", "text"), [("C", "c", "i54"), ("F", "c", "iv54"), ("G", "c", "V54"), ("A", "C", "vi54")]
)
def test_a_suspension_is_printed_like_the_triad_it_gives_way_to(root, key, text):
    chord = Chord(PitchClass(root), Quality.SUS4)
    assert str(RomanNumeral.of(chord, Key.parse(key))[0]) == text


def test_enharmonic_names_are_offered_when_asked_for():
    flat_six_seventh = Chord(PitchClass("A", -1), Quality.DOMINANT7)
    plain = [str(n) for n in RomanNumeral.of(flat_six_seventh, C)]
    with_others = [str(n) for n in RomanNumeral.of(flat_six_seventh, C, enharmonic=True)]
    assert "Ger65" not in plain
    assert "Ger65" in with_others
    assert with_others[: len(plain)] == plain
    misspelled = Chord(PitchClass("D", 1), Quality.DIMINISHED7)
    bassless = {str(n) for n in RomanNumeral.of(misspelled, C, enharmonic=True)}
    assert "viio42/V" in bassless


@pytest.mark.parametrize(
    ("text", "head", "figures", "target"),
    [
        ("V65/V", "V", ("6", "5"), "/V"),
        ("viio7", "vii°", ("7",), ""),
        ("iiø43", "iiø", ("4", "3"), ""),
        ("bII6", "♭II", ("6",), ""),
        ("#ivo7", "♯iv°", ("7",), ""),
        ("Ger", "Ger", ("6", "5"), ""),
        ("Fr", "Fr", ("4", "3"), ""),
        ("It", "It", ("6",), ""),
        ("N6", "N", ("6",), ""),
        ("Cad64", "Cad", ("6", "4"), ""),
        ("I64", "I", ("6", "4"), ""),
        ("III+6", "III+", ("6",), ""),
        ("V9", "V", ("9",), ""),
        ("V65[add9]", "V", ("7", "6", "5"), ""),
        ("Vb9", "V", ("♭9",), ""),
        ("IVmaj7", "IV", ("maj7",), ""),
        ("IVb7", "IV", ("♭7",), ""),
        ("IV65[b7]", "IV", ("6", "♭5"), ""),
        ("V54", "V", ("5", "4"), ""),
        ("V7[no5]", "V", ("7", "no5"), ""),
        ("V43[b5]", "V", ("4", "3", "♭5"), ""),
        ("V7/bVI", "V", ("7",), "/♭VI"),
        ("viio7/V/V", "vii°", ("7",), "/V/V"),
        ("I", "I", (), ""),
    ],
)
def test_what_the_page_shows(text, head, figures, target):
    n = parse(text)
    assert (n.head, n.figures, n.target) == (head, figures, target)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("V65/V", "the dominant seventh of the dominant, in first inversion"),
        ("viio7/V/V", "the diminished seventh on the leading tone of the dominant of the dominant"),
        ("Ger65", "the German augmented sixth"),
        ("It6/V", "the Italian augmented sixth of the dominant"),
        ("Ger43", "the German augmented sixth, in second inversion"),
        ("N6", "the Neapolitan sixth"),
        ("Cad64", "the cadential six-four"),
        ("i6", "the minor tonic triad, in first inversion"),
        ("V9", "the dominant ninth"),
        ("IV7", "the seventh chord on the subdominant"),
        ("VII", "the major triad on the subtonic"),
        ("bVI", "the major lowered submediant triad"),
        ("viio6", "the leading-tone triad, in first inversion"),
        ("V7[no5]", "the dominant seventh, without its fifth"),
        ("I[add6]", "the major tonic triad, with an added sixth"),
        ("I/bVI", "the major tonic triad in the key of the lowered submediant"),
        ("V74", "the dominant seventh with a suspended fourth"),
    ],
)
def test_plain_words(text, words):
    assert parse(text).words == words


def test_every_numeral_has_words_and_a_label():
    for text in EVERYTHING:
        n = parse(text)
        assert n.words.startswith("the ")
        assert n.head
        assert all(n.figures)


def test_words_with_the_notes():
    assert numeral_explanation(parse("V65/V"), Key.parse("eb")) == (
        "the dominant seventh of the dominant, in first inversion, in E flat minor: "
        "F A C E-flat, A in the bass"
    )
    assert chord_tone_words(parse("V9"), C, PitchClass("A")) == "the ninth"
    assert chord_tone_words(parse("V9"), C, PitchClass("C")) == ""
    assert chord_tone_words(parse("I[add4]"), C, PitchClass("F")) == "an added note"


def test_impossible_values_are_refused():
    with pytest.raises(ValueError, match="degree from 1 to 7"):
        RomanNumeral(8, Quality.MAJOR)
    with pytest.raises(ValueError, match="no inversion"):
        parse("I").with_inversion(3)
