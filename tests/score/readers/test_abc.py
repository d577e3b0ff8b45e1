"""ABC reading against "The abc music standard 2.1" (abcnotation, December 2011); section numbers are its."""

from __future__ import annotations

from fractions import Fraction

import pytest

from understave.errors import UnderstaveError
from understave.score.model import Score
from understave.score.readers.abc import read_abc
from understave.score.readers.abc_fields import fraction_of, key_of, meter_of, staves_of, tempo_of, text_of


def tune(music: str, key: str = "C", *, meter: str = "4/4", unit: str = "1/8", head: str = "") -> Score:
    text = f"X:1\nT:Test\n{head}M:{meter}\nL:{unit}\nK:{key}\n{music}\n"
    return read_abc(text.encode(), "test.abc")


def names(score: Score) -> list[str]:
    return [n.pitch.name for n in score.notes]


def durations(score: Score) -> list[Fraction]:
    return [n.duration for n in score.notes]


def test_pitch_letters_and_octave_marks() -> None:
    # Section 4.1: C is middle C, c an octave above; commas and apostrophes move by octaves.
    assert names(tune("C,, C, C c c' c,' ^F __b =e ^^g")) == [
        "C2", "C3", "C4", "C5", "C6", "C5", "F#4", "Bbb5", "E5", "G##5"
    ]  # fmt: skip


def test_note_lengths() -> None:
    # Section 4.3: multiples and fractions of the unit note length.
    assert durations(tune("c2 c/2 c/ c// c3/2 c/4 c3 c", unit="1/4")) == [
        2, Fraction(1, 2), Fraction(1, 2), Fraction(1, 4), Fraction(3, 2), Fraction(1, 4), 3, 1
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("meter", "unit"), [("2/4", "1/16"), ("3/4", "1/8"), ("6/8", "1/8"), ("C", "1/8"), ("none", "1/8")]
)
def test_default_unit_note_length(meter: str, unit: str) -> None:
    # Section 3.1.7: below 0.75 a sixteenth, otherwise an eighth.
    score = read_abc(f"X:1\nM:{meter}\nK:C\nc\n".encode(), "t.abc")
    assert score.notes[0].duration == 4 * Fraction(unit)


def test_broken_rhythm() -> None:
    # Section 4.4: a>b dots the first and halves the second; >> double-dots, >>> triple-dots.
    e = Fraction(1, 2)
    assert durations(tune("a>b c<d e>>f g<<<a")) == [
        e * 3 / 2, e / 2, e / 2, e * 3 / 2, e * 7 / 4, e / 4, e / 8, e * 15 / 8
    ]  # fmt: skip
    assert durations(tune("a>{g}b c2")) == [Fraction(3, 4), 0, Fraction(1, 4), 1]


@pytest.mark.parametrize(
    ("text", "meter", "length"),
    [
        ("(2ab", "6/8", Fraction(3, 4)), ("(3abc", "4/4", Fraction(1, 3)), ("(4abcd", "6/8", Fraction(3, 8)),
        ("(6abcabc", "4/4", Fraction(1, 6)), ("(8abcabcab", "6/8", Fraction(3, 16)),
        ("(5abcde", "4/4", Fraction(1, 5)), ("(5abcde", "6/8", Fraction(3, 10)),
        ("(7abcdefg", "9/8", Fraction(3, 14)),
        ("(5:4abcde", "4/4", Fraction(2, 5)), ("(3:2:4abcd", "4/4", Fraction(1, 3)),
        ("(3::2ab", "4/4", Fraction(1, 3)),
    ],
)  # fmt: skip
def test_tuplets(text: str, meter: str, length: Fraction) -> None:
    # Section 4.13 with its table of default values of q; compound meters are 6/8, 9/8, 12/8.
    score = tune(text + " c", meter=meter)
    assert set(durations(score)[:-1]) == {length}
    assert durations(score)[-1] == Fraction(1, 2), "the tuplet ends after its notes"


@pytest.mark.parametrize(
    ("text", "signature", "mode"),
    [
        ("C", 0, "major"), ("Am", 0, "minor"), ("G", 1, "major"), ("F#m", 3, "minor"), ("Bb", -2, "major"),
        ("D dorian", 0, "dorian"), ("EDor", 2, "dorian"), ("Amix", 2, "mixolydian"),
        ("F Lydian", 0, "lydian"),
        ("Ephr", 0, "phrygian"), ("B loc", 0, "locrian"), ("G ionian", 1, "major"), ("CAeolian", -3, "minor"),
        ("Ebminor", -6, "minor"), ("C#", 7, "major"), ("Cb major", -7, "major"),
        ("none", 0, None), ("HP", 2, None),
    ],
)  # fmt: skip
def test_keys_and_modes(text: str, signature: int, mode: str | None) -> None:
    # Section 3.1.14 and its table of keys and modes.
    key = key_of(text)
    assert key is not None
    assert (key.signature, key.mode) == (signature, mode)


def test_keys_with_accidentals_of_their_own() -> None:
    # Section 3.1.14: "K:D Phr ^f" is D Phrygian with F sharp; "exp" takes nothing but what follows.
    assert names(tune("d e f b", "D Phr ^f")) == ["D5", "Eb5", "F#5", "Bb5"]
    assert names(tune("f b c e", "D exp _b ^f")) == ["F#5", "Bb5", "C5", "E5"]
    assert names(tune("f", "clef=bass")) == ["F5"]


def test_accidentals_hold_to_the_barline() -> None:
    assert names(tune("^f f =f f | f", "C")) == ["F#5", "F#5", "F5", "F5", "F5"]
    # Section 11.3: I:propagate-accidentals, by default for the pitch in all octaves.
    assert names(tune("^F f", "C")) == ["F#4", "F#5"]
    assert names(tune("^F F f", "C", head="I:propagate-accidentals octave\n")) == ["F#4", "F#4", "F5"]
    assert names(tune("^F F", "C", head="%%propagate-accidentals not\n")) == ["F#4", "F4"]
    tied = tune("^c8- | c4 c4")
    assert [(n.pitch.name, n.duration) for n in tied.notes] == [("C#5", 6), ("C5", 2)]


def test_chords_ties_and_unisons() -> None:
    # Section 4.17: lengths inside and outside multiply; the chord is as long as its first note.
    score = tune("[C2E2G2]3 [CE]/ [CEG]-|[CEG]4 z4")
    assert {n.duration for n in score.notes if n.onset == 0} == {3}
    assert {n.duration for n in score.notes if n.onset == 3} == {Fraction(1, 4)}
    assert {(n.onset, n.duration) for n in score.notes if n.onset > 3} == {(Fraction(13, 4), Fraction(5, 2))}
    inside = tune("[C-E]4 [CE]4")
    assert sorted((n.pitch.name, n.duration) for n in inside.notes) == [("C4", 4), ("E4", 2), ("E4", 2)]


def test_grace_notes_and_decorations() -> None:
    score = tune("{g}a {/fg}b .c ~d !trill!e Tf !fermata!g !p!a !3!b !mordent!c !uppermordent!d !accent!e")
    assert [n.pitch.name for n in score.notes if n.grace] == ["G5", "F5", "G5"]
    by_onset = {n.onset: n for n in score.notes if not n.grace}
    half = Fraction(1, 2)
    assert by_onset[2 * half].articulations == ("staccato",)
    assert by_onset[4 * half].ornaments == ("trill",)
    assert by_onset[5 * half].ornaments == ("trill",)
    assert by_onset[6 * half].fermata
    assert [(d.kind, d.text) for d in score.directions if d.onset == 7 * half] == [("dynamic", "p")]
    assert by_onset[8 * half].fingering == ("3",)
    assert by_onset[9 * half].ornaments == ("mordent",)
    assert by_onset[10 * half].ornaments == ("inverted-mordent",)
    assert by_onset[11 * half].articulations == ("accent",)


def test_slurs_hairpins_chord_symbols_and_annotations() -> None:
    score = tune('(c d) !<(!e f!<)! "Am7"g "^slower"a')
    assert score.notes[0].articulations == ("slur-start",)
    assert score.notes[1].articulations == ("slur-stop",)
    marks = {(d.kind, d.text, d.onset, d.end) for d in score.directions}
    assert ("chord-symbol", "Am7", 2, None) in marks
    assert ("words", "slower", Fraction(5, 2), None) in marks
    assert any(k == "wedge" and t == "crescendo" and o == 1 for k, t, o, _ in marks)


@pytest.mark.parametrize(
    ("music", "starts", "ends", "endings"),
    [
        ("|:c8|d8:|e8|", [0], [1], [(), (), ()]),
        ("|:c8|1d8:|2e8|]f8|", [0], [1], [(), (1,), (2,), ()]),
        ("c8::d8:|", [1], [0, 1], [(), ()]),
        ("|:c8|[1,3 d8:|[2 e8||f8|", [0], [1], [(), (1, 3), (2,), ()]),
        ("|:c8|[1-2 d8:|[3 e8|]", [0], [1], [(), (1, 2), (3,)]),
    ],
)
def test_repeats_and_endings(
    music: str, starts: list[int], ends: list[int], endings: list[tuple[int, ...]]
) -> None:
    # Sections 4.8 to 4.10.
    m = tune(music).measures
    assert [b.index for b in m if b.repeat_start] == starts
    assert [b.index for b in m if b.repeat_end] == ends
    assert [b.ending for b in m] == endings


def test_pickup_and_split_bars() -> None:
    score = tune("c2|c8|c4||c4|c6:|", meter="4/4")
    assert [(m.number, m.offset) for m in score.measures] == [
        ("0", 3),
        ("1", 0),
        ("2", 0),
        ("2", 2),
        ("3", 0),
    ]


def test_inline_fields_and_changes() -> None:
    score = tune("c4 c4|[M:3/4]c6|[K:G][L:1/4]f3|[M:C|]c4")
    assert [(m.beats, m.beat_type) for m in score.measures] == [(4, 4), (3, 4), (3, 4), (2, 2)]
    assert score.notes[3].pitch.name == "F#5"
    assert score.notes[3].duration == 3
    assert score.measures[2].signature == 1


def test_rests_of_bars_and_invisible_rests() -> None:
    score = tune("c8|Z2|x4 d4|")
    assert [(n.pitch.name, n.onset) for n in score.notes] == [("C5", 0), ("D5", 14)]
    assert len(score.measures) == 4


def test_voices_staves_and_overlays() -> None:
    music = "%%score (1 2) 3\nV:1 name=Air\nV:2\nV:3 clef=bass\n[V:1] c4 d4 & e8|\n[V:2] C8|\n[V:3] C,8|"
    score = read_abc(f"X:1\nM:4/4\nL:1/8\nK:C\n{music}\n".encode(), "t.abc")
    assert [(n.pitch.name, n.staff, n.onset) for n in score.notes] == [
        ("C3", 2, 0), ("C4", 1, 0), ("C5", 1, 0), ("E5", 1, 0), ("D5", 1, 2)
    ]  # fmt: skip
    assert len({n.voice for n in score.notes if n.staff == 1}) == 3
    assert staves_of("{(RH1 RH2) | LH} [S A]") == [[["RH1", "RH2"], ["LH"]], [["S"]], [["A"]]]


def test_transposed_voices_and_octave_clefs() -> None:
    # Section 4.6: transpose= and the 8 of a clef change what sounds; octave= what is written, too.
    assert [(n.written.name, n.pitch.name) for n in tune("c", "C transpose=-2").notes] == [("C5", "Bb4")]
    assert [(n.written.name, n.pitch.name) for n in tune("c", "C clef=treble-8").notes] == [("C5", "C4")]
    assert [(n.written.name, n.pitch.name) for n in tune("c", "C octave=-1").notes] == [("C4", "C4")]


def test_lyrics() -> None:
    # Section 5.1: hyphens part syllables, _ holds one, * skips a note, ~ joins words, | goes to the next bar.
    score = tune("C D E F | G A B c | d8\nw: Syll-a-ble___ is~this * |one")
    assert [n.lyrics for n in score.notes] == [
        ("Syll-",), ("a-",), ("ble",), (), (), (), ("is this",), (), ("one",)
    ]  # fmt: skip
    verses = tune("C D\nw: one two\nw: three four")
    assert [n.lyrics for n in verses.notes] == [("one", "three"), ("two", "four")]


def test_texts_fields_and_comments() -> None:
    text = (
        "%abc-2.1\nX:7\nT:Caf\\'e &amp; \\u00e0 la carte % said so\nC:A. N. Other\n"
        'M:C\nL:1/4\nQ:1/4=88 "Easy"\nK:C\n'
        "cd % not music: e\n%%abc directive c\nef\\\n|gabc'|\n"
    )
    score = read_abc(text.encode(), "t.abc")
    assert score.title == "Café & à la carte"
    assert score.composer == "A. N. Other"
    assert names(score) == ["C5", "D5", "E5", "F5", "G5", "A5", "B5", "C6"]
    assert [(d.text, d.value) for d in score.directions] == [("Easy", 88.0)]
    assert text_of('\\"o \\ss \\c{c}'[:8]) == "ö ß"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1/4=120", 120.0),
        ('"Andante" 3/8=50', 75.0),
        ("1/2=60", 120.0),
        ("1/4 3/8 1/4=40", 140.0),
        ("100", 50.0),
    ],
)
def test_tempo(text: str, value: float) -> None:
    # Section 3.1.8, with an eighth as unit note length for the last, outdated form.
    assert tempo_of(text, Fraction(1, 8))[1] == value


def test_meters_and_fractions() -> None:
    assert [meter_of(t) for t in ("C", "C|", "(2+3+2)/8", "2+3/8", "none", "9/8")] == [
        (4, 4), (2, 2), (7, 8), (5, 8), None, (9, 8)
    ]  # fmt: skip
    assert [fraction_of(t) for t in ("1/8", "1", "x", "1/0")] == [Fraction(1, 8), 1, None, None]


def test_the_first_of_several_tunes_is_read() -> None:
    score = read_abc(b"X:1\nT:First\nK:C\nC4\n\nX:2\nT:Second\nK:G\nG4\n", "t.abc")
    assert (score.title, names(score)) == ("First", ["C4"])
    assert any("2 tunes" in w and "First" in w for w in score.warnings)


@pytest.mark.parametrize("field", ["K:Zz", "M:waltz", "L:1/0"])
def test_a_field_that_says_nothing_known_is_told(field: str) -> None:
    fields = {"M": "M:4/4", "L": "L:1/4", "K": "K:G"} | {field[0]: field}
    score = read_abc(f"X:1\n{fields['M']}\n{fields['L']}\n{fields['K']}\nGABc|\n".encode(), "t.abc")
    assert [w for w in score.warnings if field in w]


@pytest.mark.parametrize("field", ["K:none", "K:clef=bass", "K:bass", "K:Hp", "M:none", "M:C|", "L:1/8"])
def test_fields_of_the_standard_are_not_complained_of(field: str) -> None:
    fields = {"M": "M:4/4", "L": "L:1/4", "K": "K:G"} | {field[0]: field}
    score = read_abc(f"X:1\n{fields['M']}\n{fields['L']}\n{fields['K']}\nGABc|\n".encode(), "t.abc")
    assert not [w for w in score.warnings if field in w]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"hello\n", "no ABC tune"),
        (b"X:1\nT:No key\nabc\n", "without a key"),
        (b"X:1\nK:C\nz8|z8|\n", "no notes"),
        (b"X:1\nK:C\n", "no notes"),
        (b"\xff\x00\x80junk", "no ABC tune"),
    ],
)
def test_bad_files_get_one_sentence(data: bytes, says: str) -> None:
    with pytest.raises(UnderstaveError, match=says) as caught:
        read_abc(data, "bad.abc")
    assert "bad.abc" in str(caught.value)
    assert "\n" not in str(caught.value)
