"""Compressed MusicXML: which score of a container is read, and what is refused.

Source: MusicXML 4.0 specification, "Compressed .mxl files" and container.xml: the first rootfile whose
media type is absent or that of MusicXML is the score.
"""

import io
import struct
import zipfile

import pytest
from musicxml_text import attributes, bar, note, score

from understave.errors import UnderstaveError
from understave.score.reader import read_score
from understave.score.readers import mxl


def one_note(name):
    return score(bar(attributes(divisions=1) + note(name, 4)))


def container(*rootfiles):
    listed = "".join(
        f'<rootfile full-path="{path}"' + (f' media-type="{kind}"/>' if kind else "/>")
        for path, kind in rootfiles
    )
    return f'<?xml version="1.0"?><container><rootfiles>{listed}</rootfiles></container>'.encode()


def packed(*files, method=zipfile.ZIP_DEFLATED):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in files:
            archive.writestr(name, data)
    return out.getvalue()


def read(tmp_path, data, name="piece.mxl"):
    path = tmp_path / name
    path.write_bytes(data)
    return read_score(path)


def refused(tmp_path, data, name="piece.mxl"):
    with pytest.raises(UnderstaveError) as caught:
        read(tmp_path, data, name)
    return str(caught.value)


MUSICXML = "application/vnd.recordare.musicxml+xml"
CONTAINER = "META-INF/container.xml"


def test_first_rootfile_is_the_score(tmp_path):
    data = packed(
        ("mimetype", b"application/vnd.recordare.musicxml"),
        ("other.musicxml", one_note("D4")),
        (CONTAINER, container(("scores/piece.musicxml", ""), ("other.musicxml", ""))),
        ("scores/piece.musicxml", one_note("C4")),
    )
    assert [n.pitch.name for n in read(tmp_path, data).notes] == ["C4"]


def test_rootfiles_of_other_kinds_are_passed_over(tmp_path):
    data = packed(
        (
            CONTAINER,
            container(
                ("piece.pdf", "application/pdf"), ("piece.xml", "application/vnd.recordare.musicxml+xml")
            ),
        ),
        ("piece.pdf", b"%PDF-1.4"),
        ("piece.xml", one_note("E4")),
    )
    assert [n.pitch.name for n in read(tmp_path, data).notes] == ["E4"]


def test_a_rootfile_with_namespace_and_backslashes(tmp_path):
    box = (
        b'<container xmlns="urn:oasis:names:tc:opendocument:xmlns:container"><rootfiles>'
        b'<rootfile full-path="a\\piece.xml"/></rootfiles></container>'
    )
    assert read(tmp_path, packed((CONTAINER, box), ("a/piece.xml", one_note("E4")))).notes


@pytest.mark.parametrize("box", [None, b"<container/>", b"not xml", container(("gone.xml", ""))])
def test_without_a_good_container_the_score_is_still_found(tmp_path, box):
    files = [("readme.txt", b"hello"), ("piece.xml", one_note("F4"))]
    if box is not None:
        files.append((CONTAINER, box))
    assert [n.pitch.name for n in read(tmp_path, packed(*files)).notes] == ["F4"]


def test_content_decides_not_the_suffix(tmp_path):
    assert read(tmp_path, packed(("piece.xml", one_note("G4"))), "piece.xml").notes
    assert read(tmp_path, one_note("G4"), "piece.mxl").notes


def test_score_inside_in_utf_16(tmp_path):
    text = one_note("A4").decode().replace("UTF-8", "UTF-16")
    assert read(tmp_path, packed(("piece.xml", text.encode("utf-16")))).notes


def test_stored_and_packed_members(tmp_path):
    for method in (zipfile.ZIP_STORED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA):
        assert read(tmp_path, packed(("piece.xml", one_note("A4")), method=method)).notes


def test_password_protection_is_named(tmp_path):
    data = bytearray(packed(("piece.xml", one_note("C4"))))
    # Bit 0 of the general purpose flag says "encrypted" (PKWARE appnote 4.4.4), in both headers.
    local, central = data.find(b"PK\x03\x04"), data.find(b"PK\x01\x02")
    for at in (local + 6, central + 8):
        struct.pack_into("<H", data, at, struct.unpack_from("<H", data, at)[0] | 1)
    assert "password" in refused(tmp_path, bytes(data))


def test_a_zip_in_a_zip_is_named(tmp_path):
    inner = packed(("piece.xml", one_note("C4")))
    message = refused(tmp_path, packed(("inner.mxl", inner)))
    assert "another zip" in message
    assert "inner.mxl" in message


def test_a_zip_without_a_score(tmp_path):
    assert "without a MusicXML score" in refused(tmp_path, packed(("a.txt", b"hello"), ("b.xml", b"<html/>")))


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.99])
def test_a_truncated_mxl(tmp_path, share):
    data = packed(("piece.xml", one_note("C4")))
    message = refused(tmp_path, data[: int(len(data) * share)])
    assert "piece.mxl" in message
    assert "damaged" in message


def test_damaged_content(tmp_path):
    data = bytearray(packed(("piece.xml", one_note("C4") + b" " * 2000)))
    at = data.find(b"piece.xml") + len(b"piece.xml") + 20
    data[at : at + 20] = b"\xff" * 20
    assert "damaged" in refused(tmp_path, bytes(data))


def test_a_zip_bomb_is_not_unpacked(tmp_path, monkeypatch):
    monkeypatch.setattr(mxl, "LARGEST", 1 << 20)
    data = packed(("piece.xml", b"<score-partwise>" + b" " * (2 << 20)))
    assert len(data) < 10_000
    assert "MiB" in refused(tmp_path, data)


def test_a_bomb_that_lies_about_its_size(tmp_path, monkeypatch):
    monkeypatch.setattr(mxl, "LARGEST", 1 << 20)
    data = bytearray(packed(("piece.xml", b"<score-partwise>" + b" " * (2 << 20))))
    at = data.find(b"PK\x01\x02")
    struct.pack_into("<I", data, at + 24, 1000)
    assert "piece.mxl" in refused(tmp_path, bytes(data))


def test_large_members_beside_the_score_are_not_unpacked(tmp_path, monkeypatch):
    monkeypatch.setattr(mxl, "LARGEST", 1 << 20)
    files = [(f"{k}.bin", b"\0" * (2 << 20)) for k in range(3)]
    assert read(tmp_path, packed(*files, ("piece.xml", one_note("C4")))).notes
