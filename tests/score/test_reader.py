"""Which reader a file goes to: what it holds decides, its name only where that says nothing."""

import pytest
from musicxml_text import attributes, bar, note, score

from understave.score.reader import reader_of

MUSICXML = score(bar(attributes() + note("C4", 16)))


@pytest.mark.parametrize(
    ("data", "suffix", "kind"),
    [
        (MUSICXML, ".xml", "MusicXML"),
        (MUSICXML, ".mei", "MusicXML"),
        (MUSICXML.decode().replace("UTF-8", "UTF-16").encode("utf-16"), ".xml", "MusicXML"),
        (b"<!-- " + b"x" * 3000 + b" -->" + MUSICXML.split(b"?>", 1)[1], ".xml", "MusicXML"),
        (b"<score-timewise/>", ".xml", "MusicXML"),
        (b"PK\x03\x04", ".xml", "MusicXML"),
        (b"PK\x05\x06", ".mxl", "MusicXML"),
        (b'<mei xmlns="http://www.music-encoding.org/ns/mei"/>', ".xml", "MEI"),
        (b'<?xml version="1.0"?><m:mei xmlns:m="http://www.music-encoding.org/ns/mei"/>', ".mei", "MEI"),
        (b"<html/>", ".musicxml", "MusicXML"),
        (b"MThd\0\0\0\6", ".txt", "MIDI"),
        (b"RIFF\0\0\0\0RMIDdata", ".rmi", "MIDI"),
        # Ten ticks later E6 is struck with velocity 58, in running status: the three bytes spell "\nX:".
        (b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk\0\0\0\x0b\0\x90@<\nX:\0\xff/\0", ".mid", "MIDI"),
        (b"!!!COM: Nobody\n**kern\n4c\n*-\n", ".txt", "Humdrum"),
        (b"**kern\t**kern\n4c\t4e\n*-\t*-\n", ".krn", "Humdrum"),
        (b"X:1\nT:Tune\nK:C\nCDEF|\n", ".txt", "ABC"),
        (b"%abc-2.1\nX:1\nK:C\nC\n", ".abc", "ABC"),
        (b"T:No number\nK:C\nCDEF|\n", ".abc", "ABC"),
        (b"Dear reader,\nK: is a letter.\n", ".txt", ""),
        (bytes(range(256)), ".mid", ""),
    ],
)
def test_kind_of_a_file(data, suffix, kind):
    reader = reader_of(data, suffix)
    assert (reader.name if reader else "") == kind
