"""What a sound file says of itself: title, composer, album, as players list it.

WAV (INFO), FLAC and Opus (Vorbis comments) are tagged by libsndfile. It gives MP3 nothing but ID3v1, 30 bytes
of Latin letters, so the ID3v2 tag is written here, in the version that every player and Windows itself read:
ID3v2.3.0 (Informal standard, 1999), 3.1 for the header, 4.2 for frames of text.
"""

from __future__ import annotations

from dataclasses import dataclass

from understave.score.model import Score

_UTF_16 = b"\x01"
_MOST = 2**28 - 1
"""Bytes a tag can hold: its size has four bytes of seven bits (ID3v2.3, 3.1)."""


@dataclass(frozen=True, slots=True)
class Tags:
    """Texts for a player's list; an empty one is left out. `album` is the piece that all of it belongs to."""

    title: str = ""
    composer: str = ""
    album: str = ""


UNTAGGED = Tags()


def tags_of(score: Score, *about: str) -> Tags:
    """Return the tags of a sound made of a score; `about` says what it is: ``bars 4–7``, ``Exercise 3``."""
    title, composer = _line(score.title), _line(score.composer)
    return Tags(", ".join(part for part in (title, *map(_line, about)) if part), composer, title)


def id3(tags: Tags) -> bytes:
    """Return tags as ID3v2.3, to stand before the first frame of an MP3; nothing if there is none.

    The composer stands as the composer (TCOM) and as the artist (TPE1), which is what players show.
    """
    frames = b"".join(
        _frame(name, text)
        for name, text in (
            (b"TIT2", tags.title),
            (b"TPE1", tags.composer),
            (b"TCOM", tags.composer),
            (b"TALB", tags.album),
            (b"TSSE", "Understave"),
        )
        if text
    )
    if tags == UNTAGGED or len(frames) > _MOST:
        return b""
    size = bytes(len(frames) >> shift & 0x7F for shift in (21, 14, 7, 0))
    return b"ID3\x03\x00\x00" + size + frames


def _frame(name: bytes, text: str) -> bytes:
    body = _UTF_16 + text.encode("utf-16")
    return name + len(body).to_bytes(4, "big") + b"\x00\x00" + body


def _line(text: str) -> str:
    """A text on one line: a title printed on two is one title."""
    return " ".join(text.split())
