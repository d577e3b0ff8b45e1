"""Which reader a file goes to: what it holds decides, its name only where that says nothing."""

import pytest
from musicxml_text import attributes, bar, note, score

from understave.score.reader import kind_of

MUSICXML = score(bar(attributes() + note("C4", 16)))


@pytest.mark.parametrize(
    ("data", "suffix", "kind"),
    [
        (MUSICXML, ".xml", "musicxml"),
        (MUSICXML, ".mei", "musicxml"),
        (MUSICXML.decode().replace("UTF-8", "UTF-16").encode("utf-16"), ".xml", "musicxml"),
        (b"<!-- " + b"x" * 3000 + b" -->" + MUSICXML.split(b"?>", 1)[1], ".xml", "musicxml"),
        (b"<score-timewise/>", ".xml", "musicxml"),
        (b"PK\x03\x04", ".xml", "mxl"),
        (b"PK\x05\x06", ".mxl", "mxl"),
        (b'<mei xmlns="http://www.music-encoding.org/ns/mei"/>', ".xml", "mei"),
        (b'<?xml version="1.0"?><m:mei xmlns:m="http://www.music-encoding.org/ns/mei"/>', ".mei", "mei"),
        (b"<html/>", ".musicxml", "xml"),
        (b"MThd\0\0\0\6", ".txt", "midi"),
        (b"RIFF\0\0\0\0RMIDdata", ".rmi", "midi"),
        (b"!!!COM: Nobody\n**kern\n4c\n*-\n", ".txt", "humdrum"),
        (b"**kern\t**kern\n4c\t4e\n*-\t*-\n", ".krn", "humdrum"),
        (b"X:1\nT:Tune\nK:C\nCDEF|\n", ".txt", "abc"),
        (b"%abc-2.1\nX:1\nK:C\nC\n", ".abc", "abc"),
        (b"T:No number\nK:C\nCDEF|\n", ".abc", "abc"),
        (b"Dear reader,\nK: is a letter.\n", ".txt", ""),
        (bytes(range(256)), ".mid", ""),
    ],
)
def test_kind_of_a_file(data, suffix, kind):
    assert kind_of(data, suffix) == kind
