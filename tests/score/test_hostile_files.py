"""Files that are damaged or made to harm: each case once slipped through, or took too long."""

import io
import time
import tracemalloc
import zipfile
from dataclasses import replace
from fractions import Fraction

import mido
import pytest
from lxml import etree
from musicxml_text import attributes, bar, note, score
from tests.score.readers.test_mxl import container, one_note, packed

from understave.errors import UnderstaveError
from understave.score.passage import passage
from understave.score.reader import read_score
from understave.score.readers.musicxml import read_musicxml
from understave.score.write import with_source


def written(tmp_path, data, name):
    path = tmp_path / name
    path.write_bytes(data)
    return path


def refused(tmp_path, data, name):
    with pytest.raises(UnderstaveError) as caught:
        read_score(written(tmp_path, data, name))
    assert str(caught.value).endswith(".")
    return str(caught.value)


@pytest.mark.parametrize("method", [zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_zip_damaged_inside_is_refused_whatever_it_was_packed_with(tmp_path, method):
    data = bytearray(
        packed(("META-INF/container.xml", container(("s.xml", ""))), ("s.xml", one_note("C4")), method=method)
    )
    start = data.index(b"s.xml", data.index(b"container.xml") + 13) + 5
    at = data.index(b"s.xml", start - 5) + 5
    for k in range(at + 8, at + 60):
        data[k] ^= 0x5A
    assert "damaged" in refused(tmp_path, bytes(data), "piece.mxl")


def test_a_kern_file_of_one_line_is_cut_short(tmp_path):
    said = refused(tmp_path, b"**kern\t**kern\n", "piece.krn")
    assert "cut short: it stops in line 1 " in said
    assert "stops in line 4 " in refused(tmp_path, b"!!!COM: x\n\n!! y\n**kern\n\n", "piece.krn")


@pytest.mark.parametrize(
    ("octave", "alter", "refuses"), [(9, 0, False), (9, 1, True), (10, 0, True), (0, 0, False), (-1, 0, True)]
)
def test_pitches_that_no_instrument_plays_are_named(tmp_path, octave, alter, refuses):
    """MIDI 1.0 numbers notes from 0 to 127, G9 in the octaves of MusicXML; G sharp 9 would be 128."""
    data = score(bar(attributes(divisions=1) + note("C4", 4)) + bar(note("G4", 4), "7")).decode()
    data = data.replace(
        "<step>G</step><octave>4", f"<step>G</step><alter>{alter}</alter><octave>{octave}"
    ).encode()
    path = written(tmp_path, data, "piece.musicxml")
    if not refuses:
        assert {n.midi for n in read_score(path).notes} <= {60, 19, 127}
        return
    with pytest.raises(UnderstaveError) as caught:
        read_score(path)
    assert "bar 7" in str(caught.value) or "Bar 7" in str(caught.value)


def test_a_bar_that_goes_on_over_many_lines_takes_its_time_once(tmp_path):
    tune = "X:1\nM:4/4\nL:1/8\nK:C\n" + "CDEFGAB\n" * 1500
    start = time.process_time()
    with pytest.raises(UnderstaveError, match="Bar 1 would hold"):
        read_score(written(tmp_path, tune.encode(), "tune.abc"))
    assert time.process_time() - start < 8


@pytest.mark.parametrize("meter", ["*M6/99999999999999999999", "*M99999999/4", "*M6/0"])
def test_a_meter_that_no_music_has_is_not_taken(tmp_path, meter):
    rows = ["**kern", "*M3/4", "=1", "4c", "4d", "4e", meter, "=2", "2.c", "==", "*-"]
    start = time.process_time()
    score = read_score(written(tmp_path, "\n".join(rows).encode(), "piece.krn"))
    assert time.process_time() - start < 5
    assert [(m.beats, m.beat_type) for m in score.measures] == [(3, 4), (3, 4)]


@pytest.mark.parametrize(("unit", "expected"), [(262144, (4, 4)), (1 << 30, (4, 4)), (8, (3, 8))])
def test_a_midi_meter_of_bars_without_length_is_not_taken(tmp_path, unit, expected):
    track = mido.MidiTrack([mido.MetaMessage("time_signature", numerator=3, denominator=unit)])
    for pitch in (60, 62, 64, 65, 67, 69, 71, 72) * 6:
        track += [mido.Message("note_on", note=pitch), mido.Message("note_off", note=pitch, time=480)]
    file = mido.MidiFile(ticks_per_beat=480)
    file.tracks.append(track)
    file.save(tmp_path / "piece.mid")
    start = time.process_time()
    score = read_score(tmp_path / "piece.mid")
    assert time.process_time() - start < 5
    assert (score.measures[0].beat_type == 8) == (expected == (3, 8))
    assert all(m.length >= Fraction(1, 4) for m in score.measures)


def test_a_bar_of_absurd_length_is_refused_in_a_sentence_that_can_be_read(tmp_path):
    tune = "X:1\nM:4/4\nL:1/4\nK:C\nC4|" + "D999999/7>" * 300 + "E|F4|\n"
    assert len(refused(tmp_path, tune.encode(), "tune.abc")) < 300


def test_an_entry_of_a_zip_without_a_name_is_passed_over(tmp_path):
    data = packed(
        ("x", b"y"), ("META-INF/container.xml", container(("s.xml", ""))), ("s.xml", one_note("C4"))
    )
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = [(e, archive.read(e)) for e in archive.infolist()]
    again = io.BytesIO()
    with zipfile.ZipFile(again, "w") as archive:
        for entry, content in parts:
            archive.writestr(zipfile.ZipInfo("" if entry.filename == "x" else entry.filename), content)
    assert len(read_score(written(tmp_path, again.getvalue(), "piece.mxl")).notes) == 1


@pytest.mark.parametrize("dots", ["0.1", "NaN", "up", "-3", "999999999999", ""])
def test_dots_of_an_mei_note_that_are_no_number_are_left_out(tmp_path, dots):
    text = (
        '<mei xmlns="http://www.music-encoding.org/ns/mei" meiversion="5.0"><music><body><mdiv><score>'
        '<scoreDef meter.count="4" meter.unit="4"><staffGrp><staffDef n="1" lines="5"/></staffGrp></scoreDef>'
        '<section><measure n="1"><staff n="1"><layer n="1">'
        f'<note pname="c" oct="4" dur="1" dots="{dots}"/></layer></staff></measure></section>'
        "</score></mdiv></body></music></mei>"
    )
    (note,) = read_score(written(tmp_path, text.encode(), "piece.mei")).notes
    assert note.duration == 4


def test_a_row_past_the_end_of_its_bar_is_read_as_it_is_written(tmp_path):
    """A breve in 6/8: what comes after it in the bar has no time, and the engraved page says the same."""
    rows = ["**kern\t**kern", "*M6/8\t*M6/8", "=1\t=1", "8FF\t4.r", "8C\t.", "8F\t.", "0.1A-\t4.cc", "8F\t."]
    rows += ["8C\t.", "*M6/8\t*M6/8", "=2\t=2", "2.F\t2.d", "==\t==", "*-\t*-"]
    got = read_score(written(tmp_path, "\n".join(rows).encode(), "piece.krn"))
    again = read_musicxml(got.source, "its source")
    assert [(n.ids, n.onset, n.duration) for n in got.notes] == [
        (n.ids, n.onset, n.duration) for n in again.notes
    ]
    assert all(n.onset <= got.measures[n.measure].end for n in got.notes)


def slurred(count, closed):
    """Bars of quarter notes with so many slurs on each, begun on the first, closed on the last or never."""
    begin = "<notations>" + '<slur type="start" number="1"/>' * count + "</notations>"
    end = "<notations>" + '<slur type="stop" number="1"/>' * count + "</notations>"
    bars = "".join(
        bar((attributes(divisions=1) if not k else "") + note("C4", 4, after=begin), str(k + 1))
        for k in range(40)
    )
    last = (
        "".join(bar(note("C4", 4, after=end), str(k + 41)) for k in range(40))
        if closed
        else bar(note("C4", 4), "41")
    )
    return score(bars + last)


def seconds(tmp_path, count, closed):
    path = written(tmp_path, slurred(count, closed), f"{count}-{closed}.musicxml")
    got = read_score(path)
    start = time.process_time()
    passage(got, 0, len(got.measures) - 2)
    with_source(replace(got, source=b""))
    return time.process_time() - start


def ends(*kinds):
    return "<notations>" + "".join(f'<slur type="{kind}"/>' for kind in kinds) + "</notations>"


def numbers(*notes):
    """The slurs of a bar that is read and written again: type and number at each note in the file's order."""
    data = score(bar(attributes(divisions=1) + "".join(notes)) + bar(note("C4", 4), "2"))
    root = etree.fromstring(with_source(replace(read_musicxml(data, "piece"), source=b"")).source)
    return [[(s.get("type"), s.get("number")) for s in n.iter("slur")] for n in root.iter("note")][:-1]


def test_slurs_pair_inside_each_other():
    found = numbers(
        note("C4", 1, after=ends("start")),
        note("D4", 1, after=ends("start")),
        note("E4", 1, after=ends("stop", "start")),
        note("F4", 1, after=ends("stop", "stop")),
    )
    assert found[0] == [("start", "1")]
    assert found[1] == [("start", "2")]
    # One ends where another begins: both lie in this bar, so their numbers differ.
    assert found[2] == [("stop", "2"), ("start", "3")]
    assert sorted(found[3]) == [("stop", "1"), ("stop", "3")]


def test_slurs_of_two_voices_pair_each_in_its_own():
    back = "<backup><duration>4</duration></backup>"
    found = numbers(
        note("C5", 1, after=ends("start")),
        note("D5", 3, after=ends("stop")),
        back,
        note("C4", 1, voice="2"),
        note("D4", 1, voice="2", after=ends("start")),
        note("E4", 2, voice="2", after=ends("stop")),
    )
    starts = {number for one in found for kind, number in one if kind == "start"}
    assert len(starts) == 2
    crossing = numbers(
        note("C5", 2, after=ends("start")),
        note("D5", 2, after=ends("stop")),
        back,
        note("C4", 1, voice="2", after=ends("start")),
        note("D4", 3, voice="2", after=ends("stop")),
    )
    begun = [one[0] for one in crossing if one and one[0][0] == "start"]
    ended = [one[0] for one in crossing if one and one[0][0] == "stop"]
    assert [n for _, n in begun] == [n for _, n in ended]
    assert begun[0] != begun[1]


def test_ends_of_slurs_that_begin_nowhere_pair_with_none():
    found = numbers(note("C4", 2, after=ends("stop")), note("D4", 2, after=ends("start")))
    assert found == [[("stop", "16")], [("start", "1")]]


@pytest.mark.parametrize("closed", [True, False])
def test_the_time_that_slurs_take_grows_as_their_number_does(tmp_path, closed):
    seconds(tmp_path, 5, closed)
    # The better of two, as garbage may be collected in one.
    few, many = (min(seconds(tmp_path, count, closed) for _ in range(2)) for count in (25, 200))
    assert many < 8 * 4 * max(few, 0.01)


def test_a_bar_of_absurd_length_is_told_in_a_line(tmp_path):
    text = "X:1\nT:Long\nM:4/4\nL:1/4\nK:C\nc4 | " + "c" + "9" * 900 + " | c4 |\n"
    said = refused(tmp_path, text.encode(), "long.abc")
    assert len(said) < 200


@pytest.mark.parametrize(
    ("name", "data"),
    [
        # Rests that overfill a bar, a bar of nothing, a bar too short between two whole ones.
        (
            "rests.abc",
            b"X:1\nM:6/8\nL:1/4\n%%score {A B}\nK:none\nV:A\nz3>|z3/2 =c3/2 |]\nV:B\nF3 |F3/2 C3/2 |]\n",
        ),
        ("uneven.abc", b"X:1\nM:3/4\nL:1/4\nK:C\nc d e |c7/5 d |e5/3 z4 |c3 |]\n"),
        (
            "uneven.krn",
            b"**kern\t**kern\n*M3/4\t*M3/4\n=1\t=1\n4c\t3e\n=2\t=2\n2c\t5e\n4d\t.\n=3\t=3\n2.c\t2.e\n==\t==\n*-\t*-\n",
        ),
    ],
)
def test_bars_that_do_not_fill_their_meter_are_engraved_in_the_time_they_are_read_in(tmp_path, name, data):
    read = read_score(written(tmp_path, data, name))
    again = read_musicxml(read.source, name)
    assert [(m.start, m.length) for m in read.measures] == [(m.start, m.length) for m in again.measures]
    assert sorted((n.onset, n.duration, n.midi) for n in read.notes) == sorted(
        (n.onset, n.duration, n.midi) for n in again.notes
    )


def test_a_note_too_short_to_be_written_is_named_with_its_bar(tmp_path):
    data = b"X:1\nM:3/4\nL:1/4\nK:C\nc d e |c d " + b"<!--" * 40 + b"e |]\n"
    assert "a note in bar 2 that is shorter than any that can be written" in refused(tmp_path, data, "s.abc")


def test_a_wait_longer_than_midi_can_count_is_damage(tmp_path):
    """Standard MIDI Files 1.0: a variable-length quantity has at most four bytes."""
    track = b"\x00\x90\x3c\x40" + b"\xff" * 200 + b"\x00\x80\x3c\x00\x00\xff\x2f\x00"
    data = b"MThd\0\0\0\6\0\0\0\1\1\xe0" + b"MTrk" + len(track).to_bytes(4, "big") + track
    assert "damaged" in refused(tmp_path, data, "long.mid")


def test_a_zip_that_asks_for_a_dictionary_of_gigabytes_is_refused_before_memory_is_taken(tmp_path):
    data = bytearray(packed(("s.xml", one_note("C4")), method=zipfile.ZIP_LZMA))
    # Local header of 30 bytes and the name; then version, size of the settings, settings, dictionary.
    at = 30 + len("s.xml") + 5
    assert int.from_bytes(data[at : at + 4], "little") <= 64 << 20
    data[at : at + 4] = (0xFFFFFFF0).to_bytes(4, "little")
    tracemalloc.start()
    said = refused(tmp_path, bytes(data), "piece.mxl")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert "damaged" in said
    assert peak < 64 << 20


def test_a_zip_whose_directory_points_before_its_beginning_is_damaged(tmp_path):
    data = packed(("s.xml", one_note("C4")), method=zipfile.ZIP_LZMA)
    assert "damaged" in refused(tmp_path, b"PK\x03\x04" + data[20:], "piece.mxl")
