"""**kern reading against D. Huron, "The Humdrum Toolkit: Reference Manual" (1994), section "**kern"."""

from __future__ import annotations

from fractions import Fraction

import pytest

from understave.errors import UnderstaveError
from understave.score.model import Score
from understave.score.readers.humdrum import read_humdrum


def read(*lines: str) -> Score:
    return read_humdrum(("\n".join("\t".join(line.split()) for line in lines) + "\n").encode(), "test.krn")


def one(*tokens: str, meter: str = "*M4/4") -> Score:
    return read_humdrum("\n".join(("**kern", meter, "=1", *tokens, "==", "*-")).encode(), "test.krn")


@pytest.mark.parametrize(
    ("token", "duration"),
    [
        ("1c", 4), ("2c", 2), ("4c", 1), ("8c", Fraction(1, 2)), ("4.c", Fraction(3, 2)),
        ("2..c", Fraction(7, 2)),
        ("12c", Fraction(1, 3)), ("6c", Fraction(2, 3)), ("0c", 8), ("00c", 16), ("20c", Fraction(1, 5)),
        ("3%2c", Fraction(8, 3)), ("16q", None),
    ],
)  # fmt: skip
def test_durations_are_reciprocals_of_the_whole_note(token: str, duration: Fraction | None) -> None:
    if duration is None:
        assert one("8cq", "4d").notes[0].duration == 0
    else:
        assert one(token).notes[0].duration == duration


@pytest.mark.parametrize(
    ("token", "name"),
    [("c", "C4"), ("cc", "C5"), ("ccc", "C6"), ("C", "C3"), ("CC", "C2"), ("b-", "Bb4"), ("F#", "F#3"),
     ("BB--", "Bbb2"), ("gg##", "G##5"), ("en", "E4"), ("a-X", "Ab4")],
)  # fmt: skip
def test_letters_repeat_away_from_middle_c(token: str, name: str) -> None:
    assert one("4" + token).notes[0].pitch.name == name


@pytest.mark.parametrize(
    ("token", "name"), [("2.dd^#", "D#5"), ("(8a;-/", "Ab4"), ("4c'##", "C##4"), ("4f^", "F4")]
)
def test_an_accidental_may_stand_behind_an_articulation(token: str, name: str) -> None:
    # As two mazurkas of the open data have it; music21 reads them so too.
    assert one(token).notes[0].pitch.name == name


def test_spines_split_join_and_number_their_voices() -> None:
    score = read(
        "**kern **kern", "*staff2 *staff1", "*M2/4 *M2/4", "=1 =1",
        "2C 4e", "* *^", ". 4g 8b", ". . 8a", "* *v *v", "=2 =2", "2D 2f", "== ==", "*- *-",
    )  # fmt: skip
    assert [(n.onset, n.pitch.name, n.staff, n.voice) for n in score.notes] == [
        (0, "C3", 2, "5"), (0, "E4", 1, "1"), (1, "G4", 1, "1"), (1, "B4", 1, "2"),
        (Fraction(3, 2), "A4", 1, "2"), (2, "D3", 2, "5"), (2, "F4", 1, "1"),
    ]  # fmt: skip
    assert not score.warnings


def test_exchanged_and_added_spines() -> None:
    score = read("**kern **kern", "=1 =1", "1C 1c", "*x *x", "=2 =2", "1d 1D", "*- *-")
    assert [(n.onset, n.pitch.name, n.staff) for n in score.notes] == [
        (0, "C3", 2), (0, "C4", 1), (4, "D3", 2), (4, "D4", 1)
    ]  # fmt: skip


def test_ties_over_barlines_and_inside_chords() -> None:
    score = one("[1c [1e", "=2", "1c_ 1e]", "=3", "1c]")
    assert [(n.onset, n.duration, n.pitch.name) for n in score.notes] == [(0, 12, "C4"), (0, 8, "E4")]


def test_marks_of_notes() -> None:
    score = one("4cT", "4dM", "4eW'", "4fS^", "=2", "(4g;", "4a)~", "4b: 4dd:", "16ccL", "16ccJ", "8r")
    by_name = {n.pitch.name: n for n in score.notes}
    assert by_name["C4"].ornaments == ("trill",)
    assert by_name["D4"].ornaments == ("inverted-mordent",)
    assert by_name["E4"].ornaments == ("mordent",)
    assert by_name["F4"].ornaments == ("turn",)
    assert by_name["E4"].articulations == ("staccato",)
    assert by_name["F4"].articulations == ("accent",)
    assert by_name["G4"].fermata
    assert by_name["G4"].articulations == ("slur-start",)
    assert set(by_name["A4"].articulations) == {"tenuto", "slur-stop"}
    assert by_name["B4"].arpeggiated
    assert by_name["D5"].arpeggiated


def test_key_meter_tempo_dynamics_pedal_and_words() -> None:
    text = (
        "!!!COM: Doe, Jane\n!!!OTL: Caf&eacute;\n!!!OMD: Lento\n"
        "**kern\t**dynam\n*k[b-e-]\t*\n*g:\t*\n*M3/4\t*\n*MM60\t*\n"
        "=1\t=1\n*ped\t*\n4c\tp\n4d\t<\n4e\t.\n*Xped\t*\n*ped\t*\n"
        "=2\t=2\n!LO:TX:a:t=dolce\t!\n2.f\t[\n*Xped\t*\n==\t==\n*-\t*-\n"
    )
    score = read_humdrum(text.encode(), "test.krn")
    assert (score.title, score.composer) == ("Café", "Jane Doe")
    m = score.measures[0]
    assert (m.signature, m.mode, m.beats, m.beat_type) == (-2, "minor", 3, 4)
    marks = {(d.kind, d.text, d.onset, d.end, d.value) for d in score.directions}
    assert ("tempo", "Lento", 0, None, 60.0) in marks
    assert ("dynamic", "p", 0, None, None) in marks
    assert ("wedge", "crescendo", 1, 3, None) in marks
    assert ("words", "dolce", 3, None, None) in marks
    assert [(d.text, d.onset) for d in score.directions if d.kind == "pedal"] == [
        ("start", 0),
        ("change", 3),
        ("stop", 6),
    ]


def test_ottava_marks_are_sounding_pitch_printed_lower() -> None:
    score = one("*8va", "2ccc", "*X8va", "2cc")
    assert [(n.pitch.name, n.written.name) for n in score.notes] == [("C6", "C5"), ("C5", "C5")]
    assert [(d.text, d.onset, d.end) for d in score.directions] == [("8va", 0, 2)]


def test_a_note_drawn_on_the_other_staff() -> None:
    head = "!!!RDF**kern: < = below\n**kern\t**kern\n*staff2\t*staff1\n"
    text = head + "=1\t=1\n1r\t2A<\n.\t(<2c\n==\t==\n*-\t*-\n"
    assert [(n.pitch.name, n.staff) for n in read_humdrum(text.encode(), "x").notes] == [("A3", 2), ("C4", 1)]


def test_pickup_split_bar_repeats_and_endings() -> None:
    text = "**kern *M4/4 *>A 4g =1 2c 2d =2:|!|: *>B 2e =:|! 2f =3 *>B1 1g =4:|! *>B2 1a == *-"
    score = read(*text.split())
    assert [(m.number, m.start, m.offset) for m in score.measures][:2] == [("0", 0, 3), ("1", 1, 0)]
    assert [m.repeat_end for m in score.measures][1] is True
    assert [m.repeat_start for m in score.measures][2] is True
    assert [m.ending for m in score.measures][-2:] == [(1,), (2,)]
    split = score.measures[2:4]
    assert [(m.length, m.offset) for m in split] == [(2, 0), (2, 2)]
    assert split[0].number == split[1].number


def test_lyrics_and_parts() -> None:
    score = read(
        "**kern **kern **kern **text",
        '*I"Piano *I"Piano *I"Voice *',
        "=1 =1 =1 =1",
        "1C 1c 2g Mor-",
        ". . 2a -gen",
        "*- *- *- *-",
    )
    assert [(p.name, p.first_staff, p.last_staff) for p in score.parts] == [("Voice", 1, 1), ("Piano", 2, 3)]
    assert [n.lyrics for n in score.notes if n.staff == 1] == [("Mor-",), ("-gen",)]


def test_slips_are_mended_and_said() -> None:
    unjoined = read(
        "**kern **kern", "=1 =1", "* *^", "1C 2e 1g", ". 2f .", "=2 =2", "1D 1a", "*- *-"
    )  # fmt: skip
    assert [(n.onset, n.pitch.name, n.staff) for n in unjoined.notes if n.onset >= 4] == [
        (4, "D3", 2),
        (4, "A4", 1),
    ]
    assert any("not joined" in w for w in unjoined.warnings)
    spaces = read_humdrum(b"**kern **kern\n=1 =1\n1C 1c\n=2\t=2\n1D 1d\n*-\t*-\n", "x")
    assert len(spaces.notes) == 4
    blank = read_humdrum(b"**kern\t**kern\n\n=1\t=1\n1C\t\n=2\t=2\n1D\t1d\n*-\t*-\n", "x")
    assert [(n.onset, n.staff) for n in blank.notes] == [(0, 2), (4, 2), (4, 1)]


def test_a_file_that_stops_before_its_spines_end_is_called_cut_short() -> None:
    # Huron, "Spine paths": every spine is ended by *-, so a file without it has lost its end.
    whole = "**kern\t**kern\n=1\t=1\n1C\t1c\n=2\t=2\n1D\t1d\n==\t==\n*-\t*-\n"
    assert read_humdrum(whole.encode(), "x.krn").end == 8
    for end in (whole.index("==\t"), whole.index("1d\n"), whole.index("*-")):
        with pytest.raises(UnderstaveError, match=r"x\.krn is cut short: it stops in line \d"):
            read_humdrum(whole[:end].encode(), "x.krn")


def test_one_wrong_value_does_not_shift_later_bars() -> None:
    # A quarter too few in the left hand of bar 1: the right hand fills the meter, so it is believed.
    score = read(
        "**kern **kern", "*M4/4 *M4/4", "=1 =1", "2C 4c", ". 4d", "4D 4e", ". 4f", "=2 =2", "1E 1g", "*- *-"
    )  # fmt: skip
    assert [(n.onset, n.pitch.name) for n in score.notes][-2:] == [(4, "E3"), (4, "G4")]
    assert [m.length for m in score.measures] == [4, 4]
    assert any("bar 1" in w for w in score.warnings)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("!!!COM: nobody\n", "no \\*\\*kern"),
        ("**harm\nI\n*-\n", "no \\*\\*kern"),
        ("**kern\n=1\n1r\n*-\n", "no notes"),
        ("4c\n4d\n", "before any"),
        ("\x00\x01\x02", "no \\*\\*kern"),
    ],
)
def test_bad_files_get_one_sentence(text: str, says: str) -> None:
    with pytest.raises(UnderstaveError, match=says) as caught:
        read_humdrum(text.encode(), "bad.krn")
    assert "bad.krn" in str(caught.value)
    assert "\n" not in str(caught.value)
