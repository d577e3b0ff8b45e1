"""A file format that scores come in: how it is known and read.

Ours stand in `score.reader`; other installed packages bring more, as entry points of the group
``understave.readers`` (`understave.guests`)::

    TAB = Reader(name="Tab", suffixes=(".tab",), knows=is_tab, read=read_tab)

A guest's `read` returns a Score with parts, measures and notes; of the rest it may leave out what it does not
know. Its MusicXML (`Score.source`) is written for it and read again, so that ids, ties and voices are those
that are engraved. What a file says wrongly it tells as a `ScoreError` in one sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from understave.errors import ScoreError, UnderstaveError
from understave.guests import Guest, guests, in_short, leave_out_failed
from understave.score.model import Score
from understave.score.remarks import Remark


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader of one format.

    `name` is that of the format in sentences, `suffixes` the usual endings of its files (``".mei"``), in
    small letters. `knows` tells from a file's bytes and its ending whether it is of this format; `read` makes
    the Score of the bytes and the file's name, which is for messages.
    """

    name: str
    suffixes: tuple[str, ...]
    knows: Callable[[bytes, str], bool]
    read: Callable[[bytes, str], Score]

    def __str__(self) -> str:
        return f"{self.name} ({', '.join(self.suffixes)})"


PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
JPEG = b"\xff\xd8\xff"
PICTURES_BEGIN = (b"\x89PNG\r\n\x1a\n", JPEG, b"II*\0", b"MM\0*")
"""How PNG, JPEG and TIFF begin (their specifications)."""
OWN_NAMES = ("MusicXML", "PDF", "PNG", "MEI", "Humdrum", "ABC", "MIDI")
"""Names of the formats that we read ourselves."""


@lru_cache(maxsize=1)
def guest_readers() -> Mapping[str, Guest[Reader]]:
    """Return the readers that other installed packages bring, by the name of their format."""
    return {guest.value.name: guest for guest in guests("understave.readers", Reader, OWN_NAMES, _wrong)}


def _wrong(reader: Any) -> str:
    if not callable(reader.knows) or not callable(reader.read):
        return "what it knows or reads with is no function"
    plain = isinstance(reader.suffixes, tuple) and bool(reader.suffixes)
    if not plain or any(s != s.lower() or not s.startswith(".") or len(s) < 2 for s in reader.suffixes):
        return "its suffixes are no tuple of endings such as '.tab'"
    return ""


def known_by_guest(data: bytes, suffix: str) -> Guest[Reader] | None:
    """Return the guest that knows the format of a file, None where none does."""
    for guest in guest_readers().values():
        try:
            if guest.value.knows(data, suffix):
                return guest
        except Exception as error:  # a stranger's function can fail in any way
            leave_out_failed(guest, error)
    return None


def read_by_guest(guest: Guest[Reader], data: bytes, name: str) -> Score:
    """Return what a guest reads; raise ScoreError where it fails, or its own error."""
    try:
        score = guest.value.read(data, name)
    except UnderstaveError:
        raise
    except Exception as error:
        raise ScoreError(failed(guest, name, in_short(error))) from error
    if not isinstance(score, Score) or not score.parts or not score.measures:
        raise ScoreError(
            failed(guest, name, Remark("guest_none", "it gives no score with parts and measures"))
        )
    return score


def failed(guest: Guest[Reader], name: str, why: str) -> Remark:
    """Say that a guest could not read a file, and what to do."""
    return Remark(
        "guest_failed",
        "{file} could not be read by {package}, which reads {format} ({why}); give the piece in "
        "another format, or tell its makers.",
        file=name,
        package=guest.package,
        format=guest.value.name,
        why=why,
    )
