"""Labels: numerals with stacked figures, key names and chord symbols as glyphs in place.

In: numerals, keys, chord symbols. Out: `Label`s, drawn from a baseline, y up, in thousandths of the
label's own size (its em). Stacked figures stand to the right of the numeral, the first of one or two
rows raised like a superscript, as figured bass is set beside Roman numerals in harmony textbooks.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from understave.engraving.geometry import Box
from understave.engraving.lettering import Face, Placed, Runs
from understave.engraving.palette import INK, SOFT, Function, colour_of, function_of
from understave.harmony.reading import Span
from understave.theory.chord_symbol import chord_symbol
from understave.theory.convention_choices import current
from understave.theory.conventions import BESIDE, Written, key_letter, symbol_text, written
from understave.theory.figured_bass import Figures
from understave.theory.key import Key
from understave.theory.names import Language, key_name
from understave.wording.phrasebook import Phrasebook, phrasebook

ROMAN = Face()
BOLD = Face(weight=600)
CAP_HEIGHT = 647.0
_FIGURE_SIZE = 0.60
_ROW_PITCH = 455.0
_SIGN_SIZE = 0.66
_GAP = 45.0
_SIGNS = {"#": "♯", "b": "♭"}


@dataclass(frozen=True, slots=True)
class Text:
    """A run of text: size as a share of the label's size, baseline raised by `rise`."""

    words: str
    face: Face = ROMAN
    size: float = 1.0
    rise: float = 0.0
    soft: bool = False


@dataclass(frozen=True, slots=True)
class Stack:
    """Figures above each other, top row first, set to the right of what stands before."""

    rows: tuple[Text, ...]


Part = Text | Stack


@dataclass(frozen=True, slots=True)
class Mark:
    """A glyph of a label; `soft` ones are printed in grey."""

    placed: Placed
    soft: bool = False


@dataclass(frozen=True, slots=True)
class Label:
    """A finished label: glyphs, ink box (y up), advance width, colour, words for screen readers.

    `printed` is what it looks like, figures in a row: ``V65/V``. `underlined` marks what the teacher has set.
    """

    marks: tuple[Mark, ...]
    box: Box
    advance: float
    colour: str
    words: str
    underlined: bool = False
    printed: str = ""


@dataclass(frozen=True, slots=True)
class Wording:
    """What a label says, before it is typeset."""

    parts: tuple[Part, ...]
    colour: str
    words: str
    underlined: bool = False

    @property
    def printed(self) -> str:
        """What the label looks like, its rows from top to bottom beside each other."""
        return "".join(words for words, _ in self.texts())

    def texts(self) -> Iterator[tuple[str, Face]]:
        """Every run of text that has to be typeset for this label."""
        for part in self.parts:
            for text in part.rows if isinstance(part, Stack) else (part,):
                yield text.words, text.face


def numeral_wording(span: Span, coloured: bool, doubtful: bool, language: Language = "en") -> Wording:
    """The label of a span: its numeral, a raised question mark where the reading is in doubt.

    Where there are no keys to speak of it is the chord's root and kind; what the teacher has set stays.
    """
    said = phrasebook(language).spoken
    if not span.in_a_key:
        symbol = symbol_wording(chord_symbol(span.numeral.chord(span.key)), language)
        parts, words, coloured = [*symbol.parts], symbol.words, False
    else:
        label = written(span.numeral, span.key.mode)
        parts, words = [*_numeral_parts(label)], spoken(label, language)
    if doubtful:
        parts.append(Text("\u200a?", BOLD, _FIGURE_SIZE, 420.0, soft=True))
        words = said["uncertain"].format(label=words)
    if span.fixed:
        words = said["set"].format(label=words)
    function = function_of(span.numeral) if coloured else Function.OTHER
    return Wording(tuple(parts), colour_of(function), words, span.fixed)


def _numeral_parts(label: Written) -> Iterator[Part]:
    yield from _head_parts(label.head)
    if label.figures:
        yield Stack(tuple(Text(r, ROMAN, _FIGURE_SIZE) for r in label.figures))
    for piece in re.findall(r"/|[^/]+", label.target):
        if piece == "/":
            yield Text("/")
        else:
            yield from _head_parts(piece)
    if label.beside is not None:
        yield Text(BESIDE)
        yield from _numeral_parts(label.beside)


def _head_parts(head: str) -> Iterator[Text]:
    letters = head.rstrip("°ø+")
    yield Text(letters)
    for sign in head[len(letters) :]:
        if sign == "°":
            yield Text(sign)
        else:
            yield Text(sign, ROMAN, _SIGN_SIZE, 330.0)


def key_words(key: Key, language: Language = "en") -> str:
    """``"D♭ major"``; in other languages as they write it, ``"Des-Dur"``, ``"ré bémol majeur"``; a letter
    where the conventions have letters.
    """
    letter = key_letter(key, language)
    if letter is not None:
        return letter
    if language != "en":
        return key_name(key, language)
    tonic = key.tonic.name
    return f"{tonic[0]}{''.join(_SIGNS[c] for c in tonic[1:])} {key.mode}"


def key_wording(key: Key, language: Language = "en", continued: bool = False) -> Wording:
    """The name of a key; in brackets and grey where it only goes on from the system before."""
    words = key_words(key, language)
    if continued:
        said = phrasebook(language).spoken["continued"].format(label=words)
        return Wording((Text(f"({words})", ROMAN, soft=True),), INK, said)
    return Wording((Text(words, BOLD),), INK, words)


_SYLLABLE = "(?:Do|R[eé]|Mi|Fa|Sol|La|Si)"
_LETTER = r"[A-H](?:b+|♭+|♯+|x|𝄪|𝄫|(?:is)+|(?:es)+|s(?!us)(?:es)*)?"


def figures_wording(figures: Figures, language: Language = "en") -> Wording:
    """Figures over a bass, one above the other, as a player of figured bass is given them."""
    rows = tuple(Text(figure.display, ROMAN, _FIGURE_SIZE) for figure in figures)
    said = (
        phrasebook(language).spoken["figures"].format(figures=" ".join(figure.display for figure in figures))
    )
    return Wording((Stack(rows),) if rows else (), INK, said)


def symbol_wording(symbol: str, language: Language = "en") -> Wording:
    """A chord symbol above the staff, such as ``"D♭7/F"``: root and bass full size, the rest raised."""
    symbol = symbol_text(symbol, language)
    text = symbol.replace("#", "♯")
    letter = _LETTER.replace("[A-H]", _SYLLABLE) if current().letters == "syllables" else _LETTER
    match = re.fullmatch(rf"({letter})(.*?)(/{letter})?", text)
    if not match:
        return Wording((Text(text, BOLD),), INK, symbol)
    root, suffix, bass = match[1].replace("b", "♭"), match[2] or "", (match[3] or "").replace("b", "♭")
    parts: list[Part] = [Text(root, BOLD)]
    word = re.match(r"(?:m(?!aj)|min|mi|dim|aug|sus)*", suffix)
    plain = word[0] if word else ""
    if plain:
        parts.append(Text(plain, BOLD, 0.85))
    rest = suffix[len(plain) :].replace("b", "♭")
    if rest:
        parts.append(Text(rest, BOLD, 0.68, 270.0))
    if bass:
        parts.append(Text(bass, BOLD, 0.9))
    return Wording(tuple(parts), INK, symbol)


_SIGN_NAMES = {"°": "diminished", "ø": "half-diminished", "+": "augmented", "♭": "flat", "♯": "sharp"}


def spoken(label: Written, language: Language = "en") -> str:
    """The label of a chord in words for a screen reader: ``"V 6 5 of V"``."""
    book = phrasebook(language)
    figures = "".join(f" {f}" for f in label.figures)
    if label.signed:  # A function: a stroke is followed by what lies in the bass.
        after = re.sub(r"/(\d)", lambda m: book.spoken["bass"].format(number=m[1]), label.target)
        return f"{label.head}{figures}{after}"
    targets = "".join(book.spoken["of"] + _spoken_head(t, book).strip() for t in label.target.split("/")[1:])
    more = f", {spoken(label.beside, language)}" if label.beside else ""
    return f"{_spoken_head(label.head, book)}{figures}{targets}{more}"


def _spoken_head(head: str, book: Phrasebook) -> str:
    return "".join(book.spoken[_SIGN_NAMES[c]] if c in _SIGN_NAMES else c for c in head)


def typeset_label(wording: Wording, runs: Runs) -> Label:
    """Put the parts of a label beside each other."""
    marks: list[Mark] = []
    x = 0.0
    for part in wording.parts:
        if isinstance(part, Text):
            marks += _set_text(part, x, part.rise, runs)
            x += part.size * runs[part.words, part.face].advance
        else:
            x += _GAP
            widths = [row.size * runs[row.words, row.face].advance for row in part.rows]
            # Digits stand above each other, accidentals before them hang out; words start in line.
            in_line = any(row.words[0].isalpha() for row in part.rows)
            for row, rise, width in zip(part.rows, _rises(len(widths)), widths, strict=True):
                marks += _set_text(row, x if in_line else x + max(widths) - width, rise, runs)
            x += max(widths)
    box = Box.around(_mark_box(mark) for mark in marks)
    if wording.underlined:
        box = Box.around((box, Box(box.x0, box.y0 - 150, box.x1, box.y0 - 100)))
    return Label(tuple(marks), box, x, wording.colour, wording.words, wording.underlined, wording.printed)


def _rises(rows: int) -> list[float]:
    """Baselines of stacked rows, top first: one row is raised, more are centred on the capitals."""
    if rows == 1:
        return [CAP_HEIGHT - 0.62 * _FIGURE_SIZE * CAP_HEIGHT]
    height = _FIGURE_SIZE * CAP_HEIGHT
    top = CAP_HEIGHT / 2 + ((rows - 1) * _ROW_PITCH + height) / 2
    return [top - height - k * _ROW_PITCH for k in range(rows)]


def _set_text(text: Text, x: float, rise: float, runs: Runs) -> Iterable[Mark]:
    run = runs[text.words, text.face]
    for p in run.glyphs:
        placed = Placed(p.glyph, x + text.size * p.x, rise + text.size * p.y, text.size * p.scale)
        yield Mark(placed, text.soft)


def _mark_box(mark: Mark) -> Box:
    placed, b = mark.placed, mark.placed.glyph.box
    return Box(
        placed.x + placed.scale * b.x0,
        placed.y + placed.scale * b.y0,
        placed.x + placed.scale * b.x1,
        placed.y + placed.scale * b.y1,
    )


def mark_colour(label: Label, mark: Mark) -> str:
    """The colour a glyph of a label is printed in."""
    return SOFT if mark.soft else label.colour
