"""Files that are damaged or made to harm: each case once slipped through, or took too long."""

import time
import zipfile

import pytest
from musicxml_text import attributes, bar, note, score
from tests.score.test_mxl import container, one_note, packed

from understave.errors import UnderstaveError
from understave.score.passage import passage
from understave.score.reader import read_score


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


@pytest.mark.parametrize(("octave", "alter", "refuses"), [(9, 0, False), (9, 1, True), (10, 0, True)])
def test_pitches_that_no_instrument_plays_are_named(tmp_path, octave, alter, refuses):
    """MIDI 1.0 numbers notes from 0 to 127, G9 in the octaves of MusicXML; G sharp 9 would be 128."""
    data = score(bar(attributes(divisions=1) + note("C4", 4)) + bar(note("G4", 4), "7")).decode()
    data = data.replace(
        "<step>G</step><octave>4", f"<step>G</step><alter>{alter}</alter><octave>{octave}"
    ).encode()
    path = written(tmp_path, data, "piece.musicxml")
    if not refuses:
        assert max(n.midi for n in read_score(path).notes) == 127
        return
    with pytest.raises(UnderstaveError) as caught:
        read_score(path)
    assert "bar 7" in str(caught.value) or "Bar 7" in str(caught.value)


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
    from understave.score.write import to_musicxml

    to_musicxml(got)
    return time.process_time() - start


@pytest.mark.parametrize("closed", [True, False])
def test_the_time_that_slurs_take_grows_as_their_number_does(tmp_path, closed):
    seconds(tmp_path, 5, closed)
    few, many = seconds(tmp_path, 25, closed), seconds(tmp_path, 200, closed)
    assert many < 8 * 4 * max(few, 0.01)
