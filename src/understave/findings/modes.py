"""Spans -> switches of mode on one tonic: major to minor and back, with the note that does it.

A switch is where the key goes over into its parallel (Hutchinson, Music Theory for the 21st-Century
Classroom, chapter 19, on parallel keys). A single tonic chord of the other mode at the very end of a piece is
a Picardy third, not a switch.

Event: kind ``"mode switch"``, label ``"major to minor"`` or ``"minor to major"``. It lasts from the first
chord in the new mode to the note that proves it; `notes` are the notes of that pitch struck
there. Detail:

- ``key`` Key: the new key; ``before`` Key: its parallel. ``chord`` RomanNumeral: the new mode's first chord.
- ``note`` str, ``pitch`` Pitch, ``moment`` Fraction: the first note that belongs to the new mode alone;
  ``instead`` PitchClass: what the old mode had in its place. ``degree`` int: 3, 6 or 7.
- ``from_note`` str, ``from_pitch`` Pitch: the last note of that degree in the old mode, where one sounded.
- ``line_before`` Pitch: the note before it in its own line.
- ``back`` int 1 where the old mode was itself reached from the new one; ``since`` Fraction: when.
- ``until`` Fraction: where the new mode ends.

Sentences, one per label:

- major to minor: "E flat major turns to E flat minor; one note does it, G flat in place of G."
- minor to major: "E flat minor clears to E flat major; one note does it, G in place of G flat."
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from understave.findings.kinds import Kind, Lane, Stop
from understave.findings.progression import Progression, progression_of
from understave.harmony.reading import Details, Event, Span
from understave.score.model import Note, Score
from understave.theory.key import Key
from understave.theory.pitch import Pitch, PitchClass
from understave.theory.roman import RomanNumeral


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeSwitchDetails(Details):
    """The two keys and the note that tells them apart."""

    key: Key
    before: Key
    chord: RomanNumeral
    note: str
    pitch: Pitch
    moment: Fraction
    instead: PitchClass
    degree: int
    until: Fraction
    line_before: Pitch | None = None
    from_note: str | None = None
    from_pitch: Pitch | None = None
    back: int | None = None
    since: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Region:
    """Neighbouring spans in one key; `first` and `last` index them (inclusive)."""

    key: Key
    first: int
    last: int
    start: Fraction
    end: Fraction

    @property
    def length(self) -> Fraction:
        """Length in quarter notes."""
        return self.end - self.start


def regions_of(spans: tuple[Span, ...]) -> tuple[Region, ...]:
    """Return the stretches of one key, in order; a pause in the labels does not end a region."""
    found: list[Region] = []
    for i, span in enumerate(spans):
        if found and found[-1].key == span.key:
            last = found[-1]
            found[-1] = Region(last.key, last.first, i, last.start, span.end)
        else:
            found.append(Region(span.key, i, i, span.start, span.end))
    return tuple(found)


_HARDLY = 0.2
"""How far a switch is believed that no note of its own bar proves: it is kept, and not told (set by ear)."""


def find_mode_switches(score: Score, spans: tuple[Span, ...]) -> tuple[Event, ...]:
    """Return the switches between parallel keys, in order."""
    piece = progression_of(score, spans)
    regions = regions_of(spans)
    found: list[Event] = []
    for a, b in pairwise(regions):
        if a.key.parallel != b.key or _is_picardy(spans, regions, b):
            continue
        found += _switch(piece, a, b, found)
    return tuple(found)


def _is_picardy(spans: tuple[Span, ...], regions: tuple[Region, ...], region: Region) -> bool:
    """Whether a region is only the major tonic that ends the piece."""
    roots = {span.numeral.root(span.key) for span in spans[region.first : region.last + 1]}
    return region is regions[-1] and region.key.mode == "major" and roots == {region.key.tonic}


def _switch(piece: Progression, a: Region, b: Region, earlier: list[Event]) -> list[Event]:
    first = _first_proof(piece, b)
    if first is None:
        return []
    proof, instead = first
    moment = max(proof.onset, b.start)
    degree = b.key.degree(proof.pitch.pitch_class)[0]
    before = [
        note
        for note in piece.sounding(max(a.start, a.end - 4 * _bar(piece, a.end)), moment)
        if note.pitch.pitch_class == instead and note.onset < moment
    ]
    near = max(before, key=lambda note: (note.end, -abs(note.midi - proof.midi)), default=None)
    detail = ModeSwitchDetails(
        key=b.key,
        before=a.key,
        chord=piece.spans[b.first].numeral,
        note=proof.id,
        pitch=proof.pitch,
        moment=moment,
        instead=instead,
        degree=degree,
        until=b.end,
    )
    line = piece.lines.before(proof)
    if line is not None:
        detail = replace(detail, line_before=line.pitch)
    if near is not None:
        detail = replace(detail, from_note=near.id, from_pitch=near.pitch)
    origin = next(
        (
            event
            for event, details in reversed(MODE_SWITCH.all(earlier))
            if details.key == a.key and details.before == b.key
        ),
        None,
    )
    if origin is not None:
        detail = replace(detail, back=1, since=origin.start)
    at_once = [
        note.id
        for note in piece.sounding(b.start, b.end)
        if note.onset == proof.onset and note.pitch.pitch_class == proof.pitch.pitch_class
    ]
    # A short stretch of the other mode may be no more than borrowed chords.
    bar = _bar(piece, b.start)
    chords = len({piece.spans[i].numeral.root(b.key) for i in range(b.first, b.last + 1)})
    settled = 1.0 if b.length >= 2 * bar and chords > 1 else 0.6
    again = near is not None and any(
        note.midi % 12 == proof.midi % 12 and near.onset < note.onset < moment
        for note in piece.sounding(near.onset, moment)
    )
    if near is None or again or keeps_its_third(piece, a.key, b):
        # "In place of" a note: it stood there, was the last of its degree, and the old third sounds no more.
        settled = _HARDLY
    if piece.score.measure_at(moment).index > piece.score.measure_at(b.start).index:
        # Labels change their mode before a note does: what is heard at once comes later.
        settled = _HARDLY
    sure = max(piece.spans[i].confidence for i in range(b.first, min(b.last, b.first + 2) + 1))
    label = f"{a.key.mode} to {b.key.mode}"
    end = max(proof.end, b.start) if proof.onset <= b.start else proof.onset
    return [MODE_SWITCH.event(label, b.start, end, tuple(at_once), round(sure * settled, 3), detail)]


def keeps_its_third(piece: Progression, before: Key, region: Region) -> bool:
    """Whether the old mode's third sounds in a region that should have its parallel's, which does not.

    A flat sixth borrowed by a major key makes no minor of it (Hutchinson, chapter 19, on mode mixture).
    """
    tones = {
        note.midi % 12 for note in piece.sounding(region.start, region.end) if note.onset >= region.start
    }
    return before.scale[2].semitone in tones and region.key.scale[2].semitone not in tones


def _first_proof(piece: Progression, region: Region) -> tuple[Note, PitchClass] | None:
    """Return the first note of a region that its parallel does not have, and what that has instead.

    The third degree speaks before the sixth and seventh where they come together; the sixth and seventh are
    looked at only where the scale of a minor key does not have both.
    """
    key, other = region.key, region.key.parallel
    pairs = {
        new: old for new, old in zip(key.scale, other.scale, strict=True) if new != old and new not in other
    }
    third = key.scale[2]
    found = [
        note
        for note in piece.sounding(region.start, region.end)
        if note.pitch.pitch_class in pairs and (note.onset >= region.start or note.pitch.pitch_class == third)
    ]
    if not found:
        return None
    first = min(
        found,
        key=lambda note: (max(note.onset, region.start), note.pitch.pitch_class != third, -note.midi),
    )
    return first, pairs[first.pitch.pitch_class]


def _bar(piece: Progression, moment: Fraction) -> Fraction:
    return piece.score.measure_at(moment).full_length


MODE_SWITCH: Kind[ModeSwitchDetails] = Kind(
    "mode switch",
    ModeSwitchDetails,
    find=find_mode_switches,
    weight=7.0,
    lane=Lane(),
    stop=Stop("change of key"),
    contrasts={"": "mode"},
)
