"""MEI bytes in (versions 3, 4 and 5), a `Score` out.

Follows the MEI Guidelines (Music Encoding Initiative, versions 3.0, 4.0 and 5.0; common music
notation, `att.duration.ges`, `att.accidental.ges`, `att.transposition`): written values are taken
from `@dur`, `@oct`, `@accid`, sounding ones from `@dur.ges`/`@dur.ppq`, `@oct.ges`, `@accid.ges`.
The first `<mdiv>` that holds a `<score>` is read.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import TypeAlias

from lxml import etree

from understave.errors import ScoreError
from understave.score import xmltree
from understave.score.accidentals import key_alteration
from understave.score.model import SYMBOLS, Direction, Measure, Note, Part, Score
from understave.score.proposals import take_out_proposals
from understave.score.readers.mei_marks import Mark, Place, apply_marks
from understave.score.readers.mei_tree import XML_ID, children, number, reference, tag, text_of, whole
from understave.score.remarks import Remark
from understave.score.small_print import with_small_print
from understave.score.timeline import (
    MOST_BEATS,
    SMALLEST_BEAT,
    Written,
    join_ties,
    lay_out,
    meter_filled_by,
)
from understave.score.write import with_source
from understave.theory.pitch import Interval, Pitch

_LONG = {"maxima": Fraction(32), "long": Fraction(16), "breve": Fraction(8)}
_ALTER = {
    "s": 1, "f": -1, "n": 0, "ss": 2, "x": 2, "ff": -2, "xs": 3, "sx": 3, "ts": 3, "tf": -3, "fff": -3,
    "nf": -1, "ns": 1, "su": 1, "sd": 1, "fu": -1, "fd": -1, "nu": 0, "nd": 0, "1qf": 0, "3qf": -1,
    "1qs": 0, "3qs": 1,
}  # fmt: skip
_SHORT = {str(2**n) for n in range(12)}
_ROUNDING = Fraction(1, 64)  # quarter notes by which ticks may miss the end of a bar
# Steps for a transposition of which only the semitones are known (common practice, no source).
_STEPS = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)
_ARTICULATIONS = {
    "acc": "accent", "stacc": "staccato", "ten": "tenuto", "stacciss": "staccatissimo",
    "marc": "strong-accent", "spicc": "spiccato", "stress": "stress", "unstress": "unstress",
    "ten-stacc": "detached-legato",
    "scoop": "scoop", "plop": "plop", "doit": "doit", "fall": "falloff", "acc-soft": "soft-accent",
}  # fmt: skip


Meter: TypeAlias = tuple[int, int, str]
"""Beats, beat unit and symbol (see `Measure`)."""


@dataclass
class _Staff:
    """What is known of one staff while walking: where it stands and what is in force on it, as written."""

    index: int
    part: int
    transposition: Interval
    ppq: int | None = None
    signature: int = 0
    mode: str | None = None
    meter: Meter | None = None
    default_duration: str | None = None


@dataclass
class _Reader:
    """The state of one walk through a score."""

    name: str
    used: set[str]
    repeated: set[str]
    accidentals_inferred: bool
    staves: dict[str, _Staff] = field(default_factory=dict)
    parts: list[Part] = field(default_factory=list)
    score_meter: Meter | None = None
    bars: list[Measure] = field(default_factory=list)
    implicit: set[int] = field(default_factory=set)
    fresh: set[int] = field(default_factory=set)
    position: Fraction = Fraction(0)
    written: list[Written] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    places: dict[str, Place] = field(default_factory=dict)
    chord_of: dict[str, tuple[str, ...]] = field(default_factory=dict)
    octave_given: set[str] = field(default_factory=set)
    warnings: dict[str, None] = field(default_factory=dict)
    pending_repeat: bool = False
    tempo: float | None = None
    repeats: dict[tuple[str, str], tuple[int, int]] = field(default_factory=dict)
    spans: dict[str, tuple[Fraction, str]] = field(default_factory=dict)
    home: dict[str, tuple[str, str]] = field(default_factory=dict)
    accidentals: list[tuple[int, int | None, bool]] = field(default_factory=list)

    def new_id(self, wanted: str | None, prefix: str) -> str:
        """Keep a valid id that occurs once in the file, else make a new one."""
        if wanted and wanted not in self.repeated and re.fullmatch(r"[A-Za-z_][A-Za-z0-9_.\-]*", wanted):
            return wanted
        count = len(self.bars) + 1 if prefix == "m" else len(self.written) + 1
        while f"{prefix}{count}" in self.used:
            count += 1
        self.used.add(f"{prefix}{count}")
        return f"{prefix}{count}"

    def warn(self, text: str) -> None:
        self.warnings[text] = None


_VERSIONS = (*range(1, 7), *range(2010, 2014))
"""What ``@meiversion`` may begin with: the years of the releases up to 2013, then 3.0 and so on."""


def _check_version(root: etree._Element, name: str) -> None:
    version = (root.get("meiversion") or "").strip()
    m = re.match(r"\d{1,4}(?!\d)", version)
    if version and not (m and int(m[0]) in _VERSIONS):
        raise ScoreError(
            Remark(
                "mei_version",
                "{file} says it is MEI version {version}, which is not known here; export it as MEI 5.",
                file=name,
                version=repr(version[:20]),
            )
        )


def read_mei(data: bytes, name: str = "score.mei") -> Score:
    """Read MEI bytes; raise UnderstaveError with one sentence if they hold no readable score."""
    root = xmltree.parse(data, name)
    _check_version(root, name)
    ours = take_out_proposals(root)
    score, movements = _find_score(root, name)
    counts = Counter(
        i for element in score.iter() if isinstance(element.tag, str) and (i := element.get(XML_ID))
    )
    repeated = {i for i, count in counts.items() if count > 1}
    reader = _Reader(
        name=name,
        used=set(counts),
        repeated=repeated,
        accidentals_inferred=not any(
            element.get("accid.ges")
            for element in score.iter("{*}note", "{*}accid")
            if isinstance(element.tag, str)
        ),
    )
    for said in ours:
        reader.warn(said)
    if repeated & {element.get(XML_ID) for element in score.iter("{*}note", "{*}measure")}:
        reader.warn(
            Remark(
                "mei_ids", "Some ids occur more than once in the MEI file; those notes and bars got new ones."
            )
        )
    if movements > 1:
        reader.warn(
            Remark(
                "mei_movements", "The file holds {count} movements; the first one was read.", count=movements
            )
        )
    _walk(reader, score, ())
    if not reader.bars:
        raise ScoreError(
            Remark(
                "mei_no_bars", "{file} has no measures; give an MEI file in common music notation.", file=name
            )
        )
    if not reader.written:
        raise ScoreError(
            Remark("file_no_notes", "{file} has no notes in it; there is nothing to read.", file=name)
        )
    return _finished(reader, root)


def _find_score(root: etree._Element, name: str) -> tuple[etree._Element, int]:
    if tag(root) not in ("mei", "meiCorpus", "music"):
        raise ScoreError(
            Remark(
                "mei_other",
                "{file} is XML but not MEI (its outermost element is <{element}>).",
                file=name,
                element=tag(root),
            )
        )
    scores = list(root.iter("{*}score"))
    if not scores:
        if next(root.iter("{*}part"), None) is not None:
            raise ScoreError(
                Remark(
                    "mei_parts",
                    "{file} holds separate parts and no full score; give an MEI file with a <score>.",
                    file=name,
                )
            )
        raise ScoreError(
            Remark(
                "mei_no_score",
                "{file} is an MEI file without a <score>; it holds no music that can be read.",
                file=name,
            )
        )
    return scores[0], len(scores)


def _finished(reader: _Reader, root: etree._Element) -> Score:
    measures, warnings = lay_out(reader.bars, implicit=reader.implicit, fresh=reader.fresh)
    written, directions = apply_marks(
        reader.written,
        reader.marks,
        measures,
        reader.places,
        reader.chord_of,
        frozenset(reader.octave_given),
    )
    if reader.tempo and not any(direction.kind == "tempo" and direction.value for direction in directions):
        directions = _with_tempo(directions, reader.tempo)
    if reader.accidentals_inferred and any(measure.signature for measure in measures):
        reader.warn(
            Remark(
                "mei_accidentals",
                "The MEI file gives no sounding accidentals; they were taken from the key signatures and "
                "from the accidentals before in the bar.",
            )
        )
    title, composer, metadata = _header(root)
    score = Score(
        title=title,
        composer=composer,
        parts=tuple(reader.parts),
        measures=measures,
        notes=with_small_print(join_ties(written), reader.parts),
        directions=directions,
        metadata=metadata,
        warnings=(*reader.warnings, *warnings),
    )
    return with_source(score)


def _with_tempo(directions: tuple[Direction, ...], value: float) -> tuple[Direction, ...]:
    for i, direction in enumerate(directions):
        if direction.kind == "tempo" and direction.onset == 0:
            return (*directions[:i], replace(direction, value=value), *directions[i + 1 :])
    return (Direction("tempo-start", "tempo", Fraction(0), None, 1, "", value), *directions)


def _header(root: etree._Element) -> tuple[str, str, dict[str, str]]:
    def words(element: etree._Element | None) -> str:
        return " ".join(text_of(element).split()) if element is not None else ""

    head = next(root.iter("{*}meiHead"), None)
    if head is None:
        return "", "", {}
    titles = [t for t in head.iter("{*}title") if t.get("type") not in ("subtitle", "subordinate")]
    title = next((w for w in map(words, titles) if w), "")
    people = [
        *head.iter("{*}composer"),
        *(element for element in head.iter() if element.get("role") in ("composer", "cmp")),
    ]
    composer = next((w for w in map(words, people) if w), "")
    roles = ("lyricist", "arranger", "editor", "librettist")
    metadata = {r: words(element) for r in roles for element in head.iter("{*}" + r) if words(element)}
    return title, composer, metadata


# --- the score's outline -----------------------------------------------------------------------


def _walk(reader: _Reader, element: etree._Element, ending: tuple[int, ...]) -> None:
    for child in children(element):
        name = tag(child)
        if name == "scoreDef":
            _score_def(reader, child)
        elif name == "staffDef":
            _staff_def(reader, child, None)
        elif name == "measure":
            _measure(reader, child, ending)
        elif name == "ending":
            _walk(reader, child, _ending_numbers(child, reader))
        elif name in ("section", "lem", "score"):
            reader.fresh.add(len(reader.bars))
            _walk(reader, child, ending)


def _ending_numbers(element: etree._Element, reader: _Reader) -> tuple[int, ...]:
    text = element.get("n") or element.get("label") or ""
    numbers: list[int] = []
    for first, last in re.findall(r"(\d+)(?:\s*[-–]\s*(\d+))?", text):
        numbers += range(int(first), min(int(last or first), int(first) + 99) + 1)
    if not numbers:
        before = reader.bars[-1].ending if reader.bars else ()
        numbers = [max(before) + 1 if before else 1]
    return tuple(numbers)


def _score_def(reader: _Reader, element: etree._Element) -> None:
    group = next((c for c in children(element) if tag(c) == "staffGrp"), None)
    if group is not None and not reader.staves:
        _add_parts(reader, group, "")
    elif group is not None:
        for staff_def in group.iter("{*}staffDef"):
            _staff_def(reader, staff_def, None)
    meter = _meter_of(element)
    if meter:
        reader.score_meter = meter
        # A staff that states its own meter in this same scoreDef keeps it.
        stated = {s.get("n") for s in element.iter("{*}staffDef") if _meter_of(s)}
        for n, staff in reader.staves.items():
            if n not in stated:
                staff.meter = meter
    key = _key_of(element)
    if key:
        stated = {s.get("n") for s in element.iter("{*}staffDef") if _key_of(s)}
        for n, staff in reader.staves.items():
            if n not in stated:
                staff.signature, staff.mode = key
    for staff in reader.staves.values():
        staff.ppq = whole(element.get("ppq")) or staff.ppq
        staff.default_duration = element.get("dur.default") or staff.default_duration
    bpm = number(element.get("midi.bpm"))
    if bpm and not reader.bars:
        reader.tempo = bpm


def _add_parts(reader: _Reader, group: etree._Element, name: str) -> None:
    members = [element for element in children(group) if tag(element) in ("staffDef", "staffGrp")]
    name = _label(group) or name
    braced = group.get("symbol") == "brace" or any(
        element.get("symbol") == "brace" for element in group.findall("{*}grpSym")
    )
    plain = all(tag(element) == "staffDef" for element in members)
    unnamed = not any(_label(element) for element in members)
    if plain and len(members) > 1 and (braced or (unnamed and len(members) == 2 and not reader.staves)):
        first = len(reader.staves) + 1
        name = name or next((_label(element) for element in members if _label(element)), "")
        for member in members:
            _staff_def(reader, member, len(reader.parts))
        reader.parts.append(
            Part(group.get(XML_ID) or f"P{len(reader.parts) + 1}", name, first, len(reader.staves))
        )
        return
    for member in members:
        if tag(member) == "staffGrp":
            _add_parts(reader, member, name)
        else:
            _staff_def(reader, member, len(reader.parts))
            n = len(reader.staves)
            own = _label(member) or (name if len(members) == 1 else "")
            reader.parts.append(Part(member.get(XML_ID) or f"P{len(reader.parts) + 1}", own, n, n))


def _label(element: etree._Element) -> str:
    label = next((c for c in element if tag(c) == "label"), None)
    text = text_of(label) if label is not None else element.get("label", "")
    return " ".join(text.split())


def _staff_def(reader: _Reader, element: etree._Element, part: int | None) -> None:
    n = element.get("n") or str(len(reader.staves) + 1)
    staff = reader.staves.get(n)
    if staff is None:
        if part is None:
            part = len(reader.parts)
            index = len(reader.staves) + 1
            reader.parts.append(Part(element.get(XML_ID) or f"P{part + 1}", _label(element), index, index))
        staff = _Staff(len(reader.staves) + 1, part, Interval(0, 0), meter=reader.score_meter)
        reader.staves[n] = staff
    if element.get("trans.semi") or element.get("trans.diat"):
        staff.transposition = _transposition(element)
    staff.meter = _meter_of(element) or staff.meter
    key = _key_of(element)
    if key:
        staff.signature, staff.mode = key
    staff.ppq = whole(element.get("ppq")) or staff.ppq
    staff.default_duration = element.get("dur.default") or staff.default_duration


def _transposition(element: etree._Element) -> Interval:
    semitones = whole(element.get("trans.semi"))
    steps = whole(element.get("trans.diat"))
    if semitones is None:
        octave, step = divmod(steps or 0, 7)
        semitones = 12 * octave + (0, 2, 4, 5, 7, 9, 11)[step]
    if steps is None or (steps == 0 and abs(semitones) > 1):
        octave, semitone = divmod(semitones, 12)
        steps = 7 * octave + _STEPS[semitone]
    return Interval(steps, semitones)


def _meter_of(element: etree._Element) -> Meter | None:
    group = next((c for c in children(element) if tag(c) == "meterSigGrp"), None)
    if group is not None:
        several = [
            m
            for m in (_meter_of_sig(element) for element in children(group) if tag(element) == "meterSig")
            if m
        ]
        if several and group.get("func") in ("mixed", "alternating") and group.get("func") == "mixed":
            unit = max(u for _, u, _ in several)
            return sum(b * unit // u for b, u, _ in several), unit, ""
        return several[0] if several else None
    own = (
        element
        if tag(element) == "meterSig"
        else next((c for c in children(element) if tag(c) == "meterSig"), None)
    )
    if own is not None:
        return _meter_of_sig(own)
    return _meter(element.get("meter.count"), element.get("meter.unit"), element.get("meter.sym"))


def _meter_of_sig(element: etree._Element) -> Meter | None:
    return _meter(element.get("count"), element.get("unit"), element.get("sym"))


def _meter(count: str | None, unit: str | None, symbol: str | None) -> Meter | None:
    sign = symbol if symbol in SYMBOLS else ""
    numbers = [int(x) for x in re.findall(r"\d+", count or "")]
    base = whole(unit)
    if numbers and base and 0 < sum(numbers) < MOST_BEATS and 0 < base <= SMALLEST_BEAT:
        return sum(numbers), base, sign
    return {"common": (4, 4, sign), "cut": (2, 2, sign)}.get(sign)


def _key_of(element: etree._Element) -> tuple[int, str | None] | None:
    own = (
        element
        if tag(element) == "keySig"
        else next((c for c in children(element) if tag(c) == "keySig"), None)
    )
    if own is not None:
        text = own.get("sig")
        mode = own.get("mode")
        if text in (None, "mixed"):
            altered = [element.get("accid", "") for element in own.iter("{*}keyAccid")]
            if not altered and text is None:
                return None
            return sum(_ALTER.get(a, 0) for a in altered), mode
    else:
        text = element.get("keysig") or element.get("key.sig")
        mode = element.get("key.mode")
    m = re.fullmatch(r"(\d+)([sf]?)", (text or "").strip())
    if not m:
        return None
    return int(m[1]) * (-1 if m[2] == "f" else 1), mode


# --- one measure -------------------------------------------------------------------------------


def _measure(reader: _Reader, element: etree._Element, ending: tuple[int, ...]) -> None:
    index = len(reader.bars)
    _note_tuplet_spans(reader, element)
    ends, rests = _read_layers(reader, element, index)
    _resolve_accidentals(reader)
    filled = _bar_end(reader, ends)
    meter = _bar_meter(reader, filled)
    length = filled or Fraction(4 * meter[0], meter[1])
    first = next(iter(reader.staves.values()), None)
    left, right = element.get("left", ""), element.get("right", "")
    if left in ("rptend", "rptboth") and reader.bars:
        reader.bars[-1] = replace(reader.bars[-1], repeat_end=True)
    bar = Measure(
        id=reader.new_id(element.get(XML_ID), "m"),
        index=index,
        number=(element.get("n") or "").strip(),
        start=reader.position,
        length=length,
        beats=meter[0],
        beat_type=meter[1],
        signature=first.signature + first.transposition.fifths if first else 0,
        mode=first.mode if first else None,
        repeat_start=reader.pending_repeat or left in ("rptstart", "rptboth"),
        repeat_end=right in ("rptend", "rptboth"),
        ending=ending,
        symbol=meter[2],
    )
    reader.pending_repeat = right in ("rptstart", "rptboth")
    if not bar.number:
        reader.implicit.add(index)
    if element.get("metcon") == "false":
        reader.fresh.add(index)
    if right in ("dbl", "end", "rptend", "rptboth", "dbldashed", "dbldotted"):
        reader.fresh.add(index + 1)
    reader.bars.append(bar)
    reader.position += length
    for child in children(element):
        if tag(child) not in ("staff", "tupletSpan", "beamSpan"):
            reader.marks.append(Mark(child, index, meter[1], _staff_index(reader, child)))
    _close_repeats(reader, index)
    for extra in range(1, rests):
        number = str(int(bar.number) + extra) if bar.number.isdigit() else ""
        reader.bars.append(
            replace(
                bar, id=reader.new_id(None, "m"), number=number, start=reader.position, repeat_start=False
            )
        )
        reader.position += length


def _read_layers(reader: _Reader, element: etree._Element, index: int) -> tuple[list[Fraction], int]:
    """Read what stands in the layers of a measure; return where each ends, and how many bars it rests."""
    ends: list[Fraction] = []
    rests = 0
    staves = [c for c in children(element) if tag(c) == "staff"]
    for order, staff_element in enumerate(staves, 1):
        n = staff_element.get("n") or str(order)
        if n not in reader.staves:
            _staff_def(reader, etree.Element("staffDef", {"n": n}), None)
        layer = 0
        for child in children(staff_element):
            if tag(child) == "layer":
                layer += 1
                voice = _voice(reader, n, whole(child.get("n")) or layer)
                walk = _Layer(reader, n, voice, index)
                walk.read(child, Fraction(1), False, "")
                rests = max(rests, walk.multi_rest)
                ends.append(walk.at)
            elif tag(child) == "staffDef":
                child.set("n", n)
                _staff_def(reader, child, None)
    return ends, rests


def _voice(reader: _Reader, n: str, layer: int) -> str:
    """Number voices through a part as MusicXML files do: 1 to 4 on its first staff, then from 5 on."""
    staff = reader.staves[n]
    above = sum(s.part == staff.part and s.index < staff.index for s in reader.staves.values())
    return str(4 * above + layer)


def _staff_index(reader: _Reader, element: etree._Element) -> int | None:
    numbers = re.findall(r"\S+", element.get("staff") or element.get("part.staff") or "")
    staff = reader.staves.get(numbers[0]) if numbers else None
    return staff.index if staff else None


def _bar_end(reader: _Reader, ends: list[Fraction]) -> Fraction:
    """Return where the fullest layer ends; a layer off by rounded ticks does not shift later bars."""
    latest = max(ends, default=Fraction(0))
    meters = [staff.meter for staff in reader.staves.values() if staff.meter]
    near = [Fraction(4 * b, u) for b, u, _ in meters] + ends
    fits = [e for e in near if abs(e - latest) <= _ROUNDING]
    return min(fits, key=lambda e: (e.denominator, -e), default=latest)


def _bar_meter(reader: _Reader, filled: Fraction) -> Meter:
    meters = [staff.meter for staff in reader.staves.values() if staff.meter] or (
        [reader.score_meter] if reader.score_meter else []
    )
    for beats, unit, symbol in meters:
        if Fraction(4 * beats, unit) == filled:
            return beats, unit, symbol
    if meters:
        return meters[0]
    reader.warn(
        Remark("mei_meter", "The score states no meter; each bar was taken to be as long as what it holds.")
    )
    return (*meter_filled_by(filled), "") if filled else (4, 4, "")


def _note_tuplet_spans(reader: _Reader, measure: etree._Element) -> None:
    for span in measure.iter("{*}tupletSpan"):
        ratio = _tuplet_ratio(span)
        start, end = reference(span.get("startid")), reference(span.get("endid"))
        if ratio and start and end:
            reader.spans[start] = (ratio, end)


def _close_repeats(reader: _Reader, index: int) -> None:
    """Write out bars that a repeat sign (mRpt, mRpt2, multiRpt) stands for, with ids of their own."""
    for (n, voice), (begin, count) in list(reader.repeats.items()):
        if index < begin or index - count < 0:
            continue
        if index >= begin + count:
            del reader.repeats[n, voice]
            continue
        source, here = reader.bars[index - count], reader.bars[index]
        if not any(
            written.note.measure == index and reader.home[written.note.id] == (n, voice)
            for written in reader.written
        ):
            _copy(reader, (n, voice), source.start, source.end, here.start, index)


def _copy(
    reader: _Reader, layer: tuple[str, str], begin: Fraction, end: Fraction, to: Fraction, measure: int
) -> None:
    for written in list(reader.written):
        note = written.note
        if reader.home[note.id] != layer or not begin <= note.onset < end:
            continue
        new = reader.new_id(None, "n")
        reader.home[new] = layer
        copy = replace(note, id=new, ids=(new,), onset=note.onset - begin + to, measure=measure)
        reader.written.append(
            Written(
                copy,
                tie_start=written.tie_start and note.end < end,
                tie_stop=written.tie_stop and note.onset > begin,
            )
        )
        if note.id in reader.octave_given:
            reader.octave_given.add(new)


def _resolve_accidentals(reader: _Reader) -> None:
    """Where the file states no sounding accidentals, find them as one reads: bar, tie, then key."""
    in_force: dict[tuple[str, str, int], int] = {}
    for i, explicit, tied in sorted(reader.accidentals, key=lambda a: reader.written[a[0]].note.onset):
        note = reader.written[i].note
        staff_n = reader.home[note.id][0]
        key = (staff_n, note.written.letter, note.written.octave)
        if explicit is not None:
            in_force[key] = alter = explicit
        elif tied and (held := _held_alteration(reader, note)) is not None:
            alter = held
        elif key in in_force:
            alter = in_force[key]
        else:
            staff = reader.staves[staff_n]
            alter = key_alteration(staff.signature, note.written.letter)
        change = alter - note.written.alter
        if change:
            note = replace(
                note,
                written=replace(note.written, alter=alter),
                pitch=replace(note.pitch, alter=note.pitch.alter + change),
            )
            reader.written[i] = replace(reader.written[i], note=note)
    reader.accidentals.clear()


def _held_alteration(reader: _Reader, note: Note) -> int | None:
    for written in reversed(reader.written[-600:]):
        before = written.note
        if (
            written.tie_start
            and before.end == note.onset
            and before.part == note.part
            and (before.written.letter, before.written.octave) == (note.written.letter, note.written.octave)
        ):
            return before.written.alter
    return None


@dataclass
class _Layer:
    """One layer of one measure: walks its events in time order."""

    reader: _Reader
    staff: str
    voice: str
    measure: int
    at: Fraction = Fraction(0)
    multi_rest: int = 0
    open_spans: list[tuple[Fraction, str]] = field(default_factory=list)
    tremolo_started: bool = False

    def read(self, element: etree._Element, ratio: Fraction, grace: bool, tremolo: str) -> None:
        """Read the events inside `element`, whose written durations are multiplied by `ratio`."""
        for child in children(element):
            name = tag(child)
            if name in ("note", "chord", "rest", "space"):
                self._event(child, name, ratio, grace, tremolo)
            elif name in ("beam", "ligature"):
                self.read(child, ratio, grace, tremolo)
            elif name == "tuplet":
                self.read(child, ratio * (_tuplet_ratio(child) or self._unsaid(child)), grace, tremolo)
            elif name == "graceGrp":
                self.read(child, ratio, True, tremolo)
            elif name == "bTrem":
                self.read(child, ratio, grace, f"tremolo-{_strokes(child)}")
            elif name == "fTrem":
                self.read(child, ratio / 2, grace, f"tremolo-start-{_strokes(child)}")
            else:
                self._sign(child, name)

    def _unsaid(self, tuplet: etree._Element) -> Fraction:
        """Return the ratio of a tuplet without numbers: that of a triplet, unless its notes have ticks."""
        ticks = any(n.get("dur.ppq") for n in tuplet.iter("{*}note", "{*}chord"))
        return Fraction(1) if ticks and self.reader.staves[self.staff].ppq else Fraction(2, 3)

    def _sign(self, child: etree._Element, name: str) -> None:
        """Read what is no event: repeated bars and beats, rests of several bars, changes of key and meter."""
        if name in ("mRpt", "mRpt2", "multiRpt"):
            count = {"mRpt": 1, "mRpt2": 2}.get(name) or whole(child.get("num")) or 1
            self.reader.repeats[self.staff, self.voice] = (self.measure, count)
        elif name in ("beatRpt", "halfmRpt"):
            self._repeat_beat(child, name)
        elif name == "multiRest":
            self.multi_rest = max(self.multi_rest, min(whole(child.get("num")) or 1, 999))
        elif name in ("meterSig", "meterSigGrp", "keySig", "scoreDef", "staffDef"):
            self._change(child)
        elif name == "tabGrp":
            self.reader.warn(Remark("mei_tablature", "Tablature was left out; only staff notation is read."))

    def _change(self, element: etree._Element) -> None:
        staff = self.reader.staves[self.staff]
        staff.meter = _meter_of(element) or staff.meter
        key = _key_of(element)
        if key:
            staff.signature, staff.mode = key

    def _repeat_beat(self, element: etree._Element, name: str) -> None:
        reader, staff = self.reader, self.reader.staves[self.staff]
        beats, unit, _ = staff.meter or (4, 4, "")
        length = Fraction(2 * beats, unit) if name == "halfmRpt" else Fraction(4, unit)
        if name == "beatRpt" and beats % 3 == 0 and beats > 3 and unit >= 8:
            length *= 3
        now = reader.position + self.at
        layer = (self.staff, self.voice)
        _copy(reader, layer, max(now - length, Fraction(0)), now, now, self.measure)
        self.at += length

    def _duration(self, element: etree._Element, ratio: Fraction) -> Fraction:
        reader, staff = self.reader, self.reader.staves[self.staff]
        gestural = element.get("dur.ges", "")
        written = element.get("dur") or staff.default_duration
        ppq = whole(element.get("dur.ppq"))
        dots = whole(element.get("dots")) or len([c for c in element if tag(c) == "dot"])
        if gestural.endswith("p"):
            ppq = whole(gestural[:-1])
        elif re.fullmatch(r"\d+r", gestural):
            return Fraction(4, int(gestural[:-1]) or 1)
        elif gestural in _LONG or gestural.isdigit():
            written, dots = gestural, whole(element.get("dots.ges")) or dots
        if ppq is not None and ppq < 0:  # the schema counts from none
            ppq = None
        dots = max(0, min(dots, 8))
        nominal = None
        if written in _LONG:
            nominal = _LONG[written]
        elif written in _SHORT:
            nominal = Fraction(4, int(written))
        elif written:
            raise ScoreError(
                Remark(
                    "mei_value",
                    "{file} uses the note value {value}, which is not common music notation; mensural and "
                    "tablature files cannot be read.",
                    file=reader.name,
                    value=repr(written),
                )
            )
        if nominal is not None:
            nominal *= (2 - Fraction(1, 2**dots)) * ratio
            nominal *= _tuplet_ratio(element) or 1
        # Ticks may be rounded, so the written value stands unless they differ by a whole tick.
        if ppq is not None and staff.ppq and (nominal is None or abs(nominal * staff.ppq - ppq) >= 1):
            return _from_ticks(ppq, staff.ppq)
        if nominal is None:
            reader.warn(
                Remark(
                    "mei_duration",
                    "Some notes have no duration in the MEI file; they were read as quarter notes.",
                )
            )
            return Fraction(1) * ratio
        return nominal

    def _event(self, element: etree._Element, name: str, ratio: Fraction, grace: bool, tremolo: str) -> None:
        reader = self.reader
        own_id = element.get(XML_ID) or ""
        inside = [c for c in children(element) if tag(c) == "note"] if name == "chord" else []
        span = next(
            (
                reader.spans[i]
                for i in (own_id, *(element.get(XML_ID) or "" for element in inside))
                if i in reader.spans
            ),
            None,
        )
        if span:
            self.open_spans.append(span)
        for factor, _ in self.open_spans:
            ratio *= factor
        if self.tremolo_started:
            tremolo = tremolo.replace("start", "stop")
        grace = grace or element.get("grace") is not None
        if name == "chord" and inside and not grace:
            grace = all(element.get("grace") is not None for element in inside)
        carrier = element
        if name == "chord" and not element.get("dur") and inside and inside[0].get("dur"):
            carrier = inside[0]
        duration = Fraction(0) if grace else self._duration(carrier, ratio)
        onset = reader.position + self.at
        staff = reader.staves.get(element.get("staff") or self.staff, reader.staves[self.staff])
        if own_id:
            reader.places[own_id] = (onset, onset + duration, staff.index)
        if name == "note":
            self._note(element, element, onset, duration, grace, tremolo, True)
        elif name == "chord":
            members = [
                self._note(c, element, onset, duration, grace, tremolo, i == 0) for i, c in enumerate(inside)
            ]
            if own_id:
                reader.chord_of[own_id] = tuple(m for m in members if m)
        self.at += duration
        if tremolo.startswith(("tremolo-start", "tremolo-stop")) and not grace:
            self.tremolo_started = not self.tremolo_started
        ids = {own_id, *(element.get(XML_ID) or "" for element in inside)}
        self.open_spans = [s for s in self.open_spans if s[1] not in ids]

    def _note(  # noqa: PLR0913
        self,
        element: etree._Element,
        event: etree._Element,
        onset: Fraction,
        duration: Fraction,
        grace: bool,
        tremolo: str,
        first: bool,
    ) -> str | None:
        reader = self.reader
        letter = (element.get("pname") or "").upper()
        octave = whole(element.get("oct"))
        if octave is None:
            octave = whole(element.get("oct.ges"))
        if len(letter) != 1 or letter not in "ABCDEFG" or octave is None:
            reader.warn(
                Remark("mei_pitch", "Notes without a pitch (percussion or unfinished ones) were left out.")
            )
            return None
        if element.get("grace") is not None:  # also one in a chord of which the rest is not
            grace, duration = True, Fraction(0)
        home = reader.staves[self.staff]
        staff = reader.staves.get(element.get("staff") or event.get("staff") or self.staff, home)
        tie = (element.get("tie") or "") + (event.get("tie") or "")
        explicit = self._accidental(element)
        alter = explicit or 0
        if reader.accidentals_inferred:
            reader.accidentals.append((len(reader.written), explicit, "t" in tie or "m" in tie))
        written = Pitch(letter, alter, octave)
        pitch = written + home.transposition
        octave_sounding = whole(element.get("oct.ges"))
        note_id = reader.new_id(element.get(XML_ID), "n")
        if octave_sounding is not None:
            pitch = replace(pitch, octave=octave_sounding)
            reader.octave_given.add(note_id)
        reader.home[note_id] = (self.staff, self.voice)
        reader.places[note_id] = (onset, onset + duration, staff.index)
        marks = [element] if element is event or not first else [event, element]
        slashes = re.fullmatch(r"(\d)slash", event.get("stem.mod") or element.get("stem.mod") or "")
        if slashes and not tremolo and not grace:
            tremolo = f"tremolo-{slashes[1]}"
        reader.written.append(
            Written(
                Note(
                    id=note_id,
                    onset=onset,
                    duration=duration,
                    pitch=pitch,
                    written=written,
                    staff=staff.index,
                    voice=self.voice,
                    part=home.part,
                    measure=self.measure,
                    ids=(note_id,),
                    grace=grace,
                    cue="true" in (element.get("cue"), event.get("cue")),
                    ornaments=(tremolo,) if tremolo and first else (),
                    articulations=tuple(
                        dict.fromkeys(a for element in marks for a in _articulations(element))
                    ),
                    fermata=any(element.get("fermata") is not None for element in marks),
                    lyrics=_lyrics(element) or (_lyrics(event) if first else ()),
                ),
                tie_start="i" in tie or "m" in tie,
                tie_stop="t" in tie or "m" in tie,
            )
        )
        return note_id

    def _accidental(self, element: etree._Element) -> int | None:
        """Return the alteration that the file states, sounding before written; None if it states none."""
        written, sounding = element.get("accid"), element.get("accid.ges")
        supplied = None
        for child in children(element):
            if tag(child) == "accid":
                sounding = sounding or child.get("accid.ges")
                if child.get("func") == "edit":
                    supplied = supplied or child.get("accid")
                else:
                    written = written or child.get("accid")
        # What an editor supplied is to be played, but where the source has a sign of its own.
        text = sounding or written or supplied
        if text is not None and text not in _ALTER:
            self.reader.warn(
                Remark(
                    "mei_accidental",
                    "The accidental {accidental} is not known; it was read as a natural.",
                    accidental=text,
                )
            )
        return None if text is None else _ALTER.get(text, 0)


def _tuplet_ratio(element: etree._Element) -> Fraction | None:
    """Return by what `@num` notes in the time of `@numbase` shorten each other; None if not stated."""
    num, base = whole(element.get("num")), whole(element.get("numbase"))
    return Fraction(base, num) if num and base and 0 < num < 256 and 0 < base < 256 else None


def _strokes(tremolo: etree._Element) -> int:
    """Return how many strokes a tremolo has through or between its stems."""
    beams = whole(tremolo.get("beams"))
    for element in (tremolo, *tremolo.iter("{*}note", "{*}chord")):
        m = re.fullmatch(r"(\d)slash", element.get("stem.mod") or "")
        if m:
            return int(m[1])
    unit = whole(tremolo.get("unitdur"))
    return beams or (max(1, min(unit.bit_length() - 3, 8)) if unit else 3)


def _from_ticks(ticks: int, ppq: int) -> Fraction:
    """Return a duration given in ticks; a fine count that fits no binary value is a rounded tuplet."""
    exact = Fraction(ticks, ppq)
    if exact.denominator <= 64:
        return exact
    for denominator in range(1, 64):
        near = Fraction(round(exact * denominator), denominator)
        if abs(near - exact) * ppq <= 1 and near:
            return near
    return exact.limit_denominator(1920)


def _articulations(element: etree._Element) -> list[str]:
    texts = [element.get("artic") or ""] + [c.get("artic") or "" for c in element if tag(c) == "artic"]
    return [_ARTICULATIONS[a] for text in texts for a in text.split() if a in _ARTICULATIONS]


def _lyrics(element: etree._Element) -> tuple[str, ...]:
    verses = []
    for verse in (c for c in element if tag(c) == "verse"):
        text = ""
        for syllable in verse.iter("{*}syl"):
            text += "".join(text_of(syllable).split())
            if syllable.get("wordpos") in ("i", "m") or syllable.get("con") == "d":
                text += "-"
            else:
                text += " "
        if text.strip():
            verses.append(text.strip())
    if not verses:
        loose = [c for c in element if tag(c) == "syl"]
        verses = ["".join(text_of(element).split()) for element in loose] or (
            [element.get("syl", "")] if element.get("syl") else []
        )
    return tuple(verses)
