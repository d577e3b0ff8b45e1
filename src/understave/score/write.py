"""A `Score` in, MusicXML bytes out; and elements put into a MusicXML tree at a moment and staff.

A score read from MusicXML gives back the tree it came from. For any other score a full MusicXML 4.0
partwise tree is built: voices, ties over barlines, tuplets, beams, accidentals, clefs, directions.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import lcm
from typing import TypeAlias

from lxml import etree

from understave.score.model import Direction, Measure, Note, Score
from understave.score.notated import (
    CLEFS,
    Event,
    Piece,
    Slurs,
    Value,
    accidentals_of,
    choose_clefs,
    cut,
    filled,
    mark_beams,
    mark_tuplets,
    name_voices,
    natural,
    pair_slurs,
    streams,
    value_of,
)
from understave.score.readers.musicxml_marks import KINDS, ORNAMENTS
from understave.score.readers.musicxml_time import positions
from understave.theory.pitch import Interval, Pitch, PitchClass

Element = etree._Element
_DOCTYPE = (
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)


# Elements ----------------------------------------------------------------------------------------------


def _sub(parent: Element, tag: str, content: object = None, /, **attributes: str) -> Element:
    element = etree.SubElement(parent, tag, {k.replace("_", "-"): v for k, v in attributes.items()})
    if content is not None:
        element.text = str(content)
    return element


def _add_pitch(parent: Element, pitch: Pitch) -> None:
    element = _sub(parent, "pitch")
    _sub(element, "step", pitch.letter)
    if pitch.alter:
        _sub(element, "alter", pitch.alter)
    _sub(element, "octave", max(0, min(9, pitch.octave)))


_ORNAMENT_TAGS = {name: tag for tag, name in ORNAMENTS.items()}
_ARTICULATION_TAGS = frozenset(
    (
        *("accent", "strong-accent", "soft-accent", "stress", "unstress"),
        *("staccato", "staccatissimo", "spiccato", "tenuto", "detached-legato"),
        *("scoop", "plop", "doit", "falloff", "breath-mark", "caesura"),
    )
)


def _notations(
    parent: Element,
    piece: Piece,
    first: bool,
    tuplet: str,
    slurs: Slurs,
    fermata: bool,
) -> None:
    """Add the notations of a note; `first` for the first note of a chord, which carries its signs."""
    note = piece.note
    box = etree.Element("notations")
    if piece.tie_stop:
        _sub(box, "tied", type="stop")
    if piece.tie_start:
        _sub(box, "tied", type="start")
    if "let-ring" in note.articulations and not piece.tie_start:
        _sub(box, "tied", type="let-ring")
    for kind, number in slurs.get(piece.id, ()):
        _sub(box, "slur", type=kind, number=number)
    if first and tuplet in ("start", "both"):
        _sub(box, "tuplet", type="start", bracket="yes")
    if first and tuplet in ("stop", "both"):
        _sub(box, "tuplet", type="stop")
    if not piece.tie_stop:
        _struck_marks(box, note)
    if first and fermata:
        _sub(box, "fermata")
    if len(box):
        parent.append(box)


def _struck_marks(box: Element, note: Note) -> None:
    """Add what belongs to a note where it is struck, not where it is held over."""
    _ornament_elements(box, note)
    if note.fingering:
        technical = _sub(box, "technical")
        for f in note.fingering:
            _sub(technical, "fingering", f)
    marks = [a for a in note.articulations if a in _ARTICULATION_TAGS]
    if marks:
        group = _sub(box, "articulations")
        for a in marks:
            _sub(group, a)
    if note.arpeggiated:
        _sub(box, "arpeggiate")


def _rest_notations(parent: Element, tuplet: str, fermata: bool) -> None:
    """Add the notations of a rest."""
    box = etree.Element("notations")
    for kind in {"": (), "both": ("start", "stop")}.get(tuplet, (tuplet,)):
        _sub(box, "tuplet", type=kind)
    if fermata:
        _sub(box, "fermata")
    if len(box):
        parent.append(box)


def _value_elements(parent: Element, value: Value, piece: Piece | None, accidental: str | None) -> None:
    """Add a note value as it is printed, with the accidental that stands between its type and its tuplet."""
    _sub(parent, "type", value.type, **({"size": "cue"} if piece is not None and piece.note.small else {}))
    for _ in range(value.dots):
        _sub(parent, "dot")
    if accidental is not None:
        _sub(parent, "accidental", accidental)
    if value.actual > 1:
        change = _sub(parent, "time-modification")
        _sub(change, "actual-notes", value.actual)
        _sub(change, "normal-notes", value.normal)


def _ornament_elements(box: Element, note: Note) -> None:
    if not note.ornaments:
        return
    group = etree.Element("ornaments")
    for o in note.ornaments:
        if o.startswith("tremolo-"):
            words = o.split("-")
            kind = words[1] if len(words) == 3 else "single"
            marks = words[-1] if words[-1].isdigit() else "3"
            _sub(group, "tremolo", min(8, int(marks)), type=kind)
        elif o.startswith("wavy-line-"):
            _sub(group, "wavy-line", type=o.removeprefix("wavy-line-"))
        elif o.startswith("accidental-"):
            _sub(group, "accidental-mark", o.removeprefix("accidental-"))
        elif o in _ORNAMENT_TAGS:
            _sub(group, _ORNAMENT_TAGS[o])
        else:
            _sub(group, "other-ornament", o)
    box.append(group)


def _lyrics(parent: Element, note: Note, open_words: dict[tuple[int, int], bool]) -> None:
    for verse, text in enumerate(note.lyrics):
        key = (note.part, verse)
        more = text.endswith("-") and len(text) > 1
        inside = open_words.get(key, False)
        open_words[key] = more
        lyric = _sub(parent, "lyric", number=str(verse + 1))
        _sub(lyric, "syllabic", ("middle" if more else "end") if inside else ("begin" if more else "single"))
        _sub(lyric, "text", text[:-1] if more else text)


@dataclass(slots=True)
class _Writer:
    """What one part's bars have in common while they are written."""

    score: Score
    part: int
    transposition: Interval
    fermatas: Counter[tuple[int, Fraction]]
    slurs: Slurs
    open_words: dict[tuple[int, int], bool] = field(default_factory=dict)

    @property
    def first_staff(self) -> int:
        return self.score.parts[self.part].first_staff

    @property
    def staves(self) -> int:
        part = self.score.parts[self.part]
        return part.last_staff - part.first_staff + 1

    def printed(self, note: Note) -> Pitch:
        """Pitch as a MusicXML file has it: sounding, but for the part's own transposition."""
        t = self.transposition
        return note.pitch + Interval(-t.steps, -t.semitones) if t.semitones or t.steps else note.pitch

    def fermata(self, staff: int, moment: Fraction) -> bool:
        """Take one fermata that stands over a staff at a moment, if there is one left."""
        if not self.fermatas[staff, moment]:
            return False
        self.fermatas[staff, moment] -= 1
        return True

    def event(
        self,
        parent: Element,
        event: Event,
        voice: str,
        start: Fraction,
        accidentals: dict[int, str],
        flagged: set[tuple[int, Fraction]],
    ) -> None:
        """Write a chord, grace note or rest of a bar that begins at `start`.

        `flagged` holds staves and moments where a note is known to have the fermata that stands there.
        """
        own = any(piece.note.fermata for piece in event.pieces)
        free = own or (not event.grace and (event.staff, event.onset) not in flagged)
        fermata = free and self.fermata(event.staff, start + event.onset)
        value = Value("eighth") if event.grace else value_of(event.duration)
        whole_bar = not event.pieces and value is None
        for k, piece in enumerate(event.pieces or [None]):
            note = _sub(parent, "note")
            self._head(note, event, piece, in_chord=k > 0, whole_bar=whole_bar)
            _sub(note, "voice", voice)
            accidental = accidentals.get(id(piece)) if piece is not None else None
            if value is not None:
                _value_elements(note, value, piece, accidental)
            elif accidental is not None:
                _sub(note, "accidental", accidental)
            if self.staves > 1:
                _sub(
                    note, "staff", (piece.staff if piece is not None else event.staff) - self.first_staff + 1
                )
            if k == 0:
                for level, beam in enumerate(event.beams[:8]):
                    _sub(note, "beam", beam, number=str(level + 1))
            if piece is None:
                _rest_notations(note, event.tuplet, fermata)
                continue
            _notations(note, piece, k == 0, event.tuplet, self.slurs, fermata)
            if not piece.tie_stop:
                _lyrics(note, piece.note, self.open_words)

    def _head(
        self, parent: Element, event: Event, piece: Piece | None, *, in_chord: bool, whole_bar: bool
    ) -> None:
        """Write what a note or rest is and how long it lasts."""
        if piece is not None:
            parent.set("id", piece.id)
        if event.grace:
            _sub(parent, "grace")
        if piece is not None and piece.note.cue:
            _sub(parent, "cue")
        if in_chord:
            _sub(parent, "chord")
        if piece is None:
            _sub(parent, "rest", **({"measure": "yes"} if whole_bar else {}))
        else:
            _add_pitch(parent, self.printed(piece.note))
        if not event.grace:
            _sub(parent, "duration", event.duration)
        if piece is not None and not piece.note.cue:
            for kind, on in (("stop", piece.tie_stop), ("start", piece.tie_start)):
                if on:
                    _sub(parent, "tie", type=kind)


def chord_symbol_element(text: str) -> Element | None:
    """Return a harmony element for a chord symbol such as ``"Bbm7/Db"``; None if it has no root."""
    main, _, bass = text.partition("/")
    size = 1
    while size < len(main) and main[size] in "#b♯♭":
        size += 1
    try:
        root = PitchClass.parse(main[:size])
    except ValueError:
        return None
    harmony = etree.Element("harmony")
    box = _sub(harmony, "root")
    _sub(box, "root-step", root.letter)
    if root.alter:
        _sub(box, "root-alter", root.alter)
    rest = main[size:]
    kind = next((k for k, t in KINDS.items() if t == rest and k != "none"), "other")
    _sub(harmony, "kind", kind, **({"text": rest} if kind == "other" else {}))
    try:
        low = PitchClass.parse(bass) if bass else None
    except ValueError:
        low = None
    if low is not None:
        box = _sub(harmony, "bass")
        _sub(box, "bass-step", low.letter)
        if low.alter:
            _sub(box, "bass-alter", low.alter)
    return harmony


_DYNAMICS = frozenset(
    (
        *("p", "pp", "ppp", "pppp", "ppppp", "pppppp", "mp", "mf", "n", "pf", "fp", "sfp", "sfpp", "sfzp"),
        *("f", "ff", "fff", "ffff", "fffff", "ffffff", "sf", "sfz", "sffz", "fz", "rf", "rfz"),
    )
)


def _line_numbers(directions: Sequence[Direction]) -> dict[int, str]:
    """Number the lines (wedges, ottavas, dashes) so that those open at once differ; by index."""
    open_lines: dict[str, list[tuple[Fraction, int]]] = {}
    out: dict[int, str] = {}
    for i, direction in enumerate(directions):
        if direction.end is None:
            continue
        running = [x for x in open_lines.get(direction.kind, []) if x[0] >= direction.onset]
        number = next(k for k in range(1, 999) if all(k != used for _, used in running))
        open_lines[direction.kind] = [*running, (direction.end, number)]
        out[i] = str(min(number, 16))
    return out


Placed: TypeAlias = tuple[Fraction, Element]
"""A direction or harmony, and the moment where it stands."""


def _direction_elements(direction: Direction, number: str) -> list[Placed]:
    """MusicXML elements of a direction, each with its moment; `number` tells its line from others."""
    if direction.kind == "fermata":
        return []
    if direction.kind == "chord-symbol":
        harmony = chord_symbol_element(direction.text)
        if harmony is not None:
            return [(direction.onset, harmony)]
    if direction.kind == "tempo" and direction.value and not direction.text:
        return [(direction.onset, etree.Element("sound", {"tempo": _decimal(direction.value)}))]
    if direction.kind == "wedge":
        what = "diminuendo" if direction.text.startswith(("dim", "decr")) else "crescendo"
        return _line_elements(direction, "wedge", what, {"number": number})
    if direction.kind == "ottava":
        size = {"8": "8", "1": "15", "2": "22"}.get(direction.text[:1], "8")
        what = "up" if direction.text.endswith("b") else "down"
        return _line_elements(direction, "octave-shift", what, {"size": size, "number": number}, "above")
    if direction.kind == "other" and direction.text in ("dashes", "bracket"):
        plain = {"line_end": "none"} if direction.text == "bracket" else {}
        return _line_elements(direction, direction.text, "start", {"number": number, **plain})
    return _sign_elements(direction, number)


def _direction_at(place: str) -> tuple[Element, Element]:
    """Return an empty direction and the box for its sign."""
    element = etree.Element("direction", {"placement": place})
    return element, _sub(element, "direction-type")


def _line_elements(
    direction: Direction, name: str, what: str, more: Mapping[str, str], place: str = "below"
) -> list[Placed]:
    """Return where a line begins, as `what` it is, and where it stops, if it does."""
    out = []
    for moment, kind in ((direction.onset, what), (direction.end, "stop")):
        if moment is not None:
            element, box = _direction_at(place)
            _sub(box, name, type=kind, **more)
            out.append((moment, element))
    return out


def _sign_elements(direction: Direction, number: str) -> list[Placed]:
    """Return the elements of a direction that is no line; words may be prolonged by dashes."""
    above = direction.kind in ("tempo", "segno", "coda", "rehearsal", "chord-symbol")
    element, box = _direction_at("above" if above else "below")
    out = [(direction.onset, element)]
    if direction.kind == "dynamic":
        inner = _sub(box, "dynamics")
        if direction.text in _DYNAMICS:
            _sub(inner, direction.text)
        else:
            _sub(inner, "other-dynamics", direction.text)
    elif direction.kind == "pedal":
        # Signs, not a line: engravers draw a line with changes incompletely.
        # The middle pedal has a number of its own, so that its stop is told from the right one's.
        middle = {"number": "2"} if direction.text.startswith("sostenuto") else {}
        kind = "stop" if direction.text == "sostenuto-stop" else direction.text
        _sub(box, "pedal", type=kind if kind in _PEDALS else "start", line="no", sign="yes", **middle)
        if direction.value is not None:
            _sub(element, "sound", damper_pedal=_decimal(100 * direction.value))
    elif direction.kind == "tempo":
        _sub(box, "words", direction.text)
        if direction.value:
            _sub(element, "sound", tempo=_decimal(direction.value))
    elif direction.kind in ("segno", "coda"):
        _sub(box, direction.kind)
    else:
        _sub(box, "rehearsal" if direction.kind == "rehearsal" else "words", direction.text)
        if direction.kind == "words" and direction.end is not None:
            _sub(_sub(element, "direction-type"), "dashes", type="start", number=number)
            stop, box = _direction_at("below")
            _sub(box, "dashes", type="stop", number=number)
            out.append((direction.end, stop))
    return out


_PEDALS = ("start", "stop", "sostenuto", "change", "continue", "discontinue", "resume")


def _decimal(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


# The tree ----------------------------------------------------------------------------------------------


def _transposition(score: Score, part: int) -> Interval:
    """The part's own transposition: the usual interval from written to sounding, octave lines aside."""
    lines = [direction for direction in score.directions if direction.kind == "ottava"]
    counts: Counter[tuple[int, int]] = Counter()
    for note in score.notes:
        if note.part != part:
            continue
        under = any(
            direction.staff == note.staff
            and direction.onset <= note.onset
            and (direction.end is None or note.onset < direction.end)
            for direction in lines
        )
        if not under:
            counts[note.pitch.diatonic - note.written.diatonic, note.pitch.midi - note.written.midi] += 1
    return Interval(*counts.most_common(1)[0][0]) if counts else Interval(0, 0)


def _fermatas(score: Score) -> Counter[tuple[int, Fraction]]:
    """Fermatas by staff and moment: the printed ones, and those of notes that have none printed."""
    out = Counter(
        (direction.staff, direction.onset) for direction in score.directions if direction.kind == "fermata"
    )
    # In order of time by staff, as a file may have thousands, printed and not.
    moments: dict[int, list[Fraction]] = {}
    for staff, moment in sorted(out):
        moments.setdefault(staff, []).append(moment)
    for note in score.notes:
        if not note.fermata:
            continue
        there = moments.setdefault(note.staff, [])
        k = bisect_left(there, note.onset)
        if k == len(there) or there[k] > note.end:
            there.insert(k, note.onset)
            out[note.staff, note.onset] += 1
    return out


def _set_divisions(root: Element) -> None:
    """Turn durations and offsets, written as quarter notes, into whole numbers of divisions."""
    timed = list(root.iter("duration", "offset"))
    values = [Fraction(element.text or "0") for element in timed]
    divisions = lcm(*(v.denominator for v in values), 1)
    for element, value in zip(timed, values, strict=True):
        element.text = str(int(value * divisions))
    for element in root.iter("divisions"):
        element.text = str(divisions)


def _attributes(
    writer: _Writer, measure: Measure, before: Measure | None, clefs: dict[int, tuple[str, str | None]]
) -> Element | None:
    element = etree.Element("attributes")
    if before is None:
        _sub(element, "divisions")
    if before is None or (before.signature, before.mode) != (measure.signature, measure.mode):
        key = _sub(element, "key")
        shift = writer.transposition
        _sub(key, "fifths", measure.signature - (shift.fifths if shift.semitones else 0))
        if measure.mode:
            _sub(key, "mode", measure.mode)
    if before is None or (before.beats, before.beat_type, before.symbol) != (
        measure.beats,
        measure.beat_type,
        measure.symbol,
    ):
        time = _sub(element, "time", **({"symbol": measure.symbol} if measure.symbol else {}))
        _sub(time, "beats", measure.beats)
        _sub(time, "beat-type", measure.beat_type)
    if before is None and writer.staves > 1:
        _sub(element, "staves", writer.staves)
    for staff, (clef, old) in clefs.items():
        if clef != old:
            shape, line, _, _ = CLEFS[clef]
            c = _sub(
                element,
                "clef",
                **({"number": str(staff - writer.first_staff + 1)} if writer.staves > 1 else {}),
            )
            _sub(c, "sign", shape)
            _sub(c, "line", line)
    t = writer.transposition
    if before is None and (t.semitones or t.steps):
        sign = -1 if t.steps < 0 else 1
        octaves = sign * (abs(t.steps) // 7)
        box = _sub(element, "transpose")
        _sub(box, "diatonic", t.steps - 7 * octaves)
        _sub(box, "chromatic", t.semitones - 12 * octaves)
        if octaves:
            _sub(box, "octave-change", octaves)
    return element if len(element) else None


def _barline(
    parent: Element, measure: Measure, before: Measure | None, after: Measure | None, right: bool
) -> None:
    numbers = ", ".join(str(x) for x in measure.ending)
    begins = bool(measure.ending) and (before is None or before.ending != measure.ending or before.repeat_end)
    ends = bool(measure.ending) and (after is None or after.ending != measure.ending or measure.repeat_end)
    if not right and (measure.repeat_start or begins):
        bar = _sub(parent, "barline", location="left")
        if measure.repeat_start:
            _sub(bar, "bar-style", "heavy-light")
        if begins:
            _sub(bar, "ending", number=numbers, type="start")
        if measure.repeat_start:
            _sub(bar, "repeat", direction="forward")
    if right and (measure.repeat_end or ends or after is None):
        bar = _sub(parent, "barline", location="right")
        if measure.repeat_end or after is None:
            _sub(bar, "bar-style", "light-heavy")
        if ends:
            _sub(bar, "ending", number=numbers, type="stop" if measure.repeat_end else "discontinue")
        if measure.repeat_end:
            _sub(bar, "repeat", direction="backward")


def _part_element(
    score: Score,
    part: int,
    bars: dict[tuple[int, int], list[Piece]],
    voice_names: dict[tuple[int, int, str], str],
) -> tuple[Element, dict[str, str]]:
    """Write one part; also return the voice under which each piece's id was written."""
    writer = _Writer(
        score, part, _transposition(score, part), _fermatas(score), pair_slurs(score, part, bars)
    )
    info = score.parts[part]
    out = etree.Element("part", {"id": f"P{part + 1}"})
    staves = range(info.first_staff, info.last_staff + 1)
    clefs: dict[int, list[str]] = {}
    for staff in staves:
        steps = [
            [
                piece.note.written.diatonic
                for piece in bars.get((part, measure.index), [])
                if piece.staff == staff
            ]
            for measure in score.measures
        ]
        lowest = len(staves) > 1 and staff == info.last_staff
        clefs[staff] = choose_clefs(steps, "F" if lowest else "G")
    marks: dict[tuple[int, int], list[tuple[Fraction, Element]]] = {}
    numbers = _line_numbers(score.directions)
    for i, direction in enumerate(score.directions):
        if info.first_staff <= direction.staff <= info.last_staff:
            for k, (moment, element) in enumerate(_direction_elements(direction, numbers.get(i, "1"))):
                measure = score.measure_at(moment)
                if moment == measure.start and k and measure.index and moment > direction.onset:
                    measure = score.measures[measure.index - 1]
                if k == 0:
                    element.set("id", direction.id)
                marks.setdefault((measure.index, direction.staff), []).append(
                    (moment - measure.start, element)
                )
    content = _Content(bars, voice_names, marks, {})
    before: Measure | None = None
    for measure in score.measures:
        after = score.measures[measure.index + 1] if measure.index + 1 < len(score.measures) else None
        element = _sub(out, "measure", number=measure.number)
        pickup = measure.offset and before is not None and before.offset + before.length != measure.offset
        if measure.number == "0" or pickup or (before is not None and before.number == measure.number):
            element.set("implicit", "yes")
        if part == 0:
            element.set("id", measure.id)
        _barline(element, measure, before, after, right=False)
        shown = {
            s: (clefs[s][measure.index], clefs[s][measure.index - 1] if measure.index else None)
            for s in staves
        }
        attributes = _attributes(writer, measure, before, shown)
        if attributes is not None:
            element.append(attributes)
        _measure_content(writer, element, measure, content)
        _barline(element, measure, before, after, right=True)
        before = measure
    return out, content.voice_of


@dataclass(frozen=True, slots=True)
class _Content:
    """What stands in the bars of a part: their pieces by bar, the names of voices, directions by bar and
    staff; `voice_of` is filled with the voice in which each piece is written.
    """

    bars: Mapping[tuple[int, int], list[Piece]]
    voice_names: dict[tuple[int, int, str], str]
    marks: Mapping[tuple[int, int], list[Placed]]
    voice_of: dict[str, str]


_Line: TypeAlias = tuple[int, str, list[Event]]
"""A staff, a voice and what it plays."""


def _measure_content(writer: _Writer, parent: Element, measure: Measure, content: _Content) -> None:
    pieces = content.bars.get((writer.part, measure.index), [])
    accidentals: dict[int, str] = {}
    flagged = {(piece.staff, piece.onset) for piece in pieces if piece.note.fermata}
    signature = measure.signature - (writer.transposition.fifths if writer.transposition.semitones else 0)
    for staff in range(writer.first_staff, writer.first_staff + writer.staves):
        here = [(piece, writer.printed(piece.note)) for piece in pieces if piece.staff == staff]
        accidentals.update(accidentals_of(here, signature))
    at = Fraction(0)
    seen: set[int] = set()
    for staff, voice, line in _lines_of(writer, pieces, content):
        if at:
            _sub(_sub(parent, "backup"), "duration", at)
        first = staff not in seen
        seen.add(staff)
        events = line
        if first:
            whole = [Event(Fraction(0), measure.length, [], staff)] if measure.length else []
            events = filled(line, measure, staff) if line else whole
        mark_tuplets(events)
        mark_beams(events, measure)
        at = Fraction(0)
        waiting = sorted(content.marks.get((measure.index, staff), []), key=_in_time) if first else []
        for k, event in enumerate(events):
            if event.onset > at:
                _sub(_sub(parent, "forward"), "duration", event.onset - at)
                at = event.onset
            following = events[k + 1].onset if k + 1 < len(events) else None
            for mark in _due(waiting, event, following):
                _put_mark(writer, parent, mark, at, staff)
            if not line and first and not event.pieces:
                _whole_bar_rest(writer, parent, event, voice, measure.start)
            else:
                writer.event(parent, event, voice, measure.start, accidentals, flagged)
            at = max(at, event.end)
        for mark in waiting:
            _put_mark(writer, parent, mark, at, staff)


def _lines_of(writer: _Writer, pieces: Sequence[Piece], content: _Content) -> list[_Line]:
    """Return what is written in a bar, voice by voice; an empty line for a staff without any."""
    by_voice: dict[str, list[Piece]] = {}
    for piece in pieces:
        by_voice.setdefault(content.voice_names[writer.part, piece.note.staff, piece.note.voice], []).append(
            piece
        )
    lines: list[_Line] = []
    for name, group in by_voice.items():
        for voice, line in streams(group, name):
            home = Counter(event.staff for event in line).most_common(1)[0][0]
            lines.append((home, voice, line))
            content.voice_of.update({piece.id: voice for event in line for piece in event.pieces})
    for staff in range(writer.first_staff, writer.first_staff + writer.staves):
        if not any(s == staff for s, _, _ in lines):
            lines.append((staff, _spare_voice(content.voice_names, writer.part, staff), []))
    lines.sort(key=lambda x: (x[0], natural((x[1], 0))))
    return lines


def _due(waiting: list[Placed], event: Event, following: Fraction | None) -> Iterator[Placed]:
    """Take out, one by one, the directions that stand before the end of an event."""
    while waiting and (following is None or waiting[0][0] < following or waiting[0][0] <= event.onset):
        if following is None and waiting[0][0] >= event.end and event.duration:
            break
        yield waiting.pop(0)


def _in_time(mark: tuple[Fraction, Element]) -> tuple[Fraction, bool]:
    """Order of directions: by moment, and what ends there before what begins."""
    moment, element = mark
    return moment, not any(c.get("type") == "stop" for c in element.iterfind("direction-type/*"))


def _whole_bar_rest(writer: _Writer, parent: Element, event: Event, voice: str, start: Fraction) -> None:
    note = _sub(parent, "note")
    _sub(note, "rest", measure="yes")
    _sub(note, "duration", event.duration)
    _sub(note, "voice", voice)
    if writer.staves > 1:
        _sub(note, "staff", event.staff - writer.first_staff + 1)
    if writer.fermata(event.staff, start):
        _sub(_sub(note, "notations"), "fermata")


def _spare_voice(names: dict[tuple[int, int, str], str], part: int, staff: int) -> str:
    """A voice for the rest of an empty staff: one that the staff uses elsewhere, else a new one."""
    own = sorted(v for (p, s, _), v in names.items() if p == part and s == staff)
    used = {v for (p, _, _), v in names.items() if p == part}
    return own[0] if own else next(str(k) for k in range(1, 999) if str(k) not in used)


def _put_mark(
    writer: _Writer, parent: Element, mark: tuple[Fraction, Element], at: Fraction, staff: int
) -> None:
    moment, element = mark
    _place(element, str(moment - at), staff - writer.first_staff + 1 if writer.staves > 1 else None)
    parent.append(element)


_AFTER_OFFSET = ("footnote", "level", "voice", "staff", "sound", "listening")
_AFTER_STAFF = ("sound", "listening")


def _place(element: Element, offset: str, staff: int | None) -> None:
    """Put offset and staff children where the schema wants them in a direction or harmony."""
    for old in [*element.findall("offset"), *element.findall("staff")]:
        element.remove(old)
    if element.tag == "sound":
        staff = None  # a sound holds for the whole score; only its offset may be written

    def insert(child: Element, before: tuple[str, ...]) -> None:
        for k, c in enumerate(element):
            if c.tag in before:
                element.insert(k, child)
                return
        element.append(child)

    if staff is not None:
        child = etree.Element("staff")
        child.text = str(staff)
        insert(child, _AFTER_STAFF)
    if offset != "0":
        child = etree.Element("offset")
        child.text = offset
        insert(child, _AFTER_OFFSET)


def build(score: Score) -> tuple[Element, tuple[Note, ...]]:
    """Build the tree of a score; also return its notes with the ids and voices that were written."""
    root = etree.Element("score-partwise", {"version": "4.0"})
    if score.title:
        _sub(_sub(root, "work"), "work-title", score.title)
    identification = _sub(root, "identification")
    if score.composer:
        _sub(identification, "creator", score.composer, type="composer")
    for kind in ("lyricist", "arranger", "poet", "translator"):
        if kind in score.metadata:
            _sub(identification, "creator", score.metadata[kind], type=kind)
    if "rights" in score.metadata:
        _sub(identification, "rights", score.metadata["rights"])
    _sub(_sub(identification, "encoding"), "software", "Understave")
    listed = _sub(root, "part-list")
    for k, part in enumerate(score.parts):
        p = _sub(listed, "score-part", id=f"P{k + 1}")
        _sub(p, "part-name", part.name, **({"print-object": "no"} if part.hidden else {}))
    bars, ids = cut(score)
    names = name_voices(score)
    voice_of: dict[str, str] = {}
    for k in range(len(score.parts)):
        element, written = _part_element(score, k, bars, names)
        voice_of.update(written)
        root.append(element)
    _set_divisions(root)
    notes = tuple(
        replace(note, ids=i, voice=voice_of.get(i[0], note.voice)) if i else note
        for note, i in zip(score.notes, ids, strict=True)
    )
    return root, notes


def to_musicxml(score: Score) -> bytes:
    """Return a score as MusicXML bytes (UTF-8): its source if it has one, else a newly built tree."""
    if score.source:
        return score.source
    root, _ = build(score)
    return _bytes(root)


def _bytes(root: Element) -> bytes:
    body: bytes = etree.tostring(root, encoding="UTF-8", pretty_print=True)
    return b'<?xml version="1.0" encoding="UTF-8"?>\n' + _DOCTYPE.encode() + body


def with_source(score: Score) -> Score:
    """Return a score read from another format with its MusicXML `source` built.

    Notes get the ids of all their written parts: one more where a note had to be cut and tied.
    """
    root, notes = build(score)
    return replace(score, notes=notes, source=_bytes(root))


# Putting elements into a tree --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Insertion:
    """An element (harmony, direction) for a moment: bar index, quarter notes into it, global staff."""

    measure: int
    offset: Fraction
    staff: int
    element: Element


def _ticks(value: Fraction) -> str:
    return str(value) if value.denominator == 1 else _decimal(float(value))


def insert_all(root: Element, insertions: Iterable[Insertion]) -> None:
    """Put elements into a partwise tree, each before the first note at or after its moment.

    Where no note of the staff begins at that moment the element goes before the last earlier one and
    gets an offset child. Nothing else of the tree is changed. Raises IndexError for a bar or staff
    that the tree does not have.
    """
    wanted: dict[tuple[int, int], list[Insertion]] = {}
    parts = list(positions(root))
    for item in insertions:
        index = next(
            (k for k, places in enumerate(parts) if places.first_staff <= item.staff <= places.last_staff),
            None,
        )
        if index is None or not 0 <= item.measure < len(parts[index].bars):
            raise IndexError(f"no bar {item.measure} on staff {item.staff}")
        wanted.setdefault((index, item.measure), []).append(item)
    for (index, measure), items in wanted.items():
        part = parts[index]
        bar = part.bars[measure]
        for item in items:
            local = item.staff - part.first_staff + 1
            places = [place for place in bar.places if place.onset <= item.offset]
            exact = [place for place in places if place.onset == item.offset and place.staff == local]
            exact = exact or [place for place in places if place.onset == item.offset]
            earlier = [place for place in places if place.staff == local] or places
            place = exact[0] if exact else max(earlier, key=lambda place: place.onset, default=None)
            several = part.last_staff > part.first_staff
            if place is None:
                _place(item.element, _ticks(item.offset * bar.divisions), local if several else None)
                bar.element.append(item.element)
                continue
            ticks = _ticks((item.offset - place.onset) * place.divisions)
            _place(item.element, ticks, local if several else None)
            place.element.addprevious(item.element)
