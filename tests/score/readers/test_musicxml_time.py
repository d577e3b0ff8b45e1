"""Onsets, durations, ties and bars of MusicXML scores.

The meaning of each element is that of the MusicXML 4.0 specification (W3C Music Notation Community
Group final report, 2021), named beside each check.
"""

import sys
from fractions import Fraction

import pytest
from lxml import etree
from musicxml_text import attributes, bar, note, ratio, score
from tests.once import EXAMPLES

from understave.score.reader import read_score
from understave.score.readers.musicxml import read_musicxml
from understave.score.readers.musicxml_time import State, walk_bar

TRIPLET = ratio(3, 2)
START = '<tie type="start"/>'
STOP = '<tie type="stop"/>'


def timed(text):
    return [(n.pitch.name, n.onset, n.duration) for n in read_musicxml(text).notes]


def test_a_note_is_read_with_few_operations():
    """Calls of functions, ours and those in C, for each note of an example: 248, and 278 before lengths were
    kept by their text and a chord was timed once.
    """
    count = 0

    def called(frame, event, argument):
        nonlocal count
        count += event in ("call", "c_call")

    path = EXAMPLES / "chain-ferry" / "score.musicxml"
    read_score(path)
    sys.setprofile(called)
    try:
        score = read_score(path)
    finally:
        sys.setprofile(None)
    assert count / sum(len(note.ids) for note in score.notes) < 260


def test_durations_are_divisions_of_a_quarter():
    # "divisions": how many divisions per quarter note are used to indicate a note's duration.
    text = score(
        bar(attributes(divisions=24) + note("C4", 24) + note("D4", 36) + note("E4", 12) + note("F4", 24))
    )
    assert timed(text) == [
        ("C4", 0, 1),
        ("D4", 1, Fraction(3, 2)),
        ("E4", Fraction(5, 2), Fraction(1, 2)),
        ("F4", 3, 1),
    ]


def test_divisions_may_change_inside_a_piece():
    text = score(
        bar(attributes(divisions=1) + note("C4", 4))
        + bar("<attributes><divisions>8</divisions></attributes>" + note("D4", 4) + note("E4", 28), "2")
    )
    assert timed(text) == [("C4", 0, 4), ("D4", 4, Fraction(1, 2)), ("E4", Fraction(9, 2), Fraction(7, 2))]


def test_backup_and_forward_move_the_place_in_the_bar():
    text = score(
        bar(
            attributes(divisions=2)
            + note("C5", 8)
            + "<backup><duration>8</duration></backup><forward><duration>3</duration></forward>"
            + note("E4", 5, voice="2")
        )
    )
    assert timed(text) == [("C5", 0, 4), ("E4", Fraction(3, 2), Fraction(5, 2))]


def test_chord_notes_begin_with_the_note_before_and_do_not_move_time():
    text = score(
        bar(
            attributes(divisions=1)
            + note("C4", 2)
            + note("E4", 2, before="<chord/>")
            + "<direction><direction-type><words>dolce</words></direction-type></direction>"
            + note("G4", 2, before="<chord/>")
            + note("D4", 2)
        )
    )
    assert timed(text) == [("C4", 0, 2), ("E4", 0, 2), ("G4", 0, 2), ("D4", 2, 2)]


def test_the_longest_note_of_a_chord_says_how_far_a_bar_is_written():
    def head(value, length, more=""):
        step = "<pitch><step>C</step><octave>4</octave></pitch>"
        return f"<note>{more}{step}<duration>{length}</duration><type>{value}</type></note>"

    chord = head("quarter", 1) + head("quarter", 1, "<chord/>") + head("half", 2, "<chord/>")
    found, _ = walk_bar(etree.fromstring(f"<measure>{chord}</measure>"), State(), None)
    assert (found.written, found.sounding, found.length) == (2, 2, 1)
    assert [one.duration for one in found.heads] == [1, 1, 2]


def test_grace_notes_take_no_time_and_come_first():
    text = score(
        bar(
            attributes(divisions=1)
            + note("C4", 2)
            + note("E4", None, "eighth", before="<grace/>")
            + note("G4", None, "eighth", before="<grace/><chord/>")
            + note("D4", 2)
        )
    )
    notes = read_musicxml(text).notes
    assert [(n.pitch.name, n.onset, n.duration, n.grace) for n in notes] == [
        ("C4", 0, 2, False),
        ("E4", 2, 0, True),
        ("G4", 2, 0, True),
        ("D4", 2, 2, False),
    ]


@pytest.mark.parametrize(
    ("divisions", "ticks"),
    [
        (1024, (341, 341, 342)),
        (1024, (341, 341, 341)),
        (1024, (342, 342, 342)),
        (10, (3, 3, 4)),
        (8, (3, 2, 3)),
    ],
)
def test_rounded_tuplets_are_set_back_to_the_printed_values(divisions, ticks):
    # Three eighths in the time of two last a third of a quarter each, whatever the divisions allow.
    first = "".join(note("C4", t, "eighth", after=TRIPLET) for t in ticks)
    text = score(
        bar(
            attributes(divisions=divisions)
            + first
            + note("D4", divisions, "quarter")
            + note("E4", 2 * divisions, "half")
            + f"<backup><duration>{sum(ticks) + 3 * divisions}</duration></backup>"
            + note("C3", 4 * divisions, "whole", voice="2")
        )
    )
    got = read_musicxml(text)
    assert [(n.pitch.name, n.onset, n.duration) for n in got.notes] == [
        ("C3", 0, 4),
        ("C4", 0, Fraction(1, 3)),
        ("C4", Fraction(1, 3), Fraction(1, 3)),
        ("C4", Fraction(2, 3), Fraction(1, 3)),
        ("D4", 1, 1),
        ("E4", 2, 2),
    ]
    assert got.measures[0].length == 4
    assert got.warnings == ()


def test_rounded_voice_returns_to_the_exact_place():
    # Voice 2 enters by a backup into the middle of a rounded triplet; it begins with the note there.
    ticks = (341, 341, 342)
    first = "".join(note("C5", t, "eighth", after=TRIPLET) for t in ticks)
    text = score(
        bar(
            attributes(divisions=1024, beats=1)
            + first
            + "<backup><duration>683</duration></backup>"
            + note("A3", 683, "quarter", voice="2", after=TRIPLET)
        )
    )
    third = Fraction(1, 3)
    assert timed(text)[1:3] == [("A3", third, 2 * third), ("C5", third, third)]


def test_a_written_triplet_without_time_modification_keeps_its_durations():
    text = score(
        bar(
            attributes(divisions=3, beats=2)
            + "".join(note("C4", 1, "eighth") for _ in range(3))
            + note("D4", 3)
        )
    )
    assert [d for _, _, d in timed(text)] == [Fraction(1, 3)] * 3 + [1]


def test_a_note_without_duration_takes_its_printed_value():
    text = score(
        bar(attributes(divisions=2) + note("C4", None, "half", after="<dot/>") + note("D4", 2, "quarter"))
    )
    assert timed(text) == [("C4", 0, 3), ("D4", 3, 1)]


def test_ties_are_joined_and_keep_all_ids():
    text = score(
        bar(attributes(divisions=1) + note("C4", 4, middle=START))
        + bar(note("C4", 4, middle=STOP + START), "2")
        + bar(note("C4", 2, middle=STOP) + note("C4", 2), "3")
    )
    notes = read_musicxml(text).notes
    assert [(n.onset, n.duration, n.ids) for n in notes] == [
        (0, 10, ("n1-1", "n2-1", "n3-1")),
        (10, 2, ("n3-2",)),
    ]


def test_a_tie_may_change_voice_and_staff():
    text = score(
        bar(
            attributes(divisions=1, more="<staves>2</staves>")
            + note("C4", 4, middle=START, staff="1")
            + "<backup><duration>4</duration></backup>"
            + note("R", 4, voice="5", staff="2")
        )
        + bar(
            note("R", 4, staff="1")
            + "<backup><duration>4</duration></backup>"
            + note("C4", 4, middle=STOP, voice="5", staff="2"),
            "2",
        )
    )
    (n,) = read_musicxml(text).notes
    assert (n.duration, n.staff, n.voice) == (8, 1, "1")


def test_a_unison_tie_prefers_its_own_voice():
    two = note("C4", 4, middle=START, voice="1") + "<backup><duration>4</duration></backup>"
    text = score(
        bar(attributes(divisions=1) + two + note("C4", 4, voice="2"))
        + bar(
            note("D4", 4, voice="1") + "<backup><duration>4</duration></backup>" + note("C4", 4, voice="2"),
            "2",
        )
    )
    assert sorted(n.duration for n in read_musicxml(text).notes) == [4, 4, 4, 4]
    text = score(
        bar(attributes(divisions=1) + two + note("C4", 4, middle=START, voice="2"))
        + bar(
            note("C4", 2, middle=STOP, voice="1")
            + note("D4", 2, voice="1")
            + "<backup><duration>4</duration></backup>"
            + note("C4", 4, middle=STOP, voice="2"),
            "2",
        )
    )
    assert {(n.voice, n.duration) for n in read_musicxml(text).notes} == {("1", 6), ("1", 2), ("2", 8)}


def test_a_unison_whose_own_tie_comes_from_nowhere_leaves_the_other_voice_its_tie():
    # A sixteenth held over by a tie of its own, and a quarter of the same pitch tied in another voice.
    text = score(
        bar(
            attributes(divisions=4)
            + note("A3", 1, "16th", middle=START, voice="1")
            + note("C4", 15, voice="1")
            + "<backup><duration>16</duration></backup>"
            + note("A3", 16, "whole", middle=START, voice="2")
        )
        + bar(
            note("A3", 1, "16th", middle=STOP, voice="1")
            + note("C4", 15, voice="1")
            + "<backup><duration>16</duration></backup>"
            + note("A3", 16, "whole", middle=STOP, voice="2"),
            "2",
        )
    )
    held = [(n.onset, n.duration, n.voice) for n in read_musicxml(text).notes if n.pitch.name == "A3"]
    assert held == [(0, Fraction(1, 4), "1"), (0, 8, "2"), (4, Fraction(1, 4), "1")]


def test_tied_notations_alone_are_enough():
    text = score(
        bar(attributes(divisions=1) + note("C4", 4, after='<notations><tied type="start"/></notations>'))
        + bar(note("C4", 4, after='<notations><tied type="stop"/></notations>'), "2")
    )
    assert [d for _, _, d in timed(text)] == [8]


def test_a_tie_into_a_second_ending_stays_a_note_there():
    ending = '<barline location="{0}"><ending number="{1}" type="{2}"/>{3}</barline>'
    text = score(
        bar(attributes(divisions=1) + note("C4", 4, middle=START))
        + bar(
            ending.format("left", 1, "start", "")
            + note("C4", 4, middle=STOP)
            + ending.format("right", 1, "stop", '<repeat direction="backward"/>'),
            "2",
        )
        + bar(ending.format("left", 2, "start", "") + note("C4", 4, middle=STOP), "3")
    )
    got = read_musicxml(text)
    assert [(n.onset, n.duration) for n in got.notes] == [(0, 8), (8, 4)]
    assert [m.ending for m in got.measures] == [(), (1,), (2,)]
    assert [m.repeat_end for m in got.measures] == [False, True, False]


def test_let_ring_is_no_tie():
    # MusicXML 4.0, tied-type "let-ring": a tie that goes to nothing.
    text = score(
        bar(attributes(divisions=1) + note("C4", 4, after='<notations><tied type="let-ring"/></notations>'))
    )
    (n,) = read_musicxml(text).notes
    assert "let-ring" in n.articulations
    assert n.duration == 4


def test_pickup_bar_ends_on_the_barline():
    # measure "implicit": the measure number should not appear, as for pickups.
    text = score(
        bar(attributes(divisions=1) + note("G4", 1), "0", ' implicit="yes"') + bar(note("C5", 4), "1")
    )
    got = read_musicxml(text)
    assert [(m.number, m.start, m.length, m.offset) for m in got.measures] == [("0", 0, 1, 3), ("1", 1, 4, 0)]
    assert got.beat_at(Fraction(0)) == 4
    assert got.time_of("1", Fraction(1)) == 1
    assert got.warnings == ()


def test_a_pickup_may_be_filled_with_empty_time():
    first = bar(attributes(divisions=1) + note("G4", 1), "0", ' implicit="yes"') + bar(note("C5", 4), "1")
    rests = note("R", 1) + "<forward><duration>3</duration></forward>"
    second = bar(attributes(divisions=1) + rests, "0", ' implicit="yes"') + bar(note("C3", 4), "1")
    assert [m.length for m in read_musicxml(score(first, second)).measures] == [1, 4]


def test_split_bar_goes_on_where_it_stopped():
    text = score(
        bar(attributes(divisions=1) + note("C4", 4), "1")
        + bar(note("D4", 3) + '<barline location="right"><repeat direction="backward"/></barline>', "2")
        + bar(note("E4", 1), "X1", ' implicit="yes"')
        + bar(note("F4", 4), "3")
    )
    got = read_musicxml(text)
    assert [(m.number, m.offset) for m in got.measures] == [("1", 0), ("2", 0), ("2", 3), ("3", 0)]
    assert got.beat_at(Fraction(7)) == 4
    assert got.time_of("2", Fraction(4)) == 7
    assert got.warnings == ()


def test_first_and_second_endings_both_complete_the_pickup():
    left, right = '<barline location="left">{}</barline>', '<barline location="right">{}</barline>'
    text = score(
        bar(attributes(divisions=1) + note("G4", 1), "0", ' implicit="yes"')
        + bar(note("C5", 4), "1")
        + bar(
            left.format('<ending number="1" type="start"/>')
            + note("C5", 3)
            + right.format('<ending number="1" type="stop"/><repeat direction="backward"/>'),
            "2",
        )
        + bar(left.format('<ending number="2" type="start"/>') + note("C5", 3), "2")
        + bar(note("G4", 1), "X1", ' implicit="yes"')
        + bar(note("C5", 4), "3")
    )
    assert [m.offset for m in read_musicxml(text).measures] == [3, 0, 0, 0, 3, 0]


@pytest.mark.parametrize(
    ("time", "beats", "beat_type"),
    [
        ("<beats>3+2</beats><beat-type>8</beat-type>", 5, 8),
        ("<beats>3</beats><beat-type>8</beat-type><beats>1</beats><beat-type>4</beat-type>", 5, 8),
        ("<beats>5</beats><beat-type>8</beat-type>", 5, 8),
    ],
)
def test_composite_meters_are_added_up(time, beats, beat_type):
    # MusicXML 4.0, "time": composite signatures such as 3+2/8, or several beats and beat-type pairs.
    text = score(bar(f"<attributes><divisions>2</divisions><time>{time}</time></attributes>" + note("C4", 5)))
    m = read_musicxml(text).measures[0]
    assert (m.beats, m.beat_type, m.length) == (beats, beat_type, Fraction(5, 2))


def test_senza_misura_bars_have_the_meter_of_their_length():
    text = score(
        bar("<attributes><divisions>2</divisions><time><senza-misura/></time></attributes>" + note("C4", 13))
        + bar(note("C4", 4), "2")
    )
    got = read_musicxml(text)
    assert [(m.beats, m.beat_type, m.length) for m in got.measures] == [(13, 8, Fraction(13, 2)), (2, 4, 2)]
    assert got.warnings == ()


def test_changes_of_meter_and_key():
    change = (
        "<attributes><key><fifths>-5</fifths><mode>minor</mode></key>"
        "<time><beats>6</beats><beat-type>8</beat-type></time></attributes>"
    )
    text = score(bar(attributes(divisions=2) + note("C4", 8)) + bar(change + note("D4", 6), "2"))
    m1, m2 = read_musicxml(text).measures
    assert (m1.beats, m1.beat_type, m1.signature, m1.mode) == (4, 4, 0, None)
    assert (m2.beats, m2.beat_type, m2.signature, m2.mode) == (6, 8, -5, "minor")
    assert m2.beat_length == Fraction(3, 2)


@pytest.mark.parametrize(("ticks", "length"), [(3, "3"), (6, "6")])
def test_wrong_bar_length_is_kept_and_told_with_its_number(ticks, length):
    text = score(
        bar(attributes(divisions=1) + note("C4", 4), "7")
        + bar(note("D4", ticks), "8")
        + bar(note("E4", 4), "9")
        + bar(note("E4", 4), "10")
    )
    got = read_musicxml(text)
    (warning,) = got.warnings
    assert "Bar 8" in warning
    assert length in warning
    assert "4/4" in warning
    assert got.measures[1].length == ticks
    assert got.measures[2].start == 4 + ticks


def test_all_parts_meet_at_the_barline():
    short = bar(attributes(divisions=1) + note("C5", 3), "1") + bar(note("D5", 4), "2")
    long = bar(attributes(divisions=1) + note("C3", 4), "1") + bar(note("D3", 4), "2")
    assert timed(score(short, long)) == timed(score(short, long))
    assert {(p, o) for p, o, _ in timed(score(short, long))} == {("C5", 0), ("C3", 0), ("D5", 4), ("D3", 4)}


def test_a_tie_from_a_short_bar_goes_on_at_the_common_barline():
    short = bar(attributes(divisions=1) + note("C5", 3, middle=START)) + bar(note("C5", 4, middle=STOP), "2")
    long = bar(attributes(divisions=1) + note("C3", 4)) + bar(note("D3", 4), "2")
    assert timed(score(short, long)) == [("C3", 0, 4), ("C5", 0, 8), ("D3", 4, 4)]


def test_rests_alone_do_not_lengthen_a_bar():
    text = score(bar(attributes(divisions=1) + note("R", 4) + note("R", 4), "1") + bar(note("C4", 4), "2"))
    assert timed(text) == [("C4", 4, 4)]


def test_bars_that_are_only_a_repeat_sign_are_told():
    sign = '<measure-repeat type="{}">{}</measure-repeat>'
    sign = f"<attributes><measure-style>{sign}</measure-style></attributes>"
    text = score(
        bar(attributes(divisions=1) + note("C4", 4))
        + bar(sign.format("start", 1) + note("R", 4), "2")
        + bar(sign.format("stop", "") + note("D4", 4), "3")
    )
    (warning,) = read_musicxml(text).warnings
    assert "(bar 2)" in warning
    assert "repeats another bar" in warning


def test_an_empty_bar_has_the_length_of_its_meter():
    text = score(
        bar(attributes(divisions=1, beats=3) + note("C4", 3)) + bar("", "2") + bar(note("D4", 3), "3")
    )
    assert timed(text) == [("C4", 0, 3), ("D4", 6, 3)]


def test_timewise_scores_read_as_partwise_ones():
    text = (
        b'<score-timewise version="3.1"><part-list><score-part id="P1"><part-name/></score-part>'
        b'<score-part id="P2"><part-name/></score-part></part-list>'
    )
    for k in (1, 2):
        text += f'<measure number="{k}">'.encode()
        for p, octave in (("P1", 5), ("P2", 3)):
            head = attributes(divisions=1) if k == 1 else ""
            text += f'<part id="{p}">{head}{note(f"C{octave}", 4)}</part>'.encode()
        text += b"</measure>"
    got = read_musicxml(text + b"</score-timewise>")
    assert [(n.pitch.name, n.onset, n.part, n.staff) for n in got.notes] == [
        ("C3", 0, 1, 2),
        ("C5", 0, 0, 1),
        ("C3", 4, 1, 2),
        ("C5", 4, 0, 1),
    ]
    assert read_musicxml(got.source).notes == got.notes


SIX_EIGHT = "<attributes><time><beats>6</beats><beat-type>8</beat-type></time></attributes>"


def against_two_four(*rests):
    """Two bars of 2/4, then three of 6/8 in the voice alone, the last notes of them given as written."""
    two = note("C5", 12, "quarter") * 2
    long = note("C5", 18, "quarter", before="", after="<dot/>") + note("C5", 12, "quarter")
    voice = bar(attributes(divisions=12, beats=2) + two, "1") + bar(two, "2")
    piano = bar(attributes(divisions=12, beats=2) + two, "1") + bar(two, "2")
    for number, rest in enumerate(rests, 3):
        voice += bar((SIX_EIGHT if number == 3 else "") + long + rest, str(number))
        piano += bar(two, str(number))
    return score(voice, piano, names=("Voice", "Piano"))


def test_a_bar_that_its_printed_values_fill_is_full():
    """An editor stretched the eighth rest of a singer's 6/8 to fit the piano's 2/4: 4 divisions, not 6."""
    got = read_musicxml(against_two_four(*[note("R", 4, "eighth")] * 3), "x")
    assert [m.length for m in got.measures] == [2, 2, 3, 3, 3]
    assert not [w for w in got.warnings if "quarter notes where" in w]


def test_a_bar_that_no_value_fills_is_told_and_kept():
    got = read_musicxml(against_two_four(*[note("R", 4, "16th")] * 3), "x")
    assert [m.length for m in got.measures][2:] == [Fraction(17, 6)] * 3
    assert any("Bar 3 holds 2 5/6 quarter notes" in w for w in got.warnings)


def test_meters_at_once_are_told_with_their_bars():
    got = read_musicxml(against_two_four(*[note("R", 6, "eighth")] * 3), "x")
    (told,) = got.warnings
    assert told.startswith("In bars 3–5 part Voice is in 6/8 and part Piano in 2/4")
    assert "tuplets" in told


def test_equal_meters_at_once_are_not_told():
    """3/4 against 6/8: the bars are equally long, and end together."""
    six = bar(attributes(divisions=2, beats=6, beat_type=8) + note("C5", 3, "quarter", after="<dot/>") * 2)
    three = bar(attributes(divisions=2, beats=3) + note("C4", 2, "quarter") * 3)
    assert read_musicxml(score(six, three), "x").warnings == ()
