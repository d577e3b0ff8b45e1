"""MEI control events in (dynamics, pedal, trills, ottavas, ties ...), marked notes and directions out.

A control event is placed by `@startid` or by `@tstamp` (beats of its bar's meter, from 1) and ends at
`@endid` or `@tstamp2` (``"1m+2.5"``: bars further on and the beat there), MEI Guidelines 4.0, ch. 4.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from lxml import etree

from understave.score.model import Direction, Measure, Note
from understave.score.readers.mei_tree import XML_ID, children, number, reference, tag, text_of, whole
from understave.score.ties import mark_both_ends
from understave.score.timeline import Written

Place = tuple[Fraction, Fraction, int]
"""Onset, end and staff of an event."""
_DYNAMIC = re.compile(r"(p{1,6}|f{1,6}|mp|mf|pf|fp|n|(s|r|sf)f{0,2}(z|p{1,2})?|fz)", re.IGNORECASE)
_BEATS = re.compile(r"(?:(\d+)m\s*\+\s*)?(\d+(?:\.\d+)?)")


@dataclass(frozen=True, slots=True)
class Mark:
    """One control event, the index of its bar, the beat unit of that bar, and its staff if it names one."""

    element: etree._Element
    measure: int
    beat_type: int
    staff: int | None


@dataclass(frozen=True, slots=True)
class _Timeline:
    measures: tuple[Measure, ...]
    places: Mapping[str, Place]

    def start(self, mark: Mark) -> Fraction:
        place = self.places.get(reference(mark.element.get("startid")))
        return place[0] if place else self.beat(mark, mark.element.get("tstamp"), 0)

    def beat(self, mark: Mark, text: str | None, ahead: int) -> Fraction:
        measure = self.measures[min(mark.measure + ahead, len(self.measures) - 1)]
        beat = Fraction(text) if text and re.fullmatch(r"\d+(\.\d+)?", text) else Fraction(1)
        # Beats are printed rounded to a few places; a thirty-second triplet is the finest one meant.
        moment = (beat - 1).limit_denominator(96) * Fraction(4, mark.beat_type)
        return measure.start + min(max(moment, Fraction(0)), measure.length)

    def end(self, mark: Mark, *, whole_note: bool) -> Fraction | None:
        place = self.places.get(reference(mark.element.get("endid")))
        if place:
            return place[1] if whole_note else place[0]
        m = _BEATS.fullmatch((mark.element.get("tstamp2") or "").strip())
        return self.beat(mark, m[2], int(m[1] or 0)) if m else None

    def staff(self, mark: Mark) -> int:
        place = self.places.get(reference(mark.element.get("startid")))
        return mark.staff or (place[2] if place else 1)


def apply_marks(
    written: Sequence[Written],
    marks: Sequence[Mark],
    measures: tuple[Measure, ...],
    places: Mapping[str, Place],
    members: Mapping[str, tuple[str, ...]],
    octave_given: frozenset[str],
) -> tuple[tuple[Written, ...], tuple[Direction, ...]]:
    """Give notes what control events say of them; return them and the directions that remain.

    `members` are the note ids of each chord, `octave_given` the notes whose sounding octave the file
    itself states: it states them wherever they differ, so that on their staves no ottava line moves any.
    """
    line = _Timeline(measures, places)
    piece = _Marking({w.note.id: w.note for w in written}, members, line)
    notes = piece.notes
    stated = {notes[i].staff for i in octave_given if i in notes}
    for w in written:
        piece.at.setdefault((w.note.staff, w.note.onset), []).append(w.note.id)
    directions: list[Direction] = []
    links: dict[str, str] = {}
    for number_, mark in enumerate(marks):
        name = tag(mark.element)
        if name == "tie":
            links[reference(mark.element.get("startid"))] = reference(mark.element.get("endid"))
        elif name == "octave" and line.staff(mark) not in stated:
            _move_octave(notes, mark, line)
        elif name == "slur":
            piece.slur(mark)
        elif name == "arpeg":
            piece.arpeggiate(mark)
        elif name == "fermata":
            for i in piece.targets(mark):
                notes[i] = replace(notes[i], fermata=True)
        elif name in ("trill", "mordent", "turn", "fing", "fingGrp", "breath", "caesura"):
            for i in piece.targets(mark)[:1]:
                notes[i] = _marked(notes[i], name, mark.element)
        direction = _direction(mark, name, line, f"d{number_ + 1}")
        if direction:
            directions.append(direction)
    moved = [replace(w, note=notes[w.note.id]) for w in written]
    return mark_both_ends(moved, links), tuple(directions)


@dataclass(slots=True)
class _Marking:
    """Notes by id while marks are given to them, those of each chord, and those struck at a moment."""

    notes: dict[str, Note]
    members: Mapping[str, tuple[str, ...]]
    line: _Timeline
    at: dict[tuple[int, Fraction], list[str]] = field(default_factory=dict)

    def targets(self, mark: Mark) -> tuple[str, ...]:
        """Return the notes that a mark means: those that it names, else those struck where it stands."""
        wanted = reference(mark.element.get("startid"))
        if wanted in self.members:
            return self.members[wanted]
        if wanted in self.notes:
            return (wanted,)
        if wanted:
            return ()
        found = self.at.get((self.line.staff(mark), self.line.start(mark)), [])
        notes = self.notes
        return tuple(sorted((i for i in found if not notes[i].grace), key=lambda i: -notes[i].midi))

    def slur(self, mark: Mark) -> None:
        """Mark both ends of a slur, where both are there."""
        last = reference(mark.element.get("endid"))
        ends = (self.targets(mark)[:1], (self.members.get(last) or (last,))[:1])
        if ends[0] and ends[1][0] in self.notes:
            for (i,), sign in zip(ends, ("slur-start", "slur-stop"), strict=True):
                note = self.notes[i]
                self.notes[i] = replace(note, articulations=(*note.articulations, sign))

    def arpeggiate(self, mark: Mark) -> None:
        """Mark the notes of a rolled chord."""
        named = [reference(r) for r in (mark.element.get("plist") or "").split()]
        more = (i for n in named for i in self.members.get(n, (n,)) if i in self.notes)
        for i in (*self.targets(mark), *more):
            self.notes[i] = replace(self.notes[i], arpeggiated=True)


def _move_octave(notes: dict[str, Note], mark: Mark, line: _Timeline) -> None:
    octaves = {8: 1, 15: 2, 22: 3}.get(whole(mark.element.get("dis")) or 8, 1)
    shift = -octaves if mark.element.get("dis.place") == "below" else octaves
    start, end, staff = line.start(mark), line.end(mark, whole_note=True), line.staff(mark)
    if end is None:
        end = line.measures[mark.measure].end
    under = [i for i, note in notes.items() if note.staff == staff and start <= note.onset < end]
    for i in under:
        pitch = notes[i].pitch
        notes[i] = replace(notes[i], pitch=replace(pitch, octave=pitch.octave + shift))


def _marked(note: Note, name: str, element: etree._Element) -> Note:
    """Add an ornament, fingering or breath mark, named as in MusicXML 4.0."""
    if name in ("fing", "fingGrp"):
        fingers = [c for c in children(element) if tag(c) == "fing"] or [element]
        return replace(note, fingering=note.fingering + tuple(t for t in map(text_of, fingers) if t))
    if name in ("breath", "caesura"):
        mark = "breath-mark" if name == "breath" else "caesura"
        return replace(note, articulations=(*note.articulations, mark))
    form = element.get("form", "")
    ornament = {
        "trill": "trill",
        "mordent": "inverted-mordent" if form in ("upper", "norm") else "mordent",
        "turn": "inverted-turn" if form in ("lower", "inv") else "turn",
    }[name]
    if name == "turn" and element.get("delayed") == "true":
        ornament = f"delayed-{ornament}"
    return replace(note, ornaments=(*note.ornaments, ornament))


def _pedal(element: etree._Element) -> str:
    text = {"up": "stop", "bounce": "change"}.get(element.get("dir", ""), "start")
    if element.get("func") == "sostenuto":
        return "sostenuto-stop" if text == "stop" else "sostenuto"
    return text


def _direction(mark: Mark, name: str, line: _Timeline, fallback: str) -> Direction | None:
    element = mark.element
    text = text_of(element)
    kind, value = "", None
    end = line.end(mark, whole_note=False)
    if name == "dynam":
        kind = "dynamic" if _DYNAMIC.fullmatch(text) else "words"
        text = text.lower() if kind == "dynamic" else text
    elif name == "dir":
        kind = "words"
    elif name == "tempo":
        kind, value = "tempo", _quarters_a_minute(element)
    elif name == "hairpin":
        kind, text = "wedge", "diminuendo" if element.get("form") == "dim" else "crescendo"
        end = end or line.measures[mark.measure].end
    elif name == "pedal":
        text = _pedal(element)
        kind, value = "pedal", 0.5 if element.get("dir") == "half" else None
    elif name == "octave":
        dis = whole(element.get("dis")) or 8
        below = element.get("dis.place") == "below"
        kind, text = "ottava", f"{dis}{('vb' if below else 'va') if dis == 8 else 'mb' if below else 'ma'}"
        end = line.end(mark, whole_note=True)
    elif name == "fermata":
        kind, text = "fermata", "fermata"
    elif name == "reh":
        kind = "rehearsal"
    elif name == "harm":
        kind = "chord-symbol"
    elif name == "repeatMark":
        func = element.get("func", "")
        kind = func if func in ("segno", "coda") else "words"
        text = text or {"daCapo": "D.C.", "dalSegno": "D.S.", "fine": "Fine"}.get(func, func)
    if not kind or (not text and kind in ("words", "dynamic", "chord-symbol", "rehearsal")):
        return None
    return Direction(
        element.get(XML_ID) or fallback, kind, line.start(mark), end, line.staff(mark), text, value
    )


def _quarters_a_minute(element: etree._Element) -> float | None:
    given = number(element.get("midi.bpm"))
    if given:
        return given
    count, unit = number(element.get("mm")), whole(element.get("mm.unit"))
    if not count or not unit:
        return None
    dots = min(whole(element.get("mm.dots")) or 0, 4)
    return count * 4 / unit * (2 - 0.5**dots)
