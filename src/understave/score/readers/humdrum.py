"""Humdrum **kern bytes in, a `Score` out.

Syntax: D. Huron, "The Humdrum Toolkit: Reference Manual" (1994), section "**kern", and for layout
records (``!LO:``), ``*ped`` and section labels the humdrum.org guide. Time is counted from the tokens
alone. Real files have slips, so every barline is a fresh start: where the spines of a bar do not
agree on the time, the bar's own meter decides, later bars stay right, and a warning says so.
"""

from __future__ import annotations

import html
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from understave.errors import ScoreError
from understave.score import xmltree
from understave.score.model import Direction, Measure, Note, Part, Score
from understave.score.plain_text import printable
from understave.score.readers.humdrum_spines import Row, rows_of
from understave.score.remarks import Remark
from understave.score.ties import mark_both_ends
from understave.score.timeline import (
    MOST_BEATS,
    SMALLEST_BEAT,
    Written,
    join_ties,
    lay_out,
    meter_filled_by,
)
from understave.score.write import with_source
from understave.theory.pitch import Pitch

_PITCH = re.compile(r"(([a-g])\2*|([A-G])\3*)(#+|-+|n?)([XxyY]*)([<>]?)")
_LATE_SIGN = re.compile(r"[#-]")
_DURATION = re.compile(r"(\d{1,4})(?:%(\d{1,3}))?(\.*)")
_RECORD = re.compile(r"!!!\s*([A-Za-z0-9_-]+)[^:]*:\s*(.*)")
_METER = re.compile(r"\*M(\d+(?:\+\d+)*)/(\d+)$")
_SIGN = re.compile(r"\*met\([cC](\|)?\)")
_SIGNATURE = re.compile(r"\*k\[([a-gA-G#n-]*)\]")
_KEY = re.compile(r"\*([A-Ga-g])[#-]*:")
_OTTAVA = re.compile(r"\*(X?)(8|15)(va|ba|vb|ma|mb)$")
_ARTICULATIONS = {"'": "staccato", "`": "staccatissimo", "~": "tenuto", ",": "breath-mark"}
# Named as in MusicXML 4.0, whose "mordent" is the one with the lower note (kern W).
_ORNAMENTS = {
    "T": "trill", "t": "trill", "M": "inverted-mordent", "m": "inverted-mordent", "W": "mordent",
    "w": "mordent", "S": "turn", "$": "inverted-turn",
}  # fmt: skip
_DYNAMIC = re.compile(r"p{1,5}|f{1,5}|m[pf]|fp|sf{1,3}z?p?|fz|rfz?")
_KEYBOARDS = ("piano", "cemba", "organ", "clavi", "forte", "hammk", "harp", "celst", "rh", "lh")


@dataclass
class _Staff:
    """One **kern spine: its staff, and what is in force on it while reading."""

    index: int = 0
    part: int = 0
    base_voice: int = 0
    name: str = ""
    part_token: str = ""
    signature: int = 0
    mode: str | None = None
    meter: tuple[int, int] | None = None
    symbol: str = ""
    symbol_from: Fraction | None = None
    octave: int = 0
    ottava_start: Fraction = Fraction(0)


@dataclass
class _Reader:
    """The state of one pass through the rows."""

    staves: dict[int, _Staff]
    kinds: dict[int, str]
    numbered: dict[int, int]
    above: str
    below: str
    start: Fraction = Fraction(0)
    now: Fraction = Fraction(0)
    free: list[Fraction] = field(default_factory=list)
    bars: list[Measure] = field(default_factory=list)
    implicit: set[int] = field(default_factory=set)
    fresh: set[int] = field(default_factory=set)
    number: str = ""
    repeat_start: bool = False
    ending: tuple[int, ...] = ()
    labels: set[str] = field(default_factory=set)
    written: list[Written] = field(default_factory=list)
    directions: list[Direction] = field(default_factory=list)
    wedges: dict[int, int] = field(default_factory=dict)
    doubtful: list[str] = field(default_factory=list)


def read_humdrum(data: bytes, name: str = "score.krn") -> Score:
    """Read Humdrum bytes; raise UnderstaveError with one sentence if they hold no **kern notes."""
    text = printable(xmltree.decode(data))
    rows, kinds, mended = rows_of(text, name)
    staves, numbered = _staves(rows, kinds)
    parts = _parts(staves)
    reader = _Reader(staves, kinds, numbered, _signifier(text, "above"), _signifier(text, "below"))
    bar: list[Row] = []
    for row in rows:
        if row.spines and row.fields[0].startswith("="):
            _bar(reader, bar)
            bar = []
            _barline(reader, row)
        else:
            bar.append(row)
    _bar(reader, bar)
    if not reader.written:
        raise ScoreError(
            Remark("file_no_notes", "{file} has no notes in it; there is nothing to read.", file=name)
        )
    for i in reader.wedges.values():
        # A hairpin that nobody ends is taken to the end of its bar.
        opened = reader.directions[i]
        stop = next((b.start + b.length for b in reader.bars if b.start + b.length > opened.onset), None)
        reader.directions[i] = replace(opened, end=stop)
    measures, warnings = lay_out(reader.bars, implicit=reader.implicit, fresh=reader.fresh)
    if reader.doubtful:
        unlike = Remark(
            "kern_bars",
            "The note values of the staves do not agree in bar {bars}; notes there may be misplaced.",
            bars=", ".join(reader.doubtful[:8]) + (" …" if len(reader.doubtful) > 8 else ""),
        )
        mended = (*mended, unlike)
    records = _records(text)
    composer = records.get("COM", "")
    if composer.count(",") == 1:
        composer = " ".join(reversed([w.strip() for w in composer.split(",")]))
    score = Score(
        title=next((records[k] for k in ("OTL", "OPR", "OMD") if k in records), ""),
        composer=composer,
        parts=parts,
        measures=measures,
        notes=join_ties(mark_both_ends(reader.written)),
        directions=tuple(sorted(reader.directions, key=lambda direction: (direction.onset, direction.staff))),
        metadata={k: v for k, v in records.items() if len(k) == 3},
        warnings=(*mended, *warnings),
    )
    return with_source(score)


def _records(text: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for line in text.splitlines():
        m = _RECORD.match(line)
        if m and m[2].strip():
            found.setdefault(m[1], _text(m[2]))
    return found


def _text(raw: str) -> str:
    return printable(html.unescape(raw)).strip()


def _signifier(text: str, meaning: str) -> str:
    """Return the character with which a file puts a note on the staff above or below."""
    m = re.search(rf"^!!!RDF\*\*kern:\s*(\S)\s*=\s*{meaning}\s*$", text, re.MULTILINE)
    return m[1] if m else ""


# --- staves and parts ----------------------------------------------------------------------------


def _staves(rows: Sequence[Row], kinds: dict[int, str]) -> tuple[dict[int, _Staff], dict[int, int]]:
    """Return the staff of each **kern spine, and the index of each staff number the file uses."""
    staves = {n: _Staff() for n, kind in kinds.items() if kind == "**kern"}
    stated: dict[int, int] = {}
    for row in rows:
        if row.spines and not row.fields[0].startswith(("*", "!", "=")):
            break
        for token, n in zip(row.fields, row.spines, strict=False):
            if n not in staves:
                continue
            if m := re.match(r"\*staff(\d+)", token):
                stated.setdefault(n, int(m[1]))
            elif token.startswith('*I"'):
                staves[n].name = token[3:].strip('" ')
            elif token.startswith("*part"):
                staves[n].part_token = token
            elif m := re.match(r"\*I([a-z]\w*)$", token):
                staves[n].name = staves[n].name or m[1].capitalize()
    # The rightmost spine is the top staff (Huron 1994) unless the file numbers them.
    numbered = len(set(stated.values())) == len(staves)
    order = sorted(staves, key=lambda n: (stated[n] if numbered else 0, -n))
    for index, n in enumerate(order, 1):
        staves[n].index = index
    return staves, {number: staves[n].index for n, number in stated.items()}


def _parts(staves: dict[int, _Staff]) -> tuple[Part, ...]:
    """Group staves: by ``*part``, by one keyboard's name, or two unnamed staves as one piano."""
    order = sorted(staves.values(), key=lambda staff: staff.index)
    groups: list[list[_Staff]] = []
    for staff in order:
        last = groups[-1][-1] if groups else None
        if last is not None and staff.part_token == last.part_token and (
            staff.part_token
            or (staff.name == last.name and staff.name.lower().startswith(_KEYBOARDS))
            or (len(order) == 2 and not (staff.name and last.name))
            or (len(order) == 2 and {staff.name.lower(), last.name.lower()} == {"rh", "lh"})
        ):  # fmt: skip
            groups[-1].append(staff)
        else:
            groups.append([staff])
    parts = []
    for index, group in enumerate(groups):
        for above, staff in enumerate(group):
            staff.part, staff.base_voice = index, 4 * above
        parts.append(Part(f"P{index + 1}", group[0].name, group[0].index, group[-1].index))
    return tuple(parts)


# --- bars ----------------------------------------------------------------------------------------


def _bar(reader: _Reader, rows: Sequence[Row]) -> None:
    """Read the rows between two barlines and, if they take time, add the bar."""
    if not any(_is_data(row) for row in rows):
        for row in rows:
            _say(reader, row, reader.start)
            reader.free = _carried(reader.free, row, reader.start)
        return
    meter = _meter_ahead(reader, rows)
    full = Fraction(4 * meter[0], meter[1]) if meter else None
    tries = [_timed(rows, reader.free, reader.start, latest) for latest in (True, False)]
    best = min(tries, key=lambda t: (t.slips > 0, t.end - reader.start != full, t.slips))
    first_note = len(reader.written)
    for row, moment in zip(rows, best.moments, strict=True):
        if _is_data(row):
            _data(reader, row, moment)
        else:
            _say(reader, row, moment)
    if full is not None and best.end - reader.start > full:
        # Rests beyond the end of the meter are slips; notes beyond it may be meant.
        sounding = max((written.note.end for written in reader.written[first_note:]), default=best.end)
        best = replace(best, end=max(reader.start + full, min(sounding, best.end)))
    for i in range(first_note, len(reader.written)):
        note = reader.written[i].note
        if note.onset >= best.end and not note.grace:
            # Its row lies past the bar's end and no time is left for it: it is kept without one.
            late = replace(note, onset=best.end, duration=Fraction(0), grace=True)
            reader.written[i] = replace(reader.written[i], note=late)
        elif note.end > best.end:
            reader.written[i] = replace(
                reader.written[i], note=replace(note, duration=max(best.end - note.onset, Fraction(0)))
            )
    length = best.end - reader.start
    reader.free = [best.end] * len(best.free)
    if not length:
        return
    top = min(reader.staves.values(), key=lambda staff: staff.index)
    beats, unit = top.meter or meter_filled_by(length)
    index = len(reader.bars)
    reader.bars.append(
        Measure(
            id=f"m{index + 1}",
            index=index,
            number=reader.number,
            start=reader.start,
            length=length,
            beats=beats,
            beat_type=unit,
            signature=top.signature,
            mode=top.mode,
            repeat_start=reader.repeat_start,
            ending=reader.ending,
            symbol=top.symbol if top.meter else "",
        )
    )
    if best.slips:
        reader.doubtful.append(reader.number or str(index + 1))
    if not reader.number:
        reader.implicit.add(index)
    reader.repeat_start = False
    reader.number = ""
    reader.start = reader.now = best.end


def _meter_ahead(reader: _Reader, rows: Sequence[Row]) -> tuple[int, int] | None:
    top = min(reader.staves.values(), key=lambda staff: staff.index)
    meters = [m for row in rows for token in row.fields if (m := _METER.match(token))]
    return _meter(meters[-1]) if meters else top.meter


def _meter(m: re.Match[str]) -> tuple[int, int] | None:
    beats, unit = sum(map(int, m[1].split("+"))), int(m[2])
    return (beats, unit) if 0 < beats < MOST_BEATS and 0 < unit <= SMALLEST_BEAT else None


def _is_data(row: Row) -> bool:
    return bool(row.spines) and not row.fields[0].startswith(("*", "!"))


@dataclass(frozen=True, slots=True)
class _Timing:
    """Moments of a bar's rows, its end, when each field is free again, and how often spines disagreed."""

    moments: list[Fraction]
    end: Fraction
    free: list[Fraction]
    slips: int


def _timed(rows: Sequence[Row], free: list[Fraction], start: Fraction, latest: bool) -> _Timing:
    """Place the rows of a bar; where spines disagree, at the most common moment, then the latest one.

    With `latest` False the earliest one is taken instead.
    """
    moments: list[Fraction] = []
    slips = 0
    waiting = 0
    for row in rows:
        free = _carried(free, row, start)
        if not _is_data(row):
            waiting += 1
            continue
        durations = [_duration_of(token) for token in row.fields]
        here = [f for f, d in zip(free, durations, strict=True) if d]
        if here:
            moment, slip = _agreed(here, latest)
            slips += slip
            for i, d in enumerate(durations):
                if d:
                    free[i] = moment + d
        else:
            graces = [f for f, d in zip(free, durations, strict=True) if d is not None]
            moment = graces[0] if graces else max(free, default=start)
        moments += [moment] * (waiting + 1)
        waiting = 0
    sounding = [f for f in free if f > start]
    end, slip = _agreed(sounding, latest) if sounding else (start, 0)
    moments += [end] * waiting
    return _Timing(moments, end, free, slips + slip)


def _agreed(moments: list[Fraction], latest: bool) -> tuple[Fraction, int]:
    counts = Counter(moments)
    if len(counts) == 1:
        return moments[0], 0
    most = max(counts.values())
    common = [m for m, c in counts.items() if c == most]
    return (max(common) if latest else min(common)), 1


def _carried(free: list[Fraction], row: Row, start: Fraction) -> list[Fraction]:
    """Carry the time at which each field is free over to a row that may have split or joined spines."""
    if not row.spines:
        return free
    return [max((free[i] for i in source if i < len(free)), default=start) for source in row.sources]


def _barline(reader: _Reader, row: Row) -> None:
    reader.free = _carried(reader.free, row, reader.start)
    m = re.match(r"=+(\d+[a-z]?)?([^\d].*)?", row.fields[0])
    number, style = (m[1] or "", m[2] or "") if m else ("", "")
    reader.number = number or reader.number
    if re.search(r":[|!]", style) and reader.bars:
        reader.bars[-1] = replace(reader.bars[-1], repeat_end=True)
    if re.search(r"[|!]:", style):
        reader.repeat_start = True
    if row.fields[0].startswith("==") or "||" in style or ":" in style:
        reader.fresh.add(len(reader.bars))


# --- tokens --------------------------------------------------------------------------------------


def _duration_of(token: str) -> Fraction | None:
    """Return a token's duration in quarter notes, 0 for grace notes, None for a token without time."""
    if token == "." or not token:
        return None
    m = _DURATION.search(token)
    if "q" in token or "Q" in token:
        return Fraction(0)
    if not m:
        return None
    if set(m[1]) == {"0"}:
        value = Fraction(4 * 2 ** min(len(m[1]), 4))
    else:
        value = Fraction(4 * (int(m[2] or 1) or 1), int(m[1]))
    return value * (2 - Fraction(1, 2 ** min(len(m[3]), 8)))


def _data(reader: _Reader, row: Row, moment: Fraction) -> None:
    for token, n, voice in zip(row.fields, row.spines, row.voices, strict=True):
        if n in reader.staves:
            _notes(reader, reader.staves[n], token, voice, moment)
            continue
        kind = reader.kinds.get(n, "")
        if token == ".":
            continue
        if kind == "**dynam":
            _dynamics(reader, token, _staff_left_of(reader, n), moment)
        elif kind in ("**text", "**silbe", "**lyrics"):
            _mark_latest(reader, n, moment, lyrics=(_text(token),))
        elif kind == "**fing":
            _mark_latest(reader, n, moment, fingering=tuple(token.split()))
        elif kind in ("**mxhm", "**chord"):
            _direct(reader, "chord-symbol", moment, _staff_left_of(reader, n), token)


def _notes(reader: _Reader, staff: _Staff, token: str, voice: int, moment: Fraction) -> None:
    if token == ".":
        return
    pieces = token.split()
    duration = _duration_of(token)
    if duration is None:
        return
    fermata = ";" in token
    sounding = False
    for piece in pieces:
        m = _PITCH.search(piece)
        if not m or "r" in piece:
            continue
        octave = 3 + len(m[1]) if m[2] else 4 - len(m[1])
        # The accidental need not follow the letter at once; an articulation may stand between them.
        sign = m[4] or "".join(_LATE_SIGN.findall(piece, m.end()))
        pitch = Pitch(m[1][0].upper(), sign.count("#") - sign.count("-"), octave)
        grace = "q" in piece or "Q" in piece or duration == 0
        index = staff.index + (
            -1 if m[6] and m[6] == reader.above else 1 if m[6] and m[6] == reader.below else 0
        )
        index = index if 1 <= index <= len(reader.staves) else staff.index
        note_id = f"n{len(reader.written) + 1}"
        held = piece.replace("[[", "").replace("]]", "")
        reader.written.append(
            Written(
                Note(
                    id=note_id,
                    onset=moment,
                    duration=Fraction(0) if grace else duration,
                    pitch=pitch,
                    written=replace(pitch, octave=pitch.octave - staff.octave),
                    staff=index,
                    voice=str(staff.base_voice + voice),
                    part=staff.part,
                    measure=len(reader.bars),
                    ids=(note_id,),
                    grace=grace,
                    ornaments=_ornaments(piece),
                    articulations=_articulations(piece) + (_slurs(token) if not sounding else ()),
                    fermata=fermata and not sounding,
                    arpeggiated=":" in token,
                ),
                tie_start="[" in held or "_" in held,
                tie_stop="]" in held or "_" in held,
            )
        )
        sounding = True
    if fermata:
        _direct(reader, "fermata", moment, staff.index, "fermata")
    if "z" in token:
        _direct(reader, "dynamic", moment, staff.index, "sf")


def _ornaments(piece: str) -> tuple[str, ...]:
    marks = [o for c, o in _ORNAMENTS.items() if c in piece]
    if m := re.search(r"@(\d+)@", piece):
        # The number is the value the note is repeated in: sixteenths have two strokes, and so on.
        marks.append(f"tremolo-{max(1, min(int(m[1]).bit_length() - 3, 8))}")
    return tuple(dict.fromkeys(marks))


def _slurs(token: str) -> tuple[str, ...]:
    return ("slur-stop",) * token.count(")") + ("slur-start",) * token.count("(")


def _articulations(piece: str) -> tuple[str, ...]:
    accent = ("strong-accent",) if "^^" in piece else ("accent",) if "^" in piece else ()
    return accent + tuple(a for c, a in _ARTICULATIONS.items() if c in piece)


def _staff_left_of(reader: _Reader, spine: int) -> int:
    """Return the staff that a spine of words or dynamics belongs to: that of the nearest notes leftwards."""
    left = [n for n in reader.staves if n < spine] or list(reader.staves)
    return reader.staves[max(left)].index


def _mark_latest(
    reader: _Reader,
    spine: int,
    moment: Fraction,
    lyrics: tuple[str, ...] = (),
    fingering: tuple[str, ...] = (),
) -> None:
    staff = _staff_left_of(reader, spine)
    fits = [
        i
        for i in range(max(0, len(reader.written) - 60), len(reader.written))
        if reader.written[i].note.onset == moment
        and reader.written[i].note.staff == staff
        and not reader.written[i].note.grace
    ]
    for i, finger in zip(fits, fingering, strict=False):
        note = reader.written[i].note
        reader.written[i] = replace(reader.written[i], note=replace(note, fingering=(finger,)))
    if lyrics and fits:
        note = reader.written[fits[0]].note
        reader.written[fits[0]] = replace(
            reader.written[fits[0]], note=replace(note, lyrics=note.lyrics + lyrics)
        )


# --- directions ----------------------------------------------------------------------------------


def _direct(
    reader: _Reader, kind: str, moment: Fraction, staff: int, text: str, value: float | None = None
) -> int:
    reader.directions.append(
        Direction(f"d{len(reader.directions) + 1}", kind, moment, None, staff, text, value)
    )
    return len(reader.directions) - 1


def _dynamics(reader: _Reader, token: str, staff: int, moment: Fraction) -> None:
    rest = token
    while rest:
        m = _DYNAMIC.match(rest)
        if m and not re.match(r"[a-z]", rest[m.end() :]):
            _end_wedge(reader, staff, moment)
            _direct(reader, "dynamic", moment, staff, m[0])
            rest = rest[m.end() :]
        elif rest[0] in "<>":
            _end_wedge(reader, staff, moment)
            text = "crescendo" if rest[0] == "<" else "diminuendo"
            reader.wedges[staff] = _direct(reader, "wedge", moment, staff, text)
            rest = rest[1:].lstrip("<>")
        elif rest[0] in "[]":
            _end_wedge(reader, staff, moment)
            rest = rest[1:]
        elif m := re.match(r"[^\W\d_][\w. ]+", rest):
            _direct(reader, "words", moment, staff, m[0].strip())
            rest = rest[m.end() :]
        else:
            rest = rest[1:]


def _end_wedge(reader: _Reader, staff: int, moment: Fraction) -> None:
    i = reader.wedges.pop(staff, None)
    if i is not None and moment > reader.directions[i].onset:
        reader.directions[i] = replace(reader.directions[i], end=moment)


def _say(reader: _Reader, row: Row, moment: Fraction) -> None:
    """Follow a row of interpretations, comments or records at a moment."""
    if not row.spines:
        line = row.fields[0]
        if line.startswith("!!!OMD") and (m := _RECORD.match(line)) and m[2].strip():
            _tempo(reader, moment, _text(m[2]), None)
        elif line.startswith("!!LO:TX"):
            _layout_text(reader, line[2:], 1, moment)
        return
    for token, n in zip(row.fields, row.spines, strict=True):
        if token in ("*", "!"):
            continue
        staff = reader.staves.get(n)
        if token.startswith("!LO:TX"):
            _layout_text(reader, token[1:], staff.index if staff else _staff_left_of(reader, n), moment)
        elif staff and token.startswith("*"):
            _interpretation(reader, staff, token, moment)
    for token in row.fields:
        if token.startswith("*>") and "[" not in token:
            _label(reader, token[2:])
            break


def _layout_text(reader: _Reader, token: str, staff: int, moment: Fraction) -> None:
    m = re.search(r":t=(.*?)(?=:[a-z]+=|$)", token)
    if m and m[1].strip():
        _direct(reader, "words", moment, staff, _text(m[1].replace("&colon;", ":")))


def _label(reader: _Reader, label: str) -> None:
    """A label such as ``B2`` after a ``B`` names the second ending of section B."""
    m = re.fullmatch(r"(.*?[A-Za-z])(\d+)", label)
    reader.ending = (int(m[2]),) if m and m[1] in reader.labels else ()
    reader.labels.add(label)
    reader.fresh.add(len(reader.bars))


def _tempo(reader: _Reader, moment: Fraction, text: str, value: float | None) -> None:
    for i, direction in enumerate(reader.directions):
        if (
            direction.kind == "tempo"
            and direction.onset == moment
            and (not direction.text or direction.text == text or not text)
        ):
            reader.directions[i] = replace(
                direction, text=direction.text or text, value=direction.value or value
            )
            return
    _direct(reader, "tempo", moment, 1, text, value)


def _interpretation(reader: _Reader, staff: _Staff, token: str, moment: Fraction) -> None:
    if m := _METER.match(token):
        staff.meter = _meter(m) or staff.meter
        # Figures end the sign that stood before, unless it comes with them, in the row before or after.
        staff.symbol = staff.symbol if staff.symbol_from == moment else ""
    elif m := _SIGN.fullmatch(token):
        staff.symbol, staff.symbol_from = "cut" if m[1] else "common", moment
    elif m := _SIGNATURE.match(token):
        staff.signature = m[1].count("#") - m[1].count("-")
        staff.mode = None
    elif m := _KEY.match(token):
        staff.mode = "major" if m[1].isupper() else "minor"
    elif m := re.fullmatch(r"\*MM(\d+(?:\.\d+)?)", token):
        _tempo(reader, moment, "", float(m[1]))
    elif m := re.fullmatch(r"\*MM\[(.+)\]", token):
        _tempo(reader, moment, m[1], None)
    elif token == "*ped":
        _pedal(reader, staff.index, moment, "start")
    elif token == "*Xped":
        _pedal(reader, staff.index, moment, "stop")
    elif m := _OTTAVA.match(token):
        octaves = (1 if m[2] == "8" else 2) * (-1 if m[3] in ("ba", "vb", "mb") else 1)
        if not m[1]:
            staff.octave, staff.ottava_start = octaves, moment
        elif staff.octave:
            text = f"{m[2]}{m[3]}"
            i = _direct(reader, "ottava", staff.ottava_start, staff.index, text)
            reader.directions[i] = replace(reader.directions[i], end=moment)
            staff.octave = 0


def _pedal(reader: _Reader, staff: int, moment: Fraction, text: str) -> None:
    """Release and press at one moment is a change of pedal."""
    for i in range(len(reader.directions) - 1, max(-1, len(reader.directions) - 8), -1):
        direction = reader.directions[i]
        if (
            direction.kind == "pedal"
            and direction.staff == staff
            and direction.onset == moment
            and direction.text != text
        ):
            reader.directions[i] = replace(direction, text="change")
            return
    _direct(reader, "pedal", moment, staff, text)
