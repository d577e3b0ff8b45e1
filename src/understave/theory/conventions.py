"""A numeral, a chord symbol or a key as the conventions in force write them (`convention_choices`).

In: the standard values (`RomanNumeral`, `Key`, a chord symbol's text). Out: what a page shows of them. Data
keep the standard form; only what people read follows the conventions.

* The six-four before the dominant: ``Cad64`` (RomanText); ``V64-53``, the numeral of the dominant with the
  moves 6-5 and 4-3 (Aldwell and Schachter, "Harmony and Voice Leading"; from memory); ``I64``, the tonic in
  second inversion (Piston, "Harmony"; from memory).
* Numerals: capital and small, or capital only with the signs °, ø and + kept, so that VII° and VII stay
  apart (capital only: Piston, Schoenberg; from memory). The raised sixth degree of minor is then ♯VI.
* Functions: see `function_naming`.
* Letters of chords: English, German with Fis, Es, B for B flat and H, or the syllables of fixed do with Sib
  and Si (common practice, no source). With syllables the keys of labels are La♭ major, too.
* Keys of labels in words, or as letters with small ones for minor (common practice, no source). Languages
  that name notes by syllables keep the words: fa is as long as it is small.
* Figured bass below the numerals: what a player would be given over the chord's bass in the printed signature
  (`figured_bass`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from understave.theory.convention_choices import Conventions, current, home_mode
from understave.theory.function_naming import function_label
from understave.theory.key import Key, Mode
from understave.theory.names import key_name, mode_name, pitch_class_name
from understave.theory.pitch import PitchClass
from understave.theory.roman import RomanNumeral
from understave.theory.vocabulary import Language

_RAISED = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")
_LOWERED = str.maketrans("0123456789", "₀₁₂₃₄₅₆₇₈₉")
_ROOT = re.compile(r"[A-G](?:bb|b|##|x|#|♭♭|♭|♯♯|♯|𝄫|𝄪)?")
_BY_LETTERS = ("en", "de")
_SYLLABLES = dict(zip("CDEFGAB", ("Do", "Re", "Mi", "Fa", "Sol", "La", "Si"), strict=True))
BESIDE = " · "
"""What stands between a numeral and the function beside it. Set by eye."""


# --- numerals --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Written:
    """A chord's label as it is set: `figures` stacked top to bottom after the head, then `target`.

    `beside` is a second label after it, perhaps none; `signed` figures are raised and lowered in a line with
    their accidentals.
    """

    head: str
    figures: tuple[str, ...] = ()
    target: str = ""
    beside: Written | None = None
    signed: bool = False

    @property
    def line(self) -> str:
        """The label in a line of plain text, one or two figures raised and lowered: ``vii°⁶₅/V``."""
        rows = self.figures
        figure = "[♭♮♯]?[0-9]+" if self.signed else "[0-9]+"
        if len(rows) <= 2 and all(re.fullmatch(figure, row) for row in rows):
            shown = "".join(r.translate(t) for r, t in zip(rows, (_RAISED, _LOWERED), strict=False))
        else:
            shown = "/".join(rows) if any("–" in row for row in rows) else "".join(rows)
        more = BESIDE + self.beside.line if self.beside else ""
        return f"{self.head}{shown}{self.target}{more}"

    @property
    def flat(self) -> tuple[str, tuple[str, ...], str]:
        """Head, figures and target for what sets one stack only: the label beside comes in a line."""
        return self.head, self.figures, self.target + (BESIDE + self.beside.line if self.beside else "")


def written(numeral: RomanNumeral, mode: Mode | None = None) -> Written:
    """Return how a numeral is set; `mode` is that of its key, None where nothing tells."""
    how = current()
    label = _numeral(numeral, mode, how)
    if how.functions == "none":
        return label
    named = function_label(numeral, mode, how.six_four == "V64-53")
    if named is None:
        return label
    function = Written(*named, signed=True)
    if how.functions == "instead":
        return function
    return Written(label.head, label.figures, label.target, function)


def _numeral(numeral: RomanNumeral, mode: Mode | None, how: Conventions) -> Written:
    target = "".join("/" + _head(t, None, how) for t in numeral.applied)
    if numeral.special == "Cad" and how.six_four == "V64-53":
        return Written("V", ("6–5", "4–3"), target)
    if numeral.special == "Cad" and how.six_four == "I64":
        home = Key(PitchClass("C"), mode or home_mode() or "major")
        small = numeral.local_key(home).mode == "minor" and how.numerals != "capital"
        return Written("i" if small else "I", ("6", "4"), target)
    return Written(_head(numeral, mode, how), numeral.figures, target)


def _head(numeral: RomanNumeral, mode: Mode | None, how: Conventions) -> str:
    if how.numerals != "capital" or numeral.special:
        return numeral.head
    raised = mode == "minor" and numeral.degree == 6 and numeral.alter == 0 and numeral.head[:2] == "vi"
    return ("♯" if raised else "") + re.sub("[iv]+", lambda m: m[0].upper(), numeral.head)


def numeral_text(numeral: RomanNumeral, mode: Mode | None = None) -> str:
    """Return a numeral for a table or a line that has no raised figures: the standard's text by default."""
    how = current()
    plain = (how.numerals, how.functions) == ("capital and small", "none")
    if plain and (numeral.special != "Cad" or how.six_four == "Cad64"):
        return numeral.text
    return written(numeral, mode).line


# --- letters and keys ------------------------------------------------------------------------------------


def symbol_text(symbol: str, language: Language = "en") -> str:
    """Return a chord symbol in the letters in force: ``"Bb7/D"``, German ``"B7/D"``, syllables ``"Sib7/Re"``.

    French writes ``"Ré"``.
    """
    if current().letters == "english":
        return symbol
    head, slash, bass = symbol.partition("/")
    return _renamed(head, language) + slash + (_renamed(bass, language) if slash else "")


def note_label(tone: PitchClass, language: Language = "en") -> str:
    """Return a note in the letters in force, as short as a symbol: ``"Bb"``, ``"B"``, ``"Sib"``."""
    return _renamed(tone.name, language)


def _renamed(text: str, language: Language) -> str:
    m = _ROOT.match(text)
    if m is None or current().letters == "english":
        return text
    tone, rest = PitchClass.parse(m[0]), text[m.end() :]
    if current().letters == "german":
        return pitch_class_name(tone, "de") + rest
    return _syllable(tone, language) + ("b" * -tone.alter or "#" * tone.alter) + rest


def _syllable(tone: PitchClass, language: Language) -> str:
    syllable = _SYLLABLES[tone.letter]
    return "Ré" if (syllable, language) == ("Re", "fr") else syllable


def key_letter(key: Key, language: Language = "en") -> str | None:
    """Return a key as a letter, small for minor, None where the conventions or the language have words.

    With syllables a key in words is one too, in the languages that have none of their own: ``"La♭ major"``.
    """
    if language not in _BY_LETTERS:
        return None
    if current().letters == "syllables":
        return _key_in_syllables(key, language)
    if current().keys == "words":
        return None
    if language == "de" or current().letters == "german":
        name = pitch_class_name(key.tonic, "de")
    else:
        name = key.tonic.name.replace("b", "♭").replace("#", "♯")
    return name[0].lower() + name[1:] if key.mode == "minor" else name


def _key_in_syllables(key: Key, language: Language) -> str:
    name = _syllable(key.tonic, language) + ("♭" * -key.tonic.alter or "♯" * key.tonic.alter)
    if current().keys == "words":
        return f"{name}{'-' if language == 'de' else ' '}{mode_name(key.mode, language)}"
    return name[0].lower() + name[1:] if key.mode == "minor" else name


def key_label(key: Key, language: Language = "en") -> str:
    """Return the name of a key as a label, not within a sentence, where a lone ``a`` would be an article."""
    return key_letter(key, language) or key_name(key, language)
