"""Marks of MusicXML notes and the directions of a part in, `Note` fields and `Direction` values out."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from fractions import Fraction

from understave.score.model import Direction
from understave.score.readers.musicxml_time import TYPES, Element, Mark, integer, number
from understave.score.xmltree import elements

KINDS = {
    "major": "",
    "minor": "m",
    "augmented": "aug",
    "diminished": "dim",
    "dominant": "7",
    "major-seventh": "maj7",
    "minor-seventh": "m7",
    "diminished-seventh": "dim7",
    "augmented-seventh": "aug7",
    "half-diminished": "m7b5",
    "major-minor": "m(maj7)",
    "major-sixth": "6",
    "minor-sixth": "m6",
    "dominant-ninth": "9",
    "major-ninth": "maj9",
    "minor-ninth": "m9",
    "dominant-11th": "11",
    "major-11th": "maj11",
    "minor-11th": "m11",
    "dominant-13th": "13",
    "major-13th": "maj13",
    "minor-13th": "m13",
    "suspended-second": "sus2",
    "suspended-fourth": "sus4",
    "power": "5",
    "none": "",
}
"""Chord symbol texts of MusicXML harmony kinds."""


ON_BARLINES = ("segno", "coda", "fermata")
"""What a barline carries that is a direction."""

ORNAMENTS = {
    "trill-mark": "trill",
    "turn": "turn",
    "delayed-turn": "delayed-turn",
    "inverted-turn": "inverted-turn",
    "delayed-inverted-turn": "delayed-inverted-turn",
    "vertical-turn": "vertical-turn",
    "inverted-vertical-turn": "inverted-vertical-turn",
    "shake": "shake",
    "mordent": "mordent",
    "inverted-mordent": "inverted-mordent",
    "schleifer": "schleifer",
    "haydn": "haydn",
}
"""Ornament elements of MusicXML and what a `Note` calls them."""


def ornaments(note: Element) -> tuple[str, ...]:
    """Ornaments: ``"trill"``, ``"mordent"``, ``"tremolo-3"`` (three marks), ``"tremolo-start-3"`` ..."""
    out: list[str] = []
    for group in note.iterfind("notations/ornaments"):
        for element in elements(group):
            if element.tag == "tremolo":
                kind = element.get("type", "single")
                marks = (element.text or "").strip() or "3"
                out.append(f"tremolo-{marks}" if kind == "single" else f"tremolo-{kind}-{marks}")
            elif element.tag == "wavy-line":
                out.append(f"wavy-line-{element.get('type', 'start')}")
            elif element.tag == "accidental-mark":
                out.append(f"accidental-{(element.text or '').strip()}")
            elif element.tag != "other-ornament":
                out.append(ORNAMENTS.get(element.tag, element.tag))
    return tuple(out)


def articulations(note: Element) -> tuple[str, ...]:
    """Articulations by their MusicXML names, and ``"slur-start"``, ``"slur-stop"``, ``"let-ring"``."""
    out = [element.tag for group in note.iterfind("notations/articulations") for element in elements(group)]
    ends = [element.get("type") for element in note.iterfind("notations/slur")]
    out += [f"glissando-{element.get('type')}" for element in note.iterfind("notations/glissando")]
    tied = [*note.iterfind("tie"), *note.iterfind("notations/tied")]
    if any(t.get("type") == "let-ring" for t in tied):
        out.append("let-ring")
    out += [f"slur-{kind}" for kind in ("stop", "start") for end in ends if end == kind]
    return tuple(out)


def lyrics(note: Element) -> tuple[str, ...]:
    """Syllables, one for each verse; one that goes on in the next note ends with a hyphen."""
    out = []
    for lyric in note.iterfind("lyric"):
        text = ""
        open_end = False
        for element in elements(lyric):
            if element.tag == "text":
                text += element.text or ""
            elif element.tag == "elision":
                text += element.text or " "
            elif element.tag == "syllabic":
                open_end = (element.text or "").strip() in ("begin", "middle")
        if text:
            out.append(text + ("-" if open_end else ""))
    return tuple(out)


def _alter_text(text: str | None) -> str:
    alter = integer(text, 0, -4, 4)
    return "#" * alter if alter > 0 else "b" * -alter


def _numeral_text(numeral: Element) -> str:
    """What is printed of a numeral, for example ``"bII"``; an empty text hides the degree alone."""
    root, alter = numeral.find("numeral-root"), numeral.find("numeral-alter")
    text = "" if root is None else root.get("text", (root.text or "").strip())
    hidden = alter is None or alter.get("print-object") == "no"
    return ("" if alter is None or hidden else _alter_text(alter.text)) + text


def harmony_text(harmony: Element) -> str:
    """Return a harmony element as a chord symbol, for example ``"Bbm7/Db"``."""
    out = []
    for element in elements(harmony):
        if element.tag == "root":
            step = element.find("root-step")
            shown = step.get("text") if step is not None else None
            name = shown or (element.findtext("root-step") or "").strip()
            out.append(name + _alter_text(element.findtext("root-alter")))
        elif element.tag in ("function", "numeral"):
            shown = (element.text or "").strip() if element.tag == "function" else _numeral_text(element)
            # A further chord is the one that those before are applied to, unless their text names it.
            out.append("/" + shown if out and shown else shown)
        elif element.tag == "kind":
            shown = element.get("text")
            kind = (element.text or "").strip()
            if kind == "none":
                return "N.C."
            out.append(KINDS.get(kind, kind) if shown is None else shown)
        elif element.tag == "degree":
            value = (element.findtext("degree-value") or "").strip()
            kind = (element.findtext("degree-type") or "").strip()
            word = {"add": "add", "subtract": "no"}.get(kind, "")
            accidental = _alter_text(element.findtext("degree-alter"))
            out.append(f"({'' if accidental and word == 'add' else word}{accidental}{value})")
        elif element.tag == "bass":
            out.append(
                "/"
                + (element.findtext("bass-step") or "").strip()
                + _alter_text(element.findtext("bass-alter"))
            )
    return "".join(out)


def _metronome(element: Element) -> tuple[str, float | None]:
    units = element.findall("beat-unit")
    unit = (element.findtext("beat-unit") or "").strip()
    value = TYPES.get(unit)
    dots = len(element.findall("beat-unit-dot"))
    text = (element.findtext("per-minute") or "").strip()
    if value is None or len(units) > 1 or not text:
        return " ".join("".join(str(t) for t in element.itertext()).split()), None
    value = value * (2 - Fraction(1, 2 ** min(dots, 4)))
    number = re.search(r"\d{1,4}(\.\d{1,6})?", text)
    shown = f"{unit}{'.' * dots} = {text}"
    return shown, (float(value * Fraction(number[0])) if number else None)


def _opens_line(element: Element) -> bool:
    lines = (c for tag in _LINES for c in element.iterfind(f"direction-type/{tag}"))
    return any(element.get("type") not in ("stop", "continue") for element in lines)


_LINES = ("wedge", "dashes", "bracket", "octave-shift")


@dataclass(slots=True)
class _Said:
    """What the signs of one direction say together; `spoken` is the index of its words once added."""

    tempo: Fraction | None
    depth: float | None
    words: list[str] = field(default_factory=list)
    metronome: str = ""
    rate: float | None = None
    spoken: int | None = None


class Directions:
    """Collects the directions of one part; lines are closed by their number as the file goes on."""

    def __init__(self, first_staff: int, last_staff: int) -> None:
        self.first_staff = first_staff
        self.last_staff = last_staff
        self.out: list[Direction] = []
        self.open: dict[tuple[str, str, int], int] = {}
        self.pedals: dict[str | None, list[str]] = {}
        self.shifts: list[tuple[Fraction, Fraction | None, int, int]] = []

    def _add(
        self,
        mark: Mark,
        onset: Fraction,
        kind: str,
        text: str,
        value: float | None = None,
        end: Fraction | None = None,
    ) -> int:
        own = mark.element.get("id", "") or kind
        k = sum(1 for direction in self.out[-8:] if direction.id == own or direction.id.startswith(own + "."))
        staff = min(self.first_staff + mark.staff - 1, self.last_staff)
        self.out.append(Direction(own if not k else f"{own}.{k + 1}", kind, onset, end, staff, text, value))
        return len(self.out) - 1

    def _close(self, kind: str, number: str, staff: int, moment: Fraction) -> int | None:
        index = self.open.pop((kind, number, staff), None)
        if index is None:
            same = [k for k in self.open if k[0] == kind and k[1] == number] or [
                k for k in self.open if k[0] == kind
            ]
            if not same:
                return None
            index = self.open.pop(same[-1])
        self.out[index] = replace(self.out[index], end=max(moment, self.out[index].onset))
        return index

    def read_bar(self, marks: list[Mark], start: Fraction) -> None:
        """Read the marks of one bar that begins at `start`.

        They are taken in order of time, not of the file (which may hold a line's end in one voice
        before its beginning in the next); at one moment lines end before new ones begin.
        """
        for mark in sorted(marks, key=lambda mark: (mark.onset, _opens_line(mark.element))):
            self._read(mark, start)

    def _read(self, mark: Mark, start: Fraction) -> None:
        element = mark.element
        onset = start + mark.onset
        if element.tag == "note":
            self._add(mark, onset, "fermata", "fermata")
        elif element.tag == "barline":
            for child in elements(element):
                if child.tag in ON_BARLINES:
                    self._add(mark, onset, child.tag, child.tag)
        elif element.tag == "harmony":
            text = harmony_text(element)
            if text:
                self._add(mark, onset, "chord-symbol", text)
        elif element.tag == "figured-bass":
            figures = [
                "".join((f.findtext(t) or "").strip() for t in ("prefix", "figure-number", "suffix"))
                for f in element.findall("figure")
            ]
            self._add(mark, onset, "other", "figured bass " + " ".join(figures))
        elif element.tag == "sound":
            tempo = number(element.get("tempo"))
            if tempo:
                self._add(mark, onset, "tempo", "", float(tempo))
        else:
            self._direction(mark, element, onset)

    def _direction(self, mark: Mark, element: Element, onset: Fraction) -> None:
        sound = element.find("sound")
        said = _Said(
            tempo=number(sound.get("tempo")) if sound is not None else None,
            depth=_depth(sound.get("damper-pedal")) if sound is not None else None,
        )
        for child in (c for group in element.findall("direction-type") for c in elements(group)):
            self._sign(mark, child, onset, said)
        text, tempo = " ".join(said.words), said.tempo
        if said.metronome or (tempo and said.words):
            text = f"{text} {said.metronome}".strip()
            rate = said.rate if said.rate is not None else float(tempo or 0) or None
            self._add(mark, onset, "tempo", text, rate)
        elif said.words:
            self._add(mark, onset, "words", text)
        elif tempo:
            self._add(mark, onset, "tempo", "", float(tempo))
        if said.depth is not None and element.find("direction-type/pedal") is None:
            self._add(mark, onset, "pedal", "start" if said.depth > 0 else "stop", said.depth)

    def _sign(self, mark: Mark, child: Element, onset: Fraction, said: _Said) -> None:
        """Read one sign of a direction; words and metronome marks are gathered in `said`."""
        tag = child.tag
        if tag in ("words", "symbol"):
            if tag == "words" and (child.text or "").strip():
                said.words.append(" ".join((child.text or "").split()))
        elif tag == "metronome":
            shown, own = _metronome(child)
            said.metronome = said.metronome or shown
            said.rate = own if said.rate is None else said.rate
        elif tag == "dynamics":
            for element in elements(child):
                text = (element.text or "").strip() if element.tag == "other-dynamics" else element.tag
                self._add(mark, onset, "dynamic", text)
        elif tag == "wedge":
            self._line(mark, child, onset, "wedge", child.get("type", ""))
        elif tag in ("dashes", "bracket"):
            self._prolonged(mark, child, onset, said)
        elif tag == "octave-shift":
            self._ottava(mark, child, onset)
        elif tag == "pedal":
            self._add(mark, onset, "pedal", self._pedal(child), said.depth)
        else:
            kind = tag if tag in ("rehearsal", "segno", "coda") else "other"
            self._add(mark, onset, kind, (child.text or "").strip() or tag)

    def _pedal(self, child: Element) -> str:
        """Return what a pedal sign says; a stop ends what was last pressed under its number."""
        kind, pressed = child.get("type", "start"), self.pedals.setdefault(child.get("number"), [])
        if kind in ("start", "sostenuto") and kind not in pressed:
            pressed.append(kind)
        elif kind == "stop" and pressed and pressed.pop() == "sostenuto":
            return "sostenuto-stop"
        return kind

    def _prolonged(self, mark: Mark, child: Element, onset: Fraction, said: _Said) -> None:
        """Read the beginning or end of dashes or a bracket, which prolong the words before them."""
        tag, number = child.tag, child.get("number", "1")
        if child.get("type") == "stop":
            self._close(tag, number, mark.staff, onset)
        elif child.get("type") == "start":
            if said.words and said.spoken is None:
                said.spoken = self._add(mark, onset, "words", " ".join(said.words))
                said.words = []
            index = said.spoken if said.spoken is not None else self._words_at(mark, onset)
            if index is None:
                index = self._add(mark, onset, "other", tag)
            self.open[tag, number, mark.staff] = index

    def _words_at(self, mark: Mark, onset: Fraction) -> int | None:
        """Words printed just before on the same staff, which a line of dashes prolongs."""
        staff = self.first_staff + mark.staff - 1
        for i in range(len(self.out) - 1, max(-1, len(self.out) - 5), -1):
            direction = self.out[i]
            if (direction.kind, direction.onset, direction.staff, direction.end) == (
                "words",
                onset,
                staff,
                None,
            ):
                return i
        return None

    def _line(self, mark: Mark, child: Element, onset: Fraction, kind: str, what: str) -> None:
        number = child.get("number", "1")
        if what == "stop":
            self._close(kind, number, mark.staff, onset)
        elif what in ("crescendo", "diminuendo"):
            before = self.open.get((kind, number, mark.staff))
            if before is not None and self.out[before].onset == onset:
                # Two lines at once without numbers to tell them apart.
                number = f"{number}+"
            elif before is not None:
                self._close(kind, number, mark.staff, onset)
            self.open[kind, number, mark.staff] = self._add(mark, onset, kind, what)

    def _ottava(self, mark: Mark, child: Element, onset: Fraction) -> None:
        number = child.get("number", "1")
        what = child.get("type", "")
        if what == "stop":
            self._close("ottava", number, mark.staff, onset)
        elif what in ("up", "down"):
            size = integer(child.get("size"), 8, 8, 22)
            names = {8: ("8va", "8vb"), 15: ("15ma", "15mb"), 22: ("22ma", "22mb")}
            above, below = names.get(size, names[8])
            # type="down" prints the notes lower than they sound: the line stands above the staff.
            index = self._add(mark, onset, "ottava", above if what == "down" else below)
            self.open["ottava", number, mark.staff] = index


def _depth(text: str | None) -> float | None:
    if text is None:
        return None
    if text.strip() in ("yes", "no"):
        return 1.0 if text.strip() == "yes" else 0.0
    value = number(text)
    return None if value is None else float(max(Fraction(0), min(Fraction(1), value / 100)))


OCTAVES = {"8va": -1, "15ma": -2, "22ma": -3, "8vb": 1, "15mb": 2, "22mb": 3}
