"""A path in, a `Score` out: the format is told by what the file holds, then by its name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from functools import partial
from pathlib import Path

from understave.errors import ScoreError
from understave.guests import Guest, in_short
from understave.score import xmltree
from understave.score.formats import (
    PICTURE_SUFFIXES,
    PICTURES_BEGIN,
    Reader,
    failed,
    guest_readers,
    known_by_guest,
    read_by_guest,
)
from understave.score.model import Score
from understave.score.readers import mxl
from understave.score.readers.musicxml import read_musicxml
from understave.score.remarks import Remark
from understave.score.write import with_source

HIGHEST = 127
"""The highest MIDI number of a note (MIDI 1.0, from 0); written it would be G9, far above any piano."""
OCTAVES = range(10)
"""Octaves that MusicXML can write (MusicXML 4.0, octave type: 0 to 9); all goes on from there."""
SHORTEST = Fraction(1, 512)
"""Quarter notes of the shortest note read: half a 1024th, MusicXML 4.0's shortest (note-type-value)."""
NEARLY_FULL = Fraction(1, 8)
"""Quarter notes by which a bar must fall short of its meter to be engraved as short as it is, whatever is in
it; four times what `readers.musicxml` takes as a slip. Held by 282 of 282 damaged and random files."""
LARGEST = 128 * 1024 * 1024


def read_bytes(path: Path) -> bytes:
    """Return a file's bytes; raise UnderstaveError if there is no such readable, non-empty file."""
    try:
        if path.is_dir():
            raise ScoreError(
                Remark("file_folder", "{file} is a folder; give the score file in it.", file=path)
            )
        if path.exists() and not path.is_file():
            raise ScoreError(
                Remark("file_odd", "{file} is not an ordinary file; give a score file.", file=path)
            )
        if path.exists() and path.stat().st_size > LARGEST:
            raise ScoreError(
                Remark(
                    "file_large",
                    "{file} is larger than {most} MiB; that is no score.",
                    file=path.name,
                    most=LARGEST >> 20,
                )
            )
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise ScoreError(
            Remark("file_none", "There is no file {file}; check its name and folder.", file=path)
        ) from error
    except (OSError, ValueError) as error:
        shown = str(path)[:80].replace("\0", "")
        raise ScoreError(
            Remark(
                "file_closed", "{file} cannot be opened; check its name and that you may read it.", file=shown
            )
        ) from error
    if not data.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise ScoreError(
            Remark(
                "file_empty", "{file} is empty; export it again from your notation program.", file=path.name
            )
        )
    return data


def _head(data: bytes) -> str:
    return xmltree.decode(data[:20000]).lstrip("\ufeff \t\r\n")


def _is_mei(data: bytes, suffix: str) -> bool:
    head = _head(data)
    return "<mei" in head or ":mei" in head[:2000]


def _is_humdrum(data: bytes, suffix: str) -> bool:
    head = _head(data)
    return not head.startswith("<") and ("**kern" in head or head.startswith("!!!"))


def _is_abc(data: bytes, suffix: str) -> bool:
    head = _head(data)
    if head.startswith("<"):
        return False
    return head.startswith(("X:", "%abc")) or "\nX:" in head or (suffix == ".abc" and "K:" in head)


def _read_musicxml(data: bytes, name: str) -> Score:
    return read_musicxml(mxl.unpack(data, name) if mxl.is_zip(data) else data, name)


# The others are imported when the first file of their format comes: together they take a tenth of a second.
def _read_mei(data: bytes, name: str) -> Score:
    from understave.score.readers.mei import read_mei

    return as_engraved(read_mei(data, name), name)


def _read_humdrum(data: bytes, name: str) -> Score:
    from understave.score.readers.humdrum import read_humdrum

    return as_engraved(read_humdrum(data, name), name)


def _read_abc(data: bytes, name: str) -> Score:
    from understave.score.readers.abc import read_abc

    return as_engraved(read_abc(data, name), name)


def _read_midi(data: bytes, name: str) -> Score:
    from understave.score.readers.midi import read_midi

    return as_engraved(read_midi(data, name), name)


def _read_page(data: bytes, name: str) -> Score:
    from understave.score.readers.page.page_reader import read_page

    return as_engraved(read_page(data, name), name)


MUSICXML = Reader(
    "MusicXML", (".musicxml", ".xml", ".mxl"), lambda d, _: mxl.is_zip(d) or mxl.is_score(d), _read_musicxml
)
PRINTED = Reader("PDF", (".pdf",), lambda d, _: b"%PDF-" in d[:1024], _read_page)
PICTURED = Reader("PNG", PICTURE_SUFFIXES, lambda d, _: d.startswith(PICTURES_BEGIN), _read_page)
READERS = (
    MUSICXML,
    # Before those that look for words: among bytes of MIDI or of a page any three may stand.
    PRINTED,
    PICTURED,
    Reader("MIDI", (".mid", ".midi"), lambda d, _: d.startswith((b"MThd", b"RIFF")), _read_midi),
    Reader("MEI", (".mei",), _is_mei, _read_mei),
    Reader("Humdrum", (".krn",), _is_humdrum, _read_humdrum),
    Reader("ABC", (".abc",), _is_abc, _read_abc),
)
"""Our own readers, in the order in which they are asked whether they know a file."""


def _all() -> tuple[Reader, ...]:
    """Return all readers, ours and those of guests."""
    return (*READERS, *(guest.value for guest in guest_readers().values()))


def suffixes() -> tuple[str, ...]:
    """Return the endings of all files that can be read, ours and those of guests."""
    return tuple(dict.fromkeys(s for reader in _all() for s in reader.suffixes))


def is_printed(data: bytes, suffix: str) -> bool:
    """Say whether these bytes are read from pages, engraved or pictured."""
    return any(reader.knows(data, suffix) for reader in (PRINTED, PICTURED))


def reader_of(data: bytes, suffix: str) -> Reader | None:
    """Return the reader for bytes and a file name's suffix: one of ours, else a guest's; None for none.

    XML that nobody knows goes to the reader of MusicXML, which says what is wrong with it.
    """
    own = next((reader for reader in READERS if reader.knows(data, suffix)), None)
    if own is not None:
        return own
    guest = known_by_guest(data, suffix)
    if guest is not None:
        return replace(guest.value, read=partial(_read_as_guest, guest))
    return MUSICXML if _head(data).startswith("<") else None


def _read_as_guest(guest: Guest[Reader], data: bytes, name: str) -> Score:
    """Return what a guest reads, as its own MusicXML tells it: ids, ties and voices are ours."""
    score = read_by_guest(guest, data, name)
    try:
        source = score.source or with_source(score).source
        again = read_musicxml(source, name)
    except Exception as error:  # what a stranger calls a score may hold anything
        why = f"what it gives cannot be written down: {in_short(error)}"
        raise ScoreError(failed(guest, name, why)) from error
    return replace(
        again,
        title=str(score.title) or again.title,
        composer=str(score.composer) or again.composer,
        metadata={**again.metadata, **score.metadata},
        warnings=tuple(dict.fromkeys((*score.warnings, *again.warnings))),
    )


def joined_pages(paths: Sequence[Path]) -> tuple[str, bytes]:
    """Return one file for pictures of the pages of a piece, in their order: its name and its bytes.

    It is named as the first of them.

    Raises UnderstaveError with one clear sentence, for files of other kinds among them say.
    """
    from understave.score.readers.page.joined import SUFFIX, joined

    if not paths:
        raise ScoreError(Remark("joined_none", "No page is given; give the pictures of a piece in order."))
    return f"{paths[0].stem}{SUFFIX}", joined([(path.name, read_bytes(path)) for path in paths])


def read_score(path: str | Path | Sequence[str | Path]) -> Score:
    """Read a score file of any kind Understave knows, or several pictures as the pages of one piece.

    Raises UnderstaveError with one clear sentence for anything that is not a readable score.
    """
    if not isinstance(path, str | Path):
        name, data = joined_pages([Path(page) for page in path])
        return PICTURED.read(data, name)
    path = Path(path)
    score = _read(path)
    far = next(
        (note for note in score.notes if not (0 <= note.midi <= HIGHEST and note.written.octave in OCTAVES)),
        None,
    )
    if far is not None:
        raise ScoreError(
            Remark(
                "note_far",
                "{file} has a note that no instrument plays, {note} in bar {bar}; correct its octave.",
                file=path.name,
                note=far.pitch.name,
                bar=score.measures[far.measure].number,
            )
        )
    return score


def as_engraved(score: Score, name: str) -> Score:
    """Return a score read from another format in the time of its own MusicXML `source`.

    Both agree where bars fill their meters. Where bars are too long or too short (rests that overfill a
    bar, notes without length), what is read must be what is engraved and exported, so the source rules.
    """
    brief = next((note for note in score.notes if not note.grace and 0 < note.duration < SHORTEST), None)
    if brief is not None:
        raise ScoreError(
            Remark(
                "note_brief",
                "{file} has a note in bar {bar} that is shorter than any that can be written; correct its "
                "length.",
                file=name,
                bar=score.measures[brief.measure].number,
            )
        )
    last = len(score.measures) - 1
    # A bar well short of its meter is engraved as it is; only one that nearly fills it may be taken as full.
    whole = all(
        measure.length == measure.full_length
        or (measure.length < measure.full_length and measure.index in (0, last))
        or 0 < measure.length <= measure.full_length - NEARLY_FULL
        for measure in score.measures
    )
    if whole and all(note.grace or note.duration > 0 for note in score.notes):
        return score
    again = read_musicxml(score.source, name)
    if _timing(again) == _timing(score):
        return score
    return replace(
        again,
        title=score.title,
        composer=score.composer,
        metadata=score.metadata,
        warnings=tuple(dict.fromkeys((*score.warnings, *again.warnings))),
    )


def _timing(score: Score) -> tuple[object, ...]:
    bars = tuple((measure.start, measure.length) for measure in score.measures)
    return bars, tuple(sorted((note.onset, note.duration, note.midi) for note in score.notes))


def _read(path: Path) -> Score:
    data = read_bytes(path)
    reader = reader_of(data, path.suffix.lower())
    if reader is None:
        names = ", ".join(map(str, _all()))
        raise ScoreError(
            Remark(
                "file_unknown",
                "{file} is not a score that can be read; what can be: {formats}.",
                file=path.name,
                formats=names,
            )
        )
    return reader.read(data, path.name)
