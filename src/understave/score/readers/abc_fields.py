"""Values of ABC information fields in; keys, meters, tempos, clefs, voice layouts and plain text out.

Follows "The abc music standard 2.1" (abcnotation, December 2011), sections 3, 4.6 and 8.
"""

from __future__ import annotations

import html
import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction

from understave.score.accidentals import key_alteration
from understave.score.plain_text import printable
from understave.theory.pitch import PitchClass

# Sharps that a mode adds to those of the major key on its tonic (standard 2.1, section 3.1.14).
_MODES = {
    "maj": 0, "ion": 0, "mix": -1, "dor": -2, "min": -3, "aeo": -3, "m": -3, "phr": -4, "loc": -5, "lyd": 1,
}  # fmt: skip
_MODE_NAMES = {
    "maj": "major", "ion": "major", "min": "minor", "aeo": "minor", "m": "minor", "mix": "mixolydian",
    "dor": "dorian", "phr": "phrygian", "loc": "locrian", "lyd": "lydian",
}  # fmt: skip
_ALTER = {"^^": 2, "^": 1, "=": 0, "_": -1, "__": -2}
_DIACRITICS = {
    "'": "\u0301", "`": "\u0300", "^": "\u0302", '"': "\u0308", "~": "\u0303", "c": "\u0327", "v": "\u030c",
    "u": "\u0306", "r": "\u030a", "=": "\u0304", ".": "\u0307", ";": "\u0328",
}  # fmt: skip
_LIGATURES = {
    "AE": "Æ", "ae": "æ", "OE": "Œ", "oe": "œ", "ss": "ß", "AA": "Å", "aa": "å", "/O": "Ø", "/o": "ø",
}  # fmt: skip
_CLEFS = ("treble", "bass", "alto", "tenor", "perc", "none", "auto")


@dataclass(frozen=True)
class AbcKey:
    """A key: its signature in sharps, mode, and letters altered otherwise (``K:D exp ^f``)."""

    signature: int = 0
    mode: str | None = None
    altered: tuple[tuple[str, int], ...] = ()

    def alteration(self, letter: str) -> int:
        """Return what this key does to a letter."""
        return dict(self.altered).get(letter, key_alteration(self.signature, letter))


@dataclass(frozen=True)
class Layout:
    """What ``V:`` and ``K:`` say of a voice besides its music."""

    name: str = ""
    clef: str = ""
    octave: int = 0
    transpose: int = 0


def text_of(raw: str) -> str:
    """Decode the mnemonics, entities and unicode escapes of an ABC text (standard 2.1, section 8.2)."""
    out = re.sub(r"\\u([0-9a-fA-F]{4})", lambda m: chr(int(m[1], 16)), raw)
    out = re.sub(r"\\(AE|ae|OE|oe|ss|AA|aa|/O|/o)", lambda m: _LIGATURES[m[1]], out)
    out = re.sub(
        r"\\(['`^\"~vur=.;c])([A-Za-z])",
        lambda m: unicodedata.normalize("NFC", m[2] + _DIACRITICS[m[1]]),
        out,
    )
    return printable(html.unescape(re.sub(r"\\([%&\\])", r"\1", out))).strip()


def fraction_of(text: str) -> Fraction | None:
    """Read ``"1/8"`` or ``"1"``; None if it is no positive fraction."""
    m = re.fullmatch(r"\s*(\d{1,6})\s*(?:/\s*(\d{1,6}))?\s*", text)
    if not m or not int(m[1]) or (m[2] and not int(m[2])):
        return None
    return Fraction(int(m[1]), int(m[2] or 1))


def meter_of(text: str) -> tuple[int, int] | None:
    """Read ``M:``: ``4/4``, ``C``, ``C|``, ``(2+3+2)/8``; None for a free meter."""
    text = text.strip()
    if text in ("C", "c"):
        return (4, 4)
    if text in ("C|", "c|"):
        return (2, 2)
    m = re.match(r"\(?\s*(\d+(?:\s*\+\s*\d+)*)\s*\)?\s*/\s*(\d+)", text)
    if not m:
        return None
    beats, unit = sum(int(x) for x in m[1].split("+")), int(m[2])
    return (beats, unit) if 0 < beats < 1000 and 0 < unit < 1000 else None


def symbol_of(text: str) -> str:
    """Return the sign that ``M:`` asks for: ``"common"`` for ``C``, ``"cut"`` for ``C|``, else ``""``."""
    return {"C": "common", "C|": "cut"}.get(text.strip().upper(), "")


def tempo_of(text: str, unit: Fraction) -> tuple[str, float | None]:
    """Read ``Q:``; return its words and quarter notes a minute."""
    words = " ".join(text_of(w) for w in re.findall(r'"([^"]*)"', text))
    rest = re.sub(r'"[^"]*"', " ", text)
    m = re.search(r"([\dC/\s]*?)=?\s*(\d+(?:\.\d+)?)\s*$", rest)
    if not m:
        return words, None
    beats = [f for f in map(fraction_of, m[1].split()) if f]
    beat = sum(beats, Fraction(0)) if "=" in rest and beats else unit
    value = float(m[2]) * float(4 * beat)
    return words, value if value > 0 else None


def key_of(text: str) -> AbcKey | None:
    """Read the key of ``K:``; None if the field names none (``K:clef=bass``)."""
    text = text.strip()
    if text.startswith(("HP", "Hp")):
        return AbcKey(2)
    if re.match(r"(none|perc)\b", text, re.IGNORECASE):
        return AbcKey(0)
    m = re.match(r"([A-G])([#b♯♭]?)\s*([A-Za-z]*)", text)
    if not m:
        return AbcKey(0) if not text else None
    word = m[3].lower()
    kind = word if word == "m" else word[:3]
    rest = text[m.end() :]
    if word and kind not in _MODES and kind != "exp":
        # Another word after the tonic is a clef or some other setting.
        kind, rest = "maj", text[m.end() - len(m[3]) :]
    accidentals = re.findall(r"(?<![\w=])(\^\^|\^|__|_|=)([A-Ga-g])(?![A-Za-z=])", rest)
    altered = {letter.upper(): _ALTER[sign] for sign, letter in accidentals}
    if kind == "exp":
        altered = {letter: altered.get(letter, 0) for letter in "CDEFGAB"}
        return AbcKey(_signature_like(altered), None, tuple(altered.items()))
    tonic = PitchClass(m[1], {"#": 1, "♯": 1, "b": -1, "♭": -1}.get(m[2], 0))
    kind = kind or "maj"
    return AbcKey(tonic.fifths + _MODES[kind], _MODE_NAMES[kind], tuple(altered.items()))


def _signature_like(altered: dict[str, int]) -> int:
    """Return the plain signature nearest to a set of altered letters."""
    return min(
        range(-7, 8), key=lambda f: (sum(key_alteration(f, c) != a for c, a in altered.items()), abs(f))
    )


def layout_of(text: str, before: Layout) -> Layout:
    """Read the settings of a ``V:`` or ``K:`` field over those in force."""
    settings = dict(re.findall(r"([A-Za-z]+)\s*=\s*(\"[^\"]*\"|\S+)", text))
    bare = re.sub(r"[A-Za-z]+\s*=\s*(\"[^\"]*\"|\S+)", " ", text)
    clef = settings.get("clef", "").strip('"')
    for word in bare.split():
        if word.lower().startswith(_CLEFS):
            clef = word
    name = settings.get("name") or settings.get("nm")
    octave, transpose = before.octave, before.transpose
    if re.fullmatch(r"[+-]?\d", settings.get("octave", "")):
        octave = int(settings["octave"])
    shift = settings.get("transpose") or settings.get("t") or ""
    if re.fullmatch(r"[+-]?\d{1,2}", shift):
        transpose = int(shift)
    if clef and (m := re.search(r"([+-])(8|15)$", clef)):
        transpose += (12 if m[2] == "8" else 24) * (1 if m[1] == "+" else -1)
    return Layout(
        text_of(name.strip('"').replace("\\n", " ")) if name else before.name,
        clef or before.clef,
        octave,
        transpose,
    )


def staves_of(text: str) -> list[list[list[str]]]:
    """Read ``%%score`` or ``%%staves``: parts of staves of voices; braces make one part of several staves."""
    parts: list[list[list[str]]] = []
    depth = 0
    voices: list[str] | None = None
    for token in re.findall(r"[{}()\[\]|*]|[^\s{}()\[\]|*]+", text):
        if token == "{":
            depth += 1
            if depth == 1:
                parts.append([])
        elif token == "}":
            depth = max(0, depth - 1)
        elif token == "(":
            voices = []
        elif token == ")":
            if voices:
                _add_staff(parts, voices, depth)
            voices = None
        elif token not in "[]|*":
            if voices is not None:
                voices.append(token)
            else:
                _add_staff(parts, [token], depth)
    return [p for p in parts if p]


def _add_staff(parts: list[list[list[str]]], voices: list[str], depth: int) -> None:
    if depth:
        parts[-1].append(voices)
    else:
        parts.append([voices])
