"""Hear what is named, and name what is played: chords of the reading as sounds, held keys as numerals.

In: the moment of a chord, or keys of a keyboard. Out: a chord, one of its alternatives, or the chord and the
next as a sound, each with the notes of the score that belong to it; the numerals for what is held, in the key
of the place.
"""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from understave.desk.sense import sense
from understave.desk.values import numeral_parts
from understave.errors import DeskError
from understave.harmony.played_chord import named_from_keys
from understave.harmony.reading import Span
from understave.score.model import Note, Score, read_exact
from understave.theory.chord_symbol import chord_symbol
from understave.theory.conventions import key_label, symbol_text
from understave.theory.key import Key
from understave.theory.roman import RomanNumeral

if TYPE_CHECKING:
    from understave.desk.app import Desk

BASS = 45
"""Where the bass of a chord lies that nothing sounds under: A2; set by ear."""
_KEYS = range(21, 109)


def _sounding(score: Score, span: Span) -> list[Note]:
    return [n for n in score.notes if n.onset < span.end and n.onset + n.duration > span.start]


def belonging(score: Score, span: Span, key: Key, numeral: RomanNumeral) -> tuple[str, ...]:
    """Return the ids of the notes sounding in a span that a chord has."""
    members = {tone.semitone for tone in numeral.chord(key).members}
    return tuple(i for note in _sounding(score, span) if note.midi % 12 in members for i in note.ids[:1])


def _lowest(score: Score, span: Span) -> int:
    return min((note.midi for note in _sounding(score, span)), default=BASS)


def wanted(
    spans: Sequence[Span], start: Fraction, which: str
) -> tuple[Span, tuple[tuple[Key, RomanNumeral], ...]]:
    """Return the span that begins at a moment, and the chords to hear.

    `which` is ``"chord"``, ``"next"`` (the chord and the one after it), or the number of an alternative.
    Raises DeskError where there is none.
    """
    at = next((i for i, span in enumerate(spans) if span.start == start), None)
    if at is None:
        raise DeskError("No chord begins there any more; choose again.")
    span = spans[at]
    own = (span.key, span.numeral)
    if which == "chord":
        return span, (own,)
    if which == "next":
        return span, (own, *((s.key, s.numeral) for s in spans[at + 1 : at + 2]))
    if not which.isdecimal() or int(which) >= len(span.alternatives):
        raise DeskError("This chord has no such alternative any more; look at it again and choose.")
    other = span.alternatives[int(which)]
    return span, ((other.key, other.numeral),)


async def chords(desk: Desk, request: Request) -> Any:
    """Play a chord, an alternative or the chord and the next: a line of JSON, then the sound."""
    lesson = await desk.current()
    with sense():
        start, which = read_exact(request.query_params["start"]), str(request.query_params["which"])
    span, asked = wanted(lesson.reading.spans, start, which)
    data = await lesson.chords_sounding(asked, _lowest(lesson.score, span))
    notes = belonging(lesson.score, span, *asked[0])
    return Response(
        json.dumps({"notes": notes}).encode() + b"\n" + data, media_type="application/octet-stream"
    )


async def played(desk: Desk, request: Request) -> Any:
    """Name the keys that are held, in the key of the place."""
    lesson = await desk.current()
    with sense():
        start = read_exact(request.query_params["start"])
        held = [int(key) for key in request.query_params["keys"].split(",") if key]
        if not set(held) <= set(_KEYS):
            raise ValueError("keys")
    span = next((s for s in lesson.reading.spans if s.start == start), None)
    if span is None:
        raise DeskError("No chord begins there any more; choose again.")
    language = lesson.language
    return {
        "keyName": key_label(span.key, language),
        "names": [
            {
                "text": numeral.text,
                "parts": numeral_parts(numeral, span.key.mode),
                "symbol": symbol_text(chord_symbol(numeral.chord(span.key)), language),
            }
            for numeral in named_from_keys(held, span.key)
        ],
    }


ROUTES: tuple[tuple[str, Callable[[Desk, Request], Awaitable[Any]], str], ...] = (
    ("/api/chords", chords, "GET"),
    ("/api/played", played, "GET"),
)
