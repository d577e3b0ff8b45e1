"""Our own pieces written in every format, and ways to damage them.

In: the examples, scores in the data folder where there is one. Out: `Sample`s, each a format and bytes; and
for any number and seed the same damaged bytes again. What is lost in writing (inner voices held over, marks)
does not matter here: the files are there to be broken.
"""

from __future__ import annotations

import io
import random
import re
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import mido

from benchmarks.data import data_folder
from understave.jobs.notation_worker import NotationWorker
from understave.score.model import Measure, Note, Score
from understave.score.passage import passage
from understave.score.reader import read_score

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
STRETCHES = ((0, 1), (0, 3), (4, 11), (12, 27))
"""Bars of each example, counted from 0, that become samples; short ones, so that many can be tried."""
FOREIGN = 60
"""Scores of the data folder that are damaged too, and the bytes that one may have."""
FOREIGN_LARGEST = 60_000
_PACKINGS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA)
_PRINTABLE = (
    "The house is *damp* [red]and[/red] [/] \u27e8V7\u27e9 =1+1 \N{MUSICAL SYMBOL G CLEF} \u202e {0} %s $HOME"
)
_NUMBERS = (
    *("0", "-1", "1e9999999", "1e308", "NaN", "Infinity", "-Infinity", "0.1", "1/0", "7/0", "3.5", ""),
    *("99999999999999999999", "2147483648", "65536", "128", "255", "1001", "\u0663", "0x10", "1_000"),
)
_WORDS = (
    "\0",
    "\ufffe",
    "\n",
    "\r",
    "\t",
    "]]>",
    "<!--",
    "&#0;",
    "&amp;",
    "\\",
    "'",
    '"',
    "/",
    "../..",
    "%00",
)


@dataclass(frozen=True)
class Sample:
    """A sound file: its format's name, the suffix it comes under, what it is of."""

    format: str
    suffix: str
    name: str
    data: bytes


# --- writing ---------------------------------------------------------------------------------------------


def samples(folder: Path | None = None) -> tuple[Sample, ...]:
    """Return every sample: stretches of our examples in each format, then scores of the data folder."""
    made: list[Sample] = []
    with NotationWorker() as engraver:
        for path in sorted(EXAMPLES.glob("*/score.musicxml")):
            whole = read_score(path)
            made.append(Sample("musicxml", ".musicxml", path.parent.name, path.read_bytes()))
            for first, last in STRETCHES:
                name = f"{path.parent.name} {first}-{last}"
                made += _in_each_format(passage(whole, first, last), name, engraver)
    folder = folder or data_folder()
    chance = random.Random(1)
    found = [p for p in sorted(folder.rglob("*")) if p.suffix in (".mxl", ".krn", ".mid", ".musicxml")]
    fitting = [p for p in found if p.stat().st_size <= FOREIGN_LARGEST]
    for path in chance.sample(fitting, min(FOREIGN, len(fitting))):
        kind = {".krn": "humdrum", ".mid": "midi"}.get(path.suffix, path.suffix[1:])
        made.append(Sample(kind, path.suffix, path.name, path.read_bytes()))
    return tuple(made)


def _in_each_format(score: Score, name: str, engraver: NotationWorker) -> list[Sample]:
    xml = score.source
    mei = engraver.ask(xml.decode(), [("getMEI", [{}])], {"inputFrom": "xml"})[0]
    return [
        Sample("musicxml", ".musicxml", name, xml),
        *(Sample("mxl", ".mxl", f"{name} packed {how}", packed(xml, how)) for how in _PACKINGS),
        Sample("mei", ".mei", name, mei.encode()),
        Sample("humdrum", ".krn", name, as_kern(score).encode()),
        Sample("abc", ".abc", name, as_abc(score).encode()),
        Sample("midi", ".mid", name, as_midi(score)),
    ]


def packed(xml: bytes, how: int = zipfile.ZIP_DEFLATED) -> bytes:
    """Return MusicXML as a compressed file."""
    box = io.BytesIO()
    rootfile = '<container><rootfiles><rootfile full-path="score.xml"/></rootfiles></container>'
    with zipfile.ZipFile(box, "w", how) as archive:
        for name, data in (("META-INF/container.xml", rootfile.encode()), ("score.xml", xml)):
            archive.writestr(zipfile.ZipInfo(name), data, compress_type=how)
    return box.getvalue()


def _staff(score: Score, staff: int, bar: Measure) -> list[tuple[Fraction, Fraction, tuple[Note, ...]]]:
    """Return what a staff plays in a bar as one line of chords and rests: start, length, notes."""
    begun: dict[Fraction, list[Note]] = {}
    for n in score.struck:
        if n.staff == staff and bar.start <= n.onset < bar.end:
            begun.setdefault(n.onset, []).append(n)
    times = sorted({bar.start, bar.end, *begun})
    line = []
    for start, end in pairwise(times):
        while start < end:
            length = next((v for v in _VALUES if v <= end - start), end - start)
            line.append((start, length, tuple(begun.get(start, ()))))
            start += length
    return line


_VALUES = tuple(Fraction(v) for v in ("4", "3", "2", "3/2", "1", "3/4", "1/2", "3/8", "1/4", "1/8"))


def as_kern(score: Score) -> str:
    """Return a score as Humdrum, a spine for each staff."""
    staves = list(range(max(p.last_staff for p in score.parts), 0, -1))
    signature = score.measures[0].signature
    names = "fcgdaeb" if signature > 0 else "beadgcf"
    mark = "#" if signature > 0 else "-"
    keys = "*k[" + "".join(n + mark for n in names[: abs(signature)]) + "]"
    rows = [f"!!!OTL: {score.title}", _row("**kern", staves), "\t".join(f"*staff{s}" for s in staves)]
    rows += [_row(keys, staves)]
    for bar in score.measures:
        rows += [_row(f"*M{bar.beats}/{bar.beat_type}", staves), _row(f"={bar.number}", staves)]
        lines = [{at: (length, notes) for at, length, notes in _staff(score, s, bar)} for s in staves]
        for at in sorted({t for line in lines for t in line}):
            rows.append("\t".join(_kern(*line[at]) if at in line else "." for line in lines))
    return "\n".join([*rows, _row("==", staves), _row("*-", staves)]) + "\n"


def _row(token: str, staves: Sequence[int]) -> str:
    return "\t".join([token] * len(staves))


def _kern(length: Fraction, notes: Sequence[Note]) -> str:
    dotted = (length * Fraction(2, 3)).numerator in (1, 2, 4) and length.numerator == 3
    value = 4 / (length * Fraction(2, 3) if dotted else length)
    shown = f"{value}" if value.denominator == 1 else f"{value.numerator}%{value.denominator}"
    shown += "." if dotted else ""
    pitches = []
    for n in notes:
        step, octave = n.pitch.name[0], n.pitch.octave
        letters = step.lower() * (octave - 3) if octave >= 4 else step.upper() * (4 - octave)
        pitches.append(letters + "#" * n.pitch.name.count("#") + "-" * n.pitch.name.count("b"))
    return " ".join(shown + p for p in pitches) or f"{shown}r"


def as_abc(score: Score) -> str:
    """Return a score as ABC, a voice for each staff."""
    first = score.measures[0]
    staves = range(1, max(p.last_staff for p in score.parts) + 1)
    head = ["X:1", f"T:{score.title}", f"C:{score.composer}", f"M:{first.beats}/{first.beat_type}", "L:1/4"]
    head += [f"%%score {{{' '.join(f'S{s}' for s in staves)}}}", "K:none"]
    voices = []
    for s in staves:
        bars = ["".join(_abc(length, ns) for _, length, ns in _staff(score, s, m)) for m in score.measures]
        voices += [f"V:S{s}", "|".join(bars) + "|]"]
    return "\n".join([*head, *voices]) + "\n"


def _abc(length: Fraction, notes: Sequence[Note]) -> str:
    pitches = []
    for n in notes:
        sign = "^" * n.pitch.name.count("#") + "_" * n.pitch.name[1:].count("b") or "="
        step, octave = n.pitch.name[0], n.pitch.octave
        pitches.append(
            sign + (step.lower() + "'" * (octave - 5) if octave >= 5 else step.upper() + "," * (4 - octave))
        )
    body = f"[{''.join(pitches)}]" if len(pitches) > 1 else pitches[0] if pitches else "z"
    return f"{body}{length} "


def as_midi(score: Score) -> bytes:
    """Return a score as a Standard MIDI File of type 1, a track for each staff."""
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    first = score.measures[0]
    about = mido.MidiTrack()
    about.append(
        mido.MetaMessage("track_name", name=score.title.encode("latin-1", "replace").decode("latin-1"))
    )
    about.append(mido.MetaMessage("set_tempo", tempo=500_000))
    about.append(mido.MetaMessage("time_signature", numerator=first.beats, denominator=first.beat_type))
    file.tracks.append(about)
    for staff in range(1, max(p.last_staff for p in score.parts) + 1):
        events = []
        for n in (n for n in score.struck if n.staff == staff):
            events.append((round(n.onset * 480), 1, n.midi))
            events.append((round(n.end * 480), 0, n.midi))
        track, now = mido.MidiTrack(), 0
        for at, on, midi in sorted(events):
            track.append(mido.Message("note_on", note=midi, velocity=64 * on, time=at - now))
            now = at
        file.tracks.append(track)
    box = io.BytesIO()
    file.save(file=box)
    return box.getvalue()


# --- damage ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Damaged:
    """A damaged file: what it was, what was done to it in words, its name and bytes now."""

    sample: Sample
    done: tuple[str, ...]
    file_name: str
    data: bytes


def damaged(kept: Sequence[Sample], seed: int, number: int) -> Damaged:
    """Return the damaged file of that number; the same seed and samples give the same bytes."""
    chance = random.Random(f"{seed} {number}")
    formats = sorted({s.format for s in kept})
    wanted = chance.choice(formats)
    fitting = [s for s in kept if s.format == wanted]
    # The smaller of three, so that most files are short and many can be tried; long ones come too.
    sample = min(chance.choices(fitting, k=3), key=lambda s: len(s.data))
    data, done = sample.data, []
    inside = sample.format == "mxl" and chance.random() < 0.6
    how = chance.choice(_PACKINGS)
    if inside:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = [n for n in archive.namelist() if not n.startswith("META-INF")]
            data = archive.read(names[0])
    for _ in range(chance.choice((1, 1, 1, 2, 3, 6))):
        ways = [*_BYTES] if sample.format == "midi" or (sample.format == "mxl" and not inside) else [*_TEXT]
        if sample.format in ("musicxml", "mei") or inside:
            ways += _XML
        if sample.format == "midi":
            ways += _MIDI
        way = chance.choice(ways)
        data = way(data, chance, kept)
        done.append(way.__name__.strip("_").replace("_", " "))
    if inside:
        data = packed(data, how)
        done.append("packed again")
    suffix = (
        sample.suffix
        if chance.random() < 0.9
        else chance.choice((".xml", ".mid", ".abc", ".krn", "", ".mei"))
    )
    return Damaged(sample, tuple(done), f"input{suffix}", data)


Way = Callable[[bytes, random.Random, Sequence[Sample]], bytes]


def _cut(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    return data[: chance.randrange(len(data) + 1)]


def _flip_bits(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    changed = bytearray(data)
    for _ in range(chance.choice((1, 2, 8, 64))):
        if changed:
            changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def _other_bytes(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    changed = bytearray(data)
    for _ in range(chance.choice((1, 3, 20))):
        if changed:
            changed[chance.randrange(len(changed))] = chance.choice(
                (0, 0x7F, 0x80, 0xFF, chance.randrange(256))
            )
    return bytes(changed)


def _drop_bytes(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    at = chance.randrange(len(data) + 1)
    return data[:at] + data[at + chance.randrange(1, 60) :]


def _repeat_bytes(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    at = chance.randrange(len(data) + 1)
    piece = data[at : at + chance.randrange(1, 200)]
    return data[:at] + piece * chance.choice((2, 3, 50)) + data[at + len(piece) :]


def _splice(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    other = chance.choice(kept).data
    return data[: chance.randrange(len(data) + 1)] + other[chance.randrange(len(other)) :]


def _lines(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    """Drop, repeat, exchange or empty lines."""
    lines = data.split(b"\n")
    a, b = chance.randrange(len(lines)), chance.randrange(len(lines))
    kind = chance.randrange(5)
    if kind == 0:
        del lines[min(a, b) : max(a, b)]
    elif kind == 1:
        lines[a:a] = lines[a : a + 3] * chance.choice((1, 2, 40))
    elif kind == 2:
        lines[a], lines[b] = lines[b], lines[a]
    elif kind == 3:
        lines = [lines[a]]
    else:
        chance.shuffle(lines)
    return b"\n".join(lines)


def _fields(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    """Drop, repeat or exchange words of one line."""
    lines = data.split(b"\n")
    at = chance.randrange(len(lines))
    words = re.split(rb"([\t |])", lines[at])
    a, b = chance.randrange(len(words)), chance.randrange(len(words))
    if chance.random() < 0.5:
        words[a], words[b] = words[b], words[a]
    else:
        words[a:b] = words[a:b] * chance.choice((0, 2, 5))
    lines[at] = b"".join(words)
    return b"\n".join(lines)


def _odd_number(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    found = list(re.finditer(rb"\d+", data))
    if not found:
        return data
    for one in sorted(
        chance.sample(found, min(len(found), chance.choice((1, 1, 3)))), key=lambda m: -m.start()
    ):
        data = data[: one.start()] + chance.choice(_NUMBERS).encode() + data[one.end() :]
    return data


def _odd_word(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    at = chance.randrange(len(data) + 1)
    word = chance.choice((*_WORDS, _PRINTABLE))
    return data[:at] + word.encode("utf-8", "surrogatepass") * chance.choice((1, 1, 500)) + data[at:]


def _other_encoding(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    code = chance.choice(("utf-16", "utf-16-be", "utf-32", "latin-1", "cp1252", "utf-7"))
    return data.decode("utf-8", "replace").encode(code, "replace")


def _letters(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    """Put signs that mean something in the format where they do not belong."""
    changed = bytearray(data)
    for _ in range(chance.choice((1, 3, 30))):
        if changed:
            changed[chance.randrange(len(changed))] = chance.choice(
                b"0123456789<>/\"'&-. []{}()|:*!=^_,~%#\t\n"
            )
    return bytes(changed)


_ELEMENT = re.compile(rb"<([A-Za-z][\w-]*)(?:\s[^<>]*)?(?:/>|>[^<>]*</\1>)")
_ANY_TAG = re.compile(rb"<(/?)([A-Za-z][\w-]*)([^<>]*)>")


def _elements(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    """Drop, repeat, move or empty an element without children."""
    found = list(_ELEMENT.finditer(data))
    if not found:
        return data
    one, other = chance.choice(found), chance.choice(found)
    text = one.group()
    kind = chance.randrange(4)
    if kind == 0:
        return data[: one.start()] + data[one.end() :]
    if kind == 1:
        return data[: one.start()] + text * chance.choice((2, 2, 300)) + data[one.end() :]
    if kind == 2:
        return data[: other.start()] + text + data[other.end() :]
    return data[: one.start()] + re.sub(rb">[^<>]*<", b"><", text) + data[one.end() :]


def _big_elements(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    """Drop or repeat an element with all that it holds, or wrap it into itself."""
    tag = chance.choice(
        (b"note", b"measure", b"part", b"attributes", b"layer", b"staff", b"section", b"beam")
    )
    found = list(re.finditer(rb"<" + tag + rb"[\s>].*?</" + tag + rb">", data, re.DOTALL))
    if not found:
        return data
    one = chance.choice(found)
    text = one.group()
    deep = chance.choice((0, 2, 3, 20))
    if chance.random() < 0.2:
        opening, closing = text[: text.index(b">") + 1], b"</" + tag + b">"
        return data[: one.start()] + opening * 400 + text + closing * 400 + data[one.end() :]
    return data[: one.start()] + text * deep + data[one.end() :]


def _other_tag(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    tags = list(_ANY_TAG.finditer(data))
    if not tags:
        return data
    one, other = chance.choice(tags), chance.choice(tags)
    if chance.random() < 0.5:  # everywhere, so that the file stays well formed
        old, new = one.group(2), other.group(2)
        return re.sub(rb"(</?)" + re.escape(old) + rb"(?=[\s/>])", rb"\1" + new, data)
    return data[: one.start()] + other.group() + data[one.end() :]


def _attributes(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    """Drop an attribute or give it another one's value."""
    found = list(re.finditer(rb'\s([\w:.-]+)="([^"<>]*)"', data))
    if not found:
        return data
    one, other = chance.choice(found), chance.choice(found)
    if chance.random() < 0.4:
        return data[: one.start()] + data[one.end() :]
    value = other.group(2) if chance.random() < 0.6 else chance.choice(_NUMBERS).encode()
    return data[: one.start(2)] + value + data[one.end(2) :]


def _messages(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    """Put a MIDI message, sound or not, somewhere into a file."""
    at = chance.randrange(len(data) + 1)
    some = (
        *(b"\x00\xff\x51\x03\x00\x00\x00", b"\x00\xff\x58\x04\x00\x00\x18\x08", b"\x00\xff\x59\x02\x7f\x05"),
        *(b"\x00\xff\x58\x04\x04\xff\x18\x08", b"\xff\xff\xff\x7f\x90\x3c\x40", b"\x00\xf0\x7f\x01", b"MTrk"),
        *(b"\x00\xff\x2f\x00", b"\x00\x90\xff\xff", b"\xff\xff\xff\xff\xff", b"\x00\xff\x51\x03\xff\xff\xff"),
    )
    return data[:at] + chance.choice(some) * chance.choice((1, 1, 40)) + data[at:]


def _midi_head(data: bytes, chance: random.Random, kept: Sequence[Sample]) -> bytes:
    """Change the header of a MIDI file: its type, the number of its tracks, its division, its lengths."""
    changed = bytearray(data)
    for _ in range(2):
        if len(changed) > 22:
            changed[chance.randrange(4, 22)] = chance.choice((0, 1, 2, 0x7F, 0x80, 0xE2, 0xFF))
    return bytes(changed)


_BYTES: tuple[Way, ...] = (_cut, _flip_bits, _other_bytes, _drop_bytes, _repeat_bytes, _splice)
_TEXT: tuple[Way, ...] = (
    *_BYTES,
    _lines,
    _fields,
    _odd_number,
    _odd_number,
    _odd_word,
    _other_encoding,
    _letters,
)
_XML: tuple[Way, ...] = (_elements, _elements, _big_elements, _other_tag, _attributes, _odd_number)
_MIDI: tuple[Way, ...] = (_messages, _messages, _midi_head)
