"""Bytes of a MusicXML score (versions 1 to 4, partwise or timewise) in, a `Score` out.

Each bar is walked once per part: positions are exact quarter notes, and where a file rounds its
durations they are set back to the note values printed. All parts meet again at every barline. Every
note, bar and direction gets an id, which is written into the tree that becomes `Score.source`.
Element names and meanings follow the MusicXML 4.0 specification (W3C Music Notation Community Group).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction

from lxml import etree

from understave.errors import UnderstaveError
from understave.score import xmltree
from understave.score.model import Direction, Measure, Note, Part, Score
from understave.score.timeline import Written, join_ties, lay_out
from understave.score.xmltree import elements
from understave.theory.pitch import LETTERS, Interval, Pitch

Element = etree._Element

TYPES = {
    "maxima": Fraction(32),
    "long": Fraction(16),
    "breve": Fraction(8),
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4),
    "32nd": Fraction(1, 8),
    "64th": Fraction(1, 16),
    "128th": Fraction(1, 32),
    "256th": Fraction(1, 64),
    "512th": Fraction(1, 128),
    "1024th": Fraction(1, 256),
}
"""Note values by their MusicXML names, in quarter notes."""

_STEPS_OF_SEMITONES = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)
_NUMBER = re.compile(r"\s*[+-]?(\d{1,12}(\.\d{0,9})?|\.\d{1,9})\s*")
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


def _number(text: str | None) -> Fraction | None:
    """Read a decimal number of sane length; None for anything else."""
    if text is None or not _NUMBER.fullmatch(text):
        return None
    return Fraction(text.strip())


def _integer(text: str | None, default: int, low: int = -1000, high: int = 1000) -> int:
    value = _number(text)
    if value is None:
        return default
    return max(low, min(high, round(value)))


@dataclass(frozen=True, slots=True)
class _State:
    """What carries over from bar to bar in one part."""

    divisions: Fraction = Fraction(1)
    transpositions: tuple[tuple[int, Interval], ...] = ()
    percussion: frozenset[int] = frozenset()


@dataclass(slots=True)
class _Head:
    """One written note, timed from the start of its bar."""

    element: Element
    onset: Fraction
    duration: Fraction
    staff: int
    voice: str
    grace: bool
    sounding: Interval
    tie_start: bool = False
    tie_stop: bool = False


@dataclass(slots=True)
class _Mark:
    """A direction, harmony or sound element, timed from the start of its bar."""

    element: Element
    onset: Fraction
    staff: int


@dataclass(slots=True)
class _Bar:
    """One bar of one part."""

    heads: list[_Head] = field(default_factory=list)
    marks: list[_Mark] = field(default_factory=list)
    changes: list[tuple[Fraction, Element]] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)
    length: Fraction = Fraction(0)
    rounded: bool = False
    filled: bool = False
    percussion: int = 0


class _Clock:
    """Position inside a bar, kept twice: as the file's divisions say and as the note values say.

    A backup leads to a place in the file's count; the exact place that was reached there before is
    looked up, so that rounded durations never add up.
    """

    def __init__(self) -> None:
        self.raw = Fraction(0)
        self.exact = Fraction(0)
        self.known: dict[Fraction, Fraction] = {Fraction(0): Fraction(0)}
        self.furthest = Fraction(0)

    def note(self, raw: Fraction, exact: Fraction) -> None:
        self.raw += raw
        self.exact += exact
        old = self.known.get(self.raw)
        if old is None or self.exact.denominator < old.denominator:
            self.known[self.raw] = self.exact
        self.furthest = max(self.furthest, self.exact)

    def move(self, raw: Fraction) -> None:
        self.raw = max(Fraction(0), self.raw + raw)
        known = self.known.get(self.raw)
        self.exact = max(Fraction(0), self.exact + raw) if known is None else known
        self.known.setdefault(self.raw, self.exact)


def _notated(note: Element) -> Fraction | None:
    """Length that a note's printed value, dots and tuplet give; None where it is not printed."""
    value = TYPES.get((note.findtext("type") or "").strip())
    if value is None:
        return None
    dots = len(note.findall("dot"))
    if dots:
        value = value * (2 - Fraction(1, 2 ** min(dots, 8)))
    change = note.find("time-modification")
    if change is not None:
        actual = _integer(change.findtext("actual-notes"), 1)
        normal = _integer(change.findtext("normal-notes"), 1)
        if actual > 0 and normal > 0:
            value = value * Fraction(normal, actual)
    return value


def _length(note: Element, divisions: Fraction, snap: bool) -> tuple[Fraction, Fraction, bool]:
    """Return a note's or rest's length by the divisions, its exact length, and whether they differ."""
    given = _number(note.findtext("duration"))
    printed = _notated(note)
    if given is None or given < 0:
        value = printed or Fraction(0)
        return value, value, False
    raw = given / divisions
    rest = note.find("rest")
    if printed is None or printed == raw or not snap or (rest is not None and rest.get("measure") == "yes"):
        return raw, raw, False
    if abs(raw - printed) * divisions < 1:
        return raw, printed, True
    return raw, raw, False


def _attributes(state: _State, element: Element) -> _State:
    divisions = _number(element.findtext("divisions"))
    if divisions is not None and divisions > 0:
        state = replace(state, divisions=divisions)
    for t in element.findall("transpose"):
        chromatic = _integer(t.findtext("chromatic"), 0)
        octaves = _integer(t.findtext("octave-change"), 0, -9, 9)
        steps = t.findtext("diatonic")
        sign = -1 if chromatic < 0 else 1
        size = abs(chromatic)
        usual = sign * (_STEPS_OF_SEMITONES[size % 12] + 7 * (size // 12))
        diatonic = _integer(steps, usual)
        interval = Interval(diatonic + 7 * octaves, chromatic + 12 * octaves)
        staff = _integer(t.get("number"), 0)
        kept = tuple(x for x in state.transpositions if staff != 0 and x[0] != staff)
        state = replace(state, transpositions=(*kept, (staff, interval)))
    for clef in element.findall("clef"):
        staff = _integer(clef.get("number"), 1)
        if (clef.findtext("sign") or "").strip() == "percussion":
            state = replace(state, percussion=state.percussion | {staff})
        else:
            state = replace(state, percussion=state.percussion - {staff})
    return state


def _transposition(state: _State, staff: int) -> Interval:
    found = dict(state.transpositions)
    return found.get(staff) or found.get(0) or Interval(0, 0)


def _tie_marks(note: Element) -> tuple[bool, bool]:
    kinds = {t.get("type") for t in note.findall("tie")}
    if not kinds:
        kinds = {t.get("type") for t in note.findall("notations/tied")}
    return "start" in kinds or "continue" in kinds, "stop" in kinds or "continue" in kinds


def _walk(measure: Element, state: _State, snap: bool) -> tuple[_Bar, _State]:
    """Time everything in one bar of one part."""
    bar = _Bar()
    clock = _Clock()
    chord_onset = Fraction(0)
    chord = (Fraction(0), Fraction(0))
    chord_value: Fraction | None = None
    voice = "1"
    for e in elements(measure):
        if e.tag == "note":
            grace = e.find("grace") is not None
            in_chord = e.find("chord") is not None
            if grace:
                raw = exact = Fraction(0)
            else:
                raw, exact, differs = _length(e, state.divisions, snap)
                bar.rounded |= differs
                if in_chord:
                    # A chord is as long as its first note, unless another value is printed for this one.
                    value = _notated(e)
                    if value is None or value == chord_value or abs(raw - chord[0]) * state.divisions < 1:
                        exact = chord[1]
                else:
                    chord_onset, chord, chord_value = clock.exact, (raw, exact), _notated(e)
            if grace and not in_chord:
                chord_onset = clock.exact
            if not (in_chord and e.find("voice") is None):
                voice = (e.findtext("voice") or "1").strip()
            staff = _integer(e.findtext("staff"), 1, 1, 64)
            if e.find("pitch") is not None and staff not in state.percussion:
                start, stop = _tie_marks(e)
                bar.heads.append(
                    _Head(
                        e,
                        chord_onset,
                        exact,
                        staff,
                        voice,
                        grace or exact == 0,
                        _transposition(state, staff),
                        start,
                        stop,
                    )
                )
            elif e.find("rest") is None:
                bar.percussion += 1
            if e.find("notations/fermata") is not None and not in_chord:
                bar.marks.append(_Mark(e, chord_onset, staff))
            bar.filled = True
            if not in_chord:
                bar.places.append(Place(chord_onset, staff, state.divisions, e))
            if not in_chord and not grace:
                clock.note(raw, exact)
        elif e.tag in ("backup", "forward"):
            amount = (_number(e.findtext("duration")) or Fraction(0)) / state.divisions
            clock.move(-amount if e.tag == "backup" else amount)
            if e.tag == "forward":
                clock.furthest = max(clock.furthest, clock.exact)
        elif e.tag == "attributes":
            state = _attributes(state, e)
            bar.changes.append((clock.exact, e))
        elif e.tag in ("direction", "harmony", "figured-bass", "sound"):
            shift = (_number(e.findtext("offset")) or Fraction(0)) / state.divisions
            staff = _integer(e.findtext("staff"), 1, 1, 64)
            bar.marks.append(_Mark(e, max(Fraction(0), clock.exact + shift), staff))
        elif e.tag == "barline":
            bar.marks.append(_Mark(e, clock.furthest, 1))
    bar.length = clock.furthest
    return bar, state


def _best_walk(measure: Element, state: _State, full: Fraction | None) -> tuple[_Bar, _State]:
    """Walk a bar with printed values where durations are rounded, unless that fills it worse."""
    bar, after = _walk(measure, state, snap=True)
    if not bar.rounded or full is None or bar.length == full:
        return bar, after
    plain_bar, _ = _walk(measure, state, snap=False)
    if abs(plain_bar.length - full) < abs(bar.length - full) - Fraction(1, 64):
        return plain_bar, after
    return bar, after


_ON_BARLINES = ("segno", "coda", "fermata")


def _add_ids(root: Element, parts: list[Element]) -> None:
    """Give each note, bar and direction without a unique id one that depends only on its place."""
    kept = ("note", "measure", "direction", "harmony", "figured-bass", "sound", "barline")
    taken: set[str] = set()
    for e in root.iter(etree.Element):
        own = e.get("id")
        if own is None or e.tag in ("part", "score-part", "score-instrument", "midi-instrument"):
            if own is not None and e.tag != "part":
                taken.add(own)
            continue
        if e.tag in kept and (own in taken or not re.fullmatch(r"[A-Za-z_][\w.-]*", own)):
            del e.attrib["id"]
        else:
            taken.add(own)

    def new(wish: str) -> str:
        name, k = wish, 1
        while name in taken:
            k += 1
            name = f"{wish}.{k}"
        taken.add(name)
        return name

    counts: dict[tuple[int, str], int] = {}
    for p, part in enumerate(parts):
        for i, measure in enumerate(part.iterchildren("measure")):
            if p == 0 and measure.get("id") is None:
                measure.set("id", new(f"m{i + 1}"))
            for e in measure.iterchildren(*kept):
                if e.tag == "barline" and not any(e.find(t) is not None for t in _ON_BARLINES):
                    continue
                letter = "n" if e.tag == "note" else "d"
                count = counts[i, letter] = counts.get((i, letter), 0) + 1
                if e.get("id") is None:
                    e.set("id", new(f"{letter}{i + 1}-{count}"))


def _meter(time: Element) -> tuple[int, int] | None:
    """Return beats and beat type of a time element; None without a meter (senza misura)."""
    total = Fraction(0)
    largest = 1
    types = time.findall("beat-type")
    for beats, kind in zip(time.findall("beats"), types, strict=False):
        unit = _integer(kind.text, 4, 1, 512)
        counts = [int(x[:3]) for x in re.findall(r"\d+", beats.text or "")]
        total += Fraction(sum(counts), unit)
        largest = max(largest, unit)
    if not total:
        return None
    count = total * largest
    return (int(count), largest) if count.denominator == 1 else (count.numerator, largest * count.denominator)


def meter_of_length(length: Fraction) -> tuple[int, int]:
    """Return beats and beat type that hold a length in quarter notes: the meter of a bar without one."""
    if length <= 0:
        return (4, 4)
    unit = 4
    while (length * unit / 4).denominator != 1 and unit < 1024:
        unit *= 2
    count = length * unit / 4
    return (count.numerator, unit * count.denominator)


def _signature(key: Element) -> tuple[int, str | None]:
    fifths = key.find("fifths")
    if fifths is not None:
        mode = (key.findtext("mode") or "").strip().lower() or None
        return _integer(fifths.text, 0, -14, 14), (None if mode == "none" else mode)
    alters = [_integer(a.text, 0, -3, 3) for a in key.findall("key-alter")]
    return sum(alters), None


@dataclass(slots=True)
class _Frame:
    """What all parts together say about one bar."""

    id: str
    number: str
    implicit: bool
    length: Fraction = Fraction(0)
    filled: bool = False
    meter: tuple[int, int] | None = None
    signature: tuple[int, str | None] = (0, None)
    repeat_start: bool = False
    repeat_end: bool = False
    ending: tuple[int, ...] = ()
    fresh: bool = False


def _octave_shift(pitch: Pitch, steps: int) -> Pitch:
    return Pitch(pitch.letter, pitch.alter, pitch.octave + steps)


def _pitch(note: Element, where: str) -> Pitch:
    p = note.find("pitch")
    assert p is not None
    step = (p.findtext("step") or "").strip().upper()
    octave = _number(p.findtext("octave"))
    alter = _number(p.findtext("alter")) or Fraction(0)
    if step not in LETTERS or len(step) != 1 or octave is None or abs(octave) > 20 or abs(alter) > 20:
        raise UnderstaveError(
            f"{where} has a note without a readable pitch; correct it in your notation program."
        )
    # A quarter tone is rounded towards the plain note: harmony is read in twelve steps.
    return Pitch(step, int(alter), int(octave))


_ORNAMENTS = {
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


def _ornaments(note: Element) -> tuple[str, ...]:
    out: list[str] = []
    for group in note.iterfind("notations/ornaments"):
        for e in elements(group):
            if e.tag == "tremolo":
                kind = e.get("type", "single")
                marks = (e.text or "").strip() or "3"
                out.append(f"tremolo-{marks}" if kind == "single" else f"tremolo-{kind}-{marks}")
            elif e.tag == "wavy-line":
                out.append(f"wavy-line-{e.get('type', 'start')}")
            elif e.tag == "accidental-mark":
                out.append(f"accidental-{(e.text or '').strip()}")
            elif e.tag != "other-ornament":
                out.append(_ORNAMENTS.get(e.tag, e.tag))
    return tuple(out)


def _articulations(note: Element) -> tuple[str, ...]:
    out = [e.tag for group in note.iterfind("notations/articulations") for e in elements(group)]
    out += [f"slur-{s.get('type')}" for s in note.iterfind("notations/slur")]
    out += [f"glissando-{s.get('type')}" for s in note.iterfind("notations/glissando")]
    tied = [*note.iterfind("tie"), *note.iterfind("notations/tied")]
    if any(t.get("type") == "let-ring" for t in tied):
        out.append("let-ring")
    return tuple(out)


def _lyrics(note: Element) -> tuple[str, ...]:
    out = []
    for lyric in note.iterfind("lyric"):
        text = ""
        open_end = False
        for e in elements(lyric):
            if e.tag == "text":
                text += e.text or ""
            elif e.tag == "elision":
                text += e.text or " "
            elif e.tag == "syllabic":
                open_end = (e.text or "").strip() in ("begin", "middle")
        if text:
            out.append(text + ("-" if open_end else ""))
    return tuple(out)


def _note(head: _Head, start: Fraction, measure: int, part: int, first_staff: int, where: str) -> Written:
    e = head.element
    pitch = _pitch(e, where)
    name = e.get("id", "")
    sounding = pitch + head.sounding if head.sounding.semitones or head.sounding.steps else pitch
    has_notations = e.find("notations") is not None
    note = Note(
        id=name,
        onset=start + head.onset,
        duration=Fraction(0) if head.grace else head.duration,
        pitch=sounding,
        written=pitch,
        staff=first_staff + head.staff - 1,
        voice=head.voice,
        part=part,
        measure=measure,
        ids=(name,),
        grace=head.grace,
        cue=e.find("cue") is not None,
        ornaments=_ornaments(e) if has_notations else (),
        articulations=_articulations(e) if has_notations else (),
        fingering=tuple(
            (f.text or "").strip()
            for f in e.iterfind("notations/technical/fingering")
            if (f.text or "").strip()
        ),
        fermata=e.find("notations/fermata") is not None,
        arpeggiated=e.find("notations/arpeggiate") is not None,
        lyrics=_lyrics(e),
    )
    return Written(note, head.tie_start, head.tie_stop)


def _alter_text(text: str | None) -> str:
    alter = _integer(text, 0, -4, 4)
    return "#" * alter if alter > 0 else "b" * -alter


def harmony_text(harmony: Element) -> str:
    """Return a harmony element as a chord symbol, for example ``"Bbm7/Db"``."""
    out = []
    for e in elements(harmony):
        if e.tag == "root":
            step = e.find("root-step")
            shown = step.get("text") if step is not None else None
            name = shown or (e.findtext("root-step") or "").strip()
            out.append(name + _alter_text(e.findtext("root-alter")))
        elif e.tag in ("function", "numeral"):
            root = e.find("numeral-root")
            out.append(
                (
                    e.text
                    if e.tag == "function"
                    else (root.get("text") or root.text)
                    if root is not None
                    else ""
                )
                or ""
            )
        elif e.tag == "kind":
            shown = e.get("text")
            kind = (e.text or "").strip()
            out.append(KINDS.get(kind, kind) if shown is None else shown)
            if kind == "none" and not out[-1]:
                out[-1] = "N.C."
        elif e.tag == "degree":
            value = (e.findtext("degree-value") or "").strip()
            kind = (e.findtext("degree-type") or "").strip()
            word = {"add": "add", "subtract": "no"}.get(kind, "")
            accidental = _alter_text(e.findtext("degree-alter"))
            out.append(f"({'' if accidental and word == 'add' else word}{accidental}{value})")
        elif e.tag == "bass":
            out.append("/" + (e.findtext("bass-step") or "").strip() + _alter_text(e.findtext("bass-alter")))
    return "".join(out)


def _metronome(e: Element) -> tuple[str, float | None]:
    units = e.findall("beat-unit")
    unit = (e.findtext("beat-unit") or "").strip()
    value = TYPES.get(unit)
    dots = len(e.findall("beat-unit-dot"))
    text = (e.findtext("per-minute") or "").strip()
    if value is None or len(units) > 1 or not text:
        return "".join(e.itertext()).strip(), None
    value = value * (2 - Fraction(1, 2 ** min(dots, 4)))
    number = re.search(r"\d{1,4}(\.\d{1,6})?", text)
    shown = f"{unit}{'.' * dots} = {text}"
    return shown, (float(value * Fraction(number[0])) if number else None)


@dataclass(slots=True)
class _Open:
    """A line that has begun and not yet ended: wedge, dashes, ottava."""

    index: int
    element: Element


class _Directions:
    """Collects the directions of one part; lines are closed by their number as the file goes on."""

    def __init__(self, first_staff: int, last_staff: int) -> None:
        self.first_staff = first_staff
        self.last_staff = last_staff
        self.out: list[Direction] = []
        self.open: dict[tuple[str, str, int], int] = {}
        self.shifts: list[tuple[Fraction, Fraction | None, int, int]] = []

    def _add(
        self,
        mark: _Mark,
        onset: Fraction,
        kind: str,
        text: str,
        value: float | None = None,
        end: Fraction | None = None,
    ) -> int:
        own = mark.element.get("id", "") or kind
        k = sum(1 for d in self.out[-8:] if d.id == own or d.id.startswith(own + "."))
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

    def read(self, mark: _Mark, start: Fraction) -> None:
        e = mark.element
        onset = start + mark.onset
        if e.tag == "note":
            self._add(mark, onset, "fermata", "fermata")
        elif e.tag == "barline":
            for child in elements(e):
                if child.tag in _ON_BARLINES:
                    self._add(mark, onset, child.tag, child.tag)
        elif e.tag == "harmony":
            text = harmony_text(e)
            if text:
                self._add(mark, onset, "chord-symbol", text)
        elif e.tag == "figured-bass":
            figures = [
                "".join((f.findtext(t) or "").strip() for t in ("prefix", "figure-number", "suffix"))
                for f in e.findall("figure")
            ]
            self._add(mark, onset, "other", "figured bass " + " ".join(figures))
        elif e.tag == "sound":
            tempo = _number(e.get("tempo"))
            if tempo:
                self._add(mark, onset, "tempo", "", float(tempo))
        else:
            self._direction(mark, e, onset)

    def _direction(self, mark: _Mark, e: Element, onset: Fraction) -> None:
        sound = e.find("sound")
        tempo = _number(sound.get("tempo")) if sound is not None else None
        depth = _depth(sound.get("damper-pedal")) if sound is not None else None
        words: list[str] = []
        metronome = ""
        rate: float | None = None
        spoken: int | None = None
        for child in (c for group in e.findall("direction-type") for c in elements(group)):
            tag = child.tag
            if tag in ("words", "symbol"):
                if tag == "words" and (child.text or "").strip():
                    words.append(" ".join((child.text or "").split()))
            elif tag == "metronome":
                shown, own = _metronome(child)
                metronome = metronome or shown
                rate = own if rate is None else rate
            elif tag == "dynamics":
                for d in elements(child):
                    text = (d.text or "").strip() if d.tag == "other-dynamics" else d.tag
                    self._add(mark, onset, "dynamic", text)
            elif tag == "wedge":
                self._line(mark, child, onset, "wedge", child.get("type", ""))
            elif tag in ("dashes", "bracket"):
                if child.get("type") == "stop":
                    self._close(tag, child.get("number", "1"), mark.staff, onset)
                elif child.get("type") == "start":
                    if words and spoken is None:
                        spoken = self._add(mark, onset, "words", " ".join(words))
                        words = []
                    index = spoken if spoken is not None else self._add(mark, onset, "other", tag)
                    self.open[tag, child.get("number", "1"), mark.staff] = index
            elif tag == "octave-shift":
                self._ottava(mark, child, onset)
            elif tag == "pedal":
                kind = child.get("type", "start")
                self._add(mark, onset, "pedal", kind, depth)
            elif tag in ("rehearsal", "segno", "coda"):
                self._add(mark, onset, tag, (child.text or "").strip() or tag)
            else:
                self._add(mark, onset, "other", (child.text or "").strip() or tag)
        if metronome or (tempo and words):
            text = " ".join([*words, metronome]).strip()
            self._add(mark, onset, "tempo", text, rate if rate is not None else float(tempo or 0) or None)
        elif words:
            self._add(mark, onset, "words", " ".join(words))
        elif tempo:
            self._add(mark, onset, "tempo", "", float(tempo))
        if depth is not None and e.find("direction-type/pedal") is None:
            self._add(mark, onset, "pedal", "start" if depth > 0 else "stop", depth)

    def _line(self, mark: _Mark, child: Element, onset: Fraction, kind: str, what: str) -> None:
        number = child.get("number", "1")
        if what == "stop":
            self._close(kind, number, mark.staff, onset)
        elif what in ("crescendo", "diminuendo"):
            if (kind, number, mark.staff) in self.open:
                self._close(kind, number, mark.staff, onset)
            self.open[kind, number, mark.staff] = self._add(mark, onset, kind, what)

    def _ottava(self, mark: _Mark, child: Element, onset: Fraction) -> None:
        number = child.get("number", "1")
        what = child.get("type", "")
        if what == "stop":
            self._close("ottava", number, mark.staff, onset)
        elif what in ("up", "down"):
            size = _integer(child.get("size"), 8, 8, 22)
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
    value = _number(text)
    return None if value is None else float(max(Fraction(0), min(Fraction(1), value / 100)))


_OCTAVES = {"8va": -1, "15ma": -2, "22ma": -3, "8vb": 1, "15mb": 2, "22mb": 3}


def _under_ottavas(notes: list[Written], lines: list[Direction]) -> list[Written]:
    """Set `written` an octave off where an ottava line covers a note of its staff."""
    if not lines:
        return notes
    out = []
    for w in notes:
        n = w.note
        for line in lines:
            if line.staff == n.staff and line.onset <= n.onset and (line.end is None or n.onset < line.end):
                n = replace(n, written=_octave_shift(n.written, _OCTAVES[line.text]))
                break
        out.append(replace(w, note=n))
    return out


def _check_root(root: Element, name: str) -> None:
    if root.tag == "opus":
        raise UnderstaveError(
            f"{name} is a list of scores (an opus), not a score; give one of the scores it lists."
        )
    if root.tag not in ("score-partwise", "score-timewise"):
        raise UnderstaveError(
            f"{name} is XML but not a MusicXML score (it begins with <{root.tag}>); give a .musicxml or .mxl file."
        )
    version = root.get("version", "1.0").strip()
    m = re.fullmatch(r"(\d{1,3})(\.\d+)*", version)
    if not m or not 0 < int(m[1]) <= 4:
        raise UnderstaveError(
            f"{name} says it is MusicXML version {version!r}; versions 1 to 4 can be read, so export it as MusicXML 4.0."
        )


def _metadata(root: Element) -> tuple[str, str, dict[str, str]]:
    def text(path: str) -> str:
        return " ".join((root.findtext(path) or "").split())

    title = text("work/work-title") or text("movement-title")
    meta: dict[str, str] = {}
    for key, path in (
        ("work", "work/work-title"),
        ("work-number", "work/work-number"),
        ("movement", "movement-title"),
        ("movement-number", "movement-number"),
        ("rights", "identification/rights"),
        ("software", "identification/encoding/software"),
        ("encoding-date", "identification/encoding/encoding-date"),
        ("source", "identification/source"),
    ):
        if text(path):
            meta[key] = text(path)
    composer = ""
    for creator in root.iterfind("identification/creator"):
        value = " ".join((creator.text or "").split())
        kind = creator.get("type", "composer")
        if value:
            meta.setdefault(kind, value)
            composer = composer or (value if kind == "composer" else "")
    for credit in root.iterfind("credit"):
        kind = (credit.findtext("credit-type") or "").strip()
        words = " ".join(" ".join((w.text or "").split()) for w in credit.findall("credit-words")).strip()
        if words and kind in ("title", "composer", "subtitle", "lyricist", "arranger"):
            meta.setdefault(kind, words)
            title = title or (words if kind == "title" else "")
            composer = composer or (words if kind == "composer" else "")
    return title, composer, meta


def _part_names(root: Element) -> dict[str, str]:
    names = {}
    for p in root.iterfind("part-list/score-part"):
        names[p.get("id", "")] = " ".join((p.findtext("part-name") or "").split())
    return names


def _staff_count(part: Element) -> int:
    most = 1
    for e in part.iter("staves"):
        most = max(most, _integer(e.text, 1, 1, 64))
    for e in part.iterfind("measure/note/staff"):
        most = max(most, _integer(e.text, 1, 1, 64))
    return most


def _frames(parts: list[Element]) -> list[_Frame]:
    count = max(len(p.findall("measure")) for p in parts)
    frames: list[_Frame] = []
    for i in range(count):
        frames.append(_Frame(f"m{i + 1}", str(i + 1), False))
    for part in reversed(parts):
        for frame, measure in zip(frames, part.iterchildren("measure"), strict=False):
            frame.id = measure.get("id", frame.id)
            frame.number = measure.get("number", frame.number)
            frame.implicit = measure.get("implicit") == "yes"
    return frames


def _meters(parts: list[Element], count: int) -> list[tuple[int, int] | None]:
    """The meter of each bar from the first part that prints one; a change inside a bar waits for the next."""
    changes: dict[int, tuple[int, int] | None] = {}
    for part in parts:
        for i, measure in enumerate(part.iterchildren("measure")):
            begun = False
            for e in elements(measure):
                if e.tag == "attributes":
                    for time in e.findall("time")[:1]:
                        changes.setdefault(i + 1 if begun else i, _meter(time))
                elif e.tag in ("note", "forward"):
                    begun = True
                elif e.tag == "backup":
                    begun = False
    out: list[tuple[int, int] | None] = []
    now: tuple[int, int] | None = None
    for i in range(count):
        now = changes.get(i, now)
        out.append(now)
    return out


def _read_barlines(measures: list[list[_Mark]], frames: list[_Frame]) -> None:
    """Set repeats, endings and section starts of all bars from the barlines of one part."""
    now: tuple[int, ...] = ()
    for i, (marks, frame) in enumerate(zip(measures, frames, strict=False)):
        stop = False
        for mark in marks:
            e = mark.element
            if e.tag != "barline":
                continue
            ending = e.find("ending")
            if ending is not None:
                if ending.get("type") == "start":
                    now = tuple(int(x[:4]) for x in re.findall(r"\d+", ending.get("number", "")))
                    stop = False
                else:
                    stop = True
            repeat = e.find("repeat")
            if repeat is not None:
                if repeat.get("direction") == "forward":
                    frame.repeat_start = True
                else:
                    frame.repeat_end = True
            style = (e.findtext("bar-style") or "").strip()
            if (
                style in ("light-heavy", "light-light", "heavy-heavy")
                and e.get("location") != "left"
                and i + 1 < len(frames)
            ):
                frames[i + 1].fresh = True
        frame.ending = frame.ending or now
        if stop:
            now = ()


def read_musicxml(data: bytes, name: str = "The file") -> Score:
    """Read MusicXML bytes; `name` is what error sentences call the file.

    Raises UnderstaveError if the bytes are not a MusicXML score of version 1 to 4 with pitched notes.
    """
    root = xmltree.parse(data, name)
    xmltree.strip_namespaces(root)
    _check_root(root, name)
    root = xmltree.to_partwise(root)
    return read_tree(root, name)


def read_tree(root: Element, name: str) -> Score:
    """Read a score-partwise tree; ids are added to it."""
    parts = [p for p in root.findall("part") if p.find("measure") is not None]
    if not parts:
        raise UnderstaveError(f"{name} holds no bars; export it again from your notation program.")
    _add_ids(root, parts)
    frames = _frames(parts)
    meters = _meters(parts, len(frames))
    warnings: list[str] = []
    bars_of: list[list[_Bar]] = []
    keys: dict[int, tuple[int, str | None]] = {}
    key_plain: dict[int, bool] = {}
    for part in parts:
        state = _State()
        bars: list[_Bar] = []
        for i, measure in enumerate(part.iterchildren("measure")):
            meter = meters[i]
            full = Fraction(4 * meter[0], meter[1]) if meter else None
            bar, state = _best_walk(measure, state, full)
            bars.append(bar)
            for moment, e in bar.changes:
                key = e.find("key")
                if key is None:
                    continue
                at = i + 1 if moment > 0 else i
                shift = _transposition(state, 1)
                if at not in keys or (not key_plain[at] and shift.semitones == 0):
                    fifths, mode = _signature(key)
                    keys[at] = (fifths + shift.fifths if shift.semitones else fifths, mode)
                    key_plain[at] = shift.semitones == 0
        bars_of.append(bars)
        if len(bars) != len(frames):
            warnings.append(
                f"Part {len(bars_of)} has {len(bars)} bars and the longest part {len(frames)}; the rest counts as silent."
            )
    signature: tuple[int, str | None] = (0, None)
    for i, frame in enumerate(frames):
        signature = keys.get(i, signature)
        frame.signature = signature
        present = [bars[i] for bars in bars_of if i < len(bars)]
        frame.length = max(b.length for b in present)
        frame.filled = any(b.filled for b in present)
        meter = meters[i]
        if meter is None:
            frame.meter = meter_of_length(frame.length)
        else:
            frame.meter = meter
            full = Fraction(4 * meter[0], meter[1])
            if not frame.length or (frame.length != full and abs(frame.length - full) < Fraction(1, 32)):
                frame.length = full
    for bars in bars_of:
        _read_barlines([b.marks for b in bars], frames)
    measures, said = lay_out(
        [
            Measure(
                id=f.id,
                index=i,
                number=f.number,
                start=Fraction(0),
                length=f.length,
                beats=(f.meter or (4, 4))[0],
                beat_type=(f.meter or (4, 4))[1],
                signature=f.signature[0],
                mode=f.signature[1],
                repeat_start=f.repeat_start,
                repeat_end=f.repeat_end,
                ending=f.ending,
            )
            for i, f in enumerate(frames)
        ],
        implicit={i for i, f in enumerate(frames) if f.implicit},
        fresh={i for i, f in enumerate(frames) if f.fresh},
    )
    warnings += said

    names = _part_names(root)
    score_parts: list[Part] = []
    written: list[Written] = []
    directions: list[Direction] = []
    percussion: list[str] = []
    staff = 1
    for p, (part, bars) in enumerate(zip(parts, bars_of, strict=True)):
        count = _staff_count(part)
        key = part.get("id", f"P{p + 1}")
        label = names.get(key) or f"Part {p + 1}"
        score_parts.append(Part(key, names.get(key, ""), staff, staff + count - 1))
        heads: list[Written] = []
        lines = _Directions(staff, staff + count - 1)
        for measure, bar in zip(measures, bars, strict=False):
            where = f"Bar {measure.number} of {label} in {name}"
            heads += [_note(h, measure.start, measure.index, p, staff, where) for h in bar.heads]
            for mark in bar.marks:
                lines.read(mark, measure.start)
        written += _under_ottavas(heads, [d for d in lines.out if d.kind == "ottava"])
        directions += lines.out
        if any(b.percussion for b in bars):
            percussion.append(label)
        staff += count
    if not written:
        if percussion:
            raise UnderstaveError(f"{name} holds only unpitched percussion; harmony needs notes with pitch.")
        raise UnderstaveError(f"{name} holds no notes; give a score with notes in it.")
    for label in percussion:
        warnings.append(f"The unpitched percussion of {label} is left out of the reading.")
    title, composer, metadata = _metadata(root)
    return Score(
        title=title,
        composer=composer,
        parts=tuple(score_parts),
        measures=measures,
        notes=join_ties(written),
        directions=tuple(sorted(directions, key=lambda d: (d.onset, d.staff))),
        metadata=metadata,
        warnings=tuple(warnings),
        source=xmltree.to_bytes(root),
    )


@dataclass(frozen=True, slots=True)
class Place:
    """A note or rest that can carry something before it: when, on which staff of its part."""

    onset: Fraction
    staff: int
    divisions: Fraction
    element: Element


@dataclass(frozen=True, slots=True)
class BarPlaces:
    """The places of one bar of one part in document order; `divisions` are those at its end."""

    element: Element
    divisions: Fraction
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True)
class PartPlaces:
    """The bars of one part and its range of staves counted over the whole score."""

    first_staff: int
    last_staff: int
    bars: tuple[BarPlaces, ...]


def positions(root: Element) -> Iterator[PartPlaces]:
    """Time every note and rest of a partwise tree as `read_tree` does, part by part."""
    parts = [p for p in root.findall("part") if p.find("measure") is not None]
    meters = _meters(parts, max((len(p.findall("measure")) for p in parts), default=0))
    staff = 1
    for part in parts:
        count = _staff_count(part)
        state = _State()
        bars = []
        for measure, meter in zip(part.iterchildren("measure"), meters, strict=False):
            full = Fraction(4 * meter[0], meter[1]) if meter else None
            bar, state = _best_walk(measure, state, full)
            bars.append(BarPlaces(measure, state.divisions, tuple(bar.places)))
        yield PartPlaces(staff, staff + count - 1, tuple(bars))
        staff += count
