"""Bytes of a MusicXML score (versions 1 to 4, partwise or timewise) in, a `Score` out.

Each bar is walked once per part: positions are exact quarter notes, and where a file rounds its
durations they are set back to the note values printed. All parts meet again at every barline. Every
note, bar and direction gets an id, which is written into the tree that becomes `Score.source`.
Element names and meanings follow the MusicXML 4.0 specification (W3C Music Notation Community Group).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from typing import cast

from lxml import etree

from understave.errors import ScoreError, UnderstaveError
from understave.score import xmltree
from understave.score.model import Direction, Measure, Note, Part, Score
from understave.score.proposals import take_out_proposals
from understave.score.readers.musicxml_marks import (
    OCTAVES,
    ON_BARLINES,
    Directions,
    articulations,
    lyrics,
    ornaments,
)
from understave.score.readers.musicxml_time import (
    Bar,
    Element,
    Head,
    Inner,
    Mark,
    Meter,
    State,
    as_filled,
    full_length,
    inner_of,
    integer,
    meter_of_length,
    meters_at_once,
    meters_of,
    number,
    staff_count,
    text_in,
    walk_bar,
)
from understave.score.remarks import Remark
from understave.score.small_print import with_small_print, without_upper_notes
from understave.score.timeline import Written, join_ties, lay_out
from understave.theory.pitch import LETTERS, Pitch

_WITH_ID = ("note", "measure", "direction", "harmony", "figured-bass", "sound", "barline")
"""What gets an id of its own."""


_NAMED = etree.XPath("descendant-or-self::*[@id]")


def _unique_ids(root: Element) -> set[str]:
    """Take away ids that stand twice or are none, and return those that are left."""
    taken: set[str] = set()
    for element in cast(list[Element], _NAMED(root)):
        own = element.get("id", "")
        if element.tag == "part":
            continue
        if element.tag in _WITH_ID and (own in taken or not re.fullmatch(r"[A-Za-z_][\w.-]*", own)):
            del element.attrib["id"]
        else:
            taken.add(own)
    return taken


def _add_ids(root: Element, parts: list[Element]) -> None:
    """Give each note, bar and direction without a unique id one that depends only on its place."""
    taken = _unique_ids(root)

    def new(wish: str) -> str:
        name, k = wish, 1
        while name in taken:
            k += 1
            name = f"{wish}.{k}"
        taken.add(name)
        return name

    counts: dict[tuple[int, str], int] = {}
    bars = 0
    for part in parts:
        for i, measure in enumerate(part.iterchildren("measure")):
            # One id for each bar, in the first part that has it: engravers take it from there.
            if i >= bars and measure.get("id") is None:
                measure.set("id", new(f"m{i + 1}"))
            bars = max(bars, i + 1)
            for element in measure.iterchildren(*_WITH_ID):
                if element.tag == "barline" and not any(element.find(t) is not None for t in ON_BARLINES):
                    continue
                letter = "n" if element.tag == "note" else "d"
                count = counts[i, letter] = counts.get((i, letter), 0) + 1
                if element.get("id") is None:
                    element.set("id", new(f"{letter}{i + 1}-{count}"))


def _signature(key: Element) -> tuple[int, str | None]:
    fifths = key.find("fifths")
    if fifths is not None:
        mode = (key.findtext("mode") or "").strip().lower() or None
        return integer(fifths.text, 0, -14, 14), (None if mode == "none" else mode)
    alters = [integer(a.text, 0, -3, 3) for a in key.findall("key-alter")]
    return sum(alters), None


_SLIP = Fraction(1, 32)
"""A bar this little off its meter, in quarter notes, is a rounding and not a wrong bar."""


@dataclass(slots=True)
class _Frame:
    """What all parts together say about one bar."""

    id: str
    number: str
    implicit: bool
    length: Fraction = Fraction(0)
    meter: tuple[int, int, str] = (4, 4, "")
    signature: tuple[int, str | None] = (0, None)
    repeat_start: bool = False
    repeat_end: bool = False
    ending: tuple[int, ...] = ()
    fresh: bool = False


def _octave_shift(pitch: Pitch, steps: int) -> Pitch:
    return Pitch(pitch.letter, pitch.alter, pitch.octave + steps)


_PRINTED = {
    "sharp": 1,
    "double-sharp": 2,
    "sharp-sharp": 2,
    "natural-sharp": 1,
    "triple-sharp": 3,
    "flat": -1,
    "flat-flat": -2,
    "natural-flat": -1,
    "triple-flat": -3,
}
"""Alterations of the MusicXML accidental values that have one in whole semitones."""


def _pitch(inner: Inner, where: tuple[str, str, str]) -> Pitch:
    parts = inner_of(inner["pitch"])
    texts = (text_in(parts, "step"), text_in(parts, "octave"), text_in(parts, "alter"))
    pitch = _pitch_of(*texts, text_in(inner, "accidental"))
    if pitch is None:
        bar, part, name = where
        raise ScoreError(
            Remark(
                "xml_pitch",
                "Bar {bar} of {part} in {file} has a note without a readable pitch; correct it in your "
                "notation program.",
                bar=bar,
                part=part,
                file=name,
            )
        )
    return pitch


@lru_cache(maxsize=1024)
def _pitch_of(step: str | None, octave: str | None, alter: str | None, printed: str | None) -> Pitch | None:
    """Return the pitch that the texts of a note name, None where they name none."""
    letter, height, change = (step or "").strip().upper(), number(octave), number(alter)
    if change is None:
        # Some writers leave the alteration to the accidental printed.
        change = Fraction(_PRINTED.get((printed or "").strip(), 0))
    if letter not in LETTERS or len(letter) != 1 or height is None or abs(height) > 20 or abs(change) > 20:
        return None
    # A quarter tone is rounded towards the plain note: harmony is read in twelve steps.
    return Pitch(letter, int(change), int(height))


def _fingering(note: Element) -> tuple[str, ...]:
    texts = [(element.text or "").strip() for element in note.iterfind("notations/technical/fingering")]
    return tuple(text for text in texts if text)


def _note(
    head: Head, start: Fraction, measure: int, part: int, first_staff: int, where: tuple[str, str, str]
) -> Written:
    element, inner = head.element, head.inner
    pitch = _pitch(inner, where)
    name = element.get("id", "")
    sounding = pitch + head.sounding if head.sounding.semitones or head.sounding.steps else pitch
    # Most notes have no notations, and most of the others one kind: the rest is not looked for.
    signs: set[object] = set()
    if "notations" in inner:
        signs = {sign.tag for group in element.iterchildren("notations") for sign in group}
    cue = "cue" in inner
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
        cue=cue,
        ornaments=ornaments(element) if "ornaments" in signs else (),
        articulations=articulations(element) if "notations" in inner else (),
        fingering=_fingering(element) if "technical" in signs else (),
        fermata=head.fermata,
        arpeggiated="arpeggiate" in signs,
        lyrics=lyrics(element) if "lyric" in inner else (),
        small=not cue and any(t.get("size") == "cue" for t in element.iterchildren("type")),
    )
    return Written(note, head.tie_start, head.tie_stop)


def _under_ottavas(notes: list[Written], lines: list[Direction]) -> list[Written]:
    """Set `written` an octave off where an ottava line covers a note of its staff."""
    by_staff: dict[int, list[Direction]] = {}
    for line in lines:
        by_staff.setdefault(line.staff, []).append(line)
    out = []
    for written in notes:
        note = written.note
        for line in by_staff.get(note.staff, ()):
            if line.onset <= note.onset and (line.end is None or note.onset < line.end):
                written = replace(
                    written, note=replace(note, written=_octave_shift(note.written, OCTAVES[line.text]))
                )
                break
        out.append(written)
    return out


def _reach_barlines(notes: list[Written], measures: tuple[Measure, ...], bars: list[Bar]) -> list[Written]:
    """Lengthen notes tied over a barline where their part's bar is shorter than the common one."""
    stops = {(written.note.midi, written.note.onset) for written in notes if written.tie_stop}
    out = []
    for written in notes:
        note, measure = written.note, measures[written.note.measure]
        last = note.end == measure.start + bars[measure.index].length and note.end < measure.end
        if last and written.tie_start and not note.grace and (note.midi, measure.end) in stops:
            written = replace(written, note=replace(note, duration=measure.end - note.onset))
        out.append(written)
    return out


def _hidden(root: Element) -> frozenset[str]:
    """Return the ids of the notes that are not printed."""
    return frozenset(e.get("id", "") for e in root.iter("note") if e.get("print-object") == "no")


def _check_root(root: Element, name: str) -> None:
    if root.tag == "opus":
        raise ScoreError(
            Remark(
                "xml_opus",
                "{file} is a list of scores (an opus), not a score; give one of the scores it lists.",
                file=name,
            )
        )
    if root.tag not in ("score-partwise", "score-timewise"):
        raise ScoreError(
            Remark(
                "xml_other",
                "{file} is XML but not a MusicXML score (it begins with <{element}>); give a .musicxml or "
                ".mxl file.",
                file=name,
                element=root.tag,
            )
        )
    version = root.get("version", "1.0").strip()
    m = re.fullmatch(r"(\d{1,3})(\.\d+)*", version)
    if not m or not 0 < int(m[1]) <= 4:
        raise ScoreError(
            Remark(
                "xml_version",
                "{file} says it is MusicXML version {version}, and only versions 1 to 4 can be read; "
                "export it as MusicXML 4.0.",
                file=name,
                version=repr(version[:20]),
            )
        )


_HEADER = (
    ("work", "work/work-title"),
    ("work-number", "work/work-number"),
    ("movement", "movement-title"),
    ("movement-number", "movement-number"),
    ("rights", "identification/rights"),
    ("software", "identification/encoding/software"),
    ("encoding-date", "identification/encoding/encoding-date"),
    ("source", "identification/source"),
)
_FILE_NAME = re.compile(r"^\S+\.(?:mxl|musicxml|xml|krn|mei|midi?|abc)$", re.I)
"""What programs write for a title where there is none: the name of the file that they had read."""
_CREDITS = ("title", "subtitle", "composer", "lyricist", "arranger")


def _words(element: Element | None) -> str:
    return " ".join((element.text or "").split()) if element is not None else ""


def _metadata(root: Element) -> tuple[str, str, dict[str, str]]:
    """Return title, composer and everything the header says about the piece."""
    meta = {key: words for key, path in _HEADER if (words := _words(root.find(path)))}
    for creator in root.iterfind("identification/creator"):
        if _words(creator):
            meta.setdefault(creator.get("type", "composer"), _words(creator))
    printed = _credits(root)
    for kind, words in printed.items():
        meta.setdefault(kind, words)
    names = [meta[key] for key in ("work", "movement") if key in meta and not _FILE_NAME.search(meta[key])]
    title = ": ".join(dict.fromkeys(names)) or printed.get("title", "")
    return title, meta.get("composer", ""), meta


def _credits(root: Element) -> dict[str, str]:
    """Words printed at the head of the first page by what they are.

    Where the file does not say what they are, the largest centred words are the title and those at the
    right the composer (common practice, no source).
    """
    found: dict[str, str] = {}
    largest = Fraction(0)
    for credit in root.iterfind("credit"):
        words = credit.findall("credit-words")
        text = " ".join(_words(element) for element in words).strip()
        kind = _words(credit.find("credit-type"))
        if not text or credit.get("page", "1") != "1":
            continue
        if kind in _CREDITS:
            found.setdefault(kind, text)
        elif not kind:
            size = number(words[0].get("font-size")) or Fraction(0)
            place = words[0].get("justify") or words[0].get("halign")
            if place == "center" and size > largest and words[0].get("valign") == "top":
                found["title"], largest = text, size
            elif place == "right" and words[0].get("valign") == "bottom":
                found.setdefault("composer", text)
    return found


def _part_names(root: Element) -> dict[str, tuple[str, bool]]:
    """Return each part's name and whether it is hidden; what is displayed in its place decides."""
    names = {}
    for element in root.iterfind("part-list/score-part"):
        name = " ".join((element.findtext("part-name") or "").split())
        said = element.iterchildren("part-name", "part-name-display")
        shown = [element for element in said if "".join(str(t) for t in element.itertext()).strip()]
        names[element.get("id", "")] = name, bool(shown) and shown[-1].get("print-object") == "no"
    return names


def _frames(parts: list[Element]) -> list[_Frame]:
    count = max(len(element.findall("measure")) for element in parts)
    frames: list[_Frame] = []
    for i in range(count):
        frames.append(_Frame(f"m{i + 1}", str(i + 1), False))
    for part in reversed(parts):
        for frame, measure in zip(frames, part.iterchildren("measure"), strict=False):
            frame.id = measure.get("id", frame.id)
            frame.number = measure.get("number", frame.number)
            frame.implicit = measure.get("implicit") == "yes"
    return frames


def _read_barlines(measures: list[list[Mark]], frames: list[_Frame]) -> None:
    """Set repeats, endings and section starts of all bars from the barlines of one part."""
    now: tuple[int, ...] = ()
    for i, (marks, frame) in enumerate(zip(measures, frames, strict=False)):
        stop = False
        for mark in marks:
            element = mark.element
            if element.tag != "barline":
                continue
            ending = element.find("ending")
            if ending is not None:
                if ending.get("type") == "start":
                    now = tuple(int(x[:4]) for x in re.findall(r"\d+", ending.get("number", "")))
                    stop = False
                else:
                    stop = True
            repeat = element.find("repeat")
            if repeat is not None:
                if repeat.get("direction") == "forward":
                    frame.repeat_start = True
                else:
                    frame.repeat_end = True
            style = (element.findtext("bar-style") or "").strip()
            if (
                style in ("light-heavy", "light-light", "heavy-heavy")
                and element.get("location") != "left"
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


def _frame_meters(frames: list[_Frame], bars_of: list[list[Bar]], meters: list[tuple[Meter, ...]]) -> None:
    """Give each bar its length, the longest of its parts', and its meter; a bar of silence is full.

    Of several meters at once (2/4 against 6/8) the first that the bar fills is taken.
    """
    for i, frame in enumerate(frames):
        here = [bars[i] for bars in bars_of if i < len(bars)]
        frame.length = max(b.length for b in here)
        if frame.implicit:
            # A pickup may be filled up with empty time in some parts.
            frame.length = max(b.written for b in here) or frame.length
        choice = [m for m in meters[i] if m is not None]
        filled = [m for m in choice if full_length(m) == frame.length]
        frame.meter = (filled or choice or [meter_of_length(frame.length)])[0]
        full = full_length(frame.meter)
        if frame.length > full >= max(b.sounding for b in here):
            # Rests alone never make a bar longer than its meter: some files write one twice.
            frame.length = full
        if not frame.length or abs(frame.length - full) < _SLIP:
            frame.length = full


def _frame_keys(frames: list[_Frame], bars_of: list[list[Bar]]) -> None:
    """Give each bar the key signature it sounds in: from a part at concert pitch where there is one."""
    found: dict[int, tuple[int, str | None]] = {}
    at_pitch: dict[int, bool] = {}
    for bars in bars_of:
        for i, bar in enumerate(bars):
            for moment, key, shift in bar.keys:
                # A new signature inside a bar holds from the next bar on: a bar has one signature.
                at = i + 1 if moment > 0 else i
                plain = shift.semitones == 0
                if at not in found or (plain and not at_pitch[at]):
                    fifths, mode = _signature(key)
                    found[at] = (fifths if plain else fifths + shift.fifths, mode)
                    at_pitch[at] = plain
    now: tuple[int, str | None] = (0, None)
    for i, frame in enumerate(frames):
        now = found.get(i, now)
        frame.signature = now


def _measures(frames: list[_Frame]) -> tuple[tuple[Measure, ...], tuple[str, ...]]:
    return lay_out(
        [
            Measure(
                id=frame.id,
                index=i,
                number=frame.number,
                start=Fraction(0),
                length=frame.length,
                beats=frame.meter[0],
                beat_type=frame.meter[1],
                signature=frame.signature[0],
                mode=frame.signature[1],
                repeat_start=frame.repeat_start,
                repeat_end=frame.repeat_end,
                ending=frame.ending,
                symbol=frame.meter[2],
            )
            for i, frame in enumerate(frames)
        ],
        implicit={i for i, frame in enumerate(frames) if frame.implicit},
        fresh={i for i, frame in enumerate(frames) if frame.fresh},
    )


def _walk_part(part: Element, meters: list[Meter]) -> list[Bar]:
    state = State()
    bars = []
    for measure, meter in zip(part.iterchildren("measure"), meters, strict=False):
        bar, state = walk_bar(measure, state, meter)
        bars.append(bar)
    return bars


def _about_meters(
    stretches: Iterable[tuple[int, int, int, int]],
    meters: Sequence[tuple[Meter, ...]],
    measures: Sequence[Measure],
    labels: Sequence[str],
) -> Iterator[str]:
    """Say where parts are in meters of unequal length, since beats then do not come together as read."""
    for first, end, longer, shorter in stretches:
        a, b = meters[first][longer], meters[first][shorter]
        assert a is not None
        assert b is not None
        numbers = measures[first].number, measures[end - 1].number
        yield Remark(
            "xml_meters",
            "In bars {bars} part {part} is in {meter} and part {other} in {shorter}, both counted in the "
            "same quarter notes, so that their bars begin together but do not end together; if they are "
            "meant to, write the one as tuplets in the meter of the other.",
            bars=numbers[0] if numbers[0] == numbers[1] else "–".join(numbers),
            part=labels[longer],
            meter=f"{a[0]}/{a[1]}",
            other=labels[shorter],
            shorter=f"{b[0]}/{b[1]}",
        )


def read_tree(root: Element, name: str) -> Score:
    """Read a score-partwise tree: what we wrote into it is taken out, ids added.

    Raises UnderstaveError as `read_musicxml` does.
    """
    ours = take_out_proposals(root)
    parts = [element for element in root.findall("part") if element.find("measure") is not None]
    if not parts:
        raise ScoreError(
            Remark(
                "xml_no_bars", "{file} holds no bars; export it again from your notation program.", file=name
            )
        )
    _add_ids(root, parts)
    frames = _frames(parts)
    meters = meters_of(parts, len(frames))
    bars_of = [_walk_part(part, [m[k] for m in meters]) for k, part in enumerate(parts)]
    meters = as_filled(meters, bars_of)
    _frame_meters(frames, bars_of, meters)
    _frame_keys(frames, bars_of)
    for bars in bars_of:
        _read_barlines([b.marks for b in bars], frames)
    try:
        measures, said = _measures(frames)
    except UnderstaveError as error:
        raise ScoreError(
            Remark("xml_wrong", "{file} cannot be read: {why}", file=name, why=error.args[0])
        ) from error
    names = _part_names(root)
    labels = [names.get(part.get("id") or "", ("", False))[0] or str(k + 1) for k, part in enumerate(parts)]
    warnings = [*ours, *said, *_about_meters(meters_at_once(meters, bars_of), meters, measures, labels)]

    score_parts: list[Part] = []
    written: list[Written] = []
    directions: list[Direction] = []
    percussion: list[str] = []
    staff = 1
    for p, (part, bars) in enumerate(zip(parts, bars_of, strict=True)):
        own = part.get("id") or f"P{p + 1}"
        printed, hidden = names.get(own, ("", False))
        label = printed or f"part {p + 1}"
        last = staff + staff_count(part) - 1
        score_parts.append(Part(own, printed, staff, last, hidden))
        if len(bars) != len(frames):
            warnings.append(
                Remark(
                    "xml_stops",
                    "Part {part} stops after {count} of {all} bars.",
                    part=labels[p],
                    count=len(bars),
                    all=len(frames),
                )
            )
        heads: list[Written] = []
        lines = Directions(staff, last)
        for measure, bar in zip(measures, bars, strict=False):
            where = measure.number, label, name
            heads += [_note(head, measure.start, measure.index, p, staff, where) for head in bar.heads]
            lines.read_bar(bar.marks, measure.start)
        heads = _reach_barlines(heads, measures, bars)
        written += _under_ottavas(heads, [direction for direction in lines.out if direction.kind == "ottava"])
        directions += lines.out
        signs = [measure.number for measure, bar in zip(measures, bars, strict=False) if bar.repeats_another]
        if signs:
            warnings.append(
                Remark(
                    "xml_repeats",
                    "In part {part} there is only a sign that repeats another bar (bar {bars}); write the "
                    "notes out to have them read.",
                    part=labels[p],
                    bars=", ".join(signs[:8]),
                )
            )
        if any(b.percussion for b in bars):
            percussion.append(labels[p])
        staff = last + 1
    if not written and percussion:
        raise ScoreError(
            Remark(
                "xml_drums",
                "{file} holds only unpitched percussion; harmony needs notes with pitch.",
                file=name,
            )
        )
    if not written:
        raise ScoreError(
            Remark("xml_no_notes", "{file} holds no notes; give a score with notes in it.", file=name)
        )
    warnings += [
        Remark(
            "xml_percussion",
            "The unpitched percussion of part {part} is left out of the reading.",
            part=label,
        )
        for label in percussion
    ]
    title, composer, metadata = _metadata(root)
    return Score(
        title=title,
        composer=composer,
        parts=tuple(score_parts),
        measures=measures,
        notes=without_upper_notes(with_small_print(join_ties(written), score_parts), _hidden(root)),
        directions=tuple(sorted(directions, key=lambda direction: (direction.onset, direction.staff))),
        metadata=metadata,
        warnings=tuple(warnings),
        source=xmltree.to_bytes(root),
    )
