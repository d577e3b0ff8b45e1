"""A compressed MusicXML file (.mxl) in, the bytes of its score out.

The container lists its rootfiles in META-INF/container.xml; the first MusicXML one is the score
(MusicXML 4.0, "Compressed .mxl files"). Where the list is missing or wrong, the first score found wins.
"""

from __future__ import annotations

import io
import lzma
import struct
import zipfile
import zlib

from understave.errors import ScoreError, UnderstaveError
from understave.score import xmltree
from understave.score.remarks import Remark

LARGEST = 256 * 1024 * 1024
"""Bytes that a file may have after unpacking; far above any real score."""
_DAMAGED = (EOFError, OSError, RuntimeError, ValueError, struct.error)
LARGEST_DICTIONARY = 64 * 1024 * 1024
"""Bytes of LZMA dictionary that unpacking may set aside (the strongest usual setting has 64 MiB)."""
_HEAD = 20_000
"""Bytes at the beginning of a file that show what it is."""
_SCORE_TYPES = (
    "",
    "application/vnd.recordare.musicxml+xml",
    "application/vnd.recordare.musicxml",
    "text/xml",
)


def is_zip(data: bytes) -> bool:
    """Say whether bytes begin like a zip file."""
    return data[:4] in (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")


def _read(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, name: str, most: int = 0) -> bytes:
    """Return a member's bytes; with `most` only so many of its first ones."""
    if entry.flag_bits & 0x1:
        raise ScoreError(
            Remark(
                "mxl_locked",
                "{file} is protected by a password; save it without one and try again.",
                file=name,
            )
        )
    if entry.file_size > LARGEST and not most:
        raise _too_large(name)
    if entry.compress_type == zipfile.ZIP_LZMA and _dictionary(archive, entry) > LARGEST_DICTIONARY:
        raise _damaged(name)
    try:
        with archive.open(entry) as stream:
            data = stream.read(most or LARGEST + 1)
    except NotImplementedError as error:
        raise ScoreError(
            Remark(
                "mxl_packed",
                "{file} is packed in a way that cannot be read; export it again as plain .musicxml.",
                file=name,
            )
        ) from error
    except (zipfile.BadZipFile, zlib.error, lzma.LZMAError, *_DAMAGED) as error:
        raise _damaged(name) from error
    if len(data) > LARGEST:
        raise _too_large(name)
    return data


def _too_large(name: str) -> ScoreError:
    return ScoreError(
        Remark(
            "mxl_large",
            "{file} unpacks to more than {most} MiB; that is no real score.",
            file=name,
            most=LARGEST >> 20,
        )
    )


def _damaged(name: str) -> ScoreError:
    return ScoreError(
        Remark(
            "mxl_damaged",
            "{file} is a damaged .mxl file; export it again from your notation program.",
            file=name,
        )
    )


def _dictionary(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> int:
    """Return the bytes of dictionary that an LZMA entry asks for (ZIP file format 6.3, section 5.8.8)."""
    stored = archive.fp
    if stored is None or entry.header_offset < 0:
        return 0
    stored.seek(entry.header_offset + 26)
    lengths = stored.read(4)
    if len(lengths) < 4:
        return 0
    stored.seek(sum(struct.unpack("<HH", lengths)), 1)
    # Two bytes of version, two of the length of what follows, one of settings, four of dictionary.
    properties = stored.read(9)
    return int.from_bytes(properties[5:9], "little")


def unpack(data: bytes, name: str) -> bytes:
    """Return the score inside .mxl bytes; raise UnderstaveError with one sentence on anything else."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        # An entry without a name cannot even be asked whether it is a folder.
        named = [e for e in archive.infolist() if e.filename]
        entries = {e.filename.replace("\\", "/"): e for e in named if not e.is_dir()}
    except (zipfile.BadZipFile, NotImplementedError, *_DAMAGED) as error:
        raise ScoreError(
            Remark("mxl_cut", "{file} is a cut or damaged .mxl file; copy or export it again.", file=name)
        ) from error
    others = [p for p in entries if not p.startswith(("META-INF/", "__MACOSX/"))]
    for path in (*_rootfiles(archive, entries, name), *others):
        head = _read(archive, entries[path], name, most=_HEAD)
        if is_score(head):
            return _read(archive, entries[path], name)
        if is_zip(head):
            raise ScoreError(
                Remark(
                    "mxl_zip",
                    "{file} holds another zip file ({inner}); unpack it and give that file.",
                    file=name,
                    inner=path,
                )
            )
    raise ScoreError(
        Remark(
            "mxl_none",
            "{file} is a zip file without a MusicXML score in it; give the .mxl or .musicxml file itself.",
            file=name,
        )
    )


def _rootfiles(archive: zipfile.ZipFile, entries: dict[str, zipfile.ZipInfo], name: str) -> list[str]:
    entry = next((e for p, e in entries.items() if p.lower() == "meta-inf/container.xml"), None)
    if entry is None:
        return []
    content = _read(archive, entry, name)
    try:
        root = xmltree.parse(content, name)
    except UnderstaveError:
        return []
    listed = list(root.iter("{*}rootfile"))
    fitting = [element for element in listed if element.get("media-type", "").strip().lower() in _SCORE_TYPES]
    paths = [element.get("full-path", "").replace("\\", "/").lstrip("/") for element in fitting]
    return [p for p in paths if p in entries]


def is_score(data: bytes) -> bool:
    """Say whether bytes look like a MusicXML score, whatever their encoding."""
    head = xmltree.decode(data[:_HEAD])
    return "<score-partwise" in head or "<score-timewise" in head or ":score-partwise" in head
