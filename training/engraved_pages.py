"""Engrave pages to learn from: ``python -m training.engraved_pages FOLDER --scores MXL...``.

In: scores as compressed MusicXML, CC0 (`training/README.md`). Out: for each page a picture at 300 dpi and
what stands on it, as an ``.npz`` (both pictures as PNG). verovio engraves every score in one of four of its
five fonts, with spacing, sizes and thicknesses drawn anew; the fifth and LilyPond stay for measuring
(`benchmarks.pages`).
What stands on a page is what the reader of engraved PDFs finds there: both speak of the same symbols.

picture     (height, width) uint8, 0 ink
space       pixels from one staff line to the next
symbols     (n, 6): class (`CLASSES`), left, top, right, bottom, height of the origin, in pixels, y downwards
drawn       (height, width) uint8, a bit for each of `LAYERS`, the first the lowest
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from copy import deepcopy
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from benchmarks.engraved import laid_out
from lxml import etree

from understave.score.readers.page.events import events_of, usual_width
from understave.score.readers.page.ink import Line, Page, read_pages
from understave.score.readers.page.layout import Sheet, sort_page
from understave.score.readers.page.picture_files import pictures_in
from understave.score.readers.page.seen_symbols import CLASSES, LAYERS, SPACE, class_of

FONTS = ("Bravura", "Gootville", "Leipzig", "Leland")
"""Those of verovio's fonts that are learnt from; Petaluma is not."""
DPI = 300
_RANGES = {
    "spacingStaff": (6, 14),
    "spacingSystem": (6, 18),
    "spacingLinear": (0.18, 0.33),
    "spacingNonLinear": (0.5, 0.68),
    "staffLineWidth": (0.1, 0.22),
    "stemWidth": (0.12, 0.3),
    "ledgerLineThickness": (0.15, 0.35),
    "barLineWidth": (0.2, 0.45),
    "beamMaxSlope": (0, 20),
    "slurMidpointThickness": (0.4, 0.9),
    "tieMidpointThickness": (0.3, 0.75),
    "graceFactor": (0.6, 0.8),
    "lyricSize": (3.2, 6),
}
"""Between which values options of verovio are drawn; about its defaults, set by eye."""
_MARKS = ("staccato", "accent", "tenuto", "strong-accent", "staccatissimo")
_ORNAMENTS = ("trill-mark", "turn", "mordent", "inverted-mordent")


def source_of(path: Path, chance: random.Random) -> bytes:
    """Return the MusicXML of a score, perhaps without the parts of one staff, with much put in."""
    with zipfile.ZipFile(path) as packed:
        inside = [n for n in packed.namelist() if n.endswith((".xml", ".musicxml")) and "META" not in n]
        root = etree.fromstring(packed.read(inside[0]))
    parts = root.findall("part")
    if len(parts) == 2 and chance.random() < 0.35:
        _two_voices(*parts)
    if len(parts) > 1 and chance.random() < 0.65:
        for part in parts:
            if part.find(".//staves") is None:
                root.remove(part)
                for listed in root.iterfind(f"part-list/score-part[@id='{part.get('id')}']"):
                    listed.getparent().remove(listed)
        if not root.findall("part"):
            raise ValueError("no part of two staves")
    _strange(root, chance)
    return bytes(etree.tostring(root))


def _two_voices(sung: Any, played: Any) -> None:
    """Put what is sung into the upper staff of the piano too, as one more voice of it: stems meet there."""
    if played.find(".//staves") is None or sung.find(".//staves") is not None:
        return
    of: list[Fraction] = [Fraction(1), Fraction(1)]
    for above, bar in zip(sung.iterfind("measure"), played.iterfind("measure"), strict=False):
        for k, part in enumerate((above, bar)):
            of[k] = Fraction(part.findtext("attributes/divisions") or of[k])
        at = sum(
            (1 if e.tag in ("note", "forward") else -1) * int(e.findtext("duration") or 0)
            for e in bar
            if e.tag in ("note", "forward", "backup") and e.find("chord") is None
        )
        more = [deepcopy(e) for e in above if e.tag in ("note", "forward", "backup")]
        longer = [Fraction(e.findtext("duration") or 0) * of[1] / of[0] for e in more]
        if any(length.denominator > 1 for length in longer) or at <= 0:
            continue
        back = etree.SubElement(bar, "backup")
        etree.SubElement(back, "duration").text = str(at)
        for element, length in zip(more, longer, strict=True):
            for old in element.xpath("lyric|voice|staff|stem|beam|notations/slur"):
                old.getparent().remove(old)
            if element.find("duration") is not None:
                element.find("duration").text = str(length)
            if element.tag == "note":
                after = [e for e in element if e.tag in _BEFORE_VOICE][-1]
                voice, staff = etree.Element("voice"), etree.Element("staff")
                voice.text, staff.text = "9", "1"
                after.addnext(voice)
                [e for e in element if e.tag in (*_BEFORE_VOICE, *_BEFORE_STAFF)][-1].addnext(staff)
            bar.append(element)


_BEFORE_VOICE = ("grace", "cue", "chord", "pitch", "rest", "unpitched", "duration", "tie")
_BEFORE_STAFF = ("voice", "type", "dot", "accidental", "time-modification", "notehead")
"""What stands in a note before its voice and its staff (MusicXML 4.0, element note)."""

# What songs hardly have, put in at random: the pages need not make sense, only look like music ------------


def _strange(root: Any, chance: random.Random) -> None:
    """Put meters, keys, short values, accidentals, grace notes and marks into a score at random."""
    if chance.random() < 0.6:
        _meters(root, chance)
    shift = chance.choice((0, 0, 0, 1, 1, 2))
    for kind in root.iter("type"):
        if kind.text in _VALUES:
            kind.text = _VALUES[min(_VALUES.index(kind.text) + shift, len(_VALUES) - 1)]
    fingers, marks, alterations, graces, words = (chance.choice((0.0, 0.0, 0.08, 0.3)) for _ in range(5))
    for note in [n for n in root.iter("note") if n.find("rest") is None and n.find("grace") is None]:
        if chance.random() < alterations:
            _alter(note, chance)
        if note.find("chord") is not None:
            continue
        _mark(note, chance, fingers, marks)
        if chance.random() < graces / 2:
            _grace(note, chance)
        if chance.random() < words / 2:
            _direct(note, chance)
    ties = chance.choice((0.0, 0.1, 0.4))
    for first, then in _neighbours(root):
        if chance.random() < ties:
            _tie(first, then)


def _neighbours(root: Any) -> Iterator[tuple[Any, Any]]:
    """Yield each note of a voice that is no chord with the next."""
    for part in root.iterfind("part"):
        last: dict[str, Any] = {}
        for note in part.iter("note"):
            if note.find("grace") is not None:
                continue
            voice = note.findtext("voice") or ""
            before = last.get(voice)
            last[voice] = note if note.find("pitch") is not None else None
            if note.find("chord") is not None:
                last[voice] = None
            elif before is not None and last[voice] is not None:
                yield before, note


def _tie(first: Any, then: Any) -> None:
    """Let a note be held on by the next, which takes its pitch."""
    if any(note.find("notations/tied") is not None for note in (first, then)):
        return
    then.replace(then.find("pitch"), deepcopy(first.find("pitch")))
    for old in then.findall("accidental"):
        then.remove(old)
    for note, kind in ((first, "start"), (then, "stop")):
        etree.SubElement(_notations(note), "tied", {"type": kind})


def _notations(note: Any) -> Any:
    """Return the notations of a note, put in before its words where it has none."""
    notations = note.find("notations")
    if notations is None:
        notations = etree.Element("notations")
        lyric = note.find("lyric")
        if lyric is None:
            note.append(notations)
        else:
            lyric.addprevious(notations)
    return notations


_VALUES = ("whole", "half", "quarter", "eighth", "16th", "32nd", "64th")
_METERS = (
    *("12/16", "12/8", "9/8", "9/16", "6/8", "6/16", "24/16", "15/8", "18/16", "11/8", "10/4", "13/16"),
    *("3/8", "2/2", "3/2", "4/2", "5/4", "7/8", "C", "C|"),
)


def _meters(root: Any, chance: random.Random) -> None:
    """Draw other meters, and now and then a change of meter or key."""
    often = chance.choice((0.0, 0.1, 0.3))
    count = max(len(part.findall("measure")) for part in root.iterfind("part"))
    drawn = [chance.choice(_METERS) if chance.random() < often else None for _ in range(count)]
    keys = [chance.randint(-7, 7) if chance.random() < often / 2 else None for _ in range(count)]
    first = chance.choice(_METERS)
    for part in root.iterfind("part"):
        for bar, meter, key in zip(part.iterfind("measure"), drawn, keys, strict=False):
            for time in bar.iterfind("attributes/time"):
                time.getparent().replace(time, _time(first))
            if (meter or key is not None) and bar.find("attributes") is None:
                attributes = etree.Element("attributes")
                if key is not None:
                    etree.SubElement(etree.SubElement(attributes, "key"), "fifths").text = str(key)
                if meter:
                    attributes.append(_time(meter))
                bar.insert(0, attributes)


def _time(meter: str) -> Any:
    symbol = {"C": "common", "C|": "cut"}.get(meter)
    time = etree.Element("time", {"symbol": symbol} if symbol else {})
    beats, unit = ("4/4" if meter == "C" else "2/2" if symbol else meter).split("/")
    etree.SubElement(time, "beats").text = beats
    etree.SubElement(time, "beat-type").text = unit
    return time


def _alter(note: Any, chance: random.Random) -> None:
    """Draw an accidental before a head, seldom in parentheses."""
    for old in note.findall("accidental"):
        note.remove(old)
    before = [e for e in note if e.tag in ("type", "dot")]
    if not before:
        return
    sign = etree.Element("accidental", {"parentheses": "yes"} if chance.random() < 0.15 else {})
    sign.text = chance.choice(("sharp", "flat", "natural", "double-sharp", "flat-flat"))
    before[-1].addnext(sign)


def _grace(note: Any, chance: random.Random) -> None:
    """Put a small note before a note."""
    small = etree.Element("note")
    etree.SubElement(small, "grace", {"slash": "yes"} if chance.random() < 0.5 else {})
    at = note.find("pitch")
    if at is None:
        return
    pitch = etree.SubElement(small, "pitch")
    etree.SubElement(pitch, "step").text = chance.choice("CDEFGAB")
    etree.SubElement(pitch, "octave").text = at.findtext("octave")
    for tag in ("voice", "type", "staff"):
        if tag == "type":
            etree.SubElement(small, "type").text = chance.choice(("eighth", "eighth", "16th", "quarter"))
        elif note.find(tag) is not None:
            etree.SubElement(small, tag).text = note.findtext(tag)
    note.addprevious(small)


_LOUD = ("p", "pp", "ppp", "mp", "mf", "f", "ff", "fff", "fp", "fz", "sf", "sfz")


def _direct(note: Any, chance: random.Random) -> None:
    """Put a dynamic or a pedal mark by a note."""
    direction = etree.Element("direction", {"placement": "below"})
    kind = etree.SubElement(direction, "direction-type")
    if chance.random() < 0.6:
        etree.SubElement(etree.SubElement(kind, "dynamics"), chance.choice(_LOUD))
    else:
        etree.SubElement(kind, "pedal", {"type": chance.choice(("start", "stop")), "line": "no"})
    if note.find("staff") is not None:
        etree.SubElement(direction, "staff").text = note.findtext("staff")
    note.addprevious(direction)


def _mark(note: Any, chance: random.Random, fingers: float, marks: float) -> None:
    for rate, group, name in (
        (fingers, "technical", "fingering"),
        (marks / 2, "articulations", chance.choice(_MARKS)),
        (marks / 6, "ornaments", chance.choice(_ORNAMENTS)),
        (marks / 6, "", "fermata"),
    ):
        if chance.random() < rate:
            notations = _notations(note)
            mark = etree.SubElement(etree.SubElement(notations, group) if group else notations, name)
            if name == "fingering":
                mark.text = str(chance.randint(1, 5))


def engrave(source: bytes, chance: random.Random) -> tuple[bytes, list[bytes]]:
    """Return the pages of a score as one PDF and as pictures (PNG)."""
    import typst
    import verovio

    toolkit = verovio.toolkit()
    options: dict[str, object] = {}
    for name, (low, high) in _RANGES.items():
        value = chance.uniform(low, high)
        options[name] = round(value) if isinstance(low, int) else round(value, 2)
    toolkit.setOptions(
        {
            **options,
            "font": chance.choice(FONTS),
            "unit": round(chance.uniform(6.5, 10), 1),
            "footer": "none",
            "pageWidth": 2100,
            "pageHeight": 2970,
            "svgViewBox": True,
        }
    )
    if not toolkit.loadData(source.decode()):
        raise ValueError("verovio does not read this score")
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        main = laid_out(toolkit, root, min(toolkit.getPageCount(), 6))
        pdf: bytes = typst.compile(main, root=root)
        pictures: Any = typst.compile(main, root=root, format="png", ppi=DPI)
    return pdf, [pictures] if isinstance(pictures, bytes) else list(pictures)


# What stands on a page -------------------------------------------------------------------------------------


def symbols_on(sheet: Sheet) -> list[tuple[float, ...]]:
    """Return the symbols that are learnt, in points, y upwards."""
    out = []
    for symbol in sheet.symbols:
        found = class_of(symbol.name)
        if found is not None:
            box = symbol.box
            out.append((CLASSES.index(found), box.x0, box.y1, box.x1, box.y0, symbol.y))
    return out


def lines_on(sheet: Sheet) -> Iterator[tuple[str, Line]]:
    """Yield the lines of a sheet, each with its layer."""
    space = sheet.space
    for system in sheet.systems:
        for staff in system.staves:
            for i in range(5):
                y = staff.y0 + i * staff.space
                yield "staff", Line(staff.x0, y, staff.x1, y, 0.12 * space)
    edges = [(bar.x0 - 0.1, bar.x1 + 0.1, system) for system in sheet.systems for bar in system.bars]
    usual = usual_width([sheet])
    ways = {
        event.stem: event.way
        for system in sheet.systems
        for event in events_of(sheet, system, usual)
        if event.stem is not None
    }
    for line in sheet.uprights:
        is_bar = any(
            x0 <= line.x0 <= x1
            and system.staves[-1].y0 - 1 <= (line.y0 + line.y1) / 2 <= system.staves[0].y1 + 1
            for x0, x1, system in edges
        )
        way = ways.get(line)
        if is_bar:
            yield "bar", line
        elif way is not None:
            yield "stemUp" if way > 0 else "stemDown", line
    for line in sheet.levels:
        yield _layer(line, sheet), line


def _layer(line: Line, sheet: Sheet) -> str:
    space = sheet.space
    length = line.x1 - line.x0
    if 0.24 * space < line.width < 0.95 * space and length > 0.4 * space:
        return "beam"
    if abs(line.y1 - line.y0) < 0.02 * space and 0.6 * space < length < 5 * space:
        for system in sheet.systems:
            for staff in system.staves:
                steps = (line.y0 - staff.y0) / space
                if abs(steps - round(steps)) < 0.08 and not -0.5 < steps < 4.5 and -9 < steps < 13:
                    return "ledger"
    return "thin"


def curves_on(page: Page, sheet: Sheet) -> list[Any]:
    """Return the outlines of ties and slurs."""
    ends = {(left, right) for left, right, _ in sheet.curves}
    out = []
    for outline in page.outlines:
        points = [tuple(p) for contour in outline.contours for p in contour.tolist()]
        if points and (min(points), max(points)) in ends:
            out.extend(outline.contours)
    return out


def made_of(path: Path, seed: int) -> Iterator[dict[str, Any]]:
    """Engrave a score and yield its pages with what stands on them."""
    chance = random.Random(seed)
    pdf, pictures = engrave(source_of(path, chance), chance)
    scale = DPI / 72
    for page, picture in zip(read_pages(pdf, path.name), pictures, strict=True):
        sheet = sort_page(page)
        if sheet is None or not sheet.systems:
            continue
        image = next(pictures_in(picture, path.name))

        def across(x: float) -> float:
            return x * scale

        def down(y: float, height: float = page.height) -> float:
            return (height - y) * scale

        symbols = [
            (c, across(x0), down(y1), across(x1), down(y0), down(y))
            for c, x0, y1, x1, y0, y in symbols_on(sheet)
        ]
        lines = [
            (LAYERS.index(layer), across(a.x0), down(a.y0), across(a.x1), down(a.y1), a.width * scale)
            for layer, a in lines_on(sheet)
        ]
        outlines = [np.column_stack([across(c[:, 0]), down(c[:, 1])]) for c in curves_on(page, sheet)]
        yield {
            "picture": image,
            "space": np.float32(sheet.space * scale),
            "symbols": np.array(symbols, np.float32).reshape(-1, 6),
            "drawn": _drawn(image.shape, lines, outlines, sheet.space * scale / SPACE),
        }


def _drawn(
    shape: tuple[int, ...], lines: Sequence[tuple[float, ...]], outlines: Sequence[Any], pixel: float
) -> Any:
    """Draw the layers of lines, each at least a pixel and a half thick where one is `pixel` wide here."""
    import cv2

    out = np.zeros(shape, np.uint8)
    fine = 16
    for number, name in enumerate(LAYERS):
        layer = np.zeros(shape, np.uint8)
        for of, x0, y0, x1, y1, thick in lines:
            if of != number:
                continue
            p, q = np.array([x0, y0]), np.array([x1, y1])
            way = (q - p) / max(1e-6, float(np.hypot(*(q - p))))
            across = np.array([-way[1], way[0]]) * max(0.75 * pixel, thick / 2)
            corners = (np.array([p - across, q - across, q + across, p + across]) - 0.5) * fine
            cv2.fillConvexPoly(layer, np.round(corners).astype(np.int32), 1, shift=4)
        for outline in outlines if name == "curve" else ():
            if len(outline) > 2:
                cv2.fillPoly(layer, [np.round((outline - 0.5) * fine).astype(np.int32)], 1, shift=4)
        out |= layer << number
    return out


def _write(given: tuple[Path, int, Path]) -> int:
    import cv2

    path, seed, folder = given
    count = 0
    try:
        for number, page in enumerate(made_of(path, seed)):
            for name in ("picture", "drawn"):
                page[name] = cv2.imencode(".png", page[name], [cv2.IMWRITE_PNG_COMPRESSION, 1])[1]
            np.savez(folder / f"{path.stem}-{seed}-{number}.npz", **page)
            count += 1
    except Exception as error:  # one score less
        print(f"{path.name}: {type(error).__name__}: {error}"[:150], flush=True)
    return count


def main(arguments: Sequence[str] | None = None) -> None:
    """Engrave the scores named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--scores", type=Path, required=True, help="a folder of compressed MusicXML")
    parser.add_argument("--most", type=int, default=10_000, help="scores, from the first by name")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=16)
    given = parser.parse_args(arguments)
    given.folder.mkdir(parents=True, exist_ok=True)
    paths = sorted(given.scores.glob("*.mxl"))[: given.most]
    jobs = [(path, 1000 * given.seed + i, given.folder) for i, path in enumerate(paths)]
    with multiprocessing.get_context("spawn").Pool(given.processes) as pool:
        pages = sum(pool.imap_unordered(_write, jobs, chunksize=1))
    print(f"{pages} pages of {len(paths)} scores")


if __name__ == "__main__":
    main()
