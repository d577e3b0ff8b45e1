"""Which music symbol a glyph or outline is, by the names and code points of SMuFL 1.4.

In: glyphs and outlines of a page, and its staff space. Out: names as SMuFL has them (``noteheadBlack``). A
glyph is known by its code point, by its name (SMuFL's, or those that LilyPond gives the glyphs of its own
font), and where a file has neither, by its outline, which is laid over those of the SMuFL fonts in the
installed verovio package.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from math import log
from pathlib import Path

import numpy as np
import numpy.typing as npt
from lxml import etree

from understave.errors import ScoreError
from understave.score.readers.page.ink import Glyph, Outline
from understave.score.remarks import Remark

Points = npt.NDArray[np.float64]
CODES: dict[int, str] = {
    0xE000: "brace",
    0xE043: "repeatDots",
    0xE044: "repeatDot",
    0xE047: "segno",
    0xE048: "coda",
    0xE050: "gClef",
    0xE052: "gClef8vb",
    0xE053: "gClef8va",
    0xE05C: "cClef",
    0xE062: "fClef",
    0xE064: "fClef8vb",
    0xE065: "fClef8va",
    0xE06D: "6stringTabClef",
    0xE069: "unpitchedPercussionClef1",
    0xE07A: "gClefChange",
    0xE07B: "cClefChange",
    0xE07C: "fClefChange",
    **{0xE080 + i: f"timeSig{i}" for i in range(10)},
    0xE08A: "timeSigCommon",
    0xE08B: "timeSigCutCommon",
    0xE0A0: "noteheadDoubleWhole",
    0xE0A1: "noteheadDoubleWholeSquare",
    0xE0A2: "noteheadWhole",
    0xE0A3: "noteheadHalf",
    0xE0A4: "noteheadBlack",
    0xE1E7: "augmentationDot",
    0xE220: "tremolo1",
    0xE221: "tremolo2",
    0xE222: "tremolo3",
    **{
        0xE240 + i: f"flag{name}{way}"
        for i, (name, way) in enumerate(
            (n, w) for n in ("8th", "16th", "32nd", "64th") for w in ("Up", "Down")
        )
    },
    0xE260: "accidentalFlat",
    0xE261: "accidentalNatural",
    0xE262: "accidentalSharp",
    0xE263: "accidentalDoubleSharp",
    0xE264: "accidentalDoubleFlat",
    0xE26A: "accidentalParensLeft",
    0xE26B: "accidentalParensRight",
    0xE4A0: "articAccentAbove",
    0xE4A1: "articAccentBelow",
    0xE4A2: "articStaccatoAbove",
    0xE4A3: "articStaccatoBelow",
    0xE4A4: "articTenutoAbove",
    0xE4A5: "articTenutoBelow",
    0xE4A6: "articStaccatissimoAbove",
    0xE4A7: "articStaccatissimoBelow",
    0xE4AC: "articMarcatoAbove",
    0xE4AD: "articMarcatoBelow",
    0xE4C0: "fermataAbove",
    0xE4C1: "fermataBelow",
    0xE4CE: "breathMarkComma",
    0xE4E2: "restDoubleWhole",
    0xE4E3: "restWhole",
    0xE4E4: "restHalf",
    0xE4E5: "restQuarter",
    0xE4E6: "rest8th",
    0xE4E7: "rest16th",
    0xE4E8: "rest32nd",
    0xE4E9: "rest64th",
    0xE4F4: "restWholeLegerLine",
    0xE4F5: "restHalfLegerLine",
    0xE510: "ottava",
    0xE511: "ottavaAlta",
    0xE512: "ottavaBassa",
    0xE51C: "ottavaBassaVb",
    0xE514: "quindicesima",
    0xE520: "dynamicPiano",
    0xE521: "dynamicMezzo",
    0xE522: "dynamicForte",
    0xE523: "dynamicRinforzando",
    0xE524: "dynamicSforzando",
    0xE525: "dynamicZ",
    0xE526: "dynamicNiente",
    0xE527: "dynamicPPPPPP",
    0xE528: "dynamicPPPPP",
    0xE529: "dynamicPPPP",
    0xE52A: "dynamicPPP",
    0xE52B: "dynamicPP",
    0xE52C: "dynamicMP",
    0xE52D: "dynamicMF",
    0xE52E: "dynamicPF",
    0xE52F: "dynamicFF",
    0xE530: "dynamicFFF",
    0xE531: "dynamicFFFF",
    0xE534: "dynamicFortePiano",
    0xE535: "dynamicForzando",
    0xE536: "dynamicSforzando1",
    0xE539: "dynamicSforzato",
    0xE53C: "dynamicRinforzando1",
    0xE566: "ornamentTrill",
    0xE567: "ornamentTurn",
    0xE568: "ornamentTurnInverted",
    0xE56C: "ornamentShortTrill",
    0xE56D: "ornamentMordent",
    0xE63C: "arpeggiato",
    0xE650: "keyboardPedalPed",
    0xE655: "keyboardPedalUp",
    **{0xE880 + i: f"tuplet{i}" for i in range(10)},
    0xEAA4: "wiggleTrill",
    0xEAA9: "wiggleArpeggiatoUp",
    **{0xED10 + i: f"fingering{i}" for i in range(6)},
}
"""The symbols that are read, by code point (W3C Music Notation Community Group, SMuFL 1.4)."""
_NAMES = frozenset(CODES.values())
_PLAIN_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_LILYPOND = {
    "noteheads.s0": "noteheadWhole",
    "noteheads.s1": "noteheadHalf",
    "noteheads.s2": "noteheadBlack",
    "noteheads.sM1": "noteheadDoubleWhole",
    "rests.M1": "restDoubleWhole",
    "rests.0": "restWhole",
    "rests.1": "restHalf",
    "rests.0o": "restWholeLegerLine",
    "rests.1o": "restHalfLegerLine",
    "rests.2": "restQuarter",
    **{f"rests.{3 + i}": f"rest{n}" for i, n in enumerate(("8th", "16th", "32nd", "64th"))},
    **{f"flags.u{3 + i}": f"flag{n}Up" for i, n in enumerate(("8th", "16th", "32nd", "64th"))},
    **{f"flags.d{3 + i}": f"flag{n}Down" for i, n in enumerate(("8th", "16th", "32nd", "64th"))},
    "clefs.G": "gClef",
    "clefs.G_change": "gClefChange",
    "clefs.F": "fClef",
    "clefs.F_change": "fClefChange",
    "clefs.C": "cClef",
    "clefs.C_change": "cClefChange",
    "clefs.tab": "6stringTabClef",
    "clefs.percussion": "unpitchedPercussionClef1",
    "accidentals.sharp": "accidentalSharp",
    "accidentals.flat": "accidentalFlat",
    "accidentals.natural": "accidentalNatural",
    "accidentals.doublesharp": "accidentalDoubleSharp",
    "accidentals.flatflat": "accidentalDoubleFlat",
    "accidentals.leftparen": "accidentalParensLeft",
    "accidentals.rightparen": "accidentalParensRight",
    "timesig.C44": "timeSigCommon",
    "timesig.C22": "timeSigCutCommon",
    "dots.dot": "augmentationDot",
    "pedal.Ped": "keyboardPedalPed",
    "pedal.*": "keyboardPedalUp",
    "scripts.ufermata": "fermataAbove",
    "scripts.dfermata": "fermataBelow",
    "scripts.sforzato": "articAccentAbove",
    "scripts.staccato": "articStaccatoAbove",
    "scripts.tenuto": "articTenutoAbove",
    "scripts.ustaccatissimo": "articStaccatissimoAbove",
    "scripts.dstaccatissimo": "articStaccatissimoBelow",
    "scripts.umarcato": "articMarcatoAbove",
    "scripts.dmarcato": "articMarcatoBelow",
    "scripts.trill": "ornamentTrill",
    "scripts.turn": "ornamentTurn",
    "scripts.reverseturn": "ornamentTurnInverted",
    "scripts.prall": "ornamentShortTrill",
    "scripts.mordent": "ornamentMordent",
    "scripts.arpeggio": "arpeggiato",
    "scripts.trill_element": "wiggleTrill",
    "scripts.segno": "segno",
    "scripts.varsegno": "segno",
    "scripts.coda": "coda",
    **{name: f"digit{i}" for i, name in enumerate(_PLAIN_DIGITS)},
    **{f"fattened.{name}": f"fingering{i}" for i, name in enumerate(_PLAIN_DIGITS)},
    "four.alt": "digit4",
    "seven.alt": "digit7",
    "fattened.four.alt": "fingering4",
    "fattened.seven.alt": "fingering7",
    "p": "dynamicPiano",
    "m": "dynamicMezzo",
    "f": "dynamicForte",
    "r": "dynamicRinforzando",
    "s": "dynamicSforzando",
    "z": "dynamicZ",
    "n": "dynamicNiente",
}
"""Names of the glyphs in LilyPond's own font (LilyPond 2.24, notation reference A.8)."""
_LILYPOND_FONT = re.compile(r"emmentaler", re.IGNORECASE)
_UNI = re.compile(r"(?:uni|u)([0-9A-Fa-f]{4,5})$")
STAFF_SPACES = 4
"""Staff spaces of an em (SMuFL 1.4, 'Notes for implementers': the em is the height of a five-line staff)."""


def named(glyph: Glyph) -> str:
    """Return the SMuFL name of a glyph by its code point or name, ``""`` where it has neither."""
    if len(glyph.text) == 1 and ord(glyph.text) in CODES:
        return CODES[ord(glyph.text)]
    name = glyph.name.split("/")[-1]
    if name in _NAMES:
        return name
    m = _UNI.match(name)
    if m and int(m[1], 16) in CODES:
        return CODES[int(m[1], 16)]
    if _LILYPOND_FONT.search(glyph.font):
        return "brace" if name.startswith("brace") else _LILYPOND.get(name, "")
    return ""


# Outlines -------------------------------------------------------------------------------------------------

_GRID = 18
"""Points on each side of the raster that an outline is compared by."""
_UNFIT = 0.24
"""Distance from which an outline is none of the symbols."""
_SMALL = (0.55, 0.84)
"""How much smaller grace notes, cues and clefs of a change are printed."""
_FULL = (0.84, 1.2)
_OF_ANY_SIZE = frozenset(("brace",))
_NOT_SMALL = ("timeSig", "dynamic", "keyboardPedal", "noteheadDouble", "rest", "ornament", "ottava", "repeat")


@dataclass(frozen=True, slots=True)
class _Shape:
    name: str
    raster: Points
    width: float
    height: float
    """In staff spaces, like the width."""
    origin: float
    """How far up in its box its origin lies, as a part of the height."""


def fonts_folder() -> Path:
    """Return the folder of the verovio package that holds its SMuFL fonts, one folder for each."""
    found = find_spec("verovio")  # looked for only: it is not to be loaded in this process
    if found is None or found.origin is None:
        raise ScoreError(
            Remark(
                "page_fonts",
                "verovio, whose fonts show what symbols look like, is not installed; install it anew.",
            )
        )
    return Path(found.origin).parent / "data"


@lru_cache(maxsize=8)
def shapes(without: frozenset[str] = frozenset()) -> tuple[_Shape, ...]:
    """Return all known shapes of the installed fonts but those named in `without`."""
    out = []
    for listed in sorted(fonts_folder().glob("*.xml")):
        if listed.stem in without:
            continue
        for code, name in CODES.items():
            path = listed.with_suffix("") / f"{code:04X}.xml"
            if not path.is_file():
                continue
            for element in etree.fromstring(path.read_bytes()).iter("path"):
                contours = _svg_contours(element.get("d", ""))
                if contours:
                    raster, width, height = _drawn(contours)
                    lowest = min(float(points[:, 1].min()) for points in contours)
                    em = 1000 / STAFF_SPACES
                    out.append(_Shape(name, raster, width / em, height / em, -lowest / height))
    return tuple(out)


def _svg_contours(path: str) -> list[Points]:
    """Return the contours of an SVG path as fontTools follows it."""
    from fontTools.svgLib.path import parse_path

    from understave.score.readers.page.fonts import OutlinePen

    pen = OutlinePen()
    parse_path(path, pen)
    return pen.arrays(1.0)


def _drawn(contours: Sequence[Points]) -> tuple[Points, float, float]:
    """Return the raster of contours fitted to a square, and their true width and height."""
    points = np.vstack(contours)
    low, high = points.min(axis=0), points.max(axis=0)
    size = np.maximum(high - low, 1e-9)
    at = (np.arange(_GRID) + 0.5) / _GRID
    winding = np.zeros((_GRID, _GRID))
    for contour in contours:
        unit = (contour - low) / size
        x0, y0 = unit[:, 0], unit[:, 1]
        x1, y1 = np.roll(x0, -1), np.roll(y0, -1)
        rises = (y0[:, None] <= at) & (y1[:, None] > at)
        falls = (y1[:, None] <= at) & (y0[:, None] > at)
        crossing = rises | falls
        with np.errstate(divide="ignore", invalid="ignore"):
            meets = x0[:, None] + (at[None, :] - y0[:, None]) / (y1 - y0)[:, None] * (x1 - x0)[:, None]
        way = rises.astype(float) - falls
        for row in range(_GRID):
            hit = np.nonzero(crossing[:, row])[0]
            winding[row] += ((meets[hit, row][:, None] > at[None, :]) * way[hit, row][:, None]).sum(axis=0)
    return (winding != 0).astype(float).ravel(), float(size[0]), float(size[1])


@lru_cache(maxsize=8)
def _table(without: frozenset[str]) -> tuple[Points, Points, Points]:
    known = shapes(without)
    return (
        np.array([shape.raster for shape in known]),
        np.array([shape.width for shape in known]),
        np.array([shape.height for shape in known]),
    )


@dataclass(frozen=True, slots=True)
class Match:
    """What an outline is: its SMuFL name (``""`` for none), the height of its origin in its box, how
    sure (0..1).
    """

    name: str
    origin: float = 0.5
    sure: float = 0.0


class Matcher:
    """Names outlines of one page; shapes that come again are not compared again."""

    def __init__(self, space: float, without: Collection[str] = ()) -> None:
        self.space = space
        self.shapes = shapes(frozenset(without))
        self.rasters, self.widths, self.heights = _table(frozenset(without))
        self.known: dict[tuple[float, ...], Match] = {}

    def match(self, outline: Outline) -> Match:
        """Return what an outline is."""
        box = outline.box
        width, height = box.width / self.space, box.height / self.space
        if width < 0.15 or height < 0.08 or width > 14 or height > 60:
            return Match("")
        places = [
            np.round((points[:: max(1, len(points) // 8)] - (box.x0, box.y0)) / self.space, 1).ravel()
            for points in outline.contours
        ]
        key = (len(outline.contours), *np.concatenate(places).tolist())
        if key not in self.known:
            self.known[key] = self._nearest(outline, width, height)
        return self.known[key]

    def _nearest(self, outline: Outline, width: float, height: float) -> Match:
        raster, _, _ = _drawn(outline.contours)
        difference = np.abs(self.rasters - raster).mean(axis=1)
        grown = (np.log(width / self.widths) + np.log(height / self.heights)) / 2
        aspect = np.abs(np.log(width / self.widths) - np.log(height / self.heights))
        best, least = Match(""), _UNFIT
        for i in np.argsort(difference + 0.35 * aspect)[:40].tolist():
            shape = self.shapes[i]
            distance = float(difference[i] + 0.35 * aspect[i]) + _size_price(shape.name, float(grown[i]))
            if distance < least:
                best, least = Match(shape.name, shape.origin, 1 - distance / _UNFIT), distance
        return best


def _size_price(name: str, grown: float) -> float:
    """Return what it costs that a symbol is printed larger or smaller (natural logarithm) than its font
    has it.
    """
    if name in _OF_ANY_SIZE:
        return 0.0
    if log(_FULL[0]) <= grown <= log(_FULL[1]):
        return 0.1 * abs(grown)
    if not name.startswith(_NOT_SMALL) and log(_SMALL[0]) <= grown < log(_FULL[0]):
        return 0.03
    if name.startswith(("fingering", "tuplet", "timeSig")) and -0.8 < grown < 0.4:
        return 0.05
    return 1.0


def clef_name(name: str) -> str:
    """Return a clef's name without the ending of a change."""
    return name.removesuffix("Change")
