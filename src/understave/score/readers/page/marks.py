"""All that stands around the notes: dynamics, hairpins, words, pedal, fingering, articulations, slurs,
voltas.

In: the solved bars, and the written notes of each head. Out: `Direction`s, and marks for notes by their
index. A mark belongs to the chord that it stands over or under.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from understave.score.model import Direction
from understave.score.readers.page.curves import Ties
from understave.score.readers.page.events import FLAGS, HEADS, Event, reach
from understave.score.readers.page.ink import Box, Line
from understave.score.readers.page.layout import DOTS, Sheet, Symbol, System, Word
from understave.score.readers.page.lyrics import singers_of, sung_rows

Said = tuple[str, Fraction, Fraction | None, int, str, float | None]
"""Kind, onset, end, staff, text and value of a direction."""
_DYNAMIC_LETTERS = {
    "Piano": "p",
    "Mezzo": "m",
    "Forte": "f",
    "Rinforzando": "r",
    "Sforzando": "s",
    "Z": "z",
    "Niente": "n",
    "FortePiano": "fp",
    "Forzando": "fz",
    "Sforzando1": "sf",
    "Sforzato": "sfz",
    "Rinforzando1": "rf",
}
ARTICULATIONS = {
    "articAccent": "accent",
    "articStaccato": "staccato",
    "articTenuto": "tenuto",
    "articStaccatissimo": "staccatissimo",
    "articMarcato": "strong-accent",
}
ORNAMENTS = {
    "ornamentTrill": "trill",
    "ornamentTurn": "turn",
    "ornamentTurnInverted": "inverted-turn",
    "ornamentShortTrill": "inverted-mordent",
    "ornamentMordent": "mordent",
}
"""Ornaments as MusicXML 4.0 has them (``inverted-mordent`` is the sign without a stroke)."""


@dataclass(frozen=True, slots=True)
class Timed:
    """An event with the moments at which it begins and ends."""

    event: Event
    moment: Fraction
    end: Fraction


@dataclass(slots=True)
class NoteMarks:
    """Marks of one event."""

    articulations: list[str] = field(default_factory=list)
    ornaments: list[str] = field(default_factory=list)
    fingering: list[tuple[float, str]] = field(default_factory=list)
    fermata: bool = False
    arpeggiated: bool = False
    lyrics: list[str] = field(default_factory=list)
    slurs: list[tuple[str, float]] = field(default_factory=list)
    """Kind of an end of a slur, and its height."""


class Surroundings:
    """The marks of one system."""

    def __init__(
        self,
        sheet: Sheet,
        system: System,
        timed: Sequence[Timed],
        ends: Sequence[tuple[float, Fraction]],
        ties: Ties,
        offset: int,
    ) -> None:
        self.sheet, self.system, self.timed, self.ends = sheet, system, timed, ends
        self.space = sheet.space
        self.offset = offset
        low, high = reach(sheet, system)
        self.symbols = [s for s in sheet.symbols if low <= s.box.y <= high]
        self.words = [w for w in sheet.words if low <= w.y <= high]
        self.levels = [a for a in sheet.levels if low <= (a.y0 + a.y1) / 2 <= high]
        self.ties = ties
        self.directions: list[Said] = []
        self.marks: dict[int, NoteMarks] = {}
        if timed:
            self._dynamics()
            self._hairpins()
            self._signs()
            self._pedal_lines()
            self._on_notes()
            self._lyrics()
            self._fingers()
            self._text()
            self._slurs()

    # -- places

    def _near(self, x: float) -> Timed:
        """Return the event whose column is nearest to a place."""
        return min(self.timed, key=lambda t: abs(t.event.x - x))

    def _end_near(self, x: float) -> Fraction:
        """Return the moment of the event or bar line nearest to where a line stops."""
        near = self._near(x)
        edge = min(self.ends, key=lambda e: abs(e[0] - x), default=(x + 1e9, near.moment))
        return edge[1] if abs(edge[0] - x) < abs(near.event.x - x) else near.moment

    def _staff(self, y: float) -> int:
        """Return the staff that a mark belongs to: the one it is in or under, of a system's first the
        one below.
        """
        above = [i for i, s in enumerate(self.system.staves) if s.y0 > y]
        inside = [i for i, s in enumerate(self.system.staves) if s.distance(y) < 0.5 * self.space]
        return (inside or above[-1:] or [0])[0] + self.offset + 1

    def _mark(self, event: Event) -> NoteMarks:
        return self.marks.setdefault(id(event), NoteMarks())

    def _chord_at(self, x: float, y: float, reach_x: float, reach_y: float = 7.0) -> Event | None:
        """Return the chord that a mark stands over, under or in front of; `reach_x`, `reach_y` in staff
        spaces.
        """
        best: tuple[float, Event] | None = None
        for t in self.timed:
            event = t.event
            if event.is_rest or abs(event.box.x - x) > reach_x * self.space:
                continue
            box = _with_stem(event)
            off = max(0.0, box.y0 - y, y - box.y1) + 0.5 * abs(event.box.x - x)
            if off < reach_y * self.space and (best is None or off < best[0]):
                best = off, event
        return best[1] if best is not None else None

    def _say(
        self,
        kind: str,
        at: Fraction,
        y: float,
        text: str,
        end: Fraction | None = None,
        value: float | None = None,
    ) -> None:
        self.directions.append((kind, at, end, self._staff(y), text, value))

    # -- marks

    def _dynamics(self) -> None:
        found = sorted((s for s in self.symbols if s.name.startswith("dynamic")), key=lambda s: s.box.x0)
        groups: list[list[Symbol]] = []
        for symbol in found:
            group = next(
                (
                    g
                    for g in groups
                    if abs(g[-1].y - symbol.y) < 0.6 * self.space
                    and -0.9 * self.space < symbol.box.x0 - g[-1].box.x1 < 0.8 * self.space
                ),
                None,
            )
            if group is None:
                groups.append([symbol])
            else:
                group.append(symbol)
        for group in groups:
            text = "".join(_letters(s.name) for s in group)
            x = (group[0].box.x0 + group[-1].box.x1) / 2
            self._say("dynamic", self._near(x).moment, group[0].box.y, text)

    def _hairpins(self) -> None:
        thin = [
            a
            for a in self.levels
            if a.width < 0.3 * self.space
            and a.x1 - a.x0 > 1.2 * self.space
            and abs(a.y1 - a.y0) > 0.05 * self.space
        ]
        for i, a in enumerate(thin):
            for b in thin[i + 1 :]:
                if abs(a.x0 - b.x0) > 0.5 * self.space or abs(a.x1 - b.x1) > 0.5 * self.space:
                    continue
                left, right = abs(a.y0 - b.y0), abs(a.y1 - b.y1)
                if (a.y1 - a.y0) * (b.y1 - b.y0) >= 0 or max(left, right) > 3 * self.space:
                    continue
                if max(left, right) < min(left, right) + 0.35 * self.space:
                    continue
                kind = "crescendo" if left < right else "diminuendo"
                start, end = self._near(a.x0).moment, self._near(a.x1).moment
                if end > start:
                    self._say("wedge", start, (a.y0 + b.y1) / 2, kind, end)

    def _signs(self) -> None:
        for symbol in self.symbols:
            if symbol.name in ("segno", "coda"):
                self._say(symbol.name, self._near(symbol.x).moment, symbol.box.y, symbol.name)
            elif symbol.name == "keyboardPedalPed":
                self._say("pedal", self._near(symbol.box.x0).moment, symbol.box.y, "start")
            elif symbol.name == "keyboardPedalUp":
                self._say("pedal", self._end_near(symbol.box.x0), symbol.box.y, "stop")

    def _pedal_lines(self) -> None:
        """Find lines under the last staff with a hook upwards at their ends."""
        lowest = self.system.staves[-1].y0
        row: list[tuple[float, float, float]] = []
        thin = [a for a in self.levels if a.width < 0.3 * self.space and abs(a.y1 - a.y0) < 0.05 * self.space]
        for a in sorted(thin, key=lambda a: (round(a.y0), a.x0)):
            if a.y0 > lowest - 1.5 * self.space:
                continue
            if (
                row
                and abs(row[-1][2] - a.y0) < 0.1 * self.space
                and abs(a.x0 - row[-1][1]) < 0.3 * self.space
            ):
                row[-1] = (row[-1][0], a.x1, a.y0)
            else:
                row.append((a.x0, a.x1, a.y0))
        for x0, x1, y in row:
            hooks = [
                u.x0
                for u in self.sheet.uprights
                if abs(u.y0 - y) < 0.3 * self.space and 0.5 * self.space < u.y1 - u.y0 < 1.7 * self.space
            ]
            begins = any(abs(x - x0) < 0.3 * self.space for x in hooks)
            stops = any(abs(x - x1) < 0.3 * self.space for x in hooks)
            if x1 - x0 < 3 * self.space or not (begins or stops):
                continue
            if begins:
                self._say("pedal", self._near(x0 + 0.5 * self.space).moment, y, "start")
            if stops:
                self._say("pedal", self._end_near(x1), y, "stop")

    def _on_notes(self) -> None:
        for symbol in self.symbols:
            name = symbol.name.removesuffix("Above").removesuffix("Below")
            if symbol.name in DOTS:
                if id(symbol) not in self.sheet.taken:
                    chord = self._chord_at(symbol.x, symbol.box.y, 0.5, 3.0)
                    if chord is not None:
                        self._mark(chord).articulations.append("staccato")
                continue
            if name in ("arpeggiato", "wiggleArpeggiatoUp"):
                self._roll(symbol)
                continue
            wide, high = (
                (0.9, 5.0) if name in ARTICULATIONS else (1.4, 7.0) if name in ORNAMENTS else (1.2, 9.0)
            )
            chord = self._chord_at(symbol.x, symbol.box.y, wide, high)
            if chord is None:
                continue
            if name in ARTICULATIONS:
                self._mark(chord).articulations.append(ARTICULATIONS[name])
            elif name in ORNAMENTS:
                self._mark(chord).ornaments.append(ORNAMENTS[name])
            elif name == "fermata":
                self._mark(chord).fermata = True
        for t in self.timed:
            if t.event.tremolo:
                self._mark(t.event).ornaments.append(f"tremolo-{t.event.tremolo}")

    def _roll(self, symbol: Symbol) -> None:
        for t in self.timed:
            box = t.event.box
            near = t.event.heads and -0.5 * self.space < box.x0 - symbol.box.x1 < 2.2 * self.space
            if near and box.y0 - self.space < symbol.box.y < box.y1 + self.space:
                self._mark(t.event).arpeggiated = True

    def _fingers(self) -> None:
        digits = [(s.name[-1], s.box) for s in self.symbols if re.fullmatch(r"fingering[1-5]", s.name)]
        for word in self.words:
            if all(re.fullmatch(r"[1-5]", p) for p, *_ in word.pieces) and word.size < 3 * self.space:
                for digit, x0, x1 in word.pieces:
                    digits.append((digit, Box(x0, word.box.y0, x1, word.box.y1)))
        for digit, box in digits:
            if box in self.sheet.figures:
                continue
            chord = self._chord_at(box.x, box.y, 1.0, 8.0)
            if chord is not None:
                self._mark(chord).fingering.append((box.y, digit))

    def _lyrics(self) -> None:
        """Give the words of a song to its notes, under staves that are parts of their own."""
        held = [
            t.event
            for t in self.timed
            if t.event.heads
            and all(id(h) in self.ties.before or h in self.ties.comes_in for h in t.event.heads)
        ]
        sounding = [t.event for t in self.timed if t.event not in held]
        for staff in (first for first, last in self.system.groups if first == last):
            singers = singers_of(sounding, staff)
            for row, given in sung_rows(self.sheet, self.system, staff, self.words, singers):
                self.words = [w for w in self.words if w not in row]
                for event, syllable in given:
                    self._mark(event).lyrics.append(syllable.sung)

    def _text(self) -> None:
        top = self.system.staves[0]
        headings = _headings(self.sheet) if self.system is self.sheet.systems[0] else []
        for word in self.words:
            if word in headings or not is_direction(word, self.system, self.space):
                continue
            at = self._near(word.box.x0 + 0.6 * self.space).moment
            m = re.search(r"=\s*(?:ca?\.?\s*)?(\d{2,3})", word.text)
            if word.y > top.y1 and (m or _is_bold(word)) and word.box.x0 < top.x1:
                text = re.sub(r"\s*\(?\s*=\s*(?:ca?\.?\s*)?\d{2,3}\s*\)?", "", word.text).strip(" ([")
                value = float(m[1]) * self._unit(word) if m else None
                if text or value:
                    self._say("tempo", at, word.y, text, value=value)
            else:
                self._say("words", at, word.y, word.text)

    def _unit(self, word: Word) -> float:
        """Return the quarter notes of the value in a metronome mark; a quarter where none is found."""
        near = [
            s
            for s in self.symbols
            if word.box.x0 - 5 * self.space < s.x < word.box.x1 and abs(s.box.y - word.box.y) < 2 * self.space
        ]
        head = next((s for s in near if s.name in HEADS), None)
        if head is None:
            return 1.0
        value = float(HEADS[head.name])
        flagged = any(s.name.removesuffix("Up") in FLAGS for s in near)
        dotted = any(s.name in DOTS and 0 < s.box.x0 - head.box.x1 < 1.5 * self.space for s in near)
        return value * (0.5 if flagged else 1.0) * (1.5 if dotted else 1.0)

    def _slurs(self) -> None:
        for left, right, _ in self.ties.slurs:
            for kind, (x, y) in (("slur-start", left), ("slur-stop", right)):
                chord = self._chord_at(x, y, 1.5, 4.0)
                if chord is not None:
                    self._mark(chord).slurs.append((kind, y))


def _with_stem(event: Event) -> Box:
    stem = event.stem
    if stem is None:
        return event.box
    return Box(event.box.x0, min(event.box.y0, stem.y0), event.box.x1, max(event.box.y1, stem.y1))


def _letters(name: str) -> str:
    stem = name.removeprefix("dynamic")
    return _DYNAMIC_LETTERS.get(stem, stem.lower())


def _is_bold(word: Word) -> bool:
    return bool(re.search(r"bold|black|heavy", word.font, re.IGNORECASE))


def is_direction(word: Word, system: System, space: float) -> bool:
    """Say whether words tell how to play, and are no bar number, fingering, name of a part or line of a
    song.
    """
    first = system.staves[0]
    if word.box.x1 < first.x0 or not re.search(r"[^\W\d_]{2}|=", word.text):
        return False
    return not OTTAVA.fullmatch(word.text) and word.y < first.y1 + 14 * space


OTTAVA = re.compile(r"\(?(8|15)(va|vb|ma|mb|a|b)?\.?\)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Ottava:
    """A line that moves notes by octaves: on a staff, between two places, so many octaves."""

    staff: int
    x0: float
    x1: float
    octaves: int

    def covers(self, staff: int, x: float, space: float) -> bool:
        """Say whether what stands at a place of a staff is moved."""
        return staff == self.staff and self.x0 - 0.8 * space < x < self.x1 + 0.3 * space


_BEYOND = 4
"""Staff spaces past half way to the next system where an octave line may stand whose hook points here."""


def ottavas(sheet: Sheet, system: System) -> list[Ottava]:
    """Return the octave lines of a system: a figure 8 or 15 outside a staff, and its dashes."""
    space = sheet.space
    low, high = reach(sheet, system)
    labels: list[tuple[str, Box]] = []
    for symbol in sheet.symbols:
        if symbol.name.startswith(("ottava", "quindicesima")):
            labels.append(("15" if symbol.name.startswith("q") else "8", symbol.box))
    for word in sheet.words:
        m = OTTAVA.fullmatch(word.text)
        if m and (m[2] or word.text != "15"):
            labels.append((m[1], word.box))
    out = []
    for figure, box in labels:
        beyond = max(low - box.y, box.y - high)
        if beyond > _BEYOND * space or any(s.distance(box.y) < 0.5 * space for s in system.staves):
            continue
        end = _dashes(box, sheet.levels, space)
        if end is None:
            continue
        below = [i for i, s in enumerate(system.staves) if s.y1 < box.y]
        above = [i for i, s in enumerate(system.staves) if s.y0 > box.y]
        gap_below = box.y - system.staves[below[0]].y1 if below else 1e9
        gap_above = system.staves[above[-1]].y0 - box.y if above else 1e9
        octaves = 2 if figure == "15" else 1
        hook = _hook(box, end, sheet)
        # Half way between two systems the hook tells whose line it is.
        if (hook < 0 and not below) or (hook > 0 and not above) or (not hook and beyond > 0):
            continue
        if below and (gap_below <= gap_above or hook < 0) and not (above and hook > 0):
            out.append(Ottava(below[0], box.x0, end, octaves))
        else:
            out.append(Ottava(above[-1], box.x0, end, -octaves))
    return out


def _hook(box: Box, end: float, sheet: Sheet) -> int:
    """Return where the hook at the end of an octave line points: -1 down, to the staff below it, 1 up."""
    space = sheet.space
    for line in sheet.uprights:
        if abs(line.x0 - end) < 0.3 * space and 0.4 * space < line.y1 - line.y0 < 2.2 * space:
            if box.y0 - 0.6 * space < line.y1 < box.y1 + 0.6 * space:
                return -1
            if box.y0 - 0.6 * space < line.y0 < box.y1 + 0.6 * space:
                return 1
    return 0


def _dashes(box: Box, levels: Sequence[Line], space: float) -> float | None:
    """Return how far the dashes after a figure go, None where there are none."""
    row = sorted(
        (
            a
            for a in levels
            if a.width < 0.3 * space
            and abs(a.y1 - a.y0) < 0.05 * space
            and box.y0 - 0.6 * space < a.y0 < box.y1 + 0.6 * space
            and a.x0 > box.x0
        ),
        key=lambda a: a.x0,
    )
    end = box.x1
    found = False
    for a in row:
        if a.x0 - end > 3.2 * space:
            break
        end = max(end, a.x1)
        found = True
    return end if found else None


def endings(sheet: Sheet, system: System) -> Iterator[tuple[float, float, tuple[int, ...]]]:
    """Yield the brackets of first and second endings: left, right, and which times they are for."""
    space = sheet.space
    top = system.staves[0]
    _, high = reach(sheet, system)
    for word in sheet.words:
        m = re.fullmatch(r"(\d)\.?(?:\s*[,\-–]?\s*(\d)\.?)?", word.text)
        if not m or not top.y1 < word.y < high or int(m[1]) == 0:
            continue
        for line in sheet.levels:
            if (
                line.width < 0.35 * space
                and abs(line.y1 - line.y0) < 0.05 * space
                and line.x1 - line.x0 > 5 * space
                and -0.3 * space < word.box.x0 - line.x0 < 2 * space
                and -0.5 * space < line.y0 - word.box.y1 < 1.6 * space
                and any(
                    abs(u.x0 - line.x0) < 0.3 * space and abs(u.y1 - line.y0) < 0.5 * space
                    for u in sheet.uprights
                )
            ):
                yield line.x0, line.x1, tuple(int(g) for g in m.groups() if g)
                break


def _headings(sheet: Sheet) -> list[Word]:
    """Return the words well above the first system in the middle of the page or at its right edge."""
    floor, page = sheet.systems[0].staves[0].y1 + 3 * sheet.space, sheet.page
    return [
        w
        for w in sheet.words
        if w.y > floor
        and re.search(r"[^\W\d_]{2}", w.text)
        and "=" not in w.text
        and (
            abs(w.box.x - page.width / 2) < 0.12 * page.width
            or (w.box.x1 > 0.8 * page.width and w.box.x0 > page.width / 2 and w.y > floor + 4 * sheet.space)
        )
    ]


def title_and_composer(sheet: Sheet) -> tuple[str, str]:
    """Return the largest words above the first system, and the highest at its right."""
    above = _headings(sheet)
    middle = [w for w in above if abs(w.box.x - sheet.page.width / 2) < 0.12 * sheet.page.width]
    if not middle:
        return "", ""
    right = [w for w in above if w not in middle]
    composer = max(right, key=lambda w: w.y).text if right else ""
    return max(middle, key=lambda w: (w.size, w.y)).text, composer


def part_names(sheet: Sheet, system: System) -> dict[int, str]:
    """Return the names printed at the left of a system, by the staff that each part begins with."""
    out: dict[int, str] = {}
    for first, last in system.groups:
        top, bottom = system.staves[first], system.staves[last]
        for word in sheet.words:
            if (
                word.box.x1 < top.x0
                and bottom.y0 < word.box.y < top.y1
                and re.search(r"[^\W\d_]{2}", word.text)
            ):
                out.setdefault(first, word.text)
    return out


def number_directions(found: Sequence[Said]) -> tuple[Direction, ...]:
    """Make directions of what all systems have, in order of time."""
    ordered = sorted(found, key=lambda d: (d[1], d[3]))
    return tuple(
        Direction(f"d{i + 1}", kind, onset, end, staff, text, value)
        for i, (kind, onset, end, staff, text, value) in enumerate(ordered)
    )
