"""Horn fifths: two voices that move as a pair of natural horns can.

The upper voice steps through the first three degrees of the key, the lower one has the notes of the triad
that a natural horn can play below them: degrees 3, 5 and 1, so that a sixth, a fifth and a third follow one
another (or the other way round). Common practice, no source.

Event: kind ``"horn fifths"``, labels ``"rising"`` and ``"falling"``; `notes` are the six notes. Detail:
``key`` Key, ``upper`` tuple of Pitch: the upper voice.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from fractions import Fraction

from understave.findings.kinds import Kind, Lane, Stop
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Pitch

_UPPER = (0, 2, 4)
"""Semitones of the upper voice above the tonic of a major key, rising."""
_SIXTH_FIFTH_THIRD = (8, 7, 4)
"""Semitones from the lower voice to the upper one, rising."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HornFifthsDetails(Details):
    """The key and what the upper voice plays."""

    key: Key
    upper: tuple[Pitch, ...]


def horn_fifths(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the horn fifths of a piece, by time."""
    struck: dict[tuple[int, Fraction], list[Note]] = defaultdict(list)
    for note in score.struck:
        struck[note.staff, note.onset].append(note)
    found = []
    for staff in sorted({staff for staff, _ in struck}):
        moments = sorted(onset for s, onset in struck if s == staff)
        pairs = [sorted(struck[staff, onset], key=lambda n: n.midi) for onset in moments]
        for three in zip(pairs, pairs[1:], pairs[2:], strict=False):
            event = _horns(three, spans)
            if event is not None:
                found.append(event)
    return tuple(sorted(found, key=lambda e: e.start))


def _horns(three: tuple[list[Note], ...], spans: tuple[Span, ...]) -> Event | None:
    if any(len(pair) != 2 for pair in three):
        return None
    start, end = three[0][0].onset, max(n.end for n in three[2])
    key = next((s.key for s in spans if s.start <= start < s.end), None)
    if key is None or key.mode != "major":
        return None
    heard = tuple((u.midi - w.midi, (u.midi - key.tonic.semitone) % 12) for w, u in three)
    rising = tuple(zip(_SIXTH_FIFTH_THIRD, _UPPER, strict=True))
    if heard not in (rising, rising[::-1]):
        return None
    return HORN_FIFTHS.event(
        "rising" if heard == rising else "falling",
        start,
        end,
        tuple(n.id for pair in three for n in pair),
        0.9,
        HornFifthsDetails(key=key, upper=tuple(upper.pitch for _, upper in three)),
    )


HORN_FIFTHS = Kind(
    name="horn fifths",
    details=HornFifthsDetails,
    find=horn_fifths,
    weight=6.0,
    lane=Lane(line=True),
    stop=Stop("texture"),
    searched={"hunting horns": (), "rising horn fifths": ("rising",)},
)
