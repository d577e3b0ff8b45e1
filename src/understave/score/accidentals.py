"""A key signature and a letter in, the alteration that the signature gives the letter out."""

from __future__ import annotations

_SHARP_ORDER = "FCGDAEB"


def key_alteration(fifths: int, letter: str) -> int:
    """Return semitones by which a signature of so many sharps (flats negative) alters a letter.

    Beyond seven the signature goes round again: with eight sharps F is doubly sharp.
    """
    return (fifths + 6 - _SHARP_ORDER.index(letter)) // 7
