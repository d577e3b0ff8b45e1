"""Notes printed small: which of them are played.

MusicXML calls a cue note silent, but engravers also set figuration, cadenzas and whole studies small by
writing cue notes, and pianists play them. One rule for all rooms: small print in a piano part (one of two
staves or more) is played, unless an ordinary note of the same pitch sounds there already, in any voice or
part: then it only says again what another voice does. Small print in other parts is a cue.

- `with_small_print(notes, parts)`: the notes of a score as read in, the same notes out; those that are played
  are `small`, the others stay `cue`. Common practice, no source.
- `without_upper_notes(notes, hidden)`: a trill's upper note, which some files write out beside it and do not
  print (MusicXML 4.0, ``print-object``), so that a machine plays the right one, becomes a `cue` as well: it
  is no voice.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import replace
from fractions import Fraction

from understave.score.model import Note, Part, keyboards


def with_small_print(notes: Sequence[Note], parts: Sequence[Part]) -> tuple[Note, ...]:
    """Return the notes with `cue` left on those alone that are not played; `notes` are in order of time."""
    if not any(note.cue for note in notes):
        return tuple(notes)
    pianos = {i for player in keyboards(parts) for i in player}
    sounding: dict[int, list[tuple[Fraction, Fraction]]] = defaultdict(list)
    for note in notes:
        if not note.cue and note.duration > 0:
            held = sounding[note.midi]
            held.append((note.onset, max(note.end, held[-1][1]) if held else note.end))
    return tuple(
        replace(note, cue=False, small=True)
        if note.cue and note.part in pianos and not _sounds(sounding[note.midi], note.onset)
        else note
        for note in notes
    )


def _sounds(held: list[tuple[Fraction, Fraction]], moment: Fraction) -> bool:
    """Whether a key is down at a moment; `held` has onsets in order, each with the latest end so far."""
    before = bisect_right(held, moment, key=lambda h: h[0])
    return before > 0 and held[before - 1][1] > moment


def without_upper_notes(notes: Sequence[Note], hidden: Collection[str]) -> tuple[Note, ...]:
    """Return the notes with those as `cue` whose ids are in `hidden` and which tell a trill's upper note."""
    if not hidden:
        return tuple(notes)
    trills = {
        (note.staff, note.onset, note.pitch.diatonic + 1) for note in notes if "trill" in note.ornaments
    }
    return tuple(
        replace(note, cue=True)
        if note.id in hidden and (note.staff, note.onset, note.pitch.diatonic) in trills
        else note
        for note in notes
    )
